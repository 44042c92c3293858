//! The universes that share their deadlines, and what happens at one of these.

use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use rustix::io::Errno;

use super::fault::NetError;
use super::stream::{News, Stream, Target};
use super::way::{BATCH, Packet, Way};
use crate::clock::{Clock, SystemClock};
use crate::units::Moment;
use crate::wire::encode::e131::{Cid, Sync};
use crate::wire::pace::Pace;

/// The synchronization of one output.
pub(super) struct Synced {
    output: String,
    pub universe: u16,
    packet: Sync,
    sequence: u8,
    targets: Vec<Target>,
    /// At this deadline: one of its universes was sent.
    due: bool,
}

pub(super) struct Lane {
    pub rate: u32,
    pub phase: Duration,
    pace: Pace,
    /// The next deadline.
    pub due: Moment,
    /// The last of each wait is spun away.
    pub spins: bool,
    pub streams: Vec<Stream>,
    pub synced: Vec<Synced>,
    /// Stream and target of every packet, those of one way together.
    order: Vec<(usize, usize)>,
    /// Where in that order the next deadline begins: after a full socket, with what was left out.
    from: usize,
    /// What is to be told of streams, by their index.
    news: Vec<(usize, News)>,
}

impl Lane {
    pub fn new(rate: u32, phase: Duration, now: Moment) -> Self {
        let mut pace = Pace::new(rate, phase, now);
        let (due, _) = pace.next_and_missed(now);
        Self {
            rate,
            phase,
            pace,
            due,
            spins: false,
            streams: Vec::new(),
            synced: Vec::new(),
            order: Vec::new(),
            from: 0,
            news: Vec::new(),
        }
    }

    /// Takes on a stream. `sync_targets`: where its output's synchronization goes.
    pub fn add(&mut self, mut stream: Stream, cid: &Cid, sync_targets: impl FnOnce(u16) -> Vec<Target>) {
        if let Some(universe) = stream.settings.sync_universe {
            let same = |s: &Synced| s.output == stream.settings.output && s.universe == universe;
            stream.sync = Some(self.synced.iter().position(same).unwrap_or_else(|| {
                self.synced.push(Synced {
                    output: stream.settings.output.clone(),
                    universe,
                    packet: Sync::new(cid, universe),
                    sequence: 0,
                    targets: sync_targets(universe),
                    due: false,
                });
                self.synced.len() - 1
            }));
        }
        self.streams.push(stream);
        self.put_in_order();
    }

    /// Takes out the stream of a universe.
    pub fn take(&mut self, universe: u16) -> Option<Stream> {
        let index = self.streams.iter().position(|s| s.universe == universe)?;
        let stream = self.streams.remove(index);
        self.put_in_order();
        Some(stream)
    }

    /// Lets go of streams whose last packet is out.
    pub fn let_go(&mut self) {
        let before = self.streams.len();
        self.streams.retain(|s| !s.has_ended());
        if self.streams.len() < before {
            self.put_in_order();
        }
    }

    fn put_in_order(&mut self) {
        self.order.clear();
        for (s, stream) in self.streams.iter().enumerate() {
            self.order.extend((0..stream.targets.len()).map(|t| (s, t)));
        }
        let streams = &self.streams;
        self.order.sort_by_key(|(s, t)| streams[*s].targets[*t].way);
        self.from = 0;
    }

    /// The next deadline; those that were left out count as missed.
    pub fn go_on(&mut self, now: Moment) {
        let (due, missed) = self.pace.next_and_missed(now);
        self.due = due;
        if missed > 0 {
            for stream in &self.streams {
                stream.shared.meter.missed(missed);
            }
        }
    }

    /// A deadline: every packet that is due, then synchronization. Allocates nothing while all goes well.
    pub fn tick(&mut self, clock: SystemClock, ways: &mut [Way], stop: &AtomicBool) {
        // Read before the newest frames are: what was published before the stop goes out.
        let all = stop.load(Ordering::Acquire);
        for stream in &mut self.streams {
            let stopping = all || stream.shared.stop.load(Ordering::Acquire);
            stream.prepare(stopping);
        }
        for way in ways.iter_mut() {
            way.full = false;
        }
        self.send_data(clock, ways);
        self.send_sync(ways);
        let now = clock.now();
        let due = self.due;
        for (index, stream) in self.streams.iter_mut().enumerate() {
            if let Some(news) = stream.settle(due, now, |way| ways[way].fault.clone()) {
                self.news.push((index, news));
            }
        }
    }

