//! The inputs that fuzzing begins with: texts under `seeds/`, plans and beams that lie about in the repository, and
//! what lampkeep itself writes where that is the input. `targets/seeds.rs` lays them out for libFuzzer;
//! `tests/fuzzing.rs` changes them every day.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use lampkeep::control::{Answer, decode_request};
use lampkeep::engine::{Action, Engine, Event, Options, Ticket};
use lampkeep::journal::{Stamp, TakeFound, What};
use lampkeep::plan::load;
use lampkeep::state_file::{self, When};
use lampkeep::wire::encode::framed;

/// Every target by its name.
pub const TARGETS: [&str; 12] = [
    "device", "engine", "ies", "import", "mqtt", "plan", "reckon", "request", "spectrum", "state", "status",
    "typed",
];

/// The seeds of a target. `root`: the repository.
pub fn of(target: &str, root: &Path) -> Vec<Vec<u8>> {
    match target {
        "request" => lines(include_str!("seeds/request.txt")),
        "typed" => lines(include_str!("seeds/typed.txt")),
        "reckon" => lines(include_str!("seeds/reckon.txt")),
        "spectrum" => parts(include_str!("seeds/spectrum.txt")),
        "ies" => {
            [parts(include_str!("seeds/ies.txt")), files(root, "tests/plan_errors/beams", "ies")].concat()
        }
        "mqtt" => [parts(include_str!("seeds/mqtt.txt")), packets()].concat(),
        "plan" => plans(root),
        "device" => device(),
        "status" => statuses(),
        "state" => states(),
        "import" => vec![import(&take())],
        "engine" => engine(),
        other => panic!("no target {other}"),
    }
}

fn lines(text: &str) -> Vec<Vec<u8>> {
    text.lines().map(|line| line.as_bytes().to_vec()).collect()
}

fn parts(text: &str) -> Vec<Vec<u8>> {
    text.split("%%%\n").map(|part| part.as_bytes().to_vec()).collect()
}

fn files(root: &Path, folder: &str, ending: &str) -> Vec<Vec<u8>> {
    let Ok(entries) = std::fs::read_dir(root.join(folder)) else {
        panic!("{folder} is not in {}", root.display())
    };
    let mut paths: Vec<_> = entries.filter_map(|e| Some(e.ok()?.path())).collect();
    paths.retain(|p| p.extension().is_some_and(|e| e == ending));
    paths.sort();
    paths.iter().map(|p| std::fs::read(p).expect("a file of the repository")).collect()
}

fn plans(root: &Path) -> Vec<Vec<u8>> {
    let kit = std::fs::read(root.join("config/kit.toml")).expect("the kit of the examples");
    let with_kit = |plan: Vec<u8>| [&plan[..], b"\n=== kit.toml\n", &kit].concat();
    let examples = files(root, "config", "toml").into_iter().filter(|p| p != &kit).map(with_kit);
    parts(include_str!("seeds/plan.txt"))
        .into_iter()
        .chain(examples)
        .chain(files(root, "tests/plan_errors", "toml"))
        .collect()
}

/// A broker's packets. Source of the layout: OASIS MQTT 5.0, 3.2 to 3.5, 3.9 and 3.14.
fn packets() -> Vec<Vec<u8>> {
    let ask = br#"{"id":"p","sent":"2026-05-04T10:01:40Z","do":"next"}"#;
    let topic = b"lampkeep/all/ask";
    let mut properties = vec![0x02, 0, 0, 0, 5, 0x08, 0, 7];
    properties.extend(b"chair/1");
    properties.extend([0x09, 0, 1, 7, 0x26, 0, 1, b'a', 0, 1, b'b', 0x0b, 1]);
    let mut rest = vec![0, topic.len() as u8];
    rest.extend(topic);
    rest.extend([0, 1, properties.len() as u8]);
    rest.extend(&properties);
    rest.extend(ask);
    let publish = [&[0x34, rest.len() as u8][..], &rest].concat();
    let ack = [0x20, 6, 0, 0, 3, 0x21, 0, 64];
    let others = [0x90, 4, 0, 1, 0, 1, 0x40, 3, 0, 1, 0, 0x62, 2, 0, 1, 0xd0, 0, 0xe0, 2, 0x8b, 0];
    vec![publish.clone(), [&ack[..], &others, &publish].concat()]
}

