//! What a lamp's own colour channel is asked for, and what it truly gives.
//!
//! Straight lines between measured points, in mired for kelvin. Beyond the first and the last point
//! the difference stays what it is there, so that every asked colour has a true one and back.

use super::colour;
use super::mix;
use crate::plan::{Channel, Drives, Fixture, MAX_EMITTERS, Mixing, TruePoint, TrueTable};
use crate::units::{Duv, Kelvin, Xy};

/// What the channel truly gives when asked for `asked` (kelvin, Duv, degrees, or a share from 0 to 1);
/// `asked` itself where nobody has measured.
#[must_use]
pub fn given(channel: &Channel, asked: f64) -> f64 {
    match channel.measured.as_deref() {
        None => asked,
        Some(table) => turned(table, asked, |x| between(table, x, |p| p.asked, |p| p.given)),
    }
}

/// What the channel must be asked for to give `wanted`: the inverse of [`given`].
#[must_use]
pub fn asked(channel: &Channel, wanted: f64) -> f64 {
    match channel.measured.as_deref() {
        None => wanted,
        Some(table) => turned(table, wanted, |x| between(table, x, |p| p.given, |p| p.asked)),
    }
}

/// Tint in Duv that comes with an asked colour temperature in kelvin; 0 where nobody has measured.
#[must_use]
pub fn own_duv(channel: &Channel, kelvin: f64) -> f64 {
    let Some(table) = channel.measured.as_deref().filter(|t| t.in_mired()) else { return 0.0 };
    let points = table.points();
    let x = 1e6 / kelvin;
    let after = points.partition_point(|p| p.asked <= x);
    match (after.checked_sub(1).map(|i| points[i]), points.get(after)) {
        (Some(a), Some(b)) => a.duv + (b.duv - a.duv) * ((x - a.asked) / (b.asked - a.asked)),
        (Some(end), None) => end.duv,
        (None, Some(end)) => end.duv,
        (None, None) => 0.0,
    }
}

/// Light at full at a true colour temperature in kelvin, as a share of the most that the emitters could mix;
/// 1 where nobody has measured.
#[must_use]
pub fn light_share(fixture: &Fixture, kelvin: f64) -> f64 {
    let Mixing::White { kelvin: index, .. } = fixture.mode.mixing else { return 1.0 };
    let Some(table) = fixture.mode.channels[index].measured.as_deref().filter(|t| t.in_mired()) else {
        return 1.0;
    };
    let points = table.points();
    let x = 1e6 / kelvin;
    let after = points.partition_point(|p| p.given <= x);
    match (after.checked_sub(1).map(|i| points[i]), points.get(after)) {
        (Some(a), Some(b)) => a.light + (b.light - a.light) * ((x - a.given) / (b.given - a.given)),
        (Some(end), None) => end.light,
        (None, Some(end)) => end.light,
        (None, None) => 1.0,
    }
}

/// In the table's own scale and back.
fn turned(table: &TrueTable, value: f64, way: impl Fn(f64) -> f64) -> f64 {
    if table.in_mired() {
        // A difference carried beyond the last point must not turn the sign.
        1e6 / way(1e6 / value).max(1.0)
    } else {
        way(value)
    }
}

fn between(
    table: &TrueTable,
    x: f64,
    from: impl Fn(&TruePoint) -> f64,
    to: impl Fn(&TruePoint) -> f64,
) -> f64 {
    let points = table.points();
    let after = points.partition_point(|p| from(p) <= x);
    match (after.checked_sub(1).map(|i| &points[i]), points.get(after)) {
        (Some(a), Some(b)) => to(a) + (to(b) - to(a)) * ((x - from(a)) / (from(b) - from(a))),
        (Some(end), None) | (None, Some(end)) => to(end) + (x - from(end)),
        (None, None) => x,
    }
}

/// True white (kelvin and Duv) of a lamp that mixes a white by itself, at the asked colour temperature
/// in kelvin and the asked tint in Duv (0 without a tint channel).
///
/// The tint that comes with the colour temperature and what the tint channel gives add up (a model:
/// the two are measured apart).
#[must_use]
pub fn true_white(kelvin: &Channel, tint: Option<&Channel>, asked_k: f64, asked_duv: f64) -> (f64, f64) {
    let duv = tint.map_or(0.0, |channel| given(channel, asked_duv));
    (given(kelvin, asked_k), own_duv(kelvin, asked_k) + duv)
}

/// Asked colour temperature in kelvin and asked tint in Duv for a true white; not held to the channels'
/// ranges. The inverse of [`true_white`].
#[must_use]
pub fn asked_white(kelvin: &Channel, tint: Option<&Channel>, true_k: f64, true_duv: f64) -> (f64, f64) {
    let asked_k = asked(kelvin, true_k);
    (asked_k, tint.map_or(0.0, |channel| asked(channel, true_duv - own_duv(kelvin, asked_k))))
}

/// Colour temperatures in kelvin that a kelvin channel truly spans, least first.
#[must_use]
pub fn kelvin_span(channel: &Channel) -> (f64, f64) {
    match channel.drives {
        Drives::Kelvin(a, b) => ordered(given(channel, a.get()), given(channel, b.get())),
        _ => (Kelvin::MIN, Kelvin::MAX),
    }
}

