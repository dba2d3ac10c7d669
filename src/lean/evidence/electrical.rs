//! Electrics, link and logger: what happens to numbers on their way, not to gas.

use std::ops::Range;

use super::{Case, Feature, Group, Reading, reset};
use crate::lean::constants::{self as k, Tag};
use crate::lean::hypothesis::Cause;
use crate::lean::trace::{Frame, Scene, median};
use crate::log::Role;
use crate::signal::slew;

pub(super) static CODE_OR_BIT: Feature = Feature {
    name: "code_or_bit",
    id: "F3",
    group: Group::Electrical,
    summary: "is an exact code, or differs from its neighbours by one bit",
    looks: "a value beyond the channel's own end stop, or exactly 2^k steps away for one sample",
    decides: "readings do not repeat an exact value beyond the end stop; gas does not count in powers of two",
    cannot: "the lean end stop itself proves nothing: a real lean event reaches it too",
    tag: Tag::Computed,
    run: code_or_bit,
};

fn code_or_bit(case: &Case<'_, '_>) -> Reading {
    let scene = case.scene;
    let frames = &case.episode.frames;
    let resolution = scene.channel.resolution();
    let rows = case.episode.rows(scene);
    let covered = scene.dropped(&rows);
    if covered > 0 && covered as f64 >= k::PROOF_COVERAGE.value * rows.len() as f64 {
        return Reading::seen(case.peak_lambda(), "lambda", "the value is a code for a missing reading")
            .weigh(&[Cause::Dropout], k::LR_CODE.value)
            .prove(frames.clone());
    }
    if let Some(clip) = scene.chain.clip_lean
        && case.episode.lean(scene).all(|(_, f)| f.lambda > clip + 1.5 * resolution.max(1e-3))
    {
        return Reading::seen(
            case.peak_lambda(),
            "lambda",
            format!("beyond the channel's own lean end stop of {clip:.2}: no reading can be there"),
        )
        .weigh(&[Cause::Dropout], k::LR_CODE.value)
        .prove(frames.clone());
    }
    if case.episode.count(scene) != 1 {
        return Reading::not_evaluated("a flipped bit can be told for a single value only");
    }
    flipped(case, resolution)
}

fn flipped(case: &Case<'_, '_>, resolution: f64) -> Reading {
    let frames = case.scene.frames();
    let at = case.episode.frames.start;
    let (Some(before), Some(here), Some(after)) =
        (at.checked_sub(1).and_then(|i| frames.get(i)), frames.get(at), frames.get(at + 1))
    else {
        return Reading::not_evaluated("the event touches the edge of the log");
    };
    if resolution <= 0.0 {
        return Reading::not_evaluated("the channel's converter step is not known");
    }
    let noise = case.scene.noise_phi_raw * here.lambda.min(1.2).powi(2);
    if noise > resolution {
        return Reading::not_evaluated(format!(
            "with noise of {:.1} converter steps nearly every size is near a power of two",
            noise / resolution
        ));
    }
    // Either neighbour may be the value whose bit flipped.
    let step = [before, after].map(|f| slew::flipped_bit(here.lambda - f.lambda, resolution));
    match step {
        [Some(bit), Some(other)] if bit == other && bit >= 5 => Reading::seen(
            f64::from(bit),
            "bit",
            format!("exactly 2^{bit} converter steps above both neighbours, for one value"),
        )
        .weigh(&[Cause::Spike], k::LR_CODE.value)
        .prove(case.episode.frames.clone()),
        _ => Reading::seen(
            here.lambda - before.lambda,
            "lambda",
            "the step is no power of two converter steps",
        ),
    }
}

pub(super) static STALE_RUN: Feature = Feature {
    name: "stale_run",
    id: "F4",
    group: Group::Electrical,
    summary: "the value stands still while the engine moves",
    looks: "ten or more fresh values exactly equal, then a jump to a valid value",
    decides: "a run too long for this channel's noise in converter steps, while engine speed or load change",
    cannot: "no power on a channel quieter than half a step, at an end stop, or with nothing else moving; the first \
             and the landing value are real",
    tag: Tag::Computed,
    run: stale_run,
};

/// The longest run of equal values of an episode, as frames.
pub(in crate::lean) fn longest_run(scene: &Scene<'_>, frames: &Range<usize>) -> Range<usize> {
    let mut best = frames.start..frames.start;
    let mut start = frames.start;
    for index in frames.clone() {
        let same = |a: usize, b: usize| match (scene.frames().get(a), scene.frames().get(b)) {
            (Some(a), Some(b)) => (a.lambda - b.lambda).abs() < 1e-12,
            _ => false,
        };
        if !same(start, index) {
            start = index;
        }
        if index + 1 - start > best.len() {
            best = start..index + 1;
        }
    }
    best
}

