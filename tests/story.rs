//! A rehearsal as a story, by the built binary: what the person reads first, takes, faults, exit codes.
//!
//! Source of what is expected: docs/rehearse.md, the plan's own durations, and docs/interface.md for exit codes.

use std::process::{Command, Output};

use serde_json::Value;

fn rehearse(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_lampkeep")).arg("rehearse").args(args).output().expect("it runs")
}

#[track_caller]
fn text(args: &[&str]) -> String {
    let out = rehearse(args);
    assert_eq!(out.status.code(), Some(0), "{args:?}: {}", String::from_utf8_lossy(&out.stderr));
    String::from_utf8(out.stdout).expect("text")
}

fn json(args: &[&str]) -> Value {
    let args: Vec<&str> = args.iter().copied().chain(["--json"]).collect();
    serde_json::from_str(&text(&args)).expect("JSON")
}

fn seconds(value: &Value) -> f64 {
    value.as_f64().expect("seconds")
}

#[test]
fn the_verdict_comes_first_then_what_needs_attention_then_the_timeline() {
    let text = text(&[]);
    let mut lines = text.lines();
    assert_eq!(lines.next(), Some("pilot-station · 11 looks in 1 h 46 min · works, with 2 warnings"));
    let at = |what: &str| text.find(what).unwrap_or_else(|| panic!("no {what}:\n{text}"));
    assert!(at("! 0:58:00  bridge-butterfly: hair") < at("0:12:00  short-talk "), "{text}");
    assert!(at("0:12:00  short-talk ") < at("job        lamp  asked"), "{text}");
}

#[test]
fn every_look_but_the_rest_has_its_take_and_all_are_sent_steady() {
    let found = json(&[]);
    for row in found["looks"].as_array().expect("looks") {
        let takes = row["takes"].as_array().expect("takes");
        let planned = usize::from(row["look"] != "rest");
        assert_eq!(takes.len(), planned, "{row}");
        for take in takes {
            assert_eq!(take["steady"], true, "{take}");
            let ends = seconds(&take["at_s"]) + seconds(&take["lasted_s"]);
            assert_eq!(
                ends,
                seconds(&row["at_s"]) + seconds(&row["on_s"]),
                "it rolls to the step's end: {take}"
            );
        }
    }
}

#[test]
fn the_order_is_gone_through_from_a_look_and_again_after_its_end() {
    let found = json(&["--from", "turning-tide", "--to", "1:50:00"]);
    let rows: Vec<_> = found["looks"]
        .as_array()
        .expect("looks")
        .iter()
        .map(|r| (r["look"].as_str().expect("a name").to_owned(), seconds(&r["at_s"]), r["round"].as_u64()))
        .collect();
    // The plan's own: 12+10+14+12+10+6+9+9+5 min before turning-tide, 4 in it, 15 after.
    let expected = [("turning-tide", 5220.0, 1), ("unseen-pilot", 5460.0, 1), ("pilot-triangle", 6360.0, 2)];
    for (row, (look, at_s, round)) in rows.iter().zip(expected) {
        assert_eq!((row.0.as_str(), row.1, row.2), (look, at_s, Some(round)));
    }
    assert_eq!(rows.len(), 3);
    assert_eq!(seconds(&found["length_s"]), 1380.0);
}

#[test]
fn warm_lamps_begin_as_warm_as_the_order_leaves_them_and_end_no_cooler_than_cold_ones() {
    let of = |lamps: &str| json(&["--lamps", lamps, "--ambient", "35", "--to", "10:00"]);
    let (cold, warm) = (of("cold"), of("warm"));
    let warmest = |found: &Value| {
        let body = &found["looks"][0]["warmest"];
        body["celsius"].as_f64().expect("degrees")
    };
    assert!(warmest(&warm) > warmest(&cold) + 1.0, "{} and {}", warmest(&warm), warmest(&cold));
    assert_eq!((cold["lamps"].as_str(), warm["lamps"].as_str()), (Some("cold"), Some("warm")));
}

