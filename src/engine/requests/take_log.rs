//! Takes after they are over: corrected, listed, put on a sheet. The log is asked for them, and answers later.

use serde_json::{Value, json};

use super::{checked_slate, fail, stopping};
use crate::control::{Answer, Failure, FailureKind, TakeMark};
use crate::engine::take_typed::{self, TypedError};
use crate::engine::{Action, Engine, Ticket, say};
use crate::journal::{Found, ReadingFound, Stamp, TakeAmend, TakeFound, TakeName, Wanted, What};
use crate::units::Moment;

/// Takes that a list has at most.
const MOST_LISTED: usize = 1000;
/// Takes that are asked of the log at a start.
const MOST_LEARNT: usize = 200;
/// The engine's own questions to the log. No request has this ticket.
pub(in crate::engine) const OWN: Ticket = Ticket(u64::MAX);

/// A request that waits for the log.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::engine) struct Asking {
    ticket: Ticket,
    id: Option<String>,
    what: AskingFor,
    wanted: Wanted,
    /// What was typed for it, to be kept out of what is told while a face is protected.
    typed: Vec<String>,
}

/// What a request wants of the log.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::engine) enum AskingFor {
    /// To bring a take's light back.
    Recall { over_s: Option<f64>, in_s: Option<f64> },
    /// To correct a take.
    Amend(TakeAmend),
    /// Its takes.
    List,
    /// Everything of one take.
    Sheet,
    /// The readings of that take.
    SheetReadings(Box<TakeFound>),
}

impl Engine {
    /// The engine's own question at its start: which takes there are to tell of.
    pub(in crate::engine) fn ask_for_takes(&self) -> Action {
        Action::Find { ticket: OWN, what: Wanted::Takes { most: MOST_LEARNT } }
    }

    /// Asks the log for a take by name. The answer comes with [`Engine::found`].
    pub(in crate::engine) fn ask_for_take(
        &mut self,
        ticket: Ticket,
        id: Option<String>,
        take: &str,
        what: AskingFor,
    ) -> Result<Vec<Action>, Failure> {
        let wanted = take.parse::<TakeName>().map_err(|e| {
            fail(FailureKind::BadField, e.to_string(), "`lampkeep take list` tells which there are")
        })?;
        let typed = if is_plain(&wanted) { Vec::new() } else { vec![take.to_owned()] };
        Ok(self.ask_log(ticket, id, Wanted::Take(wanted), what, typed))
    }

    fn ask_log(
        &mut self,
        ticket: Ticket,
        id: Option<String>,
        wanted: Wanted,
        what: AskingFor,
        typed: Vec<String>,
    ) -> Vec<Action> {
        self.asking.push(Asking { ticket, id, what, wanted: wanted.clone(), typed });
        vec![Action::Find { ticket, what: wanted }]
    }

    /// Asks for the list of takes.
    pub(super) fn ask_for_list(
        &mut self,
        ticket: Ticket,
        id: Option<String>,
        most: Option<usize>,
    ) -> Vec<Action> {
        let most = most.unwrap_or(MOST_LISTED).min(MOST_LISTED);
        self.ask_log(ticket, id, Wanted::Takes { most }, AskingFor::List, Vec::new())
    }

    /// True if the log was asked this for a take, or by the engine itself.
    pub(in crate::engine) fn asks_for_take(&self, ticket: Ticket) -> bool {
        ticket == OWN || self.asking.iter().any(|a| a.ticket == ticket)
    }

    /// What a person typed for the request that the log now answers.
    pub(in crate::engine) fn typed_for(&self, ticket: Ticket) -> Vec<String> {
        let asking = self.asking.iter().find(|a| a.ticket == ticket);
        let typed = asking.map(|a| a.typed.clone()).or_else(|| self.typed_for_match(ticket));
        typed.unwrap_or_default()
    }

