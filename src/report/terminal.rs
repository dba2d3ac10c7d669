//! The report on the terminal: the answer, then why, then what next. A tired person at the road's edge reads
//! the first five lines; everything below them says where they come from.
//!
//! Whole-run averages are never shown: they cannot tell a safe pass from a broken engine.

#![allow(
    clippy::format_push_string,
    reason = "sentences grow piece by piece; `write!` would add a Result to discard"
)]

use anstyle::Style;

use super::page::{ALARM, Page, STRONG};
use super::words::{count, duration, lambda, list, number, odds, percent, plain, time};
use crate::document::{
    Audit, Channel, Claim, ClaimStatus, Decision, Evidence, Grade, HealthStatus, LeanEvent, TreatAs, Verdict,
};

/// Width of the label column of the answer.
const QUESTION: usize = 20;
/// Width of the label column inside a section.
const LABEL: usize = 15;

/// The report of one log.
///
/// * `width`: characters per line, brought into 60..=120
/// * returns text with ANSI emphasis; print it through `anstream`, which removes it where it does not belong
pub fn render(audit: &Audit, width: usize) -> String {
    let mut page = Page::new(width);
    page.paragraph(0, &origin(audit));
    page.gap();
    answer(&mut page, audit);
    events(&mut page, audit);
    trust(&mut page, audit);
    claims(&mut page, audit);
    health(&mut page, audit);
    tested(&mut page, audit);
    cautions(&mut page, audit);
    notes(&mut page, audit);
    page.finish()
}

/// The answer alone, for a call with several logs.
pub fn render_answer(audit: &Audit, width: usize) -> String {
    let mut page = Page::new(width);
    page.paragraph(0, &origin(audit));
    answer(&mut page, audit);
    page.finish()
}

