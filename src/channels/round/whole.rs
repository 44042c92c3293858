//! Lamps that mix by themselves: what one of their values comes to, and the search for the best of them.

use super::{Found, Goal, HAIR, Master, Part, length, most_scale};
use crate::plan::{Emitter, MAX_EMITTERS};

/// The error of a lamp that gives `lux` and draws `watts` at full intensity, `off_uv76` from the goal's
/// colour, at the best value of its intensity; `None` if none may be sent.
pub(in crate::channels) fn of_whole(
    goal: &Goal,
    master: &Master<'_>,
    lux: f64,
    off_uv76: f64,
    watts: f64,
) -> Option<Found> {
    let sum = Part { lux, watts, ..Part::default() };
    let (value, light) = master.at_most(most_scale(&sum, goal))?;
    let lux = lux * light;
    let over = lux > goal.most_lux * (1.0 + HAIR) || watts * light > goal.watts * (1.0 + HAIR);
    (!over && lux >= goal.least_lux * (1.0 - HAIR))
        .then(|| Found { error: goal.error(lux, off_uv76), master: value })
}

/// What the emitters of a lamp that mixes by itself add, as `goal` counts it.
#[derive(Debug, Clone, Copy)]
pub(in crate::channels) struct Parts([Part; MAX_EMITTERS]);

impl Parts {
    pub fn of(emitters: &[Emitter], goal: &Goal) -> Self {
        let mut parts = [Part::default(); MAX_EMITTERS];
        for (part, emitter) in parts.iter_mut().zip(emitters) {
            *part = Part::of(emitter, goal.uv);
        }
        Self(parts)
    }

    /// As [`of_whole`], of what these drives give at full intensity.
    pub fn judge(&self, drives: &[f64; MAX_EMITTERS], goal: &Goal, master: &Master<'_>) -> Option<Found> {
        let sum = self.0.iter().zip(drives).fold(Part::default(), |sum, (p, d)| sum.plus(&p.times(*d)));
        let off = if sum.weight > 0.0 { length(sum.off) / sum.weight } else { 0.0 };
        of_whole(goal, master, sum.lux, off, sum.watts)
    }
}

/// Values after which [`search`] stops; each costs a mix, about a microsecond. Some tens are the rule; where
/// a level of 8 bits stands beside colour channels of 16, it may stop short, by less than 0.02 of error.
const MOST_JUDGED: usize = 400;

/// From `start` (values and what they are found to be) to values of one or two channels of which no
/// neighbour is better: strides that double while they help and halve while they do not, down to one,
/// and the way come gone again while that helps.
///
/// `ranges`: least and greatest value of each channel. After [`MOST_JUDGED`] values it stops with the best
/// of them.
pub(in crate::channels) fn search(
    start: ([u16; 2], Found),
    ranges: &[(u16, u16)],
    judge: impl Fn([u16; 2]) -> Option<Found>,
) -> ([u16; 2], Found) {
    let mut best = start;
    let (mut stride, mut judged, mut mark) = (1, 0, start.0);
    while judged < MOST_JUDGED {
        let mut better = best;
        for way in (0..9).filter(|way| *way != 4 && (ranges.len() > 1 || way / 3 == 1)) {
            if let Some(values) = moved(best.0, [(way % 3 - 1) * stride, (way / 3 - 1) * stride], ranges) {
                judged += 1;
                better = judge(values).filter(|f| f.error < better.1.error).map_or(better, |f| (values, f));
            }
        }
        if better.0 != best.0 {
            best = better;
            stride = (stride * 2).min(1 << 14);
            continue;
        }
        let way = [0, 1].map(|i| i32::from(best.0[i]) - i32::from(mark[i]));
        mark = best.0;
        // A value has 16 bits, so no way can be doubled more often than this.
        for doubled in 0..16 {
            let Some(values) = moved(best.0, way.map(|w| w << doubled), ranges) else { break };
            judged += 1;
            let Some(found) = judge(values).filter(|f| f.error < best.1.error) else { break };
            best = (values, found);
        }
        if stride == 1 && best.0 == mark {
            break;
        }
        stride = (stride / 2).max(1);
    }
    best
}

/// The values `steps` away, cut short at the end of a range; `None` where that is no move, or where one of
/// two steps is none.
fn moved(from: [u16; 2], steps: [i32; 2], ranges: &[(u16, u16)]) -> Option<[u16; 2]> {
    let mut values = from;
    for ((value, by), (low, high)) in values.iter_mut().zip(steps).zip(ranges) {
        let to = i32::from(*value).saturating_add(by).clamp(i32::from(*low), i32::from(*high)) as u16;
        if by != 0 && to == *value {
            return None;
        }
        *value = to;
    }
    (values != from).then_some(values)
}
