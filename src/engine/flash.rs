//! The flash guard in the engine: which points it watches, what light the lamps make there, and what of a
//! frame's raise may pass.
//!
//! The counting is `guards::flash`'s; here it meets the lamps and the slots. What a frame would send is put
//! to the guard slot by slot, as rounded, so nothing goes out that was not counted.

use super::Engine;
use super::lamp::Lamp;
use crate::guards::Limit;
use crate::guards::flash::{Flash, Held, PointLight};
use crate::light::solve;
use crate::plan::{FixtureId, MeterAt, Plan};
use crate::units::FrameNumber;

/// Once a raise that was held may pass it takes this long, in seconds, to where it would be. Judgement: a
/// fade then goes on as a fade, and no jump is seen.
const CATCHES_UP_S: f64 = 0.5;
/// The span in seconds that changes are counted in (WCAG 2.3.1: any one second period).
const COUNTED_S: f64 = 1.0;
/// Nothing has been held for so long, in seconds: what comes then is told as a new thing. Judgement.
const OVER_S: u64 = 2;

/// What is watched.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Spot {
    /// A meter point.
    Meter(MeterAt),
    /// What a lamp is aimed at, apart from every meter point.
    Aim(FixtureId),
}

/// A point that is watched.
#[derive(Debug, Clone, PartialEq)]
struct Watched {
    spot: Spot,
    /// Driven lamps that give light there, each with the lux there for each lux at 1 m without modifiers.
    lamps: Vec<(usize, f64)>,
}

/// Raises held one after another.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Episode {
    /// What held last, the frame in which it did, and the frame in which all will be as asked.
    pub held: Held,
    at: FrameNumber,
    pub free: FrameNumber,
    pub told: bool,
    /// The lamp that it was told of.
    pub lamp: Option<FixtureId>,
}

/// The guard with its points.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Watch {
    guard: Flash,
    points: Vec<Watched>,
    /// Light at each point: as last sent, with every fall of a frame and no raise, with all of it.
    sent: Vec<PointLight>,
    lowered: Vec<PointLight>,
    wanted: Vec<PointLight>,
    /// Frames in which what was held is still on its way to where it would be.
    behind: u64,
    pub episode: Option<Episode>,
}

impl Watch {
    /// Points of a plan, dark so far.
    pub fn new(plan: &Plan) -> Self {
        let points = points(plan);
        let guard = Flash::new(plan.frames, &vec![plan.exposure.zero_stops.get(); points.len()]);
        let dark = vec![PointLight::DARK; points.len()];
        Self {
            guard,
            points,
            sent: dark.clone(),
            lowered: dark.clone(),
            wanted: dark,
            behind: 0,
            episode: None,
        }
    }

    /// True while nothing is held, nor on its way to where it would be, nor told of.
    pub fn quiet(&self) -> bool {
        self.behind == 0 && self.episode.is_none()
    }

    /// What is watched at a point of the guard's.
    pub fn spot(&self, point: usize) -> Option<Spot> {
        self.points.get(point).map(|p| p.spot)
    }

    /// Points whose past is not known, lit as `lamps` are.
    fn after(plan: &Plan, lamps: &[Lamp]) -> Self {
        let mut watch = Self::new(plan);
        let Self { points, sent, .. } = &mut watch;
        sum(points, sent, |lamp| lamps[lamp].sent.light);
        let full = vec![plan.exposure.zero_stops.get(); watch.points.len()];
        watch.guard = Flash::after(plan.frames, &full, &watch.sent);
        watch
    }
}

/// Every meter point of the plan that any lamp reaches, and the aims of lamps that reach none.
fn points(plan: &Plan) -> Vec<Watched> {
    let lamps = |factors: &mut dyn Iterator<Item = f64>| -> Vec<(usize, f64)> {
        let driven =
            |(lamp, _): &(usize, f64)| plan.fixtures.get(*lamp).is_some_and(|f| f.address().is_some());
        factors.enumerate().filter(driven).filter(|(_, factor)| *factor > 0.0).collect()
    };
    let mut points: Vec<Watched> = Vec::new();
    for receptor in &plan.spill.receptors {
        let lamps = lamps(&mut receptor.lamps.iter().map(|sent| sent.total()));
        points.push(Watched { spot: Spot::Meter(receptor.at), lamps });
    }
    for aimed in &plan.spill.aims {
        let lamps = lamps(&mut aimed.lamps.iter().copied());
        points.push(Watched { spot: Spot::Aim(aimed.fixture), lamps });
    }
    points.retain(|point| !point.lamps.is_empty());
    for id in plan.fixture_ids().filter(|id| plan.fixture(*id).address().is_some()) {
        // A plan that was read without its light, and a lamp that shines past all of it.
        if !points.iter().any(|p| p.lamps.iter().any(|(lamp, _)| *lamp == id.0)) {
            let gain = solve::gain(plan.fixture(id));
            points.push(Watched { spot: Spot::Aim(id), lamps: vec![(id.0, gain)] });
        }
    }
    points
}

/// Adds up at every point the light that each lamp makes at 1 m.
fn sum(points: &[Watched], into: &mut [PointLight], of: impl Fn(usize) -> PointLight) {
    for (point, into) in points.iter().zip(into) {
        let each = point.lamps.iter().map(|(lamp, factor)| of(*lamp) * *factor);
        *into = each.fold(PointLight::DARK, |sum, light| sum + light);
    }
}

