//! What engine speed says of a cut: the ceiling, the next gear, a flare; and how deep a cut reads.

use super::limiter::not_limited;
use super::state::{Opening, covered, opening};
use super::{Case, Feature, Group, Injection, Reading};
use crate::figure::figure;
use crate::lean::constants::{self as k, Tag};
use crate::lean::deconvolve;
use crate::lean::hypothesis::Cause;
use crate::lean::trace::{Scene, Witness};
use crate::log::Role;
use crate::state::bit;

pub(super) static SPEED_CEILING: Feature = Feature {
    name: "speed_ceiling",
    id: "F10",
    group: Group::State,
    summary: "engine speed stands at its recurring ceiling",
    looks: "engine speed at 98.5 % or more of the ceiling seen at least twice, throttle open, saw-tooth or stop, and \
            lean there at every visit",
    decides: "an engine that stops climbing there, time after time, with open throttle is held by its limiter; three \
              turns within one event say most",
    cannot: "starvation at the ceiling looks alike in lambda alone: fuel pressure decides; a ceiling met once proves \
             nothing, nor does a speed that stands there to the digit, without a cut, or while the vehicle climbs on",
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
        .weigh(&[Cause::RevLimit], k::LR_BELOW_CEILING.value);
    }
    if high < k::CEILING_SHARE.value * ceiling || opening(case).0 == Opening::Closed {
        return Reading::seen(percent, "%", format!("engine speed at {percent:.1} % of its ceiling"));
    }
    if stands(case, speed) {
        return Reading::not_evaluated(
            "engine speed stands to the digit at its highest: no engine is held so still; it is stuck or at the end of its \
             range",
        );
    }
    if let Some(because) = not_limited(case, ceiling, speed) {
        return Reading::not_evaluated(because);
    }
    let visits = visits(case, ceiling, speed);
    if visits.lean == 0 && visits.clean > 0 {
        let text = format!(
            "engine speed at {percent:.1} % of its ceiling, but {} other visits there read no lean: no limiter",
            visits.clean
        );
        return Reading::seen(percent, "%", text).weigh(&[Cause::RevLimit], k::LR_CLEAN_CEILING.value);
    }
    let strokes = strokes(case).len();
    let recurs = seen && (visits.lean > 0 || strokes >= 2);
    let weight = if !recurs {
        k::LR_CEILING.value
    } else if strokes as f64 >= k::SAW_TEETH.value {
        k::LR_SAW_TOOTH.value
    } else if strokes >= 2 || stops(case, speed) {
        k::LR_CEILING_HELD.value
    } else {
        k::LR_CEILING_AGAIN.value
    };
    let text = format!(
        "engine speed at {percent:.1} % of its ceiling of {ceiling:.0} rpm, throttle open, {}",
        if strokes >= 2 {
            format!("turned back there {strokes} times")
        } else if visits.lean > 0 {
            format!("lean in {} other visits too", visits.lean)
        } else {
            "once".to_owned()
        }
    );
    let reading = Reading::seen(percent, "%", text).weigh(&[Cause::RevLimit], weight);
    // Lean before the ceiling was met is no work of the limiter.
    let reach = speed.skew_s() + 0.5 * tau;
    let met_s = onset_s(case, Cause::RevLimit).min(case.gas_start_s) - reach;
    if recurs && leaning(case).is_some_and(|times| times >= k::CUT_RATIO.value) {
        reading.prove(covered(case, |time| {
            time >= met_s && speed.at(time, 0.3).is_some_and(|rpm| rpm >= k::LIMITER_BAND.value * ceiling)
        }))
    } else {
        reading
    }
}

/// Whether engine speed climbed before the event and no longer does in it.
fn stops(case: &Case<'_, '_>, speed: Witness<'_>) -> bool {
    let before = speed.slope(case.gas_start_s - 0.7, case.gas_start_s - 0.1);
    let during = speed.slope(case.gas_start_s - 0.05, case.gas_end_s.max(case.gas_start_s + 0.25));
    match (before, during) {
        (Some(before), Some(during)) => during.per_s < 0.25 * before.per_s.max(200.0),
        // Too few samples for slopes.
        _ => false,
    }
}

