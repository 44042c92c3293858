//! What is said of a lamp's heat, with its fan on and off.

use std::time::Duration;

use crate::plan::amounts::{KELVINS, KELVINS_PER_WATT};
use crate::plan::defaults;
use crate::plan::problem::{Kind, Problem};
use crate::plan::tree::{Field, Table};
use crate::plan::{
    Cooling, FullFor, HEAT_LIMIT_C, HeatFigure, KnownHeat, Profile, Quiet, Rise, SecondFigure,
};
use crate::units::{Celsius, Share};

/// Longest time that a figure of heat may state, in seconds.
const LONGEST_S: f64 = 86_400.0;
/// Greatest rise above the room in kelvin; more is a slip.
const MOST_RISE_K: f64 = 500.0;

/// The keys that fix the time constant beside `full-for`; at most one of them.
const SECOND_FIGURES: [&str; 4] = ["time-constant", "cools", "half-for", "rise-at-full"];

/// What a person says of a lamp's heat.
pub(super) fn heat(t: &Table<'_>) -> Option<HeatFigure> {
    let field = t.get("heat")?;
    let Some(table) = field.as_table(&format!("`heat` of {}", t.owner())) else {
        return field.word(&[("no limit", HeatFigure::NoLimit)]);
    };
    let limit = table.get("limit").map(|f| f.celsius());
    let by_rise = !table.has("full-for") && (table.has("rise-at-full") || table.has("k-per-w"));
    let reported = matches!(limit, Some(None));
    let figure = if by_rise {
        known(&table, limit.flatten())
    } else if reported {
        // The rest is read against the limit.
        return None;
    } else {
        full_for(&table, limit.flatten())
    };
    table.finish();
    figure.filter(|_| !reported)
}

/// What a lamp is with its fan off.
pub(super) fn quiet(t: &Table<'_>) -> Option<Quiet> {
    let table = t.get("quiet")?.table(&format!("`quiet` of {}", t.owner()))?;
    let ceiling = table.get("ceiling").map_or(Some(Share::FULL), |f| f.share());
    let heat = heat(&table);
    table.finish();
    Some(Quiet { ceiling: ceiling?, heat })
}

/// How a lamp is cooled on this set: its profile's way, or quiet where it has a fan that can be off.
pub(super) fn cooling(t: &Table<'_>, profile: Option<&Profile>, quiet: Option<Quiet>) -> Option<Cooling> {
    let field = t.get("cooling");
    let profile = profile?;
    let Some(field) = field else { return Some(profile.cooling) };
    let asked = field.word(&[("fan", Cooling::Fan), ("quiet", Cooling::Quiet)])?;
    let wrong = |said: String, help: &str| {
        field.wrong(Kind::Conflict, said, help);
        None
    };
    match (asked, profile.cooling, quiet) {
        (_, Cooling::FanLess, _) => {
            wrong(format!("{} has no fan that could be on or off", t.owner()), "leave `cooling` out")
        }
        (Cooling::Quiet, _, None) => wrong(
            format!("{} is quiet, and nothing says what it may give then", t.owner()),
            "add `quiet = { ceiling = \"50 %\", heat = { full-for = \"20 min\" } }` to its profile or its body",
        ),
        (asked, ..) => Some(asked),
    }
}

/// Rise and time constant.
fn known(t: &Table<'_>, limit: Option<Celsius>) -> Option<HeatFigure> {
    let at_full = t.get("rise-at-full").map(|f| f.amount(&KELVINS, 0.1, MOST_RISE_K).map(Rise::AtFull));
    let per_watt = t.get("k-per-w").map(|f| f.amount(&KELVINS_PER_WATT, 1e-4, 100.0).map(Rise::PerWatt));
    for key in ["half-for", "ambient", "watts"] {
        if let Some(field) = t.get(key) {
            goes_with_full_for(t, &field);
        }
    }
    let (constant, cools) = (t.get("time-constant"), t.get("cools"));
    let time_constant = match (&constant, &cools) {
        (Some(_), Some(second)) => {
            twice(t, second, "`time-constant` and `cools`");
            None
        }
        (None, Some(cools)) => {
            time(cools).map(|half| Duration::from_secs_f64(half.as_secs_f64() / std::f64::consts::LN_2))
        }
        _ => t.need("time-constant", "time-constant = \"14 min\"").and_then(|f| time(&f)),
    };
    let rise = match (at_full, per_watt) {
        (Some(_), Some(_)) => {
            if let Some(second) = t.get("k-per-w") {
                twice(t, &second, "`rise-at-full` and `k-per-w`");
            }
            None
        }
        (Some(rise), None) | (None, Some(rise)) => rise,
        (None, None) => None,
    };
    Some(HeatFigure::Known(KnownHeat { rise: rise?, time_constant: time_constant?, limit }))
}

