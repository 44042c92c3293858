//! `chair`: joins the terminal, the one who sits there and the daemon. What is done is in `crate::chair`.

use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::time::Duration;

use super::exit::Exit;
use super::listen::listen;
use super::run::{fault, print, unanswered};
use crate::chair::buttons::Buttons;
use crate::chair::keys::{Key, Splitter};
use crate::chair::lesson::{Lesson, Outcome as Lessons};
use crate::chair::screen;
use crate::chair::seat::{Asked, Outcome, Seat};
use crate::chair::terminal::Terminal;
use crate::clock::{Clock, SystemClock};
use crate::control::client::{self, ClientError};
use crate::control::{Request, Status, places};
use crate::{files, plain_file};

/// How long an answer may take: every request of a chair is answered at once.
const ANSWER_WITHIN: Duration = Duration::from_secs(3);
/// Between two tries to follow a daemon that is gone.
const TRY_AGAIN: Duration = Duration::from_secs(1);
/// Longest time between two looks at the screen: countdowns go on.
const LOOK_EVERY: Duration = Duration::from_millis(100);
/// Name of the file that keeps the buttons.
const FILE: &str = "chair.json";
/// Longest file that is read, in bytes: six buttons have some hundred.
const LONGEST_FILE: u64 = 16 * 1024;

/// What reaches the loop.
enum Heard {
    /// Bytes from the terminal, with the moment at which they came.
    Bytes(Vec<u8>, Duration),
    /// How things are.
    Status(Box<Status>),
    /// The daemon is gone, and why.
    Lost(String),
    /// What came of a press.
    Answered(Asked, Box<Result<Outcome, String>>),
    /// A signal, or the terminal is gone.
    End,
}

/// Sits in the chair until Ctrl-C, a signal, or the end of the terminal.
#[must_use]
pub fn run(set: Option<&str>, delay_s: Option<f64>, learn: bool) -> Exit {
    if let Err(said) = Terminal::possible() {
        return fault(Exit::NotMet, &said);
    }
    let place = place();
    let known = place.as_deref().map_or(Ok(None), kept);
    let taught = match &known {
        Ok(Some(buttons)) if !learn => Some(buttons.clone()),
        _ => None,
    };
    if taught.is_some()
        && let Err(e) = answers(set)
    {
        return unanswered(&e, false);
    }
    let terminal = match Terminal::take() {
        Ok(terminal) => terminal,
        Err(said) => return fault(Exit::NotMet, &said),
    };
    let clock = SystemClock::start();
    let (sender, inbox) = channel();
    let (keys, signals) = (sender.clone(), sender.clone());
    let bytes = move |bytes, at| keys.send(Heard::Bytes(bytes, at)).is_ok();
    if let Err(e) = listen(clock, bytes, move || drop(signals.send(Heard::End))) {
        drop(terminal);
        return fault(Exit::NotMet, &format!("a thread cannot be started: {e}"));
    }
    let mut chair = Chair { clock, terminal, inbox, splitter: Splitter::default(), shown: String::new() };
    let mut kept_not = None;
    let buttons = match taught {
        Some(buttons) => buttons,
        None => {
            let Some(buttons) = chair.learn(known.err()) else {
                drop(chair);
                return print("left; no button was learned");
            };
            kept_not = keep(place.as_deref(), &buttons);
            buttons
        }
    };
    if let Err(e) = answers(set) {
        drop(chair);
        let where_to = kept_not.map_or(String::new(), |why| format!("; {why}"));
        print(&format!("learned: {}{where_to}", buttons.said()));
        return unanswered(&e, false);
    }
    let set = set.map(str::to_owned);
    let mut seat = Seat::new(delay_s);
    if let Some(why) = kept_not {
        seat.say(why);
    }
    let (to_follow, of_set) = (sender.clone(), set.clone());
    let following = std::thread::Builder::new()
        .name("follow".into())
        .spawn(move || follow(clock, of_set.as_deref(), &to_follow));
    if let Err(e) = following {
        drop(chair);
        return fault(Exit::NotMet, &format!("a thread cannot be started: {e}"));
    }
    chair.sit(&mut seat, &buttons, &set, &sender);
    drop(chair);
    match seat.take() {
        Some(take) => print(&format!("left; take {take} still rolls: `lampkeep take end` ends it")),
        None => print("left; the light stays as it is"),
    }
}

