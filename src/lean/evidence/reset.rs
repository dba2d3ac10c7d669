//! The controller's own restart: its rest value, its warm-up curve, and an engine that pulls on meanwhile.

use std::ops::Range;

use super::pull::{self, Others};
use super::{Case, Feature, Group, Reading};
use crate::lean::constants::{self as k, Tag};
use crate::lean::hypothesis::{Cause, TORQUE as TORQUE_CAUSES};
use crate::lean::limit;
use crate::lean::trace::{Frame, Scene, line, median};
use crate::log::Role;
use crate::state::bit;

pub(super) static REST_VALUE: Feature = Feature {
    name: "rest_value",
    id: "F13",
    group: Group::Electrical,
    summary: "shows the value the controller shows before it is ready",
    looks: "a step to the exact rest value of the power-up, for seconds, then a warm-up curve",
    decides: "the rest value is known from the first seconds of the log and held exactly; at the lean end stop, only \
              with an engine that pulls as in other passes",
    cannot: "no power where the rest value is the lean end stop and no torque contradicts it: a real lean event stays \
             there too",
    tag: Tag::Assumed,
    run: rest_value,
};

/// Whether a reading is exactly the value that the controller shows before it is ready.
pub(super) fn at_rest(scene: &Scene<'_>, lambda: f64) -> bool {
    scene.chain.rest_value.is_some_and(|rest| (lambda - rest).abs() <= slack(scene))
}

fn slack(scene: &Scene<'_>) -> f64 {
    0.5 * scene.channel.resolution() + 1e-9
}

/// All frames around one that show the same value without a break.
pub(super) fn whole_run(scene: &Scene<'_>, at: usize) -> Range<usize> {
    let Some(value) = scene.frames().get(at).map(|f| f.lambda) else { return at..at };
    let same = |f: &Frame| (f.lambda - value).abs() <= slack(scene);
    let before = scene.frames().part(..at).unwrap_or_default().iter().rev().take_while(|f| same(f)).count();
    let after = scene.frames().part(at..).unwrap_or_default().iter().take_while(|f| same(f)).count();
    at - before..at + after
}

/// The run at the rest value that covers most of an event, whole, with its length in s.
fn resting(case: &Case<'_, '_>) -> Option<(Range<usize>, f64)> {
    let scene = case.scene;
    let event = &case.episode.frames;
    let mut best: Option<Range<usize>> = None;
    let mut index = event.start;
    while index < event.end {
        let run = whole_run(scene, index);
        if scene.frames().get(index).is_some_and(|f| at_rest(scene, f.lambda)) {
            let inside = |run: &Range<usize>| run.end.min(event.end) - run.start.max(event.start);
            if best.as_ref().is_none_or(|b| inside(&run) > inside(b)) {
                best = Some(run.clone());
            }
        }
        index = run.end.max(index + 1);
    }
    let run = best?;
    let (first, last) = (scene.frames().get(run.start)?, scene.frames().get(run.end.checked_sub(1)?)?);
    let held_s = last.time_s - first.time_s;
    Some((run, held_s))
}

/// Whether most of an event stands at the rest value.
pub(super) fn rests(case: &Case<'_, '_>) -> bool {
    let event = &case.episode.frames;
    resting(case).is_some_and(|(run, held_s)| {
        let inside = run.end.min(event.end).saturating_sub(run.start.max(event.start));
        held_s >= k::RESET_HOLD_S.value && 2 * inside > event.len()
    })
}

/// Whether an event ends at the rest value with a proof that the controller was not measuring: what follows is its
/// warm-up, not the sensor's way back.
pub(super) fn ends_at_rest(case: &Case<'_, '_>) -> bool {
    let last = case.episode.frames.end.checked_sub(1);
    let rests = last.and_then(|i| case.scene.frames().get(i)).is_some_and(|f| at_rest(case.scene, f.lambda));
    rests && rest_value(case).proof.zip(last).is_some_and(|(proof, last)| proof.contains(&last))
}

/// Whether the last values of an event stood still for ten fresh ones, off the end stop, on a channel whose noise
/// moves it.
pub(super) fn stood_still(case: &Case<'_, '_>) -> bool {
    let scene = case.scene;
    let Some(last) = case.episode.frames.end.checked_sub(1) else { return false };
    let Some(frame) = scene.frames().get(last) else { return false };
    let steps = scene.noise_phi_raw * frame.lambda.powi(2) / scene.channel.resolution().max(1e-9);
    let run = whole_run(scene, last);
    !frame.clipped
        && frame.lambda < scene.highest_lambda - 4.0 * slack(scene)
        && steps >= k::STALE_NOISE_STEPS.value
        && run.len() as f64 >= k::STALE_FRAMES.value * scene.repeats
}