/// So long at full from cold, with at most one figure beside it.
fn full_for(t: &Table<'_>, limit: Option<Celsius>) -> Option<HeatFigure> {
    let full = t.need("full-for", "full-for = \"20 min\"").and_then(|f| f.duration(1.0, LONGEST_S));
    let ambient = t.get("ambient").map_or(Some(Celsius::clamped(defaults::AMBIENT_C)), |f| f.celsius());
    let watts = match t.get("watts") {
        Some(f) => Some(f.watts()?),
        None => None,
    };
    if let Some(field) = t.get("k-per-w") {
        let said = format!("{} has both `full-for` and `k-per-w`", t.owner());
        let problem = Problem::at(Kind::Conflict, field.key_place(), said).label("here");
        t.report(problem.help("keep `k-per-w` with a `time-constant`, or `full-for`"));
    }
    let stated: Vec<_> = SECOND_FIGURES.into_iter().filter_map(|key| t.get(key)).collect();
    if let [_, second, ..] = stated.as_slice() {
        twice(t, second, "more than one figure beside `full-for`");
        return None;
    }
    let (full, ambient) = (full?, ambient?);
    let room_to_limit = limit.map_or(HEAT_LIMIT_C, Celsius::get) - ambient.get();
    if room_to_limit <= 0.0 {
        let limit = limit.map_or(HEAT_LIMIT_C, Celsius::get);
        let said =
            format!("{} has a limit of {limit} °C, which its `ambient` of {ambient} is not under", t.owner());
        let problem = Problem::at(Kind::Conflict, t.place(), said).label("here");
        t.report(problem.help("`ambient` is the temperature of the room, `limit` the lamp's own"));
        return None;
    }
    let second = match stated.first() {
        Some(field) => Some(second(t, field, full, room_to_limit)?),
        None => None,
    };
    Some(HeatFigure::FullFor(FullFor { time: full, ambient, watts, second, limit }))
}

fn second(t: &Table<'_>, field: &Field<'_>, full: Duration, room_to_limit: f64) -> Option<SecondFigure> {
    Some(match field.key() {
        "time-constant" => SecondFigure::TimeConstant(time(field)?),
        "cools" => SecondFigure::Cools(time(field)?),
        "half-for" => {
            let half = time(field)?;
            // At half the power it heats half as fast, and slower still as it warms.
            if half <= full * 2 {
                let said = format!(
                    "{} lasts {} min at half, not more than twice the {} min at full",
                    t.owner(),
                    minutes(half),
                    minutes(full)
                );
                field.wrong(Kind::OutOfRange, said, "at half its power a lamp lasts more than twice as long");
                return None;
            }
            SecondFigure::HalfFor(half)
        }
        _ => {
            let rise = field.amount(&KELVINS, 0.1, MOST_RISE_K)?;
            if rise <= room_to_limit {
                let said = format!(
                    "{} rises {rise} K at full and has {room_to_limit} K to its limit: it would never cut back",
                    t.owner()
                );
                field.wrong(Kind::Conflict, said, "write `heat = \"no limit\"`, or state the `limit`");
                return None;
            }
            SecondFigure::RiseAtFull(rise)
        }
    })
}

fn time(field: &Field<'_>) -> Option<Duration> {
    field.duration(1.0, 10.0 * LONGEST_S)
}

fn minutes(time: Duration) -> f64 {
    (time.as_secs_f64() / 6.0).round() / 10.0
}

fn twice(t: &Table<'_>, field: &Field<'_>, what: &str) {
    let said = format!("{} has {what}", t.owner());
    let problem = Problem::at(Kind::Conflict, field.key_place(), said).label("this one too many");
    t.report(problem.help("keep the one that was measured best"));
}

fn goes_with_full_for(t: &Table<'_>, field: &Field<'_>) {
    let said = format!("{} has `{}`, which only goes with `full-for`", t.owner(), field.key());
    let problem = Problem::at(Kind::Conflict, field.key_place(), said).label("not here");
    t.report(problem.help(format!("leave `{}` out", field.key())));
}
