//! `check`: once a plan has no errors, what the set can and cannot do.

mod exposure;
mod eyes;
mod heat;
mod loads;
mod protect;

pub(super) use exposure::exposure_time;
pub use eyes::EyeFindings;
pub use heat::HeatFindings;

use std::fmt::Write;

use serde::Serialize;

use crate::channels;
use crate::engine::exposure::{self as exposures, Cure, Help, KeyReading};
use crate::engine::{assess, balanced, meter, moves, quality, say};
use crate::guards;
use crate::light::Renderings;
use crate::plan::{Control, Plan};
pub use protect::{Hidden, ReachesFace};

/// What a plan comes to.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Findings {
    /// The set's name.
    pub set: String,
    /// Illuminance called 0 stops, in lux.
    pub zero_stops_lux: f64,
    /// Lamps: driven, by hand, absent.
    pub lamps: (usize, usize, usize),
    /// Outputs with the slots that the patch uses.
    pub outputs: Vec<OutputUse>,
    /// Each look.
    pub looks: Vec<LookFindings>,
    /// Each circuit at its worst.
    pub circuits: Vec<CircuitUse>,
    /// Each lamp that runs from a battery.
    pub batteries: Vec<BatteryUse>,
    /// Heat of the running order and of each look.
    pub heat: HeatFindings,
    /// Lamps and eyes.
    pub eyes: EyeFindings,
    /// Fixtures whose heat is not known: half power on real outputs.
    pub heat_unknown: Vec<String>,
    /// Cameras, shutters and modulation.
    pub exposure: Help,
    /// Other things to know.
    pub notes: Vec<String>,
}

/// One output's patch.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct OutputUse {
    /// Its name.
    pub name: String,
    /// Its universe.
    pub universe: u16,
    /// Lamps on it.
    pub lamps: usize,
    /// Highest slot in use.
    pub last_slot: u16,
}

/// One look.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LookFindings {
    /// Its name.
    pub look: String,
    /// Lamps that it lights.
    pub lamps: usize,
    /// Power of all lamps here, in watts, standby included.
    pub watts: f64,
    /// What it falls short of with the lamps at their full.
    pub warnings: Vec<String>,
    /// What more it falls short of on real outputs while heat is unknown.
    pub real_warnings: Vec<String>,
    /// What a person sets by hand.
    pub by_hand: Vec<String>,
    /// Its key on a meter, at the first camera's ISO speed and exposure time.
    pub key: Option<KeyReading>,
    /// What would do where it asks more light than its lamps have.
    pub cure: Option<Cure>,
    /// Predicted readings at the meter points, in stops, and key to fill; `None` without any.
    pub meter: Option<String>,
    /// Meter points that the look states and its lamps do not meet, with the change that would.
    pub unmet: Vec<String>,
    /// How its lamps move by themselves.
    pub moves: Vec<String>,
    /// What the lamps that are not here change at the meter points.
    pub missed: Option<String>,
    /// Of a look marked `protect`: what it means for its lamps.
    pub protect: Option<Hidden>,
}

/// One circuit.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CircuitUse {
    /// Its id.
    pub circuit: String,
    /// Power at its worst, other loads included, in watts.
    pub watts: f64,
    /// Power in volt-amperes, by the profiles' power factors.
    pub volt_amperes: f64,
    /// When that is: `in LOOK`, or `in the fade from LOOK to LOOK` of the running order.
    pub when: Option<String>,
    /// What the plan lets it carry, in volt-amperes.
    pub limit_va: f64,
    /// Its breaker in amperes.
    pub breaker_a: f64,
    /// True if the plan does not know the breaker: the smallest usual one is taken.
    pub breaker_assumed: bool,
    /// True if that is too much.
    pub over: bool,
}

/// One lamp that runs from a battery.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BatteryUse {
    /// The lamp.
    pub lamp: String,
    /// Rated watt-hours.
    pub wh: f64,
    /// Power in its worst look, in watts.
    pub watts: f64,
    /// That look.
    pub look: Option<String>,
    /// Minutes that a full one lasts there.
    pub minutes: Option<f64>,
    /// Watt-hours that it gives over the running order; `None` without one.
    pub order_wh: Option<f64>,
    /// True if a full one does not last the running order.
    pub short: bool,
}

