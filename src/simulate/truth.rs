//! What really happened in a simulated run: the truth document beside the log.

use serde::{Deserialize, Serialize};

use super::chain::{Reading, mask_bit};
use super::drive::STEP_S;
use super::fault::FaultKind;
use super::fuel::GasCause;
use super::logger::{Column, Rows};
use super::scenario::{LinkKind, MixtureUnit, Scenario};
use super::trace::Trace;
use super::{decidable, run_ranges};
use crate::document::TreatAs;
use crate::log::Role;

/// Version of the document.
pub const SCHEMA: &str = "sondeproof.truth/1";

/// Charges leaner than the limit for so many cycles of one cylinder are a hazard.
pub const HAZARD_CYCLES: u8 = 3;

/// A stretch of time, s from the log's first sample.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Span {
    /// From.
    pub start_s: f64,
    /// Up to.
    pub end_s: f64,
}

/// One thing that happened to the mixture or to its reading.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TruthEvent {
    /// From, s, at the sensor.
    pub start_s: f64,
    /// Up to, s.
    pub end_s: f64,
    /// Cause in the words of the audit document.
    pub cause: String,
    /// Other causes that name the same thing.
    pub also: Vec<String>,
    /// How it must be treated.
    pub treat_as: TreatAs,
    /// A cylinder burnt leaner than the limit under load for three cycles or more meanwhile.
    pub hazard: bool,
    /// Leanest gas at the sensor, lambda; null for pure air.
    pub gas_peak_lambda: Option<f64>,
    /// Highest logged reading, lambda; null when nothing was logged.
    pub logged_peak_lambda: Option<f64>,
    /// Whether the log shows a reading that is lean for its operating state.
    pub reads_lean: bool,
    /// Whether the engine was under load at its worst.
    pub loaded: bool,
    /// Fault of the chain that hides more than half of it.
    pub hidden_by: Option<String>,
    /// Whether the physics can tell the cause from this log.
    pub decidable: bool,
    /// Why, or why not.
    pub because: String,
}

/// Truth of one column.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TruthChannel {
    /// Header.
    pub name: String,
    /// What it holds.
    pub role: Role,
    /// Tolerance used for `off`, in the log's unit, at least.
    pub tolerance: f64,
    /// Rows whose value is farther than the tolerance from what a healthy chain would have logged, or is
    /// absent where that one logs a value: half-open ranges.
    pub off: Vec<[usize; 2]>,
}

/// The truth of a run.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    /// `sondeproof.truth/1`.
    pub schema: String,
    /// Command that made the log; null when it was made through the library.
    pub command: Option<String>,
    /// Seed.
    pub seed: u64,
    /// SHA-256 of the log's bytes, hexadecimal: which log this is the truth of, should one of the two files be of another
    /// run. Null in truths that were written without it.
    #[serde(default)]
    pub log_sha256: Option<String>,
    /// Rows of the log.
    pub rows: usize,
    /// Row period, s.
    pub period_s: f64,
    /// Frame period of the link, s; null for a voltage.
    pub frame_period_s: Option<f64>,
    /// True 63 % response to leaner gas, s, with faults.
    pub tau_rich_to_lean_s: f64,
    /// True 63 % response to richer gas, s, with faults.
    pub tau_lean_to_rich_s: f64,
    /// What happened, by time.
    pub events: Vec<TruthEvent>,
    /// When a cylinder burnt too lean under load.
    pub hazards: Vec<Span>,
    /// Every column.
    pub channels: Vec<TruthChannel>,
    /// The scenario, whole.
    pub scenario: Scenario,
}

/// Everything that the truth is made from.
pub(super) struct Parts<'a> {
    pub(super) scenario: &'a Scenario,
    pub(super) trace: &'a Trace,
    pub(super) healthy_reading: &'a Reading,
    pub(super) rows: &'a Rows,
    pub(super) healthy_rows: &'a Rows,
}

