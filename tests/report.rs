//! The report that `rehearse --out` writes. Source of what is expected: docs/rehearse.md.

use std::path::Path;
use std::process::Command;

fn report(folder: &Path) -> String {
    let out = Command::new(env!("CARGO_BIN_EXE_lampkeep"))
        .args(["rehearse", "--ambient", "35", "--to", "50:00", "--out", folder.to_str().expect("text")])
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
    for picture in ["set", "heat", "light", "power", "flashes"] {
        let svg = std::fs::read_to_string(dir.path().join(format!("{picture}.svg"))).expect("an SVG");
        assert!(svg.starts_with("<svg") && page.contains(&svg), "{picture}");
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
