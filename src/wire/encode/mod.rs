//! Frames to bytes and timing figures. Pure: no port, no clock.

pub mod dmx;
pub mod e131;
pub mod framed;
