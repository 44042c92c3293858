//! Lamps at their jobs, the bodies of a kit, and what hangs in front of them.

use schemars::JsonSchema;
use serde_json::{Value, json};

use super::amounts::{Angle, Clock, Energy, Length, Loss, Mired, Percent, Power, Rate, Share, names};
use super::profile::{Eyes, Heat, Quiet};
use super::set::{Point, place_once};
use super::shape::{at_most_one, none_of, when, with};
use crate::plan::read::kit::LAMP_KEYS;

names! {
    /// A fixture's, a group's or a body's name, which stands beside the keys of a look.
    LampName not crate::plan::read::names::LOOK_KEYS;
}

/// What a fixture is aimed at.
#[derive(JsonSchema)]
#[schemars(untagged)]
pub(super) enum Aim {
    /// `SUBJECT`, `hair`, `SUBJECT hair`, `wall`, `left wall` or `right wall`.
    Named(String),
    /// A point in metres.
    Point(Point),
}

/// A lamp's own strobe, unlocked. No guard counts what the lamp then does.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields)]
pub(super) struct Strobe {
    /// What its slot is sent, always.
    #[schemars(range(min = 0, max = 65_535))]
    value: u32,
    /// What it is for and who was asked; `check` and `status` tell it.
    #[schemars(regex(pattern = r"\S"))]
    reason: String,
}

/// Whether a person sets it.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case")]
pub(super) enum Control {
    /// By its slots.
    Dmx,
    /// By hand: no address; its watts count.
    Hand,
}

/// Which of the mixes that give a light and a colour a lamp takes.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case")]
pub(super) enum Prefer {
    /// That of most light.
    Output,
    /// That of least electrical power; needs every emitter's `watts`.
    Cool,
    /// That of the best Rf that a search finds; needs every emitter's `spectrum`.
    Rendering,
}

/// Whether the fan of a lamp that has one is on.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case")]
pub(super) enum FanNow {
    Fan,
    Quiet,
}

fn fixture_rules() -> Value {
    let placed = json!({ "anyOf": [
        { "required": ["at"] },
        { "required": ["from-wall", "height"] },
        { "required": ["clock"], "anyOf": [{ "required": ["distance"] }, { "required": ["floor-distance"] }] },
    ] });
    let lamp = json!({ "if": { "required": ["lamp"] }, "then": none_of(&LAMP_KEYS), "else": { "required": ["profile"] } });
    let by_hand = none_of(&["address", "universe", "output", "strobe"]);
    let addressed = json!({ "anyOf": [{ "required": ["lamp"] }, { "required": ["address"] },
        { "required": ["control"], "properties": { "control": { "const": "hand" } } }] });
    let wall = none_of(&["at", "clock", "raise", "distance", "floor-distance"]);
    json!([
        lamp, addressed, when("control", "hand", by_hand), place_once(), placed,
        { "dependencies": { "from-wall": wall, "along": ["from-wall"] } },
        at_most_one(&["circuit", "battery"]),
    ])
}

