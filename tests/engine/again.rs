//! `rest`, and the way back from every light that is no work. Source: docs/interface.md, part 1 (`again`: back to the last
//! light not made by dark, rest, only, wink, rollcall, meter or calibrate; twice changes nothing).

use crate::rig::{Rig, lit, slots};
use lampkeep::plan::load;

const BACK: &str = r#"{"do":"again"}"#;

/// The third step of the demo's running order, nudged.
fn working() -> (Rig, Vec<Vec<u8>>) {
    let mut rig = Rig::new(load::demo());
    for _ in 0..3 {
        rig.done(r#"{"do":"next","over_s":0}"#);
        rig.run(1.0);
    }
    let key = lit_lamp(&rig);
    rig.done(&format!(r#"{{"do":"nudge","lamp":"{key}","stops":-0.4}}"#));
    rig.run(20.0);
    let stands = slots(rig.frames.last().expect("frames"));
    rig.run(1.0);
    assert_eq!(slots(rig.frames.last().expect("frames")), stands, "a look that stands still");
    (rig, stands)
}

fn lit_lamp(rig: &Rig) -> String {
    let shown = lit(rig.engine.plan(), rig.frames.last().expect("frames"));
    shown.into_iter().find(|(_, lux, _)| *lux > 0.0).expect("something is lit").0
}

#[test]
fn again_leads_back_from_every_light_that_is_no_work_and_twice_changes_nothing() {
    let (rig, _) = working();
    let key = lit_lamp(&rig);
    let detours = [
        r#"{"do":"rest"}"#.to_owned(),
        r#"{"do":"dark"}"#.to_owned(),
        r#"{"do":"dark","now":true}"#.to_owned(),
        format!(r#"{{"do":"only","lamp":"{key}"}}"#),
        format!(r#"{{"do":"wink","lamp":"{key}"}}"#),
        r#"{"do":"rollcall","each_s":0.5}"#.to_owned(),
        format!(r#"{{"do":"calibrate","lamp":"{key}","value":100}}"#),
    ];
    // Each alone, and each after each other.
    for first in &detours {
        for second in detours.iter().map(Some).chain([None]) {
            let (mut rig, stands) = working();
            for detour in [Some(first), second].into_iter().flatten() {
                // A wink of a dark lamp is refused; that too must lose nothing.
                rig.json(detour);
                rig.run(0.7);
            }
            rig.done(BACK);
            rig.run(20.0);
            let at = format!("{first} {second:?}");
            assert_eq!(slots(rig.frames.last().expect("frames")), stands, "{at}");
            assert!(rig.status().now.nudged, "{at}");
            let said = rig.done(BACK);
            assert!(said.contains("already lit"), "{at}: {said}");
            for _ in 0..20 {
                assert_eq!(slots(&rig.frame()), stands, "{at}: twice changes nothing");
            }
        }
    }
}

#[test]
fn rest_is_low_goes_dark_by_itself_and_the_order_goes_on_after_it() {
    let (mut rig, stands) = working();
    let total = |rig: &Rig| {
        lit(rig.engine.plan(), rig.frames.last().expect("frames")).iter().map(|l| l.1).sum::<f64>()
    };
    let work = total(&rig);
    let said = rig.done(r#"{"do":"rest"}"#);
    assert!(said.contains("dark by itself in 20 min"), "{said}");
    rig.run(30.0);
    assert!((0.0..work * 0.5).contains(&total(&rig)) && total(&rig) > 0.0, "{} of {work}", total(&rig));
    let rest_s = rig.engine.plan().rest_for.as_secs_f64();
    rig.run(rest_s - 31.0);
    assert!(total(&rig) > 0.0, "until then");
    rig.run(5.0);
    assert_eq!(total(&rig), 0.0);
    assert!(rig.alerts.iter().any(|(_, kind, _)| kind == "rest-over"), "{:?}", rig.alerts);
    let step = rig.status().order.position;
    rig.done(BACK);
    rig.run(20.0);
    assert_eq!(slots(rig.frames.last().expect("frames")), stands);
    assert_eq!(rig.status().order.position, step, "the order stands where it was");
}

#[test]
fn after_another_boot_again_and_next_go_on_where_the_shoot_was() {
    let (rig, stands) = working();
    let step = rig.status().order.position.expect("a step");
    let mut after = Rig::again(load::demo(), rig.engine.to_keep(), 3600.0);
    after.run(1.0);
    assert_eq!(after.status().now.look, "dark");
    after.done(BACK);
    after.run(20.0);
    assert_eq!(slots(after.frames.last().expect("frames")), stands);
    assert!(after.status().now.nudged);
    let said = after.done(r#"{"do":"next","over_s":0}"#);
    let order = &rig.engine.plan().order;
    let next = &rig.engine.plan().look(order[step].look).name;
    assert!(said.starts_with(next.as_str()), "{said}, not {next}");
}
