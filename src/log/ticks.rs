//! From logged stamps to a clock that never falls: back-steps, restarts, coarse stamps, gaps.

use std::ops::Range;

use super::clock::ClockEvent;
use super::crowd::crowds;

/// No silence shorter than this is a gap, s: the clock still measures it right. Common practice, no source.
pub const GAP_MIN_S: f64 = 0.5;
/// On a clock with jitter, an interval of this many periods is a gap; assumed (polled links wait several
/// periods for a slow answer without losing a row).
pub const GAP_PERIODS: f64 = 5.0;
/// On a regular clock, one lost row shows: an interval of this many periods is a gap. Half way between one
/// period and two.
pub const GAP_PERIODS_REGULAR: f64 = 1.5;
/// A clock is regular when the 95th percentile of its intervals is within this many median periods; assumed.
pub const REGULAR_PERIODS: f64 = 1.25;
/// Two stamps rounded each by up to one step can be that much further apart than the rows were.
pub const GAP_RESOLUTIONS: f64 = 2.0;
/// Intervals on each side of a candidate that say what is usual there (the rate may change within a log).
pub const AROUND: usize = 15;
/// Rows this many times as far apart as in the whole log mean another rate there, and set the measure; assumed.
pub const SLOWER: f64 = 2.0;
/// A back-step must be passed again within this many rows, or one second of rows, the larger; assumed. What
/// takes longer is a clock set back (or started again), so the rows did not overlap in time.
pub const BACK_STEP_ROWS: usize = 20;
/// No more rows than this are searched, so that a clock that only falls stays linear to read.
pub const BACK_STEP_ROWS_MOST: usize = 1000;
/// See [`BACK_STEP_ROWS`], s.
pub const BACK_STEP_S: f64 = 1.0;
/// Stamps are too coarse to tell rows apart when their step is at least this part of the median interval.
pub const COARSE_PART: f64 = 0.5;
/// Rounding, not copied rows, explains repeated stamps when at least this share of the rows repeats one; assumed.
pub const COARSE_SHARE: f64 = 0.02;

/// Stamps beyond this are damaged, s: thirty thousand years, where a double still tells a millisecond apart.
pub const STAMP_MOST_S: f64 = 1e12;

/// The parts of a clock that come from stamps.
pub(super) struct Ticks {
    pub(super) time_s: Vec<f64>,
    pub(super) segments: Vec<Range<usize>>,
    pub(super) events: Vec<ClockEvent>,
    pub(super) period_s: Option<f64>,
}

/// See [`super::Clock::from_seconds`].
pub(super) fn straighten(raw: Vec<f64>, resolution_s: f64, restarts: &[usize]) -> Ticks {
    let mut time_s = filled(raw, restarts);
    let mut events = Vec::new();
    let period_s = median_interval(&time_s);
    drop_lone_forward_stamps(&mut time_s, period_s.unwrap_or(0.0), &mut events);
    hold_or_continue(&mut time_s, period_s.unwrap_or(0.0), restarts, &mut events);
    if let Some(&first) = time_s.first() {
        for t in &mut time_s {
            *t -= first;
        }
    }
    let held: Vec<Range<usize>> = held_rows(&time_s, &events);
    let mut every_repeat = Vec::new();
    duplicates(&time_s, &held, &mut every_repeat);
    let repeats = every_repeat.len();
    let coarse = period_s.is_some_and(|period| resolution_s >= COARSE_PART * period)
        && repeats as f64 >= COARSE_SHARE * time_s.len() as f64
        && repeats > 0;
    if coarse {
        spread(&mut time_s, resolution_s, &held);
    } else {
        events.append(&mut every_repeat);
    }
    let period_s = median_interval(&time_s);
    gaps(&time_s, period_s, resolution_s, &mut events);
    events.append(&mut crowds(&time_s, period_s, &held));
    events.sort_by_key(ClockEvent::row);
    let segments = cut(time_s.len(), restarts, &events);
    Ticks { time_s, segments, events, period_s }
}

