//! Pure photometry and colour: what a target in lux and kelvin asks of each lamp.
//!
//! `observer`, `planck` and `colour` are chromaticity, `hull` is what lies between some colours. This
//! module knows nothing of slots, guards or clocks.

pub mod colour;
pub mod hull;
pub mod observer;
pub mod planck;
