//! Which output carries a fixture's slots, and the simulators of a plan that states no output.

use std::collections::BTreeMap;

use super::Cx;
use super::kit::{KitLamp, Patch};
use super::names;
use crate::plan::problem::{Kind, Problem};
use crate::plan::tree::Table;
use crate::plan::{Address, Control, Output, OutputId, OutputKind, Wake};

/// Finds a fixture's output. Whether the footprint ends in time and is free is checked once all are known.
pub(super) fn address(
    cx: &Cx<'_>,
    t: &Table<'_>,
    patch: &Patch<'_>,
    outputs: Option<&[Output]>,
) -> Option<Control> {
    let output = output_of(cx, t, patch, outputs?)?;
    let universe = outputs?.get(output.0).map_or(1, |o| o.universe);
    Some(Control::Dmx(Address { output, universe, first: patch.first }))
}

fn output_of(cx: &Cx<'_>, t: &Table<'_>, patch: &Patch<'_>, outputs: &[Output]) -> Option<OutputId> {
    if let Some(field) = &patch.output {
        let name = field.text("usb")?;
        let named = |(_, o): &(usize, &Output)| o.plan_name() == name;
        let of_it: Vec<_> = outputs.iter().enumerate().filter(named).collect();
        let index = match of_it.as_slice() {
            [] => {
                let mut names: Vec<_> = outputs.iter().map(Output::plan_name).collect();
                names.dedup();
                names::unknown(field, "output", name, names.into_iter());
                return None;
            }
            [(index, _)] => *index,
            several => return one_of_several(cx, t, patch, several).map(OutputId),
        };
        let carries = outputs[index].universe;
        if let Some((universe, place)) = patch.universe
            && universe != carries
        {
            let said =
                format!("{} is in universe {universe}, but output `{name}` carries {carries}", t.owner());
            let help = "leave `universe` out: the output says it";
            cx.sink.report(Problem::at(Kind::Conflict, place, said).label("not carried there").help(help));
            return None;
        }
        return Some(OutputId(index));
    }
    let (universe, place) = patch.universe.unwrap_or((1, patch.place));
    let carriers: Vec<_> = outputs.iter().enumerate().filter(|(_, o)| o.universe == universe).collect();
    match (carriers.as_slice(), outputs) {
        ([(index, _)], _) => Some(OutputId(*index)),
        // The sole output is the default, whatever universe it carries.
        ([], [_]) if patch.universe.is_none() => Some(OutputId(0)),
        ([], _) => {
            // A few of many are enough to see what is meant.
            let mut carried: Vec<_> =
                outputs.iter().take(8).map(|o| format!("`{}` carries {}", o.name, o.universe)).collect();
            if outputs.len() > 8 {
                carried.push(format!("and {} more", outputs.len() - 8));
            }
            let said = format!("{} is in universe {universe}, which no output carries", t.owner());
            let help = carried.join(", ");
            cx.sink.report(Problem::at(Kind::UnknownName, place, said).label("carried by none").help(help));
            None
        }
        (several, _) => {
            let all: Vec<_> = several.iter().map(|(_, o)| format!("\"{}\"", o.name)).collect();
            let said =
                format!("{} is in universe {universe}, which {} outputs carry", t.owner(), several.len());
            let help = format!("add `output = …` with one of {}", all.join(", "));
            cx.sink.report(Problem::at(Kind::Conflict, place, said).label("by which one?").help(help));
            None
        }
    }
}

/// The universe of a lamp among the several of a network output that it names: its own, else 1.
fn one_of_several(
    cx: &Cx<'_>,
    t: &Table<'_>,
    patch: &Patch<'_>,
    several: &[(usize, &Output)],
) -> Option<usize> {
    let (universe, place) = patch.universe.unwrap_or((1, patch.place));
    let found = several.iter().find(|(_, o)| o.universe == universe).map(|(index, _)| *index);
    if found.is_none() {
        let name = several.first().map_or("", |(_, o)| o.plan_name());
        let said = format!("{} is in universe {universe}, which output `{name}` does not carry", t.owner());
        // A few are enough to see what is meant.
        let carried: Vec<_> = several.iter().take(8).map(|(_, o)| o.universe.to_string()).collect();
        let more = if several.len() > 8 { ", …" } else { "" };
        let help = format!("add `universe = …` with one of its universes: {}{more}", carried.join(", "));
        cx.sink.report(Problem::at(Kind::Conflict, place, said).label("not carried there").help(help));
    }
    found
}

/// Universes that the plan's lamps are in, as far as they can be read.
pub(super) fn universes(plan: &Table<'_>, bodies: &BTreeMap<String, KitLamp<'_>>) -> Vec<u16> {
    let of_body = |t: &Table<'_>| {
        let name = t.get("lamp")?.as_text()?;
        bodies.get(name)?.lamp.as_ref()?.patch.as_ref()?.universe.map(|u| u.0)
    };
    let own = |t: &Table<'_>| {
        t.get("universe")?.as_number().filter(|n| (1.0..=63_999.0).contains(n)).map(|n| n as u16)
    };
    plan.named("fixture", "fixture").iter().map(|(_, t)| own(t).or_else(|| of_body(t)).unwrap_or(1)).collect()
}

/// Outputs for a plan that states none: a simulator for each universe that a lamp names.
pub(super) fn simulators(mut numbers: Vec<u16>, rate: u32) -> Vec<Output> {
    numbers.sort_unstable();
    numbers.dedup();
    let name = |n: u16| if n == 1 { "simulator".into() } else { format!("simulator-{n}") };
    let of = |n| Output { name: name(n), kind: OutputKind::Simulator, universe: n, rate, wake: Wake::Sleep };
    numbers.into_iter().map(of).collect()
}
