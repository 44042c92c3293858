//! Lamps that prefer `rendering`: the shapes of their best mixes, found once and kept.
//!
//! A search takes milliseconds, so it never happens on a fade's way: it is made at its ends, one at a time,
//! by whoever has the time. Between the ends a lamp takes the mix nearest to the blend of their shapes
//! (see [`super::solve::reach_shaped`]).

use std::collections::HashMap;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::{Colour, Demand, colour, solve};
use crate::light::spectrum::{Palette, Spectrum};
use crate::plan::{Emitter, Fixture, FixtureId, MAX_EMITTERS, Plan, Prefer};

/// Most shapes kept; then all are forgotten, because more than a plan's looks and a day's nudges is a
/// sweep through colours that will not come back. Judgement.
const MOST_KEPT: usize = 8192;

/// A mix apart from its level: each emitter's drive for every lux at 1 m that the lamp gives.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Shape([f64; MAX_EMITTERS]);

impl Shape {
    /// Of drives that give `lux_at_1m`; no light, no shape: all zero.
    #[must_use]
    pub fn of(drives: &[f64; MAX_EMITTERS], lux_at_1m: f64) -> Self {
        if lux_at_1m > 0.0 { Self(drives.map(|drive| drive / lux_at_1m)) } else { Self::default() }
    }

    /// The drives that it means at a light.
    #[must_use]
    pub fn at(&self, lux_at_1m: f64) -> [f64; MAX_EMITTERS] {
        self.0.map(|part| part * lux_at_1m)
    }

    /// True if the two are one but for rounding.
    #[must_use]
    pub fn near(&self, other: &Self) -> bool {
        let greatest = self.0.iter().chain(&other.0).fold(0.0_f64, |most, part| most.max(*part));
        self.0.iter().zip(&other.0).all(|(a, b)| (a - b).abs() <= 1e-9 * greatest)
    }

    /// The shape `progress` (0 to 1) of the way to another.
    #[must_use]
    pub fn towards(&self, other: &Self, progress: f64) -> Self {
        let p = progress.clamp(0.0, 1.0);
        if p >= 1.0 {
            return *other;
        }
        Self(std::array::from_fn(|i| self.0[i] + (other.0[i] - self.0[i]) * p))
    }
}

/// What is searched for: which emitters, which colour, and the level as far as it limits the mix.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
struct Question {
    palette: usize,
    white: bool,
    colour: [u64; 2],
    level: u64,
}

/// Best shapes of a plan's lamps, as far as they have been searched for.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Renderings {
    /// By fixture: which palette; `None` for lamps that prefer something else.
    of_fixture: Vec<Option<usize>>,
    /// Emitters of each palette, with what Rf needs of them once a search has asked for it.
    palettes: Vec<(Vec<Emitter>, Option<Arc<Palette>>)>,
    known: HashMap<Question, Shape>,
    /// How many of the plan's targets have been looked at ahead of time.
    ahead: usize,
    /// True once that was all of them.
    all_ahead: bool,
}

impl Renderings {
    /// Nothing searched for yet. Lamps with equal emitters share what is found.
    #[must_use]
    pub fn new(plan: &Plan) -> Self {
        let mut palettes: Vec<(Vec<Emitter>, Option<Arc<Palette>>)> = Vec::new();
        let mut of = |fixture: &Fixture| {
            if fixture.prefer != Prefer::Rendering {
                return None;
            }
            let known = palettes.iter().position(|p| p.0 == fixture.emitters);
            Some(known.unwrap_or_else(|| {
                palettes.push((fixture.emitters.clone(), None));
                palettes.len() - 1
            }))
        };
        let of_fixture = plan.fixtures.iter().map(&mut of).collect();
        Self { of_fixture, palettes, known: HashMap::new(), ahead: 0, all_ahead: false }
    }

    /// The shape for a fixture's demand if it has been found; `None` too for lamps that prefer another mix.
    #[must_use]
    pub fn known(&self, fixture: &Fixture, id: FixtureId, demand: &Demand) -> Option<Shape> {
        self.look_up(fixture, id, demand).ok()
    }

    /// The shape for a fixture's demand, searched for if need be: up to two searches, each some
    /// milliseconds. `None` for lamps that prefer another mix.
    pub fn shape(&mut self, fixture: &Fixture, id: FixtureId, demand: &Demand) -> Option<Shape> {
        loop {
            match self.look_up(fixture, id, demand) {
                Ok(shape) => return Some(shape),
                Err(None) => return None,
                Err(Some(question)) => self.search(fixture, question, demand),
            }
        }
    }

