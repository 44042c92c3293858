//! What stands between a demand and the slots: only what comes out of here can be sent.
//!
//! [`guard::allow`] is the one maker of [`Allowed`]. It takes what a lamp was asked for and gives
//! that or less, never more, and says what held it. A lowering is never held back. What it lets through of
//! all lamps is then put to [`flash`], and [`guard::raise`] takes away what that holds of a frame's raise.
//! `thermal` keeps estimates of lamps' bodies under their limits; what is not known of a lamp's heat
//! counts as hot. [`load`] and [`identity`] are whole in themselves; the engine does not ask
//! them yet, `check` asks [`load`].

pub mod course;
pub mod flash;
mod guard;
pub mod identity;
mod limits;
pub mod load;
pub mod moving;
mod report;
pub mod thermal;

pub use guard::{
    Allowed, Conditions, Forecast, Holds, SOFT_START_S, Standing, Unheld, allow, before_heat, forecast,
    raise, stand_still,
};
pub use limits::{HALF_POWER, heat_unknown, power_unknown};
pub use report::{Intervention, Limit, LimitSet};
