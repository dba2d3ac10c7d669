//! The audit document `sondeproof.audit/1`: what other programs may rely on.
//!
//! Times are seconds from the log's first sample. Unknown is null, never a made-up number. Fields are only
//! ever added; anything else raises the version. Every renderer reads this document and recomputes nothing.

mod numbers;
mod posterior;
mod sensor;

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::sync::Arc;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub use numbers::Numbers;
pub use posterior::{Causes, Posterior};
pub use sensor::{HealthMetric, HealthStatus, HistoryPoint, MetricHistory, SensorHistory};

/// Version of the document.
pub const SCHEMA: &str = "sondeproof.audit/1";

/// One log, audited.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Audit {
    /// `sondeproof.audit/1`.
    pub schema: String,
    /// The program that made the document.
    pub tool: Tool,
    /// The log.
    pub source: Source,
    /// The rig as used, defaults filled in.
    pub rig: Rig,
    /// Trust and flags per channel, in column order.
    pub channels: Vec<Channel>,
    /// What ran, what did not, and why.
    pub detectors: Vec<DetectorRun>,
    /// What the detectors found, by time.
    pub findings: Vec<Finding>,
    /// Every lean event, judged.
    pub lean_events: Vec<LeanEvent>,
    /// Why lean events could not be looked for; null when they were.
    pub lean_not_evaluated: Option<String>,
    /// Stretches of one operating state.
    pub windows: Vec<Window>,
    /// What a report may say.
    pub claims: Vec<Claim>,
    /// Health of the mixture sensor in this log.
    pub sensor_health: Vec<HealthMetric>,
    /// What a ledger knows of this sensor; null where none was given or it does not know the sensor.
    pub sensor_history: Option<SensorHistory>,
    /// Whether the log may be used without further evidence.
    pub gate: Gate,
    /// Plain sentences that belong beside the numbers.
    pub cautions: Vec<String>,
    /// What reading the file noticed.
    pub notes: Vec<Note>,
}

/// The program.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Tool {
    /// `sondeproof`.
    pub name: String,
    /// Its version.
    pub version: String,
}

/// The log file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Source {
    /// Path as given.
    pub path: String,
    /// SHA-256 of the bytes, hexadecimal.
    pub sha256: String,
    /// Size.
    pub bytes: u64,
    /// `text`, `parquet`, `arrow_ipc`, with a compression where there is one.
    pub format: String,
    /// Rows.
    pub rows: u64,
    /// Channels with numbers.
    pub channels: u64,
    /// Date and time of the first row, ISO 8601.
    pub start: Option<String>,
    /// From first to last row, s.
    pub duration_s: f64,
    /// By the median row period, Hz.
    pub sample_rate_hz: Option<f64>,
    /// How the file is known to be incomplete.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cut_short: Option<CutShort>,
    /// Columns that speak of the mixture by name and could not be read as numbers, or not all of them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub unread: Vec<Unread>,
}

/// A column that could not be read as numbers, or not all of it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Unread {
    /// Its name.
    pub name: String,
    /// What is wrong with it, in a few words.
    pub why: String,
}

/// A log that breaks off.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CutShort {
    /// Plain sentence.
    pub why: String,
    /// Whether only the last row is broken: a logger that loses power ends like this, so that there may be no more of it.
    pub row_only: bool,
}

