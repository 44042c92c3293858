//! What a look comes to on the lamps at hand: for the answer to a recall, `check`, `explain` and the
//! rehearsal's timeline. The same solver, guards and rounding as the frames.

use super::lamp::Pin;
use super::moves;
use crate::channels;
use crate::guards::{self, Conditions, Limit, LimitSet};
use crate::light::{Demand, Moving, Reach, Renderings, Shape, solve};
use crate::plan::{Control, Drives, Fixture, FixtureId, Look, Plan};
use crate::units::Xy;

/// One lamp in a look, as it stands once every fade and rise is over.
#[derive(Debug, Clone, PartialEq)]
pub struct Assessment {
    /// The lamp.
    pub fixture: FixtureId,
    /// What the look asks of it (a moving one at its start).
    pub asked: Demand,
    /// The same with its motion, held to what keeps its level all the way.
    pub target: Moving,
    /// What it can do towards that.
    pub reach: Reach,
    /// Greatest light that the guards let through, in lux at the aim.
    pub allowed_lux: f64,
    /// What holds it.
    pub limits: LimitSet,
    /// Its slots.
    pub slots: Vec<u8>,
    /// What the slots stand for, in lux at the aim.
    pub sent_lux: f64,
    /// The colour that the slots stand for; `None` when dark.
    pub sent_xy: Option<Xy>,
    /// What rounding to slots costs; `None` for a lamp without slots and one that may send no light.
    pub rounding: Option<Rounding>,
    /// Electrical power in watts, standby included.
    pub watts: f64,
}

/// How far the light and colour of some slots are from what the guards let through.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rounding {
    /// Stops too low, 0 or more; infinite where the slots give no light.
    pub stops: f64,
    /// Distance of the colours in u'v'; 0 where the slots give no light.
    pub uv76: f64,
}

/// A colour that rounding misses by less than this in u'v' is told by figures alone: about half of what
/// two lamps side by side show (judgement).
const COLOUR_SEEN_UV76: f64 = 0.002;
/// Light that rounding misses by less than this in stops is told by figures alone. Judgement: a meter
/// shows tenths.
const LIGHT_SEEN_STOPS: f64 = 0.1;

/// Every lamp that `look` names, in the plan's order. Lamps that prefer `rendering` cost a search each.
#[must_use]
pub fn assess(plan: &Plan, look: &Look, real_output: bool) -> Vec<Assessment> {
    assess_with(plan, look, real_output, &mut Renderings::new(plan))
}

/// The same with what has been searched for already.
#[must_use]
pub fn assess_with(
    plan: &Plan,
    look: &Look,
    real_output: bool,
    renderings: &mut Renderings,
) -> Vec<Assessment> {
    look.targets
        .iter()
        .map(|target| {
            let fixture = plan.fixture(target.fixture);
            let asked = solve::demand(plan, look, target.fixture);
            let asked = moves::steady(fixture, asked, real_output);
            let shape = renderings.shape(fixture, target.fixture, &asked.base);
            let reach = solve::reach_shaped(fixture, &asked.at(0.0), shape.as_ref());
            let absent = fixture.absent.is_some();
            let found = of_reach(fixture, target.fixture, asked.at(0.0), reach, None, real_output, absent);
            Assessment { target: asked, ..found }
        })
        .collect()
}

/// One lamp at one demand. It costs microseconds: one that prefers `rendering` is taken at its mix of most
/// light, whose light and colour are the same.
#[must_use]
pub fn lamp(fixture: &Fixture, id: FixtureId, asked: Demand, real_output: bool, absent: bool) -> Assessment {
    of_reach(fixture, id, asked, solve::reach(fixture, &asked), None, real_output, absent)
}

/// The same with the shape of its mix, where that is known.
#[must_use]
pub(super) fn shaped(
    fixture: &Fixture,
    id: FixtureId,
    asked: Demand,
    shape: Option<&Shape>,
    real_output: bool,
) -> Assessment {
    of_reach(fixture, id, asked, solve::reach_shaped(fixture, &asked, shape), None, real_output, false)
}

/// One lamp held to one mix.
#[must_use]
pub(super) fn pinned(
    fixture: &Fixture,
    id: FixtureId,
    asked: Demand,
    pin: &Pin,
    real_output: bool,
    absent: bool,
) -> Assessment {
    let reach = solve::reach_of(fixture, pin.mix, pin.xy, asked.lux);
    of_reach(fixture, id, asked, reach, Some(pin), real_output, absent)
}

fn of_reach(
    fixture: &Fixture,
    id: FixtureId,
    asked: Demand,
    reach: Reach,
    pin: Option<&Pin>,
    real_output: bool,
    absent: bool,
) -> Assessment {
    let now = Conditions { real_output, period_s: 1.0, absent, protected: false };
    let forecast = guards::forecast(fixture, &reach, &now);
    let (slots, given) = if fixture.address().is_some() {
        let slots = match pin {
            Some(pin) => channels::preview_exact(fixture, &forecast, &pin.slots),
            None => channels::preview(fixture, &forecast),
        };
        let given = channels::given(fixture, &slots);
        (slots, given)
    } else {
        let level = if reach.full_lux > 0.0 { forecast.lux() / reach.full_lux } else { 0.0 };
        (Vec::new(), channels::of_drives(fixture, reach.mix.map(|drive| drive * level)))
    };
    let (sent_lux, sent_xy) = (given.lux_at_1m * solve::gain(fixture), given.xy);
    let rounding = (fixture.address().is_some() && forecast.lux() > 0.0).then(|| Rounding {
        // Light a hair over, which is rounding of the sums, is not low.
        stops: if sent_lux > 0.0 { (forecast.lux() / sent_lux).log2().max(0.0) } else { f64::INFINITY },
        uv76: sent_xy.map_or(0.0, |xy| xy.uv76().distance(reach.xy.uv76())),
    });
    Assessment {
        fixture: id,
        asked,
        target: Moving::still(asked),
        reach,
        allowed_lux: forecast.lux(),
        limits: forecast.limits(),
        slots,
        sent_lux,
        sent_xy,
        rounding,
        watts: given.watts,
    }
}

