//! Publishes status to an MQTT 5 broker, and takes requests from it where the plan says so: without that
//! nothing is subscribed, and no message changes light.
//!
//! The light depends on none of this. Each connection is a new one with a client of its own, so that
//! nothing queued for an earlier one is ever sent; `outbox` holds the newest of each topic and hands
//! it on without waiting; a broker that falls silent is left; attempts come ever more seldom.

mod desk;
mod fault;
mod judge;
mod outbox;
mod pause;
mod quiet;
mod report;
mod secret;
mod tls;

use std::pin::{Pin, pin};
use std::sync::Arc;
use std::sync::mpsc::SyncSender;
use std::time::Duration;

use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{
    LastWill, Packet, PubAck, PubAckReason, Publish, PublishProperties, SubAck, SubscribeReasonCode,
};
use rumqttc::v5::{AsyncClient, ConnectionError, Event, EventLoop, MqttOptions};
use rumqttc::{NetworkOptions, Outgoing, TlsConfiguration, Transport};
use tokio::sync::{broadcast, mpsc, watch};
use tokio::time::Instant;

use super::bridge::{latest, stopped};
use super::{Alert, Doors, Inbound, Status};
use crate::clock::{Clock, SystemClock};
use crate::plan::{FreshBy, Mqtt};
pub use desk::{Desk, Reply};
pub use judge::Received;
pub use outbox::NowMessage;
use outbox::Outbox;
use pause::Pause;
use report::Report;

/// Messages handed to the client and not yet on the wire.
const QUEUE: usize = 64;
/// Messages on the wire that the broker has not acknowledged. The client's default reserves 14 MB.
const IN_FLIGHT: u16 = 100;
/// Requests that the broker may send before it has been told that they arrived.
const RECEIVE_AT_ONCE: u16 = 64;
/// How long an alert or an answer waits at the broker for a reader who is away. Judgement: later it is no news.
const EXPIRES: Duration = Duration::from_secs(60);
/// Largest packet taken from the broker, in bytes; larger ones would end every connection.
pub const MAX_PACKET: u32 = 256 * 1024;
/// Least keep-alive that the client bears.
const MIN_KEEP_ALIVE: Duration = Duration::from_secs(5);
/// Time for a connection, name resolution and the broker's answer included, in seconds.
const CONNECT_WITHIN_S: u64 = 5;
/// A connection that lasted this long was a good one: the pauses start small again.
const GOOD_FOR: Duration = Duration::from_secs(10);
/// Time for the last words when the daemon stops.
const FAREWELL: Duration = Duration::from_secs(2);

/// Publishes, and takes requests where the plan says so, until `stopping` turns true, then says `online` = `false` and disconnects.
///
/// Never fails: what is wrong stands in the [`MqttStatus`](super::MqttStatus) that the engine gets through `inbox`, and
/// once in the log. Resolving a name may hold a thread of the runtime's blocking pool for longer than
/// this function lives: end the runtime with `shutdown_timeout` or `shutdown_background`.
pub async fn run(
    settings: Mqtt,
    set: String,
    status: watch::Receiver<Arc<Status>>,
    alerts: broadcast::Receiver<Alert>,
    inbox: SyncSender<Inbound>,
    mut stopping: watch::Receiver<bool>,
) {
    let desk = settings.requests.map(|rules| Desk::new(&set, rules, Doors::new(inbox.clone())));
    let mut door = Door {
        broker: format!("{}:{}", settings.host, settings.port),
        outbox: Outbox::new(&set),
        report: Report::new(inbox, desk.as_ref().map(Desk::counts)),
        desk,
        clock: SystemClock::start(),
        settings,
        set,
        status,
        alerts,
        opened: Instant::now(),
        logged: Vec::new(),
        announced: false,
    };
    let mut pause = Pause::new();
    loop {
        let End::Lost { said, lasted } = door.connection(stopping.clone()).await else { break };
        door.lost(said);
        let until = Instant::now() + pause.after(lasted);
        while Instant::now() < until {
            door.report.send();
            let step = until.min(Instant::now() + Duration::from_secs(1));
            tokio::select! {
                () = stopped(&mut stopping) => return,
                () = tokio::time::sleep_until(step) => {}
            }
        }
    }
}

/// The keep-alive that is agreed with the broker, so that it notices a cut within 1.5 times `keep_alive`.
///
/// A broker may go by the 1.5 times that MQTT 5 allows it (3.1.2.10) and look at its clients' silence only now and
/// then: mosquitto 2 does so every 5 s, in whole seconds (9.8 s seen with 5 s). Below 10 s there is no room for that.
fn agreed(keep_alive: Duration) -> Duration {
    keep_alive.saturating_sub(Duration::from_secs(5)).max(MIN_KEEP_ALIVE)
}

