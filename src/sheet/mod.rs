//! The continuity sheet: takes with everything that a pick-up day needs, as one HTML file, as CSV and as JSON.
//!
//! Pure: texts from takes that were read elsewhere. Takes of the very same light share a set-up, whose lamps are
//! told once, with the set from above as the take's plan had it. Not here: where takes and plans come from.

mod csv;
mod drawn;
mod html;
mod map;
mod of_log;
mod words;

use serde::{Deserialize, Serialize};

use crate::engine::take_typed::FIELDS;

pub use csv::csv;
pub use html::html;
pub use of_log::{drawn, local, take};
pub use words::{feet, tilt};

/// Takes for one sheet, in the order in which they were shot.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Sheet {
    /// The set's name.
    pub set: String,
    /// When the sheet was made: local time for a person.
    pub made: String,
    /// The time zone of every time on it, such as `UTC+01:00`.
    pub zone: String,
    /// True while a face is protected: numbers stand for names, free text is left out.
    pub hidden: bool,
    /// The sets that takes were shot in, from above, each once.
    #[serde(default)]
    pub drawings: Vec<DrawnSet>,
    /// The takes.
    pub takes: Vec<Take>,
}

/// One take.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Take {
    /// Its log number, which never repeats: `n12`.
    pub number: String,
    /// Slate and take, such as `4/3`.
    pub name: String,
    /// The look that was lit, or what else was.
    pub look: String,
    /// True if a person had nudged it.
    pub nudged: bool,
    /// Local date and time of its start; `None` where the clock was never set.
    pub started: Option<String>,
    /// How long it rolled, in seconds; `None` while it does, and where nobody knows.
    pub lasted_s: Option<f64>,
    /// Every reason why what was sent was not steady; `None` while it rolls.
    pub why: Option<Vec<String>>,
    /// The person's mark, `good` or `bad`.
    pub mark: Option<String>,
    /// What a person noted.
    pub notes: Vec<String>,
    /// The plan in force, by hash.
    pub plan_hash: String,
    /// Hash of every frame.
    pub frame_hash: String,
    /// Illuminance called 0 stops, in lux.
    pub zero_stops_lux: f64,
    /// The cameras, the first one first.
    pub cameras: Vec<Camera>,
    /// Every lamp of the plan, lit or not, in the plan's order.
    pub lamps: Vec<Lamp>,
    /// Boards and daylight, a line each.
    pub also: Vec<String>,
    /// Readings that stood.
    pub readings: Vec<Reading>,
    /// Which of the sheet's drawings shows its set, from 0.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drawing: Option<usize>,
}

/// The set from above as a take had it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DrawnSet {
    /// The drawing.
    pub svg: String,
    /// What it was drawn from.
    pub of: DrawnFrom,
}

/// What a set was drawn from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DrawnFrom {
    /// The plan's text, which the log keeps by its hash: walls, flags and cameras are in it.
    Plan,
    /// The take's own record: where lamps, boards, windows and people were.
    Record,
}

/// A camera as planned, or as a person typed it for the take.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Camera {
    /// Its id.
    pub id: String,
    /// Its settings, each with its name: `ISO`, `800`.
    pub settings: Vec<(String, String)>,
    /// True where a person typed any of them for this take.
    pub typed: bool,
}

/// A lamp in a take.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Lamp {
    /// Its job.
    pub id: String,
    /// The body that did it.
    pub body: String,
    /// What is on its sticker.
    pub sticker: Option<String>,
    /// Its kind.
    pub profile: String,
    /// The mode that it was set to.
    pub mode: String,
    /// Where it stood on the clock about the first subject, camera at 6:00.
    pub clock: String,
    /// From its lit front to its aim, in metres.
    pub distance_m: f64,
    /// Its front above the floor, in metres.
    pub height_m: f64,
    /// How far its beam pointed down (above 0) or up, in degrees.
    pub tilt_deg: f64,
    /// What it was aimed at.
    pub aim: String,
    /// Modifiers in front of it, lamp first.
    pub modifiers: Vec<String>,
    /// Sum of their losses in stops.
    pub loss_stops: f64,
    /// Sum of their shifts in mired, positive is warmer.
    pub shift_mired: f64,
    /// The circuit that it drew from.
    pub circuit: Option<String>,
    /// Light as sent, in lux at its aim; of one set by hand what it was to be set to.
    pub lux: f64,
    /// The same in stops; `None` where dark.
    pub stops: Option<f64>,
    /// Its colour temperature; `None` where dark or no white.
    pub kelvin: Option<f64>,
    /// Its tint in Duv.
    pub duv: Option<f64>,
    /// Its chromaticity.
    pub xy: Option<(f64, f64)>,
    /// How it moved by itself.
    pub moves: Option<String>,
    /// Universe and first slot; `None` for one set by hand.
    pub address: Option<(u16, u16)>,
    /// Its slots.
    pub slots: Vec<u8>,
    /// What trims were in it, in words.
    pub trims: Option<String>,
    /// Why it was not there.
    pub absent: Option<String>,
    /// How long it had been lit, in seconds, where that is known.
    pub warm_s: Option<f64>,
    /// Estimate of its body and its limit in degrees Celsius.
    pub heat_c: Option<(f64, f64)>,
}

