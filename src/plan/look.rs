//! Looks: targets in physical terms, never slot values, so that a look survives a change of lamp.

use std::time::Duration;

use super::motion::Motion;
use super::{FixtureId, LookId, MeterTarget};
use crate::units::{Duv, Kelvin, Lux, Share, Stops, Xy};

/// A look.
#[derive(Debug, Clone, PartialEq)]
pub struct Look {
    /// Name.
    pub name: String,
    /// One line about it.
    pub about: Option<String>,
    /// True if it hides who is speaking.
    pub protect: bool,
    /// Its key: the fixture that `to-key` counts from. `None` where the look has no such lamp.
    pub key: Option<FixtureId>,
    /// Its own fade.
    pub fade: Option<Duration>,
    /// Targets as written, at most one a fixture, in the plan's order of fixtures. What is not named is
    /// dark.
    pub targets: Vec<Target>,
    /// What a meter should read with all lamps together.
    pub meter: Vec<MeterTarget>,
    /// What makes it read so, as near as the lamps come. `None` without meter points, and in a plan that
    /// was read without its light. Recalls use it.
    pub balanced: Option<BalancedTargets>,
    /// True if it was kept on set (read from the folder of kept looks), not written in the plan.
    pub kept: bool,
}

impl Look {
    /// The target of one fixture: the balanced one where the look is balanced, else as written.
    #[must_use]
    pub fn target(&self, fixture: FixtureId) -> Option<&Target> {
        let targets = self.balanced.as_ref().map_or(&self.targets, |b| &b.targets);
        targets.iter().find(|t| t.fixture == fixture)
    }
}

/// A look's targets solved for its meter points, by `light::balance`.
#[derive(Debug, Clone, PartialEq)]
pub struct BalancedTargets {
    /// The targets, for the same fixtures in the same order as written.
    pub targets: Vec<Target>,
    /// What of the meter points is not met, in words, with the change that would meet it.
    pub unmet: Vec<String>,
}

/// What one lamp should give in a look.
#[derive(Debug, Clone, PartialEq)]
pub struct Target {
    /// The lamp.
    pub fixture: FixtureId,
    /// How much light.
    pub level: Level,
    /// Which colour.
    pub colour: ColourTarget,
    /// How it moves, if it does.
    pub motion: Option<Motion>,
}

/// A target's light: the illuminance that this lamp alone gives at what it is aimed at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Level {
    /// Stops from the exposure's illuminance.
    Stops(Stops),
    /// Stops from the key's target in this look.
    ToKey(Stops),
    /// Illuminance.
    Lux(Lux),
    /// Share of the lamp's most light at the asked colour, modifiers and distance as they stand.
    OfFull(Share),
}

/// A target's colour.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ColourTarget {
    /// A white by colour temperature and tint.
    White(Kelvin, Duv),
    /// A chromaticity.
    Xy(Xy),
    /// A hue angle in degrees (0 to 360, from +u' towards +v') and a saturation about a white on the
    /// Planckian locus; see `light::colour`.
    HueSaturation {
        /// Degrees, 0 to 360.
        hue_deg: f64,
        /// Share of the way from the white to the edge of all colours, in u'v'.
        saturation: Share,
        /// The white.
        white: Kelvin,
    },
}

/// One step of the running order.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// The look.
    pub look: LookId,
    /// Fade into it: the step's own, else the look's, else the plan's.
    pub fade: Duration,
    /// How long it is expected to stay.
    pub on_for: Duration,
    /// Takes planned while it is on; `None`: not said, which is one, or none for the rest look.
    pub takes: Option<u32>,
}