impl Assessment {
    /// Drives, 0 to 1, that its slots stand for; of a hand-set lamp those that it is to be set to.
    #[must_use]
    pub fn drives(&self, fixture: &Fixture) -> [f64; crate::plan::MAX_EMITTERS] {
        if fixture.address().is_some() {
            return channels::decode(fixture, &self.slots);
        }
        let level = if self.reach.full_lux > 0.0 { self.allowed_lux / self.reach.full_lux } else { 0.0 };
        self.reach.mix.map(|drive| drive * level)
    }

    /// What a person must know of this lamp in this look, in words, most important first.
    #[must_use]
    pub fn warnings(&self, plan: &Plan) -> Vec<String> {
        let fixture = plan.fixture(self.fixture);
        let name = &fixture.id;
        let mut said = Vec::new();
        if self.target.base.lux <= 0.0 {
            return said;
        }
        if self.limits.has(Limit::Absent) {
            let why = fixture.absent.as_deref().unwrap_or("not here");
            return vec![format!("{name} absent ({why})")];
        }
        said.extend(moves::warnings(name, &self.target));
        if self.asked.lux <= 0.0 {
            return said;
        }
        if self.limits.has(Limit::Floor) {
            let floor = self.reach.full_lux * fixture.limits.floor.get();
            return vec![format!(
                "{name} dark: {:.1} lx asked is under its floor of {floor:.1} lx",
                self.asked.lux
            )];
        }
        let short = (self.asked.lux / self.allowed_lux).log2();
        if short >= 0.05 {
            // In infinite stops nobody thinks.
            let by = if short.is_finite() { format!("{short:.1} stops short") } else { "dark".to_owned() };
            let why = if self.limits.has(Limit::HeatUnknown) {
                " (heat unknown: half power)"
            } else if self.limits.has(Limit::Ceiling) {
                " (its ceiling)"
            } else {
                ""
            };
            said.push(format!("{name} {by}{why}"));
        }
        said.extend(self.colour_warnings(fixture));
        if let Some(Rounding { stops, uv76 }) = self.rounding {
            let finer = "its slots have no finer step";
            if stops.is_infinite() {
                said.push(format!("{name} dark: its least step is more than {:.1} lx", self.allowed_lux));
            } else if stops >= LIGHT_SEEN_STOPS {
                said.push(format!("{name} {stops:.1} stops low: {finer}"));
            }
            if uv76 >= COLOUR_SEEN_UV76 {
                said.push(format!("{name} {uv76:.3} off its colour in u'v': {finer}"));
            }
        }
        if let Some(low) = channels::unclean(fixture, &self.slots) {
            let drives = match fixture.mode.channels[low.channel].drives {
                Drives::Emitter(index) => format!("{} ", fixture.profile.emitters[index].name),
                _ => String::new(),
            };
            said.push(format!(
                "{name} under its clean range: {drives}value {}, clean from {}",
                low.value, low.clean_from
            ));
        }
        said
    }

    /// How it misses the asked colour, where a person would see it.
    fn colour_warnings(&self, fixture: &Fixture) -> Vec<String> {
        let name = &fixture.id;
        let mut said = Vec::new();
        let Some(miss) = self.reach.miss.filter(|_| fixture.control != Control::Hand) else { return said };
        let (Some(mired), Some(duv)) = (miss.mired, miss.duv) else {
            if miss.uv76 >= 0.002 {
                said.push(format!("{name} misses its colour by {:.3} in u'v'", miss.uv76));
            }
            return said;
        };
        // A lamp of one colour was not asked for another: it is told of where it would not match the
        // others side by side (10 mired, 0.003 Duv: judgement, practice of the trade).
        let seen = if fixture.mode.has_colour(fixture.emitters.len()) { 1.0 } else { 10.0 };
        if mired.abs() >= seen {
            let way = if mired > 0.0 { "warmer" } else { "cooler" };
            said.push(format!("{name} {:.0} mired {way} than asked", mired.abs()));
        }
        if duv.abs() > 0.003 {
            let way = if duv > 0.0 { "greener" } else { "pinker" };
            said.push(format!("{name} {:.4} Duv {way} than asked", duv.abs()));
        }
        said
    }

    /// `by hand: practical to 30 %` for a hand-set lamp.
    #[must_use]
    pub fn by_hand(&self, plan: &Plan) -> Option<String> {
        let fixture = plan.fixture(self.fixture);
        if fixture.control != Control::Hand || self.limits.has(Limit::Absent) {
            return None;
        }
        let percent = (self.reach.level.min(1.0) * 100.0).round();
        Some(format!("by hand: {} to {percent:.0} %", fixture.id))
    }
}
