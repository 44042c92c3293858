//! The light arithmetic for people and programs: a request in JSON, an answer in JSON.
//!
//! Every kind calls the functions that the engine's own steps call (`light`, `channels::curve`,
//! `guards::thermal`); only the sum that no step has yet (`flash`) lives here. No state, no files, no clock:
//! the same line always gets the same answer; the text of a file that a request names is handed in by the
//! caller. Wording for people is `cli::reckon`'s work.

mod error;
mod fields;
mod kinds;

use std::io::{self, BufRead, Read, Write};

use serde_json::{Map, Value};

pub use error::ReckonError;
pub use kinds::NAMES;

/// Longest line read, in bytes without its end: 1 MiB. Chosen so that an hour of light levels at 40 a
/// second fits and a stream without line ends cannot fill the memory.
pub const LONGEST_LINE: usize = 1 << 20;

/// Access to the files that requests name: the text of the file at this path, or why there is none.
///
/// The caller bounds what it reads and decides what may be read at all.
pub type Files<'a> = dyn Fn(&str) -> Result<String, String> + 'a;

/// No files at all: [`Files`] for callers whose requests come from outside, and for tests.
///
/// Errors: always.
pub fn no_files(_path: &str) -> Result<String, String> {
    Err(String::from("files cannot be read here"))
}

/// Works out one request. Its `id`, if it has one, comes back in the answer.
///
/// Errors: [`ReckonError`] for anything that cannot be worked out; never panics.
pub fn answer(request: &Value, files: &Files) -> Result<Value, ReckonError> {
    let Value::Object(fields) = request else { return Err(ReckonError::NotAnObject) };
    let Some(kind) = fields.get("kind").and_then(Value::as_str) else { return Err(ReckonError::NoKind) };
    let mut rest = fields.clone();
    rest.remove("kind");
    let id = rest.remove("id");
    let found = kinds::work_out(kind, rest, files)?;
    Ok(Value::Object(with_id(id, found)))
}

/// Reads one JSON object a line and answers one a line, in order, until the input ends.
///
/// A line that can't be worked out is answered with `{"error":{"kind","said","hint"}}` (and its `id`),
/// an empty line too, so answers can be counted against lines. Each answer is flushed, so a program may
/// ask and wait. Errors: those of reading and writing.
pub fn lines(mut input: impl BufRead, mut output: impl Write, files: &Files) -> io::Result<()> {
    let mut line = Vec::new();
    while let Some(whole) = next_line(&mut input, &mut line)? {
        let reply = if whole { answer_text(&line, files) } else { ReckonError::TooLong.to_json() };
        serde_json::to_writer(&mut output, &reply)?;
        output.write_all(b"\n")?;
        output.flush()?;
    }
    Ok(())
}

fn answer_text(line: &[u8], files: &Files) -> Value {
    let request: Value = match serde_json::from_slice(line) {
        Ok(request) => request,
        Err(error) => return ReckonError::NotJson(error).to_json(),
    };
    answer(&request, files).unwrap_or_else(|error| {
        let id = request.get("id").cloned();
        match error.to_json() {
            Value::Object(found) => Value::Object(with_id(id, found)),
            other => other,
        }
    })
}

/// Puts the request's id in front.
fn with_id(id: Option<Value>, found: Map<String, Value>) -> Map<String, Value> {
    let mut all = Map::new();
    if let Some(id) = id {
        all.insert(String::from("id"), id);
    }
    all.extend(found);
    all
}

