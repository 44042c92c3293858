//! What the engine writes into the log, and when: everything that changes the light or what is known of it.
//!
//! Records are collected while something is handled and leave the engine with its other actions, names taken out
//! while a face is protected. When and in what order they happened is stamped by the engine's loop.

use super::{Action, Engine, Event, record_light};
use crate::control::{Alert, FailureKind, LinkState, OutputStatus, Request};
use crate::journal::{
    ClockRecord, DidRecord, LampUse, LightRecord, OutputEvent, OutputRecord, StandRecord, StartRecord,
    StopRecord, TextsRecord, What,
};
use crate::units::{FrameNumber, Moment};

/// A light that a guard leads is recorded this often, in seconds: heat moves it by slots for minutes.
const LED_EVERY_S: u64 = 60;
/// Lamps' use is recorded this often while any is lit, in seconds.
const LAMPS_LIT_EVERY_S: u64 = 60;
/// The same while all are dark.
const LAMPS_DARK_EVERY_S: u64 = 600;
/// An output's late frames are recorded at most this often, in seconds.
const LATE_EVERY_S: u64 = 10;
/// Requests over this many a second are counted, not recorded one by one.
const DID_PER_SECOND: u32 = 20;

/// Most characters of an answer's line that are recorded: outside text may have thousands.
const MOST_CHARS: usize = 500;

/// What the engine remembers of what it recorded.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Recording {
    /// Records of the present event.
    waiting: Vec<What>,
    /// Hash of each lamp's figures, in the plan's order.
    pub figures: Vec<String>,
    /// True if the light was asked to change since it was last recorded.
    pub asked: bool,
    /// Frame hash of the light last recorded.
    light: String,
    light_at: FrameNumber,
    lamps_at: FrameNumber,
    /// The plan whose texts were recorded, and whether without names.
    texts: Option<(String, bool)>,
    /// Each output's name, frames let pass as recorded, and when.
    late: Vec<(String, u64, FrameNumber)>,
    /// Which outputs are silent, by index.
    silent: Vec<usize>,
    second: u64,
    did: u32,
    unlisted: u64,
}

impl Engine {
    /// Writes something into the log with the actions of the present event.
    pub(super) fn record(&mut self, what: What) {
        self.recording.waiting.push(what);
    }

    /// The daemon has started.
    pub(super) fn record_start(&mut self) {
        self.recording.asked = true;
        self.learn_figures();
        let started = StartRecord {
            version: env!("CARGO_PKG_VERSION").to_owned(),
            set: self.plan.name.clone(),
            boot_id: self.options.boot_id.clone(),
            plan: self.plan.hash.clone(),
            simulated: self.options.simulate,
            goes_on: self.take.as_ref().map(|t| t.number),
        };
        // Before anything that taking up the last run has recorded.
        self.recording.waiting.insert(0, What::Started(started));
    }

    /// Another plan is in force.
    pub(super) fn learn_figures(&mut self) {
        self.recording.figures = self.plan.fixtures.iter().map(record_light::figures_hash).collect();
        self.recording.asked = true;
    }

    /// Frame numbers of another rate.
    pub(super) fn records_from(&mut self, n: FrameNumber) {
        self.recording.light_at = n;
        self.recording.lamps_at = n;
        for (.., at) in &mut self.recording.late {
            *at = n;
        }
    }

    /// Texts of the plan in force, unless they were recorded so already.
    fn record_texts(&mut self) {
        let without_names = self.protected();
        let known = self.recording.texts.as_ref();
        let enough =
            |(plan, without): &(String, bool)| *plan == self.plan.hash && (!without || without_names);
        if known.is_some_and(enough) {
            return;
        }
        let mut texts = self.plan.texts.as_ref().clone();
        if without_names {
            for (index, text) in texts.iter_mut().enumerate() {
                text.text = self.without_names(text.role, &text.text);
                text.name = format!("{}-{}", text.role.word(), index + 1);
            }
        }
        self.recording.texts = Some((self.plan.hash.clone(), without_names));
        self.record(What::Texts(TextsRecord { plan: self.plan.hash.clone(), without_names, texts }));
    }

