//! Readings that follow a line without the noise they have beside it: a hole that was filled in.

use super::pace::{NOISY, Readings, differ_by_motion, noise_by, shown_difference};
use super::{
    Detector, Evaluated, Field, Finding, Gaps, Limit, Limits, Meta, Outcome, Phase, Scope, Stage, View,
};
use crate::flag::Flag;
use crate::log::Channel;
use crate::signal::fresh;
use crate::state::bit;

/// See its text in `sondeproof explain interpolated`.
pub(super) struct Interpolated;

static FEWEST: Limit = Limit {
    name: "readings",
    unit: "1",
    default: 8.0,
    range: (3.0, 10_000.0),
    why: "a filter of a few readings may straighten as many; eight in a line are none of it (assumed), `chance` decides",
};
static OFF: Limit = Limit {
    name: "off_share",
    unit: "1",
    default: 0.1,
    range: (0.001, 1.0),
    why: "of the channel's noise: so near a line lie 8 % of its readings by chance (computed from the normal distribution); \
          a curve of half a second is a chain of such lines",
};
static TIMES: Limit = Limit {
    name: "times_usual",
    unit: "1",
    default: 2.0,
    range: (1.0, 1_000.0),
    why: "a channel that was laid between slower readings all along the log has short lines everywhere: a hole is so many times \
          longer than nineteen of twenty (assumed)",
};
static CHANCE: Limit = Limit {
    name: "chance",
    unit: "1",
    default: 0.001,
    range: (1e-9, 0.5),
    why: "expected number of such runs by chance in a whole log of this length (assumed); a tenth of that of `flat_line`, because \
          the readings themselves choose the line",
};

static SLOWEST: Limit = Limit {
    name: "fresh_period_s",
    unit: "s",
    default: 0.15,
    range: (0.001, 60.0),
    why: "readings further apart differ by motion of the engine, of which a line is a part like any other; measured on open \
          drives with one reading a second, where a steady speed is a line of ten",
};
static HOLD: Limit = Limit {
    name: "engine_hold_s",
    unit: "s",
    default: 1.0,
    range: (0.1, 600.0),
    why: "of engine speed and manifold pressure: a shorter hole is over before the operating point changes (assumed, as for \
          `standstill`)",
};

static LASTS: Field = Field { name: "lasts_s", unit: "s" };
static COUNT: Field = Field { name: "readings", unit: "1" };
static NOISE: Field = Field { name: "noise", unit: "inside unit of the role" };
static LOG10: Field = Field { name: "log10_p", unit: "1" };

/// Readings on each side of a run from which the channel's noise is learned, and fewest to learn it from.
const NEAR: usize = 60;
const ENOUGH: usize = 20;

/// Readings in which they are looked for.
const NEAR_READINGS: usize = 2_400;
/// Noise over the steps from which on two readings in a row are seldom equal: one in five (computed).
const FINE: f64 = 1.5;
/// Lines of one slope beside which another one is no hole, and how much slopes of one pace differ by the rounding of their ends;
/// assumed.
const PACE_LINES: usize = 2;
const SAME_SLOPE: f64 = 0.05;
/// Shorter runs are not kept.
const LEAST: usize = 3;
/// Lengths are told apart up to here.
const LONG: usize = 256;

/// The mixture itself goes where noise is no measure of it.
const CUT: u16 = bit::OVER_RUN | bit::LIMITER | bit::GEAR_CHANGE | bit::UNLOAD;

