//! Logs of a suite whose logger repeats its last row for a while: seen or not, and what the gate says.

use std::collections::BTreeMap;
use std::fmt::Write;
use std::ops::Range;

use rayon::prelude::*;

use super::outcome::{Outcome, judge, judge_plan};
use super::suite::standstill_plan;
use super::verdicts;
use crate::document::TreatAs;
use crate::simulate::FaultKind;

/// One log with its standstill and without.
#[derive(Clone, Debug)]
pub struct Pair {
    /// As the logger wrote it that stood still.
    pub stood: Outcome,
    /// The log of the suite.
    pub whole: Outcome,
}

/// The logs of one set of channels.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct StandRow {
    /// Logs.
    pub logs: usize,
    /// In which the detector found the standstill.
    pub seen: usize,
    /// In which it found something in the whole log.
    pub seen_in_whole: usize,
    /// Whose gate opened.
    pub open: usize,
    /// Whose gate opens without the standstill.
    pub open_whole: usize,
    /// Lean events over the rows that repeat which were called harmless or not measured.
    pub dismissed: usize,
}

/// Runs the logs of some seeds twice, in parallel.
///
/// * `progress`: called once per log done
pub fn study(seeds: Range<u64>, progress: &(dyn Fn() + Sync)) -> Vec<Pair> {
    seeds
        .into_par_iter()
        .map(|seed| {
            let pair = Pair { stood: judge_plan(seed, standstill_plan(seed)), whole: judge(seed) };
            progress();
            pair
        })
        .collect()
}

/// By set of channels.
pub fn tabulate(pairs: &[Pair]) -> BTreeMap<&'static str, StandRow> {
    let mut rows: BTreeMap<&'static str, StandRow> = BTreeMap::new();
    for Pair { stood, whole } in pairs {
        let row = rows.entry(stood.channel_set).or_default();
        let Some((_, time)) = stood.faults.iter().find(|(kind, _)| *kind == FaultKind::Standstill) else {
            continue;
        };
        let found = |outcome: &Outcome| {
            outcome.findings.iter().any(|found| {
                found.detector == "standstill" && found.time.start <= time.end && found.time.end >= time.start
            })
        };
        let over = stood.events.iter().filter(|event| {
            // The row before is real, and so is what the log shows of an event that ended there.
            event.start_s > time.start && event.start_s < time.end && event.treat_as != TreatAs::Hazard
        });
        row.logs += 1;
        row.seen += usize::from(found(stood));
        row.seen_in_whole += usize::from(whole.findings.iter().any(|found| found.detector == "standstill"));
        row.open += usize::from(stood.open);
        row.open_whole += usize::from(whole.open);
        row.dismissed += over.count();
    }
    rows
}

/// The table for people.
pub fn render(pairs: &[Pair]) -> String {
    let mut out = "Channels          logs  standstill seen  found without one  gate opens  opens without one  events over it \
                   dismissed\n"
        .to_owned();
    for (name, row) in tabulate(pairs) {
        // Writing to a string cannot fail.
        let _ = writeln!(
            out,
            "  {name:14} {:>5} {:>16} {:>18} {:>11} {:>18} {:>24}",
            row.logs, row.seen, row.seen_in_whole, row.open, row.open_whole, row.dismissed
        );
    }
    let danger = |of: fn(&Pair) -> &Outcome| {
        let danger = verdicts::dangers(pairs.iter().map(of));
        format!("{} of {}", danger.dismissed.count, danger.dismissed.of)
    };
    let open = pairs.iter().map(|pair| &pair.stood).filter(|one| one.open);
    let open: Vec<String> = open.map(|one| one.seed.to_string()).collect();
    let _ = writeln!(out, "Seeds whose gate opens all the same: {}", open.join(" "));
    let _ = writeln!(
        out,
        "Dangers dismissed that the log shows: {} with the standstill, {} without",
        danger(|pair| &pair.stood),
        danger(|pair| &pair.whole)
    );
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evaluate::Suite;

    #[test]
    fn the_rows_that_repeat_are_seen_and_no_others() {
        let pairs = study(Suite::Tune.some(0, 24), &|| {});
        let rows = tabulate(&pairs);
        let all = rows.get("all").expect("logs with every channel");
        assert!(all.logs >= 5 && 10 * all.seen >= 9 * all.logs, "{all:?}");
        assert_eq!((all.open, all.dismissed, all.seen_in_whole), (0, 0, 0), "{all:?}");
    }
}
