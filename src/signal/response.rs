//! First-order response: joint fits of one time constant over many steps, and the closed forms behind them.

use super::robust::centre_and_spread;

/// A logarithmic axis of time constants.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Axis {
    /// Shortest time constant considered, s.
    pub low_s: f64,
    /// Longest, s.
    pub high_s: f64,
    /// Points.
    pub points: usize,
}

impl Axis {
    /// Covers every exhaust sensor, healthy or aged: 10 ms to 3 s.
    pub const SENSOR: Self = Self { low_s: 0.010, high_s: 3.0, points: 241 };

    /// Natural logarithm of the time constant at a point.
    pub fn ln_tau(&self, point: usize) -> f64 {
        let span = (self.high_s / self.low_s).ln();
        let last = self.points.saturating_sub(1).max(1);
        self.low_s.ln() + span * point as f64 / last as f64
    }

    fn step(&self) -> f64 {
        (self.high_s / self.low_s).ln() / self.points.saturating_sub(1).max(1) as f64
    }
}

/// Samples of one step response, all of them after the last change of the input.
#[derive(Clone, Debug, PartialEq)]
pub struct Step {
    /// Times, s, ascending.
    pub time_s: Vec<f64>,
    /// Readings in a coordinate in which the sensor is linear (phi = 1/lambda).
    pub value: Vec<f64>,
    /// Where the response ends: best value and its standard deviation.
    pub rest: (f64, f64),
    /// Standard deviation of each sample beyond the noise, as where an end stop hides a value; empty for none.
    pub doubt: Vec<f64>,
    /// Largest share of a slow tail of the input itself that is believed, as the standard deviation of its amplitude,
    /// same unit as the values; 0 for an input that is a clean step.
    pub tail: f64,
    /// Chance that the input itself came more slowly than a step: then the response bounds the time constant from above
    /// only. 0 for an input that is known to be quick.
    pub slow_chance: f64,
}

/// Log-likelihood of the common time constant, up to a constant.
#[derive(Clone, Debug, PartialEq)]
pub struct Curve {
    /// The axis.
    pub axis: Axis,
    /// One value per point of the axis.
    pub log_likelihood: Vec<f64>,
    /// Steps used.
    pub steps: usize,
    /// Logarithm of the time constant that each step alone gives.
    pub each_ln: Vec<f64>,
}

/// A time constant with its relative spread.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TimeConstant {
    /// Median, s.
    pub tau_s: f64,
    /// Standard deviation of ln tau.
    pub sigma_ln: f64,
}

/// Freedom of the heavy-tailed error model: one step may be disturbed far beyond the noise.
const ERROR_FREEDOM: f64 = 4.0;

/// Joint log-likelihood of one time constant over many steps.
///
/// Each step is `value = rest + amplitude * exp(-t / tau)` with its own amplitude (which is its own onset time)
/// and its own rest within the stated belief; only tau is common. Both linear unknowns are solved exactly at
/// each tau. The error has the heavy tails of Student's distribution.
///
/// * `sigma`: standard deviation of one reading, same unit as the values, above 0
/// * `spread_ln`: standard deviation of ln tau from step to step
/// * steps of fewer than three samples are left out
pub fn joint_likelihood(steps: &[Step], sigma: f64, spread_ln: f64, axis: Axis) -> Curve {
    let mut total = vec![0.0; axis.points];
    let mut each_ln = Vec::new();
    for step in steps {
        if step.value.len() < 3 || step.value.len() != step.time_s.len() || sigma <= 0.0 {
            continue;
        }
        let tails = tails(step);
        let one: Vec<f64> = (0..axis.points)
            .map(|point| {
                let chi2 = misfits(step, sigma, axis.ln_tau(point).exp(), &tails);
                log_mean(chi2.map(|c| {
                    -0.5 * (step.value.len() as f64 - 1.0 + ERROR_FREEDOM) * (ERROR_FREEDOM + c).ln()
                }))
            })
            .collect();
        let one = blur(&one, spread_ln, axis);
        each_ln.extend(
            (0..axis.points).max_by(|a, b| one[*a].total_cmp(&one[*b])).map(|point| axis.ln_tau(point)),
        );
        for (sum, value) in total.iter_mut().zip(allow_slow(&one, step.slow_chance, axis)) {
            *sum += value;
        }
    }
    Curve { axis, log_likelihood: total, steps: each_ln.len(), each_ln }
}

/// Time constants of a slow tail of the input, s: fuel that leaves the walls of a port after it was cut (0.2 to 0.8 s
/// warm, longer cold; lean-event physics).
const TAILS_S: [f64; 4] = [0.2, 0.4, 0.8, 1.6];

