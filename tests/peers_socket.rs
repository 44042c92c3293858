//! The socket against real clients on real files: what they may do, and what they can't do to others.
#![expect(clippy::unwrap_used, reason = "a test that cannot set its scene has failed")]

#[path = "common/status.rs"]
mod common;
#[path = "common/contract.rs"]
mod contract;

use std::io::{BufRead, BufReader, Read, Write};
use std::os::unix::fs::{FileTypeExt, PermissionsExt};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, sync_channel};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::Duration;

use lampkeep::control::client::{self, ClientError};
use lampkeep::control::places::Places;
use lampkeep::control::socket::{self, MAX_CLIENTS, MAX_FOLLOWERS, SocketError};
use lampkeep::control::{Answer, Doors, FailureKind, INBOX, Inbound, MAX_REQUEST_BYTES, Request, Status};
use serde_json::{Value, json};
use tokio::sync::watch;

const WITHIN: Duration = Duration::from_secs(20);

/// A daemon with a real socket and an engine that accepts everything.
struct Daemon {
    path: PathBuf,
    stop: watch::Sender<bool>,
    status: watch::Sender<Arc<Status>>,
    seen: Arc<Mutex<Vec<Request>>>,
    doors: Option<JoinHandle<()>>,
}

impl Daemon {
    fn start(path: &Path) -> Self {
        Self::with_engine(path, |inbox, seen| {
            for inbound in inbox {
                if let Inbound::Ask(ask) = inbound {
                    seen.lock().unwrap().push(ask.envelope.request);
                    let said = Some("done".to_owned());
                    let _ = ask.reply.send(Answer {
                        id: None,
                        ok: true,
                        said,
                        now: None,
                        data: None,
                        error: None,
                    });
                }
            }
        })
    }

    fn with_engine(
        path: &Path,
        engine: impl FnOnce(Receiver<Inbound>, &Mutex<Vec<Request>>) + Send + 'static,
    ) -> Self {
        let listener = socket::bind(path, "pilot-station").unwrap();
        let (inbox_in, inbox) = sync_channel(INBOX);
        let (stop, stopping) = watch::channel(false);
        let (status, status_out) = watch::channel(Arc::new(common::status("quay-dusk")));
        let seen = Arc::new(Mutex::new(Vec::new()));
        let for_engine = Arc::clone(&seen);
        std::thread::spawn(move || engine(inbox, &for_engine));
        let doors = std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
            runtime.block_on(socket::serve(listener, Doors::new(inbox_in), status_out, stopping)).unwrap();
        });
        Self { path: path.to_owned(), stop, status, seen, doors: Some(doors) }
    }

    fn stop(&mut self) {
        self.stop.send_replace(true);
        if let Some(doors) = self.doors.take() {
            doors.join().unwrap();
        }
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        self.stop.send_replace(true);
    }
}

struct Client {
    writer: UnixStream,
    reader: BufReader<UnixStream>,
}

impl Client {
    fn of(path: &Path) -> Self {
        let writer = UnixStream::connect(path).unwrap();
        writer.set_read_timeout(Some(WITHIN)).unwrap();
        Self { reader: BufReader::new(writer.try_clone().unwrap()), writer }
    }

    fn say(&mut self, text: &str) {
        self.writer.write_all(text.as_bytes()).unwrap();
    }

    fn hear(&mut self) -> Value {
        let mut line = String::new();
        assert!(self.reader.read_line(&mut line).unwrap() > 0, "hung up");
        let answer: Value = serde_json::from_str(&line).unwrap();
        if let Some(status) = answer.get("data") {
            contract::conforms("Status", status);
        }
        if answer["ok"] == false {
            contract::conforms("Answer", &answer);
        }
        answer
    }

    fn hung_up(&mut self) -> bool {
        let mut rest = [0];
        // A line cut off unread resets the stream, which is as much an end as a close.
        self.reader
            .read(&mut rest)
            .map_or_else(|e| e.kind() == std::io::ErrorKind::ConnectionReset, |n| n == 0)
    }
}

fn folder() -> tempfile::TempDir {
    tempfile::tempdir().unwrap()
}

