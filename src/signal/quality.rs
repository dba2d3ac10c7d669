//! The measures behind the standard real-time quality tests; the tests put thresholds to them.
//!
//! # Source
//! QARTOD manuals of the U.S. Integrated Ocean Observing System: spike, rate of change, flat line.

use std::collections::VecDeque;

/// Distance of each value from the mean of its two neighbours.
///
/// * NaN where the value or a neighbour is null, and at both ends
/// * known weakness: next to a spike, the neighbours stand out half as far
pub fn spike_average(values: &[f64]) -> Vec<f64> {
    interior(values, |before, value, after| (value - f64::midpoint(before, after)).abs())
}

/// The smaller of the two steps to and from a value where they point opposite ways, else 0.
///
/// * NaN where the value or a neighbour is null, and at both ends
pub fn spike_differential(values: &[f64]) -> Vec<f64> {
    interior(values, there_and_back)
}

/// The same of one value between its neighbours.
pub fn there_and_back(before: f64, value: f64, after: f64) -> f64 {
    let (up, down) = (value - before, after - value);
    if up * down < 0.0 { up.abs().min(down.abs()) } else { 0.0 }
}

/// Absolute rate of change from the value before, per second.
///
/// * `time_s`: ascending, as long as `values`
/// * NaN for the first value, next to null, and where time stands still
pub fn rate(values: &[f64], time_s: &[f64]) -> Vec<f64> {
    let steps = values.windows(2).zip(time_s.windows(2)).map(|(value, time)| {
        let elapsed = time[1] - time[0];
        if elapsed > 0.0 { (value[1] - value[0]).abs() / elapsed } else { f64::NAN }
    });
    values.iter().take(1).map(|_| f64::NAN).chain(steps).collect()
}

/// Range (largest minus smallest) over the window of `window_s` that ends with each value.
///
/// * `time_s`: ascending, as long as `values`
/// * NaN where the series does not reach back that far, and where the value is null; null is skipped inside
/// * O(n)
pub fn trailing_range(values: &[f64], time_s: &[f64], window_s: f64) -> Vec<f64> {
    let mut low: VecDeque<usize> = VecDeque::new();
    let mut high: VecDeque<usize> = VecDeque::new();
    let first_s = time_s.first().copied().unwrap_or_default();
    // Times such as 0.3 are no exact multiples of 0.1.
    let slack_s = 1e-9 * window_s.abs();
    let mut ranges = Vec::with_capacity(values.len());
    for (at, (value, now_s)) in values.iter().zip(time_s).enumerate() {
        if value.is_nan() {
            ranges.push(f64::NAN);
            continue;
        }
        while low.back().is_some_and(|last| values[*last] >= *value) {
            low.pop_back();
        }
        while high.back().is_some_and(|last| values[*last] <= *value) {
            high.pop_back();
        }
        low.push_back(at);
        high.push_back(at);
        for queue in [&mut low, &mut high] {
            while queue.front().is_some_and(|first| now_s - time_s[*first] > window_s + slack_s) {
                queue.pop_front();
            }
        }
        let reaches = now_s - first_s + slack_s >= window_s;
        ranges.push(match (low.front(), high.front()) {
            (Some(low), Some(high)) if reaches => values[*high] - values[*low],
            _ => f64::NAN,
        });
    }
    ranges
}

fn interior(values: &[f64], measure: impl Fn(f64, f64, f64) -> f64) -> Vec<f64> {
    let mut measures = vec![f64::NAN; values.len()];
    for (slot, window) in measures.iter_mut().skip(1).zip(values.windows(3)) {
        *slot = measure(window[0], window[1], window[2]);
    }
    measures
}

#[cfg(test)]
mod tests {
    use super::*;

    // Golden vectors of the open implementation's tests (ioos_qc, Apache-2.0), reproduced independently.
    const NULL: f64 = f64::NAN;

    /// Flags of a measure: above `high` fails, above `low` is suspect, unknown is not evaluated.
    fn grade(values: &[f64], measures: &[f64], low: f64, high: f64) -> Vec<u8> {
        values
            .iter()
            .zip(measures)
            .map(|(value, measure)| match measure {
                _ if value.is_nan() => 9,
                m if m.is_nan() => 2,
                m if *m > high => 4,
                m if *m > low => 3,
                _ => 1,
            })
            .collect()
    }

