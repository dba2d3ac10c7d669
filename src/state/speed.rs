//! States that engine speed tells: running, cranking, warm-up, idle speed, ceiling, limiter, unload.

use std::ops::Range;

use super::signals::{Injected, Signals, bridge, drop_short, largest, length_s, mark, runs, sliding_min};
use super::{States, bit};
use crate::rig::Rig;
use crate::signal::robust;

/// An engine runs by itself above this, revolutions per minute. Common practice, no source.
pub(super) const RUNNING_RPM: f64 = 450.0;
/// Below this it stands, revolutions per minute.
const STANDS_RPM: f64 = 40.0;
/// A starter is not used longer, s. Common practice, no source.
const CRANKING_S: f64 = 15.0;
/// Sensor light-off by datasheet is up to 10 s; doubled for the controller. Assumed.
const SENSOR_READY_S: f64 = 20.0;
/// At the ceiling from this share of it.
pub(super) const CEILING_SHARE: f64 = 0.985;
/// Engine speed renewed more slowly than this shows no ceiling, s: limiters cycle at 3 to 15 Hz. Common practice,
/// no source.
const SLOWEST_CEILING_S: f64 = 0.25;
/// A ceiling is run into at this or more, rpm/s: a top speed reached slowly is none. Assumed.
const ENTRY_RPM_PER_S: f64 = 300.0;
/// So long after a limiter cut fuel the engine still turns at nearly its ceiling, s and share; a change of gear takes it
/// to the next ratio, a tenth lower or more. Assumed.
const STAYS_S: f64 = 0.3;
const STAYS_SHARE: f64 = 0.95;
/// Before a flare the throttle has been open for this long, s. Assumed.
const OPEN_BEFORE_S: f64 = 0.3;
/// Flare: faster than the best in gear by this factor (full-load window of the lean-event procedure).
pub(super) const FLARE: f64 = 1.5;

pub(super) fn judge(signals: &Signals<'_>, rig: &Rig, states: &mut States) {
    let Some(rpm) = signals.rpm.as_deref() else {
        for name in ["running", "cranking", "idle", "limiter", "unload"] {
            states.not_judged.push((name, "the log has no engine speed".to_owned()));
        }
        warm_up(signals, None, states);
        return;
    };
    let running: Vec<bool> = rpm.iter().map(|rpm| *rpm >= RUNNING_RPM).collect();
    mark(&mut states.bits, &running, bit::RUNNING);
    cranking(signals, rpm, states);
    warm_up(signals, Some(rpm), states);
    states.idle_rpm = idle_rpm(signals, rpm);
    states.ceiling_rpm = ceiling_rpm(signals, rpm, rig);
    limiter(signals, rpm, states);
    unload(signals, states);
}

fn cranking(signals: &Signals<'_>, rpm: &[f64], states: &mut States) {
    let turned: Vec<bool> = rpm.iter().map(|rpm| (STANDS_RPM..RUNNING_RPM).contains(rpm)).collect();
    for run in runs(&turned) {
        if length_s(signals.time_s, &run) <= CRANKING_S {
            states.bits[run].iter_mut().for_each(|bits| *bits |= bit::CRANKING);
        }
    }
}

fn warm_up(signals: &Signals<'_>, rpm: Option<&[f64]>, states: &mut States) {
    if let Some(cold) = signals.cold.as_deref() {
        mark(&mut states.bits, cold, bit::WARM_UP);
    }
    let Some(rpm) = rpm else {
        if signals.cold.is_none() {
            states
                .not_judged
                .push(("warm_up", "the log has neither coolant temperature nor engine speed".to_owned()));
        }
        return;
    };
    let mut started_s: Option<f64> = None;
    let mut stood = false;
    for (row, (&time, &rpm)) in signals.time_s.iter().zip(rpm).enumerate() {
        if rpm < RUNNING_RPM {
            stood = true;
        } else if rpm >= RUNNING_RPM && stood {
            stood = false;
            started_s = Some(time);
        }
        if started_s.is_some_and(|started| time - started < SENSOR_READY_S) {
            states.bits[row] |= bit::WARM_UP;
        }
    }
    if signals.cold.is_none() && started_s.is_none() {
        states.not_judged.push((
            "warm_up",
            "the log has no coolant temperature and begins with the engine running".to_owned(),
        ));
    }
}

