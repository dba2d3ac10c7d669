//! Uncertainty of measurement, and resampling.
//!
//! # Source
//! Guide to the expression of uncertainty in measurement (JCGM 100:2008), from memory; numbers recomputed.

use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

/// Standard deviation of a quantity known only to lie within `±half_width`.
pub fn rectangular(half_width: f64) -> f64 {
    half_width.abs() / 3.0_f64.sqrt()
}

/// Standard uncertainty of one reading of an instrument with steps of `step`.
pub fn quantisation(step: f64) -> f64 {
    step.abs() / 12.0_f64.sqrt()
}

/// Combined standard uncertainty of independent contributions (sensitivities already applied).
pub fn combine(parts: &[f64]) -> f64 {
    parts.iter().map(|u| u * u).sum::<f64>().sqrt()
}

/// Effective degrees of freedom by Welch and Satterthwaite.
///
/// * `parts`: standard uncertainty and degrees of freedom of each contribution
/// * returns infinity when every contribution is exactly known or zero
pub fn effective_freedom(parts: &[(f64, f64)]) -> f64 {
    let total: f64 = parts.iter().map(|(u, _)| u * u).sum();
    let weighted: f64 = parts.iter().filter(|(_, nu)| *nu > 0.0).map(|(u, nu)| u.powi(4) / nu).sum();
    if weighted > 0.0 { total * total / weighted } else { f64::INFINITY }
}

/// Above this many degrees of freedom the expansion about the normal factor is exact to 1e-7, and the library's
/// iteration, which does not end for some large values, is not needed.
const LARGE_FREEDOM: f64 = 100.0;

/// Two-sided coverage factor of Student's distribution.
///
/// * `coverage`: 0 to 1, exclusive
/// * `freedom`: degrees of freedom; below 1 (or not a number) counts as 1, infinity gives the normal factor
///
/// # Source
/// Expansion in 1/freedom: Abramowitz and Stegun, 26.7.5 (from memory; checked on the table of JCGM 100).
pub fn coverage_factor(coverage: f64, freedom: f64) -> f64 {
    let p = 0.5 + 0.5 * coverage.clamp(1e-9, 1.0 - 1e-9);
    if freedom <= LARGE_FREEDOM || freedom.is_nan() {
        return StudentsT::new(0.0, 1.0, freedom.max(1.0)).map_or(f64::INFINITY, |t| t.inverse_cdf(p));
    }
    let z = Normal::standard().inverse_cdf(p);
    let first = (z.powi(3) + z) / 4.0;
    let second = (5.0 * z.powi(5) + 16.0 * z.powi(3) + 3.0 * z) / 96.0;
    z + first / freedom + second / (freedom * freedom)
}

/// The normal deviate that is as far out as a value of Student's distribution.
///
/// * `freedom`: degrees of freedom, at least 1
/// * ends at 8 either way, where probabilities run out of digits; NaN stays NaN
pub fn normal_deviate(t: f64, freedom: f64) -> f64 {
    if t.is_nan() {
        return t;
    }
    let tail = StudentsT::new(0.0, 1.0, freedom.max(1.0)).map_or(0.5, |student| student.cdf(-t.abs()));
    let z = Normal::standard().inverse_cdf(tail.clamp(1e-15, 0.5)).abs();
    z.min(8.0).copysign(t)
}

/// Probability that a normal deviate lies below `z`.
pub fn normal_cdf(z: f64) -> f64 {
    Normal::standard().cdf(z)
}

/// Quantile by linear interpolation between order statistics (the definition most tools default to).
///
/// * `sorted`: ascending, without NaN
/// * returns null for an empty slice
pub fn quantile_sorted(sorted: &[f64], p: f64) -> Option<f64> {
    let last = sorted.len().checked_sub(1)?;
    let place = p.clamp(0.0, 1.0) * last as f64;
    let below = place.floor() as usize;
    let above = (below + 1).min(last);
    let share = place - below as f64;
    Some(sorted[below] + (sorted[above] - sorted[below]) * share)
}

/// A small repeatable source of numbers for resampling; the same seed gives the same numbers everywhere.
///
/// # Source
/// `SplitMix64`: Steele, Lea and Flood, OOPSLA 2014 (from memory).
#[derive(Clone, Debug)]
pub struct Resampler {
    state: u64,
}

impl Resampler {
    /// A source from a seed.
    pub const fn new(seed: u64) -> Self {
        Self { state: seed }
    }

