//! Takes, readings and trims as the log holds them.

use serde::{Deserialize, Serialize};

use super::entry::{LightRecord, Trim};
use crate::control::TakeMark;
use crate::meter::LitLamp;

/// What a take began with. It alone rebuilds the light: the plan may be gone.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TakeRecord {
    /// Log number, from 1; it never repeats in one log.
    pub number: u64,
    /// The slate.
    pub slate: String,
    /// The take, from 1.
    pub take: u32,
    /// Both: `4/3`.
    pub name: String,
    /// The look, or what else was lit, such as `only key`.
    pub look: String,
    /// The light of the frame by which the take is measured.
    pub light: LightRecord,
    /// Where each lamp stood, in the plan's order, as planned.
    pub places: Vec<LampPlace>,
    /// State of each lamp, in the plan's order.
    pub lamps: Vec<LampState>,
    /// Bounce boards.
    pub bounces: Vec<PlaceRecord>,
    /// Windows and other daylight.
    pub daylight: Vec<PlaceRecord>,
    /// People in front of the camera.
    pub subjects: Vec<PlaceRecord>,
    /// Cameras as planned.
    pub cameras: Vec<CameraRecord>,
    /// Ids of the readings that stood.
    pub readings: Vec<u64>,
    /// What was typed of the camera, and notes: name and text.
    pub typed: Vec<(String, String)>,
    /// Minutes for which heat lets this light stand; `null`: without end, or unknown.
    pub safe_min: Option<f64>,
}

/// Where a lamp stands, as planned. Angles as in the plan: from above, clock and degrees round the first subject.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LampPlace {
    /// The fixture's id.
    pub fixture: String,
    /// Its lit front, in metres on the plan's axes.
    pub position_m: [f64; 3],
    /// What it is aimed at, in metres.
    pub aim_m: [f64; 3],
    /// The same in words, such as `the face of pilot`.
    #[serde(default)]
    pub aim: String,
    /// Round the first subject as seen from above, in degrees clockwise from 12 o'clock, the camera at 180.
    pub clock_deg: f64,
    /// Above the floor, in metres; `null` where the eyes' height is not known.
    pub height_m: Option<f64>,
    /// How far it points down, in degrees; negative is up.
    pub tilt_deg: f64,
    /// Straight to what it is aimed at, in metres.
    pub distance_m: f64,
    /// Its modifiers, lamp first.
    pub modifiers: Vec<String>,
    /// Their losses in all, in stops.
    pub loss_stops: f64,
    /// Their shift in mired; positive is warmer.
    pub shift_mired: f64,
    /// Their shift in Duv; positive is greener.
    pub shift_duv: f64,
}

/// State of a lamp at a take's start.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LampState {
    /// The fixture's id.
    pub fixture: String,
    /// The body's sticker.
    pub sticker: Option<String>,
    /// The circuit that it draws from.
    pub circuit: Option<String>,
    /// Seconds lit without a break.
    pub on_s: f64,
    /// Temperature of its body, estimated; `null`: unknown.
    pub body_est_c: Option<f64>,
    /// Limit of the same.
    pub limit_c: Option<f64>,
    /// Minutes until heat lowers it; `null`: never, or unknown.
    pub minutes_left: Option<f64>,
    /// What its battery has left, 0 to 1; `null`: it has none.
    pub battery_left: Option<f64>,
}

/// Something that stands somewhere.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlaceRecord {
    /// Id in the plan.
    pub id: String,
    /// Its middle, in metres on the plan's axes.
    pub position_m: [f64; 3],
    /// More of it as names and numbers: `eye_height_m`, `width_m`, `height_m`, `reflectance`, `kelvin`, `lux`.
    pub figures: Vec<(String, f64)>,
}

/// A camera as planned.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CameraRecord {
    /// Id in the plan.
    pub id: String,
    /// ISO speed.
    pub iso: f64,
    /// f-number or T-stop.
    pub f_number: f64,
    /// True if that is a T-stop. Records of before it was told have none: they say f-number.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub is_t_stop: bool,
    /// Density of its filter.
    pub nd: f64,
    /// Exposure time of one frame in seconds.
    pub shutter_s: f64,
    /// Frames a second, where given.
    pub fps: Option<f64>,
    /// White balance in kelvin.
    pub white_balance_k: f64,
    /// Illuminance of 0 stops, in lux.
    pub zero_stops_lux: f64,
}

