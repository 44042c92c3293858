//! The flash guard against any stream: the outside counter finds at most three flashes in every second.

#[path = "../common/mod.rs"]
mod common;
mod counter;
mod scene;
mod streams;

use common::table;
use lampkeep::guards::flash::motion;
use lampkeep::guards::flash::{Cause, Flash, PointLight};
use lampkeep::units::{FrameClock, Xy};

/// Source: tests/reference/flash.csv (WCAG 2.x and ITU-R BT.1702, counting rule in its header). Whole numbers,
/// equal.
#[test]
fn both_ways_to_count_agree_with_the_published_sequences() {
    for row in table("flash.csv", 60) {
        let levels: Vec<u32> = row["levels"].split_whitespace().map(|w| w.parse().unwrap()).collect();
        let rate = row.number("rate_hz") as usize;
        for stamps in [counter::by_walking(&levels, false), counter::by_merging(&levels)] {
            assert_eq!(stamps.len() as f64, row.number("changes"), "sequence {}", &row["sequence"]);
            assert_eq!(counter::worst(&stamps, rate) as f64, row.number("worst_changes_1s"));
        }
    }
}

fn clock(rate: u32) -> FrameClock {
    FrameClock::new(rate).expect("10 to 44")
}

fn white(lux: f64) -> PointLight {
    PointLight::of(lux, Xy { x: 0.34, y: 0.35 })
}

/// Sends a course of wanted light past the guard at one point: what went out, and the shares.
fn through(guard: &mut Flash, from: f64, wanted: &[f64]) -> (Vec<f64>, Vec<f64>) {
    let (mut last, mut sent, mut shares) = (from, Vec::new(), Vec::new());
    for &lux in wanted {
        let low = lux.min(last);
        let passed = guard.pass(&[white(low)], &[white(lux)]);
        assert_eq!(passed.share < 1.0, passed.held.is_some());
        last = low + (lux - low) * passed.share;
        guard.sent(&[white(last)]);
        sent.push(last);
        shares.push(passed.share);
    }
    (sent, shares)
}

#[test]
fn a_lone_change_however_bright_is_never_held() {
    for size in [1e-6, 1.0, 500.0, 1e6] {
        let mut guard = Flash::new(clock(40), &[500.0]);
        let course: Vec<f64> = (0..800).map(|n| if n < 400 { 0.0 } else { size }).collect();
        let (sent, _) = through(&mut guard, 0.0, &course);
        assert_eq!(sent, course);
    }
}

#[test]
fn a_rise_once_begun_goes_on_whatever_came_before() {
    let mut guard = Flash::new(clock(40), &[500.0]);
    // Two and a half flashes, the last half a slow rise that begins at once.
    let mut course = vec![0.0, 500.0, 0.0, 500.0, 0.0];
    course.extend((0..80).map(|n| f64::from(n) * 20.0));
    let (sent, _) = through(&mut guard, 0.0, &course);
    assert_eq!(sent, course);
}

#[test]
fn a_strobe_makes_three_flashes_a_second_and_the_rest_waits_just_under_a_change() {
    let mut guard = Flash::new(clock(40), &[500.0]);
    let course: Vec<f64> = (0..400).map(|n| if n % 4 < 2 { 500.0 } else { 0.0 }).collect();
    let (sent, _) = through(&mut guard, 0.0, &course);
    let bright =
        sent.iter().zip([0.0].iter().chain(&sent)).filter(|(now, last)| **now > 400.0 && **last < 400.0);
    let flashes = bright.count();
    assert!((25..=30).contains(&flashes), "{flashes} in ten seconds");
    assert!(sent.iter().all(|lux| *lux == 500.0 || *lux < 50.0));
}

#[test]
fn a_held_raise_tells_when_it_may_go_on_and_goes_on_then() {
    let mut guard = Flash::new(clock(40), &[500.0]);
    through(&mut guard, 0.0, &[0.0, 500.0, 0.0, 500.0, 0.0, 500.0, 0.0]);
    let passed = guard.pass(&[white(0.0)], &[white(500.0)]);
    let held = passed.held.expect("six changes are in this second");
    assert_eq!((held.point, held.cause), (0, Cause::General));
    assert!(passed.share < 0.1, "{passed:?}");
    let (sent, _) = through(&mut guard, 0.0, &[500.0; 60]);
    let up = sent.iter().position(|lux| *lux == 500.0).unwrap() as u64;
    assert_eq!(up, held.frames);
    assert!(up < 40);
}

#[test]
fn a_guard_that_does_not_know_the_past_waits_a_second_before_the_first_turn_upwards() {
    let mut guard = Flash::after(clock(40), &[500.0], &[white(200.0)]);
    let (sent, _) = through(&mut guard, 200.0, &[400.0; 60]);
    assert_eq!(sent.iter().position(|lux| *lux == 400.0), Some(39));
    // A lowering passes at once.
    let mut guard = Flash::after(clock(40), &[500.0], &[white(200.0)]);
    assert_eq!(through(&mut guard, 200.0, &[0.0]).0, [0.0]);
}

