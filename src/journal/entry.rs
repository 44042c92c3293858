//! What the log holds, as plain data: one [`Entry`] for each thing that happened.
//!
//! Names of lamps, looks and subjects are the plan's; while a face is protected the engine puts numbers in their
//! place and drops free text before anything leaves it ([`What::names`] is where it finds them).

use serde::{Deserialize, Serialize};

use super::take::{ReadingRecord, TakeAmend, TakeEnd, TakeRecord, TakeStamp, TrimRecord};
use crate::control::{Alert, Light};
use crate::engine::KeptScene;
use crate::light::Demand;
pub use crate::light::Trim;
use crate::plan::PlanText;

/// When something happened, by every clock there is. Order is by start and sequence, never by wall time.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Stamp {
    /// Counts the entries of this start of the daemon, from 1, without a gap.
    pub seq: u64,
    /// Microseconds since the machine's boot, suspension included; never goes back within one boot.
    pub since_boot_us: u64,
    /// Wall time, RFC 3339 in UTC, as the machine's clock showed it; it may jump.
    pub wall: String,
    /// True if that clock was never set: it shows a year before 2020.
    pub unset: bool,
    /// The engine's newest frame.
    pub frame: u64,
}

/// One thing that happened.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// When.
    pub stamp: Stamp,
    /// What.
    pub what: What,
}

/// What happened.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum What {
    /// The daemon started.
    Started(StartRecord),
    /// A plan is in force, by its texts.
    Texts(TextsRecord),
    /// Another light stands.
    Light(Box<LightRecord>),
    /// A take began.
    TakeStarted(Box<TakeRecord>),
    /// A light that moves by itself has come to its start: from here on the take is measured.
    TakeStamped(Box<TakeStamp>),
    /// A take is over.
    TakeEnded(TakeEnd),
    /// A person added to a take, or corrected it.
    TakeAmended(TakeAmend),
    /// Something was told once: what a guard did, what came of something scheduled.
    Told(Alert),
    /// Something needs attention from now on, or no longer.
    Standing(StandRecord),
    /// An output's faults: gaps, late frames, reconnections.
    Output(OutputRecord),
    /// A meter's reading.
    Reading(Box<ReadingRecord>),
    /// A trim was set or taken back.
    Trims(TrimRecord),
    /// A person's note.
    Note(NoteRecord),
    /// The wall clock: first seen, set, or of another worth.
    Clock(ClockRecord),
    /// How long lamps have been on, how warm they are, what their batteries have given.
    Lamps(Vec<LampUse>),
    /// A request was done, or refused by a guard.
    Did(DidRecord),
    /// Records that could not be kept: more came than the ring holds while nothing could be written.
    Lost(LostRecord),
    /// The daemon stopped.
    Stopped(StopRecord),
}

/// A start of the daemon.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct StartRecord {
    /// Version of lampkeep.
    pub version: String,
    /// The set.
    pub set: String,
    /// Random id of this boot of the machine; empty where it is not known.
    pub boot_id: String,
    /// [`crate::plan::Plan::hash`].
    pub plan: String,
    /// True where every output is the simulator.
    pub simulated: bool,
    /// Log number of the take that goes on rolling from before, if any.
    pub goes_on: Option<u64>,
}

/// The texts that a plan was read from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct TextsRecord {
    /// [`crate::plan::Plan::hash`] of the plan as it was read.
    pub plan: String,
    /// True if comments and names are taken out, because a face is protected.
    pub without_names: bool,
    /// The texts, the plan itself first.
    pub texts: Vec<PlanText>,
}

/// What was lit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LightRecord {
    /// What it was: a look, the rest look, one lamp alone, dark.
    pub scene: KeptScene,
    /// True if a person had nudged it.
    pub nudged: bool,
    /// [`crate::plan::Plan::hash`] of the plan in force.
    pub plan: String,
    /// Every lamp, in the plan's order.
    pub lamps: Vec<LampLight>,
    /// Every output's frame, in the plan's order.
    pub outputs: Vec<SlotsRecord>,
    /// [`super::frame_hash`] of these frames.
    pub frame_hash: String,
}

/// One lamp in a light.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LampLight {
    /// The fixture's id.
    pub fixture: String,
    /// The body's name, where it has one.
    pub body: Option<String>,
    /// The profile's name.
    pub profile: String,
    /// Changes with anything that turns this lamp's light into slots: profile, mode, curves, calibration, limits.
    pub profile_hash: String,
    /// The mode that the lamp is set to.
    pub mode: String,
    /// Its universe; `null` for a lamp set by hand.
    pub universe: Option<u16>,
    /// Its first slot, from 1; `null` for a lamp set by hand.
    pub first_slot: Option<u16>,
    /// What was asked of it, to the last bit.
    pub demand: Demand,
    /// The same as people read it.
    pub asked: Light,
    /// The look whose motion it had, if it moved.
    pub moves_in: Option<String>,
    /// How far that motion was, in seconds.
    pub moved_s: f64,
    /// The body's trim, in every look.
    pub lamp_trim: Trim,
    /// The look's trim of this lamp.
    pub look_trim: Trim,
    /// What its slots stood for, by the plan's figures.
    pub sent: Light,
    /// What held it under or away from what was asked.
    pub limited_by: Vec<String>,
    /// Why it was not there; `null` when it was.
    pub absent: Option<String>,
    /// Its slots, two hex digits each.
    pub slots: String,
}

