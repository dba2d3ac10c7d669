//! States of built engines.

use super::{ALL, bit, judge};
use crate::log::{Channel, Clock, ClockBasis, Log, Role, Source, Unit};
use crate::rig::{Rig, measure};

const RATE_HZ: f64 = 50.0;

/// One piece of a drive: seconds, engine speed from and to, throttle, manifold pressure in kPa.
type Piece = (f64, f64, f64, f64, f64);

fn log_of(roles: &[(Role, Vec<f64>)]) -> Log {
    let rows = roles.first().map_or(0, |(_, values)| values.len());
    let segment = 0..rows;
    let mut log = Log {
        source: Source::made_up("built"),
        clock: Clock {
            time_s: (0..rows).map(|row| row as f64 / RATE_HZ).collect(),
            segments: vec![segment],
            events: Vec::new(),
            period_s: Some(1.0 / RATE_HZ),
            resolution_s: 0.001,
            start: None,
            basis: ClockBasis::StatedRate { rate_hz: RATE_HZ },
        },
        channels: roles
            .iter()
            .map(|(role, values)| {
                Channel::new(role.name().into(), *role, Unit::inside(role.dimension()), values.clone(), None)
            })
            .collect(),
        text_columns: Vec::new(),
        notes: Vec::new(),
    };
    measure::measure(&mut log, &Rig::default());
    log
}

/// Engine speed, throttle, manifold pressure.
fn drive(pieces: &[Piece]) -> [Vec<f64>; 3] {
    let mut out = [Vec::new(), Vec::new(), Vec::new()];
    for (seconds, from, to, throttle, kpa) in pieces {
        let rows = (seconds * RATE_HZ) as usize;
        for row in 0..rows {
            let share = row as f64 / rows as f64;
            // A little life, or every channel would be constant.
            let wobble = ((out[0].len() as f64) * 1.7).sin();
            out[0].push(from + (to - from) * share + 8.0 * wobble);
            out[1].push(throttle + 0.002 * wobble);
            out[2].push(kpa * 1000.0 + 300.0 * wobble);
        }
    }
    out
}

/// Idle, cruise, two pulls through a gear change, over-run.
fn hill() -> Vec<Piece> {
    vec![
        (5.0, 900.0, 900.0, 0.02, 35.0),
        (5.0, 2500.0, 2550.0, 0.20, 55.0),
        (4.0, 3000.0, 6600.0, 0.99, 180.0),
        (0.2, 6600.0, 5000.0, 0.02, 60.0),
        (4.0, 5000.0, 6500.0, 0.99, 180.0),
        (3.0, 6400.0, 2500.0, 0.02, 25.0),
        (5.0, 900.0, 900.0, 0.02, 35.0),
    ]
}

fn seconds_of(log: &Log, bit: u16) -> f64 {
    judge(log, &Rig::default()).bits.iter().filter(|bits| **bits & bit != 0).count() as f64 / RATE_HZ
}

fn assert_hill(log: &Log, gear_change: bool) {
    let states = judge(log, &Rig::default());
    let full: Vec<_> = states.windows_of(bit::FULL_LOAD).collect();
    assert_eq!(full.len(), 2, "{full:?}");
    let start_s = full[0].start as f64 / RATE_HZ;
    let end_s = full[0].end as f64 / RATE_HZ;
    // Opening at 10.0 s, delay + 3 tau + film 0.9 s; closing at 14.0 s.
    assert!((11.0..11.5).contains(&start_s), "{start_s}");
    assert!((end_s - 14.0).abs() < 0.1, "{end_s}");
    // After the change the film is still wet: earlier.
    let again_s = full[1].start as f64 / RATE_HZ - 14.2;
    assert!((0.4..0.9).contains(&again_s), "{again_s}");
    assert!(seconds_of(log, bit::IDLE) > 6.0);
    assert!(seconds_of(log, bit::CRUISE) > 2.0);
    let over = seconds_of(log, bit::OVER_RUN);
    assert!((2.5..3.5).contains(&over), "{over}");
    assert_eq!(seconds_of(log, bit::GEAR_CHANGE) > 0.1, gear_change);
    assert_eq!(states.ceiling_rpm, None);
    assert_eq!(seconds_of(log, bit::LIMITER), 0.0);
    assert!((states.idle_rpm.expect("idle") - 900.0).abs() < 30.0);
}

#[test]
fn a_hill_climb_is_told_from_throttle_pressure_and_speed() {
    let [rpm, throttle, pa] = drive(&hill());
    assert_hill(
        &log_of(&[(Role::EngineSpeed, rpm), (Role::Throttle, throttle), (Role::ManifoldPressure, pa)]),
        true,
    );
}

