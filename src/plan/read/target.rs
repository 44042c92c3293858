//! From looks as written to looks with one target a lamp: `like`, groups, the key, colours.

use std::collections::BTreeMap;

use super::Cx;
use super::fixture::Named;
use super::look::{ColourRaw, Entry, Raw, Raws};
use super::names;
use crate::plan::problem::{Kind, Place, Problem};
use crate::plan::{
    ColourTarget, Fixture, FixtureId, Group, Level, Look, MeterTarget, Mixing, Motion, Target,
};
use crate::units::{Duv, Kelvin};

/// What looks are resolved against.
#[derive(Debug)]
pub(super) struct Against<'r> {
    /// Fixtures in the plan's order.
    pub fixtures: &'r [Named],
    /// Groups; `None` if they have been reported.
    pub groups: Option<&'r [Group]>,
    /// White of a target that states none.
    pub white_balance: Kelvin,
}

/// Resolves every look, in the order written.
pub(super) fn resolve(cx: &Cx<'_>, raws: &Raws, against: &Against<'_>) -> Option<Vec<Look>> {
    for raw in raws.order.iter().filter_map(|n| raws.by_name.get(n)) {
        names_known(cx, raw, against);
    }
    circles(cx, raws);
    let read = |name: &String| {
        let raw = raws.by_name.get(name)?;
        let merged = merged(raws, name, &mut Vec::new());
        look(cx, name, merged.as_ref().unwrap_or(raw), against).filter(|_| merged.is_some())
    };
    let all: Vec<_> = raws.order.iter().map(read).collect();
    all.into_iter().collect()
}

fn names_known(cx: &Cx<'_>, raw: &Raw, against: &Against<'_>) {
    let Some(groups) = against.groups else { return };
    let ids = || against.fixtures.iter().map(|n| n.id.as_str());
    let is_lamp =
        |name: &str| against.fixtures.iter().any(|n| n.id == name || n.body.as_deref() == Some(name));
    for entry in &raw.entries {
        if !is_lamp(&entry.name) && !groups.iter().any(|g| g.name == entry.name) {
            let known = ids().chain(groups.iter().map(|g| g.name.as_str()));
            cx.sink.report(names::unknown_at(entry.place, "fixture or group", &entry.name, known));
        }
    }
    if let Some((name, place)) = &raw.key_is
        && !is_lamp(name)
    {
        cx.sink.report(names::unknown_at(*place, "fixture", name, ids()));
    }
}

/// Reports each circle of `like` once, naming all of it, and each `like` of no look.
fn circles(cx: &Cx<'_>, raws: &Raws) {
    let mut seen: Vec<&str> = Vec::new();
    for start in &raws.order {
        let mut path: Vec<(&str, Place)> = Vec::new();
        let mut name = start.as_str();
        while let Some((next, place)) = raws.by_name.get(name).and_then(|r| r.like.as_ref()) {
            if seen.contains(&name) {
                break;
            }
            seen.push(name);
            path.push((name, *place));
            if !raws.by_name.contains_key(next) {
                let known = raws.order.iter().map(String::as_str);
                cx.sink.report(names::unknown_at(*place, "look", next, known));
            }
            name = next;
            if let Some(from) = path.iter().position(|(n, _)| n == next) {
                let circle = &path[from..];
                let way: Vec<_> = circle.iter().map(|c| c.0).chain([name]).collect();
                let said = format!("looks are like each other in a circle: {}", way.join(" → "));
                let mut places = circle.iter().map(|c| c.1);
                let Some(first) = places.next() else { break };
                let problem = Problem::at(Kind::LikeCircle, first, said).label("starts from this one");
                let problem = places.fold(problem, |p, place| p.also(place, "and this from that"));
                cx.sink.report(problem.help("take `like` out of one of them and write its targets there"));
                break;
            }
        }
    }
}

/// A look with everything that it takes over from others; `None` where that has been reported.
fn merged(raws: &Raws, name: &str, path: &mut Vec<String>) -> Option<Raw> {
    let raw = raws.by_name.get(name)?;
    path.push(name.to_owned());
    let Some((parent, _)) = &raw.like else { return Some(raw.clone()).filter(|r| r.complete) };
    if path.contains(parent) {
        return None;
    }
    let mut base = merged(raws, parent, path)?;
    base.place = raw.place;
    base.kept = raw.kept;
    base.about = raw.about.clone();
    base.protect = raw.protect.or(base.protect);
    base.key_is = raw.key_is.clone().or(base.key_is);
    base.fade = raw.fade.or(base.fade);
    base.colour = raw.colour.map(|c| over(c, base.colour)).or(base.colour);
    for (point, stops) in &raw.meter {
        base.meter.retain(|(p, _)| p != point);
        base.meter.push((point.clone(), *stops));
    }
    for entry in &raw.entries {
        match base.entries.iter_mut().find(|e| e.name == entry.name) {
            Some(old) => *old = entry_over(entry, Some(old)),
            None => base.entries.push(entry.clone()),
        }
    }
    Some(base).filter(|_| raw.complete)
}

