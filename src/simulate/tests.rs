//! Whole runs: twin, determinism, every fault, pairs, healthy negatives.

use super::*;
use crate::document::TreatAs;
use crate::log::Role;

/// The usual run with faults; pulls at 26.2, 43.2 and 60.2 s.
fn with(machine: Machine, faults: &[Fault]) -> Run {
    let mut scenario = Scenario::of(machine, 11);
    scenario.faults = faults.to_vec();
    run(&scenario)
}

fn of_cause<'a>(run: &'a Run, cause: &str) -> Vec<&'a TruthEvent> {
    run.truth.events.iter().filter(|event| event.cause == cause).collect()
}

#[test]
fn the_healthy_twin_is_the_log_when_nothing_is_wrong() {
    for machine in Machine::ALL {
        let run = with(*machine, &[]);
        assert_eq!(run.rows.time_s, run.healthy_rows.time_s);
        for (logged, healthy) in run.rows.columns.iter().zip(&run.healthy_rows.columns) {
            assert!(
                logged.values.iter().zip(&healthy.values).all(|(a, b)| a == b || (a.is_nan() && b.is_nan()))
            );
        }
        assert!(run.truth.channels.iter().all(|channel| channel.off.is_empty()));
        assert!(run.truth.hazards.is_empty(), "{}: {:?}", machine.name(), run.truth.hazards);
        assert!(
            run.truth.events.iter().all(|event| event.treat_as == TreatAs::Benign),
            "{:?}",
            run.truth.events
        );
    }
}

#[test]
fn the_same_scenario_gives_the_same_bytes() {
    let faults = [Fault::new(FaultKind::Misfire, 28.0), Fault::new(FaultKind::Starvation, 46.0)];
    let (one, two) = (with(Machine::Car, &faults), with(Machine::Car, &faults));
    assert_eq!(one.text(), two.text());
    assert_eq!(one.truth_json().expect("json"), two.truth_json().expect("json"));
    let mut other = one.scenario.clone();
    other.seed += 1;
    assert_ne!(run(&other).text(), one.text());
}

#[test]
fn scenario_and_truth_survive_json() {
    let truth = with(Machine::Jet, &[Fault::new(FaultKind::Spike, 30.0)]).truth;
    let text = serde_json::to_string(&truth).expect("json");
    let back: Truth = serde_json::from_str(&text).expect("json");
    assert_eq!(back, truth);
}

#[test]
fn random_healthy_runs_hold_no_hazard() {
    for seed in 0..12 {
        for machine in Machine::ALL {
            let run = run(&Scenario::random(seed, *machine, 0.02, ALL_CHANNELS, &[]));
            let name = machine.name();
            assert!(run.truth.hazards.is_empty(), "{name} {seed}: {:?}", run.truth.hazards);
            let bad: Vec<_> = run.truth.events.iter().filter(|e| e.treat_as != TreatAs::Benign).collect();
            assert!(bad.is_empty(), "{name} {seed}: {bad:?}");
        }
    }
}

#[test]
fn every_lean_fault_leaves_its_event_in_the_truth() {
    // Kind, start, cause; the usual size and duration.
    let table = [
        (FaultKind::FuelPressure, 44.0, "fuel_supply"),
        (FaultKind::Starvation, 47.0, "fuel_supply"),
        (FaultKind::InjectorLimit, 0.0, "injector_limit"),
        (FaultKind::LeanCell, 0.0, "mixture"),
        (FaultKind::TipIn, 0.0, "tip_in"),
        (FaultKind::Misfire, 46.0, "misfire"),
        (FaultKind::AirIngress, 0.0, "air_ingress"),
        (FaultKind::SensorWet, 46.0, "sensor_wet"),
        (FaultKind::SensorCold, 44.0, "sensor_cold"),
        (FaultKind::ControllerReset, 45.0, "controller_reset"),
        (FaultKind::GroundOffset, 0.0, "ground_offset"),
        (FaultKind::Spike, 47.0, "spike"),
        (FaultKind::Glitch, 47.0, "spike"),
        (FaultKind::BitFlip, 47.0, "spike"),
        (FaultKind::Dropout, 47.0, "dropout"),
        (FaultKind::Saturation, 47.0, "saturation"),
        (FaultKind::StaleLink, 43.0, "stale_link"),
    ];
    for (kind, start_s, cause) in table {
        let run = with(Machine::Car, &[Fault::new(kind, start_s)]);
        let events = of_cause(&run, cause);
        assert!(!events.is_empty(), "{}: {:?}", kind.meta().name, run.truth.events);
        for event in &events {
            assert_eq!(event.treat_as, kind.meta().treat_as, "{cause}");
        }
        if kind.meta().place == Place::Chain {
            assert!(run.truth.hazards.is_empty(), "{cause}");
        }
    }
}

