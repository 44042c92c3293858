//! Which device file an output's interface has now.
//!
//! Names of USB serial ports are given out as interfaces come: one that was pulled may come back as
//! another, and two may change places. So an interface is known by what it says of itself, and an output
//! that once had one is never given another while a second output could want it.

use std::fmt;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};

use rustix::io::Errno;

use super::error::{WireError, ports_seen};
use crate::plan::{PortName, UsbName};

/// A serial port on USB, as the kernel shows it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UsbPort {
    /// Its device file now, such as `/dev/ttyUSB0`.
    pub device: PathBuf,
    /// Number of its maker.
    pub vendor: u16,
    /// Number of its kind among its maker's.
    pub product: u16,
    /// Its serial number; many have none, and some share one.
    pub serial: Option<String>,
    /// The socket that it is plugged into, hubs included, such as `1-1.2`.
    pub socket: String,
    /// Which of several ports of one interface it is, such as `00.0`: interface number and port number.
    pub part: String,
}

impl UsbPort {
    /// True if both say the same of themselves.
    fn is_like(&self, other: &Self) -> bool {
        (self.vendor, self.product, &self.serial, &self.part)
            == (other.vendor, other.product, &other.serial, &other.part)
    }

    fn answers_to(&self, name: &UsbName) -> bool {
        name.vendor.is_none_or(|v| v == self.vendor)
            && name.product.is_none_or(|p| p == self.product)
            && name.serial.as_ref().is_none_or(|s| Some(s) == self.serial.as_ref())
    }
}

impl fmt::Display for UsbPort {
    /// Such as `/dev/ttyUSB0 (usb 0403:6001 serial A1)`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} (usb {:04x}:{:04x}", self.device.display(), self.vendor, self.product)?;
        match &self.serial {
            Some(serial) => write!(f, " serial {serial})"),
            None => write!(f, ", no serial number, socket {})", self.socket),
        }
    }
}

/// Every serial port on USB, in the order of their names. `sys` is where sysfs is, `dev` the device files.
///
/// What cannot be read is left out.
#[must_use]
pub fn usb_ports(sys: &Path, dev: &Path) -> Vec<UsbPort> {
    let Ok(entries) = std::fs::read_dir(sys.join("class/tty")) else { return Vec::new() };
    let mut ports: Vec<_> = entries.filter_map(|entry| usb_port(&entry.ok()?.path(), dev)).collect();
    ports.sort_by(|a, b| a.device.cmp(&b.device));
    ports
}

/// The port of one folder of `class/tty`; `None` if it is not on USB.
fn usb_port(class: &Path, dev: &Path) -> Option<UsbPort> {
    let own = std::fs::canonicalize(class.join("device")).ok()?;
    let text = |folder: &Path, file: &str| {
        let text = std::fs::read_to_string(folder.join(file)).ok()?;
        Some(text.trim().to_owned()).filter(|t| !t.is_empty())
    };
    let usb = own.ancestors().find(|folder| folder.join("idVendor").is_file())?;
    let number = |file| u16::from_str_radix(&text(usb, file)?, 16).ok();
    let interface = own.ancestors().find_map(|folder| text(folder, "bInterfaceNumber"));
    let port = text(&own, "port_number").unwrap_or_else(|| "0".to_owned());
    Some(UsbPort {
        device: dev.join(class.file_name()?),
        vendor: number("idVendor")?,
        product: number("idProduct")?,
        serial: text(usb, "serial"),
        socket: usb.file_name()?.to_string_lossy().into_owned(),
        part: format!("{}.{port}", interface.as_deref().unwrap_or("00")),
    })
}

