//! Frames that a rehearsal counts without solving a lamp are the frames that would have been solved: state by state
//! against the engine's own frame, and frame by frame against one that solves every lamp each time.
//!
//! Source of what is expected: the plain way itself (house rule: fast code agrees with a slow plain version).

use std::sync::Arc;

use lampkeep::channels::Frame;
use lampkeep::control::{Envelope, Request};
use lampkeep::engine::{Action, Engine, Event, Options, Ticket};
use lampkeep::plan::{Plan, load};
use lampkeep::rehearse::{Begin, Fault, Gone, Lamps, Timeline, Watches, Wishes, story};
use lampkeep::units::Celsius;

/// Recalls on the way, each with its frame: looks of every kind, the moving one and the protecting one too.
const COURSE: [(u64, &str); 5] = [
    (0, "pilot-triangle"),
    (700, "night-watch"),
    (1500, "turning-tide"),
    (2400, "harbour-loop"),
    (3100, "unseen-pilot"),
];

fn hot(ambient_c: f64) -> Arc<Plan> {
    let mut plan = load::demo();
    plan.ambient = Celsius::new(ambient_c).expect("a room");
    Arc::new(plan)
}

fn recall(engine: &mut Engine, look: &str, n: u64) {
    let request =
        Request::Recall { look: Some(look.to_owned()), take: None, over_s: None, in_s: None, at: None };
    let now = engine.plan().frames.moment_of(n);
    for action in engine.handle(Event::Ask(Ticket(n), Envelope { id: None, request }), now) {
        if let Action::KeepProtect { serial, .. } = action {
            drop(engine.handle(Event::ProtectKept(serial, Ok(())), now));
        }
    }
}

fn sent(actions: &[Action]) -> Option<&Vec<Frame>> {
    actions.iter().find_map(|a| if let Action::Send(frames) = a { Some(frames) } else { None })
}

/// The whole engine, every float of it, after each frame of minutes with fades, motion, heat and a take.
#[test]
fn an_engine_that_stands_is_to_the_bit_the_engine_that_worked_the_frame_out() {
    for ambient in [25.0, 44.0] {
        let plan = hot(ambient);
        let options = || Options { simulate: true, boot_id: "x".into(), ..Options::default() };
        let (mut plain, mut quick) =
            (Engine::new(Arc::clone(&plan), options()), Engine::new(Arc::clone(&plan), options()));
        let mut stood = 0;
        let mut last: Option<Vec<Frame>> = None;
        for n in 0..4000 {
            if let Some((_, look)) = COURSE.iter().find(|(at, _)| *at == n) {
                recall(&mut plain, look, n);
                recall(&mut quick, look, n);
            }
            let now = plan.frames.moment_of(n);
            let actions = plain.handle(Event::Frame(n), now);
            let frames = sent(&actions).expect("a frame").clone();
            if quick.stands_for() > 0 {
                stood += 1;
                drop(quick.stand(now));
                let mut again = last.take().expect("one before");
                again.iter_mut().for_each(|f| f.number = n);
                assert_eq!(again, frames, "frame {n} at {ambient} °C");
            } else {
                drop(quick.handle(Event::Frame(n), now));
            }
            last = Some(frames);
            assert!(plain == quick, "frame {n} at {ambient} °C: the engines differ");
        }
        assert!(stood > 1500, "only {stood} of 4000 frames stood at {ambient} °C");
    }
}

/// Hashes what was sent, so that two runs can be told apart at their first frame.
#[derive(Default)]
struct Slots(Vec<[u8; 48]>);

impl Watches for Slots {
    fn frames(&mut self, frames: &[Frame]) {
        let mut all = [0_u8; 48];
        // The demo's lamps lie in the first 80 slots of two universes: folded, any change shows.
        for frame in frames {
            for (at, slot) in frame.slots.iter().enumerate() {
                let place = &mut all[(at * 7 + usize::from(frame.universe)) % 48];
                *place = place.rotate_left(3) ^ slot;
            }
        }
        self.0.push(all);
    }
}

fn both_ways(plan: &Arc<Plan>, wishes: &Wishes) -> (Timeline, Timeline) {
    let mut slots = [Slots::default(), Slots::default()];
    let run = |every_frame, slots: &mut Slots| {
        story(Arc::clone(plan), &Wishes { every_frame, ..wishes.clone() }, slots).expect("it fits")
    };
    let (quick, plain) = (run(false, &mut slots[0]), run(true, &mut slots[1]));
    for (n, (quick, plain)) in slots[0].0.iter().zip(&slots[1].0).enumerate() {
        assert_eq!(quick, plain, "frame {n} of {wishes:?}");
    }
    (quick, plain)
}

/// Solved frames apart, which is the point of it.
fn but_solved(timeline: Timeline) -> Timeline {
    Timeline { solved: 0, ..timeline }
}

/// The whole result: every look, lamp, take, warning and figure of heat, and every frame.
#[test]
fn a_rehearsal_that_skips_finds_what_one_that_solves_every_frame_finds() {
    let fault = |what, at_s, for_s| Fault { what, at_s, for_s };
    let faults = vec![
        fault(Gone::Output(Some("wall-rail".into())), 750.0, 30.0),
        fault(Gone::Broker, 760.0, 10.0),
        fault(Gone::Power, 790.0, 20.0),
    ];
    let wishes = Wishes { to_s: Some(840.0), takes: true, ..Wishes::default() };
    for (plan, wishes) in [
        // A fade between two looks, with faults.
        (hot(25.0), Wishes { from: Some(Begin::Seconds(700.0)), faults, ..wishes.clone() }),
        // A colour that moves, then a face to protect.
        (hot(25.0), Wishes { from: Some(Begin::Seconds(5420.0)), to_s: Some(5480.0), ..wishes.clone() }),
        // Heat that holds the light: the end of harbour-loop in a hot room, from warm lamps.
        (
            hot(44.0),
            Wishes { from: Some(Begin::Seconds(2750.0)), to_s: Some(2900.0), lamps: Lamps::Warm, ..wishes },
        ),
    ] {
        let (quick, plain) = both_ways(&plan, &wishes);
        assert!(quick.solved < plain.solved, "{} of {}", quick.solved, plain.solved);
        assert_eq!(quick.frames, plain.frames);
        assert_eq!(but_solved(quick), but_solved(plain));
    }
}

#[test]
fn two_runs_have_the_same_bytes() {
    let plan = hot(35.0);
    let wishes = Wishes { to_s: Some(1500.0), takes: true, ..Wishes::default() };
    let run = || {
        let timeline = story(Arc::clone(&plan), &wishes, &mut Slots::default()).expect("it fits");
        (timeline.text(), serde_json::to_string(&timeline).expect("JSON"))
    };
    assert_eq!(run(), run());
}
