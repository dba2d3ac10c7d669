//! Which samples of a held channel are new readings.

use std::ops::Range;

/// Rows that carry a reading of their own, where a logger repeats the last value of a slower instrument.
///
/// Without a frame period every value is fresh. With one, a value is fresh when it differs from the last fresh
/// one, or when it has stood for one and a half frames: by then the instrument must have sent it again. After a
/// gap the old value may be repeated until the instrument's turn comes, so standing time starts anew there.
///
/// * `values`, `time_s`: one per row; null (NaN) is never fresh
/// * `segments`: stretches without a gap, ascending
/// * `frame_s`: time between two readings of the instrument, where it is longer than the time between rows
/// * O(n)
pub fn rows(values: &[f64], time_s: &[f64], segments: &[Range<usize>], frame_s: Option<f64>) -> Vec<usize> {
    let readings = values.iter().copied().enumerate().filter(|(_, value)| !value.is_nan());
    among(readings, time_s, segments, frame_s).map(|(row, _)| row).collect()
}

/// The same of rows that hold a value, ascending, with the values.
pub fn among<'a>(
    readings: impl Iterator<Item = (usize, f64)> + 'a,
    time_s: &'a [f64],
    segments: &'a [Range<usize>],
    frame_s: Option<f64>,
) -> impl Iterator<Item = (usize, f64)> + 'a {
    let mut left = segments.iter();
    let mut segment = 0..0;
    let (mut since_s, mut last) = (0.0, None);
    readings.filter(move |(row, value)| {
        let Some(now_s) = time_s.get(*row) else { return false };
        let Some(frame_s) = frame_s else { return true };
        while *row >= segment.end {
            let Some(next) = left.next() else { return false };
            segment = next.clone();
            since_s = time_s.get(segment.start).copied().unwrap_or_default();
        }
        let fresh = last != Some(*value) || now_s - since_s >= 1.5 * frame_s;
        if fresh {
            (since_s, last) = (*now_s, Some(*value));
        }
        fresh
    })
}

/// log10 of the probability that `count` successive readings of a steady quantity print the same value, for
/// independent normal noise of `sigma_steps` (standard deviation over the printed step), averaged over where the
/// true value lies between two steps.
///
/// * never below -300; 0 for one reading or none, or for noise that is not a positive number
pub fn log10_equal(count: usize, sigma_steps: f64) -> f64 {
    use statrs::distribution::{ContinuousCDF, Normal};
    const OFFSETS: i32 = 64;
    if count < 2 || !(sigma_steps > 0.0 && sigma_steps.is_finite()) {
        return 0.0;
    }
    let Ok(noise) = Normal::new(0.0, sigma_steps) else { return 0.0 };
    // Beyond four standard deviations a step adds nothing to the sum of powers.
    let reach = (4.0 * sigma_steps).ceil().min(200.0) as i32 + 1;
    let power = count as f64;
    let mean = (0..OFFSETS)
        .map(|offset| {
            let place = (f64::from(offset) + 0.5) / f64::from(OFFSETS) - 0.5;
            (-reach..=reach)
                .map(|step| {
                    let middle = f64::from(step) - place;
                    (noise.cdf(middle + 0.5) - noise.cdf(middle - 0.5)).powf(power)
                })
                .sum::<f64>()
        })
        .sum::<f64>()
        / f64::from(OFFSETS);
    mean.clamp(1e-300, 1.0).log10()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::reference::Noise;

    #[test]
    fn every_value_is_fresh_where_nothing_is_held() {
        let values = [1.0, 1.0, f64::NAN, 1.0];
        assert_eq!(rows(&values, &[0.0, 0.1, 0.2, 0.3], std::slice::from_ref(&(0..4)), None), [0, 1, 3]);
    }

    #[test]
    fn repeats_within_a_frame_are_not_fresh_and_a_standing_value_is_after_a_frame_and_a_half() {
        let values = [1.0, 1.0, 1.0, 2.0, 2.0, 2.0, 2.0, 2.0, 3.0];
        let time_s: Vec<f64> = (0..9).map(|i| 0.1 * f64::from(i)).collect();
        assert_eq!(rows(&values, &time_s, std::slice::from_ref(&(0..9)), Some(0.3)), [0, 3, 8]);
        assert_eq!(rows(&[1.0; 9], &time_s, std::slice::from_ref(&(0..9)), Some(0.2)), [0, 3, 6]);
    }

    #[test]
    fn value_repeated_after_a_gap_is_not_taken_for_a_new_one() {
        let time_s = [0.0, 0.1, 0.2, 60.0, 60.1, 60.2];
        let values = [5.0, 5.0, 5.0, 5.0, 5.0, 9.0];
        assert_eq!(rows(&values, &time_s, &[0..3, 3..6], Some(1.0)), [0, 5]);
    }

    #[test]
    fn chance_of_ten_equal_readings_matches_the_computed_table() {
        // Computed table of the lean-event physics note: noise over step, probability of ten equal readings.
        for (sigma, wanted, tolerance) in
            [(0.2, 0.4, 0.06), (0.3, 0.14, 0.02), (0.5, 0.01, 0.004), (1.0, 6e-5, 2e-5), (2.0, 1e-7, 5e-8)]
        {
            let found = 10_f64.powf(log10_equal(10, sigma));
            assert!((found - wanted).abs() < tolerance, "{sigma}: {found}");
        }
    }

    #[test]
    fn chance_matches_a_draw() {
        let (mut noise, mut equal, draws) = (Noise::new(5), 0, 20_000);
        for draw in 0..draws {
            let place = (f64::from(draw) + 0.5) / f64::from(draws);
            let mut read = || (place + 0.3 * noise.next()).round();
            let first = read();
            equal += i32::from((1..5).all(|_| read() == first));
        }
        let wanted = 10_f64.powf(log10_equal(5, 0.3));
        assert!((f64::from(equal) / f64::from(draws) - wanted).abs() < 0.015, "{wanted}");
    }

    #[test]
    fn chance_is_certain_without_noise_or_readings() {
        assert_eq!((log10_equal(1, 1.0), log10_equal(50, 0.0), log10_equal(50, f64::NAN)), (0.0, 0.0, 0.0));
        assert!(log10_equal(1_000_000, 5.0) >= -300.0);
    }
}
