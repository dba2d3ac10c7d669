//! What a first-order lag allows: how far an output may move in a time, and marks that no lag explains.

use std::ops::Range;

/// Input that a first-order lag would have needed to move its output from one value to the next.
///
/// `(to - a * from) / (1 - a)` with `a = exp(-interval / tau)`: exact for an input that is constant over the
/// interval, and the mildest input otherwise.
///
/// * `from`, `to`: output, in the quantity in which the lag is first order (phi = 1/lambda for a mixture sensor)
/// * `interval_s`, `tau_s`: above 0
pub fn required_input(from: f64, to: f64, interval_s: f64, tau_s: f64) -> f64 {
    let a = (-interval_s / tau_s).exp();
    // 1 - a without cancellation for short intervals.
    let share = -(-interval_s / tau_s).exp_m1();
    (to - a * from) / share
}

/// How much noise of the output is amplified in [`required_input`].
pub fn noise_gain(interval_s: f64, tau_s: f64) -> f64 {
    let a = (-interval_s / tau_s).exp();
    (1.0 + a * a).sqrt() / -(-interval_s / tau_s).exp_m1()
}

/// Bounds on what the input can be, and on what the lag can be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bounds {
    /// Least possible input.
    pub low: f64,
    /// Greatest possible input.
    pub high: f64,
    /// Shortest credible time constant for a falling output, s.
    pub tau_falling_s: f64,
    /// Shortest credible time constant for a rising output, s.
    pub tau_rising_s: f64,
    /// Standard deviation of the output's noise.
    pub noise: f64,
    /// How many standard deviations of amplified noise a bound must be passed by.
    pub sigmas: f64,
    /// Least credible time between two samples, s: time stamps may be closer than the samples were.
    pub interval_s: f64,
}

impl Bounds {
    /// The input that a move needs where no allowed input could have made it.
    ///
    /// * `interval_s`: time between the two samples
    pub fn impossible(&self, from: f64, to: f64, interval_s: f64) -> Option<f64> {
        let interval_s = interval_s.max(self.interval_s);
        if !(interval_s > 0.0 && interval_s.is_finite()) {
            return None;
        }
        let tau_s = if to < from { self.tau_falling_s } else { self.tau_rising_s };
        let needed = required_input(from, to, interval_s, tau_s);
        let slack = self.sigmas * self.noise * noise_gain(interval_s, tau_s);
        let beyond = if to < from { needed < self.low - slack } else { needed > self.high + slack };
        (beyond && needed.is_finite()).then_some(needed)
    }
}

/// A pulse that enters and leaves faster than the lag allows, or a jump that does so once.
#[derive(Clone, Debug, PartialEq)]
pub struct Pulse {
    /// Samples from the one that jumped to the last before the jump back; one sample for a lone jump.
    pub samples: Range<usize>,
    /// Input needed on the way out of the line.
    pub needed_out: f64,
    /// Input needed on the way back; null for a lone jump.
    pub needed_back: Option<f64>,
}

/// Pulses that start with an impossible fall and end, within `longest_s`, with an impossible rise.
///
/// A sample that repeats the one before may be the old value held by a link: the interval of the move after it
/// counts from when the value first came. Where repeats are the channel's habit (`repeats_are_common`) that
/// would blind the test before every quiet stretch, so there the interval of the entry counts two periods; the
/// way back always counts from the first appearance.
///
/// * `time_s`: of fresh samples, ascending
/// * `value`: of the same by their number, finite
/// * returns them ascending, one after the other: there may be as many as samples
pub fn impossible_pulses(
    time_s: &[f64],
    value: impl Fn(usize) -> f64,
    bounds: &Bounds,
    longest_s: f64,
    repeats_are_common: bool,
) -> impl Iterator<Item = Pulse> {
    let mut first = 0;
    let mut next = 1;
    std::iter::from_fn(move || {
        while next < time_s.len() {
            let k = next;
            next += 1;
            let (before, here) = (value(k - 1), value(k));
            if here == before {
                continue;
            }
            let held = k - first > 1;
            let step_s = time_s[k] - time_s[k - 1];
            let since_s = match (held, repeats_are_common) {
                (false, _) => step_s,
                (true, true) => step_s + bounds.interval_s.max(step_s),
                (true, false) => time_s[k] - time_s[first],
            };
            first = k;
            let needed = (here < before).then(|| bounds.impossible(before, here, since_s)).flatten();
            let Some(needed_out) = needed else { continue };
            if let Some((end, needed_back)) = way_back(time_s, &value, k, bounds, longest_s) {
                (first, next) = (end, end + 1);
                return Some(Pulse { samples: k..end, needed_out, needed_back: Some(needed_back) });
            }
            // After a held value a lone jump may be the landing of a link that came back: no proof.
            if !held {
                return Some(Pulse { samples: k..k + 1, needed_out, needed_back: None });
            }
        }
        None
    })
}

