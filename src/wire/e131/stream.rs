//! One universe on the network: its packet, its receivers, and how it does.

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::time::Duration;

use rustix::net::SocketAddrAny;

use super::fault::NetError;
use super::idle::Pacing;
use super::way::Retry;
use crate::plan::Wake;
use crate::plan::e131::E131;
use crate::units::Moment;
use crate::wire::encode::e131::{Data, FORCE_SYNC, Header, PORT, PREVIEW, TERMINATIONS, group_v4, group_v6};
use crate::wire::health::Meter;
use crate::wire::latest::Reader;

/// Silence after which a network that takes no more is said: as for a serial port.
const STALLED_AFTER: Duration = Duration::from_millis(100);

/// What a person should know of an output that is marked so.
const FOR_VISUALISERS: &str = "marked `preview`: visualisers show it, lamps do not";

/// What the engine's end and the thread share.
pub(super) struct Shared {
    pub stop: AtomicBool,
    pub meter: Meter,
}

/// Somewhere that a universe's packets go.
pub(super) struct Target {
    /// Index of its way.
    pub way: usize,
    pub address: SocketAddr,
    pub to: SocketAddrAny,
    pub retry: Retry,
    pub fault: Option<NetError>,
}

impl Target {
    pub fn new(way: usize, address: SocketAddr) -> Self {
        Self { way, address, to: address.into(), retry: Retry::at_once(), fault: None }
    }
}

/// Everywhere that a universe of an output goes.
pub(super) fn addresses(settings: &E131, universe: u16) -> Vec<SocketAddr> {
    let mut all = Vec::new();
    if settings.multicast.v4() {
        all.push(SocketAddr::new(IpAddr::V4(group_v4(universe)), PORT));
    }
    if settings.multicast.v6() {
        all.push(SocketAddr::new(IpAddr::V6(group_v6(universe)), PORT));
    }
    all.extend(&settings.unicast);
    all
}

/// A fault of the whole universe that has begun and not ended.
struct Fault {
    said: String,
    /// True if it was that the kernel took no more.
    stalled: bool,
    /// Start of the last packet before it.
    before: Option<Moment>,
}

/// What is to be told of a universe, once.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum News {
    /// Its first packet is out.
    Works,
    /// Packets go out again, after this long.
    WorksAgain(Duration),
    /// Nothing goes out: kind and words.
    Fails(&'static str, String),
    /// It works, and this must be known: some receivers get nothing, or it is marked for visualisers.
    Partly(String),
    /// Every receiver is sent to again.
    Whole,
}

impl News {
    /// True if one line can tell both.
    pub fn is_like(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::Fails(one, _), Self::Fails(two, _)) => one == two,
            _ => std::mem::discriminant(self) == std::mem::discriminant(other),
        }
    }
}

pub(super) struct Stream {
    pub universe: u16,
    pub settings: Arc<E131>,
    pub shared: Arc<Shared>,
    pub frames: Reader,
    pub packet: Data,
    pub sequence: u8,
    pub pacing: Pacing,
    pub targets: Vec<Target>,
    /// True once there was a frame.
    pub any: bool,
    /// Marked packets that are still to be sent; none: it does not end.
    pub ending: Option<u8>,
    /// Index of its synchronization in the lane.
    pub sync: Option<usize>,
    /// At this deadline: a packet goes out.
    pub sending: bool,
    /// At this deadline: when a receiver's packet was taken.
    pub taken: Option<Moment>,
    /// A target's or a way's fault began or ended.
    pub changed: bool,
    last_start: Option<Moment>,
    fault: Option<Fault>,
    /// What is said while it works: receivers that get nothing.
    note: Option<String>,
}

/// What a stream is made of.
pub(super) struct Parts {
    pub universe: u16,
    pub settings: Arc<E131>,
    pub shared: Arc<Shared>,
    pub frames: Reader,
    pub rate: u32,
    pub wake: Wake,
}

impl Stream {
    pub fn new(parts: Parts, cid: [u8; 16], set_name: &str, targets: Vec<Target>) -> Self {
        let Parts { universe, settings, shared, frames, rate, .. } = parts;
        let preview = if settings.preview { PREVIEW } else { 0 };
        // A synchronization packet that is lost must not freeze the light for good.
        let force = if settings.sync_universe.is_some() { FORCE_SYNC } else { 0 };
        let packet = Data::new(&Header {
            cid,
            source_name: settings.source_name.as_deref().unwrap_or(set_name),
            priority: settings.priority,
            sync: settings.sync_universe.unwrap_or(0),
            options: preview | force,
            universe,
        });
        Self {
            universe,
            pacing: Pacing::new(settings.idle, rate),
            settings,
            shared,
            frames,
            packet,
            sequence: 0,
            targets,
            any: false,
            ending: None,
            sync: None,
            sending: false,
            taken: None,
            changed: false,
            last_start: None,
            fault: None,
            note: None,
        }
    }

    /// Goes on where another sender of the same universe was: light and sequence numbers know no gap.
    pub fn takes_over(&mut self, old: &Self) {
        self.sequence = old.sequence;
        self.any = old.any;
        if let Ok(slots) = old.packet.slots().try_into() {
            self.packet.set_slots(slots);
        }
    }

