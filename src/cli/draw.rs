//! `draw`: pictures of the set and of its looks into a folder. The pictures themselves are made by `picture`.

mod studio;
mod threads;

use std::path::{Path, PathBuf};

use serde::Serialize;

use super::exit::Exit;
use super::run::{fault, hidden, print, print_json, read_plan};
use crate::guards::identity::names::{Names, numbered};
use crate::picture::face::{self, Cell, Finish, LIFT_STOPS, Lit};
use crate::picture::set::{self, Lengths, View};
use crate::picture::{Drawing, Pixels};
use crate::plan::{LookId, Plan};
use crate::words;
pub(super) use studio::{Studio, Taken};
pub use threads::Threads;

/// Pixels each way of a face, unless asked for otherwise.
const FACE: u32 = 640;
/// Of a face on the contact sheet.
const ON_SHEET: u32 = 480;
/// Pixels a page unit of the set's PNG, and of the contact sheet's.
const SET_SCALE: f64 = 1.6;
const SHEET_SCALE: f64 = 1.5;

/// What `draw` may be told.
#[derive(Debug, clap::Args)]
pub struct DrawArgs {
    /// The plan
    pub plan: PathBuf,
    /// Draw this look alone: the set in its light, and the face as each camera sees it
    #[arg(long, value_name = "LOOK", add = super::complete::looks())]
    pub look: Option<String>,
    /// Folder for the pictures; made if it is not there
    #[arg(long, value_name = "DIR", default_value = "pictures")]
    pub out: PathBuf,
    /// Feet and inches instead of metres
    #[arg(long)]
    pub feet: bool,
    /// Small and coarse, at once
    #[arg(long)]
    pub draft: bool,
    /// Pixels each way of a face [default: 640]
    #[arg(long, value_name = "PIXELS", value_parser = clap::value_parser!(u32).range(32..=2048))]
    pub size: Option<u32>,
}

/// What was drawn.
#[derive(Debug, Default, Serialize)]
struct Drawn {
    folder: PathBuf,
    files: Vec<File>,
    /// What the pictures of protected looks show of the face.
    protect: Vec<Verdict>,
}

/// One file.
#[derive(Debug, Serialize)]
struct File {
    file: String,
    shows: String,
}

/// What a picture of a protected look shows of the face.
#[derive(Debug, Serialize)]
struct Verdict {
    look: String,
    camera: String,
    #[serde(skip)]
    by: String,
    subject: String,
    under_wall_stops: Option<f64>,
    contrast: f64,
    lifted_stops: f64,
    lifted_contrast: f64,
    seen_lifted: bool,
    said: String,
}

/// Draws, and says which files it wrote.
pub fn run(args: &DrawArgs, json: bool) -> Exit {
    let plan = match read_plan(&args.plan, json) {
        Ok(plan) => plan,
        Err(exit) => return exit,
    };
    let look = match args.look.as_deref().map(|name| named(&plan, name)).transpose() {
        Ok(look) => look,
        Err(said) => return fault(Exit::NotMet, &said),
    };
    let hidden = hidden(&plan);
    let usual = if look.is_some() { FACE } else { ON_SHEET };
    let mut artist = Artist {
        plan: &plan,
        args,
        hidden,
        studio: Studio::new(&plan, hidden, finish(args, usual), Threads::new()),
        drawn: Drawn { folder: args.out.clone(), ..Drawn::default() },
    };
    let done = std::fs::create_dir_all(&args.out).and_then(|()| match look {
        Some(look) => artist.look(look),
        None => artist.all(),
    });
    artist.studio.clear();
    if let Err(e) = done {
        return fault(Exit::NotMet, &format!("{}: {e}; give another folder with --out", args.out.display()));
    }
    if json { print_json(&artist.drawn) } else { print(&artist.drawn.text()) }
}

/// The look of a name, or of a number that stands for one.
fn named(plan: &Plan, name: &str) -> Result<LookId, String> {
    let number = numbered("look", name).filter(|index| *index < plan.looks.len()).map(LookId);
    plan.look_named(name).or(number).ok_or_else(|| {
        let near = words::nearest(name, plan.looks.iter().map(|l| l.name.as_str()));
        let hint = near.map_or(String::new(), |n| format!("\n  did you mean `{n}`?"));
        format!("no look `{}` in this plan{hint}", words::short(name))
    })
}

fn finish(args: &DrawArgs, usual: u32) -> Finish {
    let base = if args.draft { Finish::DRAFT } else { Finish { size: usual, ..Finish::FINE } };
    Finish { size: args.size.unwrap_or(base.size), ..base }
}

struct Artist<'p> {
    plan: &'p Plan,
    args: &'p DrawArgs,
    hidden: bool,
    studio: Studio<'p>,
    drawn: Drawn,
}

