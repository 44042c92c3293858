//! Plans whose looks move: what `check` refuses, what passes held against a counter that shares no code with the
//! guard, and the example plan.

#[path = "flash/counter.rs"]
#[allow(dead_code)]
mod counter;

use std::path::Path;
use std::process::Command;
use std::sync::Arc;

use lampkeep::guards::moving::flashing;
use lampkeep::light::solve;
use lampkeep::plan::{FixtureId, Kind, Plan, load};
use lampkeep::rehearse::{WHITE, rehearse};
use lampkeep::wire::sim;
use proptest::prelude::*;

/// A plan of one face and some lamps round it, each with a target; `moves` of each stand in its own look.
fn plan_text(targets: &str) -> String {
    format!(
        "[camera.main]\niso = 800\nf-number = 2.8\nshutter = \"1/50\"\n\
         [room]\nback = \"2 m\"\n\
         [fixture.key]\nlamp = \"P1\"\nclock = \"7:30\"\ndistance = \"1.5 m\"\n\
         [fixture.fill]\nlamp = \"B3\"\nclock = \"5:00\"\ndistance = \"1.5 m\"\n\
         [fixture.glow]\nlamp = \"W1\"\nclock = \"6:00\"\ndistance = \"1.2 m\"\n\
         [look.moving]\nfade = \"0 s\"\n{targets}\n"
    )
}

fn load_text(text: &str) -> Result<Plan, lampkeep::plan::Report> {
    let dir = tempfile::tempdir().expect("a folder");
    let path = dir.path().join("moving.toml");
    std::fs::write(&path, text).expect("written");
    std::fs::write(dir.path().join("kit.toml"), include_str!("../config/kit.toml")).expect("written");
    load::load(&path)
}

/// Illuminance at every receptor of the plan in each frame of a rehearsal, decoded from the slots.
fn rehearsed(plan: &Plan, seconds: u64) -> Vec<Vec<f64>> {
    let mut plan = plan.clone();
    plan.order = vec![lampkeep::plan::Step {
        look: plan.look_named("moving").expect("the look"),
        fade: std::time::Duration::ZERO,
        on_for: std::time::Duration::from_secs(seconds),
        takes: None,
    }];
    let mut courses = vec![Vec::new(); plan.spill.receptors.len()];
    let plan = Arc::new(plan);
    rehearse(Arc::clone(&plan), |frames| {
        let at_1m: Vec<f64> = plan
            .fixtures
            .iter()
            .map(|fixture| {
                let address = fixture.address().expect("driven");
                let first = usize::from(address.first) - 1;
                let end = first + usize::from(fixture.mode.footprint());
                sim::shown(fixture, &frames[address.output.0].slots[first..end], WHITE).lux
                    / solve::gain(fixture)
            })
            .collect();
        for (course, receptor) in courses.iter_mut().zip(&plan.spill.receptors) {
            course.push(receptor.lamps.iter().zip(&at_1m).map(|(sent, lux)| sent.total() * lux).sum());
        }
    });
    courses
}

#[test]
fn the_usual_fire_and_screen_pass_alone_at_0_stops_for_nearly_every_seed() {
    for (like, least) in [("fire", 11), ("screen", 11)] {
        let passes = |seed: u32| {
            let target = format!(
                "key = {{ stops = 0, move = {{ flicker = {{ like = \"{like}\", seed = {seed} }} }} }}"
            );
            load_text(&plan_text(&target)).is_ok()
        };
        let passed = (0..12).filter(|seed| passes(*seed)).count();
        println!("{like}: {passed} of 12 seeds");
        assert!(passed >= least, "{like}: {passed} of 12 seeds");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]

    /// Source: the counting rule in the header of tests/reference/flash.csv, by tests/flash/counter.rs: at most three
    /// flashes, six changes, in any second of what passes.
    #[test]
    fn what_is_not_refused_flashes_at_most_three_times_a_second(
        fire in any::<bool>(), seed in any::<u32>(), every in 0.15..1.5, depth in 0.2..3.0, breath in 0.3..4.0,
    ) {
        let like = if fire { "fire" } else { "screen" };
        let text = plan_text(&format!(
            "key = {{ stops = 0, move = {{ flicker = {{ like = \"{like}\", seed = {seed}, every = \"{every} s\", \
             period = \"12 s\", depth = \"{depth} stops\" }} }} }}\n\
             fill = {{ stops = -1, move = {{ breath = {{ period = \"{breath} s\", depth = \"1 stop\" }} }} }}"
        ));
        match load_text(&text) {
            Err(report) => prop_assert!(report.problems.iter().all(|p| p.kind == Kind::Flashes), "{report}"),
            Ok(plan) => {
                let full = plan.exposure.zero_stops.get();
                for course in rehearsed(&plan, 26) {
                    // The fade in is a recall's, not the motion's.
                    let changes = counter::in_the_last_second(&course[40..], full, 40, false);
                    prop_assert!(changes / 2 <= 3, "{changes} changes");
                }
            }
        }
    }
}

