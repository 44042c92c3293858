//! The commands that lead through meter readings.

use super::values::metres;
use crate::cli::complete::{lamps, looks};

/// What `calibrate` may be told.
#[derive(Debug, clap::Args)]
pub struct CalibrateArgs {
    /// Fixture id or body name
    #[arg(add = lamps())]
    pub lamp: String,
    /// From the lamp's lit front to the receptor [default: 1m]
    #[arg(long, value_name = "LENGTH", value_parser = metres)]
    pub distance: Option<f64>,
    /// The meter, in words
    #[arg(long, value_name = "TEXT")]
    pub meter: Option<String>,
    /// What else should be known: mains, room temperature
    #[arg(long, value_name = "TEXT")]
    pub conditions: Option<String>,
    /// Read the levels upwards too
    #[arg(long)]
    pub up: bool,
    /// Sweep every emitter that has a level of its own, not only the brightest
    #[arg(long)]
    pub every_emitter: bool,
}

/// What `meter` may be told.
#[derive(Debug, clap::Args)]
pub struct MeterArgs {
    /// The look; what is lit or was when left out
    #[arg(add = looks())]
    pub look: Option<String>,
    /// Take the trims of the last walk back
    #[arg(long, conflicts_with_all = ["look", "dome", "places", "again", "meter"])]
    pub undo: bool,
    /// The meter has a dome, no flat receptor
    #[arg(long)]
    pub dome: bool,
    /// Read room light and all together at every point, not only at the face
    #[arg(long)]
    pub places: bool,
    /// Read everything anew, also what was read within the hour
    #[arg(long)]
    pub again: bool,
    /// The meter, in words
    #[arg(long, value_name = "TEXT")]
    pub meter: Option<String>,
}
