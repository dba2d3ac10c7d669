//! The operating state: cuts on purpose, and openings.

use super::{Case, Feature, Group, Reading, fuel};
use crate::lean::constants::{self as k, Tag};
use crate::lean::hypothesis::{CUTS, Cause};
use crate::lean::limit;
use crate::log::Role;
use crate::state::bit;

pub(super) static FUEL_OFF: Feature = Feature {
    name: "fuel_off",
    id: "F9",
    group: Group::State,
    summary: "fuel is commanded off, or the throttle is closed with low manifold pressure",
    looks: "injector duty 0, or throttle below 5 % with low manifold pressure, the reading follows after the gas delay",
    decides: "the definition of a cut",
    cannot: "throttle alone cannot say whether fuel was cut; order and delay must fit",
    tag: Tag::Assumed,
    run: fuel_off,
};

/// Throttle in the gas window: open, closed or not known.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Opening {
    Open,
    Closed,
    Unknown,
}

fn opening(case: &Case<'_, '_>) -> (Opening, Option<f64>) {
    let Some(witness) = limit::throttle(case.scene) else { return (Opening::Unknown, None) };
    let reach = case.scene.period_s.min(0.2);
    if witness.refused(case.gas_start_s - reach, case.gas_end_s + reach).is_some() {
        return (Opening::Unknown, None);
    }
    // The cut goes with the throttle of its first half; later it may have opened again while old gas is read.
    let end = case.gas_start_s + 0.5 * (case.gas_end_s - case.gas_start_s);
    match witness.median(case.gas_start_s - reach, end.max(case.gas_start_s + reach)) {
        Some(value) if value < k::CLOSED_THROTTLE.value => (Opening::Closed, Some(value)),
        Some(value) => (Opening::Open, Some(value)),
        None => (Opening::Unknown, None),
    }
}

fn fuel_off(case: &Case<'_, '_>) -> Reading {
    let scene = case.scene;
    let (opening, throttle) = opening(case);
    let reach = scene.period_s.min(0.1) + 0.02;
    let duty = fuel::duty(
        scene,
        case.gas_start_s - 2.0 * reach - 0.5 * scene.chain.rich_to_lean.tau_s,
        case.gas_end_s + reach,
    );
    let slow = [Role::InjectorDuty, Role::InjectorPulseWidth]
        .iter()
        .find_map(|role| scene.witness(*role))
        .is_some_and(|w| w.period_s() > case.episode.duration_s(scene));
    if let Ok((low, high)) = duty {
        if low <= k::DUTY_ZERO.value {
            let causes: &[Cause] = match opening {
                Opening::Closed => &[Cause::Overrun],
                Opening::Open => &[Cause::RevLimit, Cause::GearCut, Cause::Unload],
                Opening::Unknown => CUTS,
            };
            return Reading::seen(low * 100.0, "%", "injector duty went to 0: fuel was commanded off")
                .weigh(causes, k::LR_CUT_COMMANDED.value)
                .prove(covered(case, |time| {
                    scene
                        .witness(Role::InjectorDuty)
                        .or_else(|| scene.witness(Role::InjectorPulseWidth))
                        .and_then(|w| w.at(time, 0.3))
                        .is_some_and(|duty| duty <= k::DUTY_ZERO.value)
                }));
        }
        if !slow && low > 0.02 {
            let text = format!(
                "injector duty stayed between {:.0} and {:.0} %: fuel was not cut",
                low * 100.0,
                high * 100.0
            );
            return Reading::seen(low * 100.0, "%", text)
                .weigh(&[Cause::Overrun], k::LR_FUEL_COMMANDED.value)
                // A limiter or gear change may cut the spark and leave the fuel on.
                .weigh(&[Cause::RevLimit, Cause::GearCut, Cause::Unload], -1.0);
        }
    }
    throttle_closed(case, opening, throttle)
}

