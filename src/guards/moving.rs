//! What a look's own motions would do to the flash guard at every face and wall, before it is ever lit.

use super::Conditions;
use super::course::steady;
use super::flash::motion::{Verdict, verdict};
use super::flash::{Cause, PointLight};
use crate::light::reading::Reading;
use crate::light::{Moving, motion, solve};
use crate::plan::{Control, FixtureId, Look, MeterAt, Plan, Receptor};

/// A look whose motions fit into so many seconds twice is gone through from end to end.
const WHOLE_S: f64 = 240.0;
/// Of a longer one so many stretches are looked at, evenly over two of its longest periods, each at its true
/// speed. What is slow is the same all through a stretch, and what is fast comes again in each.
const STRETCHES: u32 = 24;
/// Length of a stretch in seconds: what the rule remembers, and two more.
const STRETCH_S: f64 = 12.0;
/// Light that moves by less than this share of the least level 1.0 cannot make a change of a tenth.
const NO_CHANGE: f64 = 0.099;
/// A look none of whose lights comes to this share of red is far from the 0.8 that counts, whatever it adds up to.
const NO_RED: f64 = 0.5;
/// Motions are taken to be deeper than they are by so much, since slots are rounded.
const DEEPER: f64 = 1.05;
/// Colours of a way that are looked at for red.
const COLOURS: u32 = 64;

/// A look that the flash guard would have to break.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Flashing {
    /// The lamp that moves the light there most.
    pub fixture: FixtureId,
    /// The point where it is worst.
    pub at: MeterAt,
    /// Flashes of light, or changes of red.
    pub cause: Cause,
    /// Flashes of light in the worst second there.
    pub flashes: usize,
    /// Seconds after the recall at which the guard would first hold.
    pub after_s: f64,
}

/// One lamp that moves.
struct Light {
    fixture: FixtureId,
    target: Moving,
    /// Lux at 1 m for each lux at the aim.
    per_lux: f64,
}

impl Light {
    /// What it reads at 1 m, `seconds` after the recall.
    fn at(&self, seconds: f64) -> PointLight {
        let (demand, top) = (self.target.at(seconds), self.target.top_lux());
        let lux = (top - (top - demand.lux) * DEEPER).max(0.0);
        PointLight::of(lux * self.per_lux, demand.colour.xy())
    }

    /// Most and least light at 1 m in lux.
    fn range(&self) -> (f64, f64) {
        let top = self.target.top_lux() * self.per_lux;
        let down = self.target.motion.as_ref().map_or(0.0, motion::depth);
        (top, top * (1.0 - (1.0 - (-down).exp2()) * DEEPER).max(0.0))
    }

    fn greatest_red(&self) -> f64 {
        let Some(motion) = &self.target.motion else { return 0.0 };
        let red = |i: u32| {
            let pose = motion::along(motion, self.target.base.colour, f64::from(i) / f64::from(COLOURS));
            PointLight::of(1.0, pose.colour.xy()).red_share().unwrap_or(0.0)
        };
        (0..=COLOURS).map(red).fold(0.0, f64::max)
    }
}

/// What the motions of `look` would do that the flash guard does not let pass, at the worst face or wall point;
/// `None` where nothing moves or all passes, and in a plan that was read without its light.
///
/// Lamps that are absent are left out; those that stand give their light. Bounded: at most some 13 000 frames a
/// point, whatever the periods.
#[must_use]
pub fn flashing(plan: &Plan, look: &Look) -> Option<Flashing> {
    let (moving, still) = lights(plan, look);
    if moving.is_empty() {
        return None;
    }
    let red = moving.iter().any(|l| l.greatest_red() >= NO_RED)
        || still.iter().any(|(_, light)| light.red_share().is_some_and(|r| r >= NO_RED));
    let full = plan.exposure.zero_stops.get();
    let mut points: Vec<Point> = Vec::new();
    for receptor in plan.spill.receptors.iter().filter(|r| r.key.is_none() || r.key == look.key) {
        let point = Point::new(plan, receptor, &moving, &still);
        if point.sent.iter().any(|k| *k > 0.0) && (red || point.may_flash(&moving, full)) {
            points.push(point);
        }
    }
    if points.is_empty() {
        return None;
    }
    let mut worst: Option<Flashing> = None;
    for (start_s, frames) in stretches(plan, &moving) {
        let at = |n: usize| start_s + plan.frames.seconds(n as u64);
        let courses: Vec<Vec<PointLight>> =
            moving.iter().map(|l| (0..frames).map(|n| l.at(at(n))).collect()).collect();
        for point in &points {
            let Verdict { worst_flashes: flashes, held } = verdict(plan.frames, full, &point.light(&courses));
            let Some((frame, held)) = held else { continue };
            if worst.is_none_or(|w| flashes > w.flashes) {
                let fixture = point.mover(&moving, held.cause);
                let (cause, after_s) = (held.cause, at(frame));
                worst = Some(Flashing { fixture, at: point.at, cause, flashes, after_s });
            }
        }
    }
    worst
}

