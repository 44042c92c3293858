//! What the README shows as real output is real output: each line that it quotes of the demo's
//! rehearsal stands in what the built binary prints.

use std::process::Command;

#[test]
fn the_quoted_rehearsal_is_what_the_binary_prints() {
    let readme = include_str!("../README.md");
    let quoted =
        readme.split("```text\n").nth(1).and_then(|t| t.split("```").next()).expect("a quoted output");
    let out = Command::new(env!("CARGO_BIN_EXE_lampkeep")).arg("rehearse").output().expect("it runs");
    let printed = String::from_utf8(out.stdout).expect("text");
    let mut lines = 0;
    for line in quoted.lines().filter(|l| !l.trim().is_empty() && l.trim() != "…") {
        assert!(
            printed.lines().any(|p| p == line),
            "the README quotes a line that is not printed:\n{line}\n{printed}"
        );
        lines += 1;
    }
    assert!(lines > 10, "the README quotes too little: {lines} lines");
}

#[test]
fn every_command_of_the_readme_exists() {
    let readme = include_str!("../README.md");
    let help = Command::new(env!("CARGO_BIN_EXE_lampkeep")).arg("--help").output().expect("it runs");
    let help = String::from_utf8(help.stdout).expect("text");
    for word in readme.split("`lampkeep ").skip(1).filter_map(|rest| rest.split([' ', '`']).next()) {
        let known = help.lines().any(|l| l.split_whitespace().next() == Some(word));
        assert!(known, "`lampkeep {word}` is in the README and not in the help");
    }
}
