//! Kinds of lamp: emitters, modes, heat; and what was measured of a body.

use schemars::JsonSchema;
use serde_json::{Value, json};

use super::amounts::{
    Angle, Candela, Celsius, Hertz, Kelvins, KelvinsPerWatt, Length, Percent, Power, Rate, Share, Tables,
    Time,
};
use super::look::{Xy, xy};
use super::shape::{all, at_most_one, exactly_one, none_of, when};

/// Names that may be anything.
pub(super) struct AnyName;

impl JsonSchema for AnyName {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "AnyName".into()
    }

    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({ "type": "string" })
    }
}

/// An emitter's name, which stands beside other things that a slot may drive.
pub(super) struct EmitterName;

impl JsonSchema for EmitterName {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "EmitterName".into()
    }

    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({ "type": "string", "not": { "enum": crate::plan::read::profile::DRIVES } })
    }
}

/// A day, as a date or as text.
pub(super) struct Date;

impl JsonSchema for Date {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Date".into()
    }

    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        // Readers of TOML hand a date over as text.
        schemars::json_schema!({ "type": "string", "pattern": r"^\d{4}-\d{2}-\d{2}$", "examples": ["2026-05-04"] })
    }
}

/// How a lamp is cooled.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case")]
pub(super) enum Cooling {
    Fan,
    FanLess,
}

/// What a lamp does when frames stop.
#[derive(JsonSchema)]
#[schemars(untagged)]
pub(super) enum FramesStop {
    /// `hold`, `dark` or `unknown`.
    Word(FramesStopWord),
    /// It holds for a while, then goes dark.
    Hold(HoldFor),
}

/// The same in a word.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case")]
pub(super) enum FramesStopWord {
    Hold,
    Dark,
    /// It runs on for the heat guard, and may be dark after 1 s for soft start.
    Unknown,
}

/// A lamp that holds its light for a while.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields)]
pub(super) struct HoldFor {
    /// How long, 0 s to 24 h.
    hold_for: Time,
}

/// What a lamp shows at power-up.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case")]
pub(super) enum PowerUp {
    Dark,
    Lit,
    Unknown,
}

/// A lamp's risk group by IEC 62471.
#[derive(JsonSchema)]
pub(super) enum RiskGroup {
    RG0,
    RG1,
    RG2,
    RG3,
}

/// What is known of a lamp's danger to eyes. Do not stare into a lamp of which nothing is.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields)]
pub(super) struct Eyes {
    /// Its risk group by IEC 62471.
    risk_group: Option<RiskGroup>,
    /// The least distance from its lit front to a face, 0.01 to 20 m.
    least_distance: Option<Length>,
}

/// What is known of a lamp's heat: that it has no limit, or figures.
#[derive(JsonSchema)]
#[schemars(untagged)]
pub(super) enum Heat {
    /// `no limit`.
    Word(NoLimit),
    /// Figures.
    Figures(Box<HeatFigures>),
}

/// The word for no limit.
#[derive(JsonSchema)]
pub(super) enum NoLimit {
    #[schemars(rename = "no limit")]
    NoLimit,
}

fn heat_rules() -> Value {
    let second = ["time-constant", "cools", "half-for", "rise-at-full"];
    let by_time = all(&[json!({ "required": ["full-for"] }), none_of(&["k-per-w"]), at_most_one(&second)]);
    let by_rise = all(&[
        none_of(&["full-for", "half-for", "ambient", "watts"]),
        exactly_one(&["rise-at-full", "k-per-w"]),
        exactly_one(&["time-constant", "cools"]),
    ]);
    json!([{ "anyOf": [by_time, by_rise] }])
}

