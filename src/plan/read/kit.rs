//! The kit: the bodies one owns, each with its profile, mode, address and calibration.

use std::collections::BTreeMap;
use std::sync::Arc;

use toml::de::DeValue;

use super::heat;
use super::names::{self, Taken};
use super::{Cx, calibration};
use crate::plan::amounts::{ENERGY, PERCENT};
use crate::plan::problem::{Kind, Place, Problem};
use crate::plan::tree::{Field, Table};
use crate::plan::{Body, HeatFigure, Mode, Profile, Quiet};
use crate::units::Watts;
use crate::words::short;

/// A profile with the place where it is defined.
pub(super) type Profiles = BTreeMap<String, Option<Arc<Profile>>>;

/// Where a lamp says that its slots are; the output is found once all outputs are known.
#[derive(Debug, Clone)]
pub(super) struct Patch<'a> {
    /// First slot as written, 1 to 512.
    pub first: u16,
    /// Place of the address.
    pub place: Place,
    /// Universe, where stated.
    pub universe: Option<(u16, Place)>,
    /// Output, where stated.
    pub output: Option<Field<'a>>,
}

/// What a body, or a fixture without one, says of its lamp.
#[derive(Debug, Clone)]
pub(super) struct Lamp<'a> {
    /// What kind of lamp it is.
    pub profile: Arc<Profile>,
    /// The mode it is set to.
    pub mode: Mode,
    /// Where its slots are, if it has any.
    pub patch: Option<Patch<'a>>,
}

/// One body of the kit.
#[derive(Debug, Clone)]
pub(super) struct KitLamp<'a> {
    /// What the plan keeps of it.
    pub body: Body,
    /// Its lamp; `None` if that has been reported.
    pub lamp: Option<Lamp<'a>>,
    /// Measured light as a ratio to the profile's figures, above 0.
    pub output_ratio: Option<f64>,
    /// Measured electrical power at full.
    pub watts: Option<Watts>,
    /// What its maker says of its heat, with the fan on where it has one.
    pub heat: Option<HeatFigure>,
    /// What it is with its fan off.
    pub quiet: Option<Quiet>,
    /// Rated watt-hours of the battery that it runs from.
    pub battery_wh: Option<f64>,
}

/// Keys that say what lamp it is and where its slots are.
pub(in crate::plan) const LAMP_KEYS: [&str; 5] = ["profile", "mode", "address", "universe", "output"];

/// Reads every `[lamp.NAME]`.
pub(super) fn bodies<'a>(
    cx: &Cx<'_>,
    kit: &Table<'a>,
    profiles: &Profiles,
    calibrations: &[Table<'_>],
    taken: &mut Taken,
    notes: &mut Vec<String>,
) -> BTreeMap<String, KitLamp<'a>> {
    let mut bodies = BTreeMap::new();
    let mut measured = calibration::all(cx, calibrations);
    for (name, t) in kit.named("lamp", "body") {
        names::check(cx, name, t.place(), "body", names::LOOK_KEYS);
        taken.claim(cx, name, t.place(), "body");
        let mut lamp = lamp(&t, profiles, Wants::MayHave);
        let sticker = t.get("sticker").and_then(|f| f.text("blue dot")).map(str::to_owned);
        let watts = t.get("watts").and_then(|f| f.watts());
        let (heat, quiet) = (heat::heat(&t), heat::quiet(&t));
        let battery_wh = battery(&t);
        let stated = t.get("calibration").and_then(|f| f.table(&format!("`calibration` of body `{name}`")));
        let (mut calibrated, mut output_ratio) = (None, None);
        if let Some(c) = stated {
            calibrated = c.need("date", "date = 2026-05-04").and_then(|f| date(&f));
            let percent = c.need("output", "output = \"96 %\"").and_then(|f| f.amount(&PERCENT, 1.0, 1000.0));
            output_ratio = percent.map(|p| p / 100.0);
            c.finish();
        }
        t.finish();
        if let (Some(file), Some(whole)) = (measured.remove(name), &lamp)
            && let Some(found) = calibration::apply(cx, name, &file, whole, notes)
        {
            if output_ratio.is_some() {
                notes.push(format!(
                    "{name}: its calibration file of {} holds, the kit's `calibration` is not used",
                    found.date
                ));
            }
            calibrated = Some(found.date);
            // Each emitter's own output is in the lamp already.
            output_ratio = Some(1.0);
            lamp = Some(found.lamp);
        }
        let body = Body { name: name.to_owned(), sticker, calibrated };
        bodies.insert(name.to_owned(), KitLamp { body, lamp, output_ratio, watts, heat, quiet, battery_wh });
    }
    for name in measured.keys() {
        notes.push(format!("there is a calibration of `{}`, but no such body in the kit", short(name)));
    }
    bodies
}

/// Rated watt-hours of the battery that a lamp runs from, in a fixture or a body.
pub(super) fn battery(t: &Table<'_>) -> Option<f64> {
    t.get("battery")?.amount(&ENERGY, 1.0, 1e5)
}

