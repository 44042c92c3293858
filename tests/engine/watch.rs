//! Looks at every frame from outside: what the slots draw, heat up, load and flash. Slots are decoded by the
//! simulator's own arithmetic; temperatures, sums and counts are this file's, and nothing here asks a guard.

use std::collections::HashMap;

use lampkeep::channels::Frame;
use lampkeep::plan::{Plan, SubjectId};
use lampkeep::rehearse::WHITE;
use lampkeep::wire::sim::{self, Shown};

use crate::seen;

/// Over a limit by so much is a slip of the two integrations, in kelvin.
const SLACK_K: f64 = 0.05;
/// Frames between two looks at flashes, and the past that each needs: 10 s of level 1.0 and a second.
const FLASHES_EACH: usize = 1200;
const PAST: usize = 480;

/// A body's figures, as the plan's text states them.
#[derive(Debug, Clone, Copy)]
pub struct Body {
    pub k_per_w: f64,
    pub tau_s: f64,
    pub limit_c: f64,
    /// How long it holds the last frame when none comes; `None`: for ever, or nobody knows.
    pub holds_s: Option<f64>,
    pub standby_w: f64,
}

/// What is to be true of a lamp.
#[derive(Debug, Clone, Copy)]
pub struct Lamp {
    /// `None`: as long as one likes.
    pub body: Option<Body>,
    /// What divides its watts on the circuit; `None`: it runs from a battery.
    pub power_factor: Option<f64>,
    pub ceiling: f64,
    pub floor: f64,
    /// Most that its drive rises in a frame.
    pub rise: f64,
    /// One step of its slots.
    pub step: f64,
}

/// How things stand beside the slots.
#[derive(Debug, Clone, Default)]
pub struct Set {
    pub absent: Vec<bool>,
    pub protected: bool,
    pub ambient_c: f64,
    /// Seconds for which no frame has reached the lamps.
    pub gap_s: Option<f64>,
}

/// The most that was seen of each.
#[derive(Debug, Clone, PartialEq)]
pub struct Most {
    pub frames: u64,
    /// Nearest to its limit, in kelvin over it.
    pub over_limit_k: f64,
    pub volt_amperes: f64,
    pub changes: usize,
    pub reds: usize,
    /// Furthest from the engine's own estimate, in kelvin.
    pub apart_k: f64,
    /// Frames with a body within half a kelvin of its limit.
    pub hot_frames: u64,
}

pub struct Watch {
    plan: Plan,
    lamps: Vec<Lamp>,
    rating_va: f64,
    other_w: f64,
    /// Lamps that reach a protected face, by geometry.
    hidden: Vec<usize>,
    celsius: Vec<f64>,
    /// Power of the last frame that reached it.
    reached_w: Vec<f64>,
    /// True from a gap until it is under its limit again: nothing could lower it.
    forgiven: Vec<bool>,
    drives: Vec<Vec<f64>>,
    known: Vec<HashMap<Vec<u8>, Shown>>,
    recent: Vec<Vec<Frame>>,
    fresh: usize,
    pub most: Most,
}

impl Watch {
    /// All bodies cold. `rating_va`: what the circuit may carry, `other_w` of it by other loads.
    pub fn new(plan: &Plan, lamps: Vec<Lamp>, rating_va: f64, other_w: f64, ambient_c: f64) -> Self {
        use lampkeep::guards::identity::reach::{LEAST_SHARE, reached};
        let faces: Vec<_> = (0..plan.subjects.len()).map(SubjectId).collect();
        let count = plan.fixtures.len();
        Self {
            hidden: reached(plan, &faces, LEAST_SHARE).iter().map(|r| r.fixture.0).collect(),
            celsius: vec![ambient_c; count],
            reached_w: vec![0.0; count],
            forgiven: vec![false; count],
            drives: vec![Vec::new(); count],
            known: vec![HashMap::new(); count],
            recent: Vec::new(),
            fresh: 0,
            plan: plan.clone(),
            lamps,
            rating_va,
            other_w,
            most: Most {
                frames: 0,
                over_limit_k: f64::NEG_INFINITY,
                volt_amperes: 0.0,
                changes: 0,
                reds: 0,
                apart_k: 0.0,
                hot_frames: 0,
            },
        }
    }

    /// Lamps that reach a protected face.
    pub fn hidden(&self) -> usize {
        self.hidden.len()
    }

    /// A person's word that a lamp is at room temperature.
    pub fn cold(&mut self, lamp: usize, ambient_c: f64) {
        self.celsius[lamp] = ambient_c;
    }

