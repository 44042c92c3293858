//! Lamps and eyes as `check` tells it: who sits nearer than a lamp allows, and what nobody should stare into.

use std::fmt::Write;

use serde::Serialize;

use crate::plan::{Fixture, Metres, Plan, RiskGroup};

/// What the lamps of a plan may do to eyes, as far as somebody stated it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EyeFindings {
    /// Lamps that stand nearer to a face than they may.
    pub too_near: Vec<TooNear>,
    /// Lamps of risk group RG2 and over, with what to tell people.
    pub cautions: Vec<(String, &'static str, &'static str)>,
    /// Lamps whose risk group nobody stated: do not stare.
    pub unknown: Vec<String>,
    /// Lamps behind a modifier: without it the source is brighter.
    pub brighter_bare: Vec<String>,
}

/// One lamp too near to one face.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TooNear {
    /// The lamp.
    pub lamp: String,
    /// Whose face.
    pub subject: String,
    /// Metres from the middle of its lit front to the face.
    pub distance_m: f64,
    /// The least that it may be.
    pub least_m: f64,
}

/// Looks through every lamp that is here.
pub(super) fn findings(plan: &Plan) -> EyeFindings {
    let here = || plan.fixtures.iter().filter(|f| f.absent.is_none());
    let mut too_near = Vec::new();
    for fixture in here() {
        let Some(least_m) = fixture.eyes.least_distance_m else { continue };
        for subject in &plan.subjects {
            let distance_m = apart(fixture.place.position, subject.position);
            if distance_m < least_m {
                too_near.push(TooNear {
                    lamp: fixture.id.clone(),
                    subject: subject.id.clone(),
                    distance_m,
                    least_m,
                });
            }
        }
    }
    let caution = |f: &Fixture| {
        let group = f.eyes.risk_group?;
        Some((f.id.clone(), group.word(), group.caution()?))
    };
    let bright = |f: &&Fixture| f.eyes.risk_group.is_none_or(|g| g > RiskGroup::Exempt);
    EyeFindings {
        too_near,
        cautions: here().filter_map(caution).collect(),
        unknown: here().filter(|f| f.eyes.risk_group.is_none()).map(|f| f.id.clone()).collect(),
        brighter_bare: here()
            .filter(bright)
            .filter(|f| !f.modifiers.is_empty())
            .map(|f| f.id.clone())
            .collect(),
    }
}

fn apart(a: Metres, b: Metres) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a - b).powi(2)).sum::<f64>().sqrt()
}

/// For people.
pub(super) fn text(eyes: &EyeFindings) -> String {
    let mut text = String::new();
    for near in &eyes.too_near {
        let _ = writeln!(
            text,
            "! {} is {:.2} m from the face of {}, nearer than its least distance of {:.2} m: move it back, or dim it and \
             ask its maker",
            near.lamp, near.distance_m, near.subject, near.least_m
        );
    }
    for (lamp, group, caution) in &eyes.cautions {
        let _ = writeln!(text, "eyes: {lamp} is {group}: {caution}");
    }
    if !eyes.unknown.is_empty() {
        let _ = writeln!(text, "eyes: risk group unknown, do not stare into {}", eyes.unknown.join(", "));
    }
    if !eyes.brighter_bare.is_empty() {
        let _ = writeln!(
            text,
            "eyes: without its diffuser or softbox a lamp's source is brighter: {}",
            eyes.brighter_bare.join(", ")
        );
    }
    text
}
