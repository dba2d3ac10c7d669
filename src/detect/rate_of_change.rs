//! Steps that the quantity cannot make.

use super::pace::{self, Readings, STOPPED, shown_difference};
use super::{
    Detector, Evaluated, Field, Finding, Gaps, Limit, Limits, Meta, Outcome, Phase, Scope, Stage, View,
};
use crate::figure::every;
use crate::flag::Flag;
use crate::log::{Channel, Role};

/// See its text in `sondeproof explain rate_of_change`.
pub(super) struct RateOfChange;

static STEP: Field = Field { name: "step", unit: "inside unit of the role" };
static ALLOWED: Field = Field { name: "allowed", unit: "inside unit of the role" };
static ELAPSED: Field = Field { name: "elapsed_s", unit: "s" };
static AWAY: Field = Field { name: "away_s", unit: "s" };

static EXCURSION: Limit = Limit {
    name: "excursion_s",
    unit: "s",
    default: 300.0,
    range: (0.0, 36_000.0),
    why: "a reading that left by an impossible step and came back by one is doubted for as long as it was away; after \
          five minutes the new level is taken for the true one (assumed)",
};

static META: Meta = Meta {
    name: "rate_of_change",
    stage: Stage::Scored,
    phase: Phase::Samples,
    scope: Scope::Channel,
    summary: "steps that inertia, heat capacity or a filling volume does not allow",
    applies_to: pace::ROLES,
    needs: &[],
    method: "Each fresh reading against the one before: the change must stay within pace times elapsed time, plus \
             the resolution, plus six standard deviations of the channel's own noise. Elapsed time is measured on \
             the clock and is never less than the instrument's own frame, so a true value seen late after a gap is \
             no step. A reading that leaves by such steps and returns by one within `excursion_s` is suspect for as \
             long as it was away, an engine speed that stood meanwhile wherever it returns to; a step without return marks the rows of the new reading. Intake air has a second, \
             lower pace while the engine stands. Lambda and commanded values are not judged here: gas and a \
             controller may step.",
    assumes: "Role and unit are right; the time between fresh readings is known or short.",
    misses: "A step smaller than the pace allows: at one reading per second most quantities may move over much of \
             their range. A drift. A single reading that comes straight back is a `spike`. A wheel that locks or \
             spins harder than the pace is a known false alarm.",
    gaps: Gaps::Span,
    limits: &RATE_LIMITS,
    evidence: &[&STEP, &ALLOWED, &ELAPSED, &AWAY],
    sources: &[
        "QARTOD rate of change test (test 7), with a physical pace in place of a statistical one",
        "WMO-No. 305 (1993) VI.21 time consistency: the tolerance grows with the gap",
    ],
};

static RATE_LIMITS: [&Limit; pace::LIMITS.len() + 1] = {
    let mut limits = [&EXCURSION; pace::LIMITS.len() + 1];
    let mut at = 0;
    while at < pace::LIMITS.len() {
        limits[at] = pace::LIMITS[at];
        at += 1;
    }
    limits
};

/// A change below this share of a quantity's range leads to no other conclusion, whatever its pace; and a channel
/// of two or three distinct values shows no resolution of its own. Assumed: the accuracy of a plain instrument.
const LEAST_SHARE: f64 = 0.01;

/// Engine speed below which none runs by itself, 1/min. Common practice, no source.
const RUNS_RPM: f64 = 300.0;

/// A change that is not possible.
struct Step {
    /// Index of the reading after it.
    at: usize,
    change: f64,
    allowed: f64,
    elapsed_s: f64,
}

