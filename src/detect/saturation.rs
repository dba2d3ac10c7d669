//! Readings at the end stop of the instrument: bounds, not values.

use std::ops::Range;

use super::pace::shown;
use super::{
    Detector, Evaluated, Field, Finding, Gaps, Limit, Limits, Meta, Outcome, Phase, Scope, Stage, View,
};
use crate::flag::Flag;
use crate::log::{Channel, Role};
use crate::signal::runs;
use crate::state::bit;

/// See its text in `sondeproof explain saturation`.
pub(super) struct Saturation;

static AFTER: Limit = Limit {
    name: "after_over_run_s",
    unit: "s",
    default: 0.6,
    range: (0.0, 5.0),
    why: "after fuel returns, lambda needs the delay of closed throttle (up to 0.32 s at idle, computed) and three \
          time constants of 0.1 s to leave its lean end stop",
};

static HELD: Field = Field { name: "held_s", unit: "s" };
static STOP: Field = Field { name: "end_stop", unit: "inside unit of the role" };

const ROLES: &[Role] = &[
    Role::Lambda,
    Role::Afr,
    Role::ManifoldPressure,
    Role::BoostPressure,
    Role::FuelPressure,
    Role::ExhaustGasTemperature,
    Role::BatteryVoltage,
    Role::SupplyVoltage,
    Role::Acceleration,
];

static META: Meta = Meta {
    name: "saturation",
    stage: Stage::Scored,
    phase: Phase::Samples,
    scope: Scope::Channel,
    summary: "readings at the instrument's end stop, which are bounds and not values",
    applies_to: ROLES,
    needs: &[],
    method: "Values equal to the exact repeated end stop that the log shows (or the rig file states, for lambda), \
             within half a step. Such a value says \"at least this much\" and is suspect. Lambda at its lean end \
             stop is what air reads: it is expected, and neither passed nor flagged, from power-up on, while the \
             engine stands, in over-run, and until `after_over_run_s` later, and wherever the throttle is known to \
             be neither wide open nor in steady cruise. Under load it is always flagged, and it is never taken \
             as a sign that the reading is false: a real cut or a starved engine reaches the end stop too.",
    assumes: "The end stop is exact and repeated. Operating states are known; where they are not, every lean end \
              stop counts as under load.",
    misses: "An end stop softer than exact (a drooping amplifier), or reached only once. Channels whose ends are \
             mechanical or commanded (throttle, duty, gear) are not judged.",
    gaps: Gaps::Break,
    limits: &[&AFTER],
    evidence: &[&HELD, &STOP],
    sources: &[
        "common practice, no source: a repeated exact extreme is an end stop of converter, link or display",
    ],
};

impl Detector for Saturation {
    fn meta(&self) -> &'static Meta {
        &META
    }

    fn run(&self, channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Outcome {
        let high = channel.measured.clip_high;
        let low = channel.measured.clip_low;
        if high.is_none() && low.is_none() {
            return Outcome::not_run("no end stop: no extreme of this channel repeats exactly");
        }
        let values = channel.values();
        let slack = 0.5 * channel.resolution() + 1e-9 * high.or(low).unwrap_or(0.0).abs();
        let at_high = |row: usize| high.is_some_and(|stop| values[row] >= stop - slack);
        let at_low = |row: usize| low.is_some_and(|stop| values[row] <= stop + slack);
        let air = air_rows(channel, view, limits.get(&AFTER));
        let expected = |row: usize| at_high(row) && air.get(row).copied().unwrap_or(false);
        let mut findings = Vec::new();
        for segment in &view.log.clock.segments {
            let count = segment.end.min(values.len()).saturating_sub(segment.start);
            let stuck = |at: usize| {
                let row = segment.start + at;
                (at_high(row) || at_low(row)) && !expected(row)
            };
            for run in runs::of(count, stuck) {
                let rows = segment.start + run.start..segment.start + run.end;
                let upper = at_high(rows.start);
                if let Some(stop) = if upper { high } else { low } {
                    findings.push(describe(channel, view, rows, stop, upper));
                }
            }
        }
        let judged = runs::of(values.len(), |row| !values[row].is_nan() && !expected(row));
        Outcome::ran(Evaluated::Rows(judged), findings)
    }
}

