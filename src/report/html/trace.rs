//! Charts over the whole log: one small area per channel on a common time axis, and the flags of every channel.

use std::borrow::Cow;
use std::collections::BTreeSet;
use std::fmt;
use std::ops::Range;
use std::sync::Arc;

use super::chart::{
    COARSE, COLUMNS, Frame, HEIGHT, Markup, Series, WIDTH, boxes, escape, grid, path, thin, ticks,
    time_scale, time_ticks, value_scale,
};
use crate::detect::Detection;
use crate::document::{Audit, LeanEvent, TreatAs};
use crate::flag::{Flag, Flags};
use crate::log::{Log, Role};

/// Roles that a reader of an engine log asks for first, in the order of the page.
pub(super) const FIRST: &[Role] = &[
    Role::Lambda,
    Role::Afr,
    Role::LambdaTarget,
    Role::EngineSpeed,
    Role::ManifoldPressure,
    Role::BoostPressure,
    Role::Throttle,
    Role::Pedal,
    Role::SupplyVoltage,
    Role::BatteryVoltage,
    Role::FuelPressure,
    Role::InjectorDuty,
    Role::InjectorPulseWidth,
];

/// Height of a trace on the page, px.
const TALL: u32 = 92;
/// Width below which a marked span could not be seen, units.
const LEAST: f64 = 2.0;

/// What the charts of one log share.
struct Shared<'a> {
    log: &'a Log,
    detection: &'a Detection,
    breaks: Vec<usize>,
    /// The lean events, at the same places in every chart.
    spans: String,
}

/// A chart that is drawn where it is written: those of hundreds of channels, side by side, take more than their log.
pub(super) struct Area<'a> {
    shared: Arc<Shared<'a>>,
    /// Index of the channel.
    channel: usize,
    frame: Frame,
    marks: Vec<f64>,
    /// Lowest to highest, in words.
    range: String,
}

impl askama::filters::HtmlSafe for Area<'_> {}

/// One channel over the whole log.
pub(super) struct Panel<'a> {
    /// Index of the channel.
    pub channel: usize,
    /// Its name.
    pub name: String,
    /// Role and unit.
    pub what: String,
    /// Lowest to highest, in words.
    pub range: String,
    /// Axis labels.
    pub scale: Markup,
    /// The chart.
    pub area: Area<'a>,
    /// Whether the page carries the samples themselves.
    pub sampled: bool,
    /// Edges of the chart, unit of the log.
    pub frame: Frame,
}

/// Channels that are drawn (assumed: cars log hundreds, and nobody scrolls through thousands of charts of 4 kB).
const DRAWN_MOST: usize = 512;

/// Channels with values.
pub(super) struct Panels<'a> {
    /// Asked for first.
    pub first: Vec<Panel<'a>>,
    /// All others.
    pub others: Vec<Panel<'a>>,
    /// How many more there are than are drawn.
    pub undrawn: usize,
    /// How many are not drawn because their values may tell a place.
    pub withheld: usize,
}

/// Every channel with values, up to a limit.
pub(super) fn panels<'a>(log: &'a Log, detection: &'a Detection, audit: &Audit) -> Panels<'a> {
    let mut order = order(log);
    let undrawn = order.len().saturating_sub(DRAWN_MOST);
    order.truncate(DRAWN_MOST);
    let all = order.len();
    order.retain(|(_, index)| !log.channels[*index].withheld);
    let withheld = all - order.len();
    let (first, others) = order.split_at(order.partition_point(|(place, _)| *place < FIRST.len()));
    let along = Frame::around(0.0, log.clock.duration_s(), 0.0, 1.0);
    let spans = spans(&audit.lean_events, &along);
    let shared = Arc::new(Shared { log, detection, breaks: breaks(log), spans });
    let drawn = |order: &[(usize, usize)]| order.iter().map(|(_, index)| panel(&shared, *index)).collect();
    Panels { first: drawn(first), others: drawn(others), undrawn, withheld }
}

/// Channels with values as they are drawn: place of the role and index.
fn order(log: &Log) -> Vec<(usize, usize)> {
    let with_values = log.channels.iter().enumerate().filter(|(_, channel)| channel.count() > 0);
    let place = |role: &Role| FIRST.iter().position(|first| first == role).unwrap_or(FIRST.len());
    let mut order: Vec<(usize, usize)> =
        with_values.map(|(index, channel)| (place(&channel.role), index)).collect();
    order.sort_unstable();
    order
}

/// First rows after a gap or restart.
pub(super) fn breaks(log: &Log) -> Vec<usize> {
    log.clock.segments.iter().map(|rows| rows.start).filter(|row| *row > 0).collect()
}

/// A channel's values in some rows, in the log's own unit; NaN where there is none.
pub(super) fn logged(log: &Log, index: usize, rows: Range<usize>) -> Cow<'_, [f64]> {
    let Some(channel) = log.channels.get(index) else { return Cow::default() };
    let mut values = channel.part(rows);
    if !channel.is_logged_inside() {
        for value in values.to_mut() {
            *value = channel.logged(*value);
        }
    }
    values
}

