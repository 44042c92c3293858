//! Carries a command out: local ones here, the rest by asking the daemon.

use std::io::{IsTerminal, Write};
use std::path::Path;
use std::time::Duration;

use super::args::{Args, Command, ProtectCommand, TakeCommand};
use super::exit::Exit;
use super::{
    calibrate, chair, check, complete, device, doctor, draw, follow, log, meter, new, nudge, papers,
    rehearse, rollcall, sheet, show, takes, wrap,
};
use crate::control::client::{self, ClientError};
use crate::control::{Answer, Request, places};
use crate::engine::ProtectFound;
use crate::picture::set::Lengths;
use crate::plan::diagnose::{Form, render};
use crate::plan::{Plan, Report, load};
use crate::protect_file::ProtectFile;
use crate::units::Celsius;
use crate::words::shown;
use crate::{daemon, engine, files};

/// How long an answer may take: a reload reads files, everything else is at once.
const ANSWER_WITHIN: Duration = Duration::from_secs(10);

/// The JSON Schema of a plan, where a package has put it.
const SCHEMA: &str = "/usr/share/lampkeep/plan.schema.json";

/// Does what the arguments say; prints results to standard output and faults to standard error.
#[must_use]
pub fn run(args: Args) -> Exit {
    let json = args.json;
    let set = args.set.as_deref();
    let request = match args.command {
        Command::New { plan } => return new_plan(&plan, json),
        Command::Profiles { plan } => return profiles(plan.as_deref(), json),
        Command::Check { plan, ambient } => return check_plan(&plan, ambient, json),
        Command::Rehearse(args) => return rehearse::run(args, json),
        Command::Doctor { plan } => return doctor::run(set, plan.as_deref(), json),
        Command::Draw(args) => return draw::run(&args, json),
        Command::Sheet { plan, out, feet } => return rig_sheet(&plan, out.as_deref(), feet, json),
        Command::Run { plan, simulate, record } => return daemon::run(&plan, set, simulate, record),
        Command::Explain { look, plan: Some(plan) } => return explain_offline(&plan, &look, json),
        Command::Reckon(args) => return work_out(&args, json),
        Command::Device(args) => return device::run(&args, json),
        Command::Log(args) => return log::run(set, &args, json),
        Command::Papers(args) => return papers::run(&args, json),
        Command::Complete(args) => return complete::run(args),
        Command::Status { dark: true, .. } => return is_dark(set, json),
        Command::Status { follow: true, .. } => return follow::run(set, json),
        Command::Status { follow: false, .. } => Request::Status { follow: false },
        Command::Explain { look, plan: None } => Request::Explain { look },
        Command::Reload => Request::Reload {},
        Command::Recall { look, take, over, delay, at } => {
            Request::Recall { look, take, over_s: seconds(over), in_s: seconds(delay), at }
        }
        Command::Next { over, delay } => Request::Next { over_s: seconds(over), in_s: seconds(delay) },
        Command::Previous { over, delay } => {
            Request::Previous { over_s: seconds(over), in_s: seconds(delay) }
        }
        Command::Cancel => Request::Cancel {},
        Command::Nudge { lamp, change } => match nudge::parse(lamp, &change) {
            Ok(request) => request,
            Err(said) => return fault(Exit::Usage, &said),
        },
        Command::Keep { name } => Request::Keep { name },
        Command::Dark { now } => Request::Dark { now },
        Command::Rest => Request::Rest {},
        Command::Again => Request::Again {},
        Command::Only { lamp } => Request::Only { lamp },
        Command::Chair { delay, learn } => return chair::run(set, seconds(delay), learn),
        Command::Calibrate(args) => return calibrate::run(set, &args, json),
        Command::Meter(args) => return meter::run(set, &args, json),
        Command::Read { point, value, dome, meter } => {
            Request::Read { point: Some(point), lamp: None, value: value.join(" "), dome, instrument: meter }
        }
        Command::Match { take, look, apply, undo } => Request::Match { take, look, apply, undo },
        Command::Wink { lamp } => Request::Wink { lamp },
        Command::Rollcall { ask: true, .. } => return rollcall::guided(set, json),
        Command::Rollcall { each, .. } => return rollcall::by_itself(set, seconds(each), json),
        Command::Absent { lamp, back } => Request::Absent { lamp, back },
        Command::Cold { lamp } => Request::Cold { lamp },
        Command::Take(TakeCommand::Start { slate, delay }) => {
            Request::TakeStart { slate, in_s: seconds(delay) }
        }
        Command::Take(TakeCommand::End { mark }) => Request::TakeEnd { mark },
        Command::Take(TakeCommand::Amend { take, what }) => match takes::amend_request(take, &what) {
            Ok(request) => request,
            Err(said) => return fault(Exit::Usage, &said),
        },
        Command::Take(TakeCommand::List) => return takes::list(set, json),
        Command::Take(TakeCommand::Sheet(args)) => return takes::sheet(set, &args, json),
        Command::Wrap(args) => return wrap::run(set, &args, json),
        Command::Protect(ProtectCommand::On) => Request::ProtectOn {},
        Command::Protect(ProtectCommand::Off { code }) => Request::ProtectOff { code, random: 0 },
    };
    match ask(set, &request) {
        Ok(answer) => answered(&answer, &request, json),
        Err(e) => unanswered(&e, json),
    }
}

