//! Inputs made to take long: as large as files may be or a quarter of it, and of the shape whose cost would grow with a product. Each must
//! be done, with a plan or with its errors, in little of a processor's time, and without much memory.
//!
//! Limits are in seconds of the test's own processor, not of the clock; they are some times what is needed, so that
//! only a cost that grows badly fails. `cargo test --test hostile -- --nocapture` prints what each took.

use std::fmt::Write as _;
use std::path::Path;

use lampkeep::light::ies::Photometry;
use lampkeep::light::spectrum::csv;
use lampkeep::plan::diagnose::{Form, render};
use lampkeep::plan::load::load;
use lampkeep::{reckon, words};
use rustix::time::{ClockId, clock_gettime};

/// Bytes of a file here: a quarter of the longest that is read, so that a machine with other work has done in seconds.
const LONGEST: usize = 1 << 18;
/// Seconds of a processor that reading one plan may take, its errors drawn. A debug build takes about ten times as
/// long as the program.
const PLAN_S: f64 = 6.0;
/// The same for a file without looks and lamps.
const FILE_S: f64 = 2.0;

/// Memory that all of these may take together, in MiB.
const MOST_MIB: u64 = 800;

const HEAD: &str = "[camera.main]\niso = 800\nf-number = 2.8\nshutter = \"1/50\"\n";

/// The most memory that this process has had, in MiB. Source: Linux, `VmHWM` of proc_pid_status.
fn peak_mib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").expect("Linux tells");
    let line = status.lines().find_map(|l| l.strip_prefix("VmHWM:")).expect("a line of it");
    line.trim().trim_end_matches(" kB").parse::<u64>().expect("a number") / 1024
}

fn processor_s() -> f64 {
    let t = clock_gettime(ClockId::ThreadCPUTime);
    t.tv_sec as f64 + t.tv_nsec as f64 * 1e-9
}

fn within<T>(what: &str, most_s: f64, work: impl FnOnce() -> T) -> T {
    let from = processor_s();
    let out = work();
    let took = processor_s() - from;
    let most_mib = peak_mib();
    println!("{what}: {took:.2} s, {most_mib} MiB at most so far");
    assert!(most_mib <= MOST_MIB, "{what}: {most_mib} MiB, {MOST_MIB} are the most");
    assert!(took <= most_s, "{what} took {took:.1} s, {most_s} s are the most");
    out
}

/// So many lines, as far as they fit into a file.
fn lines(head: &str, most: usize, line: impl Fn(usize) -> String) -> String {
    let mut text = head.to_owned();
    for index in 0..most {
        let line = line(index);
        if text.len() + line.len() > LONGEST {
            break;
        }
        text.push_str(&line);
    }
    text
}

/// A name of 40 letters that is like no other by its beginning.
fn long_name(index: usize) -> String {
    format!("{:-<40}", format!("{}-harbour", index.wrapping_mul(7919)))
}

fn plan(what: &str, text: &str) -> Option<lampkeep::plan::Plan> {
    assert!(text.len() <= LONGEST, "{what}: {} bytes", text.len());
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("plan.toml");
    std::fs::write(&path, text).expect("a file can be written");
    read(what, &path)
}

fn read(what: &str, path: &Path) -> Option<lampkeep::plan::Plan> {
    within(what, PLAN_S, || match load(path) {
        Ok(plan) => Some(plan),
        Err(report) => {
            let drawn = render(&report, Form::Plain);
            assert!(drawn.len() < 4 * LONGEST, "{what}: {} bytes are drawn", drawn.len());
            let told = report.to_json().to_string();
            assert!(told.len() < 16 * LONGEST, "{what}: {} bytes are told", told.len());
            println!("  {}", words::short(&report.problems[0].said));
            None
        }
    })
}

#[test]
fn text_that_is_hardly_a_plan_is_told_at_once() {
    let nested = |open: &str, close: &str| {
        let times = LONGEST / (open.len() + close.len()) - 8;
        format!("a = {}1{}", open.repeat(times), close.repeat(times))
    };
    for (what, text) in [
        ("lists in lists", nested("[", "]")),
        ("tables in tables", nested("{a=", "}")),
        ("a key of many parts", format!("{}b = 1\n", "a.".repeat(LONGEST / 2 - 8))),
        ("a header of many parts", format!("[{}b]\n", "a.".repeat(LONGEST / 2 - 8))),
        ("signs alone", "=".repeat(LONGEST)),
        ("lines of signs", "=\n".repeat(LONGEST / 2)),
        ("quotes alone", "\"".repeat(LONGEST)),
        ("open lists", "[".repeat(LONGEST)),
        ("one key", format!("{} = 1\n", "k".repeat(LONGEST - 8))),
        ("one long line", format!("a = \"{}\"\n", "x".repeat(LONGEST - 20))),
        ("one long line of keys", lines("a = {", usize::MAX, |i| format!("k{i}=1,"))),
        ("controls", format!("a = \"{}\"\n", "\u{1b}".repeat(LONGEST - 20))),
        ("escapes", format!("name = \"{}\"\nkit = \"{0}\"\n", "\\u001b".repeat(LONGEST / 14))),
        ("the same key", "a = 1\n".repeat(LONGEST / 6)),
        ("comments, then the same key", format!("{}{}", "#\n".repeat(LONGEST / 4), "a = 1\n".repeat(5_000))),
        ("the same table", "[look.a]\n".repeat(LONGEST / 9)),
        ("list tables", "[[a]]\n".repeat(LONGEST / 6)),
        ("keys that nothing knows", lines("", usize::MAX, |i| format!("k{i} = 1\n"))),
        ("tables that nothing knows", lines("", usize::MAX, |i| format!("[t{i}]\n"))),
        ("numbers", format!("fade = {}\n", "9".repeat(LONGEST - 10))),
        ("one text of units", format!("fade = \"{}\"\n", "1 s ".repeat(LONGEST / 4 - 8))),
    ] {
        assert!(plan(what, &text).is_none(), "{what}");
    }
}

