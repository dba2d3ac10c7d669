//! Trust: the calibrated probability that a decision-relevant sample of a channel is within tolerance of what a
//! healthy sensor chain of the same kind would have logged.
//!
//! Per sample: `p = P(no fault) * P(within tolerance | no fault) + sum over faults P(fault) * q`, where q is the
//! chance that a sample under that fault is within tolerance all the same. The score is the mean over windows,
//! each with one vote. What the engine did (fuel pressure, misfire, spread between cylinders) is not trust.

pub mod calibration;
pub mod fitted;

use std::collections::BTreeMap;
use std::ops::Range;

use rayon::prelude::*;

use crate::chain::Chain;
use crate::detect::{Detection, Stage, View};
use crate::document::{About, Deduction, Grade, Trust, Verdict};
use crate::flag::Flag;
use crate::lean::Event;
use crate::log::{Channel, Log, Role};
use crate::signal::uncertainty::{bootstrap_mean, normal_cdf};
use crate::state::{States, bit};

use calibration::{FAMILIES, PRIOR_FACTOR, Tolerance, concerns, residual};

/// Resampling rounds and seed of the score's interval.
const ROUNDS: usize = 400;
const SEED: u64 = 0x5EED_0001;

/// One trust per channel, in channel order.
pub fn score(view: &View<'_>, detection: &Detection, events: &[Event]) -> Vec<Trust> {
    let (basis, votes) = votes(view.log, view.state);
    (0..view.log.channels.len())
        .into_par_iter()
        .map(|index| {
            Judge::new(view, detection, events, index)
                .and_then(|judge| judge.score(&votes, basis))
                .unwrap_or_else(|| not_evaluated(basis))
        })
        .collect()
}

/// Per channel: each vote with the probability that its samples are within tolerance, before calibration. Empty
/// where no detector ran. For fitting the calibration; a document shows only calibrated scores.
pub fn before_calibration(
    view: &View<'_>,
    detection: &Detection,
    events: &[Event],
) -> Vec<Vec<(Range<usize>, f64)>> {
    let (_, votes) = votes(view.log, view.state);
    let of_channel = |index: usize| -> Vec<(Range<usize>, f64)> {
        let Some(judge) = Judge::new(view, detection, events, index) else { return Vec::new() };
        let plain = |rows: &Range<usize>| {
            let vote = judge.raw_vote(rows, 1.0)?;
            Some((rows.clone(), 1.0 - vote.points.values().sum::<f64>()))
        };
        votes.iter().filter_map(plain).collect()
    };
    (0..view.log.channels.len()).map(of_channel).collect()
}

fn not_evaluated(basis: &str) -> Trust {
    Trust {
        score: None,
        low: None,
        high: None,
        grade: Grade::NotEvaluated,
        basis: basis.to_owned(),
        deductions: Vec::new(),
    }
}

/// The rows that count, as votes, and what they are called: full-load windows, else stretches of running, else
/// stretches of the log.
pub fn votes(log: &Log, state: &States) -> (&'static str, Vec<Range<usize>>) {
    let full: Vec<Range<usize>> =
        state.windows_of(bit::FULL_LOAD).filter(|rows| !rows.is_empty()).cloned().collect();
    if !full.is_empty() {
        return ("full_load", full);
    }
    let knows_running = log.index_of(Role::EngineSpeed).is_some();
    let counts = |row: usize| !knows_running || state.has(row, bit::RUNNING);
    (if knows_running { "running" } else { "all" }, stretches(&log.clock.time_s, counts))
}

/// Stretches of rows that count, cut at every [`calibration::RUNNING_VOTE_S`].
fn stretches(time_s: &[f64], counts: impl Fn(usize) -> bool) -> Vec<Range<usize>> {
    let mut found: Vec<Range<usize>> = Vec::new();
    let mut start: Option<usize> = None;
    for row in 0..=time_s.len() {
        let inside = row < time_s.len() && counts(row);
        if let Some(first) = start
            && (!inside || time_s[row] - time_s[first] >= calibration::RUNNING_VOTE_S)
        {
            found.push(first..row);
            start = None;
        }
        if inside && start.is_none() {
            start = Some(row);
        }
    }
    found
}

/// Probability of a fault in one row, and what said so.
#[derive(Clone, Copy)]
struct Doubt {
    detector: &'static str,
    fault: f64,
    within: f64,
}

/// Points taken off, by reason; a map with ordered keys, so the order of the output is fixed.
type Points = BTreeMap<&'static str, f64>;

