//! Random lamps, and what their slots give, worked out the plain way.

use std::sync::{Arc, LazyLock};

use lampkeep::guards::{self, Allowed, Conditions, Holds, Standing};
use lampkeep::light::{Colour, Demand, solve};
use lampkeep::plan::{Bits, Channel, Cooling, Curve, Drives, Emitter, Fixture, Law, Mixing, Mode, load};
use lampkeep::units::{Kelvin, Share, Stops, Watts, Xy};
use proptest::prelude::*;

/// All dimming laws.
pub const CURVES: [Curve; 4] = [Curve::LINEAR, Curve::SQUARE, Curve::GAMMA_22, Curve::LIGHTNESS];

/// A lamp on the demo's key stand, 1 m off without loss, so that lux at the aim is lux at 1 m.
static STAND: LazyLock<Fixture> = LazyLock::new(|| {
    let plan = load::demo();
    let mut fixture = plan.fixtures[0].clone();
    fixture.place.distance_m = 1.0;
    fixture.place.incidence_cosine = 1.0;
    fixture.loss = Stops::clamped(0.0);
    fixture.limits.ceiling = Share::FULL;
    fixture.limits.floor = Share::NONE;
    fixture.limits.rise_per_s = None;
    fixture.absent = None;
    fixture
});

/// A channel before it has its place.
pub type Slot = (Drives, Bits, Curve);

/// A lamp of these emitters and channels.
pub fn lamp(emitters: Vec<Emitter>, slots: &[Slot], mixing: Mixing) -> Fixture {
    let mut fixture = STAND.clone();
    let mut offset = 0;
    let mut channels = Vec::new();
    for (drives, bits, curve) in slots {
        channels.push(Channel { drives: *drives, bits: *bits, curve: curve.clone(), measured: None, offset });
        offset += bits.slots();
    }
    let mode = Mode { name: "test".to_owned(), channels, mixing };
    let mut profile = (*fixture.profile).clone();
    profile.emitters.clone_from(&emitters);
    profile.standby = Watts::clamped(0.0);
    profile.cooling = Cooling::Fan;
    profile.modes = vec![mode.clone()];
    fixture.profile = Arc::new(profile);
    fixture.mode = mode;
    fixture.emitters = emitters;
    fixture
}

/// Places of the usual emitters in x,y with their light, invented: coloured ones, then whites.
const USUAL: [(f64, f64, f64); 9] = [
    (0.690, 0.305, 200.0),
    (0.190, 0.720, 450.0),
    (0.150, 0.040, 70.0),
    (0.460, 0.412, 900.0),
    (0.313, 0.327, 950.0),
    (0.382, 0.529, 700.0),
    (0.565, 0.434, 250.0),
    (0.080, 0.480, 300.0),
    (0.170, 0.010, 20.0),
];

/// One to `most` emitters: the first three make a gamut, the others come in any order.
pub fn emitters(least: usize, most: usize) -> impl Strategy<Value = Vec<Emitter>> {
    let one = (0..USUAL.len(), -0.02_f64..0.02, -0.02_f64..0.02, -1.0_f64..1.0, 0.0_f64..40.0);
    prop::collection::vec(one, least..=most).prop_map(|list| {
        list.into_iter()
            .enumerate()
            .map(|(i, (any, dx, dy, stops, watts))| {
                let (x, y, lux) = USUAL[if i < 3 { i } else { any }];
                Emitter {
                    name: format!("e{i}"),
                    xy: Xy { x: (x + dx).max(0.01), y: (y + dy).max(0.01) },
                    lux_at_1m: lux * stops.exp2(),
                    // Some draw nothing that anybody has measured.
                    watts: Watts::clamped(if watts < 2.0 { 0.0 } else { watts }),
                    spectrum: None,
                }
            })
            .collect()
    })
}

pub fn any_curve() -> impl Strategy<Value = Curve> {
    prop::sample::select(CURVES.to_vec())
}

pub fn any_bits() -> impl Strategy<Value = Bits> {
    prop::sample::select(vec![Bits::Eight, Bits::Sixteen])
}

/// A lamp whose emitters are driven one by one, now and then with a master, and the weights of a
/// colour that it has.
pub fn by_emitters(most: usize) -> impl Strategy<Value = (Fixture, Vec<f64>)> {
    let channels = prop::collection::vec((any_bits(), any_curve()), most);
    let weights = prop::collection::vec(prop_oneof![3 => 0.0_f64..1.0, 1 => Just(0.0)], most);
    let master = prop_oneof![3 => Just(None), 2 => (any_bits(), any_curve()).prop_map(Some)];
    let alike = prop::bool::weighted(0.7);
    (emitters(1, most), channels, master, alike, weights).prop_map(
        |(emitters, channels, master, alike, weights)| {
            let mut slots: Vec<Slot> =
                master.iter().map(|(b, c)| (Drives::Intensity, *b, c.clone())).collect();
            for i in 0..emitters.len() {
                let (bits, curve) = channels[if alike { 0 } else { i }].clone();
                slots.push((Drives::Emitter(i), bits, curve));
            }
            let mixing = Mixing::Emitters { intensity: master.map(|_| 0) };
            (lamp(emitters, &slots, mixing), weights)
        },
    )
}

