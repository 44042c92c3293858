//! Level fades of random lamps through the engine: no channel steps back, and the end is the best.

use std::sync::Arc;

use crate::lamps::{self, values};
use crate::rig::Rig;
use lampkeep::engine::assess;
use lampkeep::plan::{
    Address, ColourTarget, Control, Drives, Fixture, Level, Mixing, OutputId, Plan, Target, load,
};
use lampkeep::rehearse::WHITE;
use lampkeep::units::{Share, Xy};
use lampkeep::wire::sim;
use proptest::prelude::*;

/// The demo with this lamp as its first fixture, and its first two looks of that lamp alone: at
/// these shares of its full in this colour.
fn plan(lamp: &Fixture, colour: ColourTarget, shares: [f64; 2]) -> Plan {
    let mut plan = load::demo();
    let id = plan.fixture_ids().next().expect("the demo has lamps");
    let fixture = &mut plan.fixtures[id.0];
    fixture.profile = Arc::clone(&lamp.profile);
    fixture.mode = lamp.mode.clone();
    fixture.emitters.clone_from(&lamp.emitters);
    fixture.limits = lamp.limits;
    fixture.absent = None;
    fixture.control =
        Control::Dmx(Address { output: OutputId(0), universe: plan.outputs[0].universe, first: 1 });
    for (look, share) in plan.looks.iter_mut().zip(shares) {
        let level = Level::OfFull(Share::clamped(share));
        look.targets = vec![Target { fixture: id, level, colour, motion: None }];
        look.protect = false;
        look.key = None;
        // Nothing is to be balanced by a meter.
        look.meter.clear();
        look.balanced = None;
    }
    plan.fixtures.truncate(1);
    plan
}

/// One fade of level and what came before it.
struct Fade {
    start: Vec<u16>,
    frames: Vec<(Vec<u16>, f64)>,
}

fn light(plan: &Plan, rig: &Rig) -> (Vec<u16>, f64) {
    let fixture = &plan.fixtures[0];
    let slots = rig.status().fixtures[0].slots.clone();
    (values(fixture, &slots), sim::shown(fixture, &slots, WHITE).lux)
}

