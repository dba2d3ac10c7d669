//! What lies beside a cut and is not covered by it.
//!
//! A cut explains the gas that left the cylinders while fuel was off, and what the sensor still shows of it. A mixture
//! that was lean under load just before, or that does not come back after it, is a danger of its own, whatever the cut
//! is called: that part of the event is split off, judged alone and never dismissed. With the sensor's lag taken off
//! the gas is looked for, not the reading, which shows little of a short danger and a long tail of every cut.

use std::ops::Range;

use super::constants as k;
use super::deconvolve::{gas_at_stop, likeliest_gas, richest_gas, slowest_gas_beyond_noise};
use super::episode::{self, Episode};
use super::evidence::{self, Case};
use super::hypothesis::Cause;
use super::limit::{self, Regime};
use super::trace::{Frame, Scene};
use super::verdict::Doubt;

/// Parts of an episode called a cut that must be judged apart; empty when the cut covers all of it.
///
/// * `found`: frames of every episode of the log; what is an event of its own is not looked for again
pub(super) fn parts(case: &Case<'_, '_>, cause: Cause, found: &[Range<usize>]) -> Vec<Episode> {
    let (scene, episode) = (case.scene, case.episode);
    if episode.flank {
        return Vec::new();
    }
    let onset_s = evidence::onset_s(case, cause);
    // A limiter may cut single cylinders before the engine turns back; a speed that falls to the next gear has its own
    // doubt in the moment of its fall.
    let margin_s = if cause == Cause::GearCut { 0.0 } else { apart_s(scene) };
    if !episode.after_split
        && let Some(end) = lean_before(scene, episode, onset_s - margin_s, found)
    {
        let limit = scene.view.rig.full_load_lambda_max;
        let pieces = [
            Some(Episode {
                frames: episode.frames.start..end,
                regime: Regime::Load,
                limit,
                flank: true,
                ..episode.clone()
            }),
            episode.part(scene, end..episode.frames.end).map(|part| Episode { after_split: true, ..part }),
        ];
        return pieces.into_iter().flatten().collect();
    }
    let Some(start) = lean_after(case, cause) else { return Vec::new() };
    let pieces = [
        episode.part(scene, episode.frames.start..start),
        episode.part(scene, start..episode.frames.end).map(|part| Episode {
            after_cut: true,
            flank: true,
            ..part
        }),
    ];
    pieces.into_iter().flatten().collect()
}

/// What a cut answers for.
pub(super) struct Answer {
    /// Its own part of the episode, from the beginning on.
    pub own: Episode,
    /// What comes after a load that ended it, when the throttle was closed again.
    pub rest: Option<Episode>,
    /// Even the first frame is read after fuel may have been back.
    late: bool,
}

/// Why a cut may answer for nothing that is read.
pub(super) static READ_LATE: Doubt = Doubt::new(
    "fuel was cut, but may have been back when the lean gas left: readings are too far apart, and nothing tells the load",
);

impl Answer {
    /// Whether nothing that is read is shown to be of the cut, and nothing tells whether load came after it.
    pub(super) fn proves_nothing(&self, scene: &Scene<'_>) -> bool {
        self.late && self.rest.is_none() && limit::throttle(scene).is_none() && scene.manifold().is_none()
    }
}

/// The part of an episode that a cut answers for; null when that is all of it.
///
/// A cut answers for the gas that left while fuel was off. Once fuel may be back, what is read after an engine cycle may
/// be gas of the new load as well as the sensor's way back from air: an event of its own says which where the log shows
/// it, and where it does not nothing is called harmless.
pub(super) fn answer(case: &Case<'_, '_>, cause: Cause) -> Option<Answer> {
    let (scene, episode) = (case.scene, case.episode);
    let (back_s, again_s) = fuel_back(case, cause)?;
    let frames = scene.frames().part(episode.frames.clone())?;
    let until_s = back_s + scene.cycle_s(back_s);
    let inside = frames.iter().take_while(|frame| frame.time_s <= until_s).count();
    if inside == frames.len() {
        return None;
    }
    // Without its first frame there is no event.
    let end = episode.frames.start + inside.max(1);
    let rest = again_s.and_then(|again_s| {
        let before = frames.iter().take_while(|frame| frame.time_s < again_s).count();
        episode.part(scene, (episode.frames.start + before).max(end)..episode.frames.end)
    });
    let own = episode.part(scene, episode.frames.start..end)?;
    Some(Answer { own, rest, late: inside == 0 })
}

