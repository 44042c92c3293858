//! Completion for shells: what may stand at the cursor, from the one definition of the commands.
//!
//! Looks, lamps and takes come from the running daemon, else from a plan. A shell asks at every press of a key, so this
//! is quick and never says what is wrong: where anything is, there is nothing to offer.

mod line;
mod names;
mod values;

use std::ffi::OsString;
use std::sync::OnceLock;

use clap::{CommandFactory, ValueHint};
use clap_complete::engine::{ArgValueCompleter, CompletionCandidate};

use super::args::Args;
use super::exit::Exit;
use super::run::print;
pub(super) use line::Line;
pub(super) use values::{
    amended, begin, cold, lamps, looks, marks, matched, nudged, points, sets, takes, words,
};

/// The completions of shells, by the file name that each shell looks for.
pub(super) const SCRIPTS: [(&str, &str); 3] = [
    ("bash/lampkeep", include_str!("lampkeep.bash")),
    ("zsh/_lampkeep", include_str!("lampkeep.zsh")),
    ("fish/lampkeep.fish", include_str!("lampkeep.fish")),
];

/// Stands for names of files, which shells complete and quote better than anyone.
const FILES: &str = "\u{1}";

/// What a shell tells of a line.
#[derive(Debug, clap::Args)]
pub struct CompleteArgs {
    /// Which shell asks
    pub shell: Shell,
    /// bash: characters that end a word, then the line up to the cursor. Else: number of the word at the cursor, then
    /// `--` and all words up to it
    #[arg(num_args = 0.., allow_hyphen_values = true)]
    pub rest: Vec<OsString>,
}

/// A shell that asks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Shell {
    /// Takes words alone.
    Bash,
    /// Takes words and what they are.
    Zsh,
    /// Takes words and what they are.
    Fish,
}

/// The line that is being completed, for those who look names up for it.
static LINE: OnceLock<Line> = OnceLock::new();

/// Prints `files`, or `words` and a line for each word that may stand at the cursor.
pub fn run(args: CompleteArgs) -> Exit {
    if let Some(line) = Line::told(args.shell, args.rest) {
        let cut = line.cut.clone();
        let said = said(args.shell, &offered(line), &cut);
        print(&said);
    }
    Exit::Done
}

/// Everything that may stand at the cursor of a line.
fn offered(line: Line) -> Vec<CompletionCandidate> {
    let line = LINE.get_or_init(|| line);
    let mut command = with_files(Args::command());
    let (words, at) = line.joined();
    let all = clap_complete::engine::complete(&mut command, words, at, None);
    let mut all = all.unwrap_or_default();
    // With nothing typed options would only hide the names among them.
    let option = |c: &CompletionCandidate| c.get_value().to_string_lossy().starts_with('-');
    if line.current().is_empty() && all.iter().any(|c| !option(c)) {
        all.retain(|c| !option(c));
    }
    all
}

/// Every argument that takes a path asks the shell for it.
fn with_files(command: clap::Command) -> clap::Command {
    let path = |hint| matches!(hint, ValueHint::AnyPath | ValueHint::FilePath | ValueHint::DirPath);
    let files = || ArgValueCompleter::new(|_: &std::ffi::OsStr| vec![CompletionCandidate::new(FILES)]);
    command
        .mut_args(|arg| if path(arg.get_value_hint()) { arg.add(files()) } else { arg })
        .mut_subcommands(with_files)
}

/// As the script of that shell reads it. `cut`: what of the word stands already where the shell puts it in.
fn said(shell: Shell, offered: &[CompletionCandidate], cut: &str) -> String {
    if offered.iter().any(|c| c.get_value().to_string_lossy().contains(FILES)) {
        return "files".to_owned();
    }
    let mut out = "words".to_owned();
    for candidate in offered {
        let Some(word) = candidate.get_value().to_str().and_then(|w| w.strip_prefix(cut)) else { continue };
        let about = candidate.get_help().map(ToString::to_string).unwrap_or_default();
        let about = about.lines().next().unwrap_or_default();
        out.push('\n');
        match shell {
            Shell::Bash => out.push_str(word),
            // A colon ends the word there.
            Shell::Zsh if about.is_empty() => out.push_str(&word.replace(':', "\\:")),
            Shell::Zsh => out.push_str(&format!("{}:{about}", word.replace(':', "\\:"))),
            Shell::Fish if about.is_empty() => out.push_str(word),
            Shell::Fish => out.push_str(&format!("{word}\t{about}")),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_shell_gets_words_as_it_reads_them() {
        let offered = [
            CompletionCandidate::new("wall@pilot").help(Some("a: b".into())),
            CompletionCandidate::new("wall@12:30"),
        ];
        assert_eq!(said(Shell::Bash, &offered, "wall@"), "words\npilot\n12:30");
        assert_eq!(said(Shell::Zsh, &offered, ""), "words\nwall@pilot:a: b\nwall@12\\:30");
        assert_eq!(said(Shell::Fish, &offered, ""), "words\nwall@pilot\ta: b\nwall@12:30");
        assert_eq!(said(Shell::Fish, &[CompletionCandidate::new("--out=\u{1}")], ""), "files");
        assert_eq!(said(Shell::Bash, &[], ""), "words");
    }
}
