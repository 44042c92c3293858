//! What is told of one look: its lamps as they stood when it had landed, and the warmest body.

use super::{LampRow, Row, WHITE};
use crate::control::{FixtureStatus, WarmBody};
use crate::engine::{Engine, assess};
use crate::plan::{Control, FixtureId, LookId};
use crate::wire::sim;

/// The body nearest to its limit.
pub(super) fn warmest(engine: &Engine) -> Option<WarmBody> {
    // By the plan's own names: the status has numbers while a face is protected.
    let body = |(index, f): (usize, FixtureStatus)| {
        let fixture = engine.plan().fixture(FixtureId(index)).id.clone();
        Some(WarmBody { fixture, celsius: f.body_est_c?, limit_c: f.limit_c? })
    };
    let room = |b: &WarmBody| b.limit_c - b.celsius;
    engine
        .status()
        .fixtures
        .into_iter()
        .enumerate()
        .filter_map(body)
        .min_by(|a, b| room(a).total_cmp(&room(b)))
}

/// Fills in what a look comes to, as it stands.
pub(super) fn fill(row: &mut Row, engine: &Engine, look: LookId) {
    let plan = engine.plan();
    let look = plan.look(look);
    let status = engine.status();
    let found = assess::assess(plan, look, false);
    let mut lamps = Vec::new();
    for (index, f) in status.fixtures.iter().enumerate() {
        let fixture = plan.fixture(FixtureId(index));
        if f.asked.stops.is_none() || f.control == "absent" {
            continue;
        }
        let sent = match fixture.control {
            Control::Dmx(_) => {
                let shown = sim::shown(fixture, &f.slots, WHITE);
                crate::engine::light_of(plan, shown.lux, shown.xy)
            }
            Control::Hand => f.sent,
        };
        lamps.push(LampRow {
            id: fixture.id.clone(),
            lamp: fixture.lamp_name().to_owned(),
            asked: f.asked,
            sent,
            address: fixture.address().map(|a| (a.universe, a.first)),
            slots: f.slots.clone(),
            moves: f.moves.clone(),
            by_hand: found.iter().find(|a| a.fixture == FixtureId(index)).and_then(|a| a.by_hand(plan)),
        });
    }
    row.watts = status.fixtures.iter().map(|f| f.watts).sum();
    row.lamps = lamps;
    row.warnings = found.iter().flat_map(|a| a.warnings(plan)).chain(held(engine, look)).collect();
}

/// Lamps that a look marked `protect` lights and that are held dark.
fn held(engine: &Engine, look: &crate::plan::Look) -> Option<String> {
    let plan = engine.plan();
    let means = crate::engine::protection_of(plan);
    let lit = look.targets.iter().filter(|t| look.protect && means.holds(t.fixture));
    let names: Vec<_> = lit.map(|t| plan.fixture(t.fixture).id.as_str()).collect();
    (!names.is_empty()).then(|| format!("held dark: {} (a protected face)", names.join(", ")))
}
