//! Lights that move by themselves, as a plan states them. What light they make is `light`'s work.

use std::time::Duration;

use super::ColourTarget;
use crate::units::{Share, Stops};

/// Most colours that a wander lists besides the target's own. Judgement: more is no longer followed by
/// the eye, and it keeps a motion small enough to be copied about.
pub const MOST_COLOURS: usize = 6;

/// A light that moves by itself, from the moment of recall, and repeats after its period.
///
/// `phase` of each is the part of the period at which it starts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Motion {
    /// The colour goes round a circle of hue about the target's colour, its light unchanged.
    HueCircle {
        /// Time of one turn: 10 s to 1 h.
        period: Duration,
        /// Saturation of the circle about the target's own colour.
        depth: Share,
        /// Hue at recall in degrees, 0 to 360.
        start_deg: f64,
    },
    /// The light goes down from the target and up again, even in stops, as a cosine.
    Breath {
        /// Time of one breath: 0.2 s to 1 h.
        period: Duration,
        /// How far it goes down: 0 to 6 stops.
        depth: Stops,
        /// Where it starts; 0 is at the target, a half at the lowest.
        phase: Share,
    },
    /// The colour goes from the target's own through others and back, its light unchanged.
    Wander {
        /// Time until it is back: 5 s to 1 h.
        period: Duration,
        /// The colours on its way, in order.
        through: Colours,
        /// Where it starts; 0 is at the target's own colour.
        phase: Share,
    },
    /// Noise that is the same each time: the light of a fire or of a screen.
    Flicker(Flicker),
}

/// A seeded flicker: never brighter than the target.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Flicker {
    /// What it is like.
    pub like: FlickerLike,
    /// Chooses the noise: the same seed gives the same light.
    pub seed: u32,
    /// Mean time from one change to the next: 0.1 s to 1 min, a quarter of the period at most.
    pub every: Duration,
    /// Time after which the noise repeats: 5 s to 5 min.
    pub period: Duration,
    /// How far it goes down at most: 0 to 6 stops.
    pub depth: Stops,
    /// How far the colour of a white drifts, 0 to 200 mired: of a fire warmer with falling light, of a
    /// screen either way.
    pub drift_mired: f64,
    /// Where it starts.
    pub phase: Share,
}

/// What a flicker is like.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FlickerLike {
    /// A fire: never still, warmer where it is dim.
    Fire,
    /// A screen: stands, then changes quickly to another picture's light.
    Screen,
}

impl FlickerLike {
    /// The word in a plan.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Fire => "fire",
            Self::Screen => "screen",
        }
    }
}

/// One to [`MOST_COLOURS`] colours in their order.
#[derive(Debug, Clone, Copy)]
pub struct Colours {
    all: [ColourTarget; MOST_COLOURS],
    count: u8,
}

impl Colours {
    /// These colours; `None` for none at all or too many.
    #[must_use]
    pub fn new(colours: &[ColourTarget]) -> Option<Self> {
        let first = colours.first().filter(|_| colours.len() <= MOST_COLOURS)?;
        let mut all = [*first; MOST_COLOURS];
        all[..colours.len()].copy_from_slice(colours);
        Some(Self { all, count: colours.len() as u8 })
    }

    /// They, in order; at least one.
    #[must_use]
    pub fn as_slice(&self) -> &[ColourTarget] {
        &self.all[..usize::from(self.count)]
    }
}

impl PartialEq for Colours {
    fn eq(&self, other: &Self) -> bool {
        self.as_slice() == other.as_slice()
    }
}

impl Motion {
    /// Time after which it repeats.
    #[must_use]
    pub const fn period(&self) -> Duration {
        match self {
            Self::HueCircle { period, .. } | Self::Breath { period, .. } | Self::Wander { period, .. } => {
                *period
            }
            Self::Flicker(flicker) => flicker.period,
        }
    }

    /// The same, started `share` of a period later.
    #[must_use]
    pub fn delayed(self, share: f64) -> Self {
        let late = |phase: Share| Share::clamped((phase.get() - share).rem_euclid(1.0));
        match self {
            Self::HueCircle { period, depth, start_deg } => {
                Self::HueCircle { period, depth, start_deg: (start_deg - 360.0 * share).rem_euclid(360.0) }
            }
            Self::Breath { period, depth, phase } => Self::Breath { period, depth, phase: late(phase) },
            Self::Wander { period, through, phase } => Self::Wander { period, through, phase: late(phase) },
            Self::Flicker(flicker) => Self::Flicker(Flicker { phase: late(flicker.phase), ..flicker }),
        }
    }

    /// For a person: `breath 6 s, 1 stop`.
    #[must_use]
    pub fn said(&self) -> String {
        let stops =
            |depth: Stops| format!("{} stop{}", depth.get(), if depth.get() == 1.0 { "" } else { "s" });
        match self {
            Self::HueCircle { period, depth, .. } => {
                format!("hue circle {}, {:.0} % deep", span(*period), depth.percent())
            }
            Self::Breath { period, depth, .. } => format!("breath {}, {}", span(*period), stops(*depth)),
            Self::Wander { period, through, .. } => {
                format!("wander {}, {} colours", span(*period), through.as_slice().len() + 1)
            }
            Self::Flicker(f) => format!(
                "{} flicker every {}, {}, seed {}, again after {}",
                f.like.word(),
                span(f.every),
                stops(f.depth),
                f.seed,
                span(f.period)
            ),
        }
    }
}

/// A span as a plan would have it: `6 s`, `0.8 s`, `2 min`.
fn span(time: Duration) -> String {
    let seconds = time.as_secs_f64();
    if seconds >= 120.0 && seconds % 60.0 == 0.0 {
        format!("{} min", seconds / 60.0)
    } else {
        format!("{seconds} s")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Xy;

    #[test]
    fn a_motion_is_said_in_words() {
        let (period, depth) = (Duration::from_secs(6), Stops::clamped(1.0));
        let breath = Motion::Breath { period, depth, phase: Share::NONE };
        assert_eq!(breath.said(), "breath 6 s, 1 stop");
        let flicker = Flicker {
            like: FlickerLike::Fire,
            seed: 7,
            every: Duration::from_millis(800),
            period: Duration::from_secs(120),
            depth: Stops::clamped(0.8),
            drift_mired: 30.0,
            phase: Share::NONE,
        };
        let said = "fire flicker every 0.8 s, 0.8 stops, seed 7, again after 2 min";
        assert_eq!(Motion::Flicker(flicker).said(), said);
    }

    /// Source: the definition; a quarter of a period late is three quarters in.
    #[test]
    fn a_later_start_is_an_earlier_phase() {
        let (period, depth) = (Duration::from_secs(60), Share::FULL);
        let circle = Motion::HueCircle { period, depth, start_deg: 10.0 };
        assert_eq!(circle.delayed(0.25), Motion::HueCircle { period, depth, start_deg: 280.0 });
        let breath =
            |phase| Motion::Breath { period, depth: Stops::clamped(1.0), phase: Share::clamped(phase) };
        assert_eq!(breath(0.0).delayed(0.25), breath(0.75));
        assert_eq!(breath(0.5).delayed(1.0), breath(0.5));
    }

    #[test]
    fn colours_are_one_to_six() {
        let colour = ColourTarget::Xy(Xy { x: 0.3, y: 0.3 });
        assert!(Colours::new(&[]).is_none() && Colours::new(&[colour; 7]).is_none());
        assert_eq!(Colours::new(&[colour; 6]).expect("six").as_slice().len(), 6);
    }
}
