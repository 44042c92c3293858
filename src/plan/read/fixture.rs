//! Fixtures, their modifiers, patch and light; and what stands beside them: boards, flags, windows.

use std::collections::BTreeMap;

use super::Cx;
use super::aim;
use super::eyes;
use super::heat;
use super::kit::{self, KitLamp, Patch, Profiles, Wants};
use super::names::{self, Taken};
use super::place::{self, Stage};
use super::profile;
use super::strobe;
use crate::plan::amounts::{LENGTH, MIRED, PERCENT, STOPS};
use crate::plan::problem::{Kind, Place, Problem};
use crate::plan::tree::{Field, Table};
use crate::plan::{
    Address, Circuit, CircuitId, Control, Cooling, Emitter, Fixture, Mixing, Output, OutputId, OutputKind,
    Prefer, Profile, Wake,
};
use crate::units::{Duv, Mired, Stops, Watts};
use crate::words::short;

/// Something in front of a lamp.
#[derive(Debug, Clone, Default)]
pub(super) struct Modifier {
    loss_stops: f64,
    shift_mired: f64,
    shift_duv: f64,
    radius_m: Option<f64>,
    beam_deg: Option<f64>,
    heat_factor: Option<f64>,
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
    let modifiers = modifiers_of(t, around);
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
        (Some(false), Some(_)) => patch.and_then(|p| address(cx, t, &p, around.outputs)),
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
        let emitters = gelled(cx, id, scaled(&lamp.profile, kit_lamp), shift_mired, shift_duv, notes);
        let prefer = preference(prefer, &lamp, &emitters, notes);
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

/// The profile's emitters with this body's measured light and power.
fn scaled(profile: &Profile, body: Option<&KitLamp<'_>>) -> Vec<Emitter> {
    let mut emitters = profile.emitters.clone();
    let Some(body) = body else { return emitters };
    let driven: Watts = profile.emitters.iter().map(|e| e.watts).sum();
    let measured = body.watts.filter(|_| driven.get() > 0.0);
    let power = measured.map_or(1.0, |w| (w.get() - profile.standby.get()).max(0.0) / driven.get());
    for emitter in &mut emitters {
        emitter.lux_at_1m *= body.output_ratio.unwrap_or(1.0);
        emitter.watts = Watts::clamped(emitter.watts.get() * power);
    }
    emitters
}

/// Emitters as seen through gels. A gel's shift in mired means nothing for a saturated colour, so
/// such an emitter stays as it is, and a note says so; so does one that the shift would take out of
/// all real colours, where what it emits is no longer like a white.
fn gelled(
    cx: &Cx<'_>,
    id: &str,
    mut emitters: Vec<Emitter>,
    shift_mired: f64,
    shift_duv: f64,
    notes: &mut Vec<String>,
) -> Vec<Emitter> {
    if shift_mired == 0.0 && shift_duv == 0.0 {
        return emitters;
    }
    let mut kept = Vec::new();
    for emitter in &mut emitters {
        // What the gel takes from each wavelength is not known.
        emitter.spectrum = None;
        let shifted = (cx.colour.kelvin)(emitter.xy).map(|(kelvin, duv)| {
            let kelvin = Mired::clamped(kelvin.mired().get() + shift_mired).kelvin();
            (cx.colour.xy)(kelvin, Duv::clamped(duv.get() + shift_duv))
        });
        match shifted.filter(|xy| (cx.colour.real)(*xy)) {
            Some(xy) => emitter.xy = xy,
            None => kept.push(emitter.name.as_str()),
        }
    }
    if !kept.is_empty() {
        notes.push(format!(
            "{id}: the gel's colour shift is not counted for {}: it is known for whites only",
            kept.join(", ")
        ));
    }
    emitters
}

/// Which mix the fixture takes; checked against what its lamp can choose from.
fn preference(
    field: Option<Field<'_>>,
    lamp: &kit::Lamp<'_>,
    emitters: &[Emitter],
    notes: &mut Vec<String>,
) -> Option<Prefer> {
    let Some(field) = field else { return Some(Prefer::Output) };
    let all = [Prefer::Output, Prefer::Cool, Prefer::Rendering].map(|p| (p.word(), p));
    let prefer = field.word(&all)?;
    if prefer == Prefer::Output {
        return Some(prefer);
    }
    let wrong = |kind, said: String, help: &str| {
        field.report(Problem::at(kind, field.place(), said).label("here").help(help));
        None
    };
    let (owner, word) = (field.owner(), prefer.word());
    if !matches!(lamp.mode.mixing, Mixing::Emitters { .. }) {
        let mode = &lamp.mode.name;
        let said =
            format!("{owner} cannot prefer \"{word}\": in mode `{mode}` the lamp itself mixes its colour");
        return wrong(Kind::Undriveable, said, "take a mode that drives each emitter, or leave `prefer` out");
    }
    let without = |is: &dyn Fn(&Emitter) -> bool| {
        let names: Vec<_> = emitters.iter().filter(|e| is(e)).map(|e| e.name.as_str()).collect();
        names.join(", ")
    };
    if prefer == Prefer::Cool {
        let unknown = without(&|e| e.watts.get() <= 0.0);
        if !unknown.is_empty() {
            let said = format!("{owner} cannot prefer \"cool\": no `watts` are known of {unknown}");
            return wrong(Kind::MissingKey, said, "give each emitter of the profile its `watts`");
        }
    }
    if prefer == Prefer::Rendering {
        let bare = lamp.profile.emitters.iter().filter(|e| e.spectrum.is_none());
        let bare: Vec<_> = bare.map(|e| e.name.as_str()).collect();
        if !bare.is_empty() {
            let bare = bare.join(", ");
            let said = format!("{owner} cannot prefer \"rendering\": no `spectrum` is known of {bare}");
            return wrong(Kind::Spectrum, said, "give each emitter of the profile its `spectrum`");
        }
        let gelled = without(&|e| e.spectrum.is_none());
        if !gelled.is_empty() {
            let said = format!(
                "{owner} cannot prefer \"rendering\": what its gel does to the spectrum is not known"
            );
            return wrong(
                Kind::Conflict,
                said,
                "take the gel's `mired` and `duv` out, or leave `prefer` out",
            );
        }
    }
    if emitters.len() <= 3 {
        notes.push(format!(
            "{}: with {} emitters a colour has mostly one mix, so `prefer` seldom changes anything",
            owner.trim_start_matches("fixture "),
            emitters.len()
        ));
    }
    Some(prefer)
}

fn modifiers_of(t: &Table<'_>, around: &Around<'_, '_>) -> Option<Vec<(String, Modifier)>> {
    let Some(field) = t.get("modifiers") else { return Some(Vec::new()) };
    let mut found = Vec::new();
    let mut complete = true;
    for item in field.list("[\"softbox-90\"]")? {
        match item.text("softbox-90").map(|name| (name, around.modifiers.get(name))) {
            Some((name, Some(modifier))) => found.push((name.to_owned(), modifier.clone())),
            Some((name, None)) => {
                names::unknown(&item, "modifier", name, around.modifiers.keys().map(String::as_str));
                complete = false;
            }
            None => complete = false,
        }
    }
    complete.then_some(found)
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

/// Finds the output. Whether the footprint ends in time and is free is checked once all are known.
fn address(cx: &Cx<'_>, t: &Table<'_>, patch: &Patch<'_>, outputs: Option<&[Output]>) -> Option<Control> {
    let output = output_of(cx, t, patch, outputs?)?;
    let universe = outputs?.get(output.0).map_or(1, |o| o.universe);
    Some(Control::Dmx(Address { output, universe, first: patch.first }))
}

fn output_of(cx: &Cx<'_>, t: &Table<'_>, patch: &Patch<'_>, outputs: &[Output]) -> Option<OutputId> {
    if let Some(field) = &patch.output {
        let name = field.text("usb")?;
        let named = |(_, o): &(usize, &Output)| o.plan_name() == name;
        let of_it: Vec<_> = outputs.iter().enumerate().filter(named).collect();
        let index = match of_it.as_slice() {
            [] => {
                let mut names: Vec<_> = outputs.iter().map(Output::plan_name).collect();
                names.dedup();
                names::unknown(field, "output", name, names.into_iter());
                return None;
            }
            [(index, _)] => *index,
            several => return one_of_several(cx, t, patch, several).map(OutputId),
        };
        let carries = outputs[index].universe;
        if let Some((universe, place)) = patch.universe
            && universe != carries
        {
            let said =
                format!("{} is in universe {universe}, but output `{name}` carries {carries}", t.owner());
            let help = "leave `universe` out: the output says it";
            cx.sink.report(Problem::at(Kind::Conflict, place, said).label("not carried there").help(help));
            return None;
        }
        return Some(OutputId(index));
    }
    let (universe, place) = patch.universe.unwrap_or((1, patch.place));
    let carriers: Vec<_> = outputs.iter().enumerate().filter(|(_, o)| o.universe == universe).collect();
    match (carriers.as_slice(), outputs) {
        ([(index, _)], _) => Some(OutputId(*index)),
        // The sole output is the default, whatever universe it carries.
        ([], [_]) if patch.universe.is_none() => Some(OutputId(0)),
        ([], _) => {
            // A few of many are enough to see what is meant.
            let mut carried: Vec<_> =
                outputs.iter().take(8).map(|o| format!("`{}` carries {}", o.name, o.universe)).collect();
            if outputs.len() > 8 {
                carried.push(format!("and {} more", outputs.len() - 8));
            }
            let said = format!("{} is in universe {universe}, which no output carries", t.owner());
            let help = carried.join(", ");
            cx.sink.report(Problem::at(Kind::UnknownName, place, said).label("carried by none").help(help));
            None
        }
        (several, _) => {
            let all: Vec<_> = several.iter().map(|(_, o)| format!("\"{}\"", o.name)).collect();
            let said =
                format!("{} is in universe {universe}, which {} outputs carry", t.owner(), several.len());
            let help = format!("add `output = …` with one of {}", all.join(", "));
            cx.sink.report(Problem::at(Kind::Conflict, place, said).label("by which one?").help(help));
            None
        }
    }
}

/// The universe of a lamp among the several of a network output that it names: its own, else 1.
fn one_of_several(
    cx: &Cx<'_>,
    t: &Table<'_>,
    patch: &Patch<'_>,
    several: &[(usize, &Output)],
) -> Option<usize> {
    let (universe, place) = patch.universe.unwrap_or((1, patch.place));
    let found = several.iter().find(|(_, o)| o.universe == universe).map(|(index, _)| *index);
    if found.is_none() {
        let name = several.first().map_or("", |(_, o)| o.plan_name());
        let said = format!("{} is in universe {universe}, which output `{name}` does not carry", t.owner());
        // A few are enough to see what is meant.
        let carried: Vec<_> = several.iter().take(8).map(|(_, o)| o.universe.to_string()).collect();
        let more = if several.len() > 8 { ", …" } else { "" };
        let help = format!("add `universe = …` with one of its universes: {}{more}", carried.join(", "));
        cx.sink.report(Problem::at(Kind::Conflict, place, said).label("not carried there").help(help));
    }
    found
}

/// Universes that the plan's lamps are in, as far as they can be read.
pub(super) fn universes(plan: &Table<'_>, bodies: &BTreeMap<String, KitLamp<'_>>) -> Vec<u16> {
    let of_body = |t: &Table<'_>| {
        let name = t.get("lamp")?.as_text()?;
        bodies.get(name)?.lamp.as_ref()?.patch.as_ref()?.universe.map(|u| u.0)
    };
    let own = |t: &Table<'_>| {
        t.get("universe")?.as_number().filter(|n| (1.0..=63_999.0).contains(n)).map(|n| n as u16)
    };
    plan.named("fixture", "fixture").iter().map(|(_, t)| own(t).or_else(|| of_body(t)).unwrap_or(1)).collect()
}

/// Outputs for a plan that states none: a simulator for each universe that a lamp names.
pub(super) fn simulators(mut numbers: Vec<u16>, rate: u32) -> Vec<Output> {
    numbers.sort_unstable();
    numbers.dedup();
    let name = |n: u16| if n == 1 { "simulator".into() } else { format!("simulator-{n}") };
    let of = |n| Output { name: name(n), kind: OutputKind::Simulator, universe: n, rate, wake: Wake::Sleep };
    numbers.into_iter().map(of).collect()
}
