//! Whether trust means what it says.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::outcome::{Outcome, TrustFact};
use super::weighted::{self, Bin, Brier, Trial};
use crate::log::Role;

/// Share of logs in which a channel has a fault, before anything is tested; the 1x of the table, 0.1x and 10x multiply
/// its odds. Assumed: a mixture chain has a hot element, a controller and a link of its own; of the ten other channels of
/// a log one fails in every fifth log.
pub const fn usual_prevalence(of_mixture: bool) -> f64 {
    if of_mixture { 0.12 } else { 0.02 }
}

/// Factors on the odds of a fault.
pub const FACTORS: [f64; 3] = [0.1, 1.0, 10.0];

/// Rounds and seed of the interval of the calibration error.
const ROUNDS: usize = 400;
const SEED: u64 = 0x5EED_0002;

/// Trust at one prevalence of faults.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct AtPrevalence {
    /// Factor on the odds; 0 for the suite as it is.
    pub factor: f64,
    /// Share of faulty runs.
    pub prevalence: f64,
    /// Reliability table.
    pub bins: Vec<Bin>,
    /// Whether no bin is overconfident beyond its interval.
    pub passes: bool,
    /// Brier score and terms.
    pub brier: Option<Brier>,
    /// Expected calibration error.
    pub expected_error: f64,
    /// Its bootstrap interval.
    pub expected_error_interval: (f64, f64),
    /// Chance that a good sample has more trust than a bad one.
    pub area_under_curve: Option<f64>,
}

/// Trust of one kind of channel.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TrustTable {
    /// `lambda`, `others`, or a role.
    pub channels: String,
    /// Channels with a score, one per log.
    pub runs: usize,
    /// Channels without one.
    pub not_evaluated: usize,
    /// Of those with a score, with a fault somewhere in the log.
    pub faulty: usize,
    /// Truth inside the stated bounds, share of runs.
    pub inside_bounds: Option<f64>,
    /// The suite as it is, then each prevalence.
    pub at: Vec<AtPrevalence>,
}

/// Lambda, all other channels together, and each role apart.
pub fn tabulate(outcomes: &[Outcome]) -> Vec<TrustTable> {
    let facts = || outcomes.iter().flat_map(|outcome| &outcome.trust);
    let mut tables = vec![
        table("lambda", facts().filter(|fact| mixture(fact.role))),
        table("others", facts().filter(|fact| !mixture(fact.role))),
    ];
    let mut roles: BTreeMap<&'static str, Vec<&TrustFact>> = BTreeMap::new();
    for fact in facts().filter(|fact| !mixture(fact.role)) {
        roles.entry(fact.role.name()).or_default().push(fact);
    }
    tables.extend(roles.into_iter().map(|(name, facts)| table(name, facts.into_iter())));
    tables.retain(|table| table.runs > 0);
    tables
}

pub(super) const fn mixture(role: Role) -> bool {
    matches!(role, Role::Lambda | Role::Afr)
}

fn table<'a>(name: &str, facts: impl Iterator<Item = &'a TrustFact>) -> TrustTable {
    let facts: Vec<&TrustFact> = facts.collect();
    let scored: Vec<(&TrustFact, f64)> = facts.iter().filter_map(|fact| Some((*fact, fact.score?))).collect();
    let faulty = scored.iter().filter(|(fact, _)| fact.faulty).count();
    let inside = scored.iter().filter(|(f, _)| f.bounds.0 - 1e-9 <= f.good && f.good <= f.bounds.1 + 1e-9);
    let trials = |weight: &dyn Fn(&TrustFact) -> f64| -> Vec<Trial> {
        scored
            .iter()
            .map(|(fact, stated)| Trial { stated: *stated, good: fact.good, weight: weight(fact) })
            .collect()
    };
    let share = faulty as f64 / scored.len().max(1) as f64;
    let mut at = vec![at_prevalence(0.0, share, &trials(&|_| 1.0))];
    for factor in FACTORS {
        let usual = usual_prevalence(facts.iter().all(|fact| mixture(fact.role)));
        let odds = usual / (1.0 - usual) * factor;
        let wanted = odds / (1.0 + odds);
        let (of_faulty, of_sound) = weights(share, wanted);
        let weighted = trials(&|fact| if fact.faulty { of_faulty } else { of_sound });
        at.push(at_prevalence(factor, wanted, &weighted));
    }
    TrustTable {
        channels: name.to_owned(),
        runs: scored.len(),
        not_evaluated: facts.len() - scored.len(),
        faulty,
        inside_bounds: (!scored.is_empty()).then(|| inside.count() as f64 / scored.len() as f64),
        at,
    }
}

/// Weights of faulty and sound runs that turn one share of faulty ones into another.
pub(super) fn weights(share: f64, wanted: f64) -> (f64, f64) {
    let ratio = |wanted: f64, share: f64| if share > 0.0 { wanted / share } else { 0.0 };
    (ratio(wanted, share), ratio(1.0 - wanted, 1.0 - share))
}

fn at_prevalence(factor: f64, prevalence: f64, trials: &[Trial]) -> AtPrevalence {
    let bins = weighted::reliability(trials);
    AtPrevalence {
        factor,
        prevalence,
        passes: bins.iter().all(|bin| !bin.overconfident),
        bins,
        brier: weighted::brier(trials),
        expected_error: weighted::expected_error(trials),
        expected_error_interval: weighted::expected_error_interval(trials, ROUNDS, SEED),
        area_under_curve: weighted::area_under_curve(trials),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fact(score: f64, good: f64, faulty: bool) -> TrustFact {
        TrustFact { score: Some(score), good, faulty, ..TrustFact::of_nothing() }
    }

    #[test]
    fn weights_give_the_prevalence_that_was_asked_for() {
        let facts: Vec<TrustFact> = (0..100).map(|k| fact(0.9, 1.0, k % 4 == 0)).collect();
        let table = table("lambda", facts.iter());
        assert_eq!((table.runs, table.faulty), (100, 25));
        let (of_faulty, of_sound) = weights(0.25, 0.12);
        assert!((25.0 * of_faulty / (25.0 * of_faulty + 75.0 * of_sound) - 0.12).abs() < 1e-12);
        assert!((table.at[2].prevalence - usual_prevalence(true)).abs() < 1e-12);
    }

    #[test]
    fn more_faults_make_the_same_scores_overconfident() {
        // 0.9 is stated; every faulty run is bad: fine at 1.3 % faults, far too much at 58 %.
        let facts: Vec<TrustFact> =
            (0..400).map(|k| fact(0.9, f64::from(u8::from(k % 2 == 0)), k % 2 == 1)).collect();
        let table = table("lambda", facts.iter());
        assert!(table.at[1].passes);
        assert!(!table.at[3].passes);
    }
}
