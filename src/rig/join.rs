//! Another recording of the same run, put on the log's clock.

use arrow_buffer::{BooleanBuffer, BooleanBufferBuilder};

use crate::log::{Channel, Log, Note, Role};
use crate::signal::align::{Offset, Series, offset};

/// Why a second recording cannot be put on the log's clock.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum JoinError {
    /// No quantity is in both.
    #[error(
        "cannot join {other} to {path}: they hold no quantity in common\n  found: {found}\n  help: both need one of \
         engine speed, vehicle or satellite speed, manifold pressure, throttle or pedal; name its column in the rig file"
    )]
    NothingShared {
        /// The log.
        path: String,
        /// The other recording.
        other: String,
        /// Roles of the other.
        found: String,
    },
    /// The shared quantities do not lie over each other.
    #[error(
        "cannot join {other} to {path}: {tried} of the one does not fit the other at any one offset\n  help: check that \
         both are of the same run, and that they share more than 20 s in which it changes"
    )]
    NoFit {
        /// The log.
        path: String,
        /// The other recording.
        other: String,
        /// Quantities that were tried.
        tried: String,
    },
}

/// Periods of a recording without a row that are a gap of it: two rows in a row were due and did not come.
const GAP_PERIODS: f64 = 2.5;

/// Quantities by which two recordings are laid over each other, the sharpest first.
const SHARED: &[&[Role]] = &[
    &[Role::EngineSpeed],
    &[Role::VehicleSpeed, Role::GpsSpeed],
    &[Role::ManifoldPressure, Role::BoostPressure],
    &[Role::Throttle],
    &[Role::Pedal],
];

/// Adds the channels of another recording of the same run to a log.
///
/// The offset between the clocks is found from a quantity that both hold, see [`offset`]; it is stated as a note with
/// its interval. Each reading goes to the nearest row of the log within half the longer of the two periods; rows
/// between two readings of a slower recording are not sampled, rather than missing. What it did not record is missing: rows
/// in a gap of its own, and of a mixture those before its first and after its last row too.
///
/// # Errors
/// [`JoinError::NothingShared`] and [`JoinError::NoFit`].
pub fn join(log: &mut Log, other: Log) -> Result<(), JoinError> {
    let (path, name) = (log.source.path.clone(), other.source.path.clone());
    let mut tried = Vec::new();
    let mut found = None;
    for roles in SHARED {
        let pick = |log: &Log| roles.iter().find_map(|role| log.index_of(*role));
        let (Some(ours), Some(theirs)) = (pick(log), pick(&other)) else { continue };
        tried.push(log.channels[ours].role.label());
        let series = |log: &Log, index: usize| -> Option<Offset> {
            let theirs = Series { time_s: &other.clock.time_s, values: other.channels.get(theirs)?.values() };
            offset(Series { time_s: &log.clock.time_s, values: log.channels.get(index)?.values() }, theirs)
        };
        if let Some(offset) = series(log, ours) {
            found = Some((offset, log.channels[ours].name.clone(), other.channels[theirs].name.clone()));
            break;
        }
    }
    let Some((offset, ours, theirs)) = found else {
        if tried.is_empty() {
            let found: Vec<&str> = other.channels.iter().map(|channel| channel.role.label()).collect();
            return Err(JoinError::NothingShared { path, other: name, found: found.join(", ") });
        }
        return Err(JoinError::NoFit { path, other: name, tried: tried.join(" and ") });
    };
    let left_out = add(log, other, offset.shift_s);
    let mut text = format!(
        "joined {name}: its clock started {:.3} s after this log's (95 % interval {:.3} to {:.3} s), found by laying \
         `{theirs}` over `{ours}`: correlation {:.3} over {:.0} s; a delay of either instrument counts as part of it",
        offset.shift_s, offset.low_s, offset.high_s, offset.correlation, offset.overlap_s
    );
    if left_out > 0 {
        text += "; ";
        text += &left_out.to_string();
        text += " of its rows have no row of this log near them and were left out";
    }
    log.notes.push(Note { line: None, channel: None, text });
    Ok(())
}

