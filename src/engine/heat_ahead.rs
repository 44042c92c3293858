//! Heat of looks that are to come, by the guard's own arithmetic: for `check`, `rehearse` and the status.
//!
//! Every figure is an estimate, for bare lamps in free air in a room as warm as the plan says.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::state::Scene;
use super::{Engine, moves, say};
use crate::control::{StepHeat, WarmBody};
use crate::guards::thermal::{Coming, Duty, LampAhead, duty, forecast, rest_needed_s, time_to_hold_s};
use crate::guards::{self, Conditions};
use crate::light::{Colour, Demand, solve};
use crate::plan::{Control, Fixture, FixtureId, Look, Plan, Step};
use crate::units::FrameNumber;

/// Least that is told to be held, in stops. Judgement: what a meter shows.
const TOLD_STOPS: f64 = 0.05;
/// How often the forecast in the status is made anew while nothing happens, in seconds. Judgement: bodies
/// take minutes.
const FORECAST_EVERY_S: u64 = 10;

/// How long one look can stand.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LookHeat {
    /// Its name.
    pub look: String,
    /// The lamp that has to come down first if it stands; `null` where none ever has to.
    pub fixture: Option<String>,
    /// Minutes until then.
    pub minutes: Option<f64>,
    /// True if that lamp is set by hand: a person has to turn it down.
    pub by_hand: bool,
}

/// Every body at room temperature: as at the start of a day.
#[must_use]
pub fn cold(plan: &Plan, real_output: bool) -> Vec<LampAhead> {
    let ambient = plan.ambient.get();
    plan.fixtures.iter().map(|f| lamp_ahead(f, real_output, ambient)).collect()
}

/// One body of a forecast, at `celsius`.
#[must_use]
pub fn lamp_ahead(fixture: &Fixture, real_output: bool, celsius: f64) -> LampAhead {
    let model = match duty(fixture, real_output) {
        Duty::Limited(model) => Some(model),
        Duty::Free | Duty::Unknown => None,
    };
    LampAhead { model, standby_w: fixture.profile.standby.get(), celsius }
}

/// Each lamp of a look: true if it is asked a white, and the power of its emitters once every fade and rise
/// is over, in watts.
#[must_use]
pub fn powers(plan: &Plan, look: &Look, real_output: bool) -> Vec<(bool, f64)> {
    plan.fixture_ids().map(|id| power(plan, look, id, real_output)).collect()
}

/// The same of one lamp.
fn power(plan: &Plan, look: &Look, id: FixtureId, real_output: bool) -> (bool, f64) {
    let fixture = plan.fixture(id);
    let target = solve::demand(plan, look, id);
    let demand = target.at(0.0);
    let absent = fixture.absent.is_some();
    let now = Conditions { real_output, period_s: 1.0, absent, protected: false };
    let watts = |demand: &Demand| guards::forecast(fixture, &solve::reach(fixture, demand), &now).watts();
    // A light that moves is taken where it draws most: what it does on the whole is no more.
    let most = moves::way(fixture, target, real_output).iter().map(watts).fold(watts(&demand), f64::max);
    (matches!(demand.colour, Colour::White { .. }), most)
}

/// How long a look can stand with the bodies as they are; `powers`: see [`powers`].
#[must_use]
pub fn look(plan: &Plan, name: &str, bodies: &[LampAhead], powers: &[(bool, f64)]) -> LookHeat {
    let ambient = plan.ambient.get();
    let left = |(id, (body, (_, watts))): (FixtureId, (&LampAhead, &(bool, f64)))| {
        Some((id, time_to_hold_s(&body.model?, ambient, body.standby_w, body.celsius, *watts)?))
    };
    let first = plan.fixture_ids().zip(bodies.iter().zip(powers)).filter_map(left);
    let first = first.min_by(|a, b| a.1.total_cmp(&b.1));
    LookHeat {
        look: name.to_owned(),
        fixture: first.map(|(id, _)| plan.fixture(id).id.clone()),
        minutes: first.map(|(_, s)| s / 60.0),
        by_hand: first.is_some_and(|(id, _)| plan.fixture(id).control == Control::Hand),
    }
}

