//! Runs the guards in a fixed order and makes [`Allowed`].

mod raise;

pub use raise::{raise, stand_still};

use super::limits;
use super::thermal::Held;
use super::{Limit, LimitSet};
use crate::light::{Reach, Shape, solve};
use crate::plan::{Fixture, MAX_EMITTERS};
use crate::units::Xy;

/// Light that may be sent to one lamp. Only this module can make one that is not dark, so nothing
/// reaches the slots unguarded. Its fields are private, so this does not compile:
///
/// ```compile_fail,E0451
/// fn lift(allowed: lampkeep::guards::Allowed) -> lampkeep::guards::Allowed {
///     lampkeep::guards::Allowed { level: 1.0, ..allowed }
/// }
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Allowed {
    mix: [f64; MAX_EMITTERS],
    level: f64,
    full_lux: f64,
    full_watts: f64,
    xy: Xy,
    limits: LimitSet,
}

impl Allowed {
    /// Emitter drives for each unit of [`Self::level`]. For a lamp that prefers `output` those of its most
    /// light, 0 to 1 each; for others they may be above 1, but times the level they are 0 to 1.
    #[must_use]
    pub fn mix(&self) -> &[f64; MAX_EMITTERS] {
        &self.mix
    }

    /// Share of the lamp's most light at the colour that may be sent, 0 to 1.
    #[must_use]
    pub fn level(&self) -> f64 {
        self.level
    }

    /// Greatest illuminance at the aim that may be sent, in lux.
    #[must_use]
    pub fn lux(&self) -> f64 {
        self.full_lux * self.level
    }

    /// Greatest electrical power of the emitters that may be sent, in watts, standby not included.
    #[must_use]
    pub fn watts(&self) -> f64 {
        self.full_watts * self.level
    }

    /// Greatest light at 1 m that may be sent, in lux, gels in and the modifiers' loss not.
    #[must_use]
    pub fn lux_at_1m(&self, fixture: &Fixture) -> f64 {
        self.lux() / solve::gain(fixture)
    }

    /// Its mix apart from its level.
    #[must_use]
    pub fn shape(&self, fixture: &Fixture) -> Shape {
        Shape::of(&self.mix, self.full_lux / solve::gain(fixture))
    }

    /// The colour, at the aim.
    #[must_use]
    pub fn xy(&self) -> Xy {
        self.xy
    }

    /// What held it.
    #[must_use]
    pub fn limits(&self) -> LimitSet {
        self.limits
    }
}

/// What the guards must know besides the demand.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Conditions {
    /// True when real lamps hang on the wire: unknown heat then caps the power.
    pub real_output: bool,
    /// Time of one frame in seconds.
    pub period_s: f64,
    /// True if the lamp is said to be absent.
    pub absent: bool,
    /// True if the identity guard is on and the lamp reaches a protected face: it gets zero.
    pub protected: bool,
}

/// What the guards remember of one lamp from frame to frame.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Standing {
    /// Illuminance in lux that the rise had reached, floors not applied: a lamp that climbs out of the
    /// dark passes under its floor for a while and must not be held there for ever. In lux, not as a
    /// share of full, so that a change of colour at the same light is no rise.
    lux: f64,
    /// The same with what heat and the circuits hold back taken off: what they let go of is a rise like any
    /// other.
    held_lux: f64,
    soft: Soft,
    /// True if it was lit in the last frame.
    lit: bool,
    /// True if heat has taken it under its floor since: it comes back only from well above.
    cut: bool,
}

/// A lamp that heat has taken under its floor is lit again from this many times its floor on: a tenth of a stop.
/// Judgement: heat near a border goes up and down by less.
const LIT_AGAIN: f64 = 1.071_773_462_536_293_2;

/// How long a lamp that may be dark takes to come up to what stands, in seconds. Judgement: seen as a rise and
/// not as a flash, and short beside any take.
pub const SOFT_START_S: f64 = 1.0;

/// How a lamp that may be dark comes up.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
enum Soft {
    /// It shows what it was sent.
    #[default]
    Not,
    /// It may be dark and no frame reaches it: sent dark.
    Dark,
    /// Frames reach it again, since so many seconds.
    Rising(f64),
}

