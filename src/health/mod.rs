//! Health of the mixture sensor, measured from one ordinary log.
//!
//! Each metric is apparent: of this chain of gas path, sensor, controller, link and logger, not of the data sheet.
//! What a log cannot tell is `not_measurable` with the reason, never a guess.

mod air;
mod dead_time;
mod gas_delay;
mod link;
mod response;
mod supply;
mod warm_up;

use crate::chain::Chain;
use crate::detect::{Detection, View};
use crate::document::{HealthMetric, HealthStatus};
use crate::log::{Channel, Estimate};

/// Which way a metric goes when the sensor or its wiring gets worse.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Worse {
    /// It grows.
    Up,
    /// It may go either way.
    Either,
}

/// How a metric is followed over the sessions of a sensor's life.
#[derive(Debug)]
pub struct Ageing {
    /// Its bad direction.
    pub worse: Worse,
    /// Multiple of the sensor's own first sessions at which to act; null where the metric's own limit holds.
    pub act_ratio: Option<f64>,
    /// Whether a lasting step to the better (either way for [`Worse::Either`]) looks like another sensor.
    pub tells_replacement: bool,
}

/// All that `explain` says about a metric.
#[derive(Debug)]
pub struct Meta {
    /// Name in documents.
    pub name: &'static str,
    /// Its unit.
    pub unit: &'static str,
    /// One clause, lower case, no full stop.
    pub summary: &'static str,
    /// Markdown: from which natural events, how computed.
    pub how: &'static str,
    /// How it ages, and the limit it is held against, with its origin.
    pub limit: &'static str,
    /// What fools it.
    pub traps: &'static str,
    /// Standards, publications, or how a number is known.
    pub sources: &'static [&'static str],
    /// How it is followed in a ledger; null for what does not age.
    pub ageing: Option<Ageing>,
}

/// Every metric, in the order of the documentation.
pub static ALL: &[Meta] = &[
    response::TIME_CONSTANT,
    response::ASYMMETRY,
    dead_time::DEAD_TIME,
    gas_delay::GAS_DELAY,
    air::FREE_AIR,
    air::LAMBDA_ONE,
    link::NOISE,
    link::RESOLUTION,
    link::STALE_SHARE,
    link::CODE_SHARE,
    warm_up::WARM_UP_TIME,
    supply::DROP,
    supply::LOOP_RESISTANCE,
    supply::GROUND_OFFSET,
];

/// Every metric, measurable or not; none in a log without a mixture channel.
pub fn measure(view: &View<'_>, detection: &Detection) -> Vec<HealthMetric> {
    let Some(chain) = view.chain else { return Vec::new() };
    let Some(channel) = view.log.channels.get(chain.channel) else { return Vec::new() };
    let subject = Subject { view, detection, chain, channel };
    let mut metrics = response::measure(&subject);
    metrics.push(gas_delay::measure(&subject));
    metrics.extend(air::measure(&subject));
    metrics.extend(link::measure(&subject));
    metrics.push(warm_up::measure(&subject));
    metrics.extend(supply::measure(&subject));
    metrics
}

/// What every metric looks at.
struct Subject<'a> {
    view: &'a View<'a>,
    detection: &'a Detection,
    chain: &'a Chain,
    channel: &'a Channel,
}

impl Subject<'_> {
    /// A metric that this log cannot tell.
    fn not_measurable(
        &self,
        meta: &Meta,
        direction: Option<&str>,
        because: impl Into<String>,
    ) -> HealthMetric {
        HealthMetric {
            metric: meta.name.to_owned(),
            channel: self.channel.name.clone(),
            direction: direction.map(str::to_owned),
            value: None,
            unit: meta.unit.to_owned(),
            low: None,
            high: None,
            events: 0,
            limit: None,
            status: HealthStatus::NotMeasurable,
            because: because.into(),
        }
    }

    /// A measured metric.
    fn measured(&self, meta: &Meta, value: Estimate, events: usize, verdict: Verdict) -> HealthMetric {
        HealthMetric {
            metric: meta.name.to_owned(),
            channel: self.channel.name.clone(),
            direction: None,
            value: Some(value.value),
            unit: meta.unit.to_owned(),
            low: Some(value.low),
            high: Some(value.high),
            events: events as u64,
            limit: verdict.limit,
            status: verdict.status,
            because: verdict.because,
        }
    }
}

/// What a value means.
struct Verdict {
    limit: Option<f64>,
    status: HealthStatus,
    because: String,
}

/// Holds an estimate against two limits: past one only when the nearer end of its interval says so too for `act`.
///
/// * `watch`, `act`: upper limits, `watch <= act`
fn against(value: &Estimate, watch: f64, act: f64) -> HealthStatus {
    if value.value > act && value.low > watch {
        HealthStatus::Act
    } else if value.value > watch {
        HealthStatus::Watch
    } else {
        HealthStatus::Ok
    }
}

/// A value that is counted, not estimated.
const fn exactly(value: f64) -> Estimate {
    Estimate { value, low: value, high: value }
}

#[cfg(test)]
mod tests;