    /// The next 64 bits.
    pub const fn next_bits(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// An index below `n`; 0 when `n` is 0.
    pub const fn below(&mut self, n: usize) -> usize {
        if n == 0 { 0 } else { ((self.next_bits() >> 11) % n as u64) as usize }
    }
}

/// Central 95 % of the weighted mean under resampling of whole groups with replacement.
///
/// * `groups`: value and weight of each group (a window, an event); weights at least 0
/// * returns null for fewer than two groups: one group says nothing about the next
pub fn bootstrap_mean(groups: &[(f64, f64)], rounds: usize, seed: u64) -> Option<(f64, f64)> {
    if groups.len() < 2 {
        return None;
    }
    let mut source = Resampler::new(seed);
    let mut means: Vec<f64> = Vec::with_capacity(rounds);
    for _ in 0..rounds {
        let (mut sum, mut weight) = (0.0, 0.0);
        for _ in 0..groups.len() {
            let (value, w) = groups[source.below(groups.len())];
            sum += value * w;
            weight += w;
        }
        if weight > 0.0 {
            means.push(sum / weight);
        }
    }
    means.sort_unstable_by(f64::total_cmp);
    Some((quantile_sorted(&means, 0.025)?, quantile_sorted(&means, 0.975)?))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn coverage_factors_end_and_fall_for_every_freedom() {
        let mut last = f64::INFINITY;
        for step in 0..4_000 {
            let factor = coverage_factor(0.95, 1.0 + f64::from(step) * 0.173);
            assert!(factor.is_finite() && factor <= last + 1e-6, "{step}: {factor} after {last}");
            last = factor;
        }
        for freedom in [1e3, 1e6, 1e12, f64::MAX, f64::INFINITY] {
            assert!((coverage_factor(0.95, freedom) - 1.96).abs() < 3e-3, "{freedom}");
        }
        // JCGM 100, table of t (from memory): 2.009 at 50, 1.984 at 100.
        assert!((coverage_factor(0.95, 50.0) - 2.009).abs() < 1e-3);
        assert!((coverage_factor(0.95, 100.5) - 1.984).abs() < 1e-3);
        assert!(coverage_factor(0.95, f64::NAN).is_finite());
    }

    #[test]
    fn a_deviate_of_student_is_as_likely_as_the_normal_one() {
        // JCGM 100, table G.2 (from memory): 95 % both sides is 2.571 at 5 and 2.086 at 20 degrees of freedom.
        for (t, freedom) in [(2.571, 5.0), (-2.086, 20.0), (12.706, 1.0)] {
            assert!((normal_deviate(t, freedom) - 1.96_f64.copysign(t)).abs() < 2e-3, "{t} {freedom}");
        }
        assert_eq!(normal_deviate(0.0, 4.0), 0.0);
        assert!(normal_deviate(1e6, 8.0) > 5.0 && normal_deviate(f64::INFINITY, 50.0).is_finite());
        assert!(normal_deviate(f64::NAN, 4.0).is_nan());
    }

    #[test]
    fn end_gauge_example_of_the_guide() {
        // GUM H.1: inputs from memory; arithmetic recomputed (31.67 nm, 16.76, truncated to 16, 92.6 nm). With the
        // combined uncertainty rounded to 31.7 first the freedom is 16.83.
        let parts = [(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)];
        let u = combine(&parts.map(|(u, _)| u));
        assert!((u - 31.67).abs() < 0.01, "{u}");
        let freedom = effective_freedom(&parts);
        assert!((freedom - 16.83 * (31.67_f64 / 31.7).powi(4)).abs() < 0.02, "{freedom}");
        let expanded = coverage_factor(0.99, 16.0) * u;
        assert!((expanded - 92.6).abs() < 0.3, "{expanded}");
    }

    #[test]
    fn coverage_factors_of_student_and_the_quantisation_of_the_guide() {
        // GUM table G.2, from memory; recomputed.
        for (freedom, factor) in [(1.0, 12.706), (2.0, 4.303), (5.0, 2.571), (10.0, 2.228), (50.0, 2.009)] {
            assert!((coverage_factor(0.95, freedom) - factor).abs() < 1e-3);
        }
        assert!((coverage_factor(0.95, f64::INFINITY) - 1.960).abs() < 1e-3);
        assert!((quantisation(1.0) - 0.288_68).abs() < 1e-5);
        assert!((rectangular(1.0) - 0.577_35).abs() < 1e-5);
    }

    #[test]
    fn two_barometers_disagree_by_more_than_their_intervals() {
        // VDI 2048 example (computed): 101.3 ±0.5 and 99.0 ±1.0 kPa at 95 % -> 100.84 ±0.447, test value 4.03.
        let (u1, u2): (f64, f64) = (0.5 / 1.96, 1.0 / 1.96);
        let (w1, w2) = (1.0 / (u1 * u1), 1.0 / (u2 * u2));
        let best = (101.3 * w1 + 99.0 * w2) / (w1 + w2);
        assert!((best - 100.84).abs() < 1e-9);
        assert!((1.96 / (w1 + w2).sqrt() - 0.447).abs() < 1e-3);
        assert!(((101.3 - 99.0) / combine(&[u1, u2]) - 4.03).abs() < 0.01);
    }

    #[test]
    fn resampling_is_repeatable_and_covers_the_mean() {
        let groups: Vec<(f64, f64)> = (0..40).map(|i| (f64::from(i % 5), 1.0)).collect();
        let first = bootstrap_mean(&groups, 400, 7).expect("groups");
        assert_eq!(first, bootstrap_mean(&groups, 400, 7).expect("groups"));
        assert!(first.0 < 2.0 && 2.0 < first.1, "{first:?}");
        assert_eq!(bootstrap_mean(&groups[..1], 400, 7), None);
    }
}
