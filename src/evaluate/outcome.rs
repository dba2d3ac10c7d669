//! One simulated log, written, read, audited and set beside its truth.

use std::collections::BTreeMap;
use std::ops::Range;

use super::matching::{Fate, Over, Tolerance, fate, over};
use super::suite::{Load, Plan, plan};
use super::unnamed::{self, Asked};
use super::verdicts::is_danger;
use crate::audit::{Audited, audit};
use crate::detect::{self, Detection, Stage, View, place};
use crate::document::{About, Audit, Decision, LeanEvent, TreatAs, Verdict};
use crate::flag::Flag;
use crate::lean;
use crate::log::{Channel, Estimate, Log, Role};
use crate::read::{self, ReadOptions};
use crate::rig::{self, Rig};
use crate::signal::response::apparent;
use crate::simulate::{self, Apart, FaultKind, LinkKind, Machine, Place, Run, Sight, Span, TruthEvent};
use crate::trust;

/// One piece of evidence of a judged event.
#[derive(Clone, Debug)]
pub struct Weighed {
    /// Its name.
    pub name: String,
    /// Whether the test had power.
    pub evaluated: bool,
    /// Stated log10 likelihood ratio.
    pub log10_lr: f64,
    /// Causes it speaks for or against.
    pub favours: Vec<String>,
}

/// A lean event as the audit judged it.
#[derive(Clone, Debug)]
pub struct Judged {
    /// First sample, s.
    pub start_s: f64,
    /// Last sample, s.
    pub end_s: f64,
    /// Verdict.
    pub verdict: Verdict,
    /// Cause.
    pub cause: String,
    /// How to treat it.
    pub treat_as: TreatAs,
    /// Operating context.
    pub context: String,
    /// Highest reading, lambda.
    pub peak_lambda: f64,
    /// Evidence.
    pub evidence: Vec<Weighed>,
}

/// Trust in one channel beside what its samples were.
#[derive(Clone, Debug)]
pub struct TrustFact {
    /// What the channel measures.
    pub role: Role,
    /// Stated trust; null when nothing could be tested.
    pub score: Option<f64>,
    /// Stated bounds.
    pub bounds: (f64, f64),
    /// Share of the samples that count within tolerance of those of a healthy chain, windows voting.
    pub good: f64,
    /// Per vote: probability before calibration, and share of good samples.
    pub votes: Vec<(f64, f64)>,
    /// Whether any sample of the log was not.
    pub faulty: bool,
    /// Per kind of finding: what the samples that count under it were.
    pub under: Vec<Under>,
    /// Scored detectors that ran on the channel or on the whole log.
    pub ran: Vec<&'static str>,
    /// Share of the samples that count that were off, by the set of detectors that found a fault there (bits in the
    /// order of [`detect::ALL`]); adds up to what is missing from `good`.
    pub seen: Vec<(u32, f64)>,
}

#[cfg(test)]
impl TrustFact {
    /// A sound mixture channel of which nothing is known.
    pub(super) fn of_nothing() -> Self {
        Self {
            role: Role::Lambda,
            score: None,
            bounds: (0.0, 1.0),
            good: 1.0,
            votes: Vec::new(),
            faulty: false,
            under: Vec::new(),
            ran: Vec::new(),
            seen: Vec::new(),
        }
    }
}

/// What the samples under one kind of finding were in one log.
#[derive(Clone, Copy, Debug)]
pub struct Under {
    /// Detector.
    pub detector: &'static str,
    /// Flag.
    pub flag: Flag,
    /// What the findings say.
    pub about: About,
    /// Share out of tolerance.
    pub off: f64,
    /// The same of all other samples that count; null where there are none.
    pub elsewhere: Option<f64>,
}

/// A time constant from the log beside the true one.
#[derive(Clone, Copy, Debug)]
pub struct TauFact {
    /// Gas getting leaner; else richer.
    pub to_lean: bool,
    /// Measured, and its 95 % interval, s; null where the log was found unable to tell.
    pub measured: Option<Estimate>,
    /// Sensor alone, s.
    pub sensor_s: f64,
    /// First-order response that sensor, mixing of the gas and averaging of the controller look like together, s: what
    /// a log can show.
    pub chain_s: f64,
}

