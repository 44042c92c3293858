//! Where takes and the plans that they were shot by come from: the daemon of the set, and its log.

use std::collections::BTreeMap;
use std::hash::{BuildHasher, Hasher, RandomState};

use serde_json::Value;

use super::super::exit::Exit;
use super::super::run::ask;
use super::NoTakes;
use crate::control::client::ClientError;
use crate::control::{Failure, Request, places};
use crate::engine::{ProtectFound, listed};
use crate::journal::snapshot::{Snapshot, SnapshotError};
use crate::journal::{Found, NAME, ReadingFound, TakeFound, Wanted, WrongTakeName};
use crate::plan::{Plan, load};
use crate::protect_file::ProtectFile;

/// Takes that a list has at most.
const MOST_LISTED: usize = 1000;

/// Where takes come from: the daemon, or its log while none runs.
pub(super) enum From<'s> {
    Daemon(Option<&'s str>),
    Log { log: Box<Snapshot>, set: String, hidden: bool },
}

impl<'s> From<'s> {
    /// The daemon of the set, else the log of the set, else the only log there is.
    pub fn of(set: Option<&'s str>) -> Result<Self, NoTakes> {
        match ask(set, &Request::Status { follow: false }) {
            Ok(_) => Ok(Self::Daemon(set)),
            Err(e @ ClientError::NoDaemon { .. }) => Self::log(set).unwrap_or(Err(NoTakes::Client(e))),
            Err(e) => Err(NoTakes::Client(e)),
        }
    }

    /// `None` where there is no log either.
    fn log(set: Option<&str>) -> Option<Result<Self, NoTakes>> {
        let top = places::state_top()?;
        let folders = std::fs::read_dir(&top).into_iter().flatten().filter_map(Result::ok);
        let names = folders.filter_map(|f| f.file_name().into_string().ok());
        let of_set = |name: &String| name.strip_suffix(".simulated").unwrap_or(name).to_owned();
        let mut found: Vec<String> = names
            .filter(|name| set.is_none_or(|set| of_set(name) == set) && top.join(name).join(NAME).exists())
            .collect();
        found.sort();
        // A set that runs with lamps goes before the same one simulated.
        found.dedup_by(|simulated, real| of_set(simulated) == *real);
        let name = match &found[..] {
            [] => return None,
            [one] => one,
            several => {
                let said =
                    format!("several sets have a log: say which with --set, one of {}", several.join(", "));
                return Some(Err(NoTakes::Said(Exit::Usage, said)));
            }
        };
        let log = snapshot(&top.join(name).join(NAME));
        let protect = ProtectFile::new(&top, name.ends_with(".simulated")).read();
        Some(match log {
            Ok(log) => {
                Ok(Self::Log { log: Box::new(log), set: of_set(name), hidden: protect != ProtectFound::Off })
            }
            Err(e) => Err(NoTakes::Said(Exit::NotMet, e.to_string())),
        })
    }

    /// All takes, as `take list --json` gives them.
    pub fn takes(&self) -> Result<Value, NoTakes> {
        match self {
            Self::Daemon(set) => data(*set, &Request::TakeList { most: None }),
            Self::Log { log, hidden, .. } => {
                let takes = log.takes(MOST_LISTED).map_err(|e| NoTakes::Said(Exit::NotMet, e.to_string()))?;
                let mut listed = listed(&takes).1.unwrap_or_default();
                for take in listed["takes"].as_array_mut().into_iter().flatten().filter(|_| *hidden) {
                    take["take"] = take["number"].clone();
                    take["look"] = "…".into();
                    (take["notes"], take["why"]) = (Value::Array(Vec::new()), Value::Array(Vec::new()));
                }
                Ok(listed)
            }
        }
    }