fn device() -> Vec<Vec<u8>> {
    let mut message = [0; framed::MESSAGE_MAX];
    let n = framed::encode(&[7; 30], &mut message);
    let framed =
        [&[0, 9][..], &message[..n], &message[..n], &[1, 2, 3], &message[..20], &message[..n]].concat();
    let raw = [&[1, 12][..], &[0, 1, 2, 3, 4, 5].repeat(6)].concat();
    let expecting = [&[2, 5][..], &[0, 1, 2, 3, 4, 5].repeat(6)].concat();
    let keys = b"\x03\x02np\x1b[6~\x1b[[A\x1bOP\xc3\xa9\x1b\x1bq\r".to_vec();
    vec![framed, raw, expecting, keys]
}

/// An engine that runs the demo; what it did is in what comes back.
struct Shoot {
    engine: Engine,
    records: Vec<What>,
}

impl Shoot {
    fn new() -> Self {
        let options = Options { simulate: true, boot_id: "boot".to_owned(), ..Options::default() };
        let mut shoot = Self { engine: Engine::new(Arc::new(load::demo()), options), records: Vec::new() };
        shoot.frames(2);
        for request in [
            r#"{"do":"recall","look":"quay-dusk","over_s":0}"#,
            r#"{"do":"nudge","lamp":"key","stops":-0.5}"#,
            r#"{"do":"take-start","slate":"4"}"#,
        ] {
            let request = decode_request(request.as_bytes()).expect("a request");
            let now = shoot.engine.plan().frames.moment_of(shoot.engine.next_frame());
            let actions = shoot.engine.handle(Event::Ask(Ticket(1), request), now);
            shoot.keep(actions);
            // A take starts in light that stands.
            shoot.frames(20);
        }
        shoot
    }

    fn frames(&mut self, count: u64) {
        for _ in 0..count {
            let n = self.engine.next_frame();
            let now = self.engine.plan().frames.moment_of(n);
            let actions = self.engine.handle(Event::Frame(n), now);
            self.keep(actions);
        }
    }

    fn keep(&mut self, actions: Vec<Action>) {
        for action in actions {
            if let Action::Record(what) = action {
                self.records.push(*what);
            }
        }
    }
}

fn statuses() -> Vec<Vec<u8>> {
    let status = Shoot::new().engine.status();
    let line = |status: &lampkeep::control::Status| {
        let data = serde_json::to_value(status).expect("a status");
        let answer = Answer {
            id: Some("7".to_owned()),
            ok: true,
            said: None,
            now: None,
            data: Some(data),
            error: None,
        };
        serde_json::to_vec(&answer).expect("an answer")
    };
    // A small one too, so that a change meets each field often.
    let mut small = status.clone();
    small.fixtures.truncate(2);
    small.circuits.truncate(1);
    small.outputs.truncate(1);
    small.order.heat.truncate(1);
    let mut fading = small.clone();
    (fading.now.fading, fading.now.progress, fading.now.fade_left_s) = (true, 0.4, 12.5);
    fading.protect.on = true;
    let refused = br#"{"id":"7","ok":false,"error":{"kind":"busy","said":"no room","hint":"ask again"}}"#;
    let done = br#"{"ok":true,"said":"rest \u00b7 fading 2.0 s"}"#;
    let both = [&line(&small)[..], b"\n", &line(&fading), b"\n", done].concat();
    vec![line(&status), line(&small), both, refused.to_vec(), done.to_vec(), b"hello\n".to_vec()]
}

