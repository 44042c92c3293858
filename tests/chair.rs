//! The built binary's `chair` on a pseudo-terminal, with a simulated daemon. Source: the requirement on the chair.

#[path = "common/terminal.rs"]
mod terminal;

use std::process::Command;

use rustix::process::{Pid, Signal, kill_process};
use rustix::termios::{LocalModes, tcgetattr};
use terminal::{APART, Chair, Set, wait};

#[test]
fn it_learns_its_buttons_at_first_use_keeps_them_and_learns_them_again_when_told() {
    let set = Set::new();
    let _daemon = set.daemon();
    let mut chair = set.chair(&[]);
    chair.shows("Button 1 of 6: press the one for the next look");
    let before = tcgetattr(&chair.near).expect("its modes");
    assert!(
        !before.local_modes.contains(LocalModes::ECHO) && !before.local_modes.contains(LocalModes::ICANON)
    );
    // A remote's keys, one of them twice, one held.
    chair.press("\x1b[6~");
    chair.shows("Button 2 of 6");
    wait(APART);
    chair.press("\x1b[6~\x1b[6~\x1b[6~");
    chair.shows("Page Down is the button for next already: press another one");
    for (key, shows) in [("\x1b[5~", "3"), ("b", "4"), ("\t", "5"), ("\x1b[15~", "6")] {
        wait(APART);
        chair.press(key);
        chair.shows(&format!("Button {shows} of 6"));
    }
    wait(APART);
    chair.press("\x1b");
    chair.shows("next Page Down · previous Page Up · take start and end b · retake F5 · dark Esc");
    wait(APART);
    chair.press("\x1b[6~");
    set.until("next was pressed", |s| s["now"]["look"] == "bright");
    chair.press("\x03");
    assert_eq!(chair.ends(), Some(0));
    chair.is_restored();
    assert!(chair.text().ends_with("left; the light stays as it is\r\n"), "{}", chair.text());

    // The second time it asks for nothing.
    let mut chair = set.chair(&[]);
    chair.shows("lit: bright");
    assert!(!chair.text().contains("Button 1 of 6"));
    chair.press("\x1b[6~");
    set.until("next was pressed", |s| s["now"]["look"] == "half");
    chair.press("\x03");
    chair.ends();
    let kept = std::fs::read_to_string(set.file()).expect("kept");

    // Told to learn and left: what was kept stays.
    let mut chair = set.chair(&["--learn"]);
    chair.shows("Button 1 of 6");
    chair.press("\x03");
    assert_eq!(chair.ends(), Some(0));
    chair.is_restored();
    assert_eq!(std::fs::read_to_string(set.file()).expect("kept"), kept);

    // Spoilt: it says so and asks.
    std::fs::write(set.file(), &kept[..kept.len() / 2]).expect("written");
    let chair = set.chair(&[]);
    chair.shows("are of no use");
    chair.shows("Button 1 of 6");
}

#[test]
fn a_take_from_the_chair_is_silent_while_it_rolls_and_next_in_it_is_refused() {
    let set = Set::taught();
    let _daemon = set.daemon();
    let mut chair = set.chair(&[]);
    chair.shows("lit: dark");
    chair.press("n");
    set.until("next was pressed", |s| s["now"]["look"] == "bright" && s["now"]["fading"] == false);
    chair.shows("lit: bright · next: half");
    wait(400);
    assert_eq!(chair.bells(), 1, "accepted");
    wait(APART);
    // A key that is held is one press.
    for _ in 0..20 {
        chair.press("n");
        wait(33);
    }
    let status = set.until("held", |s| s["now"]["fading"] == false);
    assert_eq!(status["now"]["look"], "half");
    wait(400);
    assert_eq!(chair.bells(), 2);

    chair.forget();
    chair.press("t");
    set.until("it rolls", |s| s["now"]["take"] == "1/1");
    chair.shows("take 1/1 rolls");
    wait(APART);
    chair.press("n");
    chair.shows("next: take 1/1 rolls: light and plan stay as they are");
    let status = set.until("it still rolls", |s| s["now"]["take"] == "1/1");
    assert_eq!(status["now"]["look"], "half");
    // `REFUSED` and `TAKE ROLLS`, five rows each.
    let large =
        lampkeep::cli::big::letters("REFUSED", 100) + "\n" + &lampkeep::cli::big::letters("TAKE ROLLS", 100);
    let rows: Vec<_> = large.lines().filter(|l| !l.is_empty()).map(str::to_owned).collect();
    assert_eq!(rows.len(), 10);
    for row in &rows {
        chair.shows(row);
    }
    chair.press("r");
    set.until("the next take rolls", |s| s["now"]["take"] == "1/2");
    wait(400);
    assert_eq!(chair.bells(), 0, "the microphone hears nothing");
    chair.press("t");
    set.until("it is over", |s| s["now"]["take"].is_null());
    chair.shows("take 1/2 over after");
    wait(400);
    assert_eq!(chair.bells(), 1);
    chair.forget();
    // None rolls: retake is refused, twice the bell.
    chair.press("r");
    chair.shows("retake: no take rolls");
    wait(600);
    assert_eq!(chair.bells(), 2);
    chair.press("d");
    set.until("dark", |s| s["now"]["look"] == "dark");
}

