//! A small plan in one text, and colour science that is exact by construction.

use lampkeep::plan::{ColourScience, Plan, Report, Sources, Text, read};
use lampkeep::units::{Duv, Kelvin, Xy};

/// Colour science that hides kelvin in x and Duv in y: no colour at all, but there and back exact
/// enough to see whether reading adds what it should.
fn colour() -> ColourScience {
    ColourScience {
        xy: |kelvin, duv| Xy { x: kelvin.get() / 1e5, y: 0.3 + duv.get() },
        kelvin: |xy| Some((Kelvin::new(xy.x * 1e5).ok()?, Duv::new(xy.y - 0.3).ok()?)),
        spectrum: |_, _| Ok(Xy { x: 0.3, y: 0.3 }),
        real: |_| true,
    }
}

/// Reads one text as a plan called `quay`, with kept looks.
pub fn read_with(text: &str, looks: Vec<Text>) -> Result<Plan, Report> {
    read(&Sources {
        plan: Text::new("quay.toml", text),
        path: None,
        stem: "quay".into(),
        kit: None,
        profiles: Vec::new(),
        looks,
        beams: Vec::new(),
        calibrations: Vec::new(),
        calibrations_in: None,
        spectra: Vec::new(),
        colour: colour(),
    })
}

/// Reads one text as a plan called `quay`.
pub fn read_plan(text: &str) -> Result<Plan, Report> {
    read_with(text, Vec::new())
}

/// A plan with a camera, a colour lamp `key` at 7:30, white lamps `fill` and `hair`, a dimmer
/// `back`, a group `sides` of `fill` and `hair`; and `more`.
pub fn plan_with(more: &str) -> String {
    format!(
        r#"
[camera.main]
iso = 800
f-number = 2.8
shutter = "1/50"

[profile.panel]
cooling = "fan"
emitter.red = {{ xy = [0.7, 0.3], lux = 300 }}
emitter.green = {{ xy = [0.2, 0.7], lux = 500 }}
emitter.blue = {{ xy = [0.15, 0.03], lux = 90 }}
mode.all = {{ slots = [{{ drives = "red" }}, {{ drives = "green" }}, {{ drives = "blue" }}] }}

[profile.mat]
cooling = "fan-less"
emitter.warm = {{ kelvin = 2700, lux = 400 }}
emitter.cool = {{ kelvin = 6500, lux = 500 }}
mode.cct = {{ slots = [{{ drives = "intensity" }}, {{ drives = "kelvin", kelvin = [2700, 6500] }}] }}

[profile.spot]
cooling = "fan-less"
emitter.white = {{ kelvin = 5600, lux = 1600 }}
mode.dim = {{ slots = [{{ drives = "intensity", bits = 16 }}] }}

[fixture.key]
profile = "panel"
address = 1
clock = "7:30"
raise = "30 deg"
distance = "2 m"

[fixture.fill]
profile = "mat"
address = 11
clock = "4:30"
distance = "2 m"

[fixture.hair]
profile = "mat"
address = 21
aim = "hair"
clock = "12:00"
distance = "1 m"

[fixture.back]
profile = "spot"
address = 31
clock = "1:00"
height = "1.9 m"
distance = "1.5 m"

[group.sides]
members = ["fill", "hair"]

{more}"#
    )
}
