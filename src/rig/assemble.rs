//! A table and a rig make a log: time axis, roles, units, inside values.

use std::sync::Arc;

use arrow_array::cast::AsArray;
use arrow_array::types::{Float64Type, Int64Type};
use arrow_array::{Array, ArrayRef};
use arrow_schema::DataType;

use super::{Rig, guess, measure};
use crate::log::{Channel, Clock, Dimension, Log, Note, Role, Unit};
use crate::read::Table;

/// Why a table is no log.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
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
        "cannot use {path}: no column holds numbers\n  found: {columns}\n  help: check the delimiter and the \
         decimal mark; `decimal = \",\"` in the rig file states it"
    )]
    NoNumbers {
        /// File.
        path: String,
        /// Column names.
        columns: String,
    },
    /// No time axis.
    #[error("cannot use {path}: {problem}\n  found: {columns}\n  help: {help}")]
    NoTime {
        /// File.
        path: String,
        /// What is wrong.
        problem: String,
        /// Column names.
        columns: String,
        /// What to do.
        help: String,
    },
}

/// Makes a log from a table, with the rig's word over every guess.
///
/// # Errors
/// No rows, no numbers, or no time axis.
pub fn assemble(table: Table, rig: &Rig) -> Result<Log, AssembleError> {
    let Table { source, columns, rows, restarts, mut notes, .. } = table;
    let path = source.path.clone();
    let names = || columns.iter().map(|column| column.name.as_str()).collect::<Vec<_>>().join(", ");
    if rows == 0 {
        return Err(AssembleError::NoRows { path });
    }
    let _ = restarts;
    let (clock, used) = stand_in_clock(&columns, rows, rig).ok_or_else(|| AssembleError::NoTime {
        path: path.clone(),
        problem: "it has no time column".to_owned(),
        columns: names(),
        help: "name the column in the rig file ([columns] \"NAME\" = { role = \"time\" }) or state `rate_hz`"
            .to_owned(),
    })?;

    let columns_text = names();
    let mut text_columns = Vec::new();
    let mut numeric = Vec::new();
    for (index, column) in columns.into_iter().enumerate() {
        if used.contains(&index) {
            continue;
        }
        let unit = column.unit;
        let (name, source_name) = (column.name, column.source_name);
        match numbers(column.values) {
            Some(values) => numeric.push(Numeric { index, name, source_name, unit, values }),
            None => text_columns.push(name),
        }
    }
    if numeric.is_empty() {
        return Err(AssembleError::NoNumbers { path, columns: columns_text });
    }
    let channels = make_channels(numeric, rig, &mut notes);
    let mut log = Log { source, clock, channels, text_columns, notes };
    measure::measure(&mut log, rig);
    Ok(log)
}

/// A numeric column on its way to a channel, NaN where null.
struct Numeric {
    index: usize,
    name: String,
    source_name: String,
    unit: Option<String>,
    values: Vec<f64>,
}

fn make_channels(numeric: Vec<Numeric>, rig: &Rig, notes: &mut Vec<Note>) -> Vec<Channel> {
    let candidates: Vec<guess::Candidate<'_>> = numeric
        .iter()
        .map(|column| {
            let stated = rig.column(&column.name).or_else(|| rig.column(&column.source_name));
            guess::Candidate {
                name: &column.name,
                unit: stated.and_then(|stated| stated.unit.as_deref()).or(column.unit.as_deref()),
                role: stated.and_then(|stated| stated.role),
                values: &column.values,
            }
        })
        .collect();
    let guesses = guess::guess(&candidates, rig.stoich_afr);
    let from_rig: Vec<bool> = candidates.iter().map(|candidate| candidate.role.is_some()).collect();
    numeric
        .into_iter()
        .zip(guesses)
        .zip(from_rig)
        .map(|((column, guess), from_rig)| make_channel(column, guess, from_rig, rig, notes))
        .collect()
}

