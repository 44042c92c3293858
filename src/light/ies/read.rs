//! The text of an LM-63 file to its numbers, each checked where it stands.

use super::error::{IesFault, What};
use super::{Form, IesError, LONGEST, MOST_ANGLES, Photometry, Symmetry};

/// Greatest number taken anywhere: far beyond any lamp, and three factors of it stay finite.
const GREATEST: f64 = 1e12;

pub(super) fn read(text: &str) -> Result<Photometry, IesError> {
    let at = |line, fault| IesError { line, fault };
    if text.len() > LONGEST {
        return Err(at(1, IesFault::TooLong(text.len())));
    }
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let form = form(text.split(['\n', '\r']).next().unwrap_or_default()).map_err(|fault| at(1, fault))?;
    let mut lines = text.split_inclusive(['\n', '\r']);
    let (mut line, mut head) = (1, 0);
    let (tilt, tilt_line) = loop {
        let Some(part) = lines.next() else { return Err(at(line, IesFault::NoTilt)) };
        let here = line;
        head += part.len();
        line += usize::from(ends_line(part, &text[head..]));
        if let Some(tilt) = tilt_of(part) {
            break (tilt, here);
        }
    };
    let mut numbers = Numbers { rest: &text[head..], line, comma: true };
    match tilt.to_ascii_uppercase().as_str() {
        "NONE" => {}
        "INCLUDE" => pass_tilt(&mut numbers)?,
        _ => return Err(at(tilt_line, IesFault::Tilt(String::from(tilt)))),
    }
    body(form, &mut numbers)
}

/// The form that the first line names. Anything that is no such name is a label of a file of 1986.
fn form(first: &str) -> Result<Form, IesFault> {
    let name = first.trim().to_ascii_uppercase();
    Ok(match name.as_str() {
        "IESNA86" | "IESNA:LM-63-1986" => Form::Of1986,
        "IESNA91" | "IESNA:LM-63-1991" => Form::Of1991,
        "IESNA95" | "IESNA:LM-63-1995" => Form::Of1995,
        "IESNA:LM-63-2002" => Form::Of2002,
        "IES:LM-63-2019" | "IESNA:LM-63-2019" => Form::Of2019,
        _ if name.starts_with("IES") && name.contains(":LM-63") => {
            return Err(IesFault::Form(String::from(first.trim())));
        }
        _ => Form::Of1986,
    })
}

/// What follows `TILT=`, if this line has it.
fn tilt_of(line: &str) -> Option<&str> {
    let line = line.trim();
    let word = line.get(..4).filter(|word| word.eq_ignore_ascii_case("TILT"))?;
    Some(line[word.len()..].trim_start().strip_prefix('=')?.trim())
}

/// True if `part` ends a line: CR LF is one end.
fn ends_line(part: &str, rest: &str) -> bool {
    part.ends_with('\n') || (part.ends_with('\r') && !rest.starts_with('\n'))
}

/// The numbers of a text one after the other, in free form.
struct Numbers<'a> {
    rest: &'a str,
    /// Where `rest` begins.
    line: usize,
    /// True where a comma would have nothing before it.
    comma: bool,
}

impl<'a> Numbers<'a> {
    /// The next word.
    fn word(&mut self) -> Result<Option<&'a str>, IesError> {
        let bytes = self.rest.as_bytes();
        let mut at = 0;
        while let Some(byte) = bytes.get(at) {
            match byte {
                b'\n' => self.line += 1,
                b'\r' => self.line += usize::from(bytes.get(at + 1) != Some(&b'\n')),
                b' ' | b'\t' | b'\x0b' | b'\x0c' => {}
                // The end mark of old systems.
                b'\x1a' => return Ok(None),
                b',' if self.comma => return Err(IesError { line: self.line, fault: IesFault::Commas }),
                b',' => self.comma = true,
                _ => break,
            }
            at += 1;
        }
        self.comma = false;
        let word = &self.rest[at..];
        let end = word.find([' ', '\t', '\x0b', '\x0c', '\n', '\r', ',', '\x1a']).unwrap_or(word.len());
        self.rest = &word[end..];
        Ok((end > 0).then(|| &word[..end]))
    }

    /// The next number, finite.
    fn any(&mut self, what: What) -> Result<f64, IesError> {
        let Some(word) = self.word()? else { return Err(self.fault(IesFault::Ends(what))) };
        let found = word.parse::<f64>().ok().filter(|number| number.is_finite());
        found.ok_or_else(|| self.fault(IesFault::NotANumber { what, found: String::from(word) }))
    }

    /// The next number, if it fits.
    fn fits(
        &mut self,
        what: What,
        allowed: &'static str,
        fits: impl Fn(f64) -> bool,
    ) -> Result<f64, IesError> {
        let found = self.any(what)?;
        if fits(found) { Ok(found) } else { Err(self.fault(IesFault::OutOfRange { what, found, allowed })) }
    }

    fn positive(&mut self, what: What) -> Result<f64, IesError> {
        self.fits(what, "above 0, at most 1e12", |n| n > 0.0 && n <= GREATEST)
    }

    fn not_negative(&mut self, what: What) -> Result<f64, IesError> {
        self.fits(what, "0 to 1e12", |n| (0.0..=GREATEST).contains(&n))
    }

    fn count(&mut self, what: What, least: usize) -> Result<usize, IesError> {
        let most = MOST_ANGLES as f64;
        let allowed =
            if least == 2 { "a whole number from 2 to 3601" } else { "a whole number from 1 to 3601" };
        let found = self.fits(what, allowed, |n| n.fract() == 0.0 && (least as f64..=most).contains(&n))?;
        Ok(found as usize)
    }

    /// Rising angles.
    fn angles(
        &mut self,
        what: What,
        count: usize,
        allowed: &'static str,
        most: f64,
    ) -> Result<Vec<f64>, IesError> {
        let mut angles = Vec::new();
        for _ in 0..count {
            let found = self.fits(what, allowed, |n| (0.0..=most).contains(&n))?;
            if let Some(before) = angles.last().copied().filter(|before| *before >= found) {
                return Err(self.fault(IesFault::Order { what, found, before }));
            }
            angles.push(found);
        }
        Ok(angles)
    }

    const fn fault(&self, fault: IesFault) -> IesError {
        IesError { line: self.line, fault }
    }
}

