//! What holds of the LM-63 reader, whatever comes in.

use lampkeep::light::ies::Photometry;

use crate::said;

/// Reads `input` as an LM-63 file and looks whether everything holds that must. Panics where something does not.
pub fn hold(input: &[u8]) {
    // As a plan's files are read: labels may be in any character set.
    let text = String::from_utf8_lossy(input);
    let lamp = match Photometry::read(&text) {
        Ok(lamp) => lamp,
        Err(error) => {
            // CR, LF and both together end lines.
            assert!((1..=text.matches(['\n', '\r']).count() + 1).contains(&error.line), "{error}");
            said::is_fit(&error.to_string(), 300, false);
            said::is_fit(&error.hint(), 300, false);
            return;
        }
    };
    let most = lamp.max_cd();
    assert!(most.is_finite() && most >= 0.0 && lamp.watts().is_finite());
    for vertical in [-1.0, 0.0, 0.1, 30.0, 44.9, 90.0, 90.1, 179.999, 180.0, 181.0, f64::NAN, f64::INFINITY] {
        for horizontal in [-720.0, -0.1, 0.0, 44.0, 90.0, 135.5, 180.0, 269.0, 359.9, 360.0, 1e9, f64::NAN] {
            let here = lamp.candela(vertical, horizontal);
            assert!(
                (0.0..=most * (1.0 + 1e-9)).contains(&here),
                "{here} cd of {most} at {vertical}, {horizontal}"
            );
        }
    }
    let flux = lamp.flux_lm();
    assert!(flux.is_finite() && flux >= -1e-6 * most && flux <= most * 12.6, "{flux} lm of {most} cd");
    for horizontal in [0.0, 45.0, 90.0] {
        for angle in [lamp.beam_deg(horizontal), lamp.field_deg(horizontal)].into_iter().flatten() {
            assert!((0.0..=360.0).contains(&angle), "{angle} degrees");
        }
    }
}
