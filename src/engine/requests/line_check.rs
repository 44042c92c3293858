//! A lamp shown alone, low, at its own address or one beside it: for one that stays dark.

use super::{Done, fail};
use crate::channels::{self, Frame, SLOTS};
use crate::control::FailureKind;
use crate::engine::state::Rollcall;
use crate::engine::step::low;
use crate::engine::{Engine, say};
use crate::guards::{self, Allowed, Holds, Standing};
use crate::light::{Demand, solve};
use crate::plan::{Drives, Fixture, FixtureId};
use crate::units::FrameNumber;

/// A lamp shows for so long at most, in seconds, unless asked otherwise; then all is as it was. Judgement: time to
/// walk to it and back.
const SHOWS_S: f64 = 60.0;

impl Engine {
    /// Shows one lamp low and alone. `shift`: so many slots beside its address, where it may listen by a slip.
    pub(super) fn show_in_rollcall(
        &mut self,
        name: &str,
        shift: i32,
        each_s: Option<f64>,
        at: FrameNumber,
    ) -> Done {
        let id = self.find_lamp(name)?;
        let fixture = self.plan.fixture(id);
        let each_s = each_s.unwrap_or(SHOWS_S);
        if !(0.5..=SHOWS_S).contains(&each_s) {
            let said = format!("{} s is not between 0.5 s and 60 s", say::number(each_s));
            return Err(fail(
                FailureKind::BadField,
                said,
                "leave `each_s` out: it then shows for 60 s at most",
            ));
        }
        let Some(address) = fixture.address() else {
            let said = format!("{name} is set by hand: no slot drives it");
            return Err(fail(FailureKind::NotDriven, said, "look at the lamp itself"));
        };
        if let Some(why) = &self.lamps[id.0].absent {
            let said = format!("{name} is absent ({why})");
            return Err(fail(FailureKind::Nothing, said, format!("`lampkeep absent {name} --back` first")));
        }
        if self.protect.holds(id) {
            let said = format!("{name} reaches a protected face");
            return Err(fail(FailureKind::Guarded, said, "check it once the face is no longer protected"));
        }
        let first = i32::from(address.first) + shift;
        let universe = self.plan.outputs[address.output.0].universe;
        if shift != 0 {
            if !(-1..=1).contains(&shift) {
                let said = format!("{shift} slots beside its address is a sweep");
                let hint =
                    "1 or -1: anything more may meet slots of other lamps that make them strobe or reset";
                return Err(fail(FailureKind::BadField, said, hint));
            }
            if self.protected() {
                let said =
                    "while a face is protected no other address is tried: what listens there may reach it";
                return Err(fail(
                    FailureKind::Guarded,
                    said,
                    "check it once the face is no longer protected",
                ));
            }
            if first < 1 || usize::try_from(first).is_ok_and(|first| first > SLOTS) {
                let said = format!("there is no slot {first}");
                return Err(fail(FailureKind::BadField, said, "the other side of it may be tried"));
            }
        }
        if shift != 0 && self.slots_beside(id, shift).is_none() {
            let said = format!(
                "with its values at slot {first} {name} would show too where it should: no guard has counted that"
            );
            let hint = "look at the address that the lamp itself shows: it may be one off";
            return Err(fail(FailureKind::Guarded, said, hint));
        }
        let each = self.clock().frames_in(std::time::Duration::from_secs_f64(each_s));
        let fixture = fixture.id.clone();
        self.wink = None;
        // No two within a second: nobody knows whom a lamp lights that listens there, and nothing counts its
        // flashes.
        let free = self.tried_beside.map_or(at, |last| at.max(last + u64::from(self.clock().rate())));
        let start = if shift == 0 { at } else { free };
        self.rollcall = Some(Rollcall { lamps: vec![id], start, each, shift });
        let place = format!("universe {universe} slot {first}");
        let place = if shift == 0 { place } else { format!("{place} instead of {}", address.first) };
        Ok(format!("{fixture} · low and alone at {place} · as it was in {}", say::span(each_s)))
    }

    /// Ends a rollcall before its time.
    pub(super) fn stop_rollcall(&mut self, at: FrameNumber) -> Done {
        if self.rollcall.is_none() {
            return Err(fail(FailureKind::Nothing, "no rollcall runs", "`lampkeep rollcall` starts one"));
        }
        self.end_rollcall(at);
        Ok("rollcall over · as it was".to_owned())
    }

