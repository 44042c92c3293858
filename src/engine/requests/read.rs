//! `read`: one reading noted, with what is lit at that moment.

use serde_json::{Value, json};

use super::fail;
use crate::control::{Failure, FailureKind};
use crate::engine::readings::HereNow;
use crate::engine::{Engine, say};
use crate::journal::{LitThen, ReadingRecord, What, frame_hash};
use crate::light::typed::{self, Bare};
use crate::meter::{self, Account, Noted, Receptor, Seen, Spot};
use crate::units::FrameNumber;
use crate::words;

/// Longest name of a meter, in bytes. Judgement: more than any engraving.
const LONGEST_INSTRUMENT: usize = 100;
/// Readings of one point in one light are one where the later comes within so many seconds. Judgement: light first,
/// then colour, off the same meter.
const SAME_READING_S: f64 = 600.0;

/// A reading as asked.
pub(super) struct Read {
    pub point: Option<String>,
    pub lamp: Option<String>,
    pub value: String,
    pub dome: bool,
    pub instrument: Option<String>,
}

impl Engine {
    /// Notes a reading. Gives its line and, for programs, its parts.
    ///
    /// Errors: no such point or lamp, no reading, or the light is on its way elsewhere.
    pub(super) fn read(&mut self, read: &Read, at: FrameNumber) -> Result<(String, Value), Failure> {
        let spot = self.spot_asked(read)?;
        if let Some(long) = read.instrument.as_ref().filter(|i| i.len() > LONGEST_INSTRUMENT) {
            let said = format!("a meter's name of {} bytes; {LONGEST_INSTRUMENT} are allowed", long.len());
            return Err(fail(FailureKind::BadField, said, "name it in a few words"));
        }
        let receptor = if read.dome { Receptor::Dome } else { Receptor::Flat };
        let exposure = receptor.exposure(&self.plan.exposure);
        let typed = typed::parse(&read.value, &exposure, Bare::Nothing).map_err(|e| {
            fail(FailureKind::BadField, e.to_string(), "several may stand together: 250lx 5120K")
        })?;
        self.still(at).map_err(|e| {
            fail(FailureKind::Busy, e.said, "read the meter when the light stands, then note that")
        })?;
        if self.rollcall.is_some() || self.wink.is_some() {
            let said = "a rollcall or a wink is under way";
            return Err(fail(
                FailureKind::Busy,
                said,
                "read the meter when the light stands, then note that",
            ));
        }
        let noted = self.as_noted(spot, receptor, &typed, read);
        let (said, data) = self.reading_said(&noted);
        self.record(What::Reading(Box::new(self.reading_record(&noted))));
        self.readings.add(noted);
        self.keeps.changed = true;
        Ok((said, data))
    }

    fn reading_record(&self, noted: &Noted) -> ReadingRecord {
        let lit: Vec<String> = noted.lamps.iter().map(|l| l.fixture.clone()).collect();
        ReadingRecord {
            id: noted.id,
            point: noted.spot.name().to_owned(),
            lux: noted.seen.lux,
            under: noted.seen.under,
            kelvin: noted.seen.kelvin,
            duv: noted.seen.duv,
            typed: noted.typed.split_whitespace().map(str::to_owned).collect(),
            dome: noted.receptor == Receptor::Dome,
            lit: match <[String; 1]>::try_from(lit) {
                Ok([one]) => LitThen::One(one),
                Err(none) if none.is_empty() => LitThen::None,
                Err(these) => LitThen::These(these),
            },
            look: noted.look.clone(),
            frame_hash: frame_hash(&self.frames(self.last.unwrap_or(0))),
            instrument: noted.instrument.clone(),
            aim: matches!(noted.spot, Spot::Aim(_)),
            lamps: noted.lamps.clone(),
        }
    }

    fn spot_asked(&self, read: &Read) -> Result<Spot, Failure> {
        match (&read.point, &read.lamp) {
            (Some(point), None) => {
                if let Some(at) = self.point_called(point) {
                    return Ok(Spot::of_point(&self.plan, at));
                }
                if let Some(id) = self.lamp_called(point) {
                    return Ok(Spot::Aim(self.plan.fixture(id).id.clone()));
                }
                let points: Vec<&str> = crate::plan::MeterPoint::ALL.iter().map(|p| p.word()).collect();
                let said = format!("no meter point or lamp `{}`", words::short(point));
                let hint = match words::nearest(point, points.iter().copied()) {
                    Some(near) => format!("did you mean `{near}`?"),
                    None => format!(
                        "points: {}, with @SUBJECT; or a lamp: at what it is aimed at",
                        points.join(", ")
                    ),
                };
                Err(fail(FailureKind::BadField, said, hint))
            }
            (None, Some(lamp)) => Ok(Spot::Aim(self.plan.fixture(self.find_lamp(lamp)?).id.clone())),
            _ => Err(fail(
                FailureKind::BadField,
                "a reading needs its `point`, or the `lamp` at whose aim it was taken",
                "such as `lampkeep read face-lit 250lx`",
            )),
        }
    }

