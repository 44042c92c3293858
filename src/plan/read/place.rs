//! Places: from clock positions, heights and distances to metres.
//!
//! Seen from above, a subject is the centre of a clock and the camera stands at 6. Axes as in
//! `plan::place`: x to camera right, y away from the camera, z up from the first subject's face.

use super::Cx;
use super::names;
use crate::plan::amounts::{ANGLE, LENGTH};
use crate::plan::defaults;
use crate::plan::problem::{Kind, Problem};
use crate::plan::tree::{Field, Table};
use crate::plan::{Aim, Metres, Placement, Room, Subject, SubjectId, Wall};
use crate::units::Share;

/// Farthest that anything stands, in metres: a sports hall.
const FARTHEST_M: f64 = 100.0;
/// Nearest lit front, in metres.
const NEAREST_M: f64 = 0.02;

/// Keys that say where something stands.
pub(super) const KEYS: &[&str] = &["at", "clock", "height", "raise", "distance", "floor-distance"];

/// What places are counted from.
#[derive(Debug)]
pub(super) struct Stage {
    /// Subjects, the first at the origin.
    pub subjects: Vec<Subject>,
    /// The room, where given.
    pub room: Option<Room>,
}

impl Stage {
    /// Height of the origin above the floor.
    pub fn eye_height_m(&self) -> f64 {
        self.subjects.first().map_or(defaults::EYE_HEIGHT_M, |s| s.eye_height_m)
    }

    /// The first subject's face.
    pub const ORIGIN: Metres = [0.0; 3];

    /// The point on a subject's hair that a hair light is metered at.
    fn hair(subject: &Subject) -> Metres {
        let (up, back) = defaults::HAIR_OFFSET_M;
        let [x, y, z] = subject.position;
        [x - subject.facing[0] * back, y - subject.facing[1] * back, z + up]
    }

    /// The wall's distance from the origin along its own axis.
    fn wall_m(&self, wall: Wall) -> Option<f64> {
        let room = self.room.as_ref()?;
        match wall {
            Wall::Back => room.back_m,
            Wall::Left => room.left_m.map(|m| -m),
            Wall::Right => room.right_m,
        }
    }
}

/// Degrees clockwise from 12 of a clock position such as `7:30`; 6 is where the camera stands.
pub(super) fn clock(field: &Field<'_>) -> Option<f64> {
    let found = field.as_text().and_then(|text| {
        let (hours, minutes) = text.split_once(':')?;
        let digits = |s: &str, n| s.len() <= n && s.bytes().all(|b| b.is_ascii_digit());
        if !digits(hours, 2) || !digits(minutes, 2) || minutes.len() != 2 {
            return None;
        }
        let (h, m): (u32, u32) = (hours.parse().ok()?, minutes.parse().ok()?);
        ((1..=12).contains(&h) && m < 60).then(|| f64::from(h % 12) * 30.0 + f64::from(m) * 0.5)
    });
    if found.is_none() {
        let said = format!("`{}` of {} is not a position on the clock", field.key(), field.owner());
        let help = "write hours and minutes in quotes, \"1:00\" to \"12:59\"; \"6:00\" is where the camera stands, \
                    \"4:30\" is 45 degrees round to camera right";
        field.wrong(Kind::BadClock, said, help);
    }
    found
}

/// Unit vector in the horizontal plane towards a clock position.
pub(super) fn towards(clock_deg: f64) -> Metres {
    let (sin, cos) = clock_deg.to_radians().sin_cos();
    [sin, cos, 0.0]
}

/// A point in metres: `["x m", "y m", "z m"]`, or without z where `flat`.
fn point(field: &Field<'_>, flat: bool) -> Option<Metres> {
    let example = if flat { "[\"0.8 m\", \"0.2 m\"]" } else { "[\"0.8 m\", \"0.2 m\", \"0 m\"]" };
    let list = field.list(example)?;
    let read: Vec<_> = list.iter().map(|f| f.amount(&LENGTH, -FARTHEST_M, FARTHEST_M)).collect();
    match read.as_slice() {
        [x, y] if flat => Some([(*x)?, (*y)?, 0.0]),
        [x, y, z] if !flat => Some([(*x)?, (*y)?, (*z)?]),
        _ => {
            let wanted = if flat { "x and y" } else { "x, y and z" };
            field.wrong_type(wanted, example);
            None
        }
    }
}

