//! What `rehearse` may be told: times in the order, lamps, faults.

use std::path::PathBuf;

use super::args::{pace, span};
use super::complete;
use crate::plan::room_celsius;
use crate::rehearse::{Begin, Fault, Lamps};
use crate::units::Celsius;

/// What `rehearse` may be told.
#[derive(Debug, clap::Args)]
pub struct RehearseArgs {
    /// The plan; the built-in demo when left out
    pub plan: Option<PathBuf>,
    /// Begin here: a time such as 12:30, 1:05:00 or 45min, or the first step with this look
    #[arg(long, value_name = "TIME|LOOK", value_parser = begin, add = complete::begin())]
    pub from: Option<Begin>,
    /// End here; a time after the order's end goes through it again
    #[arg(long, value_name = "TIME", value_parser = time)]
    pub to: Option<f64>,
    /// Temperature of the room, for heat, such as 35, 35C or 95F [default: the plan's]
    #[arg(long, value_name = "TEMPERATURE", value_parser = room_celsius, allow_hyphen_values = true)]
    pub ambient: Option<Celsius>,
    /// The lamps at the beginning: cold, or warm as they are once the order has been gone through
    #[arg(long, value_name = "cold|warm", value_parser = lamps, default_value = "cold",
        add = complete::words(&["cold", "warm"]))]
    pub lamps: Lamps,
    /// What fails, when and for how long [30 s]: usb@12:30, usb:OUTPUT@12:30+45s, broker@14:00, power@15:10
    #[arg(long, value_name = "FAULT", value_delimiter = ',', value_parser = fault)]
    pub fault: Vec<Fault>,
    /// Run at this many times real time instead of as fast as possible; 1 is real time
    #[arg(long, value_name = "TIMES", value_parser = pace)]
    pub pace: Option<f64>,
    /// Write report.html, its pictures, the timeline (text and JSON) and every changed frame into this folder
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Each look's face in the report: small, fine (640 by 640, takes its time), or none
    #[arg(long, value_name = "none|small|fine", value_parser = faces, default_value = "small", requires = "out")]
    pub faces: Faces,
}

/// How the faces of a report are drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Faces {
    /// Not at all.
    None,
    /// Small: 256 by 256.
    Small,
    /// As `draw --look` draws them: 640 by 640.
    Fine,
}

fn faces(text: &str) -> Result<Faces, String> {
    match text {
        "none" => Ok(Faces::None),
        "small" => Ok(Faces::Small),
        "fine" => Ok(Faces::Fine),
        _ => Err("faces are `small`, `fine` or `none`".to_owned()),
    }
}

/// A time in the order: `12:30` (minutes and seconds), `1:05:00`, or a span such as `45min`.
fn time(text: &str) -> Result<f64, String> {
    if !text.contains(':') {
        return span(text).map(|s| s.as_secs_f64());
    }
    let wrong = || "write a time as 12:30 (minutes and seconds), 1:05:00 or 45min, up to 24 h".to_owned();
    let parts: Vec<&str> = text.split(':').collect();
    let figure = |part: &str, places: std::ops::RangeInclusive<usize>| -> Option<u32> {
        let digits = places.contains(&part.len()) && part.bytes().all(|b| b.is_ascii_digit());
        digits.then(|| part.parse().ok()).flatten()
    };
    let (h, m, s) = match parts.as_slice() {
        [m, s] => (Some(0), figure(m, 1..=4), figure(s, 2..=2)),
        [h, m, s] => (figure(h, 1..=2), figure(m, 2..=2).filter(|m| *m < 60), figure(s, 2..=2)),
        _ => (None, None, None),
    };
    let (Some(h), Some(m), Some(s)) = (h, m, s.filter(|s| *s < 60)) else { return Err(wrong()) };
    let seconds = f64::from(h) * 3600.0 + f64::from(m) * 60.0 + f64::from(s);
    if seconds <= 86_400.0 { Ok(seconds) } else { Err(wrong()) }
}

fn begin(text: &str) -> Result<Begin, String> {
    match time(text) {
        Ok(seconds) => Ok(Begin::Seconds(seconds)),
        Err(_) if crate::plan::is_set_name(text) => Ok(Begin::Look(text.to_owned())),
        Err(said) => Err(said),
    }
}

fn lamps(text: &str) -> Result<Lamps, String> {
    match text {
        "cold" => Ok(Lamps::Cold),
        "warm" => Ok(Lamps::Warm),
        _ => Err("lamps are `cold` or `warm`".to_owned()),
    }
}

fn fault(text: &str) -> Result<Fault, String> {
    Fault::read(text, time, |t| span(t).map(|s| s.as_secs_f64()))
}

#[cfg(test)]
mod tests {
    use super::super::args::{Args, Command};
    use super::*;
    use clap::Parser;

    #[test]
    fn times_in_the_order_are_minutes_and_seconds_or_have_hours_or_a_unit() {
        assert_eq!(time("12:30"), Ok(750.0));
        assert_eq!(time("106:00"), Ok(6360.0));
        assert_eq!(time("1:05:00"), Ok(3900.0));
        assert_eq!(time("10h"), Ok(36_000.0));
        for bad in
            ["12", "12:3", "1:2:3", "1:60:00", "12:60", ":30", "a:b", "25:00:00", "1:00:00:00", "-1:00"]
        {
            assert!(time(bad).is_err(), "{bad}");
        }
        assert_eq!(begin("quay-dusk"), Ok(Begin::Look("quay-dusk".to_owned())));
        assert_eq!(begin("45min"), Ok(Begin::Seconds(2700.0)));
        assert!(begin("12:3").is_err());
    }

    #[test]
    fn faults_say_what_when_and_for_how_long() {
        let typed = [
            "lampkeep",
            "rehearse",
            "--fault",
            "usb@12:30,broker@14:00+60s",
            "--fault",
            "usb:wall-rail@1:00:00",
        ];
        let Command::Rehearse(args) = Args::try_parse_from(typed).unwrap().command else {
            panic!("rehearse")
        };
        let said: Vec<String> = args.fault.iter().map(ToString::to_string).collect();
        assert_eq!(said, ["usb@0:12:30+30s", "broker@0:14:00+60s", "usb:wall-rail@1:00:00+30s"]);
        for bad in
            ["usb", "usb@", "lamp@1:00", "usb:@1:00", "usb@1:00+0s", "usb@1:00+", "@1:00", "power:x@1:00"]
        {
            assert!(fault(bad).is_err(), "{bad}");
        }
    }
}
