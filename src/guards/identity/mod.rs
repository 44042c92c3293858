//! The identity guard: which lamps could show a protected face, and holding them at zero.
//!
//! [`reach`] says by plain geometry which lamps reach a face, [`lock`] is the switch with its code, and
//! [`names`] gives numbers in place of names while it is on and [`redact`] takes names out of finished texts. Here is what the engine holds while it is on.
//!
//! What no part of this can do: a lamp's own knob, what it shows at power-up or without frames, lamps set by
//! hand, daylight, screens, light that bounces off a wall. A silhouette still shows hair, outline, voice
//! and place.

pub mod lock;
pub mod names;
pub mod reach;
pub mod redact;

use crate::plan::{Control, Fixture, FixtureId, FramesStop, Plan, PowerUp, SubjectId};

/// What protection means for the lamps of one plan.
#[derive(Debug, Clone, PartialEq)]
pub struct Protection {
    /// Each lamp that reaches a protected face, with the face that it reaches most, in the plan's order.
    pub locked: Vec<reach::Reached>,
    /// Of those driven by DMX: the ones that may light up by themselves, and should be unplugged.
    pub unplug: Vec<FixtureId>,
    /// Of those set by hand: nothing here holds them, so a person must say that they are unplugged.
    pub by_hand: Vec<FixtureId>,
}

impl Protection {
    /// Works it out for a plan. `faces`: the protected subjects; `least_share`: see [`reach::reached`].
    ///
    /// Absent lamps count: they may come back.
    #[must_use]
    pub fn of(plan: &Plan, faces: &[SubjectId], least_share: f64) -> Self {
        let locked = reach::reached(plan, faces, least_share);
        let ids = || locked.iter().map(|r| r.fixture);
        let by_hand = |id: &FixtureId| plan.fixture(*id).control == Control::Hand;
        Self {
            unplug: ids().filter(|id| !by_hand(id) && !stays_dark(plan.fixture(*id))).collect(),
            by_hand: ids().filter(by_hand).collect(),
            locked,
        }
    }

    /// True if this lamp must be sent zero, whatever is asked of it.
    #[must_use]
    pub fn holds(&self, id: FixtureId) -> bool {
        self.locked.iter().any(|r| r.fixture == id)
    }

    /// Lamps set by hand that nobody has said are unplugged. `absent`: what a person said of a lamp.
    pub fn unconfirmed(&self, absent: impl Fn(FixtureId) -> bool) -> impl Iterator<Item = FixtureId> {
        self.by_hand.iter().copied().filter(move |id| !absent(*id))
    }
}

/// True if the lamp's profile says that a lamp at zero stays dark when frames stop, and at power-up too.
///
/// One that holds its last frame stays dark, since that frame was zero.
#[must_use]
pub fn stays_dark(fixture: &Fixture) -> bool {
    let profile = &fixture.profile;
    profile.when_frames_stop != FramesStop::Unknown && profile.at_power_up == PowerUp::Dark
}
