//! The evaluation as text for people.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::Evaluation;
use super::detection::{DetectorRow, meant_for};
use super::reliance::TrustTable;
use super::verdicts::{Case, Danger, Extra, SIGHT_LAMBDA, SIGHT_SIGMA, Share, Verdicts};

/// The whole page.
pub fn render(evaluation: &Evaluation) -> String {
    let mut out = String::new();
    let e = evaluation;
    let _ = writeln!(
        out,
        "Evaluation on simulated truth, suite {}\n  command  {}\n  seeds    {} to {} (suite {} to {}), version {}\n  \
         logs     {} ({} without a fault, {} with two), {:.1} hours, {} could not be audited\n  \
         events   {} true ones read lean, {} judged\n",
        e.suite.name(),
        e.command,
        e.seeds.0,
        e.seeds.1.saturating_sub(1),
        e.suite.seeds().start,
        e.suite.seeds().end - 1,
        e.version,
        e.logs,
        e.fault_free_logs,
        e.pair_logs,
        e.hours,
        e.failed.len(),
        e.verdicts.episodes,
        e.verdicts.events,
    );
    dangers(&mut out, &e.verdicts);
    sights(&mut out, &e.verdicts);
    proofs(&mut out, &e.verdicts);
    recalls(&mut out, &e.verdicts);
    unnamed(&mut out, &e.verdicts);
    causes(&mut out, &e.verdicts);
    out.push_str("\nExtra lean events (nothing happened there)\n");
    extra(&mut out, "all logs", &e.verdicts.extra);
    extra(&mut out, "fault-free", &e.verdicts.extra_fault_free);
    let _ = writeln!(
        out,
        "  fault-free  true cuts treated as a danger: {:.1} per hour",
        e.verdicts.false_dangers_fault_free_per_hour
    );
    detectors(&mut out, &e.detectors);
    for table in e.trust.iter().take(2) {
        trust(&mut out, table);
    }
    other_roles(&mut out, &e.trust);
    responses(&mut out, e);
    features(&mut out, e);
    cases(&mut out, &e.verdicts);
    out
}

fn percent(share: Share) -> String {
    share.share.map_or_else(
        || "       -            ".to_owned(),
        |value| format!("{:6.2} % ({}/{})", 100.0 * value, share.count, share.of),
    )
}

fn danger_line(out: &mut String, name: &str, danger: &Danger) {
    let d = &danger.dismissed;
    let _ = writeln!(
        out,
        "  {name:32} {:>7} {:>9} {:>7} {:>11.2} % {:>8} {:>13.2} % {:>11.2} %",
        d.of,
        d.count,
        danger.dismissed_beside,
        100.0 * d.high,
        danger.found_in_part,
        100.0 * danger.missed.share.unwrap_or(0.0),
        100.0 * danger.missed_knowing_load.share.unwrap_or(0.0),
    );
}

fn dangers(out: &mut String, v: &Verdicts) {
    let _ = writeln!(
        out,
        "Dangers called benign or not measured (bound: upper end of Wilson's 95 % interval)\n  {:32} {:>7} {:>9} {:>7} \
         {:>13} {:>8} {:>15} {:>13}",
        "", "dangers", "dismissed", "beside", "bound", "in part", "met by no event", "load known"
    );
    danger_line(out, "all", &v.danger);
    danger_line(out, "and shorter or without load", &v.danger_or_lesser);
    for group in [&v.by_channel_set, &v.by_rate, &v.by_machine, &v.by_chain, &v.by_load] {
        for (name, danger) in group {
            danger_line(out, name, danger);
        }
    }
    let _ = writeln!(
        out,
        "  {} more dangers are hidden by a fault of the chain: nothing in the log reads lean\n",
        v.hidden_dangers
    );
}

fn sights(out: &mut String, v: &Verdicts) {
    out.push_str(
        "Dangers overlooked, and what the log shows of them beside a twin in which they never became one\n",
    );
    for (name, rows) in
        [("met by no event, load known", &v.missed_by_cause), ("dismissed", &v.dismissed_by_cause)]
    {
        let _ = writeln!(
            out,
            "  {name:28} {:>6} {:>16} {:>22} {:>24}",
            "all", "only they read", "apart by less than", "one like it within"
        );
        let _ = writeln!(
            out,
            "  {:28} {:>6} {:>16} {:>22} {:>24}",
            "",
            "",
            "beyond the limit",
            format!("{SIGHT_SIGMA} deviations"),
            format!("{SIGHT_LAMBDA} lambda"),
        );
        for (cause, row) in rows {
            let _ = writeln!(
                out,
                "    {cause:26} {:>6} {:>16} {:>22} {:>24}",
                row.count, row.reads, row.unseen, row.alike
            );
        }
    }
    out.push('\n');
}

fn proofs(out: &mut String, v: &Verdicts) {
    let p = &v.proofs;
    let _ = writeln!(
        out,
        "Evidence for an artefact over dangers that are none: {} dangers of {} logs, in {} of which form and electrics can both \
         prove one\n  one proof {}, two of different groups {}; all evidence beyond 2 decades {}, beyond 3 {}\n",
        p.dangers, p.logs, p.able, p.one, p.two, p.beyond_2, p.beyond_3
    );
}

