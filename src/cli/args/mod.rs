//! The commands and their help, defined once.

mod help;
mod readings;
mod slips;
mod takes;
mod values;

use std::ffi::OsString;
use std::path::PathBuf;
use std::time::Duration;

use clap::{CommandFactory, Parser, Subcommand};

use super::complete::{CompleteArgs, cold, lamps, looks, matched, nudged, points, sets, takes as taken};
use super::device::DeviceArgs;
use super::draw::DrawArgs;
use super::papers::PapersArgs;
use super::reckon::ReckonArgs;
use super::rehearse_args::RehearseArgs;
use super::wrap::WrapArgs;
use crate::plan::room_celsius;
use crate::units::Celsius;
pub use readings::{CalibrateArgs, MeterArgs};
pub use takes::{ProtectCommand, TakeCommand};
pub(super) use values::{pace, span};

/// Planned light for interviews, on the wire: steady, guarded, repeatable.
#[derive(Debug, Parser)]
#[command(
    name = "lampkeep",
    version = crate::version::TEXT,
    max_term_width = 100,
    subcommand_value_name = "COMMAND",
    subcommand_help_heading = "Commands",
    after_help = help::ARGS
)]
pub struct Args {
    /// Which set's daemon to talk to, where several run
    #[arg(long, global = true, value_name = "NAME", add = sets())]
    pub set: Option<String>,
    /// Print the result as JSON
    #[arg(long, global = true)]
    pub json: bool,
    /// What to do
    #[command(subcommand)]
    pub command: Command,
}

impl Args {
    /// What was typed, the program's name first. Ends the program on `--help` and on wrong usage.
    #[must_use]
    pub fn typed(words: impl IntoIterator<Item = OsString>) -> Self {
        let words: Vec<OsString> = words.into_iter().collect();
        // A line that is being completed stands as it is.
        let as_is = words.get(1).is_some_and(|word| word == "complete");
        let words = if as_is { words } else { options_first(words) };
        let parsed = Self::try_parse_from(&words);
        parsed.unwrap_or_else(|e| slips::with_next_step(e, &Self::command(), &words).exit())
    }
}

/// Moves the options behind a nudge's changes, or a reading's values, to before them: a change may begin with a hyphen,
/// so everything from the first one on counts as changes.
fn options_first(words: impl IntoIterator<Item = OsString>) -> Vec<OsString> {
    let mut words = words.into_iter();
    let mut first = Vec::new();
    for word in words.by_ref() {
        let hyphens = word == "nudge" || word == "read";
        first.push(word);
        if hyphens {
            break;
        }
    }
    let mut rest = Vec::new();
    while let Some(word) = words.next() {
        match word.to_str() {
            Some("--") => {
                rest.push(word);
                rest.extend(words.by_ref());
            }
            Some("--set" | "--meter") => first.extend(std::iter::once(word).chain(words.next())),
            Some(text)
                if ["--json", "--help", "-h", "--dome"].contains(&text)
                    || ["--set=", "--meter="].iter().any(|option| text.starts_with(option)) =>
            {
                first.push(word);
            }
            _ => rest.push(word),
        }
    }
    first.extend(rest);
    first
}

