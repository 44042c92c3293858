//! LM-63 files: published look-ups and figures, the forms of the standard, and texts that are none.

mod common;

use common::{Row, table};
use lampkeep::light::ies::{Form, IesFault, Photometry, Symmetry};
use proptest::prelude::*;

fn text(name: &str) -> String {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/ies").join(name);
    std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

fn lamp(row: &Row) -> Photometry {
    Photometry::read(&text(&row["file"])).expect("a file of the reference set")
}

/// Source: tests/reference/ies/lookups.csv (LM-63-2002; three methods, among them two published libraries).
/// Tolerance: 1e-9 relative, or 1e-9 cd where there is no light; tighter than the 0.01 cd that its header allows.
#[test]
fn intensities_are_the_published_ones_in_every_direction() {
    for row in table("ies/lookups.csv", 80) {
        let (vertical, horizontal) = (row.number("vertical_deg"), row.number("horizontal_deg"));
        let (ours, printed) = (lamp(&row).candela(vertical, horizontal), row.number("candela"));
        let off = (ours - printed).abs();
        assert!(
            off <= 1e-9 * printed.max(1.0),
            "{} {vertical} {horizontal}: {ours} not {printed}",
            &row["file"]
        );
    }
}

/// Source: tests/reference/ies/summary.csv (linear interpolation; flux in closed form and by numerical
/// integration). Tolerance: angles 1e-6 degree, flux 1e-6 relative, as its header suggests for a closed form.
#[test]
fn beam_field_and_flux_are_the_published_ones() {
    for row in table("ies/summary.csv", 2) {
        let lamp = lamp(&row);
        assert!((lamp.axis_cd() - row.number("axis_cd")).abs() < 1e-9);
        assert!((lamp.max_cd() - row.number("max_cd")).abs() < 1e-9);
        for (ours, column) in [
            (lamp.beam_deg(0.0), "beam_0_deg"),
            (lamp.field_deg(0.0), "field_0_deg"),
            (lamp.beam_deg(90.0), "beam_90_deg"),
            (lamp.field_deg(90.0), "field_90_deg"),
        ] {
            assert!((ours.unwrap() - row.number(column)).abs() < 1e-6, "{} {column}: {ours:?}", &row["file"]);
        }
        assert!((lamp.flux_lm() / row.number("flux_lm") - 1.0).abs() < 1e-6, "{}", lamp.flux_lm());
    }
}

/// Two vertical and as many horizontal angles as given; the value at row r, plane p is 100 (p + 1) + r.
fn planes(horizontal: &[f64]) -> Photometry {
    let list = |numbers: &[f64]| numbers.iter().map(f64::to_string).collect::<Vec<_>>().join(" ");
    let values: Vec<String> =
        (1..=horizontal.len()).map(|p| list(&[100.0 * p as f64, 100.0 * p as f64 + 1.0])).collect();
    let text = format!(
        "IESNA:LM-63-2002\n[TEST] none\nTILT=NONE\n1 -1 1 2 {} 1 2 0 0 0\n1 1 50\n0 90\n{}\n{}\n",
        horizontal.len(),
        list(horizontal),
        values.join("\n")
    );
    Photometry::read(&text).expect("a file by hand")
}

/// Source: LM-63-2002, horizontal angles of type C (from memory): which planes a symmetry repeats; values by
/// hand.
#[test]
fn every_symmetry_repeats_what_was_measured() {
    let round = planes(&[0.0]);
    assert_eq!((round.symmetry(), round.candela(90.0, 217.0)), (Symmetry::Round, 101.0));
    let quadrants = planes(&[0.0, 90.0]);
    let sides = planes(&[0.0, 90.0, 180.0]);
    let ends = planes(&[90.0, 180.0, 270.0]);
    let all = planes(&[0.0, 90.0, 180.0, 270.0, 360.0]);
    let open = planes(&[0.0, 90.0, 180.0, 270.0]);
    let kinds = [&quadrants, &sides, &ends, &all, &open].map(Photometry::symmetry);
    assert_eq!(kinds, [Symmetry::Quadrants, Symmetry::Sides, Symmetry::Ends, Symmetry::None, Symmetry::None]);
    // Candela straight ahead at 45, 135, 225, 315, 0, 180, -90 and 720 degrees round.
    let turns = [45.0, 135.0, 225.0, 315.0, 0.0, 180.0, -90.0, 720.0];
    for (lamp, printed) in [
        (&quadrants, [150.0, 150.0, 150.0, 150.0, 100.0, 100.0, 200.0, 100.0]),
        (&sides, [150.0, 250.0, 250.0, 150.0, 100.0, 300.0, 200.0, 100.0]),
        (&ends, [150.0, 150.0, 250.0, 250.0, 200.0, 200.0, 300.0, 200.0]),
        (&all, [150.0, 250.0, 350.0, 450.0, 100.0, 300.0, 400.0, 100.0]),
        (&open, [150.0, 250.0, 350.0, 250.0, 100.0, 300.0, 400.0, 100.0]),
    ] {
        assert_eq!(turns.map(|turn| lamp.candela(0.0, turn)), printed, "{:?}", lamp.symmetry());
    }
}

const BODY: &str = "1, 1000, 2, 3, 1, 1, 1, 0.5 0.5 0\n0.9\t0.8 75.5\n0 45\n 90\n0\n100 50,\n\n0\n";

/// Source: LM-63 of the years named (from memory): how a file says its form, and that the second factor after
/// the ballast factor counts in the forms of 1986 and 1991 alone. 100 x 2 x 0.9 = 180, x 0.8 = 144.
#[test]
fn the_forms_of_1986_to_2019_are_read() {
    for (head, form, axis) in [
        ("A lamp of the pilot station\nmeasured in the old way\nTILT=NONE\n", Form::Of1986, 144.0),
        ("TILT=NONE\r\n", Form::Of1986, 144.0),
        ("IESNA91\n[TEST] 1\n[MANUFAC] none\nTILT=NONE\n", Form::Of1991, 144.0),
        ("IESNA:LM-63-1995\n[TEST] 1\n[MORE] TILT OF NOTHING\nTILT=NONE\n", Form::Of1995, 180.0),
        ("\u{feff}IESNA:LM-63-2002\r\n[TEST] 1\r\n[ISSUEDATE] today\r\nTILT=NONE\r\n", Form::Of2002, 180.0),
        ("IES:LM-63-2019\n[TEST] 1\n[_OWN] \u{e9}\nTILT = none\n", Form::Of2019, 180.0),
        ("IESNA91\rTILT=INCLUDE\r1 2\r0 90\r1 .95\r", Form::Of1991, 144.0),
    ] {
        let lamp = Photometry::read(&format!("{head}{BODY}\x1a")).unwrap_or_else(|e| panic!("{head}: {e}"));
        assert_eq!(lamp.form(), form, "{head}");
        assert!((lamp.axis_cd() - axis).abs() < 1e-12, "{head}: {}", lamp.axis_cd());
        assert_eq!((lamp.rated_lumens(), lamp.watts()), (Some(1000.0), 75.5));
        assert!((lamp.candela(22.5, 10.0) - 0.75 * axis).abs() < 1e-12, "half way between two angles");
    }
}

/// Source: arithmetic: the same intensity in all directions gives 4 pi lumens a candela, half of them over the
/// hemisphere; a matt disc, I cos(v), pi lumens a candela to within what 5 degrees' straight lines cut off.
#[test]
fn flux_is_that_of_known_bodies() {
    let all = "TILT=NONE\n1 -1 1 3 1 1 2 0 0 0 1 1 9\n0 90 180\n0\n7 7 7";
    let ball = Photometry::read(all).unwrap();
    assert!((ball.flux_lm() / (28.0 * std::f64::consts::PI) - 1.0).abs() < 1e-12);
    assert_eq!((ball.beam_deg(0.0), ball.candela(180.0, 3.0)), (Some(360.0), 7.0));
    let angles: Vec<String> = (0..=90).step_by(5).map(|a| a.to_string()).collect();
    let cosines: Vec<String> =
        (0..=90).step_by(5).map(|a| f64::from(a).to_radians().cos().max(0.0).to_string()).collect();
    let text =
        format!("TILT=NONE\n1 -1 10 19 1 1 2 0 0 0 1 1 9\n{}\n0\n{}", angles.join(" "), cosines.join(" "));
    let disc = Photometry::read(&text).unwrap();
    assert!((disc.flux_lm() / (10.0 * std::f64::consts::PI) - 1.0).abs() < 1e-3, "{}", disc.flux_lm());
    assert!((disc.beam_deg(45.0).unwrap() - 120.0).abs() < 1e-9, "cos 60 degrees is a half");
}

fn refused(text: &str) -> (usize, String, String) {
    let error = Photometry::read(text).expect_err("no such file");
    (error.line, error.to_string(), error.hint())
}

#[test]
fn what_is_no_such_file_is_said_with_its_line_what_is_allowed_and_a_next_step() {
    let good = format!("IESNA91\nTILT=NONE\n{BODY}");
    let with = |old: &str, new: &str| {
        assert!(good.contains(old), "{old}");
        good.replacen(old, new, 1)
    };
    for (text, line, said) in [
        (String::new(), 1, "ends without a line `TILT=`"),
        ("a\nb\n".into(), 3, "ends without a line `TILT=`"),
        (with("IESNA91", "IESNA:LM-63-2003"), 1, "`IESNA:LM-63-2003` names no known form"),
        (with("TILT=NONE", "TILT=mast.tlt"), 2, "`TILT=mast.tlt`; only TILT=NONE and TILT=INCLUDE"),
        (with("TILT=NONE", "TILT=INCLUDE\n1\n2\n0 90\n1 x"), 6, "tilt factor: `x` is no number"),
        (with("1, 1000", "x 1000"), 3, "number of lamps: `x` is no number"),
        (with("1, 1000", "NaN 1000"), 3, "number of lamps: `NaN` is no number"),
        (with("1, 1000", "1,, 1000"), 3, "nothing stands between two commas"),
        (with("1000, 2", "-2, 2"), 3, "lumens per lamp is -2, allowed is -1 (absolute), or 0 to 1e12"),
        (with("1000, 2", "1000, 0"), 3, "candela multiplier is 0, allowed is above 0"),
        (
            with("2, 3, 1", "2, 1, 1"),
            3,
            "number of vertical angles is 1, allowed is a whole number from 2 to 3601",
        ),
        (with("2, 3, 1", "2, 99999999999, 1"), 3, "allowed is a whole number from 2 to 3601"),
        (with("2, 3, 1", "2, 2.5, 1"), 3, "number of vertical angles is 2.5"),
        (with("2, 3, 1, 1", "2, 3, 1, 2"), 3, "photometric type B; only type C (1) is read"),
        (with("2, 3, 1, 1", "2, 3, 1, 3"), 3, "photometric type A; only type C (1) is read"),
        (with("2, 3, 1, 1", "2, 3, 1, 4"), 3, "photometric type is 4, allowed is 1 (type C)"),
        (with("0.9\t", "-0.9\t"), 4, "ballast factor is -0.9"),
        (with("0 45\n 90", "0 45\n 45"), 6, "vertical angle: 45 follows 45; they must rise"),
        (with("0 45\n 90", "5 45\n 90"), 6, "vertical angle is 5, allowed is 0 or 90 for the first one"),
        (with("0 45\n 90", "0 45\n 190"), 6, "vertical angle is 190, allowed is 0 to 180 degrees"),
        (with("90\n0\n", "90\n22\n"), 7, "horizontal angles from 22 to 22; allowed are 0 alone"),
        (with("100 50", "100 -50"), 8, "candela value is -50, allowed is 0 to 1e12"),
        (with("100 50", "100 1e13"), 8, "candela value is 10000000000000, allowed"),
        (with("100 50,\n\n0", "100 50"), 9, "the file ends where candela value should stand"),
        (format!("{good}7"), 11, "`7` follows the last candela value"),
    ] {
        let (at, message, hint) = refused(&text);
        assert!(message.contains(said), "{text:?}: {message}");
        assert_eq!(at, line, "{text:?}: {message}");
        assert!(message.starts_with("line ") && hint.len() > 20, "{message}; {hint}");
    }
    let long = format!("IESNA91\nTILT=NONE\n{}", " ".repeat(4 << 20));
    assert!(matches!(Photometry::read(&long).unwrap_err().fault, IesFault::TooLong(_)));
}

/// Announced sizes take no memory and no time: values are counted as they come.
#[test]
fn great_counts_over_little_text_end_where_the_text_ends() {
    let text = "TILT=NONE\n1 -1 1 3601 3601 1 2 0 0 0 1 1 9\n0 90";
    assert!(refused(text).1.contains("the file ends where vertical angle should stand"));
}

fn any_use(lamp: &Photometry) {
    for vertical in [f64::NAN, -1.0, 0.0, 33.3, 90.0, 180.0, f64::INFINITY] {
        for horizontal in [f64::NAN, f64::NEG_INFINITY, -1e300, -1e-20, 0.0, 90.0, 123.4, 359.999, 1e300] {
            let candela = lamp.candela(vertical, horizontal);
            assert!(candela.is_finite() && candela >= 0.0 && candela <= lamp.max_cd() * (1.0 + 1e-12));
        }
    }
    assert!(lamp.flux_lm().is_finite());
    for width in [lamp.beam_deg(10.0), lamp.field_deg(90.0)].into_iter().flatten() {
        assert!((0.0..=360.0).contains(&width), "{width}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1500))]
    #[test]
    fn any_text_is_refused_or_a_sound_lamp(text in "(?s).{0,200}") {
        if let Ok(lamp) = Photometry::read(&text) {
            any_use(&lamp);
        }
        let _ = Photometry::read(&format!("TILT=NONE\n{text}"));
    }

    #[test]
    fn any_numbers_are_refused_or_a_sound_lamp(
        numbers in prop::collection::vec(prop_oneof![
            4 => (0..4_i32).prop_map(|n| n.to_string()),
            2 => prop::sample::select(vec!["0", "90", "180", "360"]).prop_map(String::from),
            1 => any::<f64>().prop_map(|n| n.to_string()),
        ], 0..40),
    ) {
        if let Ok(lamp) = Photometry::read(&format!("TILT=NONE\n{}", numbers.join(" "))) {
            any_use(&lamp);
        }
    }

    #[test]
    fn a_file_with_spoilt_places_is_refused_or_a_sound_lamp(
        wash in any::<bool>(),
        spoils in prop::collection::vec((any::<prop::sample::Index>(), 0..3_u8, any::<u8>()), 1..6),
    ) {
        let mut bytes = text(if wash { "wash.ies" } else { "beam.ies" }).into_bytes();
        for (place, how, byte) in spoils {
            let at = place.index(bytes.len());
            match how {
                0 => bytes[at] = byte,
                1 => drop(bytes.remove(at)),
                _ => bytes.insert(at, b"0123456789.-, \n"[usize::from(byte) % 15]),
            }
        }
        if let Ok(lamp) = Photometry::read(&String::from_utf8_lossy(&bytes)) {
            any_use(&lamp);
        }
    }
}
