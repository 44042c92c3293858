//! Quantities with their units and ranges: one type each, so that numbers cannot be swapped.
//!
//! Every constructor refuses NaN, infinity and values out of range. Only operations that mean
//! something exist. This module knows nothing of plans, lamps or wires.

mod colour;
mod light;
mod power;
mod range;
mod time;

pub use colour::{Duv, Kelvin, Mired, Uv60, Uv76, Xy};
pub use light::{Candela, Lux, Share, Stops};
pub use power::{Celsius, Watts};
pub use range::RangeError;
pub(crate) use range::quantity;
pub use time::{FrameClock, FrameNumber, Moment};