#[test]
fn names_by_the_thousand_are_told_at_once() {
    let looks = |most| lines(HEAD, most, |i| format!("[look.{}]\n", long_name(i)));
    let mut slips = String::from("order = [");
    (0..1500).for_each(|i| write!(slips, "\"{}\",", long_name(i + 1_000_000)).expect("memory"));
    plan("looks that are not there", &format!("{slips}]\n{}", looks(3_000)));
    plan("many looks", &looks(usize::MAX));
    let long = format!("[look.{}]\n", "n".repeat(LONGEST / 2));
    plan("slips under a long name", &lines(&format!("{HEAD}{long}"), 30_000, |i| format!("k{i} = 1\n")));
    plan(
        "lamps that nobody knows",
        &lines(&format!("{HEAD}[look.a]\n"), usize::MAX, |i| format!("l{i}={{stops=0}}\n")),
    );
    plan("fixtures without anything", &lines(HEAD, usize::MAX, |i| format!("[fixture.f{i}]\n")));
    plan("profiles without anything", &lines(HEAD, usize::MAX, |i| format!("[profile.p{i}]\n")));
    plan("groups of nobody", &lines(HEAD, usize::MAX, |i| format!("[group.g{i}]\nmembers=[\"x{i}\"]\n")));
    let one = |i| format!("[output.o{i}]\nkind=\"e131\"\nuniverses=\"{}-{}\"\n", i * 128 + 1, i * 128 + 128);
    plan("outputs", &lines(HEAD, 480, one));
    plan(
        "outputs of one universe",
        &lines(HEAD, usize::MAX, |i| format!("[output.o{i}]\nkind=\"e131\"\nuniverse={i}\n")),
    );
    plan(
        "colours of a wander",
        &lines(&format!("{HEAD}[look.a]\nb={{stops=0,move={{wander={{through=["), 60_000, |_| {
            "{kelvin=4},".to_owned()
        }),
    );
}

/// So many lamps, one every ten slots of as many universes as it takes.
fn rig(lamps: usize, more: &str) -> String {
    lines(HEAD, lamps, |i| {
        let (universe, address) = (i / 50 + 1, (i % 50) * 10 + 1);
        format!(
            "[fixture.f{i}]\nprofile=\"bicolour-mat\"\naddress={address}\nuniverse={universe}\nclock=\"7:30\"\ndistance=\"2 m\"\n{more}\n"
        )
    })
}

#[test]
fn sets_out_of_all_reason_are_worked_out_or_refused_in_time() {
    let all = |n: usize| (0..n).fold(String::new(), |text, i| text + &format!("f{i}={{stops=0}}\n"));
    plan("a thousand lamps", &format!("{}[look.a]\n{}", rig(1000, ""), all(1000)));
    let like = lines("", 900, |i| format!("[look.b{i}]\nlike=\"a\"\n"));
    plan("a thousand lamps in as many looks", &format!("{}[look.a]\n{}{like}", rig(1000, ""), all(1000)));
    let chain = lines("", 900, |i| {
        format!(
            "[look.b{i}]\nlike=\"{}\"\n",
            if i % 30 == 0 { "a".to_owned() } else { format!("b{}", i - 1) }
        )
    });
    plan("looks like looks like looks", &format!("{}[look.a]\n{}{chain}", rig(200, ""), all(200)));
    let keys =
        lines("", 300, |i| format!("[look.b{i}]\nkey-is=\"f{i}\"\nf{i}={{stops=0}}\nmeter={{face-lit=0}}\n"));
    let subjects = lines("", 24, |i| format!("[subject.s{i}]\nat=[\"{i} m\",\"0 m\",\"0 m\"]\n"));
    let flags =
        lines("", 64, |i| format!("[flag.g{i}]\nclock=\"4:00\"\ndistance=\"{} m\"\nsize=\"60 cm\"\n", i + 1));
    let boards =
        lines("", 24, |i| format!("[bounce.b{i}]\nclock=\"9:00\"\ndistance=\"1 m\"\nfed-by=\"f{i}\"\n"));
    let room = "[room]\nback=\"2.4 m\"\nleft=\"3 m\"\nright=\"3 m\"\nreflectance=\"50 %\"\n";
    plan("keys", &format!("{}{keys}", rig(300, "")));
    plan("all at once", &format!("{}{room}{subjects}{flags}{boards}{keys}", rig(500, "")));
    let meter = "meter={face-lit=0,face-shadow=-2,face-camera=-1,hair=-1}\n";
    plan("many lamps balanced", &format!("{}[look.a]\nkey-is=\"f0\"\n{meter}{}", rig(60, ""), all(60)));
    plan(
        "too many lamps balanced",
        &format!("{}[look.a]\nkey-is=\"f0\"\n{meter}{}", rig(1000, ""), all(1000)),
    );
    let breath = "stops=0,move={breath={period=\"3600 s\",depth=\"1 stop\"}}";
    let moves = |n: usize| (0..n).fold(String::new(), |text, i| text + &format!("f{i}={{{breath}}}\n"));
    plan("many lamps move", &format!("{}[look.a]\n{}", rig(500, ""), moves(500)));
    let looks = lines("", 40, |i| format!("[look.m{i}]\nf{}={{{breath}}}\n", i % 20));
    plan("many looks move", &format!("{}{looks}", rig(20, "")));
    let same = rig(1000, "").replace("universe=", "# ");
    plan("lamps on the same slots", &same);
}

