//! Plans read from a text as the daemon reads them: with their light, balanced.

use lampkeep::plan::Plan;
use lampkeep::plan::diagnose::{Form, render};
use lampkeep::plan::load::load;

/// Lamps whose light can be summed by hand: 1000 lx at 1 m.
pub const PROFILES: &str = r#"
[camera.main]
iso = 800
f-number = 2.8
shutter = "1/50"

[profile.point]
about = "the same in all directions, no size"
cooling = "fan"
emitter.white = { kelvin = 5600, lux = 1000 }
mode.dim = { slots = [{ drives = "intensity", bits = 16 }] }

[profile.mat]
about = "a soft front of two whites"
cooling = "fan"
radius = "30 cm"
emitter.warm = { kelvin = 2700, lux = 800 }
emitter.cool = { kelvin = 6500, lux = 800 }
mode.cct = { slots = [{ drives = "warm", bits = 16 }, { drives = "cool", bits = 16 }] }

[profile.tint]
about = "two whites with lime and magenta"
cooling = "fan"
radius = "20 cm"
emitter.warm = { kelvin = 2700, lux = 800 }
emitter.cool = { kelvin = 6500, lux = 800 }
emitter.lime = { xy = [0.38, 0.53], lux = 260 }
emitter.magenta = { xy = [0.38, 0.16], lux = 90 }
mode.all = { slots = [{ drives = "warm" }, { drives = "cool" }, { drives = "lime" }, { drives = "magenta" }] }

"#;

/// Reads one text as a plan called `quay`, top-level keys before the first table of `text` included.
pub fn plan(text: &str) -> Plan {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("quay.toml");
    // Two slots of 16 bits a lamp, so that addresses can be counted up in ones.
    let mut next = 1;
    let text: Vec<String> = text
        .lines()
        .map(|line| {
            if !line.starts_with("address = ") {
                return line.to_owned();
            }
            next += 4;
            format!("address = {}", next - 4)
        })
        .collect();
    let (mut top, mut rest) = (Vec::new(), Vec::new());
    for line in text {
        if line.starts_with("room = ") { top.push(line) } else { rest.push(line) }
    }
    std::fs::write(&path, format!("{}\n{}", top.join("\n"), rest.join("\n"))).expect("written");
    load(&path).unwrap_or_else(|report| panic!("{}", render(&report, Form::Plain)))
}
