//! Calibrating one lamp with an incident meter: which readings are taken, what is fitted to them, and
//! the text of the calibration. Pure: asking and writing are `cli::calibrate`'s work.
//!
//! The procedure is practice.md's ("Calibrating one lamp with an incident meter"; judgement, no source).

mod fit;
mod procedure;
mod session;
mod text;

pub use fit::{EmitterColour, Fault, Fit, FittedEmitter, FittedSweep, FittedWhite, Taken, fit};
pub use procedure::{Kind, Options, Step, Sweep, agree, steps};
pub use session::{Entry, Session, SessionError, Word};
pub use text::{calibration, summary};