/// Runs steps of the order ahead, one after the other, each at its planned duration.
///
/// `steps`: each with its number from 1; `powers` of each one's look. `already_s`: how long the first one
/// has been on. Lamps set by hand are left out: no guard lowers them, and [`look`] tells of them.
#[must_use]
pub fn order<'a>(
    plan: &Plan,
    bodies: &[LampAhead],
    steps: impl Iterator<Item = (usize, &'a Step)>,
    powers: impl Fn(&Step) -> Vec<(bool, f64)>,
    already_s: f64,
) -> Vec<StepHeat> {
    let ambient = plan.ambient.get();
    let driven = |id: usize| plan.fixtures[id].control != Control::Hand;
    let steps: Vec<_> = steps.collect();
    let mut coming = Vec::with_capacity(steps.len());
    for (index, (_, step)) in steps.iter().enumerate() {
        let gone_s = if index == 0 { already_s } else { 0.0 };
        let mut lamps = powers(step);
        for (id, lamp) in lamps.iter_mut().enumerate().filter(|(id, _)| !driven(*id)) {
            debug_assert!(id < plan.fixtures.len());
            lamp.1 = 0.0;
        }
        coming.push(Coming { for_s: (step.on_for.as_secs_f64() - gone_s).max(0.0), lamps });
    }
    let mut before: Vec<f64> = bodies.iter().map(|b| b.celsius).collect();
    let seen = forecast(bodies, ambient, &coming);
    let mut told = Vec::with_capacity(steps.len());
    for ((number, step), (coming, seen)) in steps.iter().zip(coming.iter().zip(seen)) {
        let first = seen.first.filter(|_| seen.most_at_end >= TOLD_STOPS);
        let rest_s = first.and_then(|(lamp, _)| {
            let body = &bodies[lamp];
            let asked = (coming.lamps[lamp].1, coming.for_s);
            rest_needed_s(&body.model?, ambient, body.standby_w, before[lamp], asked)
        });
        let near = |id: usize| Some((id, bodies[id].model?.limit_c - seen.celsius_at_end[id]));
        let warmest = (0..bodies.len()).filter_map(near).min_by(|a, b| a.1.total_cmp(&b.1));
        told.push(StepHeat {
            step: *number,
            look: plan.look(step.look).name.clone(),
            planned_min: step.on_for.as_secs_f64() / 60.0,
            fixture: first.map(|(lamp, _)| plan.fixtures[lamp].id.clone()),
            after_min: first.map(|(_, s)| s / 60.0),
            held_stops: if first.is_some() { seen.most_at_end } else { 0.0 },
            rest_min: rest_s.filter(|s| *s > 0.0).map(|s| s / 60.0),
            warmest: warmest.map(|(id, room)| WarmBody {
                fixture: plan.fixtures[id].id.clone(),
                celsius: seen.celsius_at_end[id],
                limit_c: seen.celsius_at_end[id] + room,
            }),
        });
        before = seen.celsius_at_end;
    }
    told
}

/// The forecast that the status shows, worked out anew when the order moves on and now and then.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Ahead {
    /// The present step and those after it.
    pub steps: Vec<StepHeat>,
    /// What the forecast was made for: the step that is lit (from 0), and the frame.
    made: Option<(Option<usize>, FrameNumber)>,
    /// Each step's lamps, by its look; they change with the plan alone.
    powers: Vec<Option<Vec<(bool, f64)>>>,
}

