//! Heat as `check` tells it: the running order at its planned durations, and each look from cold.

use std::fmt::Write;

use serde::Serialize;

use crate::control::StepHeat;
use crate::engine::heat_ahead::{self, LookHeat};
use crate::engine::say;
use crate::plan::Plan;

/// What lamps' heat does to the shoot; estimates.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HeatFindings {
    /// Temperature of the room in degrees Celsius.
    pub ambient_c: f64,
    /// Each step of the running order, every lamp cold before the first.
    pub order: Vec<StepHeat>,
    /// Each look, from cold.
    pub looks: Vec<LookHeat>,
}

/// Works it out, with figures that a profile marks as invented too.
pub(super) fn findings(plan: &Plan) -> HeatFindings {
    let bodies = heat_ahead::cold(plan, false);
    let powers: Vec<_> = plan.looks.iter().map(|l| heat_ahead::powers(plan, l, false)).collect();
    let steps = plan.order.iter().enumerate().map(|(i, s)| (i + 1, s));
    let looks = plan.looks.iter().zip(&powers);
    HeatFindings {
        ambient_c: plan.ambient.get(),
        order: heat_ahead::order(plan, &bodies, steps, |s| powers[s.look.0].clone(), 0.0),
        looks: looks.map(|(l, p)| heat_ahead::look(plan, &l.name, &bodies, p)).collect(),
    }
}

/// For people; nothing where no lamp has a limit.
pub(super) fn text(heat: &HeatFindings) -> String {
    let mut text = String::new();
    let limited: Vec<_> = heat.looks.iter().filter_map(LookHeat::said).collect();
    let warmest = heat_ahead::warmest(&heat.order);
    if limited.is_empty() && warmest.is_none() {
        return text;
    }
    let _ = writeln!(text, "\nheat, estimated for bare lamps in a room of {:.0} °C:", heat.ambient_c);
    let held: Vec<_> = heat.order.iter().filter_map(StepHeat::said).collect();
    for line in &held {
        let _ = writeln!(text, "  ! {line}");
    }
    if let Some((step, body)) = warmest.filter(|_| held.is_empty()) {
        let _ = writeln!(
            text,
            "  the running order from cold: no lamp has to come down; nearest to its limit {} in {}, {:.0} of {:.0} °C",
            body.fixture, step.look, body.celsius, body.limit_c
        );
    }
    if limited.is_empty() {
        text.push_str("  every look can stand for ever\n");
    } else {
        let _ = writeln!(text, "  from cold a look can stand: {}", limited.join(", "));
        let rest = heat.looks.len() - limited.len();
        if rest > 0 {
            let _ = writeln!(text, "  the other {} for ever", say::count(rest, "look"));
        }
    }
    text
}