/// Whether engine speed stands at one value as an event begins, its highest, for three of its own periods and longer than
/// a crest lasts. A limiter lets the engine fall and climb; what stands is the end of a range (8 bits of 25 rpm end at
/// 6375), or stuck.
fn stands(case: &Case<'_, '_>, speed: Witness<'_>) -> bool {
    let half = 0.5 * speed.channel.resolution();
    let least_s = (2.5 * speed.period_s()).max(k::CREST_S.value);
    let until_s = case.gas_end_s + speed.period_s();
    let samples: Vec<(f64, f64)> = speed.samples(case.gas_start_s - k::BEFORE_S.value, until_s).collect();
    let highest = samples.iter().map(|sample| sample.1).fold(f64::NEG_INFINITY, f64::max);
    let at_highest = |sample: &(f64, f64)| sample.1 >= highest - half;
    samples.chunk_by(|a, b| at_highest(a) == at_highest(b)).any(|run| match run {
        [first, .., last] => at_highest(first) && last.0 - first.0 >= least_s,
        _ => false,
    })
}

/// Other visits to the ceiling: with and without a lean reading.
struct Visits {
    lean: usize,
    clean: usize,
}

fn visits(case: &Case<'_, '_>, ceiling: f64, speed: Witness<'_>) -> Visits {
    let scene = case.scene;
    let (start, end) = (case.episode.start_s(scene), case.episode.end_s(scene));
    let tau_s = scene.chain.rich_to_lean.tau_s;
    let limit = scene.view.rig.full_load_lambda_max.max(case.episode.limit);
    let mut visits = Visits { lean: 0, clean: 0 };
    for rows in scene.view.state.windows_of(bit::LIMITER) {
        let time = |row: usize| scene.time_s.get(row).copied().unwrap_or(f64::NAN);
        let (from, to) = (time(rows.start), time(rows.end.saturating_sub(1)));
        if to > start - k::PASS_GAP_S.value && from < end + k::PASS_GAP_S.value {
            continue;
        }
        // What is read after its end may be the gas of a lift.
        let first = scene.frames().partition_point(|f| f.time_s < from);
        let lean = scene
            .frames()
            .part(first..)
            .unwrap_or_default()
            .iter()
            .take_while(|f| f.time_s <= to)
            .any(|f| f.lambda > limit);
        // A limiter acts at the ceiling itself, not in the band below it, and is read some time later.
        let long = to - from >= scene.delay_s(to) + 2.0 * tau_s + 2.0 * scene.period_s;
        let met = speed.range(from, to).is_some_and(|(_, high)| high >= k::CEILING_MET.value * ceiling);
        visits.lean += usize::from(lean);
        visits.clean += usize::from(!lean && met && long);
    }
    visits
}

/// One turn of engine speed at its ceiling, s: when it last began to climb, and when it turned back.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Stroke {
    pub climbs_s: f64,
    pub turns_s: f64,
}

/// The turns of a saw-tooth at the ceiling during the event.
pub(super) fn strokes(case: &Case<'_, '_>) -> Vec<Stroke> {
    let (Some(speed), Some(ceiling)) =
        (case.scene.witness(Role::EngineSpeed), case.scene.view.state.ceiling_rpm)
    else {
        return Vec::new();
    };
    let start = case.gas_start_s - 0.1 - case.scene.chain.rich_to_lean.tau_s;
    turns(speed.samples(start, case.gas_end_s + 0.1), ceiling)
}

/// The turns of a saw-tooth at the ceiling of the whole log.
pub(super) fn all_strokes(scene: &Scene<'_>) -> Vec<Stroke> {
    match (scene.witness(Role::EngineSpeed), scene.view.state.ceiling_rpm) {
        (Some(speed), Some(ceiling)) => turns(speed.samples(f64::NEG_INFINITY, f64::INFINITY), ceiling),
        _ => Vec::new(),
    }
}

/// Peaks from which the speed fell by 0.4 % of its ceiling.
fn turns(samples: impl Iterator<Item = (f64, f64)>, ceiling: f64) -> Vec<Stroke> {
    let swing = k::STROKE_SHARE.value * ceiling;
    let mut strokes = Vec::new();
    let (mut rising, mut turn, mut climbs_s) = (true, (f64::NAN, f64::NEG_INFINITY), f64::NAN);
    for (time, rpm) in samples {
        let further = if rising { rpm > turn.1 } else { rpm < turn.1 };
        if further {
            turn = (time, rpm);
        } else if (rpm - turn.1).abs() >= swing {
            if !rising {
                climbs_s = turn.0;
            } else if turn.1 >= k::CEILING_SHARE.value * ceiling {
                strokes.push(Stroke { climbs_s, turns_s: turn.0 });
            }
            (rising, turn) = (!rising, (time, rpm));
        }
    }
    strokes
}

