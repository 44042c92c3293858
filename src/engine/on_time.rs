//! How long each lamp has been on: a lamp drifts while it warms up, so a take says how long it was lit before.

use serde::{Deserialize, Serialize};

use super::Engine;
use crate::plan::{Fixture, FixtureId};

/// A lamp that was dark for less than this is still as warm as it was, in seconds. Judgement: warming up takes
/// minutes (IES LM-79: half an hour and more), and so does cooling.
const STILL_ON_S: f64 = 60.0;

/// How long one lamp has been on.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct OnTime {
    /// Seconds lit without a break, short ones apart; 0 once it has been dark for a minute.
    pub on_s: f64,
    /// Seconds dark since.
    dark_s: f64,
    /// Seconds lit in all, as far as the kept state goes back.
    pub lit_s: f64,
}

/// What is kept of it between two starts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KeptOn {
    /// The body's name, or the fixture's id where it has none.
    pub lamp: String,
    /// Seconds lit without a break.
    pub on_s: f64,
    /// Seconds dark since.
    pub dark_s: f64,
    /// Seconds lit in all.
    pub lit_s: f64,
}

impl OnTime {
    /// A frame of `frame_s` seconds has gone by.
    fn after(self, lit: bool, frame_s: f64) -> Self {
        if lit {
            let on_s = if self.dark_s < STILL_ON_S { self.on_s } else { 0.0 };
            return Self { on_s: on_s + frame_s, dark_s: 0.0, lit_s: self.lit_s + frame_s };
        }
        let dark_s = self.dark_s + frame_s;
        Self { on_s: if dark_s < STILL_ON_S { self.on_s } else { 0.0 }, dark_s, lit_s: self.lit_s }
    }
}

impl Engine {
    /// How long a lamp has been on.
    pub(super) fn on_time(&self, id: FixtureId) -> OnTime {
        self.on_times.get(id.0).copied().unwrap_or_default()
    }

    /// Takes up what was kept; `gap_s`: how long ago, `None` where nobody knows.
    pub(super) fn take_up_on_times(&mut self, kept: &[KeptOn], gap_s: Option<f64>) {
        let of = |fixture: &Fixture| {
            let Some(k) = kept.iter().find(|k| k.lamp == fixture.lamp_name()) else {
                return OnTime::default();
            };
            let was = OnTime { on_s: k.on_s, dark_s: k.dark_s, lit_s: k.lit_s };
            was.after(false, gap_s.unwrap_or(f64::INFINITY))
        };
        self.on_times = self.plan.fixtures.iter().map(of).collect();
    }

    /// The frame that was sent stands for a period.
    pub(super) fn on_times_go_on(&mut self) {
        let frame_s = 1.0 / f64::from(self.clock().rate());
        self.on_times.resize(self.lamps.len(), OnTime::default());
        for (on, lamp) in self.on_times.iter_mut().zip(&self.lamps) {
            *on = on.after(lamp.sent.lux > 0.0 && lamp.absent.is_none(), frame_s);
        }
    }

    /// As it is kept between starts, for lamps of a plan; `before`: the fixtures that the times are of.
    pub(super) fn kept_on_times(&self, before: &[Fixture]) -> Vec<KeptOn> {
        let kept = |(fixture, on): (&Fixture, &OnTime)| KeptOn {
            lamp: fixture.lamp_name().to_owned(),
            on_s: on.on_s,
            dark_s: if on.dark_s.is_finite() { on.dark_s } else { STILL_ON_S },
            lit_s: on.lit_s,
        };
        before.iter().zip(&self.on_times).map(kept).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_minute_of_dark_ends_the_time_on_and_less_does_not() {
        let lit = OnTime::default().after(true, 600.0);
        let back = lit.after(false, 59.0).after(true, 1.0);
        assert_eq!((back.on_s, back.lit_s), (601.0, 601.0));
        let cold = lit.after(false, 60.0);
        assert_eq!((cold.on_s, cold.after(true, 1.0).on_s, cold.after(true, 1.0).lit_s), (0.0, 1.0, 601.0));
    }
}
