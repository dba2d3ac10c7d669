//! Moments, serial correlation and tests of a series, safe for values that are large against their scatter.

/// Mean of the values; null for none.
pub fn mean(values: &[f64]) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let n = values.len() as f64;
    let rough = values.iter().sum::<f64>() / n;
    // The second pass takes back what the first lost to rounding.
    Some(rough + values.iter().map(|v| v - rough).sum::<f64>() / n)
}

/// Sample standard deviation (n - 1), two-pass with the correction for the rounded mean.
///
/// * returns null for fewer than two values
pub fn deviation(values: &[f64]) -> Option<f64> {
    let centre = mean(values)?;
    let n = values.len() as f64;
    let (sum, squares) = values.iter().fold((0.0, 0.0), |(sum, squares), v| {
        let d = v - centre;
        (sum + d, d.mul_add(d, squares))
    });
    (values.len() > 1).then(|| (((squares - sum * sum / n) / (n - 1.0)).max(0.0)).sqrt())
}

/// Root mean square; null for no values.
pub fn root_mean_square(values: &[f64]) -> Option<f64> {
    let n = values.len() as f64;
    (!values.is_empty()).then(|| (values.iter().map(|v| v * v).sum::<f64>() / n).sqrt())
}

/// Autocorrelation at a lag (samples): autocovariance over variance, both about the common mean.
///
/// * returns null when the series is shorter than the lag or constant
pub fn autocorrelation(values: &[f64], lag: usize) -> Option<f64> {
    let centre = mean(values)?;
    let later = values.get(lag..).filter(|later| !later.is_empty())?;
    let total: f64 = values.iter().map(|v| (v - centre).powi(2)).sum();
    let shared: f64 = values.iter().zip(later).map(|(a, b)| (a - centre) * (b - centre)).sum();
    (total > 0.0).then(|| shared / total)
}

/// A test of whether a series is random in order.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RunsTest {
    /// Runs of values on one side of the threshold.
    pub runs: usize,
    /// Values above it.
    pub above: usize,
    /// Values below it; values equal to it are left out.
    pub below: usize,
    /// Runs expected of a random order.
    pub expected: f64,
    /// Standard deviation of that number.
    pub sigma: f64,
}

impl RunsTest {
    /// Standard normal statistic: negative when too few runs (drift, oscillation), positive when too many.
    pub fn z(&self) -> f64 {
        (self.runs as f64 - self.expected) / self.sigma
    }
}

/// Runs test of Wald and Wolfowitz about a threshold (the median as a rule).
///
/// * returns null when all values lie on one side
///
/// # Source
/// NIST/SEMATECH e-Handbook 1.3.5.13.
pub fn runs_test(values: &[f64], threshold: f64) -> Option<RunsTest> {
    let (mut runs, mut above, mut below) = (0, 0_usize, 0_usize);
    let mut last = None;
    for value in values.iter().filter(|value| !value.is_nan() && **value != threshold) {
        let high = *value > threshold;
        *(if high { &mut above } else { &mut below }) += 1;
        if last != Some(high) {
            runs += 1;
            last = Some(high);
        }
    }
    let (a, b) = (above as f64, below as f64);
    let n = a + b;
    let expected = 2.0 * a * b / n + 1.0;
    let variance = 2.0 * a * b * (2.0 * a * b - n) / (n * n * (n - 1.0));
    (above > 0 && below > 0 && variance > 0.0).then(|| RunsTest {
        runs,
        above,
        below,
        expected,
        sigma: variance.sqrt(),
    })
}

/// Mean, standard deviation and number of values of one sample.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// Mean.
    pub mean: f64,
    /// Sample standard deviation.
    pub deviation: f64,
    /// Number of values, at least 2.
    pub count: usize,
}

