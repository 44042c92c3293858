//! The thermal guard in the engine's frames. Source of what is expected: the requirement on heat and docs/safety.md; the
//! temperatures are integrated here once more, in small steps.

use crate::rig::{self, Rig};
use lampkeep::control::{FixtureStatus, LinkState, OutputStatus};
use lampkeep::engine::{Event, HeatStart, Options, Start};
use lampkeep::plan::diagnose::{Form, render};
use lampkeep::plan::{Plan, load};

const RATE: f64 = 40.0;
/// Of the lamps below: K/W, seconds, degrees Celsius.
const K_PER_W: f64 = 80.0 / 102.0;
const TAU_S: f64 = 240.0;
const ROOM_C: f64 = 25.0;
const LIMIT_C: f64 = 60.0;

/// Three lamps with 16-bit levels, of which rounding takes next to nothing; invented figures. Cold at full
/// each reaches its limit after 240 s ln(80/45), 138 s.
fn text(output: &str, more: &str) -> String {
    let fixture = |id: &str, address: u16, clock: &str, more: &str| {
        format!(
            "[fixture.{id}]\nprofile = \"spot\"\naddress = {address}\nclock = \"{clock}\"\nheight = \"1.9 m\"\n\
             distance = \"1.5 m\"\n{more}\n"
        )
    };
    format!(
        "fade = \"2 s\"\nambient = \"{ROOM_C} C\"\nrest = \"low\"\norder = [{{ look = \"long\", on-for = \"10 min\" }}]\n\
         [camera.main]\niso = 800\nf-number = 2.8\nshutter = \"1/50\"\n[output.desk]\n{output}\n\
         [profile.spot]\ncooling = \"fan-less\"\nstandby = \"2 W\"\n\
         emitter.white = {{ kelvin = 5600, lux = 1600, watts = \"100 W\" }}\n\
         heat = {{ rise-at-full = \"80 K\", time-constant = \"4 min\", limit = \"60 C\" }}\n\
         mode.dim = {{ slots = [{{ drives = \"intensity\", bits = 16 }}] }}\n{more}\n{}{}{}\
         [look.long]\nkey = {{ of-full = \"100 %\" }}\nfill = {{ of-full = \"50 %\" }}\nhair = {{ of-full = \"20 %\" }}\n\
         [look.low]\nkey = {{ of-full = \"20 %\" }}\nfill = {{ of-full = \"10 %\" }}\nhair = {{ of-full = \"5 %\" }}\n",
        fixture("key", 1, "7:30", ""),
        fixture("fill", 11, "4:30", ""),
        fixture("hair", 21, "1:30", ""),
    )
}

fn read(text: &str) -> Plan {
    let dir = tempfile::tempdir().expect("a folder");
    let path = dir.path().join("quay.toml");
    std::fs::write(&path, text).expect("written");
    load::load(&path).unwrap_or_else(|e| panic!("{}", render(&e, Form::Plain)))
}

fn simulated() -> Plan {
    read(&text("kind = \"simulator\"", ""))
}

fn real() -> Plan {
    read(&text("kind = \"framed\"\nport = \"not-there\"", ""))
}

fn of(rig: &Rig, id: &str) -> FixtureStatus {
    rig.status().fixtures.into_iter().find(|f| f.id == id).expect("this lamp is there")
}

/// Stops of a lamp under what it is asked.
fn held(rig: &Rig, id: &str) -> f64 {
    let lamp = of(rig, id);
    (lamp.asked.lux / lamp.sent.lux).log2()
}

const LONG: &str = r#"{"do":"recall","look":"long","over_s":0}"#;
const LOW: &str = r#"{"do":"recall","look":"low","over_s":0}"#;

/// A set that has been held for a while.
fn hot() -> Rig {
    let mut rig = Rig::new(simulated());
    rig.done(LONG);
    rig.run(240.0);
    assert!(held(&rig, "key") > 0.5, "{}", held(&rig, "key"));
    rig
}

