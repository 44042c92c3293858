//! Protection that comes while something is under way: in the very next frame every held lamp's level slots
//! are zero, and nothing that was under way lights them later. Source: the requirement's own rule (cut, not faded;
//! dark until the next recall), and practice.md pains 11 and 34.

use crate::protect::{PLAN, bright, held, off};
use crate::rig::{Rig, lit};
use lampkeep::channels::{Frame, level_channel, value_in};
use lampkeep::engine::{Event, Options, ProtectFound, Start};
use lampkeep::plan::{Drives, Fixture, Motion, Plan};
use lampkeep::units::{Share, Stops};
use std::time::Duration;

/// The plan of the guard's tests with every lamp here, and one look more in which every lamp breathes.
fn plan() -> Plan {
    let mut plan = PLAN.clone();
    for fixture in &mut plan.fixtures {
        fixture.absent = None;
    }
    let mut moving = brightest(&plan);
    moving.name = "yonder-breathes".to_owned();
    for target in &mut moving.targets {
        let (period, depth) = (Duration::from_secs(4), Stops::new(1.0).expect("a stop"));
        target.motion = Some(Motion::Breath { period, depth, phase: Share::NONE });
    }
    plan.looks.push(moving);
    plan
}

fn brightest(plan: &Plan) -> lampkeep::plan::Look {
    plan.looks.iter().max_by_key(|l| if l.protect { 0 } else { l.targets.len() }).expect("looks").clone()
}

/// Lamps on the wire that the brightest look lights.
fn lit_by_it(plan: &Plan) -> Vec<String> {
    let driven = |f: &&Fixture| f.address().is_some();
    let look = brightest(plan);
    let ids = plan.fixture_ids().filter(|id| look.targets.iter().any(|t| t.fixture == *id));
    ids.map(|id| plan.fixture(id)).filter(driven).map(|f| f.id.clone()).collect()
}

/// The level channels of a lamp: its own, or those of all its emitters.
fn levels(fixture: &Fixture) -> Vec<usize> {
    match level_channel(fixture, None) {
        Ok(level) => vec![level],
        Err(_) => {
            let channels = fixture.mode.channels.iter().enumerate();
            channels.filter(|(_, c)| matches!(c.drives, Drives::Emitter(_))).map(|(i, _)| i).collect()
        }
    }
}

/// The first lamp that reaches a face and whose level is not zero.
fn lit_level(plan: &Plan, frames: &[Frame]) -> Option<String> {
    let held = held(plan);
    for fixture in plan.fixtures.iter().filter(|f| held.contains(&f.id)) {
        let Some(address) = fixture.address() else { continue };
        let first = usize::from(address.first) - 1;
        let slots = &frames[address.output.0].slots[first..first + usize::from(fixture.mode.footprint())];
        let levels = levels(fixture);
        assert!(!levels.is_empty(), "{} has a level", fixture.id);
        for level in levels {
            let value = value_in(&fixture.mode.channels[level], slots);
            if value != Some(0) {
                return Some(format!("frame {}: {} at {value:?}", frames[0].number, fixture.id));
            }
        }
    }
    None
}

#[track_caller]
fn all_dark(what: &str, plan: &Plan, frames: &[Vec<Frame>]) {
    assert!(!frames.is_empty());
    for frames in frames {
        assert_eq!(lit_level(plan, frames), None, "{what}");
    }
}

fn gives(rig: &Rig, id: &str) -> f64 {
    let shown = lit(rig.engine.plan(), rig.frames.last().expect("frames"));
    shown.into_iter().find(|(lamp, _, _)| lamp == id).expect("on the wire").1
}

