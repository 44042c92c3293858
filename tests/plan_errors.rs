//! Wrong plans beside the exact text that a person gets: `tests/plan_errors/NAME.toml` and `NAME.txt`.
//!
//! The texts are written and read over by people. To see what a plan says today, run the test: it
//! prints the text found where it differs.

use std::path::{Path, PathBuf};

use lampkeep::plan::diagnose::{Form, render};
use lampkeep::plan::load::load;
use lampkeep::plan::{Kind, Report};

const FOLDER: &str = "tests/plan_errors";

fn report(path: &Path) -> Report {
    load(path).expect_err("this plan has an error")
}

fn wrong_plans() -> Vec<PathBuf> {
    let mut plans: Vec<_> = std::fs::read_dir(FOLDER)
        .expect("tests run in the package's folder")
        .map(|entry| entry.expect("the folder can be read").path())
        .filter(|p| p.extension().is_some_and(|e| e == "toml") && !p.ends_with("kit.toml"))
        .collect();
    plans.sort();
    plans
}

#[test]
fn every_wrong_plan_says_exactly_what_is_expected() {
    let plans = wrong_plans();
    assert!(plans.len() >= 25, "{} wrong plans", plans.len());
    let mut wrong = Vec::new();
    for plan in plans {
        let said = render(&report(&plan), Form::Plain);
        let expected = std::fs::read_to_string(plan.with_extension("txt")).unwrap_or_default();
        if said != expected {
            println!("##### {}\n{said}", plan.display());
            wrong.push(plan);
        }
    }
    assert!(wrong.is_empty(), "another text than expected: {wrong:?}");
}

#[test]
fn every_rendered_form_names_the_file_and_every_problem() {
    for plan in wrong_plans() {
        let report = report(&plan);
        for form in [Form::Terminal(100), Form::Colourless(60), Form::Plain] {
            let text = render(&report, form);
            assert_eq!(text.contains('\u{1b}'), matches!(form, Form::Terminal(_)), "{}", plan.display());
            for problem in &report.problems {
                assert!(text.contains(problem.kind.word()), "{}", plan.display());
            }
        }
    }
}

#[test]
fn every_problem_in_json_has_a_kind_a_text_and_a_line_where_it_has_a_place() {
    for plan in wrong_plans() {
        let report = report(&plan);
        let json = report.to_json();
        let list = json.as_array().unwrap();
        assert_eq!(list.len(), report.problems.len());
        for (item, problem) in list.iter().zip(&report.problems) {
            assert_eq!(item["kind"], problem.kind.word());
            assert!(!item["said"].as_str().unwrap().is_empty());
            assert_eq!(item["line"].is_u64(), !problem.marks.is_empty(), "{}", plan.display());
        }
    }
}

#[test]
fn a_place_in_json_is_the_line_and_column_that_an_editor_shows() {
    let json = report(Path::new("tests/plan_errors/unit-kelvin.toml")).to_json();
    // Counted by hand in the file.
    assert_eq!(json[0]["file"], "tests/plan_errors/unit-kelvin.toml");
    assert_eq!((json[0]["line"].as_u64(), json[0]["column"].as_u64()), (Some(12), Some(10)));
    assert_eq!(json[0]["kind"], "unit");
    assert_eq!(json[0]["help"], "write `kelvin = 5600`");
}

#[test]
fn kinds_are_kebab_case_and_each_its_own() {
    let mut words: Vec<_> = Kind::ALL.iter().map(|k| k.word()).collect();
    assert!(
        words.iter().all(|w| w.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-'))
    );
    words.sort_unstable();
    words.dedup();
    assert_eq!(words.len(), Kind::ALL.len());
}

fn only(report: &Report) -> (&'static str, &str) {
    assert_eq!(report.problems.len(), 1);
    (report.problems[0].kind.word(), &report.problems[0].said)
}

#[test]
fn a_folder_is_no_plan() {
    let report = report(Path::new(FOLDER));
    assert_eq!(only(&report), ("folder", "tests/plan_errors is a folder, not a file"));
}

#[test]
fn a_file_that_is_not_there_is_named() {
    let report = report(Path::new("tests/plan_errors/no-such-plan.toml"));
    assert_eq!(only(&report), ("no-file", "there is no file tests/plan_errors/no-such-plan.toml"));
}

#[test]
fn a_name_without_its_ending_is_told_with_it() {
    let report = report(Path::new("tests/plan_errors/empty"));
    assert_eq!(only(&report), ("no-file", "there is no file tests/plan_errors/empty"));
    assert_eq!(report.problems[0].help.as_deref(), Some("did you mean `tests/plan_errors/empty.toml`?"));
}

#[test]
fn a_file_of_no_bytes_is_empty() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("quay.toml");
    std::fs::write(&path, "").unwrap();
    assert_eq!(only(&report(&path)).0, "empty");
}

#[test]
fn a_file_of_10_mb_is_not_read() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("quay.toml");
    std::fs::write(&path, vec![b'#'; 10_000_000]).unwrap();
    let report = report(&path);
    let (kind, said) = only(&report);
    assert_eq!(kind, "too-big");
    assert!(said.ends_with("quay.toml has 10000000 bytes; at most 1048576 (1 MiB) are read"), "{said}");
}

#[test]
fn a_pipe_is_refused_at_once_instead_of_waited_for() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("quay.toml");
    let fifo = rustix::fs::FileType::Fifo;
    rustix::fs::mknodat(rustix::fs::CWD, &path, fifo, rustix::fs::Mode::RUSR, 0).unwrap();
    assert_eq!(only(&report(&path)).0, "unreadable");
}

#[test]
fn deep_nesting_and_endless_slips_end_in_a_report() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("quay.toml");
    let deep = 200_000;
    for text in [
        format!("{}b = 1", "a.".repeat(deep)),
        format!("a = {}{}", "[".repeat(deep), "]".repeat(deep)),
        format!("[{}b]", "a.".repeat(deep)),
        "=\n".repeat(deep),
        (1..20_000).map(|i| format!("[look.a{i}]\nlike = \"a{}\"\n", i - 1)).collect(),
    ] {
        std::fs::write(&path, text).unwrap();
        let report = report(&path);
        assert!(!report.problems.is_empty() && report.problems.len() <= 1000);
        assert!(render(&report, Form::Plain).len() < 1_000_000);
    }
}

#[test]
fn a_kept_look_that_cannot_be_read_is_named_with_its_own_file() {
    let folder = tempfile::tempdir().unwrap();
    let plan = folder.path().join("quay.toml");
    std::fs::write(&plan, std::fs::read("config/two-lamps.toml").unwrap()).unwrap();
    let kept = folder.path().join("quay.looks");
    std::fs::create_dir(&kept).unwrap();
    std::fs::write(kept.join("late.toml"), "[look.late]\nkey = { stop = 0 }\n").unwrap();
    let json = report(&plan).to_json();
    assert_eq!(json[0]["kind"], "unknown-key");
    assert!(json[0]["file"].as_str().unwrap().ends_with("quay.looks/late.toml"));
    assert_eq!(json[0]["help"], "did you mean `stops`?");
}
