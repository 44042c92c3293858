//! Numbers in place of names while a face is protected: names given to looks and lamps tell who sat there.
//!
//! One word each (`lamp-3`), so that a number can stand in a topic and be typed back in a request.

use crate::plan::{FixtureId, LookId, Plan, SubjectId};

/// Names as topics, status, log and sheets may show them.
#[derive(Debug, Clone, Copy)]
pub struct Names<'p> {
    plan: &'p Plan,
    protected: bool,
}

impl<'p> Names<'p> {
    /// The names of a plan. `protected`: numbers instead.
    #[must_use]
    pub const fn of(plan: &'p Plan, protected: bool) -> Self {
        Self { plan, protected }
    }

    /// The set's name, protected or not: the socket and the topics are called by it, so a neutral one is advised.
    #[must_use]
    pub fn set(&self) -> String {
        self.plan.name.clone()
    }

    /// A lamp's id: `lamp-3`, counted from 1 in the plan's order.
    #[must_use]
    pub fn lamp(&self, id: FixtureId) -> String {
        self.said("lamp", id.0, &self.plan.fixture(id).id)
    }

    /// A look's name: `look-2`, counted from 1 in the plan's order.
    #[must_use]
    pub fn look(&self, id: LookId) -> String {
        self.said("look", id.0, &self.plan.look(id).name)
    }

    /// A subject's id: `subject-1`, counted from 1 in the plan's order.
    #[must_use]
    pub fn subject(&self, id: SubjectId) -> String {
        self.said("subject", id.0, &self.plan.subjects[id.0].id)
    }

    /// A group's name: `group-1`, counted from 1 in the plan's order.
    #[must_use]
    pub fn group(&self, index: usize) -> String {
        self.said("group", index, &self.plan.groups[index].name)
    }

    /// Free text, such as why a lamp is absent, a note or a slate: nothing of it while protected.
    #[must_use]
    pub fn free(&self, text: &str) -> String {
        if self.protected { String::new() } else { text.to_owned() }
    }

    fn said(&self, noun: &str, index: usize, name: &str) -> String {
        if self.protected { format!("{noun}-{}", index + 1) } else { name.to_owned() }
    }
}

/// The index that a number such as `lamp-3` stands for, given the noun `lamp`; `None` for any other text.
#[must_use]
pub fn numbered(noun: &str, text: &str) -> Option<usize> {
    let digits = text.strip_prefix(noun)?.strip_prefix('-')?;
    let plain = digits.bytes().all(|b| b.is_ascii_digit()) && !digits.starts_with('0');
    plain.then(|| digits.parse::<usize>().ok()?.checked_sub(1)).flatten()
}
