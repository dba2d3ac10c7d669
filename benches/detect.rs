//! Every detector on one simulated log: `DETECTOR/14ch/ROWS`, samples per second.

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use sondeproof::detect::{ALL, Limits, Scope, View};
use sondeproof::log::{Log, Role};
use sondeproof::read::{ReadOptions, from_bytes};
use sondeproof::rig::{Rig, assemble};
use sondeproof::simulate::{Scenario, run};
use sondeproof::{chain, state};

const SEED: u64 = 1;

fn log(rig: &Rig) -> Log {
    let scenario = Scenario::named("hill_climb", SEED).expect("a scenario");
    let table = from_bytes("bench", &run(&scenario).text(), &ReadOptions::default()).expect("a table");
    assemble(table, rig).expect("a log")
}

fn detectors(criterion: &mut Criterion) {
    let rig = Rig::default();
    let log = log(&rig);
    let state = state::judge(&log, &rig);
    let chain = chain::measure(&log, &state, &rig);
    let view = View { log: &log, state: &state, rig: &rig, chain: chain.as_ref(), findings: &[] };
    let mut group = criterion.benchmark_group("detect");
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
        group.throughput(Throughput::Elements((channels.len().max(1) * log.rows()) as u64));
        group.bench_function(format!("{}/{}ch/{}", meta.name, channels.len(), log.rows()), |bencher| {
            bencher.iter(|| match meta.scope {
                Scope::Log => vec![detector.run_log(&view, &limits)],
                Scope::Channel => {
                    channels.iter().map(|channel| detector.run(channel, &view, &limits)).collect()
                }
            });
        });
    }
    group.finish();
}

criterion_group!(benches, detectors);
criterion_main!(benches);
