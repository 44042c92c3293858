//! Eyes in `check`. Source of what is expected: the requirement's text (a lamp's risk group, IEC 62471; none given:
//! do not stare; least distance; removing a diffuser makes the source brighter), distances by hand.

#![expect(clippy::expect_used, reason = "a test's helpers fail the test by panicking")]

use lampkeep::cli::check;
use lampkeep::plan::load;

fn findings(key: &str) -> (check::Findings, String) {
    let text = format!(
        "[camera.main]\niso = 800\nf-number = 2.8\nshutter = \"1/50\"\n\
         [modifier.cloth]\nloss = \"1 stop\"\nsize = \"60 cm\"\n\
         [fixture.key]\nprofile = \"bicolour-mat\"\naddress = 1\nclock = \"7:30\"\nheight = \"1.2 m\"\n{key}\n\
         [fixture.fill]\nprofile = \"bicolour-mat\"\naddress = 11\nclock = \"4:30\"\nheight = \"1.2 m\"\ndistance = \"2 m\"\n\
         [look.day]\nkey = {{ of-full = \"50 %\" }}\n"
    );
    let dir = tempfile::tempdir().expect("a folder");
    let path = dir.path().join("quay.toml");
    std::fs::write(&path, text).expect("written");
    let plan = load::load(&path).unwrap_or_else(|e| panic!("{e:?}"));
    let found = check::findings(&plan);
    let text = found.text("quay.toml");
    (found, text)
}

#[test]
fn a_lamp_nearer_to_a_face_than_it_may_be_is_told() {
    let near = "distance = \"0.5 m\"\neyes = { least-distance = \"60 cm\", risk-group = \"RG2\" }\nmodifiers = [\"cloth\"]";
    let (found, text) = findings(near);
    assert_eq!(found.eyes.too_near.len(), 1);
    assert!((found.eyes.too_near[0].distance_m - 0.5).abs() < 1e-9);
    for line in [
        "! key is 0.50 m from the face of subject, nearer than its least distance of 0.60 m: move it back, or dim it and \
         ask its maker",
        "eyes: key is RG2: do not stare into it",
        "eyes: risk group unknown, do not stare into fill",
        "eyes: without its diffuser or softbox a lamp's source is brighter: key",
    ] {
        assert!(text.lines().any(|l| l == line), "{line}\n{text}");
    }
}

#[test]
fn a_lamp_far_enough_and_without_hazard_is_not() {
    let far = "distance = \"0.7 m\"\neyes = { least-distance = \"60 cm\", risk-group = \"RG0\" }\nmodifiers = [\"cloth\"]";
    let (found, text) = findings(far);
    assert!(found.eyes.too_near.is_empty() && found.eyes.brighter_bare.is_empty());
    assert!(!text.contains("key is RG") && text.contains("do not stare into fill\n"), "{text}");
}
