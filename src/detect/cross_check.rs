//! Two channels that physics ties together and that contradict each other.

use std::ops::Range;

use super::{
    Detector, Evaluated, Field, Finding, Gaps, Limit, Limits, Meta, Outcome, Phase, Scope, Stage, View,
};
use crate::flag::Flag;
use crate::log::{Channel, Clock, Role};
use crate::signal::{robust, runs};

mod air;
mod motion;
mod pressure;
mod target;

/// See its text in `sondeproof explain cross_check`.
pub(super) struct CrossCheck;

static SPEED: Limit = Limit {
    name: "speed_slope",
    unit: "1",
    default: 0.12,
    range: (0.02, 0.5),
    why: "a speedometer may show up to 10 % + 4 km/h too much (UN R39, from memory), tyres differ by 2 %; a \
          laboratory wants 0.98 to 1.02 (40 CFR 1065.307 Table 1)",
};
static ERROR: Limit = Limit {
    name: "see_share",
    unit: "1",
    default: 0.05,
    range: (0.01, 0.5),
    why: "standard error of the estimate over the largest value; 40 CFR 1065.915 Table 1 allows 5 % in the field, \
          1065.307 Table 1 asks for 2 % in a laboratory",
};
static PRESSURE: Limit = Limit {
    name: "pressure_share",
    unit: "1",
    default: 0.05,
    range: (0.01, 0.5),
    why: "of the reading: 40 CFR 1065.915 Table 1, general pressure, 5.0 % of point",
};
static MIXTURE: Limit = Limit {
    name: "mixture_share",
    unit: "1",
    default: 0.02,
    range: (0.005, 0.2),
    why: "0.02 or 2 %, the tolerance of a lambda reading; two columns of one sensor must agree better than that",
};
static VACUUM: Limit = Limit {
    name: "vacuum_kpa",
    unit: "kPa",
    default: 50.0,
    range: (15.0, 90.0),
    why: "an open throttle lets in all but a few per cent of the air outside, which has more than 60 kPa below 4 300 m (ICAO \
          standard atmosphere, from memory), and a racing restrictor takes a fifth of it (assumed)",
};
static HOLD: Limit = Limit {
    name: "hold_s",
    unit: "s",
    default: 2.0,
    range: (0.2, 60.0),
    why: "longer than any delay between two channels of one logger (1 s means of 40 CFR 1065.915, twice)",
};

static SLOPE: Field = Field { name: "slope", unit: "1" };
static INTERCEPT: Field = Field { name: "intercept", unit: "inside unit" };
static SEE: Field = Field { name: "standard_error", unit: "inside unit" };
static R2: Field = Field { name: "r2", unit: "1" };
static PAIRS: Field = Field { name: "pairs", unit: "1" };
static DIFFERENCE: Field = Field { name: "difference", unit: "inside unit" };
static LASTED: Field = Field { name: "lasted_s", unit: "s" };

