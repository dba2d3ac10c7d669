//! Steps of a logged commanded lambda: natural steps that need no fuel cut, so that a channel whose end stop hides
//! every cut can still show its response.

use super::Fresh;
use super::step::Ends;
use crate::log::{Channel, Log, Role};
use crate::signal::response::Step;
use crate::signal::robust::median;

/// Least change of the command, phi (assumed: twenty times the noise of a good channel).
const LEAST_PHI: f64 = 0.10;
/// The command stands still to this much before and after, phi (assumed).
const STILL_PHI: f64 = 0.02;
/// For how long before and after, s: the gas needs up to 0.35 s, an aged sensor as long again (assumed).
const BEFORE_S: f64 = 0.3;
const AFTER_S: f64 = 1.2;
/// The command is there within this, s: a ramp is no step (assumed).
const QUICK_S: f64 = 0.06;
/// Speed and load may change by this share meanwhile: the mixture follows its command only at steady load (assumed).
const STEADY: f64 = 0.15;
/// The reading begins to follow within this, s (gas path and link; assumed).
const LATEST_S: f64 = 0.6;
/// Where it settles is not known better than this share of the step: part of the fuel arrives later, by way of the port
/// walls (assumed).
const SETTLED_SHARE: f64 = 0.05;

/// Commanded steps of one direction.
#[derive(Default)]
pub(super) struct Commanded {
    /// The responses.
    pub(super) steps: Vec<Step>,
    /// When the reading began to move, s.
    pub(super) onset_s: Vec<f64>,
}

/// Commanded steps of both directions.
#[derive(Default)]
pub(super) struct Both {
    /// To leaner gas.
    pub(super) to_lean: Commanded,
    /// To richer gas.
    pub(super) to_rich: Commanded,
}

/// Every step of the commanded lambda that the reading follows; none without that channel.
///
/// * `sigma`: noise of a reading, phi
pub(super) fn steps(log: &Log, fresh: &Fresh<'_>, ends: &Ends, sigma: f64) -> Both {
    let mut both = Both::default();
    let Some(target) = log.role(Role::LambdaTarget) else { return both };
    let course = Course::of(log, target);
    let steady: Vec<&Channel> = [Role::ManifoldPressure, Role::Throttle, Role::EngineSpeed]
        .into_iter()
        .filter_map(|role| log.role(role))
        .collect();
    for change in course.changes() {
        let rows = course.rows(change.time_s - BEFORE_S, change.time_s + AFTER_S);
        if !steady.iter().all(|channel| is_steady(channel, rows.clone())) {
            continue;
        }
        if let Some((step, onset_s)) = response(fresh, ends, &change, sigma) {
            let one = if change.to_phi < change.from_phi { &mut both.to_lean } else { &mut both.to_rich };
            one.steps.push(step);
            one.onset_s.push(onset_s);
        }
    }
    both
}

/// One change of the command.
struct Change {
    time_s: f64,
    from_phi: f64,
    to_phi: f64,
}

/// The command over time, rows without a value left out.
struct Course {
    row: Vec<usize>,
    time_s: Vec<f64>,
    phi: Vec<f64>,
}

impl Course {
    fn of(log: &Log, target: &Channel) -> Self {
        let mut course = Self { row: Vec::new(), time_s: Vec::new(), phi: Vec::new() };
        for (row, lambda) in target.readings(0..target.rows()).filter(|(_, lambda)| *lambda > 0.0) {
            course.row.push(row);
            course.time_s.push(log.clock.time_s[row]);
            course.phi.push(lambda.recip());
        }
        course
    }

    fn rows(&self, from_s: f64, to_s: f64) -> std::ops::Range<usize> {
        let first = self.time_s.partition_point(|time| *time < from_s);
        let end = self.time_s.partition_point(|time| *time <= to_s);
        let row = |index: usize| self.row.get(index).copied();
        row(first).unwrap_or(0)..end.checked_sub(1).and_then(row).map_or(0, |last| last + 1)
    }

