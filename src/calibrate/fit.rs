//! Readings to a calibration: curves, true colours, output; and how well they fit.

mod colours;
mod outputs;

use std::sync::Arc;

use self::colours::{bare_white, colours};
use self::outputs::outputs;
use super::procedure::{Kind, Step};
use crate::channels::{curve, probe};
use crate::light::colour;
use crate::light::mix;
use crate::light::typed::Reading;
use crate::plan::{Curve, Drives, Fixture, LightTable, Mixing, TableFault, TrueTable};
use crate::units::{Duv, Kelvin, Xy};

/// Light this near to the room's own, as a share of it, is no light of the lamp. Judgement: four times
/// the repeatability of a good meter.
const NO_LIGHT: f64 = 0.02;
/// Colour is not used where the room gives more than this share of the light: it would tint the reading by
/// about as much (judgement).
const TINTED: f64 = 0.01;
/// Difference between the way down and the way up, in stops, that is a fault of the lamp (practice.md, 3).
const HYSTERESIS: f64 = 0.1;
/// A step of one value beyond this, in stops, is not clean (practice.md, 5).
const CLEAN_STOPS: f64 = 0.2;

/// A reading that was taken.
#[derive(Debug, Clone, PartialEq)]
pub struct Taken {
    /// Its step.
    pub step: Step,
    /// The value that was sent.
    pub sent: u16,
    /// What the meter showed.
    pub reading: Reading,
}

/// What was found.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Fit {
    /// Curves, one for each channel that drives light and was swept, or shares its law with one that was.
    pub sweeps: Vec<FittedSweep>,
    /// What each asked kelvin really gives, rising.
    pub kelvins: Vec<FittedWhite>,
    /// True light and colour of each emitter.
    pub emitters: Vec<FittedEmitter>,
    /// Worst difference between a reading of light and what is now predicted, in stops, with its step.
    pub worst_stops: Option<(f64, String)>,
    /// Worst difference in colour, in mired, with its step.
    pub worst_mired: Option<(f64, String)>,
    /// What a person must know.
    pub notes: Vec<String>,
}

/// One channel's curve.
#[derive(Debug, Clone, PartialEq)]
pub struct FittedSweep {
    /// Index of the channel.
    pub channel: usize,
    /// Its name in the mode.
    pub name: String,
    /// Value and light as a share of full.
    pub points: Vec<(u16, f64)>,
    /// Least clean value; 0: all are.
    pub clean_from: u16,
}

/// What a kelvin slot gives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FittedWhite {
    /// Kelvin as the slot says it.
    pub asked: f64,
    /// Kelvin as read.
    pub kelvin: f64,
    /// Duv as read.
    pub duv: f64,
    /// Light at full as a share of what the emitters could mix, 1 at most.
    pub light: f64,
}

/// One emitter's light and colour.
#[derive(Debug, Clone, PartialEq)]
pub struct FittedEmitter {
    /// Its name.
    pub name: String,
    /// Light against the profile's figure, 1 is equal.
    pub output: f64,
    /// Its colour where it was read.
    pub colour: Option<EmitterColour>,
}

/// A colour as it was read.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum EmitterColour {
    /// Kelvin and Duv.
    White(f64, f64),
    /// Chromaticity.
    Xy(Xy),
}

/// Why nothing can be fitted.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Fault {
    /// Two readings that cannot both be right.
    #[error("{said}")]
    NotRising {
        /// Which, with their figures.
        said: String,
        /// Their steps.
        steps: Vec<String>,
    },
    /// Readings without which there is no curve.
    #[error("{0}")]
    Missing(String),
}

/// Fits a lamp's readings. `to_1m`: what a lux at the meter is at 1 m of the bare lamp.
///
/// Errors: data that do not rise, with the steps to read again; too few readings.
pub fn fit(fixture: &Fixture, taken: &[Taken], to_1m: f64) -> Result<Fit, Fault> {
    let bare = bare(fixture);
    let room = Room::of(taken, to_1m);
    let mut found = Fit::default();
    if room.missing {
        found.notes.push("the room's own light was not read: it is taken as none".to_owned());
    }
    sweeps(&bare, taken, &room, &mut found)?;
    let lamp = applied(&bare, &found);
    colours(&lamp, taken, &room, fixture, &mut found)?;
    outputs(&applied(&bare, &found), taken, &room, fixture, &mut found);
    worst(&applied(&bare, &found), taken, &room, fixture, &mut found);
    Ok(found)
}

/// The lamp without what stands before it: readings are turned into what it gives bare.
fn bare(fixture: &Fixture) -> Fixture {
    let mut bare = fixture.clone();
    bare.emitters = Vec::clone(&bare.profile.emitters);
    bare
}

