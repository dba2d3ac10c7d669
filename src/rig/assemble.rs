//! A table and a rig make a log: time axis, roles, units, inside values.

use arrow_array::Array;
use arrow_array::cast::AsArray;
use arrow_array::types::{Float64Type, Int64Type};
use arrow_buffer::{BooleanBuffer, NullBuffer};
use arrow_schema::DataType;
use rayon::prelude::*;

use super::name::read_name;
use super::{Rig, codes, dead_bus, guess, measure, place};
use crate::clip::clip;
use crate::log::{Channel, Code, Dimension, Kept, Log, Note, Role, UNKNOWN, Unit, Unread};
use crate::read::place::shown;
use crate::read::{ReadError, Table, Thin, Values, find_time};

/// Columns named in a message, and characters of each name.
const NAMES_SHOWN: usize = 8;
const NAME_SHOWN: usize = 60;

/// Why a table is no log.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum AssembleError {
    /// No rows.
    #[error("cannot use {path}: it has no rows of data\n  help: check that the file was not cut off")]
    NoRows {
        /// File.
        path: String,
    },
    /// No column with numbers beside the time.
    #[error(
        "cannot use {path}: no column holds numbers\n  found: {columns}\n  help: check {what}; \
         `decimal = \",\"` in the rig file states the decimal mark"
    )]
    NoNumbers {
        /// File.
        path: String,
        /// Column names, the first ones of many.
        columns: String,
        /// What is likely wrong.
        what: &'static str,
    },
    /// No time axis.
    #[error(transparent)]
    Time(#[from] ReadError),
    /// No time column, and so many rows of so few bytes that judging them would take more memory than any log may.
    #[error(
        "cannot use {path}: judging its {rows} rows takes {takes_mb} MB, more than the {may_mb} MB that {allowed}\n  \
         found: {content_mb:.1} MB for {readings} cells to judge and no time column; hundredths of lambda and what sets them apart \
         take 4 bytes\n  help: log a time column and the digits that the instrument gives, split the file, or set \
         `unpacked_limit_mb = {takes_mb}` in the rig file"
    )]
    TooThin {
        /// File.
        path: String,
        /// Its rows.
        rows: u64,
        /// Values of its channels with a role.
        readings: u64,
        /// Size of its content.
        content_mb: f64,
        /// What judging it takes.
        takes_mb: u64,
        /// What it may take.
        may_mb: u64,
        /// Where that follows from.
        allowed: &'static str,
    },
}

/// Makes a log from a table, with the rig's word over every guess.
///
/// # Errors
/// No rows, no numbers, no time axis, or more rows without one than may be judged.
pub fn assemble(table: Table, rig: &Rig) -> Result<Log, AssembleError> {
    let mut log = named(table, rig, true)?;
    dead_bus::leave_out(&mut log);
    measure::measure(&mut log, rig);
    Ok(log)
}

/// The same of any number of rows, without what the log tells of its instruments: time axis, roles and units alone. A clock that
/// follows from a stated rate has no rows.
///
/// # Errors
/// As [`assemble`], but for the number of rows.
pub(crate) fn assemble_named(table: Table, rig: &Rig) -> Result<Log, AssembleError> {
    named(table, rig, false)
}

