//! The commands and their help, defined once.

use std::ffi::OsString;
use std::path::PathBuf;
use std::time::Duration;

use clap::{Parser, Subcommand};

use super::device::DeviceArgs;
use super::draw::DrawArgs;
use super::reckon::ReckonArgs;
use super::rehearse_args::RehearseArgs;
use super::takes::SheetArgs;
use super::wrap::WrapArgs;
use crate::control::TakeMark;
use crate::units::Celsius;

/// Planned light for interviews, on the wire: steady, guarded, repeatable.
#[derive(Debug, Parser)]
#[command(
    name = "lampkeep",
    version,
    max_term_width = 100,
    after_help = "Exit codes: 0 done · 1 could not be met · 2 wrong usage · 3 the plan has errors · \
                  4 no daemon answers · 5 refused by a guard\n\n\
                  Start with: lampkeep rehearse\n\n\
                  Lit lamps are never left unattended. Dark is not off: lamps stay on the mains and hot."
)]
pub struct Args {
    /// Which set's daemon to talk to, where several run
    #[arg(long, global = true, value_name = "NAME")]
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
        Self::parse_from(options_first(words))
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

/// What `calibrate` may be told.
#[derive(Debug, clap::Args)]
pub struct CalibrateArgs {
    /// Fixture id or body name
    pub lamp: String,
    /// From the lamp's lit front to the receptor [default: 1m]
    #[arg(long, value_name = "LENGTH", value_parser = metres)]
    pub distance: Option<f64>,
    /// The meter, in words
    #[arg(long, value_name = "TEXT")]
    pub meter: Option<String>,
    /// What else should be known: mains, room temperature
    #[arg(long, value_name = "TEXT")]
    pub conditions: Option<String>,
    /// Read the levels upwards too
    #[arg(long)]
    pub up: bool,
    /// Sweep every emitter that has a level of its own, not only the brightest
    #[arg(long)]
    pub every_emitter: bool,
}

/// What `meter` may be told.
#[derive(Debug, clap::Args)]
pub struct MeterArgs {
    /// The look; what is lit or was when left out
    pub look: Option<String>,
    /// Take the trims of the last walk back
    #[arg(long, conflicts_with_all = ["look", "dome", "places", "again", "meter"])]
    pub undo: bool,
    /// The meter has a dome, no flat receptor
    #[arg(long)]
    pub dome: bool,
    /// Read room light and all together at every point, not only at the face
    #[arg(long)]
    pub places: bool,
    /// Read everything anew, also what was read within the hour
    #[arg(long)]
    pub again: bool,
    /// The meter, in words
    #[arg(long, value_name = "TEXT")]
    pub meter: Option<String>,
}

/// A room's temperature, with or without its unit.
pub(super) fn ambient(text: &str) -> Result<Celsius, String> {
    let number = text.trim_end_matches(['C', '°', ' ']);
    let celsius: Option<f64> = number.parse().ok();
    celsius
        .filter(|c| (-40.0..=60.0).contains(c))
        .and_then(|c| Celsius::new(c).ok())
        .ok_or_else(|| "a room has -40 to 60 degrees Celsius, such as 35".to_owned())
}

fn metres(text: &str) -> Result<f64, String> {
    let metres = super::reckon::metres(text)?;
    if (0.1..=100.0).contains(&metres) {
        Ok(metres)
    } else {
        Err("a distance lies between 0.1m and 100m".to_owned())
    }
}

/// Every command.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Ask a few questions and write a first plan
    #[command(after_help = "Example: lampkeep new interview.toml")]
    New {
        /// File to write; it must not exist
        #[arg(default_value = "interview.toml")]
        plan: PathBuf,
    },
    /// List the fixture profiles at hand and what each drives
    #[command(after_help = "Example: lampkeep profiles")]
    Profiles {
        /// Also those that this plan brings along
        plan: Option<PathBuf>,
    },
    /// Find every error in a plan, then say what the set can and cannot do
    #[command(after_help = "Examples:\n  lampkeep check interview.toml\n  \
                            lampkeep check interview.toml --ambient 35")]
    Check {
        /// The plan
        plan: PathBuf,
        /// Temperature of the room in degrees Celsius for the heat forecast [default: the plan's]
        #[arg(long, value_name = "CELSIUS", value_parser = ambient, allow_negative_numbers = true)]
        ambient: Option<Celsius>,
    },
    /// Go through the running order with no hardware, on virtual time
    #[command(after_help = "Examples:\n  lampkeep rehearse                the built-in demo\n  \
                            lampkeep rehearse interview.toml --ambient 35 --lamps warm\n  \
                            lampkeep rehearse interview.toml --from quay-dusk --to 1:30:00\n  \
                            lampkeep rehearse --fault usb@12:30,broker@14:00+60s,power@15:10\n  \
                            lampkeep rehearse interview.toml --pace 1 --out rehearsal\n\n\
                            Times count from the order's beginning. Takes and rests are those of the order: one take\n\
                            a look unless its step says `takes`. Ends with 5 where a step is refused.")]
    Rehearse(RehearseArgs),
    /// Draw the set from above and from the side, and the face in every look, before a lamp is in the room
    #[command(
        after_help = "Examples:\n  lampkeep draw interview.toml                 the set, and all looks on one sheet\n  \
                            lampkeep draw interview.toml --look quay-dusk    the set and the face in that light\n  \
                            lampkeep draw interview.toml --draft --feet --out /tmp/first\n\n\
                            Writes SVG and PNG. Planned, not measured: the light is the engine's, the head is nobody's.\n\
                            In a look marked `protect` it tells whether the face would be seen with shadows lifted."
    )]
    Draw(DrawArgs),
    /// Print the rig sheet: each lamp's body, place, mode, address, circuit, modifier
    #[command(after_help = "Examples:\n  lampkeep sheet interview.toml > rig.txt\n  \
                            lampkeep sheet interview.toml --out rig.html    with the set drawn, to print")]
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
    #[command(
        after_help = "Examples:\n  lampkeep run interview.toml --simulate\n  lampkeep run interview.toml\n\n\
                            Stop it with Ctrl-C: it does with the light what `on-stop` says.\n\
                            SIGHUP takes the changed plan, as `lampkeep reload` does."
    )]
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
    #[command(after_help = "Example: lampkeep reload")]
    Reload,
    /// Bring a look up, or the light of a take
    #[command(
        after_help = "Examples:\n  lampkeep recall quay-dusk\n  lampkeep recall quay-dusk --over 0s\n  \
                            lampkeep recall --take 4/3\n  lampkeep recall --take n12 --over 0s\n  \
                            lampkeep recall quay-dusk --in 10s\n  \
                            lampkeep recall quay-dusk --at 2026-05-04T10:00:00Z"
    )]
    Recall {
        /// The look's name
        #[arg(required_unless_present = "take", conflicts_with = "take")]
        look: Option<String>,
        /// What was lit in that take instead: 4/3, or its log number n12
        #[arg(long, value_name = "TAKE", conflicts_with = "at")]
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
    #[command(after_help = "Examples:\n  lampkeep next\n  lampkeep next --in 10s")]
    Next {
        /// Length of the fade, such as 2s
        #[arg(long, value_name = "SPAN", value_parser = span)]
        over: Option<Duration>,
        /// Start after this long, such as 10s
        #[arg(long = "in", value_name = "SPAN", value_parser = span)]
        delay: Option<Duration>,
    },
    /// Go back one look in the running order
    #[command(after_help = "Example: lampkeep previous --over 5s")]
    Previous {
        /// Length of the fade, such as 2s
        #[arg(long, value_name = "SPAN", value_parser = span)]
        over: Option<Duration>,
        /// Start after this long, such as 10s
        #[arg(long = "in", value_name = "SPAN", value_parser = span)]
        delay: Option<Duration>,
    },
    /// Forget whatever is scheduled
    #[command(after_help = "Example: lampkeep cancel")]
    Cancel,
    /// Change one lamp, a group or all a little, until the next recall
    #[command(after_help = "Examples:\n  lampkeep nudge key +1/3\n  lampkeep nudge fill -0.5 +200K\n  \
                            lampkeep nudge all -1\n  lampkeep nudge hair +10mired +0.002duv")]
    Nudge {
        /// Fixture id, body name, group, or `all`
        lamp: String,
        /// +1/3 or -0.5 (stops), +200K, +10mired, +0.002duv
        #[arg(required = true, value_name = "CHANGE", allow_hyphen_values = true)]
        change: Vec<String>,
    },
    /// Save what is lit as a look: the present one, or of this name
    #[command(after_help = "Examples:\n  lampkeep keep\n  lampkeep keep quay-late")]
    Keep {
        /// Name; letters, digits and `-`
        name: Option<String>,
    },
    /// Fade everything out. Dark is not off: lamps stay on the mains and hot
    #[command(after_help = "Examples:\n  lampkeep dark\n  lampkeep dark --now\n\n\
                            It is no emergency stop: pull the plug for that.")]
    Dark {
        /// Cut instead of fading
        #[arg(long)]
        now: bool,
    },
    /// Go to the low look that spares people and lamps
    #[command(after_help = "Example: lampkeep rest")]
    Rest,
    /// Go back to the last working light
    #[command(after_help = "Example: lampkeep again")]
    Again,
    /// Light that lamp alone, for metering
    #[command(after_help = "Example: lampkeep only key")]
    Only {
        /// Fixture id or body name
        lamp: String,
    },
    /// Lead through meter readings of one lamp, and write its calibration beside the kit
    #[command(
        after_help = "Examples:\n  lampkeep calibrate B3\n  lampkeep calibrate key --distance 2m --up\n  \
                            lampkeep calibrate B3 --meter \"flat receptor, serial 12\" < readings.txt\n\n\
                            At each step type what the meter shows and Enter: 250lx, 23fc, f/2.8+0.3, under1lx;\n\
                            for colour 5120K +0.003duv 250lx, or xy0.69,0.30 230lx. `flickers` may be added.\n\
                            skip leaves a step out, redo goes one back, quit stops: the readings are kept, and\n\
                            the same command goes on.\n\n\
                            The lamp goes to full: do not look into it, and let it cool before you touch it."
    )]
    Calibrate(CalibrateArgs),
    /// Lead through a look's meter readings: room light, each lamp alone, all together; then offer trims
    #[command(
        after_help = "Examples:\n  lampkeep meter short-talk\n  lampkeep meter --places --meter \"serial 12\"\n  \
                            lampkeep meter short-talk < readings.txt\n  lampkeep meter --undo\n\n\
                            At each step type what the meter shows and Enter: 250lx, 23fc, f/2.8+0.3, under1lx, with its\n\
                            colour where it has one: 250lx 5120K +0.003duv. skip leaves a step out, redo goes one back,\n\
                            quit stops: the readings are kept, and the same command goes on. Five lamps take seven.\n\
                            Then both ratios, whether there is other light, and each trim that reaches the plan: Enter\n\
                            sets it. Do not look into a lamp."
    )]
    Meter(MeterArgs),
    /// Note one meter reading; what is lit at that moment gives it its meaning, at dark it is room light
    #[command(
        after_help = "Examples:\n  lampkeep read face-lit 250lx\n  lampkeep read wall@pilot f/2.8+0.3 5120K -0.002duv\n  \
                            lampkeep read key 23fc       at what key is aimed at, turned to it\n\n\
                            Points: face-lit, face-shadow, face-camera, hair, wall-left, wall, wall-right, with @SUBJECT\n\
                            where there are several; or a lamp. f-numbers count at the plan's ISO and shutter."
    )]
    Read {
        /// Meter point, or a lamp
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
    #[command(
        after_help = "Examples:\n  lampkeep match 4/3\n  lampkeep match 4/3 --apply\n  lampkeep match plan\n  \
                            lampkeep match --undo\n\n\
                            Read the look first: `lampkeep meter LOOK`. What it says is planned until it is read again."
    )]
    Match {
        /// A take such as 4/3 or n12, or `plan`
        #[arg(required_unless_present = "undo")]
        take: Option<String>,
        /// Another look than the take's; with `plan` what is lit or was
        #[arg(long, value_name = "LOOK")]
        look: Option<String>,
        /// Set the trims
        #[arg(long)]
        apply: bool,
        /// Take the trims of the last match back
        #[arg(long, conflicts_with_all = ["take", "look", "apply"])]
        undo: bool,
    },
    /// Lower that lamp one stop for a second, then the identical frame
    #[command(after_help = "Example: lampkeep wink hair")]
    Wink {
        /// Fixture id or body name
        lamp: String,
    },
    /// Find what stops the output from working, and the cure
    #[command(after_help = "Examples:\n  lampkeep doctor interview.toml\n  lampkeep doctor\n\n\
                            Without a daemon it opens the plan's ports for a moment each and asks what they are;\n\
                            it sends no slot, so no light changes. Ends with 1 where something is in the way.")]
    Doctor {
        /// The plan whose outputs are looked at
        plan: Option<PathBuf>,
    },
    /// Show each lamp in turn, low, with its name: finds wrong addresses and modes
    #[command(after_help = "Examples:\n  lampkeep rollcall --each 3s\n  lampkeep rollcall --ask\n\n\
                      With --ask each lamp stays until you answer. For one that stays dark the slots next to\n\
                      its address and the plan's own places are tried, low; never all slots.")]
    Rollcall {
        /// Lead through the lamps one by one, and find where one that stays dark listens
        #[arg(long, conflicts_with = "each")]
        ask: bool,
        /// Time for each lamp
        #[arg(long, value_name = "SPAN", value_parser = span)]
        each: Option<Duration>,
    },
    /// Say that a lamp is not here today
    #[command(after_help = "Examples:\n  lampkeep absent hair\n  lampkeep absent hair --back")]
    Absent {
        /// Fixture id or body name
        lamp: String,
        /// It is back
        #[arg(long)]
        back: bool,
    },
    /// Say that a lamp is at room temperature
    #[command(after_help = "Examples:\n  lampkeep cold B3\n  lampkeep cold all")]
    Cold {
        /// Fixture id, body name, or `all`
        lamp: String,
    },
    /// Start or end a take (while it rolls nothing changes light or plan but `dark`), correct and list takes
    #[command(
        subcommand,
        after_help = "Examples:\n  lampkeep take start 4\n  lampkeep take end good\n  \
                            lampkeep take amend 4/3 bad\n  lampkeep take sheet"
    )]
    Take(TakeCommand),
    /// Read the take log, also while the daemon is down; carry takes to another machine
    #[command(after_help = "Examples:\n  lampkeep log                       what happened last\n  \
                      lampkeep log --takes               every take, its verdict and mark\n  \
                      lampkeep log --since 2h --json     for programs, one JSON object a line\n  \
                      lampkeep log --export takes.jsonl  then on the other machine:\n  \
                      lampkeep log --import takes.jsonl\n\n\
                      Times are UTC; `~` stands before those of a clock that was never set.\n\
                      docs/journal.md has the tables, to be queried in a copy: lampkeep log --copy FILE")]
    Log(super::log::LogArgs),
    /// End the day: dark, the continuity sheet, the log's export, and what is still hot
    #[command(after_help = "Examples:\n  lampkeep wrap\n  lampkeep wrap --out day-3\n\n\
                            Figures of heat are estimates. Feel before you grip; unplug and let cool before you change a\n\
                            lamp, gel, modifier or cable.")]
    Wrap(WrapArgs),
    /// Sit in front of the camera: next, previous, takes and dark on a foot pedal or presenter remote
    #[command(
        after_help = "Examples:\n  lampkeep chair\n  lampkeep chair --in 10s    time to look into the camera\n  \
                            lampkeep chair --learn     teach the buttons again\n\n\
                            At first use it asks for each button in turn. One bell: done. Two: refused. No bell while a\n\
                            take rolls. Retake ends a take as bad and starts the next. A button held, or pressed again\n\
                            within 0.7 s, is one press. Take end and dark never wait. Ctrl-C leaves; the light stays."
    )]
    Chair {
        /// Wait this long before next, previous and take start, with a countdown
        #[arg(long = "in", value_name = "SPAN", value_parser = span)]
        delay: Option<Duration>,
        /// Teach the buttons again
        #[arg(long)]
        learn: bool,
    },
    /// Hold every lamp that reaches a protected face at zero, or end that in two steps
    #[command(
        subcommand,
        after_help = "Examples:\n  lampkeep protect on\n  lampkeep protect off\n  \
                            lampkeep protect off 0427\n\n\
                            It holds what is sent. Unplug those lamps too: it cannot hold a knob, what a lamp shows at\n\
                            power-up, daylight, screens or light off a wall. Hair, voice and place still tell who it is.\n\
                            Check the recording with its shadows lifted."
    )]
    Protect(ProtectCommand),
    /// Show what is lit, what is next, what needs attention
    #[command(
        after_help = "Examples:\n  lampkeep status\n  lampkeep status --follow\n  lampkeep status --json\n  \
                            lampkeep status --dark && sudo systemctl restart lampkeep"
    )]
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
    #[command(after_help = "Examples:\n  lampkeep explain quay-dusk\n  \
                            lampkeep explain quay-dusk --plan interview.toml")]
    Explain {
        /// Its name
        look: String,
        /// Read this plan instead of asking the daemon
        #[arg(long, value_name = "PLAN")]
        plan: Option<PathBuf>,
    },
    /// Work out light: exposure, ratio, distance, mired and more
    Reckon(ReckonArgs),
    /// Be a simulated interface: a port for a plan to name, measured, that fails when told to
    #[command(
        after_help = "Examples:\n  lampkeep device pier\n  lampkeep device mole --framed --copy mole-copy\n\n\
                            Name it as the `port` of an output, and run that plan without --simulate. Once a\n\
                            second it prints what came. Type gone to pull its plug, back to return it, back NAME\n\
                            for another name, stuck, slow or short for how it takes bytes, well for as it should,\n\
                            and quit. It shows bytes, not the timing of a line, and no breaks."
    )]
    Device(DeviceArgs),
}

