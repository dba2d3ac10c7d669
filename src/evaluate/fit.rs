//! Fits the one monotone calibration of trust on tune seeds, and shows whether it holds on what it has not seen.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::families;
use super::outcome::{Outcome, TrustFact};
use super::reliance::{FACTORS, mixture, usual_prevalence, weights};
use super::weighted::{Trial, brier, reliability};
use crate::document::About;
use crate::trust::calibration::{self, Curve, Family, KNOTS, Measured, RAW_RANGE};

/// One log of one channel, with its log.
pub(super) struct Sample<'a> {
    pub(super) outcome: &'a Outcome,
    pub(super) fact: &'a TrustFact,
}

/// Faulty channels that a fit needs: four terms, a hundred each.
const FEWEST_FAULTY: usize = 400;

/// Logs that a kind of finding must have been met on before what it was worth counts as measured.
const FEWEST_LOGS: usize = 12;

/// Share of samples off away from a finding above which the log says nothing about it.
const WRONG_ANYWAY: f64 = 0.5;

/// A fit, and what was left out of it once.
pub struct Fit {
    /// Of mixture channels; null with too few faulty ones.
    pub mixture: Option<Curve>,
    /// The file that holds the constants.
    pub file: String,
    /// The leave-out table as text, with the reliability on the logs of the fit itself.
    pub left_out: String,
}

/// Fits at the largest prevalence of faults of the table: a score must hold even there. Only mixture channels have a
/// curve: of the others the simulator makes some faults as often as it likes, nobody has counted those of real loggers,
/// and a curve would pass that choice off as a measurement.
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
    let all: Vec<Sample<'_>> = lambda
        .iter()
        .chain(&rest)
        .map(|sample| Sample { outcome: sample.outcome, fact: sample.fact })
        .collect();
    let faulty = lambda.iter().filter(|sample| sample.fact.faulty).count();
    let mixture = (faulty >= FEWEST_FAULTY).then(|| lower_limit(&trials(&lambda, FACTORS[2])));
    let kinds = [findings(&lambda, true), findings(&rest, false)].concat();
    let file = file(mixture, &kinds, &families::measure(&all), command);
    let left_out = left_out(&lambda) + &mixture.map_or_else(String::new, |curve| on_own_logs(&lambda, curve));
    Fit { mixture, file, left_out }
}

