//! Modifiers: softboxes, gels, grids, and which of them hang in front of a fixture.

use std::collections::BTreeMap;

use super::Cx;
use super::names;
use super::profile;
use crate::plan::amounts::{LENGTH, MIRED, PERCENT, STOPS};
use crate::plan::problem::{Kind, Problem};
use crate::plan::tree::Table;
use crate::units::Duv;

/// Something in front of a lamp.
#[derive(Debug, Clone, Default)]
pub(super) struct Modifier {
    /// Light lost at 1 m, in stops.
    pub loss_stops: f64,
    /// Shift of colour in mired; positive is warmer.
    pub shift_mired: f64,
    /// Shift of tint in Duv; positive is greener.
    pub shift_duv: f64,
    /// Radius of a round front of the same area, in metres.
    pub radius_m: Option<f64>,
    /// Full angle at half intensity, in degrees.
    pub beam_deg: Option<f64>,
    /// How far a body gets above the room behind it, against bare.
    pub heat_factor: Option<f64>,
}

/// Reads every `[modifier.ID]`.
pub(super) fn modifiers(cx: &Cx<'_>, plan: &Table<'_>) -> BTreeMap<String, Modifier> {
    let mut all = BTreeMap::new();
    for (name, t) in plan.named("modifier", "modifier") {
        names::check(cx, name, t.place(), "modifier", &[]);
        let loss = t.get("loss").and_then(|f| f.amount(&STOPS, -3.0, 20.0));
        let mired = t.get("mired").and_then(|f| f.amount(&MIRED, -500.0, 500.0));
        let duv = t.get("duv").and_then(|f| f.duv());
        let size = t.get("size").and_then(|f| f.amount(&LENGTH, 0.01, 10.0));
        let heat_factor = t.get("heat-factor").and_then(|f| f.amount(&PERCENT, 100.0, 1000.0));
        let (radius, beam_deg) = profile::front(&t);
        if size.is_some() && radius.is_some() {
            let said = format!("modifier `{name}` has its front twice: `size` and `radius`");
            t.report(
                Problem::at(Kind::Conflict, t.place(), said).label("this one").help("keep one of the two"),
            );
        }
        t.finish();
        all.insert(
            name.to_owned(),
            Modifier {
                loss_stops: loss.unwrap_or(0.0),
                shift_mired: mired.unwrap_or(0.0),
                shift_duv: duv.map_or(0.0, Duv::get),
                // A square front of side s counts as the disc of the same area: r = s / sqrt(pi).
                radius_m: radius.or(size.map(|s| s / std::f64::consts::PI.sqrt())),
                beam_deg,
                heat_factor: heat_factor.map(|percent| percent / 100.0),
            },
        );
    }
    all
}

/// The modifiers in front of a fixture, by name; `None` if one has been reported.
pub(super) fn of(t: &Table<'_>, known: &BTreeMap<String, Modifier>) -> Option<Vec<(String, Modifier)>> {
    let Some(field) = t.get("modifiers") else { return Some(Vec::new()) };
    let mut found = Vec::new();
    let mut complete = true;
    for item in field.list("[\"softbox-90\"]")? {
        match item.text("softbox-90").map(|name| (name, known.get(name))) {
            Some((name, Some(modifier))) => found.push((name.to_owned(), modifier.clone())),
            Some((name, None)) => {
                names::unknown(&item, "modifier", name, known.keys().map(String::as_str));
                complete = false;
            }
            None => complete = false,
        }
    }
    complete.then_some(found)
}