fn throttle_closed(case: &Case<'_, '_>, opening: Opening, throttle: Option<f64>) -> Reading {
    let scene = case.scene;
    let percent = throttle.unwrap_or(f64::NAN) * 100.0;
    match opening {
        Opening::Unknown => Reading::not_evaluated("neither injector duty nor throttle can be read there"),
        Opening::Open => Reading::seen(percent, "%", format!("throttle at {percent:.0} %: no over-run"))
            .weigh(&[Cause::Overrun], -k::LR_CUT_COMMANDED.value),
        Opening::Closed => {
            // Speed falls through an over-run: it is that of its beginning that tells.
            let witness = scene.witness(Role::EngineSpeed);
            let speed = witness.and_then(|w| w.median(case.gas_start_s - 0.3, case.gas_start_s + 0.1));
            let falls = witness
                .and_then(|w| w.slope(case.gas_start_s - 0.3, case.gas_start_s + 0.3))
                .is_some_and(|s| s.per_s + 2.0 * s.error < -k::SPEED_FALLS.value);
            let idle = scene.view.state.idle_rpm.unwrap_or(900.0);
            if !falls && speed.is_some_and(|rpm| rpm < idle + 0.5 * k::OVER_RUN_RPM.value) {
                return Reading::seen(percent, "%", "throttle closed at idle speed: fuel is not cut there");
            }
            let manifold = scene
                .manifold()
                .and_then(|w| w.median(case.gas_start_s, case.gas_end_s.max(case.gas_start_s + 0.1)));
            let proof = covered(case, |time| {
                limit::throttle(scene)
                    .and_then(|w| w.at(time, 0.5))
                    .is_some_and(|v| v < k::CLOSED_THROTTLE.value)
            });
            match manifold {
                Some(pressure) if pressure > k::LOW_MANIFOLD_SHARE.value * scene.ambient_pa => {
                    let text = format!("throttle closed, but manifold pressure at {:.0} kPa", pressure / 1e3);
                    Reading::seen(percent, "%", text)
                }
                Some(pressure) => {
                    let text = format!(
                        "throttle at {percent:.0} %, manifold pressure {:.0} kPa: over-run",
                        pressure / 1e3
                    );
                    Reading::seen(percent, "%", text)
                        .weigh(&[Cause::Overrun], k::LR_CUT_COMMANDED.value)
                        .prove(proof)
                }
                None => Reading::seen(percent, "%", format!("throttle at {percent:.0} % above idle speed"))
                    .weigh(&[Cause::Overrun], k::LR_CUT_THROTTLE_ONLY.value)
                    .prove(proof),
            }
        }
    }
}

/// Frames of the event whose gas left while `cut` held, give or take the sensor's way back.
fn covered(case: &Case<'_, '_>, cut: impl Fn(f64) -> bool) -> std::ops::Range<usize> {
    let scene = case.scene;
    let back_s = 3.0 * scene.chain.lean_to_rich.tau_s + scene.period_s.min(0.2);
    let mut last_cut_s = f64::NEG_INFINITY;
    let mut range: Option<std::ops::Range<usize>> = None;
    for index in case.episode.frames.clone() {
        let Some(frame) = scene.frames.get(index) else { break };
        let gas_s = frame.time_s - scene.delay_s(frame.time_s);
        let ahead = scene.period_s.min(0.1) + k::SKEW_S.value;
        if cut(gas_s) || cut(gas_s + ahead) || cut(gas_s - ahead) {
            last_cut_s = frame.time_s;
        }
        if frame.time_s - last_cut_s <= back_s {
            range = Some(range.map_or(index..index + 1, |r| r.start..index + 1));
        }
    }
    range.unwrap_or(case.episode.frames.start..case.episode.frames.start)
}

pub(super) static SPEED_CEILING: Feature = Feature {
    name: "speed_ceiling",
    id: "F10",
    group: Group::State,
    summary: "engine speed stands at its recurring ceiling",
    looks: "engine speed at 98.5 % or more of the ceiling seen at least twice, throttle open, saw-tooth or stop",
    decides: "an engine that stops climbing there with open throttle is held by its limiter",
    cannot: "starvation at the ceiling looks alike in lambda alone: fuel pressure decides",
    tag: Tag::Assumed,
    run: speed_ceiling,
};

