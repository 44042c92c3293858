//! Circuits and batteries in the engine: requests that would overload a circuit, a cap in every frame that
//! no request goes round, and what batteries have given.
//!
//! The arithmetic is `guards::load`'s. Not here: inrush, and what else hangs on a circuit that nobody stated.

use super::{Action, Engine, draw, say};
use crate::control::{BatteryStatus, CircuitStatus, Failure, FailureKind};
use crate::guards::load::{
    Answer, Battery, Charge, Load, Rating, USABLE, answer, loads, share_within, worst_along,
};
use crate::light::{Demand, Moving};
use crate::plan::{CircuitId, Control, Fixture, FixtureId, Plan};
use crate::units::FrameNumber;

/// Least that is told to be lowered, in stops. Judgement: a tenth of what a meter shows.
const TOLD_STOPS: f64 = 0.01;

/// What the engine keeps of circuits and batteries.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct LoadState {
    /// Share of all light that the circuits let through, 0 to 1.
    share: f64,
    /// The circuit that lets through least, while it lowers.
    binding: Option<CircuitId>,
    told: bool,
    /// What each lamp that has a battery has had of it, in the plan's order.
    batteries: Vec<Option<Battery>>,
    charges: Vec<Charge>,
    ratings: Vec<Rating>,
    /// Fixed and driven load of each circuit in the present frame.
    now: Vec<(Load, Load)>,
}

/// What has been drawn from one lamp's battery, for the state file.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct KeptBattery {
    /// The body's name, or the fixture's id where it has none.
    pub lamp: String,
    /// Watt-hours drawn so far.
    pub used_wh: f64,
}

impl LoadState {
    /// Circuits at rest. `drawn`: what is known of batteries; one that is not known is full.
    pub fn new(plan: &Plan, drawn: &[KeptBattery]) -> Self {
        let battery = |f: &Fixture| {
            let known = drawn.iter().find(|b| b.lamp == f.lamp_name());
            f.battery_wh.map(|wh| Battery::used(wh, known.map_or(0.0, |b| b.used_wh)))
        };
        Self {
            share: 1.0,
            binding: None,
            told: false,
            batteries: plan.fixtures.iter().map(battery).collect(),
            charges: vec![Charge::Good; plan.fixtures.len()],
            ratings: plan.circuits.iter().map(Rating::of).collect(),
            now: vec![(Load::default(), Load::default()); plan.circuits.len()],
        }
    }

    /// Share of all light that the circuits let through in the present frame, 0 to 1.
    pub fn share(&self) -> f64 {
        if self.binding.is_some() { self.share } else { 1.0 }
    }
}

impl Engine {
    /// Works out what the circuits let through of the frame under way: one share for all lamps, so that the
    /// look keeps its ratios.
    pub(super) fn hold_load(&mut self) {
        if self.plan.circuits.is_empty() {
            return;
        }
        let plan = &self.plan;
        for (circuit, sums) in plan.circuits.iter().zip(&mut self.load.now) {
            *sums = (Load::of(circuit.other.get(), 1.0), Load::default());
        }
        for (index, (fixture, lamp)) in plan.fixtures.iter().zip(&self.lamps).enumerate() {
            let Some(CircuitId(circuit)) = fixture.circuit else { continue };
            if lamp.absent.is_some() || fixture.battery_wh.is_some() {
                continue;
            }
            let factor = fixture.profile.power_factor;
            let (fixed, driven) = &mut self.load.now[circuit];
            *fixed = *fixed + Load::of(fixture.profile.standby.get(), factor);
            let light = Load::of(lamp.unheld.watts * self.heat.held(index).share(), factor);
            match fixture.control {
                Control::Dmx(_) => *driven = *driven + light,
                Control::Hand => *fixed = *fixed + light,
            }
        }
        let shares = self.load.ratings.iter().zip(&self.load.now);
        let least = shares
            .map(|(rating, (fixed, driven))| share_within(rating, *fixed, *driven))
            .enumerate()
            .min_by(|a, b| a.1.total_cmp(&b.1));
        self.load.binding = least.filter(|(_, share)| *share < 1.0).map(|(circuit, _)| CircuitId(circuit));
        self.load.share = least.map_or(1.0, |(_, share)| share);
    }

