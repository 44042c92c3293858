//! True light and colour of each emitter, by the readings at full.

use super::colours::bare_white;
use super::{EmitterColour, Fit, FittedEmitter, FittedWhite, Room, Taken, significant};
use crate::calibrate::procedure::Kind;
use crate::channels::probe;
use crate::light::{colour, mix};
use crate::plan::{Drives, Emitter, Fixture, Mixing};
use crate::units::{Duv, Kelvin};

/// Ends of a lamp's own range are its emitters' colours if they are this near, in mired (judgement).
const SAME_END: f64 = 15.0;

/// Light at the channel's full by the highest reading of a step's kind.
fn full_lux(lamp: &Fixture, taken: &[Taken], room: &Room, is: impl Fn(&Kind) -> bool) -> Option<f64> {
    let best = taken.iter().filter(|t| is(&t.step.kind) && t.reading.lux.is_some()).max_by_key(|t| t.sent)?;
    let found = probe(lamp, &crate::channels::Asked { value: best.sent, ..best.step.asked.clone() }).ok()?;
    let lux = room.lamp(&best.reading).filter(|lux| *lux > 0.0)?;
    (found.level > 0.0).then(|| lux / found.level)
}

pub(super) fn outputs(lamp: &Fixture, taken: &[Taken], room: &Room, fixture: &Fixture, found: &mut Fit) {
    let mut emitters: Vec<FittedEmitter> = lamp
        .profile
        .emitters
        .iter()
        .map(|e| FittedEmitter { name: e.name.clone(), output: 1.0, colour: None })
        .collect();
    match &lamp.mode.mixing {
        Mixing::Emitters { .. } => {
            for (index, emitter) in emitters.iter_mut().enumerate() {
                let own = |k: &Kind| *k == Kind::Emitter(index);
                let swept = |k: &Kind| match k {
                    Kind::Level { channel, .. } => {
                        lamp.mode.channels[*channel].drives == Drives::Emitter(index)
                    }
                    _ => false,
                };
                let lux = full_lux(lamp, taken, room, own).or_else(|| full_lux(lamp, taken, room, swept));
                let was = lamp.profile.emitters[index].lux_at_1m;
                emitter.output = lux.map_or(1.0, |lux| lux / was);
                if lux.is_none() {
                    found
                        .notes
                        .push(format!("{}: its light was not read, the profile's holds", emitter.name));
                }
                let read = taken.iter().find(|t| own(&t.step.kind) && !room.tints(t.reading.lux));
                emitter.colour = read.and_then(|t| match (bare_white(&t.reading, fixture), t.reading.xy) {
                    (_, Some(xy)) => Some(EmitterColour::Xy(xy)),
                    (Some((k, duv)), None) => Some(EmitterColour::White(k, duv.unwrap_or(0.0))),
                    (None, None) => None,
                });
            }
        }
        Mixing::White { .. } => white_outputs(lamp, taken, room, found, &mut emitters),
        Mixing::Dimmer | Mixing::HueSaturation { .. } => {
            let lux = full_lux(lamp, taken, room, |k| *k == Kind::Own)
                .or_else(|| full_lux(lamp, taken, room, |k| matches!(k, Kind::Level { .. })));
            let model = probe(lamp, &crate::channels::Asked::default())
                .map_or(0.0, |p| mix::light_of(&lamp.emitters, &p.mix).0);
            if let Some(lux) = lux.filter(|_| model > 0.0) {
                emitters.iter_mut().for_each(|e| e.output = lux / model);
            }
            let read = taken.iter().find(|t| t.step.kind == Kind::Own && !room.tints(t.reading.lux));
            if let ([only], Some((k, duv))) =
                (&mut emitters[..], read.and_then(|t| bare_white(&t.reading, fixture)))
            {
                only.colour = Some(EmitterColour::White(k, duv.unwrap_or(0.0)));
            }
        }
    }
    for emitter in &mut emitters {
        emitter.output = significant(emitter.output);
    }
    found.emitters = emitters;
}

