//! The snapshot that everyone sees: `status --json`, the socket and MQTT share these types.
//!
//! JSON is snake_case with the unit as suffix. `asked` is the target before guards and rounding,
//! `sent` is what the slots on the wire stand for, `measured` is a reading. DMX is one-way: nothing
//! here says what a lamp shows.

use serde::{Deserialize, Serialize};

use super::ClockStatus;
use crate::light::Trim;

/// Everything about the set at one frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Status {
    /// Version of this layout; 1.
    pub version: u32,
    /// The set's name.
    pub set: String,
    /// True when every output is the simulator.
    pub simulated: bool,
    /// Hash of the plan's texts.
    pub plan_hash: String,
    /// What is lit.
    pub now: Now,
    /// The running order.
    pub order: OrderStatus,
    /// What carries the frames.
    pub outputs: Vec<OutputStatus>,
    /// The broker; `None` when the plan names none.
    pub mqtt: Option<MqttStatus>,
    /// Every fixture, in the plan's order.
    pub fixtures: Vec<FixtureStatus>,
    /// Every circuit, in the plan's order.
    pub circuits: Vec<CircuitStatus>,
    /// What needs attention.
    pub alerts: Vec<Alert>,
    /// The latest of what was told once, such as what came of something scheduled; `None` before the first.
    #[serde(default)]
    pub told: Option<Alert>,
    /// The machine's wall clock, by which a recall for an instant starts; `None` before it was first read.
    #[serde(default)]
    pub clock: Option<ClockStatus>,
    /// The take log; `None` where nothing is kept.
    #[serde(default)]
    pub journal: Option<JournalStatus>,
    /// The identity guard.
    #[serde(default)]
    pub protect: ProtectStatus,
    /// Readings of the light that is sent now, the newest of each point.
    #[serde(default)]
    pub readings: Vec<ReadingStatus>,
    /// Ids under which the fixtures are told at other times, names or numbers: their topics are emptied. Told to
    /// nobody.
    #[serde(skip)]
    pub other_ids: Vec<String>,
}

/// The identity guard: which lamps it holds at zero for the sake of a protected face.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct ProtectStatus {
    /// True while it holds. Names are then numbers everywhere.
    pub on: bool,
    /// Seconds since the engine's start when it went on, 0 if it was on before; `null` while off.
    pub since: Option<f64>,
    /// Every lamp that reaches a protected face.
    pub held: Vec<String>,
    /// Those that may light up by themselves: to be unplugged.
    pub unplug: Vec<String>,
    /// Those set by hand that nobody has confirmed to be unplugged.
    pub unconfirmed: Vec<String>,
}

/// The light at one frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Now {
    /// What is lit: a look's name, or `dark`, `only`, `rollcall`.
    pub look: String,
    /// True while a fade runs.
    pub fading: bool,
    /// How far the fade is, 0 to 1; 1 when none runs.
    pub progress: f64,
    /// Seconds until the fade lands; 0 when none runs.
    pub fade_left_s: f64,
    /// The rolling take, slate and take such as `4/3`; `null` when none rolls.
    pub take: Option<String>,
    /// Frame number since the start.
    pub frame: u64,
    /// Seconds since the engine started.
    pub uptime_s: f64,
    /// Counts snapshots since the start.
    pub sequence: u64,
    /// Random id of this boot of the machine.
    pub boot_id: String,
    /// True if a person has nudged the light since the look was recalled.
    pub nudged: bool,
    /// What will happen by itself, if anything.
    pub scheduled: Option<Scheduled>,
    /// During a rollcall: the lamp that shows now.
    pub showing: Option<String>,
    /// The lamp that the look's `to-key` counts from; `null` where it has none, or no look is lit.
    #[serde(default)]
    pub key: Option<String>,
}

/// A request that waits for its moment.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Scheduled {
    /// What will be done, in words, such as `recall quay-dusk`.
    pub what: String,
    /// Seconds until then.
    pub in_s: f64,
    /// That instant, RFC 3339 in UTC, where it was asked for by one; the wall clock brings it.
    #[serde(default)]
    pub at: Option<String>,
}

/// Where in the running order the set is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OrderStatus {
    /// Step number from 1; `null` before the first.
    pub position: Option<usize>,
    /// Steps in all.
    pub steps: usize,
    /// The look that `next` brings, `null` at the end.
    pub next: Option<String>,
    /// What heat does to the present step and those after it, at their planned durations; estimates.
    pub heat: Vec<StepHeat>,
}