/// The lamp as it would be with what has been found.
fn applied(bare: &Fixture, found: &Fit) -> Fixture {
    let mut lamp = bare.clone();
    for sweep in &found.sweeps {
        let channel = &mut lamp.mode.channels[sweep.channel];
        if let Ok(table) = LightTable::new(&sweep.points, channel.bits.max()) {
            channel.curve = Curve::measured(table);
        }
    }
    if let (Mixing::White { kelvin, .. }, false) = (&lamp.mode.mixing, found.kelvins.is_empty()) {
        let of = |p: &FittedWhite| (Kelvin::clamped(p.asked), Kelvin::clamped(p.kelvin), p.duv, p.light);
        let points: Vec<_> = found.kelvins.iter().map(of).collect();
        lamp.mode.channels[*kelvin].measured = TrueTable::of_kelvin(&points).ok().map(Arc::new);
    }
    for (emitter, found) in lamp.emitters.iter_mut().zip(&found.emitters) {
        emitter.lux_at_1m *= found.output;
        match found.colour {
            Some(EmitterColour::White(k, d)) => {
                emitter.xy = colour::xy_of(Kelvin::clamped(k), Duv::clamped(d));
            }
            Some(EmitterColour::Xy(xy)) => emitter.xy = xy,
            None => {}
        }
    }
    Arc::make_mut(&mut lamp.profile).emitters.clone_from(&lamp.emitters);
    lamp
}

/// The room's light, and readings without it.
struct Room {
    lux: f64,
    to_1m: f64,
    missing: bool,
}

impl Room {
    fn of(taken: &[Taken], to_1m: f64) -> Self {
        let read = taken.iter().find(|t| t.step.kind == Kind::Ambient).map(|t| t.reading);
        // Less than the meter can show is, at most, half of that: the middle of what it may be.
        let lux = read.and_then(|r| r.lux.map(|lux| if r.under { 0.5 * lux } else { lux }));
        Self { lux: lux.unwrap_or(0.0), to_1m, missing: lux.is_none() }
    }

    /// Light of the bare lamp at 1 m; 0 where it gives none that can be told from the room's.
    fn lamp(&self, reading: &Reading) -> Option<f64> {
        let lux = reading.lux?;
        if reading.under || lux <= self.lux * (1.0 + NO_LIGHT) {
            return Some(0.0);
        }
        Some((lux - self.lux) * self.to_1m)
    }

    fn tints(&self, lux: Option<f64>) -> bool {
        lux.is_some_and(|lux| self.lux > TINTED * lux)
    }
}

fn levels(taken: &[Taken], channel: usize) -> impl Iterator<Item = (&Taken, bool)> {
    taken.iter().filter_map(move |t| match t.step.kind {
        Kind::Level { channel: c, up } if c == channel => Some((t, up)),
        _ => None,
    })
}