/// Reliability of a curve on the logs that it was fitted to: where even that is off, the curve has the wrong shape.
fn on_own_logs(samples: &[Sample<'_>], curve: Curve) -> String {
    let (of_faulty, of_sound) = log_weights(samples, FACTORS[2]);
    let trials: Vec<Trial> = samples
        .iter()
        .map(|sample| {
            let weight = if sample.fact.faulty { of_faulty } else { of_sound };
            Trial { weight, ..of_log(sample, curve) }
        })
        .collect();
    let mut text = "\nOn the logs of the fit, faults x10\n".to_owned();
    for bin in reliability(&trials) {
        let _ = writeln!(
            text,
            "  {:.2}..{:.2} {:>6} runs: stated {:.3}, observed {:.3} ({:.3} to {:.3})",
            bin.from, bin.to, bin.runs, bin.stated, bin.observed, bin.low, bin.high
        );
    }
    text
}

/// A whole log as one trial: means over its votes.
fn of_log(sample: &Sample<'_>, curve: Curve) -> Trial {
    let votes = &sample.fact.votes;
    let mean = |value: &dyn Fn(&(f64, f64)) -> f64| votes.iter().map(value).sum::<f64>() / votes.len() as f64;
    Trial { stated: mean(&|vote| curve.apply(vote.0)), good: mean(&|vote| vote.1), weight: 1.0 }
}

/// What samples under each kind of finding were beyond what all others of the same log were, every log with one vote:
/// a channel that is wrong from end to end says nothing about an end stop in it. One log of the assumed value is
/// added, so that a few logs cannot make a finding certain.
fn findings(samples: &[Sample<'_>], of_mixture: bool) -> Vec<Measured> {
    let (of_faulty, of_sound) = log_weights(samples, FACTORS[2]);
    let mut kinds: BTreeMap<(&'static str, u8, bool), (Measured, f64, f64)> = BTreeMap::new();
    for sample in samples {
        let weight = if sample.fact.faulty { of_faulty } else { of_sound };
        for under in &sample.fact.under {
            let elsewhere = under.elsewhere.unwrap_or(0.0);
            if elsewhere > WRONG_ANYWAY {
                continue;
            }
            let key = (under.detector, under.flag.code(), under.about == About::Limit);
            let assumed = calibration::assumed(under.detector, under.flag, under.about);
            let new = Measured {
                detector: under.detector,
                flag: under.flag,
                about: under.about,
                of_mixture,
                off: assumed,
                logs: 0,
            };
            let (kind, off, all) = kinds.entry(key).or_insert((new, assumed, 1.0));
            kind.logs += 1;
            *off += weight * ((under.off - elsewhere) / (1.0 - elsewhere)).max(0.0);
            *all += weight;
        }
    }
    kinds
        .into_values()
        .filter(|(kind, ..)| kind.logs >= FEWEST_LOGS)
        .map(|(kind, off, all)| Measured { off: round(off / all), ..kind })
        .collect()
}

/// Share of faulty channels at a multiple of the usual odds of a fault.
pub(super) fn usual(factor: f64, of_mixture: bool) -> f64 {
    let prevalence = usual_prevalence(of_mixture);
    let odds = prevalence / (1.0 - prevalence) * factor;
    odds / (1.0 + odds)
}

/// Weights of faulty and sound logs at a multiple of the usual odds of a fault.
fn log_weights(samples: &[Sample<'_>], factor: f64) -> (f64, f64) {
    let faulty = samples.iter().filter(|sample| sample.fact.faulty).count();
    let share = faulty as f64 / samples.len().max(1) as f64;
    weights(share, usual(factor, samples.iter().any(|sample| mixture(sample.fact.role))))
}

/// Votes as trials, apart by log: every log has one vote to give, shared among its windows.
fn trials(samples: &[Sample<'_>], factor: f64) -> Vec<Vec<Trial>> {
    let (of_faulty, of_sound) = log_weights(samples, factor);
    let of_sample = |sample: &Sample<'_>| -> Vec<Trial> {
        let weight = if sample.fact.faulty { of_faulty } else { of_sound };
        let votes = &sample.fact.votes;
        let each = weight / votes.len() as f64;
        votes.iter().map(|(raw, good)| Trial { stated: *raw, good: *good, weight: each }).collect()
    };
    samples.iter().map(of_sample).collect()
}

/// Terms of the regression: the offset and one slope for each part of the curve.
const TERMS: usize = 4;

/// Terms of the regression at a raw probability.
fn terms(raw: f64) -> [f64; TERMS] {
    let [below, between, above] = Curve::terms(raw);
    [1.0, below, between, above]
}

fn product(a: [f64; TERMS], b: [f64; TERMS]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// A regression: its values, and the matrix of its curvature there.
struct Regression {
    at: [f64; TERMS],
    curvature: [[f64; TERMS]; TERMS],
}

/// What one trial pulls at each value.
fn pull(trial: &Trial, at: [f64; TERMS]) -> [f64; TERMS] {
    let terms = terms(trial.stated);
    let p = 1.0 / (1.0 + (-product(terms, at)).exp());
    terms.map(|term| trial.weight * (trial.good - p) * term)
}

/// Logistic regression of good samples on the terms of the raw probability, by Newton's method with a weak pull
/// towards the identity (a hundredth of a trial) that keeps it finite.
fn regress(logs: &[Vec<Trial>]) -> Regression {
    let identity = Curve::identity();
    let [below, between, above] = identity.slopes;
    let prior = [identity.offset, below, between, above];
    let weak = 1e-2;
    let mut at = prior;
    let mut curvature = [[0.0; TERMS]; TERMS];
    for _ in 0..80 {
        let mut gradient: [f64; TERMS] = std::array::from_fn(|i| weak * (prior[i] - at[i]));
        curvature = [[0.0; TERMS]; TERMS];
        for (i, row) in curvature.iter_mut().enumerate() {
            row[i] = weak;
        }
        for trial in logs.iter().flatten() {
            let terms = terms(trial.stated);
            let p = 1.0 / (1.0 + (-product(terms, at)).exp());
            for (sum, value) in gradient.iter_mut().zip(pull(trial, at)) {
                *sum += value;
            }
            for i in 0..TERMS {
                for k in 0..TERMS {
                    curvature[i][k] += trial.weight * p * (1.0 - p) * terms[i] * terms[k];
                }
            }
        }
        let step = solve(curvature, gradient);
        for (value, step) in at.iter_mut().zip(step) {
            *value += step.clamp(-1.0, 1.0);
        }
        if step.iter().all(|step| step.abs() < 1e-9) {
            break;
        }
    }
    Regression { at, curvature }
}

/// One-sided 95 % of the normal distribution.
const ONE_SIDED_95: f64 = 1.644_854;

/// The curve that the logs show with 95 % confidence: the lower limit of the regression at the corners of the curve,
/// straight between them. A curve through the middle is too high on every other new set of logs; too high is the error
/// that a reader acts on.
///
/// The windows of one log fail together, so that logs are the sample, not windows.
///
/// # Source
/// White, Econometrica 50 (1982) 1, the variance of a misspecified model, summed by groups (from memory).
fn lower_limit(logs: &[Vec<Trial>]) -> Curve {
    let Regression { at, curvature } = regress(logs);
    let pulls: Vec<[f64; TERMS]> = logs
        .iter()
        .map(|trials| {
            let mut sum = [0.0; TERMS];
            for trial in trials {
                for (sum, value) in sum.iter_mut().zip(pull(trial, at)) {
                    *sum += value;
                }
            }
            sum
        })
        .collect();
    let low = |raw: f64| {
        let leverage = solve(curvature, terms(raw));
        let variance: f64 = pulls.iter().map(|pull| product(leverage, *pull).powi(2)).sum();
        product(terms(raw), at) - ONE_SIDED_95 * variance.sqrt()
    };
    let corners = [RAW_RANGE.0, KNOTS[0], KNOTS[1], RAW_RANGE.1];
    let heights = corners.map(low);
    let slope = |part: usize| {
        let run: f64 = Curve::terms(corners[part + 1])[part] - Curve::terms(corners[part])[part];
        round(((heights[part + 1] - heights[part]) / run).max(0.0))
    };
    Curve { offset: round(heights[1]), slopes: std::array::from_fn(slope) }
}

/// Solves equations with a positive definite matrix by elimination.
fn solve(mut matrix: [[f64; TERMS]; TERMS], mut right: [f64; TERMS]) -> [f64; TERMS] {
    for i in 0..TERMS {
        for k in i + 1..TERMS {
            let factor = matrix[k][i] / matrix[i][i];
            let pivot = matrix[i];
            for (value, above) in matrix[k].iter_mut().zip(pivot) {
                *value -= factor * above;
            }
            right[k] -= factor * right[i];
        }
    }
    for i in (0..TERMS).rev() {
        let known: f64 = (i + 1..TERMS).map(|k| matrix[i][k] * right[k]).sum();
        right[i] = (right[i] - known) / matrix[i][i];
    }
    right
}

pub(super) fn round(value: f64) -> f64 {
    (value * 1e4).round() / 1e4
}

fn file(mixture: Option<Curve>, findings: &[Measured], families: &[Family], command: &str) -> String {
    let line = |curve: Option<Curve>| {
        curve.map_or_else(
            || "None".to_owned(),
            |c| format!("Some(Curve {{ offset: {:?}, slopes: {:?} }})", c.offset, c.slopes),
        )
    };
    let mut text = format!(
        "//! Fitted constants of the trust calibration. Generated; do not edit.\n//!\n//! Made by `{command}`,\n//! run \
         twice: families and findings come first, the curves rest on them. All at ten times the usual odds of a\n//! \
         fault, on tune seeds only.\n\nuse super::calibration::{{Curve, Family, Measured, Power, Whose}};\nuse \
         crate::document::About;\nuse crate::flag::Flag;\n\n/// Of mixture channels; null with too few faulty \
         ones.\npub const MIXTURE: Option<Curve> = {};\n\n/// Families of faults; those of 0 logs \
         are assumed.\n#[rustfmt::skip]\npub const FAMILIES: &[Family<&[Power]>] = &[\n",
        line(mixture)
    );
    for family in families {
        let powers: Vec<String> = family
            .powers
            .iter()
            .map(|p| format!("Power {{ detector: {:?}, share: {:?} }}", p.detector, p.share))
            .collect();
        let _ = writeln!(
            text,
            "    Family {{\n        name: {:?}, prior: {:?}, whose: Whose::{:?}, logs: {},\n        powers: &[{}],\n    }},",
            family.name,
            family.prior,
            family.whose,
            family.logs,
            powers.join(", ")
        );
    }
    text += "];\n\n/// What samples under each kind of finding were, beyond all others of the same \
             log.\n#[rustfmt::skip]\npub const FINDINGS: &[Measured] = &[\n";
    for m in findings {
        let _ = writeln!(
            text,
            "    Measured {{ detector: {:?}, flag: Flag::{:?}, about: About::{:?}, of_mixture: {}, off: {:?}, logs: {} \
             }},",
            m.detector, m.flag, m.about, m.of_mixture, m.off, m.logs
        );
    }
    text + "];\n"
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
        let curve = lower_limit(&trials(&pick(false), FACTORS[2]));
        let judged: Vec<Trial> = pick(true).iter().map(|sample| of_log(sample, curve)).collect();
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

    /// `number` logs at each per cent, good by the curve's own share.
    fn made(curve: Curve, number: usize) -> Vec<Vec<Trial>> {
        let of = |k: usize| {
            let raw = (k / number + 1) as f64 / 100.0;
            let good = f64::from(u8::from((k % number) as f64 + 0.5 < curve.apply(raw) * number as f64));
            vec![Trial { stated: raw, good, weight: 1.0 }]
        };
        (0..98 * number).map(of).collect()
    }

    #[test]
    fn a_fit_finds_the_curve_that_made_the_outcomes_from_below() {
        let curve = Curve { offset: 1.5, slopes: [2.0, 0.3, 0.6] };
        let below = |number: usize| {
            let found = lower_limit(&made(curve, number));
            [0.1, 0.4, 0.65, 0.9, 0.97].map(|raw| curve.apply(raw) - found.apply(raw))
        };
        let (few, many) = (below(40), below(4_000));
        assert!(few.iter().all(|gap| (0.0..0.08).contains(gap)), "{few:?}");
        assert!(many.iter().all(|gap| (0.0..0.008).contains(gap)), "{many:?}");
        assert!(few.iter().zip(many).all(|(few, many)| *few > 3.0 * many), "{few:?} {many:?}");
    }

    #[test]
    fn windows_of_one_log_count_as_one() {
        let curve = Curve { offset: 1.5, slopes: [2.0, 0.3, 0.6] };
        let once = made(curve, 40);
        let split: Vec<Vec<Trial>> =
            once.iter().map(|log| vec![Trial { weight: log[0].weight / 5.0, ..log[0] }; 5]).collect();
        assert_eq!(lower_limit(&once), lower_limit(&split));
    }
}
