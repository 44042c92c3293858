//! Pure photometry and colour: what a target in lux and kelvin asks of each lamp.
//!
//! `observer`, `planck` and `colour` are chromaticity, `hull` and `mix` are emitters, `photometry` is
//! light in space, `flicker` light in time. This module knows nothing of slots, guards or clocks.

pub mod colour;
pub mod flicker;
pub mod hull;
pub mod mix;
pub mod observer;
pub mod photometry;
pub mod planck;
