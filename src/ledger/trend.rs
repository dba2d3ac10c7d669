//! What a sensor's life tells: slope, significance, change points and the date to act, per metric.
//!
//! Sessions are the sample, never rows. A series is cut where a sensor was fitted, and where it looks as if one
//! was fitted unannounced: a trend is never drawn across either.

use crate::document::HealthStatus;
use crate::health::Worse;
use crate::signal::{robust, trend as kernel, uncertainty};

use super::record::{Entry, Kind};
use super::replacement::{Suspected, suspect};
use super::series::{self, Series};

/// A trend is refused below this many sessions: with four, no two-sided 5 % trend exists (p is at least 0.083).
pub const LEAST_SESSIONS: usize = 5;
/// Sessions after a fitting that make the sensor's own baseline.
pub(super) const BASELINE_SESSIONS: usize = 5;
/// Spread of sessions is never taken for smaller than this share: joint fits repeat no better (assumed).
pub(super) const SPREAD_FLOOR: f64 = 0.05;
/// Cumulative sum: allowance and limit in spreads; one false alarm in [`SESSIONS_PER_FALSE_ALARM`] sessions one-sided,
/// one spread found in 8.4 (computed by integral equation).
const CUSUM_ALLOWANCE: f64 = 0.5;
const CUSUM_LIMIT: f64 = 4.0;
/// Sessions in which a cumulative sum leaves a stable metric's normal once by chance.
pub const SESSIONS_PER_FALSE_ALARM: f64 = 335.0;
/// Sessions that are compared with each other one by one.
const MOST_COMPARED: usize = 250;
/// Level of one look at the trends of a sensor, over all its metrics.
///
/// People look after every session. At a level of 5 % for each look a stable sensor would be called worse some day of
/// its first 20 sessions in 21 % of all lives; at this one in 4 % (computed by simulation of the test alone).
pub const LEVEL: f64 = 0.008;

/// One session's value.
#[derive(Clone, Debug, PartialEq)]
pub struct Point {
    /// When, ISO 8601.
    pub at: String,
    /// Hours with the engine running since the series began, to the end of the session; the session's number
    /// where the running time is not known.
    pub age: f64,
    /// Value in the metric's unit.
    pub value: f64,
    /// Its 95 % interval, where the session gave one.
    pub interval: Option<(f64, f64)>,
    /// Status the session gave it.
    pub status: HealthStatus,
}

/// The sensor's own normal.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Baseline {
    /// Median of the first sessions.
    pub value: f64,
    /// Robust spread of them, with its floor.
    pub spread: f64,
}

/// When a limit will be reached.
#[derive(Clone, Debug, PartialEq)]
pub enum Forecast {
    /// Not stated, and why.
    Refused(String),
    /// Already reached by the fitted line.
    Reached,
    /// Age units from the last session.
    In {
        /// By the fitted slope.
        age: f64,
        /// By the steepest slope of the interval.
        soonest: f64,
        /// By the flattest; null when that one never gets there.
        latest: Option<f64>,
        /// The same in sessions of average length.
        sessions: f64,
    },
}

/// The life of one metric since the series began.
#[derive(Clone, Debug, PartialEq)]
pub struct MetricTrend {
    /// Name.
    pub metric: String,
    /// `rich_to_lean`, `lean_to_rich`, or null.
    pub direction: Option<String>,
    /// Unit.
    pub unit: String,
    /// Sessions, by time.
    pub points: Vec<Point>,
    /// Sessions whose log rate does not match the latest one's.
    pub left_out: usize,
    /// Sessions in which it was not measurable.
    pub not_measurable: usize,
    /// Own normal; null below three sessions.
    pub baseline: Option<Baseline>,
    /// Value that it must not reach, where there is one.
    pub limit: Option<f64>,
    /// Whether that is the value to act at, a multiple of the baseline; else the one from which to watch.
    pub limit_acts: bool,
    /// Change since the series began as a share of the baseline, with its 95 % interval.
    pub change: Option<(f64, f64, f64)>,
    /// One-sided Mann-Kendall probability in the worsening direction, adjusted by Holm over the metrics; null for too
    /// few sessions and where every session gave the same value.
    pub p: Option<f64>,
    /// First session at which the cumulative sum crossed its limit.
    pub alarm_at: Option<String>,
    /// When the limit will be reached.
    pub forecast: Forecast,
}

