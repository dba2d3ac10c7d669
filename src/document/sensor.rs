//! The sensor's part of the audit document: its health, and its life before this log.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Whether a health metric calls for action.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum HealthStatus {
    /// Within its limit.
    Ok,
    /// Near its limit.
    Watch,
    /// Past its limit.
    Act,
    /// This log cannot tell.
    NotMeasurable,
}

/// One health metric of the mixture sensor.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HealthMetric {
    /// Name, as in `explain`.
    pub metric: String,
    /// Channel.
    pub channel: String,
    /// `rich_to_lean`, `lean_to_rich`, or null.
    pub direction: Option<String>,
    /// Value in `unit`.
    pub value: Option<f64>,
    /// Unit.
    pub unit: String,
    /// Lower end of the 95 % interval.
    pub low: Option<f64>,
    /// Upper end.
    pub high: Option<f64>,
    /// Natural events used.
    pub events: u64,
    /// Limit it is held against.
    pub limit: Option<f64>,
    /// Whether to act.
    pub status: HealthStatus,
    /// Plain sentence; for `not_measurable`, the reason.
    pub because: String,
}

/// The sensor's sessions before this log.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SensorHistory {
    /// Serial.
    pub serial: String,
    /// Sessions since the series began.
    pub sessions: u64,
    /// Start of the series, ISO 8601.
    pub since: Option<String>,
    /// What its life tells, in a sentence.
    pub answer: String,
    /// What this audit took from it, one sentence each; empty when nothing could be taken.
    pub used: Vec<String>,
    /// Metrics over the sessions.
    pub metrics: Vec<MetricHistory>,
}

/// One health metric over the sessions of a sensor.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MetricHistory {
    /// Name, as in `explain`.
    pub metric: String,
    /// `rich_to_lean`, `lean_to_rich`, or null.
    pub direction: Option<String>,
    /// Unit.
    pub unit: String,
    /// Values by time.
    pub points: Vec<HistoryPoint>,
    /// Value at which to act, where there is one.
    pub limit: Option<f64>,
    /// Whether it gets worse beyond chance, at 5 % over all metrics.
    pub worsens: bool,
    /// What the course says.
    pub sentence: String,
}

/// One session's value.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HistoryPoint {
    /// When, ISO 8601.
    pub at: String,
    /// Value in the metric's unit.
    pub value: f64,
    /// Lower end of its 95 % interval.
    pub low: Option<f64>,
    /// Upper end.
    pub high: Option<f64>,
    /// Status the session gave it.
    pub status: HealthStatus,
}
