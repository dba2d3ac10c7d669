//! What burnt between the cuts of a limiter, and whether anything at the ceiling was cut at all.

use std::ops::Range;

use super::Case;
use super::speed::{Stroke, all_strokes, strokes};
use crate::lean::constants as k;
use crate::lean::deconvolve;
use crate::lean::limit;
use crate::lean::trace::{Scene, Witness, median};
use crate::log::Role;

/// Whether the mixture came back between the cuts of a limiter: what burns there burns at full load. At the end of a
/// climb that lasts long enough to harm, the gas must be within the rig's limit by the best estimate, noise allowed for,
/// whether or not a film had the time to refill; and it must have been read there: duty and pressure say what was asked of
/// the injectors, not what they passed. Nor may one climb be leaner than the others: the strokes of a limiter are alike. Where readings or engine speed come too slowly to show a climb, nothing speaks for the engine.
pub(super) fn burns_rich_between(case: &Case<'_, '_>) -> bool {
    let scene = case.scene;
    let Some(before_phi) = case.before_phi else { return true };
    let speed_period_s = scene.witness(Role::EngineSpeed).map_or(0.0, |w| w.period_s());
    if scene.period_s.max(speed_period_s) > k::CLIMB_PERIOD_S.value {
        return false;
    }
    let limit_phi = scene.view.rig.full_load_lambda_max.recip();
    let harms_s = k::HARMFUL_CYCLES.value * scene.cycle_s(case.gas_start_s);
    let in_air = |stroke: &Stroke| {
        let lasts_s = stroke.turns_s - stroke.climbs_s;
        lasts_s >= harms_s && stays_at_stop(scene, stroke).is_some_and(|phi| phi < limit_phi)
    };
    let own = strokes(case);
    if own.iter().any(in_air) {
        return false;
    }
    // The best estimate stands on a response, and on a mixing with the air of the cut, that the log hardly shows.
    let unproved = |stroke: &Stroke| {
        lasts_between(stroke).is_some_and(|s| s >= harms_s)
            && !reads_rich(scene, stroke)
            && !lifts(scene, stroke)
    };
    if own.iter().any(unproved) {
        return false;
    }
    let resolved_s =
        (2.0 * scene.period_s).max(k::RE_ENTRY_S.value.min(1.5 * scene.chain.lean_to_rich.tau_s));
    let inside = |climb: &&Climb| own.iter().any(|stroke| stroke.turns_s == climb.turns_s);
    let resolved = |climb: &&Climb| climb.lasts_s >= resolved_s;
    let gas = |climb: &Climb| Some((climb.lasts_s, climb.gas_phi(before_phi)?));
    let all = climbs(scene);
    let between: Vec<(f64, f64)> = all.iter().filter(resolved).filter(inside).filter_map(gas).collect();
    let Some(usual) = median(between.iter().map(|climb| climb.1).collect()) else { return true };
    // Nor may all of a visit be leaner than those of the others: the limiter is the same.
    let apart = |climb: &&Climb| {
        let s = climb.turns_s;
        s < case.gas_start_s - k::PASS_GAP_S.value || s > case.gas_end_s + k::PASS_GAP_S.value
    };
    let elsewhere: Vec<f64> =
        all.iter().filter(resolved).filter(apart).filter_map(gas).map(|climb| climb.1).collect();
    let leaner = |elsewhere: f64| usual < k::BETWEEN_SPREAD.value * elsewhere;
    if elsewhere.len() as f64 >= k::SAW_TEETH.value && median(elsewhere).is_some_and(leaner) {
        return false;
    }
    between.iter().all(|(lasts_s, phi)| {
        let least = k::BETWEEN_SPREAD.value * usual;
        *phi >= if *lasts_s >= harms_s { least.max(limit_phi) } else { least }
    })
}

/// One climb of the engine between two cuts at its ceiling, and the richest gas in its second half.
#[derive(Clone, Copy, Debug)]
pub(in crate::lean) struct Climb {
    turns_s: f64,
    lasts_s: f64,
    /// By the best estimate, phi.
    likeliest: f64,
    /// What the fastest healthy sensor would have needed, phi; null where that cannot be told.
    least: Option<f64>,
}

