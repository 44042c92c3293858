//! The network thread against receivers on loopback.

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use lampkeep::channels::Frame;
use lampkeep::clock::{Clock, SystemClock};
use lampkeep::control::LinkState;
use lampkeep::plan::e131::{E131, Idle, Interface, Multicast};
use lampkeep::plan::{Output, OutputKind, Wake};
use lampkeep::wire::Health;
use lampkeep::wire::e131::{NetSender, Network, Source};

use super::decode::{Data, Packet};
use super::receiver::{PATIENCE, Receiver, Shown, data_of};

const CID: [u8; 16] = [0x5A; 16];
const PHASE: Duration = Duration::from_millis(2);

pub fn network() -> Network {
    Network::start(Source { cid: CID, name: "lampkeep pier".to_owned() }, SystemClock::start()).unwrap()
}

/// A network output of these universes to one receiver.
pub fn settings(to: SocketAddr, universes: &[u16]) -> E131 {
    E131 {
        output: "pier".to_owned(),
        universes: universes.to_vec(),
        unicast: vec![to],
        multicast: Multicast::Off,
        interface: None,
        priority: 100,
        source_name: None,
        sync_universe: None,
        preview: false,
        idle: Idle::Constant,
    }
}

pub fn outputs(settings: E131, rate: u32) -> Vec<Output> {
    let settings = Arc::new(settings);
    let of = |universe: &u16| Output {
        name: format!("pier:{universe}"),
        kind: OutputKind::E131(Arc::clone(&settings)),
        universe: *universe,
        rate,
        wake: Wake::Sleep,
    };
    settings.universes.iter().map(of).collect()
}

pub fn start(network: &Network, settings: E131, rate: u32) -> Vec<NetSender> {
    outputs(settings, rate).iter().map(|o| network.add(o, PHASE).unwrap()).collect()
}

/// A frame whose first two slots are its number.
pub fn frame(number: u16, universe: u16) -> Frame {
    let mut frame = Frame::dark(number.into(), universe, 512);
    frame.slots.fill(number as u8);
    frame.slots[..2].copy_from_slice(&number.to_be_bytes());
    frame
}

pub fn number_of(slots: &[u8]) -> u16 {
    u16::from_be_bytes([slots[0], slots[1]])
}

