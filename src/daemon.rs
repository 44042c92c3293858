//! The daemon: reads the plan, starts the threads and the doors, tells the service manager when it is
//! ready, and stops everything in order.

use std::hash::{BuildHasher, Hasher, RandomState};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};
use std::time::Duration;

use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::{broadcast, oneshot, watch};

use crate::alive::{self, Alive};
use crate::cli::exit::Exit;
use crate::clock::{Clock, SystemClock};
use crate::control::{self, Alert, Ask, Doors, Envelope, INBOX, Inbound, Request, mqtt, places, socket};
use crate::engine::run::{self, Edges};
use crate::engine::{Engine, Options, ProtectFound, Start};
use crate::plan::{OutputKind, Plan, load};
use crate::protect_file::ProtectFile;
use crate::state_file::{self, When};
use crate::wire::e131::{Source, cid, cid_in};
use crate::wire::{self, SimWatch};
use crate::{files, hurry, journal, logging, plain_file, service};

/// Time that the engine is given before its first frame, for the outputs to open their ports.
const HEAD_START: Duration = Duration::from_millis(20);
/// Alerts kept for a listener that is behind.
const ALERTS_KEPT: usize = 64;
/// Frames that a simulator keeps beside its record file.
const RECORD_KEPT: usize = 64;
/// Between two tries to tell a flooded engine to stop.
const STOP_RETRY: Duration = Duration::from_millis(2);
/// Longest that the end waits for the log's last records.
const LOG_ENDS_WITHIN: Duration = Duration::from_secs(5);
/// File jobs that may wait.
const JOBS_KEPT: usize = 8;

/// Runs until told to stop.
#[must_use]
pub fn run(path: &Path, set: Option<&str>, simulate: bool, record: Option<PathBuf>) -> Exit {
    logging::start();
    let mut plan = match load::load(path) {
        Ok(plan) => plan,
        Err(report) => {
            eprint!("{}", crate::cli::run::drawn(&report));
            return Exit::PlanErrors;
        }
    };
    if let Some(set) = set {
        if !crate::plan::is_set_name(set) {
            eprintln!(
                "lampkeep: `{}` cannot be a set's name: use letters, digits and `-`, not `all`",
                crate::words::short(set)
            );
            return Exit::Usage;
        }
        plan.name = set.to_owned();
    }
    match serve(plan, simulate, record) {
        Ok(()) => Exit::Done,
        Err(said) => {
            eprintln!("lampkeep: {said}");
            Exit::NotMet
        }
    }
}

