//! How often a repeated value is really renewed: the frame period of a slow link in a fast log.

/// A frame period and how well it explains the renewals.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Frame {
    /// Period, s.
    pub period_s: f64,
    /// 95 % half width, s.
    pub half_width_s: f64,
    /// Share of the intervals between changes that are whole multiples of the period, 0..1.
    pub share: f64,
    /// Number of intervals between changes.
    pub intervals: usize,
}

/// Below this number of intervals nothing is said.
const LEAST_INTERVALS: usize = 20;
/// Below this share the repeats are the value's own.
const LEAST_SHARE: f64 = 0.9;
/// Intervals looked at.
const MOST_INTERVALS: usize = 20_000;
/// Longest frame looked for, in rows.
const MOST_ROWS: usize = 128;
/// Most that single frames of one link scatter, standard deviation over the period. Assumed.
const LINK_JITTER: f64 = 0.05;

/// The period at which a channel's link renews it, when that is longer than its sample period.
///
/// Two ways, because loggers differ: where each row renews a fixed set of channels, changes lie a whole number
/// of *rows* apart; where a link runs free of the logger, changes lie a whole number of *periods* apart,
/// give or take one row.
///
/// * `time_s`, `values`: one per row; NaN rows are skipped
/// * `sample_period_s`: median time between rows with a value
/// * returns null when the value changes as often as it is sampled, when repeats are natural (a quiet
///   quantised value changes at no fixed interval), or when there are too few changes; O(n)
pub fn frame(time_s: &[f64], values: &[f64], sample_period_s: f64) -> Option<Frame> {
    if sample_period_s.is_nan() || sample_period_s <= 0.0 {
        return None;
    }
    let (intervals, jitter_s) = change_intervals(time_s, values, sample_period_s);
    if intervals.len() < LEAST_INTERVALS {
        return None;
    }
    by_rows(&intervals, sample_period_s).or_else(|| by_time(&intervals, sample_period_s, jitter_s))
}

/// Whether a channel changes more often than a frame period allows: at least a tenth of its changes come more than a row
/// too soon after the one before.
///
/// * `time_s`, `values`: one per row; NaN rows are skipped
pub fn outpaced(time_s: &[f64], values: &[f64], period_s: f64) -> bool {
    let known = || time_s.iter().zip(values).filter(|(_, value)| !value.is_nan());
    let (Some((first, _)), Some((last, _))) = (known().next(), known().next_back()) else { return false };
    let sample_period_s = (last - first) / (known().count() - 1).max(1) as f64;
    if sample_period_s.is_nan() || sample_period_s <= 0.0 {
        return false;
    }
    let (intervals, _) = change_intervals(time_s, values, sample_period_s);
    let soonest_s = period_s - 1.2 * sample_period_s;
    let early = intervals.iter().filter(|(_, seconds)| *seconds < soonest_s).count();
    intervals.len() >= LEAST_INTERVALS && early * 10 >= intervals.len()
}

/// Rows with a value, and seconds, between one change of value and the next.
type Interval = (usize, f64);

/// The intervals, and the mean absolute deviation of the sample period, s.
fn change_intervals(time_s: &[f64], values: &[f64], sample_period_s: f64) -> (Vec<Interval>, f64) {
    let (mut off_s, mut steps) = (0.0, 0_usize);
    let mut intervals = Vec::new();
    let mut previous = f64::NAN;
    let mut changed: Option<(usize, f64)> = None;
    let mut sample = 0_usize;
    let mut last_s = f64::NEG_INFINITY;
    for (&time, &value) in time_s.iter().zip(values) {
        if value.is_nan() {
            continue;
        }
        // A gap says nothing about the link: begin again behind it.
        if time - last_s > 5.0 * sample_period_s {
            changed = None;
            previous = f64::NAN;
        }
        if last_s.is_finite() && time - last_s < 2.0 * sample_period_s {
            off_s += (time - last_s - sample_period_s).abs();
            steps += 1;
        }
        last_s = time;
        sample += 1;
        if !previous.is_nan() && value != previous {
            if let Some((from, from_s)) = changed {
                intervals.push((sample - from, time - from_s));
                if intervals.len() >= MOST_INTERVALS {
                    break;
                }
            }
            changed = Some((sample, time));
        }
        previous = value;
    }
    (intervals, off_s / steps.max(1) as f64)
}

