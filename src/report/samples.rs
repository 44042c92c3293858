//! What a report shows over time, taken down while a rehearsal goes on.

use super::flashes::Apart;
use crate::control::FixtureStatus;
use crate::engine::Engine;
use crate::plan::{FixtureId, Plan};

/// Most instants that are taken down: more tell no more on a page.
const MOST: f64 = 8000.0;

/// One lamp over time; each list has a value for each of [`Samples::at_s`].
#[derive(Debug, Clone, PartialEq)]
pub struct LampCourse {
    /// Fixture id, and its body's name.
    pub id: String,
    /// Body name.
    pub lamp: String,
    /// True for a lamp that a person sets.
    pub by_hand: bool,
    /// Limit of its body in degrees Celsius; `None`: it has no figure of heat.
    pub limit_c: Option<f64>,
    /// Estimates of its body in degrees Celsius.
    pub celsius: Vec<Option<f64>>,
    /// Asked light in stops from the exposure; `None`: dark.
    pub asked: Vec<Option<f64>>,
    /// Sent light in the same.
    pub sent: Vec<Option<f64>>,
    /// Least minutes that were left at any instant, 0 where it was held; `None`: it never had to come down.
    pub spare_min: Option<f64>,
}

/// One circuit over time.
#[derive(Debug, Clone, PartialEq)]
pub struct CircuitCourse {
    /// Its id.
    pub id: String,
    /// What it may carry, in volt-amperes.
    pub limit_va: f64,
    /// True if nobody stated its breaker.
    pub assumed: bool,
    /// Power in watts.
    pub watts: Vec<f64>,
    /// What a breaker sees, in volt-amperes.
    pub volt_amperes: Vec<f64>,
}

/// A rehearsal's courses.
#[derive(Debug, Clone, PartialEq)]
pub struct Samples {
    every_s: f64,
    due_s: f64,
    worst: usize,
    /// Instants, in seconds from the order's beginning.
    pub at_s: Vec<f64>,
    /// Every lamp, in the plan's order.
    pub lamps: Vec<LampCourse>,
    /// Every circuit, in the plan's order.
    pub circuits: Vec<CircuitCourse>,
    /// Most changes of light in any one second since the instant before, at the point that had most.
    pub changes: Vec<usize>,
    /// The same, counted apart from the guard.
    pub changes_apart: Vec<usize>,
    apart: Apart,
    worst_apart: usize,
}

impl Samples {
    /// Nothing yet, of a rehearsal of about `length_s` seconds.
    #[must_use]
    pub fn new(plan: &Plan, length_s: f64) -> Self {
        let lamp = |id: FixtureId| {
            let fixture = plan.fixture(id);
            LampCourse {
                id: fixture.id.clone(),
                lamp: fixture.lamp_name().to_owned(),
                by_hand: fixture.address().is_none(),
                limit_c: None,
                celsius: Vec::new(),
                asked: Vec::new(),
                sent: Vec::new(),
                spare_min: None,
            }
        };
        let circuit = |c: &crate::plan::Circuit| CircuitCourse {
            id: c.id.clone(),
            limit_va: 0.0,
            assumed: false,
            watts: Vec::new(),
            volt_amperes: Vec::new(),
        };
        Self {
            every_s: (length_s / MOST).ceil().max(1.0),
            due_s: f64::NEG_INFINITY,
            worst: 0,
            at_s: Vec::new(),
            lamps: plan.fixture_ids().map(lamp).collect(),
            circuits: plan.circuits.iter().map(circuit).collect(),
            changes: Vec::new(),
            changes_apart: Vec::new(),
            apart: Apart::new(plan.frames.rate(), plan.exposure.zero_stops.get()),
            worst_apart: 0,
        }
    }

    /// A frame of the rehearsal has gone out.
    pub fn frame(&mut self, engine: &Engine) {
        self.apart.frame(engine.flash_light());
    }

    /// A second of the rehearsal is over.
    pub fn second(&mut self, at_s: f64, engine: &Engine) {
        self.worst = self.worst.max(engine.flash_changes());
        self.worst_apart = self.worst_apart.max(self.apart.second());
        if at_s < self.due_s {
            return;
        }
        self.due_s = at_s + self.every_s;
        self.at_s.push(at_s);
        self.changes.push(std::mem::take(&mut self.worst));
        self.changes_apart.push(std::mem::take(&mut self.worst_apart));
        let status = engine.status();
        for (lamp, f) in self.lamps.iter_mut().zip(&status.fixtures) {
            lamp.take(f);
        }
        for (circuit, c) in self.circuits.iter_mut().zip(&status.circuits) {
            (circuit.limit_va, circuit.assumed) = (c.limit_va, c.breaker_assumed);
            circuit.watts.push(c.watts);
            circuit.volt_amperes.push(c.volt_amperes);
        }
    }
}

impl LampCourse {
    fn take(&mut self, f: &FixtureStatus) {
        self.limit_c = f.limit_c;
        self.celsius.push(f.body_est_c.filter(|_| f.limit_c.is_some()));
        self.asked.push(f.asked.stops);
        self.sent.push(f.sent.stops.filter(|_| !self.by_hand));
        if let Some(minutes) = f.minutes_left {
            self.spare_min = Some(self.spare_min.map_or(minutes, |least| least.min(minutes)));
        }
    }

    /// Its hottest estimate, and the index of the instant.
    #[must_use]
    pub fn hottest(&self) -> Option<(f64, usize)> {
        let each = self.celsius.iter().enumerate().filter_map(|(i, c)| Some(((*c)?, i)));
        each.max_by(|a, b| a.0.total_cmp(&b.0).then(b.1.cmp(&a.1)))
    }

    /// True if its body comes as near to its limit as the guard lets it: within a kelvin.
    #[must_use]
    pub fn at_limit(&self) -> bool {
        self.hottest().zip(self.limit_c).is_some_and(|((celsius, _), limit)| celsius >= limit - 1.0)
    }

    /// True if it is lit at any instant.
    #[must_use]
    pub fn lit(&self) -> bool {
        self.asked.iter().any(Option::is_some)
    }
}
