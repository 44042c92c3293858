//! The take that rolls: what it began with, what has changed since, and so its verdict.
//!
//! The verdict is about frames and wires alone (docs/interface.md, part 5): DMX is one-way, so what the
//! lamps showed is not known.

use super::kept::{KeptSlate, KeptTake};
use super::take_noted::{ACTING, Noted};
use super::{Action, Engine, say};
use crate::control::{LinkState, OutputStatus, TakeMark};
use crate::guards::LimitSet;
use crate::journal::TakeRecord;
use crate::plan::FixtureId;
use crate::units::{FrameNumber, Moment};

/// A take that rolls.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Rolling {
    /// Slate and take: `4/3`.
    pub name: String,
    /// Log number.
    pub number: u64,
    pub start: FrameNumber,
    /// How long it had rolled at that frame, in seconds: more than none where the daemon was started anew
    /// since.
    before_s: f64,
    /// Why it was not steady before that.
    earlier: Vec<String>,
    /// The frame that is its measure: the first, or where lights move that in which all are at their start.
    pub stamped: FrameNumber,
    /// How far the log has it.
    pub logged: Logged,
    /// The outputs as they were at its start.
    pub outputs_then: Vec<OutputStatus>,
    /// Each lamp in that frame; empty before it.
    stamp: Vec<Stamp>,
    /// Lamps whose slots left the stamp, each with the first such frame and what held it then.
    changed: Vec<(FixtureId, FrameNumber, LimitSet)>,
    /// The latest `dark`, and the latest `again` after it.
    dark: Option<FrameNumber>,
    again: Option<FrameNumber>,
    /// True if a `dark` came before the daemon was started anew.
    darkened_before: bool,
    /// How often each output had been opened again when the take first saw it.
    reopened: Vec<(String, u64)>,
    /// Outputs that did not send at some time.
    gaps: Vec<String>,
    /// What else speaks against it.
    pub noted: Noted,
    /// The record of its start, once it was made.
    pub record: Option<Box<TakeRecord>>,
    /// A person's mark that was amended while it rolled.
    pub mark: Option<TakeMark>,
}

/// How far the log has a take.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Logged {
    /// Not at all.
    No,
    /// Its start, with a light that was still on its way.
    Start,
    /// Its start and the light by which it is measured.
    Light,
}

/// A lamp in the frame that a take is measured by.
#[derive(Debug, Clone, PartialEq)]
struct Stamp {
    slots: Vec<u8>,
    /// Share of what its motion asks that the guards let through.
    share: f64,
}

/// A share of a motion's light that is nearer than this to that of the stamp is the same: under a tenth of a
/// step of 12 bits, and far over rounding.
const SAME_SHARE: f64 = 2e-5;

impl Rolling {
    /// A take from frame `start` on that is measured by frame `stamped`.
    pub fn new(name: String, number: u64, start: FrameNumber, stamped: FrameNumber) -> Self {
        Self {
            name,
            number,
            start,
            stamped,
            logged: Logged::No,
            outputs_then: Vec::new(),
            before_s: 0.0,
            earlier: Vec::new(),
            stamp: Vec::new(),
            changed: Vec::new(),
            dark: None,
            again: None,
            darkened_before: false,
            reopened: Vec::new(),
            gaps: Vec::new(),
            noted: Noted::default(),
            record: None,
            mark: None,
        }
    }

    /// True once a `dark` has come in this take.
    pub fn darkened(&self) -> bool {
        self.dark.is_some() || self.darkened_before
    }

    /// A take that rolled when the daemon went away, for `away_s` seconds.
    pub fn resumed(kept: KeptTake, away_s: f64) -> Self {
        let mut take = Self::new(kept.name, kept.number, 0, 0);
        take.logged = Logged::Light;
        take.before_s = kept.rolled_s + away_s;
        take.darkened_before = kept.darkened;
        take.earlier = kept.why;
        let after = say::span(kept.rolled_s);
        take.earlier
            .push(format!("interrupted: the daemon was away for {} after {after}", say::span(away_s)));
        take
    }
}

/// How many takes each slate has had, the latest last.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(super) struct Slates(Vec<KeptSlate>);

/// Most slates that are counted; the one that was longest not used is forgotten for another. Judgement: far
/// more than a production has, and a stream of requests fills neither memory nor disk.
const MOST_SLATES: usize = 1000;

impl Slates {
    /// The slate that a take without one is of: the latest, at first `1`.
    pub fn present(&self) -> &str {
        self.0.last().map_or("1", |s| &s.slate)
    }