/// Earliest moment at which fuel may have come back after a cut, and when an over-run begins anew after load, s; null
/// when nothing tells.
fn fuel_back(case: &Case<'_, '_>, cause: Cause) -> Option<(f64, Option<f64>)> {
    let end_s = case.episode.end_s(case.scene);
    let injected = || Some((evidence::injected_s(case, end_s)?, None));
    if cause == Cause::Overrun {
        return opened(case).or_else(injected);
    }
    injected().or_else(|| {
        let acted_s = evidence::acted_s(case, cause, end_s)?;
        Some((acted_s - evidence::injection_skew_s(case.scene), None))
    })
}

/// Earliest moment at which the throttle may have opened into load after it was closed for an event, and when it was
/// closed again, s; null when no load followed.
fn opened(case: &Case<'_, '_>) -> Option<(f64, Option<f64>)> {
    let scene = case.scene;
    let witness = limit::throttle(scene).or_else(|| scene.manifold())?;
    let from_s = case.gas_start_s - witness.period_s().min(0.2);
    let mut closed_s: Option<f64> = None;
    // Whether it has opened since, and met load.
    let mut open: Option<bool> = None;
    let at_earliest = |closed_s: f64| closed_s - witness.skew_s();
    for (row, _) in witness.readings(from_s, case.episode.end_s(scene)) {
        let time_s = scene.time_s[row];
        if !evidence::shut(scene, time_s) {
            open = closed_s.map(|_| open == Some(true) || loaded(scene, time_s));
        } else if open == Some(true) {
            return closed_s.map(|closed_s| (at_earliest(closed_s), Some(time_s)));
        } else {
            (closed_s, open) = (Some(time_s), None);
        }
    }
    // Open at the end of the event: the manifold may still be filling.
    open.and(closed_s).map(|closed_s| (at_earliest(closed_s), None))
}

/// End of the frames that were lean under load before a cut began: those of the episode itself, else its first one when
/// the gas was lean though no reading was. The sensor lags, and a pull that goes lean just before the throttle closes
/// shows little of it.
///
/// Gas counts only when it left before the cut's own beginning, and under a load that lasted longer than the channels
/// may be apart in time.
fn lean_before(scene: &Scene<'_>, episode: &Episode, onset_s: f64, found: &[Range<usize>]) -> Option<usize> {
    let limit = scene.view.rig.full_load_lambda_max;
    let apart_s = apart_s(scene);
    // A frame may have come sooner than usual, by as much as frames are apart.
    let before = |frame: Frame| {
        let sooner_s = scene.period_s.min(0.2) + scene.delay_doubt_s(frame.time_s);
        let least_s = scene.cycle_s(frame.time_s);
        let gas_s = frame.time_s - (scene.delay_s(frame.time_s) - sooner_s).max(least_s);
        gas_s <= onset_s && loaded(scene, gas_s) && loaded(scene, gas_s + apart_s)
    };
    let start = episode.frames.start;
    let own = scene.frames().part(episode.frames.clone())?;
    let own = own.iter().take_while(|frame| before(*frame)).count();
    let inside = Episode { frames: start..start + own, limit, ..episode.clone() };
    if own > 0 && own < episode.frames.len() && episode::significant(scene, &inside) {
        return Some(start + own);
    }
    // In the second before.
    let start_s = episode.start_s(scene);
    let frames = scene.frames().part(..start)?;
    let first = frames.partition_point(|f| f.time_s < start_s - k::BEFORE_S.value);
    let mut lean = false;
    for (index, frame) in frames.iter().enumerate().skip(first) {
        if !before(frame) {
            continue;
        }
        if found.iter().any(|frames| frames.contains(&index)) {
            return None;
        }
        lean |= frame.lambda > limit || richest_gas(scene, index).is_some_and(|phi| phi < limit.recip());
    }
    lean.then_some(start + 1)
}

/// First frame after a cut under load from which the gas does not come back to the rig's limit.
///
/// Fuel that comes back refills the film for as long as a re-entry may take. After that the burden is on the cut: gas
/// that is lean by the best estimate is not covered by it, and neither is a reading that is lean when the sensor's way
/// down is over.
fn lean_after(case: &Case<'_, '_>, cause: Cause) -> Option<usize> {
    let scene = case.scene;
    let limit = scene.view.rig.full_load_lambda_max;
    let apart_s = apart_s(scene);
    let skew_s = evidence::injection_skew_s(scene);
    let down_s = k::TRANSITION_TAU.value * scene.chain.lean_to_rich.tau_s + scene.period_s.min(0.2);
    let stays_lean = |index: usize, frame: Frame| {
        let gas_s = frame.time_s - scene.delay_s(frame.time_s);
        if frame.lambda <= limit || !(loaded(scene, gas_s) && loaded(scene, gas_s - apart_s)) {
            return false;
        }
        // The next cut of a limiter may have begun since the last sample.
        let Some(acted_s) = evidence::acted_s(case, cause, gas_s + apart_s + skew_s) else { return false };
        let since_s = gas_s - acted_s;
        let refill_s = apart_s + scene.delay_doubt_s(frame.time_s) + k::RE_ENTRY_S.value;
        match likeliest_gas(scene, index) {
            Some(phi) => since_s > refill_s && phi < limit.recip(),
            None => since_s > refill_s + down_s,
        }
    };
    let start = case.episode.frames.start;
    let frames = scene.frames().part(case.episode.frames.clone())?;
    let position = frames.iter().enumerate().position(|(i, frame)| stays_lean(start + i, frame))?;
    // The first frame stays with the cut: without it there is no event to be lean after.
    (position > 0).then_some(start + position)
}

