//! Places in ascending numbers, found from a guess: clocks tick evenly, and questions come in order.

/// Fewer are found as quickly by halving.
const FEW: usize = 64;

/// How many of the numbers are below `wanted`: `partition_point`, guessed from an even spacing.
///
/// * `sorted`: ascending, no NaN
/// * O(1) on even numbers, O(log n) on others
pub fn below(sorted: &[f64], wanted: f64) -> usize {
    from(sorted, guess(sorted, wanted), |number| number < wanted)
}

/// How many of the numbers are at or below `wanted`.
pub fn up_to(sorted: &[f64], wanted: f64) -> usize {
    from(sorted, guess(sorted, wanted), |number| number <= wanted)
}

/// How many of the numbers are below `wanted`, looked for on both sides of `near`.
pub fn below_near(sorted: &[f64], near: usize, wanted: f64) -> usize {
    from(sorted, near, |number| number < wanted)
}

fn guess(sorted: &[f64], wanted: f64) -> usize {
    match sorted {
        [first, .., last] if sorted.len() > FEW => {
            // Not a number and anything below the first give 0.
            ((wanted - first) / (last - first) * (sorted.len() - 1) as f64) as usize
        }
        _ => 0,
    }
}

/// `partition_point` by steps that double away from a guess.
fn from(sorted: &[f64], guess: usize, holds: impl Fn(f64) -> bool) -> usize {
    let n = sorted.len();
    if n <= FEW {
        return sorted.partition_point(|number| holds(*number));
    }
    let guess = guess.min(n - 1);
    // An even clock is guessed to a row.
    let mut step = 1;
    // It holds everywhere below the first and nowhere from the second on.
    let (low, high) = if holds(sorted[guess]) {
        let mut low = guess + 1;
        loop {
            let high = (guess + step).min(n);
            if high == n || !holds(sorted[high]) {
                break (low, high);
            }
            (low, step) = (high + 1, 2 * step);
        }
    } else {
        let mut high = guess;
        loop {
            let low = guess.saturating_sub(step);
            if low == 0 || holds(sorted[low]) {
                break (low, high);
            }
            (high, step) = (low, 2 * step);
        }
    };
    low + sorted[low..high].partition_point(|number| holds(*number))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn guesses_find_what_halving_finds() {
        let even: Vec<f64> = (0..1000).map(|k| f64::from(k) * 0.02).collect();
        let uneven: Vec<f64> = (0..1000).map(|k| f64::from(k / 3).powi(3)).collect();
        let gap: Vec<f64> = (0..1000).map(|k| f64::from(k) + if k > 10 { 1e6 } else { 0.0 }).collect();
        let still = vec![5.0; 300];
        let wild = [f64::NEG_INFINITY, 1.0, 2.0, f64::INFINITY].map(|v| [v; 40]).concat();
        for sorted in [even, uneven, gap, still, wild, vec![1.0], Vec::new()] {
            let beside = sorted.iter().flat_map(|v| [*v, v + 0.003, v - 0.5]);
            for wanted in beside.chain([f64::NEG_INFINITY, f64::INFINITY, f64::NAN, -1.0, 1e300]) {
                assert_eq!(below(&sorted, wanted), sorted.partition_point(|v| *v < wanted), "{wanted}");
                assert_eq!(up_to(&sorted, wanted), sorted.partition_point(|v| *v <= wanted), "{wanted}");
                for near in [0, 7, 500, usize::MAX] {
                    let found = below_near(&sorted, near, wanted);
                    assert_eq!(found, sorted.partition_point(|v| *v < wanted), "{wanted} from {near}");
                }
            }
        }
    }
}
