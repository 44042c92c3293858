//! `meter`: leads a person through the readings of a look, then offers the trims that they come to. What is read and
//! what it means is the engine's and `crate::meter`'s; here are the terminal and the requests.

use std::path::{Path, PathBuf};
use std::time::Duration;

use serde_json::{Value, json};

use super::args::MeterArgs;
use super::exit::Exit;
use super::run::{answered, fault, print, print_json, unanswered};
use super::typing::{Typing, prompt, tell};
use crate::clock::{Clock, SystemClock};
use crate::control::client;
use crate::control::{Answer, FailureKind, Request, Status};
use crate::meter::{Answered, Show, Spot, Step, Walk, Word};

/// How long an answer may take.
const ANSWER_WITHIN: Duration = Duration::from_secs(10);
/// How long the light may take to come to a step; a lamp with a slow rise needs a while.
const SETTLED_WITHIN: Duration = Duration::from_secs(120);

/// Why it stops before the end: what the command ends with, after saying so.
struct Stopped(Exit);

impl Stopped {
    fn said(exit: Exit, said: &str) -> Self {
        Self(fault(exit, said))
    }
}

/// Does it.
pub(super) fn run(set: Option<&str>, args: &MeterArgs, json: bool) -> Exit {
    match meter(set, args, json) {
        Ok(exit) | Err(Stopped(exit)) => exit,
    }
}

fn meter(set: Option<&str>, args: &MeterArgs, json: bool) -> Result<Exit, Stopped> {
    let socket = client::find(set).map_err(|e| Stopped(unanswered(&e, json)))?;
    if args.undo {
        let request = Request::Meter {
            look: None,
            show: None,
            lamp: None,
            places: false,
            apply: None,
            end: false,
            undo: true,
        };
        let answer = ask(&socket, &request, json)?;
        return Ok(answered(&answer, &request, json));
    }
    let mut desk = Desk::open(socket, args, json)?;
    let applied = match desk.lead().and_then(|()| desk.offer()) {
        Ok(applied) => applied,
        // Whatever stopped it, no lamp stays alone lit.
        Err(stopped) => {
            desk.end();
            return Err(stopped);
        }
    };
    let data = desk.data()?;
    desk.end();
    if json {
        return Ok(print_json(
            &json!({ "ok": true, "look": desk.look, "applied": applied, "report": data["report"] }),
        ));
    }
    let text = data["text"].as_str().unwrap_or_default();
    let next = if applied.is_empty() {
        String::new()
    } else {
        format!(
            "\ntrims set: {}. They are planned until they are read: `lampkeep meter {}` again; `--undo` takes them back",
            applied.join(", "),
            desk.look
        )
    };
    Ok(print(&format!("{}\n{text}{next}", desk.look)))
}

/// A walk under way.
struct Desk {
    socket: PathBuf,
    json: bool,
    clock: SystemClock,
    look: String,
    places: bool,
    dome: bool,
    instrument: Option<String>,
    walk: Walk,
    lamps: Vec<String>,
    planned: Vec<Option<f64>>,
    /// What the light shows, so that a step of the same light is not shown again.
    shown: Option<(Show, Option<String>)>,
    typing: Typing,
}

impl Desk {
    fn open(socket: PathBuf, args: &MeterArgs, json: bool) -> Result<Self, Stopped> {
        let first = walk_request(args.look.clone(), args.places);
        let data = ask(&socket, &first, json)?.data.unwrap_or_default();
        let steps: Vec<Step> = serde_json::from_value(data["steps"].clone()).map_err(|_| other_version())?;
        let look = data["look"].as_str().unwrap_or_default().to_owned();
        let notes: Vec<String> = serde_json::from_value(data["notes"].clone()).unwrap_or_default();
        if steps.is_empty() {
            let why = if notes.is_empty() { String::new() } else { format!(": {}", notes.join("; ")) };
            return Err(Stopped::said(
                Exit::NotMet,
                &format!("{look} lights no lamp that could be read{why}"),
            ));
        }
        let planned =
            data["steps"].as_array().into_iter().flatten().map(|s| s["planned_lux"].as_f64()).collect();
        let lamps = steps.iter().filter_map(|s| s.lamp.clone()).collect();
        let walk = Walk::new(steps, args.again);
        let typing = Typing::start().map_err(|e| Stopped::said(Exit::NotMet, &format!("no thread: {e}")))?;
        let desk = Self {
            socket,
            json,
            clock: SystemClock::start(),
            look,
            places: args.places,
            dome: args.dome,
            instrument: args.meter.clone(),
            walk,
            lamps,
            planned,
            shown: None,
            typing,
        };
        desk.introduce(&notes);
        Ok(desk)
    }

