//! What the user writes: read, checked in full, then never changed. A reload makes a new [`Plan`].
//!
//! `load` is the only file with I/O. `tree` reads TOML with a place for every value, `amounts` numbers
//! and units, `read` turns names into ids and collects all problems of a run, `diagnose` renders them.
//! This module computes no light: what a look needs of a lamp is `light`'s work.

mod again;
mod amounts;
mod beams;
mod defaults;
pub mod diagnose;
pub mod e131;
mod eyes;
mod fixture;
mod heat;
pub mod load;
mod look;
mod measured;
mod meter;
mod motion;
mod moves;
mod mqtt;
mod outline;
mod place;
mod port;
mod problem;
mod read;
mod settings;
mod sources;
mod spectrum;
mod tree;
mod write;
#[cfg(test)]
pub(crate) mod written;

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

pub(crate) use amounts::room_celsius;
pub use beams::BeamFile;
pub use eyes::{Eyes, RiskGroup};
pub use fixture::{
    Address, Bits, Body, Channel, Control, Cooling, Curve, Drives, Emitter, Fixture, FramesStop, Law, Limits,
    MAX_EMITTERS, Mixing, Mode, PowerUp, Prefer, Profile, UnlockedStrobe,
};
pub use heat::{FullFor, HEAT_LIMIT_C, HeatFigure, KnownHeat, Quiet, Rise, SecondFigure};
pub use look::{BalancedTargets, ColourTarget, Level, Look, Step, Target};
pub use measured::{Knot, LightTable, MOST_POINTS, TableFault, TruePoint, TrueTable};
pub use meter::{Aimed, MeterAt, MeterPoint, MeterTarget, Receptor, Sent, Spill, Surface};
pub use motion::{Colours, Flicker, FlickerLike, MOST_COLOURS, Motion};
pub use mqtt::{ClientCertificate, FreshBy, Mqtt, Requests, Secret, Tls};
pub use outline::{LampNames, Outline};
pub use place::{Aim, Bounce, Camera, Daylight, Flag, Metres, Placement, Room, Subject, Wall};
pub use port::{PortName, UsbName, Wake};
pub use problem::{Kind, Mark, Place, Problem, Report};
pub use read::{is_look_name, is_set_name, read};
pub use settings::{Circuit, Exposure, Group, Marked, OnStart, OnStop, Output, OutputKind, Over};
pub use sources::{ColourScience, PlanText, Sources, SpectrumFile, Text, TextRole, WrongSpectrum};
pub use spectrum::SpectralPower;
pub use write::look_text;

use crate::units::{Celsius, FrameClock, Stops};

/// Index of a fixture in [`Plan::fixtures`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct FixtureId(pub usize);
/// Index of a look in [`Plan::looks`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct LookId(pub usize);
/// Index of an output in [`Plan::outputs`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct OutputId(pub usize);
/// Index of a circuit in [`Plan::circuits`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct CircuitId(pub usize);
/// Index of a subject in [`Plan::subjects`]; 0 is the origin of all places.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SubjectId(pub usize);

/// A whole set-up, checked: every name resolved, every number in range, every lamp driveable.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// The set's name: letters, digits and `-`, not `all`; names the socket and the MQTT topics.
    pub name: String,
    /// Where the plan was read from; `None` for the built-in demo. Kept looks are written beside it.
    pub path: Option<PathBuf>,
    /// The folder beside the kit that calibrations are written to and read from; `None` without a kit.
    pub calibrations: Option<PathBuf>,
    /// 16 hex digits of a hash of the plan's texts (plan, kit, kept looks, profiles, calibrations, spectra,
    /// beams), to tell plans apart.
    pub hash: String,
    /// The texts themselves, the plan first. Looks that are kept while it is in force are not among them.
    pub texts: Arc<Vec<PlanText>>,
    /// Exposure that fixes the illuminance called 0 stops; from the first camera.
    pub exposure: Exposure,
    /// Cameras in the plan's order; at least one.
    pub cameras: Vec<Camera>,
    /// Frequency of the mains in hertz, 50 or 60; `None`: not stated, both are judged.
    pub mains_hz: Option<f64>,
    /// Subjects in the plan's order; at least one, the first is the origin.
    pub subjects: Vec<Subject>,
    /// The room and its walls, where given.
    pub room: Option<Room>,
    /// A lamp reaches a protected face with more light than this against the exposure, -8 stops or less.
    pub protect_stops: Stops,
    /// Temperature of the room, as planned.
    pub ambient: Celsius,
    /// Outputs in the plan's order.
    pub outputs: Vec<Output>,
    /// Circuits in the plan's order.
    pub circuits: Vec<Circuit>,
    /// Every profile at hand, by name: the shipped ones and those that the plan and its kit bring.
    pub profiles: Vec<Arc<Profile>>,
    /// Fixtures in the plan's order, hand-set and absent ones included.
    pub fixtures: Vec<Fixture>,
    /// Groups of fixtures.
    pub groups: Vec<Group>,
    /// Bounce boards.
    pub bounces: Vec<Bounce>,
    /// Flags.
    pub flags: Vec<Flag>,
    /// Windows and other daylight.
    pub daylight: Vec<Daylight>,
    /// Looks in the plan's order, then the kept ones.
    pub looks: Vec<Look>,
    /// The running order.
    pub order: Vec<Step>,
    /// The rest look.
    pub rest: Option<LookId>,
    /// How long the rest look stays before it goes dark by itself.
    pub rest_for: Duration,
    /// Fade of a recall for which nothing else is stated.
    pub fade: Duration,
    /// What the daemon does with the light when it is told to stop.
    pub on_stop: OnStop,
    /// What the daemon lights when it starts.
    pub on_start: OnStart,
    /// Frames a second of the engine.
    pub frames: FrameClock,
    /// The broker, if status is published.
    pub mqtt: Option<Mqtt>,
    /// What every lamp sends to every meter point; nothing in a plan that was read without its light.
    pub spill: Spill,
    /// Things a person should know though nothing is wrong, in plain words, such as
    /// "3 lamps use invented figures: planned, uncalibrated: may be a stop off".
    pub notes: Vec<String>,
}

impl Plan {
    /// The fixture with this id or whose body has this name.
    #[must_use]
    pub fn fixture_named(&self, name: &str) -> Option<FixtureId> {
        self.fixtures
            .iter()
            .position(|f| f.id == name || f.body.as_ref().is_some_and(|b| b.name == name))
            .map(FixtureId)
    }

    /// The look of this name.
    #[must_use]
    pub fn look_named(&self, name: &str) -> Option<LookId> {
        self.looks.iter().position(|l| l.name == name).map(LookId)
    }

    /// The group of this name.
    #[must_use]
    pub fn group_named(&self, name: &str) -> Option<&Group> {
        self.groups.iter().find(|g| g.name == name)
    }

    /// One fixture.
    #[must_use]
    pub fn fixture(&self, id: FixtureId) -> &Fixture {
        &self.fixtures[id.0]
    }

    /// One look.
    #[must_use]
    pub fn look(&self, id: LookId) -> &Look {
        &self.looks[id.0]
    }

    /// All fixture ids, in the plan's order.
    pub fn fixture_ids(&self) -> impl Iterator<Item = FixtureId> + use<> {
        (0..self.fixtures.len()).map(FixtureId)
    }
}

/// A plan shared between the engine and its doors.
pub type SharedPlan = Arc<Plan>;
