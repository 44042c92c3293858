use std::collections::HashSet;

use proptest::prelude::*;

use super::*;

const FRESH: Duration = Duration::from_secs(5);

fn judge(by: FreshBy) -> Judge {
    Judge::new(Requests { fresh: FRESH, by })
}

fn plain() -> Delivered {
    Delivered { retained: false, expires_in: None }
}

fn expiring(s: f64) -> Delivered {
    Delivered { expires_in: Some(Duration::from_secs_f64(s)), ..plain() }
}

/// The wall clock at `up` seconds after the start.
fn wall(up: f64) -> Timestamp {
    let start: Timestamp = "2026-05-04T10:00:00Z".parse().unwrap();
    start + jiff::SignedDuration::from_secs_f64(up)
}

fn received(up: f64) -> Received {
    Received { wall: wall(up), up: Duration::from_secs_f64(up), proven: Duration::from_secs(1) }
}

fn recall(look: &str) -> Request {
    Request::Recall { look: Some(look.into()), take: None, over_s: None, in_s: None, at: None }
}

/// What becomes of a request of this id, sent and received so many seconds after the start.
fn came(judge: &mut Judge, id: &str, sent: f64, up: f64, delivered: Delivered) -> Verdict {
    let sent = wall(sent).to_string();
    let stamp = Stamp { id: Some(id), sent: Some(&sent) };
    judge.judge(stamp, &recall("quay-dusk"), delivered, received(up))
}

fn kind(verdict: Verdict) -> FailureKind {
    let Verdict::Refused(failure) = verdict else { panic!("{verdict:?} is no refusal") };
    assert!(failure.hint.is_some() && !failure.said.is_empty());
    failure.kind
}

fn done(id: &str) -> Answer {
    Answer {
        id: Some(id.into()),
        ok: true,
        said: Some("quay-dusk".into()),
        now: None,
        data: None,
        error: None,
    }
}

/// Source of the bounds: interface.md part 4: older than `fresh` (default 5 s), from before the daemon's
/// start, or over 2 s ahead: refused.
#[test]
fn a_request_is_done_from_two_seconds_ahead_to_fresh_and_not_outside() {
    for (age, wanted) in [
        (-2.001, Some(FailureKind::TooEarly)),
        (-1.999, None),
        (0.0, None),
        (4.999, None),
        (5.001, Some(FailureKind::TooLate)),
        (86_400.0, Some(FailureKind::TooLate)),
        (-1e7, Some(FailureKind::TooEarly)),
    ] {
        let verdict = came(&mut judge(FreshBy::Clock), "a", 1000.0 - age, 1000.0, plain());
        match wanted {
            None => assert_eq!(verdict, Verdict::Do, "{age} s old"),
            Some(wanted) => assert_eq!(kind(verdict), wanted, "{age} s old"),
        }
    }
}

#[test]
fn a_request_from_before_the_start_is_refused_though_it_is_fresh() {
    let verdict = came(&mut judge(FreshBy::Clock), "a", -0.5, 1.0, plain());
    assert_eq!(kind(verdict), FailureKind::TooLate);
    assert_eq!(came(&mut judge(FreshBy::Clock), "a", 0.5, 1.0, plain()), Verdict::Do);
}

#[test]
fn a_clock_that_is_set_after_the_start_locks_nobody_out() {
    // Started in 1970 for want of a clock battery; 10 s later a time server sets the clock.
    let mut judge = judge(FreshBy::Clock);
    let now: Timestamp = "2026-05-04T10:00:00Z".parse().unwrap();
    let at = Received { wall: now, up: Duration::from_secs(10), proven: Duration::ZERO };
    let sent = (now - jiff::SignedDuration::from_secs(1)).to_string();
    let stamp = Stamp { id: Some("a"), sent: Some(&sent) };
    assert_eq!(judge.judge(stamp, &recall("a"), plain(), at), Verdict::Do);
}

#[test]
fn a_retained_request_is_refused_however_fresh() {
    let mut judge = judge(FreshBy::Clock);
    let kept = Delivered { retained: true, ..plain() };
    assert_eq!(kind(came(&mut judge, "a", 10.0, 10.0, kept)), FailureKind::Retained);
    assert_eq!(came(&mut judge, "a", 10.0, 10.0, plain()), Verdict::Do, "its id is free still");
    assert_eq!(kind(came(&mut judge, "a", 10.0, 10.0, kept)), FailureKind::Retained);
}

