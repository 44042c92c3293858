//! A daemon of the built binary, its log and what it says.

use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::{UnixDatagram, UnixStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::{Arc, Mutex, mpsc};
use std::time::Duration;

use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;

use crate::made;

/// A set's folder with its plan, and the folder of its state.
pub struct Folder {
    pub dir: tempfile::TempDir,
    state: PathBuf,
}

pub fn pause(ms: u64) {
    let (_keep, never) = mpsc::channel::<()>();
    let _ = never.recv_timeout(Duration::from_millis(ms));
}

impl Folder {
    pub fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        let state = dir.path().join("state");
        Self::with_state(dir, state)
    }

    pub fn with_state(dir: tempfile::TempDir, state: PathBuf) -> Self {
        std::fs::write(dir.path().join("interview.toml"), made::PLAN).unwrap();
        Self { dir, state }
    }

    pub fn socket(&self) -> PathBuf {
        self.dir.path().join("s.sock")
    }

    /// Where this simulated set's log is.
    pub fn log(&self) -> PathBuf {
        self.set().join("journal.db")
    }

    pub fn set(&self) -> PathBuf {
        self.state.join("interview.simulated")
    }

    pub fn command(&self, args: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_lampkeep"));
        command
            .args(args)
            .current_dir(self.dir.path())
            .env_remove("NOTIFY_SOCKET")
            .env("LAMPKEEP_SOCKET", self.socket())
            .env("LAMPKEEP_STATE", &self.state)
            .env("NO_COLOR", "1")
            .stdin(Stdio::null());
        command
    }

    /// Runs a command; gives its code and all that it printed.
    pub fn runs(&self, args: &[&str]) -> (Option<i32>, String) {
        let Output { status, stdout, stderr } = self.command(args).output().unwrap();
        (status.code(), format!("{}{}", String::from_utf8_lossy(&stdout), String::from_utf8_lossy(&stderr)))
    }

    pub fn daemon(&self) -> Daemon {
        Daemon::start(self.command(&["run", "interview.toml", "--simulate"]), &self.socket())
    }

    /// A daemon that tells a service manager, as which this stands in, when each output has sent its first frame.
    pub fn daemon_told(&self) -> Daemon {
        let at = self.dir.path().join("notify.sock");
        let _ = std::fs::remove_file(&at);
        let told = UnixDatagram::bind(&at).unwrap();
        let mut command = self.command(&["run", "interview.toml", "--simulate"]);
        command.env("NOTIFY_SOCKET", &at);
        let clock = lampkeep::clock::SystemClock::start();
        let (send, first_frame) = mpsc::channel();
        std::thread::spawn(move || {
            let _ = told.set_read_timeout(Some(Duration::from_secs(30)));
            let mut said = [0; 4096];
            while let Ok(length) = told.recv(&mut said) {
                if String::from_utf8_lossy(&said[..length]).lines().any(|line| line == "READY=1") {
                    let _ = send.send(lampkeep::clock::Clock::now(&clock).elapsed());
                    return;
                }
            }
        });
        let mut daemon = Daemon::start(command, &self.socket());
        daemon.first_frame = Some(first_frame);
        daemon
    }
}

pub struct Daemon {
    child: Child,
    said: Arc<Mutex<Vec<String>>>,
    socket: PathBuf,
    /// From its start to its socket's first answer.
    pub ready: Duration,
    first_frame: Option<mpsc::Receiver<Duration>>,
}

impl Daemon {
    pub fn start(mut command: Command, socket: &Path) -> Self {
        let mut child = command.stderr(Stdio::piped()).stdout(Stdio::null()).spawn().unwrap();
        let stderr = child.stderr.take().unwrap();
        let said = Arc::new(Mutex::new(Vec::new()));
        let keeps = Arc::clone(&said);
        std::thread::spawn(move || {
            for line in BufReader::new(stderr).lines().map_while(Result::ok) {
                keeps.lock().unwrap().push(line);
            }
        });
        let clock = lampkeep::clock::SystemClock::start();
        let mut daemon =
            Self { child, said, socket: socket.to_owned(), ready: Duration::ZERO, first_frame: None };
        for _ in 0..6000 {
            if daemon.ask(r#"{"do":"status"}"#).is_some() {
                daemon.ready = lampkeep::clock::Clock::now(&clock).elapsed();
                return daemon;
            }
            if let Some(code) = daemon.child.try_wait().unwrap() {
                panic!("the daemon ended with {code}: {:#?}", daemon.said());
            }
            pause(5);
        }
        panic!("the daemon never answered: {:#?}", daemon.said());
    }

    /// From its start to its first frame, by its own word to the service manager; of a daemon that tells one.
    pub fn first_frame(&self) -> Duration {
        let told = self.first_frame.as_ref().expect("it tells a service manager");
        told.recv_timeout(Duration::from_secs(30)).expect("it is ready within 30 s")
    }

    pub fn said(&self) -> Vec<String> {
        self.said.lock().unwrap().clone()
    }

    /// Asks on a connection of its own; `None` where nobody answers.
    pub fn ask(&self, text: &str) -> Option<Value> {
        Line::open(&self.socket)?.ask(text)
    }

    /// A connection for many questions.
    pub fn line(&self) -> Option<Line> {
        Line::open(&self.socket)
    }

    pub fn status(&self) -> Value {
        self.ask(r#"{"do":"status"}"#).expect("it answers")["data"].clone()
    }

    /// Waits until something holds of the status.
    pub fn until(&self, why: &str, what: impl Fn(&Value) -> bool) -> Value {
        let mut last = Value::Null;
        for _ in 0..1500 {
            last = self.status();
            if what(&last) {
                return last;
            }
            pause(20);
        }
        panic!("{why}: {last:#}\n{:#?}", self.said());
    }

    pub fn kill(&mut self) {
        kill_process(Pid::from_child(&self.child), Signal::KILL).unwrap();
        self.child.wait().unwrap();
    }

    /// Tells it to stop; gives the exit code.
    pub fn stop(&mut self) -> Option<i32> {
        kill_process(Pid::from_child(&self.child), Signal::TERM).unwrap();
        for _ in 0..1500 {
            if let Some(status) = self.child.try_wait().unwrap() {
                return status.code();
            }
            pause(20);
        }
        panic!("it does not end: {:#?}", self.said());
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

pub struct Line(BufReader<UnixStream>);

impl Line {
    fn open(socket: &Path) -> Option<Self> {
        let stream = UnixStream::connect(socket).ok()?;
        stream.set_read_timeout(Some(Duration::from_secs(20))).ok()?;
        Some(Self(BufReader::new(stream)))
    }

    pub fn ask(&mut self, text: &str) -> Option<Value> {
        self.0.get_mut().write_all(format!("{text}\n").as_bytes()).ok()?;
        let mut line = String::new();
        self.0.read_line(&mut line).ok()?;
        serde_json::from_str(&line).ok()
    }
}
