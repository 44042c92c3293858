//! Emitters to light: the mix of most light at a chromaticity, and what given drives make.
//!
//! Light adds: each emitter gives its full light times its drive, 0 to 1, whatever the others do.
//! In u'v' a mix is the mean of its emitters weighted by W = X + 15Y + 3Z = 9Y / v', so "this
//! chromaticity" is two linear equations in the drives and "most light" a linear program.
//! This module knows no curves and no slots: a drive is a share of light.

use super::colour;
use super::hull::Hull;
use crate::plan::{Emitter, MAX_EMITTERS};
use crate::units::{Duv, Kelvin, Uv76, Watts, Xy};

mod aim;
mod cheapest;
mod least_squares;
mod program;
mod rendering;
mod roof;
mod wheel;

pub use aim::Aimed;
pub use wheel::Wheel;

/// A colour further than this from what a lamp can give, in u'v', is out of its gamut. Chosen far
/// below what can be seen (about 0.001) and far above rounding.
pub const IN_GAMUT: f64 = 1e-6;

/// A mix of a lamp's emitters: the most light at one chromaticity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mix {
    /// Drives in the emitters' order, 0 to 1; 0 after the last emitter.
    pub drives: [f64; MAX_EMITTERS],
    /// Illuminance at 1 m on the axis in lux.
    pub lux_at_1m: f64,
    /// The chromaticity that the drives really give; the one asked for when they give no light.
    pub xy: Xy,
    /// True when `distance_uv76` is at most [`IN_GAMUT`].
    pub in_gamut: bool,
    /// Distance in u'v' from the chromaticity asked for (kelvin and Duv, where those were asked) to
    /// `xy`. Infinite when the lamp has no light at all.
    pub distance_uv76: f64,
}

impl Mix {
    /// No light, where `xy` was asked.
    const fn dark(xy: Xy) -> Self {
        Self {
            drives: [0.0; MAX_EMITTERS],
            lux_at_1m: 0.0,
            xy,
            in_gamut: false,
            distance_uv76: f64::INFINITY,
        }
    }
}

/// The reachable chromaticity nearest to one asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Nearest {
    /// The chromaticity: the one asked for when it is in gamut.
    pub xy: Xy,
    /// True when the one asked for is reachable, to [`IN_GAMUT`].
    pub in_gamut: bool,
    /// Distance between the two in u'v'.
    pub distance_uv76: f64,
}

/// The chromaticity that `emitters` can give and that is nearest in u'v' to `target`.
///
/// Emitters after [`MAX_EMITTERS`] and emitters without light are left out; `None` if none is left or
/// `target` is no chromaticity.
#[must_use]
pub fn nearest(emitters: &[Emitter], target: Xy) -> Option<Nearest> {
    let aim = aim::nearest(&gamut_of(emitters), target)?;
    Some(Nearest { xy: aim.xy, in_gamut: aim.distance_uv76 <= IN_GAMUT, distance_uv76: aim.distance_uv76 })
}

/// The mix of most light at `target`; if that is out of gamut, at the chromaticity nearest in u'v'.
///
/// Exact (a linear program, see `program`). Where several mixes are equally bright (equal emitters, or
/// three in one line), the one with the least sum of squared drives, so equal emitters are driven
/// equally and the drives move without jumps when the target does.
/// Emitters after [`MAX_EMITTERS`] stay dark. Without any light the mix is dark.
#[must_use]
pub fn most_light(emitters: &[Emitter], target: Xy) -> Mix {
    Aimed::at_xy(emitters, target).map_or(Mix::dark(target), |aimed| aimed.most_light())
}

/// The mix of most light at a colour temperature and tint.
///
/// One emitter gives what it gives. Exactly two meet the colour temperature along their own line and
/// leave the tint over; asked beyond their ends, the end is taken; where their line has no such colour
/// temperature (coloured emitters), the nearest chromaticity, without a jump in between. Three or more: as
/// [`most_light`] at that chromaticity. `distance_uv76` and `in_gamut` always compare with the
/// chromaticity of `kelvin` and `duv`, so a tint left over counts as missed.
#[must_use]
pub fn most_light_white(emitters: &[Emitter], kelvin: Kelvin, duv: Duv) -> Mix {
    Aimed::at_white(emitters, kelvin, duv)
        .map_or_else(|| Mix::dark(colour::xy_of(kelvin, duv)), |aimed| aimed.most_light())
}

