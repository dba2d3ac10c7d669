//! Readings that follow a line without the noise they have beside it: a hole that was filled in.

use super::pace::{Readings, noise_of, shown_difference};
use super::{
    Detector, Evaluated, Field, Finding, Gaps, Limit, Limits, Meta, Outcome, Phase, Scope, Stage, View,
};
use crate::flag::Flag;
use crate::log::{Channel, Role};
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

/// Noise over the steps from which on two readings in a row are seldom equal: one in five (computed).
const FINE: f64 = 1.5;
/// Shorter runs are not kept.
const LEAST: usize = 3;
/// Lengths are told apart up to here.
const LONG: usize = 256;

/// The mixture itself goes where noise is no measure of it.
const CUT: u16 = bit::OVER_RUN | bit::LIMITER | bit::GEAR_CHANGE | bit::UNLOAD;

/// The mixture, and what the state is told from that has noise of its own.
const ROLES: &[Role] =
    &[Role::Lambda, Role::Afr, Role::EngineSpeed, Role::ManifoldPressure, Role::BoostPressure];

static META: Meta = Meta {
    name: "interpolated",
    stage: Stage::Scored,
    phase: Phase::Samples,
    scope: Scope::Channel,
    summary: "readings of mixture or engine on a line, without the noise that they have beside it: filled in",
    applies_to: ROLES,
    needs: &[],
    method: "Readings that differ from the one before them are followed as long as one straight line through the first of \
             them passes within one step of the channel, or twice `off_share` of its noise, of each, and they go on upwards or on \
             downwards. Runs of `readings` or more \
             while the engine runs and fuel is not cut, `times_usual` times longer than nineteen of twenty of the log, are \
             fitted by least squares. The noise beside the run in the same operating state, or with the throttle open as there (the quieter side counts), gives the \
             probability that so many readings lie as near to the line as the farthest of them does, half a step or `off_share` \
             of the noise at least. It is a finding when that, times the number of readings of the log, is below `chance`. \
             Readings that are all equal are judged by `flat_line`.",
    assumes: "What makes the noise of mixture, speed and manifold (combustion, converter, teeth of a wheel) does not pause within one \
              operating state.",
    misses: "A channel read less often than `fresh_period_s`. A hole filled from fewer than `readings` readings; a channel whose own steps are coarser than its noise, or that is \
             filtered until it is smooth. A hole filled with noise, or with readings of another pass (`copied`). Whether the \
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
            return Outcome::not_run(format!(
                "one reading every {period_s:.2} s: readings so far apart differ by motion, not by noise"
            ));
        }
        let shortest_s = if channel.role.is_mixture() { 0.0 } else { limits.get(&HOLD) };
        let step = channel.resolution();
        let off = limits.get(&OFF);
        let case = Case { view, readings: &readings, step };
        let (lines, usual) = case.lines(step.max(2.0 * off * readings.noise) * (1.0 + 1e-6));
        let changes = (1..readings.len()).filter(|at| case.changes(*at)).count().max(1);
        let each_s = (readings.time_s(readings.len() - 1) - readings.time_s(0)) / changes as f64;
        let fewest = limits.get(&FEWEST).max(limits.get(&TIMES) * usual as f64);
        let bar = limits.get(&CHANCE).log10() - (readings.len() as f64).log10();
        let findings = lines
            .into_iter()
            .filter(|line| {
                line.count as f64 >= fewest && case.lasts_s(line) >= shortest_s && case.in_work(line)
            })
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

/// The readings of one channel.
struct Case<'a> {
    view: &'a View<'a>,
    readings: &'a Readings<'a>,
    /// Resolution, inside unit.
    step: f64,
}

