//! Trust: the calibrated probability that a decision-relevant sample of a channel is within tolerance of what a
//! healthy sensor chain of the same kind would have logged.
//!
//! Per sample: `p = (1 - P(off | worst finding)) * (1 - P(off, unseen))`. The first factor is what samples under
//! such findings were on simulated logs; the second is what each family of faults does to a sample, as far as the
//! detectors that ran cannot see it. The score is the mean over windows, each with one vote. What the engine did
//! (fuel pressure, misfire, spread between cylinders) is not trust.
//!
//! The bounds: `low` takes what was found for certain and what cannot be seen for three times as common, `high`
//! takes what was found for a third as likely and what cannot be seen for absent. So a channel in which nothing was
//! found may reach 1, and the less could be tested the further `low` lies below.

pub mod calibration;
pub mod fitted;

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::ops::Range;

use rayon::prelude::*;

use crate::detect::{Detection, Stage, View};
use crate::document::{About, Deduction, Grade, Trust, Verdict};
use crate::flag::Flag;
use crate::lean::Event;
use crate::log::{Channel, Log, Role};
use crate::signal::uncertainty::bootstrap_mean;
use crate::state::{States, bit};

use calibration::{PRIOR_FACTOR, concerns, residual};
use fitted::FAMILIES;

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
            let points = judge.points(&judge.tally(rows)?, Side::Middle);
            Some((rows.clone(), 1.0 - points.values().sum::<f64>()))
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
    let full: Vec<Range<usize>> = state.windows_of(bit::FULL_LOAD).filter(|rows| !rows.is_empty()).collect();
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

/// Probability that one row is out of tolerance by what was found there, and what said so.
#[derive(Clone, Copy)]
struct Doubt {
    detector: &'static str,
    off: f64,
}

/// The worst doubt of every row.
struct Doubts {
    /// Those that were raised, in order.
    raised: Vec<Doubt>,
    /// Per row one more than its place among them, 0 for none; empty until one is raised.
    worst: Vec<u32>,
    rows: usize,
}

impl Doubts {
    const fn none(rows: usize) -> Self {
        Self { raised: Vec::new(), worst: Vec::new(), rows }
    }

    /// Place of the worst doubt of a row among those that were raised.
    fn at(&self, row: usize) -> Option<usize> {
        self.worst.get(row)?.checked_sub(1).map(|place| place as usize)
    }

    fn raise(&mut self, rows: &Range<usize>, doubt: Doubt) {
        self.worst.resize(self.rows, 0);
        self.raised.push(doubt);
        let place = self.raised.len() as u32;
        let end = rows.end.min(self.rows);
        for slot in &mut self.worst[rows.start.min(end)..end] {
            let old = slot.checked_sub(1).and_then(|old| self.raised.get(old as usize));
            if old.is_none_or(|old| doubt.off > old.off) {
                *slot = place;
            }
        }
    }
}

/// From which side a score is looked at.
#[derive(Clone, Copy, PartialEq)]
enum Side {
    Low,
    Middle,
    High,
}

impl Side {
    /// What a finding is worth.
    fn found(self, off: f64) -> f64 {
        match self {
            Self::Low if off >= 0.5 => 1.0,
            Self::Low => scale_odds(off, PRIOR_FACTOR),
            Self::Middle => off,
            Self::High => scale_odds(off, PRIOR_FACTOR.recip()),
        }
    }

    /// What cannot be seen.
    fn unseen(self, prior: f64) -> f64 {
        match self {
            Self::Low => scale_odds(prior, PRIOR_FACTOR),
            Self::Middle => prior,
            Self::High => 0.0,
        }
    }
}

/// Points taken off, by reason; a map with ordered keys, so the order of the output is fixed.
type Points = BTreeMap<&'static str, f64>;

/// All that is needed to judge one channel.
struct Judge<'a> {
    channel: &'a Channel,
    flags: Cow<'a, [Flag]>,
    doubts: Doubts,
    /// Residual probability of an unseen fault where detectors ran.
    tested: f64,
    /// The same in a row that no detector could judge.
    untested: f64,
    blind_names: Vec<&'static str>,
    findings: BTreeMap<&'static str, usize>,
}

