//! Moving lights in words: how they move, what they fall short of along their way.

use super::assess::{self, Assessment};
use crate::guards::course;
use crate::guards::{Conditions, Limit};
use crate::light::{Demand, Moving, motion};
use crate::plan::{Control, Fixture, FixtureId, Look, Motion, Plan};

/// Points of a way that are looked at for what rounding and gamut cost.
const POINTS: u32 = 48;
/// Light that is to stand may move by so much in stops before it is told. Source: the requirement's own limit.
const STEADY_STOPS: f64 = 0.1;
/// A colour miss that is told, in u'v'; as for a light that stands.
const COLOUR_SEEN_UV76: f64 = 0.002;

/// A line for each way in which lamps of a look move: `moves: breath 6 s, 1 stop: left, right`. Members of a group
/// that only start apart share one.
#[must_use]
pub fn table(plan: &Plan, look: &Look) -> Vec<String> {
    let mut lines: Vec<(String, Vec<&str>)> = Vec::new();
    for target in &look.targets {
        let Some(said) = target.motion.as_ref().map(Motion::said) else { continue };
        let lamp = plan.fixture(target.fixture).id.as_str();
        match lines.iter_mut().find(|(words, _)| *words == said) {
            Some((_, lamps)) => lamps.push(lamp),
            None => lines.push((said, vec![lamp])),
        }
    }
    lines.into_iter().map(|(said, lamps)| format!("moves: {said}: {}", lamps.join(", "))).collect()
}

/// A target that keeps its level over its motion on this lamp.
pub(super) fn steady(fixture: &Fixture, target: Moving, real_output: bool) -> Moving {
    let now = Conditions { real_output, period_s: 1.0, absent: false, protected: false };
    course::steady(fixture, target, &now)
}

/// Demands all along the way of a target that moves, held to what keeps its level; none of one that stands.
pub(super) fn way(fixture: &Fixture, target: Moving, real_output: bool) -> Vec<Demand> {
    match &target.motion {
        Some(motion) => points(&steady(fixture, target, real_output), motion).collect(),
        None => Vec::new(),
    }
}

fn points(target: &Moving, motion: &Motion) -> impl Iterator<Item = Demand> {
    (0..POINTS).map(|point| {
        let pose = motion::along(motion, target.base.colour, f64::from(point) / f64::from(POINTS));
        Demand { lux: target.top_lux() * pose.share, colour: pose.colour }
    })
}

/// What a person must know of the light of a lamp that moves: of all its way, not only of its start.
pub(super) fn warnings(name: &str, target: &Moving) -> Vec<String> {
    let mut said = Vec::new();
    let (asked, top) = (target.base.lux, target.top_lux());
    let Some(motion) = target.motion.as_ref().filter(|_| asked > 0.0) else { return said };
    if top <= 0.0 {
        said.push(format!(
            "{name} dark: {:.1} lx is under its floor of {:.1} lx somewhere on its way",
            asked.min(target.most_lux),
            target.least_lux
        ));
        return said;
    }
    let short = (asked / top).log2();
    if short >= 0.05 {
        let why =
            if matches!(motion, Motion::Breath { .. }) { "" } else { " (its weakest colour on the way)" };
        said.push(format!("{name} {short:.1} stops short{why}"));
    }
    let room = (top / target.least_lux).log2();
    if motion::depth(motion) > room + 0.05 {
        said.push(format!("{name} moves {room:.1} of {:.1} stops: down to its floor", motion::depth(motion)));
    }
    said
}

/// The same for what only a look at the whole way shows: colours out of reach, and light that rounding to slots
/// moves. Some 50 solutions for a lamp that moves.
#[must_use]
pub fn along(plan: &Plan, found: &Assessment, real_output: bool) -> Vec<String> {
    let (fixture, mut said) = (plan.fixture(found.fixture), Vec::new());
    let target = &found.target;
    let Some(motion) = target.motion.as_ref().filter(|_| target.top_lux() > 0.0) else { return said };
    if fixture.control == Control::Hand || found.limits.has(Limit::Absent) {
        return said;
    }
    let (mut low, mut high, mut missed) = (f64::INFINITY, f64::NEG_INFINITY, 0.0_f64);
    for asked in points(target, motion) {
        let here = assess::lamp(fixture, found.fixture, asked, real_output, false);
        if asked.lux > 0.0 && here.sent_lux > 0.0 {
            let off = (here.sent_lux / asked.lux).log2();
            (low, high) = (low.min(off), high.max(off));
        }
        missed = missed.max(here.reach.miss.map_or(0.0, |m| m.uv76));
    }
    let name = &fixture.id;
    let start = found.reach.miss.map_or(0.0, |m| m.uv76);
    if missed >= COLOUR_SEEN_UV76 && missed > start + COLOUR_SEEN_UV76 {
        said.push(format!("{name} misses colours on its way by up to {missed:.3} in u'v'"));
    }
    if high - low > STEADY_STOPS {
        said.push(format!(
            "{name} light moves by {:.1} stops on its way: its slots have no finer step",
            high - low
        ));
    }
    said
}

/// One lamp at its target in a look, a moving one at its start.
pub(super) fn assessed(
    fixture: &Fixture,
    id: FixtureId,
    target: Moving,
    real_output: bool,
    absent: bool,
) -> Assessment {
    let target = steady(fixture, target, real_output);
    Assessment { target, ..assess::lamp(fixture, id, target.at(0.0), real_output, absent) }
}
