//! The texts that a plan is made of, as data: reading them is `load`'s work.

use std::path::PathBuf;

use serde::{Deserialize, Serialize};
use toml::de::DeTable;

use super::beams::BeamFile;
use super::problem::Place;
use crate::units::{Duv, Kelvin, Xy};

/// A text with the name that messages give it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Text {
    /// Name for messages: the file's path as the user wrote it, or a name of ours.
    pub name: String,
    /// The TOML.
    pub text: String,
}

impl Text {
    /// A text under a name.
    #[must_use]
    pub fn new(name: impl Into<String>, text: impl Into<String>) -> Self {
        Self { name: name.into(), text: text.into() }
    }
}

/// What a text is to its plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TextRole {
    /// The plan itself.
    Plan,
    /// The bodies one owns.
    Kit,
    /// A look kept on set.
    Look,
    /// Fixture profiles.
    Profile,
    /// A body's calibration.
    Calibration,
    /// A spectrum.
    Spectrum,
    /// A beam file.
    Beam,
}

impl TextRole {
    /// The word for it in the log.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Plan => "plan",
            Self::Kit => "kit",
            Self::Look => "look",
            Self::Profile => "profile",
            Self::Calibration => "calibration",
            Self::Spectrum => "spectrum",
            Self::Beam => "beam",
        }
    }
}

/// One of the texts that a plan was read from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlanText {
    /// What it is.
    pub role: TextRole,
    /// Its file, as messages name it.
    pub name: String,
    /// The text itself.
    pub text: String,
}

/// The colour science that reading a plan needs, handed in because `plan` computes no light.
#[derive(Debug, Clone, Copy)]
pub struct ColourScience {
    /// Chromaticity of a colour temperature and tint.
    pub xy: fn(Kelvin, Duv) -> Xy,
    /// Colour temperature and tint of a chromaticity; `None` where they have no meaning.
    pub kelvin: fn(Xy) -> Option<(Kelvin, Duv)>,
    /// True for a chromaticity that some light can have: inside the spectral locus and the purple line.
    pub real: fn(Xy) -> bool,
    /// Chromaticity of a spectrum: wavelengths in nm and the power at each.
    pub spectrum: fn(&[f64], &[f64]) -> Result<Xy, WrongSpectrum>,
}

/// Why numbers are no spectrum.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WrongSpectrum {
    /// The pair of numbers that it is about, counted from 0; `None`: the whole.
    pub row: Option<usize>,
    /// What was found and what is allowed.
    pub said: String,
}

/// A spectrum's file, as a text of the plan names it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SpectrumFile {
    /// Name of the text that names it.
    pub named_in: String,
    /// The path as written there.
    pub path: String,
    /// The file: lines `wavelength_nm,power`.
    pub text: Text,
}

/// Everything that a plan is read from.
#[derive(Debug, Clone)]
pub struct Sources {
    /// The plan.
    pub plan: Text,
    /// Where it was read from; `None` for the built-in demo.
    pub path: Option<PathBuf>,
    /// The set's name where the plan states none: the file's stem.
    pub stem: String,
    /// The bodies one owns.
    pub kit: Option<Text>,
    /// Fixture profiles; a later one replaces an earlier one of the same name.
    pub profiles: Vec<Text>,
    /// Looks kept on set; each replaces the plan's look of the same name.
    pub looks: Vec<Text>,
    /// Beam files that the profiles name, read and found to be good.
    pub beams: Vec<BeamFile>,
    /// Calibrations of the kit's bodies.
    pub calibrations: Vec<Text>,
    /// The folder that calibrations are in, whether or not it is there; `None` without a kit.
    pub calibrations_in: Option<PathBuf>,
    /// Spectra that profiles name.
    pub spectra: Vec<SpectrumFile>,
    /// Colour science.
    pub colour: ColourScience,
}

impl Sources {
    /// All texts, the plan first, the spectra last; [`super::Place::text`] counts in this order.
    #[must_use]
    pub fn texts(&self) -> Vec<Text> {
        let mut texts = self.tables();
        texts.extend(self.spectra.iter().map(|s| s.text.clone()));
        texts
    }