fn wait_for(sender: &NetSender, what: &str, is_so: impl Fn(&Health) -> bool) -> Health {
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

#[test]
fn a_universe_is_sent_at_a_constant_rate_changed_or_not() {
    let receiver = Receiver::new();
    let network = network();
    let mut senders = start(&network, settings(receiver.address(), &[7]), 40);
    assert_eq!(receiver.next(), None, "nothing before the first frame");
    let health = senders[0].health();
    assert_eq!((health.state, health.first_sent, health.frames), (LinkState::Starting, false, 0));
    senders[0].publish(&frame(3, 7));
    let all = receiver.data(40);
    for data in &all {
        let expected = Data {
            cid: CID,
            name: "lampkeep pier".to_owned(),
            priority: 100,
            sync: 0,
            sequence: data.sequence,
            preview: false,
            terminated: false,
            force_sync: false,
            universe: 7,
            slots: frame(3, 7).slots.to_vec(),
        };
        assert_eq!(*data, expected);
    }
    for pair in all.windows(2) {
        assert_eq!(pair[1].sequence, pair[0].sequence.wrapping_add(1));
    }
    let health = wait_for(&senders[0], "40 frames", |h| h.frames >= 40);
    assert_eq!((health.state, health.said, health.reopened, health.rate), (LinkState::Up, None, 0, 40));
    assert!(health.late_us_p50.unwrap() <= health.late_us_p999.unwrap());
}

#[test]
fn settings_of_the_plan_stand_in_every_packet() {
    let receiver = Receiver::new();
    let network = network();
    let settings = E131 {
        priority: 150,
        source_name: Some("Lotsenstube Ü".to_owned()),
        sync_universe: Some(900),
        preview: true,
        ..settings(receiver.address(), &[1])
    };
    let mut senders = start(&network, settings, 40);
    senders[0].publish(&frame(1, 1));
    for data in receiver.data(5) {
        assert_eq!((data.priority, data.sync, data.preview, data.force_sync), (150, 900, true, true));
        assert_eq!(data.name, "Lotsenstube Ü");
    }
    let said = wait_for(&senders[0], "a note", |h| h.state == LinkState::Up).said.unwrap();
    assert_eq!(said, "marked `preview`: visualisers show it, lamps do not");
}

/// Source: ANSI E1.31, clause 6.2.6: three packets with Stream_Terminated.
#[test]
fn a_stream_ends_with_its_newest_frame_and_three_packets_marked_as_the_last() {
    let receiver = Receiver::new();
    for idle in [Idle::Constant, Idle::KeepAlive] {
        let network = network();
        let mut senders = start(&network, E131 { idle, ..settings(receiver.address(), &[1, 2]) }, 40);
        for sender in &mut senders {
            sender.publish(&frame(1, 1));
        }
        receiver.data(20);
        for sender in &mut senders {
            sender.publish(&frame(2, 1));
            sender.publish(&frame(3, 1));
        }
        drop(senders);
        network.stop();
        let rest: Vec<Data> = receiver.rest().into_iter().filter_map(data_of).collect();
        for universe in [1, 2] {
            let of_it: Vec<_> = rest.iter().filter(|d| d.universe == universe).collect();
            let (data, last) = of_it.split_at(of_it.len() - 3);
            assert!(last.iter().all(|d| d.terminated), "{idle:?}");
            assert!(data.iter().all(|d| !d.terminated), "{idle:?}");
            assert_eq!(number_of(&data.last().unwrap().slots), 3, "{idle:?}");
            for pair in of_it.windows(2) {
                assert_eq!(pair[1].sequence, pair[0].sequence.wrapping_add(1));
            }
        }
    }
}

#[test]
fn one_stream_ends_while_the_others_go_on() {
    let receiver = Receiver::new();
    let network = network();
    let mut senders = start(&network, settings(receiver.address(), &[1, 2]), 40);
    for (sender, universe) in senders.iter_mut().zip([1, 2]) {
        sender.publish(&frame(1, universe));
    }
    receiver.data(10);
    drop(senders.remove(0));
    let mut ended = 0;
    receiver.until("the end of universe 1", |p| {
        ended += usize::from(matches!(p, Packet::Data(d) if d.terminated && d.universe == 1));
        ended == 3
    });
    let after = receiver.data(20);
    assert!(after.iter().all(|d| d.universe == 2 && !d.terminated));
}

/// Source: ANSI E1.31, clause 6.6.2. The exact spacing is checked by counting deadlines (`wire/e131/idle.rs`); here,
/// on a busy machine, that few packets come, that none is missing for 2.5 s, and that silence is not told.
#[test]
fn keep_alive_sends_a_change_at_once_three_repeats_and_then_rarely() {
    let receiver = Receiver::new();
    let network = network();
    let mut senders =
        start(&network, E131 { idle: Idle::KeepAlive, ..settings(receiver.address(), &[1]) }, 40);
    senders[0].publish(&frame(1, 1));
    let all = receiver.until("a rare packet", {
        let mut count = 0;
        move |p| {
            count += usize::from(matches!(p, Packet::Data(_)));
            count == 6
        }
    });
    let times: Vec<_> = all.iter().filter(|(_, p)| matches!(p, Packet::Data(_))).map(|(at, _)| *at).collect();
    assert!(times[3].after(times[0]) < Duration::from_millis(700), "a change and three repeats");
    for pair in times[3..].windows(2) {
        let gap = pair[1].after(pair[0]);
        assert!((Duration::from_millis(500)..Duration::from_millis(2500)).contains(&gap), "{gap:?}");
    }
    senders[0].publish(&frame(2, 1));
    let seen = receiver.data(2);
    assert!(seen.iter().any(|d| number_of(&d.slots) == 2), "a change does not wait");
    assert_eq!(senders[0].health().state, LinkState::Up);
}

/// Source: ANSI E1.31, clause 11: data first, then one synchronization packet for all of it, with numbers of its own.
#[test]
fn a_synchronization_packet_follows_the_universes_of_a_look() {
    let receiver = Receiver::new();
    let network = network();
    let universes = [1, 2, 3, 4, 5];
    let settings = E131 { sync_universe: Some(900), ..settings(receiver.address(), &universes) };
    let mut senders = start(&network, settings, 40);
    for (sender, universe) in senders.iter_mut().zip(universes) {
        sender.publish(&frame(1, universe));
    }
    let mut syncs = 0;
    let all = receiver.until("20 synchronization packets", |p| {
        syncs += usize::from(matches!(p, Packet::Sync { .. }));
        syncs == 20
    });
    let (mut since, mut last): (Vec<u16>, Option<u8>) = (Vec::new(), None);
    let mut whole = 0;
    for (_, packet) in all {
        match packet {
            Packet::Data(data) => since.push(data.universe),
            Packet::Sync { cid, sequence, universe } => {
                assert_eq!((cid, universe), (CID, 900));
                assert!(last.is_none_or(|last| sequence == last.wrapping_add(1)));
                last = Some(sequence);
                // The first ones may come while universes are still being taken on.
                whole += usize::from(since == universes);
                since.clear();
            }
            Packet::Discovery { .. } => {}
        }
    }
    assert!(whole >= 18, "{whole} of 20");
}

#[test]
fn many_universes_each_get_their_own_frames_in_every_period() {
    let receiver = Receiver::new();
    // All packets of a period fit: it is lampkeep that is looked at here.
    socket2::SockRef::from(&receiver.socket).set_recv_buffer_size(8 << 20).unwrap();
    let network = network();
    let universes: Vec<u16> = (1..=256).collect();
    let mut senders = start(&network, settings(receiver.address(), &universes), 20);
    for (sender, universe) in senders.iter_mut().zip(&universes) {
        sender.publish(&frame(*universe, *universe));
    }
    let all = receiver.data(256 * 6);
    let mut counts = vec![0; 257];
    for data in all {
        assert_eq!(number_of(&data.slots), data.universe, "another universe's slots");
        counts[usize::from(data.universe)] += 1;
    }
    assert!(counts[1..].iter().all(|n| (3..=8).contains(n)), "{counts:?}");
    for sender in &senders {
        let health = sender.health();
        assert_eq!((health.state, health.said), (LinkState::Up, None));
    }
}

#[test]
fn a_universe_that_is_taken_over_goes_on_without_a_gap_or_an_end() {
    let receiver = Receiver::new();
    let network = network();
    let mut old = start(&network, settings(receiver.address(), &[1]), 40);
    old[0].publish(&frame(5, 1));
    receiver.data(10);
    // A reload with another priority: the new settings first, then the old sender goes.
    let new = start(&network, E131 { priority: 120, ..settings(receiver.address(), &[1]) }, 40);
    drop(old);
    let mut before: Option<Data> = None;
    let mut after = 0;
    for (_, packet) in receiver.until("the new priority", |p| {
        after += usize::from(matches!(p, Packet::Data(d) if d.priority == 120));
        after == 10
    }) {
        let Some(data) = data_of(packet) else { continue };
        assert!(!data.terminated);
        assert_eq!(number_of(&data.slots), 5, "the light stands");
        assert!(before.is_none_or(|b| data.sequence == b.sequence.wrapping_add(1)));
        before = Some(data);
    }
    drop(new);
}

#[test]
fn a_receiver_that_cannot_be_reached_is_named_while_another_is_sent_to() {
    let receiver = Receiver::new();
    let network = network();
    // The kernel refuses broadcast on a socket that did not ask for it: EACCES, whatever the routes are.
    let refused: SocketAddr = "127.255.255.255:5568".parse().unwrap();
    let settings = E131 { unicast: vec![refused, receiver.address()], ..settings(refused, &[1]) };
    let mut senders = start(&network, settings, 40);
    senders[0].publish(&frame(1, 1));
    assert_eq!(receiver.data(40).len(), 40);
    let health = wait_for(&senders[0], "the note", |h| h.said.is_some());
    assert_eq!(health.state, LinkState::Up, "lamps that get their light must not count as dark");
    let said = health.said.unwrap();
    assert!(
        said.starts_with("nothing goes to 127.255.255.255: this machine refuses packets to 127.255.255.255"),
        "{said}"
    );
}

#[test]
fn an_interface_that_is_not_there_is_said_while_the_other_outputs_go_on() {
    let receiver = Receiver::new();
    let network = network();
    let mut good = start(&network, settings(receiver.address(), &[1]), 40);
    let absent = E131 {
        output: "mole".to_owned(),
        interface: Some(Interface::Name("mole-9".to_owned())),
        multicast: Multicast::Both,
        unicast: Vec::new(),
        ..settings(receiver.address(), &[2])
    };
    let mut bad = start(&network, absent, 40);
    good[0].publish(&frame(1, 1));
    bad[0].publish(&frame(1, 2));
    let health = wait_for(&bad[0], "the fault", |h| h.state == LinkState::Down);
    let said = health.said.unwrap();
    assert!(said.starts_with("there is no interface `mole-9`; plug it in, or name another"), "{said}");
    assert!(health.first_sent, "nobody waits for it");
    assert_eq!(health.frames, 0);
    assert_eq!(receiver.data(40).len(), 40);
    assert_eq!(good[0].health().state, LinkState::Up);
}

/// Source: ANSI E1.31, clause 6.7.2. What is shown never goes back, and ends at the standing look, though one packet
/// in ten is lost and the others are delayed by up to five periods and overtake each other.
#[test]
fn a_receiver_behind_a_lossy_reordering_relay_never_shows_old_light_after_new() {
    let receiver = Receiver::new();
    let to = receiver.address();
    let relay = Receiver::new();
    let from = relay.address();
    let clock = SystemClock::start();
    let stop = Arc::new(std::sync::atomic::AtomicBool::new(false));
    let thread = std::thread::spawn({
        let stop = Arc::clone(&stop);
        move || relayed(&relay, to, clock, &stop)
    });
    let network = network();
    let mut senders = start(&network, settings(from, &[1]), 44);
    let mut shown = Shown::default();
    let (mut newest, mut numbers) = (0, 0);
    let mut take = |packet: Packet| {
        let Some(data) = data_of(packet) else { return 0 };
        if shown.take(&data) && !data.terminated {
            let number = number_of(&shown.slots);
            assert!(number >= newest, "{number} after {newest}");
            numbers += usize::from(number > newest);
            newest = number;
        }
        newest
    };
    for number in 1..=150 {
        senders[0].publish(&frame(number, 1));
        let next = clock.now() + Duration::from_millis(23);
        while clock.now() < next {
            if let Some((_, packet)) = receiver.next() {
                take(packet);
            }
        }
    }
    // The look stands: it is sent again and again, so that no loss keeps it away.
    let end = clock.now() + PATIENCE;
    while receiver.next().is_none_or(|(_, packet)| take(packet) < 150) {
        assert!(clock.now() < end, "the standing look did not come");
    }
    stop.store(true, std::sync::atomic::Ordering::Release);
    let (lost, overtaken) = thread.join().unwrap();
    assert!(lost > 3 && overtaken > 10 && shown.refused > 3, "{lost} {overtaken} {}", shown.refused);
    assert!(numbers > 30, "{numbers} of 150 looks were seen at all");
}

/// Hands on nine of ten packets, each after 0 to 110 ms; gives how many were lost, and overtook another.
fn relayed(
    relay: &Receiver,
    to: SocketAddr,
    clock: SystemClock,
    stop: &std::sync::atomic::AtomicBool,
) -> (usize, usize) {
    let mut waiting: Vec<(lampkeep::units::Moment, u64, Vec<u8>)> = Vec::new();
    let (mut random, mut count, mut lost, mut overtaken, mut last) = (0x9E37_79B9_u64, 0, 0, 0, 0);
    relay.socket.set_read_timeout(Some(Duration::from_millis(1))).unwrap();
    while !stop.load(std::sync::atomic::Ordering::Acquire) {
        let mut bytes = [0; 2000];
        if let Ok(size) = relay.socket.recv(&mut bytes) {
            // xorshift64 (Marsaglia 2003): the same in every run.
            random ^= random << 13;
            random ^= random >> 7;
            random ^= random << 17;
            count += 1;
            if random.is_multiple_of(10) {
                lost += 1;
            } else {
                let delay = Duration::from_millis(random / 16 % 110);
                waiting.push((clock.now() + delay, count, bytes[..size].to_vec()));
            }
        }
        let now = clock.now();
        waiting.sort_by_key(|(at, ..)| *at);
        while waiting.first().is_some_and(|(at, ..)| *at <= now) {
            let (_, number, bytes) = waiting.remove(0);
            overtaken += usize::from(number < last);
            last = number;
            relay.socket.send_to(&bytes, to).unwrap();
        }
    }
    (lost, overtaken)
}

/// Source: ANSI E1.31, clause 8 and appendix A: every 10 s, sorted, to universe 64214; here to loopback's group.
#[test]
fn discovery_lists_the_universes_and_their_synchronization() {
    let receiver = Receiver::new();
    let group = socket2::Socket::new(socket2::Domain::IPV4, socket2::Type::DGRAM, None).unwrap();
    group.set_reuse_address(true).unwrap();
    let at: SocketAddr = "239.255.250.214:5568".parse().unwrap();
    group.bind(&at.into()).unwrap();
    let lo = std::net::Ipv4Addr::LOCALHOST;
    group.join_multicast_v4(&std::net::Ipv4Addr::new(239, 255, 250, 214), &lo).unwrap();
    let group = Receiver { socket: group.into(), clock: SystemClock::start() };
    group.socket.set_read_timeout(Some(Duration::from_millis(50))).unwrap();
    let network = network();
    let settings = E131 {
        interface: Some(Interface::Address(lo.into())),
        sync_universe: Some(9),
        ..settings(receiver.address(), &[700, 3])
    };
    let mut senders = start(&network, settings, 40);
    for (sender, universe) in senders.iter_mut().zip([700, 3]) {
        sender.publish(&frame(1, universe));
    }
    let own = |p: &Packet| {
        matches!(p, Packet::Discovery { cid, page: 0, last: 0, name, universes }
            if *cid == CID && name == "lampkeep pier" && *universes == [3, 9, 700])
    };
    group.until("discovery", own);
}