impl Standing {
    /// Of a lamp that stands at `held_lux`, and would at `lux` if neither heat nor a circuit held anything:
    /// after a restart.
    #[must_use]
    pub fn at(lux: f64, held_lux: f64) -> Self {
        Self { lux, held_lux, lit: held_lux > 0.0, ..Self::default() }
    }

    /// The lamp's figures are other ones now, by which the same light counts so many times as much.
    pub fn refigured(&mut self, ratio: f64) {
        self.lux *= ratio;
        self.held_lux *= ratio;
    }

    /// True if the same demand again would be allowed the same: nothing is still rising.
    #[must_use]
    pub fn settled(&self, allowed: &Allowed) -> bool {
        !allowed.limits.has(Limit::Rise)
            && !allowed.limits.has(Limit::Flash)
            && !allowed.limits.has(Limit::SoftStart)
    }

    /// The lamp may be dark and no frame reaches it. True if that is new.
    pub fn goes_dark(&mut self) -> bool {
        let new = self.soft != Soft::Dark;
        self.soft = Soft::Dark;
        new
    }

    /// True while the lamp may be dark and no frame reaches it.
    #[must_use]
    pub fn is_dark(&self) -> bool {
        self.soft == Soft::Dark
    }

    /// Frames reach the lamp, which may be dark: from the next one on it comes up softly. One that is asked
    /// nothing then is known to be dark, and comes up later as it is asked.
    pub fn comes_up(&mut self) {
        self.soft = Soft::Rising(0.0);
    }

    /// True while it does.
    #[must_use]
    pub fn is_soft(&self) -> bool {
        self.soft != Soft::Not
    }

    /// What soft start lets through of `allowed`: even in lightness (the cube root of light, CIE 15) from the
    /// floor to it.
    fn softened(&self, fixture: &Fixture, mut allowed: Allowed) -> Allowed {
        let share = match self.soft {
            Soft::Not => return allowed,
            Soft::Dark => 0.0,
            Soft::Rising(s) if allowed.level > 0.0 => {
                let from = (fixture.limits.floor.get() / allowed.level).min(1.0).cbrt();
                (from + (1.0 - from) * (s / SOFT_START_S).min(1.0)).powi(3)
            }
            Soft::Rising(_) => return allowed,
        };
        if allowed.level > 0.0 && share < 1.0 {
            allowed.level *= share;
            allowed.limits = allowed.limits.with(Limit::SoftStart);
        }
        allowed
    }

    /// A frame was sent in which `asked` (softly or not) was let through.
    fn soft_goes_on(&mut self, asked: f64, period_s: f64) {
        if let Soft::Rising(s) = self.soft {
            let over = asked <= 0.0 || s + period_s >= SOFT_START_S;
            self.soft = if over { Soft::Not } else { Soft::Rising(s + period_s) };
        }
    }
}

/// What the guards that look at the whole set hold of one lamp in a frame, by [`before_heat`] of all lamps.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Holds {
    /// What heat holds.
    pub heat: Held,
    /// Share of the light that the circuits let through after that, 0 to 1.
    pub circuit: f64,
}

impl Default for Holds {
    /// Nothing is held.
    fn default() -> Self {
        Self { heat: Held::default(), circuit: 1.0 }
    }
}

/// What of a lamp's demand may be sent in this frame: that or less.
///
/// `holds`: what the guards that look at the whole set hold of it. A fall passes at once. `standing` is
/// carried from frame to frame.
#[must_use]
pub fn allow(
    fixture: &Fixture,
    reach: &Reach,
    now: &Conditions,
    holds: &Holds,
    standing: &mut Standing,
) -> Allowed {
    let heat = &holds.heat;
    let stands = stand(fixture, reach, now);
    let mut allowed = risen(fixture, standing.softened(fixture, stands), now, standing, standing.lux);
    standing.soft_goes_on(stands.level, now.period_s);
    standing.lux = allowed.lux();
    if heat.holds() && allowed.level > 0.0 {
        allowed.level *= heat.share().clamp(0.0, 1.0);
        allowed.limits = allowed.limits.with(Limit::Heat);
    }
    if holds.circuit < 1.0 && allowed.level > 0.0 {
        allowed.level *= holds.circuit.max(0.0);
        allowed.limits = allowed.limits.with(Limit::Circuit);
    }
    allowed = risen(fixture, allowed, now, standing, standing.held_lux);
    standing.held_lux = allowed.lux();
    let floored = floored(fixture, allowed);
    let lit = floored.level > 0.0;
    standing.cut = (heat.holds() || holds.circuit < 1.0)
        && allowed.level > 0.0
        && (standing.cut || standing.lit && !lit);
    let stays_cut = standing.cut && allowed.level < fixture.limits.floor.get() * LIT_AGAIN;
    standing.cut = stays_cut;
    standing.lit = lit && !stays_cut;
    if stays_cut && lit {
        return Allowed { level: 0.0, limits: floored.limits.with(Limit::Floor), ..floored };
    }
    floored
}

