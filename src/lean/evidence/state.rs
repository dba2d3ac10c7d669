//! The operating state: cuts on purpose, and openings.

use super::{Case, Feature, Group, Injection, Reading, fuel};
use crate::flag::Flag;
use crate::lean::constants::{self as k, Tag};
use crate::lean::hypothesis::{CUTS, Cause};
use crate::lean::limit;
use crate::lean::trace::{Scene, Witness, median};
use crate::lean::work;
use crate::log::Role;

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
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Opening {
    Open,
    Closed,
    Unknown,
}

/// The throttle where it may be believed, else what manifold pressure says of it; with the position of a throttle that is.
pub(super) fn opening(case: &Case<'_, '_>) -> (Opening, Option<f64>) {
    // The cut goes with the throttle of its first half; later it may have opened again while old gas is read.
    let reach = case.scene.period_s.min(0.2);
    let (from, middle) = (case.gas_start_s - reach, case.gas_start_s.midpoint(case.gas_end_s));
    let until = middle.max(case.gas_start_s + reach);
    let usable = |w: &Witness<'_>| w.refused(from, case.gas_end_s + reach).is_none();
    let throttle = limit::throttle(case.scene);
    // One that the engine refutes tells nothing.
    let refuted = || {
        limit::filled_shut(case.scene, case.gas_start_s)
            || [1.0, 0.5, 0.0]
                .iter()
                .any(|ahead| work::climbs_shut(case.scene, case.gas_start_s - ahead * k::BLIP_S.value))
            || {
                let work = limit::work(case.scene);
                [from, middle].into_iter().any(|time_s| work.refutes(time_s) || work.shows_full(time_s))
            }
    };
    let read = throttle.and_then(|w| median(w.readings(from, until).map(|reading| reading.1).collect()));
    if read.is_some_and(|value| value < k::NO_LOAD_THROTTLE.value) && drags(case.scene, middle) {
        return if refuted() { (Opening::Unknown, None) } else { (Opening::Closed, read) };
    }
    if let Some(witness) = throttle.filter(usable) {
        return match witness.median(from, until) {
            Some(value) if value < k::CLOSED_THROTTLE.value && refuted() => (Opening::Unknown, None),
            Some(value) if value < k::CLOSED_THROTTLE.value => (Opening::Closed, Some(value)),
            Some(value) if (cut_without_load(case) || shut_before_read(case, witness)) && !refuted() => {
                (Opening::Closed, Some(value))
            }
            Some(value) => (Opening::Open, Some(value)),
            None => (Opening::Unknown, None),
        };
    }
    let stands = || work::manifold_stands(case.scene, from, case.gas_end_s);
    let pressure = case.scene.manifold().filter(usable).and_then(|w| w.median(from, until));
    let ambient = case.scene.ambient_pa;
    let opening = match pressure {
        Some(pressure) if pressure < k::CLOSED_MANIFOLD_SHARE.value * ambient => {
            if stands() {
                Opening::Unknown
            } else {
                Opening::Closed
            }
        }
        Some(pressure) if pressure > k::LOW_MANIFOLD_SHARE.value * ambient => Opening::Open,
        _ => Opening::Unknown,
    };
    (opening, None)
}

/// Whether the throttle was closed all the while that fuel was off before the first lean gas was read, with no load since the
/// usual time of that gas: on a collapsing flow the usual delay is too long, and the throttle was still open then.
fn shut_before_read(case: &Case<'_, '_>, throttle: Witness<'_>) -> bool {
    let shut = |time_s: f64| throttle.at(time_s, 0.3).is_some_and(|v| v < k::CLOSED_THROTTLE.value);
    let (from, until) = (case.gas_start_s, case.gas_start_s + case.delay_s);
    cut_before_read(case, case.gas_start_s)
        && Injection::of(case.scene).is_none_or(|injection| injection.shut_s(from, until).all(shut))
}