/// Every tail at every sample of a step; empty for a clean step.
fn tails(step: &Step) -> Vec<[f64; 4]> {
    if step.tail <= 0.0 {
        return Vec::new();
    }
    step.time_s.iter().map(|time| TAILS_S.map(|tail_s| (-(time - step.time_s[0]) / tail_s).exp())).collect()
}

/// Logarithm of the mean of likelihoods that are given by their logarithms.
fn log_mean<const N: usize>(logs: [f64; N]) -> f64 {
    let top = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    top + (logs.iter().map(|log| (log - top).exp()).sum::<f64>() / N as f64).ln()
}

/// Chi squared of one step at one time constant with the best rest and amplitude: without a tail, then with each.
fn misfits(step: &Step, sigma: f64, tau_s: f64, tails: &[[f64; 4]]) -> [f64; 5] {
    let origin = step.time_s[0];
    let (rest, rest_sd) = step.rest;
    // Normal equations in (rest - belief, amplitude, tail); the belief about the rest is one more observation.
    let (mut aa, mut ab, mut bb, mut ay, mut by, mut yy) =
        (1.0 / (rest_sd * rest_sd).max(1e-18), 0.0, 0.0, 0.0, 0.0, 0.0);
    let mut cross = [[0.0; 4]; 4];
    for (index, (time, value)) in step.time_s.iter().zip(&step.value).enumerate() {
        let doubt = step.doubt.get(index).copied().unwrap_or(0.0);
        let inverse = 1.0 / (sigma * sigma + doubt * doubt);
        let x = (-(time - origin) / tau_s).exp();
        let y = value - rest;
        aa += inverse;
        ab += inverse * x;
        bb += inverse * x * x;
        ay += inverse * y;
        by += inverse * x * y;
        yy += inverse * y * y;
        if let Some(tail) = tails.get(index) {
            for (sums, z) in cross.iter_mut().zip(tail) {
                for (sum, term) in sums.iter_mut().zip([*z, x * z, z * z, y * z]) {
                    *sum += inverse * term;
                }
            }
        }
    }
    let determinant = aa * bb - ab * ab;
    if determinant <= 0.0 {
        return [yy; 5];
    }
    let solve = |u: f64, v: f64| ((u * bb - v * ab) / determinant, (v * aa - u * ab) / determinant);
    let (offset, amplitude) = solve(ay, by);
    let plain = (yy - offset * ay - amplitude * by).max(0.0);
    let mut all = [plain; 5];
    if tails.is_empty() {
        return all;
    }
    for (chi2, [az, bz, zz, zy]) in all.iter_mut().skip(1).zip(cross) {
        // What the tail explains beyond rest and amplitude; fuel that is released cannot be negative.
        let (p, q) = solve(az, bz);
        let own = zz + 1.0 / (step.tail * step.tail) - p * az - q * bz;
        let gain = zy - p * ay - q * by;
        if own > 0.0 && gain > 0.0 {
            *chi2 = (plain - gain * gain / own).max(0.0);
        }
    }
    all
}

/// Smears a likelihood over a normal step-to-step spread of ln tau; returns its logarithm, highest at 0.
fn blur(log_likelihood: &[f64], spread_ln: f64, axis: Axis) -> Vec<f64> {
    let top = log_likelihood.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let plain: Vec<f64> = log_likelihood.iter().map(|value| (value - top).exp()).collect();
    let reach = (3.0 * spread_ln / axis.step()).ceil() as usize;
    if reach == 0 {
        return log_likelihood.iter().map(|value| value - top).collect();
    }
    let kernel: Vec<f64> =
        (0..=reach).map(|k| (-0.5 * (k as f64 * axis.step() / spread_ln).powi(2)).exp()).collect();
    (0..plain.len())
        .map(|centre| {
            let (mut sum, mut weight) = (0.0, 0.0);
            for index in centre.saturating_sub(reach)..(centre + reach + 1).min(plain.len()) {
                let k = kernel[centre.abs_diff(index)];
                sum += k * plain[index];
                weight += k;
            }
            (sum / weight).max(1e-300).ln()
        })
        .collect()
}

/// An input that comes slowly makes a sensor look up to this many times slower, in ln: a port film of 0.5 s before a
/// sensor of 50 ms.
const SLOW_INPUT_LN: f64 = std::f64::consts::LN_10;

