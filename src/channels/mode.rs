//! One lamp's allowed light to its mode's channel values, and channel values back to drives.
//!
//! Rounding never exceeds the light or the power that is allowed: levels round down on their curve,
//! colours round to the nearest, and where the lamp mixes by itself the level is worked out anew for
//! the colour that the rounded value really gives.

use super::curve;
use crate::guards::{Allowed, Forecast};
use crate::light::{asked, colour, mix};
use crate::plan::{Bits, Channel, Drives, Fixture, MAX_EMITTERS, Mixing};
use crate::units::{Duv, Kelvin, Xy};

/// Writes the slots of one lamp. `slots` is its footprint, the first slot of the lamp first.
///
/// A dark lamp keeps the colour values of `allowed`, so that it starts in the right colour.
pub fn encode(fixture: &Fixture, allowed: &Allowed, slots: &mut [u8]) {
    for channel in &fixture.mode.channels {
        let value = match channel.drives {
            Drives::Fixed(value) => value,
            _ => 0,
        };
        put(channel, value, slots);
    }
    let set = |index: usize, value: u16, slots: &mut [u8]| put(&fixture.mode.channels[index], value, slots);
    match &fixture.mode.mixing {
        Mixing::Dimmer => {
            for (index, channel) in fixture.mode.channels.iter().enumerate() {
                if channel.drives == Drives::Intensity {
                    set(index, level_value(channel, allowed.level()), slots);
                }
            }
        }
        Mixing::Emitters { intensity } => encode_emitters(fixture, *intensity, allowed, slots),
        Mixing::White { intensity, kelvin, tint } => {
            let (k, duv) = white_of(fixture, allowed);
            let kelvin_channel = &fixture.mode.channels[*kelvin];
            let tint_channel = tint.map(|index| &fixture.mode.channels[index]);
            // The colour that the rounded kelvin value brings along is the tint channel's to make up.
            let k_value = ratio_value(kelvin_channel, asked::asked(kelvin_channel, k));
            set(*kelvin, k_value, slots);
            let asked_k = quantity(kelvin_channel, k_value);
            let mut asked_duv = 0.0;
            if let (Some(index), Some(channel)) = (tint, tint_channel) {
                let own = asked::own_duv(kelvin_channel, asked_k);
                let value = ratio_value(channel, asked::asked(channel, duv - own));
                set(*index, value, slots);
                asked_duv = quantity(channel, value);
            }
            let full =
                own_white(fixture, asked::true_white(kelvin_channel, tint_channel, asked_k, asked_duv));
            set(*intensity, own_level(fixture, *intensity, allowed, &full), slots);
        }
        Mixing::HueSaturation { intensity, hue, saturation, white } => {
            let bare = &fixture.profile.emitters;
            let lamp_white = colour::xy_of(*white, Duv::ZERO);
            let wanted = mix::light_of(bare, allowed.mix()).1.unwrap_or(lamp_white);
            let (hue_deg, share) = mix::hue_within(bare, lamp_white, wanted);
            let wanted = |index: usize, of: f64| {
                let channel = &fixture.mode.channels[index];
                ratio_value(channel, asked::asked(channel, of))
            };
            let (h, s) = (wanted(*hue, hue_deg), wanted(*saturation, share));
            set(*hue, h, slots);
            set(*saturation, s, slots);
            let full = own_colour(fixture, lamp_white, (h, *hue), (s, *saturation));
            set(*intensity, own_level(fixture, *intensity, allowed, &full), slots);
        }
    }
}

/// The slots that a forecast would give: to be shown, never sent.
#[must_use]
pub fn preview(fixture: &Fixture, forecast: &Forecast) -> Vec<u8> {
    let mut slots = vec![0; usize::from(fixture.mode.footprint())];
    encode(fixture, forecast.shown(), &mut slots);
    slots
}