/// All that is needed to judge one channel.
struct Judge<'a> {
    channel: &'a Channel,
    flags: &'a [Flag],
    doubts: Vec<Option<Doubt>>,
    /// Residual probability of an unseen fault where detectors ran.
    tested: f64,
    /// The same in a row that no detector could judge.
    untested: f64,
    /// Of `tested`, the part of families with no detector at all.
    blind: f64,
    blind_names: Vec<&'static str>,
    tolerance: Option<Tolerance>,
    excess: Excess,
    findings: BTreeMap<&'static str, usize>,
}

/// What the chain adds beyond a healthy one of the same kind.
#[derive(Clone, Copy, Debug, Default)]
struct Excess {
    noise_phi: f64,
    lag_s: f64,
}

impl<'a> Judge<'a> {
    /// * returns null when no scored detector ran on the channel
    fn new(view: &View<'a>, detection: &'a Detection, events: &[Event], index: usize) -> Option<Self> {
        let channel = view.log.channels.get(index)?;
        let flags: &[Flag] = detection.flags.get(index)?;
        let scored = || detection.records.iter().filter(|record| record.ran && record.stage == Stage::Scored);
        // A test of the clock alone says nothing about the channel's values.
        if channel.role == Role::Time || !scored().any(|record| record.channel == Some(index)) {
            return None;
        }
        let ran: Vec<&str> = scored()
            .filter(|record| record.channel.is_none_or(|channel| channel == index))
            .map(|record| record.detector)
            .collect();
        let has = |name: &str| ran.contains(&name);
        let families = || FAMILIES.iter().filter(|family| concerns(family, channel.role));
        let blind: Vec<_> = families().filter(|family| residual(family, has) >= 1.0 - 1e-9).collect();
        let (doubts, findings) = doubts(view, detection, events, index, flags);
        let largest =
            channel.values().iter().copied().filter(|v| v.is_finite()).fold(0.0, |a: f64, b| a.max(b.abs()));
        Some(Self {
            channel,
            flags,
            doubts,
            tested: families().map(|family| family.prior * residual(family, has)).sum(),
            untested: families().map(|family| family.prior).sum(),
            blind: blind.iter().map(|family| family.prior).sum(),
            blind_names: blind.iter().map(|family| family.name).collect(),
            tolerance: Tolerance::of(channel.role, largest),
            excess: view
                .chain
                .filter(|chain| chain.channel == index)
                .map_or_else(Excess::default, |chain| Excess::of(chain, view)),
            findings,
        })
    }

    /// * returns null when no row that counts holds a judged sample
    fn score(&self, votes: &[Range<usize>], basis: &str) -> Option<Trust> {
        let mut judged: Vec<Vote> = votes.iter().filter_map(|rows| self.vote(rows, 1.0)).collect();
        judged.retain(|vote| vote.samples > 0);
        if judged.is_empty() || judged.iter().all(|vote| vote.evaluated == 0) {
            return None;
        }
        let points = mean_points(&judged);
        let score = 1.0 - points.values().sum::<f64>();
        let bound = |factor: f64| {
            let votes: Vec<Vote> = votes.iter().filter_map(|rows| self.vote(rows, factor)).collect();
            let groups: Vec<(f64, f64)> =
                votes.iter().map(|vote| (1.0 - vote.points.values().sum::<f64>(), 1.0)).collect();
            let mean = groups.iter().map(|(value, _)| value).sum::<f64>() / groups.len().max(1) as f64;
            let (low, high) = bootstrap_mean(&groups, ROUNDS, SEED).unwrap_or((mean, mean));
            (low.min(mean), high.max(mean))
        };
        let (low, _) = bound(PRIOR_FACTOR);
        let (_, high) = bound(PRIOR_FACTOR.recip());
        // What could not be tested at all is not excused by an optimistic prior.
        let high = high.min(1.0 - self.blind * (1.0 - PRIOR_FACTOR.recip())).max(score);
        let deductions = self.deductions(&points);
        Some(Trust {
            score: Some(score.clamp(0.0, 1.0)),
            low: Some(low.clamp(0.0, score.clamp(0.0, 1.0))),
            high: Some(high.clamp(0.0, 1.0)),
            grade: Grade::of(Some(score)),
            basis: basis.to_owned(),
            deductions,
        })
    }

    /// Calibrated mean points over the samples of one vote; null where the channel was not due at all.
    ///
    /// The points shrink or grow in proportion, so that they still add up to what is missing from the score.
    fn vote(&self, rows: &Range<usize>, factor: f64) -> Option<Vote> {
        let mut vote = self.raw_vote(rows, factor)?;
        let lost: f64 = vote.points.values().sum();
        let curve = if self.channel.role.is_mixture() { fitted::MIXTURE } else { fitted::OTHERS };
        let (lost, scale) = calibration::calibrate(lost, curve);
        if scale.is_finite() {
            vote.points.values_mut().for_each(|points| *points *= scale);
        } else {
            vote.points.insert("baseline", lost);
        }
        Some(vote)
    }

