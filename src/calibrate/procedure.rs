//! The readings that are taken of a lamp, in order.

use crate::channels::{Asked, level_channel, nominal};
use crate::plan::{Drives, Fixture, Mixing};

/// Values read in a sweep of 8 bits (practice.md, step 3); 16-bit channels are read at 257 times these.
const LEVELS: [u16; 14] = [255, 192, 128, 96, 64, 48, 32, 24, 16, 12, 8, 4, 2, 1];
/// Values at which colour is read (practice.md, step 4: three levels).
const COLOUR_LEVELS: [u16; 3] = [255, 128, 48];
/// Asked colour temperatures (practice.md, step 4: five), even in mired from end to end.
const KELVINS: u16 = 5;
/// Warm-up readings that agree this well, in stops, end the warm-up (practice.md, step 2).
const WARM_STOPS: f64 = 0.05;

/// What may be chosen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Options {
    /// Also read the levels upwards.
    pub upwards: bool,
    /// Sweep every emitter that has a level of its own, not only the brightest.
    pub every_emitter: bool,
}

/// One reading to take.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// Name that tells it apart from all others of the lamp: `intensity 192 down`.
    pub id: String,
    /// What it is for.
    pub kind: Kind,
    /// What the lamp is set to.
    pub asked: Asked,
    /// What the person is told.
    pub said: String,
}

/// What a reading is for.
#[derive(Debug, Clone, PartialEq)]
pub enum Kind {
    /// The room without any lamp.
    Ambient,
    /// Until the lamp is warm: two readings that agree.
    Warm,
    /// One level of a sweep.
    Level {
        /// Index of the channel swept.
        channel: usize,
        /// True on the way up.
        up: bool,
    },
    /// Colour at an asked colour temperature, as the slot really says it, in kelvin.
    White(f64),
    /// Colour and light of one emitter, by its index.
    Emitter(usize),
    /// Colour and light of a lamp that has but one colour.
    Own,
}

impl Kind {
    /// True for a reading of colour.
    #[must_use]
    pub fn is_colour(&self) -> bool {
        matches!(self, Self::White(_) | Self::Emitter(_) | Self::Own)
    }
}

/// A channel that is swept, with the emitter that is lit for it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sweep {
    /// Index of the channel.
    pub channel: usize,
    /// The emitter lit alone; `None`: the lamp's own level.
    pub emitter: Option<String>,
}

/// True if two warm-up readings say that the lamp has settled.
#[must_use]
pub fn agree(before: f64, now: f64) -> bool {
    (now / before).log2().abs() <= WARM_STOPS
}

/// All readings of a lamp, in the order in which they are taken.
#[must_use]
pub fn steps(fixture: &Fixture, options: Options) -> Vec<Step> {
    let sweeps = sweeps(fixture, options);
    let working = working_kelvin(fixture);
    let at = |sweep: &Sweep, value: u16| Asked {
        value,
        emitter: sweep.emitter.clone(),
        kelvin: working,
        ..Asked::default()
    };
    let mut all = Vec::new();
    let Some(first) = sweeps.first() else { return all };
    all.push(Step {
        id: "ambient".to_owned(),
        kind: Kind::Ambient,
        asked: at(first, 0),
        said: "the room without any lamp: every lamp of the set is dark; read what is left".to_owned(),
    });
    let full = |sweep: &Sweep| fixture.mode.channels[sweep.channel].bits.max();
    all.push(Step {
        id: "warm".to_owned(),
        kind: Kind::Warm,
        asked: at(first, full(first)),
        said: "warm-up at full: 30 min, or the lamp's own limit; read every 5 min until two readings agree within \
               0.05 stop, or type `skip`"
            .to_owned(),
    });
    for sweep in &sweeps {
        all.extend(sweep_steps(fixture, sweep, false, &at));
        if options.upwards {
            all.extend(sweep_steps(fixture, sweep, true, &at));
        }
    }
    all.extend(colour_steps(fixture, first));
    all
}