/// Emitter drives (0 to 1, in the profile's order) that these slots stand for, by the plan's figures.
#[must_use]
pub fn decode(fixture: &Fixture, slots: &[u8]) -> [f64; MAX_EMITTERS] {
    let channels = &fixture.mode.channels;
    let light = |index: usize| {
        let channel = &channels[index];
        curve::relative(&channel.curve, f64::from(take(channel, slots)) / f64::from(channel.bits.max()))
    };
    let emitters = fixture.profile.emitters.len();
    let mut drives = [0.0; MAX_EMITTERS];
    match &fixture.mode.mixing {
        Mixing::Dimmer => {
            for (index, channel) in channels.iter().enumerate() {
                if channel.drives == Drives::Intensity {
                    drives[..emitters].fill(light(index));
                }
            }
        }
        Mixing::Emitters { intensity } => {
            let master = intensity.map_or(1.0, light);
            for (index, channel) in channels.iter().enumerate() {
                if let Drives::Emitter(emitter) = channel.drives {
                    drives[emitter] = master * light(index);
                }
            }
        }
        Mixing::White { intensity, kelvin, tint } => {
            let own = slots_white(fixture, *kelvin, *tint, slots);
            drives = scaled(&own_white(fixture, own), light(*intensity));
        }
        Mixing::HueSaturation { intensity, hue, saturation, white } => {
            let lamp_white = colour::xy_of(*white, Duv::ZERO);
            let h = (take(&channels[*hue], slots), *hue);
            let s = (take(&channels[*saturation], slots), *saturation);
            drives = scaled(&own_colour(fixture, lamp_white, h, s), light(*intensity));
        }
    }
    drives
}

fn encode_emitters(fixture: &Fixture, intensity: Option<usize>, allowed: &Allowed, slots: &mut [u8]) {
    let channels = &fixture.mode.channels;
    let strongest = allowed.mix().iter().fold(0.0_f64, |a, b| a.max(*b));
    // With a master the emitters hold the colour at its finest and the master takes the level, so
    // that a fade of level moves one channel and the colour stands still.
    let (share, master) = match intensity {
        Some(index) if strongest > 0.0 => {
            (1.0 / strongest, Some((index, level_value(&channels[index], allowed.level() * strongest))))
        }
        _ => (allowed.level(), None),
    };
    if let Some((index, value)) = master {
        put(&channels[index], value, slots);
    }
    for channel in channels {
        if let Drives::Emitter(emitter) = channel.drives {
            let drive = (allowed.mix()[emitter] * share).min(1.0);
            put(channel, level_value(channel, drive), slots);
        }
    }
}

/// Colour temperature and tint that the lamp itself must be set to.
fn white_of(fixture: &Fixture, allowed: &Allowed) -> (f64, f64) {
    let bare = &fixture.profile.emitters;
    match mix::light_of(bare, allowed.mix()).1.and_then(colour::kelvin_of) {
        Some((kelvin, duv)) => (kelvin.get(), duv.get()),
        None => (5600.0, 0.0),
    }
}

/// Drives of a self-mixing lamp at full intensity and this white (kelvin, Duv).
fn own_white(fixture: &Fixture, (kelvin, duv): (f64, f64)) -> [f64; MAX_EMITTERS] {
    let white = (Kelvin::clamped(kelvin), Duv::clamped(duv));
    let most = mix::most_light_white(&fixture.profile.emitters, white.0, white.1).drives;
    scaled(&most, asked::light_share(fixture, kelvin))
}

/// Drives of a self-mixing lamp at full intensity and these hue and saturation values.
fn own_colour(
    fixture: &Fixture,
    white: Xy,
    hue: (u16, usize),
    saturation: (u16, usize),
) -> [f64; MAX_EMITTERS] {
    let channels = &fixture.mode.channels;
    let given = |(value, index): (u16, usize)| {
        let channel = &channels[index];
        asked::given(channel, quantity(channel, value))
    };
    let bare = &fixture.profile.emitters;
    let target = mix::xy_within(bare, white, given(hue), given(saturation).clamp(0.0, 1.0));
    mix::most_light(bare, target).drives
}