/// Collects the truth of a run.
pub(super) fn collect(parts: &Parts<'_>) -> Truth {
    let scenario = parts.scenario;
    let hazards = hazards(parts.trace);
    let channels: Vec<TruthChannel> = parts
        .rows
        .columns
        .iter()
        .zip(&parts.healthy_rows.columns)
        .map(|(a, b)| channel(scenario, a, b))
        .collect();
    let mut events = gas_events(parts);
    events.extend(chain_events(parts, &channels));
    for event in &mut events {
        // Gas reaches the sensor a little after it burnt. A hazard that a cut ends belongs to what came before.
        let is_cut = event.treat_as == TreatAs::Benign;
        let from_s = if is_cut { event.start_s } else { event.start_s - 0.2 };
        event.hazard = hazards.iter().any(|h| {
            h.start_s < event.end_s + 0.05 && if is_cut { h.start_s >= from_s } else { h.end_s > from_s }
        });
    }
    events.sort_by(|a, b| a.start_s.total_cmp(&b.start_s).then_with(|| a.cause.cmp(&b.cause)));
    let (mut lean, mut rich) = (scenario.sensor.tau_rich_to_lean_s, scenario.sensor.tau_lean_to_rich_s);
    for fault in &scenario.faults {
        match fault.kind {
            FaultKind::SlowSensor => {
                lean *= fault.size;
                rich *= fault.size;
            }
            FaultKind::ContaminatedSensor => {
                rich *= fault.size;
                lean *= 0.85;
            }
            _ => {}
        }
    }
    Truth {
        schema: SCHEMA.to_owned(),
        command: None,
        seed: scenario.seed,
        log_sha256: None,
        rows: parts.rows.time_s.len(),
        period_s: scenario.logger.period_s,
        frame_period_s: (scenario.link.kind == LinkKind::Serial).then_some(scenario.link.frame_s),
        tau_rich_to_lean_s: lean,
        tau_lean_to_rich_s: rich,
        events,
        hazards,
        channels,
        scenario: scenario.clone(),
    }
}

/// Stretches in which one cylinder burnt too lean under load for [`HAZARD_CYCLES`] or more.
fn hazards(trace: &Trace) -> Vec<Span> {
    let lean: Vec<bool> = trace.lean_cycles.iter().map(|cycles| *cycles > 0).collect();
    run_ranges(&lean)
        .into_iter()
        .filter(|range| {
            trace.lean_cycles.get(range.clone()).is_some_and(|c| c.iter().any(|c| *c >= HAZARD_CYCLES))
        })
        .map(|range| Span { start_s: range.start as f64 * STEP_S, end_s: range.end as f64 * STEP_S })
        .collect()
}

/// Whether the engine is under load at a millisecond.
pub(super) fn loaded(scenario: &Scenario, trace: &Trace, at: usize) -> bool {
    let manifold = trace.manifold_kpa.get(at).map_or(0.0, |v| f64::from(*v));
    let bar = scenario.engine.barometric_kpa;
    manifold > if scenario.engine.boost_kpa > 10.0 { 100.0 } else { 0.9 * bar }
}

/// Above this lambda the gas is lean for its operating state.
pub(super) fn limit(scenario: &Scenario, trace: &Trace, at: usize) -> f64 {
    // At part load the target is 1, with a swing of a few hundredths.
    if loaded(scenario, trace, at) { scenario.lean_limit } else { 1.07 }
}

struct Stretch {
    start: usize,
    end: usize,
    cause: GasCause,
}

/// The millisecond at which the gas that is at the sensor was in the cylinder.
pub(super) fn gas_left_at(scenario: &Scenario, trace: &Trace, at: usize) -> usize {
    let rpm = trace.engine_rpm.get(at).map_or(1e3, |v| f64::from(*v)).max(200.0);
    let late_s =
        trace.delay_s.get(at).map_or(0.0, |v| f64::from(*v)) + 90.0 / rpm + 2.0 * scenario.exhaust.mixing_s;
    at.saturating_sub((late_s / STEP_S) as usize)
}

