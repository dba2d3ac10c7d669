//! A doubt about what tells the load never removes a danger: it may only make the verdict less certain.

use super::rewritten_test::{Danger, FULL, Kept, rewrite};
use super::*;
use crate::flag::Flag;
use crate::log::Role;
use crate::read::{self, ReadOptions};
use crate::rig::{self, Rig};
use crate::simulate::{ALL_CHANNELS, FaultKind, Machine};

/// What tells the load, alone and together.
const DOUBTED: [&[Role]; 7] = [
    &[Role::Throttle],
    &[Role::ManifoldPressure],
    &[Role::EngineSpeed],
    &[Role::Throttle, Role::ManifoldPressure],
    &[Role::Throttle, Role::EngineSpeed],
    &[Role::ManifoldPressure, Role::EngineSpeed],
    &[Role::Throttle, Role::ManifoldPressure, Role::EngineSpeed],
];

#[test]
fn a_doubt_about_any_load_channel_never_removes_a_danger() {
    let throttle: &[Role] = &[Role::EngineSpeed, Role::Throttle, Role::Lambda];
    let manifold: &[Role] = &[Role::EngineSpeed, Role::ManifoldPressure, Role::Lambda];
    let mut logs = vec![Danger::demo(&[], &[], (0.0, 0.0), str::to_owned)];
    for (index, (machine, kind)) in [
        (Machine::Car, FaultKind::FuelPressure),
        (Machine::Kart, FaultKind::Starvation),
        (Machine::Jet, FaultKind::FuelPressure),
    ]
    .into_iter()
    .enumerate()
    {
        let seed = 7_100 + index as u64;
        for (channels, rate_hz) in
            [(ALL_CHANNELS, 50.0), (FULL, 20.0), (throttle, 50.0), (throttle, 10.0), (manifold, 20.0)]
        {
            logs.push(Danger::simulated(machine, seed, rate_hz, channels, kind));
        }
    }
    logs.retain(Danger::has_one);
    assert!(logs.len() >= 10, "{} logs with a danger", logs.len());
    let mut lost = Vec::new();
    for log in &logs {
        let rows = log.log.rows();
        let time_s = &log.log.clock.time_s;
        let around = |event: &Event, reach_s: f64| {
            let (start_s, end_s) = (time_s[event.rows.start], time_s[event.rows.end - 1]);
            time_s.partition_point(|t| *t < start_s - reach_s)
                ..time_s.partition_point(|t| *t <= end_s + reach_s)
        };
        for roles in DOUBTED {
            for flag in [Flag::Suspect, Flag::Bad] {
                lost.extend(log.lost(roles, flag, |_| 0..rows));
                for reach_s in [0.0, 1.0, 5.0] {
                    lost.extend(log.lost(roles, flag, |event| around(event, reach_s)));
                }
            }
        }
    }
    assert!(lost.is_empty(), "{}", lost.join("\n"));
}

/// A pull of a turbocharged car at 5 Hz in steps of 0.2 lambda, with one lean row in it.
fn coarse(lean: bool) -> read::Table {
    use std::fmt::Write as _;
    let mut text = "Time,RPM,Throttle,Lambda,MAP\n".to_owned();
    for row in 0..200_u32 {
        let time_s = f64::from(row) * 0.2;
        let pull_s = (time_s - 4.0).rem_euclid(9.0);
        let on = time_s >= 4.0 && pull_s < 5.0;
        let rpm = if on { 2_000.0 + 800.0 * pull_s } else { 900.0 } + f64::from(row * 7 % 11);
        let (throttle, map) = if on { (100.0, 180.0) } else { (15.0, 50.0) };
        let map = map + 0.1 * f64::from(row * 5 % 13);
        let lambda = if on && !(lean && row == 89) { 0.8 } else { 1.0 };
        let _ = writeln!(text, "{time_s:.1},{rpm:.0},{throttle},{lambda:.2},{map:.1}");
    }
    read::from_bytes("coarse.csv", text.as_bytes(), &ReadOptions::default()).expect("a readable log")
}

