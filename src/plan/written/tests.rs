//! The schemas beside the reader: on every example, on every wrong plan, key by key, and on plans with one value spoilt.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use jsonschema::Validator;
use serde_json::{Map, Value, json};

use super::schemas;
use crate::plan::load::{load, reader_of};
use crate::plan::{Kind, Report};

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn schema(stem: &str) -> Value {
    let (_, text) = schemas().into_iter().find(|(name, _)| *name == stem).expect("a schema");
    serde_json::from_str(&text).expect("JSON")
}

fn validator(stem: &str) -> Validator {
    jsonschema::validator_for(&schema(stem)).expect("a sound schema")
}

/// What an editor makes of TOML: a date is its text, what is no number is null.
fn as_json(value: &toml::Value) -> Value {
    match value {
        toml::Value::String(text) => json!(text),
        toml::Value::Integer(number) => json!(number),
        toml::Value::Float(number) => json!(number),
        toml::Value::Boolean(truth) => json!(truth),
        toml::Value::Datetime(date) => json!(date.to_string()),
        toml::Value::Array(all) => all.iter().map(as_json).collect(),
        toml::Value::Table(table) => {
            Value::Object(table.iter().map(|(key, value)| (key.clone(), as_json(value))).collect())
        }
    }
}

fn parsed(text: &str) -> Option<Value> {
    toml::from_str::<toml::Table>(text).ok().map(|table| as_json(&toml::Value::Table(table)))
}

fn files(folder: &str) -> Vec<PathBuf> {
    let entries =
        std::fs::read_dir(root().join(folder)).expect("a folder").map(|e| e.expect("an entry").path());
    let mut files: Vec<_> = entries.filter(|path| path.extension().is_some_and(|e| e == "toml")).collect();
    files.sort();
    files
}

fn text_of(path: &Path) -> String {
    std::fs::read_to_string(path).expect("text")
}

/// The schema of a file, by what is in it.
fn stem_of(document: &Value) -> &'static str {
    let has = |key: &str| document.get(key).is_some();
    match document {
        _ if has("camera") || has("fixture") => "plan",
        _ if has("lamp") => "kit",
        _ if has("calibration") => "calibration",
        _ if has("profile") => "profiles",
        _ => "looks",
    }
}

/// Every example that comes along, with its text.
fn examples() -> Vec<(PathBuf, String)> {
    let folders = ["config", "config/profiles", "tests/schemas"];
    folders.iter().flat_map(|folder| files(folder)).map(|path| (path.clone(), text_of(&path))).collect()
}

fn faults(validator: &Validator, document: &Value) -> Vec<String> {
    validator.iter_errors(document).map(|e| format!("{}: {e}", e.instance_path())).collect()
}

/// To write them anew: `LAMPKEEP_WRITE_SCHEMAS=1 cargo test --lib written::tests::the_committed`.
#[test]
fn the_committed_schemas_are_what_the_types_give() {
    for (stem, text) in schemas() {
        let path = root().join(format!("docs/{stem}.schema.json"));
        if std::env::var_os("LAMPKEEP_WRITE_SCHEMAS").is_some() {
            std::fs::write(&path, &text).expect("written");
        }
        let committed = std::fs::read_to_string(&path).unwrap_or_default();
        assert!(committed == text, "{} is not what the types give: see this test's comment", path.display());
        jsonschema::draft7::meta::validate(&schema(stem)).expect("a schema of that draft");
    }
}

#[test]
fn every_example_is_as_its_schema_says() {
    let examples = examples();
    assert!(examples.len() >= 9, "{}", examples.len());
    for (path, text) in examples {
        let document = parsed(&text).unwrap_or_else(|| panic!("{}", path.display()));
        let faults = faults(&validator(stem_of(&document)), &document);
        assert!(faults.is_empty(), "{}: {faults:#?}", path.display());
    }
}

