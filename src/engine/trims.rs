//! Lamp trims and look trims: which are in force, what put them there, and the way back.
//!
//! A lamp trim changes a body's figures in the plan in force, so it is in every sum from then on and in no second one. A
//! look trim changes the look's targets as the look is recalled ([`Engine::look_as_it_stands`]). Neither touches the
//! plan's files.

use std::sync::Arc;

use super::Engine;
use super::state::Scene;
use super::trims_kept::{KeptGroup, KeptTrim, KeptTrims, MOST, MOST_GROUPS, TrimOf, TrimsBy};
use crate::channels;
use crate::control::{Failure, FailureKind};
use crate::journal::{TrimRecord, TrimWho, TrimWhy, What};
use crate::light::{Moving, Renderings, Trim, mix};
use crate::meter::Lapsed;
use crate::plan::{Emitter, Fixture, FixtureId, Plan, Prefer};
use crate::units::FrameNumber;

/// Fade of a trim, in seconds: as long as a nudge and a bit, seen as a change and no jump.
const TRIM_FADE_S: f64 = 0.5;

/// All trims, and the figures of the plan without them.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Trims {
    pub kept: KeptTrims,
    /// Every fixture's emitters as the plan has them.
    figures: Vec<Vec<Emitter>>,
}

impl Trims {
    /// Those that were kept, put on a plan.
    pub fn on(kept: KeptTrims, plan: &mut Arc<Plan>) -> Self {
        let mut trims = Self { kept, figures: Vec::new() };
        trims.put_on(plan);
        trims
    }

    /// Puts lamp trims on a plan that has none.
    pub fn put_on(&mut self, plan: &mut Arc<Plan>) {
        self.figures = plan.fixtures.iter().map(|f| f.emitters.clone()).collect();
        for index in 0..plan.fixtures.len() {
            let trim = self.of_lamp(&plan.fixtures[index]);
            if !trim.is_none() {
                let emitters = self.figures_of(plan, FixtureId(index));
                Arc::make_mut(plan).fixtures[index].emitters = emitters;
            }
        }
    }

    /// A fixture's emitters with its lamp trim.
    fn figures_of(&self, plan: &Plan, id: FixtureId) -> Vec<Emitter> {
        let trim = self.of_lamp(plan.fixture(id));
        trim.to_figures(&self.figures[id.0], plan.exposure.white_balance)
    }

    fn get(&self, matches: impl Fn(&TrimOf) -> bool) -> Trim {
        self.kept.trims.iter().find(|t| matches(&t.of)).map_or(Trim::NONE, |t| t.trim)
    }

    /// The trim of the body that does this job.
    pub fn of_lamp(&self, fixture: &Fixture) -> Trim {
        self.get(|of| {
            matches!(of, TrimOf::Lamp { lamp, fixture: id } if lamp == fixture.lamp_name() && *id == fixture.id)
        })
    }

    /// The trim of a fixture in a look.
    pub fn of_look(&self, look: &str, fixture: &str) -> Trim {
        self.get(|of| matches!(of, TrimOf::Look { look: l, fixture: f } if l == look && f == fixture))
    }

    /// True if a look has any.
    pub fn in_look(&self, look: &str) -> bool {
        self.kept.trims.iter().any(|t| matches!(&t.of, TrimOf::Look { look: l, .. } if l == look))
    }

    /// A look's trims are in its own targets now.
    pub fn forget_look(&mut self, name: &str) {
        let of = |t: &KeptTrim| matches!(&t.of, TrimOf::Look { look, .. } if look == name);
        self.kept.trims.retain(|t| !of(t));
        for group in &mut self.kept.groups {
            group.changes.retain(|c| !of(c));
        }
        self.kept.groups.retain(|g| !g.changes.is_empty());
    }

    /// Adds a change; gives the trim before and after.
    fn add(&mut self, change: &KeptTrim) -> (Trim, Trim) {
        let at = self.kept.trims.iter().position(|t| t.of == change.of);
        let old = at.map_or(Trim::NONE, |at| self.kept.trims[at].trim);
        let new = old.plus(&change.trim);
        match at {
            Some(at) if new.is_none() => {
                self.kept.trims.remove(at);
            }
            Some(at) => self.kept.trims[at].trim = new,
            None if new.is_none() => {}
            None => self.kept.trims.push(KeptTrim { of: change.of.clone(), trim: new }),
        }
        (old, new)
    }
}

