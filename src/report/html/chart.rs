//! Static charts: axes, lines and bands as SVG markup that needs no script.
//!
//! A chart area is 1000 by 100 units whatever its size on the page; it is stretched to fit, and strokes and
//! words are not, so that the same markup serves paper, a desk and a phone.

use std::fmt::{self, Display, Write};
use std::ops::Range;

/// Width of a chart area, units.
pub(super) const WIDTH: f64 = 1000.0;
/// Height of a chart area, units.
pub(super) const HEIGHT: f64 = 100.0;
/// Columns into which a line is thinned: more than a page has dots for is never sent.
pub(super) const COLUMNS: usize = 500;
/// The same for channels that few readers open.
pub(super) const COARSE: usize = 250;

/// Markup that may go into the page as it stands: everything in it is ours or was escaped.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Markup(pub(super) String);

impl Display for Markup {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl askama::filters::HtmlSafe for Markup {}

impl Markup {
    /// Adds formatted markup.
    pub(super) fn add(&mut self, markup: fmt::Arguments<'_>) {
        // Writing to a string cannot fail.
        self.0.write_fmt(markup).ok();
    }
}

/// Text made inert between tags and in quoted attributes.
pub(super) fn escape(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            c => safe.push(c),
        }
    }
    safe
}

/// What a chart area shows: time across, value up.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Frame {
    /// Left edge, s.
    pub start_s: f64,
    /// Right edge, s; above `start_s`.
    pub end_s: f64,
    /// Lower edge.
    pub low: f64,
    /// Upper edge; above `low`.
    pub high: f64,
}

impl Frame {
    /// A frame around values, with a margin so that no stroke lies on the edge; widened where it would be flat.
    pub(super) fn around(start_s: f64, end_s: f64, low: f64, high: f64) -> Self {
        let end_s = if end_s > start_s { end_s } else { start_s + 1.0 };
        let (low, high) = if low.is_finite() && high.is_finite() { (low, high) } else { (0.0, 1.0) };
        let (low, high) = (low.max(-MOST), high.min(MOST));
        let span = high - low;
        let margin =
            if span > 0.0 && span.is_finite() { 0.07 * span } else { (0.1 * low.abs()).clamp(1e-6, 1e300) };
        Self { start_s, end_s, low: low - margin, high: high + margin }
    }

    /// Units from the left.
    pub(super) fn x(&self, time_s: f64) -> f64 {
        WIDTH * (time_s - self.start_s) / (self.end_s - self.start_s)
    }

    /// Units from the top. What lies outside the frame stays outside, where the chart cuts it off: a line must not
    /// creep along an edge that it never reached.
    pub(super) fn y(&self, value: f64) -> f64 {
        (HEIGHT * (self.high - value) / (self.high - self.low)).clamp(-9.0 * HEIGHT, 10.0 * HEIGHT)
    }
}

/// Round numbers between two ends: 1, 2 or 5 times a power of ten apart, at most `most` of them.
pub(super) fn ticks(low: f64, high: f64, most: usize) -> Vec<f64> {
    let span = high - low;
    if !(span > 0.0 && span.is_finite()) || most == 0 {
        return Vec::new();
    }
    let mut step = 10f64.powf((span / most as f64).log10().floor());
    for factor in [2.0, 2.5, 2.0] {
        if span / step <= most as f64 {
            break;
        }
        step *= factor;
    }
    let first = (low / step).ceil();
    (0..=most)
        .map(|index| (first + index as f64) * step)
        .take_while(|tick| *tick <= high + 1e-9 * span)
        .map(|tick| if tick.abs() < 1e-9 * step { 0.0 } else { tick })
        .collect()
}

/// Times that people count in, at most `most` of them between two ends, s.
pub(super) fn time_ticks(low_s: f64, high_s: f64, most: usize) -> Vec<f64> {
    let span = high_s - low_s;
    let natural = [30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1800.0, 3600.0, 7200.0, 14400.0];
    let step = natural.into_iter().find(|step| span / step <= most as f64);
    match step {
        Some(step) if span > 100.0 => {
            let first = (low_s / step).ceil();
            (0..=most).map(|i| (first + i as f64) * step).take_while(|tick| *tick <= high_s).collect()
        }
        _ => ticks(low_s, high_s, most),
    }
}

/// A tick's words, with no more decimals than the step between ticks needs.
pub(super) fn tick_label(value: f64, ticks: &[f64]) -> String {
    let step = match ticks {
        [a, b, ..] => (b - a).abs(),
        _ => value.abs().max(1e-3),
    };
    let decimals = (-(step * 1.000_001).log10().floor()).clamp(0.0, 6.0) as usize;
    // A step of 25 or 2.5 needs one digit more than its size says.
    let short = format!("{value:.decimals$}");
    let exact = (short.parse::<f64>().unwrap_or(value) - value).abs() <= 1e-3 * step;
    if exact { short } else { format!("{value:.*}", decimals + 1) }
}

