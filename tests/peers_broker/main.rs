//! The real daemon while a real mosquitto fails in every way that was thought of: killed, paused, cut off, its disk
//! full. Source of what is expected: the requirement on control: the light is untouched, `online` is right within 1.5 times the
//! keep-alive on both sides, the full state is back within 5 s of the broker's return, and not one request is done
//! twice or late.
//!
//! The everyday forms take some seconds; `tests/long/broker.sh` runs the long ones.
#![expect(clippy::unwrap_used, reason = "a test that cannot set its scene has failed")]

#[path = "../common/broker.rs"]
mod broker;

mod apart;
mod full;
mod killed;
mod operator;
mod paused;
mod scene;
