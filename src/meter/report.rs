//! What a walk comes to: the room's share, each lamp against what was asked of it, both ratios, whether the lamps and
//! the room account for all the light, and the trims that reach what was asked.

use super::account::{Account, Here, LampRead};
use super::point::Spot;
use super::reading::Noted;
use crate::light::photometry::{self, Contrast};
use crate::light::reading::Reading;
use crate::light::{Demand, Trim, solve};
use crate::plan::{Aim, Fixture, FixtureId, Plan};

/// From here on a sum that is off says that there is other light. Source: practice.md, pain 28.
pub const OTHER_LIGHT_STOPS: f64 = 0.1;
/// Light that is off by less is not worth a trim. Judgement: a fifth of what a meter's last digit shows.
pub(super) const LEAST_STOPS: f64 = 0.02;
/// A colour that is off by less is not worth a trim. Judgement: half of a meter's last digit, and far under what
/// two lamps side by side show.
pub(super) const LEAST_MIRED: f64 = 1.0;
/// The same of tint.
pub(super) const LEAST_DUV: f64 = 0.0004;
/// A trim reaches a target that is then met to so many stops.
const REACHES_STOPS: f64 = 0.05;
/// A tint that a lamp cannot give better than so many Duv is left out of its trim.
const TINT_MISS: f64 = 0.0006;

/// The greatest light in lux that may be sent of a demand to a lamp with these figures.
pub(super) type Most<'a> = &'a dyn Fn(&Fixture, FixtureId, Demand) -> f64;

/// The room's light at one spot.
#[derive(Debug, Clone, PartialEq)]
pub struct RoomShare {
    /// Where.
    pub spot: Spot,
    /// In lux.
    pub lux: f64,
    /// True if it is only known to be less than a meter can show.
    pub under: bool,
    /// Against the key alone, where both are known: stops, and a share.
    pub to_key: Option<(f64, f64)>,
    /// Share of all the light there, where that is known.
    pub of_all: Option<f64>,
    /// When it was read.
    pub taken_s: f64,
}

/// All lamps together at one spot.
#[derive(Debug, Clone, PartialEq)]
pub struct Sum {
    /// Where.
    pub spot: Spot,
    /// As read, in lux.
    pub read_lux: f64,
    /// What lamps alone and room add up to there, in lux.
    pub reckoned_lux: f64,
    /// Stops by which the reading is over that.
    pub off_stops: f64,
    /// Lamps that nobody has read alone: their figures stand in for them.
    pub unread: Vec<FixtureId>,
}

/// Key against fill as read one at a time.
#[derive(Debug, Clone, PartialEq)]
pub struct RatioRead {
    /// The key alone, in lux.
    pub key_lux: f64,
    /// What lights the same face from the front beside it, each alone, in lux.
    pub fill_lux: f64,
    /// The lamps of that.
    pub fill: Vec<FixtureId>,
    /// Both ratios.
    pub contrast: Contrast,
    /// The same with the room's light on both sides, where it is known and there is some.
    pub with_room: Option<Contrast>,
}

/// A trim that reaches what was asked, or why none does.
#[derive(Debug, Clone, PartialEq)]
pub struct Offer {
    /// The lamp.
    pub fixture: FixtureId,
    /// What is added to its lamp trim.
    pub trim: Trim,
    /// Why it does not reach what was asked, with what else would; `None`: it does.
    pub short: Option<String>,
}

/// What a walk comes to.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Report {
    /// The room.
    pub rooms: Vec<RoomShare>,
    /// Each lamp that was read alone.
    pub lamps: Vec<LampRead>,
    /// All together, at each spot where that was read.
    pub sums: Vec<Sum>,
    /// Both ratios.
    pub ratio: Option<RatioRead>,
    /// A trim for each lamp that is off.
    pub offers: Vec<Offer>,
}

/// What readings come to in a look. `asked`: what the look asks of each lamp that it lights. `most`: see `Most`.
#[must_use]
pub fn report(here: &Here<'_>, asked: &[(FixtureId, Demand)], most: Most<'_>) -> Report {
    let account = Account::of(here);
    let sums = sums(here, &account);
    let offers = asked.iter().filter_map(|(id, demand)| {
        let read = account.of_lamp(*id)?;
        offer(here.plan, read, *demand, most)
    });
    Report {
        rooms: rooms(here, &account, &sums),
        ratio: ratio(here, &account),
        offers: offers.collect(),
        lamps: account.lamps,
        sums,
    }
}

fn rooms(here: &Here<'_>, account: &Account, sums: &[Sum]) -> Vec<RoomShare> {
    let key = here.key.and_then(|key| account.of_lamp(key)).map(|read| read.lux);
    let share = |room: &super::account::RoomRead| {
        let lux = room.light.lux();
        let all = sums.iter().find(|s| s.spot == room.spot).map(|s| s.read_lux);
        RoomShare {
            spot: room.spot.clone(),
            lux: if room.at_most_lux > 0.0 { room.at_most_lux } else { lux },
            under: room.at_most_lux > 0.0,
            to_key: key.filter(|key| lux > 0.0 && *key > 0.0).map(|key| ((lux / key).log2(), lux / key)),
            of_all: all.filter(|all| *all > 0.0).map(|all| lux / all),
            taken_s: room.taken_s,
        }
    };
    account.rooms.iter().map(share).collect()
}

