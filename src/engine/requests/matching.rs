//! `match`: today's readings against a take's or the plan's, as trims and distances; setting and taking back those trims.

use serde_json::{Value, json};

use super::{fail, is_plain, stopping};
use crate::control::{Answer, Failure, FailureKind, Light};
use crate::engine::state::Scene;
use crate::engine::trims_kept::{KeptTrim, TrimOf, TrimsBy};
use crate::engine::{Action, Engine, Ticket, kept};
use crate::guards::identity::names::numbered;
use crate::journal::{Found, LampLight, ReadingFound, ReadingRecord, TakeFound, TakeName, Wanted};
use crate::light::solve;
use crate::meter::{
    self, Advice, LitLamp, Matched, Noted, PointAdvice, Present, Receptor, Reference, Seen, Spot,
};
use crate::plan::{FixtureId, LookId};
use crate::units::{FrameNumber, Moment, Xy};

/// A match that waits for the log.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::engine) struct MatchAsked {
    ticket: Ticket,
    id: Option<String>,
    look: Option<String>,
    apply: bool,
    /// What was typed for it, to be kept out of what is told while a face is protected.
    typed: Vec<String>,
    /// The take, once it is found and its readings are asked for.
    take: Option<Box<TakeFound>>,
}

impl Engine {
    /// Asks the log for a take that today's readings are to be held against.
    pub(super) fn ask_to_match(
        &mut self,
        ticket: Ticket,
        id: Option<String>,
        take: &str,
        look: Option<String>,
        apply: bool,
    ) -> Vec<Action> {
        match take.parse::<TakeName>() {
            Ok(name) => {
                let typed = look.iter().cloned().chain((!is_plain(&name)).then(|| take.to_owned())).collect();
                self.matching.push(MatchAsked { ticket, id, look, apply, typed, take: None });
                vec![Action::Find { ticket, what: Wanted::Take(name) }]
            }
            Err(e) => {
                let failure = fail(FailureKind::BadField, e.to_string(), "or `plan`: `lampkeep match plan`");
                vec![Action::reply(ticket, Answer::refused(id, failure))]
            }
        }
    }

    /// What a person typed for a match that the log now answers.
    pub(super) fn typed_for_match(&self, ticket: Ticket) -> Option<Vec<String>> {
        self.matching.iter().find(|m| m.ticket == ticket).map(|m| m.typed.clone())
    }

    /// What the log had for a match: first the take, then its readings.
    pub(in crate::engine) fn match_found(
        &mut self,
        ticket: Ticket,
        result: Result<Box<Found>, Failure>,
        now: Moment,
    ) -> Vec<Action> {
        let Some(index) = self.matching.iter().position(|m| m.ticket == ticket) else { return Vec::new() };
        let mut asked = self.matching.remove(index);
        let at = self.acting_frame(now);
        if let Ok(found) = &result {
            self.hide_foreign(found);
        }
        let found = match (result.map(|found| *found), asked.take.take()) {
            (Ok(_), _) if self.stopping || self.finished => Err(stopping()),
            (Ok(Found::Take(take)), _) if take.record.readings.is_empty() => {
                let said = format!("nothing was read for take {} ({})", take.record.name, take.log_name);
                Err(fail(
                    FailureKind::Nothing,
                    said,
                    "nothing is met without a reading; `lampkeep match plan` needs none of then",
                ))
            }
            (Ok(Found::Take(take)), _) => {
                let what = Wanted::readings_of(&take);
                asked.take = Some(take);
                self.matching.push(asked);
                return vec![Action::Find { ticket, what }];
            }
            (Ok(Found::Readings(readings)), Some(take)) => self.match_take(&take, &readings, &asked, at),
            (Ok(_), _) => {
                Err(fail(FailureKind::Files, "the log gave something else than a take", "ask again"))
            }
            (Err(failure), _) => Err(failure),
        };
        self.answered(ticket, asked.id, found.map(|(said, data)| (said, Some(data))), false, at)
    }

    fn match_take(
        &mut self,
        take: &TakeFound,
        readings: &[ReadingFound],
        asked: &MatchAsked,
        at: FrameNumber,
    ) -> Result<(String, Value), Failure> {
        if asked.apply {
            // A take may have begun to roll while the log was read.
            self.guard_change()?;
        }
        let record = &take.record;
        let look = match &asked.look {
            Some(name) => self.find_look(name)?,
            None => self.plan.look_named(&record.look).ok_or_else(|| {
                let said =
                    format!("take {} was of `{}`, which this plan does not have", record.name, record.look);
                fail(FailureKind::Nothing, said, "name the look that is to be like it: `--look LOOK`")
            })?,
        };
        let lit: Vec<LitLamp> = record.light.lamps.iter().filter_map(|l| self.lit_then(l)).collect();
        let readings: Vec<Noted> = readings.iter().map(|r| self.noted_then(&r.record)).collect();
        let said = format!("take {} ({})", record.name, take.log_name);
        let reference = meter::of_take(&self.plan, &self.look_untrimmed(look), said, &lit, &readings);
        self.match_with(&reference, look, asked.apply, at)
    }

