//! A receiver after the standard's rules, on a real socket.

use std::net::{SocketAddr, UdpSocket};
use std::time::Duration;

use lampkeep::clock::{Clock, SystemClock};
use lampkeep::units::Moment;

use super::decode::{Data, Packet, decode};

/// Longest wait for anything that must come; far more than any of it takes.
pub const PATIENCE: Duration = Duration::from_secs(20);

pub struct Receiver {
    pub socket: UdpSocket,
    pub clock: SystemClock,
}

impl Receiver {
    /// On a free port of loopback.
    pub fn new() -> Self {
        Self::at("127.0.0.1:0")
    }

    pub fn at(address: &str) -> Self {
        let socket = UdpSocket::bind(address).unwrap();
        socket.set_read_timeout(Some(Duration::from_millis(50))).unwrap();
        Self { socket, clock: SystemClock::start() }
    }

    pub fn address(&self) -> SocketAddr {
        self.socket.local_addr().unwrap()
    }

    /// The next packet, with its arrival; `None` after 50 ms.
    pub fn next(&self) -> Option<(Moment, Packet)> {
        let mut bytes = [0; 2000];
        let count = self.socket.recv(&mut bytes).ok()?;
        Some((self.clock.now(), decode(&bytes[..count])))
    }

    /// Packets until `enough` says so.
    pub fn until(&self, what: &str, mut enough: impl FnMut(&Packet) -> bool) -> Vec<(Moment, Packet)> {
        let begun = self.clock.now();
        let mut all = Vec::new();
        loop {
            assert!(
                self.clock.now().after(begun) < PATIENCE,
                "{what} did not come; {} packets did",
                all.len()
            );
            let Some((at, packet)) = self.next() else { continue };
            let end = enough(&packet);
            all.push((at, packet));
            if end {
                return all;
            }
        }
    }

    /// Data packets until there are `count` of them.
    pub fn data(&self, count: usize) -> Vec<Data> {
        let mut left = count;
        let all = self.until("so much data", |p| {
            left -= usize::from(matches!(p, Packet::Data(_)));
            left == 0
        });
        all.into_iter().filter_map(|(_, p)| data_of(p)).collect()
    }

    /// All that comes until nothing does for a while.
    pub fn rest(&self) -> Vec<Packet> {
        std::iter::from_fn(|| self.next()).map(|(_, p)| p).collect()
    }
}

pub fn data_of(packet: Packet) -> Option<Data> {
    match packet {
        Packet::Data(data) => Some(data),
        _ => None,
    }
}

/// What a receiver shows of one universe. Source: ANSI E1.31, clause 6.7.2: a packet is thrown away if its sequence
/// number less the last one, as a signed byte, is over -20 and at most 0.
#[derive(Default)]
pub struct Shown {
    last: Option<u8>,
    pub slots: Vec<u8>,
    pub refused: usize,
    pub ended: bool,
}

impl Shown {
    /// Takes a packet; true if it is shown.
    pub fn take(&mut self, data: &Data) -> bool {
        if let Some(last) = self.last {
            let step = data.sequence.wrapping_sub(last) as i8;
            if step <= 0 && step > -20 {
                self.refused += 1;
                return false;
            }
        }
        self.last = Some(data.sequence);
        self.ended |= data.terminated;
        if !data.terminated {
            self.slots.clone_from(&data.slots);
        }
        true
    }
}
