//! What can go wrong with a port: each cause with its own kind, its words and its cure.

use std::path::{Path, PathBuf};

use rustix::io::Errno;

use super::holder::{Holder, holder};

/// What went wrong with a port. The words are for the person at the set: what was found, and one
/// next step.
#[derive(Debug, thiserror::Error)]
pub enum WireError {
    /// Nothing is there under that name.
    #[error(
        "there is no serial port `{port}`; plug the interface in, or name another port in the plan ({})",
        seen_in_words(seen)
    )]
    NoSuchPort {
        /// As the plan names it.
        port: String,
        /// Serial ports that the machine has.
        seen: Vec<String>,
        /// Cause.
        source: Errno,
    },
    /// The name is of something else, such as a plain file.
    #[error(
        "`{port}` is no serial port; name the interface's port in the plan, best one under /dev/serial/by-id"
    )]
    NotASerialPort {
        /// As the plan names it.
        port: String,
        /// Cause.
        source: Errno,
    },
    /// The system does not let this user open it.
    #[error("`{port}` may not be used by this user; {}", permission_in_words(group.as_deref()))]
    NotPermitted {
        /// As the plan names it.
        port: String,
        /// Name of the group that the port belongs to, where it could be found.
        group: Option<String>,
        /// Cause.
        source: Errno,
    },
    /// Another program has it.
    #[error("`{port}` is in use by {}", holder_in_words(port, holder.as_ref()))]
    Held {
        /// As the plan names it.
        port: String,
        /// The program, where the system lets us see it.
        holder: Option<Holder>,
        /// Cause.
        source: Errno,
    },
    /// More than one interface answers to that name.
    #[error("`{port}` is more than one interface: {}; {}", found.join(", "), telling_apart(*told_apart))]
    Ambiguous {
        /// As the plan names it.
        port: String,
        /// The interfaces, with their device files.
        found: Vec<String>,
        /// True if their serial numbers tell them apart.
        told_apart: bool,
    },
    /// Under that name there is now another interface than the one that this output had.
    #[error(
        "`{port}` is not the interface that this output had: found {found}, it was {had}; plug that one in again, \
         or restart lampkeep to take this one"
    )]
    OtherInterface {
        /// As the plan names it.
        port: String,
        /// What is there.
        found: String,
        /// What this output had.
        had: String,
    },
    /// It was there and is no more.
    #[error("`{port}` has gone ({source}); check the cable and plug the interface in again")]
    Gone {
        /// As the plan names it.
        port: String,
        /// Cause.
        source: Errno,
    },
    /// It takes no more bytes.
    #[error(
        "`{port}` took no more bytes for {waited_ms} ms; unplug the interface and plug it in again if this stays"
    )]
    WriteDeadline {
        /// As the plan names it.
        port: String,
        /// How long was waited, in milliseconds.
        waited_ms: u64,
    },
    /// The driver can neither make a break nor a slow byte instead.
    #[error("the driver of `{port}` makes no break; use a framed interface, or a port whose driver does")]
    BreakRefused {
        /// As the plan names it.
        port: String,
        /// Cause.
        source: Errno,
    },
    /// The driver does not run at DMX's speed.
    #[error("`{port}` runs at {got} bit/s where DMX needs {asked}; use an interface that can")]
    SpeedRefused {
        /// As the plan names it.
        port: String,
        /// What was asked, in bit/s.
        asked: u32,
        /// What the driver set, in bit/s.
        got: u32,
    },
    /// Anything else.
    #[error("`{port}`: could not {doing} ({source}); unplug the interface and plug it in again")]
    Other {
        /// As the plan names it.
        port: String,
        /// What was tried, as a verb with its object.
        doing: &'static str,
        /// Cause.
        source: Errno,
    },
}

/// [`WireError`] without its data, for telling causes apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum WireErrorKind {
    /// [`WireError::NoSuchPort`].
    NoSuchPort,
    /// [`WireError::NotASerialPort`].
    NotASerialPort,
    /// [`WireError::NotPermitted`].
    NotPermitted,
    /// [`WireError::Held`].
    Held,
    /// [`WireError::Ambiguous`].
    Ambiguous,
    /// [`WireError::OtherInterface`].
    OtherInterface,
    /// [`WireError::Gone`].
    Gone,
    /// [`WireError::WriteDeadline`].
    WriteDeadline,
    /// [`WireError::BreakRefused`].
    BreakRefused,
    /// [`WireError::SpeedRefused`].
    SpeedRefused,
    /// [`WireError::Other`].
    Other,
}

