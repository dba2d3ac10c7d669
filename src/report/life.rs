//! The life of a sensor for people: one small chart and one sentence per metric.

use anstyle::Style;

use super::page::{Page, STRONG};
use super::terminal::LABEL;
use super::words;
use crate::document::{HealthStatus, HistoryPoint, MetricHistory, SensorHistory};
use crate::ledger::{Entry, Forecast, Kind, LEAST_SESSIONS, Life, MetricTrend, SESSIONS_PER_FALSE_ALARM};
use crate::rig::Past;

/// One line of the list of sensors.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sensor {
    /// Serial.
    pub serial: String,
    /// Sessions in the ledger.
    pub sessions: usize,
    /// First and last session.
    pub span: Option<(String, String)>,
    /// Machine of the last session.
    pub rig: Option<String>,
}

impl Sensor {
    /// The line of a sensor's entries.
    pub fn of(serial: &str, entries: &[Entry]) -> Self {
        let sessions: Vec<&Entry> = entries.iter().filter(|e| e.kind == Kind::Session).collect();
        Self {
            serial: serial.to_owned(),
            sessions: sessions.len(),
            span: sessions.first().zip(sessions.last()).map(|(a, b)| (day(&a.at), day(&b.at))),
            rig: sessions.last().and_then(|entry| entry.rig.clone()),
        }
    }
}

pub(crate) fn day(at: &str) -> String {
    at.get(..10).unwrap_or(at).to_owned()
}

/// What a sensor's earlier sessions tell, for the audit document of its next log.
///
/// * `past`: what the audit took from them
pub fn history(life: &Life, past: &Past) -> SensorHistory {
    SensorHistory {
        serial: life.serial.clone(),
        sessions: life.sessions as u64,
        since: life.since.clone(),
        answer: answer(life),
        used: taken(past),
        metrics: life
            .metrics
            .iter()
            .map(|metric| MetricHistory {
                metric: metric.metric.clone(),
                direction: metric.direction.clone(),
                unit: metric.unit.clone(),
                points: metric
                    .points
                    .iter()
                    .map(|point| HistoryPoint {
                        at: point.at.clone(),
                        value: point.value,
                        low: point.interval.map(|(low, _)| low),
                        high: point.interval.map(|(_, high)| high),
                        status: point.status,
                    })
                    .collect(),
                limit: metric.limit,
                worsens: metric.worsens(),
                sentence: sentence(life, metric),
            })
            .collect(),
    }
}

/// What an audit takes from the history, for people.
fn taken(past: &Past) -> Vec<String> {
    let mut used = Vec::new();
    let directions = [("rich to lean", past.rich_to_lean), ("lean to rich", past.lean_to_rich)];
    for (direction, habit) in directions.iter().filter_map(|(d, habit)| Some((d, (*habit)?))) {
        used.push(format!(
            "Response {direction}: {:.0} ms over its latest sessions is believed before this log's own steps are looked \
             at, and the {:.0} ms of its first sessions are its healthy value ({}).",
            1e3 * habit.now,
            1e3 * habit.normal,
            words::count(habit.sessions, "session")
        ));
    }
    if past.rich_to_lean.is_none() && past.lean_to_rich.is_none() {
        used.push(
            "No time constant is taken from it: fewer than 3 sessions measured one at this log's rate."
                .to_owned(),
        );
    }
    if let Some(habit) = past.lambda_one {
        used.push(format!(
            "Bias: it read {:+.3} from 1 where the engine runs at lambda 1 ({}); the intervals of claims about lambda \
             hold that much more.",
            habit.now,
            words::count(habit.sessions, "session")
        ));
    }
    if let Some(habit) = past.free_air {
        used.push(format!(
            "Gain: it read {:.3} of free air ({}); the intervals of claims about lambda hold that error.",
            habit.now,
            words::count(habit.sessions, "session")
        ));
    }
    used
}

/// The history of a document: what was taken from it, then a chart and a sentence for what gets worse.
pub(super) fn render_history(page: &mut Page, history: &SensorHistory) {
    let of = format!("Sensor {}: {}", history.serial, history.answer);
    page.labelled(2, "history", LABEL, &of, Style::new());
    for text in &history.used {
        page.labelled(2, "", LABEL, text, Style::new());
    }
    for metric in history.metrics.iter().filter(|metric| metric.worsens) {
        let values: Vec<f64> = metric.points.iter().map(|point| point.value).collect();
        let text = format!(
            "{}: {} {}",
            called(&metric.metric, metric.direction.as_deref()),
            chart(&values, metric.limit),
            metric.sentence
        );
        page.labelled(2, "", LABEL, &text, Style::new());
    }
}

