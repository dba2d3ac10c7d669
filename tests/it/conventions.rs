//! What must hold across files: imports, documents made from code, names, messages.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use serde_json::Value;
use sondeproof::explain;

use crate::kept;
use crate::logs::{drive, file, folder, outcome};

/// Layers from the ground up; a module may use modules of lower layers and of its own.
const LAYERS: &[&[&str]] = &[
    &["clip", "figure", "guard"],
    &["signal", "atomic", "setting"],
    &["log", "flag", "document"],
    &["read"],
    &["rig"],
    &["state", "chain"],
    &["detect"],
    &["gate", "claim", "lean", "trust", "health"],
    &["audit", "ledger", "simulate"],
    &["evaluate"],
    &["explain"],
    &["report"],
    &["page"],
    &["cli", "python", "allocator"],
];

/// Upward imports that are meant, with the reason.
const MEANT: &[(&str, &str, &str)] = &[
    ("src/rig/file.rs", "detect", "a limit that no detector has is reported at its line of the rig file"),
    ("src/rig/proposal.rs", "detect", "a proposed rig file lists every limit with its default"),
];

fn sources(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for path in std::fs::read_dir(folder).expect("listed").map(|entry| entry.expect("entry").path()) {
        if path.is_dir() {
            found.extend(sources(&path));
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            found.push(path);
        }
    }
    found.sort();
    found
}

fn inside(path: &Path) -> String {
    path.strip_prefix(kept::root()).expect("inside").to_string_lossy().replace('\\', "/")
}

/// The library's modules that a source text names after `crate::`; its tests may look anywhere.
fn imports(text: &str) -> BTreeSet<String> {
    let text = text.split("#[cfg(test)]\nmod ").next().unwrap_or_default();
    let mut names = BTreeSet::new();
    for (at, mark) in text.match_indices("crate::") {
        let rest = &text[at + mark.len()..];
        let list = rest.strip_prefix('{').and_then(|list| list.split('}').next());
        for part in list.unwrap_or(rest).split(if list.is_some() { ',' } else { '\0' }) {
            let name: String =
                part.trim().chars().take_while(|c| c.is_ascii_lowercase() || *c == '_').collect();
            names.insert(name);
        }
    }
    names
}

