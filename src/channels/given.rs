//! What slots stand for in light: the mode's drives, and what a meter has told of the lamp's colour.

use super::mode;
use crate::light::{asked, mix};
use crate::plan::{Fixture, MAX_EMITTERS};
use crate::units::Xy;

/// Light that slots stand for, by the plan's figures.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Given {
    /// Emitter drives, 0 to 1, in the profile's order.
    pub drives: [f64; MAX_EMITTERS],
    /// Illuminance at 1 m in lux, gels in and the modifiers' loss not.
    pub lux_at_1m: f64,
    /// Chromaticity as seen behind the gels; `None` when dark.
    pub xy: Option<Xy>,
    /// Electrical power in watts, standby included.
    pub watts: f64,
}

/// What `slots` (the lamp's footprint) stand for.
#[must_use]
pub fn given(fixture: &Fixture, slots: &[u8]) -> Given {
    let drives = mode::decode(fixture, slots);
    let mut given = of_drives(fixture, drives);
    if let (Some(own), Some(seen)) = (mode::measured_white(fixture, slots), given.xy) {
        given.xy = Some(asked::seen_xy(fixture, &drives, own, seen));
    }
    given
}

/// What emitter drives give, for a lamp that a person sets by hand.
#[must_use]
pub fn of_drives(fixture: &Fixture, drives: [f64; MAX_EMITTERS]) -> Given {
    let (lux_at_1m, xy) = mix::light_of(&fixture.emitters, &drives);
    let watts = (mix::watts_of(&fixture.emitters, &drives) + fixture.profile.standby).get();
    Given { drives, lux_at_1m, xy, watts }
}
