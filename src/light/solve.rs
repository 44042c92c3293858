//! A demand on one lamp: what it takes of its emitters, and by how much it is out of reach.

use super::{Colour, Demand, Moving, colour, mix, photometry};
use crate::plan::{Drives, Fixture, FixtureId, Level, Look, MAX_EMITTERS, Mixing, Plan};
use crate::units::{Duv, Kelvin, Xy};

/// A colour miss in u'v' under this is rounding, not a miss.
const COLOUR_HIT_UV76: f64 = 1e-5;

/// What a lamp can do towards a demand.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reach {
    /// Emitter drives (0 to 1, in the profile's order) of the lamp's most light at the colour it can
    /// give; the rest are 0.
    pub mix: [f64; MAX_EMITTERS],
    /// Illuminance of that mix at the aim, in lux, above 0.
    pub full_lux: f64,
    /// Electrical power of that mix in watts, standby not included.
    pub full_watts: f64,
    /// Share of that mix which the demand takes; 0 dark, over 1 more than the lamp has.
    pub level: f64,
    /// The colour that it gives, at the aim.
    pub colour: Colour,
    /// The same as chromaticity.
    pub xy: Xy,
    /// How it misses the asked colour, if it does.
    pub miss: Option<ColourMiss>,
}

impl Reach {
    /// Stops by which the lamp falls short of the demand; 0 if it does not.
    #[must_use]
    pub fn short_stops(&self) -> f64 {
        if self.level > 1.0 + 1e-9 { self.level.log2() } else { 0.0 }
    }
}

/// How far the colour that a lamp gives is from the one it was asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ColourMiss {
    /// Difference in mired, positive is warmer than asked; `None` unless both are whites.
    pub mired: Option<f64>,
    /// Difference in Duv, positive is greener than asked; `None` unless both are whites.
    pub duv: Option<f64>,
    /// Distance in u'v'.
    pub uv76: f64,
}

/// Lux at the aim for each lux that the lamp reads at 1 m: distance, incidence, modifiers.
///
/// The reading at 1 m holds what the front's size does there, so the way from it is the disc law with
/// the radius behind the modifiers ([`photometry::lux_at_distance`]); a loss is meant as metered at 1 m.
/// The cosine law is exact for a disc on its axis while its whole front is above the receptor's horizon.
#[must_use]
pub fn gain(fixture: &Fixture) -> f64 {
    let place = &fixture.place;
    let on_axis = photometry::lux_at_distance(1.0, fixture.radius_m.unwrap_or(0.0), place.distance_m);
    place.incidence_cosine * (-fixture.loss).ratio() * on_axis
}

/// Stops by which the inverse-square law, from the reading at 1 m, would overstate this lamp's light at
/// its aim: negative beyond 1 m, where a large front loses less than a point.
#[must_use]
pub fn point_law_stops(fixture: &Fixture) -> f64 {
    let (radius, distance) = (fixture.radius_m.unwrap_or(0.0), fixture.place.distance_m);
    let point = photometry::inverse_square(1.0, distance);
    (point / photometry::lux_at_distance(1.0, radius, distance)).log2()
}

/// What `fixture` can do towards `demand`.
#[must_use]
pub fn reach(fixture: &Fixture, demand: &Demand) -> Reach {
    let mix = mix_for(fixture, demand.colour);
    let seen = &fixture.emitters;
    let (lux_at_1m, xy) = mix::light_of(seen, &mix);
    let asked_xy = demand.colour.xy();
    let xy = xy.unwrap_or(asked_xy);
    let full_lux = lux_at_1m * gain(fixture);
    let uv76 = xy.uv76().distance(asked_xy.uv76());
    let hit = uv76 <= COLOUR_HIT_UV76;
    let colour = if hit { demand.colour } else { colour_given(demand.colour, xy) };
    let miss = (!hit).then(|| miss(demand.colour, colour, uv76));
    let level = if demand.lux > 0.0 && full_lux > 0.0 { demand.lux / full_lux } else { 0.0 };
    Reach { mix, full_lux, full_watts: mix::watts_of(seen, &mix).get(), level, colour, xy, miss }
}

fn colour_given(asked: Colour, xy: Xy) -> Colour {
    match (asked, colour::kelvin_of(xy)) {
        (Colour::White { .. }, Some((kelvin, duv))) => Colour::white(kelvin, duv),
        _ => Colour::Uv(xy.uv76()),
    }
}

fn miss(asked: Colour, given: Colour, uv76: f64) -> ColourMiss {
    match (asked, given) {
        (Colour::White { mired: m0, duv: d0 }, Colour::White { mired: m1, duv: d1 }) => {
            ColourMiss { mired: Some(m1 - m0), duv: Some(d1 - d0), uv76 }
        }
        _ => ColourMiss { mired: None, duv: None, uv76 },
    }
}