impl Detector for RateOfChange {
    fn meta(&self) -> &'static Meta {
        &META
    }

    fn run(&self, channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Outcome {
        let Some(pace) = pace::of(channel.role) else {
            return Outcome::not_run("physics sets no pace to this quantity");
        };
        let readings = Readings::of(channel, view);
        let Some(period_s) = channel.fresh_period_s().filter(|_| readings.len() > 1) else {
            return Outcome::not_run("fewer than two readings");
        };
        let per_s = limits.get(pace.limit);
        if per_s * period_s >= pace.span {
            return Outcome::not_run(format!(
                "{}: in that time {} can go anywhere",
                every(period_s, 2),
                channel.role.label()
            ));
        }
        let stopped = standing(channel, view);
        let stands = |at: usize| readings.row(at).is_some_and(&stopped);
        let least = readings.scatter.max(LEAST_SHARE * pace.span);
        let steps: Vec<Step> = (1..readings.len())
            // Time never runs back: nothing below this is more than allowed.
            .filter(|at| readings.change(*at).abs() > least)
            .filter_map(|at| {
                let stands = stands(at - 1) && stands(at);
                let per_s = if stands { limits.get(&STOPPED).min(per_s) } else { per_s };
                let elapsed_s = readings.elapsed_s(at);
                let allowed = per_s.mul_add(elapsed_s, least);
                let change = readings.change(at);
                (change.abs() > allowed && change.is_finite()).then_some(Step {
                    at,
                    change,
                    allowed,
                    elapsed_s,
                })
            })
            .collect();
        let findings = excursions(channel, &readings, &steps, limits.get(&EXCURSION));
        Outcome::ran(Evaluated::All, findings)
    }
}

/// Whether the engine stands in a row, for the channel whose pace depends on it.
fn standing<'a>(channel: &Channel, view: &View<'a>) -> impl Fn(usize) -> bool + use<'a> {
    let speed = view.log.role(Role::EngineSpeed).filter(|_| channel.role == Role::IntakeAirTemperature);
    move |row| speed.is_some_and(|speed| speed.at(row) == Some(0.0))
}

/// Groups steps into excursions: away by one or more steps, back by one that ends nearer to where it began.
fn excursions(channel: &Channel, readings: &Readings<'_>, steps: &[Step], longest_s: f64) -> Vec<Finding> {
    let mut findings = Vec::new();
    let mut next = 0;
    while let Some(step) = steps.get(next) {
        let origin = readings.value(step.at - 1);
        let start_s = readings.time_s(step.at);
        let mut peak = 0.0_f64;
        let back = steps
            .iter()
            .enumerate()
            .skip(next)
            .take_while(|(_, later)| readings.time_s(later.at) - start_s <= longest_s)
            .find(|(_, later)| {
                peak = peak.max((readings.value(later.at - 1) - origin).abs());
                let returns = || (readings.value(later.at) - origin).abs() < 0.5 * peak;
                // No flywheel stops and turns again so: wherever the speed comes back to, it was lost meanwhile.
                let lost = || {
                    channel.role == Role::EngineSpeed
                        && (step.at..later.at).all(|at| readings.value(at) < RUNS_RPM)
                };
                later.change * step.change < 0.0 && (returns() || lost())
            })
            .map(|(index, later)| (index, later.at));
        match back {
            // Straight back: a spike, which its own detector judges by the same pace.
            Some((index, at)) if at == step.at + 1 => next = index + 1,
            Some((index, at)) => {
                let away_s = readings.time_s(at) - start_s;
                findings.push(describe(channel, readings, step, at, away_s));
                next = index + 1;
            }
            None => {
                findings.push(describe(channel, readings, step, step.at + 1, 0.0));
                next += 1;
            }
        }
    }
    findings
}

