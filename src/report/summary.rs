//! Several logs in one call: one line each, the dangerous ones first.

use super::page::Page;
use super::words::{count, duration};
use crate::document::{Audit, ClaimStatus, Decision, Grade, TreatAs};

/// What is kept of a log once its document is written.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    log: String,
    length: String,
    hazards: Option<usize>,
    not_measured: usize,
    trust: String,
    claims: String,
    gate: String,
}

impl Line {
    /// The line of an audited log.
    pub fn of(audit: &Audit) -> Self {
        let events = |treat_as: TreatAs| audit.lean_events.iter().filter(|e| e.treat_as == treat_as).count();
        let supported = audit.claims.iter().filter(|claim| claim.status == ClaimStatus::Supported).count();
        let mixture = audit.channels.iter().find(|channel| channel.role.is_mixture());
        Self {
            log: audit.source.path.clone(),
            length: duration(audit.source.duration_s),
            hazards: audit.lean_not_evaluated.is_none().then(|| events(TreatAs::Hazard)),
            not_measured: events(TreatAs::Invalid),
            trust: mixture.map_or("no lambda".to_owned(), |channel| {
                let score = channel
                    .trust
                    .score
                    .map_or(String::new(), |score| format!(" {}", Grade::score_words(score)));
                format!("{}{score}", channel.trust.grade.word())
            }),
            claims: format!("{supported} of {}", audit.claims.len()),
            gate: match audit.gate.decision {
                Decision::Open => "open".to_owned(),
                Decision::Withheld => "withheld".to_owned(),
            },
        }
    }

    /// The line of a log that could not be read.
    pub fn unreadable(log: String) -> Self {
        Self {
            log,
            length: "-".to_owned(),
            hazards: None,
            not_measured: 0,
            trust: "not read".to_owned(),
            claims: "-".to_owned(),
            gate: "withheld".to_owned(),
        }
    }
}

/// The table of a call with several logs.
///
/// * `width`: characters per line, brought into 60..=120
pub fn render(lines: &[Line], width: usize) -> String {
    let mut page = Page::new(width);
    page.heading("SUMMARY");
    let mut order: Vec<&Line> = lines.iter().collect();
    // A stable sort: logs of equal danger stay in the order in which they were given.
    order.sort_by_key(|line| std::cmp::Reverse(line.hazards.unwrap_or(0)));
    let rows: Vec<Vec<String>> = order
        .iter()
        .map(|line| {
            vec![
                line.hazards.map_or("not evaluated".to_owned(), |n| {
                    if n > 0 { format!("DANGER {n}") } else { "none seen".to_owned() }
                }),
                line.not_measured.to_string(),
                line.trust.clone(),
                line.claims.clone(),
                line.gate.clone(),
                line.length.clone(),
                line.log.clone(),
            ]
        })
        .collect();
    let header = ["danger", "not measured", "lambda", "claims", "gate", "length", "log"];
    page.table(2, &header, &[false, true, false, false, false, true, false], &rows);
    let hazards = lines.iter().filter(|line| line.hazards.is_some_and(|n| n > 0)).count();
    page.gap();
    page.paragraph(
        2,
        &format!(
            "{}, {} with a danger. `sondeproof audit LOG` shows the whole report of one.",
            count(lines.len(), "log"),
            hazards
        ),
    );
    page.finish()
}
