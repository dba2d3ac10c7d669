//! How late one channel shows what another shows.

/// A delay with its 95 % interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lag {
    /// Delay of the channel behind the witness, s; negative when it leads.
    pub lag_s: f64,
    /// Lower end.
    pub low_s: f64,
    /// Upper end.
    pub high_s: f64,
    /// Blocks of the log that were used.
    pub blocks: usize,
}

/// Stretches the log is cut into: their scatter is the uncertainty.
const BLOCKS: usize = 12;
/// Points looked at.
const MOST_POINTS: usize = 24_000;
/// Correlation of the changes below which a block is not used. Assumed.
const LEAST_CORRELATION: f64 = 0.5;

/// The delay at which the changes of a channel best match those of a witness.
///
/// Both are read on an even grid (last value held); the cross-correlation of their first differences is
/// searched within `reach_s`, block by block; blocks without a clear peak inside the reach are left out.
///
/// * `time_s`, `channel`, `witness`: one per row, NaN holds the last value
/// * `period_s`: grid step, the larger fresh period of the two
/// * returns null with fewer than three usable blocks, or when they disagree by more than two periods;
///   O(n) plus a bounded search
pub fn lag(time_s: &[f64], channel: &[f64], witness: &[f64], period_s: f64, reach_s: f64) -> Option<Lag> {
    if !(period_s > 0.0 && reach_s > 2.0 * period_s) {
        return None;
    }
    let reach = ((reach_s / period_s).ceil() as usize).min(200);
    let points = grid(time_s, channel, witness, period_s);
    let length = points.len() / BLOCKS;
    if length < 4 * reach {
        return None;
    }
    let mut lags: Vec<f64> = points
        .chunks_exact(length)
        .filter_map(|block| peak(block, reach))
        .map(|lag| lag * period_s)
        .collect();
    if lags.len() < 3 {
        return None;
    }
    lags.sort_unstable_by(f64::total_cmp);
    let median = lags[lags.len() / 2];
    let number = lags.len() as f64;
    let spread = 1.4826 * {
        let mut off: Vec<f64> = lags.iter().map(|lag| (lag - median).abs()).collect();
        off.sort_unstable_by(f64::total_cmp);
        off[off.len() / 2]
    };
    if spread > 2.0 * period_s {
        return None;
    }
    // Not better than a tenth of the grid, however well the blocks agree.
    let half = (1.96 * 1.2533 * spread / number.sqrt()).max(0.1 * period_s);
    Some(Lag { lag_s: median, low_s: median - half, high_s: median + half, blocks: lags.len() })
}

/// First differences of both on an even grid, gaps left out.
fn grid(time_s: &[f64], channel: &[f64], witness: &[f64], period_s: f64) -> Vec<(f64, f64)> {
    let mut points = Vec::new();
    let Some(&start) = time_s.first() else { return points };
    let mut next = start;
    let mut held: (f64, f64) = (f64::NAN, f64::NAN);
    let mut last: Option<(f64, f64)> = None;
    for ((&time, &a), &b) in time_s.iter().zip(channel).zip(witness) {
        if !a.is_nan() {
            held.0 = a;
        }
        if !b.is_nan() {
            held.1 = b;
        }
        if time < next || held.0.is_nan() || held.1.is_nan() {
            continue;
        }
        if time - next > 5.0 * period_s {
            last = None;
            next = time;
        }
        if let Some(before) = last {
            points.push((held.0 - before.0, held.1 - before.1));
            if points.len() >= MOST_POINTS {
                break;
            }
        }
        last = Some(held);
        next += period_s;
    }
    points
}

/// Shift of the best match in grid steps, by a parabola over the peak; null without a clear peak.
fn peak(block: &[(f64, f64)], reach: usize) -> Option<f64> {
    let energy = |pick: fn(&(f64, f64)) -> f64| block.iter().map(|p| pick(p).powi(2)).sum::<f64>();
    let norm = (energy(|p| p.0) * energy(|p| p.1)).sqrt();
    if norm.is_nan() || norm <= 0.0 {
        return None;
    }
    let at = |shift: isize| -> f64 {
        let (from, to) = if shift >= 0 { (shift as usize, 0) } else { (0, shift.unsigned_abs()) };
        let number = block.len().saturating_sub(from.max(to));
        let a = &block[from..from + number];
        let b = &block[to..to + number];
        a.iter().zip(b).map(|(a, b)| a.0 * b.1).sum::<f64>() / norm
    };
    let reach = reach.cast_signed();
    let all: Vec<f64> = (-reach..=reach).map(at).collect();
    let best = (0..all.len()).max_by(|a, b| all[*a].total_cmp(&all[*b]))?;
    if all[best] < LEAST_CORRELATION || best == 0 || best + 1 == all.len() {
        return None;
    }
    let (left, centre, right) = (all[best - 1], all[best], all[best + 1]);
    let bend = left - 2.0 * centre + right;
    let shift = if bend < 0.0 { 0.5 * (left - right) / bend } else { 0.0 };
    Some(best as f64 - reach as f64 + shift)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn witness(t: f64) -> f64 {
        // Steps at uneven times.
        (t * 0.9).sin().signum() * 2.0 + (t * 0.37).sin().signum() + (t * 2.3).sin()
    }

    #[test]
    fn a_known_delay_is_found() {
        let time_s: Vec<f64> = (0..12_000).map(|row| f64::from(row) * 0.02).collect();
        let a: Vec<f64> = time_s.iter().map(|t| 3.0 * witness(t - 0.24) + 1.0).collect();
        let b: Vec<f64> = time_s.iter().map(|t| witness(*t)).collect();
        let found = lag(&time_s, &a, &b, 0.02, 1.0).expect("a delay");
        assert!((found.lag_s - 0.24).abs() < 0.011, "{found:?}");
        assert!(found.low_s <= found.lag_s && found.lag_s <= found.high_s);
    }

    #[test]
    fn unrelated_or_constant_channels_have_no_delay() {
        let time_s: Vec<f64> = (0..12_000).map(|row| f64::from(row) * 0.02).collect();
        let a: Vec<f64> = time_s.iter().map(|t| (t * 12_345.6).sin()).collect();
        let b: Vec<f64> = time_s.iter().map(|t| witness(*t)).collect();
        assert_eq!(lag(&time_s, &a, &b, 0.02, 1.0), None);
        assert_eq!(lag(&time_s, &vec![1.0; 12_000], &b, 0.02, 1.0), None);
        assert_eq!(lag(&[], &[], &[], 0.02, 1.0), None);
        assert_eq!(lag(&time_s, &a, &b, 0.0, 1.0), None);
    }
}