fn stale_run(case: &Case<'_, '_>) -> Reading {
    let scene = case.scene;
    let run = longest_run(scene, &(case.episode.frames.start.saturating_sub(1)..case.episode.frames.end));
    let run = run.start..run.end;
    let (Some(first), Some(last)) =
        (scene.frames().get(run.start), run.end.checked_sub(1).and_then(|i| scene.frames().get(i)))
    else {
        return Reading::not_evaluated("no run of equal values");
    };
    if first.clipped {
        return Reading::not_evaluated("at the lean end stop equal values are normal");
    }
    // An end stop that the chain did not recognise shows as the highest value of the log: a real cut stays there.
    let stop = scene.highest_lambda - f64::max(3.0 * scene.channel.resolution(), 0.03);
    if first.lambda >= stop {
        return Reading::not_evaluated("at the highest reading of the log: it may be the end stop");
    }
    let resolution = scene.channel.resolution();
    if resolution <= 0.0 {
        return Reading::not_evaluated("the channel's converter step is not known");
    }
    let steps = scene.noise_phi_raw * first.lambda.powi(2) / resolution;
    if steps < k::STALE_NOISE_STEPS.value {
        return Reading::not_evaluated(format!(
            "the channel's noise is {steps:.2} converter steps: so quiet that a flat run is normal"
        ));
    }
    let fresh = run.len() as f64 / scene.repeats;
    let held_s = last.time_s - first.time_s;
    if fresh < k::STALE_FRAMES.value {
        let text = format!("at most {} equal values in a row: the link renewed them", run.len());
        return Reading::seen(held_s, "s", text);
    }
    if !engine_moves(scene, first.time_s, last.time_s) {
        return Reading::not_evaluated("neither engine speed nor load changed meanwhile");
    }
    let text = format!(
        "lambda stood at exactly {:.3} for {held_s:.2} s ({} values) while the engine moved; its noise is {steps:.1} \
         converter steps",
        first.lambda,
        run.len()
    );
    let weight = equal_run_log10(steps, fresh).min(k::LR_STALE_STRONG.value);
    let reading = Reading::seen(held_s, "s", text);
    // A frozen link shows its last value, whatever that was; the rest value is the mark of the controller.
    if reset::at_rest(scene, first.lambda) {
        reading
            .weigh(&[Cause::ControllerReset], weight)
            .weigh(&[Cause::StaleLink], weight - k::LR_REST_BY_CHANCE.value)
            .prove(run)
    } else {
        // The first value came over the link.
        reading.weigh(&[Cause::StaleLink], weight).prove(run.start + 1..run.end)
    }
}

/// How unlikely `count` equal values are on a live channel, as -log10 of the probability: each stays within the
/// converter step it is in, at best centred in it, with probability `erf(q / (2 sqrt(2) sigma))`.
///
/// * `steps`: noise in converter steps, sigma / q
fn equal_run_log10(steps: f64, count: f64) -> f64 {
    -count * libm::erf(0.5 / (steps.max(1e-3) * std::f64::consts::SQRT_2)).log10()
}

/// Whether engine speed, manifold pressure or throttle changed by more than their noise between two times.
fn engine_moves(scene: &Scene<'_>, start_s: f64, end_s: f64) -> bool {
    [
        (scene.witness(Role::EngineSpeed), 40.0),
        (scene.manifold(), 2_000.0),
        (scene.witness(Role::Throttle), 0.03),
    ]
    .into_iter()
    .any(|(witness, least)| {
        let Some(witness) = witness else { return false };
        let half = 0.5 * (start_s + end_s);
        let (Some(first), Some(second)) = (witness.median(start_s, half), witness.median(half, end_s)) else {
            return false;
        };
        (first - second).abs() > f64::max(least, 3.0 * witness.channel.resolution())
    })
}

pub(super) static MANY_CHANNELS: Feature = Feature {
    name: "many_channels",
    id: "F5",
    group: Group::Electrical,
    summary: "other channels jump in the same row",
    looks: "a temperature, or two of throttle, manifold and fuel pressure, leave their line in the very row and return",
    decides: "an engine cannot step a temperature and lambda together, nor move two driven channels and, without any \
              gas delay, lambda out and back between two rows",
    cannot: "for events of one or two values only; driven channels count in single rows of fast logs only, and a dip \
             of fuel pressure never does",
    tag: Tag::Assumed,
    run: many_channels,
};

/// Channels that no engine can move within a row and back.
const INERT: &[Role] = &[
    Role::CoolantTemperature,
    Role::OilTemperature,
    Role::IntakeAirTemperature,
    Role::AmbientTemperature,
    Role::BarometricPressure,
    Role::Humidity,
    Role::ExhaustGasTemperature,
];