/// The identity guard's switch.
#[derive(Debug, Clone, PartialEq, Eq, Subcommand)]
pub enum ProtectCommand {
    /// On, at once, also during a take and for every set of this machine; says which lamps to unplug
    #[command(after_help = "Example: lampkeep protect on")]
    On,
    /// Without a code: gives one. With it, within 30 s and with no take rolling: off, and still dark
    #[command(after_help = "Examples:\n  lampkeep protect off         gives a code\n  \
                            lampkeep protect off 0427    the code, within 30 s")]
    Off {
        /// Four digits, from the first answer
        #[arg(value_parser = code)]
        code: Option<String>,
    },
}

fn code(text: &str) -> Result<String, String> {
    let digits = text.len() == 4 && text.bytes().all(|b| b.is_ascii_digit());
    if digits {
        Ok(text.to_owned())
    } else {
        Err("a code is four digits; `lampkeep protect off` gives one".to_owned())
    }
}

/// What may happen to a take.
#[derive(Debug, Subcommand)]
pub enum TakeCommand {
    /// Start the next take; every change of light or plan is refused until its end
    #[command(after_help = "Examples:\n  lampkeep take start 4    the next take of slate 4\n  \
                      lampkeep take start      the same slate, next take\n  \
                      lampkeep take start --in 10s")]
    Start {
        /// Letters, digits and `-`; the same slate as before when left out
        slate: Option<String>,
        /// Start after this long, such as 10s
        #[arg(long = "in", value_name = "SPAN", value_parser = span)]
        delay: Option<Duration>,
    },
    /// End it, and say whether what was sent was steady
    #[command(after_help = "Examples:\n  lampkeep take end\n  lampkeep take end good")]
    End {
        /// A person's mark: good or bad
        #[arg(value_parser = mark)]
        mark: Option<TakeMark>,
    },
    /// Mark a take afterwards, correct its slate, add camera data and notes
    #[command(after_help = "Examples:\n  lampkeep take amend 4/3 bad\n  \
                      lampkeep take amend n12 as=5/2\n  \
                      lampkeep take amend 4/3 good iso=800 stop=f/2.8 note=\"hand on the rail\"\n  \
                      lampkeep take amend 4/3 iso@side=1600 note=\n\n\
                      Names: iso, stop (f/2.8, T2.8), nd (density), shutter (1/50, \"180 deg\"), fps,\n\
                      white-balance, tint, profile, lens, focal, grey-card, chart (yes, no), clip, photos, note.\n\
                      NAME@CAMERA is another camera's; NAME= takes back. While a face is protected no free text.")]
    Amend {
        /// Slate and take (4/3), or its log number (n12)
        take: String,
        /// good, bad, as=5/2, or NAME=VALUE
        #[arg(required = true, value_name = "WHAT")]
        what: Vec<String>,
    },
    /// List every take with its verdict and its mark
    #[command(after_help = "Examples:\n  lampkeep take list\n  lampkeep take list --json")]
    List,
    /// Make the continuity sheet: one HTML file to print, or CSV, or JSON
    #[command(after_help = "Examples:\n  lampkeep take sheet                  the latest shooting day\n  \
                      lampkeep take sheet 4/3 n12\n  \
                      lampkeep take sheet --all --out shoot.csv")]
    Sheet(SheetArgs),
}

