//! Which column is the time, in which unit, and how that is known.

use arrow_array::Array;
use arrow_array::cast::AsArray;
use arrow_array::types::{
    Float64Type, Int64Type, TimestampMicrosecondType, TimestampMillisecondType, TimestampNanosecondType,
    TimestampSecondType,
};
use arrow_schema::{DataType, TimeUnit};

use super::stamp::{self, DAY_S, Order, Stamp};
use super::time_name::{self, Fit};
use super::{Column, Place, ReadError, Table, content_error};
use crate::log::{Clock, ClockBasis, Dimension, Note, Unit};

/// Cells of a text column that must read as stamps for the column to be a time; assumed.
const STAMP_SHARE: f64 = 0.9;
/// Steps back that a time column may show (restarts, damaged stamps), share of rows; assumed.
const BACK_SHARE: f64 = 0.02;
/// A step back by more than this is midnight in a clock without a date, s.
const MIDNIGHT_S: f64 = 0.5 * DAY_S;
/// Unix time of 2000-01-01 and of 2100-01-01, s: logs are recorded between.
const EPOCH_S: (f64, f64) = (946_684_800.0, 4_102_444_800.0);
/// Rows looked at to find the step of the stamps.
const STEP_ROWS: usize = 4096;
/// Column names quoted in an error.
const NAMES_QUOTED: usize = 12;

/// The time of every row.
#[derive(Clone, Debug)]
pub struct TimeAxis {
    /// One per row, s, from an origin of the column's own; NaN where missing.
    pub seconds: Vec<f64>,
    /// Step of the stamps as written, s.
    pub resolution_s: f64,
    /// Date and time of the first row, ISO 8601; `T08:24:29.866` where the log tells no date.
    pub start: Option<String>,
    /// Where it came from.
    pub basis: ClockBasis,
    /// Columns of the table that were used up, ascending.
    pub columns: Vec<usize>,
    /// How the columns and the unit were told, a plain sentence.
    pub because: String,
    /// What people should know.
    pub notes: Vec<Note>,
}

impl TimeAxis {
    /// The clock over these times.
    ///
    /// * `restarts`: [`Table::restarts`]
    pub fn into_clock(self, restarts: &[usize]) -> Clock {
        match self.basis {
            ClockBasis::StatedRate { rate_hz } => Clock::from_rate(self.seconds.len(), rate_hz, restarts),
            basis @ ClockBasis::Column { .. } => {
                Clock::from_seconds(&self.seconds, self.resolution_s, self.start, basis, restarts)
            }
        }
    }
}

/// Finds the time of a table's rows.
///
/// A column named by the user wins; then columns whose values are dates and times, then columns that are named or
/// have the unit of a time and never fall. A counter of samples is not time. A date column joins a time-of-day
/// column. Where there is none, the stated rate makes the axis. The unit is the column's own (set
/// [`Column::unit`] to state it), else told from its name, else from the size of its values and steps.
///
/// * `stated_rate_hz`: above 0
/// * `time_column`: name or source name of a column
///
/// # Errors
/// [`ReadError::Content`] when a named column is absent or no time, when there is neither a time column nor a
/// rate, and when the rate is not above 0.
pub fn find_time(
    table: &Table,
    stated_rate_hz: Option<f64>,
    time_column: Option<&str>,
) -> Result<TimeAxis, ReadError> {
    let path = table.source.path.as_str();
    if let Some(rate_hz) = stated_rate_hz.filter(|rate| !(rate.is_finite() && *rate > 0.0)) {
        let found = format!("{rate_hz}");
        return Err(content_error(
            path,
            Place::default(),
            "the stated rate is no rate",
            &found,
            "state it in Hz, above 0",
        ));
    }
    if let Some(name) = time_column {
        return named(table, name);
    }
    match best(table) {
        Some(mut axis) => {
            if let (Some(_), ClockBasis::Column { name }) = (stated_rate_hz, &axis.basis) {
                let text = format!("the stated rate has no effect: column `{name}` holds the time");
                axis.notes.push(Note { line: None, channel: None, text });
            }
            Ok(axis)
        }
        None => from_rate(table, stated_rate_hz),
    }
}