    /// A lamp of a take, where the wire drove it and it was lit.
    fn lit_then(&self, lamp: &LampLight) -> Option<LitLamp> {
        let xy = |light: &Light| Some(Xy { x: light.x?, y: light.y? });
        let sent_xy = xy(&lamp.sent).filter(|_| lamp.universe.is_some() && lamp.sent.lux > 0.0)?;
        Some(LitLamp {
            fixture: self.named_then(&lamp.fixture),
            lamp: self.body_then(lamp.body.as_deref().unwrap_or(&lamp.fixture)),
            asked_lux: lamp.asked.lux,
            asked_xy: xy(&lamp.asked).unwrap_or(sent_xy),
            sent_lux: lamp.sent.lux,
            sent_xy,
            trim: lamp.lamp_trim,
            slots: kept::bytes(&lamp.slots).unwrap_or_default(),
        })
    }

    fn noted_then(&self, record: &ReadingRecord) -> Noted {
        let point = self.named_then(&record.point);
        let lamp = |l: &LitLamp| LitLamp {
            fixture: self.named_then(&l.fixture),
            lamp: self.body_then(&l.lamp),
            ..l.clone()
        };
        Noted {
            id: record.id,
            spot: if record.aim { Spot::Aim(point) } else { Spot::Point(point) },
            receptor: if record.dome { Receptor::Dome } else { Receptor::Flat },
            seen: Seen {
                lux: record.lux,
                under: record.under,
                kelvin: record.kelvin,
                duv: record.duv,
                xy: None,
            },
            typed: record.typed.join(" "),
            instrument: record.instrument.clone(),
            look: record.look.clone(),
            lamps: record.lamps.iter().map(lamp).collect(),
            moving: false,
            taken_s: 0.0,
            lapsed: None,
        }
    }

    /// A fixture's id: what was recorded while a face was protected has numbers, in the plan's order.
    fn named_then(&self, name: &str) -> String {
        let known = self.plan.fixtures.iter().any(|f| f.id == name);
        let number =
            numbered("lamp", name).filter(|_| !known).and_then(|index| self.plan.fixtures.get(index));
        number.map_or_else(|| name.to_owned(), |f| f.id.clone())
    }

    /// The same of a body's name.
    fn body_then(&self, name: &str) -> String {
        let known = self.plan.fixture_named(name).is_some();
        let number =
            numbered("lamp", name).filter(|_| !known).and_then(|index| self.plan.fixtures.get(index));
        number.map_or_else(|| name.to_owned(), |f| f.lamp_name().to_owned())
    }

    /// Answers a match with the plan, or takes one back; a take's light comes from the log first.
    pub(super) fn matching(
        &mut self,
        take: Option<&str>,
        look: Option<&str>,
        apply: bool,
        undo: bool,
        at: FrameNumber,
    ) -> Result<(String, Value), Failure> {
        if undo {
            return self.undo_trims(TrimsBy::Match, at).map(|said| (said, Value::Null));
        }
        match take {
            Some("plan") => {
                let look = self.look_to_meter(look)?;
                let reference = meter::of_plan(&self.plan, &self.look_untrimmed(look));
                self.match_with(&reference, look, apply, at)
            }
            _ => {
                let said = "a match needs a take, such as 4/3 or n12, or `plan`";
                Err(fail(FailureKind::BadField, said, "`lampkeep take list` shows the takes"))
            }
        }
    }

