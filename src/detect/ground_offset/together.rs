//! Analog readings that step together, within one frame and by always the same amounts, as no throttle plate makes them:
//! a manifold takes several engine cycles to fill.

use std::ops::Range;

use super::{
    COUNT, DELAY, ERROR, Field, Finding, IDLE_PRESSURE, IDLE_STROKE, Limits, SAME, SHIFT, SHIFT_MOST, SIGMAS,
    STEPS, View,
};
use crate::detect::dense::Dense;
use crate::figure::every;
use crate::flag::Flag;
use crate::log::{Channel, Role};
use crate::signal::robust;
use crate::signal::step::{self, LevelStep, Levels, Shape};

/// A level stands so long before and after a step, s: a foot seldom rests so short (assumed).
const LEVEL_S: f64 = 0.3;
/// Most between two frames, s. A manifold as large as the engine fills with a time constant of one cycle, 80 to 120 ms at
/// 1000 to 1500 rpm: 57 to 71 % in 0.1 s, 92 % in 0.2 s (computed).
const FRAME_MOST_S: f64 = 0.11;
/// Share of a step that a reading must show in its first frame, by the same computation.
const AT_ONCE: f64 = 0.9;
/// Share of the steps that must be of one amount: a pedal may be moved between them; assumed.
const AGREE: f64 = 0.8;
/// What a level may move by while it stands, as a share of the step beside it; assumed.
const STANDS: f64 = 0.25;

/// Steps of one reading at the throttle's steps.
struct Together {
    /// Middle of the amounts, upwards with the throttle, inside unit.
    amount: f64,
    /// Standard error of the amount.
    error: f64,
    /// Middle of the share that the first frame shows.
    first: f64,
}

