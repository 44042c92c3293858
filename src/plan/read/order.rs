//! The running order, the rest look, and what is lit at the start.

use std::collections::BTreeMap;
use std::time::Duration;

use super::look::{LONGEST_FADE_S, Raws};
use super::names;
use crate::plan::defaults;
use crate::plan::tree::{Field, Table};
use crate::plan::{LookId, OnStart, Step};

/// Most takes that a step may plan. Judgement: more than any look is shot.
const MOST_TAKES: u32 = 100;

type Ids<'r> = BTreeMap<&'r str, usize>;

fn look_id(field: &Field<'_>, ids: &Ids<'_>) -> Option<usize> {
    let name = field.text("quay-dusk")?;
    let found = ids.get(name).copied();
    if found.is_none() {
        names::unknown(field, "look", name, ids.keys().copied());
    }
    found
}

/// Reads `order`: names of looks, or tables with `look`, `fade`, `on-for` and `takes`.
pub(super) fn order(
    plan: &Table<'_>,
    raws: &Raws,
    ids: &Ids<'_>,
    fade: Option<Duration>,
) -> Option<Vec<Step>> {
    let Some(field) = plan.get("order") else { return Some(Vec::new()) };
    let mut steps = Vec::new();
    let mut complete = true;
    for item in field.list("[\"pilot-triangle\", \"rest\"]")? {
        let (look, own_fade, on_for, takes) = match item.as_table("a step of the order") {
            None if item.as_text().is_none() => {
                item.wrong_type(
                    "a list of looks' names or of tables",
                    "[\"rest\", { look = \"rest\", fade = \"3 s\" }]",
                );
                (None, None, None, None)
            }
            None => (look_id(&item, ids), None, Some(defaults::ON_FOR), Some(None)),
            Some(t) => {
                let look = t.need("look", "look = \"quay-dusk\"").and_then(|f| look_id(&f, ids));
                let fade = t.get("fade").and_then(|f| f.duration(0.0, LONGEST_FADE_S));
                let on_for = t.get("on-for").map_or(Some(defaults::ON_FOR), |f| f.duration(0.0, 86_400.0));
                let takes = t.get("takes").map_or(Some(None), |f| f.count(0, MOST_TAKES, 3).map(Some));
                t.finish();
                (look, fade, on_for, takes)
            }
        };
        let of_look = look.and_then(|id| raws.order.get(id)).and_then(|n| raws.fade_of(n));
        match (look, own_fade.or(of_look).or(fade), on_for, takes) {
            (Some(look), Some(fade), Some(on_for), Some(takes)) => {
                steps.push(Step { look: LookId(look), fade, on_for, takes });
            }
            _ => complete = false,
        }
    }
    complete.then_some(steps)
}

/// Reads `rest`; without it, a look called `rest` is the one.
#[expect(clippy::option_option, reason = "outer: reported or not; inner: there is one or not")]
pub(super) fn rest(plan: &Table<'_>, ids: &Ids<'_>) -> Option<Option<usize>> {
    match plan.get("rest") {
        None => Some(ids.get("rest").copied()),
        Some(field) => look_id(&field, ids).map(Some),
    }
}

/// Reads `on-start`: `dark` or a look.
pub(super) fn on_start(plan: &Table<'_>, ids: &Ids<'_>) -> Option<OnStart> {
    match plan.get("on-start") {
        None => Some(OnStart::Dark),
        Some(field) if field.as_text() == Some("dark") => Some(OnStart::Dark),
        Some(field) => look_id(&field, ids).map(|id| OnStart::Look(LookId(id))),
    }
}
