//! Time from columns that say by their values that they hold stamps: timestamps, dates, times of day.

use arrow_array::Array;
use arrow_array::cast::AsArray;
use arrow_array::types::{
    TimestampMicrosecondType, TimestampMillisecondType, TimestampNanosecondType, TimestampSecondType,
};
use arrow_schema::{DataType, TimeUnit};

use super::super::stamp::{self, DAY_S, Order, Stamp};
use super::super::{Column, Table};
use super::numbers::step_of;
use super::{TimeAxis, basis};
use crate::log::Note;

/// Cells of a text column that must read as stamps for the column to be a time; assumed.
const STAMP_SHARE: f64 = 0.9;
/// A step back by more than this is midnight in a clock without a date, s.
const MIDNIGHT_S: f64 = 0.5 * DAY_S;

/// A column that says by its values that it holds stamps.
#[derive(Clone, Copy)]
pub(super) enum Reading {
    /// Arrow timestamps.
    Typed,
    DateTime(Order),
    TimeOfDay(Order),
    Date(Order),
}

impl Reading {
    pub(super) const fn words(self) -> &'static str {
        match self {
            Self::Typed => "timestamps",
            Self::DateTime(_) => "dates with times",
            Self::TimeOfDay(_) => "times of day",
            Self::Date(_) => "dates",
        }
    }

    pub(super) fn of(column: &Column) -> Option<Self> {
        match column.values.data_type() {
            DataType::Timestamp(_, _) if column.values.null_count() < column.values.len() => {
                Some(Self::Typed)
            }
            DataType::Utf8 => Self::of_text(column),
            _ => None,
        }
    }

    fn of_text(column: &Column) -> Option<Self> {
        let kept = column.values.kept();
        let texts = kept.as_string_opt::<i32>()?;
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
    let kept = column.values.kept();
    let Some(texts) = kept.as_string_opt::<i32>() else { return Order::DayFirst };
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
    let kept = column.values.kept();
    let Some(texts) = kept.as_string_opt::<i32>() else { return false };
    let pairs: Vec<(u32, u32)> = texts.iter().flatten().map_while(stamp::first_two).collect();
    !pairs.is_empty() && pairs.iter().all(|(a, b)| *a <= 12 && *b <= 12 && a != b)
}

pub(super) fn axis(table: &Table, index: usize, reading: Reading, because: String) -> Option<TimeAxis> {
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

fn typed_axis(table: &Table, index: usize, because: String) -> Option<TimeAxis> {
    let column = &table.columns[index];
    let DataType::Timestamp(unit, zone) = column.values.data_type() else { return None };
    let stamps = column.values.whole();
    let (per_second, ticks) = match unit {
        TimeUnit::Second => (1, stamps.as_primitive::<TimestampSecondType>().values().clone()),
        TimeUnit::Millisecond => (1_000, stamps.as_primitive::<TimestampMillisecondType>().values().clone()),
        TimeUnit::Microsecond => {
            (1_000_000, stamps.as_primitive::<TimestampMicrosecondType>().values().clone())
        }
        TimeUnit::Nanosecond => {
            (1_000_000_000, stamps.as_primitive::<TimestampNanosecondType>().values().clone())
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
        start,
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
    let texts = column.values.whole();
    let texts = texts.as_string_opt::<i32>()?;
    let date_texts = dates.and_then(|(at, _)| Some(table.columns.get(at)?.values.whole()));
    let date_texts = date_texts.as_ref().and_then(|texts| texts.as_string_opt::<i32>());
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
        start: stamp::iso(first.days, first.time_s.unwrap_or(0.0), first.zone_s),
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