#[test]
fn requests_on_one_connection_are_answered_in_order_with_their_ids() {
    let dir = folder();
    let daemon = Daemon::start(&dir.path().join("a.sock"));
    let mut client = Client::of(&daemon.path);
    client.say("{\"id\":\"1\",\"do\":\"rest\"}\n\n{\"id\":\"2\",\"do\":\"status\"}\n{\"id\":\"3\",\"do\":\"dark\"}\n");
    assert_eq!(client.hear(), json!({"id": "1", "ok": true, "said": "done"}));
    let status = client.hear();
    assert_eq!((&status["id"], &status["data"]["now"]["look"]), (&json!("2"), &json!("quay-dusk")));
    assert_eq!(client.hear()["id"], "3");
    // The status never reached the engine.
    assert_eq!(*daemon.seen.lock().unwrap(), [Request::Rest {}, Request::Dark { now: false }]);
}

#[test]
fn the_command_line_s_client_gets_the_same_answers() {
    let dir = folder();
    let daemon = Daemon::start(&dir.path().join("a.sock"));
    assert_eq!(client::ask(&daemon.path, &Request::Again {}, WITHIN).unwrap().said.as_deref(), Some("done"));
    let answer = client::ask(&daemon.path, &Request::Status { follow: false }, WITHIN).unwrap();
    let status: Status = serde_json::from_value(answer.data.unwrap()).unwrap();
    assert_eq!(status, common::status("quay-dusk"));
}

#[test]
fn bad_json_is_refused_and_the_connection_goes_on() {
    let dir = folder();
    let daemon = Daemon::start(&dir.path().join("a.sock"));
    let mut client = Client::of(&daemon.path);
    for (text, kind) in [
        ("rest", "bad-request"),
        ("[]", "bad-request"),
        ("{\"do\":\"recal\"}", "unknown-request"),
        ("{\"do\":\"dark\",\"now\":1}", "bad-field"),
        ("{\"do\":\"status\",\"folow\":true}", "bad-field"),
        (&"[".repeat(5000), "bad-request"),
    ] {
        client.say(text);
        client.say("\n");
        assert_eq!(client.hear()["error"]["kind"], kind, "{text}");
    }
    client.writer.write_all(b"{\"do\":\"\xff\xfe\"}\n").unwrap();
    assert_eq!(client.hear()["error"]["kind"], "bad-request");
    client.say("{\"do\":\"rest\"}\r\n");
    assert_eq!(client.hear()["ok"], true);
    assert_eq!(daemon.seen.lock().unwrap().len(), 1);
}

#[test]
fn a_last_line_without_its_end_is_answered_when_the_client_has_finished() {
    let dir = folder();
    let daemon = Daemon::start(&dir.path().join("a.sock"));
    let mut client = Client::of(&daemon.path);
    client.say("{\"do\":\"rest\"}");
    client.writer.shutdown(std::net::Shutdown::Write).unwrap();
    assert_eq!(client.hear()["ok"], true);
    assert!(client.hung_up());
}

#[test]
fn a_line_over_the_limit_gets_one_error_and_the_end() {
    let dir = folder();
    let daemon = Daemon::start(&dir.path().join("a.sock"));
    let mut client = Client::of(&daemon.path);
    let fits = format!("{{\"do\":\"rest\"{}}}\n", " ".repeat(MAX_REQUEST_BYTES - 13));
    assert_eq!(fits.len(), MAX_REQUEST_BYTES + 1);
    client.say(&fits);
    assert_eq!(client.hear()["ok"], true);
    // The far end hangs up while this is written: how much of it gets through does not matter.
    let _ = client.writer.write_all(" ".repeat(MAX_REQUEST_BYTES * 4).as_bytes());
    let answer = client.hear();
    assert_eq!(answer["error"]["kind"], "bad-request");
    assert_eq!(answer["error"]["said"], "a line has more than 16384 bytes, the most allowed");
    assert!(client.hung_up());
}

#[test]
fn a_line_begun_and_not_finished_gets_one_error_after_ten_seconds() {
    let dir = folder();
    let daemon = Daemon::start(&dir.path().join("a.sock"));
    let mut client = Client::of(&daemon.path);
    client.say("{\"do\":\"rest\"");
    assert_eq!(client.hear()["error"]["said"], "a line was not finished within 10 s");
    assert!(client.hung_up());
    assert!(daemon.seen.lock().unwrap().is_empty());
}

