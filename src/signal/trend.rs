//! Trend of a few values over time, and control charts.

use super::robust::median;
use super::uncertainty::{normal_cdf, quantile_sorted};

/// Mann-Kendall test.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MannKendall {
    /// Rises less falls over all pairs.
    pub s: i64,
    /// Variance of `s` under no trend, ties counted.
    pub variance: f64,
    /// Standard normal statistic with continuity correction; 0 for `s` 0.
    pub z: f64,
    /// One-sided probability of a trend at least as steep in its direction; exact for up to forty values without ties.
    pub p: f64,
    /// Pairs with equal values.
    pub ties: u64,
}

/// Longest series without ties whose probability is counted. The normal one is too large: by 7 % at 20 values and 0.01,
/// by half at 0.0006; at 40 values by 4 and 20 % (computed).
const MOST_EXACT: usize = 40;

/// Mann-Kendall test of values in the order of time.
///
/// * assumes that the values are not serially correlated: session values, not samples
/// * returns null for fewer than three values
pub fn mann_kendall(values: &[f64]) -> Option<MannKendall> {
    if values.len() < 3 || values.iter().any(|v| v.is_nan()) {
        return None;
    }
    let (mut s, mut ties) = (0_i64, 0_u64);
    for (index, early) in values.iter().enumerate() {
        for late in &values[index + 1..] {
            match late.total_cmp(early) {
                std::cmp::Ordering::Greater => s += 1,
                std::cmp::Ordering::Less => s -= 1,
                std::cmp::Ordering::Equal => ties += 1,
            }
        }
    }
    let variance = variance_of_s(values);
    let z = match s {
        0 => 0.0,
        s if variance > 0.0 => (s as f64 - s.signum() as f64) / variance.sqrt(),
        _ => 0.0,
    };
    let p = if ties == 0 && values.len() <= MOST_EXACT {
        exact(values.len(), s.unsigned_abs() as usize)
    } else {
        normal_cdf(-z.abs())
    };
    Some(MannKendall { s, variance, z, p, ties })
}

fn variance_of_s(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let term = |n: f64| n * (n - 1.0) * (2.0 * n + 5.0);
    let tied: f64 = sorted.chunk_by(|a, b| a == b).map(|group| term(group.len() as f64)).sum();
    (term(values.len() as f64) - tied) / 18.0
}

/// Exact probability that S is at least `s` for `n` values without ties, by counting inversions.
fn exact(n: usize, s: usize) -> f64 {
    let pairs = n * (n - 1) / 2;
    let mut counts = vec![1.0];
    for size in 2..=n {
        let mut next = vec![0.0; size * (size - 1) / 2 + 1];
        for (inversions, count) in counts.iter().enumerate() {
            for added in 0..size {
                next[inversions + added] += count;
            }
        }
        counts = next;
    }
    let total: f64 = counts.iter().sum();
    let at_least: f64 = counts
        .iter()
        .enumerate()
        .filter(|(inversions, _)| pairs >= 2 * *inversions + s)
        .map(|(_, count)| count)
        .sum();
    at_least / total
}

/// Slope by Theil and Sen with Sen's interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Slope {
    /// Median of all pairwise slopes.
    pub slope: f64,
    /// Lower end of the 95 % interval; null for fewer than four values.
    pub low: Option<f64>,
    /// Upper end.
    pub high: Option<f64>,
    /// Conover's intercept: median value less slope times median time.
    pub intercept: f64,
}

