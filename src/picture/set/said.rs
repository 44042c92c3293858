//! The set in words: every lamp in a sentence, then the rest of the set, then how to read the drawings.

use super::facts::{self, Lamp, Names, by_hand};
use super::grid::Grid;
use super::map::floor_m;
use super::{View, shapes, words};
use crate::plan::{Metres, Plan};
use crate::words::markup;

/// The set in words.
#[derive(Debug, Clone, PartialEq)]
pub struct Said {
    /// Every lamp, in the plan's order.
    pub lamps: Vec<LampSaid>,
    /// Cameras, people, boards, flags, windows and the room: each one's name, and what there is to say of it.
    pub others: Vec<(String, String)>,
    /// How to read the drawings, and cautions: a paragraph each.
    pub how: Vec<String>,
}

/// A lamp in words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LampSaid {
    /// The number in its circle.
    pub number: usize,
    /// False where a look is drawn that does not light it.
    pub lit: bool,
    /// Its name, or its number as a name.
    pub name: String,
    /// Its place, aim, front, beam and light.
    pub said: String,
}

/// Every lamp and thing of a plan in words, with the light of the view's look.
#[must_use]
pub fn said(plan: &Plan, view: &View) -> Said {
    of_lamps(plan, view, &facts::lamps(plan, view))
}

pub(super) fn of_lamps(plan: &Plan, view: &View, lamps: &[Lamp]) -> Said {
    let lamp = |lamp: &Lamp| LampSaid {
        number: lamp.number,
        lit: lamp.lit.is_none_or(|l| l.lux > 0.0),
        name: lamp.name.clone(),
        said: sentence(plan, view, lamp),
    };
    Said { lamps: lamps.iter().map(lamp).collect(), others: others(plan, view), how: how_to_read(plan, view) }
}

impl Said {
    /// The same as a part of a page of HTML: lists and paragraphs of the classes `lamps`, `things` and `how`.
    #[must_use]
    pub fn html(&self) -> String {
        let mut out = String::from("<ol class=\"lamps\">\n");
        for lamp in &self.lamps {
            let dark = if lamp.lit { "" } else { " class=\"dark\"" };
            out.push_str(&format!(
                "<li{dark} value=\"{}\"><b>{}</b> {}</li>\n",
                lamp.number,
                markup(&lamp.name),
                markup(&bound(&lamp.said))
            ));
        }
        out.push_str("</ol>\n<ul class=\"things\">\n");
        for (name, said) in &self.others {
            out.push_str(&format!("<li><b>{}</b> {}</li>\n", markup(name), markup(&bound(said))));
        }
        out.push_str("</ul>\n");
        for line in &self.how {
            out.push_str(&format!("<p class=\"how\">{}</p>\n", markup(line)));
        }
        out
    }
}

/// Numbers and their units on one line: the space between them does not break.
pub(super) fn bound(said: &str) -> String {
    let mut last = ' ';
    let bind = |c: char| {
        let bound = c == ' ' && last.is_ascii_digit();
        last = c;
        if bound { '\u{a0}' } else { c }
    };
    said.chars().map(bind).collect()
}

/// One lamp: place, aim, front, beam, light.
fn sentence(plan: &Plan, view: &View, lamp: &Lamp) -> String {
    let fixture = plan.fixture(lamp.id);
    let place = &fixture.place;
    let long = |m: f64| view.lengths.said(m);
    let mut said = Vec::new();
    if let Some(body) = fixture.body.as_ref().filter(|_| !view.hidden) {
        said.push(format!("lamp {}", body.name));
    }
    if fixture.absent.is_some() {
        said.push("absent".to_owned());
    }
    if by_hand(plan, lamp.id) {
        said.push("set by hand".to_owned());
    }
    let [x, y, z] = place.position;
    let down = down_deg(place.position, place.aim_point).round();
    let tilt = match down {
        d if d > 0.0 => format!(", {d:.0}° down"),
        d if d < 0.0 => format!(", {:.0}° up", -d),
        _ => ", level".to_owned(),
    };
    said.push(format!(
        "at {}, {} high, {} to {}{tilt}",
        words::clock(x, y),
        long(z + floor_m(plan)),
        long(place.distance_m),
        words::aim(plan, &place.aim, view.hidden)
    ));
    if !fixture.modifiers.is_empty() && !view.hidden {
        said.push(fixture.modifiers.join(", "));
    }
    let front = fixture.radius_m.map(|radius| format!("front as a disc of {}", long(2.0 * radius)));
    let beam = fixture.beam_deg.filter(|b| *b < 180.0).map(|beam| format!("beam {beam:.0}°"));
    let shape: Vec<String> = [front, beam].into_iter().flatten().collect();
    if !shape.is_empty() {
        said.push(shape.join(", "));
    }
    match &lamp.lit {
        Some(lit) if lit.held && by_hand(plan, lamp.id) => {
            said.push("it reaches the face and no slot holds it: unplug it".to_owned());
        }
        Some(lit) => said.push(lit.said()),
        None => {}
    }
    format!("{}.", said.join("; "))
}