#[test]
fn where_all_are_busy_one_more_is_told_that_there_is_no_room_and_a_place_comes_free_again() {
    let dir = folder();
    // An engine that answers nothing until it may.
    let (end, ended) = sync_channel::<()>(0);
    let daemon = Daemon::with_engine(&dir.path().join("a.sock"), move |inbox, _| {
        let _ = ended.recv();
        drop(inbox);
    });
    let mut clients: Vec<Client> = (0..MAX_CLIENTS).map(|_| Client::of(&daemon.path)).collect();
    let (followers, askers) = clients.split_at_mut(MAX_FOLLOWERS);
    for client in followers {
        client.say("{\"do\":\"status\",\"follow\":true}\n");
        assert_eq!(client.hear()["ok"], true);
    }
    for client in askers {
        // The status's answer tells that the request behind it is being read.
        client.say("{\"do\":\"status\"}\n{\"do\":\"rest\"}\n");
        assert_eq!(client.hear()["ok"], true);
    }
    let mut one_more = Client::of(&daemon.path);
    assert_eq!(one_more.hear()["error"]["kind"], "busy");
    assert!(one_more.hung_up());
    let refused = client::ask(&daemon.path, &Request::Rest {}, WITHIN).unwrap();
    assert_eq!(refused.error.unwrap().kind, FailureKind::Busy);
    clients.pop();
    drop(end);
    // The place is free as soon as the daemon has seen the end.
    let status = Request::Status { follow: false };
    let answered = (0..1000).any(|_| client::ask(&daemon.path, &status, WITHIN).is_ok_and(|a| a.ok));
    assert!(answered);
}

/// Programs that forgot to hang up, or hang in half a line, keep nobody out.
#[test]
fn one_more_client_takes_the_place_of_the_one_that_was_silent_for_longest() {
    let dir = folder();
    let daemon = Daemon::start(&dir.path().join("a.sock"));
    let mut clients: Vec<Client> = (0..MAX_CLIENTS).map(|_| Client::of(&daemon.path)).collect();
    for client in &mut clients {
        client.say("{\"do\":\"status\"}\n{\"do\":\"re");
        assert_eq!(client.hear()["ok"], true);
    }
    // All but the eighth have asked again since.
    for (n, client) in clients.iter_mut().enumerate().filter(|(n, _)| *n != 7) {
        client.say("st\"}\n");
        assert_eq!(client.hear()["ok"], true, "{n}");
    }
    std::thread::park_timeout(socket::PLACE_KEPT + Duration::from_millis(50));
    assert!(client::ask(&daemon.path, &Request::Rest {}, WITHIN).unwrap().ok);
    let told = clients[7].hear();
    assert_eq!(told["error"]["said"], "your place is given to another client: you said nothing for a while");
    assert!(clients[7].hung_up());
    clients[8].say("{\"do\":\"status\"}\n");
    assert_eq!(clients[8].hear()["ok"], true);
}

/// Source: the time to answer: 16 384 lines are read once, not copied once for each.
#[test]
fn a_request_behind_many_empty_lines_is_answered() {
    let dir = folder();
    let daemon = Daemon::start(&dir.path().join("a.sock"));
    let mut client = Client::of(&daemon.path);
    client.say(&("\n".repeat(MAX_REQUEST_BYTES * 4) + "{\"do\":\"rest\"}\n"));
    assert_eq!(client.hear()["ok"], true);
}

#[test]
fn a_client_that_does_not_read_is_let_go_and_costs_others_nothing() {
    let dir = folder();
    let daemon = Daemon::start(&dir.path().join("a.sock"));
    let mut slow = Client::of(&daemon.path);
    // Far more answers than a socket's buffers hold, none of them read.
    let many = "{\"do\":\"status\"}\n".repeat(1000);
    let flood = std::thread::spawn(move || {
        for _ in 0..100 {
            if slow.writer.write_all(many.as_bytes()).is_err() {
                return true;
            }
        }
        false
    });
    for _ in 0..50 {
        assert!(client::ask(&daemon.path, &Request::Rest {}, WITHIN).unwrap().ok);
    }
    assert!(flood.join().unwrap(), "the client that does not read was never let go");
}

