//! What a meter would read at the meter points in a look, with all lamps lit: planned, never measured.

use serde_json::{Value, json};

use super::assess::Assessment;
use super::say;
use super::status::light_of;
use crate::light::photometry::{self, Contrast};
use crate::light::reading::{LampLight, Reading};
use crate::light::solve;
use crate::plan::{FixtureId, Look, MeterAt, MeterPoint, Plan, Receptor, SubjectId, Surface};

/// What every table of predicted readings says of itself.
pub const CAUTION: &str =
    "planned, not measured: in a small white room a prediction can be a stop off; only a reading matches";

/// The readings of one look.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    /// Every point that exists in this look, subject by subject.
    pub points: Vec<Point>,
    /// Both ratios of each subject that has a lit and a shadow side.
    pub ratios: Vec<Ratio>,
}

/// One meter point.
#[derive(Debug, Clone, PartialEq)]
pub struct Point {
    /// Which.
    pub at: MeterAt,
    /// Its name as in a plan, the subject's only where there are several.
    pub name: String,
    /// The whole light there.
    pub reading: Reading,
    /// Stops from what the key alone gives at its aim; `None` without a lit key, or in the dark.
    pub to_key: Option<f64>,
    /// Daylight's part in lux.
    pub daylight_lux: f64,
    /// What each lit lamp gives there, in the plan's order.
    pub lamps: Vec<Part>,
}

/// What one lamp gives at one point, in lux.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Part {
    /// The lamp.
    pub fixture: FixtureId,
    /// Straight.
    pub direct: f64,
    /// By the boards that it feeds.
    pub board: f64,
    /// By the walls and the ceiling, in the order of [`Surface::ALL`].
    pub room: [f64; 4],
}

impl Part {
    /// All of it.
    #[must_use]
    pub fn total(&self) -> f64 {
        self.direct + self.board + self.room.iter().sum::<f64>()
    }
}

/// Key against fill at one face.
///
/// Key: the key's straight light on `face-lit`. Fill: everything that falls on `face-shadow` but the key's
/// straight light, so other lamps, daylight, and what of the key boards and walls return.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ratio {
    /// Whose face.
    pub subject: SubjectId,
    /// The key's part, in lux.
    pub key_lux: f64,
    /// The fill's part, in lux.
    pub fill_lux: f64,
    /// Both ratios; `None` without fill.
    pub contrast: Option<Contrast>,
    /// `face-lit` to `face-shadow` as a meter reads them with all lamps lit; `None` in the dark.
    pub metered: Option<f64>,
}

/// The readings of `look` with its lamps as `found`; nothing in a plan that was read without its light.
#[must_use]
pub fn table(plan: &Plan, look: &Look, found: &[Assessment]) -> Table {
    let dark = LampLight { lux_at_1m: 0.0, xy: solve::dark_colour(plan).xy() };
    let mut lights = vec![dark; plan.fixtures.len()];
    for lamp in found {
        let lux_at_1m = lamp.sent_lux / solve::gain(plan.fixture(lamp.fixture));
        lights[lamp.fixture.0] = LampLight { lux_at_1m, xy: lamp.sent_xy.unwrap_or(lamp.reach.xy) };
    }
    let key_lux = found.iter().find(|a| Some(a.fixture) == look.key).map_or(0.0, |a| a.sent_lux);
    let (mut points, mut ratios) = (Vec::new(), Vec::new());
    for subject in (0..plan.subjects.len()).map(SubjectId) {
        let at = |point| MeterAt { point, subject };
        for point in MeterPoint::ALL {
            if let Some(receptor) = plan.spill.receptor(at(point), look.key) {
                points.push(read(plan, receptor, &lights, key_lux));
            }
        }
        let receptor = |point| plan.spill.receptor(at(point), look.key);
        let (Some(lit), Some(shadow), Some(key)) =
            (receptor(MeterPoint::FaceLit), receptor(MeterPoint::FaceShadow), look.key)
        else {
            continue;
        };
        let straight = |r: &Receptor| r.lamps[key.0].direct * lights[key.0].lux_at_1m;
        let all = |r| Reading::at(plan, r, &lights).lux();
        let (key_lux, fill_lux) = (straight(lit), (all(shadow) - straight(shadow)).max(0.0));
        if key_lux > 0.0 {
            ratios.push(Ratio {
                subject,
                key_lux,
                fill_lux,
                contrast: photometry::contrast(key_lux, fill_lux),
                metered: (all(shadow) > 0.0).then(|| all(lit) / all(shadow)),
            });
        }
    }
    Table { points, ratios }
}

