//! `lampkeep reckon`: the light arithmetic for people, with formula and units, and as JSON lines.
//!
//! Builds the request that a program would send, has `crate::reckon` answer it and puts the answer in
//! words. No arithmetic of its own.

mod quantity;
mod said;

use std::io::{self, Write};

use clap::{Args, Subcommand, ValueEnum};
use serde_json::{Value, json};

use crate::reckon::{self, ReckonError};

/// Work out light: exposure, ratio, distance, mired and more; no plan and no daemon needed
#[derive(Debug, Args)]
#[command(
    arg_required_else_help = true,
    after_help = "Examples:\n  lampkeep reckon exposure --iso 800 --f 2.8 --shutter 1/50\n  \
                  lampkeep reckon ratio --key 500lx --fill 250lx\n  \
                  echo '{\"kind\":\"colour\",\"kelvin\":5600}' | lampkeep reckon --lines\n\n\
                  What it prints is planned light, not measured light."
)]
pub struct ReckonArgs {
    /// Read one JSON request a line from standard input and answer one a line (docs/interface.md part 7)
    #[arg(long)]
    lines: bool,
    /// What to work out
    #[command(subcommand)]
    sum: Option<Sum>,
}

/// What can be worked out for a person.
#[derive(Debug, Subcommand)]
enum Sum {
    /// The illuminance that an exposure calls 0 stops
    #[command(after_help = "Example: lampkeep reckon exposure --iso 800 --f 2.8 --shutter 1/50")]
    Exposure {
        /// ISO speed
        #[arg(long, value_parser = quantity::plain)]
        iso: f64,
        /// f-number, or better the T-stop
        #[arg(long, value_parser = quantity::aperture)]
        f: f64,
        /// Exposure time: 1/50, 0.02s or 20ms
        #[arg(long, value_parser = quantity::seconds)]
        shutter: f64,
        /// Density of neutral filters; 0.3 is one stop to 0.003
        #[arg(long, default_value = "0", value_parser = quantity::plain)]
        nd: f64,
        /// Constant of the receptor: 250 flat, 330 dome
        #[arg(long, default_value = "250", value_parser = quantity::plain)]
        constant: f64,
    },
    /// Both lighting ratios of a key and a fill, each metered alone at the face
    #[command(after_help = "Example: lampkeep reckon ratio --key 500lx --fill 250lx")]
    Ratio {
        /// Key alone: 500lx or 46fc
        #[arg(long, value_parser = quantity::lux)]
        key: f64,
        /// Fill alone
        #[arg(long, value_parser = quantity::lux)]
        fill: f64,
    },
    /// The distance that gives more or less light
    #[command(after_help = "Example: lampkeep reckon distance 1.5m --stops -1")]
    Distance {
        /// Where the lamp is now: 1.5m, 150cm or 5ft
        #[arg(value_parser = quantity::metres)]
        distance: f64,
        /// Stops more (or, negative, less): +1/3, -1
        #[arg(long, allow_hyphen_values = true, value_parser = quantity::stops)]
        stops: f64,
    },
    /// The shift in mired from one colour temperature to another
    #[command(after_help = "Example: lampkeep reckon mired 3200K 5600K")]
    Mired {
        /// From this
        #[arg(value_parser = quantity::kelvin)]
        from: f64,
        /// To this
        #[arg(value_parser = quantity::kelvin)]
        to: f64,
    },
    /// Kelvin and tint to chromaticity, or back
    #[command(after_help = "Examples:\n  lampkeep reckon colour 5600K --duv -0.003\n  \
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
    /// The illuminance of a point-like lamp on a surface
    #[command(after_help = "Example: lampkeep reckon point --candela 1280cd --distance 2.4m --angle 30deg")]
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
    #[command(after_help = "Example: lampkeep reckon disc --radius 45cm --distance 1m --luminance 1200cd/m2")]
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
    /// The light of a slot value under a dimming law
    #[command(after_help = "Example: lampkeep reckon curve square --code 128")]
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
    /// How much exposures differ under light that swings
    #[command(
        after_help = "Examples:\n  lampkeep reckon shutter pwm --frequency 1010Hz --share 50% --exposure 1/50\n  \
                      lampkeep reckon shutter sine --frequency 100Hz --share 30% --exposure 1/60"
    )]
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
    #[command(after_help = "Example: lampkeep reckon flicker --frequency 100Hz --modulation 5%")]
    Flicker {
        /// Of the light
        #[arg(long, value_parser = quantity::hertz)]
        frequency: f64,
        /// (max-min)/(max+min)
        #[arg(long, value_parser = quantity::share)]
        modulation: f64,
    },
}

