//! The set from above as it was planned for a take, from the plan that the log keeps by its hash, in the light that was sent.

use crate::journal::{LampLight, TakeRecord};
use crate::picture::set::{self, Lengths, View};
use crate::plan::Plan;
use crate::units::Xy;

/// Greatest width and height in page units: beside a column of facts its names are as large as the page's text.
const MOST: [f64; 2] = [690.0, 690.0];

/// The drawing as SVG, to scale. `hidden`: a face is protected now, so numbers stand for names. They do too where the take was
/// shot under protection, since its record has no names.
///
/// `None`: the plan has other lamps than the take.
pub(super) fn svg(take: &TakeRecord, plan: &Plan, hidden: bool) -> Option<String> {
    let lamps = &take.light.lamps;
    if lamps.len() != plan.fixtures.len() {
        return None;
    }
    let named = lamps.iter().zip(&plan.fixtures).all(|(lamp, fixture)| lamp.fixture == fixture.id);
    let numbered = lamps.iter().enumerate().all(|(i, lamp)| lamp.fixture == format!("lamp-{}", i + 1));
    if !named && !numbered {
        return None;
    }
    let lit: Vec<set::Lit> = lamps.iter().map(|lamp| light(plan, lamp)).collect();
    let view = View { look: None, lengths: Lengths::Metres, hidden: hidden || !named };
    Some(set::above_lit(plan, &view, &lit, MOST).svg())
}

/// What a lamp gave; nothing where it was absent.
fn light(plan: &Plan, lamp: &LampLight) -> set::Lit {
    let sent = &lamp.sent;
    let lux = if lamp.absent.is_some() { 0.0 } else { sent.lux };
    // Dark has no colour: any white will do.
    let xy = sent.x.zip(sent.y).map_or(Xy { x: 1.0 / 3.0, y: 1.0 / 3.0 }, |(x, y)| Xy { x, y });
    set::Lit::of(plan, lux, xy)
}
