//! The loop between a reference voltage and the supply: how much is lost, and what can be said of the resistance.

use std::ops::Range;

use super::{
    DROP, DROPPED, LASTED, LIMIT, LOAD_STEP_A, LOOP, NOMINAL_V, OFFSET, OHM, OHM_HIGH, OHM_LOW, SHARE,
    SKIP_S, STALE_S, STEP, STEPS, Series,
};
use crate::detect::dense::Dense;
use crate::detect::{Field, Finding, Limits, View};
use crate::flag::Flag;
use crate::log::{Channel, Clock, Dimension};
use crate::signal::{regression, robust, runs, step, wire};

/// Reference minus supply, one for each supply reading that has a recent reference reading.
struct Drop {
    series: Series<'static>,
    /// Samples in which something moved, so that skew spoils the difference.
    moving: Vec<bool>,
    current: Option<Vec<f64>>,
}

/// Stretches in which the supply stands too far below (or above) its reference.
pub(super) fn drops(
    channel: &Channel,
    reference: &Channel,
    view: &View<'_>,
    hold_s: f64,
    limits: &Limits<'_>,
    findings: &mut Vec<Finding>,
) {
    let clock = &view.log.clock;
    let current = view.log.channels.iter().find(|c| c.unit.dimension == Dimension::Current && c.count() > 2);
    let all: Vec<Drop> = clock
        .segments
        .iter()
        .map(|segment| Drop::of(channel, reference, current, clock, segment.clone()))
        .collect();
    let load = Load::of(&all);
    let limit_v = limits.get(&DROP) * NOMINAL_V;
    let slack_v = channel.resolution().max(reference.resolution());
    for drop in &all {
        let volt = &drop.series.of.value;
        let far = |k: usize| volt[k].abs() > limit_v + slack_v && !drop.moving[k];
        let spans = runs::join(runs::of(volt.len(), far), |end, start| {
            drop.series.of.time_s[start] - drop.series.of.time_s[end - 1] <= hold_s
        });
        for span in spans {
            // Half of a joined stretch may lie inside the limit: the middle of all must not.
            let middle = robust::median(&volt[span.clone()]).map_or(0.0, f64::abs);
            if drop.series.length_s(&span) >= hold_s && middle > limit_v + 0.5 * slack_v {
                findings.push(drop_finding(channel, reference, drop, &span, limit_v, &load));
            }
        }
    }
    if let Load::Known { line, rows, .. } = &load
        && line.low > limits.get(&LOOP)
        && findings.iter().all(|finding| finding.rows.end <= rows.start || finding.rows.start >= rows.end)
    {
        findings.push(
            Finding::new(
                rows.clone(),
                Flag::Suspect,
                format!(
                    "{}: {}; a healthy loop has less than {} Ohm",
                    channel.name,
                    load.text(),
                    limits.get(&LOOP)
                ),
                load.evidence(),
            )
            .condition(),
        );
    }
}

fn drop_finding(
    channel: &Channel,
    reference: &Channel,
    drop: &Drop,
    span: &Range<usize>,
    limit_v: f64,
    load: &Load,
) -> Finding {
    let lasted_s = drop.series.length_s(span);
    let dropped = robust::median(&drop.series.of.value[span.clone()]).unwrap_or(0.0);
    let share = dropped / NOMINAL_V;
    let mut evidence = vec![(&DROPPED, dropped), (&SHARE, share), (&LIMIT, limit_v), (&LASTED, lasted_s)];
    evidence.extend(load.evidence());
    let message = if dropped < 0.0 {
        format!(
            "{} stands {:.2} V above its reference {} for {lasted_s:.1} s: no wire does that, one of the two \
             instruments is off",
            channel.name, -dropped, reference.name
        )
    } else {
        let rule = if share > 0.10 { "the 10 % rule for any load" } else { "the 3 % rule for electronics" };
        format!(
            "{} stands {dropped:.2} V ({:.1} % of {NOMINAL_V} V) below {} for {lasted_s:.1} s, beyond {rule}; {}",
            channel.name,
            share * 100.0,
            reference.name,
            load.text()
        )
    };
    let finding = Finding::new(drop.series.rows(span), Flag::Suspect, message, evidence);
    if dropped < 0.0 { finding } else { finding.condition() }
}

