//! A page's commands, run in a folder of their own with the built binary, and what they start.

use std::fs::File;
use std::io::{BufRead, BufReader, Write};
use std::net::{Ipv4Addr, TcpListener};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc;
use std::time::Duration;

use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use tempfile::TempDir;

use super::compare;
use super::page::{self, Part, Step};

/// Looks at something that will come, 20 ms apart: a minute and a half, for a machine under load.
const LOOKS: usize = 4500;

/// The broker that pages of MQTT start; without it they say so.
pub fn a_broker_is_here() -> bool {
    let path = std::env::var_os("PATH").unwrap_or_default();
    let here =
        std::env::split_paths(&path).chain(["/usr/sbin".into()]).any(|dir| dir.join("mosquitto").is_file());
    if !here {
        let skip = std::env::var_os("LAMPKEEP_SKIP_BROKER").is_some_and(|v| v == "1");
        assert!(skip, "no mosquitto in PATH or /usr/sbin: run tests/run, which installs it");
        eprintln!("NOT RUN: docs/mqtt.md: there is no mosquitto and LAMPKEEP_SKIP_BROKER=1");
    }
    here
}

/// A program that goes on while later commands run: a daemon, a simulated interface, a broker.
struct Running {
    child: Child,
    /// Of an interface, which reads what is typed.
    stdin: Option<ChildStdin>,
}

impl Running {
    fn stop(mut self) {
        if let Ok(pid) = i32::try_from(self.child.id())
            && let Some(pid) = Pid::from_raw(pid)
        {
            let _ = kill_process(pid, Signal::INT);
        }
        drop(self.stdin.take());
        if !soon(|| self.child.try_wait().is_ok_and(|ended| ended.is_some())) {
            let _ = self.child.kill();
            let _ = self.child.wait();
        }
    }
}

/// Waits for what will come; false if it has not.
fn soon(mut what: impl FnMut() -> bool) -> bool {
    let (_keep, never) = mpsc::channel::<()>();
    (0..LOOKS).any(|_| {
        let done = what();
        if !done {
            let _ = never.recv_timeout(Duration::from_millis(20));
        }
        done
    })
}

/// The folder of a page's part and what runs in it.
pub struct Session<'p> {
    page: &'p str,
    dir: TempDir,
    running: Vec<Running>,
    started: usize,
    /// Stands for 1883 in all that is run and written, since another broker may listen there.
    port: u16,
}

impl<'p> Session<'p> {
    /// Does everything that a part of a page asks for, in order.
    pub fn go_through(part: &Part<'p>) {
        let mut session = Session::new(part.page);
        for (name, text) in &part.written {
            session.write(name, text);
        }
        let mut ran = 0;
        for step in part.steps {
            match step {
                Step::Fresh => unreachable!("parts end before it"),
                Step::Copy(files) => files.iter().for_each(|file| session.copy(file)),
                Step::Write { name, text } => session.write(name, text),
                Step::Wait { pointer, value } => session.wait(pointer, value),
                Step::Type(text) => session.type_line(text),
                Step::Stop => session.running.pop().expect("something runs").stop(),
                Step::Kill => {
                    let mut last = session.running.pop().expect("something runs");
                    last.child.kill().and_then(|()| last.child.wait()).expect("killed");
                }
                Step::Run { commands, ends_with, typed } => {
                    for (i, command) in commands.iter().enumerate() {
                        let ends_with = if i + 1 == commands.len() { *ends_with } else { 0 };
                        session.run(command, ends_with, *typed);
                        ran += 1;
                    }
                }
                Step::NotRun { line, commands, reason } => {
                    eprintln!("{}:{line}: {} not run: {reason}", part.page, commands[0].text);
                }
                Step::Toml { line, text } => {
                    if let Err(e) = text.parse::<toml::Table>() {
                        panic!("{}:{line}: no TOML: {e}", part.page);
                    }
                }
            }
        }
        if ran > 0 {
            eprintln!("{}: {ran} commands run", part.page);
        }
    }