impl Lamp {
    /// True if it gave light.
    #[must_use]
    pub fn lit(&self) -> bool {
        self.lux > 0.0 && self.absent.is_none()
    }
}

/// A meter reading.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// Where it was taken, such as `face-lit`.
    pub point: String,
    /// What was lit then: `all`, `room light`, or a lamp's id.
    pub lit: String,
    /// What was read, in words, such as `245 lx, 5590 K +0.001`.
    pub read: String,
    /// Local date and time.
    pub at: Option<String>,
}

/// Takes of the same light: the same look, frames, places and lamps.
#[derive(Debug, Clone, PartialEq)]
pub struct SetUp<'s> {
    /// `A`, `B`, … `Z`, `AA`.
    pub letter: String,
    /// Its takes, in order; at least one.
    pub takes: Vec<&'s Take>,
}

impl Sheet {
    /// The set-ups, in the order of their first takes.
    #[must_use]
    pub fn set_ups(&self) -> Vec<SetUp<'_>> {
        let mut found: Vec<SetUp<'_>> = Vec::new();
        for take in &self.takes {
            match found.iter_mut().find(|s| same_light(s.takes[0], take)) {
                Some(set_up) => set_up.takes.push(take),
                None => found.push(SetUp { letter: letter(found.len()), takes: vec![take] }),
            }
        }
        found
    }
}

impl Sheet {
    /// Puts one more take on the sheet, with the set that it was shot in.
    pub fn add(&mut self, mut take: Take, drawn: DrawnSet) {
        let known = self.drawings.iter().position(|known| *known == drawn);
        take.drawing = Some(known.unwrap_or(self.drawings.len()));
        if known.is_none() {
            self.drawings.push(drawn);
        }
        self.takes.push(take);
    }

    /// Puts numbers in place of names and leaves out free text, for a face that is protected while it is made. What the
    /// log holds of takes that were shot under protection has none of them anyway. Drawings must have
    /// been made so ([`drawn`]).
    pub fn hide(&mut self) {
        self.hidden = true;
        let mut looks: Vec<String> = Vec::new();
        for take in &mut self.takes {
            let known = looks.iter().position(|l| *l == take.look);
            let index = known.unwrap_or_else(|| {
                looks.push(take.look.clone());
                looks.len() - 1
            });
            take.look = format!("light {}", index + 1);
            let slate = take.name.rsplit_once('/').map_or("", |(slate, _)| slate);
            if !slate.bytes().all(|b| b.is_ascii_digit()) {
                take.name.clone_from(&take.number);
            }
            take.notes.clear();
            take.also.clear();
            let ids: Vec<String> = take.lamps.iter().map(|l| l.id.clone()).collect();
            let numbered = |text: &str| {
                let at = ids.iter().position(|id| text.split(' ').any(|word| word == id));
                at.map_or_else(|| "…".to_owned(), |at| format!("lamp-{}", at + 1))
            };
            for reading in &mut take.readings {
                reading.point = reading.point.split('@').next().unwrap_or_default().to_owned();
                if !["all", "room light"].contains(&reading.lit.as_str()) {
                    reading.lit = numbered(&reading.lit);
                }
            }
            for why in take.why.iter_mut().flatten() {
                // Its kind alone: what comes after names lamps and outputs.
                why.truncate(why.find(':').unwrap_or(why.len()));
            }
            for (index, camera) in take.cameras.iter_mut().enumerate() {
                camera.id = format!("camera-{}", index + 1);
                camera.settings.retain(|(label, _)| {
                    FIELDS.iter().find(|f| f.label == label).is_none_or(|f| !f.is_text())
                });
            }
            for (index, lamp) in take.lamps.iter_mut().enumerate() {
                lamp.id = format!("lamp-{}", index + 1);
                lamp.body.clone_from(&lamp.id);
                (lamp.sticker, lamp.circuit) = (None, None);
                lamp.aim = "its aim".to_owned();
                lamp.moves = lamp.moves.as_ref().map(|_| "moves".to_owned());
                lamp.absent = lamp.absent.as_ref().map(|_| "…".to_owned());
            }
        }
    }
}

/// True if two takes differ in nothing that the set-up tells.
fn same_light(a: &Take, b: &Take) -> bool {
    // What time alone changes is told with each take.
    let lamp = |l: &Lamp| Lamp { warm_s: None, heat_c: None, ..l.clone() };
    a.look == b.look
        && a.zero_stops_lux == b.zero_stops_lux
        && a.frame_hash == b.frame_hash
        && a.also == b.also
        && a.drawing == b.drawing
        && a.lamps.len() == b.lamps.len()
        && a.lamps.iter().map(lamp).eq(b.lamps.iter().map(lamp))
}

fn letter(index: usize) -> String {
    let last = char::from(b'A' + u8::try_from(index % 26).unwrap_or(0));
    if index < 26 { last.to_string() } else { format!("{}{last}", letter(index / 26 - 1)) }
}

#[cfg(test)]
pub(crate) mod tests;