#[test]
fn imports_point_down() {
    let layer = |module: &str| LAYERS.iter().position(|layer| layer.contains(&module));
    let mut wrong = Vec::new();
    for path in sources(&kept::root().join("src")) {
        let name = inside(&path);
        let module = name["src/".len()..].split(['/', '.']).next().expect("a module").to_owned();
        if ["lib", "main"].contains(&module.as_str())
            || name.contains("test")
            || name == "src/lean/suite.rs"
            || name.ends_with("registry.rs")
        {
            continue;
        }
        let own = layer(&module).unwrap_or_else(|| panic!("{module} has no layer: add it to LAYERS"));
        let text = std::fs::read_to_string(&path).expect("source");
        for import in imports(&text).iter().filter(|import| **import != module) {
            let meant = MEANT.iter().any(|(file, to, _)| *file == name && to == import);
            if layer(import).is_some_and(|other| other > own) && !meant {
                wrong.push(format!("{name} uses {import}"));
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn detectors_do_not_use_each_other() {
    let names: BTreeSet<String> =
        sondeproof::detect::ALL.iter().map(|detector| detector.meta().name.to_owned()).collect();
    for name in &names {
        let text =
            std::fs::read_to_string(kept::root().join(format!("src/detect/{name}.rs"))).expect("source");
        for other in names.iter().filter(|other| *other != name) {
            assert!(!text.contains(&format!("{other}::")), "{name} uses {other}");
        }
    }
}

#[test]
fn only_the_command_line_prints_or_exits() {
    for path in sources(&kept::root().join("src")) {
        let name = inside(&path);
        if name.starts_with("src/cli/") {
            continue;
        }
        let text = std::fs::read_to_string(&path).expect("source");
        let code = |line: &&str| !line.trim_start().starts_with("//");
        let text = text.split("#[cfg(test)]\nmod ").next().unwrap_or_default();
        let text: String = text.lines().filter(code).collect();
        for word in ["println!", "eprintln!", "process::exit", "stdout()", "stderr()"] {
            assert!(!text.contains(word), "{name}: {word}");
        }
    }
}

#[test]
fn files_stay_readable() {
    for path in sources(&kept::root().join("src")) {
        // A table of words has no second thing in it.
        if path.ends_with("src/rig/words.rs") {
            continue;
        }
        let text = std::fs::read_to_string(&path).expect("source");
        let lines = text.split("#[cfg(test)]\nmod ").next().unwrap_or_default().lines().count();
        assert!(lines <= 650, "{}: {lines} lines: what second thing moved in?", inside(&path));
    }
}

#[test]
fn readme_shows_the_detectors_of_this_version() {
    kept::block(&kept::root().join("README.md"), "detectors", &explain::detector_table());
}

#[test]
fn every_name_has_one_page_of_its_kind() {
    let topics = explain::topics();
    let names: BTreeSet<_> = topics.iter().map(|topic| (topic.kind, topic.name.clone())).collect();
    assert_eq!(names.len(), topics.len(), "a name twice in one kind");
    for topic in &topics {
        assert!(topic.summary.len() > 2 && topic.page.len() > 20, "{} {}", topic.kind, topic.name);
    }
}

#[test]
fn every_cause_of_a_verdict_has_a_page() {
    for verdict in ["real", "fuel_cut", "misfire", "dilution", "artefact", "undetermined"] {
        for cause in explain::causes_of(verdict) {
            assert!(
                explain::find(cause)
                    .is_ok_and(|topics| topics.iter().any(|t| t.kind == "cause" || t.kind == "verdict")),
                "{cause}"
            );
        }
    }
}

#[test]
fn findings_say_what_is_wrong_how_much_and_against_what() {
    let folder = folder();
    let log = file(folder.path(), "run.csv", drive());
    let document: Value = serde_json::from_str(&outcome(&["audit", &log, "--json", "-"], 0).0).expect("JSON");
    for finding in document["findings"].as_array().expect("a list") {
        let message = finding["message"].as_str().expect("a message");
        assert!(message.chars().any(|c| c.is_ascii_digit()), "no number: {message}");
        assert!(!message.ends_with('.') && message.len() > 20, "{message}");
        assert!(!finding["evidence"].as_object().expect("numbers").is_empty(), "{message}");
    }
}

/// Checks a value against the parts of JSON Schema that the audit document's schema uses.
pub(crate) fn check_against(root: &Value, schema: &Value, value: &Value, at: &str) {
    if let Some(reference) = schema["$ref"].as_str() {
        let target = root.pointer(&reference[1..]).unwrap_or_else(|| panic!("{at}: no {reference}"));
        return check_against(root, target, value, at);
    }
    if let Some(choices) = schema["anyOf"].as_array().or_else(|| schema["oneOf"].as_array()) {
        let fits = |choice: &Value| {
            let result = std::panic::catch_unwind(|| check_against(root, choice, value, at));
            result.is_ok()
        };
        assert!(choices.iter().any(fits), "{at}: {value} fits no choice");
        return;
    }
    if let Some(constant) = schema.get("const") {
        assert_eq!(constant, value, "{at}");
    }
    if let Some(known) = schema["enum"].as_array() {
        assert!(known.contains(value), "{at}: {value} is not one of {known:?}");
    }
    let kinds: Vec<&str> = match &schema["type"] {
        Value::String(kind) => vec![kind],
        Value::Array(kinds) => kinds.iter().filter_map(Value::as_str).collect(),
        _ => Vec::new(),
    };
    let kind = match value {
        Value::Null => "null",
        Value::Bool(_) => "boolean",
        Value::Number(number) if number.is_f64() => "number",
        Value::Number(_) => "integer",
        Value::String(_) => "string",
        Value::Array(_) => "array",
        Value::Object(_) => "object",
    };
    let fits = kinds.is_empty() || kinds.contains(&kind) || (kind == "integer" && kinds.contains(&"number"));
    assert!(fits, "{at}: {kind}, expected {kinds:?}");
    if let Some(object) = value.as_object().filter(|_| schema["properties"].is_object()) {
        for name in schema["required"].as_array().into_iter().flatten().filter_map(Value::as_str) {
            assert!(object.contains_key(name), "{at}: {name} is missing");
        }
        for (name, value) in object {
            let property = &schema["properties"][name];
            assert!(!property.is_null(), "{at}: the schema has no {name}");
            check_against(root, property, value, &format!("{at}.{name}"));
        }
    }
    for (index, value) in value.as_array().into_iter().flatten().enumerate() {
        check_against(root, &schema["items"], value, &format!("{at}[{index}]"));
    }
}

#[test]
fn the_schema_check_can_fail() {
    let schema = explain::schema();
    let wrong = serde_json::json!({ "schema": 1 });
    assert!(std::panic::catch_unwind(|| check_against(&schema, &schema, &wrong, "document")).is_err());
}