#[test]
fn status_never_waits_for_the_engine_and_requests_that_do_are_told_when_it_ends() {
    let dir = folder();
    // An engine that takes nothing until it ends.
    let (end, ended) = sync_channel::<()>(0);
    let mut daemon = Daemon::with_engine(&dir.path().join("a.sock"), move |inbox, _| {
        let _ = ended.recv();
        drop(inbox);
    });
    // One client has one request under way at most: clients alone never fill the inbox.
    const { assert!(INBOX > MAX_CLIENTS) };
    let mut waiting: Vec<Client> = (0..4).map(|_| Client::of(&daemon.path)).collect();
    for client in &mut waiting {
        client.say("{\"id\":\"w\",\"do\":\"rest\"}\n");
    }
    // Status is answered although the engine does nothing.
    assert!(client::ask(&daemon.path, &Request::Status { follow: false }, WITHIN).unwrap().ok);
    drop(end);
    for client in &mut waiting {
        assert_eq!(client.hear()["error"]["kind"], "busy");
    }
    daemon.stop();
}

#[test]
fn a_follower_hears_every_change_and_the_end() {
    let dir = folder();
    let mut daemon = Daemon::start(&dir.path().join("a.sock"));
    let path = daemon.path.clone();
    let (heard_in, heard) = sync_channel(0);
    let follower = std::thread::spawn(move || {
        client::follow(&path, |status| {
            let _ = heard_in.send(status.now.look);
            true
        })
    });
    assert_eq!(heard.recv().unwrap(), "quay-dusk");
    daemon.status.send_replace(Arc::new(common::status("split")));
    assert!(heard.iter().take(3).any(|look| look == "split"));
    daemon.stop.send_replace(true);
    for _ in heard {}
    assert!(follower.join().unwrap().is_ok());
    daemon.stop();
}

#[test]
fn followers_leave_room_for_requests_and_a_further_line_ends_following() {
    let dir = folder();
    let daemon = Daemon::start(&dir.path().join("a.sock"));
    let mut clients: Vec<Client> = (0..=MAX_FOLLOWERS).map(|_| Client::of(&daemon.path)).collect();
    for client in &mut clients {
        client.say("{\"id\":\"f\",\"do\":\"status\",\"follow\":true}\n");
    }
    let firsts: Vec<Value> = clients.iter_mut().map(Client::hear).collect();
    assert_eq!(firsts.iter().filter(|a| a["ok"] == true).count(), MAX_FOLLOWERS);
    let client = clients.iter_mut().zip(&firsts).find(|(_, a)| a["ok"] == true).unwrap().0;
    client.say("{\"id\":\"r\",\"do\":\"rest\"}\n");
    let mut answers = std::iter::from_fn(|| Some(client.hear()["id"].clone()));
    assert!(answers.any(|id| id == "r"));
}

