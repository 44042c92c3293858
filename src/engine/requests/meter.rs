//! `meter`: the steps of a metering walk lit one by one, what its readings come to, and its trims.

use serde_json::{Value, json};

use super::fail;
use crate::control::{Failure, FailureKind};
use crate::engine::assess;
use crate::engine::state::{Memory, Scene};
use crate::engine::trims::TrimSet;
use crate::engine::trims_kept::{KeptTrim, TrimOf, TrimsBy};
use crate::engine::{Engine, say};
use crate::light::{Demand, Moving, solve};
use crate::meter::{self, Lapsed, LitLamp, Noted, Report, Show, Step};
use crate::plan::{Fixture, FixtureId, LookId};
use crate::units::FrameNumber;

/// Fade from one step to the next, in seconds.
const STEP_FADE_S: f64 = 0.5;
/// A reading older than this, in seconds, is taken again by a walk. Judgement: an hour of a set, its lamps warmed up.
const WALK_S: f64 = 3600.0;

/// A request to meter, as asked.
pub(super) struct Meter {
    pub look: Option<String>,
    pub show: Option<Show>,
    pub lamp: Option<String>,
    pub places: bool,
    pub apply: Option<String>,
    pub end: bool,
    pub undo: bool,
}

impl Engine {
    /// Does what is asked, then tells how the walk stands: its line and, for programs, its parts.
    pub(super) fn meter(&mut self, asked: &Meter, at: FrameNumber) -> Result<(String, Value), Failure> {
        let ways = [asked.show.is_some(), asked.apply.is_some(), asked.end, asked.undo];
        if ways.iter().filter(|way| **way).count() > 1 {
            let said = "`show`, `apply`, `end` and `undo` are asked for together";
            return Err(fail(FailureKind::BadField, said, "one of them at a time"));
        }
        if asked.end {
            return self.end_meter(at).map(|said| (said, Value::Null));
        }
        if asked.undo {
            return self.undo_trims(TrimsBy::Meter, at).map(|said| (said, Value::Null));
        }
        let look = self.look_to_meter(asked.look.as_deref())?;
        let mut said = None;
        if let Some(show) = asked.show {
            said = Some(self.show_metered(look, show, asked.lamp.as_deref(), at)?);
        }
        if let Some(apply) = &asked.apply {
            said = Some(self.apply_offers(look, apply, at)?);
        }
        let (report, data) = self.walk_data(look, asked.places, at);
        let name = self.plan.look(look).name.clone();
        let said = said.unwrap_or_else(|| {
            let text = report.text(&self.plan, self.now_s());
            if text.is_empty() {
                format!("{name} · no reading yet: `lampkeep meter {name}` leads through them")
            } else {
                text
            }
        });
        Ok((said, data))
    }

    /// The look that is meant: by name, else what is lit or was.
    pub(super) fn look_to_meter(&self, name: Option<&str>) -> Result<LookId, Failure> {
        if let Some(name) = name {
            return self.find_look(name);
        }
        let of = |scene: Scene| match scene {
            Scene::Look(look) | Scene::Meter(look) => Some(look),
            _ => None,
        };
        of(self.scene).or_else(|| self.memory.as_ref().and_then(|m| of(m.scene))).ok_or_else(|| {
            let said = "no look is lit that could be meant";
            fail(FailureKind::Nothing, said, "name one: `lampkeep meter LOOK`")
        })
    }

    /// What a look asks of every lamp, each standing where it would move.
    fn asked_in(&self, look: LookId) -> Vec<Demand> {
        let demands = solve::demands(&self.plan, &self.look_as_it_stands(look));
        let still = |target: Moving| Demand { lux: target.top_lux(), ..target.base };
        self.all_steady(demands).into_iter().map(still).collect()
    }

    /// Lamps of a look that can be lit for a reading, with what it asks of them; and why others cannot.
    fn lamps_to_meter(&self, look: LookId) -> (Vec<(FixtureId, Demand)>, Vec<String>) {
        let (mut lamps, mut notes) = (Vec::new(), Vec::new());
        for (id, asked) in self.plan.fixture_ids().zip(self.asked_in(look)) {
            if asked.lux <= 0.0 {
                continue;
            }
            let (fixture, lamp) = (self.plan.fixture(id), &self.lamps[id.0]);
            if let Some(why) = &lamp.absent {
                notes.push(format!("{} is absent ({}): not read", fixture.id, crate::words::short(why)));
            } else if self.protect.holds(id) {
                notes.push(format!("{} is held dark (a protected face): not read", fixture.id));
            } else if fixture.address().is_none() {
                notes.push(format!(
                    "{} is set by hand: leave it as it is for the whole walk, it counts with the room",
                    fixture.id
                ));
            } else if assess::lamp(fixture, id, asked, self.real(id), false).allowed_lux <= 0.0 {
                notes.push(format!("{} stays dark in this look: not read", fixture.id));
            } else {
                lamps.push((id, asked));
            }
        }
        (lamps, notes)
    }

