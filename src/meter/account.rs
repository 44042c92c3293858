//! Readings against the plan's figures: what the room gives, and how far each lamp is off its figures.
//!
//! Figures are those of the plan in force, lamp trims in: what a trim has set right is no longer off.

use super::point::{Held, Spot, distance, gives, gives_of_read, plane, same};
use super::reading::{LitLamp, Noted, Receptor};
use crate::channels;
use crate::light::reading::Reading;
use crate::light::{colour, solve};
use crate::plan::{FixtureId, Plan};
use crate::units::{Duv, Kelvin, Xy};

/// A room's light read within this, in metres, is taken for one at the same head. Judgement.
const NEAR_M: f64 = 0.5;
/// A lamp that gives a spot less than this share of what it gives at its aim is not judged by it. Judgement.
const LEAST_SHARE: f64 = 0.05;
/// Where the room has a colour that nobody read and more than this share of the light, the lamp's colour is not
/// known. Judgement: 2 mired where the room is 100 mired off.
const COLOUR_SHARE: f64 = 0.02;
/// Share by which a room's light may be other than read, where it was read at the same head another way round, and
/// elsewhere. Judgement: a window lights one side.
const DOUBT: (f64, f64) = (0.5, 1.0);

/// Everything that today's readings are held against.
#[derive(Debug, Clone, Copy)]
pub struct Here<'a> {
    /// The plan in force, lamp trims in its figures.
    pub plan: &'a Plan,
    /// The key of the look, which turns points at the face.
    pub key: Option<FixtureId>,
    /// Readings, the newest last.
    pub readings: &'a [Noted],
    /// True for readings of another day: what was sent then goes by the figures of then.
    pub then: bool,
}

/// The room's light at a spot.
#[derive(Debug, Clone, PartialEq)]
pub struct RoomRead {
    /// Where it was read.
    pub spot: Spot,
    /// The reading.
    pub id: u64,
    /// Its light.
    pub light: Reading,
    /// True if its colour was read.
    pub coloured: bool,
    /// More light than is told may be there, in lux: where a meter only said that it is less than this.
    pub at_most_lux: f64,
    /// When it was read, in seconds of the engine's time.
    pub taken_s: f64,
}

/// What is taken off a reading for the room.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Taken {
    /// The light.
    pub light: Reading,
    /// By how much it may be off either way, in lux.
    pub doubt_lux: f64,
    /// True if its colour was read.
    pub coloured: bool,
    /// Where it was read instead; `None`: here.
    pub instead: Option<String>,
    /// False where no room light was read at all.
    pub known: bool,
}

/// What one lamp alone was read to give.
#[derive(Debug, Clone, PartialEq)]
pub struct LampRead {
    /// The lamp.
    pub fixture: FixtureId,
    /// The reading.
    pub id: u64,
    /// Where it was read.
    pub spot: Spot,
    /// Illuminance in lux at its aim, the room's taken off.
    pub lux: f64,
    /// What of the reading was the room's, in lux.
    pub room_lux: f64,
    /// Its colour there: mired, and Duv where it was read.
    pub white: Option<(f64, Option<f64>)>,
    /// What its slots stood for, in lux at its aim, by the figures as they are now.
    pub sent_lux: f64,
    /// The same as chromaticity.
    pub sent_xy: Xy,
    /// What its look asked then, in lux at its aim.
    pub asked_lux: f64,
    /// Stops by which it gives more than its figures.
    pub off_stops: f64,
    /// Mired by which it is warmer than its figures; 0 where its colour was not read.
    pub off_mired: f64,
    /// Duv by which it is greener than its figures; 0 where its tint was not read.
    pub off_duv: f64,
    /// Stops by which all this may be off for the room's light.
    pub doubt_stops: f64,
    /// What a person should know of it.
    pub notes: Vec<String>,
}

/// Readings and what they say.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Account {
    /// The room's light, the newest reading of each spot.
    pub rooms: Vec<RoomRead>,
    /// Each lamp that was read alone, by its newest reading, in the plan's order.
    pub lamps: Vec<LampRead>,
}

