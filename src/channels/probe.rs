//! One channel value alone, for measuring: which light it stands for, so that it can be asked for like
//! any other light, through the guards.

use super::{curve, given, mode};
use crate::plan::{Bits, Channel, Drives, Fixture, MAX_EMITTERS, Mixing};
use crate::units::Xy;

/// What a person wants to measure of a lamp.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Asked {
    /// Value of the channel that sets the level.
    pub value: u16,
    /// The emitter to light alone, by name.
    pub emitter: Option<String>,
    /// Colour temperature to set on the lamp's own channel, in kelvin as the slot says it.
    pub kelvin: Option<f64>,
    /// Tint to set on the lamp's own channel, in Duv as the slot says it.
    pub duv: Option<f64>,
    /// Hue to set on the lamp's own channel, in degrees as the slot says it.
    pub hue_deg: Option<f64>,
    /// Saturation to set on the lamp's own channel, 0 to 1 as the slot says it.
    pub saturation: Option<f64>,
}

/// The light of a channel value.
#[derive(Debug, Clone, PartialEq)]
pub struct Probe {
    /// Emitter drives at the full of the level channel.
    pub mix: [f64; MAX_EMITTERS],
    /// The colour of that mix as seen, by the plan's figures.
    pub xy: Option<Xy>,
    /// The share of it that the value stands for, 0 to 1.
    pub level: f64,
    /// Index of the channel that sets the level.
    pub channel: usize,
    /// The slots of exactly that value, fixed ones at their safe values.
    pub slots: Vec<u8>,
}