impl MetricTrend {
    /// Whether it worsens, at [`LEVEL`] over all metrics.
    pub fn worsens(&self) -> bool {
        self.p.is_some_and(|p| p < LEVEL)
    }

    /// Whether every session gave the same value.
    pub fn unchanged(&self) -> bool {
        self.points.windows(2).all(|pair| pair[0].value.total_cmp(&pair[1].value).is_eq())
    }

    /// Whether the latest session calls for action: by the sensor's own limit, else by the session's own verdict.
    pub fn acts(&self) -> bool {
        self.points.last().is_some_and(|last| match self.limit.filter(|_| self.limit_acts) {
            Some(limit) => last.value > limit,
            None => last.status == HealthStatus::Act,
        })
    }
}

/// The life of one sensor.
#[derive(Clone, Debug, PartialEq)]
pub struct Life {
    /// Serial.
    pub serial: String,
    /// Start of the series: the last fitting, suspected replacement or first session.
    pub since: Option<String>,
    /// Why the series begins there, for people.
    pub since_because: String,
    /// Retirement, where there is one after the last session: when and why.
    pub retired: Option<(String, Option<String>)>,
    /// A change that asks for an answer.
    pub suspected: Option<Suspected>,
    /// Sessions in the series.
    pub sessions: usize,
    /// Log rate that values are compared at, Hz: the latest session's.
    pub rate_hz: Option<f64>,
    /// Whether ages are engine hours (else session numbers).
    pub age_is_hours: bool,
    /// Metrics with at least one value, in the order of `explain`.
    pub metrics: Vec<MetricTrend>,
}

/// The life of a sensor from its entries.
///
/// * `entries`: by time, as the ledger gives them
pub fn life(serial: &str, entries: &[Entry]) -> Life {
    let fitted = entries.iter().rposition(|entry| entry.kind == Kind::Fit);
    let series: Vec<&Entry> =
        entries[fitted.map_or(0, |f| f + 1)..].iter().filter(|e| e.kind == Kind::Session).collect();
    let all = series::of(&series);
    let suspected = suspect(&all);
    let first = suspected.as_ref().map_or(0, |(index, _)| *index);
    let used = &series[first..];
    let ages = Ages::of(used);
    let used_series = if first == 0 { all } else { series::of(used) };
    let mut metrics: Vec<MetricTrend> =
        used_series.into_iter().filter_map(|series| follow(&series, &ages)).collect();
    adjust(&mut metrics);

    let last_session = entries.iter().rposition(|entry| entry.kind == Kind::Session);
    let retired = entries
        .iter()
        .enumerate()
        .rfind(|(index, entry)| entry.kind == Kind::Retire && last_session.is_none_or(|last| *index > last))
        .map(|(_, entry)| (entry.at.clone(), entry.reason.clone()));
    let (since, since_because) = match (&suspected, fitted) {
        (Some((_, change)), _) => {
            (Some(change.at.clone()), "a change that looks like another sensor".to_owned())
        }
        (None, Some(index)) => (Some(entries[index].at.clone()), "it was fitted".to_owned()),
        (None, None) => (used.first().map(|entry| entry.at.clone()), "the first session".to_owned()),
    };
    Life {
        serial: serial.to_owned(),
        since,
        since_because,
        retired,
        suspected: suspected.map(|(_, change)| change),
        sessions: used.len(),
        rate_hz: series::latest_rate_hz(used),
        age_is_hours: ages.are_hours,
        metrics,
    }
}

/// Age at the end of every session.
struct Ages {
    /// Engine hours since the series began, or the session's number.
    at: Vec<f64>,
    are_hours: bool,
}

