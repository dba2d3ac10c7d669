//! Levels of the mixture reading with and without a load, where a control loop holds the mixture.

use super::{
    COUNT, DELAY, ERROR, Field, Finding, HEIGHT, LOOP_SHIFT, LOOP_V, Limits, SHIFT, SIGMAS, View, readings,
};
use crate::flag::Flag;
use crate::log::{Channel, Role};
use crate::signal::step::{self, Shape};
use crate::state::bit;

/// The loop has settled so long after a load switched, s; assumed.
const SETTLE_S: f64 = 1.5;
/// Level on either side of a step: at least and at most so long, s.
const LEAST_S: f64 = 2.0;
const MOST_S: f64 = 8.0;
/// Fewest steps: a difference seen once may be chance.
const FEWEST: usize = 2;
/// What the swing of a loop leaves in a mean over [`LEAST_S`] and more, lambda (computed for 0.03 and 1 s).
const SWING: f64 = 0.004;

/// Findings from the levels; null where they could not be compared: no loop, or too few steps.
pub(super) fn findings(
    channel: &Channel,
    load: &Channel,
    view: &View<'_>,
    limits: &Limits<'_>,
) -> Option<Vec<Finding>> {
    if !channel.role.is_mixture() || !matches!(load.role, Role::SupplyVoltage | Role::BatteryVoltage) {
        return None;
    }
    let clock = &view.log.clock;
    let target = view.log.role(Role::LambdaTarget).map(Channel::values);
    let held = |row: usize| {
        view.state.has(row, bit::IDLE | bit::CRUISE)
            && match target.and_then(|target| target.get(row)).filter(|aim| aim.is_finite()) {
                Some(aim) => (aim - 1.0).abs() <= 0.03,
                None => !view.state.has(row, bit::WARM_UP),
            }
    };
    let (mut shifts, mut heights, mut spans) = (Vec::new(), Vec::new(), Vec::new());
    for segment in &clock.segments {
        let (_, load_time_s, load_value) = readings(load, &clock.time_s, segment.clone());
        let shape = Shape { window_s: 2.0, rise_s: 0.4, least: limits.get(&LOOP_V) };
        let steps = step::level_steps(&load_time_s, &load_value, &shape);
        for (k, at) in steps.iter().enumerate() {
            let before_s = k.checked_sub(1).and_then(|k| steps.get(k)).map_or(0.0, |step| step.time_s);
            let after_s = steps.get(k + 1).map_or(f64::INFINITY, |step| step.time_s);
            let early = (before_s + SETTLE_S).max(at.time_s - MOST_S)..at.time_s - 0.4;
            let late = at.time_s + SETTLE_S..after_s.min(at.time_s + SETTLE_S + MOST_S);
            let levels = level(channel, view, early, held).zip(level(channel, view, late, held));
            // A heavier load lowers the voltage.
            let heavier = at.height < 0.0;
            if let Some((old, new)) = levels {
                shifts.push(if heavier { new - old } else { old - new });
                heights.push(at.height.abs());
            }
            if heavier {
                spans.push(clock.rows_between(at.time_s, after_s.min(clock.duration_s() + 1.0)));
            }
        }
    }
    if shifts.len() < FEWEST {
        return None;
    }
    let n = shifts.len() as f64;
    let mean = shifts.iter().sum::<f64>() / n;
    let spread = (shifts.iter().map(|shift| (shift - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    let error = spread.max(SWING).max(channel.resolution()) / n.sqrt();
    let agree = shifts.iter().all(|shift| shift * mean > 0.0);
    let real = agree && mean.abs() > limits.get(&LOOP_SHIFT) && mean.abs() > limits.get(&SIGMAS) * error;
    let height = heights.iter().sum::<f64>() / n;
    let evidence: Vec<(&'static Field, f64)> = vec![
        (&SHIFT, channel.logged_difference(mean)),
        (&ERROR, channel.logged_difference(error)),
        (&COUNT, n),
        (&HEIGHT, height),
        (&DELAY, SETTLE_S),
    ];
    let message = format!(
        "{} stands {:.3} {} (standard error {:.3}) higher while a load pulls {} down by {height:.2} V, over {} steps in idle \
         and cruise, where the control loop holds one mixture: a voltage between two grounds",
        channel.name,
        channel.logged_difference(mean),
        channel.unit.symbol,
        channel.logged_difference(error),
        load.name,
        shifts.len(),
    );
    spans.retain(|rows| real && rows.start < rows.end);
    Some(
        spans
            .into_iter()
            .map(|rows| Finding::new(rows, Flag::Suspect, message.clone(), evidence.clone()))
            .collect(),
    )
}

/// Mean of a reading over rows that count, in phi and given back as lambda; null where they last too short.
fn level(
    channel: &Channel,
    view: &View<'_>,
    time: std::ops::Range<f64>,
    counts: impl Fn(usize) -> bool,
) -> Option<f64> {
    if time.end - time.start < LEAST_S {
        return None;
    }
    let (mut sum, mut count, mut first, mut last) = (0.0, 0.0, None, 0.0);
    for row in view.log.clock.rows_between(time.start, time.end) {
        let lambda = channel.values().get(row).copied().unwrap_or(f64::NAN);
        if lambda > 0.5 && lambda < 1.5 && counts(row) {
            sum += lambda.recip();
            count += 1.0;
            last = view.log.clock.time_s.get(row).copied().unwrap_or(last);
            first = first.or(Some(last));
        }
    }
    let long = first.is_some_and(|first| last - first >= LEAST_S * 0.9) && count >= 8.0;
    long.then(|| count / sum)
}
