//! Parquet files, decoded in batches whose size in memory is known before they are.
//!
//! A few bytes of a file can stand for gigabytes: a dictionary names one long value in every row, a value can repeat the
//! one before it, a run of equal numbers takes no room. So text is read as views into its pages, and a batch has as many
//! rows as fit however long its values turn out.

use std::sync::Arc;

use arrow_schema::{DataType, Field, Schema};
use bytes::Bytes;
use parquet::arrow::ProjectionMask;
use parquet::arrow::arrow_reader::{
    ArrowReaderMetadata, ArrowReaderOptions, ParquetRecordBatchReaderBuilder,
};
use parquet::basic::{Encoding, Type};
use parquet::column::page::PageReader;
use parquet::errors::ParquetError;
use parquet::file::metadata::{ParquetMetaData, RowGroupMetaData};
use parquet::file::serialized_reader::SerializedPageReader;

use super::arrow_column::written_out;
use super::arrow_file::{Batches, Broken, collect, finish, guarded_batches, is_unreadable, schema_metadata};
use super::limits::{Allowance, BATCH_BYTES, Room};
use super::{ReadError, Table, parquet_claim};
use crate::log::Source;

/// Most rows per batch: more gain nothing.
const BATCH_ROWS: u64 = 64 * 1024;
/// Bytes of a number, or of a view of a text.
const NUMBER_BYTES: u64 = 8;
const VIEW_BYTES: u64 = 16;

/// Reads a Parquet file.
///
/// # Errors
/// [`ReadError::Content`] when the file is damaged, holds nested columns or no rows, or expands beyond the limits.
pub(super) fn read(source: Source, bytes: Vec<u8>, allowance: Allowance) -> Result<Table, ReadError> {
    let found = guarded_batches(|| {
        let bytes = Bytes::from(bytes);
        let footer = Arc::new(parquet_claim::footer(&bytes)?);
        let stated = ArrowReaderMetadata::try_new(footer, ArrowReaderOptions::new())?;
        let metadata = schema_metadata(stated.schema());
        let most = allowance.columns();
        let claims = stated.metadata().row_groups().iter().flat_map(RowGroupMetaData::columns);
        let claimed =
            claims.fold(0, |sum: u64, chunk| sum.saturating_add(chunk.uncompressed_size().max(0) as u64));
        if claimed > most {
            return Err(Broken::TooLarge(allowance.words(most)));
        }
        let schema = Arc::new(in_views(stated.schema()));
        if is_unreadable(&schema) {
            return Ok(Batches { schema, records: Vec::new(), metadata, broken: None });
        }
        let options = ArrowReaderOptions::new().with_schema(Arc::clone(&schema));
        let viewed = ArrowReaderMetadata::try_new(Arc::clone(stated.metadata()), options)?;
        let width = row_bytes(&bytes, viewed.metadata(), &schema)?;
        // Runs of equal numbers take no room in a file: all rows are counted before the first one is decoded.
        let all = stated
            .metadata()
            .row_groups()
            .iter()
            .fold(0, |sum: u64, group| sum.saturating_add(group.num_rows().max(0) as u64));
        if all.saturating_mul(NUMBER_BYTES * schema.fields().len() as u64) > most {
            return Err(Broken::TooLarge(allowance.words(most)));
        }
        let rows = (BATCH_BYTES / width.max(1)).clamp(1, BATCH_ROWS) as usize;
        count_texts(&bytes, &viewed, rows, Room::of_texts(allowance))?;
        let reader = ParquetRecordBatchReaderBuilder::new_with_metadata(bytes, viewed);
        collect(schema, metadata, reader.with_batch_size(rows).build()?, allowance, false)
    });
    finish(source, "Parquet", found, Room::of_texts(allowance))
}

/// Counts the texts of all rows, none of which is held: rows may share one long text.
fn count_texts(
    bytes: &Bytes,
    viewed: &ArrowReaderMetadata,
    rows: usize,
    mut room: Room,
) -> Result<(), Broken> {
    let is_text = |of: &DataType| matches!(of, DataType::Utf8View | DataType::BinaryView);
    let fields = viewed.schema().fields().iter().enumerate();
    let texts: Vec<usize> =
        fields.filter(|(_, field)| is_text(field.data_type())).map(|(index, _)| index).collect();
    if texts.is_empty() {
        return Ok(());
    }
    let projection = ProjectionMask::roots(viewed.parquet_schema(), texts);
    let reader = ParquetRecordBatchReaderBuilder::new_with_metadata(bytes.clone(), viewed.clone());
    for batch in reader.with_projection(projection).with_batch_size(rows).build()? {
        for column in batch?.columns() {
            room.take(written_out(column)).map_err(Broken::TooLarge)?;
        }
    }
    Ok(())
}

/// The schema with text and bytes as views; dictionaries as what they hold.
fn in_views(schema: &Schema) -> Schema {
    fn view(of: &DataType) -> DataType {
        match of {
            DataType::Utf8 | DataType::LargeUtf8 => DataType::Utf8View,
            DataType::Binary | DataType::LargeBinary => DataType::BinaryView,
            DataType::Dictionary(_, values) => view(values),
            of => of.clone(),
        }
    }
    let viewed = |field: &Arc<Field>| field.as_ref().clone().with_data_type(view(field.data_type()));
    Schema::new_with_metadata(
        schema.fields().iter().map(viewed).collect::<Vec<_>>(),
        schema.metadata().clone(),
    )
}

/// The most bytes that a row can take in memory; the columns are not nested.
fn row_bytes(bytes: &Bytes, metadata: &ParquetMetaData, schema: &Schema) -> Result<u64, ParquetError> {
    let columns = metadata.file_metadata().schema_descr().columns();
    let file = Arc::new(bytes.clone());
    let mut sum: u64 = 0;
    for (index, (column, field)) in columns.iter().zip(schema.fields()).enumerate() {
        let width = match column.physical_type() {
            Type::FIXED_LEN_BYTE_ARRAY => u64::try_from(column.type_length()).unwrap_or(0).max(VIEW_BYTES),
            Type::BYTE_ARRAY => {
                let view = matches!(field.data_type(), DataType::Utf8View | DataType::BinaryView);
                longest_copy(&file, metadata, index, view)?.max(VIEW_BYTES)
            }
            _ => NUMBER_BYTES,
        };
        sum = sum.saturating_add(width);
    }
    Ok(sum)
}

/// The longest value of a column of which every row gets a copy: no longer than the page it stands in. What the pages
/// say counts, not what the footer says of them.
fn longest_copy(
    file: &Arc<Bytes>,
    metadata: &ParquetMetaData,
    column: usize,
    view: bool,
) -> Result<u64, ParquetError> {
    let mut longest = 0;
    for group in metadata.row_groups() {
        let rows = usize::try_from(group.num_rows()).unwrap_or(0);
        let mut pages = SerializedPageReader::new(Arc::clone(file), group.column(column), rows, None)?;
        while let Some(page) = pages.get_next_page()? {
            if !view || page.encoding() == Encoding::DELTA_BYTE_ARRAY {
                longest = longest.max(page.buffer().len() as u64);
            }
        }
    }
    Ok(longest)
}
