//! The offset between two clocks that timed the same quantity.

/// An offset with its 95 % interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Offset {
    /// To be added to the second clock to get the first, s.
    pub shift_s: f64,
    /// Lower end.
    pub low_s: f64,
    /// Upper end.
    pub high_s: f64,
    /// Correlation of the two at the offset.
    pub correlation: f64,
    /// Time that both cover, s.
    pub overlap_s: f64,
}

/// Time series: seconds that never fall, and values; NaN where there is none.
#[derive(Clone, Copy, Debug)]
pub struct Series<'a> {
    /// s.
    pub time_s: &'a [f64],
    /// One per time.
    pub values: &'a [f64],
}

/// Points of the coarse grid over the longer series.
const GRID_POINTS: f64 = 4096.0;
/// Finest coarse step, s: below it a refinement is cheaper.
const GRID_LEAST_S: f64 = 0.1;
/// Time that both must cover, s, and as a share of the shorter. Assumed.
const OVERLAP: (f64, f64) = (20.0, 0.25);
/// Correlation without which the two do not show the same quantity. Assumed.
const LEAST_CORRELATION: f64 = 0.8;
/// A second place at which this much more is left unexplained is no rival. Assumed.
const RIVAL_RATIO: f64 = 1.5;
/// Share of the power that noise and rounding leave unexplained in any recording. Assumed.
const UNEXPLAINED: f64 = 0.01;
/// Readings used for the last refinement.
const MOST_READINGS: usize = 50_000;
/// Steps of the refinement.
const STEPS: usize = 20;

/// Finds the offset at which two recordings of one quantity lie over each other.
///
/// First by correlation on a coarse even grid over every offset at which they overlap, then by least squares with the
/// slope of the second series. The interval is the larger of what the residuals allow (their number reduced for the
/// correlation of neighbours) and what the two halves of the overlap disagree by, which is where clocks of different
/// speed show. A delay of either instrument counts as offset: the two cannot be told apart.
///
/// * returns null where they overlap too little, do not correlate, or fit nearly as well elsewhere
/// * O(n) plus a bounded search
pub fn offset(first: Series<'_>, second: Series<'_>) -> Option<Offset> {
    let (a, b) = (known(first), known(second));
    let coarse_s = coarse(&a, &b)?;
    let whole = refine(&a, &b, coarse_s, (f64::NEG_INFINITY, f64::INFINITY))?;
    let (start, end) = overlap(&a, &b, whole.shift_s)?;
    let middle = f64::midpoint(start, end);
    let halves = [(start, middle), (middle, end)].map(|span| refine(&a, &b, whole.shift_s, span));
    let apart = match halves {
        [Some(early), Some(late)] => 0.5 * (early.shift_s - late.shift_s).abs(),
        _ => 0.0,
    };
    // Not better than a tenth of the coarser sampling, however well the lines agree.
    let floor = 0.1 * period(&a.0).max(period(&b.0));
    let half = (1.96 * whole.deviation_s).max(apart).max(floor);
    (whole.correlation >= LEAST_CORRELATION).then_some(Offset {
        shift_s: whole.shift_s,
        low_s: whole.shift_s - half,
        high_s: whole.shift_s + half,
        correlation: whole.correlation,
        overlap_s: end - start,
    })
}

type Known = (Vec<f64>, Vec<f64>);

fn known(series: Series<'_>) -> Known {
    let pairs = series.time_s.iter().copied().zip(series.values.iter().copied());
    pairs.filter(|(time, value)| time.is_finite() && value.is_finite()).unzip()
}

fn period(time_s: &[f64]) -> f64 {
    match (time_s.first(), time_s.last()) {
        (Some(first), Some(last)) if time_s.len() > 1 => (last - first) / (time_s.len() - 1) as f64,
        _ => 0.0,
    }
}

/// Time that both cover at an offset, on the first clock.
fn overlap(a: &Known, b: &Known, shift_s: f64) -> Option<(f64, f64)> {
    let start = a.0.first()?.max(b.0.first()? + shift_s);
    let end = a.0.last()?.min(b.0.last()? + shift_s);
    (end > start).then_some((start, end))
}

/// Linear interpolation; null outside.
fn at(series: &Known, time_s: f64) -> Option<f64> {
    let after = series.0.partition_point(|time| *time < time_s);
    let (t1, v1) = (*series.0.get(after)?, *series.1.get(after)?);
    if t1 == time_s {
        return Some(v1);
    }
    let before = after.checked_sub(1)?;
    let (t0, v0) = (*series.0.get(before)?, *series.1.get(before)?);
    Some(v0 + (v1 - v0) * (time_s - t0) / (t1 - t0))
}

