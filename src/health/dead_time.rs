//! Dead time of the mixture reading by direction: cross-correlation with the fuel, by flow.

use std::collections::BTreeMap;

use super::{Ageing, Meta, Subject, Verdict, Worse, against};
use crate::chain::{Chain, Fit, Fresh, Response};
use crate::document::HealthMetric;
use crate::log::{Channel, Estimate, Role};
use crate::signal::robust::{median, quantile_in_place};
use crate::signal::uncertainty::{combine, rectangular};

pub(super) const DEAD_TIME: Meta = Meta {
    name: "dead_time",
    unit: "s",
    summary: "time from a change of the fuel to the first move of the reading, less what the gas needs, by direction",
    how: "Cut fuel (`rich_to_lean`) and fuel that comes back (`lean_to_rich`) are taken from injector duty or pulse \
        width. Around each of them the reading is correlated with the change as a sensor of the measured time constant \
        would follow it, clipped where the channel is; the correlations of like gas flow (within a factor of 1.5) are \
        pooled and their peak is the delay. From each the cycle and transport time at that engine speed and load is \
        taken off; the value is the mean over the flows by events.",
    limit: "Watch above 0.1 s, act above 0.2 s (assumed; one carmaker acts on reversals delayed by more than 80 ms \
        rich to lean and 200 ms lean to rich).",
    traps: "Latency of the link and skew between channels are in it; the gas path is assumed (2 L from port to \
        sensor): a longer one shows as a dead time that grows as the flow falls.",
    sources: &[
        "transport delay: computed for lean-event physics",
        "order of magnitude: service information of one carmaker, 2019, codes P015A to P014D",
    ],
    ageing: Some(Ageing { worse: Worse::Up, act_ratio: None, tells_replacement: false }),
};

/// Changes of the fuel that are needed, and in one flow.
const FEWEST: usize = 5;
const FEWEST_IN_FLOW: usize = 3;
/// Delays looked at, s: a reading that follows later than this belongs to something else (assumed).
const LONGEST_S: f64 = 0.8;
/// A reading may lead the duty channel by this much, s: channels are not sampled in one moment (assumed).
const LEAD_S: f64 = 0.1;
const STEP_S: f64 = 0.005;
/// The reading is looked at from this long before a change to this long after it, s.
const BEFORE_S: f64 = 0.3;
const AFTER_S: f64 = 1.5;
/// How long fuel must stay as it was before and as it is after a change, s.
const STEADY_S: f64 = 0.5;
/// Delivery below this share of its 95 % level is no fuel (noise of a logged duty; assumed).
const NO_FUEL: f64 = 0.01;
/// Correlation below which the reading does not follow the fuel (assumed).
const LEAST_CORRELATION: f64 = 0.7;
/// Ratio of gas delays within one flow.
const FLOW_RATIO: f64 = 1.5;

/// One change of the fuel, and the fresh readings around it.
pub(super) struct Change {
    /// Row of the change.
    pub(super) row: usize,
    /// What cycle and gas need at that speed and load, s.
    expected_s: f64,
    /// Time after the change and reading in phi.
    reading: Vec<(f64, f64)>,
}

/// One flow: delay, what the gas needs, and events.
struct Flow {
    delay_s: f64,
    expected_s: f64,
    events: usize,
    /// Standard deviation of the delay, s.
    doubt_s: f64,
}

/// Dead time of both directions: rich to lean, lean to rich.
pub(super) fn measure(subject: &Subject<'_>) -> [HealthMetric; 2] {
    let chain = subject.chain;
    let log = subject.view.log;
    let delivery = log.role(Role::InjectorDuty).or_else(|| log.role(Role::InjectorPulseWidth));
    let (Some(delivery), Some(speed)) = (delivery, log.role(Role::EngineSpeed)) else {
        let because = "needs injector duty or pulse width, and engine speed: they say when fuel was cut";
        return ["rich_to_lean", "lean_to_rich"]
            .map(|direction| subject.not_measurable(&DEAD_TIME, Some(direction), because));
    };
    let fresh = Fresh::of(log, chain.channel, chain.frame_period_s);
    let fuel = Fuel::of(delivery);
    [
        one(subject, &fresh, &fuel, speed, true, &chain.fits.rich_to_lean, &chain.rich_to_lean),
        one(subject, &fresh, &fuel, speed, false, &chain.fits.lean_to_rich, &chain.lean_to_rich),
    ]
}

