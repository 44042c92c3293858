//! How far a protected face lies under the wall behind it, in luminance: an estimate of direct light.

use super::say;
use crate::guards::identity::reach::{Source, margin_stops};
use crate::plan::{FixtureId, MeterAt, MeterPoint, Metres, Plan, SubjectId};

/// What is always said with the figure.
pub const CAUTION: &str = "estimate, bounce not counted";

/// Stops by which the wall behind is brighter than a face, by direct light alone; `None` where the plan has
/// no wall behind, or one of the two gets none.
///
/// `lux_at_1m`: what each lamp gives at 1 m, modifiers' loss not in. The face takes the most that every lamp can
/// give it, aim errors and turns of the head in; the wall what the plan says. Bounce would make it less.
#[must_use]
pub fn stops(plan: &Plan, face: SubjectId, lux_at_1m: impl Fn(FixtureId) -> f64) -> Option<f64> {
    let reflectance = plan.room.as_ref()?.reflectance.get();
    let wall = plan.spill.receptor(MeterAt { point: MeterPoint::Wall, subject: face }, None)?;
    let on_wall = plan.fixture_ids().zip(&wall.lamps).map(|(id, sent)| sent.direct * lux_at_1m(id)).sum();
    margin_stops(most_at(plan, face, lux_at_1m), on_wall, reflectance)
}

/// The most direct light at a face in lux: an upper bound.
fn most_at(plan: &Plan, face: SubjectId, lux_at_1m: impl Fn(FixtureId) -> f64) -> f64 {
    let cameras: Vec<Metres> = plan.cameras.iter().map(|c| c.position).collect();
    let position = plan.subjects[face.0].position;
    let at = |id: FixtureId| {
        let fixture = plan.fixture(id);
        let full: f64 = fixture.emitters.iter().map(|e| e.lux_at_1m).sum();
        let share = if full > 0.0 { (lux_at_1m(id) / full).clamp(0.0, 1.0) } else { 0.0 };
        if share > 0.0 { Source::of(fixture).most_lux(position, &cameras) * share } else { 0.0 }
    };
    plan.fixture_ids().map(at).sum()
}

/// The same for every face, in words; nothing for a plan without a wall behind.
#[must_use]
pub fn said(plan: &Plan, lux_at_1m: impl Fn(FixtureId) -> f64) -> Vec<String> {
    super::protect::faces(plan)
        .into_iter()
        .filter_map(|face| {
            let stops = stops(plan, face, &lux_at_1m)?;
            let name = &plan.subjects[face.0].id;
            let bright = plan.room.as_ref().map_or(0.0, |r| r.reflectance.get() * 100.0);
            let under = match stops {
                s if s >= 0.0 => {
                    format!(
                        "at most {} stops under what is behind it",
                        say::fine_stops(s).trim_start_matches('+')
                    )
                }
                s => format!(
                    "{} stops BRIGHTER than what is behind it",
                    say::fine_stops(-s).trim_start_matches('+')
                ),
            };
            Some(format!(
                // Our own words here are none that plans call things by, such as wall: those become numbers.
                "face of {name} {under} (luminance, skin at 40 %, behind at {bright:.0} %); {CAUTION}"
            ))
        })
        .collect()
}
