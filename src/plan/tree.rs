//! A typed reader over TOML's spanned tree: every value keeps its place, every key used is recorded.
//!
//! serde stops at the first error; a person wants all of them. So each reader here reports to a
//! shared sink and returns `None`, and [`Table::finish`] names every key that nobody asked for.
//! What the keys mean is not known here.

use std::cell::{Cell, RefCell};
use std::rc::Rc;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::problem::{Kind, Place, Problem};
use crate::words::{nearest, short};

/// Most problems of one run: a file that is no plan at all must not keep us busy.
pub(super) const MOST_PROBLEMS: usize = 1000;

/// Most pairs of characters that are compared in a run to find what a slip meant: a tenth of a second. A plan of a
/// thousand slips against a thousand names would take minutes.
const MOST_COMPARED: usize = 20_000_000;

/// Most tables of a kind that are read. Judgement: several times the largest set; what a plan comes to (light of every
/// lamp at every point, past every flag) grows with their product.
const fn most_of(key: &str) -> usize {
    match key.as_bytes() {
        b"subject" | b"camera" | b"daylight" | b"bounce" => 24,
        b"flag" => 64,
        b"fixture" | b"look" => 1000,
        b"lamp" => 4000,
        _ => 500,
    }
}

/// Collects the problems of one run.
#[derive(Debug)]
pub(super) struct Sink {
    problems: RefCell<Vec<Problem>>,
    /// Pairs of characters that may still be compared.
    compares: Cell<usize>,
}

impl Default for Sink {
    fn default() -> Self {
        Self { problems: RefCell::default(), compares: Cell::new(MOST_COMPARED) }
    }
}

impl Sink {
    /// Takes one problem; after [`MOST_PROBLEMS`] they are let go.
    pub fn report(&self, problem: Problem) {
        if !self.is_full() {
            self.problems.borrow_mut().push(problem.fitted());
        }
    }

    /// The known name that a word was likely meant to be, as [`nearest`] finds it, while there is room for finding.
    pub fn nearest<'k>(&self, word: &str, known: impl IntoIterator<Item = &'k str>) -> Option<&'k str> {
        let affords = |name: &&str| {
            // Words of very different lengths are not compared.
            let near = name.len().abs_diff(word.len()) <= name.len().max(word.len()) / 2 + 4;
            let cost = if near { (word.len() + 1).saturating_mul(name.len() + 1) } else { 16 };
            let left = self.compares.get().checked_sub(cost);
            self.compares.set(left.unwrap_or(0));
            left.is_some()
        };
        nearest(word, known.into_iter().take_while(affords))
    }

    /// True once there are so many problems that no more are taken.
    pub fn is_full(&self) -> bool {
        self.count() >= MOST_PROBLEMS
    }

    /// How many there are.
    pub fn count(&self) -> usize {
        self.problems.borrow().len()
    }

    /// All of them, leaving none.
    pub fn take(&self) -> Vec<Problem> {
        self.problems.take()
    }
}

/// A table of the tree, with what messages call it.
#[derive(Debug, Clone)]
pub(super) struct Table<'a> {
    sink: &'a Sink,
    text: usize,
    table: &'a DeTable<'a>,
    place: Place,
    owner: Rc<str>,
    known: Rc<RefCell<Vec<&'static str>>>,
}

/// A value of the tree under its key.
#[derive(Debug, Clone)]
pub(super) struct Field<'a> {
    sink: &'a Sink,
    text: usize,
    key: &'a str,
    key_place: Place,
    value: &'a Spanned<DeValue<'a>>,
    owner: Rc<str>,
}

impl<'a> Table<'a> {
    /// The whole of a text. `owner` is what messages call it, such as "the plan".
    pub fn root(sink: &'a Sink, text: usize, table: &'a DeTable<'a>, owner: &str) -> Self {
        let place = Place { text, start: 0, end: 0 };
        Self { sink, text, table, place, owner: owner.into(), known: Rc::default() }
    }

    /// The place of its key.
    pub fn place(&self) -> Place {
        self.place
    }

    /// What messages call it.
    pub fn owner(&self) -> &str {
        &self.owner
    }

    /// Reports a problem.
    pub fn report(&self, problem: Problem) {
        self.sink.report(problem);
    }