/// What a step of the running order comes to at its planned duration, after the ones before it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StepHeat {
    /// Its number in the order, from 1.
    pub step: usize,
    /// Its look.
    pub look: String,
    /// Minutes that it is planned to be on.
    pub planned_min: f64,
    /// The lamp that has to come down first; `null` where none has to.
    pub fixture: Option<String>,
    /// Minutes of the step until then.
    pub after_min: Option<f64>,
    /// Stops by which the lamp most held is under what was asked at the step's end, 0 where none is.
    pub held_stops: f64,
    /// Minutes of rest before the step with which that lamp would last; `null` where none is enough, or
    /// needed.
    pub rest_min: Option<f64>,
    /// The body nearest to its limit at the end.
    pub warmest: Option<WarmBody>,
}

/// A body near its limit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WarmBody {
    /// The lamp.
    pub fixture: String,
    /// Its temperature in degrees Celsius, estimated.
    pub celsius: f64,
    /// Its limit.
    pub limit_c: f64,
}

/// State of an output or of the broker's connection.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LinkState {
    /// Not yet tried.
    Starting,
    /// Working.
    Up,
    /// Not there or not usable; being tried again.
    Down,
}

/// One output.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OutputStatus {
    /// `raw`, `framed` or `simulator`.
    pub kind: String,
    /// Name in the plan.
    pub name: String,
    /// Universe.
    pub universe: u16,
    /// Whether it works.
    pub state: LinkState,
    /// Why it does not, with one next step.
    pub said: Option<String>,
    /// Frames a second that it sends.
    pub rate: u32,
    /// Frames sent since the start.
    pub frames: u64,
    /// Median lateness of frame starts in microseconds; `null` before the first.
    pub late_us_p50: Option<f64>,
    /// 99th percentile of the same.
    #[serde(default)]
    pub late_us_p99: Option<f64>,
    /// 99.9th percentile of the same.
    pub late_us_p999: Option<f64>,
    /// The latest of all, in microseconds.
    #[serde(default)]
    pub late_us_max: Option<f64>,
    /// Deadlines that were let pass, because the thread was a whole period late.
    #[serde(default)]
    pub missed: u64,
    /// Times the port was opened again after it had gone.
    pub reopened: u64,
    /// Length of the latest gap in seconds, once there was one.
    pub last_gap_s: Option<f64>,
    /// What the machine grants the thread that sends.
    #[serde(default)]
    pub real_time: RealTimeStatus,
}

/// How the thread that sends runs.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct RealTimeStatus {
    /// Its real-time priority (`SCHED_FIFO`), 1 to 99; `null`: it has none.
    pub priority: Option<u8>,
    /// True if the process's memory is locked, so that none of it has to be fetched from a disk.
    pub memory_locked: bool,
    /// True if the last half millisecond of each wait is spun away.
    pub spins: bool,
    /// Why not, with one next step; `null` when nothing is missing.
    pub said: Option<String>,
}

/// State of the take log.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum JournalState {
    /// Not yet opened.
    #[default]
    Starting,
    /// What is recorded is on the disk within a moment.
    Up,
    /// Nothing can be written: records wait in memory, and are lost if the daemon ends before it heals.
    Degraded,
}

/// The take log.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct JournalStatus {
    /// Whether it is written.
    pub state: JournalState,
    /// Why it is not, with one next step; or what was found when it was opened.
    pub said: Option<String>,
    /// Records of this start that are on the disk.
    pub written: u64,
    /// Records that wait in memory.
    pub waiting: u64,
    /// Records of this start that were lost, because more came than memory is set aside for.
    pub lost: u64,
    /// Log number of the latest take, 0 before the first.
    pub last_take: u64,
}

/// The broker's connection.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MqttStatus {
    /// Whether it works.
    pub state: LinkState,
    /// Why it does not.
    pub said: Option<String>,
    /// Connections made again after the first.
    pub reconnects: u64,
    /// Messages that could not be handed on.
    pub dropped: u64,
    /// Requests from the broker; `null` while the plan does not turn them on.
    #[serde(default)]
    pub requests: Option<RequestsStatus>,
}

/// Requests that came from the broker since the start.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct RequestsStatus {
    /// Handed to the engine, each once.
    pub taken: u64,
    /// Refused before that: late, early, retained, not understood, too many.
    pub refused: u64,
    /// Given the answer of before, because the same id had been taken already.
    pub repeated: u64,
}

/// Light at what a lamp is aimed at.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Light {
    /// Illuminance in lux.
    pub lux: f64,
    /// Stops from the exposure's illuminance; `null` when dark.
    pub stops: Option<f64>,
    /// Colour temperature; `null` when dark, outside 1000 to 20 000 K, or beyond 0.05 Duv.
    pub kelvin: Option<f64>,
    /// Tint; `null` with `kelvin`.
    pub duv: Option<f64>,
    /// CIE 1931 x; `null` when dark.
    pub x: Option<f64>,
    /// CIE 1931 y; `null` when dark.
    pub y: Option<f64>,
}

