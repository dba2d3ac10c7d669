//! Time constants from logs beside the true ones.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::outcome::{Outcome, TauFact};
use crate::signal::uncertainty::quantile_sorted;

/// One direction at one rate.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TauRow {
    /// `rich_to_lean` or `lean_to_rich`.
    pub direction: String,
    /// Rows per second.
    pub rate_hz: f64,
    /// Logs with a value.
    pub logs: usize,
    /// Median of measured over what the chain of gas, sensor and averaging has, less one.
    pub median_error: f64,
    /// Median of the absolute error.
    pub median_absolute_error: f64,
    /// Median of measured over the sensor alone, less one.
    pub median_error_of_sensor: f64,
    /// Share of 95 % intervals that hold the chain's time constant.
    pub inside_interval: f64,
}

/// Every direction and rate with a value.
pub fn tabulate(outcomes: &[Outcome]) -> Vec<TauRow> {
    let mut groups: BTreeMap<(bool, u64), Vec<TauFact>> = BTreeMap::new();
    for outcome in outcomes {
        for tau in &outcome.taus {
            groups.entry((!tau.to_lean, (outcome.rate_hz * 1e3) as u64)).or_default().push(*tau);
        }
    }
    groups.into_iter().map(|((to_rich, rate), taus)| row(to_rich, rate as f64 / 1e3, &taus)).collect()
}

fn row(to_rich: bool, rate_hz: f64, taus: &[TauFact]) -> TauRow {
    let median = |value: &dyn Fn(&TauFact) -> f64| {
        let mut values: Vec<f64> = taus.iter().map(value).collect();
        values.sort_unstable_by(f64::total_cmp);
        quantile_sorted(&values, 0.5).unwrap_or(0.0)
    };
    let inside = taus.iter().filter(|t| t.interval_s.0 <= t.chain_s && t.chain_s <= t.interval_s.1).count();
    TauRow {
        direction: if to_rich { "lean_to_rich" } else { "rich_to_lean" }.to_owned(),
        rate_hz,
        logs: taus.len(),
        median_error: median(&|t| t.measured_s / t.chain_s - 1.0),
        median_absolute_error: median(&|t| (t.measured_s / t.chain_s - 1.0).abs()),
        median_error_of_sensor: median(&|t| t.measured_s / t.sensor_s - 1.0),
        inside_interval: inside as f64 / taus.len().max(1) as f64,
    }
}