#[test]
fn the_faults_of_the_issue_happen_at_their_times_and_the_story_goes_on() {
    let found = json(&["--to", "40:00", "--fault", "usb@12:30,broker@14:00,power@15:10"]);
    let faults: Vec<_> = found["faults"]
        .as_array()
        .expect("faults")
        .iter()
        .map(|f| (f["fault"].as_str().expect("a word").to_owned(), seconds(&f["at_s"]), seconds(&f["for_s"])))
        .collect();
    let at = |what: &str, s: f64| (what.to_owned(), s, 30.0);
    assert_eq!(faults, [at("usb", 750.0), at("broker", 840.0), at("power", 910.0)]);
    let looks = found["looks"].as_array().expect("looks");
    let told = |kind: &str| {
        looks.iter().flat_map(|l| l["told"].as_array().expect("told")).find(|t| t["kind"] == kind).cloned()
    };
    assert_eq!(told("output-down").map(|t| seconds(&t["at_s"])), Some(750.0));
    assert_eq!(told("output-back").map(|t| seconds(&t["at_s"])), Some(780.0));
    // Another boot: dark until asked, which is ten seconds after the power is back.
    assert_eq!(told("light-not-returned").map(|t| seconds(&t["at_s"])), Some(940.0));
    let again: Vec<_> = looks.iter().filter(|l| l["look"] == "short-talk").collect();
    assert_eq!(again.len(), 2);
    assert_eq!(seconds(&again[1]["at_s"]), 950.0);
    assert_eq!(again[0]["takes"][0]["steady"], false);
    assert_eq!(again[1]["takes"][0]["take"], "2/2", "the state file counts takes on");
    assert_eq!(again[1]["takes"][0]["steady"], true);
    // Thirty seconds without frames: that many fewer than the order has.
    assert_eq!(found["frames"].as_u64(), Some((2400 - 30) * 40));
    assert_eq!(found["verdict"]["works"], true);
}

/// The lamps of the demo's profiles: which hold when frames stop is theirs to say (config/profiles).
#[test]
fn lamps_that_hold_come_back_as_they_are_and_those_that_went_dark_softly() {
    let text = text(&["--to", "14:00", "--fault", "usb@12:30"]);
    let soft = text.lines().find(|l| l.contains("up softly")).expect("some come up softly");
    assert!(soft.contains("hair") && !soft.contains("key"), "{soft}");
    let said = text.lines().find(|l| l.contains('×')).expect("the fault's line");
    assert!(said.contains("hold their light: key"), "{said}");
}

#[test]
fn what_cannot_be_rehearsed_is_wrong_usage_and_a_refused_step_is_guarded() {
    for args in [
        &["--from", "nothing-like-it"][..],
        &["--from", "50:00", "--to", "40:00"],
        &["--from", "3h"],
        &["--fault", "usb:cellar@1:00"],
        &["--fault", "usb@3:00:00"],
        &["--fault", "lamp@1:00"],
        &["--lamps", "tepid"],
        &["--to", "12"],
    ] {
        let out = rehearse(args);
        assert_eq!(out.status.code(), Some(2), "{args:?}");
        assert!(out.stdout.is_empty() && !out.stderr.is_empty(), "{args:?}");
    }
    let plan = include_str!("../config/pilot-station.toml")
        .replace("breaker = \"10 A\"\nother = \"120 W\"", "breaker = \"1 A\"\nother = \"120 W\"");
    let dir = tempfile::tempdir().expect("a folder");
    std::fs::write(dir.path().join("plan.toml"), plan).expect("written");
    let config = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
    std::fs::copy(config.join("kit.toml"), dir.path().join("kit.toml")).expect("copied");
    let path = dir.path().join("plan.toml");
    let out = rehearse(&[path.to_str().expect("text")]);
    let said = String::from_utf8_lossy(&out.stdout).into_owned();
    assert_eq!(out.status.code(), Some(5), "{said}{}", String::from_utf8_lossy(&out.stderr));
    assert!(said.lines().next().is_some_and(|l| l.contains("does not work:")), "{said}");
}
