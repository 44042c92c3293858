//! Single facts of the guard, each with an outside source.

use std::time::Duration;

use crate::common::table;
use crate::slow::{RATE, Slow};
use lampkeep::guards::thermal::{
    Coming, Ending, Estimate, LampAhead, LampNow, Model, Ramp, cap_w, forecast, rest_needed_s, sustainable_w,
    time_to_hold_s,
};
use lampkeep::plan::FramesStop;

/// A mat of 97 W of which 3 W stand by, 90 K of rise, a time constant of 30 min.
pub const MAT: Model = Model::new(90.0 / 97.0, 1800.0, 70.0);
const STANDBY_W: f64 = 3.0;
const FULL_W: f64 = 94.0;
const ROOM_C: f64 = 25.0;
const FRAME_S: f64 = 0.025;

/// Source: tests/reference/thermal.csv, thermal_profiles.csv (first-order model, checked there by an ODE
/// solver; invented data). Tolerance: 1e-8 K, as its header suggests. Here through the estimate, step by
/// step, as the engine carries it; `tests/published_reckon.rs` asks the same through `reckon`.
#[test]
fn an_estimate_follows_the_published_courses() {
    let course = table("thermal.csv", 291);
    let mut checked = 0;
    for profile in table("thermal_profiles.csv", 50) {
        let words = |column: &str| -> Vec<f64> {
            profile[column].split_whitespace().map(|w| w.parse().unwrap()).collect()
        };
        let model = Model::new(profile.number("r_k_per_w"), profile.number("tau_s"), 1000.0);
        let ambient = profile.number("ta_c");
        for row in course.iter().filter(|row| row["profile"] == profile["profile"]) {
            let mut estimate = Estimate { celsius: profile.number("t0_c"), over_k: 0.0 };
            let mut left = row.number("t_s");
            for (for_s, watts) in words("durations_s").into_iter().zip(words("powers_w")) {
                estimate = estimate.after(&model, ambient, watts, left.min(for_s));
                left = (left - for_s).max(0.0);
            }
            estimate = estimate.after(&model, ambient, 0.0, left);
            let off = estimate.celsius - row.number("temp_c");
            assert!(off.abs() < 1e-8, "profile {}: {off}", &profile["profile"]);
            checked += 1;
        }
    }
    assert_eq!(checked, 291);
}

/// Source: tests/reference/thermal_profiles.csv. Tolerance: 1e-9 of the time, as its header suggests.
#[test]
fn a_limit_is_reached_at_the_published_times() {
    for p in table("thermal_profiles.csv", 50) {
        let model = Model::new(p.number("r_k_per_w"), p.number("tau_s"), p.number("limit_c"));
        let found = model.time_to_limit_s(p.number("ta_c"), p.number("t0_c"), p.number("p_const_w"));
        match found {
            None => assert!(p["time_to_limit_s"].is_empty()),
            Some(s) => assert!((s / p.number("time_to_limit_s") - 1.0).abs() < 1e-9),
        }
    }
}

/// Source: arithmetic; (70 - 25) K / (90/97 K/W) = 48.5 W, of which 3 W stand by.
#[test]
fn the_mat_bears_45_and_a_half_watts_of_light_for_ever() {
    assert!((sustainable_w(&MAT, ROOM_C, STANDBY_W) - 45.5).abs() < 1e-12);
    // A lamp at its limit may draw exactly that, however short the frame.
    let cap = cap_w(&MAT, ROOM_C, STANDBY_W, 70.0, FULL_W, FRAME_S);
    assert!((cap - 45.5).abs() < 1e-9, "{cap}");
}

