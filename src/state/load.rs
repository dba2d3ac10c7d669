//! States that load tells: wide open, tip-in, full load, over-run, idle, cruise, gear change.

use std::ops::Range;

use super::signals::{Injected, Signals, bridge, drop_short, length_s, mark, runs, settled_max, sliding_min};
use super::{States, bit};
use crate::chain::{Chain, Response};

/// Throttle within this of its closed position is closed. Assumed: sensor scatter and idle control.
pub(super) const CLOSED_BAND: f64 = 0.03;
/// Wide open from this share of the settled maximum (full-load window of the lean-event procedure).
pub(super) const OPEN_SHARE: f64 = 0.95;
/// Manifold pressure at full load, share of the highest at that speed (same).
const PRESSURE_SHARE: f64 = 0.90;
/// Manifold pressure of an open throttle, share of barometric. Assumed.
const OPEN_PRESSURE: f64 = 0.85;
/// Three times a warm fuel film of 0.3 s. From memory.
const FILM_S: f64 = 0.9;
/// The same after an interruption too short to dry the film.
const WET_FILM_S: f64 = 0.3;
/// An interruption below this is a gear change or a cut, not a lift, s.
const SHORT_LIFT_S: f64 = 0.6;
/// Class of engine speed in which passes are compared, revolutions per minute.
const CLASS_RPM: f64 = 500.0;

pub(super) fn judge(signals: &Signals<'_>, states: &mut States) {
    states.throttle_full = signals.throttle_full;
    let Some(rpm) = signals.rpm.as_deref() else {
        for name in ["cruise", "over_run", "gear_change"] {
            states.not_judged.push((name, "the log has no engine speed".to_owned()));
        }
        for name in ["tip_in", "full_load", "wide_open"] {
            states
                .not_judged
                .push((name, "full load needs engine speed and throttle or manifold pressure".to_owned()));
        }
        return;
    };
    idle(signals, rpm, states);
    if signals.demand.is_none() && signals.manifold_pa.is_none() {
        for name in ["cruise", "tip_in", "full_load", "over_run", "gear_change", "wide_open"] {
            states
                .not_judged
                .push((name, "the log has neither throttle, pedal nor manifold pressure".to_owned()));
        }
        return;
    }
    let loaded = pressure_near_highest(signals, rpm);
    let raw_open = wide_open(signals, rpm, loaded.as_deref(), states);
    gear_change(signals, rpm, &raw_open, states);
    let mut open = raw_open.clone();
    bridge(signals.time_s, &mut open, signals.bridge_s());
    mark(&mut states.bits, &open, bit::WIDE_OPEN);
    over_run(signals, rpm, states);
    tip_in(signals, rpm, states);
    full_load(signals, rpm, &open, loaded, states);
    cruise(signals, rpm, states);
}

/// Settled maximum of pedal or throttle, when it can be full load at all.
pub(super) fn demand_full(signals: &Signals<'_>) -> Option<f64> {
    *signals.demand_full.get_or_init(|| find_full(signals))
}

fn find_full(signals: &Signals<'_>) -> Option<f64> {
    let demand = signals.demand.as_deref()?;
    let full = settled_max(signals.time_s, demand, signals.slowest_s)?;
    if full >= 0.7 {
        return Some(full);
    }
    let manifold = signals.manifold_pa.as_deref()?;
    let open_pressure = demand
        .iter()
        .zip(manifold)
        .any(|(demand, pa)| *demand >= OPEN_SHARE * full && *pa >= OPEN_PRESSURE * signals.barometric_pa);
    (full >= 0.5 && open_pressure).then_some(full)
}

