//! Supply of the sensor controller: drop, loop resistance and ground offset.

use super::{Ageing, Meta, Subject, Verdict, Worse, against};
use crate::document::{HealthMetric, HealthStatus};
use crate::log::{Channel, Dimension, Estimate, Role};
use crate::signal::regression::median_line;
use crate::signal::robust::{mad, median};
use crate::signal::uncertainty::{combine, quantisation};
use crate::state::bit;

pub(super) const DROP: Meta = Meta {
    name: "supply_drop",
    unit: "V",
    summary: "battery reference less supply at the sensor controller, engine running",
    how: "Median of the difference over rows with the engine running.",
    limit: "Watch above 3 % of the reference, act above 10 % (the two classes of the marine wiring rule).",
    traps: "Two instruments with their own zero; the offset between them shows with the engine off.",
    sources: &["ABYC E-11 11.14.2.6: 3 % for electronic equipment, 10 % for non-critical loads"],
    ageing: Some(Ageing { worse: Worse::Up, act_ratio: None, tells_replacement: false }),
};

pub(super) const LOOP_RESISTANCE: Meta = Meta {
    name: "supply_resistance",
    unit: "Ω",
    summary: "resistance of wiring and joints between battery reference and controller",
    how: "Median of slopes of the voltage difference over the logged current, with Sen's interval.",
    limit: "Watch above 0.1 ohm, act above 0.2 ohm (a healthy loop is at most 0.05 to 0.1 ohm: from memory). Growth \
        over sessions is a corroding joint.",
    traps: "Needs the current that flows through this loop; without it only drops per load can be seen.",
    sources: &["Theil 1950, Sen 1968 (from memory)"],
    ageing: Some(Ageing { worse: Worse::Up, act_ratio: None, tells_replacement: false }),
};

pub(super) const GROUND_OFFSET: Meta = Meta {
    name: "ground_offset",
    unit: "V",
    summary: "part of the difference between battery reference and controller supply that no load explains",
    how: "Where a current is logged: the difference at current 0, by the median of slopes. Else the median of the \
        difference in rows with engine speed 0, which is an upper limit: steady loads flow then too. Beyond the limit it \
        cannot be told from the drop of such a load, which `supply_drop` counts already, so it is not given twice.",
    limit: "Watch beyond 0.1 V, act beyond 0.5 V (assumed; on an analog output of 0.2 lambda per volt 0.1 V reads as \
        0.02 lambda).",
    traps: "Zero error of either instrument is in it. A supply above its reference is no drop of any wire.",
    sources: &["offsets of up to 1 V are to be expected: ISO 16750-2 (value from memory)"],
    ageing: Some(Ageing { worse: Worse::Either, act_ratio: None, tells_replacement: false }),
};

/// Offsets that are watched and acted on, V; assumed, see [`GROUND_OFFSET`].
const OFFSET_WATCH_V: f64 = 0.1;
const OFFSET_ACT_V: f64 = 0.5;

/// Rows a median needs (common practice, no source).
const FEWEST: usize = 20;

pub(super) fn measure(subject: &Subject<'_>) -> [HealthMetric; 3] {
    let log = subject.view.log;
    let (Some(reference), Some(supply)) = (log.role(Role::BatteryVoltage), log.role(Role::SupplyVoltage))
    else {
        let because = "needs two voltages: the battery reference and the supply at the controller";
        return [&DROP, &LOOP_RESISTANCE, &GROUND_OFFSET]
            .map(|meta| subject.not_measurable(meta, None, because));
    };
    let pair = Pair { reference, supply };
    let metrics = [drop(subject, &pair), resistance(subject, &pair), offset(subject, &pair)];
    metrics.map(|metric| HealthMetric { channel: supply.name.clone(), ..metric })
}

/// The two voltages.
struct Pair<'a> {
    reference: &'a Channel,
    supply: &'a Channel,
}

impl Pair<'_> {
    /// Reference less supply in rows that count.
    fn differences(&self, counts: impl Fn(usize) -> bool) -> Vec<(usize, f64)> {
        let pairs = self.reference.each().zip(self.supply.each());
        pairs
            .enumerate()
            .filter(|(row, (a, b))| a.is_finite() && b.is_finite() && counts(*row))
            .map(|(row, (a, b))| (row, a - b))
            .collect()
    }

    /// The log's current, its readings in ampere, and the difference in the same rows.
    fn over_current<'b>(&self, subject: &Subject<'b>) -> Option<(&'b Channel, Vec<f64>, Vec<f64>)> {
        let log = subject.view.log;
        let current = log.channels.iter().find(|channel| channel.unit.dimension == Dimension::Current)?;
        let (load, difference) = self
            .differences(|_| true)
            .into_iter()
            .filter_map(|(row, difference)| Some((current.at(row)?, difference)))
            .unzip();
        Some((current, load, difference))
    }

    fn step(&self) -> f64 {
        combine(&[quantisation(self.reference.resolution()), quantisation(self.supply.resolution())])
    }

    fn estimate(&self, differences: &[(usize, f64)]) -> Option<Estimate> {
        let values: Vec<f64> = differences.iter().map(|(_, value)| *value).collect();
        let value = median(&values).filter(|_| values.len() >= FEWEST)?;
        let scatter = 1.4826 * mad(&values, value).unwrap_or(0.0) / (values.len() as f64).sqrt();
        let half = 1.959_964 * combine(&[scatter, self.step()]);
        Some(Estimate { value, low: value - half, high: value + half })
    }
}