/// Source: the slow integration. The ramp that begins when the guard says so ends on the limit, and one
/// that begins ten seconds later ends over it. Tolerance: its step, and 1e-3 K.
#[test]
fn the_guard_begins_as_late_as_a_slow_ramp_still_ends_at_the_limit() {
    let slow = Slow { model: MAT, ambient_c: ROOM_C };
    for start_c in [25.0, 40.0, 60.0, 68.0] {
        let begins = time_to_hold_s(&MAT, ROOM_C, STANDBY_W, start_c, FULL_W).unwrap();
        let at = |s: f64| {
            let steady = |_| FULL_W + STANDBY_W;
            let warm = if s > 0.0 { slow.run(start_c, s, 20_000, steady).0 } else { start_c };
            slow.peak_of_ramp(warm, FULL_W, STANDBY_W)
        };
        assert!((at(begins) - 70.0).abs() < 1e-3, "from {start_c}: {}", at(begins));
        assert!(at(begins + 10.0) > 70.02, "from {start_c}: {}", at(begins + 10.0));
    }
}

/// Runs one lamp frame by frame; the offsets, and the temperature after each frame.
fn alone(ramp: &mut Ramp, celsius: &mut f64, asked_w: f64, frames: usize) -> Vec<(f64, f64)> {
    let mut out = Vec::new();
    for _ in 0..frames {
        let lamp = lamp_now(asked_w, *celsius);
        ramp.step(&[lamp], ROOM_C, FRAME_S);
        let sent_w = asked_w * ramp.held(0).share();
        *celsius = MAT.after(ROOM_C, *celsius, sent_w + STANDBY_W, FRAME_S);
        out.push((ramp.held(0).stops, *celsius));
    }
    out
}

fn lamp_now(asked_w: f64, celsius: f64) -> LampNow {
    LampNow {
        white: true,
        asked: asked_w * 10.0,
        asked_w,
        sent_w: asked_w,
        standby_w: STANDBY_W,
        body: Some((MAT, celsius)),
    }
}

/// Source: arithmetic; log2(94/45.5) = 1.0468 stops, 21 s of 0.05 stop/s; and the requirement, at most 0.05
/// stop/s. The end is the limit itself: 0.01 K under it at most.
#[test]
fn a_long_take_at_full_comes_down_one_stop_in_21_seconds_and_lands_on_the_limit() {
    let (mut ramp, mut celsius) = (Ramp::new(1), 69.0);
    let begins = time_to_hold_s(&MAT, ROOM_C, STANDBY_W, celsius, FULL_W).unwrap();
    let path = alone(&mut ramp, &mut celsius, FULL_W, 40 * 120);
    let first = path.iter().position(|p| p.0 > 0.0).unwrap() as f64 * FRAME_S;
    assert!((first - begins).abs() <= 2.0 * FRAME_S, "began at {first} s, said {begins} s");
    let last = path.iter().rposition(|p| p.0 < (94.0_f64 / 45.5).log2() - 1e-3).unwrap() as f64 * FRAME_S;
    assert!((last - first - 1.0468 / RATE).abs() < 0.2, "{first} s to {last} s");
    for pair in path.windows(2) {
        assert!(pair[1].0 - pair[0].0 <= RATE * FRAME_S + 1e-9);
        assert!(pair[1].1 <= 70.0 + 1e-6);
    }
    assert!(celsius > 69.99, "{celsius}");
    assert!((ramp.stops() - (94.0_f64 / 45.5).log2()).abs() < 1e-6);
    assert!(!ramp.held(0).limit_won);
}

/// Source: the requirement: the limit wins, and says so.
#[test]
fn a_lamp_found_at_its_limit_comes_down_at_once_and_says_that_the_limit_won() {
    let (mut ramp, mut celsius) = (Ramp::new(1), 30.0);
    alone(&mut ramp, &mut celsius, FULL_W, 40);
    assert_eq!(ramp.held(0).share(), 1.0);
    celsius = 70.0;
    alone(&mut ramp, &mut celsius, FULL_W, 1);
    assert!(ramp.held(0).limit_won);
    assert!((ramp.held(0).share() - 45.5 / 94.0).abs() < 1e-9);
    // The common offset catches up at its own rate, and then it is an offset like any other.
    alone(&mut ramp, &mut celsius, FULL_W, 40 * 25);
    assert!(!ramp.held(0).limit_won);
    assert!((ramp.stops() - (94.0_f64 / 45.5).log2()).abs() < 1e-6);
}

