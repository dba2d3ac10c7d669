//! Detectors: each says which samples of which channel cannot be believed, why, and what it could not test.
//!
//! A detector is data ([`Meta`]) and one function. It reads raw values only; flags are folded by the runner,
//! so neither order nor threads can change a result.

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;

use arrow_buffer::BooleanBuffer;

use self::place::{Rest, Run};
pub use self::runner::{Detection, RunRecord, run_all};
use crate::chain::Chain;
use crate::document::About;
use crate::flag::Flag;
use crate::log::{Channel, Log, Role};
use crate::rig::Rig;
use crate::state::{States, bit};

mod cluster;
mod copied;
mod cross_check;
mod dense;
mod dropout;
mod exchanged;
mod flat_line;
mod fold;
mod found;
mod gross_range;
mod ground_offset;
mod interpolated;
mod lambda_step;
mod lively;
mod noise;
mod out_of_step;
mod pace;
pub mod place;
mod rate_of_change;
mod redundancy;
mod runner;
mod saturation;
mod scale;
mod slow_response;
mod spike;
mod standstill;
mod supply_sag;
mod time_gap;
mod time_order;
mod warm_up;

#[cfg(test)]
mod registry;
#[cfg(test)]
pub(crate) mod testing;

/// Every detector, in the order of the documentation.
pub static ALL: &[&dyn Detector] = &[
    &time_gap::TimeGap,
    &time_order::TimeOrder,
    &dropout::Dropout,
    &flat_line::FlatLine,
    &interpolated::Interpolated,
    &copied::Copied,
    &standstill::Standstill,
    &gross_range::GrossRange,
    &rate_of_change::RateOfChange,
    &spike::Spike,
    &saturation::Saturation,
    &noise::NoiseLevel,
    &lambda_step::LambdaStep,
    &supply_sag::SupplySag,
    &ground_offset::GroundOffset,
    &slow_response::SlowResponse,
    &cross_check::CrossCheck,
    &exchanged::Exchanged,
    &out_of_step::OutOfStep,
    &redundancy::Redundancy,
    &scale::Scale,
    &cluster::Cluster,
    &warm_up::WarmUp,
];

/// Whether a detector's findings move trust.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stage {
    /// Shown, never scored.
    Trial,
    /// Moves flags and trust.
    Scored,
}

/// What missing data does to an episode.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Gaps {
    /// Ends it.
    Break,
    /// Does not matter.
    Span,
}

/// What a detector judges.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Scope {
    /// One channel at a time: [`Detector::run`].
    Channel,
    /// The log as a whole (its time axis, say): [`Detector::run_log`]. One finding stands for all channels.
    Log,
}

/// When a detector runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Phase {
    /// Over samples.
    Samples,
    /// Over the findings of all other detectors (`View::findings`).
    Findings,
}

/// A typed, overridable number.
#[derive(Debug, PartialEq)]
pub struct Limit {
    /// Name in the rig file, after the detector's.
    pub name: &'static str,
    /// Unit.
    pub unit: &'static str,
    /// Value when the rig file says nothing.
    pub default: f64,
    /// Accepted values, inclusive.
    pub range: (f64, f64),
    /// Where the default comes from: a sensor, a circuit, an engine, a standard.
    pub why: &'static str,
}

/// One number of a finding's evidence.
#[derive(Debug, PartialEq)]
pub struct Field {
    /// Name.
    pub name: &'static str,
    /// Unit.
    pub unit: &'static str,
}

/// All that `explain`, the README table and the JSON Schema say about a detector.
#[derive(Debug)]
pub struct Meta {
    /// `snake_case`, the fault, equal to the file stem.
    pub name: &'static str,
    /// Whether it is scored.
    pub stage: Stage,
    /// When it runs.
    pub phase: Phase,
    /// Whether it judges single channels or the log.
    pub scope: Scope,
    /// One clause, lower case, no full stop.
    pub summary: &'static str,
    /// Roles it judges; empty: every channel with numbers except time.
    pub applies_to: &'static [Role],
    /// Roles the log must have as well.
    pub needs: &'static [Role],
    /// Markdown: what is computed, against what.
    pub method: &'static str,
    /// What must hold for a finding to mean something.
    pub assumes: &'static str,
    /// Known blind spots and known false alarms.
    pub misses: &'static str,
    /// What missing data does.
    pub gaps: Gaps,
    /// Its limits.
    pub limits: &'static [&'static Limit],
    /// The schema of its findings' evidence.
    pub evidence: &'static [&'static Field],
    /// Standards, publications, or "common practice, no source".
    pub sources: &'static [&'static str],
}