    fn show_metered(
        &mut self,
        look: LookId,
        show: Show,
        lamp: Option<&str>,
        at: FrameNumber,
    ) -> Result<String, Failure> {
        let (lamps, notes) = self.lamps_to_meter(look);
        let name = self.plan.look(look).name.clone();
        let lit: Vec<(FixtureId, Demand)> = match (show, lamp) {
            (Show::Room, None) => Vec::new(),
            (Show::All, None) => lamps,
            (Show::Lamp, Some(lamp)) => {
                let id = self.find_driven(lamp)?;
                let one: Vec<_> = lamps.into_iter().filter(|(known, _)| *known == id).collect();
                if one.is_empty() {
                    let said = format!("{name} does not light {}", self.plan.fixture(id).id);
                    return Err(fail(FailureKind::Nothing, said, "meter a look that does"));
                }
                one
            }
            _ => {
                let said = "`lamp` goes with `show` = `lamp`, and only there";
                return Err(fail(
                    FailureKind::BadField,
                    said,
                    "such as {\"show\":\"lamp\",\"lamp\":\"key\"}",
                ));
            }
        };
        let dark = Moving::still(Demand { lux: 0.0, colour: solve::dark_colour(&self.plan) });
        let mut targets = vec![dark; self.lamps.len()];
        for (id, demand) in &lit {
            targets[id.0] = Moving::still(*demand);
        }
        self.fits(&targets)?;
        self.protect_for(look, at);
        if !matches!(self.scene, Scene::Meter(_)) {
            self.before_meter = Some(Memory {
                scene: self.scene,
                targets: self.lamps.iter().map(|l| l.target).collect(),
                nudged: self.nudged,
            });
        }
        let frames = self.clock().frames_in(std::time::Duration::from_secs_f64(STEP_FADE_S));
        self.turn_all(&targets, at, frames);
        self.scene = Scene::Meter(look);
        self.nudged = false;
        let what = match (show, &lit[..]) {
            (Show::Room, _) => "room light: every lamp dark".to_owned(),
            (Show::Lamp, [(id, demand)]) => {
                format!(
                    "{} alone · {:.1} lx planned at what it is aimed at",
                    self.plan.fixture(*id).id,
                    demand.lux
                )
            }
            _ => format!("all together: {}", say::count(lit.len(), "lamp")),
        };
        let notes = if show == Show::Lamp || notes.is_empty() {
            String::new()
        } else {
            format!(" · {}", notes.join(" · "))
        };
        Ok(format!("meter {name} · {what}{notes} · `lampkeep again` goes back"))
    }

    /// Back to the light from before the walk.
    fn end_meter(&mut self, at: FrameNumber) -> Result<String, Failure> {
        if !matches!(self.scene, Scene::Meter(_)) {
            let hint = "nothing is left to end; `lampkeep status` tells what is lit";
            return Err(fail(FailureKind::Nothing, "no look is being metered", hint));
        }
        let frames = self.clock().frames_in(self.plan.fade);
        match self.before_meter.take() {
            Some(before) if !matches!(before.scene, Scene::Rest(_) | Scene::Meter(_)) => {
                self.turn_all(&before.targets, at, frames);
                self.scene = before.scene;
                self.nudged = before.nudged;
            }
            // Rest ends by itself, and its time has gone on.
            _ => self.go_dark(frames, at),
        }
        Ok(format!("metering over · {} · {}", self.scene_name(), self.fading(frames)))
    }

    pub(super) fn undo_trims(&mut self, by: TrimsBy, at: FrameNumber) -> Result<String, Failure> {
        let set = self.take_trims_back(by, at)?;
        if set.is_empty() {
            let what = match by {
                TrimsBy::Meter => "metering walk",
                TrimsBy::Match => "match",
            };
            let said = format!("no trims of a {what} are left to take back");
            return Err(fail(FailureKind::Nothing, said, "`lampkeep status` shows the trims in force"));
        }
        Ok(format!("taken back: {}", self.trims_said(&set)))
    }

    /// `key +0.36 stop → none, fill in day …`, for what was set.
    pub(super) fn trims_said(&self, set: &[TrimSet]) -> String {
        let one = |s: &TrimSet| match &s.of {
            TrimOf::Lamp { fixture, .. } => format!("{fixture} {} (was {})", s.new, s.old),
            TrimOf::Look { look, fixture } => format!("{fixture} in {look} {} (was {})", s.new, s.old),
        };
        set.iter().map(one).collect::<Vec<_>>().join(" · ")
    }

    fn report_of(&self, look: LookId, lamps: &[(FixtureId, Demand)]) -> Report {
        let here = self.here_for(self.plan.look(look).key);
        let most = |fixture: &Fixture, id: FixtureId, demand: Demand| {
            assess::lamp(fixture, id, demand, self.real(id), false).allowed_lux
        };
        meter::report(&here.here(), lamps, &most)
    }

