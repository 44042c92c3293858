//! The renderer against closed forms. Errors are measured over whole pictures and stated beside each bound.

use lampkeep::light::card::Card;
use lampkeep::light::geometry::{Front, Plane};
use lampkeep::picture::face::field::Field;
use lampkeep::picture::face::light::{Around, Patch, Pose};
use lampkeep::picture::face::scene::{Eye, Scene, Surface, crossed, plain_source};
use lampkeep::picture::face::solid::{Ball, Material};
use lampkeep::picture::face::{Exposed, Finish, InOrder, Shows, expose};
use lampkeep::plan::Metres;

const FINISH: Finish = Finish { size: 96, grid_m: 0.01, looks: (24, 512), smooth: false };
const REFLECTANCE: f64 = 0.5;

fn dot(a: Metres, b: Metres) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

fn plus(a: Metres, k: f64, b: Metres) -> Metres {
    [a[0] + k * b[0], a[1] + k * b[1], a[2] + k * b[2]]
}

fn unit(a: Metres) -> Metres {
    a.map(|c| c / dot(a, a).sqrt())
}

/// A matt ball of 10 cm in the origin, seen from 2 m; 0 stops is 1 lx.
fn scene(sources: &[(Metres, Metres, f64, f64)]) -> Scene {
    let ball = Ball {
        radius: 0.1,
        material: Material { reflectance: REFLECTANCE, is_face: true, gloss: 0.0, mirror: 0.0 },
    };
    Scene {
        field: Field::of(&ball, FINISH.grid_m, &InOrder),
        solid: Box::new(ball),
        pose: Pose { at: [0.0; 3], forward: [0.0, 1.0, 0.0] },
        sources: sources
            .iter()
            .map(|(at, aim, radius, lux)| plain_source(*at, *aim, *radius, *lux))
            .collect(),
        boards: Vec::new(),
        surfaces: Vec::new(),
        flags: Vec::new(),
        around: Around::of(&[], [0.0; 3]),
        eye: Eye::framing([0.0, -2.0, 0.0], [0.0; 3], 0.24),
        zero_lux: 1.0,
    }
}

/// The point of the ball that a pixel shows.
fn on_ball(eye: &Eye, x: u32, y: u32) -> Option<Metres> {
    let place = |i: u32| (f64::from(i) + 0.5) / 48.0 - 1.0;
    let way = eye.way(place(x), -place(y));
    let along = dot(eye.at, way);
    let square = along * along - dot(eye.at, eye.at) + 0.01;
    (square > 0.0).then(|| plus(eye.at, -along - square.sqrt(), way))
}

/// The worst error over the ball against a closed form, as a share of its brightest point; and how many points.
fn worst_on_ball(scene: &Scene, wanted: impl Fn(Metres) -> f64) -> (f64, usize) {
    let picture = expose(scene, &FINISH, &InOrder);
    let (mut worst, mut most, mut count) = (0.0_f64, 0.0_f64, 0);
    for y in 0..96 {
        for x in 0..96 {
            let Some(point) = on_ball(&scene.eye, x, y) else { continue };
            let index = (y * 96 + x) as usize;
            if picture.shows[index] != Shows::Face {
                // Rays past the very rim.
                continue;
            }
            let wanted = wanted(point);
            worst = worst.max((f64::from(picture.rgb[index][1]) - wanted).abs());
            most = most.max(wanted);
            count += 1;
        }
    }
    (worst / most, count)
}

/// Lambert's and the inverse-square law at a point of the ball.
fn by_hand(lamp: Metres, candela: f64, point: Metres) -> f64 {
    let way = plus(lamp, -1.0, point);
    let square = dot(way, way);
    REFLECTANCE * candela * (dot(way, unit(point)) / square.sqrt()).max(0.0) / square
}

