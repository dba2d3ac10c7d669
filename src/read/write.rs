//! Tables to files: Parquet and Arrow IPC with role, unit and source name in the field metadata.

use std::collections::HashSet;
use std::io::Write;
use std::ops::Range;
use std::path::Path;
use std::sync::Arc;

use arrow_array::cast::AsArray;
use arrow_array::types::{Float64Type, Int64Type, UInt8Type};
use arrow_array::{Array, ArrayRef, RecordBatch, RecordBatchOptions};
use arrow_ipc::CompressionType;
use arrow_ipc::writer::{FileWriter, IpcWriteOptions};
use arrow_schema::{ArrowError, DataType, Field, Schema};
use parquet::arrow::ArrowWriter;
use parquet::basic::{Compression, Encoding, GzipLevel, ZstdLevel};
use parquet::column::writer::ColumnWriter;
use parquet::data_type::ByteArray;
use parquet::errors::ParquetError;
use parquet::file::properties::{WriterProperties, WriterPropertiesBuilder};
use parquet::schema::types::ColumnPath;

use super::{Column, Source, Table, Values, arrow_file};
use crate::log::{Role, Unread};

/// Rows per batch of an Arrow IPC file.
const BATCH_ROWS: usize = 64 * 1024;
/// Cells of a batch of a wide table: a batch stands in memory whole, twice while it is packed.
const BATCH_CELLS: usize = 4 * 1024 * 1024;

/// Below this many rows a column is written without a dictionary: there is little to gain.
const DICTIONARY_ROWS: usize = 4096;

/// What a written column says of itself.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct FieldMeta {
    /// Role, by [`crate::log::Role::name`].
    pub role: Option<String>,
    /// Unit of the values as written.
    pub unit: Option<String>,
    /// Name in the log it came from.
    pub source_name: Option<String>,
}

/// File formats that can be written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FileFormat {
    /// Parquet, zstd.
    Parquet,
    /// Arrow IPC file (random access), zstd.
    ArrowIpc,
}

