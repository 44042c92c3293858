//! What a universe on the network costs: processor time of the network's thread at 44 frames a second, for 1, 16, 64
//! and 256 universes, beside bare loops that send the same bytes at the same deadlines.
//!
//! Run with `cargo bench --bench net` (`-- --seconds 6` for longer turns). Every slot of every universe changes in
//! every frame, all packets go to one socket of loopback that nobody reads: what the kernel does with a packet is in
//! all columns alike. Two floors: `floor` hands packets over as lampkeep does, 64 by one system call (`sendmmsg`);
//! `plain` with a call for each. Turns alternate; `ratio` is the median of the pairs, with the least and the
//! greatest. Aim: 1.5 times the floor or less, and linear. Nothing passes or fails by time.

use std::array;
use std::io::IoSlice;
use std::net::{SocketAddr, UdpSocket};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use lampkeep::channels::Frame;
use lampkeep::clock::{Clock, SystemClock};
use lampkeep::plan::e131::{E131, Idle, Multicast};
use lampkeep::plan::{Output, OutputKind, Wake};
use lampkeep::units::Moment;
use lampkeep::wire::e131::{Network, Source};
use rustix::net::{MMsgHdr, SendAncillaryBuffer, SendFlags, SocketAddrAny, sendmmsg};

const RATE: u32 = 44;
const SIZES: [usize; 4] = [1, 16, 64, 256];
const PAIRS: usize = 7;
const BATCH: usize = 64;

/// Nanoseconds on a processor of this process's thread of that name. Source: Linux, sched-stats: the first field.
fn cpu_ns(name: &str) -> Option<u64> {
    std::fs::read_dir("/proc/self/task").ok()?.filter_map(Result::ok).find_map(|task| {
        let comm = std::fs::read_to_string(task.path().join("comm")).ok()?;
        if comm.trim() != name {
            return None;
        }
        std::fs::read_to_string(task.path().join("schedstat")).ok()?.split(' ').next()?.parse().ok()
    })
}

/// Hundredths of a second that the host took away, and all. Source: Linux, proc(5), `/proc/stat`.
fn steal() -> (u64, u64) {
    let text = std::fs::read_to_string("/proc/stat").unwrap_or_default();
    let fields: Vec<u64> = text
        .lines()
        .next()
        .map(|l| l.split_whitespace().skip(1).filter_map(|f| f.parse().ok()).collect())
        .unwrap_or_default();
    (fields.get(7).copied().unwrap_or(0), fields.iter().take(8).sum())
}

fn deadline(from: Moment, k: u64) -> Moment {
    from + Duration::from_nanos(k * 1_000_000_000 / u64::from(RATE))
}

/// Microseconds a universe and frame: of the thread, and of who hands frames to it.
struct Cost {
    thread: f64,
    hand_over: f64,
    packets: u64,
}

fn lampkeep_turn(to: SocketAddr, size: usize, seconds: u64) -> Cost {
    let clock = SystemClock::start();
    let network = Network::start(Source { cid: [1; 16], name: "bench".to_owned() }, clock).expect("a thread");
    let universes: Vec<u16> = (1..=size as u16).collect();
    let settings = Arc::new(E131 {
        output: "net".to_owned(),
        universes: universes.clone(),
        unicast: vec![to],
        multicast: Multicast::Off,
        interface: None,
        priority: 100,
        source_name: None,
        sync_universe: None,
        preview: false,
        idle: Idle::Constant,
    });
    let mut senders: Vec<_> = universes
        .iter()
        .map(|universe| {
            let kind = OutputKind::E131(Arc::clone(&settings));
            let output = Output {
                name: format!("net:{universe}"),
                kind,
                universe: *universe,
                rate: RATE,
                wake: Wake::Sleep,
            };
            network.add(&output, Duration::from_millis(2)).expect("a network output")
        })
        .collect();
    // As the engine does: each frame at its moment, the sender's deadline 2 ms later.
    let mut frame = Frame::dark(0, 1, 512);
    let mut hand_over = 0;
    let mut begin = None;
    let warm = u64::from(RATE) / 2;
    let frames = u64::from(RATE) * seconds;
    for k in 1..=warm + frames {
        clock.sleep_until(deadline(Moment::START, k));
        if k == warm {
            let sent: u64 = senders.iter().map(|s| s.health().frames).sum();
            begin = Some((cpu_ns("wire-network").expect("its thread"), sent));
        }
        let start = rustix::time::clock_gettime(rustix::time::ClockId::ThreadCPUTime);
        frame.slots.fill(k as u8);
        for sender in &mut senders {
            sender.publish(&frame);
        }
        let end = rustix::time::clock_gettime(rustix::time::ClockId::ThreadCPUTime);
        hand_over += (end.tv_sec - start.tv_sec) * 1_000_000_000 + (end.tv_nsec - start.tv_nsec);
    }
    let (cpu, before) = begin.expect("longer than the warm-up");
    let spent = cpu_ns("wire-network").expect("its thread") - cpu;
    let packets = senders.iter().map(|s| s.health().frames).sum::<u64>() - before;
    drop(senders);
    network.stop();
    Cost {
        thread: spent as f64 / 1e3 / packets as f64,
        hand_over: hand_over as f64 / 1e3 / ((warm + frames) * size as u64) as f64,
        packets,
    }
}

