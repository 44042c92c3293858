//! Things that must hold for any input: guards only take away, rounding never adds, any stream of
//! requests leaves the engine whole. Source of each: the rule it states (house rules of the engine),
//! not our own output; light is decoded by the simulator's own arithmetic.

use crate::rig::{Rig, slots};
use lampkeep::channels;
use lampkeep::control::{Request, TakeMark};
use lampkeep::guards::{self, Conditions, Holds, Limit, Standing};
use lampkeep::light::{Colour, Demand, solve};
use lampkeep::meter::Show;
use lampkeep::plan::{Control, Curve, Drives, Fixture, LightTable, Plan, TrueTable, load};
use lampkeep::rehearse::WHITE;
use lampkeep::units::{Kelvin, Share, Uv76};
use lampkeep::wire::sim;
use proptest::prelude::*;
use std::sync::{Arc, LazyLock};

static DEMO: LazyLock<Plan> = LazyLock::new(load::demo);

/// The number of cases that the everyday run takes, times `LAMPKEEP_CASES` (1 when it is not set). The
/// count is told, for the long run's log.
pub fn cases(everyday: u32) -> ProptestConfig {
    let times = match std::env::var("LAMPKEEP_CASES") {
        Ok(text) => {
            text.parse().expect("LAMPKEEP_CASES is a whole number: how many times the everyday cases")
        }
        Err(_) => 1,
    };
    let cases = everyday * times;
    println!("{cases} cases");
    // One fixture in twelve is set by hand and left out: many cases need many such refusals.
    ProptestConfig { max_global_rejects: cases.max(1024), ..ProptestConfig::with_cases(cases) }
}

fn any_colour() -> impl Strategy<Value = Colour> {
    prop_oneof![
        (50.0..1000.0, -0.05..0.05).prop_map(|(mired, duv)| Colour::White { mired, duv }),
        (0.05..0.6, 0.1..0.58).prop_map(|(u, v)| Colour::Uv(Uv76 { u, v })),
    ]
}

/// Readings as a meter might give them, for as many channels as a lamp may have: none at all, or steps
/// of value, light and colour with a floor.
fn any_meter() -> impl Strategy<Value = Option<Vec<(f64, f64)>>> {
    proptest::option::of(proptest::collection::vec((0.1..1.0, 0.1..1.0), 6))
}

/// The fixture with every channel as `meter` has read it.
fn metered(fixture: &Fixture, meter: &Option<Vec<(f64, f64)>>) -> Fixture {
    let mut fixture = fixture.clone();
    let Some(steps) = meter else { return fixture };
    let (sum_a, sum_b) = steps.iter().fold((0.0, 0.0), |s, p| (s.0 + p.0, s.1 + p.1));
    let mut way = (0.0, 0.0);
    // Shares from 0 to 1 that rise together.
    let ways: Vec<(f64, f64)> = steps
        .iter()
        .map(|p| {
            way = (way.0 + p.0 / sum_a, way.1 + p.1 / sum_b);
            way
        })
        .collect();
    for channel in &mut fixture.mode.channels {
        let full = channel.bits.max();
        let over = |low: f64, high: f64| {
            let at = move |share: f64| low + (high - low) * (0.05 + 0.9 * share);
            let pairs: Vec<_> = ways.iter().map(|w| (at(w.0), at(w.1))).collect();
            pairs
        };
        match channel.drives {
            Drives::Intensity | Drives::Emitter(_) => {
                let last = ways.len() - 1;
                let mut points = vec![(0, 0.0), (3, 0.0)];
                points.extend(ways[..last].iter().map(|w| (5 + (w.0 * f64::from(full - 10)) as u16, w.1)));
                points.push((full, 1.0));
                channel.curve = Curve::measured(LightTable::new(&points, full).expect("it rises"));
            }
            Drives::Kelvin(a, b) => {
                let k = |n: f64| Kelvin::new(n).expect("in range");
                let points = over(a.get().min(b.get()), a.get().max(b.get()));
                let points: Vec<_> = points
                    .iter()
                    .zip(steps)
                    .map(|(p, s)| (k(p.0), k(p.1), 0.01 * (s.0 - s.1), s.0))
                    .collect();
                channel.measured = Some(Arc::new(TrueTable::of_kelvin(&points).expect("it rises")));
            }
            Drives::Tint(a, b) => {
                channel.measured =
                    Some(Arc::new(TrueTable::linear(&over(a.min(b), a.max(b))).expect("it rises")));
            }
            Drives::Hue => {
                channel.measured = Some(Arc::new(TrueTable::linear(&over(0.0, 360.0)).expect("it rises")))
            }
            Drives::Saturation => {
                channel.measured = Some(Arc::new(TrueTable::linear(&over(0.0, 1.0)).expect("it rises")));
            }
            Drives::Fixed(_) | Drives::Strobe(_) => {}
        }
    }
    fixture
}

