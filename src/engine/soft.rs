//! Lamps that may be dark though their frames were not: which they are, and when they come up again.
//!
//! A lamp shows the last frame for as long as its profile says after frames have stopped. Once an output
//! has been silent for longer, a frame with that lamp lit would be a jump out of the dark: so frames then
//! have it dark, and when one has gone out again it comes up softly (`guards::Standing`). Every other
//! lamp's standing frame goes out first, unchanged.

use super::heat::frames_stop;
use super::{Engine, say};
use crate::guards::SOFT_START_S;
use crate::plan::{FixtureId, FramesStop, OutputId};

/// How long a lamp of which nobody says it is taken to hold the last frame, in seconds (requirement of the guards:
/// not stated, 1 s).
const HOLDS_UNSAID_S: f64 = 1.0;

/// One output, as far as its lamps may be dark for it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Line {
    /// How long no frame had come when this engine began, in seconds, while none has since. Without bound
    /// where nothing is known of the time before: then even a lamp that holds may be dark.
    before_s: f64,
    /// How long it has been silent, that included; `None` while it sends.
    silent_s: Option<f64>,
}

impl Line {
    /// One that sent until `before_s` seconds before the engine's start.
    pub fn away(before_s: f64) -> Self {
        Self { before_s, silent_s: None }
    }
}

/// How long a lamp is known to hold the last frame, in seconds.
pub(super) fn holds_s(fixture: &crate::plan::Fixture) -> f64 {
    match frames_stop(fixture) {
        FramesStop::Hold => f64::INFINITY,
        FramesStop::HoldThenDark(held) => held.as_secs_f64(),
        FramesStop::Unknown => HOLDS_UNSAID_S,
    }
}

impl Engine {
    /// An output has sent nothing for so many seconds; `None`: it sends, again or at first.
    pub(super) fn silent(&mut self, output: usize, for_s: Option<f64>) {
        let Some(line) = self.lines.get_mut(output) else { return };
        match for_s {
            Some(s) => {
                let silent_s = line.before_s + s;
                line.silent_s = Some(silent_s);
                for id in self.lamps_on(output) {
                    // A silence without bound is a start of which nothing is known: nobody holds for ever then.
                    let may_be_dark = silent_s > holds_s(self.plan.fixture(id)) || silent_s.is_infinite();
                    let lamp = &mut self.lamps[id.0];
                    if may_be_dark && lamp.standing.goes_dark() {
                        lamp.settled = false;
                    }
                }
            }
            None => {
                let silent_s = line.silent_s;
                *line = Line::away(0.0);
                let waited: Vec<FixtureId> = self
                    .lamps_on(output)
                    .into_iter()
                    .filter(|id| self.lamps[id.0].standing.is_dark())
                    .collect();
                let name = &self.plan.outputs[output].name;
                let why = match silent_s {
                    Some(s) if s.is_finite() => format!("output {name} sent nothing for {}", say::span(s)),
                    _ => format!("output {name} sends its first frame"),
                };
                self.comes_up(&waited, &why);
            }
        }
    }

    /// Lets lamps come up softly, and tells of those that are lit.
    pub(super) fn comes_up(&mut self, ids: &[FixtureId], why: &str) {
        for id in ids {
            let lamp = &mut self.lamps[id.0];
            lamp.standing.comes_up();
            lamp.settled = false;
        }
        let lit =
            |id: &&FixtureId| self.lamps[id.0].target.base.lux > 0.0 && self.lamps[id.0].absent.is_none();
        let lit: Vec<&str> = ids.iter().filter(lit).map(|id| self.plan.fixture(*id).id.as_str()).collect();
        if !lit.is_empty() {
            let said = format!(
                "up softly over {}, since they may be dark: {} · {why}",
                say::span(SOFT_START_S),
                lit.join(", ")
            );
            self.openings.push(("soft-start", said));
        }
    }

    fn lamps_on(&self, output: usize) -> Vec<FixtureId> {
        let here = |id: &FixtureId| {
            self.plan.fixture(*id).address().is_some_and(|address| address.output == OutputId(output))
        };
        self.plan.fixture_ids().filter(here).collect()
    }
}
