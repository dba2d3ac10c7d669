//! Torque and heat: what the engine itself felt.

use super::pull::{self, Others};
use super::{Case, Feature, Group, Reading};
use crate::figure::figure;
use crate::lean::constants::{self as k, Tag};
use crate::lean::hypothesis::{Cause, REAL, TORQUE as TORQUE_CAUSES};
use crate::lean::trace::{Frame, Slope, median};
use crate::lean::{deconvolve, limit};
use crate::log::Role;
use crate::state::bit;

pub(super) static TORQUE: Feature = Feature {
    name: "torque",
    id: "F12",
    group: Group::Torque,
    summary: "acceleration falls, or not, as the mixture says it must",
    looks: "engine speed climbs on unchanged while lambda reads 1.3, or its climb breaks as fuel energy does",
    decides: "above lambda 1 burnt fuel energy goes with 1/lambda; unchanged acceleration contradicts the reading",
    cannot: "no power below lambda 1.1, for events under 0.3 s, in idle, or with throttle, boost or gear changing",
    tag: Tag::Computed,
    run: torque,
};

struct Windows {
    /// Acceleration that the second before leads one to expect: on a load that grows with speed it wanes by itself.
    before: Slope,
    during: Slope,
}

fn windows(case: &Case<'_, '_>) -> Result<Windows, String> {
    let scene = case.scene;
    let speed = scene.witness(Role::EngineSpeed).ok_or("no engine speed channel")?;
    let tau = scene.chain.rich_to_lean.tau_s;
    // The gas was lean before the reading crossed its limit; leave half a time constant between the windows.
    let before_s = (case.gas_start_s - 0.7, case.gas_start_s - 0.5 * tau - 0.02);
    let during_s = (case.gas_start_s, case.gas_end_s.min(case.gas_start_s + 1.0));
    if during_s.1 - during_s.0 < k::TORQUE_WINDOW_S.value - 0.02 {
        return Err(format!(
            "{:.2} s is too short for a slope of engine speed (0.3 s needed)",
            during_s.1 - during_s.0
        ));
    }
    if let Some(because) = speed.refused(before_s.0, during_s.1) {
        return Err(because);
    }
    let rows = scene.view.log.clock.rows_between(before_s.0, during_s.1);
    if rows.into_iter().any(|row| scene.view.state.has(row, bit::GEAR_CHANGE | bit::UNLOAD | bit::LIMITER)) {
        return Err("gear change, flare or limiter in the window".to_owned());
    }
    if limit::throttle(scene).is_none() && scene.manifold().is_none() {
        return Err("neither throttle nor manifold pressure tells whether the driver lifted".to_owned());
    }
    if let Some((low, high)) = limit::throttle(scene).and_then(|w| w.range(before_s.0, during_s.1))
        && high - low > 0.15
    {
        return Err("the throttle moves in the window".to_owned());
    }
    if let Some(pressure) = scene.manifold()
        && let (Some(first), Some(second)) =
            (pressure.median(before_s.0, before_s.1), pressure.median(during_s.0, during_s.1))
        && (first - second).abs() > 0.12 * first
    {
        return Err("manifold pressure moves in the window".to_owned());
    }
    match (speed.slope(before_s.0, before_s.1), speed.slope(during_s.0, during_s.1)) {
        (Some(before), Some(during)) => {
            let waned = speed
                .slope(2.0 * before_s.0 - before_s.1, before_s.0)
                .map_or(0.0, |earlier| (earlier.per_s - before.per_s).max(0.0));
            // As much again over the same time, from the middle of one window to that of the other.
            let share =
                (during_s.0 + during_s.1 - before_s.0 - before_s.1) / (2.0 * (before_s.1 - before_s.0));
            Ok(Windows { before: Slope { per_s: before.per_s - share * waned, ..before }, during })
        }
        _ => Err("too few samples of engine speed".to_owned()),
    }
}