impl Ages {
    fn of(sessions: &[&Entry]) -> Self {
        let are_hours = !sessions.is_empty() && sessions.iter().all(|e| e.running_s.is_some_and(|s| s > 0.0));
        let grow = |age: &mut f64, entry: &&Entry| {
            *age += if are_hours { entry.running_s.unwrap_or(0.0) / 3_600.0 } else { 1.0 };
            Some(*age)
        };
        Self { at: sessions.iter().scan(0.0, grow).collect(), are_hours }
    }
}

fn follow(series: &Series<'_>, ages: &Ages) -> Option<MetricTrend> {
    let ageing = series.ageing;
    let points: Vec<Point> = series
        .readings
        .iter()
        .map(|reading| Point {
            at: reading.entry.at.clone(),
            age: ages.at.get(reading.session).copied().unwrap_or(0.0),
            value: reading.value,
            interval: reading.metric.low.zip(reading.metric.high),
            status: reading.metric.status,
        })
        .collect();
    let mut limit = series.readings.iter().rev().find_map(|reading| reading.metric.limit);
    let mut limit_acts = false;
    if points.is_empty() {
        return None;
    }
    let (ages, values) = course(&points);
    let baseline = baseline(&points);
    match (ageing.worse, baseline, ageing.act_ratio) {
        (Worse::Up, Some(base), Some(ratio)) => (limit, limit_acts) = (Some(base.value * ratio), true),
        // A limit on both sides is no place that a line leads to.
        (Worse::Either, ..) => limit = None,
        _ => {}
    }
    let enough = points.len() >= LEAST_SESSIONS;
    let slope = kernel::theil_sen(&ages, &values).filter(|_| enough);
    let change = slope.zip(baseline).and_then(|(slope, base)| {
        let span = ages.last()? - ages.first()?;
        let share = |s: f64| s * span / base.value.abs();
        (base.value != 0.0).then_some((share(slope.slope), share(slope.low?), share(slope.high?)))
    });
    Some(MetricTrend {
        metric: series.meta.name.to_owned(),
        direction: series.direction.map(str::to_owned),
        unit: series.meta.unit.to_owned(),
        p: enough.then(|| worsening_p(ageing.worse, &values)).flatten(),
        alarm_at: alarm(ageing.worse, &points, baseline),
        forecast: forecast(&points, slope, limit, baseline),
        points,
        left_out: series.left_out,
        not_measurable: series.not_measurable,
        baseline,
        limit,
        limit_acts,
        change,
    })
}

/// Ages and values that a slope and a test of order are drawn through; both compare every pair, so that of a long life
/// neighbouring sessions stand together as their medians.
fn course(points: &[Point]) -> (Vec<f64>, Vec<f64>) {
    let group = points.len().div_ceil(MOST_COMPARED).max(1);
    let middle = |value: fn(&Point) -> f64| {
        points
            .chunks(group)
            .filter_map(|chunk| robust::median(&chunk.iter().map(value).collect::<Vec<_>>()))
            .collect()
    };
    (middle(|point| point.age), middle(|point| point.value))
}

/// The spread is never taken for smaller than what one session's own interval leaves open.
fn baseline(points: &[Point]) -> Option<Baseline> {
    let first = &points[..points.len().min(BASELINE_SESSIONS)];
    if first.len() < 3 {
        return None;
    }
    let values: Vec<f64> = first.iter().map(|point| point.value).collect();
    let widths: Vec<f64> = first.iter().filter_map(|p| p.interval).map(|(low, high)| high - low).collect();
    let own =
        robust::median(&widths).unwrap_or(0.0) / (2.0 * uncertainty::coverage_factor(0.95, f64::INFINITY));
    let value = robust::median(&values)?;
    let (_, spread) = robust::centre_and_spread(&values, own.max(SPREAD_FLOOR * value.abs()))?;
    Some(Baseline { value, spread })
}