    /// After frame `n` was sent: records a light that stands and is another than the last. `moving`: something is
    /// on its way that is no look's own motion.
    pub(super) fn record_light(&mut self, n: FrameNumber, moving: bool) {
        let rate = u64::from(self.clock().rate());
        let led = !self.lamps.iter().any(|l| l.target.motion.is_some())
            && n >= self.recording.light_at + LED_EVERY_S * rate;
        if !(led || self.recording.asked && !moving) {
            return;
        }
        self.recording.asked &= moving;
        let frames = self.frames(n);
        let hash = crate::journal::frame_hash(&frames);
        self.recording.light_at = n;
        if hash != self.recording.light {
            self.recording.light.clone_from(&hash);
            let light = self.light_record(n);
            self.record(What::Light(Box::new(light)));
        }
    }

    /// The light as it stands in frame `n`, the last that was sent.
    pub(super) fn light_record(&self, n: FrameNumber) -> LightRecord {
        record_light::light(self, n)
    }

    /// After frame `n`: how long lamps have been on, now and then.
    pub(super) fn record_lamps(&mut self, n: FrameNumber) {
        let lit = self.lamps.iter().any(|l| l.sent.lux > 0.0);
        let every_s = if lit { LAMPS_LIT_EVERY_S } else { LAMPS_DARK_EVERY_S };
        if n >= self.recording.lamps_at + every_s * u64::from(self.clock().rate()) {
            self.recording.lamps_at = n;
            let lamps = self.lamp_uses();
            self.record(What::Lamps(lamps));
        }
    }

    fn lamp_uses(&self) -> Vec<LampUse> {
        let of = |id| {
            let heat = self.heat_figures(id);
            let on = self.on_time(id);
            let lamp = &self.lamps[id.0];
            LampUse {
                lamp: self.plan.fixture(id).lamp_name().to_owned(),
                on_s: on.on_s,
                lit_s: on.lit_s,
                watts: if lamp.absent.is_some() { 0.0 } else { lamp.sent.watts },
                body_est_c: heat.map(|h| h.body_est_c),
                limit_c: heat.map(|h| h.limit_c),
                battery_wh: self.battery_used_wh(id),
            }
        };
        self.plan.fixture_ids().map(of).collect()
    }

    /// Nothing more will be sent.
    pub(super) fn record_stop(&mut self) {
        let lamps = self.lamp_uses();
        self.record(What::Lamps(lamps));
        let scene = self.kept_scene(self.scene);
        self.record(What::Stopped(StopRecord { scene }));
    }

    /// What outputs did since they were last looked at. `before`: how they were then.
    pub(super) fn record_outputs(&mut self, before: &[OutputStatus]) {
        let n = self.last.unwrap_or(0);
        let rate = u64::from(self.clock().rate());
        let mut records = Vec::new();
        for now in &self.outputs {
            let was = before.iter().find(|o| o.name == now.name);
            let mut push = |event, gap_s| records.push(output_record(now, event, gap_s));
            let state = was.map(|o| o.state);
            if state != Some(now.state) {
                match now.state {
                    LinkState::Up => push(OutputEvent::Up, None),
                    LinkState::Down => push(OutputEvent::Down, None),
                    LinkState::Starting => {}
                }
            }
            if was.is_some_and(|o| now.reopened > o.reopened) {
                push(OutputEvent::Reopened, now.last_gap_s);
            }
            let known = self.recording.late.iter_mut().find(|(name, ..)| *name == now.name);
            match known {
                Some((_, missed, at)) if now.missed > *missed && n >= *at + LATE_EVERY_S * rate => {
                    (*missed, *at) = (now.missed, n);
                    push(OutputEvent::Late, None);
                }
                Some(_) => {}
                None => self.recording.late.push((now.name.clone(), now.missed, n)),
            }
        }
        self.recording.waiting.extend(records.into_iter().map(What::Output));
    }

    /// An output is silent, or no longer: the beginning and the end are recorded.
    pub(super) fn record_silence(&mut self, output: usize, for_s: Option<f64>) {
        let known = self.recording.silent.iter().position(|o| *o == output);
        match (known, for_s) {
            (None, Some(_)) => self.recording.silent.push(output),
            (Some(at), None) => {
                self.recording.silent.remove(at);
            }
            _ => return,
        }
        let Some(planned) = self.plan.outputs.get(output) else { return };
        let status = self.outputs.iter().find(|o| o.name == planned.name);
        let record = match status {
            Some(status) => output_record(status, OutputEvent::Gap, for_s),
            None => OutputRecord {
                output: planned.name.clone(),
                universe: planned.universe,
                event: OutputEvent::Gap,
                said: None,
                frames: 0,
                missed: 0,
                reopened: 0,
                gap_s: for_s,
                late_us_p999: None,
                late_us_max: None,
            },
        };
        self.record(What::Output(record));
    }

