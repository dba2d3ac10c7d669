//! Lean events against truth: what was missed, dismissed, found, named, invented.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::matching::{Fate, Over, fate, main_event, main_truth, of_gas, over, overlap_s};
use super::outcome::{Judged, Outcome};
use super::proofs::{self, ProofRow};
use super::suite::Load;
use super::unnamed::{self, UnnamedRow};
use crate::document::{TreatAs, Verdict};
use crate::signal::calibration::wilson;
use crate::simulate::TruthEvent;

/// A share with its Wilson 95 % interval.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Share {
    /// Events.
    pub count: usize,
    /// Trials.
    pub of: usize,
    /// Share; null without a trial.
    pub share: Option<f64>,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

impl Share {
    /// A share of a number of trials.
    pub fn of(count: usize, of: usize) -> Self {
        let (low, high) = wilson(count, of);
        let share = (of > 0).then(|| count as f64 / of as f64);
        Self { count, of, share, low, high }
    }
}

/// Dangers of one group of logs.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Danger {
    /// Dangers whose every overlapping event was called benign or not measured.
    pub dismissed: Share,
    /// Of these, how many lay beside a true event of the kind they were called; they count all the same.
    pub dismissed_beside: usize,
    /// Dangers found, but with more time called benign or not measured than treated as a danger.
    pub found_in_part: usize,
    /// Dangers that read lean and met no event.
    pub missed: Share,
    /// The same in logs that know the load (throttle or manifold pressure), where a limit can be set.
    pub missed_knowing_load: Share,
}

/// One true cause.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct CauseRow {
    /// Events that read lean.
    pub events: usize,
    /// Of these, met by no event.
    pub missed: usize,
    /// Of these, decidable by physics.
    pub decidable: usize,
    /// Decidable and met by an event.
    pub judged: usize,
    /// Of these, with the right cause.
    pub cause_right: usize,
    /// With the right treatment.
    pub treated_right: usize,
    /// Called undetermined.
    pub undetermined: usize,
    /// What the judged decidable ones were called.
    pub called: BTreeMap<String, usize>,
}

/// Events where nothing happened.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Extra {
    /// Hours of log.
    pub hours: f64,
    /// Events over nothing, per hour, whatever they were called.
    pub per_hour: f64,
    /// How many.
    pub count: usize,
    /// Of these, treated as a danger.
    pub hazard: usize,
    /// By operating context and cause.
    pub kinds: BTreeMap<String, usize>,
    /// Not counted: before the sensor was ready and called not measured.
    pub warm_up: usize,
    /// Not counted: over a fault of the chain that has no cause of its own among lean events.
    pub over_fault: usize,
    /// Seeds of the first of them.
    pub seeds: Vec<u64>,
    /// Of the events, those in logs that know the load (throttle or manifold pressure), per hour of such logs.
    pub per_hour_knowing_load: f64,
    /// Those of them that are treated as a danger, beside the log of one.
    #[serde(default)]
    pub near: NearRow,
}

/// Events over nothing that are treated as a danger, in logs that know the load, and how near the log of a danger comes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct NearRow {
    /// How many.
    pub count: usize,
    /// Of these, whose rows are apart from those of the log of a danger by less than [`SIGHT_SIGMA`], where the moment of the
    /// gas is known to a row only, and the sensor's response to the spread of healthy ones.
    pub unseen: usize,
    /// Of these, no reading of which is further than [`SIGHT_LAMBDA`] from those of that log.
    pub alike: usize,
}

/// Dangers of one cause that were overlooked, and how far the log shows them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct SightRow {
    /// How many.
    pub count: usize,
    /// Of these, with a reading beyond the limit that the same log without the danger does not have.
    pub reads: usize,
    /// Of these, whose rows differ from those without the danger by less than [`SIGHT_SIGMA`]: nobody can tell them.
    pub unseen: usize,
    /// Of these, no reading of which is further than [`SIGHT_LAMBDA`] from those of a harmless log, where the moment of the
    /// gas is known to a row only, and the sensor's response to the spread of healthy ones.
    pub alike: usize,
}