/// Source: cosine and inverse-square laws. Bound: 0.2 % of the brightest point.
#[test]
fn a_matt_ball_under_one_and_under_two_point_lamps_is_lamberts() {
    let (a, b) = ([-1.2, -1.0, 1.1], [1.5, -0.4, 0.2]);
    let one = scene(&[(a, [0.0; 3], 0.0, 400.0)]);
    let (worst, count) = worst_on_ball(&one, |p| by_hand(a, 400.0, p));
    assert!(count > 4500 && worst < 0.002, "one lamp: {worst:.5} of the peak over {count} pixels");
    let two = scene(&[(a, [0.0; 3], 0.0, 400.0), (b, [0.0; 3], 0.0, 150.0)]);
    let (worst, _) = worst_on_ball(&two, |p| by_hand(a, 400.0, p) + by_hand(b, 150.0, p));
    assert!(worst < 0.002, "two lamps: {worst:.5} of the peak");
    println!("two lamps: worst {worst:.6} of the peak over {count} pixels");
}

/// A room of one matt surface before the eye, and no ball near it.
fn facing(card: Card, eye: Eye, sources: &[(Metres, Metres, f64, f64)]) -> (Scene, Exposed) {
    let mut scene = scene(sources);
    scene.pose.at = [50.0, 0.0, 0.0];
    scene.eye = eye;
    scene.furnish(vec![(card, REFLECTANCE)], &InOrder);
    let picture = expose(&scene, &FINISH, &InOrder);
    (scene, picture)
}

/// The worst relative error over the pixels that show a card.
fn worst_on_card(
    scene: &Scene,
    picture: &Exposed,
    card: &Card,
    wanted: impl Fn(Metres) -> f64,
) -> (f64, usize) {
    let (mut worst, mut count) = (0.0_f64, 0);
    for y in 0..96_u32 {
        for x in 0..96_u32 {
            let place = |i: u32| (f64::from(i) + 0.5) / 48.0 - 1.0;
            let way = scene.eye.way(place(x), -place(y));
            let Some((far, _)) = crossed(card, scene.eye.at, way) else { continue };
            let wanted = wanted(plus(scene.eye.at, far, way));
            let found = f64::from(picture.rgb[(y * 96 + x) as usize][1]);
            worst = worst.max((found / wanted - 1.0).abs());
            count += 1;
        }
    }
    (worst, count)
}

/// Source: inverse-square and cosine laws. Bound: 0.1 %, which is the net's straight lines.
#[test]
fn a_point_lamp_on_a_wall_is_inverse_square() {
    let card = Card::new([0.0, 1.0, 0.0], [0.0, -1.0, 0.0], (4.0, 4.0));
    let lamp = [0.3, -0.6, 0.4];
    let eye = Eye::framing([0.0, -3.0, 0.0], [0.0; 3], 1.2);
    let (scene, picture) = facing(card, eye, &[(lamp, [0.3, 1.0, 0.4], 0.0, 900.0)]);
    let (worst, count) = worst_on_card(&scene, &picture, &card, |p| {
        let way = plus(lamp, -1.0, p);
        let square = dot(way, way);
        REFLECTANCE * 900.0 * -way[1] / square.sqrt() / square
    });
    assert!(count > 9000 && worst < 0.001, "{worst:.5} over {count}");
    println!("wall: worst {worst:.6} over {count} pixels");
}

