//! The form of the reading: what no gas can do, and what only gas does.

use super::{Case, Feature, Group, Reading, reset};
use crate::lean::constants::{self as k, Tag};
use crate::lean::hypothesis::{Cause, GAS};
use crate::lean::trace::{Frame, Scene, line};
use crate::signal::slew::Bounds;

pub(super) static IMPOSSIBLE_SLEW: Feature = Feature {
    name: "impossible_slew",
    id: "F1",
    group: Group::Shape,
    summary: "rises and falls faster than any gas can move this sensor",
    looks: "one or two samples far off, neighbours in line, no tail on either side",
    decides: "the gas needed for the rise is leaner than air, and for the fall richer than fires, even for a sensor as \
              fast as 2 in 1000",
    cannot: "no power when fresh values are more than 10 ms apart: there real gas can make the same step",
    tag: Tag::Computed,
    run: impossible_slew,
};

/// No sensor for the mixture of an engine is slower, s (common practice, no source).
const SLOWEST_S: f64 = 10.0;

fn impossible_slew(case: &Case<'_, '_>) -> Reading {
    let scene = case.scene;
    let range = &case.episode.frames;
    if !scene.link_known {
        return Reading::not_evaluated(
            "the link's frame period is not known, so a step may hide several frames",
        );
    }
    let entry = range.start.checked_sub(1).and_then(|i| pair(scene, i, range.start));
    let exit = range.end.checked_sub(1).and_then(|i| pair(scene, i, range.end));
    let (Some(entry), Some(exit)) = (entry, exit) else {
        return Reading::not_evaluated("the event touches the edge of the log");
    };
    let peak = case.peak_lambda();
    let slowest_s = entry.0 / (peak * entry.1.phi()).ln().max(1e-9);
    if scene.period_s > k::SLEW_PERIOD_S.value {
        let follows = if slowest_s <= SLOWEST_S {
            format!("a sensor of {:.0} ms or faster", slowest_s * 1e3)
        } else {
            "any sensor".to_owned()
        };
        return Reading::not_evaluated(format!(
            "at {:.0} ms between fresh values gas can make this step ({follows} follows it)",
            scene.period_s * 1e3
        ));
    }
    let quantile = k::TAU_STRICT_QUANTILE.value;
    let bounds = |quantile: f64| Bounds {
        low: 0.0,
        high: k::PHI_RICH_LIMIT.value,
        tau_falling_s: scene.chain.rich_to_lean.quantile(quantile),
        tau_rising_s: scene.chain.lean_to_rich.quantile(quantile),
        noise: scene.noise_phi,
        sigmas: 2.5,
        interval_s: 0.8 * scene.period_s,
    };
    let edges = |bounds: &Bounds| {
        let up = bounds.impossible(entry.1.phi(), entry.2.phi(), entry.0);
        (up, bounds.impossible(exit.1.phi(), exit.2.phi(), exit.0))
    };
    let extreme = matches!(edges(&bounds(k::TAU_EXTREME_QUANTILE.value)), (Some(_), Some(_)));
    let weight = if extreme { k::LR_SLEW_EXTREME.value } else { k::LR_SLEW.value };
    let bounds = bounds(quantile);
    match edges(&bounds) {
        (Some(up), Some(down)) => {
            let text = format!(
                "the rise to lambda {peak:.2} needs gas with {up:.2} times the fuel of lambda 1 (air has 0), the way \
                 back {down:.2} (what fires has at most {:.2}), for a sensor of {:.0} ms",
                k::PHI_RICH_LIMIT.value,
                bounds.tau_falling_s * 1e3
            );
            let reading = Reading::seen(slowest_s * 1e3, "ms", text);
            // Two impossible edges prove the samples between them only where these are a glitch's one or two, or
            // stand still: real gas may lie between two glitches.
            if range.len() <= 3 {
                reading.weigh(&[Cause::Spike], weight).prove(range.clone())
            } else if still(case) {
                reading.weigh(&[Cause::Dropout, Cause::ControllerReset], weight).prove(range.clone())
            } else {
                reading
            }
        }
        _ => Reading::seen(
            slowest_s * 1e3,
            "ms",
            format!("gas can make this step: a sensor of {:.0} ms follows it", slowest_s * 1e3),
        ),
    }
}

