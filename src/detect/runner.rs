//! Runs every detector on every channel it applies to, and folds what they say into flags.

use std::borrow::Cow;
use std::ops::Range;

use rayon::prelude::*;

use super::place::{Rest, Run};
use super::{ALL, Detector, Evaluated, Finding, Limits, Meta, Outcome, Phase, Scope, Stage, View, fold};
use crate::chain::Chain;
use crate::flag::Flags;
use crate::log::{Channel, Log, Role};
use crate::rig::Rig;
use crate::state::States;

/// Findings of one detector that are put into words, over all channels; each takes a kilobyte in the end, and nobody reads
/// more.
const DESCRIBED_MOST: usize = 10_000;
/// The same on each channel, however many there are.
const DESCRIBED_LEAST: usize = 2;

/// Findings of one detector on one channel that are put into words.
pub(super) fn described_most(log: &Log) -> usize {
    (DESCRIBED_MOST / log.channels.len().max(1)).max(DESCRIBED_LEAST)
}

/// One line of the document's `detectors`.
#[derive(Clone, Debug, PartialEq)]
pub struct RunRecord {
    /// Detector.
    pub detector: &'static str,
    /// Its stage.
    pub stage: Stage,
    /// Channel index; null when it judges the log as a whole, or when no channel has a role it applies to.
    pub channel: Option<usize>,
    /// Whether it ran.
    pub ran: bool,
    /// Why not.
    pub because: Option<String>,
}

/// What all detectors found, and the flags that follow.
#[derive(Clone, Debug, Default)]
pub struct Detection {
    /// What ran, what did not, and why.
    pub records: Vec<RunRecord>,
    /// Findings that are put into words, by start row, then detector, then channel.
    pub findings: Vec<Finding>,
    /// Those beyond them: their rows and flags count all the same.
    pub rest: Vec<Rest>,
    /// Those of each channel's rows.
    pub flags: Vec<Flags>,
}

/// Runs every detector on every channel it applies to, in parallel, and folds the flags.
pub fn run_all(log: &Log, state: &States, rig: &Rig, chain: Option<&Chain>) -> Detection {
    let mut detection = Detection::default();
    run_phase(Phase::Samples, View { log, state, rig, chain, findings: &[], rest: &[] }, &mut detection);
    run_phase(Phase::Findings, View { log, state, rig, chain, findings: &[], rest: &[] }, &mut detection);
    detection.findings.sort_unstable_by(|a, b| {
        let place = |f: &Finding| (f.rows.start, f.detector, f.channel, f.rows.end);
        place(a).cmp(&place(b)).then_with(|| a.message.cmp(&b.message))
    });
    detection
}

/// What a detector did on a channel.
pub(super) struct Judged {
    /// Of the detector in [`ALL`].
    place: usize,
    pub(super) channel: Option<usize>,
    pub(super) meta: &'static Meta,
    pub(super) outcome: Outcome,
    /// What it found beyond the findings of the outcome.
    pub(super) rest: Vec<Run>,
}

impl Judged {
    fn found_nothing(&self) -> bool {
        self.outcome.findings().is_empty() && self.rest.is_empty()
    }

    /// Lets go of the rows that were judged.
    fn forget_rows(&mut self) {
        if let Outcome::Ran { evaluated, .. } = &mut self.outcome {
            *evaluated = Evaluated::All;
        }
    }
}

