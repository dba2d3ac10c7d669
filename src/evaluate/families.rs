//! Measures the families of faults of the trust model: how often each puts a sample out of tolerance before anything
//! is tested, and how much of that the detectors see.

use super::fit::{Sample, round, usual};
use super::outcome::TrustFact;
use super::reliance::{FACTORS, mixture};
use crate::detect;
use crate::simulate::{FaultKind, Place};
use crate::trust::calibration::{ASSUMED_FAMILIES, Family, Power, Whose};

/// Faulty logs that a family, and a detector in it, needs before it counts as measured.
const FEWEST_LOGS: usize = 12;
/// Share of a family's harm below which a detector has no power worth naming.
const LEAST_POWER: f64 = 0.02;

/// Name of the family of a fault, as it shows on a mixture channel or on the others.
const fn family_of(kind: FaultKind) -> Option<&'static str> {
    use FaultKind as K;
    Some(match kind {
        K::StaleLink | K::Dropout | K::StuckChannel | K::Standstill => "link and logger",
        K::GroundOffset
        | K::GroundShift
        | K::SupplySag
        | K::Spike
        | K::Glitch
        | K::BitFlip
        | K::Saturation => "electrical disturbance",
        K::Scale | K::BiasedSensor => "scale and bias",
        K::SlowSensor | K::ContaminatedSensor => "slow response",
        K::SensorCold | K::SensorWet | K::ControllerReset => "sensor not ready, cold or wet",
        _ => return None,
    })
}

/// Whether a fault acts on a mixture channel, or on one of the others.
const fn acts_on(kind: FaultKind, of_mixture: bool) -> bool {
    match kind.meta().place {
        Place::Engine => false,
        Place::Chain | Place::Both => of_mixture || matches!(kind, FaultKind::Glitch),
        Place::Beside => !of_mixture,
        Place::Logger => true,
    }
}

/// Every family, measured where it was met often enough.
pub(super) fn measure(samples: &[Sample<'_>]) -> Vec<Family> {
    ASSUMED_FAMILIES.iter().map(|family| of(family, samples).unwrap_or_else(|| owned(family))).collect()
}

fn owned(family: &Family<&[Power]>) -> Family {
    Family {
        name: family.name,
        prior: family.prior,
        powers: family.powers.to_vec(),
        whose: family.whose,
        logs: family.logs,
    }
}

/// * returns null where it was met too seldom, and for channels other than the mixture: of those the simulator makes
///   three faults as often as it likes, and how common they are decides what a healthy channel is worth
fn of(assumed: &Family<&[Power]>, samples: &[Sample<'_>]) -> Option<Family> {
    if assumed.whose != Whose::Mixture {
        return None;
    }
    // Faulty channels with one fault that acts on them: of two it is not known which did what.
    let single: Vec<(&TrustFact, FaultKind)> = samples
        .iter()
        .filter(|sample| sample.fact.faulty && assumed.whose.holds(sample.fact.role))
        .filter_map(|sample| {
            let on_mixture = mixture(sample.fact.role);
            let mut acting =
                sample.outcome.faults.iter().map(|fault| fault.0).filter(|kind| acts_on(*kind, on_mixture));
            let kind = acting.next()?;
            acting.all(|other| other == kind).then_some((sample.fact, kind))
        })
        .collect();
    let own: Vec<&TrustFact> = single
        .iter()
        .filter(|(_, kind)| family_of(*kind) == Some(assumed.name))
        .map(|(fact, _)| *fact)
        .collect();
    let harm = |facts: &[&TrustFact]| -> f64 { facts.iter().map(|fact| harm_of(fact, 0)).sum() };
    let prior = usual(FACTORS[2], assumed.whose == Whose::Mixture) * harm(&own) / single.len().max(1) as f64;
    (own.len() >= FEWEST_LOGS && prior > 0.0).then(|| Family {
        name: assumed.name,
        prior: round(prior),
        powers: powers(&own),
        whose: assumed.whose,
        logs: own.len(),
    })
}

/// Detectors in the order in which they add most: each with the share that it sees of what those before it leave.
fn powers(own: &[&TrustFact]) -> Vec<Power> {
    let (mut found, mut taken): (Vec<Power>, u32) = (Vec::new(), 0);
    loop {
        let best = detect::ALL
            .iter()
            .enumerate()
            .filter(|(bit, _)| taken >> bit & 1 == 0)
            .filter_map(|(bit, detector)| {
                let name = detector.meta().name;
                let ran: Vec<&&TrustFact> = own.iter().filter(|fact| fact.ran.contains(&name)).collect();
                let left: f64 = ran.iter().map(|fact| harm_of(fact, taken)).sum();
                let after: f64 = ran.iter().map(|fact| harm_of(fact, taken | 1 << bit)).sum();
                (ran.len() >= FEWEST_LOGS && left > 0.0)
                    .then(|| (left - after, 1.0 - after / left, name, bit))
            })
            .max_by(|a, b| a.0.total_cmp(&b.0));
        match best {
            Some((_, share, detector, bit)) if share >= LEAST_POWER => {
                taken |= 1 << bit;
                found.push(Power { detector, share: round(share) });
            }
            _ => return found,
        }
    }
}

/// Share of the samples that count that were off and that none of some detectors had found.
fn harm_of(fact: &TrustFact, detectors: u32) -> f64 {
    fact.seen.iter().filter(|(by, _)| by & detectors == 0).map(|(_, share)| share).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn powers_multiply_to_what_was_seen() {
        let scale = detect::ALL.iter().position(|d| d.meta().name == "scale").expect("a detector");
        let check = detect::ALL.iter().position(|d| d.meta().name == "cross_check").expect("a detector");
        // Half seen by both, a quarter by the second alone, a quarter by none.
        let fact = TrustFact {
            ran: vec!["scale", "cross_check"],
            seen: vec![(1 << scale | 1 << check, 0.2), (1 << check, 0.1), (0, 0.1)],
            ..TrustFact::of_nothing()
        };
        let own: Vec<&TrustFact> = (0..FEWEST_LOGS).map(|_| &fact).collect();
        let powers = powers(&own);
        let left: f64 = powers.iter().map(|power| 1.0 - power.share).product();
        assert!((left - 0.25).abs() < 1e-3, "{powers:?}");
        assert_eq!(powers[0].detector, "cross_check");
    }

    #[test]
    fn every_fault_of_a_chain_has_a_family() {
        // A supply that is truly low is no fault of a reading.
        for kind in FaultKind::ALL.iter().filter(|kind| kind.meta().place != Place::Engine) {
            let none = matches!(kind, FaultKind::LowSupply | FaultKind::RowGap);
            assert_eq!(family_of(*kind).is_none(), none, "{}", kind.meta().name);
        }
    }
}