/// Every command.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Ask a few questions and write a first plan
    #[command(after_help = help::NEW)]
    New {
        /// File to write; it must not exist
        #[arg(default_value = "interview.toml")]
        plan: PathBuf,
    },
    /// List the fixture profiles at hand and what each drives
    #[command(after_help = help::PROFILES)]
    Profiles {
        /// Also those that this plan brings along
        plan: Option<PathBuf>,
    },
    /// Find every error in a plan, then say what the set can and cannot do
    #[command(after_help = help::CHECK)]
    Check {
        /// The plan
        plan: PathBuf,
        /// Temperature of the room for the heat forecast, such as 35, 35C or 95F [default: the plan's]
        #[arg(long, value_name = "TEMPERATURE", value_parser = room_celsius, allow_hyphen_values = true)]
        ambient: Option<Celsius>,
    },
    /// Go through the running order with no hardware, on virtual time
    #[command(after_help = help::REHEARSE)]
    Rehearse(RehearseArgs),
    /// Draw the set from above and from the side, and the face in every look, before a lamp is in the room
    #[command(after_help = help::DRAW)]
    Draw(DrawArgs),
    /// Print the rig sheet: each lamp's body, place, mode, address, circuit, modifier
    #[command(after_help = help::SHEET)]
    Sheet {
        /// The plan
        plan: PathBuf,
        /// Write it to this file as a page to print, with the set from above and from the side
        #[arg(long, value_name = "FILE")]
        out: Option<PathBuf>,
        /// Feet and inches in that drawing
        #[arg(long, requires = "out")]
        feet: bool,
    },
    /// Run the daemon in the foreground
    #[command(after_help = help::RUN)]
    Run {
        /// The plan
        plan: PathBuf,
        /// Replace every interface with the simulator
        #[arg(long)]
        simulate: bool,
        /// Write every changed frame that the simulators receive to this file
        #[arg(long, value_name = "FILE", requires = "simulate")]
        record: Option<PathBuf>,
    },
    /// Take the changed plan, or keep the old one lit and say why not
    #[command(after_help = help::RELOAD)]
    Reload,
    /// Bring a look up, or the light of a take
    #[command(after_help = help::RECALL)]
    Recall {
        /// The look's name
        #[arg(required_unless_present = "take", conflicts_with = "take", add = looks())]
        look: Option<String>,
        /// What was lit in that take instead: 4/3, or its log number n12
        #[arg(long, value_name = "TAKE", conflicts_with = "at", add = taken())]
        take: Option<String>,
        /// Length of the fade, such as 2s or 0s
        #[arg(long, value_name = "SPAN", value_parser = span)]
        over: Option<Duration>,
        /// Start after this long, such as 10s
        #[arg(long = "in", value_name = "SPAN", value_parser = span, conflicts_with = "at")]
        delay: Option<Duration>,
        /// Start at this instant (RFC 3339)
        #[arg(long, value_name = "TIME")]
        at: Option<String>,
    },
    /// Go to the next look of the running order
    #[command(after_help = help::NEXT)]
    Next {
        /// Length of the fade, such as 2s
        #[arg(long, value_name = "SPAN", value_parser = span)]
        over: Option<Duration>,
        /// Start after this long, such as 10s
        #[arg(long = "in", value_name = "SPAN", value_parser = span)]
        delay: Option<Duration>,
    },
    /// Go back one look in the running order
    #[command(after_help = help::PREVIOUS)]
    Previous {
        /// Length of the fade, such as 2s
        #[arg(long, value_name = "SPAN", value_parser = span)]
        over: Option<Duration>,
        /// Start after this long, such as 10s
        #[arg(long = "in", value_name = "SPAN", value_parser = span)]
        delay: Option<Duration>,
    },
    /// Forget whatever is scheduled
    #[command(after_help = help::CANCEL)]
    Cancel,
    /// Change one lamp, a group or all a little, until the next recall
    #[command(after_help = help::NUDGE)]
    Nudge {
        /// Fixture id, body name, group, or `all`
        #[arg(add = nudged())]
        lamp: String,
        /// +1/3 or -0.5 (stops), +200K, +10mired, +0.002duv
        #[arg(required = true, value_name = "CHANGE", allow_hyphen_values = true)]
        change: Vec<String>,
    },
    /// Save what is lit as a look: the present one, or of this name
    #[command(after_help = help::KEEP)]
    Keep {
        /// Name; letters, digits and `-`
        #[arg(add = looks())]
        name: Option<String>,
    },
    /// Fade everything out. Dark is not off: lamps stay on the mains and hot
    #[command(after_help = help::DARK)]
    Dark {
        /// Cut instead of fading
        #[arg(long)]
        now: bool,
    },
    /// Go to the low look that spares people and lamps
    #[command(after_help = help::REST)]
    Rest,
    /// Go back to the last working light
    #[command(after_help = help::AGAIN)]
    Again,
    /// Light that lamp alone, for metering
    #[command(after_help = help::ONLY)]
    Only {
        /// Fixture id or body name
        #[arg(add = lamps())]
        lamp: String,
    },
    /// Lead through meter readings of one lamp, and write its calibration beside the kit
    #[command(after_help = help::CALIBRATE)]
    Calibrate(CalibrateArgs),
    /// Lead through a look's meter readings: room light, each lamp alone, all together; then offer trims
    #[command(after_help = help::METER)]
    Meter(MeterArgs),
    /// Note one meter reading; what is lit at that moment gives it its meaning, at dark it is room light
    #[command(after_help = help::READ)]
    Read {
        /// Meter point, or a lamp
        #[arg(add = points())]
        point: String,
        /// 250lx, 23fc, f/2.8+0.3, 5120K, +0.003duv, under1lx
        #[arg(required = true, value_name = "VALUE", allow_hyphen_values = true)]
        value: Vec<String>,
        /// The meter has a dome, no flat receptor
        #[arg(long)]
        dome: bool,
        /// The meter, in words
        #[arg(long, value_name = "TEXT")]
        meter: Option<String>,
    },
    /// Hold today's readings against a take's or the plan's: what to trim or move
    #[command(after_help = help::MATCH)]
    Match {
        /// A take such as 4/3 or n12, or `plan`
        #[arg(required_unless_present = "undo", add = matched())]
        take: Option<String>,
        /// Another look than the take's; with `plan` what is lit or was
        #[arg(long, value_name = "LOOK", add = looks())]
        look: Option<String>,
        /// Set the trims
        #[arg(long)]
        apply: bool,
        /// Take the trims of the last match back
        #[arg(long, conflicts_with_all = ["take", "look", "apply"])]
        undo: bool,
    },
    /// Lower that lamp one stop for a second, then the identical frame
    #[command(after_help = help::WINK)]
    Wink {
        /// Fixture id or body name
        #[arg(add = lamps())]
        lamp: String,
    },
    /// Find what stops the output from working, and the cure
    #[command(after_help = help::DOCTOR)]
    Doctor {
        /// The plan whose outputs are looked at
        plan: Option<PathBuf>,
    },
    /// Show each lamp in turn, low, with its name: finds wrong addresses and modes
    #[command(after_help = help::ROLLCALL)]
    Rollcall {
        /// Lead through the lamps one by one, and find where one that stays dark listens
        #[arg(long, conflicts_with = "each")]
        ask: bool,
        /// Time for each lamp
        #[arg(long, value_name = "SPAN", value_parser = span)]
        each: Option<Duration>,
    },
    /// Say that a lamp is not here today
    #[command(after_help = help::ABSENT)]
    Absent {
        /// Fixture id or body name
        #[arg(add = lamps())]
        lamp: String,
        /// It is back
        #[arg(long)]
        back: bool,
    },
    /// Say that a lamp is at room temperature
    #[command(after_help = help::COLD)]
    Cold {
        /// Fixture id, body name, or `all`
        #[arg(add = cold())]
        lamp: String,
    },
    /// Start or end a take (while it rolls nothing changes light or plan but `dark`), correct and list takes
    #[command(subcommand, after_help = help::TAKE)]
    Take(TakeCommand),
    /// Read the take log, also while the daemon is down; carry takes to another machine
    #[command(after_help = help::LOG)]
    Log(super::log::LogArgs),
    /// End the day: dark, the continuity sheet, the log's export, and what is still hot
    #[command(after_help = help::WRAP)]
    Wrap(WrapArgs),
    /// Sit in front of the camera: next, previous, takes and dark on a foot pedal or presenter remote
    #[command(after_help = help::CHAIR)]
    Chair {
        /// Wait this long before next, previous and take start, with a countdown
        #[arg(long = "in", value_name = "SPAN", value_parser = span)]
        delay: Option<Duration>,
        /// Teach the buttons again
        #[arg(long)]
        learn: bool,
    },
    /// Hold every lamp that reaches a protected face at zero, or end that in two steps
    #[command(subcommand, after_help = help::PROTECT)]
    Protect(ProtectCommand),
    /// Show what is lit, what is next, what needs attention
    #[command(after_help = help::STATUS)]
    Status {
        /// Keep it on screen, large
        #[arg(long)]
        follow: bool,
        /// Only tell whether lampkeep may be restarted unseen: ends with 0 if nothing is lit, fades, waits or rolls,
        /// else with 1
        #[arg(long, conflicts_with = "follow")]
        dark: bool,
    },
    /// Show how each target of a look becomes slot values
    #[command(after_help = help::EXPLAIN)]
    Explain {
        /// Its name
        #[arg(add = looks())]
        look: String,
        /// Read this plan instead of asking the daemon
        #[arg(long, value_name = "PLAN")]
        plan: Option<PathBuf>,
    },
    /// Work out light: exposure, ratio, distance, mired and more
    Reckon(ReckonArgs),
    /// Be a simulated interface: a port for a plan to name, measured, that fails when told to
    #[command(after_help = help::DEVICE)]
    Device(DeviceArgs),
    /// Write the manual pages, the completions of shells and the plan's JSON Schemas into a folder
    #[command(hide = true, after_help = help::PAPERS)]
    Papers(PapersArgs),
    /// What may stand at the cursor, for the completions of shells; never says what is wrong
    #[command(hide = true, after_help = help::COMPLETE)]
    Complete(CompleteArgs),
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_command_line_is_sound_and_every_command_has_an_example() {
        let command = Args::command();
        command.clone().debug_assert();
        for sub in command.get_subcommands() {
            let help = sub.clone().render_long_help().to_string();
            assert!(help.contains("Example"), "{} has no example", sub.get_name());
        }
    }

    #[test]
    fn options_may_stand_behind_the_changes_of_a_nudge() {
        let typed = ["lampkeep", "nudge", "key", "-0.5", "+200K", "--json", "--set", "quay"];
        let args = Args::try_parse_from(options_first(typed.map(OsString::from))).unwrap();
        assert!(args.json && args.set.as_deref() == Some("quay"));
        let Command::Nudge { lamp, change } = args.command else { panic!("nudge") };
        assert_eq!((lamp.as_str(), change), ("key", vec!["-0.5".to_owned(), "+200K".to_owned()]));
    }

    #[test]
    fn negative_nudges_need_no_double_dash() {
        let args = Args::try_parse_from(["lampkeep", "nudge", "key", "-0.5", "+200K"]).unwrap();
        let Command::Nudge { change, .. } = args.command else { panic!("nudge") };
        assert_eq!(change, ["-0.5", "+200K"]);
    }
}
