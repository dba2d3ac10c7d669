//! Arrow IPC files and record batches to tables.

use std::io::Cursor;
use std::sync::Arc;

use arrow_array::cast::AsArray;
use arrow_array::{Array, ArrayRef, RecordBatch};
use arrow_ipc::reader::{FileReader, StreamReader};
use arrow_ipc::writer::StreamWriter;
use arrow_schema::{ArrowError, Field, SchemaRef};
use sha2::{Digest, Sha256};

use super::arrow_claim::{self, Wrong};
use super::arrow_column::{MORE_ROOM, NotSimple, guarded_column, is_nested, take_room};
use super::header::{self, Heading};
use super::limits::{Allowance, COLUMNS_MOST, Room};
use super::{Column, Place, ReadError, Table, Values, content_error};
use crate::guard::guarded;
use crate::log::{CutShort, Note, Source, Unread};

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

/// The same of columns that could not be read, as a JSON list of names and reasons.
pub(super) const UNREAD_KEY: &str = "sondeproof:unread";

/// What a file's metadata say of columns that the log it was made from could not give.
fn unread_before(metadata: &[(String, String)]) -> Vec<Unread> {
    let stated = metadata.iter().find(|(key, _)| key == UNREAD_KEY);
    let pairs = stated.and_then(|(_, pairs)| serde_json::from_str::<Vec<(String, String)>>(pairs).ok());
    pairs.unwrap_or_default().into_iter().map(|(name, why)| Unread { name, why }).collect()
}

/// How a file's metadata say that the log it was made from breaks off.
fn cut_before(metadata: &[(String, String)]) -> Option<CutShort> {
    let of = |wanted: &str| metadata.iter().find(|(key, _)| key == wanted).map(|(_, why)| why.clone());
    let whole = of(CUT_SHORT_KEY).map(|why| CutShort { why, row_only: false });
    whole.or_else(|| Some(CutShort { why: of(CUT_ROW_KEY)?, row_only: true }))
}

/// Zeros behind the end of a stream up to this many are no data.
const FILLED: usize = 64;

/// What a file holds, as its format's library gives it.
pub(super) struct Batches {
    pub(super) schema: SchemaRef,
    pub(super) records: Vec<RecordBatch>,
    pub(super) metadata: Vec<(String, String)>,
    /// What stopped the reading after some batches, and whether no more than the last row is in doubt.
    pub(super) broken: Option<(String, bool)>,
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
            // Formats of columns fill up to multiples of 8 and 64 bytes.
            let filled =
                bytes.len() - whole.bytes < FILLED && bytes[whole.bytes..].iter().all(|byte| *byte == 0);
            let cut = if whole.ended && filled { 0 } else { bytes.len() - whole.bytes };
            bytes.truncate(whole.bytes);
            let reader = StreamReader::try_new(Cursor::new(bytes), None)?;
            let schema = reader.schema();
            let metadata = schema_metadata(&schema);
            let mut found = collect(schema, metadata, reader, allowance, true)?;
            let unended = || match (cut, whole.ended) {
                (0, true) => None,
                // The format allows to leave the mark out, so that whether more was to come cannot be told.
                (0, false) => Some(("no mark ends them".to_owned(), true)),
                (_, true) => Some((format!("{cut} bytes follow the mark that ends them"), false)),
                (_, false) => Some((format!("the last {cut} bytes are part of a message"), false)),
            };
            found.broken = found.broken.take().or_else(unended);
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
        let batches = reader.num_batches();
        let found = collect(schema, metadata, reader, allowance, false)?;
        // The reader takes a message of no kind for the end.
        if found.records.len() < batches && !is_unreadable(&found.schema) {
            let words = format!("{batches} batches are listed, {} could be read", found.records.len());
            return Err(Broken::Damaged(words));
        }
        Ok(found)
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
        unpacked: sink.bytes,
        format: "arrow".to_owned(),
        cut_short: None,
        unread: Vec::new(),
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
    let mut dictionaries = Room::of_dictionaries(allowance);
    let mut last: Vec<Option<ArrayRef>> = vec![None; found.schema.fields().len()];
    for batch in reader {
        match batch {
            Ok(batch) => {
                for (last, column) in last.iter_mut().zip(batch.columns()) {
                    let Some(dictionary) = column.as_any_dictionary_opt() else { continue };
                    let values = dictionary.values();
                    if last.as_ref().is_some_and(|last| !Arc::ptr_eq(last, values)) {
                        dictionaries.take(values.get_array_memory_size() as u64).map_err(Broken::TooLarge)?;
                    }
                    *last = Some(Arc::clone(values));
                }
                // A column of nothing has no memory of its own, but will have once it is numbers.
                let cells = (batch.num_rows() as u64).saturating_mul(batch.num_columns() as u64);
                let held = held_bytes(&batch).max(cells.saturating_mul(8));
                room.take(held).map_err(Broken::TooLarge)?;
                found.records.push(batch);
            }
            Err(error) if keep_part && !found.records.is_empty() => {
                found.broken = Some((error.to_string(), false));
                break;
            }
            Err(error) => return Err(error.into()),
        }
    }
    Ok(found)
}

