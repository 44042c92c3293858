//! Back to the light of a take: the very slots of every lamp that is as it was then, the same light on all others.
//!
//! Nothing is sent but what the guards allow, as for any recall: heat, circuits, the flash rule, floors and a protected
//! face bind. What of the take cannot be met is said, lamp by lamp.

use std::sync::Arc;

use serde_json::{Value, json};

use super::recall::LONGEST_FADE_S;
use super::{AskingFor, LONGEST_DELAY_S, checked, fail};
use crate::channels;
use crate::control::{Failure, FailureKind};
use crate::engine::kept::{self, KeptScene};
use crate::engine::lamp::Pin;
use crate::engine::state::{Change, Scene};
use crate::engine::take_same::{self, Coming};
use crate::engine::{Action, Engine, Ticket, assess, moves, say};
use crate::journal::{LampLight, TakeFound, TakeRecord};
use crate::light::{Colour, Demand, Moving, colour, solve};
use crate::plan::{Control, Fixture, FixtureId, Prefer};
use crate::units::{FrameNumber, Xy};

/// Light that slots stand for, with a hair more, so that rounding finds the slots again.
const HAIR: f64 = 1.0 + 1e-9;
/// Places nearer than this to each other in metres are the same one, written twice.
const SAME_PLACE_M: f64 = 1e-6;

/// A take's light on the lamps of today.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::engine) struct TakeLight {
    /// What each lamp is asked, in the plan's order.
    pub targets: Vec<Moving>,
    /// Slots that are to go out as they are, once the lamp has its light.
    pub pins: Vec<Option<Pin>>,
    /// Slots of lamps that were dark and are as they were.
    pub dark: Vec<Option<Vec<u8>>>,
    /// Lamps that are not as they were and were solved again.
    pub solved: Vec<FixtureId>,
    /// What of it cannot be met here, in words.
    pub unmet: Vec<String>,
}

impl Engine {
    /// Checks a recall of a take, and asks the log for it.
    pub(super) fn ask_to_recall(
        &mut self,
        ticket: Ticket,
        id: Option<String>,
        take: &str,
        over_s: Option<f64>,
        in_s: Option<f64>,
    ) -> Result<Vec<Action>, Failure> {
        let over_s = checked("fade", over_s, LONGEST_FADE_S)?;
        let in_s = checked("delay", in_s, LONGEST_DELAY_S)?;
        self.ask_for_take(ticket, id, take, AskingFor::Recall { over_s, in_s })
    }

    /// A take that was asked for has been found: its light comes up now, or after a delay.
    pub(super) fn recall_take_found(
        &mut self,
        take: TakeFound,
        over_s: Option<f64>,
        in_s: Option<f64>,
        at: FrameNumber,
    ) -> Result<(String, Value), Failure> {
        // A take may have begun to roll while the log was read.
        self.guard_change()?;
        let (name, log_name) = (take.name(), take.log_name.clone());
        let record = Arc::new(take.record);
        let data = |engine: &Self, same: Option<&[take_same::Difference]>| json!({ "same_as": same.map(|d| engine.same_data(&name, &log_name, d)) });
        match in_s {
            Some(s) if s > 0.0 => {
                let what = format!("recall --take {name}");
                let change =
                    Change::RecallTake { name: name.clone(), log_name: log_name.clone(), record, over_s };
                Ok((self.wait(s, what, change, at), data(self, None)))
            }
            _ => {
                let said = self.recall_take(&name, &log_name, &record, over_s, at)?;
                let differs = self.differs_from(&record);
                Ok((said, data(self, Some(&differs))))
            }
        }
    }

