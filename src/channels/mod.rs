//! Allowed light to DMX slots: dimming curves, modes, frames.
//!
//! [`mode::encode`] takes only [`crate::guards::Allowed`], so nothing can go round the guards.

pub mod curve;
mod frame;
mod mode;
mod patch;
mod round;

pub use frame::{Frame, SLOTS};
pub use mode::{Stand, Step, decode, encode, preview};
pub use patch::{Patch, patches};
pub use round::{ALL_AT_ONCE, COLOUR_UNIT, LIGHT_UNIT};
