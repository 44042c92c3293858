//! Where a meter is held: a meter point of the plan, or what a lamp is aimed at; and what each lamp sends there.

use serde::{Deserialize, Serialize};

use super::reading::Receptor;
use crate::light::geometry::{Front, Plane};
use crate::light::points;
use crate::light::solve;
use crate::plan::{Aim, FixtureId, MeterAt, MeterPoint, Metres, Plan, SubjectId, Wall};

/// Two receptors nearer than this to each other, in metres, are at one place. Judgement: a hand holds a meter no
/// better.
const SAME_PLACE_M: f64 = 0.05;
/// Cosine from which two receptors face the same way: 5 degrees. Judgement, as above.
const SAME_WAY: f64 = 0.996;
/// Under this cosine a flat receptor is all but edge on: what a dome gets there is not worked out from it.
const EDGE_ON: f64 = 0.05;
/// A flag may take this much of a lamp's light at its own aim, and no more is believed. Judgement.
const LEAST_OWN: f64 = 0.05;

/// Where a meter is held, in the plan's words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Spot {
    /// At what a fixture is aimed at, by its id: turned to the lamp, or lying in the wall.
    Aim(String),
    /// At a meter point, such as `face-lit` or `wall@pilot`.
    Point(String),
}

/// A spot found in a plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Held {
    /// A fixture's aim.
    Aim(FixtureId),
    /// A meter point.
    Point(MeterAt),
}

/// The meter point of this name, `@SUBJECT` for one of several subjects; `None` where the plan has none such.
#[must_use]
pub fn find_spot(plan: &Plan, name: &str) -> Option<MeterAt> {
    let (word, subject) = name.split_once('@').map_or((name, None), |(word, subject)| (word, Some(subject)));
    let point = MeterPoint::ALL.into_iter().find(|p| p.word() == word)?;
    let subject = match subject {
        None => SubjectId(0),
        Some(subject) => SubjectId(plan.subjects.iter().position(|s| s.id == subject)?),
    };
    Some(MeterAt { point, subject })
}

/// A meter point's name as the plan writes it: with its subject where there are several.
#[must_use]
pub fn spot_name(plan: &Plan, at: MeterAt) -> String {
    match plan.subjects.get(at.subject.0) {
        Some(subject) if plan.subjects.len() > 1 => format!("{}@{}", at.point.word(), subject.id),
        _ => at.point.word().to_owned(),
    }
}

impl Spot {
    /// A meter point's.
    #[must_use]
    pub fn of_point(plan: &Plan, at: MeterAt) -> Self {
        Self::Point(spot_name(plan, at))
    }

    /// Its name: the point's, or the fixture's.
    #[must_use]
    pub fn name(&self) -> &str {
        match self {
            Self::Aim(name) | Self::Point(name) => name,
        }
    }

    pub(super) fn find(&self, plan: &Plan) -> Option<Held> {
        match self {
            Self::Aim(id) => plan.fixtures.iter().position(|f| f.id == *id).map(|i| Held::Aim(FixtureId(i))),
            Self::Point(name) => find_spot(plan, name).map(Held::Point),
        }
    }

    /// True if a meter is held the same in both plans: neither the place nor the way that it faces differs.
    #[must_use]
    pub fn stays(
        &self,
        before: &Plan,
        after: &Plan,
        key: Option<FixtureId>,
        key_after: Option<FixtureId>,
    ) -> bool {
        let plane = |plan: &Plan, key| self.find(plan).and_then(|held| plane(plan, held, key));
        match (plane(before, key), plane(after, key_after)) {
            (Some(a), Some(b)) => same(&a, &b),
            _ => false,
        }
    }
}

/// How the meter is held there, for a person: `at the face, turned to the lamp`.
#[must_use]
pub fn spot_said(plan: &Plan, spot: &Spot) -> String {
    match spot.find(plan) {
        Some(Held::Point(at)) => format!("at {}, {}", spot.name(), at.point.receptor()),
        Some(Held::Aim(id)) => {
            let whose = |subject: SubjectId| match plan.subjects.get(subject.0) {
                Some(subject) if plan.subjects.len() > 1 => format!(" of {}", subject.id),
                _ => String::new(),
            };
            let fixture = plan.fixture(id);
            match fixture.place.aim {
                Aim::Face(s) => format!("at the face{}, turned to {}", whose(s), fixture.id),
                Aim::Hair(s) => format!("at the hair{}, turned to {}", whose(s), fixture.id),
                Aim::Wall(wall) => {
                    format!("in the {} where {} is aimed, flat in it", wall_said(wall), fixture.id)
                }
                Aim::Point => format!("where {} is aimed, turned to it", fixture.id),
            }
        }
        None => format!("at {}", spot.name()),
    }
}

const fn wall_said(wall: Wall) -> &'static str {
    match wall {
        Wall::Back => "wall behind",
        Wall::Left => "left wall",
        Wall::Right => "right wall",
    }
}

