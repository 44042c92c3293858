//! What holds of the files that the daemon itself keeps, whatever stands in them: the state file with the engine that
//! takes it up, and the machine's protect file.

use std::path::PathBuf;
use std::sync::{Arc, LazyLock};
use std::time::Duration;

use lampkeep::engine::{Action, Engine, Event, Options, ProtectFound};
use lampkeep::plan::{Plan, load};
use lampkeep::protect_file::ProtectFile;
use lampkeep::state_file::{self, When};

use crate::said;

static PLAN: LazyLock<Arc<Plan>> = LazyLock::new(|| Arc::new(load::demo()));

/// Reads `input` as such a file and looks whether everything holds that must. Panics where something does not.
pub fn hold(input: &[u8]) {
    state(input);
    if input.len() <= 8192 {
        protect(input);
    }
}

fn state(input: &[u8]) {
    let now = When {
        wall: "2026-05-04T10:00:10Z".parse().expect("a moment"),
        boot_id: "boot".to_owned(),
        since_boot: Duration::from_secs(1000),
    };
    // The plan's hash is no secret: a file may well name the plan that runs.
    let text = String::from_utf8_lossy(input).replace("PLANHASH", &PLAN.hash);
    let start = match state_file::read(text.as_bytes(), &now) {
        Ok(start) => start,
        Err(error) => return said::is_fit(&error.to_string(), 400, false),
    };
    assert!(start.gap_s.is_none_or(|gap| gap >= 0.0));
    let options = Options { simulate: true, boot_id: "boot".to_owned(), ..Options::default() };
    let mut engine = Engine::starting(Arc::clone(&PLAN), options, start);
    for n in 0..3 {
        for action in engine.handle(Event::Frame(n), PLAN.frames.moment_of(n)) {
            match action {
                Action::Send(frames) => assert_eq!(frames.len(), PLAN.outputs.len()),
                Action::Tell(alert) => said::is_fit(&alert.said, 8000, true),
                _ => {}
            }
        }
    }
    // What it would keep of that is taken again.
    let kept = state_file::text(&engine.to_keep(), &now);
    if kept.len() as u64 <= state_file::LONGEST {
        state_file::read(kept.as_bytes(), &now).expect("what was taken and kept is taken again");
    }
    let status = serde_json::to_string(&engine.status()).expect("a status can be written down");
    assert!(!status.contains("\"lux\":null"), "light that is no number: {status}");
}

/// Only what says so is off; and whatever stands there, on can be written over it.
fn protect(input: &[u8]) {
    TOP.with(|top| {
        let mut file = ProtectFile::new(&top.0, true);
        std::fs::write(file.path(), input).expect("a file can be written");
        match file.read() {
            ProtectFound::Off => {
                let text = std::str::from_utf8(input).expect("text");
                assert!(text.contains("\"on\"") && text.contains("false"), "{text}");
            }
            ProtectFound::Unreadable(why) => said::is_fit(&why, 600, false),
            ProtectFound::On | ProtectFound::Gone => {}
        }
    });
}

thread_local! {
    static TOP: Top = Top::new();
}

struct Top(PathBuf);

impl Top {
    fn new() -> Self {
        let thread = format!("{:?}", std::thread::current().id());
        let digits: String = thread.chars().filter(char::is_ascii_digit).collect();
        let folder = std::env::temp_dir().join(format!("lampkeep-state-{}-{digits}", std::process::id()));
        std::fs::create_dir_all(&folder).expect("a folder can be made");
        Self(folder)
    }
}

impl Drop for Top {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}
