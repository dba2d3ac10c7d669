//! Location and spread that a few wild values cannot move.

use std::ops::RangeInclusive;

use super::extent::extent;

/// Standard deviation of a normal distribution per unit of median absolute deviation, 1/0.674 489 8.
pub const MAD_TO_SIGMA: f64 = 1.482_602;

/// Median of the values, which are reordered; mean of the middle two when their number is even.
///
/// * `values`: any unit, no NaN (NaN sorts last and is counted)
/// * returns null for an empty slice; O(n)
pub fn median_in_place(values: &mut [f64]) -> Option<f64> {
    let rank = values.len().checked_sub(1)? / 2;
    let middle = neighbours(values, rank);
    Some(between(values.len(), middle))
}

/// Median of the values that are numbers; NaN is skipped.
pub fn median(values: &[f64]) -> Option<f64> {
    let rank = values.len().checked_sub(1)? / 2;
    // Counting moves no value, so that many need no copy.
    let middle = match Middle::of(values, rank) {
        Middle::One(value) => (value, value),
        Middle::Bins(bins) => neighbours(&mut bins.inside(values), rank - bins.below),
        Middle::Unknown => return median_in_place(&mut numbers(values)),
    };
    Some(between(values.len(), middle))
}

/// Median from the value of the middle rank and the next one.
fn between(count: usize, (lower, upper): (f64, f64)) -> f64 {
    if count % 2 == 1 { lower } else { f64::midpoint(lower, upper) }
}

/// The `share` quantile (0 to 1) of the values, which are reordered, by linear interpolation between order
/// statistics (the definition with position `share * (n - 1)`).
///
/// * returns null for an empty slice; O(n)
pub fn quantile_in_place(values: &mut [f64], share: f64) -> Option<f64> {
    let last = values.len().checked_sub(1)?;
    let position = share.clamp(0.0, 1.0) * last as f64;
    let index = (position.floor() as usize).min(last);
    let (lower, upper) = neighbours(values, index);
    let rest = position - index as f64;
    Some(if rest > 0.0 { (upper - lower).mul_add(rest, lower) } else { lower })
}

/// The value of a rank (from 0) in ascending order; the values are reordered. Null where there is none.
pub fn ranked_in_place(values: &mut [f64], rank: usize) -> Option<f64> {
    (rank < values.len()).then(|| neighbours(values, rank).0)
}

/// The values of a rank (from 0, below the number of values) and of the next one, which is the same for the last.
fn neighbours(mut values: &mut [f64], mut rank: usize) -> (f64, f64) {
    for _ in 0..ROUNDS {
        match Middle::of(values, rank) {
            Middle::One(value) => return (value, value),
            // A short copy is quicker than to change so many places.
            Middle::Bins(bins) if bins.count <= values.len() / 4 => {
                return neighbours(&mut bins.inside(values), rank - bins.below);
            }
            Middle::Bins(bins) => {
                values = bins.brought_forward(values);
                rank -= bins.below;
            }
            Middle::Unknown => break,
        }
    }
    let (_, lower, above) = values.select_nth_unstable_by(rank, f64::total_cmp);
    let lower = *lower;
    (lower, above.iter().copied().min_by(f64::total_cmp).unwrap_or(lower))
}

/// Fewer values are quicker to select from than to count.
const COUNTED: usize = 2048;
/// Bins, and how often a bin is divided again: a quantised channel falls into few of them.
const BINS: usize = 2048;
const ROUNDS: usize = 3;

/// Where the value of a rank lies, found by counting the values in even bins; with that three times as fast as selecting
/// among all.
enum Middle {
    /// All values are this one.
    One(f64),
    Bins(Bins),
    /// It does not help, or a value is no finite number.
    Unknown,
}

/// The bins of the value of a rank and of the next one.
struct Bins {
    min: f64,
    scale: f64,
    wanted: RangeInclusive<usize>,
    /// Values in them.
    count: usize,
    /// Values in lower bins.
    below: usize,
}

impl Middle {
    fn of(values: &[f64], rank: usize) -> Self {
        if values.len() < COUNTED {
            return Self::Unknown;
        }
        let (min, max) = extent(values);
        let known = values.iter().map(|value| usize::from(value.is_nan())).sum::<usize>() == 0;
        // Zero has two signs, which have an order of their own.
        if known && min == max && min != 0.0 {
            return Self::One(min);
        }
        let scale = (BINS - 1) as f64 / (max - min);
        if !known || !(max - min).is_finite() || !scale.is_finite() {
            return Self::Unknown;
        }
        let bin = |value: f64| bin(value, min, scale);
        let (mut even, mut odd) = ([0_u32; BINS], [0_u32; BINS]);
        let (pairs, rest) = values.as_chunks::<2>();
        for pair in pairs {
            even[bin(pair[0])] += 1;
            odd[bin(pair[1])] += 1;
        }
        for value in rest {
            even[bin(*value)] += 1;
        }
        let counted = |bin: usize| (even[bin] + odd[bin]) as usize;
        let mut up_to = 0;
        let mut bins = (0..BINS).map(counted).enumerate();
        let reached = bins.find(|(_, count)| {
            up_to += count;
            up_to > rank
        });
        let Some((low, count)) = reached else { return Self::Unknown };
        let (mut high, mut more) = (low, 0);
        if rank + 1 == up_to
            && let Some((next, count)) = bins.find(|(_, count)| *count > 0)
        {
            (high, more) = (next, count);
        }
        Self::Bins(Bins { min, scale, wanted: low..=high, count: count + more, below: up_to - count })
    }
}

