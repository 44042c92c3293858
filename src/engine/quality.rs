//! The quality of the light that a look gets, where its lamps' spectra are known: each lamp's colour
//! figures, and pairs that match by eye but not by spectrum.
//!
//! Two lights of one chromaticity look alike on a grey card and may still show skin and cloth
//! differently, because they differ by wavelength. How much is told by the 99 samples of CIE 224 seen under both:
//! see [`Spectrum::differs_from`].

use super::assess::Assessment;
use crate::light::spectrum::Spectrum;
use crate::light::{colour, spectra};
use crate::plan::{Fixture, Plan};
use crate::units::Xy;

/// Lamps whose whites are nearer than this in mired and in Duv count as matched by eye. Judgement, as for
/// warnings of a colour missed: practice of the trade.
const MATCHED_MIRED: f64 = 10.0;
/// The same in Duv.
const MATCHED_DUV: f64 = 0.003;
/// Mean difference of the samples in CAM02-UCS over which two matched lamps are told of. Judgement: about 2
/// is what is seen side by side without looking for it; 2 from its reference is an Rf of 87.
pub const SEEN_APART: f64 = 2.0;

/// Colour figures of one lamp's light; `None` each where it has no meaning.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figures {
    /// CIE 13.3 Ra.
    pub ra: Option<f64>,
    /// CIE 224 Rf.
    pub rf: Option<f64>,
    /// ANSI/IES TM-30 Rg.
    pub rg: Option<f64>,
    /// SMPTE ST 2122 SSI against the reference of its own colour temperature.
    pub ssi: Option<f64>,
}

/// The spectrum of the light that a lamp is sent; `None` where it is dark or the spectrum of an emitter that
/// takes part is not known (also behind a gel that shifts colour).
#[must_use]
pub fn spectrum(fixture: &Fixture, found: &Assessment) -> Option<Spectrum> {
    let known = spectra(&fixture.emitters)?;
    let drives = found.drives(fixture);
    let parts: Vec<(&Spectrum, f64)> =
        known.iter().zip(drives).map(|((spectrum, lux), drive)| (spectrum, lux * drive)).collect();
    Spectrum::sum(&parts)
}

/// The figures of a light.
#[must_use]
pub fn figures(spectrum: &Spectrum) -> Figures {
    let fidelity = spectrum.fidelity();
    Figures {
        ra: spectrum.ra(),
        rf: fidelity.map(|f| f.rf),
        rg: fidelity.and_then(|f| f.rg),
        ssi: spectrum.ssi(),
    }
}

/// Pairs of a look's lamps whose chromaticities match while their spectra show colours differently, in words.
#[must_use]
pub fn metamers(plan: &Plan, lamps: &[Assessment]) -> Vec<String> {
    let lit: Vec<(&str, Spectrum)> = lamps
        .iter()
        .filter(|found| found.sent_lux > 0.0)
        .filter_map(|found| {
            let fixture = plan.fixture(found.fixture);
            Some((fixture.id.as_str(), spectrum(fixture, found)?))
        })
        .collect();
    let mut said = Vec::new();
    for (i, (a, first)) in lit.iter().enumerate() {
        for (b, second) in &lit[i + 1..] {
            let apart = first.differs_from(second);
            if matched(first.xy(), second.xy()) && apart >= SEEN_APART {
                said.push(format!(
                    "{a} and {b} match by eye but not by spectrum: colours differ by {apart:.1} on average \
                     (CAM02-UCS, 99 samples; over {SEEN_APART:.0} is seen side by side)"
                ));
            }
        }
    }
    said
}

fn matched(a: Xy, b: Xy) -> bool {
    match (colour::kelvin_of(a), colour::kelvin_of(b)) {
        (Some((ka, da)), Some((kb, db))) => {
            (ka.mired().get() - kb.mired().get()).abs() <= MATCHED_MIRED
                && (da.get() - db.get()).abs() <= MATCHED_DUV
        }
        _ => false,
    }
}
