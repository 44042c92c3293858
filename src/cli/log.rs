//! `lampkeep log`: the take log as people read it, also while the daemon is down; takes to and from other machines.

use std::fs::File;
use std::hash::{BuildHasher, Hasher, RandomState};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::{SignedDuration, Timestamp, civil};
use serde_json::json;

use super::exit::Exit;
use super::run::{fault, print};
use crate::clock::{Clock, SystemClock};
use crate::control::places;
use crate::engine::say;
use crate::files;
use crate::journal::exchange::{self, Tally};
use crate::journal::lines::{Filter, Row};
use crate::journal::snapshot::Snapshot;
use crate::journal::{NAME, Place, Store, TakeFound, imports};

/// Lines that are printed where nothing else is asked: a screen and a half.
const LINES: usize = 60;
/// Kinds that are left out unless asked for: what runs by itself, and what another line says too.
const QUIET: [&str; 3] = ["lamps", "texts", "take-stamped"];
/// How long a running daemon is given to take takes in.
const IMPORT_WITHIN: Duration = Duration::from_secs(30);
/// Time between two looks whether it has.
const IMPORT_LOOK: Duration = Duration::from_millis(100);

/// What `log` may be told.
#[derive(Debug, clap::Args)]
pub struct LogArgs {
    /// The takes alone, one a line
    #[arg(long)]
    pub takes: bool,
    /// From then on: 2h, 3d, 2026-05-04 or 2026-05-04T10:00:00Z (UTC)
    #[arg(long, value_name = "WHEN")]
    pub since: Option<String>,
    /// These kinds alone, such as told, output, reading; also those that are left out otherwise
    #[arg(long, value_name = "KIND", value_delimiter = ',')]
    pub kind: Vec<String>,
    /// The newest so many lines [default: 60, or all with --since]
    #[arg(long, short = 'n', value_name = "LINES")]
    pub lines: Option<usize>,
    /// Write every take, with its readings and its plan's texts, for another machine; `-` is standard output
    #[arg(long, value_name = "FILE", conflicts_with_all = ["takes", "since", "kind", "lines"])]
    pub export: Option<PathBuf>,
    /// Take in what another machine has written with --export
    #[arg(long, value_name = "FILE", conflicts_with_all = ["takes", "since", "kind", "lines", "export", "copy"])]
    pub import: Option<PathBuf>,
    /// Write a copy of the log, to be read with any SQLite tool; also while the daemon runs
    #[arg(long, value_name = "FILE", conflicts_with_all = ["takes", "since", "kind", "lines", "export"])]
    pub copy: Option<PathBuf>,
    /// The log of the simulated set
    #[arg(long)]
    pub simulated: bool,
    /// This log's file, such as one that was set aside
    #[arg(long, value_name = "FILE", conflicts_with_all = ["simulated", "import"])]
    pub file: Option<PathBuf>,
}

/// Reads the log, or carries takes.
#[must_use]
pub fn run(set: Option<&str>, args: &LogArgs, json: bool) -> Exit {
    let file = match args.file.clone().map_or_else(|| place(set, args.simulated), Ok) {
        Ok(file) => file,
        Err(said) => return fault(Exit::NotMet, &said),
    };
    if let Some(from) = &args.import {
        return import(&file, from, json);
    }
    let log = match Snapshot::of(&file, &std::env::temp_dir(), random()) {
        Ok(log) => log,
        Err(e) => return fault(Exit::NotMet, &e.to_string()),
    };
    if let Some(to) = &args.export {
        return export(&log, to, json);
    }
    if let Some(to) = &args.copy {
        return copy(&log, to);
    }
    let since = match args.since.as_deref().map(|text| since(text, SystemClock::start().wall())).transpose() {
        Ok(since) => since,
        Err(said) => return fault(Exit::Usage, &said),
    };
    if args.takes { takes(&log, since, args.lines, json) } else { lines(&log, since, args, json) }
}

