//! Reads a plan's files and hands their texts on: the only input and output of this module.

use std::collections::BTreeSet;
use std::fs;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::problem::{Kind, Mark, Problem, Report};
use super::read::{read_profiles, read_with_moves};
use super::sources::{Named, Sources, SpectrumFile, Text, WrongSpectrum, named_files, named_spectra};
use super::{BeamFile, ColourScience, Outline, Plan, PlanText, Profile, beams, moves, read};
use crate::guards::moving;
use crate::light::ies::Photometry;
use crate::light::spectrum::Spectrum;
use crate::light::{balance, colour, room};
use crate::plain_file;
use crate::units::Xy;

/// Longest file that is read, in bytes: many times the longest plan, far from filling the memory.
const LONGEST: u64 = 1024 * 1024;

/// Most steps that working out a plan's light, or its motions, may take. Chosen: seconds on a small computer, and a
/// hundred times what the largest example takes.
const MOST_STEPS: f64 = 1e9;

/// The same for motions, a step of which takes longer.
const MOST_MOVED: f64 = 2e8;

/// Colour science that plans are read with; it is handed in here, so that the reader itself knows no light.
const COLOUR: ColourScience = ColourScience {
    xy: colour::xy_of,
    kelvin: colour::kelvin_of,
    real: colour::is_real,
    spectrum: spectrum_xy,
};

fn spectrum_xy(wavelength_nm: &[f64], power: &[f64]) -> Result<Xy, WrongSpectrum> {
    Spectrum::new(wavelength_nm, power)
        .map(|spectrum| spectrum.xy())
        .map_err(|wrong| WrongSpectrum { row: wrong.row(wavelength_nm), said: wrong.to_string() })
}

/// Profiles that come with lampkeep.
const SHIPPED: [(&str, &str); 2] = [
    ("config/profiles/white.toml", include_str!("../../config/profiles/white.toml")),
    ("config/profiles/colour.toml", include_str!("../../config/profiles/colour.toml")),
];

/// Spectra that the shipped profiles name, by the profile's file, the path as written in it, and the file.
const SHIPPED_SPECTRA: [(&str, &str, &str); 6] = [
    shipped_spectrum("spectra/red.csv", include_str!("../../config/profiles/spectra/red.csv")),
    shipped_spectrum("spectra/amber.csv", include_str!("../../config/profiles/spectra/amber.csv")),
    shipped_spectrum("spectra/lime.csv", include_str!("../../config/profiles/spectra/lime.csv")),
    shipped_spectrum("spectra/green.csv", include_str!("../../config/profiles/spectra/green.csv")),
    shipped_spectrum("spectra/cyan.csv", include_str!("../../config/profiles/spectra/cyan.csv")),
    shipped_spectrum("spectra/blue.csv", include_str!("../../config/profiles/spectra/blue.csv")),
];

const fn shipped_spectrum(
    path: &'static str,
    text: &'static str,
) -> (&'static str, &'static str, &'static str) {
    ("config/profiles/colour.toml", path, text)
}

/// Reads a plan with its kit, its profiles and its kept looks.
///
/// The kit is the file that the plan names by `kit`, else `kit.toml` beside the plan, where there is
/// one. Profiles are the shipped ones and every `*.toml` in the folder that the plan names by
/// `profiles`. Calibrations are every `*.toml` in the folder `STEM.calibrations` beside the kit. Kept looks
/// are every `*.toml` in the folder `STEM.looks` beside the plan. Spectra and beam files are looked for in
/// the folder of the file that names them.
///
/// What every lamp sends to every meter point is worked out too, looks with meter points are balanced, and motions
/// are held against the flash guard's rule.
///
/// Beam files are those that profiles name by `ies`, from the folder of the profile's own file.
///
/// Errors: a file that is missing, a folder, no plain file, over 1 MiB, not UTF-8 or empty; else
/// whatever [`read()`] finds.
pub fn load(path: &Path) -> Result<Plan, Report> {
    let sources = sources(path)?;
    let (plan, moves) = read_with_moves(&sources)?;
    if let Some(problem) = too_large(&plan) {
        return Err(Report::new(sources.texts(), vec![problem]));
    }
    let mut plan = balance::settled(plan);
    if let Some(problem) = moves_too_much(&plan) {
        return Err(Report::new(sources.texts(), vec![problem]));
    }
    let problems = moves::refused(&mut plan, &moves);
    if problems.is_empty() { Ok(plan) } else { Err(Report::new(sources.texts(), problems)) }
}

