//! Lights that move by themselves. Source of each limit: the requirement's own (luminance within 0.1 stop while hue moves,
//! no jump at recall or stop, two seconds to the start of a take, the same in each take) and the definitions of
//! the motions; light is decoded by the simulator's own arithmetic.

use crate::properties::cases;
use crate::rig::{Rig, slots};
use lampkeep::control::FailureKind;
use lampkeep::light::{Demand, Moving, motion};
use lampkeep::plan::{
    ColourTarget, Colours, Control, FixtureId, Flicker, FlickerLike, Level, Look, Mixing, Motion, Plan,
    Target, load,
};
use lampkeep::rehearse::WHITE;
use lampkeep::units::{Duv, Kelvin, Share, Stops, Xy};
use lampkeep::wire::sim;
use proptest::prelude::*;
use std::sync::LazyLock;
use std::time::Duration;

static DEMO: LazyLock<Plan> = LazyLock::new(load::demo);

/// The demo with another look, `moving`.
fn with_look(targets: Vec<Target>) -> Plan {
    let mut plan = DEMO.clone();
    plan.looks.push(Look {
        name: "moving".into(),
        about: None,
        protect: false,
        key: None,
        fade: None,
        targets,
        meter: Vec::new(),
        balanced: None,
        kept: false,
    });
    plan
}

/// Lamps of the demo that can change their colour by wire.
fn coloured() -> Vec<FixtureId> {
    let able = |id: &FixtureId| {
        let fixture = DEMO.fixture(*id);
        fixture.control != Control::Hand
            && fixture.absent.is_none()
            && matches!(fixture.mode.mixing, Mixing::Emitters { .. } | Mixing::HueSaturation { .. })
            && fixture.emitters.len() > 2
    };
    DEMO.fixture_ids().filter(able).collect()
}

fn white(kelvin: f64) -> ColourTarget {
    ColourTarget::White(Kelvin::clamped(kelvin), Duv::ZERO)
}

fn percent(share: f64) -> Level {
    Level::OfFull(Share::clamped(share))
}

fn breath(period_s: f64, depth: f64, phase: f64) -> Motion {
    let (period, depth) = (Duration::from_secs_f64(period_s), Stops::clamped(depth));
    Motion::Breath { period, depth, phase: Share::clamped(phase) }
}

fn fire(seed: u32) -> Motion {
    Motion::Flicker(Flicker {
        like: FlickerLike::Fire,
        seed,
        every: Duration::from_secs(1),
        period: Duration::from_secs(30),
        depth: Stops::clamped(0.8),
        drift_mired: 30.0,
        phase: Share::NONE,
    })
}

fn any_colour() -> impl Strategy<Value = ColourTarget> {
    prop_oneof![
        (2000.0..10_000.0).prop_map(white),
        (0.2..0.5, 0.25..0.45).prop_map(|(x, y)| ColourTarget::Xy(Xy { x, y })),
    ]
}

/// A motion whose light stands: of a period short enough to go through whole.
fn any_hue() -> impl Strategy<Value = Motion> {
    let circle = (10.0..16.0, 0.0..0.9, 0.0..360.0).prop_map(|(s, depth, start_deg)| Motion::HueCircle {
        period: Duration::from_secs_f64(s),
        depth: Share::clamped(depth),
        start_deg,
    });
    let wander =
        (5.0..16.0, prop::collection::vec(any_colour(), 1..=6), 0.0..1.0).prop_map(|(s, through, phase)| {
            Motion::Wander {
                period: Duration::from_secs_f64(s),
                through: Colours::new(&through).expect("1 to 6"),
                phase: Share::clamped(phase),
            }
        });
    prop_oneof![circle, wander]
}

fn any_motion() -> impl Strategy<Value = Motion> {
    let breath = (2.0..20.0, 0.0..4.0, 0.0..1.0).prop_map(|(s, depth, phase)| breath(s, depth, phase));
    let flicker = (any::<bool>(), any::<u32>(), 0.5..3.0, 12.0..30.0, 0.0..2.0, 0.0..100.0, 0.0..1.0)
        .prop_map(|(fire, seed, every, period, depth, drift_mired, phase)| {
            Motion::Flicker(Flicker {
                like: if fire { FlickerLike::Fire } else { FlickerLike::Screen },
                seed,
                every: Duration::from_secs_f64(every),
                period: Duration::from_secs_f64(period),
                depth: Stops::clamped(depth),
                drift_mired,
                phase: Share::clamped(phase),
            })
        });
    prop_oneof![any_hue(), breath, flicker]
}

