//! A mixture that answers the load before it comes, or long after it went: the clocks of the two differ.

use std::ops::Range;

use super::{
    Detector, Evaluated, Field, Finding, Gaps, Limit, Limits, Meta, Outcome, Phase, Scope, Stage, View,
};
use crate::chain::shut;
use crate::flag::Flag;
use crate::log::{Channel, Role};
use crate::signal::robust;
use crate::state::bit;

/// See its text in `sondeproof explain out_of_step`.
pub(super) struct OutOfStep;

static EARLY: Limit = Limit {
    name: "early_s",
    unit: "s",
    default: 0.3,
    range: (0.05, 10.0),
    why: "by which rich gas comes before its load at least: channels of one logger are off by a tenth of it, and no danger \
          comes and goes in less (assumed)",
};
static ENRICHED_S: Limit = Limit {
    name: "enriched_s",
    unit: "s",
    default: 0.15,
    range: (0.02, 10.0),
    why: "time for which the rich mixture is read: twice a usual time constant of a sensor, so that it is no spike (assumed)",
};
static LATE: Limit = Limit {
    name: "late_s",
    unit: "s",
    default: 1.0,
    range: (0.2, 60.0),
    why: "burnt gas in a cut for so much longer than in the others: gas needs at most 1 s through a long exhaust at idle, and \
          full speed at its beginning makes it quicker (assumed)",
};
static REACH: Limit = Limit {
    name: "reach_s",
    unit: "s",
    default: 6.0,
    range: (0.5, 60.0),
    why: "queues of a bus or link that run full hold some seconds (assumed)",
};
static GAP: Limit = Limit {
    name: "enrichment",
    unit: "1",
    default: 0.08,
    range: (0.02, 1.0),
    why: "1/lambda by which full load must be richer than part load, so that one is told from the other: four times the \
          tolerance of a reading",
};
static STEADY: Limit = Limit {
    name: "steady_throttle",
    unit: "1",
    default: 0.05,
    range: (0.005, 0.5),
    why: "of the throttle's range; the cell of a mixture table is wider (common practice, no source)",
};
static STEADY_PA: Limit = Limit {
    name: "steady_pressure",
    unit: "Pa",
    default: 10e3,
    range: (500.0, 100e3),
    why: "by which the manifold may rise meanwhile; the cell of a mixture table is as wide (common practice, no source)",
};

static LASTS: Field = Field { name: "lasts_s", unit: "s" };
static USUAL: Field = Field { name: "usual_s", unit: "s" };
static AHEAD: Field = Field { name: "ahead_s", unit: "s" };

/// Share of the way from part load's mixture to that of full load: at least so far is enriched, at most so far is not.
const ENRICHED: f64 = 0.6;
const PLAIN: f64 = 0.3;
/// The mixture before an enrichment is looked at for so long, and so long before: a transition lies between, s (assumed).
const BEFORE_S: f64 = 0.5;
const TRANSITION_S: f64 = 0.3;
/// After an over-run the gas of the cut and what refills the walls are read for so long, s (assumed).
const CUT_S: f64 = 1.0;
/// Fewest readings of each kind: one or two are a spike.
const FEWEST: usize = 3;
/// Readings from which a level is taken.
const MOST: usize = 4_096;
/// A reading of burnt gas, and one of air on its way, lambda (assumed, as for `cross_check`).
const BURNT: f64 = 1.05;
const AIR: f64 = 1.2;
/// States in which the mixture has other reasons to go rich, or to be no gas of burnt fuel.
const OTHER: u16 =
    bit::OVER_RUN | bit::LIMITER | bit::WARM_UP | bit::CRANKING | bit::GEAR_CHANGE | bit::UNLOAD;

