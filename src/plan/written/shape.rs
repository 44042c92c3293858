//! Rules between keys, as fragments of a schema; and what a schema need not say.

use serde_json::{Map, Value, json};

/// At most one of these keys.
pub(super) fn at_most_one(keys: &[&str]) -> Value {
    let rules: Map<String, Value> =
        keys.iter().enumerate().skip(1).map(|(n, key)| ((*key).to_owned(), none_of(&keys[..n]))).collect();
    json!({ "dependencies": rules })
}

/// Exactly one of these keys.
pub(super) fn exactly_one(keys: &[&str]) -> Value {
    let each: Vec<Value> = keys.iter().map(|key| json!({ "required": [key] })).collect();
    json!({ "oneOf": each })
}

/// None of these keys.
pub(super) fn none_of(keys: &[&str]) -> Value {
    let each: Vec<Value> = keys.iter().map(|key| json!({ "required": [key] })).collect();
    json!({ "not": { "anyOf": each } })
}

/// Where the first key is, so are the others.
pub(super) fn with(key: &str, others: &[&str]) -> Value {
    json!({ "dependencies": { key: others } })
}

/// Where a key has this value, this holds too.
pub(super) fn when(key: &str, value: &str, then: Value) -> Value {
    json!({ "if": { "required": [key], "properties": { key: { "const": value } } }, "then": then })
}

/// All of these.
pub(super) fn all(rules: &[Value]) -> Value {
    json!({ "allOf": rules })
}

/// Takes away what TOML has no word for (null) and what no reader needs (widths of numbers).
pub(super) fn plain(value: &mut Value) {
    match value {
        Value::Array(all) => all.iter_mut().for_each(plain),
        Value::Object(fields) => {
            if let Some(Value::Array(types)) = fields.get_mut("type") {
                types.retain(|t| t != "null");
                if let [one] = &types[..] {
                    let one = one.clone();
                    fields.insert("type".to_owned(), one);
                }
            }
            if let Some(Value::Array(forms)) = fields.get_mut("anyOf") {
                forms.retain(|form| *form != json!({ "type": "null" }));
                if forms.len() == 1
                    && let Some(Value::Object(only)) = forms.pop()
                {
                    fields.remove("anyOf");
                    // Beside a `$ref` nothing else counts in this draft.
                    if only.contains_key("$ref") {
                        fields.insert("allOf".to_owned(), json!([only]));
                    } else {
                        fields.extend(only);
                    }
                }
            }
            if fields.get("type").is_some_and(|t| t == "number" || t == "integer") {
                fields.remove("format");
            }
            // Lines are broken by who shows them.
            if let Some(Value::String(text)) = fields.get_mut("description") {
                *text =
                    text.split("\n\n").map(|part| part.replace('\n', " ")).collect::<Vec<_>>().join("\n\n");
            }
            fields.values_mut().for_each(plain);
        }
        _ => {}
    }
}