/// * `judged`: whether the log is to be judged, which takes more memory than to name its channels
fn named(mut table: Table, rig: &Rig, judged: bool) -> Result<Log, AssembleError> {
    let path = table.source.path.clone();
    if table.rows == 0 {
        return Err(AssembleError::NoRows { path });
    }
    place::withhold_names(&mut table, rig);
    let mut time_column = None;
    for (name, column) in &rig.columns {
        if column.role == Some(Role::Time) {
            time_column = Some(name.clone());
            state_unit(&mut table, name, column.unit.as_ref());
        }
    }
    // Asked before the time axis: a file of words lacks more than a clock.
    if table.columns.iter().all(|column| matches!(column.values.data_type(), DataType::Utf8)) {
        return Err(no_numbers(path, &names(&table)));
    }
    let axis = find_time(&table, rig.rate_hz, time_column.as_deref())?;
    let used = axis.columns.clone();
    let names = names(&table);
    if used.is_empty() {
        // A file without a time may be one column of digits, and its clock takes four times as much as its text.
        for column in &mut table.columns {
            column.values = column.values.packed();
        }
    }
    let content = content(&table);
    let Table { mut source, columns, restarts, mut notes, rows, .. } = table;
    // Numbers of text have digits behind the point, for which there is little to look for where there is room for them.
    let narrow = !source.format.starts_with("text") || used.is_empty();
    notes.extend(axis.notes.iter().cloned());
    let mut text_columns = Vec::new();
    let (mut numeric, mut partly) = (Vec::new(), Vec::new());
    for (index, column) in columns.into_iter().enumerate() {
        if used.contains(&index) {
            continue;
        }
        let stated = rig.column_of(&column.name, &column.source_name).is_some();
        if !stated && place::tells_position(&column.name, column.unit.as_deref()) {
            place::leave_out(&column.name, &mut notes);
            continue;
        }
        let partly_read = column.partly_read();
        let unit = column.unit;
        let role = column.role.as_deref().and_then(Role::from_name);
        let (name, source_name) = (column.name, column.source_name);
        let first_row = (0..column.values.len()).find(|row| column.values.is_valid(*row));
        if let Some(values) = numbers(column.values) {
            note_unreadable(&name, &column.unreadable, &mut notes);
            partly.extend(partly_read);
            let (values, held) = values;
            let values = keep(values, narrow);
            let (not_due, codes) = (None, Vec::new());
            let withheld = !stated && place::may_be_place(&name, unit.as_deref(), role);
            numeric.push(Numeric {
                index,
                name,
                source_name,
                unit,
                role,
                values,
                held,
                not_due,
                codes,
                withheld,
            });
        } else {
            // A note of the driver is nobody's reading.
            if stated || role.is_some() || read_name(&name).is_some() {
                notes.push(note_text(&name, first_row));
            }
            source.unread.push(Unread { name: name.clone(), why: "its cells are no numbers".to_owned() });
            text_columns.push(name);
        }
    }
    if numeric.is_empty() {
        return Err(no_numbers(path, &names));
    }
    numeric.par_iter_mut().for_each(|column| {
        // Blanks are told before codes are taken out: a code is a value that was due.
        let mut values = std::mem::take(&mut column.values).into_doubles();
        let held = column.held.as_ref();
        if held.is_some() || values.iter().any(|value| value.is_nan()) {
            column.not_due =
                codes::not_due(held.map_or(values.len(), BooleanBuffer::len), &filled(&values, held));
        }
        column.codes = codes::take_codes(&mut values, Role::Other, &UNKNOWN);
        column.values = keep(values, narrow);
    });
    let guesses = guesses(&numeric, rig);
    if judged && used.is_empty() {
        refuse_thin(&path, rows, content, &numeric, &guesses, rig)?;
    }
    let rows = if judged { rows } else { 0 };
    let clock = axis.into_clock(rows, &restarts);
    let channels = make_channels(numeric, guesses, rig, narrow, &mut notes);
    place::withhold_numbers(&channels, &text_columns, &mut notes);
    // What the rig file calls something else is none of the readings that its name may speak of.
    source.unread.retain(|one| rig.column(&one.name).and_then(|column| column.role) != Some(Role::Other));
    let mixture =
        |one: &Unread| channels.iter().any(|channel| channel.role.is_mixture() && channel.name == one.name);
    source.unread.extend(partly.into_iter().filter(mixture));
    Ok(Log { source, clock, channels, text_columns, notes })
}

fn names(table: &Table) -> Vec<String> {
    table.columns.iter().map(|column| column.name.clone()).collect()
}

fn no_numbers(path: String, names: &[String]) -> AssembleError {
    let shown =
        names.iter().take(NAMES_SHOWN).map(|name| clip(name, NAME_SHOWN)).collect::<Vec<_>>().join(", ");
    let more = names.len().saturating_sub(NAMES_SHOWN);
    let columns = if more > 0 { format!("{shown} and {more} more columns") } else { shown };
    // With several columns the delimiter was found.
    let what = if names.len() > 1 { "that the cells are numbers without words" } else { "the delimiter" };
    AssembleError::NoNumbers { path, columns, what }
}

/// The rig's unit over the header's.
fn state_unit(table: &mut Table, name: &str, unit: Option<&String>) {
    for column in &mut table.columns {
        if unit.is_some() && (column.name == name || column.source_name == name) {
            column.unit = unit.cloned();
        }
    }
}

/// A numeric column on its way to a channel.
struct Numeric {
    index: usize,
    name: String,
    source_name: String,
    unit: Option<String>,
    /// Role in the file's own metadata.
    role: Option<Role>,
    /// Of every row, NaN where null; or of the rows of `held` alone.
    values: Kept,
    held: Option<BooleanBuffer>,
    not_due: Option<BooleanBuffer>,
    codes: Vec<Code>,
    /// Whether its numbers may tell a place.
    withheld: bool,
}

