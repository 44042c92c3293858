//! Trims: what a lamp is asked for beyond its target, because a meter says so.
//!
//! A *look trim* is a kept nudge: it changes the target of one lamp in one look. A *lamp trim* says that a body does not
//! give what its figures say: the figures are changed by as much the other way, so that the same target takes more (or
//! less) of the lamp in every look, and every sum that rests on figures stays right. Each is applied in one place:
//! [`Trim::to_demand`] where a look becomes demands, [`Trim::to_figures`] where a plan is put in force.

use std::fmt;

use serde::{Deserialize, Serialize};

use super::{Colour, Demand, colour};
use crate::plan::Emitter;
use crate::units::{Duv, Kelvin, Xy};

/// Greatest trim in stops, either way. Judgement: a lamp that is farther off stands in the wrong place or mode.
pub const MOST_STOPS: f64 = 4.0;
/// Greatest trim in mired, either way. Judgement: farther off it is another lamp or has a gel on.
pub const MOST_MIRED: f64 = 150.0;
/// Greatest trim in Duv, either way. Judgement, as above.
pub const MOST_DUV: f64 = 0.03;

/// How much is added to what is asked of a lamp.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Trim {
    /// Light in stops; positive is brighter.
    pub stops: f64,
    /// Colour temperature in mired; positive is warmer.
    pub mired: f64,
    /// Tint in Duv; positive is greener.
    pub duv: f64,
}

impl Trim {
    /// None at all.
    pub const NONE: Self = Self { stops: 0.0, mired: 0.0, duv: 0.0 };

    /// A trim of light alone.
    #[must_use]
    pub const fn of_stops(stops: f64) -> Self {
        Self { stops, mired: 0.0, duv: 0.0 }
    }

    /// True if it changes nothing.
    #[must_use]
    pub fn is_none(&self) -> bool {
        *self == Self::NONE
    }

    /// True if it changes a colour.
    #[must_use]
    pub fn colours(&self) -> bool {
        self.mired != 0.0 || self.duv != 0.0
    }

    /// True if every figure lies within what a trim may be.
    #[must_use]
    pub fn possible(&self) -> bool {
        let within = |value: f64, most: f64| (-most..=most).contains(&value);
        within(self.stops, MOST_STOPS) && within(self.mired, MOST_MIRED) && within(self.duv, MOST_DUV)
    }

    /// Both together. What is nearer to nothing than rounding is nothing.
    #[must_use]
    pub fn plus(&self, other: &Self) -> Self {
        let sum = |a: f64, b: f64, least: f64| if (a + b).abs() < least { 0.0 } else { a + b };
        Self {
            stops: sum(self.stops, other.stops, 1e-9),
            mired: sum(self.mired, other.mired, 1e-7),
            duv: sum(self.duv, other.duv, 1e-10),
        }
    }

    /// The same the other way.
    #[must_use]
    pub fn back(&self) -> Self {
        Self { stops: -self.stops, mired: -self.mired, duv: -self.duv }
    }

    /// A demand with this trim on. A colour that is no white keeps its colour.
    #[must_use]
    pub fn to_demand(&self, demand: Demand) -> Demand {
        let colour = if self.colours() { self.colour_with(demand.colour) } else { demand.colour };
        Demand { lux: demand.lux * self.stops.exp2(), colour }
    }

    fn colour_with(&self, before: Colour) -> Colour {
        let white = match before {
            Colour::White { mired, duv } => Some((mired, duv)),
            Colour::Uv(uv) => colour::kelvin_of(uv.xy()).map(|(k, d)| (k.mired().get(), d.get())),
        };
        let Some((mired, duv)) = white else { return before };
        let kelvin = Kelvin::clamped(1e6 / (mired + self.mired).max(1.0));
        Colour::white(kelvin, Duv::clamped(duv + self.duv))
    }

