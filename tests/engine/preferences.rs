//! Lamps that prefer cool or rendering, through recalls, fades and nudges.

use lampkeep::engine::{assess, quality};
use lampkeep::light::{Demand, solve};
use lampkeep::plan::{Plan, Prefer, load};

use crate::rig::Rig;

const PLAN: &str = r#"
name = "quay"
[camera.main]
iso = 800
f-number = 2.8
shutter = "1/50"

[fixture.key]
profile = "six-colour-panel"
address = 1
clock = "7:30"
distance = "1.2 m"
prefer = "rendering"

[fixture.fill]
profile = "six-colour-panel"
address = 21
clock = "4:30"
distance = "1.2 m"
prefer = "cool"

[fixture.hair]
profile = "six-colour-panel"
address = 41
aim = "hair"
clock = "1:00"
distance = "2 m"

[look.day]
key = { stops = 0 }
fill = { to-key = -1 }
hair = { to-key = -1 }

[look.dusk]
kelvin = 3000
key = { stops = 1 }
fill = { stops = 1 }

[look.full]
key = { of-full = "97 %" }
fill = { of-full = "100 %" }
"#;

fn recall(look: &str, over_s: f64) -> String {
    format!(r#"{{"do":"recall","look":"{look}","over_s":{over_s}}}"#)
}

fn plan() -> Plan {
    read(PLAN)
}

fn read(text: &str) -> Plan {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("quay.toml");
    std::fs::write(&path, text).expect("written");
    load::load(&path).expect("the plan has no errors")
}

#[test]
fn each_lamp_ends_in_the_mix_that_it_prefers() {
    let plan = plan();
    for look in ["day", "dusk"] {
        let found = assess::assess(&plan, plan.look(plan.look_named(look).expect("a look")), false);
        let figures: Vec<_> = found
            .iter()
            .map(|a| {
                let fixture = plan.fixture(a.fixture);
                let spectrum = quality::spectrum(fixture, a).expect("its emitters have spectra");
                assert!((a.sent_lux / a.asked.lux).log2().abs() < 0.01, "{look}: {a:?}");
                (fixture.prefer, quality::figures(&spectrum).rf.expect("white"), a.watts)
            })
            .collect();
        assert_eq!((figures[0].0, figures[1].0), (Prefer::Rendering, Prefer::Cool));
        // The search itself is checked against a grid in published_rendering.
        assert!(figures[0].1 > figures[1].1 + 5.0, "{look}: {figures:?}");
        // The same light at the same colour, in the mix of most light, draws more than in the cool one.
        let fill = &plan.fixtures[1];
        let mut output = fill.clone();
        output.prefer = Prefer::Output;
        let demand = Demand { ..found[1].asked };
        let watts = |f| {
            let reach = solve::reach(f, &demand);
            reach.full_watts * reach.level
        };
        assert!(watts(fill) < watts(&output) - 1.0, "{look}: {} {}", watts(fill), watts(&output));
    }
}

/// Whatever way a look is reached, its last frame is the one that `explain` and `check` show.
#[test]
fn a_recall_lands_in_the_searched_mix_by_a_fade_by_a_cut_and_after_a_nudge() {
    let plan = plan();
    let mut rig = Rig::new(plan.clone());
    for (look, over_s) in [("day", 0.0), ("dusk", 2.0), ("full", 0.0), ("day", 1.0), ("dusk", 0.0)] {
        rig.done(&recall(look, over_s));
        rig.run(over_s + 2.0);
        let status = rig.status();
        for found in assess::assess(&plan, plan.look(plan.look_named(look).expect("a look")), false) {
            let sent = &status.fixtures[found.fixture.0];
            assert_eq!(sent.slots, found.slots, "{} in {look}", sent.id);
        }
        rig.done(r#"{"do":"nudge","lamp":"key","kelvin":150}"#);
        rig.run(0.3);
    }
}

/// Light and colour of the lamp stay while a mix that was found late is led in.
#[test]
fn a_mix_that_is_found_late_changes_neither_light_nor_colour() {
    let plan = plan();
    let mut rig = Rig::new(plan.clone());
    rig.done(&recall("day", 0.0));
    for _ in 0..60 {
        rig.run(0.025);
        let key = &rig.status().fixtures[0];
        let (lux, x, y) = (key.sent.lux, key.sent.x, key.sent.y);
        if let (Some(x), Some(y)) = (x, y) {
            let asked = key.asked;
            assert!((lux / asked.lux).log2().abs() < 0.01, "{lux}");
            let near = |a: f64, b: Option<f64>| (a - b.expect("lit")).abs() < 5e-4;
            assert!(near(x, asked.x) && near(y, asked.y), "{x} {y} {asked:?}");
        }
    }
}

/// A take begins in light that stands: not while a lamp looks for its mix, nor while it is led over to it.
#[test]
fn no_take_starts_before_a_lamp_has_its_mix() {
    // One search a frame: the second lamp's mix is found when the fade has begun, and led in for longer than that.
    let mut rig = Rig::new(read(&PLAN.replace(r#"prefer = "cool""#, r#"prefer = "rendering""#)));
    let mut why = Vec::new();
    for request in
        [recall("day", 0.0), r#"{"do":"nudge","lamp":"all","kelvin":300}"#.to_owned(), recall("dusk", 0.2)]
    {
        rig.done(&request);
        let started = (0..400).any(|_| {
            let answer = rig.json(r#"{"do":"take-start"}"#);
            why.extend(answer.error.map(|e| e.said));
            rig.frame();
            answer.ok
        });
        assert!(started, "{request}: {why:?}");
        rig.run(3.0);
        let said = rig.done(r#"{"do":"take-end"}"#);
        assert!(!said.contains("light changed"), "{request}: {said}");
    }
    for part in ["looks for its best mix", "mix of emitters is led over"] {
        assert!(why.iter().any(|w| w.contains(part)), "{part}: {why:?}");
    }
}
