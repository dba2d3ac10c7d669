//! Dependence on air flow.

use rayon::prelude::*;

use super::{Case, Feature, Group, Reading};
use crate::figure::figure;
use crate::lean::constants::{self as k, Tag};
use crate::lean::hypothesis::Cause;
use crate::lean::trace::{Frame, Frames, Scene, Settled, line, median};
use crate::log::Role;
use crate::state::bit;

pub(super) static DILUTION: Feature = Feature {
    name: "dilution_law",
    id: "F19",
    group: Group::Flow,
    summary: "the excess shrinks as one over air flow, here as in the rest of the log",
    looks: "large at idle and low flow, vanishing at high flow; this event lies on the line of the others",
    decides: "a constant leak of air is a share that falls as engine air grows",
    cannot: "needs engine speed, manifold pressure and air flows that differ by a factor of two; without the commanded \
             lambda only closed loop can be compared; a map that is lean at low flow bends the same way",
    tag: Tag::Assumed,
    run: dilution,
};

/// Relative excess over what is commanded, against one over flow (rpm times Pa, scaled).
#[derive(Clone, Copy)]
struct Point {
    inverse_flow: f64,
    excess: f64,
}

fn dilution(case: &Case<'_, '_>) -> Reading {
    let scene = case.scene;
    if scene.witness(Role::EngineSpeed).is_none() || scene.manifold().is_none() {
        return Reading::not_evaluated("engine speed and manifold pressure are needed for air flow");
    }
    let own: Vec<Point> = case
        .episode
        .lean(scene)
        .filter(|(_, frame)| !frame.clipped)
        .filter_map(|(_, frame)| point(scene, frame))
        .collect();
    let (Some(own_flow), Some(own_excess)) = (
        median(own.iter().map(|p| p.inverse_flow).collect()),
        median(own.iter().map(|p| p.excess).collect()),
    ) else {
        return Reading::not_evaluated(
            "neither the commanded lambda nor closed loop to compare with, or a cut",
        );
    };
    let points = others(case);
    let reach = points.iter().fold((own_flow, own_flow), |r, p| (r.0.min(p.0), r.1.max(p.0)));
    if points.len() < 10 || reach.1 < k::FLOW_RATIO.value * reach.0 {
        return Reading::not_evaluated("air flow does not vary by a factor of two in settled running");
    }
    let Some(slope) = line(&points) else {
        return Reading::not_evaluated("air flow does not vary");
    };
    let count = points.len() as f64;
    let mean = points.iter().fold((0.0, 0.0), |m, p| (m.0 + p.0 / count, m.1 + p.1 / count));
    let predicted = mean.1 + slope.per_s * (own_flow - mean.0);
    let text = format!(
        "from the other running, a leak would put {} % on lambda at this air flow; read {} %",
        figure(100.0 * predicted, 0),
        figure(100.0 * own_excess, 0)
    );
    let reading = Reading::seen(100.0 * predicted, "%", text);
    let grows = slope.per_s > 4.0 * slope.error.max(1e-12) && predicted >= k::DILUTION_LEAST.value;
    let fits = (own_excess - predicted).abs() <= f64::max(0.04, k::DILUTION_FIT.value * predicted);
    if grows && fits { reading.weigh(&[Cause::AirIngress], k::LR_DILUTION.value) } else { reading }
}

/// Stretches that one question looks at; more of a long log tell no more, and would make the work for all its events
/// grow with its square.
const MOST_SETTLED: usize = 20_000;
/// Length of a stretch, s.
const SETTLED_S: f64 = 0.5;

/// Settled running outside the event: one over air flow, and excess.
fn others(case: &Case<'_, '_>) -> Vec<(f64, f64)> {
    let scene = case.scene;
    let (start_s, end_s) = (case.episode.start_s(scene) - 1.0, case.episode.end_s(scene) + 1.0);
    let settled = scene.settled.get_or_init(|| settled(scene)).iter();
    let outside = settled.filter(|half| half.span_s.1 < start_s || half.span_s.0 > end_s);
    outside.map(|half| (half.inverse_flow, half.excess)).collect()
}

/// One point per half second of settled running; of a log of many hours every second or third half second, say.
fn settled(scene: &Scene<'_>) -> Vec<Settled> {
    let mut halves: Vec<Frames<'_>> = Vec::new();
    let mut rest = scene.frames();
    while let Some(first) = rest.first() {
        let count = rest.iter().take_while(|frame| frame.time_s - first.time_s <= SETTLED_S).count();
        let (Some(half), Some(after)) = (rest.part(..count), rest.part(count..)) else { break };
        halves.push(half);
        rest = after;
    }
    let stride = halves.len().div_ceil(MOST_SETTLED).max(1);
    let of = |half: Frames<'_>| {
        let open = half.iter().filter(|frame| !frame.clipped);
        let points: Vec<Point> = open.filter_map(|frame| point(scene, frame)).collect();
        Some(Settled {
            span_s: (half.first()?.time_s, half.last()?.time_s),
            inverse_flow: median(points.iter().map(|p| p.inverse_flow).collect())?,
            excess: median(points.iter().map(|p| p.excess).collect()).filter(|excess| excess.abs() < 0.5)?,
        })
    };
    let asked: Vec<Frames<'_>> = halves.into_iter().step_by(stride).collect();
    asked.into_par_iter().filter_map(of).collect()
}

/// The excess of a frame; null in cuts and warm-up, and under load where the commanded lambda is not logged.
fn point(scene: &Scene<'_>, frame: Frame) -> Option<Point> {
    let gas_s = frame.time_s - scene.delay_s(frame.time_s);
    let odd = bit::OVER_RUN | bit::LIMITER | bit::GEAR_CHANGE | bit::UNLOAD | bit::WARM_UP | bit::CRANKING;
    if scene.view.state.has(scene.view.log.clock.row_at(gas_s), odd) {
        return None;
    }
    let rpm = scene.witness(Role::EngineSpeed)?.at(gas_s, 0.5).filter(|rpm| *rpm > k::RUNNING_RPM.value)?;
    let pressure = scene.manifold()?.at(gas_s, 0.5)?.max(1e3);
    let wanted = match scene.witness(Role::LambdaTarget) {
        Some(target) => target.at(gas_s, 0.5).filter(|wanted| *wanted > 0.3)?,
        None if crate::lean::limit::loaded_at(scene, gas_s) => return None,
        None => 1.0,
    };
    Some(Point { inverse_flow: 1e8 / (rpm * pressure), excess: frame.lambda / wanted - 1.0 })
}