fn read(plan: &Plan, receptor: &Receptor, lights: &[LampLight], key_lux: f64) -> Point {
    let reading = Reading::at(plan, receptor, lights);
    let part = |(index, light): (usize, &LampLight)| {
        let sent = receptor.lamps[index];
        Part {
            fixture: FixtureId(index),
            direct: sent.direct * light.lux_at_1m,
            board: sent.board * light.lux_at_1m,
            room: sent.room.map(|r| r * light.lux_at_1m),
        }
    };
    Point {
        at: receptor.at,
        name: name(plan, receptor.at),
        reading,
        to_key: (key_lux > 0.0 && reading.lux() > 0.0).then(|| (reading.lux() / key_lux).log2()),
        daylight_lux: receptor.daylight.iter().sum(),
        lamps: lights.iter().enumerate().filter(|(_, l)| l.lux_at_1m > 0.0).map(part).collect(),
    }
}

/// A meter point's name; with the subject's where there are several.
#[must_use]
pub fn name(plan: &Plan, at: MeterAt) -> String {
    crate::meter::spot_name(plan, at)
}

impl Table {
    /// The lines of `explain`: each point with its receptor and who lights it, then the ratios.
    #[must_use]
    pub fn text(&self, plan: &Plan) -> String {
        if self.points.is_empty() {
            return String::new();
        }
        let mut text =
            String::from("\nmeter, all lamps lit: lux, stops from the exposure, stops to the key\n");
        for point in &self.points {
            let light = light_of(plan, point.reading.lux(), point.reading.xy());
            let stops = |s: Option<f64>| s.map_or("-".to_owned(), say::fine_stops);
            let white = match (light.kelvin, light.duv) {
                (Some(kelvin), Some(duv)) => format!("{kelvin:5.0} K {duv:+.4} Duv"),
                _ => "no white         ".to_owned(),
            };
            text.push_str(&format!(
                "  {:<12} {:7.1} lx {:>6} {:>6}  {white}  {}\n",
                point.name,
                light.lux,
                stops(light.stops),
                stops(point.to_key),
                point.at.point.receptor()
            ));
            let shares = point.shares(plan);
            if !shares.is_empty() {
                text.push_str(&format!("    {}\n", shares.join(", ")));
            }
        }
        for ratio in &self.ratios {
            text.push_str(&format!("  {}\n", ratio.text(plan)));
        }
        text
    }

    /// One line for `check`: the points in stops, and key to fill.
    #[must_use]
    pub fn line(&self, plan: &Plan) -> Option<String> {
        if self.points.is_empty() {
            return None;
        }
        let zero = plan.exposure.zero_stops.get();
        let point = |p: &Point| match p.reading.lux() {
            lux if lux > 0.0 => format!("{} {}", p.name, say::stops((lux / zero).log2())),
            _ => format!("{} dark", p.name),
        };
        let mut line = self.points.iter().map(point).collect::<Vec<_>>().join(", ");
        for ratio in &self.ratios {
            if let Some(contrast) = ratio.contrast {
                let whose = ratio.whose(plan);
                line.push_str(&format!(
                    "; key:fill{whose} {:.1}:1, (key+fill):fill {:.1}:1",
                    contrast.key_to_fill, contrast.lit_to_shadow
                ));
            }
        }
        Some(line)
    }