/// The terminal and what comes from everywhere.
struct Chair {
    clock: SystemClock,
    terminal: Terminal,
    inbox: Receiver<Heard>,
    splitter: Splitter,
    /// What is on the screen.
    shown: String,
}

/// What came while waiting.
enum Came {
    Keys(Vec<Key>, Duration),
    Other(Heard),
    Nothing,
}

impl Chair {
    fn now(&self) -> Duration {
        self.clock.now().elapsed()
    }

    /// Waits for something until `due`, [`LOOK_EVERY`] at most.
    fn wait(&mut self, due: Option<Duration>) -> Came {
        let now = self.now();
        let soon = [due, self.splitter.due()].into_iter().flatten().min();
        let wait = soon.map_or(LOOK_EVERY, |at| at.saturating_sub(now)).min(LOOK_EVERY);
        match self.inbox.recv_timeout(wait) {
            Ok(Heard::Bytes(bytes, at)) => Came::Keys(self.splitter.take(&bytes, at), at),
            Ok(other) => Came::Other(other),
            Err(RecvTimeoutError::Disconnected) => Came::Other(Heard::End),
            Err(RecvTimeoutError::Timeout) => {
                let now = self.now();
                self.splitter.pass(now).map_or(Came::Nothing, |key| Came::Keys(vec![key], now))
            }
        }
    }

    /// Shows a picture unless it is there. False when the terminal is gone.
    fn show(&mut self, picture: String) -> bool {
        if picture == self.shown {
            return true;
        }
        self.shown = picture;
        self.terminal.show(&self.shown)
    }

    /// Asks for each button in turn; `None`: left. `fault`: why those that were kept are of no use.
    fn learn(&mut self, fault: Option<String>) -> Option<Buttons> {
        let mut lesson = Lesson::after(fault);
        loop {
            let (width, height) = self.terminal.size();
            if !self.show(screen::lesson(&lesson, width, height)) {
                return None;
            }
            match self.wait(None) {
                Came::Keys(keys, at) => {
                    for key in keys {
                        match lesson.key(key, at) {
                            Lessons::More => {}
                            Lessons::Learned(buttons) => return Some(buttons),
                            Lessons::Left => return None,
                        }
                    }
                }
                Came::Other(Heard::End) => return None,
                Came::Other(_) | Came::Nothing => {}
            }
        }
    }

    /// Sits until it is left.
    fn sit(&mut self, seat: &mut Seat, buttons: &Buttons, set: &Option<String>, sender: &Sender<Heard>) {
        loop {
            let now = self.now();
            if seat.rings(now) {
                self.terminal.ring();
            }
            let (width, height) = self.terminal.size();
            if !self.show(screen::picture(seat, buttons, now, width, height)) {
                return;
            }
            let mut to_ask = Vec::new();
            match self.wait(seat.next_ring()) {
                Came::Keys(keys, at) => {
                    for key in keys {
                        if key.leaves() {
                            return;
                        }
                        if let Some(press) = buttons.pressed(&key) {
                            to_ask.extend(seat.press(press, at));
                        }
                    }
                }
                Came::Other(Heard::Status(status)) => seat.status(status, self.now()),
                Came::Other(Heard::Lost(why)) => seat.lost(why),
                Came::Other(Heard::Answered(asked, outcome)) => {
                    to_ask.extend(seat.answered(asked, *outcome, self.now()));
                }
                Came::Other(Heard::End) => return,
                Came::Other(Heard::Bytes(..)) | Came::Nothing => {}
            }
            for (asked, request) in to_ask {
                ask(set.clone(), asked, request, sender.clone());
            }
        }
    }
}

