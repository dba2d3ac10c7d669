//! Mutated inputs at every door of the program, for as long as is asked: a second each in an ordinary run,
//! `FUZZ_SECONDS=1200 cargo test --release --test it fuzz:: -- --nocapture --test-threads 1` for longer.
//! `tests/fuzz` holds the same doors for a coverage-guided run.

use std::collections::HashMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use arrow_array::{ArrayRef, Float64Array, RecordBatch};
use arrow_schema::{DataType, Field, Schema};
use sondeproof::gate::Policy;
use sondeproof::ledger::Ledger;
use sondeproof::log::Role;
use sondeproof::read::{FileFormat, ROLE_KEY, ReadOptions, Table, from_batches, from_bytes, write_table};
use sondeproof::report::flags;
use sondeproof::rig::{Rig, assemble};

use crate::kept::root;
use crate::logs::{drive, folder, outcome, text};

/// A small generator with a seed, so that a failing case can be made again (splitmix64).
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn below(&mut self, end: usize) -> usize {
        (self.next() % end.max(1) as u64) as usize
    }

    /// Values that instruments, divisions and broken writers produce.
    fn number(&mut self) -> f64 {
        const ODD: [f64; 16] = [
            0.0,
            -0.0,
            1.0,
            -1.0,
            f64::NAN,
            f64::INFINITY,
            f64::NEG_INFINITY,
            5e-324,
            -2.2e-308,
            f64::MAX,
            f64::MIN,
            65_535.0,
            -32_768.0,
            1e-9,
            4_294_967_295.0,
            0.85,
        ];
        const SCALES: [f64; 4] = [1.0, 1e2, 1e4, 1e7];
        match self.below(3) {
            0 => ODD[self.below(ODD.len())],
            1 => f64::from_bits(self.next()),
            _ => (self.below(2_000_000) as f64 - 1_000_000.0) / SCALES[self.below(SCALES.len())],
        }
    }

    /// A few changes: bits, bytes, cuts, copies, and words that matter to readers.
    fn mutate(&mut self, bytes: &mut Vec<u8>) {
        const WORDS: [&[u8]; 14] = [
            b",",
            b";",
            b"\n",
            b"\r\n",
            b"\"",
            b"\0",
            b"NaN",
            b"inf",
            b"-1e309",
            b"\xff\xfe",
            b"[limits]\n",
            b"= {",
            b"'''",
            b"\xf0\x9f\x94\xa7",
        ];
        for _ in 0..=self.below(8) {
            if bytes.is_empty() {
                bytes.push(self.next() as u8);
            }
            let at = self.below(bytes.len());
            match self.below(7) {
                0 => bytes[at] ^= 1 << self.below(8),
                1 => bytes[at] = self.next() as u8,
                2 => bytes.truncate(at),
                3 => {
                    let end = (at + self.below(200)).min(bytes.len());
                    bytes.drain(at..end);
                }
                4 => {
                    let part = bytes[at..(at + self.below(400)).min(bytes.len())].to_vec();
                    let to = self.below(bytes.len());
                    bytes.splice(to..to, part);
                }
                5 => {
                    let number = [u32::MAX, i32::MAX as u32, 0x8000_0000, 0, 1][self.below(5)];
                    for (byte, new) in bytes.iter_mut().skip(at).zip(number.to_le_bytes()) {
                        *byte = new;
                    }
                }
                _ => {
                    let word = WORDS[self.below(WORDS.len())];
                    bytes.splice(at..at, word.iter().copied());
                }
            }
        }
    }
}

/// Runs one door until time is up; a panic or an input that takes over 10 s ends the test with the seed.
#[allow(clippy::print_stdout, reason = "a run says how far it came")]
fn hammer(name: &str, mut one: impl FnMut(&mut Dice)) {
    let seconds = std::env::var("FUZZ_SECONDS").ok().and_then(|text| text.parse().ok()).unwrap_or(1.0);
    let first: u64 = std::env::var("FUZZ_SEED").ok().and_then(|text| text.parse().ok()).unwrap_or(1);
    let end = Instant::now() + Duration::from_secs_f64(seconds);
    let (mut seed, mut slowest) = (first, Duration::ZERO);
    while Instant::now() < end || seed == first {
        let start = Instant::now();
        let done = catch_unwind(AssertUnwindSafe(|| one(&mut Dice(seed))));
        assert!(done.is_ok(), "{name}: FUZZ_SEED={seed} panics");
        slowest = slowest.max(start.elapsed());
        seed += 1;
    }
    println!(
        "fuzz {name}: {} inputs in {seconds} s, slowest {} ms, nothing found",
        seed - first,
        slowest.as_millis()
    );
    assert!(slowest < Duration::from_secs(10), "{name}: an input took {slowest:?}");
}

fn rig() -> Rig {
    Rig { rate_hz: Some(10.0), ..Rig::default() }
}

fn short() -> Vec<u8> {
    let lines: Vec<&str> = drive().lines().take(250).collect();
    lines.join("\n").into_bytes()
}

