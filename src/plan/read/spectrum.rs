//! An emitter's spectrum: which file it is in, and the lines of that file.

use std::sync::Arc;

use super::Cx;
use crate::plan::SpectralPower;
use crate::plan::problem::{Kind, Place, Problem};
use crate::plan::sources::Text;
use crate::plan::tree::Field;
use crate::units::Xy;
use crate::words::short;

/// What a line must look like.
const LINE: &str = "write one wavelength in nm and its power a line, as in `455,0.83`";

/// The spectrum that a key `spectrum` names, with its chromaticity; `None` if a problem is reported.
pub(super) fn spectrum(cx: &Cx<'_>, field: &Field<'_>) -> Option<(Arc<SpectralPower>, Xy)> {
    let path = field.text("red.csv")?;
    let named_in = &cx.texts.get(field.place().text)?.name;
    let found = cx.spectra.iter().position(|s| s.path == path && s.named_in == *named_in);
    let Some(found) = found else {
        // Files are looked for in plans, kits and files of profiles; a text without a file has none beside it.
        let said = format!("the spectrum \"{}\" of {} was not read", short(path), field.owner());
        field.wrong(Kind::NoFile, said, "name a file beside the one that names it");
        return None;
    };
    // The spectra come last among the texts.
    let text = cx.texts.len().checked_sub(cx.spectra.len())? + found;
    let rows = rows(cx, text, &cx.spectra[found].text)?;
    let wavelength_nm: Vec<f64> = rows.iter().map(|r| r.nm).collect();
    let power: Vec<f64> = rows.iter().map(|r| r.power).collect();
    match (cx.colour.spectrum)(&wavelength_nm, &power) {
        Ok(xy) => {
            let file = cx.spectra[found].text.name.clone();
            Some((Arc::new(SpectralPower { file, wavelength_nm, power }), xy))
        }
        Err(wrong) => {
            let place = wrong.row.and_then(|row| rows.get(row)).map(|row| row.place);
            let whole = Place { text, start: 0, end: 0 };
            let help =
                "a spectrum has steps of 1 to 10 nm over 400 to 700 nm or more, and no power below zero";
            cx.sink.report(
                Problem::at(Kind::Spectrum, place.unwrap_or(whole), wrong.said)
                    .label("here")
                    .also(field.place(), "named here")
                    .help(help),
            );
            None
        }
    }
}

/// One line of a file.
struct Row {
    nm: f64,
    power: f64,
    place: Place,
}

/// The lines `wavelength,power` of a text. Empty lines and lines that begin with `#` count for nothing, and
/// the first of the others may name the columns. `None` if a line is no such pair: all such are reported.
fn rows(cx: &Cx<'_>, text: usize, file: &Text) -> Option<Vec<Row>> {
    let mut rows = Vec::new();
    let (mut start, mut good, mut may_name) = (0, true, true);
    for line in file.text.split_inclusive('\n') {
        let place = |part: &str| {
            let from = start + line.find(part).unwrap_or(0);
            Place { text, start: from, end: from + part.len() }
        };
        let content = line.trim().trim_start_matches('\u{feff}').trim();
        let here = place(content);
        start += line.len();
        if content.is_empty() || content.starts_with('#') {
            continue;
        }
        let cells: Vec<&str> = content.split(',').map(str::trim).collect();
        let names = may_name && cells.iter().all(|c| c.starts_with(|c: char| c.is_alphabetic()));
        may_name = false;
        if names {
            continue;
        }
        let number = |cell: &str| cell.parse::<f64>().ok().filter(|n| n.is_finite());
        match cells.as_slice() {
            [nm, power] if number(nm).is_some() && number(power).is_some() => {
                let (nm, power) = (number(nm).unwrap_or_default(), number(power).unwrap_or_default());
                rows.push(Row { nm, power, place: here });
            }
            _ => {
                good = false;
                let said = format!("this line of a spectrum is no pair of numbers: `{}`", short(content));
                cx.sink.report(Problem::at(Kind::Spectrum, here, said).label("here").help(LINE));
            }
        }
    }
    good.then_some(rows)
}
