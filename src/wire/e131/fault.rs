//! What can go wrong on the way to the network, in words: what was found, and one next step.

use std::net::SocketAddr;

use rustix::io::Errno;

use crate::plan::e131::Interface;

/// Why packets do not go out.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NetError {
    /// The plan's interface is not there, or no more.
    #[error("{}", no_interface(interface, seen))]
    NoSuchInterface {
        /// As the plan names it.
        interface: Interface,
        /// Interfaces that the machine has.
        seen: Vec<String>,
    },
    /// The interface is switched off.
    #[error("interface `{interface}` is down; `ip link set {interface} up` brings it up")]
    InterfaceDown {
        /// Its name.
        interface: String,
    },
    /// The interface is up and has no address of the group's family.
    #[error(
        "interface `{interface}` has no {family} address; give it one (`ip address`), or send to the other family's groups \
         with `multicast`"
    )]
    NoAddress {
        /// Its name.
        interface: String,
        /// `IPv4` or `IPv6`.
        family: &'static str,
    },
    /// The interface has no link.
    #[error("interface `{interface}` has no link; check its cable and what it is plugged into")]
    NoLink {
        /// Its name.
        interface: String,
    },
    /// The machine knows no way to a multicast group.
    #[error(
        "this machine has no route to the multicast group {}; name the way out in the plan, such as `interface = \
         \"eth0\"`",
        to.ip()
    )]
    NoMulticastRoute {
        /// The group.
        to: SocketAddr,
    },
    /// The machine knows no way to a receiver.
    #[error("this machine has no route to {}; check its cable and its own address (`ip route get {}`)", to.ip(), to.ip())]
    NoRoute {
        /// The receiver.
        to: SocketAddr,
    },
    /// A firewall of this machine refuses the packets.
    #[error("this machine refuses packets to {}; look at its firewall (`nft list ruleset`)", to.ip())]
    NotPermitted {
        /// The receiver or group.
        to: SocketAddr,
    },
    /// This user may not bind to the interface.
    #[error("this user may not choose the interface `{interface}`; name it by its address in the plan")]
    InterfaceNotPermitted {
        /// Its name.
        interface: String,
    },
    /// The system takes no more packets.
    #[error(
        "the network took no more packets for {waited_ms} ms; fewer universes or a lower `rate` need less"
    )]
    WriteDeadline {
        /// For how long, in milliseconds.
        waited_ms: u64,
    },
    /// Anything else.
    #[error("could not {doing} ({source}); `lampkeep doctor` looks further")]
    Other {
        /// What was tried, as a verb with its object.
        doing: &'static str,
        /// Cause.
        source: Errno,
    },
}

impl NetError {
    /// Stable word, kebab-case.
    #[must_use]
    pub const fn word(&self) -> &'static str {
        match self {
            Self::NoSuchInterface { .. } => "no-such-interface",
            Self::InterfaceDown { .. } => "interface-down",
            Self::NoAddress { .. } => "no-address",
            Self::NoLink { .. } => "no-link",
            Self::NoMulticastRoute { .. } => "no-multicast-route",
            Self::NoRoute { .. } => "no-route",
            Self::NotPermitted { .. } | Self::InterfaceNotPermitted { .. } => "not-permitted",
            Self::WriteDeadline { .. } => "write-deadline",
            Self::Other { .. } => "other",
        }
    }

    /// What an error number of a send means. `interface`: the plan's, where it names one.
    pub(super) fn sending(to: SocketAddr, interface: Option<&Interface>, source: Errno) -> Self {
        let group = to.ip().is_multicast();
        match (source, interface) {
            (Errno::NODEV | Errno::NXIO, Some(interface)) => Self::gone(interface),
            (Errno::ADDRNOTAVAIL, Some(interface @ Interface::Address(_))) => Self::gone(interface),
            (Errno::NETDOWN | Errno::NETUNREACH | Errno::ADDRNOTAVAIL, Some(Interface::Name(name)))
                if group || source == Errno::NETDOWN || is_up(name) != Some(true) =>
            {
                let interface = name.clone();
                match is_up(name) {
                    Some(true) if group => {
                        Self::NoAddress { interface, family: if to.is_ipv4() { "IPv4" } else { "IPv6" } }
                    }
                    Some(_) => Self::InterfaceDown { interface },
                    None => Self::gone(&Interface::Name(interface)),
                }
            }
            (
                Errno::NETUNREACH | Errno::HOSTUNREACH | Errno::NETDOWN | Errno::NODEV | Errno::ADDRNOTAVAIL,
                _,
            ) => {
                if group {
                    Self::NoMulticastRoute { to }
                } else {
                    Self::NoRoute { to }
                }
            }
            (Errno::PERM | Errno::ACCESS, _) => Self::NotPermitted { to },
            _ => Self::Other { doing: "send to the network", source },
        }
    }

    /// The interface is not there; with the names of those that are.
    pub(super) fn gone(interface: &Interface) -> Self {
        Self::NoSuchInterface { interface: interface.clone(), seen: interfaces_seen() }
    }
}

