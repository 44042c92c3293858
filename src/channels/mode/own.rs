//! Lamps that mix their colour by themselves: a white, or hue and saturation.

use super::{Step, goal, put, quantity, range, ratio_value, scaled, take};
use crate::channels::curve;
use crate::channels::round::{self, Found, Goal, Master, Parts};
use crate::guards::Allowed;
use crate::light::{asked, colour, mix};
use crate::plan::{Fixture, MAX_EMITTERS, Mixing};
use crate::units::{Duv, Kelvin, Xy};

/// Errors nearer to each other than this, absolute and relative, are one: they come from two ways to one
/// sum, each right to some 1e-12.
const SAME_ERROR: f64 = 1e-9;

/// A channel of a lamp that mixes by itself.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Dial {
    /// Index of the channel.
    pub index: usize,
    range: (u16, u16),
    /// Where it stands.
    pub value: u16,
}

/// The channels that set the colour of a lamp that mixes by itself, at the values nearest to the colour
/// that is allowed, and how many they are.
pub(super) fn dials(fixture: &Fixture, allowed: &Allowed, step: Step<'_>) -> ([Dial; 2], usize) {
    let channels = &fixture.mode.channels;
    let dial = |index: usize, quantity: f64| {
        let range = range(step, &channels[index]);
        Dial { index, range, value: ratio_value(&channels[index], quantity).clamp(range.0, range.1) }
    };
    match &fixture.mode.mixing {
        Mixing::White { kelvin, tint, .. } => {
            let (k, duv) = white_of(fixture, allowed);
            let channel = &channels[*kelvin];
            let kelvin_dial = dial(*kelvin, asked::asked(channel, k));
            // The tint that the rounded kelvin value brings along is the tint channel's to make up.
            let own = asked::own_duv(channel, quantity(channel, kelvin_dial.value));
            let tint_dial = tint.map(|t| dial(t, asked::asked(&channels[t], duv - own)));
            ([kelvin_dial, tint_dial.unwrap_or_default()], 1 + usize::from(tint.is_some()))
        }
        Mixing::HueSaturation { hue, saturation, white, .. } => {
            let bare = &fixture.profile.emitters;
            let lamp_white = colour::xy_of(*white, Duv::ZERO);
            let wanted = mix::light_of(bare, allowed.mix()).1.unwrap_or(lamp_white);
            let (hue_deg, share) = mix::hue_within(bare, lamp_white, wanted);
            let set = |index: usize, wanted: f64| dial(index, asked::asked(&channels[index], wanted));
            ([set(*hue, hue_deg), set(*saturation, share)], 2)
        }
        Mixing::Dimmer | Mixing::Emitters { .. } => ([Dial::default(); 2], 0),
    }
}

/// What a lamp that mixes by itself drives at full intensity with its colour channels at `values`.
fn own_full(fixture: &Fixture, values: [u16; 2]) -> [f64; MAX_EMITTERS] {
    match &fixture.mode.mixing {
        Mixing::White { kelvin, tint, .. } => {
            own_white(fixture, values_white(fixture, *kelvin, *tint, values))
        }
        Mixing::HueSaturation { hue, saturation, white, .. } => {
            let white = colour::xy_of(*white, Duv::ZERO);
            own_colour(fixture, white, (values[0], *hue), (values[1], *saturation))
        }
        Mixing::Dimmer | Mixing::Emitters { .. } => [0.0; MAX_EMITTERS],
    }
}

/// Slots of a lamp that mixes by itself; false if `step` leaves nothing that may be sent.
pub(super) fn own_mix(fixture: &Fixture, allowed: &Allowed, step: Step<'_>, slots: &mut [u8]) -> bool {
    let channels = &fixture.mode.channels;
    let (Mixing::White { intensity, .. } | Mixing::HueSaturation { intensity, .. }) = fixture.mode.mixing
    else {
        return false;
    };
    let goal = goal(fixture, allowed, step);
    let level = &channels[intensity];
    let near = curve::value_at_or_below(&level.curve, level.bits, allowed.level());
    let master = Master::new(level, range(step, level), near);
    let (dials, count) = dials(fixture, allowed, step);
    let measured = asked::white_is_measured(fixture);
    let judge = |values: [u16; 2]| {
        let full = own_full(fixture, values);
        let (lux, mut xy) = mix::light_of(&fixture.emitters, &full);
        if let (Mixing::White { kelvin, tint, .. }, Some(seen), true) = (&fixture.mode.mixing, xy, measured) {
            let own = values_white(fixture, *kelvin, *tint, values);
            xy = Some(asked::seen_xy(fixture, &full, own, seen));
        }
        let watts = mix::watts_of(&fixture.emitters, &full).get();
        round::of_whole(&goal, &master, lux, xy.map_or(0.0, |xy| xy.uv76().distance(goal.uv)), watts)
    };
    let ranges = [dials[0].range, dials[1].range];
    let mut starts = [Some([dials[0].value, dials[1].value]), None, None];
    if let Step::Rising { from, to } | Step::Falling { from, to } = step {
        for (start, stand) in starts[1..].iter_mut().zip([from, to]) {
            let value = |d: &Dial| take(&channels[d.index], stand.slots).clamp(d.range.0, d.range.1);
            *start = Some([value(&dials[0]), if count > 1 { value(&dials[1]) } else { 0 }]);
        }
    }
    let mut best: Option<([u16; 2], Found)> = None;
    for start in starts.into_iter().flatten() {
        if let Some(found) = judge(start)
            && best.is_none_or(|(_, best)| found.error <= best.error)
        {
            best = Some((start, found));
        }
    }
    let Some(start) = best else { return false };
    let (values, found) = match wheel_search(fixture, &goal, &master, start, &ranges, judge) {
        Some(found) => found,
        None => round::search(start, &ranges[..count], judge),
    };
    for (dial, value) in dials[..count].iter().zip(values) {
        put(&channels[dial.index], value, slots);
    }
    put(&channels[intensity], found.master, slots);
    true
}

