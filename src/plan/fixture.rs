//! Fixtures (a job on the set), bodies (a lamp one owns) and profiles (what a kind of lamp is).

use std::sync::Arc;
use std::time::Duration;

use super::{
    BeamFile, CircuitId, Eyes, HeatFigure, LightTable, OutputId, Placement, Quiet, SpectralPower, TrueTable,
};
use crate::units::{Kelvin, Share, Stops, Watts, Xy};

/// Most emitters that a lamp may have.
pub const MAX_EMITTERS: usize = 8;

/// A fixture: a job in the set (`key`, `fill`, `hair`) done by some lamp.
#[derive(Debug, Clone, PartialEq)]
pub struct Fixture {
    /// Id in the plan.
    pub id: String,
    /// The body that does the job, where it comes from the kit.
    pub body: Option<Body>,
    /// What kind of lamp it is.
    pub profile: Arc<Profile>,
    /// The mode the lamp is set to. A hand-set lamp has one too, never sent.
    pub mode: Mode,
    /// How it is driven.
    pub control: Control,
    /// Where it stands and what it is aimed at.
    pub place: Placement,
    /// Names of the modifiers in front of it, lamp first.
    pub modifiers: Vec<String>,
    /// Sum of the modifiers' losses; positive is less light.
    pub loss: Stops,
    /// Sum of the modifiers' shifts in mired (positive is warmer) and Duv; already in `emitters`.
    pub shift_mired: f64,
    /// Sum of the modifiers' tint shifts in Duv; already in `emitters`.
    pub shift_duv: f64,
    /// Radius in metres of the front that the subject sees, the last modifier's or else the lamp's.
    pub radius_m: Option<f64>,
    /// Full angle at half intensity in degrees after the modifiers.
    pub beam_deg: Option<f64>,
    /// The profile's emitters as they are seen at the subject: this body's measured output and the
    /// gels' colour shift are in, the loss in stops is not. Same order as the profile's. Without
    /// spectra behind a gel that shifts colour: what it does to a spectrum is not known.
    pub emitters: Vec<Emitter>,
    /// Which of the mixes that give a light and a colour it takes.
    pub prefer: Prefer,
    /// Limits on its light.
    pub limits: Limits,
    /// How it is cooled here: of a lamp with a fan, whether it is on.
    pub cooling: Cooling,
    /// What a person said of this lamp's heat, with its cooling as it is here, or its profile unless that
    /// is invented; `None` counts as unknown.
    pub heat: Option<HeatFigure>,
    /// Product of its modifiers' heat factors, 1 or more: how much warmer its body gets behind them.
    pub heat_factor: f64,
    /// What is known of it for eyes, by itself or by its profile.
    pub eyes: Eyes,
    /// True if the light figures are nobody's measurement: predictions may be a stop off.
    pub uncalibrated: bool,
    /// The circuit it draws from.
    pub circuit: Option<CircuitId>,
    /// Rated watt-hours of the battery that it runs from; it then draws from no circuit.
    pub battery_wh: Option<f64>,
    /// Why it is not here (`"lent"`); `None` when it is.
    pub absent: Option<String>,
    /// That its own strobe is unlocked, and why; its value is in `mode` too.
    pub strobe: Option<UnlockedStrobe>,
}

/// A lamp's own strobe that the plan lets go.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UnlockedStrobe {
    /// What its slot is sent, 0 to 255, or 65 535.
    pub value: u16,
    /// Why, in the words of the one who wrote the plan; never empty.
    pub reason: String,
}

impl Fixture {
    /// Its place on the wire, `None` for a hand-set lamp.
    #[must_use]
    pub fn address(&self) -> Option<&Address> {
        match &self.control {
            Control::Dmx(address) => Some(address),
            Control::Hand => None,
        }
    }

    /// Body name where it has one, else its id.
    #[must_use]
    pub fn lamp_name(&self) -> &str {
        self.body.as_ref().map_or(&self.id, |b| &b.name)
    }
}

/// A lamp that one owns, from the kit file.
#[derive(Debug, Clone, PartialEq)]
pub struct Body {
    /// Name in the kit, as on the sticker (`B3`).
    pub name: String,
    /// Free text that finds it in the case.
    pub sticker: Option<String>,
    /// Date of its last calibration, as written.
    pub calibrated: Option<String>,
}

