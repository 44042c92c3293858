//! The lights that a spectrum is compared with: Planckian radiators and CIE daylight.

use super::tables::DAYLIGHT;
use crate::light::planck::C2;
use crate::units::{Kelvin, Xy};

/// A light defined by its temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reference {
    /// Planckian radiator. Source: Planck's law with c2 = 1.4388e-2 m K (CIE 15, 9.5).
    Planckian(Kelvin),
    /// CIE illuminant D of this correlated colour temperature, whose formula is defined from 4000 K; below
    /// that it is merely continued. D65 is 6504 K, not 6500 (c2 was 1.438e-2 m K when it was named).
    /// Source: CIE 15, 3.1.
    Daylight(Kelvin),
    /// Between the two by as much as 4000 to 5000 K is passed, both scaled to equal luminance over the
    /// 2-degree observer. Source: CIE 224:2017; formula as in colour-science 0.4.7, text not seen.
    Blend(Kelvin),
}

impl Reference {
    /// The reference of Ra: Planckian below 5000 K, daylight from there. Source: CIE 13.3-1995, 5.2.
    pub(super) fn of_ra(kelvin: Kelvin) -> Self {
        if kelvin.get() < 5000.0 { Self::Planckian(kelvin) } else { Self::Daylight(kelvin) }
    }

    /// The reference of Rf and Rg. Source: CIE 224:2017 and ANSI/IES TM-30-18.
    pub(super) fn of_rf(kelvin: Kelvin) -> Self {
        match kelvin.get() {
            k if k <= 4000.0 => Self::Planckian(kelvin),
            k if k < 5000.0 => Self::Blend(kelvin),
            _ => Self::Daylight(kelvin),
        }
    }

    /// The reference of SSI: Planckian below 4000 K, daylight from there. Source: SMPTE ST 2122; the
    /// 4000 K from memory.
    pub(super) fn of_ssi(kelvin: Kelvin) -> Self {
        if kelvin.get() < 4000.0 { Self::Planckian(kelvin) } else { Self::Daylight(kelvin) }
    }

    /// Relative power at each of `wavelengths_nm`, in any scale.
    pub(super) fn power(self, wavelengths_nm: &[f64]) -> Vec<f64> {
        match self {
            Self::Planckian(kelvin) => wavelengths_nm.iter().map(|nm| planckian(kelvin, *nm)).collect(),
            Self::Daylight(kelvin) => {
                let [m1, m2] = daylight_weights(kelvin);
                let at = |nm: &f64| {
                    let [s0, s1, s2] = DAYLIGHT.at(*nm);
                    s0 + m1 * s1 + m2 * s2
                };
                wavelengths_nm.iter().map(at).collect()
            }
            Self::Blend(kelvin) => {
                let share = (kelvin.get() - 4000.0) / 1000.0;
                let [warm, cold] = [Self::Planckian(kelvin), Self::Daylight(kelvin)].map(|reference| {
                    let power = reference.power(wavelengths_nm);
                    let luminous = super::tristimulus_1931(wavelengths_nm, &power)[1];
                    power.into_iter().map(|p| p / luminous).collect::<Vec<f64>>()
                });
                warm.iter().zip(cold).map(|(w, c)| w + (c - w) * share).collect()
            }
        }
    }
}

/// Planck's law, relative; 560 nm keeps the fifth power near 1.
fn planckian(kelvin: Kelvin, nm: f64) -> f64 {
    (560.0 / nm).powi(5) / (C2 / (nm * 1e-9 * kelvin.get())).exp_m1()
}

/// Chromaticity of daylight. Source: CIE 15, 3.1 (4000 to 25 000 K).
fn daylight_xy(kelvin: Kelvin) -> Xy {
    let k = kelvin.get();
    let [cubed, squared, once, constant] = if k <= 7000.0 {
        [-4.6070e9, 2.9678e6, 0.099_11e3, 0.244_063]
    } else {
        [-2.0064e9, 1.9018e6, 0.247_48e3, 0.237_040]
    };
    let x = ((cubed / k + squared) / k + once) / k + constant;
    Xy { x, y: -3.0 * x * x + 2.870 * x - 0.275 }
}

/// Weights of S1 and S2. Source: CIE 15, 3.1; not rounded to three places, so that the figures have no
/// steps over temperature.
fn daylight_weights(kelvin: Kelvin) -> [f64; 2] {
    let Xy { x, y } = daylight_xy(kelvin);
    let m = 0.0241 + 0.2562 * x - 0.7341 * y;
    [(-1.3515 - 1.7703 * x + 5.9114 * y) / m, (0.0300 - 31.4424 * x + 30.0717 * y) / m]
}
