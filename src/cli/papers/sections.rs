//! The sections of manual pages that no definition of a command tells.

use std::fmt::Write as _;

/// Exit codes; `cli::exit` gives them.
const CODES: [(&str, &str); 6] = [
    ("0", "Done, also with warnings or short-falls; a recall that a guard only trims."),
    (
        "1",
        "The request could not be met: the message says why and what to do. Also: the daemon is overloaded or stopping.",
    ),
    ("2", "Wrong usage: an unknown command or option, a value out of range, several sets and no --set."),
    ("3", "The plan has errors."),
    ("4", "No daemon answers."),
    ("5", "Refused by a guard: a take is rolling, a face is protected, a limit."),
];

const ENVIRONMENT: [(&str, &str); 7] = [
    (
        "LAMPKEEP_SOCKET",
        "The daemon's socket, whatever the set. Without it /run/lampkeep and $XDG_RUNTIME_DIR/lampkeep are looked in.",
    ),
    (
        "LAMPKEEP_STATE",
        "The folder for what outlives a start: light, heat, takes. Without it $STATE_DIRECTORY, else $XDG_STATE_HOME/lampkeep, else ~/.local/state/lampkeep.",
    ),
    (
        "LAMPKEEP_LOG",
        "What the daemon logs: error, warn, info, debug, trace. Without it RUST_LOG, else info.",
    ),
    (
        "CREDENTIALS_DIRECTORY",
        "Where the service manager hands over the secrets that a plan names by password-credential and key-credential.",
    ),
    (
        "XDG_CONFIG_HOME",
        "Where lampkeep chair keeps its buttons, in lampkeep/chair.json; without it ~/.config.",
    ),
    ("NO_COLOR", "Set, and not empty: no colours on a terminal."),
    ("TERM", "With dumb, status --follow prints a line for each change."),
];

const FILES: [(&str, &str); 9] = [
    ("/etc/lampkeep/plan.toml", "The plan that the service runs."),
    ("kit.toml", "Beside the plan: the bodies one owns. A plan may name another by kit."),
    ("KIT.calibrations/*.toml", "Beside the kit: what lampkeep calibrate measured of each body."),
    ("PLAN.looks/*.toml", "Beside the plan: looks kept on set."),
    (
        "/run/lampkeep/SET.sock",
        "Where the daemon of a set answers: one JSON object a line, for its user and its group.",
    ),
    ("STATE/SET/state.json", "Light, heat and take between two starts."),
    ("STATE/SET/journal.db", "The take log, SQLite; lampkeep log --copy makes a copy to be queried."),
    ("STATE/protect.json", "Whether a face is protected, for every set of the machine."),
    ("/usr/share/lampkeep/", "Example plans and the JSON Schemas of a plan, where a package has put them."),
];

const EXAMPLES: [(&str, &str); 6] = [
    ("The main job, with no hardware and no configuration:", "lampkeep rehearse"),
    (
        "A first plan, what is wrong with it, and how it looks:",
        "lampkeep new interview.toml\nlampkeep check interview.toml\nlampkeep draw interview.toml",
    ),
    (
        "The daemon with nothing plugged in, and a look:",
        "lampkeep run interview.toml --simulate &\nlampkeep recall first --over 2s",
    ),
    (
        "Between takes: the next look, a third of a stop brighter, and what it is now:",
        "lampkeep next\nlampkeep nudge key +1/3\nlampkeep status",
    ),
    (
        "A take, and its light again weeks later:",
        "lampkeep take start 4\nlampkeep take end good\nlampkeep recall --take 4/1",
    ),
    ("For programs:", "lampkeep status --json"),
];

const CAUTIONS: [&str; 3] = [
    "Lit lamps are never left unattended. Dark is not off: a dark lamp is on the mains, may be hot, and may light up by its \
     own knob, at power-up or when frames stop. lampkeep dark is no emergency stop: the plug is.",
    "Estimates of heat are estimates: feel before you grip, unplug and let cool before you change a lamp, gel, modifier or \
     cable. Do not stare into a lamp. Flashing light can harm people who are sensitive to it: ask first.",
    "Mains and what hangs overhead are for local code and licensed practice; the sums here only help.",
];