/// How a lamp is driven.
#[derive(Debug, Clone, PartialEq)]
pub enum Control {
    /// By DMX.
    Dmx(Address),
    /// By a person; its watts count all the same.
    Hand,
}

/// Where a lamp's slots are.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Address {
    /// The output that carries its universe.
    pub output: OutputId,
    /// Universe, 1 to 63 999.
    pub universe: u16,
    /// First slot, 1 to 512; the whole footprint ends at 512 or before.
    pub first: u16,
}

/// Limits on a fixture's light, from the plan or the profile.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Most of its greatest light at a colour that may be sent.
    pub ceiling: Share,
    /// Least light that it may show, as a share of its greatest at that colour; under it the lamp is
    /// sent zero. Zero: no floor.
    pub floor: Share,
    /// Greatest rise, as a share of its greatest light per second; `None`: as fast as asked.
    pub rise_per_s: Option<f64>,
}

/// What a kind of lamp is.
#[derive(Debug, Clone, PartialEq)]
pub struct Profile {
    /// Name.
    pub name: String,
    /// One line about it.
    pub about: String,
    /// True if its figures are made up for examples.
    pub invented: bool,
    /// Its emitters, 1 to [`MAX_EMITTERS`].
    pub emitters: Vec<Emitter>,
    /// Electrical power with every emitter dark.
    pub standby: Watts,
    /// Power factor, above 0, at most 1.
    pub power_factor: f64,
    /// How it is cooled.
    pub cooling: Cooling,
    /// What the maker says of its heat, with the fan on where it has one.
    pub heat: Option<HeatFigure>,
    /// What it is with its fan off, where it can be.
    pub quiet: Option<Quiet>,
    /// What is known of it for eyes.
    pub eyes: Eyes,
    /// Radius of its lit front in metres.
    pub radius_m: Option<f64>,
    /// Full angle at half intensity in degrees.
    pub beam_deg: Option<f64>,
    /// Its beam as measured, in place of that angle.
    pub ies: Option<BeamFile>,
    /// What it does when frames stop.
    pub when_frames_stop: FramesStop,
    /// What it shows at power-up.
    pub at_power_up: PowerUp,
    /// Frequency of its pulse-width modulation in hertz, if it has one and it is known.
    pub pwm_hz: Option<f64>,
    /// Its modes, at least one.
    pub modes: Vec<Mode>,
    /// Limits that every such lamp has unless the plan says otherwise.
    pub limits: Limits,
}

/// One emitter: a colour of light that can be driven from 0 to 1, adding linearly to the others.
#[derive(Debug, Clone, PartialEq)]
pub struct Emitter {
    /// Name.
    pub name: String,
    /// Its chromaticity.
    pub xy: Xy,
    /// Illuminance at 1 m on the axis at full drive, in lux.
    pub lux_at_1m: f64,
    /// Electrical power at full drive, standby not included.
    pub watts: Watts,
    /// Its spectrum, where a file gives it; `xy` is then the spectrum's.
    pub spectrum: Option<Arc<SpectralPower>>,
}

/// Which of the mixes that give one light at one chromaticity a lamp takes, where its emitters leave a
/// choice.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Prefer {
    /// The mix of most light, scaled: colour and spectrum do not depend on level.
    #[default]
    Output,
    /// The mix of least electrical power.
    Cool,
    /// The mix of best Rf (CIE 224, ANSI/IES TM-30).
    Rendering,
}

impl Prefer {
    /// The word in plans and answers.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Output => "output",
            Self::Cool => "cool",
            Self::Rendering => "rendering",
        }
    }
}

/// How a lamp sheds its heat.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cooling {
    /// A fan that always runs when needed.
    Fan,
    /// A fan that is switched off.
    Quiet,
    /// None: it heats at full power.
    FanLess,
}

/// What a lamp does when frames stop coming.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FramesStop {
    /// Shows the last frame for ever.
    Hold,
    /// Shows the last frame this long, then goes dark; zero: dark at once.
    HoldThenDark(Duration),
    /// Nobody has said.
    Unknown,
}

