//! What can be worked out for a person, as it is typed; each with an example from the pilot station.

use clap::{Subcommand, ValueEnum};

use super::quantity::{self, MixColour, Shutter};
use crate::light::exposure;
use crate::reckon::ReckonError;

/// What can be worked out for a person.
#[derive(Debug, Subcommand)]
pub(super) enum Sum {
    /// The illuminance that an exposure calls 0 stops
    #[command(after_help = "Examples, the two cameras in the pilot station:\n  \
                            lampkeep reckon exposure --iso 800 --f 2.8 --shutter 180deg --fps 25\n  \
                            lampkeep reckon exposure --iso 1600 --f T4 --shutter 1/50 --nd 0.3")]
    Exposure {
        /// ISO speed
        #[arg(long, value_parser = quantity::plain)]
        iso: f64,
        /// f-number, or better the T-stop
        #[arg(long, value_parser = quantity::aperture)]
        f: f64,
        /// Exposure time: 1/50, 0.02s or 20ms; or an angle with --fps: 180deg
        #[arg(long, value_parser = quantity::shutter)]
        shutter: Shutter,
        /// Frames a second, for an angle
        #[arg(long, value_parser = quantity::fps)]
        fps: Option<f64>,
        /// Density of neutral filters; 0.3 is one stop to 0.003
        #[arg(long, default_value = "0", value_parser = quantity::plain)]
        nd: f64,
        /// Constant of the receptor: 250 flat, 330 dome
        #[arg(long, default_value = "250", value_parser = quantity::plain)]
        constant: f64,
    },
    /// Both lighting ratios of a key and a fill, each metered alone at the face
    #[command(after_help = "Example, at the pilot's face:\n  lampkeep reckon ratio --key 500lx --fill 250lx")]
    Ratio {
        /// Key alone: 500lx or 46fc
        #[arg(long, value_parser = quantity::lux)]
        key: f64,
        /// Fill alone
        #[arg(long, value_parser = quantity::lux)]
        fill: f64,
    },
    /// The distance that gives more or less light
    #[command(
        after_help = "Examples, the key taken back a stop, as a small lamp and behind its 90 cm softbox:\n  \
                            lampkeep reckon distance 1.5m --stops -1\n  \
                            lampkeep reckon distance 1.5m --stops -1 --radius 45cm"
    )]
    Distance {
        /// Where the lamp is now: 1.5m, 150cm or 5ft
        #[arg(value_parser = quantity::metres)]
        distance: f64,
        /// Stops more (or, negative, less): +1/3, -1
        #[arg(long, allow_hyphen_values = true, value_parser = quantity::stops)]
        stops: f64,
        /// Half the width of its lit front
        #[arg(long, default_value = "0m", value_parser = quantity::metres)]
        radius: f64,
    },
    /// The shift in mired from one colour temperature to another
    #[command(
        after_help = "Example, from a tungsten practical to the window:\n  lampkeep reckon mired 3200K 5600K"
    )]
    Mired {
        /// From this
        #[arg(value_parser = quantity::kelvin)]
        from: f64,
        /// To this
        #[arg(value_parser = quantity::kelvin)]
        to: f64,
    },
    /// Kelvin and tint to chromaticity, or back
    #[command(after_help = "Examples, a key a little on the magenta side, and a reading at the window:\n  \
                            lampkeep reckon colour 5600K --duv -0.003\n  \
                            lampkeep reckon colour --xy 0.3127,0.3290")]
    Colour {
        /// Colour temperature: 5600K
        #[arg(value_parser = quantity::kelvin, required_unless_present = "xy", conflicts_with = "xy")]
        kelvin: Option<f64>,
        /// Tint: + is green, - is magenta
        #[arg(long, allow_hyphen_values = true, value_parser = quantity::duv, conflicts_with = "xy")]
        duv: Option<f64>,
        /// CIE 1931 x,y
        #[arg(long, value_name = "X,Y", value_parser = quantity::pair)]
        xy: Option<(f64, f64)>,
    },
    /// The colour figures of a measured spectrum: kelvin, tint, Ra, Rf, Rg, SSI
    #[command(after_help = "Example, the key's spectrum as the meter saved it:\n  \
                            lampkeep reckon spectrum pilot-key.csv\n\n\
                            The file: a line for each wavelength, such as 380,0.012 (nanometres, power of any scale).")]
    Spectrum {
        /// CSV of wavelength in nanometres and power, steps of 1 to 10 nm, 400 to 700 nm or more
        file: String,
    },
    /// The most light of a colour that some emitters can mix
    #[command(after_help = "Examples, a two-white mat at 5600 K, and the amber that red and green make:\n  \
                            lampkeep reckon mix --emitter 2700K:900lx --emitter 6500K:1000lx --kelvin 5600K\n  \
                            lampkeep reckon mix --emitter 0.69,0.31:300lx --emitter 0.17,0.70:500lx --xy 0.55,0.4")]
    Mix {
        /// An emitter at full, 1 to 8 times: its colour (kelvin or x,y) and its light at 1 m
        #[arg(long = "emitter", value_name = "COLOUR:LUX", required = true, value_parser = quantity::emitter)]
        emitters: Vec<(MixColour, f64)>,
        /// The colour wanted, as kelvin
        #[arg(long, value_parser = quantity::kelvin, required_unless_present = "xy", conflicts_with = "xy")]
        kelvin: Option<f64>,
        /// Its tint
        #[arg(long, allow_hyphen_values = true, value_parser = quantity::duv, conflicts_with = "xy")]
        duv: Option<f64>,
        /// The colour wanted, as CIE 1931 x,y
        #[arg(long, value_name = "X,Y", value_parser = quantity::pair)]
        xy: Option<(f64, f64)>,
    },
    /// The illuminance of a point-like lamp on a surface
    #[command(after_help = "Example, the hair light from above:\n  \
                            lampkeep reckon point --candela 1280cd --distance 2.4m --angle 30deg")]
    Point {
        /// Luminous intensity; the reading in lux at 1 m is the same number
        #[arg(long, value_parser = quantity::candela)]
        candela: f64,
        /// From lamp to surface
        #[arg(long, value_parser = quantity::metres)]
        distance: f64,
        /// Between the light and the surface's normal; 0deg is square on
        #[arg(long, default_value = "0deg", value_parser = quantity::degrees)]
        angle: f64,
    },
    /// The illuminance of a soft source near by, and how wrong the inverse-square law is
    #[command(after_help = "Example, a 90 cm softbox at the pilot's face:\n  \
                            lampkeep reckon disc --radius 45cm --distance 1m --luminance 1200cd/m2")]
    Disc {
        /// Half the width of the lit front
        #[arg(long, value_parser = quantity::metres)]
        radius: f64,
        /// From the front to the point, on its axis
        #[arg(long, value_parser = quantity::metres)]
        distance: f64,
        /// Luminance of the front
        #[arg(long, value_parser = quantity::luminance)]
        luminance: f64,
    },
    /// The intensity of a measured lamp in one direction, from its IES LM-63 file
    #[command(after_help = "Example, how much of the quay spot reaches 12 degrees off its axis:\n  \
                            lampkeep reckon candela quay-spot.ies --vertical 12deg")]
    Candela {
        /// The file, .ies, type C
        file: String,
        /// Off the axis, 0deg to 180deg
        #[arg(long, value_parser = quantity::degrees)]
        vertical: f64,
        /// Round the axis; a round beam needs none
        #[arg(long, default_value = "0deg", allow_hyphen_values = true, value_parser = quantity::degrees)]
        horizontal: f64,
    },
    /// The light of a slot value under a dimming law
    #[command(after_help = "Example, the middle of a slot:\n  lampkeep reckon curve square --code 128")]
    Curve {
        /// The law
        law: Law,
        /// Value, 0 to 255 or 65535
        #[arg(long)]
        code: u16,
        /// 8 or 16
        #[arg(long, default_value = "8")]
        bits: u8,
    },
    /// A lamp's temperature over time, or when it reaches a limit
    #[command(
        after_help = "Examples, the fan-less mat in a warm station: when is it too hot, and how hot after a take:\n  \
                            lampkeep reckon heat --resistance 0.6K/W --tau 25min --room 24C --watts 70W --limit 60C\n  \
                            lampkeep reckon heat --resistance 0.6K/W --tau 25min --room 24C --watts 70W --after 12min"
    )]
    Heat {
        /// Kelvin above the room for each watt, in the end
        #[arg(long, value_parser = quantity::resistance)]
        resistance: f64,
        /// After this long it has done 63 % of the way: 25min or 1500s
        #[arg(long, value_name = "TIME", value_parser = quantity::duration)]
        tau: f64,
        /// Room temperature: 24C
        #[arg(long, allow_hyphen_values = true, value_parser = quantity::celsius)]
        room: f64,
        /// Its temperature at the start [default: the room's]
        #[arg(long, allow_hyphen_values = true, value_parser = quantity::celsius)]
        start: Option<f64>,
        /// Electrical power, steady
        #[arg(long, value_parser = quantity::watts)]
        watts: f64,
        /// When does it reach this?
        #[arg(long, value_parser = quantity::celsius, required_unless_present = "after")]
        limit: Option<f64>,
        /// How hot is it after this?
        #[arg(long, value_parser = quantity::duration)]
        after: Option<f64>,
    },
    /// Flashes in a course of light levels, as the rules for people count them
    #[command(after_help = "Example, a beacon that blinks twice a second for a second:\n  \
                            lampkeep reckon flash --rate 4Hz 100% 0% 100% 0%")]
    Flash {
        /// Levels a second
        #[arg(long, value_parser = quantity::hertz)]
        rate: f64,
        /// Levels one after the other: 100% or 0.3
        #[arg(required = true, value_parser = quantity::share)]
        levels: Vec<f64>,
    },
    /// How much exposures differ under light that swings
    #[command(after_help = "Examples, a dimmed lamp and an old ceiling light at the camera:\n  \
                            lampkeep reckon shutter pwm --frequency 1010Hz --share 50% --exposure 1/50\n  \
                            lampkeep reckon shutter sine --frequency 100Hz --share 30% --exposure 1/60")]
    Shutter {
        /// How the light swings
        waveform: Waveform,
        /// Of the light, twice the mains for lamps on alternating current
        #[arg(long, value_parser = quantity::hertz)]
        frequency: f64,
        /// sine: modulation (max-min)/(max+min); pwm: the lit share of a period
        #[arg(long, value_parser = quantity::share)]
        share: f64,
        /// Exposure time: 1/50, 0.02s or 20ms
        #[arg(long, value_parser = quantity::seconds)]
        exposure: f64,
    },
    /// What IEEE 1789 says of a modulation
    #[command(
        after_help = "Example, the station's ceiling light:\n  lampkeep reckon flicker --frequency 100Hz --modulation 5%"
    )]
    Flicker {
        /// Of the light
        #[arg(long, value_parser = quantity::hertz)]
        frequency: f64,
        /// (max-min)/(max+min)
        #[arg(long, value_parser = quantity::share)]
        modulation: f64,
    },
}

impl Shutter {
    /// The exposure time in seconds. Error: an angle without the frame rate.
    pub(super) fn seconds(self, fps: Option<f64>) -> Result<f64, ReckonError> {
        match (self, fps) {
            (Self::Seconds(seconds), _) => Ok(seconds),
            (Self::Degrees(degrees), Some(fps)) => Ok(exposure::seconds_of_angle(degrees, fps)),
            (Self::Degrees(_), None) => {
                Err(ReckonError::Together("a shutter's angle needs the frame rate: add --fps 25"))
            }
        }
    }
}

/// A dimming law.
#[derive(Debug, Clone, Copy, ValueEnum)]
pub(super) enum Law {
    Linear,
    Square,
    #[value(name = "gamma-2.2")]
    Gamma22,
    Lightness,
}

impl Law {
    pub(super) const fn name(self) -> &'static str {
        match self {
            Self::Linear => "linear",
            Self::Square => "square",
            Self::Gamma22 => "gamma-2.2",
            Self::Lightness => "lightness",
        }
    }
}

/// How light swings.
#[derive(Debug, Clone, Copy, ValueEnum)]
pub(super) enum Waveform {
    Sine,
    Pwm,
}
