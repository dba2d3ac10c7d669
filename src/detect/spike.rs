//! Readings that leave and come straight back, faster than the quantity can.

use std::ops::Range;

use super::pace::{self, Readings, held_frame_s, shown, shown_difference};
use super::{
    Detector, Evaluated, Field, Finding, Gaps, Limit, Limits, Meta, Outcome, Phase, Scope, Stage, View,
};
use crate::figure::every;
use crate::flag::Flag;
use crate::log::{Channel, Role};
use crate::rig::measure::stated_frame_s;
use crate::signal::{quality, runs};

mod together;

/// See its text in `sondeproof explain spike`.
pub(super) struct Spike;

static TAU: Limit = Limit {
    name: "tau_s",
    unit: "s",
    default: 0.030,
    range: (0.005, 0.5),
    why: "two healthy wide-range sensors in a thousand respond faster (prior of the physics note: median 70 ms, \
          spread 0.3 in the logarithm)",
};
static FASTEST: Limit = Limit {
    name: "fresh_period_s",
    unit: "s",
    default: 0.0101,
    range: (0.0001, 0.05),
    why: "at 10 ms between fresh readings 0 of 1500 simulated gas events looked impossible, at 20 ms the test finds \
          2 % of spikes, at 50 ms none (computed for the physics note); 1 % for the clock",
};
static FRAME_SHARE: Limit = Limit {
    name: "frame_share",
    unit: "1",
    default: 0.6,
    range: (0.1, 0.95),
    why: "a reading shorter than 60 % of a link frame cannot have come over the link: frames jitter by up to 20 %, \
          and a row at either end (assumed)",
};
static RICHEST: Limit = Limit {
    name: "phi_max",
    unit: "1",
    default: 1.67,
    range: (1.2, 3.0),
    why: "richest mixture that fires, lambda 0.6 (physics note, from memory)",
};
static STEADY: Limit = Limit {
    name: "noise_multiple",
    unit: "1",
    default: 12.0,
    range: (3.0, 1_000.0),
    why: "for a quantity without known physics: twelve standard deviations of its own noise, out and back (assumed)",
};
static RARE: Limit = Limit {
    name: "rare_share",
    unit: "1",
    default: 0.002,
    range: (0.0, 1.0),
    why: "for a quantity without known physics: what happens in more than 1 of 500 readings belongs to it (assumed)",
};

static HEIGHT: Field = Field { name: "height", unit: "inside unit of the role" };
static ALLOWED: Field = Field { name: "allowed", unit: "inside unit of the role" };
static WIDTH: Field = Field { name: "width_s", unit: "s" };
static FRAME: Field = Field { name: "frame_s", unit: "s" };
static GAS_OUT: Field = Field { name: "gas_phi_out", unit: "1" };
static GAS_BACK: Field = Field { name: "gas_phi_back", unit: "1" };

const ROLES: &[Role] = &[
    Role::Lambda,
    Role::Afr,
    Role::EngineSpeed,
    Role::Throttle,
    Role::Pedal,
    Role::ManifoldPressure,
    Role::BoostPressure,
    Role::BarometricPressure,
    Role::FuelPressure,
    Role::CoolantTemperature,
    Role::OilTemperature,
    Role::IntakeAirTemperature,
    Role::AmbientTemperature,
    Role::ExhaustGasTemperature,
    Role::VehicleSpeed,
    Role::GpsSpeed,
    Role::SensorTemperature,
    Role::Other,
];