/// Source: WCAG 2.2, red flash (from memory). The light here stays under a tenth of level 1.0 for a face
/// that had 500 lx a moment ago, so the general rule finds no flash.
#[test]
fn a_red_strobe_too_dim_for_the_general_rule_is_held_too() {
    // A deep red against white; R/(R+G+B) = 0.82 against the blue of a screen.
    for (red, other) in [((0.68, 0.31), (0.34, 0.35)), ((0.5197, 0.3296), (0.15, 0.06))] {
        let mut guard = Flash::new(clock(40), &[500.0]);
        guard.sent(&[white(500.0)]);
        let light = |(x, y)| PointLight::of(20.0, Xy { x, y });
        let mut on = 0;
        for n in 0..200 {
            let wanted = light(if n % 4 < 2 { red } else { other });
            let passed = guard.pass(&[PointLight::DARK], &[wanted]);
            if let Some(held) = passed.held {
                assert_eq!(held.cause, Cause::Red);
            }
            on += usize::from(n % 4 == 0 && passed.share == 1.0);
            guard.sent(&[wanted * passed.share]);
        }
        assert!((5..=15).contains(&on), "{on} in five seconds");
    }
}

/// Source: WCAG 2.2, red flash (from memory); darkness counts as apart from red, both ways.
#[test]
fn a_dim_red_strobe_out_of_the_dark_makes_three_flashes_a_second_at_most() {
    let mut guard = Flash::new(clock(40), &[500.0]);
    guard.sent(&[white(500.0)]);
    let red = PointLight::of(20.0, Xy { x: 0.68, y: 0.31 });
    let mut on = Vec::new();
    for n in 0..200 {
        let wanted = if n % 4 < 2 { red } else { PointLight::DARK };
        let passed = guard.pass(&[PointLight::DARK], &[wanted]);
        guard.sent(&[wanted * passed.share]);
        on.push(passed.share == 1.0 && wanted == red);
    }
    let begins = on.windows(2).filter(|w| w[1] && !w[0]).count();
    assert!((5..=15).contains(&begins), "{begins} in five seconds");
}

/// A face at 500 lx, then ten seconds at 40: when the 500 are forgotten, level 1.0 falls to the 100 of the
/// last flash and the same 40 lx jump from level 0.08 to 0.4, which nobody can hold. With a fall after it
/// that is one change more and another; three flashes just before would make four in that second.
#[test]
fn flashes_wait_where_level_1_0_is_about_to_fall() {
    let mut course = vec![500.0; 20];
    course.resize(400, 40.0);
    for _ in 0..3 {
        course.extend([100.0, 100.0, 40.0, 40.0]);
    }
    course.resize(421, 40.0);
    course.extend([25.0; 20]);
    assert_eq!(counter::worst_with_a_running_reference(&course, 500.0, 40, true), 8);
    let mut guard = Flash::new(clock(40), &[500.0]);
    let (sent, _) = through(&mut guard, 0.0, &course);
    let changes = counter::worst_with_a_running_reference(&sent, 500.0, 40, true);
    assert!(changes <= 7, "{changes} changes");
}

/// Why the other reading of level 1.0 is claimed only where that does not fall: four stairs downwards, and ten
/// seconds later more of them. Nothing ever rises, and no second has a flash by the rule; by the other reading each
/// stair of level 1.0 lifts the level by a tenth and each stair of the light takes it down again.
#[test]
fn falling_light_alone_flashes_where_level_1_0_is_read_frame_by_frame() {
    let rate = 40;
    let stairs = |first: i32| (first..first + 4).flat_map(|n| [500.0 * 0.75_f64.powi(n); 4]);
    let mut light: Vec<f64> = stairs(0).collect();
    // The first stair leaves the ten seconds with frame 403; two frames later the light goes on falling.
    light.resize(405, 500.0 * 0.75_f64.powi(4));
    light.extend(stairs(5));
    assert!(light.windows(2).all(|w| w[1] <= w[0]));
    for end in 1..=light.len() {
        assert!(counter::in_the_last_second(&light[..end], 500.0, rate, true) <= 1, "frame {end}");
    }
    assert_eq!(counter::worst_with_a_running_reference(&light, 500.0, rate, true), 8);
    assert!(counter::worst_with_a_running_reference(&light, 500.0, rate, false) <= 1);
}

#[test]
fn a_slow_breath_passes_the_motion_check_and_a_fast_one_is_refused() {
    let breath = |period_s: f64| -> Vec<PointLight> {
        let level = |n: usize| 250.0 + 200.0 * (n as f64 / 40.0 / period_s * std::f64::consts::TAU).sin();
        (0..400).map(|n| white(level(n))).collect()
    };
    let slow = motion::verdict(clock(40), 500.0, &breath(4.0));
    assert_eq!((slow.worst_flashes, slow.held), (1, None));
    let fast = motion::verdict(clock(40), 500.0, &breath(0.2));
    assert_eq!(fast.worst_flashes, 5, "five a second");
    assert!(fast.held.is_some());
}

#[test]
fn lists_of_another_length_let_nothing_rise() {
    let guard = Flash::new(clock(40), &[500.0, 500.0]);
    assert_eq!(guard.points(), 2);
    assert_eq!(guard.pass(&[white(0.0)], &[white(1.0)]).share, 0.0);
}
