//! The built binary's `doctor` on pseudo-terminals: each cause by its own kind, with a cure. Source: the requirement's
//! list of causes; errno of open(2) and of the serial drivers (docs/wire.md).

#![expect(clippy::unwrap_used, reason = "a test's helpers fail the test by panicking")]

use std::fs::File;
use std::io::{Read, Write};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::Command;

use rustix::fs::{FlockOperation, Mode, OFlags, flock};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use serde_json::Value;

/// The far side of a pseudo-terminal and the name of the port.
struct FarSide(File, PathBuf);

fn far_side() -> FarSide {
    let far = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
    grantpt(&far).unwrap();
    unlockpt(&far).unwrap();
    let name = ptsname(&far, Vec::new()).unwrap().into_string().unwrap();
    FarSide(File::from(far), name.into())
}

fn plan(kind: &str, port: &Path, more: &str) -> String {
    format!(
        r#"
name = "pier"
[camera.main]
iso = 800
f-number = 2.8
shutter = "1/50"
[output.desk]
kind = "{kind}"
port = {port:?}
{more}
[profile.bulb]
invented = true
cooling = "fan"
heat = "no limit"
emitter.white = {{ kelvin = 5600, lux = 900, watts = "100 W" }}
mode.one = {{ slots = [{{ drives = "intensity" }}] }}
[fixture.key]
profile = "bulb"
address = 500
clock = "7:30"
distance = "1.5 m"
[look.work]
key = {{ stops = 0 }}
"#
    )
}

/// What the doctor finds, its exit code, and what people read.
fn doctor(text: &str, user: Option<u32>) -> (Value, i32, String) {
    let folder = tempfile::tempdir().unwrap();
    let readable = std::os::unix::fs::PermissionsExt::from_mode(0o755);
    std::fs::set_permissions(folder.path(), readable).unwrap();
    let file = folder.path().join("pier.toml");
    std::fs::write(&file, text).unwrap();
    // Where another user may run it. Copied by another process: a child that another test's thread starts meanwhile would
    // hold the file open for writing for a moment, and what is open for that cannot be run.
    let binary = folder.path().join("lampkeep");
    let copied = Command::new("cp").arg(env!("CARGO_BIN_EXE_lampkeep")).arg(&binary).status().unwrap();
    assert!(copied.success());
    let run = |json: bool| {
        let mut command = Command::new(&binary);
        command.arg("doctor").arg(&file).current_dir(folder.path());
        command.env("LAMPKEEP_SOCKET", folder.path().join("none.sock"));
        if json {
            command.arg("--json");
        }
        if let Some(id) = user {
            command.uid(id).gid(id);
        }
        command.output().unwrap()
    };
    let (json, people) = (run(true), run(false));
    let said = String::from_utf8(people.stdout).unwrap();
    let value = serde_json::from_slice(&json.stdout)
        .unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&json.stderr)));
    (value, people.status.code().unwrap(), said)
}

fn finding<'a>(found: &'a Value, kind: &str) -> Option<&'a Value> {
    found["findings"].as_array().unwrap().iter().find(|f| f["kind"] == kind)
}

#[track_caller]
fn is_found(found: &Value, kind: &str, weight: &str, said: &str, cure: &str) {
    let finding = finding(found, kind).unwrap_or_else(|| panic!("no {kind}: {found:#}"));
    assert_eq!(finding["weight"], weight, "{finding}");
    assert!(finding["said"].as_str().unwrap().contains(said), "{finding}");
    assert!(finding["cure"].as_str().unwrap().contains(cure), "{finding}");
}

#[test]
fn a_port_that_is_not_there_is_in_the_way() {
    let (found, code, said) = doctor(&plan("raw", Path::new("/dev/ttyUSB77"), ""), None);
    is_found(&found, "no-such-port", "stops", "/dev/ttyUSB77", "plug the interface in");
    assert_eq!(code, 1, "{said}");
    assert!(said.starts_with("pier, not running · 1 in the way\nSTOPS  output desk: "), "{said}");
}