/// Rows with manifold pressure at least 90 % of the highest settled one at that engine speed.
fn pressure_near_highest(signals: &Signals<'_>, rpm: &[f64]) -> Option<Vec<bool>> {
    let manifold = signals.manifold_pa.as_deref()?;
    let span_s = 0.15_f64.max(1.5 * signals.slowest_s);
    let settled = sliding_min(signals.time_s, manifold.iter().copied(), span_s);
    let class = |rpm: f64| (rpm / CLASS_RPM).clamp(0.0, 100.0) as usize;
    let mut highest = [f64::NEG_INFINITY; 101];
    for (pa, rpm) in settled.zip(rpm) {
        if pa.is_finite() && rpm.is_finite() {
            let slot = &mut highest[class(*rpm)];
            *slot = slot.max(pa);
        }
    }
    Some(
        manifold
            .iter()
            .zip(rpm)
            .map(|(pa, rpm)| rpm.is_finite() && *pa >= PRESSURE_SHARE * highest[class(*rpm)])
            .collect(),
    )
}

fn wide_open(signals: &Signals<'_>, rpm: &[f64], loaded: Option<&[bool]>, states: &mut States) -> Vec<bool> {
    let fast_rpm = states.idle_rpm.map_or(super::speed::RUNNING_RPM * 2.0, |idle| 1.3 * idle);
    if let Some(demand) = signals.demand.as_deref() {
        let Some(full) = demand_full(signals) else {
            for name in ["full_load", "wide_open", "gear_change"] {
                states.not_judged.push((name, "the throttle was never opened far enough".to_owned()));
            }
            return vec![false; rpm.len()];
        };
        return demand
            .iter()
            .zip(rpm)
            .map(|(demand, rpm)| *demand >= OPEN_SHARE * full && *rpm >= fast_rpm)
            .collect();
    }
    let (Some(manifold), Some(loaded)) = (signals.manifold_pa.as_deref(), loaded) else {
        return vec![false; rpm.len()];
    };
    (0..rpm.len())
        .map(|row| {
            loaded[row] && manifold[row] >= OPEN_PRESSURE * signals.barometric_pa && rpm[row] >= fast_rpm
        })
        .collect()
}

fn gear_change(signals: &Signals<'_>, rpm: &[f64], open: &[bool], states: &mut States) {
    let time_s = signals.time_s;
    let mut changing = vec![false; rpm.len()];
    let stretches = runs(open);
    for pair in stretches.windows(2) {
        let gap = pair[0].end..pair[1].start;
        let length = length_s(time_s, &gap);
        let (before, after) = (rpm[gap.start - 1], rpm[gap.end]);
        if (0.02..=1.0).contains(&length) && after < 0.93 * before {
            changing[gap].fill(true);
        }
    }
    // Without a lift: speed falls and stays down.
    let (mut soon, mut late, mut next_closed) = (0, 0, 0);
    for row in 0..rpm.len() {
        next_closed = next_closed.max(row);
        while open.get(next_closed) == Some(&true) {
            next_closed += 1;
        }
        while soon < rpm.len() && time_s[soon] - time_s[row] < 0.4 {
            soon += 1;
        }
        while late < rpm.len() && time_s[late] - time_s[row] < 1.0 {
            late += 1;
        }
        let within = soon < rpm.len() && time_s[soon] - time_s[row] < 0.6;
        if within && next_closed > soon && rpm[soon] < 0.92 * rpm[row] {
            let back = rpm[soon..late].iter().any(|later| *later > 0.97 * rpm[row]);
            // The next gear pulls again; an engine that lost torque stays down.
            let pulls = rpm[soon..late].last().is_some_and(|last| *last > 1.01 * rpm[soon]);
            if !back && pulls {
                changing[row..soon].fill(true);
            }
        }
    }
    if let Some(shifted) = signals.shifted.as_deref() {
        for row in 1..shifted.len() {
            if shifted[row] && (open[row] || open[row - 1]) {
                let from = time_s.partition_point(|t| *t < time_s[row] - 0.15);
                changing[from..=row].fill(true);
            }
        }
    }
    mark(&mut states.bits, &changing, bit::GEAR_CHANGE);
}

fn idle(signals: &Signals<'_>, rpm: &[f64], states: &mut States) {
    let Some(idle_rpm) = states.idle_rpm else {
        states.not_judged.push(("idle", "no idle speed was held for 2 s".to_owned()));
        return;
    };
    let band = (0.15 * idle_rpm).max(150.0);
    let idles = |(row, rate): (usize, f64)| {
        signals.shut_or_throttled(row) && (rpm[row] - idle_rpm).abs() <= band && rate.abs() < 300.0
    };
    let mut idling: Vec<bool> = signals.rpm_rates().enumerate().map(idles).collect();
    bridge(signals.time_s, &mut idling, signals.bridge_s());
    drop_short(signals.time_s, &mut idling, 0.5);
    mark(&mut states.bits, &idling, bit::IDLE);
}

