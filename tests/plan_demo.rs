//! The built-in demo, the shipped examples and the sample of the interface load, and mean what the
//! documents say.

mod common_plan;

use std::collections::BTreeSet;
use std::path::Path;
use std::time::Duration;

use common_plan::read_plan;
use lampkeep::plan::diagnose::{Form, render};
use lampkeep::plan::{
    Aim, Bits, ColourTarget, Control, Cooling, Level, Mixing, Motion, OutputKind, Plan, SubjectId, load,
};

fn loaded(path: &str) -> Plan {
    load::load(Path::new(path)).unwrap_or_else(|report| panic!("{}", render(&report, Form::Plain)))
}

/// The sample of interface.md part 2, word for word.
const SAMPLE: &str = r#"[camera.main]
iso = 800
f-number = 2.8            # or t-stop; nd = 0.6 (density: 2 stops); the first camera sets exposure, all count for protect
fps = 25
shutter = "180 deg"       # or "1/50", which needs no fps
white-balance = 5600

[subject.pilot]
faces = "6:30"            # default 6:00; at, eye-height

[fixture.key]
lamp = "B3"               # a body from kit.toml; or profile, mode, address here
clock = "7:30"
height = "1.9 m"
distance = "1.5 m"
modifiers = ["softbox-90"]
# left out here: [modifier.softbox-90], [fixture.fill], [fixture.hair], output, circuit, order

[look.harbour-light]
kelvin = 5600
key = { stops = 0 }
fill = { to-key = -2 }
hair = { to-key = -0.5, kelvin = 4400 }
"#;

const LEFT_OUT: &str = r#"
[modifier.softbox-90]
loss = "1.5 stops"

[fixture.fill]
lamp = "B2"
clock = "5:00"
distance = "2 m"

[fixture.hair]
lamp = "B1"
aim = "hair"
clock = "1:00"
height = "2.2 m"
distance = "6 ft"

[output.usb]
kind = "simulator"

[circuit.wall]
breaker = "10 A"
"#;

#[test]
fn the_sample_of_the_interface_loads_word_for_word() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("harbour.toml");
    std::fs::write(&path, format!("order = [\"harbour-light\"]\n{SAMPLE}{LEFT_OUT}")).unwrap();
    std::fs::copy("config/kit.toml", folder.path().join("kit.toml")).unwrap();
    let plan = load::load(&path).unwrap_or_else(|report| panic!("{}", render(&report, Form::Plain)));
    assert_eq!(plan.name, "harbour");
    // practice.md, trade facts: f/2.8, 1/50 s, ISO 800 is 122 lx.
    assert!((plan.exposure.zero_stops.get() - 122.5).abs() < 1e-9);
    let look = plan.look(plan.look_named("harbour-light").unwrap());
    let hair = look.target(plan.fixture_named("hair").unwrap()).unwrap();
    assert!(matches!(hair.level, Level::ToKey(s) if s.get() == -0.5));
    assert!(matches!(hair.colour, ColourTarget::White(k, _) if k.get() == 4400.0));
    let key = plan.fixture(plan.fixture_named("B3").unwrap());
    assert_eq!(key.id, "key");
    assert_eq!(key.loss.get(), 1.5);
    // Defaults: universe 1, the sole output and circuit, aim at the first subject, fade 2 s.
    assert_eq!(key.address().unwrap().universe, 1);
    assert!(key.circuit.is_some());
    assert_eq!(key.place.aim, Aim::Face(SubjectId(0)));
    assert_eq!(plan.fade, Duration::from_secs(2));
    assert_eq!(plan.order[0].fade, Duration::from_secs(2));
    let hair = plan.fixture(plan.fixture_named("hair").unwrap());
    // Source: 1 ft is 0.3048 m exactly (international yard and pound agreement, 1959).
    assert!((hair.place.distance_m - 1.8288).abs() < 1e-12);
}

