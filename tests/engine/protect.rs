//! No lamp that reaches a protected face is lit by anything that is asked, and no name leaves the engine.
//! Source of each: the requirement's own rule, and practice.md pains 11 and 34; which lamps reach a face is checked
//! against brute force in tests/identity.rs.

use crate::properties::{any_request, cases};
use crate::rig::{Rig, lit, slots};
use lampkeep::channels::Frame;
use lampkeep::control::{Answer, FailureKind, Request};
use lampkeep::engine::{Action, Event, Kept, NotKept, Options, ProtectFound, Start, Ticket};
use lampkeep::guards::identity::reach::{LEAST_SHARE, reached};
use lampkeep::plan::{Control, Plan, SubjectId, UnlockedStrobe, load};
use proptest::prelude::*;
use std::sync::LazyLock;

/// The demo with a wall lamp that reaches no face, and names that stand in no sentence of ours.
pub static PLAN: LazyLock<Plan> = LazyLock::new(|| {
    let mut plan = load::demo();
    plan.path = Some("/srv/okapi/okapi.toml".into());
    for (i, f) in plan.fixtures.iter_mut().enumerate() {
        f.id = format!("zebra{i}");
        if let Some(body) = &mut f.body {
            body.name = format!("quokka{i}");
            body.sticker = Some("narwhal with a red dot".to_owned());
        }
        if let Some(absent) = &mut f.absent {
            *absent = "lemur has it".to_owned();
        }
    }
    plan.fixtures[1].strobe = Some(UnlockedStrobe { value: 0, reason: "walrus wants a flash".to_owned() });
    for (i, circuit) in plan.circuits.iter_mut().enumerate() {
        circuit.id = format!("gnu-circuit{i}");
    }
    for (i, look) in plan.looks.iter_mut().enumerate() {
        look.name = format!("yonder{i}");
        look.about = Some("narwhal sings".to_owned());
    }
    for (i, subject) in plan.subjects.iter_mut().enumerate() {
        subject.id = format!("okapi{i}");
    }
    for (i, group) in plan.groups.iter_mut().enumerate() {
        group.name = format!("gnu{i}");
    }
    plan
});

/// The same set on another day: its lamps, looks and reasons have other names.
static YESTERDAY: LazyLock<Plan> = LazyLock::new(|| {
    let mut plan = PLAN.clone();
    plan.hash.push_str("-yesterday");
    for (i, f) in plan.fixtures.iter_mut().enumerate() {
        f.id = format!("vixen{i}");
        if let Some(body) = &mut f.body {
            body.name = format!("vixen-body{i}");
        }
        if let Some(absent) = &mut f.absent {
            *absent = "vixen took it".to_owned();
        }
    }
    for (i, look) in plan.looks.iter_mut().enumerate() {
        look.name = format!("vixen at quay {i}");
    }
    plan
});

/// Texts that may not leave while protected: every name of the plan and of the one before, what is typed in
/// these tests, slates.
const NAMES: &[&str] = &[
    "zebra", "quokka", "yonder", "okapi", "gnu", "narwhal", "lemur", "walrus", "vixen", "ibex", "nobody",
    "no-such", "kept-in",
];

