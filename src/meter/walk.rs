//! The metering walk: its steps, and where a person is in it.
//!
//! Which readings are there is the engine's knowledge, so a walk goes on wherever it was left, from any door; what was
//! skipped is the person's, and of one sitting.

use serde::{Deserialize, Serialize};

use super::point::{Spot, gives, spot_said};
use super::reading::Receptor;
use crate::plan::{Aim, FixtureId, Look, MeterAt, MeterPoint, Plan, SubjectId};

/// What is lit at a step.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Show {
    /// No lamp.
    Room,
    /// One lamp alone.
    Lamp,
    /// Every lamp of the look.
    All,
}

/// One step.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Step {
    /// What is lit.
    pub show: Show,
    /// The lamp that is lit alone, by its fixture's id.
    #[serde(default)]
    pub lamp: Option<String>,
    /// Where the meter is held.
    pub spot: Spot,
    /// What a person does, in words.
    pub said: String,
    /// True if a reading of just this is there.
    pub done: bool,
}

/// The points of a look that are worth a reading.
pub(super) fn points(plan: &Plan, look: &Look) -> Vec<MeterAt> {
    let subjects = (0..plan.subjects.len()).map(SubjectId);
    let all = subjects.flat_map(|subject| MeterPoint::ALL.map(|point| MeterAt { point, subject }));
    // The camera's side of the face and the sides of the wall are no more than the others tell.
    let asked = |at: &MeterAt| {
        use MeterPoint::{FaceCamera, WallLeft, WallRight};
        !matches!(at.point, FaceCamera | WallLeft | WallRight) || look.meter.iter().any(|m| m.at == *at)
    };
    all.filter(|at| plan.spill.receptor(*at, look.key).is_some()).filter(asked).collect()
}

/// The steps of a look: room light, each of `lamps` alone at its aim, all together. One reading each of room and all,
/// at the lit side of the face where the look has one; with `places` at every point that the lamps light.
///
/// `lamps`: those that the look lights and that can be lit now, in the plan's order.
#[must_use]
pub fn steps(plan: &Plan, look: &Look, lamps: &[FixtureId], places: bool) -> Vec<Step> {
    let Some(first) = lamps.first() else { return Vec::new() };
    let lit_at = |at: &MeterAt| {
        let spot = Spot::of_point(plan, *at);
        let best = lamps.iter().filter_map(|id| gives(plan, &spot, Receptor::Flat, *id, look.key));
        best.fold(0.0, f64::max) >= 0.25
    };
    let there: Vec<MeterAt> = points(plan, look).into_iter().filter(lit_at).collect();
    let face = there.iter().find(|at| at.point == MeterPoint::FaceLit).or(there.first());
    let main =
        face.map_or_else(|| Spot::Aim(plan.fixture(*first).id.clone()), |at| Spot::of_point(plan, *at));
    let mut wide = vec![main.clone()];
    if places {
        wide.extend(there.iter().map(|at| Spot::of_point(plan, *at)).filter(|spot| *spot != main));
    }
    let mut dark = wide.clone();
    if places {
        dark.extend(lamps.iter().filter_map(|id| own_room(plan, look, *id, &wide)));
    }
    let step = |show, lamp: Option<FixtureId>, spot: &Spot| {
        let what = match (show, lamp) {
            (Show::Room, _) => "room light, every lamp dark".to_owned(),
            (Show::All, _) => "all together".to_owned(),
            (Show::Lamp, lamp) => format!("{} alone", lamp.map_or("", |id| plan.fixture(id).id.as_str())),
        };
        Step {
            show,
            lamp: lamp.map(|id| plan.fixture(id).id.clone()),
            spot: spot.clone(),
            said: format!("{what}: {}", spot_said(plan, spot)),
            done: false,
        }
    };
    let rooms = dark.iter().map(|spot| step(Show::Room, None, spot));
    let alone = lamps.iter().map(|id| step(Show::Lamp, Some(*id), &Spot::Aim(plan.fixture(*id).id.clone())));
    let all = wide.iter().map(|spot| step(Show::All, None, spot));
    rooms.chain(alone).chain(all).collect()
}

/// The aim of a lamp where the room's light is read for it alone: one that no other spot stands for.
fn own_room(plan: &Plan, look: &Look, id: FixtureId, spots: &[Spot]) -> Option<Spot> {
    let spot = Spot::Aim(plan.fixture(id).id.clone());
    let known = spots.iter().any(|other| other.same_as(&spot, plan, look.key));
    // A wall gets much the same all over.
    let wall = matches!(plan.fixture(id).place.aim, Aim::Wall(_));
    let wall_known =
        wall && spots.iter().any(|other| matches!(other, Spot::Point(name) if name.starts_with("wall")));
    (!known && !wall_known).then_some(spot)
}

