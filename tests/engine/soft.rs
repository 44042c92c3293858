//! Lamps that may be dark. Source of what is expected: the requirement on dimming and docs/interface.md, part 2, *Starting*.

use crate::rig::{Rig, lit, slots};
use lampkeep::engine::{Event, Start};
use lampkeep::plan::diagnose::{Form, render};
use lampkeep::plan::{Plan, load};
use proptest::prelude::*;

/// One lamp of each kind, on an output of their own; 16-bit levels, no floor unless `more` says so.
fn plan(more: &str) -> Plan {
    let kinds = [
        ("holds", "when-frames-stop = \"hold\""),
        ("unsaid", ""),
        ("five", "when-frames-stop = { hold-for = \"5 s\" }"),
        ("none", "when-frames-stop = \"dark\""),
    ];
    let mut text = String::from(
        "[camera.main]\niso = 800\nf-number = 2.8\nshutter = \"1/50\"\n[output.desk]\nkind = \"simulator\"\n",
    );
    for (i, (id, says)) in kinds.iter().enumerate() {
        text.push_str(&format!(
            "[profile.{id}-spot]\ncooling = \"fan\"\n{says}\nemitter.white = {{ kelvin = 5600, lux = 1600, watts = \"100 W\" }}\n\
             mode.dim = {{ slots = [{{ drives = \"intensity\", bits = 16 }}] }}\n{more}\n\
             [fixture.{id}]\nprofile = \"{id}-spot\"\naddress = {}\nclock = \"{}:30\"\nheight = \"1.9 m\"\ndistance = \"1.5 m\"\n",
            1 + 10 * i,
            4 + i
        ));
    }
    text.push_str("[look.work]\n");
    for (id, _) in kinds {
        text.push_str(&format!("{id} = {{ of-full = \"80 %\" }}\n"));
    }
    let dir = tempfile::tempdir().expect("a folder");
    let path = dir.path().join("quay.toml");
    std::fs::write(&path, text).expect("written");
    load::load(&path).unwrap_or_else(|e| panic!("{}", render(&e, Form::Plain)))
}

/// Longest gap after which each of them is known to show the last frame still, in seconds: what the profile
/// says, and a second where it says nothing.
const HOLDS_S: [(&str, f64); 4] = [("holds", f64::INFINITY), ("unsaid", 1.0), ("five", 5.0), ("none", 0.0)];
const WORK: &str = r#"{"do":"recall","look":"work","over_s":0}"#;

fn standing(more: &str) -> Rig {
    let mut rig = Rig::new(plan(more));
    rig.frame();
    tell(&mut rig, None);
    rig.done(WORK);
    rig.run(3.0);
    rig
}

fn tell(rig: &mut Rig, for_s: Option<f64>) {
    let now = rig.engine.plan().frames.moment_of(rig.engine.next_frame());
    drop(rig.engine.handle(Event::Silent(0, for_s), now));
}

/// The output is silent for `gap_s`, told of each frame from 0.1 s on, as the loop does.
fn gap(rig: &mut Rig, gap_s: f64) {
    for n in 1..=(gap_s * 40.0) as u64 {
        let s = n as f64 / 40.0;
        if s > 0.1 {
            tell(rig, Some(s));
        }
        rig.frame();
    }
}

fn lux(rig: &Rig) -> Vec<(String, f64)> {
    lit(rig.engine.plan(), rig.frames.last().expect("frames"))
        .into_iter()
        .map(|(id, lux, _)| (id, lux))
        .collect()
}

proptest! {
    #![proptest_config(crate::properties::cases(24))]
    #[test]
    fn after_a_gap_only_lamps_that_may_be_dark_begin_there_and_all_come_to_the_light_that_stood(gap_s in 0.15..8.0) {
        let mut rig = standing("");
        let stood = (lux(&rig), slots(rig.frames.last().expect("frames")));
        gap(&mut rig, gap_s);
        // What is sent first when the port is back is the newest frame of the gap.
        let newest = lux(&rig);
        for ((id, now), (_, before)) in newest.iter().zip(&stood.0) {
            let holds = HOLDS_S.iter().find(|(name, _)| name == id).expect("listed").1;
            // A frame either way: the gap is told in steps of a frame.
            if gap_s < holds - 0.05 {
                prop_assert_eq!(now, before, "{} holds: unchanged", id);
            } else if gap_s > holds + 0.15 {
                prop_assert_eq!(*now, 0.0, "{} may be dark", id);
            }
        }
        tell(&mut rig, None);
        let mut before = newest;
        for n in 0..60 {
            rig.frame();
            let now = lux(&rig);
            for ((id, now), (_, was)) in now.iter().zip(&before) {
                prop_assert!(now >= was, "{} never falls: frame {}", id, n);
            }
            before = now;
        }
        prop_assert_eq!(slots(rig.frames.last().expect("frames")), stood.1);
        let told = rig.alerts.iter().filter(|(_, kind, _)| kind == "soft-start").count();
        prop_assert_eq!(told, 1, "once");
    }
}