/// Missing stamps filled along the line between the stamps around them, within one run of the logger; before the
/// first and after the last stamp the nearest one is repeated at the median interval.
fn filled(mut time_s: Vec<f64>, restarts: &[usize]) -> Vec<f64> {
    let usable = |t: f64| t.abs() < STAMP_MOST_S;
    if time_s.iter().all(|t| usable(*t)) {
        return time_s;
    }
    for t in time_s.iter_mut().filter(|t| !usable(**t)) {
        *t = f64::NAN;
    }
    let rows = time_s.len();
    let step = median_interval(&time_s).unwrap_or(0.0);
    let cuts = restarts.iter().copied().filter(|row| *row > 0 && *row < rows);
    let mut from = 0;
    for until in cuts.chain([rows]) {
        if until > from {
            fill_run(&mut time_s[from..until], step);
            from = until;
        }
    }
    // A run without a single stamp goes on after the run before it.
    let mut last = 0.0 - step;
    for t in &mut time_s {
        if !t.is_finite() {
            *t = last + step;
        }
        last = *t;
    }
    time_s
}

fn fill_run(time_s: &mut [f64], step: f64) {
    let known: Vec<usize> = (0..time_s.len()).filter(|row| time_s[*row].is_finite()).collect();
    let (Some(&first), Some(&last)) = (known.first(), known.last()) else { return };
    for row in 0..first {
        time_s[row] = time_s[first] - (first - row) as f64 * step;
    }
    for pair in known.windows(2) {
        let (a, b) = (pair[0], pair[1]);
        let (from, until) = (time_s[a], time_s[b]);
        let slope = (until - from) / (b - a) as f64;
        for (steps, t) in time_s[a..b].iter_mut().enumerate().skip(1) {
            *t = slope.mul_add(steps as f64, from);
        }
    }
    for row in last + 1..time_s.len() {
        time_s[row] = time_s[last] + (row - last) as f64 * step;
    }
}

/// Median of the positive intervals between neighbouring rows, s.
fn median_interval(time_s: &[f64]) -> Option<f64> {
    let mut intervals: Vec<f64> =
        time_s.windows(2).map(|pair| pair[1] - pair[0]).filter(|d| d.is_finite() && *d > 0.0).collect();
    median(&mut intervals)
}

fn median(values: &mut [f64]) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let middle = values.len() / 2;
    let (_, &mut value, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    Some(value)
}

/// A single stamp far ahead of both its neighbours is a damaged stamp, not a gap followed by a restart: it is
/// laid on the line between them, and the step back from it is told.
fn drop_lone_forward_stamps(time_s: &mut [f64], period_s: f64, events: &mut Vec<ClockEvent>) {
    let limit_s = GAP_MIN_S.max(GAP_PERIODS * period_s);
    for row in 1..time_s.len().saturating_sub(1) {
        let (before, here, after) = (time_s[row - 1], time_s[row], time_s[row + 1]);
        if here - before > limit_s && here > after && after >= before && after - before <= limit_s {
            time_s[row] = f64::midpoint(before, after);
            events.push(ClockEvent::BackStep { row: row + 1, seconds: here - after });
        }
    }
}

/// Makes the clock never fall: back-steps are held at the running maximum, restarts continue one period later.
fn hold_or_continue(time_s: &mut [f64], period_s: f64, restarts: &[usize], events: &mut Vec<ClockEvent>) {
    let Some(&first) = time_s.first() else { return };
    let soon =
        if period_s > 0.0 { (BACK_STEP_S / period_s).min(1e9) as usize } else { 0 }.max(BACK_STEP_ROWS);
    let rows = time_s.len();
    let (mut offset, mut highest, mut origin) = (0.0, first, first);
    let mut held_until = 0;
    for row in 1..rows {
        let stamp = time_s[row];
        let here = stamp + offset;
        let repeated_header = restarts.binary_search(&row).is_ok();
        if here < highest && (row >= held_until || repeated_header) {
            let passed = (row..rows.min(row + soon)).find(|later| time_s[*later] + offset >= highest);
            // A clock that begins again where this run of the logger began was started anew, however soon it
            // passes the old reading.
            let anew = (stamp - origin).abs() <= period_s && passed != Some(row + 1);
            match passed {
                Some(again) if !repeated_header && !anew => {
                    events.push(ClockEvent::BackStep { row, seconds: highest - here });
                    held_until = again;
                }
                _ => {
                    events.push(ClockEvent::Restart { row, seconds: highest - here });
                    offset = highest + period_s - stamp;
                    origin = stamp;
                }
            }
        } else if repeated_header {
            events.push(ClockEvent::Restart { row, seconds: 0.0 });
            origin = stamp;
        }
        highest = highest.max(stamp + offset);
        time_s[row] = highest;
        // `find` above looks at later rows only, which still hold the logged stamps.
    }
}

