//! Slots back to light, as a lamp of the plan's figures would show it.
//!
//! Its own arithmetic throughout (curves, mixing, the way to the subject): it shares with the way out
//! only the plan's types, so that it can catch what the way out gets wrong. It knows nothing of heat,
//! of tolerances of real lamps, or of other lamps' light.

use super::curve;
use super::white::{Gamut, most_light};
use crate::plan::{Bits, Channel, Drives, Emitter, Fixture, Law, Mixing, TrueTable};
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
    let (lux_at_1m, mut xy) = sum(seen);
    let bare = sum(fixture.profile.emitters.iter().zip(&drives)).1;
    if let (Some((own_k, own_duv)), Some(bare), Some(seen)) =
        (lamp.measured_white(), bare.and_then(science.kelvin_of), xy.and_then(science.kelvin_of))
    {
        // What the gels do to the lamp's light in the model they do to its true light.
        let mired = 1e6 / own_k + (1e6 / seen.0.get() - 1e6 / bare.0.get());
        let duv = own_duv + (seen.1.get() - bare.1.get());
        xy = Some((science.xy_of)(Kelvin::clamped(1e6 / mired), Duv::clamped(duv)));
    }
    // A matt disc of area pi R² and this reading at 1 m, on its axis: E ~ 1 / (d² + R²). A point has no R.
    let r2 = fixture.radius_m.map_or(0.0, |r| r * r);
    let from_1m = (1.0 + r2) / (fixture.place.distance_m.powi(2) + r2);
    let on_the_way = (-fixture.loss.get()).exp2() * fixture.place.incidence_cosine * from_1m;
    // This body's own watts, where its owner measured them.
    let emitters = fixture.emitters.iter().zip(&drives);
    Shown {
        lux_at_1m,
        lux: lux_at_1m * on_the_way,
        xy,
        watts: fixture.profile.standby.get() + emitters.map(|(e, d)| e.watts.get() * d).sum::<f64>(),
        drives,
    }
}

/// Light at 1 m in lux and chromaticity of some emitters, each with its drive.
fn sum<'a>(lit: impl Iterator<Item = (&'a Emitter, &'a f64)>) -> (f64, Option<Xy>) {
    let (mut lux_at_1m, mut sum, mut sum_x, mut sum_y) = (0.0, 0.0, 0.0, 0.0);
    for (emitter, drive) in lit {
        let light = emitter.lux_at_1m * drive;
        // X + Y + Z of its light: chromaticities mix by this weight (CIE 15, 7.3).
        let weight = light / emitter.xy.y;
        lux_at_1m += light;
        sum += weight;
        sum_x += weight * emitter.xy.x;
        sum_y += weight * emitter.xy.y;
    }
    (lux_at_1m, (lux_at_1m > 0.0 && sum > 0.0).then(|| Xy { x: sum_x / sum, y: sum_y / sum }))
}