/// One output's frame.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SlotsRecord {
    /// The output's name.
    pub output: String,
    /// Its universe.
    pub universe: u16,
    /// Slots from 1 to the last in use, two hex digits each; those after it, up to 512, were 0.
    pub slots: String,
}

/// Something that needs attention, or did.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StandRecord {
    /// True when it is over.
    pub over: bool,
    /// What it is.
    pub alert: Alert,
}

/// What an output did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OutputEvent {
    /// It began to send.
    Up,
    /// It does not send.
    Down,
    /// It was silent for longer than lamps bear without a sign, or still is.
    Gap,
    /// It was opened again.
    Reopened,
    /// Frames were let pass because its thread was a whole period late.
    Late,
}

impl OutputEvent {
    /// The word for it in the log.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Up => "up",
            Self::Down => "down",
            Self::Gap => "gap",
            Self::Reopened => "reopened",
            Self::Late => "late",
        }
    }
}

/// An output's fault or recovery, with its figures since the start.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OutputRecord {
    /// The output's name.
    pub output: String,
    /// Its universe.
    pub universe: u16,
    /// What it did.
    pub event: OutputEvent,
    /// Why, in words, where it is known.
    pub said: Option<String>,
    /// Frames sent.
    pub frames: u64,
    /// Frames let pass.
    pub missed: u64,
    /// Times that it was opened again.
    pub reopened: u64,
    /// The gap in seconds, where it is about one.
    pub gap_s: Option<f64>,
    /// 99.9th percentile of its lateness in microseconds.
    pub late_us_p999: Option<f64>,
    /// Its greatest lateness in microseconds.
    pub late_us_max: Option<f64>,
}

/// A person's note.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct NoteRecord {
    /// Its words; empty while a face is protected.
    pub text: String,
}

/// The wall clock.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ClockRecord {
    /// By how much it was set, in seconds, positive forward; `null`: it was not, it was first seen or its worth
    /// changed.
    pub set_by_s: Option<f64>,
    /// True if it was never set.
    pub unset: bool,
    /// True if something keeps it right, `null` where the kernel does not tell.
    pub synchronised: Option<bool>,
}

/// One lamp's use.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LampUse {
    /// The body's name, or the fixture's id where it has none.
    pub lamp: String,
    /// Seconds that it has been lit without a break; 0 while dark.
    pub on_s: f64,
    /// Seconds that it has been lit in all, as far as this set's state goes back.
    pub lit_s: f64,
    /// Power as sent, in watts.
    pub watts: f64,
    /// Temperature of its body, estimated; `null`: unknown.
    pub body_est_c: Option<f64>,
    /// Limit of the same.
    pub limit_c: Option<f64>,
    /// Watt-hours that its battery has given; `null`: it has none.
    pub battery_wh: Option<f64>,
}

/// A request that was done, or that a guard refused.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DidRecord {
    /// Its word, such as `recall`.
    pub request: String,
    /// True if it was done.
    pub done: bool,
    /// The answer's line.
    pub said: String,
    /// So many more requests came in the second before and are not in the log one by one.
    pub unlisted: u64,
}

/// Records that are not in this file: lost, or written to another.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LostRecord {
    /// How many.
    pub records: u64,
    /// Sequence number of the first of them.
    pub from_seq: u64,
    /// Sequence number of the last of them.
    pub to_seq: u64,
    /// True if they were written, to a file that was set aside or removed since.
    pub elsewhere: bool,
}

/// The daemon's end.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct StopRecord {
    /// What was lit at the end.
    pub scene: KeptScene,
}

impl What {
    /// The word for it in the log.
    #[must_use]
    pub const fn kind(&self) -> &'static str {
        match self {
            Self::Started(_) => "started",
            Self::Texts(_) => "texts",
            Self::Light(_) => "light",
            Self::TakeStarted(_) => "take-started",
            Self::TakeStamped(_) => "take-stamped",
            Self::TakeEnded(_) => "take-ended",
            Self::TakeAmended(_) => "take-amended",
            Self::Told(_) => "told",
            Self::Standing(_) => "standing",
            Self::Output(_) => "output",
            Self::Reading(_) => "reading",
            Self::Trims(_) => "trims",
            Self::Note(_) => "note",
            Self::Clock(_) => "clock",
            Self::Lamps(_) => "lamps",
            Self::Did(_) => "did",
            Self::Lost(_) => "lost",
            Self::Stopped(_) => "stopped",
        }
    }

    /// True for what nobody can bring back: takes and what people typed. It is let into a ring that is nearly full
    /// when other records no longer are.
    #[must_use]
    pub const fn is_vital(&self) -> bool {
        match self {
            Self::TakeStarted(_)
            | Self::TakeStamped(_)
            | Self::TakeEnded(_)
            | Self::TakeAmended(_)
            | Self::Reading(_)
            | Self::Trims(_)
            | Self::Note(_)
            | Self::Texts(_)
            | Self::Started(_)
            | Self::Stopped(_) => true,
            Self::Light(_)
            | Self::Told(_)
            | Self::Standing(_)
            | Self::Output(_)
            | Self::Clock(_)
            | Self::Lamps(_)
            | Self::Did(_)
            | Self::Lost(_) => false,
        }
    }
}