/// Rows held at the running maximum by a back-step; they repeat a time without being duplicates.
fn held_rows(time_s: &[f64], events: &[ClockEvent]) -> Vec<Range<usize>> {
    let held = events.iter().filter_map(|event| match *event {
        ClockEvent::BackStep { row, .. } if row > 0 && row < time_s.len() => {
            let top = time_s[row - 1];
            let length = time_s[row..].iter().take_while(|t| **t <= top).count();
            Some(row..row + length)
        }
        _ => None,
    });
    let mut held: Vec<Range<usize>> = held.filter(|range| !range.is_empty()).collect();
    held.sort_by_key(|range| range.start);
    // One step back within the hold of another holds the same rows.
    let mut apart: Vec<Range<usize>> = Vec::with_capacity(held.len());
    for range in held {
        match apart.last_mut() {
            Some(last) if range.start <= last.end => last.end = last.end.max(range.end),
            _ => apart.push(range),
        }
    }
    apart
}

/// Spreads the rows of each stamp evenly over the stamp's step. The first stamp may have begun before the log
/// did and the last may go on after it: they keep the usual number of rows per stamp.
fn spread(time_s: &mut [f64], resolution_s: f64, held: &[Range<usize>]) {
    let is_held = |row: usize| {
        let next = held.partition_point(|range| range.end <= row);
        held.get(next).is_some_and(|range| range.contains(&row))
    };
    let mut starts: Vec<usize> = vec![0];
    starts.extend((1..time_s.len()).filter(|row| time_s[*row] != time_s[row - 1] || is_held(*row)));
    let mut sizes: Vec<f64> = starts.windows(2).map(|pair| (pair[1] - pair[0]) as f64).collect();
    let usual = median(&mut sizes).unwrap_or(1.0);
    let groups = starts.len();
    let origin = time_s.first().copied().unwrap_or(0.0);
    for (index, &from) in starts.iter().enumerate() {
        let until = starts.get(index + 1).copied().unwrap_or(time_s.len());
        let size = (until - from) as f64;
        let stamp = time_s[from];
        let width = match starts.get(index + 1) {
            Some(&next) => (time_s[next] - stamp).clamp(0.0, resolution_s),
            None => resolution_s,
        };
        let edge = index == 0 || index + 1 == groups;
        let slots = if edge { size.max(usual) } else { size };
        let skipped = if index == 0 && groups > 1 { slots - size } else { 0.0 };
        for (place, t) in time_s[from..until].iter_mut().enumerate() {
            *t = stamp + width * (skipped + place as f64) / slots;
        }
    }
    let shift = time_s.first().map_or(0.0, |t| t - origin);
    for t in time_s {
        *t -= shift;
    }
}

fn duplicates(time_s: &[f64], held: &[Range<usize>], events: &mut Vec<ClockEvent>) {
    let mut held = held.iter().peekable();
    for row in 1..time_s.len() {
        while held.peek().is_some_and(|range| range.end <= row) {
            held.next();
        }
        if time_s[row] == time_s[row - 1] && !held.peek().is_some_and(|range| range.contains(&row)) {
            events.push(ClockEvent::Duplicate { row });
        }
    }
}

/// Intervals beyond half a second, beyond what the rows around explain and beyond what rounding explains.
fn gaps(time_s: &[f64], period_s: Option<f64>, resolution_s: f64, events: &mut Vec<ClockEvent>) {
    let Some(period_s) = period_s else { return };
    let periods = if regular(time_s, period_s) { GAP_PERIODS_REGULAR } else { GAP_PERIODS };
    let limit_s =
        |usual: f64| GAP_MIN_S.max(periods * usual).max(GAP_RESOLUTIONS.mul_add(resolution_s, usual));
    let base_s = limit_s(period_s);
    for row in 1..time_s.len() {
        let interval = time_s[row] - time_s[row - 1];
        if interval > base_s {
            let around_s = usual_around(time_s, row);
            let usual_s = if around_s > SLOWER * period_s { around_s } else { period_s };
            if interval > limit_s(usual_s) {
                events.push(ClockEvent::Gap { row, seconds: interval });
            }
        }
    }
}

fn regular(time_s: &[f64], period_s: f64) -> bool {
    let mut intervals: Vec<f64> = time_s.windows(2).map(|pair| pair[1] - pair[0]).collect();
    if intervals.is_empty() {
        return false;
    }
    let place = (intervals.len() * 95 / 100).min(intervals.len() - 1);
    let (_, &mut high, _) = intervals.select_nth_unstable_by(place, f64::total_cmp);
    high <= REGULAR_PERIODS * period_s
}

