//! A demand on one lamp: what it takes of its emitters, and by how much it is out of reach.

use super::{Colour, Demand, Moving, Shape, asked, colour, mix, photometry};
use crate::plan::{Emitter, Fixture, FixtureId, Level, Look, MAX_EMITTERS, Mixing, Plan, Prefer};
use crate::units::{Duv, Kelvin, Xy};

/// A colour miss in u'v' under this is rounding, not a miss.
const COLOUR_HIT_UV76: f64 = 1e-5;

/// What a lamp can do towards a demand.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reach {
    /// Emitter drives in the profile's order for each unit of `level`, up to the greatest level that can
    /// be sent; the rest are 0. For a lamp that prefers `output` these are the drives, 0 to 1, of its most
    /// light at the colour. For others they belong to this very demand: times `level` (at most 1 and at
    /// most the ceiling) they are drives of 0 to 1, by themselves they may be more.
    pub mix: [f64; MAX_EMITTERS],
    /// The lamp's most light at the colour it can give, whatever it prefers: illuminance at the aim in
    /// lux, above 0.
    pub full_lux: f64,
    /// Electrical power for each unit of `level` in watts, standby not included: that of `mix`.
    pub full_watts: f64,
    /// Share of `full_lux` which the demand takes; 0 dark, over 1 more than the lamp has.
    pub level: f64,
    /// The colour that it gives, at the aim.
    pub colour: Colour,
    /// The same as chromaticity.
    pub xy: Xy,
    /// How it misses the asked colour, if it does.
    pub miss: Option<ColourMiss>,
}

