//! The readings so far, as text that survives an interruption.

use serde::{Deserialize, Serialize};

use super::procedure::{Kind, Options, Step, agree};
use crate::light::typed::{self, Bare, Reading};
use crate::plan::{Exposure, Fixture};
use crate::words::{fitted, short};

/// What was typed at one step.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Entry {
    /// The step's name.
    pub step: String,
    /// The channel value that was sent.
    pub sent: u16,
    /// As typed: a reading, `skip`, or `held` where a guard held the lamp lower.
    pub typed: String,
    /// When, RFC 3339.
    pub at: String,
}

/// A calibration under way.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Session {
    /// The body.
    pub lamp: String,
    /// Its profile.
    pub profile: String,
    /// The mode it is set to.
    pub mode: String,
    /// From its lit front to the receptor, as typed.
    pub distance: String,
    /// The meter, in words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub meter: Option<String>,
    /// Anything else that a person should know.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub conditions: Option<String>,
    /// Levels are read upwards too.
    #[serde(default)]
    pub upwards: bool,
    /// Every emitter is swept.
    #[serde(default)]
    pub every_emitter: bool,
    /// The readings, in the order in which they were taken.
    #[serde(default, rename = "reading")]
    pub readings: Vec<Entry>,
}

/// What a typed line means.
#[derive(Debug, Clone, PartialEq)]
pub enum Word {
    /// A reading.
    Reading(Reading),
    /// Leave this one out.
    Skip,
    /// Go one step back.
    Redo,
    /// Stop here; the readings stay.
    Quit,
}

/// Why a kept session is of no use.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SessionError {
    /// It cannot be read.
    #[error("its kept readings cannot be read: {0}")]
    Garbled(String),
    /// It is of the lamp as it was.
    #[error("its kept readings are of {profile} in mode {mode}, which it is no longer")]
    OtherLamp {
        /// Profile then.
        profile: String,
        /// Mode then.
        mode: String,
    },
}

impl Session {
    /// The choices it was begun with.
    #[must_use]
    pub fn options(&self) -> Options {
        Options { upwards: self.upwards, every_emitter: self.every_emitter }
    }

    /// Reads kept text. Errors: see [`SessionError`].
    pub fn read(text: &str, fixture: &Fixture) -> Result<Self, SessionError> {
        let garbled = |e: toml::de::Error| SessionError::Garbled(fitted(e.message().to_owned(), 300));
        let kept: Self = toml::from_str(text).map_err(garbled)?;
        if (&kept.profile, &kept.mode) != (&fixture.profile.name, &fixture.mode.name) {
            return Err(SessionError::OtherLamp { profile: short(&kept.profile), mode: short(&kept.mode) });
        }
        Ok(kept)
    }

    /// As text. Errors: never for what typed lines can hold; those of the writer otherwise.
    pub fn text(&self) -> Result<String, toml::ser::Error> {
        let body = toml::to_string(self)?;
        Ok(format!(
            "# Readings of {}, kept until its calibration is written. To begin anew, remove this file.\n{body}",
            self.lamp
        ))
    }

    /// The entry of a step; of a warm-up, which has several, the last.
    #[must_use]
    pub fn entry(&self, step: &str) -> Option<&Entry> {
        self.readings.iter().rev().find(|e| e.step == step)
    }

    /// The first step that is not done: read, skipped or held, a warm-up until two readings agree.
    #[must_use]
    pub fn next<'s>(&self, steps: &'s [Step], exposure: &Exposure) -> Option<(usize, &'s Step)> {
        steps.iter().enumerate().find(|(_, s)| !self.is_done(s, exposure))
    }

    fn is_done(&self, step: &Step, exposure: &Exposure) -> bool {
        let Some(last) = self.entry(&step.id) else { return false };
        if step.kind != Kind::Warm || last.typed == "skip" {
            return true;
        }
        let all = self.readings.iter().filter(|e| e.step == step.id);
        let lux: Vec<f64> = all.filter_map(|e| Self::reading(e, false, exposure)?.lux).collect();
        matches!(lux[..], [.., before, now] if agree(before, now))
    }

    /// Takes the newest entry out, with those of guards that held before it; true if there was one.
    pub fn undo(&mut self) -> bool {
        while self.readings.last().is_some_and(|e| e.typed == "held") {
            self.readings.pop();
        }
        self.readings.pop().is_some()
    }

    /// Takes the entries of these steps out, so that they are read again.
    pub fn forget(&mut self, steps: &[String]) {
        self.readings.retain(|e| !steps.contains(&e.step));
    }

    /// The reading of an entry; `None` where it was skipped or held.
    #[must_use]
    pub fn reading(entry: &Entry, colour: bool, exposure: &Exposure) -> Option<Reading> {
        match Word::of(&entry.typed, colour, exposure) {
            Ok(Word::Reading(reading)) => Some(reading),
            _ => None,
        }
    }
}

impl Word {
    /// What a typed line means. `colour`: the step reads colour, so that a bare number counts kelvin.
    ///
    /// Errors: one line for the person.
    pub fn of(line: &str, colour: bool, exposure: &Exposure) -> Result<Self, String> {
        match line.trim().to_lowercase().as_str() {
            "skip" | "s" => Ok(Self::Skip),
            "redo" | "r" => Ok(Self::Redo),
            "quit" | "q" => Ok(Self::Quit),
            "held" => Err("`held` is no reading".to_owned()),
            other => {
                let bare = if colour { Bare::Kelvin } else { Bare::Lux };
                let reading = typed::parse(other, exposure, bare).map_err(|e| e.to_string())?;
                if !colour && reading.lux.is_none() {
                    return Err("this step wants light: such as 250lx, 23fc or f/2.8+0.3".to_owned());
                }
                let no_colour = reading.kelvin.is_none() && reading.xy.is_none();
                if colour && no_colour {
                    return Err("this step wants colour: such as 5120K +0.003duv, or xy0.44,0.40".to_owned());
                }
                Ok(Self::Reading(reading))
            }
        }
    }
}
