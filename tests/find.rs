//! Which interface an output takes: against a folder that stands for sysfs, with interfaces that come, go and
//! change places. What is expected is the requirement's: found under any name, and never mixed up.

#![expect(clippy::unwrap_used, reason = "a test's helpers fail the test by panicking")]

use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};

use lampkeep::plan::{PortName, UsbName};
use lampkeep::wire::WireErrorKind;
use lampkeep::wire::find::{Finder, NotFound, UsbPort, Wanted, choose, usb_ports};
use tempfile::TempDir;

/// A machine with nothing plugged in. Source of the layout: Linux, Documentation/ABI/stable/sysfs-bus-usb, and
/// a look at a machine with such interfaces.
struct Machine(TempDir);

impl Machine {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        for part in ["sys/class/tty", "sys/devices/platform/serial8250/tty/ttyS0", "dev/serial/by-id"] {
            std::fs::create_dir_all(folder.path().join(part)).unwrap();
        }
        // A port of the board itself: it has a device, and that is not on USB.
        let own = folder.path().join("sys/devices/platform/serial8250");
        symlink(&own, own.join("tty/ttyS0/device")).unwrap();
        symlink(own.join("tty/ttyS0"), folder.path().join("sys/class/tty/ttyS0")).unwrap();
        Self(folder)
    }

    fn sys(&self) -> PathBuf {
        self.0.path().join("sys")
    }

    fn dev(&self) -> PathBuf {
        self.0.path().join("dev")
    }

    fn file(&self, tty: &str) -> PathBuf {
        self.dev().join(tty)
    }

    /// Plugs an interface in; `tty` is the name that the kernel gives it.
    fn plug(&self, tty: &str, socket: &str, serial: Option<&str>) {
        let usb = self.sys().join("devices/usb1").join(socket);
        let interface = usb.join(format!("{socket}:1.0"));
        let class = interface.join(tty).join("tty").join(tty);
        std::fs::create_dir_all(&class).unwrap();
        let write = |file: PathBuf, text: &str| std::fs::write(file, format!("{text}\n")).unwrap();
        write(usb.join("idVendor"), "0403");
        write(usb.join("idProduct"), "6001");
        if let Some(serial) = serial {
            write(usb.join("serial"), serial);
        }
        write(interface.join("bInterfaceNumber"), "00");
        write(interface.join(tty).join("port_number"), "0");
        symlink(interface.join(tty), class.join("device")).unwrap();
        symlink(&class, self.sys().join("class/tty").join(tty)).unwrap();
        std::fs::write(self.file(tty), "").unwrap();
    }

    fn pull(&self, tty: &str, socket: &str) {
        std::fs::remove_file(self.sys().join("class/tty").join(tty)).unwrap();
        std::fs::remove_dir_all(self.sys().join("devices/usb1").join(socket)).unwrap();
        std::fs::remove_file(self.file(tty)).unwrap();
    }

    fn finder(&self, name: PortName) -> Finder {
        Finder::under(name, &self.sys(), &self.dev())
    }

    /// An output that has its interface.
    fn having(&self, name: PortName) -> Finder {
        let mut finder = self.finder(name);
        let path = finder.find().unwrap();
        finder.opened(&path).unwrap();
        finder
    }

    fn ports(&self) -> Vec<UsbPort> {
        usb_ports(&self.sys(), &self.dev())
    }
}

fn usb(serial: Option<&str>) -> PortName {
    let serial = serial.map(str::to_owned);
    PortName::Usb(UsbName { vendor: Some(0x0403), product: Some(0x6001), serial })
}

fn kind(finder: &Finder) -> WireErrorKind {
    finder.find().unwrap_err().kind()
}

#[test]
fn ports_on_usb_are_read_with_what_the_interface_says_of_itself_and_others_left_out() {
    let machine = Machine::new();
    assert_eq!(machine.ports(), []);
    machine.plug("ttyUSB1", "1-1.2", None);
    machine.plug("ttyUSB0", "1-1.1", Some("A1"));
    let port = |tty: &str, socket: &str, serial: Option<&str>| UsbPort {
        device: machine.file(tty),
        vendor: 0x0403,
        product: 0x6001,
        serial: serial.map(str::to_owned),
        socket: socket.to_owned(),
        part: "00.0".to_owned(),
    };
    assert_eq!(machine.ports(), [port("ttyUSB0", "1-1.1", Some("A1")), port("ttyUSB1", "1-1.2", None)]);
    assert_eq!(usb_ports(Path::new("/nowhere"), Path::new("/dev")), []);
}