/// All sensors of a ledger.
pub fn render_sensors(sensors: &[Sensor], width: usize) -> String {
    let mut page = Page::new(width);
    if sensors.is_empty() {
        page.paragraph(
            0,
            "The ledger is empty. `sondeproof ledger add LOG --rig RIG` adds the sensor health of a log.",
        );
        return page.finish();
    }
    let rows: Vec<Vec<String>> = sensors
        .iter()
        .map(|sensor| {
            let (first, last) = sensor.span.clone().unwrap_or_else(|| ("-".to_owned(), "-".to_owned()));
            let rig = sensor.rig.clone().unwrap_or_else(|| "-".to_owned());
            vec![sensor.serial.clone(), sensor.sessions.to_string(), first, last, rig]
        })
        .collect();
    page.table(0, &["sensor", "sessions", "first", "last", "machine"], &[false, true], &rows);
    page.finish()
}

/// Every entry of one sensor.
pub fn render_entries(serial: &str, entries: &[Entry], width: usize) -> String {
    let mut page = Page::new(width);
    page.heading(&format!("Sensor {serial}"));
    let rows: Vec<Vec<String>> = entries
        .iter()
        .map(|entry| {
            let told = match entry.kind {
                Kind::Session => {
                    let count =
                        |status: HealthStatus| entry.metrics.iter().filter(|m| m.status == status).count();
                    let measured = entry.metrics.len() - count(HealthStatus::NotMeasurable);
                    format!(
                        "{} measured, {} to watch, {} to act on",
                        words::count(measured, "metric"),
                        count(HealthStatus::Watch),
                        count(HealthStatus::Act)
                    )
                }
                Kind::Fit => "put in".to_owned(),
                Kind::Retire => {
                    entry.reason.clone().map_or_else(|| "taken out".to_owned(), |r| format!("taken out: {r}"))
                }
            };
            vec![entry.at.clone(), entry.kind.name().to_owned(), entry.log.clone(), told]
        })
        .collect();
    page.table(0, &["when", "entry", "log", "what it tells"], &[], &rows);
    page.finish()
}

/// The life of one sensor: answer first, then a chart and a sentence per metric.
pub fn render(life: &Life, width: usize) -> String {
    let mut page = Page::new(width);
    page.heading(&format!("Sensor {}", life.serial));
    page.paragraph(0, &answer(life));
    if let Some(change) = &life.suspected {
        page.gap();
        let number = |v: f64| with_unit(&words::number(v, None, None), &change.unit);
        page.paragraph(
            0,
            &format!(
                "Was another sensor put in before {}? The {} went from {} to {} and stayed there. Only sessions \
                 since then are used. If so, say it: `sondeproof ledger fit {} --date {}`, and give the new sensor a \
                 serial of its own from now on.",
                day(&change.at),
                words::plain(&change.metric),
                number(change.from),
                number(change.to),
                life.serial,
                day(&change.at),
            ),
        );
    }
    // What gets worse stands first.
    let (worse, quiet): (Vec<&MetricTrend>, Vec<&MetricTrend>) =
        life.metrics.iter().partition(|metric| metric.worsens() || metric.acts());
    for metric in worse.into_iter().chain(quiet) {
        page.gap();
        render_metric(&mut page, life, metric);
    }
    page.gap();
    page.paragraph(0, &sharpen(life));
    page.finish()
}

pub(crate) fn answer(life: &Life) -> String {
    let since = life.since.as_deref().map_or_else(|| "the first session".to_owned(), day);
    let sessions = match life.sessions {
        0 => "None".to_owned(),
        count => words::count(count, "session"),
    };
    // The sensor's own first sessions outrank the limit for a sensor of unknown make.
    let names =
        |metrics: Vec<&MetricTrend>| words::list(&metrics.iter().map(|m| name(m)).collect::<Vec<_>>(), 4);
    let acting: Vec<&MetricTrend> =
        life.metrics.iter().filter(|m| m.acts() || m.worsens() && m.forecast == Forecast::Reached).collect();
    let worse: Vec<&MetricTrend> = life.metrics.iter().filter(|m| m.worsens()).collect();
    let retired = life.retired.as_ref().map_or_else(String::new, |(at, because)| {
        let why = because.as_ref().map_or_else(String::new, |b| format!(" ({b})"));
        format!(" It was taken out on {at}{why}.")
    });
    let verdict = if life.sessions == 0 {
        "No session yet.".to_owned()
    } else if !acting.is_empty() {
        format!("Act: {} past its limit.", names(acting))
    } else if !worse.is_empty() {
        format!("Getting worse: {}.", names(worse))
    } else if life.sessions < LEAST_SESSIONS {
        format!("Too few sessions for a trend (at least {LEAST_SESSIONS}); values only.")
    } else {
        "No metric gets worse beyond what chance explains.".to_owned()
    };
    format!("{verdict} {sessions} since {since} ({}).{retired}", life.since_because)
}