/// Light that every guard but the one for heat lets through.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Unheld {
    /// Illuminance at the aim in lux.
    pub lux: f64,
    /// Electrical power of the emitters in watts, standby not included.
    pub watts: f64,
}

/// What [`allow`] would let through of the same if heat held nothing; `standing` stays as it is.
#[must_use]
pub fn before_heat(fixture: &Fixture, reach: &Reach, now: &Conditions, standing: &Standing) -> Unheld {
    let softly = standing.softened(fixture, stand(fixture, reach, now));
    let allowed = floored(fixture, risen(fixture, softly, now, standing, standing.lux));
    Unheld { lux: allowed.lux(), watts: allowed.watts() }
}

/// The rise: at most so much over `was_lux` in a frame.
fn risen(
    fixture: &Fixture,
    mut allowed: Allowed,
    now: &Conditions,
    standing: &Standing,
    was_lux: f64,
) -> Allowed {
    if let Some(rise) = fixture.limits.rise_per_s
        && allowed.full_lux > 0.0
    {
        // A lit lamp on its floor stays there while its colour goes to one of more light: it would pop out and in.
        let least = if standing.lit { fixture.limits.floor.get().min(allowed.level) } else { 0.0 };
        let share = (was_lux / allowed.full_lux + rise * now.period_s).max(least);
        if share < allowed.level {
            allowed.level = share;
            allowed.limits = allowed.limits.with(Limit::Rise);
        }
    }
    allowed
}

/// What would be allowed once every rise is over. It can be shown (`channels::preview`), not sent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Forecast(Allowed);

impl Forecast {
    /// The light that would be allowed. Inside the crate this is for showing alone.
    #[must_use]
    pub(crate) fn shown(&self) -> &Allowed {
        &self.0
    }

    /// Greatest illuminance at the aim, in lux.
    #[must_use]
    pub fn lux(&self) -> f64 {
        self.0.lux()
    }

    /// Electrical power of the emitters in watts, standby not included.
    #[must_use]
    pub fn watts(&self) -> f64 {
        self.0.watts()
    }

    /// What would hold it.
    #[must_use]
    pub fn limits(&self) -> LimitSet {
        self.0.limits()
    }
}

/// What would be allowed once every rise is over: for checks and explanations.
#[must_use]
pub fn forecast(fixture: &Fixture, reach: &Reach, now: &Conditions) -> Forecast {
    Forecast(stand(fixture, reach, now))
}

/// The standing limits alone.
fn stand(fixture: &Fixture, reach: &Reach, now: &Conditions) -> Allowed {
    let (level, limits) = limits::standing(fixture, reach, now.real_output);
    let allowed = Allowed {
        mix: reach.mix,
        level,
        full_lux: reach.full_lux,
        full_watts: reach.full_watts,
        xy: reach.xy,
        limits,
    };
    if now.absent {
        return Allowed { level: 0.0, limits: LimitSet::NONE.with(Limit::Absent), ..allowed };
    }
    if now.protected {
        return Allowed { level: 0.0, limits: LimitSet::NONE.with(Limit::Protect), ..allowed };
    }
    floored(fixture, allowed)
}

/// The floor: a lamp is never lifted to it, only cut under it.
fn floored(fixture: &Fixture, allowed: Allowed) -> Allowed {
    let floor = fixture.limits.floor.get();
    // The hair of slack keeps a demand that was worked out to sit on the floor from falling off it.
    if allowed.level > 0.0 && allowed.level < floor * (1.0 - 1e-9) {
        return Allowed { level: 0.0, limits: allowed.limits.with(Limit::Floor), ..allowed };
    }
    allowed
}
