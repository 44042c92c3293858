//! What is told of the guard: in the status, and as alerts that stand.

use std::collections::BTreeSet;

use crate::control::ProtectStatus;
use crate::engine::Engine;
use crate::guards::identity::names::Names;
use crate::plan::FixtureId;

impl Engine {
    /// What the status tells of the guard. Its lamps are told as the rest of the status tells them.
    pub(in crate::engine) fn protect_status(&self) -> ProtectStatus {
        if !self.protected() {
            return ProtectStatus::default();
        }
        let numbers = Names::of(&self.plan, true);
        let name = |id: FixtureId| numbers.lamp(id);
        ProtectStatus {
            on: true,
            since: Some(self.protect.since_s),
            held: self.protect.means.locked.iter().map(|r| name(r.fixture)).collect(),
            unplug: self.to_unplug().into_iter().map(name).collect(),
            unconfirmed: self.unconfirmed().into_iter().map(name).collect(),
        }
    }

    /// Held lamps that may light up by themselves and that nobody has said are not here.
    pub(in crate::engine) fn to_unplug(&self) -> Vec<FixtureId> {
        let here = |id: &&FixtureId| self.lamps[id.0].absent.is_none();
        self.protect.means.unplug.iter().filter(here).copied().collect()
    }

    /// Hand-set lamps that reach a face and that nobody has said are unplugged.
    pub(in crate::engine) fn unconfirmed(&self) -> Vec<FixtureId> {
        self.protect.means.unconfirmed(|id| self.lamps[id.0].absent.is_some()).collect()
    }

    /// The ids under which the lamps are not told now: topics of theirs are to be forgotten.
    pub(in crate::engine) fn other_ids(&self) -> Vec<String> {
        let ids = BTreeSet::from_iter(self.plan.fixtures.iter().map(|f| f.id.clone()));
        let numbers = Names::of(&self.plan, true);
        let numbers: BTreeSet<String> = self.plan.fixture_ids().map(|id| numbers.lamp(id)).collect();
        let (told, other) = if self.protected() { (numbers, ids) } else { (ids, numbers) };
        other.difference(&told).cloned().collect()
    }

    /// What stands in the status while lamps are held.
    pub(in crate::engine) fn protect_standing(&self) -> Vec<(&'static str, Option<String>, String)> {
        if !self.protected() {
            return Vec::new();
        }
        let mut standing = Vec::new();
        let name = |id: FixtureId| self.plan.fixture(id).id.clone();
        let held: Vec<_> = self.protect.means.locked.iter().map(|r| name(r.fixture)).collect();
        let held = if held.is_empty() {
            "no lamp reaches it".to_owned()
        } else {
            format!("held at zero: {}", held.join(", "))
        };
        standing.push((
            "protect-on",
            None,
            format!("a face is protected · {held} · check the recording with its shadows lifted; `lampkeep protect off` gives a code"),
        ));
        for id in self.to_unplug() {
            let said = format!(
                "UNPLUG {}: its profile does not say that it stays dark when frames stop and at power-up",
                name(id)
            );
            standing.push(("protect-unplug", Some(name(id)), said));
        }
        for id in self.unconfirmed() {
            let lamp = name(id);
            let said = format!(
                "UNPLUG {lamp}: it is set by hand and reaches a protected face; then `lampkeep absent {lamp}`"
            );
            standing.push(("protect-unconfirmed", Some(lamp), said));
        }
        if let Some(why) = &self.protect.unkept {
            let said = format!(
                "protection will not survive a restart: its file was not written ({why}). Make room, or set the \
                                folder's owner, then `lampkeep protect on` again"
            );
            standing.push(("protect-unkept", None, said));
        }
        if let Some(why) = &self.protect.damaged {
            let said = format!(
                "the machine's protect file cannot be read, which counts as on ({why}). `lampkeep protect on` \
                                writes it anew, `lampkeep protect off` turns it off"
            );
            standing.push(("protect-damaged", None, said));
        }
        standing
    }
}
