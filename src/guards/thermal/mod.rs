//! Thermal duty: keeps the estimate of a lamp's body at or under its limit, whatever is asked.
//!
//! `model` is the first-order model of a body and how it is made of what a person knows; `estimate`
//! carries its temperature through frames and gaps; `cap` is the greatest power that may be sent now
//! and the time that is left; `ramp` brings the white lamps of a look down together and up again;
//! `forecast` runs a list of looks ahead. All of it is arithmetic on its arguments.
//!
//! What it does not do: it reads no thermometer. Every temperature is an estimate, for a bare lamp in
//! free air (a modifier may state a factor), and none of it replaces the lamp's own cut-out.

mod cap;
mod estimate;
mod forecast;
mod model;
mod ramp;

pub use cap::{cap_w, rest_needed_s, sustainable_w, time_to_hold_s};
pub use estimate::Estimate;
pub use forecast::{Coming, Foreseen, LampAhead, forecast};
pub use model::{Duty, Model, Step, duty};
pub use ramp::{Ending, Held, LampNow, Ramp};

/// Fastest that the guard brings light down while it acts in time, and the fastest that it lets it up
/// again, in stops a second. Judgement (practice.md, pain 7): too slow to be seen as a change.
pub const STOPS_PER_S: f64 = 0.05;

/// The same as the rate k of a level that falls as e^(-k t), in 1/s.
pub const FALL_PER_S: f64 = STOPS_PER_S * std::f64::consts::LN_2;

/// Time constant over the time at full, where nothing else is known. Judgement: a body that cuts back
/// after N minutes could then bear about half of its power for ever.
pub const TIME_CONSTANT_OVER_FULL: f64 = 1.5;

/// How long ahead a lamp that will be held is told, in seconds.
pub const WARN_AHEAD_S: f64 = 60.0;

/// Under this nobody is told to feel before gripping a body, in degrees Celsius. Judgement, on the safe side: the lowest
/// burn threshold of ISO 13732-1, for hours of contact, as others quote it; the standard itself was not read.
pub const TOUCH_C: f64 = 43.0;