/// Source: the requirement: a lowering that was asked for passes at once.
#[test]
fn a_lowering_passes_at_once_and_a_raise_comes_back_slowly() {
    let (mut ramp, mut celsius) = (Ramp::new(1), 70.0);
    alone(&mut ramp, &mut celsius, FULL_W, 40 * 30);
    assert!((FULL_W * ramp.held(0).share() - 45.5).abs() < 1e-6);
    // Half of what it bears: all of it is sent in the very next frame.
    alone(&mut ramp, &mut celsius, 22.75, 1);
    assert_eq!(ramp.held(0).share(), 1.0);
    alone(&mut ramp, &mut celsius, FULL_W, 1);
    // Asked again, it is held to what the estimate bears, at once.
    let sent = FULL_W * ramp.held(0).share();
    let cap = cap_w(&MAT, ROOM_C, STANDBY_W, celsius, FULL_W, FRAME_S);
    assert!(sent <= cap + 1.0, "{sent} W of {cap} W");
}

/// Source: arithmetic on the rule that it comes up by no more than 0.05 stop/s.
#[test]
fn what_is_held_says_when_it_ends() {
    let (mut ramp, mut celsius) = (Ramp::new(1), 70.0);
    alone(&mut ramp, &mut celsius, FULL_W, 40 * 30);
    let full = lamp_now(FULL_W, celsius);
    assert_eq!(ramp.ending(0, &[full], ROOM_C), Some(Ending::NotWhileThisStands));
    // The room cools to where the lamp bears all of it: 94 W + 3 W lead to 25 + 90 K at most.
    let cool = -21.0;
    match ramp.ending(0, &[full], cool) {
        Some(Ending::In(s)) => assert!((s - 1.0468 / RATE).abs() < 0.1, "{s} s"),
        other => panic!("{other:?}"),
    }
    assert_eq!(Ramp::new(1).ending(0, &[full], ROOM_C), None);
}

/// Source: the rule that unknown is hot, and `cold` ends it.
#[test]
fn an_unknown_lamp_is_taken_to_stand_at_its_limit_until_a_person_says_cold() {
    let unknown = Estimate::unknown(&MAT, ROOM_C);
    assert_eq!((unknown.celsius, unknown.over_k), (70.0, 45.0));
    let later = unknown.after(&MAT, ROOM_C, 0.0, 1800.0);
    // After a time constant in the dark 1/e of the doubt is left, and all of the estimate is doubt.
    assert!((later.over_k - 45.0 / std::f64::consts::E).abs() < 1e-9);
    assert!((later.celsius - ROOM_C - later.over_k).abs() < 1e-9);
    assert_eq!(Estimate::cold(ROOM_C), Estimate { celsius: 25.0, over_k: 0.0 });
    // A room that is hotter than the limit is hotter than the limit.
    assert_eq!(Estimate::unknown(&MAT, 80.0).celsius, 80.0);
}

/// Source: the requirement: a gap counts at the last power unless the profile says that the lamp goes dark.
#[test]
fn a_gap_counts_at_the_last_power_unless_the_lamp_is_known_to_go_dark() {
    let start = Estimate { celsius: 40.0, over_k: 0.0 };
    let gap = |stop, s| start.over_gap(&MAT, ROOM_C, (97.0, STANDBY_W), stop, s).celsius;
    let at_full = MAT.after(ROOM_C, 40.0, 97.0, 600.0);
    assert_eq!(gap(FramesStop::Hold, Some(600.0)), at_full);
    assert_eq!(gap(FramesStop::Unknown, Some(600.0)), at_full);
    let held = FramesStop::HoldThenDark(Duration::from_secs(120));
    let then_dark = MAT.after(ROOM_C, MAT.after(ROOM_C, 40.0, 97.0, 120.0), STANDBY_W, 480.0);
    assert_eq!(gap(held, Some(600.0)), then_dark);
    assert_eq!(gap(held, Some(60.0)), MAT.after(ROOM_C, 40.0, 97.0, 60.0));
    let dark = FramesStop::HoldThenDark(Duration::ZERO);
    assert_eq!(gap(dark, Some(600.0)), MAT.after(ROOM_C, 40.0, STANDBY_W, 600.0));
    // No clock: the hottest of all lengths. For ever at 97 W is 115 degrees.
    assert!((gap(FramesStop::Unknown, None) - 115.0).abs() < 1e-9);
    assert_eq!(gap(held, None), MAT.after(ROOM_C, 40.0, 97.0, 120.0));
    assert_eq!(gap(dark, None), 40.0);
}