/// Numbers on their way, in few bytes where the file may have had few: all columns stand there at once.
fn keep(values: Vec<f64>, narrow: bool) -> Kept {
    if narrow { Kept::narrow(values.into()) } else { values.into() }
}

/// Rows with a value, ascending.
///
/// * `values`: of every row, or of the rows of `held` alone; NaN where null
fn filled(values: &[f64], held: Option<&BooleanBuffer>) -> Vec<usize> {
    let known = |at: &usize| !values[*at].is_nan();
    match held {
        Some(held) => held.set_indices().zip(0..).filter(|(_, at)| known(at)).map(|(row, _)| row).collect(),
        None => (0..values.len()).filter(known).collect(),
    }
}

/// Bytes of what a table was read from; of a file of columns, which may be packed, at least what they take in few bytes.
fn content(table: &Table) -> u64 {
    if table.source.format.starts_with("text") {
        return table.source.unpacked;
    }
    let columns: u64 = table.columns.iter().map(|column| column.values.kept_bytes()).sum();
    table.source.unpacked.max(columns)
}

/// Refuses a log without a clock of more rows than its bytes allow, before its channels are spread.
fn refuse_thin(
    path: &str,
    rows: usize,
    content: u64,
    numeric: &[Numeric],
    guesses: &[guess::Guess],
    rig: &Rig,
) -> Result<(), AssembleError> {
    let with_role = numeric.iter().zip(guesses).filter(|(_, guess)| guess.role != Role::Other);
    let readings: usize = with_role.map(|(column, _)| column.values.len()).sum();
    let thin = Thin { rows: rows as u64, readings: readings as u64, content };
    let stated = rig.read_options().unpacked_most;
    let Some((takes, may)) = thin.beyond(stated) else { return Ok(()) };
    Err(AssembleError::TooThin {
        path: path.to_owned(),
        rows: thin.rows,
        readings: thin.readings,
        content_mb: content as f64 / 1e6,
        takes_mb: takes.div_ceil(1_000_000),
        may_mb: may / 1_000_000,
        allowed: if stated.is_some() { "the rig file states" } else { "its size allows" },
    })
}

/// What each column is taken for.
fn guesses(numeric: &[Numeric], rig: &Rig) -> Vec<guess::Guess> {
    let candidates: Vec<guess::Candidate<'_>> = numeric
        .iter()
        .map(|column| {
            let stated = rig.column_of(&column.name, &column.source_name);
            guess::Candidate {
                name: &column.name,
                unit: stated.and_then(|stated| stated.unit.as_deref()).or(column.unit.as_deref()),
                role: stated.and_then(|stated| stated.role).or(column.role),
                values: &column.values,
                held: column.held.as_ref(),
            }
        })
        .collect();
    guess::guess(&candidates, rig.stoich_afr)
}

/// * `narrow`: whether the numbers of channels that nobody looks at side by side may take fewer bytes
fn make_channels(
    numeric: Vec<Numeric>,
    guesses: Vec<guess::Guess>,
    rig: &Rig,
    narrow: bool,
    notes: &mut Vec<Note>,
) -> Vec<Channel> {
    let from_rig: Vec<bool> = numeric
        .iter()
        .map(|column| {
            let stated = rig.column_of(&column.name, &column.source_name);
            stated.is_some_and(|stated| stated.role.is_some())
        })
        .collect();
    let made: Vec<(Channel, Vec<Note>)> = numeric
        .into_par_iter()
        .zip(guesses)
        .zip(from_rig)
        .map(|((column, guess), from_rig)| {
            let mut notes = Vec::new();
            let channel = make_channel(column, guess, from_rig, rig, &mut notes);
            (if narrow && channel.role == Role::Other { channel.narrowed() } else { channel }, notes)
        })
        .collect();
    made.into_iter()
        .map(|(channel, said)| {
            notes.extend(said);
            channel
        })
        .collect()
}