/// Why a lamp cannot be probed like that.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ProbeError {
    /// Each emitter has a level channel of its own, and none was named.
    #[error("each emitter of this mode has a level of its own; name one of: {0}")]
    WhichEmitter(String),
    /// No emitter of this name has a channel.
    #[error("no emitter `{0}` in this mode; it has {1}")]
    NoEmitter(String, String),
    /// The mode has no such channel.
    #[error("this mode has no {0} channel")]
    NoChannel(&'static str),
    /// The channel cannot be asked for that.
    #[error("{0} lies outside of what the {1} channel can be asked for")]
    Outside(String, &'static str),
    /// The value is above the channel's full scale.
    #[error("value {0} is above the channel's full scale of {1}")]
    AboveFull(u16, u16),
}

/// The light that `asked` stands for. Errors: the mode cannot be asked so.
pub fn probe(fixture: &Fixture, asked: &Asked) -> Result<Probe, ProbeError> {
    let channels = &fixture.mode.channels;
    let level = match level_channel(fixture, asked.emitter.as_deref()) {
        // Nothing is lit: it does not matter which emitter is not.
        Err(ProbeError::WhichEmitter(_)) if asked.value == 0 => {
            let first = channels.iter().position(|c| matches!(c.drives, Drives::Emitter(_)));
            first.ok_or(ProbeError::NoChannel("intensity"))?
        }
        level => level?,
    };
    let full = channels[level].bits.max();
    if asked.value > full {
        return Err(ProbeError::AboveFull(asked.value, full));
    }
    let mut slots = vec![0; usize::from(fixture.mode.footprint())];
    for channel in channels {
        if let Drives::Fixed(value) | Drives::Strobe(value) = channel.drives {
            put(channel, value, &mut slots);
        }
    }
    let wanted: [(&'static str, Option<f64>); 4] = [
        ("kelvin", asked.kelvin),
        ("tint", asked.duv),
        ("hue", asked.hue_deg),
        ("saturation", asked.saturation),
    ];
    for (word, number) in wanted {
        let channel = channels.iter().find(|c| c.drives.word(&[]) == Some(word));
        match (channel, number) {
            (None, Some(_)) => return Err(ProbeError::NoChannel(word)),
            (Some(channel), _) => put(channel, colour_value(channel, number, word)?, &mut slots),
            (None, None) => {}
        }
    }
    for (index, channel) in channels.iter().enumerate() {
        let lit = index == level
            || match channel.drives {
                Drives::Emitter(e) => {
                    asked.emitter.as_deref().is_none_or(|n| fixture.profile.emitters[e].name == n)
                }
                _ => false,
            };
        if lit {
            put(channel, channel.bits.max(), &mut slots);
        }
    }
    // At full scale every curve gives exactly 1, so what is decoded is the mix itself.
    let level_of = curve::of_value(&channels[level].curve, channels[level].bits, asked.value);
    let (mix, xy) = (mode::decode(fixture, &slots), given(fixture, &slots).xy);
    put(&channels[level], asked.value, &mut slots);
    Ok(Probe { mix, xy, level: level_of, channel: level, slots })
}

/// Index of the channel that sets the level: the lamp's own, or the one of the emitter named.
pub fn level_channel(fixture: &Fixture, emitter: Option<&str>) -> Result<usize, ProbeError> {
    let names = || fixture.profile.emitters.iter().map(|e| e.name.as_str());
    let all = || names().collect::<Vec<_>>().join(", ");
    let place = match emitter {
        None => None,
        Some(name) => {
            let missing = || ProbeError::NoEmitter(crate::words::short(name), all());
            let index = names().position(|n| n == name).ok_or_else(missing)?;
            let drives = Drives::Emitter(index);
            Some(fixture.mode.channels.iter().position(|c| c.drives == drives).ok_or_else(missing)?)
        }
    };
    match (&fixture.mode.mixing, place) {
        (Mixing::Emitters { intensity: Some(master) }, _) => Ok(*master),
        (Mixing::Emitters { intensity: None }, Some(place)) => Ok(place),
        (Mixing::Emitters { intensity: None }, None) => Err(ProbeError::WhichEmitter(all())),
        (Mixing::White { intensity, .. } | Mixing::HueSaturation { intensity, .. }, _) => Ok(*intensity),
        (Mixing::Dimmer, _) => {
            let found = fixture.mode.channels.iter().position(|c| c.drives == Drives::Intensity);
            found.ok_or(ProbeError::NoChannel("intensity"))
        }
    }
}

/// The nearest value of a colour channel; the middle, or no saturation, where nothing is asked.
fn colour_value(channel: &Channel, asked: Option<f64>, word: &'static str) -> Result<u16, ProbeError> {
    let (low, high) = match channel.drives {
        Drives::Kelvin(a, b) => (a.get(), b.get()),
        Drives::Tint(a, b) => (a, b),
        Drives::Hue => (0.0, 360.0),
        _ => (0.0, 1.0),
    };
    let share = match asked {
        // No tint, where the channel has it.
        None if word == "tint" => (0.0 - low) / (high - low),
        None if word == "kelvin" => 0.5,
        None => 0.0,
        Some(number) => (number - low) / (high - low),
    };
    let slack = 0.5 / f64::from(channel.bits.max());
    match asked {
        Some(number) if !(-slack..=1.0 + slack).contains(&share) => {
            Err(ProbeError::Outside(format!("{number}"), word))
        }
        _ => Ok((share.clamp(0.0, 1.0) * f64::from(channel.bits.max())).round() as u16),
    }
}

fn put(channel: &Channel, value: u16, slots: &mut [u8]) {
    let at = usize::from(channel.offset);
    match channel.bits {
        Bits::Eight => slots[at] = value.min(255) as u8,
        Bits::Sixteen => slots[at..at + 2].copy_from_slice(&value.to_be_bytes()),
    }
}

/// What the slot nearest to `asked` really asks for, in a colour channel's own unit.
#[must_use]
pub fn nominal(channel: &Channel, asked: f64) -> f64 {
    let word = channel.drives.word(&[]).unwrap_or("kelvin");
    let value = match channel.drives {
        Drives::Kelvin(a, b) => {
            let (low, high) = (a.get().min(b.get()), a.get().max(b.get()));
            colour_value(channel, Some(asked.clamp(low, high)), "kelvin")
        }
        _ => colour_value(channel, Some(asked), if word == "tint" { "tint" } else { "saturation" }),
    };
    mode::quantity(channel, value.unwrap_or(0))
}
