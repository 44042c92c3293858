//! Every universe that goes to the network (ANSI E1.31), by one thread.
//!
//! The engine hands each universe its newest frame without a lock; the thread wakes at the instants
//! k / rate + phase, makes all packets that are due and hands them to the kernel, many by one system call. What
//! may take longer (opening sockets, looking at links, discovery, taking on another universe) comes after them.

mod cid;
mod fault;
mod idle;
mod lane;
mod look;
mod stream;
mod way;
mod worker;

use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc;
use std::thread::JoinHandle;
use std::time::Duration;

pub use cid::{cid, cid_in};
pub use fault::NetError;
pub use look::look;

use self::stream::{Parts, Shared};
use self::worker::{Command, Worker};
use super::health::{Health, Meter};
use super::latest::{Writer, latest};
use super::output::attainable_rate;
use crate::channels::Frame;
use crate::clock::{Clock, SystemClock};
use crate::plan::{Output, OutputKind};
use crate::units::Moment;
use crate::wire::encode::e131::Cid;

/// Who sends: the same for all universes of one daemon.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Source {
    /// Stays the same over restarts.
    pub cid: Cid,
    /// Name for people of outputs that state none.
    pub name: String,
}

/// The thread of all network outputs. Dropping it is [`Network::stop`].
pub struct Network {
    commands: Option<mpsc::Sender<Command>>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
    clock: SystemClock,
}

/// The engine's hold on one universe of the network. Dropping it ends the stream: the newest frame, then three
/// packets marked as the last. Nobody waits for that but [`Network::stop`].
pub struct NetSender {
    frames: Writer,
    shared: Arc<Shared>,
}

impl Network {
    /// Starts the thread, which sends nothing yet. Errors: it cannot be started.
    pub fn start(source: Source, clock: SystemClock) -> io::Result<Self> {
        let (commands, inbox) = mpsc::channel();
        let stop = Arc::new(AtomicBool::new(false));
        let worker = Worker::new(source, clock, inbox, Arc::clone(&stop));
        let thread = std::thread::Builder::new().name("wire-network".into()).spawn(move || worker.run())?;
        Ok(Self { commands: Some(commands), stop, thread: Some(thread), clock })
    }

    /// Takes on a universe: its newest frame at the instants k / rate + `phase` of the clock, from the first
    /// published one on. One that is sent already is taken over: no gap, no end, sequence numbers go on.
    ///
    /// `None` for an output of another kind. Faults are no error here: they show in [`NetSender::health`].
    #[must_use]
    pub fn add(&self, output: &Output, phase: Duration) -> Option<NetSender> {
        let OutputKind::E131(settings) = &output.kind else { return None };
        let rate = attainable_rate(output, 0);
        let (frames, newest) = latest();
        let shared = Arc::new(Shared { stop: AtomicBool::new(false), meter: Meter::new(rate) });
        shared.meter.last(self.clock.now());
        let parts = Parts {
            universe: output.universe,
            settings: Arc::clone(settings),
            shared: Arc::clone(&shared),
            frames: newest,
            rate,
            wake: output.wake,
        };
        // The thread ends only after this end of the channel is gone.
        let _ = self.commands.as_ref()?.send(Command { parts, phase });
        Some(NetSender { frames, shared })
    }

    /// Ends every stream and waits for that: four periods.
    pub fn stop(self) {
        drop(self);
    }
}

impl Drop for Network {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Release);
        self.commands = None;
        if let Some(thread) = self.thread.take()
            && thread.join().is_err()
        {
            tracing::error!("the network's thread ended early");
        }
    }
}

impl NetSender {
    /// Hands on the newest frame. Never blocks, locks or allocates.
    pub fn publish(&mut self, frame: &Frame) {
        self.frames.publish(frame);
    }

    /// How the universe does. Cheap enough to call every frame.
    #[must_use]
    pub fn health(&self) -> Health {
        self.shared.meter.read()
    }

    /// As [`super::Sender::silent`]; a packet that keep-alive leaves out is no silence.
    #[must_use]
    pub fn silent(&self, now: Moment) -> Duration {
        self.shared.meter.silent(now)
    }
}

impl Drop for NetSender {
    fn drop(&mut self) {
        // Release: a frame published before is seen by whoever sees this.
        self.shared.stop.store(true, Ordering::Release);
    }
}
