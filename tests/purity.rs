//! Keeps clocks, files, sockets and threads out of the modules whose result must depend on their
//! arguments alone: a rehearsal on virtual time is only worth as much as that.

use std::path::{Path, PathBuf};

/// Pure folders and files under `src`, with what in each may do input and output.
const PURE: &[(&str, &[&str])] = &[
    ("units", &[]),
    ("light", &[]),
    ("guards", &[]),
    ("channels", &[]),
    ("wire/encode", &[]),
    ("wire/device/decode.rs", &[]),
    ("engine", &["run.rs"]),
    // `written` is compiled for tests alone.
    ("plan", &["load.rs", "written"]),
    ("journal/ask.rs", &[]),
    ("journal/entry.rs", &[]),
    ("journal/hash.rs", &[]),
    ("journal/name.rs", &[]),
    ("journal/said.rs", &[]),
    ("journal/take.rs", &[]),
    ("control/mqtt/judge.rs", &[]),
    ("control/mqtt/outbox.rs", &[]),
    ("control/mqtt/quiet.rs", &[]),
    ("reckon", &[]),
    ("calibrate", &[]),
    ("meter", &[]),
    ("chair", &["terminal.rs"]),
    ("follow", &[]),
    ("rehearse", &[]),
    ("report", &[]),
    ("sheet", &[]),
    ("reckon.rs", &[]),
    ("words.rs", &[]),
    ("picture", &[]),
];

/// What they may not name: the outside world, and time that is not an argument.
const FORBIDDEN: &[&str] = &[
    "tokio",
    "rumqttc",
    "rustix",
    "serialport",
    "std::env",
    "std::fs",
    "std::net",
    "std::os",
    "std::process",
    "std::thread",
    "Instant",
    "SystemTime",
    "Timestamp::now",
    "Zoned::now",
    "crate::clock",
    "print!",
    "println!",
    "eprint!",
    "eprintln!",
    "dbg!",
    // The rest of `std::io` reads and writes whatever it is given.
    "stdin",
    "stdout",
    "stderr",
    "io::pipe",
];

/// The program text alone: comments, strings and character literals blanked, line ends kept.
fn code_of(text: &str) -> String {
    let chars: Vec<char> = text.chars().collect();
    let mut out = String::with_capacity(text.len());
    let blank = |out: &mut String, part: &[char]| {
        out.extend(part.iter().map(|c| if *c == '\n' { '\n' } else { ' ' }));
    };
    let mut at = 0;
    while at < chars.len() {
        let rest = &chars[at..];
        let length = match rest {
            ['/', '/', ..] => rest.iter().position(|c| *c == '\n').unwrap_or(rest.len()),
            ['/', '*', ..] => block_comment(rest),
            ['"', ..] => string(rest),
            ['r', '#' | '"', ..] if at == 0 || !is_word(chars[at - 1]) => raw_string(rest),
            ['\'', '\\', ..] => {
                rest.iter().skip(2).skip(1).position(|c| *c == '\'').map_or(rest.len(), |n| n + 4)
            }
            ['\'', _, '\'', ..] => 3,
            _ => 0,
        };
        if length == 0 {
            out.push(chars[at]);
            at += 1;
        } else {
            blank(&mut out, &rest[..length.min(rest.len())]);
            at += length;
        }
    }
    out
}

fn is_word(c: char) -> bool {
    c.is_alphanumeric() || c == '_'
}

/// Block comments nest.
fn block_comment(rest: &[char]) -> usize {
    let (mut depth, mut at) = (0_usize, 0);
    while at < rest.len() {
        match rest[at..] {
            ['/', '*', ..] => (depth, at) = (depth + 1, at + 2),
            ['*', '/', ..] => (depth, at) = (depth - 1, at + 2),
            _ => at += 1,
        }
        if depth == 0 {
            return at;
        }
    }
    rest.len()
}

fn string(rest: &[char]) -> usize {
    let mut at = 1;
    while at < rest.len() {
        match rest[at] {
            '\\' => at += 2,
            '"' => return at + 1,
            _ => at += 1,
        }
    }
    rest.len()
}

/// The length of a raw string, 0 if this is a raw identifier or none.
fn raw_string(rest: &[char]) -> usize {
    let hashes = rest[1..].iter().take_while(|c| **c == '#').count();
    if rest.get(1 + hashes) != Some(&'"') {
        return 0;
    }
    let mut at = 2 + hashes;
    while at < rest.len() {
        if rest[at] == '"' && rest[at + 1..].iter().take(hashes).filter(|c| **c == '#').count() == hashes {
            return at + 1 + hashes;
        }
        at += 1;
    }
    rest.len()
}

/// Blanks every item under `#[cfg(test)]`.
fn without_tests(code: &str) -> String {
    let mut out = code.to_owned();
    while let Some(start) = out.find("#[cfg(test)]") {
        let mut depth = 0_i32;
        let mut end = out.len();
        for (at, c) in out[start..].char_indices() {
            match c {
                '{' => depth += 1,
                '}' => depth -= 1,
                _ => {}
            }
            if depth == 0 && (c == '}' || c == ';') {
                end = start + at + c.len_utf8();
                break;
            }
        }
        let blank: String = out[start..end].chars().map(|c| if c == '\n' { '\n' } else { ' ' }).collect();
        out.replace_range(start..end, &blank);
    }
    out
}

