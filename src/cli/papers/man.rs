//! Manual pages: one for lampkeep and one for each command, as roff.
//!
//! What clap knows of a command is set by `clap_mangen`; examples and notes are taken from the end of its help, and
//! `sections` has what no definition tells.

use std::io;

use clap::Command;
use clap_mangen::Man;

use super::sections;
use crate::version;

/// Every page with its file name.
pub(super) fn pages(mut command: Command) -> Vec<(String, String)> {
    command = command.disable_help_subcommand(true);
    command.build();
    let mut pages = Vec::new();
    collect(&command, &mut Vec::new(), &mut pages);
    pages
}

fn collect(command: &Command, above: &mut Vec<String>, pages: &mut Vec<(String, String)>) {
    let name = command.get_display_name().unwrap_or(command.get_name()).to_owned();
    let below: Vec<&Command> = shown(command).collect();
    let others: Vec<String> = if above.is_empty() {
        below.iter().filter_map(|c| c.get_display_name()).map(str::to_owned).collect()
    } else {
        above
            .iter()
            .cloned()
            .chain(below.iter().filter_map(|c| c.get_display_name()).map(str::to_owned))
            .collect()
    };
    let text = page(command, above.is_empty(), &others);
    pages.push((format!("{name}.1"), text.unwrap_or_default()));
    above.push(name);
    for command in below {
        collect(command, above, pages);
    }
    above.pop();
}

fn shown(command: &Command) -> impl Iterator<Item = &Command> {
    command.get_subcommands().filter(|c| !c.is_hide_set())
}

/// One page. `whole`: it is lampkeep's own; `others`: the pages that it names at its end.
fn page(command: &Command, whole: bool, others: &[String]) -> io::Result<String> {
    let end = command.get_after_help().map(ToString::to_string).unwrap_or_default();
    let source = format!("lampkeep {}", env!("CARGO_PKG_VERSION"));
    let man = Man::new(command.clone()).date(version::DATE).source(source).manual("lampkeep");
    let mut out = Vec::new();
    man.render_title(&mut out)?;
    man.render_name_section(&mut out)?;
    man.render_synopsis_section(&mut out)?;
    man.render_description_section(&mut out)?;
    if command.get_arguments().any(|a| !a.is_hide_set()) {
        man.render_options_section(&mut out)?;
    }
    if command.has_subcommands() {
        man.render_subcommands_section(&mut out)?;
    }
    // A break beside a blank line is one too many.
    let mut text = String::from_utf8_lossy(&out)
        .replace("\n.br\n\n.br\n", "\n.sp\n")
        .replace("\n.br\n.sp", "\n.sp")
        .replace("\n.sp\n.br\n", "\n.sp\n");
    if whole {
        text.push_str(&sections::whole());
    } else {
        text.push_str(&sections::of_end(&end));
        text.push_str(&sections::exit_of_one());
    }
    text.push_str(&sections::see_also(others));
    Ok(text)
}