#[test]
fn a_long_look_comes_down_slowly_and_together_and_never_passes_the_limit() {
    let mut rig = Rig::new(simulated());
    rig.done(LONG);
    let mut celsius = ROOM_C;
    let mut before: Option<f64> = None;
    let mut first_s = None;
    for n in 0..16_000 {
        rig.frame();
        let status = rig.status();
        let stops: Vec<f64> = status.fixtures.iter().map(|f| (f.asked.lux / f.sent.lux).log2()).collect();
        for of_lamp in &stops {
            assert!((of_lamp - stops[0]).abs() < 0.02, "frame {n}: {stops:?}");
        }
        if let Some(before) = before {
            // 0.05 stop a second, and a step of 16 bits at a fifth of full.
            assert!((stops[0] - before).abs() < 0.05 / RATE + 2e-4, "frame {n}: {before} {}", stops[0]);
        }
        before = Some(stops[0]);
        let key = &status.fixtures[0];
        // Euler's way, in steps of a frame.
        celsius += (ROOM_C + key.watts * K_PER_W - celsius) / TAU_S / RATE;
        let told = key.body_est_c.expect("its figures are known");
        assert!((told - celsius).abs() < 0.02, "frame {n}: {told} {celsius}");
        assert!(told <= LIMIT_C + 1e-6, "frame {n}: {told}");
        assert_eq!(key.limit_c, Some(LIMIT_C));
        if stops[0] > 0.001 && first_s.is_none() {
            first_s = Some(f64::from(n) / RATE);
            assert!(key.limited_by.contains(&"heat".to_owned()), "{:?}", key.limited_by);
            assert_eq!(key.minutes_left, Some(0.0));
        }
    }
    // In the end the key draws what it can bear for ever: 35 K of 80 K, standby included.
    let key = of(&rig, "key");
    assert!((key.watts - 102.0 * 35.0 / 80.0).abs() < 0.1, "{}", key.watts);
    let first_s = first_s.expect("it is held");
    assert!((90.0..138.0).contains(&first_s), "neither too soon nor too late: {first_s}");
}

