//! Saving what is lit as a look of the plan.

use super::fail;
use crate::control::{Answer, Failure, FailureKind};
use crate::engine::state::{Keeping, Scene};
use crate::engine::{Action, Engine, Ticket};
use crate::light::Colour;
use crate::plan::{self, ColourTarget, Level, Look, LookId, Target};
use crate::units::{Duv, Kelvin, Stops};
use crate::words;

/// Most kept looks of a plan. Judgement: far more than a shoot has, and a stream of requests fills neither memory nor
/// disk.
const MOST_KEPT: usize = 500;

impl Engine {
    pub(super) fn keep(&mut self, ticket: Ticket, id: Option<String>, name: Option<String>) -> Vec<Action> {
        match self.kept_look(name) {
            Ok(look) => {
                let text = plan::look_text(&look, &self.plan);
                let name = look.name.clone();
                let targets = self.lamps.iter().map(|l| l.target).collect();
                self.keeping.push(Keeping { ticket, id, look, targets });
                vec![Action::WriteLook { ticket, name, text }]
            }
            Err(failure) => vec![Action::reply(ticket, Answer::refused(id, failure))],
        }
    }

    fn kept_look(&self, name: Option<String>) -> Result<Look, Failure> {
        if self.plan.path.is_none() {
            let hint = "run a plan of your own: `lampkeep new` writes a first one";
            return Err(fail(FailureKind::Files, "the built-in demo has no folder to keep looks in", hint));
        }
        let present = match self.scene {
            Scene::Look(id) => Some(self.plan.look(id)),
            _ => None,
        };
        if !self.lamps.iter().any(|l| l.target.base.lux > 0.0) || self.rollcall.is_some() {
            return Err(fail(
                FailureKind::Nothing,
                "nothing is lit that could be kept",
                "recall a look first",
            ));
        }
        let name = match (name, present) {
            (Some(name), _) => name,
            (None, Some(look)) => look.name.clone(),
            (None, None) => {
                let hint = "give a name: `lampkeep keep NAME`";
                return Err(fail(FailureKind::BadField, "what is lit is no look of the plan", hint));
            }
        };
        // A name that no plan takes would be refused at the next start.
        if !plan::is_look_name(&name) {
            let said = format!("`{}` cannot be a look's name", words::short(&name));
            let hint =
                "use 1 to 40 letters a to z, digits and `-`, no `-` first, no word such as `dark` or `all`";
            return Err(fail(FailureKind::BadField, said, hint));
        }
        let kept = self.plan.looks.iter().filter(|l| l.kept).count() + self.keeping.len();
        if kept >= MOST_KEPT && self.plan.look_named(&name).is_none() {
            let said = format!("{MOST_KEPT} looks are kept already, the most");
            let hint = "keep it under a name that is there, or remove files from the plan's folder of looks and \
                        `lampkeep reload`";
            return Err(fail(FailureKind::Files, said, hint));
        }
        let zero = self.plan.exposure.zero_stops.get();
        let targets = self
            .plan
            .fixture_ids()
            .filter_map(|id| {
                let target = &self.lamps[id.0].target;
                (target.base.lux > 0.0).then(|| Target {
                    fixture: id,
                    level: Level::Stops(Stops::clamped((target.base.lux / zero).log2())),
                    colour: match target.base.colour {
                        Colour::White { mired, duv } => {
                            ColourTarget::White(Kelvin::clamped(1e6 / mired), Duv::clamped(duv))
                        }
                        Colour::Uv(uv) => ColourTarget::Xy(uv.xy()),
                    },
                    motion: target.motion,
                })
            })
            .collect();
        Ok(Look {
            name,
            about: present.and_then(|l| l.about.clone()),
            protect: present.is_some_and(|l| l.protect),
            key: present.and_then(|l| l.key),
            fade: present.and_then(|l| l.fade),
            targets,
            meter: Vec::new(),
            balanced: None,
            kept: true,
        })
    }

    /// True if what is lit is a look with meter points: a kept one has its lamps' targets alone.
    fn scene_is_balanced(&self) -> bool {
        matches!(self.scene, Scene::Look(id) if self.plan.look(id).balanced.is_some())
    }

    pub(in crate::engine) fn look_written(
        &mut self,
        ticket: Ticket,
        result: Result<(), Failure>,
    ) -> Vec<Action> {
        let Some(index) = self.keeping.iter().position(|k| k.ticket == ticket) else { return Vec::new() };
        let Keeping { id, look, targets, .. } = self.keeping.remove(index);
        if let Err(failure) = result {
            return vec![Action::reply(ticket, Answer::refused(id, failure))];
        }
        let name = look.name.clone();
        let levels = if self.scene_is_balanced() { " as levels, without its meter points" } else { "" };
        let plan = std::sync::Arc::make_mut(&mut self.plan);
        let id_of_look = match plan.look_named(&name) {
            Some(old) => {
                plan.looks[old.0] = look;
                old
            }
            None => {
                plan.looks.push(look);
                LookId(plan.looks.len() - 1)
            }
        };
        let plan = std::sync::Arc::clone(&self.plan);
        self.protect.learn_names(&plan);
        // What was trimmed is in the look's own targets now.
        self.trims.forget_look(&name);
        // Other light may have come while the file was written; and rest stays rest, it ends by itself.
        let stands = self.lamps.iter().map(|l| l.target).eq(targets);
        if stands && !matches!(self.scene, Scene::Rest(_)) {
            self.scene = Scene::Look(id_of_look);
            self.nudged = false;
            self.remember();
        }
        let mut actions = self.publish();
        actions.push(self.accept(
            ticket,
            id,
            format!("{name} · kept beside the plan{levels}; `lampkeep recall {name}` brings it back"),
        ));
        actions
    }
}
