//! The engine on virtual time, on the demo plan: what requests and fades do to the frames.

use crate::rig::{Rig, lit, slots};
use lampkeep::engine::assess;
use lampkeep::plan::{Control, Plan, load};
use lampkeep::rehearse::WHITE;
use lampkeep::wire::sim;

fn demo() -> Plan {
    load::demo()
}

/// Two looks of the demo that do not move and are not marked protect, with the fade cut.
fn still_looks(plan: &Plan) -> Vec<String> {
    plan.looks
        .iter()
        .filter(|l| !l.protect && l.targets.iter().all(|t| t.motion.is_none()))
        .map(|l| l.name.clone())
        .collect()
}

fn recall(look: &str, over_s: f64) -> String {
    format!(r#"{{"do":"recall","look":"{look}","over_s":{over_s}}}"#)
}

#[test]
fn a_cut_is_on_the_very_next_frame() {
    let plan = demo();
    let look = still_looks(&plan)[0].clone();
    let mut rig = Rig::new(plan);
    let plan = rig.engine.plan().clone();
    rig.frame();
    rig.done(&recall(&look, 0.0));
    let after = lit(&plan, &rig.frame());
    let landed = lit(&plan, &rig.run(3.0));
    assert!(landed.iter().any(|l| l.1 > 0.0));
    for (now, then) in after.iter().zip(&landed) {
        // A lamp with a stated greatest rise is on its way, every other has landed.
        let rises = plan.fixture(plan.fixture_named(&now.0).expect("a lamp")).limits.rise_per_s.is_some();
        assert!(now == then || rises && now.1 <= then.1, "{now:?} then {then:?}");
    }
}

#[test]
fn the_first_frame_of_a_fade_is_the_last_one_sent_and_landing_is_exact() {
    let plan = demo();
    let looks = still_looks(&plan);
    for pair in looks.windows(2) {
        let mut rig = Rig::new(plan.clone());
        rig.done(&recall(&pair[0], 0.0));
        let before = lit(&plan, &rig.run(2.0));
        rig.done(&recall(&pair[1], 3.0));
        assert_eq!(lit(&plan, &rig.frame()), before, "{} to {}", pair[0], pair[1]);
        rig.run(3.0 + 5.0);
        let look = plan.look(plan.look_named(&pair[1]).expect("a look"));
        let status = rig.status();
        for found in assess::assess(&plan, look, false) {
            let sent = &status.fixtures[found.fixture.0];
            // A lamp that went out keeps the colour it went out in.
            if found.sent_lux > 0.0 {
                assert_eq!(sent.slots, found.slots, "{} in {}", sent.id, pair[1]);
            }
        }
    }
}

#[test]
fn an_interrupted_fade_goes_on_from_the_light_last_sent() {
    let plan = demo();
    let looks = still_looks(&plan);
    let mut rig = Rig::new(plan.clone());
    rig.done(&recall(&looks[0], 0.0));
    rig.run(2.0);
    for (i, wait_s) in [0.3, 0.7, 1.1, 0.05, 1.9].into_iter().enumerate() {
        rig.done(&recall(&looks[(i + 1) % looks.len()], 2.0));
        let standing = lit(&plan, rig.frames.last().expect("frames"));
        assert_eq!(lit(&plan, &rig.frame()), standing, "no jump at interruption {i}");
        rig.run(wait_s);
    }
}

#[test]
fn light_never_steps_against_a_fade_of_level_alone() {
    let plan = demo();
    for look in still_looks(&plan) {
        let mut rig = Rig::new(plan.clone());
        rig.done(&recall(&look, 0.0));
        rig.run(2.0);
        // Down to dark and up again: only levels change.
        for (request, rising) in [(r#"{"do":"dark"}"#.to_owned(), false), (recall(&look, 3.0), true)] {
            rig.done(&request);
            let mut last: Vec<Option<f64>> = vec![None; plan.fixtures.len()];
            for _ in 0..160 {
                rig.frame();
                for (id, lamp) in rig.status().fixtures.iter().enumerate() {
                    let fixture = &plan.fixtures[id];
                    if fixture.control == Control::Hand {
                        continue;
                    }
                    let lux = sim::shown(fixture, &lamp.slots, WHITE).lux;
                    if let Some(before) = last[id] {
                        let back = if rising { before - lux } else { lux - before };
                        assert!(back <= before.abs() * 1e-9, "{} steps back in {look}", lamp.id);
                    }
                    last[id] = Some(lux);
                }
            }
        }
    }
}

#[test]
fn halfway_through_a_fade_between_lit_ends_light_is_the_geometric_mean() {
    let plan = demo();
    let looks = still_looks(&plan);
    let mut rig = Rig::new(plan);
    rig.done(&recall(&looks[0], 0.0));
    rig.run(2.0);
    let from = rig.status();
    rig.done(&recall(&looks[1], 2.0));
    // Frame 40 of 80 is half the fade; the acting frame is number 0 of it.
    for _ in 0..=40 {
        rig.frame();
    }
    let middle = rig.status();
    rig.run(4.0);
    let to = rig.status();
    let mut compared = 0;
    for ((a, m), b) in from.fixtures.iter().zip(&middle.fixtures).zip(&to.fixtures) {
        let held = |f: &lampkeep::control::FixtureStatus| f.limited_by.iter().any(|l| l != "colour");
        if a.asked.lux > 0.0 && b.asked.lux > 0.0 && !held(a) && !held(b) {
            let mean = (a.asked.lux * b.asked.lux).sqrt();
            assert!((m.asked.lux / mean).log2().abs() < 1e-6, "{}: {} for {mean}", m.id, m.asked.lux);
            compared += 1;
        }
    }
    assert!(compared > 0);
}

#[test]
fn again_brings_the_identical_frame_back_after_everything_that_is_not_work() {
    let plan = demo();
    let look = still_looks(&plan)[0].clone();
    let lamp =
        plan.look(plan.look_named(&look).expect("a look")).targets.iter().find(|t| {
            plan.fixture(t.fixture).address().is_some() && plan.fixture(t.fixture).absent.is_none()
        });
    let lamp = plan.fixture(lamp.expect("a lamp").fixture).id.clone();
    let aways = [
        r#"{"do":"dark"}"#.to_owned(),
        r#"{"do":"dark","now":true}"#.to_owned(),
        r#"{"do":"rest"}"#.to_owned(),
        format!(r#"{{"do":"only","lamp":"{lamp}"}}"#),
        format!(r#"{{"do":"wink","lamp":"{lamp}"}}"#),
        r#"{"do":"rollcall","each_s":0.5}"#.to_owned(),
    ];
    for away in aways {
        let mut rig = Rig::new(plan.clone());
        rig.done(&recall(&look, 0.0));
        rig.done(&format!(r#"{{"do":"nudge","lamp":"{lamp}","stops":-0.5}}"#));
        let lit = slots(&rig.run(5.0));
        rig.done(&away);
        rig.run(1.0);
        rig.done(r#"{"do":"again"}"#);
        rig.run(10.0);
        let sent = rig.status();
        let back = slots(rig.frames.last().expect("frames"));
        assert_eq!(back.len(), lit.len());
        for (id, f) in sent.fixtures.iter().enumerate() {
            let Some(address) = plan.fixtures[id].address() else { continue };
            let at = usize::from(address.first) - 1;
            let was = &lit[address.output.0][at..at + f.slots.len()];
            // Dark lamps may keep another colour value; their light is the same: none.
            if f.sent.lux > 0.0 {
                assert_eq!(f.slots, was, "{} after {away}", f.id);
            } else {
                assert_eq!(sim::shown(&plan.fixtures[id], was, WHITE).lux, 0.0, "{} after {away}", f.id);
            }
        }
        rig.done(r#"{"do":"again"}"#);
        assert_eq!(slots(&rig.run(3.0)), back, "twice changes nothing");
    }
}

#[test]
fn a_wink_is_one_stop_for_a_second_and_then_the_identical_frame() {
    let plan = demo();
    let look = still_looks(&plan)[0].clone();
    let mut rig = Rig::new(plan);
    rig.done(&recall(&look, 0.0));
    let lit = slots(&rig.run(5.0));
    let before = rig.status();
    let lamp = before.fixtures.iter().find(|f| f.sent.lux > 0.0 && f.control == "dmx").expect("a lit lamp");
    rig.done(&format!(r#"{{"do":"wink","lamp":"{}"}}"#, lamp.id));
    rig.frame();
    let winking = rig.status();
    let now = winking.fixtures.iter().find(|f| f.id == lamp.id).expect("the lamp");
    let stops = (now.asked.lux / lamp.asked.lux).log2();
    assert!((stops + 1.0).abs() < 1e-9, "{stops}");
    rig.run(0.9);
    assert_ne!(slots(rig.frames.last().expect("frames")), lit);
    assert_eq!(slots(&rig.run(1.0)), lit);
}

#[test]
fn a_delayed_recall_fires_on_its_frame_and_a_cancelled_one_leaves_the_bytes_alone() {
    let plan = demo();
    let looks = still_looks(&plan);
    let mut rig = Rig::new(plan);
    rig.done(&recall(&looks[0], 0.0));
    let lit = slots(&rig.run(5.0));
    let at = rig.engine.next_frame();
    let delayed = format!(r#"{{"do":"recall","look":"{}","over_s":0,"in_s":10}}"#, looks[1]);
    rig.done(&delayed);
    let mut fired = None;
    for _ in 0..500 {
        let n = rig.engine.next_frame();
        if slots(&rig.frame()) != lit {
            fired = Some(n);
            break;
        }
    }
    assert_eq!(fired, Some(at + 400), "10 s are 400 frames at 40 a second");

    rig.done(&recall(&looks[0], 0.0));
    let lit = slots(&rig.run(5.0));
    rig.done(&delayed);
    rig.run(3.0);
    rig.done(r#"{"do":"cancel"}"#);
    for _ in 0..800 {
        assert_eq!(slots(&rig.frame()), lit);
    }
    let refused = rig.json(r#"{"do":"cancel"}"#);
    assert!(!refused.ok);
}

#[test]
fn rest_goes_dark_by_itself_and_says_so() {
    let mut plan = demo();
    plan.rest_for = std::time::Duration::from_secs(30);
    let mut rig = Rig::new(plan);
    let look = still_looks(rig.engine.plan())[0].clone();
    rig.done(&recall(&look, 0.0));
    rig.run(1.0);
    rig.done(r#"{"do":"rest"}"#);
    rig.run(29.0);
    assert!(rig.status().fixtures.iter().any(|f| f.sent.lux > 0.0));
    rig.run(10.0);
    assert_eq!(rig.status().now.look, "dark");
    assert!(rig.status().fixtures.iter().filter(|f| f.control == "dmx").all(|f| f.sent.lux == 0.0));
    assert!(rig.told.iter().any(|t| t.contains("rest is over")));
}

#[test]
fn the_order_is_walked_both_ways_and_its_ends_are_told() {
    let plan = demo();
    let order: Vec<_> = plan.order.iter().map(|s| plan.look(s.look).name.clone()).collect();
    let numbers = plan.clone();
    let mut rig = Rig::new(plan);
    // From a look that hides who is speaking on, numbers stand for names.
    let told = |status: &lampkeep::control::Status, name: &str| match numbers.look_named(name) {
        Some(id) if status.protect.on => format!("look-{}", id.0 + 1),
        _ => name.to_owned(),
    };
    assert!(!rig.json(r#"{"do":"previous"}"#).ok, "nothing before the first");
    for name in &order {
        rig.done(r#"{"do":"next"}"#);
        let status = rig.status();
        assert_eq!(status.now.look, told(&status, name));
    }
    let end = rig.json(r#"{"do":"next"}"#);
    assert!(end.error.is_some_and(|e| e.said.contains("last")));
    rig.done(r#"{"do":"previous"}"#);
    let status = rig.status();
    assert_eq!(status.now.look, told(&status, &order[order.len() - 2]));
}

#[test]
fn a_moving_look_starts_its_motion_at_recall_and_its_light_stands_still() {
    let plan = demo();
    let look = plan
        .looks
        .iter()
        .find(|l| l.targets.iter().any(|t| t.motion.is_some()))
        .expect("the demo has a moving look")
        .clone();
    let moving = look.targets.iter().find(|t| t.motion.is_some()).expect("a moving lamp").fixture;
    let path = |wait_s: f64| {
        let mut rig = Rig::new(plan.clone());
        rig.run(wait_s);
        rig.done(&recall(&look.name, 0.0));
        let mut path = Vec::new();
        for _ in 0..200 {
            rig.frame();
            let lamp = rig.status().fixtures[moving.0].clone();
            path.push((lamp.asked.x, lamp.asked.y, lamp.asked.lux, lamp.slots));
        }
        path
    };
    let (soon, late) = (path(0.1), path(7.3));
    assert_eq!(soon, late, "the motion does not depend on when it is recalled");
    assert!(soon.windows(2).any(|w| w[0].0 != w[1].0), "it moves");
    for step in soon.windows(2) {
        assert_eq!(step[0].2, step[1].2, "light stands still");
    }
}

#[test]
fn a_lamp_of_unknown_heat_is_held_at_half_its_power_on_a_real_output_only() {
    let mut plan = demo();
    // Its outputs made real: nothing is sent in this test, only what would be.
    for output in &mut plan.outputs {
        output.kind = lampkeep::plan::OutputKind::Framed { port: "/nowhere".into() };
    }
    // Every lamp at full, so that there is something to hold.
    for target in plan.looks.iter_mut().flat_map(|l| &mut l.targets) {
        target.level = lampkeep::plan::Level::OfFull(lampkeep::units::Share::FULL);
    }
    let unknown: Vec<_> = plan
        .fixture_ids()
        .filter(|id| {
            let f = plan.fixture(*id);
            lampkeep::guards::heat_unknown(f) && f.address().is_some() && f.absent.is_none()
        })
        .collect();
    assert!(!unknown.is_empty(), "the demo has fan-less lamps with invented figures");
    for simulate in [false, true] {
        let mut rig = Rig::with(plan.clone(), simulate);
        let (mut over, mut held) = (0, 0);
        for look in still_looks(&plan) {
            rig.done(&recall(&look, 0.0));
            rig.run(3.0);
            let status = rig.status();
            for id in &unknown {
                let f = plan.fixture(*id);
                let all: f64 =
                    f.emitters.iter().map(|e| e.watts.get()).sum::<f64>() + f.profile.standby.get();
                let lamp = &status.fixtures[id.0];
                if !simulate {
                    assert!(
                        lamp.watts <= all / 2.0 + 1e-9,
                        "{} draws {} W of {all} W in {look}",
                        lamp.id,
                        lamp.watts
                    );
                    let told = status
                        .alerts
                        .iter()
                        .any(|a| a.kind == "heat-unknown" && a.fixture == Some(lamp.id.clone()));
                    // A person is told where light is lost by it, and nowhere else.
                    let lost = lamp.limited_by.iter().any(|l| l == "heat-unknown");
                    assert_eq!(told, lost, "{} in {look}", lamp.id);
                    held += usize::from(lost);
                } else if lamp.watts > all / 2.0 {
                    over += 1;
                }
            }
        }
        assert_eq!(held > 0, !simulate, "{held} times");
        if simulate {
            assert!(over > 0, "at full a lamp draws more than half, so the guard had something to do");
        }
    }
}

#[test]
fn falls_are_never_held_back_and_rises_only_as_stated() {
    let mut plan = demo();
    for f in &mut plan.fixtures {
        f.limits.rise_per_s = Some(0.5);
        f.limits.floor = lampkeep::units::Share::NONE;
    }
    let look = still_looks(&plan)[0].clone();
    let mut rig = Rig::new(plan.clone());
    rig.done(&recall(&look, 0.0));
    let mut last = vec![0.0; plan.fixtures.len()];
    for _ in 0..200 {
        rig.frame();
        for (id, f) in rig.status().fixtures.iter().enumerate() {
            let full = lampkeep::light::solve::reach(
                &plan.fixtures[id],
                &lampkeep::light::Demand {
                    lux: 1.0,
                    colour: lampkeep::light::Colour::Uv(
                        lampkeep::units::Xy { x: f.asked.x.unwrap_or(0.33), y: f.asked.y.unwrap_or(0.33) }
                            .uv76(),
                    ),
                },
            )
            .full_lux;
            let share = f.sent.lux / full;
            assert!(share - last[id] <= 0.5 / 40.0 + 0.02, "{} rises by {}", f.id, share - last[id]);
            last[id] = share;
        }
    }
    rig.done(r#"{"do":"dark","now":true}"#);
    rig.frame();
    assert!(rig.status().fixtures.iter().filter(|f| f.control == "dmx").all(|f| f.sent.lux == 0.0));
}

#[test]
fn two_runs_of_one_script_are_the_same_to_the_byte() {
    let script = |rig: &mut Rig| {
        let looks = still_looks(rig.engine.plan());
        rig.done(&recall(&looks[0], 1.3));
        rig.run(0.7);
        rig.done(&recall(&looks[1], 2.1));
        rig.run(1.0);
        rig.done(r#"{"do":"nudge","lamp":"all","stops":-0.25}"#);
        rig.run(1.0);
        rig.done(r#"{"do":"dark"}"#);
        rig.run(4.0);
    };
    let (mut a, mut b) = (Rig::new(demo()), Rig::new(demo()));
    script(&mut a);
    script(&mut b);
    assert_eq!(a.frames, b.frames);
}

#[test]
fn a_reload_keeps_the_light_the_way_back_and_the_name_the_set_was_started_under() {
    let plan = demo();
    let look = still_looks(&plan)[0].clone();
    let mut rig = Rig::new(plan.clone());
    rig.done(&recall(&look, 0.0));
    let shown = lit(&plan, &rig.run(5.0));
    rig.done(r#"{"do":"rest"}"#);
    rig.run(5.0);
    // Another name, another broker.
    let mut changed = plan.clone();
    changed.name = "another".to_owned();
    changed.mqtt = Some(lampkeep::plan::Mqtt {
        host: "127.0.0.1".to_owned(),
        port: 1,
        user: None,
        password: None,
        tls: None,
        keep_alive: std::time::Duration::from_secs(10),
        requests: None,
    });
    let standing = lit(&plan, rig.frames.last().expect("frames"));
    let said = rig.reload(changed);
    assert!(said.contains("from the next start only: its name, its broker"), "{said}");
    assert_eq!(rig.status().set, "pilot-station");
    assert_eq!(lit(&plan, &rig.frame()), standing, "the light is as it was");
    rig.done(r#"{"do":"again"}"#);
    assert_eq!(lit(&plan, &rig.run(8.0)), shown, "and again finds its way back");
}

#[test]
fn a_change_of_colour_at_the_same_light_is_no_rise() {
    let mut plan = demo();
    let key = plan.fixture_named("key").expect("a key");
    plan.fixtures[key.0].limits.rise_per_s = Some(0.2);
    let mut rig = Rig::new(plan);
    rig.done(r#"{"do":"recall","look":"pilot-triangle","over_s":0}"#);
    rig.run(10.0);
    let before = rig.status().fixtures[key.0].clone();
    // Towards red the lamp has far less light: the same lux is a greater share of its full.
    rig.done(r#"{"do":"nudge","lamp":"key","kelvin":-3000}"#);
    for _ in 0..40 {
        rig.frame();
        let now = rig.status().fixtures[key.0].clone();
        assert!(
            !now.limited_by.iter().any(|l| l == "rise"),
            "held at {} lx of {}",
            now.sent.lux,
            before.sent.lux
        );
    }
}