fn any_target() -> impl Strategy<Value = Target> {
    (0..64_usize, 0.05..1.5, any_colour(), any_motion()).prop_map(|(index, share, colour, motion)| {
        let all = coloured();
        let fixture = all[index % all.len()];
        Target { fixture, level: lux(fixture, share), colour, motion: Some(motion) }
    })
}

/// A level by the lamp's full at its white, so that some ask for more than their colours have.
fn lux(fixture: FixtureId, share: f64) -> Level {
    let colour = lampkeep::light::Colour::of(&white(5600.0));
    let full = lampkeep::light::solve::reach(DEMO.fixture(fixture), &Demand { lux: 1.0, colour }).full_lux;
    Level::Lux(lampkeep::units::Lux::clamped(full * share))
}

/// What a lamp shows in a frame, by the simulator's arithmetic: lux and u'v'.
fn shown(rig: &Rig, id: FixtureId) -> (f64, Option<lampkeep::units::Uv76>) {
    let fixture = rig.engine.plan().fixture(id).clone();
    let address = fixture.address().expect("driven").clone();
    let first = usize::from(address.first) - 1;
    let frames = rig.frames.last().expect("a frame");
    let slots = &frames[address.output.0].slots[first..first + usize::from(fixture.mode.footprint())];
    let shown = sim::shown(&fixture, slots, WHITE);
    (shown.lux, shown.xy.map(Xy::uv76))
}