static META: Meta = Meta {
    name: "interpolated",
    stage: Stage::Scored,
    phase: Phase::Samples,
    scope: Scope::Channel,
    summary: "readings of mixture or engine on a line, without the noise that they have beside it: filled in",
    applies_to: NOISY,
    needs: &[],
    method: "Readings that differ from the one before them are followed as long as one straight line through the first \
             of them passes within one step of the channel, or twice `off_share` of its noise, of each, and they go on \
             upwards or on downwards. Runs of `readings` or more while the engine runs and fuel is not cut, \
             `times_usual` times longer than nineteen of twenty of the log, and not of one slope with two others, are \
             fitted by least squares. The noise beside the run in the same operating state, or with the throttle open \
             as there (the quieter side counts), gives the probability that so many readings lie as near to the line \
             as the farthest of them does, half a step or `off_share` of the noise at least. It is a finding when \
             that, times the number of readings of the log, is below `chance`. Readings that are all equal are judged \
             by `flat_line`.",
    assumes: "No controller or logger limits how fast the value may go. What makes the noise of mixture, speed and \
              manifold (combustion, converter, teeth of a wheel) does not pause within one operating state.",
    misses: "A channel read less often than `fresh_period_s`. A hole filled from fewer than `readings` readings; a \
             channel whose own steps are coarser than its noise, or that is filtered until it is smooth. Three holes \
             of one slope, which are taken for the pace of a controller; a controller that draws one or two such lines \
             is told for a hole. A hole filled with noise, or with readings of another pass (`copied`). Whether the \
             readings were lost or taken out.",
    gaps: Gaps::Break,
    limits: &[&FEWEST, &OFF, &TIMES, &CHANCE, &SLOWEST, &HOLD],
    evidence: &[&LASTS, &COUNT, &NOISE, &LOG10],
    sources: &[
        "probability of readings within a band: computed for the lean-event physics note, as for `flat_line`",
        "filling of missing values by straight lines when tables are joined or resampled: common practice, no source",
    ],
};

impl Detector for Interpolated {
    fn meta(&self) -> &'static Meta {
        &META
    }

    fn run(&self, channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Outcome {
        let readings = Readings::of(channel, view);
        if readings.len() < 2 * ENOUGH {
            return Outcome::not_run(format!("fewer than {} readings", 2 * ENOUGH));
        }
        let period_s = channel.fresh_period_s().unwrap_or(f64::INFINITY);
        if period_s > limits.get(&SLOWEST) * (1.0 + 1e-6) {
            return Outcome::not_run(differ_by_motion(period_s));
        }
        let shortest_s = if channel.role.is_mixture() { 0.0 } else { limits.get(&HOLD) };
        let step = channel.resolution();
        let off = limits.get(&OFF);
        let changes = readings.changes().count().max(2);
        let each_s = (readings.time_s(readings.len() - 1) - readings.time_s(0)) / (changes - 1) as f64;
        let case = Case { view, readings: &readings, step, each_s };
        let (lines, usual) = case.lines(step.max(2.0 * off * readings.noise) * (1.0 + 1e-6));
        let fewest = limits.get(&FEWEST).max(limits.get(&TIMES) * usual as f64);
        let bar = limits.get(&CHANCE).log10() - (readings.len() as f64).log10();
        let long: Vec<Line> = lines.into_iter().filter(|line| line.count as f64 >= fewest).collect();
        let slopes: Vec<f64> = long.iter().map(|line| case.slope(line)).collect();
        let findings = long
            .into_iter()
            .filter(|line| case.lasts_s(line) >= shortest_s && case.in_work(line))
            .filter(|line| !is_pace(case.slope(line), &slopes))
            .filter_map(|line| {
                let noise = case.noise_beside(&line)?;
                let reach = case.farthest(&line).max(0.5 * step).max(off * noise);
                // A level line of rounded numbers changes seldom; noise finer than the steps changes with every reading.
                let due = if noise >= FINE * step { (case.lasts_s(&line) / each_s) as usize } else { 0 };
                // Two readings make the line.
                let log10_p = fresh::log10_equal(line.count.max(due) - 1, noise / (2.0 * reach));
                (log10_p <= bar).then(|| case.describe(channel, &line, noise, log10_p))
            })
            .collect();
        Outcome::ran(Evaluated::All, findings)
    }
}

/// Readings on one straight line.
struct Line {
    /// Indices of the first reading and of the last.
    first: usize,
    last: usize,
    /// Readings that differ from the one before them.
    count: usize,
}

