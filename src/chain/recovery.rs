//! Returns from fuel cuts: the mixture settles where the engine burns, and the rest of the step is known from there.
//!
//! Gas can come back more slowly than a step, by way of wet port walls, a load that is still rising or an element that
//! is still warming; it cannot come back faster. A return therefore bounds the time constant from above, and only
//! returns that agree bound it from below.

use super::step::{AT_STOP, BURNS_PHI, CUT_PHI, Gathered, LONGEST_STEP_S, Reading};
use crate::signal::response::Step;
use crate::signal::robust::median;

/// Return from a cut counts when the cut lasted this long: the sensor has come to rest (assumed, over 5 tau of
/// an aged sensor).
const LONG_CUT_S: f64 = 1.0;
/// Settling of a return is not known better than this, phi (closed loop and film; of 0.01, 0.02 and 0.03 the one with
/// the fewest wrong fits on tune seeds 0 to 599).
const SETTLED_PHI: f64 = 0.01;
/// A return is followed over at least this much of phi, far above what its rest is uncertain; assumed. A channel
/// that ends at lambda 1.36 never shows it.
const RETURN_PHI: f64 = 0.30;
/// Share of returns that are slower than the sensor (assumed).
const SLOW_CHANCE: f64 = 0.3;

/// The returns from long cuts of a log.
pub(super) fn gather(reading: &Reading<'_>) -> Gathered {
    let Reading { fresh, stop_phi, .. } = reading;
    let phi = &fresh.phi;
    let mut gathered = Gathered::default();
    let (mut low_since, mut burnt): (Option<usize>, Option<usize>) = (None, None);
    for (k, now) in phi.iter().enumerate() {
        let low = *now <= CUT_PHI.max(stop_phi * (1.0 + AT_STOP));
        match (low, low_since) {
            (true, None) => low_since = Some(k),
            (true, Some(first)) if fresh.segment(first) != fresh.segment(k) => low_since = Some(k),
            (false, Some(first)) => {
                let base = k - 1;
                let long = fresh.time_s[base] - fresh.time_s[first] >= LONG_CUT_S;
                // A cut begins in burning gas. What was lean from the start is a device that is not ready, and what
                // follows is its warm-up curve.
                let began = burnt.is_some_and(|burnt| {
                    fresh.segment(burnt) == fresh.segment(first)
                        && fresh.time_s[first] - fresh.time_s[burnt] <= LONGEST_STEP_S
                });
                if long
                    && began
                    && fresh.segment(base) == fresh.segment(k)
                    && let Some((step, onset)) = recovery(reading, base)
                {
                    gathered.found += 1;
                    gathered.onset_s.push(onset);
                    gathered.steps.extend(step);
                }
                low_since = None;
            }
            _ => {}
        }
        if !low && *now >= BURNS_PHI {
            burnt = Some(k);
        }
    }
    gathered
}

/// One return from a long cut: the samples between its first tenth and its ninth tenth, and where it settles.
///
/// * returns null when the reading does not come back to burning gas within a second
fn recovery(reading: &Reading<'_>, low: usize) -> Option<(Option<Step>, f64)> {
    let Reading { fresh, sigma, witness, .. } = reading;
    let phi = &fresh.phi;
    let segment = fresh.segment(low);
    // The reading may have begun to rise below the level that counts as cut: go back to where it lay still.
    let mut base = low;
    while base > 0 && fresh.segment(base - 1) == segment && phi[base] > phi[base - 1] + 2.0 * sigma {
        base -= 1;
    }
    let start_s = fresh.time_s[base];
    let in_reach = |k: &usize| fresh.segment(*k) == segment && fresh.time_s[*k] - start_s <= 1.5;
    let settled: Vec<f64> = (base + 1..phi.len())
        .take_while(in_reach)
        .filter(|k| fresh.time_s[*k] - start_s >= 0.5)
        .map(|k| phi[k])
        .collect();
    let rest = median(&settled)?;
    if rest < BURNS_PHI {
        return None;
    }
    let spread = settled.iter().map(|v| (v - rest).abs()).fold(0.0, f64::max);
    let ready_s = start_s + witness.cycle_s(fresh.row[base] as usize);
    let samples: Vec<usize> = (base + 1..phi.len())
        .take_while(in_reach)
        .take_while(|k| phi[*k] <= phi[base] + 0.95 * (rest - phi[base]))
        .filter(|k| fresh.time_s[*k] >= ready_s)
        .collect();
    let seen = samples.first().map_or(0.0, |first| rest - phi[*first]);
    let usable = samples.len() >= 3 && spread <= 0.15 && seen >= RETURN_PHI;
    let step = usable.then(|| Step {
        time_s: samples.iter().map(|k| fresh.time_s[*k]).collect(),
        value: samples.iter().map(|k| phi[*k]).collect(),
        rest: (rest, SETTLED_PHI),
        doubt: Vec::new(),
        tail: 0.0,
        slow_chance: SLOW_CHANCE,
    });
    Some((step, start_s))
}

