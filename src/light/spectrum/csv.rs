//! A spectrum from CSV text, as instruments save it.

use super::MOST_WAVELENGTHS;
use crate::words;

/// Wavelengths in nanometres and a power for each.
pub type Columns = (Vec<f64>, Vec<f64>);

/// Why a text holds no columns of wavelength and power.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum CsvError {
    /// A line that is not two numbers.
    #[error("line {line}: `{}` is not a wavelength in nm and a power with a comma between", words::short(.found))]
    Line {
        /// From 1.
        line: usize,
        /// What stands there.
        found: String,
    },
    /// More lines than [`MOST_WAVELENGTHS`].
    #[error("more than {MOST_WAVELENGTHS} wavelengths; at most that many are read")]
    TooMany,
}

/// Reads lines of `wavelength,power`.
///
/// Between the two a comma, semicolon or tab. Empty lines and lines that begin with `#` are passed over, and
/// so is a first line of column names. Whether the numbers make a spectrum is checked by
/// [`super::Spectrum::new`]. Errors: [`CsvError`], with the line.
pub fn columns(text: &str) -> Result<Columns, CsvError> {
    let (mut wavelength_nm, mut power) = (Vec::new(), Vec::new());
    let mut named = false;
    for (at, line) in text.trim_start_matches('\u{feff}').lines().enumerate() {
        let line = line.trim();
        if line.is_empty() || line.starts_with('#') {
            continue;
        }
        let mut cells = line
            .split([',', ';', '\t'])
            .map(|cell| cell.trim().parse::<f64>().ok().filter(|n| n.is_finite()));
        match (cells.next(), cells.next(), cells.next()) {
            (Some(Some(nm)), Some(Some(value)), None) => {
                wavelength_nm.push(nm);
                power.push(value);
            }
            (Some(None), Some(None), None) if !named && wavelength_nm.is_empty() => named = true,
            _ => return Err(CsvError::Line { line: at + 1, found: String::from(line) }),
        }
        if wavelength_nm.len() > MOST_WAVELENGTHS {
            return Err(CsvError::TooMany);
        }
    }
    Ok((wavelength_nm, power))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn comments_names_blank_lines_and_any_usual_separator_are_read() {
        let text =
            "\u{feff}# measured at the quay\r\n\r\nwavelength_nm,power\r\n400, 1\n405;2.5\n410\t3e-1\n";
        assert_eq!(columns(text), Ok((vec![400.0, 405.0, 410.0], vec![1.0, 2.5, 0.3])));
    }

    #[test]
    fn a_line_that_is_no_pair_is_named() {
        for (text, line) in [
            ("400,1\n405\n", 2),
            ("400,1\nnm,power\n", 2),
            ("a,b\nc,d\n", 2),
            ("400,1,2", 1),
            ("4O0,1", 1),
            ("400,1\n405,nan", 2),
        ] {
            match columns(text).unwrap_err() {
                CsvError::Line { line: at, .. } => assert_eq!(at, line, "{text}"),
                other => panic!("{text}: {other}"),
            }
        }
        assert_eq!(columns(&"400,1\n".repeat(2001)), Err(CsvError::TooMany));
    }

    proptest! {
        #[test]
        fn any_text_is_columns_or_an_error(text in "(?s).{0,80}") {
            if let Ok((nm, power)) = columns(&text) {
                prop_assert_eq!(nm.len(), power.len());
            }
        }
    }
}
