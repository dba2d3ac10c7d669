//! Location and spread that a few wild values cannot move.

/// Standard deviation of a normal distribution per unit of median absolute deviation, 1/0.674 489 8.
pub const MAD_TO_SIGMA: f64 = 1.482_602;

/// Median of the values, which are reordered; mean of the middle two when their number is even.
///
/// * `values`: any unit, no NaN (NaN sorts last and is counted)
/// * returns null for an empty slice; O(n)
pub fn median_in_place(values: &mut [f64]) -> Option<f64> {
    let half = values.len() / 2;
    if values.is_empty() {
        return None;
    }
    let odd = values.len() % 2 == 1;
    let (below, upper, _) = values.select_nth_unstable_by(half, f64::total_cmp);
    let upper = *upper;
    if odd {
        return Some(upper);
    }
    let lower = below.iter().copied().max_by(f64::total_cmp)?;
    Some(f64::midpoint(lower, upper))
}

/// Median of the values that are numbers; NaN is skipped.
pub fn median(values: &[f64]) -> Option<f64> {
    median_in_place(&mut numbers(values))
}

/// The `share` quantile (0 to 1) of the values, which are reordered, by linear interpolation between order
/// statistics (the definition with position `share * (n - 1)`).
///
/// * returns null for an empty slice; O(n)
pub fn quantile_in_place(values: &mut [f64], share: f64) -> Option<f64> {
    let last = values.len().checked_sub(1)?;
    let position = share.clamp(0.0, 1.0) * last as f64;
    let index = (position.floor() as usize).min(last);
    let (_, lower, above) = values.select_nth_unstable_by(index, f64::total_cmp);
    let lower = *lower;
    let upper = above.iter().copied().min_by(f64::total_cmp).unwrap_or(lower);
    let rest = position - index as f64;
    Some(if rest > 0.0 { (upper - lower).mul_add(rest, lower) } else { lower })
}

/// Median absolute deviation about `centre`, unscaled; NaN is skipped.
pub fn mad(values: &[f64], centre: f64) -> Option<f64> {
    let mut deviations: Vec<f64> =
        values.iter().filter(|v| !v.is_nan()).map(|v| (v - centre).abs()).collect();
    median_in_place(&mut deviations)
}

/// Median and robust standard deviation `max(1.4826 MAD, floor)`; NaN is skipped.
///
/// * `floor`: at least 0; the channel's resolution, because the MAD of a quantised quiet channel is 0
pub fn centre_and_spread(values: &[f64], floor: f64) -> Option<(f64, f64)> {
    let mut values = numbers(values);
    let centre = median_in_place(&mut values)?;
    for value in &mut values {
        *value = (*value - centre).abs();
    }
    Some((centre, (median_in_place(&mut values)? * MAD_TO_SIGMA).max(floor)))
}

/// Robust standard deviation of sample noise from second differences, blind to levels and slopes.
///
/// * `values`: evenly spaced samples without NaN; for white noise the second difference has variance 6 sigma^2
/// * returns null for fewer than five samples; not floored
pub fn noise(values: &[f64]) -> Option<f64> {
    if values.len() < 5 {
        return None;
    }
    let mut bends: Vec<f64> = values.windows(3).map(|w| (w[0] - 2.0 * w[1] + w[2]).abs()).collect();
    median_in_place(&mut bends).map(|median| median * MAD_TO_SIGMA / 6.0_f64.sqrt()).filter(|n| n.is_finite())
}

fn numbers(values: &[f64]) -> Vec<f64> {
    values.iter().copied().filter(|value| !value.is_nan()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::reference::CHEM;

    #[test]
    fn median_and_mad_of_the_chem_data_match_the_printed_ones() {
        // Analytical Methods Committee (1989); Venables and Ripley section 5.5.
        let (centre, spread) = centre_and_spread(&CHEM, 0.0).expect("values");
        assert!((centre - 3.385).abs() < 1e-9);
        assert!((mad(&CHEM, centre).expect("values") - 0.355).abs() < 1e-9);
        assert!((spread - 0.526_32).abs() < 1e-4);
    }

    #[test]
    fn median_is_the_middle_or_the_mean_of_two() {
        assert_eq!(median(&[3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median(&[4.0, 1.0, f64::NAN, 2.0, 3.0]), Some(2.5));
        assert_eq!(median(&[f64::NAN]), None);
        assert_eq!(median(&[]), None);
    }

    #[test]
    fn quantiles_interpolate_between_order_statistics() {
        let at = |share| quantile_in_place(&mut [4.0, 1.0, 3.0, 2.0], share);
        assert_eq!((at(0.0), at(0.5), at(1.0)), (Some(1.0), Some(2.5), Some(4.0)));
        assert_eq!(quantile_in_place(&mut [], 0.5), None);
    }

    #[test]
    fn spread_never_falls_below_the_resolution() {
        assert_eq!(centre_and_spread(&[5.0; 10], 0.25), Some((5.0, 0.25)));
    }

    #[test]
    fn noise_is_blind_to_a_slope_and_sees_the_scatter() {
        let slope: Vec<f64> = (0..100).map(f64::from).collect();
        assert!(noise(&slope).expect("values") < 1e-12);
        let mut draw = crate::signal::reference::Noise::new(3);
        let rough: Vec<f64> = (0..20_000).map(|i| f64::from(i) + 0.5 * draw.next()).collect();
        assert!((noise(&rough).expect("values") - 0.5).abs() < 0.02);
        assert_eq!(noise(&[1.0, 2.0]), None);
    }
}
