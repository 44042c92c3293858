//! The whole demo shoot on a hot afternoon, by the guard's arithmetic alone: what would be held, and when.

use lampkeep::guards::thermal::{Coming, Duty, LampAhead, duty, forecast};
use lampkeep::guards::{self, Conditions};
use lampkeep::light::{Colour, solve};
use lampkeep::plan::{Control, Plan, load};

const AFTERNOON_C: f64 = 35.0;
const SIMULATED: Conditions =
    Conditions { real_output: false, period_s: 0.025, absent: false, protected: false };

/// The order's looks with the lamps' power, each `longer` times as long as planned.
fn order(plan: &Plan, longer: f64) -> Vec<Coming> {
    let look = |step: &lampkeep::plan::Step| Coming {
        for_s: step.on_for.as_secs_f64() * longer,
        lamps: plan
            .fixture_ids()
            .map(|id| {
                let fixture = plan.fixture(id);
                let demand = solve::demand(plan, plan.look(step.look), id).at(0.0);
                let watts = guards::forecast(fixture, &solve::reach(fixture, &demand), &SIMULATED).watts();
                let here = fixture.absent.is_none() && fixture.control != Control::Hand;
                (matches!(demand.colour, Colour::White { .. }), if here { watts } else { 0.0 })
            })
            .collect(),
    };
    plan.order.iter().map(look).collect()
}

fn bodies(plan: &Plan, ambient_c: f64) -> Vec<LampAhead> {
    let body = |fixture: &lampkeep::plan::Fixture| LampAhead {
        model: match duty(fixture, false) {
            Duty::Limited(model) => Some(model),
            Duty::Free | Duty::Unknown => None,
        },
        standby_w: fixture.profile.standby.get(),
        celsius: ambient_c,
    };
    plan.fixtures.iter().map(body).collect()
}

/// Source: the requirement: the demo shoot on an afternoon of 35 degrees gives a forecast that a person can act
/// on. What it says is checked by its own logic: hotter rooms hold more and sooner, no lamp is over its
/// limit at any look's end, and whatever is held is held in some lamp's name.
#[test]
fn the_demo_shoot_on_a_hot_afternoon_has_a_heat_forecast() {
    let plan = load::demo();
    let mut soonest = f64::INFINITY;
    for ambient in [20.0, AFTERNOON_C, 50.0] {
        let lamps = bodies(&plan, ambient);
        let seen = forecast(&lamps, ambient, &order(&plan, 6.0));
        let mut before_s = 0.0;
        let mut first_s = f64::INFINITY;
        for (step, seen) in plan.order.iter().zip(&seen) {
            if let Some((lamp, at_s)) = seen.first {
                first_s = first_s.min(before_s + at_s);
                println!(
                    "{ambient} °C, {}: {} held after {:.1} min, {:.2} stops at the end",
                    plan.look(step.look).name,
                    plan.fixtures[lamp].id,
                    at_s / 60.0,
                    seen.most_at_end
                );
            }
            assert!(seen.most_at_end <= 0.0 || seen.first.is_some());
            for (lamp, celsius) in lamps.iter().zip(&seen.celsius_at_end) {
                assert!(lamp.model.is_none_or(|m| *celsius <= m.limit_c + 1e-6));
            }
            before_s += step.on_for.as_secs_f64() * 6.0;
        }
        assert!(first_s <= soonest, "a hotter room holds no later");
        soonest = first_s;
    }
    assert!(soonest.is_finite(), "at 50 degrees something has to come down");
}