/// Source: json is the state file's form; there and back is the same.
#[test]
fn an_estimate_survives_a_state_file() {
    let estimate = Estimate { celsius: 61.300_000_000_000_004, over_k: 0.1 };
    let text = serde_json::to_string(&estimate).unwrap();
    let read: Estimate = serde_json::from_str(&text).unwrap();
    // The parser may be off by the last bit of a double.
    assert!((read.celsius - estimate.celsius).abs() < 1e-12 && read.over_k == estimate.over_k);
}

/// Source: arithmetic: a body that was dark for the rest that is named can do what was asked, one that
/// rested a minute less cannot.
#[test]
fn the_rest_that_is_named_is_enough_and_no_more() {
    let work = (FULL_W, 600.0);
    let rest = rest_needed_s(&MAT, ROOM_C, STANDBY_W, 70.0, work).unwrap();
    let holds = |s: f64| {
        let rested = MAT.after(ROOM_C, 70.0, STANDBY_W, s);
        time_to_hold_s(&MAT, ROOM_C, STANDBY_W, rested, FULL_W).unwrap()
    };
    assert!((holds(rest) - 600.0).abs() < 1e-6);
    assert!(holds(rest - 60.0) < 600.0);
    // An hour at full is more than a cold mat can do; half an hour of half its power is no work at all.
    assert_eq!(rest_needed_s(&MAT, ROOM_C, STANDBY_W, 70.0, (FULL_W, 3600.0)), None);
    assert_eq!(rest_needed_s(&MAT, ROOM_C, STANDBY_W, 70.0, (40.0, 1800.0)), Some(0.0));
}

/// Source: arithmetic: 25 + 3 W of standby at 90/97 K/W is 27.8 degrees, over a limit of 27.
#[test]
fn a_lamp_that_even_standby_takes_to_its_limit_is_dark_and_leaves_the_others_alone() {
    let hot = Model::new(90.0 / 97.0, 1800.0, 27.0);
    assert_eq!(cap_w(&hot, ROOM_C, STANDBY_W, 20.0, FULL_W, FRAME_S), 0.0);
    assert_eq!(time_to_hold_s(&hot, ROOM_C, STANDBY_W, 20.0, FULL_W), Some(0.0));
    let lamps = [LampNow { body: Some((hot, 20.0)), ..lamp_now(FULL_W, 0.0) }, lamp_now(40.0, 30.0)];
    let mut ramp = Ramp::new(2);
    ramp.step(&lamps, ROOM_C, FRAME_S);
    assert!(ramp.held(0).dark);
    assert_eq!((ramp.held(0).share(), ramp.held(1).share()), (0.0, 1.0));
}

/// Source: the ratio rule, and arithmetic: a look that is recalled onto a hot lamp lands with its ratio.
#[test]
fn a_look_that_a_hot_lamp_cannot_give_opens_with_its_ratio() {
    let key = |asked_w| lamp_now(asked_w, 70.0);
    let fill = |asked_w| LampNow { body: None, ..lamp_now(asked_w, 0.0) };
    let mut ramp = Ramp::new(2);
    for _ in 0..40 {
        ramp.step(&[key(45.5), fill(10.0)], ROOM_C, FRAME_S);
    }
    assert!(ramp.free());
    let opening = Ramp::opening(&[key(91.0), fill(10.0)], ROOM_C, 2.0, FRAME_S);
    assert!((opening - 1.0).abs() < 1e-9, "91 W asked, 45.5 W borne: one stop, {opening}");
    ramp.recalled(opening, 2.0);
    for frame in 1..=80 {
        let asked = 45.5 * f64::from(frame).mul_add(1.0 / 80.0, 0.0).exp2();
        ramp.step(&[key(asked), fill(10.0)], ROOM_C, FRAME_S);
        let ratio = (ramp.held(0).stops - ramp.held(1).stops).abs();
        assert!(ratio < 1e-6, "frame {frame}: {ratio} stops apart");
    }
    assert!((ramp.stops() - 1.0).abs() < 1e-6 && !ramp.held(0).limit_won);
}

