//! Which column is the time, in which unit, and how that is known.

mod numbers;
mod stamps;

use arrow_array::cast::AsArray;

use super::time_name::{self, Fit};
use super::{Column, Place, ReadError, Table, content_error};
use crate::log::{Clock, ClockBasis, Dimension, Note, Unit};
use numbers::{even_fraction, numeric_axis, numeric_values, rises};
use stamps::{Reading, axis};

/// Column names quoted in an error.
const NAMES_QUOTED: usize = 12;

/// The time of every row.
#[derive(Clone, Debug)]
pub struct TimeAxis {
    /// One per row, s, from an origin of the column's own; NaN where missing. None where the rate is stated, from which they
    /// follow.
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
    /// * `rows`: of a clock whose rate is stated; any other has as many as its column
    /// * `restarts`: [`Table::restarts`]
    pub fn into_clock(self, rows: usize, restarts: &[usize]) -> Clock {
        match self.basis {
            ClockBasis::StatedRate { rate_hz } => Clock::from_rate(rows, rate_hz, restarts),
            basis @ ClockBasis::Column { .. } => {
                Clock::from_seconds(self.seconds, self.resolution_s, self.start, basis, restarts)
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
        None => numeric_values(column).map(|values| numeric_axis(table, index, values, because)),
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
    numeric_values(column).map(|values| numeric_axis(table, index, values, because))
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
            // Degrees, minutes and seconds of arc look alike: a column named as a time that does not fall comes first.
            Reading::TimeOfDay(_) if fit == Fit::None => by_role + 45,
            Reading::TimeOfDay(_) => by_role + 80 + by_name,
            Reading::Date(_) => 0,
        };
    }
    let timed =
        column.unit.as_deref().and_then(Unit::parse).is_some_and(|unit| unit.dimension == Dimension::Time);
    // A file without names: a first column that rises by one fraction each row is no counter and no channel.
    let nameless = fit == Fit::None && !timed && index == 0 && column.source_name.is_empty();
    let numeric = match fit {
        Fit::Plain => 70,
        Fit::Qualified if timed || column.unit.is_none() => 50,
        Fit::None if timed => 40,
        Fit::None if nameless => 30,
        _ => 0,
    };
    // Names are cheaper to look at than values, and by its name hardly a column is a time.
    if by_role + numeric == 0 {
        return 0;
    }
    let Some(values) = numeric_values(column).filter(|values| rises(values, &table.restarts)) else {
        return 0;
    };
    if nameless && !even_fraction(&values) { by_role } else { by_role + numeric }
}

fn basis(column: &Column) -> ClockBasis {
    ClockBasis::Column { name: column.name.clone() }
}

fn from_rate(table: &Table, stated_rate_hz: Option<f64>) -> Result<TimeAxis, ReadError> {
    // A rate says how far apart rows are, not in which order they were recorded.
    let least = if stated_rate_hz.is_some() { table.rows / SHUFFLED } else { 0 };
    if let Some(error) = disordered(table, least) {
        return Err(error);
    }
    let Some(rate_hz) = stated_rate_hz else {
        let help = "state the rate with `--rate HZ` or `rate_hz` in the rig file, or name the column there: \
                    [columns] \"NAME\" = { role = \"time\" }";
        let problem = "no column holds the time of the rows";
        return Err(content_error(&table.source.path, Place::default(), problem, &names(table), help));
    };
    Ok(TimeAxis {
        seconds: Vec::new(),
        resolution_s: 0.0,
        start: None,
        basis: ClockBasis::StatedRate { rate_hz },
        columns: Vec::new(),
        because: format!("no column holds the time; the rate was stated as {rate_hz} Hz"),
        notes: Vec::new(),
    })
}

/// Rows in any order step back at every second one; a column that does so at less than one row of these may count
/// something, and a stated rate stands beside it.
const SHUFFLED: usize = 4;

/// The column that is named as the time and steps back more often than that, so that it cannot be it.
fn disordered(table: &Table, least: usize) -> Option<ReadError> {
    let mut named =
        table.columns.iter().enumerate().filter(|(_, column)| time_name::fit(&column.name) == Fit::Plain);
    let (index, falls) = named.find_map(|(index, column)| {
        let falls = numbers::falls(&numeric_values(column)?);
        (falls.len() > least).then_some((index, falls))
    })?;
    let (row, before, after) = *falls.first()?;
    let place = Place { line: None, column: Some((index, table.columns[index].name.clone())) };
    let problem = format!(
        "the time steps back {} times in {} rows, so that their order is not known",
        falls.len(),
        table.rows
    );
    let found = format!("{after} in data row {}, after {before}", row + 1);
    let help = "write the rows in the order in which they were recorded, with a time that rises; times beyond 999 without a \
                mark for thousands";
    Some(content_error(&table.source.path, place, &problem, &found, help))
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
    let kept = column.values.kept();
    let text = kept.as_string_opt::<i32>().and_then(|texts| texts.iter().flatten().next());
    text.map_or_else(|| column.values.data_type().to_string(), |text| format!("\"{text}\""))
}

#[cfg(test)]
mod tests;
