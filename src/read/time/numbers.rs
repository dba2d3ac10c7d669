//! Time from columns of numbers: whether they can be one, and in which unit.

use arrow_array::Array;
use arrow_array::cast::AsArray;
use arrow_array::types::{Float64Type, Int64Type};
use arrow_schema::DataType;

use super::super::stamp::{self, DAY_S};
use super::super::time_name;
use super::super::{Column, Table};
use super::{TimeAxis, basis};
use crate::log::{Dimension, Note, Unit};

/// Steps back that a time column may show (restarts, damaged stamps), share of rows; assumed.
const BACK_SHARE: f64 = 0.02;
/// Unix time of 2000-01-01 and of 2100-01-01, s: logs are recorded between.
const EPOCH_S: (f64, f64) = (946_684_800.0, 4_102_444_800.0);
/// Rows looked at to find the step of the stamps.
const STEP_ROWS: usize = 4096;

/// Numbers of a column, NaN where null; `None` for columns without numbers.
pub(super) fn numeric_values(column: &Column) -> Option<Vec<f64>> {
    let rows = column.values.len();
    let valid = |row: usize| column.values.is_valid(row);
    let slots = column.values.whole();
    let values: Vec<f64> = match slots.data_type() {
        DataType::Float64 => {
            let values = slots.as_primitive::<Float64Type>().values();
            (0..rows).map(|row| if valid(row) { values[row] } else { f64::NAN }).collect()
        }
        DataType::Int64 => {
            let values = slots.as_primitive::<Int64Type>().values();
            // Differences are taken as integers: a double holds no nanoseconds of today.
            let first = (0..rows).find(|row| valid(*row)).map(|row| values[row])?;
            let far = first.unsigned_abs() > 1 << 53;
            let origin = if far { first } else { 0 };
            (0..rows)
                .map(|row| if valid(row) { values[row].wrapping_sub(origin) as f64 } else { f64::NAN })
                .collect()
        }
        _ => return None,
    };
    values.iter().any(|value| !value.is_nan()).then_some(values)
}

pub(super) fn first_value(column: &Column) -> Option<f64> {
    let kept = column.values.kept();
    let first = (0..kept.len()).find(|at| kept.is_valid(*at))?;
    match kept.data_type() {
        DataType::Float64 => Some(kept.as_primitive::<Float64Type>().value(first)),
        DataType::Int64 => Some(kept.as_primitive::<Int64Type>().value(first) as f64),
        _ => None,
    }
}

/// Whether values rise over the log and hardly ever fall.
pub(super) fn rises(values: &[f64], restarts: &[usize]) -> bool {
    let mut known = values.iter().copied().filter(|value| !value.is_nan());
    let Some(first) = known.next() else { return false };
    let (mut last, mut count, mut falls, mut rises) = (first, 1_usize, 0, false);
    for value in known {
        count += 1;
        falls += usize::from(value < last);
        rises |= value > last;
        last = value;
    }
    let allowed = (BACK_SHARE * count as f64) as usize + restarts.len() + 1;
    count == 1 || (rises && falls <= allowed && (last > first || falls > 0))
}

/// Where values fall: data row, value before, value there.
pub(super) fn falls(values: &[f64]) -> Vec<(usize, f64, f64)> {
    let mut known = values.iter().copied().enumerate().filter(|(_, value)| !value.is_nan());
    let Some((_, mut last)) = known.next() else { return Vec::new() };
    known
        .filter_map(|(row, value)| {
            let before = std::mem::replace(&mut last, value);
            (value < before).then_some((row, before, value))
        })
        .collect()
}

/// Whether values rise by one and the same step that is no whole number.
pub(super) fn even_fraction(values: &[f64]) -> bool {
    let (Some(first), Some(second), Some(last)) = (values.first(), values.get(1), values.last()) else {
        return false;
    };
    let step = second - first;
    let mean = (last - first) / (values.len() - 1) as f64;
    let even = values.windows(2).all(|pair| ((pair[1] - pair[0]) - mean).abs() <= 0.1 * mean);
    step > 0.0 && (step - step.round()).abs() > 1e-6 && even
}

