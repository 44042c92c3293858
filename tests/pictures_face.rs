//! Facts of the trade in pictures: where shadows of a nose fall, what splits a face, what a silhouette is; and exposure.

mod settled;

use lampkeep::engine::{assess, meter};
use lampkeep::light::geometry::Plane;
use lampkeep::picture::colour::{Balance, GREY, coded, luminance, toned};
use lampkeep::picture::face::head::Head;
use lampkeep::picture::face::light::Pose;
use lampkeep::picture::face::scene::Eye;
use lampkeep::picture::face::solid::Solid;
use lampkeep::picture::face::{self, Exposed, Finish, InOrder, Seen, Shows};
use lampkeep::plan::{MeterPoint, Metres, Plan};
use settled::{PROFILES, plan};

const FINISH: Finish = Finish { size: 160, grid_m: 0.004, looks: (6, 24), smooth: false };

fn taken(plan: &Plan, look: &str) -> Exposed {
    let lit = face::lit(plan, plan.look_named(look).expect("this look is there"));
    face::picture(plan, &lit, (&plan.subjects[0], &plan.cameras[0]), &FINISH, &InOrder)
}

/// The eye as the face's pictures have it, for finding places of the head in them.
fn eye(plan: &Plan) -> Eye {
    face::scene::face_eye(&plan.subjects[0], &plan.cameras[0])
}

/// Light on the face near a place of the head's own axes (x to camera right, z up from the eyes), in reflected stops; the mean of a
/// small square.
fn light(plan: &Plan, picture: &Exposed, x: f64, z: f64) -> f64 {
    let subject = &plan.subjects[0];
    let pose = Pose { at: subject.position, forward: subject.facing };
    let (mut sum, mut count) = (0.0, 0.0);
    for i in -1..=1 {
        for j in -1..=1 {
            // The head looks at the camera, so that its own x runs to camera left.
            let own: Metres = [-(x + 0.002 * f64::from(i)), 0.0, z + 0.002 * f64::from(j)];
            let Some((rgb, Shows::Face)) = eye(plan).place(pose.place(own)).and_then(|at| picture.at(at))
            else {
                continue;
            };
            sum += luminance(rgb.map(f64::from));
            count += 1.0;
        }
    }
    assert!(count > 4.0, "no face at {x} {z}");
    sum / count
}

/// One hard lamp on a face, no room: its shadows alone.
fn one_lamp(place: &str) -> Plan {
    plan(&format!(
        "{PROFILES}[fixture.key]\nprofile = \"point\"\naddress = 1\n{place}\n[look.a]\nkey = {{ stops = 0 }}\n"
    ))
}

/// Common practice, no source: a key 45 degrees round and 45 degrees up leaves a lit triangle on the far cheek. It is bounded by the
/// shadow of the nose on the side of the nose, by the cheek's own shadow outwards, and below.
#[test]
fn a_key_45_degrees_round_and_45_up_leaves_a_lit_triangle_on_the_far_cheek() {
    let plan = one_lamp("clock = \"7:30\"\nraise = \"45 deg\"\ndistance = \"2 m\"");
    let picture = taken(&plan, "a");
    let at = |x: f64, z: f64| light(&plan, &picture, x, z);
    let near_cheek = at(-0.035, -0.03);
    let triangle = at(0.034, -0.024);
    assert!(triangle > 0.25 * near_cheek, "the triangle is lit: {triangle:.3} against {near_cheek:.3}");
    for (what, x, z) in [
        ("beside the nose", 0.016, -0.03),
        ("the outer cheek", 0.06, -0.045),
        ("under the nose, to the corner of the mouth", 0.018, -0.056),
    ] {
        let found = at(x, z);
        assert!(found < 0.2 * triangle, "{what} is in shadow: {found:.4} against {triangle:.3}");
    }
}

