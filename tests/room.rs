//! Light at meter points: places, spill and ratios of whole scenes against hand and numeric sums.

mod common;
mod settled;

use common::table;
use lampkeep::engine::{assess, explain, meter};
use lampkeep::light::geometry::{Front, Plane, Shape};
use lampkeep::plan::{FixtureId, Look, MeterAt, MeterPoint, Metres, Plan, Receptor, SubjectId};
use settled::{PROFILES, plan};

fn minus(a: Metres, b: Metres) -> Metres {
    [a[0] - b[0], a[1] - b[1], a[2] - b[2]]
}

fn dot(a: Metres, b: Metres) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

fn receptor(plan: &Plan, point: MeterPoint) -> &Receptor {
    let key = plan.fixture_named("key");
    plan.spill.receptor(MeterAt { point, subject: SubjectId(0) }, key).expect("this point is there")
}

fn look<'p>(plan: &'p Plan, name: &str) -> &'p Look {
    plan.look(plan.look_named(name).expect("this look is there"))
}

fn stops(plan: &Plan, name: &str, point: MeterPoint) -> f64 {
    let look = look(plan, name);
    let table = meter::table(plan, look, &assess::assess(plan, look, false));
    let found = table.points.iter().find(|p| p.at.point == point).expect("this point is there");
    (found.reading.lux() / plan.exposure.zero_stops.get()).log2()
}

/// Source: tests/reference/point_illuminance.csv. Tolerance: 1e-9 relative, as its header suggests.
#[test]
fn a_front_without_size_lights_an_oriented_point_as_published() {
    for row in table("point_illuminance.csv", 220) {
        let triple = |c: [&str; 3]| c.map(|c| row.number(c));
        let position = triple(["x", "y", "z"]);
        let (axis, shape) = if &row["model"] == "isotropic" {
            ([0.0, 0.0, 1.0], Shape::Even)
        } else {
            let way = minus(triple(["aim_x", "aim_y", "aim_z"]), position);
            let length = dot(way, way).sqrt();
            (way.map(|c| c / length), Shape::of_beam(Some(row.number("beam_deg")), 0.0))
        };
        let normal = triple(["nx", "ny", "nz"]);
        let length = dot(normal, normal).sqrt();
        let plane = Plane { position: triple(["px", "py", "pz"]), normal: normal.map(|c| c / length) };
        let found = row.number("i0_cd") * Front { position, axis, radius_m: 0.0, shape }.lux_on(&plane);
        let wanted = row.number("e_lux");
        assert!((found - wanted).abs() <= 1e-9 * wanted.abs(), "{found}, not {wanted}");
    }
}

/// Source: tests/reference/disc_source.csv (closed form). Tolerance: 1e-12 relative, as its header suggests.
#[test]
fn a_front_with_size_lights_its_axis_as_published() {
    for row in table("disc_source.csv", 50) {
        let (r, d) = (row.number("radius_m"), row.number("distance_m"));
        let front =
            Front { position: [0.0; 3], axis: [0.0, 1.0, 0.0], radius_m: r, shape: Shape::Cosine(1.0) };
        let plane = Plane { position: [0.0, d, 0.0], normal: [0.0, -1.0, 0.0] };
        // The reading at 1 m of a disc of this luminance.
        let at_1m = std::f64::consts::PI * row.number("luminance_cd_m2") * r * r / (1.0 + r * r);
        let (found, wanted) = (at_1m * front.lux_on(&plane), row.number("e_lux"));
        assert!((found / wanted - 1.0).abs() < 1e-12, "{found}, not {wanted}");
    }
}

const KEY: &str = "[fixture.key]\nprofile = \"point\"\naddress = 1\nclock = \"7:30\"\nraise = \"45 deg\"\ndistance = \"2 m\"\n";