/// Reads every `[subject.ID]`; without one there is a subject called `subject`.
pub(super) fn subjects(cx: &Cx<'_>, plan: &Table<'_>) -> Option<Vec<Subject>> {
    let mut subjects: Vec<Subject> = Vec::new();
    let mut complete = true;
    for (id, t) in plan.named("subject", "subject") {
        names::check(cx, id, t.place(), "subject", &["hair", "wall"]);
        let faces = t.get("faces").map_or(Some(180.0), |f| clock(&f));
        let eye = t.get("eye-height").map_or(Some(defaults::EYE_HEIGHT_M), |f| f.amount(&LENGTH, 0.1, 3.0));
        let at = t.get("at").map(|f| (point(&f, true), f));
        let round = t.get("clock").map(|f| clock(&f));
        let distance = t.get("distance").map(|f| f.amount(&LENGTH, 0.1, FARTHEST_M));
        t.finish();
        let first = subjects.first().map_or(eye, |s| Some(s.eye_height_m));
        let flat = match (at, round, distance) {
            (None, None, None) if !subjects.is_empty() => {
                let said = format!("subject `{id}` has no place; only the first one is the origin");
                cx.sink
                    .report(Problem::at(Kind::MissingKey, t.place(), said).label("`at` is missing here").help(
                    "add a line such as `at = [\"0.8 m\", \"0.2 m\"]`: to camera right, away from the camera",
                ));
                None
            }
            (None, None, None) => Some(Stage::ORIGIN),
            (Some((_, field)), ..) if subjects.is_empty() => {
                let said = "the first subject is the origin of all places; it has no place of its own";
                field.wrong(Kind::Conflict, said, "leave `at` out here, and give it to the others");
                None
            }
            (Some((at, _)), None, None) => at,
            (None, Some(round), Some(distance)) if !subjects.is_empty() => {
                round.zip(distance).map(|(round, distance)| towards(round).map(|d| d * distance))
            }
            _ => {
                let said = format!("subject `{id}` needs its place once: `at`, or `clock` with `distance`");
                let help = "keep one of the two; the first subject needs neither";
                cx.sink.report(Problem::at(Kind::Conflict, t.place(), said).label("this one").help(help));
                None
            }
        };
        match (faces, eye, first, flat) {
            (Some(faces), Some(eye), Some(first), Some([x, y, _])) => subjects.push(Subject {
                id: id.to_owned(),
                position: [x, y, eye - first],
                eye_height_m: eye,
                facing: towards(faces),
            }),
            _ => complete = false,
        }
    }
    if subjects.is_empty() && complete {
        subjects.push(Subject {
            id: "subject".into(),
            position: Stage::ORIGIN,
            eye_height_m: defaults::EYE_HEIGHT_M,
            facing: towards(180.0),
        });
    }
    complete.then_some(subjects)
}

/// Reads `[room]`.
pub(super) fn room(plan: &Table<'_>) -> Option<Room> {
    let t = plan.get("room")?.table("`room`")?;
    let wall = |key| t.get(key).and_then(|f| f.amount(&LENGTH, 0.1, FARTHEST_M));
    let (back_m, left_m, right_m) = (wall("back"), wall("left"), wall("right"));
    let ceiling_m = t.get("ceiling").and_then(|f| f.amount(&LENGTH, 1.0, FARTHEST_M));
    let reflectance = t.get("reflectance").and_then(|f| f.share());
    t.finish();
    let reflectance = reflectance.unwrap_or(Share::clamped(defaults::WALL_REFLECTANCE));
    Some(Room { back_m, left_m, right_m, ceiling_m, reflectance })
}

