//! Completion in real shells, beside a simulated daemon: what a press of Tab puts in, how fast, and what it never tells.

#[path = "common/terminal.rs"]
mod terminal;

use std::os::unix::fs::PermissionsExt;
use std::os::unix::net::UnixListener;
use std::path::Path;
use std::process::{Command, Output};
use std::time::{Duration, Instant};

use terminal::{Chair, PLAN, Set, wait};

/// bash's usual COMP_WORDBREAKS. Source: bash 5.2 reference manual, Bash Variables.
const BREAKS: &str = " \t\n\"'@><=;|&(:";

/// The words that are offered at the end of a line, as bash asks for them; options apart, which stand where nothing
/// else can.
fn offered(set: &Set, line: &str) -> Vec<String> {
    let words = words(&ask(set, line));
    words.into_iter().filter(|word| !word.starts_with('-')).collect()
}

fn ask(set: &Set, line: &str) -> Output {
    set.command(&["complete", "bash", BREAKS, line]).output().expect("it runs")
}

/// What was said, which is nothing to standard error, ever.
fn words(out: &Output) -> Vec<String> {
    assert!(out.status.success() && out.stderr.is_empty(), "{}", String::from_utf8_lossy(&out.stderr));
    let said = String::from_utf8(out.stdout.clone()).expect("text");
    let mut lines = said.lines().map(str::to_owned);
    assert_eq!(lines.next().as_deref(), Some("words"), "{said}");
    lines.collect()
}

#[test]
fn looks_lamps_and_takes_are_the_daemon_s() {
    let set = Set::new();
    let _daemon = set.daemon();
    assert_eq!(offered(&set, "lampkeep recall "), ["bright", "half", "low"]);
    assert_eq!(offered(&set, "lampkeep recall ha"), ["half"]);
    assert_eq!(
        offered(&set, "lampkeep --set next recall ha"),
        ["half"],
        "a set may be called like a command"
    );
    assert_eq!(offered(&set, "lampkeep only "), ["key"]);
    assert_eq!(offered(&set, "lampkeep nudge "), ["key", "all"]);
    assert_eq!(offered(&set, "lampkeep read wa"), ["wall-left", "wall", "wall-right"]);
    assert_eq!(offered(&set, "lampkeep recall --take "), Vec::<String>::new());
    for slate in ["4", "4", "9b"] {
        set.says(&["take", "start", slate]);
        set.says(&["take", "end"]);
    }
    // The newest first, as `lampkeep take list` names them.
    assert_eq!(offered(&set, "lampkeep recall --take "), ["9b/1", "4/2", "4/1"]);
    assert_eq!(offered(&set, "lampkeep take amend n"), ["n3", "n2", "n1"]);
    assert_eq!(offered(&set, "lampkeep match p"), ["plan"]);
    assert_eq!(offered(&set, "lampkeep take amend 4/1 is"), ["iso="]);
    // A plan that the command reads by itself is asked, not the daemon.
    std::fs::write(set.path("other.toml"), "[look.dusk]\n").expect("written");
    assert_eq!(offered(&set, "lampkeep explain --plan other.toml "), ["dusk"]);
    assert_eq!(offered(&set, "lampkeep draw other.toml --look "), ["dusk"]);
    assert!(
        offered(&set, "lampkeep rehearse --from ").contains(&"quay-dusk".to_owned()),
        "the built-in demo"
    );
    // A kept look is there at once.
    set.says(&["recall", "half", "--over", "0s"]);
    set.says(&["keep", "late"]);
    assert_eq!(offered(&set, "lampkeep recall l"), ["low", "late"]);
}

#[test]
fn without_a_daemon_names_are_the_plan_s_however_wrong_it_is() {
    let set = Set::new();
    assert_eq!(offered(&set, "lampkeep draw pier.toml --look "), ["bright", "half", "low"]);
    let wrong = PLAN.replace("iso = 800", "iso = many").replace("[look.low]", "[look.late]\n[look.low]");
    std::fs::write(set.path("wrong.toml"), wrong).expect("written");
    assert_eq!(offered(&set, "lampkeep draw wrong.toml --look "), ["bright", "half", "late", "low"]);
}

