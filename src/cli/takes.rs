//! `take amend`, `take list`, `take sheet`: takes after they are over.
//!
//! The list and the sheet come from the daemon, or while none runs from the log itself.

mod source;

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde_json::Value;

use super::exit::Exit;
use super::run::{fault, print, print_json, unanswered};
use crate::clock::{Clock, SystemClock};
use crate::control::client::ClientError;
use crate::control::{Request, TakeMark};
use crate::engine::say;
use crate::sheet::{self, Sheet};
use source::{From, Plans};

/// A pause between two takes from which on the later one is of another shooting day, in seconds. Judgement: crews rest
/// longer than that, and no set pauses so long.
const DAY_PAUSE_S: f64 = 6.0 * 3600.0;

/// Reads what a person wants to amend: `good`, `bad`, `as=5/2`, `iso=800`, `iso@side=1600`, `note=`.
///
/// Errors: a word that is none of these, two marks or two names.
pub fn amend_request(take: String, words: &[String]) -> Result<Request, String> {
    let (mut mark, mut rename, mut typed) = (None, None, Vec::new());
    for word in words {
        let marked = match word.as_str() {
            "good" => Some(TakeMark::Good),
            "bad" => Some(TakeMark::Bad),
            _ => None,
        };
        match (marked, word.split_once('=')) {
            (Some(_), _) if mark.is_some() => return Err("a take has one mark, `good` or `bad`".to_owned()),
            (Some(_), _) => mark = marked,
            (None, Some(("as", _))) if rename.is_some() => {
                return Err("a take has one name: write as=5/2 once".to_owned());
            }
            (None, Some(("as", name))) => rename = Some(name.to_owned()),
            (None, Some(_)) => typed.push(word.clone()),
            (None, None) => {
                return Err(format!(
                    "`{}` is no amendment: write good, bad, as=5/2 or NAME=VALUE such as iso=800 or \
                     note=\"hand on the rail\"",
                    crate::words::short(word)
                ));
            }
        }
    }
    Ok(Request::TakeAmend { take, mark, rename, typed })
}

/// `take list`.
pub fn list(set: Option<&str>, json: bool) -> Exit {
    let takes = match From::of(set).and_then(|from| from.takes()) {
        Ok(takes) => takes,
        Err(e) => return e.told(json),
    };
    if json {
        return print_json(&takes);
    }
    print(&table(&takes, &TimeZone::system()))
}

/// The list as columns for people; times are those of `zone`.
fn table(data: &Value, zone: &TimeZone) -> String {
    let takes = data["takes"].as_array().map_or(&[][..], Vec::as_slice);
    if takes.is_empty() {
        return "no take yet: `lampkeep take start` starts one".to_owned();
    }
    let text = |t: &Value, field: &str| t[field].as_str().unwrap_or("").to_owned();
    let rows: Vec<[String; 6]> = takes
        .iter()
        .map(|t| {
            let nudged = if t["nudged"] == true { ", nudged" } else { "" };
            [
                text(t, "take"),
                text(t, "number"),
                started(t, zone),
                t["lasted_s"].as_f64().map_or_else(|| "rolls".to_owned(), say::span),
                format!("{}{nudged}", text(t, "look")),
                text(t, "mark"),
            ]
        })
        .collect();
    let width = |column: usize| rows.iter().map(|r| r[column].chars().count()).max().unwrap_or(0);
    let widths: Vec<usize> = (0..6).map(width).collect();
    let mut out = String::new();
    for (row, take) in rows.iter().zip(takes) {
        let cells: Vec<_> = row.iter().zip(&widths).map(|(cell, width)| format!("{cell:<width$}")).collect();
        let verdict = match take["steady"].as_bool() {
            None => "",
            Some(true) => "sent steady",
            Some(false) => "not steady",
        };
        let _ = writeln!(out, "{}", format!("{}  {verdict}", cells.join("  ")).trim_end());
        for why in take["why"].as_array().into_iter().flatten().filter_map(Value::as_str) {
            let _ = writeln!(out, "  {why}");
        }
        for note in take["notes"].as_array().into_iter().flatten().filter_map(Value::as_str) {
            let _ = writeln!(out, "  note: {note}");
        }
    }
    out
}

fn started(take: &Value, zone: &TimeZone) -> String {
    let at = take["started"].as_str().and_then(|at| at.parse::<Timestamp>().ok());
    match at.filter(|_| take["clock_unset"] != true) {
        Some(at) => at.to_zoned(zone.clone()).strftime("%Y-%m-%d %H:%M").to_string(),
        None => "clock unset".to_owned(),
    }
}

