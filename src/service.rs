//! Tells the service manager how the daemon fares, where one asks to be told (`Type=notify`), and feeds its watchdog
//! for as long as the engine works out frames.
//!
//! A thread of its own does it all: telling may have to wait for the manager, and neither a frame nor a door may. It
//! looks at the engine's frames and at nothing else: a busy door, a flood of requests or a broker that is slow costs
//! no start. What a stuck engine leaves standing is the light; what it leaves undone are the guards and every request.
//! Without a service manager (`NOTIFY_SOCKET` unset) there is no thread, and every call does nothing.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::time::Duration;

use sd_notify::NotifyState;

use crate::clock::{Clock, SystemClock};
use crate::units::Moment;

/// The watchdog's time holds this many looks at the engine, so that one look that comes late costs no start.
/// Chosen: twice as often as sd_watchdog_enabled(3) recommends.
const LOOKS: u32 = 4;
/// Shortest time between two looks, whatever time the manager gives: no frame is due sooner.
const LOOK_AT_LEAST: Duration = Duration::from_millis(10);
/// Words that may wait for the manager; there are two in a daemon's life.
const WORDS_KEPT: usize = 4;
/// Longest that the end waits until the manager has been told of it.
const TOLD_WITHIN: Duration = Duration::from_secs(1);

/// The engine's progress, as its thread writes it down and others read it.
#[derive(Debug, Clone, Default)]
pub struct Pulse(Arc<Beats>);

#[derive(Debug, Default)]
struct Beats {
    next_frame: AtomicU64,
    ended: AtomicBool,
}

impl Pulse {
    /// The frame that is due next; it grows with each one that was worked out.
    pub fn beat(&self, next_frame: u64) {
        self.0.next_frame.store(next_frame, Ordering::Relaxed);
    }

    /// The engine has ended as it should: from now on no frame is due.
    pub fn end(&self) {
        self.0.ended.store(true, Ordering::Relaxed);
    }

    /// The frame that is due next; `None` once the engine has ended.
    fn next_frame(&self) -> Option<u64> {
        (!self.0.ended.load(Ordering::Relaxed)).then(|| self.0.next_frame.load(Ordering::Relaxed))
    }
}

/// What the manager is told.
enum Word {
    /// The set's name.
    Ready(String),
    Stopping,
}

/// The way to the thread that tells.
#[derive(Debug, Clone)]
pub struct Told {
    words: Option<SyncSender<Word>>,
}

impl Told {
    /// The daemon works: the engine runs, and each output has sent its first frame or was found absent.
    pub fn ready(&self, set: &str) {
        self.say(Word::Ready(set.to_owned()));
    }

    /// The daemon has begun to stop; the light may still be fading.
    pub fn stopping(&self) {
        self.say(Word::Stopping);
    }

    fn say(&self, word: Word) {
        // Never waits. There is room for all that is ever said, but for a signal that is sent over and over.
        if let Some(words) = &self.words {
            let _ = words.try_send(word);
        }
    }
}

/// What is left to do at the daemon's end.
#[derive(Debug)]
pub struct Telling(Option<Receiver<()>>);

impl Telling {
    /// Waits, a second at most, until all that was said has been told; every [`Told`] has been dropped by then.
    pub fn end(self) {
        if let Some(ended) = self.0 {
            let _ = ended.recv_timeout(TOLD_WITHIN);
        }
    }
}

/// Starts the thread that tells, where somebody wants to be told.
///
/// Errors: it cannot be started.
pub fn start(pulse: Pulse, clock: SystemClock) -> std::io::Result<(Told, Telling)> {
    if std::env::var_os("NOTIFY_SOCKET").is_none() {
        return Ok((Told { words: None }, Telling(None)));
    }
    let limit = sd_notify::watchdog_enabled();
    let (words_in, words) = sync_channel(WORDS_KEPT);
    let (ended_in, ended) = sync_channel(1);
    std::thread::Builder::new().name("service".into()).spawn(move || {
        tell(&words, &pulse, clock, limit);
        // Where nobody waits any more nobody wants to know.
        let _ = ended_in.send(());
    })?;
    Ok((Told { words: Some(words_in) }, Telling(Some(ended))))
}