#[test]
fn a_port_that_works_is_no_finding() {
    let far = far_side();
    let (found, code, said) = doctor(&plan("raw", &far.1, "rate = \"30 Hz\""), None);
    assert_eq!(code, 0, "{said}");
    assert!(found["findings"].as_array().unwrap().iter().all(|f| f["output"].is_null()), "{found:#}");
    is_found(&found, "no-daemon", "note", "", "lampkeep run");
}

#[test]
fn a_rate_that_the_line_has_no_room_for_is_told_with_the_one_that_it_has() {
    let far = far_side();
    let (found, code, _) = doctor(&plan("raw", &far.1, "rate = \"44 Hz\""), None);
    // 176 + 16 + 501 x 44 us and 2.2 ms of driver and USB (docs/wire.md): 24.4 ms, 40.9 a second.
    is_found(
        &found,
        "rate-not-reached",
        "weakens",
        "40 frames a second instead of the plan's 44",
        "rate = \"40 Hz\"",
    );
    assert_eq!(code, 0);
}

#[test]
fn the_program_that_holds_a_port_is_named() {
    let far = far_side();
    let port = rustix::fs::open(&far.1, OFlags::RDWR | OFlags::NOCTTY, Mode::empty()).unwrap();
    flock(&port, FlockOperation::NonBlockingLockExclusive).unwrap();
    let (found, code, _) = doctor(&plan("framed", &far.1, ""), None);
    is_found(&found, "held", "stops", &format!("process {}", std::process::id()), "stop");
    assert_eq!(code, 1);
}

/// From the moment in which it answers: its output is just being opened, or sends already.
#[test]
fn the_plan_s_own_daemon_is_in_nobody_s_way() {
    let far = far_side();
    let mut wire = far.0.try_clone().unwrap();
    std::thread::spawn(move || {
        let mut bytes = [0; 4096];
        while wire.read(&mut bytes).is_ok_and(|n| n > 0) {}
    });
    let folder = tempfile::tempdir().unwrap();
    let socket = folder.path().join("s.sock");
    let file = folder.path().join("pier.toml");
    std::fs::write(&file, plan("framed", &far.1, "")).unwrap();
    let command = |word: &str| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_lampkeep"));
        command.arg(word).arg(&file).env("LAMPKEEP_SOCKET", &socket).env("LAMPKEEP_STATE", folder.path());
        command
    };
    let mut daemon = command("run").stderr(std::process::Stdio::null()).spawn().unwrap();
    while !socket.exists() {
        assert!(daemon.try_wait().unwrap().is_none(), "it ended");
        std::thread::yield_now();
    }
    let found: Vec<Value> = (0..3)
        .map(|_| serde_json::from_slice(&command("doctor").arg("--json").output().unwrap().stdout).unwrap())
        .collect();
    daemon.kill().unwrap();
    daemon.wait().unwrap();
    for found in found {
        for kind in ["held", "output-starting", "output-down", "no-daemon"] {
            assert!(finding(&found, kind).is_none(), "{kind}: {found:#}");
        }
    }
}

/// Answers as an interface with a processor does: to label 0A with its number, a message of four bytes of data.
/// From memory.
fn answering(far: &FarSide) -> std::thread::JoinHandle<()> {
    let mut far = far.0.try_clone().unwrap();
    std::thread::spawn(move || {
        let (mut bytes, mut seen) = ([0; 64], Vec::new());
        // Two runs of the doctor ask once each.
        while let Ok(n) = far.read(&mut bytes) {
            seen.extend_from_slice(&bytes[..n]);
            if seen.ends_with(&[0x7E, 0x0A, 0, 0, 0xE7]) {
                seen.clear();
                let _ = far.write_all(&[0x7E, 0x0A, 4, 0, 1, 2, 3, 4, 0xE7]);
            }
        }
    })
}