fn origin(audit: &Audit) -> String {
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

fn answer(page: &mut Page, audit: &Audit) {
    let (words, danger) = danger(audit);
    page.labelled(0, "Any danger?", QUESTION, &words, if danger { ALARM } else { STRONG });
    page.labelled(0, "Believe this log?", QUESTION, &belief(audit), STRONG);
    page.labelled(0, "What may be said?", QUESTION, &sayable(audit), STRONG);
    page.labelled(0, "Use it as it is?", QUESTION, &usable(audit), STRONG);
    if let Some(event) = most_urgent(audit) {
        let next = format!("{} ({})", event.next_check, event.id);
        page.labelled(0, "What next?", QUESTION, &next, STRONG);
    }
}

/// Events in the order in which they matter: hazards first, the leanest first.
fn ranked(audit: &Audit) -> Vec<&LeanEvent> {
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

fn most_urgent(audit: &Audit) -> Option<&LeanEvent> {
    ranked(audit).into_iter().find(|event| event.treat_as != TreatAs::Benign && !event.next_check.is_empty())
}

fn of_treatment(audit: &Audit, treat_as: TreatAs) -> usize {
    audit.lean_events.iter().filter(|event| event.treat_as == treat_as).count()
}

fn danger(audit: &Audit) -> (String, bool) {
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
fn mixture(audit: &Audit) -> Option<&Channel> {
    let of = |channel: &&Channel| channel.role.is_mixture() && channel.flags.missing < audit.source.rows;
    let judged = audit.lean_events.first().map(|event| event.channel.as_str());
    audit
        .channels
        .iter()
        .find(|channel| Some(channel.name.as_str()) == judged)
        .or_else(|| audit.channels.iter().find(of))
}

fn belief(audit: &Audit) -> String {
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
            words.push_str(&format!(": {}", worst.why.trim_end_matches('.')));
        }
        words.push_str(". ");
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

fn grade(channel: &Channel) -> String {
    let trust = &channel.trust;
    match trust.score {
        None => trust.grade.word().to_owned(),
        Some(score) => format!("{} ({})", trust.grade.word(), probability(score, trust.low, trust.high)),
    }
}

fn probability(score: f64, low: Option<f64>, high: Option<f64>) -> String {
    match (low, high) {
        (Some(low), Some(high)) => format!("{score:.2}, {low:.2} to {high:.2}"),
        _ => format!("{score:.2}"),
    }
}

fn sayable(audit: &Audit) -> String {
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
    let lead = of(ClaimStatus::Supported).chain(of(ClaimStatus::Limited)).next();
    match lead {
        Some(claim) => format!("{words}. {}.", claim.text.trim_end_matches('.')),
        None => format!("{words}."),
    }
}

fn usable(audit: &Audit) -> String {
    let reasons = list(&audit.gate.reasons, 3);
    match audit.gate.decision {
        Decision::Open => format!("YES, gate open. {reasons}"),
        Decision::Withheld => format!("NO, gate withheld: {reasons}"),
    }
}

fn events(page: &mut Page, audit: &Audit) {
    if audit.lean_events.is_empty() {
        return;
    }
    page.heading("LEAN EVENTS");
    let mut shown_benign = 0;
    for event in ranked(audit) {
        // Fuel cuts are many and harmless: three stand for all, `--json` has every one.
        if event.treat_as == TreatAs::Benign {
            shown_benign += 1;
            if shown_benign > 3 {
                continue;
            }
        }
        one_event(page, event);
    }
    if shown_benign > 3 {
        page.gap();
        page.paragraph(
            2,
            &format!("{} of the same kind: `--json` lists them.", count(shown_benign - 3, "more fuel cut")),
        );
    }
}

fn one_event(page: &mut Page, event: &LeanEvent) {
    page.gap();
    let (treat, style) = match event.treat_as {
        TreatAs::Hazard => ("TREAT AS A DANGER", ALARM),
        TreatAs::Invalid => ("NOT MEASURED", STRONG),
        TreatAs::Benign => ("harmless", Style::new()),
    };
    let cause = match event.verdict {
        Verdict::Undetermined => "undetermined".to_owned(),
        _ => format!("{}: {}", verdict(event.verdict), plain(&event.cause)),
    };
    let head = format!(
        "{cause}. {} to {} ({}), {}",
        time(event.start_s),
        time(event.end_s),
        duration(event.end_s - event.start_s),
        plain(&event.context)
    );
    page.labelled(2, &format!("{} {treat}", event.id), LABEL + 7, &head, style);
    page.labelled(4, "reading", LABEL, &peak(event), Style::new());
    if !event.because.is_empty() {
        page.labelled(4, "because", LABEL, &event.because, Style::new());
    }
    let most = if event.treat_as == TreatAs::Benign { 1 } else { 3 };
    let (supporting, opposing) = sides(event);
    for (label, side) in [("for", &supporting), ("against", &opposing)] {
        for (index, evidence) in side.iter().take(most).enumerate() {
            page.labelled(4, if index == 0 { label } else { "" }, LABEL, &piece(evidence), Style::new());
        }
        if side.is_empty() && event.treat_as != TreatAs::Benign {
            page.labelled(4, label, LABEL, "nothing that was measured", Style::new());
        }
    }
    if event.treat_as == TreatAs::Benign {
        return;
    }
    let silent: Vec<String> = event
        .evidence
        .iter()
        .filter(|evidence| !evidence.evaluated)
        .map(|evidence| plain(&evidence.name))
        .collect();
    if !silent.is_empty() {
        page.labelled(4, "not evaluated", LABEL, &list(&silent, 8), Style::new());
    }
    let others = alternatives(event);
    if !others.is_empty() {
        page.labelled(4, "probability", LABEL, &others, Style::new());
    }
    if !event.next_check.is_empty() {
        page.labelled(4, "next check", LABEL, &event.next_check, STRONG);
    }
}

fn peak(event: &LeanEvent) -> String {
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
fn sides(event: &LeanEvent) -> (Vec<&Evidence>, Vec<&Evidence>) {
    let mut supporting = Vec::new();
    let mut opposing = Vec::new();
    let hazard = event.treat_as == TreatAs::Hazard;
    for evidence in event.evidence.iter().filter(|evidence| evidence.evaluated && evidence.log10_lr != 0.0) {
        let own = evidence.favours.iter().any(|cause| {
            *cause == event.cause || (event.verdict == Verdict::Undetermined && hazard && dangerous(cause))
        });
        if own == (evidence.log10_lr > 0.0) { supporting.push(evidence) } else { opposing.push(evidence) }
    }
    for side in [&mut supporting, &mut opposing] {
        side.sort_by(|a, b| b.log10_lr.abs().total_cmp(&a.log10_lr.abs()).then(a.name.cmp(&b.name)));
    }
    (supporting, opposing)
}

fn dangerous(cause: &str) -> bool {
    matches!(cause, "fuel_supply" | "injector_limit" | "tip_in" | "mixture" | "misfire")
}

fn piece(evidence: &Evidence) -> String {
    let causes: Vec<String> = evidence.favours.iter().map(|cause| plain(cause)).collect();
    let direction = if evidence.log10_lr > 0.0 { "for" } else { "against" };
    format!(
        "{} [{} {direction} {}]",
        evidence.text.trim_end_matches('.'),
        odds(evidence.log10_lr),
        list(&causes, 3)
    )
}

fn alternatives(event: &LeanEvent) -> String {
    let mut causes: Vec<(&String, f64)> = event.posterior.iter().map(|(cause, p)| (cause, *p)).collect();
    causes.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(b.0)));
    let named: Vec<String> = causes
        .iter()
        .filter(|(_, p)| *p >= 0.02)
        .take(4)
        .map(|(cause, p)| format!("{} {}", plain(cause), percent(*p)))
        .collect();
    named.join(", ")
}

const fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Real => "real",
        Verdict::FuelCut => "fuel cut",
        Verdict::Misfire => "misfire",
        Verdict::Dilution => "dilution",
        Verdict::Artefact => "artefact",
        Verdict::Undetermined => "undetermined",
    }
}

