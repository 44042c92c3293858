//! Beam files (IES LM-63) that profiles name by `ies`: which there are, and their texts once read.

use std::sync::Arc;

use toml::de::DeTable;

use super::problem::Place;
use super::sources::Text;

/// A measured beam as its file has it; `light::ies` reads the text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BeamFile {
    /// The path as the profile writes it, from the folder of the profile's own file.
    pub path: String,
    /// Index in [`super::Sources::texts`] of the text that names it.
    pub named_in: usize,
    /// The file's text.
    pub text: Arc<str>,
}

/// A beam file that a text names, before anything of it is read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct NamedBeam {
    /// The path as written.
    pub path: String,
    /// Where it is named.
    pub place: Place,
}

/// Every beam file that profiles of these texts name. What is not TOML, or no text, counts as not named:
/// reading the plan reports it.
pub(super) fn named(texts: &[Text]) -> Vec<NamedBeam> {
    let mut all = Vec::new();
    for (index, text) in texts.iter().enumerate() {
        let (tree, _) = DeTable::parse_recoverable(&text.text);
        let Some(profiles) = tree.get_ref().get("profile").and_then(|p| p.get_ref().as_table()) else {
            continue;
        };
        for profile in profiles.values() {
            let named = profile.get_ref().as_table().and_then(|p| p.get("ies"));
            let Some((path, span)) = named.and_then(|v| Some((v.get_ref().as_str()?, v.span()))) else {
                continue;
            };
            let place = Place { text: index, start: span.start, end: span.end };
            all.push(NamedBeam { path: path.to_owned(), place });
        }
    }
    all
}