impl WireErrorKind {
    /// Stable word, kebab-case.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::NoSuchPort => "no-such-port",
            Self::NotASerialPort => "not-a-serial-port",
            Self::NotPermitted => "not-permitted",
            Self::Held => "held",
            Self::Ambiguous => "ambiguous",
            Self::OtherInterface => "other-interface",
            Self::Gone => "gone",
            Self::WriteDeadline => "write-deadline",
            Self::BreakRefused => "break-refused",
            Self::SpeedRefused => "speed-refused",
            Self::Other => "other",
        }
    }
}

impl WireError {
    /// Which of the kinds it is.
    #[must_use]
    pub const fn kind(&self) -> WireErrorKind {
        match self {
            Self::NoSuchPort { .. } => WireErrorKind::NoSuchPort,
            Self::NotASerialPort { .. } => WireErrorKind::NotASerialPort,
            Self::NotPermitted { .. } => WireErrorKind::NotPermitted,
            Self::Held { .. } => WireErrorKind::Held,
            Self::Ambiguous { .. } => WireErrorKind::Ambiguous,
            Self::OtherInterface { .. } => WireErrorKind::OtherInterface,
            Self::Gone { .. } => WireErrorKind::Gone,
            Self::WriteDeadline { .. } => WireErrorKind::WriteDeadline,
            Self::BreakRefused { .. } => WireErrorKind::BreakRefused,
            Self::SpeedRefused { .. } => WireErrorKind::SpeedRefused,
            Self::Other { .. } => WireErrorKind::Other,
        }
    }

    /// What an error number means while a port is being opened.
    pub(super) fn opening(path: &Path, source: Errno) -> Self {
        let port = path.display().to_string();
        match source {
            Errno::NOENT | Errno::NOTDIR | Errno::NODEV | Errno::NXIO => {
                Self::NoSuchPort { port, seen: ports_seen(), source }
            }
            Errno::NOTTY | Errno::ISDIR | Errno::LOOP | Errno::INVAL => Self::NotASerialPort { port, source },
            Errno::ACCESS | Errno::PERM => Self::NotPermitted { port, group: group_of(path), source },
            Errno::BUSY | Errno::WOULDBLOCK => Self::Held { port, holder: holder(path), source },
            Errno::IO => Self::Gone { port, source },
            _ => Self::Other { port, doing: "open it", source },
        }
    }

    /// What an error number means on a port that was open.
    pub(super) fn using(path: &Path, doing: &'static str, source: Errno) -> Self {
        let port = path.display().to_string();
        match source {
            // What USB serial drivers and pseudo-terminals give when the far side is no more
            // (EIO, ENODEV measured; the rest from memory).
            Errno::IO | Errno::NODEV | Errno::NXIO | Errno::PIPE | Errno::SHUTDOWN | Errno::PROTO => {
                Self::Gone { port, source }
            }
            _ => Self::Other { port, doing, source },
        }
    }
}

/// Device files of the serial ports that the machine has; none where the kernel does not list them, as in a root
/// without /sys.
pub fn ports_seen() -> Vec<String> {
    // The crate ends the program where that folder is missing.
    if !Path::new("/sys/class/tty").is_dir() {
        return Vec::new();
    }
    serialport::available_ports()
        .map(|ports| ports.into_iter().map(|p| p.port_name).collect())
        .unwrap_or_default()
}

fn holder_in_words(port: &str, holder: Option<&Holder>) -> String {
    match holder {
        Some(holder) if holder.own => {
            "another output of this program; give each output an interface of its own".to_owned()
        }
        Some(holder) => format!("{holder}; stop that one"),
        None => format!("another program; stop that one (as root, `fuser -v {port}` names it)"),
    }
}

fn telling_apart(by_serial: bool) -> &'static str {
    if by_serial {
        "name the one that is meant by its `serial`"
    } else {
        "their serial numbers do not tell them apart, but the sockets do: name it by \
         `port = \"/dev/serial/by-path/…\"`"
    }
}

fn seen_in_words(seen: &[String]) -> String {
    if seen.is_empty() { "this machine shows none".to_owned() } else { format!("seen: {}", seen.join(", ")) }
}

fn permission_in_words(group: Option<&str>) -> String {
    match group {
        Some(group) => format!("add the user to group `{group}`, then log in again or restart the service"),
        None => "give it access to the port, by group or by a udev rule".to_owned(),
    }
}

/// Name of the group whose members may use a device file; `None` where the group may not, or where it is root's, which
/// is no cure to advise.
fn group_of(path: &Path) -> Option<String> {
    use std::os::unix::fs::MetadataExt;
    let file = std::fs::metadata(path).ok()?;
    if file.gid() == 0 || file.mode() & 0o060 != 0o060 {
        return None;
    }
    let gid = file.gid().to_string();
    group_in(&std::fs::read_to_string(PathBuf::from("/etc/group")).ok()?, &gid)
}

