//! What a plan may say of heat, and the model that comes of it.

use crate::common_plan::{plan_with, read_plan};
use lampkeep::guards::thermal::{Duty, Model, duty};
use lampkeep::plan::{Cooling, Fixture};

/// A lamp of 60 W, 4 W of it standby, with `heat` and whatever else its fixture says.
fn lamp(profile: &str, fixture: &str) -> Fixture {
    let plan = plan_with(&format!(
        "[profile.board]\n{profile}\nstandby = \"4 W\"\nemitter.white = {{ kelvin = 5600, lux = 500, watts = \"56 W\" }}\n\
         mode.dim = {{ slots = [{{ drives = \"intensity\" }}] }}\n\
         [modifier.cloth]\nheat-factor = \"150 %\"\n[modifier.frame]\nloss = \"1 stop\"\n\
         [fixture.board]\nprofile = \"board\"\naddress = 100\nclock = \"3:00\"\ndistance = \"2 m\"\n{fixture}\n"
    ));
    let plan = read_plan(&plan).unwrap_or_else(|r| panic!("{:#?}", r.problems));
    plan.fixture(plan.fixture_named("board").expect("the fixture above")).clone()
}

fn fan_less(heat: &str) -> String {
    format!("cooling = \"fan-less\"\n{heat}")
}

fn model(fixture: &Fixture) -> Model {
    match duty(fixture, true) {
        Duty::Limited(model) => model,
        other => panic!("{other:?}"),
    }
}

fn of(heat: &str) -> Model {
    model(&lamp(&fan_less(&format!("heat = {{ {heat} }}")), ""))
}

/// Time from cold in a room at `ambient_c` until the limit, at `watts`; by the model alone.
fn lasts(model: &Model, ambient_c: f64, watts: f64) -> f64 {
    model.time_to_limit_s(ambient_c, ambient_c, watts).expect("it does not bear that for ever")
}

/// Source: the requirement: tau = 1.5 N, a judgement; 1 - e^(-2/3) = 0.486583 of the way, by hand.
#[test]
fn minutes_at_full_alone_give_a_time_constant_of_one_and_a_half_times_as_long() {
    let m = of("full-for = \"20 min\", ambient = \"22 C\"");
    assert!((m.time_constant_s - 1800.0).abs() < 1e-9 && m.time_judged && m.limit_judged);
    assert_eq!(m.limit_c, 70.0);
    assert!((m.k_per_w * 60.0 * 0.486_582_880_967_408 - 48.0).abs() < 1e-9);
    assert!((lasts(&m, 22.0, 60.0) - 1200.0).abs() < 1e-6, "it lasts what was said");
}

/// Source: each figure put back into the model: it gives the figure. Tolerance: rounding.
#[test]
fn a_second_figure_replaces_the_judgement() {
    let full = "full-for = \"20 min\", ambient = \"22 C\", limit = \"62 C\"";
    let m = of(&format!("{full}, time-constant = \"25 min\""));
    assert!((m.time_constant_s - 1500.0).abs() < 1e-9 && !m.time_judged && !m.limit_judged);
    let m = of(&format!("{full}, cools = \"14 min\""));
    // Half of the way down in 14 minutes.
    assert!((m.after(22.0, 62.0, 0.0, 840.0) - 42.0).abs() < 1e-9);
    assert!((lasts(&m, 22.0, 60.0) - 1200.0).abs() < 1e-6);
    let m = of(&format!("{full}, half-for = \"70 min\""));
    // Every emitter at half: 4 W + 28 W.
    assert!((lasts(&m, 22.0, 32.0) - 4200.0).abs() < 1e-3);
    assert!((lasts(&m, 22.0, 60.0) - 1200.0).abs() < 1e-6);
    let m = of(&format!("{full}, rise-at-full = \"58 K\""));
    assert!((m.k_per_w * 60.0 - 58.0).abs() < 1e-9);
    assert!((lasts(&m, 22.0, 60.0) - 1200.0).abs() < 1e-6);
}

