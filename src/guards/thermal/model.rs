//! A lamp's body as one thermal mass: dT/dt = (P R - (T - Ta)) / tau.
//!
//! Closed form, exact for powers that are constant in steps. A first-order model: housings have several
//! masses in truth, and no real lamp's figures are known here.
//! Source: heat balance of one mass, C dT/dt = P - (T - Ta)/R with tau = R C; textbook.

use super::TIME_CONSTANT_OVER_FULL;
use crate::guards::power_unknown;
use crate::plan::{Cooling, Fixture, FullFor, HEAT_LIMIT_C, HeatFigure, KnownHeat, Rise, SecondFigure};

/// The thermal mass of a lamp's body.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Model {
    /// Thermal resistance to the room in K/W, above 0.
    pub k_per_w: f64,
    /// Time constant in seconds, above 0.
    pub time_constant_s: f64,
    /// Temperature that the estimate must not pass, in degrees Celsius.
    pub limit_c: f64,
    /// True if nobody stated the limit: it is [`HEAT_LIMIT_C`], a judgement.
    pub limit_judged: bool,
    /// True if the time constant is the judgement of 1.5 times the time at full.
    pub time_judged: bool,
}

/// Constant power for some time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// How long, in seconds, 0 or more.
    pub for_s: f64,
    /// Electrical power in watts, standby included, 0 or more.
    pub watts: f64,
}

/// What is known of a lamp's thermal duty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Duty {
    /// A fan runs and no figure is stated, or a person said that there is no limit.
    Free,
    /// No fan and no figure that counts: half its power (`guards::HALF_POWER`).
    Unknown,
    /// A model.
    Limited(Model),
}

/// The thermal duty of `fixture`. `real`: real lamps hang on the wire, so that a profile's invented
/// figures do not count.
#[must_use]
pub fn duty(fixture: &Fixture, real: bool) -> Duty {
    let standby_w = fixture.profile.standby.get();
    let full_w = standby_w + fixture.emitters.iter().map(|e| e.watts.get()).sum::<f64>();
    let model = match fixture.heat_figure(real) {
        Some(HeatFigure::NoLimit) => return Duty::Free,
        None if fixture.cooling == Cooling::Fan => return Duty::Free,
        None => None,
        // Without the emitters' power the estimate would never rise.
        Some(_) if power_unknown(fixture) => None,
        Some(HeatFigure::Known(known)) => Model::known(&known, full_w),
        Some(HeatFigure::FullFor(figure)) => Model::full_for(&figure, standby_w, full_w),
    };
    model.map_or(Duty::Unknown, |m| Duty::Limited(m.behind(fixture.heat_factor)))
}

impl Model {
    /// From both figures. `full_w`: power with everything on, standby included; `None` if it is 0 while
    /// the rise is stated at full, since nothing can then be said of other powers.
    fn known(figure: &KnownHeat, full_w: f64) -> Option<Self> {
        let k_per_w = match figure.rise {
            Rise::PerWatt(k) => k,
            Rise::AtFull(k) if full_w > 0.0 => k / full_w,
            Rise::AtFull(_) => return None,
        };
        Some(Self {
            k_per_w,
            time_constant_s: figure.time_constant.as_secs_f64(),
            limit_c: figure.limit.map_or(HEAT_LIMIT_C, |l| l.get()),
            limit_judged: figure.limit.is_none(),
            time_judged: false,
        })
    }

    /// From "N minutes at full, then it cuts back" in a room at A: limit - A = rise (1 - e^(-N/tau)),
    /// with tau from the second figure or else 1.5 N.
    ///
    /// `None` if nothing says what power that was, or if the limit is not above the room.
    fn full_for(figure: &FullFor, standby_w: f64, full_w: f64) -> Option<Self> {
        let full_w = figure.watts.map_or(full_w, |w| w.get());
        let limit_c = figure.limit.map_or(HEAT_LIMIT_C, |l| l.get());
        let room_to_limit = limit_c - figure.ambient.get();
        let time = figure.time.as_secs_f64();
        if full_w <= 0.0 || room_to_limit <= 0.0 {
            return None;
        }
        let tau = match figure.second {
            None => TIME_CONSTANT_OVER_FULL * time,
            Some(SecondFigure::TimeConstant(tau)) => tau.as_secs_f64(),
            // Half the way down: e^(-t/tau) = 1/2.
            Some(SecondFigure::Cools(half)) => half.as_secs_f64() / std::f64::consts::LN_2,
            Some(SecondFigure::HalfFor(half)) => {
                let half_w = (standby_w.min(full_w) + full_w) / 2.0;
                by_half_power(time, half.as_secs_f64(), half_w / full_w)
            }
            Some(SecondFigure::RiseAtFull(rise)) => -time / (-(room_to_limit / rise).min(0.9999)).ln_1p(),
        };
        let rise = room_to_limit / -(-time / tau).exp_m1();
        Some(Self {
            k_per_w: rise / full_w,
            time_constant_s: tau,
            limit_c,
            limit_judged: figure.limit.is_none(),
            time_judged: figure.second.is_none(),
        })
    }

