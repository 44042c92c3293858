//! A plan read again from the texts that a log keeps is the plan; where a text is missing or another, there is none.

use std::path::Path;

use lampkeep::plan::diagnose::{Form, render};
use lampkeep::plan::load::{self, load};
use lampkeep::plan::{Plan, TextRole};

const POINT: &str = "[camera.main]\niso = 800\nf-number = 2.8\nshutter = \"1/50\"\n[profile.point]\nabout = \"the same in all directions\"\ncooling = \"fan\"\n\
                     emitter.white = { kelvin = 5600, lux = 1000 }\n\
                     mode.dim = { slots = [{ drives = \"intensity\", bits = 16 }] }\n";

/// Without what a log does not hold: where its files were.
fn placeless(plan: Plan) -> Plan {
    Plan { path: None, calibrations: None, ..plan }
}

fn read(path: &Path) -> Plan {
    load(path).unwrap_or_else(|report| panic!("{}", render(&report, Form::Plain)))
}

#[test]
fn the_plans_in_config_come_back_from_their_texts() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
    for name in ["pilot-station.toml", "five-lamps.toml", "two-lamps.toml", "harbour-net.toml"] {
        let plan = read(&folder.join(name));
        let again =
            load::again(&plan.texts, &plan.name, Some(&plan.hash)).unwrap_or_else(|| panic!("{name}"));
        assert!(placeless(plan) == placeless(again), "{name}");
    }
}

/// Profiles, a spectrum, a beam file and a kept look of its own, each in its own place.
#[test]
fn so_does_one_with_files_of_its_own_and_not_without_one_of_them() {
    let folder = tempfile::tempdir().expect("a folder");
    let put = |name: &str, text: &str| {
        let path = folder.path().join(name);
        std::fs::create_dir_all(path.parent().expect("a folder")).expect("made");
        std::fs::write(path, text).expect("written");
    };
    put("lamps/beam.ies", include_str!("reference/ies/beam.ies"));
    put("lamps/spectra/red.csv", include_str!("../config/profiles/spectra/red.csv"));
    put(
        "lamps/own.toml",
        "[profile.measured]\nabout = \"a measured beam\"\ncooling = \"fan\"\nies = \"beam.ies\"\n\
         emitter.red = { spectrum = \"spectra/red.csv\", lux = 400 }\nmode.dim = { slots = [{ drives = \"intensity\" }] }\n",
    );
    put("quay.looks/kept.toml", "[look.kept]\nkey = { stops = -1 }\n");
    put(
        "quay.toml",
        &format!(
            "profiles = \"lamps\"\n{POINT}[fixture.key]\nprofile = \"point\"\naddress = 1\nclock = \"7:30\"\ndistance = \"2 m\"\n\
             [fixture.rim]\nprofile = \"measured\"\naddress = 20\nclock = \"1:00\"\ndistance = \"2 m\"\n[look.a]\nkey = {{ stops = 0 }}\n"
        ),
    );
    let plan = read(&folder.path().join("quay.toml"));
    for role in [TextRole::Look, TextRole::Profile, TextRole::Spectrum, TextRole::Beam] {
        assert!(plan.texts.iter().any(|t| t.role == role), "{role:?}");
    }
    let again = load::again(&plan.texts, "quay", Some(&plan.hash)).expect("it is whole");
    assert!(placeless(plan.clone()) == placeless(again));
    for missing in 0..plan.texts.len() {
        let mut texts = plan.texts.as_ref().clone();
        texts.remove(missing);
        assert!(load::again(&texts, "quay", Some(&plan.hash)).is_none(), "without text {missing}");
    }
    let mut texts = plan.texts.as_ref().clone();
    texts[0].text = texts[0].text.replace("7:30", "7:00");
    assert!(load::again(&texts, "quay", Some(&plan.hash)).is_none(), "another text than it was");
    assert!(load::again(&texts, "quay", None).is_some());
}