#[test]
fn the_demo_has_the_lamps_that_it_promises() {
    let plan = load::demo();
    assert_eq!((plan.name.as_str(), &plan.path), ("pilot-station", &None));
    let dmx: Vec<_> = plan.fixtures.iter().filter(|f| matches!(f.control, Control::Dmx(_))).collect();
    assert!(dmx.len() >= 8, "{} lamps by DMX", dmx.len());
    let profiles: BTreeSet<_> = dmx.iter().map(|f| f.profile.name.as_str()).collect();
    assert!(profiles.len() >= 5, "{profiles:?}");
    assert!(plan.fixtures.iter().any(|f| f.profile.cooling == Cooling::FanLess));
    assert_eq!(plan.fixtures.iter().filter(|f| f.control == Control::Hand).count(), 1);
    assert_eq!((plan.bounces.len(), plan.circuits.len()), (1, 2));
    let universes: BTreeSet<_> = dmx.iter().map(|f| f.address().unwrap().universe).collect();
    assert_eq!(universes.len(), 2);
    assert!(plan.fixtures.iter().all(|f| f.profile.invented));
}

#[test]
fn the_shipped_profiles_cover_the_kinds_of_lamp_that_the_issue_lists() {
    let plan = load::demo();
    let modes = || plan.fixtures.iter().flat_map(|f| f.profile.modes.iter().map(move |m| (f, m)));
    let any = |is: &dyn Fn(&Mixing, u16, Bits, usize) -> bool| {
        modes().any(|(f, m)| is(&m.mixing, m.footprint(), m.channels[0].bits, f.profile.emitters.len()))
    };
    assert!(any(&|m, slots, bits, _| matches!(m, Mixing::White { tint: None, .. })
        && slots == 2
        && bits == Bits::Eight));
    assert!(any(&|m, slots, bits, _| matches!(m, Mixing::White { tint: Some(_), .. })
        && slots >= 4
        && bits == Bits::Sixteen));
    for wanted in [Bits::Eight, Bits::Sixteen] {
        assert!(any(&|m, _, bits, emitters| matches!(m, Mixing::Emitters { .. })
            && emitters == 5
            && bits == wanted));
    }
    assert!(any(&|m, _, _, _| matches!(m, Mixing::Dimmer)));
    assert!(any(&|m, _, _, _| matches!(m, Mixing::HueSaturation { .. })));
}

#[test]
fn the_demo_has_the_looks_that_it_promises() {
    let plan = load::demo();
    assert!(plan.looks.len() >= 10);
    assert!(!plan.order.is_empty());
    assert_eq!(plan.look(plan.rest.unwrap()).name, "rest");
    let moving = |m: &Option<Motion>| matches!(m, Some(Motion::HueCircle { .. }));
    assert!(plan.looks.iter().any(|l| l.targets.iter().any(|t| moving(&t.motion))));
    // A silhouette lights the wall alone.
    let silhouettes: Vec<_> = plan.looks.iter().filter(|l| l.protect).collect();
    assert_eq!(silhouettes.len(), 1);
    for target in &silhouettes[0].targets {
        assert!(matches!(plan.fixture(target.fixture).place.aim, Aim::Wall(_)));
    }
}

#[test]
fn the_examples_load_and_the_short_one_is_short() {
    assert_eq!(loaded("config/pilot-station.toml").looks, load::demo().looks);
    let two = loaded("config/two-lamps.toml");
    assert!(matches!(two.outputs[0].kind, OutputKind::Framed { .. }));
    let five = loaded("config/five-lamps.toml");
    assert_eq!((five.fixtures.len(), five.looks.len()), (5, 6));
    // interface.md part 2: five lamps and six looks fit in about 60 lines.
    let lines = std::fs::read_to_string("config/five-lamps.toml").unwrap().lines().count();
    assert!(lines <= 60, "{lines} lines");
}

#[test]
fn every_shipped_profile_is_marked_invented_in_its_figures_and_in_its_text() {
    for file in ["config/profiles/white.toml", "config/profiles/colour.toml"] {
        let text = std::fs::read_to_string(file).unwrap();
        let profiles =
            text.lines().filter(|l| l.starts_with("[profile.") && l.matches('.').count() == 1).count();
        assert!(profiles > 0);
        assert_eq!(text.matches("invented = true").count(), profiles, "{file}");
        assert_eq!(text.matches("# Invented figures").count(), profiles, "{file}");
    }
}