fn serve(plan: Plan, simulate: bool, record: Option<PathBuf>) -> Result<(), String> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|e| format!("the doors cannot be opened: {e}"))?;
    // The doors share this one thread, so that their tasks need not be movable between threads.
    let local = tokio::task::LocalSet::new();
    let served = local.block_on(&runtime, async move {
        let clock = SystemClock::start();
        let plan = Arc::new(plan);
        // The socket first: it is what tells that this set runs already.
        let path = socket::place(&plan.name).map_err(|e| e.to_string())?;
        let listener = socket::bind(&path, &plan.name).map_err(|e| e.to_string())?;
        let mut terminate = signal(SignalKind::terminate()).map_err(|e| format!("signals: {e}"))?;
        let mut interrupt = signal(SignalKind::interrupt()).map_err(|e| format!("signals: {e}"))?;
        let mut hangup = signal(SignalKind::hangup()).map_err(|e| format!("signals: {e}"))?;

        // Before any other thread is: what is locked now and later includes all of them.
        wire::realtime::ask();
        let boot_id = clock.boot_id().unwrap_or_default();
        let simulated = simulate || plan.outputs.iter().all(|o| o.kind == OutputKind::Simulator);
        let state = places::state_folder(&plan.name, simulated);
        let now = When::now(clock, &boot_id);
        let mut kept = state.as_deref().map_or_else(Start::default, |folder| kept(folder, &now));
        let alive = state.as_deref().map(|folder| Alive::beside(&path, folder));
        kept.alive_s = alive.as_ref().and_then(|alive| alive.last_s(&now));
        let mut protect = places::state_top().map(|top| ProtectFile::new(&top, simulated));
        let found = protect.as_mut().map_or(ProtectFound::Off, ProtectFile::read);
        let options = Options {
            simulate,
            boot_id: boot_id.clone(),
            heat: None,
            batteries: Vec::new(),
            protect: found,
        };
        let engine = Engine::starting(Arc::clone(&plan), options, kept);
        let pulse = service::Pulse::default();
        let (told, telling) = service::start(pulse.clone(), clock).map_err(|e| format!("a thread cannot be started: {e}"))?;
        for note in &plan.notes {
            tracing::warn!("{}", engine.shown(note));
        }
        let (inbox_in, inbox) = sync_channel::<Inbound>(INBOX);
        let (jobs_in, jobs) = sync_channel(JOBS_KEPT);
        let (status_in, status) = watch::channel(Arc::new(engine.status()));
        let (alerts_in, _) = broadcast::channel::<Alert>(ALERTS_KEPT);
        let watch = match record {
            Some(file) => Some(SimWatch::recording(RECORD_KEPT, &file).map_err(|e| format!("--record {}: {e}", file.display()))?),
            None => None,
        };
        let files_to_engine = inbox_in.clone();
        let files = std::thread::Builder::new()
            .name("files".into())
            .spawn(move || files::work(&jobs, &files_to_engine, protect))
            .map_err(|e| format!("a thread cannot be started: {e}"))?;

        let journal = match &state {
            Some(folder) => Some(log(folder, &inbox_in)?),
            None => None,
        };
        let (journal, log_ended) = journal.unzip();

        let (stop_doors, stopping) = watch::channel(false);
        let doors = Doors::new(inbox_in.clone());
        let socket_door =
            tokio::task::spawn_local(socket::serve(listener, doors, status.clone(), stopping.clone()));
        let mqtt_door = plan.mqtt.clone().map(|settings| {
            tokio::task::spawn_local(mqtt::run(
                settings,
                plan.name.clone(),
                status.clone(),
                alerts_in.subscribe(),
                inbox_in.clone(),
                stopping.clone(),
            ))
        });
        let signs = alive.clone().map(|alive| tokio::task::spawn_local(give_signs(alive, clock, boot_id.clone())));
        let (ended_in, mut ended) = oneshot::channel();
        let source = source(&plan, simulate, state.as_deref());
        let edges = Edges {
            clock,
            start: clock.now() + HEAD_START,
            inbox,
            status: status_in,
            alerts: alerts_in,
            files: jobs_in,
            state,
            journal,
            boot_id,
            simulate,
            watch,
            source,
            pulse,
        };
        let name = plan.name.clone();
        let ready_told = told.clone();
        let thread = std::thread::Builder::new()
            .name("engine".into())
            .spawn(move || {
                // Refused, frames may be worked out late; the log and status say so of the senders already.
                let _ = wire::realtime::take_engine_priority();
                let ready = move || ready_told.ready(&name);
                // The receiver lives until this has been read.
                let _ = ended_in.send(run::run(engine, edges, ready));
            })
            .map_err(|e| format!("the engine cannot be started: {e}"))?;
        // After the other threads have been started, and for as long as requests are taken.
        let hurry = tokio::task::spawn_local(hurry::doors());
        tracing::info!(socket = %path.display(), simulate, "{} runs; lit lamps are never left unattended", plan.name);

        let result = loop {
            tokio::select! {
                done = &mut ended => break done.unwrap_or_else(|_| Err(std::io::Error::other("it ended early"))),
                _ = terminate.recv() => stop(&inbox_in, &told, "SIGTERM"),
                _ = interrupt.recv() => stop(&inbox_in, &told, "SIGINT"),
                _ = hangup.recv() => reload(&inbox_in),
            }
        };
        if let (Some(alive), Some(signs)) = (alive, signs) {
            signs.abort();
            alive.end();
        }
        // The light has come to rest: now the doors may close.
        hurry.abort();
        stop_doors.send_replace(true);
        let _ = tokio::time::timeout(Duration::from_secs(2), socket_door).await;
        if let Some(door) = mqtt_door {
            let _ = tokio::time::timeout(Duration::from_secs(3), door).await;
        }
        drop(inbox_in);
        let _ = thread.join();
        let _ = files.join();
        // A disk that takes nothing must not hold up the end.
        let unwritten = log_ended.map_or(Ok(0), |ended| ended.recv_timeout(LOG_ENDS_WITHIN));
        drop(told);
        telling.end();
        tracing::info!("stopped");
        result.map_err(|e| format!("the engine: {e}"))?;
        match unwritten {
            Ok(0) => Ok(()),
            Ok(n) => Err(format!("{n} records of this start are not in the log; look at its disk")),
            Err(_) => Err("the log's disk took nothing more; its last records are not in it".to_owned()),
        }
    });
    // A name that is being resolved for the broker may hold a thread for a while yet.
    runtime.shutdown_background();
    served
}

