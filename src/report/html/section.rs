//! Rows of the report's tables, in words.

use std::borrow::Cow;
use std::sync::Arc;

use super::super::answer;
use super::super::words::{count, duration, list, number, plain, time};
use super::chart::Markup;
use crate::detect;
use crate::document::{Audit, Claim, ClaimStatus, Grade, HealthStatus, TreatAs, Trust};

/// Kinds of finding that are listed.
const KINDS: usize = 60;

/// A claim that may be made.
pub(super) struct Claimed {
    pub class: &'static str,
    pub symbol: &'static str,
    pub status: &'static str,
    pub text: String,
    pub value: String,
    pub interval: String,
    pub because: String,
}

/// Claims that may be made, the supported ones first.
pub(super) fn claims(audit: &Audit) -> Vec<Claimed> {
    let of = |status: ClaimStatus| audit.claims.iter().filter(move |claim| claim.status == status);
    let supported = of(ClaimStatus::Supported).map(|c| claimed(audit, c, ("yes", "\u{25cf}", "supported")));
    let limited =
        of(ClaimStatus::Limited).map(|c| claimed(audit, c, ("care", "\u{25d0}", "with a reservation")));
    supported.chain(limited).collect()
}

fn claimed(
    audit: &Audit,
    claim: &Claim,
    (class, symbol, status): (&'static str, &'static str, &'static str),
) -> Claimed {
    let windows: Vec<_> =
        claim.windows.iter().filter_map(|i| audit.windows.get(usize::try_from(*i).ok()?)).collect();
    // The reason often names the windows itself.
    let support = if windows.is_empty() || claim.because.contains("window") {
        String::new()
    } else {
        format!(" ({})", count(windows.len(), "window"))
    };
    let bound = claim.value.is_some() && claim.high.is_none();
    Claimed {
        class,
        symbol,
        status,
        text: subject(&claim.text).to_owned(),
        value: quantity(claim.value, claim.low, claim.high, &claim.unit),
        interval: match (claim.low, claim.high) {
            (Some(low), None) if bound => format!("at least {}", number(low, claim.low, claim.value)),
            (low, high) => interval(low, high),
        },
        because: format!("{}{support}", claim.because),
    }
}

/// What a claim is about: its sentence without the numbers, which have columns of their own.
fn subject(text: &str) -> &str {
    text.split_once(": ").map_or(text, |(subject, _)| subject).trim_end_matches('.')
}

fn quantity(value: Option<f64>, low: Option<f64>, high: Option<f64>, unit: &str) -> String {
    let unit = if unit == "1" { "" } else { unit };
    value.map_or_else(
        || "\u{2013}".to_owned(),
        |value| format!("{} {unit}", number(value, low, high)).trim_end().to_owned(),
    )
}

fn interval(low: Option<f64>, high: Option<f64>) -> String {
    match (low, high) {
        (Some(a), Some(b)) => format!("{} to {}", number(a, low, high), number(b, low, high)),
        _ => "\u{2013}".to_owned(),
    }
}

/// What must not be concluded, each with its reason.
pub(super) fn withheld(audit: &Audit) -> Vec<(String, String)> {
    let mut items = Vec::new();
    if let Some(because) = &audit.lean_not_evaluated {
        items.push((
            "That there was no lean event.".to_owned(),
            format!("None could be looked for: {because}."),
        ));
    }
    for event in audit.lean_events.iter().filter(|event| event.treat_as == TreatAs::Invalid) {
        let what = format!("That the mixture was safe at {} ({}).", time(event.start_s), event.id);
        items.push((what, "It was not measured there; not measured is neither lean nor safe.".to_owned()));
    }
    for event in audit.lean_events.iter().filter(|e| e.peak_is_bound && e.treat_as == TreatAs::Hazard) {
        let what = format!("How lean it was at {} ({}).", time(event.start_s), event.id);
        let why = format!(
            "The channel ends at lambda {}; it was at least that.",
            number(event.peak_lambda, None, None)
        );
        items.push((what, why));
    }
    let blind = audit
        .lean_events
        .iter()
        .filter_map(|event| event.blind_below_s)
        .fold(None, |most: Option<f64>, s| Some(most.map_or(s, |m| m.max(s))));
    if let Some(blind_s) = blind {
        let what = format!("That nothing shorter than {} happened.", duration(blind_s));
        items.push((what, "The sensor and its link are too slow to show it.".to_owned()));
    }
    for channel in audit.channels.iter().filter(|c| matches!(c.trust.grade, Grade::Untrusted)) {
        let why = channel.trust.deductions.first().map_or(String::new(), |d| d.why.clone());
        items.push((
            format!("Anything from {}.", channel.name),
            format!("It is {}. {why}", channel.trust.grade.word()),
        ));
    }
    let unjudged: Vec<String> = audit
        .channels
        .iter()
        .filter(|c| c.trust.grade == Grade::NotEvaluated)
        .map(|c| c.name.clone())
        .collect();
    if !unjudged.is_empty() {
        let what = format!("That {} can be believed.", list(&unjudged, 12));
        items.push((what, "Nothing could be tested there.".to_owned()));
    }
    // One reason often withholds several claims: say it once.
    let mut reasons: Vec<&str> = Vec::new();
    let denied = || audit.claims.iter().filter(|claim| claim.status == ClaimStatus::NotSupported);
    for claim in denied() {
        if !reasons.contains(&claim.because.as_str()) {
            reasons.push(&claim.because);
        }
    }
    for reason in reasons {
        let names: Vec<String> = denied().filter(|c| c.because == reason).map(|c| plain(&c.id)).collect();
        items.push((format!("Any number for {}.", list(&names, 12)), reason.to_owned()));
    }
    items
}

/// Trust of a channel.
pub(super) struct Trusted {
    pub name: String,
    pub role: &'static str,
    pub class: &'static str,
    pub symbol: &'static str,
    pub grade: &'static str,
    pub score: String,
    pub chart: Markup,
    pub deductions: Vec<(String, String)>,
}

/// Trust of every channel, in column order.
pub(super) fn trust(audit: &Audit) -> Vec<Trusted> {
    audit
        .channels
        .iter()
        .map(|channel| {
            let trust = &channel.trust;
            let (class, symbol) = match trust.grade {
                Grade::Trusted => ("yes", "\u{25cf}"),
                Grade::Limited => ("care", "\u{25d0}"),
                Grade::Untrusted => ("no", "\u{2715}"),
                Grade::NotEvaluated => ("unknown", "\u{2013}"),
            };
            let deductions: Vec<_> = trust
                .deductions
                .iter()
                .map(|d| (format!("\u{2212}{:.3}", d.points), d.why.clone()))
                .collect();
            Trusted {
                name: channel.name.clone(),
                role: channel.role.label(),
                class,
                symbol,
                grade: trust.grade.word(),
                score: score(trust),
                chart: whisker(trust),
                deductions,
            }
        })
        .collect()
}

fn score(trust: &Trust) -> String {
    match (trust.score, trust.low, trust.high) {
        (Some(score), Some(low), Some(high)) => {
            format!("{} ({low:.2} to {high:.2})", Grade::score_words(score))
        }
        (Some(score), ..) => Grade::score_words(score),
        _ => "\u{2013}".to_owned(),
    }
}

/// The score and its bounds on a scale from 0.5 to 1; what is lower stands at the left end.
fn whisker(trust: &Trust) -> Markup {
    let mut chart = Markup::default();
    let x = |share: f64| 2.0 + 196.0 * ((share - 0.5) / 0.5).clamp(0.0, 1.0);
    chart.add(format_args!(
        "<svg class=\"bar\" width=\"100%\" height=\"16\" viewBox=\"0 0 200 16\" preserveAspectRatio=\"none\" \
         aria-hidden=\"true\"><path class=\"zero\" d=\"M2 13H198M{0:.1} 1V15M{1:.1} 1V15\"/>",
        x(0.80),
        x(0.95)
    ));
    if let (Some(low), Some(high)) = (trust.low, trust.high) {
        chart.add(format_args!("<path class=\"whisker\" d=\"M{:.1} 7H{:.1}\"/>", x(low), x(high)));
    }
    if let Some(score) = trust.score {
        chart.add(format_args!("<path class=\"point\" d=\"M{:.1} 2V12\"/>", x(score)));
    }
    chart.add(format_args!("</svg>"));
    chart
}

/// What trust was judged on, in words.
pub(super) fn bases(audit: &Audit) -> String {
    let mut bases: Vec<&str> = audit.channels.iter().map(|channel| channel.trust.basis.as_str()).collect();
    bases.sort_unstable();
    bases.dedup();
    let bases: Vec<String> = bases.into_iter().map(plain).collect();
    if bases.is_empty() { "no channel".to_owned() } else { list(&bases, 4) }
}

/// A health metric.
pub(super) struct Metric {
    pub name: String,
    pub class: &'static str,
    pub symbol: &'static str,
    pub status: &'static str,
    pub value: String,
    pub interval: String,
    pub limit: String,
    pub events: u64,
    pub because: String,
}

/// Health of the mixture sensor: what calls for action first.
pub(super) fn health(audit: &Audit) -> Vec<Metric> {
    let rank = |status: HealthStatus| match status {
        HealthStatus::Act => 0,
        HealthStatus::Watch => 1,
        HealthStatus::Ok => 2,
        HealthStatus::NotMeasurable => 3,
    };
    let mut metrics: Vec<_> = audit.sensor_health.iter().collect();
    metrics.sort_by_key(|metric| rank(metric.status));
    metrics
        .into_iter()
        .map(|metric| {
            let (class, symbol, status) = match metric.status {
                HealthStatus::Act => ("no", "\u{2715}", "act"),
                HealthStatus::Watch => ("care", "\u{25d0}", "watch"),
                HealthStatus::Ok => ("yes", "\u{25cf}", "ok"),
                HealthStatus::NotMeasurable => ("unknown", "\u{2013}", "not measurable"),
            };
            let direction = metric.direction.as_ref().map_or(String::new(), |d| format!(", {}", plain(d)));
            Metric {
                name: format!("{}{direction}", plain(&metric.metric)),
                class,
                symbol,
                status,
                value: quantity(metric.value, metric.low, metric.high, &metric.unit),
                interval: interval(metric.low, metric.high),
                limit: quantity(metric.limit, None, None, &metric.unit),
                events: metric.events,
                because: metric.because.clone(),
            }
        })
        .collect()
}

/// Findings of one test on one channel.
pub(super) struct Found {
    pub detector: Cow<'static, str>,
    pub channel: Arc<str>,
    pub flag: &'static str,
    pub count: usize,
    pub first: String,
    pub message: Arc<str>,
    longest_s: f64,
}

/// Findings by test, channel and flag; and how many kinds are left out.
pub(super) fn found(audit: &Audit) -> (Vec<Found>, usize) {
    let mut kinds: Vec<Found> = Vec::new();
    let mut place = std::collections::BTreeMap::new();
    for finding in &audit.findings {
        let length_s = finding.end_s - finding.start_s;
        let key = (&*finding.detector, &*finding.channel, finding.flag);
        let index = *place.entry(key).or_insert_with(|| {
            kinds.push(Found {
                detector: finding.detector.clone(),
                channel: finding.channel.clone(),
                flag: flag_word(finding.flag, &finding.stage),
                count: 0,
                first: time(finding.start_s),
                message: Arc::default(),
                longest_s: f64::NEG_INFINITY,
            });
            kinds.len() - 1
        });
        if let Some(kind) = kinds.get_mut(index) {
            kind.count += 1;
            if length_s > kind.longest_s {
                kind.longest_s = length_s;
                kind.message.clone_from(&finding.message);
            }
        }
    }
    let more = kinds.len().saturating_sub(KINDS);
    kinds.truncate(KINDS);
    (kinds, more)
}

fn flag_word(flag: u8, stage: &str) -> &'static str {
    match (flag, stage) {
        (_, "trial") => "on trial, not scored",
        (3, _) => "suspect",
        (4, _) => "bad",
        (9, _) => "missing",
        _ => "other",
    }
}

