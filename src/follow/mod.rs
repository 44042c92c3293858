//! What `status --follow` keeps on a terminal: how things are at a glance, and one key each for next, previous,
//! rest and dark.
//!
//! Keys and what the daemon tells become a state (`desk`), that becomes a picture (`view`, with `letters`,
//! `table`, `ruler` and `lines`), and that the bytes that a terminal shows it by (`paint`). All of it is pure: time is the span since
//! it began. The loop that joins them to the terminal and the daemon is `cli::follow`. Not here: lines for
//! those who read it in a pipe, which are `cli::show`'s.

pub mod desk;
pub mod letters;
mod lines;
pub mod paint;
pub mod ruler;
mod table;
pub mod view;

pub use desk::{Act, Desk, Wants};
pub use view::draw;
