//! The light that today's is to be led to: a take's, by its readings, or the plan's.

use super::account::{Account, Here};
use super::estimate;
use super::point::{Spot, find_spot, gives, spot_name};
use super::reading::{LitLamp, Noted, Receptor};
use super::report::together;
use super::walk::points;
use crate::light::reading::{LampLight, Reading};
use crate::light::{Colour, Demand, Trim, colour, solve};
use crate::plan::{FixtureId, Look, MeterAt, Plan};

/// A reading of all lamps is one of the take's light where each was sent within so many stops of the take. Judgement:
/// a tenth of what a meter shows.
const SAME_LIGHT_STOPS: f64 = 0.02;
/// A lamp that gives more than this share of a point must have been read, for the point to be worked out. Judgement.
const MUST_BE_READ: f64 = 0.1;

/// One lamp of it.
#[derive(Debug, Clone, PartialEq)]
pub struct RefLamp {
    /// The fixture's id.
    pub fixture: String,
    /// The body that did the job.
    pub lamp: String,
    /// What it alone gave at its aim, in lux.
    pub lux: f64,
    /// Its colour: mired, and Duv where that is known.
    pub white: Option<(f64, Option<f64>)>,
    /// True if a meter said so, alone or with others.
    pub read: bool,
}

/// All of it at one meter point.
#[derive(Debug, Clone, PartialEq)]
pub struct RefPoint {
    /// Which.
    pub at: MeterAt,
    /// Its name.
    pub name: String,
    /// What caught the light.
    pub receptor: Receptor,
    /// Illuminance in lux, the room's in it.
    pub lux: f64,
    /// Its colour: mired, and Duv where that is known.
    pub white: Option<(f64, Option<f64>)>,
    /// True if it was read; else it is what lamps and room add up to.
    pub read: bool,
}

/// A light to be led to.
#[derive(Debug, Clone, PartialEq)]
pub struct Reference {
    /// What it is, such as `take 4/3`.
    pub said: String,
    /// Its look.
    pub look: String,
    /// Its lamps.
    pub lamps: Vec<RefLamp>,
    /// What it gives at the meter points that are known.
    pub points: Vec<RefPoint>,
}

/// Every meter point that one of these lamps lights, as the look's key turns it.
fn points_lit(plan: &Plan, look: &Look, lamps: &[FixtureId]) -> Vec<MeterAt> {
    let lit = |at: &MeterAt| {
        let spot = Spot::of_point(plan, *at);
        lamps.iter().any(|id| gives(plan, &spot, Receptor::Flat, *id, look.key).is_some_and(|s| s >= 0.25))
    };
    points(plan, look).into_iter().filter(lit).collect()
}

/// The plan's own light in a look: its targets, its daylight.
#[must_use]
pub fn of_plan(plan: &Plan, look: &Look) -> Reference {
    let mut lights =
        vec![LampLight { lux_at_1m: 0.0, xy: solve::dark_colour(plan).xy() }; plan.fixtures.len()];
    let mut lamps = Vec::new();
    for id in plan.fixture_ids() {
        let demand = solve::demand(plan, look, id).at(0.0);
        if demand.lux <= 0.0 {
            continue;
        }
        let fixture = plan.fixture(id);
        lights[id.0] = LampLight { lux_at_1m: demand.lux / solve::gain(fixture), xy: demand.colour.xy() };
        lamps.push(RefLamp {
            fixture: fixture.id.clone(),
            lamp: fixture.lamp_name().to_owned(),
            lux: demand.lux,
            white: match demand.colour {
                Colour::White { mired, duv } => Some((mired, Some(duv))),
                Colour::Uv(_) => None,
            },
            read: false,
        });
    }
    let lit: Vec<FixtureId> = plan.fixture_ids().filter(|id| lights[id.0].lux_at_1m > 0.0).collect();
    let point = |at: MeterAt| {
        let light = Reading::at(plan, plan.spill.receptor(at, look.key)?, &lights);
        Some(RefPoint {
            at,
            name: spot_name(plan, at),
            receptor: Receptor::Flat,
            lux: light.lux(),
            white: light.white().map(|(k, d)| (1e6 / k.get(), Some(d.get()))),
            read: false,
        })
    };
    let points = points_lit(plan, look, &lit).into_iter().filter_map(point).collect();
    Reference { said: "the plan".to_owned(), look: look.name.clone(), lamps, points }
}

