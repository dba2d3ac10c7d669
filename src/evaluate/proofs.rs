//! What evidence speaks for an artefact over dangers that are none: how far all of it together may be believed.
//!
//! No cause is believed less than a share of the best one (`EPSILON`), however much evidence speaks against it. That share is
//! what is measured here: how often the gas of a danger gets more evidence for an artefact than it takes, though there is none.

use serde::{Deserialize, Serialize};

use super::matching::{of_gas, overlap_s};
use super::outcome::{Judged, Outcome, Weighed};
use super::verdicts::is_danger;
use crate::lean::evidence::{self, Group};
use crate::lean::hypothesis::{Cause, Class};

/// Evidence of ten to one for an artefact is a proof of it.
const PROOF_DECADES: f64 = 1.0;

/// Dangers that an event meets over which the chain has no artefact.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct ProofRow {
    /// How many.
    pub dangers: usize,
    /// In how many logs.
    pub logs: usize,
    /// Of the dangers, those in which both the form of the reading and its electrics could be tested: two proofs are possible.
    pub able: usize,
    /// Of the dangers, those with one proof of one artefact or more, a decade each.
    pub one: usize,
    /// Those with two proofs of one artefact, from groups of evidence that do not share their causes.
    pub two: usize,
    /// Those in which all evidence together speaks by more than 2 decades for an artefact against every real cause.
    pub beyond_2: usize,
    /// The same by more than 3 decades.
    pub beyond_3: usize,
}

/// What the evidence of one event says of artefacts.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Proofs {
    /// Whether form and electrics could both be tested.
    pub able: bool,
    /// Most proofs that one artefact has.
    pub count: usize,
    /// Decades for the likeliest artefact against the likeliest real cause.
    pub decades: f64,
}

/// The evidence of an event, as the verdict weighs it: the strongest of each group, summed.
pub fn of_event(event: &Judged) -> Proofs {
    let group_of = |name: &str| evidence::ALL.iter().find(|feature| feature.name == name).map(|f| f.group);
    let told = || event.evidence.iter().filter(|e| e.evaluated);
    let strongest = |cause: Cause, group: Group| {
        let speaks = told().filter(|e| group_of(&e.name) == Some(group));
        let own = speaks.filter(|e| e.favours.iter().any(|favoured| favoured == cause.name()));
        own.map(|e| e.log10_lr).fold(0.0, |most: f64, lr| if lr.abs() > most.abs() { lr } else { most })
    };
    let score = |cause: Cause| Group::ALL.iter().map(|group| strongest(cause, *group)).sum::<f64>();
    let best = |wanted: &dyn Fn(Cause) -> bool| {
        Cause::ALL.into_iter().filter(|c| wanted(*c)).map(score).fold(f64::NEG_INFINITY, f64::max)
    };
    let artefact = |cause: Cause| cause.class() == Class::Artefact;
    // What speaks for a danger as well is no proof.
    let proves = |e: &Weighed, cause: Cause, group: Group| {
        let real = |name: &String| Cause::ALL.iter().any(|c| c.name() == *name && c.hazardous());
        group_of(&e.name) == Some(group)
            && e.log10_lr >= PROOF_DECADES
            && e.favours.iter().any(|favoured| favoured == cause.name())
            && !e.favours.iter().any(real)
    };
    let proofs = |cause: Cause| Group::ALL.iter().filter(|g| told().any(|e| proves(e, cause, **g))).count();
    let can = |group: Group| {
        told().any(|e| {
            group_of(&e.name) == Some(group) && !["duration", "exponential_tail"].contains(&e.name.as_str())
        })
    };
    Proofs {
        able: can(Group::Shape) && can(Group::Electrical),
        count: Cause::ALL.into_iter().filter(|c| artefact(*c)).map(proofs).max().unwrap_or(0),
        decades: best(&artefact) - best(&Cause::hazardous),
    }
}

