//! Dimming laws against their published values.

mod common;

use common::table;
use lampkeep::channels::curve::{inverse, of_value, relative, value_at_or_below};
use lampkeep::plan::{Bits, Curve, LightTable};

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

/// Source: tests/reference/monotone_cubic.csv (SciPy's PchipInterpolator). Tolerance: 1e-12 absolute, as its
/// header suggests; the way back to the value is exact.
#[test]
fn a_measured_table_is_the_monotone_cubic_of_an_independent_library() {
    let rows = table("monotone_cubic.csv", 1834);
    let mut names: Vec<&str> = rows.iter().map(|r| &r["table"]).collect();
    names.dedup();
    assert_eq!(names.len(), 7);
    for name in names {
        let of = |kind: &str| -> Vec<(u16, f64)> {
            let rows = rows.iter().filter(|r| &r["table"] == name && &r["kind"] == kind);
            rows.map(|r| (r["value"].parse().unwrap(), r.number("light"))).collect()
        };
        let points = of("point");
        let full = points.last().unwrap().0;
        let bits = if full == 255 { Bits::Eight } else { Bits::Sixteen };
        let curve = Curve::measured(LightTable::new(&points, full).unwrap());
        for (value, light) in of("between") {
            let found = of_value(&curve, bits, value);
            assert!((found - light).abs() < 1e-12, "{name} {value}: {found}, not {light}");
            assert_eq!(value_at_or_below(&curve, bits, found), value, "{name}");
        }
    }
}