/// Channels that the engine does move, but not out and back between two neighbours of one row.
const DRIVEN: &[Role] = &[Role::Throttle, Role::Pedal, Role::ManifoldPressure, Role::FuelPressure];

fn many_channels(case: &Case<'_, '_>) -> Reading {
    let scene = case.scene;
    let rows = case.episode.rows(scene);
    if case.episode.count(scene) > 2 {
        return Reading::not_evaluated("several values long: other channels may follow the engine");
    }
    let edge = |row: usize| scene.time_s.get(row).copied();
    let quick = match (rows.start.checked_sub(1).and_then(edge), edge(rows.end)) {
        (Some(before), Some(after)) => rows.len() == 1 && after - before <= k::GLITCH_ROWS_S.value,
        _ => false,
    };
    let mut lift = true;
    let mut names = Vec::new();
    let mut driven = Vec::new();
    let mut judged = 0_usize;
    for channel in &scene.view.log.channels {
        let inert = INERT.contains(&channel.role);
        let moves = quick && DRIVEN.contains(&channel.role);
        if !(inert || moves) {
            continue;
        }
        if let Some(jump) = glitch(channel, &rows) {
            judged += 1;
            // A dip of fuel pressure may be the cause of a lean reading; a rise is none.
            let dip = channel.role == Role::FuelPressure && jump < 0.0;
            if jump != 0.0 && !dip {
                lift &= jump < 0.0;
                let list = if inert { &mut names } else { &mut driven };
                list.push(channel.role.label());
            }
        }
    }
    // One of these alone may have moved; two and lambda in one row did not, unless a short lift took both down.
    if driven.len() >= 2 && !lift {
        names.append(&mut driven);
    }
    if judged == 0 {
        return Reading::not_evaluated("the log has no slow channel sampled in these rows");
    }
    let count = names.len() as f64;
    if names.is_empty() {
        return Reading::seen(0.0, "channels", "no other channel jumped with it");
    }
    let weight = if names.len() >= 2 { k::LR_SEVERAL_CHANNELS.value } else { k::LR_MANY_CHANNELS.value };
    Reading::seen(count, "channels", format!("{} jumped in the same row and came back", names.join(", ")))
        // A reading that is a value is more likely hit than lost.
        .weigh(&[Cause::Spike], weight)
        .weigh(&[Cause::Dropout], weight - 0.5)
        .prove(case.episode.frames.clone())
}

/// How far a channel leaves its line within the rows, beyond its spread, and returns; 0 where it does not, null
/// where it has no values there.
fn glitch(channel: &crate::log::Channel, rows: &Range<usize>) -> Option<f64> {
    let values = channel.values();
    let around = |range: Range<usize>| -> Vec<f64> {
        values.get(range).unwrap_or(&[]).iter().copied().filter(|v| !v.is_nan()).collect()
    };
    let before = around(rows.start.saturating_sub(8)..rows.start);
    let after = around(rows.end..(rows.end + 8).min(values.len()));
    let inside = around(rows.clone());
    let (left, right) = (median(before.clone())?, median(after.clone())?);
    let spread = {
        let all: Vec<f64> =
            before.iter().map(|v| (v - left).abs()).chain(after.iter().map(|v| (v - right).abs())).collect();
        (1.4826 * median(all)?).max(channel.resolution()).max(1e-9)
    };
    let line = 0.5 * (left + right);
    let furthest = inside.iter().map(|v| v - line).max_by(|a, b| a.abs().total_cmp(&b.abs()))?;
    let leaves = furthest.abs() > k::GLITCH_SPREADS.value * spread && (left - right).abs() < 4.0 * spread;
    Some(if leaves { furthest } else { 0.0 })
}

pub(super) static LOW_SUPPLY: Feature = Feature {
    name: "low_supply",
    id: "F13'",
    group: Group::Electrical,
    summary: "supply voltage sags with it",
    looks: "the supply falls before or with the event",
    decides: "nothing by itself",
    cannot: "a sag upsets the controller and slows pump and injectors alike: it speaks for neither",
    tag: Tag::Sourced,
    run: low_supply,
};