/// What `take sheet` may be told.
#[derive(Debug, Clone, clap::Args)]
pub struct SheetArgs {
    /// Takes such as 4/3 or n12; those of the latest shooting day when left out
    #[arg(value_name = "TAKE", conflicts_with = "all", add = super::complete::takes())]
    pub takes: Vec<String>,
    /// Every take of the log
    #[arg(long)]
    pub all: bool,
    /// Where to write it: a name that ends in .html, .csv or .json [default: continuity-SET-DAY.html]
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
}

/// `take sheet`.
pub fn sheet(set: Option<&str>, args: &SheetArgs, json: bool) -> Exit {
    let ending = args.out.as_ref().map(|out| out.extension().and_then(|e| e.to_str()).unwrap_or(""));
    if let (Some(out), Some(ending)) = (&args.out, ending)
        && !["html", "htm", "csv", "json"].contains(&ending)
    {
        let said = format!("{}: a sheet's name ends in .html, .csv or .json", out.display());
        return fault(Exit::Usage, &said);
    }
    let sheet = match made(set, &args.takes, args.all) {
        Ok(sheet) => sheet,
        Err(e) => return e.told(json),
    };
    if json && args.out.is_none() {
        return print_json(&sheet);
    }
    match write(&sheet, args.out.as_deref()) {
        Ok(path) if json => {
            print_json(&serde_json::json!({ "ok": true, "file": path, "takes": sheet.takes.len() }))
        }
        Ok(path) => {
            let page = path.extension().is_some_and(|ending| ending == "html" || ending == "htm");
            let what_now = if page { ": open it in a browser and print it, on A4 or Letter" } else { "" };
            print(&format!("{} on {}{what_now}", say::count(sheet.takes.len(), "take"), path.display()))
        }
        Err(said) => fault(Exit::NotMet, &said),
    }
}

/// Why there is no list or sheet.
#[derive(Debug)]
pub enum NoTakes {
    /// The daemon does not answer, or refuses.
    Client(ClientError),
    /// The log cannot be read, or has no such take.
    Said(Exit, String),
    /// There is none yet.
    None,
}

impl std::fmt::Display for NoTakes {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Client(e) => write!(f, "{e}"),
            Self::Said(_, said) => f.write_str(said),
            Self::None => f.write_str(
                "no take yet, so there is nothing to put on a sheet: `lampkeep take start` starts one",
            ),
        }
    }
}

impl NoTakes {
    /// Tells it, and gives the code to end with.
    pub fn told(&self, json: bool) -> Exit {
        let (exit, kind) = match self {
            Self::Client(e) => return unanswered(e, json),
            Self::Said(exit, _) => (*exit, "files"),
            Self::None => (Exit::NotMet, "nothing"),
        };
        let said = self.to_string();
        if json {
            print_json(&serde_json::json!({ "ok": false, "error": { "kind": kind, "said": said } }));
        }
        fault(exit, &said)
    }
}

/// A sheet of some takes: these, or those of the latest day, or all.
pub fn made(set: Option<&str>, wanted: &[String], all: bool) -> Result<Sheet, NoTakes> {
    let zone = TimeZone::system();
    let from = From::of(set)?;
    let names: Vec<String> = if wanted.is_empty() {
        let listed = from.takes()?;
        let takes = listed["takes"].as_array().cloned().unwrap_or_default();
        let first = if all { 0 } else { latest_day(&takes) };
        takes[first..].iter().filter_map(|t| t["number"].as_str().map(str::to_owned)).collect()
    } else {
        wanted.to_vec()
    };
    if names.is_empty() {
        return Err(NoTakes::None);
    }
    let (set, hidden) = from.set()?;
    let mut plans = Plans::of(&from, &set);
    let now = SystemClock::start().wall().to_zoned(zone.clone());
    let mut sheet = Sheet {
        set: set.clone(),
        made: now.strftime("%Y-%m-%d %H:%M").to_string(),
        zone: now.strftime("UTC%:z").to_string(),
        hidden,
        drawings: Vec::new(),
        takes: Vec::new(),
    };
    for name in &names {
        let (take, readings) = from.take(name)?;
        let drawn = sheet::drawn(&take, plans.plan(&take.record.light.plan), hidden);
        sheet.add(sheet::take(&take, &readings, &zone), drawn);
    }
    if hidden {
        sheet.hide();
    }
    Ok(sheet)
}

