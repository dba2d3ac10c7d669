//! A change in a series that looks like another sensor.

use crate::health::Worse;
use crate::signal::{regression, robust, uncertainty};

use super::series::Series;
use super::trend::{BASELINE_SESSIONS, SPREAD_FLOOR};

/// An unannounced change must exceed this many spreads in two sessions running.
const REPLACEMENT_SPREADS: f64 = 3.0;
/// Sessions before a suspected replacement that it is held against.
const REPLACEMENT_BEFORE: usize = 4;
/// At most this many: ageing is no straight line over years (assumed).
const REPLACEMENT_LONGEST: usize = 60;

/// A change that looks like another sensor.
#[derive(Clone, Debug, PartialEq)]
pub struct Suspected {
    /// First session after it.
    pub at: String,
    /// Metric that shows it.
    pub metric: String,
    /// Before.
    pub from: f64,
    /// After.
    pub to: f64,
    /// Unit.
    pub unit: String,
}

/// The latest change that looks like another sensor, and the index of the first session after it.
pub(super) fn suspect(all: &[Series<'_>]) -> Option<(usize, Suspected)> {
    all.iter()
        .filter(|series| series.ageing.tells_replacement)
        .filter_map(|series| {
            let values: Vec<f64> = series.readings.iter().map(|reading| reading.value).collect();
            let at = step(&values, series.ageing.worse)?;
            let before: Vec<f64> = values[..at].iter().rev().take(BASELINE_SESSIONS).copied().collect();
            let first = &series.readings[at];
            let change = Suspected {
                at: first.entry.at.clone(),
                metric: series.meta.name.to_owned(),
                from: robust::median(&before)?,
                to: first.value,
                unit: series.meta.unit.to_owned(),
            };
            Some((first.session, change))
        })
        .max_by_key(|(session, _)| *session)
}

/// Last position at which the values step to the better side (either side where both are worse) and stay there
/// for two sessions: ageing goes the other way, and slowly.
///
/// Both sessions are held against the least-squares line through the earlier ones, drawn on to their place, in
/// units of the spread of a new session about such a line. Where few sessions make that spread uncertain, the
/// 99 % point of Student's distribution replaces three spreads.
fn step(values: &[f64], worse: Worse) -> Option<usize> {
    (REPLACEMENT_BEFORE..values.len().saturating_sub(1)).rev().find(|at| {
        let from = at.saturating_sub(REPLACEMENT_LONGEST);
        let before = &values[from..*at];
        let number: Vec<f64> = (0..before.len()).map(|k| k as f64).collect();
        let Some(line) = regression::line(&number, before) else { return false };
        let floor = SPREAD_FLOOR * robust::median(before).unwrap_or(0.0).abs();
        let spread = line.error.max(floor);
        let needed = uncertainty::coverage_factor(0.98, (before.len() - 2) as f64).max(REPLACEMENT_SPREADS);
        let moved = |k: usize| {
            let expected = line.slope.mul_add((k - from) as f64, line.intercept);
            (values[k] - expected) / (spread * prediction_factor(before.len(), k - from))
        };
        let down = moved(*at) <= -needed && moved(at + 1) <= -needed;
        let up = moved(*at) >= needed && moved(at + 1) >= needed;
        match worse {
            Worse::Up => down,
            Worse::Either => down || up,
        }
    })
}

/// Standard deviation of a new value about a line through `count` values at 0, 1, 2 ..., in spreads.
///
/// # Source
/// Prediction interval of simple regression: sqrt(1 + 1/n + (x - mean)^2 / Sxx).
fn prediction_factor(count: usize, at: usize) -> f64 {
    let n = count as f64;
    let centre = (n - 1.0) / 2.0;
    let squares = n * n.mul_add(n, -1.0) / 12.0;
    (1.0 + 1.0 / n + (at as f64 - centre).powi(2) / squares).sqrt()
}