/// One-sided in the worsening direction; twice the smaller side where either way is worse.
///
/// * returns null where all values are the same: there is nothing to test, and a test that cannot find anything must
///   not make the others pay
fn worsening_p(worse: Worse, values: &[f64]) -> Option<f64> {
    let test = kernel::mann_kendall(values).filter(|test| test.variance > 0.0)?;
    // The kernel's probability is one-sided in the direction that the values took.
    let against = 1.0 - test.p;
    Some(match (worse, test.s.signum()) {
        (Worse::Either, _) => (2.0 * test.p).min(1.0),
        (Worse::Up, 1) => test.p,
        (Worse::Up, -1) => against,
        _ => 0.5,
    })
}

/// First session at which the cumulative sum leaves the normal of the sessions before it.
///
/// Five sessions tell a normal and a spread so badly that a sum against them alone leaves its limit in a third of all
/// stable lives of 20 sessions. Each session is therefore held against all before it, the first five at least, and its
/// distance, Student's with their number, is turned into a normal deviate: then the limits of a known normal hold.
///
/// # Source
/// Self-starting cumulative sum: Hawkins, 1987 (from memory; false alarms simulated in the tests).
fn alarm(worse: Worse, points: &[Point], baseline: Option<Baseline>) -> Option<String> {
    let floor = SPREAD_FLOOR * baseline?.value.abs();
    let mut scaled = Vec::with_capacity(points.len());
    // Mean and sum of squares of the sessions before, carried on (Welford, 1962, from memory).
    let (mut mean, mut squares) = (0.0, 0.0);
    for (index, point) in points.iter().enumerate() {
        let count = index as f64;
        let away = point.value - mean;
        if index >= BASELINE_SESSIONS {
            let spread = f64::sqrt(squares / (count - 1.0)).max(floor);
            let distance = away / (spread * (1.0 + 1.0 / count).sqrt());
            // A reading that never moves, such as no stale frame ever, has no spread to be held against.
            scaled.push(if away == 0.0 { 0.0 } else { uncertainty::normal_deviate(distance, count - 1.0) });
        }
        mean += away / (count + 1.0);
        squares += away * (point.value - mean);
    }
    kernel::cusum(&scaled, 0.0, CUSUM_ALLOWANCE)
        .iter()
        .position(|(above, below)| match worse {
            Worse::Up => *above > CUSUM_LIMIT,
            Worse::Either => above.max(*below) > CUSUM_LIMIT,
        })
        .map(|index| points[BASELINE_SESSIONS + index].at.clone())
}

fn adjust(metrics: &mut [MetricTrend]) {
    let tested: Vec<usize> = (0..metrics.len()).filter(|index| metrics[*index].p.is_some()).collect();
    let raw: Vec<f64> = tested.iter().filter_map(|index| metrics[*index].p).collect();
    for (index, p) in tested.into_iter().zip(kernel::holm(&raw)) {
        metrics[index].p = Some(p);
        if p >= LEVEL && matches!(metrics[index].forecast, Forecast::In { .. }) {
            metrics[index].forecast =
                Forecast::Refused("no trend stands out from the spread of the sessions".to_owned());
        }
    }
}

fn forecast(
    points: &[Point],
    slope: Option<kernel::Slope>,
    limit: Option<f64>,
    base: Option<Baseline>,
) -> Forecast {
    let refused = |why: &str| Forecast::Refused(why.to_owned());
    let Some(limit) = limit else { return refused("the metric has no limit of its own") };
    let (Some(slope), Some(base), Some(last)) = (slope, base, points.last()) else {
        let missing = LEAST_SESSIONS.saturating_sub(points.len());
        return Forecast::Refused(format!(
            "{missing} more session{} needed before a trend is drawn",
            if missing == 1 { " is" } else { "s are" }
        ));
    };
    let now = slope.slope.mul_add(last.age, slope.intercept);
    let upwards = limit >= base.value;
    if (upwards && now >= limit) || (!upwards && now <= limit) {
        return Forecast::Reached;
    }
    let time_to = |s: f64| Some((limit - now) / s).filter(|age| age.is_finite() && *age > 0.0);
    let Some(age) = time_to(slope.slope) else {
        return refused("the fitted line does not lead to the limit");
    };
    let ends = [slope.low, slope.high].map(|s| s.and_then(time_to));
    let soonest = ends.iter().flatten().copied().fold(age, f64::min);
    let latest =
        ends.iter().copied().collect::<Option<Vec<f64>>>().map(|both| both.into_iter().fold(age, f64::max));
    let mean_session = points.first().map_or(1.0, |first| {
        let steps = (points.len() - 1).max(1) as f64;
        ((last.age - first.age) / steps).max(f64::MIN_POSITIVE)
    });
    Forecast::In { age, soonest, latest, sessions: age / mean_session }
}

