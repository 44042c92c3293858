//! What is noted of a take beside its slots and wires: lamps that were still cold, bodies near their limit, a guard that
//! held light from the start, a clock that was set. Each is a reason not to call what was sent steady.

use super::{Engine, say};
use crate::guards::Limit;
use crate::plan::FixtureId;
use crate::units::FrameNumber;

/// A lamp that has been lit for so long is warm, in seconds. Source: IES LM-79 asks for half an hour and more before a
/// lamp counts as stable (from memory); here it is a hint, no limit.
const WARM_S: f64 = 1800.0;
/// A body this near under its limit is told, in kelvin. Judgement: estimates are no better than that.
const NEAR_K: f64 = 3.0;
/// A clock that is set by less in a take is no jump, in seconds. Judgement: time services correct by fractions.
const JUMP_S: f64 = 1.0;

/// What was noted so far.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Noted {
    /// Lamps that were lit for less than [`WARM_S`] when it began, and for how long, in seconds.
    cold: Vec<(FixtureId, f64)>,
    /// True if no lit lamp was warm.
    all_cold: bool,
    /// Lamps that a guard held under what was asked from the start, and which.
    held: Vec<(FixtureId, &'static str)>,
    /// Bodies that came near their limit: the warmest that they were, and the limit.
    near: Vec<(FixtureId, f64, f64)>,
    /// By how much the clock was set in seconds, positive forward, and when.
    clock: Option<(f64, FrameNumber)>,
}

/// Guards that act by themselves, unlike limits that stand in the plan.
pub(super) const ACTING: [Limit; 4] = [Limit::Heat, Limit::Circuit, Limit::Flash, Limit::Protect];

impl Engine {
    /// What there is to note of a take whose measure is the present frame.
    pub(super) fn noted_at_start(&self) -> Noted {
        let lit = |id: &FixtureId| {
            let lamp = &self.lamps[id.0];
            lamp.sent.lux > 0.0 && lamp.absent.is_none() && self.plan.fixture(*id).address().is_some()
        };
        let lamps = || self.plan.fixture_ids().filter(lit);
        let lit = lamps().map(|id| (id, self.on_time(id).on_s));
        let cold: Vec<_> = lit.filter(|(_, on_s)| *on_s < WARM_S).collect();
        let all_cold = cold.len() > 1 && cold.len() == lamps().count();
        let holds = |id: FixtureId| {
            let limits = self.lamps[id.0].sent.limits;
            [Limit::Heat, Limit::Circuit].into_iter().find(|l| limits.has(*l)).map(|l| (id, l.word()))
        };
        Noted { cold, all_cold, held: lamps().filter_map(holds).collect(), ..Noted::default() }
    }

    /// Looks whether a lit body is near its limit.
    pub(super) fn note_heat(&mut self) {
        let near = |id: FixtureId| {
            let heat = self.heat_figures(id)?;
            let close = self.lamps[id.0].sent.lux > 0.0 && heat.body_est_c >= heat.limit_c - NEAR_K;
            close.then_some((id, heat.body_est_c, heat.limit_c))
        };
        let found: Vec<_> = self.plan.fixture_ids().filter_map(near).collect();
        let Some(take) = &mut self.take else { return };
        for (id, celsius, limit) in found {
            match take.noted.near.iter_mut().find(|(known, ..)| *known == id) {
                Some((_, most, _)) => *most = most.max(celsius),
                None => take.noted.near.push((id, celsius, limit)),
            }
        }
    }

    /// The wall clock was set by so much, in seconds.
    pub(super) fn note_clock(&mut self, by_s: f64) {
        let n = self.last.unwrap_or(0);
        if let Some(take) = self.take.as_mut().filter(|_| by_s.abs() >= JUMP_S) {
            let (sum, at) = take.noted.clock.unwrap_or((0.0, n));
            take.noted.clock = Some((sum + by_s, at));
        }
    }

    /// The same as reasons, in words. `after`: how long a take had rolled at a frame.
    pub(super) fn noted_said(&self, noted: &Noted, after: impl Fn(FrameNumber) -> String) -> Vec<String> {
        let name = |id: FixtureId| self.plan.fixture(id).id.as_str();
        let mut why = Vec::new();
        for (id, guard) in &noted.held {
            why.push(format!("a guard acted: {} held by {guard} from the start", name(*id)));
        }
        if !noted.near.is_empty() {
            let said = |(id, celsius, limit): &(FixtureId, f64, f64)| {
                format!("{} {celsius:.0} °C of {limit:.0} °C", name(*id))
            };
            let lamps: Vec<_> = noted.near.iter().map(said).collect();
            why.push(format!("heat near its limit: {} by estimate", lamps.join(", ")));
        }
        if let Some(least) = noted.cold.iter().map(|(_, on_s)| *on_s).min_by(f64::total_cmp) {
            let lamps: Vec<_> = noted.cold.iter().map(|(id, _)| name(*id)).collect();
            let lamps = if noted.all_cold { "all that are lit".to_owned() } else { lamps.join(", ") };
            let (least, warm) = (say::span(least), say::span(WARM_S));
            why.push(format!("a lamp cold: {lamps} (lit for {least}, warm from {warm})"));
        }
        if let Some((by_s, at)) = noted.clock {
            let way = if by_s < 0.0 { "back" } else { "forward" };
            why.push(format!("clock jumped: {way} by {} after {}", say::span(by_s.abs()), after(at)));
        }
        why
    }
}