/// The dangers of a log that events without an artefact meet, and the most that these say of one.
pub fn of_log(outcome: &Outcome) -> Vec<(usize, Proofs)> {
    let has_artefact = |event: &Judged| {
        let artefacts = outcome.truth.iter().filter(|truth| !of_gas(truth));
        artefacts.into_iter().any(|truth| overlap_s(event, truth, &outcome.tolerance).is_some())
    };
    let mut found = Vec::new();
    for (index, danger) in outcome.truth.iter().enumerate().filter(|(_, truth)| is_danger(truth)) {
        let over = outcome
            .events
            .iter()
            .filter(|event| overlap_s(event, danger, &outcome.tolerance).is_some() && !has_artefact(event));
        let most = over.map(of_event).reduce(|a, b| Proofs {
            able: a.able || b.able,
            count: a.count.max(b.count),
            decades: a.decades.max(b.decades),
        });
        found.extend(most.map(|most| (index, most)));
    }
    found
}

/// Of all logs.
pub(super) fn tabulate(outcomes: &[Outcome]) -> ProofRow {
    let mut row = ProofRow::default();
    for outcome in outcomes {
        let dangers = of_log(outcome);
        row.logs += usize::from(!dangers.is_empty());
        for (_, proofs) in dangers {
            row.dangers += 1;
            row.able += usize::from(proofs.able);
            row.one += usize::from(proofs.count >= 1);
            row.two += usize::from(proofs.count >= 2);
            row.beyond_2 += usize::from(proofs.decades > 2.0);
            row.beyond_3 += usize::from(proofs.decades > 3.0);
        }
    }
    row
}

#[cfg(test)]
mod tests {
    use super::super::matching::tests::{event, truth, with};
    use super::*;
    use crate::document::TreatAs;

    fn says(name: &str, log10_lr: f64, favours: &[&str]) -> Weighed {
        let favours = favours.iter().map(|&cause| cause.to_owned()).collect();
        Weighed { name: name.to_owned(), evaluated: true, log10_lr, favours }
    }

    #[test]
    fn two_proofs_are_of_one_artefact_and_of_two_groups() {
        let one = Judged {
            evidence: vec![says("impossible_slew", 2.5, &["spike"]), says("no_tail", 1.0, &["spike"])],
            ..event(10.0, 10.1, TreatAs::Hazard)
        };
        // Both speak of the form of the reading: the stronger counts.
        assert_eq!(of_event(&one), Proofs { able: false, count: 1, decades: 2.5 });
        let mut two = one.clone();
        two.evidence.push(says("many_channels", 1.5, &["spike", "dropout"]));
        two.evidence.push(says("steady_pressure", -1.5, &["fuel_supply"]));
        assert_eq!(of_event(&two), Proofs { able: true, count: 2, decades: 4.0 });
        // Other passes are as lean: that speaks for a danger as well.
        let mut again = one.clone();
        again.evidence.push(says("same_cell", 1.0, &["mixture", "spike"]));
        assert_eq!(of_event(&again), Proofs { able: false, count: 1, decades: 2.5 });
        let apart = Judged {
            evidence: vec![
                says("impossible_slew", 2.5, &["spike"]),
                says("rest_value", 2.5, &["controller_reset"]),
            ],
            ..one
        };
        assert_eq!(of_event(&apart).count, 1);
    }

    #[test]
    fn a_danger_with_a_true_artefact_in_its_event_is_left_out() {
        let danger = truth(10.0, 11.0, "fuel_supply", TreatAs::Hazard);
        let spike = truth(10.5, 10.5, "spike", TreatAs::Invalid);
        let proven = Judged {
            evidence: vec![says("impossible_slew", 3.0, &["spike"]), says("many_channels", 1.5, &["spike"])],
            ..event(10.4, 10.6, TreatAs::Hazard)
        };
        let row = tabulate(&[with(vec![proven.clone()], vec![danger.clone()])]);
        assert_eq!((row.dangers, row.logs, row.two, row.beyond_3), (1, 1, 1, 1));
        let row = tabulate(&[with(vec![proven], vec![danger, spike])]);
        assert_eq!(row, ProofRow::default());
    }
}