/// What a lamp shows at power-up before the first frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PowerUp {
    /// Nothing.
    Dark,
    /// Some light.
    Lit,
    /// Nobody has said.
    Unknown,
}

/// A mode: an ordered list of channels, each of one or two slots.
#[derive(Debug, Clone, PartialEq)]
pub struct Mode {
    /// Name.
    pub name: String,
    /// Channels in slot order.
    pub channels: Vec<Channel>,
    /// How the channels together set the light.
    pub mixing: Mixing,
}

impl Mode {
    /// Slots that the mode takes.
    #[must_use]
    pub fn footprint(&self) -> u16 {
        self.channels.iter().map(|c| c.bits.slots()).sum()
    }

    /// True if the mode has any channel that changes the lamp's colour.
    #[must_use]
    pub fn has_colour(&self, emitters: usize) -> bool {
        match self.mixing {
            Mixing::Dimmer => false,
            Mixing::Emitters { .. } => emitters > 1,
            Mixing::White { .. } | Mixing::HueSaturation { .. } => true,
        }
    }

    /// What the mode drives, in words for people. `emitters`: the profile's.
    #[must_use]
    pub fn drives(&self, emitters: &[Emitter]) -> String {
        match self.mixing {
            Mixing::Dimmer => "intensity alone".into(),
            Mixing::White { tint: None, .. } => "intensity and colour temperature".into(),
            Mixing::White { tint: Some(_), .. } => "intensity, colour temperature and tint".into(),
            Mixing::HueSaturation { .. } => "intensity, hue and saturation".into(),
            Mixing::Emitters { .. } => {
                let names: Vec<_> = emitters.iter().map(|e| e.name.as_str()).collect();
                format!("the emitters {}", names.join(", "))
            }
        }
    }
}

/// How a mode's channels together set the light. Numbers are indexes into [`Mode::channels`].
#[derive(Debug, Clone, PartialEq)]
pub enum Mixing {
    /// One intensity channel dims all emitters together; the colour is the emitters' sum at full.
    Dimmer,
    /// Each emitter has a channel of its own; `intensity`, where present, multiplies them all.
    Emitters {
        /// Master channel.
        intensity: Option<usize>,
    },
    /// The lamp mixes a white by itself: full intensity is its most light at the set white.
    White {
        /// Channel of the level.
        intensity: usize,
        /// Channel of the colour temperature.
        kelvin: usize,
        /// Channel of the tint; without one the lamp is taken to stay on the emitters' own line
        /// (two emitters) or on the Planckian locus (more).
        tint: Option<usize>,
    },
    /// The lamp mixes a colour by itself from hue and saturation about its own white: full
    /// intensity is its most light at the set colour.
    HueSaturation {
        /// Channel of the level.
        intensity: usize,
        /// Channel of the hue.
        hue: usize,
        /// Channel of the saturation.
        saturation: usize,
        /// Colour temperature of its white, on the Planckian locus.
        white: Kelvin,
    },
}

/// One function of a mode.
#[derive(Debug, Clone, PartialEq)]
pub struct Channel {
    /// What it drives.
    pub drives: Drives,
    /// Its resolution; 16 bits are two slots, coarse first.
    pub bits: Bits,
    /// Dimming curve from slot value to light; linear for everything that is not light.
    pub curve: Curve,
    /// What it really gives for what it is asked, where a meter has told; channels of colour alone.
    pub measured: Option<Arc<TrueTable>>,
    /// First slot of the channel, counted from 0 within the footprint.
    pub offset: u16,
}

/// What a channel drives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Drives {
    /// Light of the whole lamp.
    Intensity,
    /// Colour temperature, linear in kelvin from the first (value 0) to the second (full).
    Kelvin(Kelvin, Kelvin),
    /// Tint, linear in Duv from the first (value 0) to the second (full).
    Tint(f64, f64),
    /// One emitter, by its index in the profile.
    Emitter(usize),
    /// Hue angle, 0 to 360 degrees.
    Hue,
    /// Saturation, 0 to 1: share of the way from the lamp's white to the edge of its gamut.
    Saturation,
    /// Nothing that a look sets: always sent this value, its safe one (0 to 255, or 65 535).
    Fixed(u16),
    /// The lamp's own strobe or shutter, which nothing here can count: always sent this value, its safe one
    /// unless the plan unlocks it ([`Fixture::strobe`]).
    Strobe(u16),
}