#[test]
fn files_beside_a_plan_are_read_at_once() {
    let longest = lampkeep::light::ies::LONGEST / 4;
    let head = "TILT=NONE\n1 1 1 3601 3601 1 1 0 0 0 1 1 1\n";
    for (what, text) in [
        ("beam: numbers", format!("{head}{}", "1 ".repeat((longest - head.len()) / 2))),
        ("beam: line ends", "\r".repeat(longest)),
        ("beam: labels", "[TEST] a\n".repeat(longest / 9)),
        ("beam: one word", format!("TILT=NONE\n{}", "1".repeat(longest - 10))),
        ("beam: commas", format!("TILT=NONE\n{}", "1,".repeat(longest / 2 - 10))),
        ("beam: one label", "x".repeat(longest)),
    ] {
        assert!(within(what, FILE_S, || Photometry::read(&text)).is_err(), "{what}");
    }
    for (what, text) in [
        ("spectrum: pairs", "400,1\n".repeat(LONGEST / 6)),
        ("spectrum: commas", ",".repeat(LONGEST)),
        ("spectrum: empty lines", "\n".repeat(LONGEST)),
        ("spectrum: one number", "4".repeat(LONGEST)),
    ] {
        let _ = within(what, FILE_S, || csv::columns(&text));
    }
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("plan.toml");
    let profile = "[profile.p]\ncooling=\"fan\"\nemitter.r={spectrum=\"r.csv\",lux=100}\nmode.m={slots=[{drives=\"r\"}]}\n";
    std::fs::write(&path, format!("{HEAD}{profile}")).expect("written");
    for (what, text) in [
        ("a plan's spectrum: no pairs", "400;1\n".repeat(LONGEST / 6)),
        ("a plan's spectrum: pairs", "400,1\n".repeat(LONGEST / 6)),
        ("a plan's spectrum: one line", "4,".repeat(LONGEST / 2)),
    ] {
        std::fs::write(folder.path().join("r.csv"), text).expect("written");
        assert!(read(what, &path).is_none(), "{what}");
    }
}

#[test]
fn a_line_to_reckon_is_answered_at_once() {
    let many = |piece: &str, most: usize| {
        let mut text = piece.repeat(most / piece.len());
        text.pop();
        text
    };
    for (what, line) in [
        ("levels", format!(r#"{{"kind":"flash","rate_hz":1e6,"levels":[{}]}}"#, many("0,1,", 250_000))),
        (
            "steps",
            format!(
                r#"{{"kind":"heat","k_per_w":1,"time_constant_s":9,"ambient_c":20,"start_c":20,"steps":[{}],"at_s":[{}]}}"#,
                many(r#"{"for_s":1,"watts":1},"#, 125_000),
                many("9,", 125_000)
            ),
        ),
        (
            "lamps",
            format!(
                r#"{{"kind":"point","point_m":[0,0,0],"normal":[0,0,1],"lamps":[{}]}}"#,
                many(r#"{"position_m":[0,0,1],"candela":1},"#, 250_000)
            ),
        ),
        (
            "wavelengths",
            format!(r#"{{"kind":"spectrum","wavelength_nm":[{}],"power":[1]}}"#, many("400,", 1_000_000)),
        ),
        ("nesting", "[".repeat(1_000_000)),
        ("a kind", format!(r#"{{"kind":"{}"}}"#, "k".repeat(1_000_000))),
    ] {
        let mut out = Vec::new();
        within(what, FILE_S, || reckon::lines(line.as_bytes(), &mut out, &reckon::no_files)).expect("memory");
        assert!(out.len() < 16 * LONGEST, "{what}: {} bytes", out.len());
    }
}