    /// Changes that are quick, large and stand between two stretches of standing still.
    fn changes(&self) -> Vec<Change> {
        let mut found = Vec::new();
        let mut at = 1;
        while at < self.phi.len() {
            let from_phi = self.phi[at - 1];
            if (self.phi[at] - from_phi).abs() <= STILL_PHI {
                at += 1;
                continue;
            }
            let start_s = self.time_s[at - 1];
            let there = self.time_s.partition_point(|time| *time <= self.time_s[at] + QUICK_S) - 1;
            let to_phi = self.phi[there];
            let still = |from: f64, to: f64, level: f64| {
                let first = self.time_s.partition_point(|time| *time < from);
                let end = self.time_s.partition_point(|time| *time <= to);
                let whole = self.time_s.get(first).is_some_and(|time| time - from < BEFORE_S)
                    && self.time_s.last().is_some_and(|last| *last >= to);
                // A change that took longer than `AFTER_S`, over a gap, leaves nothing between the two times.
                let between = self.phi.get(first..end).unwrap_or_default();
                whole && !between.is_empty() && between.iter().all(|phi| (phi - level).abs() <= STILL_PHI)
            };
            if (to_phi - from_phi).abs() >= LEAST_PHI
                && still(start_s - BEFORE_S, start_s, from_phi)
                && still(self.time_s[there], start_s + AFTER_S, to_phi)
            {
                found.push(Change { time_s: start_s, from_phi, to_phi });
            }
            at = there + 1;
        }
        found
    }
}

fn is_steady(channel: &Channel, rows: std::ops::Range<usize>) -> bool {
    let values = channel.readings(rows.start.min(rows.end)..rows.end).map(|(_, value)| value);
    let (low, high) = values
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)));
    high - low <= STEADY * high.abs()
}