    /// What is drawn in the frame that was sent, and what begins or ends with it.
    pub(super) fn load_goes_on(&mut self, n: FrameNumber) -> Vec<Action> {
        let mut actions = Vec::new();
        let frame_s = 1.0 / f64::from(self.clock().rate());
        for (battery, lamp) in self.load.batteries.iter_mut().zip(&self.lamps) {
            if let Some(battery) = battery.as_mut().filter(|_| lamp.absent.is_none()) {
                battery.draw(lamp.sent.watts, frame_s);
            }
        }
        let stops = -self.load.share().log2();
        let holds = if self.load.told { stops > 0.0 } else { stops >= TOLD_STOPS };
        if holds != self.load.told {
            self.load.told = holds;
            let (kind, said) = match self.circuit_said() {
                Some(said) => ("circuit-held", said),
                None => ("circuit-free", "no circuit lowers the light any more: as asked again".to_owned()),
            };
            actions.push(self.tell(kind, None, said, n));
        }
        if n.is_multiple_of(u64::from(self.clock().rate())) {
            for id in self.plan.fixture_ids().collect::<Vec<_>>() {
                let Some(battery) = self.load.batteries[id.0] else { continue };
                let watts = self.lamps[id.0].sent.watts;
                let (was, now) = (self.load.charges[id.0], battery.charge(watts));
                self.load.charges[id.0] = now;
                // Each step down is told once; up it goes by a dimmer light alone.
                if now > was
                    && let Some((kind, said)) = self.battery_said(id)
                {
                    let name = self.plan.fixture(id).id.clone();
                    actions.push(self.tell(kind, Some(name), said, n));
                }
            }
        }
        actions
    }

    /// What stands in the status.
    pub(super) fn load_standing(&self) -> Vec<(&'static str, Option<String>, String)> {
        let circuit = self.load.told.then(|| self.circuit_said()).flatten();
        let mut standing: Vec<_> = circuit.map(|said| ("circuit-held", None, said)).into_iter().collect();
        for id in self.plan.fixture_ids().filter(|id| self.load.charges[id.0] > Charge::Good) {
            if let Some((kind, said)) = self.battery_said(id) {
                standing.push((kind, Some(self.plan.fixture(id).id.clone()), said));
            }
        }
        standing
    }

    /// `None` while no circuit lowers anything.
    fn circuit_said(&self) -> Option<String> {
        let CircuitId(index) = self.load.binding?;
        let (circuit, rating) = (&self.plan.circuits[index], self.load.ratings[index]);
        let (fixed, driven) = self.load.now[index];
        let share = self.load.share();
        let how = if share <= 0.0 {
            "keeps all lamps dark".to_owned()
        } else {
            format!("lowers all light by {:.1} stop", -share.log2())
        };
        Some(format!(
            "circuit {} {how}: {:.0} VA asked, {:.0} allowed; as asked again with a look that needs less, or a \
             lamp on another circuit",
            circuit.id,
            (fixed + driven).volt_amperes,
            rating.volt_amperes
        ))
    }

    fn battery_said(&self, id: FixtureId) -> Option<(&'static str, String)> {
        let battery = self.load.batteries[id.0]?;
        let (name, watts) = (&self.plan.fixture(id).id, self.lamps[id.0].sent.watts);
        let left = battery.minutes_left(watts);
        let share = 100.0 * self.left_share(id)?;
        let cure = "change it between takes";
        Some(match battery.charge(watts) {
            Charge::Good => return None,
            Charge::Low => (
                "battery-low",
                format!("battery of `{name}` has {share:.0} % left, {}: {cure}", minutes(left)),
            ),
            Charge::Minutes => {
                ("battery-minutes", format!("battery of `{name}` lasts {}: {cure}", minutes(left)))
            }
            Charge::Empty => (
                "battery-empty",
                format!("battery of `{name}` has nothing left by its account: change it now"),
            ),
        })
    }

    fn left_share(&self, id: FixtureId) -> Option<f64> {
        let wh = self.plan.fixture(id).battery_wh?;
        Some(self.load.batteries[id.0]?.left_wh() / (wh * USABLE))
    }

    /// What the status tells of circuits.
    pub(super) fn circuits_status(&self) -> Vec<CircuitStatus> {
        let watts: Vec<f64> = self.plan.fixture_ids().map(|id| self.mains_now(id)).collect();
        let circuits = self.plan.circuits.iter().zip(&self.load.ratings).zip(loads(&self.plan, &watts));
        circuits
            .map(|((circuit, rating), load)| CircuitStatus {
                id: circuit.id.clone(),
                watts: load.watts,
                volt_amperes: load.volt_amperes,
                limit_va: rating.volt_amperes,
                breaker_a: rating.amps,
                breaker_assumed: rating.assumed,
            })
            .collect()
    }