fn named(table: &Table, name: &str) -> Result<TimeAxis, ReadError> {
    let path = table.source.path.as_str();
    let exact = table.columns.iter().position(|column| column.name == name || column.source_name == name);
    let alike = || table.columns.iter().position(|column| column.name.eq_ignore_ascii_case(name));
    let Some(index) = exact.or_else(alike) else {
        let problem = format!("there is no column `{name}` to take the time from");
        return Err(content_error(
            path,
            Place::default(),
            &problem,
            &names(table),
            "name one of these columns",
        ));
    };
    let column = &table.columns[index];
    let because = format!("column `{}` was named as the time", column.name);
    let axis = match Reading::of(column) {
        Some(reading) => axis(table, index, reading, because),
        None => numeric_values(column).map(|values| numeric_axis(table, index, &values, because)),
    };
    axis.ok_or_else(|| {
        let place = Place { line: None, column: Some((index, column.name.clone())) };
        let found = first_text(column);
        let help = "name a column of seconds, times of day or dates with times";
        content_error(path, place, "the column holds no time", &found, help)
    })
}

/// The best column, the first among equals.
fn best(table: &Table) -> Option<TimeAxis> {
    let mut best: Option<(u32, usize)> = None;
    for (index, column) in table.columns.iter().enumerate() {
        let score = score(table, index, column);
        if score > 0 && best.is_none_or(|(top, _)| score > top) {
            best = Some((score, index));
        }
    }
    let (_, index) = best?;
    let column = &table.columns[index];
    if let Some(reading) = Reading::of(column) {
        let because = format!("column `{}` holds {}", column.name, reading.words());
        return axis(table, index, reading, because);
    }
    let because = format!("column `{}` is named as a time and does not fall", column.name);
    numeric_values(column).map(|values| numeric_axis(table, index, &values, because))
}

/// How surely a column is the time; 0 for not at all.
fn score(table: &Table, index: usize, column: &Column) -> u32 {
    let fit = time_name::fit(&column.name);
    let by_role = u32::from(column.role.as_deref() == Some("time")) * 200;
    let by_name = match fit {
        Fit::Plain => 5,
        Fit::Qualified => 2,
        Fit::None | Fit::Duration => 0,
    };
    if let Some(reading) = Reading::of(column) {
        return match reading {
            Reading::Typed | Reading::DateTime(_) => by_role + 100 + by_name,
            Reading::TimeOfDay(_) => by_role + 80 + by_name,
            Reading::Date(_) => 0,
        };
    }
    let Some(values) = numeric_values(column) else { return 0 };
    if !rises(&values, &table.restarts) {
        return 0;
    }
    let timed =
        column.unit.as_deref().and_then(Unit::parse).is_some_and(|unit| unit.dimension == Dimension::Time);
    let numeric = match fit {
        Fit::Plain => 70,
        Fit::Qualified if timed || column.unit.is_none() => 50,
        Fit::None if timed => 40,
        // A file without names: a first column that rises by one fraction each row is no counter and no channel.
        Fit::None if index == 0 && column.source_name.is_empty() && even_fraction(&values) => 30,
        _ => 0,
    };
    if numeric > 0 { by_role + numeric } else { by_role }
}

/// A column that says by its values that it holds stamps.
#[derive(Clone, Copy)]
enum Reading {
    /// Arrow timestamps.
    Typed,
    DateTime(Order),
    TimeOfDay(Order),
    Date(Order),
}

impl Reading {
    const fn words(self) -> &'static str {
        match self {
            Self::Typed => "timestamps",
            Self::DateTime(_) => "dates with times",
            Self::TimeOfDay(_) => "times of day",
            Self::Date(_) => "dates",
        }
    }

    fn of(column: &Column) -> Option<Self> {
        match column.values.data_type() {
            DataType::Timestamp(_, _) if column.values.null_count() < column.values.len() => {
                Some(Self::Typed)
            }
            DataType::Utf8 => Self::of_text(column),
            _ => None,
        }
    }

    fn of_text(column: &Column) -> Option<Self> {
        let texts = column.values.as_string_opt::<i32>()?;
        let order = date_order(column);
        let (mut filled, mut both, mut times, mut dates) = (0_usize, 0_usize, 0_usize, 0_usize);
        for text in texts.iter().flatten() {
            filled += 1;
            match stamp::parse(text, order) {
                Some(Stamp { days: Some(_), time_s: Some(_), .. }) => both += 1,
                Some(Stamp { time_s: Some(_), .. }) => times += 1,
                Some(_) => dates += 1,
                None => {}
            }
            // Most text columns are no times: a few cells tell.
            if filled == 50 && (both + times + dates) * 2 < filled {
                return None;
            }
        }
        let enough = |count: usize| count > 0 && count as f64 >= STAMP_SHARE * filled as f64;
        if enough(both) {
            Some(Self::DateTime(order))
        } else if enough(times) {
            Some(Self::TimeOfDay(order))
        } else if enough(dates) {
            Some(Self::Date(order))
        } else {
            None
        }
    }
}

