//! Wrong usage with one next step: the word that was meant, or a line that works.

use std::ffi::OsString;

use clap::Command;
use clap::builder::StyledStr;
use clap::error::{ContextKind, ContextValue, Error, ErrorKind};

use crate::words::{nearest, short};

/// The same error with a next step where it has none yet. `words`: what was typed, the program first.
pub(super) fn with_next_step(mut error: Error, whole: &Command, words: &[OsString]) -> Error {
    let typed: Vec<&str> = words.iter().skip(1).filter_map(|word| word.to_str()).collect();
    let command = command_of(whole, &typed);
    let wrong = |kind| match error.get(kind) {
        Some(ContextValue::String(word)) => Some(word.clone()),
        _ => None,
    };
    let tip = match error.kind() {
        ErrorKind::InvalidSubcommand => {
            // One word, where there is one: a list of all that begin alike helps nobody in a hurry.
            let known = command.get_subcommands().filter(|c| !c.is_hide_set()).map(Command::get_name);
            let meant = wrong(ContextKind::InvalidSubcommand).and_then(|word| nearest(&word, known));
            if let Some(meant) = meant {
                let meant = ContextValue::Strings(vec![meant.to_owned()]);
                error.insert(ContextKind::SuggestedSubcommand, meant);
            }
            None
        }
        ErrorKind::UnknownArgument if error.get(ContextKind::SuggestedArg).is_none() => {
            let word = wrong(ContextKind::InvalidArg).unwrap_or_default();
            meant_by(&word, command, &typed).or_else(|| example(command))
        }
        ErrorKind::MissingRequiredArgument => example(command),
        _ => None,
    };
    if let Some(tip) = tip {
        error.insert(ContextKind::Suggested, ContextValue::StyledStrs(vec![StyledStr::from(tip)]));
    }
    error
}

/// The command that these words name, as far as they name one.
fn command_of<'c>(whole: &'c Command, typed: &[&str]) -> &'c Command {
    let mut command = whole;
    let mut words = typed.iter();
    while let Some(word) = words.next() {
        match command.find_subcommand(word) {
            Some(found) => command = found,
            None if *word == "--set" => drop(words.next()),
            None if word.starts_with('-') => {}
            None => break,
        }
    }
    command
}

/// What a word too many may have been meant to be: an option without its dashes, or the unit of the number before it.
fn meant_by(word: &str, command: &Command, typed: &[&str]) -> Option<String> {
    if command.get_arguments().any(|arg| arg.get_long() == Some(word)) {
        return Some(format!("it is an option: `--{word}`"));
    }
    let before = typed.windows(2).find(|pair| pair[1] == word).map(|pair| pair[0])?;
    let unit = before.parse::<f64>().is_ok() && word.chars().all(|c| c.is_alphabetic() || "°%".contains(c));
    unit.then(|| format!("a number and its unit are one word: `{}{}`", short(before), short(word)))
}

/// The first example of a command's help.
fn example(command: &Command) -> Option<String> {
    let help = command.get_after_help()?.to_string();
    let (_, line) = help.lines().find_map(|line| line.split_once("lampkeep "))?;
    let line = line.split("  ").next().unwrap_or(line).trim_end();
    Some(format!("such as `lampkeep {line}`"))
}

#[cfg(test)]
mod tests {
    use clap::{CommandFactory, Parser};

    use super::super::Args;
    use super::*;

    fn said(line: &str) -> String {
        let words: Vec<OsString> = line.split(' ').map(OsString::from).collect();
        let error = Args::try_parse_from(&words).expect_err("wrong usage");
        with_next_step(error, &Args::command(), &words).to_string()
    }

    #[test]
    fn a_slip_gets_one_next_step() {
        let near = said("lampkeep recal quay-dusk");
        assert!(near.contains("'recall'") && !near.contains("'cancel'"), "{near}");
        assert!(said("lampkeep take strat 4").contains("'start'"));
        for (line, tip) in [
            ("lampkeep dark now", "tip: it is an option: `--now`"),
            ("lampkeep recall quay-dusk --over 3 s", "tip: a number and its unit are one word: `3s`"),
            ("lampkeep --set pier only", "tip: such as `lampkeep only key`"),
            ("lampkeep take amend 4/1", "tip: such as `lampkeep take amend 4/3 "),
            ("lampkeep next quay-dusk", "tip: such as `lampkeep next`"),
        ] {
            let said = said(line);
            assert!(said.contains(tip), "{line}: {said}");
        }
        assert!(said("lampkeep status --folow").contains("'--follow'"));
    }
}