/// A trim that was set: what is recorded of it.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct TrimSet {
    pub of: TrimOf,
    pub old: Trim,
    pub new: Trim,
    pub group: u64,
}

impl TrimSet {
    fn record(&self, why: TrimWhy) -> TrimRecord {
        let who = match &self.of {
            TrimOf::Lamp { lamp, .. } => TrimWho::Lamp(lamp.clone()),
            TrimOf::Look { look, fixture } => TrimWho::Look { look: look.clone(), fixture: fixture.clone() },
        };
        TrimRecord { who, old: self.old, new: self.new, why, group: self.group }
    }
}

impl Engine {
    /// Adds changes to trims as one group, and leads what is lit there. Gives what was set.
    ///
    /// Errors: a circuit would be overloaded, a trim would leave what a trim may be, or there are too many.
    pub(super) fn add_trims(
        &mut self,
        by: TrimsBy,
        changes: Vec<KeptTrim>,
        at: FrameNumber,
    ) -> Result<Vec<TrimSet>, Failure> {
        let id = self.trims.kept.last_group + 1;
        let why = match by {
            TrimsBy::Meter => TrimWhy::Meter,
            TrimsBy::Match => TrimWhy::Match,
        };
        let set = self.put_trims(id, &changes, why, at)?;
        let kept = &mut self.trims.kept;
        kept.last_group = id;
        kept.groups.push(KeptGroup { id, by, changes });
        if kept.groups.len() > MOST_GROUPS {
            kept.groups.remove(0);
        }
        Ok(set)
    }

    /// Takes the last group of `by` back. Gives what was set, none where nothing was left to take back.
    ///
    /// Errors: as for [`Self::add_trims`].
    pub(super) fn take_trims_back(&mut self, by: TrimsBy, at: FrameNumber) -> Result<Vec<TrimSet>, Failure> {
        let Some(index) = self.trims.kept.groups.iter().rposition(|g| g.by == by) else {
            return Ok(Vec::new());
        };
        let group = self.trims.kept.groups[index].clone();
        let back = |c: &KeptTrim| KeptTrim { trim: c.trim.back(), ..c.clone() };
        let changes: Vec<_> = group.changes.iter().rev().map(back).collect();
        let set = self.put_trims(group.id, &changes, TrimWhy::Undo, at)?;
        self.trims.kept.groups.remove(index);
        Ok(set)
    }

    fn put_trims(
        &mut self,
        group: u64,
        changes: &[KeptTrim],
        why: TrimWhy,
        at: FrameNumber,
    ) -> Result<Vec<TrimSet>, Failure> {
        let before = self.trims.clone();
        let mut set = Vec::new();
        for change in changes {
            let (old, new) = self.trims.add(change);
            set.push(TrimSet { of: change.of.clone(), old, new, group });
        }
        let fault = if self.trims.kept.trims.len() > MOST {
            Some("there are too many trims".to_owned())
        } else {
            set.iter()
                .find(|s| !s.new.possible())
                .map(|s| format!("a trim of {} is more than a trim may be", s.new))
        };
        if let Some(said) = fault {
            self.trims = before;
            let hint = "look for the cause: the lamp's place, its mode, a gel";
            return Err(Failure { kind: FailureKind::BadField, said, hint: Some(hint.to_owned()) });
        }
        if let Err(failure) = self.lead_to_trims(&before, at) {
            self.trims = before;
            return Err(failure);
        }
        self.keeps.at_once = true;
        // A lamp's figures are those of its trim.
        self.learn_figures();
        for set in &set {
            self.record(What::Trims(set.record(why)));
        }
        Ok(set)
    }

