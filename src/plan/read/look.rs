//! Looks as written: fields still optional, every one with its place. `target` resolves them.

use std::collections::BTreeMap;
use std::time::Duration;

use super::Cx;
use super::motion::{self, motion};
use super::names;
use super::profile;
use crate::plan::amounts::ANGLE;
use crate::plan::problem::{Kind, Place, Problem};
use crate::plan::tree::{Field, Table};
use crate::plan::{Level, MeterAt, MeterPoint, MeterTarget, SubjectId};
use crate::units::{Duv, Kelvin, Share, Xy};

/// Keys of a look that are no lamps.
pub(in crate::plan) const KEYS: &[&str] =
    &["about", "protect", "like", "key-is", "fade", "kelvin", "duv", "xy", "hue", "saturation", "meter"];
/// Keys that only a lamp's entry has.
const LAMP_KEYS: &[&str] = &["stops", "to-key", "lux", "of-full", "move"];
/// Most entries of a look: one for each lamp and group that a plan may have.
const MOST_ENTRIES: usize = 1500;
/// Longest fade, in seconds.
pub(super) const LONGEST_FADE_S: f64 = 3600.0;

/// A colour as written, in the look or in one lamp's entry.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum ColourRaw {
    /// `kelvin`, with `duv` where stated.
    White(Kelvin, Option<Duv>),
    /// `duv` alone: the tint of whatever white holds otherwise.
    Tint(Duv),
    /// `xy`.
    Xy(Xy),
    /// `hue` in degrees and `saturation`, about `kelvin` where stated.
    Hue(f64, Share, Option<Kelvin>),
}

/// One lamp's or group's entry in a look.
#[derive(Debug, Clone)]
pub(super) struct Entry {
    /// Name as written.
    pub name: String,
    /// The look that it is written in.
    pub look: String,
    /// True if it, or what it takes over of colour, was kept on set: it is then never refused for a colour,
    /// in a look that is like the kept one neither.
    pub kept: bool,
    /// Place of the name.
    pub place: Place,
    /// Its level with the place of that.
    pub level: Option<(Level, Place)>,
    /// Its colour with a place in that.
    pub colour: Option<(ColourRaw, Place)>,
    /// Its motion, `Some(None)` for an explicit none.
    pub motion: Option<(Option<motion::Raw>, Place)>,
}

/// What a meter should read, as written.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Reading {
    /// The target.
    pub target: MeterTarget,
    /// Place of the point's name.
    pub place: Place,
}

/// A look as written.
#[derive(Debug, Clone)]
pub(super) struct Raw {
    /// Place of its name.
    pub place: Place,
    /// True if it was kept on set.
    pub kept: bool,
    /// False if something of it has been reported.
    pub complete: bool,
    /// One line about it.
    pub about: Option<String>,
    /// Whether it hides who is speaking.
    pub protect: Option<bool>,
    /// The look it starts from.
    pub like: Option<(String, Place)>,
    /// The fixture that is its key.
    pub key_is: Option<(String, Place)>,
    /// Its own fade.
    pub fade: Option<Duration>,
    /// Its colour.
    pub colour: Option<ColourRaw>,
    /// Meter points in the order written; `Some` of none where the look says that it has none.
    pub meter: Option<Vec<Reading>>,
    /// Entries in the order written.
    pub entries: Vec<Entry>,
}

/// Looks by name, with the names in the order written.
#[derive(Debug, Default)]
pub(super) struct Raws {
    /// By name.
    pub by_name: BTreeMap<String, Raw>,
    /// In the order written; kept ones that replace none come last.
    pub order: Vec<String>,
}

impl Raws {
    /// The fade of a look: its own, or that of the look it is like.
    pub fn fade_of(&self, name: &str) -> Option<Duration> {
        let mut raw = self.by_name.get(name)?;
        // Circles and longer chains are reported elsewhere.
        for _ in 0..super::target::LONGEST_CHAIN {
            if raw.fade.is_some() {
                return raw.fade;
            }
            raw = self.by_name.get(&raw.like.as_ref()?.0)?;
        }
        None
    }
}

/// Reads every `[look.NAME]` of a text; a kept look replaces one of the same name.
pub(super) fn looks(cx: &Cx<'_>, text: &Table<'_>, kept: bool, subjects: &[String], raws: &mut Raws) {
    for (name, t) in text.named("look", "look") {
        names::check(cx, name, t.place(), "look", names::NOT_LOOKS);
        let raw = look(&t, kept, subjects, name);
        if raws.by_name.insert(name.to_owned(), raw).is_none() {
            raws.order.push(name.to_owned());
        }
    }
}

