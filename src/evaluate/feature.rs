//! What each piece of evidence is worth, measured, beside what it is stated to be worth.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use super::matching::main_truth;
use super::outcome::Outcome;
use crate::document::TreatAs;

/// One feature in favour of, or against, one set of causes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FeatureRow {
    /// Its name.
    pub name: String,
    /// Whether it speaks for the causes; else against them.
    pub speaks_for: bool,
    /// The causes.
    pub causes: Vec<String>,
    /// Events of these causes in which it could be evaluated, and in which it spoke so.
    pub own: (usize, usize),
    /// The same for all other events.
    pub others: (usize, usize),
    /// The same for dangers that are none of these causes: what an artefact must not be taken for.
    pub other_dangers: (usize, usize),
    /// Mean stated log10 likelihood ratio where it spoke.
    pub stated: f64,
    /// Measured one against all other events.
    pub measured: f64,
    /// Its 95 % interval (half an event added to each count).
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// Stated farther from 0 than the interval allows.
    pub overconfident: bool,
}

#[derive(Default)]
struct Sum {
    stated: f64,
    own: (usize, usize),
    others: (usize, usize),
    dangers: (usize, usize),
}

/// Every feature that spoke at least once, by name, direction and causes.
///
/// An event that meets no true one has no cause to be measured against: it counts among the extra events.
pub fn tabulate(outcomes: &[Outcome]) -> Vec<FeatureRow> {
    // Which directions and causes a feature has at all.
    let mut kinds: BTreeMap<(String, bool, Vec<String>), Sum> = BTreeMap::new();
    let mut of_feature: BTreeMap<String, BTreeSet<(bool, Vec<String>)>> = BTreeMap::new();
    let spoken = |outcome: &Outcome| -> Vec<(String, bool, Vec<String>)> {
        let all = outcome.events.iter().flat_map(|event| &event.evidence);
        all.filter(|e| e.evaluated && e.log10_lr != 0.0)
            .map(|e| (e.name.clone(), e.log10_lr > 0.0, e.favours.clone()))
            .collect()
    };
    for (name, speaks_for, causes) in outcomes.iter().flat_map(spoken) {
        of_feature.entry(name).or_default().insert((speaks_for, causes));
    }
    for outcome in outcomes {
        for event in &outcome.events {
            let Some(truth) = main_truth(outcome, event) else { continue };
            let is = |cause: &String| truth.cause == *cause || truth.also.contains(cause);
            let danger = truth.treat_as == TreatAs::Hazard;
            for evidence in event.evidence.iter().filter(|evidence| evidence.evaluated) {
                let Some(directions) = of_feature.get(&evidence.name) else { continue };
                for (speaks_for, causes) in directions {
                    let sum = kinds.entry((evidence.name.clone(), *speaks_for, causes.clone())).or_default();
                    let speaks = evidence.log10_lr != 0.0
                        && (evidence.log10_lr > 0.0) == *speaks_for
                        && evidence.favours == *causes;
                    let own = causes.iter().any(is);
                    let slot = if own { &mut sum.own } else { &mut sum.others };
                    slot.0 += 1;
                    slot.1 += usize::from(speaks);
                    if danger && !own {
                        sum.dangers.0 += 1;
                        sum.dangers.1 += usize::from(speaks);
                    }
                    sum.stated += if speaks { evidence.log10_lr } else { 0.0 };
                }
            }
        }
    }
    kinds.into_iter().map(|((name, speaks_for, causes), sum)| row(name, speaks_for, causes, &sum)).collect()
}

fn row(name: String, speaks_for: bool, causes: Vec<String>, sum: &Sum) -> FeatureRow {
    let spoke = sum.own.1 + sum.others.1;
    let stated = sum.stated / spoke.max(1) as f64;
    let rate = |(of, count): (usize, usize)| (count as f64 + 0.5) / (of as f64 + 1.0);
    // Variance of the logarithm of a share.
    let spread = |(of, count): (usize, usize)| 1.0 / (count as f64 + 0.5) - 1.0 / (of as f64 + 1.0);
    let measured = (rate(sum.own) / rate(sum.others)).log10();
    let half = 1.96 * (spread(sum.own) + spread(sum.others)).max(0.0).sqrt() / std::f64::consts::LN_10;
    let (low, high) = (measured - half, measured + half);
    let overconfident = if speaks_for { stated > high } else { stated < low };
    FeatureRow {
        name,
        speaks_for,
        causes,
        own: sum.own,
        others: sum.others,
        other_dangers: sum.dangers,
        stated,
        measured,
        low,
        high,
        overconfident,
    }
}