fn seconds(span: Option<Duration>) -> Option<f64> {
    span.map(|s| s.as_secs_f64())
}

pub(super) fn ask(set: Option<&str>, request: &Request) -> Result<Answer, ClientError> {
    client::ask(&client::find(set)?, request, ANSWER_WITHIN)
}

/// Prints a line, and ends quietly when the reader of a pipe has gone.
pub(super) fn print(text: &str) -> Exit {
    let mut out = std::io::stdout().lock();
    // What came from outside must not steer the terminal.
    let written = writeln!(out, "{}", shown(text.trim_end())).and_then(|()| out.flush());
    match written {
        Ok(()) => Exit::Done,
        Err(e) if e.kind() == std::io::ErrorKind::BrokenPipe => Exit::Done,
        Err(e) => fault(Exit::NotMet, &format!("standard output: {e}")),
    }
}

pub(super) fn print_json(value: &impl serde::Serialize) -> Exit {
    match serde_json::to_string_pretty(value) {
        Ok(text) => print(&text),
        Err(e) => fault(Exit::NotMet, &format!("JSON: {e}")),
    }
}

pub(super) fn fault(exit: Exit, said: &str) -> Exit {
    eprintln!("lampkeep: {}", shown(said));
    exit
}

pub(super) fn unanswered(error: &ClientError, json: bool) -> Exit {
    if json {
        print_json(
            &serde_json::json!({ "ok": false, "error": { "kind": error.kind(), "said": error.to_string() } }),
        );
    }
    fault(error.exit(), &error.to_string())
}

pub(super) fn answered(answer: &Answer, request: &Request, json: bool) -> Exit {
    if let Some(failure) = &answer.error {
        if json {
            print_json(answer);
        }
        let hint = failure.hint.as_ref().map_or(String::new(), |h| format!("\n  {h}"));
        return fault(failure.kind.into(), &format!("{}{hint}", failure.said));
    }
    match (request, json) {
        (Request::Status { .. }, true) => answer.data.as_ref().map_or(Exit::Done, print_json),
        (Request::Status { .. }, false) => {
            let status = answer.data.clone().and_then(|d| serde_json::from_value(d).ok());
            match status {
                Some(status) => print(&show::status(&status)),
                None => fault(Exit::NotMet, "the daemon's status is of another version: restart it"),
            }
        }
        (Request::Explain { .. }, true) => answer.data.as_ref().map_or(Exit::Done, print_json),
        (_, true) => print_json(answer),
        (_, false) => print(answer.said.as_deref().unwrap_or("done")),
    }
}

/// Ends with 0 only if a restart changes nothing that anybody sees.
fn is_dark(set: Option<&str>, json: bool) -> Exit {
    let now = match ask(set, &Request::Status { follow: false }) {
        // As plain data: an upgrade asks a daemon of the version before.
        Ok(answer) => answer.data.map(|mut status| status["now"].take()).unwrap_or_default(),
        Err(e) => return unanswered(&e, json),
    };
    let why_not = show::why_not_dark(&now);
    if json {
        print_json(&serde_json::json!({ "dark": why_not.is_none(), "said": why_not }));
    }
    match why_not {
        None if json => Exit::Done,
        None => print("dark, and nothing waits"),
        Some(said) => fault(Exit::NotMet, &said),
    }
}

/// A plan's errors for standard error: drawn and coloured on a terminal, plain elsewhere.
pub(crate) fn drawn(report: &Report) -> String {
    let terminal = std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none();
    let width = rustix::termios::tcgetwinsize(std::io::stderr()).map_or(80, |s| usize::from(s.ws_col));
    render(report, if terminal { Form::Terminal(width.max(60)) } else { Form::Plain })
}

/// Reads a plan, or shows its errors.
pub(super) fn read_plan(path: &Path, json: bool) -> Result<Plan, Exit> {
    load::load(path).map_err(|report| {
        if json {
            print_json(&report.to_json());
        }
        eprint!("{}", drawn(&report));
        Exit::PlanErrors
    })
}

