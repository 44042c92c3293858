//! What a meter reads at a receptor: the sum of every lamp's light there, as tristimulus values.

use super::colour;
use crate::plan::{Plan, Receptor};
use crate::units::{Duv, Kelvin, Xy};

/// Light of one lamp, wherever it falls.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LampLight {
    /// What its emitters read at 1 m on the axis, in lux, the modifiers' loss not in; 0 is dark.
    pub lux_at_1m: f64,
    /// Its chromaticity.
    pub xy: Xy,
}

/// Light at a receptor.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Reading {
    /// Tristimulus values, Y in lux.
    xyz: [f64; 3],
}

impl Reading {
    /// Of one light. `lux`: 0 or more.
    #[must_use]
    pub fn of(lux: f64, xy: Xy) -> Self {
        let mut one = Self::default();
        one.add(lux, xy);
        one
    }

    /// Both together.
    #[must_use]
    pub fn and(mut self, other: &Self) -> Self {
        for (sum, more) in self.xyz.iter_mut().zip(other.xyz) {
            *sum += more;
        }
        self
    }

    /// So many times this light, 0 or more.
    #[must_use]
    pub fn times(mut self, times: f64) -> Self {
        self.xyz = self.xyz.map(|part| part * times.max(0.0));
        self
    }

    /// What is left without `other`; dark where that is all of it, or more than all of any part of it.
    #[must_use]
    pub fn without(&self, other: &Self) -> Self {
        let xyz = [0, 1, 2].map(|i| self.xyz[i] - other.xyz[i]);
        if xyz.iter().all(|part| *part > 0.0) { Self { xyz } } else { Self::default() }
    }

    /// All that a receptor gets of `lamps` (in the plan's order) and of the plan's daylight.
    ///
    /// Chromaticities add as tristimulus values (CIE 15, 7.3); walls and boards are taken as grey.
    #[must_use]
    pub fn at(plan: &Plan, receptor: &Receptor, lamps: &[LampLight]) -> Self {
        let mut all = Self::daylight(plan, receptor);
        for (sent, lamp) in receptor.lamps.iter().zip(lamps) {
            all.add(sent.total() * lamp.lux_at_1m, lamp.xy);
        }
        all
    }

    /// What daylight alone gives there.
    #[must_use]
    pub fn daylight(plan: &Plan, receptor: &Receptor) -> Self {
        let mut all = Self::default();
        for (window, lux) in plan.daylight.iter().zip(&receptor.daylight) {
            all.add(*lux, colour::xy_of(window.kelvin, Duv::ZERO));
        }
        all
    }

    /// Adds light. `lux`: 0 or more.
    pub fn add(&mut self, lux: f64, xy: Xy) {
        if lux > 0.0 && xy.y > 0.0 {
            let sum = lux / xy.y;
            self.xyz[0] += sum * xy.x;
            self.xyz[1] += lux;
            self.xyz[2] += sum * (1.0 - xy.x - xy.y);
        }
    }

    /// Illuminance in lux.
    #[must_use]
    pub fn lux(&self) -> f64 {
        self.xyz[1]
    }

    /// Chromaticity; `None` in the dark.
    #[must_use]
    pub fn xy(&self) -> Option<Xy> {
        let sum: f64 = self.xyz.iter().sum();
        (self.xyz[1] > 0.0).then(|| Xy { x: self.xyz[0] / sum, y: self.xyz[1] / sum })
    }

    /// Colour temperature and tint; `None` where they have no meaning.
    #[must_use]
    pub fn white(&self) -> Option<(Kelvin, Duv)> {
        self.xy().and_then(colour::kelvin_of)
    }
}