#[test]
#[expect(clippy::disallowed_methods, reason = "how long a person waits")]
fn what_is_wrong_is_never_said() {
    let set = Set::new();
    let none = Vec::<String>::new();
    // No plan, no TOML, no text, no file for this user, and lines that are no command.
    std::fs::write(set.path("bytes.toml"), [0xff, 0xfe, 0x00]).expect("written");
    std::fs::write(set.path("closed.toml"), PLAN).expect("written");
    std::fs::set_permissions(set.path("closed.toml"), PermissionsExt::from_mode(0o000)).expect("closed");
    for line in [
        "lampkeep draw none.toml --look ",
        "lampkeep draw bytes.toml --look ",
        "lampkeep draw /dev/null.toml --look ",
        "lampkeep only ",
        "lampkeep --set \"no such ; set\" only ",
        "lampkeep recall \"bri",
    ] {
        assert_eq!(offered(&set, line), none, "{line}");
    }
    for args in [vec!["complete", "bash"], vec!["complete", "zsh", "9", "--", "lampkeep"]] {
        let out = set.command(&args).output().expect("it runs");
        assert!(out.stdout.is_empty() && out.stderr.is_empty(), "{args:?}");
    }
    // A daemon that answers nobody: soon nothing, and nothing of a plan either, since it may be protecting a face.
    let _mute = UnixListener::bind(set.path("s.sock")).expect("bound");
    let began = Instant::now();
    assert_eq!(offered(&set, "lampkeep explain --plan pier.toml "), none);
    assert!(began.elapsed() < Duration::from_secs(5));
}

#[test]
fn while_a_face_is_protected_there_are_numbers_and_no_names() {
    let set = Set::new();
    let none = Vec::<String>::new();
    {
        let _daemon = set.daemon();
        set.says(&["take", "start", "adas-scene"]);
        set.says(&["take", "end"]);
        set.says(&["protect", "on"]);
        assert_eq!(offered(&set, "lampkeep recall "), ["look-1", "look-2", "look-3"]);
        assert_eq!(offered(&set, "lampkeep only "), ["lamp-1"]);
        assert_eq!(offered(&set, "lampkeep recall --take "), ["n1"]);
        // The numbers are understood.
        set.says(&["recall", "look-2", "--over", "0s"]);
        assert_eq!(offered(&set, "lampkeep explain --plan pier.toml "), none);
        assert_eq!(offered(&set, "lampkeep draw pier.toml --look "), none);
    }
    // The daemon has gone, the face is protected all the same.
    std::fs::remove_file(set.path("s.sock")).expect("left behind");
    assert_eq!(offered(&set, "lampkeep draw pier.toml --look "), none);
    assert_eq!(offered(&set, "lampkeep recall "), none);
}

/// A person does not notice what takes less than 0.1 s. Source: Card, Moran and Newell, The Psychology of Human-Computer
/// Interaction (1983), the cycle of the perceptual processor; the least of some runs, since a machine may be busy.
#[test]
#[expect(clippy::disallowed_methods, reason = "how long a person waits")]
fn an_answer_comes_within_a_tenth_of_a_second() {
    let set = Set::new();
    let _daemon = set.daemon();
    for line in ["lampkeep recall ", "lampkeep recall --take ", "lampkeep draw pier.toml --look "] {
        let least = (0..20)
            .map(|_| {
                let began = Instant::now();
                ask(&set, line);
                began.elapsed()
            })
            .min()
            .expect("runs");
        println!("{line}: {} ms", least.as_millis());
        assert!(least < Duration::from_millis(100), "{line}: {least:?}");
    }
}

fn there(shell: &str) -> bool {
    if Command::new(shell).arg("--version").output().is_ok() {
        return true;
    }
    let skip = std::env::var_os("LAMPKEEP_SKIP_SHELLS").is_some_and(|v| v == "1");
    assert!(skip, "there is no {shell}: install it (tests/setup), or set LAMPKEEP_SKIP_SHELLS=1");
    eprintln!("NOT RUN: there is no {shell} and LAMPKEEP_SKIP_SHELLS=1");
    false
}