/// The largest number of rows of which nearly all intervals are multiples.
fn by_rows(intervals: &[Interval], sample_period_s: f64) -> Option<Frame> {
    let number = intervals.len();
    let mut lengths: Vec<usize> = intervals.iter().map(|(interval, _)| *interval).collect();
    lengths.sort_unstable();
    let counts: Vec<(usize, usize)> =
        lengths.chunk_by(|a, b| a == b).map(|run| (run[0], run.len())).collect();
    let (rows, share) = (2..=MOST_ROWS).rev().find_map(|rows| {
        let whole = counts.iter().filter(|(interval, _)| interval % rows == 0);
        let hits: usize = whole.map(|(_, count)| count).sum();
        let share = hits as f64 / number as f64;
        (share >= LEAST_SHARE).then_some((rows, share))
    })?;
    let on_grid = intervals.iter().filter(|(interval, _)| interval % rows == 0);
    let (seconds, frames) = on_grid
        .fold((0.0, 0_usize), |(seconds, frames), (interval, s)| (seconds + s, frames + interval / rows));
    let period_s = seconds / frames.max(1) as f64;
    (period_s.is_finite() && period_s > 0.0).then(|| Frame {
        period_s,
        // Each end of the whole stretch is known to one row.
        half_width_s: 1.96 * sample_period_s / (frames.max(1) as f64).sqrt(),
        share,
        intervals: number,
    })
}

