//! Dimming laws against their published values.

mod common;

use common::table;
use lampkeep::channels::curve::{inverse, of_value, relative};
use lampkeep::plan::{Bits, Curve};

/// Source: tests/reference/dimcurve.csv (CIE 15 lightness with exact constants; the other laws are
/// common practice). Tolerance: 1e-12 absolute, as its header suggests.
#[test]
fn every_level_gives_the_published_light() {
    let laws = [
        (&Curve::LINEAR, "linear"),
        (&Curve::SQUARE, "square"),
        (&Curve::GAMMA_22, "gamma22"),
        (&Curve::LIGHTNESS, "lstar"),
    ];
    for row in table("dimcurve.csv", 356) {
        let bits = if &row["bits"] == "8" { Bits::Eight } else { Bits::Sixteen };
        let level: u16 = row["level"].parse().unwrap();
        let q = f64::from(level) / f64::from(bits.max());
        assert!((q - row.number("q")).abs() < 1e-12);
        for (curve, column) in laws {
            let light = relative(curve, q);
            assert!((light - row.number(column)).abs() < 1e-12, "{column} {level}: {light}");
            assert_eq!(light, of_value(curve, bits, level));
            assert!((inverse(curve, row.number(column)) - q).abs() < 1e-10, "{column} {level}");
        }
    }
}
