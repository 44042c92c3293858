//! A colour put to a lamp: where its emitters can meet it, and the mixes that do.

use super::cheapest::cheapest;
use super::least_squares::{self, Column};
use super::{IN_GAMUT, Mix, gamut_of, light_of, lit, on_line, program};
use crate::light::colour;
use crate::light::hull::Hull;
use crate::plan::{Emitter, MAX_EMITTERS};
use crate::units::{Duv, Kelvin, Uv76, Xy};

/// Nearer than this in u'v', a target counts as on the gamut's outline, and an emitter as of the
/// target's own colour: what is left would be rounding, and pulls of that size spoil the solution.
const SAME: f64 = 1e-10;

/// A reachable chromaticity to solve for.
pub(super) struct Aim {
    pub at: Uv76,
    /// The same; bit for bit what was asked when that is in gamut.
    pub xy: Xy,
    /// On the outline of the gamut: the edge it lies on, the only emitters that can take part.
    edge: Option<(Uv76, Uv76)>,
    pub distance_uv76: f64,
}

/// The aim nearest to a chromaticity; `None` without emitters or for what is no chromaticity.
pub(super) fn nearest(gamut: &Hull<MAX_EMITTERS>, target: Xy) -> Option<Aim> {
    let asked = target.uv76();
    if !(asked.u.is_finite() && asked.v.is_finite()) {
        return None;
    }
    let nearest = gamut.nearest(asked)?;
    if nearest.distance < -SAME {
        return Some(Aim { at: asked, xy: target, edge: None, distance_uv76: 0.0 });
    }
    let distance_uv76 = nearest.distance.abs();
    Some(Aim { at: nearest.at, xy: nearest.at.xy(), edge: Some(nearest.edge), distance_uv76 })
}

/// A colour put to a lamp's emitters: all mixes that give the chromaticity nearest to it.
///
/// Mixes here are at a *level*: the share, 0 to 1, of the lamp's most light at that chromaticity. They
/// are given as drives over level, so that the drives themselves are mix times level, and a mix has a
/// meaning at level 0 too: the one that small levels tend to.
pub struct Aimed<'e> {
    emitters: &'e [Emitter],
    aim: Aim,
    asked: Xy,
    problem: program::Problem,
    /// The emitter in each place of the problem.
    index: [usize; MAX_EMITTERS],
}

impl<'e> Aimed<'e> {
    /// A chromaticity, as [`super::most_light`] takes it; `None` without any light or for what is no
    /// chromaticity.
    #[must_use]
    pub fn at_xy(emitters: &'e [Emitter], target: Xy) -> Option<Self> {
        let aim = nearest(&gamut_of(emitters), target)?;
        Some(Self::new(emitters, aim, target))
    }

    /// A white, as [`super::most_light_white`] takes it; `None` without any light.
    #[must_use]
    pub fn at_white(emitters: &'e [Emitter], kelvin: Kelvin, duv: Duv) -> Option<Self> {
        let target = colour::xy_of(kelvin, duv);
        if let [first, second] = emitters
            && first.lux_at_1m > 0.0
            && second.lux_at_1m > 0.0
            && let (way, counts) = on_line(first.xy, second.xy, kelvin)
            && counts > 0.0
            && let Some(near) = nearest(&gamut_of(emitters), target)
        {
            let (a, b) = (first.xy.uv76(), second.xy.uv76());
            let at = near.at.towards(a.towards(b, way), counts);
            let distance_uv76 = at.distance(target.uv76());
            let aim = Aim { at, xy: at.xy(), edge: Some((a, b)), distance_uv76 };
            return Some(Self::new(emitters, aim, target));
        }
        Self::at_xy(emitters, target)
    }

    fn new(emitters: &'e [Emitter], aim: Aim, asked: Xy) -> Self {
        let mut problem = program::Problem::default();
        let mut index = [0; MAX_EMITTERS];
        for (i, emitter) in lit(emitters) {
            let uv = emitter.xy.uv76();
            let weight = 9.0 * emitter.lux_at_1m / uv.v;
            let (mut du, mut dv) = (uv.u - aim.at.u, uv.v - aim.at.v);
            if let Some((a, b)) = aim.edge {
                let (eu, ev) = (b.u - a.u, b.v - a.v);
                let length = eu.hypot(ev);
                let (along, off) = if length > 0.0 {
                    ((du * eu + dv * ev) / length, (dv * eu - du * ev) / length)
                } else {
                    (0.0, du.hypot(dv))
                };
                if off.abs() > SAME {
                    continue;
                }
                // On the edge the problem has one dimension; rounding must not give it a second.
                (du, dv) = (along, 0.0);
            }
            if du.hypot(dv) <= SAME {
                (du, dv) = (0.0, 0.0);
            }
            index[problem.add(emitter.lux_at_1m, weight * du, weight * dv)] = i;
        }
        Self { emitters, aim, asked, problem, index }
    }

