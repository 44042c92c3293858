//! Fixture profiles: emitters, modes and what is known of heat.

use super::{Cx, curve, eyes, heat, spectrum};
use crate::plan::amounts::{ANGLE, CANDELA, HERTZ, LENGTH, PERCENT_PER_S};
use crate::plan::defaults;
use crate::plan::problem::{Kind, Problem};
use crate::plan::tree::{Field, Table};
use crate::plan::{
    BeamFile, Bits, Channel, Cooling, Drives, Emitter, FramesStop, Limits, MAX_EMITTERS, Mixing, Mode,
    PowerUp, Profile,
};
use crate::units::{Duv, Kelvin, Share, Watts, Xy};

/// Slots of a universe (E1.11).
const SLOTS: u16 = 512;
/// What a slot may drive besides an emitter; no emitter may have such a name.
pub(in crate::plan) const DRIVES: &[&str] =
    &["intensity", "kelvin", "tint", "hue", "saturation", "fixed", "strobe"];

/// Reads one `[profile.NAME]`.
pub(super) fn profile(cx: &Cx<'_>, name: &str, t: &Table<'_>) -> Option<Profile> {
    let about = t.get("about").and_then(|f| f.text("what it is, in a line")).unwrap_or_default().to_owned();
    let invented = t.get("invented").and_then(|f| f.truth()).unwrap_or(false);
    let standby = t.get("standby").map_or(Some(Watts::clamped(0.0)), |f| f.watts());
    let factor = t.get("power-factor").map_or(Some(Share::FULL), |f| power_factor(&f));
    let cooling = [("fan", Cooling::Fan), ("fan-less", Cooling::FanLess)];
    let cooling = t.need("cooling", "cooling = \"fan-less\"").and_then(|f| f.word(&cooling));
    let (heat, quiet) = (heat::heat(t), heat::quiet(t));
    let eyes = eyes::eyes(t);
    let (radius_m, beam_deg) = front(t);
    let ies = ies(cx, t);
    let when_frames_stop = t.get("when-frames-stop").map_or(Some(FramesStop::Unknown), |f| frames_stop(&f));
    let power_up = [("dark", PowerUp::Dark), ("lit", PowerUp::Lit), ("unknown", PowerUp::Unknown)];
    let at_power_up = t.get("at-power-up").map_or(Some(PowerUp::Unknown), |f| f.word(&power_up));
    let pwm_hz = t.get("pwm").and_then(|f| f.amount(&HERTZ, 50.0, 1e6));
    let limits = limits(t, Limits { ceiling: Share::FULL, floor: Share::NONE, rise_per_s: None });
    let emitters = emitters(cx, t);
    let modes = modes(t, emitters.as_deref());
    t.finish();
    Some(Profile {
        name: name.to_owned(),
        about,
        invented,
        emitters: emitters?,
        standby: standby?,
        power_factor: factor?.get(),
        cooling: cooling?,
        heat,
        quiet,
        eyes,
        radius_m,
        beam_deg,
        ies,
        when_frames_stop: when_frames_stop?,
        at_power_up: at_power_up?,
        pwm_hz,
        modes: modes?,
        limits,
    })
}

/// The measured beam that a profile names.
fn ies(cx: &Cx<'_>, t: &Table<'_>) -> Option<BeamFile> {
    let field = t.get("ies")?;
    let path = field.text("beam.ies")?;
    if t.has("beam") {
        let said = format!("{} has its beam twice: `beam` and `ies`", t.owner());
        field.wrong(Kind::Conflict, said, "keep `ies`, which is measured");
    }
    let found = cx.beams.iter().find(|b| b.path == path && b.named_in == field.place().text);
    if found.is_none() {
        field.wrong(
            Kind::NoFile,
            format!("the file {path} has not been read"),
            "check the name and the folder",
        );
    }
    found.cloned()
}

/// Radius of a lit front in metres, `size` being its diameter, and a beam in degrees.
pub(super) fn front(t: &Table<'_>) -> (Option<f64>, Option<f64>) {
    let radius = t.get("radius").and_then(|f| f.amount(&LENGTH, 0.001, 5.0));
    (radius, t.get("beam").and_then(|f| f.amount(&ANGLE, 1.0, 360.0)))
}