    /// What the status tells of a lamp's battery.
    pub(super) fn battery_status(&self, id: FixtureId) -> Option<BatteryStatus> {
        let battery = self.load.batteries[id.0]?;
        let minutes = battery.minutes_left(self.lamps[id.0].sent.watts);
        Some(BatteryStatus {
            left_share: self.left_share(id)?,
            minutes_left: minutes.is_finite().then_some(minutes),
        })
    }

    /// Watt-hours drawn from a lamp's battery so far; `None`: it has none.
    pub(super) fn battery_used_wh(&self, id: FixtureId) -> Option<f64> {
        self.load.batteries[id.0].map(|battery| battery.used_wh())
    }

    fn mains_now(&self, id: FixtureId) -> f64 {
        let (fixture, lamp) = (self.plan.fixture(id), &self.lamps[id.0]);
        if lamp.absent.is_some() || fixture.battery_wh.is_some() { 0.0 } else { lamp.sent.watts }
    }

    /// Insists that light on its way to `targets` overloads no circuit at any instant, unless the plan says
    /// that it is to be lowered.
    pub(super) fn fits(&self, targets: &[Moving]) -> Result<(), Failure> {
        let refused = self.overloads(targets).into_iter().find(|o| o.answer == Answer::Refused);
        let Some(Overload { circuit: CircuitId(index), load, .. }) = refused else { return Ok(()) };
        let (circuit, rating) = (&self.plan.circuits[index], self.load.ratings[index]);
        let assumed = if rating.assumed { ", its breaker unknown" } else { "" };
        let said = format!(
            "circuit {} would carry {:.0} VA of {:.0}{assumed}: the light stays as it is",
            circuit.id, load.volt_amperes, rating.volt_amperes
        );
        let hint = "move a lamp to another circuit, ask for less, or let the plan lower it: over = \"lower\"";
        Err(Failure { kind: FailureKind::Guarded, said, hint: Some(hint.to_owned()) })
    }

    /// What the circuits would do to `targets`, for an answer.
    pub(super) fn load_warnings(&self, targets: &[Moving]) -> Vec<String> {
        let lowered = |o: &Overload| match o.answer {
            Answer::Lowered(share) => Some((o.circuit, share)),
            Answer::Passes | Answer::Refused => None,
        };
        let overloads = self.overloads(targets);
        let least = overloads.iter().filter_map(lowered).min_by(|a, b| a.1.total_cmp(&b.1));
        let said = |(CircuitId(index), share): (CircuitId, f64)| {
            let (circuit, rating) = (&self.plan.circuits[index], self.load.ratings[index]);
            let most = rating.volt_amperes;
            format!(
                "all light up to {:.1} stop lower: circuit {} bears {most:.0} VA",
                -share.log2(),
                circuit.id
            )
        };
        least.map(said).into_iter().collect()
    }

    /// Circuits that are overloaded somewhere on the way to `targets`.
    fn overloads(&self, targets: &[Moving]) -> Vec<Overload> {
        // Most looks are far from it, and what is at full everywhere is an end to all questions.
        let plan = &self.plan;
        let here = |f: &Fixture, id: usize| self.lamps[id].absent.is_none() && f.battery_wh.is_none();
        let full: Vec<f64> = plan
            .fixtures
            .iter()
            .enumerate()
            .map(|(id, f)| if here(f, id) { full_w(f) } else { 0.0 })
            .collect();
        let within = |(rating, load): (&Rating, Load)| !rating.is_under(load);
        if self.load.ratings.iter().zip(loads(plan, &full)).all(within) {
            return Vec::new();
        }
        let steady = |(id, target): (FixtureId, &Moving)| self.steady(id, *target);
        let targets: Vec<Moving> = plan.fixture_ids().zip(targets).map(steady).collect();
        let to: Vec<Demand> = targets.iter().map(|t| t.at(0.0)).collect();
        let from: Vec<Demand> = self.lamps.iter().map(|l| l.sent.allowed).collect();
        let mut all = draw::watts_between(plan, &from, &to, |id| here(plan.fixture(id), id.0));
        // Lights that move: all where they draw most at once.
        let most = |id: FixtureId| {
            let moves = targets[id.0].motion.is_some() && here(plan.fixture(id), id.0);
            let stands = all.last().map_or(0.0, |end| end[id.0]);
            if moves { draw::most_on_its_way(plan, id, targets[id.0]).max(stands) } else { stands }
        };
        let most: Vec<f64> = plan.fixture_ids().map(most).collect();
        all.push(most);
        let standby = |f: &Fixture| match f.control {
            Control::Dmx(_) => Some(f.profile.standby.get()),
            Control::Hand => None,
        };
        // What no level changes, at each step: standby, and all that a hand-set lamp draws.
        let fixed: Vec<Vec<f64>> = all
            .iter()
            .map(|watts| {
                plan.fixtures.iter().zip(watts).map(|(f, w)| standby(f).map_or(*w, |s| s.min(*w))).collect()
            })
            .collect();
        let (all, fixed) = (worst_along(plan, &all), worst_along(plan, &fixed));
        let each = plan.circuits.iter().zip(all.into_iter().zip(fixed)).enumerate();
        each.filter_map(|(index, (circuit, ((_, load), (_, fixed))))| {
            let driven = Load {
                watts: load.watts - fixed.watts,
                volt_amperes: load.volt_amperes - fixed.volt_amperes,
            };
            let answer = answer(circuit, fixed, driven);
            (answer != Answer::Passes).then_some(Overload { circuit: CircuitId(index), load, answer })
        })
        .collect()
    }