    /// The same before calibration.
    fn raw_vote(&self, rows: &Range<usize>, factor: f64) -> Option<Vote> {
        let mut vote = Vote::default();
        for row in rows.clone() {
            if self.channel.not_sampled(row) {
                continue;
            }
            let Some(flag) = self.flags.get(row) else { break };
            vote.samples += 1;
            if *flag != Flag::NotEvaluated {
                vote.evaluated += 1;
            }
            self.add_row(row, *flag, factor, &mut vote.points);
        }
        if vote.samples == 0 {
            return None;
        }
        let samples = vote.samples as f64;
        vote.points.values_mut().for_each(|points| *points /= samples);
        Some(vote)
    }

    fn add_row(&self, row: usize, flag: Flag, factor: f64, points: &mut Points) {
        let mut add = |name, value: f64| *points.entry(name).or_insert(0.0) += value;
        if self.channel.missing(row) {
            add("dropout", 1.0);
            return;
        }
        let mut fine = 1.0;
        if let Some(Some(doubt)) = self.doubts.get(row) {
            let fault = scale_odds(doubt.fault, factor);
            add(doubt.detector, fault * (1.0 - doubt.within));
            fine -= fault;
        }
        let prior = if flag == Flag::NotEvaluated { self.untested } else { self.tested };
        let unseen = (prior * factor).min(1.0);
        add("baseline", fine * unseen);
        fine *= 1.0 - unseen;
        if let Some((name, outside)) = self.outside(row) {
            add(name, fine * outside);
        }
    }

    /// Probability that a sample without fault is outside the tolerance, and the main reason.
    fn outside(&self, row: usize) -> Option<(&'static str, f64)> {
        let tolerance = self.tolerance?;
        let value = *self.channel.values().get(row)?;
        let within = tolerance.at(value);
        let (bias, spread) = if self.channel.role.is_mixture() {
            let slope = self.slope_phi(row);
            let to_lambda = value * value;
            (self.excess.lag_s * slope * to_lambda, self.excess.noise_phi * to_lambda)
        } else {
            (0.0, self.channel.measured.noise.unwrap_or(0.0))
        };
        if bias == 0.0 && spread == 0.0 {
            return None;
        }
        let inside = if spread > 0.0 {
            normal_cdf((within - bias) / spread) - normal_cdf((-within - bias) / spread)
        } else {
            f64::from(u8::from(bias.abs() <= within))
        };
        let name = if bias.abs() > spread { "slow_response" } else { "noise" };
        Some((name, (1.0 - inside).clamp(0.0, 1.0))).filter(|(_, outside)| *outside > 1e-9)
    }

    /// |d phi/dt| around a row, 1/s; 0 where a neighbour is missing.
    fn slope_phi(&self, row: usize) -> f64 {
        let values = self.channel.values();
        let period = self.channel.fresh_period_s().unwrap_or(0.0);
        let at = |index: Option<usize>| index.and_then(|i| values.get(i)).copied().filter(|v| *v > 0.0);
        match (at(row.checked_sub(1)), at(row.checked_add(1))) {
            (Some(before), Some(after)) if period > 0.0 => {
                (after.recip() - before.recip()).abs() / (2.0 * period)
            }
            _ => 0.0,
        }
    }

    fn deductions(&self, points: &Points) -> Vec<Deduction> {
        let mut list: Vec<Deduction> = points
            .iter()
            .filter(|(_, points)| **points > 0.0)
            .map(|(name, points)| Deduction {
                detector: (*name).to_owned(),
                points: *points,
                why: self.why(name, *points),
            })
            .collect();
        list.sort_by(|a, b| b.points.total_cmp(&a.points).then_with(|| a.detector.cmp(&b.detector)));
        list
    }

    fn why(&self, name: &str, points: f64) -> String {
        let share = 100.0 * points;
        if name == "baseline" {
            return if self.blind_names.is_empty() {
                format!("{share:.1} points: faults that the tests of this channel can miss")
            } else {
                format!(
                    "{share:.1} points: faults that the tests can miss, and what no test looked for here ({})",
                    self.blind_names.join(", ")
                )
            };
        }
        let findings = self.findings.get(name).copied().unwrap_or(0);
        match (name, findings) {
            ("slow_response", 0) => format!(
                "{share:.1} points: the reading lags {:.0} ms more than a healthy one",
                1e3 * self.excess.lag_s
            ),
            ("noise", 0) => format!("{share:.1} points: noise beyond that of a healthy chain"),
            ("dropout", 0) => format!("{share:.1} points: values are missing where they were due"),
            (_, 0) => {
                format!("{share:.1} points: judged a fault of the measurement by the lean-event analysis")
            }
            (_, 1) => format!("{share:.1} points: 1 finding in the samples that count"),
            (_, many) => format!("{share:.1} points: {many} findings in the samples that count"),
        }
    }
}