static META: Meta = Meta {
    name: "spike",
    stage: Stage::Scored,
    phase: Phase::Samples,
    scope: Scope::Channel,
    summary: "readings that leave and come straight back faster than the quantity can",
    applies_to: ROLES,
    needs: &[],
    method: "On fresh readings, within a stretch without a gap. *Lambda*, in phi = 1/lambda: the gas that a \
             first-order sensor of `tau_s` would have needed for the way out and for the way back, \
             `(phi1 - a phi0)/(1 - a)` with `a = exp(-dt/tau)`. Leaner than air one way and richer than any mixture \
             that fires the other way is no gas. Only where fresh readings come every `fresh_period_s` or faster: \
             slower, gas can do it. Independent of that: a reading that lasts less than `frame_share` of an \
             established link frame was made behind the link. *Quantities with a known pace* (`rate_of_change`): \
             the smaller of the steps out and back must stay within that pace plus resolution plus six standard \
             deviations of noise; the neighbours of a spike are not touched. *Other quantities*: `noise_multiple` \
             standard deviations of the channel's own noise (at least the resolution), and rare: suspect, not bad, because \
             nothing says that the quantity cannot do it. *Together*: a \
             single row in which `channels_together` quantities of different kinds go out and straight back, at 20 Hz \
             or faster.",
    assumes: "For lambda: a sensor no faster than `tau_s`, and for the second rule a frame period seen in at least \
              90 % of the renewals.",
    misses: "For lambda at 20 ms and slower every spike that is no sub-frame one: the log cannot tell it from gas. \
             A spike of more than two readings. In other channels whatever the quantity could have done itself: \
             at 1 Hz that is nearly everything.",
    gaps: Gaps::Break,
    limits: &[
        &TAU,
        &FASTEST,
        &FRAME_SHARE,
        &RICHEST,
        &STEADY,
        &RARE,
        &together::TOGETHER,
        &together::MULTIPLE,
    ],
    evidence: &[&HEIGHT, &ALLOWED, &WIDTH, &FRAME, &GAS_OUT, &GAS_BACK],
    sources: &[
        "QARTOD spike test (test 6), differential form",
        "Regitz and Collings, Meas. Sci. Technol. 2008: 50 to 100 ms of a wide-range sensor (abstract; authors from \
         memory)",
        "Iglewicz and Hoaglin 1993: robust spread from the median absolute deviation",
    ],
};

impl Detector for Spike {
    fn meta(&self) -> &'static Meta {
        &META
    }

    fn run(&self, channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Outcome {
        let readings = Readings::of(channel, view);
        if readings.len() < 3 {
            return Outcome::not_run("fewer than three readings");
        }
        let alone = match pace::of(channel.role) {
            _ if channel.role.is_mixture() => mixture(channel, view, &readings, limits),
            Some(pace) => paced(channel, view, &readings, pace),
            None => unknown(channel, view, &readings, limits),
        };
        merge(alone, together::findings(channel, view, limits))
    }
}

/// Adds what jumped together with others; a row that both tests found is told once.
fn merge(alone: Outcome, together: Vec<Finding>) -> Outcome {
    if together.is_empty() {
        return alone;
    }
    let (evaluated, mut findings) = match alone {
        Outcome::Ran { evaluated, findings, .. } => (evaluated, findings),
        Outcome::NotRun { .. } => (Evaluated::Rows(Vec::new()), Vec::new()),
    };
    let new = |late: &Finding| !findings.iter().any(|old| old.rows.contains(&late.rows.start));
    let together: Vec<Finding> = together.into_iter().filter(new).collect();
    findings.extend(together);
    findings.sort_by_key(|finding| (finding.rows.start, finding.rows.end));
    Outcome::ran(evaluated, findings)
}

/// Readings that leave by more than `least` and come back: index and the smaller of the two steps; the segments are
/// walls.
fn outstanding(view: &View<'_>, readings: &Readings<'_>, least: f64) -> Vec<(usize, f64)> {
    let mut walls: Vec<usize> = (view.log.clock.segments.iter())
        .flat_map(|segment| {
            [readings.at_or_after(segment.start), readings.at_or_after(segment.end).wrapping_sub(1)]
        })
        .collect();
    walls.sort_unstable();
    let values = readings.values();
    // The cheap test first: hardly a reading moves that far.
    let steps = values.windows(3).enumerate().filter(|(_, w)| (w[1] - w[0]).abs() > least);
    let high = steps.map(|(before, w)| (before + 1, quality::there_and_back(w[0], w[1], w[2])));
    high.filter(|(at, height)| *height > least && height.is_finite() && walls.binary_search(at).is_err())
        .collect()
}

