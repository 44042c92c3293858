//! Balanced looks: levels, and colours where asked, that make a meter read what a look states, with all
//! lamps lit and their spill in.
//!
//! A bounded least-squares problem: a residual for each reading (in stops, thirty times as much at
//! `face-lit`; in mired over 50, in Duv over 0.015) and a weak one for each lamp that keeps it near its
//! written target. Pure and bounded: the same
//! plan gives the same levels, in a time that does not depend on luck.

mod cause;
pub mod solver;

use std::cell::RefCell;

use super::reading::{LampLight, Reading};
use super::{Colour, Demand, Reach, solve};
use crate::plan::{
    BalancedTargets, ColourTarget, Control, FixtureId, Level, Look, MeterPoint, MeterTarget, Plan, Receptor,
    Target,
};
use crate::units::{Duv, Kelvin, Lux};

/// Weight of a stop between a lamp's level and its written target against a stop at a meter point: what
/// the meter leaves free stays as written, and what it cannot reach is not chased with the wrong lamps.
const KEEP: f64 = 0.1;
/// Readings that are met to [`MET_STOPS`] are solved again from there so many times: each takes what the
/// weight above leaves over down by a factor of a hundred.
const AGAIN: u32 = 2;
/// A lamp is moved for a meter point only if it sends there this much of what it gives at its own aim
/// (2 stops under; judgement): nobody turns the wall's lamp for the face.
const MEANT: f64 = 0.25;
/// A lamp at its floor is made dark only if the squares of the misses then sum to so much less (that of
/// one miss of a tenth of a stop).
const WORTH_DARK: f64 = 0.01;
/// Weight of a miss at `face-lit` against one elsewhere: exposure hangs on it, so what cannot all be met
/// is missed elsewhere (judgement; the misses share by the square, 1 to 900).
const LIT_SIDE: f64 = 30.0;
/// Mired that count as much as one stop.
const MIRED_A_STOP: f64 = 50.0;
/// Duv that counts as much as one stop.
const DUV_A_STOP: f64 = 0.015;
/// Farthest that a lamp's colour is moved: mired and Duv over the two constants above.
const FARTHEST_COLOUR: f64 = 2.0;
/// Lowest level of a lamp without a floor, in stops under its full.
const LOWEST_STOPS: f64 = -14.0;
/// Colour shifts of a lamp that are remembered: where it stands and its four differences, twice.
const TRIED: usize = 10;
/// Most lamps that are moved for one look: keeps the work bounded. The plan's first ones.
const MOST_MOVED: usize = 32;
/// A reading that is off by less than this, in stops, is met: what a meter's last digit shows.
pub const MET_STOPS: f64 = 0.1;

/// A look's balance.
#[derive(Debug, Clone, PartialEq)]
pub struct Balance {
    /// The targets that were found, in the order of the look's own.
    pub targets: Vec<Target>,
    /// Each meter point that the look states.
    pub points: Vec<Balanced>,
    /// Each lamp that was moved.
    pub moved: Vec<Moved>,
}

impl Balance {
    /// What a look keeps of it.
    #[must_use]
    pub fn kept(self) -> BalancedTargets {
        let unmet = self.points.into_iter().filter_map(|p| p.unmet).collect();
        BalancedTargets { targets: self.targets, unmet }
    }
}

/// A meter point before and after.
#[derive(Debug, Clone, PartialEq)]
pub struct Balanced {
    /// What was asked.
    pub asked: MeterTarget,
    /// What the levels as written would read.
    pub before: Reading,
    /// What the found ones read.
    pub after: Reading,
    /// Stops by which `after` is over (positive) or short of what was asked.
    pub off_stops: f64,
    /// Why it is not met, with the change that would meet it; `None` where it is.
    pub unmet: Option<String>,
}

/// A lamp that was moved, by what it alone gives at its aim.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moved {
    /// The lamp.
    pub fixture: FixtureId,
    /// As written.
    pub before: Demand,
    /// As found; 0 lx: better dark.
    pub after: Demand,
    /// Share of its most light at that colour.
    pub share: f64,
}

/// Balances `look` without the lamps that `absent` names; `None` if it states no meter points, or in a
/// plan without its light.
///
/// Lamps not named stay dark; hand-set and absent ones are not moved; a lamp that counts from the key
/// goes with it unless it is moved itself. Ceilings and floors hold; a lamp at its floor is made dark
/// where that reads better.
#[must_use]
pub fn balance(plan: &Plan, look: &Look, absent: &dyn Fn(FixtureId) -> bool) -> Option<Balance> {
    let mut problem = Problem::new(plan, look, absent)?;
    let start = problem.start();
    let before = problem.readings(&start);
    let mut x = problem.solve(&start);
    // At its floor a lamp may be better off dark; each is tried once, in the plan's order.
    for i in 0..problem.lamps.len() {
        let Some(found) = problem.without(i, &x) else { continue };
        x = found;
        problem.lamps[i].part = Part::Dark;
    }
    for _ in 0..AGAIN {
        if !problem.met(&x) {
            break;
        }
        problem.hold_at(&x);
        x = problem.solve(&x);
    }
    Some(problem.found(&x, before))
}

