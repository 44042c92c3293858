//! `rehearse`: the plan, the wishes, a pace on the wall clock, how far it is, and what is kept with `--out`.

mod faces;

use std::io::{IsTerminal, Write};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use super::exit::Exit;
use super::rehearse_args::{Faces, RehearseArgs};
use super::run::{fault, print, print_json, read_plan};
use crate::channels::Frame;
use crate::clock::{Clock, SystemClock};
use crate::engine::{Engine, say};
use crate::picture::Drawing;
use crate::picture::set::{self, View};
use crate::plan::{Plan, load};
use crate::rehearse::{Timeline, Watches, Wishes, clock_time, story};
use crate::report::{self, Figure, Samples};
use crate::units::{FrameClock, Moment};

/// A run shorter than this shows no progress. Judgement: nobody has begun to wait.
const SHOWN_AFTER: Duration = Duration::from_millis(500);
/// Length that a rehearsal without an end is taken to have, for how often the report takes things down, in seconds: half a
/// working day.
const LONG_S: f64 = 14_400.0;
/// Pixels for each unit of a picture's page: sharp on paper and on a dense screen.
const SCALE: f64 = 2.0;
/// Between two lines of progress.
const SHOWN_EVERY: Duration = Duration::from_millis(200);

/// Rehearses, and prints what was found.
pub(super) fn run(args: RehearseArgs, json: bool) -> Exit {
    let mut plan = match args.plan.as_deref().map_or_else(|| Ok(load::demo()), |p| read_plan(p, json)) {
        Ok(plan) => plan,
        Err(exit) => return exit,
    };
    plan.ambient = args.ambient.unwrap_or(plan.ambient);
    let plan = Arc::new(plan);
    let keep = match args.out.as_deref().map(Keep::open).transpose() {
        Ok(keep) => keep,
        Err(e) => return fault(Exit::NotMet, &format!("--out: {e}")),
    };
    let wishes = Wishes {
        from: args.from,
        to_s: args.to,
        lamps: args.lamps,
        takes: true,
        faults: args.fault,
        every_frame: false,
    };
    let samples = args.out.is_some().then(|| Samples::new(&plan, args.to.unwrap_or(LONG_S)));
    let mut hall = Hall {
        samples,
        clock: SystemClock::start(),
        frames: plan.frames,
        pace: args.pace,
        first: None,
        keep,
        written: Ok(()),
        progress: std::io::stderr().is_terminal() && !json,
        shown: None,
    };
    let timeline = match story(Arc::clone(&plan), &wishes, &mut hall) {
        Ok(timeline) => timeline,
        Err(unfit) => return fault(Exit::Usage, &unfit.to_string()),
    };
    hall.clear();
    let text = timeline.text();
    if let (Some(keep), Some(samples)) = (hall.keep, hall.samples)
        && let Err(e) =
            hall.written.and_then(|()| keep.finish(&text, &timeline, &plan, (&samples, args.faces, !json)))
    {
        return fault(Exit::NotMet, &format!("--out: {e}"));
    }
    let printed = if json { print_json(&timeline) } else { print(&text) };
    if timeline.verdict.works { printed } else { Exit::Guarded }
}

/// Who looks on: the wall clock, the one who waits, and the folder.
struct Hall {
    clock: SystemClock,
    frames: FrameClock,
    pace: Option<f64>,
    /// Frames seen so far, which a pace counts.
    first: Option<u64>,
    keep: Option<Keep>,
    /// What the report shows.
    samples: Option<Samples>,
    written: std::io::Result<()>,
    progress: bool,
    /// When progress was last shown.
    shown: Option<Moment>,
}

impl Watches for Hall {
    fn frames(&mut self, universes: &[Frame]) {
        if let Some(pace) = self.pace {
            let n = self.first.map_or(0, |n| n + 1);
            self.first = Some(n);
            let at = self.frames.moment_of(n).elapsed().div_f64(pace);
            self.clock.sleep_until(Moment::since_start(at));
        }
        if let Some(keep) = &mut self.keep
            && self.written.is_ok()
        {
            self.written = keep.frames(universes);
        }
    }

