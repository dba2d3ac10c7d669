//! The channels that tell the operating state, held between renewals, and kernels over them.

use std::cell::OnceCell;
use std::collections::VecDeque;

use crate::log::{Channel, Log, Role};

/// Standard atmosphere at sea level, Pa: used where the log tells no barometric pressure.
pub(super) const STANDARD_PA: f64 = 101_325.0;

/// What tells the state; NaN where the log does not say.
pub(super) struct Signals<'a> {
    pub(super) time_s: &'a [f64],
    pub(super) rpm: Option<Vec<f64>>,
    /// Time between fresh engine speeds, s.
    pub(super) rpm_period_s: f64,
    /// Engine speed change, revolutions per minute per second.
    pub(super) rpm_rate: Vec<f64>,
    /// Ratio.
    pub(super) pedal: Option<Vec<f64>>,
    /// Ratio.
    pub(super) throttle: Option<Vec<f64>>,
    /// Absolute, Pa.
    pub(super) manifold_pa: Option<Vec<f64>>,
    pub(super) barometric_pa: f64,
    /// Whether the coolant is below operating temperature.
    pub(super) cold: Option<Vec<bool>>,
    /// Whether the gear is another one than in the row before.
    pub(super) shifted: Option<Vec<bool>>,
    pub(super) injection: Option<Injection>,
    /// Time between fresh mixture values, s.
    pub(super) mixture_period_s: f64,
    /// Longest fresh period of the channels that make a condition, s: interruptions shorter are one sample.
    pub(super) slowest_s: f64,
    /// What several states ask for, found once.
    pub(super) closed: OnceCell<Option<f64>>,
    pub(super) demand_full: OnceCell<Option<f64>>,
    pub(super) best_rate: OnceCell<Option<f64>>,
}

/// Injection below this share of the largest is off: noise of a duty channel is a twentieth of it. Assumed.
const OFF_SHARE: f64 = 0.02;
/// Operating temperature of the full-load window, K (70 °C).
const WARM_K: f64 = 343.15;

/// What injector duty or pulse width tells in a row: a byte, because nobody asks how much it was.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Injected {
    Unknown,
    /// Nothing at all.
    Nothing,
    /// No more than noise.
    Off,
    On,
}

/// What injector duty or pulse width tells.
pub(super) struct Injection {
    pub(super) rows: Vec<Injected>,
    /// Whether anything is ever injected.
    pub(super) works: bool,
}

impl Injection {
    fn of(values: &[f64]) -> Self {
        let most = largest(values.iter().copied()).unwrap_or(0.0);
        let told = |value: f64| match value {
            value if value.is_nan() => Injected::Unknown,
            value if value <= 0.0 => Injected::Nothing,
            value if value <= OFF_SHARE * most => Injected::Off,
            _ => Injected::On,
        };
        Self { rows: values.iter().map(|value| told(*value)).collect(), works: most > 0.0 }
    }
}

