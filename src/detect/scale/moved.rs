//! A zero that moves while the log runs: closed-loop running that stands at lambda 1 at first and beside it later, or the
//! other way round.

use std::ops::Range;

use super::loops;
use crate::detect::View;
use crate::log::{Channel, Role};
use crate::signal::{robust, search};
use crate::state::bit;

/// So long after the engine came to idle films and the sensor's tail are over, s (assumed); cruise is steady for as long before
/// it is called so.
const SETTLES_S: f64 = 1.0;
/// One swing of a slow loop, s (assumed): less says where in it a stretch begins.
const SWING_S: f64 = 2.5;
/// The same cell of the map: engine speeds apart by less, as a share (half a cell of 500 1/min at cruise).
const NEAR_RPM: f64 = 0.1;
/// Closed-loop running that is interrupted for longer is another stretch, s.
const APART_S: f64 = 0.5;

/// Rows over which the zero stands elsewhere than in other stretches of this log.
pub(super) struct Moved {
    pub(super) rows: Range<usize>,
    /// Commanded over read, furthest from 1.
    pub(super) ratio: f64,
    /// Closed-loop running there, s.
    pub(super) seconds: f64,
}

/// Closed-loop running without a break, all at idle or all in cruise.
struct Stretch {
    rows: Range<usize>,
    seconds: f64,
    cruise: bool,
    /// Commanded over read, its middle.
    ratio: f64,
    /// Engine speed, 1/min; the same for all where the command is logged and tells what is due.
    rpm: f64,
}

/// Engine speeds at which a loop stands at 1, and for how long.
struct Standing {
    /// Ascending, 1/min.
    rpm: Vec<f64>,
    /// Seconds up to each, and before the first.
    sum_s: Vec<f64>,
}

impl Standing {
    fn of<'a>(stretches: impl Iterator<Item = &'a Stretch>) -> Self {
        let mut all: Vec<(f64, f64)> = stretches.map(|one| (one.rpm, one.seconds)).collect();
        all.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut sum_s = vec![0.0];
        let mut so_far_s = 0.0;
        sum_s.extend(all.iter().map(|(_, seconds)| {
            so_far_s += seconds;
            so_far_s
        }));
        Self { rpm: all.into_iter().map(|(rpm, _)| rpm).collect(), sum_s }
    }

    /// Seconds at about an engine speed.
    fn near_s(&self, rpm: f64) -> f64 {
        let from = self.rpm.partition_point(|other| *other < rpm * (1.0 - NEAR_RPM));
        let to = self.rpm.partition_point(|other| *other <= rpm * (1.0 + NEAR_RPM));
        self.sum_s[to] - self.sum_s[from]
    }
}

/// From after the last stretch at lambda 1 to the next one, wherever a stretch of the same flow stands beside it. Idle is
/// set beside idle and cruise beside cruise: air that leaks in ahead of the sensor moves them apart for good.
///
/// * `most`: furthest from 1 that a zero stands which has not moved
pub(super) fn find(channel: &Channel, view: &View<'_>, most: f64) -> Vec<Moved> {
    // Without the command a mixture that is rich by design may be any stretch: only a loop at the same speed of a warm engine is
    // set beside another.
    let commanded = view.log.index_of(Role::LambdaTarget).is_some();
    let speed = view.log.role(Role::EngineSpeed).filter(|_| !commanded);
    if !commanded && (view.log.index_of(Role::CoolantTemperature).is_none() || speed.is_none()) {
        return Vec::new();
    }
    let stretches = stretches(channel, view, speed);
    let stands = |one: &Stretch| (one.ratio - 1.0).abs() <= most;
    let standing = [false, true]
        .map(|cruise| Standing::of(stretches.iter().filter(|one| one.cruise == cruise && stands(one))));
    let mut found: Vec<Moved> = Vec::new();
    let mut stood_until = 0;
    for alike in stretches.chunk_by(|one, next| stands(one) == stands(next)) {
        let (Some(first), Some(last)) = (alike.first(), alike.last()) else { continue };
        if stands(first) {
            // What does not stand ends with the first stretch that does again; those before it have ended.
            if let Some(moved) = found.last_mut() {
                moved.rows.end = moved.rows.end.min(first.rows.start);
            }
            stood_until = last.rows.end;
            continue;
        }
        let beside = alike.iter().filter(|one| standing[usize::from(one.cruise)].near_s(one.rpm) >= SWING_S);
        let seconds = beside.clone().map(|one| one.seconds).sum();
        let furthest = beside.map(|one| one.ratio).max_by(|a, b| (a - 1.0).abs().total_cmp(&(b - 1.0).abs()));
        if let Some(ratio) = furthest.filter(|_| seconds >= SWING_S) {
            found.push(Moved { rows: stood_until..channel.rows(), ratio, seconds });
        }
    }
    found
}