/// A lamp at its job: a body from the kit, or what the kit would say of it; where it stands and what it is aimed at.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields, extend("allOf" = fixture_rules()))]
pub(super) struct Fixture {
    /// A body of the kit; this or `profile`.
    lamp: Option<String>,
    /// What kind of lamp it is; `lampkeep profiles` lists those at hand.
    profile: Option<String>,
    /// The mode that it is set to; the profile's only one when left out.
    mode: Option<String>,
    /// Its first slot, as its own menu shows it.
    #[schemars(range(min = 1, max = 512))]
    address: Option<u32>,
    /// The universe of its slots; 1 when left out.
    #[schemars(range(min = 1, max = 63_999))]
    universe: Option<u32>,
    /// The output that carries it; the one that carries the universe, or the only one, when left out.
    output: Option<String>,
    /// How it is set.
    #[schemars(extend("default" = "dmx"))]
    control: Option<Control>,
    /// Its place in metres, in place of the other keys of a place.
    at: Option<Point>,
    /// Where it stands round what it is aimed at.
    clock: Option<Clock>,
    /// Height above the floor, 0 to 30 m; level with what it is aimed at when left out.
    height: Option<Length>,
    /// Angle above the eye, in place of `height`, ±89 deg.
    raise: Option<Angle>,
    /// Straight to the lamp's lit front, 0.02 to 100 m. It is never guessed.
    distance: Option<Length>,
    /// The same along the floor, in place of `distance`.
    floor_distance: Option<Length>,
    /// What it is aimed at; the first subject when left out.
    aim: Option<Aim>,
    /// Distance from the wall that it is aimed at, in place of `clock` and `distance`, 0.02 to 100 m; needs `height`.
    from_wall: Option<Length>,
    /// With `from-wall`: along the wall from the first subject, to camera right; along a side wall, away from the camera;
    /// ±100 m.
    #[schemars(extend("default" = "0 m"))]
    along: Option<Length>,
    /// Height on the wall that it is aimed at, 0 to 30 m; eye level when left out.
    aim_height: Option<Length>,
    /// What hangs in front of it, the nearest to the lamp first.
    modifiers: Option<Vec<String>>,
    /// Which of the mixes that give a light and a colour it takes.
    #[schemars(extend("default" = "output"))]
    prefer: Option<Prefer>,
    /// Its circuit; the only one when left out.
    circuit: Option<String>,
    /// Rated energy of the battery that it runs from, 1 Wh to 100 kWh; it then draws from no circuit.
    battery: Option<Energy>,
    /// Most of its greatest light that may be sent.
    ceiling: Option<Share>,
    /// Least light it may show; under it the lamp is sent zero.
    floor: Option<Share>,
    /// Greatest rise of light, 0.1 to 100 000 %/s; falls are never limited.
    rise: Option<Rate>,
    /// What is known of its heat, over what kit and profile say.
    heat: Option<Heat>,
    /// What is known of its danger to eyes, over what the profile says.
    eyes: Option<Eyes>,
    /// Whether the fan of a lamp that has one is on; quiet needs `quiet` in its profile or body.
    #[schemars(extend("default" = "fan"))]
    cooling: Option<FanNow>,
    /// Why it is not here today, such as `"lent"`.
    absent: Option<String>,
    /// Unlocks its strobe slot.
    strobe: Option<Strobe>,
}

/// What hangs in front of a lamp. A shift of colour acts on emitters that are white.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields, extend("allOf" = [at_most_one(&["size", "radius"])]))]
pub(super) struct Modifier {
    /// Loss of light as metered at 1 m, -3 to 20 stops.
    #[schemars(extend("default" = "0 stops"))]
    loss: Option<Loss>,
    /// Shift of colour, ±500 mired; positive is warmer.
    #[schemars(extend("default" = "0 mired"))]
    mired: Option<Mired>,
    /// Shift of tint in Duv; positive is greener.
    #[schemars(range(min = -0.05, max = 0.05), extend("default" = 0))]
    duv: Option<f64>,
    /// Side of a square front, 0.01 to 10 m.
    size: Option<Length>,
    /// Radius of a round front, in place of `size`, 0.001 to 5 m.
    radius: Option<Length>,
    /// Full angle at half intensity, 1 to 360 deg.
    beam: Option<Angle>,
    /// How far a lamp's body gets above the room behind it, against bare, 100 to 1000 %.
    #[schemars(extend("default" = "100 %"))]
    heat_factor: Option<Percent>,
}

/// When a body was measured last, and what came of it.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields)]
pub(super) struct CalibrationNote {
    /// Its day.
    date: super::profile::Date,
    /// Its light against the profile's figures, 1 to 1000 %.
    output: Percent,
}

fn lamp_rules() -> Value {
    json!([with("universe", &["address"]), with("output", &["address"])])
}

/// A body: a lamp that one owns. One that is only ever set by hand needs no address.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields, extend("allOf" = lamp_rules()))]
pub(super) struct Lamp {
    /// What kind of lamp it is; `lampkeep profiles` lists those at hand.
    profile: String,
    /// The mode that it is set to; the profile's only one when left out.
    mode: Option<String>,
    /// Its first slot, as its own menu shows it.
    #[schemars(range(min = 1, max = 512))]
    address: Option<u32>,
    /// The universe of its slots; 1 when left out.
    #[schemars(range(min = 1, max = 63_999))]
    universe: Option<u32>,
    /// The output that carries it.
    output: Option<String>,
    /// What finds it in the case.
    sticker: Option<String>,
    /// Power at full as measured, standby included, 0 to 100 kW.
    watts: Option<Power>,
    /// What is known of its heat.
    heat: Option<Heat>,
    /// What it is with its fan off.
    quiet: Option<Quiet>,
    /// Rated energy of the battery that it runs from, 1 Wh to 100 kWh.
    battery: Option<Energy>,
    /// When it was measured; not used where it has a calibration file.
    calibration: Option<CalibrationNote>,
}
