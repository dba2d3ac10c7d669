//! The report on the terminal: the answer, then why, then what next. A tired person at the road's edge reads
//! the first five lines; everything below them says where they come from.
//!
//! Whole-run averages are never shown: they cannot tell a safe pass from a broken engine.

use anstyle::Style;

use super::answer::{
    alternatives, belief, danger, most_urgent, origin, peak, piece, ranked, sayable, sides, statement,
    usable, verdict,
};
use super::life;
use super::page::{ALARM, Page, STRONG};
use super::words::{count, duration, list, number, plain, sentence, statements, time};
use crate::document::{Audit, ClaimStatus, Grade, HealthMetric, HealthStatus, LeanEvent, TreatAs, Verdict};

/// Lean events told one by one that are not harmless, the most urgent first: 2 000 lines, more than anybody reads.
const EVENTS: usize = 100;
/// Width of the label column of the answer.
const QUESTION: usize = 20;
/// Width of the label column inside a section.
pub(super) const LABEL: usize = 15;

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

fn answer(page: &mut Page, audit: &Audit) {
    let (words, danger) = danger(audit);
    page.labelled(0, "Any danger?", QUESTION, &words, if danger { ALARM } else { STRONG });
    page.labelled(0, "Believe this log?", QUESTION, &belief(audit), STRONG);
    page.labelled(0, "What may be said?", QUESTION, &sayable(audit), STRONG);
    page.labelled(0, "Use it as it is?", QUESTION, &usable(audit), STRONG);
    if let Some(event) = most_urgent(audit) {
        let next = format!("{}: {}", event.id, sentence(&event.next_check));
        page.labelled(0, "What next?", QUESTION, &next, STRONG);
    }
}

fn events(page: &mut Page, audit: &Audit) {
    if audit.lean_events.is_empty() {
        return;
    }
    page.heading("LEAN EVENTS");
    let (mut shown_benign, mut shown, mut beyond) = (0, 0, [0, 0]);
    for event in ranked(audit) {
        match event.treat_as {
            // Fuel cuts are many and harmless: three stand for all, `--json` has every one.
            TreatAs::Benign => shown_benign += 1,
            TreatAs::Hazard | TreatAs::Invalid => shown += 1,
        }
        match event.treat_as {
            TreatAs::Benign if shown_benign > 3 => {}
            TreatAs::Hazard if shown > EVENTS => beyond[0] += 1,
            TreatAs::Invalid if shown > EVENTS => beyond[1] += 1,
            _ => one_event(page, event),
        }
    }
    for (number, what) in beyond.into_iter().zip(["TO BE TREATED AS A DANGER", "not measured"]) {
        if number > 0 {
            page.gap();
            let words = format!("{} {what}: `--json FILE` lists them.", count(number, "more lean event"));
            page.paragraph(2, &words);
        }
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
        page.labelled(4, "because", LABEL, &sentence(&event.because), Style::new());
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
        page.labelled(4, "next check", LABEL, &sentence(&event.next_check), STRONG);
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
            let score = trust.score.map_or("-".to_owned(), Grade::score_words);
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
    let shared = shared_reservations(audit);
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
            page.labelled(2, label, LABEL, &statement(claim, &shared), Style::new());
        }
    }
    for reservation in &shared {
        page.labelled(2, "for several", LABEL, &sentence(reservation), Style::new());
    }
}

/// Reservations that more than one claim carries: said once, below them.
fn shared_reservations(audit: &Audit) -> Vec<&str> {
    let limited = || audit.claims.iter().filter(|claim| claim.status == ClaimStatus::Limited);
    let mut shared: Vec<&str> = Vec::new();
    for (index, claim) in limited().enumerate() {
        for words in statements(&claim.because) {
            let again = limited().skip(index + 1).any(|other| statements(&other.because).contains(&words));
            if again && !shared.contains(&words) {
                shared.push(words);
            }
        }
    }
    shared
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
        let words = format!("{}:{value}. {}", measured(metric), sentence(&metric.because));
        page.labelled(2, word, LABEL, &words, Style::new());
    }
    let silent = audit.sensor_health.len() - metrics.len();
    if silent > 0 {
        let names: Vec<String> = audit
            .sensor_health
            .iter()
            .filter(|metric| metric.status == HealthStatus::NotMeasurable)
            .map(measured)
            .collect();
        page.labelled(2, "not measurable", LABEL, &list(&names, 6), Style::new());
    }
    if let Some(history) = &audit.sensor_history {
        life::render_history(page, history);
    }
}

/// What a health metric measures, with its direction where it has one.
fn measured(metric: &HealthMetric) -> String {
    let direction = metric.direction.as_ref().map_or(String::new(), |d| format!(" {}", plain(d)));
    format!("{}{direction}", plain(&metric.metric))
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