/// Until every [`Told`] is gone: says what comes, and each time it looks feeds the watchdog or leaves it hungry.
fn tell(words: &Receiver<Word>, pulse: &Pulse, clock: SystemClock, limit: Option<Duration>) {
    let every = limit.map(|limit| (limit / LOOKS).max(LOOK_AT_LEAST));
    let mut progress = Progress::new(pulse.next_frame(), clock.now());
    let mut look_at = every.map(|every| clock.now() + every);
    let mut told = false;
    loop {
        let word = match look_at {
            Some(at) => words.recv_timeout(at.after(clock.now())),
            None => words.recv().map_err(|_| RecvTimeoutError::Disconnected),
        };
        match word {
            Ok(Word::Ready(set)) => notify(&[NotifyState::Ready, NotifyState::Status(&format!("set {set}"))]),
            Ok(Word::Stopping) => notify(&[NotifyState::Stopping]),
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => return,
        }
        let now = clock.now();
        let (Some(at), Some(every), Some(limit)) = (look_at, every, limit) else { continue };
        if now < at {
            continue;
        }
        look_at = Some(now + every);
        if progress.look(pulse.next_frame(), now) {
            if told {
                tracing::warn!("the engine works out frames again");
                told = false;
            }
            notify(&[NotifyState::Watchdog]);
        } else if !told && progress.stood(now) >= limit / 2 {
            told = true;
            let said = format!(
                "the engine has worked out no frame for {:.1} s; after {:.1} s the service manager starts lampkeep again",
                progress.stood(now).as_secs_f64(),
                limit.as_secs_f64()
            );
            tracing::error!("{said}");
            notify(&[NotifyState::Status(&said)]);
        }
    }
}

/// Whether frames are being worked out, by looks at the one that is due next.
#[derive(Debug)]
struct Progress {
    next_frame: Option<u64>,
    since: Moment,
}

impl Progress {
    const fn new(next_frame: Option<u64>, now: Moment) -> Self {
        Self { next_frame, since: now }
    }

    /// True if a frame was worked out since the last look, or none is due any more.
    fn look(&mut self, next_frame: Option<u64>, now: Moment) -> bool {
        let goes_on = next_frame.is_none() || next_frame != self.next_frame;
        if goes_on {
            *self = Self::new(next_frame, now);
        }
        goes_on
    }

    /// For how long none was, as far as looks can tell.
    fn stood(&self, now: Moment) -> Duration {
        now.after(self.since)
    }
}

fn notify(state: &[NotifyState<'_>]) {
    if let Err(e) = sd_notify::notify(state) {
        tracing::warn!("the service manager cannot be told: {e}");
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(s: f64) -> Moment {
        Moment::START + Duration::from_secs_f64(s)
    }

    #[test]
    fn an_engine_goes_on_while_frames_are_worked_out_and_once_it_has_ended() {
        let mut progress = Progress::new(Some(0), at(0.0));
        assert!(progress.look(Some(100), at(2.5)));
        assert!(progress.look(Some(101), at(5.0)), "one frame is progress, however slow");
        assert!(!progress.look(Some(101), at(7.5)));
        assert!(!progress.look(Some(101), at(10.0)));
        assert_eq!(progress.stood(at(10.0)), Duration::from_secs(5));
        assert!(progress.look(Some(102), at(12.5)), "it was only slow");
        assert_eq!(progress.stood(at(12.5)), Duration::ZERO);
        for s in [15.0, 17.5, 20.0] {
            assert!(progress.look(None, at(s)), "no frame is due after the end");
        }
    }

    #[test]
    fn a_pulse_tells_every_copy_the_frame_that_is_due_until_it_has_ended() {
        let pulse = Pulse::default();
        let reads = pulse.clone();
        assert_eq!(reads.next_frame(), Some(0));
        pulse.beat(7);
        assert_eq!(reads.next_frame(), Some(7));
        pulse.end();
        assert_eq!(reads.next_frame(), None);
    }
}