/// A finding.
#[derive(Clone, Debug)]
pub struct Found {
    /// Detector.
    pub detector: &'static str,
    /// What its channel measures; null for the whole log.
    pub role: Option<Role>,
    /// From when to when, s.
    pub time: Range<f64>,
    /// What it says about the samples.
    pub about: About,
}

/// What one log came to.
#[derive(Clone, Debug)]
pub struct Outcome {
    /// Its seed.
    pub seed: u64,
    /// What was driven.
    pub machine: Machine,
    /// Rows per second.
    pub rate_hz: f64,
    /// Set of channels.
    pub channel_set: &'static str,
    /// Whether the log knows the load: throttle or manifold pressure. Without it nothing but a rich level left
    /// tells a lean reading from a normal one.
    pub knows_load: bool,
    /// Voltage or frames.
    pub link: LinkKind,
    /// Between two fresh readings, s.
    pub fresh_s: f64,
    /// Lean end stop, lambda.
    pub clip_lean: f64,
    /// How many faults.
    pub load: Load,
    /// Kinds of the faults with their times.
    pub faults: Vec<(FaultKind, Range<f64>)>,
    /// Length, s.
    pub duration_s: f64,
    /// When the sensor was ready, s.
    pub ready_s: f64,
    /// What happened.
    pub truth: Vec<TruthEvent>,
    /// When a cylinder burnt too lean under load.
    pub hazards: Vec<Span>,
    /// When the mixture reading was off, s.
    pub off: Vec<Range<f64>>,
    /// Other channels with a reading that was off.
    pub off_beside: Vec<Role>,
    /// What the audit said.
    pub events: Vec<Judged>,
    /// How far a reading may lie behind its gas.
    pub tolerance: Tolerance,
    /// Findings of scored detectors.
    pub findings: Vec<Found>,
    /// Detectors that ran on at least one channel.
    pub ran: Vec<&'static str>,
    /// Trust per channel.
    pub trust: Vec<TrustFact>,
    /// Time constants.
    pub taus: Vec<TauFact>,
    /// Whether the gate opened, by the ready policy `next_step`.
    pub open: bool,
    /// What the log shows of dangers that were dismissed, or that no event meets though it knows the load: place among
    /// `truth`, and the sight.
    pub sights: Vec<(usize, Sight)>,
    /// How near the log of a danger comes to each event over nothing that is treated as one, where the log knows the load;
    /// events with no gas burnt under load beside them are left out.
    pub alarms: Vec<Apart>,
    /// Artefacts, cuts and misfires that physics can tell: what stands in the way of a name, of all that have none and some that
    /// have.
    pub unnamed: Vec<Asked>,
    /// Why the log could not be audited; null when it could.
    pub failed: Option<String>,
}

/// The log of a plan: the plan, and the run with truth.
pub fn run_plan(plan: Plan) -> (Plan, Run) {
    let run = simulate::run(&plan.scenario);
    (plan, run)
}

/// What a careful user knows of the machine: limit, cylinders and fuel.
pub fn rig_of(plan: &Plan) -> Rig {
    Rig {
        full_load_lambda_max: plan.scenario.lean_limit,
        cylinders: Some(plan.scenario.engine.cylinders),
        stoich_afr: plan.scenario.fuel.stoich_afr,
        ..Rig::default()
    }
}

/// The log of a run as the reader sees it.
///
/// # Errors
/// Why it could not be read.
pub fn read_back(run: &Run, rig: &Rig) -> Result<Log, String> {
    let table = read::from_bytes("run.csv", &run.text(), &ReadOptions::default())
        .map_err(|error| error.to_string())?;
    rig::assemble(table, rig).map_err(|error| error.to_string())
}

/// Simulates, writes, reads and audits the log of a seed.
pub fn judge(seed: u64) -> Outcome {
    judge_plan(seed, plan(seed))
}

/// The same for a plan of another study.
pub fn judge_plan(seed: u64, plan: Plan) -> Outcome {
    let (plan, run) = run_plan(plan);
    let rig = rig_of(&plan);
    let mut outcome = empty(seed, &plan, &run);
    match read_back(&run, &rig) {
        Err(why) => outcome.failed = Some(why),
        Ok(log) => {
            let audited = audit(&log, &rig);
            outcome.events = audited.document.lean_events.iter().map(judged).collect();
            outcome.findings = findings(&log, &audited);
            outcome.ran = ran(&audited);
            outcome.trust = trust_facts(&log, &audited, &run, &rig);
            outcome.taus = taus(&audited.document, &run);
            outcome.open = audited.document.gate.decision == Decision::Open;
            outcome.failed = audited.document.lean_not_evaluated;
            outcome.sights = sights(&outcome, &run);
            outcome.alarms = alarms(&outcome, &run);
            outcome.unnamed = unnamed::measure(&outcome, &run);
        }
    }
    outcome
}