/// Whether all frames of the event show one unclipped value.
fn still(case: &Case<'_, '_>) -> bool {
    let frames = case.scene.frames().part(case.episode.frames.clone()).unwrap_or_default();
    frames.first().is_some_and(|first| {
        frames.iter().all(|f| {
            !f.clipped && (f.lambda - first.lambda).abs() <= 0.5 * case.scene.channel.resolution() + 1e-9
        })
    })
}

/// Two neighbouring frames and the time in which the step between them may have come.
///
/// A link that lost frames repeats the old value, so a value that stood still may be older than its row. An
/// analog channel holds nothing; on a channel quiet enough to repeat values by itself one lost frame is allowed
/// for; else the age counts from the value's first appearance.
fn pair(scene: &Scene<'_>, first: usize, second: usize) -> Option<(f64, Frame, Frame)> {
    let frames = scene.frames();
    let (a, b) = (frames.get(first)?, frames.get(second)?);
    let step_s = b.time_s - a.time_s;
    if scene.view.rig.sensor.link.as_deref() == Some("analog") {
        return Some((step_s, a, b));
    }
    let mut since = first;
    while let Some(before) = since.checked_sub(1)
        && frames.get(before).is_some_and(|f| (f.lambda - a.lambda).abs() < 1e-12)
        && first - before < 50
    {
        since = before;
    }
    let interval_s = match (since == first, scene.repeats_are_common) {
        (true, _) => step_s,
        (false, true) => step_s + scene.period_s,
        (false, false) => b.time_s - frames.get(since)?.time_s,
    };
    Some((interval_s, a, b))
}

pub(super) static SUB_FRAME_WIDTH: Feature = Feature {
    name: "sub_frame_width",
    id: "F2",
    group: Group::Shape,
    summary: "lasts shorter than one frame of the sensor's link",
    looks: "a value amid the repeats of one link frame, the repeated value back after it",
    decides: "a link holds each value for one frame, so a shorter one arose in the logger",
    cannot: "needs an established frame period and rows on both sides of the value that are less than a frame apart",
    tag: Tag::Computed,
    run: sub_frame_width,
};

fn sub_frame_width(case: &Case<'_, '_>) -> Reading {
    let scene = case.scene;
    let Some(frame_s) = scene.chain.frame_period_s else {
        return Reading::not_evaluated("the link's frame period is not established");
    };
    let row_s = scene.channel.measured.sample_period_s.or(scene.view.log.clock.period_s).unwrap_or(frame_s);
    // One row and its two gaps are the narrowest that can be told.
    let longest_s = k::SUB_FRAME_SHARE.value * frame_s;
    if longest_s < 1.9 * row_s {
        return Reading::not_evaluated(format!(
            "rows {:.0} ms apart cannot show a value shorter than a link frame of {:.0} ms",
            row_s * 1e3,
            frame_s * 1e3
        ));
    }
    let rows = case.episode.rows(scene);
    let (times, values) = (scene.time_s, scene.channel.values());
    let before = rows.start.checked_sub(1);
    let edge = |row: usize| Some((*times.get(row)?, *values.get(row).filter(|v| !v.is_nan())?));
    let (Some(before), Some(after)) = (before.and_then(edge), edge(rows.end)) else {
        return Reading::not_evaluated("the event touches the edge of the log or of a gap");
    };
    // The value appeared after the row before and was gone at the row after: it cannot have lasted longer.
    let longest_seen_s = after.0 - before.0;
    // The held value is back: a frame that merely came early would have brought a new one.
    let came_back = (after.1 - before.1).abs() <= 0.5 * scene.channel.resolution() + 1e-9;
    let least = 4.0 * scene.noise_lambda(case.episode.limit);
    let departs = case.peak_lambda() - before.1 > least;
    if came_back && departs && longest_seen_s < longest_s {
        Reading::seen(
            longest_seen_s * 1e3,
            "ms",
            format!(
                "it lasted less than {:.0} ms and the old value came back; the link holds each value for {:.0} ms, \
                 so it was never sent",
                longest_seen_s * 1e3,
                frame_s * 1e3
            ),
        )
        .weigh(&[Cause::Spike], k::LR_SUB_FRAME.value)
        .prove(case.episode.frames.clone())
    } else {
        let text = if came_back {
            format!("it may have lasted as long as link frames do ({:.0} ms)", frame_s * 1e3)
        } else {
            "another value came after it: a frame may have come early".to_owned()
        };
        Reading::seen(longest_seen_s * 1e3, "ms", text)
    }
}

