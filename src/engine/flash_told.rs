//! What is told of flashes: once when a raise begins to be held, and once when nothing has been for a while.

use super::flash::Spot;
use super::{Action, Engine, say};
use crate::guards::flash::Cause;
use crate::plan::FixtureId;
use crate::units::FrameNumber;

impl Engine {
    /// Tells what begins or ends with frame `n`.
    pub(super) fn tell_flash(&mut self, n: FrameNumber) -> Option<Action> {
        let episode = self.flash.episode?;
        let name = |id: FixtureId| self.plan.fixture(id).id.clone();
        if !episode.told {
            let lamp = self.plan.fixture_ids().find(|id| self.flash_holds(*id));
            let said = self.flash_said();
            if let Some(episode) = &mut self.flash.episode {
                (episode.told, episode.lamp) = (true, lamp);
            }
            let fixture = lamp.map(|id| self.plan.fixture(id).id.clone());
            return Some(self.tell("flash-held", fixture, said, n));
        }
        if self.flash_is_over(n) {
            let lamp = episode.lamp.map(name);
            self.flash.episode = None;
            let said = "no light is held for flashes any longer".to_owned();
            return Some(self.tell("flash-free", lamp, said, n));
        }
        None
    }

    /// What stands in the status.
    pub(super) fn flash_standing(&self) -> Option<(&'static str, Option<String>, String)> {
        let episode = self.flash.episode.filter(|e| e.told)?;
        let lamp = episode.lamp.map(|id| self.plan.fixture(id).id.clone());
        Some(("flash-held", lamp, self.flash_said()))
    }

    fn flash_said(&self) -> String {
        let Some(episode) = self.flash.episode else { return String::new() };
        let place = match self.flash.spot(episode.held.point) {
            Some(Spot::Meter(at)) => {
                let subject = self.plan.subjects.get(at.subject.0).map_or("", |s| s.id.as_str());
                format!("at `{}@{subject}`", at.point.word())
            }
            Some(Spot::Aim(lamp)) => format!("where `{}` is aimed", self.plan.fixture(lamp).id),
            None => "at one point".to_owned(),
        };
        let what = match episode.held.cause {
            Cause::General => "would make a fourth flash in one second",
            Cause::Red => "would change to or from deep red once too often in one second",
        };
        let held: Vec<FixtureId> = self.plan.fixture_ids().filter(|id| self.flash_holds(*id)).collect();
        let Some(first) = held.first() else {
            return format!("light was held that {what} {place}; as asked now");
        };
        let (lamp, name) = (&self.lamps[first.0], &self.plan.fixture(*first).id);
        let names: Vec<String> = held.iter().map(|id| format!("`{}`", self.plan.fixture(*id).id)).collect();
        let names = match names.split_last() {
            Some((last, [])) => last.clone(),
            Some((last, rest)) => format!("{} and {last}", rest.join(", ")),
            None => String::new(),
        };
        let left = episode.free.saturating_sub(self.last.unwrap_or(0));
        format!(
            "{names} held, which {what} {place}: `{name}` sends {:.0} lx of {:.0} lx asked; as asked in about {} \
             unless more flashes are asked for",
            lamp.sent.lux,
            lamp.asked.lux,
            say::span(self.clock().seconds(left))
        )
    }
}
