//! The take log: what was lit when, every take, reading, fault and intervention, in one SQLite file of the set's
//! state folder, so that the light of a take can be rebuilt months later.
//!
//! `entry` and its neighbours are plain data that the engine hands out by [`crate::engine::Action::Record`]; the
//! engine's loop stamps them and puts them into a bounded queue, and a thread of its own writes them. Nothing waits
//! for that thread. Not here: what a restart needs at once (heat, the light as it stands), which is `state_file`'s.

mod ask;
mod disk;
mod entry;
pub mod exchange;
mod found;
mod hash;
pub mod imports;
pub mod lines;
mod name;
mod possible;
mod prune;
mod queue;
mod read;
pub mod said;
pub mod schema;
pub mod snapshot;
mod store;
mod take;
mod work;
mod writing;

pub use ask::{Found, ReadingFound, TakeFound, Wanted};
pub use disk::{Disk, File, Place};
pub use entry::{
    ClockRecord, DidRecord, Entry, LampLight, LampUse, LightRecord, LostRecord, NoteRecord, OutputEvent,
    OutputRecord, SlotsRecord, Stamp, StandRecord, StartRecord, StopRecord, TextsRecord, Trim, What,
};
pub use hash::{frame_hash, sha256};
pub use name::{TakeName, WrongTakeName};
pub use queue::{Clocks, Job, QUEUE, Queue};
pub use read::find;
pub use store::{NAME, Reach, Store, StoreError};
pub use take::{
    CameraRecord, LampPlace, LampState, LitThen, OutputFigures, PlaceRecord, ReadingRecord, TakeAmend,
    TakeEnd, TakeRecord, TakeStamp, TrimRecord, TrimWho, TrimWhy,
};
pub use work::{RING, work};
