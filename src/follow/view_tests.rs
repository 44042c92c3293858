//! The picture as text, of the demo's own states. What is expected is the layout as docs/follow.md describes it.

use std::sync::Arc;

use super::*;
use crate::control::{Envelope, MqttStatus, OutputStatus, Request};
use crate::engine::{Action, Engine, Event, Options, Ticket};
use crate::plan::load;

/// The demo with these requests behind it, each given two seconds.
fn demo(requests: &[Request]) -> Status {
    let mut engine = Engine::new(Arc::new(load::demo()), Options { simulate: true, ..Options::default() });
    let clock = engine.plan().frames;
    let outputs = engine.plan().outputs.iter().map(|o| output(&o.name, LinkState::Up)).collect();
    drop(engine.handle(Event::Outputs(outputs), clock.moment_of(0)));
    let frames = 2 * u64::from(clock.rate());
    for (index, request) in requests.iter().enumerate() {
        let now = clock.moment_of(engine.next_frame());
        let envelope = Envelope { id: None, request: request.clone() };
        for action in engine.handle(Event::Ask(Ticket(index as u64), envelope), now) {
            if let Action::KeepProtect { serial, .. } = action {
                drop(engine.handle(Event::ProtectKept(serial, Ok(())), now));
            }
        }
        for _ in 0..=frames {
            let n = engine.next_frame();
            drop(engine.handle(Event::Frame(n), clock.moment_of(n)));
        }
    }
    engine.status()
}

fn recall(look: &str) -> Request {
    Request::Recall { look: Some(look.to_owned()), take: None, over_s: None, in_s: None, at: None }
}

fn output(name: &str, state: LinkState) -> OutputStatus {
    OutputStatus {
        kind: "simulator".to_owned(),
        name: name.to_owned(),
        universe: 1,
        state,
        said: (state == LinkState::Down).then(|| "the interface is gone: plug it in again".to_owned()),
        rate: 40,
        frames: 1,
        late_us_p50: None,
        late_us_p99: None,
        late_us_p999: None,
        late_us_max: None,
        missed: 0,
        reopened: 0,
        last_gap_s: None,
        real_time: crate::control::RealTimeStatus::default(),
    }
}

fn desk(status: Status) -> Desk {
    let mut desk = Desk::default();
    desk.status(Box::new(status), Duration::ZERO);
    desk
}

fn shown(desk: &Desk, width: u16, height: u16) -> Vec<String> {
    let mut buffer = Buffer::empty(Rect::new(0, 0, width, height));
    draw(desk, Duration::from_millis(10), &mut buffer);
    let row = |y| (0..width).map(|x| buffer[(x, y)].symbol()).collect::<String>();
    (0..height).map(|y| row(y).trim_end().to_owned()).collect()
}

#[track_caller]
fn row<'a>(rows: &'a [String], with: &str) -> &'a str {
    rows.iter()
        .find(|r| r.contains(with))
        .unwrap_or_else(|| panic!("no row with {with}:\n{}", rows.join("\n")))
}

#[test]
fn at_80_by_24_every_lamp_of_the_demo_has_a_line_in_clock_order() {
    let rows = shown(&desk(demo(&[recall("pilot-triangle")])), 80, 24);
    assert!(rows[0].starts_with("pilot-station"), "{rows:#?}");
    assert_eq!(rows[1], "nothing needs attention");
    let heading = rows.iter().position(|r| r.starts_with("clock")).expect("a heading");
    let lamps: Vec<&str> =
        rows[heading + 1..heading + 13].iter().filter_map(|r| r.split_whitespace().nth(1)).collect();
    assert_eq!(lamps.len(), 12, "{rows:#?}");
    // The plan's own clock positions; wall lamps by where they stand behind the subject, left to right.
    let at = |id: &str| lamps.iter().position(|l| *l == id).unwrap_or_else(|| panic!("no {id}: {lamps:?}"));
    for pair in ["hair", "broad", "fill", "front", "key", "side", "rim"].windows(2) {
        assert!(at(pair[0]) < at(pair[1]), "{pair:?} in {lamps:?}");
    }
    assert!(rows.iter().any(|r| r.starts_with("7:30  key")), "{rows:#?}");
}

#[test]
fn a_lamp_is_told_in_stops_to_the_key_and_so_is_the_ruler() {
    let rows = shown(&desk(demo(&[recall("short-talk"), Request::Status { follow: false }])), 80, 24);
    // The key is 0 by what it is.
    let figures = |place: &str| -> Vec<String> {
        row(&rows, place).split_whitespace().rev().take(2).map(str::to_owned).collect()
    };
    assert_eq!(figures("7:30  key"), ["0.0", "0.0"], "{rows:#?}");
    let heading = row(&rows, "clock");
    let zero =
        heading.chars().collect::<Vec<_>>().windows(3).position(|w| w == ['k', 'e', 'y']).expect("key") + 1;
    let key = row(&rows, "7:30  key").chars().nth(zero);
    assert_eq!(key, Some('●'), "the key's mark is under `key`: {rows:#?}");
}

