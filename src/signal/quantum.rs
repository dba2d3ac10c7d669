//! The step of a quantised reading: converter step or printed decimals.

/// How many values are looked at: enough to meet neighbouring levels of a 12-bit converter.
const SAMPLES: usize = 8192;
/// The golden section: its multiples, less whole ones, come near no fraction for long.
const GOLDEN: f64 = 0.618_033_988_749_895;
/// Relative size of rounding noise between two spellings of one level.
const ROUNDING: f64 = 1e-9;
/// Relative error of a single-precision value that was stored as a double.
const SINGLE: f64 = 2e-7;

/// The smallest repeated distance between neighbouring levels.
///
/// Levels are the distinct values (merged within rounding noise). A step is accepted when it repeats and 90 %
/// of the distances are whole multiples of it; a channel with unequal steps (a linearised converter) gives the
/// median distance between neighbouring levels.
///
/// * `values`: any unit, NaN is skipped
/// * returns null for a continuous, constant, or too short series; O(n) plus a sort of a bounded subsample
pub fn resolution(values: &[f64]) -> Option<f64> {
    let finite: usize = values.iter().map(|v| usize::from(v.is_finite())).sum();
    let span = finite.div_ceil(SAMPLES).max(1);
    let mut sample = if finite == values.len() {
        spread(values.iter().copied(), span)
    } else {
        spread(values.iter().copied().filter(|v| v.is_finite()), span)
    };
    let number = sample.len();
    if number < 8 {
        return None;
    }
    sample.sort_unstable_by(f64::total_cmp);
    let size = sample.first()?.abs().max(sample.last()?.abs());
    let levels = distinct(&sample, ROUNDING * size);
    let mut distances: Vec<f64> = levels.windows(2).map(|pair| pair[1].0 - pair[0].0).collect();
    distances.sort_unstable_by(f64::total_cmp);
    if levels.len() <= 3 {
        // Two or three levels: a step only when each is held often, else a constant channel with a glitch.
        let held = levels.iter().all(|(_, count)| *count * 20 >= number);
        return distances.first().copied().filter(|_| held);
    }
    let tolerance = SINGLE * size;
    if let Some(step) = repeated_step(&distances, tolerance) {
        return Some(step);
    }
    // Unequal steps: quantised when most values repeat an exact level.
    (levels.len() * 2 < number).then(|| distances[distances.len() / 2])
}

/// One value of every `span`.
///
/// The place within a span moves by the golden section from span to span, so that no pattern of the log keeps step with
/// it: every n-th value of a channel that repeats after n rows would be one level.
fn spread(mut values: impl Iterator<Item = f64>, span: usize) -> Vec<f64> {
    let mut place = 0.0;
    let mut sample = Vec::with_capacity(SAMPLES);
    loop {
        let before = (place * span as f64) as usize;
        let Some(value) = values.nth(before) else {
            return sample;
        };
        sample.push(value);
        if let Some(after) = (span - 1 - before).checked_sub(1) {
            values.nth(after);
        }
        place = (place + GOLDEN) % 1.0;
    }
}

/// Distinct values with their counts, ascending.
fn distinct(sorted: &[f64], merge: f64) -> Vec<(f64, usize)> {
    let mut levels: Vec<(f64, usize)> = Vec::new();
    for &value in sorted {
        match levels.last_mut() {
            Some((level, count)) if value - *level <= merge => *count += 1,
            _ => levels.push((value, 1)),
        }
    }
    levels
}

/// The smallest distance that repeats and of which nearly all distances are multiples.
fn repeated_step(sorted: &[f64], tolerance: f64) -> Option<f64> {
    let needed = (sorted.len() / 50).max(2);
    let mut start = 0;
    let mut tried = 0;
    while start < sorted.len() && tried < 32 {
        let smallest = sorted[start];
        let reach = smallest * 1.02 + tolerance;
        let end = start + sorted[start..].partition_point(|distance| *distance <= reach);
        if end - start >= needed && smallest > 4.0 * tolerance {
            tried += 1;
            let step = sorted[start + (end - start) / 2];
            if on_grid(sorted, step, tolerance) {
                return Some(step);
            }
        }
        start = end;
    }
    None
}

fn on_grid(distances: &[f64], step: f64, tolerance: f64) -> bool {
    let allowed = (0.1 * step).max(2.0 * tolerance);
    let close = distances
        .iter()
        .filter(|distance| {
            let multiple = (*distance / step).round();
            multiple >= 1.0 && (*distance - multiple * step).abs() <= allowed.min(0.25 * step)
        })
        .count();
    close * 10 >= distances.len() * 9
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A wandering signal without structure.
    fn wander(rows: usize) -> impl Iterator<Item = f64> {
        (0..rows).map(|row| {
            let t = row as f64;
            (t * 0.013).sin() + 0.4 * (t * 0.117).sin() + 0.05 * (t * 12.9898).sin()
        })
    }

    fn quantised(step: f64, scale: f64) -> Vec<f64> {
        wander(5000).map(|v| (v * scale / step).round() * step).collect()
    }

    #[test]
    fn converter_steps_are_found() {
        for (step, scale) in
            [(0.001, 0.5), (0.1, 5.0), (1.0, 60.0), (0.0039, 0.4), (0.25, 3000.0), (1e5 / 1023.0, 1e5)]
        {
            let found = resolution(&quantised(step, scale)).expect("a step");
            assert!((found / step - 1.0).abs() < 0.03, "{step}: {found}");
        }
    }

    #[test]
    fn rounding_noise_and_single_precision_do_not_hide_the_step() {
        let noisy: Vec<f64> =
            quantised(0.01, 1.0).iter().enumerate().map(|(i, v)| 14.7 + v + 1e-14 * (i % 7) as f64).collect();
        assert!((resolution(&noisy).expect("a step") - 0.01).abs() < 1e-4);
        let single: Vec<f64> = quantised(0.01, 1.0).iter().map(|v| f64::from((14.7 + v) as f32)).collect();
        assert!((resolution(&single).expect("a step") - 0.01).abs() < 1e-4);
    }

    #[test]
    fn continuous_constant_and_short_series_have_no_step() {
        let continuous: Vec<f64> = wander(3000).collect();
        assert_eq!(resolution(&continuous), None);
        assert_eq!(resolution(&[1.0; 100]), None);
        assert_eq!(resolution(&[1.0, 2.0, 3.0]), None);
        assert_eq!(resolution(&[f64::NAN; 50]), None);
        assert_eq!(resolution(&[]), None);
    }

    #[test]
    fn a_pattern_as_long_as_the_thinning_keeps_its_levels() {
        // 81,920 values are thinned to one in ten; every tenth is zero, those between step by 0.25.
        let values: Vec<f64> = (0..81_920).map(|row| f64::from(row % 10) * 0.25).collect();
        assert!((resolution(&values).expect("a step") - 0.25).abs() < 1e-9);
    }

    #[test]
    fn one_glitch_in_a_constant_channel_is_no_step() {
        let mut values = vec![90.0; 1000];
        values[500] = 255.0;
        assert_eq!(resolution(&values), None);
    }
}
