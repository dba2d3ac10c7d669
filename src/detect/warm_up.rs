//! The mixture sensor or its controller is not ready: after power-up, after a reset, or too cold.

use std::ops::Range;

use super::{
    Detector, Evaluated, Field, Finding, Gaps, Limit, Limits, Meta, Outcome, Phase, Scope, Stage, View,
};
use crate::chain::Chain;
use crate::flag::Flag;
use crate::log::{Channel, ClockEvent, Role};
use crate::signal::{robust, runs};
use crate::state::bit;

/// See its text in `sondeproof explain warm_up`.
pub(super) struct WarmUp;

static SETTLE: Limit = Limit {
    name: "settle_s",
    unit: "s",
    default: 5.0,
    range: (0.0, 60.0),
    why: "time after a restart until the heater loop has settled (assumed)",
};
static START: Limit = Limit {
    name: "start_hold_s",
    unit: "s",
    default: 1.0,
    range: (0.1, 60.0),
    why: "a value held from power-up on for at least this long is the rest value; light-off takes up to 10 s (data \
          sheet of a planar sensor)",
};
static RESET: Limit = Limit {
    name: "reset_hold_s",
    unit: "s",
    default: 3.0,
    range: (0.5, 60.0),
    why: "a controller that starts again shows its rest value for 5 to 30 s (from memory); a hot element may be \
          quicker",
};
static COLD: Limit = Limit {
    name: "element_k",
    unit: "K",
    default: 923.15,
    range: (700.0, 1100.0),
    why: "below 650 Cel the output of an element falls (EP 0163962)",
};

static REST: Field = Field { name: "rest_value", unit: "1" };
static LASTED: Field = Field { name: "lasted_s", unit: "s" };
static ELEMENT: Field = Field { name: "lowest_element_k", unit: "K" };
static CURVE: Field = Field { name: "warm_up_share", unit: "1" };

/// Leanest mixture on which an engine keeps running, lambda; assumed (the lean limit of homogeneous charges lies near
/// 1.4, SAE 741055, number from memory).
const LEANEST_FIRING: f64 = 1.3;

/// Time after a rest value over which the reading is compared with a warm-up curve, s.
const CURVE_S: f64 = 5.0;

static META: Meta = Meta {
    name: "warm_up",
    stage: Stage::Scored,
    phase: Phase::Samples,
    scope: Scope::Channel,
    summary: "the mixture sensor is not ready: rest value at power-up, controller reset, or an element too cold",
    applies_to: &[Role::Lambda, Role::Afr],
    needs: &[],
    method: "The rest value is what the channel shows, exactly and without moving, from power-up until its first live \
             value. Rows at it are bad: no measurement, as of every such sensor, so this says when the sensor was ready and \
             is held against nothing else. The same value held again for \
             `reset_hold_s` in mid-log while the channel is otherwise never that still is a controller reset: bad, \
             and the `settle_s` after it suspect; `warm_up_share` says how far the values after it run steadily one way, as a \
             warm-up does. Where the element's temperature is logged, rows below 650 °C are suspect.",
    assumes: "The log starts no later than the controller, or the rest value is known. A rest value that equals the \
              lean end stop cannot be told from free air, so it is suspect at power-up, and taken for a reset only where \
              the engine fires for `reset_hold_s`.",
    misses: "A sensor that shows live but wrong values while cold; a reset shorter than `reset_hold_s`; a reset in a \
             channel so quiet that standing still is its habit. A log that starts with the engine already warm.",
    gaps: Gaps::Break,
    limits: &[&SETTLE, &START, &RESET, &COLD],
    evidence: &[&REST, &LASTED, &ELEMENT, &CURVE],
    sources: &[
        "data sheet of a planar two-cell wideband sensor: light-off within 10 s",
        "EP 0163962 / US 4,648,370: output falls below 650 Cel",
    ],
};

impl Detector for WarmUp {
    fn meta(&self) -> &'static Meta {
        &META
    }

    fn run(&self, channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Outcome {
        let rest = Rest::of(channel, view, limits);
        let mut findings = Vec::new();
        if let Some(rest) = &rest {
            rest.starts(channel, view, limits, &mut findings);
            rest.resets(channel, view, limits, &mut findings);
        }
        let judged_cold = cold(channel, view, limits, &mut findings);
        if rest.is_none() && !judged_cold {
            return Outcome::not_run(
                "no rest value shows at the start of the log and no element temperature is logged, so a sensor that \
                 was not ready would not show",
            );
        }
        findings.sort_by_key(|finding| (finding.rows.start, finding.rows.end));
        Outcome::ran(Evaluated::All, findings)
    }
}

