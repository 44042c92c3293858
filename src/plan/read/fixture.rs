//! Fixtures: a lamp at its job, with its place, its circuit and how it is driven.

use std::collections::BTreeMap;

use super::Cx;
use super::address;
use super::aim;
use super::emitters;
use super::eyes;
use super::heat;
use super::kit::{self, KitLamp, Profiles, Wants};
use super::modifier::{self, Modifier};
use super::names::{self, Taken};
use super::place::{self, Stage};
use super::profile;
use super::strobe;
use crate::plan::problem::{Kind, Place, Problem};
use crate::plan::tree::{Field, Table};
use crate::plan::{Circuit, CircuitId, Control, Cooling, Fixture, Output};
use crate::units::Stops;
use crate::words::short;

/// All that fixtures are read against.
#[derive(Debug)]
pub(super) struct Around<'r, 'a> {
    /// Profiles by name.
    pub profiles: &'r Profiles,
    /// Bodies by name.
    pub bodies: &'r BTreeMap<String, KitLamp<'a>>,
    /// Modifiers by name.
    pub modifiers: &'r BTreeMap<String, Modifier>,
    /// Outputs; `None` if they have been reported.
    pub outputs: Option<&'r [Output]>,
    /// Circuits; `None` if they have been reported.
    pub circuits: Option<&'r [Circuit]>,
    /// Places; `None` if they have been reported.
    pub stage: Option<&'r Stage>,
}

/// A fixture by its id, whole or reported.
#[derive(Debug)]
pub(super) struct Named {
    /// Its id.
    pub id: String,
    /// Name of its body, where it has one.
    pub body: Option<String>,
    /// The fixture; `None` if something of it has been reported.
    pub fixture: Option<Fixture>,
    /// Place of its address, where it has one.
    pub address: Option<Place>,
}

/// Reads every `[fixture.ID]`, in the plan's order.
pub(super) fn fixtures<'a>(
    cx: &Cx<'_>,
    plan: &Table<'a>,
    around: &Around<'_, 'a>,
    taken: &mut Taken,
    notes: &mut Vec<String>,
) -> Vec<Named> {
    let mut all: Vec<Named> = Vec::new();
    let mut jobs: BTreeMap<String, (String, Place)> = BTreeMap::new();
    for (id, t) in plan.named("fixture", "fixture") {
        names::check(cx, id, t.place(), "fixture", names::LOOK_KEYS);
        taken.claim(cx, id, t.place(), "fixture");
        let body = t.get("lamp").and_then(|f| Some((f.text("B3")?.to_owned(), f)));
        if let Some((name, field)) = &body {
            if let Some((other, place)) = jobs.get(name) {
                let said = format!("body `{name}` does two jobs: `{other}` and `{id}`");
                t.report(
                    Problem::at(Kind::Conflict, field.place(), said)
                        .label("here")
                        .also(*place, "and here")
                        .help("a body can stand in one place only; give one of them another body"),
                );
            }
            jobs.insert(name.clone(), (id.to_owned(), field.place()));
        }
        let (fixture, address) = fixture(cx, id, &t, body.as_ref(), around, notes);
        t.finish();
        let body = body.map(|b| b.0);
        all.push(Named { id: id.to_owned(), body, fixture, address });
    }
    all
}