impl<'a> Signals<'a> {
    pub(super) fn of(log: &'a Log) -> Self {
        let time_s = log.clock.time_s.as_slice();
        let row_s = log.clock.period_s.unwrap_or(0.0);
        let take = |role: Role| {
            let channel = log.role(role)?;
            let mut values = held(time_s, channel);
            take_spikes(&mut values, frame_rows(channel, row_s));
            Some(values)
        };
        let (rpm, rest) = rayon::join(
            || take(Role::EngineSpeed),
            || rayon::join(|| take(Role::ManifoldPressure), || take(Role::Throttle)),
        );
        let (manifold_pa, throttle) = rest;
        let rpm_period_s = log.role(Role::EngineSpeed).and_then(Channel::fresh_period_s).unwrap_or(0.0);
        let barometric_pa = log
            .role(Role::BarometricPressure)
            .and_then(|channel| crate::signal::robust::median(&channel.among(0..channel.rows())))
            .filter(|pa| (54_000.0..=108_000.0).contains(pa))
            .unwrap_or(STANDARD_PA);
        let manifold_pa = manifold_pa.or_else(|| {
            let gauge = take(Role::BoostPressure)?;
            Some(gauge.into_iter().map(|pa| pa + barometric_pa).collect())
        });
        let slowest_s =
            [Role::EngineSpeed, Role::Throttle, Role::Pedal, Role::ManifoldPressure, Role::BoostPressure]
                .iter()
                .filter_map(|role| log.role(*role).and_then(Channel::fresh_period_s))
                .fold(0.0, f64::max);
        Self {
            time_s,
            rpm_rate: rpm.as_deref().map_or_else(Vec::new, |rpm| rate(time_s, rpm, rpm_period_s.max(0.08))),
            rpm,
            rpm_period_s,
            pedal: take(Role::Pedal),
            throttle,
            manifold_pa,
            barometric_pa,
            cold: take(Role::CoolantTemperature).map(|kelvin| kelvin.iter().map(|k| *k < WARM_K).collect()),
            shifted: take(Role::Gear).map(|gear| shifted(&gear)),
            injection: take(Role::InjectorDuty)
                .or_else(|| take(Role::InjectorPulseWidth))
                .map(|values| Injection::of(&values)),
            mixture_period_s: log
                .mixture()
                .and_then(|index| log.channels[index].fresh_period_s())
                .unwrap_or(0.0),
            slowest_s,
            closed: OnceCell::new(),
            demand_full: OnceCell::new(),
            best_rate: OnceCell::new(),
        }
    }

    /// Pedal, else throttle, ratio.
    pub(super) fn demand(&self) -> Option<&[f64]> {
        self.pedal.as_deref().or(self.throttle.as_deref())
    }

    pub(super) fn rows(&self) -> usize {
        self.time_s.len()
    }

    /// How long an interruption of one channel may be and still be its noise, s.
    pub(super) fn bridge_s(&self) -> f64 {
        (1.5 * self.slowest_s).clamp(0.15, 0.5)
    }
}

/// Whether each row has another known gear than the row before.
fn shifted(gear: &[f64]) -> Vec<bool> {
    let is_shift = |pair: &[f64]| pair[1] != pair[0] && !pair[1].is_nan() && !pair[0].is_nan();
    std::iter::once(false).chain(gear.windows(2).map(is_shift)).take(gear.len()).collect()
}

/// Values with the last one held over rows that were not due, up to three fresh periods or 1 s.
fn held(time_s: &[f64], channel: &Channel) -> Vec<f64> {
    let reach_s = (3.0 * channel.fresh_period_s().unwrap_or(0.0)).max(1.0);
    let mut last = (f64::NEG_INFINITY, f64::NAN);
    time_s
        .iter()
        .zip(channel.each())
        .map(|(&time, value)| {
            if !value.is_nan() {
                last = (time, value);
            } else if time - last.0 > reach_s {
                last.1 = f64::NAN;
            }
            last.1
        })
        .collect()
}

/// Rows that one fresh value fills.
fn frame_rows(channel: &Channel, row_s: f64) -> usize {
    let rows =
        channel.fresh_period_s().filter(|_| row_s > 0.0).map_or(1.0, |fresh_s| (fresh_s / row_s).ceil());
    rows.clamp(1.0, 1_000.0) as usize
}

/// Median of three fresh values: one wrong frame is no change of state, and a step stays a step.
fn take_spikes(values: &mut [f64], frame_rows: usize) {
    // What the rows of the frame before held.
    let mut earlier = VecDeque::with_capacity(frame_rows);
    for row in 0..values.len() {
        let here = values[row];
        let before = if earlier.len() < frame_rows { None } else { earlier.pop_front() }.unwrap_or(here);
        let after = values.get(row + frame_rows).copied().unwrap_or(here);
        if !before.is_nan() && !after.is_nan() {
            values[row] = before.min(after).max(here.min(before.max(after)));
        }
        earlier.push_back(here);
    }
}

