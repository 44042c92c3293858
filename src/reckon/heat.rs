//! A lamp's body as one thermal mass: dT/dt = (P R - (T - Ta)) / tau.
//!
//! Closed form, exact for powers that are constant in steps. A first-order model: housings have several
//! masses in truth, and no real lamp's figures are known here.

/// A thermal mass.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Body {
    /// Thermal resistance to the room in K/W, above 0.
    pub k_per_w: f64,
    /// Time constant in seconds, above 0.
    pub time_constant_s: f64,
    /// Room temperature in degrees Celsius.
    pub ambient_c: f64,
}

/// Constant power for some time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// How long, in seconds, 0 or more.
    pub for_s: f64,
    /// Power in watts, 0 or more.
    pub watts: f64,
}

impl Body {
    /// Temperature in degrees Celsius that `watts` lead to in the end.
    #[must_use]
    pub fn settled_c(&self, watts: f64) -> f64 {
        self.ambient_c + watts * self.k_per_w
    }

    /// Temperature after `for_s` seconds at `watts`, from `start_c`.
    #[must_use]
    pub fn after(&self, start_c: f64, watts: f64, for_s: f64) -> f64 {
        let settled = self.settled_c(watts);
        settled + (start_c - settled) * (-for_s / self.time_constant_s).exp()
    }

    /// Temperatures at the times `at_s` (seconds since the start, any order); the power is 0 after the
    /// last step.
    #[must_use]
    pub fn course(&self, start_c: f64, steps: &[Step], at_s: &[f64]) -> Vec<f64> {
        // When each step begins, at what temperature, and its power; the cooling after the last too.
        let (mut begins_s, mut now_c) = (0.0, start_c);
        let mut begins = Vec::with_capacity(steps.len() + 1);
        for step in steps {
            begins.push((begins_s, now_c, step.watts));
            now_c = self.after(now_c, step.watts, step.for_s);
            begins_s += step.for_s;
        }
        begins.push((begins_s, now_c, 0.0));
        let temperature = |at: &f64| {
            let step = begins.partition_point(|(begin, ..)| begin <= at).saturating_sub(1);
            let (begin, from, watts) = begins[step];
            self.after(from, watts, at - begin)
        };
        at_s.iter().map(temperature).collect()
    }

    /// Seconds at `watts` until `limit_c` is reached from `start_c`: 0 when it is already, `None` when it
    /// never is.
    #[must_use]
    pub fn time_to(&self, start_c: f64, watts: f64, limit_c: f64) -> Option<f64> {
        if start_c >= limit_c {
            return Some(0.0);
        }
        let settled = self.settled_c(watts);
        (settled > limit_c).then(|| -self.time_constant_s * ((settled - limit_c) / (settled - start_c)).ln())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BODY: Body = Body { k_per_w: 1.0, time_constant_s: 600.0, ambient_c: 20.0 };

    /// Source: definition of the time constant: 1 - 1/e of the way after one of it.
    #[test]
    fn one_time_constant_covers_63_percent_of_the_way() {
        assert!((BODY.after(20.0, 50.0, 600.0) - (70.0 - 50.0 / std::f64::consts::E)).abs() < 1e-12);
    }

    #[test]
    fn a_hot_lamp_is_at_its_limit_at_once_and_a_weak_one_never() {
        assert_eq!(BODY.time_to(70.0, 0.0, 70.0), Some(0.0));
        assert_eq!(BODY.time_to(20.0, 50.0, 70.0), None);
    }

    #[test]
    fn after_the_last_step_it_cools() {
        let steps = [Step { for_s: 600.0, watts: 50.0 }];
        let course = BODY.course(20.0, &steps, &[1e9, 600.0, 0.0]);
        assert!((course[0] - 20.0).abs() < 1e-9 && course[1] > 50.0 && course[2] == 20.0);
    }
}
