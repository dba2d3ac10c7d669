//! Dependence on air flow.

use super::{Case, Feature, Group, Reading};
use crate::lean::constants::{self as k, Tag};
use crate::lean::hypothesis::Cause;
use crate::lean::trace::{line, median};
use crate::log::Role;

pub(super) static DILUTION: Feature = Feature {
    name: "dilution_law",
    id: "F19",
    group: Group::Flow,
    summary: "the offset from target shrinks as one over air flow",
    looks: "large at idle and low flow, vanishing at high flow",
    decides: "a constant leak of air is a share that falls as engine air grows",
    cannot: "needs the commanded lambda and air flows that differ by a factor of two",
    tag: Tag::Assumed,
    run: dilution,
};

fn dilution(case: &Case<'_, '_>) -> Reading {
    let scene = case.scene;
    let Some(target) = scene.witness(Role::LambdaTarget) else {
        return Reading::not_evaluated("the commanded lambda is not logged");
    };
    let (Some(speed), Some(manifold)) = (scene.witness(Role::EngineSpeed), scene.manifold()) else {
        return Reading::not_evaluated("engine speed and manifold pressure are needed for air flow");
    };
    // One point per half second of settled running: relative offset over 1/flow (rpm times Pa).
    let mut points: Vec<(f64, f64)> = Vec::new();
    let mut bucket: Vec<f64> = Vec::new();
    let mut bucket_start = f64::NEG_INFINITY;
    for frame in scene.frames.iter().filter(|f| !f.clipped) {
        if frame.time_s - bucket_start > 0.5 {
            if let Some(offset) = median(std::mem::take(&mut bucket))
                && let (Some(rpm), Some(pressure)) =
                    (speed.at(bucket_start, 0.5), manifold.at(bucket_start, 0.5))
                && rpm > k::RUNNING_RPM.value
            {
                points.push((1e8 / (rpm * pressure.max(1e3)), offset));
            }
            bucket_start = frame.time_s;
        }
        if let Some(wanted) = target.at(frame.time_s, 0.5)
            && wanted > 0.3
        {
            bucket.push(frame.lambda / wanted - 1.0);
        }
    }
    points.retain(|p| p.1.abs() < 0.3);
    let reach = points.iter().map(|p| p.0).fold((f64::INFINITY, 0.0_f64), |r, x| (r.0.min(x), r.1.max(x)));
    if points.len() < 10 || reach.1 < k::FLOW_RATIO.value * reach.0 {
        return Reading::not_evaluated("air flow does not vary by a factor of two in settled running");
    }
    let Some(slope) = line(&points) else {
        return Reading::not_evaluated("air flow does not vary");
    };
    let t = slope.per_s / slope.error.max(1e-12);
    let at_low = slope.per_s * reach.1;
    let text =
        format!("offset from commanded lambda grows to {:.0} % at the lowest air flow", at_low * 100.0);
    let reading = Reading::seen(at_low * 100.0, "%", text);
    if t > 4.0 && at_low > 0.03 { reading.weigh(&[Cause::AirIngress], k::LR_DILUTION.value) } else { reading }
}