/// Limits stated in a table, over those that hold anyway.
pub(super) fn limits(t: &Table<'_>, base: Limits) -> Limits {
    let ceiling = t.get("ceiling").and_then(|f| f.share());
    let floor = t.get("floor").and_then(|f| f.share());
    let rise = t.get("rise").and_then(|f| f.amount(&PERCENT_PER_S, 0.1, 100_000.0));
    let limits = Limits {
        ceiling: ceiling.unwrap_or(base.ceiling),
        floor: floor.unwrap_or(base.floor),
        rise_per_s: rise.map(|r| r / 100.0).or(base.rise_per_s),
    };
    if limits.floor > limits.ceiling {
        let said = format!(
            "the floor of {} is {} %, above its ceiling of {} %: it could never be lit",
            t.owner(),
            limits.floor.percent(),
            limits.ceiling.percent()
        );
        t.report(Problem::at(Kind::Conflict, t.place(), said).label("here").help("lower the floor"));
    }
    limits
}

fn power_factor(field: &Field<'_>) -> Option<Share> {
    let share = field.share()?;
    if share == Share::NONE {
        let said = format!("`power-factor` of {} is 0 %; more than 0 % is needed", field.owner());
        field.wrong(Kind::OutOfRange, said, "write it like `power-factor = \"95 %\"`");
        return None;
    }
    Some(share)
}

fn frames_stop(field: &Field<'_>) -> Option<FramesStop> {
    if let Some(table) = field.as_table("`when-frames-stop`") {
        let held = table.need("hold-for", "hold-for = \"2 s\"").and_then(|f| f.duration(0.0, 86_400.0));
        table.finish();
        return held.map(FramesStop::HoldThenDark);
    }
    field.word(&[
        ("hold", FramesStop::Hold),
        ("dark", FramesStop::HoldThenDark(std::time::Duration::ZERO)),
        ("unknown", FramesStop::Unknown),
    ])
}

fn emitters(cx: &Cx<'_>, t: &Table<'_>) -> Option<Vec<Emitter>> {
    t.need("emitter", "emitter.white = { kelvin = 5600, lux = 900, watts = \"60 W\" }")?;
    let named = t.named("emitter", "emitter");
    if named.is_empty() || named.len() > MAX_EMITTERS {
        let said = format!("{} has {} emitters; 1 to {MAX_EMITTERS} are allowed", t.owner(), named.len());
        t.report(Problem::at(Kind::OutOfRange, t.place(), said).help("give each emitter a table of its own"));
        return None;
    }
    let read: Vec<_> = named.iter().map(|(name, e)| emitter(cx, name, e)).collect();
    read.into_iter().collect()
}

fn emitter(cx: &Cx<'_>, name: &str, t: &Table<'_>) -> Option<Emitter> {
    if DRIVES.contains(&name) {
        let said = format!("an emitter cannot be called `{name}`: a slot may drive that");
        t.report(Problem::at(Kind::ReservedName, t.place(), said).help("name it after its colour"));
    }
    let kelvin = t.get("kelvin").map(|f| f.kelvin());
    let duv = t.get("duv").map_or(Some(Duv::ZERO), |f| f.duv());
    let xy = t.get("xy").map(|f| xy(&f));
    let measured = t.get("spectrum").map(|f| spectrum::spectrum(cx, &f));
    let lux = t.get("lux").map(|f| f.number("lx", 900.0, 0.01, 1e6));
    let candela = t.get("candela").map(|f| f.amount(&CANDELA, 0.01, 1e6));
    let watts = t.get("watts").map_or(Some(Watts::clamped(0.0)), |f| f.watts());
    t.finish();
    let one_of = |said: String, help: &str| {
        t.report(Problem::at(Kind::Conflict, t.place(), said).label("this one").help(help));
        None
    };
    let (colour, spectrum) = match (kelvin, xy, measured) {
        (Some(kelvin), None, None) => ((cx.colour.xy)(kelvin?, duv?), None),
        (None, Some(xy), None) if !t.has("duv") => (xy?, None),
        (None, None, Some(measured)) if !t.has("duv") => {
            let (spectrum, xy) = measured?;
            (xy, Some(spectrum))
        }
        _ => {
            let said = format!(
                "{} needs its colour once: as `kelvin` with or without `duv`, as `xy`, or as `spectrum`",
                t.owner()
            );
            return one_of(said, "write `kelvin = 5600`, `xy = [0.33, 0.34]` or `spectrum = \"red.csv\"`");
        }
    };
    // A reading at 1 m and the intensity are the same number while the lamp may be taken as a point.
    let lux_at_1m = match (lux, candela) {
        (Some(light), None) | (None, Some(light)) => light?,
        _ => {
            let said = format!("{} needs its light once: as `lux` at 1 m or as `candela`", t.owner());
            return one_of(said, "write `lux = 900` or `candela = \"900 cd\"`");
        }
    };
    Some(Emitter { name: name.to_owned(), xy: colour, lux_at_1m, watts: watts?, spectrum })
}

