//! From looks as written to looks with one target a lamp: `like`, groups, the key, colours.

use std::collections::{BTreeMap, BTreeSet};

use super::fixture::Named;
use super::look::{ColourRaw, Entry, Raw, Raws, Reading};
use super::names;
use super::place::Stage;
use super::{Cx, Move};
use crate::plan::problem::{Kind, Place, Problem};
use crate::plan::{
    ColourTarget, Control, Fixture, FixtureId, Group, Level, Look, Mixing, Mode, Target, Wall,
};
use crate::units::{Duv, Kelvin};

/// Most looks in a chain of `like`.
pub(super) const LONGEST_CHAIN: usize = 32;

/// Most targets of all looks together: a thousand lamps in two hundred looks.
const MOST_TARGETS: usize = 200_000;

/// How much of a look can be seen, parts of it having been reported.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Seen {
    /// All of it.
    Whole,
    /// Its own entries but those reported; it is like no other look.
    Own,
    /// Not what it takes over from another look.
    Partly,
}

/// What looks are resolved against.
#[derive(Debug)]
pub(super) struct Against<'r> {
    /// Fixtures in the plan's order.
    pub fixtures: &'r [Named],
    /// Groups; `None` if they have been reported.
    pub groups: Option<&'r [Group]>,
    /// White of a target that states none.
    pub white_balance: Kelvin,
    /// Subjects and room; `None` if they have been reported.
    pub stage: Option<&'r Stage>,
}

/// What does not change from look to look, found once.
#[derive(Debug)]
struct Index<'r> {
    /// Ids of fixtures and names of their bodies.
    lamps: BTreeSet<&'r str>,
    /// Names of groups.
    groups: BTreeSet<&'r str>,
    /// The groups that each fixture is in, in the plan's order of both.
    groups_of: Vec<Vec<&'r str>>,
}

impl<'r> Index<'r> {
    fn of(against: &Against<'r>) -> Self {
        let names = |n: &'r Named| std::iter::once(n.id.as_str()).chain(n.body.as_deref());
        let groups = against.groups.unwrap_or_default();
        let mut groups_of = vec![Vec::new(); against.fixtures.len()];
        for group in groups {
            for member in &group.members {
                groups_of[member.0].push(group.name.as_str());
            }
        }
        Self {
            lamps: against.fixtures.iter().flat_map(names).collect(),
            groups: groups.iter().map(|g| g.name.as_str()).collect(),
            groups_of,
        }
    }
}

/// Resolves every look, in the order written.
pub(super) fn resolve(cx: &Cx<'_>, raws: &Raws, against: &Against<'_>) -> Option<Vec<Look>> {
    let index = Index::of(against);
    for raw in raws.order.iter().filter_map(|n| raws.by_name.get(n)) {
        names_known(cx, raw, against, &index);
    }
    circles(cx, raws);
    let mut targets = 0;
    let read = |name: &String| {
        // What looks take over by `like` may come to far more than is written.
        if targets > MOST_TARGETS {
            return None;
        }
        let raw = raws.by_name.get(name)?;
        let merged = merged(raws, name, &mut Vec::new());
        // What can be seen to be wrong without the part that is reported already is said too.
        let seen = match (&merged, &raw.like) {
            (Some(_), _) => Seen::Whole,
            (None, None) => Seen::Own,
            (None, Some(_)) => Seen::Partly,
        };
        let raw = merged.as_ref().unwrap_or(raw);
        let look = One { cx, name, raw, seen, against, index: &index }.look().filter(|_| merged.is_some());
        targets += look.as_ref().map_or(0, |look| look.targets.len());
        if targets > MOST_TARGETS {
            let said =
                format!("the looks set lamps more than {MOST_TARGETS} times in all, the most that is read");
            let problem = Problem::at(Kind::OutOfRange, raw.place, said).label("with this one");
            cx.sink.report(problem.help("share the looks among several plans"));
        }
        look
    };
    let all: Vec<_> = raws.order.iter().map(read).collect();
    all.into_iter().collect()
}

fn names_known(cx: &Cx<'_>, raw: &Raw, against: &Against<'_>, index: &Index<'_>) {
    let Some(groups) = against.groups else { return };
    let ids = || against.fixtures.iter().map(|n| n.id.as_str());
    let is_lamp = |name: &str| index.lamps.contains(name);
    for entry in &raw.entries {
        if !is_lamp(&entry.name) && !index.groups.contains(entry.name.as_str()) {
            let known = ids().chain(groups.iter().map(|g| g.name.as_str()));
            names::unknown_at(cx.sink, entry.place, "fixture or group", &entry.name, known);
        }
    }
    if let Some((name, place)) = &raw.key_is
        && !is_lamp(name)
    {
        names::unknown_at(cx.sink, *place, "fixture", name, ids());
    }
}

