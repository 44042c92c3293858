//! The command line: what people type, and what they read.

pub mod reckon;