/// A plan whose looks with meter points are balanced, without the lamps that the plan calls absent.
#[must_use]
pub fn settled(mut plan: Plan) -> Plan {
    plan.spill = super::room::spill(&plan);
    for index in 0..plan.looks.len() {
        let absent = |id: FixtureId| plan.fixture(id).absent.is_some();
        plan.looks[index].balanced = balance(&plan, &plan.looks[index], &absent).map(Balance::kept);
    }
    plan
}

/// How a lamp takes part.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Part {
    /// Its level in lux at its aim does not change.
    Fixed(f64),
    /// It is moved; its first variable.
    Moved(usize),
    /// So many stops from the key.
    Follows(f64),
    /// It stood at its floor and is better dark.
    Dark,
}

/// One lamp of the look.
struct Lamp {
    fixture: FixtureId,
    asked: Demand,
    reach: Reach,
    part: Part,
    /// True if it has variables of colour, after that of its level.
    coloured: bool,
    /// Stops from the key as written, if so.
    to_key: Option<f64>,
    /// The last colour shifts tried with what it can do there: a mix costs more than all the rest.
    tried: RefCell<Vec<([f64; 2], Reach)>>,
}

struct Problem<'p> {
    plan: &'p Plan,
    written: &'p [Target],
    rows: Vec<(&'p MeterTarget, &'p Receptor)>,
    lamps: Vec<Lamp>,
    key: Option<usize>,
    variables: usize,
    /// Where the weak residuals hold a moved lamp to, in stops of its lux; as written until solved again.
    held_at: Option<Vec<f64>>,
}

impl<'p> Problem<'p> {
    fn new(plan: &'p Plan, look: &'p Look, absent: &dyn Fn(FixtureId) -> bool) -> Option<Self> {
        let row = |m: &'p MeterTarget| Some((m, plan.spill.receptor(m.at, look.key)?));
        let rows: Vec<_> = look.meter.iter().filter_map(row).collect();
        if rows.is_empty() {
            return None;
        }
        let written = Look { balanced: None, ..look.clone() };
        let colours = look.meter.iter().any(|m| m.kelvin.is_some() || m.duv.is_some());
        let mut problem = Self {
            plan,
            written: &look.targets,
            rows,
            lamps: Vec::new(),
            key: None,
            variables: 0,
            held_at: None,
        };
        let mut moved = 0;
        for (index, target) in look.targets.iter().enumerate() {
            let id = target.fixture;
            let fixture = plan.fixture(id);
            let asked = solve::demand(plan, &written, id).at(0.0);
            let reach = solve::reach(fixture, &asked);
            let most = reach.full_lux * fixture.limits.ceiling.get();
            let is_key = look.key == Some(id);
            if is_key {
                problem.key = Some(index);
            }
            let to_key = match target.level {
                Level::ToKey(stops) => Some(stops.get()),
                _ => None,
            };
            let gain = solve::gain(fixture);
            let meant = problem.rows.iter().any(|(_, r)| r.lamps[id.0].total() >= MEANT * gain);
            let mut coloured = false;
            let part = if absent(id) {
                Part::Fixed(0.0)
            } else if asked.lux <= 0.0 || most <= 0.0 || fixture.control == Control::Hand {
                Part::Fixed(asked.lux.min(most))
            } else if meant && moved < MOST_MOVED {
                moved += 1;
                let white = matches!(asked.colour, Colour::White { .. }) && target.motion.is_none();
                coloured = colours && white && fixture.mode.has_colour(fixture.emitters.len());
                let first = problem.variables;
                problem.variables += if coloured { 3 } else { 1 };
                Part::Moved(first)
            } else {
                to_key.map_or(Part::Fixed(asked.lux.min(most)), Part::Follows)
            };
            problem.lamps.push(Lamp {
                fixture: id,
                asked,
                reach,
                part,
                coloured,
                to_key,
                tried: RefCell::default(),
            });
        }
        // Without a key that moves there is nothing to follow.
        let key_moves = problem.key.is_some_and(|k| matches!(problem.lamps[k].part, Part::Moved(_)));
        for lamp in &mut problem.lamps {
            if matches!(lamp.part, Part::Follows(_)) && !key_moves {
                let most = lamp.reach.full_lux * plan.fixture(lamp.fixture).limits.ceiling.get();
                lamp.part = Part::Fixed(lamp.asked.lux.min(most));
            }
        }
        Some(problem)
    }