fn mark(text: &str) -> Result<TakeMark, String> {
    match text {
        "good" => Ok(TakeMark::Good),
        "bad" => Ok(TakeMark::Bad),
        _ => Err("a take is marked `good` or `bad`".to_owned()),
    }
}

/// A span of time with its unit: `2s`, `0.5s`, `250ms`, `20min`, `1h`; a bare 0 is zero.
pub(super) fn span(text: &str) -> Result<Duration, String> {
    let t = text.trim();
    let split = t.find(|c: char| c.is_ascii_alphabetic()).unwrap_or(t.len());
    let (number, unit) = (t[..split].trim(), t[split..].trim());
    let scale = match unit {
        "ms" => 0.001,
        "s" => 1.0,
        "min" => 60.0,
        "h" => 3600.0,
        "" if number == "0" => 1.0,
        "" => return Err(format!("`{t}` has no unit: write `{t}s`")),
        _ => return Err(format!("`{unit}` is no unit of time: use ms, s, min or h")),
    };
    match number.parse::<f64>() {
        Ok(n) if (0.0..=86_400.0).contains(&(n * scale)) => Ok(Duration::from_secs_f64(n * scale)),
        Ok(_) => Err("a span lies between 0s and 24h".to_owned()),
        Err(_) => Err(format!("`{number}` is not a number: write a span such as 2s or 0.5s")),
    }
}

pub(super) fn pace(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(n) if (0.01..=1000.0).contains(&n) => Ok(n),
        _ => Err("a pace lies between 0.01 and 1000; 1 is real time".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

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
    fn spans_need_a_unit_and_zero_needs_none() {
        assert_eq!(span("2s"), Ok(Duration::from_secs(2)));
        assert_eq!(span("0"), Ok(Duration::ZERO));
        assert_eq!(span("250ms"), Ok(Duration::from_millis(250)));
        assert_eq!(span("1.5min"), Ok(Duration::from_secs(90)));
        for bad in ["2", "-1s", "s", "2 weeks", "NaNs", "infs", "", "1e9h"] {
            assert!(span(bad).is_err(), "{bad}");
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
