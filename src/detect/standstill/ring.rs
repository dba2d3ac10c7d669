//! Blocks of rows that come again and again: a ring buffer that is sent although nothing fills it.

use std::ops::Range;

use super::{FEWEST, Signal, Stand, View, runs, span_s};
use crate::log::Channel;

/// Longest time after which a block comes again, s: a buffer of a second or two, with a margin; assumed.
const LONGEST_S: f64 = 5.0;
/// Lags that are followed from one row; of more than a few, none is a block's.
const LAGS_MOST: usize = 16;

/// Rows that equal those some rows before them, all of them by the same number of rows.
pub(super) struct Ring {
    /// The copies, without the first block, which is real.
    pub(super) rows: Range<usize>,
    /// Rows of a block.
    pub(super) lag: usize,
}

/// Stretches of `hold_s` or longer in which the engine runs and all signals repeat a block of rows. At most one row in half of
/// `hold_s` is looked for among the rows before it, so that this costs little more than reading them once.
pub(super) fn rings(signals: &[&Channel], hold_s: f64, view: &View<'_>) -> Vec<Ring> {
    let rows = view.log.rows();
    let time_s = &view.log.clock.time_s;
    let same = |row: usize, other: usize| signals.iter().all(|channel| channel.same(row, other));
    let mut found = Vec::new();
    let mut row = 1;
    while row < rows {
        // Only what differs from the row before tells a block from a standstill.
        if same(row, row - 1) {
            row += 1;
            continue;
        }
        let earliest = time_s[..row].partition_point(|time| *time < time_s[row] - LONGEST_S);
        let lags = (2..=row - earliest).filter(|lag| same(row, row - lag)).take(LAGS_MOST);
        let around = |lag: usize| {
            let start = (lag..row).rev().take_while(|row| same(*row, *row - lag)).last().unwrap_or(row);
            let end =
                (row..rows).take_while(|row| same(*row, *row - lag)).last().map_or(row, |last| last + 1);
            Ring { rows: start..end, lag }
        };
        let next = time_s.partition_point(|time| *time < time_s[row] + 0.5 * hold_s).max(row + 1);
        let long = |ring: &Ring| span_s(view, &ring.rows) >= hold_s;
        match lags.map(around).find(long) {
            Some(ring) => {
                row = ring.rows.end.max(next);
                if runs(view, &ring.rows) && changing(signals, &ring.rows) >= FEWEST {
                    found.push(ring);
                }
            }
            None => row = next,
        }
    }
    found
}

/// Signals that change in some rows. Where only one does the others stand, which an engine at rest may show.
fn changing(signals: &[&Channel], rows: &Range<usize>) -> usize {
    let changes = |channel: &&&Channel| {
        let mut values = channel.readings(rows.clone()).map(|(_, value)| value);
        let first = values.next();
        values.any(|value| Some(value) != first)
    };
    signals.iter().filter(changes).count()
}

impl<'a> Stand<'a> {
    /// A ring as what stands in it: every signal equals itself a block before as seldom as it equals its last reading.
    pub(super) fn of_ring(ring: &Ring, signals: &[Signal<'a>], view: &View<'_>) -> Self {
        let rows = ring.rows.clone();
        let held_s = span_s(view, &rows);
        let mut stand = Stand { rows, standing: Vec::new(), moving: Vec::new(), speaking: 0, log10_p: 0.0 };
        for signal in signals {
            let read = signal.channel.readings(stand.rows.clone()).count();
            let period_s = signal.channel.fresh_period_s().filter(|period_s| *period_s > 0.0);
            let count = period_s.map_or(read, |period_s| read.min((held_s / period_s) as usize));
            if read > 0 {
                stand.standing.push(signal.channel);
                stand.add(signal.log10_equal(count, &stand.rows, view));
            }
        }
        stand
    }
}
