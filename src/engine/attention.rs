//! What needs a person's attention: outputs that come and go, guards that stand.

use super::{Action, Engine, say};
use crate::control::{Alert, JournalState, JournalStatus, LinkState, OutputStatus};
use crate::guards::{self, Limit};

impl Engine {
    pub(super) fn outputs_are(&mut self, outputs: Vec<OutputStatus>) -> Vec<Action> {
        let n = self.last.unwrap_or(0);
        let mut actions = Vec::new();
        for output in &outputs {
            // By name: a reload may change their order.
            let before = self.outputs.iter().find(|o| o.name == output.name).map(|o| o.state);
            let (kind, said) = match (before, output.state) {
                (Some(LinkState::Down), LinkState::Up) => {
                    let gap = output.last_gap_s.map_or(String::new(), |s| format!(" after {}", say::span(s)));
                    ("output-back", format!("output {} is back{gap}", output.name))
                }
                (Some(LinkState::Down), LinkState::Down) => continue,
                (_, LinkState::Down) => ("output-down", self.down_said(output)),
                _ => continue,
            };
            actions.push(self.tell(kind, None, said, n));
        }
        let quiet = actions.is_empty() && self.outputs.len() == outputs.len();
        let before = std::mem::replace(&mut self.outputs, outputs);
        self.record_outputs(&before);
        self.heat_wires();
        self.watch_wire();
        self.lapse_wires();
        self.refresh_standing_alerts(self.clock().seconds(n));
        if !quiet {
            actions.extend(self.publish());
        }
        actions
    }

    /// The state could be written, or not: told when that changes. The light goes on either way.
    pub(super) fn state_written(&mut self, result: Result<(), String>) -> Vec<Action> {
        let n = self.last.unwrap_or(0);
        let (before, now) = (self.state_fault.take(), result.err());
        let told = match (&before, &now) {
            (None, Some(why)) => self.tell("state-not-written", None, unwritten(why), n),
            (Some(_), None) => {
                // What could not be written is stale: the next frame brings all of it.
                self.keeps.changed = true;
                let said = "the state is written again".to_owned();
                self.tell("state-written", None, said, n)
            }
            _ => {
                self.state_fault = now;
                return Vec::new();
            }
        };
        self.state_fault = now;
        self.refresh_standing_alerts(self.clock().seconds(n));
        let mut actions = vec![told];
        actions.extend(self.publish());
        actions
    }

    /// How the log does: told when that begins to matter or no longer does.
    pub(super) fn journal_is(&mut self, status: JournalStatus) -> Vec<Action> {
        let n = self.last.unwrap_or(0);
        // What the log knows of takes counts, whatever the state file says.
        self.takes = self.takes.max(status.last_take);
        let before = self.journal_fault().is_some();
        let changed = self.journal.as_ref().map(|j| (j.state, &j.said, j.lost))
            != Some((status.state, &status.said, status.lost));
        self.journal = Some(status);
        let told = match (before, self.journal_fault()) {
            (false, Some(said)) => Some(self.tell("log-degraded", None, said, n)),
            (true, None) => {
                let lost = self.journal.as_ref().map_or(0, |j| j.lost);
                let lost = if lost > 0 { format!("; {lost} records were lost") } else { String::new() };
                // Such as a damaged one that was set aside, by its new name.
                let found = self.journal.as_ref().and_then(|j| j.said.as_ref());
                let found = found.map_or(String::new(), |said| format!("; {said}"));
                Some(self.tell("log-written", None, format!("the log is written again{lost}{found}"), n))
            }
            _ => None,
        };
        self.refresh_standing_alerts(self.clock().seconds(n));
        let mut actions: Vec<Action> = told.into_iter().collect();
        if changed {
            actions.extend(self.publish());
        }
        actions
    }

    /// Why the log is not written, while it is not.
    fn journal_fault(&self) -> Option<String> {
        let journal = self.journal.as_ref().filter(|j| j.state == JournalState::Degraded)?;
        let why = journal.said.as_deref().unwrap_or("the disk does not take it");
        Some(format!(
            "log degraded: {why}; the light goes on, records wait in memory and are lost if the daemon ends"
        ))
    }

    fn down_said(&self, output: &OutputStatus) -> String {
        let why = output.said.as_deref().unwrap_or("not there");
        format!("output {} (universe {}) does not send: {why}", output.name, output.universe)
    }

    /// Makes the list of what needs attention anew, keeping since when each item has stood.
    pub(super) fn refresh_standing_alerts(&mut self, now_s: f64) {
        let mut standing: Vec<(&str, Option<String>, String)> = Vec::new();
        for output in &self.outputs {
            if output.state == LinkState::Down {
                standing.push(("output-down", None, self.down_said(output)));
            }
        }
        for id in self.plan.fixture_ids() {
            let fixture = self.plan.fixture(id);
            let lamp = &self.lamps[id.0];
            // Told while light is lost by it; of a light that moves by itself from then on, for it comes and goes there.
            let told = |a: &Alert| a.kind == "heat-unknown" && a.fixture.as_ref() == Some(&fixture.id);
            let shows = lamp.sent.limits.has(Limit::HeatUnknown)
                || lamp.target.motion.is_some() && self.alerts.iter().any(told);
            if self.real(id) && guards::heat_unknown(fixture) && lamp.absent.is_none() && shows {
                let (id, lamp) = (&fixture.id, fixture.lamp_name());
                let said = if fixture.heat.is_some() {
                    format!(
                        "{id} held at half its light: what its emitters draw is not known, so its heat is not \
                         either. Enter it, such as watts = \"60 W\" at each emitter of {}",
                        fixture.profile.name
                    )
                } else {
                    format!(
                        "{id} held at half its power: its heat is not known. Enter what its maker says, \
                         such as heat = {{ full-for = \"20 min\" }} for {lamp} in kit.toml"
                    )
                };
                standing.push(("heat-unknown", Some(fixture.id.clone()), said));
            }
        }
        for fixture in &self.plan.fixtures {
            if let Some(strobe) = &fixture.strobe {
                // No free text leaves a set that hides who sits there.
                let why = if self.protected() { String::new() } else { format!(": {}", strobe.reason) };
                let said = format!(
                    "the strobe of `{}` is unlocked at {}{why}. No guard counts it: warn everyone in the room",
                    fixture.id, strobe.value
                );
                standing.push(("strobe-unlocked", Some(fixture.id.clone()), said));
            }
        }
        standing.extend(self.heat_standing());
        standing.extend(self.state_fault.as_ref().map(|why| ("state-not-written", None, unwritten(why))));
        standing.extend(self.journal_fault().map(|said| ("log-degraded", None, said)));
        standing.extend(self.protect_standing());
        standing.extend(self.load_standing());
        standing.extend(self.flash_standing());
        let before = std::mem::take(&mut self.alerts);
        self.alerts = standing
            .into_iter()
            .map(|(kind, fixture, said)| {
                let known = before.iter().find(|a| a.kind == kind && a.fixture == fixture);
                let since = known.map_or(now_s, |a| a.since);
                Alert { kind: kind.to_owned(), fixture, said, since }
            })
            .collect();
        self.record_standing(&before);
    }
}

fn unwritten(why: &str) -> String {
    format!(
        "the state is not written: {why}; the light goes on, but after a restart lamps count as hot and it is dark. \
         Make room, or set the folder's owner"
    )
}
