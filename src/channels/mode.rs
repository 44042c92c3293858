//! One lamp's allowed light to its mode's channel values, and channel values back to drives.
//!
//! Rounding never exceeds the light or the power that is allowed; of what is left it takes the best
//! (see `round`). Where the lamp mixes by itself the level is worked out anew for the colour that the
//! rounded values really give.

mod own;

use super::curve;
use super::round::{self, Goal, Lane, Master};
use crate::guards::{Allowed, Forecast};
use crate::light::{colour, mix};
use crate::plan::{Bits, Channel, Drives, Fixture, MAX_EMITTERS, Mixing};
use crate::units::Duv;
pub(super) use own::measured_white;
use own::{dials, own_colour, own_mix, own_white, slots_white};

/// Values that a lamp stood or will stand at, for a fade that runs from them or to them.
#[derive(Debug, Clone, Copy)]
pub struct Stand<'a> {
    /// Its slots, in the mode that it has now.
    pub slots: &'a [u8],
    /// What they give in lux at 1 m, gels in and the modifiers' loss not.
    pub lux_at_1m: f64,
}

/// Which values a lamp may take in this frame. Its light never steps back in a rise or a fall; a single
/// channel does by a step where the best values of the two ends lie the other way round in it.
#[derive(Debug, Clone, Copy)]
pub enum Step<'a> {
    /// Any: the best. For steady light, for a fade's last frame, and where the colour moves.
    Free,
    /// A level rises and the colour stands: no light channel goes down, nor over where it will land,
    /// and every other channel stays between the two.
    Rising {
        /// What was sent last.
        from: Stand<'a>,
        /// What the fade's last frame will send.
        to: Stand<'a>,
    },
    /// A level falls and the colour stands: no light channel goes up, nor under where it will land, and
    /// every other channel stays between the two.
    Falling {
        /// What was sent last.
        from: Stand<'a>,
        /// What the fade's last frame will send.
        to: Stand<'a>,
    },
}

/// Writes the slots of one lamp: of the values that `step` leaves, the best (see `round`), and never
/// more light or power than is allowed, for which a step gives way.
///
/// `slots` is its footprint, the first slot of the lamp first. A dark lamp keeps the colour values of
/// `allowed`, so that it starts in the right colour.
pub fn encode(fixture: &Fixture, allowed: &Allowed, step: Step<'_>, slots: &mut [u8]) {
    let channels = &fixture.mode.channels;
    for channel in channels {
        let value = match channel.drives {
            Drives::Fixed(value) | Drives::Strobe(value) => value,
            _ => 0,
        };
        put(channel, value, slots);
    }
    match &fixture.mode.mixing {
        Mixing::Dimmer => {
            for channel in channels.iter().filter(|c| c.drives == Drives::Intensity) {
                put(channel, level_value(channel, allowed.level()), slots);
            }
        }
        _ if allowed.level() > 0.0 => {
            let done = lit(fixture, allowed, step, slots)
                || stay_or_land(fixture, allowed, step, slots)
                || lit(fixture, allowed, Step::Free, slots);
            if !done {
                dark(fixture, allowed, slots);
            }
        }
        _ => dark(fixture, allowed, slots),
    }
}

/// Writes `wanted` (all slots of the footprint, as [`super::probe`] gives them) if they stand for no more
/// light and no more power than is allowed; false, and nothing written, if not. For readings of single
/// values, which must go out as they are and not as others that give the same.
pub fn encode_exact(fixture: &Fixture, allowed: &Allowed, wanted: &[u8], slots: &mut [u8]) -> bool {
    let fits = wanted.len() == slots.len() && allowed.level() > 0.0 && fixed_as_ever(fixture, wanted) && {
        let drives = decode(fixture, wanted);
        mix::light_of(&fixture.emitters, &drives).0 <= allowed.lux_at_1m(fixture) * (1.0 + round::HAIR)
            && mix::watts_of(&fixture.emitters, &drives).get() <= allowed.watts() * (1.0 + round::HAIR)
    };
    if fits {
        slots.copy_from_slice(wanted);
    }
    fits
}

/// Writes `wanted` if it stands for no light and no power at all: the slots of a dark lamp, whose colour may be any.
/// False, and nothing written, if not.
pub fn encode_dark(fixture: &Fixture, wanted: &[u8], slots: &mut [u8]) -> bool {
    let fits = wanted.len() == slots.len()
        && fixed_as_ever(fixture, wanted)
        && decode(fixture, wanted).iter().all(|drive| *drive <= 0.0);
    if fits {
        slots.copy_from_slice(wanted);
    }
    fits
}

