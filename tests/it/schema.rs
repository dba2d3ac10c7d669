//! Documents and their schema, as other programs see them: an independent validator from another ecosystem, and
//! documents that earlier versions wrote.

use std::path::Path;
use std::process::Command;

use sondeproof::document::Audit;
use sondeproof::read::{ReadOptions, from_bytes, open};
use sondeproof::rig::{Rig, assemble};

use crate::conventions::check_against;
use crate::kept::root;
use crate::logs::{drive, drive_without, file, folder, kept_logs, outcome, text};

/// Documents of every kind that the tests make: each kept log, and logs that lack or exaggerate something.
fn documents() -> Vec<(String, Audit)> {
    let rig = Rig { rate_hz: Some(10.0), ..Rig::default() };
    let mut tables: Vec<_> = kept_logs(&root().join("datasets"))
        .iter()
        .map(|path| (text(path), open(path, &ReadOptions::default()).expect("a kept log")))
        .collect();
    let constant = format!("RPM,Lambda\n{}", "3000,1\n".repeat(80));
    let extreme = format!("RPM,Lambda\n{}", "1e308,5e-324\n-1e308,\n".repeat(40));
    let wide: Vec<String> = (0..300).map(|n| n.to_string()).collect();
    let wide = format!("ch{}\n{}", wide.join(",ch"), format!("{}\n", wide.join(",")).repeat(30));
    for (name, log) in [
        ("whole", drive().to_owned()),
        ("without lambda", drive_without("Lambda")),
        ("without speed", drive_without("Engine Speed")),
        ("two rows", "Time (s),RPM,Lambda\n0,900,1\n1,901,1.01\n".to_owned()),
        ("constant", constant),
        ("extreme", extreme),
        ("wide", wide),
        ("places", "Time (s),RPM,Latitude\n0,900,49.1\n1,901,49.1\n".to_owned()),
    ] {
        tables
            .push((name.to_owned(), from_bytes(name, log.as_bytes(), &ReadOptions::default()).expect(name)));
    }
    tables
        .into_iter()
        .map(|(name, table)| {
            let log = assemble(table, &rig).expect("a log");
            (name, sondeproof::audit::audit(&log, &rig).document)
        })
        .collect()
}

#[allow(clippy::print_stderr, reason = "a skipped test says so")]
#[test]
fn an_independent_validator_accepts_every_document() {
    let Some(python) = std::env::var_os("SONDEPROOF_PYTHON") else {
        eprintln!("skipped: SONDEPROOF_PYTHON names no Python with jsonschema");
        return;
    };
    let folder = folder();
    let out = |name: &str| folder.path().join(name);
    std::fs::write(out("audit.schema.json"), outcome(&["schema"], 0).0).expect("schema");
    std::fs::write(out("gate.schema.json"), outcome(&["schema", "gate"], 0).0).expect("schema");
    for (number, (_, document)) in documents().iter().enumerate() {
        let json = serde_json::to_string(document).expect("JSON");
        std::fs::write(out(&format!("{number}.audit.json")), json).expect("document");
    }
    let log = file(folder.path(), "run.csv", drive());
    for (policy, code) in [("publish", 3), ("archive", 0)] {
        let line = outcome(&["gate", &log, "--policy", policy], code).0;
        std::fs::write(out(&format!("{policy}.gate.json")), line).expect("line");
    }
    for kept in released() {
        std::fs::copy(&kept, out(&format!("{}.audit.json", kept.file_stem().expect("name").display())))
            .expect("copy");
    }
    let checked =
        Command::new(python).arg(root().join("tests/it/check_schema.py")).arg(folder.path()).output();
    let checked = checked.expect("Python runs");
    let (said, errors) = (String::from_utf8_lossy(&checked.stdout), String::from_utf8_lossy(&checked.stderr));
    assert!(checked.status.success(), "{said}{errors}");
    assert!(said.contains("a wrong document is refused"), "{said}");
}

fn released() -> Vec<std::path::PathBuf> {
    let mut found: Vec<_> = std::fs::read_dir(root().join("tests/it/kept/released"))
        .expect("kept documents")
        .map(|entry| entry.expect("entry").path())
        .collect();
    found.sort();
    found
}

#[test]
fn documents_of_earlier_versions_still_parse() {
    let schema = sondeproof::explain::schema();
    let kept = released();
    assert!(kept.len() >= 3, "{kept:?}");
    for path in kept {
        let text = std::fs::read_to_string(&path).expect("kept");
        let audit: Audit =
            serde_json::from_str(&text).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        assert_eq!(audit.schema, "sondeproof.audit/1");
        assert!(!audit.channels.is_empty() && !audit.tool.version.is_empty(), "{}", path.display());
        let value = serde_json::from_str(&text).expect("JSON");
        check_against(&schema, &schema, &value, &name(&path));
    }
}

fn name(path: &Path) -> String {
    path.file_name().expect("a name").to_string_lossy().into_owned()
}
