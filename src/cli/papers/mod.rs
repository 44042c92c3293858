//! `papers`: the manual pages, the completions of shells and the JSON Schemas as files, for a package to install.
//!
//! All of it is made from the one definition of the commands, so that it cannot tell of what is not there.

mod man;
mod sections;

use std::path::{Path, PathBuf};

use clap::CommandFactory;

use super::args::Args;
use super::exit::Exit;
use super::run::{fault, print, print_json};
use super::{complete, draw};

/// What `papers` may be told.
#[derive(Debug, clap::Args)]
pub struct PapersArgs {
    /// Folder to write into; made where it is missing
    pub folder: PathBuf,
}

/// The JSON Schemas of a plan and of the files beside it, by their names.
const SCHEMAS: [(&str, &str); 5] = [
    ("plan", include_str!("../../../docs/plan.schema.json")),
    ("kit", include_str!("../../../docs/kit.schema.json")),
    ("profiles", include_str!("../../../docs/profiles.schema.json")),
    ("looks", include_str!("../../../docs/looks.schema.json")),
    ("calibration", include_str!("../../../docs/calibration.schema.json")),
];

/// Writes every file: `man/man1/*.1`, `bash/lampkeep`, `zsh/_lampkeep`, `fish/lampkeep.fish`, `schema/*.schema.json`.
pub fn run(args: &PapersArgs, json: bool) -> Exit {
    let files = files();
    for (name, text) in &files {
        if let Err(e) = written(&args.folder.join(name), text) {
            let said = format!("{} was not written: {e}", args.folder.join(name).display());
            return fault(Exit::NotMet, &said);
        }
    }
    let count = files.len();
    if json {
        let names: Vec<_> = files.iter().map(|(name, _)| name).collect();
        return print_json(&serde_json::json!({ "ok": true, "folder": args.folder, "files": names }));
    }
    print(&format!("{count} files in {}", args.folder.display()))
}

fn written(path: &Path, text: &str) -> std::io::Result<()> {
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder)?;
    }
    draw::write(path, text.as_bytes())
}

/// Every file by its name in the folder.
fn files() -> Vec<(String, String)> {
    let pages = man::pages(Args::command());
    let mut files: Vec<_> =
        pages.into_iter().map(|(name, text)| (format!("man/man1/{name}"), text)).collect();
    files.extend(complete::SCRIPTS.map(|(name, text)| (name.to_owned(), text.to_owned())));
    files.extend(SCHEMAS.map(|(name, text)| (format!("schema/{name}.schema.json"), text.to_owned())));
    files
}

#[cfg(test)]
mod tests {
    use super::*;

    fn page(name: &str) -> String {
        let files = files();
        let found = files.into_iter().find(|(file, _)| *file == format!("man/man1/{name}.1"));
        found.unwrap_or_else(|| panic!("no page {name}")).1
    }

    /// Every command with its words, `take start` too, hidden ones apart.
    fn commands(of: &clap::Command, before: &str) -> Vec<(String, clap::Command)> {
        let shown = of.get_subcommands().filter(|c| !c.is_hide_set() && c.get_name() != "help");
        shown
            .flat_map(|c| {
                let name = format!("{before}-{}", c.get_name());
                let mut all = commands(c, &name);
                all.insert(0, (name, c.clone()));
                all
            })
            .collect()
    }

    #[test]
    fn every_command_and_every_option_has_its_place_in_a_page() {
        let mut command = Args::command();
        command.build();
        let all = commands(&command, "lampkeep");
        assert!(all.len() > 40, "{}", all.len());
        for (name, command) in all {
            let page = page(&name);
            for arg in command.get_arguments().filter(|a| !a.is_hide_set()) {
                let id = arg.get_long().map(|l| format!("\\-\\-{}", l.replace('-', "\\-")));
                let id = id.or_else(|| Some(arg.get_value_names()?.first()?.to_string())).unwrap_or_default();
                assert!(page.contains(&id), "{name}: {id}\n{page}");
            }
        }
    }

    #[test]
    fn the_pages_tell_of_codes_files_and_examples_and_of_no_hidden_command() {
        let whole = page("lampkeep");
        for section in ["EXIT STATUS", "ENVIRONMENT", "FILES", "EXAMPLES", "CAUTIONS", "SEE ALSO"] {
            assert!(
                whole.contains(&format!(".SH \"{section}\"")) || whole.contains(&format!(".SH {section}")),
                "{section}"
            );
        }
        assert!(page("lampkeep-recall").contains("lampkeep recall \\-\\-take 4/3"));
        for (name, text) in files() {
            assert!(!name.contains("papers") && !name.contains("complete"), "{name}");
            assert!(!text.is_empty(), "{name}");
        }
    }
}