    fn introduce(&self, notes: &[String]) {
        tell(format_args!(
            "{} · {} readings. Nobody in the lamps' light, {} receptor. Type what the meter shows and Enter: 250lx, 23fc, \
             f/2.8+0.3, under1lx, with its colour where it has one: 250lx 5120K +0.003duv.",
            self.look,
            self.walk.len(),
            if self.dome { "dome" } else { "flat" }
        ));
        for note in notes {
            tell(format_args!("{note}"));
        }
        if self.walk.read() > 0 {
            tell(format_args!(
                "Going on: {} of {} readings are there; --again reads all anew.",
                self.walk.read(),
                self.walk.len()
            ));
        }
        tell(format_args!(
            "skip leaves a reading out, redo goes one back, quit stops and keeps the readings."
        ));
    }

    /// Takes every reading that is still wanted.
    fn lead(&mut self) -> Result<(), Stopped> {
        while let Some((index, step)) = self.walk.now() {
            let step = step.clone();
            self.one(index, &step)?;
        }
        Ok(())
    }

    /// One step: light, wait, ask, note.
    fn one(&mut self, index: usize, step: &Step) -> Result<(), Stopped> {
        self.show(step)?;
        loop {
            let planned = self.planned.get(index).copied().flatten();
            let planned = planned.map_or(String::new(), |lux| format!(" (planned {lux:.1} lx)"));
            prompt(&format!("[{}/{}] {}{planned}", index + 1, self.walk.len(), step.said));
            match self.typing.line().map_or(Word::Quit, |line| Word::of(&line)) {
                Word::Quit => return Err(self.leave()),
                Word::Redo => {
                    if !self.walk.redo() {
                        tell(format_args!("  this is the first reading"));
                    }
                    return Ok(());
                }
                Word::Skip => {
                    self.walk.answer(Answered::Skipped);
                    return Ok(());
                }
                Word::Enter => tell(format_args!("  type what the meter shows, or skip, redo, quit")),
                Word::Reading(_) if !self.still_lit(step)? => {
                    tell(format_args!("  the light was changed by somebody while you read; once more"));
                    self.shown = None;
                    self.show(step)?;
                }
                Word::Reading(value) => {
                    if self.note(step, value)? {
                        self.walk.answer(Answered::Read);
                        return Ok(());
                    }
                }
            }
        }
    }

    /// Lights a step and waits until its light stands.
    fn show(&mut self, step: &Step) -> Result<(), Stopped> {
        let wanted = (step.show, step.lamp.clone());
        if self.shown.as_ref() == Some(&wanted) && self.still_lit(step)? {
            return Ok(());
        }
        let request = Request::Meter {
            look: Some(self.look.clone()),
            show: Some(step.show),
            lamp: step.lamp.clone(),
            places: self.places,
            apply: None,
            end: false,
            undo: false,
        };
        ask(&self.socket, &request, self.json)?;
        let until = self.clock.now().elapsed() + SETTLED_WITHIN;
        let mut settled = false;
        let followed = client::follow(&self.socket, |status| {
            settled = self.stands(&status, step);
            !settled && self.clock.now().elapsed() < until && !self.typing.left()
        });
        followed.map_err(|e| Stopped(unanswered(&e, self.json)))?;
        if self.typing.left() {
            return Err(self.leave());
        }
        if settled {
            self.shown = Some(wanted);
            return Ok(());
        }
        let said = format!(
            "the light has not come to this step within {} s\n  is somebody else recalling looks? The readings are kept: \
             ask again",
            SETTLED_WITHIN.as_secs()
        );
        Err(Stopped::said(Exit::NotMet, &said))
    }

    fn stands(&self, status: &Status, step: &Step) -> bool {
        let on_its_way = |limit: &String| ["rise", "soft-start", "flash"].contains(&limit.as_str());
        status.now.look == "meter"
            && !status.now.fading
            && status.fixtures.iter().filter(|f| f.control != "hand").all(|f| {
                let wanted = match step.show {
                    Show::Room => false,
                    Show::Lamp => step.lamp.as_ref() == Some(&f.id),
                    Show::All => self.lamps.contains(&f.id),
                };
                (f.sent.lux > 0.0) == wanted && !f.limited_by.iter().any(on_its_way)
            })
    }

    fn still_lit(&self, step: &Step) -> Result<bool, Stopped> {
        Ok(self.stands(&status(&self.socket, self.json)?, step))
    }

