//! Slots back to light, as a lamp of the plan's figures would show it.
//!
//! Its own arithmetic throughout (curves, mixing, the way to the subject): it shares with the way out
//! only the plan's types, so that it can catch what the way out gets wrong. It knows nothing of heat,
//! of tolerances of real lamps, or of other lamps' light.

use super::white::{Gamut, most_light};
use crate::plan::{Bits, Channel, Curve, Drives, Emitter, Fixture, Mixing};
use crate::units::{Duv, Kelvin, Uv76, Xy};

/// The colour science that a decoder borrows: which chromaticity a white is, and back.
#[derive(Debug, Clone, Copy)]
pub struct WhiteScience {
    /// Chromaticity of a colour temperature and tint.
    pub xy_of: fn(Kelvin, Duv) -> Xy,
    /// Colour temperature and tint of a chromaticity; `None` where it has none.
    pub kelvin_of: fn(Xy) -> Option<(Kelvin, Duv)>,
}

/// What a fixture shows.
#[derive(Debug, Clone, PartialEq)]
pub struct Shown {
    /// Drive of each emitter, 0 to 1, in the profile's order.
    pub drives: Vec<f64>,
    /// Illuminance at 1 m in lux, this body's output and the gels' colour in, the modifiers' loss not.
    pub lux_at_1m: f64,
    /// Illuminance in lux at what it is aimed at: loss, distance and incidence in.
    pub lux: f64,
    /// Chromaticity as seen there; `None` when dark.
    pub xy: Option<Xy>,
    /// Electrical power in watts, standby included.
    pub watts: f64,
}

/// What `fixture` shows when it is sent `slots`: its own, from its first address on; missing ones
/// count as zero.
#[must_use]
pub fn shown(fixture: &Fixture, slots: &[u8], science: WhiteScience) -> Shown {
    let lamp = Lamp { fixture, slots, science };
    let mut drives = lamp.drives();
    drives.resize(fixture.profile.emitters.len(), 0.0);

    let seen = fixture.emitters.iter().zip(&drives);
    let (mut lux_at_1m, mut sum, mut sum_x, mut sum_y) = (0.0, 0.0, 0.0, 0.0);
    for (emitter, drive) in seen {
        let light = emitter.lux_at_1m * drive;
        // X + Y + Z of its light: chromaticities mix by this weight (CIE 15, 7.3).
        let weight = light / emitter.xy.y;
        lux_at_1m += light;
        sum += weight;
        sum_x += weight * emitter.xy.x;
        sum_y += weight * emitter.xy.y;
    }
    // Inverse square and cosine laws (CIE: E = I cos(e) / d^2); lux at 1 m is candela.
    let on_the_way =
        (-fixture.loss.get()).exp2() * fixture.place.incidence_cosine / fixture.place.distance_m.powi(2);
    let emitters = fixture.profile.emitters.iter().zip(&drives);
    Shown {
        lux_at_1m,
        lux: lux_at_1m * on_the_way,
        xy: (lux_at_1m > 0.0 && sum > 0.0).then(|| Xy { x: sum_x / sum, y: sum_y / sum }),
        watts: fixture.profile.standby.get() + emitters.map(|(e, d)| e.watts.get() * d).sum::<f64>(),
        drives,
    }
}

/// A lamp with its slots.
struct Lamp<'a> {
    fixture: &'a Fixture,
    slots: &'a [u8],
    science: WhiteScience,
}

