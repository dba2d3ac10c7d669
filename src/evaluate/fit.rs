//! Fits the one monotone calibration of trust on tune seeds, and shows whether it holds on what it has not seen.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::outcome::{Outcome, TrustFact};
use super::reliance::{FACTORS, USUAL_PREVALENCE, mixture, weights};
use super::weighted::{Trial, brier, reliability};
use crate::trust::calibration::{Curve, RAW_RANGE};

/// One log of one channel, with its log.
struct Sample<'a> {
    outcome: &'a Outcome,
    fact: &'a TrustFact,
}

/// A fit, and what was left out of it once.
pub struct Fit {
    /// Of mixture channels.
    pub mixture: Curve,
    /// Of all others.
    pub others: Curve,
    /// The file that holds the constants.
    pub file: String,
    /// The leave-out table as text.
    pub left_out: String,
}

/// Fits at the largest prevalence of faults of the table: a score must hold even there.
///
/// * `command`: written into the file
pub fn fit(outcomes: &[Outcome], command: &str) -> Fit {
    let of = |wanted: bool| -> Vec<Sample<'_>> {
        outcomes
            .iter()
            .flat_map(|outcome| outcome.trust.iter().map(move |fact| Sample { outcome, fact }))
            .filter(|sample| mixture(sample.fact.role) == wanted && !sample.fact.votes.is_empty())
            .collect()
    };
    let (lambda, rest) = (of(true), of(false));
    let mixture = curve(&trials(&lambda, FACTORS[2]));
    let others = curve(&trials(&rest, FACTORS[2]));
    Fit { mixture, others, file: file(mixture, others, command), left_out: left_out(&lambda) }
}

/// Votes as trials: every log has one vote to give, shared among its windows.
fn trials(samples: &[Sample<'_>], factor: f64) -> Vec<Trial> {
    let faulty = samples.iter().filter(|sample| sample.fact.faulty).count();
    let share = faulty as f64 / samples.len().max(1) as f64;
    let odds = USUAL_PREVALENCE / (1.0 - USUAL_PREVALENCE) * factor;
    let (of_faulty, of_sound) = weights(share, odds / (1.0 + odds));
    let of_sample = |sample: &Sample<'_>| -> Vec<Trial> {
        let weight = if sample.fact.faulty { of_faulty } else { of_sound };
        let votes = &sample.fact.votes;
        let each = weight / votes.len() as f64;
        votes.iter().map(|(raw, good)| Trial { stated: *raw, good: *good, weight: each }).collect()
    };
    samples.iter().flat_map(of_sample).collect()
}

/// Logistic regression of good samples on the log odds of the raw probability, by Newton's method with a weak
/// pull towards the identity (a thousandth of a trial) that keeps it finite.
fn curve(trials: &[Trial]) -> Curve {
    let (mut offset, mut slope) = (0.0, 1.0);
    let pull = 1e-3;
    for _ in 0..50 {
        let (mut g0, mut g1) = (-pull * offset, -pull * (slope - 1.0));
        let (mut h00, mut h01, mut h11) = (pull, 0.0, pull);
        for trial in trials {
            let raw = trial.stated.clamp(RAW_RANGE.0, RAW_RANGE.1);
            let x = (raw / (1.0 - raw)).ln();
            let p = 1.0 / (1.0 + (-(offset + slope * x)).exp());
            let spread = trial.weight * p * (1.0 - p);
            g0 += trial.weight * (trial.good - p);
            g1 += trial.weight * (trial.good - p) * x;
            h00 += spread;
            h01 += spread * x;
            h11 += spread * x * x;
        }
        let determinant = h00 * h11 - h01 * h01;
        if determinant.abs() < 1e-12 {
            break;
        }
        let step = ((h11 * g0 - h01 * g1) / determinant, (h00 * g1 - h01 * g0) / determinant);
        offset += step.0.clamp(-1.0, 1.0);
        slope += step.1.clamp(-1.0, 1.0);
        if step.0.abs() + step.1.abs() < 1e-9 {
            break;
        }
    }
    Curve { offset: round(offset), slope: round(slope.max(0.0)) }
}

