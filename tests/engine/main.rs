//! The engine on virtual time, on the demo plan.

mod again;
mod balance;
mod calibrate;
mod floors;
mod frames;
mod heat;
mod hurry;
mod preferences;
mod properties;
mod restart;
mod rig;
mod soft;
mod takes;
