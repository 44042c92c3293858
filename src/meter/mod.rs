//! The meter on set: what a person reads, what that says of lamps and room, and the walk that leads through it.
//!
//! Pure: the engine keeps readings and trims and asks here what they mean; `cli::meter` leads the person.
//!
//! - `reading`: one reading with what was lit. `point`: where meters are held, and what each lamp sends there.
//! - `account`: readings against the plan's figures: what each lamp and the room give.
//! - `walk`: the steps of a metering walk, and where a person is in it. `report`: what it comes to.
//! - `reference`, `wanted` and `matching`: another day's light, and the trims that lead today's to it; `advice` in words.

mod account;
mod advice;
mod estimate;
mod matching;
mod point;
mod reading;
mod reference;
mod report;
mod text;
mod walk;
mod wanted;

pub use account::{Account, Here, LampRead, RoomRead};
pub use matching::{Advice, LampAdvice, MATCH_STOPS, Matched, PointAdvice, Present, held_against, match_to};
pub use point::{Spot, find_spot, gives, gives_of_read, spot_name, spot_said};
pub use reading::{Lapsed, LitLamp, Noted, Receptor, Seen};
pub use reference::{RefLamp, RefPoint, Reference, of_plan, of_take};
pub use report::{Offer, Report, RoomShare, Sum, report};
pub use walk::{Answered, Show, Step, Walk, Word, steps};
