//! The gate: whether a log may be used without further evidence.

use crate::document::{Channel, Claim, ClaimStatus, Decision, Gate, Grade, LeanEvent, TreatAs};
use crate::log::Role;

/// Claims that the default policy asks for.
const ASKED: [&str; 3] = ["full_load_lambda_mean", "full_load_lambda_max", "full_load_lambda_p95"];

/// Decides for one document, by the default policy.
///
/// Open when the mixture channel's trust is at least 0.80, no lean event is a hazard, and the full-load lambda
/// claims are supported, with or without reservation. Everything else withholds, and each reason says what would
/// open the gate.
pub fn decide(channels: &[Channel], events: &[LeanEvent], claims: &[Claim]) -> Gate {
    let mut against = Vec::new();
    let mut reservations = Vec::new();
    trust(channels, &mut against, &mut reservations);
    lean_events(events, &mut against, &mut reservations);
    for claim in claims.iter().filter(|claim| ASKED.contains(&claim.id.as_str())) {
        match claim.status {
            ClaimStatus::NotSupported => {
                against.push(format!("{} is not supported: {}", claim.id, claim.because));
            }
            ClaimStatus::Limited => {
                reservations.push(format!("{} holds with a reservation: {}", claim.id, claim.because));
            }
            ClaimStatus::Supported => {}
        }
    }
    if !ASKED.iter().all(|id| claims.iter().any(|claim| claim.id == *id)) {
        against.push("the full-load lambda claims were not judged".to_owned());
    }
    shorten(&mut against);
    shorten(&mut reservations);
    if against.is_empty() {
        let mut reasons = vec![
            "the mixture reading may be believed, no lean event is a hazard, and the full-load lambda claims hold"
                .to_owned(),
        ];
        reasons.append(&mut reservations);
        Gate { decision: Decision::Open, reasons }
    } else {
        Gate { decision: Decision::Withheld, reasons: against }
    }
}

/// The three claims often fail for one reason: say it once.
fn shorten(reasons: &mut Vec<String>) {
    let tail = |text: &str| text.split_once(": ").map(|(_, tail)| tail.to_owned());
    let mut seen: Vec<String> = Vec::new();
    reasons.retain(|reason| match tail(reason) {
        Some(tail) if seen.contains(&tail) => false,
        Some(tail) => {
            seen.push(tail);
            true
        }
        None => true,
    });
}

fn trust(channels: &[Channel], against: &mut Vec<String>, reservations: &mut Vec<String>) {
    // The same choice as `Log::mixture`: lambda before air/fuel ratio, the surest role first.
    let surest = |role: Role| {
        channels.iter().filter(|channel| channel.role == role).reduce(|best, channel| {
            if channel.role_confidence > best.role_confidence { channel } else { best }
        })
    };
    let Some(channel) = surest(Role::Lambda).or_else(|| surest(Role::Afr)) else {
        against.push("the log has no lambda or air/fuel ratio channel; log one".to_owned());
        return;
    };
    let name = &channel.name;
    match (channel.trust.grade, channel.trust.score) {
        (Grade::Trusted, _) => {}
        (Grade::Limited, Some(score)) => {
            reservations.push(format!("trust of {name} is limited ({score:.2})"));
        }
        (_, Some(score)) => {
            let main = channel.trust.deductions.first().map_or_else(String::new, |d| format!("; most of it: {}", d.why));
            against.push(format!(
                "trust of {name} is {score:.2}, below 0.80{main}; put that right and repeat the run"
            ));
        }
        (_, None) => against.push(format!(
            "no test could judge {name} in the samples that count; log it faster or longer, with engine speed and \
             throttle beside it"
        )),
    }
}

fn lean_events(events: &[LeanEvent], against: &mut Vec<String>, reservations: &mut Vec<String>) {
    for event in events {
        match event.treat_as {
            TreatAs::Hazard => {
                let check = if event.next_check.is_empty() {
                    String::new()
                } else {
                    format!(". Next: {}", event.next_check)
                };
                against.push(format!(
                    "lean event {} at {:.2} s counts as a hazard ({}){check}",
                    event.id, event.start_s, event.cause
                ));
            }
            TreatAs::Invalid => reservations.push(format!(
                "lean event {} at {:.2} s was not measured ({}): it is not known to be safe; repeat that part",
                event.id, event.start_s, event.cause
            )),
            TreatAs::Benign => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::document::{Deduction, FlagCounts, Trust, Verdict};
    use std::collections::BTreeMap;

    fn channel(score: Option<f64>) -> Channel {
        Channel {
            name: "Lambda".into(),
            role: Role::Lambda,
            role_confidence: 1.0,
            role_reason: String::new(),
            unit: String::new(),
            resolution: None,
            rate_hz: None,
            clip_low: None,
            clip_high: None,
            trust: Trust {
                score,
                low: score,
                high: score,
                grade: Grade::of(score),
                basis: "full_load".into(),
                deductions: vec![Deduction { detector: "flat_line".into(), points: 0.3, why: "held".into() }],
            },
            flags: FlagCounts::default(),
        }
    }

    fn claims(status: ClaimStatus) -> Vec<Claim> {
        ASKED
            .iter()
            .map(|id| Claim {
                id: (*id).to_owned(),
                text: String::new(),
                value: Some(0.82),
                unit: String::new(),
                low: Some(0.8),
                high: Some(0.84),
                status,
                because: "the reason".into(),
                windows: Vec::new(),
            })
            .collect()
    }

    fn event(treat_as: TreatAs) -> LeanEvent {
        LeanEvent {
            id: "L1".into(),
            channel: "Lambda".into(),
            start_s: 12.0,
            end_s: 12.5,
            peak_lambda: 1.1,
            peak_is_bound: false,
            context: "full_load".into(),
            verdict: Verdict::Undetermined,
            cause: "undetermined".into(),
            treat_as,
            posterior: BTreeMap::new(),
            evidence: Vec::new(),
            gas_peak_lambda: None,
            blind_below_s: None,
            because: String::new(),
            next_check: "log fuel pressure".into(),
        }
    }

    #[test]
    fn good_evidence_opens() {
        let gate = decide(&[channel(Some(0.97))], &[event(TreatAs::Benign)], &claims(ClaimStatus::Supported));
        assert_eq!(gate.decision, Decision::Open);
        assert_eq!(gate.reasons.len(), 1);
    }

    #[test]
    fn reservations_stay_with_an_open_gate_and_are_said_once() {
        let gate = decide(&[channel(Some(0.90))], &[event(TreatAs::Invalid)], &claims(ClaimStatus::Limited));
        assert_eq!(gate.decision, Decision::Open);
        assert_eq!(gate.reasons.len(), 4, "{:?}", gate.reasons);
    }

    #[test]
    fn each_missing_piece_withholds_and_says_what_would_open() {
        let good = claims(ClaimStatus::Supported);
        let hazard = decide(&[channel(Some(0.97))], &[event(TreatAs::Hazard)], &good);
        assert_eq!(hazard.decision, Decision::Withheld);
        assert!(hazard.reasons[0].contains("log fuel pressure"), "{:?}", hazard.reasons);
        for channels in [vec![channel(None)], vec![channel(Some(0.7))], Vec::new()] {
            assert_eq!(decide(&channels, &[], &good).decision, Decision::Withheld);
        }
        let refused = decide(&[channel(Some(0.97))], &[], &claims(ClaimStatus::NotSupported));
        assert_eq!(refused.decision, Decision::Withheld);
        assert_eq!(decide(&[channel(Some(0.97))], &[], &[]).decision, Decision::Withheld);
    }
}
