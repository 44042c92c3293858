use super::*;
use crate::control::{Failure, FailureKind};
use crate::engine::{Engine, Options};
use crate::plan::load;

fn status(take: Option<&str>) -> Box<Status> {
    let engine =
        Engine::new(std::sync::Arc::new(load::demo()), Options { simulate: true, ..Options::default() });
    let mut status = engine.status();
    status.now.take = take.map(str::to_owned);
    Box::new(status)
}

fn done() -> Answer {
    Answer { id: None, ok: true, said: None, now: None, data: None, error: None }
}

fn key(letter: &str) -> Key {
    Key::of(letter.as_bytes()).expect("a key")
}

fn at(ms: u64) -> Duration {
    Duration::from_millis(ms)
}

fn desk(take: Option<&str>) -> Desk {
    let mut desk = Desk::default();
    desk.status(status(take), at(0));
    desk
}

#[test]
fn one_key_each_asks_for_next_previous_rest_and_dark() {
    for (letter, act) in
        [("n", Act::Next), ("p", Act::Previous), ("r", Act::Rest), ("d", Act::Dark), ("N", Act::Next)]
    {
        let mut desk = desk(None);
        let Wants::Ask(asked, request) = desk.key(&key(letter), at(10)) else { panic!("{letter} asks") };
        assert_eq!((asked, request), (act, act.request()));
    }
    for letter in ["x", " ", "\r", "\x1b[A", "é"] {
        assert_eq!(desk(None).key(&key(letter), at(10)), Wants::Nothing, "{letter:?}");
    }
}

#[test]
fn q_esc_and_ctrl_c_leave() {
    for letter in ["q", "Q", "\x1b", "\x03"] {
        assert_eq!(desk(Some("4/3")).key(&key(letter), at(10)), Wants::Leave, "{letter:?}");
        assert_eq!(Desk::default().key(&key(letter), at(10)), Wants::Leave, "{letter:?}");
    }
}

#[test]
fn a_key_held_down_is_one_press_however_long() {
    let mut desk = desk(None);
    assert!(matches!(desk.key(&key("n"), at(0)), Wants::Ask(..)));
    desk.answered(Act::Next, Ok(done()), at(20));
    for ms in (400..20_000).step_by(30) {
        assert_eq!(desk.key(&key("n"), at(ms)), Wants::Nothing, "{ms} ms");
    }
    assert!(matches!(desk.key(&key("n"), at(20_700)), Wants::Ask(..)));
}

#[test]
fn while_a_take_rolls_three_keys_are_locked_and_dark_asks_once_more() {
    let mut desk = desk(Some("4/3"));
    for letter in ["n", "p", "r"] {
        assert_eq!(desk.key(&key(letter), at(10)), Wants::Nothing);
        assert!(desk.notice(at(20)).expect("a word").contains("locked while take 4/3 rolls"));
    }
    assert_eq!(desk.key(&key("d"), at(1000)), Wants::Nothing);
    assert!(desk.confirms(at(1100)));
    // The same key, held or pressed again, is no yes.
    for ms in [1050, 1500, 2000] {
        assert_eq!(desk.key(&key("d"), at(ms)), Wants::Nothing, "held down");
        assert!(desk.confirms(at(ms)));
    }
    assert_eq!(desk.key(&key("d"), at(3000)), Wants::Nothing);
    assert!(!desk.confirms(at(3000)), "any other key than y is a no");
    assert_eq!(desk.key(&key("d"), at(4000)), Wants::Nothing);
    assert!(matches!(desk.key(&key("y"), at(4500)), Wants::Ask(Act::Dark, _)));
    assert!(!desk.confirms(at(4600)));
}

#[test]
fn the_question_is_forgotten_after_a_while_and_with_the_take() {
    let mut rolls = desk(Some("4/3"));
    rolls.key(&key("d"), at(0));
    assert!(!rolls.confirms(at(5000)));
    assert_eq!(rolls.key(&key("y"), at(5100)), Wants::Nothing);
    let mut over = desk(Some("4/3"));
    over.key(&key("d"), at(0));
    over.status(status(None), at(100));
    assert_eq!(over.key(&key("y"), at(200)), Wants::Nothing);
}

#[test]
fn without_a_daemon_no_key_asks_and_that_is_said() {
    let mut gone = desk(None);
    gone.lost("no daemon answers".to_owned());
    assert_eq!(gone.key(&key("d"), at(10)), Wants::Nothing);
    assert!(gone.notice(at(20)).expect("a word").contains("not done"));
    gone.status(status(None), at(1000));
    assert_eq!((gone.gone(), gone.notice(at(1001))), (None, Some("the daemon is back")));
}

#[test]
fn a_refusal_is_told_with_its_hint_and_dark_waits_for_no_other_answer() {
    let mut desk = desk(None);
    assert!(matches!(desk.key(&key("n"), at(0)), Wants::Ask(..)));
    assert_eq!(desk.key(&key("r"), at(10)), Wants::Nothing, "the answer is out");
    assert!(matches!(desk.key(&key("d"), at(20)), Wants::Ask(..)));
    let failure = Failure {
        kind: FailureKind::Guarded,
        said: "a limit".to_owned(),
        hint: Some("ask for less".to_owned()),
    };
    desk.answered(Act::Next, Ok(Answer { error: Some(failure), ..done() }), at(30));
    assert_eq!(desk.notice(at(40)), Some("next was refused: a limit · ask for less"));
    assert_eq!(desk.notice(at(40) + NOTICE_FOR), None);
}