/// The value shown before the device is ready.
struct Rest {
    value: f64,
    tolerance: f64,
    /// Whether it is the lean end stop as well, and so cannot be told from free air.
    is_clip: bool,
    /// First rows after a power-up: the log's start and each restart of the logger.
    power_ups: Vec<usize>,
}

impl Rest {
    fn of(channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Option<Self> {
        let clock = &view.log.clock;
        let known = view.chain.and_then(|chain: &Chain| chain.rest_value).or(channel.measured.rest_value);
        let value = known.or_else(|| held_at_start(channel, &clock.time_s, limits.get(&START)))?;
        let tolerance = 0.5 * channel.resolution();
        let clip = view.chain.and_then(|chain| chain.clip_lean).or(channel.measured.clip_high);
        let highest = channel.values().iter().copied().filter(|v| v.is_finite()).fold(f64::MIN, f64::max);
        let restarts = clock.events.iter().filter_map(|event| match event {
            ClockEvent::Restart { row, .. } => Some(*row),
            _ => None,
        });
        Some(Self {
            value,
            tolerance,
            is_clip: clip.is_some_and(|clip| value >= clip - channel.resolution())
                || value >= highest - channel.resolution(),
            power_ups: std::iter::once(0).chain(restarts).collect(),
        })
    }

    fn runs(&self, channel: &Channel) -> Vec<Range<usize>> {
        let values = channel.values();
        // An empty row of a slower channel does not end the run.
        let still = runs::of(values.len(), |row| {
            (values[row] - self.value).abs() <= self.tolerance || channel.not_sampled(row)
        });
        let still = still.into_iter().filter_map(|run| {
            let first = run.clone().find(|row| !values[*row].is_nan())?;
            let last = run.clone().rev().find(|row| !values[*row].is_nan())?;
            Some(first..last + 1)
        });
        still.collect()
    }

    fn starts(&self, channel: &Channel, view: &View<'_>, limits: &Limits<'_>, findings: &mut Vec<Finding>) {
        let time_s = &view.log.clock.time_s;
        for run in self.runs(channel) {
            let at_start = self.power_ups.iter().any(|row| {
                run.contains(row)
                    || (*row <= run.start && channel.values()[*row..run.start].iter().all(|v| v.is_nan()))
            });
            if !at_start {
                continue;
            }
            let lasted_s = time_s[run.end - 1] - time_s[run.start];
            if lasted_s < limits.get(&START) {
                continue;
            }
            let (flag, text) = if self.is_clip {
                (Flag::Suspect, "its rest value or free air")
            } else {
                (Flag::Bad, "its rest value")
            };
            findings.push(
                Finding::new(
                    run.clone(),
                    flag,
                    format!(
                        "{} was ready after {lasted_s:.1} s: until then it stood at {:.3}, {text}",
                        channel.name, self.value
                    ),
                    vec![(&REST, self.value), (&LASTED, lasted_s)],
                )
                .limit(),
            );
        }
    }

    fn settling(
        &self,
        channel: &Channel,
        view: &View<'_>,
        from: usize,
        limits: &Limits<'_>,
        findings: &mut Vec<Finding>,
    ) {
        let clock = &view.log.clock;
        let settle_s = limits.get(&SETTLE);
        let Some(start_s) = clock.time_s.get(from) else { return };
        let rows = from..clock.rows_between(*start_s, start_s + settle_s).end;
        if rows.start < rows.end && settle_s > 0.0 {
            let share = steadiness(&channel.values()[rows.clone()]);
            findings.push(Finding::new(
                rows,
                Flag::Suspect,
                format!(
                    "{} had left its rest value less than {settle_s:.0} s ago: the element may still be warming up",
                    channel.name
                ),
                vec![(&REST, self.value), (&LASTED, settle_s), (&CURVE, share)],
            ));
        }
    }

    fn resets(&self, channel: &Channel, view: &View<'_>, limits: &Limits<'_>, findings: &mut Vec<Finding>) {
        if self.is_clip {
            self.held_while_firing(channel, view, limits, findings);
            return;
        }
        let clock = &view.log.clock;
        let (time_s, values) = (&clock.time_s, channel.values());
        let hold_s = limits.get(&RESET);
        let started = |run: &Range<usize>| {
            self.power_ups
                .iter()
                .any(|row| *row <= run.start && values[*row..run.start].iter().all(|v| v.is_nan()))
        };
        let long = |run: &Range<usize>| time_s[run.end - 1] - time_s[run.start] >= hold_s;
        // Standing still at other values as well is a habit of the channel, not a reset.
        let elsewhere = runs::equal(values, 2)
            .into_iter()
            .filter(|run| (values[run.start] - self.value).abs() > self.tolerance)
            .any(|run| long(&run) && !self.at_end_stop(values[run.start], view));
        if elsewhere {
            return;
        }
        for run in self.runs(channel).into_iter().filter(|run| long(run) && !started(run)) {
            let lasted_s = time_s[run.end - 1] - time_s[run.start];
            let after = run.end..clock.rows_between(0.0, time_s[run.end - 1] + CURVE_S).end.max(run.end);
            let share = steadiness(&values[after]);
            findings.push(Finding::new(
                run.clone(),
                Flag::Bad,
                format!(
                    "{} went back to its rest value {:.3} for {lasted_s:.1} s, as after power-up: the controller \
                     started again, and this part was not measured",
                    channel.name, self.value
                ),
                vec![(&REST, self.value), (&LASTED, lasted_s), (&CURVE, share)],
            ));
            self.settling(channel, view, run.end, limits, findings);
        }
    }

    /// A rest value that is the lean end stop as well: only where the engine fires is it not air.
    fn held_while_firing(
        &self,
        channel: &Channel,
        view: &View<'_>,
        limits: &Limits<'_>,
        findings: &mut Vec<Finding>,
    ) {
        if self.value < LEANEST_FIRING {
            return;
        }
        let (time_s, values) = (&view.log.clock.time_s, channel.values());
        let firing = |row: usize| {
            view.state.has(row, bit::WIDE_OPEN | bit::FULL_LOAD | bit::CRUISE | bit::IDLE)
                && !view.state.has(row, bit::OVER_RUN | bit::LIMITER | bit::UNLOAD | bit::CRANKING)
        };
        let stands = runs::of(values.len(), |row| {
            ((values[row] - self.value).abs() <= self.tolerance || channel.not_sampled(row)) && firing(row)
        });
        let start = channel.power_up();
        for run in stands.into_iter().filter(|run| run.start >= start.end) {
            let lasted_s = time_s[run.end - 1] - time_s[run.start];
            if lasted_s < limits.get(&RESET) {
                continue;
            }
            findings.push(Finding::new(
                run,
                Flag::Suspect,
                format!(
                    "{} stood at {:.3}, its lean end stop and its rest value, for {lasted_s:.1} s while the engine fired: \
                     no engine runs on that mixture for so long, so the controller may have started again",
                    channel.name, self.value
                ),
                vec![(&REST, self.value), (&LASTED, lasted_s)],
            ));
        }
    }

    fn at_end_stop(&self, value: f64, view: &View<'_>) -> bool {
        let ends = view.chain.map(|chain| [chain.clip_lean, chain.clip_rich]).into_iter().flatten().flatten();
        ends.into_iter().any(|end| (value - end).abs() <= self.tolerance.max(1e-9))
    }
}

/// The value that stands from the first reading on, if it stands long enough and is left later.
fn held_at_start(channel: &Channel, time_s: &[f64], hold_s: f64) -> Option<f64> {
    let values = channel.values();
    let first = values.iter().position(|v| v.is_finite())?;
    let end = (first..values.len())
        .find(|row| values[*row] != values[first] && !(values[*row].is_nan() && channel.not_sampled(*row)))?;
    (time_s[end - 1] - time_s[first] >= hold_s).then_some(values[first])
}

/// Share of all movement that is net movement: 1 for a curve that runs one way, near 0 for noise.
fn steadiness(values: &[f64]) -> f64 {
    let live: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    let path: f64 = live.windows(2).map(|pair| (pair[1] - pair[0]).abs()).sum();
    match (live.first(), live.last()) {
        (Some(first), Some(last)) if path > 0.0 && path.is_finite() => ((last - first).abs() / path).min(1.0),
        _ => 0.0,
    }
}

/// Rows with the element too cold; returns whether that could be judged.
fn cold(channel: &Channel, view: &View<'_>, limits: &Limits<'_>, findings: &mut Vec<Finding>) -> bool {
    let Some(element) = view.log.role(Role::SensorTemperature) else { return false };
    let values = element.values();
    let limit_k = limits.get(&COLD);
    // An element that never gets hot is another temperature, or another unit.
    let hot = robust::quantile_in_place(
        &mut values.iter().copied().filter(|v| v.is_finite()).collect::<Vec<_>>(),
        0.9,
    );
    if hot.is_none_or(|hot| !(limit_k..2000.0).contains(&hot)) {
        return false;
    }
    let time_s = &view.log.clock.time_s;
    for segment in &view.log.clock.segments {
        let mut is_cold = false;
        let rows = runs::of(segment.len(), |k| {
            let now = values[segment.start + k];
            if now.is_finite() {
                is_cold = now < limit_k;
            }
            is_cold
        });
        for run in rows {
            let rows = segment.start + run.start..segment.start + run.end;
            let lowest =
                values[rows.clone()].iter().copied().filter(|v| v.is_finite()).fold(f64::MAX, f64::min);
            let lasted_s = time_s[rows.end - 1] - time_s[rows.start];
            if lowest < limit_k {
                findings.push(Finding::new(
                    rows,
                    Flag::Suspect,
                    format!(
                        "{} was read with the element at {:.0} °C and below {:.0} °C for {lasted_s:.1} s: too cold, the \
                         reading is drawn towards lambda 1",
                        channel.name,
                        lowest - 273.15,
                        limit_k - 273.15
                    ),
                    vec![(&ELEMENT, lowest), (&LASTED, lasted_s)],
                ));
            }
        }
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::testing::{Bench, Noise, because, evidence, quantised};
    use crate::document::About;

    /// Rest value for 8 s, a warm-up curve, then live values around lambda 0.85; the same again at 60 s.
    fn log(rest: f64, reset: bool) -> Bench {
        let mut noise = Noise::new(2);
        let live = move |t: f64, noise: &mut Noise| {
            let approach = (rest - 0.85) * (-t / 2.0).exp();
            quantised(0.85 + approach + 0.004 * noise.next(), 0.001)
        };
        Bench::new(20.0, 2400)
            .channel(Role::Lambda, |t| match t {
                t if t < 8.0 || (reset && (60.0..68.0).contains(&t)) => rest,
                t if reset && t >= 68.0 => live(t - 68.0, &mut noise),
                t => live(t - 8.0, &mut noise),
            })
            .measured(|m| m.resolution = Some(0.001))
            .chain()
    }

    #[test]
    fn rest_value_at_power_up_is_no_measurement_and_no_fault() {
        let found = log(1.0, false).findings(&WarmUp, Role::Lambda);
        let flags: Vec<_> = found.iter().map(|f| (f.rows.clone(), f.flag, f.about)).collect();
        assert_eq!(flags, [(0..160, Flag::Bad, About::Limit)]);
        assert_eq!(evidence(&found[0], "rest_value"), 1.0);
    }

    #[test]
    fn same_value_in_mid_log_is_a_reset() {
        let found = log(1.0, true).findings(&WarmUp, Role::Lambda);
        assert_eq!(found.len(), 3, "{found:?}");
        assert_eq!(
            (found[1].rows.clone(), found[1].flag, found[1].about),
            (1200..1360, Flag::Bad, About::Fault)
        );
        assert!(found[1].message.contains("started again"));
        assert!(evidence(&found[1], "warm_up_share") > 0.2);
        assert_eq!((found[2].rows.start, found[2].flag), (1360, Flag::Suspect));
    }

    #[test]
    fn rest_value_at_the_lean_end_is_not_told_from_overrun() {
        let bench = Bench::new(20.0, 2400)
            .channel(Role::Lambda, |t| {
                if t < 5.0 || (60.0..66.0).contains(&t) { 1.36 } else { 0.85 + 0.001 * (t % 0.7) }
            })
            .measured(|m| m.clip_high = Some(1.36))
            .chain();
        let found = bench.findings(&WarmUp, Role::Lambda);
        assert!(found.iter().all(|f| f.rows.start < 400 && f.flag == Flag::Suspect), "{found:?}");
    }

    #[test]
    fn cold_element_makes_the_reading_suspect() {
        let bench = Bench::new(10.0, 600)
            .channel(Role::Lambda, |t| 0.85 + 0.001 * (t % 0.3))
            .channel(Role::SensorTemperature, |t| if (20.0..23.0).contains(&t) { 880.0 } else { 1050.0 });
        let found = bench.findings(&WarmUp, Role::Lambda);
        assert_eq!((found.len(), found[0].rows.clone(), found[0].flag), (1, 200..230, Flag::Suspect));
        assert!((evidence(&found[0], "lowest_element_k") - 880.0).abs() < 1e-9);
    }

    #[test]
    fn nothing_to_go_by_is_said() {
        let bench = Bench::new(10.0, 600).channel(Role::Lambda, |t| 0.85 + 0.001 * (t % 0.3));
        assert!(because(bench.run(&WarmUp, Role::Lambda)).contains("no rest value"));
        let frozen = Bench::new(10.0, 600).channel(Role::Lambda, |_| 0.85);
        assert!(because(frozen.run(&WarmUp, Role::Lambda)).contains("no rest value"));
    }
}