    /// The variables as written: a moved lamp's level in stops under its full, its colour's shifts.
    fn start(&self) -> Vec<f64> {
        let mut x = vec![0.0; self.variables];
        for lamp in &self.lamps {
            if let Part::Moved(first) = lamp.part {
                x[first] = (lamp.asked.lux / lamp.reach.full_lux).log2();
            }
        }
        x
    }

    fn bounds(&self) -> (Vec<f64>, Vec<f64>) {
        let (mut low, mut high) =
            (vec![-FARTHEST_COLOUR; self.variables], vec![FARTHEST_COLOUR; self.variables]);
        for lamp in &self.lamps {
            if let Part::Moved(first) = lamp.part {
                let limits = &self.plan.fixture(lamp.fixture).limits;
                high[first] = limits.ceiling.get().log2();
                low[first] = limits.floor.get().log2().max(LOWEST_STOPS).min(high[first]);
            }
        }
        (low, high)
    }

    /// What a lamp can do at the colour that the variables give it.
    fn reach(&self, lamp: &Lamp, x: &[f64]) -> Reach {
        let (Part::Moved(first), true, Colour::White { mired, duv }) =
            (lamp.part, lamp.coloured, lamp.asked.colour)
        else {
            return lamp.reach;
        };
        let shift = [x[first + 1], x[first + 2]];
        if shift == [0.0, 0.0] {
            return lamp.reach;
        }
        if let Some((_, reach)) = lamp.tried.borrow().iter().find(|(s, _)| *s == shift) {
            return *reach;
        }
        let kelvin = Kelvin::clamped(1e6 / (mired + MIRED_A_STOP * x[first + 1]).max(1.0));
        let colour = Colour::white(kelvin, Duv::clamped(duv + DUV_A_STOP * x[first + 2]));
        let reach = solve::reach(self.plan.fixture(lamp.fixture), &Demand { lux: lamp.asked.lux, colour });
        let mut tried = lamp.tried.borrow_mut();
        if tried.len() >= TRIED {
            tried.remove(0);
        }
        tried.push((shift, reach));
        reach
    }

    /// A lamp's lux at its aim with its reach.
    fn lux(&self, index: usize, x: &[f64]) -> (f64, Reach) {
        let lamp = &self.lamps[index];
        let reach = self.reach(lamp, x);
        let lux = match lamp.part {
            Part::Dark => 0.0,
            Part::Fixed(lux) => lux,
            Part::Moved(first) => reach.full_lux * x[first].exp2(),
            Part::Follows(stops) => {
                let key = self.key.filter(|k| *k != index).map_or(lamp.asked.lux, |k| self.lux(k, x).0);
                let most = reach.full_lux * self.plan.fixture(lamp.fixture).limits.ceiling.get();
                (key * stops.exp2()).min(most)
            }
        };
        (lux, reach)
    }

    /// Every fixture's light.
    fn lights(&self, x: &[f64]) -> Vec<LampLight> {
        let dark = LampLight { lux_at_1m: 0.0, xy: solve::dark_colour(self.plan).xy() };
        let mut lights = vec![dark; self.plan.fixtures.len()];
        for (index, lamp) in self.lamps.iter().enumerate() {
            let (lux, reach) = self.lux(index, x);
            let gain = solve::gain(self.plan.fixture(lamp.fixture));
            lights[lamp.fixture.0] = LampLight { lux_at_1m: lux / gain, xy: reach.xy };
        }
        lights
    }

    fn readings(&self, x: &[f64]) -> Vec<Reading> {
        let lights = self.lights(x);
        self.rows.iter().map(|(_, receptor)| Reading::at(self.plan, receptor, &lights)).collect()
    }

    fn asked_lux(&self, target: &MeterTarget) -> f64 {
        self.plan.exposure.zero_stops.get() * target.stops.ratio()
    }

