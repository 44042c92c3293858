//! The built binary's `status --follow` on a pseudo-terminal, with a simulated daemon.
//!
//! What the screen shows is read back by a terminal of this file's own: cursor position and erase as ECMA-48 has them.

#[path = "common/terminal.rs"]
mod terminal;

use std::io::{BufRead, BufReader};
use std::process::Stdio;

use lampkeep::follow::letters;
use rustix::process::{Pid, Signal, kill_process};
use rustix::termios::{Winsize, tcsetwinsize};
use terminal::{APART, Chair, Set, wait};

/// What a terminal of 200 columns and 60 lines shows after these bytes. The picture never scrolls or wraps.
fn screen(bytes: &str) -> Vec<String> {
    let mut cells = vec![vec![' '; 200]; 60];
    let (mut row, mut column) = (0, 0);
    let mut chars = bytes.chars();
    while let Some(c) = chars.next() {
        if c != '\u{1b}' {
            if !c.is_control() && row < 60 && column < 200 {
                cells[row][column] = c;
                column += 1;
            }
            continue;
        }
        assert_eq!(chars.next(), Some('['), "only control sequences are sent");
        let mut sequence = String::new();
        let end = loop {
            match chars.next() {
                Some(c) if ('@'..='~').contains(&c) => break c,
                Some(c) => sequence.push(c),
                None => return cells.iter().map(|r| r.iter().collect()).collect(),
            }
        };
        match (end, sequence.as_str()) {
            ('H', place) => {
                let (r, c) = place.split_once(';').expect("a row and a column");
                let from_one = |n: &str| n.parse::<usize>().expect("a number") - 1;
                (row, column) = (from_one(r), from_one(c));
            }
            ('J', "2") => cells.iter_mut().for_each(|r| r.fill(' ')),
            ('h' | 'l', "?1049" | "?25") | ('m', _) => {}
            other => panic!("unknown control sequence {other:?}"),
        }
    }
    cells.iter().map(|r| r.iter().collect()).collect()
}

fn follow(set: &Set, more: &[(&str, &str)]) -> Chair {
    let mut command = set.command(&["status", "--follow"]);
    command.env_remove("NO_COLOR");
    command.envs(more.iter().copied());
    Chair::start(command)
}

#[track_caller]
fn sees(chair: &Chair, what: &str) -> Vec<String> {
    for _ in 0..500 {
        let rows = screen(&chair.text());
        if rows.iter().any(|r| r.contains(what)) {
            return rows;
        }
        wait(20);
    }
    panic!("never shown: {what}\n{}", screen(&chair.text()).join("\n"));
}

/// A name in the largest letters that fit.
#[track_caller]
fn sees_large(chair: &Chair, name: &str) {
    for _ in 0..500 {
        let rows = screen(&chair.text());
        let there = |lines: u16| {
            let large = letters::large(name, 94, lines).expect("it fits");
            rows.windows(large.len())
                .any(|part| part.iter().zip(&large).all(|(row, line)| row.contains(line.trim())))
        };
        if there(5) || there(3) {
            return;
        }
        wait(20);
    }
    panic!("never shown large: {name}\n{}", screen(&chair.text()).join("\n"));
}

#[test]
fn the_terminal_is_as_it_was_after_q_esc_ctrl_c_and_every_signal_that_can_be_heard() {
    let set = Set::new();
    let _daemon = set.daemon();
    for key in ["q", "\x1b", "\x03"] {
        let mut chair = follow(&set, &[]);
        sees(&chair, "leave, the light stays");
        chair.press(key);
        assert_eq!(chair.ends(), Some(0), "{key:?}");
        chair.is_restored();
        chair.shows("left; the light stays as it is");
    }
    for signal in [Signal::TERM, Signal::HUP, Signal::INT, Signal::QUIT] {
        let mut chair = follow(&set, &[]);
        sees(&chair, "leave, the light stays");
        kill_process(Pid::from_child(&chair.child), signal).expect("signalled");
        assert_eq!(chair.ends(), Some(0), "{signal:?}");
        chair.is_restored();
    }
}

