//! Engine speed, vehicle speed and gear against each other: what turns together.

use std::ops::Range;

use super::{
    DIFFERENCE, ERROR, Found, HOLD, INTERCEPT, LASTED, LEAST_PAIRS, PAIRS, R2, SEE, SLOPE, SPEED, each_held,
    held, lasted_s, need, stretches, throttle_travel,
};
use crate::detect::{Finding, Limit, Limits, View};
use crate::flag::Flag;
use crate::log::{Channel, Role};
use crate::signal::{regression, robust};
use crate::state::NOT_AMBIENT_PA;

/// Engine speed below which none runs.
pub(super) static RUNS: Limit = Limit {
    name: "runs_rpm",
    unit: "1/min",
    default: 300.0,
    range: (50.0, 450.0),
    why: "the starter turns an engine at 150 to 300 1/min, and it idles at 500 or more (common practice, no source)",
};
/// Gain of speed that no hill gives.
pub(super) static DOWNHILL: Limit = Limit {
    name: "downhill_m_s2",
    unit: "m/s2",
    default: 2.0,
    range: (0.5, 10.0),
    why: "a fall of 20 %, which few roads exceed (from memory), gives 9.81 times its sine, 1.92 m/s2, and drag takes of it",
};

/// Share of its travel below which a throttle is closed. Common practice, no source.
const CLOSED: f64 = 0.05;
/// Speed above which wheels and satellites are compared, m/s.
const MOVING_M_S: f64 = 5.0;
/// Acceleration below which a delay of 0.5 s costs less than 0.25 m/s.
const STEADY_M_S2: f64 = 0.5;

/// Manifold pressure that an engine leaves at once when it stops, Pa: half the highest air pressure of any road, and a fifth
/// above it.
const DEEP_PA: (f64, f64) = (45e3, 125e3);

