//! The documents: every command in them is run, in order, in a folder of its own; what they show is what is printed;
//! links lead somewhere; what the prose calls a command or an option is one. `page.rs` says how a page tells what a test needs.

mod compare;
mod page;
mod session;

use std::collections::{BTreeMap, BTreeSet};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::process::Command;
use std::sync::Mutex;

use page::{Page, Step};
use session::Session;

/// Parts of pages that run side by side: they wait for fades and faults most of the time.
const AT_A_TIME: usize = 12;

#[test]
fn every_command_runs_and_prints_what_its_page_shows() {
    let pages: Vec<Page> =
        all().into_iter().filter(|p| p.name != "docs/mqtt.md" || session::a_broker_is_here()).collect();
    let mut parts: Vec<page::Part<'_>> = pages.iter().flat_map(Page::parts).collect();
    // Those with most to do come first off the end.
    parts.sort_by_key(|part| part.steps.len());
    let (queue, failed) = (Mutex::new(parts), Mutex::new(Vec::new()));
    std::thread::scope(|scope| {
        for _ in 0..AT_A_TIME {
            scope.spawn(|| {
                loop {
                    let Some(part) = queue.lock().expect("no panic while it is held").pop() else { break };
                    let went = catch_unwind(AssertUnwindSafe(|| Session::go_through(&part)));
                    if let Err(why) = went {
                        let why = why.downcast_ref::<String>().cloned().unwrap_or_default();
                        failed.lock().expect("no panic while it is held").push(why);
                    }
                }
            });
        }
    });
    let failed = failed.into_inner().expect("no panic while it is held");
    assert!(
        failed.is_empty(),
        "{} commands are not as their pages say:\n\n{}",
        failed.len(),
        failed.join("\n\n")
    );
}

/// README, DEVELOPERS and everything in docs.
fn all() -> Vec<Page> {
    let docs = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs");
    let files = std::fs::read_dir(docs).expect("docs").filter_map(Result::ok);
    let names = files.filter_map(|file| file.file_name().into_string().ok());
    let pages = names.filter(|name| name.ends_with(".md")).map(|name| format!("docs/{name}"));
    ["README.md".to_owned(), "DEVELOPERS.md".to_owned()]
        .into_iter()
        .chain(pages)
        .map(|n| Page::read(&n))
        .collect()
}

#[test]
fn every_link_leads_somewhere_and_every_page_is_in_the_contents() {
    let pages: BTreeMap<String, Page> = all().into_iter().map(|p| (p.name.clone(), p)).collect();
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut wrong = Vec::new();
    let mut listed = BTreeSet::from(["README.md".to_owned(), "docs/README.md".to_owned()]);
    for page in pages.values() {
        for (line, target) in page.links() {
            let (file, anchor) = target.split_once('#').unwrap_or((&target, ""));
            let folder = Path::new(&page.name).parent().expect("a folder");
            let path = if file.is_empty() { page.name.clone() } else { plain(&folder.join(file)) };
            let there = !target.contains("://") && root.join(&path).exists();
            let anchored = anchor.is_empty()
                || pages.get(&path).is_some_and(|to| to.anchors().iter().any(|a| a == anchor));
            if !there || !anchored {
                wrong.push(format!("{}:{line}: {target}", page.name));
            }
            if page.name == "docs/README.md" {
                listed.insert(path);
            }
        }
        for (line, text) in &page.prose {
            if text.contains("://") && !text.contains('`') {
                wrong.push(format!("{}:{line}: a web address: name the document instead", page.name));
            }
        }
    }
    wrong.extend(
        pages.keys().filter(|name| !listed.contains(*name)).map(|n| format!("{n} is not in the contents")),
    );
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// A relative path without its dots.
fn plain(path: &Path) -> String {
    let mut parts: Vec<&str> = Vec::new();
    for part in path.iter().filter_map(|p| p.to_str()) {
        match part {
            "." => {}
            ".." => drop(parts.pop()),
            part => parts.push(part),
        }
    }
    parts.join("/")
}

#[test]
fn every_command_and_option_that_is_named_exists() {
    let help = |words: &[&str]| {
        let out =
            Command::new(env!("CARGO_BIN_EXE_lampkeep")).args(words).arg("--help").output().expect("it runs");
        out.status.success().then(|| String::from_utf8_lossy(&out.stdout).into_owned())
    };
    let listed = |help: &str, word: &str| help.lines().any(|l| l.split_whitespace().next() == Some(word));
    let (top, mut known) = (help(&[]).expect("help"), BTreeMap::new());
    let mut wrong = Vec::new();
    for page in all() {
        let run = page.steps.iter().filter_map(|step| match step {
            // These have run.
            Step::NotRun { commands, .. } => Some(commands.iter().map(|c| (c.line, c.text.clone()))),
            _ => None,
        });
        let named = page.mentioned().into_iter().chain(run.flatten());
        for (line, text) in named.filter(|(_, text)| text.starts_with("lampkeep ")) {
            let words: Vec<&str> = text.split_whitespace().skip(1).collect();
            let Some(command) = words.first().filter(|w| !w.starts_with('-') && **w != "…") else {
                continue;
            };
            let mut path = vec![*command];
            if let Some(second) = words.get(1)
                && help(&[command]).is_some_and(|h| h.contains("\nCommands:") && listed(&h, second))
            {
                path.push(second);
            }
            let text_of = known
                .entry(path.join(" "))
                .or_insert_with(|| listed(&top, command).then(|| help(&path)).flatten().unwrap_or_default());
            let options = words.iter().filter(|w| w.starts_with("--"));
            for option in options.map(|o| o.trim_end_matches([',', ';', '.', ']'])) {
                if !text_of.contains(option) {
                    wrong.push(format!("{}:{line}: {text}: no `{option}`", page.name));
                }
            }
            if text_of.is_empty() {
                wrong.push(format!("{}:{line}: {text}: no such command", page.name));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
