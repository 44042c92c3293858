//! What lamps draw in a look and on the way from one look to the next: for `check`.

use super::{assess, moves};
use crate::light::{Demand, Moving, fade, solve};
use crate::plan::{Fixture, FixtureId, Look, Plan};

/// Steps of a fade that are looked at. Light goes even in stops over ten of them at most, so a step is under
/// a third of a stop.
const STEPS: u32 = 32;

/// Watts that each fixture draws from the mains in a look, in the plan's order: standby included, 0 for one
/// that is absent or has a battery. A light that moves is taken where it draws most on its way. `None`: everything
/// dark.
#[must_use]
pub fn mains_watts(plan: &Plan, look: Option<&Look>) -> Vec<f64> {
    plan.fixture_ids()
        .map(|id| if on_mains(plan.fixture(id)) { most_watts(plan, look, id) } else { 0.0 })
        .collect()
}

/// The same along the fade from one look to another, from its first frame to its last.
#[must_use]
pub fn mains_watts_along(plan: &Plan, from: Option<&Look>, to: &Look) -> Vec<Vec<f64>> {
    let ends = |look: Option<&Look>| plan.fixture_ids().map(|id| end(plan, look, id)).collect::<Vec<_>>();
    watts_between(plan, &ends(from), &ends(Some(to)), |id| on_mains(plan.fixture(id)))
}

/// The same along the fade from one light to another, each given lamp by lamp. `counts`: lamps that are here and
/// draw from the mains; the others draw 0.
#[must_use]
pub fn watts_between(
    plan: &Plan,
    from: &[Demand],
    to: &[Demand],
    counts: impl Fn(FixtureId) -> bool,
) -> Vec<Vec<f64>> {
    let mut course = vec![vec![0.0; plan.fixtures.len()]; STEPS as usize + 1];
    for id in plan.fixture_ids().filter(|id| counts(*id)) {
        let fixture = plan.fixture(id);
        let (from, to) = (from[id.0], to[id.0]);
        let colour = fade::lit_colour(&from, &to);
        let full = solve::reach(fixture, &Demand { lux: 0.0, colour }).full_lux;
        for (step, watts_of) in course.iter_mut().enumerate() {
            let progress = step as f64 / f64::from(STEPS);
            let demand = fade::between(&from, &to, progress, full * fixture.limits.floor.get());
            watts_of[id.0] = watts(plan, id, demand);
        }
    }
    course
}

fn on_mains(fixture: &Fixture) -> bool {
    fixture.absent.is_none() && fixture.battery_wh.is_none()
}

fn end(plan: &Plan, look: Option<&Look>, id: FixtureId) -> Demand {
    match look {
        Some(look) => moves::steady(plan.fixture(id), solve::demand(plan, look, id), false).at(0.0),
        None => Demand { lux: 0.0, colour: solve::dark_colour(plan) },
    }
}

/// Watts of one lamp in a look, standby included: where it draws most.
fn most_watts(plan: &Plan, look: Option<&Look>, id: FixtureId) -> f64 {
    let still = watts(plan, id, end(plan, look, id));
    let Some(look) = look else { return still };
    most_on_its_way(plan, id, solve::demand(plan, look, id)).max(still)
}

/// The most watts that a lamp draws on the way of a motion, standby included; 0 for one that does not move.
pub(super) fn most_on_its_way(plan: &Plan, id: FixtureId, target: Moving) -> f64 {
    let on_the_way = moves::way(plan.fixture(id), target, false);
    on_the_way.into_iter().map(|demand| watts(plan, id, demand)).fold(0.0, f64::max)
}

/// Watts of one lamp at a demand, standby included.
fn watts(plan: &Plan, id: FixtureId, demand: Demand) -> f64 {
    let fixture = plan.fixture(id);
    if demand.lux <= 0.0 {
        return fixture.profile.standby.get();
    }
    assess::lamp(fixture, id, demand, false, false).watts
}