/// A line that may go on.
struct Open {
    line: Line,
    /// The least and the largest slope with which it passes all its readings, inside unit per second.
    slopes: [f64; 2],
}

impl Open {
    /// Of one reading: any slope.
    fn at(at: usize) -> Self {
        let line = Line { first: at, last: at, count: 1 };
        Self { line, slopes: [f64::NEG_INFINITY, f64::INFINITY] }
    }
}

/// Whether lines of a slope are a habit of the channel: a controller that lets a value go no faster than so much draws lines of one
/// slope, and a hole has any.
fn is_pace(slope: f64, all: &[f64]) -> bool {
    all.iter().filter(|other| (*other - slope).abs() <= SAME_SLOPE * slope).count() > PACE_LINES
}

/// The readings of one channel.
struct Case<'a> {
    view: &'a View<'a>,
    readings: &'a Readings<'a>,
    /// Resolution, inside unit.
    step: f64,
    /// Time between readings that differ, on an average of the log, s.
    each_s: f64,
}

impl Case<'_> {
    fn state(&self, at: usize) -> u16 {
        self.readings.row(at).and_then(|row| self.view.state.bits.get(row).copied()).unwrap_or(0)
    }

    /// Runs of readings of which each lies within `reach` of a line through the first, those of [`LEAST`] and more; and the
    /// length that nineteen of twenty of all do not exceed. O(n).
    fn lines(&self, reach: f64) -> (Vec<Line>, usize) {
        let mut lines = Vec::new();
        let mut lengths = [0_usize; LONG];
        let mut close = |open: Option<Open>| {
            let Some(Open { line, .. }) = open else { return };
            lengths[line.count.min(LONG - 1)] += 1;
            if line.count >= LEAST {
                lines.push(line);
            }
        };
        let segments = &self.view.log.clock.segments;
        let mut segment = 0;
        let mut open: Option<Open> = None;
        for at in self.readings.changes() {
            let row = self.readings.row(at).unwrap_or(usize::MAX);
            let apart = segments.get(segment).is_none_or(|segment| row >= segment.end);
            while segments.get(segment).is_some_and(|segment| row >= segment.end) {
                segment += 1;
            }
            let before = open.as_ref().filter(|_| !apart);
            let next = match before.map(|open| (self.joins(open, at, reach), open.line.last)) {
                Some((Some(longer), _)) => {
                    open = Some(longer);
                    continue;
                }
                // The reading before may be the first of the next line as well.
                Some((None, last)) => self.joins(&Open::at(last), at, reach).unwrap_or(Open::at(at)),
                None => Open::at(at),
            };
            close(open.replace(next));
        }
        close(open);
        let all: usize = lengths.iter().sum();
        let mut passed = 0;
        let usual = lengths.iter().position(|count| {
            passed += count;
            20 * passed >= 19 * all
        });
        (lines, usual.unwrap_or(0))
    }

    /// The line with one more reading, where it stays straight and goes on the same way.
    fn joins(&self, open: &Open, at: usize, reach: f64) -> Option<Open> {
        let (first, last) = (open.line.first, open.line.last);
        let elapsed_s = self.readings.time_s(at) - self.readings.time_s(first);
        let rise = self.readings.value(at) - self.readings.value(first);
        let low = open.slopes[0].max((rise - reach) / elapsed_s);
        let high = open.slopes[1].min((rise + reach) / elapsed_s);
        // A line goes one way; a converter that wavers between two of its codes goes to and fro.
        let onward = (self.readings.value(at) - self.readings.value(last)) * rise > 0.0;
        let line = Line { first, last: at, count: open.line.count + 1 };
        (low <= high && onward).then_some(Open { line, slopes: [low, high] })
    }

    /// Whether the engine runs and burns in the middle of a run.
    fn in_work(&self, line: &Line) -> bool {
        let state = self.state(usize::midpoint(line.first, line.last));
        state & bit::RUNNING != 0 && state & CUT == 0
    }

    /// The largest distance of a reading from the least-squares line, inside unit.
    fn farthest(&self, line: &Line) -> f64 {
        let points = || {
            let differs = |at: &usize| *at == line.first || self.readings.differs(*at);
            let changed = (line.first..=line.last).filter(differs);
            changed.map(|at| (self.readings.time_s(at), self.readings.value(at)))
        };
        let n = points().count() as f64;
        let (mean_s, mean) = points().fold((0.0, 0.0), |sum, (t, x)| (sum.0 + t / n, sum.1 + x / n));
        let (mut tt, mut tx) = (0.0, 0.0);
        for (t, x) in points() {
            tt += (t - mean_s) * (t - mean_s);
            tx += (t - mean_s) * (x - mean);
        }
        points().map(|(t, x)| (x - mean - tx / tt * (t - mean_s)).abs()).fold(0.0, f64::max)
    }

    /// Standard deviation of the noise beside a run in the same operating state, inside unit, by its quieter side.
    fn noise_beside(&self, line: &Line) -> Option<f64> {
        let state = self.state(usize::midpoint(line.first, line.last));
        // A hole at the start of a pull lies in a state of its own; the noise of the pull is that of a wide open throttle.
        let open = state & bit::WIDE_OPEN != 0;
        let same =
            |other: u16| if open { other & bit::WIDE_OPEN != 0 && other & CUT == 0 } else { other == state };
        let like = |at: &usize| same(self.state(*at));
        let before = self.noise_among((0..line.first).rev().take(NEAR_READINGS).filter(like));
        let after = self.noise_among((line.last + 1..self.readings.len()).take(NEAR_READINGS).filter(like));
        before.into_iter().chain(after).min_by(f64::total_cmp)
    }

    /// Of the nearest [`NEAR`] of some readings, one for each time in which the channel usually changes: repeats of a held reading
    /// are no lack of noise, and what changes seldom has little of it. Only readings that follow each other make a difference.
    fn noise_among(&self, readings: impl Iterator<Item = usize>) -> Option<f64> {
        let mut points: Vec<(f64, f64)> = Vec::with_capacity(NEAR);
        for at in readings {
            let time_s = self.readings.time_s(at);
            if points.last().is_none_or(|(last_s, _)| (time_s - last_s).abs() >= self.each_s * (1.0 - 1e-6)) {
                points.push((time_s, self.readings.value(at)));
                if points.len() >= NEAR {
                    break;
                }
            }
        }
        let together = |w: &&[(f64, f64)]| (w[2].0 - w[0].0).abs() <= 4.0 * self.each_s;
        let bend = |w: &[(f64, f64)]| w[0].1 - 2.0 * w[1].1 + w[2].1;
        let bends: Vec<f64> = points.windows(3).filter(together).map(bend).collect();
        (bends.len() >= ENOUGH).then(|| noise_by(bends, self.step))
    }

    /// How fast the reading goes along a line, inside unit per second.
    fn slope(&self, line: &Line) -> f64 {
        (self.readings.value(line.last) - self.readings.value(line.first)).abs() / self.lasts_s(line)
    }

    fn lasts_s(&self, line: &Line) -> f64 {
        self.readings.time_s(line.last) - self.readings.time_s(line.first)
    }

    fn describe(&self, channel: &Channel, line: &Line, noise: f64, log10_p: f64) -> Finding {
        let rows = self.readings.shown(line.first, line.last + 1);
        let lasts_s = self.lasts_s(line);
        let message = format!(
            "{} follows a straight line for {lasts_s:.2} s ({} readings) without the noise of {} that it has beside it; the chance \
             is 1 in 10^{:.0}: a hole was filled in there, or what passes the value on lets it go no faster, and what the engine burnt is \
             not known",
            channel.name,
            line.count,
            shown_difference(channel, noise),
            -log10_p
        );
        let evidence =
            vec![(&LASTS, lasts_s), (&COUNT, line.count as f64), (&NOISE, noise), (&LOG10, log10_p)];
        Finding::new(
            rows,
            if channel.role.is_mixture() { Flag::Bad } else { Flag::Suspect },
            message,
            evidence,
        )
    }
}

