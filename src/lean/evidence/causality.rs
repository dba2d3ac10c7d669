//! Order of cause and effect.

use super::{Case, Feature, Group, Reading};
use crate::lean::constants::{self as k, Tag};
use crate::lean::hypothesis::Cause;
use crate::lean::limit;

pub(super) static ORDER: Feature = Feature {
    name: "order",
    id: "F16",
    group: Group::Causality,
    summary: "the reading departs before the throttle that is to have caused it closed",
    looks: "lambda rises earlier than the throttle closes plus half the gas delay",
    decides: "an effect cannot come before its cause",
    cannot: "channels may be skewed by a sample each: less than that is not counted; a pressure that sags and a film that \
             lags begin before they pass any mark, so nothing is said of fuel supply and tip-in",
    tag: Tag::Computed,
    run: order,
};

fn order(case: &Case<'_, '_>) -> Reading {
    let (Some(throttle), Some(closed_s)) = (limit::throttle(case.scene), closing_s(case)) else {
        return Reading::not_evaluated("no throttle closes in this event");
    };
    let lead_s = departure_s(case) - (closed_s + 0.5 * case.delay_s);
    if lead_s < -case.tolerance_s(throttle.skew_s()) {
        let text = format!("lambda rose {:.0} ms before the closing throttle could reach it", -lead_s * 1e3);
        // A pull that goes lean just before the throttle closes departs early too: its flank is judged alone.
        return Reading::seen(lead_s * 1e3, "ms", text)
            .weigh(&[Cause::Overrun], k::LR_CAUSALITY_OVERRUN.value);
    }
    let text = format!(
        "lambda rose {:.0} ms after the closing throttle could reach it: the order fits",
        lead_s.max(0.0) * 1e3
    );
    Reading::seen(lead_s * 1e3, "ms", text)
}

/// When the reading first left its level before the event, s: walks back while it was rising beyond the noise.
fn departure_s(case: &Case<'_, '_>) -> f64 {
    let scene = case.scene;
    let mut index = case.episode.frames.start;
    let start = case.episode.start_s(scene);
    let level = case.before_phi.unwrap_or(f64::INFINITY);
    while let (Some(before), Some(here)) =
        (index.checked_sub(1).and_then(|i| scene.frames().get(i)), scene.frames().get(index))
    {
        let rising = before.phi() > here.phi();
        let departed = before.phi() < level - 4.0 * scene.noise_phi;
        if !rising || !departed || start - before.time_s > 2.0 {
            break;
        }
        index -= 1;
    }
    scene.frames().get(index).map_or(start, |f| f.time_s)
}

/// Last moment at which the throttle closed in the second around the start, s.
fn closing_s(case: &Case<'_, '_>) -> Option<f64> {
    let throttle = limit::throttle(case.scene)?;
    let samples: Vec<(f64, f64)> =
        throttle.samples(case.gas_start_s - 1.0, case.gas_end_s.min(case.gas_start_s + 1.0)).collect();
    samples.windows(2).find_map(|w| match w {
        [a, b] if a.1 >= k::CLOSED_THROTTLE.value && b.1 < k::CLOSED_THROTTLE.value => Some(a.0),
        _ => None,
    })
}