    /// The same body behind something that keeps its heat in: `factor` times the resistance, and since
    /// its heat capacity stays, `factor` times the time constant.
    #[must_use]
    pub fn behind(self, factor: f64) -> Self {
        Self { k_per_w: self.k_per_w * factor, time_constant_s: self.time_constant_s * factor, ..self }
    }

    /// A body of these figures, which somebody stated.
    #[must_use]
    pub const fn new(k_per_w: f64, time_constant_s: f64, limit_c: f64) -> Self {
        Self { k_per_w, time_constant_s, limit_c, limit_judged: false, time_judged: false }
    }

    /// Temperature in degrees Celsius that `watts` lead to in the end, in a room at `ambient_c`.
    #[must_use]
    pub fn settled_c(&self, ambient_c: f64, watts: f64) -> f64 {
        ambient_c + watts * self.k_per_w
    }

    /// Temperature after `for_s` seconds at `watts` (standby included), from `start_c`.
    #[must_use]
    pub fn after(&self, ambient_c: f64, start_c: f64, watts: f64, for_s: f64) -> f64 {
        let settled = self.settled_c(ambient_c, watts);
        settled + (start_c - settled) * self.kept(for_s)
    }

    /// What is left of a difference in temperature after `for_s` seconds: 1 at once, then towards 0.
    #[must_use]
    pub fn kept(&self, for_s: f64) -> f64 {
        (-for_s / self.time_constant_s).exp()
    }

    /// Temperatures at the times `at_s` (seconds since the start, any order); the power is 0 after the
    /// last step.
    #[must_use]
    pub fn course(&self, ambient_c: f64, start_c: f64, steps: &[Step], at_s: &[f64]) -> Vec<f64> {
        // When each step begins, at what temperature, and its power; the cooling after the last too.
        let (mut begins_s, mut now_c) = (0.0, start_c);
        let mut begins = Vec::with_capacity(steps.len() + 1);
        for step in steps {
            begins.push((begins_s, now_c, step.watts));
            now_c = self.after(ambient_c, now_c, step.watts, step.for_s);
            begins_s += step.for_s;
        }
        begins.push((begins_s, now_c, 0.0));
        let temperature = |at: &f64| {
            let step = begins.partition_point(|(begin, ..)| begin <= at).saturating_sub(1);
            let (begin, from, watts) = begins[step];
            self.after(ambient_c, from, watts, at - begin)
        };
        at_s.iter().map(temperature).collect()
    }

    /// Seconds at `watts` until the limit is reached from `start_c`: 0 when it is already, `None` when it
    /// never is.
    #[must_use]
    pub fn time_to_limit_s(&self, ambient_c: f64, start_c: f64, watts: f64) -> Option<f64> {
        if start_c >= self.limit_c {
            return Some(0.0);
        }
        let settled = self.settled_c(ambient_c, watts);
        let ratio = (settled - self.limit_c) / (settled - start_c);
        (settled > self.limit_c).then(|| -self.time_constant_s * ratio.ln())
    }

    /// Seconds at `watts` (standby, where dark) until the body has cooled from `start_c` to `to_c`: 0 when it is no
    /// warmer, `None` when it never gets there in this room.
    #[must_use]
    pub fn time_to_cool_s(&self, ambient_c: f64, start_c: f64, watts: f64, to_c: f64) -> Option<f64> {
        if start_c <= to_c {
            return Some(0.0);
        }
        let settled = self.settled_c(ambient_c, watts);
        (settled < to_c).then(|| self.time_constant_s * ((start_c - settled) / (to_c - settled)).ln())
    }
}

/// The time constant of a body that runs `full_s` at full and `half_s` at `half_ratio` of that power
/// until the same temperature: 1 - e^(-full/tau) = ratio (1 - e^(-half/tau)).
///
/// Bisected in 1/tau: the difference of both sides begins negative (for `half_s * half_ratio > full_s`),
/// has one turn and ends at 1 - ratio above 0, so it has one root.
fn by_half_power(full_s: f64, half_s: f64, half_ratio: f64) -> f64 {
    let short = |per_tau: f64| half_ratio * (-half_s * per_tau).exp_m1() - (-full_s * per_tau).exp_m1();
    let (mut low, mut high) = (1e-3 / full_s, 50.0 / full_s);
    for _ in 0..100 {
        let middle = (low + high) / 2.0;
        if short(middle) < 0.0 { low = middle } else { high = middle }
    }
    1.0 / high
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: Newton's law of cooling, T(t) = Ta + (T0 - Ta) e^(-t/tau), solved for t by hand: from 70 to 43 in a room at
    /// 25, 600 s ln(45/18) = 549.77 s; with 10 K of standby 600 s ln(35/8) = 885.54 s.
    #[test]
    fn a_body_cools_by_newtons_law_and_not_under_what_standby_holds() {
        let model = Model::new(1.0, 600.0, 70.0);
        let time = |watts: f64, to_c: f64| model.time_to_cool_s(25.0, 70.0, watts, to_c);
        assert!((time(0.0, 43.0).unwrap() - 549.77).abs() < 0.01);
        assert!((time(10.0, 43.0).unwrap() - 885.54).abs() < 0.01);
        assert_eq!((time(20.0, 43.0), time(0.0, 70.0)), (None, Some(0.0)));
    }
}
