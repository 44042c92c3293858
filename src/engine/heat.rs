//! Heat of every body in the engine: estimates from frame to frame, and what the thermal guard holds.
//!
//! The arithmetic is `guards::thermal`'s; here it meets the lamps, the wire and the frames.

use serde::{Deserialize, Serialize};

use super::Engine;
use crate::control::LinkState;
use crate::guards::thermal::{
    Duty, Estimate, Held, LampAhead, LampNow, Model, Ramp, TOUCH_C, duty, time_to_hold_s,
};
use crate::guards::{self, Unheld};
use crate::light::{Colour, Moving, solve};
use crate::plan::{Control, Fixture, FixtureId, FramesStop, OutputKind};
use crate::units::FrameNumber;

/// Frames before the guard is expected to act from which on it is asked in each frame.
const FRAMES_AHEAD: f64 = 3.0;

/// What is kept of one body's heat between starts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KeptBody {
    /// The body's name, or the fixture's id where it has none.
    pub lamp: String,
    /// Its temperature.
    pub estimate: Estimate,
    /// Electrical power of the last frame that it was sent, in watts, standby included.
    pub last_w: f64,
    /// Electrical power with every emitter dark, in watts.
    pub standby_w: f64,
}

/// What the state file says at a start.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct HeatStart {
    /// The bodies as they were kept.
    pub bodies: Vec<KeptBody>,
    /// How long ago that was, in seconds; `None` where no clock can tell.
    pub gap_s: Option<f64>,
}

/// One lamp's body.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Body {
    pub duty: Duty,
    /// Without meaning unless its duty has a model.
    pub estimate: Estimate,
    pub standby_w: f64,
    /// Power of the last frame that reached it, in watts.
    wire_w: f64,
    /// How long no frame has reached it, in seconds; `None` while they do.
    gap_s: Option<f64>,
    /// Power that it is taken to draw now, in watts.
    pub watts: f64,
}

impl Body {
    pub fn model(&self) -> Option<Model> {
        if let Duty::Limited(model) = self.duty { Some(model) } else { None }
    }

    /// True while its output does not send.
    pub fn cut_off(&self) -> bool {
        self.gap_s.is_some()
    }
}

/// What has been told of one lamp's heat.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Told {
    pub soon: bool,
    pub held: bool,
    pub over: bool,
}

/// Estimates and offsets of all lamps, in the plan's order.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Heat {
    pub bodies: Vec<Body>,
    pub ramp: Ramp,
    /// State of each output, in the plan's order; `None` before anything is known of it.
    wires: Vec<Option<LinkState>>,
    /// Until this frame the guard has nothing to do as long as every lamp stands.
    quiet_until: FrameNumber,
    /// Until this frame the offset is on its way.
    pub gliding_until: FrameNumber,
    /// Frame in which the light that stands has landed, or will.
    pub lands: FrameNumber,
    /// Offset in stops that the light last recalled opens with.
    pub opening: f64,
    /// The white lamp for whose sake they were last held.
    pub leader: Option<usize>,
    pub told: Vec<Told>,
    /// True while it has been told that the white lamps are held.
    pub told_group: bool,
    now: Vec<LampNow>,
}

impl Heat {
    /// The frame up to which the guard has nothing to do if every lamp stands.
    pub fn stands_until(&self) -> FrameNumber {
        if self.ramp.free() { self.quiet_until } else { 0 }
    }

    /// What is held of a lamp; nothing of one that is not known.
    pub fn held(&self, lamp: usize) -> Held {
        if lamp < self.bodies.len() { self.ramp.held(lamp) } else { Held::default() }
    }
}

/// A lamp's heat as the status tells it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Figures {
    pub body_est_c: f64,
    pub limit_c: f64,
    pub minutes_left: Option<f64>,
    /// If it were dark from now on.
    pub cools_minutes: Option<f64>,
}