/// Whether fuel is off as the event begins, and neither throttle nor manifold shows any load: an over-run, though the
/// throttle does not read closed.
fn cut_without_load(case: &Case<'_, '_>) -> bool {
    let scene = case.scene;
    let reach = scene.period_s.min(0.2);
    let (from, until) = (case.gas_start_s - reach, case.gas_start_s + reach);
    let usual = |w: Witness<'_>| w.median(from, until);
    Injection::of(scene).is_some_and(|injection| injection.shut_s(from, until).next().is_some())
        && limit::throttle(scene).and_then(usual).is_some_and(|value| value < k::NO_LOAD_THROTTLE.value)
        && scene
            .manifold()
            .and_then(usual)
            .is_some_and(|pa| pa < k::LOW_MANIFOLD_SHARE.value * scene.ambient_pa)
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
    if let (Some(injection), Ok((low, high))) = (Injection::of(scene), duty) {
        let slow = injection.witness.period_s() > case.episode.duration_s(scene);
        let early = || opening == Opening::Closed && cut_before_read(case, case.gas_start_s);
        if low <= k::DUTY_ZERO.value || early() {
            let falls = || speed_falls(case);
            let causes: &[Cause] = match opening {
                Opening::Closed => &[Cause::Overrun],
                Opening::Open => &[Cause::RevLimit, Cause::GearCut, Cause::Unload],
                // Longer than any change of gear, and the engine slows down all the time.
                Opening::Unknown if case.episode.duration_s(scene) > 1.0 && falls() => &[Cause::Overrun],
                Opening::Unknown => CUTS,
            };
            let least = if low <= k::DUTY_ZERO.value { low } else { 0.0 };
            return Reading::seen(least * 100.0, "%", "injector duty went to 0: fuel was commanded off")
                .weigh(causes, k::LR_CUT_COMMANDED.value)
                .prove(covered(case, |time| {
                    injection.is_shut_at(time) || (opening == Opening::Closed && cut_before_read(case, time))
                }));
        }
        if opening == Opening::Closed
            && let Some(reading) = old_cut(case, throttle)
        {
            return reading;
        }
        if !slow && low > 0.02 {
            let text = format!(
                "injector duty stayed between {:.0} and {:.0} %: fuel was not cut",
                low * 100.0,
                high * 100.0
            );
            return Reading::seen(low * 100.0, "%", text)
                .weigh(&[Cause::Overrun], k::LR_FUEL_COMMANDED.value)
                // A limiter or gear change may cut the spark, or single cylinders, and leave the fuel on.
                .weigh(&[Cause::RevLimit, Cause::GearCut, Cause::Unload], k::LR_FUEL_LEFT_ON.value);
        }
    }
    throttle_closed(case, opening, throttle)
}

/// Whether fuel was off by the time the gas of about a time was read, with no load since before that time: a cut that is
/// shorter than the doubt of the delay. A flow that collapses on the closed throttle makes the delay long and doubtful. Where
/// injection is not logged, a throttle that is closed by then, faster than fuel comes back at, shows that it was.
fn cut_before_read(case: &Case<'_, '_>, gas_s: f64) -> bool {
    let scene = case.scene;
    let read_s = gas_s + case.delay_s;
    let closed = || {
        let (Some(throttle), Some(speed)) = (limit::throttle(scene), scene.witness(Role::EngineSpeed)) else {
            return false;
        };
        let cut_rpm = scene.idle_rpm() + k::OVER_RUN_KEPT_RPM.value;
        let cut = |time_s: f64| shut(scene, time_s) && speed.at(time_s, 0.5).is_some_and(|rpm| rpm > cut_rpm);
        shut(scene, read_s) && throttle.samples(gas_s, read_s).any(|(time_s, _)| cut(time_s))
    };
    !limit::loaded_at(scene, gas_s - ahead_s(scene))
        && Injection::of(scene)
            .map_or_else(closed, |injection| injection.shut_s(gas_s, read_s).next().is_some())
}

