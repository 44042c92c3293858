//! Circuits and batteries as `check` finds them.

mod common_plan;

use common_plan::{plan_with, read_plan};
use lampkeep::cli::check::{Findings, findings};
use lampkeep::guards::load::{loads, worst_along};

/// A plan with a dimmer that draws `watts` at full on a circuit, in one look; and `more` of the circuit.
fn with_floods(watts: u32, circuit: &str) -> Findings {
    let more = format!(
        "[profile.flood]\ncooling = \"fan\"\nemitter.white = {{ kelvin = 3200, lux = 900, watts = \"{watts} W\" }}\n\
         mode.dim = {{ slots = [{{ drives = \"intensity\" }}] }}\n\n\
         [fixture.flood]\nprofile = \"flood\"\naddress = 101\nclock = \"8:00\"\ndistance = \"2 m\"\n\n\
         [circuit.wall]\nvolts = \"120 V\"\n{circuit}\n\n[look.day]\nflood = {{ of-full = \"100 %\" }}\n"
    );
    findings(&read_plan(&plan_with(&more)).expect("a plan without errors"))
}

/// Source: practice.md, pain 20: 1450 W on 15 A / 120 V warned, 1430 W not.
#[test]
fn check_warns_of_1450_w_on_15_a_at_120_v_and_not_of_1430_w() {
    let (over, fits) = (with_floods(1450, "breaker = \"15 A\""), with_floods(1430, "breaker = \"15 A\""));
    assert!(over.over_a_circuit() && !fits.over_a_circuit());
    assert!(
        over.text("p")
            .contains("circuit wall: 1450 VA of 1440 in day  ! OVER: move a lamp to another circuit")
    );
    assert!(fits.text("p").contains("circuit wall: 1430 VA of 1440 in day\n"));
    assert!(fits.text("p").contains("plug lamps in one at a time"));
}

#[test]
fn an_unknown_breaker_is_the_smallest_usual_one_and_other_loads_count() {
    let found = with_floods(1300, "other = \"150 W\"");
    assert!(found.over_a_circuit());
    assert!(
        found.text("p").contains("circuit wall: 1450 VA of 1440 in day, breaker unknown: 15 A taken  ! OVER")
    );
}

#[test]
fn a_lamp_on_a_battery_draws_from_no_circuit_and_tells_its_minutes() {
    let more = "[profile.tube]\ncooling = \"fan\"\nstandby = \"2 W\"\nemitter.white = { kelvin = 5600, lux = 300, watts = \"58 W\" }\n\
                mode.dim = { slots = [{ drives = \"intensity\" }] }\n\n\
                [fixture.tube]\nprofile = \"tube\"\naddress = 101\nclock = \"8:00\"\ndistance = \"2 m\"\nbattery = \"98 Wh\"\n\n\
                [circuit.wall]\nbreaker = \"10 A\"\n\n[look.day]\ntube = { of-full = \"100 %\" }\n";
    let plan = plan_with(more);
    let text = findings(&read_plan(&plan).unwrap()).text("p");
    // Source: practice.md, pain 26: 98 Wh at 60 W, factor 0.85: 83 min.
    assert!(text.contains("battery of tube: 83 min full at 60 W in day\n"), "{text}");
    assert!(text.contains("circuit wall: 0 VA of 1840 in day\n"), "{text}");
    // 90 minutes at 60 W are 90 Wh of 83.3.
    let long = format!("order = [{{ look = \"day\", on-for = \"90 min\" }}]\n{plan}");
    let text = findings(&read_plan(&long).unwrap()).text("p");
    assert!(text.contains("! the running order takes 90 Wh of 83: bring another"), "{text}");
}

/// Source: arithmetic: while one lamp goes from 100 to 60 W and another from 0 to 60 W, no instant has more than
/// 160 W, whatever the two curves, as long as neither has a peak between.
#[test]
fn the_worst_instant_of_a_fade_is_bounded_between_its_steps() {
    let plan = read_plan(&plan_with("[circuit.wall]\nother = \"40 W\"\n")).unwrap();
    let mut course = vec![vec![0.0; plan.fixtures.len()]; 3];
    (course[0][0], course[1][0], course[1][1], course[2][1]) = (100.0, 60.0, 60.0, 90.0);
    let (step, load) = worst_along(&plan, &course)[0];
    assert_eq!((step, load.watts), (0, 200.0));
    assert_eq!(worst_along(&plan, &course[..1])[0].1.watts, 140.0);
    assert_eq!(worst_along(&plan, &[])[0].1.watts, 0.0);
    assert_eq!(loads(&plan, &course[1])[0].watts, 160.0);
}
