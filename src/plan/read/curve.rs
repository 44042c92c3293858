//! What a channel does with its value: dimming curve, floor, clean range, and what a meter read of it.

use std::sync::Arc;

use crate::plan::problem::{Kind, Problem};
use crate::plan::tree::{Field, Table};
use crate::plan::{Bits, Curve, Drives, Law, LightTable, MOST_POINTS, TableFault, TrueTable};
use crate::units::{Duv, Kelvin};

/// Words of `curve` for messages; `gamma-` goes with any exponent.
const LAWS: [&str; 4] = ["linear", "square", "gamma-2.2", "lightness"];
/// Keys of a channel that drives light.
pub(super) const LIGHT_KEYS: [&str; 3] = ["curve", "floor", "clean-from"];

/// `curve`, `floor` and `clean-from` of a channel; linear without them. `None`: reported.
pub(super) fn curve(t: &Table<'_>, bits: Bits) -> Option<Curve> {
    let curve = t.get("curve").map_or(Some(Curve::LINEAR), |f| law(&f, bits));
    let max = u32::from(bits.max());
    let value = |key: &'static str, example: u32| match t.get(key) {
        None => Some(0.0),
        Some(field) => field.count(0, max, example).map(|v| f64::from(v) / f64::from(max)),
    };
    let (floor, clean_from) = (value("floor", 8), value("clean-from", 16));
    let (mut curve, floor, clean_from) = (curve?, floor?, clean_from?);
    // Of a stated floor and a table's own the higher holds: under either the lamp is dark.
    curve.floor = curve.floor.max(floor);
    curve.clean_from = clean_from;
    Some(curve)
}

fn law(field: &Field<'_>, bits: Bits) -> Option<Curve> {
    let Some(table) = field.as_table(&format!("`curve` of {}", field.owner())) else {
        let word = field.text("square")?;
        let law = Law::of_word(word);
        if law.is_none() {
            field.unknown_word(LAWS.into_iter());
        }
        return Some(Curve::by(law?));
    };
    let gamma = table
        .get("gamma")
        .map(|f| f.number("", 2.2, *Law::GAMMA.start(), *Law::GAMMA.end()).map(|g| Curve::by(Law::Gamma(g))));
    let points = table.get("table").map(|f| light_table(&f, bits).map(Curve::measured));
    table.finish();
    match (gamma, points) {
        (Some(curve), None) | (None, Some(curve)) => curve,
        _ => {
            let said = format!("{} is either a `gamma` or a `table`", table.owner());
            let help =
                "write `curve = { gamma = 2.4 }`, or `curve = { table = [[0, 0], [128, 0.2], [255, 1]] }`";
            field.report(Problem::at(Kind::Conflict, field.place(), said).label("here").help(help));
            None
        }
    }
}

/// A list of `[value, light]`.
fn light_table(field: &Field<'_>, bits: Bits) -> Option<LightTable> {
    const EXAMPLE: &str = "[[0, 0], [128, 0.2], [255, 1]]";
    let full = bits.max();
    let rows = rows(field, EXAMPLE, |row| match row {
        [value, light] => {
            let value = value.count(0, u32::from(full), 128);
            let light = light.number("", 0.2, 0.0, 1e9);
            Some((u16::try_from(value?).ok()?, light?))
        }
        _ => None,
    })?;
    let points: Vec<_> = rows.iter().map(|r| r.1).collect();
    let fault = match LightTable::new(&points, full) {
        Ok(table) => return Some(table),
        Err(fault) => fault,
    };
    let owner = field.owner();
    let at = |index: usize| format!("value {} with light {}", points[index].0, points[index].1);
    match fault {
        TableFault::FirstFalls(i) | TableFault::SecondFalls(i) => {
            let said = format!("the table of {owner} does not rise: {}, then {}", at(i), at(i + 1));
            let help = "read both values again: values go up, and each lit one gives more light than the one before; \
                        or leave one of the two out";
            let pair = Problem::at(Kind::NotRising, rows[i + 1].0.place(), said).label("does not rise");
            field.report(pair.also(rows[i].0.place(), "after this one").help(help));
        }
        TableFault::TooMany => too_many(field, points.len()),
        TableFault::TooFew | TableFault::NoDark => {
            let said = format!("the table of {owner} does not begin with value 0 and light 0");
            field.wrong(Kind::OutOfRange, said, format!("write it like `table = {EXAMPLE}`"));
        }
        TableFault::NoFull => {
            let said = format!("the table of {owner} does not end at value {full} with light above 0");
            field.wrong(Kind::OutOfRange, said, format!("its last point is full: `[{full}, 1]`"));
        }
    }
    None
}