/// Deviations between the rows with a danger and without it from which on one of them could be told from the other: by
/// noise alone one in 160 openings would pass for a danger.
pub const SIGHT_SIGMA: f64 = 2.5;

/// Readings that differ by no more are the same for trust, lambda (its tolerance).
pub const SIGHT_LAMBDA: f64 = 0.02;

/// A case that a person must look at.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Case {
    /// Seed of the log.
    pub seed: u64,
    /// Log in a few words.
    pub log: String,
    /// True event.
    pub truth: String,
    /// What the audit said.
    pub called: String,
}

/// Everything about lean events.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Verdicts {
    /// True lean events that read lean.
    pub episodes: usize,
    /// Events of the audit.
    pub events: usize,
    /// Dangers of all logs: a cylinder burnt too lean under load for three cycles, or missed under load.
    pub danger: Danger,
    /// These, and lean gas of an engine fault that was shorter or without load.
    pub danger_or_lesser: Danger,
    /// Dangers that a fault of the chain hides: nothing in the log reads lean.
    pub hidden_dangers: usize,
    /// By set of channels.
    pub by_channel_set: BTreeMap<String, Danger>,
    /// By rate, Hz.
    pub by_rate: BTreeMap<String, Danger>,
    /// By machine.
    pub by_machine: BTreeMap<String, Danger>,
    /// By link and end stop.
    pub by_chain: BTreeMap<String, Danger>,
    /// By number of faults.
    pub by_load: BTreeMap<String, Danger>,
    /// Dangers met by no event in logs that know the load, by true cause.
    #[serde(default)]
    pub missed_by_cause: BTreeMap<String, SightRow>,
    /// Dangers dismissed, by true cause.
    #[serde(default)]
    pub dismissed_by_cause: BTreeMap<String, SightRow>,
    /// Artefacts, cuts and misfires that physics can tell, those that were not named, and why, by true cause.
    #[serde(default)]
    pub unnamed_by_cause: BTreeMap<String, UnnamedRow>,
    /// By true cause.
    pub causes: BTreeMap<String, CauseRow>,
    /// Decidable artefacts called artefact.
    pub artefact: Share,
    /// Decidable cuts called benign.
    pub benign: Share,
    /// Artefacts again, without those not so called whose event also holds gas of a danger: naming it would dismiss the
    /// danger.
    #[serde(default)]
    pub artefact_apart: Share,
    /// The same of cuts.
    #[serde(default)]
    pub benign_apart: Share,
    /// Decidable misfire called misfire.
    pub misfire: Share,
    /// Decidable dilution called dilution.
    pub dilution: Share,
    /// Decidable real causes called real.
    pub real: Share,
    /// Decidable and judged events with the right cause.
    pub cause: Share,
    /// Decidable and judged events called undetermined.
    pub undetermined: Share,
    /// The same by set of channels.
    pub undetermined_by_channel_set: BTreeMap<String, Share>,
    /// Right causes among those that nothing stands in the way of, see [`UnnamedRow`].
    #[serde(default)]
    pub cause_unobstructed: Share,
    /// Of the same, those called undetermined.
    #[serde(default)]
    pub undetermined_unobstructed: Share,
    /// What speaks for artefacts over dangers that are none.
    #[serde(default)]
    pub proofs: ProofRow,
    /// Extra events on all logs.
    pub extra: Extra,
    /// Extra events on logs without a fault.
    pub extra_fault_free: Extra,
    /// Cuts of fault-free logs that were treated as a danger, per hour.
    pub false_dangers_fault_free_per_hour: f64,
    /// Dangers dismissed, first ones.
    pub dangerous_cases: Vec<Case>,
    /// Dangers that no event meets, first ones.
    pub missed_cases: Vec<Case>,
    /// Decidable events called wrongly, first ones of each pair of causes.
    pub wrong_cases: Vec<Case>,
}

