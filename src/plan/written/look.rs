//! Looks: targets of lamps, meter points, and how lights move by themselves.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde_json::{Value, json};

use super::amounts::{Angle, Depth, Mired, Share, Time, names};
use super::shape::{at_most_one, exactly_one, none_of};

names! {
    /// A look's name, which stands beside words for light that is no look.
    LookName not crate::plan::read::names::NOT_LOOKS;
}

/// A step of the running order.
#[derive(JsonSchema)]
#[schemars(untagged)]
pub(super) enum Step {
    /// A look.
    Look(String),
    /// A look with what is planned for it.
    Planned(Planned),
}

/// A look with what is planned for it.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields)]
pub(super) struct Planned {
    /// The look.
    look: String,
    /// Its fade, 0 s to 1 h; the look's, else the plan's, when left out.
    fade: Option<Time>,
    /// Expected time on, 0 s to 24 h.
    #[schemars(extend("default" = "5 min"))]
    on_for: Option<Time>,
    /// Takes planned while it is on; one when left out, none for the rest look.
    #[schemars(range(min = 0, max = 100))]
    takes: Option<u32>,
}

/// A colour is stated once.
fn one_colour() -> Value {
    let with_duv = json!({ "not": { "required": ["duv"] } });
    json!({ "dependencies": {
        "xy": none_of(&["kelvin", "duv", "hue", "saturation"]),
        "hue": { "allOf": [{ "required": ["saturation"] }, with_duv] },
        "saturation": { "allOf": [{ "required": ["hue"] }, with_duv] },
    } })
}

/// x and y of CIE 1931: x 0 to 1, y above 0, their sum at most 1.
pub(super) type Xy = [f64; 2];

/// A pair of numbers as x and y.
pub(super) fn xy() -> Value {
    json!([{ "type": "number", "minimum": 0, "maximum": 1 }, { "type": "number", "minimum": 0.0001, "maximum": 1 }])
}

/// What lamps are asked for in a look: targets in stops, lux or shares, and colours. What it does not name is dark.
///
/// Every key beside those here is a fixture, a body or a group, with its target.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", extend("allOf" = [one_colour(), no_levels()]))]
pub(super) struct Look {
    /// One line about it.
    about: Option<String>,
    /// It hides who is speaking; recalling it turns the identity guard on.
    #[schemars(extend("default" = false))]
    protect: Option<bool>,
    /// The look to start from; every field stated here goes over it.
    like: Option<String>,
    /// The fixture that is the key; the one called `key` when left out.
    key_is: Option<String>,
    /// Its fade, 0 s to 1 h; the plan's when left out.
    fade: Option<Time>,
    /// Colour temperature in kelvin of every lamp that states none; the camera's white balance when left out.
    #[schemars(range(min = 1000.0, max = 20_000.0))]
    kelvin: Option<f64>,
    /// Tint in Duv; positive is green.
    #[schemars(range(min = -0.05, max = 0.05))]
    duv: Option<f64>,
    /// Chromaticity, CIE 1931 x and y, in place of `kelvin`.
    #[schemars(extend("items" = xy()))]
    xy: Option<Xy>,
    /// Hue, 0 to 360 deg, with `saturation`.
    hue: Option<Angle>,
    /// Share of the way from the white to the edge of all colours, with `hue`.
    saturation: Option<Share>,
    /// What a meter should read, all lamps lit; `"none"` takes over none with `like`.
    meter: Option<Meter>,
    /// Targets.
    #[schemars(flatten)]
    lamps: BTreeMap<String, Target>,
}

/// A level belongs to a lamp.
fn no_levels() -> Value {
    none_of(&["stops", "to-key", "lux", "of-full", "move"])
}

/// Meter points, or none.
#[derive(JsonSchema)]
#[schemars(untagged)]
pub(super) enum Meter {
    /// `none`.
    None(NoneWord),
    /// Points and what a meter should read there.
    Points(MeterPoints),
}

