//! Lean events: episodes, the evidence for and against each cause, and the verdict.
//!
//! ```text
//! fresh frames -> limits by operating state -> episodes -> features (log10 likelihood ratios) -> posterior
//!              -> gates and vetoes -> verdict; what a proof does not cover is split off and judged alone
//! ```

mod beside;
pub mod catalogue;
mod caution;
mod cell;
mod closed_loop;
mod commanded;
pub mod constants;
mod deconvolve;
mod episode;
pub mod evidence;
mod follower;
mod frames;
pub mod hypothesis;
mod limit;
mod next_check;
mod open;
mod path;
mod told;
mod trace;
mod verdict;
mod vouch;
mod witness;
mod work;

#[cfg(test)]
mod commanded_test;
#[cfg(test)]
mod cuts_test;
#[cfg(test)]
mod doubt_test;
#[cfg(test)]
mod hard_pairs_test;
#[cfg(test)]
mod injection_test;
#[cfg(test)]
mod limiter_test;
#[cfg(test)]
mod lost_load_test;
#[cfg(test)]
mod over_run_test;
#[cfg(test)]
mod restart_test;
#[cfg(test)]
mod rewritten_test;
#[cfg(test)]
mod start_test;
#[cfg(test)]
mod suite;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod vouch_test;

use std::ops::Range;

use self::cell::Cells;
use self::constants as k;
use self::episode::Episode;
use self::evidence::Case;
use self::hypothesis::{Cause, Class, Context, treat_as};
use self::limit::Regime;
use self::told::Told;
use self::trace::Scene;
use self::verdict::{Doubt, Judgement};
use crate::detect::{Detection, View};
use crate::document::{LeanEvent, TreatAs, Verdict};
use crate::signal::search;
use crate::state::bit;

/// One judged lean event and the rows it covers.
#[derive(Clone, Debug, PartialEq)]
pub struct Event {
    /// Rows of the log, half open.
    pub rows: Range<usize>,
    /// As the document shows it; the id is given by `audit`.
    pub record: LeanEvent,
}

/// Finds and judges every lean event of the log.
///
/// # Errors
/// The plain reason why lean events could not be looked for (no mixture channel, say).
pub fn judge(view: &View<'_>, detection: &Detection) -> Result<Vec<Event>, String> {
    let chain = view.chain.ok_or_else(|| view.log.why_no_mixture())?;
    let mut scene =
        Scene::new(view, detection, chain).ok_or("the mixture channel is not a channel of this log")?;
    if scene.frames().len() < 2 {
        return Err("the mixture channel has fewer than two values".to_owned());
    }
    let regimes = limit::of_frames(&scene);
    scene.cells = Cells::of(&scene, |index| regimes.get(index) == Some(&Regime::Load));
    let glitch = |run: &Episode| {
        let case = Case::new(&scene, run, &[], Context::Unknown);
        proof_of(&case).is_some_and(|(_, cause)| cause == Cause::Spike)
    };
    let episodes = episode::find(&scene, &regimes, glitch);
    let scene = scene;
    let proofs: Vec<(Range<usize>, Cause)> = episodes
        .iter()
        .filter_map(|episode| proof_of(&Case::new(&scene, episode, &[], context(&scene, episode))))
        .collect();

    let found: Vec<Range<usize>> = episodes.iter().map(|episode| episode.frames.clone()).collect();
    let copied = copied(&scene);
    let known = Known { proofs, found, copied };

    let mut told = Told::default();
    for episode in episodes {
        settle(&scene, &episode, &known, 0, &mut told);
    }
    let mut events = told.events;
    events.sort_by_key(|event| (event.rows.start, event.rows.end));
    Ok(events)
}

/// The electrical proof of an episode, if it has one.
fn proof_of(case: &Case<'_, '_>) -> Option<(Range<usize>, Cause)> {
    evidence::ELECTRICAL_PROOFS.iter().find_map(|feature| {
        let reading = (feature.run)(case);
        let frames = reading.proof.clone()?;
        let (cause, _) = reading.weights.iter().find(|(c, w)| c.class() == Class::Artefact && *w > 0.0)?;
        Some((frames, *cause))
    })
}

/// What is known of a whole log before its episodes are judged.
struct Known {
    /// Episodes with an electrical proof: frames and cause.
    proofs: Vec<(Range<usize>, Cause)>,
    /// Frames of every episode.
    found: Vec<Range<usize>>,
    /// Rows that are copies of the row before, and those right after them.
    copied: Vec<Range<usize>>,
}

/// Why an event is no more than a reading.
static STOOD_STILL: Doubt =
    Doubt::new("the log or its clock stood still there: what the engine did, or for how long, is not known");