#[test]
fn real_lean_faults_are_hazards() {
    for (kind, start_s) in [
        (FaultKind::FuelPressure, 44.0),
        (FaultKind::Starvation, 47.0),
        (FaultKind::InjectorLimit, 0.0),
        (FaultKind::LeanCell, 0.0),
    ] {
        let run = with(Machine::Car, &[Fault::new(kind, start_s)]);
        assert!(!run.truth.hazards.is_empty(), "{}", kind.meta().name);
        let cause = kind.meta().cause;
        assert!(of_cause(&run, cause).iter().any(|event| event.hazard && event.reads_lean), "{cause}");
    }
}

#[test]
fn a_lost_load_flares_into_a_benign_cut() {
    for machine in [Machine::Propeller, Machine::Jet, Machine::Car] {
        let run = with(machine, &[Fault::new(FaultKind::Unload, 48.0).lasting(1.0)]);
        let events = of_cause(&run, "unload");
        assert!(!events.is_empty(), "{}: {:?}", machine.name(), run.truth.events);
        assert!(events.iter().all(|event| event.treat_as == TreatAs::Benign));
    }
}

#[test]
fn a_sag_restarts_the_controller_and_leans_the_engine() {
    let run = with(Machine::Car, &[Fault::new(FaultKind::SupplySag, 48.0).size(6.5).lasting(0.5)]);
    assert!(!of_cause(&run, "controller_reset").is_empty(), "{:?}", run.truth.events);
    assert!(of_cause(&run, "fuel_supply").iter().any(|event| event.hazard), "{:?}", run.truth.events);
    let battery = run.rows.columns.iter().find(|c| c.role == Role::BatteryVoltage).expect("channel");
    assert!(battery.values.iter().copied().fold(f64::INFINITY, f64::min) < 8.0);
}

#[test]
fn a_stale_run_can_hide_a_real_event() {
    let faults = [
        Fault::new(FaultKind::Starvation, 47.0).lasting(0.6),
        Fault::new(FaultKind::StaleLink, 46.5).lasting(2.0),
    ];
    let run = with(Machine::Car, &faults);
    let real = of_cause(&run, "fuel_supply");
    assert!(
        real.iter().any(|event| event.hazard && event.hidden_by.as_deref() == Some("stale_link")),
        "{real:?}"
    );
    assert!(real.iter().all(|event| !event.decidable));
}

#[test]
fn an_artefact_on_top_of_a_real_event_leaves_both() {
    let faults = [Fault::new(FaultKind::FuelPressure, 44.0).size(0.3), Fault::new(FaultKind::Spike, 48.0)];
    let run = with(Machine::Car, &faults);
    assert!(of_cause(&run, "fuel_supply").iter().any(|event| event.hazard));
    assert_eq!(of_cause(&run, "spike").len(), 1);
}