pub(crate) fn name(metric: &MetricTrend) -> String {
    called(&metric.metric, metric.direction.as_deref())
}

pub(super) fn called(metric: &str, direction: Option<&str>) -> String {
    match direction {
        Some(direction) => format!("{}, {}", words::plain(metric), words::plain(direction)),
        None => words::plain(metric),
    }
}

fn with_unit(number: &str, unit: &str) -> String {
    if unit.is_empty() { number.to_owned() } else { format!("{number} {unit}") }
}

fn render_metric(page: &mut Page, life: &Life, metric: &MetricTrend) {
    let number = |value: f64| with_unit(&words::number(value, None, None), &metric.unit);
    page.labelled(0, &name(metric), 0, "", STRONG);
    let (Some(first), Some(last)) = (metric.points.first(), metric.points.last()) else { return };
    let values: Vec<f64> = metric.points.iter().map(|point| point.value).collect();
    page.labelled(
        2,
        &chart(&values, metric.limit),
        0,
        &format!("{} to {}", number(first.value), number(last.value)),
        Style::new(),
    );
    let said = sentence(life, metric);
    if !said.is_empty() {
        page.paragraph(2, &said);
    }
    let mut aside = Vec::new();
    let past: Vec<String> = metric
        .points
        .iter()
        .filter(|point| metric.limit.is_some_and(|limit| point.value > limit))
        .map(|point| day(&point.at))
        .collect();
    if let (Some(limit), false) = (metric.limit, past.is_empty()) {
        aside.push(format!("! past its limit of {}: {}", number(limit), words::list(&past, 3)));
    }
    if let Some(at) = &metric.alarm_at {
        let chance = if metric.worsens() {
            String::new()
        } else {
            format!("; by chance that happens about once in {SESSIONS_PER_FALSE_ALARM:.0} sessions")
        };
        aside.push(format!("left what its sessions before were like at {}{chance}", day(at)));
    }
    if metric.left_out > 0 {
        aside.push(format!("{} at another log rate left out", words::count(metric.left_out, "session")));
    }
    if metric.not_measurable > 0 {
        aside.push(format!("not measurable in {}", words::count(metric.not_measurable, "session")));
    }
    if !aside.is_empty() {
        page.paragraph(2, &format!("({})", aside.join("; ")));
    }
}

/// The sentence that matters.
pub(crate) fn sentence(life: &Life, metric: &MetricTrend) -> String {
    let number = |value: f64| with_unit(&words::number(value, None, None), &metric.unit);
    let span = |age: f64| span(age, life.age_is_hours);
    let because = if life.suspected.is_some() { "the change" } else { "the series began" };
    let since = if life.since_because == "it was fitted" { "it was fitted" } else { because };
    let mut text = match metric.change {
        Some((change, low, high)) if metric.worsens() => {
            let (low, high) = if change >= 0.0 { (low, high) } else { (-high, -low) };
            format!(
                "{} {:.0} % since {since}, 95 % interval {:.0} to {:.0} (p {:.3} over all metrics).",
                way(metric, change),
                change.abs() * 100.0,
                low * 100.0,
                high * 100.0,
                metric.p.unwrap_or(1.0).max(0.001),
            )
        }
        Some(_) if metric.unchanged() => return "The same in every session.".to_owned(),
        Some((change, low, high)) => format!(
            "No trend beyond chance: {:+.0} % since {since}, 95 % interval {:+.0} to {:+.0}.",
            change * 100.0,
            low * 100.0,
            high * 100.0
        ),
        None if metric.unchanged() && metric.points.len() >= LEAST_SESSIONS => {
            return "The same in every session.".to_owned();
        }
        None => String::new(),
    };
    let limit = metric.limit.map(number).unwrap_or_default();
    let forecast = match &metric.forecast {
        // Below five sessions the answer on top says what is missing, once.
        Forecast::Refused(why) if metric.change.is_none() && life.sessions >= LEAST_SESSIONS => {
            format!("No forecast: {why}.")
        }
        Forecast::Refused(_) => String::new(),
        Forecast::Reached => {
            format!("The fitted line is past its limit of {limit}: {} now.", what_to_do(metric))
        }
        Forecast::In { age, soonest, latest, sessions } => {
            let latest = latest.map_or_else(|| "open".to_owned(), span);
            if *sessions < 1.0 {
                return format!(
                    "{text} {} before the next session: the limit is {limit}.",
                    capital(what_to_do(metric))
                )
                .trim_start()
                .to_owned();
            }
            let sessions =
                if life.age_is_hours { format!(", or {sessions:.0} sessions") } else { String::new() };
            format!(
                "{} before about {} more (95 % interval {} to {latest}{sessions}): the limit is {limit}.",
                capital(what_to_do(metric)),
                span(*age),
                span(*soonest)
            )
        }
    };
    if !forecast.is_empty() {
        if !text.is_empty() {
            text.push(' ');
        }
        text.push_str(&forecast);
    }
    text
}