/// Whether the rest value is the lean end stop, where gas stays as well.
fn rests_at_stop(scene: &Scene<'_>) -> bool {
    let stop = scene.chain.clip_lean.unwrap_or(scene.highest_lambda).min(scene.highest_lambda);
    scene.chain.rest_value.is_some_and(|rest| rest >= stop - 4.0 * slack(scene) - 1e-3)
}

fn rest_value(case: &Case<'_, '_>) -> Reading {
    let scene = case.scene;
    if let Some(reading) = status(case) {
        return reading;
    }
    let Some(rest) = scene.chain.rest_value else {
        return Reading::not_evaluated("the log does not show the controller's rest value");
    };
    let Some((run, held_s)) = resting(case) else {
        return Reading::seen(rest, "lambda", format!("the reading is not the rest value {rest:.3}"));
    };
    if held_s < k::RESET_HOLD_S.value {
        return Reading::not_evaluated(format!(
            "at the rest value for {held_s:.2} s only: readings pass through it"
        ));
    }
    let event = &case.episode.frames;
    let causes = reset_causes(case, &run);
    if rests_at_stop(scene) {
        return match pulling(scene, &run, held_s) {
            Err(because) => Reading::not_evaluated(format!(
                "the rest value is the lean end stop, where a real lean event stays as well, and {because}"
            )),
            Ok(pull) if pull.log10 < k::PULL_PROOF.value => Reading::not_evaluated(
                "the rest value is the lean end stop, where a real lean event stays as well, and the pull does not \
                 say whether all cylinders fired",
            ),
            Ok(pull) => {
                let proof = pull.of(scene, event);
                let reading = Reading::seen(
                    held_s,
                    "s",
                    format!(
                        "exactly the rest value {rest:.3} of the power-up for {held_s:.1} s, through a pull with all \
                         of the usual torque: the controller was not measuring"
                    ),
                );
                if proof.is_empty() { reading } else { reading.weigh(causes, k::LR_RESET.value).prove(proof) }
            }
        };
    }
    let steps = scene.noise_phi_raw * rest.powi(2) / scene.channel.resolution().max(1e-9);
    let quiet = steps < k::STALE_NOISE_STEPS.value;
    let weight = if quiet { k::LR_RESET_QUIET.value } else { k::LR_RESET.value };
    Reading::seen(
        held_s,
        "s",
        format!("exactly the rest value {rest:.3} of the power-up for {held_s:.1} s: the controller was not measuring"),
    )
    .weigh(causes, weight)
    .prove(run.start.max(event.start)..run.end.min(event.end))
}

/// At power-up the element is cold; later the controller started again; with the supply below every supply
/// code the sag made it.
fn reset_causes(case: &Case<'_, '_>, run: &Range<usize>) -> &'static [Cause] {
    let scene = case.scene;
    let start_s = scene.frames().get(run.start).map_or_else(|| case.episode.start_s(scene), |f| f.time_s);
    let low =
        scene.witness(Role::SupplyVoltage).and_then(|witness| witness.range(start_s - 0.5, start_s + 0.5));
    if scene.power_up_s.is_some_and(|t| start_s - t < 5.0) {
        &[Cause::SensorCold]
    } else if low.is_some_and(|(low, _)| low < k::BROWN_OUT_V.value) {
        &[Cause::SupplySag, Cause::ControllerReset]
    } else {
        &[Cause::ControllerReset]
    }
}

/// The controller's own status word, where it is logged: the value of the power-up, not that of running.
fn status(case: &Case<'_, '_>) -> Option<Reading> {
    let scene = case.scene;
    let witness = scene.witness(Role::SensorStatus)?;
    let usual = witness.median(f64::NEG_INFINITY, f64::INFINITY)?;
    let first = witness.samples(f64::NEG_INFINITY, f64::INFINITY).next()?.1;
    let (low, high) = witness.range(case.episode.start_s(scene), case.episode.end_s(scene))?;
    let starting = (first - usual).abs() > 0.5 && (low - first).abs() < 0.5 && (high - first).abs() < 0.5;
    starting.then(|| {
        Reading::seen(
            first,
            "status",
            format!("the controller reported status {first:.0}, as before it was ready"),
        )
        .weigh(reset_causes(case, &case.episode.frames), k::LR_RESET.value)
        .prove(case.episode.frames.clone())
    })
}

pub(super) static WARM_UP_CURVE: Feature = Feature {
    name: "warm_up_curve",
    id: "F13'",
    group: Group::Shape,
    summary: "leaves the rest value as it did at power-up, unlike the sensor's own way",
    looks: "an exponential from the exact rest value to live values, with the time of the power-up of this log",
    decides: "the curve belongs to the controller: gas comes back with the sensor's own, shorter, time constant",
    cannot: "needs both curves with four fresh values each, and a curve at least twice as slow as the sensor's way \
             back; a film of fuel that fills up again can look like it",
    tag: Tag::Assumed,
    run: warm_up_curve,
};

