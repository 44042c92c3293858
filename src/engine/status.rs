//! The snapshot that everyone sees: what is lit, what is next, what needs attention.

use super::Engine;
use super::state::Scene;
use crate::control::{FixtureStatus, Light, Now, OrderStatus, Scheduled as ScheduledStatus, Status};
use crate::light::colour;
use crate::plan::{Control, FixtureId, Metres, Motion, OutputKind, Plan};
use crate::units::Xy;

impl Engine {
    /// How far the longest fade is: progress (0 to 1) and seconds left.
    fn fade_progress(&self) -> (bool, f64, f64) {
        let last = self.last.unwrap_or(0);
        let fades = self.lamps.iter().filter_map(|l| l.fade.filter(|f| f.frames > 0));
        let Some(fade) = fades.max_by_key(|f| f.start + f.frames) else { return (false, 1.0, 0.0) };
        let end = fade.start + fade.frames;
        let done = last.saturating_sub(fade.start) as f64 / fade.frames as f64;
        (true, done.clamp(0.0, 1.0), self.clock().seconds(end.saturating_sub(last)))
    }

    /// What is lit, as answers and topics tell it.
    #[must_use]
    pub fn now(&self) -> Now {
        let last = self.last.unwrap_or(0);
        let (fading, progress, fade_left_s) = self.fade_progress();
        let (look, showing) = match (&self.rollcall, self.scene) {
            (Some(rollcall), _) => ("rollcall".to_owned(), rollcall.showing(last)),
            (None, Scene::Only(lamp)) => ("only".to_owned(), Some(lamp)),
            (None, Scene::Calibrate(lamp)) => ("calibrate".to_owned(), Some(lamp)),
            (None, Scene::Meter(_)) => ("meter".to_owned(), self.metered_alone()),
            (None, _) => (self.scene_name(), None),
        };
        let key = match (&self.rollcall, self.scene) {
            (None, Scene::Look(look) | Scene::Rest(look)) => self.plan.look(look).key,
            _ => None,
        };
        Now {
            look,
            fading,
            progress,
            fade_left_s,
            take: self.take.as_ref().map(|t| t.name.clone()),
            frame: last,
            uptime_s: self.clock().seconds(last),
            sequence: self.sequence,
            boot_id: self.options.boot_id.clone(),
            nudged: self.nudged,
            scheduled: self.waiting.as_ref().map(|w| ScheduledStatus {
                what: w.what.clone(),
                in_s: self.clock().seconds(w.due.saturating_sub(last)),
                at: w.at.map(|at| at.to_string()),
            }),
            showing: showing.map(|id| self.plan.fixture(id).id.clone()),
            key: key.map(|id| self.plan.fixture(id).id.clone()),
        }
    }

    /// The whole snapshot.
    #[must_use]
    pub fn status(&self) -> Status {
        let order = OrderStatus {
            position: self.position.map(|p| p + 1),
            steps: self.plan.order.len(),
            next: self
                .plan
                .order
                .get(self.position.map_or(0, |p| p + 1))
                .map(|step| self.plan.look(step.look).name.clone()),
            heat: self.ahead.steps.clone(),
        };
        let mut status = Status {
            version: 1,
            set: self.plan.name.clone(),
            simulated: self.options.simulate
                || self.plan.outputs.iter().all(|o| o.kind == OutputKind::Simulator),
            plan_hash: self.plan.hash.clone(),
            now: self.now(),
            order,
            outputs: self.outputs.clone(),
            mqtt: self.mqtt.clone(),
            fixtures: self.plan.fixture_ids().map(|id| self.fixture_status(id)).collect(),
            circuits: self.circuits_status(),
            alerts: self.alerts.clone(),
            told: self.told.clone(),
            clock: self.wall.as_ref().map(|w| w.state.clone()),
            journal: self.journal.clone(),
            protect: self.protect_status(),
            readings: self.readings_status(),
            other_ids: self.other_ids(),
        };
        if self.protected() {
            self.redact_status(&mut status);
        }
        status
    }

    fn fixture_status(&self, id: FixtureId) -> FixtureStatus {
        let fixture = self.plan.fixture(id);
        let lamp = &self.lamps[id.0];
        let heat = self.heat_figures(id);
        let (lamp_trim, look_trim) = self.trims_of(id);
        let control = match (&fixture.control, &lamp.absent) {
            (_, Some(_)) => "absent",
            (Control::Hand, None) => "hand",
            (Control::Dmx(_), None) => "dmx",
        };
        FixtureStatus {
            id: fixture.id.clone(),
            lamp: fixture.lamp_name().to_owned(),
            control: control.to_owned(),
            mode: fixture.mode.name.clone(),
            clock_h: clock_h(fixture.place.position),
            universe: fixture.address().map(|a| a.universe),
            first_slot: fixture.address().map(|a| a.first),
            asked: self.light(lamp.asked.lux, Some(lamp.asked.colour.xy())),
            sent: self.light(lamp.sent.lux, lamp.sent.xy),
            measured: self.measured(id),
            lamp_trim,
            look_trim,
            slots: lamp.sent.slots.clone(),
            watts: if lamp.absent.is_some() { 0.0 } else { lamp.sent.watts },
            body_est_c: heat.map(|h| h.body_est_c),
            limit_c: heat.map(|h| h.limit_c),
            minutes_left: heat.and_then(|h| h.minutes_left),
            cools_minutes: heat.and_then(|h| h.cools_minutes),
            battery: self.battery_status(id),
            limited_by: lamp.sent.limits.iter().map(|l| l.word().to_owned()).collect(),
            moves: lamp.target.motion.as_ref().filter(|_| lamp.target.base.lux > 0.0).map(Motion::said),
            uncalibrated: fixture.uncalibrated,
        }
    }

    pub(super) fn light(&self, lux: f64, xy: Option<Xy>) -> Light {
        light_of(&self.plan, lux, xy)
    }
}

/// Hours on the clock round the first subject's face, seen from above: 12 is away from the camera (positive y), 3 at
/// camera right (positive x).
fn clock_h([x, y, _]: Metres) -> Option<f64> {
    let hours = x.atan2(y).to_degrees().rem_euclid(360.0) / 30.0;
    // A hair under twelve rounds up to it.
    (x.hypot(y) > 1e-6).then_some(if hours >= 12.0 { 0.0 } else { hours })
}

/// Light at an aim as the status tells it.
#[must_use]
pub(crate) fn light_of(plan: &Plan, lux: f64, xy: Option<Xy>) -> Light {
    let xy = xy.filter(|_| lux > 0.0);
    let white = xy.and_then(colour::kelvin_of);
    Light {
        lux,
        stops: (lux > 0.0).then(|| (lux / plan.exposure.zero_stops.get()).log2()),
        kelvin: white.map(|(k, _)| k.get()),
        duv: white.map(|(_, d)| d.get()),
        x: xy.map(|p| p.x),
        y: xy.map(|p| p.y),
    }
}
