//! A take as the log holds it: everything that is known at its start, and what came of it.

use super::Engine;
use super::take::{Logged, Rolling};
use super::{KeptTake, record_light};
use crate::control::{OutputStatus, TakeMark};
use crate::journal::{
    CameraRecord, LampPlace, LampState, OutputFigures, PlaceRecord, TakeEnd, TakeRecord, TakeStamp, What,
};
use crate::plan::{Camera, Fixture, FixtureId, Marked, Plan};
use crate::units::FrameNumber;

impl Engine {
    /// After frame `n`: the start of a take that rolls, and the light by which it is measured, once each.
    pub(super) fn record_take_start(&mut self, n: FrameNumber) {
        let Some(take) = self.take.as_mut().filter(|t| n >= t.start) else { return };
        let stamped = n >= take.stamped;
        let before = take.logged;
        take.logged = match (before, stamped) {
            (Logged::Light, _) => return,
            (_, true) => Logged::Light,
            (Logged::Start, false) => return,
            (Logged::No, false) => Logged::Start,
        };
        let Some(take) = &self.take else { return };
        let number = take.number;
        let what = if before == Logged::No {
            let record = Box::new(self.take_record(take, n));
            self.remember_start(&record);
            What::TakeStarted(record)
        } else {
            let light = self.light_record(n);
            self.remember_light(&light);
            What::TakeStamped(Box::new(TakeStamp { number, light }))
        };
        self.record(what);
    }

    fn take_record(&self, take: &Rolling, n: FrameNumber) -> TakeRecord {
        let plan = &self.plan;
        let (slate, number) = slate_and_take(&take.name);
        TakeRecord {
            number: take.number,
            slate,
            take: number,
            name: take.name.clone(),
            look: self.scene_name(),
            light: record_light::light(self, n),
            places: plan.fixtures.iter().map(|f| lamp_place(plan, f)).collect(),
            lamps: plan.fixture_ids().map(|id| self.lamp_state(id)).collect(),
            bounces: plan.bounces.iter().map(bounce).collect(),
            daylight: plan.daylight.iter().map(daylight).collect(),
            subjects: plan.subjects.iter().map(subject).collect(),
            cameras: plan.cameras.iter().map(camera).collect(),
            readings: self.readings_of_light(),
            typed: Vec::new(),
            safe_min: self.safe_min(),
        }
    }

    /// Minutes until heat lowers the first lamp; `None`: none has to, or nothing is known.
    fn safe_min(&self) -> Option<f64> {
        let left = self.plan.fixture_ids().filter_map(|id| self.heat_figures(id)?.minutes_left);
        left.min_by(f64::total_cmp)
    }

    fn lamp_state(&self, id: FixtureId) -> LampState {
        let fixture = self.plan.fixture(id);
        let heat = self.heat_figures(id);
        LampState {
            fixture: fixture.id.clone(),
            sticker: fixture.body.as_ref().and_then(|b| b.sticker.clone()),
            circuit: fixture.circuit.map(|c| self.plan.circuits[c.0].id.clone()),
            on_s: self.on_time(id).on_s,
            body_est_c: heat.map(|h| h.body_est_c),
            limit_c: heat.map(|h| h.limit_c),
            minutes_left: heat.and_then(|h| h.minutes_left),
            battery_left: self.battery_status(id).map(|b| b.left_share),
        }
    }

    /// A take is over at frame `at`, ended by a person or with the daemon.
    pub(super) fn record_take_end(
        &mut self,
        take: &Rolling,
        why: Vec<String>,
        mark: Option<TakeMark>,
        at: FrameNumber,
        interrupted: bool,
    ) {
        if take.logged == Logged::No {
            // Over before its first frame went out: what stands is what it had.
            let record = self.take_record(take, self.last.unwrap_or(0));
            self.record(What::TakeStarted(Box::new(record)));
        }
        let outputs = self.outputs.iter().map(|now| output_figures(now, take)).collect();
        let rolled_s = self.rolled_s(take, at);
        self.record(What::TakeEnded(TakeEnd {
            number: take.number,
            why,
            mark,
            rolled_s,
            interrupted,
            outputs,
        }));
    }

    /// A take of the last run does not go on.
    pub(super) fn record_interrupted(&mut self, take: &KeptTake) {
        let mut why = take.why.clone();
        why.push("interrupted: the daemon was gone before it was ended".to_owned());
        self.record(What::TakeEnded(TakeEnd {
            number: take.number,
            why,
            mark: None,
            rolled_s: take.rolled_s,
            interrupted: true,
            outputs: Vec::new(),
        }));
    }
}

