//! The sentences of the answer, shared by every report for people: terminal and HTML say the same in the same words.

#![allow(
    clippy::format_push_string,
    reason = "sentences grow piece by piece; `write!` would add a Result to discard"
)]

use std::sync::Arc;

use super::words::{count, duration, lambda, list, number, odds, percent, plain, sentence, statements, time};
use crate::document::{
    Audit, Channel, Claim, ClaimStatus, Decision, Evidence, Grade, LeanEvent, TreatAs, Verdict,
};
use crate::gate;

/// Where the log came from, in a line.
pub(crate) fn origin(audit: &Audit) -> String {
    let source = &audit.source;
    let rate = source.sample_rate_hz.map_or(String::new(), |hz| format!(" at {} Hz", number(hz, None, None)));
    let rig = audit.rig.name.as_ref().map_or(String::new(), |name| format!(", {name}"));
    format!(
        "{}{rig}: {} long, {} rows{rate}, {}",
        source.path,
        duration(source.duration_s),
        source.rows,
        count(source.channels as usize, "channel")
    )
}

/// Events in the order in which they matter: hazards first, the leanest first.
pub(super) fn ranked(audit: &Audit) -> Vec<&LeanEvent> {
    let rank = |event: &LeanEvent| match (event.treat_as, event.verdict) {
        (TreatAs::Hazard, Verdict::Real) => 0,
        (TreatAs::Hazard, _) => 1,
        (TreatAs::Invalid, _) => 2,
        (TreatAs::Benign, _) => 3,
    };
    let mut events: Vec<&LeanEvent> = audit.lean_events.iter().collect();
    events.sort_by(|a, b| rank(a).cmp(&rank(b)).then(b.peak_lambda.total_cmp(&a.peak_lambda)));
    events
}

/// The event whose next check comes first.
pub(crate) fn most_urgent(audit: &Audit) -> Option<&LeanEvent> {
    ranked(audit).into_iter().find(|event| event.treat_as != TreatAs::Benign && !event.next_check.is_empty())
}

fn of_treatment(audit: &Audit, treat_as: TreatAs) -> usize {
    audit.lean_events.iter().filter(|event| event.treat_as == treat_as).count()
}

/// Whether anything in the log is a danger to the engine, and whether the words say so.
pub(crate) fn danger(audit: &Audit) -> (String, bool) {
    let hazards = of_treatment(audit, TreatAs::Hazard);
    let invalid = of_treatment(audit, TreatAs::Invalid);
    let benign = of_treatment(audit, TreatAs::Benign);
    if let Some(because) = &audit.lean_not_evaluated {
        return (format!("CANNOT TELL. Lean events could not be looked for: {because}."), true);
    }
    if hazards > 0 {
        let named: Vec<String> = ranked(audit).into_iter().take(hazards).map(short).collect();
        let must =
            if hazards == 1 { "must be treated as a danger" } else { "must each be treated as a danger" };
        return (format!("YES. {} {must}: {}.", count(hazards, "lean event"), list(&named, 3)), true);
    }
    let evidence = gate::Evidence::of(audit);
    if let Some(words) = evidence.stands_still() {
        return (format!("CANNOT TELL. {}", sentence(&words)), true);
    }
    if let Some(lambda) = evidence.unexplained_lambda() {
        let words = format!(
            "CANNOT TELL. The leanest reading at full load is beyond lambda {lambda:.2}, the limit is {:.2}, and no lean \
             event says why: take it for real.",
            audit.rig.full_load_lambda_max
        );
        return (words, true);
    }
    let mut words = if invalid > 0 {
        format!(
            "NONE SEEN, but {} could not be measured there. Not measured is not the same as safe: repeat it.",
            match invalid {
                1 => "1 stretch of the log reads lean and the mixture".to_owned(),
                n => format!("{n} stretches of the log read lean and the mixture"),
            }
        )
    } else {
        match mixture(audit) {
            Some(channel) if matches!(channel.trust.grade, Grade::Untrusted | Grade::NotEvaluated) => {
                let words = format!(
                    "CANNOT TELL. No lean event was found, but {} is {}, so nothing follows from that.",
                    channel.name,
                    channel.trust.grade.word()
                );
                return (words, true);
            }
            _ => "NONE SEEN in what this log can show.".to_owned(),
        }
    };
    if let Some(doubtful) = evidence.doubtful() {
        words.push_str(&format!(" But {doubtful}."));
    }
    if benign > 0 {
        words.push_str(&format!(" {} explained by fuel being cut.", count(benign, "lean reading")));
    }
    (words, false)
}

fn short(event: &LeanEvent) -> String {
    let at_least = if event.peak_is_bound { "at least " } else { "" };
    let what = match event.verdict {
        Verdict::Undetermined => "cause undetermined".to_owned(),
        _ => plain(&event.cause),
    };
    format!(
        "{} at {}, {what}, reads {at_least}lambda {}",
        event.id,
        time(event.start_s),
        lambda(event.peak_lambda)
    )
}

