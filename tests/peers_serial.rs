//! Serial outputs against a far side that really reads: a pseudo-terminal.
//!
//! A pseudo-terminal neither paces bytes nor carries breaks: what is checked here are bytes, settings
//! and faults, not the timing on a line (docs/wire.md).

#![expect(clippy::unwrap_used, reason = "a test's helpers fail the test by panicking")]

use std::path::Path;
use std::time::Duration;

use lampkeep::channels::Frame;
use lampkeep::clock::{Clock, SystemClock};
use lampkeep::control::LinkState;
use lampkeep::plan::{Output, OutputKind, Wake};
use lampkeep::wire::device::decode::{self, Speaks};
use lampkeep::wire::device::{Device, Reads};
use lampkeep::wire::encode::framed::Decoder;
use lampkeep::wire::{Health, Sender, SimWatch, WireErrorKind, output, sim, start};
use rustix::termios::{ControlModes, LocalModes, OutputModes, tcgetattr};

/// Longest wait for anything that must come; far more than any of it takes.
const PATIENCE: Duration = Duration::from_secs(20);

/// The interface's end of a serial line, with all that came over it.
struct FarSide {
    device: Device,
    bytes: Vec<u8>,
}

impl FarSide {
    fn new() -> Self {
        Self { device: Device::plug_in(None, SystemClock::start()).unwrap(), bytes: Vec::new() }
    }

    /// One that is known by `name`.
    fn named(name: &Path) -> Self {
        Self { device: Device::plug_in(Some(name), SystemClock::start()).unwrap(), bytes: Vec::new() }
    }

    fn port(&self) -> &Path {
        self.device.port()
    }

    /// Takes what comes within `wait`; false if nothing did.
    fn read(&mut self, wait: Duration) -> bool {
        self.device.read(wait, &mut self.bytes).unwrap()
    }

    fn read_at_least(&mut self, count: usize) {
        let clock = SystemClock::start();
        while self.bytes.len() < count {
            self.read(Duration::from_millis(50));
            assert!(clock.now().elapsed() < PATIENCE, "{} of {count} bytes", self.bytes.len());
        }
    }

    /// Takes all that is there.
    fn read_rest(&mut self) {
        while self.read(Duration::from_millis(20)) {}
    }
}

fn raw(port: &Path, rate: u32) -> Output {
    let kind = OutputKind::Raw { port: port.to_owned().into(), break_us: 176, mark_us: 16, slow: false };
    Output { name: "pier".to_owned(), kind, universe: 1, rate, wake: Wake::Sleep }
}

fn framed(port: &Path, rate: u32) -> Output {
    let kind = OutputKind::Framed { port: port.to_owned().into() };
    Output { name: "mole".to_owned(), kind, universe: 1, rate, wake: Wake::Sleep }
}

fn begin(output: &Output) -> Sender {
    start(output, false, Duration::from_millis(1), SystemClock::start(), None).unwrap()
}

/// A frame whose slots tell each other apart, and other frames too.
fn frame(number: u64, used: u16) -> Frame {
    let mut frame = Frame::dark(number, 1, used);
    for (i, slot) in frame.slots.iter_mut().enumerate().take(used.into()) {
        *slot = ((i as u64 * 7 + number * 31) % 251) as u8;
    }
    frame
}

/// The bytes of a raw packet, made without the encoder.
fn packet(frame: &Frame) -> Vec<u8> {
    [&[0], &frame.slots[..]].concat()
}

fn wait_for(sender: &Sender, what: &str, is_so: impl Fn(&Health) -> bool) -> Health {
    let clock = SystemClock::start();
    loop {
        let health = sender.health();
        if is_so(&health) {
            return health;
        }
        assert!(clock.now().elapsed() < PATIENCE, "{what} did not come: {health:?}");
        clock.sleep_until(clock.now() + Duration::from_millis(5));
    }
}