#[test]
fn what_is_lit_and_next_is_large_where_there_is_room() {
    let status = || demo(&[recall("pilot-triangle")]);
    for (width, height, lit) in [(80, 24, 3), (120, 40, 5), (60, 20, 3)] {
        let rows = shown(&desk(status()), width, height);
        let large = letters::large("pilot-triangle", width, lit).expect("it fits");
        for line in large {
            assert!(rows.iter().any(|r| r.contains(line.trim())), "{width}x{height}: {rows:#?}");
        }
    }
    // With twelve lamps that all have something to tell, what comes next is written small on the smallest.
    let mut busy = status();
    busy.fixtures.iter_mut().for_each(|f| f.asked.stops = Some(-1.0));
    assert!(row(&shown(&desk(busy), 60, 20), "next").contains("short-talk"));
}

#[test]
fn a_take_that_rolls_locks_keys_and_is_not_to_be_missed() {
    let rows = shown(
        &desk(demo(&[
            recall("pilot-triangle"),
            Request::TakeStart { slate: Some("4".to_owned()), in_s: None },
        ])),
        80,
        24,
    );
    assert!(rows.iter().any(|r| r.contains("TAKE 4/1 ROLLS")), "{rows:#?}");
    let foot = rows.last().expect("a foot");
    assert!(foot.contains("dark (asks first)") && foot.contains("locked"), "{foot}");
    assert!(!foot.contains("n  next"), "{foot}");
}

#[test]
fn a_wire_that_is_down_stands_on_top_and_at_the_foot() {
    let mut status = demo(&[recall("pilot-triangle")]);
    status.outputs = vec![output("front-rail", LinkState::Up), output("wall-rail", LinkState::Down)];
    status.mqtt =
        Some(MqttStatus { state: LinkState::Down, said: None, reconnects: 0, dropped: 0, requests: None });
    status.alerts = vec![crate::control::Alert {
        kind: "output-down".to_owned(),
        fixture: None,
        said: "output wall-rail (universe 2) does not send: the interface is gone: plug it in again"
            .to_owned(),
        since: 0.0,
    }];
    let rows = shown(&desk(status), 80, 24);
    assert!(rows[1].starts_with("! output wall-rail"), "{rows:#?}");
    let carries = &rows[22];
    assert!(carries.starts_with("wall-rail DOWN · front-rail sends · broker NOT connected"), "{carries}");
}

/// A lamp that nobody can reach and that is too hot is not counted among the rest, and what to do is not what is cut off.
#[test]
fn the_gravest_warnings_come_first_each_on_its_line_with_what_to_do() {
    let mut status = demo(&[recall("pilot-triangle")]);
    let alert = |kind: &str, said: &str| crate::control::Alert {
        kind: kind.to_owned(),
        fixture: None,
        said: said.to_owned(),
        since: 0.0,
    };
    let wordy = "output front-rail (universe 1) does not send: there is no serial port `/dev/not-there`, which the plan names";
    let hot = "`broad` is too hot and no frame reaches it: housing estimated 70.1 °C at most, limit 70 °C; unplug it";
    status.alerts = vec![
        alert("heat-unknown", "fill held at half its power: its heat is not known"),
        alert("output-down", wordy),
        alert("heat-over", hot),
    ];
    let rows = shown(&desk(status), 80, 24);
    assert!(rows[1].starts_with("! output front-rail") && rows[1].ends_with('…'), "{rows:#?}");
    assert!(rows[2].starts_with("! `broad` is too hot") && rows[2].ends_with("…; unplug it"), "{rows:#?}");
    assert!(rows[3].starts_with("! fill held"), "{rows:#?}");
}

#[test]
fn a_daemon_that_is_gone_is_said_in_large_letters_and_what_was_heard_is_marked_as_old() {
    let mut gone = desk(demo(&[recall("pilot-triangle")]));
    gone.lost("no daemon answers".to_owned());
    let rows = shown(&gone, 80, 24);
    assert!(rows[1].contains("no daemon answers"), "{rows:#?}");
    let large = letters::large("no daemon", 80, 3).expect("it fits");
    assert!(rows.iter().any(|r| r.contains(large[0].trim())), "{rows:#?}");
    assert!(rows.iter().any(|r| r.trim() == "when last heard: pilot-triangle"), "{rows:#?}");
    assert!(rows.iter().any(|r| r.starts_with("when last heard: front-rail")), "{rows:#?}");
    assert!(
        rows[23].contains("q  leave") && !rows[23].contains("n  next"),
        "a key that does nothing is not named"
    );
    assert!(!rows[23].contains("the light stays"), "nobody can promise that now");
    assert!(!rows.iter().any(|r| r.contains("TAKE")));
}