impl Case<'_> {
    /// Whether a reading differs from the one before it.
    fn changes(&self, at: usize) -> bool {
        at == 0 || self.readings.value(at) != self.readings.value(at - 1)
    }

    fn state(&self, at: usize) -> u16 {
        self.readings.row(at).and_then(|row| self.view.state.bits.get(row).copied()).unwrap_or(0)
    }

    /// Runs of readings of which each lies within `reach` of a line through the first, those of [`LEAST`] and more; and the
    /// length that nineteen of twenty of all do not exceed. O(n).
    fn lines(&self, reach: f64) -> (Vec<Line>, usize) {
        let mut lines = Vec::new();
        let mut lengths = [0_usize; LONG];
        let mut close = |line: Line| {
            lengths[line.count.min(LONG - 1)] += 1;
            if line.count >= LEAST {
                lines.push(line);
            }
        };
        let segments = &self.view.log.clock.segments;
        let mut segment = 0;
        let mut open: Option<(Line, [f64; 2])> = None;
        for at in (0..self.readings.len()).filter(|at| self.changes(*at)) {
            let row = self.readings.row(at).unwrap_or(usize::MAX);
            let apart = segments.get(segment).is_none_or(|segment| row >= segment.end);
            while segments.get(segment).is_some_and(|segment| row >= segment.end) {
                segment += 1;
            }
            let joined = open.as_ref().filter(|_| !apart).and_then(|(line, slopes)| {
                let elapsed_s = self.readings.time_s(at) - self.readings.time_s(line.first);
                let rise = self.readings.value(at) - self.readings.value(line.first);
                let low = slopes[0].max((rise - reach) / elapsed_s);
                let high = slopes[1].min((rise + reach) / elapsed_s);
                // A line goes one way; a converter that wavers between two of its codes goes to and fro.
                let onward = (self.readings.value(at) - self.readings.value(line.last)) * rise > 0.0;
                (low <= high && onward).then_some([low, high])
            });
            let last = open.as_ref().map(|(line, _)| line.last);
            match (joined, &mut open) {
                (Some(within), Some((line, slopes))) => {
                    (line.last, line.count, *slopes) = (at, line.count + 1, within);
                }
                _ => {
                    if let Some((line, _)) = open.take() {
                        close(line);
                    }
                    // The reading before may be the first of the next line as well.
                    let first = last.filter(|_| !apart).unwrap_or(at);
                    let count = if first == at { 1 } else { 2 };
                    let slopes = if first == at {
                        [f64::NEG_INFINITY, f64::INFINITY]
                    } else {
                        let elapsed_s = self.readings.time_s(at) - self.readings.time_s(first);
                        let rise = self.readings.value(at) - self.readings.value(first);
                        [(rise - reach) / elapsed_s, (rise + reach) / elapsed_s]
                    };
                    open = Some((Line { first, last: at, count }, slopes));
                }
            }
        }
        if let Some((line, _)) = open {
            close(line);
        }
        let all: usize = lengths.iter().sum();
        let mut passed = 0;
        let usual = lengths.iter().position(|count| {
            passed += count;
            20 * passed >= 19 * all
        });
        (lines, usual.unwrap_or(0))
    }

    /// Whether the engine runs and burns in the middle of a run.
    fn in_work(&self, line: &Line) -> bool {
        let state = self.state(usize::midpoint(line.first, line.last));
        state & bit::RUNNING != 0 && state & CUT == 0
    }

    /// The largest distance of a reading from the least-squares line, inside unit.
    fn farthest(&self, line: &Line) -> f64 {
        let points = || {
            let changed = (line.first..=line.last).filter(|at| self.changes(*at) || *at == line.first);
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
        let before = (0..line.first).rev().take(10 * NEAR).filter(like).collect::<Vec<_>>();
        let after = (line.last + 1..self.readings.len()).take(10 * NEAR).filter(like).collect();
        let sides = [before, after].into_iter().filter_map(|side| self.noise_among(&side));
        sides.min_by(f64::total_cmp)
    }

    /// Of the nearest [`NEAR`] of some readings. Repeats of a held reading make the noise smaller than it is; where it is finer
    /// than the steps, no others are equal, and they are left out.
    fn noise_among(&self, readings: &[usize]) -> Option<f64> {
        let noise = |of: &mut dyn Iterator<Item = usize>| {
            let values: Vec<f64> = of.take(NEAR).map(|at| self.readings.value(at)).collect();
            (values.len() >= ENOUGH).then(|| noise_of(&values, self.step))
        };
        let fresh = noise(&mut readings.iter().copied().filter(|at| self.changes(*at)));
        match fresh.filter(|noise| *noise >= FINE * self.step) {
            Some(noise) => Some(noise),
            None => noise(&mut readings.iter().copied()),
        }
    }

    fn lasts_s(&self, line: &Line) -> f64 {
        self.readings.time_s(line.last) - self.readings.time_s(line.first)
    }

    fn describe(&self, channel: &Channel, line: &Line, noise: f64, log10_p: f64) -> Finding {
        let rows = self.readings.shown(line.first, line.last + 1);
        let lasts_s = self.lasts_s(line);
        let message = format!(
            "{} follows a straight line for {lasts_s:.2} s ({} readings) without the noise of {} that it has beside it; the chance \
             is 1 in 10^{:.0}: a hole was filled in there, and what the engine burnt is not known",
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
