//! Rounding to slots: that no neighbour is better, how near it comes, and that a level fade never
//! steps back. Expected values come from plain, slow arithmetic written here, or from the simulator's.

mod accuracy;
mod best;
#[path = "../common/contract.rs"]
mod contract;
mod fades;
mod lamps;
#[allow(dead_code)]
#[path = "../engine/log.rs"]
mod log;
#[allow(dead_code)]
#[path = "../engine/rig.rs"]
mod rig;