fn over_run(signals: &Signals<'_>, rpm: &[f64], states: &mut States) {
    let fast_rpm = states.idle_rpm.map_or(1500.0, |idle| 1.3 * idle + 200.0);
    let shut: Vec<bool> = if let Some(shut) = &signals.shut {
        shut.clone()
    } else if let Some(manifold) = signals.manifold_pa.as_deref() {
        manifold.iter().map(|pa| *pa < 0.4 * signals.barometric_pa).collect()
    } else {
        states.not_judged.push((
            "over_run",
            "the throttle was never closed and the log has no manifold pressure".to_owned(),
        ));
        return;
    };
    let mut over: Vec<bool> = shut.iter().zip(rpm).map(|(shut, rpm)| *shut && *rpm > fast_rpm).collect();
    drop_short(signals.time_s, &mut over, 0.05);
    mark(&mut states.bits, &over, bit::OVER_RUN);
}

/// Time from an opening until the reading shows the settled mixture, s.
fn settling_s(rpm: f64, manifold_pa: Option<f64>, film_s: f64) -> f64 {
    Chain::delay_s(rpm, manifold_pa) + 3.0 * Response::prior().tau_s + film_s
}

fn tip_in(signals: &Signals<'_>, rpm: &[f64], states: &mut States) {
    const SPAN_S: f64 = 0.25;
    let opens: Vec<bool> = if let Some(demand) = signals.demand.as_deref() {
        rises(signals, demand, SPAN_S, |before, now| now - before >= 0.15)
    } else if let Some(manifold) = signals.manifold_pa.as_deref() {
        rises(signals, manifold, SPAN_S, |before, now| now >= 1.25 * before && now - before > 10_000.0)
    } else {
        return;
    };
    let mut until_s = f64::NEG_INFINITY;
    for (row, opens) in opens.iter().enumerate() {
        let time = signals.time_s[row];
        if *opens && rpm[row] >= super::speed::RUNNING_RPM {
            let before = signals.time_s.partition_point(|t| *t < time - SPAN_S);
            let pa = signals.manifold_pa.as_deref().map(|pa| pa[before]).filter(|pa| pa.is_finite());
            until_s = until_s.max(time + settling_s(rpm[row], pa, FILM_S));
        }
        if time <= until_s {
            states.bits[row] |= bit::TIP_IN;
        }
    }
}

/// Rows at which a value is up against the one `span_s` before.
fn rises(signals: &Signals<'_>, values: &[f64], span_s: f64, up: impl Fn(f64, f64) -> bool) -> Vec<bool> {
    let span_s = span_s.max(1.1 * signals.slowest_s);
    let mut back = 0;
    (0..values.len())
        .map(|row| {
            while signals.time_s[row] - signals.time_s[back] > span_s {
                back += 1;
            }
            up(values[back], values[row])
        })
        .collect()
}

