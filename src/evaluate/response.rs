//! Time constants from logs beside the true ones.

use std::collections::BTreeMap;
use std::fmt::Write;
use std::ops::Range;

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::outcome::{Outcome, TauFact, judge_plan};
use super::suite::response_plan;
use crate::log::Estimate;
use crate::signal::uncertainty::quantile_sorted;

/// A relative error that must not be reported as a value.
const WRONG: f64 = 0.30;
/// A log is fast enough from here on, Hz.
const FAST_HZ: f64 = 10.0;
/// A channel that ends at or above this lambda shows all of a fuel cut that matters.
const UNCLIPPED: f64 = 10.0;

/// One direction at one rate.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TauRow {
    /// `rich_to_lean` or `lean_to_rich`.
    pub direction: String,
    /// Whether the channel reaches free air.
    pub unclipped: bool,
    /// Rows per second; null for all of 10 Hz and faster.
    pub rate_hz: Option<f64>,
    /// Logs.
    pub logs: usize,
    /// Logs with a value.
    pub measured: usize,
    /// Median of measured over what the chain of gas, sensor and averaging has, less one.
    pub median_error: f64,
    /// Median of the absolute error.
    pub median_absolute_error: f64,
    /// Logs with a value that is wrong by more than 30 %.
    pub wrong: usize,
    /// Median of measured over the sensor alone, less one.
    pub median_error_of_sensor: f64,
    /// Share of 95 % intervals that hold the chain's time constant.
    pub inside_interval: f64,
}

/// The study of time constants: logs of a suite's seeds that are driven for it.
///
/// * `progress`: called once per log done
pub fn study(seeds: Range<u64>, progress: &(dyn Fn() + Sync)) -> Vec<Outcome> {
    seeds
        .into_par_iter()
        .map(|seed| {
            let outcome = judge_plan(seed, response_plan(seed));
            progress();
            outcome
        })
        .collect()
}

/// Every direction, range and rate; after the rates of one range, all of 10 Hz and faster together.
pub fn tabulate(outcomes: &[Outcome]) -> Vec<TauRow> {
    let mut groups: BTreeMap<(bool, bool, u64), Vec<TauFact>> = BTreeMap::new();
    for outcome in outcomes {
        let rate = (outcome.rate_hz * 1e3) as u64;
        for tau in &outcome.taus {
            for rate in std::iter::once(rate).chain((outcome.rate_hz >= FAST_HZ).then_some(u64::MAX)) {
                let key = (!tau.to_lean, outcome.clip_lean < UNCLIPPED, rate);
                groups.entry(key).or_default().push(*tau);
            }
        }
    }
    groups
        .into_iter()
        .map(|((to_rich, clipped, rate), taus)| {
            let rate_hz = (rate != u64::MAX).then_some(rate as f64 / 1e3);
            row(to_rich, !clipped, rate_hz, &taus)
        })
        .collect()
}

fn row(to_rich: bool, unclipped: bool, rate_hz: Option<f64>, taus: &[TauFact]) -> TauRow {
    let measured: Vec<(TauFact, Estimate)> =
        taus.iter().filter_map(|tau| Some((*tau, tau.measured?))).collect();
    let median = |value: &dyn Fn(&TauFact, &Estimate) -> f64| {
        let mut values: Vec<f64> = measured.iter().map(|(tau, found)| value(tau, found)).collect();
        values.sort_unstable_by(f64::total_cmp);
        quantile_sorted(&values, 0.5).unwrap_or(0.0)
    };
    let error = |tau: &TauFact, found: &Estimate| found.value / tau.chain_s - 1.0;
    let holds = |(tau, found): &&(TauFact, Estimate)| found.low <= tau.chain_s && tau.chain_s <= found.high;
    TauRow {
        direction: if to_rich { "lean_to_rich" } else { "rich_to_lean" }.to_owned(),
        unclipped,
        rate_hz,
        logs: taus.len(),
        measured: measured.len(),
        median_error: median(&error),
        median_absolute_error: median(&|tau, found| error(tau, found).abs()),
        wrong: measured.iter().filter(|(tau, found)| error(tau, found).abs() > WRONG).count(),
        median_error_of_sensor: median(&|tau, found| found.value / tau.sensor_s - 1.0),
        inside_interval: measured.iter().filter(holds).count() as f64 / measured.len().max(1) as f64,
    }
}

/// The table for people.
pub fn render(rows: &[TauRow]) -> String {
    let mut out =
        "Time constant    range        rate    logs  measured  median error (of gas, sensor, averaging)  \
                   absolute  wrong by over 30 %  of the sensor alone  inside its interval\n"
            .to_owned();
    for row in rows {
        let range = if row.unclipped { "to air" } else { "clipped" };
        let rate = row.rate_hz.map_or_else(|| ">= 10".to_owned(), |rate| rate.to_string());
        // Writing to a string cannot fail.
        let _ =
            write!(out, "  {:14} {range:9} {rate:>6} Hz {:>6} {:>9}", row.direction, row.logs, row.measured);
        if row.measured == 0 {
            let _ = writeln!(out, " {:>33}", "not measured");
            continue;
        }
        let _ = writeln!(
            out,
            " {:>+31.1} % {:>8.1} % {:>18} {:>+19.1} % {:>18.0} %",
            100.0 * row.median_error,
            100.0 * row.median_absolute_error,
            row.wrong,
            100.0 * row.median_error_of_sensor,
            100.0 * row.inside_interval
        );
    }
    out
}
