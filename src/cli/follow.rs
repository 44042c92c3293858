//! `status --follow`: joins the terminal, what is shown there and the daemon. What is shown is in `crate::follow`;
//! where standard output is no terminal it is a line, or a JSON object, for each change.

use std::io::{IsTerminal, Write};
use std::path::Path;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::time::Duration;

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use super::exit::Exit;
use super::listen::listen;
use super::run::{fault, print, unanswered};
use super::show;
use crate::chair::keys::{Key, Splitter};
use crate::chair::terminal::Terminal;
use crate::clock::{Clock, SystemClock};
use crate::control::client::{self, ClientError};
use crate::control::{Answer, Request, Status};
use crate::follow::{Act, Desk, Wants, draw, paint};

/// How long an answer may take: what the keys ask for is answered at once.
const ANSWER_WITHIN: Duration = Duration::from_secs(3);
/// Between two tries to follow a daemon that is gone.
const TRY_AGAIN: Duration = Duration::from_secs(1);
/// Longest time between two looks at the screen: spans go on and windows are resized.
const LOOK_EVERY: Duration = Duration::from_millis(100);

/// What reaches the loop.
enum Heard {
    /// Bytes from the terminal, with the moment at which they came.
    Bytes(Vec<u8>, Duration),
    /// How things are.
    Status(Box<Status>),
    /// The daemon is gone, and why.
    Lost(String),
    /// What came of a key.
    Answered(Act, Box<Result<Answer, String>>),
    /// A signal, or the terminal is gone.
    End,
}

/// Keeps the status on screen until it is left, or prints it at each change where there is no screen.
pub(super) fn run(set: Option<&str>, json: bool) -> Exit {
    let path = match client::find(set) {
        Ok(path) => path,
        Err(e) => return unanswered(&e, json),
    };
    let dumb = std::env::var_os("TERM").is_some_and(|t| t == "dumb");
    if json || dumb || Terminal::possible().is_err() {
        return lines(&path, json);
    }
    // A daemon that is not there, or not for this user, is told before the screen is taken.
    if let Err(e) = client::ask(&path, &Request::Status { follow: false }, ANSWER_WITHIN) {
        return unanswered(&e, false);
    }
    match on_screen(set) {
        Ok(Some(take)) => print(&format!("left; take {take} still rolls: `lampkeep take end` ends it")),
        Ok(None) => print("left; the light stays as it is"),
        Err(said) => fault(Exit::NotMet, &said),
    }
}

/// One line for each change: JSON, or what is lit. On a terminal that cannot be steered too.
fn lines(path: &Path, json: bool) -> Exit {
    let done = client::follow(path, |status| {
        let mut out = std::io::stdout().lock();
        let written = if json {
            serde_json::to_writer(&mut out, &status).map_err(Into::into).and_then(|()| writeln!(out))
        } else {
            writeln!(out, "{}", show::headline(&status.now))
        };
        written.and_then(|()| out.flush()).is_ok()
    });
    match done {
        Ok(()) => Exit::Done,
        Err(e) => unanswered(&e, json),
    }
}

/// Until it is left; gives the take that rolls then.
fn on_screen(set: Option<&str>) -> Result<Option<String>, String> {
    let no_thread = |e: std::io::Error| format!("a thread cannot be started: {e}");
    let colour = std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty()) && std::io::stdout().is_terminal();
    let terminal = Terminal::take()?;
    let clock = SystemClock::start();
    let (sender, inbox) = channel();
    let (keys, signals) = (sender.clone(), sender.clone());
    let bytes = move |bytes, at| keys.send(Heard::Bytes(bytes, at)).is_ok();
    listen(clock, bytes, move || drop(signals.send(Heard::End))).map_err(no_thread)?;
    let set = set.map(str::to_owned);
    let (to_follow, of_set) = (sender.clone(), set.clone());
    std::thread::Builder::new()
        .name("follow".into())
        .spawn(move || follow(clock, of_set.as_deref(), &to_follow))
        .map_err(no_thread)?;
    let mut screen = Screen {
        clock,
        terminal,
        colour,
        inbox,
        splitter: Splitter::default(),
        shown: None,
        desk: Desk::default(),
    };
    screen.goes_on(set.as_deref(), &sender);
    drop(screen.terminal);
    Ok(screen.desk.take().map(str::to_owned))
}

/// The terminal and what comes from everywhere.
struct Screen {
    clock: SystemClock,
    terminal: Terminal,
    colour: bool,
    inbox: Receiver<Heard>,
    splitter: Splitter,
    /// What is on the screen.
    shown: Option<Buffer>,
    desk: Desk,
}

impl Screen {
    fn now(&self) -> Duration {
        self.clock.now().elapsed()
    }

    /// Shows what changed since the last picture. False when the terminal is gone.
    fn show(&mut self) -> bool {
        let (width, height) = self.terminal.size();
        let side = |n: usize| u16::try_from(n).unwrap_or(u16::MAX);
        let mut next = Buffer::empty(Rect::new(0, 0, side(width), side(height)));
        draw(&self.desk, self.now(), &mut next);
        let bytes = paint::bytes(self.shown.as_ref(), &next, self.colour);
        self.shown = Some(next);
        bytes.is_empty() || self.terminal.send(&bytes)
    }

    fn goes_on(&mut self, set: Option<&str>, sender: &Sender<Heard>) {
        while self.show() {
            let wait =
                self.splitter.due().map_or(LOOK_EVERY, |at| at.saturating_sub(self.now()).min(LOOK_EVERY));
            let heard = match self.inbox.recv_timeout(wait) {
                Ok(heard) => Some(heard),
                Err(RecvTimeoutError::Timeout) => None,
                Err(RecvTimeoutError::Disconnected) => return,
            };
            let now = self.now();
            let keys: Vec<(Key, Duration)> = match heard {
                Some(Heard::Bytes(bytes, at)) => {
                    self.splitter.take(&bytes, at).into_iter().map(|k| (k, at)).collect()
                }
                Some(Heard::Status(status)) => {
                    self.desk.status(status, now);
                    Vec::new()
                }
                Some(Heard::Lost(why)) => {
                    self.desk.lost(why);
                    Vec::new()
                }
                Some(Heard::Answered(act, outcome)) => {
                    self.desk.answered(act, *outcome, now);
                    Vec::new()
                }
                Some(Heard::End) => return,
                None => self.splitter.pass(now).map(|key| (key, now)).into_iter().collect(),
            };
            for (key, at) in keys {
                match self.desk.key(&key, at) {
                    Wants::Nothing => {}
                    Wants::Ask(act, request) => ask(set.map(str::to_owned), act, request, sender.clone()),
                    Wants::Leave => return,
                }
            }
        }
    }
}

/// Asks on a thread of its own: the screen never waits for a daemon.
fn ask(set: Option<String>, act: Act, request: Request, sender: Sender<Heard>) {
    let back = sender.clone();
    let asks = move || {
        let asked = client::find(set.as_deref()).and_then(|path| client::ask(&path, &request, ANSWER_WITHIN));
        // The screen may have been left meanwhile.
        let _ = sender.send(Heard::Answered(act, Box::new(asked.map_err(|e: ClientError| e.to_string()))));
    };
    if let Err(e) = std::thread::Builder::new().name("ask".into()).spawn(asks) {
        let why = format!("a thread cannot be started: {e}");
        let _ = back.send(Heard::Answered(act, Box::new(Err(why))));
    }
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