/// A tint up to which two emitters are held to a colour temperature, and one from which on they are not.
/// Judgement: a line between whites keeps within 0.03 of the locus; 0.05 is where a colour temperature ends.
const TINT_HELD: (f64, f64) = (0.03, Duv::MAX);
/// How far a line may turn away from the locus (cosine of the angle between them) and still be held to a
/// colour temperature, and from where on it is not. Judgement: a line between whites keeps over 0.5; one
/// that runs along a colour temperature, from green to pink, cannot choose one.
const TURN_HELD: (f64, f64) = (0.3, 0.1);

/// Where on the way from `a` (0) to `b` (1), straight in u'v', the colour temperature is `kelvin`; beyond
/// its ends the end. And how much that counts: 1 between whites, 0 where the way has no such colour
/// temperature, without a jump in between.
fn on_line(a: Xy, b: Xy, kelvin: Kelvin) -> (f64, f64) {
    // All chromaticities of one colour temperature lie on a straight line in CIE 1960 u,v (the
    // normal of the locus), and so does the way from a to b: they meet where both agree.
    let locus = super::planck::at(kelvin.mired().get());
    let (a, b) = (a.uv60(), b.uv60());
    let (tu, tv) = (locus.per_mired.u, locus.per_mired.v);
    let ahead_a = (a.u - locus.uv.u) * tu + (a.v - locus.uv.v) * tv;
    let ahead_b = (b.u - locus.uv.u) * tu + (b.v - locus.uv.v) * tv;
    let (du, dv) = (b.u - a.u, b.v - a.v);
    let turn = (ahead_b - ahead_a).abs() / (tu.hypot(tv) * du.hypot(dv));
    if turn.is_nan() || turn <= TURN_HELD.1 {
        return (0.0, 0.0);
    }
    let weight = (ahead_a / (ahead_a - ahead_b)).clamp(0.0, 1.0);
    // Far off the locus the normal is no longer the nearest way, so the tint must be a real one.
    let tint = (a.u + du * weight - locus.uv.u).hypot(a.v + dv * weight - locus.uv.v);
    let share = |(held, free): (f64, f64), is: f64| ((free - is) / (free - held)).clamp(0.0, 1.0);
    (weight, share(TINT_HELD, tint) * share(TURN_HELD, turn))
}

/// Illuminance at 1 m in lux and chromaticity that `drives` give; no chromaticity when dark.
///
/// `drives`: in the emitters' order; missing ones count as 0, further ones are left out.
#[must_use]
pub fn light_of(emitters: &[Emitter], drives: &[f64]) -> (f64, Option<Xy>) {
    let (mut lux, mut w, mut wu) = (0.0, 0.0, 0.0);
    for (emitter, drive) in emitters.iter().zip(drives) {
        let light = emitter.lux_at_1m * drive;
        if light > 0.0 {
            let uv = emitter.xy.uv76();
            let weight = 9.0 * light / uv.v;
            lux += light;
            w += weight;
            wu += weight * uv.u;
        }
    }
    (lux, (lux > 0.0).then(|| Uv76 { u: wu / w, v: 9.0 * lux / w }.xy()))
}

/// Electrical power of the emitters at `drives` (standby not included): each its full power times
/// its drive.
#[must_use]
pub fn watts_of(emitters: &[Emitter], drives: &[f64]) -> Watts {
    Watts::clamped(emitters.iter().zip(drives).map(|(e, drive)| e.watts.get() * drive).sum())
}

/// The chromaticity `share` of the way (0 to 1) from `white` to the edge of the lamp's gamut.
///
/// For lamps that take hue and saturation by slots: their saturation ends at their own gamut, not at
/// the edge of all colours as [`colour::xy_of_hue`]'s does. `hue_deg` as there. A white outside of the
/// gamut, or a gamut without area, gives `white`.
#[must_use]
pub fn xy_within(emitters: &[Emitter], white: Xy, hue_deg: f64, share: f64) -> Xy {
    let from = white.uv76();
    let (dv, du) = hue_deg.to_radians().sin_cos();
    let way = share * gamut_of(emitters).exit(from, du, dv);
    Uv76 { u: from.u + way * du, v: from.v + way * dv }.xy()
}

/// Hue in degrees and share of the way from `white` to the edge of the lamp's gamut: the inverse of
/// [`xy_within`]. The share is above 1 outside of the gamut; a white outside gives 1 for any colour.
#[must_use]
pub fn hue_within(emitters: &[Emitter], white: Xy, xy: Xy) -> (f64, f64) {
    let (hue, _) = colour::hue_of(white, xy);
    let (from, to) = (white.uv76(), xy.uv76());
    let (du, dv) = (to.u - from.u, to.v - from.v);
    if du == 0.0 && dv == 0.0 {
        return (0.0, 0.0);
    }
    let edge = gamut_of(emitters).exit(from, du, dv);
    (hue, if edge > 0.0 { 1.0 / edge } else { 1.0 })
}

