//! `reckon` as a program asks it: published values through JSON lines, there and back.

mod common;

use common::{Row, table};
use lampkeep::reckon;
use serde_json::{Value, json};

/// A file of the reference set.
fn reference(name: &str) -> Result<String, String> {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference").join(name);
    std::fs::read_to_string(path).map_err(|error| error.to_string())
}

/// Asks all requests as one stream of lines.
fn ask(requests: &[Value]) -> Vec<Value> {
    let input: String = requests.iter().map(|request| format!("{request}\n")).collect();
    let mut output = Vec::new();
    reckon::lines(input.as_bytes(), &mut output, &reference).expect("memory takes all");
    let text = String::from_utf8(output).expect("JSON is UTF-8");
    let answers: Vec<Value> =
        text.lines().map(|line| serde_json::from_str(line).expect("answers are JSON")).collect();
    assert_eq!(answers.len(), requests.len());
    answers
}

fn numbers(cell: &str) -> Vec<f64> {
    cell.split_whitespace().map(|word| word.parse().expect("a number")).collect()
}

fn number(answer: &Value, field: &str) -> f64 {
    answer[field].as_f64().unwrap_or_else(|| panic!("no {field} in {answer}"))
}

fn steps(row: &Row) -> Value {
    let pairs = numbers(&row["durations_s"]).into_iter().zip(numbers(&row["powers_w"]));
    pairs.map(|(for_s, watts)| json!({ "for_s": for_s, "watts": watts })).collect()
}

/// Source: tests/reference/thermal_profiles.csv and thermal.csv (first-order model, checked there by an ODE
/// solver; invented data). Tolerance: 1e-8 K and 1e-9 of the time, as their headers suggest.
#[test]
fn heat_follows_the_published_courses_and_reaches_limits_on_time() {
    let profiles = table("thermal_profiles.csv", 50);
    let course = table("thermal.csv", 291);
    let requests: Vec<Value> = profiles
        .iter()
        .map(|p| {
            let at_s: Vec<f64> = course
                .iter()
                .filter(|row| row["profile"] == p["profile"])
                .map(|row| row.number("t_s"))
                .collect();
            json!({ "kind": "heat", "k_per_w": p.number("r_k_per_w"), "time_constant_s": p.number("tau_s"),
                "ambient_c": p.number("ta_c"), "start_c": p.number("t0_c"), "steps": steps(p), "at_s": at_s,
                "watts": p.number("p_const_w"), "limit_c": p.number("limit_c") })
        })
        .collect();
    let mut checked = 0;
    for (p, answer) in profiles.iter().zip(ask(&requests)) {
        let printed = course.iter().filter(|row| row["profile"] == p["profile"]);
        for (ours, row) in answer["celsius"].as_array().unwrap().iter().zip(printed) {
            assert!(
                (ours.as_f64().unwrap() - row.number("temp_c")).abs() < 1e-8,
                "profile {}",
                &p["profile"]
            );
            checked += 1;
        }
        if p["time_to_limit_s"].is_empty() {
            assert!(answer["time_to_limit_s"].is_null(), "profile {}", &p["profile"]);
        } else {
            let ratio = number(&answer, "time_to_limit_s") / p.number("time_to_limit_s");
            assert!((ratio - 1.0).abs() < 1e-9, "profile {}: {ratio}", &p["profile"]);
        }
    }
    assert_eq!(checked, 291);
}

/// Source: tests/reference/flash.csv (WCAG 2.x, ITU-R BT.1702; counting rule in its header). Tolerance:
/// none, whole numbers.
#[test]
fn flashes_are_counted_as_published() {
    let rows = table("flash.csv", 60);
    let requests: Vec<Value> = rows
        .iter()
        .map(|row| {
            let levels: Vec<f64> = numbers(&row["levels"]).iter().map(|level| level / 10_000.0).collect();
            json!({ "kind": "flash", "rate_hz": row.number("rate_hz"), "levels": levels })
        })
        .collect();
    for (row, answer) in rows.iter().zip(ask(&requests)) {
        for (field, column) in [
            ("changes", "changes"),
            ("flashes", "flashes"),
            ("worst_changes", "worst_changes_1s"),
            ("worst_flashes", "worst_flashes_1s"),
        ] {
            assert_eq!(number(&answer, field), row.number(column), "sequence {} {field}", &row["sequence"]);
        }
    }
}

