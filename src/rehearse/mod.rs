//! The running order with no hardware, as a story: the engine itself, on virtual time or at a stated pace, into a
//! simulator that decodes what it is sent with its own arithmetic; takes and rests as planned, and faults when told.
//!
//! `script` says what happens when, `begin` how it begins, `course` goes through it, `takes` rolls, `outage` lets things
//! fail, `row` and `text` tell it. A frame that can only be the one before is counted and not solved again
//! (`engine::Engine::stands_for`). Not here: any file, and any clock.

mod begin;
mod course;
pub mod fault;
mod hash;
mod outage;
mod row;
mod script;
mod takes;
mod text;

use std::sync::Arc;

use serde::Serialize;

use crate::channels::Frame;
use crate::control::{Light, WarmBody};
use crate::engine::Engine;
use crate::plan::Plan;
use crate::wire::sim;

pub use fault::{Fault, Gone};
pub use text::clock_time;

/// The colour science that the simulator decodes whites with.
pub const WHITE: sim::WhiteScience =
    sim::WhiteScience { xy_of: crate::light::colour::xy_of, kelvin_of: crate::light::colour::kelvin_of };

/// What a rehearsal is to be. By default the whole order once from cold lamps, without takes.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Wishes {
    /// Where in the order it begins; the order's beginning where left out.
    pub from: Option<Begin>,
    /// Seconds from the order's beginning to the end; its own end where left out. A later one goes through the
    /// order again.
    pub to_s: Option<f64>,
    /// How warm the lamps are when it begins.
    pub lamps: Lamps,
    /// Takes as the order plans them.
    pub takes: bool,
    /// What fails on the way.
    pub faults: Vec<Fault>,
    /// Solves every frame, also one that can only be the one before: slow, for proofs.
    pub every_frame: bool,
}

/// Where a rehearsal begins.
#[derive(Debug, Clone, PartialEq)]
pub enum Begin {
    /// So many seconds after the order's beginning.
    Seconds(f64),
    /// At the first step with this look.
    Look(String),
}

/// How warm the lamps are when a rehearsal begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Lamps {
    /// At the room's temperature.
    #[default]
    Cold,
    /// As they are once the order, up to where the rehearsal begins or all of it, has been gone through from cold.
    Warm,
}

/// Why a rehearsal cannot be as it was wished.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Unfit {
    /// It would begin where there is no order any more.
    #[error("the rehearsal begins at {} and ends at {}: `--to` a later time goes through the order again", clock_time(*from_s), clock_time(*to_s))]
    Empty {
        /// Where it begins, in seconds.
        from_s: f64,
        /// Where it ends, in seconds.
        to_s: f64,
    },
    /// The order has no step with this look.
    #[error("no step of the order has the look `{look}`; it has {known}")]
    NoLook {
        /// The look.
        look: String,
        /// Those that there are.
        known: String,
    },
    /// No output has this name.
    #[error("no output `{output}` in this plan; it has {known}")]
    NoOutput {
        /// The output.
        output: String,
        /// Those that there are.
        known: String,
    },
    /// A fault lies outside.
    #[error("{fault} lies outside the rehearsal, which goes from {} to {}", clock_time(*from_s), clock_time(*to_s))]
    Outside {
        /// The fault as it is written.
        fault: String,
        /// Where the rehearsal begins, in seconds.
        from_s: f64,
        /// Where it ends, in seconds.
        to_s: f64,
    },
}

/// Who looks on.
pub trait Watches {
    /// Every frame's universes as they are sent, before the next is worked out; a pace is kept here.
    fn frames(&mut self, _frames: &[Frame]) {}
    /// After each frame, also one that is the one before.
    fn frame(&mut self, _engine: &Engine) {}
    /// Once for each second of the rehearsal: `at_s` from the order's beginning, of `to_s` at its end.
    fn second(&mut self, _at_s: f64, _to_s: f64, _engine: &Engine) {}
}

/// What a rehearsal found.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Timeline {
    /// The set's name.
    pub set: String,
    /// Whether it works, and how well.
    pub verdict: Verdict,
    /// Where it began, in seconds from the order's beginning.
    pub from_s: f64,
    /// Length of what was rehearsed, in seconds.
    pub length_s: f64,
    /// Temperature of the room in degrees Celsius.
    pub ambient_c: f64,
    /// How warm the lamps were at the beginning.
    pub lamps: Lamps,
    /// Frames sent.
    pub frames: u64,
    /// Of these, frames that could differ from the one before and were worked out.
    pub solved: u64,
    /// A hash of every frame of every universe in order: two runs that are the same have the same.
    pub frames_hash: String,
    /// The looks in the order in which they came up.
    pub looks: Vec<Row>,
    /// What failed, as it was told to.
    pub faults: Vec<FaultRow>,
    /// What a person should know of the plan as a whole.
    pub notes: Vec<String>,
}

/// Whether it works.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Verdict {
    /// False if a step could not come up at all.
    pub works: bool,
    /// Warnings, each counted once however often the order was gone through.
    pub warnings: usize,
    /// In words: `works, with 2 warnings`.
    pub said: String,
}