impl Account {
    /// Of the room alone.
    #[must_use]
    pub fn of_rooms(here: &Here<'_>) -> Self {
        Self { rooms: rooms(here), lamps: Vec::new() }
    }

    /// Of today's readings.
    #[must_use]
    pub fn of(here: &Here<'_>) -> Self {
        let mut account = Self::of_rooms(here);
        for id in here.plan.fixture_ids() {
            let own =
                |n: &&Noted| n.counts() && n.alone().is_some_and(|l| l.fixture == here.plan.fixture(id).id);
            let found = here.readings.iter().rev().filter(own).find_map(|n| account.lamp(here, id, n));
            account.lamps.extend(found);
        }
        account
    }

    /// What the room gives at a spot.
    #[must_use]
    pub fn room(&self, here: &Here<'_>, spot: &Spot) -> Taken {
        let at = |spot: &Spot| spot.find(here.plan).and_then(|held| plane(here.plan, held, here.key));
        let Some(wanted) = at(spot) else { return Taken::default() };
        let newest = |matches: &dyn Fn(&RoomRead) -> bool| {
            let found = self.rooms.iter().filter(|r| matches(r));
            found.max_by_key(|r| r.id)
        };
        let own = newest(&|r| r.spot == *spot || at(&r.spot).is_some_and(|p| same(&p, &wanted)));
        let near =
            || newest(&|r| at(&r.spot).is_some_and(|p| distance(p.position, wanted.position) <= NEAR_M));
        let (room, doubt) = match own {
            Some(room) => (room, 0.0),
            None => match near() {
                Some(room) => (room, DOUBT.0),
                None => match newest(&|_| true) {
                    Some(room) => (room, DOUBT.1),
                    None => return Taken::default(),
                },
            },
        };
        Taken {
            light: room.light,
            doubt_lux: room.at_most_lux + doubt * room.light.lux(),
            coloured: room.coloured,
            instead: (doubt > 0.0).then(|| room.spot.name().to_owned()),
            known: true,
        }
    }

    /// What a lamp alone gives by a reading of it; `None` where that cannot be said.
    fn lamp(&self, here: &Here<'_>, id: FixtureId, noted: &Noted) -> Option<LampRead> {
        let (plan, fixture) = (here.plan, here.plan.fixture(id));
        let lit = noted.alone()?;
        let (sent_lux, sent_xy) = here.sent(id, lit)?;
        let share = gives_of_read(plan, &noted.spot, noted.receptor, id, here.key)?;
        let other_body = !here.then && lit.lamp != fixture.lamp_name();
        if share < LEAST_SHARE || other_body || sent_lux <= 0.0 {
            return None;
        }
        let room = self.room(here, &noted.spot);
        let all = noted.seen.sum(sent_xy)?;
        let net = (all.lux() - room.light.lux()).max(0.0);
        let mut notes = Vec::new();
        // Too dim to be told from the room's light.
        if noted.seen.under || net <= 0.02 * all.lux() {
            return None;
        }
        let off_stops = (net / share / sent_lux).log2();
        let doubt_stops = if room.doubt_lux > 0.0 { (1.0 + room.doubt_lux / net).log2() } else { 0.0 };
        let white = match noted.seen.white() {
            None => None,
            // What the room adds moves the colour by less than a meter's last digit.
            Some(_) if room.light.lux() <= COLOUR_SHARE * all.lux() => noted.seen.white(),
            Some(_) if !room.coloured => {
                let share = 100.0 * room.light.lux() / all.lux();
                notes.push(format!("{share:.0} % of its light was the room's, of a colour that nobody read"));
                None
            }
            Some((_, duv)) => {
                all.without(&room.light).white().map(|(k, d)| (1e6 / k.get(), duv.map(|_| d.get())))
            }
        };
        let figures = colour::kelvin_of(sent_xy).map(|(k, d)| (1e6 / k.get(), d.get()));
        let off = |read: f64, figure: Option<f64>| figure.map_or(0.0, |figure| read - figure);
        let off_mired = white.map_or(0.0, |(m, _)| off(m, figures.map(|f| f.0)));
        let off_duv = white.and_then(|w| w.1).map_or(0.0, |d| off(d, figures.map(|f| f.1)));
        if let Some(instead) = room.instead.as_ref().filter(|_| doubt_stops >= 0.05) {
            notes.push(format!(
                "the room's light was read at {instead} and not there: up to {doubt_stops:.1} stop in doubt; \
                 `lampkeep meter --places` reads it there"
            ));
        }
        Some(LampRead {
            fixture: id,
            id: noted.id,
            spot: noted.spot.clone(),
            lux: net / share,
            room_lux: room.light.lux(),
            white,
            sent_lux,
            sent_xy,
            asked_lux: lit.asked_lux,
            off_stops,
            off_mired,
            off_duv,
            doubt_stops,
            notes,
        })
    }

