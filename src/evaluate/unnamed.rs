//! Artefacts, cuts and misfires that physics can tell and that were not named: what stands in the way.
//!
//! An artefact that a danger can imitate reading by reading cannot be named without dismissing that danger. Nor can an
//! artefact or a cut that hides one: with a danger of three cycles under it or beside it the log reads the same. A misfire
//! that loses no more torque than the mixture it shows is a lean mixture to everybody. Those are counted, and so are those
//! whose event also holds the gas of a true danger. What is left could be named by somebody.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::matching::{main_event, of_gas};
use super::outcome::{Judged, Outcome};
use super::verdicts::{SIGHT_LAMBDA, holds_danger};
use crate::document::{TreatAs, Verdict};
use crate::simulate::{self, Run, TruthEvent};

/// Torque that a misfire must lose beyond its mixture: 2.5 deviations of a tenth, by which the model of torque errs
/// (assumed).
const TORQUE_BEYOND: f64 = 0.25;

/// Events of one cause that physics can tell.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct UnnamedRow {
    /// How many.
    pub decidable: usize,
    /// Of these, not named.
    pub count: usize,
    /// Of these, whose event also holds the gas of a true danger.
    pub beside_danger: usize,
    /// Of the others, alike to a danger: an artefact all of whose readings the gas of one reaches within [`SIGHT_LAMBDA`], a
    /// misfire that shows no more than a lean mixture.
    pub alike: usize,
    /// Of the others, those that hide a danger: with one under it or beside it no reading is further off.
    pub hides: usize,
}

/// What stands in the way of a name.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Obstacle {
    /// A danger reads like it.
    Alike,
    /// A danger under it or beside it is not seen.
    Hides,
    /// Neither: somebody could name it.
    Nothing,
}

/// Kinds of events that must be named.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Artefact,
    Cut,
    Misfire,
}

fn kind(truth: &TruthEvent) -> Option<Kind> {
    if !truth.reads_lean || !truth.decidable {
        None
    } else if !of_gas(truth) {
        Some(Kind::Artefact)
    } else if truth.treat_as == TreatAs::Benign {
        Some(Kind::Cut)
    } else {
        (truth.cause == "misfire").then_some(Kind::Misfire)
    }
}

fn named(kind: Kind, event: Option<&Judged>) -> bool {
    event.is_some_and(|event| match kind {
        Kind::Artefact => event.verdict == Verdict::Artefact,
        Kind::Cut => event.treat_as == TreatAs::Benign,
        Kind::Misfire => event.verdict == Verdict::Misfire,
    })
}

/// Places among the true events of those that are not named, and what stands in the way.
pub(super) fn measure(outcome: &Outcome, run: &Run) -> Vec<(usize, Obstacle)> {
    let events = outcome.truth.iter().enumerate();
    events
        .filter_map(|(index, truth)| Some((index, truth, kind(truth)?)))
        .filter(|(_, truth, kind)| !named(*kind, main_event(outcome, truth)))
        .map(|(index, truth, kind)| (index, obstacle(run, truth, kind)))
        .collect()
}

fn obstacle(run: &Run, truth: &TruthEvent, kind: Kind) -> Obstacle {
    let near =
        |apart: Option<simulate::Apart>| apart.is_some_and(|apart| apart.lambda <= SIGHT_LAMBDA + 1e-9);
    let alike = match kind {
        Kind::Artefact => near(simulate::imitated(run, truth)),
        Kind::Misfire => simulate::torque_beyond_mixture(run, truth) < TORQUE_BEYOND,
        Kind::Cut => false,
    };
    if alike {
        Obstacle::Alike
    } else if kind != Kind::Misfire && near(simulate::dangerous(run, truth.start_s, truth.end_s)) {
        Obstacle::Hides
    } else {
        Obstacle::Nothing
    }
}

/// Events that are not named while something stands in the way, of those that an event of the audit meets; and how many of
/// them are called undetermined.
pub(super) fn blocked(outcomes: &[Outcome]) -> (usize, usize) {
    let (mut all, mut open) = (0, 0);
    for outcome in outcomes {
        for (index, obstacle) in &outcome.unnamed {
            let event = outcome.truth.get(*index).and_then(|truth| main_event(outcome, truth));
            let Some(event) = event else { continue };
            if *obstacle != Obstacle::Nothing || holds_danger(outcome, event) {
                all += 1;
                open += usize::from(event.verdict == Verdict::Undetermined);
            }
        }
    }
    (all, open)
}

/// By true cause.
pub(super) fn tabulate(outcomes: &[Outcome]) -> BTreeMap<String, UnnamedRow> {
    let mut rows: BTreeMap<String, UnnamedRow> = BTreeMap::new();
    for outcome in outcomes {
        for truth in outcome.truth.iter().filter(|truth| kind(truth).is_some()) {
            rows.entry(truth.cause.clone()).or_default().decidable += 1;
        }
        for (index, obstacle) in &outcome.unnamed {
            let Some(truth) = outcome.truth.get(*index) else { continue };
            let row = rows.entry(truth.cause.clone()).or_default();
            row.count += 1;
            if main_event(outcome, truth).is_some_and(|event| holds_danger(outcome, event)) {
                row.beside_danger += 1;
            } else {
                row.alike += usize::from(*obstacle == Obstacle::Alike);
                row.hides += usize::from(*obstacle == Obstacle::Hides);
            }
        }
    }
    rows
}