    /// Brings up the light of a take now.
    pub(in crate::engine) fn recall_take(
        &mut self,
        name: &str,
        log_name: &str,
        record: &Arc<TakeRecord>,
        over_s: Option<f64>,
        at: FrameNumber,
    ) -> Result<String, Failure> {
        let look = self.look_of(record);
        let light = self.take_light(record);
        if light.targets.iter().all(|t| t.base.lux <= 0.0)
            && take_same::missing(record, &self.plan).next().is_some()
        {
            let said = format!("take {name} ({log_name}) lit lamps that this plan does not have");
            return Err(fail(
                FailureKind::Nothing,
                said,
                "run the plan that it was shot with, or one of its lamps",
            ));
        }
        self.fits(&light.targets)?;
        let own = look.and_then(|look| self.plan.look(look).fade).unwrap_or(self.plan.fade);
        let frames = self.clock().frames_in(over_s.map_or(own, std::time::Duration::from_secs_f64));
        if let Some(look) = look {
            self.protect_for(look, at);
        }
        let targets = self.all_steady(light.targets);
        self.turn_all(&targets, at, frames);
        for (lamp, (pin, dark)) in self.lamps.iter_mut().zip(light.pins.into_iter().zip(light.dark)) {
            (lamp.pin_later, lamp.dark_slots) = (pin, dark);
        }
        // Under its look's name where it has one: the order goes on from there.
        log_name.clone_into(&mut self.lit_take);
        self.scene = look.map_or(Scene::Take, Scene::Look);
        self.nudged = look.is_some_and(|look| {
            let demands = solve::demands(&self.plan, &self.look_as_it_stands(look));
            !demands.iter().map(|d| d.base).eq(targets.iter().map(|t| t.base))
        });
        self.remember();
        if let Some(look) = look {
            self.find_place_in_order(look);
        }
        let mut parts =
            vec![format!("{} of take {name} ({log_name})", self.scene_name()), self.fading(frames)];
        parts.push(say::count(targets.iter().filter(|t| t.base.lux > 0.0).count(), "lamp"));
        parts.extend(self.by_hand_said());
        let same = self.differs_from(record);
        parts.push(format!("same as take {name}: {}", take_same::said(&same)));
        if !light.solved.is_empty() {
            let names: Vec<_> = light.solved.iter().map(|id| self.plan.fixture(*id).id.as_str()).collect();
            parts.push(format!("the same light solved again for {}", names.join(", ")));
        }
        let mut warnings = light.unmet;
        warnings.extend(self.target_warnings(&targets));
        warnings.extend(self.load_warnings(&targets));
        if !warnings.is_empty() {
            parts.push(format!("{}: {}", say::count(warnings.len(), "warning"), warnings.join(", ")));
        }
        Ok(parts.join(" · "))
    }

    /// The look of a take, if this plan has it.
    fn look_of(&self, record: &TakeRecord) -> Option<crate::plan::LookId> {
        let (KeptScene::Look(name) | KeptScene::Rest(name)) = &record.light.scene else { return None };
        let number = crate::guards::identity::names::numbered("look", name)
            .filter(|i| record.light.plan == self.plan.hash && *i < self.plan.looks.len());
        self.plan.look_named(name).or(number.map(crate::plan::LookId))
    }

    /// What each lamp of today is asked so that it gives the light of a take.
    pub(in crate::engine) fn take_light(&mut self, record: &TakeRecord) -> TakeLight {
        let dark = Moving::still(Demand { lux: 0.0, colour: solve::dark_colour(&self.plan) });
        let mut light = TakeLight {
            targets: vec![dark; self.lamps.len()],
            pins: vec![None; self.lamps.len()],
            dark: vec![None; self.lamps.len()],
            solved: Vec::new(),
            unmet: Vec::new(),
        };
        let plan = Arc::clone(&self.plan);
        for id in plan.fixture_ids() {
            let Some(was) = take_same::lamp_of(record, &plan, id) else { continue };
            if was.absent.is_some() || (was.sent.lux <= 0.0 && was.demand.lux <= 0.0) {
                if was.absent.is_none() && self.is_as_then(id, was, record) {
                    light.dark[id.0] = kept::bytes(&was.slots);
                }
                continue;
            }
            let motion = was.moves_in.as_ref().and_then(|name| {
                let motion = plan.look_named(name).and_then(|look| plan.look(look).target(id)?.motion);
                if motion.is_none() {
                    let said = format!("{} stands: how it moved is not in this plan", plan.fixture(id).id);
                    light.unmet.push(said);
                }
                motion
            });
            if motion.is_some() {
                light.targets[id.0] = Moving::new(was.demand, motion);
                continue;
            }
            if !self.is_as_then(id, was, record) {
                light.solved.push(id);
                light.targets[id.0] = Moving::still(given(was));
                continue;
            }
            let (demand, pin) = self.very_slots(id, was);
            light.targets[id.0] = Moving::still(demand);
            light.pins[id.0] = pin;
        }
        light
            .unmet
            .extend(take_same::missing(record, &plan).map(|l| format!("{} is not in this plan", l.fixture)));
        light
    }