/// The search of a lamp of hue and saturation by its [`mix::Wheel`]: the same to rounding, and several times
/// as fast. What it finds is judged by the whole solver; `None` if that does not agree.
fn wheel_search(
    fixture: &Fixture,
    goal: &Goal,
    master: &Master<'_>,
    start: ([u16; 2], Found),
    ranges: &[(u16, u16)],
    judge: impl Fn([u16; 2]) -> Option<Found>,
) -> Option<([u16; 2], Found)> {
    let Mixing::HueSaturation { hue, saturation, white, .. } = &fixture.mode.mixing else { return None };
    let wheel = mix::Wheel::of(&fixture.profile.emitters, colour::xy_of(*white, Duv::ZERO));
    let parts = Parts::of(&fixture.emitters, goal);
    let (values, quick) = round::search(start, ranges, |values| {
        let (hue, saturation) =
            (given_by(fixture, *hue, values[0]), given_by(fixture, *saturation, values[1]));
        match wheel.drives(hue, saturation.clamp(0.0, 1.0)) {
            Some(drives) => parts.judge(&drives, goal, master),
            None => judge(values),
        }
    });
    let found = judge(values)?;
    ((found.error - quick.error).abs() <= SAME_ERROR * (1.0 + found.error)).then_some((values, found))
}

/// What a colour channel truly gives at a value: kelvin, Duv, degrees, or a share from 0 to 1.
fn given_by(fixture: &Fixture, index: usize, value: u16) -> f64 {
    let channel = &fixture.mode.channels[index];
    asked::given(channel, quantity(channel, value))
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
pub(super) fn own_white(fixture: &Fixture, (kelvin, duv): (f64, f64)) -> [f64; MAX_EMITTERS] {
    let white = (Kelvin::clamped(kelvin), Duv::clamped(duv));
    let most = mix::most_light_white(&fixture.profile.emitters, white.0, white.1).drives;
    scaled(&most, asked::light_share(fixture, kelvin))
}

/// Drives of a self-mixing lamp at full intensity and these hue and saturation values.
pub(super) fn own_colour(
    fixture: &Fixture,
    white: Xy,
    hue: (u16, usize),
    saturation: (u16, usize),
) -> [f64; MAX_EMITTERS] {
    let given = |(value, index): (u16, usize)| given_by(fixture, index, value);
    let bare = &fixture.profile.emitters;
    let target = mix::xy_within(bare, white, given(hue), given(saturation).clamp(0.0, 1.0));
    mix::most_light(bare, target).drives
}

/// True white (kelvin, Duv) at these values of a kelvin and a tint channel.
fn values_white(fixture: &Fixture, kelvin: usize, tint: Option<usize>, values: [u16; 2]) -> (f64, f64) {
    let channels = &fixture.mode.channels;
    let tint_channel = tint.map(|index| &channels[index]);
    let asked_duv = tint_channel.map_or(0.0, |channel| quantity(channel, values[1]));
    asked::true_white(&channels[kelvin], tint_channel, quantity(&channels[kelvin], values[0]), asked_duv)
}

/// True white (kelvin, Duv) that the slots of a lamp which mixes a white by itself ask for.
pub(super) fn slots_white(fixture: &Fixture, kelvin: usize, tint: Option<usize>, slots: &[u8]) -> (f64, f64) {
    let value = |index: usize| take(&fixture.mode.channels[index], slots);
    values_white(fixture, kelvin, tint, [value(kelvin), tint.map_or(0, value)])
}

/// The white that a meter has told these slots to give, where one has.
pub(in crate::channels) fn measured_white(fixture: &Fixture, slots: &[u8]) -> Option<(f64, f64)> {
    match fixture.mode.mixing {
        Mixing::White { kelvin, tint, .. } if asked::white_is_measured(fixture) => {
            Some(slots_white(fixture, kelvin, tint, slots))
        }
        _ => None,
    }
}
