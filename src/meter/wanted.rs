//! The problem behind a match: the plan with true figures and today's room light, and the look that is to be balanced on
//! it.

use super::account::{Account, Here};
use super::matching::Present;
use super::point::{Spot, gives, own_share};
use super::reading::{Noted, Receptor};
use super::reference::{RefPoint, Reference};
use super::report::{reckoned, together};
use crate::light::{Colour, Trim};
use crate::plan::{ColourTarget, Daylight, FixtureId, Level, Look, MeterTarget, Plan, Target};
use crate::units::{Duv, Kelvin, Lux, Stops};

/// A point that had more than this share of its light from lamps that are not here is left alone. Judgement.
const GONE_SHARE: f64 = 0.3;

/// The plan with true figures and the room's light as it was read.
pub(super) fn true_plan(here: &Here<'_>, account: &Account, look: &Look, trims: &[Trim]) -> Plan {
    let mut plan = here.plan.clone();
    for (fixture, trim) in plan.fixtures.iter_mut().zip(trims) {
        fixture.emitters = trim.to_figures(&fixture.emitters, here.plan.exposure.white_balance);
    }
    // What a meter read of a lamp at its aim has the boards' and the walls' part of it in.
    for read in &account.lamps {
        let own = own_share(here.plan, read.fixture);
        for receptor in &mut plan.spill.receptors {
            let sent = &mut receptor.lamps[read.fixture.0];
            sent.direct /= own;
            sent.board /= own;
            sent.room = sent.room.map(|part| part / own);
        }
    }
    if account.rooms.is_empty() {
        return plan;
    }
    // One window for each room reading, that lights the points it was read for or is nearest to.
    let white = here.plan.exposure.white_balance;
    plan.daylight = account
        .rooms
        .iter()
        .map(|room| Daylight {
            id: room.spot.name().to_owned(),
            position: [0.0; 3],
            kelvin: room.light.white().map_or(white, |(k, _)| k),
            reading: Lux::clamped(room.light.lux()),
            age_s: 0.0,
        })
        .collect();
    let rooms: Vec<(f64, Option<usize>)> = plan
        .spill
        .receptors
        .iter()
        .map(|receptor| {
            let turned = Here { key: receptor.key.or(look.key), ..*here };
            let taken = account.room(&turned, &Spot::of_point(here.plan, receptor.at));
            let from = account.rooms.iter().position(|r| r.light == taken.light);
            (taken.light.lux(), from)
        })
        .collect();
    for (receptor, (lux, from)) in plan.spill.receptors.iter_mut().zip(rooms) {
        receptor.daylight = vec![0.0; account.rooms.len()];
        if let Some(from) = from {
            receptor.daylight[from] = lux;
        }
    }
    plan
}

/// A point's reading of all lamps over what lamps and room add up to: stops, mired, and true if its colour was read.
pub(super) type Off = (Spot, Receptor, f64, f64, bool);

pub(super) fn points_off(here: &Here<'_>, account: &Account) -> Vec<Off> {
    let off = |noted: &&Noted| {
        let (sum, _) = reckoned(here, account, noted)?;
        let lux = noted.seen.light().filter(|lux| *lux > 0.0 && sum.lux() > 0.0)?;
        let white = noted.seen.white().zip(sum.white());
        let mired = white.map_or(0.0, |(read, (k, _))| read.0 - 1e6 / k.get());
        Some((noted.spot.clone(), noted.receptor, (lux / sum.lux()).log2(), mired, white.is_some()))
    };
    together(here).iter().filter_map(off).collect()
}

/// The look that is to be balanced: lamps at what they gave, points at what they read.
pub(super) fn wanted_look(
    plan: &Plan,
    look: &Look,
    present: &[Present],
    reference: &Reference,
    account: &Account,
    here: &Here<'_>,
) -> Look {
    let off = points_off(here, account);
    let target = |target: &Target| {
        let fixture = plan.fixture(target.fixture);
        let asked = present[target.fixture.0].asked;
        let then = reference.lamps.iter().find(|l| l.fixture == fixture.id);
        let colour = match (asked.colour, then.and_then(|l| l.white)) {
            (Colour::White { duv, .. }, Some((mired, then_duv))) => {
                ColourTarget::White(Kelvin::clamped(1e6 / mired), Duv::clamped(then_duv.unwrap_or(duv)))
            }
            (Colour::White { mired, duv }, None) => {
                ColourTarget::White(Kelvin::clamped(1e6 / mired), Duv::clamped(duv))
            }
            (Colour::Uv(uv), _) => ColourTarget::Xy(uv.xy()),
        };
        let lux = then.map_or(asked.lux, |l| l.lux);
        Target { level: Level::Lux(Lux::clamped(lux)), colour, ..target.clone() }
    };
    let zero = plan.exposure.zero_stops.get();
    let meter = |point: &RefPoint| {
        let spot = Spot::of_point(plan, point.at);
        // What today's sum is off there it will be off after, too.
        let here_off = off.iter().find(|o| o.0.same_as(&spot, here.plan, here.key));
        let (stops, mired) = here_off.map_or((0.0, 0.0), |o| (o.2, o.3));
        let known = colour_known(here, account, &spot, reference, present) || here_off.is_some_and(|o| o.4);
        let white = point.white.filter(|_| known);
        let duv = white.and_then(|w| w.1);
        MeterTarget {
            point: point.name.clone(),
            at: point.at,
            stops: Stops::clamped((point.lux / zero).log2() - stops),
            kelvin: white.map(|w| Kelvin::clamped(1e6 / (w.0 - mired).max(1.0))),
            duv: duv.map(Duv::clamped),
        }
    };
    // What a lamp made that is not here is not asked of the others.
    let gone = |p: &RefPoint| {
        let spot = Spot::of_point(plan, p.at);
        let part = reference.lamps.iter().filter_map(|l| {
            let id = plan.fixtures.iter().position(|f| f.id == l.fixture).map(FixtureId)?;
            let share = gives(plan, &spot, Receptor::Flat, id, here.key).filter(|_| !present[id.0].here)?;
            Some(l.lux * share)
        });
        part.sum::<f64>() > GONE_SHARE * p.lux
    };
    let there = |p: &&RefPoint| {
        p.receptor == Receptor::Flat && plan.spill.receptor(p.at, look.key).is_some() && !gone(p)
    };
    Look {
        targets: look.targets.iter().map(target).collect(),
        meter: reference.points.iter().filter(there).map(meter).collect(),
        balanced: None,
        ..look.clone()
    }
}

/// True if today's colour at a spot is known by readings: of every lamp that gives a tenth of it.
fn colour_known(
    here: &Here<'_>,
    account: &Account,
    spot: &Spot,
    reference: &Reference,
    present: &[Present],
) -> bool {
    let parts: Vec<(bool, f64)> = reference
        .lamps
        .iter()
        .filter_map(|l| {
            let id = FixtureId(here.plan.fixtures.iter().position(|f| f.id == l.fixture)?);
            let share =
                gives(here.plan, spot, Receptor::Flat, id, here.key).filter(|_| present[id.0].here)?;
            Some((account.of_lamp(id).is_some_and(|r| r.white.is_some()), l.lux * share))
        })
        .collect();
    let all: f64 = parts.iter().map(|p| p.1).sum();
    parts.iter().all(|(known, lux)| *known || *lux <= 0.1 * all)
}