#[test]
fn it_is_told_without_throttle_and_without_pressure() {
    let [rpm, throttle, pa] = drive(&hill());
    assert_hill(&log_of(&[(Role::EngineSpeed, rpm.clone()), (Role::ManifoldPressure, pa.clone())]), true);
    assert_hill(&log_of(&[(Role::EngineSpeed, rpm.clone()), (Role::Throttle, throttle)]), true);
    let gauge = pa.iter().map(|pa| pa - 101_325.0).collect();
    assert_hill(&log_of(&[(Role::EngineSpeed, rpm), (Role::BoostPressure, gauge)]), true);
}

#[test]
fn a_spike_in_one_channel_does_not_lose_the_window() {
    for channel in 0..3 {
        for value in [0.0, 1e6] {
            let mut signals = drive(&hill());
            signals[channel][620] = value;
            let [rpm, throttle, pa] = signals;
            let log =
                log_of(&[(Role::EngineSpeed, rpm), (Role::Throttle, throttle), (Role::ManifoldPressure, pa)]);
            let states = judge(&log, &Rig::default());
            let rows: usize = states.windows_of(bit::FULL_LOAD).map(|rows| rows.len()).sum();
            assert!(rows as f64 / RATE_HZ > 5.5, "channel {channel} at {value}: {rows} rows");
        }
    }
}

#[test]
fn speed_alone_tells_a_recurring_ceiling_and_no_full_load() {
    let mut rpm = Vec::new();
    for row in 0..1500_u32 {
        let t = f64::from(row) / RATE_HZ;
        // Up at 1000 rpm/s, then a saw-tooth against 7200 rpm.
        let saw = 7200.0 - 300.0 * (t * 5.0).fract();
        rpm.push(if t < 5.0 { 900.0 } else { (900.0 + 1000.0 * (t - 5.0)).min(saw) });
    }
    let log = log_of(&[(Role::EngineSpeed, rpm)]);
    let states = judge(&log, &Rig::default());
    let ceiling = states.ceiling_rpm.expect("a ceiling");
    assert!((ceiling / 7200.0 - 1.0).abs() < 0.03, "{ceiling}");
    assert!(states.bits.iter().any(|bits| bits & bit::LIMITER != 0));
    assert!(states.bits.iter().all(|bits| bits & bit::FULL_LOAD == 0));
    assert!(states.not_judged.iter().any(|(name, _)| *name == "full_load"));
}

#[test]
fn a_speed_reached_once_is_no_ceiling_and_a_redline_is() {
    let [rpm, throttle, _] = drive(&[
        (5.0, 900.0, 900.0, 0.02, 35.0),
        (4.0, 3000.0, 7000.0, 0.99, 100.0),
        (4.0, 3000.0, 1000.0, 0.02, 30.0),
    ]);
    let log = log_of(&[(Role::EngineSpeed, rpm), (Role::Throttle, throttle)]);
    assert_eq!(judge(&log, &Rig::default()).ceiling_rpm, None);
    let rig = Rig { redline_rpm: Some(7000.0), ..Rig::default() };
    assert!(judge(&log, &rig).ceiling_rpm.is_some());
}

#[test]
fn one_long_cut_of_fuel_tells_a_ceiling_and_a_change_of_gear_does_not() {
    // Two pulls; at the top the speed falls for half a second on an open throttle.
    let ceiling = |falls_to: f64, duty_at_the_top: f64| {
        let pull = [
            (3.0, 900.0, 900.0, 0.02, 35.0),
            (4.0, 5400.0, 7000.0, 0.99, 180.0),
            (0.5, 7000.0, falls_to, 0.99, 180.0),
            (2.0, falls_to, 2000.0, 0.02, 30.0),
        ];
        let pieces = [pull, pull].concat();
        let mut duty = Vec::new();
        for (at, (seconds, ..)) in pieces.iter().enumerate() {
            let value = [0.05, 0.7, duty_at_the_top, 0.0][at % 4];
            duty.extend(std::iter::repeat_n(value, (seconds * RATE_HZ) as usize));
        }
        let [rpm, throttle, pa] = drive(&pieces);
        let log = log_of(&[
            (Role::EngineSpeed, rpm),
            (Role::Throttle, throttle),
            (Role::ManifoldPressure, pa),
            (Role::InjectorDuty, duty),
        ]);
        judge(&log, &Rig::default()).ceiling_rpm
    };
    let found = ceiling(6800.0, 0.0).expect("a ceiling");
    assert!((found / 7000.0 - 1.0).abs() < 0.01, "{found}");
    assert_eq!(ceiling(6800.0, 0.7), None, "fuel was not cut");
    assert_eq!(ceiling(5500.0, 0.0), None, "the next gear");
}