fn sights(outcome: &Outcome, run: &Run) -> Vec<(usize, Sight)> {
    let dangers = outcome.truth.iter().enumerate().filter(|(_, truth)| is_danger(truth));
    let overlooked = dangers.filter(|(_, truth)| {
        let fate = fate(outcome, truth);
        fate.dangerous() || fate == Fate::Missed && outcome.knows_load
    });
    overlooked.map(|(index, truth)| (index, simulate::sight(run, truth))).collect()
}

fn alarms(outcome: &Outcome, run: &Run) -> Vec<Apart> {
    let alarms = outcome.events.iter().filter(|event| {
        outcome.knows_load && event.treat_as == TreatAs::Hazard && over(outcome, event) == Over::Nothing
    });
    alarms.filter_map(|event| simulate::dangerous(run, event.start_s, event.end_s)).collect()
}

fn empty(seed: u64, plan: &Plan, run: &Run) -> Outcome {
    let scenario = &plan.scenario;
    let off = run.truth.channels.iter().find(|channel| channel.role == Role::Lambda);
    let at =
        |row: usize| run.rows.time_s.get(row).or(run.rows.time_s.last()).copied().unwrap_or(f64::INFINITY);
    Outcome {
        seed,
        machine: scenario.engine.machine,
        rate_hz: plan.rate_hz,
        channel_set: plan.channel_set,
        knows_load: [Role::Throttle, Role::ManifoldPressure]
            .iter()
            .any(|role| scenario.logger.channels.contains(role)),
        link: scenario.link.kind,
        fresh_s: scenario.fresh_period_s(),
        clip_lean: scenario.link.clip_lean,
        load: plan.load,
        faults: scenario
            .faults
            .iter()
            .map(|fault| (fault.kind, fault.start_s..fault.start_s + fault.duration_s))
            .collect(),
        duration_s: scenario.duration_s(),
        ready_s: scenario.sensor.warm_up_s,
        truth: run.truth.events.clone(),
        hazards: run.truth.hazards.clone(),
        off: off.map_or_else(Vec::new, |channel| {
            channel.off.iter().map(|[start, end]| at(*start)..at(end.saturating_sub(1))).collect()
        }),
        off_beside: run
            .truth
            .channels
            .iter()
            .filter(|channel| channel.role != Role::Lambda && !channel.off.is_empty())
            .map(|channel| channel.role)
            .collect(),
        events: Vec::new(),
        tolerance: Tolerance::of(scenario, &run.truth),
        findings: Vec::new(),
        ran: Vec::new(),
        trust: Vec::new(),
        taus: Vec::new(),
        open: false,
        sights: Vec::new(),
        alarms: Vec::new(),
        unnamed: Vec::new(),
        failed: None,
    }
}

fn judged(event: &LeanEvent) -> Judged {
    Judged {
        start_s: event.start_s,
        end_s: event.end_s,
        verdict: event.verdict,
        cause: event.cause.to_string(),
        treat_as: event.treat_as,
        context: event.context.to_string(),
        peak_lambda: event.peak_lambda,
        evidence: event
            .evidence
            .iter()
            .map(|evidence| Weighed {
                name: evidence.name.to_string(),
                evaluated: evidence.evaluated,
                log10_lr: evidence.log10_lr,
                favours: evidence.favours.iter().map(ToString::to_string).collect(),
            })
            .collect(),
    }
}

fn findings(log: &Log, audited: &Audited) -> Vec<Found> {
    let at = |row: usize| log.clock.time_s.get(row).copied().unwrap_or(f64::INFINITY);
    audited
        .detection
        .places()
        .filter(|finding| finding.stage == Stage::Scored)
        .map(|finding| {
            let last = finding.rows.end.saturating_sub(1).max(finding.rows.start);
            let channel = finding.channel.and_then(|index| log.channels.get(index));
            Found {
                detector: finding.detector,
                role: channel.map(|channel| channel.role),
                time: at(finding.rows.start)..at(last),
                about: finding.about,
            }
        })
        .collect()
}

