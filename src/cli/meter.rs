//! `meter`: leads a person through the readings of a look, then offers the trims that they come to. What is read and
//! what it means is the engine's and `crate::meter`'s; here are the terminal and the requests.

use serde_json::{Value, json};

use super::args::MeterArgs;
use super::exit::Exit;
use super::lead::{Daemon, SETTLED_WITHIN, Stopped, other_version};
use super::run::{answered, print, print_json};
use super::typing::{Typing, prompt, tell};
use crate::control::{FailureKind, Request, Status, client};
use crate::meter::{Answered, Show, Spot, Step, Walk, Word};

/// Does it.
pub(super) fn run(set: Option<&str>, args: &MeterArgs, json: bool) -> Exit {
    match meter(set, args, json) {
        Ok(exit) | Err(Stopped(exit)) => exit,
    }
}

fn meter(set: Option<&str>, args: &MeterArgs, json: bool) -> Result<Exit, Stopped> {
    let daemon = Daemon::of(set, json)?;
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
        let answer = daemon.ask(&request)?;
        return Ok(answered(&answer, &request, json));
    }
    let mut desk = Desk::open(daemon, args)?;
    let walked = desk.walk_through();
    // However it ended: nobody leaves a lamp alone lit, or all of them dark.
    desk.end();
    let (applied, data) = walked?;
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
    daemon: Daemon,
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
    fn open(daemon: Daemon, args: &MeterArgs) -> Result<Self, Stopped> {
        let first = walk_request(args.look.clone(), args.places);
        let data = daemon.ask(&first)?.data.unwrap_or_default();
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
        let typing = Typing::start().map_err(|e| Stopped::no_thread(&e))?;
        let desk = Self {
            daemon,
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

    /// All of it: readings, then trims. Gives the trims that were set and the report.
    fn walk_through(&mut self) -> Result<(Vec<String>, Value), Stopped> {
        self.lead()?;
        let applied = self.offer()?;
        Ok((applied, self.data()?))
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
        self.daemon.ask(&request)?;
        let stands = self.daemon.settled(&self.typing, |status| self.stands(status, step))?;
        if self.typing.left() {
            return Err(self.leave());
        }
        if stands {
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
        Ok(self.stands(&self.daemon.status()?, step))
    }

    /// Notes a reading; false where it has to be typed again.
    fn note(&self, step: &Step, value: String) -> Result<bool, Stopped> {
        let (point, lamp) = match &step.spot {
            Spot::Point(name) => (Some(name.clone()), None),
            Spot::Aim(id) => (None, Some(id.clone())),
        };
        let request =
            Request::Read { point, lamp, value, dome: self.dome, instrument: self.instrument.clone() };
        let answer = self.daemon.answer(&request)?;
        match &answer.error {
            None => {
                tell(format_args!("  {}", answer.said.as_deref().unwrap_or("noted")));
                Ok(true)
            }
            Some(failure) if [FailureKind::BadField, FailureKind::Busy].contains(&failure.kind) => {
                tell(format_args!("  {}", failure.said));
                Ok(false)
            }
            Some(_) => Err(self.daemon.refused(&answer, &request)),
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
                let Some(line) = line else {
                    // What was typed ahead has ended: nobody is there to agree.
                    none_typed = true;
                    break;
                };
                match Word::of(&line) {
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
            let answer = self.daemon.ask(&request)?;
            tell(format_args!("{}", answer.said.as_deref().unwrap_or("set")));
        }
        Ok(taken)
    }

    fn data(&self) -> Result<Value, Stopped> {
        let request = walk_request(Some(self.look.clone()), self.places);
        Ok(self.daemon.ask(&request)?.data.unwrap_or_default())
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
        let status = self.daemon.quietly(&Request::Status { follow: false }).map(client::read_status);
        if !matches!(status, Ok(Ok(status)) if status.now.look == "meter") {
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
        if let Err(e) = self.daemon.quietly(&request) {
            tell(format_args!("lampkeep: {e}"));
        }
    }
}

fn walk_request(look: Option<String>, places: bool) -> Request {
    Request::Meter { look, show: None, lamp: None, places, apply: None, end: false, undo: false }
}