fn warm_up_curve(case: &Case<'_, '_>) -> Reading {
    let scene = case.scene;
    if scene.chain.rest_value.is_none() {
        return Reading::not_evaluated("the log does not show the controller's rest value");
    }
    let first = whole_run(scene, 0);
    if !scene.frames().first().is_some_and(|f| at_rest(scene, f.lambda)) {
        return Reading::not_evaluated(
            "the log does not begin at the rest value, so it shows no power-up curve",
        );
    }
    let Some((run, _)) = resting(case).filter(|(_, held_s)| *held_s >= k::RESET_HOLD_S.value) else {
        return Reading::not_evaluated("the event holds no run at the rest value to come back from");
    };
    if run.start == 0 {
        return Reading::not_evaluated("it is the power-up itself");
    }
    let (Some(start), Some(here)) = (curve_s(scene, first.end), curve_s(scene, run.end)) else {
        return Reading::not_evaluated(
            "the way from the rest value to live values is not resolved at power-up or here",
        );
    };
    let own_s = scene.chain.lean_to_rich.quantile(0.975);
    let slow = start.min(here) >= 2.0 * own_s;
    let alike = (start / here).ln().abs() <= (1.0 + k::CURVE_TOLERANCE.value).ln();
    let text = format!(
        "it left the rest value with {here:.2} s, at power-up with {start:.2} s; the sensor's own way back takes \
         {own_s:.2} s or less"
    );
    let reading = Reading::seen(here, "s", text);
    if slow && alike { reading.weigh(reset_causes(case, &run), k::LR_WARM_UP_CURVE.value) } else { reading }
}

/// Time constant of the way from the rest value, whose last frame is before `from`, to the live level, s.
fn curve_s(scene: &Scene<'_>, from: usize) -> Option<f64> {
    let frames = scene.frames().part(from.checked_sub(1)?..)?;
    let (rest, left) = (frames.first()?, frames.get(1)?);
    if left.time_s - rest.time_s > 3.0 * scene.period_s {
        return None;
    }
    let start_s = left.time_s;
    let live = median(
        frames
            .iter()
            .take_while(|f| f.time_s <= start_s + 2.5)
            .filter(|f| f.time_s >= start_s + 1.5)
            .map(Frame::phi)
            .collect(),
    )?;
    let depth = live - rest.phi();
    let floor = 3.0 * scene.noise_phi.max(0.02 * depth.abs());
    if depth.abs() < 3.0 * floor {
        return None;
    }
    let points: Vec<(f64, f64)> = frames
        .iter()
        .skip(1)
        .take_while(|f| f.time_s <= start_s + 1.5 && (live - f.phi()) * depth.signum() > floor)
        .map(|f| (f.time_s, ((live - f.phi()) / depth).abs().ln()))
        .collect();
    let slope = line(&points)?;
    // The logarithm of an exponential is straight.
    (slope.per_s < 0.0 && slope.residual < 0.25).then(|| -slope.per_s.recip())
}

pub(super) static PULLS_ON: Feature = Feature {
    name: "pulls_on",
    id: "F12\"",
    group: Group::Torque,
    summary: "the engine pulls as in other passes while the reading stands at the rest value",
    looks: "engine speed climbs as fast as at the same speed, ratio and manifold pressure with a rich reading",
    decides: "above lambda 1 burnt energy goes with 1/lambda, and dead cylinders give none: full torque contradicts the \
              reading",
    cannot: "needs 2 s at a rest value that is the lean end stop, half a second under load away from limiter and gear \
             changes, another pass in the same gear, and the ratio where there are gears",
    tag: Tag::Computed,
    run: pulls_on,
};

fn pulls_on(case: &Case<'_, '_>) -> Reading {
    let scene = case.scene;
    if !rests_at_stop(scene) {
        return Reading::not_evaluated("the rest value is not the lean end stop, or not known");
    }
    let Some((run, held_s)) = resting(case) else {
        return Reading::not_evaluated("the event does not stand at the rest value");
    };
    match pulling(scene, &run, held_s) {
        Err(because) => Reading::not_evaluated(because),
        Ok(pull) => {
            let text = format!(
                "engine speed climbed with {:.0} % of its usual torque in {} windows; the reading would leave {:.0} %",
                100.0 * pull.torque,
                pull.windows,
                100.0 * pull.expected
            );
            let cap = k::LR_TORQUE.value;
            Reading::seen(100.0 * pull.torque, "%", text).weigh(TORQUE_CAUSES, -pull.log10.clamp(-cap, cap))
        }
    }
}