fn speed_ceiling(case: &Case<'_, '_>) -> Reading {
    let scene = case.scene;
    let Some(speed) = scene.witness(Role::EngineSpeed) else {
        return Reading::not_evaluated("no engine speed channel");
    };
    let (ceiling, seen) = match (scene.view.state.ceiling_rpm, scene.view.rig.redline_rpm) {
        (Some(ceiling), _) => (ceiling, true),
        (None, Some(redline)) => (redline, false),
        (None, None) => {
            return Reading::not_evaluated(
                "the log shows no recurring ceiling of engine speed and the rig states none",
            );
        }
    };
    let tau = scene.chain.rich_to_lean.tau_s;
    let (start, end) = (case.gas_start_s - 0.1 - tau, case.gas_end_s);
    if let Some(because) = speed.refused(start, end) {
        return Reading::not_evaluated(because);
    }
    let Some((_, high)) = speed.range(start, end) else {
        return Reading::not_evaluated("engine speed has no value there");
    };
    let percent = 100.0 * high / ceiling;
    if high < 0.95 * ceiling {
        return Reading::seen(
            percent,
            "%",
            format!("engine speed at {percent:.0} % of its ceiling: no limiter"),
        )
        .weigh(&[Cause::RevLimit], -2.0);
    }
    let open = opening(case).0 != Opening::Closed;
    if high < k::CEILING_SHARE.value * ceiling || !open {
        return Reading::seen(percent, "%", format!("engine speed at {percent:.1} % of its ceiling"));
    }
    let before = speed.slope(case.gas_start_s - 0.7, case.gas_start_s - 0.1);
    let during = speed.slope(case.gas_start_s - 0.05, case.gas_end_s.max(case.gas_start_s + 0.25));
    let stops = match (before, during) {
        (Some(before), Some(during)) => during.per_s < 0.25 * before.per_s.max(200.0),
        // Too few samples for slopes: it must at least not pass the ceiling.
        _ => false,
    };
    let held = stops && seen;
    let weight = if held {
        k::LR_CEILING_HELD.value
    } else if seen {
        k::LR_CEILING.value
    } else {
        k::LR_PLATEAU.value
    };
    let text = format!(
        "engine speed at {percent:.1} % of its ceiling of {ceiling:.0} rpm{}",
        if held { " and no longer climbing with the throttle open" } else { "" }
    );
    Reading::seen(percent, "%", text)
        .weigh(&[Cause::RevLimit], weight)
        .prove(covered(case, |time| speed.at(time, 0.3).is_some_and(|rpm| rpm >= 0.965 * ceiling)))
}

pub(super) static GEAR_CHANGE: Feature = Feature {
    name: "gear_change",
    id: "F10'",
    group: Group::State,
    summary: "engine speed drops to the next gear",
    looks: "30 to 300 ms lean while engine speed falls by the ratio step and road speed does not",
    decides: "the ratio of engine to road speed changes",
    cannot: "without road speed a slipping clutch or a lost cylinder may look alike",
    tag: Tag::Assumed,
    run: gear_change,
};

fn gear_change(case: &Case<'_, '_>) -> Reading {
    let scene = case.scene;
    let Some(speed) = scene.witness(Role::EngineSpeed) else {
        return Reading::not_evaluated("no engine speed channel");
    };
    let (start, end) = (case.gas_start_s, case.gas_end_s);
    let (Some(before), Some(after)) =
        (speed.median(start - 0.3, start - 0.05), speed.median(end + 0.1, end + 0.35))
    else {
        return Reading::not_evaluated("engine speed has no value before and after");
    };
    let ratio = after / before.max(1.0);
    let rows = scene.view.log.clock.rows_between(start - 0.15, end + 0.15);
    let judged = rows.clone().any(|row| scene.view.state.has(row, bit::GEAR_CHANGE));
    let road = scene
        .witness(Role::VehicleSpeed)
        .or_else(|| scene.witness(Role::GpsSpeed))
        .and_then(|w| Some(w.median(end + 0.1, end + 0.5)? / w.median(start - 0.4, start)?.max(1.0)));
    let percent = (ratio - 1.0) * 100.0;
    let short = case.episode.duration_s(scene) <= 0.6 + scene.period_s.min(0.2);
    let dropped = (0.55..=0.90).contains(&ratio);
    let proven = match road {
        Some(road) => dropped && (0.93..=1.1).contains(&road),
        None => dropped && judged,
    };
    if short && proven {
        return Reading::seen(
            percent,
            "%",
            format!("engine speed dropped {:.0} % to the next gear", -percent),
        )
        .weigh(&[Cause::GearCut], k::LR_GEAR_CHANGE.value)
        .prove(case.episode.frames.clone());
    }
    if ratio > 0.95 {
        return Reading::seen(percent, "%", "engine speed did not drop: no gear change")
            .weigh(&[Cause::GearCut], -1.5);
    }
    Reading::seen(
        percent,
        "%",
        format!("engine speed changed by {percent:.0} %, not proven to be a gear change"),
    )
}