fn make_channel(
    mut column: Numeric,
    guess: guess::Guess,
    from_rig: bool,
    rig: &Rig,
    notes: &mut Vec<Note>,
) -> Channel {
    let scale = if guess.unit.dimension == Dimension::AirFuelRatio && guess.role != Role::Other {
        rig.stoich_afr.recip()
    } else {
        1.0
    };
    let refused = guess.role == Role::Other
        && guess.confidence == 0.0
        && rig.column_of(&column.name, &column.source_name).is_none();
    column.withheld |= refused && place::may_have_slipped(&column.name, column.unit.as_deref());
    let reason = if column.withheld && guess.role != Role::Other {
        format!("its name may mean {}, or an axis of the earth", guess.role.label())
    } else if column.role.is_some() && !from_rig {
        guess.reason.replacen("the rig file", "the file's own metadata", 1)
    } else {
        guess.reason
    };
    let mut values = column.values.into_doubles();
    let mut codes = column.codes;
    codes.extend(codes::take_codes(&mut values, guess.role, guess.unit));
    for code in &codes {
        let because = if column.withheld { "a number far outside the others" } else { &code.because };
        notes.push(note(
            &column.name,
            format!("{because}: taken as a code, not a reading ({} times)", code.count),
        ));
    }
    to_inside(&mut values, guess.unit, scale);
    let mut channel =
        Channel::placed(column.name, guess.role, guess.unit, values, column.held, column.not_due);
    channel.codes = codes;
    channel.scale = scale;
    channel.withheld = column.withheld;
    channel.column = column.index;
    channel.basis = crate::log::RoleBasis { confidence: guess.confidence, reason, from_rig };
    channel
}

fn note(channel: &str, text: String) -> Note {
    Note { line: None, channel: Some(channel.to_owned()), text }
}

fn note_unreadable(name: &str, unreadable: &[(usize, String)], notes: &mut Vec<Note>) {
    if let Some((row, found)) = unreadable.first() {
        let text = format!(
            "cells that are no numbers are left out; the first is {} in data row {}",
            shown(found),
            row + 1
        );
        notes.push(note(name, text));
    }
}

/// That a column is none of numbers, though its name or the rig file says that it is a reading. Cells of words are not quoted:
/// they may tell a place.
fn note_text(name: &str, first_row: Option<usize>) -> Note {
    let from =
        first_row.map_or_else(String::new, |row| format!(" (the first stands in data row {})", row + 1));
    note(
        name,
        format!(
            "not read, because its cells are no numbers{from}; export it with one decimal mark and without thousands separators, or \
             state the decimal mark in the rig file"
        ),
    )
}

/// Converts in place; a column already in the inside unit is not touched.
fn to_inside(values: &mut [f64], unit: &Unit, scale: f64) {
    if unit.factor == 1.0 && unit.offset == 0.0 && scale == 1.0 {
        return;
    }
    for value in values {
        *value = unit.to_si(*value) * scale;
    }
}

/// The numbers of a column, NaN where null, or the values alone with the rows that hold them; null for text. The buffer is
/// taken over where nobody else holds it.
fn numbers(values: Values) -> Option<(Vec<f64>, Option<BooleanBuffer>)> {
    if *values.data_type() == DataType::Utf8 {
        return None;
    }
    let (values, held) = values.into_parts();
    let mut numbers: Vec<f64> = match values.data_type() {
        DataType::Float64 => {
            let array = values.as_primitive::<Float64Type>().clone();
            drop(values);
            let (_, buffer, nulls) = array.into_parts();
            let mut numbers =
                buffer.into_inner().into_vec::<f64>().unwrap_or_else(|shared| shared.typed_data().to_vec());
            take_nulls(&mut numbers, nulls.as_ref());
            numbers
        }
        DataType::Int64 => {
            let array = values.as_primitive::<Int64Type>().clone();
            drop(values);
            let (_, buffer, nulls) = array.into_parts();
            let integers =
                buffer.into_inner().into_vec::<i64>().unwrap_or_else(|shared| shared.typed_data().to_vec());
            // In the memory of the integers.
            let mut numbers: Vec<f64> = integers.into_iter().map(|integer| integer as f64).collect();
            take_nulls(&mut numbers, nulls.as_ref());
            numbers
        }
        DataType::Boolean => {
            values.as_boolean().iter().map(|v| v.map_or(f64::NAN, |v| f64::from(u8::from(v)))).collect()
        }
        _ => return None,
    };
    // An infinity is no reading of any instrument.
    for number in &mut numbers {
        if number.is_infinite() {
            *number = f64::NAN;
        }
    }
    Some((numbers, held))
}

fn take_nulls(numbers: &mut [f64], nulls: Option<&NullBuffer>) {
    let Some(nulls) = nulls else { return };
    for (row, number) in numbers.iter_mut().enumerate() {
        if nulls.is_null(row) {
            *number = f64::NAN;
        }
    }
}
