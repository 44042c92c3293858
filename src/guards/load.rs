//! Electrical load: what a circuit carries against its breaker, and what a battery has left.
//!
//! Sums and rules alone; what a lamp draws in a look is the caller's to say. The figures are the plan's
//! and the profiles': a meter in the cable knows better. Not here: inrush, which trips breakers in
//! milliseconds at plug-in whatever the level is, so lamps are plugged in one at a time; earth-fault
//! currents; what else hangs on a circuit that nobody stated. Local code and a licensed person decide.

use crate::plan::{Circuit, CircuitId, Over, Plan};

/// The breaker taken where the plan knows none, in amperes: the smallest usual one.
///
/// 15 A under 150 V (North America), else 10 A (the smallest of the usual 10, 13 and 16 A in 230 V
/// countries; lighting circuits of 6 A exist, so the plan should say). Judgement, from practice.
#[must_use]
pub fn smallest_usual_breaker_a(volts: f64) -> f64 {
    if volts < 150.0 { 15.0 } else { 10.0 }
}

/// What a circuit may carry.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rating {
    /// Its breaker in amperes.
    pub amps: f64,
    /// True if the plan does not know the breaker, so the smallest usual one is taken.
    pub assumed: bool,
    /// Most load in volt-amperes: volts times amperes times the share for continuous load.
    pub volt_amperes: f64,
}

impl Rating {
    /// The rating of a circuit. Source of the default share of 80 %: NEC 210.20(A), seen as quoted.
    #[must_use]
    pub fn of(circuit: &Circuit) -> Self {
        let amps = circuit.amps.unwrap_or_else(|| smallest_usual_breaker_a(circuit.volts));
        Self {
            amps,
            assumed: circuit.amps.is_none(),
            volt_amperes: amps * circuit.volts * circuit.share.get(),
        }
    }

    /// True if this is too much. A hair over is rounding in our own sums.
    #[must_use]
    pub fn is_under(&self, load: Load) -> bool {
        load.volt_amperes > self.volt_amperes * (1.0 + 1e-9)
    }
}

/// A load on a circuit.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Load {
    /// Real power in watts: what heats and what a battery gives.
    pub watts: f64,
    /// Apparent power in volt-amperes: what a breaker sees.
    pub volt_amperes: f64,
}

impl Load {
    /// A lamp that draws `watts` at `power_factor` (above 0, at most 1).
    #[must_use]
    pub fn of(watts: f64, power_factor: f64) -> Self {
        Self { watts, volt_amperes: watts / power_factor }
    }
}

impl std::ops::Add for Load {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self { watts: self.watts + other.watts, volt_amperes: self.volt_amperes + other.volt_amperes }
    }
}

/// The load of every circuit, in the plan's order, other loads on it included (taken at power factor 1).
///
/// `watts`: what each fixture draws, in the plan's order, standby included, 0 for one that is not
/// here or runs from a battery; hand-set lamps count like any other. Apparent powers are added as they are,
/// which is the most that they can come to.
#[must_use]
pub fn loads(plan: &Plan, watts: &[f64]) -> Vec<Load> {
    let mut loads: Vec<Load> = plan.circuits.iter().map(|c| Load::of(c.other.get(), 1.0)).collect();
    for (fixture, watts) in plan.fixtures.iter().zip(watts) {
        if let Some(load) = fixture.circuit.and_then(|CircuitId(index)| loads.get_mut(index)) {
            *load = *load + Load::of(*watts, fixture.profile.power_factor);
        }
    }
    loads
}

/// The worst instant of a course of powers for every circuit: the interval, by its first step, and a load
/// that is not exceeded in it.
///
/// `course`: the watts of each fixture (as for [`loads`]) at each step. Between two steps a lamp is taken at
/// the greater of its two powers, all lamps at once, so the load holds for every instant as long as no lamp
/// has a peak of its own inside a step. A course of one step is that step.
#[must_use]
pub fn worst_along(plan: &Plan, course: &[Vec<f64>]) -> Vec<(usize, Load)> {
    let mut worst = vec![(0, Load::default()); plan.circuits.len()];
    for step in 0..course.len().saturating_sub(1).max(course.len().min(1)) {
        let now = &course[step];
        let next = course.get(step + 1).unwrap_or(now);
        let greater: Vec<f64> = now.iter().zip(next).map(|(a, b): (&f64, &f64)| a.max(*b)).collect();
        for (worst, load) in worst.iter_mut().zip(loads(plan, &greater)) {
            if load.volt_amperes > worst.1.volt_amperes {
                *worst = (step, load);
            }
        }
    }
    worst
}

