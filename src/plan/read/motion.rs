//! Motions as written: `move = { breath = { … } }` in a lamp's or a group's entry.

use super::look::ColourRaw;
use crate::plan::amounts::{ANGLE, DEPTH, MIRED};
use crate::plan::problem::{Kind, Place, Problem};
use crate::plan::tree::{Field, Table};
use crate::plan::{ColourTarget, Colours, Flicker, FlickerLike, MOST_COLOURS, Motion};
use crate::units::{Share, Stops};
use std::time::Duration;

/// Kinds of motion, each with how it would be written.
const KINDS: [(&str, &str); 4] = [
    ("hue-circle", "hue-circle = { period = \"30 s\", depth = \"30 %\" }"),
    ("breath", "breath = { period = \"6 s\", depth = \"1 stop\" }"),
    ("wander", "wander = { period = \"60 s\", through = [{ kelvin = 4300 }] }"),
    ("flicker", "flicker = { like = \"fire\", seed = 1 }"),
];
/// Longest period but that of a flicker, in seconds. Judgement: longer than a take; and reading a plan
/// looks at all of it.
const LONGEST_S: f64 = 3600.0;
/// Shortest turn of hue. Under 10 s it distracts, and fast colour is a hazard (practice of the field).
const SHORTEST_CIRCLE_S: f64 = 10.0;
/// Shortest breath: two frames at the least rate. The flash guard's rule refuses what is faster than it may be.
const SHORTEST_BREATH_S: f64 = 0.2;
/// Shortest wander (judgement, as for the circle; between whites it may be faster).
const SHORTEST_WANDER_S: f64 = 5.0;
/// Deepest breath and flicker, in stops. Judgement: more than a camera sees.
const DEEPEST: f64 = 6.0;
/// Time from change to change of a flicker, in seconds: four frames at 40 a second, and a minute.
const EVERY_S: (f64, f64) = (0.1, 60.0);
/// Period of a flicker, in seconds: shorter is seen to repeat, longer is never seen whole (judgement).
const LOOP_S: (f64, f64) = (5.0, 300.0);
/// Changes that a period holds at least: fewer would be a pattern.
const LEAST_CHANGES: u32 = 4;
/// Farthest drift of colour, in mired.
const FARTHEST_DRIFT: f64 = 200.0;

/// What a flicker has where the plan states nothing: every, depth in stops, drift in mired.
///
/// Judgement, no source: a fire swings within a second or so and is warmer where it is dim; a screen changes
/// with the cuts of what it shows, deeper, its white going either way. Both pass the flash guard's rule alone
/// at 0 stops for most seeds.
const fn usual(like: FlickerLike) -> (Duration, f64, f64) {
    match like {
        FlickerLike::Fire => (Duration::from_millis(1000), 0.8, 30.0),
        FlickerLike::Screen => (Duration::from_millis(2000), 1.5, 40.0),
    }
}
/// Period of a flicker that states none.
const USUAL_LOOP: Duration = Duration::from_secs(60);

/// A motion as written; its colours are still to be told against the look's white.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Raw {
    what: What,
    /// The part of a period by which each member of a group starts after the one before, with its place.
    pub spread: Option<(Share, Place)>,
}

#[derive(Debug, Clone, PartialEq)]
enum What {
    /// One without colours of its own. A flicker that states no drift: `true`.
    Plain(Motion, bool),
    /// A wander: period, colours, phase.
    Wander(Duration, Vec<ColourRaw>, Share),
}

impl Raw {
    /// The motion. `colour`: a colour as it stands in its look; `coloured`: the lamp can change its colour.
    pub fn resolved(&self, colour: impl Fn(ColourRaw) -> ColourTarget, coloured: bool) -> Option<Motion> {
        match &self.what {
            // A lamp of one colour would only miss a drift that nobody asked for.
            What::Plain(Motion::Flicker(flicker), true) if !coloured => {
                Some(Motion::Flicker(Flicker { drift_mired: 0.0, ..*flicker }))
            }
            What::Plain(motion, _) => Some(*motion),
            What::Wander(period, through, phase) => {
                let through: Vec<_> = through.iter().map(|c| colour(*c)).collect();
                Some(Motion::Wander { period: *period, through: Colours::new(&through)?, phase: *phase })
            }
        }
    }

