//! The names of the measured and the commanded mixture exchanged.

use super::{
    Detector, Evaluated, Field, Finding, Gaps, Limit, Limits, Meta, Outcome, Phase, Scope, Stage, View,
};
use crate::flag::Flag;
use crate::log::{Channel, Role};
use crate::state::bit;

/// See its text in `sondeproof explain exchanged`.
pub(super) struct Exchanged;

static CUT: Limit = Limit {
    name: "over_run_s",
    unit: "s",
    default: 0.5,
    range: (0.1, 60.0),
    why: "a shorter one is a change of gear, whose air a slow sensor may not show (assumed)",
};
static FOLLOWS: Limit = Limit {
    name: "follows_s",
    unit: "s",
    default: 1.5,
    range: (0.1, 60.0),
    why: "the longest way of the gas, 1 s through a long exhaust at idle, and three time constants of a slow sensor (assumed, \
          as for `cross_check`)",
};
static CUTS: Limit = Limit {
    name: "over_runs",
    unit: "1",
    default: 2.0,
    range: (1.0, 1_000.0),
    why: "one may be a thing of its own, as a plug pulled off (assumed)",
};

static SHOWN: Field = Field { name: "over_runs", unit: "1" };
static COMMANDED: Field = Field { name: "commanded_lambda", unit: "1" };
static MEASURED: Field = Field { name: "measured_lambda", unit: "1" };

/// A reading of burnt gas, and one of air on its way, lambda (assumed, as for `cross_check`).
const BURNT: f64 = 1.05;
const AIR: f64 = 1.2;

static META: Meta = Meta {
    name: "exchanged",
    stage: Stage::Trial,
    phase: Phase::Samples,
    scope: Scope::Channel,
    summary: "the commanded mixture shows the air of fuel cuts and the measured one never does: their names are exchanged",
    applies_to: &[Role::Lambda, Role::Afr],
    needs: &[Role::LambdaTarget],
    method: "In every over-run of `over_run_s` or more (closed throttle above idle speed) and `follows_s` after it the \
             leanest value of both is taken. Where the fuel is cut the exhaust is air: the measured mixture goes there, the commanded one may stay \
             where it is. It is a finding when the commanded one passes lambda 1.2 in `over_runs` of them or more, and the \
             measured one stays at 1.05 or richer in all of those.",
    assumes: "A controller that writes a lean value for a cut writes it beside a sensor that sees the cut.",
    misses: "A log without over-runs whose fuel is cut; a command that is written as air in cuts beside a model of the \
             mixture that does so too. A sensor that shows nothing of cuts beside a command that does is told as well: \
             its readings are no better.",
    gaps: Gaps::Span,
    limits: &[&CUT, &FOLLOWS, &CUTS],
    evidence: &[&SHOWN, &COMMANDED, &MEASURED],
    sources: &["while injectors are shut the exhaust is air: lean-event physics note"],
};

impl Detector for Exchanged {
    fn meta(&self) -> &'static Meta {
        &META
    }

    fn run(&self, channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Outcome {
        let Some(command) = view.log.role(Role::LambdaTarget) else {
            return Outcome::not_run("the log has no commanded mixture");
        };
        let clock = &view.log.clock;
        let leanest = |channel: &Channel, rows: &std::ops::Range<usize>| {
            channel.readings(rows.clone()).map(|(_, lambda)| lambda).max_by(f64::total_cmp)
        };
        let mut cuts = 0_usize;
        let (mut commanded, mut measured) = (0.0_f64, 0.0_f64);
        for rows in view.state.windows_of(bit::OVER_RUN) {
            let last = rows.end.saturating_sub(1);
            let (Some(from_s), Some(to_s)) = (clock.time_s.get(rows.start), clock.time_s.get(last)) else {
                continue;
            };
            if to_s - from_s < limits.get(&CUT) {
                continue;
            }
            let rows = clock.rows_between(*from_s, to_s + limits.get(&FOLLOWS));
            let (Some(asked), Some(read)) = (leanest(command, &rows), leanest(channel, &rows)) else {
                continue;
            };
            if asked >= AIR {
                cuts += 1;
                (commanded, measured) = (commanded.max(asked), measured.max(read));
            }
        }
        if (cuts as f64) < limits.get(&CUTS) {
            return Outcome::not_run(
                "the commanded mixture shows no air in over-runs, as a command need not",
            );
        }
        if measured > BURNT {
            return Outcome::ran(Evaluated::Rows(Vec::new()), Vec::new());
        }
        let message = format!(
            "{} stays at burnt gas (lambda {measured:.3} at most) in {cuts} over-runs in which {} goes to air ({commanded:.3}): the \
             names of the measured and the commanded mixture are exchanged, or {} shows nothing",
            channel.name, command.name, channel.name
        );
        let evidence = vec![(&SHOWN, cuts as f64), (&COMMANDED, commanded), (&MEASURED, measured)];
        Outcome::ran(
            Evaluated::Rows(Vec::new()),
            vec![Finding::new(0..channel.rows(), Flag::Suspect, message, evidence)],
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::testing::{Bench, because, evidence};

    /// A minute at 20 Hz with over-runs of `length_s` every 20 s; `cut` and `uncut` are the leanest of (measured, commanded).
    fn drive(length_s: f64, measured: impl Fn(usize) -> f64, commanded: impl Fn(usize) -> f64) -> Bench {
        let cut =
            move |t: f64| (t % 20.0 >= 10.0 && t % 20.0 < 10.0 + length_s).then_some((t / 20.0) as usize);
        let mut bench = Bench::new(20.0, 1_200)
            .channel(Role::Lambda, |t| cut(t).map_or(0.8, &measured))
            .channel(Role::LambdaTarget, |t| cut(t).map_or(0.81, &commanded));
        for start_s in [10.0, 30.0, 50.0] {
            bench = bench.state(bit::OVER_RUN, start_s, start_s + length_s);
        }
        bench
    }

    #[test]
    fn air_that_only_the_command_shows_is_the_measured_one() {
        let found = drive(3.0, |_| 1.0, |_| 1.36).findings(&Exchanged, Role::Lambda);
        assert_eq!(found.len(), 1, "{found:?}");
        assert_eq!((evidence(&found[0], "over_runs"), found[0].rows.clone()), (3.0, 0..1_200));
    }

    #[test]
    fn a_reading_that_shows_air_once_is_a_reading() {
        let at = |cut: usize| if cut == 1 { 1.36 } else { 1.0 };
        assert!(drive(3.0, at, |_| 1.36).findings(&Exchanged, Role::Lambda).is_empty());
        assert!(drive(3.0, |_| 1.36, |_| 1.36).findings(&Exchanged, Role::Lambda).is_empty());
        assert!(drive(3.0, |_| 1.06, |_| 1.36).findings(&Exchanged, Role::Lambda).is_empty());
    }

    #[test]
    fn a_command_that_stays_and_short_or_single_over_runs_say_nothing() {
        for bench in [
            drive(3.0, |_| 1.0, |_| 1.0),
            drive(0.4, |_| 1.0, |_| 1.36),
            drive(3.0, |_| 1.0, |cut| if cut == 1 { 1.36 } else { 1.0 }),
        ] {
            assert!(because(bench.run(&Exchanged, Role::Lambda)).contains("no air"));
        }
    }

    #[test]
    fn the_rig_may_ask_for_one_over_run() {
        let bench =
            drive(3.0, |_| 1.0, |cut| if cut == 1 { 1.36 } else { 1.0 }).limit("exchanged.over_runs", 1.0);
        assert_eq!(bench.findings(&Exchanged, Role::Lambda).len(), 1);
    }
}
