//! Small changes that last until the next recall.

use super::{Done, fail};
use crate::control::{Failure, FailureKind};
use crate::engine::assess;
use crate::engine::state::Scene;
use crate::engine::{Engine, say};
use crate::light::{Colour, Demand, Moving, colour};
use crate::plan::FixtureId;
use crate::units::{Duv, FrameNumber, Kelvin};

/// Fade of a nudge, in seconds: seen as a change, too short to wait for.
const NUDGE_FADE_S: f64 = 0.2;

impl Engine {
    pub(super) fn nudge(&mut self, name: &str, by: &Nudge, at: FrameNumber) -> Done {
        by.check()?;
        let (ids, label) = self.nudge_members(name)?;
        let lit: Vec<_> = ids
            .into_iter()
            .filter(|id| {
                let lamp = &self.lamps[id.0];
                lamp.target.base.lux > 0.0
                    && lamp.absent.is_none()
                    && !self.protect.holds(*id)
                    && self.plan.fixture(*id).address().is_some()
            })
            .collect();
        if lit.is_empty() {
            let said = format!("{label} is dark, so there is nothing to nudge");
            return Err(fail(FailureKind::Nothing, said, "recall a look that lights it"));
        }
        let coloured = |id: &FixtureId| {
            let fixture = self.plan.fixture(*id);
            fixture.mode.has_colour(fixture.emitters.len())
        };
        if by.changes_colour() && !lit.iter().any(coloured) {
            let said = format!("{label} has one colour and keeps it");
            return Err(fail(FailureKind::Nothing, said, "nudge its level, or put a gel on it"));
        }
        // Rising, all go only as far as the weakest can, so that their ratios hold.
        let asked = by.stops.unwrap_or(0.0);
        let mut allowed = asked;
        let mut weakest = None;
        let mut turned = Vec::new();
        for id in &lit {
            let target = self.lamps[id.0].target;
            let before = target.base.colour;
            let colour = if coloured(id) { by.colour(before)? } else { before };
            turned.push((*id, target, colour));
            let here = Moving::new(Demand { colour, ..target.base }, target.motion);
            let headroom = match target.motion {
                Some(_) => (self.steady(*id, here).most_lux / target.base.lux).log2(),
                None => self.headroom(*id, target.base.lux, colour),
            };
            if asked > 0.0 && headroom < allowed {
                allowed = headroom.max(0.0);
                weakest = Some(*id);
            }
        }
        let frames = self.clock().frames_in(std::time::Duration::from_secs_f64(NUDGE_FADE_S));
        let nudged = |(id, target, colour): (FixtureId, Moving, Colour)| {
            let lux = target.base.lux * allowed.exp2();
            (id, self.steady(id, Moving::new(Demand { lux, colour }, target.motion)))
        };
        let turned: Vec<_> = turned.into_iter().map(nudged).collect();
        let mut targets: Vec<_> = self.lamps.iter().map(|l| l.target).collect();
        for (id, target) in &turned {
            targets[id.0] = *target;
        }
        self.fits(&targets)?;
        self.turn_together(&turned, at, frames);
        self.nudged = true;
        if matches!(self.scene, Scene::Look(_)) {
            self.remember();
        }
        let mut said = format!("{label} · {}", by.said(allowed));
        if let Some(weakest) = weakest {
            let name = &self.plan.fixture(weakest).id;
            said.push_str(&format!(" of the {} asked: {name} has no more", say::stops(asked)));
        }
        Ok(format!("{said} · until the next recall, or `lampkeep keep`"))
    }

    fn nudge_members(&self, name: &str) -> Result<(Vec<FixtureId>, String), Failure> {
        if name == "all" {
            return Ok((self.plan.fixture_ids().collect(), "all".to_owned()));
        }
        if let Some(group) = self.plan.group_named(name) {
            return Ok((group.members.clone(), group.name.clone()));
        }
        let id = self.find_driven(name)?;
        Ok((vec![id], self.plan.fixture(id).id.clone()))
    }

