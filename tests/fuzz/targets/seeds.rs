//! Lays out the seeds of every target: `seeds REPOSITORY FOLDER` makes `FOLDER/TARGET/NUMBER`.

#[path = "../seeds.rs"]
mod seeds;

use std::path::Path;

// For the linker: what is built with coverage wants libFuzzer's counters. Nothing is fuzzed here.
libfuzzer_sys::fuzz_target!(|_input: &[u8]| {});

fn main() -> std::io::Result<()> {
    let paths: Vec<String> = std::env::args().skip(1).collect();
    let [root, folder] = paths.as_slice() else {
        eprintln!("usage: seeds REPOSITORY FOLDER");
        std::process::exit(2);
    };
    for target in seeds::TARGETS {
        let folder = Path::new(folder).join(target);
        std::fs::create_dir_all(&folder)?;
        for (number, seed) in seeds::of(target, Path::new(root)).iter().enumerate() {
            std::fs::write(folder.join(format!("{number:03}")), seed)?;
        }
    }
    Ok(())
}
