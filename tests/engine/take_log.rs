//! Takes after they are over: told, corrected, brought back to light. Source of each: docs/interface.md parts 1, 3 and
//! 5, practice.md pains 1 and 2; never our own output.

use std::sync::LazyLock;
use std::time::Duration;

use crate::rig::{Rig, slots};
use lampkeep::control::{FailureKind, Request, decode_request};
use lampkeep::engine::{Action, Event, Kept, Start, Ticket, Wall};
use lampkeep::journal::TakeRecord;
use lampkeep::plan::{OnStop, Plan, load};
use serde_json::{Value, json};

static DEMO: LazyLock<Plan> = LazyLock::new(load::demo);

/// A still look of the demo that lights several lamps.
const LOOK: &str = "quay-dusk";
const OTHER: &str = "harbour-loop";

fn recall(rig: &mut Rig, look: &str) -> String {
    rig.done(&json!({ "do": "recall", "look": look, "over_s": 0.0 }).to_string())
}

fn recall_take(rig: &mut Rig, take: &str) -> String {
    rig.done(&json!({ "do": "recall", "take": take, "over_s": 0.0 }).to_string())
}

fn last(rig: &Rig) -> Vec<Vec<u8>> {
    slots(rig.frames.last().expect("frames"))
}

/// A take of some seconds; gives the slots that were sent in it.
fn take(rig: &mut Rig, mark: &str) -> Vec<Vec<u8>> {
    rig.done(r#"{"do":"take-start"}"#);
    rig.run(2.0);
    let sent = last(rig);
    rig.done(&json!({ "do": "take-end", "mark": mark }).to_string());
    sent
}

/// A rig whose look stands.
fn lit(plan: Plan, look: &str) -> Rig {
    let mut rig = Rig::new(plan);
    rig.frame();
    recall(&mut rig, look);
    rig.run(20.0);
    rig
}

#[test]
fn a_recall_says_that_it_is_the_same_as_the_last_take_of_its_look_or_what_differs() {
    let mut rig = lit(DEMO.clone(), LOOK);
    assert!(!recall(&mut rig, LOOK).contains("same as"), "there is no take yet");
    rig.run(20.0);
    take(&mut rig, "good");
    recall(&mut rig, OTHER);
    rig.run(20.0);
    let answer = rig.json(&json!({ "do": "recall", "look": LOOK }).to_string());
    let said = answer.said.expect("done");
    assert!(said.contains(" · same as take 1/1: yes"), "{said}");
    let same = &answer.data.expect("data")["same_as"];
    assert_eq!((&same["take"], &same["number"], &same["same"]), (&json!("1/1"), &json!("n1"), &json!(true)));
    rig.run(20.0);

    // A nudge in the take: the look is not what was shot.
    rig.done(r#"{"do":"nudge","lamp":"key","stops":-0.5,"mired":20}"#);
    rig.run(2.0);
    take(&mut rig, "good");
    let said = recall(&mut rig, LOOK);
    assert!(said.contains("same as take 1/2: no: key +0.5") && said.contains("-20 mired"), "{said}");
    rig.run(20.0);

    // A bad take is not in the film: the one before it counts.
    rig.done(r#"{"do":"nudge","lamp":"key","stops":-0.25}"#);
    rig.run(2.0);
    take(&mut rig, "bad");
    let said = recall(&mut rig, LOOK);
    assert!(said.contains("same as take 1/2: no"), "{said}");
    rig.run(5.0);
    rig.done(r#"{"do":"absent","lamp":"fill"}"#);
    let said = recall(&mut rig, LOOK);
    assert!(said.contains("fill absent"), "{said}");
}

/// practice.md, pain 1: the same slots in another place are another light.
#[test]
fn the_same_slots_from_another_place_are_not_called_the_same() {
    let mut plan = DEMO.clone();
    let look = plan.look_named(LOOK).expect("a look");
    let key = plan.fixture_named("key").expect("a key");
    // A share of its most light asks the same of the lamp wherever it stands.
    for target in &mut plan.looks[look.0].targets {
        if target.fixture == key {
            target.level = lampkeep::plan::Level::OfFull(lampkeep::units::Share::new(0.4).expect("a share"));
        }
    }
    plan.looks[look.0].balanced = None;
    let mut rig = lit(plan.clone(), LOOK);
    take(&mut rig, "good");
    let place = &mut plan.fixtures[key.0].place;
    place.position = place.position.map(|c| c * 1.2);
    place.distance_m *= 1.2;
    plan.hash = "another".into();
    rig.reload(plan);
    rig.run(1.0);
    let said = recall(&mut rig, LOOK);
    // By the law of the disc, 45 cm in radius: log2((1.6² + 0.45²) / (1.92² + 0.45²)) = -0.493 stop.
    assert!(said.contains("same as take 1/1: no: key -0.49 stops"), "{said}");
    assert!(said.contains("1.92 m (was 1.60 m)"), "{said}");
}

#[test]
fn a_takes_light_comes_back_to_the_byte_nudges_and_all() {
    let mut rig = lit(DEMO.clone(), LOOK);
    rig.done(r#"{"do":"nudge","lamp":"key","stops":-0.4,"mired":-12}"#);
    rig.done(r#"{"do":"nudge","lamp":"fill","stops":0.2}"#);
    rig.run(5.0);
    let sent = take(&mut rig, "good");
    recall(&mut rig, OTHER);
    rig.run(20.0);
    assert_ne!(last(&rig), sent);
    let said = recall_take(&mut rig, "1/1");
    assert!(said.contains("same as take 1/1: yes") && !said.contains("solved again"), "{said}");
    rig.run(20.0);
    assert_eq!(last(&rig), sent);
    assert_eq!(rig.status().now.look, LOOK);
    assert!(rig.status().now.nudged, "it is not the look as written");
    // By its log number too, from dark, and back again after that.
    rig.done(r#"{"do":"dark","now":true}"#);
    rig.run(1.0);
    recall_take(&mut rig, "n1");
    rig.run(20.0);
    assert_eq!(last(&rig), sent);
    let lit = crate::rig::lit(&DEMO, rig.frames.last().expect("frames"));
    rig.done(r#"{"do":"dark","now":true}"#);
    rig.run(1.0);
    rig.done(r#"{"do":"again"}"#);
    rig.run(20.0);
    assert_eq!(crate::rig::lit(&DEMO, rig.frames.last().expect("frames")), lit);
}

/// Every still look of the demo, lamps of every kind of mode.
#[test]
fn every_still_look_comes_back_to_the_byte() {
    for look in DEMO.looks.iter().filter(|l| l.targets.iter().all(|t| t.motion.is_none()) && !l.protect) {
        let mut rig = lit(DEMO.clone(), &look.name);
        rig.run(20.0);
        let sent = take(&mut rig, "good");
        recall(&mut rig, OTHER);
        rig.run(20.0);
        let said = recall_take(&mut rig, "n1");
        rig.run(30.0);
        assert_eq!(last(&rig), sent, "{}: {said}", look.name);
        assert!(said.contains("same as take 1/1: yes"), "{}: {said}", look.name);
    }
}

/// The requirement: one log record, the plan gone, gives the slots to the byte; practice.md, pain 2.
#[test]
fn one_record_alone_has_every_slot() {
    let mut rig = lit(DEMO.clone(), LOOK);
    let sent = take(&mut rig, "good");
    let line = serde_json::to_string(&rig.log.last().record).expect("a line");
    drop(rig);
    let record: TakeRecord = serde_json::from_str(&line).expect("a record");
    let frames = record.light.frames().expect("every slot");
    let rebuilt: Vec<Vec<u8>> = frames.iter().map(|(_, slots)| slots.to_vec()).collect();
    assert_eq!(rebuilt, sent);
    assert!(rebuilt.iter().all(|slots| slots.len() == 512));
}

/// The same light on other lamps: each gives what it gave, as near as it comes.
#[test]
fn a_changed_set_gets_the_same_light_solved_again_and_what_is_missing_is_said() {
    let mut rig = lit(DEMO.clone(), LOOK);
    take(&mut rig, "good");
    let then: Vec<_> = rig.log.last().record.light.lamps.iter().map(|l| l.sent.lux).collect();
    let mut plan = DEMO.clone();
    let (key, fill) =
        (plan.fixture_named("key").expect("a key"), plan.fixture_named("fill").expect("a fill"));
    let place = &mut plan.fixtures[key.0].place;
    place.position = place.position.map(|c| c * 1.2);
    place.distance_m *= 1.2;
    plan.hash = "another".into();
    rig.reload(plan.clone());
    rig.done(r#"{"do":"dark","now":true}"#);
    rig.run(1.0);
    let said = recall_take(&mut rig, "1/1");
    assert!(said.contains("1.92 m (was 1.60 m)"), "{said}");
    assert!(said.contains("the same light solved again for key"), "{said}");
    rig.run(20.0);
    for (now, then) in rig.status().fixtures.iter().zip(&then).filter(|(_, lux)| **lux > 0.0) {
        let off = (now.sent.lux / then).log2();
        assert!(off.abs() < 0.02, "{} {off} stops off", now.id);
    }

    // A lamp that the plan no longer has, and one that is lent away.
    let gone = plan.fixtures[fill.0].id.clone();
    rig.done(r#"{"do":"absent","lamp":"rim"}"#);
    let mut without = plan.clone();
    without.fixtures[fill.0].id = "somebody".into();
    without.hash = "third".into();
    rig.reload(without);
    let said = recall_take(&mut rig, "n1");
    assert!(said.contains(&format!("{gone} is not in this plan")), "{said}");
    assert!(said.contains("rim absent"), "{said}");
}

#[test]
fn no_take_comes_back_in_a_take_or_past_a_protected_face() {
    let mut rig = lit(DEMO.clone(), LOOK);
    take(&mut rig, "good");
    rig.done(r#"{"do":"take-start"}"#);
    let refused = rig.json(r#"{"do":"recall","take":"1/1"}"#).error.expect("a take rolls");
    assert_eq!(refused.kind, FailureKind::Guarded);
    rig.run(1.0);
    rig.done(r#"{"do":"take-end"}"#);
    rig.done(r#"{"do":"protect-on"}"#);
    rig.run(1.0);
    recall_take(&mut rig, "n1");
    rig.run(10.0);
    let status = rig.status();
    assert!(!status.protect.held.is_empty());
    for fixture in &status.fixtures {
        assert!(!status.protect.held.contains(&fixture.id) || fixture.sent.lux == 0.0, "{}", fixture.id);
    }
}

#[test]
fn what_is_no_take_or_two_is_refused_and_both_ways_to_name_light_too() {
    let mut rig = lit(DEMO.clone(), LOOK);
    take(&mut rig, "good");
    let kind = |rig: &mut Rig, text: &str| rig.json(text).error.expect("refused").kind;
    for (text, wanted) in [
        (r#"{"do":"recall","take":"7/1"}"#, FailureKind::UnknownTake),
        (r#"{"do":"recall","take":"n99"}"#, FailureKind::UnknownTake),
        (r#"{"do":"recall","take":"four"}"#, FailureKind::BadField),
        (r#"{"do":"recall"}"#, FailureKind::BadField),
        (r#"{"do":"recall","take":"1/1","look":"quay-dusk"}"#, FailureKind::BadField),
        (r#"{"do":"recall","take":"1/1","at":"2026-05-04T10:00:00Z"}"#, FailureKind::BadField),
        (r#"{"do":"recall","take":"1/1","over_s":-1}"#, FailureKind::BadField),
        (r#"{"do":"take-amend","take":"1/1"}"#, FailureKind::BadField),
        (r#"{"do":"take-amend","take":"1/1","typed":["shuter=1/50"]}"#, FailureKind::BadField),
        (r#"{"do":"take-amend","take":"1/1","typed":["iso@nowhere=800"]}"#, FailureKind::BadField),
        (r#"{"do":"take-amend","take":"1/1","rename":"n5"}"#, FailureKind::BadField),
    ] {
        assert_eq!(kind(&mut rig, text), wanted, "{text}");
    }
    // A slate that was counted anew, as after a lost state file: both are listed.
    let mut twin = rig.log.takes[0].clone();
    twin.log_name = "n9@7f3a".into();
    twin.imported = true;
    rig.log.takes.push(twin);
    let error = rig.json(r#"{"do":"recall","take":"1/1"}"#).error.expect("two of them");
    assert_eq!(error.kind, FailureKind::AmbiguousTake);
    assert!(error.said.contains("n1") && error.said.contains("n9@7f3a"), "{}", error.said);
}

#[test]
fn a_take_is_amended_afterwards_and_the_next_one_counts_on_from_there() {
    let mut rig = lit(DEMO.clone(), LOOK);
    take(&mut rig, "good");
    let amend = |rig: &mut Rig, fields: Value| {
        let mut request = json!({ "do": "take-amend", "take": "n1" });
        for (name, value) in fields.as_object().expect("fields") {
            request[name] = value.clone();
        }
        let answer = rig.json(&request.to_string());
        (answer.said.unwrap_or_default(), answer.data.unwrap_or_default())
    };
    let (said, data) = amend(
        &mut rig,
        json!({ "mark": "bad", "rename": "5/1", "typed": ["iso=1600", "note=hand on the rail", "note=late"] }),
    );
    assert_eq!(said, "take 5/1 (n1) · was 1/1 · marked bad · iso 1600 · note hand on the rail · note late");
    assert_eq!(data["typed"], json!([["iso", "1600"], ["note", "hand on the rail"], ["note", "late"]]));
    assert_eq!((&data["take"], &data["mark"]), (&json!("5/1"), &json!("bad")));
    let (said, data) = amend(&mut rig, json!({ "typed": ["iso=", "note="] }));
    assert_eq!(said, "take 5/1 (n1) · iso taken back · note taken back");
    assert_eq!(data["typed"], json!([]));
    assert!(rig.done(r#"{"do":"take-start"}"#).starts_with("take 5/2 rolls"), "the slate was corrected");
    rig.run(1.0);
    rig.done(r#"{"do":"take-amend","take":"n2","typed":["stop=2.8"]}"#);
    rig.done(r#"{"do":"take-end"}"#);
    let data = rig.json(r#"{"do":"take-list"}"#).data.expect("a list");
    let takes = data["takes"].as_array().expect("takes");
    let names: Vec<_> = takes.iter().map(|t| (t["number"].as_str(), t["take"].as_str())).collect();
    assert_eq!(names, [(Some("n1"), Some("5/1")), (Some("n2"), Some("5/2"))]);
    assert!(
        rig.json(r#"{"do":"take-sheet","take":"5/2"}"#).data.expect("a take")["found"]["record"].is_object()
    );
}

/// The requirement: free text is refused under protect; numbers are noted as ever.
#[test]
fn no_free_text_is_noted_while_a_face_is_protected_and_no_name_is_told() {
    let mut rig = lit(DEMO.clone(), LOOK);
    rig.done(r#"{"do":"take-start","slate":"ada"}"#);
    rig.run(1.0);
    rig.done(r#"{"do":"take-end"}"#);
    rig.done(r#"{"do":"take-amend","take":"n1","typed":["note=Ada at the rail"]}"#);
    rig.done(r#"{"do":"protect-on"}"#);
    rig.run(1.0);
    for typed in ["note=Ada", "lens=the one of Ada", "clip=ada-1"] {
        let request = json!({ "do": "take-amend", "take": "n1", "typed": [typed] }).to_string();
        let error = rig.json(&request).error.expect("free text");
        assert_eq!(error.kind, FailureKind::Guarded);
        assert!(!error.said.to_lowercase().contains("ada"), "{}", error.said);
    }
    rig.done(r#"{"do":"take-amend","take":"n1","typed":["iso=800"]}"#);
    for text in [
        r#"{"do":"take-list"}"#,
        r#"{"do":"take-sheet","take":"n1"}"#,
        r#"{"do":"recall","take":"n1"}"#,
        r#"{"do":"recall","look":"quay-dusk"}"#,
    ] {
        let answer = rig.json(text);
        let told = serde_json::to_string(&answer).expect("JSON").to_lowercase();
        for name in ["ada", "quay-dusk", ":\"key\"", "harbour", "stripe"] {
            assert!(!told.contains(name), "{text} tells {name}: {told}");
        }
    }
}

fn reasons(rig: &mut Rig) -> Vec<String> {
    let data = rig.json(r#"{"do":"take-end"}"#).data.expect("parts");
    data["why"].as_array().expect("why").iter().filter_map(|w| w.as_str().map(str::to_owned)).collect()
}

/// practice.md, pain 25: a take at two minutes is stamped cold, one at thirty is not.
#[test]
fn a_lamp_that_was_lit_for_two_minutes_is_cold_and_for_thirty_is_not() {
    let mut rig = lit(DEMO.clone(), LOOK);
    rig.run(100.0);
    rig.done(r#"{"do":"take-start"}"#);
    rig.run(1.0);
    let why = reasons(&mut rig);
    assert!(
        why.len() == 1 && why[0] == "a lamp cold: all that are lit (lit for 2 min, warm from 30 min)",
        "{why:?}"
    );
    rig.run(1685.0);
    rig.done(r#"{"do":"take-start"}"#);
    rig.run(1.0);
    let why = reasons(&mut rig);
    assert!(!why.iter().any(|w| w.contains("cold")), "{why:?}");
}

#[test]
fn a_clock_that_jumps_in_a_take_is_a_reason_and_a_small_correction_is_none() {
    let mut rig = warm(LOOK);
    let wall = |at: &str| {
        let state = lampkeep::control::ClockStatus::of(None, 1_777_888_000);
        Event::Wall(Wall { at_start: at.parse().expect("an instant"), state })
    };
    let tell = |rig: &mut Rig, at: &str| {
        let now = rig.engine.plan().frames.moment_of(rig.engine.next_frame());
        drop(rig.engine.handle(wall(at), now));
    };
    tell(&mut rig, "2026-05-04T10:00:00Z");
    rig.done(r#"{"do":"take-start"}"#);
    rig.run(2.0);
    tell(&mut rig, "2026-05-04T10:00:00.2Z");
    rig.run(1.0);
    assert_eq!(reasons(&mut rig), [] as [&str; 0]);
    rig.done(r#"{"do":"take-start"}"#);
    rig.run(2.0);
    tell(&mut rig, "2027-05-04T10:00:00Z");
    rig.run(1.0);
    let why = reasons(&mut rig);
    assert!(why.len() == 1 && why[0].starts_with("clock jumped: forward by"), "{why:?}");
}

/// Two lamps of invented figures: cold at full `key` reaches its limit after 240 s ln(80/45), 138 s.
const WARM_PLAN: &str = r#"
ambient = "25 C"
[camera.main]
iso = 800
f-number = 2.8
shutter = "1/50"
[output.desk]
kind = "simulator"
[profile.spot]
cooling = "fan-less"
standby = "2 W"
emitter.white = { kelvin = 5600, lux = 1600, watts = "100 W" }
heat = { rise-at-full = "80 K", time-constant = "4 min", limit = "60 C" }
mode.dim = { slots = [{ drives = "intensity", bits = 16 }] }
[fixture.key]
profile = "spot"
address = 1
clock = "7:30"
height = "1.9 m"
distance = "1.5 m"
[look.long]
key = { of-full = "100 %" }
"#;

#[test]
fn heat_that_lowers_light_is_a_guard_that_acted_and_a_body_near_its_limit_is_told() {
    let dir = tempfile::tempdir().expect("a folder");
    let path = dir.path().join("quay.toml");
    std::fs::write(&path, WARM_PLAN).expect("written");
    let mut rig = Rig::new(load::load(&path).expect("a plan"));
    rig.done(r#"{"do":"recall","look":"long","over_s":0}"#);
    rig.run(60.0);
    rig.done(r#"{"do":"take-start"}"#);
    rig.run(10.0);
    let why = reasons(&mut rig);
    assert!(!why.iter().any(|w| w.contains("heat")), "{why:?}");
    rig.run(30.0);
    rig.done(r#"{"do":"take-start"}"#);
    rig.run(120.0);
    let why = reasons(&mut rig);
    let held = |w: &String| w.starts_with("a guard acted: key held by heat after ");
    assert!(why.iter().any(held), "{why:?}");
    let near = |w: &String| w.starts_with("heat near its limit: key 60 °C of 60 °C");
    assert!(why.iter().any(near), "{why:?}");
    rig.done(r#"{"do":"take-start"}"#);
    rig.run(1.0);
    let why = reasons(&mut rig);
    assert!(why.iter().any(|w| w == "a guard acted: key held by heat from the start"), "{why:?}");
}

/// Lamps that have been lit for an hour.
pub fn warm_start(plan: &Plan) -> Start {
    let on: Vec<Value> = plan
        .fixtures
        .iter()
        .map(|f| json!({ "lamp": f.lamp_name(), "on_s": 3600.0, "dark_s": 0.0, "lit_s": 3600.0 }))
        .collect();
    let mut kept = serde_json::to_value(Kept::default()).expect("a state");
    kept["on"] = json!(on);
    let kept: Kept = serde_json::from_value(kept).expect("a state");
    Start { kept: Some(kept), gap_s: Some(1.0), same_boot: true, ..Start::default() }
}

fn warm(look: &str) -> Rig {
    let mut rig = Rig::from(DEMO.clone(), warm_start(&DEMO));
    recall(&mut rig, look);
    rig.run(20.0);
    rig
}

#[test]
fn a_request_for_a_take_after_a_delay_waits_and_comes() {
    let mut rig = lit(DEMO.clone(), LOOK);
    let sent = take(&mut rig, "good");
    recall(&mut rig, OTHER);
    rig.run(20.0);
    let request = Request::Recall {
        look: None,
        take: Some("1/1".into()),
        over_s: Some(0.0),
        in_s: Some(3.0),
        at: None,
    };
    assert!(rig.ask(request).said.expect("it waits").contains("recall --take 1/1 in 3.0 s"));
    rig.run(2.0);
    assert_ne!(last(&rig), sent);
    rig.run(20.0);
    assert_eq!(last(&rig), sent);
    assert!(rig.told.iter().any(|t| t.contains("same as take 1/1: yes")), "{:?}", rig.told);
}

/// A take may come from a file, with the very figures of a lamp of this set and slots that are not its own: they once
/// ended the daemon.
#[test]
fn slots_of_another_length_in_a_record_are_solved_anew() {
    let mut rig = lit(DEMO.clone(), LOOK);
    take(&mut rig, "good");
    let lit = |rig: &Rig| crate::rig::lit(&DEMO, rig.frames.last().expect("frames"));
    let sent = lit(&rig);
    for slots in ["", "7f", "7f7f7f7f7f7f7f7f7f7f7f7f7f7f7f7f7f7f", "x"] {
        for lamp in &mut rig.log.takes.last_mut().expect("a take").record.light.lamps {
            slots.clone_into(&mut lamp.slots);
        }
        rig.done(r#"{"do":"dark","now":true}"#);
        rig.run(1.0);
        recall_take(&mut rig, "n1");
        rig.run(20.0);
        assert_eq!(lit(&rig), sent, "what was asked then comes to the same slots: `{slots}`");
    }
}

/// Older takes than those that a start learns of may have another plan's names.
#[test]
fn a_match_tells_no_name_of_another_plans_take_while_a_face_is_protected() {
    let mut rig = lit(DEMO.clone(), LOOK);
    rig.done(r#"{"do":"take-start","slate":"ada"}"#);
    rig.run(1.0);
    rig.done(r#"{"do":"take-end"}"#);
    let mut log = std::mem::take(&mut rig.log);
    log.takes[0].record.readings = vec![1];
    let mut plan = DEMO.clone();
    for (index, look) in plan.looks.iter_mut().enumerate() {
        look.name = format!("other{index}");
    }
    plan.hash = "another".into();
    let mut rig = Rig::new(plan);
    rig.frame();
    rig.log = log;
    rig.done(r#"{"do":"protect-on"}"#);
    rig.run(1.0);
    for (take, kind) in [("ada/1", FailureKind::Nothing), ("ada/7", FailureKind::UnknownTake)] {
        let answer = rig.json(&json!({ "do": "match", "take": take }).to_string());
        assert_eq!(answer.error.as_ref().map(|e| e.kind), Some(kind), "{answer:?}");
        let told = serde_json::to_string(&answer).expect("JSON").to_lowercase();
        assert!(!told.contains("ada") && !told.contains(LOOK), "{take}: {told}");
    }
}

/// The log may answer after the last fade has begun.
#[test]
fn a_take_that_is_found_while_the_daemon_stops_does_not_come_up() {
    let mut plan = DEMO.clone();
    plan.on_stop = OnStop::Fade(Duration::from_secs(2));
    let mut rig = lit(plan, LOOK);
    take(&mut rig, "good");
    let now = rig.engine.plan().frames.moment_of(rig.engine.next_frame());
    let request = decode_request(br#"{"do":"recall","take":"n1","over_s":0}"#).expect("a request");
    let asked = rig.engine.handle(Event::Ask(Ticket(4242), request), now);
    let find = asked.into_iter().find_map(|a| match a {
        Action::Find { ticket, what } => Some((ticket, what)),
        _ => None,
    });
    let (ticket, what) = find.expect("the log is asked");
    drop(rig.engine.handle(Event::Stop, now));
    let found = rig.engine.handle(Event::Found(ticket, rig.log.find(&what)), now);
    let refused = found.into_iter().find_map(|a| match a {
        Action::Reply(_, answer) => answer.error,
        _ => None,
    });
    assert_eq!(refused.map(|e| e.kind), Some(FailureKind::Busy));
    let lux = |rig: &Rig| rig.status().fixtures.iter().map(|f| f.sent.lux).sum::<f64>();
    let before = lux(&rig);
    rig.run(1.5);
    assert_eq!(rig.status().now.look, "dark");
    assert!(lux(&rig) < before / 2.0, "it goes on to fade out");
}

/// A mark may be amended while the take rolls, and another given at its end: the latest counts everywhere.
#[test]
fn the_latest_mark_counts_though_one_was_amended_before_the_end() {
    let mut rig = lit(DEMO.clone(), LOOK);
    take(&mut rig, "good");
    for (end, mark, same) in
        [(r#"{"do":"take-end"}"#, "bad", "1/1"), (r#"{"do":"take-end","mark":"good"}"#, "good", "1/3")]
    {
        rig.done(r#"{"do":"take-start"}"#);
        rig.run(1.0);
        let number = rig.log.last().log_name.clone();
        rig.done(&json!({ "do": "take-amend", "take": number, "mark": "bad" }).to_string());
        rig.done(end);
        assert_eq!(rig.log.last().mark().map(|m| m.word()), Some(mark));
        let said = recall(&mut rig, LOOK);
        assert!(said.contains(&format!("same as take {same}: yes")), "{said}");
        rig.run(20.0);
    }
}