/// Findings at one of the readings that step together.
///
/// # Errors
/// Why it could not be judged.
pub(super) fn findings(
    channel: &Channel,
    view: &View<'_>,
    limits: &Limits<'_>,
) -> Result<Vec<Finding>, String> {
    let Some(throttle) = view.log.role(Role::Throttle) else {
        return Err("without a throttle position no step can be told from the engine's own".to_owned());
    };
    let frame_s = |of: &Channel| of.fresh_period_s().or(view.log.clock.period_s).unwrap_or(f64::INFINITY);
    let (own, clock_s) = (frame_s(channel), frame_s(throttle));
    if own.max(clock_s) > FRAME_MOST_S {
        return Err(format!(
            "{}: too far apart to tell a shift from a manifold that fills",
            every(own.max(clock_s), 2)
        ));
    }
    let steps = strokes(throttle, view, clock_s, limits);
    if (steps.len() as f64) < limits.get(&STEPS) {
        return Err(format!("{} steps of {} between two levels: too few", steps.len(), throttle.name));
    }
    let beside = |other: &Channel| {
        let found = together(other, view, &steps, clock_s)?;
        let most = limits.get(&IDLE_PRESSURE).max(limits.get(&SIGMAS) * found.error);
        (found.amount.abs() > most && found.first >= AT_ONCE).then_some(found)
    };
    let (partner, mine) = if channel.role == Role::Throttle {
        // Any other reading that steps with it will do.
        let partner = [Role::ManifoldPressure, Role::FuelPressure]
            .into_iter()
            .filter_map(|role| view.log.role(role))
            .find(|other| frame_s(other) <= FRAME_MOST_S && beside(other).is_some());
        (partner, together(throttle, view, &steps, clock_s))
    } else {
        (Some(throttle), beside(channel))
    };
    let (Some(partner), Some(mine)) = (partner, mine) else { return Ok(Vec::new()) };
    Ok(raised(throttle, view, &steps)
        .into_iter()
        .map(|rows| {
            let shift = channel.logged_difference(mine.amount);
            let message = format!(
                "{} and {} step together within one frame, {} times up and down and always by the same {shift:.3} {}: \
                 a plate fills its manifold more slowly, so this is a voltage between two grounds",
                channel.name,
                partner.name,
                steps.len(),
                channel.unit.symbol
            );
            let error = channel.logged_difference(mine.error);
            let evidence: Vec<(&'static Field, f64)> =
                vec![(&SHIFT, shift), (&ERROR, error), (&COUNT, steps.len() as f64), (&DELAY, clock_s)];
            Finding::new(rows, Flag::Suspect, message, evidence)
        })
        .filter(|finding| !finding.rows.is_empty())
        .collect())
}

/// Steps of the throttle within one frame, between levels that stand, by one amount; empty where they differ.
fn strokes(throttle: &Channel, view: &View<'_>, frame_s: f64, limits: &Limits<'_>) -> Vec<LevelStep> {
    let clock = &view.log.clock;
    let shape = Shape { window_s: LEVEL_S, rise_s: 1.5 * frame_s, least: limits.get(&IDLE_STROKE) };
    let mut found = Vec::new();
    for segment in &clock.segments {
        let plate = Dense::of(throttle, &clock.time_s, segment.clone(), f64::is_finite);
        let stands = |samples: Range<usize>, height: f64| {
            let values = plate.value.get(samples).unwrap_or(&[]);
            let (low, high) =
                values.iter().fold((f64::MAX, f64::MIN), |(low, high), v| (v.min(low), v.max(high)));
            values.len() > 1 && high - low <= STANDS * height.abs()
        };
        let steps = step::level_steps(&plate.time_s, &plate.value, &shape);
        found.extend(steps.into_iter().filter(|step| {
            let from = plate.time_s.partition_point(|t| *t < step.time_s - LEVEL_S - frame_s);
            let to = plate.time_s.partition_point(|t| *t <= step.time_s + LEVEL_S);
            step.height.abs() <= limits.get(&SHIFT_MOST)
                && stands(from..step.index, step.height)
                && stands(step.index..to, step.height)
        }));
    }
    let amounts: Vec<f64> = found.iter().map(|step| step.height.abs()).collect();
    let Some(middle) = robust::median(&amounts) else { return Vec::new() };
    let same = |step: &LevelStep| {
        (step.height.abs() - middle).abs() <= (limits.get(&SAME) * middle).max(2.0 * throttle.resolution())
    };
    let all = found.len();
    found.retain(same);
    let both = found.iter().any(|step| step.height > 0.0) && found.iter().any(|step| step.height < 0.0);
    if both && found.len() as f64 >= AGREE * all as f64 { found } else { Vec::new() }
}

/// What a reading does at the throttle's steps; null where it says too little or its amounts differ.
fn together(channel: &Channel, view: &View<'_>, steps: &[LevelStep], frame_s: f64) -> Option<Together> {
    let clock = &view.log.clock;
    let (mut amounts, mut firsts) = (Vec::new(), Vec::new());
    for segment in &clock.segments {
        let reading = Dense::of(channel, &clock.time_s, segment.clone(), f64::is_finite);
        let levels = Levels::new(&reading.time_s, &reading.value);
        let end_s = clock.time_s.get(segment.end.checked_sub(1)?).copied()?;
        let start_s = clock.time_s.get(segment.start).copied()?;
        for step in steps.iter().filter(|step| step.time_s >= start_s && step.time_s <= end_s) {
            let at_s = step.time_s;
            let before = (at_s - LEVEL_S, at_s - 1e-9);
            let whole = levels.change(before, (at_s + frame_s, at_s + LEVEL_S));
            let first = levels.change(before, (at_s - 1e-9, at_s + 1.5 * frame_s));
            let (Some((whole, _)), Some((first, _))) = (whole, first) else { continue };
            amounts.push(whole * step.height.signum());
            firsts.push(first / whole);
        }
    }
    let amount = robust::median(&amounts)?;
    let spread = robust::median(&amounts.iter().map(|a| (a - amount).abs()).collect::<Vec<_>>())?;
    let first = robust::median(&firsts)?;
    let error = (1.4826 * spread).max(channel.resolution()) / (amounts.len() as f64).sqrt();
    Some(Together { amount, error, first })
}

/// Levels between which the throttle steps: without the shift, and with it.
struct Stands {
    free: Vec<f64>,
    shifted: Vec<f64>,
    /// How near a reading must come, inside unit.
    near: f64,
}

impl Stands {
    /// * `steps`: all of one amount, at least one
    fn of(throttle: &Channel, view: &View<'_>, steps: &[LevelStep]) -> Self {
        let near = STANDS * steps.first().map_or(0.0, |step| step.height.abs());
        let mut stands = Self { free: Vec::new(), shifted: Vec::new(), near };
        let values = throttle.values();
        for step in steps {
            let row = view.log.clock.row_at(step.time_s);
            let Some(after) = values.get(row).copied().filter(|value| value.is_finite()) else { continue };
            let (low, high) =
                if step.height > 0.0 { (after - step.height, after) } else { (after, after - step.height) };
            for (levels, level) in [(&mut stands.free, low), (&mut stands.shifted, high)] {
                if !levels.iter().any(|known: &f64| (known - level).abs() <= near) {
                    levels.push(level);
                }
            }
        }
        stands
    }

    fn is_free(&self, value: f64) -> bool {
        self.free.iter().any(|level| (level - value).abs() <= self.near)
    }

    fn is_shifted(&self, value: f64) -> bool {
        !self.is_free(value) && self.shifted.iter().any(|level| (level - value).abs() <= self.near)
    }

    /// The last of some readings that stands shifted, before the first that stands free. One alone was only passed by.
    fn last_shifted<'a>(&self, readings: impl Iterator<Item = &'a f64>) -> usize {
        let (mut last, mut before) = (0, false);
        for (at, value) in readings.enumerate() {
            if self.is_free(*value) {
                break;
            }
            let shifted = self.is_shifted(*value);
            if shifted && before {
                last = at;
            }
            before = shifted;
        }
        last
    }
}