fn fixture<'a>(
    cx: &Cx<'_>,
    id: &str,
    t: &Table<'a>,
    body: Option<&(String, Field<'a>)>,
    around: &Around<'_, 'a>,
    notes: &mut Vec<String>,
) -> (Option<Fixture>, Option<Place>) {
    let hand = t.get("control").map_or(Some(false), |f| f.word(&[("hand", true), ("dmx", false)]));
    let kit_lamp = body.and_then(|(name, field)| {
        let found = around.bodies.get(name);
        if found.is_none() {
            let said = format!("there is no body `{}`", short(name));
            let none = "no kit says which bodies there are: write `kit.toml` beside the plan, or state `profile`, `mode` \
                        and `address` here";
            let known = around.bodies.keys().map(String::as_str);
            names::unknown_said(field.sink(), field.place(), said, none, name, known);
        }
        found
    });
    let lamp = match body {
        Some((name, _)) => {
            for key in kit::LAMP_KEYS {
                if let Some(field) = t.get(key) {
                    let said = format!(
                        "fixture `{id}` has `{key}`, which its body `{name}` already states in the kit"
                    );
                    let problem = Problem::at(Kind::Conflict, field.key_place(), said).label("here");
                    t.report(problem.help(format!("change it in the kit, or leave `lamp = \"{name}\"` out")));
                }
            }
            kit_lamp.and_then(|k| k.lamp.clone())
        }
        None if !kit::LAMP_KEYS.iter().any(|k| t.has(k)) => {
            t.allow(&kit::LAMP_KEYS);
            let said = format!("fixture `{id}` has neither a body nor a profile");
            t.report(
                Problem::at(Kind::MissingKey, t.place(), said)
                    .label("`lamp` is missing here")
                    .help("add `lamp = \"B3\"` with a body from the kit, or `profile`, `mode` and `address`"),
            );
            None
        }
        None => {
            let wants = if hand == Some(true) { Wants::NoAddress } else { Wants::Address };
            kit::lamp(t, around.profiles, wants)
        }
    };
    let modifiers = modifier::of(t, around.modifiers);
    let place = around.stage.and_then(|stage| aim::placement(t, stage));
    if around.stage.is_none() {
        t.allow(place::KEYS);
        t.allow(&["aim", "aim-height", "along", "from-wall"]);
    }
    let battery_wh = kit::battery(t).or(kit_lamp.and_then(|k| k.battery_wh));
    let circuit = circuit_of(id, t, battery_wh.is_some(), around, notes);
    let heat = heat::heat(t);
    let eyes = eyes::eyes(t);
    let quiet = kit_lamp.and_then(|k| k.quiet).or_else(|| lamp.as_ref().and_then(|l| l.profile.quiet));
    let cooling = heat::cooling(t, lamp.as_ref().map(|l| &*l.profile), quiet);
    let prefer = t.get("prefer");
    let absent = t.get("absent").and_then(|f| f.text("lent")).map(str::to_owned);
    let base = lamp.as_ref().map(|l| l.profile.limits);
    let limits = base.map(|base| profile::limits(t, base));
    if base.is_none() {
        t.allow(&["ceiling", "floor", "rise"]);
    }
    if hand == Some(true)
        && let Some(field) = t.get("strobe")
    {
        let said = format!("fixture `{id}` is set by hand: no slot of it is driven");
        t.report(
            Problem::at(Kind::Conflict, field.key_place(), said).label("here").help("leave `strobe` out"),
        );
    }
    t.allow(&["strobe"]);
    let patch = lamp.as_ref().and_then(|l| l.patch.clone()).filter(|_| hand != Some(true));
    let address_place = patch.as_ref().map(|p| p.place);
    let control = match (hand, &lamp) {
        (Some(true), _) => Some(Control::Hand),
        (Some(false), Some(_)) if patch.is_none() => {
            if let Some((name, field)) = body {
                let said = format!("body `{name}` of fixture `{id}` has no address in the kit");
                let help = "give it one in the kit, or add `control = \"hand\"` here";
                t.report(Problem::at(Kind::MissingKey, field.place(), said).label("this body").help(help));
            }
            None
        }
        (Some(false), Some(_)) => patch.and_then(|p| address::address(cx, t, &p, around.outputs)),
        _ => None,
    };
    let build = || {
        let (mut lamp, modifiers) = (lamp?, modifiers?);
        let driven = hand != Some(true);
        let strobe = driven.then(|| strobe::unlocked(t, id, &mut lamp.mode, notes)).flatten();
        let loss_stops: f64 = modifiers.iter().map(|m| m.1.loss_stops).sum();
        let shift_mired: f64 = modifiers.iter().map(|m| m.1.shift_mired).sum();
        let shift_duv: f64 = modifiers.iter().map(|m| m.1.shift_duv).sum();
        let heat_factor: f64 = modifiers.iter().filter_map(|m| m.1.heat_factor).product();
        let (cooling, mut limits) = (cooling?, limits?);
        let of_body = match cooling {
            Cooling::Quiet => kit_lamp.and_then(|k| k.quiet).and_then(|q| q.heat),
            Cooling::Fan | Cooling::FanLess => kit_lamp.and_then(|k| k.heat),
        };
        if let Some(quiet) = quiet.filter(|q| cooling == Cooling::Quiet && q.ceiling < limits.ceiling) {
            limits.ceiling = quiet.ceiling;
        }
        let emitters = emitters::gelled(
            cx,
            id,
            emitters::scaled(&lamp.profile, kit_lamp),
            shift_mired,
            shift_duv,
            notes,
        );
        let prefer = emitters::preference(prefer, &lamp, &emitters, notes);
        Some(Fixture {
            id: id.to_owned(),
            body: kit_lamp.map(|k| k.body.clone()),
            mode: lamp.mode,
            control: control?,
            place: place?,
            radius_m: modifiers.iter().rev().find_map(|m| m.1.radius_m).or(lamp.profile.radius_m),
            beam_deg: modifiers.iter().rev().find_map(|m| m.1.beam_deg).or(lamp.profile.beam_deg),
            modifiers: modifiers.into_iter().map(|m| m.0).collect(),
            loss: Stops::clamped(loss_stops),
            shift_mired,
            shift_duv,
            emitters,
            prefer: prefer?,
            limits,
            cooling,
            // An invented figure protects no real lamp: without a person's own the heat is unknown.
            heat: heat.or(of_body).or(lamp.profile.heat_when(cooling).filter(|_| !lamp.profile.invented)),
            heat_factor,
            eyes: eyes.over(lamp.profile.eyes),
            uncalibrated: lamp.profile.invented && kit_lamp.is_none_or(|k| k.output_ratio.is_none()),
            profile: lamp.profile,
            circuit: circuit?,
            battery_wh,
            absent,
            strobe,
        })
    };
    (build(), address_place)
}

#[expect(clippy::option_option, reason = "outer: reported or not; inner: on a circuit or not")]
fn circuit_of(
    id: &str,
    t: &Table<'_>,
    on_battery: bool,
    around: &Around<'_, '_>,
    notes: &mut Vec<String>,
) -> Option<Option<CircuitId>> {
    let field = t.get("circuit");
    let circuits = around.circuits?;
    if on_battery {
        if let Some(field) = field {
            let said = format!("fixture `{id}` has a `circuit`, and a battery that it runs from");
            let problem = Problem::at(Kind::Conflict, field.key_place(), said).label("not both");
            t.report(problem.help("leave `circuit` out, or `battery`, also in the kit"));
        }
        return Some(None);
    }
    match (field, circuits) {
        (None, []) => Some(None),
        (None, [_]) => Some(Some(CircuitId(0))),
        (None, _) => {
            notes.push(format!("{id}: no circuit is stated, so its load is not counted"));
            Some(None)
        }
        (Some(field), circuits) => {
            let name = field.text("left-wall")?;
            let found = circuits.iter().position(|c| c.id == name);
            if found.is_none() {
                names::unknown(&field, "circuit", name, circuits.iter().map(|c| c.id.as_str()));
            }
            found.map(|i| Some(CircuitId(i)))
        }
    }
}