fn calibrate(rig: &mut Rig, id: &str) {
    let plan = rig.engine.plan().clone();
    let fixture = plan.fixtures.iter().find(|f| f.id == id).expect("a lamp");
    let level = levels(fixture)[0];
    let value = fixture.mode.channels[level].bits.max();
    let emitter = match fixture.mode.channels[level].drives {
        Drives::Emitter(e) => format!(r#","emitter":"{}""#, fixture.profile.emitters[e].name),
        _ => String::new(),
    };
    rig.done(&format!(r#"{{"do":"calibrate","lamp":"{id}","value":{value}{emitter}}}"#));
    rig.run(3.0);
}

/// What may be under way, and how it is brought about with this lamp lit.
type UnderWay = (&'static str, fn(&mut Rig, &str));

const UNDER_WAY: &[UnderWay] = &[
    ("a look that stands", |rig, _| bright(rig)),
    ("a rollcall", |rig, id| {
        bright(rig);
        rig.done(r#"{"do":"rollcall","each_s":0.5}"#);
        rig.frame();
        for _ in 0..1000 {
            if gives(rig, id) > 0.0 {
                break;
            }
            rig.frame();
        }
    }),
    ("a wink", |rig, id| {
        bright(rig);
        rig.done(&format!(r#"{{"do":"wink","lamp":"{id}"}}"#));
        rig.run(0.25);
    }),
    ("an only on its way", |rig, id| {
        rig.done(&format!(r#"{{"do":"only","lamp":"{id}"}}"#));
        rig.run(0.4);
    }),
    ("an only", |rig, id| {
        bright(rig);
        rig.done(&format!(r#"{{"do":"only","lamp":"{id}"}}"#));
        rig.run(3.0);
    }),
    ("a fade up", |rig, _| {
        let look = brightest(rig.engine.plan()).name;
        rig.done(&format!(r#"{{"do":"recall","look":"{look}","over_s":4}}"#));
        rig.run(3.0);
    }),
    ("a fade out", |rig, _| {
        bright(rig);
        rig.done(r#"{"do":"dark"}"#);
        rig.run(0.3);
    }),
    ("a calibration", calibrate),
    ("a motion", |rig, _| {
        rig.done(r#"{"do":"recall","look":"yonder-breathes","over_s":0}"#);
        rig.run(11.0);
    }),
];

/// A lamp that reaches a face and is lit, with a plan in which it has changed places with one that reaches none.
fn moved() -> (String, Plan) {
    let to = plan();
    let lit = lit_by_it(&to);
    let at = |id: &str| to.fixtures.iter().position(|f| f.id == id).expect("a lamp");
    let reaching = held(&to);
    for id in lit.iter().filter(|id| reaching.contains(id)) {
        for other in to.fixtures.iter().map(|f| f.id.clone()).filter(|f| !reaching.contains(f)) {
            let mut from = to.clone();
            from.fixtures[at(id)].place = to.fixtures[at(&other)].place.clone();
            from.fixtures[at(&other)].place = to.fixtures[at(id)].place.clone();
            if !held(&from).contains(id) {
                return (id.clone(), from);
            }
        }
    }
    panic!("no two lamps of the demo can change places");
}

#[test]
fn protect_on_darkens_every_held_lamp_in_the_next_frame_whatever_is_under_way() {
    let plan = plan();
    let reaching = held(&plan);
    let ids: Vec<_> = lit_by_it(&plan).into_iter().filter(|id| reaching.contains(id)).collect();
    assert!(ids.len() >= 2, "{ids:?}");
    for (what, begin) in UNDER_WAY {
        for id in &ids {
            let mut rig = Rig::new(plan.clone());
            begin(&mut rig, id);
            assert!(gives(&rig, id) > 0.0, "{what}: {id} is lit before");
            let first = rig.frames.len();
            rig.done(r#"{"do":"protect-on"}"#);
            rig.run(8.0);
            all_dark(&format!("{what} with {id}"), &plan, &rig.frames[first..]);
        }
    }
}

#[test]
fn a_reload_that_moves_a_lamp_towards_a_face_darkens_it_in_the_next_frame_whatever_is_under_way() {
    let (id, from) = moved();
    let to = plan();
    for (what, begin) in UNDER_WAY {
        let mut rig = Rig::new(from.clone());
        rig.done(r#"{"do":"protect-on"}"#);
        let first = rig.frames.len();
        begin(&mut rig, &id);
        assert!(gives(&rig, &id) > 0.0, "{what}: {id} is free and lit before");
        all_dark(what, &from, &rig.frames[first..]);
        let first = rig.frames.len();
        rig.reload(to.clone());
        rig.run(5.0);
        all_dark(&format!("{what} with {id}, reloaded"), &to, &rig.frames[first..]);
    }
}

/// A way to leave the light that stands.
type Leave<'a> = (&'a str, &'a dyn Fn(&mut Rig));

#[test]
fn no_way_back_brings_a_held_lamp_up_before_or_after_off() {
    let (held_lamp, _) = moved();
    let plan = plan();
    let reaching = held(&plan);
    let free = lit_by_it(&plan).into_iter().find(|id| !reaching.contains(id)).expect("a lamp that is free");
    let away: &[Leave<'_>] = &[
        ("dark", &|rig| drop(rig.done(r#"{"do":"dark","now":true}"#))),
        ("only", &|rig| drop(rig.done(&format!(r#"{{"do":"only","lamp":"{free}"}}"#)))),
        ("rest", &|rig| drop(rig.done(r#"{"do":"rest"}"#))),
        ("calibrate", &|rig| calibrate(rig, &free)),
        ("rollcall", &|rig| drop(rig.done(r#"{"do":"rollcall","each_s":0.5}"#))),
    ];
    let back = [r#"{"do":"again"}"#, r#"{"do":"calibrate","end":true}"#];
    for (what, leave) in away {
        for (turned_off, first_before) in [(false, false), (true, false), (true, true)] {
            for order in [[0, 1], [1, 0]] {
                let mut rig = Rig::new(plan.clone());
                bright(&mut rig);
                assert!(gives(&rig, &held_lamp) > 0.0);
                if first_before {
                    leave(&mut rig);
                }
                rig.done(r#"{"do":"protect-on"}"#);
                let from = rig.frames.len();
                if !first_before {
                    leave(&mut rig);
                    rig.run(1.0);
                }
                if turned_off {
                    assert!(off(&mut rig).ok);
                }
                for which in order {
                    // It may have nothing to go back to.
                    rig.json(back[which]);
                    rig.run(4.0);
                }
                all_dark(
                    &format!("{what}, off {turned_off}, {first_before}, {order:?}"),
                    &plan,
                    &rig.frames[from..],
                );
                if turned_off {
                    // Killed now, nothing is held any more, and the way back is as dark as before.
                    let mut rig = Rig::again(plan.clone(), rig.engine.to_keep(), 0.1);
                    rig.run(1.0);
                    for which in order {
                        rig.json(back[which]);
                        rig.run(4.0);
                    }
                    all_dark(&format!("{what}, started again"), &plan, &rig.frames);
                }
            }
        }
    }
}

fn started(plan: &Plan, found: ProtectFound, kept: lampkeep::engine::Kept) -> Rig {
    let options = Options { simulate: true, boot_id: "test".into(), protect: found, ..Options::default() };
    let start = Start { kept: Some(kept), gap_s: Some(0.1), same_boot: true, ..Start::default() };
    Rig::starting(plan.clone(), options, start)
}

#[test]
fn light_that_returns_after_a_restart_lights_no_held_lamp() {
    let (id, _) = moved();
    let same = plan();
    let mut other = plan();
    other.hash.push_str("-other");
    for (what, begin) in UNDER_WAY {
        let mut rig = Rig::new(same.clone());
        begin(&mut rig, &id);
        let kept = rig.engine.to_keep();
        let mut free = started(&same, ProtectFound::Off, kept.clone());
        free.frame();
        assert!(gives(&free, &id) > 0.0, "{what}: it returns lit where nothing is protected");
        for plan in [&same, &other] {
            for found in [ProtectFound::On, ProtectFound::Unreadable("cut short".to_owned())] {
                let mut rig = started(plan, found, kept.clone());
                rig.run(4.0);
                rig.json(r#"{"do":"again"}"#);
                rig.run(4.0);
                rig.done(r#"{"do":"dark","now":true}"#);
                assert!(off(&mut rig).ok);
                rig.json(r#"{"do":"again"}"#);
                rig.run(4.0);
                all_dark(what, plan, &rig.frames);
            }
        }
    }
}

#[test]
fn what_was_held_when_the_daemon_died_is_dark_after_a_start_in_which_nothing_is_protected() {
    // Another set has turned it off meanwhile; here nobody has recalled anything.
    let (id, _) = moved();
    let plan = plan();
    for (what, begin) in UNDER_WAY {
        for at_once in [false, true] {
            let mut rig = Rig::new(plan.clone());
            begin(&mut rig, &id);
            if at_once {
                // Its last frame is still a lit one.
                let now = plan.frames.moment_of(rig.engine.next_frame());
                drop(rig.engine.handle(Event::Protect(ProtectFound::On), now));
            } else {
                rig.done(r#"{"do":"protect-on"}"#);
                rig.run(1.0);
            }
            let mut rig = started(&plan, ProtectFound::Off, rig.engine.to_keep());
            rig.run(4.0);
            rig.json(r#"{"do":"again"}"#);
            rig.run(4.0);
            all_dark(what, &plan, &rig.frames);
        }
    }
}

#[test]
fn what_was_scheduled_before_off_is_forgotten_with_it() {
    let plan = plan();
    let look = brightest(&plan).name;
    let mut rig = Rig::new(plan.clone());
    rig.done(r#"{"do":"protect-on"}"#);
    let first = rig.frames.len();
    rig.done(&format!(r#"{{"do":"recall","look":"{look}","over_s":0,"in_s":5}}"#));
    assert!(off(&mut rig).ok);
    rig.run(15.0);
    all_dark("a recall that was scheduled", &plan, &rig.frames[first..]);
}