static META: Meta = Meta {
    name: "out_of_step",
    stage: Stage::Trial,
    phase: Phase::Samples,
    scope: Scope::Channel,
    summary: "the mixture answers the load before it comes or long after it went: their clocks differ there",
    applies_to: &[Role::Lambda, Role::Afr],
    needs: &[],
    method: "Before each opening of the throttle: readings that go from part load's mixture (median of idle and cruise) \
             to that of full load (median of settled full load) while throttle and manifold stay where they are \
             (`steady_throttle`, `steady_pressure`). Where they stay there for `enriched_s` or more, and that earlier than the \
             opening by `early_s` and two fresh periods, the mixture is ahead of the load; looked for in `reach_s`. \
             After each over-run's begin with the injectors shut: how long burnt gas (lambda 1.05 or richer) is read. \
             Where that is `late_s` longer than in the middle one of the others, which show air, the mixture is \
             behind.",
    assumes: "A mixture that is enriched for load is enriched by it. A cut's air needs about the same time to the sensor \
              in each cut: the exhaust does not change.",
    misses: "A clock that is off by less than that, or where nothing opens and no fuel is cut while it is. An engine \
             whose full load is not enriched; a log without injector duty or pulse for what comes late. A driver who \
             enriches by hand before an opening is told for a clock.",
    gaps: Gaps::Break,
    limits: &[&EARLY, &ENRICHED_S, &LATE, &REACH, &GAP, &STEADY, &STEADY_PA],
    evidence: &[&LASTS, &USUAL, &AHEAD],
    sources: &["transport delay of the exhaust, and its bound: lean-event physics note"],
};

impl Detector for OutOfStep {
    fn meta(&self) -> &'static Meta {
        &META
    }

    fn run(&self, channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Outcome {
        let case = Case { channel, view, limits };
        let early = case.early();
        let late = case.late();
        if let (Err(early), Err(late)) = (&early, &late) {
            return Outcome::not_run(format!("{early}, and {late}"));
        }
        let mut findings = early.unwrap_or_default();
        findings.extend(late.unwrap_or_default());
        findings.sort_by_key(|finding| (finding.rows.start, finding.rows.end));
        Outcome::ran(Evaluated::Rows(Vec::new()), findings)
    }
}

struct Case<'a> {
    channel: &'a Channel,
    view: &'a View<'a>,
    limits: &'a Limits<'a>,
}

