//! The values of a column in a few numbers, for guessing.

use crate::signal::extent::finite_extent;

/// How many values a summary looks at: enough for quantiles to a percent, cheap on any log.
const SAMPLES: usize = 4096;

/// A column's values in a few numbers, as logged.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Summary {
    /// Number of values.
    pub count: usize,
    /// Smallest.
    pub min: f64,
    /// 5 % of the values are below (from an even subsample).
    pub p05: f64,
    /// Median (from an even subsample).
    pub median: f64,
    /// 95 % of the values are below (from an even subsample).
    pub p95: f64,
    /// Largest.
    pub max: f64,
}

impl Summary {
    /// Summarises the finite values; null when there are none.
    pub fn of(values: &[f64]) -> Option<Self> {
        let count: usize = values.iter().map(|value| usize::from(value.is_finite())).sum();
        if count == 0 {
            return None;
        }
        let (min, max) = finite_extent(values);
        let stride = count.div_ceil(SAMPLES).max(1);
        let mut sample: Vec<f64> = if count == values.len() {
            values.iter().copied().step_by(stride).collect()
        } else {
            values.iter().copied().filter(|v| v.is_finite()).step_by(stride).collect()
        };
        sample.sort_unstable_by(f64::total_cmp);
        let at = |p: f64| sample[((sample.len() - 1) as f64 * p).round() as usize];
        Some(Self { count, min, p05: at(0.05), median: at(0.5), p95: at(0.95), max })
    }

    /// Whether every value is the same.
    pub fn constant(&self) -> bool {
        self.min == self.max
    }
}