/// Means over the cells of an even grid, so that a fine series is not sampled at single noisy points.
fn on_grid(series: &Known, step_s: f64) -> Vec<f64> {
    let (Some(start), Some(end)) = (series.0.first(), series.0.last()) else { return Vec::new() };
    let cells = ((end - start) / step_s).floor() as usize + 1;
    let mut sums = vec![(0.0, 0_u32); cells];
    for (time, value) in series.0.iter().zip(&series.1) {
        if let Some(cell) = sums.get_mut(((time - start) / step_s) as usize) {
            cell.0 += value;
            cell.1 += 1;
        }
    }
    let middle = |cell: usize| start + (cell as f64 + 0.5) * step_s;
    sums.iter()
        .enumerate()
        .map(|(cell, (sum, count))| match count {
            0 => at(series, middle(cell)).unwrap_or(f64::NAN),
            count => sum / f64::from(*count),
        })
        .collect()
}

/// The coarse offset, s.
fn coarse(a: &Known, b: &Known) -> Option<f64> {
    let span = |series: &Known| Some(series.0.last()? - series.0.first()?);
    let (long, short) = (span(a)?.max(span(b)?), span(a)?.min(span(b)?));
    let step_s = (long / GRID_POINTS).max(GRID_LEAST_S);
    let (grid_a, grid_b) = (on_grid(a, step_s), on_grid(b, step_s));
    let least = (OVERLAP.0.max(OVERLAP.1 * short) / step_s).ceil() as isize;
    let (na, nb) = (grid_a.len().cast_signed(), grid_b.len().cast_signed());
    let mut found: Vec<(isize, f64)> = Vec::new();
    for shift in (least - nb)..=(na - least) {
        let (from, to) = (shift.max(0), na.min(nb + shift));
        if to - from < least {
            continue;
        }
        let pairs = grid_a.iter().skip(from as usize).zip(grid_b.iter().skip((from - shift) as usize));
        if let Some(r) = correlation(pairs.take((to - from) as usize)) {
            found.push((shift, r));
        }
    }
    let (best, top) = found.iter().copied().max_by(|x, y| x.1.total_cmp(&y.1))?;
    // The flank of the best peak is no rival: left and right to where the correlation has fallen to half.
    let falls = |pair: &&(isize, f64)| pair.1 < 0.5 * top;
    let left = found.iter().rev().filter(|pair| pair.0 < best).find(falls).map_or(isize::MIN, |pair| pair.0);
    let right = found.iter().filter(|pair| pair.0 > best).find(falls).map_or(isize::MAX, |pair| pair.0);
    let rival = found.iter().filter(|pair| pair.0 < left || pair.0 > right).map(|pair| pair.1);
    let rival = rival.fold(0.0, f64::max);
    let clear = 1.0 - rival * rival >= RIVAL_RATIO * (1.0 - top * top).max(UNEXPLAINED);
    (top >= LEAST_CORRELATION - 0.1 && clear)
        .then(|| a.0.first().zip(b.0.first()).map_or(0.0, |(a, b)| a - b) + best as f64 * step_s)
}

fn correlation<'a>(pairs: impl Iterator<Item = (&'a f64, &'a f64)>) -> Option<f64> {
    let (mut n, mut sa, mut sb, mut saa, mut sbb, mut sab) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    for (a, b) in pairs.filter(|(a, b)| a.is_finite() && b.is_finite()) {
        n += 1.0;
        sa += a;
        sb += b;
        saa += a * a;
        sbb += b * b;
        sab += a * b;
    }
    let (va, vb) = (saa - sa * sa / n, sbb - sb * sb / n);
    (n > 3.0 && va > 1e-9 * saa && vb > 1e-9 * sbb).then(|| (sab - sa * sb / n) / (va * vb).sqrt())
}

struct Refined {
    shift_s: f64,
    deviation_s: f64,
    correlation: f64,
}

/// Least squares of the first on the second, its slope and a constant, over a span of the first clock.
fn refine(a: &Known, b: &Known, start_s: f64, span: (f64, f64)) -> Option<Refined> {
    let inside = a.0.iter().filter(|time| (span.0..=span.1).contains(*time)).count();
    let stride = inside.div_ceil(MOST_READINGS).max(1);
    let readings: Vec<(f64, f64)> =
        a.0.iter()
            .copied()
            .zip(a.1.iter().copied())
            .filter(|(time, _)| (span.0..=span.1).contains(time))
            .step_by(stride)
            .collect();
    let reach_s = period(&b.0).max(period(&a.0));
    let mut shift_s = start_s;
    let mut last = None;
    for _ in 0..STEPS {
        let rows: Vec<[f64; 3]> = readings
            .iter()
            .filter_map(|(time, value)| {
                let moment = time - shift_s;
                let slope = (at(b, moment + reach_s)? - at(b, moment - reach_s)?) / (2.0 * reach_s);
                Some([*value, at(b, moment)?, -slope])
            })
            .collect();
        let step = solve(&rows)?;
        // Far steps leave what the slope can tell.
        shift_s += step.0.clamp(-2.0, 2.0);
        last = Some(step);
        if step.0.abs() < 1e-4 {
            break;
        }
    }
    let (_, deviation_s, correlation) = last?;
    ((shift_s - start_s).abs() < 10.0).then_some(Refined { shift_s, deviation_s, correlation })
}

