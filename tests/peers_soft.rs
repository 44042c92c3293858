//! The daemon and a serial port that is pulled: what the far side reads first when it is back.
//!
//! Source of what is expected: the requirement on dimming: a lamp that may be dark comes up softly; in every other case the
//! standing frame goes out first, unchanged.

#![expect(clippy::unwrap_used, reason = "a test's helpers fail the test by panicking")]

use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use lampkeep::clock::{Clock, SystemClock};
use lampkeep::wire::device::Device;
use lampkeep::wire::encode::framed::Decoder;

const PATIENCE: Duration = Duration::from_secs(30);

/// Two lamps with invented figures: one that holds the last frame, and one of which nobody says it.
const PLAN: &str = r#"
[camera.main]
iso = 800
f-number = 2.8
shutter = "1/50"
[output.desk]
kind = "framed"
port = "interface"
[profile.holds]
cooling = "fan"
when-frames-stop = "hold"
emitter.white = { kelvin = 5600, lux = 1600, watts = "100 W" }
mode.dim = { slots = [{ drives = "intensity", bits = 8 }] }
[profile.unsaid]
cooling = "fan"
emitter.white = { kelvin = 5600, lux = 1600, watts = "100 W" }
mode.dim = { slots = [{ drives = "intensity", bits = 8 }] }
[fixture.key]
profile = "holds"
address = 1
clock = "7:30"
height = "1.9 m"
distance = "1.5 m"
[fixture.fill]
profile = "unsaid"
address = 2
clock = "4:30"
height = "1.9 m"
distance = "1.5 m"
[look.work]
key = { of-full = "80 %" }
fill = { of-full = "80 %" }
"#;

/// A face that the key reaches, before a wall that the other lamp lights; both hold the last frame.
const PROTECTED: &str = r#"
[camera.main]
iso = 800
f-number = 2.8
shutter = "1/50"
[room]
back = "2.4 m"
[subject.pilot]
[output.desk]
kind = "framed"
port = "interface"
[profile.holds]
cooling = "fan"
beam = "60 deg"
when-frames-stop = "hold"
emitter.white = { kelvin = 5600, lux = 1600, watts = "100 W" }
mode.dim = { slots = [{ drives = "intensity", bits = 8 }] }
[fixture.key]
profile = "holds"
address = 1
clock = "7:30"
height = "1.9 m"
distance = "1.5 m"
[fixture.wash]
profile = "holds"
address = 2
aim = "wall"
from-wall = "0.7 m"
height = "0.3 m"
[look.work]
key = { of-full = "80 %" }
wash = { of-full = "40 %" }
"#;

/// Levels of both lamps in a frame.
type Levels = (u8, u8);

struct FarSide {
    device: Device,
    decoder: Decoder,
}

impl FarSide {
    fn new(name: &Path) -> Self {
        let device = Device::plug_in(Some(name), SystemClock::start()).unwrap();
        Self { device, decoder: Decoder::new() }
    }

    /// Takes what comes within `wait`; false if nothing did.
    fn read(&mut self, wait: Duration) -> bool {
        let mut bytes = Vec::new();
        let came = self.device.read(wait, &mut bytes).unwrap();
        self.decoder.feed(&bytes);
        came
    }

    /// The two slots of each frame that is there already.
    fn waiting(&mut self) -> Vec<Levels> {
        while self.read(Duration::ZERO) {}
        std::iter::from_fn(|| self.decoder.next_message()).map(|m| (m.data[1], m.data[2])).collect()
    }

    /// The two slots of the next frame.
    fn frame(&mut self) -> Levels {
        let clock = SystemClock::start();
        loop {
            if let Some(message) = self.decoder.next_message() {
                return (message.data[1], message.data[2]);
            }
            assert!(clock.now().elapsed() < PATIENCE, "no frame");
            self.read(Duration::from_millis(50));
        }
    }
}

struct Daemon(Child);

impl Drop for Daemon {
    fn drop(&mut self) {
        // Nothing is left of it if it has ended already.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn command(folder: &Path, args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_lampkeep"));
    command
        .args(args)
        .current_dir(folder)
        .env_remove("NOTIFY_SOCKET")
        .env("LAMPKEEP_SOCKET", folder.join("s.sock"))
        .env("LAMPKEEP_STATE", folder.join("state"))
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null());
    command
}

/// What happens to a set whose light stands.
enum Fault {
    /// Its port is away for so long.
    Pulled(Duration),
    /// Its daemon is killed and started again after so long.
    Killed(Duration),
}

/// Levels of both lamps before the fault, and in the frames after it.
fn after(fault: Fault) -> (Levels, Vec<Levels>) {
    let (stood, frames, _) = after_asking(PLAN, &[], fault);
    (stood, frames)
}