    /// True if nothing has changed that turns this lamp's slots into light at its aim.
    fn is_as_then(&self, id: FixtureId, was: &LampLight, record: &TakeRecord) -> bool {
        let fixture = self.plan.fixture(id);
        let address = fixture.address().map(|a| (a.universe, a.first));
        let body = fixture.body.as_ref().map(|b| b.name.as_str());
        let nameless = was.body.as_deref() == Some(was.fixture.as_str());
        self.recording.figures.get(id.0) == Some(&was.profile_hash)
            && address == was.universe.zip(was.first_slot)
            && (nameless || body == was.body.as_deref())
            && self.trims.of_lamp(fixture) == was.lamp_trim
            && record.places.iter().find(|p| p.fixture == was.fixture).is_some_and(|place| {
                let near =
                    |a: [f64; 3], b: [f64; 3]| a.iter().zip(b).all(|(a, b)| (a - b).abs() <= SAME_PLACE_M);
                near(fixture.place.position, place.position_m)
                    && near(fixture.place.aim_point, place.aim_m)
                    && (fixture.loss.get() - place.loss_stops).abs() <= 1e-9
            })
    }

    /// What a lamp that is as it was is asked so that its very slots go out: what it was asked then, where that
    /// comes to them; else the light that they stand for; else that with the slots held.
    fn very_slots(&mut self, id: FixtureId, was: &LampLight) -> (Demand, Option<Pin>) {
        let plan = Arc::clone(&self.plan);
        let fixture = plan.fixture(id);
        let real = self.real(id);
        // A record may come from a file: slots of another length are not this lamp's.
        let footprint = usize::from(fixture.mode.footprint());
        let slots = kept::bytes(&was.slots).filter(|s| fixture.address().is_some() && s.len() == footprint);
        let Some(slots) = slots else { return (was.demand, None) };
        let comes_to = |demand: &Demand| assess::lamp(fixture, id, *demand, real, false).slots == slots;
        // Its own mix is searched for: what it was asked leads to the same one again.
        if comes_to(&was.demand) || fixture.prefer == Prefer::Rendering {
            return (was.demand, None);
        }
        let found = channels::given(fixture, &slots);
        let lux = found.lux_at_1m * solve::gain(fixture) * HAIR;
        let of_slots = found.xy.map_or(was.demand.colour, white_or_uv);
        for colour in [was.demand.colour, of_slots] {
            let demand = Demand { lux, colour };
            if comes_to(&demand) {
                return (demand, None);
            }
        }
        let most = found.drives.iter().copied().fold(0.0, f64::max);
        let mix = if most > 0.0 { found.drives.map(|d| d / most) } else { found.drives };
        (Demand { lux, colour: of_slots }, Some(Pin { mix, xy: found.xy, slots }))
    }

    /// What lamps fall short of, each with its reason.
    fn target_warnings(&self, targets: &[Moving]) -> Vec<String> {
        let assessed = |(id, target): (FixtureId, &Moving)| {
            let absent = self.lamps[id.0].absent.is_some();
            moves::assessed(self.plan.fixture(id), id, *target, self.real(id), absent).warnings(&self.plan)
        };
        self.plan.fixture_ids().zip(targets).flat_map(assessed).collect()
    }

    /// What a person sets by hand for the light that comes.
    fn by_hand_said(&self) -> Vec<String> {
        let set = |id: FixtureId| {
            let target = self.lamps[id.0].target;
            let fixture: &Fixture = self.plan.fixture(id);
            if fixture.control != Control::Hand || target.base.lux <= 0.0 {
                return None;
            }
            let absent = self.lamps[id.0].absent.is_some();
            assess::lamp(fixture, id, target.base, self.real(id), absent).by_hand(&self.plan)
        };
        self.plan.fixture_ids().filter_map(set).collect()
    }