/// What a person typed at a step.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Word {
    /// A reading, for the engine to understand.
    Reading(String),
    /// Nothing but Enter.
    Enter,
    /// Leave this one out.
    Skip,
    /// Go one back.
    Redo,
    /// Stop here.
    Quit,
}

impl Word {
    /// Of a line.
    #[must_use]
    pub fn of(line: &str) -> Self {
        match line.trim().to_lowercase().as_str() {
            "" => Self::Enter,
            "skip" | "s" => Self::Skip,
            "redo" | "r" => Self::Redo,
            "quit" | "q" => Self::Quit,
            _ => Self::Reading(line.trim().to_owned()),
        }
    }
}

/// How a step was answered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Answered {
    /// By a reading.
    Read,
    /// Left out for now.
    Skipped,
}

/// Where a person is in a walk.
#[derive(Debug, Clone, PartialEq)]
pub struct Walk {
    steps: Vec<Step>,
    answered: Vec<Option<Answered>>,
    /// Steps in the order in which they were answered in this sitting.
    history: Vec<usize>,
}

impl Walk {
    /// At its beginning, or where readings end that are there already. `anew`: none of them counts.
    #[must_use]
    pub fn new(steps: Vec<Step>, anew: bool) -> Self {
        let answered = steps.iter().map(|s| (s.done && !anew).then_some(Answered::Read)).collect();
        Self { steps, answered, history: Vec::new() }
    }

    /// The step that is to be answered now, with its number from 0; `None` at the end.
    #[must_use]
    pub fn now(&self) -> Option<(usize, &Step)> {
        let open = self.answered.iter().position(Option::is_none)?;
        Some((open, &self.steps[open]))
    }

    /// Answers the present step.
    pub fn answer(&mut self, how: Answered) {
        if let Some(open) = self.answered.iter().position(Option::is_none) {
            self.answered[open] = Some(how);
            self.history.push(open);
        }
    }

    /// Opens the step answered last again, of this sitting or of one before; false where none was.
    pub fn redo(&mut self) -> bool {
        let now = self.answered.iter().position(Option::is_none).unwrap_or(self.answered.len());
        let last = self.history.pop().or_else(|| now.checked_sub(1));
        if let Some(last) = last {
            self.answered[last] = None;
        }
        last.is_some()
    }

    /// How many steps there are.
    #[must_use]
    pub fn len(&self) -> usize {
        self.steps.len()
    }

    /// True if there are none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.steps.is_empty()
    }

    /// How many have a reading.
    #[must_use]
    pub fn read(&self) -> usize {
        self.answered.iter().filter(|a| **a == Some(Answered::Read)).count()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn walk(done: [bool; 4]) -> Walk {
        let step = |(i, done): (usize, bool)| Step {
            show: if i == 0 { Show::Room } else { Show::Lamp },
            lamp: None,
            spot: Spot::Point(format!("p{i}")),
            said: String::new(),
            done,
        };
        Walk::new(done.into_iter().enumerate().map(step).collect(), false)
    }

    fn at(walk: &Walk) -> Option<usize> {
        walk.now().map(|(i, _)| i)
    }

    #[test]
    fn a_walk_goes_from_step_to_step_and_ends() {
        let mut walk = walk([false; 4]);
        for step in 0..4 {
            assert_eq!(at(&walk), Some(step));
            walk.answer(if step == 2 { Answered::Skipped } else { Answered::Read });
        }
        assert_eq!((at(&walk), walk.read(), walk.len()), (None, 3, 4));
        walk.answer(Answered::Read);
        assert_eq!(walk.read(), 3, "nothing is left to answer");
    }

    #[test]
    fn redo_opens_what_was_answered_last_and_goes_on_from_there() {
        let mut walk = walk([false; 4]);
        walk.answer(Answered::Read);
        walk.answer(Answered::Skipped);
        assert!(walk.redo());
        assert_eq!(at(&walk), Some(1));
        assert!(walk.redo());
        assert_eq!(at(&walk), Some(0));
        assert!(!walk.redo(), "there is nothing before the first");
        walk.answer(Answered::Read);
        assert_eq!(at(&walk), Some(1));
    }

    #[test]
    fn a_walk_goes_on_where_it_was_left_and_redo_reaches_back_into_the_sitting_before() {
        let mut walk = walk([true, true, false, false]);
        assert_eq!((at(&walk), walk.read()), (Some(2), 2));
        assert!(walk.redo());
        assert_eq!(at(&walk), Some(1));
        let anew = Walk::new(walk.steps.clone(), true);
        assert_eq!(at(&anew), Some(0));
    }

    #[test]
    fn lines_are_words_or_readings() {
        assert_eq!(Word::of(" SKIP \n"), Word::Skip);
        assert_eq!(Word::of("r"), Word::Redo);
        assert_eq!(Word::of("\n"), Word::Enter);
        assert_eq!(Word::of("q"), Word::Quit);
        assert_eq!(Word::of(" f/2.8+0.3 "), Word::Reading("f/2.8+0.3".to_owned()));
    }
}