/// A set with the completions written out, and a plan whose name has to be quoted.
fn prepared() -> Set {
    let set = Set::new();
    set.says(&["papers", "papers"]);
    std::fs::write(set.path("my $plan.toml"), PLAN).expect("written");
    set
}

/// The command of a shell that finds the program under test.
fn shell(set: &Set, args: &[&str]) -> Command {
    let bin = Path::new(env!("CARGO_BIN_EXE_lampkeep")).parent().expect("a folder");
    let path = std::env::var("PATH").unwrap_or_default();
    let mut command = Command::new(args[0]);
    command
        .args(&args[1..])
        .current_dir(set.dir.path())
        .env("PATH", format!("{}:{path}", bin.display()))
        .env("HOME", set.dir.path())
        .env("LAMPKEEP_SOCKET", set.path("s.sock"))
        .env("LAMPKEEP_STATE", set.path("state"))
        .env("TERM", "xterm")
        .env("PS1", "READY> ")
        .env("LC_ALL", "C.UTF-8");
    command
}

/// Types a line with a Tab in it into a shell on a terminal, and does what comes of it.
fn typed(chair: &mut Chair, line: &str) {
    chair.shows("READY> ");
    chair.forget();
    chair.press(line);
    // The shell asks the program before it goes on.
    wait(200);
    chair.press("\r");
}

/// What Tab puts in is what the command then gets: seen by what the daemon does.
fn completes_in(set: &Set, chair: &mut Chair) {
    typed(chair, "lampkeep recall ha\t");
    set.until("half is recalled", |status| status["now"]["look"] == "half");
    typed(chair, "lampkeep take start 4");
    set.until("a take rolls", |status| status["now"]["take"] == "4/1");
    typed(chair, "lampkeep take end go\t");
    set.until("it has ended", |status| status["now"]["take"].is_null());
    typed(chair, "lampkeep take amend 4\t ba\t");
    for _ in 0..300 {
        if set.says(&["take", "list"]).contains("bad") {
            break;
        }
        wait(20);
    }
    assert!(set.says(&["take", "list"]).contains("bad"), "{}", chair.text());
    // A name of a file that has to be quoted, completed by the shell itself.
    typed(chair, "lampkeep check my\t");
    chair.shows("my $plan.toml: no errors");
}

#[test]
fn bash_puts_in_names_and_quotes_files() {
    let set = prepared();
    let _daemon = set.daemon();
    let mut chair = Chair::start(shell(&set, &["bash", "--norc", "--noprofile", "-i"]));
    typed(&mut chair, "source papers/bash/lampkeep");
    completes_in(&set, &mut chair);
}

#[test]
fn zsh_puts_in_names_and_quotes_files() {
    if !there("zsh") {
        return;
    }
    let set = prepared();
    let _daemon = set.daemon();
    let mut chair = Chair::start(shell(&set, &["zsh", "-f", "-i"]));
    typed(&mut chair, "fpath=($PWD/papers/zsh $fpath); autoload -Uz compinit; compinit -u -D");
    completes_in(&set, &mut chair);
}

/// fish tells what it would put in without a terminal.
#[test]
fn fish_offers_names_and_files() {
    if !there("fish") {
        return;
    }
    let set = prepared();
    let _daemon = set.daemon();
    let ask = |line: &str| {
        let script = format!("source papers/fish/lampkeep.fish; complete -C '{line}'");
        let out = shell(&set, &["fish", "--no-config", "-c", &script]).output().expect("it runs");
        assert!(out.stderr.is_empty(), "{}", String::from_utf8_lossy(&out.stderr));
        String::from_utf8(out.stdout).expect("text").lines().map(str::to_owned).collect::<Vec<_>>()
    };
    assert_eq!(ask("lampkeep recall ha"), ["half"]);
    assert_eq!(ask("lampkeep nudge "), ["key", "all\tevery lamp"]);
    assert_eq!(ask("lampkeep check my"), ["my $plan.toml"]);
    assert_eq!(ask("lampkeep sheet pier.toml --out=my"), ["--out=my $plan.toml"]);
}