    /// One take with its readings.
    pub fn take(&self, name: &str) -> Result<(TakeFound, Vec<ReadingFound>), NoTakes> {
        let refused = |f: Failure| NoTakes::Said(f.kind.into(), with_hint(f));
        match self {
            Self::Daemon(set) => {
                let found = data(*set, &Request::TakeSheet { take: name.to_owned() })?;
                let other = |_| {
                    let said = "the daemon's log is of another version: restart it";
                    NoTakes::Said(Exit::NotMet, said.to_owned())
                };
                let take = serde_json::from_value(found["found"].clone()).map_err(other)?;
                Ok((take, serde_json::from_value(found["readings"].clone()).map_err(other)?))
            }
            Self::Log { log, .. } => {
                let name =
                    name.parse().map_err(|e: WrongTakeName| NoTakes::Said(Exit::Usage, e.to_string()))?;
                let take = log.take(&name).map_err(refused)?;
                let wanted = Wanted::readings_of(&take);
                match crate::journal::find(log.db(), log.origin(), &wanted).map_err(refused)? {
                    Found::Readings(readings) => Ok((take, readings)),
                    _ => Ok((take, Vec::new())),
                }
            }
        }
    }

    /// The set's name, and whether a face is protected now.
    pub fn set(&self) -> Result<(String, bool), NoTakes> {
        match self {
            Self::Daemon(set) => {
                let status = data(*set, &Request::Status { follow: false })?;
                let name = status["set"].as_str().unwrap_or("").to_owned();
                Ok((name, status["protect"]["on"] == true))
            }
            Self::Log { set, hidden, .. } => Ok((set.clone(), *hidden)),
        }
    }
}

/// One request's data.
fn data(set: Option<&str>, request: &Request) -> Result<Value, NoTakes> {
    let answer = ask(set, request).map_err(NoTakes::Client)?;
    match answer.error {
        Some(failure) => Err(NoTakes::Said(failure.kind.into(), with_hint(failure))),
        None => Ok(answer.data.unwrap_or_default()),
    }
}

fn with_hint(failure: Failure) -> String {
    let hint = failure.hint.map_or(String::new(), |h| format!("\n  {h}"));
    format!("{}{hint}", failure.said)
}

/// The plans that takes were shot by, from the texts that the log keeps. The daemon hands none out: they are read beside it.
pub(super) struct Plans<'f> {
    from: &'f From<'f>,
    /// A copy of the running daemon's log, where this process may read it.
    beside: Option<Snapshot>,
    set: &'f str,
    known: BTreeMap<String, Option<Plan>>,
}

impl<'f> Plans<'f> {
    /// Those of a set.
    pub fn of(from: &'f From<'f>, set: &'f str) -> Self {
        let beside = match from {
            From::Daemon(socket) => beside(*socket, set),
            From::Log { .. } => None,
        };
        Self { from, beside, set, known: BTreeMap::new() }
    }

    /// The plan of a hash; `None` where the log has it not whole, or this version does not read it.
    pub fn plan(&mut self, hash: &str) -> Option<&Plan> {
        if !self.known.contains_key(hash) {
            let plan = self.read(hash);
            self.known.insert(hash.to_owned(), plan);
        }
        self.known.get(hash).and_then(Option::as_ref)
    }

    fn read(&self, hash: &str) -> Option<Plan> {
        let log = match self.from {
            From::Log { log, .. } => log,
            From::Daemon(_) => self.beside.as_ref()?,
        };
        let kept = log.texts(hash).ok().flatten()?;
        let whole = (!kept.without_names).then_some(hash);
        load::again(&kept.texts, self.set, whole)
    }
}

fn snapshot(log: &std::path::Path) -> Result<Snapshot, SnapshotError> {
    let token = RandomState::new().build_hasher().finish();
    Snapshot::of(log, &std::env::temp_dir(), token)
}

fn beside(socket: Option<&str>, set: &str) -> Option<Snapshot> {
    let status = data(socket, &Request::Status { follow: false }).ok()?;
    let state = places::state_folder(set, status["simulated"] == true)?;
    snapshot(&state.join(NAME)).ok()
}
