//! `docs/asyncapi.yaml` against the daemon: its examples, the words of requests, and a real run of the harbour
//! pilots' plan through the socket and a real broker. What other tests send is held against it where they read it.

#[path = "common/contract.rs"]
mod contract;

use std::collections::BTreeSet;
use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::UnixStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use contract::{FILE, conforms, validator};
use lampkeep::control::{FailureKind, decode_request};
use serde_json::{Map, Value, json};

const PATIENCE: Duration = Duration::from_secs(30);

fn schemas() -> &'static Map<String, Value> {
    FILE["components"]["schemas"].as_object().expect("schemas")
}

/// The schema of each request with its word.
fn requests() -> Vec<(&'static str, &'static Map<String, Value>)> {
    let listed = schemas()["Request"]["oneOf"].as_array().expect("requests");
    let name =
        |r: &'static Value| r["$ref"].as_str().and_then(|r| r.rsplit('/').next()).expect("a reference");
    listed.iter().map(name).map(|n| (n, schemas()[n].as_object().expect("an object"))).collect()
}

#[test]
fn every_example_is_as_its_schema_says() {
    let mut examples = 0;
    for (name, message) in FILE["components"]["messages"].as_object().expect("messages") {
        let schema =
            message["payload"]["$ref"].as_str().and_then(|r| r.rsplit('/').next()).expect("a schema");
        let listed = message["examples"].as_array().unwrap_or_else(|| panic!("{name} has no example"));
        for example in listed {
            conforms(schema, &example["payload"]);
            examples += 1;
        }
    }
    assert!(examples >= 20, "{examples} examples");
}

