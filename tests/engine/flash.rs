//! The flash guard in the frame path: what it holds, what it never holds, how it lets go, what it says.

use lampkeep::plan::{FramesStop, Motion, Plan, load};

use crate::rig::Rig;
use crate::seen::{self, Worst};

/// Lamps of all ways to mix, coarse channels, and a level of its own for each emitter.
const RIG: &str = r#"
name = "pilot-lights"
room = { back = "2.5 m" }
fade = "0.05 s"

[camera.main]
iso = 800
f-number = 2.8
shutter = "1/50"

[profile.beacon]
cooling = "fan"
emitter.red = { xy = [0.69, 0.305], lux = 400, watts = "20 W" }
emitter.green = { xy = [0.18, 0.72], lux = 800, watts = "20 W" }
emitter.blue = { xy = [0.145, 0.04], lux = 120, watts = "20 W" }
mode.eight = { slots = [{ drives = "strobe", safe = 3 }, { drives = "red" }, { drives = "green" }, { drives = "blue" }] }

[profile.lantern]
cooling = "fan"
emitter.white = { kelvin = 5600, lux = 900, watts = "40 W" }
mode.eight = { slots = [{ drives = "intensity" }] }

[fixture.key]
profile = "beacon"
address = 1
clock = "7:30"
distance = "1.2 m"

[fixture.fill]
profile = "lantern"
address = 11
clock = "4:30"
distance = "1.4 m"

[fixture.glow]
profile = "wall-washer"
address = 21
aim = "wall"
from-wall = "0.8 m"
height = "0.3 m"

[fixture.side]
profile = "bicolour-mat"
address = 31
clock = "3:00"
distance = "2 m"
rise = "400 %/s"

[look.red]
key = { lux = 100, hue = "12 deg", saturation = "100 %" }
[look.blue]
key = { lux = 40, hue = "260 deg", saturation = "100 %" }
glow = { lux = 30, hue = "260 deg", saturation = "90 %" }
[look.green]
key = { lux = 100, hue = "140 deg", saturation = "100 %" }
[look.faint-red]
key = { lux = 3, hue = "12 deg", saturation = "100 %" }
[look.faint-blue]
key = { lux = 3, hue = "260 deg", saturation = "100 %" }
[look.white]
key = { stops = 0 }
fill = { to-key = -1 }
side = { to-key = -1 }
[look.turning]
key = { lux = 30, hue = "12 deg", saturation = "90 %", move = { hue-circle = { period = "10 s", depth = "90 %" } } }
[look.low]
key = { stops = -3 }
fill = { to-key = -1 }
glow = { stops = -4 }
"#;

/// The small rig of [`RIG`].
pub fn small() -> Plan {
    plan_of(RIG)
}

fn plan_of(text: &str) -> Plan {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("pilot-lights.toml");
    std::fs::write(&path, text).expect("written");
    match load::load(&path) {
        Ok(plan) => plan,
        Err(report) => {
            panic!("{}", lampkeep::plan::diagnose::render(&report, lampkeep::plan::diagnose::Form::Plain))
        }
    }
}

