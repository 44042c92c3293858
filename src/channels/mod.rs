//! Allowed light to DMX slots: dimming curves, modes, frames.
//!
//! [`mode::encode`] takes only [`crate::guards::Allowed`], so nothing can go round the guards.

mod clean;
pub mod curve;
mod frame;
mod given;
mod mode;
mod patch;
mod probe;
mod round;

pub use clean::{Unclean, unclean, value_in};
pub use frame::{Frame, SLOTS};
pub use given::{Given, given, of_drives};
pub use mode::{Stand, Step, decode, encode, encode_dark, encode_exact, preview, preview_exact};
pub use patch::{Patch, patches};
pub use probe::{Asked, Probe, ProbeError, level_channel, nominal, probe};
pub use round::{ALL_AT_ONCE, COLOUR_UNIT, LIGHT_UNIT};
