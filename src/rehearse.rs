//! The running order with no hardware: the engine itself, on virtual time or at a stated pace, into a
//! simulator that decodes what it is sent with its own arithmetic.

use std::fmt::Write as _;
use std::sync::Arc;
use std::time::Duration;

use serde::Serialize;

use crate::channels::Frame;
use crate::control::{Alert, Envelope, FixtureStatus, Light, Request, WarmBody};
use crate::engine::{Action, Engine, Event, Options, Ticket, assess, say};
use crate::plan::{Control, FixtureId, Plan, Step};
use crate::units::FrameNumber;
use crate::wire::sim;

/// How long each look stays where the plan has no order.
const STAY_WITHOUT_ORDER: Duration = Duration::from_secs(10);

/// The colour science that the simulator decodes whites with.
pub const WHITE: sim::WhiteScience =
    sim::WhiteScience { xy_of: crate::light::colour::xy_of, kelvin_of: crate::light::colour::kelvin_of };

/// What a rehearsal found.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Timeline {
    /// The set's name.
    pub set: String,
    /// Length of the whole order in seconds.
    pub length_s: f64,
    /// Frames worked out.
    pub frames: u64,
    /// A hash of every frame of every universe in order: two runs that are the same have the same.
    pub frames_hash: String,
    /// The looks in the order in which they came up.
    pub looks: Vec<Row>,
    /// What a person should know of the plan as a whole.
    pub notes: Vec<String>,
}

/// One look of the order, as it stood when its fade had landed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Row {
    /// Seconds from the start to its recall.
    pub at_s: f64,
    /// Its name.
    pub look: String,
    /// Length of its fade in seconds.
    pub fade_s: f64,
    /// How long it stays, its fade included.
    pub on_s: f64,
    /// Electrical power of all lamps in watts, standby and hand-set lamps included.
    pub watts: f64,
    /// The lamps that it lights.
    pub lamps: Vec<LampRow>,
    /// Warnings.
    pub warnings: Vec<String>,
    /// The body nearest to its limit at the step's end, estimated; `None` where no lamp has a limit.
    pub warmest: Option<WarmBody>,
    /// What the daemon would tell while it stands.
    pub told: Vec<Told>,
}

/// Something that is told on the way.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Told {
    /// Seconds from the start of the rehearsal.
    pub at_s: f64,
    /// The alert's stable word.
    pub kind: String,
    /// The lamp that it is about, if one.
    pub fixture: Option<String>,
    /// In words.
    pub said: String,
}

/// One lamp of a look.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LampRow {
    /// Fixture id.
    pub id: String,
    /// Body name.
    pub lamp: String,
    /// What was asked, planned.
    pub asked: Light,
    /// What the simulator decoded from the slots.
    pub sent: Light,
    /// Universe and first slot; `None` for a hand-set lamp.
    pub address: Option<(u16, u16)>,
    /// Its slots.
    pub slots: Vec<u8>,
    /// What a person does, for a hand-set lamp.
    pub by_hand: Option<String>,
    /// How it moves by itself, in words; `None` where it stands.
    pub moves: Option<String>,
}

/// The script of a rehearsal: on which frame which step comes, and after which frame it is over.
#[must_use]
pub fn script(plan: &Plan) -> (Vec<(FrameNumber, Step)>, FrameNumber) {
    let steps: Vec<Step> = if plan.order.is_empty() {
        (0..plan.looks.len())
            .map(|i| Step {
                look: crate::plan::LookId(i),
                fade: plan.looks[i].fade.unwrap_or(plan.fade),
                on_for: STAY_WITHOUT_ORDER,
            })
            .collect()
    } else {
        plan.order.clone()
    };
    let mut at = 0;
    let mut script = Vec::new();
    for step in steps {
        script.push((at, step.clone()));
        let stay = plan.frames.frames_in(step.on_for).max(plan.frames.frames_in(step.fade) + 1);
        at += stay;
    }
    (script, at)
}

