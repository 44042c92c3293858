//! The set from above, from a take's record alone: where each lamp stood, for a take of whose plan the log has no text.
//!
//! Plain geometry: a head with its nose, a wedge for the camera's side, a disc and a line for each lamp, bars for boards
//! and windows, and a scale in both units.

use std::fmt::Write as _;

use super::words::feet;
use crate::journal::{LampPlace, PlaceRecord, TakeRecord};

/// Width and greatest height of the picture in millimetres of paper.
const WIDE: f64 = 72.0;
const HIGH: f64 = 60.0;
/// Room for labels at the edges.
const EDGE: f64 = 11.0;
/// Room for the camera and the scale under them.
const CAMERA: f64 = 6.0;
/// Half the width of what is shown at least, in metres: an empty room is no picture.
const LEAST_M: f64 = 1.0;

/// Metres to paper: x to camera right, y away from the camera and so up.
struct Map {
    scale: f64,
    left_m: f64,
    top_m: f64,
}

impl Map {
    fn of(points: &[[f64; 2]]) -> (Self, f64) {
        let bound = |axis: usize, pick: fn(f64, f64) -> f64, least: f64| {
            points.iter().map(|p| p[axis]).fold(least, pick)
        };
        let (left, right) = (bound(0, f64::min, -LEAST_M), bound(0, f64::max, LEAST_M));
        let (near, far) = (bound(1, f64::min, -LEAST_M), bound(1, f64::max, LEAST_M));
        let scale = ((WIDE - 2.0 * EDGE) / (right - left)).min((HIGH - 2.0 * EDGE) / (far - near));
        let spare = (WIDE - 2.0 * EDGE) / scale - (right - left);
        let map = Self { scale, left_m: left - spare / 2.0, top_m: far };
        (map, (far - near) * scale + 2.0 * EDGE + CAMERA)
    }

    fn at(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        [EDGE + (x - self.left_m) * self.scale, EDGE + (self.top_m - y) * self.scale]
    }
}

fn flat(position: [f64; 3]) -> [f64; 2] {
    [position[0], position[1]]
}

/// The picture as SVG. `hidden`: numbers stand for names.
pub(super) fn svg(take: &TakeRecord, hidden: bool) -> String {
    let name = |noun: &str, index: usize, id: &str| {
        if hidden { format!("{noun}-{}", index + 1) } else { id.to_owned() }
    };
    let lit =
        |id: &str| take.light.lamps.iter().any(|l| l.fixture == id && l.absent.is_none() && l.sent.lux > 0.0);
    let things = take.bounces.iter().chain(&take.daylight).chain(&take.subjects);
    let mut points: Vec<[f64; 2]> = things.map(|p| flat(p.position_m)).collect();
    points.extend(take.places.iter().map(|p| flat(p.position_m)));
    let (map, high) = Map::of(&points);
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDE} {high:.1}\" role=\"img\" \
         aria-label=\"The set from above\" font-family=\"Liberation Sans, DejaVu Sans, Arial, sans-serif\" \
         font-size=\"2.7\" fill=\"none\" stroke=\"#111\" stroke-width=\"0.3\">\n"
    );
    for (index, board) in take.bounces.iter().enumerate() {
        bar(&mut out, &map, board, &name("board", index, &board.id), "");
    }
    for (index, window) in take.daylight.iter().enumerate() {
        let dash = " stroke-dasharray=\"1 0.7\"";
        bar(&mut out, &map, window, &name("window", index, &window.id), dash);
    }
    for (index, place) in take.places.iter().enumerate() {
        lamp(&mut out, &map, place, &name("lamp", index, &place.fixture), lit(&place.fixture));
    }
    for subject in &take.subjects {
        head(&mut out, &map, subject);
    }
    camera(&mut out, &map, high);
    scale(&mut out, &map, high);
    out.push_str("</svg>");
    out
}

