//! The engine on virtual time, on the demo plan.

mod afternoon;
mod again;
mod balance;
mod calibrate;
mod floors;
mod frames;
mod heat;
mod hurry;
mod load;
mod preferences;
mod properties;
mod restart;
mod rig;
mod soft;
mod takes;
