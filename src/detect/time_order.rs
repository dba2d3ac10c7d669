//! Time that does not go forward.

use std::ops::Range;

use super::{
    Detector, Evaluated, Field, Finding, Gaps, Limit, Limits, Meta, Outcome, Phase, Scope, Stage, View,
};
use crate::flag::Flag;
use crate::log::{Clock, ClockBasis, ClockEvent};

/// See its text in `sondeproof explain time_order`.
pub(super) struct TimeOrder;

static COARSE: Limit = Limit {
    name: "coarse_share",
    unit: "1",
    default: 0.05,
    range: (0.0, 1.0),
    why: "share of rows with the time of the row before, above which the stamps are coarser than the rows and \
          one finding says so for the log (assumed)",
};
static BACK: Field = Field { name: "back_s", unit: "s" };
static ROWS: Field = Field { name: "rows", unit: "1" };
static DUE: Field = Field { name: "due_s", unit: "s" };
/// Where more than this share of the rows stand in crowds it is how the logger writes: a row for each channel, say; assumed.
const HABIT_SHARE: f64 = 0.5;

static META: Meta = Meta {
    name: "time_order",
    stage: Stage::Scored,
    phase: Phase::Samples,
    scope: Scope::Log,
    summary: "time that steps back, starts again or stands still between rows",
    applies_to: &[],
    needs: &[],
    method: "What the clock noticed while it read the time column: a step back (the rows that overlap, until the \
             time passes its old maximum), a restart (the first row after it) and repeated time stamps (each run \
             of them). So are rows that would have taken half a second or more by the rhythm of the log and stand within a \
             tenth of it and 5 ms of each other: the clock stood or crawled, or they were stamped late (unless half of the log stands so: then it is how the \
             logger writes). Such rows hold values whose place in time is not known: flag 3 in every channel. Where \
             more than `coarse_share` of all rows repeat a time stamp, the stamps are coarser than the rows; then \
             one finding says so.",
    assumes: "The log has a time column, and rows stand in the order in which they were taken.",
    misses: "A clock that runs at the wrong rate, unless it nearly stands; a step forward (see `time_gap`); a back-step hidden by stamps \
             coarser than it.",
    gaps: Gaps::Span,
    limits: &[&COARSE],
    evidence: &[&BACK, &ROWS, &DUE],
    sources: &["QARTOD timing/gap and syntax tests (tests 1 and 2), which ask for ascending time"],
};

impl Detector for TimeOrder {
    fn meta(&self) -> &'static Meta {
        &META
    }

    fn run_log(&self, view: &View<'_>, limits: &Limits<'_>) -> Outcome {
        let clock = &view.log.clock;
        if let ClockBasis::StatedRate { .. } = clock.basis {
            return Outcome::not_run(
                "the log has no time column, so the order of its rows is taken on trust",
            );
        }
        if clock.rows() < 2 {
            return Outcome::not_run("one row has no order");
        }
        let repeated = repeats(clock);
        let count: usize = repeated.iter().map(ExactSizeIterator::len).sum();
        let mut findings: Vec<Finding> =
            clock.events.iter().filter_map(|event| step(clock, *event)).collect();
        let crowds: Vec<Finding> = clock.events.iter().filter_map(|event| crowd(clock, *event)).collect();
        let crowded: usize = crowds.iter().map(|finding| finding.rows.len()).sum();
        if crowded as f64 <= HABIT_SHARE * clock.rows() as f64 {
            // What a standing or idling engine did at which moment makes no difference.
            findings
                .extend(crowds.into_iter().filter(|crowd| !crowd.rows.clone().all(|row| view.rests(row))));
        }
        if count as f64 > limits.get(&COARSE) * clock.rows() as f64 {
            if let Some(first) = repeated.first() {
                findings.push(coarse(clock, first.start, count));
            }
        } else {
            findings.extend(repeated.into_iter().map(repeat));
        }
        findings.sort_by_key(|finding| (finding.rows.start, finding.rows.end));
        Outcome::ran(Evaluated::All, findings)
    }
}

/// Runs of rows that repeat the time of the row before.
fn repeats(clock: &Clock) -> Vec<Range<usize>> {
    let mut runs: Vec<Range<usize>> = Vec::new();
    for event in &clock.events {
        let ClockEvent::Duplicate { row } = *event else { continue };
        if row >= clock.rows() {
            continue;
        }
        match runs.last_mut() {
            Some(run) if run.end == row => run.end = row + 1,
            _ => runs.push(row..row + 1),
        }
    }
    runs
}

fn step(clock: &Clock, event: ClockEvent) -> Option<Finding> {
    let (row, seconds, restarted) = match event {
        ClockEvent::BackStep { row, seconds } => (row, seconds, false),
        ClockEvent::Restart { row, seconds } => (row, seconds, true),
        _ => return None,
    };
    let before = *clock.time_s.get(row.checked_sub(1)?)?;
    clock.time_s.get(row)?;
    // The clock holds overlapping rows at the running maximum.
    let held = clock.time_s.get(row..)?.iter().take_while(|time_s| **time_s <= before).count().max(1);
    let rows = if restarted { row..row + 1 } else { row..row + held };
    let message = if restarted {
        format!("time started again {seconds:.3} s earlier: how long the logger was off is not known")
    } else {
        format!("time stepped back by {seconds:.3} s: {} rows overlap", rows.len())
    };
    let evidence = vec![(&BACK, seconds), (&ROWS, rows.len() as f64)];
    seconds.is_finite().then(|| Finding::new(rows, Flag::Suspect, message, evidence))
}

