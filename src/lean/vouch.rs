//! Whether the readings beside a cut vouch for the load there.
//!
//! The air of a cut lies over the gas that was burnt just before it and just after, for as long as the delay is in doubt and
//! the sensor needs to come back. Of that time only the readings beside it can speak. They do not where none was read, and
//! where they are no further from the rig's limit than a healthy reading may be off: then the cut is one, but what it
//! hides is not known to be harmless. Nor do readings so far apart that a danger beside a short cut falls between them, those
//! that come late, and those of an engine whose full load gets less than is commanded ([`super::commanded`]).

use std::ops::Range;

use super::beside::{apart_s, loaded};
use super::commanded::falls_short;
use super::constants as k;
use super::evidence::{self, Case};
use super::hypothesis::Cause;
use super::limit;
use super::path::steady_phi;
use super::trace::{Frame, Scene, median};
use super::verdict::Doubt;

/// Why a cut cannot be called harmless; null where nothing speaks against it.
///
/// * `found`: frames of every episode of the log, ascending
pub(super) fn refuses(case: &Case<'_, '_>, cause: Cause, found: &[Range<usize>]) -> Option<&'static Doubt> {
    let over_run = cause == Cause::Overrun;
    if !over_run && case.scene.period_s >= k::CUT_PERIOD_S.value {
        return Some(&FAR_APART);
    }
    if unread(case) {
        return Some(&UNREAD);
    }
    if near_limit(case, cause, found) {
        return Some(&NEAR_LIMIT);
    }
    if over_run && still_of_load(case) {
        return Some(&READS_LATE);
    }
    (!over_run && falls_short(case) && load_beside(case) != (false, false)).then_some(&FALLS_SHORT)
}

static FAR_APART: Doubt = Doubt::new(
    "fuel was cut under load, but readings so far apart show neither what was burnt right before the cut nor right after it",
);

static UNREAD: Doubt = Doubt::new(
    "fuel was cut, but right before it the engine was under load and nothing was read of it: what the air of the cut hides \
     is not known",
);

static NEAR_LIMIT: Doubt = Doubt::new(
    "fuel was cut, but the mixture beside it is no further from the limit than a reading may be off, and the air of the cut \
     hides how far it went",
);

static READS_LATE: Doubt = Doubt {
    because: "fuel was cut, but the reading stays at the mixture of the load for longer than the gas needs after the load is \
              gone: it comes late there, and what it shows may be of the load",
    check: Some(
        "compare the clocks of throttle and lambda: close the throttle from a steady load a few times in one log. Lambda \
         answers after the same short time each time: the engine was still burning fuel, find out why. It answers later and \
         later, or late at once: mend the logger's link, and judge no lean event of this log by its load",
    ),
};

/// Why what a cut lies beside is left open where full load gets less than is commanded.
pub(super) static FALLS_SHORT: Doubt = Doubt {
    because: "fuel was cut, but the mixture of full load there stays leaner than commanded by more than a reading may be off: \
              something gives too little, or one of the two is off, and the air of the cut hides how far that went beside it",
    check: Some(
        "compare reading and command of full load with a second sensor and in one unit. They differ in scale only: state \
         `fuel` or `stoich_afr` in the rig file. The engine is leaner than commanded: measure fuel pressure and the flow of \
         each injector before the next full load",
    ),
};

/// The part of an over-run that no gas of load can share, where full load gives too little fuel: without the readings that may
/// still hold some of it at the beginning, and hold it again at the end.
///
/// * returns null where full load gets what is commanded, where no load lies beside the cut, or where it is no over-run
pub(super) fn own_of_over_run(case: &Case<'_, '_>, cause: Cause) -> Option<Range<usize>> {
    let (scene, frames) = (case.scene, &case.episode.frames);
    if cause != Cause::Overrun || !falls_short(case) {
        return None;
    }
    let (before, after) = load_beside(case);
    if !(before || after) {
        return None;
    }
    let inside = scene.frames().part(frames.clone())?;
    let gas_of_load = |frame: &Frame| {
        let late_s = scene.delay_s(frame.time_s) + scene.delay_doubt_s(frame.time_s);
        limit::loaded_at(scene, frame.time_s - late_s - apart_s(scene))
    };
    let first = if before { inside.iter().take_while(gas_of_load).count().max(1) } else { 0 };
    let last = usize::from(after);
    Some((frames.start + first).min(frames.end)..frames.end.saturating_sub(last).max(frames.start + first))
}

/// Whether load lies within a second before an event, and within one after it.
fn load_beside(case: &Case<'_, '_>) -> (bool, bool) {
    let (scene, episode) = (case.scene, case.episode);
    let (start_s, end_s) = (episode.start_s(scene), episode.end_s(scene));
    let of_load = |frame: &Frame| limit::loaded_at(scene, frame.time_s - scene.delay_s(frame.time_s));
    let earlier = scene.frames().part(..episode.frames.start).unwrap_or_default();
    let later = scene.frames().part(episode.frames.end..).unwrap_or_default();
    (
        earlier.iter().rev().take_while(|f| start_s - f.time_s <= k::BEFORE_S.value).any(|f| of_load(&f)),
        later.iter().take_while(|f| f.time_s - end_s <= k::BEFORE_S.value).any(|f| of_load(&f)),
    )
}

