//! `check` on exposure: what cameras see, which shutters are steady, and cures that cure.

use lampkeep::cli::check::{Findings, findings};
use lampkeep::engine::exposure::MainsHelp;
use lampkeep::plan::load::load;

/// A camera and two lamps of the pilot station, figures invented; `more` comes first.
fn plan(camera: &str, distance: &str, more: &str) -> String {
    format!(
        r#"
{more}
[camera.main]
{camera}

[profile.mole-spot]
cooling = "fan"
pwm = "1.01 kHz"
emitter.white = {{ kelvin = 5600, lux = 200 }}
mode.dim = {{ slots = [{{ drives = "intensity", bits = 16 }}] }}

[profile.mole-mat]
cooling = "fan"
radius = "30 cm"
emitter.white = {{ kelvin = 5600, lux = 200 }}
mode.dim = {{ slots = [{{ drives = "intensity", bits = 16 }}] }}

[fixture.key]
profile = "mole-spot"
address = 1
clock = "7:30"
distance = "{distance}"

[fixture.fill]
profile = "mole-mat"
address = 3
clock = "4:30"
distance = "1.2 m"

[look.day]
key = {{ stops = 0 }}
fill = {{ to-key = -1.5 }}
"#
    )
}

const CAMERA: &str = "iso = 800\nf-number = 2.8\nfps = 24\nshutter = \"180 deg\"\n";

fn check(text: &str) -> Findings {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("mole.toml");
    std::fs::write(&path, text).expect("a file");
    findings(&load(&path).unwrap_or_else(|report| panic!("{report:?}")))
}

fn short(found: &Findings) -> Vec<&String> {
    found.looks[0].warnings.iter().filter(|warning| warning.contains("short")).collect()
}

/// Source: the plan's own exposure and the inverse-square law: each cure, put into the plan, leaves nothing
/// short; so the figures are checked by the solver that sends the light.
#[test]
fn every_cure_that_check_names_cures() {
    // 0 stops = 250 x 2.8² x 48 / 800 = 117.6 lx; the key has 200 / 2² = 50 lx: 1.2339 stops short.
    let found = check(&plan(CAMERA, "2 m", ""));
    assert_eq!(short(&found), ["key 1.2 stops short"]);
    let cure = found.looks[0].cure.clone().expect("it is short");
    assert!((cure.short_stops - (117.6_f64 / 50.0).log2()).abs() < 1e-9);
    assert_eq!((cure.iso, cure.aperture), (Some(2000.0), Some(1.8)));
    // √(200 / 117.6) m
    assert_eq!(cure.nearer[0].0, "key");
    assert!((cure.nearer[0].1.expect("a distance") - (200.0_f64 / 117.6).sqrt()).abs() < 1e-9);
    for (camera, distance) in [
        (CAMERA.replace("800", "2000"), "2 m"),
        (CAMERA.replace("2.8", "1.8"), "2 m"),
        (CAMERA.to_owned(), "1.30 m"),
    ] {
        let cured = check(&plan(&camera, distance, ""));
        assert!(short(&cured).is_empty() && cured.looks[0].cure.is_none(), "{camera} {distance}");
    }
    let text = found.text("mole.toml");
    assert!(text.contains("needs ISO 2000, or f/1.8, or key at 1.30 m"), "{text}");
}

#[test]
fn a_lamp_that_does_not_follow_the_exposure_is_cured_by_distance_alone() {
    let text = plan(CAMERA, "2 m", "").replace("key = { stops = 0 }", "key = { lux = 100 }");
    let found = check(&text);
    let cure = found.looks[0].cure.clone().expect("it is short");
    assert_eq!((cure.short_stops, cure.iso, cure.aperture), (0.0, None, None));
    assert!(found.text("").contains("needs key at 1.41 m"), "{}", found.text(""));
    let near =
        text.replace("lux = 100", "lux = 100000").replace("distance = \"2 m\"", "distance = \"40 cm\"");
    assert!(check(&near).text("").contains("needs a brighter key"));
    let far = check(&plan(&CAMERA.replace("800", "51200"), "30 m", ""));
    assert!(
        far.text("").contains("needs f/0.9, or key at 10.43 m"),
        "ISO 400000 is in no camera: {}",
        far.text("")
    );
}

/// Source: the disc law by hand: from a reading of 200 lx at 1 m, R 0.3 m, 117.6 lx are at √(200 / 117.6 × 1.09 - 0.09)
/// = 1.328 m; and the solver, which must be content there.
#[test]
fn a_soft_front_is_moved_as_far_as_its_size_asks() {
    let soft = plan(CAMERA, "2 m", "").replacen("profile = \"mole-spot\"", "profile = \"mole-mat\"", 1);
    let there = check(&soft).looks[0].cure.clone().expect("it is short").nearer[0].1.expect("a distance");
    assert!((there - (200.0_f64 / 117.6 * 1.09 - 0.09).sqrt()).abs() < 1e-9, "{there}");
    let cured = soft.replacen("distance = \"2 m\"", &format!("distance = \"{:.2} m\"", there - 0.005), 1);
    assert!(short(&check(&cured)).is_empty());
}