/// Tints in Duv that a tint channel truly spans, least first.
#[must_use]
pub fn tint_span(channel: &Channel) -> (f64, f64) {
    match channel.drives {
        Drives::Tint(a, b) => ordered(given(channel, a), given(channel, b)),
        _ => (Duv::MIN, Duv::MAX),
    }
}

fn ordered(a: f64, b: f64) -> (f64, f64) {
    (a.min(b), a.max(b))
}

/// True if a meter has told what white this lamp gives: its light then has that colour, wherever the
/// line between its emitters runs.
#[must_use]
pub fn white_is_measured(fixture: &Fixture) -> bool {
    match fixture.mode.mixing {
        Mixing::White { kelvin, .. } => fixture.mode.channels[kelvin].measured.is_some(),
        _ => false,
    }
}

/// The chromaticity seen of a lamp whose drives are `drives` by the model and whose own light is
/// measured to be the white `own` (kelvin, Duv): what gels make of the one they make of the other.
///
/// `seen`: what the model gives behind the gels; given back as it is where a colour has no colour
/// temperature.
#[must_use]
pub fn seen_xy(fixture: &Fixture, drives: &[f64; MAX_EMITTERS], own: (f64, f64), seen: Xy) -> Xy {
    let bare = mix::light_of(&fixture.profile.emitters, drives).1.and_then(colour::kelvin_of);
    let (Some((bare_k, bare_duv)), Some((seen_k, seen_duv))) = (bare, colour::kelvin_of(seen)) else {
        return seen;
    };
    let mired = 1e6 / seen_k.get() + 1e6 / own.0 - 1e6 / bare_k.get();
    let duv = seen_duv.get() + own.1 - bare_duv.get();
    colour::xy_of(Kelvin::clamped(1e6 / mired.max(1.0)), Duv::clamped(duv))
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::plan::{Bits, Curve};
    use proptest::prelude::*;

    fn kelvin_channel(points: &[(f64, f64, f64)]) -> Channel {
        let k = |n: f64| Kelvin::new(n).unwrap();
        let points: Vec<_> = points.iter().map(|p| (k(p.0), k(p.1), p.2, 1.0)).collect();
        Channel {
            drives: Drives::Kelvin(k(2700.0), k(6500.0)),
            bits: Bits::Eight,
            curve: Curve::LINEAR,
            measured: Some(Arc::new(TrueTable::of_kelvin(&points).unwrap())),
            offset: 0,
        }
    }

    /// Source: arithmetic. Halfway between 250 and 200 mired is 225 mired; between readings of 260 and
    /// 214 mired it is 237 mired.
    #[test]
    fn between_two_readings_the_way_is_even_in_mired() {
        let channel = kelvin_channel(&[(4000.0, 1e6 / 260.0, 0.001), (5000.0, 1e6 / 214.0, 0.003)]);
        assert!((given(&channel, 1e6 / 225.0) - 1e6 / 237.0).abs() < 1e-9);
        assert!((asked(&channel, 1e6 / 237.0) - 1e6 / 225.0).abs() < 1e-9);
        assert!((own_duv(&channel, 1e6 / 225.0) - 0.002).abs() < 1e-12);
        // Beyond the ends the difference stays: 10 mired warmer, 14 mired warmer.
        assert!((given(&channel, 1e6 / 300.0) - 1e6 / 310.0).abs() < 1e-9);
        assert!((given(&channel, 1e6 / 150.0) - 1e6 / 164.0).abs() < 1e-9);
        assert_eq!((own_duv(&channel, 2700.0), own_duv(&channel, 6500.0)), (0.001, 0.003));
    }

    proptest! {
        #[test]
        fn what_is_asked_for_a_white_gives_that_white(
            steps in prop::collection::vec((20.0_f64..900.0, 0.9_f64..1.1, -0.01..0.01), 1..8),
            tints in prop::collection::vec((0.001_f64..0.01, 0.001_f64..0.01), 1..5),
            kelvin in 1800.0_f64..9000.0, duv in -0.02_f64..0.02,
        ) {
            let (mut a, mut g) = (1500.0, 1500.0);
            let points: Vec<_> = steps.iter().map(|s| { a += s.0; g += s.0 * s.1; (a, g, s.2) }).collect();
            let channel = kelvin_channel(&points);
            let (mut a, mut g) = (-0.02, -0.02);
            let tints: Vec<_> = tints.iter().map(|s| { a += s.0; g += s.1; (a, g) }).collect();
            let tint = Channel {
                drives: Drives::Tint(-0.02, 0.02),
                measured: Some(Arc::new(TrueTable::linear(&tints).unwrap())),
                ..channel.clone()
            };
            let (k, d) = asked_white(&channel, Some(&tint), kelvin, duv);
            let (back_k, back_d) = true_white(&channel, Some(&tint), k, d);
            prop_assert!((1e6 / back_k - 1e6 / kelvin).abs() < 1e-9, "{} {}", back_k, kelvin);
            prop_assert!((back_d - duv).abs() < 1e-12);
        }
    }
}