/// The comment with which editors find a schema: `#:schema PATH`, in the first line.
#[test]
fn every_example_names_its_schema() {
    for (path, text) in examples() {
        let document = parsed(&text).expect("TOML");
        let named = text.lines().next().and_then(|line| line.strip_prefix("#:schema "));
        let named = named.unwrap_or_else(|| panic!("{} names no schema", path.display()));
        let found = path.parent().expect("a folder").join(named).canonicalize();
        let found = found.unwrap_or_else(|e| panic!("{}: {named}: {e}", path.display()));
        let own = root().join(format!("docs/{}.schema.json", stem_of(&document)));
        assert_eq!(found, own.canonicalize().expect("there"), "{}", path.display());
    }
}

/// Blocks of TOML in the documents, those that are whole files.
#[test]
fn what_the_documents_show_is_as_the_schemas_say() {
    let mut shown = 0;
    let documents =
        std::fs::read_dir(root().join("docs")).expect("docs").map(|e| e.expect("an entry").path());
    let documents = documents.filter(|path| path.extension().is_some_and(|e| e == "md"));
    for path in documents.chain([root().join("README.md")]) {
        let text = text_of(&path);
        for (at, fence) in text.match_indices("```toml\n") {
            let block = text[at + fence.len()..].split("```").next().unwrap_or_default();
            // The page on faults shows a plan that has some.
            let wrong = text[..at].ends_with("typo.toml -->\n");
            let Some(document) = parsed(block) else { panic!("{}: not TOML:\n{block}", path.display()) };
            // A part of a plan lacks what only a whole one has to have.
            let part: Vec<_> = faults(&validator(part_of(&document)), &document)
                .into_iter()
                .filter(|fault| !fault.contains("\"camera\" is a required property"))
                .collect();
            assert_eq!(part.is_empty(), !wrong, "{}: {part:#?}\n{block}", path.display());
            shown += 1;
        }
    }
    assert!(shown >= 3, "{shown}");
}

fn part_of(document: &Value) -> &'static str {
    match stem_of(document) {
        "looks" => "plan",
        stem => stem,
    }
}

/// What a person reads of a wrong plan that one file alone decides.
fn is_shape(kind: Kind) -> bool {
    matches!(
        kind,
        Kind::UnknownKey
            | Kind::WrongType
            | Kind::Unit
            | Kind::UnknownWord
            | Kind::MissingKey
            | Kind::BadName
            | Kind::ReservedName
            | Kind::BadClock
            | Kind::BadAddress
            | Kind::Level
            | Kind::Secret
    )
}

#[test]
fn wrong_plans_whose_shape_is_wrong_are_refused_by_the_schema_too() {
    let validator = validator("plan");
    let (mut refused, mut wrong) = (0, Vec::new());
    for path in files("tests/plan_errors") {
        let name = path.file_stem().and_then(|n| n.to_str()).unwrap_or_default().to_owned();
        // Syntax and characters come before any schema.
        let Some(document) = std::fs::read_to_string(&path).ok().as_deref().and_then(parsed) else {
            continue;
        };
        let Err(report) = load(&path) else { continue };
        let own = |p: &crate::plan::Problem| p.marks.first().is_none_or(|mark| mark.place.text == 0);
        let shape = report.problems.iter().any(|p| is_shape(p.kind) && own(p) && !beyond(&p.said));
        let valid = validator.is_valid(&document);
        refused += usize::from(!valid);
        if shape && valid {
            wrong.push(format!("{name}: {:?}", kinds(&report)));
        }
    }
    assert!(wrong.is_empty(), "taken by the schema:\n{}", wrong.join("\n"));
    assert!(refused >= 40, "{refused}");
}

fn kinds(report: &Report) -> BTreeSet<&'static str> {
    report.problems.iter().map(|p| p.kind.word()).collect()
}

