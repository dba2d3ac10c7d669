//! Arrow IPC files and record batches to tables.

use std::io::Cursor;
use std::sync::Arc;

use arrow_array::cast::AsArray;
use arrow_array::types::{
    Date32Type, Date64Type, Decimal32Type, Decimal64Type, Decimal128Type, Decimal256Type,
    DurationMicrosecondType, DurationMillisecondType, DurationNanosecondType, DurationSecondType,
    Float16Type, Float32Type, Float64Type, Int8Type, Int16Type, Int32Type, Time32MillisecondType,
    Time32SecondType, Time64MicrosecondType, Time64NanosecondType, UInt8Type, UInt16Type, UInt32Type,
    UInt64Type,
};
use arrow_array::{
    Array, ArrayRef, ArrowPrimitiveType, Float64Array, Int64Array, PrimitiveArray, RecordBatch, StringArray,
    TimestampMillisecondArray, TimestampSecondArray, new_null_array,
};
use arrow_buffer::ScalarBuffer;
use arrow_ipc::reader::{FileReader, StreamReader};
use arrow_ipc::writer::StreamWriter;
use arrow_schema::{ArrowError, DataType, Field, SchemaRef, TimeUnit};
use sha2::{Digest, Sha256};

use super::arrow_claim::{self, Wrong};
use super::cells::nulls_of;
use super::header::{self, Heading};
use super::limits::{Allowance, COLUMNS_MOST, Room};
use super::{Column, Place, ReadError, Table, content_error};
use crate::guard::guarded;
use crate::log::{CutShort, Note, Source};

/// Key of a column's role in the field metadata of a file.
pub const ROLE_KEY: &str = "role";
/// Key of a column's unit.
pub const UNIT_KEY: &str = "unit";
/// Key of the column's name in the log it came from.
pub const SOURCE_NAME_KEY: &str = "source_name";

/// Key of the file's metadata under which a log that breaks off says so once it is converted: all of its data.
pub(super) const CUT_SHORT_KEY: &str = "sondeproof:cut_short";
/// The same where only the last row was broken.
pub(super) const CUT_ROW_KEY: &str = "sondeproof:cut_row";

/// How a file's metadata say that the log it was made from breaks off.
fn cut_before(metadata: &[(String, String)]) -> Option<CutShort> {
    let of = |wanted: &str| metadata.iter().find(|(key, _)| key == wanted).map(|(_, why)| why.clone());
    let whole = of(CUT_SHORT_KEY).map(|why| CutShort { why, row_only: false });
    whole.or_else(|| Some(CutShort { why: of(CUT_ROW_KEY)?, row_only: true }))
}

/// Digits of a decimal that a double holds exactly.
const EXACT_DIGITS: u8 = 15;

/// What to do about a file that expands beyond its limit.
pub(super) const MORE_ROOM: &str =
    "split the file, write fewer columns, or set `unpacked_limit_mb` in the rig file";

/// What a file holds, as its format's library gives it.
pub(super) struct Batches {
    pub(super) schema: SchemaRef,
    pub(super) records: Vec<RecordBatch>,
    pub(super) metadata: Vec<(String, String)>,
    /// What stopped the reading after some batches.
    pub(super) broken: Option<String>,
}

