//! Trims as they are kept between two starts: plain data.

use serde::{Deserialize, Serialize};

use crate::light::Trim;

/// Most trims of each kind that are kept, and groups that can be taken back. Judgement: far more than a rig has, and a
/// stream of requests fills neither memory nor disk.
pub(super) const MOST: usize = 2000;
/// Groups of trims that can be taken back.
pub(super) const MOST_GROUPS: usize = 50;
/// Whose trim it is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum TrimOf {
    /// A body's in the job it was metered in, in every look.
    Lamp {
        /// The body's name, or the fixture's id where it has none.
        lamp: String,
        /// The fixture's id.
        fixture: String,
    },
    /// A fixture's in one look.
    Look {
        /// The look.
        look: String,
        /// The fixture's id.
        fixture: String,
    },
}

/// A trim in force.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KeptTrim {
    /// Whose.
    pub of: TrimOf,
    /// How much.
    pub trim: Trim,
}

/// What put trims there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TrimsBy {
    /// The metering walk.
    Meter,
    /// A match with a take or the plan.
    Match,
}

/// Trims that were set together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KeptGroup {
    /// Counts them, from 1.
    pub id: u64,
    /// What put them there.
    pub by: TrimsBy,
    /// What each was changed by.
    pub changes: Vec<KeptTrim>,
}

/// What is kept of trims between two starts.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KeptTrims {
    /// Those in force, or of lamps and looks that the plan in force does not have.
    pub trims: Vec<KeptTrim>,
    /// What can be taken back, the latest last.
    pub groups: Vec<KeptGroup>,
    /// The last group's number.
    pub last_group: u64,
}

impl KeptTrims {
    /// True if every figure and text in it can be what lampkeep wrote. `longest`: of a text, in bytes.
    pub(super) fn possible(&self, longest: usize) -> bool {
        let fits = |t: &KeptTrim| {
            let (TrimOf::Lamp { lamp: a, fixture: b } | TrimOf::Look { look: a, fixture: b }) = &t.of;
            a.len() <= longest && b.len() <= longest && t.trim.possible()
        };
        // A change from one end of what is possible to the other is twice as much.
        let change = |t: &KeptTrim| fits(&KeptTrim { trim: half(t.trim), ..t.clone() });
        self.trims.len() <= MOST
            && self.groups.len() <= MOST_GROUPS
            && self.trims.iter().all(fits)
            && self.groups.iter().all(|g| g.changes.len() <= MOST && g.changes.iter().all(change))
    }

    /// Every text in it that a plan named something by.
    pub(super) fn names(&self) -> impl Iterator<Item = &str> {
        let changes = self.groups.iter().flat_map(|g| &g.changes);
        self.trims.iter().chain(changes).flat_map(|t| {
            let (TrimOf::Lamp { lamp: a, fixture: b } | TrimOf::Look { look: a, fixture: b }) = &t.of;
            [a.as_str(), b.as_str()]
        })
    }
}

fn half(trim: Trim) -> Trim {
    Trim { stops: trim.stops / 2.0, mired: trim.mired / 2.0, duv: trim.duv / 2.0 }
}
