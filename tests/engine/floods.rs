//! Floods of requests past the flash guard: each kind by itself, all mixed at random. Counted from the slots
//! by what shares no code with the guard (`seen`).

use std::sync::LazyLock;

use lampkeep::control::{Request, decode_request};
use lampkeep::plan::{Plan, load};
use proptest::prelude::*;

use crate::flash::{recall, small};
use crate::properties::{any_request, cases};
use crate::rig::Rig;
use crate::seen::{self, Worst};

static DEMO: LazyLock<Plan> = LazyLock::new(|| {
    let mut plan = load::demo();
    plan.path = Some("pilot-station.toml".into());
    plan
});
static SMALL: LazyLock<Plan> = LazyLock::new(|| {
    let mut plan = small();
    plan.path = Some("pilot-lights.toml".into());
    plan
});

/// A kind of request, what is asked in turn, and whether that must be held at some pace.
fn kinds() -> Vec<(&'static str, Vec<String>, bool)> {
    let to = |text: &str| text.to_owned();
    let dark = || to(r#"{"do":"dark","now":true}"#);
    let nudge = |lamp: &str, stops: f64| format!(r#"{{"do":"nudge","lamp":"{lamp}","stops":{stops}}}"#);
    let only = |lamp: &str| format!(r#"{{"do":"only","lamp":"{lamp}"}}"#);
    let absent = |back: bool| format!(r#"{{"do":"absent","lamp":"key","back":{back}}}"#);
    let level =
        |value: u32| format!(r#"{{"do":"calibrate","lamp":"key","value":{value},"emitter":"green"}}"#);
    vec![
        ("recall", vec![recall("white", 0.0), recall("low", 0.0)], true),
        ("recall with fades", vec![recall("white", 0.1), recall("low", 0.05)], true),
        ("recall of hues", vec![recall("red", 0.0), recall("blue", 0.0), recall("green", 0.0)], true),
        ("recall of faint hues", vec![recall("faint-red", 0.0), recall("faint-blue", 0.0)], true),
        (
            "scheduled recalls",
            vec![
                to(r#"{"do":"recall","look":"white","over_s":0,"in_s":0.03}"#),
                to(r#"{"do":"dark","now":true}"#),
            ],
            true,
        ),
        ("dark and again", vec![dark(), to(r#"{"do":"again"}"#)], true),
        ("nudge one", vec![nudge("key", 3.0), nudge("key", -3.0)], true),
        ("nudge all", vec![nudge("all", -2.0), nudge("all", 2.0)], true),
        ("only", vec![only("key"), only("glow")], true),
        ("only and again", vec![only("side"), to(r#"{"do":"again"}"#)], true),
        ("wink", vec![to(r#"{"do":"wink","lamp":"key"}"#), to(r#"{"do":"wink","lamp":"fill"}"#)], false),
        (
            "wink and recall",
            vec![to(r#"{"do":"wink","lamp":"key"}"#), recall("white", 0.0), recall("low", 0.0)],
            true,
        ),
        ("rollcall", vec![to(r#"{"do":"rollcall","each_s":0.5}"#), dark(), to(r#"{"do":"again"}"#)], true),
        // A lamp that comes back comes up softly: nothing is left for the guard to hold.
        ("absent", vec![absent(false), absent(true)], false),
        ("calibrate", vec![level(255), level(0)], true),
        (
            "keep and reload",
            vec![
                recall("white", 0.0),
                to(r#"{"do":"keep","name":"kept-in-test"}"#),
                to(r#"{"do":"reload"}"#),
                dark(),
            ],
            true,
        ),
        (
            "takes",
            vec![recall("white", 0.0), to(r#"{"do":"take-start"}"#), dark(), to(r#"{"do":"take-end"}"#)],
            true,
        ),
    ]
}

#[test]
fn a_flood_of_each_kind_of_request_makes_three_flashes_a_second_at_most() {
    for (kind, asks, flashes) in kinds() {
        let mut held = false;
        for gap in [1, 2, 3, 5, 8] {
            let mut rig = Rig::new(SMALL.clone());
            rig.done(&recall("low", 0.0));
            rig.run(1.5);
            rig.done(&recall("white", 0.0));
            rig.run(1.5);
            for ask in asks.iter().cycle().take(160 / gap) {
                rig.json(ask);
                for _ in 0..gap {
                    rig.frame();
                }
            }
            rig.run(1.0);
            let Worst { changes, reds } = seen::worst(&SMALL, &rig.frames);
            assert!(changes <= 6 && reds <= 4, "{kind}, {gap} frames: {changes} changes, {reds} reds");
            held |= rig.alerts.iter().any(|(_, kind, _)| kind == "flash-held");
        }
        assert!(held || !flashes, "{kind} was never held: it shows nothing");
    }
}

/// Requests one after another, again and again: what is asked, frames between, and how often.
type Flood = Vec<(Vec<Request>, usize, usize)>;

fn of_small() -> impl Strategy<Value = Request> {
    let all: Vec<Request> = kinds()
        .into_iter()
        .flat_map(|(_, asks, _)| asks)
        .map(|text| decode_request(text.as_bytes()).expect("a request").request)
        .collect();
    let look =
        (0..SMALL.looks.len(), prop_oneof![Just(0.0), 0.0..1.5]).prop_map(|(look, over_s)| Request::Recall {
            look: Some(SMALL.looks[look].name.clone()),
            take: None,
            over_s: Some(over_s),
            in_s: None,
            at: None,
        });
    let lamp = (0..SMALL.fixtures.len()).prop_map(|i| SMALL.fixtures[i].id.clone());
    let nudge = (lamp, -4.0..4.0).prop_map(|(lamp, stops)| Request::Nudge {
        lamp,
        stops: Some(stops),
        kelvin: None,
        mired: None,
        duv: None,
    });
    prop_oneof![2 => proptest::sample::select(all), 2 => look, 1 => nudge]
}

/// Requests of the demo; its own stream has many that change nothing, so cuts are put in between.
fn of_demo() -> impl Strategy<Value = Request> {
    let cut = (0..DEMO.looks.len()).prop_map(|look| Request::Recall {
        look: Some(DEMO.looks[look].name.clone()),
        take: None,
        over_s: Some(0.0),
        in_s: None,
        at: None,
    });
    prop_oneof![2 => any_request(), 2 => cut, 1 => Just(Request::Dark { now: true })]
}

fn flood(request: impl Strategy<Value = Request>) -> impl Strategy<Value = Flood> {
    proptest::collection::vec((proptest::collection::vec(request, 1..5), 0..12_usize, 1..12_usize), 1..6)
}

/// At most so many frames, so that a long case costs no more than a short one is worth.
const MOST_FRAMES: usize = 500;

fn run(plan: &Plan, flood: Flood) -> Result<(), TestCaseError> {
    let mut rig = Rig::new(plan.clone());
    for (asks, gap, times) in flood {
        for ask in asks.iter().cycle().take(asks.len() * times) {
            if rig.frames.len() < MOST_FRAMES {
                rig.ask(ask.clone());
                for _ in 0..gap {
                    rig.frame();
                }
            }
        }
    }
    rig.run(0.5);
    let Worst { changes, reds } = seen::worst(plan, &rig.frames);
    prop_assert!(changes <= 6, "{changes} changes in a second");
    prop_assert!(reds <= 4, "{reds} changes to or from red in a second by raising");
    Ok(())
}

proptest! {
    #![proptest_config(cases(100))]

    /// Source: the rule in tests/reference/flash.csv. Six changes are three flashes; the rule itself would
    /// let a seventh pass.
    #[test]
    fn no_stream_of_requests_makes_a_fourth_flash_on_the_demo(flood in flood(of_demo())) {
        run(&DEMO, flood)?;
    }

    /// The same where every channel is coarse or mixes by itself, and hues flash.
    #[test]
    fn no_stream_of_requests_makes_a_fourth_flash_on_a_small_colour_rig(flood in flood(of_small())) {
        run(&SMALL, flood)?;
    }
}