pub(super) static EXPONENTIAL_TAIL: Feature = Feature {
    name: "exponential_tail",
    id: "F6",
    group: Group::Shape,
    summary: "comes back along the sensor's own exponential",
    looks: "three or more fresh values on a decay with the sensor's time constant",
    decides: "electrics have no reason to match the time constant of the element",
    cannot: "needs fresh values closer than two thirds of the time constant; says gas, not which gas",
    tag: Tag::Assumed,
    run: exponential_tail,
};

fn exponential_tail(case: &Case<'_, '_>) -> Reading {
    let scene = case.scene;
    let response = &scene.chain.lean_to_rich;
    if scene.period_s > response.tau_s / 1.5 {
        return Reading::not_evaluated(format!(
            "fresh values {:.0} ms apart cannot show a tail of {:.0} ms",
            scene.period_s * 1e3,
            response.tau_s * 1e3
        ));
    }
    if reset::stood_still(case) || reset::ends_at_rest(case) {
        return Reading::not_evaluated("the way back begins at a value that stood still: it was not live");
    }
    let Some((tau_s, count)) = tail(case) else {
        return Reading::not_evaluated("the way back shows no three fresh values above the noise");
    };
    let tolerance = 1.0 + k::TAIL_TOLERANCE.value;
    let matches =
        (response.quantile(0.05) / tolerance..=response.quantile(0.95) * tolerance).contains(&tau_s);
    let text = format!(
        "the way back takes {:.0} ms over {count} fresh values; this sensor's own is {:.0} ms",
        tau_s * 1e3,
        response.tau_s * 1e3
    );
    let reading = Reading::seen(tau_s * 1e3, "ms", text);
    if !matches {
        return reading;
    }
    // Without steps of this log the match is against a broad belief and says half as much.
    let weight = if response.events > 0 { k::LR_TAIL.value } else { 0.5 * k::LR_TAIL.value };
    reading.weigh(GAS, weight).forbid()
}

/// Time constant of the decay after the peak, and the number of fresh values it is read from.
fn tail(case: &Case<'_, '_>) -> Option<(f64, usize)> {
    let scene = case.scene;
    let episode = case.episode;
    // From the last frame near the peak to where the reading has settled.
    let peak_phi = scene.frames().get(episode.peak(scene))?.phi();
    let reach_s = episode.end_s(scene) + 6.0 * scene.chain.lean_to_rich.tau_s;
    let after: Vec<f64> = scene
        .frames()
        .part(episode.frames.end..)?
        .iter()
        .skip_while(|f| f.time_s < reach_s - 3.0 * scene.chain.lean_to_rich.tau_s)
        .take_while(|f| f.time_s <= reach_s)
        .map(Frame::phi)
        .collect();
    let settled = crate::lean::trace::median(after)?;
    let depth = settled - peak_phi;
    if depth < 8.0 * scene.noise_phi {
        return None;
    }
    let mut start = episode.frames.end.checked_sub(1)?;
    while start > episode.frames.start
        && scene.frames().get(start).is_some_and(|f| settled - f.phi() < 0.8 * depth)
        && scene.frames().get(start - 1)?.phi() < scene.frames().get(start)?.phi()
    {
        start -= 1;
    }
    // A frozen or clipped top says nothing about the decay.
    let points: Vec<(f64, f64)> = scene
        .frames()
        .part(start..)?
        .iter()
        .take_while(|f| f.time_s <= reach_s && settled - f.phi() > 3.0 * scene.noise_phi.max(0.02 * depth))
        .filter(|f| !f.clipped)
        .map(|f| (f.time_s, (settled - f.phi()).ln()))
        .collect();
    if points.len() < 3 {
        return None;
    }
    let slope = if points.len() == 3 {
        let (a, b) = (points.first()?, points.last()?);
        (b.1 - a.1) / (b.0 - a.0)
    } else {
        line(&points)?.per_s
    };
    (slope < 0.0).then(|| (-slope.recip(), points.len()))
}