#[test]
fn a_lowering_passes_at_once_and_is_held_no_more() {
    let mut rig = hot();
    let said = rig.done(LOW);
    assert!(!said.contains("warning"), "{said}");
    rig.frame();
    for id in ["key", "fill", "hair"] {
        assert!(held(&rig, id).abs() < 1e-3, "{id}: {}", held(&rig, id));
        assert!(of(&rig, id).limited_by.is_empty());
    }
    rig.done(r#"{"do":"dark","now":true}"#);
    rig.frame();
    assert!(rig.status().fixtures.iter().all(|f| f.sent.lux == 0.0));
}

#[test]
fn what_heat_does_is_told_ahead_once_when_it_begins_and_once_when_it_ends() {
    let mut rig = Rig::new(simulated());
    let said = rig.done(LONG);
    assert!(said.contains("1 warning: key has to come down after about"), "{said}");
    assert!(said.contains("of 10 min planned: housing estimated 25.0 °C, limit 60 °C"), "{said}");
    rig.run(200.0);
    let kinds: Vec<_> = rig.alerts.iter().map(|(_, kind, _)| kind.as_str()).collect();
    assert_eq!(kinds, ["heat-soon", "heat-held"], "{:?}", rig.alerts);
    let between = (rig.alerts[1].0 - rig.alerts[0].0) as f64 / RATE;
    assert!((between - 60.0).abs() < 2.0, "told {between} s ahead");
    let words = &rig.alerts[0].2;
    assert!(words.starts_with("`key` has to come down in about"), "{words}");
    let standing = rig.status().alerts;
    assert_eq!(standing.len(), 1, "{standing:?}");
    assert_eq!((standing[0].kind.as_str(), standing[0].fixture.as_deref()), ("heat-held", Some("key")));
    let words = &standing[0].said;
    assert!(words.starts_with("`key` held "), "{words}");
    assert!(
        words.contains(" stop under what was asked, `fill` and `hair` with it: housing estimated "),
        "{words}"
    );
    assert!(words.contains(", limit 60 °C; not as asked again while this stands"), "{words}");
    rig.done(LOW);
    rig.run(2.0);
    let kinds: Vec<_> = rig.alerts.iter().map(|(_, kind, _)| kind.as_str()).collect();
    assert_eq!(kinds, ["heat-soon", "heat-held", "heat-free"]);
    assert!(rig.status().alerts.is_empty());
}

#[test]
fn a_person_s_word_that_a_lamp_is_cold_lets_the_light_come_up_slowly() {
    let mut rig = hot();
    let said = rig.done(r#"{"do":"cold","lamp":"all"}"#);
    assert!(
        said.starts_with("every lamp taken to be at room temperature, 25 °C · lit now: key, fill, hair"),
        "{said}"
    );
    rig.frame();
    assert!(of(&rig, "key").body_est_c.expect("known") < ROOM_C + 0.1);
    let mut before = held(&rig, "key");
    assert!(before > 0.5);
    for _ in 0..1600 {
        rig.frame();
        let now = held(&rig, "key");
        assert!(before - now < 0.05 / RATE + 2e-4, "{before} {now}");
        before = now;
    }
}

#[test]
fn real_lamps_are_hot_at_a_start_and_simulated_ones_cold() {
    let mut rig = Rig::with(real(), false);
    assert_eq!(of(&rig, "key").body_est_c, Some(LIMIT_C));
    let said = rig.done(LONG);
    assert!(
        said.contains("held 1.2 stop from the start by the heat of key: housing estimated 60.0 °C at most"),
        "{said}"
    );
    for _ in 0..4000 {
        rig.frame();
        let status = rig.status();
        assert!(status.fixtures.iter().all(|f| f.body_est_c.expect("known") <= LIMIT_C + 1e-6));
        assert!(
            status
                .fixtures
                .iter()
                .all(|f| ((f.asked.lux / f.sent.lux).log2() - held(&rig, "key")).abs() < 0.02)
        );
    }
    assert_eq!(of(&Rig::new(simulated()), "key").body_est_c, Some(ROOM_C));
}

#[test]
fn a_restart_goes_on_from_the_heat_that_was_kept() {
    let mut rig = hot();
    rig.run(10.0);
    let kept = rig.kept.clone();
    assert_eq!(kept.len(), 3);
    let start = |gap_s| {
        let heat = Some(HeatStart { bodies: kept.clone(), gap_s });
        let options = Options { simulate: false, boot_id: "test".into(), heat, ..Options::default() };
        Rig::start(real(), options)
    };
    // Nothing says what the lamp does when frames stop: taken to run on at the last power, 35 K over the room.
    let key = of(&start(Some(30.0)), "key").body_est_c.expect("known");
    assert!((key - LIMIT_C).abs() < 0.1, "{key}");
    // The fill ran cooler, and gets to where its power leads.
    let fill = kept.iter().find(|b| b.lamp == "fill").expect("kept");
    let settled = ROOM_C + fill.last_w * K_PER_W;
    let expected = settled + (fill.estimate.celsius - settled) * (-30.0_f64 / TAU_S).exp();
    let told = of(&start(Some(30.0)), "fill").body_est_c.expect("known");
    assert!((told - expected).abs() < 1e-9, "{told} {expected}");
    let hottest = of(&start(None), "fill").body_est_c.expect("known");
    assert!(
        (hottest - settled.max(fill.estimate.celsius)).abs() < 1e-9,
        "no clock: the hottest that it may be"
    );
}

fn output(state: LinkState) -> Vec<OutputStatus> {
    vec![rig::output("framed", "desk", state)]
}

fn outputs_are(rig: &mut Rig, state: LinkState) {
    let now = rig.engine.plan().frames.moment_of(rig.engine.next_frame());
    drop(rig.engine.handle(Event::Outputs(output(state)), now));
}

#[test]
fn a_lamp_that_no_frame_reaches_is_taken_to_run_on_or_to_go_dark_as_its_profile_says() {
    let says = |what: &str| format!("when-frames-stop = {what}");
    // One of which nothing is said is taken to run on too.
    for (stops, runs_on) in
        [(says("\"hold\""), true), (says("{ hold-for = \"5 s\" }"), false), (String::new(), true)]
    {
        let text = text("kind = \"simulator\"", "")
            .replace("cooling = \"fan-less\"", &format!("cooling = \"fan-less\"\n{stops}"));
        let mut rig = Rig::new(read(&text));
        rig.done(LONG);
        outputs_are(&mut rig, LinkState::Up);
        rig.run(60.0);
        let before = of(&rig, "key").body_est_c.expect("known");
        outputs_are(&mut rig, LinkState::Down);
        rig.done(r#"{"do":"dark","now":true}"#);
        rig.run(65.0);
        let after = of(&rig, "key").body_est_c.expect("known");
        let run = |from: f64, watts: f64, s: f64| {
            let settled = ROOM_C + watts * K_PER_W;
            settled + (from - settled) * (-s / TAU_S).exp()
        };
        let expected =
            if runs_on { run(before, 102.0, 65.0) } else { run(run(before, 102.0, 5.0), 2.0, 60.0) };
        assert!((after - expected).abs() < 0.05, "{stops}: {after} {expected}");
    }
}

/// The wire has not come back since the last run: it still runs at what that sent last.
#[test]
fn a_lamp_that_no_frame_reaches_after_a_restart_is_taken_to_run_on_at_its_last_power() {
    let mut rig = hot();
    rig.run(10.0);
    let kept = rig.kept.clone();
    let fill = kept.iter().find(|b| b.lamp == "fill").expect("kept").clone();
    let heat = Some(HeatStart { bodies: kept, gap_s: Some(0.0) });
    let mut rig = Rig::start(simulated(), Options { simulate: true, heat, ..Options::default() });
    outputs_are(&mut rig, LinkState::Down);
    rig.run(60.0);
    let settled = ROOM_C + fill.last_w * K_PER_W;
    let expected = settled + (fill.estimate.celsius - settled) * (-60.0 / TAU_S).exp();
    let told = of(&rig, "fill").body_est_c.expect("known");
    assert!((told - expected).abs() < 0.05, "{told} {expected}");
}

/// The guard looks up to a second ahead while nothing but time changes, by the power that is asked. Behind a dead wire a
/// lamp runs on at other power than that: a body that is over its limit when the wire comes back must not get any warmer.
#[test]
fn a_lamp_that_ran_on_over_its_limit_is_cut_in_the_very_frame_that_reaches_it_again() {
    let text = text("kind = \"simulator\"", "")
        .replace("cooling = \"fan-less\"", "cooling = \"fan-less\"\nwhen-frames-stop = \"hold\"")
        .replace("time-constant = \"4 min\"", "time-constant = \"10 s\"");
    let plan = read(&(text + "[look.half]\nkey = { of-full = \"44 %\" }\n"));
    for phase in 0..10 {
        let mut rig = Rig::new(plan.clone());
        outputs_are(&mut rig, LinkState::Up);
        rig.done(LONG);
        rig.run(1.0 + f64::from(phase) * 0.1);
        outputs_are(&mut rig, LinkState::Down);
        // By its 46 W it would be 25 + 46 x 80 / 102, 61.1 degrees, in the end, and over its limit late. It runs on at
        // some 75 W.
        rig.done(r#"{"do":"recall","look":"half","over_s":0}"#);
        let celsius = |rig: &Rig| of(rig, "key").body_est_c.expect("known");
        while celsius(&rig) <= LIMIT_C {
            rig.frame();
        }
        outputs_are(&mut rig, LinkState::Up);
        let mut before = celsius(&rig);
        for n in 0..80 {
            rig.frame();
            let now = celsius(&rig);
            assert!(now <= before.max(LIMIT_C) + 1e-6, "phase {phase}, frame {n} after: {before} to {now}");
            before = now;
        }
        assert!(before <= LIMIT_C + 1e-6, "phase {phase}: {before}");
    }
}

/// A lamp that no frame reaches cannot be lowered, so nothing is gained by lowering the others with it.
#[test]
fn a_hot_lamp_behind_a_dead_wire_does_not_take_the_others_down() {
    let text = text("kind = \"simulator\"", "[output.mast]\nkind = \"simulator\"")
        .replace("address = 1\n", "address = 1\noutput = \"mast\"\n")
        .replace("address = 11\n", "address = 11\noutput = \"desk\"\n")
        .replace("address = 21\n", "address = 21\noutput = \"desk\"\n");
    let mut rig = Rig::new(read(&text));
    rig.done(LONG);
    for (state, for_s) in [(LinkState::Up, 60.0), (LinkState::Down, 200.0)] {
        let mut outputs = output(LinkState::Up);
        let mut mast = output(state);
        mast[0].name = "mast".into();
        outputs.append(&mut mast);
        let now = rig.engine.plan().frames.moment_of(rig.engine.next_frame());
        drop(rig.engine.handle(Event::Outputs(outputs), now));
        rig.run(for_s);
    }
    assert!(of(&rig, "key").body_est_c.expect("known") > LIMIT_C, "it runs on by itself");
    // The fill's 50 W bring it to 25 + 52 x 80 / 102, 65.8 degrees, in the end: not yet after 260 s.
    assert!(held(&rig, "fill").abs() < 1e-3, "{}", held(&rig, "fill"));
}

/// What was held is held on where the daemon is started anew: no lamp goes up and comes down again.
#[test]
fn light_that_returns_held_for_heat_goes_on_held() {
    let rig = hot();
    let kept = rig.engine.to_keep();
    let lux = |rig: &Rig| rig.status().fixtures.iter().map(|f| f.sent.lux).collect::<Vec<_>>();
    let stood = lux(&rig);
    let heat = Some(HeatStart { bodies: kept.bodies.clone(), gap_s: Some(0.2) });
    let start = Start { kept: Some(kept), gap_s: Some(0.2), same_boot: true, ..Start::default() };
    let options = Options { simulate: true, boot_id: "test".into(), heat, ..Options::default() };
    let mut after = Rig::starting(simulated(), options, start);
    for n in 0..400 {
        after.frame();
        for (was, is) in stood.iter().zip(lux(&after)) {
            // 0.05 stop a second at most, over ten, and it was nearly settled.
            assert!((is / was).log2().abs() < 0.05, "frame {n}: {is} lx, it stood at {was}");
        }
        assert!(of(&after, "key").body_est_c.expect("known") <= LIMIT_C + 1e-6, "frame {n}");
    }
}

/// The greatest rise holds for what is asked and for what heat lets go of alike.
#[test]
fn a_lamp_with_a_greatest_rise_keeps_to_it_out_of_the_dark_and_when_heat_lets_go() {
    let text =
        text("kind = \"simulator\"", "").replace("address = 11\n", "address = 11\nrise = \"0.5 %/s\"\n");
    let mut rig = Rig::new(read(&text));
    // 100 W are full, so half a hundredth of it in a second is half a watt; a step of 16 bits on top.
    let most_w = 0.5 / RATE + 2.0 * 100.0 / 65535.0;
    let mut before = of(&rig, "fill").watts;
    let mut rises = |rig: &mut Rig, frames: u32| {
        let from = before;
        for n in 0..frames {
            rig.frame();
            let now = of(rig, "fill").watts;
            assert!(now - before <= most_w, "frame {n}: {before} to {now} W");
            before = now;
        }
        before - from
    };
    rig.done(LONG);
    rises(&mut rig, 12_000);
    assert!(held(&rig, "fill") > 0.5, "{}", held(&rig, "fill"));
    rig.done(r#"{"do":"absent","lamp":"key"}"#);
    // 0.05 stop a second of some 23 W would be 0.8 W a second.
    let up = rises(&mut rig, 200);
    assert!((2.0..=2.6).contains(&up), "{up} W in five seconds");
}

#[test]
fn an_absent_lamp_cools_and_the_others_come_up_without_it() {
    let mut rig = hot();
    rig.done(r#"{"do":"absent","lamp":"key"}"#);
    rig.run(60.0);
    let key = of(&rig, "key");
    let expected = ROOM_C + (LIMIT_C - ROOM_C) * (-60.0_f64 / TAU_S).exp();
    assert!((key.body_est_c.expect("known") - expected).abs() < 0.2, "{:?} {expected}", key.body_est_c);
    assert_eq!(key.minutes_left, None);
    // The fill alone asks 50 W and bears for ever what 35 K over the room are, less its standby.
    let bears = (50.0 / (102.0 * 35.0 / 80.0 - 2.0_f64)).log2();
    assert!((held(&rig, "fill") - bears).abs() < 0.01, "{} {bears}", held(&rig, "fill"));
}

/// What a person does while light is held makes no lamp jump up.
#[test]
fn reloads_winks_rollcalls_and_nudges_of_held_light_keep_to_the_limit_and_to_the_ratios() {
    let mut rig = hot();
    let ratio = |rig: &Rig| (of(rig, "key").sent.lux / of(rig, "fill").sent.lux).log2();
    let before = (of(&rig, "key").sent.lux, ratio(&rig));
    let mut other = simulated();
    other.looks.pop();
    rig.reload(other);
    for _ in 0..200 {
        rig.frame();
        let now = of(&rig, "key").sent.lux;
        assert!((now / before.0).log2().abs() < 0.02, "{now} {before:?}");
        assert!((ratio(&rig) - before.1).abs() < 0.02);
    }
    rig.done(r#"{"do":"nudge","lamp":"fill","stops":0.3}"#);
    rig.run(1.0);
    assert!((ratio(&rig) - before.1 + 0.3).abs() < 0.02, "{}", ratio(&rig));
    rig.done(r#"{"do":"wink","lamp":"key"}"#);
    rig.run(3.0);
    rig.done(r#"{"do":"rollcall","each_s":0.5}"#);
    for _ in 0..400 {
        rig.frame();
        let status = rig.status();
        assert!(status.fixtures.iter().all(|f| f.body_est_c.expect("known") <= LIMIT_C + 1e-6));
    }
    assert!((ratio(&rig) - before.1 + 0.3).abs() < 0.02, "{}", ratio(&rig));
    assert!(held(&rig, "key") > 0.3);
}

#[test]
fn a_lamp_set_by_hand_gets_warm_too_and_is_told_of() {
    let text = text("kind = \"simulator\"", "").replace("address = 1\n", "control = \"hand\"\n");
    let mut rig = Rig::new(read(&text));
    rig.done(LONG);
    rig.run(200.0);
    let key = of(&rig, "key");
    assert!(key.body_est_c.expect("known") > LIMIT_C, "nothing can lower it");
    assert!(held(&rig, "fill").abs() < 1e-3, "and nobody follows it");
    let kinds: Vec<_> = rig.alerts.iter().map(|(_, kind, _)| kind.as_str()).collect();
    assert_eq!(kinds, ["heat-soon", "heat-over"], "{:?}", rig.alerts);
    assert!(rig.alerts[1].2.contains("set by hand"), "{:?}", rig.alerts);
}

/// Greatest temperature of the key if from `celsius` on it comes down by 0.05 stop/s to what it can bear for
/// ever; in steps of a millisecond (Euler).
fn peak_of_a_ramp(celsius: f64) -> f64 {
    let (mut t, mut emitters, mut peak) = (celsius, 100.0_f64, celsius);
    let bears = (LIMIT_C - ROOM_C) / K_PER_W - 2.0;
    while emitters > bears {
        emitters *= (-0.05e-3_f64).exp2();
        t += (ROOM_C + (emitters + 2.0) * K_PER_W - t) / TAU_S * 1e-3;
        peak = peak.max(t);
    }
    peak
}

/// Source: the requirement on takes: in a take the guard begins as late as a 0.05 stop/s ramp still ends at or under the limit.
#[test]
fn in_a_take_the_guard_begins_no_sooner_than_it_must_and_never_passes_the_limit() {
    let mut rig = Rig::new(simulated());
    rig.done(r#"{"do":"next","over_s":0}"#);
    rig.run(60.0);
    let said = rig.done(r#"{"do":"take-start"}"#);
    let (from, mut first, mut latest) = (rig.engine.next_frame(), None, None);
    let mut before = of(&rig, "key").body_est_c.expect("known");
    for _ in 0..6000 {
        // The latest frame from whose beginning such a ramp still lands, whatever the engine does.
        let n = rig.engine.next_frame();
        if first.is_none() && peak_of_a_ramp(before) <= LIMIT_C {
            latest = Some(n);
        }
        rig.frame();
        let key = of(&rig, "key");
        before = key.body_est_c.expect("known");
        assert!(before <= LIMIT_C + 1e-6, "frame {n}: {before}");
        if first.is_none() && key.limited_by.contains(&"heat".to_owned()) {
            first = Some(n);
        }
    }
    let (first, latest) = (first.expect("it is held"), latest.expect("there is a latest"));
    // It begins a frame ahead, by its derivation, and the sums here are in steps.
    assert!((latest - 3..=latest + 3).contains(&first), "begins in frame {first}, must in {latest}");
    let left_min = (first - from) as f64 / RATE / 60.0;
    let told = said.split("safe by heat for about ").nth(1).and_then(|s| s.split(' ').next()).expect("told");
    let told: f64 = told.parse().expect("a number");
    let attention =
        said.contains("attention: safe by heat for about ") && said.contains("(key), 10 min planned");
    assert!(attention, "{said}");
    let told_min = if said.contains(&format!("{told} min (key)")) { told } else { told / 60.0 };
    assert!((told_min - left_min).abs() < 0.02, "{said}: {left_min} min");
    assert_eq!(rig.status().now.take.as_deref(), Some("1/1"), "it rolls on");
    assert!(
        rig.done(r#"{"do":"take-end"}"#).contains("a guard acted: key held by heat after "),
        "the verdict names it"
    );
}

#[test]
fn a_take_of_light_that_can_be_borne_for_ever_says_so() {
    let mut rig = Rig::new(simulated());
    rig.done(LOW);
    rig.run(1.0);
    let said = rig.done(r#"{"do":"take-start"}"#);
    assert!(said.contains("safe by heat for as long as it takes"), "{said}");
    drop(rig);
    let mut rig = hot();
    let said = rig.done(r#"{"do":"take-start"}"#);
    assert!(said.contains("heat holds key already"), "{said}");
}
