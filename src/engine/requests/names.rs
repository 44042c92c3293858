//! `names`: what can be typed, as a person may be told it.

use crate::engine::Engine;
use crate::guards::identity::names::Names;
use crate::plan::{LampNames, LookId, Outline, SubjectId};

impl Engine {
    /// Every name that requests understand; numbers in their place while a face is protected.
    pub(super) fn names(&self) -> Outline {
        let protected = self.protected();
        let (plan, names) = (&*self.plan, Names::of(&self.plan, protected));
        Outline {
            looks: (0..plan.looks.len()).map(|index| names.look(LookId(index))).collect(),
            lamps: plan
                .fixture_ids()
                .map(|id| LampNames {
                    id: names.lamp(id),
                    body: plan.fixture(id).body.as_ref().filter(|_| !protected).map(|b| b.name.clone()),
                })
                .collect(),
            groups: (0..plan.groups.len()).map(|index| names.group(index)).collect(),
            subjects: (0..plan.subjects.len()).map(|index| names.subject(SubjectId(index))).collect(),
        }
    }
}