/// Change per second over a span of at least `span_s`, centred; NaN where it cannot be told.
pub(super) fn rate(time_s: &[f64], values: &[f64], span_s: f64) -> Vec<f64> {
    let rows = time_s.len();
    let (mut back, mut ahead) = (0, 0);
    (0..rows)
        .map(|row| {
            let time = time_s[row];
            while back + 1 < row && time - time_s[back + 1] >= span_s {
                back += 1;
            }
            while ahead + 1 < rows && time_s[ahead] - time < span_s {
                ahead += 1;
            }
            let seconds = time_s[ahead] - time_s[back];
            // Across a gap the mean rate says nothing about the moment.
            if seconds > 0.0 && seconds <= 6.0 * span_s {
                (values[ahead] - values[back]) / seconds
            } else {
                f64::NAN
            }
        })
        .collect()
}

/// The smallest value of the last `span_s` in each row, NaN where one is missing or the span is not filled; O(n).
pub(super) fn sliding_min(
    time_s: &[f64],
    values: impl Iterator<Item = f64>,
    span_s: f64,
) -> impl Iterator<Item = f64> {
    let mut queue: VecDeque<(usize, f64)> = VecDeque::new();
    let mut valid_from = 0;
    let mut start = 0;
    values.enumerate().map(move |(row, value)| {
        if value.is_nan() {
            queue.clear();
            valid_from = row + 1;
            return f64::NAN;
        }
        while queue.back().is_some_and(|(_, last)| *last >= value) {
            queue.pop_back();
        }
        queue.push_back((row, value));
        while start < row && time_s[row] - time_s[start + 1] >= span_s {
            start += 1;
        }
        while queue.front().is_some_and(|(first, _)| *first < start) {
            queue.pop_front();
        }
        let filled = valid_from <= start && time_s[row] - time_s[start] >= 0.9 * span_s;
        queue.front().filter(|_| filled).map_or(f64::NAN, |(_, first)| *first)
    })
}

/// Largest of the numbers, NaN skipped.
pub(super) fn largest(values: impl Iterator<Item = f64>) -> Option<f64> {
    values.filter(|v| v.is_finite()).reduce(f64::max)
}

/// Half-open runs of true rows.
pub(super) fn runs(condition: &[bool]) -> Vec<std::ops::Range<usize>> {
    let mut runs = Vec::new();
    let mut start = None;
    for (row, &holds) in condition.iter().enumerate() {
        match (holds, start) {
            (true, None) => start = Some(row),
            (false, Some(from)) => {
                runs.push(from..row);
                start = None;
            }
            _ => {}
        }
    }
    if let Some(from) = start {
        runs.push(from..condition.len());
    }
    runs
}

/// Time from the first row of a run to the first row behind it, s.
pub(super) fn length_s(time_s: &[f64], run: &std::ops::Range<usize>) -> f64 {
    match (time_s.get(run.start), time_s.get(run.end).or_else(|| time_s.last())) {
        (Some(start), Some(end)) => end - start,
        _ => 0.0,
    }
}

/// Closes interruptions of up to `gap_s` between two true stretches.
pub(super) fn bridge(time_s: &[f64], condition: &mut [bool], gap_s: f64) {
    let runs = runs(condition);
    for pair in runs.windows(2) {
        let gap = pair[0].end..pair[1].start;
        if length_s(time_s, &gap) <= gap_s {
            condition[gap].fill(true);
        }
    }
}

/// Drops true stretches shorter than `least_s`.
pub(super) fn drop_short(time_s: &[f64], condition: &mut [bool], least_s: f64) {
    for run in runs(condition) {
        if length_s(time_s, &run) < least_s {
            condition[run].fill(false);
        }
    }
}

/// Sets a bit where a condition holds.
pub(super) fn mark(bits: &mut [u16], condition: &[bool], bit: u16) {
    for (bits, holds) in bits.iter_mut().zip(condition) {
        if *holds {
            *bits |= bit;
        }
    }
}