fn full_load(
    signals: &Signals<'_>,
    rpm: &[f64],
    open: &[bool],
    loaded: Option<Vec<bool>>,
    states: &mut States,
) {
    let time_s = signals.time_s;
    let best = super::speed::best_rate(signals);
    let bridge_s = signals.bridge_s();
    // Each criterion is bridged by itself: a spike in one channel does not end the window.
    let mut conditions: Vec<Vec<bool>> = loaded.into_iter().collect();
    if let Some(ceiling) = states.ceiling_rpm {
        conditions.push(rpm.iter().map(|rpm| *rpm < super::speed::CEILING_SHARE * ceiling).collect());
    }
    if let Some(best) = best {
        let most = (super::speed::FLARE * best).max(300.0);
        conditions.push(signals.rpm_rates().map(|rate| rate.is_nan() || rate <= most).collect());
    }
    conditions.push(states.bits.iter().map(|bits| bits & bit::WARM_UP == 0).collect());
    for condition in &mut conditions {
        bridge(time_s, condition, bridge_s);
    }
    // These are states and cuts, not noise: never bridged.
    let broken = bit::LIMITER | bit::GEAR_CHANGE | bit::UNLOAD;
    let interrupted = |row: usize| {
        states.bits[row] & broken != 0
            || signals.injection.as_ref().is_some_and(|told| told.rows[row] == Injected::Nothing)
    };
    let clean: Vec<bool> = (0..rpm.len())
        .map(|row| open[row] && conditions.iter().all(|condition| condition[row]) && !interrupted(row))
        .collect();

    let least_s = 0.5_f64.max(10.0 * signals.mixture_period_s).max(5.0 * Response::prior().tau_s);
    let mut full = vec![false; rpm.len()];
    for (opening, film_s) in openings(time_s, open) {
        for run in runs(&clean[opening.clone()]) {
            let run = opening.start + run.start..opening.start + run.end;
            let mut begins_s = time_s[run.start];
            if opening.start > 0 {
                let settled_s =
                    settling_s(rpm[opening.start], pressure_before(signals, opening.start), film_s);
                begins_s = begins_s.max(time_s[opening.start] + settled_s);
            }
            if run.start > opening.start && interrupted(run.start - 1) {
                let settled_s = settling_s(rpm[run.start], pressure_before(signals, run.start), 0.0);
                begins_s = begins_s.max(time_s[run.start] + settled_s);
            }
            let from = run.start + time_s[run.clone()].partition_point(|t| *t < begins_s);
            let window = from..run.end;
            if !window.is_empty() && length_s(time_s, &window) >= least_s {
                full[window].fill(true);
            }
        }
    }
    mark(&mut states.bits, &full, bit::FULL_LOAD);
}

/// Stretches of wide open, each with the time its fuel film needs: less after a short interruption.
fn openings(time_s: &[f64], open: &[bool]) -> Vec<(Range<usize>, f64)> {
    let mut ended_s = f64::NEG_INFINITY;
    runs(open)
        .into_iter()
        .map(|run| {
            let film_s = if time_s[run.start] - ended_s < SHORT_LIFT_S { WET_FILM_S } else { FILM_S };
            ended_s = time_s[run.end - 1];
            (run, film_s)
        })
        .collect()
}

/// Manifold pressure just before a row: the delay is that of the gas before, long at closed throttle.
fn pressure_before(signals: &Signals<'_>, row: usize) -> Option<f64> {
    let manifold = signals.manifold_pa.as_deref()?;
    manifold.get(row.saturating_sub(1)).copied().filter(|pa| pa.is_finite())
}

fn cruise(signals: &Signals<'_>, rpm: &[f64], states: &mut States) {
    const SPAN_S: f64 = 1.0;
    let time_s = signals.time_s;
    let steady = |values: &[f64], within: &(dyn Fn(f64) -> f64 + Sync)| -> Vec<bool> {
        let low = sliding_min(time_s, values.iter().copied(), SPAN_S);
        let negated_high = sliding_min(time_s, values.iter().map(|value| -value), SPAN_S);
        low.zip(negated_high).map(|(low, high)| -high - low <= within(low)).collect()
    };
    let (load, share): (&[f64], f64) = match (signals.demand.as_deref(), signals.manifold_pa.as_deref()) {
        (Some(demand), _) => (demand, 0.04),
        (None, Some(manifold)) => (manifold, 8_000.0),
        (None, None) => return,
    };
    let (mut cruising, load) = rayon::join(|| steady(rpm, &|rpm| 0.05 * rpm), || steady(load, &|_| share));
    let other = bit::IDLE | bit::OVER_RUN | bit::WIDE_OPEN | bit::TIP_IN | bit::LIMITER | bit::UNLOAD;
    for (row, cruising) in cruising.iter_mut().enumerate() {
        let bits = states.bits[row];
        *cruising = *cruising && load[row] && bits & other == 0 && bits & bit::RUNNING != 0;
    }
    mark(&mut states.bits, &cruising, bit::CRUISE);
}
