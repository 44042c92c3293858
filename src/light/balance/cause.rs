//! Why a reading is not met, and the change that would meet it, in words.

use super::{DUV_A_STOP, MEANT, MET_STOPS, MIRED_A_STOP, Part, Problem};
use crate::light::reading::Reading;
use crate::light::solve;
use crate::plan::{Control, Fixture, Surface};

/// What one lamp of the look gives at a meter point, in lux.
struct Given {
    lamp: usize,
    straight: f64,
    room: [f64; 4],
}

impl Given {
    fn total(&self) -> f64 {
        self.straight + self.room.iter().sum::<f64>()
    }
}

/// `None` if reading `row` is met, to 0.1 stop and to what counts as that in mired and Duv.
pub(super) fn why(p: &Problem<'_>, x: &[f64], row: usize, off_stops: f64) -> Option<String> {
    let name = &p.rows[row].0.point;
    if off_stops > MET_STOPS {
        return Some(format!("`{name}` {off_stops:.1} stop over: {}", over(p, x, row)));
    }
    if off_stops < -MET_STOPS {
        return Some(format!("`{name}` {:.1} stop short: {}", -off_stops, short(p, x, row, -off_stops)));
    }
    colour(p, x, row).map(|said| format!("`{name}` {said}"))
}

fn given(p: &Problem<'_>, x: &[f64], row: usize) -> Vec<Given> {
    let lights = p.lights(x);
    let receptor = p.rows[row].1;
    let one = |(index, lamp): (usize, &super::Lamp)| {
        let (sent, light) = (receptor.lamps[lamp.fixture.0], lights[lamp.fixture.0].lux_at_1m);
        Given {
            lamp: index,
            straight: (sent.direct + sent.board) * light,
            room: sent.room.map(|r| r * light),
        }
    };
    p.lamps.iter().enumerate().map(one).collect()
}

fn fixture<'p>(p: &Problem<'p>, lamp: usize) -> &'p Fixture {
    p.plan.fixture(p.lamps[lamp].fixture)
}

fn stops(p: &Problem<'_>, lux: f64) -> f64 {
    (lux / p.plan.exposure.zero_stops.get()).log2()
}

/// Another row that a lamp is meant for, and that would miss its light.
fn needed_at<'p>(p: &Problem<'p>, lamp: usize, row: usize) -> Option<&'p str> {
    let id = p.lamps[lamp].fixture;
    let others = p.rows.iter().enumerate().filter(|(i, _)| *i != row);
    let most = others.max_by(|a, b| a.1.1.lamps[id.0].total().total_cmp(&b.1.1.lamps[id.0].total()))?;
    (most.1.1.lamps[id.0].total() >= MEANT * solve::gain(fixture(p, lamp))).then_some(most.1.0.point.as_str())
}

fn over(p: &Problem<'_>, x: &[f64], row: usize) -> String {
    let asked = p.asked_lux(p.rows[row].0);
    let daylight = Reading::daylight(p.plan, p.rows[row].1).lux();
    if daylight >= asked {
        return format!(
            "daylight alone gives {:+.1}; close the blind, or flag the window",
            stops(p, daylight)
        );
    }
    let given = given(p, x, row);
    let by_surface: Vec<f64> =
        (0..Surface::ALL.len()).map(|s| given.iter().map(|g| g.room[s]).sum()).collect();
    let room: f64 = by_surface.iter().sum();
    let worst = Surface::ALL.iter().zip(&by_surface).max_by(|a, b| a.1.total_cmp(b.1)).map(|w| w.0.word());
    let greatest = given.iter().max_by(|a, b| a.straight.total_cmp(&b.straight));
    let straight = greatest.map_or(0.0, |g| g.straight);
    if let Some(wall) = worst.filter(|_| room + daylight >= asked || room > straight) {
        let way =
            if wall == Surface::Ceiling.word() { "darken or flag off" } else { "darken or move away from" };
        return format!("walls alone give {:+.1}; {way} the {wall}", stops(p, room));
    }
    let Some(greatest) = greatest else { return "no lamp of the look lights it".to_owned() };
    let lamp = fixture(p, greatest.lamp);
    let (id, gives) = (&lamp.id, stops(p, straight));
    let excess =
        (straight / (asked - (given.iter().map(Given::total).sum::<f64>() - straight) - daylight)).log2();
    if lamp.control == Control::Hand {
        return format!("`{id}` alone gives {gives:+.1} and is set by hand; turn it down");
    }
    match p.lamps[greatest.lamp].part {
        Part::Moved(first)
            if x[first] <= lamp.limits.floor.get().log2() + 1e-6 && lamp.limits.floor.get() > 0.0 =>
        {
            let farther = excess.is_finite().then(|| nearer(lamp, -excess)).flatten();
            let to = farther.map_or(String::new(), |d| format!(", or move it to {d:.2} m"));
            format!("`{id}` is at its floor; put {} of diffusion on it{to}", amount(excess))
        }
        Part::Moved(_) => match needed_at(p, greatest.lamp, row) {
            Some(other) => format!(
                "`{id}` alone gives {gives:+.1} and `{other}` needs it; flag it off here, or turn it further round"
            ),
            None => format!("`{id}` alone gives {gives:+.1}; flag it off here"),
        },
        _ => format!("`{id}` spills {gives:+.1} here; flag it, or put a grid on it"),
    }
}