fn check(
    lamp: &Fixture,
    colour: ColourTarget,
    shares: [f64; 2],
    seconds: f64,
    turn_at: Option<f64>,
) -> Result<(), TestCaseError> {
    let plan = plan(lamp, colour, shares);
    let fixture = &plan.fixtures[0];
    let mut rig = Rig::new(plan.clone());
    let recall = |look: usize, over: f64| {
        format!(r#"{{"do":"recall","look":"{}","over_s":{over}}}"#, plan.looks[look].name)
    };
    if shares[0] > 0.0 {
        rig.done(&recall(0, 0.0));
    }
    rig.run(0.2);
    let (start, start_lux) = light(&plan, &rig);
    let end = assess::assess(&plan, &plan.looks[1], false).remove(0);
    rig.done(&recall(1, seconds));
    if let Some(share) = turn_at {
        // The same again, in the midst of it: the rest of the way anew.
        rig.run(share * seconds);
        rig.done(&recall(1, seconds));
    }
    let mut fade = Fade { start, frames: Vec::new() };
    for _ in 0..=(seconds * 40.0).round() as usize {
        rig.frame();
        fade.frames.push(light(&plan, &rig));
    }
    let (last, _) = fade.frames.last().expect("frames");
    if end.sent_lux > 0.0 {
        prop_assert_eq!(last, &values(fixture, &end.slots), "the end is not the best");
    }
    let rising = shares[1] > shares[0];
    let back = |a: f64, b: f64| if rising { a - b } else { b - a };
    let mut before = if turn_at.is_some() { fade.frames[0].clone() } else { (fade.start.clone(), start_lux) };
    let count = fade.frames.len();
    let landed = fade.frames[count - 1].0.clone();
    // A fade so short that rounding swallows it has its two ends the wrong way round.
    let ends_in_order = back(start_lux, fade.frames[count - 1].1) <= 0.0;
    for (n, now) in fade.frames.iter().enumerate() {
        let last = n + 1 == count;
        if !last || ends_in_order {
            prop_assert!(back(before.1, now.1) <= before.1 * 1e-9, "frame {n}: {before:?} then {now:?}");
        }
        for (i, channel) in fixture.mode.channels.iter().enumerate() {
            let gives_light = matches!(channel.drives, Drives::Intensity | Drives::Emitter(_));
            let (was, is) = (f64::from(before.0[i]), f64::from(now.0[i]));
            // The best of both ends may lie the other way round in a channel: it goes back once, where the
            // fade lands. In the dark, a lamp with a master is set to its coming colour.
            let dark = before.1 <= 0.0 || now.1 <= 0.0;
            if gives_light && now.0 != landed && !dark {
                prop_assert!(back(was, is) <= 0.0, "frame {n} channel {i}: {before:?} then {now:?}");
            }
        }
        before = now.clone();
    }
    Ok(())
}

fn any_share() -> impl Strategy<Value = f64> {
    prop_oneof![1 => Just(0.0), 1 => Just(1.0), 4 => (0.0_f64..10.0).prop_map(|s| (-s).exp2())]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(120))]

    /// Source: the requirement on light: a running fade of level takes the best value that does not step back.
    #[test]
    fn a_level_fade_never_steps_back_and_ends_at_the_best(
        (lamp, weights) in lamps::by_emitters(5),
        shares in [any_share(), any_share()],
        seconds in prop_oneof![Just(0.5), Just(2.0)],
        turn_at in prop_oneof![2 => Just(None), 1 => (0.1_f64..0.9).prop_map(Some)],
    ) {
        let Some(colour) = lamps::colour_of(&lamp.emitters, &weights) else { return Ok(()) };
        prop_assume!(shares[0] != shares[1]);
        check(&lamp, ColourTarget::Xy(colour.xy()), shares, seconds, turn_at)?;
    }

    #[test]
    fn so_does_one_of_a_lamp_that_mixes_by_itself(
        lamp in lamps::self_mixing(),
        shares in [any_share(), any_share()],
        x in 0.30_f64..0.45, y in 0.31_f64..0.41,
    ) {
        prop_assume!(shares[0] != shares[1]);
        check(&lamp, ColourTarget::Xy(Xy { x, y }), shares, 0.5, None)?;
    }
}

/// Source: as above. A master of 8 bits over emitters of 8 bits: while the level goes through 200 values
/// the emitters stay within a step of where they stood, so that the colour does not dither.
#[test]
fn the_emitters_of_a_lamp_with_a_master_stand_still_in_a_level_fade() {
    let plan = load::demo();
    let tube = plan
        .fixtures
        .iter()
        .find(|f| matches!(f.mode.mixing, Mixing::Emitters { intensity: Some(_) }))
        .expect("the demo has a lamp with a master");
    let colour = ColourTarget::White(lampkeep::units::Kelvin::clamped(4800.0), lampkeep::units::Duv::ZERO);
    let mut tube = tube.clone();
    tube.limits.floor = Share::NONE;
    let plan = self::plan(&tube, colour, [0.1, 1.0]);
    let mut rig = Rig::new(plan.clone());
    rig.done(&format!(r#"{{"do":"recall","look":"{}","over_s":0}}"#, plan.looks[0].name));
    rig.run(0.2);
    rig.done(&format!(r#"{{"do":"recall","look":"{}","over_s":4}}"#, plan.looks[1].name));
    let mut changes = vec![0; plan.fixtures[0].mode.channels.len()];
    let mut before = light(&plan, &rig).0;
    for _ in 0..=160 {
        rig.frame();
        let now = light(&plan, &rig).0;
        for (i, channel) in plan.fixtures[0].mode.channels.iter().enumerate() {
            if matches!(channel.drives, Drives::Emitter(_)) {
                changes[i] += usize::from(before[i] != now[i]);
            }
        }
        before = now;
    }
    assert!(changes.iter().all(|c| *c <= 3), "{changes:?}");
}