/// Whether engine speed falls through the event.
fn speed_falls(case: &Case<'_, '_>) -> bool {
    case.scene
        .witness(Role::EngineSpeed)
        .and_then(|w| w.slope(case.gas_start_s, case.gas_end_s.min(case.gas_start_s + 2.0)))
        .is_some_and(|s| s.per_s + 2.0 * s.error < -k::SPEED_FALLS.value)
}

/// Air of a cut that is read late: at closed throttle the exhaust hardly flows, and a pipe that is large for its
/// engine holds a second of it. Throttle closed from the cut to the end of the event, so no charge was burnt
/// under load meanwhile.
fn old_cut(case: &Case<'_, '_>, throttle: Option<f64>) -> Option<Reading> {
    let scene = case.scene;
    let (from, start, end) = (case.gas_start_s - latest_s(case), case.gas_start_s, case.gas_end_s);
    let position = limit::throttle(scene)?;
    let closed_s = position
        .readings(from, end)
        .filter(|(_, value)| *value >= k::CLOSED_THROTTLE.value)
        .last()
        .map_or(from, |(row, _)| scene.time_s[row]);
    if closed_s >= start - position.period_s().min(0.2) {
        return None;
    }
    let cut_s = if let Some(injection) = Injection::of(scene) {
        let off: Vec<f64> = injection.shut_s(closed_s, start).collect();
        off.last()? - off.first()? + injection.witness.period_s().min(0.2)
    } else {
        let idle = scene.idle_rpm();
        let fast: Vec<f64> = scene
            .witness(Role::EngineSpeed)?
            .samples(closed_s, start)
            .filter(|(_, rpm)| *rpm > idle + k::OVER_RUN_KEPT_RPM.value)
            .map(|(time, _)| time)
            .collect();
        fast.last()? - fast.first()?
    };
    // The same gas passes the sensor more slowly than it left: as much as the flow has fallen meanwhile.
    if case.episode.duration_s(scene) > k::STRETCH.value * cut_s + 3.0 * scene.chain.lean_to_rich.tau_s {
        return None;
    }
    let percent = throttle.unwrap_or(0.0) * 100.0;
    let text = format!(
        "throttle closed since {:.1} s before and fuel cut for {cut_s:.1} s then: its air is read late at this flow",
        start - closed_s
    );
    Some(
        Reading::seen(percent, "%", text)
            .weigh(&[Cause::Overrun], k::LR_CUT_COMMANDED.value)
            .prove(case.episode.frames.clone()),
    )
}

/// How much later than by the usual delay gas may be read, s.
fn latest_s(case: &Case<'_, '_>) -> f64 {
    (k::PIPE_FACTOR.value * case.delay_s).min(k::LATEST_GAS_S.value)
}