/// Why a table was not written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum WriteError {
    /// The file system refused.
    #[error(transparent)]
    Io(#[from] std::io::Error),
    /// The Arrow library refused.
    #[error(transparent)]
    Arrow(#[from] ArrowError),
    /// The Parquet library refused.
    #[error(transparent)]
    Parquet(#[from] ParquetError),
}

/// Writes a table as it was read: every column, every row, null where null. The file is the old one or the whole new
/// one, see [`crate::atomic::write`].
///
/// * `fields`: one per column in order; where it is shorter, or a member is absent, the table's own role, unit and
///   source name are written
///
/// # Errors
/// [`WriteError`] of the file system or of the format's library.
pub fn write_table(
    table: &Table,
    fields: &[FieldMeta],
    path: &Path,
    format: FileFormat,
) -> Result<(), WriteError> {
    let schema = Arc::new(schema(table, fields));
    crate::atomic::write(path, |writer| write_rows(table, &schema, writer, format))
}

/// Rows per batch of an Arrow IPC file with so many columns.
fn batch_rows(columns: usize) -> usize {
    (BATCH_CELLS / columns.max(1)).clamp(256, BATCH_ROWS)
}

fn schema(table: &Table, fields: &[FieldMeta]) -> Schema {
    let none = FieldMeta::default();
    let mut written: Vec<Field> = Vec::with_capacity(table.columns.len());
    for (index, column) in table.columns.iter().enumerate() {
        let stated = fields.get(index).unwrap_or(&none);
        let field = Field::new(&column.name, column.values.data_type().clone(), true);
        written.push(arrow_file::field_metadata(
            field,
            stated.role.as_deref().or(column.role.as_deref()),
            stated.unit.as_deref().or(column.unit.as_deref()),
            Some(stated.source_name.as_deref().unwrap_or(&column.source_name)),
        ));
    }
    let mut metadata = joined(&table.metadata);
    let mut source = table.source.clone();
    source.unread.extend(partly_read(table, fields));
    metadata.extend(marks(&source));
    Schema::new_with_metadata(written, metadata)
}

/// Mixture readings of which several cells held more than a number: the new file holds null in their place.
///
/// * `fields`: as for [`write_table`]
pub(crate) fn partly_read(table: &Table, fields: &[FieldMeta]) -> impl Iterator<Item = Unread> {
    let role = |index: usize, column: &Column| {
        let stated = fields.get(index).and_then(|field| field.role.clone());
        stated.or_else(|| column.role.clone()).and_then(|name| Role::from_name(&name))
    };
    let columns = table.columns.iter().enumerate();
    columns
        .filter(move |(index, column)| role(*index, column).is_some_and(Role::is_mixture))
        .filter_map(|(_, column)| column.partly_read())
}

/// What a file made of a log says of one that breaks off or of which columns are missing, as keys and values of its
/// metadata.
pub(crate) fn marks(source: &Source) -> Vec<(String, String)> {
    let cut = source.cut_short.as_ref().map(|cut| {
        let key = if cut.row_only { arrow_file::CUT_ROW_KEY } else { arrow_file::CUT_SHORT_KEY };
        (key.to_owned(), cut.why.clone())
    });
    let unread: Vec<[&str; 2]> = source.unread.iter().map(|one| [&*one.name, &*one.why]).collect();
    let unread = serde_json::to_string(&unread).ok().filter(|_| !unread.is_empty());
    cut.into_iter().chain(unread.map(|unread| (arrow_file::UNREAD_KEY.to_owned(), unread))).collect()
}

/// File metadata has one value per key; comment lines are joined.
fn joined(pairs: &[(String, String)]) -> std::collections::BTreeMap<String, String> {
    let mut map = std::collections::BTreeMap::new();
    for (key, value) in pairs {
        map.entry(key.clone())
            .and_modify(|text: &mut String| {
                text.push('\n');
                text.push_str(value);
            })
            .or_insert_with(|| value.clone());
    }
    map
}

/// Null slots of a table hold NaN; a reader that ignores the mask must not meet it, and zeros pack better. Made of a part of
/// a column at a time, so that no second copy of the columns stands in memory.
fn without_nan(values: &ArrayRef) -> ArrayRef {
    use arrow_array::Float64Array;
    let Some(floats) = values.as_primitive_opt::<Float64Type>() else { return Arc::clone(values) };
    let Some(nulls) = floats.nulls() else { return Arc::clone(values) };
    let clean: Vec<f64> = floats
        .values()
        .iter()
        .enumerate()
        .map(|(row, v)| if nulls.is_valid(row) { *v } else { 0.0 })
        .collect();
    Arc::new(Float64Array::new(clean.into(), Some(nulls.clone())))
}

/// Encodings that suit sensor data, column by column.
///
/// A channel of few different readings (a converter of ten bits, two printed decimals) packs best as a dictionary.
/// Where readings hardly repeat, as in a time column, the bytes of equal weight are laid side by side: signs, exponents
/// and leading digits then stand in long equal runs. Integers that hardly repeat are written as differences.
fn encodings(table: &Table, mut properties: WriterPropertiesBuilder) -> WriterPropertiesBuilder {
    if table.rows < DICTIONARY_ROWS {
        properties = properties.set_dictionary_enabled(false);
    }
    for column in &table.columns {
        let path = ColumnPath::from(vec![column.name.clone()]);
        let encoding = match column.values.data_type() {
            DataType::Float64 => Encoding::BYTE_STREAM_SPLIT,
            DataType::Int64 | DataType::Timestamp(..) => Encoding::DELTA_BINARY_PACKED,
            _ => continue,
        };
        properties = properties
            .set_column_dictionary_enabled(path.clone(), repeats(&column.values))
            .set_column_encoding(path, encoding);
    }
    properties
}

/// Whether a dictionary of the first batch's readings is at most a quarter of the readings.
fn repeats(values: &Values) -> bool {
    let rows = values.len().min(BATCH_ROWS);
    let first = without_nan(&values.part(0..rows));
    let distinct: HashSet<u64> = match first.data_type() {
        DataType::Float64 => {
            first.as_primitive::<Float64Type>().values().iter().map(|v| v.to_bits()).collect()
        }
        DataType::Int64 => {
            first.as_primitive::<Int64Type>().values().iter().map(|v| v.cast_unsigned()).collect()
        }
        _ => return false,
    };
    values.len() >= DICTIONARY_ROWS && distinct.len() * 4 <= rows
}

/// Columns up to which pages are packed with gzip. A packer takes 300 kB, and what the allocator keeps of them may add up: 1.2 GB
/// were seen for 4 000 columns.
const GZIP_COLUMNS: usize = 64;

/// How the pages of a Parquet file are packed: with gzip (RFC 1952), because its CRC-32 tells a page that was damaged on the
/// disk; the library writes no checksums of its own, and a bit that flips must not change a reading. The second level
/// packs logs as small as the sixth does. A file of very many columns goes without.
///
/// # Errors
/// None: the levels exist.
pub(crate) fn checked_packing(columns: usize) -> Result<Compression, ParquetError> {
    Ok(if columns <= GZIP_COLUMNS {
        Compression::GZIP(GzipLevel::try_new(2)?)
    } else {
        Compression::ZSTD(ZstdLevel::try_new(3)?)
    })
}

/// Writes Parquet column by column and part by part, so that the tables and buffers of one column stand in memory at a time,
/// and of values that are made for it only a part.
///
/// * `part`: rows of a column by its index
///
/// # Errors
/// What the library or the sink refuses, and a column of a type that neither a table nor the flags hold.
pub(crate) fn write_parquet(
    schema: &Arc<Schema>,
    rows: usize,
    part: impl Fn(usize, Range<usize>) -> ArrayRef,
    sink: impl Write + Send,
    properties: WriterProperties,
) -> Result<(), ParquetError> {
    let group_rows = properties.max_row_group_row_count().unwrap_or(usize::MAX);
    let writer = ArrowWriter::try_new(sink, Arc::clone(schema), Some(properties))?;
    let (mut file, _) = writer.into_serialized_writer()?;
    for from in (0..rows).step_by(group_rows) {
        let of_group = from..rows.min(from.saturating_add(group_rows));
        let mut group = file.next_row_group()?;
        for (index, field) in schema.fields().iter().enumerate() {
            let Some(mut column) = group.next_column()? else { break };
            for from in of_group.clone().step_by(BATCH_ROWS) {
                write_part(column.untyped(), field, &part(index, from..of_group.end.min(from + BATCH_ROWS)))?;
            }
            column.close()?;
        }
        group.close()?;
    }
    file.close()?;
    Ok(())
}

/// Adds values to a column.
fn write_part(column: &mut ColumnWriter<'_>, field: &Field, values: &ArrayRef) -> Result<(), ParquetError> {
    let valid = |row: &usize| values.is_valid(*row);
    let rows = || (0..values.len()).filter(valid);
    // A column that may hold nulls says of each row whether it holds a value.
    let levels: Option<Vec<i16>> =
        field.is_nullable().then(|| (0..values.len()).map(|row| i16::from(valid(&row))).collect());
    let levels = levels.as_deref();
    let written = match (column, values.data_type()) {
        (ColumnWriter::DoubleColumnWriter(column), DataType::Float64) => {
            let values = values.as_primitive::<Float64Type>();
            let values: Vec<f64> = rows().map(|row| values.value(row)).collect();
            column.write_batch(&values, levels, None)
        }
        (ColumnWriter::Int64ColumnWriter(column), DataType::Int64 | DataType::Timestamp(..)) => {
            let values =
                arrow_array::make_array(values.to_data().into_builder().data_type(DataType::Int64).build()?);
            let values = values.as_primitive::<Int64Type>();
            let values: Vec<i64> = rows().map(|row| values.value(row)).collect();
            column.write_batch(&values, levels, None)
        }
        (ColumnWriter::Int32ColumnWriter(column), DataType::UInt8) => {
            let values = values.as_primitive::<UInt8Type>();
            let values: Vec<i32> = rows().map(|row| i32::from(values.value(row))).collect();
            column.write_batch(&values, levels, None)
        }
        (ColumnWriter::BoolColumnWriter(column), DataType::Boolean) => {
            let values = values.as_boolean();
            let values: Vec<bool> = rows().map(|row| values.value(row)).collect();
            column.write_batch(&values, levels, None)
        }
        (ColumnWriter::ByteArrayColumnWriter(column), DataType::Utf8) => {
            let values = values.as_string::<i32>();
            let values: Vec<ByteArray> = rows().map(|row| values.value(row).into()).collect();
            column.write_batch(&values, levels, None)
        }
        (_, other) => Err(ParquetError::NYI(format!("a column of {other}"))),
    };
    written.map(|_| ())
}

/// Writes the rows a part at a time: no second copy of the columns stands in memory.
fn write_rows(
    table: &Table,
    schema: &Arc<Schema>,
    writer: &mut (impl Write + Send),
    format: FileFormat,
) -> Result<(), WriteError> {
    match format {
        FileFormat::Parquet => {
            let properties = WriterProperties::builder()
                .set_compression(checked_packing(schema.fields().len())?)
                .set_created_by(concat!("sondeproof ", env!("CARGO_PKG_VERSION")).to_owned());
            let part = |index: usize, rows: Range<usize>| table.columns[index].values.part(rows);
            let properties = encodings(table, properties).build();
            write_parquet(schema, table.rows, part, &mut *writer, properties)?;
        }
        FileFormat::ArrowIpc => {
            let options = IpcWriteOptions::default().try_with_compression(Some(CompressionType::ZSTD))?;
            let mut ipc = FileWriter::try_new_with_options(&mut *writer, schema, options)?;
            let batch = batch_rows(table.columns.len());
            for from in (0..table.rows).step_by(batch) {
                let rows = from..table.rows.min(from + batch);
                let part = |column: &Column| without_nan(&column.values.part(rows.clone()));
                let columns = table.columns.iter().map(part).collect();
                let count = RecordBatchOptions::new().with_row_count(Some(rows.len()));
                ipc.write(&RecordBatch::try_new_with_options(Arc::clone(schema), columns, &count)?)?;
            }
            ipc.finish()?;
        }
    }
    writer.flush()?;
    Ok(())
}
