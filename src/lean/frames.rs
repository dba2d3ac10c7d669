//! Fresh values of the mixture channel, told from the rows that carry them.

use std::borrow::Cow;
use std::ops::{Bound, RangeBounds};

use crate::log::Channel;

/// One fresh value of the mixture channel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Frame {
    /// Time of its first row, s.
    pub time_s: f64,
    /// Reading.
    pub lambda: f64,
    /// First row that carries it.
    pub row: u32,
    /// At the lean end stop: a bound.
    pub clipped: bool,
}

impl Frame {
    /// Reciprocal of the reading.
    #[inline]
    pub(super) fn phi(self) -> f64 {
        self.lambda.recip()
    }
}

/// Which rows of a log are frames. A narrow log has a frame for every other number that it holds, so that clock and channel are
/// looked up instead of being copied.
#[derive(Debug, Default)]
pub(super) struct FrameRows<'a> {
    /// Of every row of the log, s.
    time_s: &'a [f64],
    /// Reading of every row; of the frames alone, where few rows hold one.
    lambda: Cow<'a, [f64]>,
    few: bool,
    /// Row of each frame; null where every row is one.
    rows: Option<Vec<u32>>,
    /// Readings from here on are at the lean end stop.
    clip: Option<f64>,
}

impl<'a> FrameRows<'a> {
    /// * `rows`: of the frames, ascending; each holds a value
    /// * `time_s`: one per row of the log
    pub(super) fn new(channel: &'a Channel, time_s: &'a [f64], rows: Vec<u32>, clip: Option<f64>) -> Self {
        let few = channel.keeps_few();
        let lambda = if few {
            rows.iter().map(|row| channel.at(*row as usize).unwrap_or(f64::NAN)).collect()
        } else {
            Cow::Borrowed(channel.values())
        };
        let every = !few && rows.len() == time_s.len().min(lambda.len());
        Self { time_s, lambda, few, rows: (!every).then_some(rows), clip }
    }

    pub(super) fn all(&self) -> Frames<'_> {
        let rows = self.rows.as_deref();
        let end = rows.map_or(self.time_s.len().min(self.lambda.len()), <[u32]>::len);
        Frames {
            time_s: self.time_s,
            lambda: &self.lambda,
            few: self.few,
            rows,
            clip: self.clip,
            start: 0,
            end,
        }
    }
}

/// Frames one after the other: what a slice of [`Frame`] is, without one being kept.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Frames<'a> {
    time_s: &'a [f64],
    lambda: &'a [f64],
    few: bool,
    rows: Option<&'a [u32]>,
    clip: Option<f64>,
    /// Among all frames of the log, half open.
    start: usize,
    end: usize,
}

impl<'a> Frames<'a> {
    /// A frame in every row.
    #[cfg(test)]
    pub(super) fn of_every_row(time_s: &'a [f64], lambda: &'a [f64]) -> Self {
        Self { time_s, lambda, end: lambda.len(), ..Self::default() }
    }

    pub(super) const fn len(self) -> usize {
        self.end - self.start
    }

    #[inline]
    pub(super) fn get(self, index: usize) -> Option<Frame> {
        let at = self.start + index;
        if at >= self.end {
            return None;
        }
        let row = match self.rows {
            Some(rows) => *rows.get(at)?,
            None => at as u32,
        };
        let lambda = *self.lambda.get(if self.few { at } else { row as usize })?;
        let time_s = *self.time_s.get(row as usize)?;
        Some(Frame { time_s, lambda, row, clipped: self.clip.is_some_and(|clip| lambda >= clip) })
    }

    pub(super) fn first(self) -> Option<Frame> {
        self.get(0)
    }

    pub(super) fn last(self) -> Option<Frame> {
        self.get(self.len().checked_sub(1)?)
    }

    /// Some of them; null where they end before that.
    pub(super) fn part(self, range: impl RangeBounds<usize>) -> Option<Self> {
        let start = match range.start_bound() {
            Bound::Included(start) => *start,
            Bound::Excluded(before) => before + 1,
            Bound::Unbounded => 0,
        };
        let end = match range.end_bound() {
            Bound::Included(last) => last + 1,
            Bound::Excluded(end) => *end,
            Bound::Unbounded => self.len(),
        };
        let inside = start <= end && end <= self.len();
        inside.then(|| Self { start: self.start + start, end: self.start + end, ..self })
    }

    pub(super) fn iter(self) -> impl DoubleEndedIterator<Item = Frame> + ExactSizeIterator + Clone + use<'a> {
        let none = Frame { time_s: f64::NAN, lambda: f64::NAN, row: u32::MAX, clipped: false };
        (0..self.len()).map(move |index| self.get(index).unwrap_or(none))
    }

    /// How many of the first of them hold to a condition that none holds to after one that does not.
    pub(super) fn partition_point(self, holds: impl Fn(&Frame) -> bool) -> usize {
        let (mut low, mut high) = (0, self.len());
        while low < high {
            let middle = low + (high - low) / 2;
            if self.get(middle).is_some_and(|frame| holds(&frame)) {
                low = middle + 1;
            } else {
                high = middle;
            }
        }
        low
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::log::{Role, Unit};

    #[test]
    fn frames_are_the_same_from_every_row_from_some_and_from_the_values_alone() {
        let time_s: Vec<f64> = (0..900).map(|row| 0.01 * f64::from(row)).collect();
        for every in [1, 2, 7] {
            let holds = |row: &usize| row.is_multiple_of(every);
            let values: Vec<f64> =
                (0..900).map(|row| if holds(&row) { 0.7 + 0.001 * row as f64 } else { f64::NAN }).collect();
            let unit = Unit::inside(Role::Lambda.dimension());
            let channel = Channel::new("a".to_owned(), Role::Lambda, unit, values.clone(), None);
            assert_eq!(channel.keeps_few(), every == 7);
            let rows: Vec<u32> = (0..900).filter(holds).map(|row| row as u32).collect();
            let expected: Vec<Frame> = rows
                .iter()
                .map(|row| {
                    let lambda = values[*row as usize];
                    Frame { time_s: time_s[*row as usize], lambda, row: *row, clipped: lambda >= 1.2 }
                })
                .collect();
            let kept = FrameRows::new(&channel, &time_s, rows.clone(), Some(1.2));
            assert_eq!(kept.rows.is_none(), every == 1);
            let all = kept.all();
            assert_eq!(all.iter().collect::<Vec<_>>(), expected);
            assert_eq!(
                (all.len(), all.first(), all.last()),
                (expected.len(), Some(expected[0]), expected.last().copied())
            );
            let part = all.part(20..=60).expect("inside");
            assert_eq!(
                part.iter().rev().collect::<Vec<_>>(),
                expected[20..=60].iter().rev().copied().collect::<Vec<_>>()
            );
            assert_eq!((part.get(40), part.get(41)), (Some(expected[60]), None));
            assert_eq!(part.part(5..).map(Frames::len), Some(36));
            assert!(part.part(..42).is_none() && part.part(42..).is_none());
            let from_s = expected[33].time_s;
            assert_eq!(part.partition_point(|frame| frame.time_s < from_s), 13);
        }
        assert_eq!((Frames::default().len(), Frames::default().last()), (0, None));
    }
}
