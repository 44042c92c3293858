//! General flashes in a sequence of light levels, counted as WCAG 2.x and ITU-R BT.1702 define them.
//!
//! A flash is a pair of opposing changes, each of 10 % of the greatest light or more, whose darker state
//! is below 80 %. The standards leave the counting of ramps and ripple open; the rule here, which leans to
//! counting too many: the direction turns when the level has come back from its extreme by 10 %; a
//! change runs from one turning point to the next, the unfinished last one counts; it is stamped with the
//! sample at which its end is first reached. Not here: the area of the view that flashes (all of it is
//! assumed) and saturated red. The guard does not use this counter: its own way of counting goes frame
//! by frame and is checked against this one.

/// Level 1.0: levels are whole ten-thousandths, so that comparisons are exact. Light over it is not clipped.
pub const FULL: u32 = 10_000;
/// A change this large or larger can be half of a flash: 10 %.
const CHANGE: u32 = 1_000;
/// The darker state of a flash is below this: 80 %.
const DARKER: u32 = 8_000;

/// What was counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Flashes {
    /// Counted changes in all.
    pub changes: usize,
    /// Counted changes in the worst second.
    pub worst_changes: usize,
}

impl Flashes {
    /// Flashes in all: pairs of changes.
    #[must_use]
    pub const fn flashes(&self) -> usize {
        self.changes / 2
    }

    /// Flashes in the worst second; more than 3 fail WCAG 2.3.1 and BT.1702.
    #[must_use]
    pub const fn worst_flashes(&self) -> usize {
        self.worst_changes / 2
    }
}

/// Counts changes in `levels` (0 upwards, [`FULL`] is 1.0), of which `per_second` make a second (1 or more).
#[must_use]
pub fn count(levels: &[u32], per_second: usize) -> Flashes {
    let stamps = changes(levels);
    let mut first = 0;
    let mut worst_changes = 0;
    for (last, stamp) in stamps.iter().enumerate() {
        while stamp - stamps[first] >= per_second.max(1) {
            first += 1;
        }
        worst_changes = worst_changes.max(last + 1 - first);
    }
    Flashes { changes: stamps.len(), worst_changes }
}

/// Counted changes that end in the last `window` samples.
#[must_use]
pub fn changes_in_the_last(levels: &[u32], window: usize) -> usize {
    let first = levels.len().saturating_sub(window);
    changes(levels).iter().filter(|stamp| **stamp >= first).count()
}

/// Counted changes in the worst `per_second` samples (1 or more) that end in the last `window` samples.
#[must_use]
pub fn worst_in_the_last(levels: &[u32], per_second: usize, window: usize) -> usize {
    let stamps = changes(levels);
    let first = levels.len().saturating_sub(window);
    let within = |last: usize| {
        stamps.iter().filter(|stamp| **stamp <= last && last - **stamp < per_second.max(1)).count()
    };
    let ends = stamps.iter().copied().filter(|stamp| *stamp >= first);
    std::iter::once(first).chain(ends).map(within).max().unwrap_or(0)
}

/// A level and the sample at which it was first reached.
type Extreme = (u32, usize);

/// Samples at which the counted changes end, in order.
fn changes(levels: &[u32]) -> Vec<usize> {
    let mut stamps = Vec::new();
    let Some(first) = levels.first() else { return stamps };
    let (mut lowest, mut highest): (Extreme, Extreme) = ((*first, 0), (*first, 0));
    // The turning point that the running change began at, and its extreme so far; none at first.
    let mut running: Option<(Extreme, Extreme)> = None;
    let mut finish = |(from, to): (Extreme, Extreme)| {
        if from.0.min(to.0) < DARKER {
            stamps.push(to.1);
        }
    };
    for (sample, &level) in levels.iter().enumerate() {
        let here = (level, sample);
        running = match running {
            None => {
                if level < lowest.0 {
                    lowest = here;
                }
                if level > highest.0 {
                    highest = here;
                }
                if level - lowest.0 >= CHANGE {
                    Some((lowest, here))
                } else if highest.0 - level >= CHANGE {
                    Some((highest, here))
                } else {
                    None
                }
            }
            Some((from, to)) => {
                let rising = to.0 > from.0;
                let further = if rising { level > to.0 } else { level < to.0 };
                if further {
                    Some((from, here))
                } else if level.abs_diff(to.0) >= CHANGE {
                    finish((from, to));
                    Some((to, here))
                } else {
                    Some((from, to))
                }
            }
        };
    }
    if let Some(unfinished) = running {
        finish(unfinished);
    }
    stamps
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steady_light_and_small_ripple_have_no_flash() {
        for levels in [vec![], vec![5000; 100], [5000, 5999, 5001, 5998].repeat(30)] {
            assert_eq!(count(&levels, 25), Flashes { changes: 0, worst_changes: 0 });
        }
    }

    /// Counted by hand: changes end at the samples 1, 2, 3, 6.
    #[test]
    fn the_worst_second_may_begin_before_the_samples_in_which_it_ends() {
        let levels = [0, 9000, 0, 9000, 9000, 9000, 0, 0, 0];
        let worst = [1, 3, 4, 5].map(|window| worst_in_the_last(&levels, 4, window));
        // Seconds of four samples that end at sample 8; at 6 or later; at 5 or later; at 4 or later.
        assert_eq!(worst, [1, 2, 2, 3]);
        assert_eq!(worst_in_the_last(&[], 4, 4), 0);
    }

    /// Source: WCAG 2.x, general flash: the darker state must be below 0.80.
    #[test]
    fn flicker_of_bright_light_above_80_percent_is_no_flash() {
        assert_eq!(count(&[8000, 9500, 8000, 9500], 25).changes, 0);
        assert_eq!(count(&[7999, 9500, 7999, 9500], 25).changes, 3);
    }
}
