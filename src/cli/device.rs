//! `lampkeep device`: a simulated interface for people who rehearse without theirs.

use std::io::BufRead;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, TryRecvError, sync_channel};
use std::time::Duration;

use serde_json::{Value, json};
use tokio::signal::unix::{SignalKind, signal};

use super::exit::Exit;
use super::run::{fault, print};
use crate::clock::{Clock, SystemClock};
use crate::wire::device::copy::Copy;
use crate::wire::device::decode::{Decoder, Figures, Packet, SILENCE, Speaks};
use crate::wire::device::{Device, Reads};

/// A line of figures so often.
const EVERY: Duration = Duration::from_secs(1);
/// Slots shown of the newest packet.
const SHOWN: usize = 12;
/// Pieces of `slow`: half of what a line of 250 kbit/s carries, 22 700 bytes a second.
const SLOW: Reads = Reads::Pieces { bytes: 227, every: Duration::from_millis(20) };
/// Pieces of `short`: less than any output sends, so that the port's buffer is soon full and takes parts of writes.
const SHORT: Reads = Reads::Pieces { bytes: 20, every: Duration::from_millis(50) };
/// What can be typed.
const WORDS: &str = "gone, back, back NAME, stuck, slow, short, well, quit";

/// What `device` may be told.
#[derive(Debug, clap::Args)]
pub struct DeviceArgs {
    /// Name of the port to be: the `port` of an output in the plan
    pub name: PathBuf,
    /// Take framed messages, as an interface with a processor of its own does
    #[arg(long)]
    pub framed: bool,
    /// Hand on all bytes to a second port of this name, for another program to read
    #[arg(long, value_name = "NAME")]
    pub copy: Option<PathBuf>,
}

/// What a person asked of the interface.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Word {
    Gone,
    /// Under another name, where one is given.
    Back(Option<PathBuf>),
    Reads(Reads),
    Quit,
}

fn word(line: &str) -> Result<Word, String> {
    let mut words = line.split_whitespace();
    let (first, rest) = (words.next().unwrap_or(""), words.next());
    match (first, rest, words.next()) {
        ("gone", None, None) => Ok(Word::Gone),
        ("back", name, None) => Ok(Word::Back(name.map(PathBuf::from))),
        ("stuck", None, None) => Ok(Word::Reads(Reads::Nothing)),
        ("slow", None, None) => Ok(Word::Reads(SLOW)),
        ("short", None, None) => Ok(Word::Reads(SHORT)),
        ("well", None, None) => Ok(Word::Reads(Reads::All)),
        ("quit", None, None) => Ok(Word::Quit),
        _ => Err(format!("`{}` is no word of this; type one of: {WORDS}", crate::words::short(line))),
    }
}

/// Lines typed, from a thread of their own, and `quit` at Ctrl-C: an end without that would leave a name behind
/// that leads to whatever terminal is opened next.
fn typed() -> std::io::Result<Receiver<String>> {
    let (send, receive) = sync_channel(8);
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let (mut interrupt, mut terminate) = {
        let _within = runtime.enter();
        (signal(SignalKind::interrupt())?, signal(SignalKind::terminate())?)
    };
    let quit = send.clone();
    std::thread::Builder::new().name("signals".into()).spawn(move || {
        runtime.block_on(async {
            tokio::select! {
                _ = interrupt.recv() => {}
                _ = terminate.recv() => {}
            }
        });
        // Whoever would read it has ended already.
        let _ = quit.send("quit".to_owned());
    })?;
    std::thread::Builder::new().name("typed".into()).spawn(move || {
        for line in std::io::stdin().lock().lines().map_while(Result::ok) {
            if send.send(line).is_err() {
                break;
            }
        }
    })?;
    Ok(receive)
}