/// Median interval of the rows before and after the interval that ends at `row`.
fn usual_around(time_s: &[f64], row: usize) -> f64 {
    let from = row.saturating_sub(AROUND + 1);
    let until = (row + AROUND).min(time_s.len().saturating_sub(1));
    let mut near: Vec<f64> =
        (from + 1..=until).filter(|at| *at != row).map(|at| time_s[at] - time_s[at - 1]).collect();
    median(&mut near).unwrap_or(0.0)
}

fn cut(rows: usize, restarts: &[usize], events: &[ClockEvent]) -> Vec<Range<usize>> {
    let mut cuts: Vec<usize> = events
        .iter()
        .filter(|event| matches!(event, ClockEvent::Gap { .. } | ClockEvent::Restart { .. }))
        .map(ClockEvent::row)
        .chain(restarts.iter().copied())
        .filter(|row| *row > 0 && *row < rows)
        .collect();
    cuts.sort_unstable();
    cuts.dedup();
    let mut segments = Vec::with_capacity(cuts.len() + 1);
    let mut from = 0;
    for until in cuts.into_iter().chain([rows]) {
        if until > from {
            segments.push(from..until);
            from = until;
        }
    }
    segments
}

#[cfg(test)]
mod tests {
    use super::*;
    use ClockEvent::{BackStep, Duplicate, Gap, Restart};

    fn straighten(raw: &[f64], resolution_s: f64, restarts: &[usize]) -> Ticks {
        super::straighten(raw.to_vec(), resolution_s, restarts)
    }

    fn even(rows: usize, period_s: f64) -> Vec<f64> {
        (0..rows).map(|row| row as f64 * period_s).collect()
    }

    fn gap_rows(ticks: &Ticks) -> Vec<usize> {
        ticks.events.iter().filter(|e| matches!(e, Gap { .. })).map(ClockEvent::row).collect()
    }

    fn never_falls(ticks: &Ticks) -> bool {
        ticks.time_s.windows(2).all(|pair| pair[1] >= pair[0])
    }

    #[test]
    fn an_even_clock_has_one_segment_and_no_event() {
        let ticks = straighten(&even(100, 0.02), 0.001, &[]);
        assert!(ticks.events.is_empty());
        assert_eq!(ticks.segments.first(), Some(&(0..100)));
        assert!((ticks.period_s.expect("period") - 0.02).abs() < 1e-12);
    }

    #[test]
    fn nothing_one_row_and_no_stamp_at_all_are_fine() {
        assert!(straighten(&[], 0.001, &[]).segments.is_empty());
        let one = straighten(&[5.0], 0.001, &[]);
        assert_eq!((one.time_s.as_slice(), one.period_s), (&[0.0][..], None));
        let none = straighten(&[f64::NAN; 3], 0.001, &[1]);
        assert_eq!(none.time_s, [0.0; 3]);
    }

    #[test]
    fn the_origin_is_the_first_row() {
        let raw: Vec<f64> = even(10, 0.1).iter().map(|t| t + 30_269.866).collect();
        let ticks = straighten(&raw, 0.001, &[]);
        assert!(ticks.time_s[0] == 0.0 && (ticks.time_s[9] - 0.9).abs() < 1e-9);
    }

    #[test]
    fn half_a_second_of_silence_at_ten_hertz_is_no_gap_and_more_is() {
        let mut raw = even(50, 0.1);
        for t in &mut raw[20..] {
            *t += 0.39;
        }
        assert!(gap_rows(&straighten(&raw, 0.001, &[])).is_empty());
        for t in &mut raw[20..] {
            *t += 0.02;
        }
        let ticks = straighten(&raw, 0.001, &[]);
        assert_eq!(gap_rows(&ticks), [20]);
        assert_eq!(ticks.segments, [0..20, 20..50]);
    }

    #[test]
    fn two_second_steps_of_stamps_cut_to_seconds_are_no_gap() {
        // 0.95 Hz, cut to whole seconds: about one step in twenty is 2 s long.
        let raw: Vec<f64> = (0..400).map(|row| (f64::from(row) / 0.95).floor()).collect();
        let ticks = straighten(&raw, 1.0, &[]);
        assert!(raw.windows(2).any(|pair| pair[1] - pair[0] == 2.0));
        assert!(ticks.events.is_empty());
    }

    #[test]
    fn one_lost_row_of_a_regular_slow_clock_is_a_gap() {
        let mut raw = even(100, 900.0);
        for t in &mut raw[40..] {
            *t += 900.0;
        }
        assert_eq!(gap_rows(&straighten(&raw, 60.0, &[])), [40]);
    }