/// A time axis label: seconds up to two minutes, then minutes and seconds.
pub(super) fn time_label(time_s: f64, ticks: &[f64]) -> String {
    if ticks.last().is_some_and(|last| *last <= 120.0)
        || ticks.windows(2).any(|t| matches!(t, [a, b] if b - a < 1.0))
    {
        return format!("{} s", tick_label(time_s, ticks));
    }
    let whole = time_s.max(0.0).round() as u64;
    if whole >= 3600 {
        format!("{}:{:02}:{:02} h", whole / 3600, whole / 60 % 60, whole % 60)
    } else {
        format!("{}:{:02} min", whole / 60, whole % 60)
    }
}

/// Values over time, as a line is drawn from them.
#[derive(Clone, Copy)]
pub(super) struct Series<'a> {
    /// Time of every row, s, never falling.
    pub time_s: &'a [f64],
    /// Value of every row from the first on; NaN where there is none.
    pub value: &'a [f64],
    /// Row of the first value.
    pub first: usize,
    /// First rows after a gap or restart of the clock, ascending: no line runs into them.
    pub breaks: &'a [usize],
}

/// A run of points without a break, in units of the chart area.
pub(super) type Run = Vec<(f64, f64)>;

/// Thins a line to four points a column (first, lowest, highest, last), so that a spike of one sample never
/// vanishes, and breaks it where `hole` says that a value was due and is missing. A break within one column is too narrow to
/// be seen, and a log may hold a million of them.
pub(super) fn thin(
    series: Series<'_>,
    rows: Range<usize>,
    frame: &Frame,
    columns: usize,
    hole: impl Fn(usize) -> bool,
) -> Vec<Run> {
    let mut runs = Vec::new();
    let mut column = Column::default();
    let mut run: Run = Vec::new();
    let mut next_break = series.breaks.partition_point(|row| *row <= rows.start);
    let mut broken = false;
    let value = |row: usize| series.value.get(row.checked_sub(series.first)?);
    for row in rows {
        let (Some(time_s), Some(value)) = (series.time_s.get(row), value(row)) else { break };
        let breaks = series.breaks.get(next_break).is_some_and(|start| *start <= row);
        next_break += usize::from(breaks);
        broken |= breaks || (value.is_nan() && hole(row));
        if value.is_nan() {
            continue;
        }
        let point = (frame.x(*time_s), frame.y(*value));
        let number = (point.0 / WIDTH * columns as f64).floor() as i64;
        if column.number != number {
            column.flush(&mut run);
            column.number = number;
            if broken && !run.is_empty() {
                runs.push(std::mem::take(&mut run));
            }
        }
        broken = false;
        column.take(point);
    }
    column.flush(&mut run);
    if !run.is_empty() {
        runs.push(run);
    }
    runs
}

/// The points of one column that are kept.
#[derive(Default)]
struct Column {
    number: i64,
    /// First, topmost, bottommost, last; each with its place in the column.
    kept: Option<[(usize, (f64, f64)); 4]>,
    count: usize,
}

impl Column {
    fn take(&mut self, point: (f64, f64)) {
        let here = (self.count, point);
        self.count += 1;
        match &mut self.kept {
            None => self.kept = Some([here; 4]),
            Some([_, top, bottom, last]) => {
                if point.1 < top.1.1 {
                    *top = here;
                }
                if point.1 > bottom.1.1 {
                    *bottom = here;
                }
                *last = here;
            }
        }
    }

    fn flush(&mut self, run: &mut Run) {
        if let Some(mut kept) = self.kept.take() {
            kept.sort_by_key(|(place, _)| *place);
            let mut before = None;
            for (place, point) in kept {
                if before != Some(place) {
                    run.push(point);
                }
                before = Some(place);
            }
        }
        self.count = 0;
    }
}

/// The path of a line, each point by its distance from the one before: half the size of absolute places. A run of
/// one point becomes a dot by its round cap.
pub(super) fn path(runs: &[Run]) -> String {
    let mut d = String::new();
    for run in runs {
        let mut pen = (0, 0);
        for (index, (x, y)) in run.iter().enumerate() {
            let place = (tenths(*x), tenths(*y));
            if index == 0 {
                d.push('M');
                number(&mut d, place.0, false);
                number(&mut d, place.1, true);
                d.push('l');
            } else {
                number(&mut d, place.0 - pen.0, index > 1);
                number(&mut d, place.1 - pen.1, true);
            }
            pen = place;
        }
        if run.len() == 1 {
            d.push_str("0 0");
        }
    }
    d
}

