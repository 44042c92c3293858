//! A seat driven press by press. Source of each: the requirement on the chair.

use super::*;
use crate::control::{Alert, Failure, Now, OrderStatus, ProtectStatus, Scheduled};

const NEXT: Press = Press::Of(Button::Next);

fn ms(ms: u64) -> Duration {
    Duration::from_millis(ms)
}

fn now(take: Option<&str>) -> Now {
    Now {
        look: "quay-dusk".into(),
        fading: false,
        progress: 1.0,
        fade_left_s: 0.0,
        take: take.map(str::to_owned),
        frame: 1,
        uptime_s: 1.0,
        sequence: 1,
        boot_id: String::new(),
        nudged: false,
        scheduled: None,
        showing: None,
        key: None,
    }
}

fn status(take: Option<&str>) -> Box<Status> {
    Box::new(Status {
        version: 1,
        set: "pilot-station".into(),
        simulated: true,
        plan_hash: String::new(),
        now: now(take),
        order: OrderStatus { position: None, steps: 0, next: None, heat: Vec::new() },
        outputs: Vec::new(),
        mqtt: None,
        fixtures: Vec::new(),
        circuits: Vec::new(),
        alerts: Vec::new(),
        told: None,
        clock: None,
        journal: None,
        readings: Vec::new(),
        protect: ProtectStatus::default(),
        other_ids: Vec::new(),
    })
}

fn done(take: Option<&str>) -> Result<Outcome, String> {
    let answer = Answer {
        id: None,
        ok: true,
        said: Some("said".into()),
        now: Some(now(take)),
        data: None,
        error: None,
    };
    Ok(Outcome { answer, take: take.map(str::to_owned) })
}

fn refused(kind: FailureKind, take: Option<&str>) -> Result<Outcome, String> {
    let failure = Failure { kind, said: "why".into(), hint: Some("what to do".into()) };
    Ok(Outcome { answer: Answer::refused(None, failure), take: take.map(str::to_owned) })
}

/// Rings until nothing more is due, and how far apart.
fn rings(seat: &mut Seat, from: Duration) -> usize {
    (0..40).filter(|n| seat.rings(from + ms(n * 50))).count()
}

fn seat(take: Option<&str>) -> Seat {
    let mut seat = Seat::new(None);
    seat.status(status(take), ms(0));
    seat
}

#[test]
fn one_bell_for_what_was_accepted_and_two_for_what_was_not() {
    let mut seat = seat(None);
    let (asked, request) = seat.press(NEXT, ms(0)).unwrap();
    assert_eq!(request, Request::Next { over_s: None, in_s: None });
    assert_eq!(rings(&mut seat, ms(0)), 0, "nothing is accepted yet");
    seat.answered(asked, done(None), ms(10));
    assert_eq!(rings(&mut seat, ms(10)), 1);
    let (asked, _) = seat.press(NEXT, ms(2000)).unwrap();
    seat.answered(asked, refused(FailureKind::NoOrder, None), ms(2010));
    assert_eq!(rings(&mut seat, ms(2010)), 2);
    assert_eq!(seat.notice().unwrap().large, ["REFUSED"]);
}

#[test]
fn no_bell_while_a_take_rolls_and_next_in_it_is_refused_in_large_letters() {
    let mut seat = seat(None);
    let (asked, request) = seat.press(Press::Of(Button::TakeStart), ms(0)).unwrap();
    assert_eq!(request, Request::TakeStart { slate: None, in_s: None });
    seat.answered(asked, done(Some("4/1")), ms(10));
    assert_eq!(rings(&mut seat, ms(10)), 0, "the camera rolls");
    let (asked, _) = seat.press(NEXT, ms(1000)).unwrap();
    seat.answered(asked, refused(FailureKind::Guarded, Some("4/1")), ms(1010));
    assert_eq!(rings(&mut seat, ms(1010)), 0);
    assert_eq!(seat.notice().unwrap().large, ["REFUSED", "TAKE ROLLS"]);
    // Dark is done, and heard no more than anything else.
    let (asked, request) = seat.press(Press::Of(Button::Dark), ms(2000)).unwrap();
    assert_eq!(request, Request::Dark { now: false });
    seat.answered(asked, done(Some("4/1")), ms(2010));
    assert_eq!(rings(&mut seat, ms(2010)), 0);
    let (asked, request) = seat.press(Press::Of(Button::TakeEnd), ms(3000)).unwrap();
    assert_eq!(request, Request::TakeEnd { mark: None });
    seat.answered(asked, done(None), ms(3010));
    assert_eq!(rings(&mut seat, ms(3010)), 1, "it is over");
}