fn sweep_steps(fixture: &Fixture, sweep: &Sweep, up: bool, at: &impl Fn(&Sweep, u16) -> Asked) -> Vec<Step> {
    let channel = &fixture.mode.channels[sweep.channel];
    let max = channel.bits.max();
    let word = channel.drives.word(&fixture.profile.emitters).unwrap_or("level");
    let way = if up { "up" } else { "down" };
    let step = |level: &u16| {
        let value = level * (max / 255);
        Step {
            id: format!("{word} {value} {way}"),
            kind: Kind::Level { channel: sweep.channel, up },
            asked: at(sweep, value),
            said: format!("{word} {value} of {max}, on the way {way}"),
        }
    };
    if up { LEVELS.iter().rev().map(step).collect() } else { LEVELS.iter().map(step).collect() }
}

fn colour_steps(fixture: &Fixture, first: &Sweep) -> Vec<Step> {
    let channels = &fixture.mode.channels;
    let max = channels[first.channel].bits.max();
    let value = |level: u16| level * (max / 255);
    let mut all = Vec::new();
    match &fixture.mode.mixing {
        Mixing::White { kelvin, .. } => {
            let channel = &channels[*kelvin];
            let Drives::Kelvin(a, b) = channel.drives else { return all };
            let (warm, cool) = (1e6 / a.get().min(b.get()), 1e6 / a.get().max(b.get()));
            for n in 0..KELVINS {
                let mired = warm + (cool - warm) * f64::from(n) / f64::from(KELVINS - 1);
                let asked_k = nominal(channel, 1e6 / mired);
                for level in COLOUR_LEVELS {
                    let asked = Asked { value: value(level), kelvin: Some(asked_k), ..Asked::default() };
                    all.push(Step {
                        id: format!("{asked_k:.0}K {}", value(level)),
                        kind: Kind::White(asked_k),
                        asked,
                        said: format!(
                            "colour at {asked_k:.0} K, value {} of {max}: kelvin, Duv and light",
                            value(level)
                        ),
                    });
                }
            }
        }
        Mixing::Emitters { .. } => {
            for (index, emitter) in fixture.profile.emitters.iter().enumerate() {
                let emitter_name = emitter.name.as_str();
                let Ok(channel) = level_channel(fixture, Some(emitter_name)) else { continue };
                let value = channels[channel].bits.max();
                all.push(Step {
                    id: format!("colour {emitter_name}"),
                    kind: Kind::Emitter(index),
                    asked: Asked { value, emitter: Some(emitter_name.to_owned()), ..Asked::default() },
                    said: format!(
                        "{emitter_name} alone at full: kelvin and Duv, or xy0.69,0.30 for a saturated one, and light"
                    ),
                });
            }
        }
        Mixing::Dimmer | Mixing::HueSaturation { .. } => {
            for level in COLOUR_LEVELS {
                all.push(Step {
                    id: format!("colour {}", value(level)),
                    kind: Kind::Own,
                    asked: Asked { value: value(level), ..Asked::default() },
                    said: format!("its colour at value {} of {max}: kelvin, Duv and light", value(level)),
                });
            }
        }
    }
    all
}

/// The channels to sweep: the lamp's own level where it has one, else the brightest emitter's, or all.
fn sweeps(fixture: &Fixture, options: Options) -> Vec<Sweep> {
    if let Ok(channel) = level_channel(fixture, None) {
        return vec![Sweep { channel, emitter: None }];
    }
    let mut emitters: Vec<_> = fixture.profile.emitters.iter().collect();
    emitters.sort_by(|a, b| b.lux_at_1m.total_cmp(&a.lux_at_1m));
    let of = |name: &str| {
        Some(Sweep { channel: level_channel(fixture, Some(name)).ok()?, emitter: Some(name.to_owned()) })
    };
    let all = emitters.iter().filter_map(|e| of(&e.name));
    if options.every_emitter { all.collect() } else { all.take(1).collect() }
}

/// The colour temperature that levels are read at: the middle of the lamp's range in mired.
fn working_kelvin(fixture: &Fixture) -> Option<f64> {
    let Mixing::White { kelvin, .. } = fixture.mode.mixing else { return None };
    let channel = &fixture.mode.channels[kelvin];
    let Drives::Kelvin(a, b) = channel.drives else { return None };
    Some(nominal(channel, 2e6 / (1e6 / a.get() + 1e6 / b.get())))
}