#[cfg(test)]
mod tests {
    use super::super::record::tests::session;
    use super::*;
    use crate::document::HealthMetric;
    use crate::simulate::Stream;

    /// Sessions of one sensor: time constants with 10 % spread (lean-event physics: 5 to 10 events a session),
    /// growing to `factor` over the series.
    fn series(seed: u64, count: u32, factor: f64) -> Vec<Entry> {
        let random = Stream::new(seed, "sessions");
        (0..count)
            .map(|day| {
                let growth = 1.0 + (factor - 1.0) * f64::from(day) / f64::from(count - 1);
                session(day, 0.08 * growth * (0.1 * random.normal(u64::from(day))).exp())
            })
            .collect()
    }

    fn response(life: &Life) -> &MetricTrend {
        life.metrics.iter().find(|m| m.metric == "time_constant").expect("a followed metric")
    }

    /// The same with what else a session measures: both directions and seven metrics that stay as they are.
    fn whole_series(seed: u64, count: u32, factor: f64) -> Vec<Entry> {
        let mut entries = series(seed, count, factor);
        let names =
            ["lean_to_rich", "dead_time", "noise", "warm_up_time", "supply_drop", "lambda_one", "free_air"];
        for (day, entry) in entries.iter_mut().enumerate() {
            let first = entry.metrics[0].clone();
            entry.metrics.truncate(1);
            for name in names {
                let value = 0.05 * (0.1 * Stream::new(seed, name).normal(day as u64)).exp();
                let (metric, direction) = match name {
                    "lean_to_rich" => ("time_constant", Some(name.to_owned())),
                    other => (other, None),
                };
                entry.metrics.push(HealthMetric {
                    metric: metric.to_owned(),
                    direction,
                    value: Some(value),
                    low: Some(value),
                    high: Some(value),
                    ..first.clone()
                });
            }
        }
        entries
    }

    #[test]
    fn a_reading_that_never_moved_alarms_when_it_does_and_not_before() {
        let alarm_of = |values: &[f64]| {
            let mut life = life("A", &series(1, 10, 1.0));
            let mut points = life.metrics.remove(0).points;
            points.iter_mut().zip(values).for_each(|(point, value)| point.value = *value);
            alarm(Worse::Up, &points, Some(Baseline { value: 0.0, spread: 0.0 }))
        };
        let mut values = [0.0; 10];
        assert_eq!(alarm_of(&values), None);
        values[8] = 0.2;
        assert!(alarm_of(&values).is_some());
    }

    #[test]
    fn a_slow_down_is_found_and_a_stable_sensor_left_alone() {
        // Seeds 1000..1400: not used anywhere to choose a constant. Goals: 85 % and 5 %.
        for make in [series, whole_series] {
            let found = (1_000..1_400)
                .filter(|seed| {
                    let life = life("A", &make(*seed, 20, 1.5));
                    life.metrics.iter().any(|m| m.direction.as_deref() != Some("lean_to_rich") && m.worsens())
                })
                .count();
            assert!(found >= 340, "{found} of 400 slow-downs found");
            let called = (1_000..1_400)
                .filter(|seed| life("A", &make(*seed, 20, 1.0)).metrics.iter().any(MetricTrend::worsens))
                .count();
            assert!(called <= 20, "{called} of 400 stable series called worse");
        }
    }

