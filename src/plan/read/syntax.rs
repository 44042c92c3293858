//! From text to TOML's tree, with every syntax error; and what is there twice.

use toml::Spanned;
use toml::de::DeTable;

use crate::plan::problem::{Kind, Place, Problem};
use crate::plan::sources::Text;
use crate::plan::tree::{MOST_PROBLEMS, Sink};
use crate::words::short;

/// Bytes that are searched for the first of what is there twice.
const MOST_SEARCHED: usize = 16 << 20;

/// Parses one text and reports all its syntax errors.
pub(super) fn parse<'t>(sink: &Sink, index: usize, text: &'t Text) -> Spanned<DeTable<'t>> {
    if text.text.trim().is_empty() {
        let said = format!("{} is empty", text.name);
        sink.report(Problem::of_file(Kind::Empty, said).help("`lampkeep new` writes a first plan"));
    }
    let (tree, errors) = DeTable::parse_recoverable(&text.text);
    // A table that is there twice goes on in the first one, so its keys clash too: said once.
    let mut twice_table: Option<usize> = None;
    let headers = if errors.is_empty() { Vec::new() } else { headers(&text.text) };
    let mut left = MOST_SEARCHED;
    // A file that is no TOML at all must not keep us busy.
    for error in errors.into_iter().take(MOST_PROBLEMS) {
        let span = error.span().unwrap_or(text.text.len()..text.text.len());
        let place = Place { text: index, start: span.start, end: span.end };
        if error.message() == "duplicate key" {
            let at = headers.partition_point(|(start, _)| *start <= span.start);
            let header = at.checked_sub(1).map(|last| headers[last]);
            let at_header = header.is_some_and(|(start, _)| {
                text.text.get(start..span.start).is_some_and(|between| !between.contains('\n'))
            });
            if at_header {
                twice_table = header.map(|h| h.0);
            } else if header.is_some() && header.map(|h| h.0) == twice_table {
                continue;
            }
            sink.report(twice(text, place, header, at_header, &mut left));
            continue;
        }
        sink.report(
            Problem::at(Kind::Syntax, place, format!("this is not TOML: {}", error.message()))
                .label("here")
                .help("a line reads `key = value`, text stands in quotes, a table begins with `[name]`"),
        );
    }
    tree
}

fn twice(
    text: &Text,
    place: Place,
    header: Option<(usize, &str)>,
    at_header: bool,
    left: &mut usize,
) -> Problem {
    let key = text.text.get(place.start..place.end).unwrap_or_default();
    let (name, from) = match header {
        Some((_, path)) if at_header => (path, 0),
        Some((start, _)) => (key, start),
        None => (key, 0),
    };
    let problem =
        Problem::at(Kind::Twice, place, format!("`{}` is there twice", short(name))).label("the second one");
    // A thousand of them at the end of a long text: where the first ones are is told of some.
    let search = place.start.saturating_sub(from);
    let affords = *left >= search;
    *left = left.saturating_sub(search);
    let first = || first_place(&text.text, name, from, place.start, at_header);
    let problem = match affords.then(first).flatten() {
        Some((start, end)) => problem.also(Place { text: place.text, start, end }, "the first one"),
        None => problem,
    };
    problem.help("leave one of the two out, or rename it")
}

/// Where the text has this header, or this key in the lines from `from` on, before byte `until`.
fn first_place(text: &str, key: &str, from: usize, until: usize, is_header: bool) -> Option<(usize, usize)> {
    let mut start = from;
    for line in text.get(from..until)?.split_inclusive('\n') {
        let trimmed = line.trim_start();
        let at = start + line.len() - trimmed.len();
        let found = if is_header {
            trimmed.strip_prefix('[').is_some_and(|rest| rest.split(']').next() == Some(key))
        } else {
            trimmed.strip_prefix(key).is_some_and(|rest| rest.trim_start().starts_with('='))
        };
        if found {
            let at = at + usize::from(is_header);
            return Some((at, at + key.len()));
        }
        start += line.len();
    }
    None
}

/// Every table header: where its line begins, and the path in it.
fn headers(text: &str) -> Vec<(usize, &str)> {
    let mut start = 0;
    let mut all = Vec::new();
    for line in text.split_inclusive('\n') {
        if let Some(path) = line.trim_start().strip_prefix('[').and_then(|rest| rest.split(']').next()) {
            all.push((start, path.trim_end_matches(['\r', '\n']).trim_start_matches('[')));
        }
        start += line.len();
    }
    all
}