/// * `speed`: where a mixture that is rich by design may be another speed's
fn stretches(channel: &Channel, view: &View<'_>, speed: Option<&Channel>) -> Vec<Stretch> {
    let time_s = &view.log.clock.time_s;
    let mut found = Vec::new();
    let mut rows: Vec<(usize, f64)> = Vec::new();
    let apart_s = APART_S.max(1.5 * channel.fresh_period_s().unwrap_or(0.0));
    let cruises = |row: usize| view.state.has(row, bit::CRUISE);
    let rpm = |rows: Range<usize>| speed.and_then(|one| robust::median(&one.among(rows))).unwrap_or(1.0);
    let mut close =
        |rows: &mut Vec<(usize, f64)>| found.extend(stretch(&std::mem::take(rows), time_s, cruises, rpm));
    for (row, ratio) in loops::commanded_over_read(channel, view) {
        let goes_on = rows
            .last()
            .is_none_or(|(last, _)| cruises(*last) == cruises(row) && time_s[row] - time_s[*last] <= apart_s);
        if !goes_on {
            close(&mut rows);
        }
        rows.push((row, ratio));
    }
    close(&mut rows);
    found
}

/// * `rows`: rows with commanded over read
fn stretch(
    rows: &[(usize, f64)],
    time_s: &[f64],
    cruises: impl Fn(usize) -> bool,
    rpm: impl Fn(Range<usize>) -> f64,
) -> Option<Stretch> {
    let ((first, _), (last, _)) = (*rows.first()?, *rows.last()?);
    let settles_s = if cruises(first) { 0.0 } else { SETTLES_S };
    let from = search::below(time_s, time_s[first] + settles_s);
    let rest: Vec<f64> = rows.iter().filter(|(row, _)| *row >= from).map(|(_, ratio)| *ratio).collect();
    let seconds = time_s[last] - time_s[from.min(last)];
    let ratio = robust::median(&rest)?;
    let swings = seconds > 0.0 && loops::swings(&rest, ratio, seconds);
    swings.then(|| Stretch {
        rows: first..last + 1,
        seconds,
        cruise: cruises(first),
        ratio,
        rpm: rpm(first..last + 1),
    })
}

#[cfg(test)]
mod tests {
    use crate::detect::Finding;
    use crate::detect::scale::Scale;
    use crate::detect::testing::{Bench, Noise, because};
    use crate::log::Role;
    use crate::state::bit;

    /// Ninety seconds at 20 Hz: idle for 20 s, and cruise of 4 s before each of three pulls and for 2 s after them.
    fn drive(zero: impl Fn(f64) -> f64) -> Vec<Finding> {
        bench(zero).findings(&Scale, Role::Lambda)
    }