fn no_interface(interface: &Interface, seen: &[String]) -> String {
    let seen = if seen.is_empty() { "none" } else { &seen.join(", ") };
    match interface {
        Interface::Name(name) => {
            format!(
                "there is no interface `{name}`; plug it in, or name another one in the plan (seen: {seen})"
            )
        }
        Interface::Address(address) => format!(
            "no interface has the address {address}; give it back to one, or name one in the plan (seen: {seen})"
        ),
    }
}

/// True if an interface is switched on; `None` where there is none. Source: Linux, `sysfs-class-net`: `flags` in
/// hex, 1 is `IFF_UP`.
fn is_up(name: &str) -> Option<bool> {
    let text = std::fs::read_to_string(format!("/sys/class/net/{name}/flags")).ok()?;
    Some(u32::from_str_radix(text.trim().trim_start_matches("0x"), 16).ok()? & 1 == 1)
}

/// Names of the machine's interfaces.
fn interfaces_seen() -> Vec<String> {
    let Ok(entries) = std::fs::read_dir("/sys/class/net") else { return Vec::new() };
    let mut names: Vec<_> =
        entries.filter_map(Result::ok).filter_map(|e| e.file_name().into_string().ok()).collect();
    names.sort();
    names
}

#[cfg(test)]
mod tests {
    use super::*;

    fn address(text: &str) -> SocketAddr {
        text.parse().unwrap()
    }

    #[test]
    fn each_cause_has_its_own_kind() {
        let group = address("239.255.0.1:5568");
        let receiver = address("192.0.2.10:5568");
        let named = Interface::Name("eth9".to_owned());
        // Every machine that runs tests has it, and it is up.
        let loopback = Interface::Name("lo".to_owned());
        let address = Interface::Address("192.0.2.1".parse().unwrap());
        for (to, interface, errno, word) in [
            (group, None, Errno::NETUNREACH, "no-multicast-route"),
            (receiver, None, Errno::NETUNREACH, "no-route"),
            (receiver, None, Errno::HOSTUNREACH, "no-route"),
            (receiver, None, Errno::PERM, "not-permitted"),
            (group, Some(&named), Errno::NETUNREACH, "no-such-interface"),
            (group, Some(&loopback), Errno::NETUNREACH, "no-address"),
            (receiver, Some(&loopback), Errno::NETUNREACH, "no-route"),
            (receiver, Some(&address), Errno::ADDRNOTAVAIL, "no-such-interface"),
            (group, Some(&named), Errno::NODEV, "no-such-interface"),
            (receiver, None, Errno::NOMEM, "other"),
        ] {
            assert_eq!(NetError::sending(to, interface, errno).word(), word, "{to} {errno:?}");
        }
    }

    #[test]
    fn messages_say_what_was_found_and_one_next_step() {
        let seen = || vec!["eth0".to_owned(), "lo".to_owned()];
        assert_eq!(
            NetError::NoSuchInterface { interface: Interface::Name("eth9".into()), seen: seen() }.to_string(),
            "there is no interface `eth9`; plug it in, or name another one in the plan (seen: eth0, lo)"
        );
        assert_eq!(
            NetError::NoMulticastRoute { to: address("239.255.0.1:5568") }.to_string(),
            "this machine has no route to the multicast group 239.255.0.1; name the way out in the plan, such as \
             `interface = \"eth0\"`"
        );
        assert_eq!(
            NetError::NoRoute { to: address("192.0.2.10:5568") }.to_string(),
            "this machine has no route to 192.0.2.10; check its cable and its own address (`ip route get 192.0.2.10`)"
        );
        assert_eq!(
            NetError::NotPermitted { to: address("192.0.2.10:5568") }.to_string(),
            "this machine refuses packets to 192.0.2.10; look at its firewall (`nft list ruleset`)"
        );
        assert_eq!(
            NetError::NoLink { interface: "eth0".into() }.to_string(),
            "interface `eth0` has no link; check its cable and what it is plugged into"
        );
    }
}