/// Source: E = pi L R² / (d² + R²) on the axis; beside it the integral of the cosine law over the disc, 60 x 60 points. Bound:
/// 0.1 %.
#[test]
fn a_disc_over_a_plane_follows_the_disc_law() {
    let card = Card::new([0.0; 3], [0.0, 0.0, 1.0], (4.0, 4.0));
    let (radius, height, lux) = (0.45, 0.8, 700.0);
    let eye = Eye::framing([0.0, -2.0, 2.5], [0.0; 3], 1.0);
    let (scene, picture) = facing(card, eye, &[([0.0, 0.0, height], [0.0; 3], radius, lux)]);
    let luminance = lux * (1.0 + radius * radius) / (std::f64::consts::PI * radius * radius);
    let on_axis = std::f64::consts::PI * luminance * radius * radius / (height * height + radius * radius);
    let found =
        f64::from(picture.at(scene.eye.place([0.0; 3]).expect("before the eye")).expect("inside").0[1]);
    assert!((found / (REFLECTANCE * on_axis) - 1.0).abs() < 0.001, "{found}");
    let (worst, count) = worst_on_card(&scene, &picture, &card, |p| {
        let mut sum = 0.0;
        for i in 0..60 {
            for j in 0..60 {
                let far = radius * ((f64::from(i) + 0.5) / 60.0).sqrt();
                let (sin, cos) = ((f64::from(j) + 0.5) * std::f64::consts::TAU / 60.0).sin_cos();
                let way = plus([far * cos, far * sin, height], -1.0, p);
                sum += way[2] * way[2] / dot(way, way).powi(2);
            }
        }
        REFLECTANCE * luminance * std::f64::consts::PI * radius * radius * sum / 3600.0
    });
    assert!(count > 9000 && worst < 0.001, "{worst:.5} over {count}");
    println!("disc: worst {worst:.6} over {count} pixels");
}

/// Source: in a closed room whose every surface sends out 1 lm/m² evenly, every receptor reads 1 lx (conservation of energy), so a
/// matt body shows its reflectance everywhere. Bound: 0.1 %.
#[test]
fn in_a_white_furnace_a_ball_shows_its_reflectance_all_over() {
    let mut patches = Vec::new();
    for axis in 0..3 {
        for sign in [-1.0, 1.0] {
            let (mut middle, mut facing) = ([0.0; 3], [0.0; 3]);
            (middle[axis], facing[axis]) = (2.0 * sign, -sign);
            let card = Card::new(middle, facing, (4.0, 4.0));
            patches.extend(card.parts(0.5, 8).into_iter().map(|card| Patch { card, rgb: [1.0; 3] }));
        }
    }
    let mut scene = scene(&[]);
    scene.around = Around::of(&patches, [0.0; 3]);
    let (worst, count) = worst_on_ball(&scene, |_| REFLECTANCE);
    assert!(count > 4500 && worst < 0.001, "{worst:.5} over {count}");
    println!("furnace: worst {worst:.6} over {count} pixels");
}

/// Source: the share of a disc's light that a ball leaves, by brute force over 2000 points of the disc with the ball's own
/// equation. Bound: 3 % of the light without the ball at any pixel, 0.3 % in the mean.
#[test]
fn a_soft_shadow_on_a_wall_is_the_share_of_the_front_that_is_seen() {
    let card = Card::new([0.0, 0.5, 0.0], [0.0, -1.0, 0.0], (4.0, 4.0));
    let (lamp, radius) = ([0.5, -1.2, 0.4], 0.2);
    let mut scene = scene(&[(lamp, [0.0; 3], radius, 900.0)]);
    scene.eye = Eye::framing([-1.5, -1.5, 0.0], [-0.2, 0.5, -0.1], 0.7);
    scene.furnish(vec![(card, REFLECTANCE)], &InOrder);
    let picture = expose(&scene, &FINISH, &InOrder);
    let front: &Front = &scene.sources[0].front;
    let side = unit([front.axis[1], -front.axis[0], 0.0]);
    let up = [
        front.axis[1] * side[2] - front.axis[2] * side[1],
        front.axis[2] * side[0] - front.axis[0] * side[2],
        front.axis[0] * side[1] - front.axis[1] * side[0],
    ];
    let (mut worst, mut sum, mut count, mut partly) = (0.0_f64, 0.0, 0, 0);
    for y in (0..96_u32).step_by(5) {
        for x in (0..96_u32).step_by(5) {
            let place = |i: u32| (f64::from(i) + 0.5) / 48.0 - 1.0;
            let way = scene.eye.way(place(x), -place(y));
            let index = (y * 96 + x) as usize;
            let Some((far, _)) =
                crossed(&card, scene.eye.at, way).filter(|_| picture.shows[index] == Shows::Room)
            else {
                continue;
            };
            let point = plus(scene.eye.at, far, way);
            let (mut whole, mut open) = (0.0, 0.0);
            for i in 0..40 {
                for j in 0..50 {
                    let far = radius * ((f64::from(i) + 0.5) / 40.0).sqrt();
                    let (sin, cos) = ((f64::from(j) + 0.5) * std::f64::consts::TAU / 50.0).sin_cos();
                    let at = plus(plus(lamp, far * cos, side), far * sin, up);
                    let ray = plus(at, -1.0, point);
                    let square = dot(ray, ray);
                    let weight = -ray[1] * -dot(ray, front.axis) / (square * square);
                    whole += weight;
                    // The ball's equation: how near the line comes to its middle.
                    let along = -dot(point, ray) / square;
                    let near = plus(point, along, ray);
                    if dot(near, near) > 0.01 {
                        open += weight;
                    }
                }
            }
            let bare =
                REFLECTANCE * 900.0 * front.lux_on(&Plane { position: point, normal: [0.0, -1.0, 0.0] });
            let off = (f64::from(picture.rgb[index][1]) / bare - open / whole).abs();
            partly += usize::from(open > 0.05 * whole && open < 0.95 * whole);
            (worst, sum, count) = (worst.max(off), sum + off, count + 1);
        }
    }
    let mean = sum / f64::from(count);
    assert!(
        partly > 15 && worst < 0.03 && mean < 0.003,
        "worst {worst:.4}, mean {mean:.5}, {partly} of {count} in part shadow"
    );
    println!("soft shadow: worst {worst:.4}, mean {mean:.5}; {partly} of {count} in part shadow");
}

