//! From what light is to what a screen shows: white balance, exposure, the tone of bright parts.

use crate::light::colour::xy_of;
use crate::units::{Duv, Kelvin, Xy};

/// Linear sRGB, 1 is white.
pub type Rgb = [f64; 3];

/// Bradford's cone responses. Source: ICC.1:2010 annex E (from memory); its inverse is worked out.
const BRADFORD: [[f64; 3]; 3] =
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]];
/// XYZ to linear sRGB. Source: IEC 61966-2-1.
const XYZ_TO_SRGB: [[f64; 3]; 3] =
    [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]];
/// The white that sRGB is shown at. Source: IEC 61966-2-1, D65.
const D65: Xy = Xy { x: 0.3127, y: 0.3290 };
/// Up to here a picture is in proportion to light; above, bright parts come to white ever more slowly.
const SHOULDER: f64 = 0.6;
/// Reflectance of the grey that a meter's reading is meant for: it lies in the middle of the picture.
/// Source: common practice, 18 % grey.
pub const GREY: f64 = 0.18;

/// A camera's white balance: turns the light's colour into the picture's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Balance {
    /// XYZ to linear sRGB, that white made equal parts.
    matrix: [[f64; 3]; 3],
}

impl Balance {
    /// A white balance. Von Kries's rule on Bradford's responses (ICC.1:2010 annex E, from memory): the light
    /// of that colour temperature comes out grey.
    #[must_use]
    pub fn of(white: Kelvin) -> Self {
        let from = times(&BRADFORD, xyz(xy_of(white, Duv::ZERO)));
        let to = times(&BRADFORD, xyz(D65));
        let gain = [0, 1, 2].map(|i| to[i] / from[i]);
        let scaled = [0, 1, 2].map(|row: usize| BRADFORD[row].map(|c| c * gain[row]));
        let adapted = product(&inverse(&BRADFORD), &scaled);
        let mut matrix = product(&XYZ_TO_SRGB, &adapted);
        // The printed matrices have four digits: what is left of a tint in the white itself is taken out.
        let white = times(&matrix, xyz(xy_of(white, Duv::ZERO)));
        for (row, grey) in matrix.iter_mut().zip(white) {
            *row = row.map(|c| c / grey);
        }
        Self { matrix }
    }

    /// Light of one lux and a colour, as linear sRGB; light of the white balance is `[1, 1, 1]`. A colour that
    /// no screen shows is brought towards grey of the same light until it does.
    #[must_use]
    pub fn rgb(&self, xy: Xy) -> Rgb {
        if xy.y.is_nan() || xy.y <= 0.0 {
            return [0.0; 3];
        }
        let raw = times(&self.matrix, xyz(xy));
        let least = raw.iter().copied().fold(f64::INFINITY, f64::min);
        if least >= 0.0 {
            return raw;
        }
        // The luminance of the balanced colour stands; only what is out of the screen's reach goes.
        let light = luminance(raw).max(1e-9);
        let part = light / (light - least);
        raw.map(|c| (light + part * (c - light)).max(0.0))
    }
}

/// The luminance of linear sRGB. Source: IEC 61966-2-1 (the row of Y in its matrix).
#[must_use]
pub fn luminance(rgb: Rgb) -> f64 {
    0.2126 * rgb[0] + 0.7152 * rgb[1] + 0.0722 * rgb[2]
}

/// The shoulder: in proportion up to 0.6, from there ever flatter towards 1, without a bend.
#[must_use]
pub fn toned(linear: f64) -> f64 {
    if linear <= SHOULDER {
        return linear.max(0.0);
    }
    let room = 1.0 - SHOULDER;
    SHOULDER + room * (1.0 - (-(linear - SHOULDER) / room).exp())
}

/// A linear value, 0 to 1, as the byte that a screen is sent. Source: IEC 61966-2-1, transfer function.
#[must_use]
pub fn coded(linear: f64) -> f64 {
    let value = linear.clamp(0.0, 1.0);
    if value <= 0.003_130_8 { 12.92 * value } else { 1.055 * value.powf(1.0 / 2.4) - 0.055 }
}

/// A light's colour as a screen shows it at full: for tints in drawings.
#[must_use]
pub fn tint(balance: &Balance, xy: Xy) -> [u8; 3] {
    let rgb = balance.rgb(xy);
    let most = rgb.iter().copied().fold(1e-9, f64::max);
    rgb.map(|c| (255.0 * coded(c / most)).round() as u8)
}

