//! What the engine is told of the broker's connection: what is new, and nothing twice.

use std::sync::mpsc::SyncSender;

use super::super::{Inbound, LinkState, MqttStatus, RequestsStatus};

/// What the engine is told of the connection.
pub(super) struct Report {
    inbox: SyncSender<Inbound>,
    status: MqttStatus,
    connected_before: bool,
    told: Option<MqttStatus>,
}

impl Report {
    pub(super) fn new(inbox: SyncSender<Inbound>, requests: Option<RequestsStatus>) -> Self {
        let status =
            MqttStatus { state: LinkState::Starting, said: None, reconnects: 0, dropped: 0, requests };
        Self { inbox, status, connected_before: false, told: None }
    }

    pub(super) fn up(&mut self) {
        self.status.reconnects += u64::from(self.connected_before);
        self.connected_before = true;
        self.status.state = LinkState::Up;
        self.status.said = None;
        self.send();
    }

    pub(super) fn down(&mut self, said: String) {
        self.status.state = LinkState::Down;
        self.status.said = Some(said);
        self.send();
    }

    /// The connection stands, but not all of it works.
    pub(super) fn but(&mut self, said: String) {
        self.status.said = Some(said);
        self.send();
    }

    pub(super) fn requests(&mut self, counts: RequestsStatus) {
        self.status.requests = Some(counts);
    }

    pub(super) fn dropped(&mut self, messages: u64) {
        self.status.dropped = messages;
        self.send();
    }

    /// Tells what is new; a full inbox has it tried again at the next call.
    pub(super) fn send(&mut self) {
        if self.told.as_ref() != Some(&self.status)
            && self.inbox.try_send(Inbound::Mqtt(self.status.clone())).is_ok()
        {
            self.told = Some(self.status.clone());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_engine_is_told_of_changes_alone_and_again_when_its_inbox_was_full() {
        let (sender, inbox) = std::sync::mpsc::sync_channel(1);
        let mut report = Report::new(sender, None);
        report.down("x".into());
        report.down("x".into());
        report.up();
        let Inbound::Mqtt(first) = inbox.try_recv().unwrap() else { panic!("not a report") };
        assert_eq!(first.state, LinkState::Down);
        report.send();
        let Inbound::Mqtt(second) = inbox.try_recv().unwrap() else { panic!("not a report") };
        assert_eq!((second.state, second.said, second.reconnects), (LinkState::Up, None, 0));
        report.send();
        assert!(inbox.try_recv().is_err());
    }
}