#[test]
fn a_protected_face_has_its_lamps_held_and_no_names() {
    let rows = shown(&desk(demo(&[recall("unseen-pilot")])), 80, 24);
    assert!(rows.iter().any(|r| r.contains("a face is protected")), "{rows:#?}");
    let text = rows.join("\n");
    assert!(!text.contains("unseen") && !text.contains("7:30  key"), "{text}");
}

/// Source: docs/safety.md: no slot holds a lamp that is set by hand, so that only a person can.
#[test]
fn a_lamp_that_must_be_unplugged_before_a_hidden_face_is_not_only_counted() {
    for (width, height) in [(80, 24), (60, 20)] {
        let rows = shown(&desk(demo(&[recall("unseen-pilot")])), width, height);
        let told = rows.iter().filter(|r| r.starts_with("! UNPLUG")).count();
        assert!(told >= 1 && rows[1].starts_with("! UNPLUG"), "{rows:#?}");
    }
}

#[test]
fn what_still_stands_among_the_warnings_is_not_told_a_second_time() {
    let mut status = demo(&[recall("pilot-triangle")]);
    let alert = |said: &str| crate::control::Alert {
        kind: "heat-over".to_owned(),
        fixture: Some("broad".to_owned()),
        said: said.to_owned(),
        since: status.now.uptime_s,
    };
    let (stands, told) = (alert("broad is too hot: 70.3 °C"), alert("broad is too hot: 70.1 °C"));
    status.told = Some(told);
    assert!(shown(&desk(status.clone()), 80, 24).iter().any(|r| r.contains("70.1")));
    status.alerts = vec![stands];
    let rows = shown(&desk(status), 80, 24);
    assert!(rows[1].contains("70.3") && !rows.iter().any(|r| r.contains("70.1")), "{rows:#?}");
}

#[test]
fn many_warnings_are_counted_and_never_push_the_lamps_out() {
    let mut status = demo(&[recall("pilot-triangle")]);
    status.alerts = (0..20)
        .map(|n| crate::control::Alert {
            kind: "heat-soon".to_owned(),
            fixture: None,
            said: format!("warning {n} {}", "with many words ".repeat(12)),
            since: 0.0,
        })
        .collect();
    let rows = shown(&desk(status), 80, 24);
    assert!(rows[1].starts_with("! warning 0"), "{rows:#?}");
    assert!(rows.iter().any(|r| r.starts_with("! 19 more")), "{rows:#?}");
    assert!(rows.iter().any(|r| r.starts_with("7:30  key")), "{rows:#?}");
}

#[test]
fn every_size_is_drawn_without_a_fault_and_nothing_from_outside_steers_it() {
    let mut evil = demo(&[recall("pilot-triangle")]);
    evil.set = "\u{1b}[2J".to_owned();
    evil.now.look = "\u{1b}[31m\r\n".to_owned();
    evil.order.next = Some("x".repeat(5000));
    evil.fixtures[0].id = "\u{7}\u{9b}".repeat(40);
    let (mut evil, plain) = (desk(evil), desk(demo(&[recall("pilot-triangle")])));
    for width in (0..200).step_by(7).chain([20, 60, 80, 120]) {
        for height in [0, 1, 2, 3, 5, 8, 12, 20, 24, 40, 60] {
            for desk in [&plain, &evil, &Desk::default()] {
                for row in shown(desk, width, height) {
                    assert!(!row.chars().any(char::is_control), "{row:?}");
                }
            }
        }
    }
    evil.lost("\u{1b}c".to_owned());
    assert!(shown(&evil, 80, 24).iter().all(|r| !r.chars().any(char::is_control)));
}

/// Each of these once ended the picture: a bar of more cells than memory, an hour beyond all numbers.
#[test]
fn figures_of_another_version_of_the_daemon_are_drawn_all_the_same() {
    for figure in [-1e300, -0.1, 1.06, 7.0, 1e300] {
        let mut status = demo(&[recall("quay-dusk")]);
        (status.now.fading, status.now.progress, status.now.fade_left_s) = (true, figure, figure);
        status.fixtures.iter_mut().for_each(|f| {
            (f.clock_h, f.minutes_left, f.body_est_c) = (Some(figure), Some(figure), Some(figure));
        });
        let mut buffer = Buffer::empty(Rect::new(0, 0, 120, 40));
        draw(&desk(status), Duration::ZERO, &mut buffer);
    }
}