fn xyz(xy: Xy) -> [f64; 3] {
    [xy.x / xy.y, 1.0, (1.0 - xy.x - xy.y) / xy.y]
}

fn times(m: &[[f64; 3]; 3], v: [f64; 3]) -> [f64; 3] {
    [0, 1, 2].map(|i| m[i][0] * v[0] + m[i][1] * v[1] + m[i][2] * v[2])
}

fn product(a: &[[f64; 3]; 3], b: &[[f64; 3]; 3]) -> [[f64; 3]; 3] {
    [0, 1, 2].map(|i| [0, 1, 2].map(|j| (0..3).map(|k| a[i][k] * b[k][j]).sum()))
}

/// The inverse, by cofactors.
fn inverse(m: &[[f64; 3]; 3]) -> [[f64; 3]; 3] {
    let cofactor = |i: usize, j: usize| {
        let at = |r: usize, c: usize| m[(i + r) % 3][(j + c) % 3];
        at(1, 1) * at(2, 2) - at(1, 2) * at(2, 1)
    };
    let whole: f64 = (0..3).map(|j| m[0][j] * cofactor(0, j)).sum();
    [0, 1, 2].map(|i| [0, 1, 2].map(|j| cofactor(j, i) / whole))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kelvin(k: f64) -> Xy {
        xy_of(Kelvin::new(k).unwrap(), Duv::ZERO)
    }

    #[test]
    fn light_of_the_white_balance_is_grey_warmer_light_is_orange_and_cooler_light_blue() {
        let balance = Balance::of(Kelvin::new(5600.0).unwrap());
        for c in balance.rgb(kelvin(5600.0)) {
            assert!((c - 1.0).abs() < 1e-12);
        }
        let [r, g, b] = balance.rgb(kelvin(3200.0));
        assert!(r > g && g > b, "3200 K is warm: {r} {g} {b}");
        let [r, g, b] = balance.rgb(kelvin(10_000.0));
        assert!(r < g && g < b, "10000 K is cool: {r} {g} {b}");
    }

    /// Source: ICC.1:2010 annex E and common tables print the Bradford matrix from D50 to D65 with a first row of
    /// 0.9556, -0.0230, 0.0632 (from memory). Tolerance: half the last printed digit, and D50 is not 5003 K quite.
    #[test]
    fn adaptation_is_bradfords() {
        let d50 = Xy { x: 0.345_67, y: 0.358_50 };
        let from = times(&BRADFORD, xyz(d50));
        let to = times(&BRADFORD, xyz(D65));
        let scaled = [0, 1, 2].map(|row: usize| BRADFORD[row].map(|c| c * to[row] / from[row]));
        let adapted = product(&inverse(&BRADFORD), &scaled);
        for (found, printed) in adapted[0].iter().zip([0.9556, -0.0230, 0.0632]) {
            assert!((found - printed).abs() < 3e-4, "{:?}", adapted[0]);
        }
    }

    /// Source: IEC 61966-2-1: 18 % of white is the byte 118 (46 %).
    #[test]
    fn grey_is_in_the_middle_of_the_picture() {
        assert_eq!((255.0 * coded(toned(GREY))).round(), 118.0);
        assert_eq!(coded(0.0), 0.0);
        assert!((coded(1.0) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn the_shoulder_has_no_step_no_bend_and_no_end() {
        let (mut last, mut slope) = (0.0, 1.0);
        for i in 1..5000 {
            let now = toned(f64::from(i) * 0.001);
            let rise = (now - last) / 0.001;
            assert!(now < 1.0 && rise > 0.0 && rise <= slope + 1e-9 && slope - rise < 0.01, "at {i}");
            (last, slope) = (now, rise);
        }
    }

    #[test]
    fn a_colour_beyond_the_screen_keeps_its_light_and_has_no_negative_part() {
        let balance = Balance::of(Kelvin::new(5600.0).unwrap());
        for xy in [Xy { x: 0.15, y: 0.05 }, Xy { x: 0.7, y: 0.3 }, Xy { x: 0.1, y: 0.8 }] {
            let rgb = balance.rgb(xy);
            assert!(rgb.iter().all(|c| *c >= 0.0), "{rgb:?}");
            let raw = luminance(times(&balance.matrix, xyz(xy)));
            assert!((luminance(rgb) / raw - 1.0).abs() < 1e-9);
        }
    }
}
