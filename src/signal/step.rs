//! Steps of level: where a quantity settles at a new value within a short time, and by how much.

use std::cell::LazyCell;
use std::ops::Range;

use super::search;

/// One step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LevelStep {
    /// Sample at which the new level begins.
    pub index: usize,
    /// Its time, s.
    pub time_s: f64,
    /// New level minus old.
    pub height: f64,
}

/// How steps are looked for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shape {
    /// Length of the level before and after that is averaged, s.
    pub window_s: f64,
    /// Time the step itself may take, s.
    pub rise_s: f64,
    /// Smallest height.
    pub least: f64,
}

/// Means over spans of time, by running sums.
#[derive(Clone, Debug)]
pub struct Levels<'a> {
    time_s: &'a [f64],
    sums: Vec<f64>,
}

impl<'a> Levels<'a> {
    /// * `time_s`: ascending; `value`: finite, as long
    pub fn new(time_s: &'a [f64], value: &[f64]) -> Self {
        let n = time_s.len().min(value.len());
        // Sums about the first value keep digits.
        let origin = value.first().copied().unwrap_or(0.0);
        let mut sums = Vec::with_capacity(n + 1);
        let mut sum = 0.0;
        sums.push(sum);
        for v in &value[..n] {
            sum += v - origin;
            sums.push(sum);
        }
        Self { time_s: &time_s[..n], sums }
    }

    /// Mean of the samples from `start_s` (inclusive) to `end_s` (exclusive), less the first value of all, and
    /// their number; null where there is none.
    pub fn mean(&self, start_s: f64, end_s: f64) -> Option<(f64, usize)> {
        self.over(search::below(self.time_s, start_s)..search::below(self.time_s, end_s))
    }

    /// The same of samples by their indices.
    fn over(&self, samples: Range<usize>) -> Option<(f64, usize)> {
        let count = samples.end.checked_sub(samples.start).filter(|count| *count > 0)?;
        Some(((self.sums[samples.end] - self.sums[samples.start]) / count as f64, count))
    }

    /// Mean after minus mean before, with the smaller number of samples.
    pub fn change(&self, before: (f64, f64), after: (f64, f64)) -> Option<(f64, usize)> {
        difference(self.mean(before.0, before.1)?, self.mean(after.0, after.1)?)
    }
}

fn difference((old, m): (f64, usize), (new, n): (f64, usize)) -> Option<(f64, usize)> {
    let change = new - old;
    change.is_finite().then_some((change, m.min(n)))
}

/// Steps of at least `shape.least` that happen within `shape.rise_s`, one for each, ascending.
///
/// A step counts where the means over `window_s` before and after differ enough and at least 70 % of the
/// difference happens within the rise time, so a ramp is none. Among overlapping candidates the highest is kept.
///
/// * `time_s`, `value`: samples of one stretch without a gap, finite
pub fn level_steps(time_s: &[f64], value: &[f64], shape: &Shape) -> Vec<LevelStep> {
    let n = time_s.len().min(value.len());
    // Needed by hardly any log.
    let levels = LazyCell::new(|| Levels::new(time_s, value));
    // Each question is asked a little later than the one before: its answer lies near by.
    let mut places = [0; 4];
    let mut place = |which: usize, wanted_s: f64| {
        places[which] = search::below_near(&time_s[..n], places[which], wanted_s);
        places[which]
    };
    let mut early = 0;
    let mut steps: Vec<LevelStep> = Vec::new();
    for k in 1..n {
        let at = time_s[k];
        // Cheap refusal first: the value itself must have moved within the rise time.
        while early + 1 < k && time_s[early] < at - shape.rise_s {
            early += 1;
        }
        let moved = value[k] - value[early];
        if moved.abs() < 0.5 * shape.least {
            continue;
        }
        let (Some(first), Some(last)) = (time_s.first(), time_s.get(n - 1)) else { break };
        if at - shape.rise_s - 0.5 * shape.window_s < *first || at + 0.5 * shape.window_s > *last {
            continue;
        }
        let before = place(0, at - shape.rise_s - shape.window_s)..place(1, at - shape.rise_s + 1e-9);
        let after = place(2, at)..place(3, at + shape.window_s);
        let change = levels.over(before).zip(levels.over(after));
        let Some((height, count)) = change.and_then(|(old, new)| difference(old, new)) else { continue };
        if height.abs() < shape.least || count < 2 || moved / height < 0.7 {
            continue;
        }
        let step = LevelStep { index: k, time_s: at, height };
        match steps.last_mut() {
            Some(last) if at - last.time_s < shape.window_s && height * last.height > 0.0 => {
                if height.abs() > last.height.abs() {
                    *last = step;
                }
            }
            _ => steps.push(step),
        }
    }
    steps
}

#[cfg(test)]
mod tests {
    use super::*;

    const SHAPE: Shape = Shape { window_s: 0.5, rise_s: 0.1, least: 0.2 };

    fn axis(n: usize) -> Vec<f64> {
        (0..n).map(|k| k as f64 * 0.02).collect()
    }

    #[test]
    fn step_is_found_once_with_its_height() {
        let time_s = axis(500);
        let value: Vec<f64> = time_s.iter().map(|t| if *t < 5.0 { 14.0 } else { 13.5 }).collect();
        let steps = level_steps(&time_s, &value, &SHAPE);
        assert_eq!(steps.len(), 1, "{steps:?}");
        assert!((steps[0].height + 0.5).abs() < 1e-9 && (steps[0].time_s - 5.0).abs() <= 0.1, "{steps:?}");
    }

    #[test]
    fn ramp_and_spike_are_no_steps() {
        let time_s = axis(500);
        let ramp: Vec<f64> = time_s.iter().map(|t| 14.0 - 0.2 * t).collect();
        assert!(level_steps(&time_s, &ramp, &SHAPE).is_empty());
        let mut spike = vec![14.0; 500];
        spike[250] = 10.0;
        assert!(level_steps(&time_s, &spike, &SHAPE).is_empty());
    }

    #[test]
    fn nothing_to_see_is_no_panic() {
        assert!(level_steps(&[], &[], &SHAPE).is_empty());
        assert!(level_steps(&[0.0], &[1.0], &SHAPE).is_empty());
        assert!(level_steps(&[0.0; 50], &[f64::MAX; 50], &SHAPE).is_empty());
        assert!(Levels::new(&[0.0, 1.0], &[1.0, 2.0]).mean(5.0, 6.0).is_none());
    }
}