fn ran(audited: &Audited) -> Vec<&'static str> {
    let mut names: Vec<&'static str> =
        audited.detection.records.iter().filter(|record| record.ran).map(|record| record.detector).collect();
    names.sort_unstable();
    names.dedup();
    names
}

/// Values of a healthy chain in the inside unit of a channel, row by row; null where rows do not correspond.
pub fn healthy_values(channel: &Channel, run: &Run) -> Option<Vec<f64>> {
    // The first column of the text is the time.
    let column = run.healthy_rows.columns.get(channel.column.checked_sub(1)?)?;
    let same = column.role == channel.role || (column.role == Role::Lambda && channel.role.is_mixture());
    (same && column.values.len() == channel.rows())
        .then(|| column.values.iter().map(|value| channel.unit.to_si(*value) * channel.scale).collect())
}

/// Whether each row is within the tolerance of trust of what a healthy chain would have logged; null where that
/// cannot be said (a row in which the channel was not due).
pub fn within(channel: &Channel, healthy: &[f64]) -> Vec<Option<bool>> {
    let largest =
        healthy.iter().copied().filter(|v| v.is_finite()).fold(0.0, |most: f64, v| most.max(v.abs()));
    let Some(tolerance) = trust::calibration::Tolerance::of(channel.role, largest) else { return Vec::new() };
    channel
        .values()
        .iter()
        .zip(healthy)
        .enumerate()
        .map(|(row, (logged, healthy))| match (logged.is_finite(), healthy.is_finite()) {
            (_, false) => None,
            (false, true) if channel.not_sampled(row) => None,
            (false, true) => Some(false),
            (true, true) => Some((logged - healthy).abs() <= tolerance.at(*healthy) + 1e-9),
        })
        .collect()
}

fn trust_facts(log: &Log, audited: &Audited, run: &Run, rig: &Rig) -> Vec<TrustFact> {
    let view =
        View { log, state: &audited.state, rig, chain: audited.chain.as_ref(), findings: &[], rest: &[] };
    let events = lean::judge(&view, &audited.detection).unwrap_or_default();
    let raw = trust::before_calibration(&view, &audited.detection, &events);
    let mut facts = Vec::new();
    for (index, raw) in raw.into_iter().enumerate() {
        let (Some(channel), Some(described)) =
            (log.channels.get(index), audited.document.channels.get(index))
        else {
            break;
        };
        let Some(healthy) = healthy_values(channel, run) else { continue };
        let within = within(channel, &healthy);
        let votes: Vec<(f64, f64)> =
            raw.iter().filter_map(|(rows, p)| Some((*p, share_good(&within, rows)?))).collect();
        let (_, all) = trust::votes(log, &audited.state);
        let shares: Vec<f64> = all.iter().filter_map(|rows| share_good(&within, rows)).collect();
        if shares.is_empty() {
            continue;
        }
        let trust = &described.trust;
        facts.push(TrustFact {
            role: channel.role,
            score: trust.score,
            bounds: (trust.low.unwrap_or(0.0), trust.high.unwrap_or(1.0)),
            good: shares.iter().sum::<f64>() / shares.len() as f64,
            votes,
            faulty: within.contains(&Some(false)),
            under: under(&audited.detection, index, &within, &all),
            ran: ran_on(&audited.detection, index),
            seen: seen(&audited.detection, index, &within, &all),
        });
    }
    facts
}

fn ran_on(detection: &Detection, index: usize) -> Vec<&'static str> {
    let records = detection.records.iter().filter(|record| record.ran && record.stage == Stage::Scored);
    records
        .filter(|record| record.channel.is_none_or(|channel| channel == index))
        .map(|r| r.detector)
        .collect()
}

/// Scored findings on a channel that may be about its readings.
fn scored(detection: &Detection, index: usize) -> impl Iterator<Item = place::Place> {
    detection.places_on(index).filter(|place| place.stage == Stage::Scored && place.about != About::Condition)
}