#[test]
fn spike_touches_one_row_and_nothing_else() {
    let run = with(Machine::Car, &[Fault::new(FaultKind::Spike, 48.0)]);
    let healthy = with(Machine::Car, &[]);
    let differing: usize = run
        .rows
        .columns
        .iter()
        .zip(&healthy.rows.columns)
        .map(|(a, b)| a.values.iter().zip(&b.values).filter(|(a, b)| a != b).count())
        .sum();
    assert_eq!(differing, 1);
}

#[test]
fn a_slow_sensor_is_off_only_while_the_gas_moves() {
    let run = with(Machine::Car, &[Fault::new(FaultKind::SlowSensor, 0.0).size(4.0)]);
    let lambda = run.truth.channels.iter().find(|c| c.role == Role::Lambda).expect("channel");
    let off: usize = lambda.off.iter().map(|[start, end]| end - start).sum();
    assert!(off > 20 && off < run.truth.rows / 3, "{off}");
    assert!((run.truth.tau_rich_to_lean_s - 0.28).abs() < 1e-9);
}

#[test]
fn low_supply_reads_about_its_size_low() {
    let run = with(Machine::Car, &[Fault::new(FaultKind::LowSupply, 0.0)]);
    let value =
        |role: Role| run.rows.columns.iter().find(|c| c.role == role).expect("channel").values.clone();
    let (battery, logger) = (value(Role::BatteryVoltage), value(Role::SupplyVoltage));
    let mean = battery.iter().zip(&logger).map(|(a, b)| a - b).sum::<f64>() / battery.len() as f64;
    assert!((1.0..1.5).contains(&mean), "{mean}");
}

#[test]
fn text_follows_the_dialect() {
    let mut scenario = Scenario::of(Machine::Kart, 5);
    scenario.logger.decimal_comma = true;
    scenario.logger.mixture_unit = MixtureUnit::Afr;
    scenario.logger.blank_slow = true;
    let run = run(&scenario);
    let text = String::from_utf8(run.text()).expect("text");
    let mut lines = text.lines();
    let width = lines.next().map(|line| line.split(';').count());
    assert_eq!(width, Some(run.rows.columns.len() + 1));
    assert!(lines.all(|line| Some(line.split(';').count()) == width && !line.contains('.')));
    assert!(text.contains("AFR"));
    assert_eq!(text.lines().count(), run.truth.rows + 1);
}

/// `UPDATE=1` rewrites logs and truths from the scenarios in the truths.
#[test]
fn the_logs_of_the_repository_come_from_their_scenarios() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("datasets");
    let update = std::env::var_os("UPDATE").is_some();
    let mut checked = 0;
    for entry in std::fs::read_dir(folder).expect("folder") {
        let path = entry.expect("entry").path();
        let Some(log) = path.to_str().and_then(|name| name.strip_suffix(".truth.json")) else { continue };
        let text = std::fs::read_to_string(&path).expect("truth");
        let truth: Truth = serde_json::from_str(&text).expect("truth document");
        let sum = crate::read::sha256(&std::fs::read(log).expect("log"));
        assert!(update || truth.log_sha256 == Some(sum), "{log} is not the log of its truth");
        let mut again = run(&truth.scenario);
        again.truth.command.clone_from(&truth.command);
        if update {
            std::fs::write(log, again.text()).expect("log");
            std::fs::write(&path, again.truth_json().expect("json")).expect("truth");
        } else {
            assert!(std::fs::read(log).expect("log") == again.text(), "{log} differs from its scenario");
            // Numbers read from JSON may be one unit in the last place off; what they say must not be.
            let said = |truth: &Truth| -> Vec<String> {
                let line = |e: &TruthEvent| {
                    format!(
                        "{:.3} {:.3} {} {:?} {} {} {}",
                        e.start_s, e.end_s, e.cause, e.treat_as, e.hazard, e.reads_lean, e.decidable
                    )
                };
                truth.events.iter().map(line).collect()
            };
            assert_eq!(said(&again.truth), said(&truth), "{log}");
        }
        checked += 1;
    }
    assert!(checked >= 7, "{checked}");
}
