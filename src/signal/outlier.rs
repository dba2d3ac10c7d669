//! Tests for values that do not belong to a sample.

use super::robust;
use super::series;
use super::uncertainty::coverage_factor;

/// Grubbs' statistic: largest distance from the mean over the standard deviation, and the index of that value.
///
/// * returns null for fewer than three values or none that scatter
///
/// # Source
/// NIST/SEMATECH e-Handbook 1.3.5.17.1.
pub fn grubbs(values: &[f64]) -> Option<(usize, f64)> {
    let centre = series::mean(values)?;
    let spread = series::deviation(values).filter(|spread| *spread > 0.0 && values.len() > 2)?;
    values.iter().map(|value| (value - centre).abs() / spread).enumerate().max_by(|a, b| a.1.total_cmp(&b.1))
}

/// Critical value of Grubbs' statistic for `count` values at significance `alpha`.
///
/// * `two_sided`: whether the outlier may lie on either side
/// * returns null for fewer than three values or an `alpha` outside 0..1
pub fn grubbs_critical(count: usize, alpha: f64, two_sided: bool) -> Option<f64> {
    let n = count as f64;
    let t = student(1.0 - alpha / (n * if two_sided { 2.0 } else { 1.0 }), n - 2.0)?;
    Some((n - 1.0) / n.sqrt() * (t * t / (n - 2.0 + t * t)).sqrt())
}

/// One step of the generalised test: the value furthest from the mean of what is left.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// Index of the value in the sample.
    pub index: usize,
    /// Its distance from the mean over the standard deviation.
    pub statistic: f64,
    /// What the statistic must exceed.
    pub critical: f64,
}

/// Generalised extreme studentised deviate test for up to `most` outliers, and how many there are.
///
/// The number is the last step whose statistic exceeds its critical value: earlier steps may fall short because
/// outliers mask each other.
///
/// * O(most * n); `most` is cut to n - 2
///
/// # Source
/// Rosner, Technometrics 25 (1983) 165.
pub fn rosner(values: &[f64], most: usize, alpha: f64) -> (Vec<Step>, usize) {
    let mut left: Vec<(usize, f64)> =
        values.iter().copied().enumerate().filter(|(_, v)| !v.is_nan()).collect();
    let mut steps = Vec::new();
    let mut outliers = 0;
    while steps.len() < most && left.len() > 2 {
        let now: Vec<f64> = left.iter().map(|(_, value)| *value).collect();
        let Some((at, statistic)) = grubbs(&now) else { break };
        let n = left.len() as f64;
        let Some(t) = student(1.0 - alpha / (2.0 * n), n - 2.0) else { break };
        let critical = (n - 1.0) * t / ((n - 2.0 + t * t) * n).sqrt();
        steps.push(Step { index: left[at].0, statistic, critical });
        if statistic > critical {
            outliers = steps.len();
        }
        left.remove(at);
    }
    (steps, outliers)
}

/// Distance from the median in robust standard deviations, sign kept, one per value (NaN stays NaN).
///
/// * `floor`: smallest spread, the resolution as a rule
/// * returns null when there is no value, or no spread and no floor
///
/// # Source
/// Iglewicz and Hoaglin 1993: 0.6745 (x - median)/MAD with the limit 3.5.
pub fn modified_z(values: &[f64], floor: f64) -> Option<Vec<f64>> {
    let (centre, spread) = robust::centre_and_spread(values, floor)?;
    (spread > 0.0).then(|| values.iter().map(|value| (value - centre) / spread).collect())
}

/// Distance of every value from the median of its neighbourhood, in robust standard deviations of it.
///
/// * `values`: evenly spaced, no NaN
/// * `half`: neighbours on each side; at the ends the neighbourhood is cut
/// * `floor`: smallest spread, above 0
/// * O(n * half)
///
/// # Source
/// Hampel identifier (Davies and Gather 1993, from memory).
pub fn hampel(values: &[f64], half: usize, floor: f64) -> Vec<f64> {
    (0..values.len())
        .map(|at| {
            let near = &values[at.saturating_sub(half)..(at + half + 1).min(values.len())];
            robust::centre_and_spread(near, floor)
                .filter(|(_, spread)| *spread > 0.0)
                .map_or(0.0, |(centre, spread)| (values[at] - centre) / spread)
        })
        .collect()
}

