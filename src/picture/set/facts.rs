//! What there is to say of each lamp of a plan, and by which names.

use super::View;
use crate::engine::{assess, protection_of};
use crate::guards::identity::names::Names as Numbers;
use crate::light::colour;
use crate::picture::colour::{Balance, tint};
use crate::plan::{Control, FixtureId, LookId, Plan};
use crate::units::Xy;

/// A lamp as a picture shows it.
#[derive(Debug, Clone, PartialEq)]
pub struct Lamp {
    /// Which.
    pub id: FixtureId,
    /// The number in its circle: its place in the plan, from 1.
    pub number: usize,
    /// Its name, or its number as a name.
    pub name: String,
    /// Its light in the look; `None` where no look is drawn.
    pub lit: Option<Lit>,
}

/// A lamp's light in a look.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lit {
    /// Illuminance at what it is aimed at, in lux; 0 is dark.
    pub lux: f64,
    /// The same in stops from the exposure.
    pub stops: f64,
    /// Its colour.
    pub xy: Xy,
    /// That colour as the first camera's white balance shows it.
    pub tint: [u8; 3],
    /// True if the look is a protected one and holds it at zero.
    pub held: bool,
}

impl Lit {
    /// Light of `lux` (0 is dark) at what a lamp of this plan is aimed at, in the colour `xy`.
    #[must_use]
    pub fn of(plan: &Plan, lux: f64, xy: Xy) -> Self {
        let balance = Balance::of(plan.exposure.white_balance);
        let stops = (lux / plan.exposure.zero_stops.get()).log2();
        Self { lux, stops, xy, tint: tint(&balance, xy), held: false }
    }

    /// Level and colour in words: `-2.0 stops, 5600 K`.
    #[must_use]
    pub fn said(&self) -> String {
        if self.held {
            return "held dark".to_owned();
        }
        if self.lux <= 0.0 {
            return "dark".to_owned();
        }
        let colour = match colour::kelvin_of(self.xy) {
            Some((kelvin, duv)) if duv.get().abs() < 0.02 => format!("{:.0} K", kelvin.get()),
            _ => format!("x {:.2} y {:.2}", self.xy.x, self.xy.y),
        };
        format!("{} stops, {colour}", crate::engine::say::stops(self.stops))
    }
}

/// Every lamp of the plan, in its order. Light is planned light: what the slots stand for, every fade over.
#[must_use]
pub fn lamps(plan: &Plan, view: &View) -> Vec<Lamp> {
    let lit = view.look.map(|look| lights(plan, look));
    lamps_lit(plan, view.hidden, lit.as_deref())
}

/// The same with light that is handed in: one for each lamp, in the plan's order; a lamp without one is as where no look is
/// drawn.
#[must_use]
pub fn lamps_lit(plan: &Plan, hidden: bool, lit: Option<&[Lit]>) -> Vec<Lamp> {
    plan.fixture_ids()
        .map(|id| Lamp {
            id,
            number: id.0 + 1,
            name: Names { plan, hidden }.lamp(id),
            lit: lit.and_then(|all| all.get(id.0)).copied(),
        })
        .collect()
}

/// The light of every lamp in a look, in the plan's order; a protected look holds those that reach a face.
fn lights(plan: &Plan, look: LookId) -> Vec<Lit> {
    let look = plan.look(look);
    let held = look.protect.then(|| protection_of(plan));
    let found = assess::assess(plan, look, false);
    plan.fixture_ids()
        .map(|id| {
            let held = held.as_ref().is_some_and(|h| h.holds(id));
            let lamp = found.iter().find(|a| a.fixture == id && !held);
            let lux = lamp.map_or(0.0, |a| a.sent_lux);
            let xy = lamp.and_then(|a| a.sent_xy).unwrap_or(Xy { x: 1.0 / 3.0, y: 1.0 / 3.0 });
            Lit { held, ..Lit::of(plan, lux, xy) }
        })
        .collect()
}

/// Names as a picture may show them.
#[derive(Debug, Clone, Copy)]
pub struct Names<'p> {
    /// The plan.
    pub plan: &'p Plan,
    /// A face is protected: numbers.
    pub hidden: bool,
}

impl Names<'_> {
    /// The set's.
    pub fn set(&self) -> String {
        self.numbers().set()
    }

    /// A lamp's.
    pub fn lamp(&self, id: FixtureId) -> String {
        self.numbers().lamp(id)
    }

    /// A look's.
    pub fn look(&self, id: LookId) -> String {
        self.numbers().look(id)
    }

    /// A subject's.
    pub fn subject(&self, index: usize) -> String {
        self.numbers().subject(crate::plan::SubjectId(index))
    }

    /// That of a thing that only the plan's file names: a camera, a board, a flag, a window.
    pub fn thing(&self, noun: &str, index: usize, id: &str) -> String {
        match id {
            _ if self.hidden => format!("{noun} {}", index + 1),
            // `[bounce.board]`: once is enough.
            id if id == noun => id.to_owned(),
            id => format!("{noun} {id}"),
        }
    }

    /// The line about the look that the plan has.
    pub fn about(&self, view: &View) -> Option<String> {
        let about = self.plan.look(view.look?).about.as_ref()?;
        let said = self.numbers().free(about);
        (!said.is_empty()).then_some(said)
    }

    fn numbers(&self) -> Numbers<'_> {
        Numbers::of(self.plan, self.hidden)
    }
}

/// True if a person sets the lamp by its own knob.
pub fn by_hand(plan: &Plan, id: FixtureId) -> bool {
    plan.fixture(id).control == Control::Hand
}