    #[test]
    fn a_stable_sensor_that_is_looked_at_after_every_session_is_left_alone_for_twenty() {
        let called = |make: fn(u64, u32, f64) -> Vec<Entry>| {
            (2_000..2_400)
                .filter(|seed| {
                    let entries = make(*seed, 20, 1.0);
                    (LEAST_SESSIONS..=20)
                        .any(|n| life("A", &entries[..n]).metrics.iter().any(MetricTrend::worsens))
                })
                .count()
        };
        for make in [series, whole_series] {
            assert!(called(make) <= 20, "{} of 400", called(make));
        }
    }

    #[test]
    fn the_cumulative_sum_keeps_its_promise_although_its_normal_is_learnt() {
        let alarms = |factor: f64| {
            (4_000..4_400)
                .filter(|seed| response(&life("A", &series(*seed, 20, factor))).alarm_at.is_some())
                .count()
        };
        // One in 335 sessions: of 15 sessions in 400 lives 18, and seldom more than 28.
        assert!(alarms(1.0) <= 28, "{} of 400 stable series", alarms(1.0));
        assert!(alarms(1.5) >= 360, "{} of 400 slow-downs", alarms(1.5));
    }

    #[test]
    fn an_unannounced_replacement_splits_the_series_and_asks() {
        let split = (12_000..12_200)
            .filter(|seed| {
                let mut entries = series(*seed, 12, 1.8);
                for (day, entry) in series(*seed + 5_000, 2, 1.0).into_iter().enumerate() {
                    entries.push(Entry { at: format!("2026-09-{:02}", day + 1), ..entry });
                }
                let life = life("A", &entries);
                life.suspected.is_some_and(|change| change.at == "2026-09-01") && life.sessions == 2
            })
            .count();
        assert!(split >= 180, "{split} of 200 replacements found within two sessions");
        let invented = (3_000..3_400).filter(|s| life("A", &series(*s, 20, 1.0)).suspected.is_some()).count();
        assert!(invented <= 20, "{invented} of 400 stable series split");
    }

    #[test]
    fn an_announced_fitting_starts_the_series_anew() {
        let mut entries = series(1, 8, 2.0);
        entries.push(Entry::event(Kind::Fit, "A", "2026-08-01".to_owned(), None));
        entries.extend(series(2, 6, 1.0).into_iter().map(|e| Entry { at: "2026-08-02".to_owned(), ..e }));
        let life = life("A", &entries);
        assert_eq!((life.sessions, life.since.as_deref()), (6, Some("2026-08-01")));
        assert!(!response(&life).worsens());
    }

    #[test]
    fn below_five_sessions_values_are_shown_and_no_trend_is_drawn() {
        let life = life("A", &series(3, 4, 3.0));
        let metric = response(&life);
        assert_eq!((metric.points.len(), metric.p, metric.change), (4, None, None));
        assert_eq!(
            metric.forecast,
            Forecast::Refused("1 more session is needed before a trend is drawn".to_owned())
        );
    }

    #[test]
    fn the_forecast_of_a_straight_line_is_its_crossing() {
        let mut entries = series(4, 10, 1.0);
        for (index, entry) in entries.iter_mut().enumerate() {
            // 1 ms per half-hour session: baseline 82 ms (the third of the first five), limit 164 ms.
            entry.metrics[0].value = Some(0.080 + 0.001 * index as f64);
        }
        let life = life("A", &entries);
        let Forecast::In { age, sessions, .. } = response(&life).forecast else { panic!("a forecast") };
        // From 89 ms to 164 ms at 2 ms per hour.
        assert!((age - 37.5).abs() < 1e-6, "{age}");
        assert!((sessions - 75.0).abs() < 1e-6, "{sessions}");
    }

    #[test]
    fn sessions_at_another_log_rate_are_left_out_and_counted() {
        let mut entries = series(5, 8, 1.0);
        for entry in &mut entries[..2] {
            entry.rate_hz = Some(10.0);
        }
        let life = life("A", &entries);
        assert_eq!((response(&life).points.len(), response(&life).left_out), (6, 2));
    }
}