fn lit(emitters: &[Emitter]) -> impl Iterator<Item = (usize, &Emitter)> {
    emitters.iter().take(MAX_EMITTERS).enumerate().filter(|(_, e)| e.lux_at_1m > 0.0)
}

fn gamut_of(emitters: &[Emitter]) -> Hull<MAX_EMITTERS> {
    Hull::of(lit(emitters).map(|(_, e)| e.xy.uv76()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn emitter(x: f64, y: f64, lux: f64) -> Emitter {
        Emitter {
            name: String::from("e"),
            xy: Xy { x, y },
            lux_at_1m: lux,
            watts: Watts::new(10.0).unwrap(),
            spectrum: None,
        }
    }

    fn white(kelvin: f64, duv: f64, lux: f64) -> Emitter {
        let xy = colour::xy_of(Kelvin::new(kelvin).unwrap(), Duv::new(duv).unwrap());
        emitter(xy.x, xy.y, lux)
    }

    /// The slow plain way: every basic solution (two drives solved for, the others 0 or 1) listed and
    /// the brightest feasible one taken. `target` must be strictly inside the gamut.
    fn brightest_of_all_vertices(emitters: &[Emitter], target: Xy) -> f64 {
        let t = target.uv76();
        let pulls: Vec<[f64; 2]> = emitters
            .iter()
            .map(|e| {
                let uv = e.xy.uv76();
                let w = 9.0 * e.lux_at_1m / uv.v;
                [w * (uv.u - t.u), w * (uv.v - t.v)]
            })
            .collect();
        let n = emitters.len();
        let mut best: f64 = 0.0;
        for i in 0..n {
            for j in i + 1..n {
                for bits in 0_u32..1 << n {
                    if bits & (1 << i) != 0 || bits & (1 << j) != 0 {
                        continue;
                    }
                    let full: Vec<usize> = (0..n).filter(|k| bits & (1 << k) != 0).collect();
                    let rest: [f64; 2] =
                        std::array::from_fn(|c| -full.iter().map(|k| pulls[*k][c]).sum::<f64>());
                    let (a, b) = (pulls[i], pulls[j]);
                    let det = a[0] * b[1] - a[1] * b[0];
                    if det.abs() < 1e-9 * a[0].hypot(a[1]) * b[0].hypot(b[1]) {
                        continue;
                    }
                    let wi = (rest[0] * b[1] - rest[1] * b[0]) / det;
                    let wj = (a[0] * rest[1] - a[1] * rest[0]) / det;
                    if [wi, wj].iter().all(|w| (-1e-12..=1.0 + 1e-12).contains(w)) {
                        let light = full.iter().map(|k| emitters[*k].lux_at_1m).sum::<f64>()
                            + wi * emitters[i].lux_at_1m
                            + wj * emitters[j].lux_at_1m;
                        best = best.max(light);
                    }
                }
            }
        }
        best
    }

    fn any_emitter() -> impl Strategy<Value = Emitter> {
        prop_oneof![
            // A few fixed places make equal emitters and emitters in one line common.
            (0_u8..6, 0_u8..6, 0_u8..3).prop_map(|(i, j, l)| {
                let uv = Uv76 { u: 0.1 + 0.08 * f64::from(i), v: 0.3 + 0.05 * f64::from(j) };
                emitter(uv.xy().x, uv.xy().y, 100.0 * f64::from(l + 1))
            }),
            (0.05..0.6, 0.1..0.58, 1.0..2000.0).prop_map(|(u, v, lux)| {
                let xy = Uv76 { u, v }.xy();
                emitter(xy.x, xy.y, lux)
            }),
        ]
    }

    proptest! {
        #[test]
        fn the_mix_is_as_bright_as_the_best_of_all_vertices(
            emitters in prop::collection::vec(any_emitter(), 3..=8),
            weights in prop::collection::vec(0.0_f64..1.0, 8),
        ) {
            let (_, Some(target)) = light_of(&emitters, &weights) else { return Ok(()) };
            let mix = most_light(&emitters, target);
            prop_assert!(mix.in_gamut, "{mix:?}");
            prop_assert!(mix.drives.iter().all(|w| (0.0..=1.0).contains(w)));
            prop_assert!(mix.xy.uv76().distance(target.uv76()) < 1e-9, "{mix:?}");
            let gamut = gamut_of(&emitters);
            if gamut.nearest(target.uv76()).unwrap().distance < -1e-4 {
                let best = brightest_of_all_vertices(&emitters, target);
                prop_assert!((mix.lux_at_1m / best - 1.0).abs() < 1e-9, "{} against {best}", mix.lux_at_1m);
            }
        }

        /// Source: continuity itself. The greatest step of a drive on a path is looked at ever more
        /// closely: where it is a jump it stays, else it shrinks with the path.
        #[test]
        fn drives_move_without_jumps_when_the_target_does(
            emitters in prop::collection::vec(any_emitter(), 2..=8),
            from in (0.1..0.5, 0.3..0.56), to in (0.1..0.5, 0.3..0.56),
        ) {
            let (from, to) = (Uv76 { u: from.0, v: from.1 }, Uv76 { u: to.0, v: to.1 });
            let drives = |way: f64| most_light(&emitters, from.towards(to, way).xy()).drives;
            let step = |a: f64, b: f64| {
                drives(a).iter().zip(drives(b)).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max)
            };
            let parts = (0..200).map(|i| (f64::from(i) / 200.0, f64::from(i + 1) / 200.0));
            let greatest = parts.max_by(|a, b| step(a.0, a.1).total_cmp(&step(b.0, b.1)));
            let (mut a, mut b) = greatest.unwrap();
            for _ in 0..26 {
                let middle = 0.5 * (a + b);
                if step(a, middle) > step(middle, b) { b = middle } else { a = middle }
            }
            prop_assert!(step(a, b) < 1e-3, "at {a}: {:?} and {:?}", drives(a), drives(b));
        }

        #[test]
        fn whatever_is_asked_of_whatever_lamp_the_mix_is_sound(
            emitters in prop::collection::vec(any_emitter(), 0..=9),
            u in -1.0..2.0, v in -1.0..2.0,
        ) {
            let target = Uv76 { u, v }.xy();
            let mix = most_light(&emitters, target);
            prop_assert!(mix.drives.iter().all(|w| (0.0..=1.0).contains(w)), "{mix:?}");
            prop_assert!(!mix.distance_uv76.is_nan() && mix.lux_at_1m >= 0.0, "{mix:?}");
            if !emitters.is_empty() && target.uv76().u.is_finite() {
                prop_assert!(mix.lux_at_1m > 0.0, "{mix:?}");
                let near = nearest(&emitters, target).unwrap();
                prop_assert!((near.distance_uv76 - mix.distance_uv76).abs() < 1e-9, "{near:?} {mix:?}");
                prop_assert!(near.xy.uv76().distance(mix.xy.uv76()) < 1e-9, "{near:?} {mix:?}");
            }
        }
    }

    #[test]
    fn equal_emitters_are_driven_equally_and_emitters_in_line_share() {
        let pair = [white(3000.0, 0.0, 500.0), white(3000.0, 0.0, 500.0), white(6000.0, 0.0, 400.0)];
        let middle = pair[0].xy.uv76().towards(pair[2].xy.uv76(), 0.7).xy();
        let mix = most_light(&pair, middle);
        assert!(mix.in_gamut && (mix.drives[0] - mix.drives[1]).abs() < 1e-12, "{mix:?}");
        assert_eq!(mix.drives[2], 1.0);

        // Symmetric about the middle: warm and cool alike, the one between full.
        let (warm, cool) = (Uv76 { u: 0.26, v: 0.52 }, Uv76 { u: 0.20, v: 0.46 });
        let mid = warm.towards(cool, 0.5);
        let line: Vec<Emitter> =
            [warm, mid, cool].map(|uv| emitter(uv.xy().x, uv.xy().y, 100.0 * uv.v)).into_iter().collect();
        let mix = most_light(&line, mid.xy());
        assert!(mix.drives[..3].iter().all(|w| (w - 1.0).abs() < 1e-9), "{mix:?}");
    }

    /// Found by the random lamps: the first three lie in one line, and in the best mix one of them is
    /// full while two share.
    #[test]
    fn emitters_in_line_share_though_one_of_them_is_full() {
        let at = |u, v, lux| emitter(Uv76 { u, v }.xy().x, Uv76 { u, v }.xy().y, lux);
        let lamp = [
            at(0.42, 0.3, 300.0),
            at(0.42, 0.5, 200.0),
            at(0.42, 0.55, 300.0),
            at(0.2522, 0.3414, 1840.0),
            at(0.1045, 0.5459, 1354.0),
            at(0.2168, 0.2733, 519.0),
        ];
        let target = Uv76 { u: 0.24126, v: 0.38398 }.xy();
        let mix = most_light(&lamp, target);
        let best = brightest_of_all_vertices(&lamp, target);
        assert!(mix.in_gamut && (mix.lux_at_1m / best - 1.0).abs() < 1e-12, "{mix:?} {best}");
    }

    #[test]
    fn a_bi_colour_lamp_meets_the_colour_temperature_and_leaves_the_tint_over() {
        let lamp = [white(2700.0, 0.001, 900.0), white(6500.0, -0.002, 1100.0)];
        for asked in [2800.0, 3200.0, 4300.0, 5600.0, 6400.0] {
            let kelvin = Kelvin::new(asked).unwrap();
            let mix = most_light_white(&lamp, kelvin, Duv::ZERO);
            let (given, tint) = colour::kelvin_of(mix.xy).unwrap();
            assert!((given.get() / asked - 1.0).abs() < 1e-7, "{asked} K: {given}");
            // The chord lies on the magenta side of the curved locus, so a tint is left over.
            assert!(!mix.in_gamut && tint.get() < 0.001, "{asked} K: {tint}");
            assert!(
                (mix.distance_uv76 - mix.xy.uv76().distance(colour::xy_of(kelvin, Duv::ZERO).uv76())).abs()
                    < 1e-12
            );
            assert!(mix.drives[0] == 1.0 || mix.drives[1] == 1.0, "{mix:?}");
        }
    }

    #[test]
    fn a_bi_colour_lamp_asked_beyond_its_ends_gives_the_end() {
        let lamp = [white(6500.0, 0.0, 1100.0), white(2700.0, 0.0, 900.0)];
        let warm = most_light_white(&lamp, Kelvin::new(2000.0).unwrap(), Duv::ZERO);
        assert_eq!((warm.drives[0], warm.drives[1], warm.in_gamut), (0.0, 1.0, false));
        let cool = most_light_white(&lamp, Kelvin::new(12_000.0).unwrap(), Duv::ZERO);
        assert_eq!((cool.drives[0], cool.drives[1]), (1.0, 0.0));
    }

    #[test]
    fn a_single_emitter_gives_what_it_gives() {
        let lamp = [white(5600.0, 0.0, 800.0)];
        let mix = most_light_white(&lamp, Kelvin::new(3200.0).unwrap(), Duv::ZERO);
        assert_eq!((mix.drives[0], mix.lux_at_1m, mix.in_gamut), (1.0, 800.0, false));
        assert!(most_light_white(&lamp, Kelvin::new(5600.0).unwrap(), Duv::ZERO).in_gamut);
    }

    #[test]
    fn a_lamp_without_light_stays_dark() {
        let target = Xy { x: 0.33, y: 0.33 };
        for lamp in [vec![], vec![emitter(0.3, 0.3, 0.0)]] {
            let mix = most_light(&lamp, target);
            assert_eq!((mix.lux_at_1m, mix.in_gamut, mix.xy), (0.0, false, target));
            assert_eq!(nearest(&lamp, target), None);
        }
        assert_eq!(light_of(&[emitter(0.3, 0.3, 10.0)], &[0.0]), (0.0, None));
    }

    #[test]
    fn a_lamp_of_hue_and_saturation_reaches_its_own_edge_at_full() {
        let rgb = [emitter(0.69, 0.30, 200.0), emitter(0.20, 0.70, 500.0), emitter(0.15, 0.04, 60.0)];
        let white = colour::xy_of(Kelvin::new(6500.0).unwrap(), Duv::ZERO);
        for hue in (0..360).step_by(15).map(f64::from) {
            let edge = xy_within(&rgb, white, hue, 1.0);
            assert!(nearest(&rgb, edge).unwrap().in_gamut, "{hue}");
            let beyond = xy_within(&rgb, white, hue, 1.01);
            assert!(!nearest(&rgb, beyond).unwrap().in_gamut, "{hue}");
            let (h, share) = hue_within(&rgb, white, xy_within(&rgb, white, hue, 0.4));
            assert!((h - hue).abs() < 1e-9 && (share - 0.4).abs() < 1e-12, "{hue}: {h} {share}");
        }
    }

    #[test]
    fn watts_follow_the_drives() {
        let lamp = [emitter(0.3, 0.3, 1.0), emitter(0.4, 0.4, 1.0)];
        assert_eq!(watts_of(&lamp, &[0.5, 1.0]).get(), 15.0);
    }
}