fn throttle_closed(case: &Case<'_, '_>, opening: Opening, throttle: Option<f64>) -> Reading {
    let scene = case.scene;
    let percent = throttle.unwrap_or(f64::NAN) * 100.0;
    let what = if throttle.is_some() {
        format!("throttle at {percent:.0} %")
    } else {
        "throttle not known".to_owned()
    };
    match opening {
        Opening::Unknown => Reading::not_evaluated("neither injector duty nor throttle can be read there"),
        Opening::Open => Reading::seen(percent, "%", format!("{what}, open: no over-run"))
            .weigh(&[Cause::Overrun], k::LR_THROTTLE_OPEN.value),
        Opening::Closed => {
            // Speed falls through an over-run: it is that of its beginning that tells.
            let witness = scene.witness(Role::EngineSpeed);
            let speed = witness.and_then(|w| w.median(case.gas_start_s - 0.3, case.gas_start_s + 0.1));
            let falls = witness
                .and_then(|w| w.slope(case.gas_start_s - 0.3, case.gas_start_s + 0.3))
                .is_some_and(|s| s.per_s + 2.0 * s.error < -k::SPEED_FALLS.value);
            let idle = scene.idle_rpm();
            if !falls && speed.is_some_and(|rpm| rpm < idle + 0.5 * k::OVER_RUN_RPM.value) {
                return old_cut(case, throttle).unwrap_or_else(|| {
                    Reading::seen(percent, "%", "throttle closed at idle speed: fuel is not cut there")
                });
            }
            let until = case.gas_end_s.max(case.gas_start_s + 0.1);
            let manifold = scene
                .manifold()
                .and_then(|w| w.median(case.gas_start_s, until))
                .filter(|_| !work::manifold_stands(scene, case.gas_start_s, until));
            let proof = covered(case, |time| shut(scene, time) || cut_before_read(case, time));
            match manifold {
                Some(pressure) if pressure > k::LOW_MANIFOLD_SHARE.value * scene.ambient_pa => {
                    let text = format!("throttle closed, but manifold pressure at {:.0} kPa", pressure / 1e3);
                    Reading::seen(percent, "%", text)
                }
                Some(pressure) => {
                    let text = format!("{what}, manifold pressure {:.0} kPa: over-run", pressure / 1e3);
                    Reading::seen(percent, "%", text)
                        .weigh(&[Cause::Overrun], k::LR_CUT_COMMANDED.value)
                        .prove(proof)
                }
                None => Reading::seen(percent, "%", format!("{what} above idle speed"))
                    .weigh(&[Cause::Overrun], k::LR_CUT_THROTTLE_ONLY.value)
                    .prove(proof),
            }
        }
    }
}

/// Whether the throttle was closed at a time; without one that may be believed, whether the manifold was nearly empty.
pub(super) fn shut(scene: &Scene<'_>, time_s: f64) -> bool {
    let manifold = || scene.manifold().and_then(|w| w.at(time_s, 0.5));
    let told = match limit::throttle(scene).and_then(|w| w.at(time_s, 0.5)) {
        Some(opened) => opened < k::CLOSED_THROTTLE.value,
        None => manifold().is_some_and(|p| p < k::CLOSED_MANIFOLD_SHARE.value * scene.ambient_pa),
    };
    told || drags(scene, time_s)
}

/// Whether the engine is dragged at a time: its speed falls as on no fed cruise, away from idle, while the throttle reads next
/// to nothing. A ground that is lifted by the current of a load shifts the reading of a closed throttle by a tenth, and the
/// manifold's with it; how fast the engine slows down does not hang on it.
fn drags(scene: &Scene<'_>, time_s: f64) -> bool {
    let (Some(throttle), Some(speed)) = (limit::throttle(scene), scene.witness(Role::EngineSpeed)) else {
        return false;
    };
    let told = throttle.tells(time_s, 0.5);
    let little = told.is_some_and(|(opened, doubt)| {
        opened < k::NO_LOAD_THROTTLE.value && !matches!(doubt, Some(Flag::Bad | Flag::Missing))
    });
    // Without fuel an engine at full load slows down as well: its manifold stays full.
    let drawn = || {
        let pressure = scene.manifold().and_then(|manifold| manifold.at(time_s, 0.5));
        pressure.is_some_and(|pa| pa < k::LOW_MANIFOLD_SHARE.value * scene.ambient_pa)
    };
    let reach_s = k::DRAG_S.value.max(2.1 * speed.period_s());
    let falls = || speed.slope(time_s - reach_s, time_s + reach_s);
    let fast =
        || speed.at(time_s, 0.5).is_some_and(|rpm| rpm > scene.idle_rpm() + k::OVER_RUN_KEPT_RPM.value);
    little && drawn() && fast() && falls().is_some_and(|s| s.per_s + 2.0 * s.error < -k::SPEED_FALLS.value)
}

