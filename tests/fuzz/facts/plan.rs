//! What holds of reading a plan with everything beside it, whatever stands there: `plan::load` on real files, then an
//! engine that runs it and takes it again.
//!
//! A line `=== NAME` begins a file of that name; what stands before the first is the plan itself.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use lampkeep::control::{Envelope, Request};
use lampkeep::engine::{Action, Engine, Event, Options, Ticket};
use lampkeep::plan::diagnose::{Form, render};
use lampkeep::plan::load::load;
use lampkeep::plan::{Plan, Report, look_text};

use crate::said;

/// The files that a plan may have beside it.
const NAMES: [&str; 9] = [
    "plan.toml",
    "kit.toml",
    "red.csv",
    "beam.ies",
    "profiles/own.toml",
    "profiles/red.csv",
    "profiles/beam.ies",
    "plan.looks/kept.toml",
    "kit.calibrations/B1.toml",
];
/// Longest word on a problem, in characters.
const LONGEST_SAID: usize = 2000;
/// Most problems of one run, and the ones of motions.
const MOST_PROBLEMS: usize = 2000;
/// An engine is run with so many lamps and looks at most: more only take longer.
const MOST_RUN: usize = 24;

/// Reads `input` as a plan with its files and looks whether everything holds that must. Panics where something does not.
pub fn hold(input: &[u8]) {
    FOLDER.with(|folder| {
        folder.lay(input);
        match load(&folder.0.join("plan.toml")) {
            Ok(plan) => runs(plan),
            Err(report) => told(&report),
        }
    });
}

thread_local! {
    static FOLDER: Folder = Folder::new();
}

/// A folder of its own for each thread, gone with it.
struct Folder(PathBuf);

impl Folder {
    fn new() -> Self {
        let thread = format!("{:?}", std::thread::current().id());
        let digits: String = thread.chars().filter(char::is_ascii_digit).collect();
        let folder = std::env::temp_dir().join(format!("lampkeep-plan-{}-{digits}", std::process::id()));
        for name in NAMES {
            let parent = folder.join(name).parent().map(Path::to_owned).expect("a file in the folder");
            std::fs::create_dir_all(parent).expect("a folder can be made");
        }
        Self(folder)
    }

    /// Makes the files that the input has, and removes all others.
    fn lay(&self, input: &[u8]) {
        let mut texts: Vec<(&str, Vec<u8>)> = vec![("plan.toml", Vec::new())];
        for line in input.split_inclusive(|b| *b == b'\n') {
            let named = line.strip_prefix(b"=== ").and_then(|n| std::str::from_utf8(n).ok());
            match named.and_then(|name| NAMES.iter().find(|known| **known == name.trim())) {
                Some(name) => texts.push((name, Vec::new())),
                None => texts.last_mut().expect("one to begin with").1.extend_from_slice(line),
            }
        }
        for name in NAMES {
            let path = self.0.join(name);
            match texts.iter().rev().find(|(n, _)| *n == name) {
                Some((_, text)) => std::fs::write(path, text).expect("a file can be written"),
                None => drop(std::fs::remove_file(path)),
            }
        }
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// Every problem is told in words that a terminal and a log bear, and points into its text.
fn told(report: &Report) {
    assert!((1..=MOST_PROBLEMS).contains(&report.problems.len()), "{} problems", report.problems.len());
    for problem in &report.problems {
        said::is_fit(&problem.said, LONGEST_SAID, false);
        said::is_fit(problem.help.as_deref().unwrap_or_default(), LONGEST_SAID, false);
        for mark in &problem.marks {
            said::is_fit(&mark.said, LONGEST_SAID, false);
            let text = &report.texts[mark.place.text].text;
            assert!(mark.place.start <= mark.place.end && mark.place.end <= text.len(), "{problem:?}");
        }
    }
    assert_eq!(report.to_json().as_array().map(Vec::len), Some(report.problems.len()));
    for form in [Form::Plain, Form::Colourless(80)] {
        let drawn = render(report, form);
        assert!(drawn.len() <= 1 << 20, "{} bytes", drawn.len());
        said::is_fit(&drawn, 1 << 20, true);
    }
}

/// A plan that is taken can be run: its looks come up, slots stay in their universes, and it is taken again.
fn runs(plan: Plan) {
    let plan = Arc::new(plan);
    if plan.fixtures.len() > MOST_RUN || plan.looks.len() > MOST_RUN {
        return;
    }
    for look in &plan.looks {
        assert!(look.targets.iter().all(|t| t.fixture.0 < plan.fixtures.len()));
        let _ = look_text(look, &plan);
    }
    let options = Options { simulate: true, boot_id: "fuzz".to_owned(), ..Options::default() };
    let mut rig = Rig { engine: Engine::new(Arc::clone(&plan), options), plan: Arc::clone(&plan), ticket: 0 };
    rig.frames(2);
    let names: Vec<String> = plan.looks.iter().take(3).map(|l| l.name.clone()).collect();
    for name in names {
        let recall = |over_s| Request::Recall {
            look: Some(name.clone()),
            take: None,
            over_s: Some(over_s),
            in_s: None,
            at: None,
        };
        rig.ask(recall(0.0));
        rig.frames(2);
        rig.ask(Request::Reload {});
        rig.frames(1);
        rig.ask(recall(0.1));
        rig.frames(2);
        rig.ask(Request::Explain { look: name.clone() });
    }
    rig.ask(Request::Dark { now: true });
    rig.frames(2);
    let status = serde_json::to_string(&rig.engine.status()).expect("a status can be written down");
    assert!(!status.contains("\"lux\":null"), "light that is no number: {status}");
}

struct Rig {
    engine: Engine,
    plan: Arc<Plan>,
    ticket: u64,
}

impl Rig {
    fn frames(&mut self, count: u64) {
        for _ in 0..count {
            let n = self.engine.next_frame();
            let actions = self.engine.handle(Event::Frame(n), self.plan.frames.moment_of(n));
            self.check(&actions);
        }
    }

    fn ask(&mut self, request: Request) {
        self.ticket += 1;
        let now = self.plan.frames.moment_of(self.engine.next_frame());
        let ticket = Ticket(self.ticket);
        let actions = self.engine.handle(Event::Ask(ticket, Envelope { id: None, request }), now);
        self.check(&actions);
        for action in actions {
            if let Action::ReadPlan(ticket) = action {
                let again = self.engine.handle(Event::PlanRead(ticket, Ok(Arc::clone(&self.plan))), now);
                self.check(&again);
            }
        }
    }

    fn check(&self, actions: &[Action]) {
        for action in actions {
            if let Action::Send(frames) = action {
                assert_eq!(frames.len(), self.plan.outputs.len());
                assert!(frames.iter().all(|f| usize::from(f.used) <= f.slots.len()));
            }
        }
    }
}
