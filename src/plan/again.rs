//! A plan's sources again from the texts that a log keeps by their hash, when the plan's own files are gone or changed.

use std::path::Path;
use std::sync::Arc;

use super::beams::{self, BeamFile};
use super::sources::{ColourScience, PlanText, Sources, SpectrumFile, Text, TextRole, named_spectra};

impl Sources {
    /// What a plan was read from, by its kept texts. `set`: the set's name, in case that the plan states none.
    ///
    /// [`Sources::hash`] of it is the plan's own hash where nothing is missing. `None`: the plan's own text is not among
    /// them. A spectrum or a beam file that is missing is found when the plan is read.
    #[must_use]
    pub fn again(texts: &[PlanText], set: &str, colour: ColourScience) -> Option<Self> {
        let of = |role: TextRole| -> Vec<Text> {
            let own = texts.iter().filter(|t| t.role == role);
            own.map(|t| Text::new(t.name.clone(), t.text.clone())).collect()
        };
        let mut sources = Self {
            plan: of(TextRole::Plan).into_iter().next()?,
            path: None,
            stem: set.to_owned(),
            kit: of(TextRole::Kit).into_iter().next(),
            profiles: of(TextRole::Profile),
            looks: of(TextRole::Look),
            beams: Vec::new(),
            calibrations: of(TextRole::Calibration),
            calibrations_in: None,
            spectra: Vec::new(),
            colour,
        };
        let tables = sources.tables();
        // Beam files stand in the order in which they are named.
        sources.beams = beams::named(&tables)
            .into_iter()
            .zip(texts.iter().filter(|t| t.role == TextRole::Beam))
            .filter(|(named, kept)| named.path == kept.name)
            .map(|(named, kept)| BeamFile {
                path: named.path,
                named_in: named.place.text,
                text: Arc::from(kept.text.as_str()),
            })
            .collect();
        // Each spectrum has the path of the file that it came from; two texts of one folder may name the same.
        for kept in texts.iter().filter(|t| t.role == TextRole::Spectrum) {
            let found = tables.iter().enumerate().find_map(|(index, table)| {
                let named = named_spectra(table, index).into_iter().find(|named| {
                    let is_this = Path::new(&table.name).with_file_name(&named.path) == Path::new(&kept.name);
                    let known = |s: &SpectrumFile| s.named_in == table.name && s.path == named.path;
                    is_this && !sources.spectra.iter().any(known)
                })?;
                Some((table.name.clone(), named.path))
            });
            let (named_in, path) = found.unwrap_or_default();
            let text = Text::new(kept.name.clone(), kept.text.clone());
            sources.spectra.push(SpectrumFile { named_in, path, text });
        }
        Some(sources)
    }
}
