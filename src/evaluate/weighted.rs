//! Calibration measures over weighted trials whose outcome is a share.
//!
//! A run is one trial: its outcome is the share of its samples that were good, so a run with many samples has no
//! more say than one with few. A weight re-weights kinds of runs, as for another prevalence of faults.

use serde::{Deserialize, Serialize};

use crate::signal::uncertainty::{Resampler, quantile_sorted};

/// One trial.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trial {
    /// Stated probability.
    pub stated: f64,
    /// Share of good samples, 0..1.
    pub good: f64,
    /// Weight.
    pub weight: f64,
}

/// One bin of a reliability table.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Bin {
    /// From this stated probability.
    pub from: f64,
    /// Up to this one.
    pub to: f64,
    /// Runs in it.
    pub runs: usize,
    /// Mean stated probability.
    pub stated: f64,
    /// Share of good samples.
    pub observed: f64,
    /// Wilson 95 % interval with the effective number of runs.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// Stated beyond the upper end.
    pub overconfident: bool,
}

/// Edges of the bins: finer where decisions are made.
pub const EDGES: [f64; 9] = [0.0, 0.2, 0.4, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0];

/// Wilson 95 % interval for a number of trials that need not be whole.
///
/// # Source
/// Wilson, 1927 (from memory); the effective number is Kish's (sum of weights squared over sum of squares).
pub fn wilson(share: f64, trials: f64) -> (f64, f64) {
    if trials <= 0.0 {
        return (0.0, 1.0);
    }
    let z: f64 = 1.959_964;
    let centre = (share + z * z / (2.0 * trials)) / (1.0 + z * z / trials);
    let half = z / (1.0 + z * z / trials)
        * (share * (1.0 - share) / trials + z * z / (4.0 * trials * trials)).max(0.0).sqrt();
    ((centre - half).max(0.0), (centre + half).min(1.0))
}

/// Reliability table; empty bins are left out.
pub fn reliability(trials: &[Trial]) -> Vec<Bin> {
    let mut bins = Vec::new();
    for edge in EDGES.windows(2) {
        let (from, to) = (edge[0], edge[1]);
        let last = to >= 1.0;
        let inside = || trials.iter().filter(move |t| t.stated >= from && (t.stated < to || last));
        let weight: f64 = inside().map(|t| t.weight).sum();
        if weight <= 0.0 {
            continue;
        }
        let squares: f64 = inside().map(|t| t.weight * t.weight).sum();
        let stated = inside().map(|t| t.weight * t.stated).sum::<f64>() / weight;
        let observed = inside().map(|t| t.weight * t.good).sum::<f64>() / weight;
        let (low, high) = wilson(observed, weight * weight / squares);
        let runs = inside().count();
        bins.push(Bin { from, to, runs, stated, observed, low, high, overconfident: stated > high });
    }
    bins
}

/// Brier score and its terms.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Brier {
    /// Mean squared distance of the stated probability from what a sample was.
    pub score: f64,
    /// Distance of stated from observed over the bins, small is good.
    pub reliability: f64,
    /// Spread of the observed shares, large is good.
    pub resolution: f64,
    /// Of the samples themselves.
    pub uncertainty: f64,
}

/// Brier score of single samples with Murphy's terms over the bins; null without a trial.
pub fn brier(trials: &[Trial]) -> Option<Brier> {
    let weight: f64 = trials.iter().map(|t| t.weight).sum();
    if weight <= 0.0 {
        return None;
    }
    let mean =
        |value: &dyn Fn(&Trial) -> f64| trials.iter().map(|t| t.weight * value(t)).sum::<f64>() / weight;
    let score = mean(&|t| t.good * (1.0 - t.stated).powi(2) + (1.0 - t.good) * t.stated.powi(2));
    let base = mean(&|t| t.good);
    let (mut reliability, mut resolution) = (0.0, 0.0);
    for bin in self::reliability(trials) {
        let last = bin.to >= 1.0;
        let share = trials
            .iter()
            .filter(|t| t.stated >= bin.from && (t.stated < bin.to || last))
            .map(|t| t.weight)
            .sum::<f64>()
            / weight;
        reliability += share * (bin.stated - bin.observed).powi(2);
        resolution += share * (bin.observed - base).powi(2);
    }
    Some(Brier { score, reliability, resolution, uncertainty: base * (1.0 - base) })
}