/// Source: ANSI E1.11: 250 kbit/s, 8 data bits, no parity, two stop bits; start code 0, 512 slots.
#[test]
fn a_full_universe_arrives_as_513_bytes_a_frame_at_250000_8n2() {
    let mut far = FarSide::new();
    let mut sender = begin(&raw(far.port(), 40));
    sender.publish(frame(1, 512));
    far.read_at_least(4 * 513);
    for bytes in far.bytes.chunks_exact(513) {
        assert_eq!(bytes, packet(&frame(1, 512)));
    }
    // On Linux the master's end reads the settings of the slave.
    let set = tcgetattr(far.device.far()).unwrap();
    assert_eq!((set.input_speed(), set.output_speed()), (250_000, 250_000));
    assert_eq!(set.control_modes & ControlModes::CSIZE, ControlModes::CS8);
    assert!(set.control_modes.contains(ControlModes::CSTOPB), "two stop bits");
    assert!(
        !set.control_modes.intersects(ControlModes::PARENB | ControlModes::CRTSCTS | ControlModes::HUPCL)
    );
    assert!(!set.local_modes.intersects(LocalModes::ICANON | LocalModes::ECHO | LocalModes::ISIG));
    assert!(!set.output_modes.contains(OutputModes::OPOST));
    assert_eq!(sender.health().said, None);
    sender.stop();
}

#[test]
fn only_the_slots_in_use_are_sent_but_no_fewer_than_the_least_packet_needs() {
    let mut far = FarSide::new();
    let mut sender = begin(&raw(far.port(), 40));
    sender.publish(frame(1, 100));
    far.read_at_least(3 * 101);
    sender.stop();
    far.read_rest();
    assert_eq!(far.bytes.len() % 101, 0);
    assert_eq!(far.bytes[..101], packet(&frame(1, 100))[..101]);
}

#[test]
fn frames_come_at_a_constant_rate_changed_or_not() {
    let mut far = FarSide::new();
    let clock = SystemClock::start();
    let mut sender = begin(&raw(far.port(), 40));
    sender.publish(frame(1, 512));
    far.read_at_least(513);
    let (from, before) = (clock.now(), far.bytes.len());
    while clock.now().after(from) < Duration::from_millis(500) {
        far.read(Duration::from_millis(20));
    }
    let unchanged = (far.bytes.len() - before) / 513;
    let (from, before) = (clock.now(), far.bytes.len());
    let mut number = 2;
    while clock.now().after(from) < Duration::from_millis(500) {
        sender.publish(frame(number, 512));
        number += 1;
        far.read(Duration::from_millis(20));
    }
    let changed = (far.bytes.len() - before) / 513;
    // 20 in half a second; loosely, for a machine that is busy with other things.
    for (what, frames) in [("unchanged", unchanged), ("changed", changed)] {
        assert!((8..=24).contains(&frames), "{what}: {frames} frames in 0.5 s");
    }
    let health = sender.health();
    assert!(health.frames as usize >= far.bytes.len() / 513);
    assert!(health.late_us_p50.unwrap() <= health.late_us_p999.unwrap());
    assert_eq!((health.reopened, health.last_gap_s), (0, None));
    sender.stop();
}

#[test]
fn nothing_is_sent_before_the_first_frame_is_published() {
    let mut far = FarSide::new();
    let mut sender = begin(&raw(far.port(), 44));
    assert!(!far.read(Duration::from_millis(150)));
    let health = sender.health();
    assert_eq!((health.state, health.first_sent, health.frames), (LinkState::Starting, false, 0));
    sender.publish(frame(1, 512));
    let health = wait_for(&sender, "the first frame", |h| h.first_sent);
    assert_eq!(health.state, LinkState::Up);
    sender.stop();
    far.read_rest();
    assert_eq!(far.bytes.len() % 513, 0);
}

#[test]
fn the_newest_frame_is_sent_last_and_the_port_is_released() {
    let mut far = FarSide::new();
    let output = raw(far.port(), 40);
    for round in 0..5 {
        let mut sender = begin(&output);
        sender.publish(frame(round * 10 + 1, 512));
        far.read_at_least(513);
        sender.publish(frame(round * 10 + 2, 512));
        sender.publish(frame(round * 10 + 3, 512));
        sender.stop();
        far.read_rest();
        assert_eq!(far.bytes[far.bytes.len() - 513..], packet(&frame(round * 10 + 3, 512)), "round {round}");
        far.bytes.clear();
    }
    output::open(&output, SystemClock::start(), None).map(drop).unwrap();
}

#[test]
fn a_frame_published_just_before_the_stop_is_sent_even_as_the_only_one() {
    let mut far = FarSide::new();
    let mut sender = begin(&raw(far.port(), 40));
    sender.publish(frame(9, 512));
    sender.stop();
    far.read_rest();
    assert!(far.bytes.ends_with(&packet(&frame(9, 512))));
}