/// A second's figures in words.
fn in_words(figures: &Figures, stray: u64, newest: &[u8]) -> String {
    let ms = |span: Duration| span.as_secs_f64() * 1000.0;
    let slots = match figures.slots {
        Some((least, most)) if least == most => format!("{least} slots"),
        Some((least, most)) => format!("{least} to {most} slots"),
        None => "no slots".to_owned(),
    };
    let apart = figures.gaps().map_or(String::new(), |[least, middle, most]| {
        format!(", {:.1} ms apart ({:.1} to {:.1})", ms(middle), ms(least), ms(most))
    });
    let faults = match (figures.broken, stray) {
        (0, 0) => "all whole".to_owned(),
        (broken, 0) => format!("{broken} broken"),
        (broken, stray) => format!("{broken} broken, {stray} stray bytes"),
    };
    let values: Vec<String> = newest.iter().take(SHOWN).map(u8::to_string).collect();
    let more = if newest.len() > SHOWN { " …" } else { "" };
    format!("{} frames of {slots}{apart}, {faults} · {}{more}", figures.whole, values.join(" "))
}

fn in_json(figures: &Figures, stray: u64, newest: &[u8]) -> Value {
    let ms = |span: Duration| span.as_secs_f64() * 1000.0;
    json!({
        "frames": figures.whole,
        "broken": figures.broken,
        "stray": stray,
        "slots": figures.slots.map(|(least, most)| [least, most]),
        "apart_ms": figures.gaps().map(|gaps| gaps.map(ms)),
        "newest": newest,
    })
}

/// The interface and all that was measured of it.
struct Session {
    clock: SystemClock,
    name: PathBuf,
    speaks: Speaks,
    device: Option<Device>,
    copy: Option<Copy>,
    decoder: Decoder,
    newest: Vec<u8>,
    stray: u64,
    json: bool,
    /// That nothing comes was said.
    silent: bool,
}

impl Session {
    fn plug_in(&mut self, name: &Path) -> Exit {
        match Device::plug_in(Some(name), self.clock) {
            Ok(device) => {
                let kind = if self.speaks == Speaks::Framed { "framed" } else { "raw" };
                let (shown, port) = (name.display().to_string(), device.port().display().to_string());
                let said =
                    format!("{shown} is plugged in (now {port}); `kind = \"{kind}\"`, `port = \"{shown}\"`");
                self.device = Some(device);
                self.decoder = Decoder::new(self.speaks);
                self.stray = 0;
                self.name = name.to_owned();
                self.say(&said, json!({ "plugged-in": shown, "port": port, "kind": kind }))
            }
            Err(e) => fault(Exit::NotMet, &format!("{}: {e}", name.display())),
        }
    }

    fn say(&self, words: &str, value: Value) -> Exit {
        if self.json { print(&value.to_string()) } else { print(words) }
    }

    /// Reads for a moment.
    fn read(&mut self) -> std::io::Result<()> {
        let Some(device) = &mut self.device else {
            self.clock.sleep_until(self.clock.now() + SILENCE);
            return Ok(());
        };
        let mut bytes = Vec::new();
        if device.read(SILENCE, &mut bytes)? {
            if let Some(copy) = &mut self.copy {
                copy.put(&bytes)?;
            }
            self.decoder.feed(&bytes, self.clock.now());
        } else {
            self.decoder.quiet(self.clock.now());
        }
        while let Some(Packet { slots, .. }) = self.decoder.next_packet() {
            self.newest = slots;
        }
        Ok(())
    }

    /// A line of figures, or, once, that nothing comes.
    fn tell(&mut self) -> Exit {
        let figures = self.decoder.take_figures();
        let stray = figures.stray - self.stray;
        self.stray = figures.stray;
        let silent = figures.whole + figures.broken + stray == 0;
        if silent && std::mem::replace(&mut self.silent, silent) {
            return Exit::Done;
        }
        self.silent = silent;
        if silent {
            return self.say("nothing comes", json!({ "frames": 0 }));
        }
        let line = self.device.as_ref().and_then(|d| d.settings().ok()).map(|s| s.to_string());
        let mut value = in_json(&figures, stray, &self.newest);
        value["line"] = json!(line);
        let line = line.map_or(String::new(), |line| format!(" · {line}"));
        self.say(&format!("{}{line}", in_words(&figures, stray, &self.newest)), value)
    }

