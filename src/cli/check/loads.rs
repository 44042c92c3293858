//! Circuits and batteries as `check` tells them.

use std::fmt::Write;

use super::{BatteryUse, CircuitUse};
use crate::engine::{assess, draw};
use crate::guards::load::{Battery, Load, Rating, USABLE, loads, worst_along};
use crate::plan::{FixtureId, Look, Plan};

/// Every circuit at its worst: in each look, and at each instant of each fade of the running order, the one
/// out of the dark into its first look too.
pub(super) fn circuits(plan: &Plan) -> Vec<CircuitUse> {
    if plan.circuits.is_empty() {
        return Vec::new();
    }
    let mut all: Vec<CircuitUse> = plan
        .circuits
        .iter()
        .map(|circuit| {
            let rating = Rating::of(circuit);
            CircuitUse {
                circuit: circuit.id.clone(),
                watts: circuit.other.get(),
                volt_amperes: circuit.other.get(),
                when: None,
                limit_va: rating.volt_amperes,
                breaker_a: rating.amps,
                breaker_assumed: rating.assumed,
                over: false,
            }
        })
        .collect();
    // A fade is named only where it is worse than the looks at its ends.
    for look in &plan.looks {
        let loads = loads(plan, &draw::mains_watts(plan, Some(look)));
        for (circuit, load) in all.iter_mut().zip(loads) {
            note(circuit, load, || format!("in {}", look.name));
        }
    }
    let mut from: Option<&Look> = None;
    for step in &plan.order {
        let to = plan.look(step.look);
        let name = from.map_or("dark", |l| &l.name);
        for (circuit, (_, load)) in
            all.iter_mut().zip(worst_along(plan, &draw::mains_watts_along(plan, from, to)))
        {
            note(circuit, load, || format!("in the fade from {name} to {}", to.name));
        }
        from = Some(to);
    }
    for (circuit, use_of) in plan.circuits.iter().zip(&mut all) {
        use_of.over =
            Rating::of(circuit).is_under(Load { watts: use_of.watts, volt_amperes: use_of.volt_amperes });
    }
    all
}

/// Takes a load if it is more than the worst so far; a hair more is none.
fn note(circuit: &mut CircuitUse, load: Load, when: impl Fn() -> String) {
    if circuit.when.is_none() || load.volt_amperes > circuit.volt_amperes + 0.5 {
        (circuit.watts, circuit.volt_amperes) = (load.watts, load.volt_amperes);
        circuit.when = Some(when());
    }
}

/// Every lamp that runs from a battery: its worst look, and what it gives over the running order.
pub(super) fn batteries(plan: &Plan) -> Vec<BatteryUse> {
    let of = |id: FixtureId, wh: f64| {
        let fixture = plan.fixture(id);
        let standby = fixture.profile.standby.get();
        let watts = |look: &Look| {
            let found = assess::assess(plan, look, false).into_iter().find(|a| a.fixture == id);
            found.map_or(standby, |a| a.watts)
        };
        let worst = plan.looks.iter().map(|l| (watts(l), l)).max_by(|a, b| a.0.total_cmp(&b.0));
        let most = worst.map_or(standby, |w| w.0);
        let minutes = Battery::full(wh).minutes_left(most);
        let order_wh: f64 =
            plan.order.iter().map(|s| watts(plan.look(s.look)) * s.on_for.as_secs_f64() / 3600.0).sum();
        BatteryUse {
            lamp: fixture.id.clone(),
            wh,
            watts: most,
            look: worst.map(|w| w.1.name.clone()),
            minutes: minutes.is_finite().then_some(minutes),
            order_wh: (!plan.order.is_empty()).then_some(order_wh),
            short: order_wh > wh * USABLE,
        }
    };
    let here = plan.fixture_ids().filter(|id| plan.fixture(*id).absent.is_none());
    here.filter_map(|id| Some(of(id, plan.fixture(id).battery_wh?))).collect()
}

/// Both for people.
pub(super) fn text(circuits: &[CircuitUse], batteries: &[BatteryUse]) -> String {
    let mut text = String::new();
    for c in circuits {
        let when = c.when.as_ref().map_or(String::new(), |when| format!(" {when}"));
        let assumed = if c.breaker_assumed {
            format!(", breaker unknown: {} A taken", c.breaker_a)
        } else {
            String::new()
        };
        let over = if c.over { "  ! OVER: move a lamp to another circuit" } else { "" };
        let _ = writeln!(
            text,
            "circuit {}: {:.0} VA of {:.0}{when}{assumed}{over}",
            c.circuit, c.volt_amperes, c.limit_va
        );
    }
    if !circuits.is_empty() {
        text.push_str("plug lamps in one at a time; local code and a licensed person decide on circuits\n");
    }
    for b in batteries {
        let look = b.look.as_ref().map_or(String::new(), |look| format!(" in {look}"));
        let lasts = b.minutes.map_or("no load".to_owned(), |m| format!("{:.0} min", m.floor()));
        let short = match b.order_wh {
            Some(wh) if b.short => {
                format!("  ! the running order takes {wh:.0} Wh of {:.0}: bring another", b.wh * USABLE)
            }
            _ => String::new(),
        };
        let _ = writeln!(text, "battery of {}: {lasts} full at {:.0} W{look}{short}", b.lamp, b.watts);
    }
    text
}