/// The word for none.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case")]
pub(super) enum NoneWord {
    None,
}

/// Meter points by name, each also as `face-lit@SUBJECT`.
pub(super) struct MeterPoints;

impl JsonSchema for MeterPoints {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "MeterPoints".into()
    }

    fn json_schema(generator: &mut schemars::SchemaGenerator) -> schemars::Schema {
        let points: Vec<_> = crate::plan::MeterPoint::ALL.iter().map(|p| p.word()).collect();
        let pattern = format!("^({})(@.+)?$", points.join("|"));
        let reading = generator.subschema_for::<Reading>();
        schemars::json_schema!({
            "description": "What a meter should read, all lamps lit: stops from the exposure, or a table. Points are \
                            face-lit, face-shadow, face-camera, hair, wall-left, wall, wall-right, each also of one subject, \
                            as `\"face-lit@SUBJECT\"`.",
            "type": "object",
            "patternProperties": { pattern: reading },
            "additionalProperties": false,
        })
    }
}

/// What a meter should read at a point.
#[derive(JsonSchema)]
#[schemars(untagged)]
pub(super) enum Reading {
    /// Stops from the exposure.
    Stops(#[schemars(range(min = -40.0, max = 40.0))] f64),
    /// With a colour.
    Coloured(Coloured),
}

/// A level and a colour at a meter point.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields)]
pub(super) struct Coloured {
    /// Stops from the exposure.
    #[schemars(range(min = -40.0, max = 40.0))]
    stops: f64,
    /// Colour temperature in kelvin; open when left out.
    #[schemars(range(min = 1000.0, max = 20_000.0))]
    kelvin: Option<f64>,
    /// Tint in Duv; open when left out.
    #[schemars(range(min = -0.05, max = 0.05))]
    duv: Option<f64>,
}

fn one_level() -> Value {
    at_most_one(&["stops", "to-key", "lux", "of-full"])
}

/// What a lamp is asked for: one level, one colour where it differs from the look's, and how it moves.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields, extend("allOf" = [one_level(), one_colour()]))]
pub(super) struct Target {
    /// Stops from the exposure: what this lamp alone gives at what it is aimed at.
    #[schemars(range(min = -40.0, max = 40.0))]
    stops: Option<f64>,
    /// Stops from the key's target in this look.
    #[schemars(range(min = -40.0, max = 40.0))]
    to_key: Option<f64>,
    /// Illuminance in lux.
    #[schemars(range(min = 0.0, max = 10_000_000.0))]
    lux: Option<f64>,
    /// Share of the lamp's most light at the asked colour.
    of_full: Option<Share>,
    /// Colour temperature in kelvin; alone, its tint is 0.
    #[schemars(range(min = 1000.0, max = 20_000.0))]
    kelvin: Option<f64>,
    /// Tint in Duv, positive is green; alone, it keeps the white that holds otherwise.
    #[schemars(range(min = -0.05, max = 0.05))]
    duv: Option<f64>,
    /// Chromaticity, CIE 1931 x and y.
    #[schemars(extend("items" = xy()))]
    xy: Option<Xy>,
    /// Hue, 0 to 360 deg, with `saturation`.
    hue: Option<Angle>,
    /// Share of the way from the white to the edge of all colours, with `hue`.
    saturation: Option<Share>,
    /// How it moves by itself, from its recall on; `"none"` takes a move over `like` away.
    r#move: Option<Move>,
}

/// How a light moves, or that it does not.
#[derive(JsonSchema)]
#[schemars(untagged)]
pub(super) enum Move {
    /// `none`.
    None(NoneWord),
    /// One way to move.
    Way(Box<Way>),
}

fn one_way() -> Value {
    exactly_one(&["hue-circle", "breath", "wander", "flicker"])
}

/// One way to move. In a group's target each has `spread` too: each member starts so much of a period later than the one
/// before.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields, extend("allOf" = [one_way()]))]
pub(super) struct Way {
    /// Round all hues.
    hue_circle: Option<HueCircle>,
    /// Down and up again.
    breath: Option<Breath>,
    /// Through other colours and back.
    wander: Option<Wander>,
    /// As a fire or a screen does.
    flicker: Option<Flicker>,
}

/// Round all hues.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields)]
pub(super) struct HueCircle {
    /// Time of one turn, 10 s to 1 h.
    period: Time,
    /// Saturation of the circle about the target's colour.
    depth: Share,
    /// Hue at recall, 0 to 360 deg.
    #[schemars(extend("default" = "0 deg"))]
    start: Option<Angle>,
    /// Of a group: how much of a period each member starts later than the one before.
    spread: Option<Share>,
}

/// Down from the target's level and up again, a cosine in stops.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields)]
pub(super) struct Breath {
    /// Time of one breath, 0.2 s to 1 h.
    period: Time,
    /// How far down, 0 to 6 stops.
    depth: Depth,
    /// Part of the period at which it starts; 0 is at the target's level.
    #[schemars(extend("default" = "0 %"))]
    phase: Option<Share>,
    /// Of a group: how much of a period each member starts later than the one before.
    spread: Option<Share>,
}

fn some_colour() -> Value {
    json!([one_colour(), { "minProperties": 1 }])
}

/// A colour on the way of a wander.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields, extend("allOf" = some_colour()))]
pub(super) struct Through {
    /// Colour temperature in kelvin.
    #[schemars(range(min = 1000.0, max = 20_000.0))]
    kelvin: Option<f64>,
    /// Tint in Duv.
    #[schemars(range(min = -0.05, max = 0.05))]
    duv: Option<f64>,
    /// Chromaticity, CIE 1931 x and y.
    #[schemars(extend("items" = xy()))]
    xy: Option<Xy>,
    /// Hue, 0 to 360 deg, with `saturation`.
    hue: Option<Angle>,
    /// Share of the way from the white to the edge of all colours, with `hue`.
    saturation: Option<Share>,
}

/// From the target's own colour through others and back.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields)]
pub(super) struct Wander {
    /// Time until it is back, 5 s to 1 h.
    period: Time,
    /// The colours on its way.
    #[schemars(length(min = 1, max = 6))]
    through: Vec<Through>,
    /// Part of the period at which it starts; 0 is at the target's own colour.
    #[schemars(extend("default" = "0 %"))]
    phase: Option<Share>,
    /// Of a group: how much of a period each member starts later than the one before.
    spread: Option<Share>,
}

/// What a flicker is like.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case")]
pub(super) enum FlickerLike {
    /// Never still, warmer where it is dim.
    Fire,
    /// Stands, then changes.
    Screen,
}

/// A flicker that is the same each time.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields)]
pub(super) struct Flicker {
    /// What it is like.
    like: FlickerLike,
    /// The same seed is the same light.
    #[schemars(range(min = 0, max = 4_294_967_295_u32))]
    seed: u32,
    /// Mean time from change to change, 0.1 s to 1 min, at most a quarter of the period; fire 1 s, screen 2 s when left
    /// out.
    every: Option<Time>,
    /// Time after which it repeats, 5 s to 5 min.
    #[schemars(extend("default" = "60 s"))]
    period: Option<Time>,
    /// How far down at most from the target's level, 0 to 6 stops; fire 0.8, screen 1.5 stops when left out.
    depth: Option<Depth>,
    /// How far the colour of a white goes, 0 to 200 mired; fire 30, screen 40 mired when left out, 0 for a lamp of one
    /// colour.
    drift: Option<Mired>,
    /// Part of the period at which it starts.
    #[schemars(extend("default" = "0 %"))]
    phase: Option<Share>,
    /// Of a group: how much of a period each member starts later than the one before.
    spread: Option<Share>,
}
