//! `wrap`: the end of a day. Dark, the continuity sheet, the log's export, and what is still hot.
//!
//! It never says that anything may be packed: every figure of heat is an estimate.

use std::hash::{BuildHasher, Hasher, RandomState};
use std::path::{Path, PathBuf};

use jiff::tz::TimeZone;
use serde_json::json;

use super::exit::Exit;
use super::run::{answered, ask, fault, print, print_json, unanswered};
use super::takes;
use crate::clock::{Clock, SystemClock};
use crate::control::{Answer, Failure, FailureKind, FixtureStatus, Request, Status, places};
use crate::engine::say;
use crate::journal::snapshot::Snapshot;
use crate::journal::{NAME, exchange};

/// What `wrap` may be told.
#[derive(Debug, Clone, clap::Args)]
pub struct WrapArgs {
    /// Folder for the sheet and the export [default: where you are]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
}

/// Ends the day.
pub fn run(set: Option<&str>, args: &WrapArgs, json: bool) -> Exit {
    let status = match status(set, json) {
        Ok(status) => status,
        Err(exit) => return exit,
    };
    if let Some(take) = &status.now.take {
        let failure = Failure {
            kind: FailureKind::Guarded,
            said: format!("take {take} rolls"),
            hint: Some("end it: `lampkeep take end`".to_owned()),
        };
        return refused(failure, json);
    }
    let dark = match ask(set, &Request::Dark { now: false }) {
        Ok(Answer { error: Some(failure), .. }) => return refused(failure, json),
        Ok(answer) => answer.said.unwrap_or_default(),
        Err(e) => return unanswered(&e, json),
    };
    let folder = args.out.clone().unwrap_or_else(|| PathBuf::from("."));
    let mut faults = Vec::new();
    let mut kept = |made: Result<Option<PathBuf>, String>| match made {
        Ok(path) => path,
        Err(said) => {
            faults.push(said);
            None
        }
    };
    let sheet = kept(sheet(set, &folder));
    let export = kept(export(&status, &folder).map(Some));
    let hot = hot(&status);
    if json {
        print_json(&json!({
            "ok": faults.is_empty(), "said": dark, "sheet": sheet, "export": export, "faults": faults,
            "hot": hot.iter().map(Hot::json).collect::<Vec<_>>(),
        }));
    } else {
        let mut lines = vec![dark];
        lines.extend(sheet.map(|path| format!("sheet: {}", path.display())));
        lines.extend(export.map(|path| format!("log: {}", path.display())));
        lines.extend(said(&hot));
        print(&lines.join("\n"));
    }
    match faults.is_empty() {
        true => Exit::Done,
        false => fault(Exit::NotMet, &faults.join("\nlampkeep: ")),
    }
}

fn refused(failure: Failure, json: bool) -> Exit {
    answered(&Answer::refused(None, failure), &Request::Dark { now: false }, json)
}

fn status(set: Option<&str>, json: bool) -> Result<Status, Exit> {
    let answer = ask(set, &Request::Status { follow: false }).map_err(|e| unanswered(&e, json))?;
    let status = answer.data.and_then(|d| serde_json::from_value(d).ok());
    status.ok_or_else(|| fault(Exit::NotMet, "the daemon's status is of another version: restart it"))
}

/// The sheet of the day; none where there was no take.
fn sheet(set: Option<&str>, folder: &Path) -> Result<Option<PathBuf>, String> {
    let sheet = match takes::made(set, &[], false) {
        Ok(sheet) => sheet,
        Err(takes::NoTakes::None) => return Ok(None),
        Err(e) => return Err(e.to_string()),
    };
    let name = takes::default_name(&sheet);
    takes::write(&sheet, Some(&folder.join(name))).map(Some)
}