/// The channel whose trust answers the question: the mixture reading, where there is one.
pub(crate) fn mixture(audit: &Audit) -> Option<&Channel> {
    let of = |channel: &&Channel| channel.role.is_mixture() && channel.flags.missing < audit.source.rows;
    let judged = audit.lean_events.first().map(|event| event.channel.as_str());
    audit
        .channels
        .iter()
        .find(|channel| Some(channel.name.as_str()) == judged)
        .or_else(|| audit.channels.iter().find(of))
}

/// Whether the log may be believed: the mixture channel first, then the others by grade.
pub(crate) fn belief(audit: &Audit) -> String {
    let mut words = String::new();
    if let Some(channel) = mixture(audit) {
        let answer = match channel.trust.grade {
            Grade::Trusted => "YES",
            Grade::Limited => "WITH CARE",
            Grade::Untrusted => "NO",
            Grade::NotEvaluated => "CANNOT TELL",
        };
        words.push_str(&format!("{answer}. {} is {}", channel.name, grade(channel)));
        if let Some(worst) =
            channel.trust.deductions.first().filter(|_| channel.trust.grade != Grade::Trusted)
        {
            words.push_str(&format!(". {}", sentence(&worst.why)));
        } else {
            words.push('.');
        }
        words.push(' ');
    } else {
        words.push_str("There is no mixture reading to believe. ");
    }
    let named = |wanted: Grade| -> Vec<String> {
        let mixture = mixture(audit).map(|channel| channel.name.as_str());
        let others = audit.channels.iter().filter(|channel| Some(channel.name.as_str()) != mixture);
        others.filter(|channel| channel.trust.grade == wanted).map(|channel| channel.name.clone()).collect()
    };
    for (wanted, are) in [
        (Grade::Untrusted, "Not to be trusted"),
        (Grade::Limited, "With care"),
        (Grade::NotEvaluated, "Not evaluated"),
    ] {
        let names = named(wanted);
        if !names.is_empty() {
            words.push_str(&format!("{are}: {}. ", list(&names, 4)));
        }
    }
    let trusted = named(Grade::Trusted).len();
    if trusted > 0 {
        words.push_str(&format!("{} trusted.", count(trusted, "other channel")));
    }
    words
}

/// A channel's trust in words, with its interval.
pub(crate) fn grade(channel: &Channel) -> String {
    let trust = &channel.trust;
    match trust.score {
        None => trust.grade.word().to_owned(),
        Some(score) => format!("{} ({})", trust.grade.word(), probability(score, trust.low, trust.high)),
    }
}

fn probability(score: f64, low: Option<f64>, high: Option<f64>) -> String {
    match (low, high) {
        (Some(low), Some(high)) => format!("{}, {low:.2} to {high:.2}", Grade::score_words(score)),
        _ => Grade::score_words(score),
    }
}

/// What may be said on the strength of the log.
pub(crate) fn sayable(audit: &Audit) -> String {
    let of = |status: ClaimStatus| audit.claims.iter().filter(move |claim| claim.status == status);
    let supported = of(ClaimStatus::Supported).count();
    let limited = of(ClaimStatus::Limited).count();
    if supported + limited == 0 {
        return "NOTHING. No claim is supported by this log.".to_owned();
    }
    let mut words = format!("{supported} of {} claims are supported", audit.claims.len());
    if limited > 0 {
        words.push_str(&format!(", {limited} more with a reservation"));
    }
    let lead = audit.claims.iter().find(|claim| claim.status != ClaimStatus::NotSupported);
    match lead {
        Some(claim) => {
            let reserved = if claim.status == ClaimStatus::Limited { "With a reservation: " } else { "" };
            format!("{words}. {reserved}{}.", claim.text.trim_end_matches('.'))
        }
        None => format!("{words}."),
    }
}

/// The gate's decision with its reasons.
pub(crate) fn usable(audit: &Audit) -> String {
    let mut reasons: Vec<String> = audit.gate.reasons.iter().take(3).map(|reason| sentence(reason)).collect();
    if audit.gate.reasons.len() > 3 {
        reasons.push(format!("And {}.", count(audit.gate.reasons.len() - 3, "more reason")));
    }
    let reasons = reasons.join(" ");
    match audit.gate.decision {
        Decision::Open => format!("YES, gate open. {reasons}"),
        Decision::Withheld => format!("NO, gate withheld. {reasons}"),
    }
}

/// The reading of an event, what the gas must have been, and what could not have been seen.
pub(super) fn peak(event: &LeanEvent) -> String {
    let mut words = if event.peak_is_bound {
        format!("at least lambda {}: the channel ends there", lambda(event.peak_lambda))
    } else {
        format!("lambda {} at most", lambda(event.peak_lambda))
    };
    if let Some(gas) = event.gas_peak_lambda {
        let high = gas.high.map_or("no upper bound".to_owned(), |high| format!("at most {}", lambda(high)));
        words.push_str(&format!(
            "; the gas itself about {}, at least {}, {high}",
            lambda(gas.value),
            lambda(gas.low)
        ));
    }
    if let Some(blind) = event.blind_below_s {
        words.push_str(&format!("; anything shorter than {} would not show", duration(blind)));
    }
    words
}

