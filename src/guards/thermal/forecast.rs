//! A list of looks ahead: which lamp would be held when, and by how much in the end.
//!
//! The same caps and the same ramp as in a frame, in jumps: closed form while nothing is held or moves,
//! steps of a tenth of a second while something does.

use super::{LampNow, Model, Ramp, sustainable_w, time_to_hold_s};

/// Step in seconds while an offset moves. A lamp near its limit creeps, so where a ramp lands decides when
/// the next one begins: a tenth of a second keeps that within a few percent of a frame-by-frame run.
const FINE_S: f64 = 0.1;

/// A lamp's body as a forecast begins.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LampAhead {
    /// Its model; `None`: without limit.
    pub model: Option<Model>,
    /// Electrical power with every emitter dark, in watts.
    pub standby_w: f64,
    /// The estimate of its temperature in degrees Celsius.
    pub celsius: f64,
}

/// A look that is to come.
#[derive(Debug, Clone, PartialEq)]
pub struct Coming {
    /// How long it stands, in seconds, 0 or more.
    pub for_s: f64,
    /// For each lamp, in the same order: true if it is asked a white, and the electrical power of its
    /// emitters at the asked light in watts (0: dark).
    pub lamps: Vec<(bool, f64)>,
}

/// What a look would come to.
#[derive(Debug, Clone, PartialEq)]
pub struct Foreseen {
    /// The lamp that would be held first, by its index, and after how many seconds of the look.
    pub first: Option<(usize, f64)>,
    /// Stops by which all white lamps would be held at its end.
    pub stops_at_end: f64,
    /// The most by which any lamp would be held at its end, in stops; a dark one counts as 7.
    pub most_at_end: f64,
    /// Temperature of each lamp at its end, in degrees Celsius; the room's for one without a model.
    pub celsius_at_end: Vec<f64>,
}

/// What `looks` come to, one after the other, in a room that stays at `ambient_c`.
#[must_use]
pub fn forecast(lamps: &[LampAhead], ambient_c: f64, looks: &[Coming]) -> Vec<Foreseen> {
    let mut celsius: Vec<f64> = lamps.iter().map(|l| l.celsius).collect();
    let mut ramp = Ramp::new(lamps.len());
    let mut sent = vec![0.0; lamps.len()];
    looks.iter().map(|look| run(lamps, ambient_c, look, &mut ramp, &mut celsius, &mut sent)).collect()
}

fn run(
    lamps: &[LampAhead],
    ambient_c: f64,
    look: &Coming,
    ramp: &mut Ramp,
    celsius: &mut [f64],
    sent: &mut [f64],
) -> Foreseen {
    let now = |celsius: &[f64], sent: &[f64]| -> Vec<LampNow> {
        let each = lamps.iter().zip(&look.lamps).zip(celsius.iter().zip(sent));
        each.map(|((lamp, (white, asked_w)), (celsius, sent_w))| LampNow {
            white: *white,
            asked: *asked_w,
            asked_w: *asked_w,
            sent_w: *sent_w,
            standby_w: lamp.standby_w,
            body: lamp.model.map(|m| (m, *celsius)),
        })
        .collect()
    };
    let (mut at_s, mut first, mut moves) = (0.0, None, true);
    let opening = Ramp::opening(&now(celsius, sent), ambient_c, 0.0, FINE_S);
    ramp.recalled(opening, 0.0);
    while at_s < look.for_s {
        let left_s = look.for_s - at_s;
        let states = now(celsius, sent);
        let mut for_s = left_s.min(FINE_S);
        // Standing still: jump to a step before the next lamp has to come down.
        let until_s = if moves { 0.0 } else { next_hold_s(&states, sent, ambient_c) };
        if until_s > 1.5 * FINE_S {
            for_s = left_s.min(until_s - FINE_S);
        } else {
            let before: Vec<f64> = (0..lamps.len()).map(|i| ramp.held(i).stops).collect();
            ramp.step(&states, ambient_c, for_s);
            moves = (0..lamps.len()).any(|i| (ramp.held(i).stops - before[i]).abs() > 1e-9);
        }
        if first.is_none() && !ramp.free() {
            let held = |i: &usize| ramp.held(*i).stops > 0.0 || ramp.held(*i).dark;
            let its = ramp.binds().or((0..lamps.len()).find(held));
            first = its.map(|lamp| (lamp, at_s));
        }
        for (i, lamp) in lamps.iter().enumerate() {
            sent[i] = look.lamps[i].1 * ramp.held(i).share();
            celsius[i] = lamp.model.map_or(ambient_c, |model| {
                model.after(ambient_c, celsius[i], sent[i] + lamp.standby_w, for_s)
            });
        }
        at_s += for_s;
    }
    Foreseen {
        first,
        stops_at_end: ramp.stops(),
        most_at_end: (0..lamps.len()).map(|i| ramp.held(i).stops).fold(0.0, f64::max),
        celsius_at_end: celsius.to_vec(),
    }
}

/// Seconds until a lamp has to come down at what is sent now; without bound if none has to. A lamp that
/// nothing can be borne of is dark already and stays so.
fn next_hold_s(lamps: &[LampNow], sent: &[f64], ambient_c: f64) -> f64 {
    let each = lamps.iter().zip(sent).filter_map(|(lamp, watts)| {
        let (model, celsius) = lamp.body?;
        let bears = sustainable_w(&model, ambient_c, lamp.standby_w) > 0.0;
        bears.then(|| time_to_hold_s(&model, ambient_c, lamp.standby_w, celsius, *watts))?
    });
    each.fold(f64::INFINITY, f64::min)
}