/// What a plan's name leads to at this moment.
#[derive(Debug, Clone, Copy)]
pub enum Wanted<'a> {
    /// Whatever answers to this.
    Usb(&'a UsbName),
    /// A name that the kernel gives out anew, such as `/dev/ttyUSB0`.
    Given(&'a Path),
    /// A link made from what the interface says of itself (`/dev/serial/by-id`), and the port it leads to.
    ById(&'a Path, Option<&'a UsbPort>),
    /// A name that stands for itself: a socket (`/dev/serial/by-path`), a link by someone's own rule, a port
    /// that is not on USB.
    Itself(&'a Path),
}

/// Why no port can be taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum NotFound {
    /// There is none of that name, or none that answers to it.
    Missing,
    /// More than one answers to the name.
    Twice(Vec<UsbPort>),
    /// What is there under that name is not the interface that this output had.
    Other(Box<UsbPort>),
}

/// The device file to open.
///
/// `had`: the port that this output had last. `alone`: no other output could want an interface, so that a
/// spare one may take the place of the one that was there.
///
/// Errors: none is there, or it is not certain which.
pub fn choose(
    wanted: Wanted<'_>,
    had: Option<&UsbPort>,
    alone: bool,
    ports: &[UsbPort],
) -> Result<PathBuf, NotFound> {
    // Which ports the plan's words fit.
    let fits: Vec<&UsbPort> = match wanted {
        Wanted::Itself(path) | Wanted::ById(path, None) => return Ok(path.to_owned()),
        // Interfaces that say the same of themselves share one link: it leads to the one that came last.
        Wanted::ById(_, Some(port)) => return only(ports.iter().filter(|p| p.is_like(port)).collect()),
        Wanted::Usb(name) => ports.iter().filter(|p| p.answers_to(name)).collect(),
        Wanted::Given(path) => match had {
            None => return Ok(path.to_owned()),
            Some(_) => ports.iter().filter(|p| p.device == path).collect(),
        },
    };
    let Some(had) = had else { return only(fits) };
    // Which are the one that this output had, under any name.
    let mut same: Vec<&UsbPort> = ports.iter().filter(|p| p.is_like(had)).collect();
    if had.serial.is_none() && same.iter().any(|p| p.socket == had.socket) {
        same.retain(|p| p.socket == had.socket);
    }
    // Without a serial number another one of its kind looks the same: only the socket tells.
    let certain = |port: &&UsbPort| had.serial.is_some() || port.socket == had.socket;
    match (same.first(), fits.first()) {
        (Some(port), _) if certain(port) || alone => only(same),
        (None, Some(_)) if alone => only(fits),
        (Some(port), _) | (None, Some(port)) => Err(NotFound::Other(Box::new((*port).clone()))),
        (None, None) => Err(NotFound::Missing),
    }
}

/// The device file of the only one of these.
fn only(mut ports: Vec<&UsbPort>) -> Result<PathBuf, NotFound> {
    match (ports.pop(), ports.len()) {
        (None, _) => Err(NotFound::Missing),
        (Some(port), 0) => Ok(port.device.clone()),
        (Some(last), _) => Err(NotFound::Twice(ports.into_iter().chain([last]).cloned().collect())),
    }
}

/// How many outputs of this process want a serial port.
static WANTING: AtomicUsize = AtomicUsize::new(0);

/// One output's interface, from its first opening on.
#[derive(Debug)]
pub struct Finder {
    name: PortName,
    sys: PathBuf,
    dev: PathBuf,
    had: Option<UsbPort>,
    /// True while nobody has been told which interface `had` is.
    news: bool,
}

impl Finder {
    /// One for an output that has had no interface yet.
    #[must_use]
    pub fn new(name: PortName) -> Self {
        Self::under(name, Path::new("/sys"), Path::new("/dev"))
    }

    /// The same with sysfs and the device files elsewhere, for tests.
    #[must_use]
    pub fn under(name: PortName, sys: &Path, dev: &Path) -> Self {
        WANTING.fetch_add(1, Ordering::Relaxed);
        Self { name, sys: sys.to_owned(), dev: dev.to_owned(), had: None, news: false }
    }

    /// The device file to open now.
    ///
    /// Errors: `NoSuchPort`, `Ambiguous`, `OtherInterface`.
    pub fn find(&self) -> Result<PathBuf, WireError> {
        self.find_as(WANTING.load(Ordering::Relaxed) <= 1)
    }

    fn find_as(&self, alone: bool) -> Result<PathBuf, WireError> {
        let ports = usb_ports(&self.sys, &self.dev);
        let wanted = match &self.name {
            PortName::Usb(usb) => Wanted::Usb(usb),
            PortName::Path(path) if path.starts_with(self.dev.join("serial/by-id")) => {
                Wanted::ById(path, leads_to(path, &ports))
            }
            PortName::Path(path) if path.parent() == Some(&self.dev) && is_given(path) => Wanted::Given(path),
            PortName::Path(path) => Wanted::Itself(path),
        };
        choose(wanted, self.had.as_ref(), alone, &ports).map_err(|why| {
            let port = self.name.to_string();
            match why {
                NotFound::Missing => WireError::NoSuchPort { port, seen: ports_seen(), source: Errno::NOENT },
                NotFound::Twice(found) => WireError::Ambiguous {
                    port,
                    told_apart: found
                        .iter()
                        .all(|p| found.iter().filter(|q| q.serial == p.serial).count() == 1),
                    found: found.iter().map(ToString::to_string).collect(),
                },
                NotFound::Other(found) => WireError::OtherInterface {
                    port,
                    found: found.to_string(),
                    had: self.had.as_ref().map(ToString::to_string).unwrap_or_default(),
                },
            }
        })
    }

    /// To be called when `path` has been opened: remembers which interface it is.
    ///
    /// Errors: it is no longer the one that was found; the port is to be closed again.
    pub fn opened(&mut self, path: &Path) -> Result<(), WireError> {
        let now = leads_to(path, &usb_ports(&self.sys, &self.dev)).cloned();
        // It may have been pulled, and its name given to another, since it was looked for.
        if self.find().ok().as_deref() != Some(path) {
            return Err(WireError::Gone { port: path.display().to_string(), source: Errno::NODEV });
        }
        self.news = now.is_some() && now != self.had;
        self.had = now.or(self.had.take());
        Ok(())
    }

    /// The interface, when it is another one or elsewhere than before, once.
    pub fn news(&mut self) -> Option<&UsbPort> {
        std::mem::take(&mut self.news).then_some(self.had.as_ref()).flatten()
    }
}

impl Drop for Finder {
    fn drop(&mut self) {
        WANTING.fetch_sub(1, Ordering::Relaxed);
    }
}

/// True for names that are given out anew as ports come (Linux, Documentation/admin-guide/devices.txt: ttyUSB,
/// ttyACM and the like).
fn is_given(path: &Path) -> bool {
    path.file_name().is_some_and(|name| name.to_string_lossy().starts_with("tty"))
}

/// The USB port that a device file or a link is.
fn leads_to<'a>(path: &Path, ports: &'a [UsbPort]) -> Option<&'a UsbPort> {
    let real = std::fs::canonicalize(path).ok()?;
    ports.iter().find(|p| p.device == path || std::fs::canonicalize(&p.device).is_ok_and(|d| d == real))
}
