//! A zero that moves while the log runs: closed-loop running that stands at lambda 1 at first and beside it later, or the
//! other way round.

use std::ops::Range;

use super::loops;
use crate::detect::View;
use crate::log::Channel;
use crate::signal::{robust, search};
use crate::state::bit;

/// So long after the engine came to idle films and the sensor's tail are over, s (assumed); cruise is steady for as long before
/// it is called so.
const SETTLES_S: f64 = 1.0;
/// One swing of a slow loop, s (assumed): less says where in it a stretch begins.
const SWING_S: f64 = 2.5;
/// Closed-loop running that is interrupted for longer is another stretch, s.
const APART_S: f64 = 0.5;

/// Rows over which the zero stands elsewhere than in other stretches of this log.
pub(super) struct Moved {
    pub(super) rows: Range<usize>,
    /// Commanded over read, furthest from 1.
    pub(super) ratio: f64,
    /// Closed-loop running there, s.
    pub(super) seconds: f64,
}

/// Closed-loop running without a break, all at idle or all in cruise.
struct Stretch {
    rows: Range<usize>,
    seconds: f64,
    cruise: bool,
    /// Commanded over read, its middle.
    ratio: f64,
}

/// From after the last stretch at lambda 1 to the next one, wherever a stretch of the same flow stands beside it. Idle is
/// set beside idle and cruise beside cruise: air that leaks in ahead of the sensor moves them apart for good.
///
/// * `most`: furthest from 1 that a zero stands which has not moved
pub(super) fn find(channel: &Channel, view: &View<'_>, most: f64) -> Vec<Moved> {
    let stretches = stretches(channel, view);
    let stands = |one: &Stretch| (one.ratio - 1.0).abs() <= most;
    let known = [false, true].map(|cruise| {
        let stand = stretches.iter().filter(|one| one.cruise == cruise && stands(one));
        stand.map(|one| one.seconds).sum::<f64>() >= SWING_S
    });
    let mut found: Vec<Moved> = Vec::new();
    let mut stood_until = 0;
    for alike in stretches.chunk_by(|one, next| stands(one) == stands(next)) {
        let (Some(first), Some(last)) = (alike.first(), alike.last()) else { continue };
        if stands(first) {
            // What does not stand ends with the first stretch that does again.
            found.iter_mut().for_each(|moved| moved.rows.end = moved.rows.end.min(first.rows.start));
            stood_until = last.rows.end;
            continue;
        }
        let beside = alike.iter().filter(|one| known[usize::from(one.cruise)]);
        let seconds = beside.clone().map(|one| one.seconds).sum();
        let furthest = beside.map(|one| one.ratio).max_by(|a, b| (a - 1.0).abs().total_cmp(&(b - 1.0).abs()));
        if let Some(ratio) = furthest.filter(|_| seconds >= SWING_S) {
            found.push(Moved { rows: stood_until..channel.rows(), ratio, seconds });
        }
    }
    found
}

fn stretches(channel: &Channel, view: &View<'_>) -> Vec<Stretch> {
    let time_s = &view.log.clock.time_s;
    let mut found = Vec::new();
    let mut rows: Vec<(usize, f64)> = Vec::new();
    let cruises = |row: usize| view.state.has(row, bit::CRUISE);
    let mut close =
        |rows: &mut Vec<(usize, f64)>| found.extend(stretch(&std::mem::take(rows), time_s, cruises));
    for (row, ratio) in loops::commanded_over_read(channel, view) {
        let goes_on = rows.last().is_none_or(|(last, _)| {
            cruises(*last) == cruises(row)
                && time_s[row] - time_s[*last] <= APART_S.max(1.5 * period_s(channel))
        });
        if !goes_on {
            close(&mut rows);
        }
        rows.push((row, ratio));
    }
    close(&mut rows);
    found
}

fn period_s(channel: &Channel) -> f64 {
    channel.fresh_period_s().unwrap_or(0.0)
}

/// * `rows`: rows with commanded over read
fn stretch(rows: &[(usize, f64)], time_s: &[f64], cruises: impl Fn(usize) -> bool) -> Option<Stretch> {
    let ((first, _), (last, _)) = (*rows.first()?, *rows.last()?);
    let settles_s = if cruises(first) { 0.0 } else { SETTLES_S };
    let from = search::below(time_s, time_s[first] + settles_s);
    let rest: Vec<f64> = rows.iter().filter(|(row, _)| *row >= from).map(|(_, ratio)| *ratio).collect();
    let seconds = time_s[last] - time_s[from.min(last)];
    let ratio = robust::median(&rest)?;
    let swings = seconds > 0.0 && loops::swings(&rest, ratio, seconds);
    swings.then(|| Stretch { rows: first..last + 1, seconds, cruise: cruises(first), ratio })
}