fn at(found: &Findings, mains_hz: f64) -> MainsHelp {
    found.exposure.cameras[0].mains.iter().find(|m| m.mains_hz == mains_hz).expect("judged").clone()
}

/// Source: the trade's table of safe angles: 24 frames at 50 Hz 86.4, 172.8, 259.2 degrees, at 60 Hz 72, 144, 216;
/// half of a 24th of a second is no whole number of pulses in either.
#[test]
fn check_prints_the_safe_angles_of_both_mains_or_of_the_plans_own() {
    let found = check(&plan(CAMERA, "1 m", ""));
    for (mains, printed) in [(50.0, [86.4, 172.8, 259.2]), (60.0, [72.0, 144.0, 216.0])] {
        let help = at(&found, mains);
        assert!(!help.steady);
        for (ours, angle) in help.all.iter().zip(printed) {
            assert!((ours.angle_deg.expect("fps is known") - angle).abs() < 1e-9, "{help:?}");
        }
    }
    let text = found.text("");
    assert!(text.contains("take 1/50 s (172.8 deg) or 3/100 s (259.2 deg)"), "{text}");
    assert!(text.contains("all steady: 72, 144, 216, 288, 360 deg"), "{text}");
    assert!(!text.contains("! 60 Hz"), "{text}");
    let own = check(&plan(CAMERA, "1 m", "mains = \"60 Hz\""));
    assert_eq!(own.exposure.cameras[0].mains.len(), 1);
    assert!(own.text("").contains("! 60 Hz mains: 1/48 s (180 deg) swings by up to"), "{}", own.text(""));
    let safe = check(&plan(&CAMERA.replace("180 deg", "144 deg"), "1 m", "mains = \"60 Hz\""));
    assert!(safe.text("").contains("60 Hz mains: 1/60 s (144 deg) is steady"), "{}", safe.text(""));
    let fast = check(&plan(&CAMERA.replace("24", "240"), "1 m", ""));
    assert!(fast.text("").contains("no shutter is steady"), "{}", fast.text(""));
}

/// Source: the trade's figure: 1.01 kHz at 1/50 s is warned of (practice.md, pain 14).
#[test]
fn slow_pulse_width_modulation_is_warned_of_and_unknown_is_named() {
    let found = check(&plan(&CAMERA.replace("180 deg", "1/50"), "1 m", ""));
    let pwm = &found.exposure.pwm[0];
    assert!(pwm.seen && pwm.fixtures == ["key"]);
    assert!((pwm.swing_stops.expect("bounded") - (20.0_f64 / 19.0).log2()).abs() < 1e-12);
    assert_eq!(found.exposure.pwm_unknown, ["fill"]);
    let text = found.text("");
    assert!(text.contains("! PWM 1.01 kHz (key): exposures of 1/50 s differ by 0.074 stops"), "{text}");
}

/// Source: ISO 2720: ISO 1600 and f/4 ask 125 lx where ISO 800 and f/2.8 ask 122.5, at 1/50 s; density 0.6 asks
/// 1.993 stops more, and the meter then shows them too.
#[test]
fn several_cameras_are_held_against_the_first() {
    let more = "[camera.side]\niso = 1600\nf-number = 4\nnd = 0.6\nshutter = \"1/50\"\n";
    let text = plan(&CAMERA.replace("180 deg", "1/50"), "1 m", "") + more;
    let found = check(&text);
    let side = &found.exposure.cameras[1];
    assert!((side.zero_stops_lux - 125.0 * 10_f64.powf(0.6)).abs() < 1e-9);
    assert!((side.brighter_stops - (122.5 / side.zero_stops_lux).log2()).abs() < 1e-12);
    assert_eq!((found.exposure.cameras[0].meter.as_str(), side.meter.as_str()), ("f/2.8", "f/8"));
    let said = found.text("");
    assert!(said.contains("sees the set 2.0 stops darker than main does"), "{said}");
    assert!(said.contains("f/8, before its ND 0.6, on a meter at ISO 1600 and 1/50 s"), "{said}");
    assert!(said.contains("key on a meter: f/2.8 in day"), "{said}");
}

#[test]
fn findings_go_into_json_with_full_precision() {
    let json = serde_json::to_value(check(&plan(CAMERA, "2 m", ""))).expect("JSON");
    assert_eq!(json["looks"][0]["cure"]["iso"], 2000.0);
    assert_eq!(json["exposure"]["pwm"][0]["pwm_hz"], 1010.0);
    assert!(json["exposure"]["cameras"][0]["mains"][0]["swing_stops"].as_f64().expect("a number") > 0.0);
    assert_eq!(json["looks"][0]["key"]["meter"], "f/1.4 +0.7");
}