/// A moving light has come to its start.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TakeStamp {
    /// The take's log number.
    pub number: u64,
    /// The light by which it is measured.
    pub light: LightRecord,
}

/// The end of a take.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TakeEnd {
    /// The take's log number.
    pub number: u64,
    /// Why what was sent was not steady; empty: sent steady.
    pub why: Vec<String>,
    /// A person's mark, apart from that.
    pub mark: Option<TakeMark>,
    /// How long it rolled, in seconds.
    pub rolled_s: f64,
    /// True if the daemon ended in it and no person ended it.
    pub interrupted: bool,
    /// What the outputs did in it.
    pub outputs: Vec<OutputFigures>,
}

/// What an output did in a take.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OutputFigures {
    /// Its name.
    pub output: String,
    /// Frames a second that it is to send.
    pub rate: u32,
    /// Frames that it sent.
    pub frames: u64,
    /// Frames that it let pass.
    pub missed: u64,
    /// Its longest gap in seconds, if it had one.
    pub gap_s: Option<f64>,
    /// 99.9th percentile of its lateness since the daemon's start, in microseconds.
    pub late_us_p999: Option<f64>,
}

/// What a person added to a take afterwards, or corrected.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct TakeAmend {
    /// The take's log number.
    pub number: u64,
    /// First digits of the log that it comes from, where that is another machine's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub origin: Option<String>,
    /// Another slate.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub slate: Option<String>,
    /// Another take.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub take: Option<u32>,
    /// The mark.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mark: Option<TakeMark>,
    /// What was typed of the camera, and notes: name and text; an empty text takes it back.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub typed: Vec<(String, String)>,
}

/// What was lit when a reading was taken.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LitThen {
    /// No lamp: it is room light.
    None,
    /// One lamp alone, by its fixture's id.
    One(String),
    /// These lamps, by their fixtures' ids.
    These(Vec<String>),
}

/// A meter's reading.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ReadingRecord {
    /// Counts readings of this set, from 1.
    pub id: u64,
    /// Where, in the plan's words: `face-lit@pilot`.
    pub point: String,
    /// Illuminance in lux, the room's light in it.
    pub lux: Option<f64>,
    /// True if the light is less than `lux`, which the meter cannot tell: an upper bound.
    pub under: bool,
    /// Colour temperature in kelvin.
    pub kelvin: Option<f64>,
    /// Tint in Duv.
    pub duv: Option<f64>,
    /// As it was typed.
    pub typed: Vec<String>,
    /// True for a dome, false for a flat receptor.
    pub dome: bool,
    /// What was lit.
    pub lit: LitThen,
    /// The look that was lit, if one.
    pub look: Option<String>,
    /// [`super::frame_hash`] of the light then.
    pub frame_hash: String,
    /// The meter, where it was named.
    pub instrument: Option<String>,
    /// True if `point` is a fixture: it was read at what that is aimed at.
    #[serde(default)]
    pub aim: bool,
    /// The lamps that were lit, each with what it was sent.
    #[serde(default)]
    pub lamps: Vec<LitLamp>,
}

/// Whose trim it is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TrimWho {
    /// A body's, in every look: its name.
    Lamp(String),
    /// A fixture's in one look.
    Look {
        /// The look.
        look: String,
        /// The fixture.
        fixture: String,
    },
}

/// Why a trim was set.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TrimWhy {
    /// The metering walk.
    Meter,
    /// A match with a take or with the plan.
    Match,
    /// A nudge that was kept.
    Nudge,
    /// One of these taken back.
    Undo,
}

/// A trim that was set.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrimRecord {
    /// Whose.
    pub who: TrimWho,
    /// Before.
    pub old: Trim,
    /// From now on.
    pub new: Trim,
    /// Why.
    pub why: TrimWhy,
    /// Trims that were set together are taken back together.
    pub group: u64,
}