#[test]
fn a_far_side_that_stops_reading_is_said_and_recovers_by_itself() {
    let mut far = FarSide::new();
    let mut sender = begin(&raw(far.port(), 40));
    sender.publish(frame(1, 512));
    let health = wait_for(&sender, "the stall", |h| h.state == LinkState::Down);
    let said = health.said.unwrap();
    assert!(said.contains("took no more bytes for 100 ms"), "{said}");

    // Emptied after the stall, the port's buffer takes some more frames: that is no recovery.
    let clock = SystemClock::start();
    while clock.now().elapsed() < Duration::from_millis(700) {
        assert_eq!(sender.health().state, LinkState::Down);
        clock.sleep_until(clock.now() + Duration::from_millis(5));
    }

    sender.publish(frame(2, 512));
    far.read_rest();
    let clock = SystemClock::start();
    while sender.health().state != LinkState::Up {
        far.read(Duration::from_millis(20));
        assert!(clock.now().elapsed() < PATIENCE, "no recovery");
    }
    let health = sender.health();
    assert_eq!((health.said, health.reopened), (None, 0));
    assert!(health.last_gap_s.unwrap() > 0.05);
    far.read_rest();
    sender.stop();
    far.read_rest();
    assert!(far.bytes.ends_with(&packet(&frame(2, 512))));
}

#[test]
fn a_far_side_that_never_reads_cannot_hold_up_the_stop() {
    let far = FarSide::new();
    for output in [raw(far.port(), 44), framed(far.port(), 44)] {
        let mut sender = begin(&output);
        sender.publish(frame(1, 512));
        wait_for(&sender, "the stall", |h| h.state == LinkState::Down);
        let clock = SystemClock::start();
        sender.stop();
        assert!(clock.now().elapsed() < Duration::from_secs(5), "{:?}", clock.now());
    }
}

#[test]
fn a_port_that_goes_and_comes_back_under_another_name_gets_the_standing_frame_first() {
    let folder = tempfile::tempdir().unwrap();
    let name = folder.path().join("interface");
    let mut far = FarSide::named(&name);
    let mut sender = begin(&raw(&name, 40));
    sender.publish(frame(1, 512));
    far.read_at_least(513);

    drop(far);
    let health =
        wait_for(&sender, "the loss", |h| h.said.as_ref().is_some_and(|s| s.contains("no serial port")));
    assert_eq!(health.state, LinkState::Down);
    let said = health.said.unwrap();
    assert!(
        said.contains(&format!("`{}`", name.display())) && said.contains("plug the interface in"),
        "{said}"
    );

    // The light goes on changing meanwhile; the newest of it is what stands.
    sender.publish(frame(2, 512));
    sender.publish(frame(3, 512));
    // What lies between takes the number that the port had, so that it comes back under another.
    let between = FarSide::new();
    let mut far = FarSide::named(&name);
    assert_ne!(far.port(), between.port());
    far.read_at_least(2 * 513);
    assert_eq!(far.bytes[..513], packet(&frame(3, 512)));
    let health = wait_for(&sender, "the return", |h| h.state == LinkState::Up);
    assert_eq!((health.reopened, health.said), (1, None));
    assert!(health.last_gap_s.unwrap() > 0.0);
    sender.stop();
}

#[test]
fn an_absent_port_blocks_nothing_and_is_found_when_it_comes() {
    let folder = tempfile::tempdir().unwrap();
    let name = folder.path().join("interface");
    let mut sender = begin(&raw(&name, 40));
    let health = wait_for(&sender, "the finding", |h| h.first_sent);
    assert_eq!((health.state, health.frames), (LinkState::Down, 0));
    for number in 1..1000 {
        sender.publish(frame(number, 512));
    }
    let mut far = FarSide::named(&name);
    far.read_at_least(513);
    assert_eq!(far.bytes[..513], packet(&frame(999, 512)));
    let health = wait_for(&sender, "the first frame", |h| h.state == LinkState::Up);
    // It had never been there: nothing was opened again, and no light was interrupted.
    assert_eq!((health.reopened, health.last_gap_s), (0, None));
    sender.stop();
}

