//! A set that is started anew. Source of what is expected: docs/interface.md, part 2, *Starting*, and
//! practice.md, pain 16; the frames before are the judge of those after.

use crate::properties::{any_request, cases};
use crate::rig::{Rig, slots};
use lampkeep::clock::{Clock, VirtualClock};
use lampkeep::control::{FailureKind, Request};
use lampkeep::engine::{Kept, KeptScene, Options, ProtectFound, Start};
use lampkeep::plan::{FramesStop, OnStart, Plan, load};
use lampkeep::state_file::{self, When};
use proptest::prelude::*;
use std::sync::{Arc, LazyLock};
use std::time::Duration;

/// The demo with lamps that hold the last frame; those that may be dark are in `soft`.
static DEMO: LazyLock<Plan> = LazyLock::new(|| {
    let mut plan = load::demo();
    for fixture in &mut plan.fixtures {
        Arc::make_mut(&mut fixture.profile).when_frames_stop = FramesStop::Hold;
    }
    plan
});

/// Through the file and back, as a daemon does it.
fn through_the_file(kept: &Kept) -> Kept {
    let when = when("boot", 1000);
    let text = state_file::text(kept, &when);
    let start = state_file::read(text.as_bytes(), &when).expect("its own file is read");
    let mut read = start.kept.expect("something was kept");
    assert_eq!((start.gap_s, start.same_boot), (Some(0.0), true));
    if let (Some(read), Some(kept)) = (&mut read.take, &kept.take) {
        // Written for people; the engine knows no wall time.
        read.started.clone_from(&kept.started);
    }
    assert_eq!(read, *kept, "to the last bit");
    read
}

fn when(boot_id: &str, since_boot_s: u64) -> When {
    let wall = VirtualClock::start().wall();
    When { wall, boot_id: boot_id.to_owned(), since_boot: Duration::from_secs(since_boot_s) }
}

fn kept(rig: &Rig) -> Kept {
    through_the_file(&rig.engine.to_keep())
}

fn looks() -> Vec<&'static str> {
    DEMO.looks.iter().filter(|l| !l.targets.is_empty()).map(|l| l.name.as_str()).collect()
}

/// A look without a lamp that moves.
fn still_look() -> &'static str {
    let still =
        |l: &&lampkeep::plan::Look| !l.targets.is_empty() && l.targets.iter().all(|t| t.motion.is_none());
    &DEMO.looks.iter().find(still).expect("a still look").name
}

