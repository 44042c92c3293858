//! Exposure, outputs, circuits, groups and the daemon's own settings but for the broker.

use std::sync::Arc;
use std::time::Duration;

use super::e131::E131;
use super::{FixtureId, LookId, PortName, Wake};
use crate::units::{Kelvin, Lux, Share, Watts};

/// The exposure that fixes 0 stops.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Exposure {
    /// ISO speed.
    pub iso: f64,
    /// The lens's opening: a T-stop or an f-number, as `marked` says.
    pub aperture: f64,
    /// How the opening is marked.
    pub marked: Marked,
    /// Density of the neutral filters; 0.3 is one stop.
    pub nd: f64,
    /// Exposure time in seconds.
    pub shutter_s: f64,
    /// Incident-light constant of ISO 2720; 250 is a flat receptor.
    pub constant: f64,
    /// Illuminance called 0 stops, worked out from the rest.
    pub zero_stops: Lux,
    /// White balance of the first camera; the colour of a target that states none.
    pub white_balance: Kelvin,
}

/// How a lens's opening is marked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Marked {
    /// By its geometry.
    #[default]
    FNumber,
    /// By the light that comes through.
    TStop,
}

impl Marked {
    /// An opening as it stands on a lens: `f/2.8`, `T2.8`.
    #[must_use]
    pub fn said(self, number: impl std::fmt::Display) -> String {
        match self {
            Self::FNumber => format!("f/{number}"),
            Self::TStop => format!("T{number}"),
        }
    }
}

/// Something that carries universes to lamps.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Output {
    /// Name in the plan; for each of several universes of a network output with `:` and its number.
    pub name: String,
    /// What it is.
    pub kind: OutputKind,
    /// Universe it carries, 1 to 63 999.
    pub universe: u16,
    /// Frames a second, 1 to 44.
    pub rate: u32,
    /// How its thread waits for each frame's deadline.
    pub wake: Wake,
}

/// The kinds of output.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum OutputKind {
    /// A plain serial port: break and slots timed by lampkeep.
    Raw {
        /// The interface.
        port: PortName,
        /// Break in microseconds, 92 to 1000.
        break_us: u32,
        /// Mark after break in microseconds, 12 to 1000.
        mark_us: u32,
        /// For lamps that lose packets: all 512 slots in every packet, and pauses between groups of them.
        slow: bool,
    },
    /// An interface with a processor of its own that takes framed messages.
    Framed {
        /// The interface.
        port: PortName,
    },
    /// Packets to the network (ANSI E1.31).
    E131(Arc<E131>),
    /// The simulator.
    Simulator,
}

impl Output {
    /// What the plan calls it: the universes of one network output share that name.
    #[must_use]
    pub fn plan_name(&self) -> &str {
        match &self.kind {
            OutputKind::E131(settings) => &settings.output,
            _ => &self.name,
        }
    }
}

/// A mains circuit.
#[derive(Debug, Clone, PartialEq)]
pub struct Circuit {
    /// Id in the plan.
    pub id: String,
    /// Mains voltage.
    pub volts: f64,
    /// Breaker in amperes; `None`: unknown, the smallest usual one is taken (`guards::load`).
    pub amps: Option<f64>,
    /// Share of the breaker that a continuous load may take.
    pub share: Share,
    /// Other loads on it.
    pub other: Watts,
    /// What happens to a request that would overload it.
    pub over: Over,
}

/// What happens to a request that would overload a circuit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Over {
    /// It is refused; the light stays as it is.
    Refuse,
    /// All its light is lowered until it fits.
    Lower,
}

/// Fixtures under one name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Group {
    /// Name in the plan.
    pub name: String,
    /// Its members, at least one.
    pub members: Vec<FixtureId>,
    /// True if the members' colours must match.
    pub must_match: bool,
}

/// What happens to the light when the daemon is told to stop.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OnStop {
    /// The last frame is left standing.
    Hold,
    /// Everything fades to dark first.
    Fade(Duration),
}

/// What is lit when the daemon starts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OnStart {
    /// Nothing until asked.
    Dark,
    /// This look.
    Look(LookId),
}
