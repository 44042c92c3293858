//! For one who sits in front of the camera: a foot pedal or presenter remote, which act as keyboards.
//!
//! Bytes from a terminal become keys (`keys`), keys the buttons that a person has taught (`buttons`,
//! `lesson`), buttons requests, bells and words (`seat`), and those a picture (`screen`). All of it is
//! pure: time is the span since the chair was taken. `terminal` puts a terminal into its raw mode and
//! back; the loop that joins them to the daemon is `cli::chair`.

pub mod buttons;
pub mod keys;
pub mod lesson;
pub mod screen;
pub mod seat;
pub mod terminal;