impl Drives {
    /// The word of a plan for it: `intensity`, `kelvin`, `tint`, `hue`, `saturation`, or an emitter's name
    /// (`emitters` are the profile's); `None` for a fixed one and a strobe.
    #[must_use]
    pub fn word<'e>(&self, emitters: &'e [Emitter]) -> Option<&'e str> {
        match *self {
            Self::Intensity => Some("intensity"),
            Self::Kelvin(..) => Some("kelvin"),
            Self::Tint(..) => Some("tint"),
            Self::Hue => Some("hue"),
            Self::Saturation => Some("saturation"),
            Self::Emitter(index) => emitters.get(index).map(|e| e.name.as_str()),
            Self::Fixed(_) | Self::Strobe(_) => None,
        }
    }
}

/// Resolution of a channel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bits {
    /// One slot.
    Eight,
    /// Two slots, coarse first.
    Sixteen,
}

impl Bits {
    /// Slots that a channel takes: 1 or 2.
    #[must_use]
    pub const fn slots(self) -> u16 {
        match self {
            Self::Eight => 1,
            Self::Sixteen => 2,
        }
    }

    /// Greatest value: 255 or 65 535.
    #[must_use]
    pub const fn max(self) -> u16 {
        match self {
            Self::Eight => 255,
            Self::Sixteen => 65_535,
        }
    }
}

/// From a channel's value to relative light: a law, cut off under its floor. The formulas live in
/// `channels::curve`.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    /// How light follows the value.
    pub law: Law,
    /// Least value that gives light, as a share of full scale; under it the lamp snaps off. 0: none.
    pub floor: f64,
    /// Value from which on the light is clean (no flicker, no tint), as a share of full scale; 0: all
    /// of it, or nobody has said.
    pub clean_from: f64,
}

impl Curve {
    /// Light proportional to the value.
    pub const LINEAR: Self = Self::by(Law::Linear);
    /// Light as the square of the value.
    pub const SQUARE: Self = Self::by(Law::Square);
    /// Light as the value to the power of 2.2.
    pub const GAMMA_22: Self = Self::by(Law::Gamma(2.2));
    /// Value is CIE 1976 lightness.
    pub const LIGHTNESS: Self = Self::by(Law::Lightness);

    /// A law without a floor, clean throughout.
    #[must_use]
    pub const fn by(law: Law) -> Self {
        Self { law, floor: 0.0, clean_from: 0.0 }
    }

    /// A measured table; its floor is the first lit point where several are dark.
    #[must_use]
    pub fn measured(table: LightTable) -> Self {
        let floor = table.knots().first().map_or(0.0, |k| k.q);
        Self { law: Law::Table(Arc::new(table)), floor, clean_from: 0.0 }
    }
}

/// How light follows the value of a channel.
#[derive(Debug, Clone, PartialEq)]
pub enum Law {
    /// Proportional to it.
    Linear,
    /// As its square.
    Square,
    /// As this power of it, [`Law::GAMMA`].
    Gamma(f64),
    /// It is CIE 1976 lightness.
    Lightness,
    /// As measured.
    Table(Arc<LightTable>),
}

impl Law {
    /// Exponents that a gamma law may have. Judgement: beyond them no lamp dims.
    pub const GAMMA: std::ops::RangeInclusive<f64> = 0.2..=6.0;

    /// The law of a word: `linear`, `square`, `lightness`, or `gamma-` with an exponent.
    #[must_use]
    pub fn of_word(word: &str) -> Option<Self> {
        match word {
            "linear" => Some(Self::Linear),
            "square" => Some(Self::Square),
            "lightness" => Some(Self::Lightness),
            _ => {
                let digits = word.strip_prefix("gamma-")?;
                let plain = digits.bytes().all(|b| b.is_ascii_digit() || b == b'.');
                let gamma = digits.parse().ok().filter(|g| plain && Self::GAMMA.contains(g))?;
                Some(Self::Gamma(gamma))
            }
        }
    }
}