/// How a connection ended.
enum End {
    /// As asked.
    Stopped,
    /// Not as asked; `lasted` is zero when there was none.
    Lost { said: String, lasted: Duration },
}

struct Door {
    settings: Mqtt,
    set: String,
    broker: String,
    status: watch::Receiver<Arc<Status>>,
    alerts: broadcast::Receiver<Alert>,
    outbox: Outbox,
    /// Takes requests; `None` where the plan does not turn them on.
    desk: Option<Desk>,
    clock: SystemClock,
    report: Report,
    opened: Instant,
    /// Faults told in the log since the last good connection.
    logged: Vec<String>,
    /// True if the log says that the connection stands.
    announced: bool,
}

/// A connection that the broker has accepted.
struct Held {
    since: Instant,
    /// When the broker last said anything.
    heard: Instant,
    /// Largest packet that it takes, in bytes.
    limit: Option<u32>,
    /// Messages that it has not acknowledged.
    unacknowledged: usize,
    /// True once a message over its limit has been told in the log.
    told_limit: bool,
    /// True once the broker has been asked for requests.
    subscribed: bool,
    /// When a ping was sent that has not been answered yet.
    pinged: Option<Instant>,
    /// When the newest ping was sent that has been answered: what comes after was not in the connection before.
    proven: Instant,
}

impl Door {
    /// One connection from its start to its end.
    async fn connection(&mut self, mut stopping: watch::Receiver<bool>) -> End {
        let options = match self.options() {
            Ok(options) => options,
            Err(said) => return End::Lost { said, lasted: Duration::ZERO },
        };
        let (client, events) = AsyncClient::new(options, QUEUE);
        let (event_in, mut event) = mpsc::channel(16);
        // Polled to its end and never dropped midway, so that no half-written packet is lost.
        let mut pump = pin!(pump(events, event_in, self.settings.keep_alive));
        let mut held: Option<Held> = None;
        let mut alerts_open = true;
        let lasted = |held: &Option<Held>| held.as_ref().map_or(Duration::ZERO, |h| h.since.elapsed());
        let mut sample = tokio::time::interval(outbox::APART);
        sample.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        loop {
            tokio::select! {
                error = &mut pump => {
                    let said = fault::worded(&error, &self.broker, &self.set, held.is_some());
                    return End::Lost { said, lasted: lasted(&held) };
                }
                Some(event) = event.recv() => match (event, &mut held) {
                    (Event::Incoming(Packet::ConnAck(ack)), held) => {
                        let limit = ack.properties.and_then(|p| p.max_packet_size);
                        *held = Some(self.accepted(limit));
                    }
                    (Event::Incoming(packet), Some(held)) => {
                        held.heard(&packet);
                        match packet {
                            Packet::Publish(publish) => self.asked(&publish, held.proven),
                            Packet::SubAck(ack) => self.subscribed(&ack),
                            Packet::PubAck(ack) => self.published(&ack),
                            _ => {}
                        }
                    }
                    (Event::Outgoing(Outgoing::PingReq), Some(held)) => held.pinged = Some(Instant::now()),
                    _ => {}
                },
                () = answered(&mut self.desk) => {}
                _ = sample.tick() => {
                    if let Some(held) = &held {
                        // Looked at a little early, so that status tells it within 1.5 times the keep-alive.
                        if held.heard.elapsed() > self.keep_alive() * 3 / 2 - 2 * outbox::APART {
                            return End::Lost { said: fault::silent(&self.broker), lasted: held.since.elapsed() };
                        }
                        self.outbox.offer(&latest(&mut self.status), self.opened.elapsed());
                        self.settled(held);
                    }
                    if let Some(desk) = &mut self.desk {
                        self.outbox.lost(desk.take_dropped());
                        self.report.requests(desk.counts());
                    }
                    self.report.dropped(self.outbox.dropped());
                }
                alert = self.alerts.recv(), if alerts_open && held.is_some() => match alert {
                    Ok(alert) => self.outbox.alert(&alert),
                    Err(broadcast::error::RecvError::Lagged(missed)) => self.outbox.lost(missed),
                    // The engine has ended; the stop comes next.
                    Err(broadcast::error::RecvError::Closed) => alerts_open = false,
                },
                () = stopped(&mut stopping) => {
                    if let Some(held) = held {
                        let farewell = self.farewell(&client, held, pump, &mut event);
                        let _ = tokio::time::timeout(FAREWELL, farewell).await;
                    }
                    return End::Stopped;
                }
            }
            if let Some(held) = &mut held {
                self.hand_on(&client, held);
            }
        }
    }

