//! Meter readings at the set: what each confirms, and when it no longer does.
//!
//! A reading confirms one point for the light that was sent then (docs/interface.md, part 5). It shows in the status
//! while just that light is sent. A trim and the wire lapse it; a lamp that moved, another body or another plan forget
//! it. What it says of a lamp's figures holds on after a lapse: slots are compared with what they stand for now.

use super::state::Scene;
use super::{Engine, say};
use crate::control::{Confirmed, LinkState, ReadingStatus};
use crate::light::{Trim, colour};
use crate::meter::{Account, Here, Lapsed, LitLamp, Noted, Seen, Spot};
use crate::plan::{FixtureId, Look, Plan};
use crate::units::Xy;

/// Readings that are remembered; the oldest go. Judgement: ten walks, and neither memory nor disk is filled by a stream.
const MOST: usize = 200;
/// Readings older than this, in seconds, are of another day. Judgement: a day of work.
const TODAY_S: f64 = 12.0 * 3600.0;

/// Readings of this set.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Readings {
    /// The newest last.
    pub list: Vec<Noted>,
    /// Number of the last one.
    pub last_id: u64,
}

impl Readings {
    /// Those that were kept, `gap_s` seconds before this start; none where nobody knows how long ago.
    pub fn taken_up(kept: Vec<Noted>, last_id: u64, gap_s: Option<f64>) -> Self {
        let Some(gap_s) = gap_s else { return Self { list: Vec::new(), last_id } };
        let mut list = kept;
        for noted in &mut list {
            noted.taken_s -= gap_s;
            if !noted.is_room() {
                noted.lapsed.get_or_insert(Lapsed::Wire);
            }
        }
        list.retain(|n| n.taken_s >= -TODAY_S);
        Self { list, last_id }
    }

    /// As they are kept: times count from now.
    pub fn kept(&self, now_s: f64) -> Vec<Noted> {
        self.list.iter().map(|n| Noted { taken_s: n.taken_s - now_s, ..n.clone() }).collect()
    }

    /// Adds one.
    pub fn add(&mut self, noted: Noted) {
        self.last_id = noted.id;
        // What is read once more in the very same light takes the place of the one before.
        let slots =
            |n: &Noted| n.lamps.iter().map(|l| (l.fixture.clone(), l.slots.clone())).collect::<Vec<_>>();
        let lit = slots(&noted);
        self.list.retain(|n| n.spot != noted.spot || slots(n) != lit);
        if self.list.len() >= MOST {
            self.list.remove(0);
        }
        self.list.push(noted);
    }
}

impl Engine {
    /// The engine's time, in seconds.
    pub(super) fn now_s(&self) -> f64 {
        self.clock().seconds(self.last.unwrap_or(0))
    }

    /// Every lamp that the wire drives and that is sent light.
    pub(super) fn lit_lamps(&self) -> Vec<LitLamp> {
        let lit = |id: FixtureId| {
            let (fixture, lamp) = (self.plan.fixture(id), &self.lamps[id.0]);
            let sent_xy = lamp.sent.xy.filter(|_| lamp.sent.lux > 0.0)?;
            fixture.address()?;
            Some(LitLamp {
                fixture: fixture.id.clone(),
                lamp: fixture.lamp_name().to_owned(),
                asked_lux: lamp.asked.lux,
                asked_xy: lamp.asked.colour.xy(),
                sent_lux: lamp.sent.lux,
                sent_xy,
                trim: self.trims.of_lamp(fixture),
                slots: lamp.sent.slots.clone(),
            })
        };
        self.plan.fixture_ids().filter_map(lit).collect()
    }

    /// True if the light sent now is the one that was sent then.
    pub(super) fn stands(&self, noted: &Noted) -> bool {
        if noted.lapsed.is_some() {
            return false;
        }
        self.plan.fixture_ids().all(|id| {
            let (fixture, lamp) = (self.plan.fixture(id), &self.lamps[id.0]);
            let then = noted.lamps.iter().find(|l| l.fixture == fixture.id);
            match then {
                Some(then) => lamp.sent.slots == then.slots,
                None => lamp.sent.lux <= 0.0 || fixture.address().is_none(),
            }
        })
    }

    /// What a meter says that a lamp gives at its aim, while it is sent what it was sent then.
    pub(super) fn measured(&self, id: FixtureId) -> Option<Confirmed> {
        let (fixture, lamp) = (self.plan.fixture(id), &self.lamps[id.0]);
        if lamp.sent.lux <= 0.0 || self.readings.list.is_empty() {
            return None;
        }
        let aim = Spot::Aim(fixture.id.clone());
        let confirms = |n: &&Noted| {
            let same = |l: &LitLamp| l.fixture == fixture.id && l.slots == lamp.sent.slots;
            n.lapsed.is_none()
                && !n.moving
                && n.alone().is_some_and(same)
                && n.spot.same_as(&aim, &self.plan, self.key_of(n))
        };
        let noted = self.readings.list.iter().rev().find(confirms)?;
        let now_s = self.now_s();
        // Rooms alone: this is asked for each lamp of each status.
        let rooms = self.readings.list.iter().filter(|n| n.is_room() && n.age_s(now_s) <= TODAY_S);
        let rooms: Vec<Noted> = rooms.cloned().collect();
        let here = Here { plan: &self.plan, key: self.key_of(noted), readings: &rooms, then: false };
        let room = Account::of_rooms(&here).room(&here, &noted.spot);
        let mut light = self.light_seen(&noted.seen);
        light.lux = (light.lux - room.light.lux()).max(0.0);
        light.stops = (light.lux > 0.0).then(|| (light.lux / self.plan.exposure.zero_stops.get()).log2());
        Some(Confirmed { light, age_s: noted.age_s(now_s) })
    }