fn panel<'a>(shared: &Arc<Shared<'a>>, index: usize) -> Panel<'a> {
    let log = shared.log;
    let channel = &log.channels[index];
    let (low, high) = range(&logged(log, index, 0..log.rows()));
    let frame = Frame::around(0.0, log.clock.duration_s(), low, high);
    let marks = ticks(frame.low, frame.high, 4);
    let words = format!("{} to {}", short(low), short(high));
    Panel {
        channel: index,
        name: channel.name.clone(),
        what: match channel.unit.symbol {
            "" | "1" => channel.role.label().to_owned(),
            unit => format!("{}, {unit}", channel.role.label()),
        },
        scale: value_scale(&frame, &marks, TALL),
        area: Area { shared: Arc::clone(shared), channel: index, frame, marks, range: words.clone() },
        range: words,
        sampled: false,
        frame,
    }
}

impl fmt::Display for Area<'_> {
    fn fmt(&self, to: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { shared, channel: index, frame, marks, range } = self;
        let (log, time_s) = (shared.log, &shared.log.clock.time_s);
        let channel = &log.channels[*index];
        let value = logged(log, *index, 0..log.rows());
        let unit = escape(channel.unit.symbol);
        let series = Series { time_s, value: &value, first: 0, breaks: &shared.breaks };
        let columns = if FIRST.contains(&channel.role) { COLUMNS } else { COARSE };
        let runs = thin(series, 0..value.len(), frame, columns, |row| channel.missing(row));
        write!(
            to,
            "<svg class=\"plot\" width=\"100%\" height=\"{TALL}\" role=\"img\" data-channel=\"{index}\" data-unit=\"{unit}\" \
             aria-label=\"Trace of {}, {range} {unit}\">\
             <svg class=\"area\" viewBox=\"0 0 1000 100\" preserveAspectRatio=\"none\" width=\"100%\" height=\"100%\">{}\
             <path class=\"grid upright\" d=\"\"/><g class=\"spans\">{}</g><path class=\"trace\" d=\"{}\"/>",
            escape(&channel.name),
            grid(frame, marks, &time_ticks(frame.start_s, frame.end_s, 6)),
            shared.spans,
            path(&runs)
        )?;
        let flags = shared.detection.flags.get(*index).map_or(Cow::default(), Flags::all);
        for (class, [top, bottom], flag) in RUGS {
            let runs = flag_runs(time_s, &flags, frame, |f| f == flag);
            let rug = boxes(runs.into_iter().map(|[l, r]| [l, top, r, bottom]));
            write!(to, "<path class=\"rug {class}\" d=\"{rug}\"/>")?;
        }
        to.write_str("</svg></svg>")
    }
}

/// Where flags stand at the foot of a trace: height says which, beside colour and pattern.
const RUGS: [(&str, [f64; 2], Flag); 3] = [
    ("suspect", [97.0, 100.0], Flag::Suspect),
    ("bad", [93.0, 100.0], Flag::Bad),
    ("missing", [95.0, 98.0], Flag::Missing),
];

fn range(value: &[f64]) -> (f64, f64) {
    let finite = value.iter().filter(|v| v.is_finite());
    finite.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)))
}

/// A value beside a chart: four significant digits.
pub(super) fn short(value: f64) -> String {
    if value.is_finite() { super::super::words::number(value, None, None) } else { "no value".to_owned() }
}

/// Lean events as marked spans.
pub(super) fn spans(events: &[LeanEvent], frame: &Frame) -> String {
    let mut markup = Markup::default();
    for (class, treat_as) in
        [("benign", TreatAs::Benign), ("invalid", TreatAs::Invalid), ("hazard", TreatAs::Hazard)]
    {
        let edges = events
            .iter()
            .filter(|event| event.treat_as == treat_as)
            .map(|event| wide(frame.x(event.start_s), frame.x(event.end_s)))
            .filter(|[left, right]| *right >= 0.0 && *left <= WIDTH);
        let d = boxes(edges.map(|[left, right]| [left, 0.0, right, HEIGHT]));
        if !d.is_empty() {
            markup.add(format_args!("<path class=\"span {class}\" d=\"{d}\"/>"));
        }
    }
    markup.0
}

/// Widened about its middle to what can be seen.
fn wide(left: f64, right: f64) -> [f64; 2] {
    if right - left >= LEAST {
        return [left, right];
    }
    let middle = 0.5 * (left + right);
    [middle - 0.5 * LEAST, middle + 0.5 * LEAST]
}