/// The log of a set, or the only one there is.
fn place(set: Option<&str>, simulated: bool) -> Result<PathBuf, String> {
    let none = || "nothing says where logs are: set LAMPKEEP_STATE, or name one with --file".to_owned();
    if let Some(set) = set {
        return places::state_folder(set, simulated).map(|folder| folder.join(NAME)).ok_or_else(none);
    }
    let top = places::state_top().ok_or_else(none)?;
    let folders = std::fs::read_dir(&top).into_iter().flatten().filter_map(Result::ok);
    let of = |name: &str| {
        name.strip_suffix(".simulated").map_or((name.to_owned(), false), |s| (s.to_owned(), true))
    };
    let mut sets: Vec<(String, bool)> = folders
        .filter(|entry| entry.path().join(NAME).exists())
        .filter_map(|entry| entry.file_name().to_str().map(of))
        .filter(|(_, its)| *its == simulated)
        .collect();
    sets.sort();
    match &sets[..] {
        [(set, _)] => places::state_folder(set, simulated).map(|folder| folder.join(NAME)).ok_or_else(none),
        [] if simulated => Err(format!("no simulated set has a log under {}", top.display())),
        [] => {
            Err(format!("no set has a log under {}; for that of a simulated set: --simulated", top.display()))
        }
        several => {
            let names: Vec<&str> = several.iter().map(|(set, _)| set.as_str()).collect();
            Err(format!("several sets have a log: say which with --set, one of {}", names.join(", ")))
        }
    }
}

/// The instant that `--since` means, seen from `now`.
fn since(text: &str, now: Timestamp) -> Result<Timestamp, String> {
    if let Ok(instant) = text.parse::<Timestamp>() {
        return Ok(instant);
    }
    if let Ok(date) = text.parse::<civil::Date>()
        && let Ok(instant) = format!("{date}T00:00:00Z").parse::<Timestamp>()
    {
        return Ok(instant);
    }
    let (number, hours) = match text.char_indices().next_back() {
        Some((at, 'd')) => (&text[..at], 24.0),
        Some((at, 'h')) => (&text[..at], 1.0),
        _ => ("", 0.0),
    };
    let hours = number.parse::<f64>().ok().filter(|n| (0.0..=1e6).contains(n)).map(|n| n * hours);
    hours
        .and_then(|h| now.checked_sub(SignedDuration::try_from_secs_f64(h * 3600.0).ok()?).ok())
        .ok_or_else(|| format!("`{text}` is no time: write 2h, 3d, 2026-05-04 or 2026-05-04T10:00:00Z"))
}

fn lines(log: &Snapshot, since: Option<Timestamp>, args: &LogArgs, json: bool) -> Exit {
    let most = args.lines.or(since.is_none().then_some(LINES));
    let quiet: Vec<String> = if json { Vec::new() } else { QUIET.map(str::to_owned).to_vec() };
    let without = if args.kind.is_empty() { quiet } else { Vec::new() };
    let filter = Filter { since, only: args.kind.clone(), without, most };
    let mut out = BufWriter::new(std::io::stdout().lock());
    let mut day = String::new();
    let mut written = Ok(());
    let read = log.lines(&filter, |row| {
        written = if json { row_json(&mut out, row) } else { row_text(&mut out, row, &mut day) };
        written.is_ok()
    });
    if let Err(e) = read {
        return fault(Exit::NotMet, &format!("the log cannot be read: {e}"));
    }
    let reach = log.reach();
    let written = written.and_then(|()| match (json, reach) {
        (false, Ok(reach)) if !reach.unbroken => {
            writeln!(out, "attention: records of start {} are missing before this", reach.start)
        }
        _ => Ok(()),
    });
    ended(written.and_then(|()| out.flush()))
}

/// What became of writing: a reader of a pipe that has gone is no fault.
fn ended(written: std::io::Result<()>) -> Exit {
    match written {
        Err(e) if e.kind() != std::io::ErrorKind::BrokenPipe => {
            fault(Exit::NotMet, &format!("standard output: {e}"))
        }
        _ => Exit::Done,
    }
}

fn row_json(out: &mut impl Write, row: &Row) -> std::io::Result<()> {
    writeln!(out, "{}", serde_json::to_string(row)?)
}

/// `10:00:03  take 4/1 (n1) rolls · quay-dusk`, under a line for each day and start.
fn row_text(out: &mut impl Write, row: &Row, day: &mut String) -> std::io::Result<()> {
    let (date, time) = (row.wall.get(..10).unwrap_or(&row.wall), row.wall.get(11..19).unwrap_or(""));
    let head = format!("{date} UTC, start {}", row.start);
    if *day != head {
        *day = head;
        writeln!(out, "— {day}")?;
    }
    let doubt = if row.clock_unset { "~" } else { " " };
    writeln!(out, "{doubt}{time}  {}", row.said)
}

