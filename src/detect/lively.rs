//! How lively a channel is around a run of equal readings, and how likely that makes the run.

use std::ops::Range;

use super::View;
use super::pace::{Readings, noise_by};
use crate::log::Channel;
use crate::signal::fresh;
use crate::state::bit;

/// Readings on each side of a run from which the channel's liveliness is learned.
const NEAR: usize = 60;
/// Fewest readings to learn it from.
pub(super) const ENOUGH: usize = 20;

/// What readings do when the channel is alive.
pub(super) struct Liveliness {
    pub(super) sigma_over_q: f64,
    /// Upper estimate of the share of readings equal to the one before.
    equal: f64,
}

impl Liveliness {
    /// log10 of the probability of a run, by the less surprised of the two measures.
    pub(super) fn log10_run(&self, frames: usize) -> f64 {
        self.log10_share(frames).max(fresh::log10_equal(frames, self.sigma_over_q)).max(-300.0)
    }

    /// The same by the share of equal readings alone.
    pub(super) fn log10_share(&self, frames: usize) -> f64 {
        frames.saturating_sub(1) as f64 * self.equal.log10()
    }
}

/// From the nearest readings outside a run of rows in the same operating state.
pub(super) fn liveliness(
    channel: &Channel,
    view: &View<'_>,
    readings: &Readings<'_>,
    run: &Range<usize>,
) -> Option<Liveliness> {
    let bits = |row: usize| view.state.bits.get(row).copied().unwrap_or(0);
    let state = bits(usize::midpoint(run.start, run.end));
    beside(channel, readings, run, |at| readings.row(at).is_some_and(|row| bits(row) == state))
}

/// The same from the nearest readings with the throttle open, for a run there in a state that the log holds little else of.
pub(super) fn liveliness_wide_open(
    channel: &Channel,
    view: &View<'_>,
    readings: &Readings<'_>,
    run: &Range<usize>,
) -> Option<Liveliness> {
    let open = |row: usize| view.state.has(row, bit::WIDE_OPEN);
    let middle = usize::midpoint(run.start, run.end);
    open(middle).then(|| beside(channel, readings, run, |at| readings.row(at).is_some_and(open))).flatten()
}

/// The same from the nearest readings while the engine runs, for a run in which no speed says so.
pub(super) fn liveliness_while_running(
    channel: &Channel,
    view: &View<'_>,
    readings: &Readings<'_>,
    run: &Range<usize>,
) -> Option<Liveliness> {
    beside(channel, readings, run, |at| readings.row(at).is_some_and(|row| view.state.has(row, bit::RUNNING)))
}

/// The same from the nearest readings in any state, for a run in a state that the log holds nothing else of.
pub(super) fn liveliness_in_any_state(
    channel: &Channel,
    readings: &Readings<'_>,
    run: &Range<usize>,
) -> Option<Liveliness> {
    beside(channel, readings, run, |_| true)
}

fn beside(
    channel: &Channel,
    readings: &Readings<'_>,
    run: &Range<usize>,
    like: impl Fn(usize) -> bool,
) -> Option<Liveliness> {
    let start = readings.at_or_after(run.start);
    let end = readings.at_or_after(run.end);
    let before: Vec<usize> = (0..start).rev().take(10 * NEAR).filter(|at| like(*at)).take(NEAR).collect();
    let after: Vec<usize> = (end..readings.len()).take(10 * NEAR).filter(|at| like(*at)).take(NEAR).collect();
    let sides =
        [before, after].map(|side| side.into_iter().map(|at| readings.value(at)).collect::<Vec<f64>>());
    // The quieter side speaks: that the channel was lively later proves nothing about now.
    sides
        .iter()
        .filter(|side| side.len() >= ENOUGH)
        .map(|side| of_side(side, channel.resolution()))
        .min_by(|a, b| a.sigma_over_q.total_cmp(&b.sigma_over_q))
}

fn of_side(values: &[f64], step: f64) -> Liveliness {
    let equal = values.windows(2).filter(|pair| pair[0] == pair[1]).count();
    let bends = values.windows(3).map(|w| (w[0] - 2.0 * w[1] + w[2]) / step).collect();
    Liveliness {
        sigma_over_q: noise_by(bends, 1.0),
        equal: (equal as f64 + 1.0) / (values.len() as f64 + 1.0),
    }
}