fn way_back(
    time_s: &[f64],
    value: impl Fn(usize) -> f64,
    start: usize,
    bounds: &Bounds,
    longest_s: f64,
) -> Option<(usize, f64)> {
    let mut first = start;
    for k in start + 1..time_s.len() {
        if time_s[k] - time_s[start] > longest_s {
            return None;
        }
        let (before, here) = (value(k - 1), value(k));
        if here == before {
            continue;
        }
        if here > before
            && let Some(needed) = bounds.impossible(before, here, time_s[k] - time_s[first])
        {
            return Some((k, needed));
        }
        first = k;
    }
    None
}

/// Values that leave the line and return to it exactly within less than one frame of the link.
///
/// A link holds each value for one frame. A value that lasts shorter, with the held value back after it, was
/// never sent: it arose in the logger.
///
/// * `frame_s`: established frame period; `row_s`: period of the rows; the test needs at least three rows a frame
/// * `least`: smallest departure that counts, unit of the values
/// * returns ranges of rows, ascending, one after the other: there may be half as many as rows
pub fn shorter_than_a_frame(
    time_s: &[f64],
    value: &[f64],
    frame_s: f64,
    row_s: f64,
    least: f64,
) -> impl Iterator<Item = Range<usize>> {
    let has_power = row_s > 0.0 && frame_s >= 3.0 * row_s;
    let n = if has_power { time_s.len().min(value.len()) } else { 0 };
    // The true width may be up to one row longer than what shows.
    let longest_s = 0.75 * frame_s - row_s;
    let mut next = 1;
    std::iter::from_fn(move || {
        while next < n {
            let (k, line) = (next, value[next - 1]);
            next += 1;
            if line.is_nan() || value[k].is_nan() || (value[k] - line).abs() <= least {
                continue;
            }
            let soon = (k + 1..n).take_while(|j| time_s[*j] - time_s[k] <= longest_s + 1e-9);
            if let Some(end) = soon.into_iter().find(|j| value[*j] == line) {
                next = end + 1;
                return Some(k..end);
            }
        }
        None
    })
}

/// The bit whose flip explains a step: `step` is exactly plus or minus 2^k resolutions.
///
/// * returns null below 2^3: such steps are noise as often as not
pub fn flipped_bit(step: f64, resolution: f64) -> Option<u32> {
    if !(resolution > 0.0 && step.is_finite()) {
        return None;
    }
    let counts = (step / resolution).abs();
    let whole = counts.round();
    if !(8.0..=1_048_576.0).contains(&whole) || (counts - whole).abs() > 0.05 {
        return None;
    }
    let whole = whole as u64;
    whole.is_power_of_two().then(|| whole.trailing_zeros())
}

