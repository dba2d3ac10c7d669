//! What burnt between the cuts of a limiter.

use super::Case;
use super::fuel;
use super::speed::{Stroke, strokes};
use super::state::injection;
use crate::lean::constants as k;
use crate::lean::deconvolve;
use crate::lean::limit;
use crate::lean::trace::{Scene, median};
use crate::log::Role;

/// Whether the mixture came back between the cuts of a limiter: what burns there burns at full load. At the end of a
/// climb that lasts long enough to harm, the gas must be within the rig's limit by the best estimate, noise allowed for,
/// whether or not a film had the time to refill. Nor may one climb be leaner than the others: the strokes of a limiter are
/// alike. Where readings or engine speed come too slowly to show a climb, the rest of the log must speak for the engine.
pub(super) fn burns_rich_between(case: &Case<'_, '_>) -> bool {
    let scene = case.scene;
    let Some(before_phi) = case.before_phi else { return true };
    let speed_period_s = scene.witness(Role::EngineSpeed).map_or(0.0, |w| w.period_s());
    if scene.period_s.max(speed_period_s) > k::CLIMB_PERIOD_S.value {
        return !scene.lean_elsewhere && comes_back(case) && pressure_holds(case) && climbs_on_fuel(case);
    }
    let limit_phi = scene.view.rig.full_load_lambda_max.recip();
    let harms_s = k::HARMFUL_CYCLES.value * scene.cycle_s(case.gas_start_s);
    let resolved_s =
        (2.0 * scene.period_s).max(k::RE_ENTRY_S.value.min(1.5 * scene.chain.lean_to_rich.tau_s));
    let climbs: Vec<(f64, f64)> = strokes(case)
        .iter()
        .map(|stroke| (stroke.turns_s - stroke.climbs_s, stroke))
        .filter(|(lasts_s, _)| *lasts_s >= resolved_s)
        .filter_map(|(lasts_s, stroke)| Some((lasts_s, gas_of_climb(case, stroke, before_phi)?)))
        .collect();
    let Some(usual) = median(climbs.iter().map(|climb| climb.1).collect()) else { return true };
    climbs.iter().all(|(lasts_s, phi)| {
        let least = k::BETWEEN_SPREAD.value * usual;
        *phi >= if *lasts_s >= harms_s { least.max(limit_phi) } else { least }
    })
}

/// Richest gas in the second half of a climb at the ceiling, phi: while the air of the cut leaves the sensor the estimate
/// is steep, and richer than the gas wherever the sensor is faster than believed. One clearly richer than before the cuts
/// refutes the time constant that it stands on; what the fastest healthy sensor would have needed is then the least that
/// the gas must have been.
fn gas_of_climb(case: &Case<'_, '_>, stroke: &Stroke, before_phi: f64) -> Option<f64> {
    let scene = case.scene;
    let late_s = scene.delay_s(stroke.turns_s);
    let second_half_s = stroke.climbs_s.midpoint(stroke.turns_s);
    let first = scene.frames.partition_point(|f| f.time_s < second_half_s + late_s);
    let last = scene.frames.partition_point(|f| f.time_s <= stroke.turns_s + late_s + scene.period_s);
    let richest = |gas: fn(&Scene<'_>, usize) -> Option<f64>| {
        (first..last).filter_map(|index| gas(scene, index)).reduce(f64::max)
    };
    let likeliest = richest(deconvolve::gas_beyond_noise)?;
    if likeliest <= k::BETWEEN_RATIO.value * before_phi {
        Some(likeliest)
    } else {
        richest(deconvolve::least_gas)
    }
}

/// Whether some reading since the first cut, at the latest two readings after the last one, is within the rig's limit
/// under load, the sensor's lag taken off. The strokes of a limiter are alike, so one that is shown rich speaks for all.
fn comes_back(case: &Case<'_, '_>) -> bool {
    let scene = case.scene;
    let limit_phi = scene.view.rig.full_load_lambda_max.recip();
    let frames = case.episode.frames.start + 1..case.episode.frames.end + 2;
    let rich = |index: usize| {
        let frame = scene.frames.get(index)?;
        let phi = deconvolve::likeliest_gas(scene, index).unwrap_or(frame.phi).max(frame.phi);
        Some(phi >= limit_phi && limit::loaded_at(scene, frame.time_s - scene.delay_s(frame.time_s)))
    };
    frames.into_iter().any(|index| rich(index) == Some(true))
}

/// Whether no sample of the fuel pressure, where it is logged, is as low as a failing supply makes it.
fn pressure_holds(case: &Case<'_, '_>) -> bool {
    let Ok(drop) = fuel::pressure(case) else { return true };
    let least = drop.rail.samples(case.gas_start_s, case.gas_end_s).filter_map(|(time_s, _)| drop.at(time_s));
    least.into_iter().all(|pa| pa >= (1.0 - k::PRESSURE_DROP.value) * drop.before_pa)
}

/// Whether the engine climbs as it did before the ceiling wherever fuel was on for two samples in a row. Where injection
/// is not logged, or never pauses because the spark is cut, this cannot be seen and nothing is held against the limiter.
fn climbs_on_fuel(case: &Case<'_, '_>) -> bool {
    let scene = case.scene;
    let (Some(injection), Some(speed)) = (injection(scene), scene.witness(Role::EngineSpeed)) else {
        return true;
    };
    let on = |sample: &(f64, f64)| sample.1 > k::DUTY_ZERO.value;
    let samples: Vec<(f64, f64)> =
        injection.samples(case.gas_start_s - k::BEFORE_S.value, case.gas_end_s).collect();
    let Some(first_off) = samples.iter().position(|sample| !on(sample)) else { return true };
    let rate = |from_s: f64, to_s: f64| {
        let (from, to) = (speed.at(from_s, 0.01)?, speed.at(to_s, 0.01)?);
        (to_s > from_s).then(|| (to - from) / (to_s - from_s))
    };
    let pull = samples.first().zip(first_off.checked_sub(1).and_then(|i| samples.get(i)));
    let Some(usual) = pull.and_then(|(first, last)| rate(first.0, last.0)) else { return false };
    samples.get(first_off..).unwrap_or(&[]).windows(2).all(|pair| match pair {
        [a, b] if on(a) && on(b) && limit::loaded_at(scene, b.0) => {
            rate(a.0, b.0).is_some_and(|rate| rate >= k::CLIMB_SHARE.value * usual)
        }
        _ => true,
    })
}
