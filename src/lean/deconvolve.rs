//! What the gas must have been: the sensor's lag taken off, with bounds.

use super::constants as k;
use super::episode::Episode;
use super::trace::{Frame, Scene};
use crate::chain::Response;
use crate::document::Bound;
use crate::signal::slew::{noise_gain, required_input};

/// The leanest gas of an episode, lambda.
///
/// The reading follows `phi' = (gas - phi) / tau`, so over one fresh period the mean gas was
/// `(phi1 - a phi0) / (1 - a)`, `a = exp(-dt / tau)`. Low and high come from the belief in tau and the noise
/// of two readings; an end-stop reading, or gas near air, leaves the high end open.
pub(super) fn gas_peak(scene: &Scene<'_>, episode: &Episode) -> Option<Bound> {
    let mut peak: Option<Bound> = None;
    let mut open = false;
    for (index, frame) in episode.lean(scene) {
        open |= frame.clipped;
        let before = index.checked_sub(1).and_then(|i| scene.frames().get(i));
        let bound = step(scene, before, frame);
        let leaner = peak.is_none_or(|p| bound.value > p.value);
        if leaner {
            peak = Some(bound);
        }
    }
    peak.map(|bound| if open { Bound { high: None, ..bound } } else { bound })
}

/// The richest gas that a frame and the one most of a time constant before it allow, phi: over so long the noise is
/// hardly amplified. Null without such a frame, or where one of the two is at an end stop.
pub(super) fn richest_gas(scene: &Scene<'_>, index: usize) -> Option<f64> {
    gas_phi(scene, index, k::GAS_SIGMAS.value, scene.chain.lean_to_rich.tau_s)
}

/// The likeliest gas of a frame by the same two readings, phi; null where the value of before is only held on.
pub(super) fn likeliest_gas(scene: &Scene<'_>, index: usize) -> Option<f64> {
    renewed_gas(scene, index, 0.0)
}

/// The same, richer by one deviation of its noise.
pub(super) fn gas_beyond_noise(scene: &Scene<'_>, index: usize) -> Option<f64> {
    renewed_gas(scene, index, 1.0)
}

/// The least that the gas of a frame on the way down from the end stop was, phi, richer by one deviation of its noise: behind
/// the stop the sensor was leaner than it reads, and had further to come. Null elsewhere.
pub(super) fn gas_beyond_stop(scene: &Scene<'_>, index: usize) -> Option<f64> {
    gas_from_stop(scene, index, 1.0, scene.chain.lean_to_rich.tau_s)
}

/// The same by the fastest healthy sensor, without noise.
pub(super) fn least_gas_beyond_stop(scene: &Scene<'_>, index: usize) -> Option<f64> {
    gas_from_stop(scene, index, 0.0, Response::prior().quantile(0.025))
}

fn renewed_gas(scene: &Scene<'_>, index: usize, sigmas: f64) -> Option<f64> {
    let (now, before) = (scene.frames().get(index)?, scene.frames().get(index.checked_sub(1)?)?);
    if (now.lambda - before.lambda).abs() < 1e-12 {
        return None;
    }
    gas_phi(scene, index, sigmas, scene.chain.lean_to_rich.tau_s)
}

/// The least that the gas of a frame must have been, phi, richer by a number of deviations of the noise, where the reading
/// comes down from the lean end stop; null elsewhere.
fn gas_from_stop(scene: &Scene<'_>, index: usize, sigmas: f64, tau_s: f64) -> Option<f64> {
    let (now, before) = (scene.frames().get(index)?, scene.frames().get(index.checked_sub(1)?)?);
    let from = scene
        .frames()
        .part(..index)?
        .iter()
        .rfind(|f| now.time_s - f.time_s >= k::SMOOTH_TAU.value * tau_s)?;
    let interval_s = now.time_s - from.time_s;
    let known = !now.clipped && from.clipped && now.phi() > before.phi();
    if !known || interval_s > 3.0 * tau_s + 2.0 * scene.period_s {
        return None;
    }
    let noise = scene.noise_phi * noise_gain(interval_s, tau_s);
    Some(required_input(from.phi(), now.phi(), interval_s, tau_s) + sigmas * noise)
}

/// The richest gas that a reading at the lean end stop allows, phi, where it was burnt for some time and the sensor had been
/// in air before, were it the slowest one believed in; null of other readings.
pub(super) fn gas_at_stop(scene: &Scene<'_>, frame: Frame, lasts_s: f64) -> Option<f64> {
    let tau_s = scene.chain.lean_to_rich.quantile(0.975);
    (frame.clipped && lasts_s > 0.0).then(|| required_input(0.0, frame.phi(), lasts_s, tau_s))
}

