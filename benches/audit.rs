//! The whole audit of one simulated log, without and with reading: rows and bytes per second.

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use sondeproof::audit::audit;
use sondeproof::read::{ReadOptions, from_bytes};
use sondeproof::rig::{Rig, assemble};
use sondeproof::simulate::{Scenario, run};

const SEED: u64 = 1;

fn whole(criterion: &mut Criterion) {
    let rig = Rig::default();
    let text = run(&Scenario::named("hill_climb", SEED).expect("a scenario")).text();
    let table = from_bytes("bench", &text, &ReadOptions::default()).expect("a table");
    let log = assemble(table, &rig).expect("a log");
    let size = format!("{}ch/{}", log.channels.len(), log.rows());
    let mut group = criterion.benchmark_group("audit");
    group.throughput(Throughput::Elements(log.rows() as u64));
    group.bench_function(format!("log/{size}"), |bencher| bencher.iter(|| audit(&log, &rig)));
    group.throughput(Throughput::Bytes(text.len() as u64));
    group.bench_function(format!("file/{size}"), |bencher| {
        bencher.iter(|| {
            let table = from_bytes("bench", &text, &ReadOptions::default()).expect("a table");
            audit(&assemble(table, &rig).expect("a log"), &rig)
        });
    });
    group.finish();
}

criterion_group!(benches, whole);
criterion_main!(benches);
