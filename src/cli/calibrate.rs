//! `calibrate`: leads a person through the readings of one lamp, keeps each as it comes, and writes the
//! calibration. What is read and fitted is `crate::calibrate`'s.

use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use super::args::CalibrateArgs;
use super::exit::Exit;
use super::lead::{Daemon, SETTLED_WITHIN, Stopped};
use super::run::{print, print_json};
use super::typing::{Typing, prompt, tell};
use crate::calibrate::{self, Entry, Fault, Fit, Kind, Session, Step, Taken, Word};
use crate::channels::{self, Asked};
use crate::clock::{Clock, SystemClock};
use crate::control::{FixtureStatus, Request, Status, places};
use crate::light::photometry;
use crate::plan::{Fixture, Plan, load};
use crate::words::short;
use crate::{files, plain_file};

/// Longest file of readings that is read, in bytes: a session has some ten thousand.
const LONGEST_KEPT: u64 = 1024 * 1024;

/// Does it.
pub(super) fn run(set: Option<&str>, args: &CalibrateArgs, json: bool) -> Exit {
    match calibrate(set, args, json) {
        Ok(exit) | Err(Stopped(exit)) => exit,
    }
}

fn calibrate(set: Option<&str>, args: &CalibrateArgs, json: bool) -> Result<Exit, Stopped> {
    let mut bench = Bench::open(Daemon::of(set, json)?, args)?;
    let done = bench.read_through();
    // However it ended: nobody leaves a lamp alone at full.
    bench.end();
    let (found, file) = done?;
    // The readings are in the calibration now; left behind, they would only be taken for new ones.
    let _ = std::fs::remove_file(bench.kept_file());
    if json {
        return Ok(print_json(&result(&bench.session.lamp, &file, &found)));
    }
    Ok(print(&format!(
        "{} calibrated: {}\n{}next: `lampkeep reload` takes it. Then check it: asked -1, -2 and -3 stops must read back \
         within 0.1 stop",
        bench.session.lamp,
        file.display(),
        calibrate::summary(&found)
    )))
}

fn result(lamp: &str, file: &Path, found: &Fit) -> Value {
    let worst = |w: &Option<(f64, String)>| w.as_ref().map(|(off, at)| json!({ "off": off, "step": at }));
    json!({
        "ok": true,
        "lamp": lamp,
        "file": file,
        "worst_stops": worst(&found.worst_stops),
        "worst_mired": worst(&found.worst_mired),
        "curves": found.sweeps.iter().map(|s| json!({
            "channel": s.name, "points": s.points, "clean_from": s.clean_from,
        })).collect::<Vec<_>>(),
        "kelvins": found.kelvins.iter().map(|k| json!({
            "asked_kelvin": k.asked, "kelvin": k.kelvin, "duv": k.duv, "light": k.light,
        })).collect::<Vec<_>>(),
        "emitters": found.emitters.iter().map(|e| json!({ "name": e.name, "output": e.output })).collect::<Vec<_>>(),
        "notes": found.notes,
    })
}

/// A lamp being read.
struct Bench {
    daemon: Daemon,
    typing: Typing,
    clock: SystemClock,
    plan: Plan,
    fixture: Fixture,
    steps: Vec<Step>,
    session: Session,
    distance_m: f64,
    state: PathBuf,
    calibrations: PathBuf,
}