    /// The value of a key that may be left out.
    pub fn get(&self, key: &'static str) -> Option<Field<'a>> {
        self.allow(&[key]);
        let (found, value) = self.table.get_key_value(key)?;
        Some(self.field(found, value))
    }

    /// The value of a key that must be there; `example` shows how it would be written.
    pub fn need(&self, key: &'static str, example: &str) -> Option<Field<'a>> {
        let found = self.get(key);
        if found.is_none() && !self.misspelt(key) {
            let said = format!("{} has no `{key}`", self.owner);
            self.report(
                Problem::at(Kind::MissingKey, self.place, said)
                    .label(format!("`{key}` is missing here"))
                    .help(format!("add a line such as `{example}`")),
            );
        }
        found
    }

    /// True if a key that nothing knows looks like a slip for this one: it is reported as such, and
    /// saying that this one is missing would be saying it twice.
    pub fn misspelt(&self, key: &str) -> bool {
        let known = self.known.borrow();
        self.others(&known).iter().any(|f| self.sink.nearest(f.key, [key]).is_some())
    }

    /// Tells whether a key is there, without reading it.
    pub fn has(&self, key: &str) -> bool {
        self.table.contains_key(key)
    }

    /// Takes keys as known that nothing will ask for, because what they depend on is wrong already.
    pub fn allow(&self, keys: &[&'static str]) {
        let mut known = self.known.borrow_mut();
        for key in keys {
            if !known.contains(key) {
                known.push(key);
            }
        }
    }

    /// All entries in the order they are written; marks none as known.
    pub fn entries(&self) -> Vec<Field<'a>> {
        let mut all: Vec<_> = self.table.iter().map(|(k, v)| self.field(k, v)).collect();
        all.sort_by_key(|f| f.key_place.start);
        all
    }

    /// The entries whose keys are none of `known`, in the order they are written.
    pub fn others(&self, known: &[&str]) -> Vec<Field<'a>> {
        self.entries().into_iter().filter(|f| !known.contains(&f.key)).collect()
    }

    /// Named tables under a key, such as every `[fixture.NAME]`, in the order they are written.
    ///
    /// `noun` is what one of them is called.
    pub fn named(&self, key: &'static str, noun: &str) -> Vec<(&'a str, Table<'a>)> {
        let Some(field) = self.get(key) else { return Vec::new() };
        let Some(all) = field.table(&format!("`{key}`")) else { return Vec::new() };
        let most = most_of(key);
        let mut entries = all.entries();
        if let Some(over) = entries.get(most) {
            let said = format!("{} tables `{key}` in {}; at most {most} are read", entries.len(), self.owner);
            let problem = Problem::at(Kind::OutOfRange, over.key_place, said).label("one too many");
            self.report(
                problem.help("leave out what this set does not use, or share it among several plans"),
            );
            entries.truncate(most);
        }
        entries
            .into_iter()
            .filter_map(|f| f.table(&format!("{noun} `{}`", short(f.key))).map(|t| (f.key, t)))
            .collect()
    }

    /// Reports every key that was never asked for, with the nearest one that was; false if any was.
    pub fn finish(&self) -> bool {
        let known = self.known.borrow();
        let unknown = self.others(&known);
        for field in &unknown {
            field.unknown_key(known.iter().copied());
        }
        unknown.is_empty()
    }

    fn field(&self, key: &'a Spanned<toml::de::DeString<'a>>, value: &'a Spanned<DeValue<'a>>) -> Field<'a> {
        Field {
            sink: self.sink,
            text: self.text,
            key: key.get_ref(),
            key_place: Place { text: self.text, start: key.span().start, end: key.span().end },
            value,
            owner: Rc::clone(&self.owner),
        }
    }
}