fn recalls(out: &mut String, v: &Verdicts) {
    out.push_str("Decidable events\n");
    for (name, share) in [
        ("artefacts called artefact", v.artefact),
        ("  with no danger in the event", v.artefact_apart),
        ("cuts called benign", v.benign),
        ("  with no danger in the event", v.benign_apart),
        ("misfire called misfire", v.misfire),
        ("dilution called dilution", v.dilution),
        ("real ones called real", v.real),
        ("right cause", v.cause),
        ("  where nothing obstructs it", v.cause_unobstructed),
        ("undetermined", v.undetermined),
        ("  where nothing obstructs it", v.undetermined_unobstructed),
    ] {
        let _ = writeln!(
            out,
            "  {name:29} {:>22}   {:.1} to {:.1} %",
            percent(share),
            100.0 * share.low,
            100.0 * share.high
        );
    }
    out.push_str(
        "  nothing obstructs an event that is named, or of the next table counts as left; of a real cause nothing does\n",
    );
    for (name, share) in &v.undetermined_by_channel_set {
        let _ = writeln!(out, "    undetermined, {name:14} {:>18}", percent(*share));
    }
    out.push('\n');
}

fn unnamed(out: &mut String, v: &Verdicts) {
    let _ = writeln!(
        out,
        "Decidable events not named, and what stands in the way of a name\n  {:18} {:>9} {:>9} {:>15} {:>14} {:>14} {:>6} {:>22}",
        "",
        "decidable",
        "not named",
        "its event holds",
        "a danger reads",
        "a danger under",
        "left",
        "named all the same"
    );
    let _ = writeln!(
        out,
        "  {:18} {:>9} {:>9} {:>15} {:>14} {:>14} {:>6} {:>22}",
        "", "", "", "a danger", "like it", "it is not seen", "", "though one of the two"
    );
    for (cause, row) in &v.unnamed_by_cause {
        let left = row.count - row.beside_danger - row.alike - row.hides;
        let _ = writeln!(
            out,
            "  {cause:18} {:>9} {:>9} {:>15} {:>14} {:>14} {left:>6} {:>22}",
            row.decidable,
            row.count,
            row.beside_danger,
            row.alike,
            row.hides,
            format!("{} of {}", row.named_in_spite, row.named_asked),
        );
    }
    let _ = writeln!(
        out,
        "  like it: the gas of a danger under load makes all readings of an artefact within {SIGHT_LAMBDA} lambda, all other \
         channels as they are;\n  a misfire loses no quarter of the torque beyond what its mixture explains. Under it: with \
         gas at its limit for three cycles somewhere\n  under or beside an artefact or a cut, no reading is further off than \
         {SIGHT_LAMBDA} lambda. Of the cuts that are named one in 40 is asked\n"
    );
}

fn most(counts: &BTreeMap<String, usize>, number: usize) -> String {
    let mut list: Vec<(&String, &usize)> = counts.iter().collect();
    list.sort_by(|a, b| b.1.cmp(a.1).then_with(|| a.0.cmp(b.0)));
    list.iter().take(number).map(|(name, count)| format!("{name} {count}")).collect::<Vec<_>>().join(", ")
}

fn causes(out: &mut String, v: &Verdicts) {
    let _ = writeln!(
        out,
        "True cause         events missed | decidable judged  cause treated undet. | judged decidable ones were called"
    );
    for (name, row) in &v.causes {
        let _ = writeln!(
            out,
            "  {name:16} {:>6} {:>6} | {:>9} {:>6} {:>6} {:>7} {:>6} | {}",
            row.events,
            row.missed,
            row.decidable,
            row.judged,
            row.cause_right,
            row.treated_right,
            row.undetermined,
            most(&row.called, 6)
        );
    }
}

fn extra(out: &mut String, name: &str, extra: &Extra) {
    let seeds: Vec<String> = extra.seeds.iter().map(u64::to_string).collect();
    let _ = writeln!(
        out,
        "  {name:11} {:.1} per hour ({} in {:.1} h, {} as a danger; {:.1} per hour where the load is known); not \
         counted: {} in the warm-up, {} over a fault \
         without a cause of its own\n              {}; seeds {}",
        extra.per_hour,
        extra.count,
        extra.hours,
        extra.hazard,
        extra.per_hour_knowing_load,
        extra.warm_up,
        extra.over_fault,
        most(&extra.kinds, 8),
        seeds.join(" ")
    );
    let _ = writeln!(
        out,
        "              of {} as a danger, load known, beside the log of a danger: {} apart by less than {SIGHT_SIGMA} deviations, {} \
         alike within {SIGHT_LAMBDA} lambda",
        extra.near.count, extra.near.unseen, extra.near.alike,
    );
}

