//! A body's calibration, as `lampkeep calibrate` writes it beside the kit.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::kit::{self, Lamp};
use super::{Cx, curve, names, profile};
use crate::plan::amounts::{LENGTH, PERCENT};
use crate::plan::problem::{Kind, Problem};
use crate::plan::tree::Table;
use crate::plan::{Channel, Curve, Drives, Emitter, TrueTable};
use crate::units::Duv;

/// Keys that are for people: how and with what it was measured, and every reading as it was typed.
const NOTES: [&str; 4] = ["meter", "conditions", "ambient", "worst"];

/// What a calibration changes of a lamp.
#[derive(Debug)]
pub(super) struct Calibrated<'a> {
    /// Its day.
    pub date: String,
    /// The lamp with what was measured.
    pub lamp: Lamp<'a>,
}

/// The calibrations of some texts, by body.
pub(super) fn all<'a>(cx: &Cx<'_>, texts: &[Table<'a>]) -> BTreeMap<&'a str, Table<'a>> {
    let mut all: BTreeMap<&str, Table<'_>> = BTreeMap::new();
    for text in texts {
        for (name, table) in text.named("calibration", "calibration") {
            if let Some(first) = all.get(name) {
                let said = format!("body `{name}` is calibrated twice");
                let twice = Problem::at(Kind::Twice, table.place(), said).label("the second one");
                let help = "keep the newer file, and move the other out of the folder";
                cx.sink.report(twice.also(first.place(), "the first one").help(help));
                continue;
            }
            all.insert(name, table);
        }
    }
    all
}

/// Puts a calibration on its body's lamp. `None`: reported, or left out with a note, because it was taken
/// of the lamp in another mode.
pub(super) fn apply<'a>(
    cx: &Cx<'_>,
    name: &str,
    t: &Table<'_>,
    lamp: &Lamp<'a>,
    notes: &mut Vec<String>,
) -> Option<Calibrated<'a>> {
    let date = t.need("date", "date = 2026-05-04").and_then(|f| kit::date(&f));
    let of = t.need("profile", "profile = \"bicolour-mat\"").and_then(|f| f.text("bicolour-mat"));
    let mode = t.need("mode", "mode = \"cct-8\"").and_then(|f| f.text("cct-8"));
    let (of, mode) = (of?, mode?);
    if (of, mode) != (&lamp.profile.name, &lamp.mode.name) {
        notes.push(format!(
            "{name}: its calibration is of {of} in mode {mode}, and it is {} in mode {} now: not used; calibrate it \
             again",
            lamp.profile.name, lamp.mode.name
        ));
        return None;
    }
    for key in NOTES {
        t.get(key).and_then(|f| f.text("as typed"));
    }
    t.get("distance").and_then(|f| f.amount(&LENGTH, 0.1, 100.0));
    if let Some(readings) = t.get("readings").and_then(|f| f.list("[\"intensity 255: 250lx\"]")) {
        for reading in readings {
            reading.text("intensity 255: 250lx");
        }
    }
    let mut lamp = lamp.clone();
    let mut all = Arc::unwrap_or_clone(Arc::clone(&lamp.profile));
    for (channel_name, table) in t.named("channel", "channel") {
        let emitters = &all.emitters;
        let index = lamp.mode.channels.iter().position(|c| c.drives.word(emitters) == Some(channel_name));
        let Some(index) = index else {
            let known: Vec<_> = lamp.mode.channels.iter().filter_map(|c| c.drives.word(emitters)).collect();
            let said = format!("mode `{mode}` has no channel `{channel_name}` to calibrate");
            names::unknown_said(cx.sink, table.place(), said, "", channel_name, known.into_iter());
            continue;
        };
        let Some((light, measured)) = channel(&table, &lamp.mode.channels[index]) else { continue };
        let channel = &mut lamp.mode.channels[index];
        channel.curve = light.unwrap_or_else(|| channel.curve.clone());
        channel.measured = measured.or_else(|| channel.measured.clone());
    }
    for (emitter_name, table) in t.named("emitter", "emitter") {
        let known = || lamp.profile.emitters.iter().map(|e| e.name.as_str());
        let Some(index) = known().position(|n| n == emitter_name) else {
            let said = format!("profile `{of}` has no emitter `{emitter_name}`");
            names::unknown_said(cx.sink, table.place(), said, "", emitter_name, known());
            continue;
        };
        emitter(cx, &table, &mut all.emitters[index]);
    }
    t.finish();
    lamp.profile = Arc::new(all);
    Some(Calibrated { date: date?, lamp })
}

type Measured = (Option<Curve>, Option<Arc<TrueTable>>);

/// Curve and table of one channel, each where it is stated.
fn channel(t: &Table<'_>, of: &Channel) -> Option<Measured> {
    let light = matches!(of.drives, Drives::Intensity | Drives::Emitter(_));
    let measured = if light {
        let curve = curve::curve(t, of.bits);
        (Some(curve), Some(None))
    } else {
        (None, curve::measured(t, &of.drives))
    };
    t.finish();
    match measured {
        (Some(curve), _) => Some((Some(curve?), None)),
        (None, table) => Some((None, table?)),
    }
}

/// True light and colour of one emitter.
fn emitter(cx: &Cx<'_>, t: &Table<'_>, emitter: &mut Emitter) {
    let percent = t.get("output").and_then(|f| f.amount(&PERCENT, 1.0, 1000.0));
    let kelvin = t.get("kelvin").and_then(|f| f.kelvin());
    let duv = t.get("duv").map_or(Some(Duv::ZERO), |f| f.duv());
    let xy = t.get("xy").and_then(|f| profile::xy(&f));
    if t.has("xy") && (t.has("kelvin") || t.has("duv")) {
        let said = format!("{} has its colour twice", t.owner());
        let help = "keep `kelvin` with `duv`, or `xy`";
        t.report(Problem::at(Kind::Conflict, t.place(), said).label("this one").help(help));
    }
    t.finish();
    emitter.lux_at_1m *= percent.map_or(1.0, |p| p / 100.0);
    if let Some(xy) = xy {
        emitter.xy = xy;
    } else if let (Some(kelvin), Some(duv)) = (kelvin, duv) {
        emitter.xy = (cx.colour.xy)(kelvin, duv);
    }
}
