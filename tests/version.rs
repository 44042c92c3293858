//! What `--version` says of the source: the build script itself, compiled and run on repositories, crates and archives.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::LazyLock;

use tempfile::TempDir;

/// The script as a program of its own, in a folder that stays while the tests run.
static SCRIPT: LazyLock<(TempDir, PathBuf)> = LazyLock::new(|| {
    let folder = tempfile::tempdir().expect("a folder");
    let program = folder.path().join("stamp");
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/build/stamp.rs");
    let rustc = std::env::var_os("RUSTC").unwrap_or_else(|| "rustc".into());
    let done = Command::new(rustc).args(["--edition", "2024", "-o"]).arg(&program).arg(source).status();
    assert!(done.expect("rustc runs").success());
    (folder, program)
});

/// 2026-05-04 09:00:00 UTC; `date -u -d @1777885200`.
const COMMITTED: &str = "1777885200";

struct Source(TempDir);

impl Source {
    fn new() -> Self {
        let source = Self(tempfile::tempdir().expect("a folder"));
        source.write("src/main.rs", "fn main() {}\n");
        source.write("tests/a.rs", "\n");
        source
    }

    fn write(&self, name: &str, text: &str) {
        let path = self.0.path().join(name);
        std::fs::create_dir_all(path.parent().expect("a folder")).expect("made");
        std::fs::write(path, text).expect("written");
    }

    fn git(&self, args: &[&str]) -> String {
        let out = Command::new("git")
            .arg("-C")
            .arg(self.0.path())
            .args(["-c", "user.name=a", "-c", "user.email=a@example.org", "-c", "init.defaultBranch=main"])
            .args(args)
            .env("GIT_COMMITTER_DATE", format!("{COMMITTED} +0200"))
            .env("GIT_CONFIG_GLOBAL", "/dev/null")
            .output()
            .expect("git runs");
        assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
        String::from_utf8(out.stdout).expect("text").trim().to_owned()
    }

    fn committed(&self) -> String {
        self.git(&["init", "--quiet"]);
        self.git(&["add", "."]);
        self.git(&["commit", "--quiet", "-m", "all"]);
        self.git(&["rev-parse", "HEAD"])
    }

    /// What the script says for a release, and what it wants to be run again for.
    fn stamped(&self, epoch: Option<&str>) -> (String, Vec<String>) {
        self.stamped_as("release", epoch)
    }

    fn stamped_as(&self, profile: &str, epoch: Option<&str>) -> (String, Vec<String>) {
        stamped_in(self.0.path(), profile, epoch)
    }
}

fn stamped_in(folder: &Path, profile: &str, epoch: Option<&str>) -> (String, Vec<String>) {
    let mut command = Command::new(&SCRIPT.1);
    command
        .current_dir(folder)
        .env("CARGO_MANIFEST_DIR", folder)
        .env("CARGO_PKG_VERSION", "1.2.3")
        .env("PROFILE", profile)
        .env_remove("SOURCE_DATE_EPOCH");
    if let Some(epoch) = epoch {
        command.env("SOURCE_DATE_EPOCH", epoch);
    }
    let out = String::from_utf8(command.output().expect("it runs").stdout).expect("text");
    let of =
        |head: &str| out.lines().filter_map(|l| l.strip_prefix(head)).map(str::to_owned).collect::<Vec<_>>();
    let version = of("cargo::rustc-env=LAMPKEEP_VERSION=").concat();
    (version, of("cargo::rerun-if-changed="))
}

#[test]
fn a_repository_gives_its_commit_and_the_commit_s_day_in_utc() {
    let source = Source::new();
    let commit = source.committed();
    let (said, again) = source.stamped(None);
    assert_eq!(said, format!("1.2.3 ({}, 2026-05-04)", &commit[..12]));
    assert_eq!(source.stamped(None).0, said, "the same again");
    // Looked at again after the next commit, or once a source has changed.
    assert!(
        again.iter().any(|path| path.ends_with("/refs/heads/main")) && again.iter().any(|p| p == "src"),
        "{again:?}"
    );
    // What is not built into the program changes nothing of it.
    source.write("tests/a.rs", "fn a() {}\n");
    assert_eq!(source.stamped(None).0, said);
    source.write("src/main.rs", "fn main() { loop {} }\n");
    assert_eq!(source.stamped(None).0, format!("1.2.3 ({}+changes, 2026-05-04)", &commit[..12]));
}

