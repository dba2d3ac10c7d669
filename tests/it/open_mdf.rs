//! Open MDF 4 files of other writers, value for value.
//!
//! What stands in them is known from the conversions that the files carry and from their origin note (numbers of
//! records, ranges, constant channels); every value follows from its record's number.

use arrow_array::cast::AsArray;
use arrow_array::types::{Float64Type, Int64Type};
use arrow_schema::DataType;
use sondeproof::read::{ReadOptions, Table, open};

use crate::logs::open_data;

fn read(name: &str) -> Option<Table> {
    let path = open_data("mdf4-open")?.join(name);
    Some(open(&path, &ReadOptions::default()).unwrap_or_else(|error| panic!("{error}")))
}

/// A column's numbers; a null fails the test.
fn numbers(table: &Table, name: &str) -> Vec<f64> {
    let column = table.columns.iter().find(|column| column.name == name);
    let values = &column.unwrap_or_else(|| panic!("no column {name}")).values;
    assert_eq!(values.null_count(), 0, "{name}");
    match values.data_type() {
        DataType::Int64 => {
            values.whole().as_primitive::<Int64Type>().values().iter().map(|v| *v as f64).collect()
        }
        _ => values.whole().as_primitive::<Float64Type>().values().to_vec(),
    }
}

fn texts(table: &Table, name: &str) -> Vec<String> {
    let column = table.columns.iter().find(|column| column.name == name).expect(name);
    column.values.whole().as_string::<i32>().iter().map(|text| text.expect("a text").to_owned()).collect()
}

/// Every value of a column against what its record's number makes it, to twelve digits.
fn holds(table: &Table, name: &str, expected: impl Fn(f64) -> f64) {
    for (record, value) in numbers(table, name).into_iter().enumerate() {
        let expected = expected(record as f64);
        assert!((value - expected).abs() <= 1e-12 * expected.abs().max(1.0), "{name} {record}: {value}");
    }
}

#[test]
fn packed_blocks_with_linear_conversions() {
    let Some(table) = read("test_basic.mf4") else { return };
    assert_eq!(table.rows, 100_000);
    holds(&table, "time", |record| 0.0031 * (record + 1.0));
    holds(&table, "Value", |record| 2.5 * record - 797.5);
}

#[test]
fn every_kind_of_conversion() {
    let Some(table) = read("asammdf_dimensional_demo.mf4") else { return };
    assert_eq!(table.rows, 100);
    holds(&table, "time", |record| record);
    holds(&table, "Channel_no_conversion", |_| 1.0);
    holds(&table, "Channel_linear_conversion", |_| 1.5);
    holds(&table, "Channel_rational_conversion", |_| 3.5);
    holds(&table, "Channel_algebraic", |record| 2.0 * (record / 100.0).sin());
    holds(&table, "Channel_tabular", |record| -(record % 20.0));
    holds(&table, "Channel_value_range_to_value", |record| (record / 5.0).floor());
    for (record, text) in texts(&table, "Channel_value_to_text").into_iter().enumerate() {
        // The raw value counts to 30; the conversion has words for the first twenty.
        let raw = record % 30;
        assert_eq!(text, if raw < 20 { format!("key_{raw}") } else { "default key".to_owned() });
    }
    for (record, text) in texts(&table, "Channel_string").into_iter().enumerate() {
        assert_eq!(text, format!("String channel sample {record}"));
    }
    // An array of bytes is no channel.
    assert!(table.notes.iter().any(|note| note.text.starts_with("left out: ")), "{:?}", table.notes);
}

#[test]
fn every_type_of_number() {
    let Some(table) = read("all_datatypes_test.mf4") else { return };
    for bits in [8, 16, 32, 64] {
        assert_eq!(numbers(&table, &format!("int{bits}_data")), [-2.0, 4.0]);
        assert_eq!(numbers(&table, &format!("uint{bits}_data")), [2.0, 4.0]);
    }
    // 1.1 and 1.2 in single precision.
    assert_eq!(numbers(&table, "float32_data"), [f64::from(1.1_f32), f64::from(1.2_f32)]);
    assert_eq!(numbers(&table, "float64_data"), [2.1, 2.2]);
    assert_eq!(texts(&table, "string_data"), ["abc", "def"]);
    let left_out = table.notes.iter().find(|note| note.text.starts_with("left out: ")).expect("complex ones");
    assert!(left_out.text.contains("complex64_data") && left_out.text.contains("complex128_data"));
}

#[test]
fn clock_that_says_seconds_and_counts_nanoseconds() {
    let Some(table) = read("simple.mf4") else { return };
    assert_eq!(table.rows, 563);
    holds(&table, "light", |_| 0.0);
    holds(&table, "temp", |_| 28.0);
    // Two clocks of one board, one of them since 1970 in ns: they must tell the same time.
    let (time_s, stamp_ns) = (numbers(&table, "time"), numbers(&table, "abs_time"));
    let first_ns = stamp_ns[0];
    for (time_s, stamp_ns) in time_s.iter().zip(&stamp_ns) {
        assert!((time_s - (stamp_ns - first_ns) * 1e-9).abs() < 1e-6, "{time_s}");
    }
    assert!(time_s.last().is_some_and(|last| (last - 10.0).abs() < 0.01));
}