    /// Frames of every output as they stand. A lamp that is tried beside its address never writes into the slots
    /// of another, and stays dark at its own.
    pub(in crate::engine) fn frames(&self, n: FrameNumber) -> Vec<Frame> {
        let mut frames = self.frames_at_home(n);
        if let Some((id, beside)) = self.beside(n) {
            let output = self.plan.fixture(id).address().map(|a| a.output);
            for (patch, frame) in self.patches.iter().zip(&mut frames) {
                if Some(patch.output) == output {
                    for (slot, value) in &beside.slots {
                        frame.slots[*slot] = *value;
                        frame.used = frame.used.max(*slot as u16 + 1);
                    }
                }
            }
        }
        frames
    }

    /// Frames of every output with what each lamp is sent at its own address alone.
    pub(in crate::engine) fn frames_at_home(&self, n: FrameNumber) -> Vec<Frame> {
        let slots_of = |id: FixtureId| self.lamps[id.0].sent.slots.as_slice();
        self.patches.iter().map(|patch| patch.frame(n, slots_of)).collect()
    }

    /// Power in watts of a lamp's emitters if it listens where it is tried in frame `n`: its body counts as that
    /// warm.
    pub(in crate::engine) fn watts_beside(&self, n: FrameNumber) -> Option<(FixtureId, f64)> {
        self.beside(n).map(|(id, beside)| (id, beside.watts))
    }

    /// What is sent beside a lamp's address in frame `n`.
    fn beside(&self, n: FrameNumber) -> Option<(FixtureId, Beside)> {
        // Not from the frame on in which a face is protected: nobody knows what listens there.
        let (id, shift) = self.rollcall.as_ref().filter(|_| !self.protected())?.beside(n)?;
        Some((id, self.slots_beside(id, shift)?))
    }

    /// The low light of a lamp in slots that lie `shift` beside its own, through every guard as at its own.
    ///
    /// `None` where the lamp would show at its own address too, or where a strobe or a fixed value there would
    /// change: a lamp that does listen to the plan's address would then give what no guard has counted.
    fn slots_beside(&self, id: FixtureId, shift: i32) -> Option<Beside> {
        let fixture = self.plan.fixture(id);
        let patch = self.patches.iter().find(|p| p.fixtures.iter().any(|(of, _)| *of == id))?;
        let (_, own) = patch.fixtures.iter().find(|(of, _)| *of == id)?;
        let others =
            |slot: usize| patch.fixtures.iter().any(|(of, range)| *of != id && range.contains(&slot));
        let low = low(fixture, &self.lamps[id.0].asked, true);
        let holds = Holds { heat: self.heat.held(id.0), circuit: self.load.share() };
        // It stands there from its first frame on: what comes and goes is rarer than a second.
        let (allowed, values) = self.slots_of(fixture, low, id, &holds, Standing::at(low.lux, low.lux));
        let none = Demand { lux: 0.0, ..low };
        let (_, dark) = self.slots_of(fixture, none, id, &Holds::default(), Standing::default());
        let (mut at_own, mut slots) = (dark.clone(), Vec::new());
        for (offset, value) in values.iter().enumerate() {
            let slot = (own.start + offset).checked_add_signed(shift as isize);
            let Some(slot) = slot.filter(|slot| *slot < SLOTS && !others(*slot)) else { continue };
            if own.contains(&slot) {
                at_own[slot - own.start] = *value;
            }
            slots.push((slot, *value));
        }
        let lit = channels::decode(fixture, &at_own).iter().any(|drive| *drive > 0.0);
        let pinned = |drives: &Drives| matches!(drives, Drives::Strobe { .. } | Drives::Fixed(_));
        let moved = fixture
            .mode
            .channels
            .iter()
            .filter(|c| pinned(&c.drives))
            .any(|channel| channels::value_in(channel, &at_own) != channels::value_in(channel, &dark));
        (!lit && !moved).then(|| Beside { slots, watts: allowed.watts() })
    }

    fn slots_of(
        &self,
        fixture: &Fixture,
        demand: Demand,
        id: FixtureId,
        holds: &Holds,
        mut standing: Standing,
    ) -> (Allowed, Vec<u8>) {
        let reach = solve::reach(fixture, &demand);
        let allowed = guards::allow(fixture, &reach, &self.conditions(id), holds, &mut standing);
        let mut slots = vec![0; usize::from(fixture.mode.footprint())];
        channels::encode(fixture, &allowed, channels::Step::Free, &mut slots);
        (allowed, slots)
    }
}

/// What goes out for a lamp that is tried beside its address.
struct Beside {
    /// Indexes into the universe's slots, with their values.
    slots: Vec<(usize, u8)>,
    watts: f64,
}
