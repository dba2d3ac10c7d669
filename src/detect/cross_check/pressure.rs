//! Manifold, boost and barometer: one air.

use arrow_buffer::BooleanBuffer;

use super::{
    DIFFERENCE, Found, HOLD, INTERCEPT, LASTED, LEAST_PAIRS, PAIRS, PRESSURE, R2, SEE, SLOPE, VACUUM,
    each_held, held, lasted_s, need, stretches, throttle_travel,
};
use crate::detect::{Finding, Limits, View};
use crate::flag::Flag;
use crate::log::{Channel, Role};
use crate::signal::{regression, robust};

/// Share of its travel from which a throttle holds nothing back. Common practice, no source.
const OPEN: f64 = 0.9;
/// No engine draws its manifold lower, Pa: over-run ends at 15 to 25 kPa (common practice, no source). What shows less is
/// no reading.
const DEEPEST_PA: f64 = 12e3;

/// Wide open in deep vacuum.
pub(super) fn throttle(channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Found {
    let other = need(view, Role::ManifoldPressure)?;
    let clock = &view.log.clock;
    let (low, high) = throttle_travel(&held(channel, clock))?;
    let open = low + OPEN * (high - low);
    let vacuum = DEEPEST_PA..1e3 * limits.get(&VACUUM);
    // A bit for each row: the values of both, laid out, take eight bytes each.
    let mut pairs = each_held(channel, clock).zip(each_held(other, clock));
    let contradict = BooleanBuffer::collect_bool(clock.rows(), |_| {
        pairs.next().is_some_and(|(position, map)| position >= open && vacuum.contains(&map))
    });
    let found = stretches(clock, limits.get(&HOLD), |row| contradict.value(row)).into_iter().map(|rows| {
        let lasted = lasted_s(clock, &rows);
        let message = format!(
            "{} shows an open throttle for {lasted:.1} s while {} stays below {:.0} kPa, which takes a closed one",
            channel.name,
            other.name,
            limits.get(&VACUUM)
        );
        Finding::new(rows, Flag::Suspect, message, vec![(&LASTED, lasted)])
    });
    Ok(found.collect())
}

/// Manifold against barometer while the engine stands.
pub(super) fn barometer(channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Found {
    let (other, speed) = (need(view, Role::BarometricPressure)?, need(view, Role::EngineSpeed)?);
    let clock = &view.log.clock;
    let (rpm, air, map) = (held(speed, clock), held(other, clock), channel.values());
    let still: Vec<f64> = (0..map.len())
        .filter(|row| rpm[*row] >= 0.0 && rpm[*row] < 50.0 && map[*row].is_finite() && air[*row] > 0.0)
        .map(|row| map[row] / air[row] - 1.0)
        .collect();
    if still.len() < 10 {
        return Err("the log never shows the engine standing (10 readings at least)".to_owned());
    }
    let share = robust::median(&still).unwrap_or(0.0);
    if share.abs() <= limits.get(&PRESSURE) || !share.is_finite() {
        return Ok(Vec::new());
    }
    Ok(vec![Finding::new(
        0..channel.rows(),
        Flag::Suspect,
        format!(
            "{} stands {:.1} % off {} while the engine stands, where both measure the same air; limit {:.0} % (40 CFR \
             1065.915)",
            channel.name,
            share * 100.0,
            other.name,
            limits.get(&PRESSURE) * 100.0
        ),
        vec![(&DIFFERENCE, share), (&PAIRS, still.len() as f64)],
    )])
}

/// Boost plus barometer against manifold pressure.
pub(super) fn boost(channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Found {
    let map = need(view, Role::ManifoldPressure)?;
    let clock = &view.log.clock;
    let air = view.log.role(Role::BarometricPressure).map(|air| held(air, clock));
    let (gauge, absolute) = (held(channel, clock), held(map, clock));
    let (mut x, mut y) = (Vec::new(), Vec::new());
    for segment in &clock.segments {
        for row in segment.clone() {
            let before = clock.row_at(clock.time_s[row] - 0.5).max(segment.start);
            let outside = air.as_ref().map_or(101_325.0, |air| air[row]);
            // Many boost gauges show nothing below the barometer: only pressure is compared, and only at rest.
            if gauge[row] > 5e3 && (absolute[row] - absolute[before]).abs() < 3e3 && outside.is_finite() {
                x.push(absolute[row]);
                y.push(gauge[row] + outside);
            }
        }
    }
    if x.len() < LEAST_PAIRS {
        return Err("too little steady boost to compare with manifold pressure".to_owned());
    }
    let share =
        robust::median(&x.iter().zip(&y).map(|(a, b)| b / a - 1.0).collect::<Vec<_>>()).unwrap_or(0.0);
    // Without a barometer, weather and height may take 15 % (standard atmosphere, 1000 m and weather).
    let limit = limits.get(&PRESSURE) + if air.is_some() { 0.0 } else { 0.15 };
    if share.abs() <= limit || !share.is_finite() {
        return Ok(Vec::new());
    }
    let mut evidence = vec![(&DIFFERENCE, share), (&PAIRS, x.len() as f64)];
    if let Some(line) = regression::line(&x, &y) {
        evidence.extend([
            (&SLOPE, line.slope),
            (&INTERCEPT, line.intercept),
            (&SEE, line.error),
            (&R2, line.r2),
        ]);
    }
    Ok(vec![Finding::new(
        0..channel.rows(),
        Flag::Suspect,
        format!(
            "{} plus barometer stands {:.1} % off {} over {} steady readings under boost; limit {:.0} %",
            channel.name,
            share * 100.0,
            map.name,
            x.len(),
            limit * 100.0
        ),
        evidence,
    )])
}
