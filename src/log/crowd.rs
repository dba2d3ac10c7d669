//! Rows that stand closer together in time than any were taken: the clock stood, or they were stamped late.

use std::ops::Range;

use super::clock::ClockEvent;
use super::ticks::GAP_MIN_S;

/// Rows this many times as close together as in the whole log are no other rate of the logger; assumed.
const TIMES: f64 = 10.0;
/// A logger may take some parts of a run far faster than others, but no reading of an engine is renewed more often than
/// every so many seconds. Common practice, no source.
const APART_S: f64 = 0.005;
/// Fewer rows than this at one time are a stutter; assumed.
const ROWS_LEAST: usize = 5;

/// Stretches whose rows were due over half a second or more, by the log's own rhythm, and stand within a tenth of it.
///
/// * `time_s`: never falling
/// * `period_s`: median row period, s
/// * `held`: rows of which a step back has told already, ascending
pub(super) fn crowds(time_s: &[f64], period_s: Option<f64>, held: &[Range<usize>]) -> Vec<ClockEvent> {
    let Some(period_s) = period_s.filter(|period| *period > 0.0) else { return Vec::new() };
    let window = ((GAP_MIN_S / period_s).ceil().min(time_s.len() as f64) as usize).max(ROWS_LEAST);
    let most_s = window as f64 * APART_S.min(period_s / TIMES);
    let mut found: Vec<Range<usize>> = Vec::new();
    for (row, times) in time_s.windows(window + 1).enumerate() {
        if times[window] - times[0] > most_s {
            continue;
        }
        match found.last_mut() {
            Some(last) if row < last.end => last.end = row + window + 1,
            _ => found.push(row..row + window + 1),
        }
    }
    let told = |rows: &Range<usize>| {
        let next = held.partition_point(|range| range.end <= rows.start);
        held.get(next).is_some_and(|range| range.start < rows.end)
    };
    let event = |rows: Range<usize>| ClockEvent::Crowd {
        row: rows.start + 1,
        rows: u32::try_from(rows.len() - 1).unwrap_or(u32::MAX),
        due_s: (rows.len() - 1) as f64 * period_s,
    };
    found.into_iter().filter(|rows| !told(rows)).map(event).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(intervals: impl Iterator<Item = f64>) -> Vec<f64> {
        let mut now = 0.0;
        let steps = intervals.map(|interval| {
            now += interval;
            now
        });
        std::iter::once(0.0).chain(steps).collect()
    }

    /// 50 rows a second for 20 s, of which some have another distance.
    fn log(rows: Range<usize>, interval_s: f64) -> Vec<f64> {
        at((1..1000).map(|row| if rows.contains(&row) { interval_s } else { 0.02 }))
    }

    fn found(time_s: &[f64], period_s: f64) -> Vec<ClockEvent> {
        crowds(time_s, Some(period_s), &[])
    }

    #[test]
    fn a_clock_that_stands_or_crawls_is_found_and_says_how_long_its_rows_took() {
        for interval_s in [0.0, 1e-6, 1e-4, 0.001, 0.0015] {
            let events = found(&log(400..600, interval_s), 0.02);
            let [ClockEvent::Crowd { row, rows, due_s }] = events[..] else {
                panic!("{interval_s}: {events:?}")
            };
            assert!(row.abs_diff(400) <= 3 && rows.abs_diff(200) <= 6, "{interval_s}: {row}, {rows}");
            assert!((due_s - 0.02 * f64::from(rows)).abs() < 1e-9);
        }
    }

    #[test]
    fn a_faster_part_a_stutter_and_a_step_back_that_was_told_are_none() {
        assert!(found(&log(400..600, 0.005), 0.02).is_empty());
        assert!(found(&log(400..420, 0.0), 0.02).is_empty());
        // Ten minutes of idle at 1 Hz beside a pull at 100 Hz.
        assert!(found(&at((0..900).map(|row| if row < 600 { 1.0 } else { 0.01 })), 1.0).is_empty());
        let held = std::iter::once(380..601).collect::<Vec<_>>();
        assert!(crowds(&log(400..600, 0.0), Some(0.02), &held).is_empty());
        assert!(crowds(&[0.0; 100], None, &[]).is_empty());
        assert!(found(&[], 0.02).is_empty());
    }
}
