//! Artefacts, cuts and misfires that physics can tell and that were not named: what stands in the way.
//!
//! An artefact that a danger can imitate reading by reading cannot be named without dismissing that danger. Nor can an
//! artefact or a cut that hides one: with a danger of three cycles under it or beside it the log reads the same. A misfire
//! that loses no more torque than the mixture it shows is a lean mixture to everybody. Those are counted, and so are those
//! whose event also holds the gas of a true danger. What is left could be named by somebody.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use super::matching::{main_event, of_gas};
use super::outcome::{Judged, Outcome};
use super::verdicts::{SIGHT_LAMBDA, Share, holds_danger, names};
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
    /// For comparison: so many that were named were asked the same, one in [`ONE_IN`] of the cuts.
    #[serde(default)]
    pub named_asked: usize,
    /// Of these, alike to a danger or hiding one.
    #[serde(default)]
    pub named_in_spite: usize,
}

/// Of the cuts that are named one in so many is asked what would have stood in the way: each costs runs of the whole chain.
const ONE_IN: usize = 40;

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

/// What stands in the way of the name of an event.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Asked {
    /// Its place among the true events.
    pub truth: usize,
    /// Whether it was named all the same.
    pub named: bool,
    /// What stands in the way.
    pub obstacle: Obstacle,
}

/// Asks all events that are not named, and some that are.
pub(super) fn measure(outcome: &Outcome, run: &Run) -> Vec<Asked> {
    let asked = |(index, truth): (usize, &TruthEvent)| {
        let kind = kind(truth)?;
        let named = named(kind, main_event(outcome, truth));
        let left_out = kind == Kind::Cut && !(outcome.seed as usize + index).is_multiple_of(ONE_IN);
        (!named || !left_out).then(|| Asked { truth: index, named, obstacle: obstacle(run, truth, kind) })
    };
    outcome.truth.iter().enumerate().filter_map(asked).collect()
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
    } else if kind != Kind::Misfire && simulate::hides(run, truth.start_s, truth.end_s, SIGHT_LAMBDA) {
        Obstacle::Hides
    } else {
        Obstacle::Nothing
    }
}

/// Right causes and events called undetermined, among decidable events but those that are not named because something
/// stands in the way of it.
pub(super) fn unobstructed(outcomes: &[Outcome]) -> (Share, Share) {
    let (mut right, mut open, mut all) = (0, 0, 0);
    for outcome in outcomes {
        let stands = |asked: &&Asked| !asked.named && asked.obstacle != Obstacle::Nothing;
        let obstructed: BTreeSet<usize> =
            outcome.unnamed.iter().filter(stands).map(|asked| asked.truth).collect();
        let decidable = |(_, truth): &(usize, &TruthEvent)| truth.reads_lean && truth.decidable;
        for (index, truth) in outcome.truth.iter().enumerate().filter(decidable) {
            let Some(event) = main_event(outcome, truth) else { continue };
            let is_named = kind(truth).is_none_or(|kind| named(kind, Some(event)));
            if obstructed.contains(&index) || !is_named && holds_danger(outcome, event) {
                continue;
            }
            all += 1;
            right += usize::from(names(event, truth));
            open += usize::from(event.verdict == Verdict::Undetermined);
        }
    }
    (Share::of(right, all), Share::of(open, all))
}

/// By true cause.
pub(super) fn tabulate(outcomes: &[Outcome]) -> BTreeMap<String, UnnamedRow> {
    let mut rows: BTreeMap<String, UnnamedRow> = BTreeMap::new();
    for outcome in outcomes {
        for truth in outcome.truth.iter().filter(|truth| kind(truth).is_some()) {
            rows.entry(truth.cause.clone()).or_default().decidable += 1;
        }
        for Asked { truth, named, obstacle } in &outcome.unnamed {
            let Some(truth) = outcome.truth.get(*truth) else { continue };
            let row = rows.entry(truth.cause.clone()).or_default();
            if *named {
                row.named_asked += 1;
                row.named_in_spite += usize::from(*obstacle != Obstacle::Nothing);
                continue;
            }
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
