//! A face of 640 by 640 on all cores, beside a floor of the same run: the same rays that find head and walls and ask for no light.
//!
//! `cargo bench --bench face`. The aim is 2 s on two cores for a look of the demo. It needs the machine to itself.

use std::hint::black_box;

use lampkeep::cli::draw::Threads;
use lampkeep::clock::{Clock, SystemClock};
use lampkeep::picture::face::light::Around;
use lampkeep::picture::face::{self, Finish, Scene, Workers, expose, head_field};
use lampkeep::plan::{Plan, load};

/// Runs of each; the least counts.
const ROUNDS: usize = 5;

fn seconds(clock: SystemClock, mut work: impl FnMut()) -> f64 {
    let run = |work: &mut dyn FnMut()| {
        let start = clock.now();
        work();
        clock.now().after(start).as_secs_f64()
    };
    (0..ROUNDS).map(|_| run(&mut work)).fold(f64::INFINITY, f64::min)
}

fn main() {
    // `cargo test --benches` only asks whether it builds.
    if !std::env::args().any(|a| a == "--bench") {
        return;
    }
    let plan = load::demo();
    let clock = SystemClock::start();
    let workers = Threads::quiet();
    let (subject, camera) = (&plan.subjects[0], &plan.cameras[0]);
    println!(
        "look                   whole s   of it grid, scene   rays   draft s   whole against rays without light"
    );
    for name in ["pilot-triangle", "quay-dusk", "unseen-pilot"] {
        let Some(look) = plan.look_named(name) else { continue };
        let lit = face::lit(&plan, look);
        let fine = Finish::FINE;
        let whole = seconds(clock, || {
            black_box(face::picture(&plan, &lit, (subject, camera), &fine, &workers));
        });
        let draft = seconds(clock, || {
            black_box(face::picture(&plan, &lit, (subject, camera), &Finish::DRAFT, &workers));
        });
        let scene = |plan: &Plan, lamps: &[_]| {
            let field = head_field(&fine, &workers);
            Scene::of(plan, subject, camera, lamps, (field, &workers as &dyn Workers))
        };
        let made = seconds(clock, || {
            black_box(scene(&plan, &lit.lamps));
        });
        // No lamp and no window: nothing is asked for light.
        let mut unlit = plan.clone();
        unlit.daylight.clear();
        let mut bare = scene(&unlit, &[]);
        assert!(bare.sources.is_empty());
        bare.boards.clear();
        bare.around = Around::of(&[], [0.0; 3]);
        let floor = seconds(clock, || {
            black_box(expose(&bare, &fine, &workers));
        });
        println!(
            "{name:<20} {whole:9.2} {made:19.2} {:6.2} {draft:9.3}   {:.1}",
            whole - made,
            (whole - made) / floor
        );
    }
}
