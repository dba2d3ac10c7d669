//! The mixture reading against the commanded mixture: a gain that falls short away from lambda 1.

use super::{Found, need};
use crate::detect::{Field, Finding, Limit, Limits, View};
use crate::flag::Flag;
use crate::log::Channel;
use crate::signal::{robust, runs};
use crate::state::bit;

pub(super) static GAIN: Limit = Limit {
    name: "mixture_gain",
    unit: "1",
    default: 0.93,
    range: (0.5, 0.99),
    why: "net oxygen read over net oxygen commanded at full load: 0.01 at lambda 0.80 (part data sheet) is 6 % of it; \
          exhaust pressure only raises it",
};
pub(super) static EVEN: Limit = Limit {
    name: "gain_range",
    unit: "1",
    default: 0.06,
    range: (0.01, 0.5),
    why: "one gain holds at every engine speed; what the fuel side does to the mixture grows or falls with the flow \
          (assumed: as much as the gain itself may be off)",
};

pub(super) static SHARE: Field = Field { name: "gain", unit: "1" };
pub(super) static ONE: Field = Field { name: "at_lambda_one", unit: "1" };

/// Commanded mixtures near 1, which a control loop holds.
const LOOP: std::ops::RangeInclusive<f64> = 0.97..=1.03;
/// Commanded mixtures rich enough for a gain to show.
const RICH: f64 = 0.93;
/// Least time in the loop and at full load, s: several periods of a loop, and more than one corner of the map
/// (assumed).
const LEAST_S: f64 = 4.0;
const LEAST_FULL_S: f64 = 1.5;
/// After the load has come the reading needs this long to follow: dead time, delay of the gas and five time constants
/// of a healthy sensor, s (assumed).
const SETTLE_S: f64 = 0.7;
/// Readings within so much of 1 in the loop are right there: twice the zero of a healthy element, 0.007 (part data
/// sheet).
const ZERO: f64 = 0.015;
/// Stretches closer than this are one finding, s.
const JOIN_S: f64 = 2.0;