/// When a cut of a kind can have begun at the earliest, s: what was lean before is not its work.
pub(super) fn onset_s(case: &Case<'_, '_>, cause: Cause) -> f64 {
    let scene = case.scene;
    let (from, end) = (case.gas_start_s - k::BEFORE_S.value, case.gas_end_s);
    // It began after the sample before.
    let off = Injection::of(scene)
        .and_then(|injection| Some(injection.shut_s(from, end).next()? - injection.witness.skew_s()));
    let speed = scene.witness(Role::EngineSpeed);
    let speed_skew_s = speed.map_or(k::SKEW_S.value, |w| w.skew_s());
    let began = match cause {
        // Load itself ends with the closing throttle.
        Cause::Overrun => return f64::INFINITY,
        // An engine whose speed still climbs is not cut yet; it turns back a cycle later.
        Cause::RevLimit => {
            let turned = strokes(case)
                .first()
                .map(|stroke| stroke.turns_s - speed_skew_s - scene.cycle_s(stroke.turns_s));
            turned.or_else(|| {
                let ceiling = scene.view.state.ceiling_rpm?;
                let near = |(_, rpm): &(f64, f64)| *rpm >= k::CEILING_NEAR.value * ceiling;
                speed?.samples(from, end).find(near).map(|sample| sample.0)
            })
        }
        _ => {
            // Nor is one cut for a change of gear while its speed still climbs, however early the state is shown.
            let climbed = || fall(speed?.samples(from, end)).map(|(top_s, _)| top_s - scene.cycle_s(top_s));
            let shown = || {
                let row = rows_in_state(case, end, bit::GEAR_CHANGE | bit::UNLOAD).next()?;
                scene.time_s.get(row).copied()
            };
            let climbed = if cause == Cause::GearCut { climbed() } else { None };
            climbed.or_else(shown).map(|began_s| began_s - speed_skew_s)
        }
    };
    // Without a moment of its own: as long before as the reading may take to pass its limit.
    off.or(began).unwrap_or(case.gas_start_s - scene.chain.rich_to_lean.tau_s - scene.period_s.min(0.2))
}

/// Last moment up to a time at which a cut of a kind acted, s; null for over-runs, which end with the closed throttle,
/// and where nothing in the log has the moment.
pub(super) fn acted_s(case: &Case<'_, '_>, cause: Cause, time_s: f64) -> Option<f64> {
    let scene = case.scene;
    let from = case.gas_start_s - k::BEFORE_S.value;
    if let Some(injection) = Injection::of(scene)
        && let Some(off_s) = injection.shut_s(from, time_s).last()
    {
        return Some(off_s + injection.witness.period_s().min(0.2));
    }
    match cause {
        Cause::RevLimit => {
            let ceiling = scene.view.state.ceiling_rpm?;
            let near = |(_, rpm): &(f64, f64)| *rpm >= k::LIMITER_BAND.value * ceiling;
            scene.witness(Role::EngineSpeed)?.samples(from, time_s).filter(near).last().map(|sample| sample.0)
        }
        Cause::GearCut | Cause::Unload => {
            let row = rows_in_state(case, time_s, bit::GEAR_CHANGE | bit::UNLOAD | bit::LIMITER).last();
            let shown_s = row.and_then(|row| scene.time_s.get(row).copied());
            // A change of gear is over when engine speed has stopped falling, however long the state is shown.
            let speed = scene.witness(Role::EngineSpeed).filter(|_| cause == Cause::GearCut);
            let turned_s = speed.and_then(|speed| Some(fall(speed.samples(from, time_s))?.1));
            match (shown_s, turned_s) {
                (Some(shown), Some(turned)) => Some(shown.min(turned)),
                (shown, turned) => shown.or(turned),
            }
        }
        _ => None,
    }
}

/// The deepest fall of engine speed: when it was highest before, and lowest then, s; null where it fell by less than
/// neighbouring gears are apart.
fn fall(samples: impl Iterator<Item = (f64, f64)>) -> Option<(f64, f64)> {
    let mut top = (f64::NAN, f64::NEG_INFINITY);
    let mut deepest: Option<(f64, f64, f64)> = None;
    for (time_s, rpm) in samples {
        if rpm >= top.1 {
            top = (time_s, rpm);
        }
        let kept = rpm / top.1.max(1.0);
        if kept <= k::SHIFT_FALL.value && deepest.is_none_or(|(_, _, least)| kept < least) {
            deepest = Some((top.0, time_s, kept));
        }
    }
    deepest.map(|(top_s, turned_s, _)| (top_s, turned_s))
}

