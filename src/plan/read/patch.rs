//! The patch: footprints that run past the end of a universe, and lamps on the same slots.

use super::Cx;
use super::fixture::Named;
use crate::plan::OutputId;
use crate::plan::problem::{Kind, Place, Problem};

/// Slots of a universe (E1.11).
const SLOTS: u16 = 512;

/// One lamp's slots, `first` to `last`.
#[derive(Debug)]
struct Lamp<'n> {
    id: &'n str,
    body: Option<&'n str>,
    mode: &'n str,
    place: Place,
    output: OutputId,
    universe: u16,
    first: u16,
    last: u16,
}

/// Reports every footprint that runs past slot 512, and every lamp on slots that another one has
/// already, with both ranges and the next free address.
pub(super) fn check(cx: &Cx<'_>, fixtures: &[Named]) {
    let lamps: Vec<_> = fixtures.iter().filter_map(lamp).collect();
    for (index, lamp) in lamps.iter().enumerate() {
        let size = lamp.last - lamp.first + 1;
        if lamp.last > SLOTS {
            let said = format!(
                "`{}` takes {size} slots in mode `{}`, {} to {}; universe {} ends at {SLOTS}",
                lamp.id, lamp.mode, lamp.first, lamp.last, lamp.universe
            );
            let help = free_help(&lamps, lamp, 1);
            cx.sink.report(Problem::at(Kind::PastEnd, lamp.place, said).label("too near the end").help(help));
        }
        let clash = lamps[..index].iter().find(|other| {
            other.output == lamp.output && other.first <= lamp.last && lamp.first <= other.last
        });
        // One body in two jobs is reported as that.
        let Some(other) = clash.filter(|o| o.body.is_none() || o.body != lamp.body) else { continue };
        let said = format!(
            "`{}` takes slots {} to {} and `{}` takes {} to {}, both in universe {}",
            lamp.id, lamp.first, lamp.last, other.id, other.first, other.last, lamp.universe
        );
        cx.sink.report(
            Problem::at(Kind::Overlap, lamp.place, said)
                .label(format!("`{}`: {} to {}", lamp.id, lamp.first, lamp.last))
                .also(other.place, format!("`{}`: {} to {}", other.id, other.first, other.last))
                .help(free_help(&lamps, lamp, other.last + 1)),
        );
    }
}

fn lamp(named: &Named) -> Option<Lamp<'_>> {
    let fixture = named.fixture.as_ref()?;
    let address = fixture.address()?;
    Some(Lamp {
        id: &fixture.id,
        body: named.body.as_deref(),
        mode: &fixture.mode.name,
        place: named.address?,
        output: address.output,
        universe: address.universe,
        first: address.first,
        last: address.first + fixture.mode.footprint() - 1,
    })
}

/// Says the first address from `from` on, else from 1, where all slots of the lamp are free.
fn free_help(lamps: &[Lamp<'_>], lamp: &Lamp<'_>, from: u16) -> String {
    let mut taken = [false; SLOTS as usize + 1];
    for other in lamps.iter().filter(|o| o.output == lamp.output && !std::ptr::eq(*o, lamp)) {
        for slot in other.first..=other.last.min(SLOTS) {
            taken[usize::from(slot)] = true;
        }
    }
    let size = lamp.last - lamp.first + 1;
    let fits =
        |first: u16| first + size <= SLOTS + 1 && (first..first + size).all(|slot| !taken[usize::from(slot)]);
    match (from..=SLOTS).chain(1..from.min(SLOTS)).find(|first| fits(*first)) {
        Some(free) => format!("the next free address for the {size} slots of `{}` is {free}", lamp.id),
        None => format!("universe {} has no {size} free slots in a row left; use another one", lamp.universe),
    }
}