    /// The same for the `k`-th member of a group, counted from 0; each starts after the one before.
    pub fn of_member(&self, k: usize) -> Self {
        let Some((spread, _)) = self.spread else { return self.clone() };
        let late = (k as f64 * spread.get()).rem_euclid(1.0);
        let what = match &self.what {
            What::Plain(motion, usual) => What::Plain(motion.delayed(late), *usual),
            What::Wander(period, through, phase) => {
                let phase = Share::clamped((phase.get() - late).rem_euclid(1.0));
                What::Wander(*period, through.clone(), phase)
            }
        };
        Self { what, spread: None }
    }

    /// What a lamp must be able to do for it: nothing, change its white, or turn its hue; with what to call it.
    pub fn needs(&self) -> Option<(bool, &'static str)> {
        match &self.what {
            What::Plain(Motion::HueCircle { .. }, _) => Some((true, "a turn of hue")),
            What::Wander(_, through, _) => {
                let hue = through.iter().any(|c| matches!(c, ColourRaw::Hue(..)));
                Some((hue, "a wander between colours"))
            }
            What::Plain(..) => None,
        }
    }
}

/// Reads `move`; `Some(None)` for an explicit none.
pub(super) fn motion(t: &Table<'_>) -> Option<(Option<Raw>, Place)> {
    let field = t.get("move")?;
    let place = field.key_place();
    if field.as_text().is_some() {
        return field.word(&[("none", ())]).map(|()| (None, place));
    }
    let table = field.table(&format!("`move` of {}", t.owner()))?;
    let mut kinds: Vec<_> = KINDS.iter().filter_map(|(kind, _)| table.get(kind)).collect();
    kinds.sort_by_key(|field| field.key_place().start);
    table.finish();
    let kind = match kinds.as_slice() {
        [] => {
            if !KINDS.iter().any(|(kind, _)| table.misspelt(kind)) {
                let said = format!("{} does not say how", table.owner());
                let ways: Vec<_> = KINDS.iter().map(|(_, example)| format!("`{example}`")).collect();
                let problem = Problem::at(Kind::MissingKey, place, said).label("how does it move?");
                field.report(problem.help(format!("one of {}", ways.join(", "))));
            }
            return None;
        }
        [one] => one,
        [first, second, ..] => {
            let said = format!("{} moves in two ways: `{}` and `{}`", t.owner(), first.key(), second.key());
            let problem = Problem::at(Kind::Conflict, second.key_place(), said).label("a second way");
            field.report(problem.also(first.key_place(), "the first").help("keep one of them"));
            return None;
        }
    };
    let t = kind.table(&format!("`{}` of {}", kind.key(), t.owner()))?;
    let spread = t.get("spread").map(|f| Some((f.share()?, f.key_place())));
    let what = match kind.key() {
        "hue-circle" => hue_circle(&t),
        "breath" => breath(&t),
        "wander" => wander(&t),
        _ => flicker(&t),
    };
    let clean = t.finish();
    let spread = spread.map_or(Some(None), |s| s.map(Some))?;
    Some((Some(Raw { what: what.filter(|_| clean)?, spread }), place))
}

fn phase(t: &Table<'_>) -> Option<Share> {
    t.get("phase").map_or(Some(Share::NONE), |f| f.share())
}

fn depth(field: &Field<'_>) -> Option<Stops> {
    field.amount(&DEPTH, 0.0, DEEPEST).map(Stops::clamped)
}

fn hue_circle(t: &Table<'_>) -> Option<What> {
    let period = t.need("period", "period = \"30 s\"").and_then(|f| f.duration(SHORTEST_CIRCLE_S, LONGEST_S));
    let depth = t.need("depth", "depth = \"30 %\"").and_then(|f| f.share());
    let start = t.get("start").map_or(Some(0.0), |f| f.amount(&ANGLE, 0.0, 360.0));
    Some(What::Plain(Motion::HueCircle { period: period?, depth: depth?, start_deg: start? }, false))
}