/// Earliest moment at which injection may have come back after its last pause up to a time, s.
pub(super) fn injected_s(case: &Case<'_, '_>, until_s: f64) -> Option<f64> {
    let injection = Injection::of(case.scene)?;
    let witness = injection.witness;
    let samples: Vec<(f64, f64)> = witness.samples(case.gas_start_s - k::BEFORE_S.value, until_s).collect();
    let off = samples.iter().rposition(|(_, value)| injection.is_shut(*value))?;
    (off + 1 < samples.len()).then(|| samples[off].0 - witness.skew_s())
}

/// Rows in one of some states from a second before the gas of an event up to a time.
fn rows_in_state(case: &Case<'_, '_>, until_s: f64, mask: u16) -> impl DoubleEndedIterator<Item = usize> {
    let scene = case.scene;
    let rows = scene.view.log.clock.rows_between(case.gas_start_s - k::BEFORE_S.value, until_s);
    rows.filter(move |row| scene.view.state.has(*row, mask))
}

pub(super) static GEAR_CHANGE: Feature = Feature {
    name: "gear_change",
    id: "F10'",
    group: Group::State,
    summary: "engine speed drops to the next gear",
    looks: "30 to 300 ms deeply lean while engine speed falls by the ratio step and road speed does not",
    decides: "the ratio of engine to road speed changes",
    cannot: "without road speed a slipping clutch or a lost cylinder may look alike; a shift shorter than two frames \
             cannot be told from what came before it",
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
    let dropped = (0.55..=k::SHIFT_FALL.value).contains(&ratio);
    let changed = match road {
        // A low gear gains a quarter of its road speed in the half second: then the ratio of the two tells.
        Some(road) => {
            let step = ratio / road;
            dropped
                && road >= k::SHIFT_ROAD.value
                && (road <= 1.1 || (k::SHIFT_STEP.value..=0.85).contains(&step))
        }
        None => dropped && judged,
    };
    if short && changed {
        let text = format!("engine speed dropped {:.0} % to the next gear", -percent);
        let reading = Reading::seen(percent, "%", text);
        return if scene.period_s > k::SHIFT_PERIOD_S.value || !deep(case) {
            // The change is there; that it made the reading lean is not shown.
            reading.weigh(&[Cause::GearCut], k::LR_GEAR_CHANGE_BESIDE.value)
        } else {
            reading.weigh(&[Cause::GearCut], k::LR_GEAR_CHANGE.value).prove(case.episode.frames.clone())
        };
    }
    if ratio > 0.95 && !judged {
        return Reading::seen(percent, "%", "engine speed did not drop: no gear change")
            .weigh(&[Cause::GearCut], k::LR_NO_GEAR_CHANGE.value);
    }
    Reading::seen(
        percent,
        "%",
        format!("engine speed changed by {} %, not proven to be a gear change", figure(percent, 0)),
    )
}

/// Whether the gas was as lean as a cut of all cylinders makes it.
fn deep(case: &Case<'_, '_>) -> bool {
    leaning(case).is_some_and(|times| times >= k::CUT_RATIO.value)
}

/// How many times leaner than before the gas was at least.
fn leaning(case: &Case<'_, '_>) -> Option<f64> {
    let gas = deconvolve::gas_peak(case.scene, case.episode)?;
    Some(gas.low.max(case.peak_lambda()) * case.before_phi?)
}