#[test]
fn a_kept_look_replaces_the_plans_look_of_its_name() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("quay.toml");
    std::fs::copy("config/two-lamps.toml", &path).unwrap();
    std::fs::create_dir(folder.path().join("quay.looks")).unwrap();
    let kept = folder.path().join("quay.looks/talk.toml");
    std::fs::write(&kept, "[look.talk]\nkey = { lux = 99 }\n\n[look.late]\nkey = { lux = 50 }\n").unwrap();
    let plan = load::load(&path).unwrap();
    let names: Vec<_> = plan.looks.iter().map(|l| (l.name.as_str(), l.kept)).collect();
    assert_eq!(names, [("talk", true), ("warm-talk", false), ("rest", false), ("late", true)]);
    assert!(matches!(plan.looks[0].targets[0].level, Level::Lux(l) if l.get() == 99.0));
    assert_ne!(plan.hash, loaded("config/two-lamps.toml").hash);
}

#[test]
fn the_shipped_profiles_can_be_listed_with_what_they_drive() {
    let profiles = load::shipped_profiles();
    let said: Vec<_> = profiles.iter().map(|p| (p.name.as_str(), p.modes[0].drives(&p.emitters))).collect();
    assert!(said.contains(&("spot", "intensity alone".into())), "{said:?}");
    assert!(said.contains(&("bicolour-mat", "intensity and colour temperature".into())), "{said:?}");
    assert_eq!(said.len(), 8);
}

#[test]
fn a_lamp_that_is_lent_stays_in_the_plan_with_a_note() {
    let text = common_plan::plan_with("")
        .replace("profile = \"spot\"\naddress", "absent = \"lent\"\nprofile = \"spot\"\naddress");
    let plan = read_plan(&text).unwrap();
    assert_eq!(plan.fixtures[3].absent.as_deref(), Some("lent"));
    assert!(plan.notes.contains(&"not here today: back (lent)".to_owned()));
}

#[test]
fn a_folder_of_profiles_and_a_kit_of_another_name_are_read_from_the_plans_folder() {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| {
        let path = folder.path().join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(&path, text).unwrap();
        path
    };
    let two = std::fs::read_to_string("config/two-lamps.toml").unwrap();
    let key = "profile = \"bicolour-mat\"\naddress = 1\n";
    assert!(two.contains(key));
    let named = two.replace(key, "lamp = \"Q1\"\n");
    let plan = write("quay.toml", &format!("kit = \"lamps/mine.toml\"\nprofiles = \"mine\"\n{named}"));
    write("lamps/mine.toml", "[lamp.Q1]\nprofile = \"lantern\"\naddress = 1\n");
    write("mine/notes.txt", "no profile");
    let lantern = "[profile.lantern]\ncooling = \"fan\"\nemitter.white = { kelvin = 5600, candela = \"800 cd\" }\n\
                   mode.one = { slots = [{ drives = \"intensity\" }] }\n";
    write("mine/lantern.toml", lantern);
    let plan = load::load(&plan).unwrap_or_else(|report| panic!("{}", render(&report, Form::Plain)));
    let key = &plan.fixtures[0];
    assert_eq!((key.lamp_name(), key.profile.name.as_str()), ("Q1", "lantern"));
    assert_eq!(key.emitters[0].lux_at_1m, 800.0);
    assert!(!key.uncalibrated);
}

#[test]
fn a_bodys_calibration_scales_its_light_and_its_power_and_settles_the_figures() {
    let plan = load::demo();
    let key = plan.fixture(plan.fixture_named("key").unwrap());
    assert!(!key.uncalibrated);
    for (seen, profile) in key.emitters.iter().zip(&key.profile.emitters) {
        assert!((seen.lux_at_1m - profile.lux_at_1m * 0.96).abs() < 1e-9);
    }
    // The kit says 192 W at full, standby (8 W) included.
    let watts: f64 = key.emitters.iter().map(|e| e.watts.get()).sum();
    assert!((watts - 184.0).abs() < 1e-9);
    assert_eq!(key.body.as_ref().unwrap().calibrated.as_deref(), Some("2026-05-04"));
}

