//! A lamp's light rounded to slots, and where it is going, so that rounding does not step back on the way.

use super::{Lamp, Landing, SAME_COLOUR_UV76, VERY_COLOUR_UV76, Way};
use crate::channels::{self, Stand, Step};
use crate::guards::{self, Allowed, Conditions, Limit};
use crate::light::{Demand, Reach, mix, solve};
use crate::plan::{Fixture, Prefer};
use crate::units::Xy;

impl Lamp {
    /// Rounds to slots, into `spare`. The level of a colour that stands goes to its end without a step back; all else
    /// takes the best.
    pub(super) fn write_slots(
        &mut self,
        fixture: &Fixture,
        now: &Conditions,
        reach: &Reach,
        allowed: &Allowed,
        way: Way,
    ) {
        let footprint = usize::from(fixture.mode.footprint());
        let same_mode = self.sent.slots.len() == footprint;
        let mut spare = std::mem::take(&mut self.spare);
        let mut step = Step::Free;
        if let Way::To { end, fading } = way
            && (fading || allowed.limits().has(Limit::Rise) || allowed.limits().has(Limit::SoftStart))
            && same_mode
        {
            if fading && self.stands(fixture, reach, allowed) {
                spare.clone_from(&self.sent.slots);
                self.spare = spare;
                return;
            }
            self.look_ahead(fixture, now, end);
            if let Some(landing) = &self.landing {
                step = self.step_to(fixture, landing, reach, allowed);
            }
        }
        spare.clear();
        spare.resize(footprint, 0);
        // Not on the way there: what a fade down has not reached yet would be a cut. Nor in a wink or a rollcall, which
        // ask for other light.
        let there = self.fade.is_none() && matches!(way, Way::To { .. });
        let exact = match self.pin.as_ref().filter(|_| there) {
            Some(pin) => channels::encode_exact(fixture, allowed, &pin.slots, &mut spare),
            None => false,
        };
        let exact = exact
            || self.fade.is_none()
                && allowed.level() <= 0.0
                && self.dark_slots.as_ref().is_some_and(|s| channels::encode_dark(fixture, s, &mut spare));
        if !exact {
            channels::encode(fixture, allowed, step, &mut spare);
        }
        self.spare = spare;
    }

    /// True if what was sent last is what is allowed now, as in a fade's first frame.
    fn stands(&self, fixture: &Fixture, reach: &Reach, allowed: &Allowed) -> bool {
        let near = |a: f64, b: f64| (a - b).abs() <= 1e-12 * a.max(b);
        if !near(self.sent.allowed.lux, allowed.lux())
            || self.sent.allowed_xy.uv76().distance(reach.xy.uv76()) > VERY_COLOUR_UV76
            || !self.sent.shape.near(&reach.shape(fixture))
        {
            return false;
        }
        let drives = channels::decode(fixture, &self.sent.slots);
        let lux = mix::light_of(&fixture.emitters, &drives).0;
        let watts = mix::watts_of(&fixture.emitters, &drives).get();
        let room = 1.0 + 1e-9;
        lux > 0.0 && lux <= allowed.lux_at_1m(fixture) * room && watts <= allowed.watts() * room
    }

    /// Works out what this lamp will be sent in the end, unless that is known.
    fn look_ahead(&mut self, fixture: &Fixture, now: &Conditions, end: Demand) {
        if self.landing.as_ref().is_some_and(|l| {
            l.demand == end && l.now == *now && l.slots.len() == usize::from(fixture.mode.footprint())
        }) {
            return;
        }
        let shape = (fixture.prefer == Prefer::Rendering).then_some(self.shape.to);
        let reach = self.reach(fixture, &end, shape.as_ref());
        let forecast = guards::forecast(fixture, &reach, now);
        let slots = match &self.pin {
            Some(pin) => channels::preview_exact(fixture, &forecast, &pin.slots),
            None => channels::preview(fixture, &forecast),
        };
        let lux_at_1m = mix::light_of(&fixture.emitters, &channels::decode(fixture, &slots)).0;
        let (allowed_lux, allowed_xy) = (forecast.lux(), reach.xy);
        let shape = reach.shape(fixture);
        self.landing =
            Some(Landing { demand: end, now: *now, allowed_lux, allowed_xy, shape, slots, lux_at_1m });
    }

    /// How rounding may step on the way to `landing`.
    fn step_to<'a>(
        &'a self,
        fixture: &Fixture,
        landing: &'a Landing,
        reach: &Reach,
        allowed: &Allowed,
    ) -> Step<'a> {
        let far = |xy: Xy| xy.uv76().distance(reach.xy.uv76()) > SAME_COLOUR_UV76;
        let was_lit = self.sent.allowed.lux > 0.0;
        if (landing.allowed_lux > 0.0 && far(landing.allowed_xy)) || (was_lit && far(self.sent.allowed_xy)) {
            return Step::Free;
        }
        // Where the mix moves, channels go either way though colour and level do not.
        let here = reach.shape(fixture);
        if (landing.allowed_lux > 0.0 && !landing.shape.near(&here))
            || (was_lit && !self.sent.shape.near(&here))
        {
            return Step::Free;
        }
        let from = Stand { slots: &self.sent.slots, lux_at_1m: self.sent.lux / solve::gain(fixture) };
        let to = Stand { slots: &landing.slots, lux_at_1m: landing.lux_at_1m };
        let room = 1.0 + 1e-9;
        let (was, is, end) = (self.sent.allowed.lux, allowed.lux(), landing.allowed_lux);
        if was <= is * room && is <= end * room {
            Step::Rising { from, to }
        } else if was * room >= is && is * room >= end {
            Step::Falling { from, to }
        } else {
            Step::Free
        }
    }
}
