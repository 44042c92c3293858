//! Floors in fades: a lamp pops once at most. Source: the requirement on dimming (floors handled as one cut at the right moment of a
//! fade, so that nothing pops twice); practice.md, pain 12 (fades stop at the floor, then cut).

use crate::properties::cases;
use crate::rig::Rig;
use lampkeep::light::Demand;
use lampkeep::plan::{ColourTarget, Level, Limits, Look, Motion, Plan, Target, load};
use lampkeep::units::{Duv, Kelvin, Lux, Share, Stops, Xy};
use proptest::prelude::*;

/// A level in stops and a colour, or dark.
type Wish = Option<(f64, ColourTarget)>;

fn wish() -> impl Strategy<Value = Wish> {
    let colour = prop_oneof![
        (2000.0..9000.0, -0.01..0.01)
            .prop_map(|(k, d)| ColourTarget::White(Kelvin::clamped(k), Duv::clamped(d))),
        (0.2..0.6, 0.2..0.5).prop_map(|(x, y)| ColourTarget::Xy(Xy { x, y })),
    ];
    proptest::option::weighted(0.8, (-12.0..1.0, colour))
}

/// The same of little light and much colour, but a step of 8 bits at least: under that, a mix of two emitters on the way
/// from one colour to another has no value that is lit and not more than is asked.
fn faint() -> impl Strategy<Value = Wish> {
    let colour = (0.15..0.68, 0.05..0.7).prop_map(|(x, y)| ColourTarget::Xy(Xy { x, y }));
    proptest::option::weighted(0.9, (-7.5..-3.0, colour))
}

/// The demo's lamps with floors (share of full) and greatest rises, and looks of these levels.
fn plan(floors: &[f64], rises: &[Option<f64>], looks: &[Vec<Wish>]) -> Plan {
    let mut plan = load::demo();
    for (i, fixture) in plan.fixtures.iter_mut().enumerate() {
        fixture.limits = Limits {
            ceiling: Share::FULL,
            floor: Share::clamped(floors[i % floors.len()]),
            rise_per_s: rises[i % rises.len()],
        };
        fixture.absent = None;
    }
    plan.order.clear();
    plan.rest = None;
    plan.looks = looks
        .iter()
        .enumerate()
        .map(|(n, wishes)| {
            let target = |(id, wish): (lampkeep::plan::FixtureId, &Wish)| {
                let (stops, colour) = (*wish)?;
                // A lamp that mixes no colours is not asked any.
                let mixes = plan.fixture(id).emitters.len() > 2;
                let white = ColourTarget::White(Kelvin::clamped(5600.0), Duv::ZERO);
                let colour = if mixes || matches!(colour, ColourTarget::White(..)) { colour } else { white };
                Some(Target { fixture: id, level: Level::Stops(Stops::clamped(stops)), colour, motion: None })
            };
            Look {
                name: format!("look-{n}"),
                about: None,
                protect: false,
                key: None,
                fade: None,
                targets: plan.fixture_ids().zip(wishes.iter().cycle()).filter_map(target).collect(),
                meter: Vec::new(),
                balanced: None,
                kept: false,
            }
        })
        .collect();
    plan
}

/// How often each lamp goes from dark to lit or back over frames of what was sent.
///
/// Not counted is a lamp that goes out on its floor because the flash guard holds one of its emitters while the others
/// fall: the light that stood would be more than is asked by then, less would be under the floor (docs/safety.md).
fn pops(rig: &mut Rig, frames: u64) -> Vec<(String, u32)> {
    let lit = |rig: &Rig| -> Vec<(bool, bool)> {
        let held = |limits: &[String]| ["floor", "flash"].iter().all(|word| limits.iter().any(|l| l == word));
        rig.status().fixtures.iter().map(|f| (f.sent.lux > 0.0, held(&f.limited_by))).collect()
    };
    let mut before = lit(rig);
    let mut counts: Vec<(String, u32)> = rig.status().fixtures.iter().map(|f| (f.id.clone(), 0)).collect();
    for _ in 0..frames {
        rig.frame();
        let now = lit(rig);
        for (count, ((was, _), (is, held))) in counts.iter_mut().zip(before.iter().zip(&now)) {
            count.1 += u32::from(was != is && (*is || !held));
        }
        before = now;
    }
    counts
}

