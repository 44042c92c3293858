//! Which source this is built from, for `--version`: the same source gives the same words, today and in a year.
//!
//! The commit is git's, else that of the crate or archive the source came in. The date is that of
//! `SOURCE_DATE_EPOCH` where it is set (reproducible-builds.org, specification of 2017), else the commit's, never
//! today's. Without any of these the version says that its source is not known.
//!
//! A build for release looks at git again once a commit or a source has changed. A debug build is nobody's release: it
//! says that it is one, so that a commit does not make everything be built anew.

use std::path::{Path, PathBuf};
use std::process::Command;

/// Characters of a commit's hash that are shown: enough for any repository of people's making.
const SHOWN: usize = 12;
/// What goes into the program, from the package's folder.
const SOURCES: [&str; 5] = ["Cargo.lock", "Cargo.toml", "config", "docs", "src"];

/// Where the source comes from.
#[derive(Default)]
struct Origin {
    /// Its commit, shortened, with `+changes` where files differ from it.
    commit: Option<String>,
    /// The commit's time in seconds since 1970.
    seconds: Option<i64>,
}

fn main() {
    println!("cargo::rerun-if-env-changed=SOURCE_DATE_EPOCH");
    println!("cargo::rerun-if-changed=src/build");
    let folder = PathBuf::from(variable("CARGO_MANIFEST_DIR").unwrap_or_default());
    let release = variable("PROFILE").is_some_and(|profile| profile == "release");
    let origin = from_git(&folder, release)
        .or_else(|| from_crate(&folder))
        .or_else(|| from_archive(&folder))
        .unwrap_or_default();
    let stated = variable("SOURCE_DATE_EPOCH").and_then(|text| text.trim().parse().ok());
    let date = stated.or(origin.seconds).map(date);
    let source = match (release, origin.commit, &date) {
        (false, _, _) => "debug build".to_owned(),
        (true, Some(commit), Some(date)) => format!("{commit}, {date}"),
        (true, Some(commit), None) => commit,
        (true, None, Some(date)) => format!("source of {date}"),
        (true, None, None) => "source not known".to_owned(),
    };
    let version = variable("CARGO_PKG_VERSION").unwrap_or_default();
    println!("cargo::rustc-env=LAMPKEEP_VERSION={version} ({source})");
    println!("cargo::rustc-env=LAMPKEEP_DATE={}", date.unwrap_or_default());
}

fn variable(name: &str) -> Option<String> {
    std::env::var(name).ok().filter(|value| !value.is_empty())
}

/// What git says in a folder; `None` where it fails, and where there is none.
fn git(folder: &Path, words: &[&str]) -> Option<String> {
    // No lock is taken: a build may run beside a person's own git.
    let out =
        Command::new("git").arg("--no-optional-locks").arg("-C").arg(folder).args(words).output().ok()?;
    out.status.success().then(|| String::from_utf8_lossy(&out.stdout).trim().to_owned())
}

/// The repository whose root this is: one in which the source was merely unpacked says nothing of it.
fn from_git(folder: &Path, release: bool) -> Option<Origin> {
    let root = PathBuf::from(git(folder, &["rev-parse", "--show-toplevel"])?);
    if root.canonicalize().ok()? != folder.canonicalize().ok()? {
        return None;
    }
    let commit = git(folder, &["rev-parse", "HEAD"])?;
    if release {
        let branch = git(folder, &["symbolic-ref", "--quiet", "HEAD"]);
        for name in ["HEAD", "packed-refs"].into_iter().chain(branch.as_deref()) {
            let path = git(folder, &["rev-parse", "--git-path", name]).map(|path| folder.join(path));
            if let Some(path) = path.filter(|path| path.exists()) {
                println!("cargo::rerun-if-changed={}", path.display());
            }
        }
        for source in SOURCES {
            println!("cargo::rerun-if-changed={source}");
        }
    }
    let mut words = vec!["status", "--porcelain", "--untracked-files=no", "--"];
    words.extend(SOURCES);
    let changed = git(folder, &words).is_none_or(|said| !said.is_empty());
    let seconds = git(folder, &["log", "-1", "--format=%ct"]).and_then(|text| text.parse().ok());
    let changes = if changed { "+changes" } else { "" };
    Some(Origin { commit: Some(format!("{}{changes}", shortened(&commit)?)), seconds })
}

/// The commit that `cargo package` notes in a crate.
fn from_crate(folder: &Path) -> Option<Origin> {
    let text = std::fs::read_to_string(folder.join(".cargo_vcs_info.json")).ok()?;
    let (_, after) = text.split_once("\"sha1\"")?;
    let commit = shortened(after.split('"').nth(1)?)?.to_owned();
    let changes = if text.contains("\"dirty\": true") { "+changes" } else { "" };
    Some(Origin { commit: Some(format!("{commit}{changes}")), seconds: None })
}

/// The commit that `git archive` writes into `src/build/archive.txt`: its hash and its time.
fn from_archive(folder: &Path) -> Option<Origin> {
    let text = std::fs::read_to_string(folder.join("src/build/archive.txt")).ok()?;
    let (commit, seconds) = text.lines().last()?.split_once(' ')?;
    Some(Origin { commit: Some(shortened(commit)?.to_owned()), seconds: seconds.trim().parse().ok() })
}

/// The first digits of a hash; `None` for what is none.
fn shortened(commit: &str) -> Option<&str> {
    let hash = commit.len() >= 40 && commit.bytes().all(|b| b.is_ascii_hexdigit());
    hash.then(|| &commit[..SHOWN])
}

/// The day in UTC of a time in seconds since 1970, as `2026-05-04`.
///
/// Source: Howard Hinnant, "chrono-Compatible Low-Level Date Algorithms" (2021), `civil_from_days`.
fn date(seconds: i64) -> String {
    let days = seconds.div_euclid(86_400) + 719_468;
    let era = days.div_euclid(146_097);
    let day_of_era = days.rem_euclid(146_097);
    let year_of_era = (day_of_era - day_of_era / 1460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    // Months from March on.
    let month = (5 * day_of_year + 2) / 153;
    let day = day_of_year - (153 * month + 2) / 5 + 1;
    let (month, year) = if month < 10 { (month + 3, 0) } else { (month - 9, 1) };
    format!("{:04}-{month:02}-{day:02}", year_of_era + era * 400 + year)
}