impl Lamp<'_> {
    /// What the lamp itself drives its emitters to.
    fn drives(&self) -> Vec<f64> {
        let bare = &self.fixture.profile.emitters;
        match self.fixture.mode.mixing {
            Mixing::Dimmer => {
                let level = self.first(|d| *d == Drives::Intensity).map_or(0.0, |c| self.light(c));
                vec![level; bare.len()]
            }
            Mixing::Emitters { intensity } => {
                let master = intensity.map_or(1.0, |i| self.level(i));
                (0..bare.len())
                    .map(|i| self.first(|d| *d == Drives::Emitter(i)).map_or(0.0, |c| self.light(c) * master))
                    .collect()
            }
            Mixing::White { intensity, kelvin, tint } => {
                scaled(most_light(bare, self.white(kelvin, tint)), self.level(intensity))
            }
            Mixing::HueSaturation { intensity, hue, saturation, white } => {
                let gamut = Gamut::of(bare);
                let white = gamut.reach((self.science.xy_of)(white, Duv::ZERO).uv76());
                let angle = self.share_at(hue) * std::f64::consts::TAU;
                let away = self.share_at(saturation) * gamut.edge_distance(white, angle);
                let wanted = Uv76 { u: white.u + away * angle.cos(), v: white.v + away * angle.sin() };
                scaled(most_light(bare, gamut.reach(wanted).xy()), self.level(intensity))
            }
        }
    }

    /// The white that a lamp which mixes by itself is set to, as near as its emitters come.
    fn white(&self, kelvin: usize, tint: Option<usize>) -> Xy {
        let bare = &self.fixture.profile.emitters;
        let cct = match self.channel(kelvin).map(|c| (c, c.drives)) {
            Some((c, Drives::Kelvin(from, to))) => {
                Kelvin::clamped(from.get() + (to.get() - from.get()) * self.share(c))
            }
            _ => Kelvin::clamped(6500.0),
        };
        let duv = match tint.and_then(|i| self.channel(i)).map(|c| (c, c.drives)) {
            Some((c, Drives::Tint(from, to))) => Duv::clamped(from + (to - from) * self.share(c)),
            _ => Duv::ZERO,
        };
        match (tint, &bare[..]) {
            (None, [one, two]) => self.on_the_line(one, two, cct),
            _ => Gamut::of(bare).reach((self.science.xy_of)(cct, duv).uv76()).xy(),
        }
    }

    /// The point between two emitters that has this colour temperature, by halving; an end where
    /// neither side has one.
    fn on_the_line(&self, one: &Emitter, two: &Emitter, cct: Kelvin) -> Xy {
        let (one, two) = (one.xy.uv76(), two.xy.uv76());
        let kelvin =
            |weight: f64| (self.science.kelvin_of)(one.towards(two, weight).xy()).map(|(k, _)| k.get());
        let (Some(at_one), Some(at_two)) = (kelvin(0.0), kelvin(1.0)) else {
            let wanted = (self.science.xy_of)(cct, Duv::ZERO).uv76();
            return Gamut::of(&self.fixture.profile.emitters).reach(wanted).xy();
        };
        let (mut cool, mut warm) = if at_one > at_two { (0.0, 1.0) } else { (1.0, 0.0) };
        let wanted = cct.get().clamp(at_one.min(at_two), at_one.max(at_two));
        for _ in 0..60 {
            let middle = (cool + warm) / 2.0;
            match kelvin(middle) {
                Some(k) if k > wanted => cool = middle,
                _ => warm = middle,
            }
        }
        one.towards(two, (cool + warm) / 2.0).xy()
    }

    fn channel(&self, index: usize) -> Option<&Channel> {
        self.fixture.mode.channels.get(index)
    }

    fn first(&self, wanted: impl Fn(&Drives) -> bool) -> Option<&Channel> {
        self.fixture.mode.channels.iter().find(|c| wanted(&c.drives))
    }

    /// Light of a channel by its index, 0 to 1.
    fn level(&self, index: usize) -> f64 {
        self.channel(index).map_or(0.0, |c| self.light(c))
    }

    /// Value of a channel by its index as a share of full.
    fn share_at(&self, index: usize) -> f64 {
        self.channel(index).map_or(0.0, |c| self.share(c))
    }

    /// Value of a channel as a share of full.
    fn share(&self, channel: &Channel) -> f64 {
        let slot = |n: u16| f64::from(self.slots.get(usize::from(n)).copied().unwrap_or(0));
        match channel.bits {
            Bits::Eight => slot(channel.offset) / 255.0,
            Bits::Sixteen => {
                (256.0 * slot(channel.offset) + slot(channel.offset.saturating_add(1))) / 65_535.0
            }
        }
    }

    /// Light of a channel, 0 to 1, through its curve.
    fn light(&self, channel: &Channel) -> f64 {
        let share = self.share(channel);
        match channel.curve {
            Curve::Linear => share,
            Curve::Square => share * share,
            Curve::Gamma22 => share.powf(2.2),
            // Lightness L* to relative light. Source: CIE 15, 8.2.1, inverse.
            Curve::Lightness => {
                let lightness = 100.0 * share;
                if lightness > 8.0 {
                    ((lightness + 16.0) / 116.0).powi(3)
                } else {
                    lightness * 27.0 / 24_389.0
                }
            }
        }
    }
}

fn scaled(mut drives: Vec<f64>, level: f64) -> Vec<f64> {
    for drive in &mut drives {
        *drive *= level;
    }
    drives
}