    /// The log's answer.
    pub(in crate::engine) fn found(
        &mut self,
        ticket: Ticket,
        result: Result<Box<Found>, Failure>,
        now: Moment,
    ) -> Vec<Action> {
        if ticket == OWN {
            if let Ok(found) = result
                && let Found::Takes(takes) = *found
            {
                self.learn_takes(takes);
            }
            return Vec::new();
        }
        let Some(index) = self.asking.iter().position(|a| a.ticket == ticket) else { return Vec::new() };
        let Asking { id, what, wanted, typed, .. } = self.asking.remove(index);
        let found = match result {
            Ok(found) => *found,
            // One that is not on the disk yet, or that a bad disk does not give back, may be remembered.
            Err(failure) => {
                let lost = matches!(failure.kind, FailureKind::UnknownTake | FailureKind::Files);
                match self.remembered(&what, &wanted).filter(|_| lost) {
                    Some(take) => Found::Take(Box::new(take)),
                    None => return vec![Action::reply(ticket, Answer::refused(id, failure))],
                }
            }
        };
        self.hide_foreign(&found);
        let at = self.acting_frame(now);
        let done: Result<(String, Option<Value>), Failure> = match (what, found) {
            // The last fade had begun while the log was read: nothing comes up in it.
            (AskingFor::Recall { .. }, _) if self.stopping || self.finished => Err(stopping()),
            (AskingFor::Recall { over_s, in_s }, Found::Take(take)) => {
                self.recall_take_found(*take, over_s, in_s, at).map(|(said, data)| (said, Some(data)))
            }
            (AskingFor::Amend(amend), Found::Take(take)) => {
                self.amend_found(&take, amend).map(|(said, data)| (said, Some(data)))
            }
            (AskingFor::List, Found::Takes(takes)) => {
                let takes: Vec<_> = takes.into_iter().map(|t| self.hidden(t)).collect();
                Ok(listed(&takes))
            }
            (AskingFor::Sheet, Found::Take(take)) => {
                if !take.record.readings.is_empty() {
                    let wanted = Wanted::readings_of(&take);
                    return self.ask_log(ticket, id, wanted, AskingFor::SheetReadings(take), typed);
                }
                Ok(on_sheet(&self.hidden(*take), &[]))
            }
            (AskingFor::SheetReadings(take), Found::Readings(readings)) => {
                Ok(on_sheet(&self.hidden(*take), &readings))
            }
            _ => Err(fail(FailureKind::Files, "the log answered something else than was asked", "ask again")),
        };
        match done {
            Ok((said, data)) => {
                self.keeps.changed = true;
                self.refresh_standing_alerts(self.clock().seconds(at));
                self.was_moving = true;
                let mut actions = self.publish();
                actions.push(self.accept_with(ticket, id, said, data));
                actions
            }
            Err(failure) => vec![Action::reply(ticket, Answer::refused(id, failure))],
        }
    }

    /// Checks a correction, and asks for the take that it is about.
    pub(super) fn amend_take(
        &mut self,
        ticket: Ticket,
        id: Option<String>,
        take: &str,
        mark: Option<TakeMark>,
        rename: Option<&str>,
        typed: &[String],
    ) -> Result<Vec<Action>, Failure> {
        let mut amend = TakeAmend { mark, ..TakeAmend::default() };
        if let Some(name) = rename {
            match name.parse::<TakeName>() {
                Ok(TakeName::Slate { slate, take }) => {
                    checked_slate(Some(&slate))?;
                    (amend.slate, amend.take) = (Some(slate), Some(take));
                }
                _ => {
                    let said = format!("`{}` is no slate and take", crate::words::short(name));
                    return Err(fail(FailureKind::BadField, said, "write it as 5/2"));
                }
            }
        }
        for text in typed {
            let wrong = |e: TypedError| fail(FailureKind::BadField, e.to_string(), e.hint());
            let Some((name, value)) = text.split_once('=') else {
                let said = format!("`{}` is no NAME=VALUE", crate::words::short(text));
                return Err(fail(
                    FailureKind::BadField,
                    said,
                    "such as iso=800 or note=\"hand on the rail\"",
                ));
            };
            let known = take_typed::field(name);
            let field = known.ok_or_else(|| wrong(TypedError::Unknown(crate::words::short(name))))?;
            let value = field.checked(value).map_err(wrong)?;
            if field.is_text() && !value.is_empty() && self.protected() {
                let said = format!("no free text while a face is protected: {}", field.name);
                let hint = "numbers are noted as ever; note the rest after `lampkeep protect off`";
                return Err(fail(FailureKind::Guarded, said, hint));
            }
            amend.typed.push((name.to_owned(), value));
        }
        if amend == TakeAmend::default() {
            let hint = "such as `lampkeep take amend 4/3 good iso=800 note=\"hand on the rail\"`";
            return Err(fail(FailureKind::BadField, "nothing to amend", hint));
        }
        let texts: Vec<String> = amend.typed.iter().flat_map(|(n, v)| [n.clone(), v.clone()]).collect();
        let actions = self.ask_for_take(ticket, id, take, AskingFor::Amend(amend))?;
        if let Some(asking) = self.asking.last_mut() {
            asking.typed.extend(texts);
            asking.typed.extend(rename.map(str::to_owned));
        }
        Ok(actions)
    }