    /// What was read of a lamp.
    #[must_use]
    pub fn of_lamp(&self, id: FixtureId) -> Option<&LampRead> {
        self.lamps.iter().find(|l| l.fixture == id)
    }

    /// What a lamp gives at a spot while its slots stand for such light at its aim: by its reading where it has one, else
    /// by its figures. `None` where nobody knows what it sends there.
    #[must_use]
    pub fn light(
        &self,
        here: &Here<'_>,
        at: (&Spot, Receptor),
        id: FixtureId,
        sent: (f64, Xy),
    ) -> Option<Reading> {
        let (sent_lux, sent_xy) = sent;
        let Some(read) = self.of_lamp(id) else {
            let share = gives(here.plan, at.0, at.1, id, here.key)?;
            return Some(Reading::of(sent_lux * share, sent_xy));
        };
        let share = gives_of_read(here.plan, at.0, at.1, id, here.key)?;
        let lux = sent_lux * read.off_stops.exp2() * share;
        Some(Reading::of(lux, moved(sent_xy, read.off_mired, read.off_duv)))
    }
}

/// A white moved by mired and Duv; what is no white stays.
pub(super) fn moved(xy: Xy, mired: f64, duv: f64) -> Xy {
    if mired == 0.0 && duv == 0.0 {
        return xy;
    }
    let Some((k, d)) = colour::kelvin_of(xy) else { return xy };
    let kelvin = Kelvin::clamped(1e6 / (1e6 / k.get() + mired).max(1.0));
    colour::xy_of(kelvin, Duv::clamped(d.get() + duv))
}

impl Here<'_> {
    /// What a lamp was sent, as lux at its aim and chromaticity: by the figures as they are now, or those of then.
    /// `None` for slots of another mode, and in the dark.
    pub(super) fn sent(&self, id: FixtureId, lit: &LitLamp) -> Option<(f64, Xy)> {
        if self.then {
            return Some((lit.sent_lux, lit.sent_xy));
        }
        let fixture = self.plan.fixture(id);
        if lit.slots.len() != usize::from(fixture.mode.footprint()) {
            return None;
        }
        let given = channels::given(fixture, &lit.slots);
        let lux = given.lux_at_1m * solve::gain(fixture);
        given.xy.filter(|_| lux > 0.0).map(|xy| (lux, xy))
    }
}

fn rooms(here: &Here<'_>) -> Vec<RoomRead> {
    let mut rooms: Vec<RoomRead> = Vec::new();
    let white = colour::xy_of(here.plan.exposure.white_balance, Duv::ZERO);
    let planned = here.plan.daylight.first().map(|d| colour::xy_of(d.kelvin, Duv::ZERO));
    for noted in here.readings.iter().filter(|n| n.is_room() && n.counts()) {
        if !matches!(noted.spot.find(here.plan), Some(Held::Aim(_) | Held::Point(_))) {
            continue;
        }
        let Some(light) = noted.seen.sum(planned.unwrap_or(white)) else { continue };
        rooms.retain(|r| r.spot != noted.spot);
        rooms.push(RoomRead {
            spot: noted.spot.clone(),
            id: noted.id,
            light,
            coloured: noted.seen.white().is_some() || planned.is_some(),
            at_most_lux: if noted.seen.under { noted.seen.lux.unwrap_or(0.0) } else { 0.0 },
            taken_s: noted.taken_s,
        });
    }
    rooms
}