proptest! {
    #![proptest_config(cases(2000))]

    /// What the wire carries, decoded apart, is never more light or more power than was allowed, and
    /// what was allowed never more than was asked.
    #[test]
    fn a_decoded_frame_is_what_was_allowed_never_more(
        index in 0..DEMO.fixtures.len(),
        lux in prop_oneof![0.0..20_000.0, 0.0..5.0],
        colour in any_colour(),
        ceiling in prop_oneof![3 => 0.0..=1.0, 1 => Just(1.0)],
        floor in prop_oneof![Just(0.0), 0.0..0.2],
        rise in prop_oneof![Just(None), (0.01..20.0).prop_map(Some)],
        real in any::<bool>(),
        frames in 1..5,
        meter in any_meter(),
    ) {
        let mut fixture = metered(&DEMO.fixtures[index], &meter);
        prop_assume!(fixture.control != Control::Hand);
        fixture.limits.ceiling = Share::new(ceiling).unwrap();
        fixture.limits.floor = Share::new(floor).unwrap();
        fixture.limits.rise_per_s = rise;
        let demand = Demand { lux, colour };
        let reach = solve::reach(&fixture, &demand);
        let now = Conditions { real_output: real, period_s: 0.025, absent: false, protected: false };
        let mut standing = Standing::default();
        let mut last = 0.0;
        for _ in 0..frames {
            let allowed = guards::allow(&fixture, &reach, &now, &Holds::default(), &mut standing);
            prop_assert!(allowed.lux() <= lux * (1.0 + 1e-12));
            prop_assert!(allowed.level() <= ceiling + 1e-12);
            prop_assert!(ceiling < 1.0 || !allowed.limits().has(Limit::Ceiling), "full is no ceiling");
            if let Some(rise) = rise {
                prop_assert!(allowed.level() - last <= rise * 0.025 * f64::from(frames) + 1e-12);
            }
            last = allowed.level();
            prop_assert!(allowed.level() == 0.0 || allowed.level() >= floor * (1.0 - 1e-6));
            let mut slots = vec![0; usize::from(fixture.mode.footprint())];
            channels::encode(&fixture, &allowed, channels::Step::Free, &mut slots);
            let shown = sim::shown(&fixture, &slots, WHITE);
            prop_assert!(
                shown.lux <= allowed.lux() * (1.0 + 1e-9) + 1e-12,
                "{}: {} lx shown, {} allowed, slots {slots:?}", fixture.id, shown.lux, allowed.lux()
            );
            let standby = fixture.profile.standby.get();
            prop_assert!(
                shown.watts <= allowed.watts() + standby + allowed.watts() * 1e-9 + 1e-12,
                "{}: {} W shown, {} allowed", fixture.id, shown.watts, allowed.watts() + standby
            );
            if real && guards::heat_unknown(&fixture) {
                let all: f64 = fixture.emitters.iter().map(|e| e.watts.get()).sum();
                prop_assert!(shown.watts <= ((all + standby) / 2.0).max(standby) + 1e-9);
            }
        }
        // A lowering passes at once.
        let dark = solve::reach(&fixture, &Demand { lux: 0.0, colour });
        prop_assert_eq!(guards::allow(&fixture, &dark, &now, &Holds::default(), &mut standing).lux(), 0.0);
    }

    /// Two readings of the same slots, ours and the simulator's, by different methods.
    #[test]
    fn the_simulator_and_the_decoder_read_the_same_light_from_any_slots(
        index in 0..DEMO.fixtures.len(),
        bytes in proptest::collection::vec(any::<u8>(), 32),
        meter in any_meter(),
    ) {
        let fixture = &metered(&DEMO.fixtures[index], &meter);
        prop_assume!(fixture.control != Control::Hand);
        let slots = &bytes[..usize::from(fixture.mode.footprint())];
        let given = channels::given(fixture, slots);
        let shown = sim::shown(fixture, slots, WHITE);
        let (lux, xy) = (given.lux_at_1m, given.xy);
        prop_assert!((lux - shown.lux_at_1m).abs() <= 1e-6 * lux.max(1e-6), "{}: {lux} {}", fixture.id, shown.lux_at_1m);
        if let (Some(a), Some(b)) = (xy, shown.xy) {
            prop_assert!((a.x - b.x).abs() < 1e-6 && (a.y - b.y).abs() < 1e-6, "{}: {a:?} {b:?}", fixture.id);
        }
    }

    /// An absent lamp is sent zero whatever is asked.
    #[test]
    fn an_absent_lamp_is_dark(index in 0..DEMO.fixtures.len(), lux in 0.0..20_000.0, colour in any_colour()) {
        let mut fixture = DEMO.fixtures[index].clone();
        // A floor would hide a lamp that is not quite dark.
        fixture.limits.floor = Share::NONE;
        prop_assume!(fixture.control != Control::Hand);
        let reach = solve::reach(&fixture, &Demand { lux, colour });
        let now = Conditions { real_output: false, period_s: 0.025, absent: true, protected: false };
        let allowed = guards::allow(&fixture, &reach, &now, &Holds::default(), &mut Standing::default());
        prop_assert!(allowed.limits().has(Limit::Absent));
        prop_assert_eq!(allowed.lux(), 0.0);
        let mut slots = vec![0; usize::from(fixture.mode.footprint())];
        channels::encode(&fixture, &allowed, channels::Step::Free, &mut slots);
        prop_assert_eq!(sim::shown(&fixture, &slots, WHITE).lux, 0.0);
    }
}

