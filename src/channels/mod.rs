//! Allowed light to DMX slots: dimming curves, modes, frames.

mod frame;

pub use frame::{Frame, SLOTS};
