//! Logs with known truth: engine, fuel, gas, sensor, controller, link and logger at 1 ms, seeded.
//!
//! ```text
//! Scenario -> drive, engine, fuel, gas (trace) -> sensor, controller, link (chain) -> logger -> text
//!                                              \-> the same chain without its faults -> truth
//! ```
//!
//! For the causes of lean readings there is no other truth than a simulated one: nobody labels real logs at
//! the cylinder. What a simulation calibrates is arithmetic, not reality. Ranges of parameters follow the
//! physics note of the project; values marked "assumed" in the code are just that.
//!
//! For callers: build a [`Scenario`] ([`Scenario::of`], [`Scenario::named`], [`Scenario::random`]), push
//! [`Fault`]s ([`Fault::parse`] reads them from text), call [`run`], then [`Run::text`] for the log and
//! [`Run::truth`] for what happened.

mod beside;
mod chain;
mod decidable;
mod drive;
mod engine;
mod fault;
mod fuel;
mod gas;
mod imitation;
mod logger;
mod machine;
mod random;
mod scenario;
#[cfg(test)]
mod tests;
mod trace;
mod truth;
mod twin;
mod write;

use std::ops::Range;

use crate::read::sha256;

pub use chain::{Reading, mask_bit};
pub use fault::{Fault, FaultError, FaultKind, FaultMeta, Place};
pub use fuel::GasCause;
pub use imitation::{imitated, torque_beyond_mixture};
pub use logger::{Column, Rows};
pub use machine::ALL_CHANNELS;
pub use random::{Draw, Stream};
pub use scenario::{
    Cut, Electrics, Engine, Exhaust, Fuel, Link, LinkKind, Logger, Machine, MixtureUnit, Phase, Scenario,
    Sensor,
};
pub use trace::Trace;
pub use truth::{HAZARD_CYCLES, SCHEMA, Span, Truth, TruthChannel, TruthEvent};
pub use twin::{Apart, Sight, dangerous, hides, sight};

/// One simulated run.
#[derive(Clone, Debug)]
pub struct Run {
    /// The scenario.
    pub scenario: Scenario,
    /// True quantities every millisecond.
    pub trace: Trace,
    /// The mixture reading every millisecond.
    pub reading: Reading,
    /// What a healthy chain would have read from the same gas.
    pub healthy_reading: Reading,
    /// The log.
    pub rows: Rows,
    /// What a healthy chain and logger would have written.
    pub healthy_rows: Rows,
    /// What happened.
    pub truth: Truth,
}

impl Run {
    /// The log as text.
    pub fn text(&self) -> Vec<u8> {
        write::text(&self.scenario, &self.rows)
    }

    /// The truth as JSON, with the digest of the log that it belongs to.
    ///
    /// # Errors
    /// Only where serialising fails, which these types do not.
    pub fn truth_json(&self) -> serde_json::Result<String> {
        let truth = Truth { log_sha256: Some(sha256(&self.text())), ..self.truth.clone() };
        serde_json::to_string_pretty(&truth).map(|text| text + "\n")
    }
}

/// Runs a scenario. The same scenario gives the same bytes everywhere.
pub fn run(scenario: &Scenario) -> Run {
    let trace = trace::run(scenario);
    let reading = chain::run(scenario, &trace, false);
    let healthy_reading = chain::run(scenario, &trace, true);
    let rows = logger::run(scenario, &trace, &reading, false);
    let healthy_rows = logger::run(scenario, &trace, &healthy_reading, true);
    let truth = truth::collect(&truth::Parts {
        scenario,
        trace: &trace,
        healthy_reading: &healthy_reading,
        rows: &rows,
        healthy_rows: &healthy_rows,
    });
    Run { scenario: scenario.clone(), trace, reading, healthy_reading, rows, healthy_rows, truth }
}

/// Half-open ranges of consecutive `true`.
pub(crate) fn run_ranges(flags: &[bool]) -> Vec<Range<usize>> {
    let mut ranges = Vec::new();
    let mut start = None;
    for (index, flag) in flags.iter().enumerate() {
        match (flag, start) {
            (true, None) => start = Some(index),
            (false, Some(from)) => {
                ranges.push(from..index);
                start = None;
            }
            _ => {}
        }
    }
    if let Some(from) = start {
        ranges.push(from..flags.len());
    }
    ranges
}