#[test]
fn a_port_in_use_is_refused_to_a_second_output() {
    let mut far = FarSide::new();
    let mut first = begin(&raw(far.port(), 40));
    first.publish(frame(1, 512));
    far.read_at_least(513);
    let second = begin(&framed(far.port(), 40));
    let health = wait_for(&second, "the refusal", |h| h.state == LinkState::Down);
    let said = health.said.unwrap();
    assert!(said.contains("in use by another output of this program; give each output"), "{said}");
    second.stop();
    let kept = first.health();
    assert_eq!((kept.state, kept.reopened), (LinkState::Up, 0));
    first.stop();
}

#[test]
fn a_plain_file_or_folder_is_no_serial_port() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("notes.txt");
    std::fs::write(&file, "tide tables").unwrap();
    for path in [file.as_path(), folder.path()] {
        let error = output::open(&raw(path, 40), SystemClock::start(), None).err().unwrap();
        assert_eq!(error.kind(), WireErrorKind::NotASerialPort, "{error}");
    }
    assert_eq!(std::fs::read_to_string(&file).unwrap(), "tide tables");
}

#[test]
fn a_rate_that_the_line_has_no_room_for_is_lowered_and_said() {
    let mut far = FarSide::new();
    let mut sender = begin(&raw(far.port(), 44));
    sender.publish(frame(1, 512));
    far.read_at_least(2 * 513);
    let health = wait_for(&sender, "the first frame", |h| h.state == LinkState::Up);
    assert_eq!(health.rate, 40);
    let said = health.said.unwrap();
    assert!(said.starts_with("40 frames a second instead of the plan's 44: 512 slots"), "{said}");
    // Fewer slots make room again.
    sender.publish(frame(2, 200));
    let health = wait_for(&sender, "the full rate", |h| h.rate == 44);
    assert_eq!(health.state, LinkState::Up);
    wait_for(&sender, "the note's end", |h| h.said.is_none());
    sender.stop();
}

/// Source: the layout as the requirement states it: 7E, 06, length low byte first, start code, slots, E7.
#[test]
fn a_framed_message_a_frame_arrives_whole() {
    let mut far = FarSide::new();
    let mut sender = begin(&framed(far.port(), 40));
    sender.publish(frame(1, 512));
    far.read_at_least(3 * 518);
    let wanted = [&[0x7E, 0x06, 0x01, 0x02], &packet(&frame(1, 512))[..], &[0xE7]].concat();
    for bytes in far.bytes.chunks_exact(518) {
        assert_eq!(bytes, wanted);
    }
    sender.publish(frame(2, 30));
    sender.stop();
    far.read_rest();
    let last = [&[0x7E, 0x06, 31, 0], &packet(&frame(2, 30))[..31], &[0xE7]].concat();
    assert!(far.bytes.ends_with(&last));
}

#[test]
fn a_framed_interface_that_stalls_in_a_message_gets_that_message_whole() {
    let mut far = FarSide::new();
    let mut sender = begin(&framed(far.port(), 44));
    sender.publish(frame(1, 512));
    wait_for(&sender, "the stall", |h| h.state == LinkState::Down);
    sender.publish(frame(2, 512));
    let clock = SystemClock::start();
    while sender.health().state != LinkState::Up {
        far.read(Duration::from_millis(20));
        assert!(clock.now().elapsed() < PATIENCE, "no recovery");
    }
    far.read_rest();
    sender.stop();
    far.read_rest();
    let mut decoder = Decoder::new();
    decoder.feed(&far.bytes);
    let messages: Vec<_> = std::iter::from_fn(|| decoder.next_message()).collect();
    assert_eq!(decoder.skipped(), 0, "every byte belongs to a whole message");
    assert_eq!(messages.iter().map(|m| m.data.len() + 5).sum::<usize>(), far.bytes.len());
    assert!(messages.iter().all(|m| m.data == packet(&frame(1, 512)) || m.data == packet(&frame(2, 512))));
    assert_eq!(messages.last().unwrap().data, packet(&frame(2, 512)));
}

