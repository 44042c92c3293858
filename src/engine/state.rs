//! All live state in one struct.

use std::sync::Arc;

use super::Ticket;
use super::flash::Watch;
use super::heat::{Heat, HeatStart};
use super::heat_ahead::Ahead;
use super::instant::Wall;
use super::kept::{Keeps, Kept};
use super::lamp::Lamp;
use super::load::{KeptBattery, LoadState};
use super::on_time::OnTime;
use super::protect::{Protect, ProtectFound};
use super::readings::Readings;
use super::record::Recording;
use super::requests::{Asking, MatchAsked};
use super::soft::Line;
use super::start::{Opening, Start};
use super::take::{Rolling, Slates};
use super::take_known::KnownTakes;
use super::trims::Trims;
use crate::channels::{self, Patch};
use crate::control::{Alert, JournalStatus, MqttStatus, OutputStatus};
use crate::guards::{Conditions, SOFT_START_S};
use crate::journal::TakeRecord;
use crate::light::{Moving, Renderings, solve};
use crate::plan::{FixtureId, Look, LookId, OnStart, OutputKind, Plan};
use crate::units::{FrameClock, FrameNumber, Moment};

/// What the engine is told at its start besides the plan.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Options {
    /// Every output is the simulator: no lamp can be hurt by an unknown heat.
    pub simulate: bool,
    /// Random id of this boot of the machine, given on in the status.
    pub boot_id: String,
    /// What the state file says of the bodies' heat. `None`: nothing is known, so that real lamps count
    /// as hot; simulated ones are cold.
    pub heat: Option<HeatStart>,
    /// What the state file says of batteries; one that is not in it is full.
    pub batteries: Vec<KeptBattery>,
    /// What the machine's file says of protected faces.
    pub protect: ProtectFound,
}

/// What is lit, apart from nudges.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Scene {
    /// Nothing.
    Dark,
    /// A look.
    Look(LookId),
    /// The rest look.
    Rest(LookId),
    /// One lamp alone.
    Only(FixtureId),
    /// One lamp at one channel value.
    Calibrate(FixtureId),
    /// A step of the metering walk of a look.
    Meter(LookId),
    /// What was lit in a take whose look is not in the plan; [`Engine::lit_take`] says which.
    Take,
}

/// Light to come back to.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Memory {
    pub scene: Scene,
    pub targets: Vec<Moving>,
    pub nudged: bool,
}

/// A request that waits for its frame.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Waiting {
    pub due: FrameNumber,
    /// The instant on the wall clock that `due` follows, where it was asked for by one.
    pub at: Option<jiff::Timestamp>,
    pub change: Change,
    pub what: String,
}

/// A change of light that can wait.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Change {
    /// Bring a look up, by name, since a reload may come first.
    Recall { look: String, over_s: Option<f64> },
    /// Bring back the light of a take.
    RecallTake { name: String, log_name: String, record: Arc<TakeRecord>, over_s: Option<f64> },
    /// Steps in the running order: +1 or -1.
    Step { by: i64, over_s: Option<f64> },
    /// Starts a take.
    TakeStart { slate: Option<String> },
}

/// A look on its way to the disk.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Keeping {
    pub ticket: Ticket,
    pub id: Option<String>,
    pub look: Look,
    /// Every lamp's target when it was asked for: tells whether that light still stands.
    pub targets: Vec<Moving>,
}

/// One lamp a stop down until a frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Wink {
    pub fixture: FixtureId,
    pub until: FrameNumber,
}

/// Each lamp in turn.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Rollcall {
    pub lamps: Vec<FixtureId>,
    pub start: FrameNumber,
    pub each: u64,
    /// So many slots beside its address is the lamp tried; 0: at its own.
    pub shift: i32,
}

impl Rollcall {
    /// The lamp that is lit at its own address in frame `n`.
    pub fn lit(&self, n: FrameNumber) -> Option<FixtureId> {
        self.showing(n).filter(|_| self.shift == 0)
    }

    /// The lamp that is tried beside its address in frame `n`, and how far.
    pub fn beside(&self, n: FrameNumber) -> Option<(FixtureId, i32)> {
        self.showing(n).filter(|_| self.shift != 0 && n >= self.start).map(|id| (id, self.shift))
    }
}

impl Rollcall {
    /// The lamp that shows in frame `n`; `None` when all have.
    pub fn showing(&self, n: FrameNumber) -> Option<FixtureId> {
        let index = n.saturating_sub(self.start) / self.each;
        self.lamps.get(usize::try_from(index).unwrap_or(usize::MAX)).copied()
    }
}