/// Judges a list of outcomes.
pub fn tabulate(outcomes: &[Outcome]) -> Verdicts {
    let mut table = Verdicts {
        danger: danger(outcomes.iter(), is_danger),
        danger_or_lesser: danger(outcomes.iter(), is_lesser),
        by_channel_set: grouped(outcomes, |outcome| outcome.channel_set.to_owned()),
        by_rate: grouped(outcomes, |outcome| format!("{:>3} Hz", outcome.rate_hz)),
        by_machine: grouped(outcomes, |outcome| outcome.machine.name().to_owned()),
        by_chain: grouped(outcomes, |outcome| {
            let stop = if outcome.clip_lean < 1.7 { "clips below 1.7" } else { "clips above 1.7" };
            format!("{:?} link, {stop}", outcome.link).to_lowercase()
        }),
        by_load: grouped(outcomes, |outcome| {
            match outcome.load {
                Load::FaultFree => "no fault",
                Load::Single => "one fault",
                Load::Pair => "two faults",
            }
            .to_owned()
        }),
        missed_by_cause: sight_rows(outcomes, |fate| fate == Fate::Missed),
        dismissed_by_cause: sight_rows(outcomes, Fate::dangerous),
        unnamed_by_cause: unnamed::tabulate(outcomes),
        causes: causes(outcomes),
        proofs: proofs::tabulate(outcomes),
        extra: extra(outcomes.iter()),
        extra_fault_free: extra(outcomes.iter().filter(|outcome| outcome.load == Load::FaultFree)),
        ..Verdicts::default()
    };
    table.episodes = outcomes.iter().flat_map(|o| &o.truth).filter(|truth| truth.reads_lean).count();
    table.events = outcomes.iter().map(|outcome| outcome.events.len()).sum();
    table.hidden_dangers = outcomes
        .iter()
        .flat_map(|outcome| &outcome.truth)
        .filter(|truth| truth.treat_as == TreatAs::Hazard && !truth.reads_lean && truth.hidden_by.is_some())
        .count();
    recall(outcomes, &mut table);
    table.undetermined_by_channel_set = undetermined_by(outcomes);
    let free = || outcomes.iter().filter(|outcome| outcome.load == Load::FaultFree);
    let false_dangers = free()
        .flat_map(|outcome| outcome.truth.iter().map(move |truth| (outcome, truth)))
        .filter(|(outcome, truth)| {
            truth.treat_as == TreatAs::Benign
                && main_event(outcome, truth).is_some_and(|event| event.treat_as == TreatAs::Hazard)
        })
        .count();
    table.false_dangers_fault_free_per_hour =
        false_dangers as f64 / (free().map(|outcome| outcome.duration_s).sum::<f64>() / 3600.0).max(1e-9);
    table.dangerous_cases = danger_cases(outcomes, Fate::dangerous);
    table.missed_cases = danger_cases(outcomes, |fate| fate == Fate::Missed);
    table.wrong_cases = wrong_cases(outcomes);
    table
}

/// True dangers that the log shows: a cylinder lean under load for three cycles, or misfire under load.
pub(super) fn is_danger(truth: &TruthEvent) -> bool {
    is_lesser(truth) && (truth.hazard || (truth.cause == "misfire" && truth.loaded))
}

/// The same, and what an engine fault did for a moment or without load.
fn is_lesser(truth: &TruthEvent) -> bool {
    truth.treat_as == TreatAs::Hazard && truth.reads_lean
}

/// Dangers that the logs show, and what became of them.
pub(super) fn dangers<'a>(outcomes: impl Iterator<Item = &'a Outcome>) -> Danger {
    danger(outcomes, is_danger)
}