/// The share (0 to 1) of the light that may pass so that a circuit stays within its rating.
///
/// `fixed`: what no level changes: standby, hand-set lamps, other loads. `driven`: the emitters' power as
/// asked, which goes with the level. 0 where the fixed load alone is too much. One share for all lamps of
/// a look keeps its ratios.
#[must_use]
pub fn share_within(rating: &Rating, fixed: Load, driven: Load) -> f64 {
    let room = (rating.volt_amperes - fixed.volt_amperes).max(0.0);
    if driven.volt_amperes <= room { 1.0 } else { room / driven.volt_amperes }
}

/// What a request that would overload a circuit gets, as its plan says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Answer {
    /// It fits.
    Passes,
    /// It is refused, and the light stays as it is.
    Refused,
    /// All its light is lowered to this share, 0 to 1.
    Lowered(f64),
}

/// What a circuit answers; see [`share_within`]. A fixed load that is too much by itself is refused in any
/// case: no level helps.
#[must_use]
pub fn answer(circuit: &Circuit, fixed: Load, driven: Load) -> Answer {
    let rating = Rating::of(circuit);
    if !rating.is_under(fixed + driven) {
        return Answer::Passes;
    }
    match circuit.over {
        Over::Lower if !rating.is_under(fixed) => Answer::Lowered(share_within(&rating, fixed, driven)),
        Over::Lower | Over::Refuse => Answer::Refused,
    }
}

/// Share of a battery's rated watt-hours that a lamp gets out of it. Source: practice (98 Wh at 60 W lasts 83
/// min); covers conversion losses and the end of charge that it keeps to itself.
pub const USABLE: f64 = 0.85;
/// Share left at which it warns first.
pub const LOW_SHARE: f64 = 0.2;
/// Minutes left at which it warns again.
pub const LOW_MINUTES: f64 = 10.0;

/// A battery, by what was drawn from it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Battery {
    wh: f64,
    used_wh: f64,
}

/// How a battery stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Charge {
    /// Enough.
    Good,
    /// A fifth or less is left.
    Low,
    /// Ten minutes or less at this power.
    Minutes,
    /// By this account nothing is left.
    Empty,
}

impl Battery {
    /// A full one of `wh` rated watt-hours, above 0.
    #[must_use]
    pub fn full(wh: f64) -> Self {
        Self::used(wh, 0.0)
    }

    /// One from which `used_wh` (0 or more) have been drawn already, as the state file keeps it.
    #[must_use]
    pub fn used(wh: f64, used_wh: f64) -> Self {
        Self { wh, used_wh: used_wh.max(0.0) }
    }

    /// Counts `watts` drawn for `seconds`.
    pub fn draw(&mut self, watts: f64, seconds: f64) {
        self.used_wh += (watts * seconds / 3600.0).max(0.0);
    }

    /// Watt-hours drawn so far.
    #[must_use]
    pub fn used_wh(&self) -> f64 {
        self.used_wh
    }

    /// Watt-hours that a lamp will still get.
    #[must_use]
    pub fn left_wh(&self) -> f64 {
        (self.wh * USABLE - self.used_wh).max(0.0)
    }

    /// Minutes left at `watts`, standby included; infinite at 0.
    #[must_use]
    pub fn minutes_left(&self, watts: f64) -> f64 {
        if watts > 0.0 { 60.0 * self.left_wh() / watts } else { f64::INFINITY }
    }