/// Names of the events above the traces, where there is room for them.
pub(super) fn event_labels(events: &[LeanEvent], duration_s: f64) -> Markup {
    let frame = Frame::around(0.0, duration_s, 0.0, 1.0);
    let mut markup = Markup::default();
    markup.add(format_args!("<svg class=\"labels\" width=\"100%\" height=\"20\" aria-hidden=\"true\">"));
    let mut taken = f64::NEG_INFINITY;
    for event in events.iter().filter(|event| event.treat_as != TreatAs::Benign) {
        let x = frame.x(0.5 * (event.start_s + event.end_s));
        if x - taken < 45.0 {
            continue;
        }
        taken = x;
        let anchor = match x {
            x if x < 30.0 => "start",
            x if x > 970.0 => "end",
            _ => "middle",
        };
        markup.add(format_args!(
            "<text x=\"{:.2}%\" y=\"14\" text-anchor=\"{anchor}\" data-time=\"{:.3}\">{} {}</text>",
            x / 10.0,
            0.5 * (event.start_s + event.end_s),
            super::symbol(event.treat_as),
            escape(&event.id)
        ));
    }
    markup.add(format_args!("</svg>"));
    markup
}

/// The flags of one channel over the log.
pub(super) struct Strip {
    /// Channel.
    pub name: String,
    /// The chart.
    pub chart: Markup,
    /// Shares in words.
    pub words: String,
}

/// One strip per channel, in column order; as many are drawn as there are panels.
pub(super) fn strips(log: &Log, detection: &Detection, audit: &Audit) -> Vec<Strip> {
    let frame = Frame::around(0.0, log.clock.duration_s(), 0.0, 1.0);
    let time_s = &log.clock.time_s;
    let undrawn: BTreeSet<usize> = order(log).into_iter().skip(DRAWN_MOST).map(|(_, index)| index).collect();
    let of = |(index, (channel, flags)): (usize, (&crate::document::Channel, &Flags))| {
        let words = shares(&channel.flags);
        let mut chart = Markup::default();
        if undrawn.contains(&index) {
            chart.add(format_args!("not drawn"));
            return Strip { name: channel.name.clone(), chart, words };
        }
        chart.add(format_args!(
            "<svg class=\"strip\" width=\"100%\" height=\"16\" viewBox=\"0 0 1000 100\" preserveAspectRatio=\"none\" \
             data-channel=\"{index}\" role=\"img\" aria-label=\"Flags of {}: {}\">",
            escape(&channel.name),
            escape(&words)
        ));
        let flags = flags.all();
        // From low to full height: what is worse is taller.
        let layers = [
            ("good", [44.0, 56.0], Flag::Good),
            ("suspect", [30.0, 100.0], Flag::Suspect),
            ("missing", [12.0, 88.0], Flag::Missing),
            ("bad", [0.0, 100.0], Flag::Bad),
        ];
        for (class, [top, bottom], flag) in layers {
            let runs = flag_runs(time_s, &flags, &frame, |f| f == flag);
            let d = boxes(runs.into_iter().map(|[l, r]| [l, top, r, bottom]));
            if !d.is_empty() {
                chart.add(format_args!("<path class=\"flag {class}\" d=\"{d}\"/>"));
            }
        }
        chart.add(format_args!("</svg>"));
        Strip { name: channel.name.clone(), chart, words }
    };
    audit.channels.iter().zip(&detection.flags).enumerate().map(of).collect()
}

/// Shares of the samples, by the document's counts.
fn shares(counts: &crate::document::FlagCounts) -> String {
    let due = counts.good + counts.not_evaluated + counts.suspect + counts.bad + counts.missing;
    if due == 0 {
        return "no sample".to_owned();
    }
    let named = [
        ("bad", counts.bad),
        ("missing", counts.missing),
        ("suspect", counts.suspect),
        ("not evaluated", counts.not_evaluated),
        ("good", counts.good),
    ];
    let parts: Vec<String> = named
        .into_iter()
        .filter(|(_, n)| *n > 0)
        .map(|(word, n)| {
            if n == due {
                return format!("all {word}");
            }
            let percent = n as f64 / due as f64 * 100.0;
            match percent {
                p if p < 0.1 => format!("{word} {n} samples"),
                p if p > 99.9 => format!("{word} over 99.9 %"),
                p => format!("{word} {p:.1} %"),
            }
        })
        .collect();
    parts.join(", ")
}

/// Spans of equal flag, in units of the chart area, merged where the page has no dot between them. A single
/// sample is widened to what can be seen.
fn flag_runs(time_s: &[f64], flags: &[Flag], frame: &Frame, wanted: impl Fn(Flag) -> bool) -> Vec<[f64; 2]> {
    let mut runs: Vec<[f64; 2]> = Vec::new();
    let mut open: Option<[f64; 2]> = None;
    let mut close = |run: Option<[f64; 2]>| {
        let Some([left, right]) = run else { return };
        let [left, right] = if right - left >= 1.5 { [left, right] } else { wide(left, right) };
        match runs.last_mut() {
            Some(last) if left - last[1] < 1.0 => last[1] = last[1].max(right),
            _ => runs.push([left, right]),
        }
    };
    for (time, flag) in time_s.iter().zip(flags) {
        let x = frame.x(*time);
        if wanted(*flag) {
            open = Some([open.map_or(x, |run| run[0]), x]);
        } else {
            close(open.take());
        }
    }
    close(open);
    runs
}

/// The time axis under traces and strips.
pub(super) fn axis(log: &Log) -> Markup {
    time_scale(0.0, log.clock.duration_s().max(1e-3), 6)
}
