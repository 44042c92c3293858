//! A page of the documents, read: its blocks of commands with what they should print, its links and headings.
//!
//! What only the tests need to know stands in comments that no reader sees, `<!-- test: … -->`:
//!
//! | comment | meaning |
//! | --- | --- |
//! | `not run: REASON` | the next block cannot run in a test |
//! | `ends with N` | the last command of the next block ends with this exit code; all others with 0 |
//! | `typed` | the next block is a dialogue: what stands after a prompt is typed |
//! | `write FILE` | the next block is the text of this file |
//! | `fresh` | from here on another folder, with the files that the page has written so far |
//! | `copy FILE…` | these files of the project into the folder |
//! | `do COMMAND` | runs a command that the page takes for granted |
//! | `wait POINTER VALUE` | until the daemon's status has this value at this JSON pointer |
//! | `type TEXT` | a line typed to the simulated interface that was started last |
//! | `stop` | the program that was started last is told to stop, as by Ctrl-C |
//! | `kill` | it is killed |
//!
//! In what is printed `…` stands for anything within a line, and alone on its line for any lines.

/// One command of a block.
pub struct Command {
    pub line: usize,
    pub text: String,
    /// What it prints; empty where the page does not show it.
    pub printed: Vec<String>,
}

/// What the tests do for a page, in its order.
pub enum Step {
    Fresh,
    Copy(Vec<String>),
    Write { name: String, text: String },
    Wait { pointer: String, value: String },
    Type(String),
    Stop,
    Kill,
    Run { commands: Vec<Command>, ends_with: i32, typed: bool },
    NotRun { line: usize, commands: Vec<Command>, reason: String },
    Toml { line: usize, text: String },
}

/// What is done in one folder: a page up to the next `fresh`.
pub struct Part<'p> {
    pub page: &'p str,
    /// The files that the page has written before.
    pub written: Vec<(&'p str, &'p str)>,
    pub steps: &'p [Step],
}

/// A page of the documents.
pub struct Page {
    pub name: String,
    pub steps: Vec<Step>,
    /// Everything outside of blocks, with line numbers.
    pub prose: Vec<(usize, String)>,
}

impl Page {
    /// Reads a page; panics with its line where it is not as these tests want it.
    pub fn read(name: &str) -> Self {
        let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join(name);
        let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
        let (mut steps, mut prose) = (Vec::new(), Vec::new());
        let mut asked: Vec<String> = Vec::new();
        let mut lines = text.lines().enumerate();
        while let Some((at, line)) = lines.next() {
            let line_number = at + 1;
            let trimmed = line.trim_start();
            if let Some(comment) = trimmed.strip_prefix("<!-- test: ") {
                let comment = comment.strip_suffix(" -->");
                let comment =
                    comment.unwrap_or_else(|| panic!("{name}:{line_number}: no end of the comment"));
                match alone(comment, line_number) {
                    Some(step) => steps.push(step),
                    None => asked.push(comment.to_owned()),
                }
            } else if let Some(kind) = trimmed.strip_prefix("```") {
                let indent = line.len() - trimmed.len();
                let body: Vec<String> = lines
                    .by_ref()
                    .take_while(|(_, l)| l.trim() != "```")
                    .map(|(_, l)| l.get(indent..).unwrap_or_default().trim_end().to_owned())
                    .collect();
                let place = format!("{name}:{line_number}");
                steps.extend(block(&place, kind, line_number, &body, &std::mem::take(&mut asked)));
            } else {
                assert!(
                    asked.is_empty() || trimmed.is_empty(),
                    "{name}:{line_number}: {asked:?} stands before no block"
                );
                prose.push((line_number, line.to_owned()));
            }
        }
        Self { name: name.to_owned(), steps, prose }
    }

