//! The evaluation that ships: simulated suites with recorded seeds, the real audit on the written logs, and what
//! came of it beside the truth.
//!
//! ```text
//! seed -> plan (suite) -> run (simulate) -> bytes -> read -> rig -> audit -> outcome
//!      -> verdicts, detection, reliance (trust), feature (evidence), response (time constants) -> Evaluation
//! ```
//!
//! It measures arithmetic and physics against what was put into the simulator, not reality.

pub mod detection;
mod families;
pub mod feature;
pub mod fit;
pub mod matching;
pub mod outcome;
pub mod page;
pub mod proofs;
pub mod reliance;
pub mod response;
pub mod standstill;
pub mod suite;
mod unnamed;
pub mod verdicts;
pub mod weighted;

#[cfg(test)]
mod tests;

use std::ops::Range;

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

pub use outcome::{Outcome, judge};
pub use suite::{FULL_LOGS, Load, Suite};

/// Version of the document.
pub const SCHEMA: &str = "sondeproof.evaluation/1";

/// Everything that was measured.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Evaluation {
    /// `sondeproof.evaluation/1`.
    pub schema: String,
    /// Version of the program.
    pub version: String,
    /// The command line that makes the same document again.
    pub command: String,
    /// The suite.
    pub suite: Suite,
    /// First seed, and the one after the last.
    pub seeds: (u64, u64),
    /// Logs.
    pub logs: usize,
    /// Without a fault.
    pub fault_free_logs: usize,
    /// With two faults.
    pub pair_logs: usize,
    /// Hours of log.
    pub hours: f64,
    /// Logs that could not be audited for lean events, with the reason.
    pub failed: Vec<(u64, String)>,
    /// Lean events.
    pub verdicts: verdicts::Verdicts,
    /// Detectors.
    pub detectors: Vec<detection::DetectorRow>,
    /// Trust.
    pub trust: Vec<reliance::TrustTable>,
    /// Time constants.
    pub responses: Vec<response::TauRow>,
    /// Evidence.
    pub features: Vec<feature::FeatureRow>,
}

/// Runs the logs of some seeds, in parallel; the result does not depend on the number of threads.
///
/// * `progress`: called once per log done
pub fn outcomes(seeds: Range<u64>, progress: &(dyn Fn() + Sync)) -> Vec<Outcome> {
    seeds
        .into_par_iter()
        .map(|seed| {
            let outcome = judge(seed);
            progress();
            outcome
        })
        .collect()
}

/// Sets outcomes of a run of seeds of a suite beside their truth.
pub fn evaluate(suite: Suite, outcomes: &[Outcome]) -> Evaluation {
    let count = |load: Load| outcomes.iter().filter(|outcome| outcome.load == load).count();
    let first = outcomes.first().map_or(suite.seeds().start, |outcome| outcome.seed);
    Evaluation {
        schema: SCHEMA.to_owned(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        command: suite.command(first, outcomes.len()),
        suite,
        seeds: (first, first + outcomes.len() as u64),
        logs: outcomes.len(),
        fault_free_logs: count(Load::FaultFree),
        pair_logs: count(Load::Pair),
        hours: outcomes.iter().map(|outcome| outcome.duration_s).sum::<f64>() / 3600.0,
        failed: outcomes.iter().filter_map(|o| Some((o.seed, o.failed.clone()?))).collect(),
        verdicts: verdicts::tabulate(outcomes),
        detectors: detection::tabulate(outcomes),
        trust: reliance::tabulate(outcomes),
        responses: response::tabulate(outcomes),
        features: feature::tabulate(outcomes),
    }
}