/// A lamp that mixes a white by itself: its two ends are its emitters' colours, and their light is what
/// comes nearest to the readings at full; with other emitters one factor for all. What the lamp gives
/// less than such a mix (many hold back in the middle) is kept by colour temperature.
fn white_outputs(
    lamp: &Fixture,
    taken: &[Taken],
    room: &Room,
    found: &mut Fit,
    emitters: &mut [FittedEmitter],
) {
    let mut read: Vec<(f64, f64, f64)> = Vec::new();
    let mut places = Vec::new();
    for (place, white) in found.kelvins.iter().enumerate() {
        let Some(lux) = full_lux(lamp, taken, room, |k| *k == Kind::White(white.asked)) else { continue };
        read.push((white.kelvin, white.duv, lux));
        places.push(place);
    }
    if read.is_empty() {
        let model =
            |t: &Taken| probe(lamp, &t.step.asked).map_or(0.0, |p| mix::light_of(&lamp.emitters, &p.mix).0);
        let level = |k: &Kind| matches!(k, Kind::Level { .. });
        let any = taken.iter().find(|t| level(&t.step.kind)).map(model).filter(|m| *m > 0.0);
        if let (Some(lux), Some(model)) = (full_lux(lamp, taken, room, level), any) {
            emitters.iter_mut().for_each(|e| e.output = lux / model);
        }
        return;
    }
    let mut own: Vec<Emitter> = lamp.profile.emitters.clone();
    if let [one, two] = &mut own[..] {
        let cct = |e: &Emitter| colour::kelvin_of(e.xy).map_or(0.0, |(k, _)| k.get());
        let (warm, cool) = if cct(one) <= cct(two) { (0, 1) } else { (1, 0) };
        let ends = [(warm, found.kelvins.first()), (cool, found.kelvins.last())];
        for (index, end) in ends {
            let Some(FittedWhite { asked, kelvin, duv, .. }) = end else { continue };
            if (1e6 / asked - 1e6 / cct(&own[index])).abs() < SAME_END {
                own[index].xy = colour::xy_of(Kelvin::clamped(*kelvin), Duv::clamped(*duv));
                emitters[index].colour = Some(EmitterColour::White(*kelvin, *duv));
            }
        }
    }
    // The light of one emitter against the other, by a search over three stops both ways; the scale by
    // the mean of the differences in stops.
    let errors = |ratio: f64| -> Vec<f64> {
        let mut lamp = own.clone();
        if lamp.len() == 2 {
            lamp[1].lux_at_1m *= ratio;
        }
        let stops = |(k, duv, lux): &(f64, f64, f64)| {
            let model = mix::most_light_white(&lamp, Kelvin::clamped(*k), Duv::clamped(*duv)).lux_at_1m;
            (lux / model).log2()
        };
        read.iter().map(stops).collect()
    };
    let mean = |e: &[f64]| e.iter().sum::<f64>() / e.len() as f64;
    let spread = |log: f64| {
        let e = errors(log.exp2());
        let mean = mean(&e);
        e.iter().map(|x| (x - mean).powi(2)).sum::<f64>()
    };
    let log = if own.len() == 2 { least(spread, -3.0, 3.0) } else { 0.0 };
    // The brightest reading against the model is full; what the lamp keeps back elsewhere is its share.
    let off = errors(log.exp2());
    let most = off.iter().fold(f64::MIN, |a, b| a.max(*b));
    for (place, off) in places.iter().zip(&off) {
        found.kelvins[*place].light = ((off - most).exp2() * 1e4).round() / 1e4;
    }
    let scale = most.exp2();
    for (index, emitter) in emitters.iter_mut().enumerate() {
        emitter.output = if own.len() == 2 && index == 1 { scale * log.exp2() } else { scale };
    }
}

/// Where a function of one valley is least: a coarse look, then halving the span round the best.
fn least(of: impl Fn(f64) -> f64, low: f64, high: f64) -> f64 {
    let (mut best, mut step) = (0.5 * (low + high), (high - low) / 24.0);
    let coarse = (0..=24).map(|i| low + step * f64::from(i));
    best = coarse.min_by(|a, b| of(*a).total_cmp(&of(*b))).unwrap_or(best);
    for _ in 0..24 {
        step *= 0.5;
        let around = [best - step, best, best + step];
        best = around.into_iter().min_by(|a, b| of(*a).total_cmp(&of(*b))).unwrap_or(best);
    }
    best
}