pub(super) static NO_TAIL: Feature = Feature {
    name: "no_tail",
    id: "F6\"",
    group: Group::Shape,
    summary: "is gone at once, without the sensor's way back",
    looks: "one or two values far off, the next one back in line",
    decides: "what the sensor has read it forgets along its own exponential: to be back so soon it needs gas richer than \
              the engine burnt before, even for a sensor as fast as one in twenty",
    cannot: "no power where fresh values are so far apart that a fast sensor is back anyway; gas that comes back richer \
             for a moment looks the same",
    tag: Tag::Computed,
    run: no_tail,
};

fn no_tail(case: &Case<'_, '_>) -> Reading {
    let scene = case.scene;
    let range = &case.episode.frames;
    if range.len() > 2 {
        return Reading::not_evaluated("more than two values: a glitch hits one or two");
    }
    let exit = range.end.checked_sub(1).and_then(|i| pair(scene, i, range.end));
    let (Some((step_s, last, next)), Some(before)) = (exit, case.before_phi) else {
        return Reading::not_evaluated("no value right after it, or none within the limit before it");
    };
    let tau_s = scene.chain.lean_to_rich.quantile(k::TAIL_QUANTILE.value);
    let left = (-step_s / tau_s).exp();
    // Of the way back from the last value at least this much must be left, for the sensor alone.
    let tail = left * (before - last.phi());
    let noise = 3.0 * scene.noise_phi * 2.0_f64.sqrt();
    let rich = k::TAIL_RICHER.value * before;
    if (1.0 - left).mul_add(rich, left * last.phi()) + noise >= before {
        return Reading::not_evaluated(format!(
            "{:.0} ms after the last value a sensor of {:.0} ms may be back",
            step_s * 1e3,
            tau_s * 1e3
        ));
    }
    let missing = 100.0 * (1.0 - (before - next.phi()) / tail);
    let needed = (next.phi() - noise - left * last.phi()) / (1.0 - left);
    let text = format!(
        "{:.0} ms later {missing:.0} % of the tail of a sensor of {:.0} ms is missing: gas of lambda {:.2} would be \
         needed, before it was {:.2}",
        step_s * 1e3,
        tau_s * 1e3,
        needed.max(0.05).recip(),
        before.recip()
    );
    let reading = Reading::seen(missing, "%", text);
    if needed > rich { reading.weigh(&[Cause::Spike], k::LR_NO_TAIL.value) } else { reading }
}

pub(super) static DURATION: Feature = Feature {
    name: "duration",
    id: "F6'",
    group: Group::Shape,
    summary: "lasts longer than a glitch",
    looks: "five or more fresh values above the limit",
    decides: "a converter glitch hits one sample, sometimes two",
    cannot: "says nothing on frozen links, resets or offsets; short events stay open",
    tag: Tag::Assumed,
    run: duration,
};

fn duration(case: &Case<'_, '_>) -> Reading {
    let count = case.episode.count(case.scene);
    let value = count as f64;
    if count < 5 {
        let text = format!("{count} fresh values above the limit fit a glitch and gas alike");
        return Reading::seen(value, "frames", text);
    }
    Reading::seen(value, "frames", format!("{count} fresh values above the limit: a glitch hits one or two"))
        .weigh(&[Cause::Spike], -2.0)
}
