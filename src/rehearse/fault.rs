//! What can be told to fail in a rehearsal, how it is written, and what it comes to.

use std::fmt;

use super::text::clock_time;
use crate::engine::say;
use crate::plan::{FramesStop, OutputId, Plan};

/// How long a fault lasts where nobody says, in seconds. Judgement: a plug found and put back, a breaker reset.
pub const LASTS_S: f64 = 30.0;
/// How long after the power's return a person asks for the light again, in seconds. Judgement: seen, walked over,
/// typed.
pub const ASKED_AGAIN_S: f64 = 10.0;

/// A fault.
#[derive(Debug, Clone, PartialEq)]
pub struct Fault {
    /// What goes.
    pub what: Gone,
    /// When, in seconds from the order's beginning.
    pub at_s: f64,
    /// For how long, in seconds, above 0.
    pub for_s: f64,
}

/// What goes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Gone {
    /// An output's interface, pulled out; the plan's first where none is named.
    Output(Option<String>),
    /// The broker.
    Broker,
    /// The mains: all lamps and the machine.
    Power,
}

impl Fault {
    /// Reads `usb@12:30`, `usb:wall-rail@12:30+45s`, `broker@14:00`, `power@15:10`. `time` and `span` read the time in
    /// the order and the length.
    ///
    /// Errors: what is wrong, and what is right, in words.
    pub fn read(
        text: &str,
        time: impl Fn(&str) -> Result<f64, String>,
        span: impl Fn(&str) -> Result<f64, String>,
    ) -> Result<Self, String> {
        let Some((what, when)) = text.split_once('@') else {
            return Err(format!("`{}` says not when: write usb@12:30", crate::words::short(text)));
        };
        let what = match what.split_once(':') {
            Some(("usb", name)) if !name.is_empty() => Gone::Output(Some(name.to_owned())),
            None if what == "usb" => Gone::Output(None),
            None if what == "broker" => Gone::Broker,
            None if what == "power" => Gone::Power,
            _ => {
                let found = crate::words::short(what);
                return Err(format!("`{found}` cannot fail: write usb, usb:OUTPUT, broker or power"));
            }
        };
        let (at, lasts) = when.split_once('+').map_or((when, None), |(at, lasts)| (at, Some(lasts)));
        let for_s = lasts.map_or(Ok(LASTS_S), span)?;
        if for_s <= 0.0 {
            return Err("a fault lasts some time: write usb@12:30+45s".to_owned());
        }
        Ok(Self { what, at_s: time(at)?, for_s })
    }

    /// Its word.
    #[must_use]
    pub const fn word(&self) -> &'static str {
        match self.what {
            Gone::Output(_) => "usb",
            Gone::Broker => "broker",
            Gone::Power => "power",
        }
    }

    /// The output that it takes away, if one.
    pub(super) fn output(&self, plan: &Plan) -> Option<usize> {
        match &self.what {
            Gone::Output(None) => (!plan.outputs.is_empty()).then_some(0),
            Gone::Output(Some(name)) => plan.outputs.iter().position(|o| o.name == *name),
            Gone::Broker | Gone::Power => None,
        }
    }

    /// What it comes to in this plan.
    pub(super) fn said(&self, plan: &Plan) -> String {
        let span = say::span(self.for_s);
        match self.what {
            Gone::Power => format!(
                "the mains is gone for {span}: every lamp is dark, and so is the machine. After a new start it stays \
                 dark until it is asked, here {} later; what was lit may start as its profile says, so stand clear",
                say::span(ASKED_AGAIN_S)
            ),
            Gone::Broker if plan.mqtt.is_none() => {
                format!("the broker is gone for {span}: this plan names none, so nothing hangs on it")
            }
            Gone::Broker => format!(
                "the broker is gone for {span}: light and takes go on; no request comes by it, and what is told waits \
                 for its return"
            ),
            Gone::Output(_) => {
                let Some(output) = self.output(plan) else {
                    return format!("no output to pull out for {span}");
                };
                let on_it = |id: &crate::plan::FixtureId| {
                    plan.fixture(*id).address().is_some_and(|a| a.output == OutputId(output))
                };
                let (mut hold, mut dark, mut unsaid) = (Vec::new(), Vec::new(), Vec::new());
                for id in plan.fixture_ids().filter(on_it) {
                    let fixture = plan.fixture(id);
                    match fixture.profile.when_frames_stop {
                        FramesStop::HoldThenDark(held) if held.as_secs_f64() < self.for_s => {
                            dark.push(format!("{} after {}", fixture.id, say::span(held.as_secs_f64())));
                        }
                        FramesStop::Hold | FramesStop::HoldThenDark(_) => hold.push(fixture.id.clone()),
                        FramesStop::Unknown => unsaid.push(fixture.id.clone()),
                    }
                }
                let parts: Vec<String> =
                    [("hold their light", hold), ("go dark", dark), ("unsaid by their profile", unsaid)]
                        .into_iter()
                        .filter(|(_, lamps)| !lamps.is_empty())
                        .map(|(what, lamps)| format!("{what}: {}", lamps.join(", ")))
                        .collect();
                let name = &plan.outputs[output].name;
                format!("the interface of output {name} is gone for {span}. {}", parts.join(" · "))
            }
        }
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.what {
            Gone::Output(Some(name)) => write!(f, "usb:{name}")?,
            _ => f.write_str(self.word())?,
        }
        write!(f, "@{}+{:.0}s", clock_time(self.at_s), self.for_s)
    }
}