/// Memory that the columns of a batch take, bytes. Those of an unpacked file lie side by side in the bytes of its message,
/// which none of them takes for itself.
fn held_bytes(batch: &RecordBatch) -> u64 {
    let of_column = |column: &ArrayRef| {
        column.to_data().get_slice_memory_size().unwrap_or_else(|_| column.get_array_memory_size()) as u64
    };
    batch.columns().iter().map(of_column).fold(0, u64::saturating_add)
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
    if let Some((why, row_only)) = found.broken {
        let text = format!("the {kind} data break off after {rows} rows ({why})");
        cut_short = Some(CutShort { why: text.clone(), row_only });
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
            // The type is certain, the name is not.
            unit: simple.unit.map(str::to_owned).or(heading.unit),
            name: heading.name,
            source_name: heading.source_name,
            values: Values::new(simple.values).packed(),
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
    let unread = unread_before(&found.metadata);
    let source = Source { cut_short, unread, ..source };
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

#[cfg(test)]
mod tests {
    use arrow_array::Float64Array;
    use arrow_ipc::writer::FileWriter;
    use arrow_schema::{DataType, Schema};

    use super::super::{ReadOptions, from_bytes};
    use super::*;

    /// Three batches of two rows as a stream, and where each message of it begins.
    fn stream() -> (Vec<u8>, Vec<usize>) {
        let fields = ["time", "lambda"].map(|name| Field::new(name, DataType::Float64, true));
        let schema = Arc::new(Schema::new(fields.to_vec()));
        let mut writer = StreamWriter::try_new(Vec::new(), &schema).expect("a stream");
        for row in [0.0, 2.0, 4.0] {
            let column = || Arc::new(Float64Array::from(vec![row, row + 1.0])) as _;
            let batch = RecordBatch::try_new(Arc::clone(&schema), vec![column(), column()]);
            writer.write(&batch.expect("a batch")).expect("written");
        }
        let bytes = writer.into_inner().expect("ended");
        let begins = (0..bytes.len()).step_by(8).filter(|at| bytes[*at..].starts_with(&[0xff; 4])).collect();
        (bytes, begins)
    }

    #[test]
    fn no_byte_of_a_message_of_a_file_loses_rows_unsaid() {
        let (stream, _) = stream();
        let batches: Vec<RecordBatch> = StreamReader::try_new(Cursor::new(stream), None)
            .expect("a stream")
            .map(|batch| batch.expect("it"))
            .collect();
        let mut writer = FileWriter::try_new(Vec::new(), &batches[0].schema()).expect("a file");
        for batch in &batches {
            writer.write(batch).expect("written");
        }
        let whole = writer.into_inner().expect("ended");
        let begins: Vec<usize> =
            (0..whole.len()).step_by(8).filter(|at| whole[*at..].starts_with(&[0xff; 4])).collect();
        let rows =
            |bytes: &[u8]| from_bytes("log.arrow", bytes, &ReadOptions::default()).map(|table| table.rows);
        assert_eq!(rows(&whole).expect("whole"), 6);
        // The head of the second batch's message, up to its table: its version, its kind and where they stand.
        let mut refused = 0;
        for at in begins[2] + 8..begins[2] + 40 {
            for value in [0, 1, 4, 255] {
                let mut damaged = whole.clone();
                damaged[at] = value;
                match rows(&damaged) {
                    Ok(rows) => assert_eq!(rows, 6, "byte {at} as {value}"),
                    Err(_) => refused += 1,
                }
            }
        }
        assert!(refused > 0, "no byte mattered");
    }

    #[test]
    fn a_stream_that_may_have_lost_its_rest_says_so() {
        let (whole, begins) = stream();
        // Schema, three batches, the mark.
        assert_eq!((begins.len(), begins[4]), (5, whole.len() - 8));
        let told = |bytes: &[u8]| {
            let table = from_bytes("log.arrow", bytes, &ReadOptions::default()).expect("a table");
            (table.rows, table.source.cut_short.map(|cut| cut.row_only))
        };
        assert_eq!(told(&whole), (6, None));
        assert_eq!(told(&whole[..begins[4]]), (6, Some(true)));
        assert_eq!(told(&whole[..begins[3]]), (4, Some(true)));
        assert_eq!(told(&whole[..begins[3] + 100]), (4, Some(false)));
        let mut zeros = whole.clone();
        zeros[begins[3]..].fill(0);
        assert_eq!(told(&zeros), (4, Some(false)));
        assert_eq!(told(&[&whole[..], &[0; 56]].concat()), (6, None));
        let marked = [&whole[..begins[2]], &whole[begins[4]..], &whole[begins[2]..]].concat();
        assert_eq!(told(&marked), (2, Some(false)));
    }

    /// 12 000 batches of one row, each with a word more, took 969 MB of 6.2 MB.
    #[test]
    fn columns_of_one_message_are_counted_once() {
        let names: Vec<String> = (0..200).map(|n| format!("ch{n}")).collect();
        let fields = names.iter().map(|name| Field::new(name, DataType::Float64, true)).collect::<Vec<_>>();
        let schema = Arc::new(Schema::new(fields));
        let columns = (0..200).map(|n| Arc::new(Float64Array::from(vec![f64::from(n); 500])) as _).collect();
        let batch = RecordBatch::try_new(Arc::clone(&schema), columns).expect("a batch");
        let mut writer = FileWriter::try_new(Vec::new(), &schema).expect("a file");
        writer.write(&batch).expect("written");
        let bytes = writer.into_inner().expect("ended");
        let read = |unpacked_most| {
            from_bytes("log.arrow", &bytes, &ReadOptions { unpacked_most, ..ReadOptions::default() })
        };
        // 0.8 MB, and 160 MB if each column counted the message.
        assert_eq!(read(Some(2_000_000)).expect("a table").columns.len(), 200);
        assert!(read(Some(700_000)).is_err(), "more than is allowed");
    }

    #[test]
    fn a_dictionary_that_grows_with_every_batch_is_counted() {
        use arrow_array::types::Int32Type;
        use arrow_array::{DictionaryArray, StringArray};
        let words = |batch: usize, count: usize| -> DictionaryArray<Int32Type> {
            let words = StringArray::from_iter_values((0..count).map(|word| format!("{batch} {word:0100}")));
            DictionaryArray::new(arrow_array::Int32Array::from(vec![0]), Arc::new(words))
        };
        let of = |batches: usize| {
            let kind = DataType::Dictionary(Box::new(DataType::Int32), Box::new(DataType::Utf8));
            let fields = [Field::new("time", DataType::Float64, false), Field::new("state", kind, false)];
            let schema = Arc::new(Schema::new(fields.to_vec()));
            let records: Vec<_> = (0..batches)
                .map(|batch| {
                    let time = Arc::new(Float64Array::from(vec![batch as f64])) as ArrayRef;
                    let state = Arc::new(words(batch, 10_000)) as ArrayRef;
                    Ok(RecordBatch::try_new(Arc::clone(&schema), vec![time, state]).expect("a batch"))
                })
                .collect();
            let allowance = Allowance { stored: 1 << 20, stated: None };
            collect(schema, Vec::new(), records.into_iter(), allowance, false)
        };
        assert!(of(20).is_ok());
        let refused = of(60).err();
        assert!(matches!(&refused, Some(Broken::TooLarge(most)) if most.contains("32 MiB")));
    }
}
