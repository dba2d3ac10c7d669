//! Random input never panics; what is written is read back.

use std::sync::Arc;

use arrow_array::cast::AsArray;
use arrow_array::types::Float64Type;
use arrow_array::{
    Array, ArrayRef, BooleanArray, Float64Array, Int64Array, StringArray, TimestampMicrosecondArray,
};
use proptest::prelude::*;

use super::*;

/// Pieces that the reader treats specially, so that random text gets past the first check.
const PIECES: &[&str] = &[
    ",",
    ";",
    "\t",
    "|",
    "\n",
    "\r\n",
    "\r",
    "\"",
    "'",
    "#",
    " ",
    "  ",
    "1",
    "-2.5",
    "3,7",
    "1e3",
    "Time",
    "[rpm]",
    "(s)",
    "NaN",
    "NULL",
    "true",
    "off",
    "08:24:29.866",
    "2018-09-05",
    "°C",
    "é",
    "\0",
    "999999999999999999999",
    "a",
    ".",
    ":",
];

fn pieces() -> impl Strategy<Value = Vec<u8>> {
    prop::collection::vec(prop::sample::select(PIECES), 0..200)
        .prop_map(|pieces| pieces.concat().into_bytes())
}

/// Reads and, where there is a table, checks its shape, finds its time and builds its clock.
fn exercise(bytes: &[u8]) -> Result<(), TestCaseError> {
    let Ok(table) = from_bytes("random", bytes, &ReadOptions::default()) else { return Ok(()) };
    prop_assert!(table.rows > 0);
    for column in &table.columns {
        prop_assert_eq!(column.values.len(), table.rows);
        prop_assert!(!column.name.is_empty());
        if let Some(floats) = column.values.whole().as_primitive_opt::<Float64Type>() {
            prop_assert!(floats.iter().flatten().all(f64::is_finite));
        }
    }
    if let Ok(axis) = find_time(&table, None, None) {
        prop_assert_eq!(axis.seconds.len(), table.rows);
        let clock = axis.into_clock(table.rows, &table.restarts);
        prop_assert!(clock.time_s.windows(2).all(|pair| pair[1] >= pair[0]), "{:?}", clock.time_s);
        prop_assert_eq!(clock.segments.iter().map(ExactSizeIterator::len).sum::<usize>(), table.rows);
    }
    Ok(())
}

fn column(name: &str, values: ArrayRef) -> Column {
    Column {
        name: name.to_owned(),
        source_name: format!("{name} [x]"),
        unit: Some("kPa".to_owned()),
        role: Some("other".to_owned()),
        values: values.into(),
        unreadable: Vec::new(),
    }
}

