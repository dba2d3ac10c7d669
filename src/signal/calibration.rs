//! Whether stated probabilities mean what they say.

use statrs::distribution::{Beta, ContinuousCDF};

/// One bin of a reliability table.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bin {
    /// Forecasts in it.
    pub count: usize,
    /// Mean stated probability.
    pub stated: f64,
    /// Share in which the event happened.
    pub observed: f64,
    /// Wilson 95 % interval of that share.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// Brier score and Murphy's terms of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Brier {
    /// Mean squared error of the probabilities.
    pub score: f64,
    /// Distance of stated from observed, small is good.
    pub reliability: f64,
    /// Spread of the observed shares, large is good.
    pub resolution: f64,
    /// Of the event itself.
    pub uncertainty: f64,
}

/// Brier score; null for no forecast.
///
/// # Source
/// Brier, 1950, Monthly Weather Review 78.
pub fn brier(stated: &[f64], happened: &[bool]) -> Option<f64> {
    let count = stated.len().min(happened.len());
    if count == 0 {
        return None;
    }
    let sum: f64 = stated.iter().zip(happened).map(|(p, o)| (p - f64::from(u8::from(*o))).powi(2)).sum();
    Some(sum / count as f64)
}

/// Murphy's decomposition over forecasts grouped by equal stated probability (after rounding to `step`).
///
/// With discrete probabilities `score = reliability - resolution + uncertainty` exactly; with rounded ones the
/// spread within a group is left over.
pub fn murphy(stated: &[f64], happened: &[bool], step: f64) -> Option<Brier> {
    let score = brier(stated, happened)?;
    let mut groups: std::collections::BTreeMap<i64, (usize, f64, usize)> = std::collections::BTreeMap::new();
    for (p, o) in stated.iter().zip(happened) {
        let group = groups.entry((p / step.max(1e-9)).round() as i64).or_default();
        group.0 += 1;
        group.1 += p;
        group.2 += usize::from(*o);
    }
    let count = stated.len().min(happened.len()) as f64;
    let base = happened.iter().filter(|o| **o).count() as f64 / count;
    let (mut reliability, mut resolution) = (0.0, 0.0);
    for (n, sum, events) in groups.into_values() {
        let weight = n as f64 / count;
        let observed = events as f64 / n as f64;
        reliability += weight * (sum / n as f64 - observed).powi(2);
        resolution += weight * (observed - base).powi(2);
    }
    Some(Brier { score, reliability, resolution, uncertainty: base * (1.0 - base) })
}

/// Reliability table over `bins` bins of equal width; empty bins are left out.
pub fn reliability(stated: &[f64], happened: &[bool], bins: usize) -> Vec<Bin> {
    let bins = bins.max(1);
    let mut sums = vec![(0_usize, 0.0, 0_usize); bins];
    for (p, o) in stated.iter().zip(happened) {
        let index = ((p * bins as f64) as usize).min(bins - 1);
        let slot = &mut sums[index];
        slot.0 += 1;
        slot.1 += p;
        slot.2 += usize::from(*o);
    }
    sums.into_iter()
        .filter(|(count, _, _)| *count > 0)
        .map(|(count, sum, events)| {
            let (low, high) = wilson(events, count);
            Bin { count, stated: sum / count as f64, observed: events as f64 / count as f64, low, high }
        })
        .collect()
}

/// Expected calibration error: weighted mean distance of stated from observed; 0 for no bin.
///
/// # Source
/// Naeini, 2015; biased upwards for few forecasts, so it never stands alone.
pub fn expected_error(bins: &[Bin]) -> f64 {
    let count: usize = bins.iter().map(|bin| bin.count).sum();
    bins.iter().map(|bin| bin.count as f64 / count.max(1) as f64 * (bin.observed - bin.stated).abs()).sum()
}

/// Wilson 95 % score interval of a share; 0 to 1 for no trial.
///
/// # Source
/// Wilson, 1927 (from memory).
pub fn wilson(events: usize, trials: usize) -> (f64, f64) {
    if trials == 0 {
        return (0.0, 1.0);
    }
    let z: f64 = 1.959_964;
    let n = trials as f64;
    let p = events as f64 / n;
    let centre = (p + z * z / (2.0 * n)) / (1.0 + z * z / n);
    let half = z / (1.0 + z * z / n) * (p * (1.0 - p) / n + z * z / (4.0 * n * n)).sqrt();
    ((centre - half).max(0.0), (centre + half).min(1.0))
}

/// Exact upper bound of a share, one-sided, by Clopper and Pearson; 1 for no trial.
///
/// * `confidence`: 0.95 for the 95 % bound
pub fn upper_bound(events: usize, trials: usize, confidence: f64) -> f64 {
    if events >= trials {
        return 1.0;
    }
    let Ok(beta) = Beta::new(events as f64 + 1.0, (trials - events) as f64) else { return 1.0 };
    // Halving ends for every input; the library's own iteration does not.
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if beta.cdf(middle) < confidence { low = middle } else { high = middle }
    }
    high
}

