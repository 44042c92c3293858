//! Requests in, answers and status out: the words that every door shares, and the doors themselves.
//!
//! `command` and `status` are plain data. Doors talk to the engine by messages alone.

mod command;
mod status;

pub use command::{Answer, Envelope, Failure, FailureKind, MAX_REQUEST_BYTES, Request, decode_request};
pub use status::{
    Alert, Confirmed, FixtureStatus, Light, LinkState, MqttStatus, Now, OrderStatus, OutputStatus, Scheduled,
    Status,
};