/// Source: the closed form for the first moment; arithmetic for the end: log2(94/45.5).
#[test]
fn a_forecast_names_the_first_lamp_its_moment_and_the_stops_at_the_end() {
    let lamps = [
        LampAhead { model: Some(MAT), standby_w: STANDBY_W, celsius: ROOM_C },
        LampAhead { model: None, standby_w: 0.0, celsius: ROOM_C },
    ];
    let look = |for_s, watts| Coming { for_s, lamps: vec![(true, watts), (true, 20.0)] };
    let seen = forecast(&lamps, ROOM_C, &[look(600.0, FULL_W), look(3600.0, FULL_W), look(60.0, 40.0)]);
    assert_eq!((seen[0].first, seen[0].stops_at_end), (None, 0.0));
    let all = time_to_hold_s(&MAT, ROOM_C, STANDBY_W, ROOM_C, FULL_W).unwrap();
    let (lamp, after_s) = seen[1].first.unwrap();
    assert_eq!(lamp, 0);
    assert!((600.0 + after_s - all).abs() < 2.0, "{after_s} s, said {all} s");
    assert!((seen[1].stops_at_end - (94.0_f64 / 45.5).log2()).abs() < 1e-3);
    assert!((seen[1].celsius_at_end[0] - 70.0).abs() < 0.05);
    // What it bears for ever is given in full, though it is hot.
    assert_eq!((seen[2].first, seen[2].stops_at_end), (None, 0.0));
}

/// Source: the requirement: it comes up again, slowly; arithmetic: one stop takes 20 s.
#[test]
fn when_the_room_cools_light_comes_up_by_a_twentieth_of_a_stop_a_second() {
    let mut ramp = Ramp::new(1);
    let full = lamp_now(FULL_W, 70.0);
    for _ in 0..40 * 30 {
        ramp.step(&[full], ROOM_C, FRAME_S);
    }
    assert!((ramp.stops() - 1.0468).abs() < 1e-3);
    let cool = -21.0;
    let mut last = ramp.stops();
    for frame in 0..40 * 30 {
        ramp.step(&[LampNow { body: Some((MAT, 60.0)), ..full }], cool, FRAME_S);
        let moved = last - ramp.stops();
        assert!((-1e-12..=RATE * FRAME_S + 1e-12).contains(&moved), "frame {frame}: {moved} stops");
        last = ramp.stops();
    }
    assert!(ramp.free());
}

/// Source: the rule that nothing hunts; arithmetic: 28 - 25 K are 3.23 W, 0.23 W of them light, which is
/// 8.7 stops under 94 W.
#[test]
fn a_lamp_that_had_to_go_dark_stays_dark_while_it_can_bear_no_light() {
    let model = Model::new(90.0 / 97.0, 1800.0, 28.0);
    let mut ramp = Ramp::new(1);
    let (mut celsius, mut dark_since) = (ROOM_C, None);
    for second in 0..7200 {
        let lamp = LampNow { body: Some((model, celsius)), ..lamp_now(FULL_W, 0.0) };
        ramp.step(&[lamp], ROOM_C, 1.0);
        let held = ramp.held(0);
        celsius = model.after(ROOM_C, celsius, FULL_W * held.share() + STANDBY_W, 1.0);
        assert!(celsius <= 28.0 + 1e-6);
        if held.dark && dark_since.is_none() {
            dark_since = Some(second);
        }
        assert_eq!(held.dark, dark_since.is_some(), "second {second}");
    }
    assert!(dark_since.is_some());
}
