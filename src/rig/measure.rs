//! What the log itself tells about each channel's instrument.

use std::borrow::Cow;

use rayon::prelude::*;

use crate::log::{Channel, Estimate, Log, Measured, Note, Role};
use crate::rig::Rig;
use crate::signal::{frame, lag, quantum, rail, robust};

/// A device is taken to rest when its first value is held at least this long, s. Assumed: longer than any
/// link's frame, shorter than any sensor's warm-up.
const REST_S: f64 = 2.0;

/// Fills [`Measured`] of every channel from the log.
pub fn measure(log: &mut Log, rig: &Rig) {
    let time_s = &log.clock.time_s;
    let rows_s = row_period(time_s);
    log.channels.par_iter_mut().for_each(|channel| {
        let (times_s, values) = channel.points(time_s);
        let whole = channel.count() == time_s.len();
        let sample_s = if whole { rows_s } else { sample_period(&times_s, &values) };
        channel.measured = one(&times_s, values, sample_s, channel.role, rig);
    });
    let notes: Vec<Note> =
        log.channels.iter().flat_map(|channel| contradicted(channel, &log.clock.time_s, rig)).collect();
    log.notes.extend(notes);
    share_frame(log);
    for (role, witness) in WITNESSES {
        lag_behind(log, *role, *witness);
    }
}

/// Pairs in which the first follows the second directly, so that a delay is one of the instruments.
static WITNESSES: &[(Role, Role)] = &[
    (Role::Throttle, Role::Pedal),
    (Role::ManifoldPressure, Role::Throttle),
    (Role::BoostPressure, Role::ManifoldPressure),
    (Role::GpsSpeed, Role::VehicleSpeed),
    (Role::SupplyVoltage, Role::BatteryVoltage),
    (Role::Lambda, Role::LambdaTarget),
    (Role::Afr, Role::LambdaTarget),
];

/// Longest delay looked for, s. Assumed: receivers of satellite speed and slow links stay below it.
const LAG_REACH_S: f64 = 2.0;

fn one(
    time_s: &[f64],
    values: Cow<'_, [f64]>,
    sample_period_s: Option<f64>,
    role: Role,
    rig: &Rig,
) -> Measured {
    let resolution = quantum::resolution(&values);
    let found = sample_period_s.and_then(|period_s| frame::frame(time_s, &values, period_s));
    let found = found.filter(|found| found.period_s > 1.4 * sample_period_s.unwrap_or(0.0));
    let mut measured = Measured {
        resolution,
        sample_period_s,
        frame_period_s: found.map(|found| Estimate {
            value: found.period_s,
            low: found.period_s - found.half_width_s,
            high: found.period_s + found.half_width_s,
        }),
        frame_share: found.map(|found| found.share),
        ..Measured::default()
    };
    if role.is_mixture()
        && let Some(value) = stated_frame_s(rig, time_s, &values)
    {
        measured.frame_period_s = Some(Estimate { value, low: value, high: value });
    }
    let fresh_s =
        measured.frame_period_s.map_or(0.0, |frame| frame.value).max(sample_period_s.unwrap_or(0.0));
    rails(time_s, &values, role, fresh_s, &mut measured);
    if role.is_mixture() {
        measured.rest_value = rest_value(time_s, &values);
        if let Some(clip) = rig.sensor.clip_lean.filter(|clip| beyond(&values, *clip).is_none()) {
            measured.clip_high = Some(clip);
        }
    }
    measured.noise = robust::noise_in_place(&mut fresh(time_s, values.into_owned(), fresh_s));
    measured
}

/// The frame period that the rig file states for the mixture, s; null where the readings are renewed more often.
///
/// * `values`: of the mixture channel
pub fn stated_frame_s(rig: &Rig, time_s: &[f64], values: &[f64]) -> Option<f64> {
    let period_s = rig.sensor.frame_hz.filter(|rate_hz| *rate_hz > 0.0)?.recip();
    (!frame::outpaced(time_s, values, period_s)).then_some(period_s)
}

/// Readings beyond a stated lean end stop that contradict it; a bit that fell over shows as one or two of them, and an
/// instrument may differ from its data sheet by 0.02 (both assumed).
fn beyond(values: &[f64], clip: f64) -> Option<usize> {
    let count = values.iter().filter(|value| **value > clip + 0.02).count();
    (count > 2).then_some(count)
}