/// The lowest speed below 2500 rpm that is held, in 50 rpm classes.
fn idle_rpm(signals: &Signals<'_>, rpm: &[f64]) -> Option<f64> {
    const CLASS_RPM: f64 = 50.0;
    const LIMIT_RPM: f64 = 2500.0;
    let mut held_s = vec![0.0; (LIMIT_RPM / CLASS_RPM) as usize];
    let usable = |(row, rate): (usize, f64)| {
        (RUNNING_RPM..LIMIT_RPM).contains(&rpm[row]) && rate.abs() < 300.0 && signals.shut_or_throttled(row)
    };
    let usable: Vec<bool> = signals.rpm_rates().enumerate().map(usable).collect();
    for (row, pair) in signals.time_s.windows(2).enumerate() {
        if usable[row]
            && let Some(class) = held_s.get_mut((rpm[row] / CLASS_RPM) as usize)
        {
            *class += (pair[1] - pair[0]).min(1.0);
        }
    }
    // Idle wanders over a few classes: look at three together.
    let around =
        |class: usize| -> f64 { held_s[class.saturating_sub(1)..(class + 2).min(held_s.len())].iter().sum() };
    let longest = (0..held_s.len()).map(around).fold(0.0, f64::max);
    if longest < 2.0 {
        return None;
    }
    let class = (0..held_s.len()).find(|class| {
        let here = around(*class);
        let next = if class + 1 < held_s.len() { around(class + 1) } else { 0.0 };
        here >= 2.0 && here >= 0.2 * longest && here >= next
    })?;
    let (low, high) = ((class as f64 - 1.0) * CLASS_RPM, (class as f64 + 2.0) * CLASS_RPM);
    let mut near: Vec<f64> = (0..rpm.len())
        .filter(|row| (low..high).contains(&rpm[*row]) && usable[*row])
        .map(|row| rpm[row])
        .collect();
    robust::median_in_place(&mut near)
}

/// The ceiling of engine speed, when it was reached at least twice or is the rig's redline.
fn ceiling_rpm(signals: &Signals<'_>, rpm: &[f64], rig: &Rig) -> Option<f64> {
    // A settled maximum: a spike of one sample is no engine speed.
    let span_s = (2.0 * signals.slowest_s).clamp(0.04, 0.5);
    let top = largest(sliding_min(signals.time_s, rpm.iter().copied(), span_s))?;
    if top < 2.0 * RUNNING_RPM {
        return None;
    }
    if let Some(redline) = rig.redline_rpm {
        return (top >= CEILING_SHARE * redline).then_some(top);
    }
    // A speed renewed more slowly than an engine meets its limiter cannot show one.
    if signals.rpm_period_s > SLOWEST_CEILING_S {
        return None;
    }
    let band: Vec<bool> =
        (0..rpm.len()).map(|row| rpm[row] >= CEILING_SHARE * top && !signals.is_shut(row)).collect();
    let mut merged = band.clone();
    bridge(signals.time_s, &mut merged, 0.3);
    let reached = |run: &Range<usize>| {
        let cut = usize::from(cut_there(signals, rpm, run, top));
        times_reached(signals, rpm, &band, run, top).max(cut)
    };
    (runs(&merged).iter().map(reached).sum::<usize>() >= 2).then_some(top)
}

/// How often a stretch near the top met a ceiling: peaks of a saw-tooth, or one plateau, or none.
fn times_reached(signals: &Signals<'_>, rpm: &[f64], band: &[bool], run: &Range<usize>, top: f64) -> usize {
    let length = length_s(signals.time_s, run);
    let peaks = runs(&band[run.clone()]).len();
    // A run that ends against a ceiling stays much longer than it would take to cross the band; a run that goes on, or a
    // top speed reached slowly, does not.
    let Some(rise) = rise_into(signals, rpm, run.start) else { return 0 };
    // A steady speed that wanders over the edge of the band has no rise before it: no saw-tooth.
    if rise >= ENTRY_RPM_PER_S && peaks >= 2 {
        return peaks;
    }
    let crossing_s = (1.0 - CEILING_SHARE) * top / rise.max(1.0);
    usize::from(rise >= ENTRY_RPM_PER_S && length >= 0.25 && length >= 3.0 * crossing_s)
}

/// Rise over the 0.3 s before a row, rpm/s.
fn rise_into(signals: &Signals<'_>, rpm: &[f64], row: usize) -> Option<f64> {
    let before = signals.time_s.partition_point(|t| *t < signals.time_s[row] - 0.3);
    let seconds = signals.time_s[row] - signals.time_s[before];
    (seconds > 0.0).then(|| (rpm[row] - rpm[before]) / seconds)
}