    /// What is done in one folder each, in order; nothing else ties them together.
    pub fn parts(&self) -> Vec<Part<'_>> {
        let mut written = Vec::new();
        let parts = self.steps.split(|step| matches!(step, Step::Fresh)).map(|steps| {
            let part = Part { page: &self.name, written: written.clone(), steps };
            written.extend(steps.iter().filter_map(|step| match step {
                Step::Write { name, text } => Some((name.as_str(), text.as_str())),
                _ => None,
            }));
            part
        });
        parts.collect()
    }

    /// Every link that is no web address: line and target.
    pub fn links(&self) -> Vec<(usize, String)> {
        let mut found = Vec::new();
        for (line, text) in &self.prose {
            let text = without_code(text);
            for rest in text.split("](").skip(1) {
                let target = rest.split(')').next().unwrap_or_default();
                found.push((*line, target.to_owned()));
            }
        }
        found
    }

    /// The anchors of its headings, as the usual viewers make them.
    pub fn anchors(&self) -> Vec<String> {
        let headings = self.prose.iter().filter_map(|(_, line)| {
            let title = line.trim_start_matches('#');
            (title.len() < line.len()).then(|| title.strip_prefix(' ')).flatten()
        });
        let mut anchors: Vec<String> = Vec::new();
        for title in headings {
            let kept = title.trim().chars().filter(|c| c.is_alphanumeric() || matches!(c, ' ' | '-' | '_'));
            let anchor: String = kept.map(|c| if c == ' ' { '-' } else { c }).collect();
            let anchor = anchor.to_lowercase();
            let same = anchors.iter().filter(|a| **a == anchor).count();
            anchors.push(if same == 0 { anchor } else { format!("{anchor}-{same}") });
        }
        anchors
    }

    /// Every `lampkeep …` in the prose, with its line.
    pub fn mentioned(&self) -> Vec<(usize, String)> {
        let spans = self
            .prose
            .iter()
            .flat_map(|(line, text)| text.split('`').skip(1).step_by(2).map(|span| (*line, span.to_owned())));
        spans.filter(|(_, span)| span.starts_with("lampkeep ")).collect()
    }
}

/// A line without what stands between back quotes.
fn without_code(line: &str) -> String {
    line.split('`').step_by(2).collect::<Vec<_>>().join("``")
}

/// A comment that is a step by itself.
fn alone(comment: &str, line: usize) -> Option<Step> {
    let (word, rest) = comment.split_once(' ').unwrap_or((comment, ""));
    Some(match word {
        "fresh" => Step::Fresh,
        "copy" => Step::Copy(rest.split(' ').map(str::to_owned).collect()),
        "wait" => {
            let (pointer, value) = rest.split_once(' ')?;
            Step::Wait { pointer: pointer.to_owned(), value: value.to_owned() }
        }
        "do" => {
            let command = Command { line, text: rest.to_owned(), printed: Vec::new() };
            Step::Run { commands: vec![command], ends_with: 0, typed: false }
        }
        "type" => Step::Type(rest.to_owned()),
        "stop" => Step::Stop,
        "kill" => Step::Kill,
        _ => return None,
    })
}

/// What a block asks for.
fn block(place: &str, kind: &str, line: usize, body: &[String], asked: &[String]) -> Option<Step> {
    let of = |word: &str| asked.iter().find_map(|a| a.strip_prefix(word).map(str::trim));
    if let Some(name) = of("write ") {
        let text = body.iter().map(|l| format!("{l}\n")).collect();
        return Some(Step::Write { name: name.to_owned(), text });
    }
    let commands = match kind {
        "console" => console(place, line, body),
        "sh" => body
            .iter()
            .enumerate()
            .filter(|(_, l)| !l.is_empty() && !l.starts_with('#'))
            .map(|(i, l)| Command { line: line + 1 + i, text: l.clone(), printed: Vec::new() })
            .collect(),
        "toml" => return Some(Step::Toml { line, text: body.join("\n") }),
        "text" | "json" | "sql" | "ini" | "" => {
            let command = body.iter().find(|l| l.starts_with("$ ") || l.starts_with("lampkeep "));
            assert!(command.is_none(), "{place}: a block of commands is a `console` or a `sh` block");
            assert!(asked.is_empty(), "{place}: {asked:?} is of no use here");
            return None;
        }
        other => panic!("{place}: what is a block of kind `{other}`?"),
    };
    assert!(!commands.is_empty(), "{place}: a block of commands without a command");
    if let Some(reason) = of("not run:") {
        assert!(reason.len() > 15, "{place}: not run, and why?");
        return Some(Step::NotRun { line, commands, reason: reason.to_owned() });
    }
    let ends_with = of("ends with ").map_or(0, |n| n.parse().expect("an exit code"));
    Some(Step::Run { commands, ends_with, typed: asked.iter().any(|a| a == "typed") })
}

/// Commands behind `$ `, each with the lines that it prints; a backslash goes on with the next line.
fn console(place: &str, line: usize, body: &[String]) -> Vec<Command> {
    let mut commands: Vec<Command> = Vec::new();
    let mut goes_on = false;
    for (i, text) in body.iter().enumerate() {
        if goes_on {
            let last = commands.last_mut().expect("a line goes on only after one");
            last.text = format!("{} {}", last.text.trim_end_matches('\\'), text.trim_start());
            goes_on = last.text.ends_with('\\');
        } else if let Some(command) = text.strip_prefix("$ ") {
            goes_on = command.ends_with('\\');
            commands.push(Command { line: line + 1 + i, text: command.to_owned(), printed: Vec::new() });
        } else {
            let last = commands.last_mut();
            last.unwrap_or_else(|| panic!("{place}: printed before any command")).printed.push(text.clone());
        }
    }
    commands
}