#[test]
fn a_steady_top_speed_or_a_slow_channel_is_no_ceiling() {
    // Held near the highest speed, wandering over the edge of the band.
    let steady: Vec<f64> = (0..3000_u32)
        .map(|row| {
            let t = f64::from(row) / RATE_HZ;
            (1000.0 + 60.0 * t).min(3000.0) + 40.0 * (t * 6.0).sin()
        })
        .collect();
    let log = log_of(&[(Role::EngineSpeed, steady.clone())]);
    assert_eq!(judge(&log, &Rig::default()).ceiling_rpm, None);
    // Renewed once a second.
    let slow: Vec<f64> = (0..3000_usize).map(|row| steady[row / 50 * 50]).collect();
    let log = log_of(&[(Role::EngineSpeed, slow)]);
    assert_eq!(judge(&log, &Rig::default()).ceiling_rpm, None);
}

#[test]
fn a_part_load_log_has_no_full_load() {
    let [rpm, throttle, pa] = drive(&[(5.0, 900.0, 900.0, 0.02, 35.0), (20.0, 2000.0, 3000.0, 0.30, 60.0)]);
    let log = log_of(&[(Role::EngineSpeed, rpm), (Role::Throttle, throttle), (Role::ManifoldPressure, pa)]);
    assert_eq!(seconds_of(&log, bit::WIDE_OPEN | bit::FULL_LOAD), 0.0);
}

#[test]
fn a_cold_engine_is_warming_up_and_has_no_full_load_window() {
    let [rpm, throttle, pa] = drive(&hill());
    let coolant = vec![320.0; rpm.len()];
    let log = log_of(&[
        (Role::EngineSpeed, rpm),
        (Role::Throttle, throttle),
        (Role::ManifoldPressure, pa),
        (Role::CoolantTemperature, coolant),
    ]);
    assert_eq!(seconds_of(&log, bit::FULL_LOAD), 0.0);
    assert!(seconds_of(&log, bit::WARM_UP) > 25.0);
    assert!(seconds_of(&log, bit::WIDE_OPEN) > 7.0);
}

#[test]
fn a_start_is_cranking_then_warm_up() {
    let [rpm, ..] = drive(&[
        (3.0, 0.0, 0.0, 0.0, 100.0),
        (1.0, 200.0, 220.0, 0.0, 90.0),
        (30.0, 1100.0, 900.0, 0.0, 35.0),
    ]);
    let log = log_of(&[(Role::EngineSpeed, rpm)]);
    let cranking = seconds_of(&log, bit::CRANKING);
    assert!((0.9..1.2).contains(&cranking), "{cranking}");
    let warm_up = seconds_of(&log, bit::WARM_UP);
    assert!((19.5..20.5).contains(&warm_up), "{warm_up}");
}

#[test]
fn a_flare_without_load_is_unload() {
    let [rpm, throttle, _] = drive(&[
        (5.0, 900.0, 900.0, 0.02, 35.0),
        (5.0, 900.0, 3000.0, 0.20, 60.0),
        (4.0, 3000.0, 5000.0, 0.99, 100.0),
        (0.5, 5000.0, 7500.0, 0.99, 100.0),
        (0.5, 7500.0, 5000.0, 0.99, 100.0),
        (4.0, 5000.0, 6000.0, 0.99, 100.0),
    ]);
    let log = log_of(&[(Role::EngineSpeed, rpm), (Role::Throttle, throttle)]);
    let unload = seconds_of(&log, bit::UNLOAD);
    assert!((0.2..1.0).contains(&unload), "{unload}");
}

#[test]
fn odd_logs_are_judged_without_panic() {
    let odd = [
        vec![],
        vec![1.0],
        vec![f64::NAN; 40],
        vec![0.0; 40],
        vec![f64::MAX; 40],
        vec![-1.0, f64::NAN, 1e300],
    ];
    for values in &odd {
        for role in Role::ALL {
            let log = log_of(&[(*role, values.clone())]);
            let states = judge(&log, &Rig::default());
            assert_eq!(states.bits.len(), values.len());
        }
        let log = log_of(&[
            (Role::EngineSpeed, values.clone()),
            (Role::Throttle, values.clone()),
            (Role::ManifoldPressure, values.clone()),
            (Role::Gear, values.clone()),
        ]);
        judge(&log, &Rig::default());
    }
}

#[test]
fn every_state_has_a_bit_a_name_and_criteria() {
    let mut seen = 0_u16;
    for meta in ALL {
        assert_eq!(meta.bit.count_ones(), 1);
        assert_eq!(seen & meta.bit, 0, "{}", meta.name);
        seen |= meta.bit;
        assert!(meta.criteria.len() > 40 && !meta.summary.ends_with('.'));
    }
    assert_eq!(seen, 0x0FFF);
}
