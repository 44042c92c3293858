//! Takes away what the flash guard holds of one lamp's raise.

use super::{Allowed, Standing, floored};
use crate::guards::Limit;
use crate::light::{mix, solve};
use crate::plan::{Fixture, MAX_EMITTERS};

/// Mixes nearer to each other than this in u'v' are one colour.
const SAME_COLOUR_UV76: f64 = 1e-5;
/// Relative slack of "not over": rounding of sums.
const HAIR: f64 = 1e-9;

/// What of `allowed` may be sent in a frame in which only `share` (0 to 1) of what rises may rise.
///
/// Emitter by emitter, since a change of hue can flash though the light stays the same: what an emitter
/// falls by passes at once, of what it rises by over `last` (the drives last sent, 0 to 1) `share` passes.
/// So the light is linear in `share`, and no emitter gets more than `allowed` has for it. An emitter that
/// does not rise is not held. A lamp whose fall would take it under its floor while its raise waits stands as it is.
/// `standing` is what [`super::allow`] left; a lamp with a greatest rise goes
/// on from here.
#[must_use]
pub fn raise(
    fixture: &Fixture,
    allowed: &Allowed,
    last: &[f64; MAX_EMITTERS],
    share: f64,
    standing: &mut Standing,
) -> Allowed {
    let share = share.clamp(0.0, 1.0);
    let mut drives = allowed.mix.map(|drive| drive * allowed.level);
    let mut held = false;
    for (drive, last) in drives.iter_mut().zip(last) {
        if *drive > *last && share < 1.0 {
            *drive = last + (*drive - last) * share;
            held = true;
        }
    }
    if !held {
        return *allowed;
    }
    let light = of_drives(fixture, allowed, &drives);
    let held = floored(fixture, light);
    if held.level <= 0.0
        && allowed.level > 0.0
        && let Some(stands) = stand_still(fixture, allowed, last, standing)
    {
        return stands;
    }
    step_back(allowed, &light, standing);
    held
}

/// `last`, the drives last sent, in place of `allowed`: for a lamp that what falls would put out while what rises waits.
/// It stands as it is rather than go out for that long; nothing rises by it. `None` where that would be more light or
/// power than is allowed; `standing` is then as it was.
#[must_use]
pub fn stand_still(
    fixture: &Fixture,
    allowed: &Allowed,
    last: &[f64; MAX_EMITTERS],
    standing: &mut Standing,
) -> Option<Allowed> {
    // Rounded as it is it may lie a hair under the floor: that is asked no second time.
    let stands = of_drives(fixture, allowed, last);
    let room = 1.0 + HAIR;
    let is_less = stands.lux() <= allowed.lux() * room && stands.watts() <= allowed.watts() * room;
    is_less.then(|| {
        step_back(allowed, &stands, standing);
        stands
    })
}

/// A lamp with a greatest rise goes on from `light` instead of from `allowed`.
fn step_back(allowed: &Allowed, light: &Allowed, standing: &mut Standing) {
    let back = if allowed.lux() > 0.0 { (light.lux() / allowed.lux()).min(1.0) } else { 0.0 };
    standing.lux *= back;
    standing.held_lux *= back;
}

/// What these drives come to, in place of what is allowed.
fn of_drives(fixture: &Fixture, allowed: &Allowed, drives: &[f64; MAX_EMITTERS]) -> Allowed {
    let limits = allowed.limits.with(Limit::Flash);
    let (lux_at_1m, xy) = mix::light_of(&fixture.emitters, drives);
    let lux = lux_at_1m * solve::gain(fixture);
    let strongest = drives.iter().fold(0.0_f64, |a, b| a.max(*b));
    let Some(xy) = xy.filter(|_| strongest > 0.0) else {
        return Allowed { level: 0.0, limits, ..*allowed };
    };
    // Of the same colour as seen, which a meter may have told better than the emitters' figures.
    let asked_xy = mix::light_of(&fixture.emitters, &allowed.mix).1.unwrap_or(xy);
    let same = xy.uv76().distance(asked_xy.uv76()) <= SAME_COLOUR_UV76;
    Allowed {
        mix: drives.map(|drive| drive / strongest),
        level: strongest,
        full_lux: lux / strongest,
        full_watts: mix::watts_of(&fixture.emitters, drives).get() / strongest,
        xy: if same { allowed.xy } else { xy },
        limits,
    }
}