impl Climb {
    /// Richest gas, phi: while the air of the cut leaves the sensor the estimate is steep, and richer than the gas wherever the
    /// sensor is faster than believed. One clearly richer than before the cuts refutes the time constant that it stands on; what
    /// the fastest healthy sensor would have needed is then the least that the gas must have been.
    fn gas_phi(&self, before_phi: f64) -> Option<f64> {
        if self.likeliest <= k::BETWEEN_RATIO.value * before_phi { Some(self.likeliest) } else { self.least }
    }
}

/// The climbs between cuts of the whole log.
fn climbs<'s>(scene: &'s Scene<'_>) -> &'s [Climb] {
    scene.climbs.get_or_init(|| all_strokes(scene).iter().filter_map(|stroke| climb(scene, stroke)).collect())
}

/// How long the engine climbs between two cuts, s; null of the way to the ceiling, which is longer.
fn lasts_between(stroke: &Stroke) -> Option<f64> {
    Some(stroke.turns_s - stroke.climbs_s).filter(|lasts_s| *lasts_s <= k::MERGE_CUT_S.value)
}

/// Whether the mixture of the second half of a climb was read within the rig's limit by more than a healthy reading may be off.
fn reads_rich(scene: &Scene<'_>, stroke: &Stroke) -> bool {
    let most = scene.view.rig.full_load_lambda_max - k::NEAR_LIMIT.value;
    let inside = scene.frames().part(second_half(scene, stroke)).unwrap_or_default();
    inside.iter().any(|frame| frame.lambda <= most)
}

/// Whether the throttle, as far as it is believed, ends a climb: what follows the last cut of a limiter is judged with what
/// lies beside it.
fn lifts(scene: &Scene<'_>, stroke: &Stroke) -> bool {
    let opened = limit::throttle(scene).and_then(|throttle| throttle.at(stroke.turns_s, 0.5));
    let full = limit::throttle_full(scene);
    opened.zip(full).is_some_and(|(opened, full)| opened < k::LOAD_THROTTLE_SHARE.value * full)
}

fn climb(scene: &Scene<'_>, stroke: &Stroke) -> Option<Climb> {
    let lasts_s = lasts_between(stroke)?;
    let frames = second_half(scene, stroke);
    let richest = |gas: fn(&Scene<'_>, usize) -> Option<f64>| {
        frames.clone().filter_map(|index| gas(scene, index)).reduce(f64::max)
    };
    // What the way down from the end stop shows is a bound from below: it may speak for the engine, never against it.
    let raised =
        |gas: Option<f64>, bound: Option<f64>| gas.map(|gas| bound.map_or(gas, |bound| gas.max(bound)));
    let likeliest = raised(richest(deconvolve::gas_beyond_noise), richest(deconvolve::gas_beyond_stop))?;
    let least = raised(richest(deconvolve::least_gas), richest(deconvolve::least_gas_beyond_stop));
    Some(Climb { turns_s: stroke.turns_s, lasts_s, likeliest, least })
}

/// Frames that show the gas of the second half of a climb.
fn second_half(scene: &Scene<'_>, stroke: &Stroke) -> Range<usize> {
    let late_s = scene.delay_s(stroke.turns_s);
    let from_s = stroke.climbs_s.midpoint(stroke.turns_s) + late_s;
    let to_s = stroke.turns_s + late_s + scene.period_s;
    scene.frames().partition_point(|f| f.time_s < from_s)
        ..scene.frames().partition_point(|f| f.time_s <= to_s)
}

/// Richest gas of a climb at the ceiling through whose second half the reading stays at its end stop, phi: had the engine
/// burnt within the limit, even the slowest sensor believed in would have left it. Null where it left it, or was not read.
fn stays_at_stop(scene: &Scene<'_>, stroke: &Stroke) -> Option<f64> {
    let inside = scene.frames().part(second_half(scene, stroke))?;
    let latest = inside.last().filter(|_| inside.iter().all(|frame| frame.clipped))?;
    // The engine turned within a sample of its speed.
    let speed_period_s = scene.witness(Role::EngineSpeed)?.period_s();
    let doubt_s = scene.delay_doubt_s(latest.time_s) + speed_period_s;
    let late_s = scene.delay_s(stroke.turns_s);
    let burnt_s = latest.time_s.min(stroke.turns_s + late_s) - late_s;
    let lasts_s = burnt_s - stroke.climbs_s - doubt_s;
    deconvolve::gas_at_stop(scene, latest, lasts_s)
}