impl<'a> Field<'a> {
    /// Its key.
    pub fn key(&self) -> &'a str {
        self.key
    }

    /// What messages call the table it stands in.
    pub fn owner(&self) -> &str {
        &self.owner
    }

    /// The place of its value.
    pub fn place(&self) -> Place {
        let span = self.value.span();
        Place { text: self.text, start: span.start, end: span.end }
    }

    /// The place of its key.
    pub fn key_place(&self) -> Place {
        self.key_place
    }

    /// The value as the parser left it.
    pub fn value(&self) -> &'a DeValue<'a> {
        self.value.get_ref()
    }

    /// Reports a problem.
    pub fn report(&self, problem: Problem) {
        self.sink.report(problem);
    }

    /// Where problems go.
    pub fn sink(&self) -> &'a Sink {
        self.sink
    }

    /// Reports a problem of this value.
    pub fn wrong(&self, kind: Kind, said: impl Into<String>, help: impl Into<String>) {
        self.report(Problem::at(kind, self.place(), said).label(self.found()).help(help));
    }

    /// Reports its key as one that means nothing here.
    pub fn unknown_key<'k>(&self, known: impl IntoIterator<Item = &'k str>) {
        if self.sink.is_full() {
            return;
        }
        let known: Vec<_> = known.into_iter().collect();
        let help = match self.sink.nearest(self.key, known.iter().copied()) {
            Some(near) => format!("did you mean `{near}`?"),
            None => format!("known here: {}", known.join(", ")),
        };
        let said = format!("{} has an unknown key `{}`", self.owner, short(self.key));
        self.report(Problem::at(Kind::UnknownKey, self.key_place, said).label("not known here").help(help));
    }

    /// What stands there, for a label: `found the text "5600 K"`.
    pub fn found(&self) -> String {
        match self.value() {
            DeValue::String(s) => format!("found the text \"{}\"", short(s)),
            DeValue::Integer(i) => format!("found the number {i}"),
            DeValue::Float(f) => format!("found the number {}", short(f.as_str())),
            DeValue::Boolean(b) => format!("found {b}"),
            DeValue::Datetime(d) => format!("found the date or time {d}"),
            DeValue::Array(_) => "found a list".into(),
            DeValue::Table(_) => "found a table".into(),
        }
    }

    /// Reports that its type is wrong; `wanted` is what it should be, `example` how to write it.
    pub fn wrong_type(&self, wanted: &str, example: &str) {
        let said = format!("`{}` of {} must be {wanted}", self.key, self.owner);
        self.wrong(Kind::WrongType, said, format!("write it like `{} = {example}`", self.key));
    }

    /// A table; `owner` is what messages call it.
    pub fn table(&self, owner: &str) -> Option<Table<'a>> {
        let DeValue::Table(table) = self.value() else {
            let said = format!("{owner} must be a table");
            self.wrong(Kind::WrongType, said, format!("write it like `[{}.NAME]` or `{{ … }}`", self.key));
            return None;
        };
        Some(Table {
            sink: self.sink,
            text: self.text,
            table,
            place: self.key_place,
            owner: owner.into(),
            known: Rc::default(),
        })
    }

    /// The table, if it is one.
    pub fn as_table(&self, owner: &str) -> Option<Table<'a>> {
        matches!(self.value(), DeValue::Table(_)).then(|| self.table(owner)).flatten()
    }

    /// The text, if it is one.
    pub fn as_text(&self) -> Option<&'a str> {
        match self.value() {
            DeValue::String(s) => Some(s),
            _ => None,
        }
    }

    /// A text.
    pub fn text(&self, example: &str) -> Option<&'a str> {
        let text = self.as_text();
        if text.is_none() {
            self.wrong_type("text in quotes", &format!("\"{example}\""));
        }
        text
    }

    /// One of several words, given with their meanings.
    pub fn word<T: Copy>(&self, words: &[(&str, T)]) -> Option<T> {
        let text = self.text(words.first().map_or("", |w| w.0))?;
        let found = words.iter().find(|(word, _)| *word == text).map(|w| w.1);
        if found.is_none() {
            self.unknown_word(words.iter().map(|w| w.0));
        }
        found
    }

    /// Reports that its text is none of the words allowed.
    pub fn unknown_word<'k>(&self, words: impl Iterator<Item = &'k str> + Clone) {
        let all: Vec<_> = words.map(|w| format!("\"{w}\"")).collect();
        let text = self.as_text().unwrap_or_default();
        let near = self.sink.nearest(text, all.iter().map(|w| w.trim_matches('"')));
        let said = format!("`{}` of {} cannot be \"{}\"", self.key, self.owner, short(text));
        let help = near.map_or_else(
            || format!("allowed: {}", all.join(", ")),
            |n| format!("did you mean \"{n}\"? Allowed: {}", all.join(", ")),
        );
        self.report(
            Problem::at(Kind::UnknownWord, self.place(), said).label("not one of its words").help(help),
        );
    }

    /// True or false.
    pub fn truth(&self) -> Option<bool> {
        let DeValue::Boolean(truth) = self.value() else {
            self.wrong_type("true or false", "true");
            return None;
        };
        Some(*truth)
    }

    /// The elements of a list, each with this field's key.
    pub fn list(&self, example: &str) -> Option<Vec<Field<'a>>> {
        let DeValue::Array(items) = self.value() else {
            self.wrong_type("a list", example);
            return None;
        };
        let of = |value| Field { value, ..self.clone() };
        Some(items.iter().map(of).collect())
    }

    /// The number there, whole or not; `None` where there is none, without a report.
    pub fn as_number(&self) -> Option<f64> {
        match self.value() {
            DeValue::Integer(i) => match i64::from_str_radix(i.as_str(), i.radix()) {
                Ok(n) => Some(n as f64),
                Err(_) => i.as_str().parse().ok(),
            },
            DeValue::Float(f) => f.as_str().parse().ok(),
            _ => None,
        }
    }
}
