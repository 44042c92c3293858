//! The pure part of reading a plan: texts in, a checked [`Plan`] or all its problems out.
//!
//! Syntax of every text first; then each part is read and checked against the parts before it. A
//! part that has been reported is `None`, and what depends on it stays silent, so that one slip
//! gives one message.

mod address;
mod aim;
mod calibration;
mod curve;
pub(super) mod e131;
mod emitters;
mod eyes;
mod fixture;
mod heat;
pub(super) mod kit;
pub(super) mod look;
mod modifier;
mod motion;
mod mqtt;
pub(super) mod names;
mod order;
mod patch;
mod place;
mod port;
pub(super) mod profile;
mod settings;
mod spectrum;
mod strobe;
mod syntax;
mod target;
mod things;

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::sync::Arc;

use toml::Spanned;
use toml::de::DeTable;

use self::kit::Profiles;
use self::names::Taken;
use self::place::Stage;
use super::amounts::{CELSIUS, ROOM_C};
use super::beams::BeamFile;
use super::defaults;
use super::problem::{Kind, Place, Problem, Report};
use super::sources::{ColourScience, Sources, SpectrumFile, Text};
use super::tree::{Sink, Table};
use super::{Fixture, FixtureId, LookId, OnStop, Plan, Profile, Spill};
use crate::units::{Celsius, Kelvin};
use crate::words::short;

/// What every reader needs.
#[derive(Debug)]
struct Cx<'s> {
    sink: &'s Sink,
    colour: ColourScience,
    beams: &'s [BeamFile],
    /// All texts, the spectra last.
    texts: &'s [Text],
    spectra: &'s [SpectrumFile],
    /// Where each lamp's motion stands, as far as looks have been resolved.
    moves: RefCell<Vec<Move>>,
}

/// Where a lamp's motion in a look was written: for what can be said of it only with its light known.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Move {
    /// The look's name.
    pub look: String,
    /// The lamp.
    pub fixture: FixtureId,
    /// The key.
    pub place: Place,
}

/// Reads a plan from its texts.
///
/// Errors: every problem found, with its places; syntax errors of any text hide the rest.
pub fn read(sources: &Sources) -> Result<Plan, Report> {
    read_with_moves(sources).map(|(plan, _)| plan)
}

/// The same, with the place of each motion.
pub(super) fn read_with_moves(sources: &Sources) -> Result<(Plan, Vec<Move>), Report> {
    let texts = sources.texts();
    let sink = Sink::default();
    let tables = &texts[..texts.len() - sources.spectra.len()];
    let trees: Vec<_> = tables.iter().enumerate().map(|(i, t)| syntax::parse(&sink, i, t)).collect();
    let cx = Cx {
        sink: &sink,
        colour: sources.colour,
        beams: &sources.beams,
        texts: &texts,
        spectra: &sources.spectra,
        moves: RefCell::default(),
    };
    if sink.count() == 0
        && let Some(plan) = build(sources, &trees, &cx)
        && sink.count() == 0
    {
        return Ok((plan, cx.moves.into_inner()));
    }
    Err(Report::new(texts, sink.take()))
}

/// Reads the profiles of some texts, by name, without any plan.
///
/// Errors: every problem found in them.
pub(super) fn read_profiles(
    tables: &[Text],
    spectra: &[SpectrumFile],
    colour: ColourScience,
) -> Result<Vec<Profile>, Report> {
    let sink = Sink::default();
    let texts: Vec<Text> = tables.iter().cloned().chain(spectra.iter().map(|s| s.text.clone())).collect();
    let trees: Vec<_> = tables.iter().enumerate().map(|(i, t)| syntax::parse(&sink, i, t)).collect();
    let cx = Cx { sink: &sink, colour, beams: &[], texts: &texts, spectra, moves: RefCell::default() };
    let root = |(i, tree): (usize, &'_ Spanned<DeTable<'_>>)| {
        profiles_in(&cx, &Table::root(&sink, i, tree.get_ref(), "the file"))
    };
    let all: Vec<_> = trees.iter().enumerate().flat_map(root).collect();
    if sink.count() > 0 {
        return Err(Report::new(texts, sink.take()));
    }
    Ok(all.into_iter().filter_map(|(_, profile)| profile).collect())
}

fn profiles_in(cx: &Cx<'_>, text: &Table<'_>) -> Vec<(String, Option<Profile>)> {
    let named = text.named("profile", "profile");
    let read = |(name, t): (&str, Table<'_>)| {
        names::check(cx, name, t.place(), "profile", &[]);
        (name.to_owned(), profile::profile(cx, name, &t))
    };
    named.into_iter().map(read).collect()
}