#[test]
fn its_keys_step_through_the_order_and_a_take_locks_them() {
    let set = Set::new();
    let _daemon = set.daemon();
    let mut chair = follow(&set, &[]);
    sees_large(&chair, "dark");
    chair.press("n");
    sees_large(&chair, "bright");
    sees_large(&chair, "half");
    wait(APART);
    chair.press("n");
    sees_large(&chair, "low");
    set.until("it stands", |s| s["now"]["look"] == "half" && s["now"]["fading"] == false);
    set.says(&["take", "start", "4"]);
    sees(&chair, "TAKE 4/1 ROLLS");
    wait(APART);
    chair.press("n");
    sees(&chair, "next is locked while take 4/1 rolls");
    chair.press("d");
    sees(&chair, "dark while take 4/1 rolls?  y yes");
    // A key held down says neither yes nor no.
    for _ in 0..10 {
        chair.press("d");
        wait(30);
    }
    sees(&chair, "dark while take 4/1 rolls?  y yes");
    let status = set.until("it answers", |_| true);
    assert_eq!(status["now"]["look"], "half", "nothing has gone dark");
    chair.press("y");
    set.until("dark was said yes to", |s| s["now"]["look"] == "dark");
    assert_eq!(set.until("it answers", |_| true)["now"]["take"], "4/1", "dark ends no take");
    chair.press("q");
    chair.shows("left; take 4/1 still rolls");
}

#[test]
fn it_fits_a_window_that_is_resized() {
    let set = Set::new();
    let _daemon = set.daemon();
    let chair = follow(&set, &[]);
    sees(&chair, "leave, the light stays");
    for (width, height) in [(60, 20), (120, 40), (30, 8), (80, 24)] {
        chair.forget();
        let far = chair.far.as_ref().expect("there");
        tcsetwinsize(far, Winsize { ws_row: height, ws_col: width, ws_xpixel: 0, ws_ypixel: 0 })
            .expect("sized");
        let rows = sees(&chair, "pier");
        assert!(chair.text().contains("\x1b[2J"), "it is drawn anew");
        for (index, row) in rows.iter().enumerate() {
            let used = row.trim_end().chars().count();
            assert!(used <= usize::from(width), "{width}x{height}: {row}");
            assert!(index < usize::from(height) || used == 0, "{width}x{height}: line {index}: {row}");
        }
    }
}

#[test]
fn a_daemon_that_is_killed_is_told_and_the_screen_goes_on_when_it_is_back() {
    let set = Set::new();
    let mut daemon = set.daemon();
    let mut chair = follow(&set, &[]);
    sees_large(&chair, "dark");
    daemon.kill();
    sees_large(&chair, "no daemon");
    sees(&chair, "trying again each second");
    chair.press("n");
    sees(&chair, "next was not done: no daemon answers");
    let _daemon = set.daemon();
    sees(&chair, "the daemon is back");
    sees_large(&chair, "dark");
    let status = set.until("it answers", |_| true);
    assert_eq!(status["now"]["look"], "dark", "a key is not kept for later");
}

/// Source: no-color.org: colour off where NO_COLOR is set and not empty; weight and reverse are no colour.
#[test]
fn it_keeps_to_no_color() {
    let set = Set::new();
    let mut daemon = set.daemon();
    let colours = |chair: &Chair| {
        let text = chair.text();
        let codes =
            text.split("\x1b[").filter_map(|part| part.split_once('m')).map(|(codes, _)| codes.to_owned());
        codes
            .flat_map(|c| c.split(';').map(str::to_owned).collect::<Vec<_>>())
            .any(|c| c.len() == 2 && c.starts_with('3'))
    };
    let (plain, coloured) = (follow(&set, &[("NO_COLOR", "1")]), follow(&set, &[("NO_COLOR", "")]));
    for chair in [&plain, &coloured] {
        sees(chair, "leave, the light stays");
    }
    daemon.kill();
    for chair in [&plain, &coloured] {
        sees_large(chair, "no daemon");
    }
    assert!(!colours(&plain) && colours(&coloured));
}

#[test]
fn in_a_pipe_and_on_a_terminal_that_cannot_be_steered_it_prints_lines() {
    let set = Set::new();
    let _daemon = set.daemon();
    for (args, expected) in
        [(&["status", "--follow"][..], "dark"), (&["status", "--follow", "--json"][..], "{\"version\":1")]
    {
        let mut child = set.command(args).stdout(Stdio::piped()).spawn().expect("it starts");
        let mut line = String::new();
        BufReader::new(child.stdout.take().expect("piped")).read_line(&mut line).expect("a line");
        assert!(line.starts_with(expected) && !line.contains('\u{1b}'), "{line}");
        child.kill().expect("killed");
        child.wait().expect("gone");
    }
    let mut chair = follow(&set, &[("TERM", "dumb")]);
    chair.shows("dark");
    assert!(!chair.text().contains('\u{1b}'));
    // Not an interrupt: a shell that runs the tests in the background has told them to ignore those.
    kill_process(Pid::from_child(&chair.child), Signal::TERM).expect("signalled");
    chair.ends();
}