/// What [`YESTERDAY`] left: a look or one lamp that is lit, a take that has not been steady, a recall to come.
fn left(only: bool, take: bool, scheduled: bool) -> Kept {
    let mut rig = Rig::new(YESTERDAY.clone());
    let look = |rig: &mut Rig, index: usize, more: &str| {
        let name = &YESTERDAY.looks[index].name;
        rig.done(&format!(r#"{{"do":"recall","look":"{name}"{more}}}"#));
    };
    let still = YESTERDAY
        .looks
        .iter()
        .position(|l| !l.protect && !l.targets.is_empty() && l.targets.iter().all(|t| t.motion.is_none()));
    look(&mut rig, still.expect("a still look"), r#","over_s":0"#);
    rig.run(20.0);
    let lamp =
        YESTERDAY.fixtures.iter().find(|f| f.address().is_some() && f.absent.is_none()).expect("a lamp");
    if only {
        rig.done(&format!(r#"{{"do":"only","lamp":"{}"}}"#, lamp.id));
        rig.run(20.0);
    }
    if take {
        rig.done(r#"{"do":"take-start","slate":"ibex"}"#);
        rig.run(1.0);
        rig.done(r#"{"do":"protect-on"}"#);
        rig.run(1.0);
    } else if scheduled {
        look(&mut rig, 0, r#","in_s":60"#);
    }
    rig.engine.to_keep()
}

/// The lamps of a plan that reach a face, by geometry alone.
pub fn held(plan: &Plan) -> Vec<String> {
    let faces: Vec<_> = (0..plan.subjects.len()).map(SubjectId).collect();
    reached(plan, &faces, LEAST_SHARE).iter().map(|r| plan.fixture(r.fixture).id.clone()).collect()
}

fn dark(plan: &Plan, frames: &[Frame]) -> Result<(), String> {
    // Worked out once for the plan that nearly every frame is of.
    static HELD: LazyLock<Vec<String>> = LazyLock::new(|| held(&PLAN));
    let held = if std::ptr::eq(plan, &*PLAN) { HELD.clone() } else { held(plan) };
    match lit(plan, frames).into_iter().find(|(id, lux, _)| *lux > 0.0 && held.contains(id)) {
        Some((id, lux, slots)) => Err(format!("{id} gives {lux} lx, slots {slots:?}")),
        None => Ok(()),
    }
}

/// A request of the demo's names, in those of [`PLAN`].
fn renamed(request: &Request) -> Request {
    let demo = load::demo();
    let mut text = serde_json::to_value(request).expect("JSON");
    for field in ["look", "lamp"] {
        let Some(name) = text[field].as_str().map(str::to_owned) else { continue };
        if let Some(id) = demo.look_named(&name).filter(|_| field == "look") {
            text[field] = PLAN.look(id).name.clone().into();
        } else if let Some(id) = demo.fixture_named(&name) {
            text[field] = PLAN.fixture(id).id.clone().into();
        }
    }
    // A number that is none is written as nothing.
    serde_json::from_value(text).unwrap_or_else(|_| request.clone())
}

fn leaks(text: &str) -> Option<&'static str> {
    NAMES.iter().find(|name| text.contains(*name)).copied()
}

fn code(rig: &mut Rig) -> String {
    let answer = rig.json(r#"{"do":"protect-off"}"#);
    assert!(answer.ok, "{answer:?}");
    answer.data.expect("a code")["code"].as_str().expect("digits").to_owned()
}

pub fn off(rig: &mut Rig) -> Answer {
    let code = code(rig);
    rig.json(&format!(r#"{{"do":"protect-off","code":"{code}"}}"#))
}

pub fn bright(rig: &mut Rig) {
    let look = PLAN.looks.iter().max_by_key(|l| if l.protect { 0 } else { l.targets.len() }).expect("looks");
    rig.done(&format!(r#"{{"do":"recall","look":"{}","over_s":0}}"#, look.name));
    rig.run(20.0);
}

/// Requests of every kind, those of the guard itself apart.
fn any_other() -> impl Strategy<Value = Request> {
    prop_oneof![
        20 => any_request().prop_map(|r| renamed(&r)),
        1 => prop_oneof!["ibex", "ibex-7", "yonder0"].prop_map(|slate| Request::TakeStart { slate: Some(slate), in_s: None }),
        1 => Just(Request::Recall { look: Some("look-2".to_owned()), take: None, over_s: Some(0.0), in_s: None, at: None }),
        1 => (0..12_usize).prop_map(|i| Request::Only { lamp: format!("lamp-{i}") }),
        2 => (0..PLAN.fixtures.len(), 0..255_u16, any::<bool>()).prop_map(|(i, value, end)| Request::Calibrate {
            lamp: Some(PLAN.fixtures[i].id.clone()), value: Some(value), emitter: None, kelvin: None, duv: None,
            hue_deg: None, saturation: None, end }),
    ]
}

proptest! {
    #![proptest_config(cases(8))]

    /// Random streams of every kind of request, other plans among them: held lamps dark in every frame, and no
    /// name in any answer, alert or status.
    #[test]
    fn whatever_is_asked_held_lamps_stay_dark_and_no_name_is_told(
        before in proptest::collection::vec((any_other(), 0..8_usize), 0..6),
        requests in proptest::collection::vec((any_other(), 0..8_usize, 0..12_u8), 60),
        fading in any::<bool>(),
        kept in proptest::option::of(any::<(bool, bool, bool, bool)>()),
        on_at_start in any::<bool>(),
    ) {
        let protect = if on_at_start { ProtectFound::On } else { ProtectFound::Off };
        let options = Options { simulate: true, boot_id: "test".into(), protect, ..Options::default() };
        let start = kept.map(|(only, take, scheduled, same_boot)| {
            let kept = Some(left(only, take, scheduled));
            Start { kept, gap_s: Some(0.5), same_boot, ..Start::default() }
        });
        let mut rig = Rig::starting(PLAN.clone(), options, start.unwrap_or_default());
        for (request, frames) in before {
            rig.ask(request);
            for _ in 0..frames { rig.frame(); }
        }
        if fading && rig.status().now.take.is_none() {
            rig.ask(Request::Recall { look: Some(PLAN.looks[0].name.clone()), take: None, over_s: Some(3.0), in_s: None, at: None });
            rig.run(0.5);
        }
        let first = if on_at_start { 0 } else { rig.frames.len() };
        let told = if on_at_start { 0 } else { rig.alerts.len() };
        let mut texts = vec![serde_json::to_string(&rig.ask(Request::ProtectOn {})).expect("JSON")];
        for (request, frames, more) in requests {
            let shown = format!("{request:?}");
            let answer = rig.ask(request);
            if more == 0 {
                // The lamps change places: others reach the face now, under other names.
                let mut plan = PLAN.clone();
                let last = plan.fixtures.len() - 1;
                let place = plan.fixtures[0].place.clone();
                plan.fixtures[0].place = std::mem::replace(&mut plan.fixtures[last].place, place);
                if rig.status().now.take.is_none() {
                    for frames in &rig.frames[first..] {
                        if let Err(why) = dark(&PLAN, frames) { prop_assert!(false, "{}", why); }
                    }
                    texts.push(rig.reload(plan.clone()));
                    for _ in 0..3 {
                        let frames = rig.frame();
                        if let Err(why) = dark(&plan, &frames) { prop_assert!(false, "after a reload: {}", why); }
                        rig.frames.pop();
                    }
                    texts.push(rig.reload(PLAN.clone()));
                }
            }
            for _ in 0..frames { rig.frame(); }
            let text = serde_json::to_string(&answer).expect("JSON");
            prop_assert_eq!(leaks(&text), None, "{} is answered {}", shown, text);
            let status = serde_json::to_string(&rig.status()).expect("JSON");
            prop_assert_eq!(leaks(&status), None, "{} {}", shown, status);
        }
        for frames in &rig.frames[first..] {
            if let Err(why) = dark(&PLAN, frames) { prop_assert!(false, "{}", why); }
        }
        for (_, kind, said) in &rig.alerts[told..] {
            prop_assert_eq!(leaks(said), None, "{}", kind);
        }
        for text in texts {
            prop_assert_eq!(leaks(&text), None, "{}", text);
        }
        // Off, and still dark until the next recall, whatever else is asked by itself.
        let ended = serde_json::to_string(&rig.ask(Request::TakeEnd { mark: None })).expect("JSON");
        prop_assert_eq!(leaks(&ended), None, "{}", ended);
        prop_assert!(off(&mut rig).ok);
        let first = rig.frames.len();
        rig.run(1.0);
        for request in [Request::Again {}, Request::Cancel {}] {
            rig.ask(request);
            rig.run(3.0);
        }
        for frames in &rig.frames[first..] {
            if let Err(why) = dark(&PLAN, frames) { prop_assert!(false, "after off: {}", why); }
        }
    }
}

proptest! {
    #![proptest_config(cases(100))]

    /// The same with few requests and many streams: light alone, a reload that moves lamps, an end of the daemon.
    #[test]
    fn short_streams_of_any_requests_light_no_held_lamp(
        before in proptest::collection::vec((any_other(), 0..4_usize), 1..4),
        requests in proptest::collection::vec((any_other(), 0..4_usize), 1..8),
        after in any::<Option<bool>>(),
    ) {
        let mut rig = Rig::new(PLAN.clone());
        for (request, frames) in before {
            rig.ask(request);
            for _ in 0..frames { rig.frame(); }
        }
        let first = rig.frames.len();
        rig.ask(Request::ProtectOn {});
        for (request, frames) in requests {
            rig.ask(request);
            for _ in 0..frames { rig.frame(); }
        }
        rig.frame();
        for frames in &rig.frames[first..] {
            if let Err(why) = dark(&PLAN, frames) { prop_assert!(false, "{}", why); }
        }
        let Some(off) = after else { return Ok(()) };
        // Killed; another set may have turned it off meanwhile.
        let protect = if off { ProtectFound::Off } else { ProtectFound::On };
        let options = Options { simulate: true, protect, ..Options::default() };
        let kept = Some(rig.engine.to_keep());
        let start = Start { kept, gap_s: Some(0.1), same_boot: true, ..Start::default() };
        let mut rig = Rig::starting(PLAN.clone(), options, start);
        for _ in 0..4 { rig.frame(); }
        rig.ask(Request::Again {});
        for _ in 0..4 { rig.frame(); }
        for frames in &rig.frames {
            if let Err(why) = dark(&PLAN, frames) { prop_assert!(false, "after a start: {}", why); }
        }
    }
}

#[test]
fn what_another_plan_left_is_told_without_its_names() {
    for (only, take, scheduled) in (0..8).map(|i| (i & 1 > 0, i & 2 > 0, i & 4 > 0)) {
        for same_boot in [true, false] {
            for found in [ProtectFound::On, ProtectFound::Off] {
                let options = Options { simulate: true, protect: found.clone(), ..Options::default() };
                let kept = Some(left(only, take, scheduled));
                let start = Start { kept, gap_s: Some(0.5), same_boot, ..Start::default() };
                let mut rig = Rig::starting(PLAN.clone(), options, start);
                if found == ProtectFound::Off {
                    rig.run(1.0);
                }
                let told = rig.alerts.len();
                let mut texts = vec![rig.done(r#"{"do":"protect-on"}"#)];
                rig.run(1.0);
                texts.push(serde_json::to_string(&rig.status()).expect("JSON"));
                if let Some(take) = rig.status().now.take {
                    texts.push(take);
                    texts.push(rig.done(r#"{"do":"take-end"}"#));
                }
                texts.push(serde_json::to_string(&rig.json(r#"{"do":"again"}"#)).expect("JSON"));
                for request in [r#"{"do":"take-start","slate":"narwhal"}"#, r#"{"do":"take-end"}"#] {
                    texts.push(serde_json::to_string(&rig.json(request)).expect("JSON"));
                }
                texts.extend(rig.alerts[told..].iter().map(|(_, _, said)| said.clone()));
                for text in texts {
                    assert_eq!(leaks(&text), None, "{text}");
                }
            }
        }
    }
}

#[test]
fn the_reason_of_an_unlocked_strobe_is_not_told_while_protected() {
    let mut rig = Rig::new(PLAN.clone());
    let said = |rig: &Rig| {
        let alerts = rig.status().alerts;
        alerts.into_iter().find(|a| a.kind == "strobe-unlocked").expect("it stands").said
    };
    rig.run(1.0);
    assert!(said(&rig).contains("zebra1") && said(&rig).contains("walrus wants a flash"), "{}", said(&rig));
    rig.done(r#"{"do":"protect-on"}"#);
    rig.run(1.0);
    assert!(said(&rig).contains("lamp-2"), "{}", said(&rig));
    assert_eq!(leaks(&said(&rig)), None, "{}", said(&rig));
}

#[test]
fn the_demo_has_lamps_that_are_held_and_one_set_by_hand_or_free() {
    let held = held(&PLAN);
    assert!(held.len() >= 3, "{held:?}");
    assert!(held.len() < PLAN.fixtures.len(), "{held:?}");
}

#[test]
fn on_cuts_in_the_next_frame_is_written_and_is_then_answered() {
    let mut rig = Rig::new(PLAN.clone());
    bright(&mut rig);
    let before = rig.frames.len();
    assert!(dark(&PLAN, rig.frames.last().expect("frames")).is_err(), "they were lit");
    let said = rig.done(r#"{"do":"protect-on"}"#);
    assert_eq!(rig.protect_kept, [true]);
    assert!(rig.frames.len() >= before + 2, "the answer comes once its frame is on the wire");
    for frames in &rig.frames[before..] {
        dark(&PLAN, frames).expect("cut, not faded");
    }
    assert!(said.starts_with("protected · held at zero: lamp-"), "{said}");
    assert!(said.contains(" · UNPLUG lamp-"), "{said}");
    assert!(said.ends_with("check the recording with its shadows lifted"), "{said}");
    let status = rig.status();
    assert!(status.protect.on && !status.protect.held.is_empty());
    assert_eq!(status.fixtures[0].id, "lamp-1");
    assert!(status.alerts.iter().any(|a| a.kind == "protect-on"));
    assert!(status.alerts.iter().any(|a| a.kind == "protect-unplug" && a.said.starts_with("UNPLUG lamp-")));
    let held = &status.fixtures.iter().find(|f| status.protect.held.contains(&f.id) && f.asked.lux > 0.0);
    assert_eq!(held.expect("asked for").limited_by, ["protect"]);
}

#[test]
fn off_takes_a_code_within_30_s_and_no_rolling_take_and_lights_nothing() {
    let mut rig = Rig::new(PLAN.clone());
    bright(&mut rig);
    rig.done(r#"{"do":"protect-on"}"#);
    let refused = |rig: &mut Rig, text: &str| rig.json(text).error.expect("refused");
    let none = refused(&mut rig, r#"{"do":"protect-off","code":"0000"}"#);
    assert_eq!(
        (none.kind, none.said.as_str()),
        (FailureKind::Guarded, "no code has been asked for: it stays on")
    );
    let first = code(&mut rig);
    rig.run(31.0);
    let late = refused(&mut rig, &format!(r#"{{"do":"protect-off","code":"{first}"}}"#));
    assert_eq!(late.said, "the code has lapsed after 30 s: it stays on");
    rig.done(r#"{"do":"dark","now":true}"#);
    rig.run(1.0);
    rig.done(r#"{"do":"take-start"}"#);
    let rolls = refused(&mut rig, r#"{"do":"protect-off"}"#);
    assert_eq!(
        (rolls.kind, rolls.hint.as_deref()),
        (FailureKind::Guarded, Some("end it: `lampkeep take end`"))
    );
    rig.done(r#"{"do":"take-end"}"#);
    bright(&mut rig);
    assert!(off(&mut rig).ok);
    assert_eq!(rig.protect_kept, [true, false]);
    dark(&PLAN, &rig.run(5.0)).expect("dark until the next recall");
    rig.json(r#"{"do":"again"}"#);
    dark(&PLAN, &rig.run(5.0)).expect("again is no recall");
    assert_eq!(rig.status().fixtures[0].id, "zebra0", "names again");
    bright(&mut rig);
    assert!(dark(&PLAN, rig.frames.last().expect("frames")).is_err(), "a recall lights them");
    assert_eq!(refused(&mut rig, r#"{"do":"protect-off"}"#).said, "nothing is protected");
}

#[test]
fn on_passes_in_a_take_whose_verdict_then_names_the_guard() {
    let mut rig = Rig::new(PLAN.clone());
    let look = PLAN
        .looks
        .iter()
        .find(|l| !l.protect && l.targets.iter().all(|t| t.motion.is_none()) && !l.targets.is_empty());
    rig.done(&format!(r#"{{"do":"recall","look":"{}","over_s":0}}"#, look.expect("a still look").name));
    rig.run(20.0);
    rig.done(r#"{"do":"take-start"}"#);
    rig.run(2.0);
    rig.done(r#"{"do":"protect-on"}"#);
    dark(&PLAN, &rig.frame()).expect("cut in the take too");
    let said = rig.done(r#"{"do":"take-end"}"#);
    assert!(
        said.contains("not steady: a guard acted: lamp-") && said.contains(" held by protect after "),
        "{said}"
    );
}

#[test]
fn a_look_marked_protect_turns_it_on_and_a_lamp_asked_by_itself_is_refused_with_the_way_out() {
    let mut rig = Rig::new(PLAN.clone());
    bright(&mut rig);
    let look = PLAN.looks.iter().find(|l| l.protect).expect("one").name.clone();
    let first = rig.frames.len();
    rig.done(&format!(r#"{{"do":"recall","look":"{look}","over_s":2}}"#));
    assert_eq!(rig.protect_kept, [true]);
    rig.run(3.0);
    for frames in &rig.frames[first..] {
        dark(&PLAN, frames).expect("no fade from a lit state");
    }
    let id = held(&PLAN)[0].clone();
    for word in ["only", "wink"] {
        let error = rig.json(&format!(r#"{{"do":"{word}","lamp":"{id}"}}"#)).error.expect("refused");
        assert_eq!(error.kind, FailureKind::Guarded);
        assert!(error.said.ends_with("is held dark: it reaches a protected face"), "{}", error.said);
        assert_eq!(error.hint.as_deref(), Some("`lampkeep protect off` gives a code that ends it"));
    }
    let bright =
        PLAN.looks.iter().max_by_key(|l| if l.protect { 0 } else { l.targets.len() }).expect("looks");
    let said = rig.done(&format!(r#"{{"do":"recall","look":"{}"}}"#, bright.name));
    assert!(said.contains(" · held dark: lamp-") && said.ends_with("(a protected face)"), "{said}");
}

#[test]
fn a_hand_set_lamp_is_asked_for_until_it_is_confirmed_also_in_a_take() {
    let mut plan = PLAN.clone();
    plan.fixtures[0].control = Control::Hand;
    plan.fixtures[0].absent = None;
    let mut rig = Rig::new(plan);
    rig.done(r#"{"do":"protect-on"}"#);
    // The demo's practical is the other one.
    assert_eq!(rig.status().protect.unconfirmed, ["lamp-1", "lamp-12"]);
    rig.run(1.0);
    rig.done(r#"{"do":"take-start"}"#);
    let before = slots(&rig.frame());
    rig.done(r#"{"do":"absent","lamp":"lamp-1"}"#);
    assert_eq!(slots(&rig.run(1.0)), before, "it changes no light");
    assert_eq!(rig.status().protect.unconfirmed, ["lamp-12"]);
    let back = rig.json(r#"{"do":"absent","lamp":"lamp-1","back":true}"#).error.expect("refused in a take");
    assert_eq!(back.kind, FailureKind::Guarded);
}

#[test]
fn what_the_machine_s_file_says_binds_at_the_start_and_while_it_runs() {
    for found in [ProtectFound::On, ProtectFound::Unreadable("cut short".to_owned())] {
        let mut plan = PLAN.clone();
        plan.on_start = lampkeep::plan::OnStart::Look(lampkeep::plan::LookId(0));
        let options =
            Options { simulate: true, boot_id: "test".into(), protect: found.clone(), ..Options::default() };
        let mut rig = Rig::start(plan, options);
        rig.run(10.0);
        for frames in &rig.frames {
            dark(&PLAN, frames).expect("from the very first frame");
        }
        let damaged = rig.status().alerts.iter().any(|a| a.kind == "protect-damaged");
        assert_eq!(damaged, found != ProtectFound::On);
    }
    let mut rig = Rig::new(PLAN.clone());
    bright(&mut rig);
    let now = rig.engine.plan().frames.moment_of(rig.engine.next_frame());
    drop(rig.engine.handle(Event::Protect(ProtectFound::On), now));
    dark(&PLAN, &rig.frame()).expect("another set's on binds at once");
    drop(rig.engine.handle(Event::Protect(ProtectFound::Gone), now));
    assert!(rig.status().protect.on, "a file that is gone turns nothing off");
    drop(rig.engine.handle(Event::Protect(ProtectFound::Off), now));
    assert!(!rig.status().protect.on);
    dark(&PLAN, &rig.run(3.0)).expect("dark until the next recall");
}

/// A take that rolls with protection on, over a look that stands.
fn in_a_take() -> Rig {
    let mut rig = Rig::new(PLAN.clone());
    let still = |l: &&lampkeep::plan::Look| {
        !l.protect && l.targets.iter().all(|t| t.motion.is_none()) && !l.targets.is_empty()
    };
    let look = PLAN.looks.iter().find(still).expect("a still look");
    rig.done(&format!(r#"{{"do":"recall","look":"{}","over_s":0}}"#, look.name));
    rig.run(20.0);
    rig.done(r#"{"do":"take-start"}"#);
    rig.done(r#"{"do":"protect-on"}"#);
    rig.run(1.0);
    rig
}

/// docs/interface.md: `protect off` needs a take that does not roll; another set knows nothing of this one's take.
#[test]
fn another_set_s_off_that_comes_in_a_take_holds_once_it_has_ended_unless_it_is_on_again() {
    for on_again in [false, true] {
        let mut rig = in_a_take();
        let first = rig.frames.len();
        let now = rig.engine.plan().frames.moment_of(rig.engine.next_frame());
        drop(rig.engine.handle(Event::Protect(ProtectFound::Off), now));
        rig.run(1.0);
        assert!(rig.status().protect.on, "it holds until the take has ended");
        if on_again {
            drop(rig.engine.handle(Event::Protect(ProtectFound::On), now));
            rig.frame();
        }
        rig.done(r#"{"do":"take-end"}"#);
        rig.run(1.0);
        assert_eq!(rig.status().protect.on, on_again);
        for frames in &rig.frames[first..] {
            dark(&PLAN, frames).expect("and dark until the next recall");
        }
        bright(&mut rig);
        assert_eq!(dark(&PLAN, rig.frames.last().expect("frames")).is_ok(), on_again);
    }
}

/// Off is not off before its file says so: killed in between, it would come up on.
#[test]
fn an_off_whose_file_is_not_written_yet_holds_every_lamp_and_nothing_asked_meanwhile_lights_one() {
    let mut rig = Rig::new(PLAN.clone());
    bright(&mut rig);
    rig.done(r#"{"do":"protect-on"}"#);
    let code = code(&mut rig);
    let now = rig.engine.plan().frames.moment_of(rig.engine.next_frame());
    let text = format!(r#"{{"do":"protect-off","code":"{code}"}}"#);
    let envelope = lampkeep::control::decode_request(text.as_bytes()).expect("a request");
    let actions = rig.engine.handle(Event::Ask(Ticket(1 << 40), envelope), now);
    let serial = actions.iter().find_map(|a| match a {
        Action::KeepProtect { serial, on: false } => Some(*serial),
        _ => None,
    });
    let first = rig.frames.len();
    rig.run(1.0);
    assert!(rig.status().protect.on, "it is still on its way to the disk");
    bright(&mut rig);
    drop(rig.engine.handle(Event::ProtectKept(serial.expect("it is to be written"), Ok(())), now));
    assert!(!rig.status().protect.on);
    rig.run(1.0);
    for frames in &rig.frames[first..] {
        dark(&PLAN, frames).expect("dark until a recall that comes after");
    }
}

#[test]
fn a_file_that_is_not_written_is_told_loudly_and_the_lamps_are_held_all_the_same() {
    let mut rig = Rig::new(PLAN.clone());
    bright(&mut rig);
    rig.fails = Some(NotKept::Failed("no space left".to_owned()));
    let said = rig.done(r#"{"do":"protect-on"}"#);
    let warning =
        "WARNING: it holds now but will not survive a restart: the file was not written (no space left)";
    assert!(said.ends_with(warning), "{said}");
    dark(&PLAN, &rig.frame()).expect("held");
    assert!(rig.status().alerts.iter().any(|a| a.kind == "protect-unkept"));
    rig.fails = Some(NotKept::Changed);
    let error = off(&mut rig).error.expect("another set turned it on");
    assert_eq!(error.said, "another set turned protection on meanwhile: it stays on");
    assert!(rig.status().protect.on);
}

#[test]
fn names_in_a_refused_reload_and_in_what_was_typed_are_not_given_back() {
    let mut rig = Rig::new(PLAN.clone());
    rig.done(r#"{"do":"protect-on"}"#);
    for text in [
        r#"{"do":"recall","look":"ibex at dawn"}"#,
        r#"{"do":"absent","lamp":"ibex"}"#,
        r#"{"do":"keep","name":"Ibex!"}"#,
        r#"{"do":"take-start","slate":"ibex ibex"}"#,
    ] {
        let answer = serde_json::to_string(&rig.json(text)).expect("JSON").to_lowercase();
        assert!(!answer.contains("ibex"), "{answer}");
    }
}
