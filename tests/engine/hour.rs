//! A hot afternoon under a flood of random requests of every kind, every frame looked at from outside
//! (`watch`): every day a few minutes, in the long run whole hours. Source of what must hold: the plan's text
//! below, the requirement's own limits (3 flashes in a second; never over a limit of heat or of a circuit), and the
//! rule of tests/reference/flash.csv.

use std::collections::BTreeMap;

use lampkeep::control::{LinkState, Request};
use lampkeep::engine::Event;
use lampkeep::plan::diagnose::{Form, render};
use lampkeep::plan::{Plan, load};
use proptest::prelude::*;
use proptest::strategy::ValueTree;
use proptest::test_runner::{Config, RngAlgorithm, TestRng, TestRunner};

use crate::properties::any_request;
use crate::rig::{self, Rig};
use crate::watch::{Body, Lamp, Most, Set, Watch};

/// Lamps without a fan that bear a third of their power in a room this warm, a circuit that bears half of
/// what they draw. Invented figures.
const TEXT: &str = r#"
name = "hot-quay"
ambient = "AMBIENT C"
fade = "1 s"
rest = "low"
rest-for = "30 s"
room = { back = "2.5 m" }
order = [{ look = "storm", on-for = "5 min" }, { look = "white", on-for = "5 min" }, "low", "breathing"]
[camera.main]
iso = 800
f-number = 2.8
shutter = "1/50"
[output.desk]
kind = "simulator"
[circuit.quay]
volts = "120 V"
breaker = "3 A"
other = "20 W"
over = "lower"

[profile.bulb]
cooling = "fan-less"
standby = "2 W"
power-factor = "90 %"
when-frames-stop = "hold"
emitter.white = { kelvin = 5600, lux = 900, watts = "100 W" }
heat = { rise-at-full = "80 K", time-constant = "70 s", limit = "60 C" }
mode.fine = { slots = [{ drives = "intensity", bits = 16 }] }
mode.coarse = { slots = [{ drives = "intensity" }] }

[profile.beacon]
cooling = "fan-less"
standby = "3 W"
when-frames-stop = { hold-for = "2 s" }
emitter.red = { xy = [0.69, 0.305], lux = 400, watts = "30 W" }
emitter.green = { xy = [0.18, 0.72], lux = 800, watts = "30 W" }
emitter.blue = { xy = [0.145, 0.04], lux = 120, watts = "30 W" }
heat = { rise-at-full = "60 K", time-constant = "100 s", limit = "65 C" }
mode.eight = { slots = [{ drives = "strobe", safe = 3 }, { drives = "red" }, { drives = "green" }, { drives = "blue" }] }

[profile.mat]
cooling = "fan"
heat = "no limit"
emitter.warm = { kelvin = 3000, lux = 700, watts = "80 W" }
emitter.cool = { kelvin = 6000, lux = 800, watts = "80 W" }
mode.two = { slots = [{ drives = "intensity" }, { drives = "kelvin", kelvin = [3000, 6000] }] }

[fixture.key]
profile = "bulb"
mode = "fine"
address = 1
clock = "7:30"
distance = "1.2 m"
rise = "300 %/s"
[fixture.fill]
profile = "bulb"
mode = "coarse"
address = 11
clock = "4:30"
distance = "1.4 m"
floor = "8 %"
[fixture.hair]
profile = "bulb"
mode = "coarse"
address = 21
aim = "hair"
clock = "1:00"
distance = "2 m"
battery = "40 Wh"
[fixture.glow]
profile = "beacon"
address = 31
aim = "wall"
from-wall = "0.8 m"
height = "0.3 m"
[fixture.side]
profile = "mat"
address = 41
clock = "3:00"
distance = "2 m"
ceiling = "70 %"
[fixture.spare]
profile = "beacon"
address = 51
clock = "9:00"
distance = "1.5 m"
absent = "lent"

[look.storm]
key = { of-full = "100 %" }
fill = { of-full = "90 %" }
hair = { of-full = "80 %" }
glow = { of-full = "100 %" }
side = { of-full = "100 %" }
[look.white]
key = { stops = 0 }
fill = { to-key = -1 }
side = { to-key = -1 }
[look.low]
key = { stops = -3 }
fill = { to-key = -1 }
glow = { stops = -4 }
[look.red]
glow = { lux = 150, hue = "12 deg", saturation = "100 %" }
spare = { lux = 60, hue = "12 deg", saturation = "100 %" }
[look.blue]
glow = { lux = 40, hue = "260 deg", saturation = "100 %" }
spare = { lux = 30, hue = "260 deg", saturation = "90 %" }
[look.turning]
fill = { stops = -1 }
glow = { lux = 60, hue = "12 deg", saturation = "90 %", move = { hue-circle = { period = "10 s", depth = "90 %" } } }
[look.breathing]
key = { of-full = "90 %", move = { breath = { period = "6 s", depth = "1 stop" } } }
fill = { of-full = "70 %" }
hair = { of-full = "100 %" }
[look.outline]
protect = true
key = { stops = 0 }
glow = { lux = 100 }
"#;

