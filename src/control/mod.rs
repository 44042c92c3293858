//! Requests in, answers and status out: the words that every door shares, and the doors themselves.
//!
//! `command` and `status` are plain data. Doors (`socket`, `mqtt`) talk to the engine through
//! `bridge` by messages alone; `client` is the command line's end of the socket.

mod bridge;
pub mod client;
mod clock_status;
mod command;
mod essence;
pub mod mqtt;
pub mod places;
pub mod socket;
mod status;

pub use bridge::{Ask, Doors, INBOX, Inbound};
pub use clock_status::ClockStatus;
pub use command::{
    Answer, Envelope, Failure, FailureKind, MAX_REQUEST_BYTES, Request, TakeMark, decode_request, decode_sent,
};
pub use status::{
    Alert, BatteryStatus, CircuitStatus, Confirmed, FixtureStatus, JournalState, JournalStatus, Light,
    LinkState, MqttStatus, Now, OrderStatus, OutputStatus, ProtectStatus, ReadingStatus, RealTimeStatus,
    RequestsStatus, Scheduled, Status, StepHeat, WarmBody,
};
