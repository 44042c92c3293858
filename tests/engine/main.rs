//! The engine on virtual time, on the demo plan.

mod frames;
mod properties;
mod rig;
