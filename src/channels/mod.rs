//! Allowed light to DMX slots: dimming curves, modes, frames.

pub mod curve;
mod frame;

pub use frame::{Frame, SLOTS};