/// What was known about machine and instruments.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Rig {
    /// Name of the machine.
    pub name: Option<String>,
    /// Rig file.
    pub file: Option<String>,
    /// Fuel.
    pub fuel: String,
    /// Its stoichiometric air/fuel ratio.
    pub stoich_afr: f64,
    /// Cylinders.
    pub cylinders: Option<u32>,
    /// Engine speed limit, revolutions per minute.
    pub redline_rpm: Option<f64>,
    /// Above this lambda under load is a lean event.
    pub full_load_lambda_max: f64,
    /// Serial of the mixture sensor.
    pub sensor_serial: Option<String>,
    /// Day the sensor was fitted.
    pub sensor_installed: Option<String>,
    /// Day on which the sensor was last found in order in a known gas.
    #[serde(default)]
    pub sensor_checked: Option<String>,
    /// Time constant of the mixture reading as used, s.
    pub tau_s: Option<Interval>,
    /// Where `tau_s` came from.
    pub tau_basis: Option<String>,
    /// Why a stated response is in doubt: it is slow, and no step of the log shows it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unshown_response: Option<String>,
    /// Link frame period as used, s.
    pub frame_period_s: Option<f64>,
    /// Lean end stop as used, lambda.
    pub clip_lean: Option<f64>,
    /// Minimum supply as used, V.
    pub supply_min_v: Option<f64>,
    /// Limits that differ from the defaults, by `detector.limit`.
    pub limits: BTreeMap<String, f64>,
    /// Keys, columns and limits of the rig file that had no effect.
    pub without_effect: Vec<String>,
}

/// A number with its interval.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Interval {
    /// Best value.
    pub value: f64,
    /// Lower end of the 95 % interval.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// One channel.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Channel {
    /// Column name.
    pub name: String,
    /// What it measures.
    pub role: crate::log::Role,
    /// How sure the role is, 0..1.
    pub role_confidence: f64,
    /// Why this role.
    pub role_reason: String,
    /// Unit of the log.
    pub unit: String,
    /// Smallest step, in the log's unit.
    pub resolution: Option<f64>,
    /// Rate at which the value is really renewed, Hz.
    pub rate_hz: Option<f64>,
    /// Exact lower end stop, in the log's unit.
    pub clip_low: Option<f64>,
    /// Exact upper end stop, in the log's unit.
    pub clip_high: Option<f64>,
    /// Whether it may be believed.
    pub trust: Trust,
    /// Samples per flag.
    pub flags: FlagCounts,
}

/// Calibrated probability that a decision-relevant sample is within tolerance.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Trust {
    /// 0..1, or null when nothing could be tested.
    pub score: Option<f64>,
    /// Lower bound.
    pub low: Option<f64>,
    /// Upper bound: falls with what could not be tested.
    pub high: Option<f64>,
    /// In one word.
    pub grade: Grade,
    /// Which samples count: `full_load` or `running`, or `all` in a log without engine speed.
    pub basis: String,
    /// What was taken off; together with the score they add up to one.
    pub deductions: Vec<Deduction>,
}

/// Trust in one word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Grade {
    /// At least 0.95.
    Trusted,
    /// At least 0.80.
    Limited,
    /// Below 0.80.
    Untrusted,
    /// Nothing could be tested.
    NotEvaluated,
}

/// A score in words: two digits, and as many more as keep it from reading like a bound that it misses.
pub fn score_words(score: f64, bounds: &[f64]) -> String {
    let missed = |bound: &&f64| score < **bound;
    let tells = |text: &String| {
        text.parse::<f64>().is_ok_and(|shown| bounds.iter().filter(missed).all(|bound| shown < *bound))
    };
    (2..=4).map(|digits| format!("{score:.digits$}")).find(tells).unwrap_or_else(|| {
        let bound = bounds.iter().filter(missed).copied().fold(f64::INFINITY, f64::min);
        format!("just below {bound:.2}")
    })
}

impl Grade {
    /// From this score on a channel is trusted.
    pub const TRUSTED: f64 = 0.95;
    /// From this score on trust is limited.
    pub const LIMITED: f64 = 0.80;

    /// The grade of a score.
    pub fn of(score: Option<f64>) -> Self {
        match score {
            None => Self::NotEvaluated,
            Some(score) if score >= Self::TRUSTED => Self::Trusted,
            Some(score) if score >= Self::LIMITED => Self::Limited,
            Some(_) => Self::Untrusted,
        }
    }

    /// A score in words that do not contradict its grade.
    pub fn score_words(score: f64) -> String {
        score_words(score, &[Self::LIMITED, Self::TRUSTED])
    }

    /// The word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Trusted => "trusted",
            Self::Limited => "limited",
            Self::Untrusted => "untrusted",
            Self::NotEvaluated => "not evaluated",
        }
    }
}

