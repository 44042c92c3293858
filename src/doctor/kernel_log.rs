//! What the kernel's log tells of USB and of the supply. Pure: the lines come in.
//!
//! Wordings are the kernel's own as seen and from memory; they are no promise of it, so a log without findings
//! proves nothing.

use std::time::Duration;

/// What is looked at: older lines say nothing of today.
pub const WITHIN: Duration = Duration::from_secs(3600);

/// Something of one kind that the kernel has told, once or often.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Told {
    /// What it is.
    pub trouble: Trouble,
    /// How often within [`WITHIN`].
    pub times: usize,
    /// How long ago the last time was.
    pub last: Duration,
    /// The last line, without its time.
    pub line: String,
}

/// Kinds of trouble.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Trouble {
    /// A USB device was reset by the kernel: mostly a bad cable, or too little current.
    UsbReset,
    /// A USB device went away.
    UsbGone,
    /// A USB device did not answer as it should.
    UsbErrors,
    /// A USB port drew more current than it may.
    OverCurrent,
    /// The machine's supply was too low.
    LowVoltage,
}

impl Trouble {
    const ALL: [Self; 5] =
        [Self::UsbReset, Self::UsbGone, Self::UsbErrors, Self::OverCurrent, Self::LowVoltage];

    /// Stable word, kebab-case.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::UsbReset => "usb-reset",
            Self::UsbGone => "usb-gone",
            Self::UsbErrors => "usb-errors",
            Self::OverCurrent => "usb-over-current",
            Self::LowVoltage => "low-voltage",
        }
    }

    /// What it means, for one who has never read a kernel's log.
    #[must_use]
    pub const fn said(self) -> &'static str {
        match self {
            Self::UsbReset => "the kernel had to reset a USB device",
            Self::UsbGone => "a USB device went away",
            Self::UsbErrors => "a USB device answered with errors",
            Self::OverCurrent => "a USB port was asked for more current than it has",
            Self::LowVoltage => "the machine's supply voltage was too low",
        }
    }

    /// One next step.
    #[must_use]
    pub const fn cure(self) -> &'static str {
        match self {
            Self::UsbReset | Self::UsbErrors => {
                "take a shorter USB cable, or a hub with a supply of its own; keep it away from lamp cables"
            }
            Self::UsbGone => "tape the plug down, or take another cable or port",
            Self::OverCurrent => "take a hub with a supply of its own",
            Self::LowVoltage => "take the supply that the machine's maker names, on a short cable",
        }
    }

    fn of(line: &str) -> Option<Self> {
        let line = line.to_ascii_lowercase();
        let usb = line.starts_with("usb ") || line.contains(" usb") || line.starts_with("hub ");
        if (line.contains("under-voltage") || line.contains("undervoltage")) && line.contains("detected") {
            Some(Self::LowVoltage)
        } else if line.contains("over-current") && usb {
            Some(Self::OverCurrent)
        } else if line.contains("usb device number") && line.contains("reset ") {
            Some(Self::UsbReset)
        } else if line.contains("usb disconnect") || line.contains("now disconnected from tty") {
            Some(Self::UsbGone)
        } else if usb
            && ["error -71", "error -110", "error -32", "not accepting address", "unable to enumerate"]
                .iter()
                .any(|sign| line.contains(sign))
        {
            Some(Self::UsbErrors)
        } else {
            None
        }
    }
}

/// What the log tells at `now` since the machine's start. `records` as `/dev/kmsg` gives them, one a read:
/// `priority,sequence,microseconds,flags;text` (the kernel's documentation of `/dev/kmsg`).
#[must_use]
pub fn told<'a>(records: impl Iterator<Item = &'a str>, now: Duration) -> Vec<Told> {
    let mut found: Vec<Told> = Vec::new();
    for record in records {
        let Some((at, line)) = record_of(record) else { continue };
        let Some(ago) = now.checked_sub(at).filter(|ago| *ago <= WITHIN) else { continue };
        let Some(trouble) = Trouble::of(line) else { continue };
        match found.iter_mut().find(|told| told.trouble == trouble) {
            Some(told) => (told.times, told.last, told.line) = (told.times + 1, ago, line.to_owned()),
            None => found.push(Told { trouble, times: 1, last: ago, line: line.to_owned() }),
        }
    }
    found.sort_by_key(|told| Trouble::ALL.iter().position(|t| *t == told.trouble));
    found
}

/// When it was told, and its first line.
fn record_of(record: &str) -> Option<(Duration, &str)> {
    let (prefix, text) = record.split_once(';')?;
    let micros = prefix.split(',').nth(2)?.parse().ok()?;
    Some((Duration::from_micros(micros), text.lines().next()?))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: lines as the kernel writes them, from its source text, from memory.
    const LOG: &[&str] = &[
        "6,100,10000000,-;usb 1-1: new full-speed USB device number 4 using xhci_hcd",
        "6,101,4000000000,-;usb 1-1: reset full-speed USB device number 4 using xhci_hcd",
        "6,102,4100000000,-;usb 1-1: reset full-speed USB device number 4 using xhci_hcd\n SUBSYSTEM=usb",
        "6,103,4200000000,-;usb 1-1: USB disconnect, device number 4",
        "3,104,4300000000,-;usb 1-1: device descriptor read/64, error -71",
        "3,105,4400000000,-;usb usb1-port1: over-current change #1",
        "1,106,4500000000,-;hwmon hwmon1: Undervoltage detected!",
        "6,107,4500000001,-;hwmon hwmon1: Voltage normalised",
        "6,108,4600000000,-;e1000e 0000:00:19.0 eth0: Reset adapter unexpectedly",
        "no record at all",
        "6,x,y,-;usb 1-1: USB disconnect, device number 4",
    ];

    #[test]
    fn each_trouble_is_told_once_with_its_times_and_its_last() {
        let told = told(LOG.iter().copied(), Duration::from_secs(5000));
        let kinds: Vec<_> = told.iter().map(|t| (t.trouble.word(), t.times, t.last.as_secs())).collect();
        let expected = [
            ("usb-reset", 2, 900),
            ("usb-gone", 1, 800),
            ("usb-errors", 1, 700),
            ("usb-over-current", 1, 600),
            ("low-voltage", 1, 500),
        ];
        assert_eq!(kinds, expected);
        assert_eq!(told[0].line, "usb 1-1: reset full-speed USB device number 4 using xhci_hcd");
    }

    #[test]
    fn what_is_older_than_an_hour_or_from_the_future_is_left_out() {
        assert_eq!(told(LOG.iter().copied(), Duration::from_secs(9000)), []);
        assert_eq!(told(LOG.iter().copied(), Duration::from_secs(5)), []);
    }
}
