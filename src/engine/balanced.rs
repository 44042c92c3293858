//! Balanced looks at the set: solved again for the lamps that are here, and told as text and as JSON.

use std::borrow::Cow;
use std::sync::Arc;

use serde_json::{Value, json};

use super::Engine;
use super::assess;
use super::meter;
use super::say;
use super::status::light_of;
use crate::light::balance::{self, Balance};
use crate::light::{Colour, solve};
use crate::plan::{ColourTarget, FixtureId, Level, Look, LookId, Plan, Target};
use crate::units::{Duv, Kelvin, Lux};

impl Engine {
    /// The plan with the lamps absent that are absent now.
    pub(super) fn plan_as_it_stands(&self) -> Cow<'_, Arc<Plan>> {
        let mut plan = Cow::Borrowed(&self.plan);
        for (index, lamp) in self.lamps.iter().enumerate() {
            if lamp.absent != self.plan.fixtures[index].absent {
                Arc::make_mut(plan.to_mut()).fixtures[index].absent.clone_from(&lamp.absent);
            }
        }
        plan
    }

    /// A look as it is recalled now, its look trims in; see [`Self::look_untrimmed`].
    pub(super) fn look_as_it_stands(&self, look: LookId) -> Cow<'_, Look> {
        let mut stands = self.look_untrimmed(look);
        if self.trims.in_look(&stands.name) {
            let trimmed = self.with_look_trims(&stands);
            let look = stands.to_mut();
            if let Some(balanced) = &mut look.balanced {
                balanced.targets.clone_from(&trimmed);
            }
            look.targets = trimmed;
        }
        stands
    }

    /// A look's targets with its trims. Levels that count from the key stand by themselves then: a trim of the key is
    /// one of the key alone.
    fn with_look_trims(&self, look: &Look) -> Vec<Target> {
        let targets = look.balanced.as_ref().map_or(&look.targets, |b| &b.targets);
        let trimmed = |target: &Target| {
            let trim = self.trims.of_look(&look.name, &self.plan.fixture(target.fixture).id);
            let counts = matches!(target.level, Level::ToKey(_));
            if trim.is_none() && !counts {
                return target.clone();
            }
            let demand = trim.to_demand(solve::demand(&self.plan, look, target.fixture).base);
            let colour = match demand.colour {
                _ if !trim.colours() => target.colour,
                Colour::White { mired, duv } => {
                    ColourTarget::White(Kelvin::clamped(1e6 / mired), Duv::clamped(duv))
                }
                Colour::Uv(uv) => ColourTarget::Xy(uv.xy()),
            };
            Target { level: Level::Lux(Lux::clamped(demand.lux)), colour, ..target.clone() }
        };
        targets.iter().map(trimmed).collect()
    }

    /// The trims that act in a look, as lines for `explain`.
    pub(super) fn trims_in(&self, look: LookId) -> String {
        let look = self.plan.look(look);
        let mut lines = Vec::new();
        for target in &look.targets {
            let fixture = self.plan.fixture(target.fixture);
            for (trim, what) in [
                (self.trims.of_lamp(fixture), "lamp trim, in every look: in its figures above"),
                (self.trims.of_look(&look.name, &fixture.id), "look trim: in its target above"),
            ] {
                if !trim.is_none() {
                    lines.push(format!("\n{} {trim} ({what})", fixture.id));
                }
            }
        }
        if lines.is_empty() { String::new() } else { format!("\n\ntrims{}", lines.concat()) }
    }

    /// A look as it is recalled now without its look trims: a balanced one solved again where lamps have gone or come
    /// back since the plan was loaded, or have lamp trims. A fraction of a millisecond for a few lamps, bounded for many.
    pub(super) fn look_untrimmed(&self, look: LookId) -> Cow<'_, Look> {
        let look = self.plan.look(look);
        let changed = |id: FixtureId| {
            let fixture = self.plan.fixture(id);
            self.lamps[id.0].absent.is_some() != fixture.absent.is_some()
                || !self.trims.of_lamp(fixture).is_none()
        };
        if look.balanced.is_none() || !look.targets.iter().any(|t| changed(t.fixture)) {
            return Cow::Borrowed(look);
        }
        let absent = |id: FixtureId| self.lamps[id.0].absent.is_some();
        Cow::Owned(again(&self.plan, look, &absent))
    }
}