/// Whether a value is ten times or a tenth of its neighbour within the resolution: a lost or shifted digit.
pub fn shifted_digit(value: f64, neighbour: f64, resolution: f64) -> bool {
    let (small, large) = (value.abs().min(neighbour.abs()), value.abs().max(neighbour.abs()));
    small > 0.0 && large.is_finite() && (large - 10.0 * small).abs() <= 10.0 * resolution.max(1e-9 * small)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bounds(interval_s: f64) -> Bounds {
        Bounds {
            low: 0.0,
            high: 1.67,
            tau_falling_s: 0.030,
            tau_rising_s: 0.030,
            noise: 0.0,
            sigmas: 4.0,
            interval_s,
        }
    }

    #[test]
    fn required_input_inverts_the_lag() {
        // Output of a lag after dt: in + (out - in) a. Share of the step after dt: 0.181 at 20 ms of 100 ms.
        let share = 1.0 - (-0.2_f64).exp();
        assert!((share - 0.181_269).abs() < 1e-6);
        let to = 1.25 + (0.5 - 1.25) * share;
        assert!((required_input(1.25, to, 0.020, 0.100) - 0.5).abs() < 1e-12);
    }

    #[test]
    fn the_slew_bound_is_the_exponential_whatever_the_start() {
        // lambda may rise by exp(dt/tau) at most, whatever it starts from: air is phi = 0.
        for lambda in [0.7, 0.8, 1.0, 1.3] {
            let limit = lambda * (0.010_f64 / 0.030).exp();
            let test = bounds(0.010);
            assert!(test.impossible(1.0 / lambda, 1.0 / (limit * 0.999), 0.010).is_none());
            assert!(test.impossible(1.0 / lambda, 1.0 / (limit * 1.001), 0.010).is_some());
        }
    }

    #[test]
    fn published_rises_need_the_time_constants_stated_for_them() {
        // 0.80 to 1.2 needs tau <= 25 ms at 10 ms, 49 ms at 20 ms, 247 ms at 100 ms (computed from the law).
        for (interval_s, tau_s) in [(0.010, 0.0247), (0.020, 0.0493), (0.100, 0.2466)] {
            assert!((interval_s / (1.2_f64 / 0.8).ln() - tau_s).abs() < 1e-4);
            let mut test = bounds(interval_s);
            test.tau_falling_s = tau_s * 1.01;
            assert!(test.impossible(1.0 / 0.8, 1.0 / 1.2, interval_s).is_some());
            test.tau_falling_s = tau_s * 0.99;
            assert!(test.impossible(1.0 / 0.8, 1.0 / 1.2, interval_s).is_none());
        }
    }

    #[test]
    fn spike_is_a_pulse_and_a_landing_after_a_held_value_is_none() {
        let time_s: Vec<f64> = (0..10).map(|k| f64::from(k) * 0.010).collect();
        let mut phi: Vec<f64> = (0..10).map(|k| 1.25 + 0.001 * f64::from(k % 3)).collect();
        phi[5] = 0.70;
        let limits = bounds(0.010);
        let found: Vec<Pulse> = impossible_pulses(&time_s, |k| phi[k], &limits, 0.2, false).collect();
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].samples, 5..6);
        assert!(found[0].needed_out < 0.0 && found[0].needed_back.is_some_and(|phi| phi > 1.67));

        let landing = [1.25, 1.251, 1.25, 1.25, 1.25, 1.25, 0.75, 0.74, 0.75, 0.76];
        assert!(impossible_pulses(&time_s, |k| landing[k], &limits, 0.2, true).next().is_none());
    }

    #[test]
    fn gas_through_the_slowest_credible_lag_is_never_impossible() {
        // Worst real gas: rich, then air, then rich again, in every phase, through tau = 30 ms.
        let (tau_s, dt) = (0.030_f64, 0.010);
        for width in 1..20 {
            let mut out = 1.25;
            let mut phi = Vec::new();
            for k in 0..60 {
                let gas = if (10..10 + width).contains(&k) { 0.0 } else { 1.25 };
                out = gas + (out - gas) * (-dt / tau_s).exp();
                phi.push(out);
            }
            let time_s: Vec<f64> = (0..60).map(|k| f64::from(k) * dt).collect();
            assert_eq!(
                impossible_pulses(&time_s, |k| phi[k], &bounds(dt), 0.2, false).next(),
                None,
                "{width}"
            );
        }
    }

    #[test]
    fn width_below_a_frame_is_found_and_a_frame_is_not() {
        // 20 Hz link in a 100 Hz log: a staircase of five rows.
        let time_s: Vec<f64> = (0..40).map(|k| f64::from(k) * 0.010).collect();
        let mut lambda: Vec<f64> = (0..40).map(|k| 0.80 + 0.01 * f64::from(k / 5)).collect();
        assert_eq!(shorter_than_a_frame(&time_s, &lambda, 0.050, 0.010, 0.005).next(), None);
        lambda[12] = 1.1;
        let found: Vec<_> = shorter_than_a_frame(&time_s, &lambda, 0.050, 0.010, 0.005).collect();
        assert!(found.len() == 1 && found[0] == (12..13), "{found:?}");
        assert_eq!(shorter_than_a_frame(&time_s, &lambda, 0.010, 0.010, 0.005).next(), None);
    }

    #[test]
    fn powers_of_two_and_decades() {
        assert_eq!(flipped_bit(0.256, 0.001), Some(8));
        assert_eq!(flipped_bit(-0.064, 0.001), Some(6));
        assert_eq!(flipped_bit(0.100, 0.001), None);
        assert_eq!(flipped_bit(0.004, 0.001), None);
        assert_eq!(flipped_bit(1.0, 0.0), None);
        assert_eq!(flipped_bit(f64::INFINITY, 0.1), None);
        assert!(shifted_digit(8.12, 0.812, 0.001) && shifted_digit(0.08, 0.8, 0.01));
        assert!(!shifted_digit(1.6, 0.8, 0.001) && !shifted_digit(0.0, 0.0, 0.001));
    }
}
