//! Holds what the daemon sends against `docs/asyncapi.yaml`, by a JSON Schema validator that others wrote.
//!
//! The file lets new fields and words come, for readers. Here it is read strictly: a field or a word that it does
//! not have fails the test, so that the file can't drift from the daemon.
#![allow(dead_code, reason = "each file of tests uses its own part")]

use std::collections::HashMap;
use std::sync::{LazyLock, Mutex};

use jsonschema::{Draft, Validator};
use serde_json::{Value, json};

/// The file, as JSON.
pub static FILE: LazyLock<Value> = LazyLock::new(|| {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/asyncapi.yaml");
    let text = std::fs::read_to_string(&path).expect("docs/asyncapi.yaml is there");
    serde_yaml_ng::from_str(&text).expect("docs/asyncapi.yaml is YAML")
});

static CLOSED: LazyLock<Value> = LazyLock::new(|| {
    let mut schemas = FILE["components"]["schemas"].clone();
    for schema in schemas.as_object_mut().expect("schemas").values_mut() {
        close(schema, false);
    }
    schemas
});

static VALIDATORS: LazyLock<Mutex<HashMap<String, &'static Validator>>> = LazyLock::new(Mutex::default);

/// Turns lists of words into all the words there are, and leaves no room for other fields where a value stands.
fn close(schema: &mut Value, stands: bool) {
    let Value::Object(fields) = schema else { return };
    if let Some(words) = fields.remove("x-extensible-enum") {
        fields.insert("enum".to_owned(), words);
    }
    for (word, inner) in fields.iter_mut() {
        match (word.as_str(), inner) {
            ("properties", Value::Object(all)) => all.values_mut().for_each(|s| close(s, true)),
            ("items" | "additionalProperties", inner) => close(inner, true),
            // Parts of one value: only the whole knows all fields.
            ("allOf" | "anyOf" | "oneOf", Value::Array(parts)) => {
                parts.iter_mut().for_each(|s| close(s, false));
            }
            _ => {}
        }
    }
    if stands && !fields.contains_key("additionalProperties") {
        fields.insert("unevaluatedProperties".to_owned(), json!(false));
    }
}

/// The validator of a schema of the file, read strictly.
pub fn validator(schema: &str) -> &'static Validator {
    let mut known = VALIDATORS.lock().expect("no test fails in here");
    known.entry(schema.to_owned()).or_insert_with(|| {
        assert!(CLOSED.get(schema).is_some(), "docs/asyncapi.yaml has no schema {schema}");
        // The file's words mean the same in this draft, which can also say `unevaluatedProperties`.
        let whole = json!({
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            "$ref": format!("#/components/schemas/{schema}"),
            "unevaluatedProperties": false,
            "components": { "schemas": &*CLOSED },
        });
        let built = jsonschema::options().with_draft(Draft::Draft202012).build(&whole);
        Box::leak(Box::new(built.unwrap_or_else(|e| panic!("schema {schema}: {e}"))))
    })
}

/// Panics, with every reason, unless this is as the schema says.
pub fn conforms(schema: &str, payload: &Value) {
    let validator = validator(schema);
    if !validator.is_valid(payload) {
        // An error repeats what it is about: a whole status is no help.
        let short = |text: String| text.chars().take(600).collect::<String>();
        let why: Vec<_> = validator
            .iter_errors(payload)
            .map(|e| short(format!("  {}: {}", e.instance_path(), e.masked())))
            .collect();
        panic!("not as {schema} of docs/asyncapi.yaml says:\n{}\n{payload:#}", why.join("\n"));
    }
}

/// The same of anything that can be written down as JSON.
pub fn written_conforms(schema: &str, payload: &impl serde::Serialize) {
    conforms(schema, &serde_json::to_value(payload).expect("it can be written down"));
}

/// Panics unless a message is as the file says of its topic under `lampkeep/SET/`.
pub fn message(topic: &str, payload: &[u8]) {
    let mut levels = topic.splitn(3, '/');
    assert_eq!(levels.next(), Some("lampkeep"), "{topic}");
    let set = levels.next().expect("a set");
    let schema = match levels.next() {
        Some("online") => "Online",
        Some("now") => "NowMessage",
        Some("alert") => "Alert",
        Some("answer") => "Answer",
        Some("ask") => return,
        Some(other) if other.strip_prefix("fixture/").is_some_and(|id| !id.contains('/')) => {
            if payload.is_empty() {
                return;
            }
            "FixtureStatus"
        }
        _ => panic!("docs/asyncapi.yaml has no topic {topic}"),
    };
    assert_ne!(set, "all", "{topic}");
    let payload = serde_json::from_slice(payload).unwrap_or_else(|e| panic!("{topic} carries no JSON: {e}"));
    conforms(schema, &payload);
}