/// t statistic and degrees of freedom for two samples whose variances may differ.
///
/// * returns null when a sample has fewer than two values or both have no scatter
///
/// # Source
/// 40 CFR 1065.602(f) (the unpaired t-test of Welch and Satterthwaite).
pub fn unpaired_t(reference: Sample, other: Sample) -> Option<(f64, f64)> {
    if reference.count < 2 || other.count < 2 {
        return None;
    }
    let part = |s: Sample| s.deviation * s.deviation / s.count as f64;
    let (a, b) = (part(reference), part(other));
    let freedom = (a + b).powi(2) / (a * a / (reference.count - 1) as f64 + b * b / (other.count - 1) as f64);
    (a + b > 0.0).then(|| ((reference.mean - other.mean).abs() / (a + b).sqrt(), freedom))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::reference::{LEW, alternating, mavro, michelso};

    fn close(found: Option<f64>, wanted: f64, tolerance: f64) {
        let found = found.expect("a value");
        assert!((found - wanted).abs() <= tolerance, "{found} is not {wanted} within {tolerance}");
    }

    #[test]
    fn moments_and_correlation_match_the_certified_values() {
        // NIST StRD, univariate summary statistics, certified values.
        let lew: Vec<f64> = LEW.iter().copied().map(f64::from).collect();
        for (values, centre, spread, first) in [
            (mavro(), 2.001_856, 0.000_429_123_454_003_053, 0.937_989_183_438_248),
            (michelso(), 299.852_4, 0.079_010_547_819_051_8, 0.535_199_668_621_283),
            (lew, -177.435, 277.332_168_044_316, -0.307_304_800_605_679),
        ] {
            close(mean(&values), centre, 1e-12 * centre.abs());
            close(deviation(&values), spread, 1e-12 * spread.max(1.0));
            close(autocorrelation(&values, 1), first, 1e-9);
        }
    }

    #[test]
    fn accuracy_survives_large_offsets() {
        // NIST StRD NumAcc1 to NumAcc4, certified values.
        let one = [10_000_001.0, 10_000_003.0, 10_000_002.0];
        assert_eq!((mean(&one), deviation(&one)), (Some(10_000_002.0), Some(1.0)));
        close(autocorrelation(&one, 1), -0.5, 1e-15);
        for (offset, tolerance) in [(1.0, 1e-13), (1e6, 1e-9), (1e7, 1e-8)] {
            let values = alternating(offset);
            close(mean(&values), offset + 0.2, tolerance);
            close(deviation(&values), 0.1, tolerance);
            close(autocorrelation(&values, 1), -0.999, 1e-7);
        }
    }

    #[test]
    fn runs_test_of_the_beam_deflections_rejects_randomness() {
        // NIST/SEMATECH e-Handbook 1.3.5.13 prints Z = 2.6938 (from memory); recomputed from LEW.DAT.
        let lew: Vec<f64> = LEW.iter().copied().map(f64::from).collect();
        let test = runs_test(&lew, -162.0).expect("both sides");
        assert_eq!((test.runs, test.above, test.below), (120, 100, 100));
        assert!((test.expected - 101.0).abs() < 1e-12);
        assert!((test.sigma - 7.053_28).abs() < 1e-5);
        assert!((test.z() - 2.693_78).abs() < 1e-5);
        assert_eq!(runs_test(&[1.0, 2.0], 0.0), None);
        assert_eq!(runs_test(&[], 0.0), None);
    }

    #[test]
    fn worked_examples_of_the_test_procedure_regulation_come_out() {
        // 40 CFR 1065.602 (b) to (f): printed worked answers.
        let values = [10.60, 11.91, 11.09];
        close(mean(&values), 11.20, 0.005);
        close(deviation(&values), 0.6619, 0.000_05);
        close(root_mean_square(&values), 11.21, 0.005);
        close(mean(&[1806.4 - 1800.0, 1803.1 - 1800.0, 1798.9 - 1800.0]), 2.8, 0.05);
        let reference = Sample { mean: 1205.3, deviation: 9.399, count: 11 };
        let other = Sample { mean: 1123.8, deviation: 10.583, count: 7 };
        let (t, freedom) = unpaired_t(reference, other).expect("samples");
        assert!((t - 16.63).abs() < 0.005 && (freedom - 11.76).abs() < 0.005, "{t} {freedom}");
    }

    #[test]
    fn nothing_comes_of_too_little() {
        assert_eq!((mean(&[]), deviation(&[1.0]), autocorrelation(&[1.0, 1.0], 1)), (None, None, None));
        assert_eq!(autocorrelation(&[1.0], 5), None);
        assert_eq!(root_mean_square(&[]), None);
    }
}