    /// Counts the next take of a slate and gives its name.
    pub fn count(&mut self, slate: String) -> String {
        let known = self.0.iter().position(|s| s.slate == slate);
        let mut counted = known.map_or(KeptSlate { slate, takes: 0 }, |at| self.0.remove(at));
        counted.takes = counted.takes.saturating_add(1);
        let name = format!("{}/{}", counted.slate, counted.takes);
        if self.0.len() >= MOST_SLATES {
            self.0.remove(0);
        }
        self.0.push(counted);
        name
    }

    /// A take's name was corrected from `old` to `new`, slate and take each: counting goes on from there. `latest`: it
    /// is the latest of all, so that its slate is the present one.
    pub fn correct(&mut self, old: (&str, u32), new: (&str, u32), latest: bool) {
        if let Some(was) = self.0.iter_mut().find(|s| s.slate == old.0 && s.takes == old.1) {
            was.takes -= 1;
        }
        let known = self.0.iter().position(|s| s.slate == new.0);
        let at = known.unwrap_or(0);
        let mut counted =
            known.map_or(KeptSlate { slate: new.0.to_owned(), takes: 0 }, |at| self.0.remove(at));
        counted.takes = counted.takes.max(new.1);
        if self.0.len() >= MOST_SLATES {
            self.0.remove(0);
        }
        let at = if latest { self.0.len() } else { at.min(self.0.len()) };
        self.0.insert(at, counted);
    }

    /// As they are kept between starts.
    pub fn kept(&self) -> Vec<KeptSlate> {
        self.0.clone()
    }

    /// As they were kept, the oldest of too many left out.
    pub fn from_kept(mut kept: Vec<KeptSlate>) -> Self {
        let too_many = kept.len().saturating_sub(MOST_SLATES);
        kept.drain(..too_many);
        Self(kept)
    }
}

impl Engine {
    /// Notes a `dark` in a take, unless it was dark before.
    pub(super) fn darkened(&mut self, at: FrameNumber) {
        let lit = self.lamps.iter().any(|l| l.sent.lux > 0.0 || l.target.base.lux > 0.0);
        if let Some(take) = self.take.as_mut().filter(|_| lit) {
            (take.dark, take.again) = (Some(at), None);
        }
    }

    /// Notes the way back from it.
    pub(super) fn lit_again(&mut self, at: FrameNumber) {
        if let Some(take) = &mut self.take
            && take.again.is_none()
        {
            take.again = Some(at);
        }
    }

    /// Looks whether frame `n` is what the take began with: the same slots, or where a light moves what its motion
    /// gives so long after the stamp. After a `dark` there is nothing left to look for.
    pub(super) fn watch_take(&mut self, n: FrameNumber) {
        let Some(take) = self.take.as_ref().filter(|t| n >= t.stamped && t.dark.is_none()) else { return };
        let first = take.stamp.is_empty();
        let run_s = self.clock().seconds(n - take.stamped);
        let mut stamp = Vec::new();
        let mut changed = Vec::new();
        for (index, lamp) in self.lamps.iter().enumerate() {
            let id = FixtureId(index);
            let moves = lamp.target.motion.is_some();
            if first {
                let share = if moves { self.share_sent(id) } else { 1.0 };
                stamp.push(Stamp { slots: lamp.sent.slots.clone(), share });
                continue;
            }
            let Some(stamp) = take.stamp.get(index) else { continue };
            let same = if moves {
                let due = lamp.target.at(run_s);
                // A dark lamp keeps the colour in which it went out.
                let here = lamp.asked == due || (lamp.asked.lux <= 0.0 && due.lux <= 0.0);
                here && (self.share_sent(id) - stamp.share).abs() <= SAME_SHARE
            } else {
                lamp.sent.slots == stamp.slots
            };
            if !same && !take.changed.iter().any(|(changed, ..)| *changed == id) {
                changed.push((id, n, lamp.sent.limits));
            }
        }
        // A take that goes on after a restart has what it began with among its reasons already.
        let noted = (first && take.before_s == 0.0).then(|| self.noted_at_start());
        if let Some(take) = &mut self.take {
            take.changed.extend(changed);
            if first {
                take.stamp = stamp;
            }
            if let Some(noted) = noted {
                take.noted = noted;
            }
        }
        if first || n.is_multiple_of(u64::from(self.clock().rate())) {
            self.note_heat();
        }
    }

