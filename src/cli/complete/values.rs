//! What each kind of argument offers.

use std::ffi::OsStr;

use clap_complete::engine::{ArgValueCompleter, CompletionCandidate};

use super::names::{self, Known, known};
use crate::control::places::Places;
use crate::engine::take_typed::FIELDS;
use crate::plan::{MeterPoint, Outline};

/// What a word may be, and what that is.
type Word = (String, String);

/// Offers those of some words that begin as what is typed.
fn of(all: impl Fn(&str) -> Vec<Word> + Send + Sync + 'static) -> ArgValueCompleter {
    ArgValueCompleter::new(move |typed: &OsStr| {
        let Some(typed) = typed.to_str() else { return Vec::new() };
        let fits = all(typed).into_iter().filter(|(word, _)| word.starts_with(typed));
        fits.enumerate()
            .map(|(order, (word, about))| {
                let about = Some(about).filter(|a| !a.is_empty()).map(Into::into);
                CompletionCandidate::new(word).help(about).display_order(Some(order))
            })
            .collect()
    })
}

fn plain(word: &str) -> Word {
    (word.to_owned(), String::new())
}

fn with_all(mut words: Vec<Word>) -> Vec<Word> {
    words.push(("all".to_owned(), "every lamp".to_owned()));
    words
}

fn looks_of(known: &Known) -> Vec<Word> {
    known.names.looks.iter().map(|look| plain(look)).collect()
}

/// Fixtures, then bodies.
fn lamps_of(names: &Outline) -> Vec<Word> {
    let ids = names.lamps.iter().map(|l| (l.id.clone(), l.body.clone().unwrap_or_default()));
    let bodies = names.lamps.iter().filter_map(|l| Some((l.body.clone()?, l.id.clone())));
    let mut words: Vec<Word> = ids.chain(bodies).collect();
    words.sort_by_key(|(word, _)| names.lamps.iter().all(|l| l.id != *word));
    words
}

/// Meter points, where there are several subjects each of every subject, then lamps.
fn points_of(names: &Outline) -> Vec<Word> {
    let mut words: Vec<Word> =
        MeterPoint::ALL.iter().map(|p| (p.word().to_owned(), p.receptor().to_owned())).collect();
    if names.subjects.len() > 1 {
        let at = |p: &MeterPoint| {
            names.subjects.iter().map(move |s| format!("{}@{s}", p.word())).collect::<Vec<_>>()
        };
        words.extend(MeterPoint::ALL.iter().flat_map(at).map(|point| plain(&point)));
    }
    words.extend(lamps_of(names).into_iter().map(|(word, _)| (word, "at what it is aimed at".to_owned())));
    words
}

/// Takes by their names; by their numbers where they have no other, or where one is being typed.
fn takes_of(typed: &str) -> Vec<Word> {
    let word = |take: names::Take| match take.name {
        Some(name) if !typed.starts_with('n') => (name, take.about),
        _ => (take.number, take.about),
    };
    names::takes().into_iter().map(word).collect()
}

/// Names of the sets that run.
pub(crate) fn sets() -> ArgValueCompleter {
    of(|_| {
        let mut sets: Vec<Word> = Places::from_env().sets().iter().map(|(set, _)| plain(set)).collect();
        sets.dedup();
        sets
    })
}

/// Looks.
pub(crate) fn looks() -> ArgValueCompleter {
    of(|_| looks_of(known()))
}

/// Where a rehearsal may begin: at a look; times are typed.
pub(crate) fn begin() -> ArgValueCompleter {
    looks()
}

/// Fixtures and bodies.
pub(crate) fn lamps() -> ArgValueCompleter {
    of(|_| lamps_of(&known().names))
}

/// Fixtures, bodies and `all`.
pub(crate) fn cold() -> ArgValueCompleter {
    of(|_| with_all(lamps_of(&known().names)))
}

/// Fixtures, bodies, groups and `all`.
pub(crate) fn nudged() -> ArgValueCompleter {
    of(|_| {
        let mut words = lamps_of(&known().names);
        words.extend(known().names.groups.iter().map(|group| (group.clone(), "group".to_owned())));
        with_all(words)
    })
}

/// Meter points and lamps.
pub(crate) fn points() -> ArgValueCompleter {
    of(|_| points_of(&known().names))
}

/// Takes of the log.
pub(crate) fn takes() -> ArgValueCompleter {
    of(takes_of)
}

/// Takes of the log, and the plan.
pub(crate) fn matched() -> ArgValueCompleter {
    of(|typed| {
        let mut words = takes_of(typed);
        words.push(("plan".to_owned(), "what the plan asks".to_owned()));
        words
    })
}

/// What a person may think of a take.
pub(crate) fn marks() -> ArgValueCompleter {
    words(&["good", "bad"])
}

/// What can be amended of a take.
pub(crate) fn amended() -> ArgValueCompleter {
    of(|_| {
        let marks = ["good", "bad"].map(plain);
        let known = FIELDS.iter().map(|field| plain(&format!("{}=", field.name)));
        marks.into_iter().chain([plain("as=")]).chain(known).collect()
    })
}

/// These words.
pub(crate) fn words(all: &'static [&'static str]) -> ArgValueCompleter {
    of(|_| all.iter().map(|word| plain(word)).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::LampNames;

    fn names() -> Outline {
        let lamp = |id: &str, body: Option<&str>| LampNames { id: id.into(), body: body.map(str::to_owned) };
        Outline {
            lamps: vec![lamp("key", Some("B3")), lamp("fill", None)],
            subjects: vec!["pilot".into(), "mate".into()],
            ..Outline::default()
        }
    }

    #[test]
    fn lamps_are_offered_by_job_and_by_body_each_with_the_other() {
        let words = lamps_of(&names());
        let pair = |a: &str, b: &str| (a.to_owned(), b.to_owned());
        assert_eq!(words, [pair("key", "B3"), pair("fill", ""), pair("B3", "key")]);
    }

    #[test]
    fn points_name_their_subject_where_there_are_several() {
        let words: Vec<String> = points_of(&names()).into_iter().map(|w| w.0).collect();
        for word in ["face-lit", "face-lit@pilot", "wall@mate", "key", "B3"] {
            assert!(words.iter().any(|w| w == word), "{word}");
        }
        let one = Outline { subjects: vec!["pilot".into()], ..names() };
        assert!(points_of(&one).iter().all(|(word, _)| !word.contains('@')));
    }
}