/// Day or month first, by the numbers beyond twelve; dots mean the day, slashes the month, where none is.
fn date_order(column: &Column) -> Order {
    let Some(texts) = column.values.as_string_opt::<i32>() else { return Order::DayFirst };
    let mut slashes = false;
    for text in texts.iter().flatten() {
        let Some((first, second)) = stamp::first_two(text) else { break };
        if first > 12 {
            return Order::DayFirst;
        }
        if second > 12 {
            return Order::MonthFirst;
        }
        slashes |= text.contains('/');
    }
    if slashes { Order::MonthFirst } else { Order::DayFirst }
}

fn order_is_guessed(column: &Column) -> bool {
    let Some(texts) = column.values.as_string_opt::<i32>() else { return false };
    let pairs: Vec<(u32, u32)> = texts.iter().flatten().map_while(stamp::first_two).collect();
    !pairs.is_empty() && pairs.iter().all(|(a, b)| *a <= 12 && *b <= 12 && a != b)
}

fn axis(table: &Table, index: usize, reading: Reading, because: String) -> Option<TimeAxis> {
    match reading {
        Reading::Typed => typed_axis(table, index, because),
        Reading::Date(_) => None,
        Reading::DateTime(order) => stamp_axis(table, index, None, order, because),
        Reading::TimeOfDay(order) => {
            let dates = table.columns.iter().enumerate().find_map(|(at, column)| match Reading::of(column) {
                Some(Reading::Date(order)) => Some((at, order)),
                _ => None,
            });
            stamp_axis(table, index, dates, order, because)
        }
    }
}

fn basis(column: &Column) -> ClockBasis {
    ClockBasis::Column { name: column.name.clone() }
}

fn typed_axis(table: &Table, index: usize, because: String) -> Option<TimeAxis> {
    let column = &table.columns[index];
    let DataType::Timestamp(unit, zone) = column.values.data_type() else { return None };
    let (per_second, ticks) = match unit {
        TimeUnit::Second => (1, column.values.as_primitive::<TimestampSecondType>().values().clone()),
        TimeUnit::Millisecond => {
            (1_000, column.values.as_primitive::<TimestampMillisecondType>().values().clone())
        }
        TimeUnit::Microsecond => {
            (1_000_000, column.values.as_primitive::<TimestampMicrosecondType>().values().clone())
        }
        TimeUnit::Nanosecond => {
            (1_000_000_000, column.values.as_primitive::<TimestampNanosecondType>().values().clone())
        }
    };
    let first = (0..column.values.len()).find(|row| column.values.is_valid(*row)).map(|row| ticks[row])?;
    // Differences are taken as integers: a double holds no nanoseconds of today.
    let seconds: Vec<f64> = ticks
        .iter()
        .enumerate()
        .map(|(row, tick)| match tick.checked_sub(first) {
            Some(difference) if column.values.is_valid(row) => difference as f64 / per_second as f64,
            _ => f64::NAN,
        })
        .collect();
    let days = first.div_euclid(per_second * 86_400);
    let time_s = first.rem_euclid(per_second * 86_400) as f64 / per_second as f64;
    let start = stamp::iso(Some(days), time_s, zone.as_ref().map(|_| 0));
    let resolution_s =
        step_of(ticks.iter().map(|tick| tick.rem_euclid(per_second * 86_400) as f64 / per_second as f64));
    Some(TimeAxis {
        seconds,
        resolution_s: resolution_s.max(1.0 / per_second as f64),
        start: Some(start),
        basis: basis(column),
        columns: vec![index],
        because,
        notes: Vec::new(),
    })
}

