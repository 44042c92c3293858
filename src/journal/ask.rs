//! What the engine asks of the log, and what comes back.

use serde::{Deserialize, Serialize};

use super::Stamp;
use super::name::TakeName;
use super::take::{ReadingRecord, TakeAmend, TakeEnd, TakeRecord};

/// What is wanted of the log.
#[derive(Debug, Clone, PartialEq)]
pub enum Wanted {
    /// One take. A name that two takes have is a failure that lists both.
    Take(TakeName),
    /// This log's takes in the order of their starts, the newest so many.
    Takes {
        /// At most so many.
        most: usize,
    },
    /// Readings in the order in which they came, the newest so many.
    Readings {
        /// At most so many.
        most: usize,
    },
    /// The readings that stood for a take, in the order in which they came. Each log counts its own.
    ReadingsOf {
        /// The take's log number as people name it: `n12`, `n12@7f3a`.
        take: String,
        /// Their ids.
        ids: Vec<u64>,
    },
}

/// What was found.
#[derive(Debug, Clone, PartialEq)]
pub enum Found {
    /// One take.
    Take(Box<TakeFound>),
    /// Takes.
    Takes(Vec<TakeFound>),
    /// Readings.
    Readings(Vec<ReadingFound>),
}

impl Wanted {
    /// The readings of this take.
    #[must_use]
    pub fn readings_of(take: &TakeFound) -> Self {
        Self::ReadingsOf { take: take.log_name.clone(), ids: take.record.readings.clone() }
    }
}

/// A take with everything that was recorded of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TakeFound {
    /// Its log number as people name it: `n12`, of another machine's log `n12@7f3a`.
    pub log_name: String,
    /// True if it came from another machine's log.
    pub imported: bool,
    /// When it began.
    pub stamp: Stamp,
    /// What it began with; its light is that of the frame by which it is measured.
    pub record: TakeRecord,
    /// Its end; `None` while it rolls.
    pub end: Option<TakeEnd>,
    /// What was amended, in order.
    pub amended: Vec<TakeAmend>,
}

/// A reading, and when it was taken.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ReadingFound {
    /// When.
    pub stamp: Stamp,
    /// What.
    pub record: ReadingRecord,
}