/// Stretches of lean gas at the sensor with one cause each.
fn stretches(parts: &Parts<'_>) -> Vec<Stretch> {
    let (scenario, trace) = (parts.scenario, parts.trace);
    let mut found: Vec<Stretch> = Vec::new();
    for (at, (phi, cause)) in trace.gas_phi.iter().zip(&trace.cause).enumerate() {
        // Judged by the load when this gas was in the cylinder.
        let then = gas_left_at(scenario, trace, at);
        if *cause == GasCause::None || f64::from(*phi) * limit(scenario, trace, then) >= 1.0 {
            continue;
        }
        match found.last_mut() {
            Some(last) if last.cause == *cause && at - last.end < 300 => last.end = at + 1,
            // Refill of the film after a cut belongs to the cut while it is short.
            Some(last)
                if last.cause.is_cut()
                    && *cause == GasCause::TipIn
                    && at - last.start < 10_000
                    && at - last.end < 150
                    && refill_is_short(trace, at) =>
            {
                last.end = at + 1;
            }
            _ => found.push(Stretch { start: at, end: at + 1, cause: *cause }),
        }
    }
    // The first charges after the start pass a sensor that is not ready yet.
    let started = trace.engine_rpm.iter().position(|rpm| f64::from(*rpm) > 0.7 * scenario.engine.idle_rpm);
    let settled = started.map_or(usize::MAX, |at| at + 1_500);
    found.retain(|stretch| stretch.start > settled);
    // Shorter than an engine cycle or so: nothing that a log or an engine notices.
    found.retain(|stretch| stretch.end - stretch.start >= if stretch.cause.is_cut() { 20 } else { 60 });
    found
}

/// Whether lean re-entry after a cut has lasted less than 0.2 s.
fn refill_is_short(trace: &Trace, at: usize) -> bool {
    let back = at.saturating_sub(200)..at;
    trace.cause.get(back).is_some_and(|causes| causes.iter().any(|cause| cause.is_cut()))
}

fn gas_events(parts: &Parts<'_>) -> Vec<TruthEvent> {
    let (scenario, trace) = (parts.scenario, parts.trace);
    let mixture = mixture_index(parts.rows);
    let event = |stretch: Stretch| {
        let range = stretch.start..stretch.end;
        let leanest = trace
            .gas_phi
            .get(range.clone())
            .map_or(1.0, |phi| phi.iter().fold(f64::INFINITY, |least, v| least.min(f64::from(*v))));
        let (start_s, end_s) = (stretch.start as f64 * STEP_S, stretch.end as f64 * STEP_S);
        // The reading follows the gas for a few time constants.
        let tail_s = 3.0 * scenario.sensor.tau_lean_to_rich_s + scenario.link.latency_s;
        let rows = rows_between(parts.rows, start_s, end_s + tail_s);
        let middle = usize::midpoint(stretch.start, stretch.end);
        let hidden = mixture.and_then(|index| hidden_by(parts, index, rows.clone()));
        let treat_as = match stretch.cause {
            GasCause::AirIngress => TreatAs::Invalid,
            cause if cause.is_cut() => TreatAs::Benign,
            _ => TreatAs::Hazard,
        };
        let seen = own_reading_is_lean(parts, &range);
        let reads_lean = seen && mixture.is_some_and(|index| reads_lean(parts, index, rows.clone()));
        let read = stretch.start..(stretch.end + (tail_s / STEP_S) as usize).min(trace.steps());
        let healthy = |at: usize| parts.healthy_reading.lambda.get(at).map_or(0.0, |v| f64::from(*v));
        let gas = decidable::Gas {
            seconds: end_s - start_s,
            leanest_phi: leanest,
            healthy_peak: read.clone().map(healthy).fold(0.0, f64::max),
            beyond_loop_s: longest_s(range.clone(), |at| healthy(at) >= decidable::LEAK_LAMBDA),
            pulled_s: longest_s(range.clone(), |at| pulls(parts, at)),
        };
        let verdict = decidable::gas(scenario, stretch.cause, &gas);
        TruthEvent {
            start_s,
            end_s,
            cause: stretch.cause.name().to_owned(),
            also: Vec::new(),
            treat_as,
            hazard: false,
            gas_peak_lambda: (leanest > 0.01).then(|| 1.0 / leanest),
            logged_peak_lambda: mixture.and_then(|index| peak(parts, index, rows.clone())),
            reads_lean,
            loaded: loaded(scenario, trace, middle),
            decidable: verdict.is_ok() && hidden.is_none() && reads_lean,
            because: match (&hidden, verdict) {
                (Some(by), _) => format!("hidden by {by}"),
                (None, _) if !seen => {
                    "its own gas does not read lean, only the tail of what came before".to_owned()
                }
                (None, Ok(why) | Err(why)) => why,
            },
            hidden_by: hidden,
        }
    };
    stretches(parts).into_iter().map(event).collect()
}