    /// Notes a reading; false where it has to be typed again.
    fn note(&self, step: &Step, value: String) -> Result<bool, Stopped> {
        let (point, lamp) = match &step.spot {
            Spot::Point(name) => (Some(name.clone()), None),
            Spot::Aim(id) => (None, Some(id.clone())),
        };
        let request =
            Request::Read { point, lamp, value, dome: self.dome, instrument: self.instrument.clone() };
        let answer = client::ask(&self.socket, &request, ANSWER_WITHIN)
            .map_err(|e| Stopped(unanswered(&e, self.json)))?;
        match &answer.error {
            None => {
                tell(format_args!("  {}", answer.said.as_deref().unwrap_or("noted")));
                Ok(true)
            }
            Some(failure) if [FailureKind::BadField, FailureKind::Busy].contains(&failure.kind) => {
                tell(format_args!("  {}", failure.said));
                Ok(false)
            }
            Some(_) => Err(Stopped(answered(&answer, &request, self.json))),
        }
    }

    /// Offers each trim that reaches the plan, then sets those that were taken, together, so that one undo takes all
    /// of them back; gives them.
    fn offer(&mut self) -> Result<Vec<String>, Stopped> {
        let data = self.data()?;
        let (mut taken, mut ids) = (Vec::new(), Vec::new());
        let (mut none_typed, mut quit) = (false, false);
        for offer in data["report"]["offers"].as_array().into_iter().flatten() {
            let said = offer["said"].as_str().unwrap_or_default();
            if offer["reaches"] != true {
                continue;
            }
            while !none_typed && !quit {
                prompt(&format!("trim {said}: Enter sets it, skip leaves it"));
                let line = self.typing.line();
                if self.typing.left() {
                    return Err(self.leave());
                }
                // What was typed ahead has ended: nobody is there to agree.
                none_typed = line.is_none();
                match Word::of(&line.unwrap_or_default()) {
                    _ if none_typed => {}
                    Word::Enter => {
                        taken.push(said.to_owned());
                        ids.push(offer["id"].as_str().unwrap_or_default().to_owned());
                        break;
                    }
                    Word::Skip => break,
                    Word::Quit => quit = true,
                    Word::Redo | Word::Reading(_) => tell(format_args!("  Enter, skip or quit")),
                }
            }
        }
        if !ids.is_empty() {
            let request = Request::Meter {
                look: Some(self.look.clone()),
                show: None,
                lamp: None,
                places: self.places,
                apply: Some(ids.join(" ")),
                end: false,
                undo: false,
            };
            let answer = ask(&self.socket, &request, self.json)?;
            tell(format_args!("{}", answer.said.as_deref().unwrap_or("set")));
        }
        Ok(taken)
    }

    fn data(&self) -> Result<Value, Stopped> {
        let request = walk_request(Some(self.look.clone()), self.places);
        Ok(ask(&self.socket, &request, self.json)?.data.unwrap_or_default())
    }

    fn leave(&self) -> Stopped {
        tell(format_args!(
            "lampkeep: stopped after {} of {} readings; they are kept\n  `lampkeep meter {}` goes on",
            self.walk.read(),
            self.walk.len(),
            self.look
        ));
        Stopped(Exit::NotMet)
    }

    /// Back to the light from before, where the walk is still what is lit.
    fn end(&self) {
        let status = client::ask(&self.socket, &Request::Status { follow: false }, ANSWER_WITHIN);
        let metering =
            status.ok().and_then(|answer| answer.data).is_some_and(|s| s["now"]["look"] == "meter");
        if !metering {
            return;
        }
        let request = Request::Meter {
            look: None,
            show: None,
            lamp: None,
            places: false,
            apply: None,
            end: true,
            undo: false,
        };
        if let Err(e) = client::ask(&self.socket, &request, ANSWER_WITHIN) {
            tell(format_args!("lampkeep: {e}"));
        }
    }
}

fn walk_request(look: Option<String>, places: bool) -> Request {
    Request::Meter { look, show: None, lamp: None, places, apply: None, end: false, undo: false }
}

/// Asks, and stops where it is refused.
fn ask(socket: &Path, request: &Request, json: bool) -> Result<Answer, Stopped> {
    let answer = client::ask(socket, request, ANSWER_WITHIN).map_err(|e| Stopped(unanswered(&e, json)))?;
    if answer.error.is_some() {
        return Err(Stopped(answered(&answer, request, json)));
    }
    Ok(answer)
}

fn other_version() -> Stopped {
    Stopped::said(Exit::NotMet, "the daemon's answer is of another version: restart it")
}

fn status(socket: &Path, json: bool) -> Result<Status, Stopped> {
    let answer = ask(socket, &Request::Status { follow: false }, json)?;
    serde_json::from_value(answer.data.unwrap_or_default()).map_err(|_| other_version())
}