/// Writes every take of the set's log for another machine.
fn export(status: &Status, folder: &Path) -> Result<PathBuf, String> {
    let state = places::state_folder(&status.set, status.simulated);
    let state = state.ok_or("nothing says where the log is: set LAMPKEEP_STATE as the daemon has it")?;
    let token = RandomState::new().build_hasher().finish();
    let log = Snapshot::of(&state.join(NAME), &std::env::temp_dir(), token).map_err(|e| e.to_string())?;
    let now = SystemClock::start().wall();
    let day = now.to_zoned(TimeZone::system()).strftime("%Y-%m-%d").to_string();
    let mut lines = Vec::new();
    exchange::export(log.db(), log.origin(), &now.to_string(), &mut lines).map_err(|e| e.to_string())?;
    let path = folder.join(format!("takes-{}-{day}.jsonl", status.set));
    let text = String::from_utf8(lines).map_err(|e| e.to_string())?;
    crate::files::write_path(&path, &text)
        .map_err(|e| format!("{} was not written: {e}; name another folder by --out", path.display()))?;
    Ok(path)
}

/// A lamp that nobody should grip without feeling first.
#[derive(Debug, Clone, PartialEq)]
struct Hot {
    lamp: String,
    /// Estimate of its body in degrees Celsius; `None`: no figure is known.
    celsius: Option<f64>,
    /// Minutes until the estimate is under what a hand bears; `None`: unknown, or never in this room.
    minutes: Option<f64>,
}

impl Hot {
    fn json(&self) -> serde_json::Value {
        json!({ "lamp": self.lamp, "body_est_c": self.celsius, "cools_minutes": self.minutes })
    }
}

/// Lamps that are warm by their estimate, the warmest first, then those of which nothing is known.
fn hot(status: &Status) -> Vec<Hot> {
    let of = |f: &FixtureStatus| {
        let name = if f.id == f.lamp { f.id.clone() } else { format!("{} ({})", f.id, f.lamp) };
        Hot { lamp: name, celsius: f.body_est_c, minutes: f.cools_minutes }
    };
    // An absent lamp was used here all the same, or its estimate is that of the room.
    let warm = |h: &Hot| h.celsius.is_none() || h.minutes != Some(0.0);
    let mut hot: Vec<Hot> = status.fixtures.iter().map(of).filter(warm).collect();
    hot.sort_by(|a, b| b.celsius.unwrap_or(-1.0).total_cmp(&a.celsius.unwrap_or(-1.0)));
    hot
}

/// What is still hot, in words.
fn said(hot: &[Hot]) -> Vec<String> {
    let mut lines = Vec::new();
    let (known, unknown): (Vec<_>, Vec<_>) = hot.iter().partition(|h| h.celsius.is_some());
    for h in known {
        let when = match h.minutes {
            Some(minutes) => format!("about {}", say::span((minutes * 60.0).max(60.0))),
            None => "warm for as long as the room is".to_owned(),
        };
        let celsius = h.celsius.unwrap_or(0.0);
        lines.push(format!("{}: estimated {celsius:.0} °C, {when}: feel before you grip", h.lamp));
    }
    if !unknown.is_empty() {
        let names: Vec<_> = unknown.iter().map(|h| h.lamp.as_str()).collect();
        lines.push(format!("no figure of heat: {}: feel before you grip", names.join(", ")));
    }
    lines.push(
        "dark is not off: unplug each lamp and let it cool before you change or pack anything".to_owned(),
    );
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: docs/interface.md, part 1: the words of `wrap`; it never says that anything may be packed.
    #[test]
    fn what_is_hot_is_told_with_its_time_and_nothing_is_called_safe() {
        let hot = |lamp: &str, celsius, minutes| Hot { lamp: lamp.into(), celsius, minutes };
        let lines = said(&[
            hot("key (P1)", Some(58.2), Some(12.0)),
            hot("fill (B3)", Some(44.0), None),
            hot("hair (S1)", None, None),
        ]);
        assert_eq!(lines[0], "key (P1): estimated 58 °C, about 12 min: feel before you grip");
        assert_eq!(
            lines[1],
            "fill (B3): estimated 44 °C, warm for as long as the room is: feel before you grip"
        );
        assert_eq!(lines[2], "no figure of heat: hair (S1): feel before you grip");
        let all = lines.join("\n").to_lowercase();
        assert!(!all.contains("ok") && !all.contains("safe"), "{all}");
    }
}