/// The response of the reading; null when it does not follow the command, or an end stop hides part of it.
fn response(fresh: &Fresh<'_>, ends: &Ends, change: &Change, sigma: f64) -> Option<(Step, f64)> {
    let first = fresh.time_s.partition_point(|time| *time < change.time_s - BEFORE_S);
    let end = fresh.time_s.partition_point(|time| *time <= change.time_s + AFTER_S);
    let begin = fresh.time_s.partition_point(|time| *time <= change.time_s);
    let before = median(fresh.phi.get(first..begin)?)?;
    let settled_s = change.time_s + 0.5 * (LATEST_S + AFTER_S);
    let settled = fresh.time_s.partition_point(|time| *time < settled_s);
    let rest = median(fresh.phi.get(settled..end).filter(|readings| readings.len() >= 2)?)?;
    let height = rest - before;
    let commanded = change.to_phi - change.from_phi;
    let follows = height * commanded > 0.0 && (0.5..2.0).contains(&(height / commanded));
    let inside = |phi: f64| {
        ends.lean.is_none_or(|stop| phi > 1.01 * stop.recip())
            && ends.rich.is_none_or(|stop| phi < 0.99 * stop.recip())
    };
    let one_segment = fresh.segment(first) == fresh.segment(end.checked_sub(1)?);
    if !follows || !one_segment || !inside(before) || !inside(rest) {
        return None;
    }
    let share = |k: usize| (fresh.phi[k] - before) / height;
    let moved = (begin..end).find(|k| share(*k) > (4.0 * sigma / height.abs()).max(0.1))?;
    let base = moved.checked_sub(1)?;
    if fresh.time_s[moved] - change.time_s > LATEST_S {
        return None;
    }
    // The first reading that moved may stand in the bend with which cylinders and mixing begin a step.
    let samples: Vec<usize> =
        (moved..end).skip_while(|k| share(*k) < 0.2).take_while(|k| share(*k) <= 0.95).collect();
    let step = Step {
        time_s: samples.iter().map(|k| fresh.time_s[*k]).collect(),
        value: samples.iter().map(|k| fresh.phi[*k]).collect(),
        rest: (rest, SETTLED_SHARE * height.abs()),
        doubt: Vec::new(),
        tail: 0.0,
        slow_chance: 0.0,
    };
    (samples.len() >= 3).then_some((step, fresh.time_s[base]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chain::measure;
    use crate::chain::tests::log_of;
    use crate::log::UNITS;
    use crate::rig::Rig;
    use crate::state::States;

    /// A command between lambda 0.80 and 1.00 every 4 s on a channel that ends at 1.36; a first-order reading 60 ms later.
    struct Bench {
        rate_hz: f64,
        tau_s: f64,
        /// Share by which the manifold pressure moves with each step.
        load: f64,
        /// Seconds that the command takes.
        ramp_s: f64,
        /// Whether the reading follows.
        follows: bool,
    }

    impl Default for Bench {
        fn default() -> Self {
            Self { rate_hz: 25.0, tau_s: 0.12, load: 0.0, ramp_s: 0.0, follows: true }
        }
    }

    impl Bench {
        fn fits(&self) -> crate::chain::Fits {
            let rows = (80.0 * self.rate_hz) as usize;
            // The command is not in step with the logger.
            let rich = |time_s: f64| {
                let into = (time_s + 0.013 * (time_s / 4.0).floor()) % 8.0;
                let way = if self.ramp_s > 0.0 { (into.min(8.0 - into) / self.ramp_s).min(1.0) } else { 1.0 };
                if into < 4.0 { way } else { (1.0 - (into - 4.0) / self.ramp_s.max(1e-9)).max(0.0) }
            };
            let command = |time_s: f64| 1.0 + 0.25 * rich(time_s);
            let (mut phi, mut now) = (1.25, 0.0);
            let (mut time_s, mut lambda, mut target, mut manifold) = (vec![], vec![], vec![], vec![]);
            for row in 0..rows {
                let due = row as f64 / self.rate_hz;
                while now < due {
                    let gas = if self.follows { command((now - 0.06_f64).max(0.0)) } else { 1.0 };
                    phi += (gas - phi) * (1.0 - (-1e-3 / self.tau_s).exp());
                    now += 1e-3;
                }
                time_s.push(due);
                lambda.push((phi + 0.003 * ((row * 7919 % 13) as f64 / 6.0 - 1.0)).recip());
                target.push(command(due).recip());
                manifold.push(60_000.0 * (1.0 + self.load * rich(due)));
            }
            let make = |role: Role, values: Vec<f64>| {
                let mut channel = Channel::new(format!("{role:?}"), role, &UNITS[0], values, None);
                channel.measured.sample_period_s = Some(1.0 / self.rate_hz);
                channel
            };
            let mut channels = vec![
                make(Role::Lambda, lambda),
                make(Role::LambdaTarget, target),
                make(Role::ManifoldPressure, manifold),
            ];
            channels[0].measured.clip_high = Some(1.36);
            let log = log_of(time_s, self.rate_hz, channels);
            let state = States { bits: vec![0; rows], ..States::default() };
            measure(&log, &state, &Rig::default()).expect("mixture channel").fits
        }
    }

    #[test]
    fn a_change_over_a_gap_is_no_step() {
        let course = Course {
            row: (0..200).collect(),
            time_s: (0..200).map(|row| 0.04 * f64::from(row) + if row < 100 { 0.0 } else { 30.0 }).collect(),
            phi: (0..200).map(|row| if row < 100 { 1.0 } else { 1.25 }).collect(),
        };
        assert!(course.changes().is_empty());
    }

    #[test]
    fn commanded_steps_show_the_response_of_a_channel_that_clips_every_cut() {
        for (rate_hz, tau_s) in [(25.0, 0.12), (50.0, 0.08), (50.0, 0.20)] {
            let fits = Bench { rate_hz, tau_s, ..Bench::default() }.fits();
            for fit in [&fits.rich_to_lean, &fits.lean_to_rich] {
                assert!(fit.curve.steps >= 8, "{rate_hz} Hz: {} steps", fit.curve.steps);
                let found = fit.measured().expect("a time constant");
                assert!((found.value / tau_s - 1.0).abs() < 0.15, "{rate_hz} Hz, {tau_s} s: {found:?}");
            }
        }
    }

    #[test]
    fn a_ramp_a_change_of_load_and_a_reading_that_does_not_follow_are_no_steps() {
        for bench in [
            Bench { ramp_s: 0.5, ..Bench::default() },
            Bench { load: 0.5, ..Bench::default() },
            Bench { follows: false, ..Bench::default() },
        ] {
            let fits = bench.fits();
            assert_eq!((fits.rich_to_lean.found, fits.lean_to_rich.found), (0, 0));
        }
    }
}
