//! `lampkeep reckon` as a person types it: every example of its own help by the built binary, the results
//! against printed figures.

mod common;

use std::path::Path;
use std::process::{Command, Output};

use common::table;
use serde_json::Value;
use tempfile::TempDir;

/// A folder with the files that the examples name.
fn station() -> TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    let reference = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference");
    for (from, to) in [("emitters/warm-white.csv", "pilot-key.csv"), ("ies/beam.ies", "quay-spot.ies")] {
        std::fs::copy(reference.join(from), folder.path().join(to)).expect("a file of the reference set");
    }
    folder
}

/// A line as a shell runs it, with the built binary found first.
fn shell(line: &str, folder: &TempDir) -> Output {
    let binary = Path::new(env!("CARGO_BIN_EXE_lampkeep")).parent().expect("its folder");
    let path = format!("{}:{}", binary.display(), std::env::var("PATH").expect("a path"));
    Command::new("sh").args(["-c", line]).current_dir(folder).env("PATH", path).output().expect("a shell")
}

fn said(line: &str, folder: &TempDir) -> String {
    let output = shell(line, folder);
    let text = String::from_utf8(output.stdout).expect("UTF-8");
    assert!(output.status.success(), "{line}: {text}{}", String::from_utf8_lossy(&output.stderr));
    text
}

/// The kinds of sum that the help lists.
fn sums(folder: &TempDir) -> Vec<String> {
    let help = said("lampkeep reckon --help", folder);
    let listed = help.split("Commands:").nth(1).expect("commands").split("Options:").next().expect("options");
    let names = listed.lines().filter(|line| line.starts_with("  ") && !line.starts_with("   "));
    names
        .filter_map(|line| line.split_whitespace().next())
        .filter(|n| *n != "help")
        .map(String::from)
        .collect()
}

fn examples(help: &str) -> Vec<String> {
    help.lines()
        .map(str::trim)
        .filter(|l| l.contains("lampkeep reckon "))
        .filter(|l| !l.starts_with("Usage"))
        .map(String::from)
        .collect()
}

#[test]
fn every_kind_can_be_asked_by_a_person_and_every_example_of_the_help_works() {
    let folder = station();
    let sums = sums(&folder);
    for kind in lampkeep::reckon::NAMES {
        assert!(sums.iter().any(|sum| sum == kind), "no command for {kind}: {sums:?}");
    }
    for example in examples(&said("lampkeep reckon --help", &folder)) {
        assert!(!said(&example, &folder).is_empty(), "{example}");
    }
    for sum in sums {
        let found = examples(&said(&format!("lampkeep reckon {sum} --help"), &folder));
        assert!(!found.is_empty(), "{sum} has no example");
        for example in found {
            let text = said(&example, &folder);
            assert!(text.lines().count() >= 2, "{example} shows no formula: {text}");
            assert!(text.lines().skip(1).all(|line| line.starts_with("  ")), "{example}: {text}");
            let json: Value =
                serde_json::from_str(&said(&format!("{example} --json"), &folder)).expect("JSON");
            assert!(json.is_object(), "{example}: {json}");
        }
    }
}

/// Source: ISO 2720 and arithmetic: f/2.8, 1/50 s, ISO 800 is 122.5 lx, f/4
/// 250 lx; 500 against 250 lx is 2:1 and 3:1; 3200 to 5600 K is -134 mired; 1/3 of a stop by distance is 12 %;
/// leaning in from 1.00 m to 0.90 m gains 0.30 stop. CIE 15 (memory): D65 has 6504 K, illuminant A 2856 K.
#[test]
fn people_get_the_figures_that_handbooks_print() {
    let folder = station();
    for (line, printed) in [
        ("exposure --iso 800 --f 2.8 --shutter 1/50", "122.5 lx"),
        ("exposure --iso 800 --f 4 --shutter 1/50", "250 lx"),
        ("exposure --iso 800 --f 4 --shutter 1/50 --constant 330", "330 lx"),
        ("ratio --key 500lx --fill 250lx", "key:fill 2:1, 1 stop · lit:shadow 3:1, 1.585 stops"),
        ("mired 3200K 5600K", "-133.9 mired, cooler"),
        ("distance 1m --stops -1/3", "1.122 m"),
        ("distance 1m --stops 0.304", "0.9 m"),
        ("colour --xy 0.3127,0.3290", "6504 K"),
        ("colour --xy 0.44758,0.40745", "2856 K"),
    ] {
        let text = said(&format!("lampkeep reckon {line}"), &folder);
        assert!(text.contains(printed), "{line}: {printed:?} is not in\n{text}");
    }
}

/// Source: tests/reference/emitters/index.csv and ies/lookups.csv, read whole by other tests; here the way
/// through files and JSON is tested, which must lose nothing. Tolerance: theirs.
#[test]
fn files_of_the_set_give_the_published_figures_in_full_precision() {
    let folder = station();
    let json = |line: &str| -> Value { serde_json::from_str(&said(line, &folder)).expect("JSON") };
    let found = json("lampkeep reckon spectrum pilot-key.csv --json");
    let rows = table("emitters/index.csv", 7);
    let printed = rows.iter().find(|row| &row["emitter"] == "warm-white").expect("its row");
    for (field, column, within) in
        [("x", "x", 2e-6), ("y", "y", 2e-6), ("ra", "ra", 0.1), ("ssi", "ssi", 0.05)]
    {
        assert!(
            (found[field].as_f64().expect(field) - printed.number(column)).abs() < within,
            "{field}: {found}"
        );
    }
    let looked = table("ies/lookups.csv", 80);
    for row in looked.iter().filter(|row| &row["file"] == "beam.ies").take(5) {
        let line = format!(
            "lampkeep reckon candela quay-spot.ies --vertical {}deg --horizontal {}deg --json",
            &row["vertical_deg"], &row["horizontal_deg"]
        );
        let candela = json(&line)["candela"].as_f64().expect("candela");
        assert!((candela - row.number("candela")).abs() < 1e-9 * candela.max(1.0), "{line}: {candela}");
    }
}

#[test]
fn a_file_that_will_not_do_is_said_with_what_to_do_and_exit_2() {
    let folder = station();
    for (line, part) in [
        ("spectrum mole.csv", "mole.csv cannot be read"),
        ("spectrum .", ". cannot be read: it is a folder, not a file"),
        (
            "spectrum quay-spot.ies",
            "quay-spot.ies, line 1: `IESNA:LM-63-2002` is not a wavelength in nm and a power",
        ),
        ("candela pilot-key.csv --vertical 0deg", "pilot-key.csv, line "),
        ("candela pilot-key.csv --vertical 0deg", "check that it is an LM-63 file"),
        ("candela quay-spot.ies --vertical 181deg", "`vertical_deg` 181 is not between 0 and 180 degrees"),
        ("mix --emitter 2700K --kelvin 5600K", "give colour and light at 1 m, such as 2700K:900lx"),
    ] {
        let output = shell(&format!("lampkeep reckon {line}"), &folder);
        let text = String::from_utf8_lossy(&output.stderr);
        assert!(text.contains(part), "{line}: {text}");
        assert_eq!(output.status.code(), Some(2), "{line}");
    }
}