fn low_supply(case: &Case<'_, '_>) -> Reading {
    let witness =
        case.scene.witness(Role::SupplyVoltage).or_else(|| case.scene.witness(Role::BatteryVoltage));
    let Some(witness) = witness else {
        return Reading::not_evaluated("no voltage channel");
    };
    let window = (case.gas_start_s - 0.5, case.episode.end_s(case.scene));
    if let Some(because) = witness.refused(window.0, window.1) {
        return Reading::not_evaluated(because);
    }
    let Some((low, _)) = witness.range(window.0, window.1) else {
        return Reading::not_evaluated("no voltage sample there");
    };
    let text = if low < k::SAG_V.value {
        format!(
            "{} fell to {low:.1} V: that may have upset the controller or leaned the engine",
            witness.channel.role.label()
        )
    } else {
        format!("{} stayed at {low:.1} V or more", witness.channel.role.label())
    };
    let reading = Reading::seen(low, "V", text);
    // A steady healthy supply leaves no room for a sag; a dip shorter than the sample period does.
    if low >= k::SAG_V.value + 1.0 && case.episode.duration_s(case.scene) > 2.0 * witness.period_s() {
        reading.weigh(&[Cause::SupplySag], -1.0)
    } else {
        reading
    }
}

pub(super) static ZERO_LAG: Feature = Feature {
    name: "zero_lag",
    id: "F15",
    group: Group::Electrical,
    summary: "steps together with an electrical load, without the gas delay",
    looks: "an offset of up to 0.05 that comes and goes with fan, heater or pump",
    decides: "gas needs the transport delay and the sensor's time; a current needs none",
    cannot: "needs a delay longer than two sample periods, so idle or cruise; at full load it is unresolvable below \
             100 Hz",
    tag: Tag::Assumed,
    run: zero_lag,
};

fn zero_lag(case: &Case<'_, '_>) -> Reading {
    let scene = case.scene;
    let witness = scene.witness(Role::SupplyVoltage).or_else(|| scene.witness(Role::BatteryVoltage));
    let Some(witness) = witness else {
        return Reading::not_evaluated("no voltage channel to see load steps in");
    };
    let resolve_s = case.tolerance_s(witness.skew_s());
    if case.delay_s < 2.0 * resolve_s {
        return Reading::not_evaluated(format!(
            "the gas delay of {:.0} ms is too short to tell from none at {:.0} ms resolution",
            case.delay_s * 1e3,
            resolve_s * 1e3
        ));
    }
    let edges = [case.episode.start_s(scene), case.episode.end_s(scene) + scene.period_s];
    let mut together = 0;
    for edge in edges {
        let before = witness.median(edge - 0.4, edge - resolve_s);
        let after = witness.median(edge + resolve_s, edge + 0.4);
        if let (Some(before), Some(after)) = (before, after)
            && (before - after).abs() >= k::VOLTAGE_STEP_V.value
            && jumps_at(scene, edge, resolve_s)
        {
            together += 1;
        }
    }
    if together == 2 {
        Reading::seen(
            0.0,
            "s",
            "lambda stepped in the same moment as the supply, both when it came and when it went",
        )
        .weigh(&[Cause::GroundOffset], k::LR_ZERO_LAG.value)
        .prove(case.episode.frames.clone())
    } else {
        Reading::seen(f64::from(together), "steps", "no supply step coincides with both its edges")
    }
}

/// Whether the reading makes its whole step within `within_s` of a time: gas would show the sensor's lag.
fn jumps_at(scene: &Scene<'_>, time_s: f64, within_s: f64) -> bool {
    let mean = |start: f64, end: f64| {
        median(scene.frames().iter().filter(|f| (start..=end).contains(&f.time_s)).map(Frame::phi).collect())
    };
    let (Some(before), Some(early), Some(late)) = (
        mean(time_s - 0.4, time_s - within_s),
        mean(time_s, time_s + within_s),
        mean(
            time_s + 3.0 * scene.chain.rich_to_lean.tau_s,
            time_s + 3.0 * scene.chain.rich_to_lean.tau_s + 0.4,
        ),
    ) else {
        return false;
    };
    let step = late - before;
    step.abs() > 4.0 * scene.noise_phi && (early - before) / step > 0.85
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ten_equal_values_are_as_unlikely_as_the_noise_makes_them() {
        // Probability of ten equal samples at noise of half a step, one and two: 0.01, 6e-5, 1e-7 over all offsets
        // within a step (physics note, computed); the most favourable offset is likelier by half a decade at most.
        for (steps, probability) in [(0.5, 0.01_f64), (1.0, 6e-5), (2.0, 1e-7)] {
            let most = -probability.log10();
            let said = equal_run_log10(steps, 10.0);
            assert!((most - 0.5..=most + 0.1).contains(&said), "{steps}: {said} {most}");
        }
        // A step far wider than the noise holds any number of values.
        assert!(equal_run_log10(0.1, 50.0) < 0.01);
        assert!(equal_run_log10(1.0, 20.0) > 2.0 * equal_run_log10(1.0, 9.9));
    }
}