/// The engine: every bit of live state, and nothing that reads a clock or does I/O.
#[derive(Debug, Clone, PartialEq)]
pub struct Engine {
    pub(super) plan: Arc<Plan>,
    pub(super) options: Options,
    pub(super) patches: Vec<Patch>,
    /// The last frame worked out; `None` before the first.
    pub(super) last: Option<FrameNumber>,
    pub(super) lamps: Vec<Lamp>,
    pub(super) heat: Heat,
    pub(super) load: LoadState,
    pub(super) ahead: Ahead,
    pub(super) flash: Watch,
    /// Best mixes found so far, for lamps that prefer `rendering`.
    pub(super) renderings: Renderings,
    pub(super) scene: Scene,
    pub(super) nudged: bool,
    pub(super) memory: Option<Memory>,
    /// The light from before a calibration.
    pub(super) before_calibrate: Option<Memory>,
    /// The light from before a metering walk.
    pub(super) before_meter: Option<Memory>,
    pub(super) trims: Trims,
    pub(super) readings: Readings,
    /// Matches that wait for the log.
    pub(super) matching: Vec<MatchAsked>,
    /// How often each output had been opened again when it was last looked at.
    pub(super) reopened: Vec<(String, u64)>,
    /// Index in the order of the step that was last brought up.
    pub(super) position: Option<usize>,
    pub(super) waiting: Option<Waiting>,
    /// The wall clock, once it was read.
    pub(super) wall: Option<Wall>,
    /// The latest of what was told once.
    pub(super) told: Option<Alert>,
    pub(super) wink: Option<Wink>,
    pub(super) rollcall: Option<Rollcall>,
    /// The frame in which a lamp was last tried beside its address.
    pub(super) tried_beside: Option<FrameNumber>,
    /// Frame at which the rest look goes dark by itself.
    pub(super) rest_ends: Option<FrameNumber>,
    pub(super) take: Option<Rolling>,
    pub(super) slates: Slates,
    /// Takes that recalls are held against.
    pub(super) known: KnownTakes,
    /// Requests that wait for the log.
    pub(super) asking: Vec<Asking>,
    /// Log number of the take in [`Scene::Take`], such as `n12`.
    pub(super) lit_take: String,
    /// Log number of the latest take; they never repeat.
    pub(super) takes: u64,
    /// How long each lamp has been on, in the plan's order.
    pub(super) on_times: Vec<OnTime>,
    pub(super) recording: Recording,
    /// How the log does; `None` before it was opened, or where there is none.
    pub(super) journal: Option<JournalStatus>,
    pub(super) keeps: Keeps,
    /// Why the state is not written, while it is not.
    pub(super) state_fault: Option<String>,
    /// The outputs, as far as lamps may be dark for them, in the plan's order.
    pub(super) lines: Vec<Line>,
    /// What is told with the next frame: what a start found, what came back.
    pub(super) openings: Vec<Opening>,
    /// For each lamp, until the first frame: true if that is the last one of the run before.
    pub(super) as_it_was: Vec<bool>,
    pub(super) protect: Protect,
    pub(super) outputs: Vec<OutputStatus>,
    pub(super) mqtt: Option<MqttStatus>,
    pub(super) alerts: Vec<Alert>,
    pub(super) sequence: u64,
    /// Looks on their way to the disk.
    pub(super) keeping: Vec<Keeping>,
    pub(super) reloading: Vec<(Ticket, Option<String>)>,
    pub(super) stopping: bool,
    pub(super) finished: bool,
    pub(super) last_publish: FrameNumber,
    pub(super) was_moving: bool,
}

impl Engine {
    /// An engine with everything dark, or with the look that the plan starts in on its way.
    #[must_use]
    pub fn new(plan: Arc<Plan>, options: Options) -> Self {
        Self::starting(plan, options, Start::default())
    }

