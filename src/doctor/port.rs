//! A serial output: can its interface be opened, and is it of the kind that the plan says.

use super::{Finding, Weight, in_two};
use crate::clock::SystemClock;
use crate::plan::{Output, OutputKind};
use crate::wire::probe::probe;
use crate::wire::{LatencyTimer, WireError, WireErrorKind, attainable_rate, output};

/// A rule for all USB serial ports, by their class of driver and no maker's name. The group is that of the package's own
/// rule, so that nobody loses access by it.
const UDEV: &str = "SUBSYSTEM==\"tty\", SUBSYSTEMS==\"usb\", GROUP=\"dialout\", MODE=\"0660\"";

/// Looks at a serial output whose port no daemon of ours has open. `used`: slots of its patch.
///
/// Nothing for the simulator. Opens the port for half a second; sends no slot.
#[must_use]
pub fn port(output: &Output, used: u16, clock: SystemClock) -> Vec<Finding> {
    let Some(mut finder) = output::finder(output) else { return Vec::new() };
    let mut found = Vec::new();
    let asked = finder.find().and_then(|path| {
        let probed = probe(&path, clock)?;
        finder.opened(&path)?;
        Ok((path, probed))
    });
    match asked {
        Err(error) => found.push(refused(&error)),
        Ok((path, probed)) => {
            let name = path.display();
            match output.kind {
                OutputKind::Raw { .. } if probed.answers => found.push(Finding::new(
                    "other-kind",
                    Weight::Stops,
                    format!(
                        "`{name}` answers in frames: it has a processor of its own and takes no plain DMX"
                    ),
                    "set `kind = \"framed\"` for this output in the plan",
                )),
                OutputKind::Raw { .. } if !probed.breaks => found.push(Finding::new(
                    "break-refused",
                    Weight::Weakens,
                    format!("the driver of `{name}` makes no break: a slow zero byte stands in for it"),
                    "if lamps flicker take an interface whose driver makes one, or a framed one",
                )),
                OutputKind::Framed { .. } if !probed.answers => found.push(Finding::new(
                    "other-kind",
                    Weight::Weakens,
                    format!(
                        "`{name}` answers nothing in frames: it may be a plain interface, or a silent one"
                    ),
                    "if no lamp reacts set `kind = \"raw\"` for this output in the plan",
                )),
                _ => {}
            }
            if let Some(timer) = LatencyTimer::of(&path).filter(LatencyTimer::is_slow) {
                let (said, cure) = in_two(&timer.to_string());
                found.push(Finding::new("latency-timer", Weight::Note, said, cure));
            }
        }
    }
    let rate = attainable_rate(output, used);
    if rate < output.rate {
        found.push(Finding::new(
            "rate-not-reached",
            Weight::Weakens,
            format!("{rate} frames a second instead of the plan's {}: {used} slots take longer", output.rate),
            format!("set `rate = \"{rate} Hz\"`, or give the lamps lower addresses"),
        ));
    }
    found.into_iter().map(|f| f.of(&output.name)).collect()
}

/// Why a port could not be opened, with more of a cure than a log line has.
fn refused(error: &WireError) -> Finding {
    let (said, mut cure) = in_two(&error.to_string());
    if error.kind() == WireErrorKind::NotPermitted {
        cure = format!(
            "{cure}; for a service whose user is in that group put into /etc/udev/rules.d/60-lampkeep.rules: {UDEV}"
        );
    }
    Finding::new(error.kind().word(), Weight::Stops, said, cure)
}