const RATE: usize = 40;
/// The room, and the room in the sun.
const ROOMS_C: [f64; 2] = [36.0, 40.0];
/// 80 % of 3 A at 120 V, of which 20 W are other loads.
const RATING_VA: f64 = 288.0;
const OTHER_W: f64 = 20.0;

fn plan(ambient_c: f64) -> Plan {
    let dir = tempfile::tempdir().expect("a folder");
    let path = dir.path().join("hot-quay.toml");
    std::fs::write(&path, TEXT.replace("AMBIENT", &ambient_c.to_string())).expect("written");
    load::load(&path).unwrap_or_else(|e| panic!("{}", render(&e, Form::Plain)))
}

/// The figures of [`TEXT`], by hand.
fn lamps() -> Vec<Lamp> {
    let bulb = Body { k_per_w: 80.0 / 102.0, tau_s: 70.0, limit_c: 60.0, holds_s: None, standby_w: 2.0 };
    let beacon =
        Body { k_per_w: 60.0 / 93.0, tau_s: 100.0, limit_c: 65.0, holds_s: Some(2.0), standby_w: 3.0 };
    let lamp = |body, power_factor| Lamp {
        body,
        power_factor,
        ceiling: 1.0,
        floor: 0.0,
        rise: 1.0,
        step: 1.0 / 255.0,
    };
    vec![
        Lamp { step: 1.0 / 65535.0, rise: 3.0 / RATE as f64, ..lamp(Some(bulb), Some(0.9)) },
        Lamp { floor: 0.08, ..lamp(Some(bulb), Some(0.9)) },
        lamp(Some(bulb), None),
        lamp(Some(beacon), Some(1.0)),
        Lamp { ceiling: 0.7, ..lamp(None, Some(1.0)) },
        lamp(Some(beacon), Some(1.0)),
    ]
}

/// Random numbers of one seed.
struct Chance(TestRunner);

impl Chance {
    fn new(seed: u64) -> Self {
        let mut bytes = [0; 32];
        bytes[..8].copy_from_slice(&seed.to_le_bytes());
        let rng = TestRng::from_seed(RngAlgorithm::ChaCha, &bytes);
        Self(TestRunner::new_with_rng(Config::default(), rng))
    }

    fn pick<T: std::fmt::Debug>(&mut self, from: impl Strategy<Value = T>) -> T {
        from.new_tree(&mut self.0).expect("nothing is rejected").current()
    }

    fn one_in(&mut self, times: u32) -> bool {
        self.pick(0..times) == 0
    }
}

/// A request of the demo's, with this plan's names where it has names.
fn renamed(request: Request, demo: &Plan, ours: &Plan) -> Request {
    let look = |name: String| {
        demo.look_named(&name).map_or(name, |id| ours.looks[id.0 % ours.looks.len()].name.clone())
    };
    let lamp = |name: String| {
        demo.fixture_named(&name).map_or(name, |id| ours.fixtures[id.0 % ours.fixtures.len()].id.clone())
    };
    match request {
        Request::Recall { look: name, take, over_s, in_s, at } => {
            Request::Recall { look: name.map(look), take, over_s, in_s, at }
        }
        Request::Explain { look: name } => Request::Explain { look: look(name) },
        Request::Nudge { lamp: name, stops, kelvin, mired, duv } => {
            Request::Nudge { lamp: lamp(name), stops, kelvin, mired, duv }
        }
        Request::Only { lamp: name } => Request::Only { lamp: lamp(name) },
        // Beside its address a lamp counts as lit there, which slots decoded at their places do not show.
        Request::Rollcall { each_s, lamp: Some(name), end, .. } => {
            Request::Rollcall { each_s, lamp: Some(lamp(name)), shift: 0, end }
        }
        Request::Wink { lamp: name } => Request::Wink { lamp: lamp(name) },
        Request::Absent { lamp: name, back } => Request::Absent { lamp: lamp(name), back },
        Request::Cold { lamp: name } => Request::Cold { lamp: lamp(name) },
        other => other,
    }
}