/// Figures of heat, for the bare lamp in free air: how long at full until it cuts back, with at most one of
/// `time-constant`, `cools`, `half-for` and `rise-at-full`; or a rise with a time constant.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields, extend("allOf" = heat_rules()))]
pub(super) struct HeatFigures {
    /// Time from cold at full power until it cuts back, 1 s to 24 h.
    full_for: Option<Time>,
    /// Room temperature meanwhile, -40 to 300 C, under the limit.
    #[schemars(extend("default" = "25 C"))]
    ambient: Option<Celsius>,
    /// Power meanwhile, standby included, where not everything was on, 0 to 100 kW.
    watts: Option<Power>,
    /// Temperature of its body at which it cuts back, -40 to 300 C; 70 C, a judgement, when left out.
    limit: Option<Celsius>,
    /// Time in which it covers 63 % of the way to where its power leads, 1 s to 240 h.
    time_constant: Option<Time>,
    /// Time in which the switched-off lamp comes half the way down to the room, 1 s to 240 h.
    cools: Option<Time>,
    /// Time from cold with every emitter at half until it cuts back, over twice `full-for`, to 240 h.
    half_for: Option<Time>,
    /// How far full power takes it above the room, 0.1 to 500 K; beside `full-for` over limit less `ambient`.
    rise_at_full: Option<Kelvins>,
    /// The same for each watt, 0.0001 to 100 K/W.
    k_per_w: Option<KelvinsPerWatt>,
}

/// What a lamp with a fan is with its fan off.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields)]
pub(super) struct Quiet {
    /// Most of its greatest light that may be sent then.
    #[schemars(extend("default" = "100 %"))]
    ceiling: Option<Share>,
    /// What is known of its heat then.
    heat: Option<Heat>,
}

fn emitter_rules() -> Value {
    json!([
        exactly_one(&["kelvin", "xy", "spectrum"]),
        exactly_one(&["lux", "candela"]),
        { "dependencies": { "duv": ["kelvin"] } },
    ])
}

/// A source of light in a lamp, with its colour and its light at full.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields, extend("allOf" = emitter_rules()))]
pub(super) struct Emitter {
    /// Its colour temperature in kelvin; or `xy`, or `spectrum`.
    #[schemars(range(min = 1000.0, max = 20_000.0))]
    kelvin: Option<f64>,
    /// Its tint in Duv, with `kelvin`.
    #[schemars(range(min = -0.05, max = 0.05))]
    duv: Option<f64>,
    /// Its chromaticity, CIE 1931 x and y.
    #[schemars(extend("items" = xy()))]
    xy: Option<Xy>,
    /// A CSV file with its spectrum, from this file's folder: steps of 1 to 10 nm over 400 to 700 nm or more.
    spectrum: Option<String>,
    /// Its light as a reading in lux at 1 m on the axis at full; or `candela`.
    #[schemars(range(min = 0.01, max = 1_000_000.0))]
    lux: Option<f64>,
    /// Its intensity on the axis at full, 0.01 to 1 000 000 cd.
    candela: Option<Candela>,
    /// Its power at full, standby not included, 0 to 100 kW.
    #[schemars(extend("default" = "0 W"))]
    watts: Option<Power>,
}

/// One point of a table: a slot's value and its light in any unit.
#[derive(JsonSchema)]
pub(super) struct LightPoint(
    #[schemars(range(min = 0, max = 65_535))] u32,
    #[schemars(range(min = 0.0, max = 1_000_000_000.0))] f64,
);

/// A dimming curve that no word stands for.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields, extend("allOf" = [exactly_one(&["gamma", "table"])]))]
pub(super) struct OwnCurve {
    /// Light as the value to this power.
    #[schemars(range(min = 0.2, max = 6.0))]
    gamma: Option<f64>,
    /// Points of value and light, from `[0, 0]` to full scale; both rise.
    #[schemars(length(min = 2, max = 1024))]
    table: Option<Vec<LightPoint>>,
}

