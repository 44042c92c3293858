//! What may be written in a plan and in its companion files, as types: for the JSON Schemas under `docs/` alone.
//!
//! `read` does the reading, with a place and a next step for every slip; these types say the same in a form that editors
//! know. Units and ranges are those that `read` uses. `tests` holds the two against each other: on every example, on
//! every wrong plan, key by key, and on plans in which one value is spoilt.
//!
//! A schema tells what one file can tell: the shape of it. Names that must be somewhere else, sums over several lamps
//! and the ranges of amounts that have a unit are `lampkeep check`'s.

#![expect(dead_code, reason = "these types are described, never made")]

mod amounts;
mod fixture;
mod look;
mod mqtt;
mod output;
mod profile;
mod set;
mod shape;
mod tests;

use schemars::generate::SchemaSettings;
use schemars::{JsonSchema, SchemaGenerator};

use self::amounts::{Celsius, Hertz, Name, Tables, Time};
use self::fixture::{Fixture, Lamp, Modifier};
use self::look::{Look, LookName};
use self::mqtt::Mqtt;
use self::output::{Circuit, Output};
use self::profile::{BodyCalibration, Profile};
use self::set::{Bounce, Camera, Daylight, Flag, Group, Room, Subject};

/// Tables whose names may be any.
type Named<T> = Tables<Name, T>;

/// A set-up of lamps for lampkeep: what stands where, and the looks it is to give. `lampkeep check PLAN` finds what a
/// schema cannot.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields)]
struct Plan {
    /// Name of the set; names its socket and its topics. The file's name without `.toml` when left out.
    name: Option<set::SetName>,
    /// The file of the bodies one owns, from the plan's folder; `kit.toml` if there is one.
    kit: Option<String>,
    /// A folder with more profiles, from the plan's folder.
    profiles: Option<String>,
    /// Time of a fade for which nothing else is stated, 0 s to 1 h.
    #[schemars(extend("default" = "2 s"))]
    fade: Option<Time>,
    /// Temperature of the room, for estimates of heat, -40 to 60 C.
    #[schemars(extend("default" = "25 C"))]
    ambient: Option<Celsius>,
    /// Frames a second of the engine, whole hertz, 10 to 44 Hz.
    #[schemars(extend("default" = "40 Hz"))]
    frame_rate: Option<Hertz>,
    /// Stops against the exposure from which a lamp counts as reaching a protected face; a plan may state less, never
    /// more.
    #[schemars(range(min = -40.0, max = -8.0), extend("default" = -8))]
    protect_stops: Option<f64>,
    /// `"50 Hz"` or `"60 Hz"`: which shutters `check` calls steady. Both are judged when left out.
    mains: Option<Hertz>,
    /// The looks in shooting order, each a name or a step.
    order: Option<Vec<look::Step>>,
    /// The rest look; the one called `rest` when left out.
    rest: Option<String>,
    /// How long the rest look stays before it goes dark by itself, 10 s to 24 h.
    #[schemars(extend("default" = "20 min"))]
    rest_for: Option<Time>,
    /// What becomes of the light when the daemon is told to stop.
    #[schemars(extend("default" = "hold"))]
    on_stop: Option<set::OnStop>,
    /// What comes where the last light does not return: `"dark"` or the name of a look.
    #[schemars(extend("default" = "dark"))]
    on_start: Option<String>,
    /// Cameras. The first fixes the exposure, which is called 0 stops.
    #[schemars(extend("minProperties" = 1))]
    camera: Named<Camera>,
    /// Who sits in front of them. The first is the origin of all places.
    subject: Option<Tables<set::SubjectName, Subject>>,
    /// The room's walls, as the camera sees them.
    room: Option<Room>,
    /// What carries the frames to the lamps. Without any they go to the simulator.
    output: Option<Named<Output>>,
    /// Circuits of the mains, for sums of load.
    circuit: Option<Named<Circuit>>,
    /// What hangs in front of lamps: softboxes, gels, grids.
    modifier: Option<Named<Modifier>>,
    /// Lamps by their jobs, such as `key`.
    fixture: Option<Tables<fixture::LampName, Fixture>>,
    /// Groups of lamps, usable wherever a lamp is.
    group: Option<Tables<fixture::LampName, Group>>,
    /// Boards that return a lamp's light.
    bounce: Option<Named<Bounce>>,
    /// Boards that stop light.
    flag: Option<Named<Flag>>,
    /// Windows.
    daylight: Option<Named<Daylight>>,
    /// Looks: targets in stops, lux, kelvin. What a look does not name is dark.
    look: Option<Tables<LookName, Look>>,
    /// The broker that status is published to.
    mqtt: Option<Mqtt>,
    /// Kinds of lamp that this plan brings along.
    profile: Option<Named<Profile>>,
}

/// The bodies one owns, each with its profile, mode and address, for lampkeep.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields)]
struct Kit {
    /// Bodies by name, such as `B3`.
    lamp: Option<Tables<fixture::LampName, Lamp>>,
    /// Kinds of lamp that this kit brings along.
    profile: Option<Named<Profile>>,
}

/// Kinds of lamp for lampkeep: emitters, power, heat, and what each slot of a mode drives.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields)]
struct Profiles {
    /// Kinds of lamp by name.
    profile: Option<Named<Profile>>,
}

/// Looks that `lampkeep keep` has saved beside a plan.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields)]
struct Looks {
    /// Looks by name.
    look: Option<Tables<LookName, Look>>,
}

/// What `lampkeep calibrate` has measured of a body, beside a kit.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case", deny_unknown_fields)]
struct Calibrations {
    /// Calibrations by body.
    calibration: Option<Named<BodyCalibration>>,
}

/// Every schema by the stem of its file's name, as text.
pub(crate) fn schemas() -> [(&'static str, String); 5] {
    [
        ("plan", text::<Plan>()),
        ("kit", text::<Kit>()),
        ("profiles", text::<Profiles>()),
        ("looks", text::<Looks>()),
        ("calibration", text::<Calibrations>()),
    ]
}

/// A schema in the draft that editors of TOML know best.
fn text<T: JsonSchema>() -> String {
    let schema = SchemaGenerator::new(SchemaSettings::draft07()).into_root_schema_for::<T>();
    let mut value = schema.to_value();
    shape::plain(&mut value);
    let mut whole = serde_json::Map::new();
    // What a person wants to see first.
    for key in ["$schema", "title", "description"] {
        whole.extend(value.as_object_mut().and_then(|fields| fields.shift_remove_entry(key)));
    }
    whole.extend(value.as_object().cloned().unwrap_or_default());
    serde_json::to_string_pretty(&whole).unwrap_or_default() + "\n"
}