/// Wheel against satellite speed over steady driving.
pub(super) fn satellite(channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Found {
    let other = need(view, Role::GpsSpeed)?;
    let clock = &view.log.clock;
    let (wheel, sky) = (held(channel, clock), held(other, clock));
    let (mut x, mut y) = (Vec::new(), Vec::new());
    // The first row a second later; time never runs back, so neither does it.
    let mut ahead = 0;
    for segment in &clock.segments {
        for row in segment.clone() {
            let later_s = clock.time_s[row] + 1.0;
            while clock.time_s.get(ahead).is_some_and(|time_s| *time_s < later_s) {
                ahead += 1;
            }
            if ahead >= segment.end || sky[row].is_nan() || sky[row] < MOVING_M_S {
                continue;
            }
            if (sky[ahead] - sky[row]).abs() < STEADY_M_S2
                && (wheel[ahead] - wheel[row]).abs() < 2.0 * STEADY_M_S2
            {
                x.push(sky[row]);
                y.push(wheel[row]);
            }
        }
    }
    let line = regression::line(&x, &y).filter(|line| line.count >= LEAST_PAIRS);
    let Some(line) = line else {
        return Err("too little steady driving to compare wheel and satellite speed".to_owned());
    };
    let highest = x.iter().copied().fold(0.0, f64::max);
    let ratio = robust::median(&x.iter().zip(&y).map(|(a, b)| b / a).collect::<Vec<_>>()).unwrap_or(1.0);
    // Over a narrow range of speeds the slope is loose: then the ratio decides.
    let known = line.slope_sd < 0.25 * limits.get(&SPEED);
    let slope = if known { line.slope } else { ratio };
    let off = (slope - 1.0).abs() > limits.get(&SPEED) || (ratio - 1.0).abs() > limits.get(&SPEED);
    let loose = line.error > limits.get(&ERROR) * highest;
    if !off && !loose {
        return Ok(Vec::new());
    }
    let units =
        [(1.609_344, "km/h taken for mph"), (0.621_371, "mph taken for km/h"), (3.6, "km/h taken for m/s")];
    let units = units.iter().find(|(factor, _)| (ratio / factor - 1.0).abs() < 0.05);
    let why = units.map_or("another tyre, pulse count or unit", |(_, why)| why);
    Ok(vec![Finding::new(
        0..channel.rows(),
        Flag::Suspect,
        format!(
            "{} against {}: slope {:.3}, intercept {:.2} m/s, SEE {:.2} m/s, r2 {:.4} over {} pairs; slope must be within \
             {:.2} of 1 and SEE below {:.0} % of {highest:.1} m/s: {}",
            channel.name,
            other.name,
            line.slope,
            line.intercept,
            line.error,
            line.r2,
            line.count,
            limits.get(&SPEED),
            limits.get(&ERROR) * 100.0,
            if off { why } else { "they do not move together" }
        ),
        vec![
            (&SLOPE, line.slope),
            (&INTERCEPT, line.intercept),
            (&SEE, line.error),
            (&R2, line.r2),
            (&PAIRS, line.count as f64),
        ],
    )])
}

/// Engine over vehicle speed within one logged gear.
pub(super) fn gears(channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Found {
    let (gear, rpm) = (need(view, Role::Gear)?, need(view, Role::EngineSpeed)?);
    let clock = &view.log.clock;
    let (gear, rpm, speed) = (held(gear, clock), held(rpm, clock), held(channel, clock));
    let ratio: Vec<f64> = (0..speed.len())
        .map(|row| {
            let engaged =
                gear[row] >= 1.0 && gear[row] <= 12.0 && speed[row] > MOVING_M_S && rpm[row] > 500.0;
            if engaged { (rpm[row] / speed[row]).ln() } else { f64::NAN }
        })
        .collect();
    let mut middles = [f64::NAN; 13];
    for (number, middle) in middles.iter_mut().enumerate().skip(1) {
        let own: Vec<f64> = (0..ratio.len())
            .filter(|row| gear[*row].round() == number as f64 && !ratio[*row].is_nan())
            .map(|row| ratio[row])
            .collect();
        if own.len() >= LEAST_PAIRS
            && let Some((centre, spread)) = robust::centre_and_spread(&own, 0.0)
            && spread < 0.05
        {
            // A gear whose ratio does not stand still (converter, belt) says nothing.
            *middle = centre;
        }
    }
    if middles.iter().all(|middle| middle.is_nan()) {
        return Err("no logged gear has a ratio that stands still".to_owned());
    }
    let own = |row: usize| middles.get(gear[row].round() as usize).copied().unwrap_or(f64::NAN);
    let far = |row: usize| (ratio[row] - own(row)).abs() > 0.15;
    Ok(stretches(clock, limits.get(&HOLD), far)
        .into_iter()
        .map(|rows| {
            let differences: Vec<f64> = rows.clone().map(|row| ratio[row] - own(row)).collect();
            let difference = robust::median(&differences).unwrap_or(0.0);
            Finding::new(
                rows.clone(),
                Flag::Suspect,
                format!(
                    "{} and engine speed are {:.0} % off the ratio of gear {:.0} for {:.1} s: slip, or one of the two is \
                     wrong",
                    channel.name,
                    difference.exp_m1() * 100.0,
                    gear[rows.start],
                    lasted_s(clock, &rows)
                ),
                vec![(&DIFFERENCE, difference), (&LASTED, lasted_s(clock, &rows))],
            )
        })
        .collect())
}

/// Throttle or pedal closed while the vehicle gains speed as only a driven one does; a speed control does not drive off so
/// steeply.
pub(super) fn driven(channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Found {
    let speed = need(view, Role::VehicleSpeed)?;
    let clock = &view.log.clock;
    let (position, moves) = (held(channel, clock), held(speed, clock));
    let (low, high) = throttle_travel(&position)?;
    let closed = low + CLOSED * (high - low);
    let gain = limits.get(&DOWNHILL);
    // Over a second, in which a coarse reading still tells.
    let gains = |row: usize| {
        let ahead = clock.row_at(clock.time_s[row] + 1.0);
        moves.get(ahead).is_some_and(|later| {
            moves[row] > MOVING_M_S && later - moves[row] > gain * (clock.time_s[ahead] - clock.time_s[row])
        })
    };
    // A second ahead is looked at: what is contradicted lasts as long after the last row that says so.
    let least_s = (limits.get(&HOLD) - 1.0).max(0.2);
    let found = stretches(clock, least_s, |row| position[row] <= closed && gains(row));
    Ok(found
        .into_iter()
        .map(|rows| {
            let end = clock.row_at(clock.time_s[rows.end - 1] + 1.0);
            let shut = (rows.end..end).take_while(|row| position[*row] <= closed).count();
            let rows = rows.start..rows.end + shut;
            let lasted = lasted_s(clock, &rows);
            let message = format!(
                "{} shows a closed throttle for {lasted:.1} s while {} rises by more than {gain:.1} m/s in a second, which \
                 takes a driven wheel",
                channel.name, speed.name
            );
            Finding::new(rows, Flag::Suspect, message, vec![(&LASTED, lasted)])
        })
        .collect())
}

/// An engine speed that no engine runs at while something shows that the engine turns.
pub(super) fn standing(channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Found {
    let clock = &view.log.clock;
    let map = view.log.role(Role::ManifoldPressure);
    let speed = view.log.role(Role::VehicleSpeed).map(|speed| held(speed, clock));
    if map.is_none() && speed.is_none() {
        return Err("no manifold pressure or vehicle speed that would show the engine turning".to_owned());
    }
    // A byte a row of each: three columns of doubles would stand here beside each other.
    let beyond = |pa: f64, (low, high): (f64, f64)| pa < low || pa > high;
    let worked: Option<(Vec<bool>, Vec<bool>)> = map
        .map(|map| each_held(map, clock).map(|pa| (beyond(pa, NOT_AMBIENT_PA), beyond(pa, DEEP_PA))).unzip());
    let least = limits.get(&RUNS);
    let lost: Vec<bool> = each_held(channel, clock).map(|rpm| (0.0..least).contains(&rpm)).collect();
    let pumping = |row: usize| worked.as_ref().is_some_and(|(pumping, _)| pumping[row]);
    let deeply = |row: usize| worked.as_ref().is_some_and(|(_, deeply)| deeply[row]);
    let gaining = |row: usize| {
        speed.as_ref().is_some_and(|speed| {
            let ahead = clock.row_at(clock.time_s[row] + 1.0);
            speed.get(ahead).is_some_and(|later| speed[row] > 1.0 && later - speed[row] > 1.0)
        })
    };
    // The manifold of an engine that has just stopped fills through its closed throttle: only what stays long tells.
    let hold_s = limits.get(&HOLD);
    let mut found = stretches(clock, 2.0 * hold_s, |row| lost[row] && (pumping(row) || gaining(row)));
    let deep = stretches(clock, hold_s, |row| lost[row] && (deeply(row) || gaining(row)));
    let known = |rows: &Range<usize>, found: &[Range<usize>]| {
        found.iter().any(|other| other.start <= rows.start && rows.end <= other.end)
    };
    let more: Vec<Range<usize>> = deep.into_iter().filter(|rows| !known(rows, &found)).collect();
    found.extend(more);
    let rpm = if found.is_empty() { Vec::new() } else { held(channel, clock) };
    Ok(found
        .into_iter()
        .map(|rows| {
            let why =
                if pumping(rows.start) { "the manifold is not at rest" } else { "the vehicle gains speed" };
            let lasted = lasted_s(clock, &rows);
            let shows = rows.clone().map(|row| rpm[row]).fold(0.0, f64::max);
            let most = if shows > 0.0 { "at most " } else { "" };
            Finding::new(
                rows,
                Flag::Bad,
                format!(
                    "{} shows {most}{shows:.0} for {lasted:.1} s while {why}: the engine turns and the reading is lost",
                    channel.name
                ),
                vec![(&LASTED, lasted)],
            )
        })
        .collect())
}