    fn new(page: &'p str) -> Self {
        let free = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).and_then(|l| l.local_addr()).expect("a port");
        let session = Session {
            page,
            dir: tempfile::tempdir().expect("a folder"),
            running: Vec::new(),
            started: 0,
            port: free.port(),
        };
        // Where the broker's own clients look for their usual options.
        std::fs::create_dir_all(session.path("home/.config")).expect("a folder");
        for client in ["mosquitto_sub", "mosquitto_pub", "mosquitto_rr"] {
            let options = format!("-p {}\n", session.port);
            std::fs::write(session.path(&format!("home/.config/{client}")), options).expect("written");
        }
        session
    }

    fn write(&self, name: &str, text: &str) {
        std::fs::write(self.path(name), self.by_port(text)).expect("written");
    }

    fn by_port(&self, text: &str) -> String {
        text.replace("1883", &self.port.to_string())
    }

    /// What a command should print, line by line.
    fn shown(&self, command: &page::Command) -> Vec<String> {
        command.printed.iter().map(|line| self.by_port(line)).collect()
    }

    fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    /// A file or a folder of the project.
    fn copy(&self, file: &str) {
        let from = Path::new(env!("CARGO_MANIFEST_DIR")).join(file);
        let copied = Command::new("cp").arg("-r").arg(&from).arg(self.dir.path()).status().expect("cp runs");
        assert!(copied.success(), "{}: {file} is not there", self.page);
    }

    fn command(&self, text: &str) -> Command {
        let built = Path::new(env!("CARGO_BIN_EXE_lampkeep")).parent().expect("a folder").to_owned();
        let path = std::env::var_os("PATH").unwrap_or_default();
        let system = std::env::split_paths(&path).chain(["/usr/sbin".into()]);
        let path = std::env::join_paths([built].into_iter().chain(system)).expect("a search path");
        // As a page has it for a first look, without a build of its own.
        let text = self.by_port(&text.replace("cargo run --release -- ", "lampkeep "));
        let mut command = Command::new("bash");
        command
            .args(["-c", &format!("exec 2>&1; {text}")])
            .current_dir(self.dir.path())
            .env("PATH", path)
            .env("HOME", self.path("home"))
            .env("XDG_CONFIG_HOME", self.path("home/.config"))
            .env("LAMPKEEP_SOCKET", self.path("set.sock"))
            .env("LAMPKEEP_STATE", self.path("state"))
            .env("LAMPKEEP_PROJECT", env!("CARGO_MANIFEST_DIR"))
            .env("NO_COLOR", "1")
            .env("TZ", "UTC")
            .env_remove("NOTIFY_SOCKET")
            .env_remove("LAMPKEEP_LOG")
            .env_remove("RUST_LOG")
            .stdin(Stdio::null());
        command
    }

    fn run(&mut self, command: &page::Command, ends_with: i32, typed: bool) {
        let place = format!("{}:{}", self.page, command.line);
        if command.text.starts_with("tests/run") {
            eprintln!("{place}: {} not run: it is what runs this", command.text);
            return;
        }
        let goes_on = ["lampkeep run ", "lampkeep device ", "mosquitto "];
        if ends_with == 0 && goes_on.iter().any(|start| command.text.starts_with(start)) {
            return self.start(&place, command);
        }
        let shown = self.shown(command);
        let dialogue = typed.then(|| compare::dialogue(&shown));
        let input = dialogue.as_ref().map_or("", |(input, _)| input);
        let mut child = self.command(&command.text);
        let mut child = child.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().expect("bash runs");
        // It may end before it has read everything.
        let _ = child.stdin.take().expect("piped").write_all(input.as_bytes());
        let out = child.wait_with_output().expect("it ends");
        let printed = String::from_utf8_lossy(&out.stdout).into_owned();
        let says = || format!("{place}: $ {}\nprints:\n{printed}", command.text);
        assert_eq!(out.status.code(), Some(ends_with), "{}", says());
        let as_shown = match &dialogue {
            Some((_, shown)) => compare::text_is_as_shown(shown.trim_end(), printed.trim_end()),
            None => compare::is_as_shown(&shown, &printed.lines().collect::<Vec<_>>()),
        };
        let shown = shown.join("\n");
        assert!(as_shown || shown.is_empty(), "{}and the page shows:\n{shown}", says());
    }

    /// Starts what goes on, and waits until it has printed what the page shows; a daemon answers then.
    fn start(&mut self, place: &str, command: &page::Command) {
        self.started += 1;
        let log = self.path(&format!("log-{}", self.started));
        let file = File::create(&log).expect("a file");
        let mut bash = self.command(&format!("exec {}", command.text));
        let mut child = bash.stdin(Stdio::piped()).stdout(file).spawn().expect("bash runs");
        let device = command.text.starts_with("lampkeep device ");
        let stdin = child.stdin.take().filter(|_| device);
        self.running.push(Running { child, stdin });
        let mut shown = self.shown(command);
        shown.push("…".to_owned());
        let mut printed = String::new();
        let came = soon(|| {
            printed = std::fs::read_to_string(&log).unwrap_or_default();
            compare::is_as_shown(&shown, &printed.lines().collect::<Vec<_>>())
        });
        assert!(
            came,
            "{place}: $ {}\nprints:\n{printed}\nand the page shows:\n{}",
            command.text,
            shown.join("\n")
        );
        if command.text.starts_with("lampkeep run ") {
            let answers = soon(|| self.status().is_some());
            assert!(answers, "{place}: no answer after\n{printed}");
        }
    }

    /// The daemon's status, asked over its socket: no process is started for each look.
    fn status(&self) -> Option<Value> {
        let mut stream = UnixStream::connect(self.path("set.sock")).ok()?;
        stream.set_read_timeout(Some(Duration::from_secs(10))).ok()?;
        writeln!(stream, r#"{{"do":"status"}}"#).ok()?;
        let mut line = String::new();
        BufReader::new(stream).read_line(&mut line).ok()?;
        serde_json::from_str::<Value>(&line).ok()?.get_mut("data").map(Value::take)
    }

    fn wait(&self, pointer: &str, value: &str) {
        let mut last = None;
        let came = soon(|| {
            last = self.status();
            let found = last.as_ref().and_then(|s| s.pointer(pointer));
            found.is_some_and(|v| v.as_str().map_or_else(|| v.to_string(), str::to_owned) == value)
        });
        assert!(came, "{}: {pointer} never becomes {value}: {last:#?}", self.page);
    }

    fn type_line(&mut self, text: &str) {
        let last = self.running.iter_mut().rev().find_map(|r| r.stdin.as_mut());
        writeln!(last.expect("something runs"), "{text}").expect("it reads");
    }
}

impl Drop for Session<'_> {
    fn drop(&mut self) {
        while let Some(last) = self.running.pop() {
            last.stop();
        }
    }
}
