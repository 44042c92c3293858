//! The commands `take` and `protect`.

use std::time::Duration;

use clap::Subcommand;

use super::help;
use super::values::{code, mark, span};
use crate::cli::complete::{amended, marks, takes};
use crate::cli::takes::SheetArgs;
use crate::control::TakeMark;

/// The identity guard's switch.
#[derive(Debug, Clone, PartialEq, Eq, Subcommand)]
pub enum ProtectCommand {
    /// On, at once, also during a take and for every set of this machine; says which lamps to unplug
    #[command(after_help = help::ON)]
    On,
    /// Without a code: gives one. With it, within 30 s and with no take rolling: off, and still dark
    #[command(after_help = help::OFF)]
    Off {
        /// Four digits, from the first answer
        #[arg(value_parser = code)]
        code: Option<String>,
    },
}

/// What may happen to a take.
#[derive(Debug, Subcommand)]
pub enum TakeCommand {
    /// Start the next take; every change of light or plan is refused until its end
    #[command(after_help = help::START)]
    Start {
        /// Letters, digits and `-`; the same slate as before when left out
        slate: Option<String>,
        /// Start after this long, such as 10s
        #[arg(long = "in", value_name = "SPAN", value_parser = span)]
        delay: Option<Duration>,
    },
    /// End it, and say whether what was sent was steady
    #[command(after_help = help::END)]
    End {
        /// A person's mark: good or bad
        #[arg(value_parser = mark, add = marks())]
        mark: Option<TakeMark>,
    },
    /// Mark a take afterwards, correct its slate, add camera data and notes
    #[command(after_help = help::AMEND)]
    Amend {
        /// Slate and take (4/3), or its log number (n12)
        #[arg(add = takes())]
        take: String,
        /// good, bad, as=5/2, or NAME=VALUE
        #[arg(required = true, value_name = "WHAT", add = amended())]
        what: Vec<String>,
    },
    /// List every take with its verdict and its mark
    #[command(after_help = help::LIST)]
    List,
    /// Make the continuity sheet: one HTML file to print, or CSV, or JSON
    #[command(after_help = help::TAKE_SHEET)]
    Sheet(SheetArgs),
}
