//! Cuts of a limiter, and what burns between them, on small logs built in code.

use super::cuts_test::{Drive, brief, events_of, treated, weight};
use super::*;
use crate::log::Role;

/// A saw-tooth against 7000 rpm: 0.3 s without fuel, 0.3 s with it, from 6 s to 7.5 s and from 12 s to 13.5 s.
fn limited(rate_hz: f64, between: f64) -> Drive {
    climbing(rate_hz, 0.3, move |_| between)
}

/// The same with climbs of another length and a mixture that follows the share of the climb that has passed.
fn climbing(rate_hz: f64, climb_s: f64, between: impl Fn(f64) -> f64 + 'static) -> Drive {
    let visit = move |t: f64| {
        let from = [6.0, 12.0].into_iter().find(|from| (*from..*from + 1.5).contains(&t));
        from.map(|from| (t - from) % (0.3 + climb_s))
    };
    let mut drive = Drive::new(rate_hz);
    drive.seconds = 18.0;
    let full = |t: f64| (3.0..7.5).contains(&t) || (9.0..13.5).contains(&t);
    drive.throttle = Box::new(move |t| if full(t) { 1.0 } else { 0.15 });
    drive.manifold_pa = Box::new(move |t| if full(t) { 100e3 } else { 45e3 });
    drive.rpm = Box::new(move |t| match (t, visit(t)) {
        (_, Some(phase)) if phase < 0.3 => 7_000.0 - 500.0 * phase,
        (_, Some(phase)) => 6_850.0 + 150.0 * (phase - 0.3) / climb_s,
        (t, None) if (3.0..6.0).contains(&t) => 7_000.0 - 1_000.0 * (6.0 - t),
        (t, None) if (9.0..12.0).contains(&t) => 7_000.0 - 1_000.0 * (12.0 - t),
        _ => 2_500.0,
    });
    drive.gas = Box::new(move |t| match visit(t) {
        Some(phase) if phase < 0.3 => 1e3,
        Some(phase) => between((phase - 0.3) / climb_s),
        None if full(t) => 0.80,
        None => 1.0,
    });
    drive
}

#[test]
fn a_limiter_that_recurs_is_a_cut_without_a_fuel_channel() {
    for rate_hz in [20.0, 50.0, 100.0] {
        let events = limited(rate_hz, 0.80).events();
        for (from, to) in [(5.9, 7.6), (11.9, 13.6)] {
            let named: Vec<_> =
                events.iter().filter(|e| e.start_s < to && e.end_s > from).map(|e| &*e.cause).collect();
            assert!(
                !named.is_empty() && named.iter().all(|n| *n == "rev_limit"),
                "{rate_hz}\n{}",
                brief(&events)
            );
        }
        assert_eq!(weight(&events, 5.9, 6.3, "speed_ceiling"), k::LR_SAW_TOOTH.value);
        assert_eq!(weight(&events, 5.9, 6.3, "cut_depth"), k::LR_TOO_DEEP.value);
    }
}

#[test]
fn a_mixture_that_stays_lean_between_the_cuts_of_a_limiter_is_not_covered_by_them() {
    for rate_hz in [50.0, 100.0] {
        let events = limited(rate_hz, 1.05).events();
        assert!(treated(&events, 5.9, 7.6).contains(&TreatAs::Hazard), "{rate_hz}\n{}", brief(&events));
        // Nor is one that comes back most of the way: 0.3 s between two cuts at lambda 0.95.
        let events = limited(rate_hz, 0.95).events();
        assert!(treated(&events, 5.9, 7.6).contains(&TreatAs::Hazard), "{rate_hz}\n{}", brief(&events));
    }
}

#[test]
fn a_climb_between_two_cuts_must_end_rich_however_short_and_however_rich_it_began() {
    let hazard = |drive: Drive| treated(&drive.events(), 5.9, 7.6).contains(&TreatAs::Hazard);
    // Twelve cycles at 7000 rpm; a film would need longer to refill.
    assert!(hazard(climbing(100.0, 0.2, |_| 0.95)));
    assert!(!hazard(climbing(100.0, 0.2, |_| 0.80)));
    // Rich for 0.18 s, then lean for 0.32 s.
    assert!(hazard(climbing(100.0, 0.5, |share| if share < 0.35 { 0.78 } else { 0.96 })));
}