#[test]
fn a_plan_without_an_output_goes_to_the_simulator_and_says_so() {
    let plan = loaded("config/five-lamps.toml");
    assert_eq!(plan.outputs.len(), 1);
    assert_eq!(plan.outputs[0].kind, OutputKind::Simulator);
    assert!(plan.notes.iter().any(|n| n.contains("simulator")));
    assert!(plan.notes.iter().any(|n| n.contains("planned, uncalibrated: may be a stop off")));
}

#[test]
fn a_profile_written_into_the_plan_needs_no_other_file() {
    let plan = read_plan(&common_plan::plan_with("[look.day]\nkey = { stops = 0 }\n")).unwrap();
    assert_eq!(plan.fixtures[0].profile.name, "panel");
}

/// Keys that the readers ask for, found in their source: `get("…")`, `need("…"`, `named("…"`.
fn keys_read() -> BTreeSet<String> {
    let mut keys = BTreeSet::new();
    for entry in std::fs::read_dir("src/plan/read").expect("tests run in the package's folder") {
        let text = std::fs::read_to_string(entry.expect("the folder can be read").path());
        let text = text.expect("sources are UTF-8");
        for call in [".get(\"", ".need(\"", ".named(\"", "wall(\"", "named(\""] {
            for after in text.split(call).skip(1) {
                keys.extend(after.split('"').next().map(str::to_owned));
            }
        }
    }
    keys
}

#[test]
fn every_key_that_is_read_stands_in_the_reference() {
    let reference = std::fs::read_to_string("docs/plan-reference.md").unwrap();
    let keys = keys_read();
    assert!(keys.len() > 80, "{keys:?}");
    let forms =
        |k: &str| [format!("`{k}`"), format!("`{k}."), format!("[{k}."), format!("[{k}]"), format!("{k} = ")];
    let there = |key: &String| forms(key).iter().any(|form| reference.contains(form));
    let missing: Vec<_> = keys.iter().filter(|key| !there(key)).collect();
    assert!(missing.is_empty(), "not in docs/plan-reference.md: {missing:?}");
}

#[test]
fn the_network_plan_has_one_output_for_each_universe_with_the_settings_as_written() {
    use lampkeep::plan::e131::{Idle, Multicast};
    let plan = load::load("config/harbour-net.toml".as_ref()).unwrap();
    let names: Vec<_> = plan.outputs.iter().map(|o| (o.name.as_str(), o.universe)).collect();
    assert_eq!(names, [("stage:1", 1), ("stage:2", 2), ("stage:3", 3), ("window", 20)]);
    let settings = |index: usize| match &plan.outputs[index].kind {
        OutputKind::E131(settings) => settings.as_ref().clone(),
        other => panic!("{other:?}"),
    };
    let (stage, window) = (settings(0), settings(3));
    assert_eq!((stage.output.as_str(), &stage.universes[..]), ("stage", &[1, 2, 3][..]));
    assert_eq!(
        (stage.multicast, stage.sync_universe, stage.idle),
        (Multicast::Ipv4, Some(100), Idle::Constant)
    );
    assert_eq!((stage.priority, stage.preview, stage.interface), (100, false, None));
    assert_eq!(stage.source_name.as_deref(), Some("pilot station, stage"));
    assert_eq!(
        (window.multicast, window.idle, window.sync_universe),
        (Multicast::Off, Idle::KeepAlive, None)
    );
    assert_eq!(window.unicast, ["127.0.0.1:5568".parse().unwrap()]);
    let carried: Vec<_> = plan.fixtures.iter().map(|f| f.address().unwrap().universe).collect();
    assert_eq!(carried, [1, 2, 3, 20]);
}