/// A look balanced without some lamps.
fn again(plan: &Plan, look: &Look, absent: &dyn Fn(FixtureId) -> bool) -> Look {
    let balanced = balance::balance(plan, look, absent).map(Balance::kept);
    Look { balanced, ..look.clone() }
}

/// The balance of a look with the lamps that the plan has here; `None` if it states no meter points.
#[must_use]
pub fn balance_of(plan: &Plan, look: &Look) -> Option<Balance> {
    balance::balance(plan, look, &|id| plan.fixture(id).absent.is_some())
}

/// What the lamps that are not here change at the meter points of a look: the full kit's readings
/// against those without them, both balanced where the look is. `None` if all its lamps are here, or if
/// nothing moves by a tenth of a stop.
#[must_use]
pub fn missed(plan: &Plan, look: &Look) -> Option<String> {
    let gone: Vec<_> = look
        .targets
        .iter()
        .filter_map(|t| {
            let fixture = plan.fixture(t.fixture);
            fixture.absent.as_ref().map(|why| format!("`{}` ({why})", fixture.id))
        })
        .collect();
    if gone.is_empty() {
        return None;
    }
    let mut whole = plan.clone();
    for fixture in &mut whole.fixtures {
        fixture.absent = None;
    }
    let full = again(&whole, look, &|_| false);
    let with = meter::table(&whole, &full, &assess::assess(&whole, &full, false));
    let without = meter::table(plan, look, &assess::assess(plan, look, false));
    let zero = plan.exposure.zero_stops.get();
    let changes: Vec<_> = without
        .points
        .iter()
        .zip(&with.points)
        .filter_map(|(now, then)| {
            let (now_lux, then_lux) = (now.reading.lux(), then.reading.lux());
            let moved = (now_lux / then_lux).log2();
            let at =
                |lux: f64| if lux > 0.0 { format!("{:+.1}", (lux / zero).log2()) } else { "dark".to_owned() };
            (moved.abs() >= balance::MET_STOPS)
                .then(|| format!("{} {} instead of {}", now.name, at(now_lux), at(then_lux)))
        })
        .collect();
    (!changes.is_empty()).then(|| format!("without {}: {}", gone.join(", "), changes.join(", ")))
}

/// The lines of `explain`: what was asked of the meter, and what became of it.
#[must_use]
pub fn text(plan: &Plan, found: &Balance) -> String {
    let zero = plan.exposure.zero_stops.get();
    let stops = |lux: f64| if lux > 0.0 { say::fine_stops((lux / zero).log2()) } else { "dark".to_owned() };
    let mut text =
        String::from("\nbalance: what a meter should read, the levels as written, the levels found\n");
    for p in &found.points {
        text.push_str(&format!(
            "  {:<12} {:>6} asked, {:>6} as written, {:>6} found, {} off\n",
            p.asked.point,
            say::fine_stops(p.asked.stops.get()),
            stops(p.before.lux()),
            stops(p.after.lux()),
            say::fine_stops(p.off_stops)
        ));
        if let Some(unmet) = &p.unmet {
            text.push_str(&format!("    {unmet}\n"));
        }
    }
    for m in &found.moved {
        text.push_str(&format!(
            "  {:<12}               {:>6} as written, {:>6} found: {:.1} % of its full\n",
            plan.fixture(m.fixture).id,
            stops(m.before.lux),
            stops(m.after.lux),
            m.share * 100.0
        ));
    }
    text.push_str("  to keep it writes these levels, not the meter points\n");
    text
}

/// The same with full precision.
#[must_use]
pub fn json(plan: &Plan, found: &Balance) -> Value {
    let points = found.points.iter().map(|p| {
        json!({
            "point": p.asked.point,
            "asked_stops": p.asked.stops.get(),
            "asked_kelvin": p.asked.kelvin.map(crate::units::Kelvin::get),
            "asked_duv": p.asked.duv.map(crate::units::Duv::get),
            "before": light_of(plan, p.before.lux(), p.before.xy()),
            "after": light_of(plan, p.after.lux(), p.after.xy()),
            "off_stops": p.off_stops,
            "unmet": p.unmet,
        })
    });
    let moved = found.moved.iter().map(|m| {
        json!({
            "id": plan.fixture(m.fixture).id,
            "before": light_of(plan, m.before.lux, Some(m.before.colour.xy())),
            "after": light_of(plan, m.after.lux, Some(m.after.colour.xy())),
            "share_of_full": m.share,
        })
    });
    json!({ "points": points.collect::<Vec<_>>(), "moved": moved.collect::<Vec<_>>() })
}