    /// Corrects a take that was found.
    fn amend_found(&mut self, take: &TakeFound, mut amend: TakeAmend) -> Result<(String, Value), Failure> {
        for (name, _) in &amend.typed {
            if let (_, Some(camera)) = take_typed::parted(name)
                && !take.record.cameras.iter().any(|c| c.id == camera)
            {
                let known: Vec<_> = take.record.cameras.iter().map(|c| c.id.as_str()).collect();
                let said = format!("that take has no camera `{}`", crate::words::short(camera));
                return Err(fail(FailureKind::BadField, said, format!("its cameras: {}", known.join(", "))));
            }
        }
        amend.number = take.record.number;
        amend.origin = take.log_name.split_once('@').map(|(_, origin)| origin.to_owned());
        let mut after = take.clone();
        after.amended.push(amend.clone());
        let name = after.name();
        let mut parts = vec![format!("take {} ({})", name, take.log_name)];
        if name != take.name() {
            parts.push(format!("was {}", take.name()));
            self.protect.learn_slate(amend.slate.as_deref().unwrap_or_default());
            self.correct_slates(take, &after);
        }
        parts.extend(amend.mark.map(|m| format!("marked {}", m.word())));
        let said = |(name, value): &(String, String)| {
            if value.is_empty() { format!("{name} taken back") } else { format!("{name} {value}") }
        };
        parts.extend(amend.typed.iter().map(said));
        self.known.amend(&take.log_name, name.clone(), &amend);
        if let Some(rolling) =
            self.take.as_mut().filter(|t| t.number == amend.number && amend.origin.is_none())
        {
            rolling.name.clone_from(&name);
            rolling.mark = amend.mark.or(rolling.mark);
        }
        let data = json!({
            "take": name, "number": take.log_name, "mark": after.mark(),
            "typed": after.typed().into_iter().map(|(name, value)| json!([name, value])).collect::<Vec<_>>(),
        });
        self.record(What::TakeAmended(amend));
        Ok((parts.join(" · "), data))
    }

    /// A take that the log does not give and that this run remembers: enough to bring its light back or to amend it.
    fn remembered(&self, what: &AskingFor, wanted: &Wanted) -> Option<TakeFound> {
        let (AskingFor::Recall { .. } | AskingFor::Amend(_), Wanted::Take(name)) = (what, wanted) else {
            return None;
        };
        let name = name.to_string();
        let rolls = self.take.as_ref().filter(|t| t.name == name || format!("n{}", t.number) == name);
        let rolls = rolls.and_then(|t| {
            let record = t.record.as_deref()?;
            Some((format!("n{}", t.number), t.name.clone(), None, record.clone()))
        });
        let over = || {
            let take = self.known.called(&name)?;
            Some((take.log_name.clone(), take.name.clone(), take.mark, (*take.record).clone()))
        };
        let (log_name, name, mark, record) = rolls.or_else(over)?;
        // Nothing asks when it was; its name and mark are as they were corrected.
        let stamp = Stamp { seq: 0, since_boot_us: 0, wall: String::new(), unset: true, frame: 0 };
        let mut take = TakeFound { log_name, imported: false, stamp, record, end: None, amended: Vec::new() };
        let (slate, number) = name.rsplit_once('/')?;
        let (slate, number) = (Some(slate.to_owned()), number.parse().ok());
        take.amended.push(TakeAmend { slate, take: number, mark, ..TakeAmend::default() });
        Some(take)
    }

