//! How fast logs are read. `cargo bench --bench read`

use std::fmt::Write as _;
use std::hint::black_box;
use std::time::Duration;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use sondeproof::log::{Clock, ClockBasis};
use sondeproof::read::{ReadOptions, find_time, from_bytes};

/// A fixed generator, so that every run reads the same bytes.
fn next(state: &mut u64) -> u64 {
    *state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
    *state >> 33
}

/// A log at 100 Hz of `columns` columns, printed as loggers do: the time, then readings of three decimals.
fn log(rows: usize, columns: usize, delimiter: char, comma: bool) -> String {
    let mut state = 0x9e37_79b9_7f4a_7c15;
    let mut text = "Time (s)".to_owned();
    for column in 1..columns {
        write!(text, "{delimiter}channel {column}").ok();
    }
    text.push('\n');
    for row in 0..rows {
        write!(text, "{}.{:02}", row / 100, row % 100).ok();
        for _ in 1..columns {
            let value = next(&mut state) % 1_000_000;
            write!(text, "{delimiter}{}.{:03}", value / 1000, value % 1000).ok();
        }
        text.push('\n');
    }
    if comma { text.replace('.', ",") } else { text }
}

fn read(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("read");
    group.sample_size(10).measurement_time(Duration::from_secs(5));
    for (id, delimiter, comma) in [("text/32ch/1e5", ',', false), ("text_decimal_comma/32ch/1e5", ';', true)]
    {
        let text = log(100_000, 32, delimiter, comma);
        group.throughput(Throughput::Bytes(text.len() as u64));
        group.bench_function(id, |bencher| {
            bencher.iter(|| from_bytes("bench", black_box(text.as_bytes()), &ReadOptions::default()));
        });
        let one = rayon::ThreadPoolBuilder::new().num_threads(1).build();
        if let Ok(one) = one {
            group.bench_function(format!("{id}/1thread"), |bencher| {
                bencher.iter(|| {
                    one.install(|| from_bytes("bench", black_box(text.as_bytes()), &ReadOptions::default()))
                });
            });
        }
    }
    group.finish();
}

fn time(criterion: &mut Criterion) {
    let text = log(100_000, 2, ',', false);
    let Ok(table) = from_bytes("bench", text.as_bytes(), &ReadOptions::default()) else { return };
    let mut group = criterion.benchmark_group("time");
    group.throughput(Throughput::Elements(table.rows as u64));
    group.bench_function("find/1e5", |bencher| bencher.iter(|| find_time(black_box(&table), None, None)));
    let raw: Vec<f64> = (0..100_000).map(|row| f64::from(row) * 0.01).collect();
    group.bench_function("clock/1e5", |bencher| {
        bencher.iter(|| {
            let basis = ClockBasis::Column { name: "t".to_owned() };
            Clock::from_seconds(black_box(raw.clone()), 0.01, None, basis, &[])
        });
    });
    group.finish();
}

criterion_group!(benches, read, time);
criterion_main!(benches);