fn detectors(out: &mut String, rows: &[DetectorRow]) {
    let _ = writeln!(
        out,
        "\nDetector          fault-free logs doubted   per hour   told of a limit   logs with its own fault that it reports"
    );
    for row in rows {
        let own: Vec<String> = meant_for(&row.name)
            .iter()
            .filter_map(|kind| {
                let share = row.by_fault.get(kind.meta().name)?;
                Some(format!("{} {}/{}", kind.meta().name, share.count, share.of))
            })
            .collect();
        let _ = writeln!(
            out,
            "  {:16} {:>23} {:>10.2} {:>17}   {}",
            row.name,
            percent(row.false_logs),
            row.false_per_hour,
            row.told_logs.count,
            own.join(", ")
        );
    }
}

fn trust(out: &mut String, table: &TrustTable) {
    let _ = writeln!(
        out,
        "\nTrust, {}: {} channels, {} faulty, {} not evaluated; truth inside the stated bounds {:.0} %",
        table.channels,
        table.runs,
        table.faulty,
        table.not_evaluated,
        100.0 * table.inside_bounds.unwrap_or(0.0)
    );
    for at in &table.at {
        let name = if at.factor > 0.0 { format!("faults x{}", at.factor) } else { "as simulated".to_owned() };
        let brier = at.brier.unwrap_or_default();
        let _ = writeln!(
            out,
            "  {name} ({:.1} % faulty): {}; Brier {:.4} = {:.4} reliability - {:.4} resolution + {:.4} uncertainty (and \
             spread within bins); ECE {:.3} ({:.3} to {:.3}); AUROC {}",
            100.0 * at.prevalence,
            if at.passes { "no bin overconfident" } else { "OVERCONFIDENT" },
            brier.score,
            brier.reliability,
            brier.resolution,
            brier.uncertainty,
            at.expected_error,
            at.expected_error_interval.0,
            at.expected_error_interval.1,
            at.area_under_curve.map_or_else(|| "-".to_owned(), |area| format!("{area:.3}")),
        );
        for bin in &at.bins {
            let _ = writeln!(
                out,
                "    {:.2}..{:.2} {:>6} runs: stated {:.3}, observed {:.3} ({:.3} to {:.3}){}",
                bin.from,
                bin.to,
                bin.runs,
                bin.stated,
                bin.observed,
                bin.low,
                bin.high,
                if bin.overconfident { "  overconfident" } else { "" }
            );
        }
    }
}

fn other_roles(out: &mut String, tables: &[TrustTable]) {
    let _ = writeln!(out, "\nTrust by role            channels faulty  Brier at 1x  AUROC  overconfident at");
    for table in tables.iter().skip(2) {
        let Some(usual) = table.at.get(2) else { continue };
        let failing: Vec<String> = table
            .at
            .iter()
            .filter(|at| !at.passes)
            .map(|at| if at.factor > 0.0 { format!("x{}", at.factor) } else { "as simulated".to_owned() })
            .collect();
        let _ = writeln!(
            out,
            "  {:22} {:>8} {:>6} {:>12.4} {:>6}  {}",
            table.channels,
            table.runs,
            table.faulty,
            usual.brier.unwrap_or_default().score,
            usual.area_under_curve.map_or_else(|| "-".to_owned(), |area| format!("{area:.2}")),
            if failing.is_empty() { "none".to_owned() } else { failing.join(", ") }
        );
    }
}

fn responses(out: &mut String, e: &Evaluation) {
    out.push('\n');
    let measured: Vec<super::response::TauRow> =
        e.responses.iter().filter(|row| row.measured > 0).cloned().collect();
    out.push_str(&super::response::render(&measured));
}

fn features(out: &mut String, e: &Evaluation) {
    let _ = writeln!(
        out,
        "\nEvidence (log10 likelihood ratio: stated | measured, 95 %)      spoke/able: own causes, others, other dangers"
    );
    for row in &e.features {
        let causes = if row.causes.len() > 4 {
            format!("{} and {} more", row.causes[..3].join(" "), row.causes.len() - 3)
        } else {
            row.causes.join(" ")
        };
        let _ = writeln!(
            out,
            "  {:24} {:7} {:>+5.2} | {:>+5.2} ({:+.2} to {:+.2})  {}/{}, {}/{}, {}/{}  {causes}{}",
            row.name,
            if row.speaks_for { "for" } else { "against" },
            row.stated,
            row.measured,
            row.low,
            row.high,
            row.own.1,
            row.own.0,
            row.others.1,
            row.others.0,
            row.other_dangers.1,
            row.other_dangers.0,
            if row.overconfident { "  OVERCONFIDENT" } else { "" }
        );
    }
}

fn cases(out: &mut String, v: &Verdicts) {
    list(out, "Dangers dismissed (evaluate --keep SEED -o FOLDER writes the log)", &v.dangerous_cases);
    list(out, "Dangers that no event meets", &v.missed_cases);
    list(out, "Decidable events called wrongly, some of each kind", &v.wrong_cases);
}

fn list(out: &mut String, title: &str, cases: &[Case]) {
    if !cases.is_empty() {
        let _ = writeln!(out, "\n{title}");
    }
    for case in cases.iter().take(40) {
        let _ = writeln!(
            out,
            "  {} {}\n    true  {}\n    said  {}",
            case.seed, case.log, case.truth, case.called
        );
    }
}