/// What the samples that count were under each kind of finding on a channel.
fn under(detection: &Detection, index: usize, within: &[Option<bool>], votes: &[Range<usize>]) -> Vec<Under> {
    let judged = |rows: Range<usize>| within.get(rows).into_iter().flatten().flatten();
    let count = |rows: Range<usize>| {
        judged(rows).fold((0_usize, 0_usize), |(off, all), good| (off + usize::from(!good), all + 1))
    };
    let total = votes.iter().map(|vote| count(vote.clone())).fold((0, 0), |a, b| (a.0 + b.0, a.1 + b.1));
    let mut counts: BTreeMap<(&'static str, u8, u8), (Under, usize, usize)> = BTreeMap::new();
    for finding in scored(detection, index) {
        let key = (finding.detector, finding.flag.code(), u8::from(finding.about == About::Limit));
        let new = Under {
            detector: finding.detector,
            flag: finding.flag,
            about: finding.about,
            off: f64::NAN,
            elsewhere: None,
        };
        let (_, off, all) = counts.entry(key).or_insert((new, 0, 0));
        for vote in votes {
            let (here_off, here_all) =
                count(vote.start.max(finding.rows.start)..vote.end.min(finding.rows.end));
            *off += here_off;
            *all += here_all;
        }
    }
    let share = |off: usize, all: usize| (all > 0).then(|| off as f64 / all as f64);
    let of_kind = |(kind, off, all): (Under, usize, usize)| {
        let elsewhere = share(total.0.saturating_sub(off), total.1.saturating_sub(all));
        Some(Under { off: share(off, all)?, elsewhere, ..kind })
    };
    counts.into_values().filter_map(of_kind).collect()
}

/// Shares of samples that were off, by the detectors that found a fault there; every vote has the same say.
fn seen(
    detection: &Detection,
    index: usize,
    within: &[Option<bool>],
    votes: &[Range<usize>],
) -> Vec<(u32, f64)> {
    let mut by = vec![0_u32; within.len()];
    for finding in scored(detection, index).filter(|finding| finding.about == About::Fault) {
        let bit = detect::ALL.iter().position(|detector| detector.meta().name == finding.detector);
        let rows = finding.rows.start..finding.rows.end.min(by.len());
        for slot in by.get_mut(rows).unwrap_or_default() {
            *slot |= bit.map_or(0, |bit| 1 << bit);
        }
    }
    let judged =
        |vote: &Range<usize>| vote.clone().filter(|row| within.get(*row).is_some_and(Option::is_some));
    let counted: Vec<(&Range<usize>, usize)> =
        votes.iter().map(|vote| (vote, judged(vote).count())).filter(|(_, count)| *count > 0).collect();
    let mut shares: BTreeMap<u32, f64> = BTreeMap::new();
    for (vote, count) in &counted {
        for row in judged(vote).filter(|row| within[*row] == Some(false)) {
            *shares.entry(by[row]).or_insert(0.0) += 1.0 / (counted.len() * count) as f64;
        }
    }
    shares.into_iter().collect()
}

fn share_good(within: &[Option<bool>], rows: &Range<usize>) -> Option<f64> {
    let judged: Vec<bool> = within.get(rows.clone())?.iter().flatten().copied().collect();
    (!judged.is_empty()).then(|| judged.iter().filter(|good| **good).count() as f64 / judged.len() as f64)
}

fn taus(document: &Audit, run: &Run) -> Vec<TauFact> {
    let scenario = &run.scenario;
    let beside = [scenario.exhaust.mixing_s, scenario.link.averaging_s];
    document
        .sensor_health
        .iter()
        .filter(|metric| metric.metric == "time_constant")
        .map(|metric| {
            let to_lean = metric.direction.as_deref() == Some("rich_to_lean");
            let sensor_s = if to_lean { run.truth.tau_rich_to_lean_s } else { run.truth.tau_lean_to_rich_s };
            let measured = metric.value.zip(metric.low.zip(metric.high));
            TauFact {
                to_lean,
                measured: measured.map(|(value, (low, high))| Estimate { value, low, high }),
                sensor_s,
                chain_s: apparent([sensor_s, beside[0], beside[1]]),
            }
        })
        .collect()
}

/// Whether a fault of a kind acts on the chain of the mixture reading.
pub const fn of_the_chain(kind: FaultKind) -> bool {
    matches!(kind.meta().place, Place::Chain | Place::Both)
}