/// True if every slot that no look sets has the value that it always has: what comes from a file must not bring a strobe
/// or a reset.
fn fixed_as_ever(fixture: &Fixture, wanted: &[u8]) -> bool {
    fixture.mode.channels.iter().all(|channel| match channel.drives {
        Drives::Fixed(value) | Drives::Strobe(value) => super::value_in(channel, wanted) == Some(value),
        _ => true,
    })
}

/// The slots that a forecast would give where `wanted` is to go out as it is: to be shown, never sent.
#[must_use]
pub fn preview_exact(fixture: &Fixture, forecast: &Forecast, wanted: &[u8]) -> Vec<u8> {
    let mut slots = vec![0; usize::from(fixture.mode.footprint())];
    if !encode_exact(fixture, forecast.shown(), wanted, &mut slots) {
        encode(fixture, forecast.shown(), Step::Free, &mut slots);
    }
    slots
}

/// Slots of a lamp that gives light; false if `step` leaves nothing that may be sent.
fn lit(fixture: &Fixture, allowed: &Allowed, step: Step<'_>, slots: &mut [u8]) -> bool {
    match &fixture.mode.mixing {
        Mixing::Emitters { intensity } => emitters(fixture, *intensity, allowed, step, slots),
        _ => own_mix(fixture, allowed, step, slots),
    }
}

/// Where the best of a fade's two ends lie the wrong way round: what was sent last if it may still be
/// sent, else what the last frame will send. False if neither may.
fn stay_or_land(fixture: &Fixture, allowed: &Allowed, step: Step<'_>, slots: &mut [u8]) -> bool {
    let (Step::Rising { from, to } | Step::Falling { from, to }) = step else { return false };
    let may_be_sent = |stand: &Stand<'_>| {
        let drives = decode(fixture, stand.slots);
        stand.lux_at_1m <= allowed.lux_at_1m(fixture) * (1.0 + round::HAIR)
            && mix::watts_of(&fixture.emitters, &drives).get() <= allowed.watts() * (1.0 + round::HAIR)
    };
    let Some(stand) = [from, to].into_iter().find(may_be_sent) else { return false };
    slots.copy_from_slice(stand.slots);
    true
}

/// Slots of a lamp that gives no light, in its colour.
fn dark(fixture: &Fixture, allowed: &Allowed, slots: &mut [u8]) {
    if let Mixing::Emitters { intensity } = fixture.mode.mixing {
        emitters_dark(fixture, intensity, allowed, slots);
    }
    let (dials, count) = dials(fixture, allowed, Step::Free);
    for dial in &dials[..count] {
        put(&fixture.mode.channels[dial.index], dial.value, slots);
    }
}

