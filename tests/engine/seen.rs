//! What stands at every face and wall while an engine runs, told by the slots alone: decoded by the
//! simulator's own arithmetic and counted by the outside counter of `tests/flash`. Nothing here asks the
//! guard.

use std::collections::HashMap;

use lampkeep::channels::Frame;
use lampkeep::plan::{Drives, Fixture, Plan};
use lampkeep::rehearse::WHITE;
use lampkeep::wire::sim;

use crate::counter;

/// X, Y, Z of a light; Y in lux.
pub type Xyz = [f64; 3];

/// What a lamp shows in a frame: its light at 1 m and its emitters' drives.
type Shown = (Xyz, Vec<f64>);

/// Light at every point, frame by frame: `points[point][frame]`.
pub fn light(plan: &Plan, frames: &[Vec<Frame>]) -> Vec<Vec<Xyz>> {
    at_points(plan, &shown(plan, frames), frames.len())
}

/// What each lamp gives at each point for a lux at 1 m: `points[point][lamp]`.
fn points(plan: &Plan) -> Vec<Vec<f64>> {
    let sent = |l: &lampkeep::plan::Sent| l.direct + l.board + l.room.iter().sum::<f64>();
    let receptors = plan.spill.receptors.iter().map(|r| r.lamps.iter().map(sent).collect());
    receptors.chain(plan.spill.aims.iter().map(|aim| aim.lamps.clone())).collect()
}

fn at_points(plan: &Plan, lamps: &[Vec<Shown>], frames: usize) -> Vec<Vec<Xyz>> {
    let at = |factors: &Vec<f64>, frame: usize| {
        let lamps = || factors.iter().zip(lamps).filter(|(_, shown)| !shown.is_empty());
        [0, 1, 2].map(|i| lamps().map(|(factor, shown)| factor * shown[frame].0[i]).sum())
    };
    points(plan).iter().map(|factors| (0..frames).map(|frame| at(factors, frame)).collect()).collect()
}

/// Every lamp in every frame: `lamps[lamp][frame]`; nothing of one set by hand, whose knob nobody turns here.
fn shown(plan: &Plan, frames: &[Vec<Frame>]) -> Vec<Vec<Shown>> {
    let of = |fixture: &Fixture| {
        let Some(address) = fixture.address() else { return Vec::new() };
        let first = usize::from(address.first) - 1;
        let range = first..first + usize::from(fixture.mode.footprint());
        let mut known: HashMap<&[u8], Shown> = HashMap::new();
        let slots = frames.iter().map(|sent| &sent[address.output.0].slots[range.clone()]);
        slots.map(|slots| known.entry(slots).or_insert_with(|| decoded(fixture, slots)).clone()).collect()
    };
    plan.fixtures.iter().map(of).collect()
}

/// The same where every channel that drives light only fell since the frame before: what no guard holds back.
/// Colours that a lamp mixes by itself (kelvin, hue) are those of the frame.
fn lowered(plan: &Plan, frames: &[Vec<Frame>], at: usize) -> Vec<Shown> {
    let of = |fixture: &Fixture| {
        let Some(address) = fixture.address() else { return Shown::default() };
        let first = usize::from(address.first) - 1;
        let range = first..first + usize::from(fixture.mode.footprint());
        let sent = |at: usize| &frames[at][address.output.0].slots[range.clone()];
        let (was, mut slots) = (sent(at - 1), sent(at).to_vec());
        for channel in &fixture.mode.channels {
            let bytes = usize::from(channel.offset)..usize::from(channel.offset + channel.bits.slots());
            let light = matches!(channel.drives, Drives::Intensity | Drives::Emitter(_));
            if light && was[bytes.clone()] < slots[bytes.clone()] {
                slots[bytes.clone()].copy_from_slice(&was[bytes]);
            }
        }
        decoded(fixture, &slots)
    };
    plan.fixtures.iter().map(of).collect()
}