/// Theil-Sen slope of values over time.
///
/// * pairs of equal time are left out
/// * returns null without a pair
///
/// # Source
/// Sen, 1968; interval by Gilbert, 1987 (ranks interpolated); both from memory, checked on the EPA example.
pub fn theil_sen(time: &[f64], value: &[f64]) -> Option<Slope> {
    let mut slopes = Vec::with_capacity(value.len() * value.len().saturating_sub(1) / 2);
    for (first, (t0, v0)) in time.iter().zip(value).enumerate() {
        for (t1, v1) in time.iter().zip(value).skip(first + 1) {
            if t1 != t0 {
                slopes.push((v1 - v0) / (t1 - t0));
            }
        }
    }
    slopes.retain(|slope| slope.is_finite());
    slopes.sort_unstable_by(f64::total_cmp);
    let slope = quantile_sorted(&slopes, 0.5)?;
    let intercept = median(value)? - slope * median(time)?;
    let half = 1.959_964 * variance_of_s(value).max(0.0).sqrt();
    let count = slopes.len() as f64;
    // Ranks from 1: (count - half)/2 and (count + half)/2 + 1.
    let at_rank = |rank: f64| {
        let place = (rank - 1.0) / (count - 1.0);
        (0.0..=1.0).contains(&place).then(|| quantile_sorted(&slopes, place)).flatten()
    };
    let enough = value.len() >= 4;
    Some(Slope {
        slope,
        low: if enough { at_rank(0.5 * (count - half)) } else { None },
        high: if enough { at_rank(0.5 * (count + half) + 1.0) } else { None },
        intercept,
    })
}

/// Cumulative sums above and below a target.
///
/// * `allowance`: dead band, same unit as the values
/// * returns the upper and the lower sum after each value
///
/// # Source
/// NIST/SEMATECH e-Handbook 6.3.2.3.
pub fn cusum(values: &[f64], target: f64, allowance: f64) -> Vec<(f64, f64)> {
    let (mut high, mut low) = (0.0_f64, 0.0_f64);
    values
        .iter()
        .map(|value| {
            high = (high + value - target - allowance).max(0.0);
            low = (low + target - allowance - value).max(0.0);
            (high, low)
        })
        .collect()
}

/// Exponentially weighted moving average, from a start value.
///
/// # Source
/// NIST/SEMATECH e-Handbook 6.3.2.4.
pub fn moving_average(values: &[f64], start: f64, weight: f64) -> Vec<f64> {
    values
        .iter()
        .scan(start, |average, value| {
            *average = weight * value + (1.0 - weight) * *average;
            Some(*average)
        })
        .collect()
}

