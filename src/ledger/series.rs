//! One metric in one direction over the sessions of a sensor, as far as the sessions are comparable.

use crate::document::{HealthMetric, HealthStatus};
use crate::health::{self, Ageing, Meta};

use super::record::Entry;

/// Values are compared between logs whose rates differ by no more than this share: the apparent time constant
/// depends on the rate.
const RATE_MATCH: f64 = 0.25;

/// One session's value.
pub(super) struct Reading<'a> {
    /// Index of the session in the series that was given.
    pub(super) session: usize,
    /// The session.
    pub(super) entry: &'a Entry,
    /// What it measured.
    pub(super) metric: &'a HealthMetric,
    /// The value.
    pub(super) value: f64,
}

/// The comparable values of one metric in one direction, by time.
pub(super) struct Series<'a> {
    /// The metric.
    pub(super) meta: &'static Meta,
    /// How it is followed.
    pub(super) ageing: &'static Ageing,
    /// `rich_to_lean`, `lean_to_rich`, or null.
    pub(super) direction: Option<&'a str>,
    /// Its values.
    pub(super) readings: Vec<Reading<'a>>,
    /// Sessions with a value at another log rate than the latest one's.
    pub(super) left_out: usize,
    /// Sessions that could not measure it.
    pub(super) not_measurable: usize,
}

/// Every metric that ages, in the order of `explain`, as the sessions have it.
pub(super) fn of<'a>(sessions: &[&'a Entry]) -> Vec<Series<'a>> {
    let rate_hz = latest_rate_hz(sessions);
    health::ALL
        .iter()
        .filter_map(|meta| Some((meta, meta.ageing.as_ref()?)))
        .flat_map(|(meta, ageing)| {
            directions(sessions, meta.name).into_iter().map(move |direction| (meta, ageing, direction))
        })
        .map(|(meta, ageing, direction)| collect(meta, ageing, direction, sessions, rate_hz))
        .collect()
}

/// Log rate of the latest session that has one, Hz.
pub(super) fn latest_rate_hz(sessions: &[&Entry]) -> Option<f64> {
    sessions.iter().rev().find_map(|entry| entry.rate_hz)
}

/// Whether values of logs of two rates may be compared; an unknown rate may.
pub(super) fn rates_match(rate_hz: Option<f64>, other_hz: Option<f64>) -> bool {
    match (rate_hz, other_hz) {
        (Some(rate), Some(other)) => (rate - other).abs() <= RATE_MATCH * other,
        _ => true,
    }
}

fn collect<'a>(
    meta: &'static Meta,
    ageing: &'static Ageing,
    direction: Option<&'a str>,
    sessions: &[&'a Entry],
    rate_hz: Option<f64>,
) -> Series<'a> {
    let mut series = Series { meta, ageing, direction, readings: Vec::new(), left_out: 0, not_measurable: 0 };
    for (session, entry) in sessions.iter().copied().enumerate() {
        let found =
            entry.metrics.iter().find(|m| m.metric == meta.name && m.direction.as_deref() == direction);
        let Some(metric) = found else { continue };
        match metric.value.filter(|_| metric.status != HealthStatus::NotMeasurable) {
            None => series.not_measurable += 1,
            Some(_) if !rates_match(entry.rate_hz, rate_hz) => series.left_out += 1,
            Some(value) => series.readings.push(Reading { session, entry, metric, value }),
        }
    }
    series
}

/// The directions a metric was measured in, in the order of their names.
fn directions<'a>(sessions: &[&'a Entry], metric: &str) -> Vec<Option<&'a str>> {
    let mut found: Vec<Option<&str>> = sessions
        .iter()
        .flat_map(|entry| &entry.metrics)
        .filter(|m| m.metric == metric)
        .map(|m| m.direction.as_deref())
        .collect();
    found.sort_unstable();
    found.dedup();
    found
}