    /// A body's figures with this lamp trim on: a trim of +0.3 stop says that it gives 0.3 less than its figures.
    ///
    /// Colours are shifted as a gel shifts them, all emitters by one gain each of three receptors, so that what they
    /// mix is shifted like the white that was read: exact at `white` (kelvin, Duv 0), elsewhere nearly so. Spectra and
    /// power stay. Source: the cone space is that of the linear Bradford transform (ICC.1:2022, annex E).
    #[must_use]
    pub fn to_figures(&self, emitters: &[Emitter], white: Kelvin) -> Vec<Emitter> {
        let share = (-self.stops).exp2();
        let gains = if self.colours() { self.gains(white) } else { None };
        let trimmed = |emitter: &Emitter| {
            let (y, xy) = gains.and_then(|g| shifted(emitter.xy, g)).unwrap_or((1.0, emitter.xy));
            Emitter { xy, lux_at_1m: emitter.lux_at_1m * y * share, ..emitter.clone() }
        };
        emitters.iter().map(trimmed).collect()
    }

    /// What the body's colour is off, as a gain of each receptor; `None` where no such white is real.
    fn gains(&self, white: Kelvin) -> Option<[f64; 3]> {
        let from = colour::xy_of(white, Duv::ZERO);
        let mired = (white.mired().get() - self.mired).max(1.0);
        let to = colour::xy_of(Kelvin::clamped(1e6 / mired), Duv::clamped(-self.duv));
        if !colour::is_real(to) {
            return None;
        }
        let (from, to) = (times(&CONES, xyz(from)), times(&CONES, xyz(to)));
        Some([0, 1, 2].map(|i| to[i] / from[i]))
    }
}

/// Linear Bradford, CIE XYZ to cones. Source: ICC.1:2022, annex E.
const CONES: [[f64; 3]; 3] =
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]];

/// The way back, worked out from [`CONES`] by hand to ten digits; a test multiplies the two.
const BACK: [[f64; 3]; 3] = [
    [0.986_992_905_5, -0.147_054_256_4, 0.159_962_651_7],
    [0.432_305_269_7, 0.518_360_271_5, 0.049_291_228_2],
    [-0.008_528_664_6, 0.040_042_821_7, 0.968_486_695_8],
];

fn times(matrix: &[[f64; 3]; 3], v: [f64; 3]) -> [f64; 3] {
    matrix.map(|row| row[0] * v[0] + row[1] * v[1] + row[2] * v[2])
}

fn xyz(xy: Xy) -> [f64; 3] {
    [xy.x / xy.y, 1.0, (1.0 - xy.x - xy.y) / xy.y]
}

/// Light for each unit of it, and chromaticity, behind such gains; `None` where no light has them.
fn shifted(xy: Xy, gains: [f64; 3]) -> Option<(f64, Xy)> {
    let cones = times(&CONES, xyz(xy));
    let [x, y, z] = times(&BACK, [0, 1, 2].map(|i| cones[i] * gains[i]));
    let sum = x + y + z;
    let there = Xy { x: x / sum, y: y / sum };
    (y > 0.0 && colour::is_real(there)).then_some((y, there))
}

impl fmt::Display for Trim {
    /// `+0.36 stop, -4.0 mired, +0.0012 Duv`; what is nothing is left out.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut parts = Vec::new();
        if self.stops.abs() >= 0.005 {
            parts.push(format!("{:+.2} stop", self.stops));
        }
        if self.mired.abs() >= 0.05 {
            parts.push(format!("{:+.1} mired", self.mired));
        }
        if self.duv.abs() >= 0.000_05 {
            parts.push(format!("{:+.4} Duv", self.duv));
        }
        if parts.is_empty() {
            parts.push("none".to_owned());
        }
        f.write_str(&parts.join(", "))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::light::mix;
    use crate::units::Watts;
    use proptest::prelude::*;

    fn emitter(xy: Xy, lux_at_1m: f64) -> Emitter {
        Emitter { name: "e".to_owned(), xy, lux_at_1m, watts: Watts::clamped(50.0), spectrum: None }
    }

    fn white(kelvin: f64) -> Xy {
        colour::xy_of(Kelvin::clamped(kelvin), Duv::ZERO)
    }

