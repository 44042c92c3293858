//! Finished frames to the lamps, each output in a thread of its own at a constant rate.
//!
//! `encode` is pure bytes and timing figures; `serial_raw` and `serial_framed` drive ports, `sim`
//! keeps what it was sent and reads it back as light; `sender` is the engine's end of an output, `worker`
//! its thread, `output` what all ports share, `find` which port an interface has now; `device` is a simulated
//! interface, the far side of a serial port. `e131` is the network, with one thread for all its universes; `running`
//! is what the engine holds of either. No light is computed for the lamps here, and nothing here waits for the engine.

pub mod device;
pub mod e131;
pub mod encode;
mod error;
pub mod find;
mod health;
mod holder;
mod latency;
mod latest;
mod line;
mod os;
pub mod output;
mod pace;
pub mod probe;
pub mod realtime;
mod running;
pub mod sender;
pub mod serial_framed;
pub mod serial_raw;
pub mod sim;
mod tty;
mod worker;

pub use error::{WireError, WireErrorKind, ports_seen};
pub use health::Health;
pub use holder::{Holder, holder};
pub use latency::LatencyTimer;
pub use output::{Port, Sent, attainable_rate};
pub use running::{Outputs, Running};
pub use sender::{Sender, start};
pub use sim::SimWatch;
