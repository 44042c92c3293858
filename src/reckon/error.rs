//! What keeps a request from being worked out.

use serde_json::{Value, json};

use super::kinds;
use crate::light::ies::IesError;
use crate::light::spectrum::SpectrumError;
use crate::light::spectrum::csv::CsvError;
use crate::words;

/// Why a request has no answer.
#[derive(Debug, thiserror::Error)]
pub enum ReckonError {
    /// The line is longer than [`super::LONGEST_LINE`].
    #[error("the line is longer than {} bytes", super::LONGEST_LINE)]
    TooLong,
    /// The line is not JSON.
    #[error("the line is not JSON: {0}")]
    NotJson(#[source] serde_json::Error),
    /// The line is JSON, but no object.
    #[error("the line is no JSON object")]
    NotAnObject,
    /// There is no `kind`, or it is no text.
    #[error("the request has no `kind`")]
    NoKind,
    /// A kind that does not exist.
    #[error("there is no kind `{}`", words::short(.0))]
    UnknownKind(String),
    /// Something that the contract has and this version has not.
    #[error("{0} is not in this version")]
    NotInThisVersion(&'static str),
    /// A field is missing, unknown or of the wrong type.
    #[error("{}", in_one_line(.0))]
    Fields(#[source] serde_json::Error),
    /// Fields that do not go together.
    #[error("{0}")]
    Together(&'static str),
    /// Wavelengths and powers that are no spectrum.
    #[error("no spectrum: {0}")]
    Spectrum(#[source] SpectrumError),
    /// A file that a request names cannot be had: why.
    #[error("{0}")]
    File(String),
    /// A file that is no LM-63 file.
    #[error("{}, {error}", words::short(.file))]
    Photometry {
        /// As written in the request.
        file: String,
        /// What is wrong with it.
        error: IesError,
    },
    /// A file that holds no columns of wavelength and power.
    #[error("{}, {error}", words::short(.file))]
    Csv {
        /// As it was named.
        file: String,
        /// What is wrong with it.
        error: CsvError,
    },
    /// A number outside of what its field allows.
    #[error("`{field}` {} is not {allowed}", plain(*.found))]
    OutOfRange {
        /// The field, as written in the request.
        field: &'static str,
        /// What was given.
        found: f64,
        /// What is allowed, with its unit.
        allowed: &'static str,
    },
    /// The result is not a number that JSON can hold.
    #[error("`{0}` comes out beyond what a number can hold")]
    NoNumber(&'static str),
}

impl ReckonError {
    /// Stable name of the error.
    #[must_use]
    pub const fn kind(&self) -> &'static str {
        match self {
            Self::TooLong => "too-long",
            Self::NotJson(_) => "not-json",
            Self::NotAnObject => "not-an-object",
            Self::NoKind => "no-kind",
            Self::UnknownKind(_) => "unknown-kind",
            Self::NotInThisVersion(_) => "not-in-this-version",
            Self::Fields(_) | Self::Together(_) | Self::Spectrum(_) => "wrong-fields",
            Self::File(_) => "no-file",
            Self::Photometry { .. } | Self::Csv { .. } => "wrong-file",
            Self::OutOfRange { .. } => "out-of-range",
            Self::NoNumber(_) => "no-number",
        }
    }

    /// One next step.
    #[must_use]
    pub fn hint(&self) -> String {
        let kinds = || format!("kinds are {}", kinds::NAMES.join(", "));
        match self {
            Self::TooLong => String::from("split the request"),
            Self::NotJson(_) | Self::NotAnObject => {
                String::from(r#"one object a line, such as {"kind":"ratio","key_lux":500,"fill_lux":250}"#)
            }
            Self::NoKind | Self::NotInThisVersion(_) => kinds(),
            Self::UnknownKind(found) => match words::nearest(found, kinds::NAMES.iter().copied()) {
                Some(name) => format!("did you mean `{name}`? {}", kinds()),
                None => kinds(),
            },
            Self::Fields(_) | Self::Together(_) => String::from("docs/interface.md part 7 lists the fields"),
            Self::Spectrum(_) => String::from(
                "give `wavelength_nm` rising in steps of 1 to 10 nm over 400 to 700 nm or more, with a `power` for each",
            ),
            Self::File(_) => String::from("check the name and the folder"),
            Self::Photometry { error, .. } => error.hint(),
            Self::Csv { .. } => {
                String::from("save it as CSV with a line such as 380,0.012 for each wavelength")
            }
            Self::OutOfRange { field, allowed, .. } => format!("give `{field}` {allowed}"),
            Self::NoNumber(_) => String::from("give values nearer to those of a real set"),
        }
    }

    /// The error as an answer: `{"error":{"kind","said","hint"}}`.
    #[must_use]
    pub fn to_json(&self) -> Value {
        json!({ "error": { "kind": self.kind(), "said": self.to_string(), "hint": self.hint() } })
    }
}

/// The reader's own words, with nothing in them that could steer a terminal.
fn in_one_line(error: &serde_json::Error) -> String {
    error.to_string().chars().take(400).map(|c| if c.is_control() { '·' } else { c }).collect()
}

/// A number as a person would write it: no 300 digits for 1e300.
fn plain(number: f64) -> String {
    let size = number.abs();
    if size == 0.0 || (1e-6..1e15).contains(&size) { number.to_string() } else { format!("{number:e}") }
}