    fn residuals(&self, x: &[f64]) -> Vec<f64> {
        let mut all = Vec::new();
        for ((target, _), reading) in self.rows.iter().zip(self.readings(x)) {
            let weight = if target.at.point == MeterPoint::FaceLit { LIT_SIDE } else { 1.0 };
            all.push(weight * (reading.lux().max(1e-9) / self.asked_lux(target)).log2());
            if target.kelvin.is_none() && target.duv.is_none() {
                continue;
            }
            // So far off white that there is no CCT: as wrong as can be, whichever way.
            let (mired, duv) =
                reading.white().map_or((f64::INFINITY, f64::INFINITY), |(k, d)| (1e6 / k.get(), d.get()));
            if let Some(kelvin) = target.kelvin {
                all.push(((mired - 1e6 / kelvin.get()) / MIRED_A_STOP).min(10.0));
            }
            if let Some(wanted) = target.duv {
                all.push(((duv - wanted.get()) / DUV_A_STOP).min(10.0));
            }
        }
        for (index, lamp) in self.lamps.iter().enumerate() {
            let Part::Moved(first) = lamp.part else { continue };
            let (lux, _) = self.lux(index, x);
            let key = self.key.filter(|k| *k != index && matches!(self.lamps[*k].part, Part::Moved(_)));
            let wanted = match (&self.held_at, lamp.to_key, key) {
                (Some(held), ..) => held[first].exp2(),
                (None, Some(stops), Some(key)) => self.lux(key, x).0 * stops.exp2(),
                _ => lamp.asked.lux,
            };
            all.push(KEEP * (lux / wanted).log2());
            if lamp.coloured {
                let from = |i: usize| self.held_at.as_ref().map_or(0.0, |held| held[i]);
                all.extend([1, 2].map(|i| KEEP * (x[first + i] - from(first + i))));
            }
        }
        all
    }

    fn solve(&self, start: &[f64]) -> Vec<f64> {
        let (low, high) = self.bounds();
        solver::least(&|x| self.residuals(x), start, &low, &high)
    }

    /// True if every reading is met in stops, and colours as far as counts the same.
    fn met(&self, x: &[f64]) -> bool {
        self.meter_cost(x) < MET_STOPS * MET_STOPS
    }

    /// Holds every moved lamp to where it stands now.
    fn hold_at(&mut self, x: &[f64]) {
        let mut held = x.to_vec();
        for (index, lamp) in self.lamps.iter().enumerate() {
            if let Part::Moved(first) = lamp.part {
                held[first] = self.lux(index, x).0.log2();
            }
        }
        self.held_at = Some(held);
    }

    /// The sum of the squares of what the meter reads off.
    fn meter_cost(&self, x: &[f64]) -> f64 {
        let rows: usize = self
            .rows
            .iter()
            .map(|(t, _)| 1 + usize::from(t.kelvin.is_some()) + usize::from(t.duv.is_some()))
            .sum();
        self.residuals(x).iter().take(rows).map(|r| r * r).sum()
    }

    /// The variables with lamp `i` dark, if it stands at its floor and the meter then reads better.
    fn without(&mut self, i: usize, x: &[f64]) -> Option<Vec<f64>> {
        let Part::Moved(first) = self.lamps[i].part else { return None };
        let floor = self.plan.fixture(self.lamps[i].fixture).limits.floor.get();
        if floor <= 0.0 || self.key == Some(i) || x[first] > floor.log2() + 1e-6 {
            return None;
        }
        let cost = self.meter_cost(x);
        self.lamps[i].part = Part::Dark;
        let found = self.solve(x);
        if self.meter_cost(&found) < cost - WORTH_DARK {
            return Some(found);
        }
        self.lamps[i].part = Part::Moved(first);
        None
    }

    fn found(&self, x: &[f64], before: Vec<Reading>) -> Balance {
        let after = self.readings(x);
        let mut points = Vec::new();
        for (row, (before, after)) in before.into_iter().zip(after).enumerate() {
            let asked = self.rows[row].0;
            let off_stops = (after.lux().max(1e-9) / self.asked_lux(asked)).log2();
            let unmet = cause::why(self, x, row, off_stops);
            points.push(Balanced { asked: asked.clone(), before, after, off_stops, unmet });
        }
        let mut moved = Vec::new();
        let mut targets = self.written.to_vec();
        for (index, (lamp, target)) in self.lamps.iter().zip(&mut targets).enumerate() {
            if !matches!(lamp.part, Part::Moved(_) | Part::Dark) {
                continue;
            }
            let (lux, reach) = self.lux(index, x);
            let colour = if lamp.coloured { reach.colour } else { lamp.asked.colour };
            target.level = Level::Lux(Lux::clamped(lux));
            if let (true, Colour::White { mired, duv }) = (lamp.coloured, colour) {
                target.colour = ColourTarget::White(Kelvin::clamped(1e6 / mired), Duv::clamped(duv));
            }
            let share = if reach.full_lux > 0.0 { lux / reach.full_lux } else { 0.0 };
            moved.push(Moved {
                fixture: lamp.fixture,
                before: lamp.asked,
                after: Demand { lux, colour },
                share,
            });
        }
        Balance { targets, points, moved }
    }
}
