//! Exposure, contrast, light in space and light in time against published closed forms.

mod common;

use common::{Row, table};
use lampkeep::light::flicker::{Waveform, ripple, risk};
use lampkeep::light::photometry::{
    Beam, PointLamp, contrast, disc_lux, disc_point_law_stops, exposure_lux, inverse_square,
};

fn close(ours: f64, printed: f64, relative: f64) -> bool {
    (ours - printed).abs() <= relative * printed.abs()
}

/// Source: tests/reference/exposure.csv (ISO 2720 equation). Tolerance: 1e-12 relative for its
/// equation rows; its trade-rule rows (100 fc at EI 100, 1/50 s is f/2.8: unverified folklore that implies a
/// constant of 269 to 275) 0.2 stop from ours at 250, as the header suggests.
#[test]
fn exposure_asks_the_published_lux() {
    let mut trade_rules = 0;
    for row in table("exposure.csv", 122) {
        let (iso, n, t) = (row.number("iso"), row.number("f_number"), row.number("shutter_s"));
        if &row["kind"] == "equation" {
            let lux = exposure_lux(iso, n, t, row.number("c"));
            assert!(close(lux, row.number("lux"), 1e-12), "f/{n} {t} s ISO {iso}: {lux}");
        } else {
            trade_rules += 1;
            let stops = (row.number("lux") / exposure_lux(iso, n, t, 250.0)).log2();
            assert!(stops.abs() < 0.2, "f/{n} {t} s ISO {iso}: {stops} stops");
        }
    }
    assert_eq!(trade_rules, 2);
}

/// Source: tests/reference/contrast.csv (arithmetic on the definitions). Tolerance: 1e-12.
#[test]
fn both_lighting_ratios_are_the_published_ones() {
    for row in table("contrast.csv", 60) {
        let found = contrast(row.number("key_lux"), row.number("fill_lux")).unwrap();
        assert!(close(found.lit_to_shadow, row.number("ratio_lit_shadow"), 1e-12));
        assert!(close(found.key_to_fill, row.number("ratio_key_fill"), 1e-12));
        assert!((found.lit_to_shadow.log2() - row.number("stops_lit_shadow")).abs() < 1e-12);
        assert!((found.key_to_fill.log2() - row.number("stops_key_fill")).abs() < 1e-12);
    }
}

fn triple(row: &Row, columns: [&str; 3]) -> [f64; 3] {
    columns.map(|column| row.number(column))
}

/// Source: tests/reference/point_illuminance.csv (inverse-square and cosine laws, cosine-power beams).
/// Tolerance: 1e-9 relative, as its header suggests.
#[test]
fn lamps_light_an_oriented_point_as_published() {
    let rows = table("point_illuminance.csv", 220);
    let mut totals = std::collections::BTreeMap::<String, (f64, f64)>::new();
    for row in &rows {
        let isotropic = &row["model"] == "isotropic";
        let beam = (!isotropic).then(|| Beam {
            aim: triple(row, ["aim_x", "aim_y", "aim_z"]),
            full_angle_deg: row.number("beam_deg"),
        });
        let lamp = PointLamp { position: triple(row, ["x", "y", "z"]), candela: row.number("i0_cd"), beam };
        let point = triple(row, ["px", "py", "pz"]);
        let lux = lamp.lux_at(point, triple(row, ["nx", "ny", "nz"]));
        let case = String::from(&row["case"]);
        assert!(close(lamp.candela_towards(point), row.number("i_cd"), 1e-9), "case {case}");
        assert!(close(lux, row.number("e_lux"), 1e-9), "case {case}: {lux}");
        let total = totals.entry(case).or_insert((0.0, row.number("e_total_lux")));
        total.0 += lux;
    }
    assert_eq!(totals.len(), 100);
    for (case, (ours, printed)) in totals {
        assert!(close(ours, printed, 1e-9), "case {case}: {ours}");
    }
}

/// Source: tests/reference/disc_source.csv (closed form, checked there by numerical integration).
/// Tolerance: 1e-12 relative, as its header suggests; the error of the point law 1e-12 stop.
#[test]
fn a_soft_source_near_by_gives_the_published_light() {
    for row in table("disc_source.csv", 50) {
        let (radius, distance) = (row.number("radius_m"), row.number("distance_m"));
        let luminance = row.number("luminance_cd_m2");
        assert!(close(disc_lux(radius, distance, luminance), row.number("e_lux"), 1e-12));
        let point = inverse_square(std::f64::consts::PI * radius * radius * luminance, distance);
        assert!(close(point, row.number("e_point_lux"), 1e-12));
        let stops = disc_point_law_stops(radius, distance);
        assert!((stops - row.number("point_error_stops")).abs() < 1e-12, "{radius} {distance}: {stops}");
    }
}

/// Source: tests/reference/shutter_ripple.csv (closed form). Tolerance: ripple 1e-9 absolute, stops 1e-8,
/// infinity equal, as its header suggests.
#[test]
fn modulated_light_has_the_published_exposure_ripple() {
    for row in table("shutter_ripple.csv", 140) {
        let waveform = if &row["waveform"] == "sine" {
            Waveform::Sine { modulation: row.number("modulation") }
        } else {
            Waveform::Pulse { duty: row.number("duty") }
        };
        let found = ripple(waveform, row.number("frequency_hz"), row.number("exposure_s"));
        assert!((found.ratio - row.number("ripple")).abs() < 1e-9, "{waveform:?}: {found:?}");
        if &row["ripple_stops"] == "inf" {
            assert_eq!(found.stops, None, "{waveform:?}");
        } else {
            let stops = found.stops.unwrap();
            assert!((stops - row.number("ripple_stops")).abs() < 1e-8, "{waveform:?}: {stops}");
        }
    }
}

/// Source: tests/reference/flicker.csv (IEEE 1789-2015, 8.1.1; figures from memory there). Tolerance:
/// limits 2e-3 relative, region equal, as its header suggests.
#[test]
fn modulation_falls_in_the_published_region() {
    for row in table("flicker.csv", 90) {
        let found = risk(row.number("frequency_hz"), row.number("modulation_percent"));
        assert_eq!(found.region.name(), &row["region"], "{found:?}");
        for (limit, column) in [
            (found.low_risk_percent, "low_risk_limit_percent"),
            (found.no_effect_percent, "noel_limit_percent"),
        ] {
            let printed = (!row[column].is_empty()).then(|| row.number(column));
            assert_eq!(limit.is_some(), printed.is_some(), "{column} {found:?}");
            if let (Some(ours), Some(printed)) = (limit, printed) {
                assert!(close(ours, printed, 2e-3), "{column}: {ours}");
            }
        }
    }
}