/// Common practice, no source: a key 90 degrees round splits the face down the nose. What is left on the dark side is the floor's.
#[test]
fn a_key_90_degrees_round_splits_the_face_down_the_nose() {
    let plan = one_lamp("clock = \"9:00\"\ndistance = \"2 m\"");
    let picture = taken(&plan, "a");
    for z in [0.045, -0.03, -0.07, -0.095] {
        let (lit, dark) = (light(&plan, &picture, -0.035, z), light(&plan, &picture, 0.03, z));
        assert!(lit > 0.05 && dark < 0.1 * lit, "at {z}: {lit:.3} and {dark:.4}");
    }
}

/// Common practice, no source: a key on the camera's axis and high drops a shadow under the nose, and both cheeks are alike.
#[test]
fn a_high_frontal_key_drops_a_shadow_under_the_nose() {
    let plan = one_lamp("clock = \"6:00\"\nraise = \"50 deg\"\ndistance = \"2 m\"");
    let picture = taken(&plan, "a");
    let at = |x: f64, z: f64| light(&plan, &picture, x, z);
    let (left, right) = (at(-0.04, -0.03), at(0.04, -0.03));
    assert!((left / right).log2().abs() < 0.05, "both cheeks: {left:.3} {right:.3}");
    assert!(at(0.0, -0.0575) < 0.1 * left, "under the nose: {:.4} against {left:.3}", at(0.0, -0.0575));
    assert!(at(0.0, -0.02) > left * 0.5, "its bridge is lit");
}

const ROOM: &str = "room = { back = \"2.4 m\", left = \"2.2 m\", right = \"3 m\", ceiling = \"2.7 m\", reflectance = \"40 %\" }\n";

/// Common practice, no source: a look of the background alone leaves the face dark before it. By how much is the contribution
/// table's: the wall's reading against the face's. Tolerance: 0.2 stop for a flat receptor, since the picture's is in the head's
/// middle and its parts of walls are larger; a stop for the face, which is not flat. The floor, which the table has not, is taken out.
#[test]
fn a_background_look_leaves_the_face_under_the_wall_by_the_tables_stops() {
    let text = format!(
        "{ROOM}{PROFILES}[fixture.glow]\nprofile = \"point\"\naddress = 1\naim = \"wall\"\nfrom-wall = \"0.6 m\"\nheight = \"0.3 m\"\n\
         aim-height = \"1.2 m\"\n[look.a]\nkey-is = \"glow\"\nglow = {{ stops = 1 }}\n"
    );
    let plan = plan(&text);
    let look = plan.look(plan.look_named("a").expect("there"));
    let table = meter::table(&plan, look, &assess::assess(&plan, look, false));
    let read = |at: MeterPoint| {
        table.points.iter().find(|p| p.at.point == at).expect("this point is there").reading.lux()
    };
    let wanted = (read(MeterPoint::Wall) / read(MeterPoint::FaceCamera)).log2();
    let lit = face::lit(&plan, plan.look_named("a").expect("there"));
    let field = face::head_field(&FINISH, &InOrder);
    let mut scene =
        face::Scene::of(&plan, &plan.subjects[0], &plan.cameras[0], &lit.lamps, (field, &InOrder));
    let walls =
        scene.surfaces.iter().filter(|s| s.card.facing[2] < 0.5).map(|s| (s.card, s.reflectance)).collect();
    scene.furnish(walls, &InOrder);
    let picture = face::expose(&scene, &FINISH, &InOrder);
    let aside = eye(&plan).place([0.26, 2.4, 0.0]).and_then(|at| picture.at(at)).expect("in the picture");
    assert_eq!(aside.1, Shows::Room);
    let wall = luminance(aside.0.map(f64::from)) / 0.4;
    // A flat receptor where the face is, as the meter's.
    let flat = luminance(scene.around.on([0.0, -1.0, 0.0])) / scene.zero_lux;
    let receptor = (wall / flat).log2();
    // And the face itself, which is round and sees walls and ceiling beside it too: its middle pixel.
    let mut face: Vec<f64> = picture
        .rgb
        .iter()
        .zip(&picture.shows)
        .filter(|(_, s)| **s == Shows::Face)
        .map(|(p, _)| luminance(p.map(f64::from)) / 0.4)
        .collect();
    face.sort_by(f64::total_cmp);
    let seen = (wall / face[face.len() / 2]).log2();
    println!(
        "wall over face: table {wanted:.2} stops, a flat receptor {receptor:.2}, the face's middle pixel {seen:.2}"
    );
    assert!(wanted > 3.0 && (receptor - wanted).abs() < 0.2, "table {wanted:.2}, receptor {receptor:.2}");
    assert!((seen - wanted).abs() < 1.0, "table {wanted:.2}, face {seen:.2}");
}