/// Reads an Arrow IPC file or stream. A stream that breaks off gives the batches before.
///
/// # Errors
/// [`ReadError::Content`] when the file is damaged, holds nested columns or no rows, or expands beyond the limits.
pub(super) fn read_ipc(source: Source, mut bytes: Vec<u8>, allowance: Allowance) -> Result<Table, ReadError> {
    let stream = !bytes.starts_with(b"ARROW1");
    let found = guarded_batches(|| {
        let most = allowance.texts();
        let broken = |wrong| match wrong {
            Wrong::Damaged(words) => Broken::Damaged(words.to_owned()),
            Wrong::TooLarge => Broken::TooLarge(allowance.words(most)),
        };
        if stream {
            let whole = arrow_claim::whole_messages(&bytes, most).map_err(broken)?;
            let cut = bytes.len() - whole;
            bytes.truncate(whole);
            let reader = StreamReader::try_new(Cursor::new(bytes), None)?;
            let schema = reader.schema();
            let metadata = schema_metadata(&schema);
            let mut found = collect(schema, metadata, reader, allowance, true)?;
            if cut > 0 && found.broken.is_none() {
                found.broken = Some(format!("the last {cut} bytes are part of a message"));
            }
            return Ok(found);
        }
        arrow_claim::check_file(&bytes, most).map_err(broken)?;
        let reader = FileReader::try_new(Cursor::new(bytes), None)?;
        let schema = reader.schema();
        let mut metadata = schema_metadata(&schema);
        let mut custom: Vec<_> =
            reader.custom_metadata().iter().map(|(k, v)| (k.clone(), v.clone())).collect();
        custom.sort();
        metadata.extend(custom);
        collect(schema, metadata, reader, allowance, false)
    });
    finish(source, "Arrow IPC", found, Room::of_texts(allowance))
}

/// Makes a table of record batches that another program hands over.
///
/// * `name`: for messages and for [`Source`], whose digest is of the batches as an Arrow IPC stream
///
/// # Errors
/// [`ReadError::Content`] when the batches hold nested columns or no rows, or cannot be written as a stream.
pub fn from_batches(name: &str, schema: &SchemaRef, records: Vec<RecordBatch>) -> Result<Table, ReadError> {
    let mut sink = Digesting { digest: Sha256::new(), bytes: 0 };
    let digested = StreamWriter::try_new(&mut sink, schema).and_then(|mut writer| {
        records.iter().try_for_each(|batch| writer.write(batch))?;
        writer.finish()
    });
    let source = Source {
        path: name.to_owned(),
        sha256: super::hexadecimal(&sink.digest.finalize()),
        bytes: sink.bytes,
        format: "arrow".to_owned(),
        cut_short: None,
    };
    let metadata = schema_metadata(schema);
    let found = digested
        .map(|()| Batches { schema: Arc::clone(schema), records, metadata, broken: None })
        .map_err(Broken::from);
    finish(source, "Arrow", found, Room::in_memory())
}

/// Where a stream is only digested and counted.
struct Digesting {
    digest: Sha256,
    bytes: u64,
}

