//! Pure photometry and colour: a look becomes one [`Demand`] per fixture, and what a lamp can do
//! towards it. Knows no slots, no time and no limits.
//!
//! `observer`, `planck` and `colour` are chromaticity; `hull` and `mix` are emitters; `solve` puts a
//! demand on a lamp; `fade` is the demand between two looks; `spectrum` gives the figures of a measured light,
//! `ies` the directions of a measured lamp.

pub mod balance;
pub mod colour;
mod demand;
pub mod exposure;
pub mod fade;
pub mod flicker;
pub mod geometry;
pub mod hull;
pub mod ies;
pub mod mix;
pub mod observer;
pub mod photometry;
pub mod planck;
pub mod points;
pub mod reading;
pub mod room;
pub mod solve;
pub mod spectrum;
mod vector;

pub use demand::{Colour, Demand, Moving};
pub use solve::{ColourMiss, Reach};