fn torque(case: &Case<'_, '_>) -> Reading {
    let Windows { before, during } = match windows(case) {
        Ok(windows) => windows,
        Err(because) => return Reading::not_evaluated(because),
    };
    if before.per_s < 150.0 || before.per_s < 4.0 * before.error {
        return Reading::not_evaluated("the engine does not accelerate steadily before the event");
    }
    // The same second of gas that the acceleration is of.
    let until_s = case.episode.start_s(case.scene) + 1.0;
    let mut phi_sum = (0.0, 0.0);
    for (_, frame) in case.episode.lean(case.scene).take_while(|(_, f)| f.time_s <= until_s) {
        phi_sum = (phi_sum.0 + frame.phi(), phi_sum.1 + 1.0);
    }
    let phi = phi_sum.0 / f64::max(phi_sum.1, 1.0);
    let lambda = phi.recip();
    let ratio = during.per_s / before.per_s;
    let spread = ((before.error / before.per_s).powi(2)
        + (during.error / before.per_s).powi(2)
        + k::TORQUE_MODEL.value.powi(2))
    .sqrt();
    // Burnt energy above lambda 1; the road takes the same from less, so acceleration falls at least as much.
    let expected = (1.02 * phi).min(1.0);
    let percent = (ratio - 1.0) * 100.0;
    let text = format!(
        "acceleration changed by {} %; lambda {lambda:.2} would cost {:.0} % of torque",
        figure(percent, 0),
        (1.0 - expected) * 100.0
    );
    let reading = Reading::seen(percent, "%", text);
    // Twice the loss covers half of the torque going into the road.
    let unexplained = 1.0 - 2.0 * (1.0 - expected) - 2.0 * spread;
    // Gas that no longer fires costs all of the torque, whatever made it so.
    let leanest = deconvolve::gas_peak(case.scene, case.episode).map_or(lambda, |gas| gas.value);
    if ratio < unexplained && leanest < k::FIRES_LAMBDA.value {
        return reading.weigh(&[Cause::Misfire], k::LR_MISFIRE_TORQUE.value);
    }
    let cap = cap(lambda);
    if cap <= 0.0 {
        let text = format!("{}; no power below lambda 1.1", reading.text);
        return if ratio > 0.85 && spread < 0.15 && lambda < 1.1 {
            // A misfire that reads this lean costs torque in proportion.
            Reading { text, ..reading }.weigh(&[Cause::Misfire], -0.3)
        } else {
            Reading { text, ..reading }
        };
    }
    let floor = ratio.max(expected);
    let log10 = ((floor - 1.0).powi(2) - (floor - expected).powi(2))
        / (2.0 * spread * spread)
        / std::f64::consts::LN_10;
    reading.weigh(TORQUE_CAUSES, log10.clamp(-cap, cap.min(k::LR_TORQUE_FITS.value)))
}

/// Most that a torque test may say at a lambda, log10: 0 at 1.1, 0.6 at 1.2, 1.3 from 1.3 on.
fn cap(lambda: f64) -> f64 {
    if lambda >= 1.3 {
        k::LR_TORQUE.value
    } else if lambda >= 1.2 {
        k::LR_TORQUE_WEAK.value + (lambda - 1.2) / 0.1 * (k::LR_TORQUE.value - k::LR_TORQUE_WEAK.value)
    } else {
        ((lambda - 1.1) / 0.1).max(0.0) * k::LR_TORQUE_WEAK.value
    }
}

pub(super) static PULLS_LESS: Feature = Feature {
    name: "pulls_less",
    id: "F12*",
    group: Group::Torque,
    summary: "the engine pulls less than in other passes, by more than the mixture explains, or no less",
    looks: "engine speed climbs more slowly than at the same speed, ratio and manifold pressure with a rich reading",
    decides: "charges that do not fire give no torque and all of their air; a lean mixture that burns costs only what \
              1/lambda says",
    cannot: "needs half a second under load away from limiter and gear changes, another pass in the same gear, and the \
             ratio where there are gears; misfire of one cycle in ten is within the model error, and from lambda 1.3 on \
             charges may fail for being lean",
    tag: Tag::Computed,
    run: pulls_less,
};