/// Events that are none: the reading is off while the gas is as meant.
fn chain_events(parts: &Parts<'_>, channels: &[TruthChannel]) -> Vec<TruthEvent> {
    let Some(index) = mixture_index(parts.rows) else { return Vec::new() };
    let Some(truth) = channels.get(index) else { return Vec::new() };
    let mut off = vec![false; parts.rows.time_s.len()];
    for [start, end] in &truth.off {
        off.get_mut(*start..*end).into_iter().flatten().for_each(|row| *row = true);
    }
    let mut events = Vec::new();
    for kind in FaultKind::ALL.iter().filter(|kind| !kind.meta().cause.is_empty()) {
        let bit = mask_bit(*kind);
        let rows: Vec<bool> =
            off.iter().zip(&parts.rows.mask).map(|(off, mask)| *off && mask & bit != 0).collect();
        let mut merged: Vec<std::ops::Range<usize>> = Vec::new();
        for range in run_ranges(&rows) {
            let gap_s = merged.last().map_or(f64::INFINITY, |last| {
                time_at(parts.rows, range.start) - time_at(parts.rows, last.end.saturating_sub(1))
            });
            match merged.last_mut() {
                Some(last) if gap_s < 1.0 => last.end = range.end,
                _ => merged.push(range),
            }
        }
        events.extend(merged.into_iter().map(|rows| chain_event(parts, *kind, index, rows)));
    }
    events
}

fn chain_event(parts: &Parts<'_>, kind: FaultKind, index: usize, rows: std::ops::Range<usize>) -> TruthEvent {
    let scenario = parts.scenario;
    let (start_s, end_s) = (time_at(parts.rows, rows.start), time_at(parts.rows, rows.end.saturating_sub(1)));
    let middle = (0.5 * (start_s + end_s) / STEP_S) as usize;
    let sagged = scenario.faults.iter().any(|fault| fault.kind == FaultKind::SupplySag);
    let cause = kind.meta().cause;
    let also = match kind {
        FaultKind::ControllerReset if sagged => vec!["supply_sag".to_owned()],
        FaultKind::SupplySag => vec!["controller_reset".to_owned()],
        _ => Vec::new(),
    };
    let reads_lean = reads_lean(parts, index, rows.clone());
    let steps = (start_s / STEP_S) as usize..(end_s / STEP_S) as usize + 1;
    let gas = parts.trace.gas_phi.get(steps.clone());
    let leanest = gas.map_or(1.0, |phi| phi.iter().fold(f64::INFINITY, |least, v| least.min(f64::from(*v))));
    let mut shown = shown(parts, index, &rows, steps);
    shown.lean_gas = leanest * limit(scenario, parts.trace, (start_s / STEP_S) as usize) < 1.0;
    let verdict = decidable::chain(scenario, kind, &shown);
    TruthEvent {
        start_s,
        end_s,
        cause: cause.to_owned(),
        also,
        treat_as: TreatAs::Invalid,
        hazard: false,
        gas_peak_lambda: (leanest > 0.01).then(|| 1.0 / leanest),
        logged_peak_lambda: peak(parts, index, rows),
        reads_lean,
        loaded: loaded(scenario, parts.trace, middle),
        hidden_by: None,
        decidable: verdict.is_ok() && reads_lean,
        because: match verdict {
            Ok(why) | Err(why) => why,
        },
    }
}

/// What a fault of the chain showed in its rows while the engine did what it did.
fn shown(
    parts: &Parts<'_>,
    index: usize,
    rows: &std::ops::Range<usize>,
    steps: std::ops::Range<usize>,
) -> decidable::Shown {
    let (scenario, trace) = (parts.scenario, parts.trace);
    let unit = per_lambda(scenario);
    let healthy = |row: Option<usize>| {
        let column = parts.healthy_rows.columns.get(index)?;
        row.and_then(|row| column.values.get(row)).map(|v| v / unit)
    };
    let before = rows.start.checked_sub(1);
    let (left, right) = (healthy(before), healthy(Some(rows.end)));
    let row_s = scenario.logger.period_s;
    // A frame that may come early leaves 85 % of its period.
    let inside_frame = scenario.link.kind == LinkKind::Serial
        && 0.85 * scenario.link.frame_s > 2.0 * row_s
        && rows.len() == 1
        && left.is_some()
        && left == right;
    let cut = |at: usize| trace.cause.get(at).is_some_and(|cause| cause.is_cut());
    let lean =
        |at: usize| trace.gas_phi.get(at).is_some_and(|v| f64::from(*v) * limit(scenario, trace, at) < 1.0);
    let open = |at: usize| trace.throttle.get(at).map_or(0.0, |v| f64::from(*v));
    decidable::Shown {
        seconds: time_at(parts.rows, rows.end.saturating_sub(1)) - time_at(parts.rows, rows.start),
        lean_gas: false,
        readings: [
            left.unwrap_or(1.0),
            peak(parts, index, rows.clone()).unwrap_or(1.0).max(1e-3),
            right.unwrap_or(1.0),
        ],
        inside_frame,
        loaded_s: longest_s(steps.clone(), |at| {
            pulls(parts, at) && !lean(at) && !witnessed(scenario, trace, at)
        }),
        witnessed: witnessed(scenario, trace, steps.start),
        over_run_s: longest_s(steps.clone(), |at| cut(at) && open(at) < 0.05),
    }
}