    /// Writes down what there was to tell, one line for all universes of an output that tell the same.
    pub fn tell(&mut self) {
        while let Some((index, news)) = self.news.first().cloned() {
            let settings = &self.streams[index].settings;
            let like = |(other, its): &(usize, News)| {
                its.is_like(&news) && self.streams[*other].settings.output == settings.output
            };
            let universes = self.news.iter().filter(|item| like(item)).count();
            let output = settings.output.as_str();
            match &news {
                News::Works => tracing::info!(output, universes, "output works"),
                News::WorksAgain(gap) => {
                    tracing::info!(output, universes, gap_s = gap.as_secs_f64(), "output works again");
                }
                News::Fails(kind, said) => tracing::warn!(output, universes, kind, "{said}"),
                News::Partly(said) => tracing::warn!(output, universes, "{said}"),
                News::Whole => tracing::info!(output, universes, "every receiver is sent to again"),
            }
            let left: Vec<_> = self.news.iter().filter(|item| !like(item)).cloned().collect();
            self.news = left;
        }
    }

    fn send_data(&mut self, clock: SystemClock, ways: &mut [Way]) {
        let now = clock.now();
        let count = self.order.len();
        let (mut at, begin) = (0, self.from);
        let mut next_from = 0;
        while at < count {
            let mut batch = [(0, 0); BATCH];
            let (mut size, mut by) = (0, None);
            while at < count && size < BATCH {
                let (s, t) = self.order[(begin + at) % count];
                let target = &self.streams[s].targets[t];
                if self.streams[s].sending && ways[target.way].usable() && now >= target.retry.at {
                    if by.is_some_and(|way| way != target.way) {
                        break;
                    }
                    by = Some(target.way);
                    batch[size] = (s, t);
                    size += 1;
                }
                at += 1;
            }
            let Some(way) = by else { break };
            if let Some(left) = self.send_batch(clock, ways, way, &batch[..size]) {
                next_from = self.order.iter().position(|of| *of == left).unwrap_or(0);
            }
        }
        self.from = next_from;
    }

    /// Sends a batch by one way; gives the first packet for which the kernel had no room.
    fn send_batch(
        &mut self,
        clock: SystemClock,
        ways: &mut [Way],
        way: usize,
        batch: &[(usize, usize)],
    ) -> Option<(usize, usize)> {
        let mut sent = 0;
        while sent < batch.len() {
            let rest = &batch[sent..];
            match hand_over(&self.streams, &ways[way], rest) {
                Ok(count) if count > 0 => {
                    let now = clock.now();
                    for (s, t) in &rest[..count.min(rest.len())] {
                        let stream = &mut self.streams[*s];
                        stream.taken.get_or_insert(now);
                        let target = &mut stream.targets[*t];
                        if target.fault.take().is_some() {
                            stream.changed = true;
                            target.retry = super::way::Retry::at_once();
                        }
                    }
                    ways[way].well();
                    sent += count;
                }
                Err(Errno::INTR) => {}
                Ok(_) | Err(Errno::AGAIN | Errno::NOBUFS) => {
                    ways[way].full = true;
                    return Some(rest[0]);
                }
                Err(errno) => {
                    let now = clock.now();
                    let (s, t) = rest[0];
                    let stream = &mut self.streams[s];
                    let target = &mut stream.targets[t];
                    let fault = NetError::sending(target.address, ways[way].interface.as_ref(), errno);
                    stream.changed = true;
                    if matches!(fault, NetError::NoSuchInterface { .. } | NetError::InterfaceDown { .. }) {
                        // None of its packets can go out, nor anyone else's by this way.
                        ways[way].close(now, fault);
                        for stream in &mut self.streams {
                            stream.changed |= stream.targets.iter().any(|t| t.way == way);
                        }
                        return None;
                    }
                    if target.fault.as_ref() != Some(&fault) {
                        target.fault = Some(fault);
                    }
                    target.retry.failed(now);
                    sent += 1;
                }
            }
        }
        None
    }

    /// Lets receivers show what they were sent. Lost ones are not made up for: the next deadline brings another.
    fn send_sync(&mut self, ways: &[Way]) {
        for synced in &mut self.synced {
            synced.due = false;
        }
        for stream in &self.streams {
            if let Some(index) = stream.sync.filter(|_| stream.taken.is_some()) {
                self.synced[index].due = true;
            }
        }
        for synced in self.synced.iter_mut().filter(|s| s.due) {
            synced.sequence = synced.sequence.wrapping_add(1);
            synced.packet.set_sequence(synced.sequence);
            for target in &synced.targets {
                let _ = ways[target.way].send(&[(synced.packet.bytes(), &target.to)]);
            }
        }
    }
}

fn hand_over(streams: &[Stream], way: &Way, batch: &[(usize, usize)]) -> Result<usize, Errno> {
    let of =
        |(s, t): (usize, usize)| -> Packet<'_> { (streams[s].packet.bytes(), &streams[s].targets[t].to) };
    let mut packets = [of(batch[0]); BATCH];
    for (place, item) in packets.iter_mut().zip(batch) {
        *place = of(*item);
    }
    way.send(&packets[..batch.len().min(BATCH)])
}