/// One colour laid over another: a tint alone keeps the white under it.
fn over(colour: ColourRaw, under: Option<ColourRaw>) -> ColourRaw {
    match (colour, under) {
        (ColourRaw::Tint(duv), Some(ColourRaw::White(kelvin, _))) => ColourRaw::White(kelvin, Some(duv)),
        _ => colour,
    }
}

/// One entry laid over another, field by field.
fn entry_over(entry: &Entry, under: Option<&Entry>) -> Entry {
    let Some(under) = under else { return entry.clone() };
    Entry {
        level: entry.level.or(under.level),
        colour: entry.colour.map(|(c, p)| (over(c, under.colour.map(|u| u.0)), p)).or(under.colour),
        motion: entry.motion.or(under.motion),
        ..entry.clone()
    }
}

fn look(cx: &Cx<'_>, name: &str, raw: &Raw, against: &Against<'_>) -> Option<Look> {
    let mut targets = Vec::new();
    let mut complete = raw.complete;
    for (index, named) in against.fixtures.iter().enumerate() {
        let id = FixtureId(index);
        match entry_of(cx, name, raw, id, named, against) {
            Ok(None) => {}
            Ok(Some((entry, own))) => match target(cx, id, named, raw, &entry, own, against) {
                Some(target) => targets.push((target, entry)),
                None => complete = false,
            },
            Err(()) => complete = false,
        }
    }
    let key = key(raw, against).filter(|key| targets.iter().any(|(t, _)| t.fixture == *key));
    let key_level = targets.iter().find(|(t, _)| Some(t.fixture) == key).map(|(t, _)| t.level);
    for (target, entry) in &targets {
        let (Level::ToKey(_), Some((_, place))) = (target.level, entry.level) else { continue };
        let lamp = &entry.name;
        let problem = match key_level {
            None => Problem::at(
                Kind::NoKey,
                place,
                format!(
                    "`{lamp}` in look `{}` counts from the key, but the look gives no key a level",
                    entry.look
                ),
            )
            .help("give `key` a level, or name the look's key, as in `key-is = \"backlight\"`"),
            Some(Level::ToKey(_)) if Some(target.fixture) == key => Problem::at(
                Kind::NoKey,
                place,
                format!("`{lamp}` is the key of look `{}`; its level cannot count from itself", entry.look),
            )
            .help("write its level as `stops`, `lux` or `of-full`"),
            Some(_) => continue,
        };
        cx.sink.report(problem.label("counts from the key"));
        complete = false;
    }
    complete.then(|| Look {
        name: name.to_owned(),
        about: raw.about.clone(),
        protect: raw.protect.unwrap_or(false),
        key,
        fade: raw.fade,
        targets: targets.into_iter().map(|(t, _)| t).collect(),
        meter: raw
            .meter
            .iter()
            .map(|(point, stops)| MeterTarget { point: point.clone(), stops: *stops })
            .collect(),
        kept: raw.kept,
    })
}

fn key(raw: &Raw, against: &Against<'_>) -> Option<FixtureId> {
    let name = raw.key_is.as_ref().map_or("key", |k| k.0.as_str());
    against.fixtures.iter().position(|n| n.id == name || n.body.as_deref() == Some(name)).map(FixtureId)
}

/// The entry that holds for a lamp, and whether it is the lamp's own; own over group.
fn entry_of(
    cx: &Cx<'_>,
    look: &str,
    raw: &Raw,
    id: FixtureId,
    named: &Named,
    against: &Against<'_>,
) -> Result<Option<(Entry, bool)>, ()> {
    let own: Vec<_> =
        raw.entries.iter().filter(|e| e.name == named.id || Some(&e.name) == named.body.as_ref()).collect();
    if let [first, second] = own.as_slice() {
        let said = format!("look `{look}` names `{}` twice: by its id and by its body", named.id);
        cx.sink.report(
            Problem::at(Kind::Twice, second.place, said)
                .label("here")
                .also(first.place, "and here")
                .help(format!("keep `{}`: it survives a change of body", named.id)),
        );
        return Err(());
    }
    let own = own.first().copied();
    let in_group = |e: &&Entry| {
        against.groups.unwrap_or_default().iter().any(|g| g.name == e.name && g.members.contains(&id))
    };
    let groups: Vec<_> = raw.entries.iter().filter(in_group).collect();
    match (own, groups.as_slice()) {
        (None, []) => Ok(None),
        (None, [group]) => Ok(Some(((*group).clone(), false))),
        (Some(own), [group]) => Ok(Some((entry_over(own, Some(group)), true))),
        (Some(own), _) => Ok(Some((own.clone(), true))),
        (None, [first, second, ..]) => {
            let said = format!(
                "look `{look}` sets `{}` by two groups: `{}` and `{}`",
                named.id, first.name, second.name
            );
            cx.sink.report(
                Problem::at(Kind::GroupClash, second.place, said)
                    .label("one group")
                    .also(first.place, "another one")
                    .help(format!("give `{}` an entry of its own in this look", named.id)),
            );
            Err(())
        }
    }
}