/// What the pulls of a run say together.
struct Firing {
    /// Frames of the run from the first one on from which the engine is known to fire.
    frames: Range<usize>,
    /// When it is known to, s.
    known_s: Vec<(f64, f64)>,
    windows: usize,
    /// Mean share of the usual torque.
    torque: f64,
    /// Share that the reading leaves.
    expected: f64,
    /// For full torque, against what the reading leaves.
    log10: f64,
}

/// Compares the pull under a run at the end stop with the other pulls of the log.
fn pulling(scene: &Scene<'_>, run: &Range<usize>, held_s: f64) -> Result<Firing, String> {
    if held_s < k::RESET_STOP_S.value {
        return Err(format!("it lasts {held_s:.1} s only"));
    }
    let (Some(first), Some(last)) =
        (scene.frames().get(run.start), run.end.checked_sub(1).and_then(|i| scene.frames().get(i)))
    else {
        return Err("it has no frames".to_owned());
    };
    let here = pull::pulls(scene, first.time_s, last.time_s)?;
    if here.is_empty() {
        return Err("no half second of steady full load lies in it".to_owned());
    }
    let others = Others::outside(scene, first.time_s, last.time_s)?;
    // The mildest reading of the end stop that gas could have had.
    let expected = (1.02 * first.phi()).min(1.0);
    let mut pull = Firing {
        frames: run.end..run.end,
        known_s: Vec::new(),
        windows: 0,
        torque: 0.0,
        expected,
        log10: 0.0,
    };
    let mut free_s = f64::NEG_INFINITY;
    for window in &here {
        let Some((climb, best)) = others.usual(window) else { continue };
        let change = ((window.climb.0 - climb) / best).min(0.0);
        let variance = (window.climb.1 / best).powi(2) + k::TORQUE_MODEL.value.powi(2);
        let loss = 1.0 - expected;
        let log10 = ((change + loss).powi(2) - change.powi(2)) / (2.0 * variance) / std::f64::consts::LN_10;
        if log10 < 0.0 {
            // Torque is lost: from here on, and before, the reading may be right.
            return Err("in it the engine loses torque".to_owned());
        }
        pull.known_s.push(window.span_s);
        let start_s = window.span_s.0;
        if start_s < free_s {
            continue;
        }
        free_s = start_s + k::PULL_WINDOW_S.value;
        let frames = scene.frames().part(run.clone()).unwrap_or_default();
        if pull.windows == 0 {
            pull.frames.start = run.start + frames.partition_point(|f| f.time_s < start_s);
        }
        pull.windows += 1;
        pull.torque += 1.0 + change;
        pull.log10 += log10;
    }
    pull.frames.start = unloaded_before(scene, run, pull.frames.start);
    if pull.windows == 0 {
        return Err("no other pass pulls in the same gear at the same speed and pressure".to_owned());
    }
    pull.torque /= pull.windows as f64;
    Ok(pull)
}

impl Firing {
    /// Frames of an event over which the engine is known to fire or not to be under load: of a load that lasts on
    /// beyond the pulls that say so, no more than windows leave over.
    fn of(&self, scene: &Scene<'_>, event: &Range<usize>) -> Range<usize> {
        let start = self.frames.start.max(event.start);
        let end = self.frames.end.min(event.end);
        let near = |time_s: f64| {
            let reach = k::PULL_LEFT_S.value;
            self.known_s.iter().any(|known| time_s >= known.0 - reach && time_s <= known.1 + reach)
        };
        let known = scene.frames().part(start..end).unwrap_or_default().iter();
        let count = known.take_while(|f| near(f.time_s) || !limit::loaded_at(scene, f.time_s)).count();
        start..start + count
    }
}

/// Walks back from the first frame known to be no gas, through the same unbroken value, while the engine is fired
/// without load: there a lean reading is no danger, and no cut explains it. A lead under load stays open unless the
/// value had stood since before the load came.
fn unloaded_before(scene: &Scene<'_>, run: &Range<usize>, from: usize) -> usize {
    let cut = bit::OVER_RUN | bit::LIMITER | bit::GEAR_CHANGE | bit::UNLOAD;
    let state = |index: usize| {
        let frame = scene.frames().get(index)?;
        let row = scene.view.log.clock.row_at(frame.time_s - scene.delay_s(frame.time_s));
        let shut = limit::throttle(scene)
            .and_then(|w| w.at(frame.time_s, 0.5))
            .is_some_and(|v| v < k::CLOSED_THROTTLE.value);
        Some((scene.view.state.has(row, cut) || shut, limit::loaded_at(scene, frame.time_s)))
    };
    let mut open = from;
    let mut index = from;
    while let Some(before) = index.checked_sub(1).filter(|before| *before >= run.start) {
        match state(before) {
            Some((false, loaded)) => {
                index = before;
                if !loaded {
                    open = index;
                }
            }
            _ => break,
        }
    }
    open
}
