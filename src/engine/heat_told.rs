//! What is told of heat: ahead, while it holds light, and when that is over. Every figure is an estimate.

use super::heat::{Body, Told};
use super::{Action, Engine, say};
use crate::guards::thermal::{Ending, LampNow, WARN_AHEAD_S, sustainable_w, time_to_hold_s};
use crate::plan::{Control, FixtureId, LookId};
use crate::units::FrameNumber;

/// Least that is told to be held, in stops. Judgement: a tenth of what a meter shows.
const TOLD_STOPS: f64 = 0.01;
/// What is still to come is told from here on, in stops. Judgement: the least that its one digit shows.
const ON_ITS_WAY_STOPS: f64 = 0.1;
/// What was told to come is taken back once there is so much more time, as a ratio. Judgement: a figure
/// near the border must not come and go.
const TAKEN_BACK: f64 = 1.2;

impl Engine {
    /// Tells what begins or ends with frame `n`, each once.
    pub(super) fn tell_heat(&mut self, n: FrameNumber) -> Vec<Action> {
        let mut actions = Vec::new();
        let anything = !self.heat.ramp.free()
            || self.heat.told_group
            || self.heat.told.iter().any(|t| *t != Told::default());
        // What only time brings is looked for once a second.
        if !anything && !n.is_multiple_of(u64::from(self.clock().rate())) {
            return actions;
        }
        let stops = self.heat.ramp.stops();
        let group = if self.heat.told_group { stops > 0.0 } else { stops >= TOLD_STOPS };
        if group != self.heat.told_group {
            self.heat.told_group = group;
            let (lamp, said) = match self.leader().filter(|_| group) {
                Some(lamp) => (Some(lamp), self.held_said(lamp)),
                None => (None, "heat holds the white lamps no longer: as asked again".to_owned()),
            };
            let kind = if group { "heat-held" } else { "heat-free" };
            let fixture = lamp.map(|id| self.plan.fixture(id).id.clone());
            actions.push(self.tell(kind, fixture, said, n));
        }
        let ids: Vec<FixtureId> = self.plan.fixture_ids().collect();
        for id in ids {
            let was = self.heat.told[id.0];
            let now = self.to_tell(id, n, was);
            self.heat.told[id.0] = now;
            let name = self.plan.fixture(id).id.clone();
            for (kind, begins) in [
                ("heat-soon", now.soon && !was.soon),
                ("heat-held", now.held && !was.held),
                ("heat-over", now.over && !was.over),
            ] {
                if begins {
                    let said = self.said_of(kind, id);
                    actions.push(self.tell(kind, Some(name.clone()), said, n));
                }
            }
            if (was.held && !now.held) || (was.over && !now.over) {
                let said = format!("heat holds `{name}` no longer than the others");
                actions.push(self.tell("heat-free", Some(name), said, n));
            }
        }
        actions
    }

    fn to_tell(&self, id: FixtureId, n: FrameNumber, was: Told) -> Told {
        let body = &self.heat.bodies[id.0];
        let Some(model) = body.model() else { return Told::default() };
        let lamp = &self.lamps[id.0];
        if lamp.absent.is_some() {
            return Told::default();
        }
        let held = self.heat.held(id.0);
        let up_s = self.clock().seconds(n.saturating_sub(self.heat.lands));
        let ahead = if was.soon { WARN_AHEAD_S * TAKEN_BACK } else { WARN_AHEAD_S };
        let left_s = self.heat_left_s(id);
        let soon = !held.holds()
            && left_s.is_some_and(|s| s > 0.0 && s <= ahead)
            && (was.soon || up_s >= WARN_AHEAD_S);
        let alone = held.stops - self.in_common(id);
        let out_of_hand = body.estimate.celsius > model.limit_c + 0.05
            && body.watts > body.standby_w
            && (!self.lowerable(id) || body.cut_off());
        Told {
            soon,
            held: held.holds()
                && !held.limit_won
                && (if was.held { alone > 0.0 } else { alone >= TOLD_STOPS }),
            over: out_of_hand || held.limit_won,
        }
    }

