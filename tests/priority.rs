//! Real-time priority and locked memory, with a daemon that may and one that may not. Sources: sched(7), mlock(2).

#![expect(clippy::unwrap_used, reason = "a test's helpers fail the test by panicking")]

use std::io::{BufRead, BufReader, Write};
use std::os::unix::fs::PermissionsExt;
use std::os::unix::net::UnixStream;
use std::os::unix::process::CommandExt;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use lampkeep::clock::{Clock, SystemClock};

struct Ended(Child);

impl Drop for Ended {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// What status says of the sender's thread, and what the kernel says of it; as user `uid`, if given.
fn real_time(uid: Option<u32>) -> (serde_json::Value, u64, String) {
    let folder = tempfile::tempdir().unwrap();
    std::fs::set_permissions(folder.path(), std::fs::Permissions::from_mode(0o777)).unwrap();
    // Where another user can get at it, whatever the folders above the built one allow.
    let binary = folder.path().join("lampkeep");
    // By another process: a child that another test starts meanwhile would hold the file open, and it could not be run.
    assert!(Command::new("cp").arg(env!("CARGO_BIN_EXE_lampkeep")).arg(&binary).status().unwrap().success());
    let plan = "[camera.main]\niso = 800\nf-number = 2.8\nshutter = \"1/50\"\n[output.desk]\nkind = \"simulator\"\n\
                wake = \"spin\"\n[fixture.key]\nprofile = \"bicolour-mat\"\naddress = 1\nclock = \"7:30\"\n\
                distance = \"1.5 m\"\n[look.one]\nkey = { stops = 0 }\n";
    std::fs::write(folder.path().join("plan.toml"), plan).unwrap();
    let socket = folder.path().join("s.sock");
    let log = std::fs::File::create(folder.path().join("log")).unwrap();
    let mut command = Command::new(&binary);
    command
        .args(["run", "plan.toml"])
        .current_dir(folder.path())
        .env("LAMPKEEP_SOCKET", &socket)
        .env("LAMPKEEP_STATE", folder.path().join("state"))
        .env_remove("NOTIFY_SOCKET")
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(log);
    if let Some(uid) = uid {
        command.uid(uid).gid(uid);
    }
    let daemon = Ended(command.spawn().unwrap());
    let clock = SystemClock::start();
    let output = loop {
        assert!(clock.now().elapsed() < Duration::from_secs(20), "no status");
        clock.sleep_until(clock.now() + Duration::from_millis(20));
        let Ok(mut stream) = UnixStream::connect(&socket) else { continue };
        stream.write_all(b"{\"do\":\"status\"}\n").unwrap();
        let mut line = String::new();
        BufReader::new(stream).read_line(&mut line).unwrap();
        let answer: serde_json::Value = serde_json::from_str(&line).unwrap();
        let output = answer["data"]["outputs"][0].clone();
        if output["frames"].as_u64().unwrap_or(0) > 0 {
            break output;
        }
    };
    let tasks = std::fs::read_dir(format!("/proc/{}/task", daemon.0.id())).unwrap().flatten();
    let sender = tasks
        .map(|t| t.path())
        .find(|t| std::fs::read_to_string(t.join("comm")).unwrap().trim() == "wire-desk");
    // Source: proc(5), `stat`: field 40 is the real-time priority; the name, field 2, ends at the last `)`.
    let stat = std::fs::read_to_string(sender.unwrap().join("stat")).unwrap();
    let fields: Vec<&str> = stat.rsplit_once(')').unwrap().1.split_whitespace().collect();
    let priority = fields[37].parse().unwrap();
    let log = std::fs::read_to_string(folder.path().join("log")).unwrap();
    (output["real_time"].clone(), priority, log)
}

fn locked(log: &str, what: &str) -> usize {
    log.lines().filter(|line| line.contains(what)).count()
}

#[test]
fn what_is_permitted_is_in_force_and_status_and_log_say_what_is_not() {
    let (told, priority, log) = real_time(None);
    assert_eq!(told["priority"].as_u64().unwrap_or(0), priority, "{told}");
    assert_eq!(told["spins"], priority > 0, "{told}");
    let all = told["said"].is_null();
    assert_eq!(all, priority > 0 && told["memory_locked"] == true, "{told}");
    let (granted, refused) = ("are in force", "frames may be late when the machine is busy");
    assert_eq!(
        (locked(&log, granted), locked(&log, refused)),
        (usize::from(all), usize::from(!all)),
        "{log}"
    );
    if !rustix::process::geteuid().is_root() {
        return;
    }
    // Nobody's limits are those of the system: most give neither.
    let (told, priority, log) = real_time(Some(65_534));
    assert_eq!(told["priority"].as_u64().unwrap_or(0), priority, "{told}");
    if priority == 0 {
        let said = told["said"].as_str().unwrap();
        assert!(said.contains("LimitRTPRIO=40") && said.contains("sleeps instead"), "{said}");
        assert_eq!((told["spins"].as_bool(), locked(&log, refused)), (Some(false), 1), "{log}");
    }
}
