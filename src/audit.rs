//! The one place that knows the order of the stages.

use std::collections::BTreeSet;
use std::sync::Arc;

use rayon::prelude::*;

use crate::chain::{self, Chain, Response};
use crate::detect::place::Rest;
use crate::detect::{self, Detection, Finding, Stage, View};
use crate::document::{self, Audit, FlagCounts, SCHEMA, TreatAs, Verdict};
use crate::flag::Flag;
use crate::lean::Event;
use crate::log::{Channel, Log};
use crate::rig::Rig;
use crate::rig::name::mixture_name;
use crate::state::{self, States};
use crate::{claim, gate, health, lean, trust};

/// The document of one log, and what the file writers need beside it.
#[derive(Clone, Debug)]
pub struct Audited {
    /// What other programs rely on.
    pub document: Audit,
    /// Flags per channel and row, findings and run records.
    pub detection: Detection,
    /// Operating state per row.
    pub state: States,
    /// The mixture reading's chain.
    pub chain: Option<Chain>,
}

/// Audits one log: the library's front door.
///
/// * `rig`: its limits must have passed [`detect::check_limits`]
pub fn audit(log: &Log, rig: &Rig) -> Audited {
    let state = state::judge(log, rig);
    let chain = chain::measure(log, &state, rig);
    let mut detection = detect::run_all(log, &state, rig, chain.as_ref());
    let view = View { log, state: &state, rig, chain: chain.as_ref(), findings: &[], rest: &[] };
    let (judged, sensor_health) =
        rayon::join(|| lean::judge(&view, &detection), || health::measure(&view, &detection));
    let (events, lean_not_evaluated) = match judged {
        Ok(events) => (events, None),
        Err(because) => (Vec::new(), Some(because)),
    };
    let trust = trust::score(&view, &detection, &events);
    let windows = windows(&view, &detection, &events);
    let claims = claim::make(&view, &detection, &events, &trust, &windows);
    if let Some(flags) = chain.as_ref().and_then(|chain| detection.flags.get_mut(chain.channel)) {
        let mut rows = flags.all().into_owned();
        withdraw(&mut rows, &events);
        *flags = rows.into();
    }
    let channels: Vec<document::Channel> = log
        .channels
        .par_iter()
        .zip(&detection.flags)
        .zip(trust)
        .map(|((channel, flags), trust)| describe(channel, &flags.all(), trust))
        .collect();
    let mut lean_events: Vec<document::LeanEvent> = events.into_iter().map(|event| event.record).collect();
    add_other_banks(&view, &detection, &mut lean_events);
    for (index, event) in lean_events.iter_mut().enumerate() {
        event.id = format!("L{}", index + 1);
    }
    let mut cautions = lean::cautions(&view, &lean_events);
    cautions.extend(undescribed(&detection));

    let mut document = Audit {
        schema: SCHEMA.to_owned(),
        tool: document::Tool { name: "sondeproof".to_owned(), version: env!("CARGO_PKG_VERSION").to_owned() },
        source: source(log),
        rig: rig_used(log, rig, chain.as_ref()),
        detectors: runs(log, &detection),
        findings: findings(log, &detection),
        cautions,
        channels,
        lean_events,
        lean_not_evaluated,
        windows,
        claims,
        sensor_health,
        sensor_history: None,
        // Closed until all that it looks at is here.
        gate: document::Gate {
            decision: document::Decision::Withheld,
            policy: None,
            reasons: Vec::new(),
            evidence_needed: Vec::new(),
        },
        notes: log
            .notes
            .iter()
            .map(|note| document::Note {
                line: note.line,
                channel: note.channel.clone(),
                text: note.text.clone(),
            })
            .collect(),
    };
    document.gate = gate::decide(&gate::Evidence::of(&document), &gate::Policy::next_step());
    Audited { document, detection, state, chain }
}

/// Mixture channels beyond the first that are judged at a time: a few keep every core at work, as each is judged in parallel,
/// and what is told again of one that nobody has told of yet is held for all of them.
const BANKS_AT_ONCE: usize = 4;