/// A loop that does nothing but wait and send.
fn bare_turn(to: SocketAddr, size: usize, seconds: u64, by_many: bool) -> Cost {
    let clock = SystemClock::start();
    let stop = Arc::new(AtomicBool::new(false));
    let thread = {
        let stop = Arc::clone(&stop);
        std::thread::Builder::new().name("floor".into()).spawn(move || {
            let _ = rustix::thread::set_current_timer_slack(std::num::NonZeroU64::new(1));
            let socket = UdpSocket::bind("127.0.0.1:0").expect("a socket");
            socket.set_nonblocking(true).expect("set");
            let to_any = SocketAddrAny::from(to);
            let mut packets = vec![[0_u8; 638]; size];
            let mut sent = 0_u64;
            let mut k = 0;
            while !stop.load(Ordering::Acquire) {
                k += 1;
                clock.sleep_until(deadline(Moment::START, k));
                for packet in &mut packets {
                    packet[111] = packet[111].wrapping_add(1);
                }
                if by_many {
                    for batch in packets.chunks(BATCH) {
                        sent += send_many(&socket, batch, &to_any);
                    }
                } else {
                    for packet in &packets {
                        sent += u64::from(socket.send_to(packet, to).is_ok());
                    }
                }
            }
            sent
        })
    }
    .expect("a thread");
    clock.sleep_until(clock.now() + Duration::from_millis(500));
    let (cpu, from) = (cpu_ns("floor").expect("its thread"), clock.now());
    clock.sleep_until(from + Duration::from_secs(seconds));
    let spent = cpu_ns("floor").expect("its thread") - cpu;
    let packets = (clock.now().after(from).as_secs_f64() * f64::from(RATE)).round() as u64 * size as u64;
    stop.store(true, Ordering::Release);
    thread.join().expect("it ends");
    Cost { thread: spent as f64 / 1e3 / packets as f64, hand_over: 0.0, packets }
}

fn send_many(socket: &UdpSocket, batch: &[[u8; 638]], to: &SocketAddrAny) -> u64 {
    let bytes: [IoSlice<'_>; BATCH] = array::from_fn(|i| IoSlice::new(&batch[i.min(batch.len() - 1)]));
    let mut control: [SendAncillaryBuffer<'_, '_, '_>; BATCH] =
        array::from_fn(|_| SendAncillaryBuffer::default());
    let mut each = control.iter_mut();
    let mut headers: [MMsgHdr<'_>; BATCH] = array::from_fn(|i| {
        let control = each.next().expect("as many");
        MMsgHdr::new_with_addr(to, std::slice::from_ref(&bytes[i]), control)
    });
    sendmmsg(socket, &mut headers[..batch.len()], SendFlags::DONTWAIT).map_or(0, |n| n as u64)
}

fn median(mut values: Vec<f64>) -> (f64, f64, f64) {
    values.sort_by(f64::total_cmp);
    (values[values.len() / 2], values[0], values[values.len() - 1])
}

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    // `cargo test --all-targets` runs this file too: it must build, and measures nothing there.
    if !arguments.iter().any(|a| a == "--bench") {
        return;
    }
    let after = |word: &str| arguments.iter().position(|a| a == word).and_then(|i| arguments.get(i + 1));
    let seconds = after("--seconds").and_then(|s| s.parse().ok()).unwrap_or(3);
    let receiver = UdpSocket::bind("127.0.0.1:0").expect("a socket");
    let to = receiver.local_addr().expect("its address");
    let before = steal();
    println!(
        "{RATE} frames a second, {PAIRS} alternating turns of {seconds} s; us of processor a packet (median)"
    );
    println!(
        "universes  lampkeep  hand-over     floor     plain   ratio (least..greatest)  to plain  % of a core"
    );
    let mut grows = Vec::new();
    for size in SIZES {
        let (mut ours, mut handed, mut floors, mut plains) = (vec![], vec![], vec![], vec![]);
        let (mut ratios, mut to_plain) = (vec![], vec![]);
        for _ in 0..PAIRS {
            let own = lampkeep_turn(to, size, seconds);
            let floor = bare_turn(to, size, seconds, true);
            let plain = bare_turn(to, size, seconds, false);
            let expected = u64::from(RATE) * seconds * size as u64;
            if own.packets.abs_diff(expected) > expected / 20 {
                println!("  only {} of {expected} packets were sent in this turn", own.packets);
            }
            ratios.push(own.thread / floor.thread);
            to_plain.push(own.thread / plain.thread);
            ours.push(own.thread);
            handed.push(own.hand_over);
            floors.push(floor.thread);
            plains.push(plain.thread);
        }
        let (own, floor, plain) = (median(ours).0, median(floors).0, median(plains).0);
        let (ratio, least, most) = median(ratios);
        let core = own * f64::from(RATE) * size as f64 / 1e4;
        println!(
            "{size:9}  {own:8.2}  {:9.2}  {floor:8.2}  {plain:8.2}   {ratio:5.2} ({least:.2}..{most:.2})       {:8.2}  {core:11.2}",
            median(handed).0,
            median(to_plain).0
        );
        grows.push((size, own));
    }
    if let (Some((few, at_few)), Some((many, at_many))) = (grows.get(1), grows.last()) {
        println!("growth: {many} universes cost {:.2} times as much each as {few}", at_many / at_few);
    }
    let after = steal();
    let share = (after.0 - before.0) as f64 / (after.1 - before.1).max(1) as f64 * 100.0;
    println!("steal time of the machine meanwhile: {share:.2} %");
}