/// Right at lambda 1 and short of the command nearly everywhere at full load, by one factor: an aged element reads all
/// mixtures nearer to 1. A lean engine that is lean by one factor everywhere looks the same.
pub(super) fn gain(channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Found {
    let target = super::held(need(view, crate::log::Role::LambdaTarget)?, &view.log.clock);
    let period_s = channel.measured.sample_period_s.or(view.log.clock.period_s).unwrap_or(0.0);
    let values = channel.values();
    let (mut near_one, mut pieces, mut full_s) = (Vec::new(), Vec::new(), 0.0);
    for (row, (lambda, aim)) in values.iter().zip(&target).enumerate() {
        let steady = view.state.has(row, bit::IDLE | bit::CRUISE);
        if steady && LOOP.contains(aim) && *lambda > 0.0 {
            near_one.push(aim / lambda);
        }
    }
    for window in view.state.windows_of(bit::FULL_LOAD) {
        let begun_s = view.log.clock.time_s.get(window.start).copied().unwrap_or(0.0);
        let settled = view.log.clock.rows_between(begun_s + SETTLE_S, f64::INFINITY).start.max(window.start);
        let window = settled..window.end;
        let third = (window.len() / 3).max(1);
        for piece in (window.start..window.end).step_by(third).map(|at| at..(at + third).min(window.end)) {
            let gains: Vec<f64> = piece
                .filter_map(|row| Some((*values.get(row)?, *target.get(row)?)))
                .filter(|(lambda, aim)| *lambda > 0.0 && *aim < RICH && *aim > 0.0)
                .map(|(lambda, aim)| (1.0 - lambda.recip()) / (1.0 - aim.recip()))
                .collect();
            full_s += gains.len() as f64 * period_s;
            pieces.extend(robust::median(&gains).filter(|_| gains.len() >= 3));
        }
    }
    if (near_one.len() as f64) * period_s < LEAST_S || full_s < LEAST_FULL_S || pieces.len() < 2 {
        return Err("too little time at commanded lambda 1 and at commanded full load to compare".to_owned());
    }
    let one = robust::median(&near_one).unwrap_or(f64::NAN);
    let gain = robust::median(&pieces).unwrap_or(f64::NAN);
    // The middle half of the pieces: one lean corner of the map does not hide a gain that holds in all the others.
    pieces.sort_unstable_by(f64::total_cmp);
    let quarter = pieces.len() / 4;
    let (low, high) = (pieces[quarter], pieces[pieces.len() - 1 - quarter]);
    // One step of the reading, as a share of the net oxygen at lambda 0.8.
    let step = channel.resolution() / 0.16;
    let short = gain < limits.get(&GAIN) - 0.5 * step && high - low <= limits.get(&EVEN) + step;
    if !short || (one - 1.0).abs() > ZERO || gain <= 0.0 {
        return Ok(Vec::new());
    }
    Ok(findings(channel, view, gain, one))
}

/// The stretches in which that gain moves the reading out of tolerance.
fn findings(channel: &Channel, view: &View<'_>, gain: f64, one: f64) -> Vec<Finding> {
    let (values, time_s) = (channel.values(), &view.log.clock.time_s);
    let mut found = Vec::new();
    for segment in &view.log.clock.segments {
        let off = |at: usize| {
            let lambda = values.get(segment.start + at).copied().unwrap_or(f64::NAN);
            // d lambda = lambda^2 d phi; tolerance 0.02 or 2 %.
            let error = (gain.recip() - 1.0) * (1.0 - lambda.recip()).abs() * lambda * lambda;
            error > 0.02 * lambda.max(1.0)
        };
        let near = |end: usize, start: usize| {
            let at = |k: usize| time_s.get(segment.start + k).copied().unwrap_or(f64::INFINITY);
            at(start) - at(end.saturating_sub(1)) <= JOIN_S
        };
        found.extend(runs::join(runs::of(segment.len(), off), near).into_iter().map(|run| {
            Finding::new(
                segment.start + run.start..segment.start + run.end,
                Flag::Suspect,
                format!(
                    "{} is right at lambda 1 ({:.3}) but shows only {:.0} % of the commanded enrichment at full \
                     load: an aged element reads all mixtures nearer to 1, or the mixture is lean by one \
                     factor; free air in a long over-run tells which",
                    channel.name,
                    one.recip(),
                    100.0 * gain
                ),
                vec![(&SHARE, gain), (&ONE, one.recip())],
            )
        }));
    }
    found
}

#[cfg(test)]
mod tests {
    use crate::detect::cross_check::CrossCheck;
    use crate::detect::testing::{Bench, because};
    use crate::log::Role;
    use crate::state::bit;

    /// 30 s of cruise at 1, then three pulls commanded at 0.80, read through a gain that may depend on the pull.
    fn log(gain: impl Fn(f64) -> f64) -> Bench {
        let pull = |t: f64| t >= 30.0 && t % 10.0 < 5.0;
        let mut bench = Bench::new(20.0, 1200)
            .channel(Role::LambdaTarget, move |t| if pull(t) { 0.80 } else { 1.0 })
            .channel(Role::Lambda, move |t| {
                let phi = if pull(t) { 1.25 } else { 1.0 + 0.01 * (t * 5.0).sin() };
                1.0 / (1.0 + gain(t) * (phi - 1.0))
            })
            .state(bit::CRUISE, 0.0, 29.9);
        for start in [30.0, 40.0, 50.0] {
            bench = bench.state(bit::FULL_LOAD, start + 0.5, start + 4.9);
        }
        bench
    }

    #[test]
    fn one_short_gain_in_every_pull_is_suspect_and_a_lean_pull_is_the_engines() {
        assert!(log(|_| 1.0).findings(&CrossCheck, Role::Lambda).is_empty());
        let found = log(|_| 0.85).findings(&CrossCheck, Role::Lambda);
        assert!(!found.is_empty() && found.iter().all(|finding| finding.rows.start >= 590), "{found:?}");
        // Half of the pulls lean by another factor: the mixture's.
        assert!(
            log(|t| if t % 10.0 > 2.5 { 0.6 } else { 0.85 }).findings(&CrossCheck, Role::Lambda).is_empty()
        );
        // One lean corner beside a short gain.
        assert!(!log(|t| if t > 53.5 { 0.6 } else { 0.85 }).findings(&CrossCheck, Role::Lambda).is_empty());
    }

    #[test]
    fn no_command_is_said() {
        let alone = Bench::new(20.0, 400).channel(Role::Lambda, |_| 0.9);
        assert!(because(alone.run(&CrossCheck, Role::Lambda)).contains(Role::LambdaTarget.label()));
    }
}