/// Source: 40 frames a second are 25 ms apart; the bytes are made without the encoders.
#[test]
fn what_the_simulated_interface_measures_is_what_was_sent() {
    for (speaks, used) in [(Speaks::Raw, 512), (Speaks::Framed, 512), (Speaks::Raw, 60), (Speaks::Framed, 60)]
    {
        let mut far = FarSide::new();
        let clock = SystemClock::start();
        let output = if speaks == Speaks::Raw { raw(far.port(), 40) } else { framed(far.port(), 40) };
        let mut sender = begin(&output);
        sender.publish(frame(7, used));
        let mut decoder = decode::Decoder::new(speaks);
        while decoder.figures().whole < 20 {
            let came = far.read(Duration::from_millis(10));
            if came {
                decoder.feed(&far.bytes, clock.now());
                far.bytes.clear();
            } else {
                decoder.quiet(clock.now());
            }
            assert!(clock.now().elapsed() < PATIENCE);
        }
        sender.stop();
        let slots: Vec<_> = std::iter::from_fn(|| decoder.next_packet()).map(|p| p.slots).collect();
        assert!(
            slots.iter().all(|s| *s == packet(&frame(7, used))[1..=usize::from(used)]),
            "{speaks:?} {used}"
        );
        let figures = decoder.figures();
        assert_eq!((figures.broken, figures.stray), (0, 0));
        assert_eq!(figures.slots, Some((used.into(), used.into())));
        // Loosely, for a machine that is busy with other things.
        let [_, middle, _] = figures.gaps().unwrap();
        assert!((Duration::from_millis(15)..Duration::from_millis(40)).contains(&middle), "{middle:?}");
        assert_eq!(far.device.settings().unwrap().to_string(), "250000 bit/s 8N2");
    }
}

/// A port whose buffer is full takes a part of a message; the rest goes first when there is room again.
#[test]
fn a_framed_interface_that_takes_parts_of_messages_gets_all_of_them_whole() {
    let mut far = FarSide::new();
    // 4000 of the 20 720 bytes a second that it is sent.
    far.device.set_reads(Reads::Pieces { bytes: 100, every: Duration::from_millis(25) });
    let clock = SystemClock::start();
    let mut sender = begin(&framed(far.port(), 40));
    sender.publish(frame(1, 512));
    while sender.health().state != LinkState::Down {
        far.read(Duration::from_millis(30));
        assert!(clock.now().elapsed() < PATIENCE, "it is never full");
    }
    while clock.now().elapsed() < Duration::from_secs(4) {
        far.read(Duration::from_millis(30));
    }
    far.device.set_reads(Reads::All);
    sender.publish(frame(2, 512));
    while sender.health().state != LinkState::Up {
        far.read(Duration::from_millis(20));
        assert!(clock.now().elapsed() < 2 * PATIENCE, "no recovery");
    }
    sender.stop();
    far.read_rest();
    let mut decoder = decode::Decoder::new(Speaks::Framed);
    decoder.feed(&far.bytes, clock.now());
    assert_eq!((decoder.figures().stray, decoder.figures().broken), (0, 0));
    let packets: Vec<_> = std::iter::from_fn(|| decoder.next_packet()).collect();
    assert_eq!(packets.len() * 518, far.bytes.len(), "every byte belongs to a whole message");
    assert_eq!(packets.last().unwrap().slots, frame(2, 512).slots);
}

#[test]
fn the_simulator_keeps_and_records_what_it_was_sent() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("record");
    let watch = SimWatch::recording(1000, &file).unwrap();
    let output = raw(Path::new("/dev/lampkeep-there-is-no-such-port"), 44);
    let clock = SystemClock::start();
    // Simulated: the port that the plan names is never opened.
    let mut sender = start(&output, true, Duration::ZERO, clock, Some(watch.clone())).unwrap();
    sender.publish(frame(1, 8));
    wait_for(&sender, "three frames", |h| h.frames >= 3);
    sender.publish(frame(2, 8));
    sender.stop();
    let kept = watch.take();
    assert!(kept.len() >= 4, "constant, changed or not");
    assert_eq!((kept[0], kept[kept.len() - 1]), (frame(1, 8), frame(2, 8)));
    let recorded = watch.end_record().unwrap().unwrap();
    assert_eq!((recorded.lines, recorded.dropped), (2, 0));
    let text = std::fs::read_to_string(&file).unwrap();
    let lines: Vec<_> = text.lines().map(|l| sim::parse_line(l).unwrap()).collect();
    assert_eq!(lines.iter().map(|l| (l.number, l.universe)).collect::<Vec<_>>(), [(1, 1), (2, 1)]);
    assert_eq!(lines[1].slots, frame(2, 8).slots[..8]);
}