/// Lets a step be the input's instead of the sensor's: with that chance, every time constant from a tenth of what the
/// step looks like up to it is as likely.
fn allow_slow(log_likelihood: &[f64], chance: f64, axis: Axis) -> Vec<f64> {
    if chance <= 0.0 {
        return log_likelihood.to_vec();
    }
    let plain: Vec<f64> = log_likelihood.iter().map(|value| value.exp()).collect();
    let reach = (SLOW_INPUT_LN / axis.step()).round().max(1.0) as usize;
    (0..plain.len())
        .map(|point| {
            let slower: f64 = plain[point..].iter().take(reach).sum::<f64>() / reach as f64;
            ((1.0 - chance) * plain[point] + chance * slower).max(1e-300).ln()
        })
        .collect()
}

impl Curve {
    /// A curve that says nothing.
    pub fn flat(axis: Axis) -> Self {
        Self { axis, log_likelihood: vec![0.0; axis.points], steps: 0, each_ln: Vec::new() }
    }

    /// Robust spread of ln tau from step to step; 0 for fewer than three steps.
    pub fn spread_ln(&self) -> f64 {
        if self.each_ln.len() < 3 {
            return 0.0;
        }
        centre_and_spread(&self.each_ln, 0.0).map_or(0.0, |(_, spread)| spread)
    }

    /// Adds the knowledge that the time constant is at most `tau_s`, give or take `spread_ln`.
    pub fn bound_above(&mut self, tau_s: f64, spread_ln: f64) {
        if tau_s <= 0.0 {
            return;
        }
        let limit = tau_s.ln();
        for point in 0..self.axis.points {
            let excess = (self.axis.ln_tau(point) - limit).max(0.0) / spread_ln.max(1e-6);
            self.log_likelihood[point] -= 0.5 * excess * excess;
        }
    }

    /// Median and spread under a belief about ln tau given as a log-density.
    ///
    /// * returns null when the density vanishes everywhere on the axis
    pub fn posterior(&self, log_prior: impl Fn(f64) -> f64) -> Option<TimeConstant> {
        let logs: Vec<f64> = (0..self.axis.points)
            .map(|point| self.log_likelihood[point] + log_prior(self.axis.ln_tau(point)))
            .collect();
        let top = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        if !top.is_finite() {
            return None;
        }
        let weights: Vec<f64> = logs.iter().map(|value| (value - top).exp()).collect();
        let total: f64 = weights.iter().sum();
        let mean = weights.iter().enumerate().map(|(k, w)| w * self.axis.ln_tau(k)).sum::<f64>() / total;
        let variance =
            weights.iter().enumerate().map(|(k, w)| w * (self.axis.ln_tau(k) - mean).powi(2)).sum::<f64>()
                / total;
        Some(TimeConstant { tau_s: self.median(&weights, total).exp(), sigma_ln: variance.sqrt() })
    }

    fn median(&self, weights: &[f64], total: f64) -> f64 {
        let mut below = 0.0;
        for (point, weight) in weights.iter().enumerate() {
            if below + weight >= 0.5 * total {
                let share = if *weight > 0.0 { (0.5 * total - below) / weight } else { 0.5 };
                return self.axis.ln_tau(point) + (share - 0.5) * self.axis.step();
            }
            below += weight;
        }
        self.axis.ln_tau(self.axis.points.saturating_sub(1))
    }
}

/// Time constant and dead time from the 28 % and 63 % points of one step.
///
/// * `time_s`, `value`: one response, ascending times from the step on; `start` and `end` its first and last level
/// * returns null where a level is not crossed
///
/// # Source
/// Two-point method: tau = 1.5 (t63 - t28), dead time = t63 - tau.
pub fn two_point(time_s: &[f64], value: &[f64], start: f64, end: f64) -> Option<(f64, f64)> {
    let crossing = |share: f64| {
        let level = start + share * (end - start);
        let rising = end > start;
        let mut before: Option<(f64, f64)> = None;
        for (time, value) in time_s.iter().zip(value) {
            let past = if rising { *value >= level } else { *value <= level };
            match before {
                Some((t0, v0)) if past => {
                    let share = if *value == v0 { 0.0 } else { (level - v0) / (value - v0) };
                    return Some(t0 + share * (time - t0));
                }
                None if past => return Some(*time),
                _ => before = Some((*time, *value)),
            }
        }
        None
    };
    let t28 = crossing(1.0 - (-1.0_f64 / 3.0).exp())?;
    let t63 = crossing(1.0 - (-1.0_f64).exp())?;
    let tau = 1.5 * (t63 - t28);
    Some((tau, t63 - tau))
}

/// Rise time from 10 % to 90 % of a first-order response, s: ln 9 times the time constant.
pub fn rise_time_s(tau_s: f64) -> f64 {
    9.0_f64.ln() * tau_s
}