/// What an output did since the take's start.
fn output_figures(now: &OutputStatus, take: &Rolling) -> OutputFigures {
    let then = take.outputs_then.iter().find(|o| o.name == now.name);
    let since = |figure: fn(&OutputStatus) -> u64| figure(now).saturating_sub(then.map_or(0, figure));
    let reopened = since(|o| o.reopened) > 0;
    OutputFigures {
        output: now.name.clone(),
        rate: now.rate,
        frames: since(|o| o.frames),
        missed: since(|o| o.missed),
        gap_s: now.last_gap_s.filter(|_| reopened),
        late_us_p999: now.late_us_p999,
    }
}

/// The two parts of `4/3`.
fn slate_and_take(name: &str) -> (String, u32) {
    let (slate, take) = name.rsplit_once('/').unwrap_or((name, "0"));
    (slate.to_owned(), take.parse().unwrap_or(0))
}

fn lamp_place(plan: &Plan, fixture: &Fixture) -> LampPlace {
    let (place, person) = (&fixture.place, &plan.subjects[0]);
    let from = person.position;
    let [x, y] = [0, 1].map(|axis| place.position[axis] - from[axis]);
    let drop = place.position[2] - place.aim_point[2];
    LampPlace {
        fixture: fixture.id.clone(),
        position_m: place.position,
        aim_m: place.aim_point,
        aim: place.aim_said(plan),
        clock_deg: x.atan2(y).to_degrees().rem_euclid(360.0),
        height_m: Some(place.position[2] - from[2] + person.eye_height_m),
        tilt_deg: (drop / place.distance_m).clamp(-1.0, 1.0).asin().to_degrees(),
        distance_m: place.distance_m,
        modifiers: fixture.modifiers.clone(),
        loss_stops: fixture.loss.get(),
        shift_mired: fixture.shift_mired,
        shift_duv: fixture.shift_duv,
    }
}

fn placed(id: &str, position_m: [f64; 3], figures: &[(&str, f64)]) -> PlaceRecord {
    let figures = figures.iter().map(|(name, value)| ((*name).to_owned(), *value)).collect();
    PlaceRecord { id: id.to_owned(), position_m, figures }
}

fn bounce(b: &crate::plan::Bounce) -> PlaceRecord {
    let (width, height) = b.size_m;
    let figures = [("width_m", width), ("height_m", height), ("reflectance", b.reflectance.get())];
    placed(&b.id, b.position, &figures)
}

fn daylight(d: &crate::plan::Daylight) -> PlaceRecord {
    let figures = [("kelvin", d.kelvin.get()), ("lux", d.reading.get()), ("age_s", d.age_s)];
    placed(&d.id, d.position, &figures)
}

fn subject(s: &crate::plan::Subject) -> PlaceRecord {
    let [x, y, _] = s.facing;
    let faces_deg = x.atan2(y).to_degrees().rem_euclid(360.0);
    placed(&s.id, s.position, &[("eye_height_m", s.eye_height_m), ("faces_deg", faces_deg)])
}

fn camera(c: &Camera) -> CameraRecord {
    CameraRecord {
        id: c.id.clone(),
        iso: c.exposure.iso,
        f_number: c.exposure.aperture,
        is_t_stop: c.exposure.marked == Marked::TStop,
        nd: c.exposure.nd,
        shutter_s: c.shutter_s,
        fps: c.fps,
        white_balance_k: c.white_balance.get(),
        zero_stops_lux: c.exposure.zero_stops.get(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::load;

    /// Source: docs/plan-reference.md: the camera stands at 6, `clock = "4:30"` is 45 degrees round to camera right.
    #[test]
    fn places_are_told_as_the_plan_tells_them() {
        let plan = load::demo();
        let key = plan.fixture(plan.fixture_named("key").unwrap());
        let place = lamp_place(&plan, key);
        let [x, y, z] = place.position_m;
        let (sin, cos) = place.clock_deg.to_radians().sin_cos();
        let flat = x.hypot(y);
        assert!((flat * sin - x).abs() < 1e-9 && (flat * cos - y).abs() < 1e-9, "{place:?}");
        assert!((place.height_m.unwrap() - (z + plan.subjects[0].eye_height_m)).abs() < 1e-9);
        let along = place.distance_m * place.tilt_deg.to_radians().sin();
        assert!((along - (z - place.aim_m[2])).abs() < 1e-9, "{place:?}");
    }

    /// Source: config/pilot-station.toml: the side camera's lens is marked `t-stop = 4`, the main one's `f-number`.
    #[test]
    fn a_t_stop_is_recorded_as_one() {
        let cameras: Vec<_> = load::demo().cameras.iter().map(camera).collect();
        let found: Vec<_> = cameras.iter().map(|c| (c.id.as_str(), c.is_t_stop)).collect();
        assert_eq!(found, [("main", false), ("side", true)]);
    }

    #[test]
    fn a_takes_name_has_two_parts() {
        assert_eq!(slate_and_take("27A/12"), ("27A".to_owned(), 12));
    }
}