impl Bench {
    /// Finds the daemon, the lamp, its plan and the readings from before. Every lamp is dark then.
    fn open(daemon: Daemon, args: &CalibrateArgs) -> Result<Self, Stopped> {
        let status = daemon.status()?;
        if status.protect.on {
            // Its files carry the body's name, which is not told now.
            let said = "a face is protected, and a calibration needs names\n  `lampkeep protect off` gives a code that ends it";
            return Err(Stopped::said(Exit::Guarded, said));
        }
        let known = status.fixtures.iter().find(|f| f.id == args.lamp || f.lamp == args.lamp);
        if known.is_some_and(|f| f.lamp == f.id) {
            let said = format!(
                "`{}` is no body of the kit, so its calibration has no place\n  give it a body: `[lamp.B3]` in \
                 kit.toml, and `lamp = \"B3\"` in the plan",
                short(&args.lamp)
            );
            return Err(Stopped::said(Exit::NotMet, &said));
        }
        let Some(state) = places::state_folder(&status.set, status.simulated) else {
            let said = "there is no folder for the readings\n  set LAMPKEEP_STATE to one, or HOME";
            return Err(Stopped::said(Exit::NotMet, said));
        };
        // Before any lamp is lit: a signal leads the light back.
        let typing = Typing::start().map_err(|e| Stopped::no_thread(&e))?;
        let dark = light(&args.lamp, &Asked::default());
        let data = daemon.ask(&dark)?.data.unwrap_or_default();
        let (plan, fixture, calibrations) = Self::of_plan(&data, &status, args).map_err(|said| {
            // Nothing has been read, so the light from before should stand.
            let _ = daemon.quietly(&end());
            Stopped::said(Exit::NotMet, &said)
        })?;
        let distance_m = args.distance.unwrap_or(1.0);
        let session = Session {
            lamp: fixture.lamp_name().to_owned(),
            profile: fixture.profile.name.clone(),
            mode: fixture.mode.name.clone(),
            distance: format!("{distance_m} m"),
            meter: args.meter.clone(),
            conditions: args.conditions.clone(),
            upwards: args.up,
            every_emitter: args.every_emitter,
            readings: Vec::new(),
        };
        let clock = SystemClock::start();
        let steps = Vec::new();
        let mut bench =
            Self { daemon, typing, clock, plan, steps, session, distance_m, fixture, state, calibrations };
        bench.take_up(args).inspect_err(|_| bench.end())?;
        bench.steps = calibrate::steps(&bench.fixture, bench.session.options());
        bench.introduce();
        Ok(bench)
    }

    /// The plan that the daemon runs, read from its own file.
    fn of_plan(
        data: &Value,
        status: &Status,
        args: &CalibrateArgs,
    ) -> Result<(Plan, Fixture, PathBuf), String> {
        let path = data["plan"].as_str().ok_or_else(|| {
            "the built-in demo has no kit to calibrate\n  run a plan of your own: `lampkeep new` writes a first one"
                .to_owned()
        })?;
        let changed = || {
            format!(
                "{path} is no longer the plan that the daemon runs\n  `lampkeep reload` first, then ask again"
            )
        };
        let plan = load::load(Path::new(path)).map_err(|_| changed())?;
        if plan.hash != status.plan_hash {
            return Err(changed());
        }
        let fixture =
            plan.fixture_named(&args.lamp).map(|id| plan.fixture(id).clone()).ok_or_else(changed)?;
        let calibrations = plan.calibrations.clone().ok_or_else(changed)?;
        Ok((plan, fixture, calibrations))
    }

    /// Goes on with readings from before, where there are any: they were taken at their own distance.
    fn take_up(&mut self, args: &CalibrateArgs) -> Result<(), Stopped> {
        let Some(text) = self.kept_text()? else { return Ok(()) };
        let file = self.kept_file();
        let kept = Session::read(&text, &self.fixture).map_err(|e| {
            let said = format!("{e}\n  to begin anew, remove {}", file.display());
            Stopped::said(Exit::NotMet, &said)
        })?;
        let metres = kept.distance.strip_suffix(" m").and_then(|n| n.parse::<f64>().ok());
        let metres = metres.filter(|m| (0.1..=100.0).contains(m)).unwrap_or(1.0);
        if args.distance.is_some_and(|d| (d - metres).abs() > 1e-9) && !kept.readings.is_empty() {
            let said = format!(
                "the readings so far were taken at {}\n  go on at that distance, or remove {} to begin anew",
                kept.distance,
                file.display()
            );
            return Err(Stopped::said(Exit::NotMet, &said));
        }
        let fresh = std::mem::replace(&mut self.session, kept);
        self.session.meter = fresh.meter.or(self.session.meter.take());
        self.session.conditions = fresh.conditions.or(self.session.conditions.take());
        self.session.upwards |= fresh.upwards;
        self.session.every_emitter |= fresh.every_emitter;
        self.distance_m = metres;
        Ok(())
    }

    fn introduce(&self) {
        let lamp = &self.session.lamp;
        tell(format_args!(
            "{lamp} goes to full and every other lamp dark. Do not look into it; it gets hot, let it cool before you \
             touch it.\nFlat receptor turned to the lamp, {} from its lit front, room dark, nobody in its light.",
            self.session.distance
        ));
        if !self.fixture.modifiers.is_empty() {
            tell(format_args!(
                "The plan has {} before it: leave it on; {:.2} stops and its colour are taken off the readings.",
                self.fixture.modifiers.join(", "),
                self.fixture.loss.get()
            ));
        }
        let done = self.session.readings.len();
        if done > 0 {
            tell(format_args!("Going on: {done} of {} readings are there.", self.steps.len()));
        }
        tell(format_args!(
            "skip leaves a reading out, redo goes one back, quit stops and keeps the readings."
        ));
    }

