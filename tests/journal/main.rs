//! The take log: its file through kills, bad disks and other versions; what it costs; its queries.

#![expect(clippy::unwrap_used, reason = "a test's helpers fail the test by panicking")]

mod cli;
mod crash;
mod disks;
mod made;
mod queries;
mod set;
mod shoot;
mod store;