fn trust(page: &mut Page, audit: &Audit) {
    page.heading("TRUST PER CHANNEL");
    if audit.channels.is_empty() {
        page.paragraph(2, "The log has no channel with numbers.");
        return;
    }
    let rows: Vec<Vec<String>> = audit
        .channels
        .iter()
        .map(|channel| {
            let trust = &channel.trust;
            let score = trust.score.map_or("-".to_owned(), |score| format!("{score:.2}"));
            let range = match (trust.low, trust.high) {
                (Some(low), Some(high)) => format!("{low:.2} to {high:.2}"),
                _ => "-".to_owned(),
            };
            let why = trust.deductions.first().map_or(String::new(), |deduction| deduction.why.clone());
            vec![channel.name.clone(), trust.grade.word().to_owned(), score, range, why]
        })
        .collect();
    let header = ["channel", "grade", "score", "range", "main deduction"];
    page.table(2, &header, &[false, false, true, false, false], &rows);
    let mut bases: Vec<&str> = audit.channels.iter().map(|channel| channel.trust.basis.as_str()).collect();
    bases.sort_unstable();
    bases.dedup();
    let bases: Vec<String> = bases.into_iter().map(plain).collect();
    page.paragraph(
        2,
        &format!("Score: probability that a sample is within tolerance, judged on: {}.", list(&bases, 3)),
    );
}

fn claims(page: &mut Page, audit: &Audit) {
    if audit.claims.is_empty() {
        return;
    }
    page.heading("WHAT MAY BE SAID");
    for (status, label) in [
        (ClaimStatus::Supported, "supported"),
        (ClaimStatus::Limited, "limited"),
        (ClaimStatus::NotSupported, "not supported"),
    ] {
        let with_status = || audit.claims.iter().filter(|claim| claim.status == status);
        if status == ClaimStatus::NotSupported {
            // One reason often withholds several claims: say it once.
            let mut reasons: Vec<&str> = Vec::new();
            for claim in with_status() {
                if !reasons.contains(&claim.because.as_str()) {
                    reasons.push(&claim.because);
                }
            }
            for reason in reasons {
                let names: Vec<String> = with_status()
                    .filter(|claim| claim.because == reason)
                    .map(|claim| plain(&claim.id))
                    .collect();
                page.labelled(2, label, LABEL, &format!("{}: {reason}", list(&names, 9)), Style::new());
            }
            continue;
        }
        for claim in with_status() {
            page.labelled(2, label, LABEL, &statement(claim), Style::new());
        }
    }
}

fn statement(claim: &Claim) -> String {
    let text = claim.text.trim_end_matches('.');
    match claim.status {
        ClaimStatus::Supported => format!("{text}."),
        _ => format!("{text}: {}", claim.because),
    }
}