/// Dangers that only another mixture channel of the log shows: a second bank, or one sensor written twice. What the first
/// channel already calls a danger at that time is not told again.
fn add_other_banks(view: &View<'_>, detection: &Detection, events: &mut Vec<document::LeanEvent>) {
    let others: Vec<usize> = (0..view.log.channels.len())
        .filter(|index| view.chain.is_some_and(|chain| chain.channel != *index))
        .filter(|index| view.log.channels[*index].role.is_mixture() && view.log.channels[*index].count() > 0)
        .collect();
    let is_new = |event: &document::LeanEvent, events: &[document::LeanEvent]| {
        let told = events.iter().any(|known| {
            known.treat_as == TreatAs::Hazard && known.start_s <= event.end_s && event.start_s <= known.end_s
        });
        event.treat_as == TreatAs::Hazard && !told
    };
    for banks in others.chunks(BANKS_AT_ONCE) {
        let of_bank = |index: &usize| -> Vec<document::LeanEvent> {
            let chain = chain::of_channel(view.log, view.state, view.rig, *index);
            let other = View { chain: Some(&chain), ..*view };
            let judged = lean::judge(&other, detection).unwrap_or_default();
            judged.into_iter().map(|event| event.record).filter(|event| is_new(event, events)).collect()
        };
        let found: Vec<_> = banks.par_iter().map(of_bank).collect();
        for mut event in found.into_iter().flatten() {
            if is_new(&event, events) {
                event.because =
                    format!("Read by {}, not by the first mixture channel. {}", event.channel, event.because);
                events.push(event);
            }
        }
    }
    events.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
}

/// Takes back the good flags of what a lean event shows not to be the engine's mixture, so that whoever masks by flags
/// leaves it out too: bad where nothing was measured, suspect where the gas was diluted on its way.
fn withdraw(flags: &mut [Flag], events: &[Event]) {
    for event in events.iter().filter(|event| event.record.treat_as == TreatAs::Invalid) {
        let flag = if event.record.verdict == Verdict::Artefact { Flag::Bad } else { Flag::Suspect };
        let end = event.rows.end.min(flags.len());
        for slot in flags.get_mut(event.rows.start..end).unwrap_or_default() {
            // A slower channel's empty rows hold no reading to take back.
            if *slot != Flag::NotEvaluated {
                *slot = slot.worst(flag);
            }
        }
    }
}

fn source(log: &Log) -> document::Source {
    document::Source {
        path: log.source.path.clone(),
        sha256: log.source.sha256.clone(),
        bytes: log.source.bytes,
        format: log.source.format.clone(),
        rows: log.rows() as u64,
        channels: log.channels.len() as u64,
        start: log.clock.start.clone(),
        duration_s: log.clock.duration_s(),
        sample_rate_hz: log.clock.rate_hz(),
        cut_short: log
            .source
            .cut_short
            .as_ref()
            .map(|cut| document::CutShort { why: cut.why.clone(), row_only: cut.row_only }),
        unread: log
            .source
            .unread
            .iter()
            .filter(|one| {
                let read =
                    log.channels.iter().any(|channel| channel.role.is_mixture() && channel.name == one.name);
                read || mixture_name(&one.name).is_some()
            })
            .map(|one| document::Unread { name: one.name.clone(), why: one.why.clone() })
            .collect(),
    }
}

/// A response that the rig file states, that is slower than any healthy sensor's, and that no step of the log shows: what it
/// excuses as the sensor's way back may have been lean.
fn unshown_response(rig: &Rig, chain: Option<&Chain>) -> Option<String> {
    let [low, high] = rig.sensor.tau_s?;
    let chain = chain?;
    let slowest_s = Response::prior().quantile(0.975);
    let unshown = |response: &Response| response.events == 0 && response.tau_s > slowest_s;
    (unshown(&chain.rich_to_lean) || unshown(&chain.lean_to_rich)).then(|| {
        format!(
            "the rig file states a response of {:.0} to {:.0} ms, a healthy sensor has {:.0} ms at most, and no step of this \
             log shows which it is: lean readings may have been taken for the sensor's way back",
            1e3 * low,
            1e3 * high,
            1e3 * slowest_s
        )
    })
}

