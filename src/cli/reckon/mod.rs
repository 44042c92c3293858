//! `lampkeep reckon`: the light arithmetic for people, with formula and units, and as JSON lines.
//!
//! Builds the request that a program would send, has `crate::reckon` answer it and puts the answer in
//! words. No arithmetic of its own.

mod file;
mod quantity;
mod request;
mod said;
mod sums;

use std::io::{self, Write};

use clap::Args;

use self::sums::Sum;
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

/// A length such as `1.5m`, in metres.
pub(super) fn metres(text: &str) -> Result<f64, String> {
    quantity::metres(text)
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
        None if args.lines => reckon::lines(io::stdin().lock(), &mut *out, &file::text),
        Some(sum) if !args.lines => {
            let answer = reckon::answer(&sum.request()?, &file::text)?;
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

#[cfg(test)]
mod tests {
    use super::*;
    use clap::Parser;
    use serde_json::Value;

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
            (
                "exposure --iso 800 --f 2.8 --shutter 1/50",
                vec!["122.5 lx (11.38 fc)", "E = C N² / (t S)", "ISO 2720"],
            ),
            ("exposure --iso 800 --f 2.8 --shutter 180deg --fps 25", vec!["122.5 lx (11.38 fc)", "0.02 s"]),
            ("exposure --iso 800 --f f/2.8 --shutter 20ms --nd 0.6", vec!["487.7 lx", "× 10^0.6"]),
            ("ratio --key 500lx --fill 250lx", vec!["2:1", "1 stop", "3:1", "1.585 stops"]),
            ("ratio --key 500lx --fill 0lx", vec!["no fill"]),
            ("distance 1.5m --stops -1", vec!["2.121 m", "1 stop less", "d × 2^(-stops / 2)"]),
            ("distance 5ft --stops +1/3", vec!["1.358 m", "0.3333 stops more"]),
            // √((1.5² + 0.45²) × 2 - 0.45²) = √4.7025
            ("distance 1.5m --stops -1 --radius 45cm", vec!["2.169 m", "1 stop less", "on the axis"]),
            ("distance 45cm --stops 1 --radius 45cm", vec!["no distance gives 1 stop more"]),
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
            // One emitter in its own colour; two equal halves of one colour.
            ("mix --emitter 4000K:800lx --kelvin 4000K", vec!["800 lx at 1 m of that colour", "1: 100.0 %"]),
            ("mix --emitter 0.3,0.3:70lx --emitter 0.3,0.3:30lx --xy 0.3,0.3", vec!["100 lx", "2: 100.0 %"]),
            ("mix --emitter 0.3,0.3:70lx --xy 0.4,0.3", vec!["70 lx", "x 0.3000", "cannot mix"]),
            // 24 + 70 × 0.6 = 66 °C in the end; 25 min × ln(42 / 6) = 48.65 min; 66 - 42 e^(-12/25) = 40.01.
            (
                "heat --resistance 0.6K/W --tau 25min --room 24C --watts 70W --limit 60C --after 12min",
                vec!["60 °C after 48.65 min", "40.0 °C after 12 min", "estimated"],
            ),
            (
                "heat --resistance 0.6K/W --tau 25min --room 24C --watts 70W --limit 66C",
                vec!["never reaches 66 °C"],
            ),
            ("flash --rate 4Hz 100% 0% 100% 0%", vec!["1 flash in the worst second", "within", "3 changes"]),
            ("flash --rate 8Hz 1 0 1 0 1 0 1 0 1", vec!["over the limit"]),
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
            (
                "exposure --iso 800 --f 2.8 --shutter 180deg",
                "a shutter's angle needs the frame rate: add --fps 25",
            ),
            ("exposure --iso 800 --f 2.8 --shutter 180deg --fps 0", "a frame rate is above 0"),
            ("exposure --iso 800 --f 2.8 --shutter 50", "`50` may be 1/50 or 50s: write which is meant"),
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