/// A surface keeps its own axes: what a net says of a point is what the front gives there.
#[test]
fn a_surface_that_the_picture_does_not_show_costs_nothing_and_says_nothing() {
    let card = Card::new([0.0, -5.0, 0.0], [0.0, 1.0, 0.0], (4.0, 4.0));
    let eye = Eye::framing([0.0, -3.0, 0.0], [0.0; 3], 1.2);
    let (scene, picture) = facing(card, eye, &[([0.0, -1.0, 0.0], [0.0; 3], 0.0, 900.0)]);
    let surface: &Surface = &scene.surfaces[0];
    assert_eq!(surface.light([0.0, 0.0], |_, _| panic!("no light here")), [0.0; 3]);
    assert!(picture.shows.iter().all(|s| *s == Shows::Nothing));
}

/// Source: a cone from a point misses a ball if the angle between its axis and the ball's middle is more than its own half angle and
/// the ball's together (plane geometry). The grid's own error, 3 mm apart: 1 mm of the ball's radius.
#[test]
fn a_look_as_wide_as_a_front_is_free_where_the_cone_misses_the_ball_and_only_there() {
    const R: f64 = 0.1;
    let ball =
        Ball { radius: R, material: Material { reflectance: 0.5, is_face: true, gloss: 0.0, mirror: 0.0 } };
    let field = Field::of(&ball, 0.003, &InOrder);
    let (mut free, mut stopped) = (0, 0);
    for away in [0.102_f64, 0.12, 0.16, 0.3, 0.8] {
        for radius in [0.0_f64, 0.02, 0.2, 0.6] {
            for turned in 0..90 {
                let between = f64::from(turned).to_radians() * 2.0;
                let from = [0.0, away, 0.0];
                let way = unit([0.3 * between.sin(), -between.cos(), 0.954 * between.sin()]);
                let found = field.open(from, way, 1.5, radius);
                let half = (radius / 1.5).asin();
                let least = ((R - 1e-3) / away).asin();
                if found {
                    free += 1;
                    assert!(
                        between - half > least,
                        "{away} m, front {radius} m, {turned}: called free, and is not"
                    );
                } else if between - half > (R / away).asin() + 0.5 && away > 0.11 {
                    panic!("{away} m, front {radius} m, {turned}: free by far, and not called so");
                } else {
                    stopped += 1;
                }
            }
        }
    }
    assert!(free > 400 && stopped > 400, "{free} free, {stopped} not");
}