    /// How it stands at `watts`.
    #[must_use]
    pub fn charge(&self, watts: f64) -> Charge {
        let share = self.left_wh() / (self.wh * USABLE);
        match () {
            () if self.left_wh() <= 0.0 => Charge::Empty,
            () if self.minutes_left(watts) <= LOW_MINUTES => Charge::Minutes,
            () if share <= LOW_SHARE => Charge::Low,
            () => Charge::Good,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{Share, Watts};

    fn circuit(volts: f64, amps: Option<f64>, over: Over) -> Circuit {
        let share = Share::new(0.8).unwrap();
        Circuit { id: "wall".into(), volts, amps, share, other: Watts::clamped(0.0), over }
    }

    /// Source: practice.md, pain 20: 1450 W on 15 A / 120 V warned, 1430 W not; trade facts, circuit rule:
    /// 80 % is 1440, 1920, 1840, 2392 and 2944 W.
    #[test]
    fn eighty_percent_of_a_15_a_breaker_at_120_v_is_1440_w() {
        let rating = Rating::of(&circuit(120.0, Some(15.0), Over::Refuse));
        assert!(rating.is_under(Load::of(1450.0, 1.0)) && !rating.is_under(Load::of(1430.0, 1.0)));
        for (volts, amps, watts) in [
            (120.0, 15.0, 1440.0),
            (120.0, 20.0, 1920.0),
            (230.0, 10.0, 1840.0),
            (230.0, 13.0, 2392.0),
            (230.0, 16.0, 2944.0),
        ] {
            let rating = Rating::of(&circuit(volts, Some(amps), Over::Refuse));
            assert!((rating.volt_amperes - watts).abs() < 1e-9);
            assert!(!rating.is_under(Load::of(watts, 1.0)));
        }
    }

    #[test]
    fn a_power_factor_counts_and_an_unknown_breaker_is_the_smallest_usual_one() {
        // 1200 W at 0.8 are 1500 VA.
        let rating = Rating::of(&circuit(120.0, None, Over::Refuse));
        assert_eq!((rating.amps, rating.assumed), (15.0, true));
        assert!(rating.is_under(Load::of(1200.0, 0.8)) && !rating.is_under(Load::of(1200.0, 1.0)));
        assert_eq!(Rating::of(&circuit(230.0, None, Over::Refuse)).amps, 10.0);
    }

    #[test]
    fn over_its_rating_a_circuit_refuses_or_lowers_as_its_plan_says() {
        let (fixed, driven) = (Load::of(440.0, 1.0), Load::of(2000.0, 1.0));
        let asked = |over, fixed, driven| answer(&circuit(120.0, Some(15.0), over), fixed, driven);
        assert_eq!(asked(Over::Refuse, fixed, driven), Answer::Refused);
        // 1440 - 440 = 1000 of 2000.
        assert_eq!(asked(Over::Lower, fixed, driven), Answer::Lowered(0.5));
        assert_eq!(asked(Over::Lower, fixed, Load::of(1000.0, 1.0)), Answer::Passes);
        assert_eq!(asked(Over::Lower, Load::of(1500.0, 1.0), driven), Answer::Refused);
    }

    /// Source: practice.md, pain 26: 98 Wh at 60 W, factor 0.85, last 83 min (83.3).
    #[test]
    fn ninety_eight_watt_hours_last_83_minutes_at_60_w() {
        let mut battery = Battery::full(98.0);
        assert!((battery.minutes_left(60.0) - 83.3).abs() < 1e-9);
        assert_eq!(battery.charge(60.0), Charge::Good);
        // Minute by minute: 83 W h / 60 are drawn, so 0.3 min are left.
        let mut told = Vec::new();
        for minute in 1..=84 {
            battery.draw(60.0, 60.0);
            if told.last().is_none_or(|(_, c)| *c != battery.charge(60.0)) {
                told.push((minute, battery.charge(60.0)));
            }
        }
        // A fifth of 83.3 min is 16.66: 66.64 min in. 73.3 min in, 10 min are left.
        assert_eq!(told, [(1, Charge::Good), (67, Charge::Low), (74, Charge::Minutes), (84, Charge::Empty)]);
        assert!((battery.used_wh() - 84.0).abs() < 1e-9);
        assert_eq!(battery.minutes_left(0.0), f64::INFINITY);
    }
}