/// Source: first rows of the tables named, which the other published_ tests read whole; here the way
/// through JSON is tested. Tolerance: theirs.
#[test]
fn the_published_values_come_through_json() {
    let white = &table("cct_duv_to_xy.csv", 300)[0];
    let back = &table("xy_to_cct_duv.csv", 300)[0];
    let curve = &table("dimcurve.csv", 356)[355];
    let ripple = &table("shutter_ripple.csv", 140)[2];
    let beam = &table("ies/lookups.csv", 80)[79];
    let answers = ask(&[
        json!({ "kind": "colour", "kelvin": white.number("cct_k"), "duv": white.number("duv") }),
        json!({ "kind": "colour", "x": back.number("x"), "y": back.number("y") }),
        json!({ "kind": "curve", "law": "lightness", "bits": curve.number("bits"), "code": curve.number("level") }),
        json!({ "kind": "shutter", "waveform": "sine", "frequency_hz": ripple.number("frequency_hz"),
            "exposure_s": ripple.number("exposure_s"), "modulation": ripple.number("modulation") }),
        json!({ "kind": "candela", "file": format!("ies/{}", &beam["file"]),
            "vertical_deg": beam.number("vertical_deg"), "horizontal_deg": beam.number("horizontal_deg") }),
    ]);
    for field in ["x", "y", "u", "v"] {
        assert!((number(&answers[0], field) - white.number(field)).abs() < 1e-6);
    }
    assert!((number(&answers[1], "kelvin") / back.number("cct_k") - 1.0).abs() < 1e-5);
    assert!((number(&answers[1], "mired") - 1e6 / back.number("cct_k")).abs() < 2e-3);
    assert!((number(&answers[1], "duv") - back.number("duv")).abs() < 1e-6);
    assert!((number(&answers[2], "relative") - curve.number("lstar")).abs() < 1e-12);
    assert!((number(&answers[3], "ripple") - ripple.number("ripple")).abs() < 1e-9);
    assert!((number(&answers[4], "candela") - beam.number("candela")).abs() < 1e-9 * beam.number("candela"));
}

/// Source: arithmetic: 500:250 is 2:1 and 3:1 (practice.md), 250 x 2.8² / (800 / 50) = 122.5 lx, half the
/// light at 1.41 times the distance, 3200 K is 312.5 mired, 1280 cd at 2 m 60 degrees off are 160 lx.
#[test]
fn the_sums_of_a_set_come_out() {
    let answers = ask(&[
        json!({ "kind": "ratio", "key_lux": 500, "fill_lux": 250 }),
        json!({ "kind": "exposure", "iso": 800, "f_number": 2.8, "shutter_s": 0.02 }),
        json!({ "kind": "distance", "distance_m": 1.0, "stops": -1 }),
        json!({ "kind": "mired", "from_kelvin": 3200, "to_kelvin": 5000 }),
        json!({ "kind": "point", "point_m": [0, 0, 0], "normal": [0, 0, 1],
            "lamps": [{ "position_m": [3.0_f64.sqrt(), 0, 1], "candela": 1280 }] }),
        json!({ "kind": "ratio", "key_lux": 500, "fill_lux": 0 }),
        json!({ "kind": "flicker", "frequency_hz": 20000, "modulation_percent": 100 }),
    ]);
    assert_eq!((number(&answers[0], "key_to_fill"), number(&answers[0], "lit_to_shadow")), (2.0, 3.0));
    assert_eq!(number(&answers[0], "key_to_fill_stops"), 1.0);
    assert!((number(&answers[1], "lux") - 122.5).abs() < 1e-9);
    assert!((number(&answers[2], "distance_m") - 2.0_f64.sqrt()).abs() < 1e-15);
    assert_eq!(number(&answers[3], "shift_mired"), -112.5);
    assert!((number(&answers[4], "total_lux") - 160.0).abs() < 1e-9);
    for field in ["key_to_fill", "key_to_fill_stops", "lit_to_shadow", "lit_to_shadow_stops"] {
        assert!(answers[5][field].is_null());
    }
    assert!(answers[6]["low_risk_percent"].is_null() && answers[6]["no_effect_percent"].is_null());
    assert_eq!(answers[6]["region"], "no-observable-effect");
}

#[test]
fn what_cannot_be_worked_out_says_why_and_what_to_do() {
    let answers = ask(&[
        json!({ "kind": "candela", "file": "ies/none.ies", "vertical_deg": 0, "horizontal_deg": 0 }),
        json!({ "kind": "colour", "kelvin": 25000 }),
        json!({ "kind": "colour", "kelvin": 5600, "x": 0.3 }),
        json!({ "kind": "exposure", "iso": 800 }),
        json!({ "kind": "curve", "law": "square", "bits": 8, "code": 256 }),
        json!({ "kind": "mix", "x": 0.3, "y": 0.3, "prefer": "cool", "emitters": [] }),
    ]);
    let kinds: Vec<&str> = answers.iter().map(|a| a["error"]["kind"].as_str().unwrap()).collect();
    let expected =
        ["no-file", "out-of-range", "wrong-fields", "wrong-fields", "out-of-range", "out-of-range"];
    assert_eq!(kinds, expected);
    assert_eq!(
        answers[1]["error"]["said"], "`kelvin` 25000 is not between 1000 and 20000 K",
        "{}",
        answers[1]
    );
    assert_eq!(answers[3]["error"]["said"], "missing field `f_number`");
    assert!(answers.iter().all(|a| a["error"]["hint"].as_str().unwrap().len() > 10));
}