fn paced(channel: &Channel, view: &View<'_>, readings: &Readings<'_>, pace: &pace::Pace) -> Outcome {
    let per_s = Limits::of("rate_of_change", view.rig).get(pace.limit);
    let period_s = channel.fresh_period_s().unwrap_or(f64::INFINITY);
    if per_s * period_s >= pace.span {
        return Outcome::not_run(format!(
            "{}: in that time {} can go anywhere and come back",
            every(period_s, 2),
            channel.role.label()
        ));
    }
    let allowed = |at: usize| {
        let shorter_s = readings.elapsed_s(at).min(readings.elapsed_s(at + 1));
        per_s.mul_add(shorter_s, readings.scatter)
    };
    // Time never runs back: nothing below the scatter is more than allowed.
    let findings = outstanding(view, readings, readings.scatter)
        .into_iter()
        .filter(|(at, height)| *height > allowed(*at))
        .map(|(at, height)| describe(channel, readings, at, height, allowed(at), Flag::Bad))
        .collect();
    Outcome::ran(inner(readings), findings)
}

/// A quantity of which nothing is known may truly have done it: unlike the rest of the log, and no more than that.
fn unknown(channel: &Channel, view: &View<'_>, readings: &Readings<'_>, limits: &Limits<'_>) -> Outcome {
    if readings.len() < 100 {
        return Outcome::not_run("fewer than 100 readings to learn the channel's noise from");
    }
    let allowed = limits.get(&STEADY) * readings.noise.max(channel.resolution());
    if allowed <= 0.0 || !allowed.is_finite() {
        return Outcome::not_run("the channel shows neither noise nor a resolution to measure a spike by");
    }
    let high = outstanding(view, readings, allowed);
    if high.len() as f64 > (limits.get(&RARE) * readings.len() as f64).max(1.0) {
        return Outcome::not_run(format!(
            "{} of {} readings go out and back: such moves belong to this channel",
            high.len(),
            readings.len()
        ));
    }
    let findings = high
        .into_iter()
        .map(|(at, height)| describe(channel, readings, at, height, allowed, Flag::Suspect))
        .collect();
    Outcome::ran(inner(readings), findings)
}

fn describe(
    channel: &Channel,
    readings: &Readings<'_>,
    at: usize,
    height: f64,
    allowed: f64,
    flag: Flag,
) -> Finding {
    let width_s = readings.elapsed_s(at + 1);
    let allowed_text = shown_difference(channel, allowed);
    let why = match flag {
        Flag::Bad => format!("out and back it can move by {allowed_text} in that time"),
        _ => format!("elsewhere in this log it moves out and back by less than {allowed_text}"),
    };
    let message = format!(
        "{} jumped by {} to {} for one reading and came back; {why}",
        channel.name,
        shown_difference(channel, height),
        shown(channel, readings.value(at)),
    );
    let evidence = vec![(&HEIGHT, height), (&ALLOWED, allowed), (&WIDTH, width_s)];
    Finding::new(readings.shown(at, at + 1), flag, message, evidence)
}

/// All but the first and the last reading.
fn inner(readings: &Readings<'_>) -> Evaluated {
    let rows = readings.shown(1, readings.len() - 1);
    Evaluated::Rows(if rows.is_empty() { Vec::new() } else { std::iter::once(rows).collect() })
}

fn mixture(channel: &Channel, view: &View<'_>, readings: &Readings<'_>, limits: &Limits<'_>) -> Outcome {
    let period_s = channel.fresh_period_s().unwrap_or(f64::INFINITY);
    let frame_s = established_frame_s(channel, view);
    let quick = period_s <= limits.get(&FASTEST);
    if !quick && frame_s.is_none() {
        return Outcome::not_run(format!(
            "{}: gas can move that fast, so a short excursion proves nothing",
            every(period_s, 3)
        ));
    }
    let mut findings = if quick { impossible_gas(channel, view, readings, limits) } else { Vec::new() };
    let mut evaluated = if quick { inner(readings) } else { Evaluated::Rows(Vec::new()) };
    if let Some(frame_s) = frame_s {
        findings.extend(shorter_than_a_frame(channel, view, frame_s, limits));
        // What lasted a frame came over the link; whether it was gas is another question.
        if !quick {
            evaluated = Evaluated::Rows(Vec::new());
        }
    }
    findings.sort_by_key(|finding: &Finding| (finding.rows.start, finding.rows.end));
    findings.dedup_by(|later, earlier| later.rows == earlier.rows);
    Outcome::ran(evaluated, findings)
}