    #[test]
    fn the_way_back_from_cones_is_the_inverse() {
        for (i, row) in BACK.iter().enumerate() {
            for (j, _) in CONES.iter().enumerate() {
                let sum: f64 = row.iter().zip(&CONES).map(|(part, cone)| part * cone[j]).sum();
                assert!((sum - f64::from(u8::from(i == j))).abs() < 1e-6, "{i} {j} {sum}");
            }
        }
    }

    /// Source: arithmetic: 2^0.3 = 1.2311.
    #[test]
    fn a_lamp_that_gives_less_has_lower_figures_and_a_look_trim_asks_more() {
        let emitters = [emitter(white(5600.0), 1000.0)];
        let trimmed = Trim::of_stops(0.3).to_figures(&emitters, Kelvin::clamped(5600.0));
        assert!((trimmed[0].lux_at_1m - 1000.0 / 1.231_144).abs() < 1e-3);
        assert_eq!(trimmed[0].xy, emitters[0].xy);
        let asked = Demand { lux: 100.0, colour: Colour::White { mired: 200.0, duv: 0.0 } };
        let more = Trim { stops: 0.3, mired: 10.0, duv: 0.002 }.to_demand(asked);
        assert!((more.lux - 123.1144).abs() < 1e-3);
        assert!(
            matches!(more.colour, Colour::White { mired, duv } if (mired - 210.0).abs() < 1e-9 && duv == 0.002)
        );
    }

    #[test]
    fn a_trim_is_told_without_what_is_nothing() {
        let said = |stops, mired, duv| Trim { stops, mired, duv }.to_string();
        assert_eq!(said(0.356, -4.0, 0.0), "+0.36 stop, -4.0 mired");
        assert_eq!(said(0.0, 0.0, -0.0012), "-0.0012 Duv");
        assert_eq!(said(0.001, 0.0, 0.0), "none");
    }

    proptest! {
        /// Source: what the trim means: a white that reads m mired warmer than its figures has a trim of -m; the shift
        /// is exact at the stated white, and a gel's shift in mired is nearly one number for all whites (Wien's law).
        /// Tolerance: elsewhere an eighth of the shift in mired, and 2 mired for each 0.001 of one in Duv, which far off is
        /// no longer square to the locus (both reckoned apart, with Krystek's formula for the locus).
        #[test]
        fn figures_are_shifted_by_the_mired_and_duv_of_the_trim(
            mired in -40.0..40.0_f64, duv in -0.004..0.004_f64, share in 0.0..1.0_f64,
        ) {
            let trim = Trim { stops: 0.0, mired, duv };
            let emitters = [emitter(white(3000.0), 800.0), emitter(white(6500.0), 900.0)];
            let seen = |emitters: &[Emitter], kelvin: f64| {
                let aimed = mix::Aimed::at_white(emitters, Kelvin::clamped(kelvin), Duv::ZERO).unwrap();
                aimed.most_light().drives
            };
            let drives = seen(&emitters, 3000.0 + 3400.0 * share);
            let plain = mix::light_of(&emitters, &drives).1.and_then(colour::kelvin_of).unwrap();
            let trimmed = trim.to_figures(&emitters, Kelvin::clamped(4500.0));
            let there = mix::light_of(&trimmed, &drives).1.and_then(colour::kelvin_of).unwrap();
            let by = 1e6 / there.0.get() - 1e6 / plain.0.get();
            prop_assert!((by + mired).abs() < 0.13 * mired.abs() + 2000.0 * duv.abs() + 0.2, "{by} {mired} {duv}");
            let at = trim.to_figures(&[emitter(white(4500.0), 500.0)], Kelvin::clamped(4500.0))[0].xy;
            let (k, d) = colour::kelvin_of(at).unwrap();
            prop_assert!((1e6 / k.get() - 1e6 / 4500.0 + mired).abs() < 1e-3, "{}", k);
            prop_assert!((d.get() + duv).abs() < 1e-6, "{}", d);
            prop_assert!((there.1.get() - plain.1.get() + duv).abs() < 0.5 * duv.abs() + 5e-5 * mired.abs() + 2e-4);
        }
    }
}