#[test]
fn a_single_row_that_is_lean_wherever_in_its_step_the_mixture_was_is_an_event() {
    let hazards = |lean: bool| {
        let audited = crate::audit::audit(
            &rig::assemble(coarse(lean), &Rig::default()).expect("a log with roles"),
            &Rig::default(),
        );
        audited.document.lean_events.iter().filter(|e| e.treat_as == TreatAs::Hazard).count()
    };
    assert_eq!((hazards(false), hazards(true)), (0, 1));
}

#[test]
fn a_load_channel_that_reads_wrong_never_removes_the_danger() {
    let is = |value: &'static str| move |_: &str| value.to_owned();
    let times = |factor: f64| move |old: &str| format!("{:.1}", factor * old.parse::<f64>().unwrap_or(0.0));
    let (throttle, manifold, speed) = (["Throttle"], ["Manifold"], ["Engine Speed"]);
    let mut logs = Vec::new();
    for span_s in [(52.0, 54.7), (51.0, 57.0), (44.2, 62.4)] {
        for value in ["50.0", "35", "0.0", "", "65535"] {
            logs.push(Danger::demo(&[], &manifold, span_s, is(value)));
        }
        for factor in [0.145, 0.1, 0.5] {
            logs.push(Danger::demo(&[], &manifold, span_s, times(factor)));
        }
        for value in ["0", "100", "255", ""] {
            logs.push(Danger::demo(&[], &speed, span_s, is(value)));
        }
        logs.push(Danger::demo(&[], &speed, span_s, times(0.01)));
        for value in ["0.0", "2.0", "", "65535"] {
            logs.push(Danger::demo(&[], &throttle, span_s, is(value)));
            logs.push(Danger::demo(&manifold, &throttle, span_s, is(value)));
        }
    }
    let lost: Vec<&str> = logs.iter().filter(|log| !log.has_one()).map(|log| log.title.as_str()).collect();
    assert!(lost.is_empty(), "{} of {}: {lost:#?}", lost.len(), logs.len());
}

#[test]
fn a_pedal_that_contradicts_the_manifold_or_the_engine_never_removes_the_danger() {
    let is = |value: &'static str| move |_: &str| value.to_owned();
    let mut logs = Vec::new();
    for span_s in [(52.0, 54.7), (51.0, 57.0), (44.2, 62.4)] {
        for value in ["50.0", "35"] {
            logs.push(Danger::pedal_demo(&[], &["Manifold"], span_s, is(value)));
        }
        for value in ["0.0", "40"] {
            logs.push(Danger::pedal_demo(&["Manifold"], &["Accelerator"], span_s, is(value)));
        }
    }
    let lost: Vec<&str> = logs.iter().filter(|log| !log.has_one()).map(|log| log.title.as_str()).collect();
    assert!(lost.is_empty(), "{} of {}: {lost:#?}", lost.len(), logs.len());
}

#[test]
fn an_engine_that_pulls_or_is_fed_as_at_full_load_refutes_a_throttle_that_tells_of_less() {
    let driven: &[Role] = &[Role::EngineSpeed, Role::Throttle, Role::Lambda, Role::VehicleSpeed];
    let fed: &[Role] = &[Role::EngineSpeed, Role::Throttle, Role::Lambda, Role::InjectorDuty];
    let both: &[Role] = &[
        Role::EngineSpeed,
        Role::Throttle,
        Role::ManifoldPressure,
        Role::Lambda,
        Role::VehicleSpeed,
        Role::InjectorDuty,
    ];
    let mut kept = Kept::default();
    for (seed, machine) in [(1, Machine::Car), (2, Machine::Kart), (3, Machine::Car), (4, Machine::Bike)] {
        for channels in [driven, fed, both] {
            let whole = Danger::simulated(machine, 7_300 + seed, 25.0, channels, FaultKind::FuelPressure);
            let Some(danger) = whole.dangers().into_iter().next() else { continue };
            let (start_s, end_s) = (danger.record.start_s - 1.0, danger.record.end_s + 1.0);
            // A throttle that lies, or everything that lies behind one connector.
            for percent in ["40.0", "14.0", "0.0"] {
                let lies = |_: &str| percent.to_owned();
                let text = rewrite(&whole.text, &[], &["Throttle"], (start_s, end_s), lies);
                let text = rewrite(&text, &[], &["Manifold"], (start_s, end_s), |_| "45.0".to_owned());
                kept.look(&whole, &format!("{channels:?} at {percent} %"), text);
            }
        }
    }
    kept.all(20);
}