/// The gas of a frame by the same two readings, phi, were the sensor the slowest one believed in on its way to richer
/// gas.
pub(super) fn slowest_gas(scene: &Scene<'_>, index: usize) -> Option<f64> {
    gas_phi(scene, index, 0.0, scene.chain.lean_to_rich.quantile(0.975))
}

/// The same, richer by one deviation of its noise.
pub(super) fn slowest_gas_beyond_noise(scene: &Scene<'_>, index: usize) -> Option<f64> {
    gas_phi(scene, index, 1.0, scene.chain.lean_to_rich.quantile(0.975))
}

/// The least that the gas of a frame on the way to richer must have been, phi: what the fastest healthy sensor would have
/// needed, whatever this log says of its own.
pub(super) fn least_gas(scene: &Scene<'_>, index: usize) -> Option<f64> {
    gas_phi(scene, index, 0.0, Response::prior().quantile(0.025))
}

/// Gas of a frame, phi, richer by a number of deviations of the noise, for a time constant to richer gas.
fn gas_phi(scene: &Scene<'_>, index: usize, sigmas: f64, to_rich_s: f64) -> Option<f64> {
    let frame = scene.frames().get(index)?;
    let before = |tau_s: f64| {
        let earlier = scene.frames().part(..index)?;
        earlier.iter().rev().find(|f| frame.time_s - f.time_s >= k::SMOOTH_TAU.value * tau_s)
    };
    let to_lean_s = scene.chain.rich_to_lean.tau_s;
    let from = before(to_lean_s)?;
    let rises = frame.phi() > from.phi();
    let interval_s = frame.time_s - from.time_s;
    let believed_s = if rises { scene.chain.lean_to_rich.tau_s } else { to_lean_s };
    if frame.clipped || from.clipped || interval_s > 3.0 * believed_s + 2.0 * scene.period_s {
        return None;
    }
    let tau_s = if rises { to_rich_s } else { to_lean_s };
    let noise = scene.noise_phi * noise_gain(interval_s, tau_s);
    Some(required_input(from.phi(), frame.phi(), interval_s, tau_s) + sigmas * noise)
}

fn step(scene: &Scene<'_>, before: Option<Frame>, frame: Frame) -> Bound {
    let reading = Bound { value: frame.lambda, low: frame.lambda, high: Some(frame.lambda) };
    let Some(before) = before else { return reading };
    let dt_s = frame.time_s - before.time_s;
    // A clipped reading does not move with the gas, and across a gap there is no step.
    if dt_s <= 0.0 || dt_s > 10.0 * scene.period_s || before.clipped || frame.phi() >= before.phi() {
        return reading;
    }
    let response: &Response = &scene.chain.rich_to_lean;
    let tau = response.estimate();
    // Two deviations of the noise on top of the belief in tau.
    let gas = |tau_s: f64, sign: f64| {
        required_input(before.phi(), frame.phi(), dt_s, tau_s)
            + sign * 2.0 * scene.noise_phi * noise_gain(dt_s, tau_s)
    };
    let best = required_input(before.phi(), frame.phi(), dt_s, tau.value);
    let value = lambda_of(best, scene).max(frame.lambda);
    let low = lambda_of(gas(tau.low, 1.0), scene).clamp(frame.lambda.min(value), value);
    let leanest = gas(tau.high, -1.0);
    // Below phi 0.1 (lambda 10) the division says only "air".
    let high = (leanest > 0.1).then(|| leanest.recip().max(value));
    Bound { value, low, high }
}

/// Lambda of a phi, not leaner than a reading can be told from air.
fn lambda_of(phi: f64, scene: &Scene<'_>) -> f64 {
    let leanest = scene.chain.clip_lean.unwrap_or(10.0).max(2.0);
    phi.max(leanest.recip()).recip()
}

/// Lean events shorter than this may not have been seen in this log, s: the doubt that a reading which shows cuts late leaves is
/// told, and dismisses nothing.
pub(super) fn may_be_blind_below_s(scene: &Scene<'_>) -> Option<f64> {
    let late_s = scene.chain.late_s().map(|tau_s| k::BLIND_TAU.value * tau_s);
    blind_below_s(scene).into_iter().chain(late_s).max_by(f64::total_cmp)
}

/// Lean events shorter than this could not have been seen in this log, s.
pub(super) fn blind_below_s(scene: &Scene<'_>) -> Option<f64> {
    let blind =
        (k::BLIND_TAU.value * scene.chain.rich_to_lean.tau_s).max(k::BLIND_PERIODS.value * scene.period_s);
    blind.is_finite().then_some(blind)
}
