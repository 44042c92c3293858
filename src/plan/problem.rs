//! What can be wrong with a plan: one problem with its places, and the report of a whole run.
//!
//! Words are put together where the problem is found, because only there is known what was found and
//! what would be right; the kinds are stable words for programs. Rendering is `diagnose`'s work.

use super::sources::Text;
use crate::words::fitted;

/// Longest text of a problem, in characters. Judgement: several times the longest that names of 40 make.
const LONGEST_SAID: usize = 1000;

/// A stretch of one source text.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    /// Index of the text in [`Report::texts`].
    pub text: usize,
    /// First byte.
    pub start: usize,
    /// Byte after the last one.
    pub end: usize,
}

/// A place with what is to be said of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mark {
    /// Where.
    pub place: Place,
    /// What is there, in a few words.
    pub said: String,
}

macro_rules! kinds {
    ($($(#[$doc:meta])* $name:ident = $word:literal,)*) => {
        /// Stable words for what is wrong; [`Kind::word`] gives the kebab-case form.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
        pub enum Kind { $($(#[$doc])* $name,)* }

        impl Kind {
            /// Every kind, in the order of this list.
            pub const ALL: &'static [Self] = &[$(Self::$name,)*];

            /// The kebab-case word, which never changes.
            #[must_use]
            pub const fn word(self) -> &'static str {
                match self { $(Self::$name => $word,)* }
            }
        }
    };
}

kinds! {
    /// The file could not be read at all.
    Unreadable = "unreadable",
    /// A folder where a file is wanted.
    Folder = "folder",
    /// No such file.
    NoFile = "no-file",
    /// Nothing in the file.
    Empty = "empty",
    /// Over the greatest size.
    TooBig = "too-big",
    /// Not UTF-8.
    NotUtf8 = "not-utf-8",
    /// Not TOML.
    Syntax = "syntax",
    /// The same key or table twice in one text.
    Twice = "twice",
    /// A key that means nothing here.
    UnknownKey = "unknown-key",
    /// A key that must be there.
    MissingKey = "missing-key",
    /// Two keys that rule each other out.
    Conflict = "conflict",
    /// Text where a number is wanted, a number where a table is wanted, and so on.
    WrongType = "wrong-type",
    /// A unit missing, unknown, or written where a bare number is wanted.
    Unit = "unit",
    /// NaN or infinity.
    NotFinite = "not-finite",
    /// A number outside its range.
    OutOfRange = "out-of-range",
    /// A word that is none of the known ones.
    UnknownWord = "unknown-word",
    /// A name with characters that names may not have.
    BadName = "bad-name",
    /// A name that means something else already.
    ReservedName = "reserved-name",
    /// One name for two things.
    NameClash = "name-clash",
    /// A name that nothing has.
    UnknownName = "unknown-name",
    /// A clock position that is none.
    BadClock = "bad-clock",
    /// A place that cannot be.
    BadPlace = "bad-place",
    /// A slot number outside 1 to 512.
    BadAddress = "bad-address",
    /// A footprint that runs past slot 512.
    PastEnd = "past-end",
    /// Two lamps on the same slots.
    Overlap = "overlap",
    /// A beam file that is no LM-63 file, or has no light on its axis.
    BadBeam = "bad-beam",
    /// A file that is no spectrum, or a lamp without one where one is needed.
    Spectrum = "spectrum",
    /// A mode that cannot be driven as it stands.
    BadMode = "bad-mode",
    /// Looks that are `like` each other.
    LikeCircle = "like-circle",
    /// Not exactly one level in a target.
    Level = "level",
    /// `to-key` without a key that it could count from.
    NoKey = "no-key",
    /// A target that the lamp's mode cannot drive.
    Undriveable = "undriveable",
    /// Measured points that do not rise.
    NotRising = "not-rising",
    /// Two groups that both set a lamp in one look.
    GroupClash = "group-clash",
    /// Something secret, which has no place in a plan.
    Secret = "secret",
    /// Motions that flash more often than the flash guard lets pass.
    Flashes = "flashes",
}

/// One thing that is wrong.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// Stable word.
    pub kind: Kind,
    /// What was found and what is allowed.
    pub said: String,
    /// Where; the first is the place itself, others are what it clashes with.
    pub marks: Vec<Mark>,
    /// One next step.
    pub help: Option<String>,
}

impl Problem {
    /// A problem at a place.
    pub(super) fn at(kind: Kind, place: Place, said: impl Into<String>) -> Self {
        Self { kind, said: said.into(), marks: vec![Mark { place, said: String::new() }], help: None }
    }

    /// A problem of a whole text.
    pub(super) fn of_file(kind: Kind, said: impl Into<String>) -> Self {
        Self { kind, said: said.into(), marks: Vec::new(), help: None }
    }

    /// What to say at the first place.
    pub(super) fn label(mut self, said: impl Into<String>) -> Self {
        if let Some(first) = self.marks.first_mut() {
            first.said = said.into();
        }
        self
    }

    /// Another place.
    pub(super) fn also(mut self, place: Place, said: impl Into<String>) -> Self {
        self.marks.push(Mark { place, said: said.into() });
        self
    }

    /// Cut to what a person reads, and without what steers a terminal: names and texts of a plan may be of any length
    /// and hold anything.
    pub(super) fn fitted(mut self) -> Self {
        let fit = |text: &mut String| *text = fitted(std::mem::take(text), LONGEST_SAID);
        fit(&mut self.said);
        self.help.as_mut().map(fit);
        self.marks.iter_mut().for_each(|mark| fit(&mut mark.said));
        self
    }

    /// The next step.
    pub(super) fn help(mut self, help: impl Into<String>) -> Self {
        self.help = Some(help.into());
        self
    }
}

/// All problems of one run, with the texts they were found in. Never without a problem.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Report {
    /// The texts; [`Place::text`] counts in them.
    pub texts: Vec<Text>,
    /// What is wrong, in the order of the texts and of the places in them.
    pub problems: Vec<Problem>,
}

impl std::fmt::Display for Report {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let name = self.texts.first().map_or("the plan", |t| t.name.as_str());
        match self.problems.as_slice() {
            [only] => write!(f, "{name}: {}", only.said),
            many => write!(f, "{} errors in {name}", many.len()),
        }
    }
}

impl std::error::Error for Report {}

impl Report {
    /// Sorts the problems by text and place; those of whole files come first.
    pub(super) fn new(texts: Vec<Text>, problems: Vec<Problem>) -> Self {
        let mut problems: Vec<_> = problems.into_iter().map(Problem::fitted).collect();
        problems.sort_by_key(|p| p.marks.first().map(|m| (m.place.text, m.place.start)));
        // A target taken over by `like` is checked once for each look that has it.
        problems.dedup();
        Self { texts, problems }
    }

    /// Line and column of a place, both counted from 1; columns count characters.
    #[must_use]
    pub fn line_column(&self, place: Place) -> (usize, usize) {
        let text = self.texts.get(place.text).map_or("", |t| t.text.as_str());
        let mut end = place.start.min(text.len());
        while !text.is_char_boundary(end) {
            end -= 1;
        }
        let before = &text[..end];
        let line_start = before.rfind('\n').map_or(0, |at| at + 1);
        (before.matches('\n').count() + 1, before[line_start..].chars().count() + 1)
    }
}