#[test]
fn boost_refutes_a_throttle_that_closes_for_less_than_a_second() {
    let mut kept = Kept::default();
    for (seed, rate_hz) in [(1, 20.0), (2, 20.0), (3, 20.0), (4, 10.0), (5, 10.0)] {
        let whole = Danger::simulated(Machine::Car, 7_400 + seed, rate_hz, FULL, FaultKind::Starvation);
        let Some(danger) = whole.dangers().into_iter().next() else { continue };
        let boost = whole.log.role(Role::ManifoldPressure).expect("a manifold pressure").values();
        if danger.rows.clone().any(|row| boost[row] < 140e3) {
            continue;
        }
        for (before_s, after_s) in [(0.15, 0.1), (0.15, 0.3), (0.3, 0.3), (0.6, 0.3)] {
            let span_s = (danger.record.start_s - before_s, danger.record.end_s + after_s);
            let text = rewrite(&whole.text, &[], &["Throttle"], span_s, |_| "2.0".to_owned());
            kept.look(&whole, &format!("{span_s:?}"), text);
        }
    }
    kept.all(8);
}

#[test]
fn a_manifold_that_reads_empty_does_not_turn_the_first_second_of_a_pull_into_an_opening() {
    let empty = |old: &str| format!("28.{}", old.chars().last().unwrap_or('0'));
    let mut kept = Kept::default();
    for (seed, rate_hz) in [(1, 20.0), (2, 25.0), (3, 50.0), (4, 20.0), (5, 50.0)] {
        let whole =
            Danger::simulated_after(1.0, Machine::Car, 7_500 + seed, rate_hz, FULL, FaultKind::Starvation);
        if !whole.has_one() {
            continue;
        }
        let span_s = (whole.span_s.0 - 3.0, whole.span_s.1 + 0.5);
        let text = rewrite(&whole.text, &[], &["Manifold"], span_s, empty);
        kept.look(&whole, "an empty manifold", text);
    }
    kept.all(3);
}

#[test]
fn an_engine_that_does_more_than_its_throttle_tells_is_not_excused_what_part_load_is_not() {
    let swing = |old: &str| {
        let lean = if old.ends_with(['1', '3', '5', '7', '9']) { 0.02 } else { -0.02 };
        format!("{:.3}", 1.08 + lean)
    };
    for (without, percent) in [("Manifold", "30"), ("Manifold", "60"), ("Manifold", "85")] {
        let span_s = (47.5, 54.4);
        let lies = Danger::demo(&[without], &["Throttle"], span_s, |_| percent.to_owned());
        let text = rewrite(&lies.text, &[], &["Lambda"], span_s, swing);
        let log = Danger::of(format!("{} at {percent} %", lies.title), span_s, text, Rig::default());
        assert!(log.has_one(), "{}", log.title);
    }
}

#[test]
fn what_tells_the_load_may_fail_within_a_pull() {
    for from_s in [44.2, 48.0, 49.7, 50.2, 51.0, 52.0] {
        let blank = Danger::demo(&[], &["Throttle", "Manifold"], (from_s, 55.4), |_| String::new());
        assert!(blank.has_one(), "{}", blank.title);
    }
}