fn danger<'a>(outcomes: impl Iterator<Item = &'a Outcome>, counts: impl Fn(&TruthEvent) -> bool) -> Danger {
    let (mut all, mut dismissed, mut missed) = (0, 0, 0);
    let (mut knowing, mut missed_knowing) = (0, 0);
    let mut danger = Danger::default();
    for outcome in outcomes {
        for truth in outcome.truth.iter().filter(|truth| counts(truth)) {
            all += 1;
            knowing += usize::from(outcome.knows_load);
            match fate(outcome, truth) {
                Fate::Found => {}
                Fate::FoundInPart => danger.found_in_part += 1,
                Fate::Missed => {
                    missed += 1;
                    missed_knowing += usize::from(outcome.knows_load);
                }
                Fate::Dismissed => dismissed += 1,
                Fate::DismissedBeside => {
                    dismissed += 1;
                    danger.dismissed_beside += 1;
                }
            }
        }
    }
    danger.dismissed = Share::of(dismissed, all);
    danger.missed = Share::of(missed, all);
    danger.missed_knowing_load = Share::of(missed_knowing, knowing);
    danger
}

fn grouped(outcomes: &[Outcome], key: impl Fn(&Outcome) -> String) -> BTreeMap<String, Danger> {
    let mut groups: BTreeMap<String, Vec<&Outcome>> = BTreeMap::new();
    for outcome in outcomes {
        groups.entry(key(outcome)).or_default().push(outcome);
    }
    groups.into_iter().map(|(name, group)| (name, danger(group.into_iter(), is_danger))).collect()
}

fn sight_rows(outcomes: &[Outcome], of: impl Fn(Fate) -> bool) -> BTreeMap<String, SightRow> {
    let mut rows: BTreeMap<String, SightRow> = BTreeMap::new();
    for outcome in outcomes {
        for (index, sight) in &outcome.sights {
            let Some(truth) = outcome.truth.get(*index).filter(|truth| of(fate(outcome, truth))) else {
                continue;
            };
            let row = rows.entry(truth.cause.clone()).or_default();
            row.count += 1;
            row.reads += usize::from(sight.reads);
            row.unseen += usize::from(sight.known_sigma < SIGHT_SIGMA);
            row.alike += usize::from(sight.doubt_lambda <= SIGHT_LAMBDA);
        }
    }
    rows
}

/// Whether a verdict names the true cause.
pub(super) fn names(event: &Judged, truth: &TruthEvent) -> bool {
    event.cause == truth.cause || truth.also.contains(&event.cause)
}

fn causes(outcomes: &[Outcome]) -> BTreeMap<String, CauseRow> {
    let mut rows: BTreeMap<String, CauseRow> = BTreeMap::new();
    for outcome in outcomes {
        for truth in outcome.truth.iter().filter(|truth| truth.reads_lean) {
            let row = rows.entry(truth.cause.clone()).or_default();
            row.events += 1;
            let event = main_event(outcome, truth);
            row.missed += usize::from(event.is_none());
            row.decidable += usize::from(truth.decidable);
            if let Some(event) = event.filter(|_| truth.decidable) {
                row.judged += 1;
                row.cause_right += usize::from(names(event, truth));
                row.treated_right += usize::from(event.treat_as == truth.treat_as);
                row.undetermined += usize::from(event.verdict == Verdict::Undetermined);
                *row.called.entry(event.cause.clone()).or_insert(0) += 1;
            }
        }
    }
    rows
}

/// Whether a judged event lies over gas of a danger itself, not only over what the sensor shows of it later.
pub(super) fn holds_danger(outcome: &Outcome, event: &Judged) -> bool {
    let inside = |truth: &&TruthEvent| event.start_s <= truth.end_s && truth.start_s <= event.end_s;
    outcome.truth.iter().filter(|truth| is_danger(truth)).any(|truth| inside(&truth))
}