/// Puts the channels on the log's rows; the number of rows that had no place.
fn add(log: &mut Log, other: Log, shift_s: f64) -> usize {
    let period = |log: &Log| log.clock.period_s.unwrap_or(0.0);
    let reach_s = 0.5 * period(log).max(period(&other)) + 1e-9;
    let mut rows: Vec<Option<usize>> = vec![None; log.rows()];
    let mut left_out = 0;
    for (from, time) in other.clock.time_s.iter().enumerate() {
        let time = time + shift_s;
        let after = log.clock.row_at(time);
        let off = |row: usize| log.clock.time_s.get(row).map(|t| (t - time).abs());
        let nearest = [after.checked_sub(1), Some(after)]
            .into_iter()
            .flatten()
            .filter_map(|row| Some((row, off(row)?)))
            .min_by(|a, b| a.1.total_cmp(&b.1));
        match nearest {
            Some((row, off)) if off <= reach_s && rows[row].is_none() => rows[row] = Some(from),
            _ => left_out += 1,
        }
    }
    let lost = gaps(&rows, &other);
    let (first, last) = (rows.iter().position(Option::is_some), rows.iter().rposition(Option::is_some));
    let ran = first.unwrap_or(rows.len())..last.map_or(rows.len(), |last| last + 1);
    let last_column = log.channels.iter().map(|channel| channel.column).max().unwrap_or(0);
    // Between the rows of a slower one nothing was due; what tells of a danger is due as long as the log lasts.
    let idle = |row: usize, role: Role| {
        rows[row].is_none() && !lost.value(row) && (ran.contains(&row) || !role.is_mixture())
    };
    for (index, channel) in other.channels.into_iter().enumerate() {
        let values: Vec<f64> =
            rows.iter().map(|from| from.map_or(f64::NAN, |row| channel.values()[row])).collect();
        let not_due = BooleanBuffer::collect_bool(rows.len(), |row| {
            idle(row, channel.role) || rows[row].is_some_and(|from| channel.not_sampled(from))
        });
        let not_due = Some(not_due).filter(|mask| mask.count_set_bits() > 0);
        let name = unused(&channel.name, &log.channels);
        let mut placed = Channel::new(name, channel.role, channel.unit, values, not_due);
        placed.basis = channel.basis;
        placed.scale = channel.scale;
        placed.codes = channel.codes;
        placed.measured = channel.measured;
        placed.column = last_column + 1 + index;
        log.channels.push(placed);
    }
    // The worse of two stays: of a broken last row there may be no more.
    let cuts = [log.source.cut_short.take(), other.source.cut_short];
    log.source.cut_short = cuts.into_iter().flatten().min_by_key(|cut| cut.row_only);
    log.source.unread.extend(other.source.unread);
    log.text_columns.extend(other.text_columns);
    log.notes.extend(other.notes);
    left_out
}

/// Rows of the log that lie in a gap of the other recording.
///
/// * `rows`: of the other, for each row of the log
fn gaps(rows: &[Option<usize>], other: &Log) -> BooleanBuffer {
    let mut lost = BooleanBufferBuilder::new(rows.len());
    lost.append_n(rows.len(), false);
    let longest_s = other.clock.period_s.map_or(f64::INFINITY, |period_s| GAP_PERIODS * period_s);
    let known = rows.iter().enumerate().filter_map(|(row, from)| Some((row, (*from)?)));
    let mut before: Option<(usize, usize)> = None;
    for (row, from) in known {
        if let Some((row_before, from_before)) = before.replace((row, from)) {
            let times = other.clock.time_s.get(from_before..=from).unwrap_or_default();
            if times.windows(2).any(|pair| pair[1] - pair[0] > longest_s) {
                (row_before + 1..row).for_each(|row| lost.set_bit(row, true));
            }
        }
    }
    lost.finish()
}

/// A name that no channel has yet.
fn unused(name: &str, channels: &[Channel]) -> String {
    let taken = |name: &str| channels.iter().any(|channel| channel.name == name);
    let numbered = |number: usize| format!("{name}.{number}");
    if !taken(name) {
        return name.to_owned();
    }
    // One more number than there are channels: one of them is free.
    (2..=channels.len() + 2).map(numbered).find(|name| !taken(name)).unwrap_or_else(|| name.to_owned())
}

#[cfg(test)]
mod tests {
    use std::fmt::Write as _;