#[test]
fn a_ring_that_is_due_once_a_take_rolls_is_left_out() {
    let mut seat = seat(None);
    let (asked, _) = seat.press(NEXT, ms(0)).unwrap();
    seat.answered(asked, refused(FailureKind::NoOrder, None), ms(10));
    assert!(seat.rings(ms(10)));
    let mut rolls = status(Some("4/1"));
    rolls.now.sequence = 2;
    seat.status(rolls, ms(20));
    assert_eq!(rings(&mut seat, ms(20)), 0);
}

#[test]
fn a_status_that_was_on_its_way_does_not_ring_in_a_take() {
    let mut seat = seat(None);
    let (asked, _) = seat.press(Press::Of(Button::TakeStart), ms(0)).unwrap();
    let Ok(mut outcome) = done(Some("4/1")) else { panic!() };
    let answered = outcome.answer.now.as_mut().unwrap();
    (answered.sequence, answered.uptime_s) = (700, 90.0);
    seat.answered(asked, Ok(outcome), ms(10));
    let mut behind = status(None);
    (behind.now.sequence, behind.now.uptime_s) = (699, 89.9);
    seat.status(behind, ms(12));
    assert_eq!(seat.take(), Some("4/1"));
    seat.lost("gone".into());
    assert_eq!(seat.take(), Some("4/1"), "as it was last told");
    // The next daemon counts anew.
    seat.status(status(None), ms(5000));
    assert_eq!(seat.take(), None);
}

#[test]
fn a_repeat_within_seven_tenths_of_a_second_is_ignored_however_long_it_is_held() {
    let mut seat = seat(None);
    let mut asked = seat.press(NEXT, ms(0)).map(|(asked, _)| asked);
    assert!(asked.is_some());
    seat.answered(asked.take().unwrap(), done(None), ms(5));
    // A key that is held: repeated after half a second, then thirty times a second.
    for n in 0..100 {
        assert_eq!(seat.press(NEXT, ms(500 + n * 33)), None);
    }
    let last = 500 + 99 * 33;
    assert_eq!(seat.press(NEXT, ms(last + 699)), None);
    assert!(seat.press(NEXT, ms(last + 699 + 700)).is_some());
    // Another button is no repeat.
    assert!(seat.press(Press::Of(Button::Dark), ms(last + 1400)).is_some());
}

#[test]
fn retake_ends_as_bad_and_starts_again_and_rings_once_at_most() {
    let mut seat = Seat::new(Some(10.0));
    seat.status(status(Some("4/1")), ms(0));
    let (asked, request) = seat.press(Press::Of(Button::Retake), ms(0)).unwrap();
    assert_eq!(request, Request::TakeEnd { mark: Some(TakeMark::Bad) }, "its end never waits");
    let (asked, request) = seat.answered(asked, done(None), ms(10)).unwrap();
    assert_eq!(request, Request::TakeStart { slate: None, in_s: Some(10.0) });
    assert_eq!(rings(&mut seat, ms(10)), 0);
    assert_eq!(seat.answered(asked, done(None), ms(20)), None);
    assert_eq!(rings(&mut seat, ms(20)), 1, "it counts down, nothing rolls yet");
    // No take rolls: refused, and none is started.
    let (asked, _) = seat.press(Press::Of(Button::Retake), ms(5000)).unwrap();
    assert_eq!(seat.answered(asked, refused(FailureKind::Nothing, None), ms(5010)), None);
    assert_eq!(rings(&mut seat, ms(5010)), 2);
}