/// One reason for less trust.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Deduction {
    /// Detector, or `baseline` for the share that no detector could exclude.
    pub detector: String,
    /// Taken off the score, 0..1.
    pub points: f64,
    /// Plain sentence.
    pub why: String,
}

/// Samples per flag of UNESCO/IOC Manuals and Guides 54.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct FlagCounts {
    /// Flag 1.
    pub good: u64,
    /// Flag 2, rows with a value that no detector could judge.
    pub not_evaluated: u64,
    /// Flag 3.
    pub suspect: u64,
    /// Flag 4.
    pub bad: u64,
    /// Flag 9.
    pub missing: u64,
    /// Rows in which this slower channel was not due (also flag 2 in the flags file).
    pub not_sampled: u64,
}

/// What one detector did on one channel.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DetectorRun {
    /// Name.
    pub name: String,
    /// `scored` or `trial`.
    pub stage: String,
    /// Channel; null for a detector that judges the log as a whole, or when the log has no channel for it.
    pub channel: Option<String>,
    /// Whether it ran.
    pub ran: bool,
    /// Why not.
    pub because: Option<String>,
}

/// One finding.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Finding {
    /// `F1`, `F2` ... by time.
    pub id: String,
    /// Detector.
    pub detector: Cow<'static, str>,
    /// `scored` or `trial`.
    pub stage: Cow<'static, str>,
    /// Channel; `time` for a finding about the log's time axis or the log as a whole.
    // Shared, like the message: a log may have ten thousand findings of each detector.
    pub channel: Arc<str>,
    /// First sample.
    pub start_s: f64,
    /// Last sample.
    pub end_s: f64,
    /// Rows.
    pub samples: u64,
    /// 3, 4 or 9.
    pub flag: u8,
    /// `fault`: the reading may be false; `limit`: a healthy instrument shows the same there, and yet it is no
    /// value; `condition`: the thing measured is out of the ordinary, its reading may be true.
    #[serde(default)]
    pub about: About,
    /// Plain sentence.
    pub message: Arc<str>,
    /// Numbers behind it; the unit is the last part of the name or stands in `explain`.
    pub evidence: Numbers,
}

/// What a finding says about the samples it covers.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum About {
    /// The reading may be false: moves flags and trust. Documents of before there was a choice meant this.
    #[default]
    Fault,
    /// A healthy instrument shows the same there, and yet it is no value: an end stop, the rest value until the
    /// sensor is ready. Moves flags; trust only as far as such samples were found false on simulated logs.
    Limit,
    /// The thing measured is out of the ordinary (a supply that is truly low) and its reading may well be true:
    /// leaves flags and trust alone.
    Condition,
}

/// What a lean event is taken for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// The cylinders were lean.
    Real,
    /// Fuel was cut on purpose.
    FuelCut,
    /// Unburnt mixture reached the sensor.
    Misfire,
    /// Air reached the sensor past the cylinders.
    Dilution,
    /// The gas was not measured.
    Artefact,
    /// The log cannot tell.
    Undetermined,
}

/// How a lean event must be treated.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum TreatAs {
    /// As a danger to the engine.
    Hazard,
    /// As harmless.
    Benign,
    /// As not measured; never as safe.
    Invalid,
}

/// One lean event.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LeanEvent {
    /// `L1`, `L2` ... by time.
    pub id: String,
    /// Channel.
    pub channel: String,
    /// First sample above the limit.
    pub start_s: f64,
    /// Last sample above the limit.
    pub end_s: f64,
    /// Highest reading, lambda.
    pub peak_lambda: f64,
    /// Whether `peak_lambda` is the channel's lean end stop: "at least this lean".
    pub peak_is_bound: bool,
    /// Operating context: `full_load`, `tip_in`, `ceiling`, `gear_change`, `over_run`, `power_up`, `part_load`,
    /// `unknown`.
    pub context: Cow<'static, str>,
    /// What it is.
    pub verdict: Verdict,
    /// What caused it.
    pub cause: Cow<'static, str>,
    /// How to treat it.
    pub treat_as: TreatAs,
    /// Probability per cause; sums to 1.
    pub posterior: Posterior,
    /// Everything that speaks for or against, and what could not be evaluated.
    // Shared: thousands of events of one log say most of it in the same words.
    pub evidence: Vec<Arc<Evidence>>,
    /// What the gas must have been at the peak, lambda, from the sensor's response.
    pub gas_peak_lambda: Option<Bound>,
    /// Shorter events could not be seen in this log, s.
    pub blind_below_s: Option<f64>,
    /// Why this verdict, in a sentence.
    pub because: String,
    /// The one test that would tell most, and what each outcome would mean.
    pub next_check: Cow<'static, str>,
}