/// Correction of the shift, its standard deviation, and the correlation, from rows of (first, second, slope).
fn solve(rows: &[[f64; 3]]) -> Option<(f64, f64, f64)> {
    let n = rows.len() as f64;
    if rows.len() < 20 {
        return None;
    }
    let mean = |of: usize| rows.iter().map(|row| row[of]).sum::<f64>() / n;
    let means = [mean(0), mean(1), mean(2)];
    let sum =
        |i: usize, j: usize| rows.iter().map(|row| (row[i] - means[i]) * (row[j] - means[j])).sum::<f64>();
    let (aa, ab, ad, bb, bd, dd) = (sum(0, 0), sum(0, 1), sum(0, 2), sum(1, 1), sum(1, 2), sum(2, 2));
    let determinant = bb * dd - bd * bd;
    if !(determinant > 1e-12 * bb * dd && aa > 0.0) {
        return None;
    }
    let gain = (ab * dd - ad * bd) / determinant;
    let move_by = (ad * bb - ab * bd) / determinant;
    if gain.is_nan() || gain <= 0.0 {
        return None;
    }
    let residual =
        |row: &[f64; 3]| row[0] - means[0] - gain * (row[1] - means[1]) - move_by * (row[2] - means[2]);
    let residuals: Vec<f64> = rows.iter().map(residual).collect();
    let power = residuals.iter().map(|r| r * r).sum::<f64>();
    let neighbours = residuals.windows(2).map(|pair| pair[0] * pair[1]).sum::<f64>();
    let rho = if power > 0.0 { (neighbours / power).clamp(0.0, 0.999) } else { 0.0 };
    let variance = power / (n - 3.0) * (1.0 + rho) / (1.0 - rho);
    let deviation_s = (variance * bb / determinant).sqrt() / gain;
    Some((move_by / gain, deviation_s, ab / (aa * bb).sqrt()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::reference::Noise;

    fn speed(time_s: f64) -> f64 {
        60.0 + 30.0 * (time_s / 11.0).sin() + 18.0 * (time_s / 4.7 + 1.0).sin() + 12.0 * (time_s / 29.0).cos()
    }

    fn recorded(start_s: f64, end_s: f64, hz: f64, ahead_s: f64, noise: f64) -> Known {
        let mut draw = Noise::new(3);
        let count = ((end_s - start_s) * hz) as usize;
        let times = (0..count).map(|i| start_s + i as f64 / hz);
        times.map(|time| (time - ahead_s, speed(time) + noise * draw.next())).unzip()
    }

    fn find(a: &Known, b: &Known) -> Option<Offset> {
        let series = |known: &'static Known| Series { time_s: &known.0, values: &known.1 };
        offset(series(Box::leak(Box::new(a.clone()))), series(Box::leak(Box::new(b.clone()))))
    }

    #[test]
    fn a_known_offset_is_found_within_its_interval() {
        for (ahead_s, noise) in [(0.0, 0.1), (37.42, 0.5), (-112.9, 1.0)] {
            let a = recorded(0.0, 400.0, 50.0, 0.0, 0.3);
            let b = recorded(60.0, 330.0, 10.0, ahead_s, noise);
            let found = find(&a, &b).expect("an offset");
            assert!((found.shift_s - ahead_s).abs() < 0.05, "{found:?}");
            assert!(found.low_s <= ahead_s && ahead_s <= found.high_s, "{found:?}");
            assert!(found.high_s - found.low_s < 0.2 && found.correlation > 0.98, "{found:?}");
            assert!((found.overlap_s - 270.0).abs() < 1.0, "{found:?}");
        }
    }

    #[test]
    fn clocks_of_different_speed_widen_the_interval() {
        let a = recorded(0.0, 400.0, 50.0, 0.0, 0.1);
        let mut b = recorded(0.0, 400.0, 10.0, 5.0, 0.1);
        b.0.iter_mut().for_each(|time| *time *= 1.001);
        let found = find(&a, &b).expect("an offset");
        assert!(found.high_s - found.low_s > 0.15, "{found:?}");
    }

    #[test]
    fn what_repeats_itself_or_is_another_quantity_gives_no_offset() {
        let wave = |hz: f64| -> Known {
            (0..(300.0 * hz) as usize).map(|i| i as f64 / hz).map(|t| (t, (t / 3.0).sin())).unzip()
        };
        assert_eq!(find(&wave(20.0), &wave(10.0)), None);
        let mut draw = Noise::new(9);
        let other: Known = (0..3000).map(|i| (f64::from(i) * 0.1, draw.next())).unzip();
        assert_eq!(find(&recorded(0.0, 300.0, 20.0, 0.0, 0.1), &other), None);
    }

    #[test]
    fn nothing_short_constant_or_unknown_gives_an_offset() {
        let a = recorded(0.0, 300.0, 20.0, 0.0, 0.1);
        let flat: Known = (0..3000).map(|i| (f64::from(i) * 0.1, 7.0)).unzip();
        let short = recorded(10.0, 15.0, 10.0, 0.0, 0.1);
        let empty: Known = (vec![0.0, 1.0], vec![f64::NAN; 2]);
        for b in [flat, short, empty, (Vec::new(), Vec::new())] {
            assert_eq!(find(&a, &b), None);
        }
    }
}