/// Source: ISO 2720 fixes 0 stops; IEC 61966-2-1: 18 % of white is the byte 118. Tolerance: one byte.
#[test]
fn grey_at_0_stops_reads_grey_and_a_3200_k_lamp_reads_warm_at_5600_k() {
    let of = |profile: &str| {
        plan(&format!(
            "{PROFILES}[fixture.key]\nprofile = \"{profile}\"\naddress = 1\nclock = \"6:00\"\ndistance = \"2 m\"\n\
             [look.white]\nkelvin = 5600\nkey = {{ stops = 0 }}\n[look.warm]\nkelvin = 3200\nkey = {{ stops = 0 }}\n"
        ))
    };
    // A card of 18 % grey at the face, turned to the camera.
    let card = |profile: &str, name: &str| {
        let plan = of(profile);
        let lit = face::lit(&plan, plan.look_named(name).expect("there"));
        let camera = &plan.cameras[0];
        let plane = Plane { position: [0.0; 3], normal: [0.0, -1.0, 0.0] };
        let mut sum = [0.0; 3];
        for source in face::scene::sources(&plan, &lit.lamps, &Balance::of(camera.white_balance)) {
            let lux = source.front.lux_on(&plane);
            sum = [0, 1, 2]
                .map(|i: usize| sum[i] + GREY * lux * source.rgb[i] / camera.exposure.zero_stops.get());
        }
        sum
    };
    let bytes = |rgb: [f64; 3]| rgb.map(|c| (255.0 * coded(toned(c))).round());
    for (found, wanted) in bytes(card("point", "white")).into_iter().zip([118.0; 3]) {
        assert!((found - wanted).abs() <= 1.0, "{:?}", bytes(card("point", "white")));
    }
    let [r, g, b] = card("mat", "warm");
    assert!(r > 1.2 * g && g > 1.3 * b, "3200 K is warm: {r} {g} {b}");
    assert!((luminance([r, g, b]) / GREY - 1.0).abs() < 0.02, "its light is the same");
}

/// Source: ISO 5-1: density 0.6 is 10^0.6 = 3.98 times less light; twice the ISO speed is one stop.
#[test]
fn a_camera_with_a_filter_sees_less_and_one_of_twice_the_speed_more() {
    let text = format!(
        "{PROFILES}[camera.filtered]\niso = 800\nf-number = 2.8\nshutter = \"1/50\"\nnd = 0.6\n[camera.fast]\niso = 1600\n\
         f-number = 2.8\nshutter = \"1/50\"\n[fixture.key]\nprofile = \"mat\"\naddress = 1\nclock = \"7:00\"\ndistance = \"2 m\"\n\
         [look.a]\nkey = {{ stops = 0 }}\n"
    );
    let plan = plan(&text);
    let lit = face::lit(&plan, plan.look_named("a").expect("there"));
    let take = |index: usize| {
        face::picture(&plan, &lit, (&plan.subjects[0], &plan.cameras[index]), &FINISH, &InOrder)
    };
    let main = take(0);
    for (index, wanted) in [(1, 10_f64.powf(-0.6)), (2, 2.0)] {
        let other = take(index);
        for (a, b) in main.rgb.iter().zip(&other.rgb).filter(|(a, _)| a[1] > 0.01) {
            assert!((f64::from(b[1] / a[1]) / wanted - 1.0).abs() < 1e-3);
        }
    }
}

