//! What other channels say beside the mixture reading, as far as their samples may be believed.

use super::constants as k;
use super::trace::median;
use crate::flag::{Flag, Flags};
use crate::log::Channel;
use crate::signal::search;

/// Another channel that may testify.
#[derive(Clone, Copy)]
pub(super) struct Witness<'a> {
    pub channel: &'a Channel,
    pub flags: Option<&'a Flags>,
    pub time_s: &'a [f64],
    /// Added to every value.
    pub offset: f64,
}

/// A straight line through a witness.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Slope {
    /// Unit per second.
    pub per_s: f64,
    /// Its standard error.
    pub error: f64,
    /// Standard deviation about the line.
    pub residual: f64,
    /// Samples.
    pub count: usize,
}

/// More than the rounding of a difference of two times of one log, s.
const TIME_ERROR_S: f64 = 1e-6;

impl Witness<'_> {
    fn flag(&self, row: usize) -> Option<Flag> {
        self.flags.and_then(|flags| flags.get(row))
    }

    fn usable(&self, row: usize) -> bool {
        self.flag(row).is_none_or(|flag| !flag.doubts())
    }

    /// Believable samples between two times, as (time, value).
    pub(super) fn samples(&self, start_s: f64, end_s: f64) -> impl Iterator<Item = (f64, f64)> + '_ {
        self.readings(start_s, end_s)
            .filter(|(row, _)| self.usable(*row))
            .map(|(row, value)| (self.time_s[row], value))
    }

    /// All samples against which nothing critical speaks, as (time, value).
    pub(super) fn possible(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        let critical = |row: usize| matches!(self.flag(row), Some(Flag::Bad | Flag::Missing));
        let all = self.readings(f64::NEG_INFINITY, f64::INFINITY);
        all.filter(move |(row, _)| !critical(*row)).map(|(row, value)| (self.time_s[row], value))
    }

    /// Samples between two times, believable or not, as (row, value).
    pub(super) fn readings(&self, start_s: f64, end_s: f64) -> impl Iterator<Item = (usize, f64)> + '_ {
        let start = search::below(self.time_s, start_s);
        let end = search::up_to(self.time_s, end_s).max(start);
        let end = end.min(self.channel.rows());
        self.channel.readings(start.min(end)..end).map(|(row, value)| (row, value + self.offset))
    }

    /// Why it may not testify between two times, if so.
    pub(super) fn refused(&self, start_s: f64, end_s: f64) -> Option<String> {
        let rows = search::below(self.time_s, start_s)..search::up_to(self.time_s, end_s).max(1);
        let rows = rows.start..rows.end.min(self.channel.rows());
        let (mut all, mut flagged) = (0_usize, 0_usize);
        for row in rows.filter(|row| self.channel.holds(*row)) {
            all += 1;
            flagged += usize::from(!self.usable(row));
        }
        if all == 0 {
            Some(format!("{} has no value there", self.channel.role.label()))
        } else if flagged * 5 > all {
            Some(format!("{} is flagged itself there", self.channel.role.label()))
        } else {
            None
        }
    }

    /// Median between two times.
    pub(super) fn median(&self, start_s: f64, end_s: f64) -> Option<f64> {
        median(self.samples(start_s, end_s).map(|(_, v)| v).collect())
    }

    /// Smallest and largest value between two times.
    pub(super) fn range(&self, start_s: f64, end_s: f64) -> Option<(f64, f64)> {
        self.samples(start_s, end_s).map(|(_, v)| v).fold(None, |range, v| match range {
            None => Some((v, v)),
            Some((low, high)) => Some((low.min(v), high.max(v))),
        })
    }

    /// Whether it changes by more than half its resolution anywhere in the log; null without a value.
    pub(super) fn moves(&self) -> Option<bool> {
        let mut samples = self.samples(f64::NEG_INFINITY, f64::INFINITY).map(|(_, value)| value);
        let first = samples.next()?;
        let (mut low, mut high) = (first, first);
        Some(samples.any(|value| {
            (low, high) = (low.min(value), high.max(value));
            high - low > 0.5 * self.channel.resolution()
        }))
    }

    /// Last believable value at or before a time, not older than `age_s`; see [`Witness::tells`].
    pub(super) fn at(&self, time_s: f64, age_s: f64) -> Option<f64> {
        self.tells(time_s, age_s).filter(|(_, doubt)| doubt.is_none()).map(|(value, _)| value)
    }

    /// What it reads, believable or not, for conclusions that a doubt must not prevent.
    pub(super) fn reads(&self, time_s: f64, age_s: f64) -> Option<f64> {
        self.tells(time_s, age_s).map(|(value, _)| value)
    }

    /// Last believable value at or before a time, not older than `age_s`; where there is none the last value, with the flag that
    /// doubts it. Newer readings that are in doubt end what an older one says, unless they are no more than a spike.
    pub(super) fn tells(&self, time_s: f64, age_s: f64) -> Option<(f64, Option<Flag>)> {
        let end = search::up_to(self.time_s, time_s).min(self.channel.rows());
        let young = |row: &usize, age_s: f64| time_s - self.time_s[*row] <= age_s;
        let from = |age_s: f64| end.min(search::below_near(self.time_s, end, time_s - age_s - TIME_ERROR_S));
        // Mostly the row before holds a value, and nobody asks how far back another may be.
        let before = end.checked_sub(1).filter(|row| self.channel.holds(*row));
        let last =
            before.or_else(|| self.channel.last_held(from(age_s)..end)).filter(|row| young(row, age_s))?;
        let reads = |row: usize| Some(self.channel.at(row)? + self.offset);
        if self.usable(last) {
            return Some((reads(last)?, None));
        }
        let bridged_s = age_s.min(k::DOUBT_BRIDGED_S.value);
        let undoubted =
            self.flags.and_then(|flags| flags.last_undoubted(self.channel, from(bridged_s)..last));
        match undoubted.filter(|row| young(row, bridged_s)) {
            Some(row) => Some((reads(row)?, None)),
            None => Some((reads(last)?, self.flag(last))),
        }
    }

    /// Least-squares line between two times; null with fewer than four samples.
    pub(super) fn slope(&self, start_s: f64, end_s: f64) -> Option<Slope> {
        line(&self.samples(start_s, end_s).collect::<Vec<_>>())
    }

    /// Largest believable time between its sample and the reading's of the same moment, s.
    pub(super) fn skew_s(&self) -> f64 {
        k::SKEW_S.value.max(self.period_s().min(1.0))
    }

    /// Time between its fresh values, s.
    pub(super) fn period_s(&self) -> f64 {
        self.channel.fresh_period_s().unwrap_or_else(|| {
            let count = self.channel.count().max(2);
            let duration =
                self.time_s.last().copied().unwrap_or(0.0) - self.time_s.first().copied().unwrap_or(0.0);
            let intervals = (count - 1) as f64;
            duration / intervals
        })
    }
}

/// Least-squares line through (x, y) points.
pub(super) fn line(points: &[(f64, f64)]) -> Option<Slope> {
    if points.len() < 4 {
        return None;
    }
    let n = points.len() as f64;
    let mean_x = points.iter().map(|p| p.0).sum::<f64>() / n;
    let mean_y = points.iter().map(|p| p.1).sum::<f64>() / n;
    let (mut xx, mut xy) = (0.0, 0.0);
    for (x, y) in points {
        xx += (x - mean_x) * (x - mean_x);
        xy += (x - mean_x) * (y - mean_y);
    }
    if xx <= 0.0 {
        return None;
    }
    let per_s = xy / xx;
    let squares: f64 =
        points.iter().map(|(x, y)| (y - mean_y - per_s * (x - mean_x)).powi(2)).sum::<f64>() / (n - 2.0);
    Some(Slope { per_s, error: (squares / xx).sqrt(), residual: squares.sqrt(), count: points.len() })
}