/// Every change of both directions whose delay its own correlation shows, with that delay, s.
pub(super) fn single(subject: &Subject<'_>) -> Vec<(Change, f64)> {
    let chain = subject.chain;
    let log = subject.view.log;
    let delivery = log.role(Role::InjectorDuty).or_else(|| log.role(Role::InjectorPulseWidth));
    let (Some(delivery), Some(speed)) = (delivery, log.role(Role::EngineSpeed)) else { return Vec::new() };
    let fresh = Fresh::of(log, chain.channel, chain.frame_period_s);
    let fuel = Fuel::of(delivery);
    let directions = [
        (true, &chain.fits.rich_to_lean, &chain.rich_to_lean),
        (false, &chain.fits.lean_to_rich, &chain.lean_to_rich),
    ];
    let mut found = Vec::new();
    for (to_lean, fit, belief) in directions {
        let tau_s = fit.measured().map_or(belief.tau_s, |measured| measured.value);
        let shape = Shape::of(subject, tau_s, to_lean);
        for change in changes(subject, &fresh, &fuel, speed, to_lean) {
            if let Some(delay_s) = peak(&correlate(&change, &shape)) {
                found.push((change, delay_s));
            }
        }
    }
    found
}

fn one(
    subject: &Subject<'_>,
    fresh: &Fresh<'_>,
    fuel: &Fuel<'_>,
    speed: &Channel,
    to_lean: bool,
    fit: &Fit,
    belief: &Response,
) -> HealthMetric {
    let direction = if to_lean { "rich_to_lean" } else { "lean_to_rich" };
    let refuse = |because: String| subject.not_measurable(&DEAD_TIME, Some(direction), because);
    let changes = changes(subject, fresh, fuel, speed, to_lean);
    let what = if to_lean { "fuel cuts" } else { "returns of the fuel" };
    if changes.len() < FEWEST {
        return refuse(format!("{} {what} that both channels show; {FEWEST} are needed", changes.len()));
    }
    let (tau_s, tau_ln) = fit.measured().map_or((belief.tau_s, belief.sigma_ln), |found| {
        (found.value, (found.high / found.low).ln() / (2.0 * 1.959_964))
    });
    let shape = Shape::of(subject, tau_s, to_lean);
    let flows = flows(&changes, &shape);
    let events: usize = flows.iter().map(|flow| flow.events).sum();
    if events < FEWEST {
        return refuse(format!("{} {what}, and the reading does not follow them clearly", changes.len()));
    }
    let weight = |flow: &Flow| flow.events as f64 / events as f64;
    let value: f64 = flows.iter().map(|flow| weight(flow) * (flow.delay_s - flow.expected_s)).sum();
    let scatter = flows.iter().map(|flow| (weight(flow) * flow.doubt_s).powi(2)).sum::<f64>().sqrt();
    // A time constant taken too long makes the delay too short by about 0.7 of the error, and the other way; by more
    // where a clipped channel shows a return only after part of it is over.
    let share = if to_lean { 0.7 } else { (-(1.0 - shape.stop_phi.clamp(0.0, 0.95)).ln()).max(0.7) };
    let half_period_s = 0.5 * subject.chain.fresh_period_s.unwrap_or(0.0);
    let half = 1.959_964 * combine(&[scatter, share * tau_s * tau_ln, rectangular(half_period_s)]);
    let estimate = Estimate { value, low: value - half, high: value + half };
    let by_flow: Vec<String> = flows
        .iter()
        .map(|flow| {
            format!(
                "{:.0} ms where the gas needs {:.0} ms ({})",
                1e3 * flow.delay_s,
                1e3 * flow.expected_s,
                flow.events
            )
        })
        .collect();
    let verdict = Verdict {
        limit: Some(0.1),
        status: against(&estimate, 0.1, 0.2),
        because: format!("{events} {what}; the reading follows after {}", by_flow.join(", ")),
    };
    HealthMetric {
        direction: Some(direction.to_owned()),
        ..subject.measured(&DEAD_TIME, estimate, events, verdict)
    }
}

