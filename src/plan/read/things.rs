//! What stands beside the fixtures: groups of them, bounce boards, flags, windows.

use super::Cx;
use super::fixture::Named;
use super::names::{self, Taken};
use super::place::{self, Stage};
use crate::plan::amounts::LENGTH;
use crate::plan::defaults;
use crate::plan::problem::Kind;
use crate::plan::tree::{Field, Table};
use crate::plan::{Bounce, Daylight, FixtureId, Flag, Group, Metres};
use crate::units::Share;

/// Reads every `[group.ID]`.
pub(super) fn groups(
    cx: &Cx<'_>,
    plan: &Table<'_>,
    fixtures: &[Named],
    taken: &mut Taken,
) -> Option<Vec<Group>> {
    let mut groups = Vec::new();
    let mut complete = true;
    for (name, t) in plan.named("group", "group") {
        names::check(cx, name, t.place(), "group", names::LOOK_KEYS);
        taken.claim(cx, name, t.place(), "group");
        let list = t
            .need("members", "members = [\"wall-1\", \"wall-2\"]")
            .and_then(|f| Some((f.list("[\"wall-1\"]")?, f)));
        let must_match = t.get("must-match").and_then(|f| f.truth()).unwrap_or(false);
        t.finish();
        let Some((list, field)) = list else {
            complete = false;
            continue;
        };
        if list.is_empty() {
            field.wrong(
                Kind::OutOfRange,
                format!("group `{name}` has no members"),
                "name at least one fixture",
            );
        }
        let mut members = Vec::new();
        for item in list {
            match fixture_id(&item, fixtures) {
                Some(id) if members.contains(&id) => {
                    let said = format!(
                        "`{}` is a member of group `{name}` twice",
                        item.as_text().unwrap_or_default()
                    );
                    item.wrong(Kind::Twice, said, "leave one of them out");
                }
                Some(id) => members.push(id),
                None => complete = false,
            }
        }
        groups.push(Group { name: name.to_owned(), members, must_match });
    }
    complete.then_some(groups)
}

/// A fixture by its id or its body's name.
pub(super) fn fixture_id(field: &Field<'_>, fixtures: &[Named]) -> Option<FixtureId> {
    let name = field.text("key")?;
    let found = fixtures.iter().position(|n| n.id == name || n.body.as_deref() == Some(name));
    if found.is_none() {
        names::unknown(field, "fixture", name, fixtures.iter().map(|n| n.id.as_str()));
    }
    found.map(FixtureId)
}

/// Width and height from `size`: one length for a square, or a pair.
fn size(t: &Table<'_>) -> Option<(f64, f64)> {
    let Some(field) = t.get("size") else { return Some((defaults::BOARD_SIZE_M, defaults::BOARD_SIZE_M)) };
    if field.as_text().is_some() {
        return field.amount(&LENGTH, 0.01, 20.0).map(|side| (side, side));
    }
    let list = field.list("[\"1.2 m\", \"0.8 m\"]")?;
    let [width, height] = list.as_slice() else {
        field.wrong_type("width and height", "[\"1.2 m\", \"0.8 m\"]");
        return None;
    };
    let (width, height) = (width.amount(&LENGTH, 0.01, 20.0), height.amount(&LENGTH, 0.01, 20.0));
    width.zip(height)
}

fn stands(t: &Table<'_>, stage: Option<&Stage>) -> Option<Metres> {
    if stage.is_none() {
        t.allow(place::KEYS);
    }
    place::position(t, stage?, Stage::ORIGIN, None)
}

#[expect(clippy::option_option, reason = "outer: reported or not; inner: named or not")]
fn of_fixture(t: &Table<'_>, key: &'static str, fixtures: &[Named]) -> Option<Option<FixtureId>> {
    match t.get(key) {
        None => Some(None),
        Some(field) => fixture_id(&field, fixtures).map(Some),
    }
}

/// Reads every `[bounce.ID]`.
pub(super) fn bounces(
    cx: &Cx<'_>,
    plan: &Table<'_>,
    stage: Option<&Stage>,
    fixtures: &[Named],
) -> Option<Vec<Bounce>> {
    let read = |(id, t): (&str, Table<'_>)| {
        names::check(cx, id, t.place(), "bounce", &[]);
        let position = stands(&t, stage);
        let size_m = size(&t);
        let share =
            t.get("reflectance").map_or(Some(Share::clamped(defaults::BOUNCE_REFLECTANCE)), |f| f.share());
        let fed_by = of_fixture(&t, "fed-by", fixtures);
        t.finish();
        Some(Bounce {
            id: id.to_owned(),
            position: position?,
            size_m: size_m?,
            reflectance: share?,
            fed_by: fed_by?,
        })
    };
    let all: Vec<_> = plan.named("bounce", "bounce").into_iter().map(read).collect();
    all.into_iter().collect()
}

/// Reads every `[flag.ID]`.
pub(super) fn flags(
    cx: &Cx<'_>,
    plan: &Table<'_>,
    stage: Option<&Stage>,
    fixtures: &[Named],
) -> Option<Vec<Flag>> {
    let read = |(id, t): (&str, Table<'_>)| {
        names::check(cx, id, t.place(), "flag", &[]);
        let position = stands(&t, stage);
        let size_m = size(&t);
        let cuts = of_fixture(&t, "cuts", fixtures);
        t.finish();
        Some(Flag { id: id.to_owned(), position: position?, size_m: size_m?, cuts: cuts? })
    };
    let all: Vec<_> = plan.named("flag", "flag").into_iter().map(read).collect();
    all.into_iter().collect()
}

/// Reads every `[daylight.ID]`.
pub(super) fn daylight(cx: &Cx<'_>, plan: &Table<'_>, stage: Option<&Stage>) -> Option<Vec<Daylight>> {
    let read = |(id, t): (&str, Table<'_>)| {
        names::check(cx, id, t.place(), "daylight", &[]);
        let position = stands(&t, stage);
        let kelvin = t.need("kelvin", "kelvin = 6500").and_then(|f| f.kelvin());
        let reading = t.need("lux", "lux = 180").and_then(|f| f.lux());
        let age = t.get("age").map_or(Some(0.0), |f| f.duration(0.0, 31_622_400.0).map(|d| d.as_secs_f64()));
        t.finish();
        Some(Daylight {
            id: id.to_owned(),
            position: position?,
            kelvin: kelvin?,
            reading: reading?,
            age_s: age?,
        })
    };
    let all: Vec<_> = plan.named("daylight", "daylight").into_iter().map(read).collect();
    all.into_iter().collect()
}
