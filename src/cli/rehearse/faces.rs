//! The faces of a rehearsal's looks: files in its folder, and what its page shows of them.

use std::path::Path;

use crate::cli::draw::{Studio, Threads};
use crate::cli::rehearse_args::Faces;
use crate::picture::face::{self, Finish};
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
    let framings = studio.framings();
    let all = looks.len() * framings.len();
    let (mut cells, mut shown) = (Vec::new(), Vec::new());
    for look in looks {
        let lit = face::lit(plan, look);
        let name = studio.names().look(look);
        let (mut taken, mut shots) = (Vec::new(), Vec::new());
        for framing in &framings {
            let part = format!(", face {} of {all}", shown.len() * framings.len() + taken.len() + 1);
            let face = studio.taken(&lit, look, *framing, &part);
            let stem = format!("face-{name}-{}", studio.file(*framing));
            let lifted = face.lifted.as_ref();
            shots.push(Shot {
                by: studio.camera(*framing),
                of: studio.one_of_several(*framing),
                png: png(folder, &stem, &face.pixels)?,
                lifted: lifted
                    .map(|(pixels, _)| png(folder, &format!("{stem}-lifted"), pixels))
                    .transpose()?,
                seen: lifted.and_then(|(_, seen)| *seen),
            });
            taken.push(face);
        }
        shown.push(LookFaces {
            look: name,
            about: plan.look(look).about.clone(),
            protect: plan.look(look).protect,
            figures: figures(plan, &lit),
            shots,
        });
        cells.push(studio.cell(look, lit, &taken));
    }
    studio.clear();
    if !cells.is_empty() {
        let sheet = face::contact_sheet(plan, &cells, false);
        std::fs::write(folder.join("looks.svg"), sheet.svg())?;
        std::fs::write(folder.join("looks.png"), sheet.pixels(SHEET_SCALE).png())?;
    }
    Ok(shown)
}

fn png(folder: &Path, stem: &str, pixels: &Pixels) -> std::io::Result<Vec<u8>> {
    let bytes = pixels.png();
    std::fs::write(folder.join(format!("{stem}.png")), &bytes)?;
    Ok(bytes)
}