/// Probabilities adjusted for testing several at once, by Holm; in the order given.
///
/// # Source
/// Holm, 1979 (from memory).
pub fn holm(p: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|a, b| p[*a].total_cmp(&p[*b]).then(a.cmp(b)));
    let mut adjusted = vec![1.0; p.len()];
    let mut largest = 0.0_f64;
    for (rank, index) in order.into_iter().enumerate() {
        largest = largest.max(((p.len() - rank) as f64 * p[index]).min(1.0));
        adjusted[index] = largest;
    }
    adjusted
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mann_kendall_by_hand() {
        // J. Little, College of the Holy Cross note: S 54, variance 332.667, Z 2.9058, one-sided p 0.0018.
        let values = [12.9, 14.8, 13.2, 15.7, 13.8, 15.6, 12.9, 11.0, 17.3, 15.9, 19.0, 18.3, 20.1, 21.7];
        let test = mann_kendall(&values).expect("values");
        assert_eq!((test.s, test.ties), (54, 1));
        assert!((test.variance - 332.667).abs() < 1e-3);
        assert!((test.z - 2.905_837).abs() < 1e-5 && (test.p - 0.0018).abs() < 1e-4);
        let time: Vec<f64> = (0..values.len()).map(|k| k as f64).collect();
        assert!((theil_sen(&time, &values).expect("pairs").slope - 0.566_667).abs() < 1e-5);
    }

    #[test]
    fn sulfate_example_of_the_unified_guidance() {
        // EPA (2009) Unified Guidance example 17-6.
        let time = [
            89.6, 89.8, 90.1, 90.3, 90.6, 90.8, 91.1, 91.3, 91.6, 91.8, 92.1, 92.6, 93.1, 93.6, 94.1, 94.6,
            95.1, 95.6, 95.8, 96.1, 96.3, 96.6, 96.8,
        ];
        let value = [
            480.0, 450.0, 490.0, 520.0, 485.0, 510.0, 510.0, 530.0, 510.0, 560.0, 560.0, 540.0, 590.0, 550.0,
            600.0, 700.0, 570.0, 610.0, 650.0, 620.0, 830.0, 720.0, 590.0,
        ];
        let test = mann_kendall(&value).expect("values");
        assert_eq!(test.s, 194);
        assert!((test.variance - 1428.0).abs() < 1e-9 && (test.z - 5.107_322).abs() < 1e-5);
        // Both sides: 3.267574e-07.
        assert!((2.0 * test.p / 3.267_574e-7 - 1.0).abs() < 1e-3, "{}", test.p);
        let slope = theil_sen(&time, &value).expect("pairs");
        assert!((slope.slope - 26.666_7).abs() < 1e-3, "{slope:?}");
        assert!((slope.intercept + 1_909.333).abs() < 1e-2, "{slope:?}");
        assert!((slope.low.expect("low") - 20.0).abs() < 1e-4, "{slope:?}");
        assert!((slope.high.expect("high") - 35.711_82).abs() < 1e-4, "{slope:?}");
    }

    #[test]
    fn exact_probabilities_of_short_series() {
        // By enumeration; Gilbert 1987 table A18 prints the same (from memory).
        for (n, s, p) in [
            (4, 6, 0.041_67),
            (5, 10, 0.008_33),
            (5, 8, 0.041_67),
            (6, 15, 0.001_39),
            (6, 11, 0.027_78),
            (7, 21, 0.000_198),
            (7, 13, 0.034_52),
        ] {
            assert!((exact(n, s) - p).abs() < 1e-5, "{n} {s}: {}", exact(n, s));
        }
    }

    #[test]
    fn cumulative_sum_of_the_handbook() {
        // NIST/SEMATECH e-Handbook 6.3.2.3: signal at group 14.
        let values = [
            324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
            324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
        ];
        let sums = cusum(&values, 325.0, 0.3175);
        let high: Vec<f64> = sums.iter().map(|sum| sum.0).collect();
        for (index, expected) in [(4, 0.0325), (12, 3.0075), (13, 4.94), (14, 7.4475), (19, 19.035)] {
            assert!((high[index] - expected).abs() < 1e-9, "{index}: {}", high[index]);
        }
        for (index, expected) in [(1, 0.0075), (3, 0.3325), (6, 0.5575), (7, 0.715), (10, 0.3125)] {
            assert!((sums[index].1 - expected).abs() < 1e-9, "{index}: {}", sums[index].1);
        }
        assert_eq!(high.iter().position(|sum| *sum > 4.1959), Some(13));
    }

    #[test]
    fn moving_average_of_the_handbook() {
        // NIST/SEMATECH e-Handbook 6.3.2.4, printed to 0.005.
        let values = [
            52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2,
            52.6, 52.4, 53.6, 52.1,
        ];
        let printed = [
            50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05,
            49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
        ];
        for (found, printed) in moving_average(&values, 50.0, 0.3).iter().zip(printed) {
            assert!((found - printed).abs() < 0.0051, "{found} {printed}");
        }
    }

    #[test]
    fn holm_keeps_order_and_never_exceeds_one() {
        let adjusted = holm(&[0.01, 0.04, 0.03, 0.5]);
        let expected = [0.04, 0.09, 0.09, 0.5];
        assert!(adjusted.iter().zip(expected).all(|(a, b)| (a - b).abs() < 1e-12), "{adjusted:?}");
        assert!(holm(&[]).is_empty());
    }

    #[test]
    fn too_little_is_no_trend() {
        assert_eq!(mann_kendall(&[1.0, 2.0]), None);
        assert_eq!(theil_sen(&[1.0], &[1.0]), None);
        assert_eq!(theil_sen(&[1.0, 1.0], &[1.0, 2.0]), None);
        assert_eq!(mann_kendall(&[1.0; 5]).map(|test| test.z), Some(0.0));
    }
}