/// Works a plan through.
#[must_use]
pub fn findings(plan: &Plan) -> Findings {
    let count = |f: fn(&Control, bool) -> bool| {
        plan.fixtures.iter().filter(|x| f(&x.control, x.absent.is_some())).count()
    };
    let mut looks = Vec::new();
    let mut renderings = Renderings::new(plan);
    for look in &plan.looks {
        let found = assess::assess_with(plan, look, false, &mut renderings);
        let real = assess::assess_with(plan, look, true, &mut renderings);
        let mut warnings: Vec<_> = found.iter().flat_map(|a| a.warnings(plan)).collect();
        warnings.extend(found.iter().flat_map(|a| moves::along(plan, a, false)));
        warnings.extend(quality::metamers(plan, &found));
        let real_warnings =
            real.iter().flat_map(|a| a.warnings(plan)).filter(|w| !warnings.contains(w)).collect();
        let watts_of = |id: usize| {
            let fixture = &plan.fixtures[id];
            if fixture.absent.is_some() {
                return 0.0;
            }
            found.iter().find(|a| a.fixture.0 == id).map_or(fixture.profile.standby.get(), |a| a.watts)
        };
        looks.push(LookFindings {
            look: look.name.clone(),
            lamps: found.iter().filter(|a| a.asked.lux > 0.0).count(),
            watts: (0..plan.fixtures.len()).map(watts_of).sum(),
            by_hand: found.iter().filter_map(|a| a.by_hand(plan)).collect(),
            key: exposures::key_reading(plan, look, &found),
            cure: exposures::cure(plan, look, &found),
            meter: meter::table(plan, look, &found).line(plan),
            unmet: look.balanced.as_ref().map_or_else(Vec::new, |b| b.unmet.clone()),
            moves: moves::table(plan, look),
            missed: balanced::missed(plan, look),
            protect: look.protect.then(|| protect::hidden(plan, look, &found)),
            warnings,
            real_warnings,
        });
    }
    Findings {
        set: plan.name.clone(),
        zero_stops_lux: plan.exposure.zero_stops.get(),
        lamps: (
            count(|c, absent| !absent && *c != Control::Hand),
            count(|c, absent| !absent && *c == Control::Hand),
            count(|_, absent| absent),
        ),
        outputs: channels::patches(plan)
            .iter()
            .map(|p| OutputUse {
                name: plan.outputs[p.output.0].name.clone(),
                universe: p.universe,
                lamps: p.fixtures.len(),
                last_slot: p.used,
            })
            .collect(),
        looks,
        circuits: loads::circuits(plan),
        batteries: loads::batteries(plan),
        heat: heat::findings(plan),
        eyes: eyes::findings(plan),
        heat_unknown: plan
            .fixtures
            .iter()
            .filter(|f| guards::heat_unknown(f) && f.address().is_some())
            .map(|f| f.id.clone())
            .collect(),
        exposure: exposures::help(plan),
        notes: plan.notes.clone(),
    }
}

impl Findings {
    /// The findings for people.
    #[must_use]
    pub fn text(&self, name: &str) -> String {
        let mut text = format!("{name}: no errors\n");
        let (dmx, hand, absent) = self.lamps;
        let _ = writeln!(
            text,
            "0 stops = {:.0} lx · {} by DMX, {hand} by hand, {absent} absent",
            self.zero_stops_lux,
            say::count(dmx, "lamp")
        );
        for o in &self.outputs {
            let _ = writeln!(
                text,
                "output {}: universe {}, {}, slots 1 to {}",
                o.name,
                o.universe,
                say::count(o.lamps, "lamp"),
                o.last_slot
            );
        }
        text.push_str(&loads::text(&self.circuits, &self.batteries));
        text.push('\n');
        let width = self.looks.iter().map(|l| l.look.len()).max().unwrap_or(0);
        for look in &self.looks {
            let said = if look.warnings.is_empty() { "ok".to_owned() } else { look.warnings.join(", ") };
            let _ = writeln!(
                text,
                "{:<width$}  {:>8}  {:>5.0} W  {said}",
                look.look,
                say::count(look.lamps, "lamp"),
                look.watts
            );
            if let Some(cure) = &look.cure {
                let _ = writeln!(text, "{:<width$}                      {}", "", exposure::cure(cure));
            }
            for line in look.protect.iter().flat_map(Hidden::lines) {
                let _ = writeln!(text, "{:<width$}                      protect: {line}", "");
            }
            let more = look.moves.iter().chain(&look.by_hand).chain(&look.unmet).chain(&look.missed);
            let metered = look.meter.iter().map(|m| format!("metered: {m}"));
            for line in more.cloned().chain(metered) {
                let _ = writeln!(text, "{:<width$}                      {line}", "");
            }
            if !look.real_warnings.is_empty() {
                let _ = writeln!(
                    text,
                    "{:<width$}                      until heat is known: {}",
                    "",
                    look.real_warnings.join(", ")
                );
            }
        }
        if self.looks.iter().any(|l| l.meter.is_some()) {
            let _ = writeln!(text, "metered: {}", meter::CAUTION);
        }
        text.push('\n');
        text.push_str(&exposure::keys(
            self.looks.iter().filter_map(|l| Some((l.look.as_str(), l.key.as_ref()?))),
        ));
        text.push_str(&exposure::text(&self.exposure));
        text.push_str(&heat::text(&self.heat));
        text.push_str(&eyes::text(&self.eyes));
        if !self.heat_unknown.is_empty() {
            let _ = writeln!(
                text,
                "\nheat unknown, half power on real outputs: {}\n  enter what the maker says in kit.toml, such as \
                 heat = {{ full-for = \"20 min\" }}",
                self.heat_unknown.join(", ")
            );
        }
        for note in &self.notes {
            let _ = writeln!(text, "note: {note}");
        }
        text
    }

    /// True if a circuit carries more than the plan lets it.
    #[must_use]
    pub fn over_a_circuit(&self) -> bool {
        self.circuits.iter().any(|c| c.over)
    }
}
