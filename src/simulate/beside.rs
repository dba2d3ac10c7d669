//! Faults beside the mixture reading: another channel sticks or shifts with its ground, or rows are not written.

use super::drive::STEP_S;
use super::fault::{Fault, FaultKind};
use super::scenario::Scenario;
use super::trace::Trace;
use crate::log::Role;

/// Channels that can stick, in the order in which the size of the fault counts those of a log.
const CAN_STICK: [Role; 8] = [
    Role::EngineSpeed,
    Role::ManifoldPressure,
    Role::FuelPressure,
    Role::Throttle,
    Role::BatteryVoltage,
    Role::ExhaustGasTemperature,
    Role::VehicleSpeed,
    Role::CoolantTemperature,
];

/// The channel that a fault makes stick; null in a log that has none.
fn stuck(scenario: &Scenario, fault: &Fault) -> Option<Role> {
    let logged: Vec<Role> =
        CAN_STICK.into_iter().filter(|role| scenario.logger.channels.contains(role)).collect();
    logged.get((fault.size.max(0.0) as usize).checked_rem(logged.len())?).copied()
}

/// What 5 V mean on a voltage input, in the log's unit; null for what does not come as a voltage. Assumed.
pub(super) const fn span(role: Role) -> Option<f64> {
    match role {
        Role::Throttle => Some(100.0),
        Role::ManifoldPressure => Some(300.0),
        Role::FuelPressure => Some(700.0),
        _ => None,
    }
}

/// Whether the logger writes a row at a time.
pub(super) fn written(scenario: &Scenario, time_s: f64) -> bool {
    !scenario.faults.iter().any(|fault| fault.kind == FaultKind::RowGap && fault.acts(time_s))
}

/// Puts the faults into one column other than the mixture.
///
/// * `step`: resolution of the column, in the log's unit
pub(super) fn spoil(
    scenario: &Scenario,
    trace: &Trace,
    faults: &[Fault],
    role: Role,
    step: f64,
    times: &[f64],
    values: &mut [f64],
) {
    for fault in faults {
        let rows = times.partition_point(|t| *t < fault.start_s)
            ..times.partition_point(|t| *t < fault.start_s + fault.duration_s);
        match fault.kind {
            FaultKind::StuckChannel if stuck(scenario, fault) == Some(role) => {
                let before = values.get(..rows.start).unwrap_or_default();
                let Some(last) = before.iter().rev().copied().find(|value| value.is_finite()) else {
                    continue;
                };
                let cells = values.get_mut(rows).unwrap_or_default().iter_mut();
                cells.filter(|value| value.is_finite()).for_each(|value| *value = last);
            }
            FaultKind::GroundShift => {
                let Some(span) = span(role) else { continue };
                let full_a = scenario.electrics.switched_load_a.max(0.1);
                for row in rows {
                    let (Some(time_s), Some(value)) = (times.get(row), values.get_mut(row)) else { continue };
                    let at = (time_s.max(0.0) / STEP_S) as usize;
                    let share = trace.switched_a.get(at).map_or(0.0, |a| f64::from(*a)) / full_a;
                    *value = ((*value + fault.size / 5.0 * span * share) / step).round() * step;
                }
            }
            _ => {}
        }
    }
}
