//! Pictures: the set from above and from the side, and the face as each camera would see it.
//!
//! A plan goes in, a [`Drawing`] or [`Pixels`] comes out; both are finished texts or bytes only at their edge
//! ([`Drawing::svg`], [`Pixels::png`]). Everything here is a pure function of the plan: the same picture, to the last bit, in every
//! run. It reads no file and writes none; `cli::draw` does.

pub mod colour;
mod drawing;
pub mod face;
mod font;
mod labels;
mod raster;
pub mod set;
mod svg;

pub use drawing::{Anchor, Drawing, Ink, Item, Path, Pixels, Step, Stroke, Text, Weight};
pub use font::{lines, width};
pub(crate) use svg::base64;