impl Engine {
    /// Keeps the forecast of the running order fresh: after frame `n`, at most one look's lamps or one run.
    pub(super) fn look_ahead(&mut self, n: FrameNumber) {
        if self.plan.order.is_empty() || self.lamps.iter().any(|l| l.fade.is_some()) {
            return;
        }
        let lit = |p: &usize| matches!(self.scene, Scene::Look(l) if self.plan.order[*p].look == l);
        let here = self.position.filter(lit);
        let every = FORECAST_EVERY_S * u64::from(self.clock().rate());
        if self.ahead.made.is_some_and(|(at, when)| at == here && n < when + every) {
            return;
        }
        let first = here.or(self.position.map(|p| p + 1)).unwrap_or(0);
        self.ahead.powers.resize(self.plan.looks.len(), None);
        let plan = Arc::clone(&self.plan);
        let unknown = plan.order.iter().skip(first).find(|s| self.ahead.powers[s.look.0].is_none());
        if let Some(step) = unknown {
            // One look a frame: no frame waits for a whole order.
            let mut lamps = Vec::with_capacity(plan.fixtures.len());
            for id in plan.fixture_ids() {
                lamps.push(power(&plan, plan.look(step.look), id, self.real(id)));
            }
            self.ahead.powers[step.look.0] = Some(lamps);
            return;
        }
        let bodies: Vec<LampAhead> = plan.fixture_ids().map(|id| self.body_ahead(id)).collect();
        let gone_s = here.map_or(0.0, |_| self.clock().seconds(n.saturating_sub(self.heat.lands)));
        let steps = plan.order.iter().enumerate().skip(first).map(|(i, s)| (i + 1, s));
        let powers = |step: &Step| {
            let known = self.ahead.powers[step.look.0].clone().unwrap_or_default();
            let here = |id: usize| self.lamps[id].absent.is_none();
            known
                .into_iter()
                .enumerate()
                .map(|(id, (white, w))| (white, if here(id) { w } else { 0.0 }))
                .collect()
        };
        self.ahead.steps = order(&plan, &bodies, steps, powers, gone_s);
        self.ahead.made = Some((here, n));
    }
}

impl LookHeat {
    /// `quay-dusk 31 min (key)`; `None` where it can stand for ever.
    #[must_use]
    pub fn said(&self) -> Option<String> {
        let (fixture, minutes) = (self.fixture.as_ref()?, self.minutes?);
        let by_hand = if self.by_hand { ", set by hand" } else { "" };
        Some(format!("{} {} ({fixture}{by_hand})", self.look, say::span(minutes * 60.0)))
    }
}

impl StepHeat {
    /// What a person can do about a lamp that has to come down; `None` where none has to.
    #[must_use]
    pub fn said(&self) -> Option<String> {
        let (fixture, after) = (self.fixture.as_ref()?, self.after_min?);
        let held = if self.held_stops >= 7.0 {
            "dark at its end".to_owned()
        } else {
            format!("{:.1} stop under at its end", self.held_stops)
        };
        let mut cures = vec![format!("shorten it to {}", say::span((after * 60.0).floor()))];
        if self.held_stops < 7.0 {
            cures.push(format!("lower the look by {:.1} stop", (self.held_stops * 10.0).ceil() / 10.0));
        }
        if let Some(rest) = self.rest_min {
            cures.push(format!("rest {} before it", say::span((rest * 60.0).ceil())));
        }
        Some(format!(
            "step {} {}: {fixture} has to come down after {} of {}, {held}: {}",
            self.step,
            self.look,
            say::span(after * 60.0),
            say::span(self.planned_min * 60.0),
            cures.join(", or ")
        ))
    }
}

/// The warmest that any body gets over some steps.
#[must_use]
pub fn warmest(steps: &[StepHeat]) -> Option<(&StepHeat, &WarmBody)> {
    let each = steps.iter().filter_map(|s| Some((s, s.warmest.as_ref()?)));
    each.min_by(|a, b| (a.1.limit_c - a.1.celsius).total_cmp(&(b.1.limit_c - b.1.celsius)))
}