/// Frame period of the link, where the log or the rig file establishes it and rows resolve it.
fn established_frame_s(channel: &Channel, view: &View<'_>) -> Option<f64> {
    let stated_s = stated_frame_s(view.rig, &view.log.clock.time_s, channel.values());
    let seen_s = held_frame_s(channel).filter(|frame_s| {
        channel.measured.frame_share.is_some_and(|share| share >= 0.9)
            && view.log.clock.duration_s() >= 100.0 * frame_s
    });
    let row_s = channel.measured.sample_period_s?;
    stated_s.or(seen_s).filter(|frame_s| *frame_s >= 3.0 * row_s)
}

/// Excursions of one or two fresh readings that no gas could have made, out and back.
fn impossible_gas(
    channel: &Channel,
    view: &View<'_>,
    readings: &Readings<'_>,
    limits: &Limits<'_>,
) -> Vec<Finding> {
    let (tau_s, richest) = (limits.get(&TAU), limits.get(&RICHEST));
    let phi = |at: usize| readings.value(at).recip();
    // Three standard deviations of noise in phi, on the reading itself.
    let slack = |at: usize| 3.0 * readings.noise * phi(at) * phi(at);
    let needed = |at: usize, towards_rich: bool| {
        let a = (-readings.elapsed_s(at) / tau_s).exp();
        let slack = if towards_rich { -slack(at) } else { slack(at) };
        (phi(at) + slack - a * phi(at - 1)) / (1.0 - a)
    };
    let lean = |at: usize| needed(at, false) < 0.0;
    let rich = |at: usize| needed(at, true) > richest;
    let mut findings = Vec::new();
    let mut at = 1;
    while at + 1 < readings.len() {
        let (out_lean, out_rich) = (lean(at), rich(at));
        let back = (at + 1..=at + 2)
            .take_while(|back| *back < readings.len())
            .find(|back| (out_lean && rich(*back)) || (out_rich && lean(*back)));
        let Some(back) = back.filter(|back| same_segment(view, readings, at - 1, *back)) else {
            at += 1;
            continue;
        };
        let width_s = readings.time_s(back) - readings.time_s(at);
        let (out, home) = (needed(at, out_rich), needed(back, out_lean));
        let height = readings.change(at).abs();
        let message = format!(
            "{} went from {} to {} and back within {:.0} ms: even a sensor of {:.0} ms would need gas of phi {out:.2} \
             and then {home:.2}; air is 0 and the richest mixture that fires {richest:.2}",
            channel.name,
            shown(channel, readings.value(at - 1)),
            shown(channel, readings.value(at)),
            1e3 * width_s,
            1e3 * tau_s,
        );
        let evidence = vec![(&HEIGHT, height), (&WIDTH, width_s), (&GAS_OUT, out), (&GAS_BACK, home)];
        if [height, width_s, out, home].iter().all(|number| number.is_finite()) {
            findings.push(Finding::new(readings.shown(at, back), Flag::Bad, message, evidence));
        }
        at = back + 1;
    }
    findings
}

fn same_segment(view: &View<'_>, readings: &Readings<'_>, from: usize, to: usize) -> bool {
    let (Some(first), Some(last)) = (readings.row(from), readings.row(to)) else { return false };
    view.log.clock.segments.iter().any(|segment| segment.contains(&first) && segment.contains(&last))
}