impl<'p> Artist<'p> {
    fn names(&self) -> Names<'p> {
        self.studio.names()
    }

    fn view(&self, look: Option<LookId>) -> View {
        let lengths = if self.args.feet { Lengths::Feet } else { Lengths::Metres };
        View { look, lengths, hidden: self.hidden }
    }

    /// The set, and all looks on one sheet.
    fn all(&mut self) -> std::io::Result<()> {
        let page = set::page(self.plan, &self.view(None));
        self.both("set", &page, SET_SCALE, "the set from above and from the side, every lamp in words")?;
        let cells: Vec<Cell> = (0..self.plan.looks.len()).map(|index| self.cell(LookId(index))).collect();
        if cells.is_empty() {
            return Ok(());
        }
        let sheet = face::contact_sheet(self.plan, &cells, self.hidden);
        self.both("looks", &sheet, SHEET_SCALE, "the face in every look, with ratios and meter values")
    }

    fn cell(&mut self, look: LookId) -> Cell {
        let lit = face::lit(self.plan, look);
        let taken = self.taken(&lit, look);
        for face in &taken {
            self.judged(look, face);
        }
        self.studio.cell(look, lit, &taken)
    }

    fn taken(&mut self, lit: &Lit, look: LookId) -> Vec<Taken> {
        let framings = self.studio.framings();
        framings.into_iter().map(|framing| self.studio.taken(lit, look, framing, "")).collect()
    }

    /// One look: the set in its light, every face by every camera.
    fn look(&mut self, look: LookId) -> std::io::Result<()> {
        let name = self.names().look(look);
        let page = set::page(self.plan, &self.view(Some(look)));
        self.both(&format!("set-{name}"), &page, SET_SCALE, &format!("the set in the light of {name}"))?;
        let lit = face::lit(self.plan, look);
        for face in self.taken(&lit, look) {
            let of =
                self.studio.one_of_several(face.framing).map_or(String::new(), |who| format!(" of {who}"));
            let shows = format!("the face{of} in {name} as {} sees it", self.studio.camera(face.framing));
            let file = format!("face-{name}-{}", self.studio.file(face.framing));
            self.png(&file, &face.pixels, &shows)?;
            if let Some((lifted, _)) = &face.lifted {
                let shows = format!("the same with shadows lifted by {LIFT_STOPS} stops");
                self.png(&format!("{file}-lifted"), lifted, &shows)?;
            }
            self.judged(look, &face);
        }
        Ok(())
    }

    /// Takes down what is seen of a face that the look hides.
    fn judged(&mut self, look: LookId, face: &Taken) {
        let Some((_, Some(seen))) = &face.lifted else { return };
        self.drawn.protect.push(Verdict {
            look: self.names().look(look),
            camera: self.studio.camera_file(face.framing),
            by: self.studio.label(face.framing),
            subject: self.studio.subject(face.framing),
            under_wall_stops: seen.under_wall_stops,
            contrast: seen.contrast,
            lifted_stops: LIFT_STOPS,
            lifted_contrast: seen.lifted_contrast,
            seen_lifted: seen.seen_lifted(),
            said: seen.said(),
        });
    }

    fn both(&mut self, name: &str, page: &Drawing, scale: f64, shows: &str) -> std::io::Result<()> {
        self.put(&format!("{name}.svg"), page.svg().as_bytes(), shows)?;
        self.png(name, &page.pixels(scale), shows)
    }

    fn png(&mut self, name: &str, pixels: &Pixels, shows: &str) -> std::io::Result<()> {
        self.put(&format!("{name}.png"), &pixels.png(), shows)
    }

    fn put(&mut self, file: &str, bytes: &[u8], shows: &str) -> std::io::Result<()> {
        write(&self.args.out.join(file), bytes)?;
        self.drawn.files.push(File { file: file.to_owned(), shows: shows.to_owned() });
        Ok(())
    }
}

/// Writes a file whole or not at all.
pub(super) fn write(path: &Path, bytes: &[u8]) -> std::io::Result<()> {
    let mut part = path.as_os_str().to_owned();
    part.push(".part");
    let part = PathBuf::from(part);
    let written = std::fs::write(&part, bytes).and_then(|()| std::fs::rename(&part, path));
    written.inspect_err(|_| {
        let _ = std::fs::remove_file(&part);
    })
}

impl Drawn {
    fn text(&self) -> String {
        let mut out = String::new();
        let width = self.files.iter().map(|f| f.file.len()).max().unwrap_or(0);
        for f in &self.files {
            out.push_str(&format!("{}/{:<width$}  {}\n", self.folder.display(), f.file, f.shows));
        }
        for v in &self.protect {
            out.push_str(&format!("{}, {}: {}\n", v.look, v.by, v.said));
        }
        out.push_str("planned, not measured: a picture is no reading, and a screen is not the set\n");
        out
    }
}