/// Evaluated evidence that carries weight: for the verdict, and against it, the strongest first.
pub(super) fn sides(event: &LeanEvent) -> (Vec<&Evidence>, Vec<&Evidence>) {
    let mut supporting = Vec::new();
    let mut opposing = Vec::new();
    let hazard = event.treat_as == TreatAs::Hazard;
    for evidence in
        event.evidence.iter().map(Arc::as_ref).filter(|piece| piece.evaluated && piece.log10_lr != 0.0)
    {
        let own = evidence.favours.iter().any(|cause| {
            *cause == event.cause || (event.verdict == Verdict::Undetermined && hazard && dangerous(cause))
        });
        if own == (evidence.log10_lr > 0.0) { supporting.push(evidence) } else { opposing.push(evidence) }
    }
    for side in [&mut supporting, &mut opposing] {
        // What speaks for a cause tells more than what speaks against its rivals.
        side.sort_by(|a, b| {
            let order = (b.log10_lr > 0.0).cmp(&(a.log10_lr > 0.0));
            order.then(b.log10_lr.abs().total_cmp(&a.log10_lr.abs())).then(a.name.cmp(&b.name))
        });
    }
    (supporting, opposing)
}

fn dangerous(cause: &str) -> bool {
    matches!(cause, "fuel_supply" | "injector_limit" | "tip_in" | "mixture" | "misfire")
}

/// One piece of evidence with its odds and the causes it bears on.
pub(super) fn piece(evidence: &Evidence) -> String {
    let causes: Vec<String> = evidence.favours.iter().map(|cause| plain(cause)).collect();
    let direction = if evidence.log10_lr > 0.0 { "for" } else { "against" };
    format!(
        "{} [{} {direction} {}]",
        evidence.text.trim_end_matches('.'),
        odds(evidence.log10_lr),
        list(&causes, 3)
    )
}

/// The likeliest causes with their probabilities.
pub(super) fn alternatives(event: &LeanEvent) -> String {
    let mut causes: Vec<(&str, f64)> = event.posterior.iter().collect();
    causes.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(b.0)));
    let named: Vec<String> = causes
        .iter()
        .filter(|(_, p)| *p >= 0.02)
        .take(4)
        .map(|(cause, p)| format!("{} {}", plain(cause), percent(*p)))
        .collect();
    named.join(", ")
}

/// A verdict in words.
pub(super) const fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Real => "real",
        Verdict::FuelCut => "fuel cut",
        Verdict::Misfire => "misfire",
        Verdict::Dilution => "dilution",
        Verdict::Artefact => "artefact",
        Verdict::Undetermined => "undetermined",
    }
}

/// A claim as it may be made, with its reservations except those that are said elsewhere.
pub(super) fn statement(claim: &Claim, elsewhere: &[&str]) -> String {
    let text = claim.text.trim_end_matches('.');
    if claim.status == ClaimStatus::Supported {
        return format!("{text}.");
    }
    let own: Vec<&str> =
        statements(&claim.because).into_iter().filter(|words| !elsewhere.contains(words)).collect();
    if own.is_empty() { format!("{text}.") } else { format!("{text}: {}.", own.join("; ")) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::document::About;
    use crate::read::{self, ReadOptions};
    use crate::rig::{self, Rig};

    #[test]
    fn a_lean_reading_without_an_event_and_a_log_that_stands_still_are_never_none_seen() {
        let (path, rig) = ("datasets/hill_climb_demo.csv", Rig::default());
        let table = read::open(path.as_ref(), &ReadOptions::default()).expect("a log");
        let mut audit = crate::audit::audit(&rig::assemble(table, &rig).expect("a log"), &rig).document;
        assert!(danger(&audit).0.starts_with("YES."));
        let mut cut = audit.lean_events.first().expect("an event").clone();
        audit.lean_events.clear();
        let (words, alarm) = danger(&audit);
        assert!(alarm && words.starts_with("CANNOT TELL. The leanest reading at full load"), "{words}");
        // What an over-run read says nothing of full load.
        (cut.peak_lambda, cut.treat_as, cut.context) = (4.0, TreatAs::Benign, "over_run".into());
        audit.lean_events = vec![cut];
        assert!(danger(&audit).0.starts_with("CANNOT TELL"));
        // Beyond the limit by less than the reading may be wrong: said all the same.
        let limit = audit.rig.full_load_lambda_max;
        let claim =
            audit.claims.iter_mut().find(|claim| claim.id == "full_load_lambda_max").expect("a claim");
        (claim.value, claim.low) = (Some(limit + 0.01), Some(limit - 0.01));
        let (words, alarm) = danger(&audit);
        assert!(
            !alarm && words.starts_with("NONE SEEN") && words.contains("beyond it by less than"),
            "{words}"
        );
        audit.lean_events.clear();
        audit.claims.clear();
        assert!(danger(&audit).0.starts_with("NONE SEEN"));
        // Rows that repeat the last ones say nothing either.
        audit.findings.truncate(1);
        (audit.findings[0].detector, audit.findings[0].about) = ("standstill".into(), About::Fault);
        let (words, alarm) = danger(&audit);
        assert!(alarm && words.contains("stands still"), "{words}");
    }
}
