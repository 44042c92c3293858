//! The engine on virtual time, on the demo plan.

mod balance;
mod calibrate;
mod frames;
mod heat;
mod hurry;
mod preferences;
mod properties;
mod protect;
mod rig;
mod takes;
