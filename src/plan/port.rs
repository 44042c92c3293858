//! How a plan names an interface, and how an output waits for its deadlines.

use std::fmt;
use std::path::PathBuf;

/// An interface on a serial port, as the plan names it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PortName {
    /// By its device file, best one under `/dev/serial/by-id/`.
    Path(PathBuf),
    /// By what the interface says of itself over USB.
    Usb(UsbName),
}

/// What an interface says of itself; what is `None` may be anything. At least one is given.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct UsbName {
    /// Number of its maker (USB 2.0, 9.6.1, `idVendor`).
    pub vendor: Option<u16>,
    /// Number of its kind among its maker's (`idProduct`).
    pub product: Option<u16>,
    /// Its serial number (`iSerialNumber`), the text as it is.
    pub serial: Option<String>,
}

impl UsbName {
    /// True if one interface could be meant by both: nothing that both state differs.
    #[must_use]
    pub fn overlaps(&self, other: &Self) -> bool {
        fn free<T: PartialEq>(one: &Option<T>, two: &Option<T>) -> bool {
            one.is_none() || two.is_none() || one == two
        }
        free(&self.vendor, &other.vendor)
            && free(&self.product, &other.product)
            && free(&self.serial, &other.serial)
    }
}

impl fmt::Display for PortName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Path(path) => write!(f, "{}", path.display()),
            Self::Usb(usb) => usb.fmt(f),
        }
    }
}

impl fmt::Display for UsbName {
    /// Such as `usb 0403:6001 serial A1`; what is not stated is `*`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let number = |n: Option<u16>| n.map_or("*".to_owned(), |n| format!("{n:04x}"));
        write!(f, "usb {}:{}", number(self.vendor), number(self.product))?;
        self.serial.as_ref().map_or(Ok(()), |serial| write!(f, " serial {serial}"))
    }
}

impl From<PathBuf> for PortName {
    fn from(path: PathBuf) -> Self {
        Self::Path(path)
    }
}

impl From<&str> for PortName {
    fn from(path: &str) -> Self {
        Self::Path(path.into())
    }
}

/// How an output's thread waits for a deadline.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Wake {
    /// It sleeps until then.
    #[default]
    Sleep,
    /// It sleeps until half a millisecond before and spins the rest away, where it has real-time priority.
    Spin,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn usb(vendor: Option<u16>, product: Option<u16>, serial: Option<&str>) -> UsbName {
        UsbName { vendor, product, serial: serial.map(str::to_owned) }
    }

    #[test]
    fn two_names_overlap_unless_something_that_both_state_differs() {
        let one = usb(Some(1), Some(2), Some("A"));
        assert!(one.overlaps(&one));
        assert!(one.overlaps(&usb(Some(1), None, None)));
        assert!(usb(Some(1), None, None).overlaps(&usb(None, None, Some("A"))));
        assert!(!one.overlaps(&usb(Some(1), Some(2), Some("B"))));
        assert!(!usb(Some(1), None, None).overlaps(&usb(Some(2), None, Some("A"))));
    }

    #[test]
    fn a_name_is_told_as_people_write_it() {
        assert_eq!(
            PortName::Usb(usb(Some(0x403), Some(0x6001), Some("A1"))).to_string(),
            "usb 0403:6001 serial A1"
        );
        assert_eq!(PortName::Usb(usb(None, None, Some("A1"))).to_string(), "usb *:* serial A1");
        assert_eq!(PortName::from("/dev/ttyUSB0").to_string(), "/dev/ttyUSB0");
    }
}
