//! Order of cause and effect.

use super::{Case, Feature, Group, Reading, fuel, state};
use crate::lean::constants::{self as k, Tag};
use crate::lean::hypothesis::Cause;
use crate::lean::limit;

pub(super) static ORDER: Feature = Feature {
    name: "order",
    id: "F16",
    group: Group::Causality,
    summary: "the reading departs before its alleged cause could reach it",
    looks: "lambda rises earlier than pressure, throttle or opening plus half the gas delay",
    decides: "an effect cannot come before its cause",
    cannot: "channels may be skewed by a sample each: less than that is not counted",
    tag: Tag::Assumed,
    run: order,
};

fn order(case: &Case<'_, '_>) -> Reading {
    let scene = case.scene;
    let departs_s = departure_s(case);
    let mut against: Vec<(Cause, f64)> = Vec::new();
    let mut tested = Vec::new();
    if let Ok(drop) = fuel::pressure(case)
        && drop.share() >= k::PRESSURE_DROP.value
        && let Some(falls) = drop.falls_s
    {
        let lead = departs_s - (falls + 0.5 * case.delay_s);
        tested.push(("fuel pressure", lead));
        // A slow fall leans the gas before it passes the mark: only a pressure that still stood contradicts.
        let stood = drop
            .at(departs_s - 0.5 * case.delay_s)
            .is_some_and(|pressure| pressure > (1.0 - 0.5 * k::PRESSURE_STEADY.value) * drop.before_pa);
        if stood && lead < -case.tolerance_s(drop.rail.skew_s()) {
            against.push((Cause::FuelSupply, lead));
        }
    }
    if let Some(throttle) = limit::throttle(scene)
        && let Some(closed_s) = closing_s(case)
    {
        let lead = departs_s - (closed_s + 0.5 * case.delay_s);
        tested.push(("throttle closing", lead));
        if lead < -case.tolerance_s(throttle.skew_s()) {
            against.push((Cause::Overrun, lead));
        }
    }
    if let Some((since_s, _, what)) = state::last_opening(case) {
        let lead = departs_s - (case.gas_start_s - since_s + 0.5 * case.delay_s);
        tested.push((what, lead));
        if lead < -case.tolerance_s(0.1) {
            against.push((Cause::TipIn, lead));
        }
    }
    if tested.is_empty() {
        return Reading::not_evaluated("no alleged cause has a moment in this log");
    }
    if let Some((cause, lead)) = against.first() {
        let text =
            format!("lambda rose {:.0} ms before {} could reach the sensor", -lead * 1e3, cause.name());
        let weight = |cause: Cause| match cause {
            // A pull that goes lean just before the throttle closes departs early too: its flank is judged alone.
            Cause::Overrun => k::LR_CAUSALITY_OVERRUN.value,
            _ => k::LR_CAUSALITY.value,
        };
        let reading = Reading::seen(lead * 1e3, "ms", text);
        return against.iter().fold(reading, |reading, (cause, _)| reading.weigh(&[*cause], weight(*cause)));
    }
    let (what, lead) = tested.first().copied().unwrap_or(("", 0.0));
    Reading::seen(
        lead * 1e3,
        "ms",
        format!("lambda rose {:.0} ms after {what} could reach it: the order fits", lead.max(0.0) * 1e3),
    )
}

/// When the reading first left its level before the event, s: walks back while it was rising beyond the noise.
fn departure_s(case: &Case<'_, '_>) -> f64 {
    let scene = case.scene;
    let mut index = case.episode.frames.start;
    let start = case.episode.start_s(scene);
    let level = case.before_phi.unwrap_or(f64::INFINITY);
    while let (Some(before), Some(here)) =
        (index.checked_sub(1).and_then(|i| scene.frames.get(i)), scene.frames.get(index))
    {
        let rising = before.phi > here.phi;
        let departed = before.phi < level - 4.0 * scene.noise_phi;
        if !rising || !departed || start - before.time_s > 2.0 {
            break;
        }
        index -= 1;
    }
    scene.frames.get(index).map_or(start, |f| f.time_s)
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
