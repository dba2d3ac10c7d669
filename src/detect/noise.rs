//! More scatter from reading to reading than the quantity can have.

use std::ops::Range;

use super::pace::{Readings, shown_difference};
use super::{
    Detector, Evaluated, Field, Finding, Gaps, Limit, Limits, Meta, Outcome, Phase, Scope, Stage, View,
};
use crate::figure::every;
use crate::flag::Flag;
use crate::log::{Channel, Role};
use crate::signal::{robust, runs};
use crate::state::bit;

mod swings;

/// See its text in `sondeproof explain noise`.
pub(super) struct NoiseLevel;

/// How much one quantity may scatter.
struct Ceiling {
    role: Role,
    /// Standard deviation from reading to reading, inside unit (phi for lambda).
    limit: &'static Limit,
    /// Readings must come at least this often, s: slower, motion and noise look alike.
    slowest_s: f64,
}

macro_rules! ceilings {
    ($($name:ident $text:literal $unit:literal $default:literal $why:literal, $($role:ident $slowest:literal)+;)*) => {
        $(static $name: Limit = Limit {
            name: $text, unit: $unit, default: $default, range: ($default / 100.0, $default * 100.0), why: $why,
        };)*
        static CEILINGS: &[Ceiling] =
            &[$($(Ceiling { role: Role::$role, limit: &$name, slowest_s: $slowest },)+)*];
        static ROLES: &[Role] = &[$($(Role::$role,)+)*];
        static LIMITS: &[&Limit] = &[$(&$name,)* &SWING, &FACTOR, &WINDOW];
    };
}

ceilings! {
    LAMBDA "lambda_phi" "1" 0.03
        "three times the noise of a poor but healthy chain, 0.01 in phi (simulation range of the physics note)",
        Lambda 0.05 Afr 0.05;
    SPEED "engine_speed_rpm" "rpm" 250.0
        "at 20 Hz already 20 000 rpm/s up and down again: beyond torque over inertia in gear (computed)",
        EngineSpeed 0.1;
    PRESSURE "manifold_pressure_pa" "Pa" 20e3
        "intake pulsation of a four at the port is about 10 kPa (from memory)", ManifoldPressure 0.1 BoostPressure 0.1;
    TEMPERATURE "temperature_k" "K" 2.0 "heat capacity allows no scatter: this is electrical (assumed)",
        CoolantTemperature 2.0 OilTemperature 2.0 IntakeAirTemperature 1.0 AmbientTemperature 2.0;
    EXHAUST "exhaust_gas_temperature_k" "K" 25.0
        "a sheathed thermocouple of 0.5 s or more smooths every cycle: this is electrical (assumed)", ExhaustGasTemperature 0.15;
    ROAD "vehicle_speed_mps" "m/s" 1.5 "at 10 Hz already 3 g back and forth (computed)",
        VehicleSpeed 0.2 GpsSpeed 0.2;
    VOLTAGE "voltage_v" "V" 0.18
        "ripple of 0.5 V peak to peak is a charging fault (physics note, from memory): 0.18 V for a sine", BatteryVoltage 0.5
        SupplyVoltage 0.5;
    STROKE "stroke" "1" 0.03 "wear of a potentiometer track shows as jumps of some per cent (assumed)",
        Throttle 0.05 Pedal 0.05;
}

static SWING: Limit = Limit {
    name: "swing_phi",
    unit: "1",
    default: 0.04,
    range: (0.01, 0.5),
    why: "from one sixth of a second to the next in steady running: a control loop of 0.03 and 0.7 s makes 0.02 \
          (computed), water on the element several tenths (assumed)",
};
static FACTOR: Limit = Limit {
    name: "quiet_factor",
    unit: "1",
    default: 10.0,
    range: (2.0, 1_000.0),
    why: "times the channel's own quiet level; then a third of the physical ceiling is enough (assumed)",
};
static WINDOW: Limit = Limit {
    name: "window_s",
    unit: "s",
    default: 2.0,
    range: (0.2, 60.0),
    why: "long enough for 20 readings at 10 Hz, short enough for one operating point (assumed)",
};

static SIGMA: Field = Field { name: "sigma", unit: "inside unit of the role (phi for lambda)" };
static CEILING: Field = Field { name: "ceiling", unit: "inside unit of the role (phi for lambda)" };
static QUIET: Field = Field { name: "quiet", unit: "inside unit of the role (phi for lambda)" };

/// Fewest readings that make a level.
const ENOUGH: usize = 20;