/// The slots that a forecast would give: to be shown, never sent.
#[must_use]
pub fn preview(fixture: &Fixture, forecast: &Forecast) -> Vec<u8> {
    let mut slots = vec![0; usize::from(fixture.mode.footprint())];
    encode(fixture, forecast.shown(), Step::Free, &mut slots);
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

/// Slots of a lamp whose emitters are driven one by one; false if `step` leaves nothing that may be sent.
fn emitters<'a>(
    fixture: &'a Fixture,
    intensity: Option<usize>,
    allowed: &Allowed,
    step: Step<'_>,
    slots: &mut [u8],
) -> bool {
    let channels = &fixture.mode.channels;
    let goal = goal(fixture, allowed, step);
    let strongest = allowed.mix().iter().fold(0.0_f64, |a, b| a.max(*b));
    // With a master the emitters hold the colour, and the level is the two together: the least master
    // value that can give it leaves the emitters their finest steps and meets the level between its own.
    let mut master = None;
    let mut share = allowed.level();
    if let Some(index) = intensity {
        let channel = &channels[index];
        let range = range(step, channel);
        let value = value_at_or_above(channel, share * strongest).clamp(range.0, range.1);
        let light = curve::of_value(&channel.curve, channel.bits, value);
        share = if light > 0.0 { share / light } else { 1.0 };
        master = Some(Master::new(channel, range, value));
    }
    let mut count = 0;
    let mut lanes = [None; MAX_EMITTERS];
    let mut drives = [0.0; MAX_EMITTERS];
    for channel in channels {
        if let Drives::Emitter(emitter) = channel.drives
            && count < MAX_EMITTERS
        {
            let lane = Lane::new(channel, &fixture.emitters[emitter], &goal, range(step, channel));
            drives[count] = allowed.mix()[emitter] * share;
            lanes[count] = Some(lane.down_to(drives[count]));
            count += 1;
        }
    }
    let Some(first) = lanes[0] else { return false };
    let exact = lanes.map(|lane| lane.unwrap_or(first));
    let mut start: Option<(f64, [Lane<'a>; MAX_EMITTERS])> = None;
    let mut consider = |lanes: [Lane<'a>; MAX_EMITTERS]| {
        if let Some(found) = round::standing(&lanes[..count], &goal, master.as_ref())
            && start.is_none_or(|(best, _)| found.error <= best)
        {
            start = Some((found.error, lanes));
        }
    };
    consider(exact);
    if let Step::Rising { from, to } | Step::Falling { from, to } = step {
        // Where it stands is mostly the best of its own neighbours already.
        for stand in [from, to] {
            consider(exact.map(|lane| lane.at(take(lane.channel(), stand.slots))));
        }
    }
    let coarse = |lane: &Lane<'_>| lane.channel().bits == Bits::Eight;
    if master.is_some() && !exact[..count].iter().all(coarse) {
        // A coarse channel among finer ones: the level at which it is met exactly, and the master makes
        // good. Without this the finer ones would have to walk there.
        for i in (0..count).filter(|i| coarse(&exact[*i])) {
            let scale = exact[i].light_now() / drives[i];
            if (0.1..1.0).contains(&scale) {
                let mut lanes = exact;
                for (lane, drive) in lanes.iter_mut().zip(drives) {
                    *lane = lane.down_to(drive * scale);
                }
                consider(lanes);
            }
        }
    }
    let Some((_, mut lanes)) = start else { return false };
    let lanes = &mut lanes[..count];
    let Some(found) = round::settle(lanes, &goal, master.as_ref()) else { return false };
    for lane in lanes.iter() {
        // Without light from a channel its emitter is sent nothing, whatever its curve's dark start.
        put(lane.channel(), if lane.light_now() > 0.0 { lane.value } else { 0 }, slots);
    }
    if let Some(index) = intensity {
        put(&channels[index], found.master, slots);
    }
    true
}

/// Slots of such a lamp that gives no light: the master at 0, the emitters in its colour at their finest.
fn emitters_dark(fixture: &Fixture, intensity: Option<usize>, allowed: &Allowed, slots: &mut [u8]) {
    let strongest = allowed.mix().iter().fold(0.0_f64, |a, b| a.max(*b));
    for channel in &fixture.mode.channels {
        if let Drives::Emitter(emitter) = channel.drives {
            let lit = intensity.is_some() && strongest > 0.0;
            let drive = if lit { allowed.mix()[emitter] / strongest } else { 0.0 };
            put(channel, level_value(channel, drive), slots);
        }
    }
}

/// What is to be met at 1 m.
fn goal(fixture: &Fixture, allowed: &Allowed, step: Step<'_>) -> Goal {
    let lux = allowed.lux_at_1m(fixture);
    let (least_lux, most_lux) = match step {
        Step::Free => (0.0, lux),
        Step::Rising { from, to } => (from.lux_at_1m, lux.min(to.lux_at_1m)),
        Step::Falling { from, to } => (to.lux_at_1m, lux.min(from.lux_at_1m)),
    };
    Goal { lux, uv: allowed.xy().uv76(), most_lux, least_lux, watts: allowed.watts() }
}

/// Least and greatest value that a step leaves a channel.
fn range(step: Step<'_>, channel: &Channel) -> (u16, u16) {
    let (from, to, rising) = match step {
        Step::Free => return (0, channel.bits.max()),
        Step::Rising { from, to } => (from, to, true),
        Step::Falling { from, to } => (from, to, false),
    };
    let (a, b) = (take(channel, from.slots), take(channel, to.slots));
    let gives_light = matches!(channel.drives, Drives::Intensity | Drives::Emitter(_));
    match (gives_light, rising, from.lux_at_1m > 0.0) {
        // Out of the dark the colour may be set anew.
        (true, true, false) => (0, b),
        (false, _, false) => (0, channel.bits.max()),
        (true, true, true) => (a, a.max(b)),
        (true, false, _) => (a.min(b), a),
        (false, _, true) => (a.min(b), a.max(b)),
    }
}

fn scaled(full: &[f64; MAX_EMITTERS], by: f64) -> [f64; MAX_EMITTERS] {
    full.map(|drive| drive * by)
}

fn level_value(channel: &Channel, light: f64) -> u16 {
    let value = curve::value_at_or_below(&channel.curve, channel.bits, light * (1.0 + round::HAIR));
    // Zero for a value without light, whatever the curve's dark start.
    if curve::of_value(&channel.curve, channel.bits, value) > 0.0 { value } else { 0 }
}

/// The least value whose light is not under `light`; full if none is.
fn value_at_or_above(channel: &Channel, light: f64) -> u16 {
    let value = curve::value_at_or_below(&channel.curve, channel.bits, light * (1.0 + round::HAIR));
    let under = curve::of_value(&channel.curve, channel.bits, value) < light * (1.0 - round::HAIR);
    // Under the curve's floor the next value that gives light is the floor's.
    let least = curve::floor_value(&channel.curve, channel.bits);
    if under && value < channel.bits.max() { (value + 1).max(least) } else { value }
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