#[test]
fn with_a_delay_next_and_take_start_count_down_and_take_end_and_dark_do_not() {
    let set = Set::taught();
    let _daemon = set.daemon();
    let mut chair = set.chair(&["--in", "2s"]);
    chair.shows("lit: dark");
    chair.press("n");
    let status = set.until("it waits", |s| s["now"]["scheduled"]["what"] == "next (bright)");
    assert_eq!(status["now"]["look"], "dark");
    for row in lampkeep::cli::big::letters("IN 2", 100)
        .lines()
        .chain(lampkeep::cli::big::letters("IN 1", 100).lines())
    {
        chair.shows(row);
    }
    set.until("it came", |s| s["now"]["look"] == "bright" && s["now"]["fading"] == false);
    wait(300);
    chair.press("t");
    set.until("it waits", |s| s["now"]["scheduled"]["what"] == "take start");
    // The same button again: what has not begun does not begin.
    wait(APART);
    chair.press("t");
    set.until("it was cancelled", |s| s["now"]["scheduled"].is_null());
    chair.shows("cancelled: take start");
    wait(APART);
    chair.press("t");
    set.until("it rolls", |s| s["now"]["take"] == "1/1");
    wait(300);
    chair.forget();
    chair.press("t");
    set.until("it is over", |s| s["now"]["take"].is_null());
    chair.press("n");
    set.until("it waits", |s| !s["now"]["scheduled"].is_null());
    chair.press("d");
    let status = set.until("dark", |s| s["now"]["look"] == "dark");
    assert!(status["now"]["scheduled"].is_null());
    chair.shows("forgotten: next (half)");
}

#[test]
fn the_terminal_is_as_it_was_after_every_signal_that_can_be_heard() {
    let set = Set::taught();
    let _daemon = set.daemon();
    for signal in [Signal::TERM, Signal::HUP, Signal::INT, Signal::QUIT] {
        let mut chair = set.chair(&[]);
        chair.shows("Ctrl-C leaves");
        kill_process(Pid::from_child(&chair.child), signal).expect("signalled");
        assert_eq!(chair.ends(), Some(0), "{signal:?}");
        chair.is_restored();
    }
    // While it learns, too.
    std::fs::remove_file(set.file()).expect("removed");
    let mut chair = set.chair(&[]);
    chair.shows("Button 1 of 6");
    kill_process(Pid::from_child(&chair.child), Signal::TERM).expect("signalled");
    chair.ends();
    chair.is_restored();
}

/// Not a check by itself: what the next one runs in a process of its own.
#[test]
#[ignore = "panics; run by the test of panics"]
fn a_panic_in_the_chair() {
    if std::env::var_os("LAMPKEEP_CHAIR_PANICS").is_some() {
        let _terminal = lampkeep::chair::terminal::Terminal::take().expect("a terminal");
        panic!("the chair falls over");
    }
}

#[test]
fn the_terminal_is_as_it_was_after_a_panic() {
    let mut command = Command::new(std::env::current_exe().expect("this test"));
    command.args(["--ignored", "--exact", "--nocapture", "a_panic_in_the_chair"]);
    command.env("LAMPKEEP_CHAIR_PANICS", "1");
    let mut chair = Chair::start(command);
    assert_ne!(chair.ends(), Some(0));
    wait(100);
    chair.is_restored();
    let text = chair.text();
    assert!(text.find("the chair falls over") > text.find("\x1b[?1049l"), "it can be read: {text}");
}

#[test]
fn without_a_terminal_or_a_daemon_it_says_so_at_once() {
    let set = Set::taught();
    let out = set.command(&["chair"]).output().expect("it runs");
    assert_eq!(out.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&out.stderr).contains("a chair needs a terminal"));
    assert!(out.stdout.is_empty());
    let mut chair = set.chair(&[]);
    assert_eq!(chair.ends(), Some(4));
    wait(100);
    assert!(chair.text().contains("no daemon answers") && !chair.text().contains('\x1b'), "{}", chair.text());
    // Its terminal goes: it ends.
    let _daemon = set.daemon();
    let mut chair = set.chair(&[]);
    chair.shows("lit: dark");
    kill_process(Pid::from_child(&chair.child), Signal::HUP).expect("signalled");
    chair.ends();
}

#[test]
fn a_daemon_that_is_killed_is_told_and_the_chair_goes_on_when_it_is_back() {
    let set = Set::taught();
    let mut daemon = set.daemon();
    let mut chair = set.chair(&[]);
    chair.shows("lit: dark");
    chair.forget();
    daemon.kill();
    chair.shows("trying again each second");
    let gone = lampkeep::cli::big::letters("NO DAEMON", 100);
    gone.lines().for_each(|row| chair.shows(row));
    chair.forget();
    chair.press("n");
    chair.shows("next was not done");
    wait(600);
    assert_eq!(chair.bells(), 2);
    let _daemon = set.daemon();
    chair.shows("the daemon is back");
    let status = set.until("it answers", |_| true);
    assert_eq!(status["now"]["look"], "dark", "a press is not kept for later");
    wait(APART);
    chair.press("n");
    set.until("next was pressed", |s| s["now"]["look"] == "bright");
}
