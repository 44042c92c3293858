//! Ceilings, floors, rise, and half power while a lamp's heat is unknown. Pure functions of shares.

use super::{Limit, LimitSet};
use crate::light::Reach;
use crate::plan::{Cooling, Fixture, HeatFigure};

/// Share of its electrical power that a lamp of unknown heat may draw. Judgement, no source: half
/// the power is half the rise above room temperature in a first-order model, so a lamp that its own
/// cut-out protects at full stays well under it.
pub const HALF_POWER: f64 = 0.5;

/// A colour miss under this in u'v' is told by figures alone. Judgement: about half of what two lamps
/// side by side show (0.004 in u'v' is often called just visible; from memory).
const COLOUR_SEEN_UV76: f64 = 0.002;

/// True if nothing that counts is known of this lamp's heat: no fan runs and there is no figure of its
/// maker's, or only an invented one; or there is a figure, and nobody stated what its emitters draw.
#[must_use]
pub fn heat_unknown(fixture: &Fixture) -> bool {
    match fixture.heat {
        None => fixture.cooling != Cooling::Fan,
        Some(HeatFigure::NoLimit) => false,
        Some(HeatFigure::Known(_) | HeatFigure::FullFor(_)) => power_unknown(fixture),
    }
}

/// True if nobody stated what a lamp's emitters draw.
#[must_use]
pub fn power_unknown(fixture: &Fixture) -> bool {
    fixture.emitters.iter().all(|e| e.watts.get() <= 0.0)
}

/// The greatest share of `reach`'s mix that standing limits let through, and which of them bind at
/// `asked`. `cap_power`: the half-power rule applies.
pub(super) fn standing(fixture: &Fixture, reach: &Reach, cap_power: bool) -> (f64, LimitSet) {
    let asked = reach.level;
    let mut share: f64 = asked;
    let mut limits = LimitSet::NONE;
    // A hair over 1 is rounding in the solver; nobody is short of that.
    if share > 1.0 {
        if share > 1.0 + 1e-9 {
            limits = limits.with(Limit::Reach);
        }
        share = 1.0;
    }
    if asked > 0.0 && reach.miss.is_some_and(|miss| miss.uv76 >= COLOUR_SEEN_UV76) {
        limits = limits.with(Limit::Colour);
    }
    let ceiling = fixture.limits.ceiling.get();
    if share > ceiling {
        share = ceiling;
        limits = limits.with(Limit::Ceiling);
    }
    if cap_power && heat_unknown(fixture) {
        let standby = fixture.profile.standby.get();
        let all_on: f64 = fixture.emitters.iter().map(|e| e.watts.get()).sum();
        let cap = ((standby + all_on) * HALF_POWER - standby).max(0.0);
        if power_unknown(fixture) {
            // Half of the light then stands for half of the power.
            if share > HALF_POWER {
                share = HALF_POWER;
                limits = limits.with(Limit::HeatUnknown);
            }
        } else if reach.full_watts * share > cap {
            share = cap / reach.full_watts;
            limits = limits.with(Limit::HeatUnknown);
        }
    }
    (share, limits)
}