#[test]
fn id_and_sent_are_needed_and_sent_is_a_moment_by_rfc_3339() {
    let mut judge = judge(FreshBy::Clock);
    let mut ask = |id, sent| kind(judge.judge(Stamp { id, sent }, &recall("a"), plain(), received(10.0)));
    let now = "2026-05-04T10:00:10Z";
    assert_eq!(ask(None, Some(now)), FailureKind::BadField);
    assert_eq!(ask(Some(""), Some(now)), FailureKind::BadField);
    assert_eq!(ask(Some("a"), None), FailureKind::BadField);
    for wrong in ["", "now", "1777888810", "2026-05-04T10:00:10", "2026-13-04T10:00:10Z"] {
        assert_eq!(ask(Some("a"), Some(wrong)), FailureKind::BadField, "{wrong}");
    }
    // Another offset names the same instant.
    let stamp = Stamp { id: Some("a"), sent: Some("2026-05-04T12:00:10.5+02:00") };
    assert_eq!(judge.judge(stamp, &recall("a"), plain(), received(10.0)), Verdict::Do);
}

#[test]
fn the_same_id_is_done_once_and_answered_again_with_the_same_answer() {
    let mut judge = judge(FreshBy::Clock);
    assert_eq!(came(&mut judge, "a", 10.0, 10.0, plain()), Verdict::Do);
    assert_eq!(came(&mut judge, "a", 10.0, 10.1, plain()), Verdict::Underway);
    judge.answered("a", &done("a"), 100);
    for up in [10.2, 12.0, 19.9] {
        // Also a retry with a new stamp, and a message that has become old meanwhile.
        assert_eq!(came(&mut judge, "a", up, up, plain()), Verdict::Answered(Box::new(done("a"))));
        assert_eq!(came(&mut judge, "a", 10.0, up, plain()), Verdict::Answered(Box::new(done("a"))));
    }
    assert_eq!(came(&mut judge, "b", 19.9, 19.9, plain()), Verdict::Do, "another id is another request");
}

#[test]
fn an_id_is_kept_for_twice_fresh_and_then_free() {
    let mut judge = judge(FreshBy::Clock);
    came(&mut judge, "a", 10.0, 10.0, plain());
    judge.answered("a", &done("a"), 100);
    assert!(matches!(came(&mut judge, "a", 19.99, 19.99, plain()), Verdict::Answered(_)));
    assert_eq!(came(&mut judge, "a", 20.01, 20.01, plain()), Verdict::Do);
}

#[test]
fn an_id_used_for_something_else_is_refused_and_nothing_done() {
    let mut judge = judge(FreshBy::Clock);
    came(&mut judge, "a", 10.0, 10.0, plain());
    let sent = wall(10.0).to_string();
    let stamp = Stamp { id: Some("a"), sent: Some(&sent) };
    let other = judge.judge(stamp, &recall("split"), plain(), received(10.1));
    assert_eq!(kind(other), FailureKind::BadField);
}

#[test]
fn what_the_engine_had_no_room_for_may_be_sent_again_under_its_id() {
    let mut judge = judge(FreshBy::Clock);
    came(&mut judge, "a", 10.0, 10.0, plain());
    judge.undone("a");
    assert_eq!(came(&mut judge, "a", 10.0, 10.5, plain()), Verdict::Do);
}

/// Source: the requirement: message expiry decides where the plan trusts it and the sender set one.
#[test]
fn where_the_plan_says_so_the_brokers_count_decides_and_the_clocks_do_not() {
    // A sender whose clock is an hour off, either way.
    for sent in [1000.0 - 3600.0, 1000.0 + 3600.0] {
        let mut by_expiry = judge(FreshBy::Expiry);
        assert_eq!(came(&mut by_expiry, "a", sent, 1000.0, expiring(3.0)), Verdict::Do);
        let refused = kind(came(&mut judge(FreshBy::Clock), "a", sent, 1000.0, expiring(3.0)));
        assert!(matches!(refused, FailureKind::TooLate | FailureKind::TooEarly));
        // Without an expiry, or with one longer than `fresh`, there is only the clock.
        for delivered in [plain(), expiring(5.1), expiring(3600.0)] {
            assert!(matches!(came(&mut by_expiry, "b", sent, 1000.0, delivered), Verdict::Refused(_)));
        }
    }
}

#[test]
fn an_expiry_that_has_passed_is_too_late_by_either_rule() {
    for by in [FreshBy::Clock, FreshBy::Expiry] {
        let verdict = came(&mut judge(by), "a", 10.0, 10.0, expiring(0.0));
        assert_eq!(kind(verdict), FailureKind::TooLate);
    }
}

