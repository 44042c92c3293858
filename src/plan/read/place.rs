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
use crate::plan::{Metres, Room, Subject, Wall};
use crate::units::Share;

/// Farthest that anything stands, in metres: a sports hall.
pub(super) const FARTHEST_M: f64 = 100.0;
/// Nearest lit front, in metres.
pub(super) const NEAREST_M: f64 = 0.02;

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

    /// The wall's distance from the origin along its own axis.
    pub fn wall_m(&self, wall: Wall) -> Option<f64> {
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
pub(super) fn point(field: &Field<'_>, flat: bool) -> Option<Metres> {
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
        let protect = t.get("protect").map_or(Some(true), |f| f.truth());
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
        match (faces, eye, first, flat, protect) {
            (Some(faces), Some(eye), Some(first), Some([x, y, _]), Some(protect)) => subjects.push(Subject {
                id: id.to_owned(),
                position: [x, y, eye - first],
                eye_height_m: eye,
                facing: towards(faces),
                protect,
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
            protect: true,
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
        None if t.misspelt("clock") => None,
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
                if clock_field.is_some() && !t.misspelt("distance") {
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

/// Reports that something is stated twice.
pub(super) fn both(second: &Field<'_>, first: &Field<'_>, said: String, help: &str) {
    second.report(
        Problem::at(Kind::Conflict, second.key_place(), said)
            .label("here")
            .also(first.key_place(), "and here")
            .help(help),
    );
}
