//! Pure photometry and colour: what a target in lux and kelvin asks of each lamp.
//!
//! `observer`, `planck` and `colour` are chromaticity, `hull` and `mix` are emitters, `photometry` and

pub mod colour;
pub mod hull;
pub mod mix;
pub mod observer;
pub mod planck;