/// What the rig file says of the mixture channel and its readings contradict.
fn contradicted(channel: &Channel, time_s: &[f64], rig: &Rig) -> Vec<Note> {
    if !channel.role.is_mixture() {
        return Vec::new();
    }
    let (time_s, values) = channel.points(time_s);
    let mut texts = Vec::new();
    if let Some(clip) = rig.sensor.clip_lean
        && let Some(count) = beyond(&values, clip)
    {
        texts.push(format!(
            "the rig file says that the reading ends at lambda {clip:.2} (`clip_lean`), but {count} readings are leaner: \
             not used"
        ));
    }
    if let Some(rate_hz) = rig.sensor.frame_hz
        && stated_frame_s(rig, &time_s, &values).is_none()
    {
        texts.push(format!(
            "the rig file says that the reading is renewed {rate_hz} times a second (`frame_hz`), but it changes more \
             often: not used"
        ));
    }
    let note = |text| Note { line: None, channel: Some(channel.name.clone()), text };
    texts.into_iter().map(note).collect()
}

/// Channels that must show one frame before the others are taken to be renewed with them. Assumed.
const SHARING: usize = 3;
/// Largest ratio between frames that are one. Assumed: twice the error of a frame from 20 changes.
const ONE_FRAME: f64 = 1.05;

/// A logger that asks its channels in turn renews all of them at one period; those that change too seldom to show it
/// take it from the rest, where their own changes do not contradict.
fn share_frame(log: &mut Log) {
    let mut frames: Vec<f64> = log
        .channels
        .iter()
        .filter(|channel| !channel.role.is_mixture())
        .filter_map(|channel| channel.measured.frame_period_s)
        .map(|frame| frame.value)
        .collect();
    let Some(period_s) = robust::median_in_place(&mut frames) else { return };
    let one = |frame: f64| frame <= ONE_FRAME * period_s && period_s <= ONE_FRAME * frame;
    let agree = frames.iter().filter(|frame| one(**frame)).count();
    if agree < SHARING || 2 * agree < log.channels.len() {
        return;
    }
    let time_s = &log.clock.time_s;
    for channel in &mut log.channels {
        let sampled_s = channel.measured.sample_period_s.unwrap_or(f64::INFINITY);
        // A few chance changes may have shown a shorter one.
        let known =
            channel.measured.frame_period_s.is_some_and(|frame| one(frame.value) || frame.value > period_s);
        if known || channel.role.is_mixture() || sampled_s > period_s / 1.4 {
            continue;
        }
        let (times_s, values) = channel.points(time_s);
        if renewed_at_most_every(&times_s, &values, period_s - sampled_s) {
            let half = 0.5 * (ONE_FRAME - 1.0) * period_s;
            channel.measured.frame_period_s =
                Some(Estimate { value: period_s, low: period_s - half, high: period_s + half });
        }
    }
}

/// Whether hardly any two changes of value follow each other faster than a frame.
fn renewed_at_most_every(time_s: &[f64], values: &[f64], period_s: f64) -> bool {
    let (mut changed_s, mut before) = (f64::NEG_INFINITY, f64::NAN);
    let (mut early, mut all) = (0_usize, 0_usize);
    for (time, value) in time_s.iter().zip(values).filter(|(_, value)| !value.is_nan()) {
        if !before.is_nan() && *value != before {
            all += 1;
            early += usize::from(*time - changed_s < period_s);
            changed_s = *time;
        }
        before = *value;
    }
    early * 20 <= all
}

/// Median time between rows, s.
fn row_period(time_s: &[f64]) -> Option<f64> {
    let mut steps: Vec<f64> = time_s.windows(2).map(|pair| pair[1] - pair[0]).collect();
    robust::median_in_place(&mut steps).filter(|period| *period > 0.0)
}

/// Median time between rows that hold a value, s.
fn sample_period(time_s: &[f64], values: &[f64]) -> Option<f64> {
    let mut previous: Option<f64> = None;
    let mut steps: Vec<f64> = Vec::new();
    for (&time, &value) in time_s.iter().zip(values) {
        if value.is_nan() {
            continue;
        }
        if let Some(before) = previous {
            steps.push(time - before);
        }
        previous = Some(time);
    }
    robust::median_in_place(&mut steps).filter(|period| *period > 0.0)
}

