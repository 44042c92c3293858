//! Exit codes: what a script may rely on.

use std::process::{ExitCode, Termination};

use crate::control::FailureKind;

/// How a command ended. Part 1 of docs/interface.md.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum Exit {
    /// Done, also with warnings or short-falls.
    Done = 0,
    /// The request could not be met; the message says why and what to do.
    NotMet = 1,
    /// Wrong usage of the command line.
    Usage = 2,
    /// The plan has errors.
    PlanErrors = 3,
    /// No daemon answers.
    NoDaemon = 4,
    /// Refused by a guard.
    Guarded = 5,
}

impl Exit {
    /// The number that the process ends with, 0 to 5.
    #[must_use]
    pub const fn code(self) -> u8 {
        self as u8
    }
}

impl From<FailureKind> for Exit {
    fn from(kind: FailureKind) -> Self {
        match kind {
            // The command line built the request: what is wrong in it was typed wrong.
            FailureKind::BadRequest | FailureKind::UnknownRequest | FailureKind::BadField => Self::Usage,
            FailureKind::UnknownLook
            | FailureKind::UnknownLamp
            | FailureKind::UnknownTake
            | FailureKind::AmbiguousTake
            | FailureKind::NoOrder
            | FailureKind::Nothing
            | FailureKind::NotDriven
            | FailureKind::Files
            | FailureKind::TooLate
            | FailureKind::TooEarly
            | FailureKind::Retained
            // Not 4: a daemon answers, it just has no room.
            | FailureKind::Busy => Self::NotMet,
            FailureKind::PlanErrors => Self::PlanErrors,
            FailureKind::Guarded => Self::Guarded,
        }
    }
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit.code())
    }
}

impl Termination for Exit {
    fn report(self) -> ExitCode {
        self.into()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: the contract, docs/interface.md part 1.
    #[test]
    fn the_codes_are_those_of_the_contract() {
        let codes = [Exit::Done, Exit::NotMet, Exit::Usage, Exit::PlanErrors, Exit::NoDaemon, Exit::Guarded]
            .map(Exit::code);
        assert_eq!(codes, [0, 1, 2, 3, 4, 5]);
        assert_eq!(Exit::from(FailureKind::UnknownLook).code(), 1);
        assert_eq!(Exit::from(FailureKind::BadField).code(), 2);
        assert_eq!(Exit::from(FailureKind::PlanErrors).code(), 3);
        assert_eq!(Exit::from(FailureKind::Guarded).code(), 5);
    }
}