    /// A meter point by its name; while protected, with the subject's number.
    fn point_called(&self, name: &str) -> Option<crate::plan::MeterAt> {
        let (word, subject) = name.split_once('@').unwrap_or((name, ""));
        if let Some(index) = self.numbered("subject", subject, self.plan.subjects.len()) {
            return meter::find_spot(&self.plan, &format!("{word}@{}", self.plan.subjects[index].id));
        }
        // A lamp or a group of a point's name is told by its number.
        let lamp = self.numbered("lamp", word, self.plan.fixtures.len()).map(|i| &self.plan.fixtures[i].id);
        let group = self.numbered("group", word, self.plan.groups.len()).map(|i| &self.plan.groups[i].name);
        meter::find_spot(&self.plan, lamp.or(group).map_or(name, |told| told))
    }

    fn as_noted(&self, spot: Spot, receptor: Receptor, typed: &typed::Reading, read: &Read) -> Noted {
        let lamps = self.lit_lamps();
        let moves = |l: &meter::LitLamp| {
            let id = self.plan.fixture_named(&l.fixture);
            id.is_some_and(|id| self.lamps[id.0].target.motion.is_some())
        };
        let mut seen = Seen::of(typed);
        let mut words = read.value.trim().to_owned();
        let now_s = self.now_s();
        // Light and colour may be typed one after the other.
        let same_light = |n: &&Noted| {
            n.spot == spot && n.receptor == receptor && n.age_s(now_s) <= SAME_READING_S && self.stands(n)
        };
        if let Some(before) = self.readings.list.iter().rev().find(same_light)
            && (seen.lux.is_none() || seen.white().is_none())
        {
            let joined = match (seen.lux, before.seen.lux) {
                (None, Some(_)) => {
                    (seen.lux, seen.under) = (before.seen.lux, before.seen.under);
                    true
                }
                (Some(_), None) => {
                    (seen.kelvin, seen.duv, seen.xy) = (before.seen.kelvin, before.seen.duv, before.seen.xy);
                    true
                }
                // The same once more: it takes the place of the one before.
                _ => false,
            };
            if joined {
                words = format!("{} {words}", before.typed);
            }
        }
        let protected = self.protected();
        Noted {
            id: self.readings.last_id + 1,
            spot,
            receptor,
            seen,
            // Free text is not kept while a face is protected.
            typed: if protected { String::new() } else { words::short(&words) },
            instrument: read.instrument.clone().filter(|_| !protected),
            look: self.look_read().map(|l| l.name.clone()),
            moving: lamps.iter().any(moves),
            lamps,
            taken_s: now_s,
            lapsed: None,
        }
    }

    fn reading_said(&self, noted: &Noted) -> (String, Value) {
        let here: HereNow<'_> = self.here_for(self.key_of(noted));
        let account = Account::of(&here.here());
        let room = account.room(&here.here(), &noted.spot);
        let lit: Vec<&str> = noted.lamps.iter().map(|l| l.fixture.as_str()).collect();
        let what = match &lit[..] {
            [] => "room light".to_owned(),
            [one] => format!("{one} alone"),
            many if many.len() <= 3 => many.join(", "),
            many => say::count(many.len(), "lamp"),
        };
        let mut parts = vec![format!("{what} at {}", noted.spot.name())];
        let seen = &noted.seen;
        if let Some(lux) = seen.lux {
            let zero = self.plan.exposure.zero_stops.get();
            let under = if seen.under { "under " } else { "" };
            let stops = if lux > 0.0 {
                format!(" ({} stops)", say::fine_stops((lux / zero).log2()))
            } else {
                String::new()
            };
            parts.push(format!("{under}{lux:.1} lx{stops}"));
        }
        if let Some((mired, duv)) = seen.white() {
            let duv = duv.map_or(String::new(), |d| format!(" {d:+.4} Duv"));
            parts.push(format!("{:.0} K{duv}", 1e6 / mired));
        }
        if noted.receptor == Receptor::Dome {
            parts.push("dome".to_owned());
        }
        if !noted.is_room() {
            match (seen.light(), room.known) {
                (Some(lux), true) if room.light.lux() > 0.0 => {
                    let net = (lux - room.light.lux()).max(0.0);
                    let from = room.instead.map_or(String::new(), |i| format!(" as read at {i}"));
                    parts.push(format!("{net:.1} lx without the room's {:.1} lx{from}", room.light.lux()));
                }
                (Some(_), false) => parts.push("no room light read yet: nothing is taken off".to_owned()),
                _ => {}
            }
        }
        let flickers = noted.typed.split_whitespace().any(|w| w.eq_ignore_ascii_case("flickers"));
        if flickers {
            parts.push("flickers: see `lampkeep check` for steady shutters".to_owned());
        }
        if noted.moving {
            parts.push("a light moves: it says nothing of levels".to_owned());
        }
        if seen.lux.is_none() {
            parts.push("no light with it: read that too, or it stays alone".to_owned());
        }
        let data = json!({
            "id": noted.id, "point": noted.spot.name(), "receptor": noted.receptor.word(), "lamps": lit,
            "lux": seen.lux, "under": seen.under, "kelvin": seen.kelvin, "duv": seen.duv,
            "x": seen.xy.map(|p| p.x), "y": seen.xy.map(|p| p.y),
            "room_lux": room.known.then(|| room.light.lux()),
        });
        (parts.join(" · "), data)
    }
}