    /// Makes one search towards the shape for a fixture's demand; true once it is known or none is needed.
    pub fn search_once(&mut self, fixture: &Fixture, id: FixtureId, demand: &Demand) -> bool {
        if let Err(Some(question)) = self.look_up(fixture, id, demand) {
            self.search(fixture, question, demand);
            return matches!(self.look_up(fixture, id, demand), Ok(_) | Err(None));
        }
        true
    }

    /// Makes at most one search for the plan's own looks, so that recalling them finds it done.
    pub fn search_ahead(&mut self, plan: &Plan) {
        /// Looking up costs next to nothing, but not nothing.
        const MOST_LOOKED_UP: usize = 64;
        if self.palettes.is_empty() || self.all_ahead {
            return;
        }
        let mut targets = plan.looks.iter().flat_map(|look| look.targets.iter().map(move |t| (look, t)));
        let Some(first) = targets.nth(self.ahead) else {
            self.all_ahead = true;
            return;
        };
        for (look, target) in std::iter::once(first).chain(targets).take(MOST_LOOKED_UP) {
            let fixture = plan.fixture(target.fixture);
            let demand = solve::demand(plan, look, target.fixture).base;
            if let Err(Some(question)) = self.look_up(fixture, target.fixture, &demand) {
                self.search(fixture, question, &demand);
                return;
            }
            self.ahead += 1;
        }
    }

    /// The shape, or what must be searched for first.
    fn look_up(&self, fixture: &Fixture, id: FixtureId, demand: &Demand) -> Result<Shape, Option<Question>> {
        let Some(palette) = self.of_fixture.get(id.0).copied().flatten() else { return Err(None) };
        let (white, colour) = match demand.colour {
            Colour::White { mired, duv } => (true, [mired.to_bits(), duv.to_bits()]),
            Colour::Uv(uv) => (false, [uv.u.to_bits(), uv.v.to_bits()]),
        };
        // At small levels no emitter is at its most, and the shape is one and the same.
        let small = Question { palette, white, colour, level: 0 };
        let Some(shape) = self.known.get(&small) else { return Err(Some(small)) };
        let (full_lux_at_1m, level) = solve::full_and_level(fixture, demand);
        if shape.at(full_lux_at_1m * level).iter().all(|drive| *drive <= 1.0) {
            return Ok(*shape);
        }
        let exact = Question { level: level.to_bits(), ..small };
        self.known.get(&exact).copied().ok_or(Some(exact))
    }

    fn search(&mut self, fixture: &Fixture, question: Question, demand: &Demand) {
        if self.known.len() >= MOST_KEPT {
            self.known.clear();
        }
        let palette = self.palette(question.palette);
        let level = f64::from_bits(question.level);
        let shape = best(fixture, palette.as_deref(), demand.colour, level);
        self.known.insert(question, shape);
    }

    fn palette(&mut self, index: usize) -> Option<Arc<Palette>> {
        let (emitters, palette) = &mut self.palettes[index];
        if palette.is_none() {
            *palette = spectra(emitters).map(|spectra| Arc::new(Palette::of(&spectra)));
        }
        palette.clone()
    }
}

/// The emitters' spectra with their light at full; `None` if one has none.
#[must_use]
pub fn spectra(emitters: &[Emitter]) -> Option<Vec<(Spectrum, f64)>> {
    let of = |emitter: &Emitter| {
        let spectrum = emitter.spectrum.as_ref()?;
        let spectrum = Spectrum::new(&spectrum.wavelength_nm, &spectrum.power).ok()?;
        Some((spectrum, emitter.lux_at_1m))
    };
    emitters.iter().map(of).collect()
}

/// The shape of best Rf at a colour and a level; where Rf has no meaning, that of most light.
fn best(fixture: &Fixture, palette: Option<&Palette>, asked: Colour, level: f64) -> Shape {
    let Some(aimed) = solve::aimed(&fixture.emitters, asked) else { return Shape::default() };
    let full = aimed.most_light();
    let white = colour::kelvin_of(aimed.xy());
    let mix = match (palette, white) {
        (Some(palette), Some((kelvin, _))) => {
            aimed.best_rendering(full.lux_at_1m, level, &palette.judge(kelvin))
        }
        _ => full.drives,
    };
    Shape::of(&mix, full.lux_at_1m)
}