/// The drives of most light at the colour nearest to the asked one that the mode can give.
fn mix_for(fixture: &Fixture, asked: Colour) -> [f64; MAX_EMITTERS] {
    let seen = &fixture.emitters;
    let any = |emitters: &[_], colour: Colour| match colour {
        Colour::White { mired, duv } => {
            mix::most_light_white(emitters, Kelvin::clamped(1e6 / mired), Duv::clamped(duv)).drives
        }
        Colour::Uv(uv) => mix::most_light(emitters, uv.xy()).drives,
    };
    match &fixture.mode.mixing {
        Mixing::Dimmer => all_on(seen.len()),
        Mixing::Emitters { .. } | Mixing::HueSaturation { .. } => any(seen, asked),
        Mixing::White { kelvin, tint, .. } => {
            // The lamp itself mixes, from its bare emitters and inside its own ranges.
            let bare = &fixture.profile.emitters;
            let (_, wanted) = mix::light_of(bare, &any(seen, asked));
            let (k, duv) = wanted.and_then(colour::kelvin_of).unwrap_or_else(|| nearest_white(asked));
            let (k_low, k_high) = kelvin_range(&fixture.mode.channels[*kelvin].drives);
            let k = Kelvin::clamped(k.get().clamp(k_low, k_high));
            let duv = match tint {
                Some(channel) => {
                    let (d_low, d_high) = tint_range(&fixture.mode.channels[*channel].drives);
                    Duv::clamped(duv.get().clamp(d_low, d_high))
                }
                None => Duv::ZERO,
            };
            mix::most_light_white(bare, k, duv).drives
        }
    }
}

fn nearest_white(asked: Colour) -> (Kelvin, Duv) {
    match asked {
        Colour::White { mired, duv } => (Kelvin::clamped(1e6 / mired), Duv::clamped(duv)),
        Colour::Uv(_) => (Kelvin::clamped(5600.0), Duv::ZERO),
    }
}

fn all_on(emitters: usize) -> [f64; MAX_EMITTERS] {
    let mut drives = [0.0; MAX_EMITTERS];
    drives[..emitters].fill(1.0);
    drives
}

fn kelvin_range(drives: &Drives) -> (f64, f64) {
    match drives {
        Drives::Kelvin(a, b) => (a.get().min(b.get()), a.get().max(b.get())),
        _ => (Kelvin::MIN, Kelvin::MAX),
    }
}

fn tint_range(drives: &Drives) -> (f64, f64) {
    match drives {
        Drives::Tint(a, b) => (a.min(*b), a.max(*b)),
        _ => (Duv::MIN, Duv::MAX),
    }
}

/// What every fixture is asked for in a look, in the plan's order; what it does not name is dark in
/// `colour_when_dark`.
#[must_use]
pub fn demands(plan: &Plan, look: &Look) -> Vec<Moving> {
    plan.fixture_ids().map(|id| demand(plan, look, id)).collect()
}

/// What one fixture is asked for in a look.
#[must_use]
pub fn demand(plan: &Plan, look: &Look, id: FixtureId) -> Moving {
    let Some(target) = look.target(id) else {
        return Moving::still(Demand { lux: 0.0, colour: dark_colour(plan) });
    };
    let colour = Colour::of(&target.colour);
    let lux = target_lux(plan, look, id, target.level, colour);
    Moving { base: Demand { lux, colour }, motion: target.motion }
}

/// The colour of a lamp that has not been lit: the camera's white balance.
#[must_use]
pub fn dark_colour(plan: &Plan) -> Colour {
    Colour::white(plan.exposure.white_balance, Duv::ZERO)
}

fn target_lux(plan: &Plan, look: &Look, id: FixtureId, level: Level, colour: Colour) -> f64 {
    match level {
        Level::Stops(stops) => plan.exposure.zero_stops.shifted(stops).get(),
        Level::Lux(lux) => lux.get(),
        Level::OfFull(share) => {
            let full = reach(plan.fixture(id), &Demand { lux: 1.0, colour }).full_lux;
            full * share.get()
        }
        Level::ToKey(stops) => {
            // The plan's reader has made sure that the key is there and does not count from itself.
            let key = look.key.and_then(|key| look.target(key).map(|t| (key, t)));
            let key_lux = match key {
                Some((key, t)) if !matches!(t.level, Level::ToKey(_)) => {
                    target_lux(plan, look, key, t.level, Colour::of(&t.colour))
                }
                _ => plan.exposure.zero_stops.get(),
            };
            key_lux * stops.ratio()
        }
    }
}