impl<'a> Judge<'a> {
    /// * returns null when no scored detector ran on the channel
    fn new(view: &View<'a>, detection: &'a Detection, events: &[Event], index: usize) -> Option<Self> {
        let channel = view.log.channels.get(index)?;
        let flags = detection.flags.get(index)?.all();
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
        let (doubts, findings) = doubts(view, detection, events, index, flags.len());
        Some(Self {
            channel,
            flags,
            doubts,
            tested: families().map(|family| family.prior * residual(family, has)).sum(),
            untested: families().map(|family| family.prior).sum(),
            blind_names: blind.iter().map(|family| family.name).collect(),
            findings,
        })
    }

    /// * returns null when no row that counts holds a judged sample
    fn score(&self, votes: &[Range<usize>], basis: &str) -> Option<Trust> {
        let judged: Vec<&Range<usize>> = votes.iter().filter(|rows| self.was_due(rows)).collect();
        let (mut points, mut evaluated) = (Points::new(), false);
        let (mut lowest, mut highest) = (Vec::with_capacity(judged.len()), Vec::with_capacity(judged.len()));
        // One after the other: a clock full of gaps has a vote for every other row.
        for tally in judged.iter().filter_map(|rows| self.tally(rows)) {
            evaluated |= tally.evaluated() > 0;
            for (name, lost) in self.vote(&tally) {
                *points.entry(name).or_insert(0.0) += lost / judged.len() as f64;
            }
            let share = |side: Side| 1.0 - self.points(&tally, side).values().sum::<f64>();
            lowest.push((share(Side::Low), 1.0));
            highest.push((share(Side::High), 1.0));
        }
        if !evaluated {
            return None;
        }
        let score = (1.0 - points.values().sum::<f64>()).clamp(0.0, 1.0);
        let bounds = |shares: &[(f64, f64)]| {
            let mean = shares.iter().map(|(share, _)| share).sum::<f64>() / shares.len().max(1) as f64;
            let (low, high) = bootstrap_mean(shares, ROUNDS, SEED).unwrap_or((mean, mean));
            (low.min(mean), high.max(mean))
        };
        let (low, _) = bounds(&lowest);
        let (_, high) = bounds(&highest);
        let deductions = self.deductions(&points);
        Some(Trust {
            score: Some(score),
            low: Some(low.max(0.0).min(score)),
            high: Some(high.max(score).min(1.0)),
            grade: Grade::of(Some(score)),
            basis: basis.to_owned(),
            deductions,
        })
    }

    /// Calibrated mean points over the samples of one vote.
    ///
    /// The points shrink or grow in proportion, so that they still add up to what is missing from the score.
    fn vote(&self, tally: &Tally) -> Points {
        let mut points = self.points(tally, Side::Middle);
        let lost: f64 = points.values().sum();
        let curve = fitted::MIXTURE.filter(|_| self.channel.role.is_mixture());
        let (lost, scale) = calibration::calibrate(lost, curve);
        if scale.is_finite() {
            for points in points.values_mut() {
                *points *= scale;
            }
        } else {
            points.insert("baseline", lost);
        }
        points
    }

    /// Whether the channel was due in any row of a vote.
    fn was_due(&self, rows: &Range<usize>) -> bool {
        (rows.start..rows.end.min(self.flags.len())).any(|row| !self.channel.not_sampled(row))
    }

    /// Counts the samples of one vote; null where the channel was not due at all.
    fn tally(&self, rows: &Range<usize>) -> Option<Tally> {
        let mut tally = Tally::default();
        let mut doubted = BTreeMap::<usize, [usize; 2]>::new();
        let flags = self.flags.get(rows.start..rows.end.min(self.flags.len()))?;
        for (row, flag) in rows.clone().zip(flags) {
            if self.channel.not_sampled(row) {
                continue;
            }
            let judged = *flag != Flag::NotEvaluated;
            let counts = if self.channel.missing(row) {
                &mut tally.missing
            } else if let Some(place) = self.doubts.at(row) {
                doubted.entry(place).or_default()
            } else {
                &mut tally.clean
            };
            counts[usize::from(judged)] += 1;
        }
        tally.doubted = doubted.into_iter().collect();
        (tally.samples() > 0).then_some(tally)
    }