pub fn recall(look: &str, over_s: f64) -> String {
    format!(r#"{{"do":"recall","look":"{look}","over_s":{over_s}}}"#)
}

const CUT: &str = r#"{"do":"dark","now":true}"#;

/// Cuts to white and back as fast as `each` frames, `times` over.
fn strobe(rig: &mut Rig, each: usize, times: usize) {
    for _ in 0..times {
        rig.done(&recall("white", 0.0));
        for _ in 0..each {
            rig.frame();
        }
        rig.done(CUT);
        for _ in 0..each {
            rig.frame();
        }
    }
}

fn limited(rig: &Rig) -> Vec<String> {
    let flash = "flash".to_owned();
    let status = rig.status();
    status.fixtures.iter().filter(|f| f.limited_by.contains(&flash)).map(|f| f.id.clone()).collect()
}

#[test]
fn a_lone_change_is_never_held_however_bright_and_sudden() {
    let mut rig = Rig::new(small());
    for text in [&recall("white", 0.0), CUT, r#"{"do":"again"}"#, &recall("red", 0.0)] {
        rig.run(2.0);
        rig.done(text);
        rig.frame();
        assert_eq!(limited(&rig), Vec::<String>::new(), "{text}");
        let key = rig.status().fixtures[0].clone();
        assert!((key.sent.lux - key.asked.lux).abs() <= 0.05 * key.asked.lux, "{text}: {key:?}");
    }
    assert!(rig.alerts.iter().all(|(_, kind, _)| !kind.starts_with("flash")), "{:?}", rig.alerts);
}

#[test]
fn a_strobe_by_requests_makes_three_flashes_a_second_and_no_more() {
    for each in [1, 2, 3, 4, 6] {
        let mut rig = Rig::new(small());
        strobe(&mut rig, each, 160 / each);
        let Worst { changes, .. } = seen::worst(rig.engine.plan(), &rig.frames);
        assert!((5..=6).contains(&changes), "{changes} changes at {each} frames each");
    }
}

#[test]
fn a_lowering_passes_while_raises_are_held() {
    let mut rig = Rig::new(small());
    strobe(&mut rig, 2, 20);
    for _ in 0..40 {
        rig.done(&recall("white", 0.0));
        rig.frame();
        rig.done(CUT);
        rig.frame();
        assert!(rig.status().fixtures.iter().all(|f| f.sent.lux == 0.0), "dark --now is dark in its frame");
    }
}

#[test]
fn a_fade_that_was_held_goes_on_without_a_jump_and_lands_where_it_would_have() {
    let mut rig = Rig::new(small());
    // Three flashes and a fourth that is held, until a second after the first.
    strobe(&mut rig, 2, 4);
    let from = rig.frames.len();
    // This fade is over before the raise may go on.
    rig.done(&recall("white", 0.3));
    rig.run(0.4);
    assert!(limited(&rig).contains(&"key".to_owned()));
    rig.run(3.0);
    assert_eq!(limited(&rig), Vec::<String>::new());
    let plan = rig.engine.plan().clone();
    for point in seen::light(&plan, &rig.frames[from..]) {
        let end = point.last().unwrap()[1];
        let steepest = point.windows(2).map(|w| w[1][1] - w[0][1]).fold(0.0, f64::max);
        // In half a second, which is 20 frames; before that under a tenth of level 1.0 where it is held.
        assert!(steepest <= 0.2 * end, "{steepest} of {end} in one frame");
    }
    let mut fresh = Rig::new(small());
    fresh.done(&recall("white", 0.0));
    fresh.run(4.0);
    for (a, b) in rig.status().fixtures.iter().zip(&fresh.status().fixtures) {
        assert!(b.sent.lux == 0.0 || a.slots == b.slots, "{}", a.id);
    }
}

#[test]
fn what_is_held_is_told_once_with_its_place_its_numbers_and_its_end() {
    let mut rig = Rig::new(small());
    strobe(&mut rig, 2, 40);
    let held: Vec<_> = rig.alerts.iter().filter(|(_, kind, _)| kind == "flash-held").collect();
    assert_eq!(held.len(), 1, "{held:?}");
    let (n, _, said) = held[0];
    // Three flashes of four frames each; the fourth is asked for in frame 12, and the first change of this
    // second, of frame 0, leaves it in frame 40. So 0.7 s, and half a second to catch up.
    assert_eq!(*n, 12);
    assert_eq!(
        said,
        "`key`, `fill` and `side` held, which would make a fourth flash in one second at `face-lit@subject`: \
         `key` sends 7 lx of 122 lx asked; as asked in about 1.2 s unless more flashes are asked for"
    );
    rig.done(&recall("white", 0.0));
    rig.run(0.2);
    let stands = rig.status().alerts.clone();
    let alert = stands.iter().find(|a| a.kind == "flash-held").expect("it stands in the status");
    assert_eq!(alert.fixture.as_deref(), Some("key"));
    rig.run(5.0);
    assert!(rig.status().alerts.iter().all(|a| a.kind != "flash-held"));
    let free: Vec<_> = rig.alerts.iter().filter(|(_, kind, _)| kind == "flash-free").collect();
    assert_eq!(free.len(), 1);
    assert_eq!(free[0].2, "no light is held for flashes any longer");
}

#[test]
fn hues_that_change_at_one_luminance_are_held_for_their_red() {
    let mut rig = Rig::new(small());
    rig.done(&recall("faint-blue", 0.0));
    rig.run(2.0);
    for _ in 0..30 {
        for look in ["faint-red", "faint-blue"] {
            rig.done(&recall(look, 0.0));
            rig.frame();
            rig.frame();
        }
    }
    let Worst { changes, reds } = seen::worst(rig.engine.plan(), &rig.frames);
    assert!(changes <= 6 && reds <= 4, "{changes} changes, {reds} reds");
    let said = rig.alerts.iter().find(|(_, kind, _)| kind == "flash-held").expect("it was held").2.clone();
    assert!(said.contains("would change to or from deep red once too often in one second"), "{said}");
}

#[test]
fn a_look_that_moves_too_fast_is_held_like_any_other_light() {
    let mut plan = small();
    for target in plan.looks.iter_mut().flat_map(|look| &mut look.targets) {
        // Faster than any plan may ask: red comes round six times in a second.
        if let Some(Motion::HueCircle { period, .. }) = &mut target.motion {
            *period = std::time::Duration::from_millis(160);
        }
    }
    let mut rig = Rig::new(plan);
    rig.done(&recall("turning", 0.0));
    rig.run(6.0);
    let Worst { changes, reds } = seen::worst(rig.engine.plan(), &rig.frames);
    assert!(changes <= 6 && reds <= 4, "{changes} changes, {reds} reds");
    assert!(rig.alerts.iter().any(|(_, kind, _)| kind == "flash-held"), "it was never held");
}

#[test]
fn a_take_does_not_start_while_light_is_held() {
    let mut rig = Rig::new(small());
    strobe(&mut rig, 2, 10);
    rig.done(&recall("white", 0.0));
    rig.frame();
    let answer = rig.json(r#"{"do":"take-start"}"#);
    let error = answer.error.expect("it is refused");
    assert!(error.said.contains("held by the flash guard for a moment"), "{}", error.said);
    rig.run(3.0);
    rig.done(r#"{"do":"take-start"}"#);
}

#[test]
fn a_lamp_with_a_greatest_rise_goes_on_at_that_rise_after_it_was_held() {
    let mut rig = Rig::new(small());
    strobe(&mut rig, 2, 10);
    rig.done(&recall("white", 0.0));
    let mut last = rig.status().fixtures[3].sent.lux;
    let full = lampkeep::light::solve::reach(
        &rig.engine.plan().fixtures[3],
        &lampkeep::light::Demand {
            lux: 1.0,
            colour: lampkeep::light::Colour::White { mired: 1e6 / 5600.0, duv: 0.0 },
        },
    )
    .full_lux;
    for _ in 0..120 {
        rig.frame();
        let now = rig.status().fixtures[3].sent.lux;
        // 400 % of its full in a second of 40 frames; a slot's step on top.
        assert!(now - last <= full * (4.0 / 40.0) * 1.02, "{} of {full}", now - last);
        last = now;
    }
    assert!(last > 0.0);
}

#[test]
fn a_reload_that_moves_points_makes_raises_wait_a_second_and_one_that_does_not_forgets_nothing() {
    let mut rig = Rig::new(small());
    rig.done(&recall("low", 0.0));
    rig.run(2.0);
    rig.done(r#"{"do":"reload"}"#);
    rig.done(&recall("white", 0.0));
    rig.frame();
    assert_eq!(limited(&rig), Vec::<String>::new(), "the same plan: its past is known");
    rig.done(&recall("low", 0.0));
    rig.run(2.0);
    rig.reload(plan_of(&RIG.replace("distance = \"1.4 m\"", "distance = \"1.3 m\"")));
    rig.done(&recall("white", 0.0));
    rig.frame();
    assert!(!limited(&rig).is_empty());
    rig.run(0.9);
    assert!(!limited(&rig).is_empty());
    rig.run(0.7);
    assert_eq!(limited(&rig), Vec::<String>::new());
    // A lowering never waits.
    rig.reload(plan_of(RIG));
    rig.done(CUT);
    rig.frame();
    assert!(rig.status().fixtures.iter().all(|f| f.sent.lux == 0.0));
}

/// A daemon that dies in a strobe and comes back in time for the light to return, again and again: the lamps
/// saw all of it, so it is counted in one piece, the standing light between included. Source of the rule: the
/// header of tests/reference/flash.csv.
#[test]
fn a_strobe_that_goes_on_over_restarts_makes_three_flashes_a_second_and_no_more() {
    // How long each run lasts, in pairs of white and dark, and how long the daemon is away.
    for (pairs, gap_s) in [(1, 0.1), (2, 0.1), (3, 0.1), (3, 0.5), (3, 0.9), (3, 1.5), (7, 0.25)] {
        let mut rig = Rig::new(small());
        rig.done(&recall("low", 0.0));
        rig.run(2.0);
        let mut seen = std::mem::take(&mut rig.frames);
        for _ in 0..12 {
            for _ in 0..pairs {
                for look in ["white", "low"] {
                    rig.done(&recall(look, 0.0));
                    rig.frame();
                    rig.frame();
                }
            }
            seen.append(&mut rig.frames);
            let stands = seen.last().expect("frames").clone();
            seen.resize(seen.len() + (gap_s * 40.0) as usize, stands);
            rig = Rig::again(small(), rig.engine.to_keep(), gap_s);
        }
        let Worst { changes, reds } = seen::worst(rig.engine.plan(), &seen);
        assert!(changes <= 6 && reds <= 4, "{pairs} pairs, {gap_s} s away: {changes} changes, {reds} reds");
    }
}

/// Source: `Flash::after`: of a past that is not known as much is taken as may have been; a second later it is
/// known.
#[test]
fn light_that_returned_counts_for_what_it_is_and_a_raise_of_it_waits_out_the_second_that_nobody_saw() {
    for (gap_s, waits) in [(0.1, true), (0.9, true), (1.1, false), (30.0, false)] {
        let mut plan = small();
        for fixture in &mut plan.fixtures {
            std::sync::Arc::make_mut(&mut fixture.profile).when_frames_stop = FramesStop::Hold;
        }
        let mut rig = Rig::new(plan.clone());
        rig.done(&recall("low", 0.0));
        rig.run(2.0);
        let mut rig = Rig::again(plan, rig.engine.to_keep(), gap_s);
        rig.frame();
        rig.done(&recall("white", 0.0));
        rig.frame();
        assert_eq!(!limited(&rig).is_empty(), waits, "{gap_s} s away");
        // And then falls as fast as ever.
        rig.done(CUT);
        rig.frame();
        assert!(rig.status().fixtures.iter().all(|f| f.sent.lux == 0.0));
        rig.run(1.0);
        rig.done(&recall("white", 0.0));
        rig.frame();
        assert_eq!(limited(&rig), Vec::<String>::new(), "a second later all is known, {gap_s} s away");
        // The light that returned is what the first raise is counted from: down and up are two changes.
        rig.done(CUT);
        rig.run(2.0);
        for _ in 0..3 {
            rig.done(&recall("white", 0.0));
            rig.frame();
            rig.done(CUT);
            rig.frame();
        }
        rig.done(&recall("white", 0.0));
        rig.frame();
        assert!(!limited(&rig).is_empty(), "a fourth flash");
    }
}

/// A second has other frames in it then, and what was counted in the old ones says nothing.
#[test]
fn a_reload_with_another_frame_rate_makes_raises_wait_a_second_of_the_new_one() {
    let slow = plan_of(&RIG.replace("name = ", "frame-rate = \"20 Hz\"\nname = "));
    for (from, to) in [(slow.clone(), small()), (small(), slow)] {
        let mut rig = Rig::new(from);
        strobe(&mut rig, 2, 20);
        rig.reload(to.clone());
        let first = rig.frames.len();
        strobe(&mut rig, 2, 40);
        let Worst { changes, .. } = seen::worst(&to, &rig.frames[first..]);
        assert!((3..=6).contains(&changes), "{changes} changes a second at {} Hz", to.frames.rate());
    }
}

#[test]
fn a_strobe_slot_stays_at_its_safe_value_whatever_is_asked_and_an_unlocked_one_is_told() {
    let slot = |rig: &Rig| rig.status().fixtures[0].slots[0];
    let mut rig = Rig::new(small());
    let asks = [
        recall("white", 0.0),
        r#"{"do":"only","lamp":"key"}"#.to_owned(),
        r#"{"do":"calibrate","lamp":"key","value":255,"emitter":"red"}"#.to_owned(),
        r#"{"do":"rollcall"}"#.to_owned(),
        CUT.to_owned(),
    ];
    for ask in &asks {
        rig.done(ask);
        for _ in 0..30 {
            rig.frame();
            assert_eq!(slot(&rig), 3, "{ask}");
        }
    }
    assert!(rig.status().alerts.iter().all(|a| a.kind != "strobe-unlocked"));
    let open = "address = 1\nstrobe = { value = 128, reason = \"the storm, all were asked\" }";
    let plan = plan_of(&RIG.replace("address = 1\n", &format!("{open}\n")));
    let note = plan.notes.iter().find(|n| n.contains("strobe")).expect("check prints it").clone();
    assert_eq!(
        note,
        "key: its strobe is unlocked at 128 (the storm, all were asked). The flash guard cannot count what a \
         lamp does by itself: warn everyone in the room and ask first"
    );
    let mut rig = Rig::new(plan);
    rig.frame();
    assert_eq!(slot(&rig), 128);
    let alerts = rig.status().alerts;
    let alert = alerts.iter().find(|a| a.kind == "strobe-unlocked").expect("it stands");
    assert_eq!(
        (alert.fixture.as_deref(), alert.said.as_str()),
        (
            Some("key"),
            "the strobe of `key` is unlocked at 128: the storm, all were asked. No guard counts it: warn everyone \
             in the room"
        )
    );
}

/// Two lamps that light the same place where no meter point is: each flashes as often as one may, and both together
/// twice as often but for the guard.
#[test]
fn lamps_that_light_a_place_without_a_meter_point_are_counted_together_there() {
    let lamp = |id: &str, address: u16| {
        format!(
            "[fixture.{id}]\nprofile = \"lantern\"\naddress = {address}\nat = [\"-4 m\", \"-5 m\", \"1 m\"]\n\
             aim = [\"-4 m\", \"-6 m\", \"1 m\"]\n[look.{id}]\n{id} = {{ of-full = \"80 %\" }}\n"
        )
    };
    let plan = plan_of(&format!("{RIG}{}{}", lamp("east", 51), lamp("west", 52)));
    let lit = |aim: &lampkeep::plan::Aimed| aim.lamps.iter().filter(|k| **k > 0.1).count();
    assert!(plan.spill.aims.iter().any(|aim| lit(aim) == 2), "{:?}", plan.spill.aims);
    let mut rig = Rig::new(plan);
    for _ in 0..20 {
        for look in ["east", "west"] {
            rig.done(&recall(look, 0.0));
            rig.run(0.05);
            rig.done(CUT);
            rig.run(0.15);
        }
    }
    let Worst { changes, .. } = seen::worst(rig.engine.plan(), &rig.frames);
    assert!((5..=6).contains(&changes), "{changes}");
}