/// Why an event may be one of part load.
static LOAD_LOST: Doubt = Doubt::new(
    "nothing read the load there: the engine worked as under a full one, which part load may do as well",
);

/// Rows in which the log or its clock stood still, with those after it whose gas was burnt meanwhile.
fn copied(scene: &Scene<'_>) -> Vec<Range<usize>> {
    let places = scene.detection.places_on(scene.chain.channel);
    // A repeated row or two are a stutter of the clock.
    let is_long = |rows: &Range<usize>| rows.len() >= k::CLOCK_ROWS.value as usize;
    let stood = places.filter(move |place| {
        place.detector == "standstill" || place.detector == "time_order" && is_long(&place.rows)
    });
    let until = |rows: &Range<usize>| {
        let end_s = scene.time_s.get(rows.end.saturating_sub(1)).copied().unwrap_or(f64::INFINITY);
        search::up_to(scene.time_s, end_s + k::AFTER_STANDSTILL_S.value)
    };
    stood.map(|place| place.rows.start..until(&place.rows)).collect()
}

impl Known {
    fn is_copied(&self, rows: &Range<usize>) -> bool {
        let next = self.copied.partition_point(|copied| copied.end <= rows.start);
        self.copied.get(next).is_some_and(|copied| copied.start < rows.end)
    }
}

/// Judges an episode; where a proof covers only part of it the rest is split off and judged alone.
fn settle(scene: &Scene<'_>, episode: &Episode, known: &Known, depth: usize, told: &mut Told) {
    let case = Case::new(scene, episode, &known.proofs, context(scene, episode));
    let judgement = verdict::judge(&case);
    if depth < 4 {
        let parts = parts(&case, &judgement, &known.found);
        if parts.len() > 1 {
            for part in parts {
                settle(scene, &part, known, depth + 1, told);
            }
            return;
        }
    }
    if judgement.verdict == Verdict::Artefact && split_at_opening(scene, episode, known, depth, told) {
        return;
    }
    let harmless = treat_as(judgement.verdict) != TreatAs::Hazard;
    let judgement = if harmless && known.is_copied(&episode.rows(scene)) {
        judgement.left_open(&STOOD_STILL)
    } else if matches!(judgement.verdict, Verdict::Real | Verdict::Misfire)
        && episode.regime == Regime::Load
        && limit::load_lost(scene, &episode.frames)
    {
        judgement.left_open(&LOAD_LOST)
    } else {
        judgement
    };
    let cut = Cause::ALL
        .into_iter()
        .find(|cause| judgement.verdict == Verdict::FuelCut && cause.name() == judgement.cause);
    match cut {
        Some(cause) => match vouch::refuses(&case, cause, &known.found) {
            Some(doubt) => record(&case, judgement.left_open(doubt), told),
            None => match vouch::own_of_over_run(&case, cause) {
                Some(own) => record_apart(&case, own, judgement, told),
                None => record_cut(&case, cause, judgement, told),
            },
        },
        None => record(&case, judgement, told),
    }
}

/// Why an event is no more than a reading.
static OPENED_UNREAD: Doubt = Doubt::new(
    "the reading is no measurement, but load came on meanwhile: whether the fuel followed at once is not known",
);

/// Leaves open what a reading that is no measurement hides of an opening, and judges the rest of it.
///
/// * returns whether there was any
fn split_at_opening(
    scene: &Scene<'_>,
    episode: &Episode,
    known: &Known,
    depth: usize,
    told: &mut Told,
) -> bool {
    let Some(opened) = beside::after_opening(scene, episode) else { return false };
    let (start, end) = (episode.frames.start, episode.frames.end);
    let Some(part) = episode.part(scene, opened.clone()) else { return false };
    let case = Case::new(scene, &part, &known.proofs, context(scene, &part));
    if !verdict::hides_load(&case) {
        return false;
    }
    for rest in [start..opened.start, opened.end..end] {
        if let Some(rest) = episode.part(scene, rest) {
            settle(scene, &rest, known, depth + 1, told);
        }
    }
    record(&case, verdict::judge(&case).left_open(&OPENED_UNREAD), told);
    true
}

/// Records an over-run, and leaves open what lies beside its own part.
fn record_apart(case: &Case<'_, '_>, own: Range<usize>, judgement: Judgement, told: &mut Told) {
    let (scene, episode) = (case.scene, case.episode);
    for flank in [episode.frames.start..own.start, own.end..episode.frames.end] {
        if let Some(flank) = episode.part(scene, flank) {
            let flank = Case::new(scene, &flank, case.proofs, case.context);
            record(&flank, verdict::judge(&flank).left_open(&vouch::FALLS_SHORT), told);
        }
    }
    if let Some(own) = episode.part(scene, own) {
        record_cut(&Case::new(scene, &own, case.proofs, case.context), Cause::Overrun, judgement, told);
    }
}