/// Where something stands: `at`, or `clock` with a distance and a height or raise, round `centre`.
///
/// `lens_m` is the distance where none is stated; only a camera has one.
pub(super) fn position(t: &Table<'_>, stage: &Stage, centre: Metres, lens_m: Option<f64>) -> Option<Metres> {
    let at = t.get("at");
    let clock_field = t.get("clock");
    let height = t.get("height");
    let raise = t.get("raise");
    let distance = t.get("distance");
    let floor_distance = t.get("floor-distance");
    if let Some(at) = at {
        let point = point(&at, false);
        let extra = [clock_field, height, raise, distance, floor_distance].into_iter().flatten().next();
        if let Some(extra) = extra {
            let said = format!("{} has its place twice: `at` and `{}`", t.owner(), extra.key());
            both(&extra, &at, said, "keep one of the two");
        }
        return point;
    }
    let round = match &clock_field {
        Some(field) => clock(field),
        None if lens_m.is_some() => Some(180.0),
        None => {
            let said = format!("{} has no place", t.owner());
            t.report(Problem::at(Kind::MissingKey, t.place(), said).label("`clock` is missing here").help(
                "add lines such as `clock = \"7:30\"`, `height = \"1.9 m\"` and `distance = \"1.5 m\"`",
            ));
            None
        }
    };
    if let (Some(height), Some(raise)) = (&height, &raise) {
        let said = format!("{} has its height twice: `height` and `raise`", t.owner());
        both(raise, height, said, "keep one of the two");
    }
    let height_place = height.as_ref().map(Field::place);
    let dz = height.map(|f| f.amount(&LENGTH, 0.0, 30.0).map(|m| m - stage.eye_height_m() - centre[2]));
    let raise = raise.map(|f| f.amount(&ANGLE, -89.0, 89.0));
    let far = |f: &Field<'_>| f.amount(&LENGTH, NEAREST_M, FARTHEST_M);
    let (straight, floor) = match (distance, floor_distance) {
        (Some(a), Some(b)) => {
            let said = format!("{} has its distance twice: `distance` and `floor-distance`", t.owner());
            both(&b, &a, said, "keep `distance`, measured straight to the lit front");
            return None;
        }
        (Some(f), None) => (Some((far(&f), f.place())), None),
        (None, Some(f)) => (None, Some(far(&f))),
        (None, None) => match lens_m {
            Some(m) => (Some((Some(m), t.place())), None),
            None => {
                if clock_field.is_some() {
                    let said = format!("{} has no distance, which is never guessed", t.owner());
                    t.report(
                        Problem::at(Kind::MissingKey, t.place(), said)
                            .label("`distance` is missing here")
                            .help("measure straight to the lit front and add `distance = \"1.5 m\"`"),
                    );
                }
                return None;
            }
        },
    };
    let (flat, up) = match (straight, floor) {
        (Some((distance, place)), _) => {
            let distance = distance?;
            match (dz, raise) {
                (Some(dz), _) => {
                    let dz = dz?;
                    if dz.abs() > distance {
                        let said = format!(
                            "{} cannot stand there: its height is {:.2} m {} what it is aimed at, its distance only {:.2} m",
                            t.owner(),
                            dz.abs(),
                            if dz > 0.0 { "above" } else { "below" },
                            distance
                        );
                        let help = "`distance` is measured straight from the face to the lit front; for the distance along \
                                    the floor write `floor-distance`";
                        let problem =
                            Problem::at(Kind::BadPlace, place, said).label("shorter than the height alone");
                        t.report(match height_place {
                            Some(height) => problem.also(height, "this height").help(help),
                            None => problem.help(help),
                        });
                        return None;
                    }
                    ((distance * distance - dz * dz).sqrt(), dz)
                }
                (None, raise) => {
                    let (sin, cos) = raise.unwrap_or(Some(0.0))?.to_radians().sin_cos();
                    (distance * cos, distance * sin)
                }
            }
        }
        (None, floor) => {
            let floor = floor??;
            match (dz, raise) {
                (Some(dz), _) => (floor, dz?),
                (None, raise) => (floor, floor * raise.unwrap_or(Some(0.0))?.to_radians().tan()),
            }
        }
    };
    let [x, y, _] = towards(round?);
    Some([centre[0] + x * flat, centre[1] + y * flat, centre[2] + up])
}

fn both(second: &Field<'_>, first: &Field<'_>, said: String, help: &str) {
    second.report(
        Problem::at(Kind::Conflict, second.key_place(), said)
            .label("here")
            .also(first.key_place(), "and here")
            .help(help),
    );
}

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
            t.allow(KEYS);
            return None;
        }
    };
    let centre = match aim {
        Aim::Face(id) => stage.subjects.get(id.0)?.position,
        Aim::Hair(id) => Stage::hair(stage.subjects.get(id.0)?),
        Aim::Wall(_) | Aim::Point => Stage::ORIGIN,
    };
    let position = match (&from_wall, aim) {
        (Some(field), Aim::Wall(wall)) => by_wall(t, stage, wall, field, along.as_ref().map(|a| a.0)),
        (Some(field), _) => {
            t.allow(KEYS);
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
            position(t, stage, centre, None)
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
            both(&field, from, said, "keep one of the two");
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
        return Some((Aim::Point, Some(point(field, false)?)));
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