/// Reports each circle of `like` once, naming all of it, each `like` of no look, and chains that are
/// too long to follow.
fn circles(cx: &Cx<'_>, raws: &Raws) {
    let mut seen: BTreeSet<&str> = BTreeSet::new();
    for start in &raws.order {
        let mut path: Vec<(&str, Place)> = Vec::new();
        let mut name = start.as_str();
        while let Some((next, place)) = raws.by_name.get(name).and_then(|r| r.like.as_ref()) {
            path.push((name, *place));
            if let Some(from) = path.iter().position(|(n, _)| n == next) {
                if !seen.contains(next.as_str()) {
                    circle(cx, &path[from..]);
                }
                break;
            }
            if path.len() > LONGEST_CHAIN {
                let said =
                    format!("look `{start}` is like another, and so on, more than {LONGEST_CHAIN} times");
                let first = path.first().map_or(*place, |p| p.1);
                let help = "start from a look nearer to the end of the chain";
                cx.sink.report(Problem::at(Kind::LikeCircle, first, said).label("starts here").help(help));
                break;
            }
            if !raws.by_name.contains_key(next) && !seen.contains(name) {
                names::unknown_at(cx.sink, *place, "look", next, raws.order.iter().map(String::as_str));
            }
            name = next;
        }
        seen.extend(path.iter().map(|p| p.0));
    }
}

fn circle(cx: &Cx<'_>, circle: &[(&str, Place)]) {
    let Some(((first, place), rest)) = circle.split_first() else { return };
    let way: Vec<_> = circle.iter().map(|c| c.0).chain([*first]).collect();
    let said = format!("looks are like each other in a circle: {}", way.join(" → "));
    let label = |i: usize| format!("`{}` starts from `{}`", way[i], way[i + 1]);
    let mut problem = Problem::at(Kind::LikeCircle, *place, said).label(label(0));
    for (i, (_, place)) in rest.iter().enumerate() {
        problem = problem.also(*place, label(i + 1));
    }
    cx.sink.report(problem.help("take `like` out of one of them and write its targets there"));
}