/// Whether fuel was commanded off near the top while the engine climbed on an open throttle, and the engine stayed
/// there: one long cut whose swing leaves the band makes neither a saw-tooth nor a plateau.
fn cut_there(signals: &Signals<'_>, rpm: &[f64], run: &Range<usize>, top: f64) -> bool {
    let Some(injection) = signals.injection.as_ref().filter(|injection| injection.works) else {
        return false;
    };
    let is_off = |row: usize| matches!(injection.rows[row], Injected::Nothing | Injected::Off);
    let starts = |row: usize| row > 0 && is_off(row) && injection.rows[row - 1] == Injected::On;
    let Some(cut) = run.clone().find(|row| starts(*row)) else { return false };
    let until_s = signals.time_s[cut] + STAYS_S;
    let stays = (cut..rpm.len())
        .take_while(|row| signals.time_s[*row] <= until_s)
        .all(|row| rpm[row] >= STAYS_SHARE * top && !signals.is_shut(row));
    stays && rise_into(signals, rpm, run.start).is_some_and(|rise| rise >= ENTRY_RPM_PER_S)
}

fn limiter(signals: &Signals<'_>, rpm: &[f64], states: &mut States) {
    let Some(ceiling) = states.ceiling_rpm else {
        states.not_judged.push((
            "limiter",
            "no ceiling of engine speed was reached twice, and no redline of the rig was reached".to_owned(),
        ));
        return;
    };
    let mut at: Vec<bool> =
        (0..rpm.len()).map(|row| rpm[row] >= CEILING_SHARE * ceiling && !signals.is_shut(row)).collect();
    bridge(signals.time_s, &mut at, 0.3);
    mark(&mut states.bits, &at, bit::LIMITER);
}

/// The best rate of rise in gear, rpm/s: 95 % of the rates at wide open (or of all rises) are below.
pub(super) fn best_rate(signals: &Signals<'_>) -> Option<f64> {
    *signals.best_rate.get_or_init(|| find_best(signals))
}

fn find_best(signals: &Signals<'_>) -> Option<f64> {
    let full = super::load::demand_full(signals);
    let mut seconds = 0.0;
    let mut rates = Vec::new();
    for (row, rate) in signals.rpm_rates().enumerate().take(signals.rows().saturating_sub(1)) {
        let open = match (signals.demand.as_deref(), full) {
            (Some(demand), Some(full)) => demand[row] >= super::load::OPEN_SHARE * full,
            (Some(_), None) => false,
            _ => true,
        };
        if open && rate > 50.0 {
            rates.push(rate);
            seconds += (signals.time_s[row + 1] - signals.time_s[row]).min(1.0);
        }
    }
    if seconds < 2.0 {
        return None;
    }
    robust::quantile_in_place(&mut rates, 0.95)
}

fn unload(signals: &Signals<'_>, states: &mut States) {
    let Some(best) = best_rate(signals) else {
        states
            .not_judged
            .push(("unload", "less than 2 s of rising engine speed under load to compare with".to_owned()));
        return;
    };
    let limit = (FLARE * best).max(1500.0);
    let (mut flare, rises): (Vec<bool>, Vec<bool>) =
        signals.rpm_rates().map(|rate| (rate > limit, rate > best)).unzip();
    drop_short(signals.time_s, &mut flare, 0.05);
    let full = super::load::demand_full(signals);
    let top = signals.rpm.as_ref().and_then(|all| largest(all.iter().copied())).unwrap_or(0.0);
    for run in runs(&flare) {
        // An opening throttle turns an engine up as fast, and low gears are quicker at low speed.
        let before = signals.time_s.partition_point(|t| *t < signals.time_s[run.start] - OPEN_BEFORE_S);
        let open = match (signals.demand.as_deref(), full) {
            (Some(demand), Some(full)) => demand[before..=run.start].iter().all(|d| *d >= 0.5 * full),
            _ => true,
        };
        let fast = signals.rpm.as_deref().is_none_or(|rpm| rpm[run.start] >= 0.5 * top);
        if !(open && fast) {
            flare[run].fill(false);
        }
    }
    // It lasts until the speed rises no faster than in gear.
    for run in runs(&flare) {
        let until_s = signals.time_s[run.end - 1] + 1.0;
        let more = rises[run.end..]
            .iter()
            .zip(&signals.time_s[run.end..])
            .take_while(|(rises, time)| **rises && **time <= until_s)
            .count();
        flare[run.end..run.end + more].fill(true);
    }
    mark(&mut states.bits, &flare, bit::UNLOAD);
}