fn rig_used(log: &Log, rig: &Rig, chain: Option<&Chain>) -> document::Rig {
    let tau = chain.map(|chain| chain.rich_to_lean.estimate());
    document::Rig {
        name: rig.name.clone(),
        file: rig.file.clone(),
        fuel: rig.fuel.clone(),
        stoich_afr: rig.stoich_afr,
        cylinders: rig.cylinders,
        redline_rpm: rig.redline_rpm,
        full_load_lambda_max: rig.full_load_lambda_max,
        sensor_serial: rig.sensor.serial.clone(),
        sensor_installed: rig.sensor.installed.clone(),
        sensor_checked: rig.sensor.checked.clone(),
        tau_s: tau.map(|tau| document::Interval { value: tau.value, low: tau.low, high: tau.high }),
        tau_basis: chain.map(|chain| chain.rich_to_lean.basis.clone()),
        unshown_response: unshown_response(rig, chain),
        frame_period_s: chain.and_then(|chain| chain.frame_period_s),
        clip_lean: chain.and_then(|chain| chain.clip_lean),
        supply_min_v: rig.sensor.supply_min_v,
        limits: rig.limits.clone(),
        without_effect: rig.without_effect(log),
    }
}

fn describe(channel: &Channel, flags: &[Flag], trust: document::Trust) -> document::Channel {
    let mut counts = FlagCounts::default();
    for (row, flag) in flags.iter().enumerate() {
        let slot = match flag {
            Flag::Good => &mut counts.good,
            Flag::Suspect => &mut counts.suspect,
            Flag::Bad => &mut counts.bad,
            Flag::Missing => &mut counts.missing,
            Flag::NotEvaluated if channel.not_sampled(row) => &mut counts.not_sampled,
            Flag::NotEvaluated => &mut counts.not_evaluated,
        };
        *slot += 1;
    }
    let shown = |value: Option<f64>| value.filter(|_| !channel.withheld);
    document::Channel {
        name: channel.name.clone(),
        role: channel.role,
        role_confidence: channel.basis.confidence,
        role_reason: channel.basis.reason.clone(),
        unit: channel.unit.symbol.to_owned(),
        resolution: shown(channel.measured.resolution.map(|step| channel.logged_difference(step))),
        rate_hz: channel.fresh_period_s().filter(|period| *period > 0.0).map(f64::recip),
        clip_low: shown(channel.measured.clip_low.map(|value| channel.logged(value))),
        clip_high: shown(channel.measured.clip_high.map(|value| channel.logged(value))),
        trust,
        flags: counts,
    }
}

fn runs(log: &Log, detection: &Detection) -> Vec<document::DetectorRun> {
    detection
        .records
        .iter()
        .map(|record| document::DetectorRun {
            name: record.detector.to_owned(),
            stage: stage(record.stage).to_owned(),
            channel: record.channel.map(|index| log.channels[index].name.clone()),
            ran: record.ran,
            because: record.because.clone(),
        })
        .collect()
}

