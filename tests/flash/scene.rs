//! A small stage: lamps that light points, driven through the guard as the engine drives it.

use lampkeep::guards::flash::{Flash, PointLight};
use lampkeep::units::{FrameClock, Xy};

/// A stage with lamps and points.
#[derive(Debug, Clone)]
pub struct Stage {
    /// Frames a second.
    pub rate: u32,
    /// 0 stops at each point, in lux.
    pub full_lux: Vec<f64>,
    /// Lux at each point for each lamp at level 1: `gains[lamp][point]`.
    pub gains: Vec<Vec<f64>>,
    /// Each lamp's colour.
    pub colours: Vec<Xy>,
    /// Steps of a lamp's channel; 0: as fine as can be.
    pub steps: f64,
}

/// What went out.
#[derive(Debug)]
pub struct Sent {
    /// Light at each point and frame: `points[point][frame]`.
    pub points: Vec<Vec<PointLight>>,
    /// Whether any lamp rose in a frame.
    pub rose: Vec<bool>,
}

impl Stage {
    fn light(&self, levels: &[f64]) -> Vec<PointLight> {
        let at = |point: usize| {
            let lamps = levels.iter().zip(&self.gains).zip(&self.colours);
            lamps.fold(PointLight::DARK, |sum, ((level, gains), xy)| {
                sum + PointLight::of(level * gains[point], *xy)
            })
        };
        (0..self.full_lux.len()).map(at).collect()
    }

    /// Drives the lamps: `wanted[frame][lamp]` is the level asked for, 0 to 1.
    pub fn run(&self, wanted: &[Vec<f64>]) -> Sent {
        let clock = FrameClock::new(self.rate).expect("10 to 44");
        let mut guard = Flash::new(clock, &self.full_lux);
        let mut last = vec![0.0; self.gains.len()];
        let mut sent = Sent { points: vec![Vec::new(); self.full_lux.len()], rose: Vec::new() };
        for asked in wanted {
            let lowered: Vec<f64> = last.iter().zip(asked).map(|(a, b): (&f64, &f64)| a.min(*b)).collect();
            let passed = guard.pass(&self.light(&lowered), &self.light(asked));
            let share =
                |(low, asked): (&f64, &f64)| self.rounded(asked.min(low + (asked - low) * passed.share));
            let mut now: Vec<f64> = lowered.iter().zip(asked).map(share).collect();
            // As the engine does it: rounding may make another colour than was asked for, and is asked for again.
            if self.steps > 0.0 {
                let lowered: Vec<f64> = last.iter().zip(&now).map(|(a, b): (&f64, &f64)| a.min(*b)).collect();
                if guard.pass(&self.light(&lowered), &self.light(&now)).held.is_some() {
                    now = lowered;
                }
            }
            for (lamp, level) in now.iter().enumerate() {
                assert!(*level <= asked[lamp], "never more than asked");
                assert!(
                    asked[lamp] > last[lamp] || self.steps > 0.0 || *level == asked[lamp],
                    "a lowering passes"
                );
            }
            sent.rose.push(now.iter().zip(&last).any(|(now, last)| now > last));
            let light = self.light(&now);
            guard.sent(&light);
            for (point, light) in sent.points.iter_mut().zip(light) {
                point.push(light);
            }
            last = now;
        }
        sent
    }

    fn rounded(&self, level: f64) -> f64 {
        if self.steps > 0.0 { (level * self.steps).floor() / self.steps } else { level }
    }
}