/// A value whose upper end may be open.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Bound {
    /// Best value.
    pub value: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end; null when the log sets none.
    pub high: Option<f64>,
}

/// One piece of evidence.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Evidence {
    /// Name, as in `explain`.
    pub name: Cow<'static, str>,
    /// Measured value.
    pub value: Option<f64>,
    /// Its unit.
    pub unit: Cow<'static, str>,
    /// Causes it speaks for (or, with a negative `log10_lr`, against).
    pub favours: Vec<Cow<'static, str>>,
    /// Capped log10 likelihood ratio; 0 when not evaluated.
    pub log10_lr: f64,
    /// Whether the test had power here.
    pub evaluated: bool,
    /// Plain sentence: what was seen, or why it could not be evaluated.
    pub text: String,
}

/// A stretch of one operating state.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Window {
    /// `full_load`, `over_run`, `idle` ...
    pub kind: Cow<'static, str>,
    /// First sample.
    pub start_s: f64,
    /// Last sample.
    pub end_s: f64,
    /// Rows.
    pub samples: u64,
    /// Rows whose mixture reading may be used (all rows where the log has no mixture channel).
    pub usable_samples: u64,
}

/// How far a claim is supported.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ClaimStatus {
    /// May be stated with its interval.
    Supported,
    /// May be stated with its interval and its reservation.
    Limited,
    /// May not be stated.
    NotSupported,
}

/// One statement a report may want to make.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Claim {
    /// Name, as in `explain`.
    pub id: String,
    /// The statement in words, with its numbers.
    pub text: String,
    /// Value in `unit`.
    pub value: Option<f64>,
    /// Unit.
    pub unit: String,
    /// Lower end of the 95 % interval.
    pub low: Option<f64>,
    /// Upper end; null with a value means "at least".
    pub high: Option<f64>,
    /// Whether it may be made.
    pub status: ClaimStatus,
    /// Why.
    pub because: String,
    /// Indices into `windows`.
    // Shared: claims rest on the same ones.
    pub windows: Arc<[u64]>,
}

/// Whether the log may be used without further evidence.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Gate {
    /// `open` or `withheld`.
    pub decision: Decision,
    /// Policy that decided: a ready one or a file; null in documents of before there were policies.
    #[serde(default)]
    pub policy: Option<String>,
    /// Why, in plain sentences.
    pub reasons: Vec<String>,
    /// What would open a withheld gate, in plain sentences; empty when it is open.
    #[serde(default)]
    pub evidence_needed: Vec<String>,
}

/// A gate's decision.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Decision {
    /// May be used.
    Open,
    /// Not yet.
    Withheld,
}

/// Something reading noticed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Note {
    /// Line of the file, from 1.
    pub line: Option<u64>,
    /// Channel.
    pub channel: Option<String>,
    /// Plain sentence.
    pub text: String,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_score_never_reads_like_the_grade_that_it_misses() {
        let words = [0.9497, 0.95, 0.949_96, 0.949_999, 0.91, 0.7999, 0.80].map(Grade::score_words);
        assert_eq!(words, ["0.9497", "0.95", "just below 0.95", "just below 0.95", "0.91", "0.7999", "0.80"]);
        assert_eq!(score_words(0.8996, &[0.9]), "0.8996");
        assert_eq!(score_words(0.8996, &[]), "0.90");
    }
}
