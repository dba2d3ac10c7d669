//! Jumps of the mixture reading's level while the engine runs steadily: a wet or cracked element.

use super::SIGMA;
use crate::detect::pace::Readings;
use crate::detect::{Finding, View};
use crate::flag::Flag;
use crate::log::Channel;
use crate::signal::{robust, runs};
use crate::state::bit;

/// Time between the levels that are compared, s: long against the response of a sensor, short against the swing of
/// a control loop.
const APART_S: f64 = 0.15;
/// Fewest levels that make a scatter.
const FEWEST: usize = 8;
/// Length of a window, s; a longer steady stretch has several.
const WINDOW_S: f64 = 2.0;

/// Findings, ascending; null where no steady stretch is long enough.
pub(super) fn findings(
    channel: &Channel,
    view: &View<'_>,
    readings: &Readings<'_>,
    most: f64,
) -> Option<Vec<Finding>> {
    let (mut judged, mut found) = (false, Vec::new());
    for state in [bit::IDLE, bit::CRUISE, bit::FULL_LOAD] {
        for stretch in view.state.windows_of(state) {
            let levels = levels(readings, stretch.clone());
            let spans = windows(&levels);
            judged |= !spans.is_empty();
            let sigma: Vec<f64> = spans
                .iter()
                .map(|span| {
                    let phi: Vec<f64> = levels.get(span.clone()).into_iter().flatten().map(|l| l.1).collect();
                    robust::noise(&phi).unwrap_or(0.0)
                })
                .collect();
            for run in runs::of(sigma.len(), |at| sigma.get(at).is_some_and(|sigma| *sigma > most)) {
                let worst = sigma.get(run.clone()).into_iter().flatten().copied().fold(0.0, f64::max);
                let row = |at: usize| levels.get(at).map(|level| level.0);
                let first = spans.get(run.start).and_then(|span| row(span.start));
                let last = spans.get(run.end - 1).and_then(|span| row(span.end - 1));
                if let (Some(first), Some(last)) = (first, last) {
                    found.push(Finding::new(
                        first..last + 1,
                        Flag::Suspect,
                        format!(
                            "{} jumps by {worst:.3} in phi from one {APART_S} s to the next while the engine runs \
                             steadily; {most:.3} is the most that it should: water on the element, a crack or a loose \
                             contact, or an engine that misfires",
                            channel.name
                        ),
                        vec![(&SIGMA, worst)],
                    ));
                }
            }
        }
    }
    found.sort_by_key(|finding| (finding.rows.start, finding.rows.end));
    judged.then_some(found)
}

/// Row and phi of readings at least [`APART_S`] apart within rows.
fn levels(readings: &Readings<'_>, rows: std::ops::Range<usize>) -> Vec<(usize, f64)> {
    let mut found: Vec<(usize, f64)> = Vec::new();
    let mut last_s = f64::NEG_INFINITY;
    let first = readings.at_or_after(rows.start);
    for at in first..readings.len() {
        let Some(row) = readings.row(at).filter(|row| *row < rows.end) else { break };
        let phi = readings.value(at).recip();
        if readings.time_s(at) - last_s >= APART_S - 1e-6 && phi.is_finite() {
            last_s = readings.time_s(at);
            found.push((row, phi));
        }
    }
    found
}

/// Windows of levels; what is left at the end joins the last.
fn windows(levels: &[(usize, f64)]) -> Vec<std::ops::Range<usize>> {
    let size = FEWEST.max((WINDOW_S / APART_S) as usize);
    let count = if levels.len() >= FEWEST { (levels.len() / size).max(1) } else { 0 };
    (0..count).map(|k| k * size..if k + 1 == count { levels.len() } else { (k + 1) * size }).collect()
}