/// The period of which nearly all intervals are multiples, give or take one row.
fn by_time(intervals: &[Interval], sample_period_s: f64, jitter_s: f64) -> Option<Frame> {
    let mut seconds: Vec<f64> = intervals.iter().map(|(_, s)| *s).collect();
    seconds.sort_unstable_by(f64::total_cmp);
    let low = seconds[seconds.len() / 20];
    let cluster_end = seconds.partition_point(|s| *s <= 1.6 * low);
    let cluster = &seconds[seconds.len() / 20..cluster_end.max(seconds.len() / 20 + 1)];
    let mut period_s = cluster.iter().sum::<f64>() / cluster.len() as f64;
    for _ in 0..3 {
        // Few multiples only: a wrong start is not helped by far intervals.
        let (mut product, mut square) = (0.0, 0.0);
        for s in &seconds {
            let multiple = (s / period_s).round();
            if (1.0..=3.0).contains(&multiple) {
                product += s * multiple;
                square += multiple * multiple;
            }
        }
        if square <= 0.0 {
            return None;
        }
        period_s = product / square;
    }
    if period_s < 1.6 * sample_period_s {
        return None;
    }
    let singles: Vec<f64> = seconds.iter().copied().filter(|s| (s / period_s).round() == 1.0).collect();
    // A free-running frame shows itself by single frames; without them any long interval fits something.
    if singles.len() * 3 < seconds.len() {
        return None;
    }
    // What their scatter is beyond that of the rows is the link's own; it adds up from frame to frame.
    let scatter = singles.iter().map(|s| (s - period_s).powi(2)).sum::<f64>() / singles.len() as f64;
    let of_rows = sample_period_s.powi(2) / 6.0 + 2.0 * jitter_s.powi(2);
    let link_s = (scatter - of_rows).max(0.0).sqrt().min(LINK_JITTER * period_s);
    // A change is seen at the next row: each end is late by up to one row, jitter included.
    let row_s = 1.05 * sample_period_s + 4.0 * jitter_s;
    let tolerance = |frames: f64| (row_s + 3.0 * link_s * frames.sqrt()).min(0.4 * period_s);
    let on_grid: Vec<f64> = seconds
        .iter()
        .filter_map(|s| {
            let multiple = (s / period_s).round();
            let miss = s - multiple * period_s;
            (multiple >= 1.0 && miss.abs() <= tolerance(multiple)).then_some(miss / multiple)
        })
        .collect();
    let share = on_grid.len() as f64 / seconds.len() as f64;
    // Intervals well below the period would be renewals between two frames.
    let short = seconds.partition_point(|s| *s < period_s - tolerance(1.0));
    if share < LEAST_SHARE || short * 20 > seconds.len() {
        return None;
    }
    let spread = (on_grid.iter().map(|miss| miss * miss).sum::<f64>() / on_grid.len() as f64).sqrt();
    Some(Frame {
        period_s,
        half_width_s: 1.96 * spread / (on_grid.len() as f64).sqrt(),
        share,
        intervals: seconds.len(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn signal(t: f64) -> f64 {
        let smooth = (t * 1.3).sin() + 0.3 * (t * 7.1).sin();
        ((0.85 + 0.1 * smooth + 0.004 * (t * 12_345.678).sin()) * 1000.0).round() / 1000.0
    }

    /// A logger at `rate_hz` with jitter, reading a link that renews every `frame_s`.
    fn held(rows: usize, rate_hz: f64, jitter: f64, frame_s: f64) -> (Vec<f64>, Vec<f64>) {
        let time_s: Vec<f64> =
            (0..rows).map(|row| (row as f64 + jitter * (row as f64 * 78.233).sin()) / rate_hz).collect();
        let values = time_s.iter().map(|t| signal((t / frame_s + 1e-9).floor() * frame_s)).collect();
        (time_s, values)
    }

    #[test]
    fn a_slow_link_in_a_fast_log_is_found() {
        for (rate_hz, frame_s, jitter) in [
            (50.0, 0.08, 0.0),
            (50.0, 0.08, 0.2),
            (100.0, 0.05, 0.1),
            (50.0, 0.05, 0.1),
            (20.0, 0.2, 0.3),
            (100.0, 0.0813, 0.05),
        ] {
            let (time_s, values) = held(6000, rate_hz, jitter, frame_s);
            let frame = frame(&time_s, &values, 1.0 / rate_hz).expect("a frame period");
            assert!((frame.period_s / frame_s - 1.0).abs() < 0.03, "{frame_s} in {rate_hz} Hz: {frame:?}");
            assert!(frame.share > 0.9 && frame.half_width_s < 0.1 * frame_s);
        }
    }

    #[test]
    fn a_slow_link_whose_frames_scatter_by_more_than_a_row_is_found() {
        // Frames of 187 ms, 4 % more or less each, in rows of 10 ms.
        let mut noise = crate::signal::reference::Noise::new(3);
        let time_s: Vec<f64> = (0..9_000).map(|row| f64::from(row) * 0.01).collect();
        let (mut next_s, mut value) = (0.0, 0.0);
        let values: Vec<f64> = time_s
            .iter()
            .map(|t| {
                while *t >= next_s {
                    value = signal(next_s);
                    next_s += 0.187 * (1.0 + 0.04 * noise.next().clamp(-2.5, 2.5));
                }
                value
            })
            .collect();
        let frame = frame(&time_s, &values, 0.01).expect("a frame period");
        assert!((frame.period_s / 0.187 - 1.0).abs() < 0.03, "{frame:?}");
    }

    #[test]
    fn a_value_renewed_in_every_row_has_no_longer_frame() {
        let (time_s, values) = held(5000, 50.0, 0.1, 0.02);
        assert_eq!(frame(&time_s, &values, 0.02), None);
    }

    #[test]
    fn natural_repeats_of_a_quiet_value_are_no_frame() {
        let time_s: Vec<f64> = (0..20_000).map(|row| f64::from(row) * 0.02).collect();
        // A coolant temperature in whole degrees: it changes when it does.
        let slow: Vec<f64> =
            time_s.iter().map(|t| (85.0 + 6.0 * (t * 0.21).sin() + 3.0 * (t * 0.57).sin()).round()).collect();
        assert_eq!(frame(&time_s, &slow, 0.02), None);
        let quiet: Vec<f64> = time_s.iter().map(|t| (50.5 + 0.4 * (t * 9_876.543).sin()).round()).collect();
        assert_eq!(frame(&time_s, &quiet, 0.02), None);
    }

    #[test]
    fn one_channel_per_row_in_turn_is_found_even_when_it_changes_seldom() {
        // Ten channels asked in turn at 11 Hz: each is renewed in every tenth row.
        let rows = 9000_usize;
        let time_s: Vec<f64> =
            (0..rows).map(|row| row as f64 * 0.09 + 0.01 * (row as f64 * 3.7).sin()).collect();
        let values: Vec<f64> =
            (0..rows).map(|row| (85.0 + 5.0 * ((row / 10) as f64 * 0.1).sin()).round()).collect();
        let frame = frame(&time_s, &values, 0.09).expect("a frame period");
        assert!((frame.period_s - 0.9).abs() < 0.02, "{frame:?}");
    }

    #[test]
    fn odd_input_gives_nothing() {
        assert_eq!(frame(&[], &[], 0.1), None);
        assert_eq!(frame(&[0.0], &[1.0], 0.0), None);
        assert_eq!(frame(&[0.0; 500], &[1.0; 500], f64::NAN), None);
        assert_eq!(frame(&[0.0; 500], &[f64::NAN; 500], 0.1), None);
    }
}
