//! Reads a plan's files and hands their texts on: the only input and output of this module.

use std::fs::{self, File};
use std::io::{ErrorKind, Read};
use std::path::{Path, PathBuf};

use super::problem::{Kind, Mark, Problem, Report};
use super::read::read_profiles;
use super::sources::{Named, Sources, Text, named_files};
use super::{ColourScience, Plan, Profile, read};
use crate::light::{balance, colour};

/// Longest file that is read, in bytes: many times the longest plan, far from filling the memory.
const LONGEST: u64 = 1024 * 1024;

/// Colour science that plans are read with; it is handed in here, so that the reader itself knows no light.
const COLOUR: ColourScience =
    ColourScience { xy: colour::xy_of, kelvin: colour::kelvin_of, real: colour::is_real };

/// Profiles that come with lampkeep.
const SHIPPED: [(&str, &str); 2] = [
    ("config/profiles/white.toml", include_str!("../../config/profiles/white.toml")),
    ("config/profiles/colour.toml", include_str!("../../config/profiles/colour.toml")),
];

/// Reads a plan with its kit, its profiles and its kept looks.
///
/// The kit is the file that the plan names by `kit`, else `kit.toml` beside the plan, where there is
/// one. Profiles are the shipped ones and every `*.toml` in the folder that the plan names by
/// `profiles`. Kept looks are every `*.toml` in the folder `STEM.looks` beside the plan.
///
/// What every lamp sends to every meter point is worked out too, and looks with meter points are balanced.
///
/// Errors: a file that is missing, a folder, no plain file, over 1 MiB, not UTF-8 or empty; else
/// whatever [`read()`] finds.
pub fn load(path: &Path) -> Result<Plan, Report> {
    let failed = |problem| Report::new(Vec::new(), vec![problem]);
    let plan = text(path).map_err(failed)?;
    let stem = path.file_stem().map_or_else(String::new, |s| s.to_string_lossy().into_owned());
    let beside = |name: &str| path.with_file_name(name);
    let named = named_files(&plan);
    let mut problems = Vec::new();

    let kit = match &named.kit {
        Some(named) => pointed(named, text(&beside(&named.path)), &mut problems),
        None => Some(beside("kit.toml"))
            .filter(|p| p.exists())
            .and_then(|p| text(&p).map_err(|e| problems.push(e)).ok()),
    };
    let mut profiles = shipped();
    if let Some(named) = &named.profiles {
        let folder = pointed(named, toml_files(&beside(&named.path)), &mut problems);
        profiles.extend(texts(&folder.unwrap_or_default(), &mut problems));
    }
    let kept = kept_folder(path);
    let kept = if kept.exists() { toml_files(&kept).map_err(|e| problems.push(e)).ok() } else { None };
    let looks = texts(&kept.unwrap_or_default(), &mut problems);
    if !problems.is_empty() {
        return Err(Report::new(vec![plan], problems));
    }
    read(&Sources { plan, path: Some(path.to_owned()), stem, kit, profiles, looks, colour: COLOUR })
        .map(balance::settled)
}

/// The folder beside a plan that its kept looks are in: `STEM.looks`. It need not be there.
#[must_use]
pub fn kept_folder(plan: &Path) -> PathBuf {
    let mut name = plan.file_stem().unwrap_or_default().to_owned();
    name.push(".looks");
    plan.with_file_name(name)
}

/// The built-in demo: interviews with harbour pilots in a pilot station. All its figures are invented.
#[must_use]
pub fn demo() -> Plan {
    read(&Sources {
        plan: Text::new("pilot-station.toml", include_str!("../../config/pilot-station.toml")),
        path: None,
        stem: "pilot-station".into(),
        kit: Some(Text::new("kit.toml", include_str!("../../config/kit.toml"))),
        profiles: shipped(),
        looks: Vec::new(),
        colour: COLOUR,
    })
    .map(balance::settled)
    .expect("the texts are compiled in, and a test reads them")
}

/// The profiles that come with lampkeep, by file and name. All their figures are invented.
#[must_use]
pub fn shipped_profiles() -> Vec<Profile> {
    read_profiles(&shipped(), COLOUR).expect("the texts are compiled in, and a test reads them")
}

fn shipped() -> Vec<Text> {
    SHIPPED.iter().map(|(name, text)| Text::new(*name, *text)).collect()
}

/// Keeps what was read of a file that the plan names; what went wrong is said at that name.
fn pointed<T>(named: &Named, read: Result<T, Problem>, problems: &mut Vec<Problem>) -> Option<T> {
    let problem = match read {
        Ok(read) => return Some(read),
        Err(problem) => problem,
    };
    problems.push(Problem { marks: vec![Mark { place: named.place, said: "named here".into() }], ..problem });
    None
}

fn texts(paths: &[PathBuf], problems: &mut Vec<Problem>) -> Vec<Text> {
    paths.iter().filter_map(|p| text(p).map_err(|e| problems.push(e)).ok()).collect()
}

/// The TOML files of a folder, by name.
fn toml_files(folder: &Path) -> Result<Vec<PathBuf>, Problem> {
    let entries = fs::read_dir(folder).map_err(|e| unreadable(folder, &e))?;
    let mut paths = Vec::new();
    for entry in entries {
        let path = entry.map_err(|e| unreadable(folder, &e))?.path();
        if path.extension().is_some_and(|e| e == "toml") {
            paths.push(path);
        }
    }
    paths.sort();
    Ok(paths)
}

/// One file as text.
fn text(path: &Path) -> Result<Text, Problem> {
    let name = path.display();
    let about = fs::metadata(path).map_err(|e| unreadable(path, &e))?;
    if about.is_dir() {
        let help = "name the plan's file, such as `pilot-station.toml`";
        return Err(Problem::of_file(Kind::Folder, format!("{name} is a folder, not a file")).help(help));
    }
    if !about.is_file() {
        // A pipe or a device could keep us waiting for ever.
        return Err(Problem::of_file(Kind::Unreadable, format!("{name} is not a plain file"))
            .help("save it as a file"));
    }
    let too_big = |size: u64| {
        let said = format!("{name} has {size} bytes; at most {LONGEST} (1 MiB) are read");
        Problem::of_file(Kind::TooBig, said)
            .help("check that it is the right file; a plan has a few kilobytes")
    };
    if about.len() > LONGEST {
        return Err(too_big(about.len()));
    }
    let mut bytes = Vec::new();
    let file = File::open(path).map_err(|e| unreadable(path, &e))?;
    file.take(LONGEST + 1).read_to_end(&mut bytes).map_err(|e| unreadable(path, &e))?;
    if bytes.len() as u64 > LONGEST {
        return Err(too_big(bytes.len() as u64));
    }
    match String::from_utf8(bytes) {
        Ok(text) => Ok(Text::new(name.to_string(), text)),
        Err(e) => {
            let good = e.utf8_error().valid_up_to();
            let line = e.as_bytes()[..good].iter().filter(|b| **b == b'\n').count() + 1;
            let said = format!(
                "{name} is not UTF-8 text: byte {}, in line {line}, belongs to no character",
                good + 1
            );
            Err(Problem::of_file(Kind::NotUtf8, said).help("save it as UTF-8 in your editor"))
        }
    }
}

fn unreadable(path: &Path, error: &std::io::Error) -> Problem {
    let name = path.display();
    if error.kind() == ErrorKind::NotFound {
        return Problem::of_file(Kind::NoFile, format!("there is no file {name}"))
            .help("check the name and the folder");
    }
    Problem::of_file(Kind::Unreadable, format!("{name} cannot be read: {error}"))
        .help("check who may read it")
}