/// Source: reproducible-builds.org, specification of SOURCE_DATE_EPOCH: its value takes the place of every other date.
#[test]
fn the_date_is_that_of_source_date_epoch_where_it_is_set() {
    let source = Source::new();
    let commit = source.committed();
    // `date -u -d @0` and `date -u -d @1709251199`, the last second of a leap day.
    assert_eq!(source.stamped(Some("0")).0, format!("1.2.3 ({}, 1970-01-01)", &commit[..12]));
    assert_eq!(source.stamped(Some("1709251199")).0, format!("1.2.3 ({}, 2024-02-29)", &commit[..12]));
    assert_eq!(source.stamped(Some("soon")).0, format!("1.2.3 ({}, 2026-05-04)", &commit[..12]));
}

#[test]
fn a_worktree_and_an_archive_give_the_same_as_their_repository() {
    let source = Source::new();
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let of_ours = |name: &str| std::fs::read_to_string(root.join(name)).expect("text");
    // As `git archive` finds it: with the marks still in it.
    source.write("src/build/archive.txt", "$Format:%H %ct$\n");
    source.write(".gitattributes", &of_ours(".gitattributes"));
    assert!(of_ours("src/build/archive.txt").lines().last().is_some_and(|l| l.len() > 10));
    source.committed();
    let (said, _) = source.stamped(None);
    let beside = tempfile::tempdir().expect("a folder");
    let tree = beside.path().join("tree");
    source.git(&["worktree", "add", "--quiet", "--detach", &tree.display().to_string()]);
    assert_eq!(stamped_in(&tree, "release", None).0, said);
    let archive = Source(tempfile::tempdir().expect("a folder"));
    let tar = beside.path().join("source.tar");
    source.git(&["archive", "-o", &tar.display().to_string(), "HEAD"]);
    let untar = Command::new("tar").arg("-xf").arg(&tar).arg("-C").arg(archive.0.path()).status();
    assert!(untar.expect("tar runs").success());
    assert_eq!(archive.stamped(None).0, said);
}

#[test]
fn a_crate_gives_the_commit_that_cargo_noted_and_a_bare_folder_says_that_nothing_is_known() {
    let source = Source::new();
    assert_eq!(source.stamped(None).0, "1.2.3 (source not known)");
    assert_eq!(source.stamped(Some(COMMITTED)).0, "1.2.3 (source of 2026-05-04)");
    // As cargo 1.95 writes it.
    let commit = "0123456789abcdef0123456789abcdef01234567";
    source.write(
        ".cargo_vcs_info.json",
        &format!("{{\n  \"git\": {{\n    \"sha1\": \"{commit}\"\n  }},\n  \"path_in_vcs\": \"\"\n}}\n"),
    );
    assert_eq!(source.stamped(None).0, "1.2.3 (0123456789ab)");
    assert_eq!(source.stamped(Some(COMMITTED)).0, "1.2.3 (0123456789ab, 2026-05-04)");
    // Unpacked inside another repository it is none of that one's.
    let outer = Source::new();
    outer.committed();
    let inner = outer.0.path().join("inner");
    std::fs::create_dir(&inner).expect("made");
    assert_eq!(stamped_in(&inner, "release", None).0, "1.2.3 (source not known)");
}

#[test]
fn a_debug_build_says_so_and_is_built_anew_for_no_commit() {
    let source = Source::new();
    source.committed();
    let (said, again) = source.stamped_as("debug", None);
    assert_eq!(said, "1.2.3 (debug build)");
    assert_eq!(again, ["src/build"]);
}
