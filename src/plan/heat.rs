//! What a person knows of a lamp's heat, as written; `guards::thermal` makes a model of it.

use std::time::Duration;

use super::{Cooling, Fixture, Profile};
use crate::units::{Celsius, Share, Watts};

/// Limit of a lamp's body for which nobody states one, in degrees Celsius. Judgement, stated here alone:
/// what EN 60598-1 12.4 is said to allow for parts of a luminaire that are touched in adjusting it (seen as
/// quoted, text not read). The rise is worked out against the same limit, so it matters only by how far
/// the room is from the one in which the figure was taken.
pub const HEAT_LIMIT_C: f64 = 70.0;

/// What a person knows of a lamp's heat: estimates for the bare lamp in free air.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum HeatFigure {
    /// Runs at full as long as one likes.
    NoLimit,
    /// Both figures of the first-order model, measured or stated.
    Known(KnownHeat),
    /// Runs so long at full power from cold, then it cuts back.
    FullFor(FullFor),
}

/// Rise and time constant of a lamp's body.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KnownHeat {
    /// How far it gets above the room.
    pub rise: Rise,
    /// Time in which it covers 1 - 1/e (63 %) of the way to where its power leads.
    pub time_constant: Duration,
    /// Temperature that it must not pass; `None`: the judgement of [`HEAT_LIMIT_C`].
    pub limit: Option<Celsius>,
}

/// How far a body gets above the room in the end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Rise {
    /// Kelvin above the room with everything on, above 0.
    AtFull(f64),
    /// Kelvin for each watt of electrical power, above 0.
    PerWatt(f64),
}

/// "N minutes at full, then it cuts back", and what else is known beside it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FullFor {
    /// Time from cold at full power until it cuts back.
    pub time: Duration,
    /// Room temperature meanwhile.
    pub ambient: Celsius,
    /// Electrical power meanwhile, standby included; `None`: everything on.
    pub watts: Option<Watts>,
    /// A second figure; without one the time constant is a judgement (1.5 times `time`).
    pub second: Option<SecondFigure>,
    /// Temperature at which it cuts back; `None`: the judgement of [`HEAT_LIMIT_C`].
    pub limit: Option<Celsius>,
}

/// A figure that fixes the time constant which "N minutes at full" alone leaves open.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SecondFigure {
    /// The time constant itself.
    TimeConstant(Duration),
    /// Time in which the switched-off lamp comes half the way down to the room.
    Cools(Duration),
    /// Time from cold with every emitter at half, until it cuts back: more than twice the time at full.
    HalfFor(Duration),
    /// Kelvin above the room to which full power would lead if nothing cut back.
    RiseAtFull(f64),
}

/// What a lamp with a fan is with the fan off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quiet {
    /// Most of its greatest light that it gives then.
    pub ceiling: Share,
    /// Its heat then; `None`: unknown.
    pub heat: Option<HeatFigure>,
}

impl Fixture {
    /// The heat figure that counts: [`Self::heat`]. Where `real` is false, in a rehearsal or a simulator,
    /// a profile's invented figure stands in for one that is missing; it protects no real lamp.
    #[must_use]
    pub fn heat_figure(&self, real: bool) -> Option<HeatFigure> {
        self.heat.or_else(|| self.profile.heat_when(self.cooling).filter(|_| !real))
    }
}

impl Profile {
    /// What it says of its heat when it is cooled in this way.
    #[must_use]
    pub fn heat_when(&self, cooling: Cooling) -> Option<HeatFigure> {
        match cooling {
            Cooling::Quiet => self.quiet.and_then(|q| q.heat),
            Cooling::Fan | Cooling::FanLess => self.heat,
        }
    }
}