    fn kept_name(&self) -> String {
        format!("calibrate-{}", self.session.lamp)
    }

    /// Readings from before; `None`: there are none.
    fn kept_text(&self) -> Result<Option<String>, Stopped> {
        let file = self.kept_file();
        match plain_file::read_text(&file, LONGEST_KEPT) {
            Ok(text) => Ok(Some(text)),
            Err(e) if e.kind() == ErrorKind::NotFound => Ok(None),
            Err(e) => {
                let said = format!("{0} cannot be read: {e}\n  to begin anew, remove {0}", file.display());
                Err(Stopped::said(Exit::NotMet, &said))
            }
        }
    }

    fn kept_file(&self) -> PathBuf {
        self.state.join(format!("{}.toml", self.kept_name()))
    }

    /// All of it: readings, the fit, its file.
    fn read_through(&mut self) -> Result<(Fit, PathBuf), Stopped> {
        self.lead()?;
        let found = self.fitted()?;
        let file = self.write(&found)?;
        Ok((found, file))
    }

    /// Takes every reading that is still wanted, and again where two cannot both be right.
    fn lead(&mut self) -> Result<(), Stopped> {
        loop {
            while let Some((index, step)) = self.session.next(&self.steps, &self.plan.exposure) {
                let step = step.clone();
                self.one(index, &step)?;
            }
            let Err(Fault::NotRising { said, steps }) = self.fit() else { return Ok(()) };
            if steps.is_empty() {
                return Ok(());
            }
            tell(format_args!("{said}\nRead again: {}", steps.join(", ")));
            self.session.forget(&steps);
            self.keep()?;
        }
    }

    /// One step: light, wait, ask, keep.
    fn one(&mut self, index: usize, step: &Step) -> Result<(), Stopped> {
        let (sent, slots) = self.show(step)?;
        if sent != step.asked.value && step.kind != Kind::Warm {
            self.note(step, sent, "held")?;
            return Ok(());
        }
        loop {
            prompt(&format!("[{}/{}] {}", index + 1, self.steps.len(), step.said));
            let line = self.typing.line();
            let word = match &line {
                None => Ok(Word::Quit),
                Some(line) => Word::of(line, step.kind.is_colour(), &self.plan.exposure),
            };
            match word {
                Ok(Word::Quit) => return Err(self.leave()),
                Ok(Word::Redo) => {
                    if !self.session.undo() {
                        tell(format_args!("  this is the first reading"));
                    }
                    return self.keep();
                }
                Ok(Word::Skip) => return self.note(step, sent, "skip"),
                Ok(Word::Reading(_)) if !self.still_lit(&slots)? => {
                    tell(format_args!("  the light was changed by somebody while you read; once more"));
                    self.show(step)?;
                }
                Ok(Word::Reading(_)) => {
                    return self.note(step, sent, line.unwrap_or_default().trim());
                }
                Err(said) => tell(format_args!("  {said}")),
            }
        }
    }

    /// Lights a step and waits until the lamp has come to it; gives the value and the slots sent.
    fn show(&self, step: &Step) -> Result<(u16, Vec<u8>), Stopped> {
        let answer = self.daemon.ask(&light(&self.fixture.id, &step.asked))?;
        let data = answer.data.unwrap_or_default();
        let sent = data["sent_value"].as_u64().and_then(|v| u16::try_from(v).ok()).unwrap_or(0);
        let slots: Vec<u8> = serde_json::from_value(data["slots"].clone()).unwrap_or_default();
        if sent != step.asked.value {
            let why: Vec<String> = serde_json::from_value(data["limited_by"].clone()).unwrap_or_default();
            let why = if why.is_empty() { "its present curve".to_owned() } else { why.join(", ") };
            tell(format_args!("{}: {} is sent, held by {why}", step.id, sent));
        }
        let settled = self.daemon.settled(&self.typing, |status| self.stands(status, &slots))?;
        if self.typing.left() {
            return Err(self.leave());
        }
        if settled {
            return Ok((sent, slots));
        }
        let said = format!(
            "{} has not come to its value within {} s\n  is somebody else recalling looks? The readings are kept: ask \
             again",
            self.session.lamp,
            SETTLED_WITHIN.as_secs()
        );
        Err(Stopped::said(Exit::NotMet, &said))
    }

