//! What a cut leaves open about the load beside it, on small logs built in code.

use super::cuts_test::{Drive, brief, treated, unflagged};
use super::*;
use crate::detect::Finding;
use crate::flag::Flag;

/// A pull at a mixture from 4 s on, closed from 9 s to 11 s.
pub(super) fn pulled(rate_hz: f64, lambda: f64) -> Drive {
    let mut drive = Drive::new(rate_hz);
    drive.gas = Box::new(move |t| match t {
        t if (4.0..9.0).contains(&t) => lambda,
        t if (9.0..10.8).contains(&t) => 1e3,
        _ => 1.0,
    });
    drive
}

/// Fuel off for 0.15 s at 6 s of the pull while the engine stays under load, then back at a mixture until 6.8 s.
pub(super) fn paused(rate_hz: f64, back: f64) -> Drive {
    let mut drive = Drive::new(rate_hz);
    drive.rpm = Box::new(|t| match t {
        t if t < 3.0 => 900.0,
        t if t < 4.0 => 4_000.0,
        t if t < 6.0 => 4_000.0 + 1_000.0 * (t - 4.0),
        t if t < 6.15 => 6_000.0 - 10_000.0 * (t - 6.0),
        t if t < 9.0 => 4_500.0 + 700.0 * (t - 6.15),
        t => (6_500.0 - 2_000.0 * (t - 9.0)).max(900.0),
    });
    drive.road = Some(Box::new(|t| if t < 4.0 { 8.0 } else { 17.0 + 1.2 * (t - 4.0).min(5.0) }));
    drive.duty = Some(Box::new(|t| match t {
        t if (6.0..6.15).contains(&t) || (9.0..10.8).contains(&t) => 0.0,
        t if (4.0..9.0).contains(&t) => 0.7,
        _ => 0.1,
    }));
    drive.gas = Box::new(move |t| match t {
        t if (6.0..6.15).contains(&t) => 1e3,
        t if (6.15..6.8).contains(&t) => back,
        t if (4.0..9.0).contains(&t) => 0.80,
        t if (9.0..10.8).contains(&t) => 1e3,
        _ => 1.0,
    });
    drive
}

#[test]
fn a_cut_beside_a_mixture_at_the_limit_is_not_called_harmless() {
    for rate_hz in [5.0, 20.0, 100.0] {
        let far = pulled(rate_hz, 0.84).events();
        assert_eq!(treated(&far, 8.9, 11.5), [TreatAs::Benign], "{rate_hz}\n{}", brief(&far));
        let near = pulled(rate_hz, 0.87).events();
        assert_eq!(treated(&near, 8.9, 11.5), [TreatAs::Hazard], "{rate_hz}\n{}", brief(&near));
    }
}

#[test]
fn a_cut_is_not_called_harmless_where_nothing_was_read_of_the_load_before_it() {
    let bench = pulled(20.0, 0.80).bench();
    let treated_with = |lost: Option<Range<usize>>| {
        let mut detection = unflagged(&bench);
        detection.findings = lost
            .map(|rows| Finding {
                detector: "dropout",
                channel: Some(0),
                ..Finding::new(rows, Flag::Missing, String::new(), Vec::new())
            })
            .into_iter()
            .collect();
        let events = judge(&bench.view(), &detection).expect("a mixture channel");
        let events: Vec<LeanEvent> = events.into_iter().map(|event| event.record).collect();
        treated(&events, 8.9, 11.5)
    };
    assert_eq!(treated_with(None), [TreatAs::Benign]);
    // 0.2 s up to the closing throttle.
    assert_eq!(treated_with(Some(176..180)), [TreatAs::Hazard]);
    // Two seconds before it.
    assert_eq!(treated_with(Some(136..140)), [TreatAs::Benign]);
}