impl Engine {
    /// Changes of brightness in the last second at the face or wall point that had most, by the guard's own count.
    #[must_use]
    pub fn flash_changes(&self) -> usize {
        self.flash.guard.changes()
    }

    /// Lux that the last frame's lamps make at each point that is watched, as rounded to slots.
    pub fn flash_light(&self) -> impl Iterator<Item = f64> + '_ {
        self.flash.sent.iter().map(|light| light.y)
    }

    /// The light of the last run was put back, `away_s` seconds after its last frame: raises count from it.
    pub(super) fn flash_returns(&mut self, away_s: f64) {
        self.flash = Watch::after(&self.plan, &self.lamps);
        if away_s >= COUNTED_S {
            // No frame went out in the last second, so no change lies in it.
            let full = vec![self.plan.exposure.zero_stops.get(); self.flash.points.len()];
            self.flash.guard = Flash::new(self.plan.frames, &full);
            self.flash.guard.sent(&self.flash.sent);
        }
    }

    /// Another plan is in force. Points that stayed as they were keep their past; of others it is not known.
    pub(super) fn adopt_flash(&mut self, same_rate: bool) {
        let same = same_rate && points(&self.plan) == self.flash.points;
        if !same {
            let episode = self.flash.episode;
            self.flash = Watch::after(&self.plan, &self.lamps);
            self.flash.episode = episode;
        }
    }

    /// Puts frame `n`, which every lamp has offered, to the guard, and settles what is sent.
    pub(super) fn hold_flashes(&mut self, n: FrameNumber) {
        let offered = self.lamps.iter().any(Lamp::offers);
        let rises = offered && self.lamps.iter().any(Lamp::rises);
        if rises {
            self.hold_raise(n);
        }
        self.flash.behind = self.flash.behind.saturating_sub(1);
        if offered {
            for (lamp, fixture) in self.lamps.iter_mut().zip(&self.plan.fixtures) {
                lamp.send_offered(fixture);
            }
            let (lamps, flash) = (&self.lamps, &mut self.flash);
            sum(&flash.points, &mut flash.sent, |lamp| lamps[lamp].sent.light);
        }
        self.flash.guard.sent(&self.flash.sent);
    }

    /// A frame in which some lamp rises.
    fn hold_raise(&mut self, n: FrameNumber) {
        let passed = self.passes_as_offered();
        let behind = self.flash.behind;
        if passed.is_none() && behind == 0 {
            return;
        }
        let mut share = if behind > 0 { 1.0 / behind as f64 } else { 1.0 };
        if passed.is_some() {
            // By what may be sent before it is rounded, which is what a share of it is taken of.
            self.sum_unrounded();
            let unrounded = self.flash.guard.pass(&self.flash.lowered, &self.flash.wanted);
            share = share.min(unrounded.share);
        }
        if let Some(held) = self.hold_lamps(share) {
            self.note_held(passed.unwrap_or(held), n);
            // Rounding gave other colours than were asked of the guard: no emitter rises in this frame.
            self.hold_lamps(0.0);
        } else if let Some(held) = passed {
            self.note_held(held, n);
        }
    }

    /// Offers every lamp's slots anew with `share` of its raise, and what of that the guard still holds.
    fn hold_lamps(&mut self, share: f64) -> Option<Held> {
        for index in 0..self.lamps.len() {
            self.lamps[index].hold_back(&self.plan.fixtures[index], share);
        }
        self.passes_as_offered()
    }

    /// What the guard holds of the slots as they are offered; `None`: all may be sent.
    fn passes_as_offered(&mut self) -> Option<Held> {
        let (lamps, flash) = (&self.lamps, &mut self.flash);
        let fixtures = &self.plan.fixtures;
        sum(&flash.points, &mut flash.lowered, |lamp| lamps[lamp].lowered(&fixtures[lamp]));
        sum(&flash.points, &mut flash.wanted, |lamp| lamps[lamp].offered());
        flash.guard.pass(&flash.lowered, &flash.wanted).held
    }

    fn sum_unrounded(&mut self) {
        let (lamps, flash) = (&self.lamps, &mut self.flash);
        let fixtures = &self.plan.fixtures;
        sum(&flash.points, &mut flash.lowered, |lamp| lamps[lamp].unrounded(&fixtures[lamp], true));
        sum(&flash.points, &mut flash.wanted, |lamp| lamps[lamp].unrounded(&fixtures[lamp], false));
    }

    fn note_held(&mut self, held: Held, n: FrameNumber) {
        let catches_up = (CATCHES_UP_S * f64::from(self.clock().rate())).round() as u64;
        // One more for the frame that is under way.
        self.flash.behind = catches_up + 1;
        let (told, lamp) = self.flash.episode.map_or((false, None), |e| (e.told, e.lamp));
        let free = n + held.frames + catches_up;
        self.flash.episode = Some(Episode { held, at: n, free, told, lamp });
    }

    /// True if a lamp is held, or on its way to where it would be.
    pub(super) fn flash_holds(&self, id: FixtureId) -> bool {
        self.lamps[id.0].sent.limits.has(Limit::Flash)
    }

    /// True once nothing has been held for a while.
    pub(super) fn flash_is_over(&self, n: FrameNumber) -> bool {
        let frames = OVER_S * u64::from(self.clock().rate());
        self.flash.behind == 0 && self.flash.episode.is_some_and(|e| n >= e.at + frames)
    }
}
