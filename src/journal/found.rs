//! A take as it stands after everything that was amended.

use super::ask::TakeFound;
use super::entry::{LightRecord, SlotsRecord};
use crate::control::TakeMark;
use crate::engine::take_typed;

impl TakeFound {
    /// Its name as corrected last, such as `4/3`.
    #[must_use]
    pub fn name(&self) -> String {
        let slate = self.amended.iter().rev().find_map(|a| a.slate.as_deref());
        let take = self.amended.iter().rev().find_map(|a| a.take);
        let slate = slate.unwrap_or(&self.record.slate);
        format!("{slate}/{}", take.unwrap_or(self.record.take))
    }

    /// A person's latest mark.
    #[must_use]
    pub fn mark(&self) -> Option<TakeMark> {
        let amended = self.amended.iter().rev().find_map(|a| a.mark);
        amended.or_else(|| self.end.as_ref().and_then(|e| e.mark))
    }

    /// What was typed of it, each name's latest text, in the order in which they first came. Notes are all kept, but
    /// those that were taken back by an empty one.
    #[must_use]
    pub fn typed(&self) -> Vec<(String, String)> {
        let mut all: Vec<(String, String)> = Vec::new();
        let later = self.amended.iter().flat_map(|a| &a.typed);
        for (name, text) in self.record.typed.iter().chain(later) {
            if text.is_empty() {
                all.retain(|(known, _)| known != name);
            } else if name == "note" {
                all.push((name.clone(), text.clone()));
            } else {
                match all.iter_mut().find(|(known, _)| known == name) {
                    Some((_, known)) => known.clone_from(text),
                    None => all.push((name.clone(), text.clone())),
                }
            }
        }
        all
    }
}

impl TakeFound {
    /// Every name in it that a plan gave something, slates apart.
    #[must_use]
    pub fn names(&self) -> Vec<&str> {
        let record = &self.record;
        let lamps = record.light.lamps.iter().flat_map(|l| {
            [Some(&l.fixture), l.body.as_ref(), l.moves_in.as_ref(), l.absent.as_ref()].into_iter().flatten()
        });
        let states = record.lamps.iter().flat_map(|l| [l.sticker.as_ref(), l.circuit.as_ref()]).flatten();
        let things = record.bounces.iter().chain(&record.daylight).chain(&record.subjects).map(|p| &p.id);
        let aims = record.places.iter().map(|p| &p.aim);
        let cameras = record.cameras.iter().map(|c| &c.id);
        let typed = record.typed.iter().chain(self.amended.iter().flat_map(|a| &a.typed));
        let free = |name: &str| take_typed::field(name).is_none_or(|f| f.is_text());
        let typed = typed.filter(|(name, _)| free(name)).map(|(_, text)| text);
        let all = lamps.chain(states).chain(things).chain(aims).chain(cameras).chain(typed);
        all.chain([&record.look]).map(String::as_str).collect()
    }
}

impl LightRecord {
    /// Every output's universe with all its 512 slots, as they were sent: nothing else is needed for it, no plan.
    /// `None` where the record is damaged.
    #[must_use]
    pub fn frames(&self) -> Option<Vec<(u16, [u8; 512])>> {
        let frame = |output: &SlotsRecord| {
            let (pairs, rest) = output.slots.as_bytes().as_chunks::<2>();
            let mut slots = [0; 512];
            if !rest.is_empty() || pairs.len() > slots.len() {
                return None;
            }
            for (slot, pair) in slots.iter_mut().zip(pairs) {
                *slot = u8::from_str_radix(std::str::from_utf8(pair).ok()?, 16).ok()?;
            }
            Some((output.universe, slots))
        };
        self.outputs.iter().map(frame).collect()
    }
}