    /// Makes the packet of a deadline ready. `stopping`: the engine has let it go.
    pub fn prepare(&mut self, stopping: bool) {
        let newer = self.frames.newer();
        let changed =
            newer.as_ref().is_some_and(|frame| !self.any || frame.slots[..] != *self.packet.slots());
        if let Some(frame) = newer.filter(|_| changed) {
            self.packet.set_slots(&frame.slots);
            self.any = true;
        }
        self.taken = None;
        self.sending = self.any && (self.pacing.sends(changed) || stopping);
        if stopping {
            match &mut self.ending {
                // The newest frame goes first, as at any other deadline.
                None => self.ending = Some(if self.any { TERMINATIONS } else { 0 }),
                Some(left) => {
                    self.packet.terminate();
                    *left = left.saturating_sub(1);
                }
            }
        }
        if self.sending {
            self.sequence = self.sequence.wrapping_add(1);
            self.packet.set_sequence(self.sequence);
        }
    }

    /// True when its last packet has been sent.
    pub fn has_ended(&self) -> bool {
        self.ending == Some(0)
    }

    /// What came of a deadline, for the figures and for people. `fault_of_way`: why a way takes nothing.
    pub fn settle(
        &mut self,
        due: Moment,
        now: Moment,
        fault_of_way: impl Fn(usize) -> Option<NetError>,
    ) -> Option<News> {
        let meter = &self.shared.meter;
        if !self.sending {
            // Nothing had to be sent: the light that stands is known to be on the wire.
            if self.any && self.fault.is_none() {
                meter.last(now);
            }
            return None;
        }
        if let Some(taken) = self.taken {
            meter.sent(Some(taken.after(due)));
            meter.last(taken);
            let news = self.well(taken, &fault_of_way);
            self.last_start = Some(taken);
            return news;
        }
        self.pacing.begin_again();
        let changed = std::mem::take(&mut self.changed);
        if !changed && self.fault.as_ref().is_some_and(|fault| !fault.stalled) {
            // Nothing new of it: it has been said.
            return None;
        }
        let fault = self.faults(&fault_of_way).next().map(|(_, fault)| fault);
        match fault {
            Some(fault) => self.failed(&fault),
            None => {
                // The kernel had no room: this frame is late, and late frames are dropped.
                meter.missed(1);
                if meter.silent(now) < STALLED_AFTER {
                    return None;
                }
                let waited_ms = STALLED_AFTER.as_millis().try_into().unwrap_or(u64::MAX);
                self.failed(&NetError::WriteDeadline { waited_ms })
            }
        }
    }

    fn faults<'a>(
        &'a self,
        of_way: &'a impl Fn(usize) -> Option<NetError>,
    ) -> impl Iterator<Item = (&'a Target, NetError)> {
        self.targets.iter().filter_map(|t| Some((t, t.fault.clone().or_else(|| of_way(t.way))?)))
    }

    fn well(&mut self, taken: Moment, of_way: &impl Fn(usize) -> Option<NetError>) -> Option<News> {
        let first = self.last_start.is_none();
        if !first && self.fault.is_none() && !self.changed {
            return None;
        }
        self.changed = false;
        let partly = self.partly(of_way);
        if partly.is_some() {
            self.pacing.begin_again();
        }
        let note = partly.or_else(|| self.settings.preview.then(|| FOR_VISUALISERS.to_owned()));
        let fault = self.fault.take();
        let gap = fault.as_ref().and_then(|fault| fault.before).map(|before| taken.after(before));
        let known = std::mem::replace(&mut self.note, note.clone());
        if known == note && fault.is_none() && !first {
            return None;
        }
        self.shared.meter.up(note.clone(), gap);
        match (note, gap) {
            (Some(said), _) if known.as_ref() != Some(&said) => Some(News::Partly(said)),
            (_, Some(gap)) => Some(News::WorksAgain(gap)),
            _ if first => Some(News::Works),
            (None, None) => Some(News::Whole),
            (Some(_), None) => None,
        }
    }

    /// Which receivers get nothing while others do, and why.
    fn partly(&self, of_way: &impl Fn(usize) -> Option<NetError>) -> Option<String> {
        let mut lacking: Vec<String> = Vec::new();
        let mut why = None;
        for (target, fault) in self.faults(of_way) {
            lacking.push(target.address.ip().to_string());
            why.get_or_insert(fault);
        }
        Some(format!("nothing goes to {}: {}", lacking.join(", "), why?))
    }

    /// Something went wrong: told once a fault, in the health always.
    fn failed(&mut self, error: &NetError) -> Option<News> {
        let said = error.to_string();
        let before = self.last_start;
        let begins = self.fault.is_none();
        let fault = self.fault.get_or_insert(Fault { said: String::new(), stalled: false, before });
        fault.stalled = matches!(error, NetError::WriteDeadline { .. });
        if fault.said != said {
            fault.said.clone_from(&said);
            self.shared.meter.down(said.clone());
        }
        begins.then_some(News::Fails(error.word(), said))
    }
}