/// One look of the order, as it stood when its fade had landed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Row {
    /// Seconds from the order's beginning to its recall.
    pub at_s: f64,
    /// Its step in the order, from 1.
    pub step: usize,
    /// Which time through the order it is, from 1.
    pub round: usize,
    /// Its name.
    pub look: String,
    /// Length of its fade in seconds.
    pub fade_s: f64,
    /// How long it stays, its fade included, in seconds.
    pub on_s: f64,
    /// Why it did not come up, if it was refused.
    pub refused: Option<String>,
    /// Electrical power of all lamps in watts, standby and hand-set lamps included.
    pub watts: f64,
    /// The lamps that it lights.
    pub lamps: Vec<LampRow>,
    /// Warnings.
    pub warnings: Vec<String>,
    /// The takes in it.
    pub takes: Vec<TakeRow>,
    /// The body nearest to its limit at the step's end, estimated; `None` where no lamp has a limit.
    pub warmest: Option<WarmBody>,
    /// What the daemon would tell while it stands.
    pub told: Vec<Told>,
}

/// One take.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TakeRow {
    /// Slate and take: the step's number and its take, `4/3`.
    pub take: String,
    /// Seconds from the order's beginning to its start.
    pub at_s: f64,
    /// How long it rolled, in seconds; 0 where it did not start.
    pub lasted_s: f64,
    /// True if what was sent was steady, cold lamps apart.
    pub steady: bool,
    /// Why not, in words; or why it did not start.
    pub why: Vec<String>,
    /// The daemon's reason of lamps that had not been lit for long: in a rehearsal every change of looks has some, so they
    /// are told once and apart.
    pub cold: Option<String>,
}

/// A fault that was told to happen.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FaultRow {
    /// `usb`, `broker` or `power`.
    pub fault: String,
    /// Seconds from the order's beginning.
    pub at_s: f64,
    /// How long it lasted, in seconds.
    pub for_s: f64,
    /// What it comes to, in words.
    pub said: String,
}

/// Something that is told on the way.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Told {
    /// Seconds from the order's beginning.
    pub at_s: f64,
    /// The alert's stable word.
    pub kind: String,
    /// The lamp that it is about, if one.
    pub fixture: Option<String>,
    /// In words.
    pub said: String,
}

/// One lamp of a look.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LampRow {
    /// Fixture id.
    pub id: String,
    /// Body name.
    pub lamp: String,
    /// What was asked, planned.
    pub asked: Light,
    /// What the simulator decoded from the slots.
    pub sent: Light,
    /// Universe and first slot; `None` for a hand-set lamp.
    pub address: Option<(u16, u16)>,
    /// Its slots.
    pub slots: Vec<u8>,
    /// What a person does, for a hand-set lamp.
    pub by_hand: Option<String>,
    /// How it moves by itself, in words; `None` where it stands.
    pub moves: Option<String>,
}

/// Goes through the order once from cold lamps, without takes. `each_frame` gets every frame's universes as they are
/// sent, before the next is worked out; a pace is kept there.
pub fn rehearse(plan: Arc<Plan>, each_frame: impl FnMut(&[Frame])) -> Timeline {
    struct Each<F>(F);
    impl<F: FnMut(&[Frame])> Watches for Each<F> {
        fn frames(&mut self, frames: &[Frame]) {
            (self.0)(frames);
        }
    }
    let wishes = Wishes::default();
    course::run(plan, &wishes, 0.0, None, &mut Each(each_frame))
}

/// Goes through the order as wished.
///
/// Errors: the wishes do not fit the plan.
pub fn story(plan: Arc<Plan>, wishes: &Wishes, watches: &mut impl Watches) -> Result<Timeline, Unfit> {
    let steps = script::steps(&plan);
    let order_s = plan.frames.seconds(script::length(&plan, &steps));
    let from_s = match &wishes.from {
        None => 0.0,
        Some(Begin::Seconds(s)) => *s,
        Some(Begin::Look(look)) => {
            let at = steps.iter().position(|s| plan.look(s.look).name == *look).ok_or_else(|| {
                let mut known: Vec<&str> = steps.iter().map(|s| plan.look(s.look).name.as_str()).collect();
                known.dedup();
                Unfit::NoLook { look: crate::words::short(look), known: known.join(", ") }
            })?;
            plan.frames.seconds(script::length(&plan, &steps[..at]))
        }
    };
    let to_s = wishes.to_s.unwrap_or(order_s);
    if from_s >= to_s && !steps.is_empty() {
        return Err(Unfit::Empty { from_s, to_s });
    }
    for fault in &wishes.faults {
        if !(from_s..to_s).contains(&fault.at_s) {
            return Err(Unfit::Outside { fault: fault.to_string(), from_s, to_s });
        }
        if let Gone::Output(Some(name)) = &fault.what
            && !plan.outputs.iter().any(|o| o.name == *name)
        {
            let known: Vec<&str> = plan.outputs.iter().map(|o| o.name.as_str()).collect();
            return Err(Unfit::NoOutput { output: crate::words::short(name), known: known.join(", ") });
        }
    }
    Ok(course::run(plan, wishes, from_s, wishes.to_s, watches))
}

impl Timeline {
    /// Warnings, each once.
    #[must_use]
    pub fn warnings(&self) -> usize {
        self.verdict.warnings
    }
}