/// A lamp that mixes by itself: kelvin, kelvin and tint, or hue and saturation.
pub fn self_mixing() -> impl Strategy<Value = Fixture> {
    (emitters(3, 5), 0..3, any_bits(), any_bits(), any_curve()).prop_map(
        |(emitters, kind, bits, level_bits, curve)| {
            let kelvin = Drives::Kelvin(Kelvin::clamped(2700.0), Kelvin::clamped(6500.0));
            let level = (Drives::Intensity, level_bits, curve);
            let own = |drives| (drives, bits, Curve::LINEAR);
            let white = Kelvin::clamped(5000.0);
            match kind {
                0 => lamp(
                    emitters,
                    &[level, own(kelvin)],
                    Mixing::White { intensity: 0, kelvin: 1, tint: None },
                ),
                1 => lamp(
                    emitters,
                    &[level, own(kelvin), own(Drives::Tint(-0.02, 0.02))],
                    Mixing::White { intensity: 0, kelvin: 1, tint: Some(2) },
                ),
                _ => lamp(
                    emitters,
                    &[level, own(Drives::Hue), own(Drives::Saturation)],
                    Mixing::HueSaturation { intensity: 0, hue: 1, saturation: 2, white },
                ),
            }
        },
    )
}

/// What may be sent of `colour`, `stops` under the lamp's most light at it.
pub fn allowed(fixture: &Fixture, colour: Colour, stops: f64) -> Allowed {
    let full = solve::reach(fixture, &Demand { lux: 1.0, colour }).full_lux;
    let reach = solve::reach(fixture, &Demand { lux: full * (-stops).exp2(), colour });
    let now = Conditions { real_output: false, period_s: 0.025, absent: false, protected: false };
    guards::allow(fixture, &reach, &now, &Holds::default(), &mut Standing::default())
}

/// The colour of the emitters at these weights; `None` if all are dark.
pub fn colour_of(emitters: &[Emitter], weights: &[f64]) -> Option<Colour> {
    let drives = emitters.iter().zip(weights);
    let light = plain_light(drives.map(|(e, w)| (e, *w)));
    light.uv.map(|[u, v]| Colour::Uv(lampkeep::units::Uv76 { u, v }))
}

/// What some drives give, by CIE X, Y, Z.
#[derive(Debug, Clone, Copy)]
pub struct Light {
    pub lux: f64,
    pub watts: f64,
    pub uv: Option<[f64; 2]>,
}

/// Source: CIE 15: XYZ add; x = X / (X + Y + Z); u' = 4X / (X + 15Y + 3Z), v' = 9Y / (same).
pub fn plain_light<'a>(drives: impl Iterator<Item = (&'a Emitter, f64)>) -> Light {
    let (mut x, mut y, mut z, mut watts) = (0.0, 0.0, 0.0, 0.0);
    for (e, drive) in drives {
        x += e.xy.x / e.xy.y * e.lux_at_1m * drive;
        y += e.lux_at_1m * drive;
        z += (1.0 - e.xy.x - e.xy.y) / e.xy.y * e.lux_at_1m * drive;
        watts += e.watts.get() * drive;
    }
    let sum = x + 15.0 * y + 3.0 * z;
    Light { lux: y, watts, uv: (y > 0.0).then(|| [4.0 * x / sum, 9.0 * y / sum]) }
}

/// Relative light of a value. Source: the laws as `docs/light.md` states them (CIE 15 for lightness).
pub fn plain_curve(curve: &Curve, bits: Bits, value: u16) -> f64 {
    let q = f64::from(value) / if bits == Bits::Eight { 255.0 } else { 65_535.0 };
    match curve.law {
        Law::Linear => q,
        Law::Square => q.powi(2),
        Law::Gamma(gamma) => q.powf(gamma),
        Law::Lightness if q > 0.08 => ((100.0 * q + 16.0) / 116.0).powi(3),
        Law::Lightness => 100.0 * q * 27.0 / 24_389.0,
        Law::Table(_) => unreachable!("no lamp of these tests is measured"),
    }
}

/// Values of a lamp's channels.
pub fn values(fixture: &Fixture, slots: &[u8]) -> Vec<u16> {
    let value = |c: &Channel| {
        let at = usize::from(c.offset);
        if c.bits == Bits::Eight {
            u16::from(slots[at])
        } else {
            u16::from(slots[at]) * 256 + u16::from(slots[at + 1])
        }
    };
    fixture.mode.channels.iter().map(value).collect()
}

/// Slots of these values.
pub fn slots(fixture: &Fixture, values: &[u16]) -> Vec<u8> {
    let mut slots = Vec::new();
    for (channel, value) in fixture.mode.channels.iter().zip(values) {
        match channel.bits {
            Bits::Eight => slots.push(*value as u8),
            Bits::Sixteen => slots.extend([(value / 256) as u8, (value % 256) as u8]),
        }
    }
    slots
}

/// What the values of a lamp of emitters give.
pub fn given(fixture: &Fixture, values: &[u16]) -> Light {
    let mut master = 1.0;
    let mut drives = vec![0.0; fixture.emitters.len()];
    for (channel, value) in fixture.mode.channels.iter().zip(values) {
        let light = plain_curve(&channel.curve, channel.bits, *value);
        match channel.drives {
            Drives::Intensity => master = light,
            Drives::Emitter(i) => drives[i] = light,
            _ => {}
        }
    }
    plain_light(fixture.emitters.iter().zip(&drives).map(|(e, d)| (e, d * master)))
}

/// The error as the requirement states it: the greater of light error over 0.01 stop and u'v' distance over
/// 0.0005; infinite for no light.
pub fn error(allowed: &Allowed, light: &Light) -> f64 {
    let Some([u, v]) = light.uv else { return f64::INFINITY };
    let asked = allowed.xy();
    let d = -2.0 * asked.x + 12.0 * asked.y + 3.0;
    let off = (u - 4.0 * asked.x / d).hypot(v - 9.0 * asked.y / d);
    ((light.lux / allowed.lux()).log2().abs() / 0.01).max(off / 0.0005)
}