/// The fuel channel and the level below which nothing is injected.
struct Fuel<'a> {
    delivery: &'a Channel,
    none_below: f64,
}

impl<'a> Fuel<'a> {
    fn of(delivery: &'a Channel) -> Self {
        let mut known: Vec<f64> = delivery.readings(0..delivery.rows()).map(|(_, value)| value).collect();
        let high = quantile_in_place(&mut known, 0.95).unwrap_or(0.0);
        Self { delivery, none_below: NO_FUEL * high }
    }

    /// Whether fuel flows; null where the channel has no value.
    fn flows(&self, row: usize) -> Option<bool> {
        self.delivery.at(row).map(|value| value > self.none_below)
    }
}

fn changes(
    subject: &Subject<'_>,
    fresh: &Fresh<'_>,
    fuel: &Fuel<'_>,
    speed: &Channel,
    to_lean: bool,
) -> Vec<Change> {
    let log = subject.view.log;
    let time_s = &log.clock.time_s;
    let manifold = log.role(Role::ManifoldPressure);
    let mut found = Vec::new();
    // The latest stretch of one state: since when, and whether fuel flowed; and the one before it.
    let (mut since_s, mut flowed): (f64, Option<bool>) = (f64::NEG_INFINITY, None);
    let mut pending: Option<(usize, f64, f64)> = None;
    let mut last_s = f64::NEG_INFINITY;
    for (row, now_s) in time_s.iter().copied().enumerate() {
        let Some(flows) = fuel.flows(row) else { continue };
        if flowed.is_some_and(|before| before != flows) {
            let long = now_s - since_s >= STEADY_S;
            pending = (long && flows != to_lean).then_some((row, 0.5 * (last_s + now_s), now_s));
            since_s = now_s;
        } else if flowed.is_none() {
            since_s = now_s;
        }
        if let Some((first, change_s, _)) = pending.filter(|(_, _, start_s)| now_s - start_s >= STEADY_S) {
            pending = None;
            let at = |channel: &Channel| channel.at(first);
            if let (Some(rpm), Some(reading)) = (at(speed), around(fresh, change_s)) {
                let expected_s = Chain::delay_s(rpm, manifold.and_then(at));
                found.push(Change { row: first, expected_s, reading });
            }
        }
        flowed = Some(flows);
        last_s = now_s;
    }
    found
}

/// Fresh readings around a change, times from it; null when there are too few or the clock breaks.
fn around(fresh: &Fresh<'_>, change_s: f64) -> Option<Vec<(f64, f64)>> {
    let first = fresh.time_s.partition_point(|t| *t < change_s - BEFORE_S);
    let last = fresh.time_s.partition_point(|t| *t <= change_s + AFTER_S);
    let segment = fresh.segment(first)?;
    if last < first + 6 || fresh.segment(last - 1) != Some(segment) {
        return None;
    }
    Some((first..last).map(|k| (fresh.time_s[k] - change_s, fresh.phi[k])).collect())
}

/// How a sensor of a time constant follows a change.
struct Shape {
    tau_s: f64,
    to_lean: bool,
    stop_phi: f64,
}

impl Shape {
    fn of(subject: &Subject<'_>, tau_s: f64, to_lean: bool) -> Self {
        let stop_phi = subject.chain.clip_lean.filter(|stop| *stop > 0.0).map_or(0.0, f64::recip);
        Self { tau_s, to_lean, stop_phi }
    }

    /// Share of the way, a time after the change, for a delay; a clipped channel shows no less than its stop.
    fn at(&self, time_s: f64, delay_s: f64) -> f64 {
        let left = (-(time_s - delay_s).max(0.0) / self.tau_s.max(1e-3)).exp();
        if self.to_lean { left.max(self.stop_phi) } else { (1.0 - left).max(self.stop_phi) }
    }
}