/// Asked and read, in a table's own scale.
fn told(table: &TrueTable) -> Vec<(f64, f64)> {
    table.points().iter().map(|p| (p.asked, p.given)).collect()
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
                let full = self.light_share(kelvin, tint);
                scaled(most_light(bare, self.white(kelvin, tint)), self.level(intensity) * full)
            }
            Mixing::HueSaturation { intensity, hue, saturation, white } => {
                let gamut = Gamut::of(bare);
                let white = gamut.reach((self.science.xy_of)(white, Duv::ZERO).uv76());
                let angle = self.true_at(hue, 360.0).to_radians();
                let away = self.true_at(saturation, 1.0).clamp(0.0, 1.0) * gamut.edge_distance(white, angle);
                let wanted = Uv76 { u: white.u + away * angle.cos(), v: white.v + away * angle.sin() };
                scaled(most_light(bare, gamut.reach(wanted).xy()), self.level(intensity))
            }
        }
    }

    /// The white that a lamp which mixes by itself is set to, as near as its emitters come.
    fn white(&self, kelvin: usize, tint: Option<usize>) -> Xy {
        let bare = &self.fixture.profile.emitters;
        let (cct, duv) = self.own_white(kelvin, tint);
        let (cct, duv) = (Kelvin::clamped(cct), Duv::clamped(duv));
        match (tint, &bare[..]) {
            (None, [one, two]) => self.on_the_line(one, two, cct),
            _ => Gamut::of(bare).reach((self.science.xy_of)(cct, duv).uv76()).xy(),
        }
    }

    /// Colour temperature and tint that the lamp gives when it is set like this: as its slots say, or as
    /// a meter has told.
    fn own_white(&self, kelvin: usize, tint: Option<usize>) -> (f64, f64) {
        let asked = |channel: &Channel| match channel.drives {
            Drives::Kelvin(from, to) => from.get() + (to.get() - from.get()) * self.share(channel),
            Drives::Tint(from, to) => from + (to - from) * self.share(channel),
            _ => 6500.0,
        };
        let duv = tint.and_then(|i| self.channel(i)).map_or(0.0, |channel| {
            let asked = if matches!(channel.drives, Drives::Tint(..)) { asked(channel) } else { 0.0 };
            channel.measured.as_ref().map_or(asked, |table| curve::straight(&told(table), asked))
        });
        let Some(channel) = self.channel(kelvin) else { return (6500.0, duv) };
        let Some(table) = &channel.measured else { return (asked(channel), duv) };
        let mired = 1e6 / asked(channel);
        let tints: Vec<_> = table.points().iter().map(|p| (p.asked, p.duv)).collect();
        let given = curve::straight(&told(table), mired);
        (1e6 / given, curve::level_ends(&tints, mired) + duv)
    }

    /// How much of what its emitters could mix the lamp gives at full in this white.
    fn light_share(&self, kelvin: usize, tint: Option<usize>) -> f64 {
        let Some(table) = self.channel(kelvin).and_then(|c| c.measured.as_ref()) else { return 1.0 };
        let lights: Vec<_> = table.points().iter().map(|p| (p.given, p.light)).collect();
        curve::level_ends(&lights, 1e6 / self.own_white(kelvin, tint).0)
    }

    /// What a meter has told of the lamp's white, if one has.
    fn measured_white(&self) -> Option<(f64, f64)> {
        let Mixing::White { kelvin, tint, .. } = self.fixture.mode.mixing else { return None };
        self.channel(kelvin)?.measured.as_ref()?;
        Some(self.own_white(kelvin, tint))
    }

    /// A channel's value as a part of `whole`, or what a meter has told of it.
    fn true_at(&self, index: usize, whole: f64) -> f64 {
        let asked = self.share_at(index) * whole;
        match self.channel(index).and_then(|c| c.measured.as_ref()) {
            Some(table) => curve::straight(&told(table), asked),
            None => asked,
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
        if share < channel.curve.floor {
            return 0.0;
        }
        match &channel.curve.law {
            Law::Linear => share,
            Law::Square => share * share,
            Law::Gamma(gamma) => (gamma * share.ln()).exp(),
            // Lightness L* to relative light. Source: CIE 15, 8.2.1, inverse.
            Law::Lightness => {
                let lightness = 100.0 * share;
                if lightness > 8.0 {
                    ((lightness + 16.0) / 116.0).powi(3)
                } else {
                    lightness * 27.0 / 24_389.0
                }
            }
            Law::Table(table) => {
                let points: Vec<(f64, f64)> = table.knots().iter().map(|k| (k.q, k.light)).collect();
                curve::monotone(&points, share)
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

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::plan::{
        Address, Aim, Control, Cooling, Curve, FramesStop, Limits, Mode, OutputId, Placement, PowerUp,
        Profile,
    };
    use crate::units::{Share, Stops, Watts};
    use proptest::prelude::*;

    /// Planckian x, y. Source: Kim et al. 2002, cubic splines, 1667 to 25 000 K, from memory; good to
    /// some 1e-4. Tint is left out: none of these tests has any but zero.
    fn planckian(kelvin: Kelvin, _: Duv) -> Xy {
        let t = kelvin.get().max(1667.0);
        let cubic = |[a, b, c, d]: [f64; 4], x: f64| ((a * x + b) * x + c) * x + d;
        let x = if t <= 4000.0 {
            cubic([-0.266_123_9, -0.234_358_9, 0.877_695_6, 0.179_910], 1000.0 / t)
        } else {
            cubic([-3.025_846_9, 2.107_037_9, 0.222_634_7, 0.240_390], 1000.0 / t)
        };
        let y = if t <= 2222.0 {
            cubic([-1.106_381_4, -1.348_110_2, 2.185_558_32, -0.202_196_83], x)
        } else if t <= 4000.0 {
            cubic([-0.954_947_6, -1.374_185_93, 2.091_370_15, -0.167_488_67], x)
        } else {
            cubic([3.081_758_0, -5.873_386_7, 3.751_129_97, -0.370_014_83], x)
        };
        Xy { x, y }
    }

    /// Source: McCamy 1992, from memory; good to some kelvin between 2000 and 10 000 K.
    fn mccamy(xy: Xy) -> Option<(Kelvin, Duv)> {
        let n = (xy.x - 0.3320) / (0.1858 - xy.y);
        Some((Kelvin::clamped(((449.0 * n + 3525.0) * n + 6823.3) * n + 5520.33), Duv::ZERO))
    }

    const SCIENCE: WhiteScience = WhiteScience { xy_of: planckian, kelvin_of: mccamy };

    fn emitter(x: f64, y: f64, lux_at_1m: f64) -> Emitter {
        Emitter {
            name: "of the tests".to_owned(),
            xy: Xy { x, y },
            lux_at_1m,
            watts: Watts::clamped(40.0),
            spectrum: None,
        }
    }

    /// Invented emitters near 2700 K and 6500 K.
    fn bicolour() -> Vec<Emitter> {
        vec![emitter(0.4599, 0.4106, 1000.0), emitter(0.3135, 0.3237, 1200.0)]
    }

    /// Invented emitters: red, green, blue, white.
    fn rgbw() -> Vec<Emitter> {
        vec![
            emitter(0.70, 0.30, 230.0),
            emitter(0.17, 0.76, 460.0),
            emitter(0.147, 0.03, 75.0),
            emitter(0.3128, 0.3271, 800.0),
        ]
    }

    fn channels(list: &[(Drives, Bits, Curve)]) -> Vec<Channel> {
        let mut offset = 0;
        list.iter()
            .map(|(drives, bits, curve)| {
                let channel =
                    Channel { drives: *drives, bits: *bits, curve: curve.clone(), measured: None, offset };
                offset += bits.slots();
                channel
            })
            .collect()
    }

    fn fixture(emitters: Vec<Emitter>, mixing: Mixing, list: &[(Drives, Bits, Curve)]) -> Fixture {
        let mode = Mode { name: "tests".to_owned(), channels: channels(list), mixing };
        let limits = Limits { ceiling: Share::FULL, floor: Share::NONE, rise_per_s: None };
        let profile = Profile {
            name: "tests".to_owned(),
            about: String::new(),
            invented: true,
            emitters: emitters.clone(),
            standby: Watts::clamped(3.0),
            power_factor: 0.9,
            cooling: Cooling::Fan,
            heat: None,
            quiet: None,
            eyes: crate::plan::Eyes::default(),
            radius_m: None,
            beam_deg: None,
            ies: None,
            when_frames_stop: FramesStop::Unknown,
            at_power_up: PowerUp::Unknown,
            pwm_hz: None,
            modes: vec![mode.clone()],
            limits,
        };
        Fixture {
            id: "key".to_owned(),
            body: None,
            profile: Arc::new(profile),
            mode,
            control: Control::Dmx(Address { output: OutputId(0), universe: 1, first: 1 }),
            place: Placement {
                position: [0.0, -2.0, 0.0],
                aim_point: [0.0; 3],
                aim: Aim::Point,
                distance_m: 2.0,
                incidence_cosine: 0.5,
            },
            modifiers: Vec::new(),
            loss: Stops::clamped(1.0),
            shift_mired: 0.0,
            shift_duv: 0.0,
            radius_m: None,
            beam_deg: None,
            emitters,
            prefer: crate::plan::Prefer::Output,
            limits,
            cooling: Cooling::Fan,
            heat: None,
            heat_factor: 1.0,
            eyes: crate::plan::Eyes::default(),
            uncalibrated: true,
            circuit: None,
            battery_wh: None,
            absent: None,
            strobe: None,
        }
    }

    const LEVEL: (Drives, Bits, Curve) = (Drives::Intensity, Bits::Eight, Curve::LINEAR);

    fn white_kelvin() -> (Drives, Bits, Curve) {
        (Drives::Kelvin(Kelvin::clamped(2700.0), Kelvin::clamped(6500.0)), Bits::Eight, Curve::LINEAR)
    }

    fn near(a: f64, b: f64, tolerance: f64) -> bool {
        (a - b).abs() <= tolerance
    }

    /// Source: inverse square and cosine laws; one stop is half the light. 1000 lx at 1 m and 3 W + 40 W.
    #[test]
    fn distance_incidence_and_loss_take_their_share_on_the_way() {
        let lamp = fixture(vec![emitter(0.31, 0.33, 1000.0)], Mixing::Dimmer, &[LEVEL]);
        let full = shown(&lamp, &[255], SCIENCE);
        assert!(near(full.lux_at_1m, 1000.0, 1e-9) && near(full.lux, 1000.0 / 4.0 / 2.0 * 0.5, 1e-9));
        assert!(near(full.watts, 43.0, 1e-12));
        let dark = shown(&lamp, &[0], SCIENCE);
        assert_eq!((dark.lux, dark.xy, dark.watts), (0.0, None, 3.0));
        // A front of 1 m radius: from 1 m to 2 m it falls to 2/5, not to 1/4 (closed form of a disc).
        let soft = Fixture { radius_m: Some(1.0), ..lamp };
        assert!(near(shown(&soft, &[255], SCIENCE).lux, 1000.0 * 0.4 / 2.0 * 0.5, 1e-9));
    }

    /// Source: tests/reference/dimcurve.csv (arithmetic; CIE 15 for lstar). Tolerance as its header
    /// says for the exact constant 24389/27.
    #[test]
    fn the_curves_are_those_of_the_check_values() {
        let text = include_str!("../../../tests/reference/dimcurve.csv");
        let mut lines = text.lines().filter(|l| !l.starts_with('#'));
        let names: Vec<&str> = lines.next().unwrap().split(',').collect();
        let curves = [
            ("linear", Curve::LINEAR),
            ("square", Curve::SQUARE),
            ("gamma22", Curve::GAMMA_22),
            ("lstar", Curve::LIGHTNESS),
        ];
        let mut seen = 0;
        for line in lines {
            let cells: Vec<&str> = line.split(',').collect();
            let cell = |name: &str| cells[names.iter().position(|n| *n == name).unwrap()];
            let code: u16 = cell("level").parse().unwrap();
            let (bits, slots) = match cell("bits") {
                "8" => (Bits::Eight, vec![u8::try_from(code).unwrap()]),
                _ => (Bits::Sixteen, code.to_be_bytes().to_vec()),
            };
            for (column, curve) in curves.clone() {
                let lamp = fixture(
                    vec![emitter(0.31, 0.33, 1.0)],
                    Mixing::Dimmer,
                    &[(Drives::Intensity, bits, curve)],
                );
                let wanted: f64 = cell(column).parse().unwrap();
                let found = shown(&lamp, &slots, SCIENCE).lux_at_1m;
                assert!(near(found, wanted, 1e-12), "{column} {code}: {found}, not {wanted}");
                seen += 1;
            }
        }
        assert!(seen > 1000);
    }

    /// Source: arithmetic. 16 bits, coarse first: 0x80 0x01 is 32 769 of 65 535.
    #[test]
    fn the_master_multiplies_each_emitter_and_fixed_channels_light_nothing() {
        let list = [
            (Drives::Fixed(7), Bits::Eight, Curve::LINEAR),
            (Drives::Intensity, Bits::Eight, Curve::SQUARE),
            (Drives::Emitter(1), Bits::Sixteen, Curve::LINEAR),
            (Drives::Emitter(0), Bits::Eight, Curve::LINEAR),
        ];
        let lamp = fixture(bicolour(), Mixing::Emitters { intensity: Some(1) }, &list);
        let seen = shown(&lamp, &[200, 51, 0x80, 0x01, 255], SCIENCE);
        assert!(near(seen.drives[0], 0.04, 1e-12), "51/255 squared");
        assert!(near(seen.drives[1], 0.04 * 32_769.0 / 65_535.0, 1e-12));
        assert_eq!(shown(&lamp, &[200], SCIENCE).lux, 0.0, "slots that did not come count as zero");
    }

    #[test]
    fn two_emitters_without_tint_stay_on_their_line_at_the_kelvin_that_is_set() {
        let lamp = fixture(
            bicolour(),
            Mixing::White { intensity: 0, kelvin: 1, tint: None },
            &[LEVEL, white_kelvin()],
        );
        let line = (lamp.emitters[0].xy.uv76(), lamp.emitters[1].xy.uv76());
        for value in [10_u8, 60, 128, 200, 245] {
            let seen = shown(&lamp, &[255, value], SCIENCE);
            let xy = seen.xy.unwrap();
            let wanted = 2700.0 + 3800.0 * f64::from(value) / 255.0;
            let found = mccamy(xy).unwrap().0.get();
            assert!(near(found, wanted, 0.1), "{found} K, not {wanted} K");
            let (a, b, p) = (line.0, line.1, xy.uv76());
            assert!(near((b.u - a.u) * (p.v - a.v), (b.v - a.v) * (p.u - a.u), 1e-12), "off the line");
            assert!(
                seen.drives.iter().any(|d| near(*d, 1.0, 1e-9)),
                "full level is the most light: {seen:?}"
            );
            let half = shown(&lamp, &[51, value], SCIENCE);
            assert!(near(half.lux, seen.lux / 5.0, 1e-9) && near(half.xy.unwrap().x, xy.x, 1e-12));
        }
    }

    #[test]
    fn a_white_of_many_emitters_lies_on_the_planckian_locus() {
        let lamp =
            fixture(rgbw(), Mixing::White { intensity: 0, kelvin: 1, tint: None }, &[LEVEL, white_kelvin()]);
        for value in [0_u8, 100, 255] {
            let wanted = planckian(Kelvin::clamped(2700.0 + 3800.0 * f64::from(value) / 255.0), Duv::ZERO);
            let xy = shown(&lamp, &[255, value], SCIENCE).xy.unwrap();
            assert!(near(xy.x, wanted.x, 1e-9) && near(xy.y, wanted.y, 1e-9), "{xy:?}, not {wanted:?}");
        }
    }

    #[test]
    fn a_tint_slot_sets_duv_linearly() {
        fn asked(_: Kelvin, duv: Duv) -> Xy {
            // Not a colour: shows in x which tint was asked for.
            Xy { x: 0.33 + duv.get(), y: 0.33 }
        }
        let tint = (Drives::Tint(-0.02, 0.02), Bits::Eight, Curve::LINEAR);
        let mixing = Mixing::White { intensity: 0, kelvin: 1, tint: Some(2) };
        let lamp = fixture(rgbw(), mixing, &[LEVEL, white_kelvin(), tint]);
        for (value, duv) in [(0_u8, -0.02), (51, -0.012), (255, 0.02)] {
            let science = WhiteScience { xy_of: asked, kelvin_of: mccamy };
            let xy = shown(&lamp, &[255, 0, value], science).xy.unwrap();
            assert!(near(xy.x, 0.33 + duv, 1e-9), "{value}: {xy:?}");
        }
    }

    #[test]
    fn saturation_goes_from_the_lamps_white_to_the_edge_of_its_colours_along_the_hue() {
        let eight = |drives| (drives, Bits::Eight, Curve::LINEAR);
        let list = [LEVEL, eight(Drives::Hue), eight(Drives::Saturation)];
        let mixing =
            Mixing::HueSaturation { intensity: 0, hue: 1, saturation: 2, white: Kelvin::clamped(5600.0) };
        let lamp = fixture(rgbw(), mixing, &list);
        let white = planckian(Kelvin::clamped(5600.0), Duv::ZERO).uv76();
        let at = |hue: u8, saturation: u8| shown(&lamp, &[255, hue, saturation], SCIENCE).xy.unwrap().uv76();
        for hue in [0_u8, 40, 85, 127, 200, 250] {
            assert!(at(hue, 0).distance(white) < 1e-9);
            let edge = at(hue, 255);
            let off =
                (edge.v - white.v).atan2(edge.u - white.u) - std::f64::consts::TAU * f64::from(hue) / 255.0;
            assert!(near(off.sin(), 0.0, 1e-8) && off.cos() > 0.0, "hue {hue}");
            // On the edge of the triangle of red, green and blue two colours are enough.
            let drives = shown(&lamp, &[255, hue, 255], SCIENCE).drives;
            assert!(drives[3] < 1e-6, "no white at the edge: {drives:?}");
            assert!(drives[..3].iter().any(|d| *d < 1e-6), "hue {hue}: {drives:?}");
            let part = at(hue, 51);
            assert!(near(part.distance(white), edge.distance(white) / 5.0, 1e-9));
        }
    }

    #[test]
    fn the_lamp_mixes_its_bare_emitters_and_gels_colour_what_is_seen() {
        let mut lamp = fixture(
            bicolour(),
            Mixing::White { intensity: 0, kelvin: 1, tint: None },
            &[LEVEL, white_kelvin()],
        );
        let bare = shown(&lamp, &[255, 128], SCIENCE);
        lamp.emitters = vec![emitter(0.50, 0.42, 500.0), emitter(0.36, 0.36, 600.0)];
        let gelled = shown(&lamp, &[255, 128], SCIENCE);
        assert_eq!(gelled.drives, bare.drives);
        assert!(near(gelled.lux, bare.lux / 2.0, 1e-9));
        assert!(gelled.xy.unwrap().x > bare.xy.unwrap().x + 0.03);
    }

    fn any_fixture() -> impl Strategy<Value = Fixture> {
        let tint = || (Drives::Tint(-0.05, 0.05), Bits::Eight, Curve::LINEAR);
        let hue = [
            LEVEL,
            (Drives::Hue, Bits::Sixteen, Curve::LINEAR),
            (Drives::Saturation, Bits::Eight, Curve::LINEAR),
        ];
        let five = || {
            let mut five = rgbw();
            five.push(emitter(0.565, 0.434, 240.0));
            five
        };
        let white = |tint| Mixing::White { intensity: 0, kelvin: 1, tint };
        let kelvin = || {
            let range = Drives::Kelvin(Kelvin::clamped(1000.0), Kelvin::clamped(20_000.0));
            (range, Bits::Sixteen, Curve::LINEAR)
        };
        prop_oneof![
            Just(fixture(vec![emitter(0.4, 0.4, 900.0)], white(None), &[LEVEL, kelvin()])),
            Just(fixture(bicolour(), white(None), &[LEVEL, kelvin()])),
            Just(fixture(bicolour(), white(Some(2)), &[LEVEL, kelvin(), tint()])),
            Just(fixture(five(), white(Some(2)), &[LEVEL, kelvin(), tint()])),
            Just(fixture(
                five(),
                Mixing::HueSaturation { intensity: 0, hue: 1, saturation: 2, white: Kelvin::clamped(1000.0) },
                &hue,
            )),
            // Indexes that lead nowhere: a decoder takes what it is given.
            Just(fixture(five(), Mixing::Emitters { intensity: Some(9) }, &[LEVEL])),
            Just(fixture(
                bicolour(),
                Mixing::HueSaturation { intensity: 9, hue: 9, saturation: 9, white: Kelvin::clamped(5600.0) },
                &[],
            )),
        ]
    }

    proptest! {
        #[test]
        fn no_slots_make_the_decoder_panic_or_show_what_no_lamp_can(
            lamp in any_fixture(), slots in prop::collection::vec(any::<u8>(), 0..8),
        ) {
            let seen = shown(&lamp, &slots, SCIENCE);
            let most: f64 = lamp.emitters.iter().map(|e| e.lux_at_1m).sum();
            prop_assert_eq!(seen.drives.len(), lamp.emitters.len());
            prop_assert!(seen.drives.iter().all(|d| (0.0..=1.0).contains(d)), "{:?}", seen);
            prop_assert!((0.0..=most * (1.0 + 1e-12)).contains(&seen.lux_at_1m), "{:?}", seen);
            prop_assert!(seen.watts >= 3.0 && seen.watts.is_finite());
            prop_assert_eq!(seen.xy.is_some(), seen.lux_at_1m > 0.0);
        }
    }
}
