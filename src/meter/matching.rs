//! Leading today's light to another: the trims that do it, lamp by lamp, by what meters have read.
//!
//! Two parts, kept apart. The *lamp trim* makes a body's figures true: what it alone was read to give, against what its
//! slots stand for. It holds in every look. The *look trim* then asks that look for the light to be met: each lamp at
//! what it gave, moved so that every meter point reads what it read, today's room light in it. That is the problem
//! of a balanced look (`light::balance`), with the contribution table, on figures that are true.

use super::account::{Account, Here, LampRead};
use super::estimate;
use super::point::Spot;
use super::reading::Noted;
use super::reference::{RefPoint, Reference};
use super::report::{corrected, together};
use super::wanted::{points_off, true_plan, wanted_look};
use crate::light::balance;
use crate::light::trim::{MOST_DUV, MOST_MIRED, MOST_STOPS};
use crate::light::{Colour, Demand, Trim, colour, photometry, solve};
use crate::plan::{FixtureId, Level, Look, Plan};

/// A point that reads so near, in stops, is met. Source: practice.md, match tolerance: continuity key 0.1 stop.
pub const MATCH_STOPS: f64 = 0.1;
/// The same of colour, in mired. Source: the requirement of the take log and the meter.
pub const MATCH_MIRED: f64 = 5.0;
/// The same of tint, in Duv. Source: practice.md, match tolerance.
const MATCH_DUV: f64 = 0.003;
/// The last digit of tint that is shown, in Duv.
const LAST_DUV: f64 = 0.0001;
/// A change under this, in stops, mired and Duv, is none.
const LEAST: Trim = Trim { stops: 0.01, mired: 0.5, duv: 0.0002 };
/// From here on, in stops, a lamp's distance is told as another way.
const TOLD_DISTANCE: f64 = 0.05;

/// What a lamp was asked, and its trims, before anything is done.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Present {
    /// What the look asks of it, look trim in.
    pub asked: Demand,
    /// Its look trim.
    pub look_trim: Trim,
    /// True if it can be lit: the wire drives it, it is here, and no protected face holds it.
    pub here: bool,
}

/// What to do with one lamp.
#[derive(Debug, Clone, PartialEq)]
pub struct LampAdvice {
    /// The lamp.
    pub fixture: FixtureId,
    /// The body that did the job then, where it is another one now.
    pub other_body: Option<String>,
    /// What it gave then at its aim, in lux; `None`: it was not lit then.
    pub then_lux: Option<f64>,
    /// What it gives now as it is asked, in lux, by its reading or else by its figures.
    pub now_lux: f64,
    /// True if a meter has told that.
    pub read: bool,
    /// All that it is to change by.
    pub change: Trim,
    /// What of that is added to the lamp trim.
    pub lamp_trim: Trim,
    /// The look trim that it is to have.
    pub look_trim: Trim,
    /// The same light by moving it: where it reads as if it stood, and where to, in metres.
    pub distance_m: Option<(f64, f64)>,
    /// What a person should know of it.
    pub notes: Vec<String>,
}

/// One meter point.
#[derive(Debug, Clone, PartialEq)]
pub struct PointAdvice {
    /// Its name.
    pub name: String,
    /// Light then: lux, mired.
    pub then: (f64, Option<f64>),
    /// True if that was read.
    pub then_read: bool,
    /// Light as it is, the same way; `None` where that cannot be said.
    pub now: Option<(f64, Option<f64>)>,
    /// True if that was read.
    pub now_read: bool,
    /// Light after the trims, planned.
    pub after: Option<(f64, Option<f64>)>,
}

/// What leads today's light to the reference.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Advice {
    /// Lamps, in the plan's order.
    pub lamps: Vec<LampAdvice>,
    /// Meter points.
    pub points: Vec<PointAdvice>,
    /// Lamps of then that are not here: id and what they gave, in lux.
    pub missing: Vec<(String, f64)>,
    /// What else a person should know.
    pub notes: Vec<String>,
}

/// A point that reads what it read.
#[derive(Debug, Clone, PartialEq)]
pub struct Matched {
    /// Its name.
    pub name: String,
    /// Stops by which it is over.
    pub off_stops: f64,
    /// Mired by which it is warmer, where both were read.
    pub off_mired: Option<f64>,
    /// True if both are within what counts as met.
    pub met: bool,
}

/// How far a reading of today's light at a reference's point is off it; `None` where either has no light.
#[must_use]
pub fn held_against(point: &RefPoint, noted: &Noted) -> Option<Matched> {
    let lux = noted.seen.light().filter(|lux| *lux > 0.0 && point.lux > 0.0)?;
    let off_stops = (lux / point.lux).log2();
    let off_mired = noted.seen.white().zip(point.white).map(|(now, then)| now.0 - then.0);
    let met = off_stops.abs() <= MATCH_STOPS && off_mired.is_none_or(|m| m.abs() <= MATCH_MIRED);
    Some(Matched { name: point.name.clone(), off_stops, off_mired, met })
}