/// A test that did not run.
pub(super) struct Silent {
    pub detector: String,
    pub channels: String,
    pub because: String,
}

/// Tests that did not run, one row per reason.
pub(super) fn silent(audit: &Audit) -> Vec<Silent> {
    let mut rows: Vec<(&str, &str, Vec<String>)> = Vec::new();
    for run in audit.detectors.iter().filter(|run| !run.ran) {
        let because = run.because.as_deref().unwrap_or("no reason given");
        let channel = run.channel.clone().unwrap_or_else(|| "the log as a whole".to_owned());
        match rows.iter_mut().find(|row| row.0 == run.name && row.1 == because) {
            Some(row) => row.2.push(channel),
            None => rows.push((&run.name, because, vec![channel])),
        }
    }
    rows.into_iter()
        .map(|(detector, because, channels)| Silent {
            detector: detector.to_owned(),
            channels: list(&channels, 6),
            because: because.to_owned(),
        })
        .collect()
}

/// What reading noticed, and what of the rig file had no effect.
pub(super) fn notes(audit: &Audit) -> Vec<String> {
    let noted = audit.notes.iter().take(40).map(|note| {
        let line = note.line.map_or(String::new(), |line| format!("line {line}: "));
        format!("{line}{}", note.text)
    });
    let unused = audit.rig.without_effect.iter().map(|entry| format!("rig file, no effect: {entry}"));
    let mut notes: Vec<String> = noted.chain(unused).collect();
    if audit.notes.len() > 40 {
        notes.push(format!("{} in the audit document", count(audit.notes.len() - 40, "more note")));
    }
    notes
}