proptest! {
    #![proptest_config(cases(40))]

    /// Fades between random looks, some left half-way for another.
    #[test]
    fn no_lamp_pops_twice_in_a_fade(
        floors in proptest::collection::vec(prop_oneof![0.0..0.02, 0.02..0.3], 4),
        rises in proptest::collection::vec(proptest::option::weighted(0.3, 0.05..3.0), 3),
        looks in proptest::collection::vec(proptest::collection::vec(wish(), 7), 4),
        fades in proptest::collection::vec((0..4_usize, 0.0..3.0, 0.1..1.3), 1..8),
    ) {
        let mut rig = Rig::new(plan(&floors, &rises, &looks));
        rig.frame();
        for (look, over_s, part) in fades {
            rig.done(&format!(r#"{{"do":"recall","look":"look-{look}","over_s":{over_s}}}"#));
            let frames = (over_s * part * 40.0) as u64 + 2;
            for (id, count) in pops(&mut rig, frames) {
                prop_assert!(count <= 1, "{id} pops {count} times in {frames} frames to look-{look} over {over_s} s");
            }
        }
    }

    /// The same in the lowest steps of the slots and in quick succession, where the flash guard holds what rises.
    #[test]
    fn no_lamp_pops_twice_in_a_fade_of_a_few_steps_that_is_held(
        floors in proptest::collection::vec(prop_oneof![Just(0.0), 0.0..0.02], 4),
        looks in proptest::collection::vec(proptest::collection::vec(faint(), 7), 4),
        fades in proptest::collection::vec((0..4_usize, 0.0..0.8, 0.1..1.3), 6..16),
    ) {
        let mut rig = Rig::new(plan(&floors, &[None], &looks));
        rig.frame();
        for (look, over_s, part) in fades {
            rig.done(&format!(r#"{{"do":"recall","look":"look-{look}","over_s":{over_s}}}"#));
            let frames = (over_s * part * 40.0) as u64 + 2;
            for (id, count) in pops(&mut rig, frames) {
                prop_assert!(count <= 1, "{id} pops {count} times in {frames} frames to look-{look} over {over_s} s");
            }
        }
    }

    /// Nudges down through the floor and up again: once each way.
    #[test]
    fn a_nudge_over_the_floor_pops_once(
        floors in proptest::collection::vec(0.02..0.3, 4),
        looks in proptest::collection::vec(proptest::collection::vec(wish(), 7), 1),
        nudges in proptest::collection::vec(-3.0..3.0, 1..6),
    ) {
        let mut rig = Rig::new(plan(&floors, &[None], &looks));
        rig.done(r#"{"do":"recall","look":"look-0","over_s":0}"#);
        rig.run(0.2);
        for stops in nudges {
            // A lamp with no more to give refuses; nothing moves then.
            rig.json(&format!(r#"{{"do":"nudge","lamp":"all","stops":{stops}}}"#));
            for (id, count) in pops(&mut rig, 60) {
                prop_assert!(count <= 1, "{id} pops {count} times by {stops}");
            }
        }
    }
}

/// The cut is where the floor is: what is lit is never under it, and a fade out goes down to it.
#[test]
fn a_fade_out_goes_down_to_the_floor_and_a_fade_in_begins_on_it() {
    let white = ColourTarget::White(Kelvin::clamped(5600.0), Duv::ZERO);
    let mut rig = Rig::new(plan(&[0.05], &[None], &[vec![Some((-1.0, white))], vec![None]]));
    rig.frame();
    rig.done(r#"{"do":"recall","look":"look-0","over_s":3}"#);
    let full = |rig: &Rig, i: usize| {
        let fixture = &rig.engine.plan().fixtures[i];
        let demand = Demand { lux: 1.0, colour: lampkeep::light::Colour::of(&white) };
        lampkeep::light::solve::reach(fixture, &demand).full_lux
    };
    let mut seen = [f64::INFINITY; 2];
    for (pass, look) in [(0, "look-0"), (1, "look-1")] {
        rig.done(&format!(r#"{{"do":"recall","look":"{look}","over_s":3}}"#));
        for _ in 0..130 {
            rig.frame();
            let fill = rig.engine.plan().fixtures.iter().position(|f| f.id == "fill").expect("a fill");
            let lux = rig.status().fixtures[fill].sent.lux;
            if lux > 0.0 {
                seen[pass] = seen[pass].min(lux / full(&rig, fill));
            }
        }
    }
    for (pass, least) in ["in", "out"].iter().zip(seen) {
        // Within a step of 16 bits and of a frame.
        assert!((0.0498..0.053).contains(&least), "fading {pass}: {least}");
    }
}

/// Heat that holds a lamp near its floor and flutters there by less than a tenth of a stop.
#[test]
fn heat_that_flutters_at_the_floor_cuts_once_and_lights_once() {
    use lampkeep::guards::{Conditions, Holds, Standing, allow, thermal::Held};
    let white = ColourTarget::White(Kelvin::clamped(5600.0), Duv::ZERO);
    let plan = plan(&[0.1], &[None], &[vec![Some((0.0, white))]]);
    let fixture = &plan.fixtures[0];
    let full = lampkeep::light::solve::reach(
        fixture,
        &Demand { lux: 1.0, colour: lampkeep::light::Colour::of(&white) },
    );
    let asked = Demand { lux: full.full_lux * 0.4, colour: lampkeep::light::Colour::of(&white) };
    let reach = lampkeep::light::solve::reach(fixture, &asked);
    let now = Conditions { real_output: false, period_s: 0.025, absent: false, protected: false };
    let mut standing = Standing::default();
    let mut lit = allow(fixture, &reach, &now, &Holds::default(), &mut standing).level() > 0.0;
    let mut pops = 0;
    // Two stops under what is asked is the floor: down to 2.5 stops in a minute, and up again.
    for n in 0..4800_u32 {
        let slow = 2.5 * (1.0 - (f64::from(n) / 2400.0 - 1.0).abs());
        let stops = (slow + 0.04 * f64::from(n).sin()).max(0.0);
        let held = Held { stops, dark: false, limit_won: false };
        let is = allow(fixture, &reach, &now, &Holds { heat: held, ..Holds::default() }, &mut standing)
            .level()
            > 0.0;
        pops += u32::from(is != lit);
        lit = is;
    }
    assert_eq!((pops, lit), (2, true));
}

/// The wait above the floor is for a lamp that was cut there. One that comes up is lit on its floor.
#[test]
fn a_lamp_that_heat_holds_and_that_was_dark_is_lit_from_its_floor_on() {
    use lampkeep::guards::{Conditions, Holds, Standing, allow, thermal::Held};
    let white = ColourTarget::White(Kelvin::clamped(5600.0), Duv::ZERO);
    let plan = plan(&[0.1], &[None], &[vec![Some((0.0, white))]]);
    let fixture = &plan.fixtures[0];
    let colour = lampkeep::light::Colour::of(&white);
    let full = lampkeep::light::solve::reach(fixture, &Demand { lux: 1.0, colour }).full_lux;
    let now = Conditions { real_output: false, period_s: 0.025, absent: false, protected: false };
    let holds = Holds { heat: Held { stops: 1.0, dark: false, limit_won: false }, ..Holds::default() };
    let mut standing = Standing::default();
    // Half of it is let through: from 8 % of full to 12.
    for (asked, lit) in [(0.16, false), (0.19, false), (0.202, true), (0.24, true)] {
        let demand = Demand { lux: full * asked, colour };
        let reach = lampkeep::light::solve::reach(fixture, &demand);
        let is = allow(fixture, &reach, &now, &holds, &mut standing).level() > 0.0;
        assert_eq!(is, lit, "half of {asked} of full");
    }
}

/// Two emitters together give more than either: a light that stands on the floor at both ends would be under it
/// half-way.
#[test]
fn a_fade_of_colour_between_two_lights_near_the_floor_never_goes_out() {
    let warm = ColourTarget::White(Kelvin::clamped(2700.0), Duv::ZERO);
    let cool = ColourTarget::White(Kelvin::clamped(6500.0), Duv::ZERO);
    let mut plan = plan(&[0.1], &[None], &[vec![Some((0.0, warm))], vec![Some((0.0, cool))]]);
    let full = |plan: &Plan, id, colour: &ColourTarget| {
        let demand = Demand { lux: 1.0, colour: lampkeep::light::Colour::of(colour) };
        lampkeep::light::solve::reach(plan.fixture(id), &demand).full_lux
    };
    let ids: Vec<_> = plan.fixture_ids().filter(|id| plan.fixture(*id).address().is_some()).collect();
    let middle = ColourTarget::White(Kelvin::clamped(3800.0), Duv::ZERO);
    let fixture = |id: &lampkeep::plan::FixtureId| {
        let ends = full(&plan, *id, &warm).min(full(&plan, *id, &cool));
        full(&plan, *id, &middle) > 1.5 * ends && plan.fixture(*id).emitters.len() == 2
    };
    let id = ids.into_iter().find(fixture).expect("a lamp of two whites");
    let name = plan.fixture(id).id.clone();
    for (look, colour) in [warm, cool].into_iter().enumerate() {
        let lux = 0.12 * full(&plan, id, &colour);
        let target = Target { fixture: id, level: Level::Lux(Lux::clamped(lux)), colour, motion: None };
        plan.looks[look].targets = vec![target];
    }
    let mut rig = Rig::new(plan);
    rig.done(r#"{"do":"recall","look":"look-0","over_s":0}"#);
    rig.run(1.0);
    for look in ["look-1", "look-0"] {
        rig.done(&format!(r#"{{"do":"recall","look":"{look}","over_s":3}}"#));
        for n in 0..130 {
            rig.frame();
            let lamp = rig.status().fixtures.into_iter().find(|f| f.id == name).expect("there");
            assert!(lamp.sent.lux > 0.0, "dark in frame {n} to {look}");
        }
    }
}

/// A breath of a twelfth of a stop round the floor keeps to one side of it.
#[test]
fn a_small_breath_round_the_floor_goes_out_once_at_most() {
    let white = ColourTarget::White(Kelvin::clamped(5600.0), Duv::ZERO);
    let mut plan = plan(&[0.1], &[None], &[vec![Some((0.0, white))]]);
    let id = plan.fixture_ids().find(|id| plan.fixture(*id).address().is_some()).expect("a lamp");
    let colour = lampkeep::light::Colour::of(&white);
    let full = lampkeep::light::solve::reach(plan.fixture(id), &Demand { lux: 1.0, colour }).full_lux;
    let motion = Motion::Breath {
        period: std::time::Duration::from_secs(4),
        depth: Stops::clamped(1.0 / 12.0),
        phase: Share::NONE,
    };
    for share in [0.098, 0.1, 0.102, 0.105] {
        let level = Level::Lux(Lux::clamped(full * share));
        plan.looks[0].targets = vec![Target { fixture: id, level, colour: white, motion: Some(motion) }];
        let mut rig = Rig::new(plan.clone());
        rig.done(r#"{"do":"recall","look":"look-0","over_s":0}"#);
        rig.run(0.1);
        let pops = pops(&mut rig, 40 * 40);
        assert!(pops[id.0].1 <= 1, "{} pops {} times in ten breaths at {share}", pops[id.0].0, pops[id.0].1);
    }
}

/// A hue circle on which a lamp has less and more light passes the floor twice in a turn, and no oftener.
#[test]
fn a_colour_that_moves_pops_at_most_twice_in_a_turn() {
    let moving = load::demo().looks.iter().position(|l| l.targets.iter().any(|t| t.motion.is_some()));
    let moving = moving.expect("a look that moves");
    for floor in [0.02, 0.05, 0.1, 0.2, 0.3, 0.5] {
        let mut plan = load::demo();
        for fixture in &mut plan.fixtures {
            fixture.limits.floor = Share::clamped(floor);
        }
        let name = plan.looks[moving].name.clone();
        let mut rig = Rig::new(plan);
        rig.done(&format!(r#"{{"do":"recall","look":"{name}","over_s":0}}"#));
        rig.run(3.0);
        for (id, count) in pops(&mut rig, 40 * 60) {
            // The demo's circles take 20 s or more.
            assert!(count <= 6, "{id} pops {count} times in three turns, floor {floor}");
        }
    }
}