/// The first take of the latest shooting day: after the last pause that is long enough.
fn latest_day(takes: &[Value]) -> usize {
    let start = |t: &Value| {
        let at = t["started"].as_str().and_then(|at| at.parse::<Timestamp>().ok())?;
        (t["clock_unset"] != true).then_some(at)
    };
    let pause = |pair: &[Value]| {
        let end = start(&pair[0])?.as_duration().as_secs_f64() + pair[0]["lasted_s"].as_f64().unwrap_or(0.0);
        Some(start(&pair[1])?.as_duration().as_secs_f64() - end)
    };
    let last = takes.windows(2).rposition(|pair| pause(pair).is_some_and(|s| s.abs() >= DAY_PAUSE_S));
    last.map_or(0, |at| at + 1)
}

/// The name of a sheet's file where nobody gives one.
pub fn default_name(sheet: &Sheet) -> String {
    let day = sheet.takes.last().and_then(|t| t.started.as_deref()?.split(' ').next());
    format!("continuity-{}-{}.html", sheet.set, day.unwrap_or("undated"))
}

/// Writes a sheet, whole or not at all. Gives where.
///
/// Errors: an ending that is none of ours, or the file system's words.
pub fn write(sheet: &Sheet, out: Option<&Path>) -> Result<PathBuf, String> {
    let path = out.map_or_else(|| PathBuf::from(default_name(sheet)), Path::to_owned);
    let text = match path.extension().and_then(|e| e.to_str()) {
        Some("html" | "htm") => sheet::html(sheet),
        Some("csv") => sheet::csv(sheet),
        Some("json") => serde_json::to_string_pretty(sheet).map_err(|e| format!("JSON: {e}"))? + "\n",
        _ => return Err(format!("{}: a sheet's name ends in .html, .csv or .json", path.display())),
    };
    crate::files::write_path(&path, &text)
        .map_err(|e| format!("{} was not written: {e}; name another place by --out", path.display()))?;
    Ok(path)
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn words(words: &[&str]) -> Result<Request, String> {
        amend_request("4/3".into(), &words.iter().map(|w| (*w).to_owned()).collect::<Vec<_>>())
    }

    #[test]
    fn amendments_are_marks_a_name_and_things_with_their_values() {
        assert_eq!(
            words(&["good", "as=5/2", "iso@side=1600", "note=a = b", "note=c"]),
            Ok(Request::TakeAmend {
                take: "4/3".into(),
                mark: Some(TakeMark::Good),
                rename: Some("5/2".into()),
                typed: vec!["iso@side=1600".into(), "note=a = b".into(), "note=c".into()],
            })
        );
        for wrong in [&["fine"][..], &["good", "bad"], &["as=1/1", "as=1/2"]] {
            assert!(words(wrong).is_err(), "{wrong:?}");
        }
    }

    fn row(number: &str, started: &str, lasted_s: f64) -> Value {
        json!({
            "number": number, "take": "4/1", "look": "quay-dusk", "nudged": false, "started": started,
            "clock_unset": false, "lasted_s": lasted_s, "steady": true, "why": [], "mark": "good", "notes": [],
        })
    }

    #[test]
    fn a_night_parts_two_days_and_a_long_lunch_does_not() {
        let takes = [
            row("n1", "2026-05-04T16:00:00Z", 60.0),
            row("n2", "2026-05-05T08:00:00Z", 60.0),
            row("n3", "2026-05-05T13:30:00Z", 60.0),
        ];
        assert_eq!(latest_day(&takes), 1);
        assert_eq!(latest_day(&takes[..1]), 0);
        assert_eq!(latest_day(&[]), 0);
    }

    #[test]
    fn a_list_reads_in_columns_with_local_times() {
        let mut second = row("n12", "2026-05-04T16:30:00Z", 125.0);
        second["steady"] = json!(false);
        second["why"] = json!(["gap on the wire: front-rail, 2.0 s"]);
        second["notes"] = json!(["hand on the rail"]);
        second["mark"] = Value::Null;
        let zone = TimeZone::fixed(jiff::tz::offset(2));
        let text = table(&json!({ "takes": [row("n9", "2026-05-04T16:00:00Z", 60.0), second] }), &zone);
        let wanted = "4/1  n9   2026-05-04 18:00  60 s   quay-dusk  good  sent steady\n\
                      4/1  n12  2026-05-04 18:30  2 min  quay-dusk        not steady\n  \
                      gap on the wire: front-rail, 2.0 s\n  note: hand on the rail\n";
        assert_eq!(text, wanted);
    }
}
