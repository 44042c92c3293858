//! What a press asks for, when the bell rings, and what there is to be read.
//!
//! Pure: time is the span since the chair was taken. A microphone hears the bell, so it is silent while a
//! take rolls, as far as the newest that came from the daemon tells.

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use super::buttons::{Button, Press};
use crate::control::{Answer, FailureKind, Request, Status, TakeMark};

/// A press of the same button this soon after it was last heard of is no press. Source: the requirement's own figure.
pub const REPEAT: Duration = Duration::from_millis(700);
/// How long a refusal stays in large letters. Judgement: read from a chair, and gone before the next take.
const SHOWN: Duration = Duration::from_secs(4);
/// Between two rings: nearer ones are one to many terminals. Judgement.
const RINGS_APART: Duration = Duration::from_millis(250);

/// Longest time that a status is on its way, in seconds. Judgement: the daemon lets a client go that does not read
/// for two.
const ON_ITS_WAY_S: f64 = 2.0;

/// What was asked of the daemon, to be given back with its answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Asked {
    /// The button.
    pub button: Button,
    /// True for the end of a take that is to be followed by the start of the next.
    pub then_start: bool,
}

/// What came of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome {
    /// The daemon's answer.
    pub answer: Answer,
    /// The take that rolled when it came, asked for again where the answer does not tell.
    pub take: Option<String>,
}

/// Something to be read for a while.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Notice {
    /// In large letters, one a line; empty: none.
    pub large: Vec<String>,
    /// In words.
    pub said: Vec<String>,
    /// Until when the large letters stay.
    pub until: Duration,
}

/// One who sits in front of the camera.
#[derive(Debug)]
pub struct Seat {
    delay_s: Option<f64>,
    heard: BTreeMap<Press, Duration>,
    asking: Option<Button>,
    asking_dark: bool,
    status: Option<(Box<Status>, Duration)>,
    gone: Option<String>,
    take: Option<String>,
    /// The newest snapshot that `take` is from: its number, and the daemon's uptime in seconds.
    newest: (u64, f64),
    /// Kind and time of what was last told once, when a status has come.
    told: Option<Option<(String, f64)>>,
    notice: Option<Notice>,
    bells: VecDeque<Duration>,
}

impl Seat {
    /// A chair from which `next`, `previous` and a take's start wait for so many seconds.
    #[must_use]
    pub fn new(delay_s: Option<f64>) -> Self {
        Self {
            delay_s,
            heard: BTreeMap::new(),
            asking: None,
            asking_dark: false,
            status: None,
            gone: None,
            take: None,
            newest: (0, 0.0),
            told: None,
            notice: None,
            bells: VecDeque::new(),
        }
    }

    /// A button is pressed. Gives what is to be asked, if anything.
    pub fn press(&mut self, press: Press, now: Duration) -> Option<(Asked, Request)> {
        let last = self.heard.insert(press, now);
        // From when it was last heard of, so that one that is held is one press however long.
        if last.is_some_and(|last| now < last.saturating_add(REPEAT)) {
            return None;
        }
        let button = match press {
            Press::Of(button) => button,
            Press::Take if self.take.is_some() || self.starts_soon() => Button::TakeEnd,
            Press::Take => Button::TakeStart,
        };
        if let Some(why) = &self.gone {
            let said = format!("{} was not done: {why}", button.said());
            self.refuse(vec!["NO DAEMON".to_owned()], vec![said], now);
            return None;
        }
        let asking = if button == Button::Dark { self.asking_dark } else { self.asking.is_some() };
        if asking {
            let said =
                format!("{} was not done: the daemon has not answered the press before", button.said());
            self.refuse(vec!["REFUSED".to_owned()], vec![said], now);
            return None;
        }
        let in_s = self.delay_s;
        let request = match button {
            Button::Next => Request::Next { over_s: None, in_s },
            Button::Previous => Request::Previous { over_s: None, in_s },
            Button::TakeStart => Request::TakeStart { slate: None, in_s },
            // What has not begun ends by never beginning.
            Button::TakeEnd if self.take.is_none() && self.starts_soon() => Request::Cancel {},
            Button::TakeEnd => Request::TakeEnd { mark: None },
            Button::Retake => Request::TakeEnd { mark: Some(TakeMark::Bad) },
            Button::Dark => Request::Dark { now: false },
        };
        self.asks(Asked { button, then_start: button == Button::Retake }, request)
    }

    fn asks(&mut self, asked: Asked, request: Request) -> Option<(Asked, Request)> {
        if asked.button == Button::Dark {
            self.asking_dark = true;
        } else {
            self.asking = Some(asked.button);
        }
        Some((asked, request))
    }