#[test]
fn an_interface_of_the_other_kind_is_told_by_its_answers() {
    let far = far_side();
    // Kept open, or the far side reads an error once the doctor has gone.
    let _keep = rustix::fs::open(&far.1, OFlags::RDWR | OFlags::NOCTTY, Mode::empty()).unwrap();
    drop(answering(&far));
    let (found, code, _) = doctor(&plan("raw", &far.1, ""), None);
    is_found(&found, "other-kind", "stops", "answers in frames", "kind = \"framed\"");
    assert_eq!(code, 1);
    let (found, code, _) = doctor(&plan("framed", &far.1, ""), None);
    assert!(finding(&found, "other-kind").is_none(), "{found:#}");
    assert_eq!(code, 0);
}

#[test]
fn a_framed_interface_that_says_nothing_may_be_a_plain_one() {
    let far = far_side();
    let (found, code, _) = doctor(&plan("framed", &far.1, ""), None);
    is_found(&found, "other-kind", "weakens", "answers nothing", "kind = \"raw\"");
    assert_eq!(code, 0);
}

/// Root is never refused, so this runs as another user: 65534, nobody.
#[test]
fn a_port_of_another_user_tells_the_group_and_a_rule_and_what_the_system_does_not_grant() {
    if !rustix::process::geteuid().is_root() {
        eprintln!("not root: no other user to be");
        return;
    }
    let far = far_side();
    let mode = |mode| {
        std::fs::set_permissions(&far.1, std::os::unix::fs::PermissionsExt::from_mode(mode)).unwrap();
    };
    // A group that may not use the port is no cure.
    mode(0o600);
    let (found, _, _) = doctor(&plan("raw", &far.1, ""), Some(65534));
    is_found(&found, "not-permitted", "stops", "may not be used by this user", "by a udev rule");
    // Group 5 is tty on every Linux; only root may give a file to it, and only root comes here.
    std::os::unix::fs::chown(&far.1, None, Some(5)).unwrap();
    mode(0o660);
    let (found, code, said) = doctor(&plan("raw", &far.1, ""), Some(65534));
    is_found(&found, "not-permitted", "stops", "may not be used by this user", "add the user to group `");
    is_found(&found, "not-permitted", "stops", "", "SUBSYSTEM==\"tty\"");
    is_found(&found, "no-real-time", "weakens", "for this user", "LimitRTPRIO");
    assert_eq!(code, 1, "{said}");
}

#[test]
fn a_plan_with_errors_is_its_own_exit_code() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("pier.toml");
    std::fs::write(&file, "name = 3").unwrap();
    let out = Command::new(env!("CARGO_BIN_EXE_lampkeep")).arg("doctor").arg(&file).output().unwrap();
    assert_eq!(out.status.code(), Some(3));
}

/// An interface that is not there, and a receiver in a network that no machine has a way to but by its default
/// route: only the first is sure on every machine.
#[test]
fn a_network_output_without_its_interface_is_in_the_way() {
    let text =
        plan("e131", Path::new("x"), "interface = \"pier-none\"").replace("port = \"x\"", "universe = 1");
    let (found, code, said) = doctor(&text, None);
    is_found(&found, "no-such-interface", "stops", "pier-none", "plug it in");
    assert_eq!(code, 1, "{said}");
}

/// In a network namespace of its own there is no route to anything.
#[test]
fn a_machine_without_a_route_to_the_groups_is_told_how_to_name_the_way_out() {
    let works = Command::new("unshare").args(["--net", "true"]).status().is_ok_and(|s| s.success());
    if !works {
        eprintln!("no network namespaces here");
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("pier.toml");
    std::fs::write(&file, plan("e131", Path::new("x"), "").replace("port = \"x\"", "universe = 1")).unwrap();
    let out = Command::new("unshare")
        .args(["--net", env!("CARGO_BIN_EXE_lampkeep"), "doctor", file.to_str().unwrap(), "--json"])
        .env("LAMPKEEP_SOCKET", folder.path().join("none.sock"))
        .output()
        .unwrap();
    let found: Value = serde_json::from_slice(&out.stdout).unwrap();
    is_found(&found, "no-multicast-route", "stops", "239.255.0.1", "interface = ");
    assert_eq!(out.status.code(), Some(1));
}
