//! Columns of Arrow files in the few types that a table holds.

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
use arrow_schema::{ArrowError, DataType, TimeUnit};

use super::cells::nulls_of;
use super::limits::Room;
use crate::guard::guarded;

/// Digits of a decimal that a double holds exactly.
const EXACT_DIGITS: u8 = 15;

/// What to do about a file that expands beyond its limit.
pub(super) const MORE_ROOM: &str =
    "split the file, write fewer columns, or set `unpacked_limit_mb` in the rig file";

/// A column in one of the types that a table holds.
pub(super) struct Simple {
    pub(super) values: ArrayRef,
    /// What the type itself says the unit is.
    pub(super) unit: Option<&'static str>,
    pub(super) note: Option<String>,
}

/// Why a column cannot become one.
pub(super) struct NotSimple {
    pub(super) problem: String,
    pub(super) found: String,
    pub(super) help: &'static str,
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
pub(super) fn guarded_column(
    batches: &[RecordBatch],
    index: usize,
    of: &DataType,
) -> Result<Simple, NotSimple> {
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
pub(super) fn take_room(batches: &[RecordBatch], index: usize, room: &mut Room) -> Result<(), NotSimple> {
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

/// Whether a column holds lists or records, however it is packed.
pub(super) fn is_nested(of: &DataType) -> bool {
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
            let words = dictionary.values();
            // Written out, each row would hold a word of its own.
            let stays = *words.data_type() == DataType::Utf8 && words.null_count() == 0;
            if stays && i32::try_from(written_out(array)).is_ok() {
                return plain(Arc::clone(array));
            }
            simplify(&arrow_select::take::take(words.as_ref(), dictionary.keys(), None)?)
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
