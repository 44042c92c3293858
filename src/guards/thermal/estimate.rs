//! The temperature of one body as far as it is known, through frames, gaps and restarts.

use serde::{Deserialize, Serialize};

use super::Model;
use crate::plan::FramesStop;

/// What a body's temperature is taken to be. When it was written, and for what plan, is kept by others.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// Temperature in degrees Celsius, never taken too low: where it is not known, the hottest it may be.
    pub celsius: f64,
    /// By how many kelvin it may be too hot because it was not known to begin with, 0 or more; it dies
    /// away with the body's time constant.
    pub over_k: f64,
}

impl Estimate {
    /// Nothing is known: unknown is hot. The body is taken to stand at its limit, or at the room's
    /// temperature where that is higher.
    #[must_use]
    pub fn unknown(model: &Model, ambient_c: f64) -> Self {
        let celsius = model.limit_c.max(ambient_c);
        Self { celsius, over_k: celsius - ambient_c }
    }

    /// A person said that it is cold: at the room's temperature.
    #[must_use]
    pub const fn cold(ambient_c: f64) -> Self {
        Self { celsius: ambient_c, over_k: 0.0 }
    }

    /// After `for_s` seconds at the constant power `watts`, standby included.
    #[must_use]
    pub fn after(self, model: &Model, ambient_c: f64, watts: f64, for_s: f64) -> Self {
        Self {
            celsius: model.after(ambient_c, self.celsius, watts, for_s),
            over_k: self.over_k * model.kept(for_s),
        }
    }

    /// After a gap in which no frame reached the lamp: the daemon was dead, or the wire gone.
    ///
    /// `last_w`: power of the last frame sent, standby included; `standby_w`: power with every emitter
    /// dark. A lamp that its profile says to hold, or of which it says nothing, is taken to run on at
    /// `last_w`; one that goes dark after a time runs until then and stands by from there.
    /// `gap_s`: how long, in seconds; `None` where no clock can tell: then the hottest of all lengths.
    #[must_use]
    pub fn over_gap(
        self,
        model: &Model,
        ambient_c: f64,
        (last_w, standby_w): (f64, f64),
        frames_stop: FramesStop,
        gap_s: Option<f64>,
    ) -> Self {
        let held_s = match frames_stop {
            FramesStop::Hold | FramesStop::Unknown => f64::INFINITY,
            FramesStop::HoldThenDark(held) => held.as_secs_f64(),
        };
        let Some(gap_s) = gap_s else {
            // Temperatures between the ends of a step of constant power lie between its ends, so the
            // hottest of all lengths is at one of: no gap, the end of holding, for ever.
            let (ran, dark) =
                (self.after(model, ambient_c, last_w, held_s), model.settled_c(ambient_c, standby_w));
            let hottest = self.celsius.max(ran.celsius);
            let celsius = if held_s.is_finite() { hottest.max(dark) } else { hottest };
            // The true one may be as cool as the coolest of them.
            return Self { celsius, over_k: celsius - ambient_c.min(celsius) };
        };
        let ran = self.after(model, ambient_c, last_w, gap_s.min(held_s));
        if gap_s > held_s { ran.after(model, ambient_c, standby_w, gap_s - held_s) } else { ran }
    }
}