/// A length such as `1.5m`, in metres.
pub(super) fn metres(text: &str) -> Result<f64, String> {
    quantity::metres(text)
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum Law {
    Linear,
    Square,
    #[value(name = "gamma-2.2")]
    Gamma22,
    Lightness,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum Waveform {
    Sine,
    Pwm,
}

/// Why `lampkeep reckon` printed no result.
#[derive(Debug, thiserror::Error)]
pub enum ReckonFault {
    /// Neither a sum nor `--lines` was asked for, or both.
    #[error("give either one sum, such as `exposure`, or --lines")]
    OneOfTwo,
    /// The values given have no answer.
    #[error("{}; {}", .0, .0.hint())]
    Refused(#[from] ReckonError),
    /// Standard input or the output failed.
    #[error("reading or writing failed: {0}")]
    Stream(#[from] io::Error),
}

impl ReckonFault {
    /// The exit code of docs/interface.md: 2 for wrong usage, 1 when a stream failed.
    #[must_use]
    pub const fn exit_code(&self) -> u8 {
        match self {
            Self::OneOfTwo | Self::Refused(_) => 2,
            Self::Stream(_) => 1,
        }
    }
}

/// Carries out `lampkeep reckon`: prints to `out`, reads standard input for `--lines`.
///
/// `json`: the answer as one line of JSON instead of words. A reader of `out` that has gone ends it
/// without an error. Errors: [`ReckonFault`], with its exit code.
pub fn run(args: &ReckonArgs, json: bool, out: &mut impl Write) -> Result<(), ReckonFault> {
    let written = match &args.sum {
        None if args.lines => reckon::lines(io::stdin().lock(), &mut *out),
        Some(sum) if !args.lines => {
            let answer = reckon::answer(&sum.request())?;
            let text = if json { answer.to_string() } else { said::in_words(sum, &answer) };
            writeln!(out, "{text}")
        }
        _ => return Err(ReckonFault::OneOfTwo),
    };
    match written.and_then(|()| out.flush()) {
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        other => Ok(other?),
    }
}

impl Sum {
    /// The same as a request in JSON.
    fn request(&self) -> Value {
        match self {
            Self::Exposure { iso, f, shutter, nd, constant } => json!({ "kind": "exposure", "iso": iso,
                "f_number": f, "shutter_s": shutter, "nd": nd, "constant": constant }),
            Self::Ratio { key, fill } => json!({ "kind": "ratio", "key_lux": key, "fill_lux": fill }),
            Self::Distance { distance, stops } => {
                json!({ "kind": "distance", "distance_m": distance, "stops": stops })
            }
            Self::Mired { from, to } => json!({ "kind": "mired", "from_kelvin": from, "to_kelvin": to }),
            Self::Colour { xy: Some((x, y)), .. } => {
                json!({ "kind": "colour", "x": x, "y": y })
            }
            Self::Colour { kelvin, duv, xy: None } => {
                json!({ "kind": "colour", "kelvin": kelvin, "duv": duv })
            }
            Self::Point { candela, distance, angle } => {
                // The lamp straight above, the surface tilted.
                let (sine, cosine) = angle.to_radians().sin_cos();
                json!({ "kind": "point", "point_m": [0, 0, 0], "normal": [sine, 0, cosine],
                    "lamps": [{ "position_m": [0, 0, distance], "candela": candela }] })
            }
            Self::Disc { radius, distance, luminance } => json!({ "kind": "disc", "radius_m": radius,
                "distance_m": distance, "luminance_cd_m2": luminance }),
            Self::Curve { law, code, bits } => {
                json!({ "kind": "curve", "law": law.name(), "bits": bits, "code": code })
            }
            Self::Shutter { waveform: Waveform::Sine, frequency, share, exposure } => json!({
                "kind": "shutter", "waveform": "sine", "frequency_hz": frequency, "exposure_s": exposure,
                "modulation": share }),
            Self::Shutter { waveform: Waveform::Pwm, frequency, share, exposure } => json!({
                "kind": "shutter", "waveform": "pwm", "frequency_hz": frequency, "exposure_s": exposure,
                "duty": share }),
            Self::Flicker { frequency, modulation } => json!({ "kind": "flicker",
                "frequency_hz": frequency, "modulation_percent": modulation * 100.0 }),
        }
    }
}

impl Law {
    const fn name(self) -> &'static str {
        match self {
            Self::Linear => "linear",
            Self::Square => "square",
            Self::Gamma22 => "gamma-2.2",
            Self::Lightness => "lightness",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::Parser;

    #[derive(Debug, Parser)]
    struct Shell {
        #[arg(long, global = true)]
        json: bool,
        #[command(flatten)]
        reckon: ReckonArgs,
    }

    fn typed(words: &str) -> Result<String, String> {
        let words = std::iter::once("reckon").chain(words.split_whitespace());
        let shell = Shell::try_parse_from(words).map_err(|error| error.to_string())?;
        let mut out = Vec::new();
        run(&shell.reckon, shell.json, &mut out).map_err(|fault| fault.to_string())?;
        Ok(String::from_utf8(out).unwrap())
    }

    #[test]
    fn the_command_line_is_consistent() {
        use clap::CommandFactory;
        Shell::command().debug_assert();
    }

    /// Source: arithmetic by hand: 250 x 2.8² / (0.02 x 800) = 122.5; 1.5 m x 1.4142 = 2.121 m;
    /// 1e6 / 3200 = 312.5, 1e6 / 5600 = 178.57.
    #[test]
    fn people_read_the_result_its_formula_and_its_units() {
        for (words, parts) in [
            ("exposure --iso 800 --f 2.8 --shutter 1/50", vec!["122.5 lx", "E = C N² / (t S)", "ISO 2720"]),
            ("exposure --iso 800 --f f/2.8 --shutter 20ms --nd 0.6", vec!["487.7 lx", "× 10^0.6"]),
            ("ratio --key 500lx --fill 250lx", vec!["2:1", "1 stop", "3:1", "1.585 stops"]),
            ("ratio --key 500lx --fill 0lx", vec!["no fill"]),
            ("distance 1.5m --stops -1", vec!["2.121 m", "1 stop less", "d × 2^(-stops / 2)"]),
            ("distance 5ft --stops +1/3", vec!["1.358 m", "0.3333 stops more"]),
            ("mired 3200K 5600K", vec!["312.5", "178.6", "-133.9 mired", "cooler"]),
            ("mired 5600 3200", vec!["+133.9 mired, warmer"]),
            ("colour 5600K --duv -0.003", vec!["x 0.3", "magenta", "178.6 mired"]),
            ("colour --xy 0.2,0.7", vec!["no colour temperature"]),
            ("point --candela 1280cd --distance 2m --angle 60deg", vec!["160 lx", "cos"]),
            ("disc --radius 45cm --distance 1m --luminance 1200cd/m2", vec!["634.8 lx", "0.266 stops"]),
            ("curve square --code 128", vec!["0.252 of full", "1.989 stops under"]),
            ("curve linear --code 0", vec!["dark"]),
            (
                "shutter pwm --frequency 100Hz --share 20% --exposure 1/200",
                vec!["ripple 1 ", "no light at all"],
            ),
            ("flicker --frequency 100Hz --modulation 5%", vec!["low-risk", "8 %", "3.33 %"]),
        ] {
            let text = typed(words).unwrap();
            for part in parts {
                assert!(text.contains(part), "{words}: {part:?} is not in\n{text}");
            }
        }
    }

    #[test]
    fn programs_get_the_answer_as_json() {
        let answer: Value =
            serde_json::from_str(&typed("ratio --key 4fc --fill 1fc --json").unwrap()).unwrap();
        assert_eq!(answer["key_to_fill"], 4.0);
    }

    #[test]
    fn a_slip_says_what_is_wrong_and_what_to_do() {
        for (words, part) in [
            ("mired 3200K 200K", "`to_kelvin` 200 is not between 1000 and 20000 K; give `to_kelvin`"),
            ("ratio --key 500K --fill 250lx", "`500K` is not an illuminance such as 500lx or 46fc"),
            ("distance 1.5m --stops NaN", "is not a level in stops such as -1 or +1/3"),
            ("curve square --code 300", "`code` 300 is not a whole number from 0 to 2^bits - 1"),
            ("colour 5600K --xy 0.3,0.3", "cannot be used with"),
            ("--lines mired 3200K 5600K", "give either one sum, such as `exposure`, or --lines"),
        ] {
            let error = typed(words).unwrap_err();
            assert!(error.contains(part), "{words}: {error}");
        }
        let shell = Shell { json: false, reckon: ReckonArgs { lines: false, sum: None } };
        let fault = run(&shell.reckon, shell.json, &mut Vec::new()).unwrap_err();
        assert_eq!(fault.exit_code(), 2);
    }
}