fn pulls_less(case: &Case<'_, '_>) -> Reading {
    let scene = case.scene;
    let (start_s, end_s) = (case.gas_start_s, case.gas_end_s);
    if !case.episode.regime.rich() {
        return Reading::not_evaluated("not under load");
    }
    let (here, others) = match (pull::pulls(scene, start_s, end_s), Others::outside(scene, start_s, end_s)) {
        (Ok(here), Ok(others)) => (here, others),
        (Err(because), _) | (_, Err(because)) => return Reading::not_evaluated(because),
    };
    if here.is_empty() {
        return Reading::not_evaluated("no half second of steady full load lies in it");
    }
    // The readings of the same gas, through the sensor's own lag.
    let reading_of = |span_s: (f64, f64)| {
        let late_s = case.delay_s + scene.chain.rich_to_lean.tau_s;
        let from = scene.frames().partition_point(|f| f.time_s < span_s.0 + late_s);
        let frames = scene.frames().part(from..).unwrap_or_default().iter();
        median(frames.take_while(|f| f.time_s <= span_s.1 + late_s).map(Frame::phi).collect())
    };
    let (mut loss, mut phi, mut noise, mut count) = (0.0, 0.0, 0.0, 0.0);
    let mut free_s = f64::NEG_INFINITY;
    for window in here.iter().filter(|window| window.span_s.0 >= start_s) {
        if window.span_s.0 < free_s {
            continue;
        }
        let (Some((climb, best)), Some(read)) = (others.usual(window), reading_of(window.span_s)) else {
            continue;
        };
        // Where the load takes most of the torque, a few per cent of it are all of the climb.
        if read * case.episode.limit >= 1.0 || climb < k::PULL_FREE.value * best {
            continue;
        }
        free_s = window.span_s.1;
        loss += (climb - window.climb.0) / best;
        noise += (window.climb.1 / best).powi(2);
        phi += read;
        count += 1.0;
    }
    if count < 1.0 {
        return Reading::not_evaluated(
            "no other pass pulls in the same gear at the same speed and pressure with torque to spare",
        );
    }
    (loss, phi) = (loss / count, phi / count);
    // The error of the comparison is the same in all windows, that of the slopes is not.
    let variance = k::TORQUE_MODEL.value.powi(2) + noise / (count * count);
    let burnt = 1.0 - (1.02 * phi).min(1.0);
    // Every charge that fails takes all of its torque and at most all of its fuel from the reading.
    let failed = 1.0 - phi / case.before_phi.unwrap_or_else(|| case.episode.limit.recip()).max(phi);
    let text = format!(
        "the engine pulled {} % less than in other passes; lambda {:.2} costs {} % if it burns, and {} % or more if charges \
         fail",
        figure(100.0 * loss, 0),
        phi.recip(),
        figure(100.0 * burnt, 0),
        figure(100.0 * failed, 0)
    );
    let reading = Reading::seen(-100.0 * loss, "%", text);
    if phi.recip() >= k::FIRES_LAMBDA.value {
        return reading;
    }
    let log10 = ((loss - burnt).max(0.0).powi(2) - (failed - loss).max(0.0).powi(2))
        / (2.0 * variance)
        / std::f64::consts::LN_10;
    let cap = k::LR_PULLS_LESS.value;
    reading.weigh(&[Cause::Misfire], log10.clamp(-cap, cap))
}

pub(super) static ROUGHNESS: Feature = Feature {
    name: "roughness",
    id: "F12'",
    group: Group::Torque,
    summary: "engine speed becomes rough with it",
    looks: "sample-to-sample ripple of engine speed grows 2.5 times or more",
    decides: "single cylinders fail to fire",
    cannot: "needs engine speed at 20 Hz or more; lean mixture misfires too",
    tag: Tag::Assumed,
    run: roughness,
};

