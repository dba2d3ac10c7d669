//! No rows where rows were due.

use super::found::Found;
use super::{
    Detector, Evaluated, Field, Finding, Gaps, Limit, Limits, Meta, Outcome, Phase, Scope, Stage, View,
};
use crate::flag::Flag;
use crate::log::{ClockBasis, ClockEvent};

/// See its text in `sondeproof explain time_gap`.
pub(super) struct TimeGap;

static PERIODS: Limit = Limit {
    name: "periods",
    unit: "1",
    default: 1.5,
    range: (1.0, 1_000.0),
    why: "row periods: half way between one and two; the clock, which knows how regular the rows are, has already \
          passed over jitter (assumed)",
};
static LENGTH: Field = Field { name: "gap_s", unit: "s" };
static PERIOD: Field = Field { name: "period_s", unit: "s" };
static LOST: Field = Field { name: "rows_lost", unit: "1" };
static AT_REST: Field = Field { name: "at_rest", unit: "1" };

static META: Meta = Meta {
    name: "time_gap",
    stage: Stage::Scored,
    phase: Phase::Samples,
    scope: Scope::Log,
    summary: "no rows for longer than the logger's own rhythm explains",
    applies_to: &[],
    needs: &[],
    method: "The time between two rows against the median row period, as the clock recorded it. One finding per \
             gap, for the log as a whole: flag 9 stands for the rows that are not there and changes no row that is. \
             Every detector that looks at neighbours starts anew after a gap.",
    assumes: "The log has a time column, and its rows are meant to come at a steady rate.",
    misses: "A logger that writes rows with old values through the gap (see `flat_line`); a gap shorter than the \
             row period; gaps in a log whose rows come when a value changes.",
    gaps: Gaps::Break,
    limits: &[&PERIODS],
    evidence: &[&LENGTH, &PERIOD, &LOST, &AT_REST],
    sources: &["QARTOD timing/gap test (test 1), with the gap measured on the clock"],
};

impl Detector for TimeGap {
    fn meta(&self) -> &'static Meta {
        &META
    }

    fn run_log(&self, view: &View<'_>, limits: &Limits<'_>) -> Outcome {
        let clock = &view.log.clock;
        if let ClockBasis::StatedRate { .. } = clock.basis {
            return Outcome::not_run("the log has no time column, so a gap would not show");
        }
        let Some(period_s) = clock.period_s.filter(|period| *period > 0.0) else {
            return Outcome::not_run("the log has no row period: too few rows, or all at one time");
        };
        let shortest_s = limits.get(&PERIODS) * period_s;
        let mut found = Found::on(view.log);
        for event in &clock.events {
            let ClockEvent::Gap { row, seconds } = *event else { continue };
            let inside = row > 0 && row < clock.rows();
            if !inside || !seconds.is_finite() || seconds < shortest_s {
                continue;
            }
            found.add(row - 1..row + 1, Flag::Missing, |rows| {
                // An engine that stands or idles before it and after it.
                let at_rest = view.rests(row - 1) && view.rests(row);
                let lost = (seconds / period_s).round() - 1.0;
                let message = format!(
                    "no row for {seconds:.3} s, where rows come every {period_s:.3} s: about {lost:.0} rows are missing"
                );
                let evidence = vec![(&LENGTH, seconds), (&PERIOD, period_s), (&LOST, lost), (&AT_REST, f64::from(u8::from(at_rest)))];
                Finding::new(rows, Flag::Missing, message, evidence)
            });
        }
        Found::outcome([found], Evaluated::All)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::testing::{Bench, because, evidence};
    use crate::log::Role;

    #[test]
    fn gap_is_found_once_for_the_whole_log() {
        let bench = Bench::new(10.0, 100)
            .channel(Role::Lambda, |_| 0.85)
            .channel(Role::EngineSpeed, |t| 900.0 + t)
            .gap(40, 73.4);
        let found = bench.findings(&TimeGap, Role::Time);
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].rows.clone(), found[0].flag), (39..41, Flag::Missing));
        assert!((evidence(&found[0], "gap_s") - 73.5).abs() < 1e-9);
        assert_eq!(evidence(&found[0], "rows_lost"), 734.0);
    }

    #[test]
    fn the_rows_on_either_side_keep_their_flags() {
        let bench = Bench::new(10.0, 100).channel(Role::Lambda, |_| 0.85).gap(40, 5.0);
        let detection = bench.run_all();
        assert!(detection.findings.iter().any(|f| f.detector == "time_gap" && f.channel.is_none()));
        assert!(detection.flags[0].all().iter().all(|flag| *flag != Flag::Missing));
    }

    #[test]
    fn rig_file_may_call_one_lost_row_jitter() {
        let at = |seconds| {
            Bench::new(10.0, 50)
                .gap(20, seconds)
                .limit("time_gap.periods", 3.0)
                .findings(&TimeGap, Role::Time)
                .len()
        };
        assert_eq!(at(0.1), 0);
        assert_eq!(at(0.21), 1);
    }

    #[test]
    fn stated_rate_cannot_show_a_gap() {
        let mut bench = Bench::new(10.0, 50);
        bench.log.clock.basis = ClockBasis::StatedRate { rate_hz: 10.0 };
        assert!(because(bench.run(&TimeGap, Role::Time)).contains("no time column"));
        assert!(because(Bench::new(10.0, 1).run(&TimeGap, Role::Time)).contains("row period"));
    }
}