/// Longest stretch of milliseconds of which something holds, s.
fn longest_s(steps: std::ops::Range<usize>, holds: impl Fn(usize) -> bool) -> f64 {
    let flags: Vec<bool> = steps.map(holds).collect();
    run_ranges(&flags).iter().map(std::ops::Range::len).max().unwrap_or(0) as f64 * STEP_S
}

/// Whether the engine pulls at full load, with no cut and below the limiter, at a millisecond.
fn pulls(parts: &Parts<'_>, at: usize) -> bool {
    let (scenario, trace) = (parts.scenario, parts.trace);
    let value = |list: &[f32]| list.get(at).map_or(0.0, |v| f64::from(*v));
    loaded(scenario, trace, at)
        && value(&trace.throttle) > 0.9
        && !trace.cause.get(at).is_some_and(|cause| cause.is_cut())
        && value(&trace.engine_rpm) < 0.97 * scenario.engine.ceiling_rpm
}

/// Whether a logged witness of the fuel side speaks for a real cause at a millisecond: pressure over the injectors
/// 8 % under its best of the three seconds before, or duty of 95 %.
fn witnessed(scenario: &Scenario, trace: &Trace, at: usize) -> bool {
    let has = |role: Role| scenario.logger.channels.contains(&role);
    let value = |list: &[f32], at: usize| list.get(at).map_or(0.0, |v| f64::from(*v));
    let over = |at: usize| {
        value(&trace.rail_kpa, at) + scenario.engine.barometric_kpa - value(&trace.manifold_kpa, at)
    };
    let fell = || {
        let best = (at.saturating_sub(3_000)..at).step_by(100).map(over).fold(0.0, f64::max);
        over(at) < 0.92 * best
    };
    (has(Role::InjectorDuty) && value(&trace.duty, at) >= 0.95) || (has(Role::FuelPressure) && fell())
}

/// Column of the mixture reading.
pub(super) fn mixture_index(rows: &Rows) -> Option<usize> {
    rows.columns.iter().position(|column| column.role == Role::Lambda)
}

fn time_at(rows: &Rows, row: usize) -> f64 {
    rows.time_s.get(row).or(rows.time_s.last()).copied().unwrap_or(0.0)
}

fn rows_between(rows: &Rows, start_s: f64, end_s: f64) -> std::ops::Range<usize> {
    let start = rows.time_s.partition_point(|t| *t < start_s);
    start..rows.time_s.partition_point(|t| *t <= end_s).max(start)
}

/// One over the logged unit's lambda.
pub(super) fn per_lambda(scenario: &Scenario) -> f64 {
    match scenario.logger.mixture_unit {
        MixtureUnit::Lambda => 1.0,
        MixtureUnit::Afr => scenario.fuel.stoich_afr,
    }
}

fn peak(parts: &Parts<'_>, index: usize, rows: std::ops::Range<usize>) -> Option<f64> {
    let values = parts.rows.columns.get(index)?.values.get(rows)?;
    let most = values.iter().filter(|v| v.is_finite()).fold(f64::NEG_INFINITY, |most, v| most.max(*v));
    most.is_finite().then(|| most / per_lambda(parts.scenario))
}