/// The same with another plan, and more asked of it once the look stands, before the fault: then the frames
/// from the last answer on are given too.
fn after_asking(plan: &str, ask: &[&[&str]], fault: Fault) -> (Levels, Vec<Levels>, Vec<Levels>) {
    let folder = tempfile::tempdir().unwrap();
    let name = folder.path().join("interface");
    let plan = plan.replace("\"interface\"", &format!("{:?}", name.to_str().unwrap()));
    std::fs::write(folder.path().join("quay.toml"), plan).unwrap();
    let mut far = FarSide::new(&name);
    let daemon = Daemon(command(folder.path(), &["run", "quay.toml"]).spawn().unwrap());
    assert_eq!(far.frame(), (0, 0));
    let clock = SystemClock::start();
    while !command(folder.path(), &["recall", "work", "--over", "0s"]).status().unwrap().success() {
        assert!(clock.now().elapsed() < PATIENCE, "no daemon");
        clock.sleep_until(clock.now() + Duration::from_millis(50));
    }
    let mut stood = far.frame();
    let from = clock.now();
    while clock.now().after(from) < Duration::from_millis(500) || stood == (0, 0) {
        stood = far.frame();
    }
    let mut asked = Vec::new();
    for args in ask {
        assert!(command(folder.path(), args).status().unwrap().success(), "{args:?}");
        // What the port still holds may be of before the answer.
        far.waiting();
        asked.extend((0..40).map(|_| far.frame()));
    }
    let gap = match fault {
        Fault::Pulled(gap) => gap,
        Fault::Killed(gap) => {
            drop(daemon);
            clock.sleep_until(clock.now() + gap);
            // What was still under way is of before.
            for under_way in far.waiting() {
                if ask.is_empty() {
                    stood = under_way;
                } else {
                    asked.push(under_way);
                }
            }
            let _daemon = Daemon(command(folder.path(), &["run", "quay.toml"]).spawn().unwrap());
            return (stood, (0..60).map(|_| far.frame()).collect(), asked);
        }
    };
    drop(far);
    clock.sleep_until(clock.now() + gap);
    let mut far = FarSide::new(&name);
    (stood, (0..60).map(|_| far.frame()).collect(), asked)
}

/// Source: the requirement: no frame lights a lamp that reaches a protected face between `protect on` and the
/// confirmed off, through `kill -9` and reconnection.
#[test]
fn what_protect_on_holds_stays_dark_when_its_port_is_pulled_and_when_its_daemon_is_killed() {
    let ms = Duration::from_millis;
    let faults =
        [Fault::Pulled(ms(300)), Fault::Pulled(ms(3000)), Fault::Killed(ms(100)), Fault::Killed(ms(3000))];
    for fault in faults {
        let (stood, after, asked) = after_asking(PROTECTED, &[&["protect", "on"]], fault);
        assert!(stood.0 > 0 && stood.1 > 0, "both are lit before: {stood:?}");
        assert!(asked.iter().chain(&after).all(|frame| frame.0 == 0), "{asked:?} {after:?}");
        assert_eq!(asked.last().unwrap().1, stood.1, "the lamp that reaches no face stands");
        assert_eq!(after.last().unwrap().1, stood.1, "and comes back: {after:?}");
    }
}

#[test]
fn after_half_a_second_without_its_port_the_standing_frame_goes_out_first() {
    // The port is tried again after 50, 100, 200 ms and so on: back within half a second.
    let (stood, frames) = after(Fault::Pulled(Duration::from_millis(300)));
    assert!(stood.0 > 0 && stood.1 > 0, "{stood:?}");
    assert!(frames.iter().all(|frame| *frame == stood), "{stood:?} {frames:?}");
}

#[test]
fn after_three_seconds_lamps_that_may_be_dark_start_from_zero_and_those_that_hold_stand() {
    let (stood, frames) = after(Fault::Pulled(Duration::from_secs(3)));
    assert!(frames.iter().all(|frame| frame.0 == stood.0), "the lamp that holds: {frames:?}");
    assert_eq!(frames[0].1, 0, "the one that may be dark: {frames:?}");
    assert!(frames.windows(2).all(|pair| pair[0].1 <= pair[1].1), "up and up: {frames:?}");
    let half = frames.iter().position(|frame| frame.1 >= stood.1 / 8).expect("it comes up");
    // Half the way in lightness is an eighth of the light; at 40 frames a second that is 20 frames of a second,
    // and some for a machine that is busy.
    assert!((15..45).contains(&half), "{half}: {frames:?}");
    assert_eq!(frames.last().unwrap().1, stood.1, "{frames:?}");
}

#[test]
fn killed_and_started_again_at_once_the_first_frame_is_the_last_one() {
    let (stood, frames) = after(Fault::Killed(Duration::from_millis(100)));
    assert!(frames.iter().all(|frame| *frame == stood), "{stood:?} {frames:?}");
}

#[test]
fn killed_and_started_again_after_three_seconds_only_the_lamp_that_holds_stands() {
    let (stood, frames) = after(Fault::Killed(Duration::from_secs(3)));
    assert!(frames.iter().all(|frame| frame.0 == stood.0), "the lamp that holds: {frames:?}");
    assert_eq!(frames[0].1, 0, "the one that may be dark: {frames:?}");
    assert_eq!(frames.last().unwrap().1, stood.1, "{frames:?}");
}