/// What a cut does not answer for and its sensor's way back does not explain: readings under load from which on even the
/// slowest sensor believed in shows gas beyond the limit, noise allowed for, later than fuel must have been back for long
/// enough to harm. A film that refills meanwhile harms as well.
pub(super) fn lean_return(case: &Case<'_, '_>, cause: Cause, answer: &Answer) -> Option<Episode> {
    let scene = case.scene;
    let limit = scene.view.rig.full_load_lambda_max;
    let (apart_s, skew_s) = (apart_s(scene), evidence::injection_skew_s(scene));
    let harms_s = k::HARMFUL_CYCLES.value * scene.cycle_s(case.gas_end_s);
    let left =
        answer.own.frames.end..answer.rest.as_ref().map_or(case.episode.frames.end, |rest| rest.frames.start);
    let first = left.clone().find(|index| {
        let Some(frame) = scene.frames().get(*index) else { return false };
        let gas_s = frame.time_s - scene.delay_s(frame.time_s);
        if frame.lambda <= limit || !loaded(scene, gas_s) || !loaded(scene, gas_s - apart_s) {
            return false;
        }
        let Some(acted_s) = evidence::acted_s(case, cause, gas_s + skew_s) else { return false };
        let lasts_s = gas_s - acted_s - scene.delay_doubt_s(frame.time_s);
        lasts_s >= harms_s
            && slowest_gas_beyond_noise(scene, *index)
                .or_else(|| gas_at_stop(scene, frame, lasts_s))
                .is_some_and(|phi| phi < limit.recip())
    })?;
    let rest = Episode { regime: Regime::Load, limit, after_cut: true, flank: true, ..case.episode.clone() };
    rest.part(scene, first..left.end)
}

/// Frames of an episode whose gas would be that of the first second after load came on: while a film fills, an engine may
/// burn lean, and one that does so pulls hardly less. Null where none is.
pub(super) fn after_opening(scene: &Scene<'_>, episode: &Episode) -> Option<Range<usize>> {
    let start_s = episode.start_s(scene);
    let from = scene.frames().partition_point(|f| f.time_s < start_s - k::OPENING_S.value);
    let mut idle_s = f64::NEG_INFINITY;
    let mut opened: Option<Range<usize>> = None;
    for index in from..episode.frames.end {
        let frame = scene.frames().get(index)?;
        let gas_s = frame.time_s - scene.delay_s(frame.time_s);
        let under_load = loaded(scene, gas_s);
        if !under_load {
            idle_s = gas_s;
        }
        let fresh = under_load && gas_s - idle_s <= k::OPENING_S.value;
        if fresh && index >= episode.frames.start {
            opened = Some(opened.map_or(index..index + 1, |o| o.start..index + 1));
        } else if opened.is_some() {
            break;
        }
    }
    opened
}

/// How far apart in time the channels of one row may be, s.
pub(super) fn apart_s(scene: &Scene<'_>) -> f64 {
    limit::throttle(scene).or_else(|| scene.manifold()).map_or(k::SKEW_S.value, |w| w.skew_s())
}

/// Whether the engine was under load at a time, by manifold pressure and throttle as far as they are logged; a doubt about
/// them takes no load away.
pub(super) fn loaded(scene: &Scene<'_>, time_s: f64) -> bool {
    let throttle = limit::throttle(scene).and_then(|w| w.reads(time_s, 0.5));
    let wide =
        throttle.zip(limit::throttle_full(scene)).map(|(v, full)| v >= k::LOAD_THROTTLE_SHARE.value * full);
    let dense =
        scene.manifold().and_then(|w| w.reads(time_s, 0.5)).map(|pressure| pressure >= scene.dense_pa);
    match (wide, dense) {
        (None, None) => false,
        (wide, dense) => wide.unwrap_or(true) && dense.unwrap_or(true),
    }
}
