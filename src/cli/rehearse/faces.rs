//! The faces of a rehearsal's looks: files in its folder, and what its page shows of them.

use std::path::Path;
use std::sync::Arc;

use crate::cli::draw::{Studio, Threads};
use crate::cli::rehearse_args::Faces;
use crate::picture::face::{self, Cell, Finish, LIFT_STOPS, Seen};
use crate::picture::{Pixels, face::figures};
use crate::plan::{LookId, Plan};
use crate::rehearse::Timeline;
use crate::report::{LookFaces, Shot};

/// Pixels a page unit of the contact sheet.
const SHEET_SCALE: f64 = 1.5;

/// Pictures of every look that came up, in the order in which they did, each by every camera; written into `folder` with
/// their contact sheet.
///
/// `progress`: how far it is may be told on a terminal. Errors: the file system's.
pub(super) fn write(
    folder: &Path,
    plan: &Plan,
    timeline: &Timeline,
    (faces, progress): (Faces, bool),
) -> std::io::Result<Vec<LookFaces>> {
    let finish = match faces {
        Faces::None => return Ok(Vec::new()),
        Faces::Small => Finish::SMALL,
        Faces::Fine => Finish::FINE,
    };
    let mut looks: Vec<LookId> = Vec::new();
    for row in &timeline.looks {
        looks.extend(plan.look_named(&row.look).filter(|look| !looks.contains(look)));
    }
    let threads = if progress { Threads::new() } else { Threads::quiet() };
    // A rehearsal reads the plan's own files and shows their names: docs/safety.md.
    let mut studio = Studio::new(plan, false, finish, threads);
    let all = looks.len() * plan.cameras.len();
    let (mut cells, mut shown) = (Vec::new(), Vec::new());
    for look in looks {
        let lit = face::lit(plan, look);
        let (name, protect) = (studio.names().look(look), plan.look(look).protect);
        let mut cell = Cell { look, lit, pictures: Vec::new(), verdict: None };
        let mut shots = Vec::new();
        for camera in 0..plan.cameras.len() {
            let part = format!(", face {} of {all}", shown_shots(&shown) + shots.len() + 1);
            let exposed = studio.exposed(&cell.lit, look, camera, &part);
            let stem = format!("face-{name}-{}", studio.camera_file(camera));
            let pixels = exposed.pixels();
            let mut shot = Shot {
                by: studio.camera_said(camera),
                png: png(folder, &stem, &pixels)?,
                lifted: None,
                seen: None,
            };
            cell.pictures.push(Arc::new(pixels));
            if protect && let Some(seen) = Seen::of(&exposed) {
                let lifted = exposed.lifted(LIFT_STOPS);
                shot.lifted = Some(png(folder, &format!("{stem}-lifted"), &lifted)?);
                if camera == 0 {
                    cell.verdict = Some((Arc::new(lifted), seen.said()));
                }
                shot.seen = Some(seen);
            }
            shots.push(shot);
        }
        shown.push(LookFaces {
            look: name,
            about: plan.look(look).about.clone(),
            protect,
            figures: figures(plan, &cell.lit),
            shots,
        });
        cells.push(cell);
    }
    studio.clear();
    if !cells.is_empty() {
        let sheet = face::contact_sheet(plan, &cells, false);
        std::fs::write(folder.join("looks.svg"), sheet.svg())?;
        std::fs::write(folder.join("looks.png"), sheet.pixels(SHEET_SCALE).png())?;
    }
    Ok(shown)
}

fn shown_shots(shown: &[LookFaces]) -> usize {
    shown.iter().map(|l| l.shots.len()).sum()
}

fn png(folder: &Path, stem: &str, pixels: &Pixels) -> std::io::Result<Vec<u8>> {
    let bytes = pixels.png();
    std::fs::write(folder.join(format!("{stem}.png")), &bytes)?;
    Ok(bytes)
}