fn reads_lean(parts: &Parts<'_>, index: usize, rows: std::ops::Range<usize>) -> bool {
    let unit = per_lambda(parts.scenario);
    let Some(column) = parts.rows.columns.get(index) else { return false };
    rows.into_iter().any(|row| {
        let at = (time_at(parts.rows, row) / STEP_S) as usize;
        // After a change of load the reading needs delay and response before it can be held against it.
        let sensor = &parts.scenario.sensor;
        let settle_s = 3.0 * sensor.tau_lean_to_rich_s.max(sensor.tau_rich_to_lean_s) + 0.1;
        let before = at.saturating_sub((settle_s / STEP_S) as usize);
        let least = limit(parts.scenario, parts.trace, at).max(limit(parts.scenario, parts.trace, before));
        column.values.get(row).is_some_and(|v| v / unit > least)
    })
}

/// Whether the gas of a stretch would read lean on a sensor that had read its limit before: what a sensor still
/// shows of an earlier cut says nothing about the gas that follows.
fn own_reading_is_lean(parts: &Parts<'_>, range: &std::ops::Range<usize>) -> bool {
    let (scenario, trace) = (parts.scenario, parts.trace);
    let sensor = &scenario.sensor;
    let keep_lean = super::gas::keep(sensor.tau_rich_to_lean_s + scenario.link.averaging_s);
    let keep_rich = super::gas::keep(sensor.tau_lean_to_rich_s + scenario.link.averaging_s);
    // Richer than the limit by what the full-load target usually lies under it.
    let mut phi = 1.0 / (limit(scenario, trace, range.start) - 0.06);
    // More than noise and one step of the reading.
    let clear = (2.0 * sensor.noise_phi).max(scenario.link.step_lambda);
    range.clone().any(|at| {
        let gas = trace.gas_phi.get(at).map_or(0.0, |gas| f64::from(*gas));
        let keep = if gas < phi { keep_lean } else { keep_rich };
        phi = phi * keep + gas * (1.0 - keep);
        phi * limit(scenario, trace, at) < 1.0 - clear
    })
}

/// The fault of the chain that holds in more than half of the rows.
fn hidden_by(parts: &Parts<'_>, index: usize, rows: std::ops::Range<usize>) -> Option<String> {
    let (logged, healthy) = (parts.rows.columns.get(index)?, parts.healthy_rows.columns.get(index)?);
    let tolerance = tolerance(parts.scenario, logged);
    let mut counts = vec![0_usize; FaultKind::ALL.len()];
    let total = rows.len();
    for row in rows {
        let (Some(a), Some(b)) = (logged.values.get(row), healthy.values.get(row)) else { continue };
        let mask = parts.rows.mask.get(row).copied().unwrap_or(0);
        if is_off(*a, *b, tolerance) {
            for (count, kind) in counts.iter_mut().zip(FaultKind::ALL) {
                *count += usize::from(mask & mask_bit(*kind) != 0);
            }
        }
    }
    let most = counts.iter().zip(FaultKind::ALL).max_by_key(|(count, _)| **count)?;
    (total > 0 && *most.0 * 2 > total).then(|| most.1.meta().name.to_owned())
}

/// Tolerance of a column in the log's unit.
///
/// Lambda: 0.02 (the trust definition; 2 % where that is more). Others: assumed accuracies of healthy
/// instruments of the kind, about three times their noise here.
fn tolerance(scenario: &Scenario, column: &Column) -> f64 {
    match column.role {
        Role::Lambda => 0.02 * per_lambda(scenario),
        Role::EngineSpeed => 50.0,
        Role::ManifoldPressure => 3.0,
        Role::FuelPressure => 8.0,
        Role::Throttle | Role::InjectorDuty | Role::VehicleSpeed => 2.0,
        Role::BatteryVoltage | Role::SupplyVoltage => 0.25,
        Role::CoolantTemperature => 5.0,
        Role::ExhaustGasTemperature => 15.0,
        _ => 0.5,
    }
}

fn is_off(logged: f64, healthy: f64, tolerance: f64) -> bool {
    if healthy.is_nan() {
        return false;
    }
    logged.is_nan() || (logged - healthy).abs() > tolerance.max(0.02 * healthy.abs()) + 1e-9
}

fn channel(scenario: &Scenario, logged: &Column, healthy: &Column) -> TruthChannel {
    let tolerance = tolerance(scenario, logged);
    let off: Vec<bool> =
        logged.values.iter().zip(&healthy.values).map(|(a, b)| is_off(*a, *b, tolerance)).collect();
    TruthChannel {
        name: logged.name.clone(),
        role: logged.role,
        tolerance,
        off: run_ranges(&off).into_iter().map(|range| [range.start, range.end]).collect(),
    }
}