/// Goes through the order. `each_frame` gets every frame's universes as they are sent, before the next
/// is worked out; a pace is kept there.
pub fn rehearse(plan: Arc<Plan>, mut each_frame: impl FnMut(&[Frame])) -> Timeline {
    let clock = plan.frames;
    let (script, end) = script(&plan);
    let mut engine = Engine::new(
        Arc::clone(&plan),
        Options { simulate: true, boot_id: "rehearsal".into(), ..Options::default() },
    );
    let mut steps = script.iter().peekable();
    let mut hash = Fnv::default();
    let mut looks: Vec<Row> = Vec::new();
    let mut told = Vec::new();
    let mut landing: Option<(FrameNumber, FrameNumber, &Step)> = None;
    for n in 0..end {
        let now = clock.moment_of(n);
        if let Some((at, step)) = steps.next_if(|(at, _)| *at == n) {
            if engine.protected() && !plan.look(step.look).protect {
                end_protection(&mut engine, n);
            }
            let request = Request::Recall {
                look: plan.look(step.look).name.clone(),
                over_s: Some(step.fade.as_secs_f64()),
                in_s: None,
                at: None,
            };
            let envelope = Envelope { id: None, request };
            keep_nothing(&mut engine, Event::Ask(Ticket(n), envelope), n);
            landing = Some((n + clock.frames_in(step.fade), *at, step));
        }
        for action in engine.handle(Event::Frame(n), now) {
            match action {
                Action::Send(frames) => {
                    hash.frames(&frames);
                    each_frame(&frames);
                }
                Action::Tell(Alert { kind, fixture, said, .. }) => {
                    told.push(Told { at_s: clock.seconds(n), kind, fixture, said });
                }
                _ => {}
            }
        }
        if let Some((_, at, step)) = landing.take_if(|(lands, ..)| n >= *lands) {
            looks.push(row(&engine, step, clock.seconds(at)));
        }
        // The last frame before the next step, or of all.
        if (n + 1 == end || steps.peek().is_some_and(|(at, _)| *at == n + 1))
            && let Some(row) = looks.last_mut()
        {
            row.warmest = warmest(&engine);
            row.told.append(&mut told);
        }
    }
    Timeline {
        set: plan.name.clone(),
        length_s: clock.seconds(end),
        frames: end,
        frames_hash: format!("{:016x}", hash.0),
        looks,
        notes: plan.notes.clone(),
    }
}

/// Asks, with a disk that takes everything at once. Gives the answer's data where there is any.
fn keep_nothing(engine: &mut Engine, event: Event, n: FrameNumber) -> Option<serde_json::Value> {
    let now = engine.plan().frames.moment_of(n);
    let mut data = None;
    for action in engine.handle(event, now) {
        match action {
            Action::KeepProtect { serial, .. } => {
                drop(engine.handle(Event::ProtectKept(serial, Ok(())), now))
            }
            Action::Reply(_, answer) => data = answer.data,
            _ => {}
        }
    }
    data
}

/// What a person does before a look that hides nobody: the code is asked for and given back.
fn end_protection(engine: &mut Engine, n: FrameNumber) {
    let mut ask = |code: Option<String>| {
        let request = Request::ProtectOff { code, random: 0 };
        keep_nothing(engine, Event::Ask(Ticket(n), Envelope { id: None, request }), n)
    };
    let code = ask(None).and_then(|data| data["code"].as_str().map(str::to_owned));
    ask(code);
}

/// The body nearest to its limit.
fn warmest(engine: &Engine) -> Option<WarmBody> {
    // By the plan's own names: the status has numbers while a face is protected.
    let body = |(index, f): (usize, FixtureStatus)| {
        let fixture = engine.plan().fixture(FixtureId(index)).id.clone();
        Some(WarmBody { fixture, celsius: f.body_est_c?, limit_c: f.limit_c? })
    };
    let room = |b: &WarmBody| b.limit_c - b.celsius;
    engine
        .status()
        .fixtures
        .into_iter()
        .enumerate()
        .filter_map(body)
        .min_by(|a, b| room(a).total_cmp(&room(b)))
}

fn row(engine: &Engine, step: &Step, at_s: f64) -> Row {
    let plan = engine.plan();
    let look = plan.look(step.look);
    let status = engine.status();
    let found = assess::assess(plan, look, false);
    let mut lamps = Vec::new();
    for (index, f) in status.fixtures.iter().enumerate() {
        let fixture = plan.fixture(FixtureId(index));
        if f.asked.stops.is_none() || f.control == "absent" {
            continue;
        }
        let sent = match fixture.control {
            Control::Dmx(_) => {
                let shown = sim::shown(fixture, &f.slots, WHITE);
                crate::engine::light_of(plan, shown.lux, shown.xy)
            }
            Control::Hand => f.sent,
        };
        lamps.push(LampRow {
            id: fixture.id.clone(),
            lamp: fixture.lamp_name().to_owned(),
            asked: f.asked,
            sent,
            address: fixture.address().map(|a| (a.universe, a.first)),
            slots: f.slots.clone(),
            moves: f.moves.clone(),
            by_hand: found.iter().find(|a| a.fixture == FixtureId(index)).and_then(|a| a.by_hand(plan)),
        });
    }
    Row {
        at_s,
        look: look.name.clone(),
        fade_s: step.fade.as_secs_f64(),
        on_s: step.on_for.as_secs_f64(),
        watts: status.fixtures.iter().map(|f| f.watts).sum(),
        lamps,
        warnings: found.iter().flat_map(|a| a.warnings(plan)).chain(held(engine, look)).collect(),
        warmest: None,
        told: Vec::new(),
    }
}

/// Lamps that a look marked `protect` lights and that are held dark.
fn held(engine: &Engine, look: &crate::plan::Look) -> Option<String> {
    let plan = engine.plan();
    let means = crate::engine::protection_of(plan);
    let lit = look.targets.iter().filter(|t| look.protect && means.holds(t.fixture));
    let names: Vec<_> = lit.map(|t| plan.fixture(t.fixture).id.as_str()).collect();
    (!names.is_empty()).then(|| format!("held dark: {} (a protected face)", names.join(", ")))
}

