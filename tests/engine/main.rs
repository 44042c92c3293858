//! The engine on virtual time, on the demo plan.

mod afternoon;
mod balance;
mod calibrate;
#[path = "../flash/counter.rs"]
#[expect(dead_code, reason = "shared with the guard's own tests, which use all of it")]
mod counter;
mod flash;
mod floods;
mod frames;
mod heat;
mod hurry;
mod load;
mod preferences;
mod properties;
mod protect;
mod rig;
mod seen;
mod takes;