/// Reads over a tilt table, so that a cut one is not taken for what follows it.
fn pass_tilt(numbers: &mut Numbers) -> Result<(), IesError> {
    numbers.fits(What::TiltGeometry, "1, 2 or 3", |n| [1.0, 2.0, 3.0].contains(&n))?;
    let count = numbers.count(What::TiltCount, 1)?;
    numbers.angles(What::TiltAngle, count, "0 to 180 degrees", 180.0)?;
    (0..count).try_for_each(|_| numbers.not_negative(What::TiltFactor).map(drop))
}

/// What follows the labels and the tilt.
fn body(form: Form, numbers: &mut Numbers) -> Result<Photometry, IesError> {
    numbers.fits(What::Lamps, "a whole number from 1", |n| n >= 1.0 && n.fract() == 0.0)?;
    let lumens = numbers
        .fits(What::Lumens, "-1 (absolute), or 0 to 1e12", |n| n == -1.0 || (0.0..=GREATEST).contains(&n))?;
    let multiplier = numbers.positive(What::Multiplier)?;
    let rows = numbers.count(What::VerticalCount, 2)?;
    let planes = numbers.count(What::HorizontalCount, 1)?;
    match numbers.any(What::PhotometricType)? {
        1.0 => {}
        2.0 => return Err(numbers.fault(IesFault::Type('B'))),
        3.0 => return Err(numbers.fault(IesFault::Type('A'))),
        found => {
            let allowed = "1 (type C)";
            return Err(numbers.fault(IesFault::OutOfRange { what: What::PhotometricType, found, allowed }));
        }
    }
    numbers.fits(What::Units, "1 (feet) or 2 (metres)", |n| n == 1.0 || n == 2.0)?;
    // Width, length and height; negative ones stand for round shapes.
    (0..3).try_for_each(|_| numbers.any(What::Size).map(drop))?;
    let ballast = numbers.positive(What::BallastFactor)?;
    // Later forms keep the place for the future (1995, 2002) or for how the file was made (2019).
    let ballast_lamp = if form <= Form::Of1991 {
        numbers.positive(What::BallastLampFactor)?
    } else {
        numbers.any(What::BallastLampFactor)?;
        1.0
    };
    let watts = numbers.not_negative(What::Watts)?;
    let vertical = numbers.angles(What::VerticalAngle, rows, "0 to 180 degrees", 180.0)?;
    if vertical[0] != 0.0 && vertical[0] != 90.0 {
        let allowed = "0 or 90 for the first one";
        let (what, found) = (What::VerticalAngle, vertical[0]);
        return Err(numbers.fault(IesFault::OutOfRange { what, found, allowed }));
    }
    let horizontal = numbers.angles(What::HorizontalAngle, planes, "0 to 360 degrees", 360.0)?;
    let symmetry = symmetry(&horizontal).map_err(|fault| numbers.fault(fault))?;
    let factor = multiplier * ballast * ballast_lamp;
    let mut candela = Vec::new();
    for _ in 0..rows * planes {
        candela.push(numbers.not_negative(What::Candela)? * factor);
    }
    if let Some(more) = numbers.word()? {
        return Err(numbers.fault(IesFault::More(String::from(more))));
    }
    let rated_lumens = (lumens >= 0.0).then_some(lumens);
    Ok(Photometry { form, symmetry, vertical, horizontal, candela, rated_lumens, watts })
}

/// What the horizontal angles stand for.
fn symmetry(horizontal: &[f64]) -> Result<Symmetry, IesFault> {
    let (first, last) = (horizontal[0], horizontal[horizontal.len() - 1]);
    Ok(match (first, last) {
        (0.0, 0.0) => Symmetry::Round,
        (0.0, 90.0) => Symmetry::Quadrants,
        (0.0, 180.0) => Symmetry::Sides,
        (90.0, 270.0) => Symmetry::Ends,
        (0.0, last) if last > 180.0 => Symmetry::None,
        _ => return Err(IesFault::Turn { first, last }),
    })
}