/// Largest value of a frame: sums and differences of two such stay numbers.
const MOST: f64 = 1e300;

/// A tenth of a unit is finer than any page shows.
fn tenths(value: f64) -> i64 {
    (value.clamp(-1e6, 1e6) * 10.0).round() as i64
}

/// A number of tenths in as few characters as SVG allows, set apart from the number before it where needed.
fn number(d: &mut String, tenths: i64, apart: bool) {
    if tenths < 0 {
        d.push('-');
    } else if apart {
        d.push(' ');
    }
    let (whole, rest) = (tenths.abs() / 10, tenths.abs() % 10);
    match (whole, rest) {
        (whole, 0) => write!(d, "{whole}").ok(),
        (0, rest) => write!(d, ".{rest}").ok(),
        (whole, rest) => write!(d, "{whole}.{rest}").ok(),
    };
}

/// The path of rectangles, each from its left, top, right and bottom edge.
pub(super) fn boxes(boxes: impl IntoIterator<Item = [f64; 4]>) -> String {
    let mut d = String::new();
    for [left, top, right, bottom] in boxes {
        d.push('M');
        pair(&mut d, left, top);
        d.push('H');
        coordinate(&mut d, right);
        d.push('V');
        coordinate(&mut d, bottom);
        d.push('H');
        coordinate(&mut d, left);
        d.push('Z');
    }
    d
}

fn pair(d: &mut String, x: f64, y: f64) {
    coordinate(d, x);
    d.push(' ');
    coordinate(d, y);
}

fn coordinate(d: &mut String, value: f64) {
    number(d, tenths(value), false);
}

/// Labels at the left of a chart area.
///
/// * `height`: of the area on the page, px
pub(super) fn value_scale(frame: &Frame, ticks: &[f64], height: u32) -> Markup {
    let mut markup = Markup::default();
    markup.add(format_args!("<svg class=\"scale\" width=\"52\" height=\"{height}\" aria-hidden=\"true\">"));
    for tick in ticks {
        // Kept inside: half a line of text reaches over and under its number.
        let y = (frame.y(*tick) / HEIGHT * f64::from(height)).clamp(9.0, f64::from(height) - 3.0);
        markup.add(format_args!(
            "<text x=\"46\" y=\"{:.0}\" text-anchor=\"end\">{}</text>",
            y + 2.0,
            tick_label(*tick, ticks)
        ));
    }
    markup.add(format_args!("</svg>"));
    markup
}

/// The time axis under a chart area, 18 px high.
pub(super) fn time_scale(start_s: f64, end_s: f64, most: usize) -> Markup {
    let frame = Frame { start_s, end_s, low: 0.0, high: 1.0 };
    let ticks = time_ticks(start_s, end_s, most);
    let mut markup = Markup::default();
    markup.add(format_args!("<svg class=\"times\" width=\"100%\" height=\"20\" aria-hidden=\"true\">"));
    for tick in &ticks {
        let share = frame.x(*tick) / WIDTH * 100.0;
        let anchor = match share {
            s if s < 4.0 => "start",
            s if s > 94.0 => "end",
            _ => "middle",
        };
        markup.add(format_args!(
            "<text x=\"{share:.2}%\" y=\"14\" text-anchor=\"{anchor}\">{}</text>",
            time_label(*tick, &ticks)
        ));
    }
    markup.add(format_args!("</svg>"));
    markup
}

/// Grid lines of a chart area.
pub(super) fn grid(frame: &Frame, values: &[f64], times: &[f64]) -> String {
    let mut d = String::new();
    for value in values {
        d.push_str("M0 ");
        coordinate(&mut d, frame.y(*value));
        d.push_str("H1000");
    }
    for time_s in times {
        d.push('M');
        coordinate(&mut d, frame.x(*time_s));
        d.push_str(" 0V100");
    }
    format!("<path class=\"grid\" d=\"{d}\"/>")
}

#[cfg(test)]
mod tests {
    use super::*;

    const FRAME: Frame = Frame { start_s: 0.0, end_s: 1000.0, low: 0.0, high: 2.0 };

