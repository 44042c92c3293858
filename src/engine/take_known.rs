//! Takes that the engine remembers, so that each recall can tell at once whether its light is a take's.
//!
//! Those of this run, and at a start the newest of the log. Everything older is asked of the log by name.

use std::sync::Arc;

use super::Engine;
use super::take::Rolling;
use crate::control::TakeMark;
use crate::guards::identity::names::numbered;
use crate::journal::{LightRecord, TakeAmend, TakeFound, TakeRecord};
use crate::plan::Plan;

/// Takes of one look that are remembered: the one that is told may be marked bad later.
const OF_ONE_LOOK: usize = 4;
/// Takes that are remembered in all. Judgement: several for each look of a long list, some megabytes for many lamps.
const MOST: usize = 400;

impl Engine {
    /// The record of the take that rolls, for the recalls after it.
    pub(super) fn remember_start(&mut self, record: &TakeRecord) {
        if let Some(take) = &mut self.take {
            take.record = Some(Box::new(record.clone()));
        }
    }

    /// The light by which it is measured.
    pub(super) fn remember_light(&mut self, light: &LightRecord) {
        if let Some(record) = self.take.as_mut().and_then(|t| t.record.as_mut()) {
            record.light.clone_from(light);
        }
    }

    /// A take is over: recalls of its look are held against it from now on.
    pub(super) fn remember_take(&mut self, take: &Rolling, mark: Option<TakeMark>) {
        let (log_name, name) = (format!("n{}", take.number), take.name.clone());
        let Some(record) = take.record.clone() else {
            // It began before a restart: the log has told of it.
            self.known.amend(&log_name, name, &TakeAmend { mark, ..TakeAmend::default() });
            return;
        };
        self.known.add(KnownTake { log_name, name, mark, record: Arc::from(record) });
    }
}

/// A take that is remembered.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct KnownTake {
    /// Its log number as people name it: `n12`.
    pub log_name: String,
    /// Slate and take, as corrected last.
    pub name: String,
    pub mark: Option<TakeMark>,
    pub record: Arc<TakeRecord>,
}

/// All of them, the oldest first.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct KnownTakes(Vec<KnownTake>);

impl KnownTakes {
    /// Adds the newest.
    pub fn add(&mut self, take: KnownTake) {
        self.0.retain(|t| t.log_name != take.log_name);
        let same = |t: &&KnownTake| t.record.look == take.record.look;
        if self.0.iter().filter(same).count() >= OF_ONE_LOOK
            && let Some(oldest) = self.least(&take.record.look)
        {
            self.0.remove(oldest);
        }
        if self.0.len() >= MOST {
            self.0.remove(0);
        }
        self.0.push(take);
    }

    /// The one of a look that is missed least: the oldest that is bad, else the oldest.
    fn least(&self, look: &str) -> Option<usize> {
        let of_look = || self.0.iter().enumerate().filter(|(_, t)| t.record.look == look);
        let bad = of_look().find(|(_, t)| t.mark == Some(TakeMark::Bad));
        bad.or_else(|| of_look().next()).map(|(index, _)| index)
    }

    /// Takes of the log, the oldest first; those that are known already stay as they are, and newer.
    pub fn learn(&mut self, found: Vec<TakeFound>) {
        let known = std::mem::take(&mut self.0);
        for take in found {
            let (name, mark) = (take.name(), take.mark());
            self.add(KnownTake { log_name: take.log_name, name, mark, record: Arc::new(take.record) });
        }
        known.into_iter().for_each(|take| self.add(take));
    }

    /// Adds what a person amended.
    pub fn amend(&mut self, log_name: &str, name: String, amend: &TakeAmend) {
        if let Some(take) = self.0.iter_mut().find(|t| t.log_name == log_name) {
            take.name = name;
            take.mark = amend.mark.or(take.mark);
        }
    }

    /// The only take of this name or log number; `None` where there is none, or more.
    pub fn called(&self, name: &str) -> Option<&KnownTake> {
        let mut found = self.0.iter().filter(|t| t.log_name == name || t.name == name);
        found.next().filter(|_| found.next().is_none())
    }

    /// The take of a look that its light is held against: the latest that nobody marked bad, else the latest.
    pub fn of_look(&self, look: &str, plan: &Plan) -> Option<&KnownTake> {
        // Recorded while a face was protected it has the look's number in its plan.
        let number = |t: &KnownTake| {
            let index = numbered("look", &t.record.look).filter(|_| t.record.light.plan == plan.hash);
            index.and_then(|i| plan.looks.get(i)).is_some_and(|l| l.name == look)
        };
        let of_look = || self.0.iter().rev().filter(|t| t.record.look == look || number(t));
        of_look().find(|t| t.mark != Some(TakeMark::Bad)).or_else(|| of_look().next())
    }
}
