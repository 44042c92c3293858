//! The drawings to scale: distances measured in the SVG file against the drawn bar and the plan's own metres, from above and from the
//! side, in metres and in feet.

mod settled;

use lampkeep::picture::set::{self, Lengths, Lit, View};
use lampkeep::plan::{Plan, load};
use settled::{PROFILES, plan};

/// 1 ft = 0.3048 m exactly. Source: international yard and pound agreement, 1959.
const FOOT_M: f64 = 0.3048;
/// The file has hundredths of a page unit; the shortest length here has over 60 units.
const TOLERANCE: f64 = 1e-3;

/// A straight line of the file.
#[derive(Debug, Clone)]
struct Line {
    from: [f64; 2],
    to: [f64; 2],
    width: String,
    dashes: Option<String>,
}

impl Line {
    fn long(&self) -> f64 {
        apart(self.from, self.to)
    }
}

fn apart(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

fn attribute(line: &str, name: &str) -> Option<String> {
    let begin = line.find(&format!(" {name}=\""))? + name.len() + 3;
    Some(line[begin..].split('"').next()?.to_owned())
}

/// Every path that is one straight line.
fn lines(svg: &str) -> Vec<Line> {
    svg.lines()
        .filter(|l| l.starts_with("<path "))
        .filter_map(|l| {
            let path = attribute(l, "d")?;
            let (from, to) = path.strip_prefix('M')?.split_once('L')?;
            let point = |text: &str| -> Option<[f64; 2]> {
                let (x, y) = text.split_once(' ')?;
                Some([x.parse().ok()?, y.parse().ok()?])
            };
            Some(Line {
                from: point(from)?,
                to: point(to)?,
                width: attribute(l, "stroke-width")?,
                dashes: attribute(l, "stroke-dasharray"),
            })
        })
        .collect()
}

/// A drawing with its unit: page units for a metre, by its own bar.
struct Measured {
    lines: Vec<Line>,
    metre: f64,
}

impl Measured {
    /// `said`: what stands over the bar; `bar_m`: what that is in metres.
    fn of(svg: &str, said: &str, bar_m: f64) -> Self {
        let lines = lines(svg);
        let text = svg.lines().find(|l| l.starts_with("<text ") && l.ends_with(&format!(">{said}</text>")));
        let text = text.unwrap_or_else(|| panic!("no bar says {said}"));
        let at: [f64; 2] =
            ["x", "y"].map(|a| attribute(text, a).and_then(|v| v.parse().ok()).expect("a number"));
        // The bar lies close under its words, level, with these in its middle.
        let bar = lines.iter().find(|l| {
            let middle = 0.5 * (l.from[0] + l.to[0]);
            l.from[1] == l.to[1]
                && (middle - at[0]).abs() < 0.02
                && (0.0..20.0).contains(&(l.from[1] - at[1]))
        });
        let bar = bar.expect("a bar under its words");
        Self { metre: bar.long() / bar_m, lines }
    }

    /// From each lamp to what it is aimed at, in the plan's order.
    fn aims(&self) -> Vec<&Line> {
        self.lines.iter().filter(|l| l.dashes.is_some()).collect()
    }

    /// Walls, floor and ceiling: the thick lines.
    fn walls(&self) -> Vec<&Line> {
        let thick = |l: &&Line| l.width.parse::<f64>().is_ok_and(|w| w >= 4.0);
        self.lines.iter().filter(thick).collect()
    }

    fn metres(&self, units: f64) -> f64 {
        units / self.metre
    }

    #[track_caller]
    fn is(&self, units: f64, wanted_m: f64, what: &str) {
        let found = self.metres(units);
        assert!(
            (found / wanted_m - 1.0).abs() < TOLERANCE,
            "{what}: {found:.4} m drawn, {wanted_m:.4} m planned"
        );
    }
}

fn index(plan: &Plan, id: &str) -> usize {
    plan.fixtures.iter().position(|f| f.id == id).expect("this lamp is there")
}

/// Both scales of one view: metres with a bar of 1 m, feet with one of 3 ft.
fn both(draw: impl Fn(&View) -> String) -> [Measured; 2] {
    let view = |lengths| View { lengths, ..View::default() };
    [
        Measured::of(&draw(&view(Lengths::Metres)), "1 m", 1.0),
        Measured::of(&draw(&view(Lengths::Feet)), "3 ft", 3.0 * FOOT_M),
    ]
}

/// Source: the demo's own figures and docs/interface.md, part 2 (clock, raise, height): `key` 45 degrees round at 1.6 m, raised 40
/// degrees; `side` at 9:00, level, 1.3 m; `front` at 6:00, 2.0 m, 2.1 m high where the eyes are 1.25 m; walls at 2.2 m and 3 m.
#[test]
fn from_above_lamps_and_walls_are_as_far_apart_as_the_plan_has_them() {
    let plan = load::demo();
    let level = 1.6 * 40.0_f64.to_radians().cos();
    let key = [-level * 0.5_f64.sqrt(), -level * 0.5_f64.sqrt()];
    let side = [-1.3, 0.0];
    let front = [0.0, -(2.0_f64.powi(2) - 0.85_f64.powi(2)).sqrt()];
    for drawn in both(|view| set::above(&plan, view).svg()) {
        let aims = drawn.aims();
        assert_eq!(aims.len(), plan.fixtures.len());
        let at = |id: &str| aims[index(&plan, id)];
        drawn.is(at("side").long(), 1.3, "side to the face");
        drawn.is(at("key").long(), level, "key to the face, as seen from above");
        drawn.is(apart(at("key").from, at("side").from), apart(key, side), "key to side");
        drawn.is(apart(at("front").from, at("side").from), apart(front, side), "front to side");
        let walls = drawn.walls();
        let upright: Vec<f64> = walls.iter().filter(|l| l.from[0] == l.to[0]).map(|l| l.from[0]).collect();
        assert_eq!(upright.len(), 2, "left and right");
        drawn.is((upright[1] - upright[0]).abs(), 5.2, "wall to wall");
        let back = walls.iter().find(|l| l.from[1] == l.to[1]).expect("the wall behind");
        // What the key is aimed at is the face, which is the clock's middle.
        drawn.is(at("key").to[1] - back.from[1], 2.4, "face to the wall behind");
        drawn.is(at("side").from[0] - upright[0].min(upright[1]), 2.2 - 1.3, "side to the wall");
    }
}

/// Source: as above; the ceiling is 2.7 m high.
#[test]
fn from_the_side_heights_and_depths_are_the_plans() {
    let plan = load::demo();
    for drawn in both(|view| set::side(&plan, view).svg()) {
        let aims = drawn.aims();
        let at = |id: &str| aims[index(&plan, id)];
        let walls = drawn.walls();
        let mut level: Vec<f64> = walls.iter().filter(|l| l.from[1] == l.to[1]).map(|l| l.from[1]).collect();
        level.sort_by(f64::total_cmp);
        let [ceiling, floor] = level[..] else { panic!("floor and ceiling: {level:?}") };
        drawn.is(floor - ceiling, 2.7, "floor to ceiling");
        drawn.is(floor - at("front").from[1], 2.1, "height of front");
        drawn.is(floor - at("key").from[1], 1.25 + 1.6 * 40.0_f64.to_radians().sin(), "height of key");
        drawn.is(floor - at("key").to[1], 1.25, "height of the face");
        drawn.is(apart(at("front").from, at("front").to), 2.0, "front to the face: it hangs in this plane");
        let back = walls.iter().find(|l| l.from[0] == l.to[0]).expect("the wall behind");
        drawn.is(back.from[0] - at("front").to[0], 2.4, "face to the wall behind");
        drawn.is(at("front").to[0] - at("front").from[0], (4.0_f64 - 0.85 * 0.85).sqrt(), "front, level");
    }
}

/// Source: the plan's own metres: two faces 1.5 m apart, each with a lamp, one of them 2 ft nearer.
#[test]
fn two_subjects_are_as_far_apart_as_planned_and_so_on_a_continuity_sheet() {
    let plan = plan(&format!(
        "{PROFILES}[subject.a]\n[subject.b]\nat = [\"1.2 m\", \"0.9 m\"]\n\
         [fixture.left]\nprofile = \"point\"\naddress = 1\nat = [\"-1 m\", \"-2 m\", \"0.5 m\"]\naim = \"a\"\n\
         [fixture.right]\nprofile = \"point\"\naddress = 20\nat = [\"2 m\", \"-2 m\", \"0.5 m\"]\naim = \"b\"\n\
         [look.x]\nleft = {{ stops = 0 }}\n"
    ));
    let check = |drawn: &Measured| {
        let aims = drawn.aims();
        drawn.is(apart(aims[0].to, aims[1].to), 1.5, "face to face");
        drawn.is(apart(aims[0].from, aims[1].from), 3.0, "lamp to lamp");
        drawn.is(aims[1].long(), 0.8_f64.hypot(2.9), "right to the second face");
    };
    for drawn in both(|view| set::above(&plan, view).svg()) {
        check(&drawn);
    }
    // As the continuity sheet has it: another size of page.
    let dark = Lit::of(&plan, 0.0, lampkeep::units::Xy { x: 0.34, y: 0.35 });
    let svg = set::above_lit(&plan, &View::default(), &[dark; 2], [690.0, 690.0]).svg();
    check(&Measured::of(&svg, "1 m (3 ft 3 in)", 1.0));
}