    /// Mean points over the samples of one vote, before calibration.
    fn points(&self, tally: &Tally, side: Side) -> Points {
        let unseen = [self.untested, self.tested].map(|prior| side.unseen(prior));
        let mut points = Points::new();
        let mut add = |name, value: f64| *points.entry(name).or_insert(0.0) += value;
        let missing: usize = tally.missing.iter().sum();
        if missing > 0 {
            add("dropout", missing as f64);
        }
        let expected = |counts: &[usize; 2]| counts[0] as f64 * unseen[0] + counts[1] as f64 * unseen[1];
        if tally.clean != [0; 2] {
            add("baseline", expected(&tally.clean));
        }
        for (place, counts) in &tally.doubted {
            let Some(doubt) = self.doubts.raised.get(*place) else { continue };
            let off = side.found(doubt.off);
            add(doubt.detector, off * counts.iter().sum::<usize>() as f64);
            add("baseline", (1.0 - off) * expected(counts));
        }
        let samples = tally.samples() as f64;
        for points in points.values_mut() {
            *points /= samples;
        }
        points
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
            ("dropout", 0) => format!("{share:.1} points: values are missing where they were due"),
            (_, 0) => {
                format!("{share:.1} points: judged a fault of the measurement by the lean-event analysis")
            }
            (_, 1) => format!("{share:.1} points: 1 finding, as far as it covers samples that count"),
            (_, many) => {
                format!("{share:.1} points: {many} findings, as far as they cover samples that count")
            }
        }
    }
}

/// Samples of one vote; each number twice: those that no detector could judge, and those that one judged.
#[derive(Default)]
struct Tally {
    missing: [usize; 2],
    /// Nothing was found there.
    clean: [usize; 2],
    /// By the place of their worst doubt, ascending.
    doubted: Vec<(usize, [usize; 2])>,
}

impl Tally {
    fn all(&self) -> impl Iterator<Item = &[usize; 2]> {
        [&self.missing, &self.clean].into_iter().chain(self.doubted.iter().map(|(_, counts)| counts))
    }

    fn samples(&self) -> usize {
        self.all().flatten().sum()
    }

    fn evaluated(&self) -> usize {
        self.all().map(|[_, judged]| judged).sum()
    }
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
    rows: usize,
) -> (Doubts, BTreeMap<&'static str, usize>) {
    let mut doubts = Doubts::none(rows);
    let mut counts = BTreeMap::new();
    let role = view.log.channels.get(index).map_or(Role::Other, |channel| channel.role);
    let scored = detection
        .places_on(index)
        .filter(|f| f.stage == Stage::Scored)
        // A supply that is truly low is no doubt about its own reading.
        .filter(|f| f.about != About::Condition);
    for finding in scored {
        let off = calibration::finding(role, finding.detector, finding.flag, finding.about);
        *counts.entry(finding.detector).or_insert(0) += 1;
        doubts.raise(&finding.rows, Doubt { detector: finding.detector, off });
    }
    if view.chain.is_some_and(|chain| chain.channel == index) {
        for event in events {
            weigh(event, &mut doubts);
        }
    }
    (doubts, counts)
}

/// A lean event was judged on all evidence: what its posterior gives to faults of the measurement counts where no
/// finding says more.
fn weigh(event: &Event, doubts: &mut Doubts) {
    let artefact: f64 = ARTEFACTS.iter().map(|(cause, _)| share(event, cause)).sum::<f64>().clamp(0.0, 1.0);
    let detector = ARTEFACTS
        .iter()
        .max_by(|a, b| share(event, a.0).total_cmp(&share(event, b.0)).then_with(|| b.0.cmp(a.0)))
        .map_or("baseline", |(_, detector)| detector);
    let called = event.record.verdict == Verdict::Artefact;
    let off = if called { artefact.max(calibration::ARTEFACT_OFF) } else { artefact };
    doubts.raise(&event.rows, Doubt { detector, off });
}

fn share(event: &Event, cause: &str) -> f64 {
    event.record.posterior.get(cause).unwrap_or(0.0)
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

#[cfg(test)]
mod tests;
