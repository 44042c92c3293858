//! The engine's end of an output: hands frames to its thread, reads how it does, stops it.

use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use super::health::{Health, Meter};
use super::latest::{Writer, latest};
use super::output::attainable_rate;
use super::pace::Pace;
use super::sim::SimWatch;
use super::worker::Worker;
use crate::channels::Frame;
use crate::clock::{Clock, SystemClock};
use crate::plan::{Output, OutputKind};
use crate::units::Moment;

/// Stack of a sender's thread: what it needs is known and small (two frames, a port's message).
const STACK: usize = 256 * 1024;

/// The engine's hold on an output. Dropping it is [`Sender::stop`].
pub struct Sender {
    frames: Writer,
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

/// What both sides see.
pub(super) struct Shared {
    /// Set when the thread is to end.
    pub stop: AtomicBool,
    /// Its figures.
    pub meter: Meter,
}

/// Starts an output's thread.
///
/// It sends at the instants `k / rate + phase` of `clock`, k a whole number, always the newest frame,
/// changed or not; before the first published one, nothing. An engine that makes frame n at n / rate
/// of the same clock has it sent `phase` later; an engine that started t0 after the clock adds t0 to
/// the phase. Where the line has no room for the plan's rate, the greatest there is room for is taken.
///
/// `simulate`: the simulator instead of what the plan names. `watch`: what simulators hand their
/// frames to; `None`: nobody sees them. A port that is not there is no error here: it shows
/// in [`Sender::health`] and is tried again for ever.
///
/// Errors: the thread cannot be started.
pub fn start(
    output: &Output,
    simulate: bool,
    phase: Duration,
    clock: SystemClock,
    watch: Option<SimWatch>,
) -> io::Result<Sender> {
    let mut output = output.clone();
    if simulate {
        output.kind = OutputKind::Simulator;
    }
    let rate = attainable_rate(&output, 0);
    let (frames, newest) = latest();
    let shared = Arc::new(Shared { stop: AtomicBool::new(false), meter: Meter::new(rate) });
    shared.meter.last(clock.now());
    let name = format!("wire-{}", output.name);
    let worker =
        Worker::new(output, clock, watch, newest, Arc::clone(&shared), Pace::new(rate, phase, clock.now()));
    let thread = std::thread::Builder::new().name(name).stack_size(STACK).spawn(move || worker.run())?;
    Ok(Sender { frames, shared, thread: Some(thread) })
}

impl Sender {
    /// Hands on the newest frame. Never blocks, locks or allocates.
    pub fn publish(&mut self, frame: Frame) {
        self.frames.publish(&frame);
    }

    /// How the output is doing. Cheap enough to call every frame.
    #[must_use]
    pub fn health(&self) -> Health {
        self.shared.meter.read()
    }

    /// How long ago the last frame began to be sent, at `now` of the clock that it was started with; before
    /// the first, how long ago the sender was started. Cheap enough to call every frame.
    #[must_use]
    pub fn silent(&self, now: Moment) -> Duration {
        self.shared.meter.silent(now)
    }

    /// Ends the thread and waits for it: one period, or, with a port that is stuck, some tenths of a
    /// second. The newest published frame is sent last, at its usual deadline, and stays standing; the
    /// port is released.
    pub fn stop(self) {
        drop(self);
    }
}

impl Drop for Sender {
    fn drop(&mut self) {
        // Release: a frame published before is seen by whoever sees this.
        self.shared.stop.store(true, Ordering::Release);
        if let Some(thread) = self.thread.take()
            && thread.join().is_err()
        {
            tracing::error!("an output's thread ended early");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::Wake;

    /// The only lock that both sides know is taken where a fault begins or ends. Here someone sits on it.
    #[test]
    fn frames_go_out_while_another_thread_holds_the_words_of_the_output() {
        let kind = OutputKind::Simulator;
        let output = Output { name: "pier".to_owned(), kind, universe: 1, rate: 44, wake: Wake::Sleep };
        let clock = SystemClock::start();
        let mut sender = start(&output, false, Duration::ZERO, clock, None).unwrap();
        sender.publish(Frame::dark(1, 1, 512));
        let wait = |is_so: &dyn Fn() -> bool| {
            let end = clock.now() + Duration::from_secs(20);
            while !is_so() {
                assert!(clock.now() < end);
                clock.sleep_until(clock.now() + Duration::from_millis(2));
            }
        };
        wait(&|| sender.health().frames > 0);
        let held = sender.shared.meter.held();
        let before = sender.silent(clock.now());
        let since = clock.now();
        // Frame starts go on being told without that lock.
        wait(&|| clock.now().after(since) > Duration::from_millis(300));
        assert!(sender.silent(clock.now()) < Duration::from_millis(250), "{before:?}");
        drop(held);
        assert!(sender.health().frames > 5);
        sender.stop();
    }
}