fn stamp_axis(
    table: &Table,
    index: usize,
    dates: Option<(usize, Order)>,
    order: Order,
    mut because: String,
) -> Option<TimeAxis> {
    let column = &table.columns[index];
    let texts = column.values.as_string_opt::<i32>()?;
    let date_texts = dates.and_then(|(at, _)| table.columns.get(at)?.values.as_string_opt::<i32>());
    let date_order = dates.map_or(order, |(_, order)| order);
    let mut seconds = Vec::with_capacity(texts.len());
    let mut first: Option<Stamp> = None;
    let mut step_s = 1.0_f64;
    let mut coarsest = true;
    let mut unreadable = 0_usize;
    for (row, text) in texts.iter().enumerate() {
        let mut stamp =
            text.and_then(|text| stamp::parse(text, order)).filter(|stamp| stamp.time_s.is_some());
        unreadable += usize::from(text.is_some() && stamp.is_none());
        if let (Some(stamp), Some(dates)) = (&mut stamp, date_texts) {
            let text = dates.is_valid(row).then(|| dates.value(row));
            stamp.days = text.and_then(|text| stamp::parse(text, date_order)).and_then(|date| date.days);
        }
        let Some(stamp) = stamp else {
            seconds.push(f64::NAN);
            continue;
        };
        let origin = first.get_or_insert(stamp);
        let days = match (stamp.days, origin.days) {
            (Some(day), Some(first)) => (day - first) as f64,
            _ => 0.0,
        };
        step_s = if coarsest { stamp.step_s } else { step_s.min(stamp.step_s) };
        coarsest = false;
        let zone_s = f64::from(stamp.zone_s.unwrap_or(0));
        seconds.push(days * DAY_S + stamp.time_s.unwrap_or(f64::NAN) - zone_s);
    }
    let first = first?;
    let mut notes = Vec::new();
    let mut note = |text: String| notes.push(Note { line: None, channel: Some(column.name.clone()), text });
    let dated = first.days.is_some();
    if !dated && pass_midnight(&mut seconds) {
        note("the time of day passes midnight; the days were counted on".to_owned());
    }
    if unreadable > 0 {
        note(format!("{unreadable} cells are no time; their rows lie on the line between their neighbours"));
    }
    let date_column = dates.and_then(|(at, _)| table.columns.get(at)).unwrap_or(column);
    if dated && order_is_guessed(date_column) {
        let order = if date_order == Order::DayFirst { "day before month" } else { "month before day" };
        note(format!("dates were read with the {order}; the log does not tell"));
    }
    let printed = if step_s < 60.0 { step_s.max(step_of(seconds.iter().copied())) } else { step_s };
    let mut columns = vec![index];
    if let (Some((at, _)), true) = (dates, dated) {
        because = format!("{because} and column `{}` the date", table.columns[at].name);
        columns.push(at);
        columns.sort_unstable();
    }
    Some(TimeAxis {
        start: Some(stamp::iso(first.days, first.time_s.unwrap_or(0.0), first.zone_s)),
        seconds,
        resolution_s: printed,
        basis: basis(column),
        columns,
        because,
        notes,
    })
}

/// Counts the days of a clock without a date: a fall by more than half a day is midnight.
fn pass_midnight(seconds: &mut [f64]) -> bool {
    let (mut shift, mut last, mut passed) = (0.0, f64::NAN, false);
    for time in seconds {
        if time.is_nan() {
            continue;
        }
        if last - *time > MIDNIGHT_S {
            shift += DAY_S;
            passed = true;
        }
        last = *time;
        *time += shift;
    }
    passed
}