fn roughness(case: &Case<'_, '_>) -> Reading {
    let scene = case.scene;
    let Some(speed) = scene.witness(Role::EngineSpeed) else {
        return Reading::not_evaluated("no engine speed channel");
    };
    if speed.period_s() > 0.055 {
        return Reading::not_evaluated("engine speed is sampled too slowly to show ripple");
    }
    let ripple = |start: f64, end: f64| -> Option<(f64, usize)> {
        let samples: Vec<f64> = speed.samples(start, end).map(|s| s.1).collect();
        let bends: Vec<f64> = samples
            .windows(3)
            .filter_map(|w| match w {
                [a, b, c] => Some((a - 2.0 * b + c).powi(2)),
                _ => None,
            })
            .collect();
        let mean = bends.iter().sum::<f64>() / bends.len().max(1) as f64;
        (bends.len() >= 5).then_some((mean.sqrt(), bends.len()))
    };
    let rows = scene.view.log.clock.rows_between(case.gas_start_s - 0.2, case.gas_end_s + 0.1);
    if rows.into_iter().any(|row| scene.view.state.has(row, bit::GEAR_CHANGE | bit::UNLOAD | bit::LIMITER)) {
        return Reading::not_evaluated("gear change, flare or limiter in the window");
    }
    let (Some(before), Some(during)) = (
        ripple(case.gas_start_s - 1.2, case.gas_start_s - 0.1),
        ripple(case.gas_start_s - 0.05, case.gas_end_s + 0.05),
    ) else {
        return Reading::not_evaluated("the event is too short to show ripple of engine speed");
    };
    let ratio = during.0 / before.0.max(speed.channel.resolution()).max(1.0);
    let reading = Reading::seen(
        ratio,
        "times",
        format!("ripple of engine speed is {ratio:.1} times that of the second before"),
    );
    if ratio >= k::RIPPLE_RATIO.value {
        reading.weigh(&[Cause::Misfire], k::LR_RIPPLE.value)
    } else {
        // A log samples engine speed too slowly for its calm to say anything.
        reading
    }
}

pub(super) static EXHAUST_HEAT: Feature = Feature {
    name: "exhaust_heat",
    id: "F18",
    group: Group::Torque,
    summary: "exhaust temperature moves with it",
    looks: "temperature rises for a lean mixture still burning, falls for cuts and misfire",
    decides: "slowly, and not alone",
    cannot: "a sheathed thermocouple needs seconds: no power for events under four seconds; no rise proves nothing",
    tag: Tag::Assumed,
    run: exhaust_heat,
};

fn exhaust_heat(case: &Case<'_, '_>) -> Reading {
    let Some(witness) = case.scene.witness(Role::ExhaustGasTemperature) else {
        return Reading::not_evaluated("no exhaust temperature channel");
    };
    let duration = case.episode.duration_s(case.scene);
    if duration < 2.0 * k::EGT_TAU_S.value {
        return Reading::not_evaluated(format!("a thermocouple cannot follow an event of {duration:.1} s"));
    }
    let end = case.episode.end_s(case.scene);
    if let Some(because) = witness.refused(case.gas_start_s - 2.0, end) {
        return Reading::not_evaluated(because);
    }
    let (Some(before), Some(after)) =
        (witness.median(case.gas_start_s - 2.0, case.gas_start_s), witness.median(end - 1.0, end))
    else {
        return Reading::not_evaluated("no exhaust temperature before and during the event");
    };
    let step = after - before;
    let reading = Reading::seen(step, "K", format!("exhaust temperature changed by {} K", figure(step, 0)));
    if step > k::EGT_STEP_K.value {
        reading.weigh(REAL, k::LR_EGT.value)
    } else if step < -k::EGT_STEP_K.value {
        reading.weigh(
            &[Cause::Misfire, Cause::Overrun, Cause::RevLimit, Cause::GearCut, Cause::Unload],
            k::LR_EGT.value,
        )
    } else {
        reading
    }
}