#[test]
fn an_engine_speed_at_the_end_of_its_range_shows_no_limiter() {
    let channels = &[Role::EngineSpeed, Role::Throttle, Role::Lambda, Role::VehicleSpeed];
    let mut kept = Kept::default();
    for (seed, machine) in [(1, Machine::Bike), (2, Machine::Car), (3, Machine::Bike), (4, Machine::Car)] {
        for (channels, below_rpm, noise_rpm) in [
            (FULL, 300.0, 0),
            (FULL, 300.0, 5),
            (channels, 30.0, 5),
            (channels, 900.0, 5),
            (channels, 900.0, 30),
        ] {
            let whole = Danger::simulated(machine, 7_200 + seed, 25.0, channels, FaultKind::Starvation);
            let Some(danger) = whole.dangers().into_iter().next() else { continue };
            let rpm = whole.log.role(Role::EngineSpeed).expect("an engine speed").values();
            let end = rpm[danger.rows.start] - below_rpm;
            // Noise behind the end of the range, in steps that follow no order.
            let ends = |old: &str| {
                let rpm = old.parse::<f64>().unwrap_or(f64::NAN);
                let noise = (rpm as i64 * 7_919 % (2 * noise_rpm + 1) - noise_rpm) as f64;
                format!("{:.0}", if rpm < end { rpm } else { end + noise })
            };
            let text = rewrite(&whole.text, &[], &["Engine Speed"], (0.0, f64::INFINITY), ends);
            kept.look(&whole, &format!("{below_rpm} below, noise of {noise_rpm}"), text);
        }
    }
    kept.all(15);
}

#[test]
fn an_engine_that_climbs_on_a_throttle_that_reads_closed_refutes_it_by_itself() {
    let channels = &[Role::EngineSpeed, Role::Throttle, Role::Lambda];
    let mut kept = Kept::default();
    for (seed, machine) in [(1, Machine::Bike), (2, Machine::Car), (3, Machine::Bike), (4, Machine::Kart)] {
        for percent in ["0.0", "4.9"] {
            let whole = Danger::simulated(machine, 7_600 + seed, 20.0, channels, FaultKind::Starvation);
            if !whole.has_one() {
                continue;
            }
            // No pull is left to compare with but those long before or after.
            let span_s = (whole.span_s.0 - 8.0, whole.span_s.1 + 8.0);
            let text = rewrite(&whole.text, &[], &["Throttle"], span_s, |_| percent.to_owned());
            kept.look(&whole, &format!("at {percent} %"), text);
        }
    }
    kept.all(4);
}

#[test]
fn an_engine_that_keeps_the_speed_of_a_pull_refutes_a_throttle_that_reads_closed() {
    let throttle: &[Role] = &[Role::EngineSpeed, Role::Throttle, Role::Lambda];
    let mut kept = Kept::default();
    for (seed, machine) in
        [(1, Machine::Propeller), (2, Machine::Jet), (3, Machine::Propeller), (4, Machine::Jet)]
    {
        let kinds = [FaultKind::FuelPressure, FaultKind::LeanCell];
        for (channels, kind) in kinds.into_iter().flat_map(|kind| [(throttle, kind), (FULL, kind)]) {
            let whole = Danger::simulated(machine, 7_700 + seed, 20.0, channels, kind);
            if !whole.has_one() {
                continue;
            }
            // From before the pull, and from within it.
            for before_s in [4.0, 1.0] {
                let span_s = (whole.span_s.0 - before_s, whole.span_s.1 + 8.0);
                let text = rewrite(&whole.text, &[], &["Throttle", "Manifold"], span_s, |_| "0.0".to_owned());
                kept.look(&whole, &format!("{channels:?} from {before_s} s before"), text);
            }
        }
    }
    kept.all(4);
}