/// Whether a recording is fast enough for a response: rise time times rate at least 5.
///
/// # Source
/// 40 CFR 1065.308(c)(1).
pub fn recorded_fast_enough(tau_s: f64, rate_hz: f64) -> bool {
    rise_time_s(tau_s) * rate_hz >= 5.0
}

/// Share of a rectangular pulse of `width_s` that a first-order response shows at its peak.
pub fn pulse_share(width_s: f64, tau_s: f64) -> f64 {
    1.0 - (-width_s.max(0.0) / tau_s.max(1e-9)).exp()
}

/// Time constant of the first-order response that three lags in a row look like, s.
///
/// # Source
/// Two-point method on their exact response: 1.5 times the time from its 28.35 % to its 63.21 % level.
pub fn apparent(lags_s: [f64; 3]) -> f64 {
    let step_s = lags_s.iter().sum::<f64>() / 2_000.0;
    if step_s <= 0.0 {
        return 0.0;
    }
    let keep = lags_s.map(|lag_s| if lag_s > 0.0 { (-step_s / lag_s).exp() } else { 0.0 });
    let mut level = [0.0; 3];
    let mut early_s = None;
    for step in 1..20_000 {
        let mut input = 1.0;
        for (value, keep) in level.iter_mut().zip(keep) {
            *value = input + (*value - input) * keep;
            input = *value;
        }
        let time_s = f64::from(step) * step_s;
        if level[2] >= 0.2835 {
            let early_s = *early_s.get_or_insert(time_s);
            if level[2] >= 0.6321 {
                return 1.5 * (time_s - early_s);
            }
        }
    }
    0.0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cut(tau: f64, period: f64, phase: f64, floor: f64) -> Step {
        let time_s: Vec<f64> =
            (0..60).map(|k| phase + period * f64::from(k)).take_while(|t| *t < 6.0 * tau).collect();
        let value = time_s.iter().map(|t| 1.2 * (-t / tau).exp()).collect();
        Step { time_s, value, rest: (0.0, floor), doubt: Vec::new(), tail: 0.0, slow_chance: 0.0 }
    }

    #[test]
    fn lags_in_a_row_look_like_one_that_is_shorter_than_their_sum() {
        assert!((apparent([0.08, 0.0, 0.0]) - 0.08).abs() < 1e-3);
        let three = apparent([0.06, 0.03, 0.03]);
        assert!(0.06 < three && three < 0.12, "{three}");
        assert!(apparent([0.0; 3]).abs() < 1e-12);
    }

    #[test]
    fn two_point_method_is_exact_on_exact_data() {
        // Dead time 0.05 s, time constant 0.08 s (computed check values; tolerance 1e-4).
        let time: Vec<f64> = (0..20_000).map(|k| f64::from(k) * 1e-4).collect();
        let value: Vec<f64> =
            time.iter().map(|t| if *t < 0.05 { 0.0 } else { 1.0 - (-(t - 0.05) / 0.08).exp() }).collect();
        let (tau, dead) = two_point(&time, &value, 0.0, 1.0).expect("crossed");
        assert!((tau - 0.08).abs() < 1e-4 && (dead - 0.05).abs() < 1e-4, "{tau} {dead}");
    }

    #[test]
    fn first_order_numbers() {
        assert!((rise_time_s(1.0) - 2.197_22).abs() < 1e-5);
        // Pulse shares for 0.1 s and 0.05 s (computed check values).
        for (width, slow, fast) in
            [(0.010, 0.095, 0.181), (0.020, 0.181, 0.330), (0.050, 0.393, 0.632), (0.200, 0.865, 0.982)]
        {
            assert!((pulse_share(width, 0.1) - slow).abs() < 5e-4);
            assert!((pulse_share(width, 0.05) - fast).abs() < 5e-4);
        }
    }

    #[test]
    fn recording_rule_of_40_cfr_1065_308() {
        // Time constants 50/80/100/150 ms need 45.5/28.4/22.8/15.2 Hz; 20 Hz supports 0.114 s (computed).
        for (tau, rate) in [(0.050, 45.5), (0.080, 28.4), (0.100, 22.8), (0.150, 15.2)] {
            assert!(recorded_fast_enough(tau, rate + 0.1) && !recorded_fast_enough(tau, rate - 0.1));
        }
        assert!(recorded_fast_enough(0.114, 20.0) && !recorded_fast_enough(0.113, 20.0));
    }

    #[test]
    fn joint_fit_pools_the_phases_of_slow_recordings() {
        // Ten cuts at 10 Hz, each caught at another phase: tau is common, onset is not.
        let steps: Vec<Step> = (0..10).map(|k| cut(0.08, 0.1, 0.01 * f64::from(k), 0.01)).collect();
        let fit = joint_likelihood(&steps, 0.005, 0.10, Axis::SENSOR).posterior(|_| 0.0).expect("curve");
        assert!((fit.tau_s / 0.08 - 1.0).abs() < 0.05, "{fit:?}");
        assert!(fit.sigma_ln < 0.10, "{fit:?}");
    }

    #[test]
    fn a_slow_input_bounds_from_above_and_only_agreement_from_below() {
        let steps = |taus: &[f64], slow_chance: f64| -> Vec<Step> {
            let phase = |k: usize| 0.003 * k as f64;
            let step = |(k, tau): (usize, &f64)| Step { slow_chance, ..cut(*tau, 0.02, phase(k), 0.01) };
            taus.iter().enumerate().map(step).collect()
        };
        let fit = |steps: &[Step]| {
            joint_likelihood(steps, 0.005, 0.10, Axis::SENSOR).posterior(|_| 0.0).expect("curve")
        };
        let mixed = [0.08, 0.40, 0.08, 0.35, 0.08];
        let found = fit(&steps(&mixed, 0.3));
        assert!((found.tau_s / 0.08 - 1.0).abs() < 0.10, "{found:?}");
        // Without the chance the slow inputs, which are followed for longer, win.
        assert!(fit(&steps(&mixed, 0.0)).tau_s > 0.12);
        let alone = fit(&steps(&[0.40], 0.3));
        assert!(alone.sigma_ln > 0.3 && alone.tau_s < 0.45, "{alone:?}");
        let agree = fit(&steps(&[0.20; 6], 0.3));
        assert!((agree.tau_s / 0.20 - 1.0).abs() < 0.10 && agree.sigma_ln < 0.1, "{agree:?}");
    }

    #[test]
    fn steps_without_samples_leave_the_belief_alone() {
        let steps = [cut(0.08, 5.0, 0.0, 0.01)];
        let curve = joint_likelihood(&steps, 0.005, 0.10, Axis::SENSOR);
        assert_eq!(curve.steps, 0);
        let fit = curve.posterior(|x| -0.5 * ((x - 0.07_f64.ln()) / 0.3).powi(2)).expect("curve");
        assert!((fit.tau_s / 0.07 - 1.0).abs() < 0.01 && (fit.sigma_ln - 0.3).abs() < 0.01, "{fit:?}");
    }

    #[test]
    fn a_bound_removes_the_long_side_only() {
        let mut curve = Curve::flat(Axis::SENSOR);
        curve.bound_above(0.08, 0.05);
        let fit = curve.posterior(|x| -0.5 * ((x - 0.07_f64.ln()) / 0.3).powi(2)).expect("curve");
        assert!(fit.tau_s < 0.07 && fit.tau_s > 0.04, "{fit:?}");
    }

    /// Time and temperature of a recorded heater step, from the row at `start_s` on.
    fn recorded(text: &str, start_s: f64) -> Step {
        let (time_s, value): (Vec<f64>, Vec<f64>) = text
            .lines()
            .skip(1)
            .filter_map(|line| {
                let mut fields = line.split(',').map(|field| field.trim().parse::<f64>().ok());
                let time = fields.next()??;
                let temperature = fields.nth(1)??;
                (time >= start_s).then_some((time, temperature))
            })
            .unzip();
        let last = value.last().copied().unwrap_or(0.0);
        Step { time_s, value, rest: (last, 20.0), doubt: Vec::new(), tail: 0.0, slow_chance: 0.0 }
    }

    #[test]
    fn recorded_heater_steps_have_their_known_time_constants() {
        // datasets/heater-step: 156 s after 20 s of dead time, 138 s after 16 s (least squares on the full files).
        let axis = Axis { low_s: 20.0, high_s: 1_000.0, points: 401 };
        for (text, dead_s, tau_s) in [
            (include_str!("../../datasets/heater-step/step_a.csv"), 20.0, 156.0),
            (include_str!("../../datasets/heater-step/step_b.csv"), 16.0, 138.0),
        ] {
            let step = recorded(text, dead_s);
            assert!(step.value.len() > 200, "{}", step.value.len());
            let fit = joint_likelihood(&[step], 0.32, 0.02, axis).posterior(|_| 0.0).expect("curve");
            assert!((fit.tau_s / tau_s - 1.0).abs() < 0.05, "{tau_s}: {fit:?}");
        }
    }
}