    #[test]
    fn spike_average_matches_the_golden_vectors() {
        let one = [10.0, 12.0, 999.99, 13.0, 15.0, 40.0, 9.0, 9.0];
        assert_eq!(grade(&one, &spike_average(&one), 25.0, 50.0), [2, 4, 4, 4, 1, 3, 1, 2]);
        let two =
            [3.0, 4.99, 5.0, 6.0, 8.0, 6.0, 6.0, 6.75, 6.0, 6.0, 5.3, 6.0, 6.0, 9.0, 5.0, NULL, 4.0, 4.0];
        assert_eq!(
            grade(&two, &spike_average(&two), 0.5, 1.0),
            [2, 3, 1, 1, 4, 3, 1, 3, 1, 1, 3, 1, 4, 4, 2, 9, 2, 2]
        );
    }

    #[test]
    fn spike_differential_matches_the_golden_vector() {
        let values =
            [3.0, 4.99, 5.0, 6.0, 8.0, 6.0, 6.0, 6.75, 6.0, 6.0, 5.3, 6.0, 6.0, 9.0, 5.0, 5.0, 4.0, 4.0];
        assert_eq!(
            grade(&values, &spike_differential(&values), 0.5, 1.0),
            [2, 1, 1, 1, 4, 1, 1, 3, 1, 1, 3, 1, 1, 4, 1, 1, 1, 2]
        );
    }

    #[test]
    fn rate_matches_the_golden_vector() {
        let values = [
            2.0, 10.0, 2.1, 3.0, 4.0, 5.0, 7.0, 10.0, 0.0, 2.0, 2.2, 2.0, 1.0, 2.0, 3.0, 90.0, 91.0, 92.0,
            93.0, 1.0, 2.0, 3.0, 4.0, 5.0,
        ];
        let time_s: Vec<f64> = (0..24).map(|i| 900.0 * f64::from(i)).collect();
        let flags: Vec<u8> =
            rate(&values, &time_s).iter().map(|rate| if *rate > 5.0 / 900.0 { 3 } else { 1 }).collect();
        assert_eq!(flags, [1, 3, 3, 1, 1, 1, 1, 1, 3, 1, 1, 1, 1, 1, 1, 3, 1, 1, 1, 3, 1, 1, 1, 1]);
    }

    /// Flat line: a range below the tolerance over the longer window fails, over the shorter one is suspect.
    fn flat(values: &[f64], step_s: f64, suspect_s: f64, fail_s: f64, tolerance: f64) -> Vec<u8> {
        let time_s: Vec<f64> = (0..values.len()).map(|i| step_s * i as f64).collect();
        let fail = trailing_range(values, &time_s, fail_s);
        let suspect = trailing_range(values, &time_s, suspect_s);
        fail.iter()
            .zip(&suspect)
            .map(|(fail, suspect)| match () {
                () if *fail < tolerance => 4,
                () if *suspect < tolerance => 3,
                () => 1,
            })
            .collect()
    }

    #[test]
    fn trailing_range_matches_the_golden_vectors_of_the_flat_line_test() {
        let one = [1.0, 2.0, 2.0001, 2.0, 2.0001, 2.0, 2.0001, 2.0, 4.0, 5.0, 3.0, 3.0001, 3.0005, 3.00001];
        assert_eq!(flat(&one, 900.0, 3000.0, 4800.0, 0.01), [1, 1, 1, 1, 3, 3, 4, 4, 1, 1, 1, 1, 1, 3]);
        let two = [1.0, 1.0, 1.0, 1.0, 1.0, 6.0, 5.0, 4.0, 3.0, 2.0];
        assert_eq!(flat(&two, 1.0, 3.0, 6.0, 4.0), [1, 1, 1, 3, 3, 1, 1, 1, 3, 3]);
    }

    #[test]
    fn trailing_range_equals_the_naive_one() {
        let mut noise = crate::signal::reference::Noise::new(11);
        let values: Vec<f64> =
            (0..400).map(|i| if i % 37 == 0 { NULL } else { (noise.next() * 4.0).round() }).collect();
        let time_s: Vec<f64> = (0..400).map(|i| 0.1 * f64::from(i)).collect();
        for (at, found) in trailing_range(&values, &time_s, 0.7).iter().enumerate() {
            let near = (0..=at).filter(|i| time_s[at] - time_s[*i] <= 0.7 + 1e-9 && !values[*i].is_nan());
            let (low, high) =
                near.fold((f64::MAX, f64::MIN), |(l, h), i| (l.min(values[i]), h.max(values[i])));
            if values[at].is_nan() || time_s[at] + 1e-9 < 0.7 {
                assert!(found.is_nan());
            } else {
                assert_eq!(*found, high - low, "at {at}");
            }
        }
    }

    #[test]
    fn short_series_have_no_measure() {
        assert!(spike_average(&[]).is_empty() && rate(&[], &[]).is_empty());
        assert!(spike_differential(&[1.0, 2.0]).iter().all(|m| m.is_nan()));
        assert!(rate(&[1.0, 2.0], &[0.0, 0.0]).iter().all(|m| m.is_nan()));
    }
}
