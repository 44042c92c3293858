//! The engine on virtual time, on the demo plan.

mod balance;
mod frames;
mod hurry;
mod properties;
mod rig;
