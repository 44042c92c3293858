//! Balanced looks at the set: recalls take the solved levels, and solve again when a lamp goes or comes.

use lampkeep::light::solve;
use lampkeep::plan::load;

use crate::rig::Rig;

const LOOK: &str = r#"{"do":"recall","look":"pilot-triangle","over_s":0}"#;

fn asked(rig: &Rig, id: &str) -> f64 {
    let status = rig.status();
    status.fixtures.iter().find(|f| f.id == id).expect("this lamp is there").asked.lux
}

#[test]
fn a_recall_asks_for_the_balanced_levels_not_for_those_written() {
    let mut rig = Rig::new(load::demo());
    let said = rig.done(LOOK);
    rig.run(1.0);
    let plan = load::demo();
    let look = plan.look(plan.look_named("pilot-triangle").expect("it is there"));
    let balanced = look.balanced.as_ref().expect("it states meter points");
    assert!(balanced.unmet.is_empty(), "{said}");
    for id in ["key", "fill", "hair", "glow"] {
        let fixture = plan.fixture_named(id).expect("this lamp is there");
        let wanted = solve::demand(&plan, look, fixture).at(0.0).lux;
        assert!((asked(&rig, id) - wanted).abs() < 1e-9, "{id}");
    }
    // Key at 0 stops as written; with fill, walls and window at the face it takes less.
    assert!(asked(&rig, "key") < plan.exposure.zero_stops.get() * 0.95);
    // The hair counts from the key and goes with it.
    assert!((asked(&rig, "hair") / asked(&rig, "key") - 0.5_f64.sqrt()).abs() < 1e-9);
}

#[test]
fn without_a_lamp_the_next_recall_solves_again_and_with_it_as_before() {
    let mut rig = Rig::new(load::demo());
    rig.done(LOOK);
    rig.run(1.0);
    let before = ["key", "glow"].map(|id| asked(&rig, id));
    let said = rig.done(r#"{"do":"absent","lamp":"fill"}"#);
    assert!(said.ends_with("2 balanced looks solved without it from the next recall on"), "{said}");
    rig.run(1.0);
    assert_eq!(["key", "glow"].map(|id| asked(&rig, id)), before, "the standing light is left alone");
    rig.done(LOOK);
    rig.run(1.0);
    let without = ["key", "glow"].map(|id| asked(&rig, id));
    assert!(without[0] > before[0] && without[1] > before[1], "{without:?} and {before:?}");
    let explained = rig.done(r#"{"do":"explain","look":"pilot-triangle"}"#);
    assert!(explained.contains("fill absent"), "{explained}");
    rig.done(r#"{"do":"absent","lamp":"fill","back":true}"#);
    rig.done(LOOK);
    rig.run(1.0);
    assert_eq!(["key", "glow"].map(|id| asked(&rig, id)), before);
}

#[test]
fn what_the_lamps_here_cannot_meet_is_a_warning_of_the_recall() {
    let mut rig = Rig::new(load::demo());
    rig.done(r#"{"do":"absent","lamp":"glow"}"#);
    let said = rig.done(LOOK);
    assert!(said.contains("glow absent"), "{said}");
    assert!(said.contains("`wall` 0.") && said.contains("short: `glow` is absent"), "{said}");
}

#[test]
fn a_kept_balanced_look_has_its_levels_and_no_meter_points() {
    let dir = tempfile::tempdir().expect("a folder");
    for name in ["pilot-station.toml", "kit.toml"] {
        std::fs::copy(format!("config/{name}"), dir.path().join(name)).expect("copied");
    }
    let mut rig = Rig::new(load::load(&dir.path().join("pilot-station.toml")).expect("a good plan"));
    rig.done(LOOK);
    rig.run(1.0);
    let key = asked(&rig, "key");
    let said = rig.done(r#"{"do":"keep","name":"found"}"#);
    assert!(said.contains("as levels, without its meter points"), "{said}");
    let plan = rig.engine.plan().clone();
    let found = plan.look(plan.look_named("found").expect("it is kept"));
    assert!(found.meter.is_empty() && found.balanced.is_none());
    let level = solve::demand(&plan, found, plan.fixture_named("key").expect("a key")).at(0.0).lux;
    assert!((level / key - 1.0).abs() < 1e-12, "{level} and {key}");
    assert!(!rig.written[0].1.contains("meter"), "{}", rig.written[0].1);
}

#[test]
fn a_reload_with_another_lamp_in_a_job_balances_it_anew() {
    let mut rig = Rig::new(load::demo());
    let text = std::fs::read_to_string("config/pilot-station.toml").expect("the demo");
    let dir = tempfile::tempdir().expect("a folder");
    let path = dir.path().join("pilot-station.toml");
    std::fs::copy("config/kit.toml", dir.path().join("kit.toml")).expect("copied");
    // The fill nearer: more of it at the face and on the wall.
    let nearer = text.replace("distance = \"1.9 m\"", "distance = \"1.1 m\"");
    assert_ne!(nearer, text);
    std::fs::write(&path, nearer).expect("written");
    rig.done(LOOK);
    rig.run(1.0);
    let before = asked(&rig, "key");
    rig.reload(load::load(&path).expect("a good plan"));
    assert_eq!(asked(&rig, "key"), before, "the light is as it was");
    rig.done(LOOK);
    rig.run(1.0);
    assert!((asked(&rig, "key") / before - 1.0).abs() > 1e-4);
}