/// Values that stood for less than a link frame between two readings that agree.
fn shorter_than_a_frame(
    channel: &Channel,
    view: &View<'_>,
    frame_s: f64,
    limits: &Limits<'_>,
) -> Vec<Finding> {
    let values = channel.values();
    let time_s = &view.log.clock.time_s;
    let longest_s = limits.get(&FRAME_SHARE) * frame_s;
    let row_s = channel.measured.sample_period_s.unwrap_or(0.0);
    // What the link itself may differ by from frame to frame while nothing happens.
    let calm = channel.resolution().max(channel.measured.noise.unwrap_or(0.0) * 4.0);
    let mut findings = Vec::new();
    for segment in &view.log.clock.segments {
        let Some(inside) = values.get(segment.clone()) else { continue };
        let held: Vec<Range<usize>> = runs::equal(inside, 1);
        for three in held.windows(3) {
            let [before, short, after] = three else { continue };
            if before.end != short.start || short.end != after.start {
                continue;
            }
            let (row, end) = (segment.start + short.start, segment.start + short.end);
            // From the first row that shows it to the first row that does not: at most this, plus one row.
            let width_s = time_s[end] - time_s[row];
            let (left, value, right) = (inside[before.start], inside[short.start], inside[after.start]);
            let height = (value - left).abs().min((value - right).abs());
            let home = (right - left).abs();
            // A frame that came late and was followed at once by the next is short too; then the value before it
            // stood for longer than a frame.
            let before_s = time_s[row] - time_s[segment.start + before.start];
            let on_time = before_s <= 1.2 * frame_s;
            if on_time && width_s + row_s <= longest_s && height > 4.0 * (home + calm) && height.is_finite() {
                let message = format!(
                    "{} showed {} for {:.0} ms between {} and {}; the link sends a value every {:.0} ms, so this one \
                     was made behind it",
                    channel.name,
                    shown(channel, value),
                    1e3 * width_s,
                    shown(channel, left),
                    shown(channel, right),
                    1e3 * frame_s,
                );
                let evidence = vec![(&HEIGHT, height), (&WIDTH, width_s), (&FRAME, frame_s)];
                findings.push(Finding::new(row..end, Flag::Bad, message, evidence));
            }
        }
    }
    findings
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::testing::{Bench, Noise, because, evidence, quantised};
    use crate::log::Estimate;

    fn with_spike(rate_hz: f64, role: Role, level: f64, height: f64) -> Bench {
        let mut noise = Noise::new(1);
        let values = (0..400)
            .map(|row| {
                quantised(level + 0.001 * level * noise.next() + if row == 200 { height } else { 0.0 }, 1e-4)
            })
            .collect();
        Bench::new(rate_hz, 400).values(role, values).measured(|m| m.resolution = Some(1e-4))
    }

    #[test]
    fn coolant_spike_is_found_and_its_neighbours_are_not() {
        let found = with_spike(10.0, Role::CoolantTemperature, 360.0, 40.0)
            .findings(&Spike, Role::CoolantTemperature);
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].rows.clone(), found[0].flag), (200..201, Flag::Bad));
        assert!((evidence(&found[0], "height") - 40.0).abs() < 3.0);
    }

    #[test]
    fn spike_on_a_held_channel_covers_its_repeats() {
        let values = (0..400)
            .map(|row| if (200..210).contains(&row) { 320.0 } else { 360.0 + f64::from(row / 10 % 2) });
        let bench = Bench::new(10.0, 400).values(Role::CoolantTemperature, values.collect()).measured(|m| {
            m.resolution = Some(1.0);
            m.frame_period_s = Some(Estimate { value: 1.0, low: 1.0, high: 1.0 });
        });
        assert_eq!(bench.findings(&Spike, Role::CoolantTemperature)[0].rows, 200..210);
    }

    #[test]
    fn lambda_spike_is_proven_at_100_hz_and_not_at_20_hz() {
        let fast = with_spike(100.0, Role::Lambda, 0.80, 0.60);
        let found = fast.findings(&Spike, Role::Lambda);
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].rows, 200..201);
        assert!(evidence(&found[0], "gas_phi_out") < 0.0);
        assert!(evidence(&found[0], "gas_phi_back") > 1.67);
        let slow = with_spike(20.0, Role::Lambda, 0.80, 0.60);
        assert!(because(slow.run(&Spike, Role::Lambda)).contains("gas can move that fast"));
    }

    /// Gas through a first-order sensor at 100 Hz, whatever the gas does, is never called a spike.
    #[test]
    fn gas_is_never_a_spike_even_through_a_sensor_of_the_fastest_kind() {
        for tau_s in [0.031, 0.05, 0.1] {
            for cut_ms in [10, 20, 30, 50, 100, 300] {
                let a = (-0.001_f64 / tau_s).exp();
                let mut phi = 1.25;
                let mut values = Vec::new();
                for ms in 0..4_000 {
                    let gas = if (2_000..2_000 + cut_ms).contains(&ms) { 0.0 } else { 1.25 };
                    phi = a * phi + (1.0 - a) * gas;
                    if ms % 10 == 0 {
                        values.push(quantised(1.0 / phi, 0.001));
                    }
                }
                let bench = Bench::new(100.0, 400)
                    .values(Role::Lambda, values)
                    .measured(|m| m.resolution = Some(0.001));
                assert!(bench.findings(&Spike, Role::Lambda).is_empty(), "{tau_s} s, {cut_ms} ms");
            }
        }
    }

    #[test]
    fn lambda_shown_for_less_than_a_frame_was_made_behind_the_link() {
        // A 10 Hz link in a 100 Hz log.
        let bench = |width: i32| {
            let values = (0..2_000)
                .map(|row| {
                    let base = 0.80 + 0.002 * f64::from(row / 10 % 3);
                    if (1_003..1_003 + width).contains(&row) { 1.20 } else { base }
                })
                .collect();
            Bench::new(100.0, 2_000).values(Role::Lambda, values).measured(|m| {
                m.resolution = Some(0.001);
                m.noise = Some(0.002);
                m.frame_period_s = Some(Estimate { value: 0.1, low: 0.1, high: 0.1 });
                m.frame_share = Some(0.98);
            })
        };
        let found = bench(2).findings(&Spike, Role::Lambda);
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].rows, 1_003..1_005);
        assert!((evidence(&found[0], "frame_s") - 0.1).abs() < 1e-12);
        assert!(bench(10).findings(&Spike, Role::Lambda).is_empty(), "a whole frame is a reading");
    }

    #[test]
    fn late_frame_with_the_next_on_its_heels_is_no_spike() {
        // Frames due at 10.0, 10.1 and 10.2 s; the second comes at 10.18 s.
        let values = (0..2_000)
            .map(|row| match row {
                1_018..1_020 => 1.20,
                1_010..1_018 => 0.80 + 0.002 * f64::from(100 % 3),
                _ => 0.80 + 0.002 * f64::from(row / 10 % 3),
            })
            .collect();
        let bench = Bench::new(100.0, 2_000).values(Role::Lambda, values).measured(|m| {
            m.resolution = Some(0.001);
            m.noise = Some(0.002);
            m.frame_period_s = Some(Estimate { value: 0.1, low: 0.1, high: 0.1 });
            m.frame_share = Some(0.98);
        });
        assert!(bench.findings(&Spike, Role::Lambda).is_empty());
    }

    #[test]
    fn unknown_quantity_is_judged_by_its_own_noise_and_only_when_rare() {
        let rare = with_spike(10.0, Role::Other, 5.0, 3.0);
        assert_eq!(rare.findings(&Spike, Role::Other).len(), 1);
        let mut noise = Noise::new(2);
        let bench = |every: usize, noise: &mut Noise| {
            let values =
                (0..2_000).map(|row| 0.1 * noise.next() + if row % every == 7 { 9.0 } else { 0.0 }).collect();
            Bench::new(10.0, 2_000).values(Role::Other, values)
        };
        assert_eq!(bench(1_500, &mut noise).findings(&Spike, Role::Other).len(), 2);
        assert!(because(bench(50, &mut noise).run(&Spike, Role::Other)).contains("belong to this channel"));
    }

    #[test]
    fn gap_breaks_the_neighbourhood() {
        let bench = with_spike(10.0, Role::CoolantTemperature, 360.0, 40.0).gap(201, 60.0);
        assert!(bench.findings(&Spike, Role::CoolantTemperature).is_empty());
    }
}