/// Whether a lamp's table states an address.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Wants {
    /// It must.
    Address,
    /// It may: a body may be one that is set by hand.
    MayHave,
    /// It must not.
    NoAddress,
}

/// The profile, mode and address stated in a table.
pub(super) fn lamp<'a>(t: &Table<'a>, profiles: &Profiles, wants: Wants) -> Option<Lamp<'a>> {
    let profile = t.need("profile", "profile = \"bicolour-mat\"").and_then(|f| find_profile(&f, profiles));
    let mode_field = t.get("mode");
    let patch = match wants {
        Wants::Address => patch(t).map(Some),
        Wants::MayHave if t.has("address") => patch(t).map(Some),
        Wants::MayHave => {
            t.allow(&["address"]);
            let by_hand =
                "give its first slot, such as `address = 1`; one that is only ever set by hand needs neither";
            without_address(t, &["universe", "output"], |owner, key| {
                (Kind::MissingKey, format!("{owner} has `{key}`, but no `address`"), by_hand.to_owned())
            });
            Some(None)
        }
        Wants::NoAddress => {
            without_address(t, &["address", "universe", "output"], |owner, key| {
                let said = format!("{owner} is set by hand, so it has no `{key}`");
                (Kind::Conflict, said, format!("leave `{key}` out, or leave `control = \"hand\"` out"))
            });
            Some(None)
        }
    };
    let profile = profile?;
    let mode = mode(t, mode_field, &profile, wants == Wants::NoAddress)?;
    Some(Lamp { profile, mode, patch: patch? })
}

fn find_profile(field: &Field<'_>, profiles: &Profiles) -> Option<Arc<Profile>> {
    let name = field.text("bicolour-mat")?;
    match profiles.get(name) {
        Some(profile) => profile.clone(),
        None => {
            names::unknown(field, "profile", name, profiles.keys().map(String::as_str));
            None
        }
    }
}

fn mode(t: &Table<'_>, field: Option<Field<'_>>, profile: &Profile, hand: bool) -> Option<Mode> {
    let names = profile.modes.iter().map(|m| m.name.as_str());
    match (field, profile.modes.as_slice()) {
        (Some(field), modes) => {
            let name = field.text(&modes.first()?.name)?;
            let found = modes.iter().find(|m| m.name == name).cloned();
            if found.is_none() {
                let said = format!("profile `{}` has no mode `{}`", profile.name, short(name));
                names::unknown_said(field.sink(), field.place(), said, "", name, names);
            }
            found
        }
        (None, [mode]) => Some(mode.clone()),
        (None, modes) if hand => modes.first().cloned(),
        (None, _) => {
            let all: Vec<_> = names.map(|n| format!("\"{n}\"")).collect();
            let said = format!("{} states no mode, and profile `{}` has several", t.owner(), profile.name);
            let help = format!("add `mode = …` with the one the lamp is set to: {}", all.join(", "));
            t.report(
                Problem::at(Kind::MissingKey, t.place(), said).label("`mode` is missing here").help(help),
            );
            None
        }
    }
}

/// Reports keys of an address in the table of a lamp that has none: what is told of an owner and a key.
fn without_address(
    t: &Table<'_>,
    keys: &[&'static str],
    told: impl Fn(&str, &str) -> (Kind, String, String),
) {
    for field in keys.iter().filter_map(|key| t.get(key)) {
        let (kind, said, help) = told(t.owner(), field.key());
        field.wrong(kind, said, help);
    }
}

fn patch<'a>(t: &Table<'a>) -> Option<Patch<'a>> {
    let universe = t.get("universe").map(|f| (f.count(1, 63_999, 1), f.place()));
    let output = t.get("output");
    let field = t.need("address", "address = 1")?;
    let place = field.place();
    let number = field.number("", 1.0, f64::MIN, f64::MAX)?;
    if number.fract() != 0.0 || !(1.0..=512.0).contains(&number) {
        let said = format!("{} has the address {number}; slots are numbered 1 to 512", t.owner());
        let help = if number == 0.0 {
            "the first slot is 1; some lamps and programs count from 0, so add one"
        } else {
            "give the first slot of the lamp as its own menu shows it, 1 to 512"
        };
        field.report(Problem::at(Kind::BadAddress, place, said).label("not a slot").help(help));
        return None;
    }
    let universe = match universe {
        Some((number, place)) => Some((u16::try_from(number?).ok()?, place)),
        None => None,
    };
    Some(Patch { first: number as u16, place, universe, output })
}

pub(super) fn date(field: &Field<'_>) -> Option<String> {
    let text = match field.value() {
        DeValue::Datetime(d) if d.date.is_some() && d.time.is_none() => return Some(d.to_string()),
        DeValue::String(s) => s.as_ref(),
        _ => "",
    };
    let parsed = text.parse::<toml::value::Datetime>().ok().filter(|d| d.date.is_some() && d.time.is_none());
    if parsed.is_none() {
        field.wrong_type("a date", "2026-05-04");
    }
    parsed.map(|d| d.to_string())
}