/// Source: arithmetic, cos² 45 = 1/2 = -1 stop.
#[test]
fn a_key_45_round_and_45_up_reads_a_stop_lower_turned_to_the_camera_than_turned_to_it() {
    let plan = plan(&format!("{PROFILES}{KEY}[look.a]\nkey = {{ stops = 0 }}\n"));
    let (lit, camera) = (receptor(&plan, MeterPoint::FaceLit), receptor(&plan, MeterPoint::FaceCamera));
    let key = FixtureId(0);
    assert!((lit.lamps[key.0].total() - 0.25).abs() < 1e-12, "inverse square at 2 m");
    assert!((camera.lamps[key.0].total() / lit.lamps[key.0].total() - 0.5).abs() < 1e-12);
    // The mirrored receptor sees half of it too: cos 90 in the level, sin² 45 upright.
    let shadow = receptor(&plan, MeterPoint::FaceShadow);
    assert!((shadow.lamps[key.0].total() / lit.lamps[key.0].total() - 0.5).abs() < 1e-12);
    assert!(
        (stops(&plan, "a", MeterPoint::FaceCamera) - stops(&plan, "a", MeterPoint::FaceLit) + 1.0).abs()
            < 1e-9
    );
    let (said, data) = explain::explain(&plan, look(&plan, "a"), false);
    for words in ["flat, turned to the key", "flat, turned to the camera"] {
        assert!(said.contains(words), "which receptor is meant:\n{said}");
    }
    assert!(said.contains("planned, not measured"), "{said}");
    assert_eq!(data["meter"]["points"][0]["receptor"], "flat, turned to the key");
    let to_key = data["meter"]["points"][2]["stops_to_key"].as_f64().unwrap();
    assert!((to_key + 1.0).abs() < 1e-9, "face-camera to the key: {to_key}");
}

#[test]
fn a_lamps_own_target_is_what_it_sends_straight_to_where_it_is_aimed() {
    let demo = lampkeep::plan::load::demo();
    let at = |point| MeterAt { point, subject: SubjectId(0) };
    let key = demo.fixture_named("key").unwrap();
    let own = demo.spill.receptor(at(MeterPoint::FaceLit), Some(key)).unwrap().lamps[key.0].direct;
    assert!((own / lampkeep::light::solve::gain(demo.fixture(key)) - 1.0).abs() < 1e-12);
    let hair = demo.fixture_named("hair").unwrap();
    let own = demo.spill.receptor(at(MeterPoint::Hair), None).unwrap().lamps[hair.0].direct;
    assert!((own / lampkeep::light::solve::gain(demo.fixture(hair)) - 1.0).abs() < 1e-12);
}

/// The scene of the sums by hand: a wall 2 m behind, a key and a fill of no size at the eye's height.
fn two_lamps(room: &str, more: &str) -> Plan {
    plan(&format!(
        "{PROFILES}{room}
[fixture.key]\nprofile = \"point\"\naddress = 1\nclock = \"7:30\"\ndistance = \"2 m\"
[fixture.fill]\nprofile = \"point\"\naddress = 2\nclock = \"6:00\"\ndistance = \"1 m\"\n{more}
[look.a]\nkey = {{ lux = 200 }}\nfill = {{ lux = 100 }}\n"
    ))
}

/// Source: inverse-square and cosine laws by hand. Key 45 degrees round at 2 m, 200 lx on a receptor turned
/// to it; fill on the camera's axis at 1 m, 100 lx; both at the eye's height; 16-bit slots round by 1e-4.
#[test]
fn two_lamps_at_a_face_and_a_wall_add_up_as_by_hand() {
    let plan = two_lamps("room = { back = \"2 m\", reflectance = \"0 %\" }\n", "");
    let zero = plan.exposure.zero_stops.get();
    let root = 0.5_f64.sqrt();
    // Wall: the key's candela are 200 x 2², its ray goes from (-√2, -√2) to (0, 2).
    let (dx, dy) = (2.0_f64.sqrt(), 2.0 + 2.0_f64.sqrt());
    let square = dx * dx + dy * dy;
    let on_wall = 800.0 * (dy / square.sqrt()) / square + 100.0 / 9.0;
    for (point, lux) in [
        (MeterPoint::FaceLit, 200.0 + 100.0 * root),
        (MeterPoint::FaceShadow, 100.0 * root),
        (MeterPoint::FaceCamera, 200.0 * root + 100.0),
        (MeterPoint::Wall, on_wall),
    ] {
        let found = zero * stops(&plan, "a", point).exp2();
        assert!((found / lux - 1.0).abs() < 2e-4, "{point:?}: {found} lx, not {lux}");
    }
    let look = look(&plan, "a");
    let ratio = meter::table(&plan, look, &assess::assess(&plan, look, false)).ratios[0];
    let contrast = ratio.contrast.unwrap();
    // Key 200 straight; fill 100 cos 45 on the mirrored receptor, which the key just grazes.
    assert!((contrast.key_to_fill - 200.0 / (100.0 * root)).abs() < 1e-3, "{ratio:?}");
    assert!((contrast.lit_to_shadow - contrast.key_to_fill - 1.0).abs() < 1e-12);
}