/// A bare pair x, y.
pub(super) fn xy(field: &Field<'_>) -> Option<Xy> {
    let list = field.list("[0.33, 0.34]")?;
    let [x, y] = list.as_slice() else {
        field.wrong_type("a pair of numbers", "[0.33, 0.34]");
        return None;
    };
    let (x, y) = (x.number("", 0.33, 0.0, 1.0), y.number("", 0.34, 0.0001, 1.0));
    let xy = Xy { x: x?, y: y? };
    if xy.x + xy.y > 1.0 {
        let said = format!(
            "`{}` of {}: x and y add up to more than 1, which no light has",
            field.key(),
            field.owner()
        );
        field.wrong(Kind::OutOfRange, said, "write x first, then y, as in `[0.33, 0.34]`");
        return None;
    }
    Some(xy)
}

fn modes(t: &Table<'_>, emitters: Option<&[Emitter]>) -> Option<Vec<Mode>> {
    t.need("mode", "mode.basic = { slots = [{ drives = \"intensity\" }] }")?;
    let named = t.named("mode", "mode");
    if named.is_empty() {
        let said = format!("{} has no mode", t.owner());
        t.report(
            Problem::at(Kind::MissingKey, t.place(), said).help("add a table `mode.NAME` with its slots"),
        );
        return None;
    }
    let read: Vec<_> = named.iter().map(|(name, m)| mode(name, m, emitters)).collect();
    read.into_iter().collect()
}

fn mode(name: &str, t: &Table<'_>, emitters: Option<&[Emitter]>) -> Option<Mode> {
    let white = t.get("kelvin").map(|f| f.kelvin());
    let slots =
        t.need("slots", "slots = [{ drives = \"intensity\", bits = 8 }]").and_then(|f| f.list("[{ … }]"));
    t.finish();
    let mut channels = Vec::new();
    let mut complete = true;
    let mut offset = 0;
    for field in slots? {
        match channel(&field, offset, emitters) {
            Some(channel) => {
                offset += channel.bits.slots();
                channels.push(channel);
            }
            None => complete = false,
        }
        if offset > SLOTS {
            let said = format!("mode `{name}` takes more than the {SLOTS} slots of a universe");
            t.report(Problem::at(Kind::BadMode, t.place(), said).label("this mode").help("leave slots out"));
            return None;
        }
    }
    let emitters = emitters?;
    if !complete {
        return None;
    }
    match mixing(&channels, emitters, white) {
        Ok(mixing) => Some(Mode { name: name.to_owned(), channels, mixing: mixing? }),
        Err(said) => {
            let help = "a mode drives intensity alone; or kelvin with intensity; or hue and saturation with \
                        intensity; or every emitter once";
            let said = format!("mode `{name}` {said}");
            t.report(Problem::at(Kind::BadMode, t.place(), said).label("this mode").help(help));
            None
        }
    }
}

fn channel(field: &Field<'_>, offset: u16, emitters: Option<&[Emitter]>) -> Option<Channel> {
    let t = field.table("a slot")?;
    let drives = t.need("drives", "drives = \"intensity\"").map(|f| (f.text("intensity"), f));
    let bits = match t.get("bits") {
        None => Some(Bits::Eight),
        Some(f) => match f.count(8, 16, 16) {
            Some(8) => Some(Bits::Eight),
            Some(16) => Some(Bits::Sixteen),
            Some(n) => {
                f.wrong(
                    Kind::OutOfRange,
                    format!("a slot cannot have {n} bits"),
                    "write `bits = 8` or `bits = 16`",
                );
                None
            }
            None => None,
        },
    };
    let (drives, word) = drives?;
    let drives = match drives? {
        "intensity" => Drives::Intensity,
        "kelvin" => {
            let (low, high) = pair(&t, "kelvin", "[2700, 6500]", |f| f.kelvin())?;
            Drives::Kelvin(low, high)
        }
        "tint" => {
            let (low, high) = pair(&t, "duv", "[-0.02, 0.02]", |f| f.duv())?;
            Drives::Tint(low.get(), high.get())
        }
        "hue" => Drives::Hue,
        "saturation" => Drives::Saturation,
        "fixed" => {
            t.get("about").and_then(|f| f.text("strobe: off"));
            let max = u32::from(bits?.max());
            let value = t.need("value", "value = 0").and_then(|f| f.count(0, max, 0))?;
            Drives::Fixed(u16::try_from(value).unwrap_or(u16::MAX))
        }
        "strobe" => {
            let max = u32::from(bits?.max());
            let safe = t.need("safe", "safe = 0").and_then(|f| f.count(0, max, 0))?;
            Drives::Strobe(u16::try_from(safe).unwrap_or(u16::MAX))
        }
        name => {
            let index = emitters?.iter().position(|e| e.name == name);
            if index.is_none() {
                let names = emitters.unwrap_or_default().iter().map(|e| e.name.as_str());
                word.unknown_word(DRIVES.iter().copied().chain(names));
            }
            Drives::Emitter(index?)
        }
    };
    let light = matches!(drives, Drives::Intensity | Drives::Emitter(_));
    let shape = bits.and_then(|bits| curve::curve(&t, bits));
    let measured = curve::measured(&t, &drives);
    t.finish();
    if let Some(key) = curve::LIGHT_KEYS.into_iter().find(|k| !light && t.has(k)) {
        let said = "only a slot that drives light has a curve";
        let help = format!("leave `{key}` out");
        t.report(Problem::at(Kind::Conflict, field.place(), said).label("this slot").help(help));
    }
    Some(Channel { drives, bits: bits?, curve: shape?, measured: measured?, offset })
}