/// How many steps [`flashing`] takes for a look at most, about, at so many points; each takes some ten nanoseconds.
#[must_use]
pub fn steps(plan: &Plan, look: &Look) -> f64 {
    let moving = look.targets.iter().filter(|t| t.motion.is_some()).count() as f64;
    let points = plan.spill.receptors.iter().filter(|r| r.key.is_none() || r.key == look.key).count() as f64;
    let frames = WHOLE_S.max(f64::from(STRETCHES) * STRETCH_S) * f64::from(plan.frames.rate());
    frames * moving * (1.0 + points)
}

/// Lamps of a look that move, and what the others read at 1 m.
fn lights(plan: &Plan, look: &Look) -> (Vec<Light>, Vec<(FixtureId, PointLight)>) {
    let now = Conditions { real_output: false, period_s: 1.0, absent: false, protected: false };
    let (mut moving, mut still) = (Vec::new(), Vec::new());
    for target in &look.targets {
        let fixture = plan.fixture(target.fixture);
        if fixture.absent.is_some() {
            continue;
        }
        let demand = steady(fixture, solve::demand(plan, look, target.fixture), &now);
        let light = Light { fixture: target.fixture, target: demand, per_lux: 1.0 / solve::gain(fixture) };
        if demand.motion.is_some() && demand.top_lux() > 0.0 && fixture.control != Control::Hand {
            moving.push(light);
        } else {
            still.push((target.fixture, light.at(0.0)));
        }
    }
    (moving, still)
}

/// A face or wall point.
struct Point {
    at: MeterAt,
    /// What each moving lamp sends here of each lux at 1 m.
    sent: Vec<f64>,
    /// What does not move.
    still: PointLight,
}

impl Point {
    fn new(plan: &Plan, receptor: &Receptor, moving: &[Light], still: &[(FixtureId, PointLight)]) -> Self {
        let k = |id: FixtureId| receptor.lamps.get(id.0).map_or(0.0, crate::plan::Sent::total);
        let day = Reading::daylight(plan, receptor);
        let day = day.xy().map_or(PointLight::DARK, |xy| PointLight::of(day.lux(), xy));
        Self {
            at: receptor.at,
            sent: moving.iter().map(|l| k(l.fixture)).collect(),
            still: still.iter().fold(day, |sum, (id, light)| sum + *light * k(*id)),
        }
    }

    /// True if the light may change by a tenth of the least level 1.0 that it may have.
    fn may_flash(&self, moving: &[Light], full_lux: f64) -> bool {
        let ranges = moving.iter().zip(&self.sent).map(|(l, k)| (l.range(), k));
        let (mut most, mut least) = (self.still.y, self.still.y);
        for ((top, low), k) in ranges {
            most += top * k;
            least += low * k;
        }
        most - least >= NO_CHANGE * least.min(full_lux)
    }

    /// Its light in each frame of a stretch.
    fn light(&self, courses: &[Vec<PointLight>]) -> Vec<PointLight> {
        let frames = courses.first().map_or(0, Vec::len);
        let sum = |n: usize| {
            courses.iter().zip(&self.sent).fold(self.still, |sum, (course, k)| sum + course[n] * *k)
        };
        (0..frames).map(sum).collect()
    }

    /// The lamp that is to blame: moves the light most, or comes nearest to red.
    fn mover(&self, moving: &[Light], cause: Cause) -> FixtureId {
        let weight = |(light, k): &(&Light, &f64)| match cause {
            Cause::General => {
                let (top, low) = light.range();
                (top - low) * **k
            }
            Cause::Red => light.greatest_red() * light.range().0 * **k,
        };
        let all = moving.iter().zip(&self.sent);
        let most = all.max_by(|a, b| weight(a).total_cmp(&weight(b)));
        most.map_or(FixtureId(0), |(light, _)| light.fixture)
    }
}

/// What is to be gone through: starts in seconds after the recall, and frames.
fn stretches(plan: &Plan, moving: &[Light]) -> Vec<(f64, usize)> {
    let period = |l: &Light| l.target.motion.map_or(0.0, |m| m.period().as_secs_f64());
    // Fast ones come round often enough for every second of the rule's memory.
    let span_s = (2.0 * moving.iter().map(period).fold(0.0, f64::max)).max(STRETCH_S);
    let frames = |s: f64| (s * f64::from(plan.frames.rate())).ceil() as usize + 1;
    if span_s <= WHOLE_S {
        return vec![(0.0, frames(span_s))];
    }
    let start = |i: u32| span_s * f64::from(i) / f64::from(STRETCHES);
    (0..STRETCHES).map(|i| (start(i), frames(STRETCH_S))).collect()
}