/// The texts of a plan's files.
fn sources(path: &Path) -> Result<Sources, Report> {
    let failed = |problem| Report::new(Vec::new(), vec![problem]);
    let plan = text(path).map_err(failed)?;
    let stem = path.file_stem().map_or_else(String::new, |s| s.to_string_lossy().into_owned());
    let beside = |name: &str| path.with_file_name(name);
    let named = named_files(&plan);
    let mut problems = Vec::new();

    let kit_path = named.kit.as_ref().map_or_else(|| beside("kit.toml"), |named| beside(&named.path));
    let kit = match &named.kit {
        Some(named) => pointed(named, text(&kit_path), &mut problems),
        None if kit_path.exists() => text(&kit_path).map_err(|e| problems.push(e)).ok(),
        None => None,
    };
    let calibrations_in = kit.as_ref().map(|_| {
        let folder = calibrations_folder(&kit_path);
        std::path::absolute(&folder).unwrap_or(folder)
    });
    let named_folder = calibrations_folder(&kit_path);
    let calibrations = match calibrations_in.as_ref().map(|_| &named_folder).filter(|folder| folder.exists())
    {
        Some(folder) => toml_files(folder).map_err(|e| problems.push(e)).unwrap_or_default(),
        None => Vec::new(),
    };
    let calibrations = texts(&calibrations, &mut problems);
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
    // Whole, so that others than this process find it too.
    let path = Some(std::path::absolute(path).unwrap_or_else(|_| path.to_owned()));
    let mut sources = Sources {
        plan,
        path,
        stem,
        kit,
        profiles,
        looks,
        calibrations,
        calibrations_in,
        beams: Vec::new(),
        spectra: Vec::new(),
        colour: COLOUR,
    };
    let texts = sources.texts();
    for named in beams::named(&texts) {
        let folder = texts.get(named.place.text).map_or(Path::new(""), |t| Path::new(&t.name));
        match beam(&folder.with_file_name(&named.path)) {
            Ok(text) => {
                sources.beams.push(BeamFile { path: named.path, named_in: named.place.text, text });
            }
            Err(problem) => problems.push(Problem {
                marks: vec![Mark { place: named.place, said: "named here".into() }],
                ..problem
            }),
        }
    }
    let mut spectra = spectra(&texts, &mut problems);
    if !problems.is_empty() {
        return Err(Report::new(texts, problems));
    }
    spectra.extend(shipped_spectra());
    sources.spectra = spectra;
    Ok(sources)
}

/// What the reader makes of a text in place of one of the files that are read with a plan: of the plan at `path` itself,
/// or of a kit, looks or a calibration beside the plan there. `stem`: which, as `written::schemas` calls it. The problems
/// are those in that text; none where others are to blame.
#[cfg(test)]
pub(super) fn reader_of(stem: &str, path: &Path, new: &str) -> Result<(), Vec<Problem>> {
    let own = |report: Report, index: usize| -> Vec<Problem> {
        let here = |p: &Problem| p.marks.first().is_none_or(|mark| mark.place.text == index);
        report.problems.into_iter().filter(here).collect()
    };
    let named = |path: &Path| {
        let root = Path::new(env!("CARGO_MANIFEST_DIR"));
        Text::new(path.strip_prefix(root).unwrap_or(path).display().to_string(), new)
    };
    let beside = |name: &str| path.parent().unwrap_or(Path::new("")).join(name);
    let plan = match stem {
        "plan" => path.to_owned(),
        _ => ["plan.toml", "pilot-station.toml", "../pilot-station.toml"]
            .iter()
            .map(|name| beside(name))
            .find(|plan| plan.exists())
            .expect("a plan"),
    };
    let mut sources = sources(&plan).expect("its files are there");
    let index = match stem {
        "plan" => {
            sources.plan.text = new.to_owned();
            0
        }
        "kit" => {
            sources.kit.as_mut().expect("a kit").text = new.to_owned();
            1
        }
        "looks" => {
            sources.looks = vec![named(path)];
            2
        }
        "profiles" => {
            let text = named(path);
            let at = sources.profiles.iter().position(|t| t.name == text.name).expect("a file of profiles");
            sources.profiles[at] = text;
            2 + sources.looks.len() + at
        }
        _ => {
            sources.calibrations = vec![named(path)];
            2 + sources.looks.len() + sources.profiles.len()
        }
    };
    read_with_moves(&sources).map(|_| ()).map_err(|report| own(report, index))
}