    /// A reading as light of the status. One that a meter could only call less than something counts as that.
    fn light_seen(&self, seen: &Seen) -> crate::control::Light {
        let xy: Option<Xy> = seen.xy.or_else(|| seen.duv.and_then(|duv| seen.chromaticity(duv)));
        let lux = seen.lux.unwrap_or(0.0);
        let white = seen.xy.and_then(colour::kelvin_of);
        crate::control::Light {
            lux,
            stops: (lux > 0.0).then(|| (lux / self.plan.exposure.zero_stops.get()).log2()),
            kelvin: seen.kelvin.or(white.map(|w| w.0.get())),
            duv: seen.duv.or(white.map(|w| w.1.get())),
            x: xy.map(|p| p.x),
            y: xy.map(|p| p.y),
        }
    }

    /// Readings that confirm the light sent now, the newest of each point.
    pub(super) fn readings_status(&self) -> Vec<ReadingStatus> {
        let mut newest: Vec<&Noted> = Vec::new();
        for noted in self.readings.list.iter().filter(|n| self.stands(n)) {
            newest.retain(|other| other.spot != noted.spot);
            newest.push(noted);
        }
        let now_s = self.now_s();
        let told = |n: &&Noted| ReadingStatus {
            id: n.id,
            point: n.spot.name().to_owned(),
            receptor: n.receptor.word().to_owned(),
            lamps: n.lamps.iter().map(|l| l.fixture.clone()).collect(),
            under: n.seen.under,
            light: Confirmed { light: self.light_seen(&n.seen), age_s: n.age_s(now_s) },
        };
        newest.iter().map(told).collect()
    }

    /// The key by which a reading's point was turned.
    pub(super) fn key_of(&self, noted: &Noted) -> Option<FixtureId> {
        let look = noted.look.as_ref().and_then(|name| self.plan.look_named(name));
        look.and_then(|look| self.plan.look(look).key)
    }