    /// What the light that is asked for now differs in from a take's.
    pub(in crate::engine) fn differs_from(&self, record: &TakeRecord) -> Vec<take_same::Difference> {
        let coming: Vec<Coming> = self.plan.fixture_ids().map(|id| self.coming(id)).collect();
        take_same::differences(&self.plan, &coming, record)
    }

    /// What one lamp will be sent once the light that is asked for has landed.
    fn coming(&self, id: FixtureId) -> Coming {
        let (fixture, lamp) = (self.plan.fixture(id), &self.lamps[id.0]);
        let asked = lamp.target.at(0.0);
        let real = self.real(id);
        let pin = lamp.pin_later.as_ref().or(lamp.pin.as_ref());
        let shape = self.renderings.known(fixture, id, &asked);
        let found = match pin {
            Some(pin) => assess::pinned(fixture, id, asked, pin, real, false),
            None => assess::shaped(fixture, id, asked, shape.as_ref(), real),
        };
        // Its mix is still to be searched for, so that nobody knows its slots yet.
        let known =
            fixture.prefer != Prefer::Rendering || shape.is_some() || pin.is_some() || asked.lux <= 0.0;
        let out = if self.protect.holds(id) {
            Some("held dark")
        } else if lamp.absent.is_some() {
            Some("absent")
        } else {
            None
        };
        Coming {
            light: self.light(found.sent_lux, found.sent_xy),
            slots: (known && fixture.address().is_some()).then_some(found.slots),
            out,
            moves_in: self.kept_target(id, &lamp.target).moves_in,
            figures: self.recording.figures.get(id.0).cloned().unwrap_or_default(),
            trim: self.trims.of_lamp(fixture),
        }
    }

    /// `same as take 4/3: yes`, of a look's light against its latest take; `None` where it has had none.
    pub(in crate::engine) fn same_said(&self, look: &str) -> Option<String> {
        let take = self.known.of_look(look, &self.plan)?;
        let differs = self.differs_from(&take.record);
        Some(format!("same as take {}: {}", take.name, take_same::said(&differs)))
    }

    /// The same of what is asked for now, for programs; `null` where it is no look, or has had no take.
    pub(super) fn same_as_now(&self) -> Value {
        let (Scene::Look(look) | Scene::Rest(look)) = self.scene else { return Value::Null };
        let Some(take) = self.known.of_look(&self.plan.look(look).name, &self.plan) else {
            return Value::Null;
        };
        let differs = self.differs_from(&take.record);
        self.same_data(&take.name, &take.log_name, &differs)
    }

    fn same_data(&self, name: &str, log_name: &str, differs: &[take_same::Difference]) -> Value {
        let differs: Vec<_> =
            differs.iter().map(|d| json!({ "fixture": d.fixture, "said": d.said })).collect();
        json!({ "take": name, "number": log_name, "same": differs.is_empty(), "differs": differs })
    }
}

/// The light that a lamp gave, as something that any lamp can be asked.
fn given(was: &LampLight) -> Demand {
    let xy = was.sent.x.zip(was.sent.y).map(|(x, y)| Xy { x, y });
    let colour = match (was.sent.kelvin.zip(was.sent.duv), xy) {
        // Where it gave the white that it was asked, that one to the last bit.
        (Some((k, _)), _) if asked_white(&was.demand, k) => was.demand.colour,
        (_, Some(xy)) => white_or_uv(xy),
        _ => was.demand.colour,
    };
    let lux = if was.sent.lux > 0.0 { was.sent.lux } else { was.demand.lux };
    Demand { lux, colour }
}

/// True if a demand is a white within half a mired of this one.
fn asked_white(demand: &Demand, kelvin: f64) -> bool {
    matches!(demand.colour, Colour::White { mired, .. } if (mired - 1e6 / kelvin).abs() < 0.5)
}

fn white_or_uv(xy: Xy) -> Colour {
    match colour::kelvin_of(xy) {
        Some((kelvin, duv)) => Colour::white(kelvin, duv),
        None => Colour::Uv(xy.uv76()),
    }
}