fn pair<T: PartialEq>(
    t: &Table<'_>,
    key: &'static str,
    example: &str,
    read: impl Fn(&Field<'_>) -> Option<T>,
) -> Option<(T, T)> {
    let field = t.need(key, &format!("{key} = {example}"))?;
    let list = field.list(example)?;
    let [low, high] = list.as_slice() else {
        field.wrong_type("a pair: the value at slot 0, then at full", example);
        return None;
    };
    let (low, high) = (read(low), read(high));
    let (low, high) = (low?, high?);
    if low == high {
        field.wrong(
            Kind::OutOfRange,
            format!("`{key}` has the same value twice"),
            format!("write `{key} = {example}`"),
        );
        return None;
    }
    Some((low, high))
}

/// How the channels work together; the error says what is wrong with them.
fn mixing(
    channels: &[Channel],
    emitters: &[Emitter],
    white: Option<Option<Kelvin>>,
) -> Result<Option<Mixing>, String> {
    let find = |what: &str, is: fn(&Drives) -> bool| -> Result<Option<usize>, String> {
        let mut all = channels.iter().enumerate().filter(|(_, c)| is(&c.drives)).map(|(i, _)| i);
        let first = all.next();
        if all.next().is_some() { Err(format!("drives {what} twice")) } else { Ok(first) }
    };
    let intensity = find("intensity", |d| matches!(d, Drives::Intensity))?;
    let kelvin = find("kelvin", |d| matches!(d, Drives::Kelvin(..)))?;
    let tint = find("tint", |d| matches!(d, Drives::Tint(..)))?;
    let hue = find("hue", |d| matches!(d, Drives::Hue))?;
    let saturation = find("saturation", |d| matches!(d, Drives::Saturation))?;
    find("a strobe", |d| matches!(d, Drives::Strobe(_)))?;
    let mut driven: Vec<usize> = channels
        .iter()
        .filter_map(|c| if let Drives::Emitter(i) = c.drives { Some(i) } else { None })
        .collect();
    driven.sort_unstable();
    if white.is_some() && hue.is_none() {
        return Err("has a `kelvin` of its own, which only a mode with hue and saturation has".into());
    }
    let by_emitter = !driven.is_empty();
    let mixing = match (intensity, kelvin, tint, hue, saturation, by_emitter) {
        (intensity, None, None, None, None, true) => {
            if let Some(twice) = driven.windows(2).find(|w| w[0] == w[1]) {
                return Err(format!("drives emitter `{}` twice", emitters[twice[0]].name));
            }
            if let Some(missed) = (0..emitters.len()).find(|i| !driven.contains(i)) {
                return Err(format!("does not drive emitter `{}`", emitters[missed].name));
            }
            Mixing::Emitters { intensity }
        }
        (Some(_), None, None, None, None, false) => Mixing::Dimmer,
        (Some(intensity), Some(kelvin), tint, None, None, false) => Mixing::White { intensity, kelvin, tint },
        (Some(intensity), None, None, Some(hue), Some(saturation), false) => {
            let Some(white) = white.unwrap_or(Some(Kelvin::clamped(defaults::WHITE_BALANCE_K))) else {
                return Ok(None);
            };
            Mixing::HueSaturation { intensity, hue, saturation, white }
        }
        (None, ..) => return Err("drives no intensity".into()),
        _ => return Err("drives things that do not go together".into()),
    };
    Ok(Some(mixing))
}
