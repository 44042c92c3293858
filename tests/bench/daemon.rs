//! What the benches share: the built daemon with a framed output on a pseudo-terminal, the far end of that,
//! and a client of its socket.

use std::io::{BufRead, BufReader, Write};
use std::os::fd::OwnedFd;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::net::UnixStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use lampkeep::clock::{Clock, SystemClock};
use lampkeep::units::Moment;
use lampkeep::wire::encode::framed;
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};

/// A plan of one lamp; `output` adds lines to the output.
pub fn plan(output: &str) -> String {
    format!(
        r#"
[camera.main]
iso = 800
f-number = 2.8
shutter = "1/50"
[output.desk]
kind = "framed"
port = "port"
{output}
[fixture.key]
profile = "bicolour-mat"
address = 1
clock = "7:30"
distance = "1.5 m"
[look.one]
key = {{ stops = 0 }}
[look.two]
key = {{ stops = -1 }}
# So near to `one` that no number of changes is a flash (under a tenth of the light).
[look.near]
key = {{ stops = -0.1 }}
"#
    )
}

/// The built binary in a folder of its own, which holds its socket and its state.
pub fn lampkeep(folder: &Path, args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_lampkeep"));
    command
        .args(args)
        .current_dir(folder)
        .env("LAMPKEEP_SOCKET", folder.join("s.sock"))
        .env("LAMPKEEP_STATE", folder.join("state"))
        .env_remove("NOTIFY_SOCKET")
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null());
    command
}

/// A process that ends with this value.
pub struct Daemon(pub Child);

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// The far end of the daemon's port.
pub struct Wire {
    pty: OwnedFd,
    decoder: framed::Decoder,
}

impl Wire {
    /// A new one, under the name `link`.
    pub fn open(link: &Path) -> std::io::Result<Self> {
        let pty = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY)?;
        grantpt(&pty)?;
        unlockpt(&pty)?;
        let name = ptsname(&pty, Vec::new())?;
        let _ = std::fs::remove_file(link);
        std::os::unix::fs::symlink(std::ffi::OsStr::from_bytes(name.as_bytes()), link)?;
        Ok(Self { pty, decoder: framed::Decoder::new() })
    }

    /// Reads messages until one whose data `is` what is looked for; `None` after two seconds.
    pub fn until(&mut self, clock: SystemClock, mut is: impl FnMut(&[u8]) -> bool) -> Option<Moment> {
        let end = clock.now() + Duration::from_secs(2);
        let wait = Timespec { tv_sec: 0, tv_nsec: 100_000_000 };
        while clock.now() < end {
            let mut fds = [PollFd::new(&self.pty, PollFlags::IN)];
            let ready = poll(&mut fds, Some(&wait)).ok()? > 0 && fds[0].revents().contains(PollFlags::IN);
            if !ready {
                // Before the daemon has opened the port there is nobody at the other end, and no wait either.
                clock.sleep_until(clock.now() + Duration::from_millis(1));
                continue;
            }
            let mut bytes = [0; 4096];
            let count = rustix::io::read(&self.pty, &mut bytes).ok()?;
            let now = clock.now();
            self.decoder.feed(&bytes[..count]);
            while let Some(message) = self.decoder.next_message() {
                if is(&message.data) {
                    return Some(now);
                }
            }
        }
        None
    }
}

/// A client of the daemon's socket.
pub struct Client {
    stream: UnixStream,
    answers: BufReader<UnixStream>,
}

impl Client {
    /// Waits some seconds at most for the socket of a daemon in this folder.
    pub fn connect(folder: &Path) -> std::io::Result<Self> {
        Self::at(&folder.join("s.sock"))
    }

    /// Waits some seconds at most for this socket.
    pub fn at(socket: &Path) -> std::io::Result<Self> {
        let clock = SystemClock::start();
        let stream = loop {
            match UnixStream::connect(socket) {
                Ok(stream) => break stream,
                Err(e) if clock.now().elapsed() > Duration::from_secs(5) => return Err(e),
                Err(_) => clock.sleep_until(clock.now() + Duration::from_millis(10)),
            }
        };
        let answers = BufReader::new(stream.try_clone()?);
        Ok(Self { stream, answers })
    }

    /// Sends one request, a JSON object without its line end.
    pub fn send(&mut self, request: &str) -> std::io::Result<()> {
        self.stream.write_all(format!("{request}\n").as_bytes())
    }

    /// The next answer; `null` when there is none any more.
    pub fn answer(&mut self) -> serde_json::Value {
        let mut line = String::new();
        let _ = self.answers.read_line(&mut line);
        serde_json::from_str(&line).unwrap_or_default()
    }

    /// Both ends as they are, for two threads.
    pub fn split(self) -> (UnixStream, BufReader<UnixStream>) {
        (self.stream, self.answers)
    }
}

/// The value of `--NAME VALUE` on the command line.
pub fn option<T: std::str::FromStr>(name: &str, default: T) -> T {
    let mut words = std::env::args().skip_while(|word| *word != format!("--{name}"));
    words.nth(1).and_then(|word| word.parse().ok()).unwrap_or(default)
}