/// Rows in which the readings stand higher: a ground that carries a load's current is lifted. Where a step back was not
/// seen, because the pedal moved just then, as far as the throttle is met at a shifted level before it is met at a free
/// one.
fn raised(throttle: &Channel, view: &View<'_>, steps: &[LevelStep]) -> Vec<Range<usize>> {
    let stands = Stands::of(throttle, view, steps);
    let values = throttle.values();
    let row = |step: &LevelStep| view.log.clock.row_at(step.time_s);
    let mut found = Vec::new();
    for (at, step) in steps.iter().enumerate() {
        let here = row(step);
        if step.height > 0.0 {
            let next = steps.get(at + 1);
            let end = match next {
                Some(next) if next.height < 0.0 => row(next),
                _ => {
                    let until = next.map_or(values.len(), row);
                    let ahead = values.get(here..until).unwrap_or(&[]);
                    here + stands.last_shifted(ahead.iter()) + 1
                }
            };
            found.push(here..end.max(here + 1));
        } else if at
            .checked_sub(1)
            .and_then(|before| steps.get(before))
            .is_none_or(|before| before.height < 0.0)
        {
            let from = at.checked_sub(1).and_then(|before| steps.get(before)).map_or(0, row);
            let behind = values.get(from..here).unwrap_or(&[]);
            found.push(here.saturating_sub(stands.last_shifted(behind.iter().rev()) + 1)..here);
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use crate::detect::testing::{Bench, Noise, because, evidence, quantised};
    use crate::flag::Flag;
    use crate::log::Role;

    use super::super::GroundOffset;

    /// Idle and a pull at full throttle while a fan switches every 7 s. Throttle and manifold pressure rise by these when
    /// it runs, the pressure with this time constant.
    fn fan(rate_hz: f64, seconds: f64, throttle: f64, manifold_pa: f64, tau_s: f64) -> Bench {
        let pedal = |t: f64| if t > 22.0 && t < 30.0 { 0.9 } else { 0.02 };
        driven(pedal, rate_hz, seconds, throttle, manifold_pa, tau_s)
    }

    /// The same with the throttle's own position over time, 0..1.
    fn driven(
        pedal: fn(f64) -> f64,
        rate_hz: f64,
        seconds: f64,
        throttle: f64,
        manifold_pa: f64,
        tau_s: f64,
    ) -> Bench {
        let since = |t: f64| (t - 3.0).rem_euclid(14.0);
        let on = move |t: f64| t > 3.0 && since(t) < 7.0;
        // A load switches between two rows.
        let filled = move |t: f64| match since(t) + 0.5 / rate_hz {
            _ if t <= 3.0 => 0.0,
            up if on(t) => 1.0 - (-up / tau_s).exp(),
            down => (-(down - 7.0) / tau_s).exp(),
        };
        let (mut a, mut b) = (Noise::new(1), Noise::new(2));
        Bench::new(rate_hz, (seconds * rate_hz) as usize)
            .channel(Role::EngineSpeed, |_| 1500.0)
            .channel(Role::Throttle, move |t| {
                quantised(pedal(t) + if on(t) { throttle } else { 0.0 } + 0.001 * a.next(), 0.001)
            })
            .measured(|m| m.resolution = Some(0.001))
            .channel(Role::ManifoldPressure, move |t| {
                let own = 35e3 + 70e3 * pedal(t);
                quantised(own + manifold_pa * filled(t) + 300.0 * b.next(), 100.0)
            })
            .measured(|m| m.resolution = Some(100.0))
    }

    #[test]
    fn a_ground_that_lifts_two_readings_at_once_is_told_at_both() {
        let bench = fan(50.0, 58.0, 0.06, 18e3, 1e-6);
        for (role, shift) in [(Role::Throttle, 0.06), (Role::ManifoldPressure, 18e3)] {
            let found = bench.findings(&GroundOffset, role);
            assert_eq!(found.len(), 4, "{role:?}: {found:?}");
            assert!(
                found.iter().all(|f| f.flag == Flag::Suspect && f.rows.len().abs_diff(7 * 50) <= 1),
                "{found:?}"
            );
            assert!((evidence(&found[0], "shift") / shift - 1.0).abs() < 0.03, "{:?}", found[0]);
        }
    }

    #[test]
    fn a_shift_whose_end_is_not_seen_is_told_as_far_as_a_shifted_level_is_met() {
        // The fan stops at 24 s; the pedal is moved from 23.7 s to 24.3 s, from full throttle to the stop.
        let pedal = |t: f64| match t {
            t if (20.0..23.7).contains(&t) => 0.9,
            t if (23.7..24.3).contains(&t) => 0.9 - (t - 23.7) * 0.88 / 0.6,
            _ => 0.02,
        };
        let bench = driven(pedal, 50.0, 58.0, 0.06, 18e3, 1e-6);
        let found = bench.findings(&GroundOffset, Role::Throttle);
        assert_eq!(found.len(), 4, "{found:?}");
        let second = &found[1].rows;
        assert!(second.start.abs_diff(17 * 50) <= 1, "{second:?}");
        // At full throttle no step was seen: nothing says whether that level is a shifted one.
        assert!(second.end.abs_diff(20 * 50) <= 1, "{second:?}");
    }

    #[test]
    fn a_plate_that_moves_fills_its_manifold() {
        // An idle valve that opens by the same stroke whenever the fan runs; one cycle at 1500 rpm lasts 80 ms.
        let valve = fan(50.0, 60.0, 0.06, 18e3, 0.08);
        assert!(valve.findings(&GroundOffset, Role::Throttle).is_empty());
        assert!(valve.findings(&GroundOffset, Role::ManifoldPressure).is_empty());
        // As little as an idle control asks for anyway.
        assert!(fan(50.0, 60.0, 0.06, 5e3, 1e-6).findings(&GroundOffset, Role::Throttle).is_empty());
        // More than a ground is lifted by.
        assert!(
            because(fan(50.0, 60.0, 0.3, 60e3, 1e-6).run(&GroundOffset, Role::Throttle)).contains("too few")
        );
    }

    #[test]
    fn feet_do_not_repeat_themselves() {
        let mut noise = Noise::new(3);
        let strokes: Vec<f64> = (0..20).map(|_| 0.10 + 0.02 * noise.next()).collect();
        let stroke =
            move |t: f64| if (t / 2.0) as usize % 2 == 1 { strokes[(t / 4.0) as usize] } else { 0.0 };
        let pressure = stroke.clone();
        let bench = Bench::new(50.0, 3000)
            .channel(Role::Throttle, stroke)
            .channel(Role::ManifoldPressure, move |t| 40e3 + 200e3 * pressure(t));
        assert!(because(bench.run(&GroundOffset, Role::Throttle)).contains("too few"));
    }

    #[test]
    fn no_power_is_said() {
        let coarse = because(fan(5.0, 60.0, 0.06, 18e3, 1e-6).run(&GroundOffset, Role::Throttle));
        assert!(coarse.contains("too far apart"), "{coarse}");
        let short = because(fan(50.0, 28.0, 0.06, 18e3, 1e-6).run(&GroundOffset, Role::Throttle));
        assert!(short.contains("too few"), "{short}");
        let alone = Bench::new(50.0, 3000).channel(Role::ManifoldPressure, |_| 35e3);
        assert!(because(alone.run(&GroundOffset, Role::ManifoldPressure)).contains("without a throttle"));
    }
}
