//! What a look marked `protect` means for its lamps, as `check` tells it.

use serde::Serialize;

use crate::engine::assess::Assessment;
use crate::engine::{margin, protection_of};
use crate::light::solve;
use crate::plan::{FixtureId, Look, Plan};

/// Which lamps a protected look has held at zero, and what to unplug.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Hidden {
    /// Every lamp that reaches a protected face.
    pub held: Vec<ReachesFace>,
    /// Those of them that the look lights: they stay dark.
    pub lit: Vec<String>,
    /// Those that may light up by themselves.
    pub unplug: Vec<String>,
    /// Those set by hand, which a person must unplug and confirm.
    pub by_hand: Vec<String>,
    /// How far each face lies under the wall behind it; nothing where the plan has no wall.
    pub margins: Vec<String>,
}

/// A lamp and the face that it reaches most.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ReachesFace {
    /// The lamp.
    pub lamp: String,
    /// The face.
    pub face: String,
}

/// Works it out. `found`: what the look comes to on its lamps.
pub(super) fn hidden(plan: &Plan, look: &Look, found: &[Assessment]) -> Hidden {
    let means = protection_of(plan);
    let name = |id: &FixtureId| plan.fixture(*id).id.clone();
    let lux_at_1m = |id: FixtureId| {
        let gain = solve::gain(plan.fixture(id));
        let sent = found.iter().find(|a| a.fixture == id && !means.holds(id) && gain > 0.0);
        sent.map_or(0.0, |a| a.sent_lux / gain)
    };
    let reaches = |r: &crate::guards::identity::reach::Reached| ReachesFace {
        lamp: name(&r.fixture),
        face: plan.subjects[r.face.0].id.clone(),
    };
    Hidden {
        held: means.locked.iter().map(reaches).collect(),
        lit: look
            .targets
            .iter()
            .map(|t| t.fixture)
            .filter(|id| means.holds(*id))
            .map(|id| name(&id))
            .collect(),
        unplug: means.unplug.iter().map(name).collect(),
        by_hand: means.by_hand.iter().map(name).collect(),
        margins: margin::said(plan, lux_at_1m),
    }
}

impl Hidden {
    /// The same in lines for people.
    pub(super) fn lines(&self) -> Vec<String> {
        let mut lines = Vec::new();
        let mut faces: Vec<&str> = self.held.iter().map(|r| r.face.as_str()).collect();
        faces.dedup();
        faces.sort_unstable();
        faces.dedup();
        for face in faces {
            let lamps: Vec<_> =
                self.held.iter().filter(|r| r.face == face).map(|r| r.lamp.as_str()).collect();
            lines.push(format!("held at zero, since they reach the face of {face}: {}", lamps.join(", ")));
        }
        if self.held.is_empty() {
            lines.push("no lamp reaches a protected face".to_owned());
        }
        if !self.lit.is_empty() {
            lines.push(format!("this look lights {}, which stays dark", self.lit.join(", ")));
        }
        if !self.unplug.is_empty() {
            lines.push(format!(
                "unplug {}: not known to stay dark when frames stop and at power-up",
                self.unplug.join(", ")
            ));
        }
        if !self.by_hand.is_empty() {
            lines.push(format!(
                "set by hand, so unplug and confirm with `lampkeep absent LAMP`: {}",
                self.by_hand.join(", ")
            ));
        }
        lines.extend(self.margins.iter().cloned());
        lines
    }
}