fn short(p: &Problem<'_>, x: &[f64], row: usize, by_stops: f64) -> String {
    let receptor = p.rows[row].1;
    let lacking = p.asked_lux(p.rows[row].0) * (1.0 - (-by_stops).exp2());
    let given = given(p, x, row);
    let meant = |g: &&Given| {
        let sent = receptor.lamps[p.lamps[g.lamp].fixture.0].total();
        sent >= MEANT * solve::gain(fixture(p, g.lamp))
    };
    let is_absent = |g: &&Given| p.lamps[g.lamp].part == Part::Fixed(0.0) && p.lamps[g.lamp].asked.lux > 0.0;
    if let Some(gone) = given.iter().filter(meant).find(is_absent) {
        let id = &fixture(p, gone.lamp).id;
        return format!("`{id}` is absent; put another lamp in its place, or state less");
    }
    let at_full = |g: &&Given| match p.lamps[g.lamp].part {
        Part::Moved(first) => x[first] >= fixture(p, g.lamp).limits.ceiling.get().log2() - 1e-3,
        _ => false,
    };
    let best = given.iter().filter(at_full).max_by(|a, b| a.straight.total_cmp(&b.straight));
    if let Some(best) = best.filter(|b| b.straight > 0.0) {
        let lamp = fixture(p, best.lamp);
        let ceiling = lamp.limits.ceiling.get();
        let at = if ceiling < 1.0 {
            format!("at its ceiling of {:.0} %", ceiling * 100.0)
        } else {
            "at full".to_owned()
        };
        let more = (1.0 + lacking / best.straight).log2();
        let mut ways = Vec::new();
        if let Some(distance) = nearer(lamp, more) {
            ways.push(format!("move it to {distance:.2} m"));
        }
        let aperture = p.plan.exposure.aperture * (-0.5 * by_stops).exp2();
        if aperture >= 0.7 {
            ways.push(format!("open to {}", p.plan.exposure.marked.said(format_args!("{aperture:.1}"))));
        }
        if lamp.loss.get() > 0.0 {
            let what = lamp.modifiers.join(" and ");
            ways.push(format!("take {what} off ({})", amount(lamp.loss.get())));
        }
        let ways = if ways.is_empty() { "raise the ISO".to_owned() } else { ways.join(", or ") };
        return format!("`{}` is {at}; {ways}", lamp.id);
    }
    let share = |id: usize| receptor.lamps[id].total() / solve::gain(&p.plan.fixtures[id]);
    let held = given.iter().filter(meant).max_by(|a, b| a.straight.total_cmp(&b.straight));
    let held_share = held.map_or(MEANT, |h| share(p.lamps[h.lamp].fixture.0));
    let named = |id: usize| p.lamps.iter().any(|l| l.fixture.0 == id);
    let others = (0..p.plan.fixtures.len()).filter(|i| !named(*i) && p.plan.fixtures[*i].absent.is_none());
    let better = others.max_by(|a, b| share(*a).total_cmp(&share(*b))).filter(|i| share(*i) > held_share);
    if let Some(better) = better {
        return format!("`{}` is aimed there and the look does not name it", p.plan.fixtures[better].id);
    }
    match held.and_then(|h| Some((h, needed_at(p, h.lamp, row)?))) {
        Some((held, other)) => format!(
            "more of `{}` would be too much at `{other}`; turn it more this way, or name another lamp",
            fixture(p, held.lamp).id
        ),
        None => "no lamp of the plan is aimed there; aim one".to_owned(),
    }
}

/// The distance at which a lamp gives `stops` more: disc law along its own axis. `None` nearer than its
/// own radius or 20 cm, farther than 20 m.
fn nearer(lamp: &Fixture, stops: f64) -> Option<f64> {
    let square = lamp.radius_m.map_or(0.0, |r| r * r);
    let d = lamp.place.distance_m;
    let distance = ((d * d + square) * (-stops).exp2() - square).max(0.0).sqrt();
    (distance > square.sqrt().max(0.2) && distance < 20.0).then_some(distance)
}

fn amount(stops: f64) -> String {
    if stops.is_finite() { format!("{stops:.1} stop") } else { "much more".to_owned() }
}

/// How a colour is missed, by more than counts as 0.1 stop.
fn colour(p: &Problem<'_>, x: &[f64], row: usize) -> Option<String> {
    let target = p.rows[row].0;
    let reading = p.readings(x).get(row).copied()?;
    let (kelvin, duv) = match (target.kelvin.is_some() || target.duv.is_some(), reading.white()) {
        (false, _) => return None,
        (true, None) => return Some("is no white: a lamp of another colour lights it".to_owned()),
        (true, Some((kelvin, duv))) => (kelvin, duv),
    };
    let mired = target.kelvin.map_or(0.0, |k| 1e6 / kelvin.get() - 1e6 / k.get());
    let tint = target.duv.map_or(0.0, |d| duv.get() - d.get());
    let mut said = Vec::new();
    if mired.abs() > MET_STOPS * MIRED_A_STOP {
        said.push(format!("{:.0} mired {}", mired.abs(), if mired > 0.0 { "warmer" } else { "cooler" }));
    }
    if tint.abs() > MET_STOPS * DUV_A_STOP {
        said.push(format!("{:.4} Duv {}", tint.abs(), if tint > 0.0 { "greener" } else { "pinker" }));
    }
    if said.is_empty() {
        return None;
    }
    // Whoever lights it most and cannot be turned to another colour.
    let given = given(p, x, row);
    let stuck = given.iter().filter(|g| !p.lamps[g.lamp].coloured);
    let cause = match stuck.max_by(|a, b| a.total().total_cmp(&b.total())) {
        Some(g) if g.total() > 0.1 * reading.lux() => {
            format!(
                "`{}` gives {:.0} % of it and keeps its colour; gel it",
                fixture(p, g.lamp).id,
                100.0 * g.total() / reading.lux()
            )
        }
        _ => "its lamps go no further; gel them".to_owned(),
    };
    Some(format!("{} than asked: {cause}", said.join(" and ")))
}