#[test]
fn a_mixture_that_comes_back_lean_after_a_cut_is_an_event_of_its_own() {
    let rich = paused(50.0, 0.80).events();
    assert_eq!(treated(&rich, 5.9, 6.7), [TreatAs::Benign], "{}", brief(&rich));
    let lean = paused(50.0, 1.0).events();
    assert!(treated(&lean, 6.3, 6.9).contains(&TreatAs::Hazard), "{}", brief(&lean));
}

#[test]
fn readings_a_tenth_of_a_second_apart_make_no_cut_under_load_harmless() {
    for rate_hz in [5.0, 10.0] {
        let events = paused(rate_hz, 0.80).events();
        let found = treated(&events, 5.9, 6.6);
        assert!(!found.is_empty() && !found.contains(&TreatAs::Benign), "{rate_hz}\n{}", brief(&events));
    }
}

#[test]
fn injectors_that_stay_open_are_load_where_nothing_else_tells_it() {
    let unknown = |duty: f64| {
        let mut drive = pulled(20.0, 0.95);
        drive.witnesses = false;
        drive.duty = Some(Box::new(move |t| match t {
            t if (4.0..9.0).contains(&t) => duty,
            t if (9.0..10.8).contains(&t) => 0.0,
            _ => 0.1,
        }));
        drive.events()
    };
    let limit = unknown(0.99);
    assert!(treated(&limit, 5.0, 8.9).contains(&TreatAs::Hazard), "{}", brief(&limit));
    // With room left the mixture may be any.
    let room = unknown(0.60);
    assert!(treated(&room, 5.0, 8.9).is_empty(), "{}", brief(&room));
}

#[test]
fn fuel_that_is_off_without_load_is_an_over_run_though_the_throttle_does_not_read_closed() {
    // The plate rests at 8 %; the manifold is as empty as of a closed one.
    let mut drive = Drive::new(10.0);
    let throttle = std::mem::replace(&mut drive.throttle, Box::new(|_| 0.0));
    drive.throttle = Box::new(move |t| throttle(t).max(0.08));
    drive.duty = Some(Box::new(|t| match t {
        t if (4.0..9.0).contains(&t) => 0.7,
        t if (9.0..10.8).contains(&t) => 0.0,
        _ => 0.1,
    }));
    let events = drive.events();
    let named: Vec<&str> =
        events.iter().filter(|e| e.start_s < 11.0 && e.end_s > 9.0).map(|e| &*e.cause).collect();
    assert_eq!(named, ["overrun"], "{}", brief(&events));
}

/// The same drive again and again, every so many seconds.
fn again(of: Box<dyn Fn(f64) -> f64>, each_s: f64) -> Box<dyn Fn(f64) -> f64> {
    Box::new(move |t| of(t % each_s))
}

#[test]
fn a_reading_that_stays_at_the_mixture_of_a_load_that_is_gone_covers_nothing() {
    for rate_hz in [10.0, 20.0, 100.0] {
        let lagging = |late_s: f64| {
            let Drive { rpm, throttle, manifold_pa, gas, .. } = pulled(rate_hz, 0.80);
            let mut drive = Drive::new(rate_hz);
            drive.seconds = 48.0;
            (drive.rpm, drive.throttle) = (again(rpm, 16.0), again(throttle, 16.0));
            (drive.manifold_pa, drive.gas) = (again(manifold_pa, 16.0), again(gas, 16.0));
            // Up to the last closing throttle at 41 s a queue grows; it stays so long.
            let queue_s = move |t: f64| late_s * (0.5 * (t - 39.0)).clamp(0.0, 1.0);
            drive.late = Box::new(move |t| 0.1 + queue_s(t));
            let events = drive.events();
            [(8.9, 12.0), (24.9, 28.0), (40.9, 44.5)].map(|(from, to)| treated(&events, from, to))
        };
        let [benign, hazard] = [vec![TreatAs::Benign], vec![TreatAs::Hazard]];
        assert_eq!(lagging(0.0), [benign.clone(), benign.clone(), benign.clone()], "{rate_hz}");
        assert_eq!(lagging(1.5), [benign.clone(), benign, hazard], "{rate_hz}");
    }
}