pub(super) static UNLOAD: Feature = Feature {
    name: "unload",
    id: "F11",
    group: Group::State,
    summary: "engine speed flares without load",
    looks: "with the throttle open before, speed rises more than 1.5 times faster than the best in gear, then fuel is \
            cut",
    decides: "only an unloaded engine turns up that fast",
    cannot: "needs engine speed at 10 Hz or more; wheel spin on a loose surface is an unload too; an opening throttle \
             turns an engine up as fast",
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
    let Some(best) = scene.best_in_gear else {
        return Reading::not_evaluated("the log shows no pull to learn the best acceleration in gear from");
    };
    let (start, end) = (case.gas_start_s - 0.6, case.gas_start_s);
    let rows = scene.view.log.clock.rows_between(start, end);
    let judged = rows.into_iter().any(|row| scene.view.state.has(row, bit::UNLOAD));
    // The steepest quarter second before the gas left.
    let mut steepest: f64 = 0.0;
    for step in 0..8 {
        let from = start + 0.05 * f64::from(step);
        if let Some(slope) = speed.slope(from, from + 0.25) {
            steepest = steepest.max(slope.per_s - 2.0 * slope.error);
        }
    }
    let ratio = steepest / best;
    if !judged && ratio < k::FLARE_SHARE.value {
        return Reading::seen(ratio, "of best in gear", "engine speed did not flare")
            .weigh(&[Cause::Unload], k::LR_NO_FLARE.value);
    }
    let text = format!("engine speed flared at {steepest:.0} rpm/s, {ratio:.1} times the best in gear");
    let reading = Reading::seen(ratio, "of best in gear", text);
    if opening(case).0 == Opening::Closed || super::seconds_since_opening(case).is_some() {
        // Turned up by its own throttle.
        return reading;
    }
    let reading = reading.weigh(&[Cause::Unload], k::LR_UNLOAD.value);
    if deep(case) { reading.prove(case.episode.frames.clone()) } else { reading }
}

pub(super) static CUT_DEPTH: Feature = Feature {
    name: "cut_depth",
    id: "F10''",
    group: Group::Shape,
    summary: "the gas is leaner than a film, a small injector or a map makes it",
    looks: "gas twice as lean as before and more, up to air",
    decides: "a film gives at most 1.7 times, injectors at their limit 1.3 times, a map in which the engine still \
              fires less than twice; a cut of all cylinders ends at air",
    cannot: "starvation and missing sparks can be as deep as a cut; a cut of single cylinders or of the spark is not \
             deep",
    tag: Tag::Computed,
    run: cut_depth,
};

fn cut_depth(case: &Case<'_, '_>) -> Reading {
    let Some(times) = leaning(case) else {
        return Reading::not_evaluated("no reading on target in the second before");
    };
    let reading =
        Reading::seen(times, "times", format!("gas at least {} times as lean as before", figure(times, 2)));
    if times >= k::DEEP_RATIO.value {
        reading.weigh(&[Cause::TipIn, Cause::InjectorLimit], k::LR_TOO_DEEP.value).weigh(
            &[Cause::Mixture],
            // A single cylinder with a bad injector can be as lean.
            0.5 * k::LR_TOO_DEEP.value,
        )
    } else {
        reading
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_change_of_gear_falls_from_the_last_moment_of_its_climb() {
        // Climbs for a second by more than the change takes away, falls within 0.1 s, climbs on.
        let rpm = |t: f64| match t {
            t if t < 1.0 => 6_000.0 + 4_000.0 * t,
            t if t < 1.1 => 10_000.0 - 20_000.0 * (t - 1.0),
            t => 8_000.0 + 3_000.0 * (t - 1.1),
        };
        let samples = |until: f64| {
            (0..200).map(|i| 0.01 * f64::from(i)).filter(move |t| *t <= until).map(move |t| (t, rpm(t)))
        };
        let (top_s, turned_s) = fall(samples(1.6)).expect("a fall");
        assert!((top_s - 1.0).abs() < 0.011 && (turned_s - 1.1).abs() < 0.011, "{top_s} {turned_s}");
        // While it climbs, and as long as it has fallen by less than to the next gear, nothing has acted.
        assert_eq!(fall(samples(0.9)), None);
        assert_eq!(fall(samples(1.04)), None);
    }

    #[test]
    fn turns_of_a_saw_tooth_are_counted_where_they_reach_the_ceiling() {
        // Three teeth of 2 % at 7000 rpm, then one that turns back at 90 %.
        let at = |t: f64| {
            let phase = t % 0.5;
            let top = if t < 1.5 { 7_000.0 } else { 6_300.0 };
            if phase < 0.25 { top - 560.0 * (0.25 - phase) } else { top - 560.0 * (phase - 0.25) }
        };
        let samples = (0..200).map(|i| (0.01 * f64::from(i), at(0.01 * f64::from(i))));
        let strokes = turns(samples, 7_000.0);
        assert_eq!(strokes.len(), 3, "{strokes:?}");
        assert!((strokes[1].climbs_s - 0.5).abs() < 0.02 && (strokes[1].turns_s - 0.75).abs() < 0.02);
        // Noise of a tenth of a percent turns nothing back.
        let steady = (0..200).map(|i| (0.01 * f64::from(i), 7_000.0 + if i % 2 == 0 { 7.0 } else { -7.0 }));
        assert!(turns(steady, 7_000.0).is_empty());
    }
}