    /// The wall clock was seen for the first time, was set, or is of another worth.
    pub(super) fn record_clock(&mut self, set_by_s: Option<f64>) {
        let Some(wall) = &self.wall else { return };
        let (unset, synchronised) = (wall.state.unset, wall.state.synchronised);
        self.record(What::Clock(ClockRecord { set_by_s, unset, synchronised }));
    }

    /// What stands against the light: what is new, and what is over. `before`: what stood.
    pub(super) fn record_standing(&mut self, before: &[Alert]) {
        let same = |a: &Alert, b: &Alert| a.kind == b.kind && a.fixture == b.fixture;
        let missing = |from: &[Alert], of: &[Alert], over: bool| -> Vec<What> {
            let gone = of.iter().filter(|a| !from.iter().any(|b| same(a, b)));
            gone.map(|a| What::Standing(StandRecord { over, alert: a.clone() })).collect()
        };
        let mut records = missing(&self.alerts, before, true);
        records.extend(missing(before, &self.alerts, false));
        self.recording.waiting.extend(records);
    }

    /// Adds what is recorded of an event to what it led to: what was told, what was asked and answered, and what
    /// was noted on the way. `actions` have no names in them any more while those are protected.
    pub(super) fn recorded(
        &mut self,
        mut actions: Vec<Action>,
        asked: Option<&str>,
        before: bool,
        typed: &[String],
        now: Moment,
    ) -> Vec<Action> {
        // Texts come with the first frame: nobody waits for them, and protection is known by then.
        if actions.iter().any(|a| matches!(a, Action::Send(_))) {
            self.record_texts();
        }
        let protected = before || self.protected();
        let mut records: Vec<What> = std::mem::take(&mut self.recording.waiting);
        if protected {
            records.iter_mut().for_each(|what| self.redact_record(what, typed));
        }
        for action in &actions {
            match action {
                Action::Tell(alert) => records.push(What::Told(alert.clone())),
                Action::Reply(_, answer) => {
                    let guarded = answer.error.as_ref().filter(|e| e.kind == FailureKind::Guarded);
                    let said = answer.said.as_ref().or(guarded.map(|e| &e.said));
                    if let (Some(request), Some(said)) = (asked, said) {
                        let said = said.chars().take(MOST_CHARS).collect();
                        records.extend(self.did(request, answer.ok, said, now));
                    }
                }
                _ => {}
            }
        }
        actions.extend(records.into_iter().map(|what| Action::Record(Box::new(what))));
        actions
    }

    fn did(&mut self, request: &str, done: bool, said: String, now: Moment) -> Option<What> {
        let second = now.elapsed().as_secs();
        let recording = &mut self.recording;
        if second != recording.second {
            (recording.second, recording.did) = (second, 0);
        }
        recording.did += 1;
        if recording.did > DID_PER_SECOND {
            recording.unlisted += 1;
            return None;
        }
        let unlisted = std::mem::take(&mut recording.unlisted);
        Some(What::Did(DidRecord { request: request.to_owned(), done, said, unlisted }))
    }
}

fn output_record(output: &OutputStatus, event: OutputEvent, gap_s: Option<f64>) -> OutputRecord {
    OutputRecord {
        output: output.name.clone(),
        universe: output.universe,
        event,
        said: output.said.clone(),
        frames: output.frames,
        missed: output.missed,
        reopened: output.reopened,
        gap_s,
        late_us_p999: output.late_us_p999,
        late_us_max: output.late_us_max,
    }
}

/// The word of the request that an event answers; `None`: of none that changes anything.
pub(super) fn asked(event: &Event) -> Option<String> {
    match event {
        Event::Ask(_, envelope) => match &envelope.request {
            Request::Status { .. }
            | Request::Explain { .. }
            | Request::Names {}
            | Request::TakeList { .. }
            | Request::TakeSheet { .. } => None,
            request => Some(serde_json::to_value(request).ok()?.get("do")?.as_str()?.to_owned()),
        },
        Event::LookWritten(..) => Some("keep".to_owned()),
        Event::PlanRead(..) => Some("reload".to_owned()),
        // Answers that waited for the machine's file.
        Event::Frame(_) | Event::ProtectKept(..) => Some("protect".to_owned()),
        _ => None,
    }
}
