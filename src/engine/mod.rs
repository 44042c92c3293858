//! The one owner of live state. `handle(event, now)` takes what happened and says what to do; it
//! reads no clock and does no I/O, so real time and a rehearsal run the very same code.
//!
//! Frame `n` stands for `n` periods after the start, however late it is worked out. A request acts on
//! the first frame at or after its moment.

pub mod assess;
mod attention;
pub mod balanced;
#[cfg(test)]
mod continuity;
pub mod draw;
mod event;
pub mod explain;
pub mod exposure;
mod flash;
mod flash_told;
mod glide;
mod heat;
pub mod heat_ahead;
mod heat_told;
mod instant;
mod kept;
mod kept_possible;
mod lamp;
mod load;
pub mod margin;
pub mod meter;
pub mod moves;
mod on_time;
mod protect;
pub mod quality;
mod readings;
mod record;
mod record_light;
mod record_names;
mod record_take;
mod reload;
mod requests;
pub mod run;
pub mod say;
mod shape;
mod soft;
mod standing;
mod start;
mod state;
mod status;
mod step;
mod take;
mod take_known;
mod take_noted;
mod take_same;
pub mod take_typed;
mod trims;
mod trims_kept;

pub use event::{Action, Event, Ticket};
pub use glide::KeptGlide;
pub use heat::{HeatStart, KeptBody};
pub use instant::Wall;
pub use kept::{
    Kept, KeptLamp, KeptLight, KeptMemory, KeptOutput, KeptScene, KeptSlate, KeptTake, KeptTarget,
};
pub use load::KeptBattery;
pub use on_time::KeptOn;
pub(crate) use protect::of_plan as protection_of;
pub use protect::{NotKept, ProtectFound};
pub(crate) use requests::listed;
pub use start::Start;
pub use state::{Engine, Options};
pub(crate) use status::light_of;
pub use trims_kept::{KeptGroup, KeptTrim, KeptTrims, TrimOf, TrimsBy};
