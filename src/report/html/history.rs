//! The life of a sensor as small multiples: one chart and one sentence per metric.

use super::super::life;
use super::super::words;
use super::chart::{Markup, escape, tick_label, ticks};
use crate::document::{HealthStatus, MetricHistory, SensorHistory};

/// Width and height of a chart.
const SIZE: (f64, f64) = (300.0, 96.0);
/// Room for the scale at the left.
const GUTTER: f64 = 50.0;

/// What a ledger knew of the sensor before this log.
pub(super) struct Known {
    /// Serial.
    pub serial: String,
    /// The answer in a sentence.
    pub answer: String,
    /// What the audit took from it.
    pub used: Vec<String>,
    /// One per metric: name, chart, sentence.
    pub metrics: Vec<(String, Markup, String)>,
}

/// The history of a document, ready for a page.
pub(super) fn known(history: &SensorHistory) -> Known {
    let metric = |metric: &MetricHistory| {
        let name = life::called(&metric.metric, metric.direction.as_deref());
        let marks = metric.points.iter().map(|point| Mark {
            value: point.value,
            interval: None,
            // The document keeps values; what a session said of them stands in the ledger.
            status: HealthStatus::Ok,
        });
        let drawn = chart(&name, &marks.collect::<Vec<_>>(), metric.limit, None);
        (with_unit(name, &metric.unit), drawn, metric.sentence.clone())
    };
    Known {
        serial: history.serial.clone(),
        answer: history.answer.clone(),
        used: history.used.clone(),
        metrics: history.metrics.iter().map(metric).collect(),
    }
}

/// A metric's name with its unit.
pub(crate) fn with_unit(name: String, unit: &str) -> String {
    if unit.is_empty() { name } else { format!("{name}, {unit}") }
}

/// One session in a chart.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Mark {
    /// Value.
    pub value: f64,
    /// Its 95 % interval, where known.
    pub interval: Option<(f64, f64)>,
    /// What the session said of it.
    pub status: HealthStatus,
}

/// Sessions from left to right as marks on their intervals; the limit is dashed, the own normal dotted.
pub(crate) fn chart(name: &str, marks: &[Mark], limit: Option<f64>, normal: Option<f64>) -> Markup {
    let (width, height) = SIZE;
    let ends = marks.iter().flat_map(|mark| {
        let (low, high) = mark.interval.unwrap_or((mark.value, mark.value));
        [mark.value, low, high]
    });
    let (mut low, mut high) = ends
        .chain(limit)
        .chain(normal)
        .filter(|value| value.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)));
    let mut chart = Markup::default();
    if low > high {
        return chart;
    }
    let margin = (0.08 * (high - low)).max(0.01 * high.abs()).max(1e-9);
    (low, high) = (low - margin, high + margin);
    let y = |value: f64| (height * (high - value) / (high - low)).clamp(0.0, height);
    let last = marks.len().saturating_sub(1).max(1) as f64;
    let label = format!("{name} by session, {}", words::count(marks.len(), "session"));
    chart.add(format_args!(
        "<svg class=\"course\" viewBox=\"0 0 {width:.0} {height:.0}\" role=\"img\" aria-label=\"{}\">",
        escape(&label)
    ));
    let scale = ticks(low, high, 4);
    for tick in &scale {
        let at = y(*tick);
        chart.add(format_args!(
            "<path class=\"grid\" d=\"M{GUTTER} {at:.1}H{width:.0}\"/><text x=\"{:.0}\" y=\"{:.0}\" \
             text-anchor=\"end\">{}</text>",
            GUTTER - 6.0,
            at.clamp(6.0, height - 6.0) + 4.0,
            tick_label(*tick, &scale)
        ));
    }
    for (class, value) in [("limit", limit), ("stop", normal)] {
        if let Some(value) = value {
            chart.add(format_args!("<path class=\"{class}\" d=\"M{GUTTER} {:.1}H{width:.0}\"/>", y(value)));
        }
    }
    for (index, mark) in marks.iter().enumerate() {
        let (x, y_value) = (GUTTER + 8.0 + (width - GUTTER - 16.0) * index as f64 / last, y(mark.value));
        if let Some((a, b)) = mark.interval {
            chart.add(format_args!("<path class=\"whisker\" d=\"M{x:.1} {:.1}V{:.1}\"/>", y(a), y(b)));
        }
        // The shape of a mark tells the status without colour.
        let (class, shape) = match mark.status {
            HealthStatus::Act => ("mark act", format!("M{:.1} {:.1}l8 8m0 -8l-8 8", x - 4.0, y_value - 4.0)),
            HealthStatus::Watch => ("mark watch", format!("M{x:.1} {:.1}l5 5l-5 5l-5 -5Z", y_value - 5.0)),
            _ => ("mark", format!("M{:.1} {:.1}h6v6h-6Z", x - 3.0, y_value - 3.0)),
        };
        chart.add(format_args!("<path class=\"{class}\" d=\"{shape}\"/>"));
    }
    chart.add(format_args!("</svg>"));
    chart
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mark(value: f64, status: HealthStatus) -> Mark {
        Mark { value, interval: Some((value - 1.0, value + 1.0)), status }
    }

    #[test]
    fn each_session_is_a_mark_whose_shape_tells_its_status() {
        let marks =
            [mark(1.0, HealthStatus::Ok), mark(2.0, HealthStatus::Watch), mark(9.0, HealthStatus::Act)];
        let chart = chart("time <constant>", &marks, Some(8.0), Some(1.0)).to_string();
        for piece in
            ["class=\"mark\"", "mark watch", "mark act", "class=\"limit\"", "class=\"stop\"", "3 sessions"]
        {
            assert!(chart.contains(piece), "{piece}: {chart}");
        }
        assert_eq!(chart.matches("whisker").count(), 3);
        assert!(chart.contains("time &lt;constant&gt;"));
    }

    #[test]
    fn a_chart_without_a_number_is_empty() {
        assert_eq!(chart("x", &[], None, None).to_string(), "");
        let nothing = Mark { value: f64::NAN, interval: None, status: HealthStatus::Ok };
        assert_eq!(chart("x", &[nothing], None, None).to_string(), "");
        let one = chart("x", &[mark(0.0, HealthStatus::Ok)], None, None).to_string();
        assert!(one.contains("<svg") && !one.contains("NaN"), "{one}");
    }
}
