//! End stops of a reading: an exact extreme, held again and again, entered and left at speed.

use super::extent::finite_extent;

/// An exact end stop.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rail {
    /// The value.
    pub value: f64,
    /// Separate visits.
    pub visits: usize,
    /// Longest visit, s.
    pub longest_s: f64,
}

/// What a rail must show.
#[derive(Clone, Copy, Debug)]
pub struct Shape {
    /// A visit counts when it lasts this long, s (a few fresh values).
    pub dwell_s: f64,
    /// Step of the reading; 0 when it is not known.
    pub step: f64,
}

/// The upper end stop.
///
/// The largest value is a rail when it is held exactly in at least two visits (or one of ten dwells), when at
/// least half of the visits were entered from three steps below or further, and when it is held more often
/// than the whole band of three steps below it: a signal that merely peaks thins out towards its maximum.
///
/// * `time_s`, `values`: one per row, NaN is skipped
/// * returns null for a constant or quiet channel; O(n)
pub fn upper(time_s: &[f64], values: &[f64], shape: Shape) -> Option<Rail> {
    end_stop(time_s, values, 1.0, shape)
}

/// The lower end stop: the upper one of the negated values.
pub fn lower(time_s: &[f64], values: &[f64], shape: Shape) -> Option<Rail> {
    end_stop(time_s, values, -1.0, shape).map(|rail| Rail { value: -rail.value, ..rail })
}

fn end_stop(time_s: &[f64], values: &[f64], sign: f64, shape: Shape) -> Option<Rail> {
    let (low, high) = finite_extent(values);
    let (min, max) = if sign < 0.0 { (-high, -low) } else { (low, high) };
    let range = max - min;
    let step = shape.step.max(range * 1e-4);
    if !range.is_finite() || range < 20.0 * step {
        return None;
    }
    let near = max - 1e-9 * max.abs().max(range);
    let band = max - 3.5 * step;
    let known = values.get(..time_s.len()).unwrap_or(values);
    let (mut at_rail, mut in_band) = (0_usize, 0_usize);
    for value in known.iter().map(|value| sign * value) {
        at_rail += usize::from(value >= near);
        in_band += usize::from(value >= band);
    }
    // Most channels merely peak: seen without a walk through their visits.
    if 2 * at_rail <= in_band {
        return None;
    }
    let mut walk = Walk::default();
    let mut previous: Option<f64> = None;
    for (&time, value) in time_s.iter().zip(known.iter().map(|value| sign * value)) {
        if value.is_nan() {
            continue;
        }
        if value >= near {
            walk.hold(time, previous.is_some_and(|before| before < band), previous.is_none());
        } else {
            walk.leave(shape.dwell_s);
        }
        previous = Some(value);
    }
    walk.leave(shape.dwell_s);
    let enough = walk.visits >= 2 || walk.longest_s >= 10.0 * shape.dwell_s;
    let rail = enough && walk.visits >= 1 && walk.fast * 2 >= walk.visits;
    rail.then_some(Rail { value: max, visits: walk.visits, longest_s: walk.longest_s })
}

#[derive(Default)]
struct Walk {
    start_s: Option<f64>,
    end_s: f64,
    entered_fast: bool,
    from_start: bool,
    visits: usize,
    fast: usize,
    longest_s: f64,
}

impl Walk {
    fn hold(&mut self, time: f64, entered_fast: bool, from_start: bool) {
        if self.start_s.is_none() {
            self.start_s = Some(time);
            self.entered_fast = entered_fast;
            self.from_start = from_start;
        }
        self.end_s = time;
    }

    /// Ends a visit; the one that the log begins with is the resting value of a device, not a rail.
    fn leave(&mut self, dwell_s: f64) {
        if let Some(start_s) = self.start_s.take() {
            let length_s = self.end_s - start_s;
            if length_s >= dwell_s && !self.from_start {
                self.visits += 1;
                self.fast += usize::from(self.entered_fast);
                self.longest_s = self.longest_s.max(length_s);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn time(rows: usize) -> Vec<f64> {
        (0..rows).map(|row| row as f64 * 0.02).collect()
    }

    const SHAPE: Shape = Shape { dwell_s: 0.1, step: 0.001 };

    #[test]
    fn a_clipped_reading_shows_its_rail() {
        let time_s = time(5000);
        let values: Vec<f64> = time_s
            .iter()
            .map(|t| (1.0 + 0.8 * (t * 0.7).sin().powi(5) + 0.004 * (t * 999.0).sin()).min(1.36))
            .map(|v| (v * 1000.0).round() / 1000.0)
            .collect();
        let rail = upper(&time_s, &values, SHAPE).expect("a rail");
        assert_eq!(rail.value, 1.36);
        assert!(rail.visits >= 2 && rail.longest_s > 0.2);
    }

    #[test]
    fn a_peak_a_constant_and_a_quiet_channel_are_no_rail() {
        let time_s = time(5000);
        let peaks: Vec<f64> =
            time_s.iter().map(|t| ((1.0 + 0.3 * (t * 0.7).sin()) * 1000.0).round() / 1000.0).collect();
        assert_eq!(upper(&time_s, &peaks, SHAPE), None);
        assert_eq!(upper(&time_s, &vec![3.0; 5000], SHAPE), None);
        let quiet: Vec<f64> = time_s.iter().map(|t| (90.0 + (t * 0.1).sin()).round()).collect();
        assert_eq!(upper(&time_s, &quiet, Shape { dwell_s: 0.1, step: 1.0 }), None);
        assert_eq!(upper(&[], &[], SHAPE), None);
        assert_eq!(upper(&time_s, &vec![f64::NAN; 5000], SHAPE), None);
    }

    #[test]
    fn the_resting_value_at_the_start_is_no_rail() {
        let time_s = time(5000);
        let values: Vec<f64> = time_s
            .iter()
            .map(
                |t| if *t < 20.0 { 1.36 } else { ((0.95 + 0.1 * (t * 0.7).sin()) * 1000.0).round() / 1000.0 },
            )
            .collect();
        assert_eq!(upper(&time_s, &values, SHAPE), None);
    }
}
