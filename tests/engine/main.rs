//! The engine on virtual time, on the demo plan.

mod afternoon;
mod again;
mod balance;
mod calibrate;
#[path = "../common/contract.rs"]
mod contract;
#[path = "../flash/counter.rs"]
#[expect(dead_code, reason = "shared with the guard's own tests, which use all of it")]
mod counter;
mod flash;
mod floods;
mod floors;
mod frames;
mod heat;
mod hour;
mod hurry;
mod instant;
mod line_check;
mod load;
mod log;
mod metering;
mod motions;
mod preferences;
mod properties;
mod protect;
mod protect_under_way;
mod records;
mod restart;
mod rig;
mod seen;
mod soft;
mod standing;
mod take_after_death;
mod take_log;
mod takes;
mod unpowered;
mod watch;
