//! The engine on virtual time, on the demo plan.

mod calibrate;
mod frames;
mod hurry;
mod properties;
mod rig;