    /// Hands on what may go now, as far as there is room.
    fn hand_on(&mut self, client: &AsyncClient, held: &mut Held) {
        self.hand_on_answers(client, held);
        while let Some(message) = self.outbox.take(self.opened.elapsed()) {
            // Fixed header, topic length, packet id and properties take 12 bytes at most.
            let size = message.payload.len() + message.topic.len() + 12;
            if held.limit.is_some_and(|limit| size > limit as usize) {
                self.outbox.lost(1);
                if !held.told_limit {
                    held.told_limit = true;
                    tracing::warn!(
                        "{} is not published: {size} bytes are more than {} takes; raise its limit on packets",
                        message.topic,
                        self.broker
                    );
                }
                continue;
            }
            let expires = if message.retain { None } else { u32::try_from(EXPIRES.as_secs()).ok() };
            match client.try_publish_with_properties(
                &message.topic,
                QoS::AtLeastOnce,
                message.retain,
                message.payload.clone(),
                PublishProperties { message_expiry_interval: expires, ..PublishProperties::default() },
            ) {
                Ok(()) => held.unacknowledged += 1,
                Err(_) => return self.outbox.give_back(message),
            }
        }
    }

    /// Hands on the answers that are owed, as far as there is room.
    fn hand_on_answers(&mut self, client: &AsyncClient, held: &mut Held) {
        let Some(desk) = &mut self.desk else { return };
        if !held.subscribed {
            held.subscribed = client.try_subscribe_many(desk.filters()).is_ok();
        }
        while let Some(mut reply) = desk.next_reply() {
            if let Some(limit) = held.limit.filter(|limit| reply.size() > *limit as usize) {
                reply.cut(limit);
                if reply.size() > limit as usize {
                    self.outbox.lost(1);
                    continue;
                }
            }
            let properties = reply.properties(EXPIRES);
            let payload = reply.payload().to_vec();
            match client.try_publish_with_properties(
                reply.topic(),
                QoS::AtLeastOnce,
                false,
                payload,
                properties,
            ) {
                Ok(()) => held.unacknowledged += 1,
                Err(_) => return desk.give_back(reply),
            }
        }
    }

    /// A message has come on a topic that was subscribed to.
    fn asked(&mut self, publish: &Publish, proven: Instant) {
        let Some(desk) = &mut self.desk else { return };
        let at = Received { wall: self.clock.wall(), up: self.opened.elapsed(), proven: proven.elapsed() };
        desk.take(publish, at, &latest(&mut self.status));
    }

    /// The broker says whether it has taken a message.
    fn published(&mut self, ack: &PubAck) {
        if matches!(ack.reason, PubAckReason::Success | PubAckReason::NoMatchingSubscribers) {
            return;
        }
        self.outbox.lost(1);
        self.lacks(fault::not_taken(&self.broker, &self.set, &ack.reason));
    }

    /// The broker says whether it will send requests.
    fn subscribed(&mut self, ack: &SubAck) {
        let Some(no) = ack.return_codes.iter().find(|c| !matches!(c, SubscribeReasonCode::Success(_))) else {
            return;
        };
        self.lacks(fault::no_requests(&self.broker, &self.set, no));
    }

    /// The connection stands, but something does not work: told in status as long as it stands, and once in the log.
    fn lacks(&mut self, said: String) {
        if !self.logged.contains(&said) {
            tracing::warn!("not all works over MQTT: {said}");
            self.logged.push(said.clone());
        }
        self.report.but(said);
    }

    /// Says that the daemon goes, waits until the broker has it all, and disconnects.
    async fn farewell(
        &self,
        client: &AsyncClient,
        mut held: Held,
        mut pump: Pin<&mut impl Future<Output = ConnectionError>>,
        events: &mut mpsc::Receiver<Event>,
    ) {
        let topic = self.outbox.online_topic();
        let mut said = false;
        let mut ended = false;
        loop {
            if !said {
                said = client.try_publish(&topic, QoS::AtLeastOnce, true, "false").is_ok();
                held.unacknowledged += usize::from(said);
            }
            // Closing with unread acknowledgements would reset the connection, and the broker could
            // lose the last words.
            if said && !ended && held.unacknowledged == 0 {
                ended = client.try_disconnect().is_ok();
            }
            tokio::select! {
                _ = &mut pump => return,
                Some(Event::Incoming(packet)) = events.recv() => held.heard(&packet),
                () = tokio::time::sleep(Duration::from_millis(20)), if !said || !ended => {}
            }
        }
    }