/// A dimming curve: `linear`, `square`, `lightness`, `gamma-` with a number from 0.2 to 6, or one of its own.
#[derive(JsonSchema)]
#[schemars(untagged)]
pub(super) enum Curve {
    Word(#[schemars(regex(pattern = r"^(linear|square|lightness|gamma-[0-9.]+)$"))] String),
    Own(OwnCurve),
}

/// Values of a slot that is 8 or 16 bits wide.
#[derive(JsonSchema)]
#[schemars(transparent)]
pub(super) struct Value16(#[schemars(range(min = 0, max = 65_535))] u32);

/// What was read for what was asked: `[asked, read]`; of kelvin also with the Duv read, and with the light as a share.
#[derive(JsonSchema)]
#[schemars(transparent)]
pub(super) struct Measured(
    #[schemars(length(min = 1, max = 1024), inner(length(min = 2, max = 4)))] Vec<Vec<f64>>,
);

fn channel_rules() -> Value {
    let light = ["curve", "floor", "clean-from"];
    let own = [("kelvin", "kelvin"), ("tint", "duv"), ("fixed", "value"), ("strobe", "safe")];
    let mut rules = Vec::new();
    for (drives, key) in own {
        let is = json!({ "required": ["drives"], "properties": { "drives": { "const": drives } } });
        rules.push(json!({ "if": is, "then": { "required": [key] }, "else": none_of(&[key]) }));
    }
    for drives in ["kelvin", "tint", "hue", "saturation", "fixed", "strobe"] {
        rules.push(when("drives", drives, none_of(&light)));
    }
    let coloured = json!({ "required": ["drives"], "properties": { "drives": {
        "enum": ["kelvin", "tint", "hue", "saturation"] } } });
    rules.push(json!({ "if": coloured, "else": none_of(&["measured"]) }));
    let fixed = json!({ "required": ["drives"], "properties": { "drives": { "const": "fixed" } } });
    rules.push(json!({ "if": fixed, "else": none_of(&["about"]) }));
    // One slot holds no more than 255.
    let eight = json!({ "not": { "required": ["bits"], "properties": { "bits": { "const": 16 } } } });
    let most = json!({ "maximum": 255 });
    rules.push(json!({ "if": eight, "then": { "properties": {
        "floor": most, "clean-from": most, "value": most, "safe": most } } }));
    Value::Array(rules)
}

/// One or two slots of a mode and what they drive.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields, extend("allOf" = channel_rules()))]
pub(super) struct Channel {
    /// `intensity`, `kelvin`, `tint`, `hue`, `saturation`, `fixed`, `strobe`, or an emitter's name.
    drives: String,
    /// 8 (one slot) or 16 (two slots, coarse first).
    #[schemars(extend("enum" = [8, 16], "default" = 8))]
    bits: Option<u32>,
    /// Intensity and emitters: the dimming curve.
    #[schemars(extend("default" = "linear"))]
    curve: Option<Curve>,
    /// Intensity and emitters: least value that gives light; under it the lamp snaps off.
    #[schemars(extend("default" = 0))]
    floor: Option<Value16>,
    /// Intensity and emitters: least value whose light is clean, without flicker or tint.
    #[schemars(extend("default" = 0))]
    clean_from: Option<Value16>,
    /// Colours: what a meter reads for what is asked.
    measured: Option<Measured>,
    /// Of `kelvin`: its kelvin at 0 and at full.
    #[schemars(inner(range(min = 1000.0, max = 20_000.0)))]
    kelvin: Option<[f64; 2]>,
    /// Of `tint`: its Duv at 0 and at full.
    #[schemars(inner(range(min = -0.05, max = 0.05)))]
    duv: Option<[f64; 2]>,
    /// Of `fixed`: its safe value.
    value: Option<Value16>,
    /// Of `fixed`: what it is.
    about: Option<String>,
    /// Of `strobe`: the value at which the lamp does not flash by itself.
    safe: Option<Value16>,
}

/// A way in which a lamp takes slots: intensity alone; or with kelvin, with or without tint; or with hue and saturation;
/// or every emitter once, with or without intensity. Fixed slots and one strobe may stand anywhere.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields)]
pub(super) struct Mode {
    /// Its channels in the order of their slots, 512 slots at most.
    #[schemars(length(min = 1, max = 512))]
    slots: Vec<Channel>,
    /// With hue and saturation: its white in kelvin.
    #[schemars(range(min = 1000.0, max = 20_000.0))]
    kelvin: Option<f64>,
}

/// A kind of lamp.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields, extend("allOf" = [at_most_one(&["beam", "ies"])]))]
pub(super) struct Profile {
    /// What it is, in a line.
    about: Option<String>,
    /// Nobody measured these figures.
    #[schemars(extend("default" = false))]
    invented: Option<bool>,
    /// Power with every emitter dark, 0 to 100 kW.
    #[schemars(extend("default" = "0 W"))]
    standby: Option<Power>,
    /// Power factor, above 0 to 100 %.
    #[schemars(extend("default" = "100 %"))]
    power_factor: Option<Share>,
    /// How it is cooled.
    cooling: Cooling,
    /// What is known of its heat; a lamp of which nothing is is held at half its power.
    heat: Option<Heat>,
    /// What it is with its fan off.
    quiet: Option<Quiet>,
    /// What is known of its danger to eyes.
    eyes: Option<Eyes>,
    /// Radius of the lit front, 0.001 to 5 m.
    radius: Option<Length>,
    /// Full angle at half intensity, 1 to 360 deg.
    beam: Option<Angle>,
    /// In place of `beam`: an LM-63 file, from this file's folder.
    ies: Option<String>,
    /// What it does when frames stop.
    #[schemars(extend("default" = "unknown"))]
    when_frames_stop: Option<FramesStop>,
    /// What it shows at power-up.
    #[schemars(extend("default" = "unknown"))]
    at_power_up: Option<PowerUp>,
    /// Frequency of its modulation, 50 Hz to 1 MHz.
    pwm: Option<Hertz>,
    /// Most of its greatest light that may be sent.
    #[schemars(extend("default" = "100 %"))]
    ceiling: Option<Share>,
    /// Least light it may show; under it the lamp is sent zero.
    #[schemars(extend("default" = "0 %"))]
    floor: Option<Share>,
    /// Greatest rise of light, 0.1 to 100 000 %/s; falls are never limited.
    rise: Option<Rate>,
    /// Its emitters by name.
    #[schemars(extend("minProperties" = 1, "maxProperties" = crate::plan::MAX_EMITTERS))]
    emitter: Tables<EmitterName, Emitter>,
    /// Its modes by name.
    #[schemars(extend("minProperties" = 1))]
    mode: Tables<AnyName, Mode>,
}

/// What was measured of a channel.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields)]
pub(super) struct MeasuredChannel {
    /// The dimming curve.
    curve: Option<Curve>,
    /// Least value that gives light.
    floor: Option<Value16>,
    /// Least value whose light is clean.
    clean_from: Option<Value16>,
    /// What a meter reads for what is asked.
    measured: Option<Measured>,
}

/// What was measured of an emitter.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields, extend("allOf" = [at_most_one(&["kelvin", "xy"]), at_most_one(&["duv", "xy"])]))]
pub(super) struct MeasuredEmitter {
    /// Its light against the profile's figure, 1 to 1000 %.
    output: Option<Percent>,
    /// Its colour temperature in kelvin.
    #[schemars(range(min = 1000.0, max = 20_000.0))]
    kelvin: Option<f64>,
    /// Its tint in Duv.
    #[schemars(range(min = -0.05, max = 0.05))]
    duv: Option<f64>,
    /// Its chromaticity, CIE 1931 x and y.
    #[schemars(extend("items" = xy()))]
    xy: Option<Xy>,
}

/// A body's calibration. It holds for the body set to this mode of this profile.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields)]
pub(super) struct BodyCalibration {
    /// Its day.
    date: Date,
    /// What the body was.
    profile: String,
    /// The mode that it was set to.
    mode: String,
    /// The meter, in words.
    meter: Option<String>,
    /// Mains, room and what else should be known.
    conditions: Option<String>,
    /// The room's temperature, in words.
    ambient: Option<String>,
    /// How far readings lie from the curve, in words.
    worst: Option<String>,
    /// From the lit front to the receptor, 0.1 to 100 m.
    distance: Option<Length>,
    /// Every reading as it was typed.
    readings: Option<Vec<String>>,
    /// What was measured of channels, by what they drive.
    channel: Option<Tables<AnyName, MeasuredChannel>>,
    /// What was measured of emitters, by name.
    emitter: Option<Tables<AnyName, MeasuredEmitter>>,
}