/// Source: the decoder's own list, as its answer to an unknown word tells it.
#[test]
fn the_words_of_requests_are_those_that_the_decoder_knows() {
    let (_, failure) = decode_request(br#"{"do":"zzzzzzzzzzzz"}"#).expect_err("no such word");
    let hint = failure.hint.expect("a hint");
    let known: BTreeSet<_> = hint.strip_prefix("known: ").expect("the list").split(", ").collect();
    let told: BTreeSet<_> = requests().into_iter().map(|(word, _)| word).collect();
    assert_eq!(told, known);
    for (word, schema) in requests() {
        assert_eq!(schema["properties"]["do"]["const"], *word);
        assert_eq!(schema["additionalProperties"], false, "{word} is open");
    }
}

/// Source: the table of kinds in docs/interface.md, part 6, and the one of errors in part 3.
#[test]
fn the_kinds_of_alerts_and_errors_are_those_of_the_contract_in_words() {
    let text = include_str!("../docs/interface.md");
    let listed = |from: &str| -> BTreeSet<String> {
        let part = text.split_once(from).expect("the table").1.split("\n\n").next().expect("rows");
        let cells = part.lines().filter_map(|row| row.strip_prefix("| `")?.split(" | ").next());
        cells.flat_map(|cell| cell.split(", ").map(|k| k.trim_matches('`').to_owned())).collect()
    };
    let told = |schema: &str| -> BTreeSet<String> {
        let words = &schemas()[schema]["properties"]["kind"]["x-extensible-enum"];
        words.as_array().expect("words").iter().filter_map(|w| w.as_str().map(str::to_owned)).collect()
    };
    assert_eq!(told("Alert"), listed("| `kind` | | what |\n"));
    assert_eq!(told("Failure"), listed("| `error.kind` | exit code | |\n"));
}

/// Pseudo-random numbers. Source: Steele, Lea, Flood 2014, SplitMix64 (from memory).
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    fn below(&mut self, count: usize) -> usize {
        (self.next() % count as u64) as usize
    }

    fn share(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// A value that this schema may take. What it can't make it says.
    fn value(&mut self, schema: &Value) -> Value {
        let words = ["key", "B3", "quay-dusk", "4A", "ä \"x\"\\", "x"];
        if let Some(name) = schema["$ref"].as_str() {
            let name = name.rsplit('/').next().expect("a name");
            return self.value(&schemas()[name]);
        }
        if let Some(only) = schema.get("const") {
            return only.clone();
        }
        if let Some(listed) = schema["enum"].as_array() {
            return listed[self.below(listed.len())].clone();
        }
        let (least, most) = (schema["minimum"].as_f64(), schema["maximum"].as_f64());
        let (least, most) = (least.unwrap_or(-1e6), most.unwrap_or(1e6));
        match schema["type"].as_str().expect("one type") {
            "boolean" => json!(self.below(2) == 1),
            "integer" => json!((least + (most - least) * self.share()).round() as i64),
            "number" if self.below(4) == 0 => json!([least, most][self.below(2)]),
            "number" => json!(least + (most - least) * self.share()),
            "string" => match (schema["format"].as_str(), schema["pattern"].as_str()) {
                (Some("date-time"), _) => json!("2026-05-04T10:00:00Z"),
                (_, Some(p)) if p.contains("{4}") => json!(format!("{:04}", self.below(10_000))),
                (_, Some(_)) => json!(["a", "4-b", "9x"][self.below(3)]),
                _ => json!(words[self.below(words.len())]),
            },
            "array" => json!([self.value(&schema["items"])]),
            other => panic!("a request has a field of type {other}"),
        }
    }
}

/// Source: the file's own schemas, each field there or not, at its ends and between.
#[test]
fn requests_made_from_the_schemas_are_decoded_and_one_field_more_is_refused_by_both() {
    let mut random = Random(6);
    let (mut made, mut sent) = (0, 0);
    for (word, schema) in requests() {
        let properties = schema["properties"].as_object().expect("properties");
        let required: Vec<_> =
            schema["required"].as_array().expect("required").iter().filter_map(Value::as_str).collect();
        for _ in 0..400 {
            let mut request = Map::new();
            for (name, field) in properties {
                if required.contains(&name.as_str()) || random.below(2) == 0 {
                    request.insert(name.clone(), random.value(field));
                }
            }
            let mut value = Value::Object(request);
            made += 1;
            // Fields that do not go together: for the file alone to say, the engine says it too.
            if !validator("Request").is_valid(&value) {
                continue;
            }
            sent += 1;
            let text = value.to_string();
            let decoded = decode_request(text.as_bytes());
            assert!(decoded.is_ok(), "{word}: {text}: {decoded:?}");

            value["stranger"] = Value::Null;
            assert!(!validator("Request").is_valid(&value), "{value}");
            let (_, failure) = decode_request(value.to_string().as_bytes()).expect_err("a field too many");
            assert_eq!(failure.kind, FailureKind::BadField);
        }
    }
    assert!(sent * 2 > made, "{sent} of {made}");
}

/// A wrong type is refused by both, in each field of each request.
#[test]
fn a_wrong_type_in_any_field_is_refused_by_both() {
    let mut random = Random(7);
    for (word, schema) in requests() {
        let properties = schema["properties"].as_object().expect("properties");
        // Read by doors on which a message can be late, and by no other.
        for name in properties.keys().filter(|n| !["do", "sent", "fresh"].contains(&n.as_str())) {
            let mut request: Map<String, Value> = Map::new();
            for required in schema["required"].as_array().expect("required").iter().filter_map(Value::as_str)
            {
                request.insert(required.to_owned(), random.value(&properties[required]));
            }
            for wrong in [json!([]), json!({}), json!({ "a": 1 })] {
                request.insert(name.clone(), wrong);
                let value = Value::Object(request.clone());
                assert!(!validator("Request").is_valid(&value), "{word}: {value}");
                assert!(decode_request(value.to_string().as_bytes()).is_err(), "{word}: {value}");
            }
        }
    }
}

/// Source: the seeds of the fuzz target, which have every request and many that are none.
#[test]
fn what_the_decoder_takes_of_the_seeds_the_schemas_take_too() {
    let mut taken = 0;
    for line in include_str!("fuzz/seeds/request.txt").lines() {
        let Ok(value) = serde_json::from_str::<Value>(line) else { continue };
        let decoded = decode_request(line.as_bytes());
        if validator("Request").is_valid(&value) {
            assert!(decoded.is_ok(), "{line}: {decoded:?}");
            taken += 1;
        }
    }
    assert!(taken >= 28, "{taken} seeds");
}

#[test]
fn a_request_over_mqtt_needs_its_id_and_when_it_was_sent() {
    let whole = json!({ "id": "7", "sent": "2026-05-04T10:00:00Z", "do": "dark" });
    assert!(validator("MqttRequest").is_valid(&whole));
    for missing in ["id", "sent", "do"] {
        let mut request = whole.clone();
        request.as_object_mut().expect("an object").remove(missing);
        assert!(!validator("MqttRequest").is_valid(&request), "without {missing}");
    }
}

/// The strict reading is strict: what is not in the file fails, at any depth.
#[test]
fn a_new_field_or_word_is_found_at_any_depth() {
    let status: Value = FILE["components"]["messages"]["answer"]["examples"]
        .as_array()
        .expect("examples")
        .iter()
        .find_map(|e| e["payload"].get("data").filter(|d| d.get("fixtures").is_some()))
        .expect("an example of a status")
        .clone();
    conforms("Status", &status);
    for place in
        ["", "/now", "/order", "/outputs/0", "/outputs/0/real_time", "/fixtures/0", "/fixtures/0/sent"]
    {
        let mut more = status.clone();
        let at = more.pointer_mut(place).unwrap_or_else(|| panic!("no {place} in the example"));
        at["stranger"] = json!(1);
        assert!(!validator("Status").is_valid(&more), "one more in {place}");
        let mut less = status.clone();
        let at = less.pointer_mut(place).and_then(Value::as_object_mut).expect("an object");
        let first = at.keys().next().expect("a field").clone();
        at.remove(&first);
        assert!(!validator("Status").is_valid(&less), "one less in {place}");
    }
    let mut word = status;
    word["fixtures"][0]["limited_by"] = json!(["weather"]);
    assert!(!validator("Status").is_valid(&word));
}

struct Daemon(Child);

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn start(folder: &Path) -> Daemon {
    let child = Command::new(env!("CARGO_BIN_EXE_lampkeep"))
        .args(["run", "plan.toml", "--simulate"])
        .current_dir(folder)
        .env("LAMPKEEP_SOCKET", folder.join("s.sock"))
        .env("LAMPKEEP_STATE", folder.join("state"))
        .env_remove("NOTIFY_SOCKET")
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("it starts");
    Daemon(child)
}

fn connect(folder: &Path) -> BufReader<UnixStream> {
    let (_keep, never) = std::sync::mpsc::channel::<()>();
    for _ in 0..1500 {
        if let Ok(stream) = UnixStream::connect(folder.join("s.sock")) {
            stream.set_read_timeout(Some(PATIENCE)).expect("a limit");
            return BufReader::new(stream);
        }
        let _ = never.recv_timeout(Duration::from_millis(20));
    }
    panic!("the daemon never answered");
}

fn ask(line: &mut BufReader<UnixStream>, request: &str) -> Value {
    writeln!(line.get_mut(), "{request}").expect("sent");
    let mut text = String::new();
    line.read_line(&mut text).expect("an answer");
    let answer: Value = serde_json::from_str(&text).unwrap_or_else(|e| panic!("{request}: {e}: {text}"));
    conforms("Answer", &answer);
    answer
}

/// The harbour pilots' plan with everything beside it, in a folder of its own.
fn harbour(folder: &Path) {
    let config = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
    std::fs::copy(config.join("pilot-station.toml"), folder.join("plan.toml")).expect("copied");
    std::fs::copy(config.join("kit.toml"), folder.join("kit.toml")).expect("copied");
    let copied = Command::new("cp").arg("-r").args([config.join("profiles").as_path(), folder]).status();
    assert!(copied.expect("cp runs").success());
}

/// Every request once, with the schema that its data has.
#[test]
fn every_answer_of_a_day_at_the_harbour_is_as_the_file_says() {
    let dir = tempfile::tempdir().expect("a folder");
    harbour(dir.path());
    let _daemon = start(dir.path());
    let mut line = connect(dir.path());
    let mut refused = BTreeSet::new();
    let mut asked = BTreeSet::new();
    for (request, data) in [
        (r#"{"id":"1","do":"status"}"#, Some("Status")),
        (r#"{"do":"keep","name":"too-early"}"#, None),
        (r#"{"do":"again"}"#, None),
        (r#"{"do":"recall","look":"quay-dusk","over_s":0}"#, Some("Recalled")),
        (r#"{"do":"recall","look":"quay-dsuk"}"#, None),
        (r#"{"do":"recall","look":"quay-dusk","at":"2020-01-01T00:00:00Z"}"#, None),
        (r#"{"do":"recall","look":"quay-dusk","over_s":-1}"#, None),
        (r#"{"do":"explain","look":"quay-dusk"}"#, Some("Explained")),
        (r#"{"do":"next","over_s":0.1}"#, Some("Recalled")),
        (r#"{"do":"previous","over_s":0,"in_s":60}"#, Some("Recalled")),
        (r#"{"do":"status"}"#, Some("Status")),
        (r#"{"do":"cancel"}"#, None),
        (r#"{"do":"cancel"}"#, None),
        (r#"{"do":"nudge","lamp":"all","stops":-0.3333,"kelvin":200}"#, None),
        (r#"{"do":"keep","name":"mole-two"}"#, None),
        (r#"{"do":"only","lamp":"key"}"#, None),
        (r#"{"do":"status"}"#, Some("Status")),
        (r#"{"do":"calibrate","lamp":"hair","value":9}"#, Some("Calibrating")),
        (r#"{"do":"calibrate","end":true}"#, None),
        (r#"{"do":"wink","lamp":"key"}"#, None),
        (r#"{"do":"rollcall","each_s":1}"#, None),
        (r#"{"do":"status"}"#, Some("Status")),
        (r#"{"do":"rollcall","end":true}"#, None),
        (r#"{"do":"absent","lamp":"hair"}"#, None),
        (r#"{"do":"absent","lamp":"hair","back":true}"#, None),
        (r#"{"do":"cold","lamp":"all"}"#, None),
        (r#"{"do":"meter","look":"harbour-loop","show":"lamp","lamp":"key"}"#, None),
        (r#"{"do":"meter","look":"quay-dusk","show":"lamp","lamp":"key"}"#, Some("Metering")),
        (r#"{"do":"meter","end":true}"#, None),
        (r#"{"do":"meter","undo":true}"#, None),
        (r#"{"do":"match","take":"9/9"}"#, None),
        (r#"{"do":"rest"}"#, Some("Recalled")),
        (r#"{"do":"dark","now":true}"#, None),
        (r#"{"do":"read","point":"face-lit","value":"2lx 5000K"}"#, Some("ReadingNoted")),
        (r#"{"do":"meter","look":"quay-dusk","places":true}"#, Some("Metering")),
        (r#"{"do":"match","take":"plan","look":"quay-dusk"}"#, Some("Matching")),
        (r#"{"do":"take-start","slate":"4"}"#, None),
        (r#"{"do":"recall","look":"quay-dusk"}"#, None),
        (r#"{"do":"status"}"#, Some("Status")),
        (r#"{"do":"take-end","mark":"good"}"#, Some("TakeEnded")),
        (r#"{"do":"take-end"}"#, None),
        (
            r#"{"do":"take-amend","take":"4/1","mark":"bad","typed":["iso=800","note=x"]}"#,
            Some("TakeAmended"),
        ),
        (r#"{"do":"take-amend","take":"4/1"}"#, None),
        (r#"{"do":"take-list"}"#, Some("TakeList")),
        (r#"{"do":"take-sheet","take":"n1"}"#, Some("TakeFound")),
        (r#"{"do":"recall","take":"n1","over_s":0}"#, Some("Recalled")),
        (r#"{"do":"recall","take":"9/9"}"#, None),
        (r#"{"do":"names"}"#, Some("Names")),
        (r#"{"do":"reload"}"#, None),
        (r#"{"do":"protect-on"}"#, None),
        (r#"{"do":"names"}"#, Some("Names")),
        (r#"{"do":"recall","look":"quay-dusk","over_s":0}"#, Some("Recalled")),
        (r#"{"do":"status"}"#, Some("Status")),
        (r#"{"do":"explain","look":"look-1"}"#, Some("Explained")),
        (r#"{"do":"protect-off"}"#, Some("ProtectCode")),
        (r#"{"do":"zzz"}"#, None),
        ("{", None),
    ] {
        let mut answer = ask(&mut line, request);
        // A reading waits until the light stands: a lamp that came back a moment ago still comes up softly.
        let (_keep, never) = std::sync::mpsc::channel::<()>();
        for _ in 0..200 {
            if data.is_none() || answer["error"]["kind"] != "busy" {
                break;
            }
            let _ = never.recv_timeout(Duration::from_millis(50));
            answer = ask(&mut line, request);
        }
        if let Some(kind) = answer["error"]["kind"].as_str() {
            refused.insert(kind.to_owned());
        }
        if let Ok(Value::Object(fields)) = serde_json::from_str(request)
            && let Some(word) = fields["do"].as_str()
        {
            asked.insert(word.to_owned());
        }
        match (data, answer.get("data")) {
            (Some(schema), Some(data)) => conforms(schema, data),
            (None, None) => {}
            (None, Some(_)) if answer["ok"] == true => panic!("{request} answers with data"),
            _ => panic!("{request}: {answer:#}"),
        }
        if answer["data"]["code"].is_string() {
            let off = json!({ "do": "protect-off", "code": answer["data"]["code"] }).to_string();
            conforms("ProtectReleased", &ask(&mut line, &off)["data"]);
        }
    }
    let known: BTreeSet<String> = requests().into_iter().map(|(word, _)| word.to_owned()).collect();
    let left: Vec<_> = known.difference(&asked).collect();
    assert!(left.is_empty(), "not asked: {left:?}");
    assert!(refused.len() >= 6, "{refused:?}");

    // Followed through a fade.
    ask(&mut line, r#"{"do":"recall","look":"quay-dusk","over_s":0.5}"#);
    writeln!(line.get_mut(), r#"{{"id":"f","do":"status","follow":true}}"#).expect("sent");
    for _ in 0..8 {
        let mut text = String::new();
        line.read_line(&mut text).expect("an answer");
        let answer: Value = serde_json::from_str(&text).expect("JSON");
        conforms("Answer", &answer);
        conforms("Status", &answer["data"]);
    }
}

#[path = "common/status.rs"]
mod invented;

mod figures {
    use lampkeep::control::mqtt::NowMessage;
    use lampkeep::control::{
        Alert, Answer, BatteryStatus, CircuitStatus, Confirmed, Failure, Light, LinkState, MqttStatus,
        Scheduled, StepHeat, WarmBody,
    };
    use proptest::option::of;
    use proptest::prelude::*;

    use super::{contract, invented, schemas};

    fn light() -> impl Strategy<Value = Light> {
        let white = of((1000.0..=20_000.0, -0.05..=0.05));
        (0.0..1e6, of(-20.0..20.0), white, of((0.0..=1.0, 0.0..=1.0))).prop_map(|(lux, stops, white, xy)| {
            Light {
                lux,
                stops,
                kelvin: white.map(|w| w.0),
                duv: white.map(|w| w.1),
                x: xy.map(|p| p.0),
                y: xy.map(|p| p.1),
            }
        })
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

        /// Source: the ranges that the types in control/status.rs document.
        #[test]
        fn whatever_the_figures_what_is_sent_is_as_the_file_says(
            (asked, sent, measured) in (light(), light(), of((light(), 0.0..1e7))),
            (progress, left, uptime) in (0.0..=1.0, 0.0..3600.0, 0.0..1e9),
            (text, optional) in (".{1,40}", of(".{0,20}")),
            (small, minutes, celsius) in (of(1_u16..=512), of(0.0..1e5), of(-40.0..400.0)),
            (share, state, flag) in (0.0..=1.0, 0..3_u8, any::<bool>()),
            slots in prop::collection::vec(any::<u8>(), 0..40),
        ) {
            let mut status = invented::status("quay-dusk");
            status.now.progress = progress;
            status.now.fade_left_s = left;
            status.now.uptime_s = uptime;
            status.now.take.clone_from(&optional);
            status.now.showing.clone_from(&optional);
            status.now.scheduled = optional.as_ref().map(|what| {
                let waits = serde_json::json!({ "what": what, "in_s": left });
                serde_json::from_value::<Scheduled>(waits).expect("the fields that must be there")
            });
            status.order.next.clone_from(&optional);
            status.order.heat = vec![StepHeat {
                step: 1,
                look: text.clone(),
                planned_min: left,
                fixture: optional.clone(),
                after_min: minutes,
                held_stops: left,
                rest_min: minutes,
                warmest: celsius.map(|celsius| WarmBody { fixture: text.clone(), celsius, limit_c: 70.0 }),
            }];
            let states = [LinkState::Starting, LinkState::Up, LinkState::Down];
            status.outputs[0].state = states[usize::from(state)];
            status.outputs[0].late_us_max = minutes;
            status.outputs[0].said.clone_from(&optional);
            status.outputs[0].real_time.priority = flag.then_some(40);
            let broker: MqttStatus = serde_json::from_value(serde_json::json!({
                "state": "up", "said": optional, "reconnects": 3, "dropped": 0, "requests": null })).expect("the fields of today");
            status.mqtt = flag.then_some(broker);
            status.circuits = vec![CircuitStatus {
                id: text.clone(),
                watts: left,
                volt_amperes: left,
                limit_va: left,
                breaker_a: 16.0,
                breaker_assumed: flag,
            }];
            for fixture in &mut status.fixtures {
                (fixture.asked, fixture.sent) = (asked, sent);
                fixture.measured = measured.map(|(light, age_s)| Confirmed { light, age_s });
                fixture.slots.clone_from(&slots);
                (fixture.first_slot, fixture.universe) = (small, small);
                (fixture.minutes_left, fixture.body_est_c, fixture.limit_c) = (minutes, celsius, celsius);
                fixture.battery = flag.then_some(BatteryStatus { left_share: share, minutes_left: minutes });
                fixture.moves.clone_from(&optional);
                contract::written_conforms("FixtureStatus", fixture);
            }
            let now = NowMessage {
                now: status.now.clone(),
                order: status.order.clone(),
                simulated: flag,
                outputs: status.outputs.clone(),
                protect: status.protect.clone(),
                circuits: status.circuits.clone(),
                told: status.told.clone(),
                clock: status.clock.clone(),
                journal: status.journal.clone(),
            };
            contract::written_conforms("NowMessage", &now);
            for kind in schemas()["Alert"]["properties"]["kind"]["x-extensible-enum"].as_array().expect("kinds") {
                let kind = kind.as_str().expect("a word").to_owned();
                status.alerts.push(Alert { kind, fixture: optional.clone(), said: text.clone(), since: left });
            }
            contract::written_conforms("Status", &status);
            let data = serde_json::to_value(&status).expect("JSON");
            let done = Answer {
                id: Some("7".into()),
                ok: true,
                said: Some(text.clone()),
                now: Some(status.now),
                data: flag.then_some(data),
                error: None,
            };
            contract::written_conforms("Answer", &done);
            for kind in schemas()["Failure"]["properties"]["kind"]["x-extensible-enum"].as_array().expect("kinds") {
                let kind = serde_json::from_value(kind.clone()).expect("each word is a kind");
                let failure = Failure { kind, said: text.clone(), hint: flag.then(|| text.clone()) };
                contract::written_conforms("Answer", &Answer::refused(None, failure));
            }
        }
    }
}