#[cfg(test)]
mod tests {
    use std::ops::Range;

    use super::*;
    use crate::detect::testing::{Bench, Noise, clean_drive, evidence, quantised};
    use crate::log::Role;

    /// 30 s at 20 Hz of one pull, with `fill` laid over `rows`.
    fn filled(step: f64, rows: Range<usize>, fill: impl Fn(f64) -> f64) -> Bench {
        let mut noise = Noise::new(3);
        let measured: Vec<f64> = (0..600).map(|_| quantised(0.8 + 0.004 * noise.next(), step)).collect();
        let (from, to) = (measured[rows.start - 1], measured[rows.end]);
        let length = (rows.len() + 1) as f64;
        let value = |row: usize| {
            if !rows.contains(&row) {
                return measured[row];
            }
            let share = fill((row + 1 - rows.start) as f64 / length);
            quantised(from + (to - from) * share + 0.03 * share, step)
        };
        Bench::new(20.0, 600).values(Role::Lambda, (0..600).map(value).collect()).state(
            bit::RUNNING | bit::FULL_LOAD,
            0.0,
            30.0,
        )
    }

    #[test]
    fn a_hole_filled_by_a_line_or_a_curve_is_found_where_it_is() {
        let line = |share: f64| share;
        let cosine = |share: f64| 0.5 - 0.5 * (std::f64::consts::PI * share).cos();
        for step in [0.001, 1e-6] {
            for found in [
                filled(step, 300..330, line).findings(&Interpolated, Role::Lambda),
                filled(step, 300..330, cosine).findings(&Interpolated, Role::Lambda),
            ] {
                // A curve is a chain of lines, of which the steep and the level ends may not stand out.
                let (first, last) = (found.first().expect("a hole"), found.last().expect("a hole"));
                assert!((297..312).contains(&first.rows.start), "{found:?}");
                assert!((318..334).contains(&last.rows.end), "{found:?}");
                assert_eq!(found[0].flag, Flag::Bad);
                assert!(evidence(&found[0], "log10_p") < -4.0);
            }
        }
    }

