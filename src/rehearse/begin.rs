//! How a rehearsal begins: every output sends, and bodies are cold or warm.

use super::script;
use crate::control::{LinkState, OutputStatus, RealTimeStatus};
use crate::engine::{HeatStart, KeptBody, heat_ahead};
use crate::guards::thermal::{Coming, Estimate, forecast};
use crate::plan::{Control, Plan};

/// Every output sends.
pub(super) fn outputs(plan: &Plan) -> Vec<OutputStatus> {
    let status = |output: &crate::plan::Output| OutputStatus {
        kind: "simulator".to_owned(),
        name: output.name.clone(),
        universe: output.universe,
        state: LinkState::Up,
        said: None,
        rate: output.rate,
        frames: 0,
        late_us_p50: None,
        late_us_p99: None,
        late_us_p999: None,
        late_us_max: None,
        missed: 0,
        reopened: 0,
        last_gap_s: None,
        real_time: RealTimeStatus::default(),
    };
    plan.outputs.iter().map(status).collect()
}

/// Bodies as they are once the order has been gone through from cold: up to frame `from`, or all of it where that is
/// its beginning.
pub(super) fn warm(plan: &Plan, from: u64) -> HeatStart {
    let cold = heat_ahead::cold(plan, false);
    let until = if from > 0 { from } else { script::length(plan, &script::steps(plan)) };
    let coming: Vec<Coming> = script::planned(plan, 0, until)
        .iter()
        .map(|p| {
            let mut lamps = heat_ahead::powers(plan, plan.look(p.step.look), false);
            for (lamp, fixture) in lamps.iter_mut().zip(&plan.fixtures) {
                if fixture.control == Control::Hand {
                    lamp.1 = 0.0;
                }
            }
            Coming { for_s: plan.frames.seconds(p.until - p.at), lamps }
        })
        .collect();
    let seen = forecast(&cold, plan.ambient.get(), &coming);
    let Some(end) = seen.last() else { return HeatStart::default() };
    let body = |(fixture, celsius): (&crate::plan::Fixture, &f64)| KeptBody {
        lamp: fixture.lamp_name().to_owned(),
        estimate: Estimate { celsius: *celsius, over_k: 0.0 },
        last_w: fixture.profile.standby.get(),
        standby_w: fixture.profile.standby.get(),
    };
    let bodies = plan.fixtures.iter().zip(&end.celsius_at_end).map(body).collect();
    HeatStart { bodies, gap_s: Some(0.0) }
}