pub(super) fn numeric_axis(
    table: &Table,
    index: usize,
    mut values: Vec<f64>,
    mut because: String,
) -> TimeAxis {
    let column = &table.columns[index];
    let first = first_value(column).unwrap_or(0.0);
    let unit = unit_of(column, &values, first);
    because = format!("{because}; {}", unit.because);
    let scaled = first * unit.factor;
    let epoch = scaled >= EPOCH_S.0 && scaled < EPOCH_S.1;
    let days = (scaled / DAY_S).floor();
    let start = if epoch { stamp::iso(Some(days as i64), scaled - days * DAY_S, Some(0)) } else { None };
    for value in &mut values {
        *value *= unit.factor;
    }
    let mut notes = Vec::new();
    if unit.guessed {
        let text = format!("{}; set its unit in the rig file if that is wrong", unit.because);
        notes.push(Note { line: None, channel: Some(column.name.clone()), text });
    }
    TimeAxis {
        resolution_s: step_of(values.iter().copied()),
        seconds: values,
        start,
        basis: basis(column),
        columns: vec![index],
        because,
        notes,
    }
}

struct TimeFactor {
    factor: f64,
    because: String,
    guessed: bool,
}

/// Seconds per unit of a numeric time column.
fn unit_of(column: &Column, values: &[f64], first: f64) -> TimeFactor {
    let known = |factor: f64, because: String| TimeFactor { factor, because, guessed: false };
    let stated = column.unit.as_deref().and_then(|text| Some((text, Unit::parse(text)?)));
    if let Some((text, unit)) = stated.filter(|(_, unit)| unit.dimension == Dimension::Time) {
        return known(unit.factor, format!("its unit is given as `{text}`"));
    }
    if let Some((word, factor)) = time_name::unit(&column.name) {
        return known(factor, format!("its name says `{word}`"));
    }
    let step = median_step(values);
    for (factor, words) in
        [(1.0, "seconds"), (1e-3, "milliseconds"), (1e-6, "microseconds"), (1e-9, "nanoseconds")]
    {
        let scaled = first * factor;
        // A day between rows of an epoch in seconds, at most: microseconds of a stopwatch reach the same numbers.
        if scaled >= EPOCH_S.0
            && scaled < EPOCH_S.1
            && step * factor <= DAY_S
            && !(factor == 1.0 && step > 1000.0)
        {
            return known(factor, format!("its values are {words} since 1970"));
        }
    }
    let fractional = values.iter().any(|value| !value.is_nan() && value.fract() != 0.0);
    let (factor, words, why) = if fractional && step < 5.0 {
        (1.0, "seconds", "its values have decimals")
    } else if step <= 2.0 {
        (1.0, "seconds", "it rises by one or two per row")
    } else if step < 2000.0 {
        (1e-3, "milliseconds", "as such its steps make a usual log rate")
    } else if step < 2e6 {
        (1e-6, "microseconds", "as such its steps make a usual log rate")
    } else {
        (1e-9, "nanoseconds", "as such its steps make a usual log rate")
    };
    let because = format!("its values were taken for {words}: {why} (median step {step})");
    TimeFactor { factor, because, guessed: true }
}

pub(super) fn median_step(values: &[f64]) -> f64 {
    let known: Vec<f64> = values.iter().copied().filter(|value| !value.is_nan()).collect();
    let mut steps: Vec<f64> =
        known.windows(2).map(|pair| pair[1] - pair[0]).filter(|step| *step > 0.0).collect();
    if steps.is_empty() {
        return 0.0;
    }
    let middle = steps.len() / 2;
    *steps.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// The largest decimal step, at most one second, of which all times are multiples, s.
pub(super) fn step_of(times_s: impl Iterator<Item = f64>) -> f64 {
    let times: Vec<f64> = times_s.filter(|time| time.is_finite()).take(STEP_ROWS).collect();
    let largest = times.iter().fold(0.0_f64, |most, time| most.max(time.abs()));
    let mut step_s = 1.0;
    for decimals in 0..=9 {
        let per_second = 10_f64.powi(decimals);
        step_s = per_second.recip();
        // Below what doubles of this size tell apart, everything and nothing is a multiple.
        let blur = largest * per_second * f64::EPSILON * 4.0;
        if blur > 0.05 {
            break;
        }
        let multiple = |time: &f64| ((time * per_second).round() - time * per_second).abs() <= blur.max(1e-6);
        if times.iter().all(multiple) {
            break;
        }
    }
    step_s
}