fn look(t: &Table<'_>, kept: bool, subjects: &[String], name: &str) -> Raw {
    let mut complete = true;
    let mut missed = |present: bool, read: bool| complete &= !present || read;
    let about = t.get("about").and_then(|f| f.text("the key at 7:30")).map(str::to_owned);
    let protect = t.get("protect").and_then(|f| f.truth());
    let named = |key| t.get(key).and_then(|f| Some((f.text("key")?.to_owned(), f.place())));
    let (like, key_is) = (named("like"), named("key-is"));
    let fade = t.get("fade").and_then(|f| f.duration(0.0, LONGEST_FADE_S));
    let colour = colour(t);
    missed(["kelvin", "duv", "xy", "hue", "saturation"].iter().any(|k| t.has(k)), colour.is_some());
    missed(t.has("like"), like.is_some());
    missed(t.has("key-is"), key_is.is_some());
    let meter = meter(t, subjects);
    let mut entries = Vec::new();
    let written = t.others(KEYS);
    if let Some(over) = written.get(MOST_ENTRIES) {
        let said = format!("{} has {} entries; at most {MOST_ENTRIES} are read", t.owner(), written.len());
        let problem = Problem::at(Kind::OutOfRange, over.key_place(), said).label("one too many");
        t.report(problem.help("set lamps by groups: `[group.wall]` with its `members`"));
    }
    for field in written.into_iter().take(MOST_ENTRIES) {
        match entry(&field, name, kept) {
            Some(entry) => entries.push(entry),
            None => complete = false,
        }
    }
    Raw {
        place: t.place(),
        kept,
        complete,
        about,
        protect,
        like,
        key_is,
        fade,
        colour: colour.map(|c| c.0),
        meter,
        entries,
    }
}

/// Meter points; `None` where the look says nothing of them or something of it has been reported.
fn meter(t: &Table<'_>, subjects: &[String]) -> Option<Vec<Reading>> {
    let field = t.get("meter")?;
    if field.as_text().is_some() {
        return field.word(&[("none", ())]).map(|()| Vec::new());
    }
    let table = field.table("`meter`")?;
    Some(table.entries().iter().filter_map(|field| reading(field, subjects)).collect())
}

fn reading(field: &Field<'_>, subjects: &[String]) -> Option<Reading> {
    let (word, subject) = field.key().split_once('@').map_or((field.key(), None), |(p, s)| (p, Some(s)));
    let point = MeterPoint::ALL.into_iter().find(|p| p.word() == word);
    if point.is_none() {
        field.unknown_key(MeterPoint::ALL.iter().map(|p| p.word()));
    }
    let subject = match subject {
        None => Some(0),
        Some(name) => {
            let found = subjects.iter().position(|known| known == name);
            if found.is_none() && point.is_some() {
                let known = subjects.iter().map(String::as_str);
                names::unknown_at(field.sink(), field.key_place(), "subject", name, known);
            }
            found
        }
    };
    let (stops, kelvin, duv) = if field.as_table("").is_some() {
        let t = field.table(&format!("`{}` of `meter`", field.key()))?;
        let stops = t.need("stops", "stops = 0").and_then(|f| f.stops());
        let (kelvin, duv) = (t.get("kelvin").map(|f| f.kelvin()), t.get("duv").map(|f| f.duv()));
        t.finish();
        (stops, kelvin, duv)
    } else {
        (field.stops(), None, None)
    };
    let kelvin = kelvin.map_or(Some(None), |k| k.map(Some))?;
    let duv = duv.map_or(Some(None), |d| d.map(Some))?;
    let at = MeterAt { point: point?, subject: SubjectId(subject?) };
    let target = MeterTarget { point: field.key().to_owned(), at, stops: stops?, kelvin, duv };
    Some(Reading { target, place: field.key_place() })
}

fn entry(field: &Field<'_>, look: &str, kept: bool) -> Option<Entry> {
    let owner = format!("`{}` in look `{look}`", field.key());
    if field.as_table(&owner).is_none() || field.key() == "move" {
        let key = field.key();
        if LAMP_KEYS.contains(&key) {
            let said = format!("look `{look}` has `{key}` by itself; it belongs to a lamp");
            let problem = Problem::at(Kind::UnknownKey, field.key_place(), said).label("of which lamp?");
            field.report(problem.help(format!("write it with the lamp, like `key = {{ {key} = … }}`")));
            return None;
        }
        // A bare key of a look misspelt is likelier than a lamp set to a plain value.
        if let Some(near) = field.sink().nearest(field.key(), KEYS.iter().copied()) {
            let said = format!("look `{look}` has an unknown key `{}`", crate::words::short(field.key()));
            let problem = Problem::at(Kind::UnknownKey, field.key_place(), said).label("not known here");
            field.report(problem.help(format!("did you mean `{near}`?")));
            return None;
        }
        field.wrong_type("a table", "{ stops = 0 }");
        return None;
    }
    let t = field.table(&owner)?;
    let before = (level(&t), colour(&t), motion(&t));
    let clean = t.finish();
    let (level, colour, motion) = before;
    let any = |keys: &[&str]| keys.iter().any(|k| t.has(k));
    let whole = clean
        && (level.is_some() || !any(&["stops", "to-key", "lux", "of-full"]))
        && (colour.is_some() || !any(&["kelvin", "duv", "xy", "hue", "saturation"]))
        && (motion.is_some() || !t.has("move"));
    let place = field.key_place();
    whole.then(|| Entry {
        name: field.key().to_owned(),
        look: look.to_owned(),
        kept,
        place,
        level,
        colour,
        motion,
    })
}

