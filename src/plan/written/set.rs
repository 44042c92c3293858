//! Cameras, people, room, and the boards and windows beside the lamps.

use schemars::JsonSchema;
use serde_json::{Value, json};

use super::amounts::{Angle, Clock, Length, Share, Time, names};
use super::shape::{all, at_most_one, exactly_one, none_of, with};

names! {
    /// A set's name, which stands in topics beside `all`.
    SetName not crate::plan::read::names::NOT_SETS;
    /// A subject's name, which stands beside other aims.
    SubjectName not &["hair", "wall"];
}

/// What becomes of the light when the daemon is told to stop.
#[derive(JsonSchema)]
#[schemars(untagged)]
pub(super) enum OnStop {
    /// `hold`: the last frame stands; `dark`: a fade of 2 s.
    Word(StopWord),
    /// A fade to dark.
    Fade(StopFade),
}

/// A way to stop in a word.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case")]
pub(super) enum StopWord {
    Hold,
    Dark,
}

/// A fade to dark at the stop.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
pub(super) struct StopFade {
    /// Its time, 0 to 60 s.
    fade: Time,
}

/// A point in metres: to camera right, away from the camera, up from the first subject's face; ±100 m each.
pub(super) type Point = [Length; 3];

/// The keys of a place.
const PLACE: [&str; 5] = ["clock", "height", "raise", "distance", "floor-distance"];

/// A place is stated once.
pub(super) fn place_once() -> Value {
    all(&[
        json!({ "dependencies": { "at": none_of(&PLACE) } }),
        at_most_one(&["height", "raise"]),
        at_most_one(&["distance", "floor-distance"]),
    ])
}

/// A place is stated once, and it is stated.
pub(super) fn place_needed() -> Value {
    all(&[
        place_once(),
        json!({ "anyOf": [{ "required": ["at"] }, { "required": ["clock"],
            "anyOf": [{ "required": ["distance"] }, { "required": ["floor-distance"] }] }] }),
    ])
}

/// A camera's rules beside its keys.
fn camera_rules() -> Value {
    json!([
        place_once(),
        exactly_one(&["f-number", "t-stop"]),
        // An angle of the shutter is a time once the frame rate is known.
        { "if": { "required": ["shutter"], "properties": { "shutter": { "pattern": "(deg|°)\\s*$" } } },
          "then": { "required": ["fps"] } },
    ])
}

/// A camera: its exposure, and where it stands. The incident illuminance called 0 stops is C N² / (t S) 10^D lux, with the
/// ISO speed S, the f-number or T-stop N, the exposure time t in seconds, the density D of the neutral filters (ISO 2720,
/// ISO 5-1).
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields, extend("allOf" = camera_rules()))]
pub(super) struct Camera {
    /// ISO speed.
    #[schemars(range(min = 1.0, max = 10_000_000.0))]
    iso: f64,
    /// f-number; this or `t-stop`.
    #[schemars(range(min = 0.5, max = 128.0))]
    f_number: Option<f64>,
    /// T-stop, in place of the f-number.
    #[schemars(range(min = 0.5, max = 128.0))]
    t_stop: Option<f64>,
    /// Density of the neutral filters; 0.3 is one stop.
    #[schemars(range(min = 0.0, max = 10.0), extend("default" = 0))]
    nd: Option<f64>,
    /// Frames a second.
    #[schemars(range(min = 1.0, max = 2000.0))]
    fps: Option<f64>,
    /// `"1/50"`, a time (`"20 ms"`), 1 µs to 60 s, or an angle with `fps` (`"180 deg"`), 0.1 to 360 deg.
    #[schemars(regex(pattern = r"^\s*\S.*(/.*\S|deg|°|s)\s*$"), extend("examples" = ["1/50", "180 deg"]))]
    shutter: String,
    /// White balance in kelvin; also the colour of a target that states none.
    #[schemars(range(min = 1000.0, max = 20_000.0), extend("default" = 5600))]
    white_balance: Option<f64>,
    /// The constant C of ISO 2720 in lx s; 250 is that of a flat receptor.
    #[schemars(range(min = 200.0, max = 600.0), extend("default" = 250))]
    constant: Option<f64>,
    /// Its place in metres, in place of the other keys of a place.
    at: Option<Point>,
    /// Where it stands round the first subject.
    #[schemars(extend("default" = "6:00"))]
    clock: Option<Clock>,
    /// Height above the floor, 0 to 30 m.
    height: Option<Length>,
    /// Angle above the eye, in place of `height`, ±89 deg.
    raise: Option<Angle>,
    /// Straight to the first subject, 0.02 to 100 m.
    #[schemars(extend("default" = "2.5 m"))]
    distance: Option<Length>,
    /// The same along the floor, in place of `distance`.
    floor_distance: Option<Length>,
}

fn subject_rules() -> Value {
    json!([at_most_one(&["clock", "at"]), with("clock", &["distance"]), with("distance", &["clock"])])
}

