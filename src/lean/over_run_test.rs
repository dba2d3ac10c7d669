//! Over-runs whose throttle, manifold or timing does not show at once that they are some, on small logs built in code.

use super::cuts_test::{Drive, brief, events_of, treated};
use super::*;
use crate::detect::testing::quantised;
use crate::log::Role;

/// The drive with a second lift from part load, from 14 s to 14.8 s.
fn lifted_twice(rate_hz: f64) -> Drive {
    let mut drive = Drive::new(rate_hz);
    drive.rpm = Box::new(|t| match t {
        t if t < 3.0 => 900.0,
        t if t < 4.0 => 2_500.0,
        t if t < 9.0 => 2_500.0 + 600.0 * (t - 4.0),
        t if t < 10.4 => 5_500.0 - 2_000.0 * (t - 9.0),
        t if t < 14.0 => 2_700.0,
        t => (2_700.0 - 1_500.0 * (t - 14.0)).max(1_000.0),
    });
    drive.throttle = Box::new(|t| match t {
        t if t < 3.0 => 0.0,
        t if t < 4.0 => 0.2,
        t if t < 9.0 => 1.0,
        t if t < 10.4 => 0.0,
        t if t < 14.0 => 0.14,
        _ => 0.0,
    });
    drive.manifold_pa = Box::new(|t| match t {
        t if t < 3.0 => 35e3,
        t if t < 4.0 => 60e3,
        t if t < 9.0 => 100e3,
        t if t < 10.4 => 28e3,
        t if t < 14.0 => 50e3,
        _ => 28e3,
    });
    drive.gas = Box::new(|t| match t {
        t if (4.0..9.0).contains(&t) => 0.80,
        t if (9.0..10.4).contains(&t) || (14.0..14.5).contains(&t) => 1e3,
        _ => 1.0,
    });
    drive
}

#[test]
fn an_over_run_read_before_the_throttle_closed_ends_where_the_closed_loop_holds_one() {
    for rate_hz in [20.0, 50.0, 100.0] {
        // The throttle's channel lags by 40 ms: the first readings of the cut lie under full load.
        let mut drive = lifted_twice(rate_hz);
        let (throttle, manifold) = (drive.throttle, drive.manifold_pa);
        drive.throttle = Box::new(move |t| throttle(t - 0.04));
        drive.manifold_pa = Box::new(move |t| manifold(t - 0.04));
        let events = drive.events();
        let first = events.iter().find(|e| (9.0..9.3).contains(&e.start_s));
        let first = first.unwrap_or_else(|| panic!("{rate_hz}\n{}", brief(&events)));
        assert!(first.end_s < 11.0, "{rate_hz}\n{}", brief(&events));
        assert_eq!(treated(&events, 11.0, 16.0), [TreatAs::Benign], "{rate_hz}\n{}", brief(&events));
    }
}

#[test]
fn a_lift_from_part_load_shorter_than_the_doubt_of_its_delay_is_a_cut_without_injection_too() {
    // By the volume breathed its air would have left before the throttle closed: this exhaust is shorter than the usual one.
    let mut drive = lifted_twice(25.0);
    drive.late = Box::new(|_| 0.005);
    let events = drive.events();
    assert_eq!(treated(&events, 13.9, 16.0), [TreatAs::Benign], "{}", brief(&events));
}

/// Throttle and manifold pressure from 8 s on as a lifted ground shows them.
fn ground_lifted(mut drive: Drive) -> Drive {
    let (throttle, manifold) = (drive.throttle, drive.manifold_pa);
    drive.throttle = Box::new(move |t| (throttle(t) + if t < 8.0 { 0.0 } else { 0.08 }).min(1.0));
    drive.manifold_pa = Box::new(move |t| manifold(t) + if t < 8.0 { 0.0 } else { 25e3 });
    drive
}

#[test]
fn an_engine_that_is_dragged_shows_an_over_run_though_a_lifted_ground_opens_its_throttle() {
    for rate_hz in [10.0, 25.0, 100.0] {
        let events = ground_lifted(Drive::new(rate_hz)).events();
        assert_eq!(treated(&events, 8.9, 11.5), [TreatAs::Benign], "{rate_hz}\n{}", brief(&events));
        // The same gas while the engine keeps its speed is no over-run.
        let mut kept = ground_lifted(Drive::new(rate_hz));
        kept.rpm = Box::new(|t| if t < 3.0 { 900.0 } else { 2_500.0 + 600.0 * (t - 4.0).clamp(0.0, 5.0) });
        let events = kept.events();
        let told = treated(&events, 8.9, 11.5);
        assert!(told.contains(&TreatAs::Hazard), "{rate_hz}\n{}", brief(&events));
    }
}

#[test]
fn a_rail_that_falls_under_load_leaves_the_over_run_after_it_open() {
    let drive = Drive::new(50.0);
    let told = |rail_pa: &dyn Fn(f64) -> f64| {
        let bench = drive.bench();
        let rail = bench.log.clock.time_s.iter().map(|t| quantised(rail_pa(*t), 1e3)).collect();
        let bench = bench.values(Role::FuelPressure, rail).measured(|m| m.resolution = Some(1e3));
        treated(&events_of(&bench), 8.9, 11.5)
    };
    // The regulator follows the manifold down.
    let steady = |t: f64| if (4.0..9.0).contains(&t) { 350e3 } else { 280e3 };
    assert_eq!(told(&steady), [TreatAs::Benign]);
    // A pump that stops on the closed throttle harms nothing.
    assert_eq!(told(&|t| if (9.1..11.0).contains(&t) { 60e3 } else { steady(t) }), [TreatAs::Benign]);
    // One that stops 0.15 s before it does.
    assert_eq!(told(&|t| if (8.85..11.0).contains(&t) { 60e3 } else { steady(t) }), [TreatAs::Hazard]);
}