/// Starts the log's thread. Gives the way to it, and what tells how many records it could not write once it ends.
fn log(folder: &Path, engine: &SyncSender<Inbound>) -> Result<(journal::Queue, Receiver<u64>), String> {
    let machine = std::fs::read_to_string("/etc/machine-id").unwrap_or_default();
    // From the system's random numbers.
    let random = RandomState::new().build_hasher().finish();
    let place = journal::Place { folder: folder.to_owned(), machine: machine.trim().to_owned(), random };
    let (queue, jobs) = journal::Queue::new();
    let (left_in, left) = sync_channel(1);
    let engine = engine.clone();
    std::thread::Builder::new()
        .name("log".into())
        .spawn(move || {
            let unwritten = journal::work(&jobs, &engine, journal::File::new(place));
            // Where nobody waits any more nobody wants to know.
            let _ = left_in.send(unwritten);
        })
        .map_err(|e| format!("a thread cannot be started: {e}"))?;
    Ok((queue, left))
}

/// Who sends to the network: an identifier that stays with the set. Made at the start even where the plan has no
/// network output: a reload may bring one, and no frame waits for a disk then.
fn source(plan: &Plan, simulate: bool, state: Option<&Path>) -> Source {
    let name = format!("lampkeep {}", plan.name);
    let cid = match state.filter(|_| !simulate) {
        Some(folder) => cid_in(folder).unwrap_or_else(|(cid, why)| {
            tracing::warn!("receivers will take this for a new source after a restart: {why}");
            cid
        }),
        None => cid(),
    };
    Source { cid, name }
}

/// Says several times a second that this daemon is there.
async fn give_signs(alive: Alive, clock: SystemClock, boot_id: String) {
    loop {
        alive.give(&When::now(clock, &boot_id));
        tokio::time::sleep(alive::EVERY).await;
    }
}

/// What the last run of this set kept; what cannot be read counts as unknown.
fn kept(folder: &Path, now: &When) -> Start {
    let path = folder.join(state_file::NAME);
    let read = match plain_file::read(&path, state_file::LONGEST) {
        Ok(bytes) => state_file::read(&bytes, now).map_err(|e| e.to_string()),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Start::default(),
        Err(e) => Err(e.to_string()),
    };
    read.unwrap_or_else(|why| Start { fault: Some(format!("{}: {why}", path.display())), ..Start::default() })
}

fn stop(inbox: &SyncSender<Inbound>, told: &service::Told, signal: &str) {
    tracing::info!("{signal}: stopping as the plan says");
    told.stopping();
    let inbox = inbox.clone();
    tokio::task::spawn_local(async move {
        // However many requests stand in the way, nobody needs to send the signal again.
        while let Err(TrySendError::Full(_)) = inbox.try_send(Inbound::Stop) {
            tokio::time::sleep(STOP_RETRY).await;
        }
    });
}

/// SIGHUP: as `lampkeep reload`, with the answer in the log.
fn reload(inbox: &SyncSender<Inbound>) {
    let (reply, answer) = oneshot::channel();
    let envelope = Envelope { id: None, request: Request::Reload {} };
    if inbox.try_send(Inbound::Ask(Ask { envelope, reply })).is_err() {
        tracing::warn!("the engine is flooded; send SIGHUP again");
        return;
    }
    tokio::task::spawn_local(async move {
        match answer.await {
            Ok(control::Answer { error: Some(e), .. }) => tracing::warn!("reload: {}", e.said),
            Ok(answer) => tracing::info!("reload: {}", answer.said.unwrap_or_default()),
            Err(_) => tracing::warn!("reload: no answer"),
        }
    });
}
