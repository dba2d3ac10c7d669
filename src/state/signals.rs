//! The channels that tell the operating state, held between renewals, and kernels over them.

use std::cell::OnceCell;
use std::collections::VecDeque;

use super::load::CLOSED_BAND;
use super::speed::RUNNING_RPM;
use crate::log::{Channel, Log, Role};
use crate::signal::robust;

/// Standard atmosphere at sea level, Pa: used where the log tells no barometric pressure.
pub(super) const STANDARD_PA: f64 = 101_325.0;

/// What tells the state; NaN where the log does not say.
pub(super) struct Signals<'a> {
    pub(super) time_s: &'a [f64],
    pub(super) rpm: Option<Vec<f64>>,
    /// Time between fresh engine speeds, s.
    pub(super) rpm_period_s: f64,
    /// Pedal, else throttle, ratio.
    pub(super) demand: Option<Vec<f64>>,
    /// Settled maximum of the throttle, ratio.
    pub(super) throttle_full: Option<f64>,
    /// Whether the throttle is shut; null where the log does not tell where that is. A byte, because nobody asks how far it is
    /// open where there is a pedal.
    pub(super) shut: Option<Vec<bool>>,
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
        let (rpm, throttle) = rayon::join(|| take(Role::EngineSpeed), || take(Role::Throttle));
        let rpm_period_s = log.role(Role::EngineSpeed).and_then(Channel::fresh_period_s).unwrap_or(0.0);
        let barometric_pa = log
            .role(Role::BarometricPressure)
            .and_then(|channel| crate::signal::robust::median(&channel.among(0..channel.rows())))
            .filter(|pa| (54_000.0..=108_000.0).contains(pa))
            .unwrap_or(STANDARD_PA);
        let slowest_s =
            [Role::EngineSpeed, Role::Throttle, Role::Pedal, Role::ManifoldPressure, Role::BoostPressure]
                .iter()
                .filter_map(|role| log.role(*role).and_then(Channel::fresh_period_s))
                .fold(0.0, f64::max);
        let (mut throttle_full, mut shut) = (None, None);
        if let Some(throttle) = throttle.as_deref() {
            throttle_full = settled_max(time_s, throttle, slowest_s);
            let closed = closed_position(throttle, rpm.as_deref());
            shut = closed.map(|closed| throttle.iter().map(|value| *value <= closed + CLOSED_BAND).collect());
        }
        // Where there is a pedal the throttle goes before anything else is laid out.
        let throttle = throttle.filter(|_| log.role(Role::Pedal).is_none());
        let (demand, manifold_pa) = rayon::join(
            || throttle.or_else(|| take(Role::Pedal)),
            || {
                take(Role::ManifoldPressure).or_else(|| {
                    let mut gauge = take(Role::BoostPressure)?;
                    for pa in &mut gauge {
                        *pa += barometric_pa;
                    }
                    Some(gauge)
                })
            },
        );
        Self {
            time_s,
            rpm,
            rpm_period_s,
            demand,
            throttle_full,
            shut,
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
            demand_full: OnceCell::new(),
            best_rate: OnceCell::new(),
        }
    }

    /// Engine speed change, revolutions per minute per second: of every row, of none without an engine speed.
    pub(super) fn rpm_rates(&self) -> impl Iterator<Item = f64> + '_ {
        rate(self.time_s, self.rpm.as_deref().unwrap_or_default(), self.rpm_period_s.max(0.08))
    }

    /// Whether the throttle of a row is shut, else whether the manifold is not filled, as far as the log tells.
    pub(super) fn shut_or_throttled(&self, row: usize) -> bool {
        match (self.shut.as_deref(), self.manifold_pa.as_deref()) {
            (Some(shut), _) => shut[row],
            (None, manifold) => manifold.is_none_or(|pa| pa[row] < 0.75 * self.barometric_pa),
        }
    }

    /// Whether the throttle of a row is shut, as far as the log tells.
    pub(super) fn is_shut(&self, row: usize) -> bool {
        self.shut.as_deref().is_some_and(|shut| shut[row])
    }

    pub(super) fn rows(&self) -> usize {
        self.time_s.len()
    }

    /// How long an interruption of one channel may be and still be its noise, s.
    pub(super) fn bridge_s(&self) -> f64 {
        (1.5 * self.slowest_s).clamp(0.15, 0.5)
    }
}

/// Closed position of the throttle: the position below which it is for 2 % of the rows with the engine running.
fn closed_position(throttle: &[f64], rpm: Option<&[f64]>) -> Option<f64> {
    let runs = |row: usize| rpm.is_none_or(|rpm| rpm[row] >= RUNNING_RPM);
    let running = throttle.iter().enumerate().filter(|(row, value)| !value.is_nan() && runs(*row));
    let mut running: Vec<f64> = running.map(|(_, value)| *value).collect();
    let closed = robust::quantile_in_place(&mut running, 0.02)?;
    // A throttle that was never near closed does not tell where closed is.
    (closed < 0.35).then_some(closed)
}

/// The highest value that is held.
pub(super) fn settled_max(time_s: &[f64], values: &[f64], slowest_s: f64) -> Option<f64> {
    largest(sliding_min(time_s, values.iter().copied(), 0.3_f64.max(1.5 * slowest_s)))
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
pub(super) fn rate<'a>(time_s: &'a [f64], values: &'a [f64], span_s: f64) -> impl Iterator<Item = f64> + 'a {
    let rows = time_s.len().min(values.len());
    let (mut back, mut ahead) = (0, 0);
    (0..rows).map(move |row| {
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
