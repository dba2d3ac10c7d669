//! What logs in columns may cost: a file holds numbers in one to four bytes and words once, an audit reckons in eight bytes.

use std::sync::Arc;

use arrow_array::types::Int8Type;
use arrow_array::{
    ArrayRef, BooleanArray, DictionaryArray, DurationMillisecondArray, Float32Array, Int8Array, Int16Array,
    RecordBatch, StringArray,
};

use crate::cost::{every_command_within, most_mb};
use crate::logs::{file, folder};

/// Rows of a batch, as most writers make them.
const BATCH_ROWS: usize = 65_536;

/// Numbers that follow no pattern, 0 to `below`.
fn odd(row: usize, salt: u32, below: u32) -> u32 {
    let mixed = (row as u32 ^ salt.wrapping_mul(0x9e37_79b9)).wrapping_mul(0x85eb_ca6b);
    (mixed ^ (mixed >> 15)).wrapping_mul(0xc2b2_ae35) % below
}

fn table(rows: usize, step_s: f32, columns: Vec<(String, ArrayRef)>) -> RecordBatch {
    let time: ArrayRef = Arc::new((0..rows).map(|row| row as f32 * step_s).collect::<Float32Array>());
    RecordBatch::try_from_iter([("Time".to_owned(), time)].into_iter().chain(columns)).expect("a batch")
}

fn bytes(rows: usize, salt: u32) -> ArrayRef {
    Arc::new((0..rows).map(|row| odd(row, salt, 100) as i8).collect::<Int8Array>())
}

fn arrow(table: &RecordBatch) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut writer = arrow_ipc::writer::FileWriter::try_new(&mut bytes, &table.schema()).expect("writer");
    for from in (0..table.num_rows()).step_by(BATCH_ROWS) {
        writer.write(&table.slice(from, BATCH_ROWS.min(table.num_rows() - from))).expect("written");
    }
    writer.finish().expect("finished");
    drop(writer);
    bytes
}

fn parquet(table: &RecordBatch) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut writer = parquet::arrow::ArrowWriter::try_new(&mut bytes, table.schema(), None).expect("writer");
    writer.write(table).expect("written");
    writer.close().expect("closed");
    bytes
}

fn stays_within_its_means(name: &str, bytes: &[u8]) {
    let folder = folder();
    every_command_within(&file(folder.path(), name, bytes), most_mb(bytes));
}

/// 222 MB and, as Parquet, 219: each of eight bytes in every column at once.
#[test]
fn columns_of_one_byte_stay_within_their_means() {
    let names = ["Lambda", "RPM", "TPS", "MAP"].map(str::to_owned).into_iter();
    let names = names.chain((0..11).map(|number| format!("c{number}")));
    let columns = names.zip(0..).map(|(name, salt)| (name, bytes(1_000_000, salt))).collect();
    let table = table(1_000_000, 0.01, columns);
    stays_within_its_means("bytes.arrow", &arrow(&table));
    stays_within_its_means("bytes.parquet", &parquet(&table));
}

/// 238 MB.
#[test]
fn thousands_of_columns_of_one_byte_stay_within_their_means() {
    let columns = (0..4_000).map(|number| (format!("c{number}"), bytes(4_000, number))).collect();
    let table = table(4_000, 0.1, columns);
    stays_within_its_means("wide.parquet", &parquet(&table));
}

/// 186 MB: each word once for every row.
#[test]
fn words_of_dictionaries_stay_within_their_means() {
    let words: ArrayRef =
        Arc::new(StringArray::from(vec!["OPEN LOOP", "CLOSED LOOP", "a longer word of a status"]));
    let status = |salt| -> ArrayRef {
        let keys: Int8Array = (0..1_000_000).map(|row| odd(row, salt, 3) as i8).collect();
        Arc::new(DictionaryArray::<Int8Type>::new(keys, Arc::clone(&words)))
    };
    let mut columns: Vec<(String, ArrayRef)> =
        (0..6).map(|number| (format!("s{number}"), status(number))).collect();
    let speed: Int16Array = (0..1_000_000).map(|row| odd(row, 7, 7_000) as i16).collect();
    columns.push(("RPM".to_owned(), Arc::new(speed)));
    stays_within_its_means("words.arrow", &arrow(&table(1_000_000, 0.01, columns)));
}

/// 392 MB: a bit each in the file, and eight bytes. Such a file may take eight times what its columns do in bytes.
#[test]
fn columns_of_one_bit_stay_within_eight_times_their_bytes() {
    let flags = |salt| -> ArrayRef {
        Arc::new((0..500_000).map(|row| Some(odd(row, salt, 2) == 1)).collect::<BooleanArray>())
    };
    let columns = (0..40).map(|number| (format!("b{number}"), flags(number))).collect();
    let bytes = arrow(&table(500_000, 0.01, columns));
    let folder = folder();
    every_command_within(&file(folder.path(), "bits.arrow", &bytes), 8.0 * 22e6 / 1_048_576.0);
}

/// Half a minute of a log whose clock is a duration in milliseconds under a name that says seconds.
#[test]
fn the_type_of_a_clock_outweighs_the_unit_in_its_name() {
    let time: ArrayRef = Arc::new((0..300).map(|row| Some(row * 100)).collect::<DurationMillisecondArray>());
    let lambda: ArrayRef =
        Arc::new((0..300).map(|row| 0.8 + (row % 7) as f32 * 0.001).collect::<Float32Array>());
    let table = RecordBatch::try_from_iter([("Time (s)", time), ("Lambda", lambda)]).expect("a batch");
    for bytes in [arrow(&table), parquet(&table)] {
        let audit = crate::hostile::audit(&bytes).expect("an audit");
        assert!((audit.source.duration_s - 29.9).abs() < 1e-6, "{}", audit.source.duration_s);
    }
}

/// Writers may put a checksum beside every page (`PageHeader.crc`, Parquet format): here 0 in place of the right one.
#[test]
fn a_page_whose_checksum_is_wrong_is_damaged() {
    let bytes = include_bytes!("kept/page_checksum.parquet");
    let mut damaged = bytes.to_vec();
    assert!(crate::hostile::audit(&damaged).is_some());
    // A digit of a reading in the middle of the only column of noise.
    let at = bytes.len() / 2;
    damaged[at] ^= 4;
    assert!(crate::hostile::audit(&damaged).is_none());
}