    #[test]
    fn a_slower_rate_in_one_part_is_no_gap() {
        let mut raw = even(200, 0.1);
        raw.extend((1..100).map(|row| 19.9 + f64::from(row)));
        let found = gap_rows(&straighten(&raw, 0.001, &[]));
        assert!(found.len() <= AROUND, "{found:?}");
    }

    #[test]
    fn a_step_back_that_is_soon_passed_is_held() {
        let mut raw = even(40, 0.09);
        for t in &mut raw[20..] {
            *t -= 0.271;
        }
        let ticks = straighten(&raw, 0.001, &[]);
        assert!(never_falls(&ticks));
        assert!(
            matches!(ticks.events[..], [BackStep { row: 20, seconds }] if (seconds - 0.181).abs() < 1e-9)
        );
        assert_eq!(ticks.segments.first(), Some(&(0..40)));
    }

    #[test]
    fn a_clock_that_starts_again_goes_on_one_period_later() {
        let mut raw = even(100, 0.1);
        raw.extend(even(50, 0.1));
        let ticks = straighten(&raw, 0.1, &[]);
        assert!(never_falls(&ticks));
        assert!(matches!(ticks.events[..], [Restart { row: 100, seconds }] if (seconds - 9.9).abs() < 1e-9));
        assert_eq!(ticks.segments, [0..100, 100..150]);
        assert!((ticks.time_s[100] - 10.0).abs() < 1e-9 && (ticks.time_s[149] - 14.9).abs() < 1e-9);
    }

    #[test]
    fn a_short_run_before_a_restart_is_no_back_step() {
        let mut raw = even(10, 0.1);
        raw.extend(even(50, 0.1));
        assert!(matches!(straighten(&raw, 0.1, &[]).events[..], [Restart { row: 10, .. }]));
    }

    #[test]
    fn a_repeated_header_cuts_even_when_time_goes_on() {
        let ticks = straighten(&even(20, 0.1), 0.1, &[12]);
        assert!(matches!(ticks.events[..], [Restart { row: 12, seconds: 0.0 }]));
        assert_eq!(ticks.segments, [0..12, 12..20]);
    }

    #[test]
    fn one_damaged_stamp_ahead_makes_no_gap() {
        let mut raw = even(50, 0.1);
        raw[25] = 1e9;
        let ticks = straighten(&raw, 0.1, &[]);
        assert!(matches!(ticks.events[..], [BackStep { row: 26, .. }]));
        assert!((ticks.time_s[25] - 2.5).abs() < 1e-9 && (ticks.time_s[49] - 4.9).abs() < 1e-9);
    }

    #[test]
    fn one_damaged_stamp_behind_is_held() {
        let mut raw = even(50, 0.1);
        raw[25] = 0.0;
        let ticks = straighten(&raw, 0.1, &[]);
        assert!(matches!(ticks.events[..], [BackStep { row: 25, .. }]), "{:?}", ticks.events);
        assert!(never_falls(&ticks) && (ticks.time_s[49] - 4.9).abs() < 1e-9);
    }

    #[test]
    fn rows_of_one_coarse_stamp_are_spread_within_it() {
        // 10 Hz with stamps in whole seconds, the first second half over.
        let raw: Vec<f64> = (5..105).map(|row| f64::from(row / 10)).collect();
        let ticks = straighten(&raw, 1.0, &[]);
        assert!(ticks.events.is_empty());
        for (row, t) in ticks.time_s.iter().enumerate() {
            assert!((t - row as f64 * 0.1).abs() < 1e-9, "row {row}: {t}");
        }
    }

    #[test]
    fn a_copied_row_of_a_fine_clock_is_a_duplicate() {
        let mut raw = even(100, 0.1);
        raw[50] = raw[49];
        let ticks = straighten(&raw, 0.001, &[]);
        assert!(matches!(ticks.events[..], [Duplicate { row: 50 }]), "{:?}", ticks.events);
    }

    #[test]
    fn missing_stamps_are_filled_from_the_rows_around() {
        let mut raw = even(20, 0.5);
        for row in [0, 7, 8, 19] {
            raw[row] = f64::NAN;
        }
        let ticks = straighten(&raw, 0.5, &[]);
        for (row, t) in ticks.time_s.iter().enumerate() {
            assert!((t - row as f64 * 0.5).abs() < 1e-9, "row {row}: {t}");
        }
    }
}