/// A take's light by the readings that stood for it. `lit`: the lamps of the take as they were sent. `plan`, `look`:
/// today's, for where the meter points are and how a lamp's light reaches them.
#[must_use]
pub fn of_take(plan: &Plan, look: &Look, said: String, lit: &[LitLamp], readings: &[Noted]) -> Reference {
    let readings: Vec<Noted> = readings.iter().map(|n| by_figures_of(lit, n)).collect();
    let here = Here { plan, key: look.key, readings: &readings, then: true };
    let mut account = Account::of(&here);
    estimate::solve(&here, &mut account);
    let find = |lamp: &LitLamp| plan.fixtures.iter().position(|f| f.id == lamp.fixture).map(FixtureId);
    let lamps = lit.iter().filter(|l| l.sent_lux > 0.0).map(|l| {
        let read = find(l).and_then(|id| account.of_lamp(id));
        let off = read.map_or(0.0, |r| r.off_stops);
        let figures = colour::kelvin_of(l.sent_xy).map(|(k, d)| (1e6 / k.get(), d.get()));
        let white = read.filter(|r| r.white.is_some()).and_then(|r| {
            let (mired, duv) = figures?;
            Some((mired + r.off_mired, r.white.and_then(|w| w.1).map(|_| duv + r.off_duv)))
        });
        RefLamp {
            fixture: l.fixture.clone(),
            lamp: l.lamp.clone(),
            lux: l.sent_lux * off.exp2(),
            white,
            read: read.is_some(),
        }
    });
    let lamps: Vec<RefLamp> = lamps.collect();
    let ids: Vec<FixtureId> = lit.iter().filter(|l| l.sent_lux > 0.0).filter_map(find).collect();
    let mut points: Vec<RefPoint> = Vec::new();
    for noted in together(&here).into_iter().filter(|n| is_of(n, lit)) {
        let (Some(at), Some(lux)) = (find_spot(plan, noted.spot.name()), noted.seen.light()) else {
            continue;
        };
        if matches!(noted.spot, Spot::Point(_)) && lux > 0.0 {
            points.push(RefPoint {
                at,
                name: spot_name(plan, at),
                receptor: noted.receptor,
                lux,
                white: noted.seen.white(),
                read: true,
            });
        }
    }
    for at in points_lit(plan, look, &ids) {
        if points.iter().any(|p| p.at == at) {
            continue;
        }
        points.extend(added_up(&here, &account, lit, at));
    }
    Reference { said, look: look.name.clone(), lamps, points }
}

/// A reading, with what its lamps were sent told by the figures of the take. A lamp trim that was set between the two
/// changed the figures, so the same slots stand for other light in each record.
fn by_figures_of(lit: &[LitLamp], noted: &Noted) -> Noted {
    let lamps = noted.lamps.iter().map(|lamp| {
        let take = lit.iter().find(|l| l.fixture == lamp.fixture && l.lamp == lamp.lamp);
        let since = take.map_or(Trim::NONE, |take| lamp.trim.plus(&take.trim.back()));
        let colour = match colour::kelvin_of(lamp.sent_xy) {
            Some((kelvin, duv)) => Colour::white(kelvin, duv),
            None => Colour::Uv(lamp.sent_xy.uv76()),
        };
        let sent = since.to_demand(Demand { lux: lamp.sent_lux, colour });
        let sent_xy = if since.colours() { sent.colour.xy() } else { lamp.sent_xy };
        LitLamp { sent_lux: sent.lux, sent_xy, ..lamp.clone() }
    });
    Noted { lamps: lamps.collect(), ..noted.clone() }
}

/// True if a reading was taken in the very light: the same lamps, each as bright.
fn is_of(noted: &Noted, lit: &[LitLamp]) -> bool {
    let lit: Vec<&LitLamp> = lit.iter().filter(|l| l.sent_lux > 0.0).collect();
    noted.lamps.len() == lit.len()
        && lit.iter().all(|l| {
            let then = noted.lamps.iter().find(|n| n.fixture == l.fixture);
            then.is_some_and(|n| (n.sent_lux / l.sent_lux).log2().abs() <= SAME_LIGHT_STOPS)
        })
}

/// A point that nobody read, of what lamps alone and room give there; `None` where too much of that is not known.
fn added_up(here: &Here<'_>, account: &Account, lit: &[LitLamp], at: MeterAt) -> Option<RefPoint> {
    let spot = Spot::of_point(here.plan, at);
    let room = account.room(here, &spot);
    let mut all = room.light;
    let mut parts = Vec::new();
    for l in lit.iter().filter(|l| l.sent_lux > 0.0) {
        let id = FixtureId(here.plan.fixtures.iter().position(|f| f.id == l.fixture)?);
        let light = account.light(here, (&spot, Receptor::Flat), id, (l.sent_lux, l.sent_xy))?;
        parts.push((account.of_lamp(id).is_some(), light.lux()));
        all = all.and(&light);
    }
    let unread = parts.iter().any(|(read, lux)| !read && *lux > MUST_BE_READ * all.lux());
    let doubtful = room.doubt_lux > MUST_BE_READ * all.lux();
    if unread || doubtful || all.lux() <= 0.0 {
        return None;
    }
    // Colours of lamps that nobody read are figures: no reading to hold today's against.
    let coloured = lit.iter().filter(|l| l.sent_lux > 0.0).zip(&parts).all(|(l, (_, lux))| {
        let id = here.plan.fixtures.iter().position(|f| f.id == l.fixture).map(FixtureId);
        let white = id.and_then(|id| account.of_lamp(id)).is_some_and(|r| r.white.is_some());
        white || *lux <= MUST_BE_READ * all.lux()
    });
    Some(RefPoint {
        at,
        name: spot.name().to_owned(),
        receptor: Receptor::Flat,
        lux: all.lux(),
        white: all.white().filter(|_| coloured).map(|(k, d)| (1e6 / k.get(), Some(d.get()))),
        read: false,
    })
}