/// Mean points of one window.
#[derive(Default)]
struct Vote {
    samples: usize,
    evaluated: usize,
    points: Points,
}

fn mean_points(votes: &[Vote]) -> Points {
    let mut mean = Points::new();
    for vote in votes {
        for (name, points) in &vote.points {
            *mean.entry(name).or_insert(0.0) += points / votes.len() as f64;
        }
    }
    mean
}

/// Probability after its odds are multiplied by a factor.
fn scale_odds(p: f64, factor: f64) -> f64 {
    if p >= 1.0 {
        return 1.0;
    }
    let odds = p / (1.0 - p) * factor;
    odds / (1.0 + odds)
}

/// Worst doubt per row, and the number of findings per detector.
fn doubts(
    view: &View<'_>,
    detection: &Detection,
    events: &[Event],
    index: usize,
    flags: &[Flag],
) -> (Vec<Option<Doubt>>, BTreeMap<&'static str, usize>) {
    let mut doubts: Vec<Option<Doubt>> = vec![None; flags.len()];
    let mut counts = BTreeMap::new();
    let scored = detection
        .findings
        .iter()
        .filter(|f| f.stage == Stage::Scored && f.channel.is_none_or(|channel| channel == index))
        // A supply that is truly low is no doubt about its own reading.
        .filter(|f| f.about != About::Condition);
    for finding in scored {
        let (fault, within) = calibration::finding(finding.detector, finding.flag);
        *counts.entry(finding.detector).or_insert(0) += 1;
        let end = finding.rows.end.min(doubts.len());
        for slot in doubts.get_mut(finding.rows.start.min(end)..end).unwrap_or_default() {
            let new = Doubt { detector: finding.detector, fault, within };
            if slot.is_none_or(|old| fault * (1.0 - within) > old.fault * (1.0 - old.within)) {
                *slot = Some(new);
            }
        }
    }
    if view.chain.is_some_and(|chain| chain.channel == index) {
        for event in events {
            weigh(event, &mut doubts);
        }
    }
    (doubts, counts)
}

/// A lean event was judged on all evidence, so its posterior replaces the first impression of the detectors.
fn weigh(event: &Event, doubts: &mut [Option<Doubt>]) {
    let artefact: f64 = ARTEFACTS
        .iter()
        .filter_map(|(cause, _)| event.record.posterior.get(*cause))
        .sum::<f64>()
        .clamp(0.0, 1.0);
    let main = ARTEFACTS
        .iter()
        .max_by(|a, b| share(event, a.0).total_cmp(&share(event, b.0)).then_with(|| b.0.cmp(a.0)))
        .map_or("baseline", |(_, detector)| detector);
    let called = event.record.verdict == Verdict::Artefact;
    let end = event.rows.end.min(doubts.len());
    for slot in doubts.get_mut(event.rows.start.min(end)..end).unwrap_or_default() {
        let detector = slot.map_or(main, |old| old.detector);
        let within = slot.map_or(0.1, |old| old.within);
        let fault = if called { artefact.max(0.9) } else { artefact };
        *slot = Some(Doubt { detector, fault, within });
    }
}

fn share(event: &Event, cause: &str) -> f64 {
    event.record.posterior.get(cause).copied().unwrap_or(0.0)
}

/// Causes that are faults of the measurement, and the detector that stands for each.
const ARTEFACTS: [(&str, &str); 8] = [
    ("spike", "spike"),
    ("stale_link", "flat_line"),
    ("dropout", "dropout"),
    ("supply_sag", "supply_sag"),
    ("sensor_cold", "warm_up"),
    ("sensor_wet", "warm_up"),
    ("controller_reset", "supply_sag"),
    ("ground_offset", "ground_offset"),
];

impl Excess {
    fn of(chain: &Chain, view: &View<'_>) -> Self {
        let healthy = crate::chain::Response::prior();
        let slowest = view.rig.sensor.tau_s.map_or_else(|| healthy.quantile(0.975), |[_, high]| high);
        let lag = |response: &crate::chain::Response| {
            if response.events >= 5 { (response.tau_s - slowest).max(0.0) } else { 0.0 }
        };
        let noise = chain.noise_phi.unwrap_or(0.0);
        Self {
            noise_phi: (noise.powi(2) - calibration::HEALTHY_NOISE_PHI.powi(2)).max(0.0).sqrt(),
            lag_s: lag(&chain.rich_to_lean).max(lag(&chain.lean_to_rich)),
        }
    }
}

#[cfg(test)]
mod tests;
