//! What the engine writes into the log, and when.

use jiff::{SignedDuration, Timestamp};
use lampkeep::channels::Frame;
use lampkeep::control::{ClockStatus, LinkState};
use lampkeep::engine::{Event, KeptScene, Wall};
use lampkeep::journal::{LightRecord, OutputEvent, TakeEnd, TakeRecord, What, frame_hash};
use lampkeep::plan::load;

use crate::rig::{Rig, output};

fn lights(rig: &Rig) -> Vec<LightRecord> {
    let light =
        |(_, what): &(u64, What)| if let What::Light(light) = what { Some((**light).clone()) } else { None };
    rig.records.iter().filter_map(light).collect()
}

fn takes(rig: &Rig) -> Vec<TakeRecord> {
    let take = |(_, what): &(u64, What)| {
        if let What::TakeStarted(take) = what { Some((**take).clone()) } else { None }
    };
    rig.records.iter().filter_map(take).collect()
}

fn ends(rig: &Rig) -> Vec<TakeEnd> {
    let end =
        |(_, what): &(u64, What)| if let What::TakeEnded(end) = what { Some(end.clone()) } else { None };
    rig.records.iter().filter_map(end).collect()
}

/// Frames rebuilt from a record alone: the slots that it names, all others 0.
fn rebuilt(light: &LightRecord) -> Vec<Frame> {
    let frame = |output: &lampkeep::journal::SlotsRecord| {
        let bytes: Vec<u8> = (0..output.slots.len() / 2)
            .map(|i| u8::from_str_radix(&output.slots[2 * i..2 * i + 2], 16).expect("two hex digits"))
            .collect();
        let mut frame = Frame::dark(0, output.universe, 0);
        frame.slots[..bytes.len()].copy_from_slice(&bytes);
        frame
    };
    light.outputs.iter().map(frame).collect()
}

#[test]
fn a_start_its_texts_and_its_first_light_come_first() {
    let plan = load::demo();
    let mut rig = Rig::new(plan.clone());
    rig.run(1.0);
    let kinds: Vec<_> = rig.records.iter().map(|(_, what)| what.kind()).collect();
    assert_eq!(kinds[0], "started");
    let texts = rig.records.iter().find_map(|(_, w)| if let What::Texts(t) = w { Some(t) } else { None });
    let texts = texts.expect("the plan's texts");
    assert_eq!((&texts.plan, texts.without_names), (&plan.hash, false));
    assert_eq!(texts.texts[0].text, include_str!("../../config/pilot-station.toml"));
    assert_eq!(lights(&rig).iter().map(|l| l.scene.clone()).collect::<Vec<_>>(), [KeptScene::Dark]);
    rig.run(30.0);
    assert_eq!(lights(&rig).len(), 1, "a light that stands is recorded once");
}