impl Timeline {
    /// Warnings in all; what is told to be over is none, nor what is told to come.
    #[must_use]
    pub fn warnings(&self) -> usize {
        let counts = |t: &&Told| !t.kind.ends_with("-free") && !t.kind.ends_with("-soon");
        self.looks.iter().map(|l| l.warnings.len() + l.told.iter().filter(counts).count()).sum()
    }

    /// The timeline for people: a verdict first, then look by look.
    #[must_use]
    pub fn text(&self) -> String {
        let mut text = String::new();
        let verdict = match self.warnings() {
            0 => "works, no warnings".to_owned(),
            n => format!("works, with {}", say::count(n, "warning")),
        };
        let _ = writeln!(
            text,
            "{} · {} in {} · {verdict}",
            self.set,
            say::count(self.looks.len(), "look"),
            say::span(self.length_s)
        );
        text.push_str("simulated: nothing is driven, and planned light is not measured light\n");
        let id = self.looks.iter().flat_map(|l| &l.lamps).map(|l| l.id.len()).max().unwrap_or(0).max(4);
        let lamp = self.looks.iter().flat_map(|l| &l.lamps).map(|l| l.lamp.len()).max().unwrap_or(0).max(4);
        for look in &self.looks {
            let _ = writeln!(
                text,
                "\n{}  {}   fade {}, on {}, {:.0} W",
                clock_time(look.at_s),
                look.look,
                say::span(look.fade_s),
                say::span(look.on_s),
                look.watts
            );
            if !look.lamps.is_empty() {
                let _ = writeln!(
                    text,
                    "         {:<id$} {:<lamp$}  {:<20} {:<20} slots",
                    "job", "lamp", "asked", "sent"
                );
            }
            for l in &look.lamps {
                let tail = match (&l.by_hand, l.address) {
                    (Some(by_hand), _) => by_hand.clone(),
                    (None, Some((universe, first))) => format!(
                        "{universe}/{first}-{}: {}",
                        usize::from(first) + l.slots.len() - 1,
                        crate::cli::show::slots(&l.slots)
                    ),
                    (None, None) => String::new(),
                };
                let sent = if l.by_hand.is_some() { String::new() } else { crate::cli::show::light(&l.sent) };
                let _ = writeln!(
                    text,
                    "         {:<id$} {:<lamp$}  {:<20} {sent:<20} {tail}",
                    l.id,
                    l.lamp,
                    crate::cli::show::light(&l.asked)
                );
                if let Some(moves) = &l.moves {
                    let _ = writeln!(text, "         {:<id$} {:<lamp$}  moves: {moves}", "", "");
                }
            }
            for warning in &look.warnings {
                let _ = writeln!(text, "       ! {warning}");
            }
            for told in &look.told {
                let _ = writeln!(text, "{} ! {}", clock_time(told.at_s), told.said);
            }
            if let Some(body) = &look.warmest {
                let _ = writeln!(
                    text,
                    "         warmest at its end: {}, estimated {:.0} °C of {:.0}",
                    body.fixture, body.celsius, body.limit_c
                );
            }
        }
        text.push('\n');
        for note in &self.notes {
            let _ = writeln!(text, "note: {note}");
        }
        let _ = writeln!(
            text,
            "{} frames, hash {}: the same in every run of this plan",
            self.frames, self.frames_hash
        );
        text
    }
}

/// `0:05:20`.
fn clock_time(seconds: f64) -> String {
    let s = seconds.floor() as u64;
    format!("{}:{:02}:{:02}", s / 3600, s / 60 % 60, s % 60)
}

/// FNV-1a, 64 bits: to tell runs apart, not against anybody. Source: IETF draft-eastlake-fnv, from memory.
struct Fnv(u64);

impl Default for Fnv {
    fn default() -> Self {
        Self(0xcbf2_9ce4_8422_2325)
    }
}

impl Fnv {
    fn frames(&mut self, frames: &[Frame]) {
        for frame in frames {
            self.bytes(&frame.number.to_be_bytes());
            self.bytes(&frame.universe.to_be_bytes());
            self.bytes(&frame.slots);
        }
    }

    fn bytes(&mut self, bytes: &[u8]) {
        const PRIME: u64 = 0x0000_0100_0000_01b3;
        // Most slots of a universe are zero, and a zero byte only multiplies: 32 at once.
        for part in bytes.chunks(32) {
            if part.len() == 32 && part.iter().all(|b| *b == 0) {
                self.0 = self.0.wrapping_mul(PRIME.wrapping_pow(32));
                continue;
            }
            for byte in part {
                self.0 = (self.0 ^ u64::from(*byte)).wrapping_mul(PRIME);
            }
        }
    }
}
