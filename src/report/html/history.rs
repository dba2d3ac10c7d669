//! The life of a sensor as small multiples: one chart and one sentence per metric.

use super::super::life::{self, day};
use super::super::words::{self, number};
use super::chart::{Markup, escape};
use crate::document::HealthStatus;
use crate::ledger::{Life, MetricTrend};

/// Width and height of a chart.
const SIZE: (f64, f64) = (300.0, 96.0);

/// A sensor's life, ready for a page.
pub(crate) struct History {
    /// The answer in a sentence.
    pub answer: String,
    /// One per metric.
    pub metrics: Vec<Course>,
    /// What would tell more.
    pub sharpen: String,
}

/// The course of one metric.
pub(crate) struct Course {
    /// Name with its direction.
    pub name: String,
    /// What its sessions say.
    pub sentence: String,
    /// The chart, SVG.
    pub chart: Markup,
    /// Sessions: day, value, interval, status.
    pub rows: Vec<[String; 4]>,
}

/// A life as charts, sentences and tables; no number is recomputed.
pub(crate) fn of(life: &Life) -> History {
    History {
        answer: life::answer(life),
        metrics: life.metrics.iter().map(|metric| course(life, metric)).collect(),
        sharpen: life::sharpen(life),
    }
}

fn course(life: &Life, metric: &MetricTrend) -> Course {
    let rows = metric.points.iter().map(|point| {
        let (low, high) = point.interval.unzip();
        [
            day(&point.at),
            format!("{} {}", number(point.value, low, high), metric.unit).trim_end().to_owned(),
            point.interval.map_or_else(
                || "\u{2013}".to_owned(),
                |(a, b)| format!("{} to {}", number(a, low, high), number(b, low, high)),
            ),
            word(point.status).to_owned(),
        ]
    });
    Course {
        name: life::name(metric),
        sentence: life::sentence(life, metric),
        rows: rows.collect(),
        chart: chart(metric),
    }
}

const fn word(status: HealthStatus) -> &'static str {
    match status {
        HealthStatus::Ok => "ok",
        HealthStatus::Watch => "watch",
        HealthStatus::Act => "act",
        HealthStatus::NotMeasurable => "not measurable",
    }
}

/// Sessions from left to right as marks on their intervals; the limit is dashed, the own normal dotted.
fn chart(metric: &MetricTrend) -> Markup {
    let (width, height) = SIZE;
    let baseline = metric.baseline.map(|base| base.value);
    let ends = metric
        .points
        .iter()
        .flat_map(|p| [p.value, p.interval.map_or(p.value, |i| i.0), p.interval.map_or(p.value, |i| i.1)]);
    let (mut low, mut high) = ends
        .chain(metric.limit)
        .chain(baseline)
        .filter(|value| value.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)));
    let mut chart = Markup::default();
    if low > high {
        return chart;
    }
    let margin = (0.08 * (high - low)).max(0.01 * high.abs()).max(1e-9);
    (low, high) = (low - margin, high + margin);
    let y = |value: f64| (height * (high - value) / (high - low)).clamp(0.0, height);
    let last = metric.points.len().saturating_sub(1).max(1) as f64;
    let x = |index: usize| 8.0 + (width - 16.0) * index as f64 / last;
    chart.add(format_args!(
        "<svg class=\"course\" viewBox=\"0 0 {width:.0} {height:.0}\" role=\"img\" aria-label=\""
    ));
    let label =
        format!("{} by session, {}", life::name(metric), words::count(metric.points.len(), "session"));
    chart.add(format_args!("{}", escape(&label)));
    chart.add(format_args!("\"><path class=\"grid\" d=\"M0 {height:.0}H{width:.0}\"/>"));
    for (class, value) in [("limit", metric.limit), ("stop", baseline)] {
        if let Some(value) = value {
            chart.add(format_args!("<path class=\"{class}\" d=\"M0 {:.1}H{width:.0}\"/>", y(value)));
        }
    }
    for (index, point) in metric.points.iter().enumerate() {
        let at = x(index);
        if let Some((a, b)) = point.interval {
            chart.add(format_args!("<path class=\"whisker\" d=\"M{at:.1} {:.1}V{:.1}\"/>", y(a), y(b)));
        }
        // Open, half and full marks tell the status without colour.
        let (class, mark) = match point.status {
            HealthStatus::Act => {
                ("mark act", format!("M{:.1} {:.1}l8 8m0 -8l-8 8", at - 4.0, y(point.value) - 4.0))
            }
            HealthStatus::Watch => {
                ("mark watch", format!("M{at:.1} {:.1}l5 5l-5 5l-5 -5Z", y(point.value) - 5.0))
            }
            _ => ("mark", format!("M{:.1} {:.1}h6v6h-6Z", at - 3.0, y(point.value) - 3.0)),
        };
        chart.add(format_args!("<path class=\"{class}\" d=\"{mark}\"/>"));
    }
    chart.add(format_args!("</svg>"));
    chart
}
