//! A fixture's emitters: as its body was measured, as seen through gels, and which mix of them it takes.

use super::Cx;
use super::kit::{self, KitLamp};
use crate::plan::problem::{Kind, Problem};
use crate::plan::tree::Field;
use crate::plan::{Emitter, Mixing, Prefer, Profile};
use crate::units::{Duv, Mired, Watts};

/// The profile's emitters with this body's measured light and power.
pub(super) fn scaled(profile: &Profile, body: Option<&KitLamp<'_>>) -> Vec<Emitter> {
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
pub(super) fn gelled(
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
pub(super) fn preference(
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