impl Drop {
    fn of(
        supply: &Channel,
        reference: &Channel,
        current: Option<&Channel>,
        clock: &Clock,
        rows: Range<usize>,
    ) -> Self {
        let (volt, held, amps) = (supply.values(), reference.values(), current.map(Channel::values));
        let mut last: Option<(f64, f64)> = None;
        let mut last_amps: Option<f64> = None;
        let (mut row, mut time_s, mut drop, mut load) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
        for at in rows {
            let now_s = clock.time_s[at];
            if held[at].is_finite() {
                last = Some((now_s, held[at]));
            }
            if let Some(now) = amps.map(|amps| amps[at]).filter(|now| now.is_finite()) {
                last_amps = Some(now);
            }
            if let Some((then_s, v)) = last
                && volt[at].is_finite()
                && now_s - then_s <= STALE_S
            {
                row.push(at);
                time_s.push(now_s);
                drop.push(v - volt[at]);
                load.push(last_amps.unwrap_or(f64::NAN));
            }
        }
        let steps: Vec<f64> = (1..drop.len())
            .filter(|k| {
                (load[*k] - load[k - 1]).abs() >= LOAD_STEP_A || (drop[*k] - drop[k - 1]).abs() >= 0.5
            })
            .map(|k| time_s[k])
            .collect();
        let moving = time_s
            .iter()
            .map(|t| {
                let next = steps.partition_point(|s| s < t);
                steps.get(next).is_some_and(|s| s - t <= SKIP_S)
                    || next.checked_sub(1).is_some_and(|k| t - steps[k] <= SKIP_S)
            })
            .collect();
        let period_s = supply.measured.sample_period_s.or(clock.period_s).unwrap_or(0.0);
        let series = Series { of: Dense::made(row, time_s, drop), period_s };
        Self { series, moving, current: current.map(|_| load) }
    }
}

/// What can be said of the loop between reference and supply.
enum Load {
    /// A current spans enough to tell the resistance.
    Known { line: regression::MedianLine, rows: Range<usize> },
    /// The drop moves in steps, but nothing says which current makes them.
    Steps { count: usize, height_v: f64 },
    /// The drop never moves.
    Steady,
}

impl Load {
    fn of(all: &[Drop]) -> Self {
        let (mut x, mut y, mut row) = (Vec::new(), Vec::new(), Vec::new());
        for drop in all {
            let Some(current) = &drop.current else { continue };
            for (k, amps) in current.iter().enumerate() {
                if amps.is_finite() && !drop.moving[k] {
                    x.push(*amps);
                    y.push(drop.series.of.value[k]);
                    row.extend(drop.series.of.row(k));
                }
            }
        }
        let range = |share| robust::quantile_in_place(&mut x.clone(), share);
        if let (Some(low), Some(high)) = (range(0.05), range(0.95))
            && high - low >= LOAD_STEP_A
            && let Some(line) = regression::median_line(&x, &y)
        {
            let heavy = runs::of(x.len(), |k| x[k] >= high - 0.1 * (high - low));
            let longest = heavy.into_iter().max_by_key(std::iter::ExactSizeIterator::len);
            let rows = longest.map_or(0..0, |span| row[span.start]..row[span.end - 1] + 1);
            return Self::Known { line, rows };
        }
        let shape = step::Shape { window_s: 1.0, rise_s: 0.3, least: 0.1 };
        let heights: Vec<f64> = all
            .iter()
            .flat_map(|drop| step::level_steps(&drop.series.of.time_s, &drop.series.of.value, &shape))
            .map(|step| step.height.abs())
            .collect();
        match robust::median(&heights) {
            Some(height_v) => Self::Steps { count: heights.len(), height_v },
            None => Self::Steady,
        }
    }

    fn text(&self) -> String {
        match self {
            Self::Known { line, .. } => {
                let wire = wire::resistance_ohm(0.75, 2.0 * 3.0).unwrap_or(0.0);
                format!(
                    "the drop follows the current with {:.0} mOhm ({:.0} to {:.0}) and an offset of {:.2} V; 3 m there and \
                     back of 0.75 mm² have {:.0} mOhm",
                    line.slope * 1e3,
                    line.low * 1e3,
                    line.high * 1e3,
                    line.intercept,
                    wire * 1e3
                )
            }
            Self::Steps { count, height_v } => format!(
                "it moves in {count} steps of about {height_v:.2} V as loads switch; without a current channel the \
                 resistance cannot be told"
            ),
            Self::Steady => {
                "it does not move with any load, so a resistance cannot be told from an offset between the \
                             two instruments"
                    .to_owned()
            }
        }
    }

    fn evidence(&self) -> Vec<(&'static Field, f64)> {
        match self {
            Self::Known { line, .. } => vec![
                (&OHM, line.slope),
                (&OHM_LOW, line.low),
                (&OHM_HIGH, line.high),
                (&OFFSET, line.intercept),
            ],
            Self::Steps { count, height_v } => vec![(&STEPS, *count as f64), (&STEP, *height_v)],
            Self::Steady => Vec::new(),
        }
    }
}