fn drop(subject: &Subject<'_>, pair: &Pair<'_>) -> HealthMetric {
    let differences = pair.differences(|row| subject.view.state.has(row, bit::RUNNING));
    let (Some(estimate), Some(level)) = (
        pair.estimate(&differences),
        median(&pair.reference.among(0..pair.reference.rows())).filter(|level| *level > 0.0),
    ) else {
        return subject.not_measurable(&DROP, None, "too few rows with the engine running and both voltages");
    };
    let (watch, act) = (0.03 * level, 0.10 * level);
    let verdict = Verdict {
        limit: Some(watch),
        status: against(&estimate, watch, act),
        because: format!(
            "{} rows; {:.1} % of {level:.1} V",
            differences.len(),
            100.0 * estimate.value / level
        ),
    };
    subject.measured(&DROP, estimate, differences.len(), verdict)
}

fn resistance(subject: &Subject<'_>, pair: &Pair<'_>) -> HealthMetric {
    let refuse = |because: &str| subject.not_measurable(&LOOP_RESISTANCE, None, because);
    let Some((current, load, difference)) = pair.over_current(subject) else {
        return refuse("no current channel: drops can be seen, the resistance behind them cannot");
    };
    let Some(line) = median_line(&load, &difference).filter(|_| load.len() >= FEWEST) else {
        return refuse("the current does not vary enough");
    };
    if line.high - line.low > 0.2 {
        return refuse("the current varies too little to fit a resistance");
    }
    let estimate = Estimate { value: line.slope, low: line.low, high: line.high };
    let verdict = Verdict {
        limit: Some(0.1),
        status: against(&estimate, 0.1, 0.2),
        because: format!("{} rows over the current of {}", line.count, current.name),
    };
    subject.measured(&LOOP_RESISTANCE, estimate, line.count, verdict)
}

/// The difference at current 0, V.
fn without_load(subject: &Subject<'_>, pair: &Pair<'_>) -> Option<(Estimate, String)> {
    let (current, load, difference) = pair.over_current(subject)?;
    let line =
        median_line(&load, &difference).filter(|line| load.len() >= FEWEST && line.high - line.low <= 0.2)?;
    let typical = median(&load)?.abs();
    let half = combine(&[0.5 * (line.high - line.low) * typical, 1.959_964 * pair.step()]);
    let estimate =
        Estimate { value: line.intercept, low: line.intercept - half, high: line.intercept + half };
    Some((estimate, format!("at no current, from {} rows over that of {}", line.count, current.name)))
}

fn offset(subject: &Subject<'_>, pair: &Pair<'_>) -> HealthMetric {
    let refuse = |because: &str| subject.not_measurable(&GROUND_OFFSET, None, because);
    let (estimate, basis, rows) = if let Some((estimate, basis)) = without_load(subject, pair) {
        (estimate, basis, pair.differences(|_| true).len())
    } else {
        let Some(speed) = subject.view.log.role(Role::EngineSpeed) else {
            return refuse("needs a current, or engine speed to know when the engine stands");
        };
        let differences = pair.differences(|row| speed.at(row) == Some(0.0));
        let Some(estimate) = pair.estimate(&differences) else {
            return refuse(
                "too few rows with the engine standing: begin the log with the ignition on, engine off",
            );
        };
        if estimate.low > OFFSET_WATCH_V {
            let text = format!(
                "{:.2} V are lost with the engine standing, and steady loads flow then too: without a current, an offset \
                 cannot be told from their drop, which supply_drop counts",
                estimate.value
            );
            return refuse(&text);
        }
        (estimate, format!("{} rows with the engine standing", differences.len()), differences.len())
    };
    let half = 0.5 * (estimate.high - estimate.low);
    let size = estimate.value.abs();
    let nearest = Estimate { value: size, low: (size - half).max(0.0), high: size + half };
    let status = against(&nearest, OFFSET_WATCH_V, OFFSET_ACT_V);
    let verdict = Verdict {
        limit: Some(OFFSET_WATCH_V),
        status: if size <= 2.0 * pair.step() { HealthStatus::Ok } else { status },
        because: basis,
    };
    subject.measured(&GROUND_OFFSET, estimate, rows, verdict)
}
