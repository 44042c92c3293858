//! The thermal guard: its model against outside values, its cap against a slow integration of the same
//! equation, its ramp over lamps, and what a plan may say of heat.

#[path = "../common/mod.rs"]
mod common;
#[path = "../common_plan/mod.rs"]
mod common_plan;

mod demo;
mod facts;
mod figures;
mod properties;
mod slow;
