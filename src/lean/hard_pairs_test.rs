//! Pairs that look alike: the danger of each must never be called harmless or not measured.
//!
//! Seeds are below 10 000, the range for development.

use super::suite::{Outcome, dangerous, line, outcome, report};
use crate::document::TreatAs;
use crate::log::Role;
use crate::simulate::{ALL_CHANNELS, Fault, FaultKind, Machine, Phase, Scenario};

const SPEED_AND_LOAD: &[Role] = &[Role::EngineSpeed, Role::Throttle, Role::ManifoldPressure, Role::Lambda];

/// A run with a fault some seconds into its first pull.
fn made(machine: Machine, seed: u64, rate_hz: f64, channels: &[Role]) -> (Scenario, f64) {
    let scenario = Scenario::random(seed, machine, rate_hz.recip(), channels, &[]);
    let mut start_s = 0.0;
    for phase in &scenario.program {
        if matches!(phase, Phase::Pull { .. }) {
            break;
        }
        start_s += phase.seconds();
    }
    (scenario, start_s)
}

fn judged(mut scenario: Scenario, faults: &[Fault], title: &str) -> Outcome {
    scenario.faults.extend_from_slice(faults);
    outcome(&scenario, title.to_owned())
}

fn nothing_dismissed(outcome: &Outcome) {
    let lines: Vec<String> = dangerous(outcome).into_iter().map(line).collect();
    assert!(lines.is_empty(), "{}\n{}", lines.join("\n"), report(outcome));
}

/// Every event that meets a stretch of time.
fn over(outcome: &Outcome, from: f64, to: f64) -> impl Iterator<Item = &crate::document::LeanEvent> {
    outcome.events.iter().filter(move |e| e.start_s <= to && e.end_s >= from)
}

#[test]
fn at_10_hz_a_short_starvation_and_a_spike_of_two_samples_stay_dangers_both() {
    for (machine, seed) in [(Machine::Car, 7_001), (Machine::Kart, 7_002), (Machine::Jet, 7_003)] {
        for channels in [ALL_CHANNELS, SPEED_AND_LOAD] {
            let (scenario, pull_s) = made(machine, seed, 10.0, channels);
            let at = pull_s + 2.5;
            let starved = Fault::new(FaultKind::Starvation, at).size(0.9).lasting(0.3);
            let real = judged(scenario.clone(), &[starved], "starvation");
            nothing_dismissed(&real);
            let spike = Fault::new(FaultKind::Spike, at).size(0.4).lasting(0.2);
            let false_one = judged(scenario, &[spike], "spike");
            let called: Vec<TreatAs> = over(&false_one, at, at + 0.2).map(|e| e.treat_as).collect();
            assert!(!called.contains(&TreatAs::Benign), "{}", report(&false_one));
            assert!(!called.contains(&TreatAs::Invalid), "no 10 Hz log tells it: {}", report(&false_one));
        }
    }
}

#[test]
fn a_sag_that_leans_the_engine_is_no_restart_and_a_restart_hides_no_lean_engine() {
    for (machine, seed) in [(Machine::Car, 7_011), (Machine::Kart, 7_012), (Machine::Propeller, 7_013)] {
        for channels in [ALL_CHANNELS, SPEED_AND_LOAD] {
            let (mut scenario, pull_s) = made(machine, seed, 20.0, channels);
            scenario.link.clip_lean = 2.0;
            let sag = Fault::new(FaultKind::SupplySag, pull_s + 2.0).size(6.0).lasting(2.0);
            for (brown_out_v, rest) in [(2.0, 1.0), (11.0, 1.0), (11.0, 2.0)] {
                scenario.link.brown_out_v = brown_out_v;
                scenario.link.rest_lambda = rest;
                let found = judged(scenario.clone(), &[sag], &format!("sag {brown_out_v} V, rest {rest}"));
                nothing_dismissed(&found);
                if brown_out_v < 5.0 {
                    // Nothing is wrong with the chain: nothing may be called not measured.
                    let invalid =
                        over(&found, pull_s + 2.0, pull_s + 5.0).find(|e| e.treat_as == TreatAs::Invalid);
                    assert!(invalid.is_none(), "{}", report(&found));
                }
            }
        }
    }
}