/// Numbers of a column, NaN where null; `None` for columns without numbers.
fn numeric_values(column: &Column) -> Option<Vec<f64>> {
    let rows = column.values.len();
    let valid = |row: usize| column.values.is_valid(row);
    let values: Vec<f64> = match column.values.data_type() {
        DataType::Float64 => {
            let values = column.values.as_primitive::<Float64Type>().values();
            (0..rows).map(|row| if valid(row) { values[row] } else { f64::NAN }).collect()
        }
        DataType::Int64 => {
            let values = column.values.as_primitive::<Int64Type>().values();
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

fn first_value(column: &Column) -> Option<f64> {
    let row = (0..column.values.len()).find(|row| column.values.is_valid(*row))?;
    match column.values.data_type() {
        DataType::Float64 => Some(column.values.as_primitive::<Float64Type>().value(row)),
        DataType::Int64 => Some(column.values.as_primitive::<Int64Type>().value(row) as f64),
        _ => None,
    }
}

/// Whether values rise over the log and hardly ever fall.
fn rises(values: &[f64], restarts: &[usize]) -> bool {
    let known: Vec<f64> = values.iter().copied().filter(|value| !value.is_nan()).collect();
    let (Some(first), Some(last)) = (known.first(), known.last()) else { return false };
    let falls = known.windows(2).filter(|pair| pair[1] < pair[0]).count();
    let rises = known.windows(2).any(|pair| pair[1] > pair[0]);
    let allowed = (BACK_SHARE * known.len() as f64) as usize + restarts.len() + 1;
    known.len() == 1 || (rises && falls <= allowed && (last > first || falls > 0))
}

/// Whether values rise by one and the same step that is no whole number.
fn even_fraction(values: &[f64]) -> bool {
    let (Some(first), Some(second), Some(last)) = (values.first(), values.get(1), values.last()) else {
        return false;
    };
    let step = second - first;
    let mean = (last - first) / (values.len() - 1) as f64;
    let even = values.windows(2).all(|pair| ((pair[1] - pair[0]) - mean).abs() <= 0.1 * mean);
    step > 0.0 && (step - step.round()).abs() > 1e-6 && even
}

fn numeric_axis(table: &Table, index: usize, values: &[f64], mut because: String) -> TimeAxis {
    let column = &table.columns[index];
    let first = first_value(column).unwrap_or(0.0);
    let unit = unit_of(column, values, first);
    because = format!("{because}; {}", unit.because);
    let scaled = first * unit.factor;
    let epoch = scaled >= EPOCH_S.0 && scaled < EPOCH_S.1;
    let start = epoch.then(|| {
        let days = (scaled / DAY_S).floor();
        stamp::iso(Some(days as i64), scaled - days * DAY_S, Some(0))
    });
    let seconds: Vec<f64> = values.iter().map(|value| value * unit.factor).collect();
    let mut notes = Vec::new();
    if unit.guessed {
        let text = format!("{}; set its unit in the rig file if that is wrong", unit.because);
        notes.push(Note { line: None, channel: Some(column.name.clone()), text });
    }
    TimeAxis {
        resolution_s: step_of(values.iter().copied().map(|value| value * unit.factor)),
        seconds,
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

fn median_step(values: &[f64]) -> f64 {
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
fn step_of(times_s: impl Iterator<Item = f64>) -> f64 {
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

fn from_rate(table: &Table, stated_rate_hz: Option<f64>) -> Result<TimeAxis, ReadError> {
    let Some(rate_hz) = stated_rate_hz else {
        let help = "state the rate with `--rate HZ` or `rate_hz` in the rig file, or name the column there: \
                    [columns] \"NAME\" = { role = \"time\" }";
        let problem = "no column holds the time of the rows";
        return Err(content_error(&table.source.path, Place::default(), problem, &names(table), help));
    };
    Ok(TimeAxis {
        seconds: (0..table.rows).map(|row| row as f64 / rate_hz).collect(),
        resolution_s: 0.0,
        start: None,
        basis: ClockBasis::StatedRate { rate_hz },
        columns: Vec::new(),
        because: format!("no column holds the time; the rate was stated as {rate_hz} Hz"),
        notes: Vec::new(),
    })
}

fn names(table: &Table) -> String {
    let mut text: Vec<&str> =
        table.columns.iter().take(NAMES_QUOTED).map(|column| column.name.as_str()).collect();
    if table.columns.len() > NAMES_QUOTED {
        text.push("...");
    }
    format!("columns {}", text.join(", "))
}

fn first_text(column: &Column) -> String {
    let text = column.values.as_string_opt::<i32>().and_then(|texts| texts.iter().flatten().next());
    text.map_or_else(|| column.values.data_type().to_string(), |text| format!("\"{text}\""))
}

#[cfg(test)]
#[path = "time_test.rs"]
mod tests;