impl Engine {
    /// Bodies as they are at the start.
    pub(super) fn begin_heat(&mut self) {
        let start = self.options.heat.take();
        let bodies: Vec<Body> = self.plan.fixture_ids().map(|id| self.body(id, start.as_ref())).collect();
        let lamps = bodies.len();
        self.heat = Heat {
            bodies,
            ramp: Ramp::new(lamps),
            told: vec![Told::default(); lamps],
            wires: vec![None; self.plan.outputs.len()],
            ..Heat::default()
        };
    }

    fn body(&self, id: FixtureId, start: Option<&HeatStart>) -> Body {
        let fixture = self.plan.fixture(id);
        let real = self.real_heat(id);
        let ambient = self.plan.ambient.get();
        let duty = duty(fixture, real);
        let standby_w = fixture.profile.standby.get();
        let full_w = standby_w + fixture.emitters.iter().map(|e| e.watts.get()).sum::<f64>();
        let kept =
            start.and_then(|s| Some((s.bodies.iter().find(|b| b.lamp == fixture.lamp_name())?, s.gap_s)));
        let estimate = match (duty, kept) {
            (Duty::Limited(model), Some((kept, gap_s))) => {
                let powers = (kept.last_w, kept.standby_w);
                kept.estimate.over_gap(&model, ambient, powers, frames_stop(fixture), gap_s)
            }
            (Duty::Limited(model), None) if real => Estimate::unknown(&model, ambient),
            _ => Estimate::cold(ambient),
        };
        let wire_w = kept.map_or(if real { full_w } else { standby_w }, |(kept, _)| kept.last_w);
        Body { duty, estimate, standby_w, wire_w, gap_s: None, watts: standby_w }
    }

    /// True if a real lamp gets warm here: one set by hand does so wherever anything real is driven.
    fn real_heat(&self, id: FixtureId) -> bool {
        let by_hand =
            || !self.options.simulate && self.plan.outputs.iter().any(|o| o.kind != OutputKind::Simulator);
        self.real(id) || (self.plan.fixture(id).control == Control::Hand && by_hand())
    }

    /// Another plan is in force: bodies that are still there keep their heat, others are as at a start.
    /// `before`: the old plan's fixtures. True if light was held: then every lamp must be turned anew.
    pub(super) fn adopt_heat(&mut self, before: &[Fixture]) -> bool {
        let old = std::mem::take(&mut self.heat);
        let kept = |(fixture, body): (&Fixture, &Body)| KeptBody {
            lamp: fixture.lamp_name().to_owned(),
            estimate: body.estimate,
            last_w: body.wire_w,
            standby_w: body.standby_w,
        };
        let with_model = |(_, body): &(&Fixture, &Body)| body.model().is_some();
        let bodies = before.iter().zip(&old.bodies).filter(with_model).map(kept).collect();
        self.options.heat = Some(HeatStart { bodies, gap_s: Some(0.0) });
        self.begin_heat();
        // A lamp that no frame reaches holds for as long as before; at another address nobody knows.
        for (fixture, body) in self.plan.fixtures.iter().zip(&mut self.heat.bodies) {
            let same = |f: &Fixture| f.lamp_name() == fixture.lamp_name() && f.address() == fixture.address();
            body.gap_s = before.iter().position(same).and_then(|i| old.bodies.get(i)?.gap_s);
        }
        self.heat.told_group = old.told_group;
        self.heat.lands = self.next_frame();
        self.heat_wires();
        !old.ramp.free()
    }

    /// Which outputs send.
    pub(super) fn heat_wires(&mut self) {
        let state = |output: &crate::plan::Output| {
            self.outputs.iter().find(|o| o.name == output.name).map(|o| o.state)
        };
        self.heat.wires = self.plan.outputs.iter().map(state).collect();
    }

    fn frame_s(&self) -> f64 {
        1.0 / f64::from(self.clock().rate())
    }

    /// True if the guard can lower this lamp.
    pub(super) fn lowerable(&self, id: FixtureId) -> bool {
        self.plan.fixture(id).address().is_some() && self.lamps[id.0].absent.is_none()
    }

