//! Injectors that read shut while the engine goes on, on small logs built in code.

use super::cuts_test::{Drive, brief, treated, unflagged, weight};
use super::*;
use crate::log::Role;

/// A pull from 4 s on that is lean between two times, closed from 9 s to 11 s, with injectors as they are.
fn pulled(rate_hz: f64, lean_s: (f64, f64)) -> Drive {
    let mut drive = Drive::new(rate_hz);
    drive.gas = Box::new(move |t| match t {
        t if (lean_s.0..lean_s.1).contains(&t) => 1.02,
        t if (4.0..9.0).contains(&t) => 0.80,
        t if (9.0..10.8).contains(&t) => 1e3,
        _ => 1.0,
    });
    drive.duty = Some(Box::new(fed));
    drive
}

fn fed(t: f64) -> f64 {
    match t {
        t if (4.0..9.0).contains(&t) => 0.45,
        t if (9.0..10.8).contains(&t) => 0.0,
        _ => 0.04,
    }
}

/// The events of a drive whose injectors are logged as a pulse width, s.
fn by_width(drive: &Drive) -> Vec<LeanEvent> {
    let mut bench = drive.bench();
    for channel in bench.log.channels.iter_mut().filter(|channel| channel.role == Role::InjectorDuty) {
        channel.role = Role::InjectorPulseWidth;
    }
    bench.state = crate::state::judge(&bench.log, &bench.rig);
    let bench = bench.chain();
    let detection = unflagged(&bench);
    judge(&bench.view(), &detection).expect("a mixture channel").into_iter().map(|e| e.record).collect()
}

#[test]
fn injectors_that_read_shut_while_the_engine_burns_tell_of_no_cut() {
    type Wrong = fn(f64) -> f64;
    let wrong: [(&str, Wrong); 4] = [
        ("a share under the name of a percentage", |t| fed(t) / 100.0),
        ("nothing from before the pull on", |t| if t > 3.0 { 0.0 } else { fed(t) }),
        ("nothing for three seconds", |t| if (5.5..8.5).contains(&t) { 0.0 } else { fed(t) }),
        ("nothing but for a moment", |t| if (6.0..7.3).contains(&t) { 0.0 } else { fed(t) }),
    ];
    for rate_hz in [10.0, 25.0, 100.0] {
        for (what, wrong) in wrong {
            let mut drive = pulled(rate_hz, (6.0, 7.2));
            drive.duty = Some(Box::new(wrong));
            let events = drive.events();
            assert_eq!(
                treated(&events, 6.2, 7.2),
                [TreatAs::Hazard],
                "{what}, {rate_hz}\n{}",
                brief(&events)
            );
        }
    }
}

#[test]
fn a_true_pause_of_the_injectors_is_still_told() {
    for rate_hz in [10.0, 25.0, 100.0] {
        let events = pulled(rate_hz, (0.0, 0.0)).events();
        assert_eq!(treated(&events, 9.0, 11.2), [TreatAs::Benign], "{rate_hz}\n{}", brief(&events));
        assert_eq!(weight(&events, 8.9, 9.8, "fuel_off"), constants::LR_CUT_COMMANDED.value);
    }
}

#[test]
fn a_pulse_of_milliseconds_is_no_shut_injector() {
    for rate_hz in [25.0, 100.0] {
        let width = |t: f64| if fed(t) > 0.0 { 0.0025 + 0.005 * fed(t) } else { 0.0 };
        let mut drive = pulled(rate_hz, (6.0, 7.2));
        drive.duty = Some(Box::new(width));
        let events = by_width(&drive);
        assert_eq!(treated(&events, 6.2, 7.2), [TreatAs::Hazard], "{rate_hz}\n{}", brief(&events));
        assert_eq!(treated(&events, 9.0, 11.2), [TreatAs::Benign], "{rate_hz}\n{}", brief(&events));
        // The same written in seconds under the name of milliseconds.
        drive.duty = Some(Box::new(move |t| 1e-3 * width(t)));
        let events = by_width(&drive);
        assert_eq!(treated(&events, 6.2, 7.2), [TreatAs::Hazard], "{rate_hz}\n{}", brief(&events));
    }
}

/// A pull that is lean from its first moment, while the channels of the engine hold what they read on the over-run before it:
/// the mixture and the manifold have inputs of their own.
fn held(manifold: fn(f64) -> f64) -> Drive {
    let mut drive = Drive::new(25.0);
    let bus = |t: f64| (4.0..9.5).contains(&t);
    drive.seconds = 20.0;
    drive.gas = Box::new(|t| match t {
        t if (3.0..4.0).contains(&t) => 1e3,
        t if (4.0..9.0).contains(&t) => 0.97,
        t if (9.0..10.8).contains(&t) => 1e3,
        _ => 1.0,
    });
    drive.rpm = Box::new(move |t| match t {
        t if t < 3.0 => 900.0,
        t if bus(t) => 3_000.0,
        t if t < 4.0 => 4_000.0 - 1_000.0 * (t - 3.0),
        t => (5_500.0 - 2_000.0 * (t - 9.0)).max(900.0),
    });
    drive.throttle = Box::new(|_| 0.0);
    drive.manifold_pa = Box::new(manifold);
    drive.duty = Some(Box::new(move |t| if (3.0..10.8).contains(&t) { 0.0 } else { 0.04 }));
    drive
}

#[test]
fn a_full_manifold_refutes_a_throttle_that_holds_an_old_value() {
    let alive = held(|t| if (4.0..9.0).contains(&t) { 98e3 } else { 32e3 }).events();
    assert_eq!(treated(&alive, 4.5, 9.0), [TreatAs::Hazard], "{}", brief(&alive));
    // A sensor that came off its hose reads ambient pressure at every closed throttle: it refutes nothing.
    let mut off = Drive::new(25.0);
    off.manifold_pa = Box::new(|_| 98e3);
    let events = off.events();
    let over_run = events.iter().find(|event| event.start_s > 8.9).expect("an event");
    assert_eq!(over_run.context, "over_run", "{}", brief(&events));
}