/// Asks on a thread of its own: buttons and bells never wait for a daemon.
fn ask(set: Option<String>, asked: Asked, request: Request, sender: Sender<Heard>) {
    let back = sender.clone();
    let asks = move || {
        let outcome = outcome(set.as_deref(), &request).map_err(|e| e.to_string());
        // The chair may have been left meanwhile.
        let _ = sender.send(Heard::Answered(asked, Box::new(outcome)));
    };
    if let Err(e) = std::thread::Builder::new().name("ask".into()).spawn(asks) {
        let why = format!("a thread cannot be started: {e}");
        let _ = back.send(Heard::Answered(asked, Box::new(Err(why))));
    }
}

/// Insists that the daemon that is meant answers.
fn answers(set: Option<&str>) -> Result<(), ClientError> {
    client::ask(&client::find(set)?, &Request::Status { follow: false }, ANSWER_WITHIN).map(drop)
}

fn outcome(set: Option<&str>, request: &Request) -> Result<Outcome, ClientError> {
    let path = client::find(set)?;
    let answer = client::ask(&path, request, ANSWER_WITHIN)?;
    // A refusal does not tell whether a take rolls, and the bell must know.
    let now = match &answer.now {
        Some(now) => Some(now.clone()),
        None => client::ask(&path, &Request::Status { follow: false }, ANSWER_WITHIN)?.now,
    };
    Ok(Outcome { answer, take: now.and_then(|now| now.take) })
}

/// Tells how things are, and when nobody tells any more, for as long as somebody listens.
fn follow(clock: SystemClock, set: Option<&str>, sender: &Sender<Heard>) {
    loop {
        let mut listens = true;
        let followed = client::find(set).and_then(|path| {
            client::follow(&path, |status| {
                listens = sender.send(Heard::Status(Box::new(status))).is_ok();
                listens
            })
        });
        let why = followed.map_or_else(|e| e.to_string(), |()| "the daemon has stopped".to_owned());
        if !listens || sender.send(Heard::Lost(why)).is_err() {
            return;
        }
        clock.sleep_until(clock.now() + TRY_AGAIN);
    }
}

/// The file that keeps the buttons: in `$XDG_CONFIG_HOME/lampkeep`, else `~/.config/lampkeep`, else the state
/// folder. `None` where the environment names no place at all.
fn place() -> Option<PathBuf> {
    let given = |name: &str| std::env::var_os(name).filter(|v| !v.is_empty()).map(PathBuf::from);
    // No absolute path counts as unset. Source: XDG base directory specification.
    let config = given("XDG_CONFIG_HOME").filter(|p| p.is_absolute());
    let folder = config.or_else(|| Some(given("HOME")?.join(".config")));
    folder.map(|folder| folder.join("lampkeep")).or_else(places::state_top).map(|folder| folder.join(FILE))
}

/// The buttons that were kept; `None`: none were. Errors: why they are of no use, in words.
fn kept(path: &Path) -> Result<Option<Buttons>, String> {
    let why =
        |why: String| format!("the buttons in {} are of no use: {why}; teach them again", path.display());
    match plain_file::read_text(path, LONGEST_FILE) {
        Ok(text) => Buttons::read(&text).map(Some).map_err(why),
        Err(e) if e.kind() == ErrorKind::NotFound => Ok(None),
        Err(e) => Err(why(e.to_string())),
    }
}

/// Keeps the buttons; gives why they are not kept.
fn keep(path: Option<&Path>, buttons: &Buttons) -> Option<String> {
    let hold = "the buttons hold until you leave";
    let Some((folder, path)) = path.and_then(|path| Some((path.parent()?, path))) else {
        return Some(format!("{hold}: there is no folder to keep them in, set XDG_CONFIG_HOME"));
    };
    let written = files::write_file(folder, FILE, &buttons.text());
    written.err().map(|e| format!("{hold}: {} was not written ({e})", path.display()))
}