fn target(
    cx: &Cx<'_>,
    id: FixtureId,
    named: &Named,
    raw: &Raw,
    entry: &Entry,
    own: bool,
    against: &Against<'_>,
) -> Option<Target> {
    let Some((level, _)) = entry.level else {
        let said = format!("`{}` in look `{}` has no level", entry.name, entry.look);
        cx.sink.report(
            Problem::at(Kind::Level, entry.place, said)
                .label("how much light?")
                .help("add one of `stops = 0`, `to-key = -1`, `lux = 250`, `of-full = \"20 %\"`"),
        );
        return None;
    };
    if let Some(fixture) = named.fixture.as_ref().filter(|_| !raw.kept) {
        driveable(cx, fixture, entry, own)?;
    }
    Some(Target {
        fixture: id,
        level,
        colour: colour(entry.colour.map(|c| c.0), raw.colour, against.white_balance),
        motion: entry.motion.and_then(|m| m.0),
    })
}

/// The colour of a target: its own over the look's over the camera's white balance.
fn colour(own: Option<ColourRaw>, look: Option<ColourRaw>, white_balance: Kelvin) -> ColourTarget {
    let white = match look {
        Some(ColourRaw::White(kelvin, _) | ColourRaw::Hue(_, _, Some(kelvin))) => kelvin,
        _ => white_balance,
    };
    match own.map(|own| over(own, look)).or(look) {
        None => ColourTarget::White(white, Duv::ZERO),
        Some(ColourRaw::White(kelvin, duv)) => ColourTarget::White(kelvin, duv.unwrap_or(Duv::ZERO)),
        Some(ColourRaw::Tint(duv)) => ColourTarget::White(white, duv),
        Some(ColourRaw::Xy(xy)) => ColourTarget::Xy(xy),
        Some(ColourRaw::Hue(hue_deg, saturation, own)) => {
            ColourTarget::HueSaturation { hue_deg, saturation, white: own.unwrap_or(white) }
        }
    }
}

/// Reports a colour or motion asked of this very lamp that its mode cannot drive.
///
/// A colour of the whole look, or a white of a group, is no demand on each lamp: what a lamp misses
/// of it is worked out later.
fn driveable(cx: &Cx<'_>, fixture: &Fixture, entry: &Entry, own: bool) -> Option<()> {
    let emitters = fixture.profile.emitters.len();
    let any_colour = fixture.mode.has_colour(emitters);
    let hues = match fixture.mode.mixing {
        Mixing::HueSaturation { .. } => true,
        Mixing::Emitters { .. } => emitters > 2,
        Mixing::Dimmer | Mixing::White { .. } => false,
    };
    let (what, place) = match (entry.colour, entry.motion) {
        (Some((ColourRaw::Hue(..), place)), _) if !hues => ("a hue", place),
        (Some((ColourRaw::Xy(_), place)), _) if !any_colour => ("a chromaticity", place),
        (Some((ColourRaw::White(..), place)), _) if own && !any_colour => ("a colour temperature", place),
        (Some((ColourRaw::Tint(_), place)), _) if own && !any_colour => ("a tint", place),
        (_, Some((Some(Motion::HueCircle { .. }), place))) if !hues => ("a turn of hue", place),
        _ => return Some(()),
    };
    let said = format!(
        "look `{}` asks `{}` for {what}; its mode `{}` drives {}",
        entry.look,
        fixture.id,
        fixture.mode.name,
        drives(fixture)
    );
    let help = format!("take it out of the target, or give `{}` a lamp and mode that drive it", fixture.id);
    cx.sink.report(
        Problem::at(Kind::Undriveable, place, said).label("no mode of its own drives this").help(help),
    );
    None
}

/// What a fixture's mode drives, for people.
fn drives(fixture: &Fixture) -> String {
    match fixture.mode.mixing {
        Mixing::Dimmer => "intensity alone".into(),
        Mixing::White { tint: None, .. } => "intensity and colour temperature".into(),
        Mixing::White { tint: Some(_), .. } => "intensity, colour temperature and tint".into(),
        Mixing::HueSaturation { .. } => "intensity, hue and saturation".into(),
        Mixing::Emitters { .. } => {
            let names: Vec<_> = fixture.profile.emitters.iter().map(|e| e.name.as_str()).collect();
            format!("the emitters {}", names.join(", "))
        }
    }
}

/// Ids of looks by name, for the order and the rest look.
pub(super) fn ids(raws: &Raws) -> BTreeMap<&str, usize> {
    raws.order.iter().enumerate().map(|(i, n)| (n.as_str(), i)).collect()
}
