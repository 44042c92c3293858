//! The face: a neutral head lit by a look's lamps, seen by a camera with its exposure, filters and white balance.
//!
//! Fronts have their true size, so that shadows are as soft as on the set; walls, floor and boards return light once. The
//! light is the engine's: the same fronts, beams, flags and levels that its meter points are reckoned from. Planned,
//! not measured. What it leaves out is in docs/pictures.md.

pub mod field;
pub mod head;
pub mod light;
pub mod scene;
mod shade;
mod sheet;
pub mod solid;
mod verdict;
pub mod work;

use crate::engine::assess::{self, Assessment};
use crate::engine::{meter, protection_of};
use crate::light::reading::LampLight;
use crate::light::solve;
use crate::plan::{Camera, LookId, Plan, Subject};

pub use scene::{Finish, Scene, head_field};
pub use shade::{Exposed, Shows, expose};
pub use sheet::{Cell, contact_sheet, figures};
pub use verdict::{LIFT_STOPS, Seen};
pub use work::{InOrder, Workers};

/// Everything about a look that its pictures share.
#[derive(Debug, Clone, PartialEq)]
pub struct Lit {
    /// What every lamp gives, in the plan's order.
    pub lamps: Vec<LampLight>,
    /// What a meter would read.
    pub table: meter::Table,
}

/// The light of a look, every fade over; a protected look holds the lamps that reach a protected face.
#[must_use]
pub fn lit(plan: &Plan, look: LookId) -> Lit {
    let look = plan.look(look);
    let held = look.protect.then(|| protection_of(plan));
    let mut found: Vec<Assessment> = assess::assess(plan, look, false);
    found.retain(|a| !held.as_ref().is_some_and(|h| h.holds(a.fixture)));
    let dark = LampLight { lux_at_1m: 0.0, xy: solve::dark_colour(plan).xy() };
    let mut lamps = vec![dark; plan.fixtures.len()];
    for lamp in &found {
        let gain = solve::gain(plan.fixture(lamp.fixture));
        let lux_at_1m = if gain > 0.0 { lamp.sent_lux / gain } else { 0.0 };
        lamps[lamp.fixture.0] = LampLight { lux_at_1m, xy: lamp.sent_xy.unwrap_or(lamp.reach.xy) };
    }
    Lit { table: meter::table(plan, look, &found), lamps }
}

/// A picture of a subject's face.
#[must_use]
pub fn picture(
    plan: &Plan,
    lit: &Lit,
    (subject, camera): (&Subject, &Camera),
    finish: &Finish,
    workers: &dyn Workers,
) -> Exposed {
    picture_of(head_field(finish, workers), plan, lit, (subject, camera), finish, workers)
}

/// The same with a head's grid that is at hand: [`head_field`] of the same finish.
#[must_use]
pub fn picture_of(
    field: field::Field,
    plan: &Plan,
    lit: &Lit,
    (subject, camera): (&Subject, &Camera),
    finish: &Finish,
    workers: &dyn Workers,
) -> Exposed {
    let scene = Scene::of(plan, subject, camera, &lit.lamps, (field, workers));
    expose(&scene, finish, workers)
}