fn states() -> Vec<Vec<u8>> {
    let then = When {
        wall: "2026-05-04T10:00:00Z".parse().expect("a moment"),
        boot_id: "boot".to_owned(),
        since_boot: Duration::from_secs(990),
    };
    let shoot = Shoot::new();
    let mut kept = shoot.engine.to_keep();
    let hash = kept.plan.clone();
    let whole = state_file::text(&kept, &then).replace(&hash, "PLANHASH").into_bytes();
    kept.light = None;
    kept.again = None;
    let small = state_file::text(&kept, &then).into_bytes();
    let protect = br#"{"version":1,"on":false,"written":"2026-05-04T10:00:00Z","count":3}"#;
    vec![whole, small, protect.to_vec(), br#"{"version":2}"#.to_vec()]
}

/// A take of the demo, as a log gives it back.
fn take() -> TakeFound {
    let mut shoot = Shoot::new();
    let ask =
        Event::Ask(Ticket(2), decode_request(br#"{"do":"take-end","mark":"good"}"#).expect("a request"));
    let now = shoot.engine.plan().frames.moment_of(shoot.engine.next_frame());
    let actions = shoot.engine.handle(ask, now);
    shoot.keep(actions);
    shoot.frames(2);
    let record = shoot
        .records
        .iter()
        .find_map(|w| if let What::TakeStarted(r) = w { Some((**r).clone()) } else { None });
    let end =
        shoot.records.iter().find_map(|w| if let What::TakeEnded(e) = w { Some(e.clone()) } else { None });
    let mut record = record.expect("a take began");
    // Lamps enough to see what a change does.
    record.light.lamps.truncate(3);
    record.places.truncate(3);
    record.lamps.truncate(2);
    let stamp = Stamp {
        seq: 9,
        since_boot_us: 5_000_000,
        wall: "2026-05-04T10:00:00Z".to_owned(),
        unset: false,
        frame: 12,
    };
    TakeFound { log_name: "n1".to_owned(), imported: true, stamp, record, end, amended: Vec::new() }
}

/// A file with that take; its last line is made where it is read.
fn import(take: &TakeFound) -> Vec<u8> {
    let stamp = serde_json::to_value(&take.stamp).expect("a stamp");
    let text = "[camera.main]\n";
    let hash = lampkeep::journal::sha256(text.as_bytes());
    let lines = [
        serde_json::json!({"lampkeep-takes": {"version": 1, "lampkeep": "0.1.0", "written": "2026-05-04T12:00:00Z"}}),
        serde_json::json!({"text": {"hash": hash, "text": text}}),
        serde_json::json!({"plan-text": {"plan": take.record.light.plan, "without_names": false, "position": 0,
            "role": "plan", "name": "quay.toml", "hash": hash}}),
        serde_json::json!({"reading": {"origin": "7f3a7f3a7f3a7f3a", "stamp": stamp, "record": {
            "id": 1, "point": "face-lit", "lux": 250.0, "under": false, "kelvin": 5120.0, "duv": 0.003,
            "typed": ["250lx 5120K"], "dome": false, "lit": {"one": "key"}, "look": null, "frame_hash": "00",
            "instrument": null, "aim": false, "lamps": []}}}),
        serde_json::json!({"take": {"uid": "7f3a7f3a7f3a7f3a-boot-1-9", "origin": "7f3a7f3a7f3a7f3a",
            "boot_id": "boot", "stamp": stamp, "record": take.record, "ended": take.end,
            "amended": [{"number": 1, "take": 4, "mark": "bad", "typed": [["iso", "800"]]}]}}),
    ];
    lines.iter().flat_map(|line| [line.to_string().into_bytes(), b"\n".to_vec()].concat()).collect()
}

/// Requests, and a take for those that ask the log.
fn engine() -> Vec<Vec<u8>> {
    let found = serde_json::to_vec(&take()).expect("a take");
    let with = |asks: &str| [&found[..], b"\n", asks.as_bytes()].concat();
    let mut seeds = parts(include_str!("seeds/engine.txt"));
    seeds.push(with("{\"do\":\"recall\",\"take\":\"n1\",\"over_s\":0}\nframes 3\n{\"do\":\"match\",\"take\":\"n1\",\"apply\":true}\n"));
    seeds.push(with("{\"do\":\"recall\",\"take\":\"4/1\",\"in_s\":0.1}\nframes 9\n{\"do\":\"take-sheet\",\"take\":\"4/1\"}\n"));
    seeds
}