/// The node of a schema for a place in a document, references followed; of several forms the one with keys.
fn node<'s>(schema: &'s Value, mut at: &'s Value, path: &[String]) -> Option<(&'s Value, String)> {
    let mut name = String::new();
    for step in path.iter().map(Some).chain([None]) {
        at = settled(schema, at, &mut name)?;
        let Some(step) = step else { break };
        at = if step.parse::<usize>().is_ok() && at.get("items").is_some() {
            at.get("items")?
        } else if let Some(of) = at.get("properties").and_then(|all| all.get(step)) {
            of
        } else if let Some(patterns) = at.get("patternProperties").and_then(Value::as_object) {
            patterns.values().next()?
        } else {
            at.get("additionalProperties").filter(|more| more.is_object())?
        };
    }
    Some((at, name))
}

fn settled<'s>(schema: &'s Value, mut at: &'s Value, name: &mut String) -> Option<&'s Value> {
    loop {
        let reference =
            at.get("$ref").or_else(|| at.get("allOf")?.as_array()?.iter().find_map(|one| one.get("$ref")));
        if let Some(reference) = reference.and_then(Value::as_str) {
            *name = reference.rsplit('/').next()?.to_owned();
            at = schema.pointer(reference.trim_start_matches('#'))?;
        } else if let Some(forms) = at.get("anyOf").and_then(Value::as_array)
            && at.get("properties").is_none()
        {
            let keyed = |form: &'s Value| {
                let mut inner = name.clone();
                let found = settled(schema, form, &mut inner)?;
                let keys = ["items", "patternProperties", "properties"];
                let best = keys.iter().rposition(|key| found.get(key).is_some())?;
                Some((best, form))
            };
            let (_, form) = forms.iter().filter_map(keyed).max_by_key(|(best, _)| *best)?;
            at = form;
        } else {
            return Some(at);
        }
    }
}

/// Every table of a document with the way to it.
fn tables(value: &Value, path: &mut Vec<String>, found: &mut Vec<Vec<String>>) {
    let inner: Vec<(String, &Value)> = match value {
        Value::Object(fields) => {
            found.push(path.clone());
            fields.iter().map(|(k, v)| (k.clone(), v)).collect()
        }
        Value::Array(all) => all.iter().enumerate().map(|(n, v)| (n.to_string(), v)).collect(),
        _ => Vec::new(),
    };
    for (key, value) in inner {
        path.push(key);
        tables(value, path, found);
        path.pop();
    }
}

fn place<'v>(value: &'v mut Value, path: &[String]) -> Option<&'v mut Value> {
    path.iter().try_fold(value, |value, step| match value {
        Value::Array(all) => all.get_mut(step.parse::<usize>().ok()?),
        other => other.get_mut(step),
    })
}

/// A document as TOML again; dates are text, which the reader takes too.
fn as_toml(document: &Value) -> String {
    fn convert(value: &Value) -> toml::Value {
        match value {
            Value::Null => toml::Value::Float(f64::NAN),
            Value::Bool(truth) => toml::Value::Boolean(*truth),
            Value::Number(n) => n
                .as_i64()
                .map_or_else(|| toml::Value::Float(n.as_f64().unwrap_or(f64::NAN)), toml::Value::Integer),
            Value::String(text) => toml::Value::String(text.clone()),
            Value::Array(all) => toml::Value::Array(all.iter().map(convert).collect()),
            Value::Object(fields) => {
                toml::Value::Table(fields.iter().map(|(k, v)| (k.clone(), convert(v))).collect())
            }
        }
    }
    toml::to_string(&convert(document)).expect("TOML")
}

/// A key that is like none of any table's.
const FOREIGN: &str = "zzzzzzzzzzzz";