impl Reach {
    /// Its mix apart from its level.
    #[must_use]
    pub fn shape(&self, fixture: &Fixture) -> Shape {
        Shape::of(&self.mix, self.full_lux / gain(fixture))
    }

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
///
/// Costs microseconds. A lamp that prefers `rendering` gets its mix of most light here, whose light and
/// colour are the same: its own needs a shape ([`reach_shaped`]) that [`super::Renderings`] searches for.
#[must_use]
pub fn reach(fixture: &Fixture, demand: &Demand) -> Reach {
    reach_shaped(fixture, demand, None)
}

/// The same; a lamp that prefers `rendering` takes the mix nearest in least squares to `shape` among those
/// that give the light and the colour. Other lamps leave `shape` unread.
#[must_use]
pub fn reach_shaped(fixture: &Fixture, demand: &Demand, shape: Option<&Shape>) -> Reach {
    let (mut mix, own) = mix_for(fixture, demand.colour);
    let seen = &fixture.emitters;
    let (lux_at_1m, xy) = mix::light_of(seen, &mix);
    let xy = match (own, xy) {
        (Some(own), Some(xy)) => Some(asked::seen_xy(fixture, &mix, own, xy)),
        _ => xy,
    };
    let asked_xy = demand.colour.xy();
    let xy = xy.unwrap_or(asked_xy);
    let full_lux = lux_at_1m * gain(fixture);
    let uv76 = xy.uv76().distance(asked_xy.uv76());
    let hit = uv76 <= COLOUR_HIT_UV76;
    let colour = if hit { demand.colour } else { colour_given(demand.colour, xy) };
    let miss = (!hit).then(|| miss(demand.colour, colour, uv76));
    let level = if demand.lux > 0.0 && full_lux > 0.0 { demand.lux / full_lux } else { 0.0 };
    if fixture.prefer != Prefer::Output
        && full_lux > 0.0
        && let Some(aimed) = aimed(seen, demand.colour)
    {
        let level = sendable(fixture, level);
        match (fixture.prefer, shape) {
            (Prefer::Cool, _) => mix = aimed.least_watts(lux_at_1m, level),
            (Prefer::Rendering, Some(shape)) => {
                mix = aimed.nearest_mix(lux_at_1m, level, &shape.at(lux_at_1m));
            }
            _ => {}
        }
    }
    Reach { mix, full_lux, full_watts: mix::watts_of(seen, &mix).get(), level, colour, xy, miss }
}

/// What `fixture` can do towards `lux` with this mix alone: emitter drives at full, and their colour as
/// seen (`None` for a dark mix).
#[must_use]
pub fn reach_of(fixture: &Fixture, mix: [f64; MAX_EMITTERS], xy: Option<Xy>, lux: f64) -> Reach {
    let seen = &fixture.emitters;
    let full_lux = mix::light_of(seen, &mix).0 * gain(fixture);
    let xy = xy.unwrap_or(Xy { x: 1.0 / 3.0, y: 1.0 / 3.0 });
    let level = if lux > 0.0 && full_lux > 0.0 { lux / full_lux } else { 0.0 };
    let full_watts = mix::watts_of(seen, &mix).get();
    Reach { mix, full_lux, full_watts, level, colour: Colour::Uv(xy.uv76()), xy, miss: None }
}

/// The most that can be sent of a level: neither more than the lamp has nor more than its ceiling. The mix
/// is made for that, so that a lamp at its ceiling has the best mix of what is sent.
fn sendable(fixture: &Fixture, level: f64) -> f64 {
    level.min(fixture.limits.ceiling.get()).clamp(0.0, 1.0)
}

/// Most light at the demand's colour, in lux at 1 m, and the level at which a mix for it is made.
pub(super) fn full_and_level(fixture: &Fixture, demand: &Demand) -> (f64, f64) {
    let found = reach(fixture, demand);
    (found.full_lux / gain(fixture), sendable(fixture, found.level))
}

/// A colour put to emitters.
pub(super) fn aimed(emitters: &[Emitter], asked: Colour) -> Option<mix::Aimed<'_>> {
    match asked {
        Colour::White { mired, duv } => {
            mix::Aimed::at_white(emitters, Kelvin::clamped(1e6 / mired), Duv::clamped(duv))
        }
        Colour::Uv(uv) => mix::Aimed::at_xy(emitters, uv.xy()),
    }
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

/// The drives of most light at the colour nearest to the asked one that the mode can give; and the
/// white that the lamp is measured to give there, where it is.
fn mix_for(fixture: &Fixture, asked: Colour) -> ([f64; MAX_EMITTERS], Option<(f64, f64)>) {
    let seen = &fixture.emitters;
    let any = |emitters: &[Emitter], colour: Colour| {
        aimed(emitters, colour).map_or([0.0; MAX_EMITTERS], |aimed| aimed.most_light().drives)
    };
    match &fixture.mode.mixing {
        Mixing::Dimmer => (all_on(seen.len()), None),
        Mixing::Emitters { .. } | Mixing::HueSaturation { .. } => (any(seen, asked), None),
        Mixing::White { kelvin, tint, .. } => {
            // The lamp itself mixes, from its bare emitters and inside its own ranges.
            let bare = &fixture.profile.emitters;
            let (_, wanted) = mix::light_of(bare, &any(seen, asked));
            let (k, duv) = wanted.and_then(colour::kelvin_of).unwrap_or_else(|| nearest_white(asked));
            let channel = &fixture.mode.channels[*kelvin];
            let (k_low, k_high) = asked::kelvin_span(channel);
            let k = Kelvin::clamped(k.get().clamp(k_low, k_high));
            let own_duv = asked::own_duv(channel, asked::asked(channel, k.get()));
            let duv = match tint {
                Some(index) => {
                    let (d_low, d_high) = asked::tint_span(&fixture.mode.channels[*index]);
                    Duv::clamped(duv.get().clamp(own_duv + d_low, own_duv + d_high))
                }
                None => Duv::clamped(own_duv),
            };
            let own = asked::white_is_measured(fixture).then(|| (k.get(), duv.get()));
            let share = asked::light_share(fixture, k.get());
            (mix::most_light_white(bare, k, duv).drives.map(|drive| drive * share), own)
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
    Moving::new(Demand { lux, colour }, target.motion)
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