fn make_channel(
    column: Numeric,
    guess: guess::Guess,
    from_rig: bool,
    rig: &Rig,
    _notes: &mut Vec<Note>,
) -> Channel {
    let scale = if guess.unit.dimension == Dimension::AirFuelRatio && guess.role != Role::Other {
        rig.stoich_afr.recip()
    } else {
        1.0
    };
    let mut values = column.values;
    to_inside(&mut values, guess.unit, scale);
    let mut channel = Channel::new(column.name, guess.role, guess.unit, values, None);
    channel.scale = scale;
    channel.column = column.index;
    channel.basis = crate::log::RoleBasis { confidence: guess.confidence, reason: guess.reason, from_rig };
    channel
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

/// The numbers of a column, NaN where null; null for text. The buffer is taken over where nobody else holds it.
fn numbers(values: ArrayRef) -> Option<Vec<f64>> {
    match values.data_type() {
        DataType::Float64 => {
            let array = values.as_primitive::<Float64Type>().clone();
            drop(values);
            let (_, buffer, nulls) = array.into_parts();
            let mut numbers =
                buffer.into_inner().into_vec::<f64>().unwrap_or_else(|shared| shared.typed_data().to_vec());
            if let Some(nulls) = nulls {
                for (row, number) in numbers.iter_mut().enumerate() {
                    if nulls.is_null(row) {
                        *number = f64::NAN;
                    }
                }
            }
            // An infinity is no reading of any instrument.
            for number in &mut numbers {
                if number.is_infinite() {
                    *number = f64::NAN;
                }
            }
            Some(numbers)
        }
        DataType::Int64 => Some(
            values.as_primitive::<Int64Type>().iter().map(|v| v.map_or(f64::NAN, |v| v as f64)).collect(),
        ),
        DataType::Boolean => {
            Some(values.as_boolean().iter().map(|v| v.map_or(f64::NAN, |v| f64::from(u8::from(v)))).collect())
        }
        _ => None,
    }
}

/// Until the time reader lands: the first column named like a time with numbers in it.
fn stand_in_clock(columns: &[crate::read::Column], rows: usize, rig: &Rig) -> Option<(Clock, Vec<usize>)> {
    use crate::log::ClockBasis;
    let found = columns.iter().position(|column| {
        rig.column(&column.name).and_then(|c| c.role) == Some(Role::Time)
            || super::name::read_name(&column.name).is_some_and(|hint| hint.role == Role::Time)
    });
    let (time_s, basis, used) = if let Some(index) = found {
        let column = &columns[index];
        let unit = column.unit.as_deref().and_then(Unit::parse);
        let factor = unit.filter(|unit| unit.dimension == Dimension::Time).map_or(1.0, |unit| unit.factor);
        let raw = numbers(Arc::clone(&column.values))?;
        let first = raw.iter().copied().find(|v| v.is_finite())?;
        let mut last = 0.0_f64;
        let time_s = raw
            .iter()
            .map(|v| {
                if v.is_finite() {
                    last = last.max((v - first) * factor);
                }
                last
            })
            .collect();
        (time_s, ClockBasis::Column { name: column.name.clone() }, vec![index])
    } else {
        let rate_hz = rig.rate_hz?;
        (
            (0..rows).map(|row| row as f64 / rate_hz).collect::<Vec<f64>>(),
            ClockBasis::StatedRate { rate_hz },
            vec![],
        )
    };
    let mut steps: Vec<f64> = time_s.windows(2).map(|pair| pair[1] - pair[0]).collect();
    steps.sort_unstable_by(f64::total_cmp);
    let period_s = steps.get(steps.len() / 2).copied();
    let segment = 0..rows;
    Some((
        Clock {
            time_s,
            segments: vec![segment],
            events: Vec::new(),
            period_s,
            resolution_s: 0.001,
            start: None,
            basis,
        },
        used,
    ))
}