    /// Leads every lamp from the trims of before to those in force.
    fn lead_to_trims(&mut self, before: &Trims, at: FrameNumber) -> Result<(), Failure> {
        let (old_plan, ids) = (Arc::clone(&self.plan), self.plan.fixture_ids());
        let changed: Vec<FixtureId> = ids
            .filter(|id| before.of_lamp(old_plan.fixture(*id)) != self.trims.of_lamp(old_plan.fixture(*id)))
            .collect();
        for id in &changed {
            let emitters = self.trims.figures_of(&self.plan, *id);
            Arc::make_mut(&mut self.plan).fixtures[id.0].emitters = emitters;
        }
        let delta = |look: &str, fixture: &Fixture| {
            let (old, new) = (before.of_look(look, &fixture.id), self.trims.of_look(look, &fixture.id));
            new.plus(&old.back())
        };
        let by = |scene: Scene| -> Vec<Trim> {
            let look = match scene {
                Scene::Look(look) | Scene::Rest(look) | Scene::Meter(look) => {
                    self.plan.look(look).name.clone()
                }
                Scene::Dark | Scene::Only(_) | Scene::Calibrate(_) | Scene::Take => return Vec::new(),
            };
            self.plan.fixtures.iter().map(|f| delta(&look, f)).collect()
        };
        let turned_by = by(self.scene);
        let to = |id: FixtureId, target: Moving, by: &[Trim]| {
            let trim = by.get(id.0).copied().unwrap_or(Trim::NONE);
            self.steady(id, Moving::new(trim.to_demand(target.base), target.motion))
        };
        let moved =
            |id: &FixtureId| changed.contains(id) || turned_by.get(id.0).is_some_and(|t| !t.is_none());
        let turned: Vec<(FixtureId, Moving)> = self
            .plan
            .fixture_ids()
            .filter(moved)
            .map(|id| (id, to(id, self.lamps[id.0].target, &turned_by)))
            .collect();
        let mut targets: Vec<Moving> = self.lamps.iter().map(|l| l.target).collect();
        for (id, target) in &turned {
            targets[id.0] = *target;
        }
        let memories = [&self.memory, &self.before_calibrate, &self.before_meter].map(|memory| {
            memory.as_ref().map(|memory| {
                let by = by(memory.scene);
                let targets = self.plan.fixture_ids().zip(&memory.targets).map(|(id, t)| to(id, *t, &by));
                super::state::Memory { targets: targets.collect(), ..memory.clone() }
            })
        });
        if let Err(failure) = self.fits(&targets) {
            self.plan = old_plan;
            return Err(failure);
        }
        [self.memory, self.before_calibrate, self.before_meter] = memories;
        for id in &changed {
            let (fixture, old) = (&self.plan.fixtures[id.0], old_plan.fixture(*id));
            self.lamps[id.0].refigure(fixture, old);
        }
        if changed.iter().any(|id| self.plan.fixture(*id).prefer == Prefer::Rendering) {
            self.renderings = Renderings::new(&self.plan);
        }
        self.ahead = super::heat_ahead::Ahead::default();
        self.lapse_trimmed(&changed);
        let frames = self.clock().frames_in(std::time::Duration::from_secs_f64(TRIM_FADE_S));
        self.turn_together(&turned, at, frames);
        Ok(())
    }

    /// Readings in which these lamps were lit no longer confirm what is sent.
    fn lapse_trimmed(&mut self, changed: &[FixtureId]) {
        let plan = &self.plan;
        let lit = |n: &crate::meter::Noted| {
            n.lamps.iter().any(|l| changed.iter().any(|id| plan.fixture(*id).id == l.fixture))
        };
        for noted in self.readings.list.iter_mut().filter(|n| lit(n)) {
            noted.lapsed = Some(Lapsed::Trim);
        }
    }
}

impl super::lamp::Lamp {
    /// Other figures of the same lamp are in force: what it is sent stands for other light now.
    fn refigure(&mut self, fixture: &Fixture, old: &Fixture) {
        let light = |emitters: &[Emitter]| mix::light_of(emitters, &self.sent.drives);
        let ((was, _), (is, xy)) = (light(&old.emitters), light(&fixture.emitters));
        if was > 0.0 && is > 0.0 {
            let ratio = is / was;
            self.sent.allowed.lux *= ratio;
            self.standing.refigured(ratio);
            if let Some(xy) = xy {
                let white = crate::light::colour::kelvin_of(xy);
                self.sent.allowed_xy = xy;
                self.sent.allowed.colour = match white {
                    Some((kelvin, duv)) => crate::light::Colour::white(kelvin, duv),
                    None => crate::light::Colour::Uv(xy.uv76()),
                };
            }
        }
        if fixture.address().is_some() {
            let given = channels::given(fixture, &self.sent.slots);
            self.sent.lux = given.lux_at_1m * crate::light::solve::gain(fixture);
            self.sent.xy = given.xy;
            self.sent.light = super::lamp::light_at_1m(&given);
        }
        self.settled = false;
    }
}