/// The same, and requests that ask the log for a take.
pub fn any_request_of_takes_too() -> impl Strategy<Value = Request> {
    let take = || proptest::sample::select(vec!["1/1", "n1", "n2", "9/9", "four"]).prop_map(str::to_owned);
    let recall = (take(), proptest::option::of(0.0..3.0), proptest::option::of(0.0..3.0)).prop_map(
        |(take, over_s, in_s)| Request::Recall { look: None, take: Some(take), over_s, in_s, at: None },
    );
    let amend = take().prop_map(|take| Request::TakeAmend {
        take,
        mark: Some(TakeMark::Good),
        rename: None,
        typed: vec!["iso=800".into(), "note=x".into()],
    });
    prop_oneof![
        12 => any_request(),
        2 => recall,
        1 => amend,
        1 => Just(Request::TakeList { most: None }),
        1 => take().prop_map(|take| Request::TakeSheet { take }),
    ]
}

pub fn any_request() -> impl Strategy<Value = Request> {
    let look = || {
        prop_oneof![
            9 => (0..DEMO.looks.len()).prop_map(|i| DEMO.looks[i].name.clone()),
            1 => Just("no-such-look".to_owned()),
        ]
    };
    let lamp = || {
        prop_oneof![
            8 => (0..DEMO.fixtures.len()).prop_map(|i| DEMO.fixtures[i].id.clone()),
            1 => Just("all".to_owned()),
            1 => Just("nobody".to_owned()),
        ]
    };
    let span = || {
        prop_oneof![
            Just(None),
            Just(Some(0.0)),
            (0.0..3.0).prop_map(Some),
            Just(Some(f64::NAN)),
            Just(Some(-1.0))
        ]
    };
    prop_oneof![
        4 => (look(), span(), span()).prop_map(|(look, over_s, in_s)| Request::Recall { look: Some(look), take: None, over_s, in_s, at: None }),
        2 => (span(), span()).prop_map(|(over_s, in_s)| Request::Next { over_s, in_s }),
        1 => (span(), span()).prop_map(|(over_s, in_s)| Request::Previous { over_s, in_s }),
        1 => Just(Request::Cancel {}),
        3 => (lamp(), -3.0..3.0, span(), span()).prop_map(|(lamp, stops, kelvin, duv)| Request::Nudge {
            lamp, stops: Some(stops), kelvin: kelvin.map(|k| k * 300.0), mired: None, duv: duv.map(|d| d / 1000.0) }),
        1 => Just(Request::Keep { name: Some("kept-in-test".to_owned()) }),
        1 => any::<bool>().prop_map(|now| Request::Dark { now }),
        1 => Just(Request::Rest {}),
        2 => Just(Request::Again {}),
        1 => lamp().prop_map(|lamp| Request::Only { lamp }),
        1 => lamp().prop_map(|lamp| Request::Wink { lamp }),
        2 => (look(), lamp(), 0..4_usize).prop_map(|(look, lamp, what)| Request::Meter {
            look: Some(look),
            show: [None, Some(Show::Room), Some(Show::Lamp), Some(Show::All)][what],
            lamp: (what == 2).then_some(lamp),
            places: false, apply: None, end: false, undo: false,
        }),
        1 => Just(Request::Meter {
            look: None, show: None, lamp: None, places: false, apply: None, end: true, undo: false,
        }),
        1 => lamp().prop_map(|lamp| Request::Read {
            point: None, lamp: Some(lamp), value: "120lx 5400K".to_owned(), dome: false, instrument: None,
        }),
        1 => Just(Request::Match { take: Some("plan".to_owned()), look: None, apply: false, undo: false }),
        1 => Just(Request::Rollcall { each_s: Some(0.5), lamp: None, shift: 0, end: false }),
        1 => (lamp(), -2..=2, any::<bool>()).prop_map(|(lamp, shift, end)| Request::Rollcall {
            each_s: Some(0.5), lamp: Some(lamp), shift, end,
        }),
        1 => (lamp(), any::<bool>()).prop_map(|(lamp, back)| Request::Absent { lamp, back }),
        1 => lamp().prop_map(|lamp| Request::Cold { lamp }),
        1 => Just(Request::ProtectOff { code: None, random: 0 }),
        1 => Just(Request::Reload {}),
        1 => Just(Request::TakeStart { slate: None, in_s: None }),
        1 => Just(Request::TakeEnd { mark: None }),
        1 => Just(Request::Status { follow: false }),
        1 => look().prop_map(|look| Request::Explain { look }),
        1 => Just(Request::Names {}),
    ]
}