fn breath(t: &Table<'_>) -> Option<What> {
    let period = t.need("period", "period = \"6 s\"").and_then(|f| f.duration(SHORTEST_BREATH_S, LONGEST_S));
    let depth = t.need("depth", "depth = \"1 stop\"").and_then(|f| depth(&f));
    let phase = phase(t);
    Some(What::Plain(Motion::Breath { period: period?, depth: depth?, phase: phase? }, false))
}

fn wander(t: &Table<'_>) -> Option<What> {
    let period = t.need("period", "period = \"60 s\"").and_then(|f| f.duration(SHORTEST_WANDER_S, LONGEST_S));
    let example = "[{ kelvin = 4300 }, { kelvin = 3200 }]";
    let through = t.need("through", &format!("through = {example}")).and_then(|f| {
        let all = f.list(example)?;
        if all.is_empty() || all.len() > MOST_COLOURS {
            let said = format!(
                "`through` of {} has {} colours; 1 to {MOST_COLOURS} are allowed",
                t.owner(),
                all.len()
            );
            f.wrong(Kind::OutOfRange, said, format!("write it like `through = {example}`"));
            return None;
        }
        let read: Vec<_> = all.iter().map(|one| one_colour(t, one)).collect();
        read.into_iter().collect::<Option<Vec<_>>>()
    });
    let phase = phase(t);
    Some(What::Wander(period?, through?, phase?))
}

/// One colour of a wander.
fn one_colour(of: &Table<'_>, field: &Field<'_>) -> Option<ColourRaw> {
    if field.as_table("").is_none() {
        field.wrong_type("a list of colours", "[{ kelvin = 4300 }]");
        return None;
    }
    let t = field.table(&format!("a colour of {}", of.owner()))?;
    let colour = super::look::colour(&t).map(|c| c.0);
    let clean = t.finish();
    if colour.is_none() && clean && t.entries().is_empty() {
        let said = format!("{} is empty", t.owner());
        field.wrong(Kind::MissingKey, said, "write it like `{ kelvin = 4300 }`");
    }
    colour.filter(|_| clean)
}

fn flicker(t: &Table<'_>) -> Option<What> {
    let words = [("fire", FlickerLike::Fire), ("screen", FlickerLike::Screen)];
    let like = t.need("like", "like = \"fire\"").and_then(|f| f.word(&words));
    let seed = t.need("seed", "seed = 1").and_then(|f| f.count(0, u32::MAX, 1));
    let every = t.get("every").map(|f| f.duration(EVERY_S.0, EVERY_S.1));
    let period = t.get("period").map(|f| f.duration(LOOP_S.0, LOOP_S.1));
    let depth = t.get("depth").map(|f| depth(&f));
    let drift = t.get("drift").map(|f| f.amount(&MIRED, 0.0, FARTHEST_DRIFT));
    let phase = phase(t);
    let like = like?;
    let (usual_every, usual_depth, usual_drift) = usual(like);
    let flicker = Flicker {
        like,
        seed: seed?,
        every: every.unwrap_or(Some(usual_every))?,
        period: period.unwrap_or(Some(USUAL_LOOP))?,
        depth: depth.unwrap_or(Some(Stops::clamped(usual_depth)))?,
        drift_mired: drift.unwrap_or(Some(usual_drift))?,
        phase: phase?,
    };
    if flicker.every * LEAST_CHANGES > flicker.period {
        let (every, period) = (flicker.every.as_secs_f64(), flicker.period.as_secs_f64());
        let said = format!(
            "{} changes every {every} s, which is less than {LEAST_CHANGES} times in its period of {period} s",
            t.owner()
        );
        let most = period / f64::from(LEAST_CHANGES);
        let problem = Problem::at(Kind::OutOfRange, t.place(), said).label("too few changes");
        t.report(problem.help(format!("take `every` at most \"{most} s\", or a longer `period`")));
        return None;
    }
    Some(What::Plain(Motion::Flicker(flicker), drift.is_none()))
}