/// Text as roff takes it: backslashes, and hyphens that are to stay hyphens.
fn escaped(text: &str) -> String {
    let text = text.replace('\\', "\\e").replace('-', "\\-").replace('\'', "\\(aq").replace('`', "\\(ga");
    // A line that begins with one is a request.
    text.lines()
        .map(|line| if line.starts_with('.') { format!("\\&{line}") } else { line.to_owned() })
        .collect::<Vec<_>>()
        .join("\n")
}

fn heading(out: &mut String, name: &str) {
    let _ = writeln!(out, ".SH \"{name}\"");
}

fn tagged(out: &mut String, rows: &[(&str, &str)]) {
    for (tag, text) in rows {
        let _ = writeln!(out, ".TP\n\\fB{}\\fR\n{}", escaped(tag), escaped(text));
    }
}

/// What begins the n-th paragraph of a section: the first needs nothing.
fn paragraph(n: usize) -> &'static str {
    if n == 0 { "" } else { ".PP\n" }
}

/// Lines as they are typed.
fn typed(out: &mut String, lines: &str) {
    let _ = writeln!(out, ".RS 4\n.nf\n{}\n.fi\n.RE", escaped(lines));
}

/// What lampkeep's own page ends with.
pub(super) fn whole() -> String {
    let mut out = String::new();
    heading(&mut out, "EXIT STATUS");
    tagged(&mut out, &CODES);
    heading(&mut out, "ENVIRONMENT");
    tagged(&mut out, &ENVIRONMENT);
    heading(&mut out, "FILES");
    tagged(&mut out, &FILES);
    heading(&mut out, "EXAMPLES");
    for (n, (about, lines)) in EXAMPLES.iter().enumerate() {
        let _ = writeln!(out, "{}{}", paragraph(n), escaped(about));
        typed(&mut out, lines);
    }
    heading(&mut out, "CAUTIONS");
    for (n, text) in CAUTIONS.iter().enumerate() {
        let _ = writeln!(out, "{}{}", paragraph(n), escaped(text));
    }
    out
}

/// The end of a command's help: its examples, then what is to be known.
pub(super) fn of_end(end: &str) -> String {
    let mut out = String::new();
    let (examples, notes) = end.split_once("\n\n").unwrap_or((end, ""));
    let lines: Vec<&str> = match examples.strip_prefix("Example: ") {
        Some(line) => vec![line],
        None => examples.lines().skip(1).map(|line| line.strip_prefix("  ").unwrap_or(line)).collect(),
    };
    if !lines.is_empty() {
        heading(&mut out, "EXAMPLES");
        typed(&mut out, &lines.join("\n"));
    }
    if !notes.is_empty() {
        heading(&mut out, "NOTES");
        let _ = writeln!(out, "{}", escaped(notes).replace("\n\n", "\n.PP\n"));
    }
    out
}

/// Exit codes in short, for the page of one command.
pub(super) fn exit_of_one() -> String {
    let mut out = String::new();
    heading(&mut out, "EXIT STATUS");
    let codes = "0 done, 1 could not be met, 2 wrong usage, 3 the plan has errors, 4 no daemon answers, 5 refused by a guard; \
                 more in";
    let _ = writeln!(out, "{codes}\n.BR lampkeep (1).");
    out
}

/// Other pages, and where more is told.
pub(super) fn see_also(others: &[String]) -> String {
    let mut out = String::new();
    heading(&mut out, "SEE ALSO");
    let mut rows: Vec<String> = others.iter().map(|name| format!(".BR {} (1)", escaped(name))).collect();
    if !others.iter().any(|name| name == "lampkeep") {
        rows.push(".BR systemd.service (5)".to_owned());
    }
    let _ = writeln!(out, "{}", rows.join(",\n"));
    let _ = writeln!(
        out,
        ".PP\nEvery key of a plan, every request and field: the files in /usr/share/doc/lampkeep."
    );
    out
}