    /// The texts that are TOML, in the same order.
    pub(super) fn tables(&self) -> Vec<Text> {
        let kit = self.kit.iter();
        let rest = self.looks.iter().chain(&self.profiles).chain(&self.calibrations);
        std::iter::once(&self.plan).chain(kit).chain(rest).cloned().collect()
    }

    /// Every text with what it is, the plan first: what a log keeps, so that a plan can be told from its hash.
    #[must_use]
    pub fn plan_texts(&self) -> Vec<PlanText> {
        let of =
            |role: TextRole| move |t: &Text| PlanText { role, name: t.name.clone(), text: t.text.clone() };
        let plan = std::iter::once(&self.plan).map(of(TextRole::Plan));
        let tables = plan
            .chain(self.kit.iter().map(of(TextRole::Kit)))
            .chain(self.looks.iter().map(of(TextRole::Look)))
            .chain(self.profiles.iter().map(of(TextRole::Profile)))
            .chain(self.calibrations.iter().map(of(TextRole::Calibration)));
        let spectra = self.spectra.iter().map(|s| of(TextRole::Spectrum)(&s.text));
        let beam = |b: &BeamFile| PlanText {
            role: TextRole::Beam,
            name: b.path.clone(),
            text: b.text.as_ref().to_owned(),
        };
        tables.chain(spectra).chain(self.beams.iter().map(beam)).collect()
    }

    /// 16 hex digits that change with any byte of any text, to tell plans apart.
    ///
    /// FNV-1a, 64 bits, over each text and a closing byte that UTF-8 never has. Not for secrets.
    /// Source: IETF draft-eastlake-fnv, offset basis and prime for 64 bits.
    #[must_use]
    pub fn hash(&self) -> String {
        let mut hash = 0xcbf2_9ce4_8422_2325_u64;
        let texts = self.texts();
        let all = texts.iter().map(|t| &*t.text).chain(self.beams.iter().map(|b| &*b.text));
        for text in all {
            for byte in text.bytes().chain([0xff]) {
                hash = (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3);
            }
        }
        format!("{hash:016x}")
    }
}

/// A file or folder that the plan names, relative to the plan's own folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Named {
    /// As written.
    pub path: String,
    /// Where.
    pub place: Place,
}

/// Files that a plan names.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct NamedFiles {
    /// `kit`.
    pub kit: Option<Named>,
    /// `profiles`.
    pub profiles: Option<Named>,
}

/// Looks up what files a plan names, before the plan itself is read. What is not TOML, or no text,
/// counts as not named: reading the plan reports it.
pub(super) fn named_files(plan: &Text) -> NamedFiles {
    let (tree, _) = DeTable::parse_recoverable(&plan.text);
    let named = |key: &str| {
        let value = tree.get_ref().get(key)?;
        let span = value.span();
        let path = value.get_ref().as_str()?.to_owned();
        Some(Named { path, place: Place { text: 0, start: span.start, end: span.end } })
    };
    NamedFiles { kit: named("kit"), profiles: named("profiles") }
}

/// Looks up what spectra the profiles of a text name, each path once. What is not TOML, or no text,
/// counts as not named: reading the text reports it. `index` is the text's place among all.
pub(super) fn named_spectra(text: &Text, index: usize) -> Vec<Named> {
    let (tree, _) = DeTable::parse_recoverable(&text.text);
    let mut found: Vec<Named> = Vec::new();
    let profiles = tree.get_ref().get("profile").and_then(|p| p.get_ref().as_table());
    for (_, profile) in profiles.into_iter().flatten() {
        let emitters = profile.get_ref().get("emitter").and_then(|e| e.get_ref().as_table());
        for (_, emitter) in emitters.into_iter().flatten() {
            let Some(value) = emitter.get_ref().get("spectrum") else { continue };
            let Some(path) = value.get_ref().as_str() else { continue };
            if found.iter().all(|known| known.path != path) {
                let span = value.span();
                let place = Place { text: index, start: span.start, end: span.end };
                found.push(Named { path: path.to_owned(), place });
            }
        }
    }
    found
}