impl Bins {
    fn hold(&self, value: f64) -> bool {
        self.wanted.contains(&bin(value, self.min, self.scale))
    }

    /// The values in these bins.
    fn inside(&self, values: &[f64]) -> Vec<f64> {
        // Every value is written and the place moves on behind those that count: a branch would be mistaken at every other.
        let mut inside = vec![0.0; self.count + 1];
        let mut place = 0;
        for value in values {
            inside[place] = *value;
            place += usize::from(self.hold(*value));
        }
        inside.truncate(place);
        inside
    }

    /// The same, changed to the front of the values.
    fn brought_forward<'a>(&self, values: &'a mut [f64]) -> &'a mut [f64] {
        let mut place = 0;
        for at in 0..values.len() {
            values.swap(at, place);
            place += usize::from(self.hold(values[place]));
        }
        &mut values[..place]
    }
}

/// Rounding is monotonic: a larger value is never in a lower bin.
fn bin(value: f64, min: f64, scale: f64) -> usize {
    (((value - min) * scale) as i32 as usize).min(BINS - 1)
}

/// Median absolute deviation about `centre`, unscaled; NaN is skipped.
pub fn mad(values: &[f64], centre: f64) -> Option<f64> {
    let mut deviations = numbers(values);
    for value in &mut deviations {
        *value = (*value - centre).abs();
    }
    median_in_place(&mut deviations)
}

/// Median and robust standard deviation `max(1.4826 MAD, floor)`; NaN is skipped.
///
/// * `floor`: at least 0; the channel's resolution, because the MAD of a quantised quiet channel is 0
pub fn centre_and_spread(values: &[f64], floor: f64) -> Option<(f64, f64)> {
    centre_and_spread_in_place(&mut numbers(values), floor)
}

/// The same of values without NaN; the deviations take their place.
pub fn centre_and_spread_in_place(values: &mut [f64], floor: f64) -> Option<(f64, f64)> {
    let centre = median_in_place(values)?;
    for value in &mut *values {
        *value = (*value - centre).abs();
    }
    Some((centre, (median_in_place(values)? * MAD_TO_SIGMA).max(floor)))
}

/// Robust standard deviation of sample noise from second differences, blind to levels and slopes.
///
/// * `values`: evenly spaced samples without NaN; for white noise the second difference has variance 6 sigma^2
/// * returns null for fewer than five samples; not floored
pub fn noise(values: &[f64]) -> Option<f64> {
    noise_in_place(&mut values.to_vec())
}

/// The same; the differences take the place of the values.
pub fn noise_in_place(values: &mut [f64]) -> Option<f64> {
    if values.len() < 5 {
        return None;
    }
    let bends = values.len() - 2;
    for at in 0..bends {
        values[at] = (values[at] - 2.0 * values[at + 1] + values[at + 2]).abs();
    }
    let median = median_in_place(&mut values[..bends]);
    median.map(|median| median * MAD_TO_SIGMA / 6.0_f64.sqrt()).filter(|n| n.is_finite())
}

fn numbers(values: &[f64]) -> Vec<f64> {
    let mut numbers = Vec::with_capacity(values.len());
    numbers.extend(values.iter().filter(|value| !value.is_nan()));
    numbers
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
    fn counting_finds_what_sorting_finds() {
        let mut draw = crate::signal::reference::Noise::new(7);
        let mut noise = |n: usize| (0..n).map(|_| draw.next()).collect::<Vec<f64>>();
        let wide: Vec<f64> = noise(9000).iter().map(|v| (50.0 * v).exp()).collect();
        let steps: Vec<f64> = noise(9001).iter().map(|v| (3.0 * v).round() / 10.0).collect();
        let two: Vec<f64> = (0..8000).map(|k| if k % 2 == 0 { 0.0 } else { 1e9 }).collect();
        let zeros: Vec<f64> = (0..8001).map(|k| if k % 3 == 0 { -0.0 } else { 0.0 }).collect();
        let mut odd = noise(5000);
        odd[17] = f64::INFINITY;
        odd[18] = f64::NAN;
        for values in [noise(20_000), wide, steps, two, zeros, vec![3.5; 5000], odd] {
            let mut sorted = values.clone();
            sorted.sort_unstable_by(f64::total_cmp);
            let last = values.len() - 1;
            for rank in [0, 1, 40, last / 4, last / 2, last / 2 + 1, last - 40, last - 1, last] {
                let (lower, upper) = neighbours(&mut values.clone(), rank);
                let expected = (sorted[rank], sorted[(rank + 1).min(last)]);
                assert_eq!((lower.to_bits(), upper.to_bits()), (expected.0.to_bits(), expected.1.to_bits()));
            }
        }
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
