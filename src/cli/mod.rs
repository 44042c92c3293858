//! The command line: what people type, and what they read.

pub mod big;
pub mod check;
pub mod exit;
pub mod reckon;
pub mod sheet;
pub mod show;