    #[test]
    fn noise_is_no_line_however_long_it_is_looked_at() {
        for seed in 1..20 {
            assert!(clean_drive(seed).findings(&Interpolated, Role::Lambda).is_empty(), "{seed}");
        }
    }

    #[test]
    fn a_channel_that_is_coarse_or_drawn_between_slower_readings_has_no_line_that_says_anything() {
        let coarse = filled(0.02, 300..330, |share| share);
        assert!(coarse.findings(&Interpolated, Role::Lambda).is_empty());
        let mut noise = Noise::new(4);
        let slow: Vec<f64> = (0..121).map(|_| 0.8 + 0.004 * noise.next()).collect();
        let between = |row: usize| {
            let share = (row % 5) as f64 / 5.0;
            slow[row / 5] * (1.0 - share) + slow[row / 5 + 1] * share
        };
        let drawn = Bench::new(50.0, 600).values(Role::Lambda, (0..600).map(between).collect());
        let drawn = drawn.state(bit::RUNNING | bit::FULL_LOAD, 0.0, 12.0);
        assert!(drawn.findings(&Interpolated, Role::Lambda).is_empty());
    }

    #[test]
    fn a_short_hole_and_a_level_one_are_left_alone() {
        assert!(filled(0.001, 300..305, |share| share).findings(&Interpolated, Role::Lambda).is_empty());
        let mut values: Vec<f64> = Vec::new();
        let mut noise = Noise::new(5);
        for row in 0..600 {
            values.push(if (300..330).contains(&row) { 0.8 } else { 0.8 + 0.004 * noise.next() });
        }
        let level = Bench::new(20.0, 600).values(Role::Lambda, values).state(bit::RUNNING, 0.0, 30.0);
        assert!(level.findings(&Interpolated, Role::Lambda).is_empty());
    }
}