/// One afternoon.
struct Flood {
    rig: Rig,
    watch: Watch,
    set: Set,
    chance: Chance,
    demo: Plan,
    plans: [Plan; 2],
    /// Frames of the rig that have been looked at.
    looked_at: usize,
    take_since: Option<u64>,
    protect_since: Option<u64>,
    asked: BTreeMap<&'static str, u64>,
    refused: u64,
    reloads: u64,
    gaps: u64,
    /// Frames when the last gap ended, and its length in seconds.
    gap_ended: Option<(u64, f64)>,
    held: BTreeMap<String, u64>,
}

type Outcome = Result<(), String>;

impl Flood {
    fn new(seed: u64) -> Self {
        let plans = ROOMS_C.map(plan);
        let absent = plans[0].fixtures.iter().map(|f| f.absent.is_some()).collect();
        let mut flood = Self {
            rig: Rig::new(plans[0].clone()),
            watch: Watch::new(&plans[0], lamps(), RATING_VA, OTHER_W, ROOMS_C[0]),
            set: Set { absent, protected: false, ambient_c: ROOMS_C[0], gap_s: None },
            chance: Chance::new(seed),
            demo: load::demo(),
            plans,
            looked_at: 0,
            take_since: None,
            protect_since: None,
            asked: BTreeMap::new(),
            refused: 0,
            reloads: 0,
            gaps: 0,
            gap_ended: None,
            held: BTreeMap::new(),
        };
        flood.link(LinkState::Up, None);
        flood
    }

    fn at(&self) -> u64 {
        self.watch.most.frames
    }

    /// Looks at every frame that has been sent and not looked at.
    fn look(&mut self) -> Outcome {
        for sent in &self.rig.frames[self.looked_at..] {
            self.watch.frame(sent, &self.set)?;
            if let Some(gap_s) = &mut self.set.gap_s {
                *gap_s += 1.0 / RATE as f64;
            }
        }
        if self.rig.frames.len() > 1000 {
            self.rig.frames.clear();
            self.rig.keeps.clear();
        }
        self.looked_at = self.rig.frames.len();
        if self.at().is_multiple_of(10) {
            let status = self.rig.status();
            let told: Vec<_> = status.fixtures.iter().map(|f| f.body_est_c).collect();
            self.watch.told(&told)?;
            for limit in status.fixtures.iter().flat_map(|f| &f.limited_by) {
                *self.held.entry(limit.clone()).or_default() += 1;
            }
        }
        Ok(())
    }

    fn ask(&mut self, request: Request) -> Outcome {
        let kind = kind_of(&request);
        *self.asked.entry(kind).or_default() += 1;
        let cold = if let Request::Cold { lamp } = &request { Some(lamp.clone()) } else { None };
        let answer = self.rig.ask(request);
        if answer.ok != answer.error.is_none() {
            return Err(format!("{kind} is answered {answer:?}"));
        }
        self.refused += u64::from(!answer.ok);
        let status = self.rig.status();
        for (absent, fixture) in self.set.absent.iter_mut().zip(&status.fixtures) {
            *absent = fixture.control == "absent";
        }
        self.set.protected = status.protect.on;
        if let Some(named) = cold.filter(|_| answer.ok) {
            for (index, fixture) in self.plans[0].fixtures.iter().enumerate() {
                if named == "all" || named == fixture.id {
                    self.watch.cold(index, self.set.ambient_c);
                }
            }
        }
        let since = |on: bool, since: Option<u64>, now| if on { since.or(Some(now)) } else { None };
        self.take_since = since(status.now.take.is_some(), self.take_since, self.at());
        self.protect_since = since(status.protect.on, self.protect_since, self.at());
        self.look()
    }

    fn frame(&mut self) -> Outcome {
        drop(self.rig.frame());
        self.look()?;
        // No take and no protection for ever: the rest of the flood would be refused.
        if self.take_since.is_some_and(|since| self.at() > since + 120) {
            self.ask(Request::TakeEnd { mark: None })?;
        }
        if self.protect_since.is_some_and(|since| self.at() > since + 200) && self.take_since.is_none() {
            self.ask(Request::ProtectOff { code: None, random: 4711 })?;
            self.ask(Request::ProtectOff { code: Some("4711".to_owned()), random: 0 })?;
        }
        Ok(())
    }

