//! Levels of a reading with and without a load, where it stands still otherwise: a mixture that a control loop holds,
//! pressures and throttle at idle.

use super::{
    COUNT, DELAY, ERROR, Field, Finding, HEIGHT, IDLE_PRESSURE, IDLE_STROKE, LOOP_SHIFT, LOOP_V, Limits,
    SHIFT, SIGMAS, View,
};
use crate::detect::dense::Dense;
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
/// What stands at one level whatever load is switched, and by how much that level moves by itself.
struct Still {
    states: u16,
    /// Whether a control loop must hold it there.
    looped: bool,
    /// Largest shift that the engine itself makes, inside unit.
    most: f64,
    /// What is left in a middle over [`LEAST_S`] and more, inside unit.
    swing: f64,
    place: &'static str,
}

impl Still {
    fn of(role: Role, limits: &Limits<'_>) -> Option<Self> {
        let idle = |most: f64, swing: f64| Self {
            states: bit::IDLE,
            looped: false,
            most,
            swing,
            place: "idle, where it stands still",
        };
        Some(match role {
            // The swing: computed for 0.03 and 1 s.
            Role::Lambda | Role::Afr => Self {
                states: bit::IDLE | bit::CRUISE,
                looped: true,
                most: limits.get(&LOOP_SHIFT),
                swing: 0.004,
                place: "idle and cruise, where the control loop holds one mixture",
            },
            // Swings of an idle that hunts, a tenth of the limit or more; assumed.
            Role::Throttle => idle(limits.get(&IDLE_STROKE), 0.003),
            Role::ManifoldPressure => idle(limits.get(&IDLE_PRESSURE), 1.5e3),
            Role::FuelPressure => idle(limits.get(&IDLE_PRESSURE), 2e3),
            _ => return None,
        })
    }
}

/// Findings from the levels; null where they could not be compared: nothing stands still, or too few levels.
pub(super) fn findings(
    channel: &Channel,
    load: &Channel,
    view: &View<'_>,
    limits: &Limits<'_>,
) -> Option<Vec<Finding>> {
    let still = Still::of(channel.role, limits)?;
    if !matches!(load.role, Role::SupplyVoltage | Role::BatteryVoltage) {
        return None;
    }
    let clock = &view.log.clock;
    let target = view.log.role(Role::LambdaTarget).map(Channel::values);
    let held = |row: usize| {
        view.state.has(row, still.states)
            && match target.and_then(|target| target.get(row)).filter(|aim| aim.is_finite()) {
                _ if !still.looped => true,
                Some(aim) => (aim - 1.0).abs() <= 0.03,
                None => !view.state.has(row, bit::WARM_UP),
            }
    };
    // Levels without the load and with it: both are the same by nature, however long they lie apart.
    let mut levels = [Vec::new(), Vec::new()];
    let (mut heights, mut spans) = (Vec::new(), Vec::new());
    for segment in &clock.segments {
        let loads = Dense::of(load, &clock.time_s, segment.clone(), f64::is_finite);
        let shape = Shape { window_s: 2.0, rise_s: 0.4, least: limits.get(&LOOP_V) };
        let steps = step::level_steps(&loads.time_s, &loads.value, &shape);
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
    let error = spread.max(still.swing).max(channel.resolution())
        * ((with.len() as f64).recip() + (without.len() as f64).recip()).sqrt();
    let sign = mean.signum();
    let apart = with.iter().all(|one| without.iter().all(|other| (one - other) * sign > 0.0));
    let real = apart && mean.abs() > still.most && mean.abs() > limits.get(&SIGMAS) * error;
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
         {}: a voltage between two grounds",
        channel.name,
        channel.logged_difference(mean),
        channel.unit.symbol,
        channel.logged_difference(error),
        load.name,
        still.place,
    );
    spans.retain(|rows| real && rows.start < rows.end);
    Some(
        spans
            .into_iter()
            .map(|rows| Finding::new(rows, Flag::Suspect, message.clone(), evidence.clone()))
            .collect(),
    )
}

/// Middle of a reading over rows that count; null where they last too short.
fn level(
    channel: &Channel,
    view: &View<'_>,
    time: std::ops::Range<f64>,
    counts: impl Fn(usize) -> bool,
) -> Option<f64> {
    if time.end - time.start < LEAST_S {
        return None;
    }
    let mixture = channel.role.is_mixture();
    let (mut values, mut held_s, mut last_s) = (Vec::new(), 0.0, f64::INFINITY);
    for row in view.log.clock.rows_between(time.start, time.end) {
        let value = channel.values().get(row).copied().unwrap_or(f64::NAN);
        let sound = if mixture { value > 0.5 && value < 1.5 } else { value.is_finite() };
        if sound && counts(row) {
            // Averages of a mixture are taken in phi.
            values.push(if mixture { value.recip() } else { value });
            let now_s = view.log.clock.time_s.get(row).copied().unwrap_or(f64::INFINITY);
            held_s += (now_s - last_s).clamp(0.0, 1.0);
            last_s = now_s;
        } else {
            last_s = f64::INFINITY;
        }
    }
    // The middle: a cruise begins with the tail of the over-run before it.
    let long = held_s >= LEAST_S * 0.9 && values.len() >= 8;
    let middle = robust::median(&values).filter(|_| long)?;
    Some(if mixture { middle.recip() } else { middle })
}
