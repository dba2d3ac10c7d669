//! A channel that nothing else speaks for: unlike itself.

use super::{CHANCE, COUNT, ENOUGH, HELD, Stops, held};
use crate::detect::pace::Readings;
use crate::detect::{Evaluated, Finding, Limits, Outcome, View};
use crate::flag::Flag;
use crate::log::Channel;

/// Readings of a run that needs no witness and no known noise. Assumed: long against every pause of a process that
/// shows two equal readings in a row less than every second time.
const UNLIKE_READINGS: usize = 100;

/// The test where neither noise nor another channel can speak, in a log of no engine: a run of equal readings whose
/// chance is nil by the channel's own habit, and which is ten times longer than any other.
///
/// * `allowed`: whether the log has no engine speed; a standing engine holds its channels for as long as it likes
/// * returns null where the channel repeats itself too often to tell
pub(super) fn unlike_itself(
    channel: &Channel,
    view: &View<'_>,
    readings: &Readings<'_>,
    limits: &Limits<'_>,
    allowed: bool,
) -> Option<Outcome> {
    // A series of its own pace is full of gaps, and a value that outlives one stood all the more.
    let whole = 0..channel.rows();
    let mut runs = held(channel, view, std::slice::from_ref(&whole));
    let stops = Stops::of(channel);
    runs.retain(|run| !stops.contain(run.value));
    runs.sort_by_key(|run| std::cmp::Reverse(run.frames));
    let inside: usize = runs.iter().filter(|run| run.frames >= UNLIKE_READINGS).map(|run| run.frames).sum();
    let others = readings.len().saturating_sub(inside);
    let equal = (1..readings.len()).filter(|at| readings.change(*at) == 0.0).count().saturating_sub(inside);
    if !allowed || others < 2 * ENOUGH || 2 * equal > others {
        return None;
    }
    let longest_other =
        runs.iter().map(|run| run.frames).find(|frames| *frames < UNLIKE_READINGS).unwrap_or(1);
    let habit = (equal as f64 + 1.0) / (others as f64 + 2.0);
    let bar = limits.get(&CHANCE).log10() - (readings.len() as f64).log10();
    let mut findings: Vec<Finding> = runs
        .iter()
        .filter(|run| run.frames >= UNLIKE_READINGS.max(10 * longest_other))
        .filter(|run| run.frames as f64 * habit.log10() <= bar)
        .map(|run| {
            let message = format!(
                "{} stood at {:.3} {} for {} readings ({:.0} s), ten times longer than ever else in this log: stuck, or \
                 the process stood still",
                channel.name,
                channel.logged(run.value),
                channel.unit.symbol,
                run.frames,
                run.held_s
            );
            Finding::new(
                run.rows.clone(),
                Flag::Suspect,
                message,
                vec![(&HELD, run.held_s), (&COUNT, run.frames as f64)],
            )
        })
        .collect();
    findings.sort_by_key(|finding| finding.rows.start);
    Some(Outcome::ran(Evaluated::All, findings))
}