    fn lamp_now(&self, id: FixtureId, colour: &Colour, unheld: Unheld) -> LampNow {
        let body = &self.heat.bodies[id.0];
        let here = self.lowerable(id);
        LampNow {
            // One that no frame reaches does not take the others down with it.
            white: matches!(colour, Colour::White { .. }) && !body.cut_off(),
            asked: if here { unheld.lux } else { 0.0 },
            asked_w: if here { unheld.watts } else { 0.0 },
            sent_w: (self.lamps[id.0].sent.watts - body.standby_w).max(0.0),
            standby_w: body.standby_w,
            body: body.model().map(|model| (model, body.estimate.celsius)),
        }
    }

    /// Every lamp as it is asked in the present frame.
    pub(super) fn lamps_now(&self) -> impl Iterator<Item = LampNow> + '_ {
        self.plan.fixture_ids().map(|id| {
            let lamp = &self.lamps[id.0];
            self.lamp_now(id, &lamp.asked.colour, lamp.unheld)
        })
    }

    /// Works out what heat holds of frame `n`, which every lamp has begun.
    pub(super) fn hold_heat(&mut self, n: FrameNumber) {
        let stands = self.lamps.iter().all(|l| l.settled) && n >= self.heat.gliding_until;
        let quiet = stands && self.heat.ramp.free();
        // Nothing can differ from the last frame: neither what is asked nor that it may be sent.
        if quiet && n < self.heat.quiet_until {
            return;
        }
        let mut now = std::mem::take(&mut self.heat.now);
        now.clear();
        now.extend(self.lamps_now());
        let ambient = self.plan.ambient.get();
        self.heat.ramp.step(&now, ambient, self.frame_s());
        if let Some(leader) = self.heat.ramp.binds() {
            self.heat.leader = Some(leader);
        }
        self.heat.quiet_until = if quiet { self.acts_at(n, &now, ambient) } else { 0 };
        self.heat.now = now;
    }

    /// A frame before the guard can have anything to do if every lamp stands, a second ahead at most.
    fn acts_at(&self, n: FrameNumber, lamps: &[LampNow], ambient_c: f64) -> FrameNumber {
        if self.heat.bodies.iter().any(Body::cut_off) {
            return n;
        }
        let soonest = |lamp: &LampNow| {
            let (model, celsius) = lamp.body?;
            time_to_hold_s(&model, ambient_c, lamp.standby_w, celsius, lamp.asked_w)
        };
        let left_s = lamps.iter().filter_map(soonest).fold(1.0, f64::min);
        let frames = (left_s / self.frame_s() - FRAMES_AHEAD).max(0.0) as u64;
        n + frames
    }

    /// The light turns to `targets` over `frames` from frame `at` on. True if heat holds it now or will at
    /// the end; then every lamp has to fade from what was last sent.
    pub(super) fn heat_recalled(&mut self, targets: &[Moving], at: FrameNumber, frames: u64) -> bool {
        let full = |(id, target): (FixtureId, &Moving)| {
            let fixture = self.plan.fixture(id);
            let demand = target.at(0.0);
            let reach = solve::reach(fixture, &demand);
            let most = guards::forecast(fixture, &reach, &self.conditions(id));
            let unheld = Unheld { lux: most.lux(), watts: most.watts() };
            self.lamp_now(id, &demand.colour, unheld)
        };
        let lamps: Vec<LampNow> = self.plan.fixture_ids().zip(targets).map(full).collect();
        let (ambient, frame_s) = (self.plan.ambient.get(), self.frame_s());
        let over_s = frames as f64 * frame_s;
        let opening = Ramp::opening(&lamps, ambient, over_s, frame_s);
        self.heat.opening = opening;
        let holds = opening > 0.0 || !self.heat.ramp.free();
        if holds {
            self.heat.ramp.recalled(opening, over_s);
            self.heat.gliding_until = at + frames + 2;
        }
        holds
    }

    /// The frame that was sent stands for a period: every body gets warmer or cooler by it.
    pub(super) fn heat_goes_on(&mut self) {
        let (ambient, frame_s) = (self.plan.ambient.get(), self.frame_s());
        let beside = self.last.and_then(|n| self.watts_beside(n));
        for (index, fixture) in self.plan.fixtures.iter().enumerate() {
            let beside_w = beside.filter(|(id, _)| id.0 == index).map_or(0.0, |(_, watts)| watts);
            let sent_w = self.lamps[index].sent.watts + beside_w;
            let wire = fixture.address().and_then(|a| self.heat.wires.get(a.output.0).copied().flatten());
            let body = &mut self.heat.bodies[index];
            let Duty::Limited(model) = body.duty else { continue };
            match (fixture.address(), wire) {
                (Some(_), Some(LinkState::Down)) => {
                    let gap_s = body.gap_s.unwrap_or(0.0);
                    let holds = match frames_stop(fixture) {
                        FramesStop::Hold | FramesStop::Unknown => true,
                        FramesStop::HoldThenDark(held) => gap_s < held.as_secs_f64(),
                    };
                    body.watts = if holds { body.wire_w } else { body.standby_w };
                    body.gap_s = Some(gap_s + frame_s);
                }
                (Some(_), Some(LinkState::Up)) => {
                    (body.gap_s, body.wire_w) = (None, sent_w);
                    body.watts = sent_w;
                }
                _ => body.watts = sent_w,
            }
            if self.lamps[index].absent.is_some() {
                body.watts = 0.0;
            }
            body.estimate = body.estimate.after(&model, ambient, body.watts, frame_s);
        }
    }

    /// A person says that lamps are at room temperature.
    pub(super) fn cool(&mut self, ids: &[FixtureId]) {
        let ambient = self.plan.ambient.get();
        for id in ids {
            self.heat.bodies[id.0].estimate = Estimate::cold(ambient);
        }
        self.heat.quiet_until = 0;
    }

    /// What the status tells of a lamp's heat; `None` without a model.
    pub(super) fn heat_figures(&self, id: FixtureId) -> Option<Figures> {
        let body = self.heat.bodies.get(id.0)?;
        let model = body.model()?;
        let held = self.heat.held(id.0).holds();
        let (ambient, celsius) = (self.plan.ambient.get(), body.estimate.celsius);
        let cools_s = model.time_to_cool_s(ambient, celsius, body.standby_w, TOUCH_C);
        let left_s = if held { Some(0.0) } else { self.heat_left_s(id) };
        Some(Figures {
            body_est_c: body.estimate.celsius,
            limit_c: model.limit_c,
            minutes_left: left_s.map(|s| s / 60.0),
            cools_minutes: cools_s.map(|s| s / 60.0),
        })
    }

    /// Seconds until a lamp has to come down if it stays as it is: 0 where it is held, `None` where it
    /// never has to or has no model.
    pub(super) fn heat_left_s(&self, id: FixtureId) -> Option<f64> {
        let (body, lamp) = (&self.heat.bodies[id.0], &self.lamps[id.0]);
        let model = body.model()?;
        if lamp.absent.is_some() || lamp.unheld.watts <= 0.0 {
            return None;
        }
        let celsius = body.estimate.celsius;
        time_to_hold_s(&model, self.plan.ambient.get(), body.standby_w, celsius, lamp.unheld.watts)
    }

    /// One lamp's body as a forecast begins.
    pub(super) fn body_ahead(&self, id: FixtureId) -> LampAhead {
        let body = &self.heat.bodies[id.0];
        LampAhead { model: body.model(), standby_w: body.standby_w, celsius: body.estimate.celsius }
    }

    /// What a restart must know.
    pub(super) fn kept_heat(&self) -> Vec<KeptBody> {
        let kept = |(fixture, body): (&Fixture, &Body)| {
            body.model().map(|_| KeptBody {
                lamp: fixture.lamp_name().to_owned(),
                estimate: body.estimate,
                last_w: body.watts,
                standby_w: body.standby_w,
            })
        };
        self.plan.fixtures.iter().zip(&self.heat.bodies).filter_map(kept).collect()
    }
}

/// What a lamp does when frames stop; one set by hand knows of no frames and goes on.
pub(super) fn frames_stop(fixture: &Fixture) -> FramesStop {
    match fixture.control {
        Control::Hand => FramesStop::Hold,
        Control::Dmx(_) => fixture.profile.when_frames_stop,
    }
}