/// The level value of a self-mixing lamp whose mix at full is `full`: neither light nor power over
/// what is allowed.
fn own_level(fixture: &Fixture, intensity: usize, allowed: &Allowed, full: &[f64; MAX_EMITTERS]) -> u16 {
    let seen = &fixture.emitters;
    let (lux_at_1m, _) = mix::light_of(seen, full);
    let watts = mix::watts_of(seen, full).get();
    if lux_at_1m <= 0.0 || allowed.level() <= 0.0 {
        return 0;
    }
    let mut level = (allowed.lux_at_1m(fixture) / lux_at_1m).min(1.0);
    if watts > 0.0 {
        level = level.min(allowed.watts() / watts);
    }
    level_value(&fixture.mode.channels[intensity], level)
}

fn scaled(full: &[f64; MAX_EMITTERS], by: f64) -> [f64; MAX_EMITTERS] {
    full.map(|drive| drive * by)
}

fn level_value(channel: &Channel, light: f64) -> u16 {
    // A hair of slack: light that was worked out from a value must find that value again.
    curve::value_at_or_below(&channel.curve, channel.bits, light * (1.0 + 1e-12))
}

/// The nearest value for a quantity that a channel drives linearly.
fn ratio_value(channel: &Channel, quantity: f64) -> u16 {
    let (low, high) = match channel.drives {
        Drives::Kelvin(a, b) => (a.get(), b.get()),
        Drives::Tint(a, b) => (a, b),
        Drives::Hue => (0.0, 360.0),
        _ => (0.0, 1.0),
    };
    let share = ((quantity - low) / (high - low)).clamp(0.0, 1.0);
    (share * f64::from(channel.bits.max())).round() as u16
}

/// What a value asks for: kelvin, Duv, degrees, or a share from 0 to 1.
pub(super) fn quantity(channel: &Channel, value: u16) -> f64 {
    let share = f64::from(value) / f64::from(channel.bits.max());
    match channel.drives {
        Drives::Kelvin(a, b) => a.get() + (b.get() - a.get()) * share,
        Drives::Tint(a, b) => a + (b - a) * share,
        Drives::Hue => 360.0 * share,
        _ => share,
    }
}

/// True white (kelvin, Duv) that the slots of a lamp which mixes a white by itself ask for.
fn slots_white(fixture: &Fixture, kelvin: usize, tint: Option<usize>, slots: &[u8]) -> (f64, f64) {
    let channels = &fixture.mode.channels;
    let asks = |index: usize| quantity(&channels[index], take(&channels[index], slots));
    let tint_channel = tint.map(|index| &channels[index]);
    asked::true_white(&channels[kelvin], tint_channel, asks(kelvin), tint.map_or(0.0, asks))
}

/// The white that a meter has told these slots to give, where one has.
pub(super) fn measured_white(fixture: &Fixture, slots: &[u8]) -> Option<(f64, f64)> {
    match fixture.mode.mixing {
        Mixing::White { kelvin, tint, .. } if asked::white_is_measured(fixture) => {
            Some(slots_white(fixture, kelvin, tint, slots))
        }
        _ => None,
    }
}

fn put(channel: &Channel, value: u16, slots: &mut [u8]) {
    let at = usize::from(channel.offset);
    match channel.bits {
        Bits::Eight => slots[at] = value.min(255) as u8,
        Bits::Sixteen => slots[at..at + 2].copy_from_slice(&value.to_be_bytes()),
    }
}

fn take(channel: &Channel, slots: &[u8]) -> u16 {
    let at = usize::from(channel.offset);
    match channel.bits {
        Bits::Eight => u16::from(slots[at]),
        Bits::Sixteen => u16::from_be_bytes([slots[at], slots[at + 1]]),
    }
}