#[test]
fn the_socket_is_for_its_owner_and_group_and_nothing_else_is_left_beside_it() {
    let dir = folder();
    let path = dir.path().join("a.sock");
    let mut daemon = Daemon::start(&path);
    let meta = std::fs::metadata(&path).unwrap();
    assert!(meta.file_type().is_socket());
    assert_eq!(meta.permissions().mode() & 0o7777, 0o660);
    let names = || {
        let mut names: Vec<_> = std::fs::read_dir(dir.path())
            .unwrap()
            .map(|e| e.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    };
    assert_eq!(names(), ["a.sock", "a.sock.lock"]);
    daemon.stop();
    assert_eq!(names(), [""; 0]);
}

#[test]
fn a_socket_left_by_a_crash_is_replaced() {
    let dir = folder();
    let path = dir.path().join("a.sock");
    // A closed listener leaves its file, as a killed process does.
    drop(std::os::unix::net::UnixListener::bind(&path).unwrap());
    assert!(path.exists());
    let daemon = Daemon::start(&path);
    assert!(client::ask(&daemon.path, &Request::Rest {}, WITHIN).unwrap().ok);
}

#[test]
fn a_daemon_that_answers_is_never_replaced() {
    let dir = folder();
    let path = dir.path().join("a.sock");
    let daemon = Daemon::start(&path);
    let refused = socket::bind(&path, "pilot-station").unwrap_err();
    assert!(matches!(refused, SocketError::Runs { .. }));
    let said = refused.to_string();
    assert!(said.starts_with("set `pilot-station` runs already and answers at "), "{said}");
    assert!(said.contains("stop that daemon first"), "{said}");
    assert!(client::ask(&daemon.path, &Request::Rest {}, WITHIN).unwrap().ok);

    // Another program's socket, without our lock, is left alone as well.
    let other = dir.path().join("other.sock");
    let theirs = std::os::unix::net::UnixListener::bind(&other).unwrap();
    assert!(matches!(socket::bind(&other, "x").unwrap_err(), SocketError::Runs { .. }));
    drop(theirs);
}

#[test]
fn a_file_that_is_no_socket_is_left_alone() {
    let dir = folder();
    let path = dir.path().join("a.sock");
    std::fs::write(&path, "notes").unwrap();
    assert!(matches!(socket::bind(&path, "a").unwrap_err(), SocketError::NotASocket { .. }));
    assert_eq!(std::fs::read_to_string(&path).unwrap(), "notes");
}

#[test]
fn two_sets_run_side_by_side_and_the_command_line_wants_to_know_which() {
    let dir = folder();
    let system = dir.path().join("run");
    let places = Places::with_system(system.clone(), None, None);
    let none = client::find_in(&places, None).unwrap_err();
    assert_eq!(none.exit().code(), 4);
    assert!(none.to_string().ends_with("run/SET.sock: start it with `lampkeep run PLAN`"), "{none}");

    let one = Daemon::start(&socket::place_in(&places, "mess-room").unwrap());
    assert_eq!(client::find_in(&places, None).unwrap(), system.join("mess-room.sock"));
    let two = Daemon::start(&socket::place_in(&places, "pilot-station").unwrap());
    // What a crash leaves is no daemon.
    drop(std::os::unix::net::UnixListener::bind(system.join("stale.sock")).unwrap());

    let several = client::find_in(&places, None).unwrap_err();
    assert_eq!(
        several.to_string(),
        "several sets run: mess-room, pilot-station. Choose one with `--set NAME`"
    );
    assert_eq!(several.exit().code(), 2);
    assert_eq!(client::find_in(&places, Some("pilot-station")).unwrap(), two.path);
    let other = client::find_in(&places, Some("bridge")).unwrap_err();
    assert!(other.to_string().contains("running: mess-room, pilot-station"), "{other}");
    assert!(matches!(client::find_in(&places, Some("../x")).unwrap_err(), ClientError::BadSet(_)));

    client::ask(&one.path, &Request::Rest {}, WITHIN).unwrap();
    assert_eq!((one.seen.lock().unwrap().len(), two.seen.lock().unwrap().len()), (1, 0));
    assert!(matches!(socket::place_in(&places, "mess-room").unwrap_err(), SocketError::Runs { .. }));
}

#[test]
fn a_user_s_folder_serves_where_the_system_s_can_t_and_a_missing_one_is_said() {
    let dir = folder();
    // A file in the way: no folder can be made there, whoever asks.
    let blocked = dir.path().join("blocked");
    std::fs::write(&blocked, "").unwrap();
    let system = blocked.join("lampkeep");
    let own = dir.path().join("user");
    std::fs::create_dir(&own).unwrap();
    let places = Places::with_system(system.clone(), None, Some(own.clone().into()));
    assert_eq!(socket::place_in(&places, "a").unwrap(), own.join("lampkeep/a.sock"));
    let nowhere = socket::place_in(&Places::with_system(system, None, None), "a").unwrap_err();
    assert!(matches!(nowhere, SocketError::NoPlace { .. }));
    assert!(nowhere.to_string().contains("Set LAMPKEEP_SOCKET to a path that can"), "{nowhere}");
}

#[test]
fn a_daemon_that_says_nothing_is_told_apart_from_none() {
    let dir = folder();
    let path = dir.path().join("a.sock");
    let _silent = std::os::unix::net::UnixListener::bind(&path).unwrap();
    let error = client::ask(&path, &Request::Rest {}, Duration::from_millis(50)).unwrap_err();
    assert!(matches!(error, ClientError::Silent { .. }), "{error}");
    assert_eq!(error.exit().code(), 4);
    let error = client::ask(&dir.path().join("b.sock"), &Request::Rest {}, WITHIN).unwrap_err();
    assert!(matches!(error, ClientError::NoDaemon { .. }), "{error}");
}