    /// An engine that takes up what the last run of its set left: its light where that may return, else as
    /// [`Self::new`]. Heat that `options` do not tell is the start's.
    #[must_use]
    pub fn starting(plan: Arc<Plan>, mut options: Options, start: Start) -> Self {
        if let Some(kept) = &start.kept {
            if options.batteries.is_empty() {
                options.batteries.clone_from(&kept.batteries);
            }
            options.heat.get_or_insert_with(|| HeatStart { bodies: kept.bodies.clone(), gap_s: start.gap_s });
        }
        let kept_trims = start.kept.as_ref().map(|kept| kept.trims.clone()).unwrap_or_default();
        let mut plan = plan;
        let trims = Trims::on(kept_trims, &mut plan);
        let dark = solve::dark_colour(&plan);
        let mut engine = Self {
            patches: channels::patches(&plan),
            lamps: Vec::new(),
            heat: Heat::default(),
            load: LoadState::new(&plan, &options.batteries),
            ahead: Ahead::default(),
            flash: Watch::new(&plan),
            renderings: Renderings::new(&plan),
            last: None,
            scene: Scene::Dark,
            nudged: false,
            memory: None,
            before_calibrate: None,
            before_meter: None,
            trims,
            readings: Readings::default(),
            matching: Vec::new(),
            reopened: Vec::new(),
            position: None,
            waiting: None,
            wall: None,
            told: None,
            wink: None,
            rollcall: None,
            tried_beside: None,
            rest_ends: None,
            take: None,
            slates: Slates::default(),
            known: KnownTakes::default(),
            asking: Vec::new(),
            lit_take: String::new(),
            takes: 0,
            on_times: Vec::new(),
            recording: Recording::default(),
            journal: None,
            keeps: Keeps::default(),
            state_fault: None,
            // Nothing is known of what lamps showed before.
            lines: vec![Line::away(f64::INFINITY); plan.outputs.len()],
            openings: Vec::new(),
            as_it_was: Vec::new(),
            protect: Protect::new(&plan, &options.protect),
            outputs: Vec::new(),
            mqtt: None,
            alerts: Vec::new(),
            sequence: 0,
            keeping: Vec::new(),
            reloading: Vec::new(),
            stopping: false,
            finished: false,
            last_publish: 0,
            was_moving: true,
            options,
            plan,
        };
        engine.lamps = engine
            .plan
            .fixture_ids()
            .map(|id| Lamp::dark(engine.plan.fixture(id), dark, &engine.conditions(id)))
            .collect();
        engine.begin_heat();
        let held_before = start.kept.as_ref().is_some_and(|kept| kept.protected);
        let returned = engine.take_up(start);
        if held_before && !engine.protected() {
            engine.dark_until_recall();
        }
        if let OnStart::Look(look) = engine.plan.on_start
            && !returned
        {
            // Every lamp may be dark: none comes up faster than a soft start.
            let own = engine.plan.look(look).fade.unwrap_or(engine.plan.fade).as_secs_f64();
            engine.bring_up(look, Some(own.max(SOFT_START_S)), 0);
            engine.find_place_in_order(look);
        }
        engine.refresh_standing_alerts(0.0);
        engine.record_start();
        engine
    }

    /// Everything that is to outlive this run, as it stands.
    #[must_use]
    pub fn to_keep(&self) -> Kept {
        self.kept()
    }

    /// The plan in force.
    #[must_use]
    pub fn plan(&self) -> &Arc<Plan> {
        &self.plan
    }

    /// The next frame to be worked out.
    #[must_use]
    pub fn next_frame(&self) -> FrameNumber {
        self.last.map_or(0, |n| n + 1)
    }

    /// The frame on which something that happens at `now` acts.
    #[must_use]
    pub fn acting_frame(&self, now: Moment) -> FrameNumber {
        self.clock().frame_at(now).max(self.next_frame())
    }

    pub(super) fn clock(&self) -> FrameClock {
        self.plan.frames
    }

    /// What the guards must know of one fixture besides its demand.
    pub(super) fn conditions(&self, id: FixtureId) -> Conditions {
        let absent = self
            .lamps
            .get(id.0)
            .map_or_else(|| self.plan.fixture(id).absent.is_some(), |lamp| lamp.absent.is_some());
        Conditions {
            real_output: self.real(id),
            period_s: 1.0 / f64::from(self.clock().rate()),
            absent,
            protected: self.protect.holds(id),
        }
    }

    /// True if a real lamp may hang on this fixture's output.
    pub(super) fn real(&self, id: FixtureId) -> bool {
        !self.options.simulate
            && self
                .plan
                .fixture(id)
                .address()
                .is_some_and(|a| self.plan.outputs[a.output.0].kind != OutputKind::Simulator)
    }

    /// Name of what is lit.
    pub(super) fn scene_name(&self) -> String {
        match self.scene {
            Scene::Dark => "dark".to_owned(),
            Scene::Look(id) | Scene::Rest(id) => self.plan.look(id).name.clone(),
            Scene::Only(id) => format!("only {}", self.plan.fixture(id).id),
            Scene::Calibrate(id) => format!("calibrate {}", self.plan.fixture(id).id),
            Scene::Meter(id) => format!("meter {}", self.plan.look(id).name),
            Scene::Take => format!("take {}", self.lit_take),
        }
    }
}