fn audited(table: Table) {
    let rig = rig();
    let Ok(log) = assemble(table, &rig) else { return };
    let audited = sondeproof::audit::audit(&log, &rig);
    serde_json::to_string(&audited.document).expect("no NaN in the document");
    assert_eq!(flags::table(&log, &audited.detection).expect("flags").num_rows(), log.rows());
}

#[test]
fn text_logs() {
    let seed = short();
    hammer("text", |dice| {
        let mut bytes = seed.clone();
        dice.mutate(&mut bytes);
        if let Ok(table) = from_bytes("fuzz", &bytes, &ReadOptions::default()) {
            audited(table);
        }
    });
}

#[test]
fn column_files() {
    let folder = folder();
    let table = from_bytes("run", &short(), &ReadOptions::default()).expect("a table");
    let mut seeds = Vec::new();
    for (name, format) in [("a.parquet", FileFormat::Parquet), ("a.arrow", FileFormat::ArrowIpc)] {
        let path = folder.path().join(name);
        write_table(&table, &[], &path, format).expect("written");
        seeds.push(std::fs::read(path).expect("read"));
    }
    seeds.push(
        std::fs::read(root().join("datasets/season/2026-03-14.csv.gz")).expect("read")[..4_000].to_vec(),
    );
    #[cfg(feature = "mdf")]
    seeds.push(crate::logs::mdf());
    hammer("columns", |dice| {
        let mut bytes = seeds[dice.below(seeds.len())].clone();
        dice.mutate(&mut bytes);
        from_bytes("fuzz", &bytes, &ReadOptions::default()).ok();
    });
}

#[test]
fn rig_files_and_policies() {
    let seeds = [
        std::fs::read(root().join("datasets/hill_climb.toml")).expect("rig"),
        std::fs::read(root().join("src/gate/publish.toml")).expect("policy"),
    ];
    hammer("settings", |dice| {
        let mut bytes = seeds[dice.below(2)].clone();
        dice.mutate(&mut bytes);
        let text = String::from_utf8_lossy(&bytes);
        if let Err(error) = Rig::parse(&text, "fuzz.toml") {
            assert!(error.to_string().contains("help:"), "{error}");
        }
        if let Err(error) = Policy::parse(&text, "fuzz.toml") {
            assert!(error.to_string().contains("help:"), "{error}");
        }
    });
}

#[test]
fn ledger_files() {
    let folder = folder();
    let ledger = folder.path().join("ledger");
    let (log, rig) =
        (root().join("datasets/season/2026-03-14.csv.gz"), root().join("datasets/season/car.toml"));
    let place = text(&ledger);
    outcome(
        &[
            "ledger",
            "add",
            &text(&log),
            "--rig",
            &text(&rig),
            "--sensor",
            "A",
            "--date",
            "2026-03-14",
            "--ledger",
            &place,
        ],
        0,
    );
    let file = only_file(&ledger.join("sensor=A"));
    let seed = std::fs::read(&file).expect("read");
    hammer("ledger", |dice| {
        let mut bytes = seed.clone();
        dice.mutate(&mut bytes);
        std::fs::write(&file, &bytes).expect("written");
        Ledger::new(ledger.clone()).entries("A").ok();
    });
}

fn only_file(folder: &Path) -> std::path::PathBuf {
    std::fs::read_dir(folder).expect("listed").next().expect("a file").expect("entry").path()
}

#[test]
fn arbitrary_tables() {
    hammer("tables", |dice| {
        let rows = [0, 1, 2, 3, 50, 400][dice.below(6)];
        let width = 1 + dice.below(12);
        let mut fields = vec![Field::new("Time (s)", DataType::Float64, true)];
        let mut columns = vec![column(dice, rows, true)];
        for number in 0..width {
            let role = Role::ALL[dice.below(Role::ALL.len())];
            let meta = [(ROLE_KEY.to_owned(), role.name().to_owned())];
            fields.push(
                Field::new(format!("c{number}"), DataType::Float64, true).with_metadata(HashMap::from(meta)),
            );
            columns.push(column(dice, rows, false));
        }
        let schema = Arc::new(Schema::new(fields));
        let batch = RecordBatch::try_new(Arc::clone(&schema), columns).expect("like lengths");
        if let Ok(table) = from_batches("fuzz", &schema, vec![batch]) {
            audited(table);
        }
    });
}

/// A constant, a ramp, a wave, a two-level signal, any numbers, or nothing.
fn column(dice: &mut Dice, rows: usize, clock: bool) -> ArrayRef {
    let (a, b) = (dice.number(), dice.number());
    let kind = if clock && dice.below(4) > 0 { 6 } else { dice.below(6) };
    let values = (0..rows).map(|row| {
        let x = row as f64;
        match kind {
            0 => Some(a),
            1 => Some(a + b * x),
            2 => Some(a + b * (x / 5.0).sin()),
            3 => Some(if row / 7 % 2 == 0 { a } else { b }),
            4 => (dice.below(8) > 0).then(|| dice.number()),
            5 => None,
            _ => Some(x * 0.05),
        }
    });
    Arc::new(values.collect::<Float64Array>())
}