/// A reading.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Confirmed {
    /// What was read.
    #[serde(flatten)]
    pub light: Light,
    /// Age of the reading in seconds.
    pub age_s: f64,
}

/// A reading of the light that is sent now.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ReadingStatus {
    /// Counts the readings of a set.
    pub id: u64,
    /// The meter point, or the fixture at whose aim it was taken.
    pub point: String,
    /// `flat` or `dome`.
    pub receptor: String,
    /// The fixtures that were lit; none: it is room light.
    pub lamps: Vec<String>,
    /// True if the light was less than `lux`, which the meter could not tell.
    pub under: bool,
    /// What was read, the room's light in it.
    #[serde(flatten)]
    pub light: Confirmed,
}

/// One fixture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FixtureStatus {
    /// Fixture id.
    pub id: String,
    /// Body name, or the id where the lamp has none.
    pub lamp: String,
    /// `dmx`, `hand` or `absent`.
    pub control: String,
    /// Mode that the lamp must be set to.
    pub mode: String,
    /// Where it stands round the first subject, seen from above, in hours of a clock whose 6 is the camera: 0 to
    /// under 12, such as 7.5 for `7:30`; `null`: at its very centre.
    #[serde(default)]
    pub clock_h: Option<f64>,
    /// Universe; `null` for a hand-set lamp.
    pub universe: Option<u16>,
    /// Its first slot, from 1; `null` for a hand-set lamp.
    pub first_slot: Option<u16>,
    /// The target before guards and rounding, planned.
    pub asked: Light,
    /// What the slots on the wire stand for, by the plan's figures.
    pub sent: Light,
    /// A reading of what it alone gives at its aim, the room's light off, while it is sent just what it was then.
    pub measured: Option<Confirmed>,
    /// The trim of this body, in every look; `null`: none.
    #[serde(default)]
    pub lamp_trim: Option<Trim>,
    /// The trim of this fixture in the look that is lit; `null`: none.
    #[serde(default)]
    pub look_trim: Option<Trim>,
    /// Its slots as sent, in order; empty for a hand-set lamp.
    pub slots: Vec<u8>,
    /// Electrical power as sent, in watts, standby included.
    pub watts: f64,
    /// Estimated temperature of its body; `null`: unknown, which counts as hot.
    pub body_est_c: Option<f64>,
    /// Limit of the same.
    pub limit_c: Option<f64>,
    /// Minutes until a guard must lower it; `null`: unknown or never.
    pub minutes_left: Option<f64>,
    /// Minutes, if it were dark from now on, until its estimate is under what a hand bears (43 °C), 0 where it is;
    /// `null`: unknown, or never in this room.
    #[serde(default)]
    pub cools_minutes: Option<f64>,
    /// Its battery, by account; `null`: it has none.
    pub battery: Option<BatteryStatus>,
    /// What holds it under or away from what was asked: `ceiling`, `floor`, `rise`,
    /// `heat-unknown`, `reach`, `colour`, `slots`.
    pub limited_by: Vec<String>,
    /// How it moves by itself, in words, such as `breath 6 s, 1 stop`; `null` where it stands.
    pub moves: Option<String>,
    /// True if its light figures are nobody's measurement: planned, may be a stop off.
    pub uncalibrated: bool,
}

/// What a circuit carries, by the plan's and the profiles' figures.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CircuitStatus {
    /// Its id.
    pub id: String,
    /// Power as sent, in watts: standby, hand-set lamps and other loads included.
    pub watts: f64,
    /// The same in volt-amperes, which is what a breaker sees.
    pub volt_amperes: f64,
    /// What the plan lets it carry, in volt-amperes.
    pub limit_va: f64,
    /// Its breaker in amperes.
    pub breaker_a: f64,
    /// True if the plan does not know the breaker: the smallest usual one is taken.
    pub breaker_assumed: bool,
}

/// A battery by what was drawn from it: an account, not a measurement.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BatteryStatus {
    /// What is left, 0 to 1 of what a lamp gets out of a full one.
    pub left_share: f64,
    /// Minutes left at what is sent now; `null` where nothing is drawn.
    pub minutes_left: Option<f64>,
}

/// Something that needs attention.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Alert {
    /// Stable word.
    pub kind: String,
    /// The fixture it is about, if one.
    pub fixture: Option<String>,
    /// What is the matter, for a person.
    pub said: String,
    /// Seconds since the engine's start when it began.
    pub since: f64,
}