    fn apply_offers(&mut self, look: LookId, names: &str, at: FrameNumber) -> Result<String, Failure> {
        let (lamps, _) = self.lamps_to_meter(look);
        let report = self.report_of(look, &lamps);
        let mut changes = Vec::new();
        let reached = |id: &FixtureId| report.offers.iter().find(|o| o.fixture == *id && o.short.is_none());
        let ids: Vec<FixtureId> = if names == "all" {
            report.offers.iter().filter(|o| o.short.is_none()).map(|o| o.fixture).collect()
        } else {
            names.split_whitespace().map(|name| self.find_driven(name)).collect::<Result<_, _>>()?
        };
        for id in &ids {
            let fixture = self.plan.fixture(*id);
            let Some(offer) = reached(id) else {
                let said = format!("no trim is offered for {}", fixture.id);
                let hint =
                    format!("`lampkeep meter {}` shows what its readings come to", self.plan.look(look).name);
                return Err(fail(FailureKind::Nothing, said, hint));
            };
            let of = TrimOf::Lamp { lamp: fixture.lamp_name().to_owned(), fixture: fixture.id.clone() };
            changes.push(KeptTrim { of, trim: offer.trim });
        }
        if changes.is_empty() {
            let said = "no trim is offered";
            return Err(fail(FailureKind::Nothing, said, "`lampkeep meter LOOK` reads the lamps"));
        }
        let set = self.add_trims(TrimsBy::Meter, changes, at)?;
        Ok(format!(
            "lamp trim, in every look: {} · `lampkeep meter --undo` takes it back",
            self.trims_said(&set)
        ))
    }

    fn walk_data(&self, look: LookId, places: bool, at: FrameNumber) -> (Report, Value) {
        let (lamps, notes) = self.lamps_to_meter(look);
        let ids: Vec<FixtureId> = lamps.iter().map(|(id, _)| *id).collect();
        let mut steps = meter::steps(&self.plan, &self.look_as_it_stands(look), &ids, places);
        for step in &mut steps {
            step.done = self.is_read(look, step, &lamps);
        }
        let report = self.report_of(look, &lamps);
        let now_s = self.now_s();
        let planned = |step: &Step| {
            let id = step.lamp.as_ref().and_then(|name| self.plan.fixture_named(name))?;
            let lux = lamps.iter().find(|(known, _)| *known == id)?.1.lux;
            Some(lux)
        };
        let lit: Vec<String> = self
            .plan
            .fixture_ids()
            .filter(|id| self.lamps[id.0].target.base.lux > 0.0 && self.plan.fixture(*id).address().is_some())
            .map(|id| self.plan.fixture(id).id.clone())
            .collect();
        let walks = self.scene == Scene::Meter(look);
        let data = json!({
            "look": self.plan.look(look).name,
            "steps": steps.iter().map(|s| json!({
                "show": s.show, "lamp": s.lamp, "point": s.spot.name(), "spot": s.spot, "said": s.said, "done": s.done,
                "planned_lux": planned(s),
            })).collect::<Vec<_>>(),
            "metering": walks,
            "lit": lit,
            "stands": walks && self.still(at).is_ok(),
            "zero_stops_lux": self.plan.exposure.zero_stops.get(),
            "notes": notes,
            "report": report.json(&self.plan, now_s),
            "text": report.text(&self.plan, now_s),
        });
        (report, data)
    }

    /// True if a reading of just this step is there: not too old, of the light that it would show now.
    fn is_read(&self, look: LookId, step: &Step, lamps: &[(FixtureId, Demand)]) -> bool {
        let now_s = self.now_s();
        let (key, look_name) = (self.plan.look(look).key, &self.plan.look(look).name);
        let as_asked = |l: &LitLamp| {
            lamps.iter().any(|(id, asked)| {
                let fixture = self.plan.fixture(*id);
                fixture.id == l.fixture
                    && (l.asked_lux / asked.lux - 1.0).abs() < 1e-6
                    && l.asked_xy.uv76().distance(asked.colour.xy().uv76()) < 1e-6
                    && l.trim == self.trims.of_lamp(fixture)
            })
        };
        let of_step = |n: &&Noted| match step.show {
            Show::Room => n.is_room(),
            Show::Lamp => n.alone().is_some_and(|l| Some(&l.fixture) == step.lamp.as_ref() && as_asked(l)),
            Show::All => n.lamps.len() == lamps.len() && n.lamps.iter().all(as_asked),
        };
        let turned = |n: &&Noted| self.key_of(n) == key || n.look.as_ref() == Some(look_name) || n.is_room();
        self.readings.list.iter().filter(turned).filter(of_step).any(|n| {
            n.spot == step.spot && n.counts() && n.lapsed != Some(Lapsed::Trim) && n.age_s(now_s) <= WALK_S
        })
    }
}
