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
    of_frames: bool,
    /// Row of each frame; null where every row is one.
    rows: Option<Vec<u32>>,
    /// Readings from here on are at the lean end stop.
    clip: Option<f64>,
}

impl<'a> FrameRows<'a> {
    /// * `rows`: of the frames, ascending; each holds a value
    /// * `time_s`: one per row of the log
    pub(super) fn new(channel: &'a Channel, time_s: &'a [f64], rows: Vec<u32>, clip: Option<f64>) -> Self {
        let of_frames = channel.keeps_few();
        let lambda = if of_frames {
            rows.iter().map(|row| channel.at(*row as usize).unwrap_or(f64::NAN)).collect()
        } else {
            Cow::Borrowed(channel.values())
        };
        let every = !of_frames && rows.len() == time_s.len().min(lambda.len());
        Self { time_s, lambda, of_frames, rows: (!every).then_some(rows), clip }
    }

    pub(super) fn all(&self) -> Frames<'_> {
        let rows = self.rows.as_deref();
        let end = rows.map_or(self.time_s.len().min(self.lambda.len()), <[u32]>::len);
        Frames {
            time_s: self.time_s,
            lambda: &self.lambda,
            of_frames: self.of_frames,
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
    of_frames: bool,
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
        let lambda = *self.lambda.get(if self.of_frames { at } else { row as usize })?;
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