/// Pairs that a regression needs: 1065.307 asks for ten reference points.
const LEAST_PAIRS: usize = 30;
/// Less travel of a pedal or throttle shows no open and no closed one, ratio. Assumed.
const LEAST_TRAVEL: f64 = 0.3;
/// Share of the time with the pedal released above which an open throttle is the engine's habit and not a fault.
/// Assumed.
const MOST_APART: f64 = 0.2;
static META: Meta = Meta {
    name: "cross_check",
    stage: Stage::Scored,
    phase: Phase::Samples,
    scope: Scope::Channel,
    summary: "two channels that physics ties together contradict each other",
    applies_to: &[
        Role::VehicleSpeed,
        Role::EngineSpeed,
        Role::ManifoldPressure,
        Role::BoostPressure,
        Role::Lambda,
        Role::Afr,
        Role::Pedal,
        Role::Throttle,
    ],
    needs: &[],
    method: "Pairs, each where the log has both:\n\n\
             - vehicle speed against satellite speed, least squares over steady driving: slope within `speed_slope` of \
               1 and standard error (SEE) below `see_share` of the highest speed. A slope near 1.609 or 3.6 names the \
               unit.\n\
             - engine speed below `runs_rpm` for `hold_s` while the manifold is in deep vacuum or boost (for twice as long: at any \
               pressure that no air has), or while the vehicle gains speed.\n\
             - engine speed over vehicle speed within one logged gear: a stretch of `hold_s` more than 15 % off that \
               gear's middle ratio.\n\
             - manifold pressure against the barometer while the engine stands.\n\
             - boost + barometer against manifold pressure while running.\n\
             - throttle at 90 % of its travel or more for `hold_s` with a manifold pressure below `vacuum_kpa`, as only a \
               nearly closed one makes it.\n\
             - throttle or pedal closed for `hold_s` while the vehicle gains more than `downhill_m_s2`.\n\
             - air/fuel ratio against lambda: the same sensor, so one ratio.\n\
             - the mixture against its command: right at lambda 1, yet short of the commanded enrichment by one factor \
             nearly everywhere at full load (`mixture_gain`), as an aged element reads.\n\
             - the mixture against the injectors: an over-run with the injectors shut for `air_s` in which it reads burnt gas, in a \
               log that shows air in others.\n\
             - throttle wide open for `hold_s` with the pedal released, where the throttle follows the pedal at all.\n\n\
             Slope, intercept, SEE and r2 are those of 40 CFR 1065.602.",
    assumes: "Both channels belong to one machine and one clock. Which of the two is wrong the pair cannot tell: the \
              finding stands at the channel that is derived from the other or more easily lost.",
    misses: "Two channels wrong in the same way. Slip of a clutch or converter, wheelspin and tunnels make true \
             differences: they are shorter than `hold_s` or excluded by steady driving, mostly.",
    gaps: Gaps::Break,
    limits: &[
        &SPEED,
        &ERROR,
        &PRESSURE,
        &MIXTURE,
        &VACUUM,
        &motion::RUNS,
        &motion::DOWNHILL,
        &target::GAIN,
        &target::EVEN,
        &air::CUT,
        &HOLD,
    ],
    evidence: &[&SLOPE, &INTERCEPT, &SEE, &R2, &PAIRS, &DIFFERENCE, &LASTED, &target::SHARE, &target::ONE],
    sources: &[
        "40 CFR 1065.307 Table 1 (linearity) and 1065.602 (slope, intercept, SEE, r2)",
        "40 CFR 1065.915 Table 1 (field instruments)",
        "US Standard Atmosphere 1976 for a barometer that is not logged",
    ],
};

impl Detector for CrossCheck {
    fn meta(&self) -> &'static Meta {
        &META
    }

    fn run(&self, channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Outcome {
        let results = match channel.role {
            Role::VehicleSpeed => {
                vec![motion::satellite(channel, view, limits), motion::gears(channel, view, limits)]
            }
            Role::EngineSpeed => vec![motion::standing(channel, view, limits)],
            Role::ManifoldPressure => vec![pressure::barometer(channel, view, limits)],
            Role::BoostPressure => vec![pressure::boost(channel, view, limits)],
            Role::Lambda => vec![target::gain(channel, view, limits), air::unseen(channel, view, limits)],
            Role::Afr => vec![
                mixture(channel, view, limits),
                target::gain(channel, view, limits),
                air::unseen(channel, view, limits),
            ],
            Role::Pedal => vec![pedal(channel, view, limits), motion::driven(channel, view, limits)],
            Role::Throttle => {
                vec![pressure::throttle(channel, view, limits), motion::driven(channel, view, limits)]
            }
            _ => Vec::new(),
        };
        let mut findings = Vec::new();
        let mut because = Vec::new();
        let mut ran = false;
        for result in results {
            match result {
                Ok(found) => {
                    ran = true;
                    findings.extend(found);
                }
                Err(reason) => because.push(reason),
            }
        }
        if !ran {
            return Outcome::not_run(because.join("; "));
        }
        findings.sort_by_key(|finding| (finding.rows.start, finding.rows.end));
        Outcome::ran(Evaluated::All, findings)
    }
}

type Found = Result<Vec<Finding>, String>;

fn need<'a>(view: &View<'a>, role: Role) -> Result<&'a Channel, String> {
    view.log.role(role).ok_or_else(|| format!("the log has no {} to compare with", role.label()))
}

/// Values of another channel on every row: the last one, at most a second old; NaN where there is none.
fn held(channel: &Channel, clock: &Clock) -> Vec<f64> {
    each_held(channel, clock).collect()
}

/// The same one after the other, for who keeps less of each than the value.
fn each_held<'a>(channel: &'a Channel, clock: &'a Clock) -> impl Iterator<Item = f64> + 'a {
    let mut last: Option<(f64, f64)> = None;
    channel.each().zip(&clock.time_s).map(move |(value, time_s)| {
        if value.is_finite() {
            last = Some((*time_s, value));
        }
        last.filter(|(then_s, _)| time_s - then_s <= 1.0).map_or(f64::NAN, |(_, value)| value)
    })
}

