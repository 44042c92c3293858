//! What each asked kelvin really gives, and the levels at which tint moves.

use super::{Fault, Fit, FittedWhite, Room, Taken};
use crate::calibrate::procedure::Kind;
use crate::light::colour;
use crate::light::typed::Reading;
use crate::plan::{Fixture, Mixing};

/// A change of tint with level beyond this, in Duv, is not clean (practice.md, 5).
const CLEAN_DUV: f64 = 0.003;

/// An asked kelvin with its readings (value sent, mired, Duv) and their steps.
type ByKelvin = (f64, Vec<(u16, f64, Option<f64>)>, Vec<String>);

/// A colour reading of the bare lamp: gels taken off. `None` where no kelvin was read.
pub(super) fn bare_white(reading: &Reading, fixture: &Fixture) -> Option<(f64, Option<f64>)> {
    let read = match (reading.kelvin, reading.xy) {
        (Some(kelvin), _) => (kelvin, reading.duv),
        (None, Some(xy)) => colour::kelvin_of(xy).map(|(k, d)| (k.get(), Some(d.get())))?,
        (None, None) => return None,
    };
    let mired = 1e6 / read.0 - fixture.shift_mired;
    Some((1e6 / mired.max(1.0), read.1.map(|d| d - fixture.shift_duv)))
}

pub(super) fn colours(
    lamp: &Fixture,
    taken: &[Taken],
    room: &Room,
    fixture: &Fixture,
    found: &mut Fit,
) -> Result<(), Fault> {
    let mut by_kelvin: Vec<ByKelvin> = Vec::new();
    for t in taken {
        let Kind::White(asked) = t.step.kind else { continue };
        let Some((kelvin, duv)) = bare_white(&t.reading, fixture) else { continue };
        if room.tints(t.reading.lux) {
            found.notes.push(format!("{}: too near to the room's light, its colour is not used", t.step.id));
            continue;
        }
        let row = (t.sent, 1e6 / kelvin, duv);
        match by_kelvin.iter_mut().find(|k| k.0 == asked) {
            Some(k) => {
                k.1.push(row);
                k.2.push(t.step.id.clone());
            }
            None => by_kelvin.push((asked, vec![row], vec![t.step.id.clone()])),
        }
    }
    by_kelvin.sort_by(|a, b| a.0.total_cmp(&b.0));
    let any_duv = by_kelvin.iter().any(|k| k.1.iter().any(|r| r.2.is_some()));
    for (asked, rows, _) in &by_kelvin {
        let mired = rows.iter().map(|r| r.1).sum::<f64>() / rows.len() as f64;
        let duvs: Vec<f64> = rows.iter().filter_map(|r| r.2).collect();
        let duv = if duvs.is_empty() { 0.0 } else { duvs.iter().sum::<f64>() / duvs.len() as f64 };
        found.kelvins.push(FittedWhite {
            asked: *asked,
            kelvin: (1e6 / mired * 10.0).round() / 10.0,
            duv: (duv * 1e5).round() / 1e5,
            light: 1.0,
        });
    }
    if !any_duv && !found.kelvins.is_empty() {
        found.notes.push("Duv was not read: it is taken as 0".to_owned());
    }
    for (i, pair) in found.kelvins.windows(2).enumerate() {
        if pair[1].kelvin <= pair[0].kelvin {
            let said = format!(
                "kelvin does not rise: {:.0} K gives {:.0} K, then {:.0} K gives {:.0} K; one of them is wrong",
                pair[0].asked, pair[0].kelvin, pair[1].asked, pair[1].kelvin
            );
            let steps = by_kelvin[i].2.iter().chain(&by_kelvin[i + 1].2).cloned().collect();
            return Err(Fault::NotRising { said, steps });
        }
    }
    tint_of_level(lamp, &by_kelvin, found);
    Ok(())
}

/// Where the tint moves with the level, the levels that it moves at are not clean.
fn tint_of_level(lamp: &Fixture, by_kelvin: &[ByKelvin], found: &mut Fit) {
    let Mixing::White { intensity, .. } = lamp.mode.mixing else { return };
    let moved = by_kelvin.iter().flat_map(|(_, rows, _)| {
        let top = rows.iter().max_by_key(|r| r.0);
        let at_top = top.and_then(|t| t.2);
        rows.iter().filter(move |r| at_top.zip(r.2).is_some_and(|(top, here)| (here - top).abs() > CLEAN_DUV))
    });
    if let Some(value) = moved.map(|r| r.0).max()
        && let Some(sweep) = found.sweeps.iter_mut().find(|s| s.channel == intensity)
    {
        sweep.clean_from = sweep.clean_from.max(value.saturating_add(1));
        found.notes.push(format!("Duv moves by more than {CLEAN_DUV} at value {value}: not clean there"));
    }
}