/// One thing a detector found.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// Name of the detector; filled in by the runner.
    pub detector: &'static str,
    /// Stage of the detector; filled in by the runner.
    pub stage: Stage,
    /// Index of the channel, filled in by the runner; null when the finding is about the log as a whole, which
    /// the document shows as channel `time`.
    pub channel: Option<usize>,
    /// Rows concerned, half open.
    pub rows: Range<usize>,
    /// `Suspect`, `Bad` or `Missing`.
    pub flag: Flag,
    /// Channel, what is wrong, how much, against which limit. The document shares it.
    pub message: Arc<str>,
    /// Numbers behind the message.
    pub evidence: Vec<(&'static Field, f64)>,
    /// What it says about the samples.
    pub about: About,
}

impl Finding {
    /// A finding; the runner adds detector, stage and channel.
    pub fn new(
        rows: Range<usize>,
        flag: Flag,
        message: impl Into<Arc<str>>,
        evidence: Vec<(&'static Field, f64)>,
    ) -> Self {
        Self {
            detector: "",
            stage: Stage::Scored,
            channel: None,
            rows,
            flag,
            message: message.into(),
            evidence,
            about: About::Fault,
        }
    }

    /// The same finding about the thing measured, whose reading may well be true.
    #[must_use]
    pub fn condition(self) -> Self {
        Self { about: About::Condition, ..self }
    }

    /// The same finding about samples that are no values although nothing is wrong.
    #[must_use]
    pub fn limit(self) -> Self {
        Self { about: About::Limit, ..self }
    }
}

/// Rows a detector could judge.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Evaluated {
    /// Every row that holds a value.
    All,
    /// Only these, ascending, disjoint.
    Rows(Vec<Range<usize>>),
    /// Only those whose bit is set: the runner's own form, where it takes less than the ranges.
    Bits(BooleanBuffer),
}

impl Evaluated {
    /// Holds the ranges as bits where that takes less: in a log full of holes there is one in every other row.
    ///
    /// * `rows`: of the log
    fn compact(&mut self, rows: usize) {
        let Self::Rows(ranges) = self else { return };
        if ranges.len() * size_of::<Range<usize>>() <= rows / 8 {
            ranges.shrink_to_fit();
            return;
        }
        let mut left = ranges.iter().peekable();
        *self = Self::Bits(BooleanBuffer::collect_bool(rows, |row| {
            while left.next_if(|range| range.end <= row).is_some() {}
            left.peek().is_some_and(|range| range.contains(&row))
        }));
    }
}

/// What a detector did.
#[derive(Clone, Debug, PartialEq)]
pub enum Outcome {
    /// It ran: only evaluated samples may become good.
    Ran {
        /// Rows it judged.
        evaluated: Evaluated,
        /// What it found, ascending by row.
        findings: Vec<Finding>,
        /// What it found beyond, of which nobody reads a word.
        rest: Vec<Run>,
    },
    /// It had no power here; the flags stay "not evaluated" as far as it is concerned.
    NotRun {
        /// Plain words.
        because: String,
    },
}

impl Outcome {
    /// A detector that did not run.
    pub fn not_run(because: impl Into<String>) -> Self {
        Self::NotRun { because: because.into() }
    }

    /// A detector that ran, and put all that it found into words.
    pub fn ran(evaluated: Evaluated, findings: Vec<Finding>) -> Self {
        Self::Ran { evaluated, findings, rest: Vec::new() }
    }

    fn findings(&self) -> &[Finding] {
        match self {
            Self::Ran { findings, .. } => findings,
            Self::NotRun { .. } => &[],
        }
    }

    /// Keeps the first findings only, and gives rows and flags of the others, ascending by row.
    fn take_rest(&mut self, most: usize) -> Vec<Run> {
        let Self::Ran { findings, rest, .. } = self else { return Vec::new() };
        let mut rest = std::mem::take(rest);
        let place = |finding: &Finding| Run::of(&finding.rows, finding.flag, finding.about);
        if let Some(more) = findings.iter().skip(most).map(place).collect::<Option<Vec<Run>>>() {
            rest.splice(0..0, more);
            findings.truncate(most);
            findings.shrink_to_fit();
        }
        if !rest.is_sorted_by_key(Run::order) {
            rest.sort_by_key(Run::order);
        }
        rest.shrink_to_fit();
        rest
    }
}

