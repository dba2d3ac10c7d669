//! Where a control loop holds the mixture, found in the reading itself: for logs that do not show what the engine does.

use std::ops::Range;

use super::Held;
use crate::detect::View;
use crate::log::Channel;
use crate::signal::robust;

/// Length of a span, s: two periods of a slow loop (assumed).
const SPAN_S: f64 = 3.0;
/// Largest spread of a span of a loop in phi, its largest drift from its first half to its second, and how far spans
/// of one level lie apart at most. The swing of a loop is 0.005 to 0.03 (assumed).
const SPREAD: f64 = 0.03;
const DRIFT: f64 = 0.012;
const APART: f64 = 0.015;
/// A loop read through a scale that is off by a tenth at most, phi; full load is richer, an over-run leaner.
const LOOP: std::ops::RangeInclusive<f64> = 0.88..=1.12;
/// Fewest readings of a span, and fewest crossings of its middle: a loop swings, and noise crosses more often.
const ENOUGH: usize = 12;
const CROSSINGS: usize = 3;

/// The leanest level around which the reading stays for so long.
///
/// * returns null where no level lasts, or where it is not leaner than 1: engines run richer by design, leaner by none
pub(super) fn find(channel: &Channel, view: &View<'_>, least_s: f64) -> Option<Held> {
    let start = channel.power_up().end;
    let mut levels: Vec<f64> = Vec::new();
    for segment in &view.log.clock.segments {
        let mut first = segment.start.max(start);
        while let Some(rows) = span(view, first, segment.end) {
            let level = level(channel.values().get(rows.clone()).unwrap_or_default());
            levels.extend(level);
            // A loop seldom begins where a span does.
            first = if level.is_some() { rows.end } else { first + rows.len().div_ceil(2) };
        }
    }
    levels.sort_unstable_by(f64::total_cmp);
    let needed = ((least_s / SPAN_S).ceil() as usize).max(2);
    let lean = levels.windows(needed).find(|spans| spans[needed - 1] - spans[0] <= APART)?[0];
    let spans: Vec<f64> =
        levels.into_iter().filter(|level| (0.0..=2.0 * APART).contains(&(level - lean))).collect();
    Some(Held {
        ratio: robust::median(&spans).filter(|ratio| *ratio < 1.0)?,
        by_flow: None,
        seconds: spans.len() as f64 * SPAN_S,
        commanded: false,
        place: "steady readings around one level",
    })
}

/// Rows of the span that begins at a row; null where less than a span is left.
fn span(view: &View<'_>, first: usize, end: usize) -> Option<Range<usize>> {
    let clock = &view.log.clock;
    let from_s = *clock.time_s.get(first).filter(|_| first < end)?;
    let rows = first..clock.rows_between(from_s, from_s + SPAN_S).end.min(end).max(first + 1);
    let last_s = *clock.time_s.get(rows.end - 1)?;
    (last_s - from_s >= 0.9 * SPAN_S).then_some(rows)
}

/// Level of a span that moves like a loop, phi; null for any other.
fn level(lambda: &[f64]) -> Option<f64> {
    let phi: Vec<f64> = lambda.iter().filter(|lambda| **lambda > 0.0).map(|lambda| lambda.recip()).collect();
    let (middle, spread) = robust::centre_and_spread(&phi, 0.0).filter(|_| phi.len() >= ENOUGH)?;
    let (early, late) = phi.split_at(phi.len() / 2);
    let drift = (robust::median(early)? - robust::median(late)?).abs();
    let crossings = phi.windows(2).filter(|pair| (pair[0] > middle) != (pair[1] > middle)).count();
    let moves = spread <= SPREAD && drift <= DRIFT && crossings >= CROSSINGS;
    (moves && LOOP.contains(&middle)).then_some(middle)
}
