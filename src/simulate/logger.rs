//! The logger: rows, channel skew, units, quantisation, and what goes wrong there.

use super::beside;
use super::chain::{Reading, mask_bit};
use super::drive::STEP_S;
use super::fault::{Fault, FaultKind};
use super::random::Stream;
use super::scenario::{MixtureUnit, Scenario};
use super::trace::Trace;
use crate::log::Role;

/// One column of the log, in the log's own unit; NaN marks an empty cell.
#[derive(Clone, Debug)]
pub struct Column {
    /// Header.
    pub name: String,
    /// What it holds.
    pub role: Role,
    /// Decimals written.
    pub decimals: usize,
    /// One value per row.
    pub values: Vec<f64>,
}

/// The rows of a log.
#[derive(Clone, Debug)]
pub struct Rows {
    /// Time stamps, s.
    pub time_s: Vec<f64>,
    /// Columns without the time.
    pub columns: Vec<Column>,
    /// Kinds of chain faults per row of the mixture channel, see [`mask_bit`].
    pub mask: Vec<u32>,
}

/// How a role is written: names per set of words, unit, factor and offset from the trace, decimals, step.
struct Written {
    names: [&'static str; 3],
    unit: &'static str,
    factor: f64,
    step: f64,
    decimals: usize,
    /// Least time between two samples, s.
    period_s: f64,
    /// Standard deviation of the noise, in the log's unit.
    noise: f64,
    /// Lag of the instrument, s.
    lag_s: f64,
}

// One line per role reads as a table.
#[allow(clippy::too_many_arguments)]
const fn written(
    names: [&'static str; 3],
    unit: &'static str,
    factor: f64,
    step: f64,
    decimals: usize,
    period_s: f64,
    noise: f64,
    lag_s: f64,
) -> Written {
    Written { names, unit, factor, step, decimals, period_s, noise, lag_s }
}

fn how(role: Role) -> Option<Written> {
    Some(match role {
        Role::EngineSpeed => {
            written(["Engine Speed", "RPM", "Drehzahl"], "rpm", 1.0, 1.0, 0, 0.0, 4.0, 0.005)
        }
        Role::Throttle => {
            written(["Throttle Position", "TPS", "Drosselklappe"], "%", 100.0, 0.1, 1, 0.0, 0.15, 0.005)
        }
        Role::ManifoldPressure => written(
            ["Manifold Absolute Pressure", "MAP", "Saugrohrdruck"],
            "kPa",
            1.0,
            0.1,
            1,
            0.0,
            0.35,
            0.010,
        ),
        Role::FuelPressure => {
            written(["Fuel Pressure", "FuelP", "Kraftstoffdruck"], "kPa", 1.0, 1.0, 0, 0.0, 1.2, 0.020)
        }
        Role::InjectorDuty => written(
            ["Injector Duty", "InjDuty", "Tastverhältnis Einspritzung"],
            "%",
            100.0,
            0.1,
            1,
            0.0,
            0.05,
            0.0,
        ),
        Role::InjectorPulseWidth => {
            written(["Injector Pulse Width", "PW", "Einspritzzeit"], "ms", 1.0, 0.001, 3, 0.0, 0.004, 0.0)
        }
        Role::BatteryVoltage => {
            written(["Battery Voltage", "Batt", "Bordspannung"], "V", 1.0, 0.01, 2, 0.0, 0.02, 0.010)
        }
        Role::SupplyVoltage => {
            written(["Logger Supply", "Vlog", "Versorgung Logger"], "V", 1.0, 0.02, 2, 0.0, 0.02, 0.010)
        }
        Role::CoolantTemperature => {
            written(["Coolant Temperature", "CLT", "Kühlmittel"], "°C", 1.0, 0.5, 1, 0.5, 0.1, 2.0)
        }
        Role::ExhaustGasTemperature => {
            written(["Exhaust Gas Temperature", "EGT", "Abgastemperatur"], "°C", 1.0, 1.0, 0, 0.2, 1.0, 0.0)
        }
        Role::VehicleSpeed => {
            written(["Vehicle Speed", "VSS", "Geschwindigkeit"], "km/h", 3.6, 0.1, 1, 0.0, 0.1, 0.2)
        }
        Role::Gear => written(["Gear", "Gear", "Gang"], "", 1.0, 1.0, 0, 0.0, 0.0, 0.05),
        Role::Knock => written(["Knock Level", "Knock", "Klopfsignal"], "", 1.0, 0.01, 2, 0.0, 0.06, 0.02),
        Role::LambdaTarget => {
            written(["Lambda Target", "LamTgt", "Lambda Soll"], "", 1.0, 0.001, 3, 0.0, 0.0, 0.0)
        }
        _ => return None,
    })
}

/// What every column is made from.
#[derive(Clone, Copy)]
struct Input<'a> {
    scenario: &'a Scenario,
    trace: &'a Trace,
    faults: &'a [Fault],
    times: &'a [f64],
}

/// Samples everything.
///
/// * `healthy`: leave out every fault of the logger
pub(super) fn run(scenario: &Scenario, trace: &Trace, reading: &Reading, healthy: bool) -> Rows {
    let faults: Vec<Fault> = if healthy { Vec::new() } else { scenario.faults.clone() };
    let times = stamps(scenario, trace.steps());
    let input = Input { scenario, trace, faults: &faults, times: &times };
    let mut columns = Vec::new();
    let mut mask = vec![0; times.len()];
    for (index, role) in scenario.logger.channels.iter().enumerate() {
        let skew_s = skew_s(scenario, index);
        if *role == Role::Lambda {
            columns.push(mixture(scenario, reading, &faults, &times, skew_s, &mut mask));
        } else if let Some(written) = how(*role) {
            columns.push(other(&input, skew_s, *role, &written, index));
        }
    }
    for fault in faults.iter().filter(|fault| fault.kind == FaultKind::Standstill) {
        stand_still(fault, &times, &mut columns, &mut mask);
    }
    let time_s = times.iter().map(|t| (t * 1e3).round() / 1e3).collect();
    Rows { time_s, columns, mask }
}

/// By how much the channel at a place among the columns is late, s.
fn skew_s(scenario: &Scenario, index: usize) -> f64 {
    scenario.logger.skew_s * Stream::new(scenario.seed, "skew").uniform(index as u64)
}

/// By how much the mixture reading is late, s.
pub(super) fn mixture_skew_s(scenario: &Scenario) -> f64 {
    let index = scenario.logger.channels.iter().position(|role| *role == Role::Lambda);
    index.map_or(0.0, |index| skew_s(scenario, index))
}

/// Row times: a steady grid with jitter, less the rows that the logger did not write.
fn stamps(scenario: &Scenario, steps: usize) -> Vec<f64> {
    let logger = &scenario.logger;
    let period = logger.period_s.max(STEP_S);
    let jitter = Stream::new(scenario.seed, "row jitter");
    let rows = (steps as f64 * STEP_S / period).floor() as usize;
    let at = |row: usize| {
        let early = jitter.normal(row as u64).clamp(-2.0, 2.0).min(2.0) * logger.jitter * period;
        (row as f64).mul_add(period, if row == 0 { 0.0 } else { early * 0.5 })
    };
    (0..rows).map(at).filter(|time_s| beside::written(scenario, *time_s)).collect()
}

/// Repeats the last row before a fault for as long as it acts.
fn stand_still(fault: &Fault, times: &[f64], columns: &mut [Column], mask: &mut [u32]) {
    let rows = row_at(times, fault.start_s)..row_at(times, fault.start_s + fault.duration_s);
    let Some(last) = rows.start.checked_sub(1) else { return };
    for column in columns {
        let Some(value) = column.values.get(last).copied() else { continue };
        column.values.get_mut(rows.clone()).unwrap_or_default().fill(value);
    }
    let bit = mask_bit(fault.kind);
    mask.get_mut(rows).unwrap_or_default().iter_mut().for_each(|slot| *slot |= bit);
}

fn index_of(time_s: f64) -> usize {
    (time_s.max(0.0) / STEP_S) as usize
}

/// First row at or after a time.
fn row_at(times: &[f64], time_s: f64) -> usize {
    times.partition_point(|t| *t < time_s)
}

fn mixture(
    scenario: &Scenario,
    reading: &Reading,
    faults: &[Fault],
    times: &[f64],
    skew_s: f64,
    mask: &mut [u32],
) -> Column {
    let mut lambda = Vec::with_capacity(times.len());
    for (row, time_s) in times.iter().enumerate() {
        let at = index_of(time_s - skew_s);
        lambda.push(reading.lambda.get(at).map_or(f64::NAN, |v| f64::from(*v)));
        if let (Some(slot), Some(bits)) = (mask.get_mut(row), reading.mask.get(at)) {
            *slot |= bits;
        }
    }
    for fault in faults {
        let first = row_at(times, fault.start_s);
        let last = row_at(times, fault.start_s + fault.duration_s).max(first + 1).min(times.len());
        for row in first..last {
            let (Some(value), Some(slot)) = (lambda.get_mut(row), mask.get_mut(row)) else { continue };
            let link = &scenario.link;
            match fault.kind {
                FaultKind::Spike | FaultKind::Glitch => {
                    *value = (*value + fault.size).min(link.clip_lean).max(link.clip_rich);
                }
                FaultKind::Dropout => *value = if fault.size > 0.0 { fault.size } else { f64::NAN },
                FaultKind::Scale => *value *= fault.size,
                _ => continue,
            }
            *slot |= mask_bit(fault.kind);
        }
    }
    let names = ["Lambda", "Lam1", "Lambda Ist"];
    let word = usize::from(scenario.logger.words.min(2));
    let (name, factor, step, decimals) = match scenario.logger.mixture_unit {
        MixtureUnit::Lambda => (
            names[word].to_owned(),
            1.0,
            scenario.link.step_lambda.max(0.001),
            decimals_of(scenario.link.step_lambda),
        ),
        MixtureUnit::Afr => {
            (format!("AFR{}", if word == 0 { " (AFR)" } else { "" }), scenario.fuel.stoich_afr, 0.01, 2)
        }
    };
    let values = lambda.into_iter().map(|v| (v * factor / step).round() * step).collect();
    Column { name, role: Role::Lambda, decimals, values }
}

fn decimals_of(step: f64) -> usize {
    if step >= 0.01 {
        2
    } else if step >= 0.001 {
        3
    } else {
        4
    }
}

fn other(input: &Input<'_>, skew_s: f64, role: Role, written: &Written, index: usize) -> Column {
    let Input { scenario, trace, faults, times } = *input;
    let noise = Stream::new(scenario.seed, role.name());
    let followed = follow(scenario, trace, role, written);
    let mut values = Vec::with_capacity(times.len());
    let mut due_s = 0.0;
    let mut held = f64::NAN;
    for (row, time_s) in times.iter().enumerate() {
        if time_s + 1e-9 < due_s {
            values.push(if scenario.logger.blank_slow { f64::NAN } else { held });
            continue;
        }
        if written.period_s > scenario.logger.period_s {
            due_s = time_s + written.period_s - 0.5 * scenario.logger.period_s;
        }
        let exact = followed.get(index_of(time_s - skew_s)).map_or(f64::NAN, |v| f64::from(*v));
        let at_rest = role == Role::EngineSpeed && exact < 50.0;
        let noisy =
            if at_rest { 0.0 } else { exact * written.factor + written.noise * noise.normal(row as u64) };
        let floor = if matches!(
            role,
            Role::Throttle | Role::InjectorDuty | Role::InjectorPulseWidth | Role::VehicleSpeed
        ) {
            noisy.max(0.0)
        } else {
            noisy
        };
        held = (floor / written.step).round() * written.step;
        values.push(held);
    }
    for fault in faults.iter().filter(|fault| fault.kind == FaultKind::Glitch) {
        let Some(span) = beside::span(role) else { break };
        if let Some(value) = values.get_mut(row_at(times, fault.start_s)) {
            let jump = if index.is_multiple_of(2) { 0.2 } else { -0.2 };
            *value = ((*value + jump * span).max(0.0) / written.step).round() * written.step;
        }
    }
    beside::spoil(scenario, trace, faults, role, written.step, times, &mut values);
    let word = usize::from(scenario.logger.words.min(2));
    let name = match (written.unit, word) {
        ("", _) => written.names[word].to_owned(),
        (unit, 1) => format!("{} [{unit}]", written.names[word]),
        (unit, _) => format!("{} ({unit})", written.names[word]),
    };
    Column { name, role, decimals: written.decimals, values }
}

/// The quantity as its instrument shows it every millisecond, in the unit of the trace.
fn follow(scenario: &Scenario, trace: &Trace, role: Role, written: &Written) -> Vec<f32> {
    let source: Vec<f32> = match role {
        Role::EngineSpeed => trace.engine_rpm.clone(),
        Role::Throttle => trace.throttle.clone(),
        Role::ManifoldPressure => trace.manifold_kpa.clone(),
        Role::FuelPressure => trace.rail_kpa.clone(),
        Role::InjectorDuty => trace.duty.clone(),
        Role::InjectorPulseWidth => trace.pulse_ms.clone(),
        Role::BatteryVoltage => trace.battery_v.clone(),
        Role::SupplyVoltage => logger_supply(scenario, trace),
        Role::CoolantTemperature => trace.coolant_c.clone(),
        Role::ExhaustGasTemperature => trace.exhaust_c.clone(),
        Role::VehicleSpeed => trace.speed_mps.clone(),
        Role::Gear => return trace.gear.iter().map(|gear| f32::from(*gear)).collect(),
        Role::Knock => trace.knock.clone(),
        Role::LambdaTarget => trace.target_phi.iter().map(|phi| 1.0 / phi.max(0.1)).collect(),
        _ => Vec::new(),
    };
    if written.lag_s <= STEP_S {
        return source;
    }
    let keep = super::gas::keep(written.lag_s);
    let mut state = source.first().map_or(0.0, |v| f64::from(*v));
    let lagged = |value: f32| {
        state = state * keep + f64::from(value) * (1.0 - keep);
        state as f32
    };
    source.into_iter().map(lagged).collect()
}

/// Battery less the drop in the loop to the logger. A bad joint makes the supply truly low: a healthy instrument
/// reads it as it is.
fn logger_supply(scenario: &Scenario, trace: &Trace) -> Vec<f32> {
    let electrics = &scenario.electrics;
    let mut extra_ohm = 0.0;
    for fault in scenario.faults.iter().filter(|fault| fault.kind == FaultKind::LowSupply) {
        extra_ohm = fault.size / electrics.steady_load_a.max(0.1);
    }
    let ohm = electrics.loop_ohm + extra_ohm;
    // A tenth of the switched current returns through the logger's ground (assumed).
    let drop = |(battery, switched): (&f32, &f32)| {
        (f64::from(*battery) - ohm * 0.1f64.mul_add(f64::from(*switched), electrics.steady_load_a)) as f32
    };
    trace.battery_v.iter().zip(&trace.switched_a).map(drop).collect()
}
