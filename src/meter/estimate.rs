//! Lamps that nobody has read alone, solved from readings that hold several lamps' light.

use super::account::{Account, Here, LampRead};
use super::point::Spot;
use super::report::together;
use crate::light::balance::solver;
use crate::light::reading::Reading;
use crate::plan::FixtureId;

/// A lamp that gives less than this share of every reading is not told by them. Judgement.
const LEAST_SHARE: f64 = 0.1;
/// Weight of a stop by which a lamp is off its figures against one by which a reading is missed: figures hold where
/// readings leave them free.
const KEEP: f64 = 0.05;
/// Farthest that a lamp is taken to be off, in stops, either way. Judgement: farther off it is dark or another lamp.
const FARTHEST: f64 = 3.0;

/// One reading of several lamps.
struct Row {
    /// As read, in lux.
    read: f64,
    /// What of it is known, in lux: the room, and lamps that were read alone.
    fixed: f64,
    /// The other lamps, with what their figures say that they give there, in lux.
    open: Vec<(FixtureId, f64)>,
}

/// Adds to an account the lamps that only readings of several lamps tell of: so many stops off that the squares of what
/// those readings miss, in stops, are least, none of them below no light.
pub(super) fn solve(here: &Here<'_>, account: &mut Account) {
    let readings = together(here);
    let mut lamps: Vec<FixtureId> = Vec::new();
    let mut rows: Vec<Row> = Vec::new();
    for noted in &readings {
        let Some(read) = noted.seen.light().filter(|lux| *lux > 0.0) else { continue };
        let mut fixed = account.room(here, &noted.spot).light.lux();
        let mut open = Vec::new();
        let mut known = true;
        for lit in &noted.lamps {
            let Some(index) = here.plan.fixtures.iter().position(|f| f.id == lit.fixture) else {
                known = false;
                continue;
            };
            let id = FixtureId(index);
            let light = here
                .sent(id, lit)
                .and_then(|sent| account.light(here, (&noted.spot, noted.receptor), id, sent));
            let Some(lux) = light.as_ref().map(Reading::lux) else {
                known = false;
                continue;
            };
            if account.of_lamp(id).is_none() && lux >= LEAST_SHARE * read {
                open.push((id, lux));
            } else {
                fixed += lux;
            }
        }
        if known && !open.is_empty() {
            lamps.extend(open.iter().map(|(id, _)| *id));
            rows.push(Row { read, fixed, open });
        }
    }
    lamps.sort_by_key(|id| id.0);
    lamps.dedup();
    if lamps.is_empty() {
        return;
    }
    let residuals = |off: &[f64]| -> Vec<f64> {
        let of = |id: FixtureId| lamps.iter().position(|l| *l == id).map_or(0.0, |i| off[i]);
        let miss = rows.iter().map(|Row { read, fixed, open }| {
            let sum: f64 = open.iter().map(|(id, lux)| lux * of(*id).exp2()).sum();
            ((fixed + sum) / read).log2()
        });
        miss.chain(off.iter().map(|o| KEEP * o)).collect()
    };
    let n = lamps.len();
    let off = solver::least(&residuals, &vec![0.0; n], &vec![-FARTHEST; n], &vec![FARTHEST; n]);
    for (id, off_stops) in lamps.into_iter().zip(off) {
        let Some(noted) =
            readings.iter().rev().find(|n| n.lamps.iter().any(|l| l.fixture == here.plan.fixture(id).id))
        else {
            continue;
        };
        let lit = noted.lamps.iter().find(|l| l.fixture == here.plan.fixture(id).id);
        let Some((lit, (sent_lux, sent_xy))) = lit.and_then(|lit| Some((lit, here.sent(id, lit)?))) else {
            continue;
        };
        account.lamps.push(LampRead {
            fixture: id,
            id: noted.id,
            spot: Spot::Aim(here.plan.fixture(id).id.clone()),
            lux: sent_lux * off_stops.exp2(),
            room_lux: 0.0,
            white: None,
            sent_lux,
            sent_xy,
            asked_lux: lit.asked_lux,
            off_stops,
            off_mired: 0.0,
            off_duv: 0.0,
            doubt_stops: 0.0,
            notes: vec!["not read alone: solved from readings of several lamps".to_owned()],
        });
    }
    account.lamps.sort_by_key(|l| l.fixture.0);
}
