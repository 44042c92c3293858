//! lampkeep: planned light to DMX slots, held steady and guarded.
//!
//! ```text
//! plan ──Plan──> light ──Demand──> guards ──Allowed──> channels ──Frame──> wire
//! TOML                                       raw serial / framed serial / network / simulator
//!    engine owns all live state and calls the steps in this order
//!    at the sides: control (local socket, MQTT), journal (SQLite take log)
//! ```
//!
//! A step knows the steps before it only by their types and never calls a later one. Everything but
//! `plan::load`, `wire` (its `encode` apart), `control`, `clock`, `daemon` and `cli` is pure: no
//! clock, no file, no socket; time is an argument.

// Unit tests share the invented status of the tests outside.
#[cfg(test)]
extern crate self as lampkeep;

pub mod alive;
pub mod calibrate;
pub mod chair;
pub mod channels;
pub mod cli;
pub mod clock;
pub mod control;
pub mod daemon;
pub mod doctor;
pub mod engine;
pub mod files;
pub mod follow;
pub mod guards;
pub mod hurry;
pub mod journal;
pub mod light;
pub mod logging;
pub mod meter;
pub mod picture;
pub mod plain_file;
pub mod plan;
pub mod protect_file;
pub mod reckon;
pub mod rehearse;
pub mod report;
pub mod service;
pub mod sheet;
pub mod state_file;
pub mod units;
pub mod version;
pub mod wire;
pub mod words;