/// Source: arithmetic; 54 K / 60 W = 0.9 K/W.
#[test]
fn both_figures_may_be_stated() {
    let m = of("rise-at-full = \"54 K\", time-constant = \"14 min\", limit = \"68 C\"");
    assert!((m.k_per_w - 0.9).abs() < 1e-12 && m.time_constant_s == 840.0 && m.limit_c == 68.0);
    assert!(!m.limit_judged && !m.time_judged);
    let m = of("k-per-w = \"0.55 K/W\", cools = \"10 min\"");
    assert!((m.k_per_w - 0.55).abs() < 1e-12 && m.limit_judged);
    assert!((m.after(20.0, 60.0, 0.0, 600.0) - 40.0).abs() < 1e-9);
}

/// Source: arithmetic; the same minutes at 40 W instead of 60 W mean half as much again for each watt.
#[test]
fn the_power_that_it_ran_at_may_be_stated() {
    let all_on = of("full-for = \"20 min\"");
    let less = of("full-for = \"20 min\", watts = \"40 W\"");
    assert!((less.k_per_w / all_on.k_per_w - 1.5).abs() < 1e-12);
}

/// Source: tau = R C with C unchanged.
#[test]
fn a_modifier_with_a_heat_factor_raises_resistance_and_time_constant() {
    let profile = fan_less("heat = { full-for = \"20 min\" }");
    let bare = model(&lamp(&profile, "modifiers = [\"frame\"]"));
    let cloth = model(&lamp(&profile, "modifiers = [\"frame\", \"cloth\", \"cloth\"]"));
    assert!((cloth.k_per_w / bare.k_per_w - 2.25).abs() < 1e-12);
    assert!((cloth.time_constant_s / bare.time_constant_s - 2.25).abs() < 1e-12);
    assert!(lasts(&cloth, 25.0, 60.0) < lasts(&bare, 25.0, 60.0));
}

/// Source: the requirement: a lamp with fan and quiet states has a ceiling and heat for each.
#[test]
fn a_lamp_with_a_fan_has_a_ceiling_and_heat_for_each_of_its_states() {
    let quiet = "cooling = \"fan\"\nquiet = { ceiling = \"40 %\", heat = { full-for = \"15 min\" } }";
    let with_fan = lamp(quiet, "");
    assert_eq!((with_fan.cooling, duty(&with_fan, true)), (Cooling::Fan, Duty::Free));
    assert_eq!(with_fan.limits.ceiling.get(), 1.0);
    let fan_off = lamp(quiet, "cooling = \"quiet\"");
    assert_eq!((fan_off.cooling, fan_off.limits.ceiling.get()), (Cooling::Quiet, 0.4));
    assert_eq!(model(&fan_off).time_constant_s, 1350.0);
    // Its own figure goes over the profile's; a ceiling of the fixture's own does not lift the quiet one.
    let own = lamp(quiet, "cooling = \"quiet\"\nceiling = \"90 %\"\nheat = { full-for = \"10 min\" }");
    assert_eq!((model(&own).time_constant_s, own.limits.ceiling.get()), (900.0, 0.4));
    let unknown = lamp("cooling = \"fan\"\nquiet = {}", "cooling = \"quiet\"");
    assert_eq!(duty(&unknown, true), Duty::Unknown);
}

/// Source: the rule that an invented figure protects no real lamp.
#[test]
fn an_invented_figure_counts_in_a_rehearsal_alone() {
    let fixture = lamp(&fan_less("invented = true\nheat = { full-for = \"20 min\" }"), "");
    assert_eq!(duty(&fixture, true), Duty::Unknown);
    assert!(matches!(duty(&fixture, false), Duty::Limited(_)));
    let stated = lamp(&fan_less("invented = true"), "heat = { full-for = \"20 min\" }");
    assert!(matches!(duty(&stated, true), Duty::Limited(_)));
    assert_eq!(duty(&lamp(&fan_less("heat = \"no limit\""), ""), true), Duty::Free);
    assert_eq!(duty(&lamp(&fan_less(""), ""), true), Duty::Unknown);
}

#[test]
fn a_plan_states_its_room() {
    let ambient = |more: &str| read_plan(&format!("{more}{}", plan_with(""))).unwrap().ambient.get();
    assert_eq!((ambient(""), ambient("ambient = \"35 C\"\n")), (25.0, 35.0));
}