/// Records the parts of a cut that it answers for.
fn record_cut(case: &Case<'_, '_>, cause: Cause, judgement: Judgement, told: &mut Told) {
    // One after the other: a log may hold thousands of them without a break.
    let mut rest = Some(case.episode.clone());
    while let Some(episode) = rest {
        let case = Case::new(case.scene, &episode, case.proofs, case.context);
        let Some(answer) = beside::answer(&case, cause) else {
            record(&case, judgement, told);
            return;
        };
        let own = Case { episode: &answer.own, ..case };
        if answer.proves_nothing(case.scene) {
            record(&own, judgement.left_open(&beside::READ_LATE), told);
            return;
        }
        record(&own, judgement.clone(), told);
        if let Some(lean) = beside::lean_return(&case, cause, &answer) {
            let lean = Case::new(case.scene, &lean, case.proofs, case.context);
            record(&lean, verdict::judge(&lean), told);
        }
        rest = answer.rest;
    }
}

/// Parts of an episode that must be judged apart: inside and outside a proof, and what lies beside a cut.
fn parts(case: &Case<'_, '_>, judgement: &Judgement, found: &[Range<usize>]) -> Vec<Episode> {
    let (scene, episode) = (case.scene, case.episode);
    if let Some((cause, frames)) = &judgement.proof {
        let cut = cause.class() == Class::FuelCut;
        let pieces = [
            episode.part(scene, episode.frames.start..frames.start),
            episode.part(scene, frames.clone()).map(|part| Episode {
                after_split: episode.after_split || frames.start > episode.frames.start,
                ..part
            }),
            episode
                .part(scene, frames.end..episode.frames.end)
                .map(|part| Episode { after_cut: cut, ..part }),
        ];
        return pieces.into_iter().flatten().collect();
    }
    if judgement.verdict == Verdict::FuelCut
        && let Some(cause) = Cause::ALL.into_iter().find(|c| c.name() == judgement.cause)
    {
        let beside = beside::parts(case, cause, found);
        if !beside.is_empty() {
            return beside;
        }
    }
    let cut = matches!(judgement.cause, "rev_limit" | "gear_cut" | "unload");
    if cut && let Some(start) = re_entry(case) {
        let pieces = [
            episode.part(scene, episode.frames.start..start),
            episode.part(scene, start..episode.frames.end).map(|part| Episode { after_cut: true, ..part }),
        ];
        return pieces.into_iter().flatten().collect();
    }
    Vec::new()
}

/// First frame of a lean re-entry under boost at the end of a cut: lambda 0.9 to 1.15 for longer than the
/// sensor's own way back takes.
fn re_entry(case: &Case<'_, '_>) -> Option<usize> {
    let scene = case.scene;
    let frames = scene.frames().part(case.episode.frames.clone())?;
    let band = k::RE_ENTRY_LOW.value..=k::RE_ENTRY_HIGH.value;
    let count = frames.iter().rev().take_while(|f| band.contains(&f.lambda)).count();
    let start = case.episode.frames.end - count;
    // A cut that stays in the band from its beginning is a plateau, not a re-entry.
    if count == 0 || start <= case.episode.frames.start {
        return None;
    }
    let start_s = scene.frames().get(start)?.time_s;
    let lasts_s = case.episode.end_s(scene) - start_s;
    let pressure = scene.manifold()?.median(start_s, case.episode.end_s(scene))?;
    (lasts_s > k::RE_ENTRY_S.value && pressure > k::BOOST_PA.value).then_some(start)
}

fn record(case: &Case<'_, '_>, judgement: Judgement, told: &mut Told) {
    let (scene, episode) = (case.scene, case.episode);
    let rows = episode.rows(scene);
    let peak = scene.frames().get(episode.peak(scene));
    let next_check = next_check::suggest(case, &judgement);
    let record = LeanEvent {
        id: String::new(),
        channel: scene.channel.name.clone(),
        start_s: episode.start_s(scene),
        end_s: scene.time_s.get(rows.end.saturating_sub(1)).copied().unwrap_or_else(|| episode.end_s(scene)),
        peak_lambda: peak.map_or(episode.limit, |f| f.lambda),
        peak_is_bound: peak.is_some_and(|f| f.clipped),
        context: case.context.name().into(),
        verdict: judgement.verdict,
        cause: judgement.cause.into(),
        treat_as: treat_as(judgement.verdict),
        posterior: judgement.posterior,
        evidence: judgement
            .readings
            .iter()
            .map(|(feature, reading)| told.share(reading.document(feature)))
            .collect(),
        gas_peak_lambda: deconvolve::gas_peak(scene, episode),
        blind_below_s: deconvolve::may_be_blind_below_s(scene),
        because: judgement.because,
        next_check,
    };
    told.events.push(Event { rows, record });
}