fn level(t: &Table<'_>) -> Option<(Level, Place)> {
    let fields: Vec<_> = ["stops", "to-key", "lux", "of-full"].into_iter().filter_map(|k| t.get(k)).collect();
    if let [first, second, ..] = fields.as_slice() {
        let said = format!("{} has two levels: `{}` and `{}`", t.owner(), first.key(), second.key());
        t.report(
            Problem::at(Kind::Level, second.key_place(), said)
                .label("a second level")
                .also(first.key_place(), "the first")
                .help("keep one of them"),
        );
        return None;
    }
    let field = fields.first()?;
    let level = match field.key() {
        "stops" => Level::Stops(field.stops()?),
        "to-key" => Level::ToKey(field.stops()?),
        "lux" => Level::Lux(field.lux()?),
        _ => Level::OfFull(field.share()?),
    };
    Some((level, field.key_place()))
}

/// A colour with a place in it; `None` without one, and where it has been reported.
pub(super) fn colour(t: &Table<'_>) -> Option<(ColourRaw, Place)> {
    let kelvin = t.get("kelvin");
    let duv = t.get("duv");
    let xy = t.get("xy");
    let hue = t.get("hue");
    let saturation = t.get("saturation");
    let clash = |a: &Field<'_>, b: &Field<'_>| {
        let said = format!("{} has two colours: `{}` and `{}`", t.owner(), a.key(), b.key());
        t.report(
            Problem::at(Kind::Conflict, b.key_place(), said)
                .label("a second colour")
                .also(a.key_place(), "the first")
                .help("keep `kelvin` with or without `duv`, or `xy`, or `hue` with `saturation`"),
        );
        None
    };
    let place =
        [&kelvin, &duv, &xy, &hue, &saturation].into_iter().flatten().map(|f| f.key_place()).next()?;
    let colour = match (&kelvin, &duv, &xy, &hue, &saturation) {
        (None, None, Some(xy), None, None) => ColourRaw::Xy(profile::xy(xy)?),
        (Some(other), _, Some(xy), ..)
        | (_, Some(other), Some(xy), ..)
        | (_, _, Some(xy), Some(other), _)
        | (_, _, Some(xy), _, Some(other)) => return clash(other, xy),
        (_, Some(duv), None, Some(hue), _) => return clash(duv, hue),
        (_, Some(duv), None, _, Some(saturation)) => return clash(duv, saturation),
        (kelvin, None, None, Some(hue), Some(saturation)) => {
            let white = kelvin.as_ref().map(|f| f.kelvin());
            let hue = hue.amount(&ANGLE, 0.0, 360.0);
            let saturation = saturation.share();
            let white = match white {
                Some(white) => Some(white?),
                None => None,
            };
            ColourRaw::Hue(hue?, saturation?, white)
        }
        (_, _, _, Some(one), None) | (_, _, _, None, Some(one)) => {
            let other = if one.key() == "hue" { "saturation" } else { "hue" };
            let example = if other == "hue" { "hue = \"210 deg\"" } else { "saturation = \"40 %\"" };
            let said = format!("{} has `{}` but no `{other}`", t.owner(), one.key());
            t.report(
                Problem::at(Kind::MissingKey, one.key_place(), said)
                    .label(format!("`{other}` goes with it"))
                    .help(format!("add `{example}`")),
            );
            return None;
        }
        (Some(kelvin), duv, None, None, None) => {
            let (kelvin, duv) = (kelvin.kelvin(), duv.as_ref().map(|f| f.duv()));
            let duv = match duv {
                Some(duv) => Some(duv?),
                None => None,
            };
            ColourRaw::White(kelvin?, duv)
        }
        (None, Some(duv), None, None, None) => ColourRaw::Tint(duv.duv()?),
        (None, None, None, None, None) => return None,
    };
    Some((colour, place))
}