/// What leads today's light to `reference`. `here`: today's readings, in the plan in force with its lamp trims. `look`:
/// as it is written, no look trims in. `present`: every fixture, in the plan's order.
#[must_use]
pub fn match_to(here: &Here<'_>, look: &Look, present: &[Present], reference: &Reference) -> Advice {
    let mut account = Account::of(here);
    estimate::solve(here, &mut account);
    let plan = here.plan;
    let mut advice = Advice::default();
    let trims: Vec<Trim> = plan
        .fixture_ids()
        .map(|id| {
            let read = account.of_lamp(id).filter(|_| present[id.0].here);
            read.and_then(|read| corrected(plan.fixture(id), read, present[id.0].asked)).unwrap_or(Trim::NONE)
        })
        .collect();
    let true_plan = true_plan(here, &account, look, &trims);
    let wanted = wanted_look(&true_plan, look, present, reference, &account, here);
    let absent = |id: FixtureId| !present[id.0].here;
    let found = balance::balance(&true_plan, &wanted, &absent);
    for id in plan.fixture_ids() {
        let targets = found.as_ref().map_or(&wanted.targets, |b| &b.targets);
        let Some(target) = targets.iter().find(|t| t.fixture == id) else { continue };
        if absent(id) || present[id.0].asked.lux <= 0.0 {
            continue;
        }
        let written = solve::demand(&true_plan, look, id).base;
        let to =
            Demand { lux: lux_of(target.level).unwrap_or(written.lux), colour: Colour::of(&target.colour) };
        let to = askable(&true_plan, id, written, to);
        let lamp = lamp(here, id, &account, &present[id.0], (trims[id.0], written, to), reference);
        advice.lamps.push(lamp);
    }
    points(here, &account, reference, found.as_ref(), &mut advice);
    for lamp in &reference.lamps {
        let here_now = plan.fixtures.iter().position(|f| f.id == lamp.fixture);
        if here_now.is_none_or(|index| !present[index].here) {
            advice.missing.push((lamp.fixture.clone(), lamp.lux));
        }
    }
    if account.rooms.is_empty() {
        advice.notes.push(if plan.daylight.is_empty() {
            "no room light was read: it is taken to be none".to_owned()
        } else {
            "no room light was read: the plan's daylight stands in for it".to_owned()
        });
    }
    advice
}

fn lux_of(level: Level) -> Option<f64> {
    match level {
        Level::Lux(lux) => Some(lux.get()),
        _ => None,
    }
}

fn white_of(colour: Colour) -> Option<(f64, f64)> {
    match colour {
        Colour::White { mired, duv } => Some((mired, duv)),
        Colour::Uv(uv) => colour::kelvin_of(uv.xy()).map(|(k, d)| (1e6 / k.get(), d.get())),
    }
}

/// From one demand to another.
fn between(from: Demand, to: Demand) -> Trim {
    let whites = white_of(from.colour).zip(white_of(to.colour));
    let stops = if from.lux > 0.0 && to.lux > 0.0 { (to.lux / from.lux).log2() } else { -MOST_STOPS };
    Trim { stops, mired: whites.map_or(0.0, |(a, b)| b.0 - a.0), duv: whites.map_or(0.0, |(a, b)| b.1 - a.1) }
}

/// Without what is too small to be a change.
fn worth(change: Trim) -> Trim {
    let part = |value: f64, least: f64| if value.abs() < least { 0.0 } else { value };
    Trim {
        stops: part(change.stops, LEAST.stops),
        mired: part(change.mired, LEAST.mired),
        duv: part(change.duv, LEAST.duv),
    }
}

/// A lamp gives the nearest that it can of what is asked. Where it gives nothing nearer to what is wanted than it does by
/// what its look asks, no other colour is asked: a lamp of one white, or at the end of its range, is what it is whatever a
/// trim says.
fn askable(plan: &Plan, id: FixtureId, written: Demand, to: Demand) -> Demand {
    let gives = |colour: Colour| gives(plan, id, Demand { lux: to.lux, colour });
    let whites = (gives(written.colour), gives(to.colour), white_of(written.colour), white_of(to.colour));
    let (Some(has), Some(gets), Some(asks), Some(want)) = whites else { return to };
    let off = |white: (f64, f64)| (white.0 - want.0).abs();
    let mired = if off(has) <= off(gets) + 0.5 * LEAST.mired { asks.0 } else { gets.0 };
    let duv = if (gets.1 - has.1).abs() < LEAST.duv { asks.1 } else { gets.1 };
    Demand { lux: to.lux, colour: Colour::White { mired, duv } }
}

/// The white that a lamp gives of a demand, by its figures.
fn gives(plan: &Plan, id: FixtureId, demand: Demand) -> Option<(f64, f64)> {
    white_of(solve::reach(plan.fixture(id), &demand).colour)
}