    /// The same with full precision.
    #[must_use]
    pub fn json(&self, plan: &Plan, look: &Look) -> Value {
        let points = self.points.iter().map(|p| p.json(plan, look));
        let ratios = self.ratios.iter().map(|r| {
            json!({
                "subject": plan.subjects[r.subject.0].id,
                "key_lux": r.key_lux,
                "fill_lux": r.fill_lux,
                "key_to_fill": r.contrast.map(|c| c.key_to_fill),
                "key_to_fill_stops": r.contrast.map(|c| c.key_to_fill.log2()),
                "lit_to_shadow": r.contrast.map(|c| c.lit_to_shadow),
                "lit_to_shadow_stops": r.contrast.map(|c| c.lit_to_shadow.log2()),
                "metered_lit_to_shadow": r.metered,
            })
        });
        json!({
            "points": points.collect::<Vec<_>>(),
            "ratios": ratios.collect::<Vec<_>>(),
            "caution": CAUTION,
        })
    }
}

impl Point {
    /// Who lights it, the most first, down to a hundredth of it.
    fn shares(&self, plan: &Plan) -> Vec<String> {
        let all = self.reading.lux();
        let mut parts: Vec<(f64, String)> = self
            .lamps
            .iter()
            .map(|p| {
                let (total, room) = (p.total(), p.room.iter().sum::<f64>());
                let mut ways = Vec::new();
                if p.board >= 0.01 * all {
                    ways.push(format!("{:.1} by its boards", p.board));
                }
                if room >= 0.01 * all {
                    ways.push(format!("{room:.1} by the room"));
                }
                let ways = if ways.is_empty() { String::new() } else { format!(" ({})", ways.join(", ")) };
                (total, format!("{} {total:.1}{ways}", plan.fixture(p.fixture).id))
            })
            .collect();
        parts.push((self.daylight_lux, format!("daylight {:.1}", self.daylight_lux)));
        parts.retain(|p| p.0 > 0.0 && p.0 >= 0.01 * all);
        parts.sort_by(|a, b| b.0.total_cmp(&a.0));
        parts.into_iter().map(|p| p.1).collect()
    }

    fn json(&self, plan: &Plan, look: &Look) -> Value {
        let receptor = plan.spill.receptor(self.at, look.key);
        let lamps = self.lamps.iter().map(|p| {
            let room: serde_json::Map<String, Value> = Surface::ALL
                .iter()
                .zip(p.room)
                .map(|(s, lux)| (format!("{}_lux", s.word().replace(' ', "_")), json!(lux)))
                .collect();
            json!({
                "id": plan.fixture(p.fixture).id,
                "lux": p.total(), "direct_lux": p.direct, "board_lux": p.board, "room": room,
            })
        });
        json!({
            "point": self.name,
            "receptor": self.at.point.receptor(),
            "position_m": receptor.map(|r| r.position),
            "normal": receptor.map(|r| r.normal),
            "light": light_of(plan, self.reading.lux(), self.reading.xy()),
            "stops_to_key": self.to_key,
            "daylight_lux": self.daylight_lux,
            "lamps": lamps.collect::<Vec<_>>(),
        })
    }
}

impl Ratio {
    fn whose(&self, plan: &Plan) -> String {
        if plan.subjects.len() > 1 { format!("@{}", plan.subjects[self.subject.0].id) } else { String::new() }
    }

    fn text(&self, plan: &Plan) -> String {
        let whose = self.whose(plan);
        let metered = self.metered.map_or(String::new(), |m| {
            format!("; a meter reads face-lit to face-shadow {m:.2}:1 ({:.2} stops)", m.log2())
        });
        let Some(contrast) = self.contrast else {
            return format!("key{whose} {:.1} lx, no fill{metered}", self.key_lux);
        };
        format!(
            "key{whose} {:.1} lx straight at face-lit, fill {:.1} lx (all else at face-shadow): key:fill {:.2}:1 ({:.2} \
             stops), (key+fill):fill {:.2}:1 ({:.2} stops){metered}",
            self.key_lux,
            self.fill_lux,
            contrast.key_to_fill,
            contrast.key_to_fill.log2(),
            contrast.lit_to_shadow,
            contrast.lit_to_shadow.log2()
        )
    }
}