    use super::super::{Rig, assemble};
    use super::*;
    use crate::read::{ReadOptions, from_bytes};

    fn log(name: &str, text: &str) -> Log {
        let table = from_bytes(name, text.as_bytes(), &ReadOptions::default()).expect("table");
        assemble(table, &Rig::default()).expect("log")
    }

    fn drive(header: &str, hz: f64, start_s: f64, seconds: f64) -> String {
        let mut text = format!("{header}\n");
        for row in 0..(seconds * hz) as usize {
            let time = row as f64 / hz;
            let t = time + start_s;
            let speed = 60.0 + 30.0 * (t / 11.0).sin() + 18.0 * (t / 4.7).sin() + 12.0 * (t / 29.0).cos();
            writeln!(text, "{time:.3},{speed:.2},{:.2}", 20.0 + t / 100.0).expect("write");
        }
        text
    }

    #[test]
    fn a_slower_recording_is_put_on_the_rows_of_the_log() {
        let mut main =
            log("run.csv", &drive("Time (s),Vehicle Speed (km/h),Oil Temperature (°C)", 50.0, 0.0, 200.0));
        let gps =
            log("gps.csv", &drive("Time (s),GPS Speed (km/h),Ambient Temperature (°C)", 10.0, 12.34, 150.0));
        join(&mut main, gps).expect("joined");
        let speed = main.role(Role::GpsSpeed).expect("there");
        assert_eq!(speed.rows(), main.rows());
        assert!((1499..=1501).contains(&speed.count()), "{}", speed.count());
        assert!(main.notes.iter().any(|note| note.text.contains("joined gps.csv: its clock started 12.3")));
        assert!(speed.not_sampled(0) && !(0..main.rows()).any(|row| speed.missing(row)));
    }

    #[test]
    fn what_the_second_recording_did_not_record_is_missing() {
        let whole = drive("Time (s),Vehicle Speed (km/h),Lambda", 10.0, 10.0, 150.0)
            .replace(",20.", ",0.")
            .replace(",21.", ",0.9");
        let holed = |from: usize, to: usize| -> String {
            let kept = |at: &(usize, &str)| !(from..to).contains(&at.0);
            whole.split_inclusive('\n').enumerate().filter(kept).map(|(_, line)| line).collect()
        };
        let missing = |text: &str| {
            let mut main = log(
                "run.csv",
                &drive("Time (s),Vehicle Speed (km/h),Oil Temperature (°C)", 50.0, 0.0, 200.0),
            );
            join(&mut main, log("lambda.csv", text)).expect("joined");
            let of = |role: Role| main.channels.iter().rfind(|channel| channel.role == role).expect("there");
            let count = |role: Role| (0..main.rows()).filter(|row| of(role).missing(*row)).count();
            (count(Role::VehicleSpeed), count(Role::Lambda))
        };
        // 50 s before and behind the second recording are 2 500 rows of the log, in which its mixture was due.
        let (speed, lambda) = missing(&whole);
        assert!(speed == 0 && (2_490..2_510).contains(&lambda), "{speed} {lambda}");
        let (holed, more) = missing(&holed(500, 600));
        assert!(
            (495..515).contains(&holed) && (holed - 10..holed + 10).contains(&(more - lambda)),
            "{holed} {more}"
        );
    }

    #[test]
    fn what_cannot_be_joined_says_why() {
        let mut main =
            log("run.csv", &drive("Time (s),Vehicle Speed (km/h),Oil Temperature (°C)", 50.0, 0.0, 200.0));
        let other = log("b.csv", &drive("Time (s),Humidity (%),Ambient Temperature (°C)", 10.0, 0.0, 100.0));
        let error = join(&mut main, other).expect_err("nothing shared").to_string();
        assert!(error.contains("no quantity in common") && error.contains("help: "), "{error}");
        let flat: Vec<String> = (0..500).map(|row| format!("{row},50,20\n")).collect();
        let flat = flat.concat();
        let other = log("c.csv", &format!("Time (s),GPS Speed (km/h),x\n{flat}"));
        let error = join(&mut main, other).expect_err("no fit").to_string();
        assert!(error.contains("does not fit") && error.contains("help: "), "{error}");
    }
}
