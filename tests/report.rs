//! The report that `rehearse --out` writes. Source of what is expected: docs/rehearse.md.

use std::path::Path;
use std::process::Command;

fn report(folder: &Path) -> String {
    rehearsed(folder, &["--ambient", "35", "--to", "50:00", "--faces", "none"])
}

fn rehearsed(folder: &Path, wishes: &[&str]) -> String {
    let out = Command::new(env!("CARGO_BIN_EXE_lampkeep"))
        .arg("rehearse")
        .args(wishes)
        .args(["--out", folder.to_str().expect("text")])
        .output()
        .expect("it runs");
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    std::fs::read_to_string(folder.join("report.html")).expect("a report")
}

#[test]
fn one_page_holds_everything_and_needs_nothing_from_elsewhere() {
    let dir = tempfile::tempdir().expect("a folder");
    let page = report(dir.path());
    assert!(page.starts_with("<!DOCTYPE html>") && page.trim_end().ends_with("</html>"));
    for word in ["<script", "<link", "@import", "url(", "src=\"http", "href=\"http"] {
        assert!(!page.contains(word), "{word}");
    }
    // Names of namespaces are no addresses.
    assert_eq!(page.matches("http").count(), page.matches("xmlns=\"http://www.w3.org/2000/svg\"").count());
    for said in [
        "works, with",
        "Heat of each lamp",
        "Light of each lamp",
        "Power of each circuit",
        "Flash counter",
        "°C",
    ] {
        assert!(page.contains(said), "{said}");
    }
    for picture in ["set", "set-words", "heat", "light", "power", "flashes"] {
        let svg = std::fs::read_to_string(dir.path().join(format!("{picture}.svg"))).expect("an SVG");
        // The words are in the page as text, which breaks its lines as a telephone needs them.
        let shown = if picture == "set-words" {
            page.contains("<b>key</b> lamp P1; at 7:30")
        } else {
            page.contains(&svg)
        };
        assert!(svg.starts_with("<svg") && shown, "{picture}");
        let png = std::fs::read(dir.path().join(format!("{picture}.png"))).expect("a PNG");
        // Source: PNG specification, 5.2: the signature.
        assert_eq!(png[..8], [137, 80, 78, 71, 13, 10, 26, 10], "{picture}");
    }
}

/// Heat that holds the light is told in the page as it is in the timeline.
#[test]
fn the_page_tells_who_was_held_and_two_runs_have_the_same_bytes() {
    let dirs = [tempfile::tempdir().expect("a folder"), tempfile::tempdir().expect("a folder")];
    let pages = dirs.each_ref().map(|d| report(d.path()));
    assert!(pages[0] == pages[1], "the same plan and wishes give the same page");
    assert!(pages[0].contains("held: no minute to spare"), "broad is held at 35 °C");
    let png = dirs.each_ref().map(|d| std::fs::read(d.path().join("heat.png")).expect("a PNG"));
    assert!(png[0] == png[1]);
}

/// A look that hides who is speaking: its face by both cameras, in the page and beside it.
#[test]
fn each_looks_face_is_in_the_page_and_of_a_protected_one_whether_it_would_be_seen() {
    let dir = tempfile::tempdir().expect("a folder");
    let page = rehearsed(dir.path(), &["--from", "unseen-pilot", "--to", "1:31:05"]);
    let names = |dir: &Path| {
        let entries = std::fs::read_dir(dir).expect("the folder").map(|e| e.expect("an entry").file_name());
        let mut names: Vec<String> = entries.map(|n| n.to_string_lossy().into_owned()).collect();
        names.retain(|n| n.starts_with("face-"));
        names.sort();
        names
    };
    let found = names(dir.path());
    assert_eq!(
        found,
        [
            "face-unseen-pilot-main-lifted.png",
            "face-unseen-pilot-main.png",
            "face-unseen-pilot-side-lifted.png",
            "face-unseen-pilot-side.png",
        ]
    );
    assert_eq!(page.matches("src=\"data:image/png;base64,").count(), found.len());
    // The window's light falls on the face: the plan's own lamps do not show it.
    for said in [
        "The face in unseen-pilot by camera side",
        "The same with shadows lifted by 4 stops",
        "unseen-pilot: the face that it hides would be seen by camera main",
        "parts of it differ by",
    ] {
        assert!(page.contains(said), "{said}");
    }
    assert!(dir.path().join("looks.svg").exists() && dir.path().join("looks.png").exists());
}
