//! `draw` and `sheet --out` by the built binary: files, exit codes, and what is not told while a face is protected.

use std::path::Path;
use std::process::{Command, Output};

fn lampkeep(folder: &Path, words: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_lampkeep"))
        .args(words)
        .current_dir(folder)
        .env("LAMPKEEP_STATE", folder.join("state"))
        .output()
        .expect("it runs")
}

fn plan(name: &str) -> String {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("config").join(name).display().to_string()
}

fn files(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).expect("the folder is there");
    let mut names: Vec<String> =
        entries.map(|e| e.expect("an entry").file_name().to_string_lossy().into_owned()).collect();
    names.sort();
    names
}

#[test]
fn a_plan_is_drawn_as_svg_and_png_and_one_look_by_every_camera() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = folder.path();
    let out = lampkeep(at, &["draw", &plan("two-lamps.toml"), "--draft", "--size", "32"]);
    assert_eq!(out.status.code(), Some(0), "{}", String::from_utf8_lossy(&out.stderr));
    let pictures = at.join("pictures");
    assert_eq!(files(&pictures), ["looks.png", "looks.svg", "set.png", "set.svg"]);
    let svg = std::fs::read_to_string(pictures.join("set.svg")).expect("there");
    assert!(
        svg.starts_with("<svg ") && svg.contains(">key</text>") && !svg.contains("http://www.w3.org/1999")
    );
    assert!(std::fs::read(pictures.join("looks.png")).expect("there").starts_with(b"\x89PNG\r\n\x1a\n"));

    let demo = plan("pilot-station.toml");
    let words =
        ["draw", &demo, "--look", "unseen-pilot", "--draft", "--size", "32", "--out", "one", "--json"];
    let out = lampkeep(at, &words);
    assert_eq!(out.status.code(), Some(0), "{}", String::from_utf8_lossy(&out.stderr));
    let names = files(&at.join("one"));
    for name in
        ["face-unseen-pilot-main.png", "face-unseen-pilot-main-lifted.png", "face-unseen-pilot-side.png"]
    {
        assert!(names.iter().any(|n| n == name), "{name} is not in {names:?}");
    }
    let said: serde_json::Value = serde_json::from_slice(&out.stdout).expect("JSON");
    assert_eq!(said["files"].as_array().map(Vec::len), Some(names.len()));
    let verdict = &said["protect"][0];
    assert_eq!((&verdict["look"], &verdict["camera"]), (&"unseen-pilot".into(), &"main".into()));
    // The window's light falls on the face, which the plan's own lamps spare.
    assert_eq!(verdict["seen_lifted"], true);

    let first = std::fs::read(at.join("one/face-unseen-pilot-main.png")).expect("there");
    lampkeep(at, &words);
    assert_eq!(
        first,
        std::fs::read(at.join("one/face-unseen-pilot-main.png")).expect("there"),
        "the same bytes"
    );
}

/// Source: docs/pictures.md: each of several people has a picture by each camera; of a look that hides somebody those of whom it
/// hides are judged.
#[test]
fn every_person_is_drawn_and_those_whom_a_look_hides_are_judged() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = folder.path();
    let text = std::fs::read_to_string(plan("two-lamps.toml")).expect("there");
    let people = "[subject.pilot]\n[subject.guest]\nat = [\"60 cm\", \"0 m\"]\nprotect = false\n\
                  [look.unseen]\nprotect = true\nhair = { stops = -1 }\n";
    std::fs::write(at.join("two.toml"), format!("{text}\n{people}")).expect("written");
    let words = ["draw", "two.toml", "--look", "unseen", "--draft", "--size", "32", "--json"];
    let out = lampkeep(at, &words);
    assert_eq!(out.status.code(), Some(0), "{}", String::from_utf8_lossy(&out.stderr));
    let mut names = files(&at.join("pictures"));
    names.retain(|n| n.starts_with("face-"));
    let wanted =
        ["face-unseen-guest-main.png", "face-unseen-pilot-main-lifted.png", "face-unseen-pilot-main.png"];
    assert_eq!(names, wanted);
    let said: serde_json::Value = serde_json::from_slice(&out.stdout).expect("JSON");
    let judged: Vec<_> = said["protect"].as_array().into_iter().flatten().map(|v| &v["subject"]).collect();
    assert_eq!(judged, ["pilot"]);
}

#[test]
fn an_unknown_look_and_a_folder_that_cannot_be_made_are_said() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = folder.path();
    let out = lampkeep(at, &["draw", &plan("two-lamps.toml"), "--look", "tlak"]);
    let said = String::from_utf8_lossy(&out.stderr).into_owned();
    assert_eq!(out.status.code(), Some(1));
    assert!(said.contains("no look `tlak` in this plan") && said.contains("did you mean `talk`?"), "{said}");
    std::fs::write(at.join("taken"), "").expect("written");
    let out = lampkeep(at, &["draw", &plan("two-lamps.toml"), "--out", "taken"]);
    assert_eq!(out.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&out.stderr).contains("give another folder with --out"));
    assert_eq!(lampkeep(at, &["draw", &plan("two-lamps.toml"), "--size", "5"]).status.code(), Some(2));
    assert_eq!(lampkeep(at, &["draw", "not-there.toml"]).status.code(), Some(3));
}

/// A protect file that cannot be read counts as on: docs/safety.md.
#[test]
fn while_a_face_is_protected_neither_pictures_nor_their_names_tell_a_name() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = folder.path();
    std::fs::create_dir(at.join("state")).expect("made");
    std::fs::write(at.join("state/protect.simulated.json"), "{").expect("written");
    let demo = plan("pilot-station.toml");
    let out =
        lampkeep(at, &["draw", &demo, "--look", "unseen-pilot", "--draft", "--size", "32", "--out", "told"]);
    assert_eq!(out.status.code(), Some(0), "{}", String::from_utf8_lossy(&out.stderr));
    let names = files(&at.join("told"));
    assert!(names.iter().any(|n| n == "set-look-10.svg"), "{names:?}");
    let svg = std::fs::read_to_string(at.join("told/set-look-10.svg")).expect("there");
    let stdout = String::from_utf8_lossy(&out.stdout).into_owned();
    for name in ["unseen", "chart-lamp", "softbox", "camera main", "-main", "a shape before"] {
        assert!(
            !svg.contains(name) && !stdout.contains(name) && !names.iter().any(|n| n.contains(name)),
            "{name}"
        );
    }
    let out = lampkeep(at, &["sheet", &demo, "--out", "rig.html"]);
    assert_eq!(out.status.code(), Some(0));
    let page = std::fs::read_to_string(at.join("rig.html")).expect("there");
    assert!(page.contains("<svg ") && page.contains("RIG SHEET") && page.contains("lamp-1"));
    assert!(!page.contains("chart-lamp") && !page.contains("unseen"));
}