    /// A take without names while a face is protected.
    fn hidden(&self, mut take: TakeFound) -> TakeFound {
        if !self.protected() {
            return take;
        }
        self.redact_take(&mut take.record);
        for amend in &mut take.amended {
            let mut what = What::TakeAmended(std::mem::take(amend));
            self.redact_record(&mut what, &[]);
            if let What::TakeAmended(told) = what {
                *amend = told;
            }
        }
        take
    }

    /// The word of the request that the log's answer is for, where it changes anything.
    pub(in crate::engine) fn asked_for(&self, ticket: Ticket) -> Option<String> {
        if self.typed_for_match(ticket).is_some() {
            return Some("match".to_owned());
        }
        match self.asking.iter().find(|a| a.ticket == ticket)?.what {
            AskingFor::Recall { .. } => Some("recall".to_owned()),
            AskingFor::Amend(_) => Some("take-amend".to_owned()),
            AskingFor::List | AskingFor::Sheet | AskingFor::SheetReadings(_) => None,
        }
    }

    /// Counts slates on from a corrected name.
    fn correct_slates(&mut self, before: &TakeFound, after: &TakeFound) {
        if before.imported {
            return;
        }
        let (old, new) = (before.name(), after.name());
        let parts = |name: &'_ str| -> Option<(String, u32)> {
            let (slate, take) = name.rsplit_once('/')?;
            Some((slate.to_owned(), take.parse().ok()?))
        };
        if let (Some((slate, take)), Some((to, number))) = (parts(&old), parts(&new)) {
            let latest = before.record.number == self.takes;
            self.slates.correct((&slate, take), (&to, number), latest);
            self.keeps.at_once = true;
        }
    }

    /// Learns takes of the log: the newest ones at a start.
    fn learn_takes(&mut self, takes: Vec<TakeFound>) {
        self.hide_foreign(&Found::Takes(takes.clone()));
        self.known.learn(takes);
    }

    /// Names in what the log holds may be another plan's: none of them is told while a face is protected.
    pub(super) fn hide_foreign(&mut self, found: &Found) {
        let takes = match found {
            Found::Take(take) => std::slice::from_ref(&**take),
            Found::Takes(takes) => takes,
            _ => return,
        };
        let plan = std::sync::Arc::clone(&self.plan);
        self.protect.learn_takes(takes, &plan);
    }
}

/// True for a take's name that tells nothing: a log number, or a slate that is a plain number.
pub(in crate::engine) fn is_plain(name: &TakeName) -> bool {
    match name {
        TakeName::Number { .. } => true,
        TakeName::Slate { slate, .. } => slate.bytes().all(|b| b.is_ascii_digit()),
    }
}

/// The list of takes: a line for people, each take for programs.
pub(crate) fn listed(takes: &[TakeFound]) -> (String, Option<Value>) {
    let said = match takes.last() {
        None => "no take yet: `lampkeep take start` starts one".to_owned(),
        Some(last) => {
            let (name, look) = (last.name(), &last.record.look);
            format!("{} · the latest is {name} ({}), {look}", say::count(takes.len(), "take"), last.log_name)
        }
    };
    (said, Some(json!({ "takes": takes.iter().map(in_list).collect::<Vec<_>>() })))
}

fn in_list(take: &TakeFound) -> Value {
    let end = take.end.as_ref();
    let notes: Vec<_> =
        take.typed().into_iter().filter(|(name, _)| name == "note").map(|(_, text)| text).collect();
    json!({
        "number": take.log_name,
        "take": take.name(),
        "look": take.record.look,
        "nudged": take.record.light.nudged,
        "started": take.stamp.wall,
        "clock_unset": take.stamp.unset,
        "lasted_s": end.map(|e| e.rolled_s),
        "steady": end.map(|e| e.why.is_empty()),
        "why": end.map_or(&[][..], |e| &e.why),
        "interrupted": end.is_some_and(|e| e.interrupted),
        "mark": take.mark(),
        "notes": notes,
    })
}

/// Everything of one take.
fn on_sheet(take: &TakeFound, readings: &[ReadingFound]) -> (String, Option<Value>) {
    let said = format!("take {} ({}), {}", take.name(), take.log_name, take.record.look);
    (said, Some(json!({ "found": take, "readings": readings })))
}