fn describe(channel: &Channel, readings: &Readings<'_>, step: &Step, end: usize, away_s: f64) -> Finding {
    let after = if away_s > 0.0 { format!(" and came back after {away_s:.1} s") } else { String::new() };
    let message = format!(
        "{} {} by {} in {:.2} s{after}; it can move by {} in that time",
        channel.name,
        if step.change > 0.0 { "rose" } else { "fell" },
        shown_difference(channel, step.change.abs()),
        step.elapsed_s,
        shown_difference(channel, step.allowed),
    );
    Finding::new(
        readings.shown(step.at, end),
        Flag::Suspect,
        message,
        vec![(&STEP, step.change), (&ALLOWED, step.allowed), (&ELAPSED, step.elapsed_s), (&AWAY, away_s)],
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::testing::{Bench, because, evidence};
    use crate::log::Estimate;

    fn coolant(value: impl FnMut(f64) -> f64) -> Bench {
        Bench::new(10.0, 600).channel(Role::CoolantTemperature, value).measured(|m| m.resolution = Some(1.0))
    }

    #[test]
    fn an_engine_speed_that_falls_off_and_comes_back_elsewhere_was_lost_meanwhile() {
        let lost = |away: f64| {
            let speed = move |t: f64| match t {
                t if t < 20.0 => 5_000.0,
                t if t < 30.0 => away,
                _ => 2_600.0,
            };
            let bench = Bench::new(50.0, 3_000)
                .channel(Role::EngineSpeed, speed)
                .measured(|m| m.resolution = Some(1.0));
            bench
                .findings(&RateOfChange, Role::EngineSpeed)
                .into_iter()
                .map(|f| (f.rows.start, f.rows.end))
                .collect::<Vec<_>>()
        };
        assert_eq!(lost(255.0), [(1_000, 1_500)]);
        // It may have been low.
        assert_eq!(lost(400.0), [(1_000, 1_001), (1_500, 1_501)]);
    }

    #[test]
    fn coolant_that_jumps_and_stays_marks_the_new_reading() {
        let found = coolant(|t| if t < 30.0 { 350.0 } else { 370.0 })
            .findings(&RateOfChange, Role::CoolantTemperature);
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].rows.clone(), found[0].flag), (300..301, Flag::Suspect));
        assert_eq!(evidence(&found[0], "step"), 20.0);
    }

    #[test]
    fn excursion_is_doubted_as_long_as_it_lasts() {
        let found = coolant(|t| if (30.0..34.95).contains(&t) { 380.0 } else { 350.0 })
            .findings(&RateOfChange, Role::CoolantTemperature);
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].rows, 300..350);
        assert!((evidence(&found[0], "away_s") - 5.0).abs() < 1e-9);
    }

    #[test]
    fn pace_itself_is_allowed() {
        let at_pace = coolant(|t| 300.0 + 5.0 * t.min(10.0));
        assert!(at_pace.findings(&RateOfChange, Role::CoolantTemperature).is_empty());
    }

    #[test]
    fn true_value_seen_late_after_a_gap_is_no_step() {
        let with = |gap_s| {
            coolant(|t| if t < 30.0 { 350.0 } else { 362.0 })
                .gap(300, gap_s)
                .findings(&RateOfChange, Role::CoolantTemperature)
                .len()
        };
        assert_eq!((with(0.3), with(10.0)), (1, 0));
    }

    #[test]
    fn held_value_repeated_after_a_gap_does_not_shorten_the_gap() {
        // One reading per second in a 10 Hz log; after the gap the old value is repeated for 0.7 s.
        let values: Vec<f64> = (0..600)
            .map(|row| match row {
                0..300 => 350.0 + f64::from(row / 10 % 2),
                300..307 => 351.0,
                _ => 362.0,
            })
            .collect();
        let bench = Bench::new(10.0, 600)
            .values(Role::CoolantTemperature, values)
            .measured(|m| {
                m.resolution = Some(1.0);
                m.frame_period_s = Some(Estimate { value: 1.0, low: 1.0, high: 1.0 });
            })
            .gap(300, 10.0);
        assert!(bench.findings(&RateOfChange, Role::CoolantTemperature).is_empty());
    }

    #[test]
    fn intake_air_cannot_heat_as_fast_while_the_engine_stands() {
        let bench = |rpm: f64| {
            Bench::new(1.0, 60)
                .channel(Role::EngineSpeed, move |_| rpm)
                .channel(Role::IntakeAirTemperature, |t| if t < 30.0 { 310.0 } else { 325.0 })
                .measured(|m| m.resolution = Some(1.0))
        };
        assert!(bench(2_000.0).findings(&RateOfChange, Role::IntakeAirTemperature).is_empty());
        assert_eq!(bench(0.0).findings(&RateOfChange, Role::IntakeAirTemperature).len(), 1);
    }

    #[test]
    fn slow_log_has_no_power_over_quick_quantities() {
        let slow = Bench::new(1.0, 60).channel(Role::EngineSpeed, |t| 1_000.0 + t);
        assert!(because(slow.run(&RateOfChange, Role::EngineSpeed)).contains("can go anywhere"));
        let one = Bench::new(10.0, 1).channel(Role::CoolantTemperature, |_| 350.0);
        assert!(because(one.run(&RateOfChange, Role::CoolantTemperature)).contains("two readings"));
    }
}
