//! One lamp at one channel value, everything else dark: for reading it with a meter.

use serde_json::{Value, json};

use super::fail;
use crate::channels::{Asked, probe, value_in};
use crate::control::{Failure, FailureKind};
use crate::engine::lamp::Pin;
use crate::engine::state::{Memory, Scene};
use crate::engine::status::light_of;
use crate::engine::{Engine, assess};
use crate::light::{Colour, Demand, Moving, solve};
use crate::plan::FixtureId;
use crate::units::FrameNumber;

/// Fade from one reading to the next, in seconds.
const STEP_FADE_S: f64 = 0.5;
/// Light that a value stands for, with a hair more, so that rounding finds the value again.
const HAIR: f64 = 1.0 + 1e-9;

impl Engine {
    /// Lights a lamp alone for a reading, or, with value 0, nothing.
    ///
    /// The value is asked for as the light that it stands for, so every guard holds as always; the answer
    /// tells what is sent for it. Errors: as for `only`, or the lamp cannot be asked so.
    pub(super) fn calibrate(
        &mut self,
        name: &str,
        asked: &Asked,
        at: FrameNumber,
    ) -> Result<(String, Value), Failure> {
        let id = self.find_driven(name)?;
        let fixture = self.plan.fixture(id);
        let found = probe(fixture, asked).map_err(|e| {
            let hint = "`lampkeep calibrate LAMP` asks for what the lamp's mode has";
            fail(FailureKind::BadField, format!("{}: {e}", fixture.id), hint)
        })?;
        let pin = Pin { mix: found.mix, xy: found.xy, slots: found.slots.clone() };
        let full = solve::reach_of(fixture, pin.mix, pin.xy, 0.0).full_lux;
        let lux = full * found.level * HAIR;
        let colour = found.xy.map_or_else(|| solve::dark_colour(&self.plan), |xy| Colour::Uv(xy.uv76()));
        let demand = Demand { lux, colour };
        let planned = assess::pinned(fixture, id, demand, &pin, self.real(id), false);
        let channel = &fixture.mode.channels[found.channel];
        let sent = value_in(channel, &planned.slots).unwrap_or(0);
        let light = light_of(&self.plan, planned.sent_lux, planned.sent_xy);
        let limits: Vec<_> = planned.limits.iter().map(|l| l.word()).collect();
        let data = json!({
            "fixture": fixture.id, "lamp": fixture.lamp_name(), "value": asked.value, "sent_value": sent,
            "slots": planned.slots, "light": light, "limited_by": limits,
            "plan": self.plan.path, "plan_hash": self.plan.hash,
        });
        let said = if lux > 0.0 {
            let held = if sent == asked.value {
                String::new()
            } else if limits.is_empty() {
                format!(" · {sent} is sent: so its present curve has it")
            } else {
                format!(" · held to {sent}: {}", limits.join(", "))
            };
            format!(
                "calibrate {} · value {} of {}{held} · {:.1} lx planned · `lampkeep again` goes back",
                fixture.id,
                asked.value,
                channel.bits.max(),
                planned.sent_lux
            )
        } else {
            format!(
                "calibrate {} · every lamp dark: dark is not off, lamps stay on the mains and hot",
                fixture.id
            )
        };
        self.show_alone(id, demand, pin, at);
        Ok((said, data))
    }

    fn show_alone(&mut self, id: FixtureId, demand: Demand, pin: Pin, at: FrameNumber) {
        if !matches!(self.scene, Scene::Calibrate(_)) {
            self.before_calibrate = Some(Memory {
                scene: self.scene,
                targets: self.lamps.iter().map(|l| l.target).collect(),
                nudged: self.nudged,
            });
        }
        let dark = Moving::still(Demand { lux: 0.0, colour: solve::dark_colour(&self.plan) });
        let mut targets = vec![dark; self.lamps.len()];
        targets[id.0] = Moving::still(demand);
        let frames = self.clock().frames_in(std::time::Duration::from_secs_f64(STEP_FADE_S));
        self.turn_all(&targets, at, frames);
        if demand.lux > 0.0 {
            self.lamps[id.0].pin = Some(pin);
        }
        self.scene = Scene::Calibrate(id);
        self.nudged = false;
    }

    /// Back to the light from before the calibration.
    pub(super) fn end_calibrate(&mut self, at: FrameNumber) -> Result<String, Failure> {
        if !matches!(self.scene, Scene::Calibrate(_)) {
            let hint = "nothing is left to end; `lampkeep status` tells what is lit";
            return Err(fail(FailureKind::Nothing, "no lamp is being calibrated", hint));
        }
        let frames = self.clock().frames_in(self.plan.fade);
        match self.before_calibrate.take() {
            Some(before) if !matches!(before.scene, Scene::Rest(_)) => {
                self.turn_all(&before.targets, at, frames);
                self.scene = before.scene;
                self.nudged = before.nudged;
            }
            // Rest ends by itself, and its time has gone on.
            _ => self.go_dark(frames, at),
        }
        Ok(format!("calibration over · {} · {}", self.scene_name(), self.fading(frames)))
    }
}