/// A set whose light would take minutes to work out: a reload must not keep people waiting.
fn too_large(plan: &Plan) -> Option<Problem> {
    if room::steps(plan) <= MOST_STEPS {
        return None;
    }
    let keys: BTreeSet<_> = plan.looks.iter().filter_map(|l| l.key).collect();
    let said = format!(
        "this set is too large to be worked out: {} lamps, {} subjects, {} looks' keys, {} flags, {} boards, each with \
         each",
        plan.fixtures.len(),
        plan.subjects.len(),
        keys.len(),
        plan.flags.len(),
        plan.bounces.len()
    );
    let help = "leave flags, boards, `room` or subjects out, or share the lamps among several plans";
    Some(Problem::of_file(Kind::OutOfRange, said).help(help))
}

/// The same of its motions.
fn moves_too_much(plan: &Plan) -> Option<Problem> {
    let steps: f64 = plan.looks.iter().map(|look| moving::steps(plan, look)).sum();
    if steps <= MOST_MOVED {
        return None;
    }
    let looks = plan.looks.iter().filter(|l| l.targets.iter().any(|t| t.motion.is_some())).count();
    let said = format!("too much moves to be held against the flash guard's rule: in {looks} looks");
    let help = "let fewer lamps move, or share the looks among several plans";
    Some(Problem::of_file(Kind::OutOfRange, said).help(help))
}

/// The text of a beam file that `light::ies` can read, with light on its axis.
fn beam(path: &Path) -> Result<Arc<str>, Problem> {
    let text = bytes(path)?;
    // Labels may be in any character set; the numbers are not.
    let text = String::from_utf8_lossy(&text);
    let name = path.display();
    let wrong = |said: String, help: String| Problem::of_file(Kind::BadBeam, said).help(help);
    let read = Photometry::read(&text).map_err(|e| wrong(format!("{name}, {e}"), e.hint()))?;
    if read.axis_cd() <= 0.0 {
        let said = format!("{name} has no light on its axis, where the lamp is aimed and metered");
        return Err(wrong(said, "take `beam` in its place".into()));
    }
    Ok(text.into())
}

/// The folder beside a kit that its bodies' calibrations are in: `STEM.calibrations`. It need not be there.
#[must_use]
pub fn calibrations_folder(kit: &Path) -> PathBuf {
    let mut name = kit.file_stem().unwrap_or_default().to_owned();
    name.push(".calibrations");
    kit.with_file_name(name)
}

/// The spectra that texts name, each from the folder of the text that names it. Shipped profiles bring
/// theirs along.
fn spectra(texts: &[Text], problems: &mut Vec<Problem>) -> Vec<SpectrumFile> {
    let own = |t: &&(usize, &Text)| !SHIPPED.contains(&(t.1.name.as_str(), t.1.text.as_str()));
    let mut found = Vec::new();
    for (index, by) in texts.iter().enumerate().collect::<Vec<_>>().iter().filter(own) {
        for named in named_spectra(by, *index) {
            let file = text(&Path::new(&by.name).with_file_name(&named.path));
            if let Some(text) = pointed(&named, file, problems) {
                found.push(SpectrumFile { named_in: by.name.clone(), path: named.path, text });
            }
        }
    }
    found
}

/// The folder beside a plan that its kept looks are in: `STEM.looks`. It need not be there.
#[must_use]
pub fn kept_folder(plan: &Path) -> PathBuf {
    let mut name = plan.file_stem().unwrap_or_default().to_owned();
    name.push(".looks");
    plan.with_file_name(name)
}