fn run_phase(phase: Phase, view: View<'_>, detection: &mut Detection) {
    let log = view.log;
    let known = std::mem::take(&mut detection.findings);
    let rest = std::mem::take(&mut detection.rest);
    let view = View { findings: &known, rest: &rest, ..view };
    let detectors = || ALL.iter().enumerate().filter(|(_, detector)| detector.meta().phase == phase);
    let described = described_most(log);
    let judge = |place: usize, channel: Option<&Channel>, index: Option<usize>| {
        let mut outcome = judge(ALL[place], channel, &view);
        let rest = outcome.take_rest(described);
        Judged { place, channel: index, meta: ALL[place].meta(), outcome, rest }
    };
    let of_log: Vec<usize> = detectors()
        .filter(|(_, one)| !log.channels.iter().any(|on| applies(one.meta(), on)))
        .map(|(place, _)| place)
        .collect();
    let mut judged: Vec<Judged> = of_log.into_par_iter().map(|place| judge(place, None, None)).collect();
    let known_flags = std::mem::take(&mut detection.flags);
    // Channel by channel: which rows each detector judged is of no more use once they are flags.
    let of_channels: Vec<(Flags, Vec<Judged>)> = log
        .channels
        .par_iter()
        .enumerate()
        .map(|(index, channel)| {
            // What it lays out goes with it.
            let apart = channel.apart();
            let channel = &*apart;
            let on: Vec<usize> =
                detectors().filter(|(_, one)| applies(one.meta(), channel)).map(|(place, _)| place).collect();
            let judge = |place: usize| judge(place, Some(channel), Some(index));
            // One after the other there: who waits for a part of the work takes up another channel meanwhile, and would lay
            // out dozens of them.
            let mut own: Vec<Judged> = match &apart {
                Cow::Borrowed(_) => on.into_par_iter().map(judge).collect(),
                Cow::Owned(_) => on.into_iter().map(judge).collect(),
            };
            let known = known_flags.get(index);
            let flags = match known.filter(|_| own.is_empty() && judged.iter().all(Judged::found_nothing)) {
                Some(known) => known.clone(),
                None => fold::fold(known, channel, own.iter().chain(&judged)),
            };
            own.iter_mut().for_each(Judged::forget_rows);
            (flags, own)
        })
        .collect();
    for (flags, own) in of_channels {
        detection.flags.push(flags);
        judged.extend(own);
    }
    // By detector, then channel, in which order they are told.
    judged.sort_by_key(|judged| judged.place);
    (detection.findings, detection.rest) = (known, rest);
    detection.findings.reserve_exact(judged.iter().map(|judged| judged.outcome.findings().len()).sum());
    for judged in judged {
        record(detection, judged);
    }
}

fn judge(detector: &dyn Detector, channel: Option<&Channel>, view: &View<'_>) -> Outcome {
    let meta = detector.meta();
    if meta.scope == Scope::Channel && channel.is_none() {
        return Outcome::not_run(match meta.applies_to {
            [] => "the log has no channel beside time".to_owned(),
            roles => format!("no channel with the role {}", names(roles)),
        });
    }
    if let Some(absent) = meta.needs.iter().find(|role| view.log.index_of(**role).is_none()) {
        return Outcome::not_run(format!("needs a channel with the role {}", absent.name()));
    }
    let limits = Limits::of(meta.name, view.rig);
    let mut outcome = match channel {
        Some(channel) => detector.run(channel, view, &limits),
        None => detector.run_log(view, &limits),
    };
    if let Outcome::Ran { evaluated, findings, rest } = &mut outcome {
        evaluated.compact(view.log.rows());
        let inside = |rows: &Range<usize>| rows.start < rows.end && rows.end <= view.log.rows();
        findings.retain(|finding| inside(&finding.rows));
        rest.retain(|run| inside(&run.rows()));
    }
    outcome
}

fn record(detection: &mut Detection, judged: Judged) {
    let Judged { channel, meta, outcome, rest, .. } = judged;
    if !rest.is_empty() {
        detection.rest.push(Rest { detector: meta.name, stage: meta.stage, channel, runs: rest });
    }
    let because = match outcome {
        Outcome::NotRun { because } => Some(because),
        Outcome::Ran { findings, .. } => {
            detection.findings.extend(findings.into_iter().map(|mut finding| {
                finding.detector = meta.name;
                finding.stage = meta.stage;
                finding.channel = channel;
                finding
            }));
            None
        }
    };
    detection.records.push(RunRecord {
        detector: meta.name,
        stage: meta.stage,
        channel,
        ran: because.is_none(),
        because,
    });
}

/// Whether a detector judges a channel by itself.
fn applies(meta: &Meta, channel: &Channel) -> bool {
    let all = meta.applies_to.is_empty() && channel.role != Role::Time;
    meta.scope == Scope::Channel && (all || meta.applies_to.contains(&channel.role))
}

fn names(roles: &[Role]) -> String {
    roles.iter().map(|role| role.name()).collect::<Vec<_>>().join(" or ")
}
