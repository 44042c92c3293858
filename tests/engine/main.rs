//! The engine on virtual time, on the demo plan.

mod afternoon;
mod balance;
mod calibrate;
mod frames;
mod heat;
mod hurry;
mod load;
mod motions;
mod preferences;
mod properties;
mod rig;
mod takes;
