//! What `--version` says: worked out by `src/build/stamp.rs` when this was built.

/// Version, commit and date, such as `0.1.0 (7965a6f1c2d3, 2026-11-28)`; of a debug build that it is one.
pub const TEXT: &str = env!("LAMPKEEP_VERSION");

/// Day of the source, `2026-11-28`; empty where nobody knows.
pub const DATE: &str = env!("LAMPKEEP_DATE");
