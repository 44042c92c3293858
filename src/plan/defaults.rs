//! Every default of the plan language, with its unit and its reason. Distance has none, ever.

use std::time::Duration;

use super::Over;

/// Fade where nothing else is stated; interface.md part 2.
pub(super) const FADE: Duration = Duration::from_secs(2);
/// Frames a second of the engine: near the 44 that a full universe allows, and a whole 25 ms apart.
pub(super) const FRAME_RATE: u32 = 40;
/// How long the rest look stays; interface.md part 1.
pub(super) const REST_FOR: Duration = Duration::from_secs(20 * 60);
/// Fade of `on-stop = "dark"`: short enough for a service manager that waits.
pub(super) const STOP_FADE: Duration = Duration::from_secs(2);
/// Expected time on of a step that states none: a usual answer with its question.
pub(super) const ON_FOR: Duration = Duration::from_secs(5 * 60);
/// Constant of ISO 2720 for a flat receptor, in lx s; chosen inside the standard's range.
pub(super) const EXPOSURE_CONSTANT: f64 = 250.0;
/// White balance in kelvin: the daylight setting that most cameras have.
pub(super) const WHITE_BALANCE_K: f64 = 5600.0;
/// Distance of the camera from the first subject, in metres: a usual interview lens fills the frame.
pub(super) const CAMERA_DISTANCE_M: f64 = 2.5;
/// Height of the eyes of a person on a chair above the floor, in metres; common practice, no source.
pub(super) const EYE_HEIGHT_M: f64 = 1.2;
/// The hair's point lies this far above the face's and this far behind it, in metres: half a head.
pub(super) const HAIR_OFFSET_M: (f64, f64) = (0.1, 0.1);
/// Reflectance of walls: light grey paint; only bounced light depends on it.
pub(super) const WALL_REFLECTANCE: f64 = 0.5;
/// Reflectance of a bounce board: white foam; measure your own.
pub(super) const BOUNCE_REFLECTANCE: f64 = 0.8;
/// Width and height of boards and flags in metres.
pub(super) const BOARD_SIZE_M: f64 = 1.0;
/// Mains voltage in volts (IEC 60038).
pub(super) const VOLTS: f64 = 230.0;
/// Share of a breaker that a load of three hours or more may take; a rule of some local codes.
pub(super) const BREAKER_SHARE: f64 = 0.8;
/// What happens over a circuit's share: nothing that was lit changes by itself.
pub(super) const OVER: Over = Over::Refuse;
/// Break in microseconds: what picky lamps want; E1.11 asks senders for 92 or more.
pub(super) const BREAK_US: f64 = 176.0;
/// Mark after break in microseconds; E1.11 asks senders for 12 or more.
pub(super) const MARK_US: f64 = 16.0;
/// Break of `timing = "slow"`, in microseconds: over twice the usual one. Judgement.
pub(super) const SLOW_BREAK_US: f64 = 400.0;
/// Mark after break of `timing = "slow"`, in microseconds: time for a lamp to turn from the break to the slots.
/// Judgement.
pub(super) const SLOW_MARK_US: f64 = 100.0;
/// Frames a second of `timing = "slow"`, at most: what is left with its pauses, and a whole 40 ms. Judgement.
pub(super) const SLOW_RATE: u32 = 25;
/// Room temperature where neither the plan nor a maker's heat figure states one, in degrees Celsius.
pub(super) const AMBIENT_C: f64 = 25.0;
/// Keep-alive of the broker's connection: the will is published after 1.5 times this.
pub(super) const KEEP_ALIVE: Duration = Duration::from_secs(10);
/// Port of MQTT without TLS (OASIS MQTT 5.0, IANA).
pub(super) const MQTT_PORT: u32 = 1883;
/// Port of MQTT with TLS (the same).
pub(super) const MQTT_TLS_PORT: u32 = 8883;
/// Age from which a request over MQTT is refused. Source: interface.md part 4.
pub(super) const FRESH: Duration = Duration::from_secs(5);

/// Light from which a lamp counts as reaching a protected face, in stops against the exposure: 1/256 of it.
/// Judgement, as `guards::identity::reach::LEAST_SHARE` says.
pub(super) const PROTECT_STOPS: f64 = -8.0;
