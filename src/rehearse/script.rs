//! Which step comes when, and where its takes lie.

use std::time::Duration;

use crate::plan::{Plan, Step};
use crate::units::FrameClock;

/// How long each look stays where the plan has no order.
const STAY_WITHOUT_ORDER: Duration = Duration::from_secs(10);
/// From the light's landing to the first take, and between two takes, in seconds. Judgement: the slate is named, the
/// people settle.
const BEFORE_TAKE_S: u64 = 1;
const BETWEEN_TAKES_S: u64 = 10;
/// A take shorter than this is none, in seconds. Judgement.
pub(super) const SHORTEST_TAKE_S: u64 = 3;

/// A step at its place in the rehearsal; frames count from the order's beginning.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Planned {
    pub step: Step,
    /// Its number in the order, from 1.
    pub number: usize,
    /// Which time through the order, from 1.
    pub round: usize,
    /// Frame of its recall, and the one at which the next comes.
    pub at: u64,
    pub until: u64,
}

/// The steps of the order; without one every look in turn.
pub(super) fn steps(plan: &Plan) -> Vec<Step> {
    if !plan.order.is_empty() {
        return plan.order.clone();
    }
    let look = |i: usize| Step {
        look: crate::plan::LookId(i),
        fade: plan.looks[i].fade.unwrap_or(plan.fade),
        on_for: STAY_WITHOUT_ORDER,
        takes: None,
    };
    (0..plan.looks.len()).map(look).collect()
}

/// Frames that a step stays: its fade lands in any case.
fn stay(clock: FrameClock, step: &Step) -> u64 {
    clock.frames_in(step.on_for).max(clock.frames_in(step.fade) + 1)
}

/// Frames that steps take in all.
pub(super) fn length(plan: &Plan, steps: &[Step]) -> u64 {
    steps.iter().map(|s| stay(plan.frames, s)).sum()
}

/// Every step between two frames of the order, which is gone through again as often as needed; one under way at the
/// first comes up there.
pub(super) fn planned(plan: &Plan, from: u64, to: u64) -> Vec<Planned> {
    let steps = steps(plan);
    let mut planned = Vec::new();
    let (mut at, mut round) = (0, 1);
    while !steps.is_empty() && at < to {
        for (index, step) in steps.iter().enumerate() {
            let until = at + stay(plan.frames, step);
            if until > from && at < to {
                let (at, until) = (at.max(from), until.min(to));
                planned.push(Planned { step: step.clone(), number: index + 1, round, at, until });
            }
            at = until;
        }
        round += 1;
    }
    planned
}

/// The takes of a step whose light lands at frame `lands`: first frame, and the one at which it ends. As many as are
/// planned, or as there is time for.
pub(super) fn takes(plan: &Plan, step: &Step, lands: u64, until: u64) -> Vec<(u64, u64)> {
    let rate = u64::from(plan.frames.rate());
    let wanted = step.takes.map_or(u64::from(plan.rest != Some(step.look)), u64::from);
    let first = lands + 1 + BEFORE_TAKE_S * rate;
    let room = until.saturating_sub(first);
    let gap = BETWEEN_TAKES_S * rate;
    let fits = |count: u64| {
        room.saturating_sub(gap * count.saturating_sub(1)) / count.max(1) >= SHORTEST_TAKE_S * rate
    };
    let count = (0..=wanted).rev().find(|count| *count == 0 || fits(*count)).unwrap_or(0);
    let each = room.saturating_sub(gap * count.saturating_sub(1)) / count.max(1);
    (0..count)
        .map(|take| {
            let start = first + take * (each + gap);
            (start, if take + 1 == count { until } else { start + each })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::load;

    #[test]
    fn the_order_is_gone_through_again_until_the_end_and_begins_inside_a_step() {
        let plan = load::demo();
        let frames = |s: u64| s * u64::from(plan.frames.rate());
        let once = length(&plan, &steps(&plan));
        assert_eq!(once, frames(106 * 60), "the plan's own durations: 12+10+14+12+10+6+9+9+5+4+15 min");
        let ten_hours = planned(&plan, 0, frames(36_000));
        assert_eq!(ten_hours.last().map(|p| (p.round, p.until)), Some((6, frames(36_000))));
        assert!(ten_hours.windows(2).all(|w| w[0].until == w[1].at));
        let inside = planned(&plan, frames(13 * 60), frames(23 * 60));
        let told: Vec<_> = inside.iter().map(|p| (p.number, p.at, p.until)).collect();
        assert_eq!(told, [(2, frames(780), frames(1320)), (3, frames(1320), frames(1380))]);
    }

    #[test]
    fn takes_share_the_time_that_a_step_stands_and_none_is_planned_in_the_rest() {
        let plan = load::demo();
        let rate = u64::from(plan.frames.rate());
        let step = |takes, look: &str| Step {
            look: plan.look_named(look).unwrap(),
            fade: Duration::from_secs(2),
            on_for: Duration::from_secs(100),
            takes,
        };
        let of = |step: &Step| takes(&plan, step, 2 * rate, 100 * rate);
        assert_eq!(of(&step(None, "rest")), []);
        assert_eq!(of(&step(Some(0), "quay-dusk")), []);
        assert_eq!(of(&step(None, "quay-dusk")), [(3 * rate + 1, 100 * rate)]);
        let three = of(&step(Some(3), "quay-dusk"));
        assert_eq!(three.len(), 3);
        assert!(three.windows(2).all(|w| w[1].0 - w[0].1 == 10 * rate));
        assert_eq!(three.last().map(|t| t.1), Some(100 * rate));
        assert_eq!(of(&step(Some(40), "quay-dusk")).len(), 8, "97 s less 7 pauses, 3 s each at least");
    }
}
