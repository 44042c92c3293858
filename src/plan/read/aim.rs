//! What a fixture is aimed at, and where it stands for that: round a subject, or before a wall.

use super::names;
use super::place::{self, FARTHEST_M, NEAREST_M, Stage};
use crate::plan::amounts::LENGTH;
use crate::plan::problem::{Kind, Problem};
use crate::plan::tree::{Field, Table};
use crate::plan::{Aim, Metres, Placement, SubjectId, Wall};

/// Where a fixture stands and what it is aimed at.
pub(super) fn placement(t: &Table<'_>, stage: &Stage) -> Option<Placement> {
    let aim_field = t.get("aim");
    let aim = aim_field.as_ref().map_or(Some((Aim::Face(SubjectId(0)), None)), |f| aim(f, stage));
    let from_wall = t.get("from-wall");
    let along = t.get("along").map(|f| (f.amount(&LENGTH, -FARTHEST_M, FARTHEST_M), f));
    let aim_height = t.get("aim-height").map(|f| (f.amount(&LENGTH, 0.0, 30.0), f));
    let (aim, aim_point) = match aim {
        Some(aim) => aim,
        None => {
            // The keys of a place are known all the same.
            t.allow(place::KEYS);
            return None;
        }
    };
    let centre = match aim {
        Aim::Face(id) => stage.subjects.get(id.0)?.position,
        Aim::Hair(id) => stage.subjects.get(id.0)?.hair(),
        Aim::Wall(_) | Aim::Point => Stage::ORIGIN,
    };
    let position = match (&from_wall, aim) {
        (Some(field), Aim::Wall(wall)) => by_wall(t, stage, wall, field, along.as_ref().map(|a| a.0)),
        (Some(field), _) => {
            t.allow(place::KEYS);
            let said = format!("{} has `from-wall` but is not aimed at a wall", t.owner());
            field.wrong(
                Kind::Conflict,
                said,
                "add `aim = \"wall\"`, or give its place by `clock` and `distance`",
            );
            None
        }
        (None, _) => {
            if let Some((_, field)) = &along {
                let said = format!("{} has `along`, which goes with `from-wall`", t.owner());
                field.wrong(Kind::Conflict, said, "add `from-wall = \"0.5 m\"`, or leave `along` out");
            }
            place::position(t, stage, centre, None)
        }
    };
    if let (Some((_, field)), false) = (&aim_height, matches!(aim, Aim::Wall(_))) {
        let said = format!("{} has `aim-height` but is not aimed at a wall", t.owner());
        field.wrong(Kind::Conflict, said, "add `aim = \"wall\"`, or leave `aim-height` out");
    }
    let position = position?;
    let aim_up = match aim_height {
        Some((height, _)) => height? - stage.eye_height_m(),
        None => 0.0,
    };
    let (aim_point, normal) = match aim {
        Aim::Wall(wall) => {
            let wall_m = stage.wall_m(wall)?;
            match wall {
                Wall::Back => ([position[0], wall_m, aim_up], Some([0.0, -1.0, 0.0])),
                Wall::Left => ([wall_m, position[1], aim_up], Some([1.0, 0.0, 0.0])),
                Wall::Right => ([wall_m, position[1], aim_up], Some([-1.0, 0.0, 0.0])),
            }
        }
        _ => (aim_point.unwrap_or(centre), None),
    };
    let ray = [0, 1, 2].map(|i| position[i] - aim_point[i]);
    let distance_m = ray.iter().map(|d| d * d).sum::<f64>().sqrt();
    let cosine = normal.map(|n: Metres| n.iter().zip(ray).map(|(n, r)| n * r).sum::<f64>() / distance_m);
    if distance_m < NEAREST_M || cosine.is_some_and(|c| c <= 0.0) {
        let what = if matches!(aim, Aim::Wall(_)) { "in or behind the wall" } else { "at the very point" };
        let said = format!("{} stands {what} that it is aimed at", t.owner());
        t.report(
            Problem::at(Kind::BadPlace, t.place(), said)
                .label("this one")
                .help("move it, or aim it elsewhere"),
        );
        return None;
    }
    Some(Placement { position, aim_point, aim, distance_m, incidence_cosine: cosine.unwrap_or(1.0) })
}

/// A wall lamp: so far from the wall, so far along it, at a height.
fn by_wall(
    t: &Table<'_>,
    stage: &Stage,
    wall: Wall,
    from: &Field<'_>,
    along: Option<Option<f64>>,
) -> Option<Metres> {
    for key in ["at", "clock", "raise", "distance", "floor-distance"] {
        if let Some(field) = t.get(key) {
            let said = format!("{} has its place twice: `from-wall` and `{key}`", t.owner());
            place::both(&field, from, said, "keep one of the two");
        }
    }
    let from = from.amount(&LENGTH, NEAREST_M, FARTHEST_M);
    let height = t.need("height", "height = \"0.3 m\"").and_then(|f| f.amount(&LENGTH, 0.0, 30.0));
    let along = along.unwrap_or(Some(0.0));
    let (from, up, along) = (from?, height? - stage.eye_height_m(), along?);
    let wall_m = stage.wall_m(wall)?;
    Some(match wall {
        Wall::Back => [along, wall_m - from, up],
        Wall::Left => [wall_m + from, along, up],
        Wall::Right => [wall_m - from, along, up],
    })
}

/// What a fixture is aimed at, with the point where that is given in metres.
fn aim(field: &Field<'_>, stage: &Stage) -> Option<(Aim, Option<Metres>)> {
    if field.as_text().is_none() {
        return Some((Aim::Point, Some(place::point(field, false)?)));
    }
    let text = field.text("hair")?;
    let wall = |wall, key: &str| {
        if stage.wall_m(wall).is_none() {
            let said = format!("{} is aimed at a wall that `room` does not place", field.owner());
            field.wrong(
                Kind::MissingKey,
                said,
                format!("add `[room]` with `{key} = \"2 m\"`: its distance from the first subject"),
            );
            return None;
        }
        Some((Aim::Wall(wall), None))
    };
    let subject = |name: &str| {
        let found = stage.subjects.iter().position(|s| s.id == name);
        if found.is_none() {
            let known = stage.subjects.iter().map(|s| s.id.as_str());
            names::unknown(field, "subject", name, known.chain(["hair", "wall", "left wall", "right wall"]));
        }
        found.map(SubjectId)
    };
    match text {
        "wall" => wall(Wall::Back, "back"),
        "left wall" => wall(Wall::Left, "left"),
        "right wall" => wall(Wall::Right, "right"),
        "hair" => Some((Aim::Hair(SubjectId(0)), None)),
        other => match other.strip_suffix(" hair") {
            Some(name) => subject(name).map(|id| (Aim::Hair(id), None)),
            None => subject(other).map(|id| (Aim::Face(id), None)),
        },
    }
}
