//! `--flags`: every value with the flag of the open oceanographic standard beside it, as Parquet.

use std::collections::{BTreeSet, HashMap};
use std::io::Write;
use std::ops::Range;
use std::sync::Arc;

use arrow_array::{ArrayRef, Float64Array, RecordBatch, UInt8Array};
use arrow_buffer::NullBuffer;
use arrow_schema::{ArrowError, DataType, Field, Schema};
use parquet::errors::ParquetError;
use parquet::file::properties::WriterProperties;

use crate::detect::Detection;
use crate::log::{Channel, Log};
use crate::read::{checked_packing, marks, write_parquet};

/// Why the flags could not be written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum FlagsError {
    /// The columns do not fit together.
    #[error("flags: {0}")]
    Arrow(#[from] ArrowError),
    /// The file could not be encoded or written.
    #[error("flags: {0}")]
    Parquet(#[from] ParquetError),
    /// The file could not be written.
    #[error("{0}")]
    Io(#[from] std::io::Error),
}

/// One row per row of the log: `time_s`, then for each channel its value in the log's unit and
/// `<channel>.flag` (`UInt8`: 1 good, 2 not evaluated, 3 suspect, 4 bad, 9 missing).
///
/// * `detection`: of the same log
///
/// # Errors
/// [`FlagsError::Arrow`] when flags and log do not have the same rows.
///
/// # Source
/// Flag codes: UNESCO/IOC Manuals and Guides 54, Volume 3.
pub fn table(log: &Log, detection: &Detection) -> Result<RecordBatch, FlagsError> {
    let schema = schema(log, detection)?;
    let columns =
        (0..schema.fields().len()).map(|index| part(log, detection, index, 0..log.rows())).collect();
    Ok(RecordBatch::try_new(schema, columns)?)
}

/// The columns of [`table`].
fn schema(log: &Log, detection: &Detection) -> Result<Arc<Schema>, FlagsError> {
    let rows = log.rows();
    let fits = log.clock.time_s.len() == rows
        && detection.flags.len() == log.channels.len()
        && log
            .channels
            .iter()
            .zip(&detection.flags)
            .all(|(c, flags)| (c.rows(), flags.len()) == (rows, rows));
    if !fits {
        return Err(
            ArrowError::InvalidArgumentError("flags and log do not have the same rows".to_owned()).into()
        );
    }
    let mut fields = vec![Field::new("time_s", DataType::Float64, false)];
    let mut taken = BTreeSet::from(["time_s".to_owned()]);
    for channel in &log.channels {
        let name = free(&channel.name, &mut taken);
        let role = [
            ("role".to_owned(), channel.role.name().to_owned()),
            ("unit".to_owned(), channel.unit.code.to_owned()),
        ];
        fields.push(Field::new(&name, DataType::Float64, true).with_metadata(HashMap::from(role)));
        let flag = free(&format!("{name}.flag"), &mut taken);
        fields.push(Field::new(flag, DataType::UInt8, false));
    }
    // A log like any other to who reads it: that it breaks off must stay with it.
    let metadata: HashMap<_, _> = marks(&log.source).into_iter().collect();
    Ok(Arc::new(Schema::new_with_metadata(fields, metadata)))
}

/// Rows of a column of [`table`]: time, then value and flag of each channel in turn.
fn part(log: &Log, detection: &Detection, index: usize, rows: Range<usize>) -> ArrayRef {
    let Some(at) = index.checked_sub(1) else {
        return Arc::new(Float64Array::from(log.clock.time_s[rows].to_vec()));
    };
    if at % 2 == 0 {
        Arc::new(logged(&log.channels[at / 2], rows))
    } else {
        let flags = detection.flags[at / 2].part(rows);
        Arc::new(UInt8Array::from_iter_values(flags.iter().map(|flag| flag.code())))
    }
}

/// Writes [`table`] as Parquet.
///
/// # Errors
/// Whatever [`table`] or the sink refuses.
pub fn write<W: Write + Send>(sink: W, log: &Log, detection: &Detection) -> Result<(), FlagsError> {
    let schema = schema(log, detection)?;
    let properties = WriterProperties::builder()
        .set_compression(checked_packing(schema.fields().len())?)
        .set_created_by(concat!("sondeproof ", env!("CARGO_PKG_VERSION")).to_owned())
        .build();
    let part = |index, rows| part(log, detection, index, rows);
    Ok(write_parquet(&schema, log.rows(), part, sink, properties)?)
}

/// Values in the log's own unit; null where the log holds none, and where they may tell a place.
fn logged(channel: &Channel, rows: Range<usize>) -> Float64Array {
    if channel.withheld {
        return Float64Array::new_null(rows.len());
    }
    let values: Vec<f64> = channel.part(rows).iter().map(|value| channel.logged(*value)).collect();
    // A conversion must not leave NaN behind: what is not finite is null.
    let finite = values.iter().map(|value| value.is_finite()).collect::<NullBuffer>();
    Float64Array::new(values.into(), Some(finite))
}

/// A column name nobody else has: two channels may be called `a` and `a.flag`.
fn free(name: &str, taken: &mut BTreeSet<String>) -> String {
    let mut candidate = name.to_owned();
    let mut number = 2;
    while !taken.insert(candidate.clone()) {
        candidate = format!("{name}.{number}");
        number += 1;
    }
    candidate
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::testing::Bench;
    use crate::log::Role;

    #[test]
    fn every_row_of_the_log_has_a_value_and_a_flag() {
        let mut bench = Bench::new(10.0, 4).values(Role::Lambda, vec![0.8, f64::NAN, 0.82, 0.83]);
        bench.log.channels[0].name = "time_s".to_owned();
        let detection = bench.run_all();
        let mut file = tempfile::tempfile().expect("file");
        write(&mut file, &bench.log, &detection).expect("written");
        let reader =
            parquet::arrow::arrow_reader::ParquetRecordBatchReader::try_new(file, 1024).expect("reader");
        let batch = reader.into_iter().next().expect("a batch").expect("read");
        let names: Vec<&str> = batch.schema_ref().fields().iter().map(|f| f.name().as_str()).collect();
        assert_eq!(names, ["time_s", "time_s.2", "time_s.2.flag"]);
        assert_eq!(batch.num_rows(), 4);
        assert!(batch.column(1).is_null(1), "missing is null, not NaN");
        let flags = batch.column(2).as_any().downcast_ref::<UInt8Array>().expect("UInt8");
        assert_eq!(flags.value(1), 9);
    }
}
