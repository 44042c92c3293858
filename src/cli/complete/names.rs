//! Where the names come from: the running daemon, else a plan; and when there are none to be told.
//!
//! While a face is protected a daemon answers with numbers, and those are offered. Without its answer nobody can tell
//! which number stands for what, and names are not shown: a plan's are then not offered at all. They are not offered
//! either where a daemon is there and does not answer, for it may be protecting a face.

use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use std::time::Duration;

use serde_json::Value;

use super::{LINE, Line};
use crate::control::client::{self, ClientError};
use crate::control::{Request, places};
use crate::engine::ProtectFound;
use crate::plan::{Outline, load};
use crate::protect_file::ProtectFile;

/// Longest wait for one answer of the daemon: two of them are still at once for a person (0.1 s; Card, Moran and Newell,
/// The Psychology of Human-Computer Interaction, 1983).
const WITHIN: Duration = Duration::from_millis(45);
/// Newest takes that are offered: more than fit on a screen.
const TAKES: usize = 40;
/// Where a service has its plans.
const PLANS: &str = "/etc/lampkeep";

/// What can be typed.
#[derive(Debug, Default)]
pub(super) struct Known {
    /// Names, or numbers while a face is protected.
    pub names: Outline,
    /// True if the daemon protects a face.
    pub protected: bool,
}

/// One take that can be named.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Take {
    /// Slate and take, `4/3`; `None` while a face is protected, or where it is not the only one of that name.
    pub name: Option<String>,
    /// Its log number, `n12`.
    pub number: String,
    /// What was lit, and its mark; nothing while a face is protected.
    pub about: String,
}

/// The names for the line; looked up once.
pub(super) fn known() -> &'static Known {
    static KNOWN: OnceLock<Known> = OnceLock::new();
    KNOWN.get_or_init(|| LINE.get().and_then(find).unwrap_or_default())
}

/// What a daemon had to say.
enum Daemon {
    Answers(Known),
    /// None runs.
    None,
    /// One is there, and says nothing that helps.
    Mute,
}

fn find(line: &Line) -> Option<Known> {
    let daemon = daemon(line.option("--set"));
    let plan = line.plan();
    match (daemon, plan) {
        (Daemon::Mute, _) => None,
        (Daemon::Answers(known), None) if !line.is("rehearse") => Some(known),
        (Daemon::Answers(known), _) if known.protected => None,
        (_, plan) => of_plan(line, plan),
    }
}

fn daemon(set: Option<&str>) -> Daemon {
    let Ok(data) = asked(set, &Request::Names {}) else { return Daemon::None };
    let Some(mut data) = data else { return Daemon::Mute };
    match serde_json::from_value(data["names"].take()) {
        Ok(names) => Daemon::Answers(Known { names, protected: data["protected"] != false }),
        Err(_) => Daemon::Mute,
    }
}

/// What a daemon answers, `Ok(None)` where it says no; `Err` where none runs.
fn asked(set: Option<&str>, request: &Request) -> Result<Option<Value>, ()> {
    match client::find(set).and_then(|path| client::ask(&path, request, WITHIN)) {
        Ok(answer) => Ok(answer.data),
        Err(ClientError::NoDaemon { .. } | ClientError::OtherSets { .. }) => Err(()),
        Err(_) => Ok(None),
    }
}

/// The names of the plan that is named, of the built-in demo for a rehearsal without one, else of the service's plan.
fn of_plan(line: &Line, plan: Option<PathBuf>) -> Option<Known> {
    if plan.is_none() && line.is("rehearse") {
        return Some(Known { names: load::demo_outline(), protected: false });
    }
    if protected_here() {
        return None;
    }
    let names = match plan {
        Some(plan) => load::outline(&plan)?.0,
        None => of_service(Path::new(PLANS), line.option("--set"))?,
    };
    Some(Known { names, protected: false })
}

/// The names of the plan that a service runs: `plan.toml`, or of the set that is asked for `SET.toml`.
fn of_service(folder: &Path, set: Option<&str>) -> Option<Outline> {
    let of = |name: &str| load::outline(&folder.join(format!("{name}.toml")));
    match set {
        None => of("plan").map(|found| found.0),
        Some(set) => {
            [set, "plan"].into_iter().filter_map(of).find(|(_, name)| name == set).map(|found| found.0)
        }
    }
}

/// True unless this machine is known to protect no face, of lamps or simulated ones.
fn protected_here() -> bool {
    let off = |simulated| {
        places::state_top().is_some_and(|top| ProtectFile::new(&top, simulated).read() == ProtectFound::Off)
    };
    !(off(false) && off(true))
}

/// The newest takes of the daemon, the newest first.
pub(super) fn takes() -> Vec<Take> {
    let set = LINE.get().and_then(|line| line.option("--set"));
    if known().names == Outline::default() {
        return Vec::new();
    }
    match asked(set, &Request::TakeList { most: Some(TAKES) }) {
        Ok(Some(data)) => listed(&data, known().protected),
        _ => Vec::new(),
    }
}

fn listed(data: &Value, protected: bool) -> Vec<Take> {
    let takes = data["takes"].as_array().map_or(&[][..], Vec::as_slice);
    let text = |take: &Value, field: &str| take[field].as_str().unwrap_or_default().to_owned();
    let once = |name: &str| takes.iter().filter(|other| other["take"] == name).count() == 1;
    let take = |take: &Value| {
        let (name, mark) = (text(take, "take"), text(take, "mark"));
        let about = [text(take, "look"), mark].into_iter().filter(|t| !t.is_empty()).collect::<Vec<_>>();
        Take {
            name: Some(name).filter(|name| !protected && once(name)),
            number: text(take, "number"),
            about: if protected { String::new() } else { about.join(", ") },
        }
    };
    takes.iter().rev().map(take).filter(|t| !t.number.is_empty()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn log() -> Value {
        json!({ "takes": [
            { "take": "4/1", "number": "n1", "look": "quay", "mark": "bad" },
            { "take": "4/2", "number": "n2", "look": "quay", "mark": null },
            { "take": "4/1", "number": "n3", "look": "dusk", "mark": "good" },
        ] })
    }

    #[test]
    fn takes_come_newest_first_and_two_of_one_name_by_their_numbers() {
        let takes = listed(&log(), false);
        let names: Vec<_> =
            takes.iter().map(|t| (t.name.as_deref(), t.number.as_str(), t.about.as_str())).collect();
        assert_eq!(
            names,
            [(None, "n3", "dusk, good"), (Some("4/2"), "n2", "quay"), (None, "n1", "quay, bad")]
        );
    }

    #[test]
    fn while_a_face_is_protected_a_take_is_its_number_alone() {
        let takes = listed(&log(), true);
        assert!(takes.iter().all(|t| t.name.is_none() && t.about.is_empty()));
        assert_eq!(listed(&json!({}), false), []);
    }

    #[test]
    fn a_service_s_plan_is_that_of_the_set_asked_for() {
        let folder = tempfile::tempdir().unwrap();
        let write = |name: &str, text: &str| std::fs::write(folder.path().join(name), text).unwrap();
        write("plan.toml", "name = \"pier\"\n[look.quay]");
        write("mole.toml", "[look.dusk]");
        write("else.toml", "name = \"other\"\n[look.night]");
        let looks = |set| of_service(folder.path(), set).map(|names| names.looks);
        assert_eq!(looks(None), Some(vec!["quay".to_owned()]));
        assert_eq!(looks(Some("pier")), Some(vec!["quay".to_owned()]));
        assert_eq!(looks(Some("mole")), Some(vec!["dusk".to_owned()]));
        assert_eq!(looks(Some("else")), None);
    }
}
