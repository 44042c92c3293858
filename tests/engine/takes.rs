//! A take is sacred. Source of each: the requirement's own rule (practice of the field: nothing changes while
//! the camera rolls) and docs/interface.md parts 1, 3 and 5; never our own output.

use crate::properties::{any_request_of_takes_too, cases};
use crate::rig::{self, Rig, slots};
use crate::take_log::warm_start;
use lampkeep::control::{FailureKind, LinkState, OutputStatus, Request};
use lampkeep::engine::{Action, Event};
use lampkeep::plan::{Plan, load};
use proptest::prelude::*;
use std::sync::LazyLock;

/// The demo with a file of its own, since looks can be kept only then, and no look that moves by itself.
static STILL: LazyLock<Plan> = LazyLock::new(|| {
    let mut plan = load::demo();
    plan.path = Some("pilot-station.toml".into());
    plan
});

/// A rig whose lamps have been on for an hour: a cold one is no reason here.
fn warm(plan: Plan) -> Rig {
    let start = warm_start(&plan);
    Rig::from(plan, start)
}

/// A rig whose first still look stands.
fn lit() -> Rig {
    let mut rig = warm(STILL.clone());
    let look = still_look(0);
    rig.done(&format!(r#"{{"do":"recall","look":"{look}","over_s":0.0}}"#));
    rig.run(20.0);
    rig
}

/// The name of the demo's n-th look that lights something and does not move.
fn still_look(n: usize) -> &'static str {
    let mut still =
        STILL.looks.iter().filter(|l| !l.targets.is_empty() && l.targets.iter().all(|t| t.motion.is_none()));
    &still.nth(n).expect("still looks").name
}

fn refused(rig: &mut Rig, text: &str) -> (FailureKind, String, String) {
    let error = rig.json(text).error.unwrap_or_else(|| panic!("{text} passes"));
    (error.kind, error.said, error.hint.expect("a next step"))
}

const START: &str = r#"{"do":"take-start"}"#;
const END: &str = r#"{"do":"take-end"}"#;

/// Requests that change neither light nor plan.
fn only_reads(request: &Request) -> bool {
    matches!(
        request,
        Request::Status { .. }
            | Request::Explain { .. }
            | Request::Names {}
            | Request::Cold { .. }
            | Request::Cancel {}
            | Request::Read { .. }
            | Request::Match { apply: false, undo: false, .. }
            | Request::Meter { show: None, apply: None, end: false, undo: false, .. }
            | Request::TakeAmend { .. }
            | Request::TakeList { .. }
            | Request::TakeSheet { .. }
    )
}

proptest! {
    #![proptest_config(cases(16))]

    /// practice.md pain 10: 1000 random commands in a take, slots unchanged, each answered with a reason.
    #[test]
    fn a_thousand_random_requests_in_a_take_change_no_slot(
        requests in proptest::collection::vec((any_request_of_takes_too(), 0..3_usize), 1000),
        scheduled_in in 0.1..5.0,
    ) {
        let mut rig = lit();
        let before = slots(rig.frames.last().expect("frames"));
        // It falls due while the take rolls.
        rig.done(&format!(r#"{{"do":"recall","look":"{}","in_s":{scheduled_in}}}"#, still_look(1)));
        rig.done(START);
        let plan = rig.engine.plan().hash.clone();
        let first = rig.frames.len();
        rig.run(6.0);
        for (request, frames) in requests {
            // These two pass by right; they have tests of their own.
            if matches!(request, Request::Dark { .. } | Request::TakeEnd { .. } | Request::ProtectOn {}) {
                continue;
            }
            let answer = rig.ask(request.clone());
            if only_reads(&request) {
                let guarded = answer.error.as_ref().is_some_and(|e| e.kind == FailureKind::Guarded);
                prop_assert!(!guarded, "{request:?} only reads or notes");
            } else {
                let error = answer.error.unwrap_or_else(|| panic!("{request:?} passes"));
                prop_assert_eq!(error.kind, FailureKind::Guarded);
                prop_assert!(error.said.contains("take 1/1 rolls"));
                prop_assert_eq!(error.hint.as_deref(), Some("end it: `lampkeep take end`"));
            }
            for _ in 0..frames {
                rig.frame();
            }
        }
        rig.run(1.0);
        for frames in &rig.frames[first..] {
            prop_assert_eq!(&slots(frames), &before);
        }
        prop_assert_eq!(&rig.engine.plan().hash, &plan);
        prop_assert!(rig.written.is_empty());
        prop_assert!(rig.told.iter().any(|t| t.contains("take 1/1 rolls")), "{:?}", rig.told);
        prop_assert!(rig.done(END).contains("sent steady"));
    }
}

/// What passes while a take rolls.
fn passes(request: &Request) -> bool {
    only_reads(request)
        || matches!(request, Request::Dark { .. } | Request::TakeEnd { .. } | Request::ProtectOn {})
}

proptest! {
    #![proptest_config(cases(100))]

    /// The same with few requests and many streams: a reload under way and a recall to come among them, and a
    /// `dark`, after which it stays dark. Source: the requirement on takes.
    #[test]
    fn short_streams_in_a_take_change_no_slot(
        requests in proptest::collection::vec((any_request_of_takes_too(), 0..3_usize), 1..8),
        due in proptest::option::of(0.02..0.4),
        darkens in proptest::option::of(0..8_usize),
    ) {
        let mut rig = warm(STILL.clone());
        rig.done(&format!(r#"{{"do":"recall","look":"{}","over_s":0.0}}"#, still_look(0)));
        rig.run(0.2);
        // A lamp that still rises or looks for its mix: `take start` says so.
        while !rig.json(START).ok {
            rig.run(0.5);
        }
        rig.done(END);
        let before = slots(&rig.frame());
        if let Some(due_s) = due {
            rig.done(&format!(r#"{{"do":"recall","look":"{}","over_s":0.0,"in_s":{due_s}}}"#, still_look(1)));
        }
        let ticket = lampkeep::engine::Ticket(77);
        let now = rig.engine.plan().frames.moment_of(rig.engine.next_frame());
        let envelope = lampkeep::control::Envelope { id: None, request: Request::Reload {} };
        drop(rig.engine.handle(Event::Ask(ticket, envelope), now));
        rig.done(START);
        let mut read = Some(());
        let mut darkened = false;
        for (at, (request, frames)) in requests.into_iter().enumerate() {
            if darkens == Some(at) {
                rig.done(r#"{"do":"dark","now":true}"#);
                darkened = true;
            }
            // After a `dark` that was a mistake `again` passes by right, and has a test of its own.
            let back = darkened && matches!(request, Request::Again {});
            if !passes(&request) && !back {
                let answer = rig.ask(request.clone());
                let error = answer.error.unwrap_or_else(|| panic!("{request:?} passes"));
                prop_assert_eq!(error.kind, FailureKind::Guarded);
            }
            for _ in 0..frames {
                let sent = slots(&rig.frame());
                prop_assert!(darkened || sent == before, "after {:?}", request);
            }
            if at > 0 && read.take().is_some() {
                let plan = std::sync::Arc::new(STILL.clone());
                let now = rig.engine.plan().frames.moment_of(rig.engine.next_frame());
                let actions = rig.engine.handle(Event::PlanRead(ticket, Ok(plan)), now);
                prop_assert!(!actions.iter().any(|a| matches!(a, Action::Adopt(_))), "a plan is taken in a take");
            }
        }
        rig.run(0.5);
        if darkened {
            let dark = rig.status().fixtures.iter().all(|f| f.sent.lux == 0.0);
            prop_assert!(dark, "nothing that is refused brings light back");
        } else {
            prop_assert_eq!(slots(rig.frames.last().expect("frames")), before);
        }
        let told = rig.alerts.iter().any(|(_, kind, said)| {
            kind == "scheduled-refused" && said.contains("take 1/2 rolls")
        });
        // A `dark` lets it be forgotten.
        prop_assert!(told == due.is_some() || (darkened && !told), "{:?}", rig.alerts);
    }
}

#[test]
fn dark_passes_in_a_take_and_again_after_it_and_the_take_is_marked() {
    let mut rig = lit();
    let before = slots(rig.frames.last().expect("frames"));
    rig.done(START);
    rig.run(2.0);
    assert_eq!(refused(&mut rig, r#"{"do":"again"}"#).0, FailureKind::Guarded, "nothing to come back from");
    rig.done(r#"{"do":"dark","now":true}"#);
    rig.run(3.0);
    assert!(rig.status().fixtures.iter().all(|f| f.sent.lux == 0.0));
    assert_eq!(rig.status().now.take.as_deref(), Some("1/1"), "it still rolls");
    let next = format!(r#"{{"do":"recall","look":"{}"}}"#, still_look(1));
    assert_eq!(refused(&mut rig, &next).0, FailureKind::Guarded);
    rig.done(r#"{"do":"again"}"#);
    rig.run(20.0);
    assert_eq!(slots(rig.frames.last().expect("frames")), before, "the light from before, exactly");
    let said = rig.done(END);
    assert!(said.contains("not steady: light changed: dark after 2.0 s, again after 5.0 s"), "{said}");
}

#[test]
fn a_take_does_not_start_in_a_fade_and_says_what_is_left() {
    let mut rig = lit();
    rig.done(&format!(r#"{{"do":"recall","look":"{}","over_s":4.0}}"#, still_look(1)));
    rig.run(1.0);
    let (kind, said, _) = refused(&mut rig, START);
    assert_eq!(kind, FailureKind::Guarded);
    assert_eq!(said, "a fade runs: 3.0 s left");
    assert_eq!(rig.status().now.take, None);
    rig.run(20.0);
    rig.done(r#"{"do":"rollcall","each_s":1.0}"#);
    assert!(refused(&mut rig, START).1.starts_with("a rollcall runs"));
    rig.run(30.0);
    // The number was not used up by what was refused.
    assert!(rig.done(START).starts_with("take 1/1 rolls"));
    assert_eq!(refused(&mut rig, START).0, FailureKind::Guarded, "a second one while it rolls");
}

/// What random requests do not reach: these change light or plan too.
#[test]
fn a_calibration_and_a_reload_are_refused_in_a_take() {
    let mut rig = lit();
    let before = slots(rig.frames.last().expect("frames"));
    rig.done(START);
    let lamp = &STILL.fixtures.iter().find(|f| f.address().is_some() && f.absent.is_none()).expect("one").id;
    for text in [
        format!(r#"{{"do":"calibrate","lamp":"{lamp}","value":1}}"#),
        r#"{"do":"calibrate","end":true}"#.to_owned(),
        r#"{"do":"reload"}"#.to_owned(),
    ] {
        let (kind, said, hint) = refused(&mut rig, &text);
        assert_eq!((kind, hint.as_str()), (FailureKind::Guarded, "end it: `lampkeep take end`"), "{said}");
        assert_eq!(slots(&rig.run(0.5)), before, "{text}");
    }
    assert!(rig.done(END).contains("sent steady"));
}

#[test]
fn a_take_does_not_start_while_a_lamp_winks_or_still_rises_or_a_look_is_on_its_way_to_the_disk() {
    let mut rig = lit();
    let lamp = STILL.fixtures.iter().find(|f| f.address().is_some() && f.absent.is_none()).expect("one");
    rig.done(&format!(r#"{{"do":"wink","lamp":"{}"}}"#, lamp.id));
    rig.frame();
    let (kind, said, _) = refused(&mut rig, START);
    assert_eq!(kind, FailureKind::Guarded);
    assert!(said.starts_with(&format!("{} winks: ", lamp.id)), "{said}");
    rig.run(10.0);
    let now = rig.engine.plan().frames.moment_of(rig.engine.next_frame());
    let keep =
        lampkeep::control::decode_request(br#"{"do":"keep","name":"kept-in-test"}"#).expect("a request");
    let ticket = lampkeep::engine::Ticket(77);
    let actions = rig.engine.handle(Event::Ask(ticket, keep), now);
    assert!(actions.iter().any(|a| matches!(a, Action::WriteLook { .. })), "{actions:?}");
    assert_eq!(refused(&mut rig, START).0, FailureKind::Busy);
    drop(rig.engine.handle(Event::LookWritten(ticket, Ok(())), now));
    rig.done(START);

    let mut plan = STILL.clone();
    plan.fixtures.iter_mut().for_each(|f| f.limits.rise_per_s = Some(0.05));
    let mut rig = warm(plan);
    rig.done(&format!(r#"{{"do":"recall","look":"{}","over_s":0.0}}"#, still_look(0)));
    rig.run(0.5);
    let (kind, said, _) = refused(&mut rig, START);
    assert_eq!(kind, FailureKind::Guarded);
    assert!(said.ends_with("is still rising, no faster than it may"), "{said}");
}

#[test]
fn a_take_does_not_start_while_a_motion_still_goes_to_the_start_of_the_one_before() {
    let moves = STILL.looks.iter().find(|l| l.targets.iter().any(|t| t.motion.is_some()));
    let mut rig = warm(STILL.clone());
    rig.done(&format!(r#"{{"do":"recall","look":"{}","over_s":0.0}}"#, moves.expect("one moves").name));
    rig.run(10.0);
    assert!(rig.done(START).contains("the motion goes to its start: 2 s"));
    rig.run(1.0);
    rig.done(END);
    let (kind, said, _) = refused(&mut rig, START);
    assert_eq!(kind, FailureKind::Guarded);
    assert!(said.starts_with("a motion goes to its start: "), "{said}");
    rig.run(1.1);
    rig.done(START);
}

#[test]
fn slates_and_takes_are_counted_on() {
    let mut rig = lit();
    let mut names = Vec::new();
    for slate in [None, None, Some("4"), None, Some("27A"), Some("4"), None] {
        let request = Request::TakeStart { slate: slate.map(str::to_owned), in_s: None };
        assert!(rig.ask(request).ok);
        names.push(rig.status().now.take.expect("it rolls"));
        rig.run(0.5);
        rig.done(END);
        assert_eq!(rig.status().now.take, None);
    }
    assert_eq!(names, ["1/1", "1/2", "4/1", "4/2", "27A/1", "4/3", "4/4"]);
    for slate in ["", "4/3", "a b", "123456789012345678901", "é"] {
        let answer = rig.ask(Request::TakeStart { slate: Some(slate.to_owned()), in_s: None });
        assert_eq!(answer.error.expect("refused").kind, FailureKind::BadField, "{slate}");
    }
}

#[test]
fn a_persons_mark_stands_apart_from_the_verdict() {
    let mut rig = lit();
    for (mark, word) in [("good", "good"), ("bad", "bad")] {
        rig.done(START);
        rig.run(2.0);
        let answer = rig.json(&format!(r#"{{"do":"take-end","mark":"{mark}"}}"#));
        let said = answer.said.expect("done");
        assert!(said.ends_with(&format!("over after 2.0 s · sent steady · marked {word}")), "{said}");
        let data = answer.data.expect("parts");
        assert_eq!((data["steady"].as_bool(), data["mark"].as_str()), (Some(true), Some(word)));
    }
    assert_eq!(refused(&mut rig, END).0, FailureKind::Nothing);
    assert!(lampkeep::control::decode_request(br#"{"do":"take-end","mark":"fine"}"#).is_err());
}

fn output(state: LinkState, reopened: u64, last_gap_s: Option<f64>) -> Event {
    Event::Outputs(vec![OutputStatus { reopened, last_gap_s, ..rig::output("raw", "front-rail", state) }])
}

#[test]
fn a_gap_on_the_wire_is_a_reason_also_one_between_two_looks() {
    let mut rig = lit();
    let now = |rig: &Rig| rig.engine.plan().frames.moment_of(rig.engine.next_frame());
    for (events, why) in [
        (vec![output(LinkState::Up, 3, None)], None),
        (
            vec![output(LinkState::Down, 3, None), output(LinkState::Up, 4, Some(2.0))],
            Some("front-rail, 2.0 s at last"),
        ),
        (vec![output(LinkState::Up, 5, Some(0.2))], Some("front-rail, 0.2 s at last")),
        (vec![output(LinkState::Down, 5, Some(0.2))], Some("front-rail does not send")),
    ] {
        rig.done(START);
        for event in events {
            rig.run(0.5);
            let now = now(&rig);
            drop(rig.engine.handle(event, now));
        }
        let said = rig.done(END);
        match why {
            None => assert!(said.contains("sent steady"), "{said}"),
            Some(why) => {
                assert!(said.contains("not steady: gap on the wire") && said.contains(why), "{said}")
            }
        }
    }
}

#[test]
fn rest_does_not_go_dark_in_a_take_and_a_stop_tells_of_it() {
    let mut plan = STILL.clone();
    assert!(plan.rest.is_some(), "the demo has a rest look");
    plan.rest_for = std::time::Duration::from_secs(30);
    let mut rig = warm(plan);
    rig.done(r#"{"do":"rest"}"#);
    rig.run(25.0);
    let before = slots(rig.frames.last().expect("frames"));
    rig.done(START);
    assert_eq!(slots(&rig.run(20.0)), before);
    assert!(rig.done(END).contains("sent steady"));
    rig.run(0.1);
    assert_eq!(rig.status().now.look, "dark", "its time was over");
    rig.run(20.0);
    rig.done(START);
    let now = rig.engine.plan().frames.moment_of(rig.engine.next_frame());
    let actions = rig.engine.handle(Event::Stop, now);
    let told = actions.iter().any(|a| matches!(a, Action::Tell(alert) if alert.kind == "take-cut"));
    assert!(told, "{actions:?}");
}

#[test]
fn a_reload_under_way_when_a_take_starts_is_refused() {
    let mut rig = lit();
    let ticket = lampkeep::engine::Ticket(77);
    let now = rig.engine.plan().frames.moment_of(rig.engine.next_frame());
    let envelope = lampkeep::control::Envelope { id: None, request: Request::Reload {} };
    drop(rig.engine.handle(Event::Ask(ticket, envelope), now));
    rig.done(START);
    let plan = std::sync::Arc::clone(rig.engine.plan());
    let actions = rig.engine.handle(Event::PlanRead(ticket, Ok(plan)), now);
    let [Action::Reply(_, answer), Action::Record(_)] = &actions[..] else { panic!("{actions:?}") };
    assert_eq!(answer.error.as_ref().map(|e| e.kind), Some(FailureKind::Guarded));
}