/// A limit as used.
pub(super) struct LimitUsed {
    pub name: String,
    pub value: String,
    pub from: &'static str,
}

/// Every limit of every test.
pub(super) fn limits(audit: &Audit) -> Vec<LimitUsed> {
    let mut rows = Vec::new();
    for detector in detect::ALL {
        let meta = detector.meta();
        for limit in meta.limits {
            let name = format!("{}.{}", meta.name, limit.name);
            let own = audit.rig.limits.get(&name);
            rows.push(LimitUsed {
                value: format!("{} {}", own.copied().unwrap_or(limit.default), limit.unit)
                    .trim_end()
                    .to_owned(),
                from: if own.is_some() { "rig file" } else { "default" },
                name,
            });
        }
    }
    rows
}

/// Where log, program and rig came from.
pub(super) fn provenance(audit: &Audit) -> Vec<(&'static str, String)> {
    let (source, rig) = (&audit.source, &audit.rig);
    let unknown = || "not known".to_owned();
    let text = |value: &Option<String>| value.clone().unwrap_or_else(unknown);
    let tau = rig.tau_s.map_or_else(unknown, |tau| {
        let basis = rig.tau_basis.as_deref().unwrap_or("basis not known");
        format!("{} ({} to {}), {basis}", duration(tau.value), duration(tau.low), duration(tau.high))
    });
    let measured = |value: Option<f64>, unit: &str| {
        value.map_or_else(unknown, |v| format!("{} {unit}", number(v, None, None)).trim_end().to_owned())
    };
    vec![
        ("Log", source.path.clone()),
        ("SHA-256", source.sha256.clone()),
        ("Size and format", format!("{} bytes, {}", source.bytes, plain(&source.format))),
        (
            "Rows and channels",
            format!("{} rows, {}", source.rows, count(source.channels as usize, "channel")),
        ),
        ("Start", text(&source.start)),
        ("Length", duration(source.duration_s)),
        ("Row rate", measured(source.sample_rate_hz, "Hz")),
        ("Program", format!("{} {}, document {}", audit.tool.name, audit.tool.version, audit.schema)),
        ("Rig", text(&rig.name)),
        ("Rig file", rig.file.clone().unwrap_or_else(|| "none".to_owned())),
        (
            "Fuel",
            format!("{}, stoichiometric air/fuel ratio {}", rig.fuel, number(rig.stoich_afr, None, None)),
        ),
        ("Cylinders", rig.cylinders.map_or_else(unknown, |n| n.to_string())),
        ("Engine speed limit", measured(rig.redline_rpm, "1/min")),
        ("Full-load limit", format!("lambda {}", number(rig.full_load_lambda_max, None, None))),
        ("Sensor", text(&rig.sensor_serial)),
        ("Sensor fitted", text(&rig.sensor_installed)),
        ("Sensor last checked", text(&rig.sensor_checked)),
        ("Response of the reading", tau),
        ("Period of the link", rig.frame_period_s.map_or_else(unknown, duration)),
        (
            "Lean end stop",
            rig.clip_lean.map_or_else(unknown, |v| format!("lambda {}", number(v, None, None))),
        ),
        ("Least supply", measured(rig.supply_min_v, "V")),
    ]
}

/// Questions and answers at the head of the report.
pub(super) fn answers(audit: &Audit) -> Vec<super::page::Answer> {
    use super::page::Answer;
    let (words, alarm) = answer::danger(audit);
    let mut answers = vec![
        Answer { question: "Any danger?", words, alarm },
        Answer {
            question: "Believe this log?",
            words: answer::belief(audit).trim().to_owned(),
            alarm: false,
        },
        Answer { question: "What may be said?", words: answer::sayable(audit), alarm: false },
        Answer { question: "Use it as it is?", words: answer::usable(audit), alarm: false },
    ];
    if let Some(event) = answer::most_urgent(audit) {
        let words = format!("{} ({})", event.next_check, event.id);
        answers.push(Answer { question: "What next?", words, alarm: false });
    }
    answers
}