/// The angle down from a lamp to its aim, in degrees.
fn down_deg(from: Metres, to: Metres) -> f64 {
    (from[2] - to[2]).atan2((from[0] - to[0]).hypot(from[1] - to[1])).to_degrees()
}

/// Cameras, people, boards, flags, windows and the room.
fn others(plan: &Plan, view: &View) -> Vec<(String, String)> {
    let names = Names { plan, hidden: view.hidden };
    let long = |m: f64| view.lengths.said(m);
    let high = |p: Metres| format!("{} high", long(p[2] + floor_m(plan)));
    let clock = |p: Metres| format!("at {}", words::clock(p[0], p[1]));
    let size = |(w, h): (f64, f64)| format!("{} by {}", long(w), long(h));
    let first = plan.subjects.first().map_or([0.0; 3], |s| s.position);
    let mut all = Vec::new();
    for (index, c) in plan.cameras.iter().enumerate() {
        let far = long(shapes::apart(c.position, first));
        all.push((
            names.thing("camera", index, &c.id),
            format!("{}, {far} to the first face, {}.", clock(c.position), high(c.position)),
        ));
    }
    for (index, s) in plan.subjects.iter().enumerate() {
        let nose = words::clock(s.facing[0], s.facing[1]);
        let eyes = long(s.eye_height_m);
        all.push((names.subject(index), format!("nose to {nose}, eyes {eyes} high.")));
    }
    for (index, b) in plan.bounces.iter().enumerate() {
        let fed = b.fed_by.map_or(String::new(), |id| format!(", fed by {}", names.lamp(id)));
        let said = format!(
            "white board, {}, {}, {}, returns {:.0} %{fed}.",
            size(b.size_m),
            clock(b.position),
            high(b.position),
            b.reflectance.percent()
        );
        all.push((names.thing("board", index, &b.id), said));
    }
    for (index, f) in plan.flags.iter().enumerate() {
        let cuts = f.cuts.map_or(String::new(), |id| format!(", cuts {}", names.lamp(id)));
        let said = format!("black, {}, {}, {}{cuts}.", size(f.size_m), clock(f.position), high(f.position));
        all.push((names.thing("flag", index, &f.id), said));
    }
    for (index, d) in plan.daylight.iter().enumerate() {
        let said = format!(
            "daylight of {:.0} K, {}, {}; read {:.0} lx at the first face, planned for then.",
            d.kelvin.get(),
            clock(d.position),
            high(d.position),
            d.reading.get()
        );
        all.push((names.thing("window", index, &d.id), said));
    }
    if let Some(room) = &plan.room {
        let walls =
            [("behind", room.back_m), ("at camera left", room.left_m), ("at camera right", room.right_m)];
        let mut said: Vec<String> =
            walls.iter().filter_map(|(where_, m)| Some(format!("wall {where_} {}", long((*m)?)))).collect();
        if let Some(ceiling) = room.ceiling_m {
            said.push(format!("ceiling {}", long(ceiling)));
        }
        said.push(format!("walls return {:.0} %", room.reflectance.percent()));
        all.push(("room".to_owned(), format!("{}.", said.join(", "))));
    }
    all
}

/// How to read the page.
fn how_to_read(plan: &Plan, view: &View) -> Vec<String> {
    let dots = Grid::of(plan, view.lengths).dots;
    let (circles, paler) = if view.look.is_some() {
        (
            "a dark circle is a lamp that is lit, a white one a lamp that is not; its number",
            ", the paler the more light",
        )
    } else {
        ("no light is drawn, only where things stand. A circle is a lamp; its number", "")
    };
    let mut lines = vec![format!(
        "How to read it: {circles} is that of the list. The pale edge of a lamp is its lit front, to scale. The pale wedge \
         before it is its beam, to half its intensity{paler}; of a beam wider than 75° only the beginning is drawn. A dashed \
         line runs to what the lamp is aimed at. Dots are {dots} apart. Camera right is the subject's left."
    )];
    if view.look.is_some() {
        lines.push(format!(
            "0 stops is {:.0} lx. Stops and kelvin are what a lamp alone gives at what it is aimed at: planned, not measured.",
            plan.exposure.zero_stops.get()
        ));
    }
    lines.push(
        "Stands weighted, a safety bond on everything overhead, cables taped. Local code and licensed practice decide \
         on mains."
            .to_owned(),
    );
    if view.hidden {
        lines.push("A face is protected: numbers stand for names, in the plan's order.".to_owned());
    }
    lines
}
