//! Faces of many looks by every camera: one head's grid serves them all.

use super::Threads;
use crate::guards::identity::names::Names;
use crate::picture::face::field::Field;
use crate::picture::face::{self, Exposed, Finish, Lit, head_field};
use crate::plan::{LookId, Plan};

/// Where a plan's faces are taken.
pub(in crate::cli) struct Studio<'p> {
    plan: &'p Plan,
    hidden: bool,
    finish: Finish,
    workers: Threads,
    /// The head, once it was needed.
    head: Option<Field>,
}

impl<'p> Studio<'p> {
    /// Nothing is worked out yet. `hidden`: numbers stand for names.
    pub fn new(plan: &'p Plan, hidden: bool, finish: Finish, workers: Threads) -> Self {
        Self { plan, hidden, finish, workers, head: None }
    }

    /// The plan's names, or numbers.
    pub fn names(&self) -> Names<'p> {
        Names::of(self.plan, self.hidden)
    }

    /// The first subject's face by one camera; `part`: what is said of how far it is, such as ` 3 of 22`.
    pub fn exposed(&mut self, lit: &Lit, look: LookId, camera: usize, part: &str) -> Exposed {
        let what = format!("{}{part}, {}", self.names().look(look), self.camera_said(camera));
        // The walls' rows and the picture's two passes, and once the grid's slabs: near enough for a progress.
        self.workers
            .begin(&what, 2 * self.finish.size as usize + if self.head.is_none() { 450 } else { 400 });
        let field = self.head.get_or_insert_with(|| head_field(&self.finish, &self.workers)).clone();
        let seen = (&self.plan.subjects[0], &self.plan.cameras[camera]);
        face::picture_of(field, self.plan, lit, seen, &self.finish, &self.workers)
    }

    /// Takes the progress away.
    pub fn clear(&self) {
        self.workers.clear();
    }

    /// A camera in words.
    pub fn camera_said(&self, index: usize) -> String {
        if self.hidden {
            format!("camera {}", index + 1)
        } else {
            format!("camera {}", self.plan.cameras[index].id)
        }
    }

    /// A camera's name as part of a file's name.
    pub fn camera_file(&self, index: usize) -> String {
        let id = &self.plan.cameras[index].id;
        let plain = id.chars().all(|c| c.is_ascii_alphanumeric() || c == '-' || c == '_');
        if self.hidden || !plain { format!("camera-{}", index + 1) } else { id.clone() }
    }
}