fn health(page: &mut Page, audit: &Audit) {
    let call = |status: HealthStatus| match status {
        HealthStatus::Act => Some("act"),
        HealthStatus::Watch => Some("watch"),
        HealthStatus::Ok => Some("ok"),
        HealthStatus::NotMeasurable => None,
    };
    if audit.sensor_health.is_empty() {
        return;
    }
    page.heading("SENSOR HEALTH");
    let mut metrics: Vec<_> = audit
        .sensor_health
        .iter()
        .filter_map(|metric| call(metric.status).map(|word| (word, metric)))
        .collect();
    metrics.sort_by_key(|(_, metric)| match metric.status {
        HealthStatus::Act => 0,
        HealthStatus::Watch => 1,
        _ => 2,
    });
    for (word, metric) in &metrics {
        let direction = metric.direction.as_ref().map_or(String::new(), |d| format!(", {}", plain(d)));
        let value = metric.value.map_or(String::new(), |value| {
            let range = match (metric.low, metric.high) {
                (Some(low), Some(high)) => {
                    format!(
                        " ({} to {})",
                        number(low, metric.low, metric.high),
                        number(high, metric.low, metric.high)
                    )
                }
                _ => String::new(),
            };
            format!(" {} {}{range}", number(value, metric.low, metric.high), metric.unit)
        });
        let words = format!("{}{direction}:{value}. {}", plain(&metric.metric), metric.because);
        page.labelled(2, word, LABEL, &words, Style::new());
    }
    let silent = audit.sensor_health.len() - metrics.len();
    if silent > 0 {
        let names: Vec<String> = audit
            .sensor_health
            .iter()
            .filter(|metric| metric.status == HealthStatus::NotMeasurable)
            .map(|metric| plain(&metric.metric))
            .collect();
        page.labelled(2, "not measurable", LABEL, &list(&names, 6), Style::new());
    }
}

/// What the detectors did: how much was found, and what nobody looked at.
fn tested(page: &mut Page, audit: &Audit) {
    page.heading("TESTS");
    let mut per_detector: Vec<(&str, usize)> = Vec::new();
    for finding in &audit.findings {
        match per_detector.iter_mut().find(|(name, _)| *name == finding.detector) {
            Some((_, n)) => *n += 1,
            None => per_detector.push((&finding.detector, 1)),
        }
    }
    per_detector.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(b.0)));
    let named: Vec<String> = per_detector.iter().map(|(name, n)| format!("{name} {n}")).collect();
    let found = if named.is_empty() { "nothing".to_owned() } else { list(&named, 8) };
    page.labelled(2, "found", LABEL, &found, Style::new());
    let mut names: Vec<&str> = audit.detectors.iter().map(|run| run.name.as_str()).collect();
    names.sort_unstable();
    names.dedup();
    let silent: Vec<String> = names
        .into_iter()
        .filter(|name| audit.detectors.iter().filter(|run| run.name == *name).all(|run| !run.ran))
        .map(ToOwned::to_owned)
        .collect();
    if !silent.is_empty() {
        page.labelled(2, "could not run", LABEL, &list(&silent, 12), Style::new());
    }
    page.paragraph(2, "`--json FILE` holds every finding and every reason; `sondeproof explain NAME` says what a name means.");
}

fn cautions(page: &mut Page, audit: &Audit) {
    if audit.cautions.is_empty() {
        return;
    }
    page.heading("CAUTIONS");
    for caution in &audit.cautions {
        page.labelled(2, "-", 2, caution, Style::new());
    }
}

fn notes(page: &mut Page, audit: &Audit) {
    let unused = &audit.rig.without_effect;
    if audit.notes.is_empty() && unused.is_empty() {
        return;
    }
    page.heading("NOTED WHILE READING");
    for note in audit.notes.iter().take(8) {
        let line = note.line.map_or(String::new(), |line| format!("line {line}: "));
        page.labelled(2, "-", 2, &format!("{line}{}", note.text), Style::new());
    }
    if audit.notes.len() > 8 {
        page.labelled(2, "-", 2, &count(audit.notes.len() - 8, "more note"), Style::new());
    }
    for entry in unused {
        page.labelled(2, "-", 2, &format!("rig file, no effect: {entry}"), Style::new());
    }
}
