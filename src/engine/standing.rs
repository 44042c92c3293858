//! Frames that can differ from the last one in nothing but their number: a rehearsal of hours counts them without
//! solving any lamp again.
//!
//! What time alone moves goes on in each of them by the very same calls as in a frame that is worked out: heat,
//! batteries, the flash guard's second, the forecast. `tests/engine/standing.rs` holds the two against each other,
//! state by state.

use super::{Action, Engine};
use crate::guards::Holds;
use crate::units::{FrameNumber, Moment};

impl Engine {
    /// How many frames from the next one on are sure to be sent as the last one was, if nothing happens: 0 where the
    /// next one has to be worked out. Under a second's frames: what is looked at once a second is worked out.
    #[must_use]
    pub fn stands_for(&self) -> u64 {
        let Some(last) = self.last else { return 0 };
        let next = last + 1;
        let quiet = !self.finished
            && !self.stopping
            && !self.was_moving
            && self.openings.is_empty()
            && self.as_it_was.is_empty()
            && self.waiting.is_none()
            && self.wink.is_none()
            && self.rollcall.is_none()
            && !self.keeps.changed
            && !self.keeps.at_once
            && self.flash.quiet()
            && self.lamps_stand();
        if !quiet || next < self.heat.gliding_until {
            return 0;
        }
        let rate = u64::from(self.clock().rate());
        // Worked out: each second's first frame, the one a second after the last word, and those that may be held.
        let mut until =
            next.next_multiple_of(rate).min(self.last_publish + rate).min(self.heat.stands_until());
        if let Some(end) = self.rest_ends.filter(|_| self.take.is_none()) {
            until = until.min(end);
        }
        until.saturating_sub(next)
    }

    /// The next frame, which stands as [`Self::stands_for`] said: what was sent last is sent again. Gives what else
    /// is to be done.
    pub fn stand(&mut self, now: Moment) -> Vec<Action> {
        let n = self.next_frame();
        self.search_once(n);
        self.hold_flashes(n);
        self.last = Some(n);
        self.watch_take(n);
        let mut actions = Vec::new();
        self.time_goes_on(n, &mut actions);
        self.record_light(n, false);
        self.record_lamps(n);
        let protected = self.protected();
        let actions = self.seal(actions, protected, &[], now);
        // What waits for a frame is of the same kind as in one.
        self.recorded(actions, Some("protect"), protected, &[], now)
    }

    /// Frame `n` was sent, solved or not: what time alone moves.
    pub(super) fn time_goes_on(&mut self, n: FrameNumber, actions: &mut Vec<Action>) {
        self.record_take_start(n);
        self.heat_goes_on();
        self.on_times_go_on();
        actions.extend(self.load_goes_on(n));
        actions.extend(self.tell_heat(n));
        actions.extend(self.tell_flash(n));
        self.look_ahead(n);
    }

    /// Has the next frame solve every lamp, though it stands: the plain way that frames which are not solved again
    /// are held against.
    pub fn solve_anew(&mut self) {
        for lamp in &mut self.lamps {
            lamp.settled = false;
        }
    }

    /// True if every lamp has landed and the same is held of each as in the last frame.
    fn lamps_stand(&self) -> bool {
        self.lamps.iter().zip(&self.plan.fixtures).enumerate().all(|(index, (lamp, fixture))| {
            let circuit = if fixture.address().is_some() { self.load.share() } else { 1.0 };
            lamp.settled && lamp.holds == Holds { heat: self.heat.held(index), circuit }
        })
    }
}