/// Probability that an event got a higher score than a non-event (area under the curve), ties counted half.
///
/// * returns null without both kinds
pub fn area_under_curve(score: &[f64], happened: &[bool]) -> Option<f64> {
    let mut order: Vec<(f64, bool)> = score.iter().copied().zip(happened.iter().copied()).collect();
    order.sort_by(|a, b| a.0.total_cmp(&b.0));
    let events = order.iter().filter(|(_, o)| *o).count() as f64;
    let others = order.len() as f64 - events;
    if events == 0.0 || others == 0.0 {
        return None;
    }
    let mut rank_sum = 0.0;
    let mut below = 0.0;
    for group in order.chunk_by(|a, b| a.0 == b.0) {
        let size = group.len() as f64;
        let mean_rank = below + 0.5 * (size + 1.0);
        rank_sum += mean_rank * group.iter().filter(|(_, o)| *o).count() as f64;
        below += size;
    }
    Some((rank_sum - events * (events + 1.0) / 2.0) / (events * others))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 100 forecasts: 0.1 (40, 4 events), 0.5 (40, 22), 0.9 (20, 17).
    fn hundred() -> (Vec<f64>, Vec<bool>) {
        let mut stated = Vec::new();
        let mut happened = Vec::new();
        for (p, count, events) in [(0.1, 40, 4), (0.5, 40, 22), (0.9, 20, 17)] {
            for k in 0..count {
                stated.push(p);
                happened.push(k < events);
            }
        }
        (stated, happened)
    }

    #[test]
    fn brier_of_the_glossary_and_of_four_points() {
        // AMS Glossary: 0.7 and event 0.09, 0.3 and event 0.49, 0.5 0.25; four points 0.0375.
        for (p, score) in [(0.7, 0.09), (0.3, 0.49), (0.5, 0.25)] {
            assert!((brier(&[p], &[true]).expect("one") - score).abs() < 1e-12);
        }
        let four = brier(&[0.1, 0.9, 0.8, 0.3], &[false, true, true, false]).expect("four");
        assert!((four - 0.0375).abs() < 1e-12);
        assert_eq!(brier(&[], &[]), None);
    }

    #[test]
    fn murphy_terms_add_up() {
        // Computed: reliability 0.0015, resolution 0.0846, uncertainty 0.2451, score 0.1620, ECE 0.0300.
        let (stated, happened) = hundred();
        let terms = murphy(&stated, &happened, 0.05).expect("forecasts");
        assert!((terms.reliability - 0.0015).abs() < 1e-12, "{terms:?}");
        assert!((terms.resolution - 0.0846).abs() < 1e-12 && (terms.uncertainty - 0.2451).abs() < 1e-12);
        assert!((terms.score - 0.1620).abs() < 1e-12);
        let sum = terms.reliability - terms.resolution + terms.uncertainty;
        assert!((sum - terms.score).abs() < 1e-12);
        assert!((expected_error(&reliability(&stated, &happened, 10)) - 0.03).abs() < 1e-12);
    }

    #[test]
    fn expected_error_of_the_five_point_example() {
        // p 0.25 0.25 0.55 0.75 0.75, events 0 0 1 1 1, two bins: 0.2900 (printed by a metrics library).
        let bins = reliability(&[0.25, 0.25, 0.55, 0.75, 0.75], &[false, false, true, true, true], 2);
        assert!((expected_error(&bins) - 0.29).abs() < 1e-9, "{bins:?}");
    }

    #[test]
    fn bounds_of_rare_events() {
        // No failure in 59 runs shows at most 5 %, in 299 at most 1 % (rule of three, exact form).
        assert!((upper_bound(0, 59, 0.95) - 0.0495).abs() < 2e-4);
        assert!((upper_bound(0, 299, 0.95) - 0.00997).abs() < 2e-5);
        let (low, high) = wilson(0, 10);
        // z^2/(n + z^2) = 3.8415/13.8415.
        assert!(low.abs() < 1e-12 && (high - 0.277_53).abs() < 1e-4, "{high}");
        assert_eq!(wilson(0, 0), (0.0, 1.0));
    }

    #[test]
    fn area_counts_pairs() {
        assert_eq!(area_under_curve(&[0.1, 0.4, 0.35, 0.8], &[false, false, true, true]), Some(0.75));
        assert_eq!(area_under_curve(&[0.5, 0.5], &[false, true]), Some(0.5));
        assert_eq!(area_under_curve(&[0.5], &[true]), None);
    }
}
