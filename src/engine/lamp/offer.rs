//! What a lamp is offered in the frame under way, what the flash guard leaves of that, and sending it.

use super::{Begun, Lamp, Offer, light_at_1m};
use crate::channels::{self, Given, Step};
use crate::guards::flash::PointLight;
use crate::guards::{self, Allowed, Conditions, Holds};
use crate::light::{Colour, Demand, solve};
use crate::plan::{Fixture, MAX_EMITTERS};

impl Lamp {
    /// Offers the frame that was begun, less what is held. A settled lamp of which the same is held
    /// stands as it is.
    pub fn offer(&mut self, fixture: &Fixture, now: &Conditions, holds: Holds) {
        if self.settled && self.holds == holds {
            return;
        }
        self.holds = holds;
        self.offer_anew(fixture, now);
    }

    /// Guards and slots of what was begun.
    pub(super) fn offer_anew(&mut self, fixture: &Fixture, now: &Conditions) {
        let Begun { reach, way, .. } = self.begun;
        let mut standing = self.standing;
        let allowed = guards::allow(fixture, &reach, now, &self.holds, &mut standing);
        let given = if fixture.address().is_some() {
            self.write_slots(fixture, now, &reach, &allowed, way);
            channels::given(fixture, &self.spare)
        } else {
            // Set by hand: what the person was told to set is all that can be said.
            channels::of_drives(fixture, allowed.mix().map(|drive| drive * allowed.level()))
        };
        self.offer = Some(Offer { whole: (allowed, standing), allowed, standing, given });
    }

    /// True if this frame may differ from the last.
    pub fn offers(&self) -> bool {
        self.offer.is_some()
    }

    /// True if any emitter of a driven lamp would rise.
    pub fn rises(&self) -> bool {
        let mut of_slots = self.offer.iter().filter(|_| !self.sent.slots.is_empty());
        of_slots.any(|o| o.given.drives.iter().zip(&self.sent.drives).any(|(offered, sent)| offered > sent))
    }

    /// Light at 1 m of what is offered, or else stands.
    pub fn offered(&self) -> PointLight {
        self.offer.as_ref().map_or(self.sent.light, |o| light_at_1m(&o.given))
    }

    /// The same if no emitter rose.
    pub fn lowered(&self, fixture: &Fixture) -> PointLight {
        let Some(offer) = self.offer.as_ref().filter(|_| fixture.address().is_some()) else {
            return self.sent.light;
        };
        let pairs = || offer.given.drives.iter().zip(&self.sent.drives);
        if pairs().all(|(offered, sent)| offered <= sent) {
            return light_at_1m(&offer.given);
        }
        if pairs().all(|(offered, sent)| offered >= sent) {
            return self.sent.light;
        }
        let mut drives = offer.given.drives;
        drives.iter_mut().zip(&self.sent.drives).for_each(|(drive, sent)| *drive = drive.min(*sent));
        light_of(fixture, &drives)
    }

    /// Light at 1 m of all that may be sent, not rounded to slots; `lowered`: if no emitter rose.
    pub fn unrounded(&self, fixture: &Fixture, lowered: bool) -> PointLight {
        let Some(offer) = self.offer.as_ref().filter(|_| fixture.address().is_some()) else {
            return self.sent.light;
        };
        let whole = &offer.whole.0;
        let mut drives = whole.mix().map(|drive| drive * whole.level());
        if lowered {
            drives.iter_mut().zip(&self.sent.drives).for_each(|(drive, sent)| *drive = drive.min(*sent));
        }
        light_of(fixture, &drives)
    }

    /// Offers `share` (0 to 1) of what rises instead, and all of what falls.
    pub fn hold_back(&mut self, fixture: &Fixture, share: f64) {
        let Some(mut offer) = self.offer.filter(|_| fixture.address().is_some()) else { return };
        if offer.given.lux_at_1m <= 0.0 {
            // A share of what rounding took away would light a lamp that has gone out, for a frame or some.
            return;
        }
        let (whole, before) = offer.whole;
        let mut standing = before;
        let mut allowed = guards::raise(fixture, &whole, &self.sent.drives, share, &mut standing);
        if allowed == offer.allowed {
            return;
        }
        offer.given = self.write_held(fixture, &allowed);
        if offer.given.lux_at_1m <= 0.0 && self.sent.lux > 0.0 {
            // Rounding would put it out while what rises waits, to be lit again by the same raise.
            let mut stood = before;
            if let Some(stands) = guards::stand_still(fixture, &whole, &self.sent.drives, &mut stood) {
                (allowed, standing) = (stands, stood);
                offer.given = self.write_held(fixture, &allowed);
            }
        }
        (offer.allowed, offer.standing) = (allowed, standing);
        self.offer = Some(offer);
    }

    /// Slots of what is left of a raise.
    fn write_held(&mut self, fixture: &Fixture, allowed: &Allowed) -> Given {
        let drives = allowed.mix().map(|drive| drive * allowed.level());
        let stands = |(drive, sent): (&f64, &f64)| (drive - sent).abs() <= 1e-12;
        if drives.iter().zip(&self.sent.drives).all(stands) && self.spare.len() == self.sent.slots.len() {
            // It stands, and so do its slots.
            self.spare.copy_from_slice(&self.sent.slots);
        } else {
            self.spare.clear();
            self.spare.resize(usize::from(fixture.mode.footprint()), 0);
            channels::encode(fixture, allowed, Step::Free, &mut self.spare);
        }
        channels::given(fixture, &self.spare)
    }

    /// Sends what was offered, if anything was.
    pub fn send_offered(&mut self, fixture: &Fixture) {
        let Some(Offer { allowed, standing, given, .. }) = self.offer.take() else { return };
        let Begun { reach, moves, .. } = self.begun;
        if fixture.address().is_some() {
            std::mem::swap(&mut self.sent.slots, &mut self.spare);
            self.sent.light = light_at_1m(&given);
        }
        let asked_colour = allowed.xy() == reach.xy;
        let colour = if asked_colour { reach.colour } else { Colour::Uv(allowed.xy().uv76()) };
        self.standing = standing;
        self.sent.allowed = Demand { lux: allowed.lux(), colour };
        self.sent.allowed_xy = allowed.xy();
        self.sent.shape = allowed.shape(fixture);
        self.sent.lux = given.lux_at_1m * solve::gain(fixture);
        self.sent.xy = given.xy;
        self.sent.watts = given.watts;
        self.sent.limits = allowed.limits();
        self.sent.drives = given.drives;
        self.settled = self.standing.settled(&allowed) && !moves;
    }
}

/// The same of emitter drives.
fn light_of(fixture: &Fixture, drives: &[f64; MAX_EMITTERS]) -> PointLight {
    let each = fixture.emitters.iter().zip(drives);
    let each = each.map(|(emitter, drive)| PointLight::of(emitter.lux_at_1m * drive, emitter.xy));
    each.fold(PointLight::DARK, |sum, light| sum + light)
}