/// Whether the throttle had just been opened when the first lean gas left, or fuel had come back, and it was open then.
pub(in crate::lean) fn begins_opened(case: &Case<'_, '_>) -> bool {
    opening(case).0 == Opening::Open && (case.episode.after_cut || last_opening(case).is_some())
}

/// Whether the event begins on a closed throttle above idle speed, as far as anything but injection tells: the
/// context of an over-run.
pub(in crate::lean) fn begins_shut(case: &Case<'_, '_>) -> bool {
    match opening(case).0 {
        Opening::Open => false,
        Opening::Unknown => case.episode.duration_s(case.scene) > 0.5 && speed_falls(case),
        Opening::Closed => {
            let idle = case.scene.idle_rpm();
            let speed = case.scene.witness(Role::EngineSpeed);
            let fast = speed.and_then(|w| w.range(case.gas_start_s - 0.3, case.gas_start_s + 0.1));
            fast.is_none_or(|(_, high)| high > idle + k::OVER_RUN_RPM.value)
                || speed_falls(case)
                || old_cut(case, None).is_some()
        }
    }
}

/// How much sooner or later than by the usual delay the gas of a frame may have left, s.
fn ahead_s(scene: &Scene<'_>) -> f64 {
    scene.period_s.min(0.1) + k::SKEW_S.value
}

/// Frames of the event whose gas left while `cut` held, give or take the sensor's way back, up to the first lean reading
/// that has no cut of its own: what comes after it is judged anew.
pub(super) fn covered(case: &Case<'_, '_>, cut: impl Fn(f64) -> bool) -> std::ops::Range<usize> {
    let scene = case.scene;
    let back_s = 3.0 * scene.chain.lean_to_rich.tau_s + scene.period_s.min(0.2);
    let mut last_cut_s = f64::NEG_INFINITY;
    let mut range: Option<std::ops::Range<usize>> = None;
    for index in case.episode.frames.clone() {
        let Some(frame) = scene.frames().get(index) else { break };
        let gas_s = frame.time_s - scene.delay_s(frame.time_s);
        let ahead = ahead_s(scene);
        if cut(gas_s) || cut(gas_s + ahead) || cut(gas_s - ahead) {
            last_cut_s = frame.time_s;
        }
        if frame.time_s - last_cut_s <= back_s {
            range = Some(range.map_or(index..index + 1, |r| r.start..index + 1));
        } else if range.is_some() && frame.lambda > case.episode.limit {
            break;
        }
    }
    range.unwrap_or(case.episode.frames.start..case.episode.frames.start)
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
    let peak_s = scene.frames().get(case.episode.peak(scene)).map_or(0.0, |f| f.time_s) - case.gas_start_s;
    if stays(case) {
        // Whatever followed the opening, a film that does not refill in a second is no warm film.
        reading.weigh(&[Cause::TipIn], k::LR_NO_DECAY.value)
    } else if case.episode.duration_s(scene) > k::LONGEST_FILM_S.value {
        reading.weigh(&[Cause::TipIn], k::LR_NO_DECAY.value)
    } else if peak_s <= 0.6 {
        reading.weigh(&[Cause::TipIn], 1.5)
    } else {
        reading
    }
}

/// Whether the excess over the limit stays nearly that of its peak: a second later, or until it ends as fast as the
/// sensor can follow. A film gives its deficit back bit by bit.
fn stays(case: &Case<'_, '_>) -> bool {
    let (scene, episode) = (case.scene, case.episode);
    let Some(peak) = scene.frames().get(episode.peak(scene)) else { return false };
    let least = k::STAYS_SHARE.value * (peak.lambda - episode.limit);
    let keeps = |from_s: f64, to_s: f64, fewest: usize| {
        let excess: Vec<f64> = episode
            .lean(scene)
            .filter(|(_, f)| f.time_s >= from_s && f.time_s <= to_s)
            .map(|(_, f)| f.lambda - episode.limit)
            .collect();
        excess.len() >= fewest && median(excess).is_some_and(|excess| excess >= least)
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