/// How a metric moved, as the subject and verb of a sentence.
fn way(metric: &MetricTrend, change: f64) -> String {
    let direction =
        metric.direction.as_deref().map_or_else(String::new, |d| format!("{} ", d.replace('_', "-")));
    let (what, up, down) = match metric.metric.as_str() {
        "time_constant" => ("response", "slowed", "quickened"),
        "dead_time" => ("delay", "grown", "shrunk"),
        _ => return format!("Has {}", if change >= 0.0 { "risen" } else { "fallen" }),
    };
    format!("The {direction}{what} has {}", if change >= 0.0 { up } else { down })
}

/// What a limit asks for.
const fn what_to_do(metric: &MetricTrend) -> &'static str {
    if metric.limit_acts { "act" } else { "look into it" }
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// Engine time or sessions with the digits that help.
fn span(age: f64, is_hours: bool) -> String {
    let digits = |number: f64| if number < 10.0 { format!("{number:.1}") } else { format!("{number:.0}") };
    match is_hours {
        true if age < 1.0 => format!("{:.0} engine minutes", age * 60.0),
        true => format!("{} engine hours", digits(age)),
        false => format!("{} sessions", digits(age)),
    }
}

/// What would tell more.
pub(crate) fn sharpen(life: &Life) -> String {
    let missing = LEAST_SESSIONS.saturating_sub(life.sessions);
    if missing > 0 {
        return format!(
            "What would tell more: {} at the same log rate, each with several long lifts from speed in \
            gear, so that fuel is cut and comes back.",
            words::count(missing, "more session")
        );
    }
    "What would tell more: the same log rate every time, and in each session several long lifts from speed in gear \
     (fuel cut and back) with the engine warm."
        .to_owned()
}

const BLOCKS: [char; 8] = ['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
/// More points than this are drawn as the largest of neighbouring ones: a limit crossed once must stay visible.
const CHART_WIDTH: usize = 40;

/// A row of blocks from the smallest to the largest value; a session past the limit is followed by `!`.
fn chart(values: &[f64], limit: Option<f64>) -> String {
    let step = values.len().div_ceil(CHART_WIDTH).max(1);
    let drawn: Vec<f64> =
        values.chunks(step).map(|c| c.iter().copied().fold(f64::NEG_INFINITY, f64::max)).collect();
    let low = drawn.iter().copied().fold(f64::INFINITY, f64::min);
    let high = drawn.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let mut text = String::new();
    for value in drawn {
        let share = if high > low { (value - low) / (high - low) } else { 0.0 };
        text.push(BLOCKS[((share * 7.0).round() as usize).min(7)]);
        if limit.is_some_and(|limit| value > limit) {
            text.push('!');
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_chart_shows_the_course_and_marks_what_is_past_the_limit() {
        assert_eq!(chart(&[1.0, 2.0, 3.0], Some(2.5)), "▁▅█!");
        assert_eq!(chart(&[1.0, 1.0], None), "▁▁");
        let many: Vec<f64> = (0..200).map(f64::from).collect();
        assert_eq!(chart(&many, None).chars().count(), 40);
    }

    #[test]
    fn an_empty_ledger_says_how_to_begin() {
        assert!(render_sensors(&[], 80).contains("ledger add LOG"));
    }
}