static META: Meta = Meta {
    name: "noise",
    stage: Stage::Scored,
    phase: Phase::Samples,
    scope: Scope::Channel,
    summary: "scatter from reading to reading above what the quantity, or the channel when quiet, shows",
    applies_to: ROLES,
    needs: &[],
    method: "In windows of `window_s` (at least 20 fresh readings, within a stretch without a gap): the robust \
             standard deviation from second differences, which are blind to level and slope; for lambda in \
             phi = 1/lambda. Suspect above the ceiling of the role, or above a third of it when it is also \
             `quiet_factor` times the channel's own quiet level (the lower quartile of its windows, at least the \
             resolution); the latter not for lambda where fuel is cut or the throttle opens. \
             Lambda is judged on a slower scale as well: in steady idle, cruise and full load its level must not jump by \
             `swing_phi` from one sixth of a second to the next, as it does with water on the element.",
    assumes: "Readings come often enough that motion is smooth between them; each role has its slowest rate, below \
              which the test does not run.",
    misses: "Noise slower than the readings (drift, hum folded down by sampling). A controller that hunts, or an \
             engine that misfires, scatters for real: a finding says the values scatter, not why.",
    gaps: Gaps::Break,
    limits: LIMITS,
    evidence: &[&SIGMA, &CEILING, &QUIET],
    sources: &[
        "40 CFR 1065.915 Table 1: noise of field instruments, as the order of what is acceptable",
        "second differences against slope and level: common practice, no source",
    ],
};

impl Detector for NoiseLevel {
    fn meta(&self) -> &'static Meta {
        &META
    }

    fn run(&self, channel: &Channel, view: &View<'_>, limits: &Limits<'_>) -> Outcome {
        let Some(ceiling) = CEILINGS.iter().find(|ceiling| ceiling.role == channel.role) else {
            return Outcome::not_run("no physical ceiling for the noise of this quantity");
        };
        let readings = Readings::of(channel, view);
        let swings = if channel.role.is_mixture() {
            swings::findings(channel, view, &readings, limits.get(&SWING))
        } else {
            None
        };
        match (scatter(channel, view, &readings, ceiling, limits), swings) {
            (Outcome::Ran { evaluated, mut findings, .. }, Some(swings)) => {
                findings.extend(swings);
                findings.sort_by_key(|finding| (finding.rows.start, finding.rows.end));
                Outcome::ran(evaluated, findings)
            }
            (Outcome::NotRun { .. }, Some(swings)) => Outcome::ran(Evaluated::Rows(Vec::new()), swings),
            (scatter, None) => scatter,
        }
    }
}

/// Scatter from reading to reading.
fn scatter(
    channel: &Channel,
    view: &View<'_>,
    readings: &Readings<'_>,
    ceiling: &Ceiling,
    limits: &Limits<'_>,
) -> Outcome {
    let Some(period_s) = channel.fresh_period_s().filter(|period| *period > 0.0) else {
        return Outcome::not_run("fewer than two readings");
    };
    if period_s > ceiling.slowest_s * (1.0 + 1e-6) {
        return Outcome::not_run(format!(
            "{}: at that rate motion of {} and noise look alike",
            every(period_s, 2),
            channel.role.label()
        ));
    }
    let windows = windows(view, readings, limits.get(&WINDOW).max(ENOUGH as f64 * period_s));
    let mixture = channel.role.is_mixture();
    let levels: Vec<f64> = windows.iter().map(|at| level(readings, at.clone(), mixture)).collect();
    if levels.is_empty() {
        return Outcome::not_run(format!("no stretch of {ENOUGH} readings without a gap"));
    }
    let floor = if mixture { 0.0 } else { channel.resolution() };
    let quiet = robust::quantile_in_place(&mut levels.clone(), 0.25).unwrap_or(0.0).max(floor);
    let most = limits.get(ceiling.limit);
    // The mixture itself jumps where it is cut or held back.
    let cuts = bit::LIMITER | bit::GEAR_CHANGE | bit::UNLOAD | bit::OVER_RUN | bit::TIP_IN;
    let cut =
        |at: &Range<usize>| mixture && readings.shown(at.start, at.end).any(|row| view.state.has(row, cuts));
    let loud = |index: usize| {
        let sigma = levels[index];
        sigma > most
            || (!cut(&windows[index])
                && sigma > most / 3.0
                && sigma > limits.get(&FACTOR) * quiet
                && quiet > 0.0)
    };
    let findings = runs::of(levels.len(), loud)
        .into_iter()
        .map(|run| {
            let rows = readings.shown(windows[run.start].start, windows[run.end - 1].end);
            let sigma = levels[run].iter().copied().fold(0.0, f64::max);
            describe(channel, rows, sigma, most, quiet)
        })
        .collect();
    let judged = windows.iter().map(|at| readings.shown(at.start, at.end)).filter(|rows| !rows.is_empty());
    Outcome::ran(Evaluated::Rows(judged.collect()), findings)
}