fn findings(log: &Log, detection: &Detection) -> Vec<document::Finding> {
    let time_s = &log.clock.time_s;
    let of_log: Arc<str> = "time".into();
    let names: Vec<Arc<str>> = log.channels.iter().map(|channel| Arc::from(&*channel.name)).collect();
    let name = |finding: &Finding| finding.channel.and_then(|index| names.get(index)).unwrap_or(&of_log);
    detection
        .findings
        .iter()
        .enumerate()
        .map(|(index, finding)| {
            let channel = finding.channel.and_then(|index| log.channels.get(index));
            let withheld = channel.filter(|channel| channel.withheld);
            document::Finding {
                id: format!("F{}", index + 1),
                detector: finding.detector.into(),
                stage: stage(finding.stage).into(),
                channel: Arc::clone(name(finding)),
                start_s: time_s[finding.rows.start],
                end_s: time_s[finding.rows.end.max(finding.rows.start + 1) - 1],
                samples: finding.rows.len() as u64,
                flag: finding.flag.code(),
                about: finding.about,
                message: withheld.map_or_else(
                    || Arc::clone(&finding.message),
                    |channel| without_numbers(channel, finding).into(),
                ),
                evidence: finding
                    .evidence
                    .iter()
                    .map(|(field, value)| {
                        let shown = value.is_finite() && (withheld.is_none() || field.unit == "s");
                        (field.name, shown.then_some(*value))
                    })
                    .collect(),
            }
        })
        .collect()
}

/// What was found in a channel whose numbers are withheld, without one of them.
fn without_numbers(channel: &Channel, finding: &Finding) -> String {
    let detector = detect::ALL.iter().map(|one| one.meta()).find(|meta| meta.name == finding.detector);
    let what = detector.map_or(finding.detector, |meta| meta.summary);
    format!("{}: {what}; its numbers are not shown, because nobody says what it holds", channel.name)
}

/// What the list of findings leaves out, in words.
fn undescribed(detection: &Detection) -> Option<String> {
    let left_out: usize = detection.rest.iter().map(Rest::count).sum();
    let names: BTreeSet<&str> = detection.rest.iter().map(Rest::detector).collect();
    let names: Vec<&str> = names.into_iter().collect();
    (!names.is_empty()).then(|| {
        format!(
            "{} of {} findings are not listed one by one ({}): the flags of their samples stand, and so does what follows \
             from them.",
            left_out,
            left_out + detection.findings.len(),
            names.join(", ")
        )
    })
}

const fn stage(stage: Stage) -> &'static str {
    match stage {
        Stage::Trial => "trial",
        Stage::Scored => "scored",
    }
}

fn windows(view: &View<'_>, detection: &Detection, events: &[Event]) -> Vec<document::Window> {
    let usable = lean::usable_rows(view, detection, events);
    let time_s = &view.log.clock.time_s;
    let window = |window: &state::Window| {
        let rows = window.rows();
        document::Window {
            kind: state::name_of(window.bit).into(),
            start_s: time_s[rows.start],
            end_s: time_s[rows.end - 1],
            samples: rows.len() as u64,
            usable_samples: rows.filter(|row| usable(*row)).count() as u64,
        }
    };
    let filled = || view.state.windows.iter().filter(|window| !window.rows().is_empty());
    // As many as rows, of several states, where the log is full of holes: they are counted first.
    let mut windows = Vec::with_capacity(filled().count());
    windows.extend(filled().map(window));
    windows
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::read;

    #[test]
    fn samples_of_an_artefact_do_not_stay_good() {
        let place = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("datasets/hill_climb_demo.csv");
        let table = read::open(&place, &read::ReadOptions::default()).expect("a log");
        let rig = Rig::default();
        let log = crate::rig::assemble(table, &rig).expect("assembled");
        let state = state::judge(&log, &rig);
        let chain = chain::measure(&log, &state, &rig);
        let detection = detect::run_all(&log, &state, &rig, chain.as_ref());
        let view =
            View { log: &log, state: &state, rig: &rig, chain: chain.as_ref(), findings: &[], rest: &[] };
        let events = lean::judge(&view, &detection).expect("judged");
        let artefact =
            events.iter().find(|event| event.record.verdict == Verdict::Artefact).expect("the glitch");
        let mut flags = vec![Flag::Good; log.rows()];
        withdraw(&mut flags, &events);
        for (row, flag) in flags.iter().enumerate() {
            let expected = if artefact.rows.contains(&row) { Flag::Bad } else { Flag::Good };
            assert_eq!(*flag, expected, "row {row}");
        }
    }
}
