//! The thread of all network outputs.

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::sync::mpsc::{Receiver, TryRecvError};
use std::time::Duration;

use super::Source;
use super::lane::Lane;
use super::stream::{Parts, Stream, Target, addresses};
use super::way::{Kept, Way};
use crate::clock::{Clock, SystemClock};
use crate::plan::Wake;
use crate::plan::e131::{E131, Interface};
use crate::units::Moment;
use crate::wire::encode::e131::{DISCOVERY_UNIVERSE, PORT, discovery, group_v4, group_v6};
use crate::wire::realtime::steady_thread;
use crate::wire::worker::SPUN;

/// From one discovery to the next. Source: ANSI E1.31, appendix A (`E131_UNIVERSE_DISCOVERY_INTERVAL`).
const DISCOVERY_EVERY: Duration = Duration::from_secs(10);

/// Another universe to send.
pub(super) struct Command {
    pub parts: Parts,
    pub phase: Duration,
}

pub(super) struct Worker {
    source: Source,
    clock: SystemClock,
    inbox: Receiver<Command>,
    stop: Arc<AtomicBool>,
    lanes: Vec<Lane>,
    ways: Vec<Way>,
    discovery_due: Moment,
}

impl Worker {
    pub fn new(source: Source, clock: SystemClock, inbox: Receiver<Command>, stop: Arc<AtomicBool>) -> Self {
        Self { source, clock, inbox, stop, lanes: Vec::new(), ways: Vec::new(), discovery_due: Moment::START }
    }

    pub fn run(mut self) {
        steady_thread(false);
        loop {
            loop {
                match self.inbox.try_recv() {
                    Ok(command) => self.take_on(command),
                    Err(TryRecvError::Empty) => break,
                    Err(TryRecvError::Disconnected) if self.lanes.is_empty() => return,
                    Err(TryRecvError::Disconnected) => break,
                }
            }
            let next = self.lanes.iter().enumerate().min_by_key(|(_, lane)| lane.due);
            let Some((index, due, spins)) = next.map(|(index, lane)| (index, lane.due, lane.spins)) else {
                // Nothing to send: wait for the next universe.
                match self.inbox.recv() {
                    Ok(command) => self.take_on(command),
                    Err(_) => return,
                }
                continue;
            };
            let spun = if spins { SPUN } else { Duration::ZERO };
            self.clock.sleep_until(Moment::since_start(due.elapsed().saturating_sub(spun)));
            while self.clock.now() < due {
                std::hint::spin_loop();
            }
            self.lanes[index].tick(self.clock, &mut self.ways, &self.stop);
            self.keep_house(index);
        }
    }

    /// What need not be done between a deadline and its packets.
    fn keep_house(&mut self, index: usize) {
        let now = self.clock.now();
        for (way_index, way) in self.ways.iter_mut().enumerate() {
            let kept = way.keep_open(now);
            if kept == Kept::default() {
                continue;
            }
            let streams = self.lanes.iter_mut().flat_map(|lane| &mut lane.streams);
            for stream in streams.filter(|s| s.targets.iter().any(|t| t.way == way_index)) {
                stream.changed = true;
                if kept.reopened {
                    stream.shared.meter.reopened();
                }
            }
        }
        // Before streams are let go: what is told knows them by their index.
        self.lanes[index].tell();
        self.lanes[index].let_go();
        if now >= self.discovery_due && self.lanes.iter().any(|l| l.streams.iter().any(|s| s.any)) {
            self.discovery_due = now + DISCOVERY_EVERY;
            self.discover();
        }
        self.lanes[index].go_on(now);
        self.lanes.retain(|lane| !lane.streams.is_empty());
    }

    fn take_on(&mut self, command: Command) {
        let Command { parts, phase } = command;
        let now = self.clock.now();
        // Asked for again with each universe: what it gets then stands in that one's status.
        let granted = steady_thread(parts.wake == Wake::Spin);
        let spins = granted.spins;
        parts.shared.meter.granted(granted);
        let (settings, rate, universe) = (Arc::clone(&parts.settings), parts.rate, parts.universe);
        let targets = self.targets(&settings, addresses(&settings, universe));
        let sync = settings.sync_universe.map(|sync| self.targets(&settings, addresses(&settings, sync)));
        let mut stream = Stream::new(parts, self.source.cid, &self.source.name, targets);
        if let Some(old) = self.lanes.iter_mut().find_map(|lane| lane.take(universe)) {
            stream.takes_over(&old);
        }
        for way in &mut self.ways {
            way.keep_open(now);
        }
        let same = |lane: &&mut Lane| lane.rate == rate && lane.phase == phase;
        if self.lanes.iter_mut().find(same).is_none() {
            self.lanes.push(Lane::new(rate, phase, now));
        }
        if let Some(lane) = self.lanes.iter_mut().find(same) {
            lane.spins |= spins;
            lane.add(stream, &self.source.cid, |_| sync.unwrap_or_default());
        }
        self.lanes.retain(|lane| !lane.streams.is_empty());
    }

    fn targets(&mut self, settings: &E131, addresses: Vec<SocketAddr>) -> Vec<Target> {
        addresses
            .into_iter()
            .map(|address| Target::new(self.way(address.is_ipv6(), settings.interface.as_ref()), address))
            .collect()
    }

    /// Index of the way for a family and an interface.
    fn way(&mut self, v6: bool, interface: Option<&Interface>) -> usize {
        self.ways.iter().position(|way| way.is(v6, interface)).unwrap_or_else(|| {
            self.ways.push(Way::new(v6, interface.cloned()));
            self.ways.len() - 1
        })
    }

    /// Tells every way's network which universes are sent. Lost ones are not made up for: others follow.
    fn discover(&self) {
        let streams =
            || self.lanes.iter().flat_map(|lane| &lane.streams).filter(|s| s.any && s.ending.is_none());
        let synced = streams().filter_map(|s| s.settings.sync_universe);
        let universes: Vec<u16> = streams().map(|s| s.universe).chain(synced).collect();
        let name = streams().find_map(|s| s.settings.source_name.as_deref()).unwrap_or(&self.source.name);
        let pages = discovery(&self.source.cid, name, &universes);
        for way in self.ways.iter().filter(|way| way.usable()) {
            let group: IpAddr = if way.is_v6() {
                group_v6(DISCOVERY_UNIVERSE).into()
            } else {
                group_v4(DISCOVERY_UNIVERSE).into()
            };
            let to = SocketAddr::new(group, PORT).into();
            for page in &pages {
                if let Err(errno) = way.send(&[(page, &to)]) {
                    tracing::debug!("discovery was not sent: {errno}");
                }
            }
        }
    }
}