/// The names in a plan and in its kept looks, with the set's name, however wrong the plan is; `None` where it cannot be
/// read as text.
#[must_use]
pub fn outline(path: &Path) -> Option<(Outline, String)> {
    let plan = text(path).ok()?;
    let kept = toml_files(&kept_folder(path)).unwrap_or_default();
    let kept: Vec<Text> = kept.iter().filter_map(|path| text(path).ok()).collect();
    let (outline, name) = Outline::of(&plan.text, kept.iter().map(|kept| &*kept.text));
    let stem = || path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
    Some((outline, name.unwrap_or_else(stem)))
}

/// The names in the built-in demo.
#[must_use]
pub fn demo_outline() -> Outline {
    Outline::of(include_str!("../../config/pilot-station.toml"), []).0
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
        beams: Vec::new(),
        calibrations: Vec::new(),
        calibrations_in: None,
        spectra: shipped_spectra(),
        colour: COLOUR,
    })
    .map(balance::settled)
    .expect("the texts are compiled in, and a test reads them")
}

/// A plan again from the texts that a log keeps of it. `set`: its name, in case that it states none; `hash`: its
/// [`Plan::hash`] where the texts are whole, else `None`, as where names were taken out of them.
///
/// `None`: a text is missing, is another than it was, or is none that this version reads.
#[must_use]
pub fn again(texts: &[PlanText], set: &str, hash: Option<&str>) -> Option<Plan> {
    let sources = Sources::again(texts, set, COLOUR)?;
    if hash.is_some_and(|hash| sources.hash() != hash) {
        return None;
    }
    read(&sources).ok().map(balance::settled)
}

/// The profiles that come with lampkeep, by file and name. All their figures are invented.
#[must_use]
pub fn shipped_profiles() -> Vec<Profile> {
    read_profiles(&shipped(), &shipped_spectra(), COLOUR)
        .expect("the texts are compiled in, and a test reads them")
}

fn shipped() -> Vec<Text> {
    SHIPPED.iter().map(|(name, text)| Text::new(*name, *text)).collect()
}

fn shipped_spectra() -> Vec<SpectrumFile> {
    let file = |(named_in, path, text): &(&str, &str, &str)| SpectrumFile {
        named_in: (*named_in).to_owned(),
        path: (*path).to_owned(),
        text: Text::new(format!("config/profiles/{path}"), *text),
    };
    SHIPPED_SPECTRA.iter().map(file).collect()
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

/// One file, whole.
fn bytes(path: &Path) -> Result<Vec<u8>, Problem> {
    plain_file::read(path, LONGEST).map_err(|e| unreadable(path, &e))
}

/// One file as text.
fn text(path: &Path) -> Result<Text, Problem> {
    let name = path.display();
    match String::from_utf8(bytes(path)?) {
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
    let (kind, said, help) = match error.kind() {
        ErrorKind::NotFound => {
            let whole = PathBuf::from(format!("{name}.toml"));
            let said = format!("there is no file {name}");
            if whole.is_file() {
                let help = format!("did you mean `{}`?", whole.display());
                return Problem::of_file(Kind::NoFile, said).help(help);
            }
            (Kind::NoFile, said, "check the name and the folder")
        }
        ErrorKind::IsADirectory => {
            let help = "name the plan's file, such as `pilot-station.toml`";
            (Kind::Folder, format!("{name} is a folder, not a file"), help)
        }
        ErrorKind::FileTooLarge => {
            let size = fs::metadata(path).map_or(LONGEST + 1, |about| about.len());
            let said = format!("{name} has {size} bytes; at most {LONGEST} (1 MiB) are read");
            (Kind::TooBig, said, "check that it is the right file; a plan has a few kilobytes")
        }
        ErrorKind::InvalidInput => {
            (Kind::Unreadable, format!("{name} cannot be read: {error}"), "save it as a file")
        }
        _ => (Kind::Unreadable, format!("{name} cannot be read: {error}"), "check who may read it"),
    };
    Problem::of_file(kind, said).help(help)
}