/// Reads up to a line's end into `line`, the end left out. `None`: no more lines; `Some(false)`: the
/// line was too long and has been passed over.
fn next_line(input: &mut impl BufRead, line: &mut Vec<u8>) -> io::Result<Option<bool>> {
    line.clear();
    let most = LONGEST_LINE as u64 + 1;
    if input.by_ref().take(most).read_until(b'\n', line)? == 0 {
        return Ok(None);
    }
    if line.last() == Some(&b'\n') {
        line.pop();
        return Ok(Some(true));
    }
    if line.len() <= LONGEST_LINE {
        return Ok(Some(true));
    }
    line.clear();
    loop {
        let part = input.fill_buf()?;
        if part.is_empty() {
            return Ok(Some(false));
        }
        let end = part.iter().position(|byte| *byte == b'\n');
        let used = end.map_or(part.len(), |at| at + 1);
        input.consume(used);
        if end.is_some() {
            return Ok(Some(false));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use serde_json::json;

    fn run(input: &[u8]) -> Vec<Value> {
        let mut output = Vec::new();
        lines(input, &mut output, &no_files).unwrap();
        output
            .split(|b| *b == b'\n')
            .filter(|l| !l.is_empty())
            .map(|l| serde_json::from_slice(l).unwrap())
            .collect()
    }

    #[test]
    fn every_line_has_its_answer_in_order_and_its_id() {
        let input = b"{\"kind\":\"ratio\",\"id\":7,\"key_lux\":500,\"fill_lux\":250}\n\nnonsense\n{\"kind\":\"ratoi\",\"id\":\"a\"}\n[1]";
        let replies = run(input);
        assert_eq!(replies.len(), 5);
        assert_eq!(replies[0]["id"], 7);
        assert_eq!(replies[0]["lit_to_shadow"], 3.0);
        assert_eq!(replies[1]["error"]["kind"], "not-json");
        assert_eq!(replies[2]["error"]["kind"], "not-json");
        assert_eq!((&replies[3]["id"], &replies[3]["error"]["kind"]), (&json!("a"), &json!("unknown-kind")));
        assert!(replies[3]["error"]["hint"].as_str().unwrap().starts_with("did you mean `ratio`?"));
        assert_eq!(replies[4]["error"]["kind"], "not-an-object");
    }

    #[test]
    fn a_line_over_the_limit_is_refused_and_the_next_one_is_read() {
        let good = b"{\"kind\":\"ratio\",\"key_lux\":4,\"fill_lux\":2}";
        let mut longest = good.to_vec();
        longest.resize(LONGEST_LINE, b' ');
        let mut input = longest.clone();
        input.push(b'\n');
        longest.push(b' ');
        input.extend(longest);
        input.push(b'\n');
        input.extend(good);
        let replies = run(&input);
        assert_eq!(replies.len(), 3);
        assert_eq!((&replies[0]["key_to_fill"], &replies[2]["key_to_fill"]), (&json!(2.0), &json!(2.0)));
        assert_eq!(replies[1]["error"]["kind"], "too-long");
    }

    fn any_json() -> impl Strategy<Value = Value> {
        let leaf = prop_oneof![
            Just(Value::Null),
            any::<bool>().prop_map(Value::from),
            any::<f64>().prop_map(Value::from),
            (-3_i64..300).prop_map(Value::from),
            prop::sample::select(vec!["sine", "pwm", "linear", "lightness", "output", "x"])
                .prop_map(Value::from),
        ];
        leaf.prop_recursive(3, 24, 4, |inner| {
            prop_oneof![
                prop::collection::vec(inner.clone(), 0..4).prop_map(Value::from),
                prop::collection::vec((field(), inner), 0..6)
                    .prop_map(|pairs| Value::Object(pairs.into_iter().collect())),
            ]
        })
    }

    fn field() -> impl Strategy<Value = String> {
        let names = vec![
            "kelvin",
            "duv",
            "x",
            "y",
            "emitters",
            "lux_at_1m",
            "prefer",
            "iso",
            "f_number",
            "shutter_s",
            "constant",
            "nd",
            "key_lux",
            "fill_lux",
            "distance_m",
            "stops",
            "from_kelvin",
            "to_kelvin",
            "point_m",
            "normal",
            "lamps",
            "position_m",
            "candela",
            "aim_m",
            "beam_deg",
            "radius_m",
            "luminance_cd_m2",
            "law",
            "bits",
            "code",
            "k_per_w",
            "time_constant_s",
            "ambient_c",
            "start_c",
            "steps",
            "for_s",
            "watts",
            "at_s",
            "limit_c",
            "rate_hz",
            "levels",
            "waveform",
            "frequency_hz",
            "exposure_s",
            "modulation",
            "duty",
            "modulation_percent",
            "file",
            "vertical_deg",
            "horizontal_deg",
        ];
        prop::sample::select(names).prop_map(String::from)
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(2000))]
        #[test]
        fn whatever_is_asked_there_is_one_answer_and_no_panic(
            kind in prop::sample::select(NAMES.to_vec()),
            fields in prop::collection::vec((field(), any_json()), 0..8),
        ) {
            let mut request: Map<String, Value> = fields.into_iter().collect();
            request.insert(String::from("kind"), Value::from(kind));
            let text = serde_json::to_vec(&Value::Object(request)).unwrap();
            prop_assert_eq!(run(&text).len(), 1);
        }

        #[test]
        fn whatever_bytes_come_there_is_an_answer_a_line(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
            let ends = bytes.iter().filter(|b| **b == b'\n').count();
            let open = usize::from(bytes.last().is_some_and(|b| *b != b'\n'));
            prop_assert_eq!(run(&bytes).len(), ends + open);
        }
    }
}