fn build(sources: &Sources, trees: &[Spanned<DeTable<'_>>], cx: &Cx<'_>) -> Option<Plan> {
    let sink = cx.sink;
    let mut roots = trees.iter().enumerate().map(|(i, tree)| {
        let owner = if i == 0 { "the plan" } else { "the file" };
        Table::root(sink, i, tree.get_ref(), owner)
    });
    let plan = roots.next()?;
    let kit = sources.kit.as_ref().and_then(|_| roots.next());
    let kept: Vec<_> = roots.by_ref().take(sources.looks.len()).collect();
    let shipped: Vec<_> = roots.by_ref().take(sources.profiles.len()).collect();
    let calibrations: Vec<_> = roots.collect();
    let mut notes = Vec::new();

    let name = set_name(cx, &plan, sources);
    for key in ["kit", "profiles"] {
        plan.get(key).and_then(|f| f.text("kit.toml"));
    }
    let fade = plan.get("fade").map_or(Some(defaults::FADE), |f| f.duration(0.0, look::LONGEST_FADE_S));
    let frames = settings::frame_rate(&plan);
    let rest_for = plan.get("rest-for").map_or(Some(defaults::REST_FOR), |f| f.duration(10.0, 86_400.0));
    let on_stop = settings::on_stop(&plan);
    let ambient = plan.get("ambient").map_or(Some(Celsius::clamped(defaults::AMBIENT_C)), |f| {
        f.amount(&CELSIUS, *ROOM_C.start(), *ROOM_C.end()).map(Celsius::clamped)
    });
    let mains_hz = settings::mains(&plan);
    let protect_stops = settings::protect_stops(&plan);
    let profiles = profiles(cx, &shipped, kit.as_ref(), &plan);

    let subjects = place::subjects(cx, &plan);
    let room = place::room(&plan);
    let room_reported = plan.has("room") && room.is_none();
    let subject_ids: Vec<String> =
        plan_ids(&plan, "subject", subjects.as_deref().and_then(|s| s.first()).map(|s| s.id.as_str()));
    let stage = subjects.filter(|_| !room_reported).map(|subjects| Stage { subjects, room });
    let cameras = settings::cameras(cx, &plan, stage.as_ref());
    let circuits = settings::circuits(cx, &plan);
    let stated_outputs = settings::outputs(cx, &plan, frames);
    let modifiers = modifier::modifiers(cx, &plan);

    let mut taken = Taken::default();
    let bodies = kit
        .as_ref()
        .map(|kit| kit::bodies(cx, kit, &profiles, &calibrations, &mut taken, &mut notes))
        .unwrap_or_default();
    let outputs = stated_outputs.map(|stated| {
        if !stated.is_empty() {
            return stated;
        }
        notes.push("the plan has no output: frames go to the simulator".to_owned());
        let rate = frames.map_or(defaults::FRAME_RATE, |f| f.rate());
        address::simulators(address::universes(&plan, &bodies), rate)
    });
    if on_stop == Some(OnStop::Hold) {
        notes.extend(e131::no_hold(outputs.as_deref().unwrap_or_default()));
    }
    let around = fixture::Around {
        profiles: &profiles,
        bodies: &bodies,
        modifiers: &modifiers,
        outputs: outputs.as_deref(),
        circuits: circuits.as_deref(),
        stage: stage.as_ref(),
    };
    let named = fixture::fixtures(cx, &plan, &around, &mut taken, &mut notes);
    patch::check(cx, &named);
    let groups = things::groups(cx, &plan, &named, &mut taken);
    let bounces = things::bounces(cx, &plan, stage.as_ref(), &named);
    let flags = things::flags(cx, &plan, stage.as_ref(), &named);
    let daylight = things::daylight(cx, &plan, stage.as_ref());

    let mut raws = look::Raws::default();
    look::looks(cx, &plan, false, &subject_ids, &mut raws);
    for text in &kept {
        look::looks(cx, text, true, &subject_ids, &mut raws);
    }
    let white_balance =
        cameras.as_ref().map_or(Kelvin::clamped(defaults::WHITE_BALANCE_K), |c| c.1.white_balance);
    let against =
        target::Against { fixtures: &named, groups: groups.as_deref(), white_balance, stage: stage.as_ref() };
    let looks = target::resolve(cx, &raws, &against);
    let look_ids = target::ids(&raws);
    let order = order::order(&plan, &raws, &look_ids, fade);
    let rest = order::rest(&plan, &look_ids);
    let on_start = order::on_start(&plan, &look_ids);
    let mqtt = mqtt::mqtt(&plan, sources.path.as_deref(), &mut notes);
    for root in std::iter::once(&plan).chain(&kit).chain(&kept).chain(&shipped).chain(&calibrations) {
        root.finish();
    }

    let (cameras, exposure) = cameras?;
    let stage = stage?;
    let fixtures: Vec<_> = named.into_iter().map(|n| n.fixture).collect::<Option<_>>()?;
    absent(&fixtures, &mut notes);
    uncalibrated(&fixtures, &mut notes);
    Some(Plan {
        name: name?,
        path: sources.path.clone(),
        calibrations: sources.calibrations_in.clone(),
        hash: sources.hash(),
        texts: Arc::new(sources.plan_texts()),
        exposure,
        cameras,
        mains_hz: mains_hz?,
        subjects: stage.subjects,
        room: stage.room,
        protect_stops: protect_stops?,
        ambient: ambient?,
        outputs: outputs?,
        circuits: circuits?,
        profiles: profiles.into_values().flatten().collect(),
        fixtures,
        groups: groups?,
        bounces: bounces?,
        flags: flags?,
        daylight: daylight?,
        looks: looks?,
        order: order?,
        rest: rest?.map(LookId),
        rest_for: rest_for?,
        fade: fade?,
        on_stop: on_stop?,
        on_start: on_start?,
        frames: frames?,
        mqtt,
        spill: Spill::default(),
        notes,
    })
}

/// The set's name: the plan's own, else the file's stem.
fn set_name(cx: &Cx<'_>, plan: &Table<'_>, sources: &Sources) -> Option<String> {
    if let Some(field) = plan.get("name") {
        let name = field.text("pilot-station")?;
        return names::check(cx, name, field.place(), "set", names::NOT_SETS).then(|| name.to_owned());
    }
    let good = names::is_name(&sources.stem) && !names::NOT_SETS.contains(&sources.stem.as_str());
    if !good {
        let said = format!("the file's name \"{}\" cannot be the name of a set", short(&sources.stem));
        let help = "add a line such as `name = \"pilot-station\"`: letters, digits and `-`, not `all`";
        cx.sink.report(Problem::of_file(Kind::BadName, said).help(help));
    }
    good.then(|| sources.stem.clone())
}

/// True for a name that a set can have: letters, digits and `-`, at most 40 of them, not `all`.
#[must_use]
pub fn is_set_name(name: &str) -> bool {
    names::is_name(name) && !names::NOT_SETS.contains(&name)
}

/// True for a name that a look can have: as for a set, and none of the words for light that is no look.
#[must_use]
pub fn is_look_name(name: &str) -> bool {
    names::is_name(name) && !names::NOT_LOOKS.contains(&name)
}

/// Ids written under a key, whether or not the rest of them could be read; `fallback` where none is.
fn plan_ids(plan: &Table<'_>, key: &'static str, fallback: Option<&str>) -> Vec<String> {
    let ids: Vec<_> = plan.named(key, key).into_iter().map(|(id, _)| id.to_owned()).collect();
    if ids.is_empty() { fallback.into_iter().map(str::to_owned).collect() } else { ids }
}

/// All profiles; one in the kit replaces a shipped one of that name, one in the plan both.
fn profiles(cx: &Cx<'_>, shipped: &[Table<'_>], kit: Option<&Table<'_>>, plan: &Table<'_>) -> Profiles {
    let mut all = BTreeMap::new();
    for text in shipped.iter().chain(kit).chain([plan]) {
        for (name, profile) in profiles_in(cx, text) {
            all.insert(name, profile.map(Arc::new));
        }
    }
    all
}

fn absent(fixtures: &[Fixture], notes: &mut Vec<String>) {
    let why = |f: &Fixture| Some(format!("{} ({})", f.id, f.absent.as_ref()?));
    let names: Vec<_> = fixtures.iter().filter_map(why).collect();
    if !names.is_empty() {
        notes.push(format!("not here today: {}", names.join(", ")));
    }
}

fn uncalibrated(fixtures: &[Fixture], notes: &mut Vec<String>) {
    let names: Vec<_> = fixtures.iter().filter(|f| f.uncalibrated).map(|f| f.id.as_str()).collect();
    if !names.is_empty() {
        let lamps =
            if names.len() == 1 { "1 lamp uses".to_owned() } else { format!("{} lamps use", names.len()) };
        notes.push(format!(
            "{lamps} invented figures: planned, uncalibrated: may be a stop off ({})",
            names.join(", ")
        ));
    }
}