proptest! {
    #![proptest_config(cases(60))]

    /// After any stream of requests the engine still answers, sends every frame, keeps its limits,
    /// and brings a look up exactly as a fresh engine does.
    #[test]
    fn any_sequence_of_requests_leaves_the_engine_consistent(
        requests in proptest::collection::vec((any_request(), 0..30_usize), 1..40)
    ) {
        let mut plan = DEMO.clone();
        plan.path = Some("pilot-station.toml".into());
        let mut rig = Rig::new(plan.clone());
        for (request, frames) in requests {
            let answer = rig.ask(request);
            prop_assert_eq!(answer.ok, answer.error.is_none());
            prop_assert!(answer.ok || answer.error.is_some_and(|e| !e.said.is_empty() && e.hint.is_some()));
            for _ in 0..frames {
                rig.frame();
                let status = rig.status();
                prop_assert!((0.0..=1.0).contains(&status.now.progress));
                for (id, f) in status.fixtures.iter().enumerate() {
                    let fixture = &plan.fixtures[id];
                    prop_assert!(f.asked.lux.is_finite() && f.sent.lux.is_finite());
                    prop_assert_eq!(f.slots.len(), if fixture.address().is_some() { usize::from(fixture.mode.footprint()) } else { 0 });
                    if f.control == "absent" && fixture.address().is_some() {
                        prop_assert_eq!(f.sent.lux, 0.0);
                    }
                    if fixture.address().is_some() {
                        prop_assert!(f.sent.lux <= f.asked.lux * (1.0 + 1e-9) + 1e-9, "{} sends {} of {}", f.id, f.sent.lux, f.asked.lux);
                    }
                }
            }
        }
        rig.ask(Request::TakeEnd { mark: None });
        let absent: Vec<_> = rig.status().fixtures.iter().filter(|f| f.control == "absent").map(|f| f.id.clone()).collect();
        for id in absent {
            rig.ask(Request::Absent { lamp: id, back: true });
        }
        rig.ask(Request::Cancel {});
        if rig.status().protect.on {
            rig.ask(Request::ProtectOff { code: None, random: 4711 });
            let answer = rig.ask(Request::ProtectOff { code: Some("4711".into()), random: 0 });
            prop_assert!(answer.ok, "{answer:?}");
        }
        let look = plan.looks.iter().find(|l| !l.protect && l.targets.iter().all(|t| t.motion.is_none())).expect("a still look");
        let recall = Request::Recall { look: Some(look.name.clone()), take: None, over_s: Some(0.0), in_s: None, at: None };
        let mut fresh = Rig::new({
            let mut plan = DEMO.clone();
            for f in &mut plan.fixtures { f.absent = None; }
            plan
        });
        for r in [&mut rig, &mut fresh] {
            prop_assert!(r.ask(recall.clone()).ok);
            r.run(20.0);
        }
        for (a, b) in rig.status().fixtures.iter().zip(&fresh.status().fixtures) {
            if b.sent.lux > 0.0 {
                prop_assert_eq!(&a.slots, &b.slots, "{}", a.id);
            } else {
                prop_assert_eq!(a.sent.lux, 0.0, "{}", a.id);
            }
        }
        prop_assert_eq!(slots(rig.frames.last().expect("frames")).len(), plan.outputs.len());
    }
}