fn round(value: f64) -> f64 {
    (value * 1e4).round() / 1e4
}

fn file(mixture: Curve, others: Curve, command: &str) -> String {
    let line = |curve: Curve| format!("Curve {{ offset: {:?}, slope: {:?} }}", curve.offset, curve.slope);
    format!(
        "//! Fitted constants of the trust calibration. Generated; do not edit.\n//!\n//! Made by `{command}`: logistic \
         regression at ten times the usual odds of a fault, on tune\n//! seeds only.\n\nuse super::calibration::Curve;\n\n\
         /// Of mixture channels.\npub const MIXTURE: Curve = {};\n\n/// Of all other channels.\npub const OTHERS: \
         Curve = {};\n\n/// The curve of a channel.\npub const fn curve(mixture: bool) -> Curve {{\n    if mixture {{ \
         MIXTURE }} else {{ OTHERS }}\n}}\n",
        line(mixture),
        line(others)
    )
}

/// Leaves out each fault family, machine, rate and set of channels once: fitted without it, judged on it.
fn left_out(samples: &[Sample<'_>]) -> String {
    let mut groups: BTreeMap<String, Vec<bool>> = BTreeMap::new();
    let mut mark = |index: usize, name: String| {
        if let Some(slot) = groups.entry(name).or_insert_with(|| vec![false; samples.len()]).get_mut(index) {
            *slot = true;
        }
    };
    for (index, sample) in samples.iter().enumerate() {
        let outcome = sample.outcome;
        for (kind, _) in &outcome.faults {
            mark(index, format!("fault {}", kind.meta().name));
        }
        mark(index, format!("machine {}", outcome.machine.name()));
        mark(index, format!("rate {:>3} Hz", outcome.rate_hz));
        mark(index, format!("channels {}", outcome.channel_set));
    }
    let mut text =
        "Left out once          logs  stated  observed (95 %)          Brier  bins overconfident\n"
            .to_owned();
    for (name, held) in groups {
        let pick = |wanted: bool| -> Vec<Sample<'_>> {
            samples
                .iter()
                .zip(&held)
                .filter(|(_, held)| **held == wanted)
                .map(|(sample, _)| Sample { outcome: sample.outcome, fact: sample.fact })
                .collect()
        };
        let curve = curve(&trials(&pick(false), FACTORS[2]));
        let judged: Vec<Trial> = pick(true)
            .iter()
            .map(|sample| {
                let votes = &sample.fact.votes;
                let mean = |value: &dyn Fn(&(f64, f64)) -> f64| {
                    votes.iter().map(value).sum::<f64>() / votes.len() as f64
                };
                Trial { stated: mean(&|vote| curve.apply(vote.0)), good: mean(&|vote| vote.1), weight: 1.0 }
            })
            .collect();
        let number = judged.len() as f64;
        let mean = |value: &dyn Fn(&Trial) -> f64| judged.iter().map(value).sum::<f64>() / number;
        let (stated, observed) = (mean(&|t| t.stated), mean(&|t| t.good));
        let (low, high) = super::weighted::wilson(observed, number);
        let bins = reliability(&judged);
        let _ = writeln!(
            text,
            "{name:26} {:>5} {stated:>7.3} {observed:>9.3} ({low:.3} to {high:.3}) {:>6.4}  {} of {}",
            judged.len(),
            brier(&judged).unwrap_or_default().score,
            bins.iter().filter(|bin| bin.overconfident).count(),
            bins.len()
        );
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fit_finds_the_curve_that_made_the_outcomes() {
        let true_curve = Curve { offset: -0.5, slope: 0.7 };
        let trials: Vec<Trial> = (1..99)
            .map(|k| f64::from(k) / 100.0)
            .map(|raw| Trial { stated: raw, good: true_curve.apply(raw), weight: 10.0 })
            .collect();
        let found = curve(&trials);
        assert!((found.offset + 0.5).abs() < 1e-2 && (found.slope - 0.7).abs() < 1e-2, "{found:?}");
    }
}
