//! Ends of a range of values, several at a time.

/// Values compared side by side: a chain of one comparison after the other waits for each of them.
const LANES: usize = 8;

/// Smallest and largest value, NaN skipped; infinity and minus infinity where there is none.
pub fn extent(values: &[f64]) -> (f64, f64) {
    let (mut low, mut high) = ([f64::INFINITY; LANES], [f64::NEG_INFINITY; LANES]);
    let (chunks, rest) = values.as_chunks::<LANES>();
    for chunk in chunks {
        for lane in 0..LANES {
            low[lane] = if chunk[lane] < low[lane] { chunk[lane] } else { low[lane] };
            high[lane] = if chunk[lane] > high[lane] { chunk[lane] } else { high[lane] };
        }
    }
    let all = |ends: [f64; LANES]| ends.into_iter().chain(rest.iter().copied());
    (all(low).fold(f64::INFINITY, f64::min), all(high).fold(f64::NEG_INFINITY, f64::max))
}

/// The same of the finite values alone.
pub fn finite_extent(values: &[f64]) -> (f64, f64) {
    let (low, high) = extent(values);
    if low.is_finite() && high.is_finite() {
        return (low, high);
    }
    let finite = || values.iter().copied().filter(|value| value.is_finite());
    (finite().fold(f64::INFINITY, f64::min), finite().fold(f64::NEG_INFINITY, f64::max))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ends_are_found_wherever_they_stand() {
        for length in 2..40_usize {
            for at in 0..length {
                let mut values = vec![1.0; length];
                (values[at], values[(at + 1) % length]) = (7.0, -3.0);
                assert_eq!(extent(&values), (-3.0, 7.0), "{at} of {length}");
            }
        }
    }

    #[test]
    fn what_is_no_number_is_skipped() {
        assert_eq!(extent(&[]), (f64::INFINITY, f64::NEG_INFINITY));
        let values = [f64::NAN, 2.0, f64::INFINITY, f64::NAN, 1.0].repeat(5);
        assert_eq!(extent(&values), (1.0, f64::INFINITY));
        assert_eq!(finite_extent(&values), (1.0, 2.0));
        assert_eq!(finite_extent(&[f64::NAN; 20]), (f64::INFINITY, f64::NEG_INFINITY));
    }
}