/// Recall per class over decidable events; one that no event meets counts as not recalled.
fn recall(outcomes: &[Outcome], table: &mut Verdicts) {
    let decidable = || {
        outcomes
            .iter()
            .flat_map(|outcome| outcome.truth.iter().map(move |truth| (outcome, truth)))
            .filter(|(_, truth)| truth.reads_lean && truth.decidable)
    };
    let shares = |class: &dyn Fn(&TruthEvent) -> bool, right: &dyn Fn(&Judged, &TruthEvent) -> bool| {
        let (mut all, mut named, mut beside_danger) = (0, 0, 0);
        for (outcome, truth) in decidable().filter(|(_, truth)| class(truth)) {
            all += 1;
            let event = main_event(outcome, truth);
            if event.is_some_and(|event| right(event, truth)) {
                named += 1;
            } else if event.is_some_and(|event| holds_danger(outcome, event)) {
                beside_danger += 1;
            }
        }
        (Share::of(named, all), Share::of(named, all - beside_danger))
    };
    let share = |class: &dyn Fn(&TruthEvent) -> bool, right: &dyn Fn(&Judged, &TruthEvent) -> bool| {
        shares(class, right).0
    };
    let cause = |name: &'static str| move |truth: &TruthEvent| truth.cause == name;
    let artefact = |event: &Judged, _: &TruthEvent| event.verdict == Verdict::Artefact;
    (table.artefact, table.artefact_apart) = shares(&|truth| !of_gas(truth), &artefact);
    (table.benign, table.benign_apart) =
        shares(&|truth| truth.treat_as == TreatAs::Benign, &|event, _| event.treat_as == TreatAs::Benign);
    table.misfire = share(&cause("misfire"), &|event, _| event.verdict == Verdict::Misfire);
    table.dilution = share(&cause("air_ingress"), &|event, _| event.verdict == Verdict::Dilution);
    table.real =
        share(&|truth| truth.treat_as == TreatAs::Hazard && truth.cause != "misfire", &|event, _| {
            event.verdict == Verdict::Real
        });
    let rows = || table.causes.values();
    let judged = rows().map(|row| row.judged).sum();
    let cause = Share::of(rows().map(|row| row.cause_right).sum(), judged);
    let undetermined = Share::of(rows().map(|row| row.undetermined).sum(), judged);
    (table.cause, table.undetermined) = (cause, undetermined);
    (table.cause_unobstructed, table.undetermined_unobstructed) = unnamed::unobstructed(outcomes);
}

fn undetermined_by(outcomes: &[Outcome]) -> BTreeMap<String, Share> {
    let mut counts: BTreeMap<String, (usize, usize)> = BTreeMap::new();
    for outcome in outcomes {
        for truth in outcome.truth.iter().filter(|truth| truth.reads_lean && truth.decidable) {
            if let Some(event) = main_event(outcome, truth) {
                let slot = counts.entry(outcome.channel_set.to_owned()).or_default();
                slot.0 += usize::from(event.verdict == Verdict::Undetermined);
                slot.1 += 1;
            }
        }
    }
    counts.into_iter().map(|(name, (count, of))| (name, Share::of(count, of))).collect()
}

fn extra<'a>(outcomes: impl Iterator<Item = &'a Outcome>) -> Extra {
    let mut extra = Extra::default();
    let (mut knowing, mut knowing_hours) = (0_usize, 0.0);
    for outcome in outcomes {
        let hours = outcome.duration_s / 3600.0;
        extra.hours += hours;
        knowing_hours += if outcome.knows_load { hours } else { 0.0 };
        for event in &outcome.events {
            match over(outcome, event) {
                Over::Truth => {}
                Over::WarmUp => extra.warm_up += 1,
                Over::Fault => extra.over_fault += 1,
                Over::Nothing => {
                    extra.count += 1;
                    knowing += usize::from(outcome.knows_load);
                    extra.hazard += usize::from(event.treat_as == TreatAs::Hazard);
                    let kind = format!("{} {}", event.context, event.cause);
                    *extra.kinds.entry(kind).or_insert(0) += 1;
                    if extra.seeds.len() < 12 {
                        extra.seeds.push(outcome.seed);
                    }
                }
            }
        }
        for apart in &outcome.alarms {
            extra.near.count += 1;
            extra.near.unseen += usize::from(apart.sigma < SIGHT_SIGMA);
            extra.near.alike += usize::from(apart.lambda <= SIGHT_LAMBDA);
        }
    }
    extra.per_hour = extra.count as f64 / extra.hours.max(1e-9);
    extra.per_hour_knowing_load = knowing as f64 / f64::max(knowing_hours, 1e-9);
    extra
}