#[test]
fn an_expiry_is_not_believed_after_the_connection_stood_still() {
    let mut judge = judge(FreshBy::Expiry);
    let at = Received { proven: Duration::from_secs(8), ..received(1000.0) };
    let sent = wall(1000.0).to_string();
    let stamp = Stamp { id: Some("a"), sent: Some(&sent) };
    assert_eq!(kind(judge.judge(stamp, &recall("a"), expiring(3.0), at)), FailureKind::TooLate);
}

#[test]
fn a_flood_is_answered_busy_keeps_memory_bounded_and_is_over_at_once() {
    let mut judge = judge(FreshBy::Clock);
    let (mut let_in, mut busy) = (0, 0);
    for n in 0..200_000 {
        let up = 100.0 + f64::from(n) / 10_000.0;
        match came(&mut judge, &n.to_string(), up, up, plain()) {
            Verdict::Do => {
                let_in += 1;
                judge.answered(&n.to_string(), &done("x"), 100);
            }
            other => {
                assert_eq!(kind(other), FailureKind::Busy);
                busy += 1;
            }
        }
        assert!(judge.holds() <= 3001 && judge.answered.len() <= ANSWERS);
    }
    // 1000 at once and 200 a second for 20 s.
    assert!((4990..=5001).contains(&let_in) && let_in + busy == 200_000, "{let_in}");
    assert_eq!(came(&mut judge, "after", 120.1, 120.1, plain()), Verdict::Do);
}

#[test]
fn an_answer_that_made_room_is_still_known_to_have_been_given() {
    let mut judge = judge(FreshBy::Clock);
    for n in 0..=ANSWERS {
        let id = n.to_string();
        assert_eq!(came(&mut judge, &id, 10.0, 10.0, plain()), Verdict::Do);
        let answer = if n == 0 { Answer::refused(Some(id.clone()), retained()) } else { done(&id) };
        judge.answered(&id, &answer, 100);
    }
    let Verdict::Answered(first) = came(&mut judge, "0", 10.0, 10.0, plain()) else { panic!("done again") };
    assert_eq!(first.error.map(|e| e.kind), Some(FailureKind::Retained));
    assert_eq!(came(&mut judge, "1", 10.0, 10.0, plain()), Verdict::Answered(Box::new(done("1"))));
    came(&mut judge, "long", 10.0, 10.0, plain());
    judge.answered("long", &done("long"), LONGEST_ANSWER + 1);
    let Verdict::Answered(long) = came(&mut judge, "long", 10.0, 10.0, plain()) else { panic!("done again") };
    assert!(long.ok && long.id.as_deref() == Some("long"));
}

#[test]
fn reading_is_done_each_time_and_keeps_no_id() {
    let mut judge = judge(FreshBy::Clock);
    let sent = wall(10.0).to_string();
    let stamp = Stamp { id: Some("a"), sent: Some(&sent) };
    for _ in 0..3 {
        let verdict = judge.judge(stamp, &Request::Status { follow: false }, plain(), received(10.0));
        assert_eq!(verdict, Verdict::Do);
    }
    assert_eq!(judge.holds(), 0);
}

proptest! {
    /// Whatever comes, late, early, doubled or retained: a message is done only while it is fresh, and the
    /// same message never twice. Each message keeps its stamp however often it is delivered.
    #[test]
    fn each_message_is_done_at_most_once_and_only_fresh(
        fresh_s in 1_u64..=60,
        messages in prop::collection::vec((0.0..400.0_f64, any::<bool>()), 1..12),
        deliveries in prop::collection::vec((0.0..4.0_f64, 0..12_usize, any::<bool>(), prop::option::of(0..90_u64)), 1..200),
    ) {
        let rules = Requests { fresh: Duration::from_secs(fresh_s), by: FreshBy::Clock };
        let mut judge = Judge::new(rules);
        let mut done_before = HashSet::new();
        let mut up = 0.0;
        for (after, which, answered, expiry) in deliveries {
            up += after;
            let which = which % messages.len();
            let (sent, retained) = messages[which];
            let id = which.to_string();
            let delivered = Delivered { retained, expires_in: expiry.map(Duration::from_secs) };
            if came(&mut judge, &id, sent, up, delivered) == Verdict::Do {
                prop_assert!(done_before.insert(which), "done twice");
                let age = up - sent;
                prop_assert!(age <= fresh_s as f64 + 1e-6 && age >= -2.0 - 1e-6 && sent >= -1e-6);
                prop_assert!(!retained && expiry != Some(0));
                if answered {
                    judge.answered(&id, &done(&id), 100);
                }
            }
        }
    }
}