    /// Today's readings against a reference: its lines and, for programs, its parts. Errors: nothing was read today, or
    /// the trims cannot be set.
    pub(in crate::engine) fn match_with(
        &mut self,
        reference: &Reference,
        look: LookId,
        apply: bool,
        at: FrameNumber,
    ) -> Result<(String, Value), Failure> {
        let name = self.plan.look(look).name.clone();
        let here = self.here_for(self.plan.look(look).key);
        if here.is_empty() {
            let said = format!("nothing was read today to hold against {}", reference.said);
            return Err(fail(
                FailureKind::Nothing,
                said,
                format!("`lampkeep meter {name}` leads through the readings"),
            ));
        }
        let present = self.present_in(look);
        let advice = meter::match_to(&here.here(), &self.look_untrimmed(look), &present, reference);
        let room = meter::report(&here.here(), &[], &|_, _, _| 0.0).rooms;
        let matched = self.matched_now(reference, look);
        let mut lines = vec![format!("{} ({name}) against today's readings", reference.said)];
        lines.extend(advice.lamps.iter().map(|l| l.text(&self.plan, reference)));
        lines.extend(advice.missing.iter().map(|(id, lux)| {
            let why = self.plan.fixture_named(id).map(|id| self.not_here(id));
            format!(
                "{id}: {}, and gave {lux:.1} lx at its aim then",
                why.unwrap_or_else(|| "not in this plan".to_owned())
            )
        }));
        lines.extend(advice.points.iter().map(PointAdvice::text));
        let now_s = self.now_s();
        lines.extend(room.iter().map(|r| r.text(now_s)));
        lines.extend(advice.notes.iter().cloned());
        lines.extend(matched.iter().map(Matched::text));
        let changes = self.changes_of(look, &advice);
        let mut data = advice.json(&self.plan, reference, &matched);
        data["rooms"] = room.iter().map(|r| r.json(now_s)).collect();
        data["look"] = json!(name);
        if apply {
            if changes.is_empty() {
                lines.push("nothing is left to trim".to_owned());
            } else {
                let set = self.add_trims(TrimsBy::Match, changes, at)?;
                lines.push(format!("set: {}", self.trims_said(&set)));
                lines.push(format!(
                    "planned, until it is read: `lampkeep meter {name}`. `lampkeep match --undo` takes them back"
                ));
            }
        } else if !changes.is_empty() {
            lines.push("`--apply` sets these trims, `lampkeep match --undo` takes them back".to_owned());
        }
        data["applied"] = json!(apply);
        Ok((lines.join("\n"), data))
    }

    fn not_here(&self, id: FixtureId) -> String {
        let (fixture, lamp) = (self.plan.fixture(id), &self.lamps[id.0]);
        match &lamp.absent {
            Some(why) => format!("absent ({})", crate::words::short(why)),
            None if self.protect.holds(id) => "held dark (a protected face)".to_owned(),
            None if fixture.address().is_none() => "set by hand".to_owned(),
            None => "not lit".to_owned(),
        }
    }

    fn present_in(&self, look: LookId) -> Vec<Present> {
        let trimmed = self.look_as_it_stands(look);
        let name = &self.plan.look(look).name;
        let of = |id: FixtureId| {
            let fixture = self.plan.fixture(id);
            let here = self.lamps[id.0].absent.is_none() && !self.protect.holds(id);
            Present {
                asked: solve::demand(&self.plan, &trimmed, id).base,
                look_trim: self.trims.of_look(name, &fixture.id),
                here: here && fixture.address().is_some(),
            }
        };
        self.plan.fixture_ids().map(of).collect()
    }

    fn changes_of(&self, look: LookId, advice: &Advice) -> Vec<KeptTrim> {
        let look = &self.plan.look(look).name;
        let mut changes = Vec::new();
        for lamp in &advice.lamps {
            let fixture = self.plan.fixture(lamp.fixture);
            if !lamp.lamp_trim.is_none() {
                let of = TrimOf::Lamp { lamp: fixture.lamp_name().to_owned(), fixture: fixture.id.clone() };
                changes.push(KeptTrim { of, trim: lamp.lamp_trim });
            }
            let change = lamp.look_trim.plus(&self.trims.of_look(look, &fixture.id).back());
            if !change.is_none() {
                let of = TrimOf::Look { look: look.clone(), fixture: fixture.id.clone() };
                changes.push(KeptTrim { of, trim: change });
            }
        }
        changes
    }

    /// The points of a reference that are read in the light that is sent now, if that is its look.
    fn matched_now(&self, reference: &Reference, look: LookId) -> Vec<Matched> {
        if !matches!(self.scene, Scene::Look(l) | Scene::Meter(l) if l == look) {
            return Vec::new();
        }
        let key = self.plan.look(look).key;
        let read = |point: &meter::RefPoint| {
            let spot = meter::Spot::of_point(&self.plan, point.at);
            let of_point = |n: &&meter::Noted| {
                n.receptor == point.receptor && n.spot.same_as(&spot, &self.plan, key) && self.stands(n)
            };
            let noted = self.readings.list.iter().rev().filter(|n| !n.is_room()).find(of_point)?;
            meter::held_against(point, noted)
        };
        reference.points.iter().filter_map(read).collect()
    }
}
