//! The report of a rehearsal: heat, light, power and flashes over time as pictures, and one page that holds all of it.
//!
//! Pure: what was taken down while the rehearsal went on becomes drawings and a text of HTML. The page needs no
//! network and no script, and prints. `cli::rehearse` writes it.

mod chart;
mod faces;
mod flashes;
mod html;
mod samples;

pub use faces::{LookFaces, Shot};
pub use html::{Figure, page};
pub use samples::{CircuitCourse, LampCourse, Samples};

use chart::{Chart, Course, LINE, Strip};

use crate::engine::say;
use crate::picture::{Drawing, Ink, Stroke};
use crate::rehearse::{Timeline, clock_time};

/// The dashed line of what is asked.
const ASKED: Ink = Ink::hex(0x55_5555);
/// Stops of the light's strips.
const STOPS: (f64, f64) = (-8.0, 2.0);
/// Changes in a second that make three flashes. Source: WCAG 2.3.1, a flash is a pair of opposing changes.
const THREE_FLASHES: f64 = 6.0;

/// Every picture of a rehearsal, each with its file's stem and what it shows, in the order of the page.
#[must_use]
pub fn pictures(timeline: &Timeline, samples: &Samples) -> Vec<(&'static str, Drawing)> {
    let looks: Vec<(f64, String)> = timeline.looks.iter().map(|l| (l.at_s, l.look.clone())).collect();
    vec![
        ("heat", heat(timeline, samples, &looks)),
        ("light", light(samples, &looks)),
        ("power", power(samples, &looks)),
        ("flashes", flashes(samples, &looks)),
    ]
}

fn heat(timeline: &Timeline, samples: &Samples, looks: &[(f64, String)]) -> Drawing {
    let ambient = timeline.ambient_c;
    let strip = |lamp: &'_ LampCourse| {
        let limit = lamp.limit_c.unwrap_or(ambient + 1.0);
        let hottest = lamp.hottest();
        let mut notes = Vec::new();
        if let Some((celsius, index)) = hottest {
            let at = samples.at_s.get(index).copied().unwrap_or(0.0);
            notes.push(format!("hottest {celsius:.0} of {limit:.0} °C, {}", clock_time(at)));
        }
        notes.push(match lamp.spare_min {
            Some(m) if m <= 0.0 && lamp.at_limit() => "held: no minute to spare".to_owned(),
            Some(m) if m <= 0.0 => "held with the others".to_owned(),
            Some(m) => format!("{} to spare at least", say::span((m * 60.0).floor())),
            None => "never has to come down".to_owned(),
        });
        (lamp.id.clone(), lamp.lamp.clone(), notes, limit)
    };
    let with_limit = samples.lamps.iter().filter(|l| l.limit_c.is_some());
    let strips = with_limit
        .map(|lamp| {
            let (name, about, notes, limit) = strip(lamp);
            Strip {
                name,
                about: format!("{about}, °C"),
                notes,
                range: (ambient.min(limit) - 2.0, limit + 4.0),
                ticks: vec![(ambient, format!("{ambient:.0}")), (limit, format!("{limit:.0}"))],
                limit: Some(limit),
                courses: vec![Course {
                    values: Box::new(|i| lamp.celsius.get(i).copied().flatten()),
                    stroke: Stroke::new(LINE, 1.8),
                    filled: true,
                }],
            }
        })
        .collect();
    let without: Vec<&str> =
        samples.lamps.iter().filter(|l| l.limit_c.is_none()).map(|l| l.id.as_str()).collect();
    let without = format!("no figure of heat, so no strip: {}", without.join(", "));
    let mut about = vec![
        "filled: each body's estimate in degrees Celsius; dashed: its limit, where the guard lowers the light. An estimate is no \
         measurement: feel before you grip",
    ];
    if samples.lamps.iter().any(|l| l.limit_c.is_none()) {
        about.push(&without);
    }
    Chart { title: "Heat of each lamp against its limit", about: &about, at_s: &samples.at_s, looks, strips }
        .drawing()
}