fn work_out(args: &super::reckon::ReckonArgs, json: bool) -> Exit {
    match super::reckon::run(args, json, &mut std::io::stdout().lock()) {
        Ok(()) => Exit::Done,
        Err(e) => fault(if e.exit_code() == 2 { Exit::Usage } else { Exit::NotMet }, &e.to_string()),
    }
}

fn check_plan(path: &Path, ambient: Option<Celsius>, json: bool) -> Exit {
    let mut plan = match read_plan(path, json) {
        Ok(plan) => plan,
        Err(exit) => return exit,
    };
    plan.ambient = ambient.unwrap_or(plan.ambient);
    let found = check::findings(&plan);
    if json {
        print_json(&found)
    } else {
        print(&found.text(&path.display().to_string()))
    };
    if found.over_a_circuit() { Exit::Guarded } else { Exit::Done }
}

/// True while a face of this machine is protected: numbers stand for names, with or without a daemon.
pub(super) fn hidden(plan: &Plan) -> bool {
    let simulated = plan.outputs.iter().all(|o| o.kind == crate::plan::OutputKind::Simulator);
    let found = places::state_top().map(|top| ProtectFile::new(&top, simulated).read());
    !matches!(found, None | Some(ProtectFound::Off))
}

fn rig_sheet(path: &Path, out: Option<&Path>, feet: bool, json: bool) -> Exit {
    let plan = match read_plan(path, json) {
        Ok(plan) => plan,
        Err(exit) => return exit,
    };
    let hidden = hidden(&plan);
    if let Some(out) = out {
        let lengths = if feet { Lengths::Feet } else { Lengths::Metres };
        if let Err(e) = files::write_path(out, &sheet::html(&plan, lengths, hidden)) {
            return fault(Exit::NotMet, &format!("{} was not written: {e}", out.display()));
        }
    }
    match (json, out) {
        (true, _) => print_json(&sheet::data(&plan, hidden)),
        (false, None) => print(&sheet::text(&plan, hidden)),
        (false, Some(out)) => print(&format!("wrote {}: open it in a browser and print it", out.display())),
    }
}

fn profiles(path: Option<&Path>, json: bool) -> Exit {
    let profiles = match path {
        None => load::shipped_profiles(),
        Some(path) => match read_plan(path, json) {
            Ok(plan) => plan.profiles.iter().map(|p| (**p).clone()).collect(),
            Err(exit) => return exit,
        },
    };
    if json { print_json(&sheet::profiles_data(&profiles)) } else { print(&sheet::profiles_text(&profiles)) }
}

fn explain_offline(path: &Path, look: &str, json: bool) -> Exit {
    let plan = match read_plan(path, json) {
        Ok(plan) => plan,
        Err(exit) => return exit,
    };
    let Some(id) = plan.look_named(look) else {
        let near = crate::words::nearest(look, plan.looks.iter().map(|l| l.name.as_str()));
        let hint = near.map_or(String::new(), |n| format!("\n  did you mean `{n}`?"));
        return fault(Exit::NotMet, &format!("no look `{}` in this plan{hint}", crate::words::short(look)));
    };
    let (text, data) = engine::explain::explain(&plan, plan.look(id), true);
    if json { print_json(&data) } else { print(&text) }
}

fn new_plan(path: &Path, json: bool) -> Exit {
    if path.exists() {
        return fault(Exit::NotMet, &format!("{} exists; give another name", path.display()));
    }
    let kinds: Vec<_> = load::shipped_profiles()
        .iter()
        .filter_map(|p| {
            let mode = p.modes.first()?;
            Some(new::Kind {
                slots: mode.footprint(),
                mode: mode.name.clone(),
                about: p.about.clone(),
                profile: p.name.clone(),
            })
        })
        .collect();
    let ports = crate::wire::ports_seen();
    let text = match new::ask(&mut std::io::stdin().lock(), &mut std::io::stderr(), &kinds, &ports) {
        Ok(text) => text,
        Err(e) => return fault(Exit::NotMet, &format!("no answers: {e}")),
    };
    // Editors then know every key.
    let text = if Path::new(SCHEMA).exists() { format!("#:schema {SCHEMA}\n{text}") } else { text };
    let write = || -> std::io::Result<()> {
        let mut file = std::fs::File::options().write(true).create_new(true).open(path)?;
        file.write_all(text.as_bytes())?;
        file.sync_all()
    };
    if let Err(e) = write() {
        return fault(Exit::NotMet, &format!("{} was not written: {e}", path.display()));
    }
    if let Err(exit) = read_plan(path, json) {
        return exit;
    }
    if json {
        return print_json(&serde_json::json!({ "ok": true, "plan": path }));
    }
    print(&format!(
        "wrote {0}\nnext: lampkeep check {0}, then lampkeep rehearse {0}, then lampkeep run {0} --simulate",
        path.display()
    ))
}