/// Source: CIE 15, L* = 116 (Y/Yn)^(1/3) - 16: even steps of the cube root are even in lightness.
#[test]
fn it_comes_up_evenly_in_lightness_over_a_second() {
    let mut rig = standing("");
    let stood = lux(&rig)[1].1;
    gap(&mut rig, 3.0);
    tell(&mut rig, None);
    let mut roots = Vec::new();
    for _ in 0..40 {
        rig.frame();
        roots.push((lux(&rig)[1].1 / stood).cbrt());
        assert!(rig.status().fixtures[1].limited_by.contains(&"soft-start".to_owned()));
    }
    for (n, root) in roots.iter().enumerate() {
        // A step of 16 bits under the allowed light, whose cube root is coarse near the dark.
        assert!((root - n as f64 / 40.0).abs() < 0.03, "{n}: {root}");
    }
    rig.frame();
    assert!(rig.status().fixtures[1].limited_by.is_empty());
    let told = &rig.alerts.iter().find(|(_, kind, _)| kind == "soft-start").expect("told").2;
    assert_eq!(
        told,
        "up softly over 1.0 s, since they may be dark: unsaid, none · output desk sent nothing for 3.0 s"
    );
}

#[test]
fn a_lamp_with_a_floor_begins_on_it() {
    let mut rig = standing("floor = \"10 %\"");
    let stood = lux(&rig)[1].1;
    gap(&mut rig, 3.0);
    assert_eq!(lux(&rig)[1].1, 0.0);
    tell(&mut rig, None);
    rig.frame();
    let first = lux(&rig)[1].1 / stood;
    assert!((first - 0.125).abs() < 0.001, "10 % of full of 80 %: {first}");
}

#[test]
fn a_lamp_that_is_dark_when_frames_come_back_is_known_to_be_and_comes_up_as_asked() {
    let mut rig = standing("");
    rig.done(r#"{"do":"dark","now":true}"#);
    rig.frame();
    gap(&mut rig, 3.0);
    tell(&mut rig, None);
    rig.run(1.0);
    rig.done(WORK);
    rig.frame();
    assert!(lux(&rig).iter().all(|(_, lux)| *lux > 100.0), "at once: {:?}", lux(&rig));
    assert!(rig.alerts.is_empty(), "{:?}", rig.alerts);
}

#[test]
fn a_take_does_not_start_while_a_lamp_comes_up_softly() {
    let mut rig = standing("");
    gap(&mut rig, 3.0);
    tell(&mut rig, None);
    rig.frame();
    let error = rig.json(r#"{"do":"take-start"}"#).error.expect("refused");
    assert!(error.said.contains("comes up softly"), "{}", error.said);
    rig.run(1.2);
    rig.done(r#"{"do":"take-start"}"#);
}

#[test]
fn after_a_restart_lamps_that_hold_stand_and_those_that_may_be_dark_come_up() {
    let mut rig = standing("");
    let stood = lux(&rig);
    for gap_s in [0.5, 3.0, 30.0] {
        let mut after = Rig::again(rig.engine.plan().as_ref().clone(), rig.engine.to_keep(), gap_s);
        after.frame();
        for ((id, now), (_, before)) in lux(&after).iter().zip(&stood) {
            let holds = HOLDS_S.iter().find(|(name, _)| name == id).expect("listed").1;
            if gap_s > holds {
                assert_eq!(*now, 0.0, "{gap_s} {id}");
            } else {
                assert_eq!(now, before, "{gap_s} {id}");
            }
        }
        after.run(1.5);
        assert_eq!(lux(&after), stood, "{gap_s}");
    }
    rig.run(1.0);
}

/// The time without frames is one, whoever was away: the daemon for a while, and then the port.
#[test]
fn a_gap_of_the_daemon_and_one_of_the_wire_after_it_count_together() {
    let rig = standing("");
    let stood = lux(&rig);
    for (away_s, silent_s, dark) in [(0.7, 0.2, false), (0.7, 0.6, true), (0.3, 1.0, true)] {
        let mut after = Rig::again(rig.engine.plan().as_ref().clone(), rig.engine.to_keep(), away_s);
        gap(&mut after, silent_s);
        // It says nothing of itself: a second. One that goes dark at once is dark in any case.
        assert_eq!(lux(&after)[1].1 == 0.0, dark, "{away_s} s and {silent_s} s: {:?}", lux(&after));
        assert_eq!((lux(&after)[0].1, lux(&after)[2].1), (stood[0].1, stood[2].1), "these hold");
        assert_eq!(lux(&after)[3].1, 0.0);
        tell(&mut after, None);
        after.run(3.0);
        assert_eq!(lux(&after), stood);
    }
}

#[test]
fn a_start_into_a_look_comes_up_softly_even_where_its_fade_is_a_cut() {
    let mut plan = plan("");
    plan.fade = std::time::Duration::ZERO;
    plan.on_start = lampkeep::plan::OnStart::Look(plan.look_named("work").expect("there"));
    let mut rig = Rig::from(plan, Start::default());
    rig.frame();
    let full = 0.8;
    assert!(lux(&rig).iter().all(|(_, lux)| *lux < full * 1600.0 / 1.5 / 1.5 * 0.1), "{:?}", lux(&rig));
    // The port is not there at first: nobody is up when it comes, not even one that holds.
    gap(&mut rig, 4.0);
    assert!(lux(&rig).iter().all(|(_, lux)| *lux == 0.0), "{:?}", lux(&rig));
    tell(&mut rig, None);
    rig.run(1.2);
    assert!(lux(&rig).iter().all(|(_, lux)| *lux > 100.0));
}

#[test]
fn a_lamp_that_is_back_comes_up_softly() {
    let mut rig = standing("");
    let stood = lux(&rig);
    rig.done(r#"{"do":"absent","lamp":"holds"}"#);
    rig.run(1.0);
    rig.done(r#"{"do":"absent","lamp":"holds","back":true}"#);
    rig.frame();
    assert_eq!(lux(&rig)[0].1, 0.0, "it may have been plugged in just now");
    rig.run(1.2);
    assert_eq!(lux(&rig), stood);
}
