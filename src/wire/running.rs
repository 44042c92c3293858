//! What the engine holds of an output, whatever its kind: a thread of its own, or a universe of the network's.

use std::io;
use std::time::Duration;

use super::e131::{NetSender, Network, Source};
use super::health::Health;
use super::sender::{self, Sender};
use super::sim::SimWatch;
use crate::channels::Frame;
use crate::clock::SystemClock;
use crate::plan::{Output, OutputKind};
use crate::units::Moment;

/// An output at work.
pub enum Running {
    /// With a thread of its own.
    Own(Sender),
    /// A universe of the network's one thread.
    Network(NetSender),
}

impl Running {
    /// Hands on the newest frame. Never blocks, locks or allocates.
    pub fn publish(&mut self, frame: Frame) {
        match self {
            Self::Own(sender) => sender.publish(frame),
            Self::Network(sender) => sender.publish(&frame),
        }
    }

    /// How the output is doing. Cheap enough to call every frame.
    #[must_use]
    pub fn health(&self) -> Health {
        match self {
            Self::Own(sender) => sender.health(),
            Self::Network(sender) => sender.health(),
        }
    }

    /// As [`Sender::silent`].
    #[must_use]
    pub fn silent(&self, now: Moment) -> Duration {
        match self {
            Self::Own(sender) => sender.silent(now),
            Self::Network(sender) => sender.silent(now),
        }
    }
}

/// Starts outputs; owns the network's thread, from the first network output on.
pub struct Outputs {
    simulate: bool,
    phase: Duration,
    clock: SystemClock,
    watch: Option<SimWatch>,
    source: Source,
    network: Option<Network>,
}

impl Outputs {
    /// Arguments as for [`super::start`]; `source`: who sends to the network.
    #[must_use]
    pub fn new(
        simulate: bool,
        phase: Duration,
        clock: SystemClock,
        watch: Option<SimWatch>,
        source: Source,
    ) -> Self {
        Self { simulate, phase, clock, watch, source, network: None }
    }

    /// Starts an output of the plan. A universe that the network is sent already is taken over by the new
    /// settings without a gap.
    ///
    /// Errors: a thread cannot be started.
    pub fn start(&mut self, output: &Output) -> io::Result<Running> {
        if self.simulate || !matches!(output.kind, OutputKind::E131(_)) {
            let sender = sender::start(output, self.simulate, self.phase, self.clock, self.watch.clone())?;
            return Ok(Running::Own(sender));
        }
        let network = match self.network.take() {
            Some(network) => network,
            None => Network::start(self.source.clone(), self.clock)?,
        };
        let sender = self.network.insert(network).add(output, self.phase);
        sender.map(Running::Network).ok_or_else(|| io::Error::other("the network's thread is gone"))
    }

    /// Ends what the outputs share, once they have been dropped: waits until the network's receivers were told
    /// that the streams end. True if there were any.
    pub fn stop(self) -> bool {
        self.network.map(Network::stop).is_some()
    }
}
