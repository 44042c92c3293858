//! The takes of a rehearsal: begun as soon as the light stands, ended as planned, told with the engine's own verdict.

use super::course::Course;
use super::script::SHORTEST_TAKE_S;
use super::{TakeRow, Watches};
use crate::control::Request;

/// A take that rolls.
pub(super) struct Rolls {
    /// Its plain name, such as `3/1`.
    pub take: String,
    /// The frame in which it began.
    pub at: u64,
    /// The step it is in.
    pub row: usize,
    /// The frame in which it is to end.
    pub ends: u64,
}

impl<W: Watches> Course<'_, W> {
    /// Takes that begin and end at this frame.
    pub fn takes(&mut self, at: u64) {
        if self.rolls.as_ref().is_some_and(|r| r.ends <= at) {
            self.take_over(at);
        }
        let Some((start, ends)) = self.takes.front().copied().filter(|t| t.0 <= at) else { return };
        let (Some(here), false) = (&self.here, self.rows.is_empty()) else { return };
        let row = self.rows.len() - 1;
        let slate = here.number.to_string();
        let answer = self.ask(Request::TakeStart { slate: Some(slate.clone()), in_s: None }, at);
        let take = self.engine.now().take;
        if let Some(take) = take.filter(|_| answer.as_ref().is_some_and(|a| a.ok)) {
            // The plain name: while a face is protected the status has another, and this is at home.
            let number = take.rsplit('/').next().unwrap_or("1").to_owned();
            self.takes.pop_front();
            self.rolls = Some(Rolls { take: format!("{slate}/{number}"), at, row, ends });
            return;
        }
        // The light may still be on its way: a second later again, as long as there is time for a take.
        let rate = u64::from(self.clock.rate());
        self.takes.pop_front();
        if at + rate + SHORTEST_TAKE_S * rate <= ends {
            self.takes.push_front((at + rate, ends));
            return;
        }
        let why = answer.and_then(|a| a.error).map_or("no answer".to_owned(), |e| e.said);
        let at_s = self.clock.seconds(start);
        let take = format!("{slate}/-");
        self.rows[row].takes.push(TakeRow {
            take,
            at_s,
            lasted_s: 0.0,
            steady: false,
            why: vec![why],
            cold: None,
        });
    }

    /// The take that rolls, if one does, is over.
    pub fn take_over(&mut self, at: u64) {
        let Some(rolls) = self.rolls.take() else { return };
        let answer = self.ask(Request::TakeEnd { mark: None }, at);
        let data = answer.and_then(|a| a.data).unwrap_or_default();
        let why = data["why"].as_array().into_iter().flatten().filter_map(|w| w.as_str().map(str::to_owned));
        let why: Vec<String> = why.collect();
        let ended = data["steady"].is_boolean();
        self.took(&rolls, at, ended, why);
    }

    /// A take is over, or broken off where it has not `ended`, for these reasons against its being steady.
    pub fn took(&mut self, rolls: &Rolls, at: u64, ended: bool, mut why: Vec<String>) {
        let cold = why.iter().position(|w| w.starts_with("a lamp cold:")).map(|i| why.remove(i));
        let steady = ended && why.is_empty();
        let lasted_s = self.clock.seconds(at.saturating_sub(rolls.at));
        let at_s = self.clock.seconds(rolls.at);
        if let Some(row) = self.rows.get_mut(rolls.row) {
            row.takes.push(TakeRow { take: rolls.take.clone(), at_s, lasted_s, steady, why, cold });
        }
    }
}