    fn series<'a>(time_s: &'a [f64], value: &'a [f64], breaks: &'a [usize]) -> Series<'a> {
        Series { time_s, value, first: 0, breaks }
    }

    #[test]
    fn a_spike_of_one_sample_survives_thinning() {
        let time_s: Vec<f64> = (0..100_000).map(|row| f64::from(row) * 0.01).collect();
        for spike in [0, 1, 77, 50_123, 99_999] {
            let mut value = vec![1.0; time_s.len()];
            value[spike] = 2.0;
            let runs = thin(series(&time_s, &value, &[]), 0..value.len(), &FRAME, COLUMNS, |_| true);
            let points: Vec<_> = runs.iter().flatten().collect();
            assert!(points.len() <= 4 * (COLUMNS + 1), "{}", points.len());
            let top: Vec<_> = points.iter().filter(|(_, y)| *y == 0.0).collect();
            assert_eq!(top.len(), 1, "spike at {spike}");
            assert!((top[0].0 - FRAME.x(time_s[spike])).abs() < 1e-9);
        }
    }

    #[test]
    fn a_missing_value_and_a_gap_of_the_clock_break_the_line() {
        let time_s = [0.0, 1.0, 2.0, 500.0, 501.0];
        let value = [1.0, f64::NAN, 1.0, 1.0, 1.0];
        let broken = thin(series(&time_s, &value, &[3]), 0..5, &FRAME, COLUMNS, |_| true);
        assert_eq!(broken.iter().map(Vec::len).sum::<usize>(), 4);
        assert_eq!(broken.len(), 3);
        // A slower channel that was not due in a row keeps its line.
        let slower = thin(series(&time_s, &value, &[]), 0..5, &FRAME, COLUMNS, |_| false);
        assert_eq!(slower.len(), 1);
        assert_eq!(path(&broken).matches('M').count(), 3);
        assert!(path(&broken).contains("l0 0"), "a lone point is drawn as a dot");
        assert_eq!(path(&[vec![(0.0, 5.0), (0.25, 4.0), (1.0, 4.05)]]), "M0 5l.3-1 .7 .1");
    }

    #[test]
    fn breaks_too_narrow_to_be_seen_make_no_line_of_their_own() {
        let time_s: Vec<f64> = (0..100_000).map(|row| f64::from(row) * 0.01).collect();
        let value: Vec<f64> = (0..100_000).map(|row| f64::from(row % 7)).collect();
        let breaks: Vec<usize> = (1..100_000).step_by(2).collect();
        let runs = thin(series(&time_s, &value, &breaks), 0..time_s.len(), &FRAME, COLUMNS, |_| false);
        assert!(runs.len() <= COLUMNS + 1, "{}", runs.len());
        // Nothing is lost of what is drawn.
        let points = runs.iter().flatten().map(|point| point.1);
        let (top, bottom) = points.fold((f64::INFINITY, 0.0_f64), |(t, b), y| (t.min(y), b.max(y)));
        assert!((top - FRAME.y(6.0)).abs() < 1e-9 && (bottom - FRAME.y(0.0)).abs() < 1e-9);
    }

    #[test]
    fn points_of_a_thin_line_run_from_left_to_right() {
        let time_s: Vec<f64> = (0..5_000).map(|row| f64::from(row) * 0.2).collect();
        let value: Vec<f64> = time_s.iter().map(|t| 1.0 + (t * 7.3).sin()).collect();
        let runs = thin(series(&time_s, &value, &[]), 0..value.len(), &FRAME, 50, |_| true);
        assert_eq!(runs.len(), 1);
        assert!(runs[0].windows(2).all(|pair| pair[0].0 < pair[1].0));
    }

    #[test]
    fn nothing_to_draw_is_an_empty_path() {
        assert_eq!(path(&thin(series(&[], &[], &[]), 0..0, &FRAME, COLUMNS, |_| true)), "");
        let nothing = [f64::NAN; 3];
        let runs = thin(series(&[0.0, 1.0, 2.0], &nothing, &[]), 0..3, &FRAME, COLUMNS, |_| true);
        assert_eq!(path(&runs), "");
        let flat = Frame::around(3.0, 3.0, 5.0, 5.0);
        assert!(flat.high > flat.low && flat.end_s > flat.start_s);
        assert!(Frame::around(0.0, 1.0, f64::NAN, 1.0).y(0.5).is_finite());
    }

    #[test]
    fn ticks_are_round_and_few() {
        assert_eq!(ticks(0.0, 10.0, 5), [0.0, 2.0, 4.0, 6.0, 8.0, 10.0]);
        assert_eq!(ticks(0.71, 1.42, 4).len(), 4);
        assert!(ticks(1.0, 1.0, 4).is_empty());
        assert_eq!(time_ticks(0.0, 600.0, 6), [0.0, 120.0, 240.0, 360.0, 480.0, 600.0]);
        assert_eq!(tick_label(2.0, &[2.0, 4.0]), "2");
        assert_eq!(tick_label(0.8, &[0.6, 0.8]), "0.8");
        assert_eq!(time_label(120.0, &[0.0, 120.0, 240.0]), "2:00 min");
        assert_eq!(time_label(4.5, &[4.0, 4.5, 5.0]), "4.5 s");
    }

    #[test]
    fn markup_in_text_is_inert() {
        assert_eq!(escape("<a href=\"x\" b='&'>"), "&lt;a href=&quot;x&quot; b=&#39;&amp;&#39;&gt;");
    }
}
