//! Readings of a channel in a stretch of rows, without the rows that hold none.

use std::borrow::Cow;
use std::ops::Range;

use crate::log::Channel;

/// The readings; where every row holds one they are the rows themselves, and nothing is copied.
pub(super) struct Dense<'a> {
    start: usize,
    /// Row of each reading; null where there is no blank between them.
    rows: Option<Vec<usize>>,
    /// When they were logged, s.
    pub(super) time_s: Cow<'a, [f64]>,
    /// What they show, inside unit.
    pub(super) value: Cow<'a, [f64]>,
}

impl<'a> Dense<'a> {
    /// The readings of a channel that count.
    ///
    /// * `time_s`: of the rows of the log
    /// * `counts`: whether a value does; NaN never may
    pub(super) fn of(
        channel: &'a Channel,
        time_s: &'a [f64],
        segment: Range<usize>,
        counts: impl Fn(f64) -> bool,
    ) -> Self {
        let end = segment.end.min(channel.rows()).min(time_s.len());
        let segment = segment.start.min(end)..end;
        if channel.count() == channel.rows()
            && let (Some(time_s), value) = (time_s.get(segment.clone()), channel.among(segment.clone()))
            && value.iter().all(|value| counts(*value))
        {
            let (time_s, value) = (Cow::Borrowed(time_s), value);
            return Self { start: segment.start, rows: None, time_s, value };
        }
        let (rows, value): (Vec<usize>, Vec<f64>) =
            channel.readings(segment).filter(|(_, value)| counts(*value)).unzip();
        let time_s = rows.iter().map(|row| time_s[*row]).collect();
        Self::made(rows, time_s, value)
    }

    /// Readings that were made from others, one per row.
    pub(super) fn made(rows: Vec<usize>, time_s: Vec<f64>, value: Vec<f64>) -> Self {
        Self { start: 0, rows: Some(rows), time_s: Cow::Owned(time_s), value: Cow::Owned(value) }
    }

    /// Row of a reading; null beyond the last.
    pub(super) fn row(&self, at: usize) -> Option<usize> {
        match &self.rows {
            None => (at < self.value.len()).then_some(self.start + at),
            Some(rows) => rows.get(at).copied(),
        }
    }

    /// Rows from the first of some readings to the last; empty where there are none.
    pub(super) fn rows(&self, readings: &Range<usize>) -> Range<usize> {
        let last = readings.end.checked_sub(1).and_then(|last| self.row(last));
        self.row(readings.start).zip(last).map_or(0..0, |(first, last)| first..last + 1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::testing::Bench;
    use crate::log::Role;

    #[test]
    fn readings_are_the_same_borrowed_and_copied() {
        let values =
            |blank: bool| (0..50).map(|k| if blank && k == 7 { f64::NAN } else { f64::from(k) }).collect();
        for blank in [false, true] {
            let bench = Bench::new(10.0, 50).values(Role::Lambda, values(blank));
            let log = &bench.log;
            let dense = Dense::of(&log.channels[0], &log.clock.time_s, 5..20, f64::is_finite);
            let expected: Vec<usize> = (5..20).filter(|row| !blank || *row != 7).collect();
            assert_eq!(dense.value.len(), expected.len());
            for (at, row) in expected.iter().enumerate() {
                assert_eq!(dense.row(at), Some(*row));
                assert_eq!((dense.time_s[at], dense.value[at]), (log.clock.time_s[*row], *row as f64));
            }
            assert_eq!(dense.row(expected.len()), None);
            assert_eq!(dense.rows(&(1..4)), if blank { 6..10 } else { 6..9 });
            assert_eq!(dense.rows(&(1..99)), 0..0);
        }
    }
}
