//! The life of a sensor as the ledger tells it: one chart, one sentence and one table per metric.

use crate::document::HealthStatus;
use crate::ledger::{Life, MetricTrend};
use crate::report::html::Markup;
use crate::report::html::history::{Mark, chart, with_unit};
use crate::report::life::{self, day};
use crate::report::words::number;

/// A sensor's life, ready for a page.
pub(super) struct History {
    /// The answer in a sentence.
    pub answer: String,
    /// One per metric.
    pub metrics: Vec<Course>,
    /// What would tell more.
    pub sharpen: String,
}

/// The course of one metric.
pub(super) struct Course {
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
pub(super) fn of(life: &Life) -> History {
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
    let name = life::name(metric);
    let marks = metric.points.iter().map(|point| Mark {
        value: point.value,
        interval: point.interval,
        status: point.status,
    });
    Course {
        sentence: life::sentence(life, metric),
        rows: rows.collect(),
        chart: chart(&name, &marks.collect::<Vec<_>>(), metric.limit, metric.baseline.map(|base| base.value)),
        name: with_unit(name, &metric.unit),
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