fn student(probability: f64, freedom: f64) -> Option<f64> {
    if !(0.0..1.0).contains(&probability) {
        return None;
    }
    // Symmetric: the upper tail gives the lower one.
    let coverage = (2.0 * probability - 1.0).abs();
    (freedom >= 1.0).then(|| coverage_factor(coverage, freedom).copysign(probability - 0.5))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::reference::{CHEM, MASS, NAPHTHALENE, ROSNER};

    #[test]
    fn grubbs_finds_the_heavy_mass() {
        // NIST/SEMATECH e-Handbook 1.3.5.17.1.
        let (index, statistic) = grubbs(&MASS).expect("scatter");
        assert_eq!(MASS[index], 245.57);
        assert!((statistic - 2.468_765).abs() < 1e-5);
        assert!((grubbs_critical(8, 0.05, false).expect("critical") - 2.031_652).abs() < 1e-5);
        assert!((grubbs_critical(8, 0.05, true).expect("critical") - 2.126_6).abs() < 1e-4);
        assert_eq!((grubbs(&[1.0, 1.0, 1.0]), grubbs_critical(2, 0.05, true)), (None, None));
    }

    #[test]
    fn modified_z_finds_it_where_three_sigma_never_can() {
        // Iglewicz and Hoaglin 1993; at n = 8 no value can be further than 2.4749 deviations from the mean.
        let z = modified_z(&MASS, 0.0).expect("spread");
        assert!((z[7] - 29.963).abs() < 1e-3);
        assert!(z[..7].iter().all(|z| z.abs() < 3.5));
    }

    #[test]
    fn modified_z_of_the_chem_data_flags_exactly_two() {
        // Analytical Methods Committee (1989); recomputed z.
        let z = modified_z(&CHEM, 0.0).expect("spread");
        let far: Vec<f64> = CHEM.iter().zip(&z).filter(|(_, z)| z.abs() > 3.5).map(|(v, _)| *v).collect();
        assert_eq!(far, [5.28, 28.95]);
        assert!((z[23] - 48.57).abs() < 0.01 && (z[22] - 3.601).abs() < 1e-3);
    }

    #[test]
    fn rosner_finds_three_although_the_first_two_are_masked() {
        // Rosner 1983, data of NIST ROSNER.DAT; recomputed.
        let (steps, outliers) = rosner(&ROSNER, 10, 0.05);
        assert_eq!(outliers, 3);
        let wanted = [
            (3.118_91, 3.158_79),
            (2.942_97, 3.151_43),
            (3.179_42, 3.143_89),
            (2.810_18, 3.136_16),
            (2.815_58, 3.128_25),
            (2.848_17, 3.120_13),
            (2.279_33, 3.111_80),
            (2.310_37, 3.103_24),
            (2.101_58, 3.094_46),
            (2.067_18, 3.085_42),
        ];
        assert_eq!(steps.len(), wanted.len());
        for (step, (statistic, critical)) in steps.iter().zip(wanted) {
            assert!((step.statistic - statistic).abs() < 1e-5 && (step.critical - critical).abs() < 1e-5);
        }
        let found: Vec<f64> = steps[..3].iter().map(|step| ROSNER[step.index]).collect();
        assert_eq!(found, [6.01, 5.42, 5.34]);
    }

    #[test]
    fn rosner_finds_both_high_wells() {
        // EPA (2009) Unified Guidance, example 12-4, naphthalene.
        let (steps, outliers) = rosner(&NAPHTHALENE, 2, 0.05);
        assert_eq!(outliers, 2);
        let statistics: Vec<f64> = steps.iter().map(|step| step.statistic).collect();
        let critical: Vec<f64> = steps.iter().map(|step| step.critical).collect();
        for (found, wanted) in
            statistics.iter().chain(&critical).zip([3.930_957, 4.160_223, 2.821_681, 2.801_551])
        {
            assert!((found - wanted).abs() < 1e-5, "{found} {wanted}");
        }
        assert_eq!(rosner(&[1.0, 2.0], 5, 0.05), (Vec::new(), 0));
    }

    #[test]
    fn hampel_sees_one_wild_value_and_not_its_neighbours() {
        let mut values: Vec<f64> = (0..50).map(|i| f64::from(i) * 0.1).collect();
        values[20] += 9.0;
        let far: Vec<usize> = hampel(&values, 3, 0.1)
            .iter()
            .enumerate()
            .filter(|(_, z)| z.abs() > 5.0)
            .map(|(i, _)| i)
            .collect();
        assert_eq!(far, [20]);
        assert!(hampel(&[], 3, 0.1).is_empty());
    }
}