#[test]
fn a_stale_run_over_a_starvation_leaves_its_end_to_be_judged() {
    let mut shown = 0;
    for (machine, seed) in [(Machine::Car, 7_021), (Machine::Bike, 7_022), (Machine::Kart, 7_023)] {
        let (scenario, pull_s) = made(machine, seed, 20.0, ALL_CHANNELS);
        let starved = Fault::new(FaultKind::Starvation, pull_s + 2.5).size(0.9).lasting(1.2);
        let stale = Fault::new(FaultKind::StaleLink, pull_s + 2.2).lasting(0.8);
        let found = judged(scenario, &[starved, stale], "stale over starvation");
        nothing_dismissed(&found);
        let seen =
            found.truth.iter().filter(|t| t.cause == "fuel_supply" && t.reads_lean && t.hidden_by.is_none());
        for truth in seen {
            shown += 1;
            assert!(
                over(&found, truth.start_s, truth.end_s + 0.3).any(|e| e.treat_as == TreatAs::Hazard),
                "{}",
                report(&found)
            );
        }
    }
    assert!(shown > 0, "no starvation outlasted its stale run");
}

#[test]
fn a_spike_on_a_starvation_takes_nothing_from_it() {
    for (machine, seed) in [(Machine::Car, 7_031), (Machine::Kart, 7_032)] {
        for rate_hz in [20.0, 100.0] {
            for kind in [FaultKind::Spike, FaultKind::Glitch] {
                let (scenario, pull_s) = made(machine, seed, rate_hz, ALL_CHANNELS);
                let starved = Fault::new(FaultKind::Starvation, pull_s + 2.5).size(0.9).lasting(1.0);
                let on_top = Fault::new(kind, pull_s + 3.0).size(0.6);
                let found = judged(scenario, &[starved, on_top], kind.meta().name);
                nothing_dismissed(&found);
                let hazard = over(&found, pull_s + 2.5, pull_s + 3.8).any(|e| e.treat_as == TreatAs::Hazard);
                assert!(hazard || found.hazards.is_empty(), "{}", report(&found));
            }
        }
    }
}

/// Whether the pull contradicts an event that meets a stretch of time: full torque against what it reads.
fn contradicted(outcome: &Outcome, from: f64, to: f64) -> bool {
    over(outcome, from, to)
        .flat_map(|event| &event.evidence)
        .any(|evidence| evidence.name == "pulls_on" && evidence.evaluated && evidence.log10_lr <= -1.0)
}

#[test]
fn dead_cylinders_at_the_end_stop_are_no_restart() {
    // Half of the sparks miss and a tenth of that fuel is seen: 0.80 reads 1.45, the end stop and the rest value.
    let mut restarts = 0;
    let mut told = String::new();
    for (machine, seed) in [(Machine::Kart, 7_041), (Machine::Propeller, 7_042), (Machine::Jet, 7_043)] {
        let (mut scenario, pull_s) = made(machine, seed, 20.0, SPEED_AND_LOAD);
        scenario.exhaust.unburnt_seen = 0.1;
        scenario.link.clip_lean = 1.36;
        scenario.link.rest_lambda = 1.36;
        let dead = Fault::new(FaultKind::Misfire, pull_s + 1.0).size(0.5).lasting(4.0);
        let real = judged(scenario.clone(), &[dead], "dead cylinders");
        nothing_dismissed(&real);
        let invalid = over(&real, pull_s + 1.0, pull_s + 5.0).find(|e| e.treat_as == TreatAs::Invalid);
        assert!(invalid.is_none(), "{}", report(&real));
        assert!(!contradicted(&real, pull_s + 1.0, pull_s + 5.0), "{}", report(&real));
        let reset = Fault::new(FaultKind::ControllerReset, pull_s + 1.0).lasting(4.0);
        let false_one = judged(scenario, &[reset], "restart");
        told += &report(&false_one);
        restarts += usize::from(contradicted(&false_one, pull_s + 1.5, pull_s + 5.0));
    }
    assert!(restarts > 0, "no pull contradicted the end stop\n{told}");
}