#[test]
fn the_schemas_know_the_keys_that_the_reader_knows_and_no_others() {
    let mut known: BTreeMap<(String, String), BTreeSet<String>> = BTreeMap::new();
    for (path, text) in examples() {
        let document = parsed(&text).expect("TOML");
        let stem = stem_of(&document);
        let schema = schema(stem);
        let mut all = Vec::new();
        tables(&document, &mut Vec::new(), &mut all);
        for way in all {
            // Names may be any, so nothing is foreign there.
            let Some((_, name)) =
                node(&schema, &schema, &way).filter(|(at, _)| at.get("properties").is_some())
            else {
                continue;
            };
            let mut spoilt = document.clone();
            let table = place(&mut spoilt, &way).and_then(Value::as_object_mut).expect("a table");
            table.insert(FOREIGN.to_owned(), json!(1));
            let problems = reader_of(stem, &path, &as_toml(&spoilt)).err().unwrap_or_default();
            let said = problems.iter().find(|p| p.kind == Kind::UnknownKey && p.said.contains(FOREIGN));
            let Some(help) =
                said.and_then(|p| p.help.as_deref()).and_then(|h| h.strip_prefix("known here: "))
            else {
                // A look takes any key for a lamp.
                assert!(name == "Look", "{}: {way:?}: {problems:#?}", path.display());
                continue;
            };
            let keys = help.split(", ").filter(|k| !k.is_empty()).map(str::to_owned);
            known.entry((stem.to_owned(), name)).or_default().extend(keys);
        }
    }
    let mut wrong = Vec::new();
    for ((stem, name), keys) in &known {
        let schema = schema(stem);
        let table = if name.is_empty() { &schema } else { &schema["definitions"][name] };
        let own: BTreeSet<String> = table["properties"].as_object().expect("keys").keys().cloned().collect();
        let (more, less): (Vec<_>, Vec<_>) =
            (own.difference(keys).collect(), keys.difference(&own).collect());
        if !more.is_empty() || !less.is_empty() {
            wrong.push(format!("{stem}, {name}: the schema alone knows {more:?}, the reader alone {less:?}"));
        }
    }
    // Every table of the plan's schema has been seen.
    for (name, table) in schema("plan")["definitions"].as_object().expect("definitions") {
        let seen = known.keys().any(|(_, seen)| seen == name) || name == "Look";
        if table.get("properties").is_some() && !seen {
            wrong.push(format!("no example has a table that is {name}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Values of every type, and amounts that belong somewhere.
fn odd() -> Vec<Value> {
    vec![
        json!(true),
        json!(-1),
        json!(0),
        json!(1),
        json!(2.5),
        json!(70_000),
        json!(1e12),
        Value::Null,
        json!(""),
        json!("zzzz"),
        json!("2"),
        json!("2 s"),
        json!("5 ft 3 in"),
        json!("1min30s"),
        json!("1 ft.5 in"),
        json!("- 2 m"),
        json!("1.5 m"),
        json!("45 deg"),
        json!("20 %"),
        json!("101 %"),
        json!(".5 %"),
        json!("60 W"),
        json!("77 F"),
        json!("20 °C 5 F"),
        json!("7:30"),
        json!("13:00"),
        json!("hold"),
        json!("dark"),
        json!([]),
        json!([1, 2]),
        json!(["1 m", "2 m"]),
        json!({}),
        json!({ "zzzzzzzzzzzz": 1 }),
    ]
}

/// Everything in a document that can be spoilt.
fn leaves(value: &Value, path: &mut Vec<String>, found: &mut Vec<Vec<String>>) {
    match value {
        Value::Object(fields) => {
            for (key, value) in fields {
                path.push(key.clone());
                found.push(path.clone());
                leaves(value, path, found);
                path.pop();
            }
        }
        Value::Array(all) => {
            for (n, value) in all.iter().enumerate() {
                path.push(n.to_string());
                found.push(path.clone());
                leaves(value, path, found);
                path.pop();
            }
        }
        _ => {}
    }
}

/// What a schema cannot tell, though the reader calls it a matter of shape: words of its messages, each with why.
const BEYOND: &[(&str, &str)] = &[
    ("has no level", "it may come over `like` or from a group"),
    ("has no address in the kit", "that is another file"),
    ("states no mode", "how many modes there are stands in the profile"),
    ("is aimed at a wall that `room` does not place", "`aim` is the name of a subject too"),
    ("is no IP address", "what is one takes more than a pattern"),
    ("`drives` of a slot cannot be", "emitters have names of their own"),
    ("only the first one is the origin", "tables have no order there"),
    ("cannot prefer", "what emitters state is far from the fixture"),
    ("does not place the wall behind", "that is another table"),
];

fn beyond(said: &str) -> bool {
    BEYOND.iter().any(|(words, _)| said.contains(words))
}

#[test]
fn a_plan_with_one_value_spoilt_is_taken_or_refused_by_both() {
    let (mut tried, mut refused, mut wrong) = (0, 0, BTreeSet::new());
    for (path, text) in examples() {
        let document = parsed(&text).expect("TOML");
        let stem = stem_of(&document);
        let validator = validator(stem);
        let mut ways = Vec::new();
        leaves(&document, &mut Vec::new(), &mut ways);
        for (n, way) in ways.iter().enumerate() {
            let values = odd().into_iter().map(Some).chain([None]);
            for (m, value) in values.enumerate() {
                // Some, others at each key: the same kinds of tables stand there many times.
                let each = if path.ends_with("tests/schemas/plan.toml") { 5 } else { 31 };
                if (n * 7 + m) % each != 0 {
                    continue;
                }
                let mut spoilt = document.clone();
                let (last, above) = way.split_last().expect("a way");
                match (place(&mut spoilt, above), &value) {
                    (Some(Value::Object(fields)), Some(value)) => {
                        fields.insert(last.clone(), value.clone());
                    }
                    (Some(Value::Object(fields)), None) => {
                        fields.remove(last);
                    }
                    (Some(Value::Array(all)), Some(value)) => {
                        all[last.parse::<usize>().expect("a number")] = value.clone();
                    }
                    (Some(Value::Array(all)), None) => {
                        all.remove(last.parse::<usize>().expect("a number"));
                    }
                    _ => continue,
                }
                tried += 1;
                let valid = validator.is_valid(&spoilt);
                refused += usize::from(!valid);
                let said = |why: &str| format!("{}: {} = {value:?}: {why}", path.display(), way.join("."));
                match reader_of(stem, &path, &as_toml(&spoilt)) {
                    Ok(()) if !valid => {
                        let faults = faults(&validator, &spoilt);
                        wrong.insert(said(&format!("the reader takes it, the schema says {faults:?}")));
                    }
                    Err(problems) if valid => {
                        let shape = problems.iter().find(|p| is_shape(p.kind) && !beyond(&p.said));
                        if let Some(problem) = shape {
                            wrong.insert(said(&format!(
                                "the schema takes it, the reader says {}",
                                problem.said
                            )));
                        }
                    }
                    _ => {}
                }
            }
        }
    }
    let shown: Vec<_> = wrong.iter().cloned().collect();
    assert!(wrong.is_empty(), "{} of {tried}:\n{}", wrong.len(), shown.join("\n"));
    assert!(tried > 1500 && refused > tried / 3, "{refused} of {tried}");
}

/// A look's keys, which no message lists.
#[test]
fn a_look_has_the_keys_that_the_reader_knows() {
    let plan = schema("plan");
    let own: BTreeSet<&str> = plan["definitions"]["Look"]["properties"]
        .as_object()
        .expect("keys")
        .keys()
        .map(String::as_str)
        .collect();
    assert_eq!(own, crate::plan::read::look::KEYS.iter().copied().collect());
}

/// What editors show of a key: what it is, in a sentence.
#[test]
fn every_key_is_described() {
    let mut bare = Vec::new();
    let plan = schema("plan");
    let tables = plan["definitions"].as_object().expect("definitions").iter().map(|(n, t)| (n.as_str(), t));
    for (name, table) in tables.chain([("Plan", &plan)]) {
        let none = Map::new();
        for (key, value) in table["properties"].as_object().unwrap_or(&none) {
            if value["description"].as_str().is_none_or(|text| !text.ends_with('.')) {
                bare.push(format!("{name}.{key}"));
            }
        }
    }
    assert!(bare.is_empty(), "{bare:?}");
}