    fn bench(zero: impl Fn(f64) -> f64) -> Bench {
        let mut noise = Noise::new(9);
        let pulls = [30.0, 50.0, 70.0];
        let lambda = move |t: f64| {
            let pull = pulls.iter().any(|start| (*start..start + 8.0).contains(&t));
            (if pull { 0.8 } else { 1.0 + 0.01 * (t * 5.0).sin() }) + 0.003 * noise.next() + zero(t)
        };
        let command = move |t: f64| if pulls.iter().any(|s| (*s..s + 8.0).contains(&t)) { 0.8 } else { 1.0 };
        let mut bench = Bench::new(20.0, 1_800)
            .channel(Role::Lambda, lambda)
            .channel(Role::LambdaTarget, command)
            .state(bit::IDLE, 0.0, 20.0);
        for start in pulls {
            bench =
                bench.state(bit::CRUISE, start - 4.0, start).state(bit::CRUISE, start + 8.0, start + 10.0);
        }
        bench
    }

    fn span(found: &[Finding]) -> Vec<(f64, f64)> {
        found.iter().map(|one| (one.rows.start as f64 / 20.0, one.rows.end as f64 / 20.0)).collect()
    }

    #[test]
    fn a_zero_that_moves_is_in_doubt_from_the_last_good_running_to_the_next() {
        assert!(drive(|_| 0.0).is_empty());
        let late = drive(|t| if t > 55.0 { -0.15 } else { 0.0 });
        assert_eq!(late.len(), 1, "{:?}", span(&late));
        assert!((49.5..50.1).contains(&span(&late)[0].0) && span(&late)[0].1 == 90.0, "{:?}", span(&late));
        let for_a_while = drive(|t| if (35.0..62.0).contains(&t) { -0.15 } else { 0.0 });
        let [(from_s, to_s)] = span(&for_a_while)[..] else { panic!("{:?}", span(&for_a_while)) };
        assert!((29.5..30.1).contains(&from_s) && (65.9..66.5).contains(&to_s), "{from_s} to {to_s}");
    }

    #[test]
    fn one_that_creeps_is_found_once_it_is_off_by_the_limit() {
        let found = drive(|t| -0.002 * t.max(20.0) + 0.04);
        assert_eq!(found.len(), 1);
        assert!(span(&found)[0].1 == 90.0 && span(&found)[0].0 > 25.0, "{:?}", span(&found));
    }

    #[test]
    fn idle_beside_cruise_says_nothing() {
        // A leak ahead of the sensor, mostly at low flow: idle stands at 1.08 from the first moment to the last.
        let leak = bench(|t| if t < 20.0 { 0.08 } else { 0.0 });
        assert!(because(leak.run(&Scale, Role::Lambda)).contains("shrinks with the flow"));
    }

    #[test]
    fn less_than_a_swing_of_the_loop_says_nothing() {
        assert!(drive(|t| if (40.0..42.0).contains(&t) { -0.15 } else { 0.0 }).is_empty());
    }

    #[test]
    fn without_a_command_only_a_warm_engine_at_the_same_speed_is_set_beside_another() {
        // Cruise of 10 s at a time, the third 0.15 richer, at a speed of its own or not.
        let found = |fast_rpm: f64, coolant: bool| {
            let mut noise = Noise::new(9);
            let rich = |t: f64| (40.0..50.0).contains(&t);
            let lambda = move |t: f64| {
                1.0 + 0.01 * (t * 5.0).sin() + 0.003 * noise.next() - if rich(t) { 0.15 } else { 0.0 }
            };
            let mut bench = Bench::new(20.0, 1_200)
                .channel(Role::Lambda, lambda)
                .channel(Role::EngineSpeed, move |t| if rich(t) { fast_rpm } else { 2_500.0 })
                .channel(if coolant { Role::CoolantTemperature } else { Role::OilTemperature }, |_| 360.0);
            for start_s in [0.0, 20.0, 40.0] {
                bench = bench.state(bit::CRUISE, start_s, start_s + 10.0);
            }
            super::find(&bench.log.channels[0], &bench.view(), 0.05).len()
        };
        assert_eq!(found(2_500.0, true), 1);
        assert_eq!(found(4_500.0, true), 0, "rich by design at a higher speed");
        assert_eq!(found(2_500.0, false), 0, "it may have been cold");
    }
}