/// Expected calibration error over the bins; 0 without a trial.
pub fn expected_error(trials: &[Trial]) -> f64 {
    let weight: f64 = trials.iter().map(|t| t.weight).sum();
    let mut error = 0.0;
    for edge in EDGES.windows(2) {
        let last = edge[1] >= 1.0;
        let inside = trials.iter().filter(|t| t.stated >= edge[0] && (t.stated < edge[1] || last));
        error += inside.map(|t| t.weight * (t.stated - t.good)).sum::<f64>().abs();
    }
    if weight > 0.0 { error / weight } else { 0.0 }
}

/// Central 95 % of the expected calibration error under resampling of runs.
pub fn expected_error_interval(trials: &[Trial], rounds: usize, seed: u64) -> (f64, f64) {
    let mut source = Resampler::new(seed);
    let mut errors: Vec<f64> = (0..rounds)
        .map(|_| {
            let again: Vec<Trial> =
                (0..trials.len()).filter_map(|_| trials.get(source.below(trials.len())).copied()).collect();
            expected_error(&again)
        })
        .collect();
    errors.sort_unstable_by(f64::total_cmp);
    (quantile_sorted(&errors, 0.025).unwrap_or(0.0), quantile_sorted(&errors, 0.975).unwrap_or(1.0))
}

/// Probability that a good sample has a higher stated probability than a bad one, ties counted half; null without
/// both kinds.
pub fn area_under_curve(trials: &[Trial]) -> Option<f64> {
    let mut order: Vec<&Trial> = trials.iter().collect();
    order.sort_by(|a, b| a.stated.total_cmp(&b.stated));
    let good: f64 = trials.iter().map(|t| t.weight * t.good).sum();
    let bad: f64 = trials.iter().map(|t| t.weight * (1.0 - t.good)).sum();
    if good <= 0.0 || bad <= 1e-12 {
        return None;
    }
    let (mut below, mut area) = (0.0, 0.0);
    for group in order.chunk_by(|a, b| a.stated == b.stated) {
        let good: f64 = group.iter().map(|t| t.weight * t.good).sum();
        let bad: f64 = group.iter().map(|t| t.weight * (1.0 - t.good)).sum();
        area += good * (below + 0.5 * bad);
        below += bad;
    }
    Some(area / (good * bad))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::calibration;

    /// 100 forecasts: 0.1 (40, 4 events), 0.5 (40, 22), 0.9 (20, 17).
    fn hundred() -> Vec<Trial> {
        let mut trials = Vec::new();
        for (stated, count, events) in [(0.1, 40, 4), (0.5, 40, 22), (0.9, 20, 17)] {
            for k in 0..count {
                trials.push(Trial { stated, good: f64::from(u8::from(k < events)), weight: 1.0 });
            }
        }
        trials
    }

    #[test]
    fn whole_trials_agree_with_the_unweighted_measures() {
        let trials = hundred();
        let stated: Vec<f64> = trials.iter().map(|t| t.stated).collect();
        let happened: Vec<bool> = trials.iter().map(|t| t.good > 0.5).collect();
        let terms = brier(&trials).expect("trials");
        let plain = calibration::murphy(&stated, &happened, 0.05).expect("trials");
        assert!((terms.score - plain.score).abs() < 1e-12);
        assert!((terms.reliability - plain.reliability).abs() < 1e-12);
        assert!((terms.resolution - plain.resolution).abs() < 1e-12);
        let area = area_under_curve(&trials).expect("both");
        assert!((area - calibration::area_under_curve(&stated, &happened).expect("both")).abs() < 1e-12);
        assert!((expected_error(&trials) - 0.03).abs() < 1e-12);
        assert_eq!(wilson(0.1, 40.0), calibration::wilson(4, 40));
    }

    #[test]
    fn a_share_counts_as_its_samples() {
        let shared = [Trial { stated: 0.8, good: 0.75, weight: 4.0 }];
        let single: Vec<Trial> =
            [1.0, 1.0, 1.0, 0.0].map(|good| Trial { stated: 0.8, good, weight: 1.0 }).to_vec();
        let (a, b) = (brier(&shared).expect("one"), brier(&single).expect("four"));
        assert!((a.score - b.score).abs() < 1e-12 && (a.uncertainty - b.uncertainty).abs() < 1e-12);
    }

    #[test]
    fn stated_beyond_the_interval_is_overconfident() {
        let trials: Vec<Trial> = (0..200)
            .map(|k| Trial { stated: 0.97, good: f64::from(u8::from(k % 10 != 0)), weight: 1.0 })
            .collect();
        assert!(reliability(&trials)[0].overconfident);
        let modest: Vec<Trial> = trials.iter().map(|t| Trial { stated: 0.85, ..*t }).collect();
        assert!(!reliability(&modest)[0].overconfident);
    }
}