/// Rows in which the sensor is expected to read air, or in which no conclusion rests on what it reads: from
/// power-up on, while the engine stands, in over-run and a while after, at light load. Without knowledge of the
/// state only the first.
fn air_rows(channel: &Channel, view: &View<'_>, after_s: f64) -> Vec<bool> {
    let time_s = &view.log.clock.time_s;
    let knows = channel.role.is_mixture() && view.state.bits.iter().any(|bits| *bits != 0);
    let knows_running = knows && view.log.index_of(Role::EngineSpeed).is_some();
    let knows_load = knows && view.state.bits.iter().any(|bits| bits & bit::WIDE_OPEN != 0);
    let start = channel.power_up();
    let mut last_s = f64::NEG_INFINITY;
    time_s
        .iter()
        .enumerate()
        .map(|(row, now_s)| {
            let counts = view.state.has(row, bit::WIDE_OPEN | bit::FULL_LOAD | bit::CRUISE);
            if start.contains(&row) || (knows_load && !counts) {
                return true;
            }
            let stands = knows_running && !view.state.has(row, bit::RUNNING);
            if knows && (stands || view.state.has(row, bit::OVER_RUN)) {
                last_s = *now_s;
            }
            now_s - last_s <= after_s
        })
        .collect()
}

fn describe(channel: &Channel, view: &View<'_>, rows: Range<usize>, stop: f64, upper: bool) -> Finding {
    let time_s = &view.log.clock.time_s;
    let held_s = match (time_s.get(rows.start), time_s.get(rows.end.saturating_sub(1))) {
        (Some(first), Some(last)) => last - first,
        _ => 0.0,
    };
    let held = if rows.len() > 1 { format!("for {held_s:.2} s") } else { "in one row".to_owned() };
    let message = format!(
        "{} is at its {} end stop of {} {held}: the true value is at {} this",
        channel.name,
        if upper { "upper" } else { "lower" },
        shown(channel, stop),
        if upper { "least" } else { "most" },
    );
    Finding::new(rows, Flag::Suspect, message, vec![(&HELD, held_s), (&STOP, stop)]).limit()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::testing::{Bench, because, evidence};

    fn lambda(lean: Range<usize>) -> Bench {
        let values = (0..200)
            .map(|row| if lean.contains(&row) { 1.36 } else { 0.82 + 0.01 * f64::from(row as u8 % 3) });
        Bench::new(20.0, 200).values(Role::Lambda, values.collect()).measured(|m| {
            m.resolution = Some(0.01);
            m.clip_high = Some(1.36);
        })
    }

    #[test]
    fn lean_end_stop_under_load_is_a_bound() {
        let bench = lambda(100..110).state(bit::RUNNING, 0.0, 100.0).state(bit::WIDE_OPEN, 3.0, 8.0);
        let found = bench.findings(&Saturation, Role::Lambda);
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].rows.clone(), found[0].flag), (100..110, Flag::Suspect));
        assert!(found[0].message.contains("at least"), "{}", found[0].message);
        assert!((evidence(&found[0], "held_s") - 0.45).abs() < 1e-9);
    }

    #[test]
    fn air_in_over_run_is_expected_and_neither_passed_nor_flagged() {
        let bench = lambda(100..130).state(bit::RUNNING, 0.0, 100.0).state(bit::OVER_RUN, 4.5, 6.0);
        let Outcome::Ran { evaluated, findings, .. } = bench.run(&Saturation, Role::Lambda) else {
            panic!("ran")
        };
        assert!(findings.is_empty());
        assert_eq!(evaluated, Evaluated::Rows(vec![0..100, 130..200]));
    }

    #[test]
    fn lean_end_stop_long_after_over_run_is_flagged() {
        let bench = lambda(100..140).state(bit::RUNNING, 0.0, 100.0).state(bit::OVER_RUN, 4.5, 5.5);
        let found = bench.findings(&Saturation, Role::Lambda);
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].rows.end, 140);
        assert!((found[0].rows.start as f64 / 20.0 - 6.1).abs() < 0.06);
    }

    #[test]
    fn without_operating_states_every_lean_end_stop_counts() {
        assert_eq!(lambda(100..110).findings(&Saturation, Role::Lambda).len(), 1);
    }

    #[test]
    fn map_sensor_at_its_end_is_suspect_and_without_an_end_stop_there_is_nothing_to_judge() {
        let bench = Bench::new(10.0, 100).channel(Role::ManifoldPressure, |t| (50e3 + 40e3 * t).min(255e3));
        assert!(because(bench.run(&Saturation, Role::ManifoldPressure)).contains("no end stop"));
        let bench = bench.measured(|m| m.clip_high = Some(255e3));
        assert_eq!(bench.findings(&Saturation, Role::ManifoldPressure)[0].rows, 52..100);
    }
}
