//! What burnt between the cuts of a limiter.

use super::Case;
use super::speed::{Stroke, strokes};
use crate::lean::constants as k;
use crate::lean::deconvolve;
use crate::lean::trace::{Scene, median};
use crate::log::Role;

/// Whether the mixture came back between the cuts of a limiter: what burns there burns at full load. At the end of a
/// climb that lasts long enough to harm, the gas must be within the rig's limit by the best estimate, noise allowed for,
/// whether or not a film had the time to refill. Nor may one climb be leaner than the others: the strokes of a limiter are
/// alike. Where readings or engine speed come too slowly to show a climb, nothing speaks for the engine.
pub(super) fn burns_rich_between(case: &Case<'_, '_>) -> bool {
    let scene = case.scene;
    let Some(before_phi) = case.before_phi else { return true };
    let speed_period_s = scene.witness(Role::EngineSpeed).map_or(0.0, |w| w.period_s());
    if scene.period_s.max(speed_period_s) > k::CLIMB_PERIOD_S.value {
        return false;
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