/// Windows of readings, disjoint, none across a gap; what is left at the end of a stretch joins its last window.
fn windows(view: &View<'_>, readings: &Readings<'_>, length_s: f64) -> Vec<Range<usize>> {
    let mut found: Vec<Range<usize>> = Vec::new();
    for segment in &view.log.clock.segments {
        let first = readings.at_or_after(segment.start);
        let end = readings.at_or_after(segment.end);
        let (mut start, before) = (first, found.len());
        for at in first..end {
            if readings.time_s(at) - readings.time_s(start) >= length_s && at - start >= ENOUGH {
                found.push(start..at);
                start = at;
            }
        }
        if found.len() > before {
            if let Some(last) = found.last_mut() {
                last.end = end;
            }
        } else if end - first >= ENOUGH {
            found.push(first..end);
        }
    }
    found
}

fn level(readings: &Readings<'_>, at: Range<usize>, mixture: bool) -> f64 {
    let values: Vec<f64> =
        at.map(|at| if mixture { readings.value(at).recip() } else { readings.value(at) }).collect();
    robust::noise(&values).unwrap_or(0.0)
}

fn describe(channel: &Channel, rows: Range<usize>, sigma: f64, ceiling: f64, quiet: f64) -> Finding {
    let print = |value: f64| {
        if channel.role.is_mixture() {
            format!("{value:.3} in phi")
        } else {
            shown_difference(channel, value)
        }
    };
    let message = format!(
        "{} scatters by {} from reading to reading; {} is the most that it should, {} is its quiet level",
        channel.name,
        print(sigma),
        print(ceiling),
        print(quiet)
    );
    Finding::new(rows, Flag::Suspect, message, vec![(&SIGMA, sigma), (&CEILING, ceiling), (&QUIET, quiet)])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::testing::{Bench, Noise, because, evidence};

    fn bench(role: Role, level: f64, loud: f64) -> Bench {
        let mut noise = Noise::new(6);
        let values = (0..1_200)
            .map(|row| level + if (400..480).contains(&row) { loud } else { 0.01 * loud } * noise.next())
            .collect();
        Bench::new(20.0, 1_200).values(role, values)
    }

    #[test]
    fn loud_stretch_is_found_where_it_is() {
        let found =
            bench(Role::CoolantTemperature, 360.0, 6.0).findings(&NoiseLevel, Role::CoolantTemperature);
        assert_eq!(found.len(), 1);
        assert!(found[0].rows.start.abs_diff(400) <= 40 && found[0].rows.end.abs_diff(480) <= 40);
        let sigma = evidence(&found[0], "sigma");
        assert!((3.0..12.0).contains(&sigma), "{sigma}");
    }

    #[test]
    fn rise_over_the_quiet_level_counts_below_the_ceiling() {
        assert_eq!(
            bench(Role::BatteryVoltage, 14.0, 0.12).findings(&NoiseLevel, Role::BatteryVoltage).len(),
            1
        );
        let mut noise = Noise::new(8);
        let even = Bench::new(20.0, 1_200).channel(Role::BatteryVoltage, |_| 14.0 + 0.12 * noise.next());
        assert!(even.findings(&NoiseLevel, Role::BatteryVoltage).is_empty());
    }

    #[test]
    fn slope_and_level_are_no_noise() {
        let ramp = Bench::new(20.0, 1_200).channel(Role::EngineSpeed, |t| 900.0 + 100.0 * t);
        assert!(ramp.findings(&NoiseLevel, Role::EngineSpeed).is_empty());
    }

    #[test]
    fn lambda_is_judged_in_phi_and_only_when_it_comes_often() {
        assert_eq!(bench(Role::Lambda, 0.85, 0.06).findings(&NoiseLevel, Role::Lambda).len(), 1);
        let slow = Bench::new(5.0, 400).channel(Role::Lambda, |_| 0.85);
        assert!(because(slow.run(&NoiseLevel, Role::Lambda)).contains("look alike"));
    }

    #[test]
    fn short_stretches_have_no_level() {
        let short = Bench::new(20.0, 30).channel(Role::EngineSpeed, |_| 900.0).gap(15, 9.0);
        assert!(because(short.run(&NoiseLevel, Role::EngineSpeed)).contains("without a gap"));
    }
}
