//! Motions against the flash guard's rule, once a plan's light is known: for `load` alone.

use super::problem::{Kind, Problem};
use super::read::Move;
use super::{Flicker, Motion, Plan};
use crate::guards::flash::Cause;
use crate::guards::moving::{Flashing, flashing};

/// A problem for each look whose motions the flash guard would have to break. What was kept on set is no error:
/// it gets a note in the plan, and the guard holds it when it is lit.
pub(super) fn refused(plan: &mut Plan, moves: &[Move]) -> Vec<Problem> {
    let mut problems: Vec<Problem> = Vec::new();
    let mut notes = Vec::new();
    for look in plan.looks.iter().filter(|l| l.targets.iter().any(|t| t.motion.is_some())) {
        let Some(found) = flashing(plan, look) else { continue };
        let lamp = &plan.fixture(found.fixture).id;
        let said = said(plan, &look.name, lamp, &found);
        let of_look = || moves.iter().filter(|m| m.look == look.name);
        let Some(worst) = of_look().find(|m| m.fixture == found.fixture).filter(|_| !look.kept) else {
            notes.push(format!("{said}: the flash guard will hold it back"));
            continue;
        };
        // What a look takes over by `like` is said once.
        if problems.iter().any(|p| p.marks.first().is_some_and(|m| m.place == worst.place)) {
            continue;
        }
        let mut problem = Problem::at(Kind::Flashes, worst.place, said).label("moves the light most there");
        for other in of_look().filter(|m| m.place != worst.place) {
            if problem.marks.iter().all(|m| m.place != other.place) {
                problem = problem.also(other.place, "moves too");
            }
        }
        let motion = look.target(found.fixture).and_then(|t| t.motion);
        problems.push(problem.help(help(motion.as_ref(), found.cause)));
    }
    plan.notes.extend(notes);
    problems
}

fn said(plan: &Plan, look: &str, lamp: &str, found: &Flashing) -> String {
    let subject = plan.subjects.get(found.at.subject.0).filter(|_| plan.subjects.len() > 1);
    let point = match subject {
        Some(subject) => format!("{}@{}", found.at.point.word(), subject.id),
        None => found.at.point.word().to_owned(),
    };
    match (found.cause, found.flashes) {
        (Cause::Red, _) => format!(
            "look `{look}` goes in and out of saturated red too often at `{point}`: four such changes in a second \
             are the most (WCAG 2.2, red flash)"
        ),
        (Cause::General, flashes @ 0..=3) => format!(
            "look `{look}` comes to {flashes} flashes and the start of another in a second at `{point}` by `{lamp}`; \
             3 are the most (WCAG 2.3.1)"
        ),
        (Cause::General, flashes) => format!(
            "look `{look}` flashes {flashes} times in a second at `{point}` by `{lamp}`; 3 are the most (WCAG 2.3.1)"
        ),
    }
}

/// One next step.
fn help(motion: Option<&Motion>, cause: Cause) -> String {
    match (motion, cause) {
        (Some(Motion::Flicker(Flicker { every, .. })), Cause::General) => {
            let slower = (every.as_secs_f64() * 20.0).round() / 10.0;
            format!("let it change less often, such as `every = \"{slower} s\"`, or take less `depth`")
        }
        (Some(motion), Cause::General) => {
            let slower = (motion.period().as_secs_f64() * 20.0).round() / 10.0;
            format!("make it slower, such as `period = \"{slower} s\"`, or take less `depth`")
        }
        _ => "make it slower by a longer `period`, or keep its colours out of deep red".to_owned(),
    }
}
