//! Tests over the registry: what must hold for every detector.

use std::collections::BTreeSet;

use super::testing::{Bench, clean_drive};
use super::{ALL, Detector, Outcome, Scope, Stage, check_limits};
use crate::log::Role;
use crate::rig::Rig;

fn stems() -> BTreeSet<String> {
    let beside =
        ["mod", "dense", "fold", "found", "lively", "pace", "place", "registry", "runner", "testing"];
    std::fs::read_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/src/detect"))
        .expect("source folder")
        .map(|entry| entry.expect("entry").path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "rs"))
        .map(|path| path.file_stem().expect("stem").to_string_lossy().into_owned())
        .filter(|stem| !beside.contains(&stem.as_str()))
        .collect()
}

#[test]
fn every_detector_has_its_own_file_and_every_file_is_registered() {
    let names: Vec<String> = ALL.iter().map(|detector| detector.meta().name.to_owned()).collect();
    assert_eq!(names.iter().cloned().collect::<BTreeSet<_>>().len(), names.len(), "a name twice");
    assert_eq!(names.into_iter().collect::<BTreeSet<_>>(), stems());
}

#[test]
fn every_text_is_complete() {
    for meta in ALL.iter().map(|detector| detector.meta()) {
        let name = meta.name;
        assert!(name.chars().all(|c| c.is_ascii_lowercase() || c == '_'), "{name}");
        assert!(!meta.summary.ends_with('.') && meta.summary.len() > 20, "{name}: summary");
        assert!(meta.summary.starts_with(|c: char| c.is_lowercase()), "{name}: summary");
        assert!(meta.method.len() > 80, "{name}: method");
        assert!(meta.assumes.len() > 30, "{name}: assumes");
        assert!(meta.misses.len() > 30, "{name}: misses");
        assert!(!meta.sources.is_empty(), "{name}: sources");
        assert!(!meta.evidence.is_empty(), "{name}: evidence");
        assert!(meta.stage == Stage::Trial || !meta.limits.is_empty(), "{name}: limits");
        let fields: BTreeSet<_> = meta.evidence.iter().map(|field| field.name).collect();
        assert_eq!(fields.len(), meta.evidence.len(), "{name}: an evidence field twice");
    }
}

#[test]
fn every_default_lies_inside_its_range_and_says_where_it_comes_from() {
    for meta in ALL.iter().map(|detector| detector.meta()) {
        for limit in meta.limits {
            let name = format!("{}.{}", meta.name, limit.name);
            assert!((limit.range.0..=limit.range.1).contains(&limit.default), "{name}");
            assert!(limit.why.len() > 15, "{name}: why");
            assert!(!limit.unit.is_empty(), "{name}: unit (`1` for a pure number)");
            let mut rig = Rig::default();
            rig.limits.insert(name.clone(), limit.default);
            assert_eq!(check_limits(&rig), Ok(()), "{name}");
            rig.limits.insert(name.clone(), limit.range.1 + limit.range.1.abs() + 1.0);
            assert!(check_limits(&rig).is_err(), "{name}");
        }
    }
}

#[test]
fn nothing_fires_on_a_clean_drive() {
    for seed in [1, 2, 3] {
        let detection = clean_drive(seed).chain().run_all();
        let found: Vec<_> = detection.findings.iter().map(|f| (f.detector, f.channel, &f.message)).collect();
        let (count, first) = (found.len(), &found[..found.len().min(5)]);
        assert_eq!(count, 0, "seed {seed}: {first:?}");
    }
}

#[test]
fn nothing_panics_on_logs_that_hold_nothing() {
    for rows in [0, 1, 2, 3] {
        for value in [f64::NAN, 0.0, f64::MAX, f64::MIN, f64::INFINITY, f64::NEG_INFINITY] {
            let mut bench = Bench::new(10.0, rows);
            for role in Role::ALL {
                bench = bench.values(*role, vec![value; rows]);
            }
            let detection = bench.chain().run_all();
            assert!(detection.findings.iter().all(|f| f.rows.end <= rows && !f.rows.is_empty()));
        }
    }
}

#[test]
fn the_outcome_does_not_depend_on_the_thread_count() {
    let bench = clean_drive(4).gap(5_000, 3.0).chain();
    let one = rayon::ThreadPoolBuilder::new().num_threads(1).build().expect("pool");
    let alone = one.install(|| bench.run_all());
    let many = bench.run_all();
    assert_eq!(alone.findings, many.findings);
    assert_eq!(alone.flags, many.flags);
    assert_eq!(alone.records, many.records);
}

/// A detector answers only for its own scope.
#[test]
fn scope_decides_which_question_is_asked() {
    let bench = Bench::new(10.0, 50).channel(Role::Lambda, |_| 0.85);
    let limits = super::Limits::of("", &bench.rig);
    for detector in ALL.iter().copied() {
        let wrong: Outcome = match detector.meta().scope {
            Scope::Log => detector.run(&bench.log.channels[0], &bench.view(), &limits),
            Scope::Channel => detector.run_log(&bench.view(), &limits),
        };
        assert!(matches!(wrong, Outcome::NotRun { .. }), "{}", Detector::meta(detector).name);
    }
}