#[test]
fn an_interface_is_found_by_its_numbers_under_any_name() {
    let machine = Machine::new();
    machine.plug("ttyUSB0", "1-1.1", Some("A1"));
    machine.plug("ttyUSB1", "1-1.2", Some("B2"));
    let finder = machine.having(usb(Some("B2")));
    assert_eq!(finder.find().unwrap(), machine.file("ttyUSB1"));
    machine.pull("ttyUSB1", "1-1.2");
    assert_eq!(kind(&finder), WireErrorKind::NoSuchPort);
    machine.plug("ttyUSB7", "1-1.4", Some("B2"));
    assert_eq!(finder.find().unwrap(), machine.file("ttyUSB7"));
}

#[test]
fn an_interface_named_by_its_device_file_is_found_under_a_new_name() {
    let machine = Machine::new();
    machine.plug("ttyUSB0", "1-1.1", Some("A1"));
    let finder = machine.having(machine.file("ttyUSB0").into());
    machine.pull("ttyUSB0", "1-1.1");
    assert_eq!(kind(&finder), WireErrorKind::NoSuchPort);
    machine.plug("ttyUSB1", "1-1.3", Some("A1"));
    assert_eq!(finder.find().unwrap(), machine.file("ttyUSB1"));
}

#[test]
fn two_interfaces_that_change_places_are_not_mixed_up() {
    for serials in [[Some("A1"), Some("B2")], [None, None]] {
        let machine = Machine::new();
        machine.plug("ttyUSB0", "1-1.1", serials[0]);
        machine.plug("ttyUSB1", "1-1.2", serials[1]);
        let one = machine.having(machine.file("ttyUSB0").into());
        let two = machine.having(machine.file("ttyUSB1").into());
        machine.pull("ttyUSB0", "1-1.1");
        machine.pull("ttyUSB1", "1-1.2");
        // The second comes back first, and is given the first one's name.
        machine.plug("ttyUSB0", "1-1.2", serials[1]);
        assert_eq!(kind(&one), WireErrorKind::OtherInterface, "{serials:?}");
        assert_eq!(two.find().unwrap(), machine.file("ttyUSB0"));
        machine.plug("ttyUSB1", "1-1.1", serials[0]);
        assert_eq!(one.find().unwrap(), machine.file("ttyUSB1"));
        assert_eq!(two.find().unwrap(), machine.file("ttyUSB0"));
        let said = {
            machine.pull("ttyUSB1", "1-1.1");
            one.find().unwrap_err().to_string()
        };
        assert!(said.contains("plug that one in again, or restart lampkeep"), "{said}");
    }
}

#[test]
fn a_name_that_two_interfaces_answer_to_is_an_error_with_its_cure() {
    let machine = Machine::new();
    machine.plug("ttyUSB0", "1-1.1", Some("A1"));
    machine.plug("ttyUSB1", "1-1.2", Some("B2"));
    let finder = machine.finder(usb(None));
    let error = finder.find().unwrap_err();
    assert_eq!(error.kind(), WireErrorKind::Ambiguous);
    let said = error.to_string();
    assert!(said.contains("ttyUSB0") && said.contains("serial B2"), "{said}");
    assert!(said.ends_with("name the one that is meant by its `serial`"), "{said}");

    let machine = Machine::new();
    machine.plug("ttyUSB0", "1-1.1", None);
    machine.plug("ttyUSB1", "1-1.2", None);
    let said = machine.finder(usb(None)).find().unwrap_err().to_string();
    assert!(
        said.contains("no serial number, socket 1-1.2") && said.contains("/dev/serial/by-path/"),
        "{said}"
    );
}

#[test]
fn a_link_by_id_that_two_interfaces_share_is_an_error() {
    let machine = Machine::new();
    machine.plug("ttyUSB0", "1-1.1", Some("0001"));
    let link = machine.dev().join("serial/by-id/usb-maker-kind-0001-if00-port0");
    symlink("../../ttyUSB0", &link).unwrap();
    let finder = machine.having(link.clone().into());
    assert_eq!(finder.find().unwrap(), machine.file("ttyUSB0"));
    // The same serial number a second time: the link now leads to the one that came last.
    machine.plug("ttyUSB1", "1-1.2", Some("0001"));
    std::fs::remove_file(&link).unwrap();
    symlink("../../ttyUSB1", &link).unwrap();
    assert_eq!(kind(&finder), WireErrorKind::Ambiguous);
    machine.pull("ttyUSB1", "1-1.2");
    // While the link leads nowhere the opening of it says so.
    assert_eq!(finder.find().unwrap(), link);
}

