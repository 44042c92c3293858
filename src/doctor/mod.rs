//! What stops the output from working, and the cure: each cause with its own kind.
//!
//! `port` looks at serial interfaces, `network` at the way to network outputs, `machine` at what the system grants
//! and at the kernel's log, `running` at what a daemon says of itself.

pub mod kernel_log;
mod machine;
mod network;
mod port;
mod running;

pub use machine::{machine, permissions, wall_clock};
pub use network::network;
pub use port::port;
pub use running::running;

use serde::Serialize;

/// How much it matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Weight {
    /// No light comes out of it.
    Stops,
    /// It works, and not as well as it could.
    Weakens,
    /// Good to know.
    Note,
}

/// Something found.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Finding {
    /// Stable word, kebab-case.
    pub kind: &'static str,
    /// How much it matters.
    pub weight: Weight,
    /// The output that it is about; `null`: the machine.
    pub output: Option<String>,
    /// What was found.
    pub said: String,
    /// One next step; empty where there is nothing to do.
    pub cure: String,
}

impl Finding {
    /// A finding about the machine.
    #[must_use]
    pub fn new(kind: &'static str, weight: Weight, said: impl Into<String>, cure: impl Into<String>) -> Self {
        Self { kind, weight, output: None, said: said.into(), cure: cure.into() }
    }

    /// The same, about an output.
    #[must_use]
    fn of(self, output: &str) -> Self {
        Self { output: Some(output.to_owned()), ..self }
    }
}

/// `what was found; one next step` in its two parts, as all our messages are built.
fn in_two(text: &str) -> (String, String) {
    text.split_once("; ")
        .map_or_else(|| (text.to_owned(), String::new()), |(a, b)| (a.to_owned(), b.to_owned()))
}
