//! A controller that restarts and a value that stands, on small logs built in code.

use super::tests::{Pull, brief};
use super::*;
use crate::log::Role;

/// Two pulls through the same speeds; in the second the reading stands at `value` from 13.5 to 17 s.
fn standing(value: f64, rest: f64, torque: f64) -> Pull {
    let mut pull = Pull::new(20.0);
    pull.seconds = 24.0;
    pull.rest = Some(rest);
    pull.throttle = Box::new(|t| {
        if (2.0..8.0).contains(&t) || (12.0..20.0).contains(&t) {
            1.0
        } else if (8.0..12.0).contains(&t) {
            0.0
        } else {
            0.2
        }
    });
    pull.torque = Box::new(move |t| if (13.5..17.0).contains(&t) { torque } else { 1.0 });
    pull.logged = Box::new(move |t, lambda| {
        if t < 1.5 {
            rest
        } else if (13.5..17.0).contains(&t) {
            value
        } else {
            lambda
        }
    });
    pull.only(&[Role::EngineSpeed, Role::Throttle, Role::ManifoldPressure])
}

#[test]
fn a_restart_at_the_end_stop_is_told_by_an_engine_that_pulls_and_by_nothing_less() {
    let event = standing(1.36, 1.36, 1.0).event(13.0, 14.0);
    assert_eq!((event.verdict, &*event.cause), (Verdict::Artefact, "controller_reset"), "{}", brief(&event));
    let pulls = event.evidence.iter().find(|e| e.name == "pulls_on").expect("every feature is listed");
    assert!((pulls.value.expect("a share of torque") - 100.0).abs() < 10.0, "{}", pulls.text);
    // Half of the cylinders dead: 0.80 reads 1.6, the end stop, and half of the torque is gone.
    for torque in [0.4, 0.5, 0.6, 0.75] {
        for event in standing(1.36, 1.36, torque).events() {
            let inside = event.start_s < 17.0 && event.end_s > 13.5;
            assert!(!inside || event.treat_as == TreatAs::Hazard, "{torque} {}", brief(&event));
        }
    }
    // Without engine speed nothing contradicts the reading.
    for event in standing(1.36, 1.36, 1.0).without(Role::EngineSpeed).events() {
        let inside = event.start_s < 17.0 && event.end_s > 13.5;
        assert!(!inside || event.treat_as == TreatAs::Hazard, "{}", brief(&event));
    }
}

#[test]
fn a_restart_is_proven_only_as_far_as_other_pulls_reach() {
    // From 17.3 s the engine turns faster than in the other pull: nothing says that it still fires.
    let mut pull = standing(1.36, 1.36, 1.0);
    pull.logged = Box::new(|t, lambda| if t < 1.5 || (13.5..19.9).contains(&t) { 1.36 } else { lambda });
    let events = pull.events();
    let at = |t: f64| events.iter().find(|e| e.start_s <= t && e.end_s >= t).expect("lean all the way");
    assert_eq!(at(15.0).cause, "controller_reset", "{}", brief(at(15.0)));
    assert_eq!(at(19.5).treat_as, TreatAs::Hazard, "{}", brief(at(19.5)));
}

#[test]
fn a_restart_hides_what_the_engine_burnt_as_load_came_on() {
    let mut pull = standing(1.36, 1.36, 1.0);
    pull.logged = Box::new(|t, lambda| if t < 1.5 || (11.0..16.5).contains(&t) { 1.36 } else { lambda });
    let events = pull.events();
    let at = |t: f64| events.iter().find(|e| e.start_s <= t && e.end_s >= t).expect("lean all the way");
    // The throttle opens at 12 s.
    assert_eq!(at(12.6).treat_as, TreatAs::Hazard, "{}", brief(at(12.6)));
    assert!(at(12.6).because.contains("load came on"), "{}", brief(at(12.6)));
    assert_eq!(at(15.0).cause, "controller_reset", "{}", brief(at(15.0)));
}

#[test]
fn a_value_that_stands_under_load_is_no_measurement_and_no_proof_that_the_engine_burnt_well() {
    // At lambda 1 a lean mixture costs no torque, so that nothing tells the pull under it from starvation.
    let event = |value: f64| {
        let events = standing(value, 1.0, 1.0).events();
        let event = events.into_iter().find(|e| e.start_s < 14.0 && e.end_s > 16.0).expect("the run");
        assert_eq!(event.treat_as, TreatAs::Hazard, "{}", brief(&event));
        assert!(event.because.contains("no torque says"), "{}", event.because);
        event
    };
    let likelier = |event: &LeanEvent, first: &str, second: &str| {
        event.posterior.get(first) > event.posterior.get(second)
    };
    assert!(likelier(&event(1.0), "controller_reset", "stale_link"));
    assert!(likelier(&event(0.95), "stale_link", "controller_reset"));
}

#[test]
fn a_quiet_channel_that_stands_proves_nothing() {
    let mut pull = standing(0.95, 1.0, 1.0);
    pull.noise = 0.0002;
    let events = pull.events();
    let event = events.iter().find(|e| e.start_s < 14.0 && e.end_s > 16.0).expect("the run");
    assert_eq!(event.treat_as, TreatAs::Hazard, "{}", brief(event));
    let stale = event.evidence.iter().find(|e| e.name == "stale_run").expect("every feature is listed");
    assert!(!stale.evaluated && stale.log10_lr == 0.0, "{}", stale.text);
}