    /// Today's readings as they are held against the figures, for points turned by this key.
    pub(super) fn here_for(&self, key: Option<FixtureId>) -> HereNow<'_> {
        let now_s = self.now_s();
        let turned = |n: &&Noted| match &n.spot {
            Spot::Aim(_) => true,
            Spot::Point(name) => !name.starts_with("face-") || self.key_of(n) == key || n.look.is_none(),
        };
        let today = self.readings.list.iter().filter(|n| n.age_s(now_s) <= TODAY_S).filter(turned);
        HereNow { plan: &self.plan, key, readings: today.cloned().collect() }
    }

    /// The wire was away: readings of lamps on it confirm no longer what is sent.
    pub(super) fn lapse_wires(&mut self) {
        let gone: Vec<String> = self
            .outputs
            .iter()
            .filter(|o| {
                let known = self.reopened.iter().find(|(name, _)| *name == o.name).map(|(_, times)| *times);
                o.state == LinkState::Down || known.is_some_and(|times| o.reopened > times)
            })
            .map(|o| o.name.clone())
            .collect();
        self.reopened = self.outputs.iter().map(|o| (o.name.clone(), o.reopened)).collect();
        if gone.is_empty() {
            return;
        }
        let plan = std::sync::Arc::clone(&self.plan);
        let on = |id: &str| {
            let fixture = plan.fixtures.iter().find(|f| f.id == id);
            let output = fixture.and_then(|f| f.address()).and_then(|a| plan.outputs.get(a.output.0));
            output.is_none_or(|o| gone.contains(&o.name))
        };
        for noted in self.readings.list.iter_mut().filter(|n| n.lamps.iter().any(|l| on(&l.fixture))) {
            noted.lapsed.get_or_insert(Lapsed::Wire);
        }
    }

    /// A lamp went away or came back: it may stand elsewhere now.
    pub(super) fn forget_readings_of(&mut self, id: FixtureId) {
        let name = self.plan.fixture(id).id.clone();
        self.readings.list.retain(|n| n.lamps.iter().all(|l| l.fixture != name));
    }

    /// Another plan is in force: readings of lamps or points that are other ones now are forgotten. Gives how many.
    pub(super) fn readings_after(&mut self, before: &Plan) -> usize {
        let after = std::sync::Arc::clone(&self.plan);
        let key = |plan: &Plan, n: &Noted| {
            let look = n.look.as_ref().and_then(|name| plan.look_named(name));
            look.and_then(|look| plan.look(look).key)
        };
        let same_lamp = |id: &str| {
            let find = |plan: &Plan| plan.fixtures.iter().position(|f| f.id == id);
            let (Some(a), Some(b)) = (find(before), find(&after)) else { return false };
            let (a, b) = (&before.fixtures[a], &after.fixtures[b]);
            (&a.place, &a.control, &a.modifiers, &a.mode, &a.profile.emitters, a.lamp_name(), a.loss)
                == (&b.place, &b.control, &b.modifiers, &b.mode, &b.profile.emitters, b.lamp_name(), b.loss)
        };
        let room = |plan: &Plan| (plan.room.clone(), plan.bounces.clone(), plan.flags.clone());
        let same_room = room(before) == room(&after);
        let count = self.readings.list.len();
        self.readings.list.retain(|n| {
            same_room
                && n.lamps.iter().all(|l| same_lamp(&l.fixture))
                && n.spot.stays(before, &after, key(before, n), key(&after, n))
        });
        count - self.readings.list.len()
    }

    /// Ids of the readings by which the light sent now is known: those of room light, the newest of each of its lamps
    /// alone, and those of this very light.
    #[must_use]
    pub(super) fn readings_of_light(&self) -> Vec<u64> {
        let lit = self.lit_lamps();
        let mut ids: Vec<u64> = Vec::new();
        let mut add = |matches: &dyn Fn(&Noted) -> bool| {
            let mut spots: Vec<&Spot> = Vec::new();
            for noted in self.readings.list.iter().rev().filter(|n| matches(n)) {
                if !spots.contains(&&noted.spot) {
                    spots.push(&noted.spot);
                    ids.push(noted.id);
                }
            }
        };
        let now_s = self.now_s();
        add(&|n| n.is_room() && n.age_s(now_s) <= TODAY_S);
        for lamp in &lit {
            add(&|n| n.alone().is_some_and(|l| l.fixture == lamp.fixture) && n.age_s(now_s) <= TODAY_S);
        }
        add(&|n| n.lamps.len() > 1 && self.stands(n));
        ids.sort_unstable();
        ids
    }

    /// The look that a reading taken now belongs to: what is lit or walked.
    pub(super) fn look_read(&self) -> Option<&Look> {
        let scene = match self.scene {
            Scene::Look(_) | Scene::Rest(_) | Scene::Meter(_) => self.scene,
            // One lamp, or none: of the look that it comes from.
            Scene::Dark | Scene::Only(_) | Scene::Calibrate(_) | Scene::Take => self.memory.as_ref()?.scene,
        };
        match scene {
            Scene::Look(look) | Scene::Rest(look) | Scene::Meter(look) => Some(self.plan.look(look)),
            Scene::Dark | Scene::Only(_) | Scene::Calibrate(_) | Scene::Take => None,
        }
    }

    /// The lamp that a walk shows alone.
    pub(super) fn metered_alone(&self) -> Option<FixtureId> {
        let mut lit = self.plan.fixture_ids().filter(|id| self.lamps[id.0].target.base.lux > 0.0);
        lit.next().filter(|_| lit.next().is_none())
    }

    /// What a reload does to readings and trims, for its answer.
    pub(super) fn readings_and_trims_after(&mut self, before: &Plan) -> String {
        let forgotten = self.readings_after(before);
        let mut said = match forgotten {
            0 => String::new(),
            n => format!("; {} forgotten: lamps or points are other ones now", say::count(n, "reading")),
        };
        let moved = |f: &&crate::plan::Fixture| {
            let old = before.fixtures.iter().find(|o| o.id == f.id);
            !self.trims.of_lamp(f).is_none() && old.is_some_and(|o| o.place != f.place || o.loss != f.loss)
        };
        let moved: Vec<&str> = self.plan.fixtures.iter().filter(moved).map(|f| f.id.as_str()).collect();
        if !moved.is_empty() {
            said.push_str(&format!(
                "; lamp trims were metered at another place: {}. Meter again, or `lampkeep meter --undo`",
                moved.join(", ")
            ));
        }
        said
    }

    /// A fixture's trims, lamp and look, as the status tells them.
    pub(super) fn trims_of(&self, id: FixtureId) -> (Option<Trim>, Option<Trim>) {
        let fixture = self.plan.fixture(id);
        let look = match self.scene {
            Scene::Look(look) | Scene::Rest(look) | Scene::Meter(look) => {
                self.trims.of_look(&self.plan.look(look).name, &fixture.id)
            }
            Scene::Dark | Scene::Only(_) | Scene::Calibrate(_) | Scene::Take => Trim::NONE,
        };
        let some = |trim: Trim| (!trim.is_none()).then_some(trim);
        (some(self.trims.of_lamp(fixture)), some(look))
    }
}

/// Today's readings with the plan in force.
pub(super) struct HereNow<'a> {
    plan: &'a Plan,
    key: Option<FixtureId>,
    readings: Vec<Noted>,
}

impl HereNow<'_> {
    /// As `crate::meter` takes them.
    pub fn here(&self) -> Here<'_> {
        Here { plan: self.plan, key: self.key, readings: &self.readings, then: false }
    }

    /// True if there is none.
    pub fn is_empty(&self) -> bool {
        self.readings.is_empty()
    }
}