    fn carry_out(&mut self, word: Word) -> Exit {
        match word {
            Word::Gone => {
                self.device = None;
                self.say("pulled", json!({ "pulled": self.name.display().to_string() }))
            }
            Word::Back(name) => {
                // The old one goes first, as with a plug.
                self.device = None;
                let name = name.unwrap_or_else(|| self.name.clone());
                self.plug_in(&name)
            }
            Word::Reads(reads) => {
                if let Some(device) = &mut self.device {
                    device.set_reads(reads);
                }
                Exit::Done
            }
            Word::Quit => Exit::Done,
        }
    }
}

/// Is an interface until `quit`, Ctrl-C or SIGTERM.
#[must_use]
pub fn run(args: &DeviceArgs, json: bool) -> Exit {
    let clock = SystemClock::start();
    let copy = match args.copy.as_deref().map(|name| Copy::plug_in(name, clock)).transpose() {
        Ok(copy) => copy,
        Err(e) => return fault(Exit::NotMet, &format!("--copy: {e}")),
    };
    let lines = match typed() {
        Ok(lines) => lines,
        Err(e) => return fault(Exit::NotMet, &format!("a thread cannot be started: {e}")),
    };
    let speaks = if args.framed { Speaks::Framed } else { Speaks::Raw };
    let mut session = Session {
        clock,
        name: args.name.clone(),
        speaks,
        device: None,
        copy,
        decoder: Decoder::new(speaks),
        newest: Vec::new(),
        stray: 0,
        json,
        silent: true,
    };
    let exit = session.plug_in(&args.name);
    if exit != Exit::Done {
        return exit;
    }
    if !json {
        print(&format!("type one of: {WORDS}"));
    }
    let mut due = clock.now() + EVERY;
    loop {
        match lines.try_recv().map(|line| word(&line)) {
            Ok(Ok(Word::Quit)) => return Exit::Done,
            Ok(Ok(word)) => {
                // A name that cannot be had was said; the person types another.
                session.carry_out(word);
            }
            Ok(Err(said)) => {
                fault(Exit::Usage, &said);
            }
            // Without anyone who types it goes on until it is ended.
            Err(TryRecvError::Empty | TryRecvError::Disconnected) => {}
        }
        if let Err(e) = session.read() {
            return fault(Exit::NotMet, &format!("{}: {e}", session.name.display()));
        }
        if clock.now() >= due {
            due = due + EVERY;
            let exit = session.tell();
            if exit != Exit::Done {
                return exit;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_typed_is_a_fault_on_request_or_told_to_be_none() {
        assert_eq!(word("gone"), Ok(Word::Gone));
        assert_eq!(word(" back "), Ok(Word::Back(None)));
        assert_eq!(word("back quay/other"), Ok(Word::Back(Some("quay/other".into()))));
        assert_eq!(word("stuck"), Ok(Word::Reads(Reads::Nothing)));
        for line in ["", "gon", "gone now", "back a b"] {
            assert!(word(line).unwrap_err().contains(WORDS), "{line}");
        }
    }

    #[test]
    fn a_line_of_figures_says_what_came() {
        let mut decoder = Decoder::new(Speaks::Raw);
        for n in 0..3 {
            let at = crate::units::Moment::since_start(Duration::from_millis(25 * n));
            decoder.feed(&[0, 204, 77, 10], at);
        }
        decoder.quiet(crate::units::Moment::since_start(Duration::from_secs(1)));
        let figures = decoder.take_figures();
        assert_eq!(
            in_words(&figures, 0, &[204, 77, 10]),
            "3 frames of 3 slots, 25.0 ms apart (25.0 to 25.0), all whole · 204 77 10"
        );
        assert_eq!(in_json(&figures, 0, &[204])["apart_ms"], json!([25.0, 25.0, 25.0]));
        assert_eq!(in_words(&Figures::default(), 7, &[]), "0 frames of no slots, 0 broken, 7 stray bytes · ");
    }
}