/// One who sits in front of the camera. The first has no place: it is the origin of all.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields, extend("allOf" = subject_rules()))]
pub(super) struct Subject {
    /// Where the nose points to.
    #[schemars(extend("default" = "6:00"))]
    faces: Option<Clock>,
    /// Height of the eyes above the floor, 0.1 to 3 m.
    #[schemars(extend("default" = "1.2 m"))]
    eye_height: Option<Length>,
    /// From the first subject: to camera right, away from the camera; ±100 m. Required from the second on, or `clock`
    /// with `distance`.
    at: Option<[Length; 2]>,
    /// The identity guard hides this face while it is on.
    #[schemars(extend("default" = true))]
    protect: Option<bool>,
    /// Where it sits round the first subject.
    clock: Option<Clock>,
    /// From the first subject, 0.1 to 100 m.
    distance: Option<Length>,
}

/// The room, as the camera sees it.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields)]
pub(super) struct Room {
    /// Distance of the wall behind from the first subject, 0.1 to 100 m.
    back: Option<Length>,
    /// Distance of the wall at camera left, 0.1 to 100 m.
    left: Option<Length>,
    /// Distance of the wall at camera right, 0.1 to 100 m.
    right: Option<Length>,
    /// Height of the ceiling above the floor, 1 to 100 m.
    ceiling: Option<Length>,
    /// How much of the light it gives back, diffuse.
    #[schemars(extend("default" = "50 %"))]
    reflectance: Option<Share>,
}

/// Lamps that are named together.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields)]
pub(super) struct Group {
    /// Fixtures or bodies.
    #[schemars(length(min = 1), extend("uniqueItems" = true))]
    members: Vec<String>,
    /// Their colours must match.
    #[schemars(extend("default" = false))]
    must_match: Option<bool>,
}

/// Size of a board: the side of a square, or width and height; 0.01 to 20 m.
#[derive(JsonSchema)]
#[schemars(untagged)]
pub(super) enum Size {
    Square(Length),
    Sides([Length; 2]),
}

/// A board that returns the light of the lamp that feeds it; it faces that lamp's subject.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields, extend("allOf" = [place_needed()]))]
pub(super) struct Bounce {
    /// Its place in metres, in place of the other keys of a place.
    at: Option<Point>,
    /// Where it stands round the first subject.
    clock: Option<Clock>,
    /// Height above the floor, 0 to 30 m.
    height: Option<Length>,
    /// Angle above the eye, in place of `height`, ±89 deg.
    raise: Option<Angle>,
    /// Straight to the first subject, 0.02 to 100 m.
    distance: Option<Length>,
    /// The same along the floor, in place of `distance`.
    floor_distance: Option<Length>,
    /// Its size.
    #[schemars(extend("default" = "1 m"))]
    size: Option<Size>,
    /// How much of the light it gives back, diffuse.
    #[schemars(extend("default" = "80 %"))]
    reflectance: Option<Share>,
    /// The fixture whose light it returns.
    fed_by: Option<String>,
}

/// A board that stops whatever shines through it; it faces the lamp that it cuts, else the first subject.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields, extend("allOf" = [place_needed()]))]
pub(super) struct Flag {
    /// Its place in metres, in place of the other keys of a place.
    at: Option<Point>,
    /// Where it stands round the first subject.
    clock: Option<Clock>,
    /// Height above the floor, 0 to 30 m.
    height: Option<Length>,
    /// Angle above the eye, in place of `height`, ±89 deg.
    raise: Option<Angle>,
    /// Straight to the first subject, 0.02 to 100 m.
    distance: Option<Length>,
    /// The same along the floor, in place of `distance`.
    floor_distance: Option<Length>,
    /// Its size.
    #[schemars(extend("default" = "1 m"))]
    size: Option<Size>,
    /// The fixture that it cuts.
    cuts: Option<String>,
}

/// A window.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields, extend("allOf" = [place_needed()]))]
pub(super) struct Daylight {
    /// Its place in metres, in place of the other keys of a place.
    at: Option<Point>,
    /// Where it stands round the first subject.
    clock: Option<Clock>,
    /// Height above the floor, 0 to 30 m.
    height: Option<Length>,
    /// Angle above the eye, in place of `height`, ±89 deg.
    raise: Option<Angle>,
    /// Straight to the first subject, 0.02 to 100 m.
    distance: Option<Length>,
    /// The same along the floor, in place of `distance`.
    floor_distance: Option<Length>,
    /// Its colour temperature in kelvin.
    #[schemars(range(min = 1000.0, max = 20_000.0))]
    kelvin: f64,
    /// A reading in lux at the first subject's face, the receptor turned to the window.
    #[schemars(range(min = 0.0, max = 10_000_000.0))]
    lux: f64,
    /// Age of the reading, 0 to 366 d.
    #[schemars(extend("default" = "0 s"))]
    age: Option<Time>,
}