    /// Share of what a lamp's motion asks in this frame, its standing limits counted, that is sent.
    fn share_sent(&self, id: FixtureId) -> f64 {
        let lamp = &self.lamps[id.0];
        let due = lamp.unhindered_lux(self.plan.fixture(id), &self.conditions(id));
        if due > 0.0 { lamp.sent.allowed.lux / due } else { 1.0 }
    }

    /// Looks whether every output sends. One that went and came between two looks was opened again.
    pub(super) fn watch_wire(&mut self) {
        let Some(take) = &mut self.take else { return };
        for output in &self.outputs {
            let known = take.reopened.iter().find(|(name, _)| *name == output.name).map(|(_, times)| *times);
            if known.is_none() {
                take.reopened.push((output.name.clone(), output.reopened));
            }
            let came_back = known.is_some_and(|times| output.reopened > times);
            // One that is starting may have sent since it was looked at.
            if (output.state == LinkState::Down || came_back) && !take.gaps.contains(&output.name) {
                take.gaps.push(output.name.clone());
            }
        }
    }

    /// How long a take has rolled at frame `at`, in seconds.
    pub(super) fn rolled_s(&self, take: &Rolling, at: FrameNumber) -> f64 {
        take.before_s + self.clock().seconds(at.saturating_sub(take.start))
    }

    /// The take that rolls as it is kept between starts.
    pub(super) fn kept_take(&self) -> Option<KeptTake> {
        let take = self.take.as_ref()?;
        Some(KeptTake {
            name: take.name.clone(),
            number: take.number,
            started: String::new(),
            rolled_s: self.rolled_s(take, self.last.unwrap_or(take.start)),
            darkened: take.darkened(),
            why: self.noted(take),
        })
    }

    /// Every reason why what was sent in a take was not steady; none: it was.
    pub(super) fn unsteady(&self, take: &Rolling) -> Vec<String> {
        let mut why = self.noted(take);
        let silent = self.outputs.iter().filter(|o| o.state == LinkState::Starting);
        why.extend(silent.map(|o| format!("output {} has not been seen to send", o.name)));
        why
    }

    /// What was noted of it.
    fn noted(&self, take: &Rolling) -> Vec<String> {
        let after = |n: FrameNumber| say::span(self.rolled_s(take, n));
        let mut why = take.earlier.clone();
        if let Some(dark) = take.dark {
            let again = take.again.map_or(String::new(), |n| format!(", again after {}", after(n)));
            why.push(format!("light changed: dark after {}{again}", after(dark)));
        }
        if take.stamped > take.start && take.stamp.is_empty() && take.dark.is_none() {
            why.push("it ended before the motion was at its start".to_owned());
        }
        for (id, n, limits) in &take.changed {
            let (name, after) = (&self.plan.fixture(*id).id, after(*n));
            let acting: Vec<_> = ACTING.into_iter().filter(|l| limits.has(*l)).map(|l| l.word()).collect();
            why.push(if acting.is_empty() {
                format!("light changed: {name} after {after}")
            } else {
                format!("a guard acted: {name} held by {} after {after}", acting.join(", "))
            });
        }
        for name in &take.gaps {
            let output = self.outputs.iter().find(|o| o.name == *name);
            let up = output.filter(|o| o.state == LinkState::Up);
            why.push(match up.and_then(|o| o.last_gap_s) {
                Some(s) => format!("gap on the wire: output {name}, {} at last", say::span(s)),
                None if up.is_some() => format!("gap on the wire: output {name}"),
                None => format!("gap on the wire: output {name} does not send"),
            });
        }
        why.extend(self.noted_said(&take.noted, after));
        why
    }

    /// `sent steady`, or `not steady: why`.
    pub(super) fn verdict(why: &[String]) -> String {
        if why.is_empty() { "sent steady".to_owned() } else { format!("not steady: {}", why.join("; ")) }
    }

    /// The daemon stops: the take ends with it, and that is told.
    pub(super) fn cut_take(&mut self, now: Moment) -> Vec<Action> {
        let Some(take) = self.take.take() else { return Vec::new() };
        let at = self.acting_frame(now);
        let lasted = say::span(self.rolled_s(&take, at));
        let why = self.unsteady(&take);
        let verdict = Self::verdict(&why);
        self.record_take_end(&take, why, None, at, true);
        let said =
            format!("take {} cut off after {lasted}: the daemon stops · until then {verdict}", take.name);
        vec![self.tell("take-cut", None, said, at)]
    }
}