/// A protected look's picture tells what an edit would bring up: with a window in the room the face is seen, in a black hall not.
#[test]
fn a_picture_tells_whether_a_hidden_face_would_come_up() {
    let lamp = "[fixture.glow]\nprofile = \"point\"\naddress = 1\naim = \"wall\"\nfrom-wall = \"0.3 m\"\nheight = \"0.3 m\"\n[look.a]\n\
                protect = true\nkey-is = \"glow\"\nglow = { stops = 1 }\n";
    let room = "room = { back = \"3 m\" }\n";
    let window = "[daylight.window]\nclock = \"8:00\"\nheight = \"1.5 m\"\ndistance = \"2 m\"\nkelvin = 6500\nlux = 12\nage = \"5 min\"\n";
    let seen = |text: &str| Seen::of(&taken(&plan(text), "a")).expect("a face is in the picture");
    let by_window = seen(&format!("{room}{PROFILES}{lamp}{window}"));
    assert!(by_window.seen_lifted() && by_window.said().contains("seen"), "{by_window:?}");
    // Nothing but a lamp that shines away from everything.
    let away = "[fixture.glow]\nprofile = \"mat\"\naddress = 1\nat = [\"0 m\", \"20 m\", \"0 m\"]\naim = [\"0 m\", \"40 m\", \"0 m\"]\n\
                [look.a]\nprotect = true\nkey-is = \"glow\"\nglow = { of-full = \"1 %\" }\n";
    let hall = seen(&format!("{PROFILES}{away}"));
    assert!(!hall.seen_lifted(), "{hall:?}");
}

/// The same plan gives the same picture to the last bit, however the work is spread.
#[test]
fn a_picture_is_the_same_in_every_run_and_however_the_work_is_spread() {
    struct Backwards;
    impl face::Workers for Backwards {
        fn each(&self, jobs: usize, work: &(dyn Fn(usize) -> Vec<f32> + Sync)) -> Vec<Vec<f32>> {
            let mut all: Vec<_> = (0..jobs).rev().map(work).collect();
            all.reverse();
            all
        }
    }
    let plan = lampkeep::plan::load::demo();
    let lit = face::lit(&plan, plan.look_named("quay-dusk").expect("there"));
    let finish = Finish { size: 48, ..Finish::DRAFT };
    let take = |workers: &dyn face::Workers| {
        face::picture(&plan, &lit, (&plan.subjects[0], &plan.cameras[0]), &finish, workers)
    };
    assert_eq!(take(&InOrder), take(&Backwards));
    assert_eq!(take(&InOrder).pixels().png(), take(&InOrder).pixels().png());
}

/// What is outside of every ball is taken for free by shadows: nothing of the head may be. Source: the definition, at points 8 mm apart.
#[test]
fn the_balls_hold_all_of_the_head() {
    let (low, high) = Head.bounds();
    let count = [0, 1, 2].map(|i: usize| ((high[i] - low[i]) / 0.008).ceil() as usize);
    let mut inside = 0;
    let mut worst = (f64::NEG_INFINITY, [0.0; 3]);
    for k in 0..=count[2] {
        for j in 0..=count[1] {
            for i in 0..=count[0] {
                let p =
                    [(0, i), (1, j), (2, k)].map(|(axis, n): (usize, usize)| low[axis] + 0.008 * n as f64);
                if p[2] > high[2] || Head.distance(p) > 0.0 {
                    continue;
                }
                inside += 1;
                let out = |(middle, radius): &([f64; 3], f64)| {
                    (0..3).map(|a| (p[a] - middle[a]).powi(2)).sum::<f64>().sqrt() - radius
                };
                let least = Head.balls().iter().map(out).fold(f64::INFINITY, f64::min);
                if least > worst.0 {
                    worst = (least, p);
                }
            }
        }
    }
    assert!(inside > 10_000, "{inside} points");
    // Half a step's diagonal: what lies between two points.
    assert!(worst.0 < -0.007, "{:.4} m outside at {:?}", worst.0, worst.1);
}