fn lit(look: &str) -> Rig {
    let mut rig = Rig::new(DEMO.clone());
    rig.done(&format!(r#"{{"do":"recall","look":"{look}","over_s":0}}"#));
    rig.run(20.0);
    rig
}

fn last(rig: &Rig) -> Vec<Vec<u8>> {
    slots(rig.frames.last().expect("frames"))
}

/// What every lamp shows and its slots while it is lit.
fn lit_slots(rig: &Rig) -> Vec<(String, f64, Vec<u8>)> {
    crate::rig::lit(&DEMO, rig.frames.last().expect("frames"))
}

/// A greatest rise counts from the light that stands, not from the dark: nothing dips after a start.
#[test]
fn light_that_returns_does_not_dip_where_a_lamp_may_rise_only_slowly() {
    let mut plan = DEMO.clone();
    for fixture in &mut plan.fixtures {
        fixture.limits.rise_per_s = Some(0.2);
    }
    let mut rig = Rig::new(plan.clone());
    rig.done(&format!(r#"{{"do":"recall","look":"{}","over_s":0}}"#, still_look()));
    rig.run(20.0);
    let stood: Vec<f64> = rig.status().fixtures.iter().map(|f| f.sent.lux).collect();
    let mut other = plan.clone();
    other.hash.push_str("-other");
    for plan in [plan, other] {
        let mut after = Rig::again(plan, rig.engine.to_keep(), 0.2);
        for n in 0..80 {
            after.frame();
            let sent = after.status().fixtures.into_iter().map(|f| f.sent.lux);
            for (was, is) in stood.iter().zip(sent) {
                // Solved anew it may round to another step.
                assert!((is - was).abs() <= 0.02 * was, "frame {n}: {is} lx, it stood at {was}");
            }
        }
    }
}

/// A lamp that was tried beside its address is tried no longer; the light that stood returns.
#[test]
fn a_death_while_a_lamp_is_tried_beside_its_address_loses_no_light() {
    let mut rig = lit(still_look());
    let stood = lit_slots(&rig);
    rig.done(r#"{"do":"rollcall","lamp":"fill","shift":1}"#);
    rig.run(0.5);
    let mut after = Rig::again(DEMO.clone(), kept(&rig), 0.2);
    after.frame();
    assert!(is_dark(&after), "as in the line check");
    after.run(3.0);
    assert_eq!(lit_slots(&after), stood);
}

fn is_dark(rig: &Rig) -> bool {
    rig.status().fixtures.iter().all(|f| f.sent.lux == 0.0)
}

proptest! {
    #![proptest_config(cases(40))]

    /// Whatever was asked before and whenever the daemon dies, the first frame is the last one.
    #[test]
    fn the_first_frame_after_a_restart_is_the_last_one_before_it(
        requests in proptest::collection::vec((any_request(), 0..60_u64), 1..12),
        gap_s in prop_oneof![Just(0.0), 0.0..1.0],
    ) {
        let mut rig = Rig::new(DEMO.clone());
        rig.frame();
        let mut beside = false;
        for (request, frames) in requests {
            if let Request::Rollcall { shift, .. } = &request {
                beside |= *shift != 0;
            }
            // A reload of the same plan changes nothing; absent lamps are dark as they were.
            rig.ask(request);
            for _ in 0..=frames {
                rig.frame();
            }
        }
        // A held lamp is sent zero anew, in whatever colour it will have, and what a lamp was tried with beside its
        // address ends: there light alone is the same.
        let beside = beside && rig.status().now.look == "rollcall";
        let same = |a: &Rig, b: &Rig| {
            if beside || a.status().protect.on { lit_slots(a) == lit_slots(b) } else { last(a) == last(b) }
        };
        // What holds lamps holds them after the start too: the machine's own file says so.
        let protect = if rig.status().protect.on { ProtectFound::On } else { ProtectFound::Off };
        let again = |kept| {
            let start = Start { kept: Some(kept), gap_s: Some(gap_s), same_boot: true, ..Start::default() };
            let options = Options { simulate: true, protect: protect.clone(), ..Options::default() };
            Rig::starting(DEMO.clone(), options, start)
        };
        let mut after = again(kept(&rig));
        after.frame();
        prop_assert!(same(&after, &rig), "{:?} {:?}", lit_slots(&after), lit_slots(&rig));
        let (was, now) = (rig.status(), after.status());
        prop_assert_eq!(was.now.nudged, now.now.nudged);
        if was.now.look != "rollcall" {
            prop_assert_eq!(&was.now.look, &now.now.look);
        }
        // And it can be killed again at once.
        let mut third = again(kept(&after));
        third.frame();
        prop_assert!(same(&third, &rig), "{:?} {:?}", lit_slots(&third), lit_slots(&rig));
        // And goes on to where the one that never died goes: nothing is worked out to other slots later.
        let by_itself = was.now.scheduled.is_some() || was.now.look == "rollcall";
        if !by_itself && gap_s == 0.0 {
            rig.run(8.0);
            after.run(8.0);
            let landed = |rig: &Rig| rig.status().now.fade_left_s == 0.0;
            if landed(&rig) && landed(&after) {
                prop_assert_eq!(&lit_slots(&after), &lit_slots(&rig));
            }
        }
    }

    /// practice.md, pain 16: cut at every byte of the write there is a valid state; and whatever stands in the
    /// file, nothing panics and no lamp is lit by it unless it is a whole file of ours.
    #[test]
    fn a_spoilt_file_is_refused_or_harmless(
        cut in 0.0..1.0_f64,
        spoils in proptest::collection::vec((0.0..1.0_f64, any::<u8>()), 0..6),
        gap_s in 0.0..200.0,
    ) {
        let mut rig = lit(looks()[0]);
        rig.done(r#"{"do":"take-start"}"#);
        rig.frame();
        let when = when("boot", 1000);
        let good = state_file::text(&rig.engine.to_keep(), &when).into_bytes();
        let mut bytes = good.clone();
        for (at, byte) in &spoils {
            let at = ((bytes.len() - 1) as f64 * at) as usize;
            bytes[at] = *byte;
        }
        if spoils.is_empty() {
            bytes.truncate((bytes.len() as f64 * cut) as usize);
            prop_assert!(state_file::read(&bytes, &when).is_err() || bytes.len() + 1 >= good.len());
        }
        if let Ok(mut start) = state_file::read(&bytes, &when) {
            start.gap_s = Some(gap_s);
            let mut after = Rig::from(DEMO.clone(), start);
            after.run(3.0);
            after.done(r#"{"do":"dark","now":true}"#);
            after.run(0.5);
            prop_assert!(is_dark(&after));
        }
    }

    /// A digit for a digit is JSON still: figures that cannot be must not reach the light.
    #[test]
    fn figures_from_elsewhere_make_nothing_panic(digits in proptest::collection::vec((0.0..1.0_f64, b'0'..=b'9'), 1..40)) {
        let rig = lit(looks()[0]);
        let when = when("boot", 1000);
        let mut bytes = state_file::text(&rig.engine.to_keep(), &when).into_bytes();
        let places: Vec<usize> = (0..bytes.len()).filter(|i| bytes[*i].is_ascii_digit()).collect();
        for (at, digit) in digits {
            bytes[places[((places.len() - 1) as f64 * at) as usize]] = digit;
        }
        if let Ok(start) = state_file::read(&bytes, &when) {
            let mut after = Rig::from(DEMO.clone(), Start { gap_s: Some(1.0), same_boot: true, ..start });
            after.run(2.0);
            let finite = |f: &lampkeep::control::FixtureStatus| f.sent.lux.is_finite() && f.asked.lux.is_finite();
            prop_assert!(after.status().fixtures.iter().all(finite));
        }
    }
}

#[test]
fn after_a_minute_or_in_another_boot_it_is_dark_and_again_brings_the_light_back() {
    let rig = lit(still_look());
    let before = last(&rig);
    let starts = [
        ("59.9 s, same boot", Some(59.9), true, true),
        ("60 s", Some(60.0), true, false),
        ("another boot", Some(1.0), false, false),
        ("no clock tells", None, true, false),
    ];
    for (why, gap_s, same_boot, returns) in starts {
        let start = Start { kept: Some(kept(&rig)), gap_s, same_boot, ..Start::default() };
        let mut after = Rig::from(DEMO.clone(), start);
        after.frame();
        assert_eq!(!is_dark(&after), returns, "{why}");
        let kinds: Vec<_> = after.alerts.iter().map(|(n, kind, _)| (*n, kind.as_str())).collect();
        let told = if returns { "light-returned" } else { "light-not-returned" };
        assert_eq!(kinds, [(0, told)], "{why}: {:?}", after.alerts);
        if !returns {
            assert!(after.told[0].contains("`lampkeep again` brings it back"), "{:?}", after.told);
            after.run(3.0);
            assert!(is_dark(&after), "{why}: dark until asked");
            after.done(r#"{"do":"again"}"#);
            after.run(30.0);
            assert_eq!(last(&after), before, "{why}");
        }
    }
}

/// The state may be ten seconds old when the daemon dies; a sign of life tells of the rest.
#[test]
fn the_time_away_counts_from_the_last_sign_of_life_and_heat_and_takes_from_the_last_keeping() {
    let mut rig = lit(still_look());
    rig.done(r#"{"do":"take-start"}"#);
    rig.run(5.0);
    let start = Start {
        kept: Some(kept(&rig)),
        gap_s: Some(68.0),
        alive_s: Some(58.0),
        same_boot: true,
        ..Start::default()
    };
    let mut after = Rig::from(DEMO.clone(), start);
    after.frame();
    assert_eq!(last(&after), last(&rig), "away for less than a minute");
    let said = after.done(r#"{"do":"take-end"}"#);
    assert!(said.contains("over after 73 s"), "{said}");
    assert!(said.contains("the daemon was away for 58 s after 15 s"), "{said}");
}

#[test]
fn on_start_has_its_say_only_where_the_light_does_not_return() {
    let rig = lit(looks()[0]);
    let mut plan = DEMO.clone();
    let other = plan.look_named(looks()[1]).expect("there");
    plan.on_start = OnStart::Look(other);
    let mut soon = Rig::again(plan.clone(), kept(&rig), 5.0);
    soon.frame();
    assert_eq!(soon.status().now.look, looks()[0]);
    let mut late = Rig::again(plan, kept(&rig), 100.0);
    late.frame();
    assert_eq!(late.status().now.look, looks()[1]);
}

#[test]
fn with_another_plan_the_look_is_solved_anew_by_its_name_or_it_is_dark() {
    let mut rig = lit(still_look());
    rig.done(r#"{"do":"nudge","lamp":"all","stops":-0.5}"#);
    rig.run(2.0);
    let mut plan = DEMO.clone();
    plan.hash = "0123456789abcdef".to_owned();
    // Its looks stand in another order.
    plan.looks.rotate_left(1);
    plan.order.clear();
    plan.rest = None;
    let mut after = Rig::again(plan.clone(), kept(&rig), 5.0);
    after.frame();
    assert_eq!(after.status().now.look, still_look());
    assert!(after.told[0].contains("solved anew, without its nudges"), "{:?}", after.told);
    let fresh = lit(still_look());
    for (now, wanted) in lit_slots(&after).iter().zip(lit_slots(&fresh)) {
        // At once, but for a lamp with a greatest rise, and that one from where it stood.
        assert!(now.1 >= wanted.1 * 0.7, "{now:?} {wanted:?}");
    }
    after.run(3.0);
    assert_eq!(lit_slots(&after), lit_slots(&fresh));
    plan.looks.retain(|l| l.name != still_look());
    let mut gone = Rig::again(plan, kept(&rig), 5.0);
    gone.frame();
    assert!(is_dark(&gone));
    assert!(gone.told[0].contains("no longer in the plan"), "{:?}", gone.told);
}

#[test]
fn a_take_that_rolled_goes_on_marked_after_a_short_gap_and_is_told_as_cut_off_after_a_long_one() {
    let mut rig = lit(still_look());
    rig.done(r#"{"do":"take-start","slate":"4"}"#);
    rig.run(30.0);
    let mut after = Rig::again(DEMO.clone(), kept(&rig), 7.0);
    after.frame();
    assert_eq!(after.status().now.take.as_deref(), Some("4/1"));
    let refused = after.json(&format!(r#"{{"do":"recall","look":"{}"}}"#, looks()[1]));
    assert_eq!(refused.error.map(|e| e.kind), Some(FailureKind::Guarded), "the lock holds on");
    assert!(after.alerts.iter().any(|(_, kind, said)| kind == "take-gap" && said.contains("4/1")));
    after.run(3.0);
    let answer = after.json(r#"{"do":"take-end"}"#);
    let said = answer.said.expect("it ends");
    assert!(said.contains("take 4/1 over after 40 s"), "{said}");
    assert!(said.contains("interrupted: the daemon was away for 7.0 s after 30 s"), "{said}");
    assert!(after.done(r#"{"do":"take-start"}"#).contains("take 4/2 rolls"), "slate and count are kept");

    let mut late = Rig::again(DEMO.clone(), kept(&rig), 600.0);
    late.frame();
    assert_eq!(late.status().now.take, None);
    let cut = late.alerts.iter().find(|(_, kind, _)| kind == "take-cut").expect("it is told");
    assert!(cut.2.contains("take 4/1 interrupted after 30 s: the daemon was away for 10 min"), "{}", cut.2);
    late.run(1.0);
    assert!(late.done(r#"{"do":"take-start"}"#).contains("take 4/2 rolls"), "4/1 was counted");
}

#[test]
fn again_passes_in_a_take_that_was_darkened_before_the_restart() {
    let mut rig = lit(still_look());
    rig.done(r#"{"do":"take-start"}"#);
    rig.run(1.0);
    rig.done(r#"{"do":"dark","now":true}"#);
    rig.run(1.0);
    let mut after = Rig::again(DEMO.clone(), kept(&rig), 2.0);
    after.run(1.0);
    after.done(r#"{"do":"again"}"#);
    after.run(10.0);
    assert!(!is_dark(&after));
    assert!(after.done(r#"{"do":"take-end"}"#).contains("light changed: dark after 1.0 s"));
}

#[test]
fn a_fade_goes_on_where_it_was_and_rest_ends_when_it_would_have() {
    let mut rig = lit(looks()[0]);
    rig.done(&format!(r#"{{"do":"recall","look":"{}","over_s":10}}"#, still_look()));
    rig.run(4.0);
    let mut after = Rig::again(DEMO.clone(), kept(&rig), 2.0);
    after.frame();
    let left = after.status().now.fade_left_s;
    assert!((left - 6.0).abs() < 0.1, "{left}");
    after.run(40.0);
    rig.run(40.0);
    assert_eq!(last(&after), last(&rig));

    let mut rig = lit(looks()[0]);
    rig.done(r#"{"do":"rest"}"#);
    let rest_s = DEMO.rest_for.as_secs_f64();
    rig.run(rest_s - 30.0);
    let mut after = Rig::again(DEMO.clone(), kept(&rig), 20.0);
    after.run(5.0);
    assert!(!is_dark(&after));
    after.run(10.0);
    assert!(is_dark(&after), "the minutes away count");
    after.done(r#"{"do":"again"}"#);
    after.run(5.0);
    assert_eq!(after.status().now.look, looks()[0]);
}

#[test]
fn what_was_scheduled_is_forgotten_and_said_so() {
    let mut rig = lit(looks()[0]);
    rig.done(&format!(r#"{{"do":"recall","look":"{}","in_s":5}}"#, looks()[1]));
    rig.frame();
    let mut after = Rig::again(DEMO.clone(), kept(&rig), 1.0);
    after.run(10.0);
    assert_eq!(
        after.status().now.look,
        looks()[0],
        "light never changes by what was meant for another moment"
    );
    assert!(
        after.alerts.iter().any(|(_, kind, said)| kind == "scheduled-refused" && said.contains("forgotten"))
    );
}

#[test]
fn a_light_that_moves_goes_on_from_where_it_was() {
    let moving = |l: &&lampkeep::plan::Look| l.targets.iter().any(|t| t.motion.is_some());
    let look = &DEMO.looks.iter().find(moving).expect("a look that moves").name;
    let mut rig = lit(look);
    let mut after = Rig::again(DEMO.clone(), kept(&rig), 3.0);
    after.frame();
    assert_eq!(last(&after), last(&rig));
    for n in 0..200 {
        rig.frame();
        after.frame();
        assert_eq!(last(&after), last(&rig), "frame {n}");
    }
    // It is kept every ten seconds only, and went on until the last sign of life.
    let (kept, alive_s) = (kept(&rig), Some(0.5));
    rig.run(7.0);
    let gap_s = Some(7.5);
    let start = Start { kept: Some(kept), gap_s, alive_s, same_boot: true, ..Start::default() };
    let mut after = Rig::from(DEMO.clone(), start);
    after.frame();
    assert_eq!(lit_slots(&after), lit_slots(&rig), "where it was when the daemon died");
    rig.keeps.clear();
    rig.run(60.0);
    assert!(rig.keeps.len() <= 7, "no disk is written each second for it: {}", rig.keeps.len());
}

#[test]
fn what_a_battery_gave_comes_through_and_so_does_the_mark_of_a_spoilt_file() {
    let mut plan = DEMO.clone();
    let look = plan.looks.iter().position(|l| l.name == still_look()).expect("there");
    let lamp = plan.looks[look].targets[0].fixture.0;
    (plan.fixtures[lamp].battery_wh, plan.fixtures[lamp].circuit) = (Some(98.0), None);
    let mut rig = Rig::new(plan.clone());
    rig.done(&format!(r#"{{"do":"recall","look":"{}"}}"#, still_look()));
    rig.run(60.0);
    let given = kept(&rig).batteries;
    assert!(given.len() == 1 && given[0].used_wh > 0.0, "{given:?}");
    for gap_s in [1.0, 1e6] {
        let after = Rig::again(plan.clone(), kept(&rig), gap_s);
        assert_eq!(after.engine.to_keep().batteries, given);
    }
    let fault = Some("it is not what lampkeep writes".to_owned());
    let mut spoilt = Rig::from(DEMO.clone(), Start { fault, ..Start::default() });
    spoilt.frame();
    assert!(is_dark(&spoilt));
    assert!(
        spoilt.alerts[0].1 == "state-unreadable" && spoilt.alerts[0].2.contains("heat counts as unknown")
    );
}

#[test]
fn the_state_is_kept_at_each_change_at_most_once_a_second_and_at_once_with_a_take() {
    let mut rig = Rig::new(DEMO.clone());
    rig.run(5.0);
    rig.keeps.clear();
    rig.done(&format!(r#"{{"do":"recall","look":"{}","over_s":4}}"#, still_look()));
    let rate = u64::from(DEMO.frames.rate());
    rig.run(5.0);
    let frames: Vec<u64> = rig.keeps.iter().map(|(n, _)| *n).collect();
    assert!((4..=7).contains(&frames.len()), "{frames:?}");
    assert!(frames.windows(2).all(|pair| pair[1] - pair[0] >= rate), "{frames:?}");
    let lit = rig.keeps.last().expect("kept").1.light.clone().expect("light");
    assert_eq!(lit.scene, KeptScene::Look(still_look().to_owned()));
    assert!(lit.lamps.iter().all(|l| l.fade_left_s == 0.0), "its end too");
    rig.keeps.clear();
    rig.done(r#"{"do":"take-start"}"#);
    rig.frame();
    assert!(rig.keeps.len() == 1 && rig.keeps[0].1.take.is_some(), "at once");
    rig.frame();
    rig.done(r#"{"do":"take-end"}"#);
    rig.frame();
    assert!(rig.keeps.len() == 2 && rig.keeps[1].1.take.is_none(), "at once");
    rig.keeps.clear();
    rig.run(60.0);
    assert!((5..=8).contains(&rig.keeps.len()), "now and then in any case: {}", rig.keeps.len());
    // Every request that changes light is followed by a keeping within a second.
    rig.ask(Request::Dark { now: true });
    rig.keeps.clear();
    rig.run(1.1);
    assert!(rig.keeps.iter().any(|(_, k)| k.light.as_ref().is_some_and(|l| l.scene == KeptScene::Dark)));
}
