//! Whether a light is that of a take, lamp by lamp, and what differs where it is not.
//!
//! It compares what will be sent with what was: DMX is one-way, so the same slots in the same place are all that can be
//! told. What a lamp has drifted by since, only a reading shows.

use crate::control::Light;
use crate::guards::identity::names::numbered;
use crate::journal::{LampLight, TakeRecord, Trim};
use crate::plan::{FixtureId, Plan};
use crate::units::Xy;

use super::say;

/// Differences under these are rounding of figures, not of light: a hundredth of a stop, half a mired, a third of a
/// thousandth of Duv, half a thousandth in u'v'. Judgement: a tenth of what the trade calls a match (10 mired, 0.003
/// Duv, 0.1 stop), or less.
const STOPS: f64 = 0.01;
const MIRED: f64 = 0.5;
const DUV: f64 = 0.0003;
const UV76: f64 = 0.0005;
/// Places nearer than this to each other in metres are one: stands are set by a tape.
const PLACE_M: f64 = 0.005;
/// Lamps that are told of one by one.
const TOLD: usize = 6;

/// What one lamp is to be sent in the light that comes.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Coming {
    /// What its slots stand for, or of one set by hand what it is to be set to.
    pub light: Light,
    /// Its slots; `None` where they are not known yet.
    pub slots: Option<Vec<u8>>,
    /// Why it gives no light though it is asked to: `absent`, `held dark`.
    pub out: Option<&'static str>,
    /// The look whose motion it has.
    pub moves_in: Option<String>,
    /// Hash of the figures that turn its light into slots.
    pub figures: String,
    /// Its body's trim; a look's is in the level.
    pub trim: Trim,
}

/// What differs of one lamp, in words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Difference {
    /// The lamp's id in the plan, or in the take where the plan has none.
    pub fixture: String,
    /// Its differences, most important first; at least one.
    pub said: Vec<String>,
}

impl Difference {
    fn of(fixture: &str, said: String) -> Self {
        Self { fixture: fixture.to_owned(), said: vec![said] }
    }
}

/// The lamp of a take that does the job of this fixture. A take that was recorded without names has numbers.
pub(super) fn lamp_of<'t>(take: &'t TakeRecord, plan: &Plan, id: FixtureId) -> Option<&'t LampLight> {
    let lamps = &take.light.lamps;
    let named = lamps.iter().find(|l| l.fixture == plan.fixture(id).id);
    named.or_else(|| lamps.iter().find(|l| is_number_of(plan, l, id)))
}

fn is_number_of(plan: &Plan, lamp: &LampLight, id: FixtureId) -> bool {
    numbered("lamp", &lamp.fixture) == Some(id.0) && !plan.fixtures.iter().any(|f| f.id == lamp.fixture)
}

fn gave_light(lamp: &LampLight) -> bool {
    lamp.absent.is_none() && lamp.sent.lux > 0.0
}

/// Lamps that gave light in a take and that the plan does not have.
pub(super) fn missing<'t>(take: &'t TakeRecord, plan: &'t Plan) -> impl Iterator<Item = &'t LampLight> {
    take.light.lamps.iter().filter(|l| {
        let here = |id: FixtureId| plan.fixture(id).id == l.fixture || is_number_of(plan, l, id);
        gave_light(l) && !plan.fixture_ids().any(here)
    })
}

/// What differs from a take, lamp by lamp; nothing: it is the same. `coming`: in the plan's order.
pub(super) fn differences(plan: &Plan, coming: &[Coming], take: &TakeRecord) -> Vec<Difference> {
    let mut found: Vec<Difference> = Vec::new();
    for (id, now) in plan.fixture_ids().zip(coming) {
        let name = plan.fixture(id).id.as_str();
        let was = lamp_of(take, plan, id);
        let was_lit = was.is_some_and(gave_light);
        let is_lit = now.light.lux > 0.0 && now.out.is_none();
        match was {
            _ if !was_lit && !is_lit => {}
            Some(_) if was_lit && !is_lit => {
                found.push(Difference::of(name, now.out.unwrap_or("dark, was lit").to_owned()));
            }
            Some(was) if was_lit => {
                let said = lit(plan, id, now, was, take);
                if !said.is_empty() {
                    found.push(Difference { fixture: name.to_owned(), said });
                }
            }
            Some(was) if was.absent.is_some() => {
                found.push(Difference::of(name, "lit, was absent".to_owned()));
            }
            _ => found.push(Difference::of(name, "lit, was dark".to_owned())),
        }
    }
    found.extend(missing(take, plan).map(|l| Difference::of(&l.fixture, "not in this plan".to_owned())));
    found
}

