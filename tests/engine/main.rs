//! The engine on virtual time, on the demo plan.

mod balance;
mod frames;
mod hurry;
mod preferences;
mod properties;
mod rig;