    fn options(&self) -> Result<MqttOptions, String> {
        let host = &self.settings.host;
        // An address of IP version 6 is told from its port by brackets.
        let host =
            if host.contains(':') && !host.starts_with('[') { format!("[{host}]") } else { host.clone() };
        let mut options = MqttOptions::new(fault::client_id(&self.set), host, self.settings.port);
        let mut network = NetworkOptions::new();
        network.set_tcp_nodelay(true);
        options
            .set_network_options(network)
            .set_keep_alive(agreed(self.keep_alive()))
            // Nothing waits at the broker for a daemon that is away: neither part of an old session is wanted.
            .set_clean_start(true)
            .set_session_expiry_interval(Some(0))
            .set_receive_maximum(Some(RECEIVE_AT_ONCE))
            .set_connection_timeout(CONNECT_WITHIN_S)
            .set_outgoing_inflight_upper_limit(IN_FLIGHT)
            .set_max_packet_size(Some(MAX_PACKET))
            .set_last_will(LastWill::new(self.outbox.online_topic(), "false", QoS::AtLeastOnce, true, None));
        if let Some(settings) = &self.settings.tls {
            let config = tls::config(settings)?;
            options.set_transport(Transport::tls_with_config(TlsConfiguration::Rustls(config)));
        }
        let password = self.settings.password.as_ref().map(secret::password).transpose()?;
        if self.settings.user.is_some() || password.is_some() {
            options.set_credentials(
                self.settings.user.clone().unwrap_or_default(),
                password.unwrap_or_default(),
            );
        }
        Ok(options)
    }

    fn keep_alive(&self) -> Duration {
        // Each ping proves that nothing waits in the connection; where that is needed, they come often.
        if self.settings.requests.is_some_and(|r| r.by == FreshBy::Expiry) {
            return MIN_KEEP_ALIVE;
        }
        self.settings.keep_alive.clamp(MIN_KEEP_ALIVE, Duration::from_secs(u64::from(u16::MAX)))
    }

    /// The broker has let us in: everything is said afresh.
    fn accepted(&mut self, limit: Option<u32>) -> Held {
        // What happened without a connection is over: an old alert would be taken for a new one.
        self.outbox.lost(self.alerts.len() as u64);
        self.alerts = self.alerts.resubscribe();
        self.outbox.fresh();
        if let Some(desk) = &mut self.desk {
            desk.fresh();
        }
        self.outbox.offer(&latest(&mut self.status), self.opened.elapsed());
        self.report.up();
        if self.logged.is_empty() && !self.announced {
            self.announce();
        }
        let now = Instant::now();
        Held {
            since: now,
            heard: now,
            limit,
            unacknowledged: 0,
            told_limit: false,
            subscribed: false,
            pinged: None,
            proven: now,
        }
    }

    /// Tells the log of a connection that has lasted. One that comes and goes is not told each time.
    fn settled(&mut self, held: &Held) {
        if held.since.elapsed() >= GOOD_FOR && !self.announced {
            self.announce();
        }
    }

    fn announce(&mut self) {
        let asks = if self.desk.is_some() { ", requests are taken" } else { "" };
        tracing::info!(broker = self.broker, "status is published as lampkeep/{}{asks}", self.set);
        self.logged.clear();
        self.announced = true;
    }

    fn lost(&mut self, said: String) {
        self.announced = false;
        if !self.logged.contains(&said) {
            tracing::warn!("no status over MQTT: {said}; trying on, the light does not depend on it");
            self.logged.push(said.clone());
        }
        self.report.down(said);
    }
}

impl Held {
    fn heard(&mut self, packet: &Packet) {
        self.heard = Instant::now();
        if matches!(packet, Packet::PubAck(_)) {
            self.unacknowledged = self.unacknowledged.saturating_sub(1);
        }
        if matches!(packet, Packet::PingResp(_))
            && let Some(sent) = self.pinged.take()
        {
            self.proven = sent;
        }
    }
}

/// Waits for an answer of the engine's, for ever where none is owed.
async fn answered(desk: &mut Option<Desk>) {
    match desk {
        Some(desk) => desk.answered().await,
        None => std::future::pending().await,
    }
}

/// Drives the client until its connection ends.
async fn pump(mut client: EventLoop, events: mpsc::Sender<Event>, keep_alive: Duration) -> ConnectionError {
    loop {
        match client.poll().await {
            Ok(event) => {
                // A broker may ask for a keep-alive of its own; zero would have the client ping without end.
                if client.options.keep_alive() < MIN_KEEP_ALIVE {
                    client.options.set_keep_alive(keep_alive.max(MIN_KEEP_ALIVE));
                }
                if events.send(event).await.is_err() {
                    return ConnectionError::RequestsDone;
                }
            }
            Err(error) => return error,
        }
    }
}
