//! The kinds of request by name, and how their fields are read.

mod mix;
mod photometry;
mod space;
mod spectrum;
mod time;

use serde::de::DeserializeOwned;
use serde_json::{Map, Value};

use super::fields::Answer;
use super::{Files, ReckonError};

/// All kinds of this version.
pub const NAMES: [&str; 15] = [
    "colour", "mix", "exposure", "ratio", "distance", "mired", "point", "disc", "curve", "heat", "flash",
    "shutter", "flicker", "spectrum", "candela",
];

/// Works out the fields of a request of this kind, `kind` and `id` taken out.
pub(super) fn work_out(
    kind: &str,
    fields: Map<String, Value>,
    files: &Files,
) -> Result<Map<String, Value>, ReckonError> {
    let answer = match kind {
        "colour" => space::colour(read(fields)?),
        "mix" => mix::mix(read(fields)?),
        "exposure" => space::exposure(&read(fields)?),
        "ratio" => space::ratio(&read(fields)?),
        "distance" => space::distance(&read(fields)?),
        "mired" => space::mired(&read(fields)?),
        "point" => space::point(read(fields)?),
        "disc" => space::disc(&read(fields)?),
        "curve" => space::curve(&read(fields)?),
        "heat" => time::heat(read(fields)?),
        "flash" => time::flash(read(fields)?),
        "shutter" => time::shutter(&read(fields)?),
        "flicker" => time::flicker(&read(fields)?),
        "spectrum" => spectrum::spectrum(&read(fields)?),
        "candela" => photometry::candela(read(fields)?, files),
        other => Err(ReckonError::UnknownKind(String::from(other))),
    };
    answer.map(Answer::done)
}

fn read<T: DeserializeOwned>(fields: Map<String, Value>) -> Result<T, ReckonError> {
    T::deserialize(Value::Object(fields)).map_err(ReckonError::Fields)
}