impl std::io::Write for Digesting {
    fn write(&mut self, part: &[u8]) -> std::io::Result<usize> {
        self.digest.update(part);
        self.bytes += part.len() as u64;
        Ok(part.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

/// A reader's result, where a panic of it is damage of the file.
pub(super) fn guarded_batches(read: impl FnOnce() -> Result<Batches, Broken>) -> Result<Batches, Broken> {
    guarded(read).unwrap_or_else(|words| Err(Broken::Damaged(words)))
}

/// Why a file gave no batches.
pub(super) enum Broken {
    Damaged(String),
    /// The limit in words.
    TooLarge(String),
}

impl From<ArrowError> for Broken {
    fn from(error: ArrowError) -> Self {
        Self::Damaged(error.to_string())
    }
}

impl From<parquet::errors::ParquetError> for Broken {
    fn from(error: parquet::errors::ParquetError) -> Self {
        Self::Damaged(error.to_string())
    }
}

/// What the schema says beside its columns, sorted.
pub(super) fn schema_metadata(schema: &SchemaRef) -> Vec<(String, String)> {
    // The writer's own copy of the schema says nothing to people.
    let mut pairs: Vec<(String, String)> = schema
        .metadata()
        .iter()
        .filter(|(key, _)| *key != "ARROW:schema" && *key != "pandas")
        .map(|(key, value)| (key.clone(), value.clone()))
        .collect();
    pairs.sort();
    pairs
}

/// Whether [`finish`] refuses the columns for what they are: then their data need not be read.
pub(super) fn is_unreadable(schema: &SchemaRef) -> bool {
    schema.fields().len() > COLUMNS_MOST || schema.fields().iter().any(|field| is_nested(field.data_type()))
}

/// All batches of a reader, while they stay within the limits.
///
/// * `keep_part`: whether batches before a damaged one are kept
pub(super) fn collect(
    schema: SchemaRef,
    metadata: Vec<(String, String)>,
    reader: impl Iterator<Item = Result<RecordBatch, ArrowError>>,
    allowance: Allowance,
    keep_part: bool,
) -> Result<Batches, Broken> {
    let mut found = Batches { schema, records: Vec::new(), metadata, broken: None };
    if is_unreadable(&found.schema) {
        return Ok(found);
    }
    let mut room = Room::new(allowance);
    for batch in reader {
        match batch {
            Ok(batch) => {
                // A column of nothing has no memory of its own, but will have once it is numbers.
                let cells = (batch.num_rows() as u64).saturating_mul(batch.num_columns() as u64);
                let held = (batch.get_array_memory_size() as u64).max(cells.saturating_mul(8));
                room.take(held).map_err(Broken::TooLarge)?;
                found.records.push(batch);
            }
            Err(error) if keep_part && !found.records.is_empty() => {
                found.broken = Some(error.to_string());
                break;
            }
            Err(error) => return Err(error.into()),
        }
    }
    Ok(found)
}

/// Batches to a table.
///
/// # Errors
/// [`ReadError::Content`] with the place of what cannot be read.
pub(super) fn finish(
    source: Source,
    kind: &str,
    found: Result<Batches, Broken>,
    mut room: Room,
) -> Result<Table, ReadError> {
    let path = source.path.clone();
    let found = match found {
        Ok(found) => found,
        Err(Broken::Damaged(words)) => {
            let words = words.lines().next().unwrap_or_default();
            let problem = format!("the {kind} data are damaged or use a feature that cannot be read");
            let help = "copy the file again from where it was recorded, or write it anew";
            return Err(content_error(&path, Place::default(), &problem, words, help));
        }
        Err(Broken::TooLarge(limit)) => {
            let problem = format!("the {kind} data expand to more than {limit}");
            let found = "a file that is not what it seems";
            return Err(content_error(&path, Place::default(), &problem, found, MORE_ROOM));
        }
    };
    let rows: usize = found.records.iter().map(RecordBatch::num_rows).sum();
    let mut notes: Vec<Note> = Vec::new();
    let mut cut_short = cut_before(&found.metadata);
    if let Some(error) = &found.broken {
        let text = format!("the {kind} data break off after {rows} rows ({error})");
        cut_short = Some(CutShort { why: text.clone(), row_only: false });
        notes.push(Note { line: None, channel: None, text });
    }
    if found.schema.fields().is_empty() {
        return Err(content_error(&path, Place::default(), "the file has no columns", kind, "write it anew"));
    }
    super::check_columns(&path, found.schema.fields().len())?;
    let (headings, heading_notes) = headings(&found.schema);
    notes.extend(heading_notes.into_iter().map(|text| Note { line: None, channel: None, text }));
    let refuse = |index: usize, no: NotSimple| {
        let name = found.schema.fields().get(index).map(|field| field.name().clone()).unwrap_or_default();
        let place = Place { line: None, column: Some((index, name)) };
        content_error(&path, place, &no.problem, &no.found, no.help)
    };
    // All columns are counted before one of them is written out.
    for index in 0..headings.len() {
        take_room(&found.records, index, &mut room).map_err(|no| refuse(index, no))?;
    }
    let mut columns = Vec::with_capacity(headings.len());
    for (index, (field, heading)) in found.schema.fields().iter().zip(headings).enumerate() {
        let simple = guarded_column(&found.records, index, field.data_type());
        let simple = simple.map_err(|no| refuse(index, no))?;
        notes.extend(simple.note.map(|text| Note { line: None, channel: Some(heading.name.clone()), text }));
        columns.push(Column {
            role: field.metadata().get(ROLE_KEY).cloned(),
            unit: heading.unit.or(simple.unit.map(str::to_owned)),
            name: heading.name,
            source_name: heading.source_name,
            values: simple.values,
            unreadable: Vec::new(),
        });
    }
    if rows == 0 {
        return Err(content_error(
            &path,
            Place::default(),
            "the file has columns and no row of data",
            kind,
            "record it again",
        ));
    }
    let source = Source { cut_short, ..source };
    Ok(Table { source, columns, rows, restarts: Vec::new(), metadata: found.metadata, notes })
}

/// Names, units and source names from the field metadata; without a stated unit, the name is searched for one.
fn headings(schema: &SchemaRef) -> (Vec<Heading>, Vec<String>) {
    let mut headings: Vec<Heading> = schema
        .fields()
        .iter()
        .map(|field| {
            let stated = |key: &str| field.metadata().get(key).filter(|text| !text.is_empty()).cloned();
            let described =
                [UNIT_KEY, SOURCE_NAME_KEY, ROLE_KEY].iter().any(|key| field.metadata().contains_key(key));
            let (name, unit) = if described {
                (field.name().clone(), stated(UNIT_KEY))
            } else {
                header::name_and_unit(field.name())
            };
            Heading {
                unnamed: name.is_empty(),
                source_name: stated(SOURCE_NAME_KEY).unwrap_or_else(|| field.name().clone()),
                name,
                unit,
            }
        })
        .collect();
    let mut notes = Vec::new();
    header::make_unique(&mut headings, &mut notes);
    (headings, notes.into_iter().map(|(_, text)| text).collect())
}

struct Simple {
    values: ArrayRef,
    /// What the type itself says the unit is.
    unit: Option<&'static str>,
    note: Option<String>,
}

struct NotSimple {
    problem: String,
    found: String,
    help: &'static str,
}

impl NotSimple {
    fn new(problem: &str, found: String) -> Self {
        let help = "write the file anew with one plain column per channel";
        Self { problem: problem.to_owned(), found, help }
    }

    fn damaged(found: String) -> Self {
        Self::new("the column's data are damaged", found)
    }
}

impl From<ArrowError> for NotSimple {
    fn from(error: ArrowError) -> Self {
        Self::damaged(error.to_string())
    }
}

/// One column of all batches in a simple type, where a panic is damage of the column.
fn guarded_column(batches: &[RecordBatch], index: usize, of: &DataType) -> Result<Simple, NotSimple> {
    let work = || {
        if is_nested(of) {
            return Err(unsupported(of));
        }
        let parts: Vec<&dyn Array> = parts(batches, index).map(AsRef::as_ref).collect();
        let whole = match parts.as_slice() {
            [] => new_null_array(of, 0),
            parts => arrow_select::concat::concat(parts)?,
        };
        simplify(&whole)
    };
    guarded(work).unwrap_or_else(|_| Err(NotSimple::damaged(of.to_string())))
}

fn parts(batches: &[RecordBatch], index: usize) -> impl Iterator<Item = &ArrayRef> {
    batches.iter().filter_map(move |batch| batch.columns().get(index))
}

/// Takes what a column needs once every row has a value of its own: one long value may stand in each of them.
fn take_room(batches: &[RecordBatch], index: usize, room: &mut Room) -> Result<(), NotSimple> {
    // Text stays where it is.
    for part in parts(batches, index).filter(|part| *part.data_type() != DataType::Utf8) {
        let bytes = guarded(|| written_out(part));
        let bytes = bytes.map_err(|_| NotSimple::damaged(part.data_type().to_string()))?;
        room.take(bytes).map_err(|limit| NotSimple {
            problem: format!("the columns expand to more than {limit}"),
            found: "values repeated in row after row".to_owned(),
            help: MORE_ROOM,
        })?;
    }
    Ok(())
}

/// Bytes that an array takes beyond what stands in memory already, once every row has a value of its own.
pub(super) fn written_out(array: &dyn Array) -> u64 {
    lengths(array).into_iter().fold(0, u64::saturating_add)
}

/// Bytes that each value takes beyond what stands in memory already.
fn lengths(array: &dyn Array) -> Vec<u64> {
    fn of<T: AsRef<[u8]>>(values: impl Iterator<Item = Option<T>>, times: u64) -> Vec<u64> {
        values.map(|value| value.map_or(0, |value| value.as_ref().len() as u64 * times)).collect()
    }
    match array.data_type() {
        DataType::Utf8 => of(array.as_string::<i32>().iter(), 1),
        DataType::LargeUtf8 => of(array.as_string::<i64>().iter(), 1),
        DataType::Utf8View => of(array.as_string_view().iter(), 1),
        // Each byte may become two digits.
        DataType::Binary => of(array.as_binary::<i32>().iter(), 2),
        DataType::LargeBinary => of(array.as_binary::<i64>().iter(), 2),
        DataType::BinaryView => of(array.as_binary_view().iter(), 2),
        DataType::FixedSizeBinary(_) => of(array.as_fixed_size_binary().iter(), 2),
        DataType::Dictionary(_, _) => {
            let dictionary = array.as_any_dictionary();
            let lengths = lengths(dictionary.values().as_ref());
            let keys = if lengths.is_empty() { Vec::new() } else { dictionary.normalized_keys() };
            keys.iter().map(|key| 8 + lengths.get(*key).copied().unwrap_or(0)).collect()
        }
        _ => Vec::new(),
    }
}

fn is_nested(of: &DataType) -> bool {
    match of {
        DataType::Dictionary(_, values) => is_nested(values),
        of => of.is_nested(),
    }
}

fn unsupported(of: &DataType) -> NotSimple {
    let problem =
        if is_nested(of) { "the column holds nested values" } else { "the column's type is not supported" };
    NotSimple::new(problem, of.to_string())
}

fn simplify(array: &ArrayRef) -> Result<Simple, NotSimple> {
    let plain = |values: ArrayRef| Ok(Simple { values, unit: None, note: None });
    match array.data_type() {
        DataType::Null => plain(new_null_array(&DataType::Float64, array.len())),
        DataType::Boolean | DataType::Utf8 | DataType::Timestamp(_, _) | DataType::Int64 => {
            plain(Arc::clone(array))
        }
        DataType::Int8 => plain(widened::<Int8Type>(array)),
        DataType::Int16 => plain(widened::<Int16Type>(array)),
        DataType::Int32 => plain(widened::<Int32Type>(array)),
        DataType::UInt8 => plain(widened::<UInt8Type>(array)),
        DataType::UInt16 => plain(widened::<UInt16Type>(array)),
        DataType::UInt32 => plain(widened::<UInt32Type>(array)),
        DataType::UInt64 => Ok(unsigned(array)),
        DataType::Float16 => Ok(floats(array.as_primitive::<Float16Type>(), f64::from)),
        DataType::Float32 => Ok(floats(array.as_primitive::<Float32Type>(), f64::from)),
        DataType::Float64 => Ok(doubles(array)),
        DataType::Decimal32(digits, scale) => Ok(decimals(array, *digits, *scale, |row| {
            array.as_primitive::<Decimal32Type>().value_as_string(row)
        })),
        DataType::Decimal64(digits, scale) => Ok(decimals(array, *digits, *scale, |row| {
            array.as_primitive::<Decimal64Type>().value_as_string(row)
        })),
        DataType::Decimal128(digits, scale) => Ok(decimals(array, *digits, *scale, |row| {
            array.as_primitive::<Decimal128Type>().value_as_string(row)
        })),
        DataType::Decimal256(digits, scale) => Ok(decimals(array, *digits, *scale, |row| {
            array.as_primitive::<Decimal256Type>().value_as_string(row)
        })),
        DataType::Date32 => {
            let days = array.as_primitive::<Date32Type>();
            let seconds: Vec<i64> = days.values().iter().map(|day| i64::from(*day) * 86_400).collect();
            plain(Arc::new(TimestampSecondArray::new(seconds.into(), days.nulls().cloned())))
        }
        DataType::Date64 => {
            let dates = array.as_primitive::<Date64Type>();
            plain(Arc::new(TimestampMillisecondArray::new(dates.values().clone(), dates.nulls().cloned())))
        }
        DataType::Time32(TimeUnit::Second) => Ok(timed(widened::<Time32SecondType>(array), "s")),
        DataType::Time32(_) => Ok(timed(widened::<Time32MillisecondType>(array), "ms")),
        DataType::Time64(TimeUnit::Microsecond) => Ok(timed(widened::<Time64MicrosecondType>(array), "us")),
        DataType::Time64(_) => Ok(timed(widened::<Time64NanosecondType>(array), "ns")),
        DataType::Duration(TimeUnit::Second) => Ok(timed(widened::<DurationSecondType>(array), "s")),
        DataType::Duration(TimeUnit::Millisecond) => {
            Ok(timed(widened::<DurationMillisecondType>(array), "ms"))
        }
        DataType::Duration(TimeUnit::Microsecond) => {
            Ok(timed(widened::<DurationMicrosecondType>(array), "us"))
        }
        DataType::Duration(TimeUnit::Nanosecond) => Ok(timed(widened::<DurationNanosecondType>(array), "ns")),
        DataType::LargeUtf8 => strings(array.as_string::<i64>().iter()),
        DataType::Utf8View => strings(array.as_string_view().iter()),
        DataType::Binary => bytes(array.as_binary::<i32>().iter()),
        DataType::LargeBinary => bytes(array.as_binary::<i64>().iter()),
        DataType::BinaryView => bytes(array.as_binary_view().iter()),
        DataType::FixedSizeBinary(_) => bytes(array.as_fixed_size_binary().iter()),
        DataType::Dictionary(_, _) => {
            let dictionary = array.as_any_dictionary();
            let values = arrow_select::take::take(dictionary.values().as_ref(), dictionary.keys(), None)?;
            simplify(&values)
        }
        of => Err(unsupported(of)),
    }
}

fn timed(values: ArrayRef, unit: &'static str) -> Simple {
    Simple { values, unit: Some(unit), note: None }
}

fn widened<T>(array: &ArrayRef) -> ArrayRef
where
    T: ArrowPrimitiveType,
    i64: From<T::Native>,
{
    let narrow = array.as_primitive::<T>();
    let values: Vec<i64> = narrow.values().iter().map(|value| i64::from(*value)).collect();
    Arc::new(Int64Array::new(values.into(), narrow.nulls().cloned()))
}

fn unsigned(array: &ArrayRef) -> Simple {
    let values = array.as_primitive::<UInt64Type>();
    let fits: Option<Vec<Option<i64>>> =
        values.iter().map(|value| value.map_or(Some(None), |v| i64::try_from(v).ok().map(Some))).collect();
    match fits {
        Some(values) => Simple { values: Arc::new(Int64Array::from(values)), unit: None, note: None },
        None => Simple {
            values: Arc::new(
                values.iter().map(|value| value.map(|v| v.to_string())).collect::<StringArray>(),
            ),
            unit: None,
            note: Some("some integers need 64 bits without a sign; the column was kept as text".to_owned()),
        },
    }
}

fn floats<T: ArrowPrimitiveType>(array: &PrimitiveArray<T>, widen: impl Fn(T::Native) -> f64) -> Simple {
    let values: Vec<f64> = array.values().iter().map(|value| widen(*value)).collect();
    masked(values.into(), array)
}

fn doubles(array: &ArrayRef) -> Simple {
    let array = array.as_primitive::<Float64Type>();
    masked(array.values().clone(), array)
}

/// Not-a-number and infinity become null: they are "no value" in a log. Null slots hold NaN.
fn masked(values: ScalarBuffer<f64>, array: &dyn Array) -> Simple {
    let rows = values.len();
    let nan = (0..rows).filter(|row| array.is_valid(*row) && values[*row].is_nan()).count();
    let infinite = (0..rows).filter(|row| array.is_valid(*row) && values[*row].is_infinite()).count();
    let clean = |row: usize| array.is_valid(row) && values[row].is_finite();
    let nulls = nulls_of(rows, clean);
    let values = match &nulls {
        None => values,
        Some(_) => (0..rows).map(|row| if clean(row) { values[row] } else { f64::NAN }).collect(),
    };
    let words = [(nan, "not-a-number"), (infinite, "infinite")];
    let told: Vec<String> = words
        .iter()
        .filter(|(count, _)| *count > 0)
        .map(|(count, word)| format!("{count} values are {word}"))
        .collect();
    let note = (!told.is_empty()).then(|| format!("{}; they count as missing", told.join(" and ")));
    Simple { values: Arc::new(Float64Array::new(values, nulls)), unit: None, note }
}

fn decimals(array: &ArrayRef, digits: u8, scale: i8, text: impl Fn(usize) -> String) -> Simple {
    let rows = array.len();
    let cell = |row: usize| array.is_valid(row).then(|| text(row));
    if scale <= 0 {
        let integers: Option<Vec<Option<i64>>> =
            (0..rows).map(|row| cell(row).map_or(Some(None), |text| text.parse().ok().map(Some))).collect();
        if let Some(integers) = integers {
            return Simple { values: Arc::new(Int64Array::from(integers)), unit: None, note: None };
        }
    }
    let values: Vec<f64> =
        (0..rows).map(|row| cell(row).and_then(|text| text.parse().ok()).unwrap_or(f64::NAN)).collect();
    let nulls = nulls_of(rows, |row| values[row].is_finite());
    let note = (digits > EXACT_DIGITS)
        .then(|| format!("decimals of {digits} digits were rounded to the nearest double"));
    Simple { values: Arc::new(Float64Array::new(values.into(), nulls)), unit: None, note }
}

fn strings<'a>(values: impl Iterator<Item = Option<&'a str>> + Clone) -> Result<Simple, NotSimple> {
    let size: u64 = values.clone().flatten().map(|value| value.len() as u64).sum();
    if i32::try_from(size).is_err() {
        return Err(NotSimple::new("the column holds more than 2 GiB of text", format!("{size} bytes")));
    }
    Ok(Simple { values: Arc::new(values.collect::<StringArray>()), unit: None, note: None })
}

/// Bytes are text where they are UTF-8 (older writers did not label text), else hexadecimal digits.
fn bytes<'a>(values: impl Iterator<Item = Option<&'a [u8]>> + Clone) -> Result<Simple, NotSimple> {
    let texts: Option<Vec<Option<&str>>> = values
        .clone()
        .map(|value| value.map_or(Some(None), |v| std::str::from_utf8(v).ok().map(Some)))
        .collect();
    if let Some(texts) = texts {
        return strings(texts.into_iter());
    }
    let digits = |value: &[u8]| value.iter().fold(String::new(), |text, byte| text + &format!("{byte:02x}"));
    let texts: Vec<Option<String>> = values.map(|value| value.map(digits)).collect();
    let mut simple = strings(texts.iter().map(|text| text.as_deref()))?;
    simple.note = Some("the column holds bytes; they are kept as hexadecimal digits".to_owned());
    Ok(simple)
}

/// The metadata of a column as a file's field carries it.
pub(super) fn field_metadata(
    field: Field,
    role: Option<&str>,
    unit: Option<&str>,
    source_name: Option<&str>,
) -> Field {
    let pairs = [(ROLE_KEY, role), (UNIT_KEY, unit), (SOURCE_NAME_KEY, source_name)];
    let known = pairs.into_iter().filter_map(|(key, value)| Some((key.to_owned(), value?.to_owned())));
    field.with_metadata(known.collect::<arrow_schema::Metadata>())
}