/// A rectangle in fine parts, by the cosine law alone: middle, two half edges.
fn by_parts(middle: Metres, half: [Metres; 2], n: u32, mut light: impl FnMut(Metres, f64) -> f64) -> f64 {
    let length = |v: Metres| 2.0 * dot(v, v).sqrt();
    let area = length(half[0]) * length(half[1]) / f64::from(n * n);
    let mut sum = 0.0;
    for i in 0..n {
        for j in 0..n {
            let [a, b] = [i, j].map(|k| (2.0 * f64::from(k) + 1.0) / f64::from(n) - 1.0);
            sum += light([0, 1, 2].map(|c| middle[c] + a * half[0][c] + b * half[1][c]), area);
        }
    }
    sum
}

/// Illuminance at `to` of a matt part at `from` that sends out 1 lm/m².
fn matt(from: Metres, facing: Metres, to: &Receptor, area: f64) -> f64 {
    let way = minus(to.position, from);
    let square = dot(way, way);
    let cosines = (dot(way, facing)).max(0.0) * (-dot(way, to.normal)).max(0.0) / square;
    cosines * area / (std::f64::consts::PI * square)
}

/// Source: numeric integration of the cosine law over the wall, 300 x 300 parts. Tolerance 1 %: our
/// wall has parts of 25 cm, each lit as its middle is; the key stands 39 cm from it.
#[test]
fn what_a_wall_returns_is_the_integral_over_the_wall() {
    let plan = two_lamps("room = { left = \"1.8 m\", reflectance = \"60 %\" }\n", "");
    // As documented: 3 m before and behind the subject, 2.5 m high, the eye at 1.2 m.
    let (middle, half) = ([-1.8, 0.0, 0.05], [[0.0, 3.0, 0.0], [0.0, 0.0, 1.25]]);
    for point in [MeterPoint::FaceLit, MeterPoint::FaceCamera, MeterPoint::Hair] {
        let receptor = receptor(&plan, point);
        for (lamp, sent) in plan.fixtures.iter().zip(&receptor.lamps) {
            let wanted = by_parts(middle, half, 300, |part, area| {
                let way = minus(lamp.place.position, part);
                let square = dot(way, way);
                let lit = way[0].max(0.0) / square.sqrt() / square;
                0.6 * lit * matt(part, [1.0, 0.0, 0.0], receptor, area)
            });
            assert!(
                (sent.by_room() - wanted).abs() <= 0.01 * wanted,
                "{point:?} {}: {sent:?} {wanted}",
                lamp.id
            );
            assert_eq!(sent.by_room(), sent.room[1], "all of it by the left wall");
        }
    }
}

/// Source: numeric integration over the board, 200 x 200 parts. Tolerance 0.5 %: parts of 15 cm.
#[test]
fn what_a_board_returns_is_the_integral_over_the_board_of_the_lamp_that_feeds_it() {
    let board = "[bounce.card]\nat = [\"0.9 m\", \"-0.3 m\", \"0 m\"]\nsize = [\"1 m\", \"0.7 m\"]\nreflectance = \"80 %\"\nfed-by = \"key\"\n";
    let plan = two_lamps("", board);
    let receptor = receptor(&plan, MeterPoint::FaceShadow);
    let middle: Metres = [0.9, -0.3, 0.0];
    let length = dot(middle, middle).sqrt();
    // It faces the subject; its width lies level.
    let facing = middle.map(|c| -c / length);
    let half = [[-facing[1] * 0.5, facing[0] * 0.5, 0.0], [0.0, 0.0, 0.35]];
    let key = plan.fixture(FixtureId(0)).place.position;
    let wanted = by_parts(middle, half, 200, |part, area| {
        let way = minus(key, part);
        let square = dot(way, way);
        0.8 * dot(way, facing).max(0.0) / square.sqrt() / square * matt(part, facing, receptor, area)
    });
    let sent = receptor.lamps[0];
    assert!(wanted > 0.0 && (sent.board / wanted - 1.0).abs() < 0.005, "{sent:?}, not {wanted}");
    assert_eq!(receptor.lamps[1].board, 0.0, "the fill does not feed it");
}

/// Source: the reading itself; its cosine 30 degrees off; inverse of the distance squared far away.
#[test]
fn daylight_reads_what_was_read_and_follows_the_cosine() {
    let plan = two_lamps(
        "room = { back = \"2 m\" }\n",
        "[daylight.window]\nclock = \"6:00\"\ndistance = \"3 m\"\nkelvin = 6500\nlux = 40\n",
    );
    assert!((receptor(&plan, MeterPoint::FaceCamera).daylight[0] - 40.0).abs() < 1e-9);
    let lit = receptor(&plan, MeterPoint::FaceLit).daylight[0];
    assert!((lit / 40.0 - 0.5_f64.sqrt()).abs() < 1e-9, "{lit}");
    let wall = receptor(&plan, MeterPoint::Wall).daylight[0];
    // 1 m² of window: a disc of radius 0.564 m.
    let disc = 0.564 * 0.564;
    assert!((wall / 40.0 - (9.0 + disc) / (25.0 + disc)).abs() < 1e-9, "{wall}");
}