fn light(samples: &Samples, looks: &[(f64, String)]) -> Drawing {
    let strips = samples
        .lamps
        .iter()
        .filter(|l| l.lit())
        .map(|lamp| {
            let most = lamp.asked.iter().flatten().copied().fold(f64::NEG_INFINITY, f64::max);
            let under =
                lamp.asked.iter().zip(&lamp.sent).filter_map(|(a, s)| Some(a.as_ref()? - s.as_ref()?));
            let under = under.fold(0.0, f64::max);
            let mut notes = vec![format!("{} stops at most", say::stops(most))];
            if lamp.by_hand {
                notes.push("set by hand: asked alone".to_owned());
            } else if under >= 0.1 {
                notes.push(format!("{under:.1} stop under what was asked"));
            }
            Strip {
                name: lamp.id.clone(),
                about: format!("{}, stops", lamp.lamp),
                notes,
                range: STOPS,
                ticks: [-8.0, -4.0, 0.0].map(|s: f64| (s, format!("{s:.0}"))).to_vec(),
                limit: None,
                courses: vec![
                    Course {
                        values: Box::new(|i| lamp.sent.get(i).copied().flatten()),
                        stroke: Stroke::new(LINE, 2.0),
                        filled: true,
                    },
                    Course {
                        values: Box::new(|i| lamp.asked.get(i).copied().flatten()),
                        stroke: Stroke::new(ASKED, 1.0).dashed(3.0, 3.0),
                        filled: false,
                    },
                ],
            }
        })
        .collect();
    let about = [
        "stops from the exposure's 0 (what a meter at the lamp's aim would show of this lamp alone); no line: dark",
        "filled: what the slots stand for; dashed: asked. Planned light is not measured light",
    ];
    Chart { title: "Light of each lamp", about: &about, at_s: &samples.at_s, looks, strips }.drawing()
}

fn power(samples: &Samples, looks: &[(f64, String)]) -> Drawing {
    let strips = samples
        .circuits
        .iter()
        .map(|circuit| {
            let most = circuit.watts.iter().copied().fold(0.0, f64::max);
            let most_va = circuit.volt_amperes.iter().copied().fold(0.0, f64::max);
            let assumed = if circuit.assumed { ", its breaker assumed" } else { "" };
            let top = circuit.limit_va.max(most_va) * 1.06;
            Strip {
                name: circuit.id.clone(),
                about: "W and VA".to_owned(),
                notes: vec![
                    format!("{most:.0} W, {most_va:.0} VA at most"),
                    format!("of {:.0} VA{assumed}", circuit.limit_va),
                ],
                range: (0.0, top.max(1.0)),
                ticks: vec![(0.0, "0".to_owned()), (circuit.limit_va, format!("{:.0}", circuit.limit_va))],
                limit: Some(circuit.limit_va),
                courses: vec![
                    Course {
                        values: Box::new(|i| circuit.watts.get(i).copied()),
                        stroke: Stroke::new(LINE, 1.8),
                        filled: true,
                    },
                    Course {
                        values: Box::new(|i| circuit.volt_amperes.get(i).copied()),
                        stroke: Stroke::new(ASKED, 1.0).dashed(3.0, 3.0),
                        filled: false,
                    },
                ],
            }
        })
        .collect();
    let about = [
        "filled: watts, standby, hand-set lamps and what else the plan names included; fine dashes: volt-amperes, which a breaker \
         sees",
        "coarse dashes: what the plan lets the circuit carry. Inrush is not in it: plug lamps in one at a time",
    ];
    Chart { title: "Power of each circuit", about: &about, at_s: &samples.at_s, looks, strips }.drawing()
}

fn flashes(samples: &Samples, looks: &[(f64, String)]) -> Drawing {
    let most = |changes: &[usize]| changes.iter().copied().max().unwrap_or(0);
    let (guard, apart) = (most(&samples.changes), most(&samples.changes_apart));
    let strip = Strip {
        name: "changes".to_owned(),
        about: "in any second; six are three flashes".to_owned(),
        notes: vec![format!("guard {guard} at most"), format!("counted apart {apart} at most")],
        range: (0.0, (apart.max(6) + 1) as f64),
        ticks: [0_u8, 2, 4, 6].map(|n| (f64::from(n), n.to_string())).to_vec(),
        limit: Some(THREE_FLASHES),
        courses: vec![
            Course {
                values: Box::new(|i| samples.changes.get(i).map(|n| *n as f64)),
                stroke: Stroke::new(LINE, 2.0),
                filled: true,
            },
            Course {
                values: Box::new(|i| samples.changes_apart.get(i).map(|n| *n as f64)),
                stroke: Stroke::new(ASKED, 1.0).dashed(3.0, 3.0),
                filled: false,
            },
        ],
    };
    let about = [
        "changes of a tenth or more at the face or wall point that has most. Filled: the guard's own count, which goes to five; fine \
         dashes: the same light counted apart from the guard, by the rule of `lampkeep reckon flash`; coarse dashes: three flashes \
         (WCAG 2.3.1)",
        "a lamp's own strobe or pulsing is not counted. Some people react to less: warn, and ask first",
    ];
    let strips = vec![strip];
    Chart { title: "Flash counter", about: &about, at_s: &samples.at_s, looks, strips }.drawing()
}