impl Case<'_> {
    fn time_s(&self, row: usize) -> f64 {
        self.view.log.clock.time_s.get(row).copied().unwrap_or(f64::INFINITY)
    }

    fn period_s(&self) -> f64 {
        self.channel.fresh_period_s().or(self.view.log.clock.period_s).unwrap_or(0.0)
    }

    /// 1/lambda of the readings in some rows, with their rows.
    fn phi(&self, rows: Range<usize>) -> impl Iterator<Item = (usize, f64)> {
        let readings = self.channel.readings(rows).filter(|(_, lambda)| *lambda > 0.0);
        readings.map(|(row, lambda)| (row, lambda.recip()))
    }

    /// Middle mixture of a state without those in which it has other reasons, 1/lambda.
    fn level(&self, wanted: u16) -> Option<f64> {
        let windows = || {
            let of = |window: &&crate::state::Window| window.bit & wanted != 0;
            self.view.state.windows.iter().filter(of).map(crate::state::Window::rows)
        };
        let every = (windows().map(|rows| rows.len()).sum::<usize>() / MOST).max(1);
        let readings = windows().flat_map(|rows| self.phi(rows));
        let readings = readings.filter(|(row, _)| !self.view.state.has(*row, OTHER));
        let values: Vec<f64> = readings.map(|(_, phi)| phi).step_by(every).collect();
        robust::median(&values).filter(|_| values.len() >= FEWEST)
    }

    /// Enrichments before their openings.
    fn early(&self) -> Result<Vec<Finding>, &'static str> {
        let (part, full) = (self.level(bit::IDLE | bit::CRUISE), self.level(bit::FULL_LOAD));
        let (Some(part), Some(full)) = (part, full) else {
            return Err("the log does not show both settled full load and steady part load");
        };
        if full - part < self.limits.get(&GAP) {
            return Err("full load is not enriched");
        }
        if self.view.log.role(Role::Throttle).or(self.view.log.role(Role::ManifoldPressure)).is_none() {
            return Err("neither throttle nor manifold pressure shows when the load comes");
        }
        let margin_s = self.limits.get(&EARLY) + 2.0 * self.period_s();
        let mut findings = Vec::new();
        let mut before = 0;
        for pull in self.view.state.windows_of(bit::WIDE_OPEN) {
            let opens_s = self.time_s(pull.start);
            let closed_s = if before > 0 { self.time_s(before) + CUT_S } else { f64::NEG_INFINITY };
            before = pull.end;
            let from_s = closed_s.max(opens_s - self.limits.get(&REACH));
            let rows = self.view.log.clock.rows_between(from_s, opens_s - margin_s);
            let segment = self.view.log.clock.segments.iter().find(|segment| segment.contains(&pull.start));
            let start = segment.map_or(rows.end, |segment| rows.start.max(segment.start));
            findings.extend(self.ahead(start..rows.end.max(start), &pull, part, full));
        }
        Ok(findings)
    }

    /// An enrichment in some rows before a pull that no load asks for.
    fn ahead(&self, rows: Range<usize>, pull: &Range<usize>, part: f64, full: f64) -> Option<Finding> {
        let state = self.view.state;
        // What stands behind the last row of another state is looked at.
        let other = rows.clone().rev().find(|row| state.has(*row, OTHER) || !state.has(*row, bit::RUNNING));
        let from = match other {
            Some(row) => self.view.log.clock.rows_between(self.time_s(row) + CUT_S, f64::INFINITY).start,
            None => rows.start,
        };
        let enriched = |phi: f64| phi >= part + ENRICHED * (full - part);
        let rich: Vec<usize> =
            self.phi(from.min(rows.end)..rows.end).filter(|one| enriched(one.1)).map(|one| one.0).collect();
        let (first, last) = (*rich.first()?, *rich.last()?);
        let lasts_s = rich.len() as f64 * self.view.log.clock.period_s?;
        if rich.len() < FEWEST || lasts_s < self.limits.get(&ENRICHED_S) {
            return None;
        }
        let at_s = self.time_s(first) - TRANSITION_S;
        let plain_rows = self.view.log.clock.rows_between(at_s - BEFORE_S, at_s);
        if plain_rows.start < from {
            return None;
        }
        let plain: Vec<f64> = self.phi(plain_rows.clone()).map(|one| one.1).collect();
        let near = |phi: &f64| (phi - part).abs() <= PLAIN * (full - part);
        if plain.len() < FEWEST || !plain.iter().all(near) || !self.stays(plain_rows, last + 1) {
            return None;
        }
        let ahead_s = self.time_s(pull.start) - self.time_s(first);
        let message = format!(
            "{} goes from the mixture of part load to that of full load {ahead_s:.1} s before the throttle opens, with the load \
             where it was: an enrichment does not come before its load, so that the clocks of the two differ there, and what \
             was read belongs to another load than the one beside it",
            self.channel.name
        );
        let evidence = vec![(&LASTS, lasts_s), (&USUAL, 0.0), (&AHEAD, ahead_s)];
        Some(Finding::new(first..pull.end, Flag::Suspect, message, evidence))
    }

    /// Whether throttle, manifold and idle stay as they are in some rows up to another one.
    fn stays(&self, rows: Range<usize>, to: usize) -> bool {
        let state = self.view.state;
        let idle = state.has(rows.start, bit::IDLE);
        if (rows.start..to).any(|row| state.has(row, bit::IDLE) != idle) {
            return false;
        }
        let moves = |role: Role, up: f64, down: f64| {
            let Some(channel) = self.view.log.role(role) else { return false };
            let read = |rows: Range<usize>| channel.readings(rows).map(|(_, value)| value);
            let Some(level) = robust::median(&read(rows.clone()).collect::<Vec<f64>>()) else { return true };
            read(rows.start..to).any(|value| value > level + up || value < level - down)
        };
        let throttle = self.limits.get(&STEADY);
        !moves(Role::Throttle, throttle, throttle)
            && !moves(Role::ManifoldPressure, self.limits.get(&STEADY_PA), f64::INFINITY)
    }

    /// Cuts in which burnt gas is read for longer than in the others.
    fn late(&self) -> Result<Vec<Finding>, &'static str> {
        let late_s = self.limits.get(&LATE);
        let cuts: Vec<(Range<usize>, f64, bool)> = shut::over_runs_s(self.view.log, self.view.state, late_s)
            .into_iter()
            .filter_map(|(from_s, to_s)| {
                let rows = self.view.log.clock.rows_between(from_s, to_s);
                let air = self.channel.readings(rows.clone()).any(|(_, lambda)| lambda >= AIR);
                // The gas of what was burnt before it.
                let lead = rows.start.checked_sub(FEWEST)?..rows.start;
                let fired = self.channel.readings(lead).all(|(_, lambda)| lambda <= BURNT);
                let burnt = self.channel.readings(rows.clone()).filter(|(_, lambda)| *lambda <= BURNT).last();
                let burnt_s = burnt.map_or(0.0, |(row, _)| self.time_s(row) - from_s);
                fired.then_some((rows, burnt_s, air))
            })
            .collect();
        let shown: Vec<f64> = cuts.iter().filter(|cut| cut.2).map(|cut| cut.1).collect();
        if shown.len() < 2 {
            return Err("fewer than two over-runs with the injectors shut show air");
        }
        let usual_s = robust::median(&shown).unwrap_or(0.0).min(late_s);
        let findings = cuts.iter().filter(|cut| cut.1 - usual_s >= late_s).map(|(rows, burnt_s, _)| {
            let message = format!(
                "{} reads burnt gas for {burnt_s:.1} s after the injectors are shut, in the other cuts of this log for \
                 {usual_s:.1} s: it comes late there, and what it shows belongs to another load than the one beside it",
                self.channel.name
            );
            let evidence = vec![(&LASTS, *burnt_s), (&USUAL, usual_s), (&AHEAD, usual_s - burnt_s)];
            Finding::new(rows.clone(), Flag::Suspect, message, evidence)
        });
        Ok(findings.collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::testing::{Bench, because, evidence};

    /// 80 s at 20 Hz: cruise, from second 10 of every 20 s on 5 s with the throttle open, then 3 s of a cut. The mixture is that of the
    /// load at a time that `of` gives.
    fn drive(of: impl Fn(f64) -> f64) -> Bench {
        let open = |t: f64| (10.0..15.0).contains(&(t % 20.0));
        let cut = |t: f64| (15.0..18.0).contains(&(t % 20.0));
        let mut bench = Bench::new(20.0, 1_600)
            .channel(Role::Throttle, move |t| {
                if open(t) {
                    1.0
                } else if cut(t) {
                    0.0
                } else {
                    0.2
                }
            })
            .channel(Role::InjectorDuty, move |t| if cut(t) { 0.0 } else { 0.3 })
            .channel(Role::Lambda, move |t| {
                let gas_s = of(t) - 0.15;
                if open(gas_s) {
                    0.8
                } else if cut(gas_s) {
                    1.36
                } else {
                    1.0
                }
            })
            .state(bit::RUNNING, 0.0, 80.0);
        for start_s in [0.0, 20.0, 40.0, 60.0] {
            bench = bench
                .state(bit::CRUISE, start_s, start_s + 9.9)
                .state(bit::WIDE_OPEN, start_s + 10.0, start_s + 14.9)
                .state(bit::FULL_LOAD, start_s + 11.0, start_s + 14.9)
                .state(bit::OVER_RUN, start_s + 15.0, start_s + 17.9);
        }
        bench
    }

    #[test]
    fn one_clock_says_nothing() {
        assert!(drive(|t| t).findings(&OutOfStep, Role::Lambda).is_empty());
        // A tenth of a second between the channels of one logger.
        assert!(drive(|t| t - 0.1).findings(&OutOfStep, Role::Lambda).is_empty());
        assert!(drive(|t| t + 0.1).findings(&OutOfStep, Role::Lambda).is_empty());
    }

    #[test]
    fn an_enrichment_before_its_opening_is_found() {
        let found =
            drive(|t| if (45.0..50.0).contains(&t) { t + 2.0 } else { t }).findings(&OutOfStep, Role::Lambda);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!((evidence(&found[0], "ahead_s") - 1.85).abs() < 0.1, "{found:?}");
    }

    #[test]
    fn a_load_that_comes_with_it_excuses_an_enrichment() {
        let mut bench = drive(|t| if (45.0..50.0).contains(&t) { t + 2.0 } else { t });
        assert_eq!(bench.findings(&OutOfStep, Role::Lambda).len(), 1);
        bench =
            bench.channel(Role::ManifoldPressure, |t| if (47.9..50.0).contains(&t) { 80e3 } else { 40e3 });
        assert!(bench.findings(&OutOfStep, Role::Lambda).is_empty());
    }

    #[test]
    fn burnt_gas_long_after_one_cut_began_is_found() {
        let late = |lag_s: f64| drive(move |t| if t > 40.0 && t < 60.0 { t - lag_s } else { t });
        let found = late(1.5).findings(&OutOfStep, Role::Lambda);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!((evidence(&found[0], "lasts_s") - 1.6).abs() < 0.15, "{found:?}");
        assert!(late(0.6).findings(&OutOfStep, Role::Lambda).is_empty());
    }

    #[test]
    fn what_shows_neither_is_said() {
        let alone = Bench::new(20.0, 400).channel(Role::Lambda, |_| 0.9).state(bit::FULL_LOAD, 5.0, 9.0);
        assert!(because(alone.run(&OutOfStep, Role::Lambda)).contains("part load"));
    }
}