/// `measured` of a channel: what it really gives for what it is asked. Outer `None`: reported.
#[expect(clippy::option_option, reason = "outer: reported or not; inner: measured or not")]
pub(super) fn measured(t: &Table<'_>, drives: &Drives) -> Option<Option<Arc<TrueTable>>> {
    let Some(field) = t.get("measured") else { return Some(None) };
    let found = match drives {
        Drives::Kelvin(..) => kelvins(&field),
        Drives::Tint(..) => pairs(&field, "[[-0.02, -0.017], [0.02, 0.018]]", |f| f.duv().map(Duv::get)),
        Drives::Hue => pairs(&field, "[[0, 4], [120, 127]]", |f| f.number("deg", 120.0, 0.0, 360.0)),
        Drives::Saturation => pairs(&field, "[[0, 0], [0.5, 0.42], [1, 1]]", |f| f.number("", 0.5, 0.0, 1.0)),
        Drives::Intensity | Drives::Emitter(_) | Drives::Fixed(_) | Drives::Strobe(_) => {
            let said = "only a slot that drives a colour has `measured`";
            let help = "leave it out; what a slot of light gives is its `curve`";
            field.report(Problem::at(Kind::Conflict, field.key_place(), said).label("here").help(help));
            None
        }
    };
    found.map(|table| Some(Arc::new(table)))
}

/// A list of `[asked, read]`, `[asked, read, Duv read]` or `[asked, read, Duv read, light]`, in kelvin.
fn kelvins(field: &Field<'_>) -> Option<TrueTable> {
    const EXAMPLE: &str = "[[3200, 3160, 0.001], [5600, 5420, 0.002]]";
    let rows = rows(field, EXAMPLE, |row| match row {
        [asked, read] => Some((asked.kelvin()?, read.kelvin()?, 0.0, 1.0)),
        [asked, read, duv] => {
            let (asked, read, duv) = (asked.kelvin(), read.kelvin(), duv.duv());
            Some((asked?, read?, duv?.get(), 1.0))
        }
        [asked, read, duv, light] => {
            let (asked, read, duv) = (asked.kelvin(), read.kelvin(), duv.duv());
            let light = light.number("", 1.0, 0.01, 1.0);
            Some((asked?, read?, duv?.get(), light?))
        }
        _ => None,
    })?;
    let points: Vec<(Kelvin, Kelvin, f64, f64)> = rows.iter().map(|r| r.1).collect();
    TrueTable::of_kelvin(&points)
        .map_err(|fault| {
            not_rising(field, fault, &rows, |p| format!("{} K gives {} K", p.0.get(), p.1.get()));
        })
        .ok()
}

/// A list of `[asked, read]` in the channel's own unit.
fn pairs(field: &Field<'_>, example: &str, read: impl Fn(&Field<'_>) -> Option<f64>) -> Option<TrueTable> {
    let rows = rows(field, example, |row| match row {
        [asked, given] => {
            let (asked, given) = (read(asked), read(given));
            Some((asked?, given?))
        }
        _ => None,
    })?;
    let points: Vec<_> = rows.iter().map(|r| r.1).collect();
    TrueTable::linear(&points)
        .map_err(|fault| not_rising(field, fault, &rows, |p| format!("{} gives {}", p.0, p.1)))
        .ok()
}

fn not_rising<T>(
    field: &Field<'_>,
    fault: TableFault,
    rows: &[(Field<'_>, T)],
    words: impl Fn(&T) -> String,
) {
    let owner = field.owner();
    match fault {
        TableFault::FirstFalls(i) | TableFault::SecondFalls(i) => {
            let (one, two) = (words(&rows[i].1), words(&rows[i + 1].1));
            let said = format!("`measured` of {owner} does not rise: {one}, then {two}");
            let help =
                "read both again: what is asked goes up, and what is read goes up with it; or leave one out";
            let pair = Problem::at(Kind::NotRising, rows[i + 1].0.place(), said).label("does not rise");
            field.report(pair.also(rows[i].0.place(), "after this one").help(help));
        }
        TableFault::TooMany => too_many(field, rows.len()),
        _ => {
            let said = format!("`measured` of {owner} has no point");
            field.wrong(Kind::OutOfRange, said, "give at least one point, or leave `measured` out");
        }
    }
}

fn too_many(field: &Field<'_>, found: usize) {
    let said = format!("`{}` has {found} points; at most {MOST_POINTS} are read", field.key());
    field.wrong(Kind::OutOfRange, said, "leave points out where the curve is smooth");
}

/// The rows of a list of lists, each with its place; `None` where one is reported.
fn rows<'a, T>(
    field: &Field<'a>,
    example: &str,
    read: impl Fn(&[Field<'a>]) -> Option<T>,
) -> Option<Vec<(Field<'a>, T)>> {
    let list = field.list(example)?;
    if list.len() > MOST_POINTS {
        too_many(field, list.len());
        return None;
    }
    let mut found = Vec::new();
    let mut complete = true;
    for row in list {
        let before = row.sink().count();
        let value = row.list(example).and_then(|cells| read(&cells));
        // A row of another length is reported here, a wrong cell where it was read.
        if value.is_none() && row.sink().count() == before {
            row.wrong_type("a list of points, each a list of its numbers", example);
        }
        match value {
            Some(value) => found.push((row, value)),
            None => complete = false,
        }
    }
    complete.then_some(found)
}
