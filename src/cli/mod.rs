//! The command line: what people type, and what they read.

pub mod args;
pub mod big;
mod calibrate;
mod chair;
pub mod check;
pub mod complete;
pub mod device;
pub mod doctor;
pub mod draw;
pub mod exit;
mod follow;
mod lead;
mod listen;
pub mod log;
mod meter;
pub mod new;
pub mod nudge;
pub mod papers;
pub mod reckon;
mod rehearse;
pub mod rehearse_args;
pub mod rollcall;
pub mod run;
pub mod sheet;
pub mod show;
pub mod takes;
pub mod wrap;