#[test]
fn climbs_too_short_for_the_sensor_are_vouched_for_by_nothing() {
    // Seven cycles at 7000 rpm, in which a sensor of 70 ms comes back from air to 0.97, whatever burnt meanwhile.
    let shut =
        |t: f64| [6.0, 12.0].iter().any(|from| (*from..*from + 1.5).contains(&t) && (t - from) % 0.42 < 0.3);
    let mut drive = climbing(100.0, 0.12, |_| 0.80);
    let hazard = |drive: &Drive| {
        // A regulator follows the manifold and loses nothing.
        let full = |t: f64| (3.0..7.5).contains(&t) || (9.0..13.5).contains(&t);
        let rail = move |t: f64| if full(t) { 3.55e5 } else { 3.0e5 };
        let bench = drive.bench().channel(Role::FuelPressure, rail);
        treated(&events_of(&bench), 5.9, 7.6).contains(&TreatAs::Hazard)
    };
    assert!(hazard(&drive));
    // Injectors with room get what the control asks of them; whether they pass it nobody sees.
    drive.duty = Some(Box::new(move |t| if shut(t) { 0.0 } else { 0.6 }));
    assert!(hazard(&drive));
}

#[test]
fn a_visit_to_the_ceiling_that_burns_leaner_than_the_other_is_not_covered_by_the_limiter() {
    // Three climbs of 0.15 s in each visit; 0.855 is within the limit of 0.88.
    for (second, hazard) in [(0.74, false), (0.855, true)] {
        let mut drive = climbing(50.0, 0.15, |_| 0.74);
        let gas = std::mem::replace(&mut drive.gas, Box::new(|_| 1.0));
        drive.gas = Box::new(move |t| if (12.0..13.5).contains(&t) { gas(t).max(second) } else { gas(t) });
        let events = drive.events();
        assert_eq!(treated(&events, 11.9, 13.6).contains(&TreatAs::Hazard), hazard, "{}", brief(&events));
        assert!(!treated(&events, 5.9, 7.6).contains(&TreatAs::Hazard), "{}", brief(&events));
    }
}

#[test]
fn a_climb_through_which_the_reading_stays_at_its_end_stop_is_no_rich_one() {
    let mut drive = limited(50.0, 0.80);
    let gas = std::mem::replace(&mut drive.gas, Box::new(|_| 1.0));
    drive.gas = Box::new(move |t| if (6.9..7.2).contains(&t) { 1e3 } else { gas(t) });
    let events = drive.events();
    assert!(treated(&events, 5.9, 7.6).contains(&TreatAs::Hazard), "{}", brief(&events));
    assert!(!treated(&events, 11.9, 13.6).contains(&TreatAs::Hazard), "{}", brief(&events));
}

#[test]
fn a_limiter_that_is_not_resolved_is_never_harmless() {
    // Readings every 0.125 s of cuts 0.3 s long: rich or lean between them, none shows what burns there.
    for between in [0.80, 1.05] {
        let events = limited(8.0, between).events();
        for (from, to) in [(5.9, 7.4), (11.9, 13.4)] {
            let found = treated(&events, from, to);
            let hazard = |one: &TreatAs| *one == TreatAs::Hazard;
            assert!(!found.is_empty() && found.iter().all(hazard), "{between}\n{}", brief(&events));
        }
    }
    // The same cuts where they are resolved.
    let events = limited(50.0, 0.80).events();
    assert!(!treated(&events, 5.9, 7.4).contains(&TreatAs::Hazard), "{}", brief(&events));
}

#[test]
fn a_pull_that_starves_on_its_way_to_the_ceiling_is_not_covered_by_the_limiter() {
    // Lean from 5.3 s on at 90 % of the ceiling, which the limiter meets at 6 s: one lean stretch in the log.
    for rate_hz in [20.0, 50.0, 100.0] {
        let mut drive = limited(rate_hz, 0.80);
        let gas = std::mem::replace(&mut drive.gas, Box::new(|_| 1.0));
        drive.gas = Box::new(move |t| if (5.3..6.0).contains(&t) { 0.95 } else { gas(t) });
        let events = drive.events();
        assert!(treated(&events, 5.3, 5.9).contains(&TreatAs::Hazard), "{rate_hz}\n{}", brief(&events));
        // The limiter of the other visit is one still.
        let other = treated(&events, 11.9, 13.6);
        assert!(!other.contains(&TreatAs::Hazard), "{rate_hz}\n{}", brief(&events));
    }
}

#[test]
fn starvation_at_the_ceiling_is_no_limiter_when_other_visits_read_no_lean() {
    // The engine turns back at its ceiling by spark, mixture kept; once it goes lean there.
    let mut drive = limited(50.0, 0.80);
    drive.gas = Box::new(|t| match t {
        t if (12.3..12.9).contains(&t) => 1.10,
        t if (3.0..7.5).contains(&t) || (9.0..13.5).contains(&t) => 0.80,
        _ => 1.0,
    });
    let events = drive.events();
    assert_eq!(treated(&events, 12.2, 13.2), [TreatAs::Hazard], "{}", brief(&events));
    assert_eq!(weight(&events, 12.2, 12.6, "speed_ceiling"), k::LR_CLEAN_CEILING.value);
}
