//! What the keys do, what came of it, and what is known of the daemon.
//!
//! A finger that slips must not end a take: while one rolls next, previous and rest are locked, and dark asks
//! once more, by another key than its own, so that one that is held down does not answer for itself.

use std::collections::BTreeMap;
use std::time::Duration;

use crate::chair::keys::Key;
use crate::control::{Answer, Request, Status};

/// A key pressed again this soon after it was last heard of is one that is held down, and counts once. As at the
/// chair.
pub const REPEAT: Duration = Duration::from_millis(700);
/// How long dark in a take waits for its yes. Judgement: enough to read the question, and gone before it is
/// forgotten.
pub const CONFIRM_WITHIN: Duration = Duration::from_secs(5);
/// How long the word on a key stays. Judgement: read at a glance, and the keys' own line comes back.
pub const NOTICE_FOR: Duration = Duration::from_secs(6);

/// What a key does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Act {
    /// The next look of the order.
    Next,
    /// The look before.
    Previous,
    /// The look that spares people and lamps.
    Rest,
    /// Everything dark.
    Dark,
}

impl Act {
    /// All, in the order in which they are shown, each with its key.
    pub const ALL: [(Self, char); 4] =
        [(Self::Next, 'n'), (Self::Previous, 'p'), (Self::Rest, 'r'), (Self::Dark, 'd')];

    /// Its word.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Next => "next",
            Self::Previous => "previous",
            Self::Rest => "rest",
            Self::Dark => "dark",
        }
    }

    fn request(self) -> Request {
        match self {
            Self::Next => Request::Next { over_s: None, in_s: None },
            Self::Previous => Request::Previous { over_s: None, in_s: None },
            Self::Rest => Request::Rest {},
            Self::Dark => Request::Dark { now: false },
        }
    }

    fn of(letter: char) -> Option<Self> {
        Self::ALL.iter().find(|(_, key)| *key == letter).map(|(act, _)| *act)
    }
}

/// What a key asks of the loop.
#[derive(Debug, Clone, PartialEq)]
pub enum Wants {
    /// Nothing.
    Nothing,
    /// This of the daemon.
    Ask(Act, Request),
    /// To leave; the light stays.
    Leave,
}

/// What is known, and what was said last.
#[derive(Debug, Default)]
pub struct Desk {
    status: Option<(Box<Status>, Duration)>,
    gone: Option<String>,
    heard: BTreeMap<char, Duration>,
    asking: Option<Act>,
    confirm_until: Option<Duration>,
    notice: Option<(String, Duration)>,
}

impl Desk {
    /// A key was pressed at `now`.
    pub fn key(&mut self, key: &Key, now: Duration) -> Wants {
        // Ctrl-C and Esc by their bytes: nobody types them for anything else.
        if key.leaves() || key.bytes() == [0x1b] {
            return Wants::Leave;
        }
        let Ok(text) = std::str::from_utf8(key.bytes()) else { return Wants::Nothing };
        let mut letters = text.chars();
        let (Some(letter), None) = (letters.next(), letters.next()) else { return Wants::Nothing };
        let letter = letter.to_ascii_lowercase();
        let held = self.heard.insert(letter, now).is_some_and(|last| now < last.saturating_add(REPEAT));
        if held {
            return Wants::Nothing;
        }
        if self.confirms(now) {
            self.confirm_until = None;
            if letter == 'y' {
                return self.asks(Act::Dark, now);
            }
            self.say("not dark: the take goes on as it was".to_owned(), now);
            return Wants::Nothing;
        }
        if letter == 'q' {
            return Wants::Leave;
        }
        let Some(act) = Act::of(letter) else { return Wants::Nothing };
        match self.take().map(str::to_owned) {
            Some(_) if act == Act::Dark && self.gone.is_none() => {
                self.confirm_until = Some(now.saturating_add(CONFIRM_WITHIN));
                Wants::Nothing
            }
            Some(take) if self.gone.is_none() => {
                self.say(format!("{} is locked while take {take} rolls", act.word()), now);
                Wants::Nothing
            }
            _ => self.asks(act, now),
        }
    }

    fn asks(&mut self, act: Act, now: Duration) -> Wants {
        if self.gone.is_some() || self.status.is_none() {
            self.say(format!("{} was not done: no daemon answers", act.word()), now);
            return Wants::Nothing;
        }
        // Dark never waits for another answer.
        if act != Act::Dark && self.asking.is_some() {
            self.say(format!("{} was not done: the daemon has not answered the key before", act.word()), now);
            return Wants::Nothing;
        }
        self.asking = Some(act);
        Wants::Ask(act, act.request())
    }

    /// What came of a key: the daemon's answer, or why there is none.
    pub fn answered(&mut self, act: Act, outcome: Result<Answer, String>, now: Duration) {
        if self.asking == Some(act) {
            self.asking = None;
        }
        let said = match outcome {
            Ok(Answer { error: Some(failure), .. }) => {
                let hint = failure.hint.map_or(String::new(), |h| format!(" · {h}"));
                format!("{} was refused: {}{hint}", act.word(), failure.said)
            }
            Ok(answer) => answer.said.unwrap_or_else(|| format!("{}: done", act.word())),
            Err(why) => format!("{} may not be done: {why}", act.word()),
        };
        self.say(said, now);
    }

    /// The daemon tells how things are.
    pub fn status(&mut self, status: Box<Status>, now: Duration) {
        if self.gone.take().is_some() {
            self.say("the daemon is back".to_owned(), now);
        }
        if status.now.take.is_none() {
            self.confirm_until = None;
        }
        self.status = Some((status, now));
    }

    /// Nothing comes from the daemon any more, and why.
    pub fn lost(&mut self, why: String) {
        self.confirm_until = None;
        self.asking = None;
        self.gone = Some(why);
    }

    fn say(&mut self, said: String, now: Duration) {
        self.notice = Some((said, now.saturating_add(NOTICE_FOR)));
    }

    /// The newest status, and how long ago it was heard.
    #[must_use]
    pub fn newest(&self, now: Duration) -> Option<(&Status, Duration)> {
        self.status.as_ref().map(|(status, at)| (&**status, now.saturating_sub(*at)))
    }

    /// Why there is no daemon, while there is none.
    #[must_use]
    pub fn gone(&self) -> Option<&str> {
        self.gone.as_deref()
    }

    /// The take that rolls, as far as is known.
    #[must_use]
    pub fn take(&self) -> Option<&str> {
        self.status.as_ref().and_then(|(status, _)| status.now.take.as_deref())
    }

    /// True while dark waits for its yes.
    #[must_use]
    pub fn confirms(&self, now: Duration) -> bool {
        self.confirm_until.is_some_and(|until| now < until)
    }

    /// The word on the last key, while it is fresh.
    #[must_use]
    pub fn notice(&self, now: Duration) -> Option<&str> {
        self.notice.as_ref().filter(|(_, until)| now < *until).map(|(said, _)| said.as_str())
    }
}

#[cfg(test)]
#[path = "desk_tests.rs"]
mod tests;
