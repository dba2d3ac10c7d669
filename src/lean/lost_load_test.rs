//! Pulls in which nothing reads the load: the engine itself shows that there is one.

use super::cuts_test::{Drive, brief, treated, unflagged};
use super::rewritten_test::{Danger, FULL, Kept, rewrite};
use super::vouch_test::pulled;
use super::*;
use crate::detect::Finding;
use crate::flag::Flag;
use crate::simulate::{FaultKind, Machine};

/// A pull from 4 s to 9 s at a mixture until 6.8 s and rich from then on, in which throttle and manifold are blank from just
/// before it until 7 s.
fn blanked(rate_hz: f64, lambda: f64) -> Drive {
    let mut drive = Drive::new(rate_hz);
    let blank = |t: f64| (3.8..7.0).contains(&t);
    let (throttle, manifold_pa) = (drive.throttle, drive.manifold_pa);
    drive.throttle = Box::new(move |t| if blank(t) { f64::NAN } else { throttle(t) });
    drive.manifold_pa = Box::new(move |t| if blank(t) { f64::NAN } else { manifold_pa(t) });
    drive.gas = Box::new(move |t| match t {
        t if (4.0..6.8).contains(&t) => lambda,
        t if (6.8..9.0).contains(&t) => 0.80,
        t if (9.0..10.8).contains(&t) => 1e3,
        _ => 1.0,
    });
    drive
}

#[test]
fn an_engine_that_climbs_while_nothing_reads_its_load_is_held_to_the_limit_of_full_load() {
    for rate_hz in [5.0, 20.0, 100.0] {
        for lambda in [0.95, 1.02, 1.09] {
            let events = blanked(rate_hz, lambda).events();
            let found = treated(&events, 4.5, 6.8);
            assert!(found.contains(&TreatAs::Hazard), "{rate_hz} Hz, {lambda}\n{}", brief(&events));
        }
    }
}

#[test]
fn a_pull_that_is_rich_as_ever_is_no_danger_because_nothing_reads_its_load() {
    for rate_hz in [5.0, 20.0, 100.0] {
        let events = blanked(rate_hz, 0.80).events();
        assert!(treated(&events, 3.5, 8.8).is_empty(), "{rate_hz} Hz\n{}", brief(&events));
    }
}

#[test]
fn a_climb_less_than_half_as_fast_as_at_full_load_is_none_of_full_load() {
    let mut drive = blanked(20.0, 1.0);
    drive.rpm = Box::new(|t| match t {
        t if t < 3.0 => 900.0,
        t if t < 7.0 => 4_500.0 + 200.0 * (t - 4.0).max(0.0),
        t if t < 9.0 => 5_100.0 + 600.0 * (t - 7.0),
        t => (6_300.0 - 2_000.0 * (t - 9.0)).max(900.0),
    });
    let events = drive.events();
    // The last window of it reaches into the pull.
    assert!(treated(&events, 3.5, 6.2).is_empty(), "{}", brief(&events));
}

#[test]
fn a_manifold_that_stands_while_the_engine_climbs_does_not_vouch_for_a_closed_throttle() {
    let mut kept = Kept::default();
    for (seed, machine) in [(1, Machine::Bike), (2, Machine::Car), (3, Machine::Bike), (4, Machine::Kart)] {
        let whole = Danger::simulated(machine, 7_600 + seed, 20.0, FULL, FaultKind::Starvation);
        if !whole.has_one() {
            continue;
        }
        let span_s = (whole.span_s.0 - 8.0, whole.span_s.1 + 8.0);
        let text = rewrite(&whole.text, &[], &["Throttle"], span_s, |_| "0.0".to_owned());
        let text = rewrite(&text, &[], &["Manifold"], span_s, |_| "31.0".to_owned());
        kept.look(&whole, "closed and empty", text);
    }
    kept.all(2);
}

#[test]
fn a_cut_after_a_loss_of_many_pieces_is_not_called_harmless() {
    let bench = pulled(200.0, 0.80).bench();
    let mut detection = unflagged(&bench);
    // A long loss within the reach of the cut's air, and single rows after it.
    let lost = std::iter::once(1770..1788).chain((0..9).map(|n| 1789 + 2 * n..1790 + 2 * n));
    detection.findings = lost
        .map(|rows| Finding {
            detector: "dropout",
            channel: Some(0),
            ..Finding::new(rows, Flag::Missing, String::new(), Vec::new())
        })
        .collect();
    let events = judge(&bench.view(), &detection).expect("a mixture channel");
    let events: Vec<LeanEvent> = events.into_iter().map(|event| event.record).collect();
    assert_eq!(treated(&events, 8.9, 11.5), [TreatAs::Hazard]);
}
