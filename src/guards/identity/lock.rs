//! The switch of the identity guard: on at once, off in two steps. Knows no lamps and keeps no time itself.
//!
//! It belongs to the machine, not to a plan or a set: the engine keeps it in the state file and starts with
//! what stands there ([`Lock::on`], [`Lock::off`]). On is never refused. Turning off lights nothing:
//! the held lamps were led to zero and stay there until the next recall.

use std::fmt;
use std::time::Duration;

use crate::units::Moment;

/// How long a code is good for.
pub const CODE_FOR: Duration = Duration::from_secs(30);
/// Wrong codes after which a new one must be asked for, so that no program tries them all. Judgement.
const TRIES: u8 = 3;

/// Four digits that a person reads and types back: proof that the second step was meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Code(u16);

impl Code {
    /// A code out of any random number; the caller's, since nothing here is random.
    #[must_use]
    pub const fn from_random(number: u64) -> Self {
        Self((number % 10_000) as u16)
    }

    /// What a person typed: exactly four digits, spaces round them allowed.
    #[must_use]
    pub fn typed(text: &str) -> Option<Self> {
        let text = text.trim();
        let digits = text.len() == 4 && text.bytes().all(|b| b.is_ascii_digit());
        digits.then(|| text.parse().ok().map(Self)).flatten()
    }
}

impl fmt::Display for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:04}", self.0)
    }
}

/// Why the lock stays on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Refused {
    /// It is off already.
    #[error("nothing is protected")]
    NotOn,
    /// A take rolls.
    #[error("a take is rolling")]
    TakeRolls,
    /// No code was asked for, or too many wrong ones came.
    #[error("no code has been asked for")]
    NoCode,
    /// The code was good for 30 s.
    #[error("the code has lapsed after 30 s")]
    Lapsed,
    /// Another code.
    #[error("this is not the code")]
    WrongCode,
}

/// The switch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Lock(State);

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Off,
    On,
    /// On, and a code has been given at this moment.
    Asked {
        code: Code,
        at: Moment,
        wrong: u8,
    },
}

impl Lock {
    /// Nothing is protected.
    #[must_use]
    pub const fn off() -> Self {
        Self(State::Off)
    }

    /// Protected.
    #[must_use]
    pub const fn on() -> Self {
        Self(State::On)
    }

    /// True while lamps are held.
    #[must_use]
    pub const fn is_on(&self) -> bool {
        !matches!(self.0, State::Off)
    }

    /// `protect on`, or a look marked `protect`: at once, also during a take. A code given before is void.
    pub fn turn_on(&mut self) {
        self.0 = State::On;
    }

    /// `protect off`: gives `code` back to be typed within [`CODE_FOR`]. One asked for before is void.
    ///
    /// Errors: `NotOn`; `TakeRolls`, since a code could not be used.
    pub fn ask_off(&mut self, code: Code, now: Moment, take_rolls: bool) -> Result<Code, Refused> {
        match self.0 {
            State::Off => Err(Refused::NotOn),
            _ if take_rolls => Err(Refused::TakeRolls),
            _ => {
                self.0 = State::Asked { code, at: now, wrong: 0 };
                Ok(code)
            }
        }
    }

    /// `protect off CODE`: turns off.
    ///
    /// Errors: all of [`Refused`]; the lock is then still on.
    pub fn turn_off(&mut self, typed: Code, now: Moment, take_rolls: bool) -> Result<(), Refused> {
        let (code, at, wrong) = match self.0 {
            State::Off => return Err(Refused::NotOn),
            State::On if take_rolls => return Err(Refused::TakeRolls),
            State::On => return Err(Refused::NoCode),
            State::Asked { code, at, wrong } => (code, at, wrong),
        };
        if take_rolls {
            return Err(Refused::TakeRolls);
        }
        // A moment before the code's own counts as lapsed too: time that runs backwards proves nothing.
        if now < at || now.after(at) > CODE_FOR {
            self.0 = State::On;
            return Err(Refused::Lapsed);
        }
        if typed != code {
            let wrong = wrong + 1;
            self.0 = if wrong < TRIES { State::Asked { code, at, wrong } } else { State::On };
            return Err(Refused::WrongCode);
        }
        self.0 = State::Off;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: f64) -> Moment {
        Moment::START + Duration::from_secs_f64(seconds)
    }

    #[test]
    fn the_code_turns_it_off_for_30_s_and_no_longer() {
        for (after, result) in [(0.0, Ok(())), (30.0, Ok(())), (30.001, Err(Refused::Lapsed))] {
            let mut lock = Lock::on();
            let code = lock.ask_off(Code::from_random(12_345_678), at(100.0), false).unwrap();
            assert_eq!(code.to_string(), "5678");
            assert_eq!(lock.turn_off(code, at(100.0 + after), false), result);
            assert_eq!(lock.is_on(), result.is_err());
        }
    }

    #[test]
    fn without_a_code_or_with_a_wrong_one_it_stays_on_and_three_wrong_ones_void_it() {
        let mut lock = Lock::on();
        let (right, wrong) = (Code(7), Code(8));
        assert_eq!(lock.turn_off(right, at(0.0), false), Err(Refused::NoCode));
        lock.ask_off(right, at(0.0), false).unwrap();
        for _ in 0..3 {
            assert_eq!(lock.turn_off(wrong, at(1.0), false), Err(Refused::WrongCode));
        }
        assert_eq!(lock.turn_off(right, at(1.0), false), Err(Refused::NoCode));
        assert!(lock.is_on());
    }

    #[test]
    fn a_rolling_take_keeps_it_on_but_never_keeps_it_from_going_on() {
        let mut lock = Lock::on();
        let code = lock.ask_off(Code(7), at(0.0), false).unwrap();
        assert_eq!(lock.turn_off(code, at(1.0), true), Err(Refused::TakeRolls));
        assert_eq!(lock.ask_off(Code(9), at(1.0), true), Err(Refused::TakeRolls));
        assert_eq!(lock.turn_off(code, at(2.0), false), Ok(()));
        assert_eq!(lock.ask_off(code, at(3.0), false), Err(Refused::NotOn));
        lock.turn_on();
        assert_eq!(lock.turn_off(code, at(4.0), false), Err(Refused::NoCode), "an old code is void");
    }

    #[test]
    fn going_on_again_voids_a_code_that_was_given() {
        let mut lock = Lock::on();
        let code = lock.ask_off(Code(7), at(0.0), false).unwrap();
        lock.turn_on();
        assert_eq!(lock.turn_off(code, at(1.0), false), Err(Refused::NoCode));
    }

    #[test]
    fn a_code_is_four_digits() {
        assert_eq!(Code::typed(" 0427 "), Some(Code(427)));
        assert_eq!(Code::from_random(427).to_string(), "0427");
        for bad in ["", "427", "04270", "+427", "four", "٠٤٢٧"] {
            assert_eq!(Code::typed(bad), None, "{bad}");
        }
    }
}