#[cfg(test)]
mod tests {
    use crate::chain::tests::log_of;
    use crate::chain::{Fit, Response, measure};
    use crate::log::{Channel, Role, UNITS};
    use crate::rig::Rig;
    use crate::state::States;

    const RATE_HZ: f64 = 50.0;
    const TAU_S: f64 = 0.06;
    const END_PHI: f64 = 0.1;

    /// Cuts of 2 s every 8 s from 14 s on, on a channel that ends at lambda 10 and stands there until the sensor is ready
    /// at 10 s; then it comes alive over 0.35 s.
    ///
    /// * `fuel_s`: how slowly the fuel comes back after the cut of a number, s
    fn drive(cuts: usize, fuel_s: impl Fn(usize) -> f64) -> (Response, Fit) {
        let rows = ((14.0 + 8.0 * cuts as f64) * RATE_HZ) as usize;
        let (mut gas, mut phi, mut now): (f64, f64, f64) = (1.0, 1.0, 0.0);
        let (mut time_s, mut lambda) = (Vec::new(), Vec::new());
        for row in 0..rows {
            let due = row as f64 / RATE_HZ;
            while now < due {
                let cut = ((now - 14.0) / 8.0).floor().max(0.0);
                let into = now - 14.0 - 8.0 * cut - 0.0137 * (cut % 7.0);
                if (0.0..2.0).contains(&into) {
                    gas = 0.0;
                } else {
                    let keep = (-1e-3 / fuel_s(cut as usize).max(1e-6)).exp();
                    gas = 1.0 + (gas - 1.0) * keep;
                }
                phi = gas + (phi - gas) * (-1e-3 / TAU_S).exp();
                now += 1e-3;
            }
            let alive = 1.0 - (-(due - 10.0).max(0.0) / 0.35).exp();
            let ripple = 0.002 * ((row * 7919 % 13) as f64 / 6.0 - 1.0);
            time_s.push(due);
            lambda.push((END_PHI + (phi + ripple - END_PHI) * alive).max(END_PHI).recip());
        }
        let mut channel = Channel::new("Lambda".to_owned(), Role::Lambda, &UNITS[0], lambda, None);
        channel.measured.sample_period_s = Some(1.0 / RATE_HZ);
        channel.measured.clip_high = Some(END_PHI.recip());
        let log = log_of(time_s, RATE_HZ, vec![channel]);
        let state = States { bits: vec![0; rows], ..States::default() };
        let chain = measure(&log, &state, &Rig::default()).expect("mixture channel");
        (chain.lean_to_rich, chain.fits.lean_to_rich)
    }

    #[test]
    fn the_curve_of_a_sensor_that_comes_alive_is_no_return() {
        let (response, fit) = drive(0, |_| 0.0);
        assert_eq!((fit.found, response.events), (0, 0));
        let (response, fit) = drive(4, |_| 0.0);
        assert_eq!(fit.found, 4);
        assert!((response.tau_s / TAU_S - 1.0).abs() < 0.15, "{response:?}");
    }

    #[test]
    fn returns_with_slow_fuel_do_not_outvote_quick_ones() {
        let (response, fit) = drive(6, |cut| if cut % 2 == 0 { 0.2 } else { 0.0 });
        assert_eq!(fit.curve.steps, 6);
        assert!((response.tau_s / TAU_S - 1.0).abs() < 0.2, "{response:?}");
    }

    #[test]
    fn one_slow_return_does_not_age_a_sensor() {
        let (response, fit) = drive(1, |_| 0.2);
        assert_eq!(fit.curve.steps, 1);
        let belief = response.estimate();
        assert!(belief.low < TAU_S && TAU_S < belief.high, "{belief:?}");
    }
}
