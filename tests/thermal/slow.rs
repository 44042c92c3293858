//! The heat equation the slow way: classical Runge-Kutta on dT/dt = (P R - (T - Ta))/tau, knowing nothing
//! of closed forms. The outside judge of caps and times.

use lampkeep::guards::thermal::Model;

/// Stops a second that the guard may take, from the requirement: 0.05.
pub const RATE: f64 = 0.05;

/// A body in a room.
#[derive(Debug, Clone, Copy)]
pub struct Slow {
    pub model: Model,
    pub ambient_c: f64,
}

impl Slow {
    /// Temperature after `for_s` at the power `watts(t)`, and the hottest on the way.
    pub fn run(&self, start_c: f64, for_s: f64, steps: usize, watts: impl Fn(f64) -> f64) -> (f64, f64) {
        let rate = |t: f64, celsius: f64| {
            (watts(t) * self.model.k_per_w - (celsius - self.ambient_c)) / self.model.time_constant_s
        };
        let h = for_s / steps as f64;
        let (mut celsius, mut hottest) = (start_c, start_c);
        for i in 0..steps {
            let t = i as f64 * h;
            let a = rate(t, celsius);
            let b = rate(t + h / 2.0, celsius + a * h / 2.0);
            let c = rate(t + h / 2.0, celsius + b * h / 2.0);
            let d = rate(t + h, celsius + c * h);
            celsius += h * (a + 2.0 * b + 2.0 * c + d) / 6.0;
            hottest = hottest.max(celsius);
        }
        (celsius, hottest)
    }

    /// The hottest that it gets when the emitters come down from `emitters_w` at 0.05 stop/s for as long
    /// as it takes to die away to nothing.
    pub fn peak_of_ramp(&self, start_c: f64, emitters_w: f64, standby_w: f64) -> f64 {
        // 400 s are 20 stops. Where the peak is later, standby has the last word, and it is cooler.
        self.run(start_c, 400.0, 8000, |t| standby_w + emitters_w * (-RATE * t).exp2()).1
    }
}