#[test]
fn a_light_is_recorded_once_it_stands_with_every_slot_that_went_out() {
    let mut rig = Rig::new(load::demo());
    rig.run(0.5);
    rig.done(r#"{"do":"recall","look":"quay-dusk","over_s":2.0}"#);
    rig.run(1.0);
    assert_eq!(lights(&rig).len(), 1, "not on its way");
    let sent = rig.run(3.0);
    let light = lights(&rig).pop().expect("it stands");
    assert_eq!(light.scene, KeptScene::Look("quay-dusk".into()));
    assert_eq!(light.frame_hash, frame_hash(&sent));
    let rebuilt = rebuilt(&light);
    assert!(rebuilt.iter().zip(&sent).all(|(a, b)| a.slots == b.slots), "from the record alone");
    rig.done(r#"{"do":"nudge","lamp":"key","stops":-0.5}"#);
    rig.run(3.0);
    let nudged = lights(&rig).pop().expect("it stands again");
    assert!(nudged.nudged && nudged.frame_hash != light.frame_hash);
    // The same light again is no other light.
    rig.done(r#"{"do":"wink","lamp":"key"}"#);
    rig.run(3.0);
    assert_eq!(lights(&rig).pop().expect("there").frame_hash, nudged.frame_hash);
    assert_eq!(lights(&rig).len(), 3);
}

#[test]
fn a_take_is_recorded_with_its_first_frame_and_its_numbers_never_repeat() {
    let plan = load::demo();
    let mut rig = Rig::new(plan.clone());
    rig.done(r#"{"do":"recall","look":"quay-dusk","over_s":0.5}"#);
    rig.run(4.0);
    rig.done(r#"{"do":"take-start","slate":"4"}"#);
    let sent = rig.run(2.0);
    let take = takes(&rig).pop().expect("its start");
    assert_eq!((take.number, take.name.as_str(), take.slate.as_str(), take.take), (1, "4/1", "4", 1));
    assert_eq!((take.look.as_str(), &take.light.plan), ("quay-dusk", &plan.hash));
    assert!(rebuilt(&take.light).iter().zip(&sent).all(|(a, b)| a.slots == b.slots));
    assert_eq!(take.places.len(), plan.fixtures.len());
    assert_eq!(take.cameras[0].iso, plan.cameras[0].exposure.iso);
    let key = take.lamps.iter().find(|l| l.fixture == "key").expect("the key");
    assert!((3.5..5.0).contains(&key.on_s), "lit since the recall: {}", key.on_s);
    rig.done(r#"{"do":"take-end","mark":"good"}"#);
    let end = ends(&rig).pop().expect("its end");
    assert_eq!((end.number, end.interrupted, end.mark.map(|m| m.word())), (1, false, Some("good")));
    assert!((end.rolled_s - 2.0).abs() < 0.1, "{end:?}");
    rig.done(r#"{"do":"take-start"}"#);
    rig.done(r#"{"do":"take-end"}"#);
    assert_eq!(
        takes(&rig).iter().map(|t| (t.number, t.name.clone())).collect::<Vec<_>>(),
        [(1, "4/1".to_owned()), (2, "4/2".to_owned())]
    );
    // A later start goes on counting, the slate's own count apart.
    let kept = rig.engine.to_keep();
    let mut again = Rig::again(plan, kept, 100.0);
    again.run(1.0);
    again.done(r#"{"do":"take-start","slate":"4"}"#);
    again.run(0.1);
    let take = takes(&again).pop().expect("its start");
    assert_eq!((take.number, take.name.as_str()), (3, "4/3"));
}

#[test]
fn a_take_that_was_open_when_the_daemon_went_is_recorded_as_interrupted() {
    let plan = load::demo();
    let mut rig = Rig::new(plan.clone());
    rig.run(1.0);
    rig.done(r#"{"do":"take-start","slate":"4"}"#);
    rig.run(1.0);
    let mut again = Rig::again(plan, rig.engine.to_keep(), 600.0);
    again.run(0.5);
    let end = ends(&again).pop().expect("its end");
    assert!(
        end.interrupted && end.number == 1 && end.why.iter().any(|w| w.contains("interrupted")),
        "{end:?}"
    );
    assert_eq!(again.records[0].1.kind(), "started", "the start before the end of what was open");
}

/// The wall clock of a test: `shows` at frame `n`.
fn wall(rig: &Rig, shows: Timestamp, unset: bool) -> Event {
    let since = rig.engine.plan().frames.moment_of(rig.engine.next_frame()).elapsed();
    let at_start = shows - SignedDuration::try_from(since).expect("a short test");
    Event::Wall(Wall {
        at_start,
        state: ClockStatus { unset, synchronised: Some(true), ..ClockStatus::default() },
    })
}

#[test]
fn a_clock_that_is_set_is_recorded_by_how_much_and_a_fade_does_not_feel_it() {
    let mut rig = Rig::new(load::demo());
    let mut plain = Rig::new(load::demo());
    let at: Timestamp = "2026-05-04T10:00:00Z".parse().expect("an instant");
    let year = SignedDuration::from_hours(365 * 24);
    let step = |rig: &mut Rig, shows| {
        let event = wall(rig, shows, false);
        let now = rig.engine.plan().frames.moment_of(rig.engine.next_frame());
        for action in rig.engine.handle(event, now) {
            if let lampkeep::engine::Action::Record(what) = action {
                rig.records.push((0, *what));
            }
        }
    };
    step(&mut rig, at);
    for rig in [&mut rig, &mut plain] {
        rig.done(r#"{"do":"recall","look":"quay-dusk","over_s":4.0}"#);
    }
    for shows in [at + year, at - year, at] {
        step(&mut rig, shows);
        rig.run(1.0);
        plain.run(1.0);
    }
    rig.run(3.0);
    plain.run(3.0);
    let slots = |rig: &Rig| -> Vec<Vec<u8>> { rig.frames.iter().map(|f| f[0].slots.to_vec()).collect() };
    assert!(slots(&rig) == slots(&plain), "every frame of the fade is the one without the steps");
    let set: Vec<Option<f64>> = rig
        .records
        .iter()
        .filter_map(|(_, w)| if let What::Clock(c) = w { Some(c.set_by_s) } else { None })
        .collect();
    assert_eq!(set.len(), 4);
    assert_eq!(set[0], None, "first seen");
    for (found, years) in set[1..].iter().zip([1.0, -2.0, 1.0]) {
        let expected = years * 365.0 * 86_400.0;
        assert!((found.expect("it was set") - expected).abs() < 5.0, "{set:?}");
    }
}

#[test]
fn gaps_and_reconnections_of_an_output_are_recorded() {
    let mut rig = Rig::new(load::demo());
    let name = rig.engine.plan().outputs[0].name.clone();
    let send = |rig: &mut Rig, event: Event| {
        let now = rig.engine.plan().frames.moment_of(rig.engine.next_frame());
        for action in rig.engine.handle(event, now) {
            if let lampkeep::engine::Action::Record(what) = action {
                rig.records.push((0, *what));
            }
        }
        rig.run(0.5);
    };
    send(&mut rig, Event::Outputs(vec![output("raw", &name, LinkState::Up)]));
    send(&mut rig, Event::Silent(0, Some(0.15)));
    send(&mut rig, Event::Silent(0, Some(0.65)));
    send(&mut rig, Event::Outputs(vec![output("raw", &name, LinkState::Down)]));
    let mut back = output("raw", &name, LinkState::Up);
    (back.reopened, back.last_gap_s) = (1, Some(1.5));
    send(&mut rig, Event::Outputs(vec![back]));
    send(&mut rig, Event::Silent(0, None));
    let events: Vec<_> = rig
        .records
        .iter()
        .filter_map(|(_, w)| if let What::Output(o) = w { Some((o.event, o.gap_s)) } else { None })
        .collect();
    assert_eq!(
        events,
        [
            (OutputEvent::Up, None),
            (OutputEvent::Gap, Some(0.15)),
            (OutputEvent::Down, None),
            (OutputEvent::Up, None),
            (OutputEvent::Reopened, Some(1.5)),
            (OutputEvent::Gap, None),
        ]
    );
}

#[test]
fn a_flood_of_requests_is_counted_and_not_recorded_one_by_one() {
    let mut rig = Rig::new(load::demo());
    rig.run(0.1);
    for _ in 0..1000 {
        rig.done(r#"{"do":"cold","lamp":"all"}"#);
    }
    let did = |rig: &Rig| rig.records.iter().filter(|(_, w)| matches!(w, What::Did(_))).count();
    assert_eq!(did(&rig), 20);
    rig.run(1.0);
    rig.done(r#"{"do":"cold","lamp":"all"}"#);
    let last = rig.records.iter().rev().find_map(|(_, w)| if let What::Did(d) = w { Some(d) } else { None });
    assert_eq!(last.expect("recorded").unlisted, 980);
}

/// Names of looks, lamps, bodies, subjects and slates, and every free text of the demo, must not be in any record
/// that is made while a face is protected. docs/safety.md.
#[test]
fn while_a_face_is_protected_no_record_holds_a_name() {
    let plan = load::demo();
    let mut rig = Rig::new(plan.clone());
    rig.run(0.5);
    rig.done(r#"{"do":"protect-on"}"#);
    rig.run(0.5);
    rig.records.clear();
    rig.done(r#"{"do":"recall","look":"quay-dusk","over_s":0.2}"#);
    rig.run(5.0);
    rig.done(r#"{"do":"take-start","slate":"ada"}"#);
    rig.run(70.0);
    rig.done(r#"{"do":"take-end","mark":"good"}"#);
    rig.json(r#"{"do":"recall","look":"old-pier"}"#);
    rig.json(r#"{"do":"absent","lamp":"hair"}"#);
    rig.reload(plan.clone());
    rig.run(1.0);
    let now = plan.frames.moment_of(rig.engine.next_frame());
    for action in rig.engine.handle(Event::Stop, now) {
        if let lampkeep::engine::Action::Record(what) = action {
            rig.records.push((0, *what));
        }
    }
    let text = serde_json::to_string(&rig.records).expect("JSON");
    let text: String = text.replace("\\n", " ");
    let words: Vec<&str> = text.split(|c: char| !(c.is_alphanumeric() || c == '_' || c == '-')).collect();
    let mut names: Vec<String> = plan.looks.iter().map(|l| l.name.clone()).collect();
    names.extend(plan.fixtures.iter().map(|f| f.id.clone()));
    names.extend(plan.fixtures.iter().filter_map(|f| f.body.as_ref().map(|b| b.name.clone())));
    names.extend(plan.subjects.iter().map(|s| s.id.clone()));
    names.extend(["ada", "old-pier"].map(str::to_owned));
    // Words that the plan's own language has, or that every camera has.
    let ours = ["key", "wall", "rest", "main"];
    for name in names.iter().filter(|n| !ours.contains(&n.as_str())) {
        let at = words.iter().position(|w| w == name);
        let near = at.map(|i| words[i.saturating_sub(8)..(i + 4).min(words.len())].join(" "));
        assert!(at.is_none(), "`{name}` is told: {near:?}");
    }
    for look in &plan.looks {
        if let Some(about) = &look.about {
            assert!(!text.contains(about.as_str()), "{about}");
        }
    }
    assert!(rig.records.iter().any(|(_, w)| matches!(w, What::TakeStarted(t) if t.name == "s1/1")), "{text}");
}
