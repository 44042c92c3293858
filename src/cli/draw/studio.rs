//! Faces of many looks by every camera: one head's grid serves them all.

use std::sync::Arc;

use super::Threads;
use crate::guards::identity::names::Names;
use crate::picture::Pixels;
use crate::picture::face::field::Field;
use crate::picture::face::{self, Cell, Finish, LIFT_STOPS, Lit, Seen, head_field};
use crate::plan::{LookId, Plan, SubjectId};

/// Where a plan's faces are taken.
pub(in crate::cli) struct Studio<'p> {
    plan: &'p Plan,
    hidden: bool,
    finish: Finish,
    workers: Threads,
    /// The head, once it was needed.
    head: Option<Field>,
}

/// One person before one camera.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::cli) struct Framing {
    subject: SubjectId,
    camera: usize,
}

/// A face as it was drawn.
pub(in crate::cli) struct Taken {
    /// Who and by which camera.
    pub framing: Framing,
    /// The picture.
    pub pixels: Arc<Pixels>,
    /// Of a face that the look hides: the same with shadows lifted, and what is seen in it.
    pub lifted: Option<(Arc<Pixels>, Option<Seen>)>,
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

    /// Everybody before every camera, person by person.
    pub fn framings(&self) -> Vec<Framing> {
        let cameras = self.plan.cameras.len();
        let of = |subject| (0..cameras).map(move |camera| Framing { subject: SubjectId(subject), camera });
        (0..self.plan.subjects.len()).flat_map(of).collect()
    }

    /// A face in a look's light; `part`: what is said of how far it is, such as `, face 3 of 22`.
    pub fn taken(&mut self, lit: &Lit, look: LookId, framing: Framing, part: &str) -> Taken {
        let what = format!("{}{part}, {}", self.names().look(look), self.label(framing));
        // The walls' rows and the picture's two passes, and once the grid's slabs: near enough for a progress.
        self.workers
            .begin(&what, 2 * self.finish.size as usize + if self.head.is_none() { 450 } else { 400 });
        let field = self.head.get_or_insert_with(|| head_field(&self.finish, &self.workers)).clone();
        let subject = &self.plan.subjects[framing.subject.0];
        let seen = (subject, &self.plan.cameras[framing.camera]);
        let exposed = face::picture_of(field, self.plan, lit, seen, &self.finish, &self.workers);
        let hides = self.plan.look(look).protect && subject.protect;
        let lifted = hides.then(|| (Arc::new(exposed.lifted(LIFT_STOPS)), Seen::of(&exposed)));
        Taken { framing, pixels: Arc::new(exposed.pixels()), lifted }
    }

    /// A look's place on the contact sheet. Of what is hidden it has the picture that gives most away.
    pub fn cell(&self, look: LookId, lit: Lit, taken: &[Taken]) -> Cell {
        let judged: Vec<(&Taken, &Arc<Pixels>, Seen)> = taken
            .iter()
            .filter_map(|t| t.lifted.as_ref().and_then(|(pixels, seen)| Some((t, pixels, (*seen)?))))
            .collect();
        let worst = judged.iter().max_by(|a, b| a.2.lifted_contrast.total_cmp(&b.2.lifted_contrast));
        let verdict = worst.map(|(t, pixels, seen)| {
            let by = if judged.len() > 1 {
                format!("Gives most away: {}. ", self.label(t.framing))
            } else {
                String::new()
            };
            (Arc::clone(pixels), format!("{by}{}", seen.said()))
        });
        let pictures = taken.iter().map(|t| (self.label(t.framing), Arc::clone(&t.pixels))).collect();
        Cell { look, lit, pictures, verdict }
    }

    /// Takes the progress away.
    pub fn clear(&self) {
        self.workers.clear();
    }

    /// A camera in words.
    pub fn camera(&self, framing: Framing) -> String {
        match self.plan.cameras[framing.camera].id.as_str() {
            _ if self.hidden => format!("camera {}", framing.camera + 1),
            // `[camera.camera]`: once is enough.
            "camera" => "camera".to_owned(),
            id => format!("camera {id}"),
        }
    }

    /// Who is before it.
    pub fn subject(&self, framing: Framing) -> String {
        self.names().subject(framing.subject)
    }

    /// Who is before it, where there are several.
    pub fn one_of_several(&self, framing: Framing) -> Option<String> {
        (self.plan.subjects.len() > 1).then(|| self.subject(framing))
    }

    /// Both in words: `camera main`, of several people `guest, camera main`.
    pub fn label(&self, framing: Framing) -> String {
        let who = self.one_of_several(framing).map_or(String::new(), |who| format!("{who}, "));
        format!("{who}{}", self.camera(framing))
    }

    /// The same as part of a file's name: `main`, `guest-main`.
    pub fn file(&self, framing: Framing) -> String {
        let camera = self.camera_file(framing);
        if self.plan.subjects.len() < 2 {
            return camera;
        }
        let index = framing.subject.0;
        format!("{}-{camera}", self.plain("face", index, &self.plan.subjects[index].id))
    }

    /// The camera's own part of it.
    pub fn camera_file(&self, framing: Framing) -> String {
        self.plain("camera", framing.camera, &self.plan.cameras[framing.camera].id)
    }

    /// An id that a file's name may hold, or a number.
    fn plain(&self, noun: &str, index: usize, id: &str) -> String {
        let plain = id.chars().all(|c| c.is_ascii_alphanumeric() || c == '-' || c == '_');
        if self.hidden || !plain { format!("{noun}-{}", index + 1) } else { id.to_owned() }
    }
}