pub(super) static UNLOAD: Feature = Feature {
    name: "unload",
    id: "F11",
    group: Group::State,
    summary: "engine speed flares without load",
    looks: "speed rises more than 1.5 times faster than the best in gear, then fuel is cut",
    decides: "only an unloaded engine turns up that fast",
    cannot: "needs engine speed at 10 Hz or more; wheel spin on a loose surface is an unload too",
    tag: Tag::Computed,
    run: unload,
};

fn unload(case: &Case<'_, '_>) -> Reading {
    let scene = case.scene;
    let Some(speed) = scene.witness(Role::EngineSpeed) else {
        return Reading::not_evaluated("no engine speed channel");
    };
    if speed.period_s() > 0.11 {
        return Reading::not_evaluated("engine speed is sampled too slowly to see a flare");
    }
    let (start, end) = (case.gas_start_s - 0.6, case.gas_end_s);
    let rows = scene.view.log.clock.rows_between(start, end);
    let judged = rows.into_iter().any(|row| scene.view.state.has(row, bit::UNLOAD));
    let Some(best) = scene.best_in_gear else {
        return Reading::not_evaluated("the log shows no pull to learn the best acceleration in gear from");
    };
    // The steepest quarter second before the gas left.
    let mut steepest: f64 = 0.0;
    for step in 0..8 {
        let from = start + 0.05 * f64::from(step);
        if let Some(slope) = speed.slope(from, from + 0.25) {
            steepest = steepest.max(slope.per_s - 2.0 * slope.error);
        }
    }
    let ratio = steepest / best;
    if judged || ratio >= k::FLARE_SHARE.value {
        Reading::seen(
            ratio,
            "of best in gear",
            format!("engine speed flared at {steepest:.0} rpm/s, {ratio:.1} times the best in gear"),
        )
        .weigh(&[Cause::Unload], k::LR_UNLOAD.value)
        .prove(case.episode.frames.clone())
    } else {
        Reading::seen(ratio, "of best in gear", "engine speed did not flare").weigh(&[Cause::Unload], -2.0)
    }
}

pub(super) static OPENING: Feature = Feature {
    name: "opening",
    id: "F9'",
    group: Group::State,
    summary: "follows a fast opening of the throttle",
    looks: "starts one gas delay after throttle or manifold pressure step up, decays within a second or two",
    decides: "the fuel film lags behind the air; scales with the step",
    cannot: "a pump that fails under the new demand starts at the same moment: fuel pressure decides",
    tag: Tag::Assumed,
    run: opened,
};