proptest! {
    #![proptest_config(cases(40))]

    /// Also where lamps run out of light and of colour. Levels are those at which a step of a slot is under a tenth
    /// of a stop.
    #[test]
    fn luminance_stands_within_a_tenth_of_a_stop_while_hue_moves(
        index in 0..64_usize, share in 0.15..1.5, colour in any_colour(), motion in any_hue(),
    ) {
        let all = coloured();
        let fixture = all[index % all.len()];
        let target = Target { fixture, level: lux(fixture, share), colour, motion: Some(motion) };
        let mut rig = Rig::new(with_look(vec![target]));
        rig.done(r#"{"do":"recall","look":"moving","over_s":0.0}"#);
        rig.run(2.0);
        let (mut low, mut high) = (f64::INFINITY, 0.0_f64);
        for _ in 0..(motion.period().as_secs_f64() * 40.0) as usize {
            rig.frame();
            let lux = shown(&rig, fixture).0;
            (low, high) = (low.min(lux), high.max(lux));
        }
        prop_assert!((high / low).log2() <= 0.1, "{} of {:?}", (high / low).log2(), DEMO.fixture(fixture).id);
    }
}

/// Fade of the demo's rest look, in seconds.
const REST_FADE_S: f64 = 4.0;

/// What a person may do to a light that moves.
#[derive(Debug, Clone, Copy)]
enum Stop {
    Recall(f64),
    Moving(f64),
    Dark,
    Rest,
    Again,
    Nudge(f64),
    Reload,
    TakeStart,
    TakeEnd,
}

fn any_stop() -> impl Strategy<Value = Stop> {
    prop_oneof![
        1 => (0.5..4.0).prop_map(Stop::Recall),
        3 => (0.5..4.0).prop_map(Stop::Moving),
        1 => Just(Stop::Dark),
        1 => Just(Stop::Rest),
        2 => Just(Stop::Again),
        1 => (-1.0..1.0).prop_map(Stop::Nudge),
        1 => Just(Stop::Reload),
        2 => Just(Stop::TakeStart),
        2 => Just(Stop::TakeEnd),
    ]
}

impl Stop {
    /// Does it; gives the seconds of the fade that it begins.
    fn act(self, rig: &mut Rig) -> f64 {
        let plan_fade = rig.engine.plan().fade.as_secs_f64();
        let ask = |rig: &mut Rig, text: String| rig.json(&text).ok;
        let (done, over_s) = match self {
            Self::Recall(s) => (ask(rig, format!(r#"{{"do":"recall","look":"quay-dusk","over_s":{s}}}"#)), s),
            Self::Moving(s) => (ask(rig, format!(r#"{{"do":"recall","look":"moving","over_s":{s}}}"#)), s),
            Self::Dark => (ask(rig, r#"{"do":"dark"}"#.into()), plan_fade),
            Self::Rest => (ask(rig, r#"{"do":"rest"}"#.into()), REST_FADE_S),
            Self::Again => (ask(rig, r#"{"do":"again"}"#.into()), plan_fade),
            Self::Nudge(by) => (ask(rig, format!(r#"{{"do":"nudge","lamp":"all","stops":{by}}}"#)), 0.2),
            Self::Reload => (ask(rig, r#"{"do":"reload"}"#.into()), f64::INFINITY),
            Self::TakeStart => (ask(rig, r#"{"do":"take-start"}"#.into()), f64::INFINITY),
            Self::TakeEnd => (ask(rig, r#"{"do":"take-end"}"#.into()), f64::INFINITY),
        };
        if done { over_s } else { f64::INFINITY }
    }
}

proptest! {
    #![proptest_config(cases(60))]

    /// From frame to frame the light asked for goes no faster than the motion's own greatest rate, the fades under
    /// way and the glide together; and what is decoded from the wire follows it within a step of its slots. A fade
    /// between light and dark begins and ends ten stops down, which is not looked at.
    #[test]
    fn nothing_that_a_person_does_makes_a_moving_light_jump(
        targets in prop::collection::vec(any_target(), 1..4),
        stops in prop::collection::vec((any_stop(), 0.1..3.0), 1..8),
    ) {
        let mut targets = targets;
        targets.sort_by_key(|t| t.fixture);
        targets.dedup_by_key(|t| t.fixture);
        let mut plan = with_look(targets.clone());
        // A fade begins at what was sent; where a rise lags behind, what is asked steps back to that.
        plan.fixtures.iter_mut().for_each(|f| f.limits.rise_per_s = None);
        let mut rig = Rig::new(plan);
        rig.done(r#"{"do":"recall","look":"moving","over_s":1.0}"#);
        let rate_hz = 40.0;
        let ids: Vec<_> = targets.iter().map(|t| t.fixture).collect();
        let rates: Vec<f64> =
            targets.iter().map(|t| t.motion.as_ref().map_or(0.0, motion::greatest_rate)).collect();
        let depths: Vec<f64> = targets.iter().map(|t| t.motion.as_ref().map_or(0.0, motion::depth)).collect();
        let asked = |rig: &Rig| -> Vec<f64> {
            let status = rig.status();
            ids.iter().map(|id| status.fixtures[id.0].asked.lux).collect()
        };
        let fulls: Vec<f64> = ids.iter().map(|id| match lux(*id, 1.0) {
            Level::Lux(lux) => lux.get(),
            _ => unreachable!("in lux"),
        }).collect();
        let (mut last, mut last_sent) = (asked(&rig), vec![0.0; ids.len()]);
        // Fades that may still run, each with its seconds and its last frame; one that meets another goes on to its end.
        let mut fades = vec![(1.0_f64, 42_usize)];
        let mut n = 0_usize;
        for (stop, wait_s) in stops.into_iter().map(|(s, w)| (Some(s), w)).chain([(None, 3.0)]) {
            if let Some(stop) = stop {
                let fade_s = stop.act(&mut rig);
                if fade_s.is_finite() {
                    let end = fades.iter().map(|f| f.1).fold(n + (fade_s * rate_hz) as usize + 2, usize::max);
                    fades.push((fade_s, end));
                }
            }
            for _ in 0..(wait_s * rate_hz) as usize {
                rig.frame();
                n += 1;
                let now = asked(&rig);
                let now_sent: Vec<f64> = ids.iter().map(|id| shown(&rig, *id).0).collect();
                let fade_s = fades.iter().filter(|f| f.1 >= n).map(|f| f.0).fold(f64::INFINITY, f64::min);
                for (i, (was, is)) in last.iter().zip(&now).enumerate() {
                    // Ten stops to or from dark, or what two looks of the demo are apart, with the motion's depth.
                    let fading = (11.0 + depths[i]) / fade_s;
                    let gliding = 0.75 * depths[i];
                    let most = (rates[i] * 2.0 + fading + gliding) / rate_hz + 1e-6;
                    if *was > 0.0 && *is > 0.0 {
                        let step = (is / was).log2().abs();
                        prop_assert!(step <= most, "{:?}: {was} to {is} lx is {step} stops in a frame, over {most}", ids[i]);
                    }
                }
                for (i, (was, is)) in last_sent.iter().zip(&now_sent).enumerate() {
                    // Where a step of a slot is small against it.
                    if f64::min(*was, *is) > 0.05 * fulls[i] {
                        let step = (is / was).log2().abs();
                        let most = (rates[i] * 2.0 + (11.0 + depths[i]) / fade_s + 0.75 * depths[i]) / rate_hz;
                        prop_assert!(step <= most + 0.08, "{:?}: {was} to {is} lx sent, over {most}", ids[i]);
                    }
                }
                (last, last_sent) = (now, now_sent);
            }
        }
    }

    /// The glide itself and the motion round it, as a lamp shows them: light and colour move in small steps only.
    #[test]
    fn the_glide_to_the_start_of_a_take_is_smooth_in_light_and_colour(
        index in 0..64_usize, share in 0.3..0.8, motion in any_motion(), wait_s in 0.5..20.0,
    ) {
        let all = coloured();
        let fixture = all[index % all.len()];
        let target = Target { fixture, level: lux(fixture, share), colour: white(4300.0), motion: Some(motion) };
        let mut rig = Rig::new(with_look(vec![target]));
        rig.done(r#"{"do":"recall","look":"moving","over_s":0.5}"#);
        rig.run(1.5 + wait_s);
        let (mut lux, mut uv) = shown(&rig, fixture);
        rig.done(r#"{"do":"take-start"}"#);
        // Twice its own rate, since two runs of it are blended, and the way between the two.
        let most_stops = (2.0 * motion::greatest_rate(&motion) + 0.75 * motion::depth(&motion)) / 40.0;
        let course = Moving::new(
            Demand { lux: 1.0, colour: lampkeep::light::Colour::of(&white(4300.0)) }, Some(motion),
        );
        let colour = |n: i32| course.at(f64::from(n) / 40.0).colour.xy().uv76();
        let own = (0..1200).map(|n| colour(n).distance(colour(n + 1))).fold(0.0, f64::max);
        for n in 0..160 {
            rig.frame();
            let (now, now_uv) = shown(&rig, fixture);
            let step = (now / lux).log2().abs();
            prop_assert!(step <= most_stops + 0.05, "frame {n}: {step} stops over {most_stops}");
            let (Some(a), Some(b)) = (uv, now_uv) else { panic!("lit all along") };
            // At most 0.6 apart in u'v' all over, and rounding of two slots.
            prop_assert!(a.distance(b) <= 2.0 * own + 0.6 * 0.75 / 40.0 + 0.01, "frame {n}: {}", a.distance(b));
            (lux, uv) = (now, now_uv);
        }
    }

    /// docs/safety.md: the same in each take.
    #[test]
    fn frame_k_after_the_stamp_is_the_same_in_each_take(
        targets in prop::collection::vec(any_target(), 1..4), waits in prop::collection::vec(0.1..15.0, 2..4),
    ) {
        let mut targets = targets;
        targets.sort_by_key(|t| t.fixture);
        targets.dedup_by_key(|t| t.fixture);
        let mut plan = with_look(targets);
        // What no plan may have: a guard would act, and not the same in each take.
        let look = plan.look(plan.look_named("moving").expect("it is there")).clone();
        prop_assume!(lampkeep::guards::moving::flashing(&plan, &look).is_none());
        // Level 1.0 falls in the tenth second after a brighter light, and more than one flash a second is then held
        // for a moment: docs/safety.md.
        let quick = |m: &Motion| matches!(m, Motion::Flicker(f) if f.every.as_secs_f64() < 1.5);
        prop_assume!(!look.targets.iter().any(|t| t.motion.as_ref().is_some_and(quick)));
        // A guard that acts is told of; that has a test of its own.
        plan.fixtures.iter_mut().for_each(|f| f.limits.rise_per_s = None);
        let warm = crate::take_log::warm_start(&plan);
        let mut rig = Rig::from(plan, warm);
        rig.done(r#"{"do":"recall","look":"moving","over_s":0.5}"#);
        rig.run(5.0);
        let mut first: Option<Vec<Vec<Vec<u8>>>> = None;
        for wait_s in waits {
            rig.run(wait_s);
            let said = rig.done(r#"{"do":"take-start"}"#);
            prop_assert!(said.contains(" · the motion goes to its start: 2 s"), "{said}");
            prop_assert!(rig.status().now.take.is_some(), "it rolls at once");
            rig.run(2.0);
            let take: Vec<_> = (0..300).map(|_| slots(&rig.frame())).collect();
            let said = rig.done(r#"{"do":"take-end"}"#);
            prop_assert!(said.contains("sent steady"), "{said}");
            match &first {
                None => first = Some(take),
                Some(first) => prop_assert!(*first == take, "another take"),
            }
        }
    }
}

#[test]
fn the_lock_holds_while_the_motion_goes_to_its_start() {
    let lamp = coloured()[0];
    let target = Target { fixture: lamp, level: percent(0.3), colour: white(4300.0), motion: Some(fire(3)) };
    let mut rig = Rig::new(with_look(vec![target]));
    rig.done(r#"{"do":"recall","look":"moving","over_s":0.5}"#);
    rig.run(3.3);
    rig.done(r#"{"do":"take-start"}"#);
    rig.run(0.5);
    let refused = rig.json(r#"{"do":"nudge","lamp":"all","stops":0.3}"#).error.expect("it rolls");
    assert_eq!(refused.kind, FailureKind::Guarded);
    let said = rig.done(r#"{"do":"take-end"}"#);
    assert!(said.contains("not steady: it ended before the motion was at its start"), "{said}");
    // The next one waits for what goes on.
    let again = rig.json(r#"{"do":"take-start"}"#).error.expect("still on its way");
    assert_eq!(again.said, "a motion goes to its start: 1.5 s left");
    rig.run(1.5);
    assert!(rig.json(r#"{"do":"take-start"}"#).ok);
}

#[test]
fn a_guard_that_acts_on_a_moving_light_is_told_in_the_takes_verdict() {
    // The key's own rise is far slower than this breath.
    let key = DEMO.fixture_named("key").expect("the demo's key");
    let target = Target {
        fixture: key,
        level: percent(0.9),
        colour: white(5600.0),
        motion: Some(breath(4.0, 4.0, 0.0)),
    };
    let mut plan = with_look(vec![target]);
    plan.fixtures[key.0].limits.rise_per_s = Some(0.2);
    let mut rig = Rig::new(plan);
    rig.done(r#"{"do":"recall","look":"moving","over_s":0.0}"#);
    // A moment at which it falls, so that it does not rise.
    for _ in 0..4000 {
        rig.frame();
        if rig.json(r#"{"do":"take-start"}"#).ok {
            break;
        }
    }
    assert!(rig.status().now.take.is_some());
    rig.run(8.0);
    let said = rig.done(r#"{"do":"take-end"}"#);
    assert!(said.contains("not steady: light changed: key"), "{said}");
}

/// Source: the definition; the k-th member does what the first did k shares of a period before.
#[test]
fn members_of_a_group_follow_each_other_by_the_spread() {
    let text = include_str!("../../config/pilot-station.toml").replace(
        "move = { hue-circle = { period = \"40 s\", depth = \"30 %\" } }",
        "move = { breath = { period = \"8 s\", depth = \"2 stops\", spread = \"25 %\" } }",
    );
    let dir = tempfile::tempdir().expect("a folder");
    let path = dir.path().join("spread.toml");
    std::fs::write(&path, text).expect("written");
    std::fs::write(dir.path().join("kit.toml"), include_str!("../../config/kit.toml")).expect("written");
    let plan = load::load(&path).expect("a right plan");
    let members = plan.group_named("wall").expect("the group").members.clone();
    let mut rig = Rig::new(plan);
    rig.done(r#"{"do":"recall","look":"turning-tide","over_s":0.0}"#);
    let mut course = Vec::new();
    for _ in 0..800 {
        rig.frame();
        let status = rig.status();
        course.push(members.iter().map(|id| status.fixtures[id.0].asked.lux).collect::<Vec<_>>());
    }
    // A quarter of 8 s at 40 frames a second.
    let late = 80;
    let mut apart = 0.0_f64;
    for k in 1..members.len() {
        for n in k * late..course.len() {
            let (here, before) = (course[n][k], course[n - k * late][0]);
            assert!((here / before - 1.0).abs() < 1e-9, "member {k}, frame {n}: {here} and {before}");
            apart = apart.max((course[n][k] / course[n][0]).log2().abs());
        }
    }
    assert!(apart > 1.0, "they do not go together");
}
