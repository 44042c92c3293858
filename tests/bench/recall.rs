//! From typing `lampkeep recall X --over 0s` to the first changed frame handed to the output.
//!
//! Run with `cargo bench --bench recall`. It starts the built daemon with a framed output on a
//! pseudo-terminal, reads the real bytes at its other end, and types the command again and again. Beside the figure stands its floor,
//! measured in the same run by alternating with it: the time that the same process takes to start and
//! to be answered without any change of light (`lampkeep status`). What is left should be at most one
//! frame period (25 ms at 40 a second) and the 2 ms for which a frame is held ready.

use std::os::fd::OwnedFd;
use std::os::unix::ffi::OsStrExt;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use lampkeep::clock::{Clock, SystemClock};
use lampkeep::units::Moment;
use lampkeep::wire::encode::framed;
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};

const ROUNDS: usize = 60;

const PLAN: &str = r#"
[camera.main]
iso = 800
f-number = 2.8
shutter = "1/50"
[output.desk]
kind = "framed"
port = "port"
[fixture.key]
profile = "bicolour-mat"
address = 1
clock = "7:30"
distance = "1.5 m"
[look.one]
key = { stops = 0 }
[look.two]
key = { stops = -1 }
"#;

fn lampkeep(folder: &Path, args: &[&str]) -> Command {
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

struct Daemon(Child);

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// The far end of the daemon's port.
struct Wire {
    pty: OwnedFd,
    decoder: framed::Decoder,
}

impl Wire {
    fn open(link: &Path) -> std::io::Result<Self> {
        let pty = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY)?;
        grantpt(&pty)?;
        unlockpt(&pty)?;
        let name = ptsname(&pty, Vec::new())?;
        std::os::unix::fs::symlink(std::ffi::OsStr::from_bytes(name.as_bytes()), link)?;
        Ok(Self { pty, decoder: framed::Decoder::new() })
    }

    /// Reads messages until one whose first slot `is` what is looked for; `None` after two seconds.
    fn until(&mut self, clock: SystemClock, is: impl Fn(u8) -> bool) -> Option<Moment> {
        let end = clock.now() + Duration::from_secs(2);
        let wait = Timespec { tv_sec: 0, tv_nsec: 100_000_000 };
        while clock.now() < end {
            let mut fds = [PollFd::new(&self.pty, PollFlags::IN)];
            let ready = poll(&mut fds, Some(&wait)).ok()? > 0 && fds[0].revents().contains(PollFlags::IN);
            if !ready {
                continue;
            }
            let mut bytes = [0; 4096];
            let count = rustix::io::read(&self.pty, &mut bytes).ok()?;
            let now = clock.now();
            self.decoder.feed(&bytes[..count]);
            while let Some(message) = self.decoder.next_message() {
                if message.data.get(1).is_some_and(|slot| is(*slot)) {
                    return Some(now);
                }
            }
        }
        None
    }
}

fn main() {
    // `cargo test --all-targets` runs this file too: it must build, and measures nothing there.
    if !std::env::args().any(|a| a == "--bench") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("plan.toml"), PLAN).expect("written");
    let mut wire = Wire::open(&folder.path().join("port")).expect("a pseudo-terminal");
    let _daemon = Daemon(lampkeep(folder.path(), &["run", "plan.toml"]).spawn().expect("it starts"));
    let clock = SystemClock::start();
    wire.until(clock, |slot| slot == 0).expect("the daemon sends");
    let (mut changed, mut floor) = (Vec::new(), Vec::new());
    let mut standing = 0;
    for round in 0..ROUNDS {
        let look = if round % 2 == 0 { "one" } else { "two" };
        // Out of step with the frames, so that every phase is met.
        let pause = clock.now() + Duration::from_millis(150);
        while clock.now() < pause {
            wire.until(clock, |_| true).expect("frames come");
        }
        clock.sleep_until(clock.now() + Duration::from_micros(400 * round as u64));
        let start = clock.now();
        let mut typed =
            lampkeep(folder.path(), &["recall", look, "--over", "0s"]).spawn().expect("it starts");
        let seen = std::cell::Cell::new(standing);
        let at = wire.until(clock, |slot| {
            seen.set(slot);
            slot != standing
        });
        changed.push(at.expect("the light changes").after(start));
        standing = seen.get();
        typed.wait().expect("it ends");

        let start = clock.now();
        lampkeep(folder.path(), &["status"]).status().expect("it runs");
        floor.push(clock.now().after(start));
    }
    changed.sort();
    floor.sort();
    let ms = |sorted: &[Duration], part: f64| {
        sorted[((sorted.len() - 1) as f64 * part) as usize].as_secs_f64() * 1e3
    };
    for part in [0.5, 0.9, 1.0] {
        let (changed, floor) = (ms(&changed, part), ms(&floor, part));
        println!(
            "p{:<3.0} typed to changed {changed:6.2} ms, floor (process and answer) {floor:6.2} ms, \
             ratio_to_floor_plus_one_period {:.2}",
            part * 100.0,
            changed / (floor + 25.0)
        );
    }
}