/// A disc with its name, and while it is lit a line to its aim.
fn lamp(out: &mut String, map: &Map, place: &LampPlace, name: &str, lit: bool) {
    let ([x, y], [ax, ay]) = (map.at(flat(place.position_m)), map.at(flat(place.aim_m)));
    let (dx, dy) = (x - ax, y - ay);
    let way = dx.hypot(dy).max(1e-6);
    let (fill, ink) = if lit { ("#111", "#111") } else { ("#fff", "#999") };
    if lit {
        let _ = writeln!(
            out,
            "<path d=\"M{x:.1} {y:.1}L{:.1} {:.1}\" stroke=\"#888\" stroke-width=\"0.25\"/>",
            ax + dx / way * 3.0,
            ay + dy / way * 3.0
        );
    }
    let _ = writeln!(out, "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"1.3\" fill=\"{fill}\" stroke=\"{ink}\"/>");
    // Away from the middle, where lines are fewer.
    let below = y > map.at([0.0, 0.0])[1];
    let shift = if below { 4.2 } else { -2.2 };
    text(out, x, y + shift, name, "middle", ink);
}

/// A head from above, its nose where it faces.
fn head(out: &mut String, map: &Map, subject: &PlaceRecord) {
    let [x, y] = map.at(flat(subject.position_m));
    let faces = subject.figures.iter().find(|(name, _)| name == "faces_deg").map_or(180.0, |(_, deg)| *deg);
    let (sin, cos) = faces.to_radians().sin_cos();
    let at = |ahead: f64, aside: f64| (x + sin * ahead + cos * aside, y - cos * ahead + sin * aside);
    let ((lx, ly), (nx, ny), (rx, ry)) = (at(2.1, -0.9), at(3.6, 0.0), at(2.1, 0.9));
    let _ = writeln!(
        out,
        "<path d=\"M{lx:.1} {ly:.1}L{nx:.1} {ny:.1}L{rx:.1} {ry:.1}Z\" fill=\"#fff\"/>\
         <circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"2.2\" fill=\"#fff\"/>"
    );
}

/// A board or a window, square to its way to the subject.
fn bar(out: &mut String, map: &Map, thing: &PlaceRecord, name: &str, dash: &str) {
    let p = flat(thing.position_m);
    let width = thing.figures.iter().find(|(name, _)| name == "width_m").map_or(1.0, |(_, m)| *m);
    let way = p[0].hypot(p[1]).max(1e-6);
    let half = [-p[1] / way * width / 2.0, p[0] / way * width / 2.0];
    let [x0, y0] = map.at([p[0] - half[0], p[1] - half[1]]);
    let [x1, y1] = map.at([p[0] + half[0], p[1] + half[1]]);
    let _ = writeln!(out, "<path d=\"M{x0:.1} {y0:.1}L{x1:.1} {y1:.1}\" stroke-width=\"0.9\"{dash}/>");
    let [x, y] = map.at(p);
    text(out, x, y - 1.8, name, "middle", "#444");
}

/// The camera's side: 6:00.
fn camera(out: &mut String, map: &Map, high: f64) {
    let [x, _] = map.at([0.0, 0.0]);
    let y = high - 6.0;
    let _ = writeln!(
        out,
        "<path d=\"M{:.1} {:.1}L{:.1} {:.1}L{:.1} {:.1}Z\" fill=\"#111\"/>",
        x - 1.6,
        y + 1.4,
        x,
        y - 1.4,
        x + 1.6,
        y + 1.4
    );
    text(out, x, high - 1.4, "camera", "middle", "#111");
}

fn scale(out: &mut String, map: &Map, high: f64) {
    let (x, y, long) = (2.0, high - 5.0, map.scale);
    let _ = writeln!(
        out,
        "<path d=\"M{x} {:.1}V{:.1}M{x} {y:.1}H{:.1}M{:.1} {:.1}V{:.1}\"/>",
        y - 0.8,
        y + 0.8,
        x + long,
        x + long,
        y - 0.8,
        y + 0.8
    );
    text(out, x, high - 1.4, &format!("1 m ({})", feet(1.0)), "start", "#111");
}

fn text(out: &mut String, x: f64, y: f64, words: &str, anchor: &str, ink: &str) {
    let words = crate::words::markup(words);
    let _ = writeln!(
        out,
        "<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"{anchor}\" fill=\"{ink}\" stroke=\"none\">{words}</text>"
    );
}