#[test]
fn a_delay_is_for_next_previous_and_take_start_alone() {
    let mut seat = Seat::new(Some(10.0));
    seat.status(status(None), ms(0));
    let mut at = 0;
    let mut asks = |seat: &mut Seat, button| {
        at += 1000;
        let (asked, request) = seat.press(Press::Of(button), ms(at)).unwrap();
        seat.answered(asked, done(None), ms(at + 1));
        request
    };
    assert_eq!(asks(&mut seat, Button::Next), Request::Next { over_s: None, in_s: Some(10.0) });
    assert_eq!(asks(&mut seat, Button::Previous), Request::Previous { over_s: None, in_s: Some(10.0) });
    assert_eq!(asks(&mut seat, Button::TakeStart), Request::TakeStart { slate: None, in_s: Some(10.0) });
    assert_eq!(asks(&mut seat, Button::TakeEnd), Request::TakeEnd { mark: None });
    assert_eq!(asks(&mut seat, Button::Dark), Request::Dark { now: false });
}

#[test]
fn one_button_starts_and_ends_a_take_and_stops_its_countdown() {
    let mut seat = seat(None);
    let (asked, request) = seat.press(Press::Take, ms(0)).unwrap();
    assert_eq!(request, Request::TakeStart { slate: None, in_s: None });
    seat.answered(asked, done(Some("1/1")), ms(5));
    let (asked, request) = seat.press(Press::Take, ms(1000)).unwrap();
    assert_eq!(request, Request::TakeEnd { mark: None });
    seat.answered(asked, done(None), ms(1005));
    let mut counts = status(None);
    counts.now.scheduled = Some(Scheduled { what: "take start".into(), in_s: 4.2, at: None });
    seat.status(counts, ms(2000));
    assert_eq!(seat.countdown(ms(2000)), Some(("take start", 5)));
    assert_eq!(seat.countdown(ms(4000)), Some(("take start", 3)));
    assert_eq!(seat.countdown(ms(9000)), Some(("take start", 0)));
    let (_, request) = seat.press(Press::Take, ms(4000)).unwrap();
    assert_eq!(request, Request::Cancel {});
}

#[test]
fn what_comes_of_a_countdown_is_told_and_rings_twice_where_it_was_refused() {
    let told = |kind: &str, since: f64| {
        let mut status = status(None);
        status.told = Some(Alert { kind: kind.into(), fixture: None, said: "told so".into(), since });
        status
    };
    let mut seat = Seat::new(Some(10.0));
    // What was told before anyone sat here is no news.
    seat.status(told("scheduled-refused", 3.0), ms(0));
    assert_eq!((rings(&mut seat, ms(0)), seat.notice()), (0, None));
    seat.status(told("scheduled-refused", 9.0), ms(1000));
    assert_eq!(rings(&mut seat, ms(1000)), 2);
    assert_eq!(seat.notice().unwrap().said, ["told so"]);
    seat.status(told("scheduled-refused", 9.0), ms(3000));
    assert_eq!(rings(&mut seat, ms(3000)), 0, "once");
    seat.status(told("scheduled-done", 12.0), ms(4000));
    assert_eq!(rings(&mut seat, ms(4000)), 0);
}

#[test]
fn without_a_daemon_a_press_asks_nothing_and_is_never_done_later() {
    let mut seat = seat(None);
    seat.lost("no daemon answers".into());
    assert_eq!(seat.press(NEXT, ms(0)), None);
    assert_eq!(rings(&mut seat, ms(0)), 2);
    assert_eq!(seat.notice().unwrap().large, ["NO DAEMON"]);
    seat.status(status(None), ms(5000));
    assert_eq!(seat.notice().unwrap().said, ["the daemon is back"]);
    assert!(seat.press(NEXT, ms(6000)).is_some());
    // While an answer is awaited another press is refused, not queued; dark passes.
    assert_eq!(seat.press(Press::Of(Button::TakeStart), ms(7000)), None);
    let (dark, _) = seat.press(Press::Of(Button::Dark), ms(8000)).unwrap();
    seat.answered(dark, done(None), ms(8001));
    assert_eq!(seat.press(Press::Of(Button::Previous), ms(9000)), None, "the first is still awaited");
    let next = Asked { button: Button::Next, then_start: false };
    seat.answered(next, Err("the daemon did not answer within 3 s".into()), ms(9500));
    assert_eq!(seat.notice().unwrap().large, ["NO ANSWER"]);
    assert!(seat.press(Press::Of(Button::Previous), ms(9900)).is_some());
}
