//! What can happen to the engine, and what it wants done.

use std::sync::Arc;

use super::{Kept, NotKept, ProtectFound, Wall};
use crate::channels::Frame;
use crate::control::{Alert, Answer, Envelope, Failure, JournalStatus, MqttStatus, OutputStatus};
use crate::journal::{Found, Wanted, What};
use crate::plan::Plan;
use crate::units::FrameNumber;

/// Marks a request, so that the answer finds its way back.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Ticket(pub u64);

/// What happened.
#[derive(Debug, Clone, PartialEq)]
pub enum Event {
    /// Frame `n` is due. Frames come in order and none is left out.
    Frame(FrameNumber),
    /// A request.
    Ask(Ticket, Envelope),
    /// How the outputs do.
    Outputs(Vec<OutputStatus>),
    /// How the broker's connection does.
    Mqtt(MqttStatus),
    /// The plan was read again, for the request of this ticket.
    PlanRead(Ticket, Result<Arc<Plan>, Failure>),
    /// The file of a kept look was written, or not.
    LookWritten(Ticket, Result<(), Failure>),
    /// The output of this index has sent nothing for so many seconds; `None`: it sends, again or at first.
    Silent(usize, Option<f64>),
    /// The state could be written, or not and why.
    StateWritten(Result<(), String>),
    /// The machine's protect file says something else than before.
    Protect(ProtectFound),
    /// The machine's protect file was written, or not, for the action of this number.
    ProtectKept(u64, Result<(), NotKept>),
    /// What the log says to the question of this ticket.
    Found(Ticket, Result<Box<Found>, Failure>),
    /// How the log does.
    Journal(JournalStatus),
    /// What the wall clock shows, read again.
    Wall(Wall),
    /// The daemon is told to stop.
    Stop,
}

/// What to do.
#[derive(Debug, Clone, PartialEq)]
#[must_use]
pub enum Action {
    /// Hand these frames to their outputs, in the plan's order of outputs.
    Send(Vec<Frame>),
    /// Answer a request.
    Reply(Ticket, Box<Answer>),
    /// The status has changed enough to be seen.
    Publish,
    /// Read the plan's files again, then tell with [`Event::PlanRead`].
    ReadPlan(Ticket),
    /// Write a kept look beside the plan, then tell with [`Event::LookWritten`].
    WriteLook {
        /// The request.
        ticket: Ticket,
        /// The look's name, a safe file stem.
        name: String,
        /// The file's text.
        text: String,
    },
    /// Another plan is in force: outputs may have changed.
    Adopt(Arc<Plan>),
    /// Tell of something that needs attention, once.
    Tell(Alert),
    /// Keep this where a restart finds it.
    Keep(Box<Kept>),
    /// Write this into the log.
    Record(Box<What>),
    /// Ask the log, then tell with [`Event::Found`].
    Find {
        /// The request that it is for.
        ticket: Ticket,
        /// What is wanted.
        what: Wanted,
    },
    /// Write the machine's protect file, then tell with [`Event::ProtectKept`].
    KeepProtect {
        /// Counts these actions.
        serial: u64,
        /// What it is to say.
        on: bool,
    },
    /// Nothing more will be sent; the daemon may end.
    Finished,
}

impl Action {
    /// An answer to a request.
    pub(super) fn reply(ticket: Ticket, answer: Answer) -> Self {
        Self::Reply(ticket, Box::new(answer))
    }
}