/// The receptor of a spot.
pub(super) fn plane(plan: &Plan, held: Held, key: Option<FixtureId>) -> Option<Plane> {
    match held {
        Held::Point(at) => points::plane(plan, at, key),
        Held::Aim(id) => {
            let place = &plan.fixtures.get(id.0)?.place;
            let normal = match place.aim {
                Aim::Wall(Wall::Back) => [0.0, -1.0, 0.0],
                Aim::Wall(Wall::Left) => [1.0, 0.0, 0.0],
                Aim::Wall(Wall::Right) => [-1.0, 0.0, 0.0],
                Aim::Face(_) | Aim::Hair(_) | Aim::Point => towards(place.aim_point, place.position)?,
            };
            Some(Plane { position: place.aim_point, normal })
        }
    }
}

fn towards(from: Metres, to: Metres) -> Option<Metres> {
    let way = [0, 1, 2].map(|i| to[i] - from[i]);
    let length = way.iter().map(|c| c * c).sum::<f64>().sqrt();
    (length > 1e-9).then(|| way.map(|c| c / length))
}

pub(super) fn distance(a: Metres, b: Metres) -> f64 {
    (0..3).map(|i| (a[i] - b[i]).powi(2)).sum::<f64>().sqrt()
}

/// True if both catch the same light.
pub(super) fn same(a: &Plane, b: &Plane) -> bool {
    let cosine: f64 = (0..3).map(|i| a.normal[i] * b.normal[i]).sum();
    distance(a.position, b.position) <= SAME_PLACE_M && cosine >= SAME_WAY
}

/// Illuminance in lux at a spot for each lux that a lamp alone gives at its own aim; `None` where that is not known: a
/// lamp's light at another lamp's aim that is no meter point.
///
/// `key`: turns the points that a key turns. A dome gets of straight light (1 + cos) / 2 of what a receptor turned to
/// the lamp gets (a cardioid; ISO 2720 calls it the hemispherical receptor, from memory); what comes by boards and walls
/// is taken as for a flat one.
#[must_use]
pub fn gives(
    plan: &Plan,
    spot: &Spot,
    receptor: Receptor,
    lamp: FixtureId,
    key: Option<FixtureId>,
) -> Option<f64> {
    let held = spot.find(plan)?;
    if held == Held::Aim(lamp) {
        return Some(1.0);
    }
    let here = plane(plan, held, key)?;
    let at = match held {
        Held::Point(at) => plan.spill.receptor(at, key)?,
        // An aim is worked out where it is a meter point too.
        Held::Aim(_) => plan.spill.receptors.iter().find(|r| {
            let there = Plane { position: r.position, normal: r.normal };
            same(&there, &here)
        })?,
    };
    let fixture = plan.fixture(lamp);
    let (sent, gain) = (at.lamps.get(lamp.0)?, solve::gain(fixture));
    if gain <= 0.0 {
        return None;
    }
    let straight = match receptor {
        Receptor::Flat => sent.direct,
        Receptor::Dome => on_dome(plan, &here, lamp, sent.direct),
    };
    Some((straight + sent.board + sent.by_room()) / gain)
}

/// The same for each lux that a meter reads of the lamp at its own aim, where what boards and walls return of it is in
/// the reading.
#[must_use]
pub fn gives_of_read(
    plan: &Plan,
    spot: &Spot,
    receptor: Receptor,
    lamp: FixtureId,
    key: Option<FixtureId>,
) -> Option<f64> {
    if *spot == Spot::Aim(plan.fixture(lamp).id.clone()) {
        return Some(1.0);
    }
    Some(gives(plan, spot, receptor, lamp, key)? / own_share(plan, lamp))
}

/// What a lamp gives at its own aim by all ways, against what its figures say that it gives straight.
pub(super) fn own_share(plan: &Plan, lamp: FixtureId) -> f64 {
    let gain = solve::gain(plan.fixture(lamp));
    let own = plan.spill.own.get(lamp.0).copied().unwrap_or(gain);
    if gain > 0.0 { (own / gain).max(LEAST_OWN) } else { 1.0 }
}

/// Straight light on a dome where a flat receptor gets `flat`.
fn on_dome(plan: &Plan, here: &Plane, lamp: FixtureId, flat: f64) -> f64 {
    let fixture = plan.fixture(lamp);
    let Some(way) = towards(here.position, fixture.place.position) else { return flat };
    let cosine: f64 = (0..3).map(|i| way[i] * here.normal[i]).sum();
    if cosine > EDGE_ON {
        return flat * (1.0 + cosine) / (2.0 * cosine);
    }
    // A flat receptor sees too little of it to tell what stands in the way: nothing is taken to.
    let turned = Front::of(fixture).lux_on(&Plane { position: here.position, normal: way });
    turned * (-fixture.loss).ratio() * (1.0 + cosine) / 2.0
}

impl Spot {
    /// True if both catch the same light in this plan. `key`: turns the points that a key turns.
    #[must_use]
    pub fn same_as(&self, other: &Self, plan: &Plan, key: Option<FixtureId>) -> bool {
        let at = |spot: &Self| spot.find(plan).and_then(|held| plane(plan, held, key));
        self == other || at(self).zip(at(other)).is_some_and(|(a, b)| same(&a, &b))
    }
}