#[test]
fn a_flag_in_the_way_keeps_its_lamp_off_the_point_behind_it_alone() {
    // Half way between the key and the face.
    let flag =
        "[flag.black]\nat = [\"-0.7071 m\", \"-0.7071 m\", \"0 m\"]\nsize = \"40 cm\"\ncuts = \"key\"\n";
    let (bare, cut) =
        (two_lamps("room = { back = \"2 m\" }\n", ""), two_lamps("room = { back = \"2 m\" }\n", flag));
    let sent = |plan: &Plan, point, lamp: usize| receptor(plan, point).lamps[lamp].direct;
    assert_eq!(sent(&cut, MeterPoint::FaceLit, 0), 0.0);
    assert_eq!(sent(&cut, MeterPoint::FaceLit, 1), sent(&bare, MeterPoint::FaceLit, 1));
    assert_eq!(sent(&cut, MeterPoint::WallLeft, 0), sent(&bare, MeterPoint::WallLeft, 0));
}

#[test]
fn every_subject_has_points_of_its_own_and_the_wall_ones_keep_inside_the_corner() {
    let text = format!(
        "{PROFILES}room = {{ back = \"2.5 m\", left = \"3 m\", right = \"1.4 m\" }}
[subject.pilot]
[subject.guest]\nat = [\"0.8 m\", \"0.3 m\"]\nfaces = \"8:00\"\neye-height = \"1.3 m\"
{KEY}[look.a]\nkey = {{ stops = 0 }}\n"
    );
    let plan = plan(&text);
    let at = |point, subject| {
        plan.spill.receptor(MeterAt { point, subject: SubjectId(subject) }, plan.fixture_named("key"))
    };
    assert_eq!(at(MeterPoint::WallLeft, 0).unwrap().position, [-1.0, 2.5, 0.0]);
    assert_eq!(at(MeterPoint::WallRight, 0).unwrap().position, [0.7, 2.5, 0.0]);
    let guest = at(MeterPoint::WallRight, 1).unwrap().position;
    assert!((guest[0] - 1.1).abs() < 1e-12 && (guest[2] - 0.1).abs() < 1e-12, "{guest:?}");
    let look = look(&plan, "a");
    let table = meter::table(&plan, look, &assess::assess(&plan, look, false));
    assert_eq!(table.points.len(), 14);
    assert!(table.points.iter().any(|p| p.name == "face-lit@guest"));
    assert_eq!(table.ratios.len(), 2);
}

/// Source: tests/reference/ies/beam.ies, looked up by `Photometry::candela` (checked with its own
/// reference values), with the angles and the inverse square by hand.
#[test]
fn a_measured_beam_lights_off_its_axis_as_its_file_says() {
    let text = include_str!("reference/ies/beam.ies");
    let measured = lampkeep::light::ies::Photometry::read(text).expect("a reference file");
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("beam.ies"), text).expect("written");
    let plan = PROFILES.replace("about = \"the same in all directions, no size\"", "ies = \"beam.ies\"");
    let plan = format!(
        "room = {{ back = \"2 m\", reflectance = \"0 %\" }}\n{plan}
[fixture.key]\nprofile = \"point\"\naddress = 1\nclock = \"6:00\"\ndistance = \"2 m\"
[look.a]\nkey = {{ lux = 100 }}\n"
    );
    let path = folder.path().join("quay.toml");
    std::fs::write(&path, plan).expect("written");
    let plan = lampkeep::plan::load::load(&path).expect("a good plan");
    // The lamp is 4 m before the wall, the side points 1 m off: 0 is to the left, 180 to the right.
    let square = 17.0_f64;
    let off = (0.25_f64).atan().to_degrees();
    for (point, round) in [(MeterPoint::WallLeft, 0.0), (MeterPoint::WallRight, 180.0)] {
        let wanted = measured.candela(off, round) / measured.axis_cd() * (4.0 / square.sqrt()) / square;
        let found = receptor(&plan, point).lamps[0].direct;
        assert!(wanted > 0.0 && (found / wanted - 1.0).abs() < 1e-9, "{point:?}: {found}, not {wanted}");
    }
    assert!(
        (receptor(&plan, MeterPoint::FaceLit).lamps[0].direct - 0.25).abs() < 1e-12,
        "its axis is its reading"
    );
}
