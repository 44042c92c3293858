//! What a daemon that runs says of itself.

use super::{Finding, Weight, in_two};
use crate::control::{LinkState, Status};

/// Frames of which one in a thousand is later than this, in microseconds, are worth a word. Judgement: a fifth of
/// a period at 40 a second; no lamp shows it, and more tells of a machine that is too busy.
const LATE_US: f64 = 5000.0;

/// What stands in a daemon's status.
#[must_use]
pub fn running(status: &Status) -> Vec<Finding> {
    let mut found = Vec::new();
    for output in &status.outputs {
        if output.state == LinkState::Starting {
            let said = "the daemon has not sent its first frame yet";
            found.push(
                Finding::new("output-starting", Weight::Weakens, said, "ask again in a moment")
                    .of(&output.name),
            );
        }
        if output.state == LinkState::Down {
            let (said, cure) = in_two(output.said.as_deref().unwrap_or("it does not send"));
            found.push(Finding::new("output-down", Weight::Stops, said, cure).of(&output.name));
        } else if let Some(note) = &output.said {
            let (said, cure) = in_two(note);
            found.push(Finding::new("output-note", Weight::Weakens, said, cure).of(&output.name));
        }
        if let Some(why) = &output.real_time.said {
            let (said, cure) = in_two(&why.replacen(": set ", "; set ", 1));
            found.push(Finding::new("no-real-time", Weight::Weakens, said, cure).of(&output.name));
        }
        if let Some(late) = output.late_us_p999.filter(|us| *us > LATE_US) {
            let said = format!("1 frame in 1000 is late by {:.0} ms or more", late / 1000.0);
            let cure =
                "let no other program work on this machine during a shoot, and permit real-time priority";
            found.push(Finding::new("late-frames", Weight::Weakens, said, cure).of(&output.name));
        }
        if output.missed > 0 {
            let said =
                format!("{} frames were left out, since the machine was a whole period late", output.missed);
            let cure = "let no other program work on this machine during a shoot";
            found.push(Finding::new("frames-left-out", Weight::Weakens, said, cure).of(&output.name));
        }
    }
    if let Some(mqtt) = status.mqtt.as_ref().filter(|m| m.said.is_some()) {
        let (said, cure) = in_two(mqtt.said.as_deref().unwrap_or_default());
        let said = format!("broker: {said}");
        found.push(Finding::new("broker", Weight::Weakens, said, cure));
    }
    found
}