fn repeat(rows: Range<usize>) -> Finding {
    let message = match rows.len() {
        1 => "one row repeats the time of the row before".to_owned(),
        many => format!("{many} rows repeat the time of the row before"),
    };
    let count = rows.len() as f64;
    Finding::new(rows, Flag::Suspect, message, vec![(&BACK, 0.0), (&ROWS, count)])
}

fn crowd(clock: &Clock, event: ClockEvent) -> Option<Finding> {
    let ClockEvent::Crowd { row, rows, due_s } = event else { return None };
    let rows = rows as usize;
    let before_s = *clock.time_s.get(row.checked_sub(1)?)?;
    let last_s = *clock.time_s.get(row + rows.checked_sub(1)?)?;
    let message = format!(
        "{rows} rows stand within {:.3} s of the clock that took about {due_s:.1} s at the log's rhythm: the clock stood, or they \
         were stamped late",
        last_s - before_s
    );
    let evidence = vec![(&BACK, 0.0), (&ROWS, rows as f64), (&DUE, due_s)];
    Some(Finding::new(row..row + rows, Flag::Suspect, message, evidence))
}

fn coarse(clock: &Clock, row: usize, count: usize) -> Finding {
    Finding::new(
        row..row + 1,
        Flag::Suspect,
        format!(
            "{count} of {} rows repeat the time of the row before: the time stamps ({} s) are coarser than the rows",
            clock.rows(),
            clock.resolution_s
        ),
        vec![(&BACK, 0.0), (&ROWS, count as f64)],
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::testing::{Bench, because, evidence};
    use crate::log::Role;

    #[test]
    fn back_step_marks_the_rows_that_overlap_in_every_channel() {
        let mut bench = Bench::new(10.0, 50).channel(Role::Lambda, |_| 0.85).channel(Role::Gear, |_| 2.0);
        // Logged 1.9, 1.75, 1.85, 1.95: the clock holds the two rows that overlap.
        bench.log.clock.time_s[20] = 1.9;
        bench.log.clock.time_s[21] = 1.9;
        let bench = bench.event(ClockEvent::BackStep { row: 20, seconds: 0.15 });
        let found = bench.findings(&TimeOrder, Role::Time);
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].rows.clone(), found[0].flag), (20..22, Flag::Suspect));
        assert!((evidence(&found[0], "back_s") - 0.15).abs() < 1e-12);
        let detection = bench.run_all();
        for flags in &detection.flags {
            assert_eq!(*flags.part(20..22), [Flag::Suspect; 2]);
            assert_ne!(flags.get(22), Some(Flag::Suspect));
        }
    }

    #[test]
    fn restart_is_one_row() {
        let bench = Bench::new(10.0, 50).event(ClockEvent::Restart { row: 30, seconds: 3.0 });
        let found = bench.findings(&TimeOrder, Role::Time);
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].rows, 30..31);
    }

    #[test]
    fn single_repeats_are_told_apart_and_coarse_stamps_are_told_once() {
        let single = Bench::new(10.0, 100)
            .event(ClockEvent::Duplicate { row: 30 })
            .event(ClockEvent::Duplicate { row: 60 })
            .event(ClockEvent::Duplicate { row: 61 });
        let rows: Vec<_> = single.findings(&TimeOrder, Role::Time).into_iter().map(|f| f.rows).collect();
        assert_eq!(rows, [30..31, 60..62]);
        let coarse = (1..100)
            .filter(|row| row % 10 != 0)
            .fold(Bench::new(10.0, 100), |b, row| b.event(ClockEvent::Duplicate { row }));
        let found = coarse.findings(&TimeOrder, Role::Time);
        assert_eq!(found.len(), 1);
        assert_eq!(evidence(&found[0], "rows"), 90.0);
    }

    #[test]
    fn a_clock_that_stands_is_told_and_a_logger_that_writes_in_bursts_is_not() {
        let crowd = |row: usize| ClockEvent::Crowd { row, rows: 20, due_s: 2.0 };
        let found = Bench::new(10.0, 200).event(crowd(50)).findings(&TimeOrder, Role::Time);
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].rows.clone(), found[0].flag), (50..70, Flag::Suspect));
        assert_eq!(evidence(&found[0], "due_s"), 2.0);
        let places = |count: usize| {
            (0..count).fold(Bench::new(10.0, 200), |bench, place| bench.event(crowd(10 + 30 * place)))
        };
        assert_eq!(places(5).findings(&TimeOrder, Role::Time).len(), 5);
        assert!(places(6).findings(&TimeOrder, Role::Time).is_empty());
        let stands = Bench::new(10.0, 200).channel(Role::EngineSpeed, |_| 0.0).event(crowd(50));
        assert!(stands.findings(&TimeOrder, Role::Time).is_empty());
    }

    #[test]
    fn events_outside_the_log_are_ignored_and_one_row_has_no_order() {
        let bench = Bench::new(10.0, 5)
            .event(ClockEvent::BackStep { row: 0, seconds: 1.0 })
            .event(ClockEvent::BackStep { row: 9, seconds: 1.0 })
            .event(ClockEvent::Duplicate { row: 7 })
            .event(ClockEvent::Crowd { row: 3, rows: 9, due_s: 1.0 });
        assert!(bench.findings(&TimeOrder, Role::Time).is_empty());
        assert!(because(Bench::new(10.0, 1).run(&TimeOrder, Role::Time)).contains("order"));
    }
}