    /// The daemon's answer, or why there is none. Gives what is to be asked next, if anything.
    pub fn answered(
        &mut self,
        asked: Asked,
        outcome: Result<Outcome, String>,
        now: Duration,
    ) -> Option<(Asked, Request)> {
        if asked.button == Button::Dark {
            self.asking_dark = false;
        } else {
            self.asking = None;
        }
        let Outcome { answer, take } = match outcome {
            Ok(outcome) => outcome,
            Err(why) => {
                self.refuse(
                    vec!["NO ANSWER".to_owned()],
                    vec![format!("{}: {why}", asked.button.said())],
                    now,
                );
                return None;
            }
        };
        self.take = take;
        if let Some(now) = &answer.now {
            self.newest = (now.sequence, now.uptime_s);
        }
        if let Some(failure) = answer.error {
            let mut large = vec!["REFUSED".to_owned()];
            if failure.kind == FailureKind::Guarded && self.take.is_some() {
                large.push("TAKE ROLLS".to_owned());
            }
            let said = format!("{}: {}", asked.button.said(), failure.said);
            self.refuse(large, std::iter::once(said).chain(failure.hint).collect(), now);
            return None;
        }
        let said = answer.said.unwrap_or_else(|| "done".to_owned());
        if asked.then_start {
            self.notice = Some(Notice { large: Vec::new(), said: vec![said], until: now });
            let request = Request::TakeStart { slate: None, in_s: self.delay_s };
            return self.asks(Asked { then_start: false, ..asked }, request);
        }
        self.notice = Some(Notice { large: Vec::new(), said: vec![said], until: now });
        self.ring(1, now);
        None
    }

    /// The daemon tells how things are.
    pub fn status(&mut self, status: Box<Status>, now: Duration) {
        if self.gone.take().is_some() {
            self.notice =
                Some(Notice { large: Vec::new(), said: vec!["the daemon is back".to_owned()], until: now });
        }
        // One that was on its way while an answer came is a little older than that; one of a daemon that was
        // started anew counts from nothing.
        let (sequence, uptime_s) = self.newest;
        let behind_s = uptime_s - status.now.uptime_s;
        if status.now.sequence >= sequence || !(0.0..ON_ITS_WAY_S).contains(&behind_s) {
            self.newest = (status.now.sequence, status.now.uptime_s);
            self.take.clone_from(&status.now.take);
        }
        let told = status.told.as_ref().map(|t| (t.kind.clone(), t.since));
        let news = self.told.as_ref().is_some_and(|known| *known != told);
        self.told = Some(told);
        if let Some(alert) = status.told.as_ref().filter(|_| news) {
            if alert.kind == "scheduled-refused" {
                self.refuse(vec!["REFUSED".to_owned()], vec![alert.said.clone()], now);
            } else {
                self.notice = Some(Notice { large: Vec::new(), said: vec![alert.said.clone()], until: now });
            }
        }
        self.status = Some((status, now));
    }

    /// Nothing comes from the daemon any more, and why.
    pub fn lost(&mut self, why: String) {
        // Whether a take rolls is as it was last told.
        self.gone = Some(why);
    }

    /// Whether the bell is to ring now.
    pub fn rings(&mut self, now: Duration) -> bool {
        let due = self.bells.front().is_some_and(|at| now >= *at);
        if due {
            self.bells.pop_front();
        }
        due && self.take.is_none()
    }

    /// When the next ring is due.
    #[must_use]
    pub fn next_ring(&self) -> Option<Duration> {
        self.bells.front().copied()
    }

    fn ring(&mut self, times: u32, now: Duration) {
        if self.take.is_none() {
            self.bells = (0..times).map(|n| now + RINGS_APART * n).collect();
        }
    }

    fn refuse(&mut self, large: Vec<String>, said: Vec<String>, now: Duration) {
        self.notice = Some(Notice { large, said, until: now + SHOWN });
        self.ring(2, now);
    }

    /// Has something to be read until the next event.
    pub fn say(&mut self, said: String) {
        self.notice = Some(Notice { large: Vec::new(), said: vec![said], until: Duration::ZERO });
    }

    /// What to read of the last press or event.
    #[must_use]
    pub fn notice(&self) -> Option<&Notice> {
        self.notice.as_ref()
    }

    /// Why there is no daemon, while there is none.
    #[must_use]
    pub fn gone(&self) -> Option<&str> {
        self.gone.as_deref()
    }

    /// The take that rolls, as far as is known.
    #[must_use]
    pub fn take(&self) -> Option<&str> {
        self.take.as_deref()
    }

    /// The newest status.
    #[must_use]
    pub fn newest(&self) -> Option<&Status> {
        self.status.as_ref().map(|(status, _)| &**status)
    }

    /// What waits, and whole seconds until then.
    #[must_use]
    pub fn countdown(&self, now: Duration) -> Option<(&str, u64)> {
        let (status, heard) = self.status.as_ref()?;
        let scheduled = status.now.scheduled.as_ref()?;
        let left = scheduled.in_s - now.saturating_sub(*heard).as_secs_f64();
        Some((&scheduled.what, left.max(0.0).ceil() as u64))
    }

    fn starts_soon(&self) -> bool {
        let waits = self.status.as_ref().and_then(|(status, _)| status.now.scheduled.as_ref());
        waits.is_some_and(|s| s.what.starts_with("take start"))
    }
}

#[cfg(test)]
#[path = "seat_tests.rs"]
mod tests;