/// Operating context when the gas of an episode left the cylinders.
fn context(scene: &Scene<'_>, episode: &Episode) -> Context {
    let start_s = episode.start_s(scene);
    let gas_s = start_s - scene.delay_s(start_s);
    let rows = scene.view.log.clock.rows_between(gas_s - 0.15, gas_s + 0.1);
    let has = |mask: u16| rows.clone().any(|row| scene.view.state.has(row, mask));
    let short = episode.duration_s(scene) <= k::SHIFT_S.value;
    if short && has(bit::GEAR_CHANGE) && !episode.flank {
        return Context::GearChange;
    }
    let shut = || evidence::begins_shut(&Case::new(scene, episode, &[], Context::Unknown));
    if episode.regime == Regime::LeanSwing {
        return Context::PartLoad;
    }
    if episode.regime == Regime::OverRun || (!episode.regime.rich() && shut()) {
        // A blip of the throttle: most of its lean gas is read after the throttle closed again.
        let blip = episode.duration_s(scene) <= k::LONGEST_FILM_S.value
            && evidence::begins_opened(&Case::new(scene, episode, &[], Context::Unknown));
        return if blip { Context::TipIn } else { Context::OverRun };
    }
    let speed = scene.witness(crate::log::Role::EngineSpeed).and_then(|w| w.range(gas_s - 0.15, gas_s + 0.1));
    let at_ceiling = || match (speed, scene.view.state.ceiling_rpm) {
        (Some((_, high)), Some(ceiling)) => high >= k::CEILING_SHARE.value * ceiling,
        _ => false,
    };
    let limited = || at_ceiling() || has(bit::LIMITER | bit::UNLOAD);
    let opened = || {
        let case = Case::new(scene, episode, &[], Context::FullLoad);
        // A reading that has not moved since before the opening does not answer it.
        evidence::seconds_since_opening(&case)
            .filter(|since| !evidence::stands_since_before(&case, case.gas_start_s - since))
            .is_some_and(|since| since < k::OPENING_S.value)
    };
    // A film lags behind an opening into part load too, however long ago the sensor was switched on.
    if episode.regime == Regime::PartLoad
        && episode.duration_s(scene) <= k::LONGEST_FILM_S.value
        && !has(bit::GEAR_CHANGE)
        && !limited()
        && opened()
    {
        return Context::TipIn;
    }
    if scene.power_up_s.is_some_and(|t| start_s - t < k::POWER_UP_S.value) && !episode.regime.rich() {
        return Context::PowerUp;
    }
    if has(bit::GEAR_CHANGE) {
        return Context::GearChange;
    }
    if limited() {
        return Context::Ceiling;
    }
    match episode.regime {
        Regime::Load if opened() || episode.after_cut => Context::TipIn,
        Regime::Load => Context::FullLoad,
        Regime::PartLoad | Regime::LeanSwing => Context::PartLoad,
        Regime::OverRun => Context::OverRun,
        Regime::RichHold | Regime::Unknown | Regime::Standing => Context::Unknown,
    }
}

/// Whether the mixture reading of a row may be used for a claim: flagged good and in no event treated as
/// invalid; every row where the log has no mixture channel.
pub fn usable_rows<'a>(
    view: &View<'a>,
    detection: &'a Detection,
    events: &'a [Event],
) -> impl Fn(usize) -> bool + 'a {
    let flags = view.chain.map(|chain| detection.flags.get(chain.channel));
    let mut invalid: Vec<&Range<usize>> =
        events.iter().filter(|e| e.record.treat_as == TreatAs::Invalid).map(|e| &e.rows).collect();
    invalid.sort_by_key(|rows| rows.start);
    move |row| {
        flags.is_none_or(|flags| {
            // Events do not overlap: only the last one that starts at or before the row can hold it.
            let next = invalid.partition_point(|rows| rows.start <= row);
            let inside =
                next.checked_sub(1).and_then(|i| invalid.get(i)).is_some_and(|rows| rows.contains(&row));
            flags.and_then(|flags| flags.get(row)).is_some_and(crate::flag::Flag::usable) && !inside
        })
    }
}

/// The cautions that belong beside the numbers of this log.
pub fn cautions(view: &View<'_>, events: &[LeanEvent]) -> Vec<String> {
    caution::list(view, events)
}