    /// Stops by which a lamp is held together with others.
    fn in_common(&self, id: FixtureId) -> f64 {
        let white = matches!(self.lamps[id.0].asked.colour, crate::light::Colour::White { .. });
        if white { self.heat.ramp.stops() } else { 0.0 }
    }

    /// The lamp for whose sake the white ones are held.
    fn leader(&self) -> Option<FixtureId> {
        let held = |lamp: &usize| self.heat.held(*lamp).holds();
        let lamps = 0..self.lamps.len();
        self.heat.leader.filter(held).or_else(|| lamps.into_iter().find(held)).map(FixtureId)
    }

    /// What stands in the status.
    pub(super) fn heat_standing(&self) -> Vec<(&'static str, Option<String>, String)> {
        let mut standing = Vec::new();
        if let Some(leader) = self.leader().filter(|_| self.heat.told_group) {
            let name = self.plan.fixture(leader).id.clone();
            standing.push(("heat-held", Some(name), self.held_said(leader)));
        }
        for (id, told) in self.plan.fixture_ids().zip(&self.heat.told) {
            let name = &self.plan.fixture(id).id;
            for (kind, stands) in
                [("heat-soon", told.soon), ("heat-held", told.held), ("heat-over", told.over)]
            {
                if stands {
                    standing.push((kind, Some(name.clone()), self.said_of(kind, id)));
                }
            }
        }
        standing
    }

    fn said_of(&self, kind: &str, id: FixtureId) -> String {
        let (fixture, body) = (self.plan.fixture(id), &self.heat.bodies[id.0]);
        let name = &fixture.id;
        match kind {
            "heat-soon" if fixture.control == Control::Hand => {
                let left = say::span(self.heat_left_s(id).unwrap_or(0.0));
                format!(
                    "`{name}` gets too hot in about {left}: {}; it is set by hand: turn it down",
                    warmth(body)
                )
            }
            "heat-soon" => {
                let left = say::span(self.heat_left_s(id).unwrap_or(0.0));
                format!(
                    "`{name}` has to come down in about {left}: {}; a lower look or `lampkeep rest` spares it",
                    warmth(body)
                )
            }
            "heat-over" if fixture.control == Control::Hand => {
                format!("`{name}` is too hot and set by hand: {}; turn it down or unplug it", warmth(body))
            }
            "heat-over" if body.cut_off() => {
                format!("`{name}` is too hot and no frame reaches it: {}; unplug it", warmth(body))
            }
            "heat-over" => {
                let held = self.heat.held(id.0);
                let how = if held.dark {
                    "has to be dark".to_owned()
                } else {
                    format!("held {} under what was asked, more than the others", stops(held.stops))
                };
                format!("`{name}` {how}: {}; {}", warmth(body), self.until(id))
            }
            _ => {
                let held = self.heat.held(id.0);
                let how = if held.dark {
                    "dark".to_owned()
                } else {
                    format!("held {} under what was asked", stops(held.stops))
                };
                format!("`{name}` {how}: {}; {}", warmth(body), self.until(id))
            }
        }
    }

    /// The white lamps, held for the sake of `leader`.
    fn held_said(&self, leader: FixtureId) -> String {
        let name = &self.plan.fixture(leader).id;
        let with = |id: &FixtureId| {
            let lamp = &self.lamps[id.0];
            *id != leader && self.lowerable(*id) && lamp.unheld.lux > 0.0 && self.in_common(*id) > 0.0
        };
        let others: Vec<_> = self
            .plan
            .fixture_ids()
            .filter(with)
            .map(|id| format!("`{}`", self.plan.fixture(id).id))
            .collect();
        let with = match others.split_last() {
            None => String::new(),
            Some((last, [])) => format!(", {last} with it"),
            Some((last, rest)) => format!(", {} and {last} with it", rest.join(", ")),
        };
        let held = self.heat.ramp.stops();
        let on_to = self.heading(leader).filter(|end| *end >= held + ON_ITS_WAY_STOPS);
        let on_to = on_to.map_or(String::new(), |end| format!(", on the way to {end:.1}"));
        format!(
            "`{name}` held {} under what was asked{on_to}{with}: {}; {}",
            stops(held),
            warmth(&self.heat.bodies[leader.0]),
            self.until(leader)
        )
    }