/// Name of a group by its number. Source: group(5), `name:password:number:members`.
fn group_in(groups: &str, gid: &str) -> Option<String> {
    groups.lines().find_map(|line| {
        let mut fields = line.split(':');
        let name = fields.next()?;
        (fields.nth(1) == Some(gid)).then(|| name.to_owned())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_cause_of_a_failed_open_has_its_own_kind() {
        let path = Path::new("/dev/ttyUSB7");
        for (errno, kind) in [
            (Errno::NOENT, WireErrorKind::NoSuchPort),
            (Errno::ACCESS, WireErrorKind::NotPermitted),
            (Errno::BUSY, WireErrorKind::Held),
            (Errno::WOULDBLOCK, WireErrorKind::Held),
            (Errno::NOTTY, WireErrorKind::NotASerialPort),
            (Errno::IO, WireErrorKind::Gone),
            (Errno::NOMEM, WireErrorKind::Other),
        ] {
            assert_eq!(WireError::opening(path, errno).kind(), kind, "{errno:?}");
        }
        for errno in [Errno::IO, Errno::NODEV] {
            assert_eq!(WireError::using(path, "write to it", errno).kind(), WireErrorKind::Gone);
        }
    }

    #[test]
    fn messages_say_what_was_found_and_one_next_step() {
        let port = || "/dev/ttyUSB0".to_owned();
        let source = Errno::NOENT;
        let said = |error: WireError| error.to_string();
        assert_eq!(
            said(WireError::NoSuchPort { port: port(), seen: vec!["/dev/ttyUSB1".to_owned()], source }),
            "there is no serial port `/dev/ttyUSB0`; plug the interface in, or name another port in the plan \
             (seen: /dev/ttyUSB1)"
        );
        assert_eq!(
            said(WireError::NoSuchPort { port: port(), seen: vec![], source }),
            "there is no serial port `/dev/ttyUSB0`; plug the interface in, or name another port in the plan \
             (this machine shows none)"
        );
        assert_eq!(
            said(WireError::NotPermitted { port: port(), group: Some("dialout".to_owned()), source }),
            "`/dev/ttyUSB0` may not be used by this user; add the user to group `dialout`, then log in again \
             or restart the service"
        );
        assert_eq!(
            said(WireError::NotPermitted { port: port(), group: None, source }),
            "`/dev/ttyUSB0` may not be used by this user; give it access to the port, by group or by a udev rule"
        );
        assert_eq!(
            said(WireError::Held { port: port(), holder: None, source }),
            "`/dev/ttyUSB0` is in use by another program; stop that one (as root, `fuser -v /dev/ttyUSB0` names it)"
        );
        let holder = Some(Holder { name: "terminal".to_owned(), process: 71, own: false });
        assert_eq!(
            said(WireError::Held { port: port(), holder, source }),
            "`/dev/ttyUSB0` is in use by `terminal` (process 71); stop that one"
        );
        let found = vec!["one".to_owned(), "two".to_owned()];
        assert_eq!(
            said(WireError::Ambiguous {
                port: "usb 0403:6001".to_owned(),
                found: found.clone(),
                told_apart: true
            }),
            "`usb 0403:6001` is more than one interface: one, two; name the one that is meant by its `serial`"
        );
        assert_eq!(
            said(WireError::Ambiguous { port: "usb 0403:6001".to_owned(), found, told_apart: false }),
            "`usb 0403:6001` is more than one interface: one, two; their serial numbers do not tell them apart, \
             but the sockets do: name it by `port = \"/dev/serial/by-path/…\"`"
        );
        assert_eq!(
            said(WireError::WriteDeadline { port: port(), waited_ms: 100 }),
            "`/dev/ttyUSB0` took no more bytes for 100 ms; unplug the interface and plug it in again if this \
             stays"
        );
        assert_eq!(
            said(WireError::SpeedRefused { port: port(), asked: 250_000, got: 230_400 }),
            "`/dev/ttyUSB0` runs at 230400 bit/s where DMX needs 250000; use an interface that can"
        );
        assert!(
            said(WireError::Gone { port: port(), source: Errno::IO })
                .starts_with("`/dev/ttyUSB0` has gone (Input/output error")
        );
    }

    /// Source: group(5).
    #[test]
    fn a_groups_name_is_found_by_its_number() {
        let groups = "root:x:0:\ndialout:x:20:anna,ben\nplugdev:x:46:\n";
        assert_eq!(group_in(groups, "20").as_deref(), Some("dialout"));
        assert_eq!(group_in(groups, "2"), None);
    }
}
