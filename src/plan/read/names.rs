//! Names: what they may be made of, which are taken, and the nearest one to a slip.

use std::collections::BTreeMap;

use super::Cx;
use crate::plan::problem::{Kind, Place, Problem};
use crate::plan::tree::{Field, Sink};
use crate::words::short;

/// Keys of a look and of its targets, and `all`: neither fixtures, groups nor bodies may be called so.
pub(in crate::plan) const LOOK_KEYS: &[&str] = &[
    "about",
    "all",
    "duv",
    "fade",
    "hue",
    "kelvin",
    "key-is",
    "like",
    "lux",
    "meter",
    "move",
    "of-full",
    "protect",
    "saturation",
    "stops",
    "to-key",
    "xy",
];
/// What status calls a light that is no look.
pub(in crate::plan) const NOT_LOOKS: &[&str] =
    &["all", "calibrate", "dark", "meter", "only", "plan", "rollcall"];
/// The set's name stands in topics beside `all`.
pub(in crate::plan) const NOT_SETS: &[&str] = &["all"];

/// Names that a message lists; of more it lists so many and counts the rest.
const MOST_LISTED: usize = 20;
/// Longest name, in characters: the name of a set becomes part of a socket's path.
pub(in crate::plan) const LONGEST: usize = 40;

/// True for 1 to 40 letters a to z, digits and `-`, not beginning with `-`.
pub(super) fn is_name(name: &str) -> bool {
    (1..=LONGEST).contains(&name.len())
        && name.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-')
        && !name.starts_with('-')
}

/// Reports a name that is empty, too long, has characters beyond letters, digits and `-`, or is
/// one of `reserved`.
pub(super) fn check(cx: &Cx<'_>, name: &str, place: Place, noun: &str, reserved: &[&str]) -> bool {
    let good = is_name(name);
    if !good {
        let said = format!("\"{}\" cannot be the name of a {noun}", short(name));
        let help = format!("use 1 to {LONGEST} letters a to z, digits and `-`, and no `-` first");
        cx.sink.report(Problem::at(Kind::BadName, place, said).label("not a name").help(help));
    } else if reserved.contains(&name) {
        let said = format!("a {noun} cannot be called `{name}`: the word means something else");
        let help = format!("choose another name, none of: {}", reserved.join(", "));
        cx.sink
            .report(Problem::at(Kind::ReservedName, place, said).label("a word of the language").help(help));
        return false;
    }
    good
}

/// Reports a name that nothing has, with the nearest one that something has.
pub(super) fn unknown<'k>(field: &Field<'_>, noun: &str, name: &str, known: impl Iterator<Item = &'k str>) {
    unknown_at(field.sink(), field.place(), noun, name, known);
}

/// Reports a name at a place that nothing has, with the nearest one that something has.
pub(super) fn unknown_at<'k>(
    sink: &Sink,
    place: Place,
    noun: &str,
    name: &str,
    known: impl Iterator<Item = &'k str>,
) {
    let said = format!("there is no {noun} `{}`", short(name));
    let none = format!("the plan has no {noun} at all");
    unknown_said(sink, place, said, &none, name, known);
}

/// The same, saying it in other words; `none` is the help where nothing is known.
pub(super) fn unknown_said<'k>(
    sink: &Sink,
    place: Place,
    said: String,
    none: &str,
    name: &str,
    known: impl Iterator<Item = &'k str>,
) {
    if sink.is_full() {
        return;
    }
    let known: Vec<_> = known.collect();
    let help = match sink.nearest(name, known.iter().copied()) {
        Some(near) => format!("did you mean `{near}`?"),
        None if known.is_empty() => none.to_owned(),
        None if known.len() > MOST_LISTED => {
            let (some, more) = known.split_at(MOST_LISTED);
            format!("known: {} and {} more", some.join(", "), more.len())
        }
        None => format!("known: {}", known.join(", ")),
    };
    sink.report(Problem::at(Kind::UnknownName, place, said).label("not known").help(help));
}

/// Names that share one space: fixtures, groups and bodies.
#[derive(Debug, Default)]
pub(super) struct Taken {
    names: BTreeMap<String, (Place, &'static str)>,
}

impl Taken {
    /// Takes a name, or reports what has it already.
    pub fn claim(&mut self, cx: &Cx<'_>, name: &str, place: Place, noun: &'static str) {
        if let Some((first, other)) = self.names.get(name) {
            let said = format!("`{name}` is a {noun} and a {other}; one name cannot mean both");
            cx.sink.report(
                Problem::at(Kind::NameClash, place, said)
                    .label(format!("a {noun}"))
                    .also(*first, format!("a {other}"))
                    .help(format!("rename the {noun}, for instance to `{name}-{noun}`")),
            );
        } else {
            self.names.insert(name.to_owned(), (place, noun));
        }
    }
}