/// Spells out `use std::{fs, io::Write}` as `std::fs` and `std::io::Write`.
fn spelled_out(line: &str) -> Vec<String> {
    let Some(open) = line.find('{') else { return vec![line.to_owned()] };
    let head = &line[..open];
    let Some(prefix) =
        head.strip_suffix("::").and_then(|h| h.rsplit(|c: char| !is_word(c) && c != ':').next())
    else {
        return vec![line.to_owned()];
    };
    let close = line.rfind('}').unwrap_or(line.len());
    let (mut depth, mut part, mut parts) = (0_i32, String::new(), Vec::new());
    for c in line[open + 1..close.max(open + 1)].chars().chain([',']) {
        match c {
            '{' => depth += 1,
            '}' => depth -= 1,
            _ => {}
        }
        if c == ',' && depth == 0 {
            parts.extend(spelled_out(&format!("{prefix}::{}", part.trim())));
            part.clear();
        } else {
            part.push(c);
        }
    }
    parts
}

/// Everything forbidden in a file, as `line: word`.
fn found(text: &str) -> Vec<String> {
    let code = without_tests(&code_of(text));
    // A `use` may span lines: take it to its `;` as one, told at its first line.
    let mut statements: Vec<(usize, String)> = Vec::new();
    let mut open = false;
    for (index, line) in code.lines().enumerate() {
        match statements.last_mut() {
            Some((_, begun)) if open => begun.push_str(line),
            _ => {
                let word = line.trim_start();
                open = word.starts_with("use ")
                    || word.starts_with("pub use ")
                    || word.starts_with("pub(crate) use ");
                statements.push((index + 1, line.to_owned()));
            }
        }
        open = open && !line.contains(';');
    }
    let mut out = Vec::new();
    for (line, statement) in statements {
        for path in spelled_out(&statement) {
            for word in FORBIDDEN {
                if names(&path, word) {
                    out.push(format!("{line}: {word}"));
                }
            }
        }
    }
    out
}

/// True if `word` stands in `code` as a word of its own.
fn names(code: &str, word: &str) -> bool {
    code.match_indices(word).any(|(at, _)| {
        let before = code[..at].chars().next_back();
        let after = code[at + word.len()..].chars().next();
        let longer = word.ends_with(is_word) && after.is_some_and(is_word);
        !(longer || before.is_some_and(is_word))
    })
}

fn rust_files(path: &Path, except: &[&str], into: &mut Vec<PathBuf>) {
    if path.is_dir() {
        for entry in std::fs::read_dir(path).expect("a folder of src").map(|e| e.expect("its entry").path()) {
            let name = entry.file_name().and_then(|n| n.to_str()).unwrap_or_default();
            if !except.contains(&name) {
                rust_files(&entry, &[], into);
            }
        }
    } else if path.is_file() && path.extension().is_some_and(|e| e == "rs") {
        into.push(path.to_owned());
    }
}

#[test]
fn the_pure_modules_name_no_clock_no_file_no_socket_and_no_thread() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut faults = Vec::new();
    let mut files = Vec::new();
    for (place, except) in PURE {
        rust_files(&src.join(place), except, &mut files);
    }
    assert!(files.len() > 20, "only {} files found: have the folders moved?", files.len());
    for file in files {
        let text = std::fs::read_to_string(&file).expect("a source file");
        let name = file.strip_prefix(&src).unwrap_or(&file).display().to_string();
        faults.extend(found(&text).into_iter().map(|fault| format!("src/{name}:{fault}")));
    }
    assert!(faults.is_empty(), "not pure:\n{}", faults.join("\n"));
}

#[test]
fn the_scan_finds_what_is_forbidden_however_it_is_written() {
    for (text, fault) in [
        ("use std::fs;", "1: std::fs"),
        ("use std::{fmt, fs::File};", "1: std::fs"),
        ("use std::{\n    fmt,\n    net::{TcpStream},\n};", "1: std::net"),
        ("\nlet t = std::time::Instant::now();", "2: Instant"),
        ("use std::time::{Duration, SystemTime};", "1: SystemTime"),
        ("async fn f() { tokio::task::yield_now().await }", "1: tokio"),
        ("std::thread::spawn(|| ());", "1: std::thread"),
        ("let home = std::env::var(\"HOME\");", "1: std::env"),
        ("println!(\"x\");", "1: println!"),
        ("use std::io::stdin;", "1: stdin"),
        ("use std::{io::{self, Write}};\nio::stdout().lock()", "2: stdout"),
        ("let c = '\"'; std::fs::read(p);", "1: std::fs"),
        ("let c = '\\''; std::fs::read(p);", "1: std::fs"),
        ("#[cfg(test)]\nmod tests { fn a() {} }\nuse std::fs;", "3: std::fs"),
    ] {
        assert_eq!(found(text), [fault], "{text}");
    }
}

#[test]
fn the_scan_leaves_alone_what_is_said_or_tested_or_only_sounds_alike() {
    for text in [
        "// std::fs is not used here\n/* std::net /* nested */ tokio */ fn a() {}",
        "let s = \"std::fs \\\" tokio\"; let r = r#\"std::\"net\"#;",
        "#[cfg(test)]\nmod tests {\n    use std::fs;\n    fn t() { println!(\"}\") }\n}",
        "#[cfg(test)]\nuse std::fs;",
        "use std::io::{self, BufRead, Write}; fn f(from: &mut impl BufRead) -> io::Result<()> { Ok(()) }",
        "struct Instantaneous; fn tokio_like() {} fn writeln_all<'a>(x: &'a str) {}",
        "use std::{fmt, sync::Arc, time::Duration};",
    ] {
        assert_eq!(found(text), Vec::<String>::new(), "{text}");
    }
}