    /// What a take that begins now has to know: how long the weakest battery lasts, and how full the fullest
    /// circuit is. `planned_s`: how long the take is planned to be at most, if that is known.
    pub(super) fn load_for_take(&self, planned_s: Option<f64>) -> Vec<String> {
        let lasts = |id: FixtureId| {
            let battery = self.load.batteries[id.0].filter(|_| self.lamps[id.0].absent.is_none())?;
            Some((id, battery.minutes_left(self.lamps[id.0].sent.watts)))
        };
        let weakest = self.plan.fixture_ids().filter_map(lasts).min_by(|a, b| a.1.total_cmp(&b.1));
        let mut said = Vec::new();
        if let Some((id, left)) = weakest.filter(|(_, left)| left.is_finite()) {
            let short = planned_s.filter(|s| *s > left * 60.0);
            let short = short.map_or(String::new(), |s| format!(", {} planned", say::span(s)));
            let mark = if short.is_empty() { "" } else { "attention: " };
            said.push(format!(
                "{mark}battery of {} safe for {}{short}",
                self.plan.fixture(id).id,
                minutes(left)
            ));
        }
        let full = |c: &CircuitStatus| c.volt_amperes / (c.breaker_a * self.volts(&c.id));
        let circuits = self.circuits_status();
        if let Some(fullest) = circuits.iter().max_by(|a, b| full(a).total_cmp(&full(b))) {
            said.push(format!("circuit {} at {:.0} % of its breaker", fullest.id, 100.0 * full(fullest)));
        }
        said
    }

    fn volts(&self, circuit: &str) -> f64 {
        self.plan.circuits.iter().find(|c| c.id == circuit).map_or(f64::NAN, |c| c.volts)
    }

    /// What a restart must know of batteries.
    #[must_use]
    pub fn kept_batteries(&self) -> Vec<KeptBattery> {
        let kept = |(fixture, battery): (&Fixture, &Option<Battery>)| {
            battery.map(|b| KeptBattery { lamp: fixture.lamp_name().to_owned(), used_wh: b.used_wh() })
        };
        self.plan.fixtures.iter().zip(&self.load.batteries).filter_map(kept).collect()
    }

    /// Another plan is in force; `before`: the old plan's fixtures. Batteries go on as they are.
    pub(super) fn adopt_load(&mut self, before: &[Fixture]) {
        let kept = |(fixture, battery): (&Fixture, &Option<Battery>)| {
            battery.map(|b| KeptBattery { lamp: fixture.lamp_name().to_owned(), used_wh: b.used_wh() })
        };
        let drawn: Vec<_> = before.iter().zip(&self.load.batteries).filter_map(kept).collect();
        let told = self.load.told;
        self.load = LoadState { told, ..LoadState::new(&self.plan, &drawn) };
    }

    /// A lamp that comes back has a full battery: it went away to be given one.
    pub(super) fn fresh_battery(&mut self, id: FixtureId) -> bool {
        let Some(wh) = self.plan.fixture(id).battery_wh else { return false };
        self.load.batteries[id.0] = Some(Battery::full(wh));
        self.load.charges[id.0] = Charge::Good;
        true
    }
}

/// A circuit that would be overloaded.
struct Overload {
    circuit: CircuitId,
    load: Load,
    answer: Answer,
}

/// The most that a lamp can draw, in watts.
fn full_w(fixture: &Fixture) -> f64 {
    fixture.profile.standby.get() + fixture.emitters.iter().map(|e| e.watts.get()).sum::<f64>()
}

/// `6 min`; `long` at no load.
fn minutes(minutes: f64) -> String {
    if minutes.is_finite() { say::span((minutes * 60.0).floor()) } else { "long at standby".to_owned() }
}
