//! Damaged files: an answer or a clear error, never a panic.

#![allow(clippy::format_push_string, reason = "a log is written line by line")]

use proptest::prelude::*;

use crate::logs::drive;
use sondeproof::read::{ReadOptions, from_bytes};
use sondeproof::rig::{Rig, assemble};

/// Reads and audits bytes as the program does; a panic fails the test.
fn audit(bytes: &[u8]) -> Option<sondeproof::document::Audit> {
    let rig = Rig { rate_hz: Some(10.0), ..Rig::default() };
    let table = from_bytes("hostile", bytes, &ReadOptions::default()).ok()?;
    let log = assemble(table, &rig).ok()?;
    let document = sondeproof::audit::audit(&log, &rig).document;
    serde_json::to_string(&document).expect("a document without NaN");
    Some(document)
}

/// The first rows: enough for every stage to have something to do, quick enough for many cases.
fn short() -> Vec<u8> {
    let text = drive();
    let end = text.match_indices('\n').nth(400).map_or(text.len(), |(at, _)| at + 1);
    text.as_bytes()[..end].to_vec()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn any_bytes(bytes in proptest::collection::vec(any::<u8>(), 0..2_000)) {
        audit(&bytes);
    }

    #[test]
    fn a_log_cut_off_anywhere(share in 0.0f64..1.0) {
        let bytes = short();
        audit(&bytes[..(share * bytes.len() as f64) as usize]);
    }

    #[test]
    fn a_log_with_bytes_exchanged(edits in proptest::collection::vec((0usize..30_000, any::<u8>()), 1..60)) {
        let mut bytes = short();
        let length = bytes.len();
        for (at, byte) in edits {
            bytes[at % length] = byte;
        }
        audit(&bytes);
    }

    #[test]
    fn any_numbers(cells in proptest::collection::vec(any::<f64>(), 3..300)) {
        let mut text = String::from("Time (s),RPM,Lambda\n");
        for (row, three) in cells.chunks_exact(3).enumerate() {
            text.push_str(&format!("{},{},{}\n", row as f64 * 0.1 + three[0] % 1.0, three[1], three[2]));
        }
        audit(text.as_bytes());
    }
}

#[test]
fn wide_constant_and_hostile_columns_are_survived() {
    let names: Vec<String> = (0..300).map(|n| format!("ch{n}")).collect();
    let row = vec!["1"; 300].join(",");
    let mut text = format!("Time (s),{}\n", names.join(","));
    for n in 0..50 {
        text.push_str(&format!("{n},{row}\n"));
    }
    assert!(audit(text.as_bytes()).is_some());
    for value in ["inf", "-inf", "nan", "1e308", "5e-324", "-0"] {
        let mut text = String::from("Time (s),RPM,Lambda\n");
        for n in 0..60 {
            text.push_str(&format!(
                "{},{},{value}\n",
                f64::from(n) * 0.1,
                if n % 3 == 0 { value } else { "3000" }
            ));
        }
        audit(text.as_bytes());
    }
}
