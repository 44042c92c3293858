//! Pure photometry and colour: a look becomes one [`Demand`] per fixture, and what a lamp can do
//! towards it. Knows no slots, no time and no limits.
//!
//! `geometry`, `card`, `room` and `points` are light in space; `reading` is what a meter sees of it and
//! `balance` solves looks for that.
//!
//! `observer`, `planck` and `colour` are chromaticity; `hull` and `mix` are emitters; `asked` is what a lamp's
//! own colour channel truly gives; `solve` puts a demand on a lamp; `rendering` keeps the mixes that took a
//! search; `fade` is the demand between two looks, `motion` one that moves by itself; `spectrum` gives the figures of a measured light, `ies` the
//! directions of a measured lamp; `typed` is what a person types off a meter, `trim` what is added for it.

pub mod asked;
pub mod balance;
pub mod card;
pub mod colour;
mod demand;
pub mod exposure;
pub mod fade;
pub mod flicker;
pub mod geometry;
pub mod hull;
pub mod ies;
pub mod mix;
pub mod motion;
pub mod observer;
pub mod photometry;
pub mod planck;
pub mod points;
pub mod reading;
mod rendering;
pub mod room;
pub mod solve;
pub mod spectrum;
pub mod trim;
pub mod typed;
pub mod vector;

pub use demand::{Colour, Demand, Moving};
pub use rendering::{Renderings, Shape, spectra};
pub use solve::{ColourMiss, Reach};
pub use trim::Trim;
