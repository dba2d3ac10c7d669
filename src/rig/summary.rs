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
    /// Median of the values away from the ends that an instrument rests at: of air its highest, before it is ready its lowest
    /// (from an even subsample).
    pub living: f64,
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
        let living = living(&sample);
        Some(Self { count, min, p05: at(0.05), median: at(0.5), living, p95: at(0.95), max })
    }

    /// Whether every value is the same.
    pub fn constant(&self) -> bool {
        self.min == self.max
    }
}

/// Share of the values from which on an end is one that an instrument rests at. Assumed: no engine makes a fifth of its readings
/// alike.
const RESTS: f64 = 0.2;
/// Share of the range within which readings at the upper end are one: an analogue output has a count or two of noise there;
/// assumed.
const ONE_END: f64 = 0.01;

/// * `sample`: ascending, not empty
fn living(sample: &[f64]) -> f64 {
    let (first, last) = (sample[0], sample[sample.len() - 1]);
    let below = sample.partition_point(|value| *value < last - ONE_END * (last - first));
    let above = sample.partition_point(|value| *value <= first);
    let rests = |count: usize| count as f64 >= RESTS * sample.len() as f64;
    let end = if rests(sample.len() - below) && below > 0 { below } else { sample.len() };
    let start = if rests(above) && above < end { above } else { 0 };
    sample[start + (end - start - 1) / 2]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_rests_at_an_end_is_not_what_lives() {
        let of = |parts: &[(f64, usize)]| {
            let values: Vec<f64> = parts.iter().flat_map(|(value, count)| vec![*value; *count]).collect();
            Summary::of(&values).expect("values").living
        };
        let burning = [(0.85, 14), (0.95, 24), (1.0, 25), (1.05, 15)];
        assert_eq!(of(&burning), 1.0);
        assert_eq!(of(&[&burning[..], &[(10.0, 300)]].concat()), 1.0);
        assert_eq!(of(&[&burning[..], &[(9.98, 150), (10.0, 150)]].concat()), 1.0, "a count of noise");
        assert_eq!(of(&[&[(0.0, 120)], &burning[..], &[(10.0, 300)]].concat()), 1.0);
        assert_eq!(of(&[(14.7, 10)]), 14.7);
        assert_eq!(of(&[(0.9, 50), (6.0, 50)]), 0.9);
    }

    #[test]
    fn a_mixture_reading_that_rests_at_its_end_stop_for_most_of_the_log_is_one() {
        use crate::log::{Dimension, Role};
        use crate::rig::guess::{Candidate, guess};
        for (end, name, unit, role, dimension) in [
            (10.0, "Lambda", None, Role::Lambda, Dimension::Ratio),
            (6.0, "Lambda", Some("lambda"), Role::Lambda, Dimension::Ratio),
            (3.5, "O2 Lambda", None, Role::Lambda, Dimension::Ratio),
            (147.0, "AFR", None, Role::Afr, Dimension::AirFuelRatio),
        ] {
            let scale = if role == Role::Afr { 14.7 } else { 1.0 };
            let burning = (0..400).map(|row| scale * (0.8 + 0.001 * f64::from(row % 200)));
            let values: Vec<f64> = burning.chain(std::iter::repeat_n(end, 900)).collect();
            let column = Candidate { name, unit, role: None, values: &values.into(), held: None };
            let found = &guess(&[column], 14.7)[0];
            assert_eq!((found.role, found.unit.dimension), (role, dimension), "{name} {end}: {found:?}");
        }
    }
}