/// What differs of a lamp that gives light in both.
fn lit(plan: &Plan, id: FixtureId, now: &Coming, was: &LampLight, take: &TakeRecord) -> Vec<String> {
    let fixture = plan.fixture(id);
    let mut said = Vec::new();
    let stops = (now.light.lux / was.sent.lux).log2();
    if stops.abs() >= STOPS {
        said.push(format!("{} stops", say::fine_stops(stops)));
    }
    said.extend(colour(&now.light, &was.sent));
    if now.moves_in != was.moves_in {
        said.push(match (&now.moves_in, &was.moves_in) {
            (None, _) => "stands, moved then".to_owned(),
            (_, None) => "moves, stood then".to_owned(),
            _ => "moves otherwise".to_owned(),
        });
    }
    let place = take.places.iter().find(|p| p.fixture == was.fixture);
    if let Some(then) = place {
        let here = &fixture.place;
        let apart = |a: [f64; 3], b: [f64; 3]| (a[0] - b[0]).hypot(a[1] - b[1]).hypot(a[2] - b[2]);
        if (here.distance_m - then.distance_m).abs() > PLACE_M {
            said.push(format!("{:.2} m (was {:.2} m)", here.distance_m, then.distance_m));
        } else if apart(here.position, then.position_m) > PLACE_M
            || apart(here.aim_point, then.aim_m) > PLACE_M
        {
            said.push("moved".to_owned());
        }
        let named = |names: &[String]| if names.is_empty() { "none".to_owned() } else { names.join(" + ") };
        if fixture.modifiers != then.modifiers {
            said.push(format!("{} (was {})", named(&fixture.modifiers), named(&then.modifiers)));
        } else if (fixture.loss.get() - then.loss_stops).abs() > STOPS {
            said.push(format!("modifiers take {:.2} stops, took {:.2}", fixture.loss.get(), then.loss_stops));
        }
    }
    let body = fixture.body.as_ref().map(|b| b.name.as_str());
    // A take without names has the job's number for its body.
    let nameless = was.body.as_deref() == Some(was.fixture.as_str());
    if body != was.body.as_deref() && !nameless {
        let name = |body: Option<&str>| body.unwrap_or("none of the kit").to_owned();
        said.push(format!("lamp {} (was {})", name(body), name(was.body.as_deref())));
    }
    said.extend(trims(now.trim, was.lamp_trim));
    let address = fixture.address().map(|a| (a.universe, a.first));
    let before = was.universe.zip(was.first_slot);
    if address != before {
        let place =
            |a: Option<(u16, u16)>| a.map_or("by hand".to_owned(), |(u, first)| format!("at {u}/{first}"));
        said.push(format!("{} (was {})", place(address), place(before)));
    }
    if fixture.mode.name != was.mode {
        said.push(format!("mode {} (was {})", fixture.mode.name, was.mode));
    }
    let slots = now.slots.as_ref().is_some_and(|slots| super::kept::hex(slots) != was.slots);
    if slots && now.moves_in.is_none() && said.is_empty() {
        let why = if now.figures == was.profile_hash { "" } else { " (its figures have changed)" };
        said.push(format!("other slots{why}"));
    }
    said
}

/// How a colour differs: in mired and Duv between whites, else in u'v'.
fn colour(now: &Light, was: &Light) -> Vec<String> {
    let xy = |l: &Light| l.x.zip(l.y).map(|(x, y)| Xy { x, y }.uv76());
    match (now.kelvin.zip(now.duv), was.kelvin.zip(was.duv)) {
        (Some((k1, d1)), Some((k0, d0))) => {
            let (mired, duv) = (1e6 / k1 - 1e6 / k0, d1 - d0);
            let mired = (mired.abs() >= MIRED).then(|| format!("{mired:+.0} mired"));
            mired.into_iter().chain((duv.abs() >= DUV).then(|| format!("{duv:+.4} Duv"))).collect()
        }
        _ => match (xy(now), xy(was)) {
            (Some(a), Some(b)) if a.distance(b) >= UV76 => vec![format!("{:.4} off in u'v'", a.distance(b))],
            _ => Vec::new(),
        },
    }
}

/// How a body's trims differ.
fn trims(now: Trim, was: Trim) -> Option<String> {
    let by = [now.stops - was.stops, now.mired - was.mired, now.duv - was.duv];
    let parts: Vec<_> = [
        (by[0].abs() >= STOPS).then(|| format!("{} stops", say::fine_stops(by[0]))),
        (by[1].abs() >= MIRED).then(|| format!("{:+.0} mired", by[1])),
        (by[2].abs() >= DUV).then(|| format!("{:+.4} Duv", by[2])),
    ]
    .into_iter()
    .flatten()
    .collect();
    (!parts.is_empty()).then(|| format!("trimmed {} since", parts.join(" ")))
}

/// `yes`, or `no: key +0.30 stops, 1.70 m (was 1.50 m); hair absent`.
pub(super) fn said(differences: &[Difference]) -> String {
    if differences.is_empty() {
        return "yes".to_owned();
    }
    let mut parts: Vec<_> =
        differences.iter().take(TOLD).map(|d| format!("{} {}", d.fixture, d.said.join(", "))).collect();
    let more = differences.len().saturating_sub(TOLD);
    if more > 0 {
        parts.push(format!("and {} more", say::count(more, "lamp")));
    }
    format!("no: {}", parts.join("; "))
}