fn random_table() -> impl Strategy<Value = Table> {
    (1..60_usize).prop_flat_map(|rows| {
        let floats =
            prop::collection::vec(prop::option::of(prop::num::f64::NORMAL | prop::num::f64::ZERO), rows);
        let integers = prop::collection::vec(prop::option::of(any::<i64>()), rows);
        let texts = prop::collection::vec(prop::option::of(".{0,12}"), rows);
        let truths = prop::collection::vec(prop::option::of(any::<bool>()), rows);
        (Just(rows), floats, integers, texts, truths).prop_map(|(rows, floats, integers, texts, truths)| {
            let stamps = TimestampMicrosecondArray::from(integers.clone());
            Table {
                source: Source::made_up("t"),
                columns: vec![
                    column("float", Arc::new(Float64Array::from(floats))),
                    column("integer", Arc::new(Int64Array::from(integers))),
                    column("text", Arc::new(StringArray::from(texts))),
                    column("truth", Arc::new(BooleanArray::from(truths))),
                    column("stamp", Arc::new(stamps)),
                ],
                rows,
                restarts: Vec::new(),
                metadata: vec![("driver".into(), "second".into())],
                notes: Vec::new(),
            }
        })
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 256, ..ProptestConfig::default() })]

    #[test]
    fn random_bytes_never_panic(bytes in prop::collection::vec(any::<u8>(), 0..600)) {
        exercise(&bytes)?;
    }

    #[test]
    fn random_bytes_behind_a_known_beginning_never_panic(
        start in prop::sample::select(vec![
            &b"PAR1"[..], b"ARROW1\0\0", b"\xff\xff\xff\xff\x10\0\0\0", b"\x1f\x8b\x08", b"\x28\xb5\x2f\xfd", b"\xff\xfe",
        ]),
        bytes in prop::collection::vec(any::<u8>(), 0..300),
    ) {
        exercise(&[start, &bytes].concat())?;
    }

    #[test]
    fn random_text_never_panics(bytes in pieces()) {
        exercise(&bytes)?;
    }

    #[test]
    fn random_stamps_give_a_clock_that_never_falls(
        raw in prop::collection::vec(prop_oneof![-1e3..1e3, Just(f64::NAN), Just(f64::INFINITY), any::<f64>()], 0..80),
        resolution_s in prop_oneof![Just(0.0), Just(1.0), any::<f64>()],
        restarts in prop::collection::btree_set(0..90_usize, 0..4),
    ) {
        let basis = crate::log::ClockBasis::Column { name: "t".to_owned() };
        let restarts: Vec<usize> = restarts.into_iter().collect();
        let rows = raw.len();
        let clock = crate::log::Clock::from_seconds(raw, resolution_s, None, basis, &restarts);
        prop_assert_eq!(clock.rows(), rows);
        prop_assert!(clock.time_s.windows(2).all(|pair| pair[1] >= pair[0]), "{:?}", clock.time_s);
        prop_assert!(clock.events.windows(2).all(|pair| pair[0].row() <= pair[1].row()));
    }

    #[test]
    fn a_written_table_is_read_back(table in random_table(), parquet in any::<bool>()) {
        let folder = tempfile::tempdir().expect("folder");
        let path = folder.path().join("table");
        let format = if parquet { FileFormat::Parquet } else { FileFormat::ArrowIpc };
        write_table(&table, &[], &path, format).expect("written");
        let back = open(&path, &ReadOptions::default()).expect("read");
        prop_assert_eq!((back.rows, &back.metadata), (table.rows, &table.metadata));
        for (a, b) in table.columns.iter().zip(&back.columns) {
            prop_assert_eq!((&a.name, &a.source_name, &a.unit, &a.role), (&b.name, &b.source_name, &b.unit, &b.role));
            prop_assert_eq!(a.values.whole().to_data(), b.values.whole().to_data());
        }
    }

    #[test]
    fn printed_numbers_are_read_back(
        rows in prop::collection::vec((prop::num::f64::NORMAL, -1_000_000..1_000_000_i64, prop::option::of(-1e6..1e6)), 3..60),
        delimiter in prop::sample::select(vec![",", ";", "\t", "|"]),
        comma in any::<bool>(),
        windows in any::<bool>(),
    ) {
        let comma = comma && delimiter != ",";
        let end = if windows { "\r\n" } else { "\n" };
        let mut text = ["alpha", "beta", "gamma"].join(delimiter) + end;
        for (a, b, c) in &rows {
            let c = c.map_or(String::new(), |c: f64| format!("{c:.3}"));
            let line = [format!("{a:e}"), b.to_string(), c].join(delimiter);
            text += &if comma { line.replace('.', ",") } else { line };
            text += end;
        }
        let decimal = Some(if comma { ',' } else { '.' });
        let table = from_bytes("random", text.as_bytes(), &ReadOptions { decimal, ..ReadOptions::default() }).expect("table");
        prop_assert_eq!(table.rows, rows.len());
        let floats = table.columns[0].values.whole();
        let floats = floats.as_primitive::<Float64Type>();
        for (row, (a, _, _)) in rows.iter().enumerate() {
            prop_assert_eq!(floats.value(row).to_bits(), a.to_bits());
        }
    }
}