#[test]
fn a_link_to_a_socket_takes_whatever_is_plugged_in_there() {
    let machine = Machine::new();
    machine.plug("ttyUSB0", "1-1.1", None);
    let link = machine.dev().join("serial/by-path/pci-usb-0:1.1:1.0-port0");
    std::fs::create_dir_all(link.parent().unwrap()).unwrap();
    symlink("../../ttyUSB0", &link).unwrap();
    let finder = machine.having(link.clone().into());
    machine.pull("ttyUSB0", "1-1.1");
    machine.plug("ttyUSB1", "1-1.1", Some("C3"));
    assert_eq!(finder.find().unwrap(), link);
}

fn port(tty: &str, socket: &str, serial: Option<&str>) -> UsbPort {
    UsbPort {
        device: Path::new("/dev").join(tty),
        vendor: 0x1A86,
        product: 0x7523,
        serial: serial.map(str::to_owned),
        socket: socket.to_owned(),
        part: "00.0".to_owned(),
    }
}

#[test]
fn the_only_output_takes_a_spare_interface_and_one_of_several_does_not() {
    let given = Path::new("/dev/ttyUSB0");
    let wanted = Wanted::Given(given);
    for (had, spare) in [
        (port("ttyUSB0", "1-1", Some("A")), port("ttyUSB0", "1-2", Some("B"))),
        // Without serial numbers one in another socket may be another one.
        (port("ttyUSB0", "1-1", None), port("ttyUSB0", "1-2", None)),
        (port("ttyUSB0", "1-1", None), port("ttyUSB0", "1-1", Some("B"))),
    ] {
        let ports = [spare.clone()];
        assert_eq!(choose(wanted, Some(&had), true, &ports), Ok(given.to_owned()));
        assert_eq!(choose(wanted, Some(&had), false, &ports), Err(NotFound::Other(Box::new(spare))));
    }
    // In its own socket it is the same one, also under another name.
    let had = port("ttyUSB0", "1-1", None);
    let ports = [port("ttyUSB0", "1-2", None), port("ttyUSB1", "1-1", None)];
    assert_eq!(choose(wanted, Some(&had), false, &ports), Ok("/dev/ttyUSB1".into()));
    // Two that it might be, and neither in its socket.
    let ports = [port("ttyUSB0", "1-2", None), port("ttyUSB1", "1-3", None)];
    assert!(matches!(choose(wanted, Some(&had), true, &ports), Err(NotFound::Twice(two)) if two.len() == 2));
    // The serial number twice over.
    let had = port("ttyUSB0", "1-1", Some("A"));
    let ports = [port("ttyUSB0", "1-2", Some("A")), port("ttyUSB1", "1-3", Some("A"))];
    assert!(matches!(choose(wanted, Some(&had), false, &ports), Err(NotFound::Twice(_))));
}

#[test]
fn a_second_port_of_the_same_interface_is_another_port() {
    let second = UsbPort {
        device: "/dev/ttyUSB1".into(),
        part: "01.0".to_owned(),
        ..port("ttyUSB1", "1-1", Some("A"))
    };
    let ports = [port("ttyUSB0", "1-1", Some("A")), second.clone()];
    let wanted = Wanted::Given(Path::new("/dev/ttyUSB1"));
    assert_eq!(choose(wanted, Some(&second), false, &ports), Ok("/dev/ttyUSB1".into()));
    assert_eq!(choose(wanted, Some(&second), false, &ports[..1]), Err(NotFound::Missing));
}

#[test]
fn an_interface_that_goes_while_it_is_opened_is_not_taken_for_the_one_that_came() {
    let machine = Machine::new();
    machine.plug("ttyUSB0", "1-1.1", Some("A1"));
    let mut finder = machine.finder(usb(Some("A1")));
    let path = finder.find().unwrap();
    machine.pull("ttyUSB0", "1-1.1");
    machine.plug("ttyUSB0", "1-1.2", Some("B2"));
    assert_eq!(finder.opened(&path).unwrap_err().kind(), WireErrorKind::Gone);
}