    /// A request that changes light, mostly.
    fn request(&mut self) -> Request {
        let lamp = |i: usize| ["key", "fill", "hair", "glow", "side", "spare"][i].to_owned();
        let looks: Vec<String> = self.plans[0].looks.iter().map(|l| l.name.clone()).collect();
        let protect = self.chance.one_in(12);
        let looks: Vec<String> = looks.into_iter().filter(|name| protect || name != "outline").collect();
        let recall = (proptest::sample::select(looks), prop_oneof![2 => Just(0.0), 1 => 0.0..1.5]).prop_map(
            |(look, over_s)| Request::Recall {
                look: Some(look),
                take: None,
                over_s: Some(over_s),
                in_s: None,
                at: None,
            },
        );
        let nudge = (0..6_usize, -4.0..4.0).prop_map(move |(i, stops)| Request::Nudge {
            lamp: lamp(i),
            stops: Some(stops),
            kelvin: None,
            mired: None,
            duv: None,
        });
        let calibrate =
            (0..6_usize, 0..256_u16, 0..4_u8).prop_map(move |(i, value, end)| Request::Calibrate {
                lamp: Some(lamp(i)),
                value: Some(value),
                emitter: [3, 5].contains(&i).then(|| "red".to_owned()),
                kelvin: None,
                duv: None,
                hue_deg: None,
                saturation: None,
                end: end == 0,
            });
        let any = prop_oneof![
            10 => recall,
            10 => any_request(),
            2 => Just(Request::Dark { now: true }),
            2 => nudge,
            1 => calibrate,
        ];
        loop {
            let request = renamed(self.chance.pick(&any), &self.demo, &self.plans[0]);
            let rare = match &request {
                // A word of a person, now and then; else nothing would ever be hot.
                Request::Cold { .. } => 40,
                // The lent lamp may come; of the others few are away at a time.
                Request::Absent { back: false, .. } => 6,
                Request::TakeStart { .. } => 2,
                _ => 1,
            };
            if self.chance.one_in(rare) {
                return request;
            }
        }
    }

    fn link(&mut self, state: LinkState, silent_s: Option<f64>) {
        let output = rig::output("simulator", "desk", state);
        let now = self.rig.engine.plan().frames.moment_of(self.rig.engine.next_frame());
        drop(self.rig.engine.handle(Event::Outputs(vec![output]), now));
        drop(self.rig.engine.handle(Event::Silent(0, silent_s), now));
    }

    /// The wire is gone for a while; requests come all the same.
    fn gap(&mut self) -> Outcome {
        self.gaps += 1;
        self.link(LinkState::Down, None);
        // Right after another one nothing came between: it goes on.
        let before = self.gap_ended.filter(|(frames, _)| *frames == self.watch.most.frames);
        self.set.gap_s = Some(before.map_or(0.0, |(_, gap_s)| gap_s));
        for n in 0..self.chance.pick(20..240_usize) {
            if n > RATE {
                self.link(LinkState::Down, Some(n as f64 / RATE as f64));
            }
            if n.is_multiple_of(30) {
                let request = self.request();
                self.ask(request)?;
            }
            self.frame()?;
        }
        self.gap_ended = self.set.gap_s.take().map(|gap_s| (self.watch.most.frames, gap_s));
        self.link(LinkState::Up, None);
        Ok(())
    }

    /// The plan is taken again, in a room of another temperature.
    fn sun(&mut self) -> Outcome {
        if self.take_since.is_some() {
            return Ok(());
        }
        self.reloads += 1;
        let other = usize::from(self.set.ambient_c == ROOMS_C[0]);
        self.rig.reload(self.plans[other].clone());
        self.set.ambient_c = ROOMS_C[other];
        let status = self.rig.status();
        for (absent, fixture) in self.set.absent.iter_mut().zip(&status.fixtures) {
            *absent = fixture.control == "absent";
        }
        Ok(())
    }

    fn run(&mut self, frames: u64) -> Outcome {
        while self.at() < frames {
            match self.chance.pick(0..12_u8) {
                // A flood: a request every few frames.
                0..=5 => {
                    let gap = self.chance.pick(1..9_usize);
                    for _ in 0..self.chance.pick(5..60_usize) {
                        let request = self.request();
                        self.ask(request)?;
                        for _ in 0..gap {
                            self.frame()?;
                        }
                    }
                }
                // A burst within a frame.
                6..=7 => {
                    for _ in 0..self.chance.pick(5..40_usize) {
                        let request = self.request();
                        self.ask(request)?;
                    }
                    self.frame()?;
                }
                // A pause in bright light.
                8..=10 => {
                    let look =
                        self.chance.pick(proptest::sample::select(vec!["storm", "white", "breathing"]));
                    let over_s = Some(self.chance.pick(0.0..2.0));
                    self.ask(Request::Recall {
                        look: Some(look.to_owned()),
                        take: None,
                        over_s,
                        in_s: None,
                        at: None,
                    })?;
                    for _ in 0..self.chance.pick(200..1600_usize) {
                        self.frame()?;
                    }
                }
                _ => match self.chance.pick(0..3_u8) {
                    0 => self.gap()?,
                    1 => self.sun()?,
                    _ => self.ask(Request::ProtectOn {})?,
                },
            }
            // Those who went for something come back.
            for index in 0..self.set.absent.len() - 1 {
                if self.set.absent[index] && self.chance.one_in(2) {
                    let lamp = self.plans[0].fixtures[index].id.clone();
                    self.ask(Request::Absent { lamp, back: true })?;
                }
            }
        }
        self.watch.flashes()
    }
}

