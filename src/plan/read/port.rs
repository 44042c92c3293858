//! Which interface an output means: by its device file, or by what it says of itself over USB.

use std::path::PathBuf;

use crate::plan::problem::{Kind, Place, Problem};
use crate::plan::tree::{Field, Table};
use crate::plan::{Output, OutputKind, PortName, UsbName};

/// A USB name as it should be written.
const EXAMPLE: &str = "{ vendor = \"0403\", product = \"6001\", serial = \"A1B2\" }";

/// Reads `port` or `usb` of an output; one of them where `needed`.
pub(super) fn read(
    t: &Table<'_>,
    port: Option<&Field<'_>>,
    usb: Option<&Field<'_>>,
    needed: bool,
) -> Option<PortName> {
    match (port, usb) {
        (Some(port), Some(usb)) => {
            let said = format!("{} has both `port` and `usb`", t.owner());
            t.report(
                Problem::at(Kind::Conflict, usb.key_place(), said)
                    .label("here")
                    .also(port.key_place(), "and here")
                    .help("keep `usb`: it finds the interface under any name"),
            );
            None
        }
        (Some(port), None) => {
            let path = port.text("/dev/serial/by-id/…")?;
            Some(PortName::Path(PathBuf::from(path)))
        }
        (None, Some(usb)) => usb_name(usb).map(PortName::Usb),
        (None, None) if needed && !t.misspelt("port") => {
            let said = format!("{} has no `port`", t.owner());
            let help = format!(
                "add `port = \"/dev/serial/by-id/…\"`: the name there stays the same when others are plugged in; or \
                 `usb = {EXAMPLE}`"
            );
            t.report(
                Problem::at(Kind::MissingKey, t.place(), said).label("`port` is missing here").help(help),
            );
            None
        }
        (None, None) => None,
    }
}

fn usb_name(field: &Field<'_>) -> Option<UsbName> {
    let Some(t) = field.as_table(&format!("`usb` of {}", field.owner())) else {
        field.wrong_type("a table", EXAMPLE);
        return None;
    };
    let (vendor, product) =
        (t.get("vendor").map(|f| number(&f, "0403")), t.get("product").map(|f| number(&f, "6001")));
    let serial = t.get("serial").map(|f| serial(&f));
    let known = t.finish();
    if !known {
        return None;
    }
    if vendor.is_none() && product.is_none() && serial.is_none() {
        let said = format!("{} names nothing", t.owner());
        field.wrong(Kind::MissingKey, said, format!("write it like `usb = {EXAMPLE}`, or some of these"));
        return None;
    }
    // Each that is there must be right.
    let settle = |n: Option<Option<u16>>| n.map_or(Some(None), |n| n.map(Some));
    let serial = serial.map_or(Some(None), |text| text.map(Some));
    Some(UsbName { vendor: settle(vendor)?, product: settle(product)?, serial: serial? })
}

/// Four hexadecimal digits, as `lsusb` shows them; `0x` may stand before.
fn number(field: &Field<'_>, example: &str) -> Option<u16> {
    let text = field.text(example)?;
    let digits = text.strip_prefix("0x").unwrap_or(text);
    let read = u16::from_str_radix(digits, 16).ok().filter(|_| digits.len() <= 4 && !digits.starts_with('+'));
    if read.is_none() {
        let said = format!("`{}` of {} is no number of four hexadecimal digits", field.key(), field.owner());
        let help = format!("write it as `lsusb` shows it: `{} = \"{example}\"`", field.key());
        field.wrong(Kind::OutOfRange, said, help);
    }
    read
}

fn serial(field: &Field<'_>) -> Option<String> {
    let text = field.text("A1B2")?;
    if text.trim().is_empty() {
        let said = format!("`serial` of {} is empty", field.owner());
        field.wrong(Kind::OutOfRange, said, "leave `serial` out for an interface without a serial number");
        return None;
    }
    Some(text.to_owned())
}

/// Reports two outputs that could take the same interface; `one` stands in `t`.
pub(super) fn clash(t: &Table<'_>, one: (&Output, Place), other: (&Output, Place)) {
    let (said, help) = match (port_of(one.0), port_of(other.0)) {
        (Some(PortName::Path(a)), Some(PortName::Path(b))) if a == b => {
            ("share one port", "each needs an interface of its own")
        }
        (Some(PortName::Usb(a)), Some(PortName::Usb(b))) if a.overlaps(b) => (
            "could take the same interface by their `usb`",
            "give both the `serial` of their interface; for interfaces without one write `port = \
             \"/dev/serial/by-path/…\"`, which names the socket",
        ),
        _ => return,
    };
    let said = format!("outputs `{}` and `{}` {said}", other.0.name, one.0.name);
    t.report(
        Problem::at(Kind::Conflict, one.1, said).label("this one").also(other.1, "and this one").help(help),
    );
}

fn port_of(output: &Output) -> Option<&PortName> {
    match &output.kind {
        OutputKind::Raw { port, .. } | OutputKind::Framed { port } => Some(port),
        OutputKind::E131(_) | OutputKind::Simulator => None,
    }
}