fn describe(truth: &TruthEvent) -> String {
    format!(
        "{} {:.2} to {:.2} s, peak {:.2}: {}",
        truth.cause,
        truth.start_s,
        truth.end_s,
        truth.logged_peak_lambda.unwrap_or(0.0),
        truth.because
    )
}

fn said(event: &Judged) -> String {
    let evidence: Vec<String> = event
        .evidence
        .iter()
        .filter(|evidence| evidence.evaluated && evidence.log10_lr != 0.0)
        .map(|evidence| format!("{} {:+.1} {}", evidence.name, evidence.log10_lr, evidence.favours.join("/")))
        .collect();
    format!(
        "{} ({}) {:.2} to {:.2} s, peak {:.2} [{}]",
        event.cause,
        event.context,
        event.start_s,
        event.end_s,
        event.peak_lambda,
        evidence.join("; ")
    )
}

fn case(outcome: &Outcome, truth: &TruthEvent, called: String) -> Case {
    let faults: Vec<&str> = outcome.faults.iter().map(|(kind, _)| kind.meta().name).collect();
    let log = format!(
        "{} {} Hz, fresh {:.0} ms, {}, {}",
        outcome.machine.name(),
        outcome.rate_hz,
        1e3 * outcome.fresh_s,
        outcome.channel_set,
        if faults.is_empty() { "no fault".to_owned() } else { faults.join(" + ") }
    );
    Case { seed: outcome.seed, log, truth: describe(truth), called }
}

fn danger_cases(outcomes: &[Outcome], of: impl Fn(Fate) -> bool) -> Vec<Case> {
    let mut cases = Vec::new();
    for outcome in outcomes {
        for (index, truth) in outcome.truth.iter().enumerate().filter(|(_, truth)| is_danger(truth)) {
            if of(fate(outcome, truth)) {
                let over: Vec<String> = outcome
                    .events
                    .iter()
                    .filter(|event| overlap_s(event, truth, &outcome.tolerance).is_some())
                    .map(said)
                    .collect();
                let sight = outcome.sights.iter().find(|(at, _)| *at == index);
                let shown = sight.map_or_else(String::new, |(_, sight)| {
                    let reads = if sight.reads { "more" } else { "no more" };
                    format!(
                        "; {reads} readings beyond the limit than without it, {:.1} deviations apart, in doubt {:.1} or \
                         lambda {:.2}",
                        sight.known_sigma, sight.doubt_sigma, sight.doubt_lambda
                    )
                });
                let case = case(outcome, truth, over.join(" | "));
                cases.push(Case { truth: case.truth.clone() + &shown, ..case });
            }
        }
    }
    cases.truncate(100);
    cases
}

/// Wrong verdicts, three of each pair of true and stated cause.
fn wrong_cases(outcomes: &[Outcome]) -> Vec<Case> {
    let mut seen: BTreeMap<(String, String), Vec<Case>> = BTreeMap::new();
    for outcome in outcomes {
        for truth in outcome.truth.iter().filter(|truth| truth.reads_lean && truth.decidable) {
            let Some(event) = main_event(outcome, truth).filter(|event| !names(event, truth)) else {
                continue;
            };
            let list = seen.entry((truth.cause.clone(), event.cause.clone())).or_default();
            if list.len() < 3 {
                list.push(case(outcome, truth, said(event)));
            }
        }
    }
    seen.into_values().flatten().collect()
}

/// True cause of a judged event; null where nothing happened.
pub fn true_cause<'a>(outcome: &'a Outcome, event: &Judged) -> Option<&'a TruthEvent> {
    main_truth(outcome, event)
}