fn kind_of(request: &Request) -> &'static str {
    match request {
        Request::Recall { .. } => "recall",
        Request::Next { .. } => "next",
        Request::Previous { .. } => "previous",
        Request::Cancel {} => "cancel",
        Request::Nudge { .. } => "nudge",
        Request::Keep { .. } => "keep",
        Request::Dark { .. } => "dark",
        Request::Rest {} => "rest",
        Request::Again {} => "again",
        Request::Only { .. } => "only",
        Request::Calibrate { .. } => "calibrate",
        Request::Wink { .. } => "wink",
        Request::Rollcall { .. } => "rollcall",
        Request::Absent { .. } => "absent",
        Request::Cold { .. } => "cold",
        Request::TakeStart { .. } => "take-start",
        Request::TakeEnd { .. } => "take-end",
        Request::ProtectOn {} => "protect-on",
        Request::ProtectOff { .. } => "protect-off",
        Request::Reload {} => "reload",
        _ => "reading",
    }
}

/// Runs one seed, tells its figures, and gives how often a lamp was held by what.
fn afternoon(seed: u64, frames: u64) -> (Most, BTreeMap<String, u64>) {
    let mut flood = Flood::new(seed);
    if let Err(why) = flood.run(frames) {
        panic!("seed {seed}: {why}");
    }
    let most = flood.watch.most.clone();
    let mut alerts: BTreeMap<String, usize> = BTreeMap::new();
    for (_, kind, _) in &flood.rig.alerts {
        *alerts.entry(kind.clone()).or_default() += 1;
    }
    let table = include_str!("../../docs/interface.md");
    let standing = flood.rig.status().alerts.into_iter().map(|a| a.kind);
    for kind in alerts.keys().cloned().chain(standing) {
        assert!(table.contains(&format!("`{kind}`")), "docs/interface.md does not have the alert `{kind}`");
    }
    let asked: u64 = flood.asked.values().sum();
    println!(
        "seed {seed}: {} frames, {asked} requests ({} refused), {} reloads, {} gaps\n  {most:?}, rating {RATING_VA}\n  \
         asked {:?}\n  lamps held, every tenth frame {:?}\n  told {alerts:?}",
        most.frames, flood.refused, flood.reloads, flood.gaps, flood.asked, flood.held
    );
    (most, flood.held)
}

#[test]
fn three_minutes_of_a_flood_cross_no_limit_and_lose_no_frame() {
    let mut held = BTreeMap::new();
    let mut hot_frames = 0;
    for seed in 1..=3 {
        let (most, by) = afternoon(seed, 3 * 60 * RATE as u64);
        assert!(most.volt_amperes > 0.95 * RATING_VA, "{most:?}: it shows nothing");
        hot_frames += most.hot_frames;
        for (kind, times) in by {
            *held.entry(kind).or_default() += times;
        }
    }
    assert!(hot_frames > 0, "no body came near its limit: it shows nothing");
    for kind in ["heat", "circuit", "flash", "protect", "rise", "floor", "ceiling", "absent", "soft-start"] {
        assert!(held.get(kind).is_some_and(|times: &u64| *times > 0), "no {kind}: it shows nothing");
    }
    assert!(Watch::new(&plan(36.0), lamps(), RATING_VA, OTHER_W, 36.0).hidden() >= 3);
}

/// The long form: `tests/long/hour.sh`.
#[test]
#[ignore = "minutes, with the optimiser"]
fn an_hour_of_a_flood_crosses_no_limit_and_loses_no_frame() {
    let seeds = std::env::var("LAMPKEEP_SEEDS").map_or(4, |text| text.parse().expect("a number of seeds"));
    for seed in 101..101 + seeds {
        let (most, _) = afternoon(seed, 60 * 60 * RATE as u64);
        assert!(most.frames >= 144_000);
    }
}