/// The newest reading of all lamps together at each spot.
pub(super) fn together<'a>(here: &Here<'a>) -> Vec<&'a Noted> {
    let mut newest: Vec<&Noted> = Vec::new();
    for noted in here.readings.iter().filter(|n| n.lamps.len() > 1 && n.counts()) {
        newest.retain(|other| other.spot != noted.spot);
        newest.push(noted);
    }
    newest
}

/// What lamps alone and the room add up to where all were read together, and the lamps that were not read alone;
/// `None` where that cannot be worked out.
pub(super) fn reckoned(
    here: &Here<'_>,
    account: &Account,
    noted: &Noted,
) -> Option<(Reading, Vec<FixtureId>)> {
    let mut all = account.room(here, &noted.spot).light;
    let mut unread = Vec::new();
    for lit in &noted.lamps {
        let id = FixtureId(here.plan.fixtures.iter().position(|f| f.id == lit.fixture)?);
        let sent = here.sent(id, lit)?;
        let light = account.light(here, (&noted.spot, noted.receptor), id, sent)?;
        all = all.and(&light);
        if account.of_lamp(id).is_none() {
            unread.push(id);
        }
    }
    Some((all, unread))
}

fn sums(here: &Here<'_>, account: &Account) -> Vec<Sum> {
    let sum = |noted: &&Noted| {
        let (reckoned, unread) = reckoned(here, account, noted)?;
        let read_lux = noted.seen.light()?;
        let reckoned_lux = reckoned.lux();
        (read_lux > 0.0 && reckoned_lux > 0.0).then(|| Sum {
            spot: noted.spot.clone(),
            read_lux,
            reckoned_lux,
            off_stops: (read_lux / reckoned_lux).log2(),
            unread,
        })
    };
    together(here).iter().filter_map(sum).collect()
}

fn ratio(here: &Here<'_>, account: &Account) -> Option<RatioRead> {
    let plan = here.plan;
    let key = here.key?;
    let Aim::Face(subject) = plan.fixture(key).place.aim else { return None };
    let face = plan.subjects.get(subject.0)?;
    let key_lux = account.of_lamp(key)?.lux;
    // A lamp behind the ears lights the rim, not the shadow.
    let in_front = |id: FixtureId| {
        let at = plan.fixture(id).place.position;
        (0..2).map(|i| (at[i] - face.position[i]) * face.facing[i]).sum::<f64>() > 0.0
    };
    let fills = |read: &&LampRead| {
        let id = read.fixture;
        id != key && plan.fixture(id).place.aim == Aim::Face(subject) && in_front(id)
    };
    let fills: Vec<&LampRead> = account.lamps.iter().filter(fills).collect();
    let fill_lux: f64 = fills.iter().map(|read| read.lux).sum();
    let contrast = photometry::contrast(key_lux, fill_lux)?;
    let room = account.room(here, &Spot::Aim(plan.fixture(key).id.clone())).light.lux();
    Some(RatioRead {
        key_lux,
        fill_lux,
        fill: fills.iter().map(|read| read.fixture).collect(),
        contrast,
        with_room: photometry::contrast(key_lux, fill_lux + room).filter(|_| room > 0.0),
    })
}

/// The lamp trim that leads a lamp to what was asked of it; `None` where it is there.
fn offer(plan: &Plan, read: &LampRead, demand: Demand, most: Most<'_>) -> Option<Offer> {
    let trim = corrected(plan.fixture(read.fixture), read, demand)?;
    let fixture = plan.fixture(read.fixture);
    let after = Fixture {
        emitters: trim.to_figures(&fixture.emitters, plan.exposure.white_balance),
        ..fixture.clone()
    };
    let has = most(&after, read.fixture, demand);
    let short = if has > 0.0 { (demand.lux / has).log2() } else { f64::INFINITY };
    let short = (short > REACHES_STOPS).then(|| {
        let radius = fixture.radius_m.unwrap_or(0.0);
        let away = fixture.place.distance_m;
        let nearer = photometry::distance_for_stops(away, radius, short).filter(|_| short.is_finite());
        match nearer {
            Some(nearer) => format!(
                "{} has {short:.1} stop too little for it: {:.2} of its distance would do, or a lower target",
                fixture.id,
                nearer / away
            ),
            None => format!("{} has no light for it: another lamp, or a lower target", fixture.id),
        }
    });
    Some(Offer { fixture: read.fixture, trim, short })
}

/// What makes a lamp's figures true, as far as it can be told and given; `None`: they are.
pub(super) fn corrected(fixture: &Fixture, read: &LampRead, demand: Demand) -> Option<Trim> {
    let small = |value: f64, least: f64| if value.abs() < least { 0.0 } else { value };
    let has_colour = fixture.mode.has_colour(fixture.emitters.len());
    let mut trim = Trim {
        stops: small(-read.off_stops, LEAST_STOPS),
        mired: if has_colour { small(-read.off_mired, LEAST_MIRED) } else { 0.0 },
        duv: if has_colour { small(-read.off_duv, LEAST_DUV) } else { 0.0 },
    };
    if trim.duv != 0.0 && !gives_tint(fixture, read, demand) {
        trim.duv = 0.0;
    }
    (!trim.is_none() && trim.possible()).then_some(trim)
}

/// True if the lamp can move its tint by what it is off.
fn gives_tint(fixture: &Fixture, read: &LampRead, demand: Demand) -> bool {
    let wanted = Trim { duv: -read.off_duv, ..Trim::NONE }.to_demand(demand);
    let miss = |demand: &Demand| solve::reach(fixture, demand).miss.and_then(|m| m.duv).unwrap_or(0.0);
    (miss(&wanted) - miss(&demand)).abs() <= TINT_MISS
}