    /// Stops by which a lamp can rise from `lux` at `colour`.
    fn headroom(&self, id: FixtureId, lux: f64, colour: Colour) -> f64 {
        let fixture = self.plan.fixture(id);
        let most = assess::lamp(fixture, id, Demand { lux: 1e9, colour }, self.real(id), false);
        (most.allowed_lux / lux).log2()
    }
}

/// A small change, as asked.
pub(super) struct Nudge {
    pub stops: Option<f64>,
    pub kelvin: Option<f64>,
    pub mired: Option<f64>,
    pub duv: Option<f64>,
}

impl Nudge {
    fn check(&self) -> Result<(), Failure> {
        let ranges = [
            ("stops", self.stops, 10.0),
            ("kelvin", self.kelvin, 19_000.0),
            ("mired", self.mired, 950.0),
            ("duv", self.duv, 0.1),
        ];
        for (name, value, most) in ranges {
            if let Some(v) = value
                && !(-most..=most).contains(&v)
            {
                let said = format!("{name} {} is not between -{most} and {most}", say::number(v));
                return Err(fail(FailureKind::BadField, said, "nudge in small steps, such as +1/3 or +200K"));
            }
        }
        if ranges.iter().all(|(_, v, _)| v.is_none()) {
            let hint = "such as `lampkeep nudge key +1/3` or `lampkeep nudge key +200K`";
            return Err(fail(FailureKind::BadField, "a nudge needs a change", hint));
        }
        if self.kelvin.is_some() && self.mired.is_some() {
            let said = "kelvin and mired are the same thing twice";
            return Err(fail(FailureKind::BadField, said, "give one of them"));
        }
        Ok(())
    }

    fn changes_colour(&self) -> bool {
        self.kelvin.is_some() || self.mired.is_some() || self.duv.is_some()
    }

    /// The changed colour. Mired and kelvin are both warmer or cooler; the result stays in range.
    fn colour(&self, before: Colour) -> Result<Colour, Failure> {
        if !self.changes_colour() {
            return Ok(before);
        }
        let (mired, duv) = match before {
            Colour::White { mired, duv } => (mired, duv),
            Colour::Uv(uv) => match colour::kelvin_of(uv.xy()) {
                Some((kelvin, duv)) => (kelvin.mired().get(), duv.get()),
                None => {
                    let said = "its colour is too far from white to be warmed, cooled or tinted";
                    return Err(fail(FailureKind::BadField, said, "nudge its level, or change the look"));
                }
            },
        };
        let kelvin = Kelvin::clamped(1e6 / (mired + self.mired.unwrap_or(0.0)).max(1.0));
        let kelvin = Kelvin::clamped(kelvin.get() + self.kelvin.unwrap_or(0.0));
        let mired = if self.kelvin.is_none() && self.mired.is_none() { mired } else { 1e6 / kelvin.get() };
        Ok(Colour::White { mired, duv: Duv::clamped(duv + self.duv.unwrap_or(0.0)).get() })
    }

    fn said(&self, stops: f64) -> String {
        let mut parts = Vec::new();
        if self.stops.is_some() {
            let way = if stops > 0.0 { "brighter" } else { "dimmer" };
            parts.push(if stops == 0.0 {
                "no brighter".to_owned()
            } else {
                format!("{way} by {:.2} stop", stops.abs())
            });
        }
        if let Some(k) = self.kelvin {
            parts.push(format!("{} by {:.0} K", if k > 0.0 { "cooler" } else { "warmer" }, k.abs()));
        }
        if let Some(m) = self.mired {
            parts.push(format!("{} by {:.0} mired", if m > 0.0 { "warmer" } else { "cooler" }, m.abs()));
        }
        if let Some(d) = self.duv {
            parts.push(format!("{} by {:.4} Duv", if d > 0.0 { "greener" } else { "pinker" }, d.abs()));
        }
        parts.join(", ")
    }
}
