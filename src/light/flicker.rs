//! Light in time: how much of a lamp's modulation an exposure catches, and when it is a risk to people.
//!
//! Plain formulas with their sources. Which shutters a plan should use is not decided here.

use std::f64::consts::PI;

/// How a lamp's light swings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Waveform {
    /// 1 + m sin(2 pi f t), with m the modulation, 0 to 1.
    Sine {
        /// m.
        modulation: f64,
    },
    /// Full for a share of each period, else dark: pulse-width modulation.
    Pulse {
        /// The lit share of a period, above 0, at most 1.
        duty: f64,
    },
}

/// How much exposures differ with the moment at which they start.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ripple {
    /// (most - least) / (most + least), 0 to 1.
    pub ratio: f64,
    /// log2(most / least); `None` when some exposures get no light.
    pub stops: Option<f64>,
}

/// Least over most exposure under which the least counts as none at all; rounding lies far below it.
const NO_LIGHT: f64 = 1e-12;

/// Exposure ripple over all starting phases.
///
/// `frequency_hz` and `exposure_s` above 0. Source: closed form of the integral of the waveform over the
/// exposure.
#[must_use]
pub fn ripple(waveform: Waveform, frequency_hz: f64, exposure_s: f64) -> Ripple {
    let periods = frequency_hz * exposure_s;
    let (most, least) = match waveform {
        Waveform::Sine { modulation } => {
            let swing = modulation * ((PI * periods).sin() / (PI * periods)).abs();
            (1.0 + swing, 1.0 - swing)
        }
        Waveform::Pulse { duty } => {
            let rest = periods.fract();
            let whole = periods.trunc() * duty;
            (whole + rest.min(duty), whole + (rest + duty - 1.0).max(0.0))
        }
    };
    let stops = (least > NO_LIGHT * most).then(|| (most / least).log2());
    Ripple { ratio: (most - least) / (most + least), stops }
}

/// What IEEE 1789-2015 says of a modulation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Risk {
    /// Most modulation of low risk, in percent; `None`: any.
    pub low_risk_percent: Option<f64>,
    /// Most modulation without observable effect, in percent; `None`: any.
    pub no_effect_percent: Option<f64>,
    /// Where the modulation lies.
    pub region: Region,
}

/// Regions of IEEE 1789-2015.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Region {
    /// At or under the limit of no observable effect.
    NoObservableEffect,
    /// Above that, at or under the limit of low risk.
    LowRisk,
    /// Above both.
    AboveLowRisk,
}

impl Region {
    /// Its stable name in JSON.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::NoObservableEffect => "no-observable-effect",
            Self::LowRisk => "low-risk",
            Self::AboveLowRisk => "above-low-risk",
        }
    }
}

/// Risk of a modulation to people.
///
/// `frequency_hz` above 0; `modulation_percent` 100 (max - min) / (max + min), 0 to 100.
/// Source: IEEE 1789-2015, 8.1.1, figures from memory and one public implementation, the standard's
/// text not seen; where some write 1/30 this takes 0.0333.
#[must_use]
pub fn risk(frequency_hz: f64, modulation_percent: f64) -> Risk {
    let (low, none) = if frequency_hz < 90.0 { (0.025, 0.01) } else { (0.08, 0.0333) };
    let low_risk_percent = (frequency_hz <= 1250.0).then_some(low * frequency_hz);
    let no_effect_percent = (frequency_hz <= 3000.0).then_some(none * frequency_hz);
    let within = |limit: Option<f64>| limit.is_none_or(|most| modulation_percent <= most);
    let region = if within(no_effect_percent) {
        Region::NoObservableEffect
    } else if within(low_risk_percent) {
        Region::LowRisk
    } else {
        Region::AboveLowRisk
    };
    Risk { low_risk_percent, no_effect_percent, region }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: arithmetic: an exposure of whole periods always catches the same light.
    #[test]
    fn whole_periods_have_no_ripple() {
        for waveform in [Waveform::Sine { modulation: 1.0 }, Waveform::Pulse { duty: 0.3 }] {
            let found = ripple(waveform, 100.0, 0.02);
            assert!(found.ratio < 1e-12 && found.stops.unwrap() < 1e-11, "{waveform:?}");
        }
    }

    #[test]
    fn an_exposure_that_can_fall_in_the_dark_has_no_bound_in_stops() {
        assert_eq!(ripple(Waveform::Pulse { duty: 0.2 }, 100.0, 0.005), Ripple { ratio: 1.0, stops: None });
    }
}