fn takes(log: &Snapshot, since: Option<Timestamp>, most: Option<usize>, json: bool) -> Exit {
    let found = match log.takes(most.unwrap_or(usize::MAX)) {
        Ok(found) => found,
        Err(e) => return fault(Exit::NotMet, &format!("the log cannot be read: {e}")),
    };
    let late = |take: &&TakeFound| {
        since.is_none_or(|since| take.stamp.wall.parse::<Timestamp>().is_ok_and(|wall| wall >= since))
    };
    let mut out = BufWriter::new(std::io::stdout().lock());
    let mut written = Ok(());
    for take in found.iter().filter(late) {
        written = if json { take_json(&mut out, take) } else { take_text(&mut out, take) };
        if written.is_err() {
            break;
        }
    }
    ended(written.and_then(|()| out.flush()))
}

fn take_json(out: &mut impl Write, take: &TakeFound) -> std::io::Result<()> {
    let value = json!({
        "log_name": take.log_name,
        "imported": take.imported,
        "stamp": take.stamp,
        "record": take.record,
        "end": take.end,
        "amended": take.amended,
    });
    writeln!(out, "{value}")
}

/// `n12  4/3  2026-05-04 10:00  quay-dusk  95 s  sent steady  good`
fn take_text(out: &mut impl Write, take: &TakeFound) -> std::io::Result<()> {
    let wall = take.stamp.wall.get(..16).unwrap_or(&take.stamp.wall).replacen('T', " ", 1);
    let (rolled, verdict) = match &take.end {
        None => (String::new(), "rolls".to_owned()),
        Some(end) if end.why.is_empty() => (say::span(end.rolled_s), "sent steady".to_owned()),
        Some(end) => (say::span(end.rolled_s), format!("not steady: {}", end.why.join("; "))),
    };
    let mark = take.amended.iter().rev().find_map(|a| a.mark).or(take.end.as_ref().and_then(|e| e.mark));
    let mark = mark.map_or(String::new(), |m| format!(" · {}", m.word()));
    let (name, look) = (&take.record.name, &take.record.look);
    writeln!(out, "{:<8} {name:<8} {wall}  {look:<18} {rolled:>9}  {verdict}{mark}", take.log_name)
}

fn random() -> u64 {
    // Each has keys of its own, from the system's random numbers.
    RandomState::new().build_hasher().finish()
}

fn export(log: &Snapshot, to: &Path, json: bool) -> Exit {
    let written = SystemClock::start().wall().to_string();
    if to == Path::new("-") {
        let out = BufWriter::new(std::io::stdout().lock());
        return match exchange::export(log.db(), log.origin(), &written, out) {
            Ok(_) => Exit::Done,
            Err(e) => fault(Exit::NotMet, &e.to_string()),
        };
    }
    let mut part = to.as_os_str().to_owned();
    part.push(".part");
    let part = PathBuf::from(part);
    let write = || -> Result<Tally, exchange::ExchangeError> {
        files::replaceable(to)?;
        let mut file = BufWriter::new(File::create(&part)?);
        let tally = exchange::export(log.db(), log.origin(), &written, &mut file)?;
        file.into_inner().map_err(std::io::IntoInnerError::into_error)?.sync_all()?;
        std::fs::rename(&part, to)?;
        Ok(tally)
    };
    match write() {
        Ok(tally) if json => print(&json!({ "takes": tally.takes, "readings": tally.readings }).to_string()),
        Ok(tally) => {
            let takes = say::count(count(tally.takes), "take");
            print(&format!(
                "{takes} with {} and {} written to {}",
                readings(&tally),
                texts(&tally),
                to.display()
            ))
        }
        Err(e) => {
            // Half a file would be taken for one.
            let _ = std::fs::remove_file(&part);
            fault(Exit::NotMet, &format!("{} was not written: {e}", to.display()))
        }
    }
}

fn count(n: u64) -> usize {
    usize::try_from(n).unwrap_or(usize::MAX)
}