/// Whether the reading stands at the mixture of full load although gas is read that left the engine half a second after the
/// load went, by the delay of this log: then it is late, or the channels are, and the times of the two cannot be compared.
fn still_of_load(case: &Case<'_, '_>) -> bool {
    let scene = case.scene;
    let start = case.episode.frames.start;
    let earlier = scene.frames().part(..start).unwrap_or_default();
    let recent =
        earlier.iter().rev().take_while(|f| case.episode.start_s(scene) - f.time_s <= k::LATE_READ_S.value);
    let Some(closed_s) = recent.map(|f| f.time_s).find(|at| loaded(scene, *at)) else { return false };
    let at = earlier.partition_point(|f| f.time_s <= closed_s);
    let before = earlier.partition_point(|f| f.time_s < closed_s - k::SETTLED_S.value);
    let level = earlier.part(before..at).and_then(|frames| median(frames.iter().map(Frame::phi).collect()));
    let Some(level) = level.filter(|phi| *phi * scene.view.rig.full_load_lambda_max >= 1.0) else {
        return false;
    };
    let band = steady_phi(scene.noise_phi);
    let later = earlier.part(at..).unwrap_or_default();
    let stays = later.iter().take_while(|f| (f.phi() - level).abs() <= band).last();
    stays.is_some_and(|last| {
        let delay_s = if scene.delay_is_learnt() {
            scene.delay_s(last.time_s) + scene.delay_doubt_s(last.time_s)
        } else {
            scene.latest_delay_s(last.time_s)
        };
        last.time_s - delay_s - apart_s(scene) - closed_s >= k::CHANGE_S.value
    })
}

/// Whether the reading was lost or stood still for as long as harms, under load, so shortly before the event that its own
/// gas and that of the load then cannot be told apart.
fn unread(case: &Case<'_, '_>) -> bool {
    let scene = case.scene;
    let start_s = case.episode.start_s(scene);
    let reach_s = scene.delay_doubt_s(start_s)
        + k::TRANSITION_TAU.value * scene.chain.lean_to_rich.tau_s
        + 2.0 * scene.period_s.min(0.2);
    let rows = scene.view.log.clock.rows_between(start_s - reach_s, start_s);
    let harms_s = k::HARMFUL_CYCLES.value * scene.cycle_s(start_s);
    let delay_s = scene.delay_s(start_s);
    let time_s = |row: usize| scene.time_s.get(row).copied();
    scene.unread(&rows).any(|lost| {
        let (Some(from_s), Some(to_s)) = (time_s(lost.start), time_s(lost.end)) else { return false };
        to_s - from_s >= harms_s
            && lost.into_iter().any(|row| time_s(row).is_some_and(|at| loaded(scene, at - delay_s)))
    })
}

/// Whether the last readings of load before a cut, or the first settled ones after a cut under load, are about the limit.
fn near_limit(case: &Case<'_, '_>, cause: Cause, found: &[Range<usize>]) -> bool {
    let (scene, episode) = (case.scene, case.episode);
    let (start_s, end_s) = (episode.start_s(scene), episode.end_s(scene));
    let limit = scene.view.rig.full_load_lambda_max;
    let near = k::NEAR_LIMIT.value;
    let about = |readings: Vec<f64>| {
        readings.len() >= 3 && median(readings).is_some_and(|lambda| (lambda - limit).abs() <= near)
    };
    let of_load = |frame: &Frame| loaded(scene, frame.time_s - scene.delay_s(frame.time_s));
    // What is read once the cut may have begun says nothing of the mixture before it.
    let onset_s = evidence::onset_s(case, cause);
    let uncut = |frame: &Frame| frame.time_s < onset_s && loaded(scene, frame.time_s + apart_s(scene));
    // Load that is an event of its own, with the way up to it, is judged there.
    let event = |index: usize| {
        let next = found.partition_point(|frames| frames.start <= index);
        next.checked_sub(1).and_then(|at| found.get(at)).is_some_and(|frames| frames.contains(&index))
    };
    let earlier = scene.frames().part(..episode.frames.start).unwrap_or_default();
    let before: Vec<f64> = earlier
        .iter()
        .enumerate()
        .rev()
        .take_while(|(index, frame)| start_s - frame.time_s <= k::BEFORE_S.value && !event(*index))
        .map(|(_, frame)| frame)
        .filter(of_load)
        .filter(uncut)
        .take(3)
        .map(|frame| frame.lambda)
        .collect();
    if about(before) {
        return true;
    }
    let settled_s =
        end_s + k::TRANSITION_TAU.value * scene.chain.lean_to_rich.tau_s + scene.period_s.min(0.2);
    let after = || {
        let later = scene.frames().part(episode.frames.end..).unwrap_or_default();
        later
            .iter()
            .take_while(|frame| frame.time_s <= settled_s + k::BEFORE_S.value)
            .filter(|frame| frame.time_s >= settled_s)
            .filter(of_load)
            .take(3)
            .map(|frame| frame.lambda)
            .collect()
    };
    cause != Cause::Overrun && about(after())
}

impl Scene<'_> {
    /// Stretches among some rows in which the mixture was not read, or its reading stood still.
    fn unread(&self, rows: &Range<usize>) -> impl Iterator<Item = Range<usize>> + '_ {
        let all = self.unread.get_or_init(|| {
            let places = self.detection.places_on(self.chain.channel);
            let places = places.filter(|place| matches!(place.detector, "dropout" | "flat_line"));
            apart(places.map(|place| place.rows).collect())
        });
        let (start, end) = (rows.start, rows.end);
        let first = all.partition_point(|lost| lost.end <= start);
        all[first..]
            .iter()
            .take_while(move |lost| lost.start < end)
            .map(move |lost| lost.start.max(start)..lost.end.min(end))
    }
}

/// Stretches that overlap or touch put together, ascending.
fn apart(mut stretches: Vec<Range<usize>>) -> Vec<Range<usize>> {
    stretches.sort_unstable_by_key(|stretch| stretch.start);
    stretches.dedup_by(|next, before| {
        let joins = next.start <= before.end;
        if joins {
            before.end = before.end.max(next.end);
        }
        joins
    });
    stretches
}