/// A look with everything that it takes over from others; `None` where that has been reported.
fn merged(raws: &Raws, name: &str, path: &mut Vec<String>) -> Option<Raw> {
    let raw = raws.by_name.get(name)?;
    path.push(name.to_owned());
    let Some((parent, _)) = &raw.like else { return Some(raw.clone()).filter(|r| r.complete) };
    if path.contains(parent) || path.len() > LONGEST_CHAIN {
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
    if let Some(own) = &raw.meter {
        let mut meter = if own.is_empty() { Vec::new() } else { base.meter.unwrap_or_default() };
        meter.retain(|r| own.iter().all(|o| o.target.at != r.target.at));
        meter.extend(own.iter().cloned());
        base.meter = Some(meter);
    }
    let places: BTreeMap<String, usize> =
        base.entries.iter().enumerate().map(|(i, e)| (e.name.clone(), i)).collect();
    for entry in &raw.entries {
        // A text has each key once, so that what is pushed here is met by no other of its entries.
        match places.get(&entry.name) {
            Some(place) => base.entries[*place] = entry_over(entry, Some(&base.entries[*place])),
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
        motion: entry.motion.clone().or_else(|| under.motion.clone()),
        kept: entry.kept || under.kept && entry.colour.is_none() && entry.motion.is_none(),
        ..entry.clone()
    }
}

/// One look being resolved, with all that it takes over.
#[derive(Debug, Clone, Copy)]
struct One<'r, 's> {
    cx: &'r Cx<'s>,
    name: &'r str,
    raw: &'r Raw,
    seen: Seen,
    against: &'r Against<'r>,
    index: &'r Index<'r>,
}

impl One<'_, '_> {
    fn look(&self) -> Option<Look> {
        let Self { cx, name, raw, seen, against, .. } = *self;
        let mut targets = Vec::new();
        let mut complete = raw.complete;
        let entries: BTreeMap<&str, usize> =
            raw.entries.iter().enumerate().map(|(i, e)| (e.name.as_str(), i)).collect();
        for (index, named) in against.fixtures.iter().enumerate() {
            let id = FixtureId(index);
            match self.entry_of(id, named, &entries) {
                Ok(None) => {}
                Ok(Some((entry, own))) => match self.target(id, named, &entry, own) {
                    Some(target) => targets.push((target, entry)),
                    None => complete = false,
                },
                Err(()) => complete = false,
            }
        }
        let key = self.key().filter(|key| targets.iter().any(|(t, _)| t.fixture == *key));
        let key_level = targets.iter().find(|(t, _)| Some(t.fixture) == key).map(|(t, _)| t.level);
        for (target, entry) in &targets {
            let (Level::ToKey(_), Some((_, place))) = (target.level, entry.level) else { continue };
            let lamp = &entry.name;
            let problem = match key_level {
                None if seen != Seen::Whole => continue,
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
                    format!(
                        "`{lamp}` is the key of look `{}`; its level cannot count from itself",
                        entry.look
                    ),
                )
                .help("write its level as `stops`, `lux` or `of-full`"),
                Some(_) => continue,
            };
            cx.sink.report(problem.label("counts from the key"));
            complete = false;
        }
        if seen == Seen::Whole {
            complete &= raw.meter.iter().flatten().all(|r| self.held(r, key));
        }
        complete.then(|| Look {
            name: name.to_owned(),
            about: raw.about.clone(),
            protect: raw.protect.unwrap_or(false),
            key,
            fade: raw.fade,
            targets: targets.into_iter().map(|(t, _)| t).collect(),
            meter: raw.meter.iter().flatten().map(|r| r.target.clone()).collect(),
            balanced: None,
            kept: raw.kept,
        })
    }

    /// Reports a meter point that cannot be held in this look.
    fn held(&self, reading: &Reading, key: Option<FixtureId>) -> bool {
        let Self { cx, name, against, .. } = *self;
        let Some(stage) = against.stage else { return true };
        let (point, at) = (&reading.target.point, reading.target.at);
        let said = |why: &str| format!("`{point}` cannot be read in look `{name}`: {why}");
        let problem = if at.point.on_wall() && stage.wall_m(Wall::Back).is_none() {
            Problem::at(Kind::MissingKey, reading.place, said("`room` does not place the wall behind"))
                .label("on which wall?")
                .help("add `[room]` with `back = \"2 m\"`: its distance from the first subject")
        } else if at.point.needs_key() {
            let Some(key) = key else {
                let problem = Problem::at(Kind::NoKey, reading.place, said("it has no key to turn to"))
                    .label("turned to the key")
                    .help("give `key` a level, or name the look's key, as in `key-is = \"backlight\"`");
                cx.sink.report(problem);
                return false;
            };
            let (Some(fixture), Some(subject)) =
                (&against.fixtures[key.0].fixture, stage.subjects.get(at.subject.0))
            else {
                return true;
            };
            if subject.turns_to(fixture.place.position).is_some() {
                return true;
            }
            let why = format!("its key `{}` stands behind the face", fixture.id);
            Problem::at(Kind::BadPlace, reading.place, said(&why))
                .label("turned to the key")
                .help("meter `face-camera` instead, or name another key by `key-is`")
        } else {
            return true;
        };
        cx.sink.report(problem);
        false
    }

    fn key(&self) -> Option<FixtureId> {
        let Self { raw, against, .. } = *self;
        let name = raw.key_is.as_ref().map_or("key", |k| k.0.as_str());
        against.fixtures.iter().position(|n| n.id == name || n.body.as_deref() == Some(name)).map(FixtureId)
    }

    /// The entry that holds for a lamp, and whether it is the lamp's own; own over group. `entries`: places in the
    /// look's entries, by name.
    fn entry_of(
        &self,
        id: FixtureId,
        named: &Named,
        entries: &BTreeMap<&str, usize>,
    ) -> Result<Option<(Entry, bool)>, ()> {
        let Self { cx, name: look, raw, index, .. } = *self;
        // In the order in which they are written.
        let of = |names: &mut dyn Iterator<Item = &str>| {
            let places: BTreeSet<usize> = names.filter_map(|name| entries.get(name).copied()).collect();
            places.into_iter().map(|place| &raw.entries[place]).collect::<Vec<_>>()
        };
        let own = of(&mut std::iter::once(named.id.as_str()).chain(named.body.as_deref()));
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
        if let Some((Some(motion), _)) = own.and_then(|own| own.motion.as_ref())
            && let Some((_, place)) = motion.spread
        {
            let said = format!("`spread` of `{}` in look `{look}`: it is one lamp", named.id);
            cx.sink.report(
                Problem::at(Kind::Conflict, place, said)
                    .label("spread over what?")
                    .help("write the move with a group, or say where this lamp starts by `phase`"),
            );
            return Err(());
        }
        let groups = of(&mut index.groups_of[id.0].iter().copied());
        let groups: Vec<_> = groups.into_iter().map(|entry| self.of_member(entry, id)).collect();
        match (own, groups.as_slice()) {
            (None, []) => Ok(None),
            (None, [group]) => Ok(Some((group.clone(), false))),
            (Some(own), [group]) => Ok(Some((entry_over(own, Some(group)), true))),
            (Some(own), _) => Ok(Some((own.clone(), true))),
            (None, [first, second, ..]) => {
                let said = format!(
                    "look `{look}` sets `{}` by two groups: `{}` and `{}`",
                    named.id, first.name, second.name
                );
                cx.sink.report(
                    Problem::at(Kind::GroupClash, second.place, said)
                        .label("a second group")
                        .also(first.place, "the first")
                        .help(format!("give `{}` an entry of its own in this look", named.id)),
                );
                Err(())
            }
        }
    }

    /// A group's entry as it holds for one member: a spread motion starts later with each.
    fn of_member(&self, entry: &Entry, id: FixtureId) -> Entry {
        let mut entry = entry.clone();
        let groups = self.against.groups.unwrap_or_default();
        let member = groups.iter().find(|g| g.name == entry.name);
        let place_in_group = member.and_then(|g| g.members.iter().position(|m| *m == id));
        if let (Some((Some(motion), _)), Some(k)) = (&mut entry.motion, place_in_group) {
            *motion = motion.of_member(k);
        }
        entry
    }

    fn target(&self, id: FixtureId, named: &Named, entry: &Entry, own: bool) -> Option<Target> {
        let Self { cx, raw, seen, against, .. } = *self;
        let Some((level, _)) = entry.level else {
            if seen == Seen::Partly {
                return None;
            }
            let said = format!("`{}` in look `{}` has no level", entry.name, entry.look);
            cx.sink.report(
                Problem::at(Kind::Level, entry.place, said)
                    .label("how much light?")
                    .help("add one of `stops = 0`, `to-key = -1`, `lux = 250`, `of-full = \"20 %\"`"),
            );
            return None;
        };
        if let Some(fixture) = named.fixture.as_ref().filter(|_| !raw.kept && !entry.kept) {
            driveable(cx, fixture, entry, own)?;
        }
        let coloured = named.fixture.as_ref().is_none_or(|f| f.mode.has_colour(f.profile.emitters.len()));
        let told = |own| colour(own, raw.colour, against.white_balance);
        let motion = match &entry.motion {
            Some((Some(motion), place)) => {
                cx.moves.borrow_mut().push(Move { look: self.name.to_owned(), fixture: id, place: *place });
                motion.resolved(|c| told(Some(c)), coloured)
            }
            _ => None,
        };
        Some(Target { fixture: id, level, colour: told(entry.colour.map(|c| c.0)), motion })
    }
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
    if fixture.control == Control::Hand
        && let Some((Some(_), place)) = &entry.motion
    {
        let said = format!("look `{}` moves `{}`, which is set by hand", entry.look, fixture.id);
        let problem = Problem::at(Kind::Undriveable, *place, said).label("nothing drives this");
        let help = format!("take the move away, or give `{}` an address", fixture.id);
        cx.sink.report(problem.help(help));
        return None;
    }
    let emitters = fixture.profile.emitters.len();
    let colours = |mode: &Mode| mode.has_colour(emitters);
    let hues = |mode: &Mode| match mode.mixing {
        Mixing::HueSaturation { .. } => true,
        Mixing::Emitters { .. } => emitters > 2,
        Mixing::Dimmer | Mixing::White { .. } => false,
    };
    let able = |hue: bool| if hue { hues(&fixture.mode) } else { colours(&fixture.mode) };
    let motion = entry.motion.as_ref().and_then(|(motion, place)| Some((motion.as_ref()?.needs()?, *place)));
    let (needs_hue, what, place) = match (entry.colour, motion) {
        (Some((ColourRaw::Hue(..), place)), _) if !hues(&fixture.mode) => (true, "a hue", place),
        (_, Some(((hue, what), place))) if !able(hue) => (hue, what, place),
        (Some((ColourRaw::Xy(_), place)), _) if !colours(&fixture.mode) => (false, "a chromaticity", place),
        (Some((ColourRaw::White(..), place)), _) if own && !colours(&fixture.mode) => {
            (false, "a colour temperature", place)
        }
        (Some((ColourRaw::Tint(_), place)), _) if own && !colours(&fixture.mode) => (false, "a tint", place),
        _ => return Some(()),
    };
    let mode = &fixture.mode.name;
    let said = format!(
        "look `{}` asks `{}` for {what}; its mode `{mode}` drives {}",
        entry.look,
        fixture.id,
        fixture.mode.drives(&fixture.profile.emitters)
    );
    let able = fixture.profile.modes.iter().find(|m| if needs_hue { hues(m) } else { colours(m) });
    let help = match able {
        Some(able) => format!("mode `{}` of profile `{}` drives it", able.name, fixture.profile.name),
        None => format!("no mode of profile `{}` drives it: take it out of the target", fixture.profile.name),
    };
    let label = format!("`{mode}` cannot drive this");
    cx.sink.report(Problem::at(Kind::Undriveable, place, said).label(label).help(help));
    None
}

/// Ids of looks by name, for the order and the rest look.
pub(super) fn ids(raws: &Raws) -> BTreeMap<&str, usize> {
    raws.order.iter().enumerate().map(|(i, n)| (n.as_str(), i)).collect()
}