fn opened(case: &Case<'_, '_>) -> Reading {
    let scene = case.scene;
    let opened_s =
        last_opening(case).map_or(case.gas_start_s - 0.2, |(since_s, ..)| case.gas_start_s - since_s);
    if super::stands_since_before(case, opened_s) {
        return Reading::seen(0.0, "s", "the reading has stood at this very value since before any opening")
            .weigh(&[Cause::TipIn], -2.0);
    }
    if case.episode.after_cut {
        let lasts_s = case.episode.duration_s(scene);
        return Reading::seen(
            lasts_s,
            "s",
            format!("fuel came back after a cut and the film had to refill: {lasts_s:.2} s"),
        )
        .weigh(&[Cause::TipIn], 1.5);
    }
    let Some((since_s, step, what)) = last_opening(case) else {
        let known = limit::throttle(scene).is_some() || scene.manifold().is_some();
        return if known {
            Reading::seen(0.0, "ratio", "no opening in the second and a half before")
                .weigh(&[Cause::TipIn], -2.0)
        } else {
            Reading::not_evaluated("neither throttle nor manifold pressure is logged")
        };
    };
    let text =
        format!("{what} rose by {:.0} % of its range {since_s:.2} s before the gas left", step * 100.0);
    let reading = Reading::seen(since_s, "s", text);
    let peak_s = scene.frames.get(case.episode.peak(scene)).map_or(0.0, |f| f.time_s) - case.gas_start_s;
    if stays(case) {
        // Whatever followed the opening, a film that does not refill in a second is no warm film.
        reading.weigh(&[Cause::TipIn], k::LR_NO_DECAY.value)
    } else if case.episode.duration_s(scene) <= 2.5 && peak_s <= 0.6 {
        reading.weigh(&[Cause::TipIn], 1.5)
    } else {
        reading
    }
}

/// Whether the excess over the limit stays nearly that of its peak: a second later, or until it ends as fast as the
/// sensor can follow. A film gives its deficit back bit by bit.
fn stays(case: &Case<'_, '_>) -> bool {
    let (scene, episode) = (case.scene, case.episode);
    let Some(peak) = scene.frames.get(episode.peak(scene)) else { return false };
    let least = k::STAYS_SHARE.value * (peak.lambda - episode.limit);
    let keeps = |from_s: f64, to_s: f64, fewest: usize| {
        let excess: Vec<f64> = episode
            .lean(scene)
            .filter(|(_, f)| f.time_s >= from_s && f.time_s <= to_s)
            .map(|(_, f)| f.lambda - episode.limit)
            .collect();
        excess.len() >= fewest && crate::lean::trace::median(excess).is_some_and(|excess| excess >= least)
    };
    // The sensor's own way down at the end says nothing of the gas; its way up neither.
    let tau_s = scene.chain.lean_to_rich.tau_s;
    let (start_s, end_s) = (episode.start_s(scene), episode.end_s(scene) - 2.0 * tau_s);
    let middle_s = 0.5 * (start_s + end_s);
    let long = end_s - start_s >= k::SHORTEST_FILM_S.value + 2.0 * tau_s;
    keeps(peak.time_s + k::FILM_SECOND_S.value, f64::INFINITY, 1) || (long && keeps(middle_s, end_s, 3))
}

/// Whether the throttle or the manifold opened fast in the second and a half before gas left.
pub(super) fn opened_before(scene: &crate::lean::trace::Scene<'_>, gas_s: f64) -> bool {
    opening_before(scene, gas_s).is_some()
}

/// Last opening in the second and a half before the gas left: age in s, size as share of the range, channel.
pub(in crate::lean) fn last_opening(case: &Case<'_, '_>) -> Option<(f64, f64, &'static str)> {
    opening_before(case.scene, case.gas_start_s)
}

fn opening_before(scene: &crate::lean::trace::Scene<'_>, gas_s: f64) -> Option<(f64, f64, &'static str)> {
    let find = |samples: Vec<(f64, f64)>, range: f64| -> Option<(f64, f64)> {
        let mut best: Option<(f64, f64)> = None;
        for (index, (time, value)) in samples.iter().enumerate() {
            // Step over the next 0.4 s.
            let later = samples.get(index..)?.iter().take_while(|s| s.0 <= time + 0.4).map(|s| s.1);
            let step = (later.fold(*value, f64::max) - value) / range;
            if step >= 0.2 && best.is_none_or(|b| step > b.1 - 0.02) {
                best = Some((*time, step));
            }
        }
        best
    };
    let (from, to) = (gas_s - 1.5, gas_s + 0.05);
    if let Some(throttle) = limit::throttle(scene) {
        return find(throttle.samples(from, to).collect(), 1.0)
            .map(|(time, step)| ((gas_s - time).max(0.0), step, "throttle"));
    }
    let manifold = scene.manifold()?;
    find(manifold.samples(from, to).collect(), scene.ambient_pa)
        .map(|(time, step)| ((gas_s - time).max(0.0), step, "manifold pressure"))
}