    /// The next frame, which stands for a period.
    pub fn frame(&mut self, sent: &[Frame], set: &Set) -> Result<(), String> {
        let n = self.most.frames;
        if sent.iter().any(|f| f.number != n) {
            return Err(format!("frame {} where {n} is due", sent[0].number));
        }
        self.most.frames += 1;
        let mut volt_amperes = self.other_w;
        for index in 0..self.plan.fixtures.len() {
            let (lamp, absent) = (self.lamps[index], set.absent[index]);
            let shown = self.shown(index, sent);
            let id = &self.plan.fixtures[index].id;
            if let Some(factor) = lamp.power_factor.filter(|_| !absent) {
                volt_amperes += shown.watts / factor;
            }
            if absent && shown.lux > 0.0 {
                return Err(format!("frame {n}: {id} is absent and gets {} lx", shown.lux));
            }
            if set.protected && self.hidden.contains(&index) && shown.lux > 0.0 {
                return Err(format!("frame {n}: {id} is protected and gives {} lx", shown.lux));
            }
            let most = shown.drives.iter().copied().fold(0.0, f64::max);
            // A white rounded to one of less light takes a step more for the same light.
            if most > lamp.ceiling + lamp.step {
                return Err(format!("frame {n}: {id} at {most}, over its ceiling {}", lamp.ceiling));
            }
            if most > 0.0 && most < lamp.floor - lamp.step {
                return Err(format!("frame {n}: {id} at {most}, under its floor {}", lamp.floor));
            }
            let was = self.drives[index].iter().copied().fold(0.0, f64::max);
            if most - was > lamp.rise + lamp.step {
                return Err(format!("frame {n}: {id} rises from {was} to {most}"));
            }
            self.drives[index] = shown.drives;
            self.heats(index, shown.watts, set).map_err(|why| format!("frame {n}: {why}"))?;
        }
        self.most.volt_amperes = self.most.volt_amperes.max(volt_amperes);
        if volt_amperes > self.rating_va * (1.0 + 1e-9) {
            return Err(format!("frame {n}: {volt_amperes} VA of {}", self.rating_va));
        }
        let over = |(c, lamp): (&f64, &Lamp)| lamp.body.is_some_and(|b| *c > b.limit_c - 0.5);
        self.most.hot_frames += u64::from(self.celsius.iter().zip(&self.lamps).any(over));
        self.recent.push(sent.to_vec());
        self.fresh += 1;
        if self.fresh == FLASHES_EACH { self.flashes() } else { Ok(()) }
    }

    fn shown(&mut self, index: usize, sent: &[Frame]) -> Shown {
        let fixture = &self.plan.fixtures[index];
        let address = fixture.address().expect("every lamp here is driven");
        let first = usize::from(address.first) - 1;
        let slots = &sent[address.output.0].slots[first..first + usize::from(fixture.mode.footprint())];
        if let Some(known) = self.known[index].get(slots) {
            return known.clone();
        }
        let shown = sim::shown(fixture, slots, WHITE);
        self.known[index].insert(slots.to_vec(), shown.clone());
        shown
    }

    /// Crank and Nicolson's way for dT/dt = (Ta + P R - T) / tau, a step of a frame.
    fn heats(&mut self, index: usize, sent_w: f64, set: &Set) -> Result<(), String> {
        let Some(body) = self.lamps[index].body else { return Ok(()) };
        let drawn_w = match set.gap_s {
            None => {
                self.reached_w[index] = sent_w;
                sent_w
            }
            Some(gap_s) if body.holds_s.is_none_or(|s| gap_s < s - 1e-9) => self.reached_w[index],
            Some(_) => body.standby_w,
        };
        let drawn_w = if set.absent[index] { 0.0 } else { drawn_w };
        let half = 0.5 / f64::from(self.plan.frames.rate()) / body.tau_s;
        let settled = set.ambient_c + drawn_w * body.k_per_w;
        let now = (self.celsius[index] * (1.0 - half) + 2.0 * half * settled) / (1.0 + half);
        self.celsius[index] = now;
        let over = now - body.limit_c;
        if set.gap_s.is_some() {
            self.forgiven[index] = true;
        } else if over <= 0.0 {
            self.forgiven[index] = false;
        }
        if self.forgiven[index] {
            return Ok(());
        }
        self.most.over_limit_k = self.most.over_limit_k.max(over);
        let id = &self.plan.fixtures[index].id;
        if over > SLACK_K { Err(format!("{id} at {now} C, limit {}", body.limit_c)) } else { Ok(()) }
    }

    /// Compares what the engine takes the bodies to be.
    pub fn told(&mut self, celsius: &[Option<f64>]) -> Result<(), String> {
        for (index, (told, lamp)) in celsius.iter().zip(&self.lamps).enumerate() {
            if lamp.body.is_none() {
                continue;
            }
            let told = told.ok_or("a body without an estimate")?;
            let apart = (told - self.celsius[index]).abs();
            self.most.apart_k = self.most.apart_k.max(apart);
            if apart > SLACK_K {
                let id = &self.plan.fixtures[index].id;
                let at = self.most.frames;
                return Err(format!(
                    "after {at} frames {id} is told to be at {told} C and is at {}",
                    self.celsius[index]
                ));
            }
        }
        Ok(())
    }

    /// Counts the flashes of the frames that have not been looked at.
    pub fn flashes(&mut self) -> Result<(), String> {
        let first = self.recent.len() - self.fresh;
        let worst = seen::worst_from(&self.plan, &self.recent, first);
        self.most.changes = self.most.changes.max(worst.changes);
        self.most.reds = self.most.reds.max(worst.reds);
        let from = self.most.frames as usize - self.fresh;
        self.recent.drain(..self.recent.len().saturating_sub(PAST));
        self.fresh = 0;
        if worst.changes > 6 || worst.reds > 4 {
            return Err(format!("{worst:?} in a second, in the {FLASHES_EACH} frames from {from}"));
        }
        Ok(())
    }
}