    /// The chromaticity that all these mixes give.
    #[must_use]
    pub fn xy(&self) -> Xy {
        self.aim.xy
    }

    /// The mix of most light, which is full level.
    #[must_use]
    pub fn most_light(&self) -> Mix {
        let drives = self.spread(&self.problem.most_light());
        let (lux_at_1m, xy) = light_of(self.emitters, &drives);
        let Some(given) = xy else { return Mix::dark(self.asked) };
        let distance_uv76 =
            if self.aim.distance_uv76 == 0.0 { 0.0 } else { given.uv76().distance(self.asked.uv76()) };
        Mix { drives, lux_at_1m, xy: given, in_gamut: distance_uv76 <= IN_GAMUT, distance_uv76 }
    }

    /// The mix of least electrical power at a level; where several draw the same, the one with the least
    /// sum of squared drives. Above level 1 that of level 1. `full_lux_at_1m`: of [`Self::most_light`].
    ///
    /// Exact (a linear program, see `cheapest`). Over light and colour the drives move without jumps.
    #[must_use]
    pub fn least_watts(&self, full_lux_at_1m: f64, level: f64) -> [f64; MAX_EMITTERS] {
        let (rows, most) = (self.columns(full_lux_at_1m), self.most(full_lux_at_1m, level));
        let n = self.problem.len();
        // In shares of the greatest, so that nothing depends on the unit.
        let watt = |place: usize| self.emitters[self.index[place]].watts.get();
        let greatest = (0..n).map(watt).fold(f64::MIN_POSITIVE, f64::max);
        let watts: [f64; MAX_EMITTERS] =
            std::array::from_fn(|place| if place < n { watt(place) / greatest } else { 0.0 });
        self.spread(&cheapest(&rows[..n], WHOLE, &watts[..n], &most[..n]))
    }

    /// The mix at a level that is nearest, in least squares, to `towards` (a mix at that level, in the
    /// emitters' order). Above level 1 at level 1. `full_lux_at_1m`: of [`Self::most_light`].
    ///
    /// Exact (a quadratic program, see `least_squares`): where `towards` gives that light and colour it
    /// is the answer itself, and the answer moves without jumps when `towards`, light and colour do.
    #[must_use]
    pub fn nearest_mix(
        &self,
        full_lux_at_1m: f64,
        level: f64,
        towards: &[f64; MAX_EMITTERS],
    ) -> [f64; MAX_EMITTERS] {
        let (rows, most) = (self.columns(full_lux_at_1m), self.most(full_lux_at_1m, level));
        let n = self.problem.len();
        let towards = self.gather(towards);
        self.spread(&least_squares::nearest(&rows[..n], WHOLE, &towards[..n], &most[..n]))
    }

    /// What each place adds at full drive, as shares of the full light; pulls in u'v' times that.
    pub(super) fn columns(&self, full_lux_at_1m: f64) -> [Column; MAX_EMITTERS] {
        std::array::from_fn(|place| {
            let (light, [u, v]) = self.problem.member(place);
            [light / full_lux_at_1m, u / full_lux_at_1m, v / full_lux_at_1m]
        })
    }

    /// The most that each place of a mix may be: a full drive at that level. Twice the whole light's worth is
    /// never reached, and stands for no bound.
    pub(super) fn most(&self, full_lux_at_1m: f64, level: f64) -> [f64; MAX_EMITTERS] {
        std::array::from_fn(|place| {
            let (light, _) = self.problem.member(place);
            if light > 0.0 { (1.0 / level.clamp(0.0, 1.0)).min(2.0 * full_lux_at_1m / light) } else { 0.0 }
        })
    }

    /// How many emitters can take part.
    pub(super) fn len(&self) -> usize {
        self.problem.len()
    }

    /// Values of the places in the emitters' order.
    pub(super) fn spread(&self, places: &[f64; MAX_EMITTERS]) -> [f64; MAX_EMITTERS] {
        let mut drives = [0.0; MAX_EMITTERS];
        for place in 0..self.problem.len() {
            drives[self.index[place]] = places[place];
        }
        drives
    }

    /// Values in the emitters' order by place; those that cannot take part are left out.
    pub(super) fn gather(&self, drives: &[f64; MAX_EMITTERS]) -> [f64; MAX_EMITTERS] {
        std::array::from_fn(|place| if place < self.len() { drives[self.index[place]] } else { 0.0 })
    }
}

/// All of the full light and no pull away from the colour.
pub(super) const WHOLE: Column = [1.0, 0.0, 0.0];