fn readings(tally: &Tally) -> String {
    say::count(count(tally.readings), "reading")
}

fn texts(tally: &Tally) -> String {
    say::count(count(tally.texts), "text")
}

fn copy(log: &Snapshot, to: &Path) -> Exit {
    match log.copy_to(to) {
        Ok(()) => print(&format!("copied to {}", to.display())),
        Err(e) => fault(Exit::NotMet, &format!("{} was not written: {e}", to.display())),
    }
}

fn import(log: &Path, from: &Path, json: bool) -> Exit {
    let Some(folder) = log.parent() else {
        return fault(Exit::NotMet, &format!("{} is in no folder", log.display()));
    };
    let machine = std::fs::read_to_string("/etc/machine-id").unwrap_or_default();
    let place = Place { folder: folder.to_owned(), machine: machine.trim().to_owned(), random: random() };
    let done = match Store::open(&place.folder, &place.machine, place.random) {
        Ok(mut store) => {
            let file = File::open(from).map_err(exchange::ExchangeError::from);
            file.and_then(|file| exchange::import(&mut store, file)).map_err(|e| e.to_string())
        }
        // The daemon has it: it takes takes in itself.
        Err(e) if e.is_busy() => by_the_daemon(folder, from),
        Err(e) => Err(format!("the log: {e}")),
    };
    match done {
        Ok(tally) if json => print(&json!({ "takes": tally.takes, "new": tally.new }).to_string()),
        Ok(tally) => {
            let known = tally.takes - tally.new;
            let known = if known > 0 { format!(", {known} there already") } else { String::new() };
            print(&format!("{} taken in{known}", say::count(count(tally.new), "new take")))
        }
        Err(said) => fault(Exit::NotMet, &format!("{} was not taken in: {said}", from.display())),
    }
}

/// Lays the file where the daemon finds it, and waits for what it says.
fn by_the_daemon(folder: &Path, from: &Path) -> Result<Tally, String> {
    let waits = imports::lay(folder, from, random()).map_err(|e| e.to_string())?;
    let clock = SystemClock::start();
    let until = clock.now() + IMPORT_WITHIN;
    loop {
        if let Some(said) = imports::said(&waits) {
            return said;
        }
        if clock.now() >= until {
            return Err("the daemon has not taken it yet; it does once its log is written again".to_owned());
        }
        clock.sleep_until(clock.now() + IMPORT_LOOK);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn since_is_a_span_a_date_or_an_instant() {
        let now: Timestamp = "2026-05-04T10:00:00Z".parse().unwrap();
        let text = |t: &str| since(t, now).map(|s| s.to_string());
        assert_eq!(text("2h").unwrap(), "2026-05-04T08:00:00Z");
        assert_eq!(text("1.5d").unwrap(), "2026-05-02T22:00:00Z");
        assert_eq!(text("2026-05-03").unwrap(), "2026-05-03T00:00:00Z");
        assert_eq!(text("2026-05-03T12:30:00Z").unwrap(), "2026-05-03T12:30:00Z");
        for bad in ["", "h", "-2h", "yesterday", "2 weeks", "1e99d", "é"] {
            assert!(text(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn a_line_has_its_time_under_its_day_and_start() {
        let row = |wall: &str, said: &str| Row {
            id: 1,
            start: 2,
            seq: 1,
            wall: wall.to_owned(),
            clock_unset: wall < "2000",
            since_boot_us: 0,
            frame: 0,
            kind: "told".to_owned(),
            said: said.to_owned(),
            record: None,
        };
        let (mut out, mut day) = (Vec::new(), String::new());
        for row in [
            row("2026-05-04T10:00:03.5Z", "take 4/1 (n1) rolls · quay-dusk"),
            row("2026-05-04T10:01:00Z", "over"),
            row("1970-01-01T00:00:09Z", "no clock"),
        ] {
            row_text(&mut out, &row, &mut day).unwrap();
        }
        assert_eq!(
            String::from_utf8(out).unwrap(),
            "— 2026-05-04 UTC, start 2\n 10:00:03  take 4/1 (n1) rolls · quay-dusk\n 10:01:00  over\n\
             — 1970-01-01 UTC, start 2\n~00:00:09  no clock\n"
        );
    }
}