/// `way`: the lamp trim's change, what the look asks without trims on true figures, and what it is to ask.
fn lamp(
    here: &Here<'_>,
    id: FixtureId,
    account: &Account,
    present: &Present,
    way: (Trim, Demand, Demand),
    reference: &Reference,
) -> LampAdvice {
    let (lamp_trim, written, to) = way;
    let fixture = here.plan.fixture(id);
    let read: Option<&LampRead> = account.of_lamp(id);
    let off = read.map_or(Trim::NONE, |r| Trim { stops: r.off_stops, mired: r.off_mired, duv: r.off_duv });
    let now = off.to_demand(present.asked);
    // A trim that is there already is left alone where it is right.
    let asked_more = worth(between(written, to).plus(&present.look_trim.back()));
    let then = reference.lamps.iter().find(|l| l.fixture == fixture.id);
    // Of colours what trims can do and no more.
    let change = worth(Trim { stops: between(now, to).stops, ..lamp_trim.plus(&asked_more) });
    let radius = fixture.radius_m.unwrap_or(0.0);
    let stands = read
        .filter(|r| r.off_stops.abs() >= TOLD_DISTANCE)
        .and_then(|r| photometry::distance_for_stops(fixture.place.distance_m, radius, r.off_stops));
    let distance_m = stands
        .filter(|_| change.stops.abs() >= TOLD_DISTANCE)
        .and_then(|from| Some((from, photometry::distance_for_stops(from, radius, change.stops)?)));
    let mut notes = read.map_or_else(Vec::new, |r| r.notes.clone());
    let white_now =
        gives(here.plan, id, present.asked).map(|(mired, duv)| (mired + off.mired, duv + off.duv));
    notes.extend(then.and_then(|l| l.white).zip(white_now).and_then(|((mired, duv), now)| {
        // A tint that a meter did not show is no one's to judge.
        let shown = read.is_none_or(|r| r.white.is_some_and(|w| w.1.is_some()));
        colour_left((mired, duv.filter(|_| shown)), (now.0 + change.mired, now.1 + change.duv))
    }));
    LampAdvice {
        fixture: id,
        other_body: then.map(|l| l.lamp.clone()).filter(|lamp| lamp != fixture.lamp_name()),
        then_lux: then.map(|l| l.lux),
        now_lux: now.lux,
        read: read.is_some(),
        change,
        lamp_trim,
        look_trim: clamped(present.look_trim.plus(&asked_more)),
        distance_m,
        notes,
    }
}

/// What a lamp's colour stays off by after all changes, where that shows.
fn colour_left(then: (f64, Option<f64>), after: (f64, f64)) -> Option<String> {
    let (mired, duv) = (after.0 - then.0, then.1.map_or(0.0, |then| after.1 - then));
    let mut left = Vec::new();
    if mired.abs() > MATCH_MIRED {
        left.push(format!("{:.0} mired {}", mired.abs(), if mired > 0.0 { "warmer" } else { "cooler" }));
    }
    if duv.abs() > MATCH_DUV + 0.5 * LAST_DUV {
        left.push(format!("{:.4} Duv {}", duv.abs(), if duv > 0.0 { "greener" } else { "pinker" }));
    }
    let left = left.join(" and ");
    (!left.is_empty())
        .then(|| format!("it has no nearer colour: it stays {left}; a gel or another lamp would meet it"))
}

fn clamped(trim: Trim) -> Trim {
    Trim {
        stops: trim.stops.clamp(-MOST_STOPS, MOST_STOPS),
        mired: trim.mired.clamp(-MOST_MIRED, MOST_MIRED),
        duv: trim.duv.clamp(-MOST_DUV, MOST_DUV),
    }
}

fn points(
    here: &Here<'_>,
    account: &Account,
    reference: &Reference,
    found: Option<&balance::Balance>,
    advice: &mut Advice,
) {
    let off = points_off(here, account);
    for point in &reference.points {
        let spot = Spot::of_point(here.plan, point.at);
        let here_off = off.iter().find(|o| o.0.same_as(&spot, here.plan, here.key));
        let (stops, mired) = here_off.map_or((0.0, 0.0), |o| (o.2, o.3));
        let read = together(here).into_iter().find(|n| n.spot.same_as(&spot, here.plan, here.key));
        let after = found.and_then(|b| b.points.iter().find(|p| p.asked.at == point.at)).map(|p| {
            let white = p.after.white().map(|(k, _)| 1e6 / k.get() + mired);
            (p.after.lux() * stops.exp2(), white)
        });
        advice.points.push(PointAdvice {
            name: point.name.clone(),
            then: (point.lux, point.white.map(|w| w.0)),
            then_read: point.read,
            now: read.and_then(|n| Some((n.seen.light()?, n.seen.white().map(|w| w.0)))),
            now_read: read.is_some(),
            after,
        });
    }
}
