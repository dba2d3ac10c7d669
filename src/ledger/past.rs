//! What the earlier sessions of a sensor lend to the audit of its next log.

use crate::rig::{Habit, Past};
use crate::signal::robust;

use super::record::{Entry, Kind};
use super::series::rates_match;
use super::trend::{BASELINE_SESSIONS, Life, MetricTrend, SPREAD_FLOOR, life};

/// Sessions below which a sensor has no habits (assumed: a spread of two is no spread).
const FEWEST: usize = 3;

/// The life of a sensor before a log, and what the audit of that log may take from it.
///
/// A log that the ledger holds already is audited with the sessions before it, so that it never vouches for itself.
///
/// * `entries`: by time, as the ledger gives them
/// * `log_id`: SHA-256 of the log; `rate_hz`: its rate: time constants are lent between like rates only
/// * returns null when no earlier session is known
pub fn past(serial: &str, entries: &[Entry], log_id: &str, rate_hz: Option<f64>) -> Option<(Life, Past)> {
    let own = entries.iter().position(|entry| entry.kind == Kind::Session && entry.id == log_id);
    let life = life(serial, &entries[..own.unwrap_or(entries.len())]);
    if life.sessions == 0 {
        return None;
    }
    let find = |metric: &str, direction: Option<&str>| {
        life.metrics.iter().find(|m| m.metric == metric && m.direction.as_deref() == direction)
    };
    let like = rates_match(rate_hz, life.rate_hz);
    let response =
        |direction: &str| find("time_constant", Some(direction)).filter(|_| like).and_then(relative_habit);
    let past = Past {
        serial: serial.to_owned(),
        sessions: life.sessions,
        rich_to_lean: response("rich_to_lean"),
        lean_to_rich: response("lean_to_rich"),
        lambda_one: find("lambda_one", None).and_then(|trend| habit(trend, |value| value)),
        free_air: find("free_air", None).and_then(|trend| habit(trend, |value| value)),
    };
    Some((life, past))
}

/// A habit whose spread is relative.
fn relative_habit(trend: &MetricTrend) -> Option<Habit> {
    if trend.points.iter().any(|point| point.value <= 0.0) {
        return None;
    }
    let habit = habit(trend, f64::ln)?;
    Some(Habit {
        now: habit.now.exp(),
        normal: habit.normal.exp(),
        spread: habit.spread.max(SPREAD_FLOOR),
        ..habit
    })
}

fn habit(trend: &MetricTrend, scale: impl Fn(f64) -> f64) -> Option<Habit> {
    let values: Vec<f64> = trend.points.iter().map(|point| scale(point.value)).collect();
    if values.len() < FEWEST {
        return None;
    }
    let latest = &values[values.len().saturating_sub(BASELINE_SESSIONS)..];
    let first = &values[..values.len().min(BASELINE_SESSIONS)];
    // What one session leaves open is in the spread too: a few sessions may agree by chance.
    let widths: Vec<f64> = trend
        .points
        .iter()
        .filter_map(|point| point.interval)
        .map(|(low, high)| (scale(high) - scale(low)) / (2.0 * 1.959_964))
        .filter(|width| width.is_finite())
        .collect();
    let own = robust::median(&widths).unwrap_or(0.0);
    let (now, spread) = robust::centre_and_spread(latest, own)?;
    Some(Habit { now, spread, normal: robust::median(first)?, sessions: values.len() })
}

#[cfg(test)]
mod tests {
    use super::super::record::tests::session;
    use super::*;

    fn sessions(count: u32) -> Vec<Entry> {
        (0..count).map(|day| session(day, 0.08 + 0.004 * f64::from(day))).collect()
    }

    #[test]
    fn the_latest_sessions_are_the_habit_and_the_first_are_normal() {
        let entries = sessions(10);
        let (life, past) = past("A", &entries, "another log", Some(50.0)).expect("a past");
        let habit = past.rich_to_lean.expect("a habit");
        assert_eq!((life.sessions, past.sessions, habit.sessions), (10, 10, 10));
        assert!((habit.now - 0.108).abs() < 1e-9 && (habit.normal - 0.088).abs() < 1e-9, "{habit:?}");
        assert!(habit.spread >= SPREAD_FLOOR && past.lean_to_rich.is_none());
    }

    #[test]
    fn a_log_never_vouches_for_itself() {
        let entries = sessions(10);
        let (_, past) = past("A", &entries, &entries[4].id, Some(50.0)).expect("a past");
        assert_eq!(past.sessions, 4);
        assert!(super::past("A", &entries[..1], &entries[0].id, None).is_none());
    }

    #[test]
    fn another_log_rate_or_too_few_sessions_lend_no_time_constant() {
        let entries = sessions(10);
        let rate = |hz: f64| past("A", &entries, "x", Some(hz)).and_then(|(_, past)| past.rich_to_lean);
        assert!(rate(10.0).is_none() && rate(55.0).is_some());
        assert!(past("A", &sessions(2), "x", None).expect("a past").1.rich_to_lean.is_none());
    }
}
