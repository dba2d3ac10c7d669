//! Levels of the mixture reading with and without a load, where a control loop holds the mixture.

use super::{
    COUNT, DELAY, ERROR, Field, Finding, HEIGHT, LOOP_SHIFT, LOOP_V, Limits, SHIFT, SIGMAS, View, readings,
};
use crate::flag::Flag;
use crate::log::{Channel, Role};
use crate::signal::robust;
use crate::signal::step::{self, Shape};
use crate::state::bit;

/// The loop has settled so long after a load switched, s; assumed.
const SETTLE_S: f64 = 1.5;
/// Time in the loop that gives a level between two switchings, s.
const LEAST_S: f64 = 2.0;
/// Fewest levels with the load and without it, together: a difference seen once may be chance.
const FEWEST: usize = 3;
/// What the swing of a loop leaves in a middle over [`LEAST_S`] and more, lambda (computed for 0.03 and 1 s).
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
    // Levels without the load and with it: the loop brings both back to one mixture, however long they lie apart.
    let mut levels = [Vec::new(), Vec::new()];
    let (mut heights, mut spans) = (Vec::new(), Vec::new());
    for segment in &clock.segments {
        let (_, load_time_s, load_value) = readings(load, &clock.time_s, segment.clone());
        let shape = Shape { window_s: 2.0, rise_s: 0.4, least: limits.get(&LOOP_V) };
        let steps = step::level_steps(&load_time_s, &load_value, &shape);
        let Some(first) = steps.first() else { continue };
        let begin_s = clock.time_s.get(segment.start).copied().unwrap_or(0.0);
        let before = (first.height > 0.0, begin_s..first.time_s);
        let after = steps.iter().enumerate().map(|(k, at)| {
            let end_s = steps.get(k + 1).map_or(f64::INFINITY, |next| next.time_s);
            // A heavier load lowers the voltage.
            (at.height < 0.0, at.time_s..end_s.min(clock.time_s[segment.end - 1]))
        });
        for (loaded, time) in std::iter::once(before).chain(after) {
            let settled = time.start + SETTLE_S..time.end - 0.4;
            levels[usize::from(loaded)].extend(level(channel, view, settled, held));
            if loaded {
                spans.push(clock.rows_between(time.start, time.end));
            }
        }
        heights.extend(steps.iter().map(|step| step.height.abs()));
    }
    let count = levels.iter().map(Vec::len).sum::<usize>();
    let [without, with] = &levels;
    if count < FEWEST || without.is_empty() || with.is_empty() {
        return None;
    }
    let mean_of = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    let squares = |values: &[f64]| values.iter().map(|value| (value - mean_of(values)).powi(2)).sum::<f64>();
    let mean = mean_of(with) - mean_of(without);
    let spread = ((squares(with) + squares(without)) / (count - 2) as f64).sqrt();
    let error = spread.max(SWING).max(channel.resolution())
        * ((with.len() as f64).recip() + (without.len() as f64).recip()).sqrt();
    let sign = mean.signum();
    let apart = with.iter().all(|one| without.iter().all(|other| (one - other) * sign > 0.0));
    let real = apart && mean.abs() > limits.get(&LOOP_SHIFT) && mean.abs() > limits.get(&SIGMAS) * error;
    let height = mean_of(&heights);
    let evidence: Vec<(&'static Field, f64)> = vec![
        (&SHIFT, channel.logged_difference(mean)),
        (&ERROR, channel.logged_difference(error)),
        (&COUNT, count as f64),
        (&HEIGHT, height),
        (&DELAY, SETTLE_S),
    ];
    let message = format!(
        "{} stands {:.3} {} (standard error {:.3}) higher while a load pulls {} down by {height:.2} V, over {count} levels in \
         idle and cruise, where the control loop holds one mixture: a voltage between two grounds",
        channel.name,
        channel.logged_difference(mean),
        channel.unit.symbol,
        channel.logged_difference(error),
        load.name,
    );
    spans.retain(|rows| real && rows.start < rows.end);
    Some(
        spans
            .into_iter()
            .map(|rows| Finding::new(rows, Flag::Suspect, message.clone(), evidence.clone()))
            .collect(),
    )
}

/// Middle of a reading over rows that count, in phi and given back as lambda; null where they last too short.
fn level(
    channel: &Channel,
    view: &View<'_>,
    time: std::ops::Range<f64>,
    counts: impl Fn(usize) -> bool,
) -> Option<f64> {
    if time.end - time.start < LEAST_S {
        return None;
    }
    let (mut phi, mut held_s, mut last_s) = (Vec::new(), 0.0, f64::INFINITY);
    for row in view.log.clock.rows_between(time.start, time.end) {
        let lambda = channel.values().get(row).copied().unwrap_or(f64::NAN);
        if lambda > 0.5 && lambda < 1.5 && counts(row) {
            phi.push(lambda.recip());
            let now_s = view.log.clock.time_s.get(row).copied().unwrap_or(f64::INFINITY);
            held_s += (now_s - last_s).clamp(0.0, 1.0);
            last_s = now_s;
        } else {
            last_s = f64::INFINITY;
        }
    }
    // The middle: a cruise begins with the tail of the over-run before it.
    let long = held_s >= LEAST_S * 0.9 && phi.len() >= 8;
    long.then(|| robust::median(&phi)).flatten().map(f64::recip)
}