    fn stands(&self, status: &Status, slots: &[u8]) -> bool {
        // A dark lamp keeps the colour in which it went out, so its slots may be others than planned.
        let dark = channels::given(&self.fixture, slots).lux_at_1m <= 0.0;
        let lamp = |f: &FixtureStatus| f.slots == slots || dark && f.sent.lux <= 0.0;
        status.now.look == "calibrate"
            && !status.now.fading
            && status
                .fixtures
                .iter()
                .all(|f| if f.id == self.fixture.id { lamp(f) } else { f.sent.lux <= 0.0 })
    }

    fn still_lit(&self, slots: &[u8]) -> Result<bool, Stopped> {
        Ok(self.stands(&self.daemon.status()?, slots))
    }

    fn note(&mut self, step: &Step, sent: u16, typed: &str) -> Result<(), Stopped> {
        let at = self.clock.wall().to_string();
        self.session.readings.push(Entry { step: step.id.clone(), sent, typed: typed.to_owned(), at });
        self.keep()
    }

    /// Writes the readings so far, whole or not at all.
    fn keep(&self) -> Result<(), Stopped> {
        let unkept = |e: &dyn std::fmt::Display| {
            let said = format!(
                "{} was not written: {e}\n  make room or set LAMPKEEP_STATE to a folder of yours, then ask again",
                self.kept_file().display()
            );
            Stopped::said(Exit::NotMet, &said)
        };
        let text = self.session.text().map_err(|e| unkept(&e))?;
        files::write_whole(&self.state, &self.kept_name(), &text).map_err(|e| unkept(&e))
    }

    fn leave(&self) -> Stopped {
        let said = format!(
            "stopped after {} of {} readings; they are kept\n  `lampkeep calibrate {}` goes on",
            self.session.readings.len(),
            self.steps.len(),
            self.session.lamp
        );
        Stopped::said(Exit::NotMet, &said)
    }

    /// Back to the light from before, as far as the daemon is still there.
    fn end(&self) {
        if let Err(e) = self.daemon.quietly(&end()) {
            tell(format_args!("lampkeep: {e}"));
        }
    }

    fn fit(&self) -> Result<Fit, Fault> {
        let taken: Vec<Taken> = self
            .session
            .readings
            .iter()
            .filter_map(|entry| {
                let step = self.steps.iter().find(|s| s.id == entry.step)?.clone();
                let reading = Session::reading(entry, step.kind.is_colour(), &self.plan.exposure)?;
                Some(Taken { step, sent: entry.sent, reading })
            })
            .collect();
        let radius = self.fixture.radius_m.unwrap_or(0.0);
        let at_meter = photometry::lux_at_distance(1.0, radius, self.distance_m);
        calibrate::fit(&self.fixture, &taken, self.fixture.loss.get().exp2() / at_meter)
    }

    fn fitted(&self) -> Result<Fit, Stopped> {
        self.fit().map_err(|e| {
            let said = format!(
                "{e}\n  the readings are kept in {}; take skipped ones out of it and ask again",
                self.kept_file().display()
            );
            Stopped::said(Exit::NotMet, &said)
        })
    }

    fn write(&self, found: &Fit) -> Result<PathBuf, Stopped> {
        let stamp = self.clock.wall().to_string();
        let date = stamp.split('T').next().unwrap_or(&stamp);
        let text = calibrate::calibration(&self.fixture, &self.session, found, date);
        let file = self.calibrations.join(format!("{}.toml", self.session.lamp));
        files::write_whole(&self.calibrations, &self.session.lamp, &text).map_err(|e| {
            let said = format!(
                "{} was not written: {e}\n  the readings are kept; make room or set the folder's owner, then ask again",
                file.display()
            );
            Stopped::said(Exit::NotMet, &said)
        })?;
        Ok(file)
    }
}

fn light(lamp: &str, asked: &Asked) -> Request {
    Request::Calibrate {
        lamp: Some(lamp.to_owned()),
        value: Some(asked.value),
        emitter: asked.emitter.clone(),
        kelvin: asked.kelvin,
        duv: asked.duv,
        hue_deg: asked.hue_deg,
        saturation: asked.saturation,
        end: false,
    }
}

fn end() -> Request {
    Request::Calibrate {
        lamp: None,
        value: None,
        emitter: None,
        kelvin: None,
        duv: None,
        hue_deg: None,
        saturation: None,
        end: true,
    }
}