fn decoded(fixture: &Fixture, slots: &[u8]) -> Shown {
    let shown = sim::shown(fixture, slots, WHITE);
    let light = shown.xy.map_or([0.0; 3], |xy| {
        [xy.x / xy.y, 1.0, (1.0 - xy.x - xy.y) / xy.y].map(|part| part * shown.lux_at_1m)
    });
    (light, shown.drives)
}

/// Most changes in any second at any point, and most changes to or from deep red at which some light rose.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Worst {
    pub changes: usize,
    pub reds: usize,
}

/// Source of the rule: the header of tests/reference/flash.csv, and WCAG 2.2 for red (from memory).
pub fn worst(plan: &Plan, frames: &[Vec<Frame>]) -> Worst {
    worst_from(plan, frames, 0)
}

/// The same of the seconds that end with frame `first` or after it; the frames before are their past.
pub fn worst_from(plan: &Plan, frames: &[Vec<Frame>], first: usize) -> Worst {
    let (rate, full) = (plan.frames.rate() as usize, plan.exposure.zero_stops.get());
    let mut worst = Worst { changes: 0, reds: 0 };
    let lamps = shown(plan, frames);
    // A change of hue raises an emitter though the light does not rise.
    let rises = |shown: &Vec<Shown>, at: usize| shown[at].1.iter().zip(&shown[at - 1].1).any(|(b, a)| b > a);
    for (point, factors) in at_points(plan, &lamps, frames.len()).iter().zip(points(plan)) {
        let here =
            || lamps.iter().zip(&factors).filter(|(shown, factor)| **factor > 0.0 && !shown.is_empty());
        let rose = |at: usize| at > 0 && here().any(|(shown, _)| rises(shown, at));
        let lux: Vec<f64> = point.iter().map(|xyz| xyz[1]).collect();
        for end in first + 1..=lux.len() {
            // While the light stands only what level 1.0 is may change, and slowly.
            if end % 10 == 0 || end == lux.len() || (end > 1 && lux[end - 1] != lux[end - 2]) {
                worst.changes =
                    worst.changes.max(counter::in_the_last_second(&lux[..end], full, rate, false));
            }
        }
        let states: Vec<_> = point.iter().map(state).collect();
        if states.iter().flatten().any(|(_, _, red)| *red) {
            // One that the falls of its frame make by themselves is none by raising.
            let by_raising = |at: usize, since: usize| {
                let fell = lowered(plan, frames, at);
                let xyz = [0, 1, 2].map(|i| fell.iter().zip(&factors).map(|(shown, k)| k * shown.0[i]).sum());
                !counter::changes(&states[since..at], &state(&xyz))
            };
            let all = counter::reds(&states);
            let since = std::iter::once(0).chain(all.iter().copied());
            let stamps: Vec<usize> = all
                .iter()
                .zip(since)
                .filter(|(frame, since)| {
                    **frame + rate > first && rose(**frame) && by_raising(**frame, *since)
                })
                .map(|(frame, _)| *frame)
                .collect();
            worst.reds = worst.reds.max(counter::worst(&stamps, rate));
        }
    }
    worst
}

/// u', v' and whether it is deep red; `None` without light. R, G and B by the matrix of IEC 61966-2-1.
fn state([x, y, z]: &Xyz) -> Option<(f64, f64, bool)> {
    let sum = x + 15.0 * y + 3.0 * z;
    if sum <= 0.0 {
        return None;
    }
    let rgb = [
        3.2406 * x - 1.5372 * y - 0.4986 * z,
        -0.9689 * x + 1.8758 * y + 0.0415 * z,
        0.0557 * x - 0.2040 * y + 1.0570 * z,
    ]
    .map(|c| c.max(0.0));
    Some((4.0 * x / sum, 9.0 * y / sum, rgb[0] >= 0.8 * (rgb[0] + rgb[1] + rgb[2])))
}
