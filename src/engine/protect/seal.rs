//! What leaves the engine: answers that wait for the file, and no names while a face is protected.

use super::{DISK_WITHIN_S, Pending};
use crate::control::{Answer, Failure, FailureKind, Now, Request, Status};
use crate::engine::{Action, Engine, Event, requests};
use crate::guards::identity::names::Names;
use crate::units::Moment;

impl Engine {
    /// Everything on its way out of the engine passes here: answers that must wait for the file wait, and while
    /// protected names go. `before`: it was on before this happened. `typed`: what was typed for it.
    pub(in crate::engine) fn seal(
        &mut self,
        mut actions: Vec<Action>,
        before: bool,
        typed: &[String],
        now: Moment,
    ) -> Vec<Action> {
        if before || self.protected() {
            for action in &mut actions {
                match action {
                    Action::Reply(_, answer) => self.redact_answer(answer, typed),
                    Action::Tell(alert) => {
                        alert.said = self.protect.redactor.text(&alert.said, typed);
                        alert.fixture = alert.fixture.as_deref().map(|f| self.protect.redactor.lamp(f));
                    }
                    _ => {}
                }
            }
        }
        if let Some(on) = self.protect.keep.take() {
            self.protect.serial += 1;
            let serial = self.protect.serial;
            let at = self.acting_frame(now);
            let (waiting, others): (Vec<_>, Vec<_>) =
                actions.into_iter().partition(|a| matches!(a, Action::Reply(_, answer) if answer.ok));
            actions = others;
            actions.push(Action::KeepProtect { serial, on });
            self.protect.pending.extend(waiting.into_iter().filter_map(|a| match a {
                Action::Reply(ticket, answer) => {
                    Some(Pending { ticket, answer: *answer, serial, at, written: false })
                }
                _ => None,
            }));
        }
        actions.extend(self.answers_due());
        actions
    }

    /// Answers whose file is written and whose frame has gone out.
    fn answers_due(&mut self) -> Vec<Action> {
        let last = self.last;
        let patience = (f64::from(self.clock().rate()) * DISK_WITHIN_S) as u64;
        let finished = self.finished;
        let mut due = Vec::new();
        let mut waiting = Vec::new();
        for mut p in std::mem::take(&mut self.protect.pending) {
            // One frame more: by then its own is on the wire.
            let sent = finished || last.is_some_and(|n| n > p.at);
            let late = last.is_some_and(|n| n > p.at + patience);
            if sent && (p.written || late) {
                if !p.written
                    && let Some(said) = &mut p.answer.said
                {
                    said.push_str(" · WARNING: the disk has not taken it yet; it may not survive a restart");
                }
                due.push(Action::reply(p.ticket, p.answer));
            } else {
                waiting.push(p);
            }
        }
        self.protect.pending = waiting;
        due
    }

    /// What the person behind an event typed: texts that must not be given back while protected.
    pub(in crate::engine) fn typed_in(&self, event: &Event) -> Vec<String> {
        match event {
            Event::Ask(_, envelope) => typed_texts(&envelope.request),
            Event::Found(ticket, _) => self.typed_for(*ticket),
            Event::LookWritten(ticket, _) => {
                self.keeping.iter().filter(|k| k.ticket == *ticket).map(|k| k.look.name.clone()).collect()
            }
            _ => Vec::new(),
        }
    }

    fn redact_answer(&self, answer: &mut Answer, typed: &[String]) {
        let redactor = &self.protect.redactor;
        if let Some(said) = &mut answer.said {
            *said = redactor.text(said, typed);
        }
        if let Some(now) = &mut answer.now {
            self.redact_now(now);
        }
        match &mut answer.data {
            // The status comes without names already, and its slots are many.
            Some(data) if data.get("fixtures").is_some() && data.get("version").is_some() => {}
            // So do they.
            Some(data) if data.get("names").is_some() && data.get("protected").is_some() => {}
            Some(data) => redactor.value(data, typed),
            None => {}
        }
        answer.error = answer.error.take().map(|e| self.redacted_failure(e, typed));
    }

    fn redacted_failure(&self, failure: Failure, typed: &[String]) -> Failure {
        // A report of a plan's errors quotes the plan.
        if failure.kind == FailureKind::PlanErrors {
            return Failure {
                kind: failure.kind,
                said: "the plan was not taken, the light stays as it is; its errors are not shown while a face is protected"
                    .to_owned(),
                hint: Some("mend it, see `lampkeep check PLAN`, then `lampkeep reload`".to_owned()),
            };
        }
        let redactor = &self.protect.redactor;
        Failure {
            kind: failure.kind,
            said: redactor.text(&failure.said, typed),
            hint: failure.hint.map(|h| redactor.text(&h, typed)),
        }
    }

    fn redact_now(&self, now: &mut Now) {
        let redactor = &self.protect.redactor;
        now.look = redactor.look(&now.look);
        now.take = now.take.as_deref().map(|t| redactor.text(t, &[]));
        now.showing = now.showing.as_deref().map(|l| redactor.lamp(l));
        now.key = now.key.as_deref().map(|l| redactor.lamp(l));
        if let Some(scheduled) = &mut now.scheduled {
            scheduled.what = redactor.text(&scheduled.what, &[]);
        }
    }

    /// The status without names.
    pub(in crate::engine) fn redact_status(&self, status: &mut Status) {
        let redactor = &self.protect.redactor;
        let numbers = Names::of(&self.plan, true);
        self.redact_now(&mut status.now);
        status.order.next = status.order.next.as_deref().map(|l| redactor.look(l));
        for step in &mut status.order.heat {
            step.look = redactor.look(&step.look);
            for lamp in step.fixture.iter_mut().chain(step.warmest.iter_mut().map(|w| &mut w.fixture)) {
                *lamp = redactor.lamp(lamp);
            }
        }
        for reading in &mut status.readings {
            reading.point = redactor.text(&reading.point, &[]);
            for lamp in &mut reading.lamps {
                *lamp = redactor.lamp(lamp);
            }
        }
        for circuit in &mut status.circuits {
            circuit.id = redactor.text(&circuit.id, &[]);
        }
        let said = status.outputs.iter_mut().filter_map(|o| o.said.as_mut());
        for text in said.chain(status.mqtt.iter_mut().filter_map(|m| m.said.as_mut())) {
            *text = redactor.text(text, &[]);
        }
        for (id, fixture) in self.plan.fixture_ids().zip(&mut status.fixtures) {
            fixture.id = numbers.lamp(id);
            fixture.lamp = numbers.lamp(id);
        }
        for alert in status.alerts.iter_mut().chain(&mut status.told) {
            alert.said = redactor.text(&alert.said, &[]);
            alert.fixture = alert.fixture.as_deref().map(|f| redactor.lamp(f));
        }
    }
}

/// Every text of a request but its own words.
fn typed_texts(request: &Request) -> Vec<String> {
    let Ok(serde_json::Value::Object(fields)) = serde_json::to_value(request) else { return Vec::new() };
    let mut typed = Vec::new();
    for (_, value) in fields.into_iter().filter(|(name, _)| !["do", "mark", "show"].contains(&name.as_str()))
    {
        let listed = value.as_array().into_iter().flatten().chain([&value]).filter_map(|v| v.as_str());
        for text in listed {
            // Of `note=…` the note alone may be told again.
            typed.extend(text.split_once('=').map(|(_, told)| told.to_owned()));
            // A take by its log number or by plain numbers gives nobody away.
            if !text.parse().is_ok_and(|name| requests::is_plain(&name)) {
                typed.push(text.to_owned());
            }
        }
    }
    typed
}