/// Delay per flow, by pooled correlation.
fn flows(changes: &[Change], shape: &Shape) -> Vec<Flow> {
    let mut bins: BTreeMap<i32, Vec<&Change>> = BTreeMap::new();
    for change in changes {
        let bin = (change.expected_s.max(1e-3) / 0.01).ln() / FLOW_RATIO.ln();
        bins.entry(bin.floor() as i32).or_default().push(change);
    }
    bins.into_values()
        .filter(|bin| bin.len() >= FEWEST_IN_FLOW)
        .filter_map(|bin| {
            let sums: Vec<Vec<Sums>> = bin.iter().map(|change| correlate(change, shape)).collect();
            let total = pooled(&sums);
            let delay_s = peak(&total)?;
            let expected: Vec<f64> = bin.iter().map(|change| change.expected_s).collect();
            Some(Flow {
                delay_s,
                expected_s: median(&expected)?,
                events: bin.len(),
                doubt_s: jackknife(&sums, &total, delay_s),
            })
        })
        .collect()
}

/// Covariance and variances of reading and shape at one delay.
#[derive(Clone, Copy, Default)]
struct Sums {
    both: f64,
    reading: f64,
    shape: f64,
}

fn correlate(change: &Change, shape: &Shape) -> Vec<Sums> {
    let count = change.reading.len() as f64;
    let mean = change.reading.iter().map(|(_, phi)| phi).sum::<f64>() / count;
    let steps = ((LONGEST_S + LEAD_S) / STEP_S) as usize;
    (0..=steps)
        .map(|step| {
            let delay_s = step as f64 * STEP_S - LEAD_S;
            let model: Vec<f64> = change.reading.iter().map(|(time, _)| shape.at(*time, delay_s)).collect();
            let centre = model.iter().sum::<f64>() / count;
            change.reading.iter().zip(&model).fold(Sums::default(), |sums, ((_, phi), value)| {
                let (a, b) = (phi - mean, value - centre);
                Sums { both: sums.both + a * b, reading: sums.reading + a * a, shape: sums.shape + b * b }
            })
        })
        .collect()
}

/// The same of several changes together.
fn pooled(all: &[Vec<Sums>]) -> Vec<Sums> {
    let mut total = vec![Sums::default(); all.first().map_or(0, Vec::len)];
    for sums in all {
        for (total, one) in total.iter_mut().zip(sums) {
            total.both += one.both;
            total.reading += one.reading;
            total.shape += one.shape;
        }
    }
    total
}

/// Delay at the highest correlation, by a parabola through it; null without a clear peak inside the range.
fn peak(sums: &[Sums]) -> Option<f64> {
    let correlation = |sums: &Sums| {
        let norm = (sums.reading * sums.shape).sqrt();
        if norm > 0.0 { sums.both / norm } else { 0.0 }
    };
    let curve: Vec<f64> = sums.iter().map(correlation).collect();
    let best = (0..curve.len()).max_by(|a, b| curve[*a].total_cmp(&curve[*b]))?;
    if curve[best] < LEAST_CORRELATION || best == 0 || best + 1 == curve.len() {
        return None;
    }
    let (left, centre, right) = (curve[best - 1], curve[best], curve[best + 1]);
    let bend = left - 2.0 * centre + right;
    let shift = if bend < 0.0 { (0.5 * (left - right) / bend).clamp(-1.0, 1.0) } else { 0.0 };
    Some((best as f64 + shift) * STEP_S - LEAD_S)
}

/// Standard deviation of the delay by leaving out one event at a time. Each is taken off the sum of all: adding up the
/// others again would grow with the square of the events.
fn jackknife(all: &[Vec<Sums>], total: &[Sums], delay_s: f64) -> f64 {
    let count = all.len() as f64;
    let squares: f64 = all
        .iter()
        .map(|left_out| {
            let others: Vec<Sums> = total
                .iter()
                .zip(left_out)
                .map(|(total, one)| Sums {
                    both: total.both - one.both,
                    reading: total.reading - one.reading,
                    shape: total.shape - one.shape,
                })
                .collect();
            peak(&others).map_or(STEP_S, |left| left - delay_s).powi(2)
        })
        .sum();
    ((count - 1.0) / count * squares).sqrt()
}