    /// Stops under what is asked at which the body of a lamp bears its light for ever.
    fn heading(&self, id: FixtureId) -> Option<f64> {
        let body = &self.heat.bodies[id.0];
        let bears = sustainable_w(&body.model()?, self.plan.ambient.get(), body.standby_w);
        let asked = self.lamps[id.0].unheld.watts;
        (bears > 0.0 && asked > bears).then(|| (asked / bears).log2())
    }

    fn until(&self, id: FixtureId) -> String {
        let lamps: Vec<LampNow> = self.lamps_now().collect();
        match self.heat.ramp.ending(id.0, &lamps, self.plan.ambient.get()) {
            Some(Ending::In(s)) => format!("as asked again in about {}", say::span(s)),
            Some(Ending::NotWhileThisStands) => {
                "not as asked again while this stands: a lower look or `lampkeep rest` lets it cool"
                    .to_owned()
            }
            None => "as asked again now".to_owned(),
        }
    }

    /// What a recalled look has to expect of heat if it stands as long as planned.
    pub(super) fn heat_warnings(&self, look: LookId, lamps: &[(FixtureId, f64)]) -> Vec<String> {
        let ambient = self.plan.ambient.get();
        let step = self.position.and_then(|p| self.plan.order.get(p)).filter(|s| s.look == look);
        let planned_s = step.map(|s| s.on_for.as_secs_f64());
        let for_s = planned_s.unwrap_or(0.0).max(WARN_AHEAD_S);
        let opening = self.heat.opening;
        let left = |(id, emitters_w): &(FixtureId, f64)| {
            let body = &self.heat.bodies[id.0];
            let model = body.model()?;
            let s = time_to_hold_s(&model, ambient, body.standby_w, body.estimate.celsius, *emitters_w)?;
            Some((*id, s))
        };
        let first = lamps.iter().filter_map(left).min_by(|a, b| a.1.total_cmp(&b.1));
        let Some((id, left_s)) = first.filter(|(_, s)| *s < for_s) else { return Vec::new() };
        let (fixture, body) = (self.plan.fixture(id), &self.heat.bodies[id.0]);
        let name = &fixture.id;
        if fixture.control == Control::Hand {
            return vec![format!(
                "{name} gets too hot in about {}: turn it down then, it is set by hand",
                say::span(left_s)
            )];
        }
        let planned = planned_s.map_or(String::new(), |s| format!(" of {} planned", say::span(s)));
        if opening >= TOLD_STOPS {
            return vec![format!(
                "held {} from the start by the heat of {name}: {}",
                stops(opening),
                warmth(body)
            )];
        }
        vec![format!("{name} has to come down after about {}{planned}: {}", say::span(left_s), warmth(body))]
    }
}

/// `housing estimated 69.8 °C, limit 70 °C`.
fn warmth(body: &Body) -> String {
    let limit = body.model().map_or(String::new(), |m| format!(", limit {:.0} °C", m.limit_c));
    let unknown = if body.estimate.over_k > 1.0 { " at most" } else { "" };
    format!("housing estimated {:.1} °C{unknown}{limit}", body.estimate.celsius)
}

/// `0.4 stop`, with a digit more where that would be none.
fn stops(stops: f64) -> String {
    if stops < 0.095 { format!("{stops:.2} stop") } else { format!("{stops:.1} stop") }
}
