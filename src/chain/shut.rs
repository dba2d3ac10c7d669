//! When the injectors are shut.

use crate::log::{Log, Role};
use crate::signal::search;
use crate::state::{States, bit};

/// Injectors are shut up to this duty, ratio (assumed), and this pulse, s: their dead time is 0.3 to 1 ms (from memory).
const DUTY: f64 = 0.005;
const PULSE_S: f64 = 0.2e-3;

/// Over-runs of some length in which the injectors are shut: first and last moment, s, ascending. Injectors that read shut at
/// any other time may be a second set, a duty in whole per cent or an engine that stands.
pub(crate) fn over_runs_s(log: &Log, state: &States, least_s: f64) -> Vec<(f64, f64)> {
    let mut found = spans_s(log, least_s);
    found.retain(|(from_s, to_s)| {
        let middle = search::below(&log.clock.time_s, 0.5 * (from_s + to_s));
        state.has(middle, bit::OVER_RUN)
    });
    found
}

/// Stretches of some length in which the injectors are shut as they are logged: first and last moment, s, ascending.
fn spans_s(log: &Log, least_s: f64) -> Vec<(f64, f64)> {
    let of = |role, below| Some((log.role(role)?, below));
    let Some((delivery, below)) =
        of(Role::InjectorDuty, DUTY).or_else(|| of(Role::InjectorPulseWidth, PULSE_S))
    else {
        return Vec::new();
    };
    let time_s = &log.clock.time_s;
    let mut found: Vec<(f64, f64)> = Vec::new();
    let mut since = None;
    let mut until = None;
    for (row, value) in delivery.readings(0..delivery.rows()) {
        if value <= below {
            since = since.or(Some(time_s[row]));
            until = Some(time_s[row]);
        } else {
            found.extend(since.take().zip(until));
        }
    }
    found.extend(since.zip(until));
    found.retain(|(from_s, to_s)| to_s - from_s >= least_s);
    found
}