/// All that a detector may look at.
#[derive(Clone, Copy)]
pub struct View<'a> {
    /// The log; `log.clock.segments` are the stretches without a gap.
    pub log: &'a Log,
    /// Operating state per row.
    pub state: &'a States,
    /// What the user knows.
    pub rig: &'a Rig,
    /// The chain of the mixture reading, where the log has one.
    pub chain: Option<&'a Chain>,
    /// Findings of the sample detectors; empty for those.
    pub findings: &'a [Finding],
    /// Those beyond what is put into words.
    pub rest: &'a [Rest],
}

impl View<'_> {
    /// Whether the engine is known to stand or to idle in a row.
    pub(crate) fn rests(&self, row: usize) -> bool {
        let speed = || self.log.role(Role::EngineSpeed).and_then(|speed| speed.readings(row..row + 1).next());
        self.state.has(row, bit::IDLE) || speed().is_some_and(|(_, rpm)| rpm == 0.0)
    }
}

impl<'a> View<'a> {
    /// The chain, where it is this channel's.
    fn chain_of(&self, channel: &Channel) -> Option<&'a Chain> {
        let own = |chain: &&Chain| {
            let first = self.log.channels.get(chain.channel);
            first.is_some_and(|first| (first.column, &first.name) == (channel.column, &channel.name))
        };
        self.chain.filter(own)
    }
}

/// Limits of one run: defaults, with the rig file's values over them.
#[derive(Clone, Copy)]
pub struct Limits<'a> {
    detector: &'static str,
    rig: &'a BTreeMap<String, f64>,
}

impl<'a> Limits<'a> {
    /// The limits of one detector.
    pub fn of(detector: &'static str, rig: &'a Rig) -> Self {
        Self { detector, rig: &rig.limits }
    }

    /// The value of a limit.
    pub fn get(&self, limit: &'static Limit) -> f64 {
        self.rig.get(&format!("{}.{}", self.detector, limit.name)).copied().unwrap_or(limit.default)
    }
}

/// One detector.
pub trait Detector: Sync {
    /// What it is.
    fn meta(&self) -> &'static Meta;

    /// Judges one channel. `channel` has a role in `applies_to` and every role in `needs` is present: the
    /// runner saw to it. Called for [`Scope::Channel`] only.
    fn run(&self, _channel: &Channel, _view: &View<'_>, _limits: &Limits<'_>) -> Outcome {
        Outcome::not_run("it judges the log as a whole")
    }

    /// Judges the log as a whole; every role in `needs` is present. Called for [`Scope::Log`] only. What it
    /// passes makes no sample good, and what it finds suspect or bad counts for every channel.
    fn run_log(&self, _view: &View<'_>, _limits: &Limits<'_>) -> Outcome {
        Outcome::not_run("it judges single channels")
    }
}

/// A limit in the rig file that no detector has, or out of its range.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("limit `{name}` {problem}")]
pub struct LimitError {
    /// As written.
    pub name: String,
    /// What is wrong and what to write instead.
    pub problem: String,
}

/// Checks the rig's limits against the registry.
///
/// # Errors
/// A limit that no detector has, or a value outside the limit's range.
pub fn check_limits(rig: &Rig) -> Result<(), LimitError> {
    for (name, value) in &rig.limits {
        let found = ALL.iter().map(|d| d.meta()).find_map(|meta| {
            meta.limits.iter().find(|limit| format!("{}.{}", meta.name, limit.name) == *name)
        });
        let Some(limit) = found else {
            return Err(LimitError { name: name.clone(), problem: "belongs to no detector".to_owned() });
        };
        if !(limit.range.0..=limit.range.1).contains(value) {
            // A number without a unit has the unit 1.
            let unit = if limit.unit == "1" { String::new() } else { format!(" {}", limit.unit) };
            let (low, high) = limit.range;
            let problem = format!("is {value}{unit}, outside {low} to {high}{unit}");
            return Err(LimitError { name: name.clone(), problem });
        }
    }
    Ok(())
}