fn sweeps(bare: &Fixture, taken: &[Taken], room: &Room, found: &mut Fit) -> Result<(), Fault> {
    let channels = &bare.mode.channels;
    let name = |index: usize| channels[index].drives.word(&bare.profile.emitters).unwrap_or("level");
    for index in 0..channels.len() {
        let mut read: Vec<(u16, f64, Vec<String>, bool)> = Vec::new();
        let mut ways: Vec<(u16, f64, bool)> = Vec::new();
        for (t, up) in levels(taken, index) {
            let Some(lux) = room.lamp(&t.reading) else { continue };
            ways.push((t.sent, lux, up));
            match read.iter_mut().find(|r| r.0 == t.sent) {
                // Down and up count alike.
                Some(r) => {
                    r.1 = 0.5 * (r.1 + lux);
                    r.2.push(t.step.id.clone());
                    r.3 |= t.reading.flickers;
                }
                None => read.push((t.sent, lux, vec![t.step.id.clone()], t.reading.flickers)),
            }
        }
        if read.is_empty() {
            continue;
        }
        read.sort_by_key(|r| r.0);
        note_hysteresis(name(index), &ways, found);
        let lit = read.iter().filter(|r| r.1 > 0.0).count();
        if lit < 3 {
            let said =
                format!("{}: only {lit} levels were read as lit; a curve needs 3 at least", name(index));
            return Err(Fault::Missing(said));
        }
        let max = channels[index].bits.max();
        let mut points = vec![(0, 0.0)];
        points.extend(read.iter().filter(|r| r.0 > 0).map(|r| (r.0, r.1)));
        let top = points[points.len() - 1];
        if top.0 < max {
            // Above the highest reading the curve that is known already goes on.
            let known = &channels[index].curve;
            let up = 1.0 / curve::of_value(known, channels[index].bits, top.0).max(f64::MIN_POSITIVE);
            points.push((max, top.1 * up.max(1.0 + 1e-9)));
            found.notes.push(format!(
                "{}: nothing was read above value {}: there the curve goes on as before",
                name(index),
                top.0
            ));
        }
        let full = points[points.len() - 1].1;
        for point in &mut points {
            point.1 = significant(point.1 / full);
        }
        let table = LightTable::new(&points, max).map_err(|fault| match fault {
            TableFault::FirstFalls(i) | TableFault::SecondFalls(i) => {
                let of = |i: usize| read.iter().find(|r| r.0 == points[i].0);
                let words = |i: usize| {
                    of(i).map_or_else(|| "value 0".to_owned(), |r| format!("value {} gives {:.2} lx", r.0, r.1))
                };
                let steps = [of(i), of(i + 1)].into_iter().flatten().flat_map(|r| r.2.clone()).collect();
                let said = format!(
                    "{} does not rise: {}, then {} (at 1 m, the room taken off); one of the two readings is wrong",
                    name(index),
                    words(i),
                    words(i + 1)
                );
                Fault::NotRising { said, steps }
            }
            other => Fault::Missing(format!("{}: no curve can be made: {other:?}", name(index))),
        })?;
        let fitted = Curve::measured(table);
        let flickering = read.iter().filter(|r| r.3).map(|r| r.0).max();
        let coarse = (1..max)
            .rev()
            .map(|v| (v, curve::of_value(&fitted, channels[index].bits, v)))
            .take_while(|(_, light)| *light > 0.0)
            .find(|(v, light)| {
                (curve::of_value(&fitted, channels[index].bits, v + 1) / light).log2() > CLEAN_STOPS
            })
            .map(|(v, _)| v);
        let clean_from = flickering.max(coarse).map_or(0, |v| v.saturating_add(1));
        // Emitters of one driver share its law (judgement): a sweep of one holds for those like it.
        let alike = |i: usize| {
            matches!((&channels[i].drives, &channels[index].drives), (Drives::Emitter(_), Drives::Emitter(_)))
                && channels[i].curve == channels[index].curve
                && channels[i].bits == channels[index].bits
                && levels(taken, i).next().is_none()
        };
        for i in (0..channels.len()).filter(|i| *i == index || alike(*i)) {
            let name = name(i).to_owned();
            if i != index {
                found.notes.push(format!("{name}: not swept, taken to dim as the one that was"));
            }
            found.sweeps.push(FittedSweep { channel: i, name, points: points.clone(), clean_from });
        }
    }
    if found.sweeps.is_empty() {
        return Err(Fault::Missing("no level was read: without levels there is no curve".to_owned()));
    }
    Ok(())
}

fn note_hysteresis(name: &str, ways: &[(u16, f64, bool)], found: &mut Fit) {
    let apart = ways.iter().filter(|w| w.2 && w.1 > 0.0).filter_map(|up| {
        let down = ways.iter().find(|w| !w.2 && w.0 == up.0 && w.1 > 0.0)?;
        Some((up.0, (up.1 / down.1).log2()))
    });
    if let Some((value, stops)) = apart.max_by(|a, b| a.1.abs().total_cmp(&b.1.abs())) {
        let fault = if stops.abs() > HYSTERESIS { ": over 0.1 stop is a fault of the lamp" } else { "" };
        found
            .notes
            .push(format!("{name}: up and down differ by {stops:+.2} stop at most (value {value}){fault}"));
    }
}

/// What is now predicted against what was read.
fn worst(lamp: &Fixture, taken: &[Taken], room: &Room, fixture: &Fixture, found: &mut Fit) {
    let mut stops: Option<(f64, String)> = None;
    let mut mired: Option<(f64, String)> = None;
    let take = |into: &mut Option<(f64, String)>, off: f64, id: &str| {
        if off.is_finite() && into.as_ref().is_none_or(|w| off.abs() > w.0.abs()) {
            *into = Some((off, id.to_owned()));
        }
    };
    for t in taken.iter().filter(|t| !matches!(t.step.kind, Kind::Ambient | Kind::Warm)) {
        let asked = crate::channels::Asked { value: t.sent, ..t.step.asked.clone() };
        let Ok(planned) = probe(lamp, &asked) else { continue };
        let lux = mix::light_of(&lamp.emitters, &planned.mix).0 * planned.level;
        if let Some(read) = room.lamp(&t.reading).filter(|lux| *lux > 0.0) {
            take(&mut stops, (lux / read).log2(), &t.step.id);
        }
        let white = planned.xy.and_then(colour::kelvin_of);
        if let (Some((kelvin, _)), Some((planned, _))) = (bare_white(&t.reading, fixture), white)
            && !room.tints(t.reading.lux)
        {
            take(&mut mired, 1e6 / planned.get() - 1e6 / kelvin, &t.step.id);
        }
    }
    found.worst_stops = stops;
    found.worst_mired = mired;
}

/// Six significant figures: what is written is what was fitted, and no meter shows more.
fn significant(number: f64) -> f64 {
    format!("{number:.5e}").parse().unwrap_or(number)
}