/// Values that the driver or the controller commands: their plateaus are no end stops of an instrument.
const fn commanded(role: Role) -> bool {
    matches!(
        role,
        Role::Throttle
            | Role::Pedal
            | Role::Gear
            | Role::LambdaTarget
            | Role::InjectorDuty
            | Role::InjectorPulseWidth
            | Role::IgnitionAdvance
            | Role::SensorStatus
            | Role::Other
            | Role::Time
    )
}

fn rails(time_s: &[f64], values: &[f64], role: Role, fresh_s: f64, measured: &mut Measured) {
    if commanded(role) {
        return;
    }
    // Three fresh values alike: two may be chance on a quantised channel.
    let shape = rail::Shape { dwell_s: (2.0 * fresh_s).max(0.05), step: measured.resolution.unwrap_or(0.0) };
    measured.clip_high =
        rail::upper(time_s, values, shape).map(|rail| rail.value).filter(|value| !natural(role, *value));
    // Nothing is slower than standing still: zero is the natural end of these.
    measured.clip_low = rail::lower(time_s, values, shape)
        .map(|rail| rail.value)
        .filter(|value| *value != 0.0 && !natural(role, *value));
}

/// Deepest vacuum that a shut throttle makes, Pa; instruments end below it. Common practice, no source.
const DEEPEST_VACUUM_PA: f64 = 15e3;
/// Temperatures that machines and weather hold by themselves, K: -30 to 120 degrees Celsius. Assumed.
const HELD_K: (f64, f64) = (243.15, 393.15);

/// Whether the machine holds this extreme by itself, so that it is no end stop of an instrument.
///
/// * `value`: inside unit
fn natural(role: Role, value: f64) -> bool {
    match role {
        Role::EngineSpeed | Role::VehicleSpeed | Role::GpsSpeed => true,
        // Up to the pressure outside: shut throttle, idle, standing engine.
        Role::ManifoldPressure => (DEEPEST_VACUUM_PA..=105e3).contains(&value),
        Role::CoolantTemperature
        | Role::OilTemperature
        | Role::IntakeAirTemperature
        | Role::AmbientTemperature
        | Role::SensorTemperature => (HELD_K.0..=HELD_K.1).contains(&value),
        _ => false,
    }
}

/// The value that the log begins with, when it is held and the channel lives afterwards.
fn rest_value(time_s: &[f64], values: &[f64]) -> Option<f64> {
    let mut rows = time_s.iter().zip(values).filter(|(_, value)| !value.is_nan());
    let (&start_s, &first) = rows.next()?;
    let (&end_s, _) = rows.find(|(_, value)| **value != first)?;
    if end_s - start_s < REST_S {
        return None;
    }
    // Alive: it moves more often afterwards than it could at rest.
    let later = || time_s.iter().zip(values).filter(|(time, value)| **time >= end_s && !value.is_nan());
    let changes = later().zip(later().skip(1)).filter(|((_, before), (_, after))| before != after);
    (changes.take(10).count() >= 10).then_some(first)
}

/// One value per renewal: a change, or a repeat that came a frame later.
fn fresh(time_s: &[f64], mut values: Vec<f64>, fresh_s: f64) -> Vec<f64> {
    let (mut times_s, mut last) = (time_s.iter(), None);
    values.retain(|&value| {
        let Some(&time) = times_s.next() else { return false };
        let is_fresh =
            !value.is_nan() && last.is_none_or(|(at, before)| value != before || time - at >= 0.99 * fresh_s);
        if is_fresh {
            last = Some((time, value));
        }
        is_fresh
    });
    values
}

fn lag_behind(log: &mut Log, role: Role, witness: Role) {
    let (Some(index), Some(other)) = (log.index_of(role), log.index_of(witness)) else { return };
    let (a, b) = (&log.channels[index], &log.channels[other]);
    let (Some(a_s), Some(b_s)) = (a.fresh_period_s(), b.fresh_period_s()) else { return };
    let (a, b) = (a.apart(), b.apart());
    let found = lag::lag(&log.clock.time_s, a.values(), b.values(), a_s.max(b_s), LAG_REACH_S);
    if let Some(found) = found {
        let measured = &mut log.channels[index].measured;
        measured.lag_s = Some(Estimate { value: found.lag_s, low: found.low_s, high: found.high_s });
        measured.lag_to = Some(witness);
    }
}