/// Stretches in which something holds on every row that has a value, at least `hold_s` long, by segment.
fn stretches(clock: &Clock, hold_s: f64, holds: impl Fn(usize) -> bool) -> Vec<Range<usize>> {
    let mut found = Vec::new();
    for segment in &clock.segments {
        for run in runs::of(segment.len(), |k| holds(segment.start + k)) {
            let rows = segment.start + run.start..segment.start + run.end;
            if clock.time_s[rows.end - 1] - clock.time_s[rows.start] >= hold_s {
                found.push(rows);
            }
        }
    }
    found
}

fn lasted_s(clock: &Clock, rows: &Range<usize>) -> f64 {
    clock.time_s[rows.end - 1] - clock.time_s[rows.start]
}

/// Air/fuel ratio and lambda of one sensor.
fn mixture(channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Found {
    let lambda = need(view, Role::Lambda)?;
    let clock = &view.log.clock;
    let (a, b) = (held(channel, clock), held(lambda, clock));
    let ends = [channel.measured.clip_high, lambda.measured.clip_high];
    let ratio: Vec<f64> = (0..a.len())
        .filter(|row| {
            a[*row] > 0.0 && b[*row] > 0.0 && !ends.contains(&Some(a[*row])) && !ends.contains(&Some(b[*row]))
        })
        .map(|row| a[row] / b[row])
        .collect();
    if ratio.len() < LEAST_PAIRS {
        return Err("too few readings of air/fuel ratio and lambda together".to_owned());
    }
    let Some((centre, spread)) = robust::centre_and_spread(&ratio, 0.0) else { return Ok(Vec::new()) };
    if (centre - 1.0).abs() <= limits.get(&MIXTURE) {
        return Ok(Vec::new());
    }
    let stoich = view.rig.stoich_afr;
    let why = if spread < 0.01 {
        format!(
            "one factor throughout, as with a stoichiometric ratio of {:.2} where {stoich:.2} is set",
            centre * stoich
        )
    } else {
        "not one factor, so not one sensor".to_owned()
    };
    Ok(vec![Finding::new(
        0..channel.rows(),
        Flag::Suspect,
        format!(
            "{} stands at {centre:.3} times {} (spread {spread:.3}, limit {:.2}): {why}",
            channel.name,
            lambda.name,
            limits.get(&MIXTURE)
        ),
        vec![(&SLOPE, centre), (&PAIRS, ratio.len() as f64)],
    )])
}

/// Least and largest position, without the outermost hundredths.
fn travel(values: &[f64]) -> Option<(f64, f64)> {
    let mut finite: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    let low = robust::quantile_in_place(&mut finite, 0.01)?;
    Some((low, robust::quantile_in_place(&mut finite, 0.99)?))
}

/// The same of a throttle that tells open from closed.
fn throttle_travel(position: &[f64]) -> Result<(f64, f64), String> {
    travel(position)
        .filter(|(low, high)| high - low >= LEAST_TRAVEL)
        .ok_or_else(|| "the throttle does not move far enough to tell open from closed".to_owned())
}

/// Throttle wide open with the pedal released.
fn pedal(channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Found {
    let throttle = need(view, Role::Throttle)?;
    let clock = &view.log.clock;
    let (pedal, throttle) = (held(channel, clock), held(throttle, clock));
    let (Some((p0, p1)), Some((t0, t1))) = (travel(&pedal), travel(&throttle)) else {
        return Err("pedal or throttle holds no value".to_owned());
    };
    if p1 - p0 < LEAST_TRAVEL || t1 - t0 < LEAST_TRAVEL {
        return Err("pedal and throttle do not move far enough to be compared".to_owned());
    }
    let share = |value: f64, low: f64, high: f64| (value - low) / (high - low);
    let released = |row: usize| share(pedal[row], p0, p1) < 0.05;
    let open = |row: usize| share(throttle[row], t0, t1) > 0.6;
    // The plate of an engine that is governed by its fuel stands open at rest and shuts for other reasons.
    let (at_rest, apart) = (0..clock.time_s.len())
        .filter(|row| released(*row) && throttle[*row].is_finite())
        .fold((0_usize, 0_usize), |(all, apart), row| (all + 1, apart + usize::from(open(row))));
    if apart as f64 > MOST_APART * at_rest as f64 {
        return Err(format!(
            "the throttle stands open in {:.0} % of the time with the pedal released: it does not follow the pedal \
             on this engine",
            100.0 * apart as f64 / at_rest as f64
        ));
    }
    let contradict = |row: usize| released(row) && open(row);
    Ok(stretches(clock, limits.get(&HOLD), contradict)
        .into_iter()
        .map(|rows| {
            let lasted = lasted_s(clock, &rows);
            let message =
                format!("{} is released for {lasted:.1} s while the throttle stands open", channel.name);
            Finding::new(rows, Flag::Suspect, message, vec![(&LASTED, lasted)])
        })
        .collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::testing::{Bench, because, evidence};

    fn driving(wheel: f64) -> Bench {
        let speed = |t: f64| 12.0 + 8.0 * (t / 40.0).sin();
        Bench::new(10.0, 3000)
            .channel(Role::GpsSpeed, speed)
            .channel(Role::VehicleSpeed, move |t| wheel * speed(t) + 0.05 * (t * 9.0).sin())
    }

    #[test]
    fn wheel_speed_within_a_speedometers_error_passes_and_a_unit_is_named() {
        assert!(driving(1.08).findings(&CrossCheck, Role::VehicleSpeed).is_empty());
        let found = driving(1.609).findings(&CrossCheck, Role::VehicleSpeed);
        assert!(found[0].message.contains("km/h taken for mph"), "{found:?}");
        assert!((evidence(&found[0], "slope") - 1.609).abs() < 0.01);
        assert!(evidence(&found[0], "r2") > 0.99);
    }

    #[test]
    fn wheel_speed_that_does_not_follow_is_found_by_its_error() {
        let lost = Bench::new(10.0, 3000)
            .channel(Role::GpsSpeed, |t| 12.0 + 8.0 * (t / 40.0).sin())
            .channel(Role::VehicleSpeed, |_| 12.0);
        assert_eq!(lost.findings(&CrossCheck, Role::VehicleSpeed).len(), 1);
    }

    #[test]
    fn engine_speed_lost_in_vacuum_is_bad_and_a_standing_engine_is_not() {
        let log = |pascal: f64| {
            Bench::new(10.0, 600)
                .channel(Role::EngineSpeed, |t| if (20.0..25.0).contains(&t) { 0.0 } else { 2000.0 })
                .channel(Role::ManifoldPressure, move |_| pascal)
                .findings(&CrossCheck, Role::EngineSpeed)
        };
        assert!(log(99e3).is_empty());
        for pascal in [35e3, 55e3] {
            let found = log(pascal);
            assert_eq!((found.len(), found[0].rows.clone(), found[0].flag), (1, 200..250, Flag::Bad));
        }
        // One that stops: its manifold fills.
        let stops = Bench::new(10.0, 600)
            .channel(Role::EngineSpeed, |t| if t < 20.0 { 800.0 } else { 0.0 })
            .channel(Role::ManifoldPressure, |t| if t < 23.0 { 52e3 } else { 99e3 });
        assert!(stops.findings(&CrossCheck, Role::EngineSpeed).is_empty());
    }

    #[test]
    fn engine_speed_below_any_engines_is_bad_in_boost_and_fair_for_a_starter() {
        let log = |rpm: f64, pascal: f64| {
            Bench::new(10.0, 600)
                .channel(Role::EngineSpeed, move |t| if (20.0..25.0).contains(&t) { rpm } else { 4000.0 })
                .channel(Role::ManifoldPressure, move |t| if t < 20.0 { 60e3 } else { pascal })
                .findings(&CrossCheck, Role::EngineSpeed)
        };
        assert!(log(200.0, 90e3).is_empty() && log(600.0, 190e3).is_empty());
        let found = log(255.0, 190e3);
        assert_eq!((found.len(), found[0].rows.clone(), found[0].flag), (1, 200..250, Flag::Bad));
        assert!(found[0].message.contains("at most 255"), "{found:?}");
    }

    #[test]
    fn throttle_that_shows_closed_while_the_vehicle_is_driven() {
        let log = |gain: f64, shut_s: f64| {
            Bench::new(10.0, 600)
                .channel(Role::VehicleSpeed, move |t| 10.0 + gain * (t - 20.0).clamp(0.0, 10.0))
                .channel(Role::Throttle, move |t| {
                    if t < 20.0 || (22.0..22.0 + shut_s).contains(&t) { 0.02 } else { 0.95 }
                })
                .findings(&CrossCheck, Role::Throttle)
        };
        // A hill, and what a speedometer lags behind a lift.
        assert!(log(1.8, 5.0).is_empty() && log(3.0, 0.9).is_empty());
        let found = log(3.0, 5.0);
        assert_eq!(
            (found.len(), found[0].rows.clone(), found[0].flag),
            (1, 220..270, Flag::Suspect),
            "{found:?}"
        );
    }

    #[test]
    fn manifold_and_barometer_measure_the_same_air_at_rest() {
        let log = |pascal: f64| {
            Bench::new(10.0, 200)
                .channel(Role::EngineSpeed, |t| if t < 5.0 { 0.0 } else { 900.0 })
                .channel(Role::ManifoldPressure, move |t| if t < 5.0 { pascal } else { 35e3 })
                .channel(Role::BarometricPressure, |_| 100e3)
                .findings(&CrossCheck, Role::ManifoldPressure)
                .len()
        };
        assert_eq!((log(96e3), log(94e3)), (0, 1));
    }

    #[test]
    fn boost_and_mixture_pairs() {
        let log = |offset: f64| {
            Bench::new(10.0, 300)
                .channel(Role::ManifoldPressure, |t| 101e3 + 60e3 * (t / 20.0).sin().abs())
                .channel(Role::BoostPressure, move |t| 60e3 * (t / 20.0).sin().abs() + offset)
                .channel(Role::BarometricPressure, |_| 101e3)
                .findings(&CrossCheck, Role::BoostPressure)
                .len()
        };
        assert_eq!((log(0.0), log(20e3)), (0, 1));
        let pair = |factor: f64| {
            Bench::new(10.0, 300)
                .channel(Role::Lambda, |t| 0.9 + 0.05 * t.sin())
                .channel(Role::Afr, move |t| factor * (0.9 + 0.05 * t.sin()))
                .findings(&CrossCheck, Role::Afr)
        };
        assert!(pair(1.01).is_empty());
        assert!(pair(14.7 / 13.99)[0].message.contains("14.70"), "{:?}", pair(14.7 / 13.99));
    }

    #[test]
    fn gear_ratio_that_breaks_for_long_is_suspect() {
        let bench = Bench::new(10.0, 1000)
            .channel(Role::Gear, |_| 3.0)
            .channel(Role::EngineSpeed, |t| 3000.0 + 500.0 * (t / 10.0).sin())
            .channel(Role::VehicleSpeed, |t| {
                (3000.0 + 500.0 * (t / 10.0).sin()) / 150.0
                    * if (50.0..54.0).contains(&t) { 0.7 } else { 1.0 }
            });
        let found = bench.findings(&CrossCheck, Role::VehicleSpeed);
        assert_eq!((found.len(), found[0].rows.clone()), (1, 500..540), "{found:?}");
    }

    #[test]
    fn throttle_open_with_the_pedal_released() {
        let bench = Bench::new(10.0, 1000)
            .channel(Role::Throttle, |t| if t % 20.0 > 10.0 { 0.9 } else { 0.05 })
            .channel(Role::Pedal, |t| if t % 20.0 > 10.0 && !(50.0..60.0).contains(&t) { 0.9 } else { 0.0 });
        assert_eq!(bench.findings(&CrossCheck, Role::Pedal).len(), 1);
    }

    #[test]
    fn throttle_that_stands_open_in_deep_vacuum() {
        // Open and shut every 20 s; from 50 s on it shows open for as long as `stuck_s` although the manifold goes on.
        let log = |stuck_s: f64, vacuum_pa: f64| {
            let open = |t: f64| t % 20.0 < 10.0;
            Bench::new(10.0, 1000)
                .channel(Role::EngineSpeed, |_| 3_000.0)
                .channel(Role::ManifoldPressure, move |t| if open(t) { 160e3 } else { vacuum_pa })
                .channel(Role::Throttle, move |t| {
                    if open(t) || (50.0..50.0 + stuck_s).contains(&t) { 0.95 } else { 0.02 }
                })
                .findings(&CrossCheck, Role::Throttle)
        };
        assert!(log(0.0, 30e3).is_empty() && log(1.5, 30e3).is_empty());
        let found = log(5.0, 30e3);
        assert_eq!(
            (found.len(), found[0].rows.clone(), found[0].flag),
            (1, 500..550, Flag::Suspect),
            "{found:?}"
        );
        // Behind a restrictor or in the mountains, and with a pressure that no engine makes.
        assert!(log(5.0, 65e3).is_empty() && log(5.0, 2e3).is_empty());
    }

    #[test]
    fn missing_partner_is_named() {
        let alone = Bench::new(10.0, 100).channel(Role::VehicleSpeed, |_| 10.0);
        assert!(because(alone.run(&CrossCheck, Role::VehicleSpeed)).contains("satellite speed"));
    }
}