    fn frame(&mut self, engine: &Engine) {
        if let Some(samples) = &mut self.samples {
            samples.frame(engine);
        }
    }

    fn second(&mut self, at_s: f64, to_s: f64, engine: &Engine) {
        if let Some(samples) = &mut self.samples {
            samples.second(at_s, engine);
        }
        if !self.progress {
            return;
        }
        let now = self.clock.now();
        if now.elapsed() < SHOWN_AFTER || self.shown.is_some_and(|last| now.after(last) < SHOWN_EVERY) {
            return;
        }
        self.shown = Some(now);
        let share = if to_s > 0.0 { 100.0 * at_s / to_s } else { 100.0 };
        let look = engine.now().look;
        let mut out = std::io::stderr().lock();
        // Progress that cannot be shown is no fault.
        let _ = write!(
            out,
            "\r\x1b[Krehearsing {} of {} · {share:.0} % · {look}",
            clock_time(at_s),
            say::span(to_s)
        );
        let _ = out.flush();
    }
}

impl Hall {
    /// Takes the progress away.
    fn clear(&self) {
        if self.shown.is_some() {
            let _ = write!(std::io::stderr().lock(), "\r\x1b[K");
        }
    }
}

/// What `rehearse --out` keeps.
struct Keep {
    folder: std::path::PathBuf,
    frames: std::io::BufWriter<std::fs::File>,
    last: Vec<crate::channels::Frame>,
}

impl Keep {
    fn open(folder: &Path) -> std::io::Result<Self> {
        std::fs::create_dir_all(folder)?;
        let frames = std::io::BufWriter::new(std::fs::File::create(folder.join("frames.txt"))?);
        Ok(Self { folder: folder.to_owned(), frames, last: Vec::new() })
    }

    /// One line for each universe that differs from the frame before.
    fn frames(&mut self, universes: &[crate::channels::Frame]) -> std::io::Result<()> {
        for (index, frame) in universes.iter().enumerate() {
            if self.last.get(index).is_none_or(|l| l.slots != frame.slots) {
                writeln!(self.frames, "{}", crate::wire::sim::record_line(frame))?;
            }
        }
        self.last.clear();
        self.last.extend_from_slice(universes);
        Ok(())
    }

    /// The timeline, every picture as SVG and PNG, and the page that holds all of it.
    fn finish(
        mut self,
        text: &str,
        timeline: &Timeline,
        plan: &Plan,
        (samples, faces, progress): (&Samples, Faces, bool),
    ) -> std::io::Result<()> {
        self.frames.flush()?;
        std::fs::write(self.folder.join("timeline.txt"), text)?;
        let json = serde_json::to_string_pretty(timeline).map_err(std::io::Error::other)?;
        std::fs::write(self.folder.join("timeline.json"), json)?;
        let view = View::default();
        let (views, words) = set::pages(plan, &view);
        // The words are in the page as text.
        self.picture("set-words", &words)?;
        let mut figures = vec![self.picture("set", &views)?];
        for (name, drawing) in report::pictures(timeline, samples) {
            figures.push(self.picture(name, &drawing)?);
        }
        let looks = faces::write(&self.folder, plan, timeline, (faces, progress))?;
        let page = report::page(timeline, samples, &looks, (&figures, &set::said(plan, &view)));
        std::fs::write(self.folder.join("report.html"), page)
    }

    /// Writes a picture as SVG and PNG.
    fn picture(&self, name: &str, drawing: &Drawing) -> std::io::Result<Figure> {
        let svg = drawing.svg();
        std::fs::write(self.folder.join(format!("{name}.svg")), &svg)?;
        std::fs::write(self.folder.join(format!("{name}.png")), drawing.pixels(SCALE).png())?;
        Ok(Figure { svg, said: format!("{} ({name}.svg, {name}.png)", drawing.title) })
    }
}