#[test]
fn a_fast_flicker_is_refused_at_its_place_and_a_kept_one_only_noted() {
    let target =
        "key = { stops = 0, move = { flicker = { like = \"screen\", seed = 3, every = \"0.2 s\" } } }";
    let report = load_text(&plan_text(target)).expect_err("it flashes");
    assert_eq!(report.problems.len(), 1);
    let problem = &report.problems[0];
    assert_eq!(problem.kind, Kind::Flashes);
    let (line, column) = report.line_column(problem.marks[0].place);
    let text = plan_text(target);
    assert!(text.lines().nth(line - 1).expect("a line")[column - 1..].starts_with("move"), "{line}:{column}");

    let dir = tempfile::tempdir().expect("a folder");
    let path = dir.path().join("moving.toml");
    std::fs::write(&path, plan_text("key = { stops = 0 }")).expect("written");
    std::fs::write(dir.path().join("kit.toml"), include_str!("../config/kit.toml")).expect("written");
    std::fs::create_dir(dir.path().join("moving.looks")).expect("a folder");
    std::fs::write(dir.path().join("moving.looks/kept.toml"), format!("[look.kept]\n{target}\n"))
        .expect("written");
    let plan = load::load(&path).expect("a kept look never keeps a plan from starting");
    let noted = plan
        .notes
        .iter()
        .any(|n| n.contains("look `kept`") && n.contains("the flash guard will hold it back"));
    assert!(noted, "{:?}", plan.notes);
}

/// Bounded work: the longest periods of every kind at once.
#[test]
fn the_longest_periods_are_looked_at_in_bounded_time() {
    let text = plan_text(
        "key = { stops = 0, kelvin = 2700, move = { hue-circle = { period = \"1 h\", depth = \"60 %\" } } }\n\
         fill = { stops = -1, move = { breath = { period = \"1 h\", depth = \"4 stops\" } } }\n\
         glow = { stops = -1, move = { flicker = { like = \"fire\", seed = 1, every = \"1.5 s\", period = \"5 min\" } } }",
    );
    // Were all two hours gone through, at 40 frames a second and every point, this would take minutes.
    let plan = load_text(&text).expect("slow enough");
    assert!(flashing(&plan, plan.look(plan.look_named("moving").expect("the look"))).is_none());
    assert_eq!(plan.fixture(FixtureId(2)).id, "glow");
}

fn lampkeep(args: &[&str]) -> (Option<i32>, String) {
    let out = Command::new(env!("CARGO_BIN_EXE_lampkeep")).args(args).output().expect("it runs");
    (out.status.code(), String::from_utf8(out.stdout).expect("text") + &String::from_utf8_lossy(&out.stderr))
}

#[test]
fn the_example_passes_check_and_its_rehearsal_tells_what_moves() {
    let path = "config/harbour-fire.toml";
    assert!(Path::new(path).exists());
    let (code, said) = lampkeep(&["check", path]);
    assert_eq!(code, Some(0), "{said}");
    for line in [
        "moves: breath 9 s, 1 stop: wall-1, wall-2, wall-3",
        "moves: fire flicker every 1 s, 0.7 stops, seed 7, again after 60 s: key",
        "moves: wander 90 s, 3 colours: wall-1, wall-2, wall-3",
        "moves: hue circle 60 s, 30 % deep: wall-1, wall-2, wall-3",
    ] {
        assert!(said.contains(line), "{line}\n{said}");
    }
    let (code, said) = lampkeep(&["rehearse", path]);
    assert_eq!(code, Some(0), "{said}");
    assert!(said.contains("moves: screen flicker every 3 s, 1 stop, seed 3, again after 60 s"), "{said}");
}