/// Why the ceiling that engine speed is at during an event is no limiter's; null where nothing tells. A limiter that is at
/// work cuts: where the mixture stays rich while the speed stays there, however it moves, and where the vehicle goes on
/// climbing in its gear, it is the end of a range.
pub(super) fn not_limited(case: &Case<'_, '_>, ceiling: f64, speed: Witness<'_>) -> Option<&'static str> {
    let scene = case.scene;
    let (from_s, until_s) = visit(case, ceiling, speed)?;
    if uncut(scene, speed, from_s, until_s) {
        return Some(
            "engine speed stays at its ceiling with a mixture that no limiter cuts: the end of its range",
        );
    }
    let road = scene.witness(Role::VehicleSpeed)?;
    // Filters let road speed arrive late.
    let begins_s = from_s + k::ROAD_LATE_S.value;
    let middle_s = begins_s.midpoint(until_s);
    let slope = road.slope(begins_s, until_s)?;
    let least = (slope.per_s - 2.0 * slope.error) * (until_s - begins_s);
    let climbs =
        road.at(middle_s, k::HELD_S.value).is_some_and(|usual| least >= k::ROAD_CLIMBS.value * usual);
    climbs.then_some(
        "engine speed stays at its ceiling while the vehicle goes on climbing: the end of its range",
    )
}

/// When engine speed met its ceiling and left it, about an event, s.
fn visit(case: &Case<'_, '_>, ceiling: f64, speed: Witness<'_>) -> Option<(f64, f64)> {
    let around = |time: f64| (time - k::PASS_GAP_S.value, time + k::PASS_GAP_S.value);
    let (from_s, until_s) = (around(case.gas_start_s).0, around(case.gas_end_s).1);
    let samples: Vec<(f64, f64)> = speed.samples(from_s, until_s).collect();
    let inside = |sample: &(f64, f64)| sample.1 >= k::LIMITER_BAND.value * ceiling;
    let reach_s = speed.skew_s();
    let about = |run: &&[(f64, f64)]| match run {
        [first, .., last] => first.0 - reach_s <= case.gas_end_s && last.0 + reach_s >= case.gas_start_s,
        _ => false,
    };
    let run = samples
        .chunk_by(|a, b| inside(a) == inside(b))
        .filter(|run| run.first().is_some_and(inside))
        .find(about)?;
    let met = run.iter().find(|sample| sample.1 >= k::CEILING_MET.value * ceiling)?;
    Some((met.0, run.last()?.0))
}

/// Whether the mixture stays within the rig's limit for longer than a limiter lets it while the engine, at its ceiling, climbs
/// no more: on its way there nothing is cut yet. Not known where readings lack.
fn uncut(scene: &Scene<'_>, speed: Witness<'_>, from_s: f64, until_s: f64) -> bool {
    let limit = scene.view.rig.full_load_lambda_max;
    // Between readings far apart a cut or two may be missed.
    let lasts_s = k::UNCUT_S.value.max(k::UNCUT_FRAMES.value * scene.period_s);
    let first = scene.frames().partition_point(|f| f.time_s < from_s);
    let gas_s = |time_s: f64| time_s - scene.delay_s(time_s);
    let inside = scene
        .frames()
        .part(first..)
        .unwrap_or_default()
        .iter()
        .map(|f| (gas_s(f.time_s), f))
        .skip_while(|(gas_s, _)| *gas_s < from_s);
    let inside: Vec<(f64, bool)> = inside
        .take_while(|(gas_s, _)| *gas_s <= until_s)
        .map(|(gas_s, frame)| (gas_s, frame.lambda <= limit))
        .collect();
    let runs = inside.chunk_by(|a, b| a.1 == b.1 && b.0 - a.0 <= lasts_s).filter(|run| run[0].1);
    runs.map(|run| (run[0].0, run[run.len() - 1].0)).any(|(since_s, last_s)| {
        // The last so many seconds of it: what came before may have been the climb to the ceiling.
        let since_s = since_s.max(last_s - lasts_s);
        let climbs = speed.slope(since_s, last_s).is_some_and(|s| s.per_s - 2.0 * s.error > 0.0);
        last_s - since_s >= lasts_s - 1e-9 && !climbs
    })
}
