//! Every detector on one simulated log: `DETECTOR/CHANNELSch/ROWS`, samples per second. Ends with the table for
//! DEVELOPERS.md; its numbers are those that criterion stored.

use std::path::PathBuf;

use criterion::{Criterion, Throughput};
use sondeproof::detect::{ALL, Limits, Scope, View, run_all};
use sondeproof::log::{Log, Role};
use sondeproof::read::{ReadOptions, from_bytes};
use sondeproof::rig::{Rig, assemble};
use sondeproof::simulate::{Scenario, run};
use sondeproof::{chain, state};

const SEED: u64 = 1;
const GROUP: &str = "detect";

fn log(rig: &Rig) -> Log {
    let scenario = Scenario::named("hill_climb", SEED).expect("a scenario");
    let table = from_bytes("bench", &run(&scenario).text(), &ReadOptions::default()).expect("a table");
    assemble(table, rig).expect("a log")
}

/// What was measured: detector, channels and rows.
struct Measured {
    name: &'static str,
    channels: usize,
    rows: usize,
}

impl Measured {
    fn id(&self) -> String {
        format!("{}/{}ch/{}", self.name, self.channels, self.rows)
    }

    /// Median time of one pass over all its channels, s; null where criterion stored none (a filter, `--test`).
    fn median_s(&self) -> Option<f64> {
        let target = std::env::var_os("CARGO_TARGET_DIR")
            .map_or_else(|| PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/target")), PathBuf::from);
        let folder = target.join("criterion").join(GROUP).join(self.id().replace('/', "_"));
        let text = std::fs::read(folder.join("new/estimates.json")).ok()?;
        let stored: serde_json::Value = serde_json::from_slice(&text).ok()?;
        Some(stored["median"]["point_estimate"].as_f64()? * 1e-9)
    }
}

fn detectors(criterion: &mut Criterion) -> Vec<Measured> {
    let rig = Rig::default();
    let log = log(&rig);
    let state = state::judge(&log, &rig);
    let chain = chain::measure(&log, &state, &rig);
    // The detector that groups findings needs some.
    let findings = run_all(&log, &state, &rig, chain.as_ref()).findings;
    let view =
        View { log: &log, state: &state, rig: &rig, chain: chain.as_ref(), findings: &findings, rest: &[] };
    let mut group = criterion.benchmark_group(GROUP);
    let mut measured = Vec::new();
    for detector in ALL {
        let meta = detector.meta();
        let limits = Limits::of(meta.name, &rig);
        let all = meta.applies_to.is_empty();
        let channels: Vec<_> =
            log.channels
                .iter()
                .filter(|channel| {
                    if all { channel.role != Role::Time } else { meta.applies_to.contains(&channel.role) }
                })
                .collect();
        assert!(!channels.is_empty(), "the log has no channel for {}", meta.name);
        let one = Measured { name: meta.name, channels: channels.len(), rows: log.rows() };
        group.throughput(Throughput::Elements((one.channels * one.rows) as u64));
        group.bench_function(one.id(), |bencher| {
            bencher.iter(|| match meta.scope {
                Scope::Log => vec![detector.run_log(&view, &limits)],
                Scope::Channel => {
                    channels.iter().map(|channel| detector.run(channel, &view, &limits)).collect()
                }
            });
        });
        measured.push(one);
    }
    group.finish();
    measured
}

#[allow(clippy::print_stdout, reason = "the table is the result")]
fn main() {
    let mut criterion = Criterion::default().configure_from_args();
    let measured = detectors(&mut criterion);
    criterion.final_summary();
    println!("| detector | channels | rows | median, ms | ns per sample |\n| --- | --- | --- | --- | --- |");
    for one in &measured {
        let Some(median_s) = one.median_s() else { continue };
        let samples = (one.channels * one.rows) as f64;
        println!(
            "| `{}` | {} | {} | {:.3} | {:.1} |",
            one.name,
            one.channels,
            one.rows,
            1e3 * median_s,
            1e9 * median_s / samples
        );
    }
}
