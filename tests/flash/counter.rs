//! The counting rule in the header of `tests/reference/flash.csv`, written apart from the program: twice,
//! by two methods, so that a slip in one is seen.

/// Samples at which counted changes end. Walks from turn to turn, each time looking ahead for the first
/// level that has come back by 1000 from the extreme since the turn.
pub fn by_walking(levels: &[u32], all_bright: bool) -> Vec<usize> {
    let mut stamps = Vec::new();
    let Some(mut from) = first_turn(levels) else { return stamps };
    loop {
        let up =
            levels[from + 1..].iter().find(|l| l.abs_diff(levels[from]) >= 1000).map(|l| *l > levels[from]);
        let Some(up) = up else { return stamps };
        let better = |a: u32, b: u32| if up { a > b } else { a < b };
        let mut to = from;
        let mut turned = false;
        for at in from + 1..levels.len() {
            if better(levels[at], levels[to]) {
                to = at;
            } else if levels[at].abs_diff(levels[to]) >= 1000 {
                turned = true;
                break;
            }
        }
        if all_bright || levels[from].min(levels[to]) < 8000 {
            stamps.push(to);
        }
        if !turned {
            return stamps;
        }
        from = to;
    }
}

/// The sample from which the first change runs: the lowest, or highest, before the level is first 1000
/// away from it.
fn first_turn(levels: &[u32]) -> Option<usize> {
    let (mut low, mut high) = (0, 0);
    for (at, level) in levels.iter().enumerate() {
        if *level < levels[low] {
            low = at;
        }
        if *level > levels[high] {
            high = at;
        }
        if *level >= levels[low] + 1000 {
            return Some(low);
        }
        if *level + 1000 <= levels[high] {
            return Some(high);
        }
    }
    None
}

/// The same by another method: all local extremes, of which the smallest swing under 1000 is taken away
/// until none is left.
pub fn by_merging(levels: &[u32]) -> Vec<usize> {
    let mut turns: Vec<u32> = Vec::new();
    for &level in levels {
        if turns.last() == Some(&level) {
            continue;
        }
        if turns.len() >= 2 {
            let (a, b) = (turns[turns.len() - 2], turns[turns.len() - 1]);
            if (b > a) == (level > b) {
                turns.pop();
            }
        }
        turns.push(level);
    }
    while turns.len() > 1 {
        let swing = |i: usize| turns[i].abs_diff(turns[i + 1]);
        let least = (0..turns.len() - 1).min_by_key(|i| swing(*i)).expect("two turns have a swing");
        if swing(least) >= 1000 {
            break;
        }
        if least == 0 {
            turns.remove(0);
        } else if least + 2 == turns.len() {
            turns.pop();
        } else {
            turns.drain(least..least + 2);
        }
    }
    let mut stamps = Vec::new();
    let mut at = 0;
    for (index, turn) in turns.iter().enumerate() {
        // The first sample at which this extreme was reached, after the one before it.
        while levels[at] != *turn {
            at += 1;
        }
        if index > 0 && turns[index - 1].min(*turn) < 8000 {
            stamps.push(at);
        }
    }
    stamps
}

/// The most stamps in `window` consecutive samples.
pub fn worst(stamps: &[usize], window: usize) -> usize {
    let within = |first: usize| stamps.iter().filter(|s| (first..first + window).contains(*s)).count();
    stamps.iter().map(|first| within(*first)).max().unwrap_or(0)
}

/// Counted changes in the second that ends with the last sample; level 1.0 is `full`, or the most of the
/// last 10 s where that is less. `light` in any unit; `rate` samples a second.
pub fn in_the_last_second(light: &[f64], full: f64, rate: usize, all_bright: bool) -> usize {
    let course = &light[light.len().saturating_sub(rate * 10)..];
    let most = course.iter().copied().fold(0.0, f64::max).min(full);
    if most < full * 1e-7 {
        // 23 stops under 0 stops: dark.
        return 0;
    }
    let levels: Vec<u32> = course.iter().map(|l| (l / most * 10_000.0).round() as u32).collect();
    let first = levels.len().saturating_sub(rate);
    by_walking(&levels, all_bright).iter().filter(|stamp| **stamp >= first).count()
}

/// The worst second of a whole course whose level 1.0 goes along sample by sample, another way to read the
/// rule. `falling`: also seconds in which level 1.0 falls.
///
/// A falling level 1.0 lifts every level without any raise, and lowering takes it down again: such a second
/// may have any number of changes, and nothing that holds back raises alone could prevent it.
pub fn worst_with_a_running_reference(light: &[f64], full: f64, rate: usize, falling: bool) -> usize {
    let most = |at: usize| {
        light[(at + 1).saturating_sub(rate * 10)..=at].iter().copied().fold(0.0, f64::max).min(full)
    };
    let full: Vec<f64> = (0..light.len()).map(most).collect();
    let level = |(light, full): (&f64, &f64)| {
        if *full > 0.0 { (light / full * 10_000.0).round() as u32 } else { 0 }
    };
    let levels: Vec<u32> = light.iter().zip(&full).map(level).collect();
    let stamps = by_walking(&levels, false);
    let falls = |at: usize| at > 0 && full[at] < full[at - 1];
    let seconds = (0..(light.len() + 1).saturating_sub(rate)).map(|first| first..first + rate);
    let changes = |second: std::ops::Range<usize>| stamps.iter().filter(|s| second.contains(s)).count();
    seconds.filter(|second| falling || !second.clone().any(falls)).map(changes).max().unwrap_or(0)
}

/// Frames of the changes to and from saturated red, by WCAG 2.2 as `guards/flash/red.rs` quotes it: states
/// more than 0.2 apart in u'v', one of them saturated red; darkness is apart from red. States are all kept
/// and all compared, so the longest chain of such changes is found. A state: u', v', saturated red.
pub fn reds(states: &[Option<(f64, f64, bool)>]) -> Vec<usize> {
    let mut stamps = Vec::new();
    let mut since = 0;
    for (at, now) in states.iter().enumerate() {
        if changes(&states[since..at], now) {
            stamps.push(at);
            since = at;
        }
    }
    stamps
}

/// True if `now` is a change from any of the states before it.
pub fn changes(before: &[Option<(f64, f64, bool)>], now: &Option<(f64, f64, bool)>) -> bool {
    before.iter().any(|before| match (before, now) {
        (None, Some((_, _, red))) | (Some((_, _, red)), None) => *red,
        (Some((u0, v0, red0)), Some((u1, v1, red1))) => (*red0 || *red1) && (u0 - u1).hypot(v0 - v1) > 0.2,
        (None, None) => false,
    })
}
