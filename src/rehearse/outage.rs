//! What fails on the way, and comes back: the events that the daemon's own edges would send.

use std::sync::Arc;

use super::course::{Course, Fails};
use super::fault::{ASKED_AGAIN_S, Fault, Gone};
use super::{FaultRow, Watches, begin};
use crate::control::{LinkState, MqttStatus};
use crate::engine::{Engine, Event, Options, ProtectFound, Start};

/// Silence of an output that the engine is told of, in seconds, as the daemon does.
const SILENT_AFTER_S: f64 = 0.1;

impl<W: Watches> Course<'_, W> {
    /// Faults that begin, go on and end at this frame.
    pub fn faults(&mut self, at: u64) {
        while let Some((_, fault)) =
            self.faults.pop_front_if(|(due, fault)| *due <= at && fault.what != Gone::Power)
        {
            let until = at + ((fault.for_s * f64::from(self.clock.rate())).round() as u64).max(1);
            let output = fault.output(&self.plan);
            self.note(&fault, at);
            match output {
                Some(index) => {
                    let said = "the interface is gone: plug it in again".to_owned();
                    (self.outputs[index].state, self.outputs[index].said) = (LinkState::Down, Some(said));
                    let outputs = self.outputs.clone();
                    self.event(Event::Outputs(outputs), at);
                }
                None if fault.what == Gone::Broker && self.plan.mqtt.is_some() => {
                    self.broker(LinkState::Down, at)
                }
                None => {}
            }
            self.fails.push(Fails { fault, output, at, until });
        }
        for index in (0..self.fails.len()).rev() {
            let Fails { output, at: since, until, .. } = &self.fails[index];
            let (output, until) = (*output, *until);
            let for_s = self.clock.seconds(at - since);
            if at < until {
                if let Some(output) = output.filter(|_| for_s > SILENT_AFTER_S) {
                    self.event(Event::Silent(output, Some(for_s)), at);
                }
                continue;
            }
            let over = self.fails.remove(index);
            match output {
                Some(output) => {
                    let status = &mut self.outputs[output];
                    (status.state, status.said) = (LinkState::Up, None);
                    (status.reopened, status.last_gap_s) = (status.reopened + 1, Some(for_s));
                    let outputs = self.outputs.clone();
                    self.event(Event::Outputs(outputs), at);
                    self.event(Event::Silent(output, None), at);
                }
                None if over.fault.what == Gone::Broker && self.plan.mqtt.is_some() => {
                    self.broker(LinkState::Up, at);
                }
                None => {}
            }
        }
    }

    pub fn broker(&mut self, state: LinkState, at: u64) {
        let status = MqttStatus { state, said: None, reconnects: 0, dropped: 0, requests: None };
        self.event(Event::Mqtt(status), at);
    }

    fn note(&mut self, fault: &Fault, at: u64) {
        self.failed.push(FaultRow {
            fault: fault.word().to_owned(),
            at_s: self.clock.seconds(at),
            for_s: fault.for_s,
            said: fault.said(&self.plan),
        });
    }

    /// Where the power goes at this frame: the frame at which it is back, with a new engine that takes up what the
    /// disk holds.
    pub fn power(&mut self, at: u64) -> Option<u64> {
        let (_, fault) = self.faults.pop_front_if(|(due, fault)| *due <= at && fault.what == Gone::Power)?;
        self.note(&fault, at);
        let rate = f64::from(self.clock.rate());
        let back = (at + ((fault.for_s * rate).round() as u64).max(1)).min(self.to);
        if let Some(rolls) = self.rolls.take() {
            self.took(&rolls, at, false, vec!["the mains went".to_owned()]);
        }
        self.takes.clear();
        self.lands = None;
        // A wire that was pulled out meanwhile is a wire that is back.
        self.fails.clear();
        self.outputs = begin::outputs(&self.plan);
        let away_s = self.clock.seconds(back - at);
        let kept = self.kept.take();
        let start = Start {
            gap_s: kept.as_ref().map(|(_, when)| self.clock.seconds(back - when)),
            alive_s: Some(away_s),
            kept: kept.map(|(kept, _)| *kept),
            same_boot: false,
            fault: None,
        };
        let options = Options {
            simulate: true,
            boot_id: format!("rehearsal-{}", self.failed.len() + 1),
            protect: if self.protected { ProtectFound::On } else { ProtectFound::Off },
            ..Options::default()
        };
        self.engine = Engine::starting(Arc::clone(&self.plan), options, start);
        self.last.clear();
        self.begins(back);
        self.asked_again = Some(back + (ASKED_AGAIN_S * rate).round() as u64);
        Some(back)
    }
}
